"""A hymn from the file to the pages, as a browser asks for it: every address, every write, what happens under load."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import signal
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import music21
import pytest
from lxml import html
from pypdf import PdfReader

from foreign_pages import HUMDRUM, MEI
from served import Served, descendants, running, serving, version_of
from undersong import workflow
from undersong.demo import hymn_files
from undersong.model.hymn import Hymn
from undersong.workflow import Wishes

HYMNS = hymn_files()
WATER = HYMNS[0]
BARLEY = HYMNS[1]
LANTERN = HYMNS[5]

linux = pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the processes below the server")


def bring(client: httpx.Client, name: str, data: bytes) -> httpx.Response:
    return client.post("/bring", files={"files": (name, data)}, follow_redirects=True)


def brought(client: httpx.Client, path: Path = WATER) -> str:
    """A hymn on the shelf, freshly; its name there."""
    gone = bring(client, path.name, path.read_bytes())
    assert gone.url.path.endswith("/understood"), gone.text
    return gone.url.path.split("/")[2]


@pytest.fixture
def name(client: httpx.Client) -> str:
    return brought(client)


def change(client: httpx.Client, path: str, page: str, part: bool = False, **fields: str) -> httpx.Response:
    heads = {"hx-request": "true"} if part else {}
    return client.post(path, data={"version": version_of(page), **fields}, headers=heads, follow_redirects=not part)


def _hymn() -> Hymn:
    return workflow.read(WATER)[0]


def _zipped() -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        container = '<container><rootfiles><rootfile full-path="a.xml"/></rootfiles></container>'
        archive.writestr("META-INF/container.xml", container)
        archive.writestr("a.xml", WATER.read_bytes())
    return held.getvalue()


FORMATS: dict[str, Callable[[], bytes]] = {
    "a.musicxml": WATER.read_bytes,
    "b.xml": WATER.read_bytes,
    "c.mxl": _zipped,
    "d.abc": lambda: workflow.writer_for(Path("x.abc"))([_hymn()]),
    "e.mid": lambda: workflow.midi_of(workflow.lay_out(_hymn(), Wishes(verses=(1,)))),
    "f.mei": MEI.encode,
    "g.krn": HUMDRUM.encode,
    "H.ABC": lambda: b"X:1\nT:Small\nK:G\nGABc|d4|]\n",
    "pasted.txt": lambda: b"X:1\nT:Small\nK:G\nGABc|d4|]\n",
}


@pytest.mark.parametrize("file", FORMATS)
def test_every_format_comes_in(client: httpx.Client, file: str) -> None:
    """Dropped on the page, it is understood, engraved and laid out."""
    name = bring(client, file, FORMATS[file]()).url.path.split("/")[2]
    page = client.get(f"/hymns/{name}")
    assert page.status_code == 200
    assert "chord-symbol" in page.text
    verse = client.get(f"/hymns/{name}/plan/0")
    assert verse.status_code == 200
    assert 'class="note"' in verse.text


def test_tunes_are_chosen_out_of_a_collection(client: httpx.Client) -> None:
    """Three tunes, one of them broken: two are offered, one is told; the chosen one comes on the shelf."""
    book = b"X:1\nT:First light\nK:C\nCDEF|G4|]\n\nX:2\nT:Broken\nK:C\n\n\nX:3\nT:Last light\nK:D\nDEFG|A4|]\n"
    page = bring(client, "book.abc", book)
    assert "First light" in page.text
    assert "Last light" in page.text
    gone = client.post(page.url.path, data={"number": "1"}, follow_redirects=True)
    assert "Last light" in gone.text
    assert client.post(page.url.path, data={}).status_code == 422
    both = client.post(page.url.path, data={"number": ["0", "1"]}, follow_redirects=True)
    assert both.url.path == "/"


UNREADABLE = (
    ("a.musicxml", b""), ("a.musicxml", b"<score-partwise"), ("a.mid", b"MThd"), ("a.doc", b"\xd0\xcf\x11\xe0"),
    ("a.mxl", b"PK\x03\x04"), ("a.krn", b"**text\nA"), ("a.mei", b"<mei/>"), ("..\\..\\a.abc", b"X:1"), (".abc", b""),
)  # fmt: skip


@pytest.mark.parametrize(("file", "data"), UNREADABLE)
def test_what_cannot_be_read_is_told(served: Served, client: httpx.Client, file: str, data: bytes) -> None:
    """In a sentence; and nothing is left behind."""
    before = set(served.folder.rglob("*"))
    page = bring(client, file, data)
    assert page.status_code == 422
    assert 'class="fault"' in page.text
    assert "Traceback" not in page.text
    assert {one for one in set(served.folder.rglob("*")) - before if one.is_file()} == set()


def test_one_bad_file_does_not_stop_the_others(client: httpx.Client) -> None:
    """Two good ones and a bad one together."""
    three = (("a.abc", b"X:1\nT:Good\nK:C\nCDEF|"), ("b.mid", b"x"), (WATER.name, WATER.read_bytes()))
    files = [("files", one) for one in three]
    page = client.post("/bring", files=files)
    assert page.status_code == 200
    assert page.text.count("/understood") == 2
    assert page.text.count('class="fault"') == 1


def test_assumptions_are_shown_and_put_right(client: httpx.Client, name: str) -> None:
    """Title, tune voice, verses; the file itself stays as it came."""
    path = f"/hymns/{name}/understood"
    page = client.get(path).text
    assert "Four parts" in page
    fields = {"title": "Springs", "tune_name": "NEW NAME", "melody": "tenor"}
    gone = client.post(path, data={"version": version_of(page), **fields, "verse": ["1", "3"]}, follow_redirects=True)
    assert "<h1>Springs</h1>" in gone.text
    again = client.get(path).text
    assert re.search(r"<option selected>tenor", again)
    assert again.count(" checked") == 2
    sheet = client.get(f"/hymns/{name}/plan").text
    assert sheet.count('scope="row"') == 2


def test_a_midi_file_is_told_its_time(client: httpx.Client) -> None:
    """Time, pickup and key are what MIDI files say least well; nonsense is answered in a sentence."""
    name = bring(client, "e.mid", FORMATS["e.mid"]()).url.path.split("/")[2]
    path = f"/hymns/{name}/understood"
    page = client.get(path).text
    gone = change(client, path, page, time="6/4", title="x")
    assert "6/4" in gone.text
    assert change(client, path, client.get(path).text, time="7/0", title="x").status_code == 422


def test_a_chord_is_changed_and_taken_back(client: httpx.Client, name: str) -> None:
    """By symbol; it stays hers when the page is loaded again; undo, do again, and back to what was read."""
    path = f"/hymns/{name}"
    page = client.get(path).text
    place = re.search(r'data-bar="(\d+)" data-beat="(\S+)" data-chord="(\S+)" data-place="([^"]+)"', page)
    assert place
    told = {"bar": place[1], "beat": place[2], "times": "0", "place": place[4]}
    part = change(client, f"{path}/chord", page, part=True, chord="Am7/C", **told)
    assert part.text.lstrip().startswith("<article")
    assert f'aria-label="{place[4]}: Am7/C, yours"' in part.text
    assert "Am7/C, yours" in client.get(path).text
    undone = change(client, f"{path}/undo", part.text)
    assert "Am7/C, yours" not in undone.text
    redone = change(client, f"{path}/redo", undone.text)
    assert "Am7/C, yours" in redone.text
    back = change(client, f"{path}/chord", redone.text, part=True, back="1", chord="x", **told)
    assert "Am7/C, yours" not in back.text


def test_a_chord_kept_as_it_is_changes_nothing_unless_it_was_doubtful(client: httpx.Client) -> None:
    """A sure one stays as it was read; a doubtful one is confirmed, and the page says so."""
    path = f"/hymns/{brought(client, LANTERN)}"
    page = client.get(path).text
    found = re.findall(
        r'data-bar="(\d+)" data-beat="(\S+)" data-chord="([^"]+)" data-place="([^"]+)" data-told="([^"]+)"', page
    )
    told = {kind: next(one for one in found if one[4].endswith(kind)) for kind in ("sure", "doubtful")}

    def keep(kind: str, chord: str) -> str:
        bar, beat, _, place, _ = told[kind]
        fields = {"bar": bar, "beat": beat, "place": place, "times": "0", "chord": chord}
        return change(client, f"{path}/chord", client.get(path).text, part=True, **fields).text

    for chord in (told["sure"][2], f" {told['sure'][2]} "):
        part = keep("sure", chord)
        assert version_of(part) == version_of(page)
        assert 'data-told="yours"' not in part
    assert re.search(r'<button id="undo" disabled', client.get(path).text)
    symbol, place = told["doubtful"][2:4]
    part = keep("doubtful", symbol)
    assert f"{symbol} at {place} is confirmed." in part
    assert f"Undo “chord {symbol} at {place} confirmed”" in part
    assert part.count('data-told="yours"') == 1
    again = keep("doubtful", symbol)
    assert version_of(again) == version_of(part)
    assert "is confirmed." not in again


def test_each_symbol_on_the_page_is_the_chord_it_opens(client: httpx.Client) -> None:
    """Chords within beats too (a chorale of the corpus of the PyPI package music21): none is left out, none shifted."""
    chorale = Path(music21.__file__).parent / "corpus/bach/bwv66.6.mxl"
    page: Any = html.fromstring(client.get(f"/hymns/{brought(client, chorale)}").text)
    drawn = page.xpath("//g[contains(@class, 'chord-symbol')]")
    assert len(drawn) > 30
    for group in drawn:
        chord = re.sub("(?<=[A-G0-9/])[b#]", "", group.get("data-chord"))
        text = "".join(group.xpath("text[not(@class)]//text()"))
        assert re.sub("[^A-Za-z0-9/]", "", text) == re.sub("#", "", chord)


@pytest.mark.parametrize("fields", [{"chord": "H7"}, {"bar": "99"}, {"beat": "1/0"}, {"beat": "x"}, {"times": "many"}])
def test_a_wrong_chord_is_told_at_its_place(client: httpx.Client, name: str, fields: dict[str, str]) -> None:
    """In the page's notice; nothing is written."""
    page = client.get(f"/hymns/{name}").text
    told = {"bar": "1", "beat": "1", "times": "0", "chord": "C"} | fields
    answer = change(client, f"/hymns/{name}/chord", page, part=True, **told)
    assert answer.status_code == 422
    assert answer.headers["hx-retarget"] == "#notice"
    assert version_of(client.get(f"/hymns/{name}").text) == version_of(page)


