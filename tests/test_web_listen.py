"""Listening in the browser: sound in pieces, notes lit by the one clock, bars over and over, hands left out.

References: the `Performance` of the program is what is lit; RFC 9110, section 14 (Range).
"""

from __future__ import annotations

import io
import random
import re
import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import soundfile
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from browsing import DESKTOP, Watch, axe_script, violations
from served import Served, serving
from sounding import organ_with, performance_of
from test_web_hymn import brought
from undersong import workflow
from undersong.demo import hymn_files
from undersong.errors import WorkStopped
from undersong.model.room import Room, bands_of
from undersong.sound.listening import pour_sound, wav_size
from undersong.sound.render import Renderer
from undersong.sound.tones import RATE
from undersong.web.sounds import Growing, Sounds
from undersong.workflow import Hearing, Wishes

REPEATED = (
    b'X:1\nT:Twice round\nM:3/4\nL:1/4\nQ:1/4=100\nK:F\nC|"F"FGA|"Bb"B2G|"C7"E3:|"F"A>BA|"C"G3|"F"F2|]\n'
    b"w:Now twice we go a-round in song, and on to the end.\n"
)
FRAME = 1 / 60


@pytest.fixture(scope="module")
def name(served: Served) -> str:
    with served.client() as client:
        return brought(client, hymn_files()[0])


@pytest.fixture(scope="module")
def repeated(served: Served) -> str:
    with served.client() as client:
        gone = client.post("/bring", files={"files": ("a.abc", REPEATED)}, follow_redirects=True)
        return gone.url.path.split("/")[2]


@pytest.fixture
def page(served: Served, browser: Any) -> Iterator[Any]:
    watch = Watch(served.url)
    context = browser.new_context(base_url=served.url, viewport=DESKTOP)
    opened = context.new_page()
    opened.set_default_timeout(20_000)
    watch.follow(opened)
    yield opened
    context.close()
    assert watch.faults == []
    assert watch.elsewhere == []


def listened(served: Served, name: str, **asked: str) -> tuple[str, dict[str, Any]]:
    """A sound's address and its times."""
    with served.client() as client:
        page = client.get(f"/hymns/{name}/listen", params=asked)
        assert page.status_code == 200, page.text
        found = re.search(r'src="(/sounds/[0-9a-f]{32})"', page.text)
        assert found
        return found[1], client.get(f"{found[1]}/times").json()


def test_the_times_are_those_of_the_performance(served: Served, name: str) -> None:
    """Of the same verse laid out and performed here: every note, to the millisecond."""
    hymn = workflow.read(hymn_files()[0])[0]
    harmony = workflow.harmonise(hymn).harmony
    wishes = Wishes()
    plan = workflow.plan_for(hymn, harmony, wishes)
    bench = workflow.Bench()
    rows = [workflow.lay_out_row(hymn, harmony, plan, row, bench) for row in range(len(plan.verses))]
    made = workflow.only_section(workflow.joined(rows, plan, bench), 1)
    wanted = workflow.to_be_heard([made], wishes, Hearing()).performance
    _, told = listened(served, name, row="1")
    assert [(one.id, round(one.on_seconds, 3), round(one.off_seconds, 3)) for one in wanted.notes] == [
        (row[0], round(row[1], 3), round(row[2], 3)) for row in told["notes"]
    ]


def test_sound_is_served_in_pieces(served: Served, name: str) -> None:
    """Any piece, the same bytes as in the whole; a WAV file of the told length, and never too loud."""
    address, told = listened(served, name, row="0")
    with served.client() as client:
        whole = client.get(address)
        piece = client.get(address, headers={"range": "bytes=1000-1999"})
        assert (whole.status_code, piece.status_code) == (200, 206)
        assert piece.content == whole.content[1000:2000]
        assert client.get(address, headers={"range": "bytes=999999999-"}).status_code == 416
        assert client.get("/sounds/../../etc/passwd").status_code == 404
        assert client.get("/sounds/nothing").status_code == 404
    samples, rate = soundfile.read(io.BytesIO(whole.content))
    assert abs(len(samples) / rate - told["seconds"]) < 0.01
    assert 0.01 < abs(samples).max() <= 0.9  # at most -1 dB, as the sound's own rule says


