"""The page in a real browser, as a newcomer would use it: with the mouse, on a tablet, by keyboard alone; and axe.

References: WCAG 2.2 through axe-core's default rules; WAI-ARIA 1.2.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from browsing import DESKTOP, TABLET, Watch, axe_script, until, violations
from served import Served, serving
from typing_out import EVENING, struck, typed_out
from undersong.demo import hymn_files
from undersong.reading import read_file

WATER, BARLEY = hymn_files()[:2]
LANTERN = hymn_files()[5]


@pytest.fixture(scope="module")
def axe() -> str:
    return axe_script()


@pytest.fixture
def watch(served: Served) -> Iterator[Watch]:
    """Nothing may be refused by the content policy, fail in a script, or ask another place."""
    watching = Watch(served.url)
    yield watching
    assert watching.faults == []
    assert watching.elsewhere == []


@pytest.fixture
def page(served: Served, browser: Any, watch: Watch) -> Iterator[Any]:
    context = browser.new_context(base_url=served.url, viewport=DESKTOP, accept_downloads=True)
    opened = context.new_page()
    opened.set_default_timeout(20_000)
    watch.follow(opened)
    yield opened
    context.close()


@pytest.fixture
def tablet(served: Served, browser: Any, watch: Watch) -> Iterator[Any]:
    context = browser.new_context(base_url=served.url, viewport=TABLET, has_touch=True, accept_downloads=True)
    opened = context.new_page()
    opened.set_default_timeout(20_000)
    watch.follow(opened)
    yield opened
    context.close()


def bring(page: Any, file: Path = WATER) -> str:
    """A hymn on the shelf; its page."""
    page.goto("/")
    page.set_input_files("#files", str(file))
    page.wait_for_url("**/understood")
    return str(page.url).rpartition("/")[0]


def fits(page: Any) -> bool:
    """Nothing lies beside the page."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"))


LAID_OUT = "document.querySelectorAll('section.verse:not(.waiting)').length === 4"


def focused(page: Any) -> str:
    return str(page.evaluate("document.activeElement.id"))


def walk(page: Any, page_path: str) -> None:
    """From the file to printed pages, by what can be seen on the page."""
    assert "Four parts" in page.inner_text("main")
    page.get_by_role("link", name="That is right: to the hymn").click()
    page.wait_for_selector("svg.system g.chord-symbol")
    assert fits(page)
    page.get_by_role("link", name="Plan and pages").click()
    until(page, LAID_OUT)
    assert fits(page)
    assert page.evaluate("(t => t.scrollWidth <= t.clientWidth)(document.querySelector('#sheet'))")
    page.get_by_role("link", name="Take away").click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Make the booklet (PDF)").click()
    pdf = PdfReader(io.BytesIO(Path(download.value.path()).read_bytes()))
    assert "Water waking" in pdf.pages[0].extract_text()
    assert page_path.rsplit("/", maxsplit=1)[-1] in page.url


def test_from_a_file_to_printed_pages(page: Any) -> None:
    """A newcomer at a desk."""
    walk(page, bring(page))


def test_from_a_file_to_printed_pages_on_a_tablet(tablet: Any) -> None:
    """The same on the music desk."""
    walk(tablet, bring(tablet))


def test_a_file_is_dropped_on_the_page(page: Any) -> None:
    """Anywhere on it."""
    page.goto("/")
    text = "X:1\nT:Dropped\nM:3/4\nL:1/4\nK:F\nFGA|B2A|G3|F3|]\nw:so it fell to us to-day\n"
    page.evaluate(
        """text => {
            const held = new DataTransfer();
            held.items.add(new File([text], 'dropped.abc'));
            document.body.dispatchEvent(new DragEvent('drop', {dataTransfer: held, bubbles: true, cancelable: true}));
        }""",
        text,
    )
    page.wait_for_url("**/understood")
    assert "Dropped" in page.inner_text("h1")
    assert "harmony is proposed" in page.inner_text("main")


def test_a_file_is_brought_in_as_soon_as_it_is_chosen(page: Any) -> None:
    """No button is needed; come back to, the same file can be chosen again."""
    page.goto("/")
    assert page.locator("#bring button").count() == 0
    for _ in range(2):
        page.set_input_files("#files", str(WATER))
        page.wait_for_url("**/understood")
        page.go_back()
        page.wait_for_selector("#files")
        until(page, "document.querySelector('#files').files.length === 0")


