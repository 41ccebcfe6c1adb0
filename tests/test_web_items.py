"""Every numbered item of the page, as a newcomer would do it: at a desk, on a tablet with fingers, by keyboard alone.

A row of the table is an item, a column a way. By keyboard alone means Tab, arrows, Enter and Space, from the top of the
page; on the tablet, taps. What the fingers type goes through the keyboard either way.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from pypdf import PdfReader

from browsing import DESKTOP, TABLET, Hand, Watch, until
from served import Served, serving
from test_web_hymn import brought
from undersong.demo import hymn_files
from undersong.reading import read_file

WATER, BARLEY = hymn_files()[:2]
BOOK = (
    "X:1\nT:First of two\nM:4/4\nL:1/4\nK:C\nCDEF|GFED|C4|]\nw:one two three four five six sev-en eight\n\n"
    "X:2\nT:Second of two\nM:3/4\nL:1/4\nK:G\nG|GAB|c2B|A2G|G2|]\nw:and so it went and then was still\n"
    "w:once more it went and then was done\n"
)
VOICES = {
    "soprano": "g4 a b c d2 c b4 a g f g1", "alto": "d d d e f# e d d d c b", "tenor": "b c d g a g g f# g a g",
    "bass": "g f# g c d, e g d e d g,",
}  # fmt: skip
"""Four bars in G, invented: the tune with its lengths, the others by letters alone."""
MIDI = """() => {
    const input = {name: 'Tried keyboard', onmidimessage: null};
    window.pressKey = (number) => input.onmidimessage({data: [0x90, number, 80]});
    navigator.requestMIDIAccess = async () => ({inputs: new Map([['a', input]]), onstatechange: null});
}"""
"""A keyboard that is not there: the browser's own way of asking for one, answered by the test."""
PRINTING = "() => { window.printed = 0; window.print = () => { window.printed += 1; }; }"
"""Counts what would come out of a printer."""
WAYS = ("mouse", "touch", "keys")


@pytest.fixture(params=WAYS)
def hand(request: pytest.FixtureRequest, served: Served, browser: Any) -> Iterator[Hand]:
    """A way of doing it; nothing may fail in a script or ask another place."""
    touch = request.param == "touch"
    context = browser.new_context(
        base_url=served.url, viewport=TABLET if touch else DESKTOP, has_touch=touch, accept_downloads=True
    )
    page, watch = context.new_page(), Watch(served.url)
    page.set_default_timeout(20_000)
    page.add_init_script(f"({MIDI})(); ({PRINTING})()")
    watch.follow(page)
    yield Hand(page, request.param, watch)
    context.close()
    assert watch.faults == []
    assert watch.elsewhere == []


def opened(served: Served, hand: Hand, where: str = "", file: Path = WATER) -> str:
    """A hymn on the shelf, and one of its pages open; its address."""
    with served.client() as client:
        home = f"/hymns/{brought(client, file)}"
    hand.page.goto(f"{home}{where}")
    return home


def pick(hand: Hand, file: Path) -> None:
    """Through the browser's own dialogue."""
    with hand.page.expect_file_chooser() as chooser:
        hand.press(hand.page.locator("#files"))
    chooser.value.set_files(str(file))


def test_1_a_hymn_is_brought_in(hand: Hand, tmp_path: Path) -> None:
    """Picked; one tune chosen out of a book; what was understood is read, and the title and verses put right."""
    book = tmp_path / "book.abc"
    book.write_text(BOOK)
    page = hand.page
    page.goto("/")
    pick(hand, book)
    page.wait_for_url("**/received/*")
    assert "2 tunes" in page.inner_text("main")
    hand.write(page.locator("#find"), "second")
    until(page, "[...document.querySelectorAll('#tunes li')].filter((one) => !one.hidden).length === 1")
    hand.tick(page.get_by_label("Second of two"))
    hand.press(page.get_by_role("button", name="Keep the ticked ones"))
    page.wait_for_url("**/understood")
    assert "harmony is proposed" in page.inner_text("main")
    hand.write(page.get_by_label("Title"), f"Put right by {hand.way}")
    hand.tick(page.locator("[name=verse][value='2']"))
    hand.press(page.get_by_role("button", name="Keep this"))
    page.wait_for_selector("svg.system")
    assert f"Put right by {hand.way}" in page.inner_text("h1")
    sung = "".join(page.locator("g.syl").all_text_contents())
    assert "andsoit" in re.sub(r"[^a-z]", "", sung)
    assert "oncemore" not in re.sub(r"[^a-z]", "", sung)