def test_bars_pace_and_parts_are_chosen(served: Served, name: str) -> None:
    """Two bars, slower; without the tune; counted in; as printed."""
    _, whole = listened(served, name, row="1")
    _, bars = listened(served, name, row="1", **{"from": "3", "to": "4"})
    _, slow = listened(served, name, row="1", pace="48")
    _, bare = listened(served, name, row="1", **{"without-tune": "1", "without-feet": "1"})
    _, counted = listened(served, name, row="1", count_in="1", **{"from": "3", "to": "4"})
    _, printed = listened(served, name, row="1", printed="1")
    assert max(row[2] for row in bars["notes"]) < max(row[2] for row in whole["notes"]) / 4
    assert max(row[2] for row in slow["notes"]) > 1.8 * max(row[2] for row in whole["notes"])
    assert {row[0].split(".")[2] for row in bare["notes"]} == {"lh"}
    assert min(row[1] for row in counted["notes"]) > min(row[1] for row in bars["notes"]) + 1
    assert {row[0].split(".")[2] for row in printed["notes"]} >= {"rh", "lh"}
    with served.client() as client:
        for wrong in ({"from": "99"}, {"pace": "9"}, {"pace": "fast"}, {"row": "77"}, {"row": "x"}):
            assert client.get(f"/hymns/{name}/listen", params=wrong).status_code in (404, 422)


def sounding(rows: list[Any], at: float) -> set[str]:
    return {note for note, on, off in rows if on <= at < off}


def may_be_lit(rows: list[Any], at: float) -> tuple[set[str], set[str]]:
    """Ids that must, and that may be lit within a frame of a time."""
    near = [at + step * FRAME / 4 for step in range(-4, 5)]
    each = [sounding(rows, one) for one in near]
    return set.intersection(*each), set.union(*each)


LIT = "[...document.querySelectorAll('g.note.sounding')].map((one) => one.id)"


def test_lit_notes_go_with_the_performance(served: Served, page: Any, repeated: str) -> None:
    """At fifty times, the repeat and the gap at its end included, and in every frame while it plays."""
    page.goto(f"/hymns/{repeated}/listen")
    _, told = listened(served, repeated)
    rows = told["notes"]
    ends = max(row[2] for row in rows)
    again = [note for note in {row[0] for row in rows} if sum(row[0] == note for row in rows) > 1]
    assert again or len({row[0] for row in rows}) == len(rows)  # passes have ids of their own, or share them
    chance = random.Random(50)
    for moment in [ends + 0.3, *(chance.uniform(0, ends) for _ in range(49))]:
        page.evaluate(
            """moment => new Promise((done) => {
                const sound = document.querySelector('#sound');
                sound.addEventListener('seeked', () => done(), {once: true});
                sound.currentTime = moment;
            })""",
            moment,
        )
        must, may = may_be_lit(rows, moment)
        lit = set(page.evaluate(LIT))
        assert must <= lit <= may, moment
    page.evaluate("document.querySelector('#sound').muted = true")
    frames = page.evaluate(
        """() => new Promise((done) => {
            const sound = document.querySelector('#sound'), seen = [];
            sound.currentTime = 0;
            const look = () => {
                seen.push([sound.currentTime, [...document.querySelectorAll('g.note.sounding')].map((one) => one.id)]);
                if (sound.currentTime < 2.0) requestAnimationFrame(look); else { sound.pause(); done(seen); }
            };
            sound.play().then(() => requestAnimationFrame(look));
        })"""
    )
    assert len(frames) > 20
    late = 0
    for moment, lit in frames:
        must, may = may_be_lit(rows, moment - FRAME)  # looked at before or after this frame's own light
        late += not must <= set(lit) <= may | sounding(rows, moment)
    assert late <= len(frames) // 50, (late, len(frames))


def test_a_click_on_a_note_begins_there(page: Any, name: str, served: Served) -> None:
    """With the mouse, and by keyboard alone; the space bar stops and goes on."""
    _, told = listened(served, name, row="1")
    page.goto(f"/hymns/{name}/listen?row=1")
    page.evaluate("document.querySelector('#sound').muted = true")
    note = page.locator("g.note.touch").nth(5)
    where = note.get_attribute("id")
    note.locator(".notehead").click(force=True)
    wanted = min(row[1] for row in told["notes"] if row[0] == where)
    _until(page, f"document.querySelector('#sound').currentTime >= {wanted}")
    assert page.evaluate("document.querySelector('#sound').currentTime") < wanted + 3
    page.keyboard.press(" ")
    _until(page, "document.querySelector('#sound').paused")
    page.focus("#score")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    third = page.evaluate("document.activeElement.id")
    page.keyboard.press("Enter")
    _until(page, "!document.querySelector('#sound').paused")
    _until(page, f"document.getElementById('{third}').classList.contains('sounding')")
    page.keyboard.press(" ")
    _until(page, "document.querySelector('#sound').paused")