def test_a_chord_is_changed_by_click(page: Any) -> None:
    """Click, type, keep; then undone by its button."""
    page.goto(bring(page, BARLEY))
    chord = page.locator("g.chord-symbol").nth(3)
    chord.click()
    page.get_by_label("Chord", exact=True).fill("F#m7")
    page.get_by_role("button", name="Keep").click()
    page.wait_for_selector("g.chord-symbol[data-told=yours]")
    assert page.locator("g.chord-symbol").nth(3).get_attribute("data-chord") == "F#m7"
    page.locator("#undo").click()
    page.wait_for_load_state()
    assert page.locator("g.chord-symbol[data-told=yours]").count() == 0


def test_a_doubtful_chord_is_confirmed_with_enter(page: Any) -> None:
    """The entry says what keeping it does, the page that it was done; the eye stays at the chord."""
    page.goto(bring(page, LANTERN))
    doubtful = page.locator("g.chord-symbol[data-told$=doubtful]")
    where = doubtful.first.get_attribute("id")
    doubtful.first.click()
    assert page.inner_text("#chord-told").endswith("doubtful; kept as it is, it is confirmed")
    page.keyboard.press("Enter")
    page.wait_for_selector(f"#{where}[data-told=yours]")
    assert page.inner_text("#notice").endswith("is confirmed.")
    until(page, f"document.activeElement.id === '{where}'")


def test_a_wrong_chord_is_told_and_can_be_mended(page: Any) -> None:
    """The sentence stands on the page, the entry stays open with what was typed."""
    page.goto(bring(page, BARLEY))
    page.locator("g.chord-symbol").first.click()
    page.get_by_label("Chord", exact=True).fill("H7")
    page.keyboard.press("Enter")
    page.wait_for_selector("#notice .fault")
    assert "H7" in page.inner_text("#notice")
    assert page.input_value("#chord-text") == "H7"
    page.fill("#chord-text", "A7")
    page.keyboard.press("Enter")
    page.wait_for_selector("g.chord-symbol[data-told=yours]")
    assert page.inner_text("#notice") == ""


def test_the_hymn_by_keyboard_alone(page: Any) -> None:
    """From chord to chord, up and down the systems, one changed, undone, done again, left alone; focus never lost."""
    page.goto(bring(page, BARLEY))
    page.wait_for_selector("g.chord-symbol")
    for _ in range(30):
        page.keyboard.press("Tab")
        if focused(page) == "score":
            break
    assert focused(page) == "score"
    page.keyboard.press("ArrowRight")
    assert focused(page) == "chord-0"
    steps = {"ArrowRight": 1, "ArrowLeft": -1}
    place = 0
    for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
        page.keyboard.press(key)
        place += steps[key]
        assert focused(page) == f"chord-{place}"
    page.keyboard.press("Home")
    assert focused(page) == "chord-0"
    page.keyboard.press("ArrowDown")
    below = focused(page)
    page.keyboard.press("ArrowUp")
    assert below not in ("chord-0", focused(page))
    page.keyboard.press("Home")
    page.keyboard.press("Enter")
    assert focused(page) == "chord-text"
    page.keyboard.press("Escape")
    assert focused(page) == "chord-0"
    page.keyboard.press("Enter")
    page.keyboard.type("Bm")
    page.keyboard.press("Enter")
    page.wait_for_selector("#chord-0[data-chord=Bm]")
    until(page, "document.activeElement.id === 'chord-0'")
    page.keyboard.press("Control+z")
    page.wait_for_selector("#chord-0:not([data-chord=Bm])")
    page.keyboard.press("Control+Shift+z")
    page.wait_for_selector("#chord-0[data-chord=Bm]")


def test_lines_and_breaths_by_keyboard_alone(page: Any) -> None:
    """Enter lets a line begin at a note, B sets a breath before it; the place is kept."""
    page.goto(bring(page, BARLEY) + "?show=lines")
    page.focus("#score")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    place = focused(page)
    before = page.locator("path.line-start").count()
    page.keyboard.press("Enter")
    until(page, f"document.querySelectorAll('path.line-start').length === {before + 1}")
    until(page, f"document.activeElement.id === '{place}'")
    page.keyboard.press("b")
    page.wait_for_selector(f"[id='{place}'][aria-label$='breath before']")


def test_the_plan_by_keyboard_alone(page: Any) -> None:
    """Verse 3 in another texture: its page follows, the others are not touched, the focus stays in the row."""
    page.goto(bring(page) + "/plan")
    until(page, LAID_OUT)
    before = [page.locator(f"#row-{row}").inner_html() for row in range(4)]
    page.focus("#texture-2")
    page.keyboard.type("unis")
    page.keyboard.press("Tab")
    until(page, "document.querySelector('#row-2 .about').textContent.includes('unison')")
    page.wait_for_selector("#undo:not([disabled])")
    after = [page.locator(f"#row-{row}").inner_html() for row in range(4)]
    assert [one == other for one, other in zip(before, after, strict=True)] == [True, True, False, True]
    assert focused(page) == "tune-2"
    page.focus("#pace-0")
    page.keyboard.press("Control+a")
    page.keyboard.type("76")
    page.keyboard.press("Tab")
    until(page, "document.querySelector('#undo').textContent.includes('76 beats a minute')")