def test_lines_and_breaths_are_shown_and_changed(client: httpx.Client, name: str) -> None:
    """A line begins at a note; another click takes it back."""
    path = f"/hymns/{name}"
    page = client.get(f"{path}?show=lines").text
    assert page.count('class="line-start"') == page.count('class="line-number"') >= 2
    at = re.findall(r'data-at="(\S+?)"', page)
    part = change(client, f"{path}/lines", page, part=True, at=at[5], what="line", show="lines")
    assert part.text.count('class="line-start"') == page.count('class="line-start"') + 1
    again = change(client, f"{path}/lines", part.text, part=True, at=at[5], what="line", show="lines")
    assert again.text.count('class="line-start"') == page.count('class="line-start"')
    breath = change(client, f"{path}/lines", again.text, part=True, at=at[6], what="breath", show="lines")
    assert breath.text.count('breath before"') == page.count('breath before"') + 1
    assert change(client, f"{path}/lines", breath.text, part=True, at="9.9.9", what="line").status_code == 422


def test_numerals_and_non_chord_notes_come_on_demand(client: httpx.Client) -> None:
    """A row of numerals under each system; foreign notes are marked and listed."""
    name = brought(client, BARLEY)
    plain, full = client.get(f"/hymns/{name}").text, client.get(f"/hymns/{name}?show=numerals&show=notes").text
    assert "numeral" not in plain.split("</form>")[-1]
    assert full.count('class="numeral"') == full.count("chord-symbol")
    assert "note non-chord" in full
    assert "passing" in full