def test_2_four_parts_are_typed(hand: Hand, served: Served) -> None:
    """One voice after another over the tune's rhythm, words, a slip told at its place and mended; kept as a hymn."""
    page = hand.page
    page.goto("/")
    hand.press(page.get_by_role("button", name="Type a hymn"))
    page.wait_for_url("**/enter/*")
    hand.write(page.get_by_label("Title"), f"Typed by {hand.way}")
    hand.choose(page.locator("select[name=key]"), "G m" if hand.way == "keys" else "G major")
    for voice, text in VOICES.items():
        hand.write(page.locator(f"#field-{voice}"), text + (" x" if voice == "tenor" else ""))
    page.wait_for_selector("#slips-tenor .fault")
    if hand.way != "touch":  # a finger has no Tab
        page.keyboard.press("Tab")
    hand.write(page.locator("#field-tenor"), VOICES["tenor"])
    until(page, "!document.querySelector('#slips-tenor .fault')")
    hand.write(page.locator("#words-1"), "Here we go a-long the lane as eve-ning falls")
    until(page, "document.querySelectorAll('#preview g.note').length >= 44")
    until(page, "document.querySelectorAll('#preview g.syl').length >= 11")
    hand.press(page.get_by_role("button", name="Keep this hymn"))
    page.wait_for_url("**/understood")
    assert "Four parts, 4 bars" in page.inner_text("main")
    kept = read_file(next(served.folder.glob(f"hymns/{page.url.split('/')[4]}/source.*")))[0]
    assert [str(note.pitch) for note in kept.tune.tune_voice.notes][:5] == ["G4", "A4", "B4", "C5", "D5"]
    assert kept.tune.four_parts


def test_2_a_tune_from_a_keyboard(hand: Hand) -> None:
    """Step by step, no beat: keys become letters in the voice one is in."""
    page = hand.page
    page.goto("/")
    hand.choose(page.locator("select[name=kind]"), "a tune")
    hand.press(page.get_by_role("button", name="Type a hymn"))
    page.wait_for_selector("#keyboard:not([hidden])")
    field = page.locator("#field-tune")
    hand.reach(field) if hand.way == "keys" else hand.press(field)
    for number in (67, 69, 71, 72):
        page.evaluate(f"window.pressKey({number})")
    until(page, "document.querySelector('#field-tune').value.trim().split(' ').length === 4")
    assert page.input_value("#field-tune").split() == ["g", "a", "b", "c"]
    until(page, "document.querySelectorAll('#preview g.note').length === 4")


def chord(hand: Hand, number: int) -> None:
    """Go to a chord and open it."""
    if hand.way == "keys":
        assert hand.go(number) == f"chord-{number}"
        hand.page.keyboard.press("Enter")
    else:
        hand.press(hand.page.locator(f"#chord-{number} rect.reach"))
    hand.page.wait_for_selector("#chord-entry:not([hidden])")


def test_3_the_hymn(hand: Hand, served: Served) -> None:
    """Numerals and non-chord notes shown; a chord heard in its place, changed, undone; lines; another key."""
    home, page = opened(served, hand), hand.page
    for name, shown in (("numerals", "text.numeral"), ("non-chord notes", "h2:has-text('Non-chord notes')")):
        hand.tick(page.get_by_label(name, exact=True))
        page.wait_for_selector(shown)
    chord(hand, 2)
    page.keyboard.press("Control+a")
    page.keyboard.type("D7")
    hand.press(page.get_by_role("button", name="Hear it in its place"))
    until(page, "document.querySelector('#chord-2').classList.contains('sounding')")
    hand.press(page.get_by_role("button", name="Keep"))
    page.wait_for_selector("#chord-2[data-chord=D7]")
    if hand.way == "keys":
        until(page, "document.activeElement.id === 'chord-2'")
        page.keyboard.press("Control+z")
    else:
        hand.press(page.locator("#undo"))
    page.wait_for_selector("#chord-2:not([data-chord=D7])")
    hand.tick(page.get_by_label("lines and breaths"))
    page.wait_for_selector("path.line-start")
    before = page.locator("path.line-start").count()
    if hand.way == "keys":
        hand.go(4)
        page.keyboard.press("Enter")
    else:
        hand.press(page.locator("g.note.touch").nth(4).locator("g.notehead"), force=True)
        assert re.match(r"bar \d+, beat \d: [A-G]", page.inner_text("#line-told"))
        hand.press(page.get_by_role("button", name="A line begins here"))
    until(page, f"document.querySelectorAll('path.line-start').length === {before + 1}")
    hand.choose(page.locator("select[name=transpose]"), "E m" if hand.way == "keys" else "E major")
    until(page, "document.querySelector('#undo')?.textContent.includes('played in E major')")
    assert "played in E major" in httpx.get(f"{served.url}{home}").text


