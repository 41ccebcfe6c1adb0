"""A hymn typed with proposed parts, an upbeat put right, and the list of hymns: asked as a browser asks."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from served import Served, version_of
from undersong.reading import read_file

TYPED = {
    "title": "Invented evening", "key": "F major", "time": "3/4", "pickup": "1", "soprano": "c4f8ga4a|b-ag|f2",
    "bass": "cf~fc|gfc|f", "symbols": "C | F . C | Gm F C | F", "words-1": "one two _ three four five six se-ven",
    "propose": "yes",
}  # fmt: skip


@pytest.fixture(scope="module")
def client(served: Served) -> Iterator[httpx.Client]:
    with served.client() as asking:
        yield asking


def begun(client: httpx.Client, kind: str = "propose") -> str:
    """A new draft; its address."""
    return client.post("/enter", data={"kind": kind}).headers["location"]


def draft_version(client: httpx.Client, draft: str) -> str:
    """The version that the page of a draft would edit."""
    found = re.search(r'id="version" value="([0-9a-f]{16})"', client.get(draft).text)
    assert found
    return found[1]


def typed(client: httpx.Client, draft: str, **more: str) -> httpx.Response:
    """Everything typed as the script sends it."""
    fields = TYPED | {"version": draft_version(client, draft)} | more
    return client.post(draft, data=fields, headers={"hx-request": "true"})


def test_inner_parts_are_proposed_while_typing(client: httpx.Client) -> None:
    """In pencil as soon as there is a bass or a symbol to go by, as far as tune and bass go; hers are not."""
    draft = begun(client)
    assert "proposed" not in typed(client, draft, bass="", symbols="").text.replace('id="proposed"', "")
    part = typed(client, draft).text
    assert "In pencil: alto and tenor, proposed." in part
    assert len(re.findall(r'class="note proposed"', part)) == 16  # nine notes of the tune, one syllable over two
    assert "up to bar 2, beat 1, where" in typed(client, draft, bass="cf~fc").text
    assert "In pencil: tenor, proposed." in typed(client, draft, alto="g a~aa|dcc|a").text
    assert "alto and tenor and bass, proposed" in typed(client, draft, alto="", bass="").text
    assert "In pencil" not in typed(client, draft, propose="no").text


def test_a_window_may_send_twice_at_once(client: httpx.Client) -> None:
    """Leaving a field sends it while the button's own request is on its way: neither is told of another window."""
    draft = begun(client)
    fields = TYPED | {"version": draft_version(client, draft), "window": "this-one"}
    assert client.post(draft, data=fields, headers={"hx-request": "true"}).status_code == 200

    def send(number: int) -> int:
        more = fields | {"title": f"Sent {number}"}
        return client.post(draft, data=more, headers={"hx-request": "true"}).status_code

    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(send, range(40))) == {200}


def test_what_comes_late_does_not_undo_the_written_proposal(client: httpx.Client) -> None:
    """The proposal is written into the fields; what the page before sent last comes after it, and is refused."""
    draft = begun(client)
    fields = TYPED | {"version": draft_version(client, draft), "window": "this-one"}
    assert client.post(draft, data=fields, headers={"hx-request": "true"}).status_code == 200
    assert client.post(f"{draft}/write-out", data=fields).status_code == 303
    written = client.get(draft).text
    assert client.post(draft, data=fields, headers={"hx-request": "true"}).status_code == 409
    tenor = re.compile(r'<textarea id="field-tenor"[^>]*>([^<]+)</textarea>')
    found = tenor.search(client.get(draft).text)
    assert found
    assert tenor.search(written)[1] == found[1]  # type: ignore[index]


KEPT = re.compile(r'<p id="keeps"[^>]*>([^<]*)</p>')


def kept_as(part: str) -> str:
    """What the page says the hymn will have."""
    found = KEPT.search(part)
    assert found
    return found[1]


def test_what_will_be_kept_is_said_before(client: httpx.Client) -> None:
    """Of four parts the missing ones are proposed once there is a bass or a symbol, unless she says no.

    The page says which, and the kept hymn has just those.
    """
    draft = begun(client, "four")
    assert kept_as(client.get(draft).text) == ""
    part = typed(client, draft, bass="", symbols="").text
    assert kept_as(part) == (
        "Will be kept: tune and the words of 1 verse; "
        "alto, tenor and bass left out (they need a bass or a chord symbol to go by)."
    )
    whole = "Will be kept: tune, bass, chord symbols and the words of 1 verse; "
    assert kept_as(typed(client, draft).text) == whole + "alto and tenor proposed."
    page = client.get(draft).text
    assert kept_as(page) == whole + "alto and tenor proposed."
    assert re.findall(r'name="(soprano|alto|tenor|bass)"', page) == ["soprano", "alto", "tenor", "bass"]
    part = typed(client, draft, alto="g a").text
    assert "kept: tune, alto, bass, chord" in kept_as(part)
    assert kept_as(part).endswith("; the rest of the alto and tenor proposed.")
    typed(client, draft, alto="", propose="no")
    page = client.get(draft).text
    assert kept_as(page) == whole + "alto and tenor left out."
    assert '<option value="no" selected>' in page
    gone = client.post(f"{draft}/keep", data=TYPED | {"propose": "no", "version": draft_version(client, draft)})
    assert "2 parts" in client.get(gone.headers["location"]).text


def test_a_tune_with_symbols_stays_one(client: httpx.Client) -> None:
    """Nobody asked for parts: none are proposed, none said to be left out."""
    draft = begun(client, "tune")
    fields = {"tune": "c4 d e f g1", "symbols": "C | G", "version": draft_version(client, draft)}
    part = client.post(draft, data=fields, headers={"hx-request": "true"}).text
    assert kept_as(part) == "Will be kept: tune and chord symbols."
    assert "In pencil" not in part