def test_the_key_is_chosen_among_those_people_can_sing(client: httpx.Client) -> None:
    """The list says the tune's range in each key; the pages follow, the hymn's own page stays as printed."""
    name = brought(client, BARLEY)
    page = client.get(f"/hymns/{name}").text
    assert re.search(r"selected>D major \(printed\), A3 to D5", page)
    value = re.search(r'value="(\S+)">F major, C4 to F5', page)
    assert value
    gone = change(client, f"/hymns/{name}/key", page, transpose=value[1])
    assert re.search(r"selected>F major", gone.text)
    assert "F major" in client.get(f"/hymns/{name}/plan").text
    assert change(client, f"/hymns/{name}/key", gone.text, transpose="40,70").status_code == 422


def verses(page: str) -> list[str]:
    return re.findall(r'<section class="verse" id="row-\d+".*?</section>', page, re.DOTALL)


def test_a_row_changed_changes_its_own_page_alone(client: httpx.Client, name: str) -> None:
    """Verse 3 in another texture: verses 1, 2 and 4 byte for byte as they were."""
    path = f"/hymns/{name}/plan"
    before = [client.get(f"{path}/{row}").text for row in range(4)]
    part = change(client, f"{path}/2", client.get(path).text, part=True, texture="held", tune="at-pitch")
    assert part.status_code == 200
    assert part.text.count("hx-swap-oob") == 1  # its own page
    after = [client.get(f"{path}/{row}").text for row in range(4)]
    assert [one == other for one, other in zip(before, after, strict=True)] == [True, True, False, True]
    assert "broken over held notes" in after[2]