def test_what_cannot_be_played_has_its_remedy_as_a_button(page: Any) -> None:
    """Strummed cannot serve: the row says what she asked for and what is laid out; one button plans that."""
    page.goto(bring(page) + "/plan")
    page.wait_for_selector("#row-1 svg.system")
    page.select_option("#texture-1", "strummed")
    button = page.locator("#row-1").get_by_role("button", name="Plan block chords")
    button.wait_for()
    assert page.input_value("#texture-1") == "strummed"
    assert page.inner_text("#laid-1") == "laid out: block chords"
    button.click()
    until(page, "document.querySelector('#texture-1').value === 'block'")
    until(page, "document.querySelector('#laid-1').textContent === ''")
    until(page, "!document.querySelector('#row-1 .told')?.textContent.includes('cannot serve')")


def test_words_of_trying_are_said_only_while_it_is_tried(page: Any) -> None:
    """Nothing before a verse is seen; the words while its remedies are asked for; then the buttons."""
    home = bring(page)
    page.goto(home + "/plan")
    page.wait_for_selector("#row-1 svg.system")
    page.evaluate("for (const one of document.querySelectorAll('svg.system')) one.style.height = '100rem'")
    page.evaluate("window.scrollTo(0, 0)")
    held: list[Any] = []

    def hold(route: Any) -> None:
        """Unanswered until it is let go; the driver takes no bound method of a list."""
        held.append(route)

    page.route("**/remedies", hold)
    page.select_option("#texture-1", "strummed")
    page.wait_for_selector("#told-1 .trying", state="attached")
    page.wait_for_timeout(1500)  # longer than it waits where the verse is in sight
    assert not held
    assert not page.locator("#told-1 .trying").is_visible()
    page.locator("#told-1").scroll_into_view_if_needed()
    page.locator("#told-1 .trying").wait_for(state="visible")
    until(page, "document.querySelector('#told-1').classList.contains('htmx-request')")
    held[0].continue_()
    page.wait_for_selector("#told-1:not([hx-get])")
    assert page.locator("#told-1 .trying").count() == 0


def test_what_was_made_before_is_not_fetched_again(page: Any) -> None:
    """The file comes once, to the page where it was begun; later its link stands there."""
    home = bring(page)
    page.goto(home + "/take")
    with page.expect_download() as download:
        page.get_by_role("button", name="MIDI").click()
    assert download.value.suggested_filename.endswith(".mid")
    fetched: list[Any] = []

    def note(one: Any) -> None:
        fetched.append(one)

    page.on("download", note)
    page.wait_for_timeout(1000)
    page.reload()
    page.locator("#made-midi .ready a").wait_for()
    page.wait_for_timeout(1000)
    assert not fetched
    with page.expect_download():
        page.locator("#made-midi .ready a").click()


def test_two_windows_on_one_hymn(page: Any, watch: Watch) -> None:
    """The second window is told, shows both, and keeps what she says."""
    home = bring(page)
    other = page.context.new_page()
    watch.follow(other)
    for window in (page, other):
        window.goto(home + "/plan")
        window.wait_for_selector("#row-0 svg.system")
    page.select_option("#texture-0", "block")
    until(page, "document.querySelector('#row-0 .about').textContent.includes('block')")
    other.select_option("#texture-0", "unison")
    other.wait_for_selector("#notice .conflict")
    told = other.inner_text("#notice")
    assert "There: verse 1: block chords" in told
    assert "Here: verse 1: unison and octaves" in told
    other.get_by_role("link", name="See both side by side").click()
    other.wait_for_selector(".beside svg.system")
    assert other.locator(".beside section").count() == 2
    other.get_by_role("button", name="Plan the other").click()
    until(other, "document.querySelector('#texture-0')?.value === 'unison'")