def test_a_chord_is_heard_in_its_place(page: Any, name: str, served: Served) -> None:
    """Before it is kept: between its neighbours, lit on the page; a wrong one is told; nothing is written."""
    before = httpx.get(f"{served.url}/hymns/{name}").text
    page.goto(f"/hymns/{name}")
    page.locator("g.chord-symbol").nth(2).click()
    hear = page.get_by_role("button", name="Hear it in its place")
    with page.expect_response("**/sounds/*/times") as answer:
        hear.click()
    told = answer.value.json()
    lit = {row[0] for row in told["notes"]}
    assert {"chord-1", "chord-2", "chord-3", "soprano.3", "alto.3", "tenor.3", "bass.3"} <= lit
    _until(page, "document.querySelector('#chord-1').classList.contains('sounding')")
    _until(page, "document.getElementById('bass.3').classList.contains('sounding')")
    _until(page, "document.querySelector('#chord-3').classList.contains('sounding')")
    page.fill("#chord-text", "Dm7")
    with page.expect_response("**/sounds/*/times") as answer:
        hear.click()
    tried = answer.value.json()
    assert "soprano.3" in {row[0] for row in tried["notes"]}
    assert {row[0] for row in tried["notes"]} < lit  # printed parts that do not sound under it are not lit
    _until(page, "document.querySelector('#chord-1').classList.contains('sounding')")
    page.keyboard.press("Escape")
    _until(page, "!document.querySelector('.sounding')")
    page.locator("g.chord-symbol").nth(2).click()
    page.fill("#chord-text", "H")
    hear.click()
    page.wait_for_selector("#notice .fault")
    assert httpx.get(f"{served.url}/hymns/{name}").text == before


def test_bars_are_looped_and_axe_finds_nothing(page: Any, name: str) -> None:
    """Over and over; the page while it plays."""
    page.goto(f"/hymns/{name}/listen?row=1&from=3&to=3&again=1")
    page.evaluate("const sound = document.querySelector('#sound'); sound.muted = true; sound.play()")
    assert page.evaluate("document.querySelector('#sound').loop")
    _until(page, "document.querySelectorAll('g.note.sounding').length > 0")
    assert violations(page, axe_script()) == []
    length = page.evaluate("document.querySelector('#sound').duration")
    page.evaluate(f"document.querySelector('#sound').currentTime = {length} - 0.2")
    _until(page, "document.querySelector('#sound').currentTime < 1 && !document.querySelector('#sound').paused")
    page.select_option("[name=row]", index=2)
    page.wait_for_url("**row=2**")


def _until(page: Any, condition: str) -> None:
    end = time.monotonic() + 20
    while not page.evaluate(condition):
        assert time.monotonic() < end, condition
        page.wait_for_timeout(20)


@contextmanager
def growing(folder: Path) -> Iterator[tuple[str, Sounds, Held]]:
    """A page with a sound of more than a minute that is held back after its first piece, on a server of its own."""
    held = Held(folder)
    sounds = Sounds(held)  # type: ignore[arg-type]  # of the children only `ask` is wanted
    name = sounds.make("listen", {})

    def home(_: Request) -> Response:
        return HTMLResponse(f'<audio id="sound" src="/sounds/{name}" preload="auto" muted></audio><p id="notice"></p>')

    def sound(request: Request) -> Response:
        found = sounds.find(name)
        assert found
        return Growing(name, found, request.headers.get("range", ""))

    ear = socket.socket()
    ear.bind(("127.0.0.1", 0))
    ear.listen()  # who comes before the server is ready waits
    app = Starlette(routes=[Route("/", home), Route("/sounds/{name}", sound)])
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False, lifespan="off"))
    running = threading.Thread(target=server.run, kwargs={"sockets": [ear]}, daemon=True)
    running.start()
    yield f"http://127.0.0.1:{ear.getsockname()[1]}", sounds, held
    held.go.set()
    sounds.close()
    server.should_exit = True
    running.join(10)


class Held:
    """Stands for the children: it pours a real sound, and waits after the first piece until it may go on."""

    def __init__(self, folder: Path) -> None:
        organ, room = organ_with(["Principal 8"]), Room(reverberation=bands_of(0.3))
        notes = [(float(second), second + 0.9, 60 + second % 12) for second in range(70)]
        self.renderer = Renderer(performance_of(notes, ["Principal 8"]), organ, room)
        self.go = threading.Event()
        self.broken = False
        self.folder = folder

    def ask(self, what: str, request: dict[str, Any], **_: Any) -> dict[str, Any]:
        """As `Work.ask`."""
        frames = self.renderer.length
        if what == "listen:times":
            return {"seconds": frames / RATE, "size": wav_size(frames), "notes": []}
        pour_sound(self.renderer, Path(request["file"]), self._wait)
        return {}

    def _wait(self, _: str) -> None:
        self.go.wait(60)
        if self.broken:
            raise WorkStopped("the child died")