@pytest.mark.parametrize(
    "fields", [{"texture": "rock"}, {"tune": "attic"}, {"right": "Solo"}, {"pace": "presto"}, {"pace": "9999"}]
)
def test_a_row_takes_only_what_the_tables_have(client: httpx.Client, name: str, fields: dict[str, str]) -> None:
    """Anything else is told, and the plan stays."""
    page = client.get(f"/hymns/{name}/plan").text
    assert change(client, f"/hymns/{name}/plan/0", page, part=True, **fields).status_code == 422
    assert version_of(client.get(f"/hymns/{name}/plan").text) == version_of(page)


def test_every_texture_and_place_of_the_tables_is_offered(client: httpx.Client, name: str) -> None:
    """What is added to the tables appears by itself."""
    from undersong.textures.places import PLACES  # noqa: PLC0415
    from undersong.textures.table import TEXTURES  # noqa: PLC0415

    row = client.get(f"/hymns/{name}/plan").text.split('id="plan-0"')[1].split("</tr>")[0]
    for table in (TEXTURES, PLACES):
        for one in table:
            assert f'value="{one}"' in row


def test_a_texture_has_the_commands_name_beside_its_own(client: httpx.Client, name: str) -> None:
    """Wherever the title does not hold it."""
    from undersong.textures.table import TEXTURES  # noqa: PLC0415

    row = client.get(f"/hymns/{name}/plan").text.split('id="plan-0"')[1].split("</tr>")[0]
    options = dict(re.findall(r'<option value="([^":]+)" data-words[^>]*>([^<]+)<', row))
    assert options.keys() == TEXTURES.keys()
    assert options["counter-line"] == "running voice (counter-line)"
    assert options["as-printed"] == "as printed"
    for one in TEXTURES.values():
        assert one.title in options[one.name]
        assert one.name.replace("-", " ") in options[one.name].lower().replace("-", " ")


def test_what_cannot_serve_is_told_with_its_remedy(client: httpx.Client, name: str) -> None:
    """Strummed over a chord on every beat: why, what instead, and a button that plans it; the row says both."""
    path = f"/hymns/{name}/plan"
    part = change(client, f"{path}/1", client.get(path).text, part=True, texture="strummed")
    assert "strummed cannot serve this verse as planned" in part.text
    assert ">Plan block chords</button>" in part.text
    assert "laid out: block chords" in part.text