TOOLS = ("Undo", "Do again", "Print this page", "Take away", "Played in", "numerals", "Beside another")
SIDEWAYS = """() => [...document.querySelectorAll('main *')].filter((one) => {
    const box = one.getBoundingClientRect();
    return box.width && (box.right > document.documentElement.clientWidth + 1 || box.left < -1);
}).map((one) => one.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pages_print_without_their_tools(page: Any, paper: str) -> None:
    """The sheet, every verse and the hymn itself, no tool among them; every word and every texture whole."""
    home = bring(page)
    page.goto(home + "/plan")
    until(page, LAID_OUT)
    page.select_option("#texture-1", "broken:low-and-pair")
    until(page, "document.querySelector('#row-1 .about').textContent.includes('low and pair') || "
                "document.querySelector('#undo').textContent.includes('low and pair')")  # fmt: skip
    pages = [one.extract_text() for one in PdfReader(io.BytesIO(page.pdf(format=paper))).pages]
    text = "\n".join(pages)
    for wanted in ("Water waking", "broken chords, low and pair", "tune an octave up", "Breath of God"):
        assert wanted in text, wanted
    for word in ("Wren", "gain.", "Through", "spring.", "Call", "prayer.", "Till", "shore."):
        assert word in text, word  # the third line of each verse and the end of its last
    page.goto(home)
    whole = PdfReader(io.BytesIO(page.pdf(format=paper))).pages
    assert len(whole) == 1
    text += (one := whole[0].extract_text())
    for word in ("gain.", "spring.", "prayer.", "shore."):
        assert word in one, word
    for tool in TOOLS:
        assert tool not in text, tool
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 703 if paper == "A4" else 725, "height": 1000})  # 12 mm margins at 96 dpi
    for where in (home, home + "/plan"):
        page.goto(where)
        until(page, "document.querySelector('svg.system') && !document.querySelector('section.waiting')")
        assert page.evaluate(SIDEWAYS) == []


def test_paper_waits_for_verses_that_are_still_being_made(page: Any) -> None:
    """Print is pressed while one is held back: it says so, and prints when that verse is there, once."""
    page.add_init_script("window.printed = 0; window.print = () => { window.printed += 1; };")
    home = bring(page)
    held: list[Any] = []

    def hold(route: Any) -> None:
        held.append(route)

    page.route("**/plan/3", hold)
    page.goto(home + "/plan")
    until(page, "document.querySelectorAll('section.verse:not(.waiting)').length === 3")
    page.get_by_role("button", name="Print this page").click()
    assert "still being laid out" in page.inner_text("#notice")
    assert page.evaluate("window.printed") == 0
    held[0].continue_()
    until(page, "window.printed === 1")
    assert page.inner_text("#notice") == ""
    page.get_by_role("button", name="Print this page").click()
    assert page.evaluate("window.printed") == 2


def test_the_field_stays_where_it_is_while_the_lines_above_grow(tablet: Any) -> None:
    """What one types in does not move away from the eye, nor the next field from the finger."""
    tablet.goto("/")
    tablet.get_by_role("button", name="Type a hymn").tap()
    tablet.wait_for_url("**/enter/*")
    tablet.fill("#field-soprano", "g4 a b c d2 c b4 a g f g1")
    until(tablet, "document.querySelectorAll('#preview g.note').length === 11")
    tablet.locator("#field-bass").tap()
    where = """[document.querySelector('#field-bass').getBoundingClientRect().top,
        document.querySelector('#preview').offsetHeight]"""
    top, height = tablet.evaluate(where)
    tablet.keyboard.type("g f# g c d, e g d e d g,")
    until(tablet, "document.querySelectorAll('#preview g.note:not(.proposed)').length === 22")
    after, grown = tablet.evaluate(where)
    assert grown > height + 10
    assert abs(after - top) < 1
    tablet.get_by_role("button", name="Throw it away").click()
    tablet.wait_for_url("**/")


PHONE = {"width": 360, "height": 740}
TWICE = """() => [...document.querySelectorAll('[id]')].map((one) => one.id)
    .filter((id, index, all) => all.indexOf(id) !== index)"""


def test_every_page_fits_every_size_and_no_id_comes_twice(page: Any) -> None:
    """A telephone, a tablet held either way, a desk: nothing beside the page; ids are unique (HTML, section 3.2.6)."""
    home = bring(page)
    page.goto("/")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_url("**/enter/*")
    page.fill("#field-soprano", "c d e f g a b c d e f g")
    page.wait_for_selector("#preview svg.system")
    typing = page.url
    shown = "?show=numerals&show=notes&show=lines"
    wrong: list[Any] = []
    hers = [f"{home}{one}" for one in ("", shown, "/understood", "/plan", "/plan/1/beside", "/listen", "/take")]
    for where in ("/", "/bench", "/hymns/none", typing, *hers):
        page.set_viewport_size(DESKTOP)
        page.goto(where)
        until(page, "!document.querySelector('section.waiting')")
        if twice := page.evaluate(TWICE):
            wrong.append((where, twice[:5]))
        for size in (PHONE, TABLET, {"width": 1180, "height": 820}, DESKTOP):
            page.set_viewport_size(size)
            if not fits(page):
                wrong.append((where, size))
    assert wrong == []


WIDE, NARROW = ("w:" + " ".join([word, "a"] * 5 + ["a"]) + "\n" for word in ("strengths", "I"))
FIVE = (
    f"X:1\nT:Five verses\nM:2/4\nL:1/4\nK:F\nV:1\nF2|G2|A2|B2|c2|d2|c2|B2|A2|G2|F2|]\n"
    f"{WIDE}{NARROW}{WIDE}{NARROW}{WIDE}"
    "V:2 clef=bass\nF,2|C,2|F,2|G,2|C2|B,2|C2|G,2|F,2|C,2|F,2|]\n"
)
"""The words of three verses reach over the bar lines, those of the two between them do not."""
THROUGH = """() => {
    const words = [...document.querySelectorAll('g.syl text')].map((one) => one.getBoundingClientRect());
    const lines = [...document.querySelectorAll('g.barLine path')].map((one) => one.getBoundingClientRect());
    return lines.filter((line) => words.some((word) => line.left > word.left + 1 && line.right < word.right - 1
        && line.top < word.bottom - 3 && line.bottom > word.top + 3)).length;
}"""


def test_no_bar_line_runs_through_words(page: Any, tmp_path: Path) -> None:
    """Five verses of wide words between two staves, as the browser itself measures them."""
    file = tmp_path / "five.abc"
    file.write_text(FIVE)
    page.goto(bring(page, file))
    page.wait_for_selector("g.syl")
    assert page.locator("g.barLine path").count() > 3
    assert page.evaluate(THROUGH) == 0


def test_when_the_program_is_closed_the_page_says_so(browser: Any, tmp_path: Path) -> None:
    """And nothing that was kept is lost."""
    with serving(tmp_path) as served:
        page = browser.new_page(base_url=served.url)
        page.goto(bring(page) + "/plan")
        page.wait_for_selector("#row-0 svg.system")
        page.select_option("#texture-0", "block")
        page.wait_for_selector("#undo:not([disabled])")
        served.stop()
        page.select_option("#texture-0", "unison")
        until(page, "document.querySelector('#notice').textContent.includes('does not answer')")
        page.close()
    with serving(tmp_path) as again:
        page = browser.new_page(base_url=again.url)
        page.goto("/")
        page.get_by_role("link", name="Water waking in the hollow").click()
        page.get_by_role("link", name="Plan and pages").click()
        assert page.input_value("#texture-0") == "block"
        page.close()


def test_axe_finds_nothing(page: Any, tablet: Any, axe: str, browser: Any, tmp_path: Path) -> None:
    """In every state that a newcomer meets, at a desk; the two fullest pages on a tablet too.

    Empty shelf, shelf, understood, hymn with everything shown, a chord being edited and refused, lines, the plan with
    findings, two versions, take away with work done, an error.
    """
    found: dict[str, list[str]] = {}

    def look(state: str, window: Any = page) -> None:
        found[state] = violations(window, axe)

    with serving(tmp_path) as empty:
        first = browser.new_page(base_url=empty.url)
        first.goto("/")
        look("empty", first)
        first.close()
    home = bring(page)
    look("understood")
    page.goto(home + "?show=numerals&show=notes")
    look("hymn")
    page.locator("#chord-2 rect.reach").click()
    look("a chord being edited")
    page.fill("#chord-text", "H")
    page.keyboard.press("Enter")
    page.wait_for_selector("#notice .fault")
    look("a chord refused")
    page.goto(home + "?show=lines")
    look("lines and breaths")
    page.goto(home + "/plan")
    until(page, LAID_OUT)
    page.select_option("#texture-1", "strummed")
    page.wait_for_selector("#row-1 .told button")
    look("findings shown")
    page.goto(home + "/plan/1/beside?texture=held")
    look("two versions")
    page.goto(home + "/take")
    page.get_by_role("button", name="MIDI").click()
    page.wait_for_selector(".made a")
    look("take away")
    page.goto("/")
    look("shelf")
    page.goto("/hymns/none")
    look("error")
    tablet.goto(home + "?show=numerals&show=notes")
    look("hymn on a tablet", tablet)
    tablet.goto(home + "/plan")
    until(tablet, LAID_OUT)
    look("plan on a tablet", tablet)
    assert {state: told for state, told in found.items() if told} == {}


def test_axe_can_find_something(page: Any, axe: str) -> None:
    """A planted picture without words is found."""
    page.goto("/")
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert any("button-name" in one for one in violations(page, axe))


def test_the_policy_holds_in_the_browser(served: Served, browser: Any) -> None:
    """Script and style planted into a page do not run."""
    page = browser.new_page(base_url=served.url)
    watching = Watch(served.url)
    watching.follow(page)
    page.goto("/")
    page.evaluate("""() => {
        document.body.insertAdjacentHTML('beforeend', '<p id="planted" style="color: rgb(1, 2, 3)">x</p>');
        const script = document.createElement('script');
        script.textContent = 'window.ranPlanted = true';
        document.body.append(script);
    }""")
    assert page.evaluate("window.ranPlanted") is None
    assert page.evaluate("getComputedStyle(document.querySelector('#planted')).color") != "rgb(1, 2, 3)"
    assert any(re.search("Content Security Policy", one) for one in watching.faults)
    page.close()


def test_a_foreign_page_gets_nothing(served: Served, browser: Any, tmp_path: Path) -> None:
    """A page from elsewhere in the same browser: it can neither write nor read nor frame."""
    foreign = tmp_path / "foreign.html"
    foreign.write_text(
        f'<form id="f" method="post" action="{served.url}/bring-demo" target="there"></form>'
        f'<iframe name="there"></iframe><iframe id="framed" src="{served.url}/"></iframe>'
    )
    before = len(list((served.folder / "hymns").glob("*")))
    page = browser.new_page()
    page.goto(foreign.as_uri())
    page.evaluate("document.querySelector('#f').submit()")
    read = page.evaluate(f"fetch('{served.url}/').then(() => 'read', () => 'refused')")
    sent = page.evaluate(
        f"fetch('{served.url}/bring-demo', {{method: 'POST', mode: 'no-cors'}}).then(() => 1, () => 0)"
    )
    page.wait_for_timeout(500)
    assert read == "refused"
    assert sent == 0  # it may be sent; it must do nothing
    assert len(list((served.folder / "hymns").glob("*"))) == before
    assert "Undersong" not in page.frame_locator("#framed").locator("body").inner_text()
    page.close()


COUNT = """() => {
    window.strokes = 0;
    document.addEventListener('keydown', (event) => {
        if (!['Shift', 'Control', 'Alt', 'Meta'].includes(event.key)) window.strokes += 1;
    }, true);
}"""
"""Counts what fingers do, keys held beside another left out."""


def test_sixteen_bars_of_four_parts_are_typed(page: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """The line is engraved above as it grows; at most 1.6 keystrokes a note, steps between fields counted too."""
    hymn = next(
        one for path in hymn_files() if (one := read_file(path)[0]).tune.four_parts and len(one.tune.bars) >= 16
    )
    typed = typed_out(hymn.tune)
    notes = sum(len(struck(voice.notes)) for voice in hymn.tune.voices)
    page.goto("/")
    page.select_option("select[name=kind]", "four")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_url("**/enter/*")
    page.fill("[name=title]", "Typed by hand")
    page.select_option("[name=key]", typed.key)
    page.select_option("[name=time]", typed.time)
    page.fill("[name=pickup]", typed.pickup)
    page.focus("#field-soprano")
    page.evaluate(COUNT)
    for _, text in typed.voices:
        page.keyboard.type(text)
        page.keyboard.press("Tab")
        page.wait_for_selector("#preview svg.system")
    strokes = page.evaluate("window.strokes")
    until(page, f"document.querySelectorAll('#preview g.note').length >= {notes}")
    with capsys.disabled():
        print(f"\n{len(hymn.tune.bars)} bars, {notes} notes, {strokes} keystrokes: {strokes / notes:.2f} a note")
    assert strokes / notes <= 1.6
    page.get_by_role("button", name="Keep this hymn").click()
    page.wait_for_url("**/understood")
    name = page.url.split("/")[4]
    kept = read_file(next(Path(served_folder(page)).glob(f"hymns/{name}/source.*")))[0]
    for voice in hymn.tune.voices:
        again = kept.tune.voice(voice.name)
        assert again is not None
        assert [(n.onset, n.length, n.pitch) for n in struck(again.notes)] == [
            (n.onset, n.length, n.pitch) for n in struck(voice.notes)
        ]


def served_folder(page: Any) -> str:
    """Her folder, as the page itself tells it."""
    page.goto("/")
    told = page.locator("text=Your hymns are kept in").inner_text()
    return str(told.removeprefix("Your hymns are kept in ").removesuffix("/hymns."))


def test_a_slip_is_told_at_its_place(page: Any, served: Served, axe: str) -> None:
    """While typing; a click on it leads there; nothing typed is lost when the tab is closed."""
    page.goto("/")
    page.select_option("select[name=kind]", "tune")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_url("**/enter/*")
    page.focus("#field-tune")
    page.keyboard.type("c d x e")
    page.wait_for_selector("#slips-tune .fault")
    assert "'x' is no sign for a note" in page.inner_text("#slips-tune")
    assert violations(page, axe) == []
    page.locator("#slips-tune button").click()
    assert page.evaluate("[document.activeElement.id, document.activeElement.selectionStart]") == ["field-tune", 4]
    page.keyboard.press("Delete")
    until(page, "!document.querySelector('#slips-tune .fault')")
    page.fill("#words-1", "one two three")
    until(page, "document.querySelectorAll('#preview g.syl').length === 3")
    where = page.url
    page.goto("/")
    begun = page.locator(f"a[href='{where.removeprefix(served.url)}']")  # other drafts have no title either
    assert begun.inner_text() == "Untitled"
    begun.click()
    assert page.url == where
    assert page.input_value("#field-tune") == "c d  e"
    assert page.input_value("#words-1") == "one two three"
    page.get_by_role("button", name="One more verse").click()
    page.wait_for_selector("#words-2")
    page.get_by_role("button", name="Throw it away").click()
    page.wait_for_url("**/")


PHONE = {"width": 360, "height": 740}


def proposed_by_keys(page: Any, axe: str) -> None:
    """From the first page to a kept hymn, without the mouse: tune, bass and symbols typed, the rest proposed."""
    page.goto("/")
    page.focus("select[name=kind]")
    page.keyboard.press("t")  # as one chooses from a list by its first letters
    for _ in range(5):
        if page.input_value("select[name=kind]") == "propose":
            break
        page.keyboard.press("ArrowDown")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/enter/*")
    page.focus("[name=title]")
    page.keyboard.type("Evening, typed")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.type("F m")
    page.keyboard.press("Tab")
    page.keyboard.type("3/4")
    page.keyboard.press("Tab")
    page.keyboard.press("Control+A")
    page.keyboard.type("1")
    for voice, text in EVENING.items():
        page.keyboard.press("Tab")
        until(page, f"document.activeElement.id === 'field-{voice}'")
        page.keyboard.type(text)
    notes = sum(sign.isalpha() for sign in EVENING["soprano"]) - EVENING["soprano"].count("8")  # held over quavers
    until(page, f"document.querySelectorAll('#preview g.note.proposed').length === {2 * notes}")
    assert "In pencil: alto and tenor, proposed." in page.inner_text("#preview")
    assert page.locator("#entry .fault").count() == 0
    assert fits(page)
    assert violations(page, axe) == []
    for name in ("words-1", "propose", "alto"):
        page.keyboard.press("Tab")
        until(page, f"document.activeElement.name === '{name}'")
    page.keyboard.type("g a~")  # hers from here
    until(page, f"document.querySelectorAll('#preview g.note.proposed').length === {2 * notes - 2}")
    page.get_by_role("button", name="Write the proposal into the fields").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**#proposed")
    until(page, "document.querySelector('#field-tenor').value.length > 20")
    assert page.input_value("#field-alto").startswith("g a~ ")
    assert page.locator("#preview g.note.proposed").count() == 0
    page.focus("#field-tenor")
    page.keyboard.press("Control+End")
    page.keyboard.press("Backspace")
    until(page, "document.querySelectorAll('#preview g.note.proposed').length === 1")
    page.get_by_role("button", name="Keep this hymn").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/understood")
    assert "Four parts" in page.inner_text("main")
    assert "typed by hand; tenor proposed" in page.inner_text("main")


def test_tune_bass_and_symbols_are_typed_by_keyboard_alone(page: Any, axe: str) -> None:
    """At a desk; alto and tenor in pencil, one note of hers, the proposal written out and changed."""
    proposed_by_keys(page, axe)


def test_tune_bass_and_symbols_are_typed_on_a_tablet(tablet: Any, axe: str) -> None:
    """Touched and filled field by field; kept as it stands in pencil, it has four parts."""
    tablet.goto("/")
    tablet.select_option("select[name=kind]", "propose")
    tablet.get_by_role("button", name="Type a hymn").tap()
    tablet.wait_for_url("**/enter/*")
    tablet.select_option("[name=key]", "F major")
    tablet.select_option("[name=time]", "3/4")
    tablet.fill("[name=pickup]", "1")
    for voice, text in EVENING.items():
        tablet.locator(f"#field-{voice}").tap()
        tablet.fill(f"#field-{voice}", text)
    tablet.wait_for_selector("#preview g.note.proposed")
    assert fits(tablet)
    assert violations(tablet, axe) == []
    tablet.get_by_role("button", name="Keep this hymn").tap()
    tablet.wait_for_url("**/understood")
    assert "Four parts" in tablet.inner_text("main")
    assert "alto and tenor proposed" in tablet.inner_text("main")


def test_an_upbeat_is_put_right_by_keyboard_alone(page: Any, axe: str, tmp_path: Path) -> None:
    """Brought in without one; one beat told; the page has it, and one step back takes it away."""
    file = tmp_path / "shifted.abc"
    file.write_text("X:1\nT:Shifted\nM:3/4\nL:1/4\nK:F\nCFG|A2G|F2E|D2C|F3|]\nw:a b c d e f g h i j\n")
    hymn = bring(page, file)
    page.focus("[name=tune_name]")
    page.keyboard.press("Tab")
    until(page, "document.activeElement.name === 'pickup'")
    page.keyboard.press("Control+A")
    page.keyboard.type("5")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=is no upbeat here")
    assert violations(page, axe) == []
    page.go_back()
    page.focus("[name=pickup]")
    page.keyboard.press("Control+A")
    page.keyboard.type("1")
    page.keyboard.press("Enter")
    page.wait_for_selector("svg.system g.note")
    assert page.url == f"{hymn}"
    page.focus("#undo")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.goto(f"{hymn}/understood")
    assert page.input_value("[name=pickup]") == "0"
    assert violations(page, axe) == []


def test_a_phone_holds_the_page(served: Served, browser: Any, watch: Watch) -> None:
    """At 360 px the list, a hymn half typed with long words in it, and how it was read lie inside the page."""
    context = browser.new_context(base_url=served.url, viewport=PHONE, has_touch=True)
    phone = context.new_page()
    watch.follow(phone)
    bring(phone)
    assert fits(phone)
    phone.goto("/bench")
    assert fits(phone)
    for kind in ("four", "tune", "propose"):
        phone.goto("/")
        assert fits(phone)
        phone.select_option("select[name=kind]", kind)
        phone.get_by_role("button", name="Type a hymn").tap()
        phone.wait_for_url("**/enter/*")
        phone.fill("[name=title]", "Averylongtitlewithoutanyblank" * 4)
        phone.locator("textarea").first.fill("cdefgabcdefg" * 30 + "x")
        phone.wait_for_selector("#preview svg.system")
        phone.wait_for_selector(".slips .fault")
        assert fits(phone)
    phone.goto("/")
    assert fits(phone)
    for _ in range(3):
        phone.locator("text=Averylong").first.click()
        phone.get_by_role("button", name="Throw it away").click()
        phone.wait_for_url("**/")
    context.close()


MIDI = """() => {
    const input = {name: 'Tried keyboard', onmidimessage: null};
    window.pressKey = (number) => input.onmidimessage({data: [0x90, number, 80]});
    navigator.requestMIDIAccess = async () => ({inputs: new Map([['a', input]]), onstatechange: null});
}"""
"""A keyboard that is not there: the browser's own way of asking for one, answered by the test."""


