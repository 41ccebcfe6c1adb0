"""The hymn engraved, its chords over it: changed, heard in place, taken back."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from starlette.responses import JSONResponse, Response

from undersong.errors import UnknownName
from undersong.model.codec import decode, encode
from undersong.model.edits import Edit
from undersong.model.harmony import ORIGINS
from undersong.model.pitch import Key
from undersong.model.plan import Plan
from undersong.web.asked import Given, Question
from undersong.web.door import Door, ask, drawn, go, send
from undersong.web.work import Plain
from undersong.workflow import Kept, with_chord, without_chord
from undersong.writing.screen import Touch, on_screen

SHOWN = ("numerals", "notes", "lines")


def hymn(door: Door, asked: Question) -> Response:
    """The hymn engraved, its chords over it."""
    kept = door.open(asked)
    shown = _shown(asked.request.query_params.getlist("show"))
    return door.show("hymn.html", here="hymn", **_hymn(door, kept, shown))


def _hymn(door: Door, kept: Kept, shown: tuple[str, ...]) -> Plain:
    state = door.state(kept)
    page = door.work.ask("hymn:page", state)
    systems = door.work.engrave(page["music"], page["lines"])
    hers = {(one["bar"], one["beat"]) for one in page["hers"]}
    chords = [
        Touch(
            f"chord-{index}", _chord_says(one),
            {"bar": one["bar"], "beat": one["beat"], "chord": one["symbol"], "place": one["place"],
             "told": _chord_told(one), "hers": "yes" if (one["bar"], one["beat"]) in hers else ""},
            one["doubtful"], one["numeral"],
        )
        for index, one in enumerate(page["chords"])
    ]  # fmt: skip
    lined = "lines" in shown
    notes = {one["id"]: Touch(one["id"], _note_says(one), _note_facts(one)) for one in page["tune"]} if lined else {}
    pictures = on_screen(
        systems, chords=chords, notes=notes, numerals="numerals" in shown,
        marked={one["id"]: "non-chord" for one in page["non_chord"]} if "notes" in shown else {},
        line_starts={one["id"]: str(one["line"]) for one in page["tune"] if one["line"]} if lined else {},
    )  # fmt: skip
    return {"kept": kept, "page": page, "pictures": drawn(pictures), "shown": shown, "said": ""}


def chord(door: Door, asked: Question) -> Response:
    """Her chord at a place, or her chord there taken back; one that stands there already changes nothing.

    Where what stands there is doubtful, it is hers from then on: confirmed.
    """
    kept = door.open(asked)
    bar, beat, times = asked.text("bar")[:12], asked.text("beat")[:12], asked.number("times")
    place = f"{asked.text('place')[:40] or f'bar {bar}, beat {beat}'}"
    if asked.text("back"):
        return _change(door, asked, f"chord taken back at {place}", lambda one: without_chord(one, bar, beat, times))
    text = asked.text("chord").strip()[:40]
    wanted = {"state": door.state(kept), "bar": bar, "beat": beat, "times": times, "chord": text}
    found = door.work.ask("hymn:chord", wanted)
    edit, key = decode(Edit, found["edit"]), Key.parse(found["key"])
    there = [
        one
        for one in door.work.ask("hymn:page", door.state(kept))["chords"]
        if (one["bar"], one["beat"]) == (bar, beat)
    ]
    same = bool(there) and not times and all(one["symbol"] == found["symbol"] for one in there)
    if same and not any(one["doubtful"] for one in there):
        return _hymn_again(door, asked, kept)
    did, said = f"chord {text} at {place}", ""
    if same:
        did, said = f"{did} confirmed", f"{text} at {place} is confirmed."
    return _change(door, asked, did, lambda one: with_chord(one, edit, key), said)


def hear_chord(door: Door, asked: Question) -> Response:
    """A chord between its neighbours as it would sound there; nothing is written."""
    kept, given = door.open(asked), Given(asked.request.query_params)
    bar, beat, text = given.text("bar")[:12], given.text("beat")[:12], given.text("chord").strip()[:40]
    request = {"state": door.state(kept), "shown": encode(kept.edits), "bar": bar, "beat": beat}
    if text and text != given.text("now"):
        wanted = {"state": door.state(kept), "bar": bar, "beat": beat, "times": 0, "chord": text}
        found = door.work.ask("hymn:chord", wanted)
        tried = with_chord(kept, decode(Edit, found["edit"]), Key.parse(found["key"]))
        request["state"] = door.state(tried)
    return JSONResponse({"sound": f"/sounds/{door.sounds.make('inplace', request)}"})


def lines(door: Door, asked: Question) -> Response:
    """A line begins, or no longer begins, at a note; she breathes before it, or does not."""
    kept = door.open(asked)
    page = door.work.ask("hymn:page", door.state(kept))
    at, what = asked.text("at"), asked.text("what")
    if at not in {one["at"] for one in page["tune"]} or what not in ("line", "breath"):
        raise UnknownName("there is no such note", remedy="Load the page again.")
    now = list(page["line_starts"] if what == "line" else page["breaths"])
    taken = at in now
    now = [one for one in now if one != at] if taken else [*now, at]
    place = next(one["place"] for one in page["tune"] if one["at"] == at)
    says = {("line", False): "a line begins at", ("line", True): "no line begins at",
            ("breath", False): "a breath before", ("breath", True): "no breath before"}[what, taken]  # fmt: skip
    return _change(door, asked, f"{says} {place}", lambda one: _with_places(one, what, tuple(now)))


def key(door: Door, asked: Question) -> Response:
    """The key it is played in."""
    kept = door.open(asked)
    steps, _, semitones = asked.text("transpose").partition(",")
    if not (re.fullmatch(r"-?\d{1,2}", steps) and re.fullmatch(r"-?\d{1,2}", semitones)):
        raise UnknownName("that is not a key", remedy="Choose one from the list.")
    wanted = {"state": door.state(kept), "transpose": {"steps": int(steps), "semitones": int(semitones)}}
    found = door.work.ask("hymn:in_key", wanted)
    plan = decode(Plan, found["plan"])
    return _change(door, asked, f"played in {found['name']}", lambda one: replace(one, plan=plan))


def undo(door: Door, asked: Question) -> Response:
    """The last change taken back."""
    return _turned(door, asked, door.shelf.undo)


def redo(door: Door, asked: Question) -> Response:
    """The change that was taken back, made again."""
    return _turned(door, asked, door.shelf.redo)


def _turned(door: Door, asked: Question, turn: Callable[[str, str], Kept]) -> Response:
    kept = door.open(asked)
    if asked.text("version") != kept.version:
        return door.conflict(asked, kept, "undo")
    turn(kept.name, kept.version)
    return _back(asked, kept)


def _back(asked: Question, kept: Kept) -> Response:
    """To the page that the form stood on."""
    return go(f"/hymns/{kept.name}/plan" if asked.text("from") == "plan" else f"/hymns/{kept.name}{_query(asked)}")


def _change(door: Door, asked: Question, did: str, change: Callable[[Kept], Kept], said: str = "") -> Response:
    """Keep a change; the hymn's page follows, with a word about it if there is one."""
    return door.change(asked, did, change, lambda now: _hymn_again(door, asked, now, said))