LAID_OUT = "document.querySelectorAll('section.verse:not(.waiting)').length === 4"


def test_4_the_plan(hand: Hand, served: Served) -> None:
    """A texture changed, its page follows; what cannot serve, with its remedy; side by side; printed; kept."""
    home, page = opened(served, hand, "/plan"), hand.page
    hand.choose(page.locator("#texture-1"), "strummed")
    until(page, "document.querySelector('#laid-1').textContent === 'laid out: block chords'")
    told = page.locator("#row-1 .told")
    assert "cannot serve this verse" in told.inner_text()
    hand.press(told.get_by_role("button", name="Plan block chords"))
    until(page, "document.querySelector('#texture-1').value === 'block'")
    until(page, "document.querySelector('#laid-1').textContent === ''")
    hand.write(page.locator("#pace-1"), "70")
    page.keyboard.press("Tab")
    until(page, "document.querySelector('#undo').textContent.includes('70 beats a minute')")
    hand.press(page.locator("#row-1").get_by_role("link", name="Beside another version"))
    page.wait_for_selector(".beside svg.system")
    assert page.locator(".beside section").count() == 2
    hand.press(page.get_by_role("link", name="Stay with this one"))
    until(page, LAID_OUT)
    hand.press(page.get_by_role("button", name="Print this page"))
    until(page, "window.printed === 1")
    page.goto(home + "/plan")
    assert (page.input_value("#texture-1"), page.input_value("#pace-1")) == ("block", "70")


def test_4_an_inner_pedal_point(hand: Hand, served: Served) -> None:
    """Where common tones can be held stands under the verse; asked for in the row, taken back, and by its button."""
    _, page = opened(served, hand, "/plan"), hand.page
    hand.choose(page.locator("#texture-0"), "block")
    page.wait_for_selector("#tones-0")
    hand.press(page.locator("#tones-0 summary"))
    places = page.locator("#tones-0 li").all_inner_texts()
    assert all(
        re.fullmatch(r"bar \d+, beat \d: [A-G][♯♭#b]?\d can be held through \d+ chords, .*", one) for one in places
    )
    hand.press(page.locator("#tones-0").get_by_role("button", name="Hold common tones"))
    until(page, "document.querySelector('#inner-pedal-0').value === 'held'")
    until(page, "document.querySelector('#undo').textContent.includes('common tones held')")
    until(page, "!document.querySelector('#tones-0') && document.querySelector('#row-0 svg.system')")
    hand.choose(page.locator("#inner-pedal-0"), "common tones struck")
    until(page, "document.querySelector('#undo').textContent.includes('common tones struck')")
    page.wait_for_selector("#tones-0")
    hand.choose(page.locator("#texture-0"), "unison")
    until(page, "!document.querySelector('#inner-pedal-0')")


def test_5_listening(hand: Hand, served: Served) -> None:
    """A verse, as printed, without the feet, a few bars over and over at her pace; begun at a note; notes lit."""
    _, page = opened(served, hand, "/listen"), hand.page
    hand.choose(page.locator("select[name=row]"), "2")
    page.wait_for_url("**row=1**")
    hand.choose(page.locator("select[name=from]"), "3")
    page.wait_for_url("**from=3**")
    hand.choose(page.locator("select[name=printed]"), "p" if hand.way == "keys" else "printed")
    page.wait_for_url("**printed=1**")
    for name in ("feet", "over and over"):
        hand.tick(page.get_by_label(name, exact=True))
        page.wait_for_url("**without-feet=1**" if name == "feet" else "**again=1**")
    hand.write(page.locator("input[name=pace]"), "60")
    page.keyboard.press("Tab")
    page.wait_for_url("**pace=60**")
    page.wait_for_selector("g.note.touch")
    assert page.evaluate("document.querySelector('#sound').loop")
    page.evaluate("document.querySelector('#sound').muted = true")
    if hand.way == "keys":
        hand.go(6)  # the seventh note of the tune, in bar 3
        page.keyboard.press("Enter")
    else:
        hand.press(page.locator("g.note.touch").nth(5).locator(".notehead"), force=True)
    until(page, "!document.querySelector('#sound').paused && document.querySelector('g.note.sounding')")
    assert not page.locator("g.note.sounding[id*='.ped.']").count()
    if hand.way == "keys":
        page.keyboard.press(" ")
        until(page, "document.querySelector('#sound').paused")