def test_another_place_of_the_tune_is_told_as_that(client: httpx.Client, name: str) -> None:
    """The texture is laid out, only the tune lies elsewhere: the words and the button say so, the button sets that."""
    path = f"/hymns/{name}/plan"
    part = change(client, f"{path}/1", client.get(path).text, part=True, texture="shared", tune="tenor")
    assert "laid out: tune in the pedal at 4" in part.text
    told: Any = html.fromstring(part.text).xpath("//ul[@id='told-1']/li[contains(., 'as planned')]")
    assert len(told) == 1
    words = " ".join(told[0].text_content().split())
    assert "(Figure shared between the hands is laid out, with the tune in the pedal at 4'.)" in words
    button = told[0].xpath(".//button")[0]
    assert button.text == "Plan the tune in the pedal at 4'"
    assert json.loads(button.get("hx-vals")) == {"tune": "pedal"}
    served_now = change(client, f"{path}/1", client.get(path).text, part=True, tune="pedal")
    assert "as planned" not in served_now.text


def test_two_versions_stand_side_by_side(client: httpx.Client, name: str) -> None:
    """The planned one and another; the other can be planned."""
    page = client.get(f"/hymns/{name}/plan/1/beside?texture=unison")
    assert "broken chords" in page.text
    assert "unison and octaves" in page.text
    assert page.text.count('class="score"') == 2
    assert client.get(f"/hymns/{name}/plan/77/beside").status_code == 404


def test_two_windows_do_not_overwrite_each_other(client: httpx.Client, name: str) -> None:
    """The second hears what the first did, sees both, and may do it all the same."""
    path = f"/hymns/{name}/plan"
    first = second = client.get(path).text
    change(client, f"{path}/0", first, part=True, texture="block")
    late = change(client, f"{path}/0", second, part=True, texture="unison", tune="at-pitch")
    assert late.status_code == 409
    assert "verse 1: block chords" in late.text
    assert "verse 1: unison and octaves" in late.text
    assert re.search(r'href="/hymns/[^"]+/beside\?[^"]*texture=unison', late.text)
    assert "block chords" in verses(client.get(path).text)[0] if verses(client.get(path).text) else True
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', late.text))
    done = client.post(f"{path}/0", data=fields, follow_redirects=True)
    assert done.status_code == 200
    assert "unison and octaves" in client.get(f"{path}/0").text
    undo = client.post(f"/hymns/{name}/undo", data={"version": version_of(first)})
    assert undo.status_code == 409


def finished(client: httpx.Client, gone: httpx.Response) -> httpx.Response:
    """The file that work makes in the end."""
    for _ in range(300):
        page = client.get(gone.url.path)
        found = re.search(r'href="(/job/[^"]+/file)"', page.text)
        if found:
            return client.get(found[1])
        assert 'class="fault"' not in page.text, page.text
        time.sleep(0.1)
    raise AssertionError(page.text)


def test_everything_can_be_taken_away(client: httpx.Client, name: str) -> None:
    """Booklet, one verse, exchange file, MIDI; each downloads under a plain name."""

    def take(**fields: str) -> httpx.Response:
        return finished(client, client.post(f"/hymns/{name}/take", data=fields, follow_redirects=True))

    whole = take(what="booklet", paper="letter", large="1")
    assert whole.headers["content-disposition"] == 'attachment; filename="water-waking-in-the-hollow.pdf"'
    pages = PdfReader(io.BytesIO(whole.content)).pages
    text = "".join(page.extract_text() for page in pages)
    assert "Water waking" in text
    assert round(float(pages[0].mediabox.width)) == 612  # Letter, 8.5 inches of 72 points
    one = take(what="booklet", row="2")
    assert len(one.content) < len(whole.content)
    assert b"score-partwise" in take(what="exchange").content
    assert take(what="midi").content.startswith(b"MThd")
    assert take(what="sound", row="0").content.startswith(b"fLaC")
    assert client.post(f"/hymns/{name}/take", data={"what": "house"}).status_code == 422