def _hymn_again(door: Door, asked: Question, kept: Kept, said: str = "") -> Response:
    if asked.part:
        return door.show("hymn_part.html", **_hymn(door, kept, _shown(asked.text("show").split())) | {"said": said})
    return _back(asked, kept)


def _query(asked: Question) -> str:
    shown = _shown(asked.text("show").split())
    return "?" + "&".join(f"show={one}" for one in shown) if shown else ""


def _shown(asked: list[str]) -> tuple[str, ...]:
    return tuple(one for one in SHOWN if one in asked)


def _chord_told(one: Plain) -> str:
    sure = "" if one["confidence"] is None else ", doubtful" if one["doubtful"] else ", sure"
    return f"{ORIGINS[one['origin']]}{sure}"


def _chord_says(one: Plain) -> str:
    return f"{one['place']}: {one['symbol'] or 'no chord'}, {_chord_told(one)}"


def _note_says(one: Plain) -> str:
    told = [f"{one['place']}: {one['pitch']}", f"“{one['word']}”" if one["word"] else ""]
    told += [f"line {one['line']} begins" if one["line"] else "", "breath before" if one["breath"] else ""]
    return ", ".join(part for part in told if part)


def _note_facts(one: Plain) -> dict[str, str]:
    """For the script: the place, and whether a line begins and a breath is there."""
    return {"at": one["at"], "line": "yes" if one["line"] else "", "breath": "yes" if one["breath"] else ""}


def _with_places(kept: Kept, what: str, places: tuple[str, ...]) -> Kept:
    now = kept.amendments
    return replace(kept, amendments=replace(now, lines=places) if what == "line" else replace(now, breaths=places))


ADDRESSES = (
    ask("/hymns/{name}", hymn),
    send("/hymns/{name}/chord", chord),
    ask("/hymns/{name}/hear", hear_chord),
    send("/hymns/{name}/lines", lines),
    send("/hymns/{name}/key", key),
    send("/hymns/{name}/undo", undo),
    send("/hymns/{name}/redo", redo),
)