def test_6_organ_player_room(hand: Hand, tmp_path: Path) -> None:
    """A stop more, a wrong one told and mended, a smaller reach, a drier room: kept, and printed as a list."""
    with serving(tmp_path) as own:
        page, hand.watch.home = hand.page, own.url
        page.goto(f"{own.url}/")
        hand.press(page.get_by_role("link", name="Organ, player and room"))
        page.wait_for_url("**/bench")
        hand.write(page.locator("[name=m0_stops]"), "\nZauberpfeife 8", after=True)
        hand.press(page.get_by_role("button", name="Keep these"))
        page.wait_for_selector(".fault")
        assert "Zauberpfeife" in page.inner_text(".fault")
        hand.write(page.locator("[name=m0_stops]"), ", flute", after=True)
        hand.choose(page.locator("[name=reach_easy]"), "a sev" if hand.way == "keys" else "a seventh")
        hand.choose(page.locator("[name=room]"), "dry")
        hand.press(page.get_by_role("button", name="Keep these"))
        page.wait_for_selector(".stop-list li:has-text('Zauberpfeife')")
        page.reload()
        assert page.input_value("[name=reach_easy]") == "7"
        assert page.input_value("[name=room]") == "dry"


def made(hand: Hand, what: str, button: str) -> bytes:
    """Pressed; the file comes by itself, its link stays where it was pressed, and has the focus."""
    with hand.page.expect_download() as download:
        hand.press(hand.page.get_by_role("button", name=button))
    link = hand.page.locator(f"#made-{what} .ready a")
    assert link.inner_text() == download.value.suggested_filename
    assert link.evaluate("one => one === document.activeElement")
    return Path(download.value.path()).read_bytes()


def test_7_taken_away(hand: Hand, served: Served) -> None:
    """Booklet, a single verse, exchange file, MIDI, sound: each appears where it was asked for."""
    home, page = opened(served, hand, "/take"), hand.page
    booklet = PdfReader(io.BytesIO(made(hand, "booklet", "Make the booklet (PDF)")))
    assert "Water waking" in booklet.pages[0].extract_text()
    place = page.locator("#made-booklet a").bounding_box()
    button = page.get_by_role("button", name="Make the booklet (PDF)").bounding_box()
    assert 0 <= place["y"] - button["y"] < 120
    hand.choose(page.locator("select[name=row]").first, "verse 2")
    single = PdfReader(io.BytesIO(made(hand, "booklet", "Make the booklet (PDF)")))
    assert len(single.pages) < len(booklet.pages) or len(booklet.pages) == 1
    assert b"<score-partwise" in made(hand, "exchange", "Exchange file (MusicXML)")
    assert made(hand, "midi", "MIDI").startswith(b"MThd")
    hand.choose(page.locator("select[name=row]").last, "verse 1")
    assert made(hand, "sound", "Sound (FLAC)").startswith(b"fLaC")
    page.goto(home)
    hand.press(page.get_by_role("button", name="Print this page"))
    assert page.evaluate("window.printed") == 1


def test_8_long_work_and_two_tabs(hand: Hand, served: Served) -> None:
    """Work is stopped; a closed tab loses nothing; a second tab is told of the first one's change and keeps its own."""
    home, page = opened(served, hand, "/take"), hand.page
    with served.halted():
        hand.press(page.get_by_role("button", name="Make the booklet (PDF)"))
        hand.press(page.get_by_role("button", name="Stop", exact=True))
        page.wait_for_selector("#made-booklet .fault")
    page.goto(home + "/plan")
    until(page, LAID_OUT)
    second = page.context.new_page()
    second.goto(home + "/plan")
    other = Hand(second, hand.way, hand.watch)
    hand.choose(page.locator("#texture-0"), "unison")
    until(page, "document.querySelector('#undo').textContent.includes('unison')")
    page.close()
    other.choose(second.locator("#texture-0"), "held" if hand.way == "keys" else "broken over")
    if hand.way == "keys":
        other.choose(second.locator("#tune-0"), "tune an")
    second.wait_for_selector("#notice .conflict")
    assert "unison" in second.inner_text("#notice")