def test_a_symbol_over_another_bass_is_remarked(client: httpx.Client) -> None:
    """At its place, as something that may be left so: the hymn is kept all the same."""
    draft = begun(client)
    fields = {"symbols": "C | F . C | Gm F/A C | F", "bass": "cf~fc|gdc|f"}
    part = typed(client, draft, **fields).text
    assert 'data-field="symbols" data-at="15"' in part
    assert "F/A does not hold the D that the bass has there" in part
    assert 'class="fault"' not in part
    assert part.count("does not hold") == 1
    told = TYPED | fields | {"version": draft_version(client, draft)}
    assert client.post(f"{draft}/keep", data=told).headers["location"].endswith("/understood")


def test_the_proposal_is_written_into_the_fields(client: httpx.Client) -> None:
    """What was in pencil stands as letters, to be changed; the page shows the same notes, none of them in pencil."""
    draft = begun(client)
    typed(client, draft)
    fields = TYPED | {"version": draft_version(client, draft)}
    gone = client.post(f"{draft}/write-out", data=fields)
    assert gone.headers["location"] == f"{draft}#proposed"
    page = client.get(draft).text
    for voice in ("alto", "tenor"):
        found = re.search(rf'name="{voice}"[^>]*>([^<]+)<', page)
        assert found
        assert re.fullmatch(r"[a-g#=',~| -]+", found[1]), found[1]
    assert "In pencil" not in page
    assert 'class="fault"' not in page


def test_a_kept_hymn_has_four_parts(client: httpx.Client, served: Served) -> None:
    """And what was proposed is told where it says how the hymn came."""
    draft = begun(client)
    typed(client, draft)
    gone = client.post(f"{draft}/keep", data=TYPED | {"version": draft_version(client, draft)})
    name = gone.headers["location"].split("/")[2]
    page = client.get(gone.headers["location"]).text
    assert "Four parts" in page
    assert "typed by hand; alto and tenor proposed" in page
    hymn = read_file(next((served.folder / "hymns" / name).glob("source.*")))[0]
    assert hymn.tune.four_parts
    assert len(hymn.tune.symbols) == 7


def test_drafts_are_listed_with_their_time(client: httpx.Client) -> None:
    """By the clock on the wall."""
    typed(client, begun(client), title="Listed")
    now = time.localtime()
    assert re.search(
        rf">Listed</a> <span class=\"aside\">{now.tm_mday} \w+ {now.tm_year}, \d\d:\d\d<", client.get("/").text
    )


def test_the_invented_hymns_stay_within_reach(client: httpx.Client) -> None:
    """Quietly, once there are hymns of hers."""
    client.post("/bring", files={"files": ("shifted.abc", UPBEAT)})
    page = client.get("/").text
    assert 'action="/bring-demo"' in page
    assert "To try things out" in page


UPBEAT = b"X:1\nT:Shifted\nM:3/4\nL:1/4\nK:F\nCFG|A2G|F2E|D2C|F3|]\nw:a b c d e f g h i j\n"


def test_an_upbeat_is_put_right_and_everything_follows(client: httpx.Client) -> None:
    """Her chord, line and breath stay at their notes; one step back undoes all of it."""
    gone = client.post("/bring", files={"files": ("shifted.abc", UPBEAT)})
    understood = gone.headers["location"]
    hymn = understood.removesuffix("/understood")
    page = client.get(understood).text
    assert 'name="pickup" value="0"' in page
    for path, fields in (
        ("/chord", {"bar": "2", "beat": "3", "times": "0", "chord": "C7"}),
        ("/lines", {"at": "3.1", "what": "line"}),
        ("/lines", {"at": "4.1", "what": "breath"}),
    ):
        client.post(hymn + path, data=fields | {"version": version_of(client.get(hymn).text)})
    before = client.get(hymn + "?show=lines").text
    told = {"title": "Shifted", "tune_name": "", "pickup": "1", "version": version_of(client.get(understood).text)}
    assert client.post(understood, data=told).status_code == 303
    page = client.get(understood).text
    assert "and an upbeat" in page
    assert 'name="pickup" value="1"' in page
    after = client.get(hymn + "?show=lines").text
    assert 'data-bar="2" data-beat="2" data-chord="C7"' in after
    assert 'data-bar="2" data-beat="3" data-chord="C7"' in before
    assert "bar 2, beat 3: F4, “f”, line 2 begins" in after
    assert "bar 3, beat 3: D4, “h”, breath before" in after
    client.post(hymn + "/undo", data={"version": version_of(client.get(hymn).text)})
    back = client.get(hymn + "?show=lines").text
    assert 'data-bar="2" data-beat="3" data-chord="C7"' in back
    assert "bar 3, beat 1: F4, “f”, line 2 begins" in back


@pytest.mark.parametrize("beats", ["3", "x", "1/0", "-1", "9" * 30])
def test_an_upbeat_that_is_none_is_told(client: httpx.Client, beats: str) -> None:
    """In a sentence; nothing changes."""
    understood = client.post("/bring", files={"files": ("shifted.abc", UPBEAT)}).headers["location"]
    told = {"title": "Shifted", "pickup": beats, "version": version_of(client.get(understood).text)}
    answer = client.post(understood, data=told)
    assert answer.status_code == 422
    assert re.search(r"is no upbeat here|a pickup in beats", answer.text)
    assert 'name="pickup" value="0"' in client.get(understood).text