@linux
def test_long_work_can_be_stopped(served: Served, client: httpx.Client, name: str) -> None:
    """It says so, and the next work runs."""
    assert client.get(f"/hymns/{name}/take").status_code == 200
    with served.halted():
        asked = {"what": "booklet", "large": "1"}
        part = client.post(f"/hymns/{name}/take", data=asked, headers={"hx-request": "true"})
        job = re.search(r'hx-post="(/job/[^"]+)/stop"', part.text)
        assert job
        client.post(f"{job[1]}/stop")
        for _ in range(100):
            page = client.get(job[1]).text
            if "progress" not in page:
                break
            time.sleep(0.1)
    assert "was stopped" in page or "cancelled" in page
    assert finished(client, client.post(f"/hymns/{name}/take", data={"what": "midi"}, follow_redirects=True)).content
    assert client.get("/job/none").status_code == 404
    assert client.get("/job/none/file").status_code == 404


def test_fifty_at_once_lose_nothing(served: Served, client: httpx.Client) -> None:
    """Pages of all hymns at the same moment, and fifty writes of which each is kept or told to be late."""
    names = [brought(client, path) for path in HYMNS[:3]]
    paths = [f"/hymns/{name}{rest}" for name in names for rest in ("", "/plan", "/plan/0", "/plan/1", "/take")]

    def ask(number: int) -> int:
        return httpx.get(served.url + paths[number % len(paths)], timeout=60).status_code

    page = client.get(f"/hymns/{names[0]}/plan").text

    def write(number: int) -> int:
        with served.client() as one:
            return change(one, f"/hymns/{names[0]}/plan/0", page, part=True, who=f"choir {number}").status_code

    with ThreadPoolExecutor(50) as pool:
        assert set(pool.map(ask, range(50))) == {200}
        answers = sorted(pool.map(write, range(50)))
    assert answers == [200] + [409] * 49
    assert "choir" in client.get(f"/hymns/{names[0]}/plan").text


@linux
def test_a_killed_worker_is_replaced(served: Served, client: httpx.Client, name: str) -> None:
    """Every child dies at once; the next page is served all the same."""
    client.get(f"/hymns/{name}/plan/0")
    for child in served.children():
        os.kill(child, signal.SIGKILL)
    assert client.get(f"/hymns/{name}/plan/3").status_code == 200
    assert client.get(f"/hymns/{name}").status_code == 200


@linux
def test_a_tab_closed_in_mid_render_leaves_nobody_behind(served: Served, client: httpx.Client, name: str) -> None:
    """Requests are dropped while they are answered; no more children than the usual four are left, and it goes on."""
    for row in range(4):
        with pytest.raises(httpx.ReadTimeout):
            httpx.get(f"{served.url}/hymns/{name}/plan/{row}/beside?texture=held&tune=octave-up", timeout=0.05)
    assert client.get(f"/hymns/{name}/plan/2").status_code == 200
    assert len(served.children()) <= 4


def _ask_in_vain(url: str) -> None:
    with contextlib.suppress(httpx.HTTPError):
        httpx.get(url)


@linux
def test_ctrl_c_ends_it_and_its_children(tmp_path: Path) -> None:
    """In the midst of work; the exit code says interrupted, nothing is left running, nothing is half-written."""
    with serving(tmp_path) as served:
        with served.client() as client:
            name = brought(client)
            threading.Thread(target=_ask_in_vain, args=(f"{served.url}/hymns/{name}/plan/1",), daemon=True).start()
            time.sleep(0.2)
        children = descendants(served.process.pid)
        assert children
        assert served.stop() == 130
        end = time.monotonic() + 10
        while any(running(child) for child in children) and time.monotonic() < end:
            time.sleep(0.05)
        assert not [child for child in children if running(child)]
        assert not list(tmp_path.rglob("*.part"))
        assert any("closed" in line for line in served.said)
        assert not any("Traceback" in line for line in served.said)