def test_a_keyboard_with_keys_types_step_by_step(page: Any) -> None:
    """Keys pressed without a beat become letters in the voice one is in."""
    page.add_init_script(f"({MIDI})()")
    page.goto("/")
    page.select_option("select[name=kind]", "tune")
    page.get_by_role("button", name="Type a hymn").click()
    page.wait_for_selector("#keyboard:not([hidden])")
    page.focus("#field-tune")
    for number in (67, 69, 71, 72, 66):
        page.evaluate(f"window.pressKey({number})")
    until(page, "document.querySelector('#field-tune').value.trim().split(' ').length === 5")
    assert page.input_value("#field-tune").split() == ["g", "a", "b", "c", "f#,"]
    until(page, "document.querySelectorAll('#preview g.note').length === 5")


def test_abc_is_pasted(page: Any) -> None:
    """A tune without its number is taken too."""
    page.goto("/")
    page.get_by_text("Or paste ABC").click()
    page.fill("#abc", "T:Pasted\nM:4/4\nL:1/4\nK:G\nGABc|d2B2|c2A2|G4|]")
    page.get_by_role("button", name="Bring in what is pasted").click()
    page.wait_for_url("**/understood")
    assert "Pasted" in page.inner_text("h1")


def test_the_organ_form_by_keyboard_alone(page: Any, axe: str) -> None:
    """A stop added to the lowest manual, kept, and printed in the list; axe finds nothing, also when it is refused."""
    page.goto("/bench")
    assert violations(page, axe) == []
    page.focus("[name=m0_stops]")
    page.keyboard.press("Control+End")
    page.keyboard.type("\nZauberpfeife 8")
    page.get_by_role("button", name="Keep these").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".fault")
    assert "Zauberpfeife" in page.inner_text(".fault")
    assert violations(page, axe) == []
    page.focus("[name=m0_stops]")
    page.keyboard.press("Control+End")
    page.keyboard.type(", flute")
    page.get_by_role("button", name="Keep these").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".stop-list li:has-text('Zauberpfeife')")
    assert fits(page)
