"""Organ, player and room as a form: a stop a line, as it stands on the knob."""

from __future__ import annotations

import re
from typing import Any, get_args, get_type_hints

import tomlkit

from undersong.errors import BrokenOrgan, UnknownName
from undersong.model.organ import Division
from undersong.model.player import Player
from undersong.model.room import LONGEST_SECONDS, ROOMS, SHORTEST_SECONDS, Room
from undersong.web.asked import Question
from undersong.web.work import Plain
from undersong.workflow import Bench, read_organ_text, ready_names, remarks, room_of, stop_from, stop_line

REACHES = {7: "a seventh", 8: "an octave", 9: "a ninth", 10: "a tenth", 11: "an eleventh", 12: "a twelfth"}
PEDALS = {
    "none": "no pedal: the hands play everything", "tonic-and-dominant": "a few notes: tonic and dominant",
    "toes": "toes", "heels": "toes and heels",
}  # fmt: skip
LEVELS = {"plain": "plain", "moderate": "moderate", "full": "full"}
TEMPERAMENTS = ("equal", "meantone", "werckmeister", "kirnberger", "vallotti")
MOST_MANUALS = 5
ROOM_WORDS = {"dry": "dry: carpets, a small chapel", "average": "average", "live": "live: stone and glass",
              "very live": "very live: a large stone church"}  # fmt: skip


def bench_facts(bench: Bench, version: str, ready: str) -> Plain:
    """What the form shows."""
    organ = bench.organ
    divisions = [_division(one, f"m{count}") for count, one in enumerate(organ.manuals)]
    divisions += [_division(None, f"m{len(divisions)}")] if len(divisions) < MOST_MANUALS else []
    return {
        "version": version, "ready": ready, "ready_names": ready_names(), "fault": "", "name": organ.name,
        "divisions": divisions, "pedal": _division(organ.pedal, "pedal"),
        "couplers": "\n".join(f"{source} to {keyboard}" for source, keyboard in organ.couplers),
        "a4_hz": f"{organ.a4_hz:g}", "temperament": organ.temperament, "temperaments": TEMPERAMENTS,
        "remarks": remarks(organ), "reaches": REACHES, "pedals": PEDALS, "levels": LEVELS,
        "reach_easy": bench.player.reach_easy, "reach_most": bench.player.reach_most,
        "player_pedals": bench.player.pedals, "level": bench.player.level,
        "rooms": {name: f"{ROOM_WORDS.get(name, name)} ({room.seconds:g} s)" for name, room in ROOMS.items()},
        "room": _room_name(bench.room), "singers": bench.room.singers,
        "printed": [{"name": one.name, "stops": [_printed(stop) for stop in one.stops]} for one in organ.divisions],
    }  # fmt: skip


def _room_name(room: Room) -> str:
    same = next((name for name, one in ROOMS.items() if one.reverberation == room.reverberation), "")
    return same or f"{room.seconds:g}"


def _printed(stop: Any) -> Plain:
    return {"name": stop.name, "feet": "" if stop.family == "mixture" else stop.feet, "family": stop.family,
            "state": "" if stop.state == "sound" else stop.state}  # fmt: skip


def _division(division: Division | None, field: str) -> Plain:
    if division is None:
        return {"field": field, "name": "", "keys": "", "enclosed": False, "stops": ""}
    stops = "\n".join(stop_line(stop) for stop in division.stops)
    return {"field": field, "name": division.name, "keys": division.keys, "enclosed": division.enclosed, "stops": stops}


def form_as_given(asked: Question) -> Plain:
    """The form's fields as she left them, to be shown again beside what was wrong."""

    def given(field: str) -> Plain:
        return {
            "field": field, "name": asked.text(f"{field}_name"), "keys": asked.text(f"{field}_keys"),
            "enclosed": bool(asked.text(f"{field}_enclosed")), "stops": "\n".join(asked.lines(f"{field}_stops")),
        }  # fmt: skip

    fields = [f"m{count}" for count in range(MOST_MANUALS) if f"m{count}_name" in asked.form]
    return {
        "name": asked.text("name"), "divisions": [given(field) for field in fields], "pedal": given("pedal"),
        "couplers": "\n".join(asked.lines("couplers")), "a4_hz": asked.text("a4_hz"), "room": asked.text("room"),
        "singers": asked.text("singers"),
    }  # fmt: skip


def bench_from(asked: Question, before: Bench) -> Bench:
    """The bench in a form; BrokenOrgan, UnknownStop or UnknownName for what cannot be understood."""
    held: dict[str, Any] = {
        "name": asked.text("name").strip()[:100] or "Organ", "pistons": list(before.organ.pistons),
        "couplers": asked.lines("couplers"), "temperament": asked.text("temperament", "equal"),
        "a4_hz": _decimal(asked, "a4_hz"), "manual": [],
    }  # fmt: skip
    for count in range(MOST_MANUALS):
        if asked.text(f"m{count}_name").strip():
            held["manual"].append(_table(asked, f"m{count}", before))
    if asked.text("pedal_name").strip():
        held["pedal"] = _table(asked, "pedal", before)
    organ = read_organ_text(tomlkit.dumps(held)).organ
    if organ is None:
        raise BrokenOrgan("no manual is written down", remedy="Name at least one.")
    return Bench(organ, _player(asked), _room(asked, before.room))


def _table(asked: Question, field: str, before: Bench) -> Plain:
    name = asked.text(f"{field}_name").strip()[:40]
    old = before.organ.division(name)
    stops = [stop_from(line, old.stops if old else ()) for line in asked.lines(f"{field}_stops")]
    table: Plain = {"name": name, "stops": stops, "enclosed": bool(asked.text(f"{field}_enclosed"))}
    if asked.text(f"{field}_keys").strip():
        table["keys"] = asked.number(f"{field}_keys")
    return table


def _decimal(asked: Question, field: str) -> float:
    text = asked.text(field).strip().replace(",", ".")
    if not re.fullmatch(r"\d{1,5}(\.\d{1,4})?", text, re.ASCII):
        raise UnknownName(f"{text[:20]!r} is not a number", remedy="Write figures, with a point for a part.")
    return float(text)


def _player(asked: Question) -> Player:
    easy, most = asked.number("reach_easy", 8), asked.number("reach_most", 9)
    if easy not in REACHES or most not in REACHES or most < easy:
        raise UnknownName("at most she reaches no less than with ease", remedy="Choose both reaches anew.")
    kinds = get_type_hints(Player)
    pedals, level = asked.text("player_pedals", "toes"), asked.text("level", "moderate")
    if pedals not in get_args(kinds["pedals"]) or level not in get_args(kinds["level"]):
        raise UnknownName("that is none of the choices", remedy="Choose from the list.")
    return Player(easy, most, pedals, level)  # type: ignore[arg-type]  # both checked against the type


def _room(asked: Question, before: Room) -> Room:
    said = asked.text("seconds").strip() or asked.text("room", "average")
    singers = asked.number("singers", before.singers)
    if not 0 <= singers <= 20_000:
        raise UnknownName(f"{singers} people do not fit into a church", remedy="Write how many sing.")
    if said not in ROOMS and said != f"{before.seconds:g}":
        seconds = _decimal(asked, "seconds")
        if not SHORTEST_SECONDS <= seconds <= LONGEST_SECONDS:
            raise UnknownName(
                f"a reverberation of {seconds:g} s is not that of a room with an organ in it",
                remedy=f"Write seconds from {SHORTEST_SECONDS:g} to {LONGEST_SECONDS:g}, or choose a word.",
            )
    return room_of(said, singers, before)
