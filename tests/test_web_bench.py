"""Organ, player and room as forms: what she writes is understood, kept, and played by every hymn."""

from __future__ import annotations

import html
import re
from pathlib import Path

import httpx
import pytest
import tomlkit

from served import Served, serving
from undersong.demo import hymn_files
from undersong.library.bench import Bench, organ_text, read_bench, stop_from, stop_line, write_bench
from undersong.library.organfile import find_organ, read_organ_text, ready_names
from undersong.model.player import Player
from undersong.model.room import ROOMS, Room, bands_of


def fields_of(page: str) -> dict[str, str]:
    """The form as a browser would send it."""
    form = page.split('class="bench"')[1].split("</form>", maxsplit=1)[0]
    found = {
        name: html.unescape(value) for name, value in re.findall(r'<input[^>]*name="(\w+)"[^>]*?value="([^"]*)"', form)
        if "enclosed" not in name
    }  # fmt: skip
    found |= dict.fromkeys(re.findall(r'name="(\w+_enclosed)" value="1" checked', form), "1")
    for name, body in re.findall(r'<textarea name="(\w+)"[^>]*>(.*?)</textarea>', form, re.DOTALL):
        found[name] = html.unescape(body)
    for name, body in re.findall(r'<select name="(\w+)">(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', body)
        assert chosen, name
        found[name] = chosen[1] if chosen[1] is not None else chosen[2]
    return found


@pytest.mark.parametrize("name", ready_names())
def test_every_ready_made_organ_is_written_and_read_back(tmp_path: Path, name: str) -> None:
    """As a file, and each stop as a line of the form."""
    bench = Bench(find_organ(name), Player(7, 9, "heels", "plain"), Room("nave", bands_of(3.3), 40))
    write_bench(tmp_path, bench)
    assert read_bench(tmp_path)[0] == bench
    for division in bench.organ.divisions:
        lines = [stop_from(stop_line(stop)) for stop in division.stops]
        typed = tomlkit.dumps({"manual": [{"name": "M", "keys": 61, "stops": lines}]})
        again = read_organ_text(typed).organ
        assert again is not None
        assert again.manuals[0].stops == division.stops
    assert read_organ_text(organ_text(bench.organ, bench.room)).organ == bench.organ


def test_without_a_word_from_her_a_middling_organ_is_played(tmp_path: Path) -> None:
    """Sane defaults, and nothing is written for looking."""
    assert read_bench(tmp_path / "none")[0] == Bench()
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("ready", ready_names())
def test_a_form_sent_as_it_stands_changes_nothing(client: httpx.Client, served: Served, ready: str) -> None:
    """Begin from a ready-made organ, keep it: it is that organ."""
    page = client.get("/bench", params={"ready": ready}).text
    gone = client.post("/bench", data=fields_of(page), follow_redirects=True)
    assert gone.status_code == 200, re.findall(r'class="fault"[^<]*<?[^<]*', gone.text)
    assert read_bench(served.folder)[0].organ == find_organ(ready)


def test_her_organ_is_understood_and_played(client: httpx.Client, served: Served) -> None:
    """A small organ without pedals, small hands, a live room; the next page is laid out for it."""
    fields = fields_of(client.get("/bench", params={"ready": "one-manual"}).text)
    fields |= {"m0_name": "Manual", "m0_stops": "Gedackt 8\nWeidenpfeife 8, string, loudness 1\nPrinzipal 4, dead",
               "pedal_name": "", "couplers": "", "reach_most": "8", "player_pedals": "none", "room": "live",
               "singers": "25"}  # fmt: skip
    assert client.post("/bench", data=fields, follow_redirects=True).status_code == 200
    bench = read_bench(served.folder)[0]
    assert (bench.organ.pedal, bench.player.reach_most, bench.room.seconds) == (None, 8, ROOMS["live"].seconds)
    assert [stop.state for stop in bench.organ.manuals[0].stops] == ["sound", "sound", "dead"]
    brought = client.post(
        "/bring", files={"files": ("a.musicxml", hymn_files()[0].read_bytes())}, follow_redirects=True
    )
    name = brought.url.path.split("/")[2]
    verse = client.get(f"/hymns/{name}/plan/0").text
    assert re.search(r"l\.h\. <b>Manual</b>", verse)
    assert "ped." not in verse.split('class="score"')[0]


@pytest.mark.parametrize(
    ("change", "told"),
    [({"m0_stops": "Zauberpfeife 8"}, "Zauberpfeife"), ({"m0_stops": "Oboe 8, upwards"}, "upwards"),
     ({"m0_keys": "many"}, "not a number"), ({"m0_keys": "3"}, "keys"), ({"couplers": "Attic to Great"}, "Attic"),
     ({"a4_hz": "9000"}, "a4_hz"), ({"seconds": "99"}, "99"), ({"reach_easy": "10", "reach_most": "8"}, "no less"),
     ({"temperament": "<b>"}, "temperament"), ({"player_pedals": "wings"}, "none of the choices")],
)  # fmt: skip
def test_what_cannot_be_understood_is_told_and_nothing_typed_is_lost(
    client: httpx.Client, served: Served, change: dict[str, str], told: str
) -> None:
    """The sentence stands over the form; what she wrote still stands in it."""
    before = read_bench(served.folder)
    fields = fields_of(client.get("/bench", params={"ready": "two-manuals"}).text) | {"m1_stops": "Flute 8\nGamba 8"}
    page = client.post("/bench", data=fields | change)
    assert page.status_code == 422
    assert told in html.unescape(re.search(r'class="fault"[^>]*>(.*?)</p>', page.text, re.DOTALL)[1])  # type: ignore[index]
    assert "Gamba 8" in page.text
    assert read_bench(served.folder) == before


def test_two_windows_do_not_overwrite_the_organ(client: httpx.Client) -> None:
    """The second is told."""
    page = client.get("/bench").text
    assert client.post("/bench", data=fields_of(page) | {"singers": "61"}, follow_redirects=True).status_code == 200
    assert client.post("/bench", data=fields_of(page) | {"singers": "62"}).status_code == 409
    assert client.get("/bench?ready=none-such").status_code == 422


def test_a_spoilt_file_is_told_by_name(tmp_path: Path) -> None:
    """Edited by hand, and wrong: the page says which file."""
    (tmp_path / "player.toml").write_text("reach_easy = 'far'")
    with serving(tmp_path) as served:
        page = httpx.get(served.url + "/bench")
        assert page.status_code == 422
        assert "player.toml" in page.text
        assert httpx.get(served.url).status_code == 200