def test_it_sounds_before_it_is_made_and_seeks_anywhere(browser: Any, tmp_path: Path) -> None:
    """The first piece of more than a minute plays while the rest is held back; a place not made yet is waited for."""
    with growing(tmp_path) as (url, _, held):
        page = browser.new_page(base_url=url)
        page.goto("/", wait_until="commit")
        _until(page, "document.querySelector('#sound')?.duration > 60")
        page.evaluate("document.querySelector('#sound').play()")
        _until(page, "document.querySelector('#sound').currentTime > 0.5")
        assert not held.go.is_set()
        page.evaluate("document.querySelector('#sound').currentTime = 65")
        page.wait_for_timeout(200)
        assert page.evaluate("document.querySelector('#sound').readyState") < 3  # it waits
        held.go.set()
        _until(page, "document.querySelector('#sound').currentTime > 65.2")
        page.evaluate("document.querySelector('#sound').currentTime = 30")
        _until(page, "document.querySelector('#sound').currentTime > 30.2")
        page.close()


def test_any_piece_of_a_sound_that_grows(tmp_path: Path) -> None:
    """Asked for before it is there: answered with just its bytes when they are; and what Range allows beside."""
    with growing(tmp_path) as (url, sounds, held), httpx.Client(base_url=url, timeout=60) as client:
        name = next(iter(sounds._sounds))
        size = sounds.find(name).size  # type: ignore[union-attr]
        with ThreadPoolExecutor(1) as pool:
            late = pool.submit(client.get, f"/sounds/{name}", headers={"range": f"bytes={size - 5000}-{size - 4001}"})
            begins = httpx.get(f"{url}/sounds/{name}", headers={"range": "bytes=0-99"}, timeout=60)
            assert (begins.status_code, len(begins.content)) == (206, 100)
            assert not late.done()
            held.go.set()
            piece = late.result(60)
        whole = client.get(f"/sounds/{name}")
        assert (whole.status_code, len(whole.content)) == (200, size)
        assert piece.content == whole.content[size - 5000 : size - 4000]
        assert piece.headers["content-range"] == f"bytes {size - 5000}-{size - 4001}/{size}"
        for asked, status, wanted in (
            ("bytes=-10", 206, whole.content[-10:]), (f"bytes={size - 3}-", 206, whole.content[-3:]),
            (f"bytes={size - 3}-{size + 9}", 206, whole.content[-3:]), (f"bytes={size}-", 416, b""),
            ("bytes=-0", 416, b""), ("bytes=9-3", 200, whole.content), ("bytes=-", 200, whole.content),
            ("bytes=0-1,5-6", 200, whole.content), ("pages=1-2", 200, whole.content),
        ):  # fmt: skip
            answer = client.get(f"/sounds/{name}", headers={"range": asked})
            assert (answer.status_code, answer.content == wanted) == (status, True), asked


def test_a_sound_that_breaks_off(browser: Any, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The connection ends short, which the browser tells as an error; asked for again it is begun again."""
    with growing(tmp_path) as (url, sounds, held):
        page = browser.new_page(base_url=url)
        page.goto("/", wait_until="commit")
        _until(page, "document.querySelector('#sound')?.duration > 60")
        page.evaluate(
            "document.querySelector('#sound').addEventListener('error', () => { window.told = true; });"
            "document.querySelector('#sound').currentTime = 60"
        )
        page.wait_for_timeout(100)
        held.broken = True
        held.go.set()
        _until(page, "window.told === true || document.querySelector('#sound').error !== null")
        page.close()
        name = sounds.make("listen", {})
        assert sounds.find(name)
    assert "broke off" in capfd.readouterr().err


def test_sounds_go_when_the_program_goes(tmp_path: Path) -> None:
    """The folder with sounds is taken away; other programs' folders beside it would not be counted."""
    hymns, passing = tmp_path / "hymns", tmp_path / "passing"
    hymns.mkdir()
    passing.mkdir()
    with serving(hymns, env={name: str(passing) for name in ("TMPDIR", "TEMP", "TMP")}) as served:
        with served.client() as client:
            held = brought(client, hymn_files()[6])
        listened(served, held)
        assert list(passing.glob("undersong-*"))
    assert not list(passing.iterdir())
