"""In the child: what the page asks of `workflow`, from plain JSON to plain JSON.

Conventions: a *state* names the source file, the hymn's number in it, and what she changed (amendments, chords, plan),
all as the codec writes them. A child keeps the last hymns it read; what it is asked decides what it answers, nothing
else. Bytes travel as base64.
"""

from __future__ import annotations

import base64
import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from undersong import workflow
from undersong.arranging.report import arrangement_json
from undersong.errors import UnknownName
from undersong.harmony.report import harmony_json
from undersong.library.amending import place_of
from undersong.model.codec import decode, encode
from undersong.model.edits import Amendments, Edits
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval
from undersong.model.plan import Plan
from undersong.model.tune import show_beat
from undersong.reading.report import read_json
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.writing.booklet import booklet, heading, key_words, marks, marks_at_notes
from undersong.writing.engraver import System
from undersong.writing.exchange import exchange_file
from undersong.writing.hymnfile import note_id

Plain = dict[str, Any]
Made = TypeVar("Made")

MOST_HELD = 200
MOST_TUNES = 2000
"""Tunes of a collection that are listed."""

_held: OrderedDict[Any, Any] = OrderedDict()


def _once(key: Any, make: Callable[[], Made]) -> Made:
    """What was made before for this key, or made now."""
    if key not in _held:
        _held[key] = make()
        if len(_held) > MOST_HELD:
            _held.popitem(last=False)
    _held.move_to_end(key)
    made: Made = _held[key]
    return made


# -- the hymn --------------------------------------------------------------------------------------------------------


def _reading(path: Path, told: Amendments) -> Any:
    stat = path.stat()
    midi = (told.time, told.key, told.pickup)
    return _once(
        ("read", str(path), stat.st_mtime_ns, stat.st_size, midi),
        partial(workflow.read_all, path, workflow.told_of_midi(told)),
    )


def _key(state: Plain, *fields: str) -> str:
    """What an answer depends on, as text: cheaper to compare than the hymn itself."""
    return json.dumps([state.get(field) for field in ("source", "number", "amended", *fields)])


def _hymn(state: Plain) -> Hymn:
    return _once(("hymn", _key(state)), partial(_made_hymn, state))


def _made_hymn(state: Plain) -> Hymn:
    told = decode(Amendments, state["amended"])
    found = _reading(Path(state["source"]), told)
    if not 0 <= state["number"] < len(found.hymns):
        raise UnknownName("the file does not hold that tune any more", remedy="Bring the file in again.")
    return workflow.amend(found.hymns[state["number"]], told)


def _heard(state: Plain, hymn: Hymn) -> workflow.Heard:
    edits = decode(Edits, state["edits"])
    return _once(("heard", _key(state, "edits")), partial(workflow.harmonise, hymn, edits))


def _bench(state: Plain) -> workflow.Bench:
    return decode(workflow.Bench, state["bench"])


def _laid_out(state: Plain, plan: Plan) -> Any:
    """The whole plan laid out, with stops; a row that was laid out before is not laid out again."""
    hymn = _hymn(state)
    heard, bench = _heard(state, hymn), _bench(state)
    key = _key(state, "edits", "bench")

    def row(index: int) -> Any:
        same = tuple(one for one in plan.verses[:index] if one.verse == plan.verses[index].verse)
        alone = replace(plan, verses=(*same, plan.verses[index]))
        return _once(("row", key, alone), partial(workflow.lay_out_row, hymn, heard.harmony, alone, len(same), bench))

    return _once(
        ("plan", key, plan), lambda: workflow.joined([row(index) for index in range(len(plan.verses))], plan, bench)
    )


def _plan(state: Plain, hymn: Hymn, heard: workflow.Heard) -> Plan:
    if state.get("plan"):
        return decode(Plan, state["plan"])
    return workflow.plan_for(hymn, heard.harmony, _wishes(state))


def look(request: Plain) -> Plain:
    """The hymns of a file: what was understood of each; and what was refused."""
    found = _reading(Path(request["source"]), Amendments())
    if not found.hymns and found.refused:
        raise found.refused[0]
    return {
        "hymns": [
            {"title": hymn.title, "tune_name": hymn.tune_name, "verses": len(hymn.text.verses),
             "voices": [voice.name for voice in hymn.tune.voices], "symbols": len(hymn.tune.symbols),
             "begins": hymn.text.verses[0].first_words if hymn.text.verses else ""}
            for hymn in found.hymns[:MOST_TUNES]
        ],
        "refused": [str(one) for one in found.refused[:MOST_TUNES]],
        "more": max(0, len(found.hymns) - MOST_TUNES),
    }  # fmt: skip


def understood(state: Plain) -> Plain:
    """What was understood and assumed of a hymn, and what can be put right."""
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    raw = _reading(Path(state["source"]), decode(Amendments, state["amended"])).hymns[state["number"]]
    facts = read_json(hymn, key_words(heard.harmony.key), heard.harmony.mode)
    return facts | {
        "melody": hymn.tune.tune_voice.name,
        "all_verses": [{"number": one.number, "first_words": one.first_words} for one in raw.text.verses],
        "read_title": raw.title,
        "four_parts": hymn.tune.four_parts,
    }


def page(state: Plain) -> Plain:
    """The hymn's own page: music to engrave, chords in order, non-chord notes, keys it can be played in."""
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    harmony, tune = heard.harmony, hymn.tune
    sheet = workflow.hymn_with_chords(hymn, harmony)
    told = harmony_json(hymn, replace(harmony, spans=sheet.spans))
    chords = told["chords"]
    assert isinstance(chords, list)
    for one, span in zip(chords, sheet.spans, strict=True):
        one["place"] = _place(one["bar"], one["beat"])
        one["every"] = not span.passes
    notes = [note for note in tune.tune_voice.notes if not note.grace]
    words = {one.onset: one.text for one in (hymn.text.verses[0].syllables if hymn.text.verses else ())}
    starts = [line.onset for line in tune.lines]
    firsts = {next((note.onset for note in notes if note.onset >= start), None): n for n, start in enumerate(starts, 1)}
    breaths = frozenset(tune.breaths)
    non_chord = told["non_chord_notes"]
    assert isinstance(non_chord, list)
    facts = read_json(hymn, key_words(harmony.key), harmony.mode)
    return {
        "music": sheet.music.decode(),
        "lines": [str(one) for one in sheet.lines],
        "chords": chords,
        "tune": [
            {"id": note_id(tune.melody, note.onset), "place": tune.place(note.onset), "at": place_of(tune, note.onset),
             "pitch": str(note.pitch), "word": words.get(note.onset, ""), "line": firsts.get(note.onset, 0),
             "breath": note.onset in breaths}
            for note in notes
        ],
        "line_list": facts["line_list"],
        "breaths": [place_of(tune, one) for one in tune.breaths],
        "line_starts": [place_of(tune, one) for one in starts[1:]],
        "non_chord": [
            one | {"place": _place(one["bar"], one["beat"]), "id": note_id(one["voice"], Fraction(one["onset"]))}
            for one in non_chord
        ],
        "facts": facts,
        "key": key_words(harmony.key),
        "mode": harmony.mode,
        "remarks": heard.remarks(),
        "keys": [
            {"name": one.name, "low": str(one.low), "high": str(one.high), "suits": one.suits, "printed": one.printed,
             "steps": one.transpose.steps, "semitones": one.transpose.semitones}
            for one in workflow.possible_keys(hymn, harmony)
        ],
        "transpose": encode(_plan(state, hymn, heard).transpose),
        "hers": [
            {"bar": one.bar, "beat": one.beat, "times": one.times} for one in decode(Edits, state["edits"]).edits
        ],
    }  # fmt: skip


def _place(bar: str, beat: str) -> str:
    return f"bar {bar}, beat {show_beat(Fraction(beat))}"


def chord(request: Plain) -> Plain:
    """Her chord at a place as an edit, and the key it was written in."""
    edit, key = workflow.one_chord(
        _hymn(request["state"]), request["bar"], request["beat"], request["times"], request["chord"]
    )
    return {"edit": encode(edit), "key": str(key)}


# -- the plan --------------------------------------------------------------------------------------------------------


def plan(state: Plain) -> Plain:
    """The plan as it stands, with what each row may choose from."""
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    now = _plan(state, hymn, heard)
    organ = _bench(state).organ
    words = {verse.number: verse.first_words for verse in hymn.text.verses}
    return {
        "plan": encode(now),
        "rows": [
            {"verse": row.verse, "words": words.get(row.verse, "") if row.verse is not None else "", **_row(row)}
            for row in now.verses
        ],
        "textures": [
            {"name": name, "title": _texture_says(name), "what": what} for name, what in _textures()
        ],
        "places": [{"name": one.name, "title": one.says} for one in PLACES.values()],
        "manuals": [one.name for one in organ.manuals],
        "pedal": organ.pedal.name if organ.pedal else "",
        "title": hymn.title,
        "tune_name": hymn.tune_name,
        "metre": hymn.text.metre,
        "key": key_words(heard.harmony.transposed(now.transpose).key),
    }  # fmt: skip


def _textures() -> list[tuple[str, str]]:
    """Every texture, and each of its patterns but the usual one as `texture:pattern`, with what it is."""
    found = []
    for one in TEXTURES.values():
        found.append((one.name, f"{one.what}; needs {one.needs}"))
        found += [(f"{one.name}:{row.name}", row.says) for row in one.patterns[1:]]
    return found


def _texture_says(name: str) -> str:
    texture, _, pattern = name.partition(":")
    title = TEXTURES[texture].title
    return f"{title}, {pattern.replace('-', ' ')}" if pattern else title


def _row(row: Any) -> Plain:
    pace = row.pace
    return {
        "texture": f"{row.texture}:{row.pattern}" if row.pattern else row.texture,
        "tune": row.tune, "who": row.who, "right": row.right, "left": row.left,
        "feet": row.feet, "pace": f"{float(pace.beats_per_minute):g}" if pace else "",
        "beat": str(pace.beat) if pace else "",
    }  # fmt: skip


def verse(request: Plain) -> Plain:
    """One row of the plan laid out: its exchange file to engrave, and what there is to say."""
    state = request["state"]
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    whole = _plan(state, hymn, heard)
    row = whole.verses[request["row"]]
    arrangement = workflow.only_section(_laid_out(state, whole), request["row"])
    section = arrangement.sections[0]
    told = marks(arrangement, section)
    by_id = {note.id: note for note in section.notes}
    return {
        "id": section.id,
        "texture": section.texture,
        "laid_out": TEXTURES[section.texture].title,
        "as_asked": section.texture == row.texture and section.tune == row.tune,
        "tune": section.tune,
        "hands": [section.right, section.left, section.feet],
        "stops": _stops(section),
        "heading": heading(arrangement, section),
        "music": exchange_file(arrangement, [section]).decode(),
        "lines": [str(line.start) for line in section.lines],
        "signs": marks_at_notes(arrangement, section),
        "told": [
            {"sign": one.sign, "text": one.text, "note": one.notes[0] if one.notes else "",
             "weight": _heaviest(one), "kind": one.found[0].kind if one.found else "",
             "remedy": next((each.remedy for each in one.found if each.remedy), "")}
            for one in told
        ],
        "bars": len(section.bars),
        "notes": len(by_id),
    }  # fmt: skip


def stops(state: Plain) -> Plain:
    """What is said of each row's stops: another row may change them, never its notes."""
    hymn = _hymn(state)
    whole = _laid_out(state, _plan(state, hymn, _heard(state, hymn)))
    told: dict[str, list[str]] = {one.id: [_stops(one)] for one in whole.sections}
    for finding in whole.findings:
        told[finding.section].append(finding.message)
    return {"rows": list(told.values())}


def _stops(section: Any) -> str:
    actual = "; ".join(f"{division}: {stops}" for division, stops in section.registration.actual if stops)
    return str(actual or section.registration.generic)


def _heaviest(mark: Any) -> str:
    weights = {one.weight for one in mark.found}
    return next((one for one in ("hard", "soft") if one in weights), "note")


def helps(request: Plain) -> Plain:
    """Other ways of laying out a row in which a kind of fault does not occur, those nearest to the row first."""
    state, index, kind = request["state"], request["row"], request["kind"]
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    whole = _plan(state, hymn, heard)
    row = whole.verses[index]
    ways = [(row.texture, one.name) for one in PLACES.values()] + [(texture, row.tune) for texture in TEXTURES]
    found, seen = [], set()
    for texture, place in ways:
        other = replace(row, texture=texture, tune=place, pattern=row.pattern if texture == row.texture else "")
        if other == row:
            continue
        tried = replace(whole, verses=(*whole.verses[:index], other, *whole.verses[index + 1 :]))
        made = workflow.only_section(_laid_out(state, tried), index)
        section = made.sections[0]
        faults = [one for one in made.findings if one.weight != "note"]
        as_asked = (section.texture, section.tune) == (texture, place)
        if as_asked and (texture, place) not in seen and not any(one.kind == kind for one in made.findings):
            seen.add((texture, place))
            found.append({"texture": texture, "tune": place, "faults": len(faults),
                          "says": _says(texture, place, row.tune)})  # fmt: skip
    return {"ways": sorted(found, key=lambda one: int(str(one["faults"])))[:3]}


def _says(texture: str, place: str, now: str) -> str:
    title = TEXTURES[texture].title
    return title if place == now else f"{title}, {PLACES[place].says}"


# -- to take away ----------------------------------------------------------------------------------------------------


def _whole(state: Plain, rows: list[int] | None) -> Any:
    hymn = _hymn(state)
    now = _plan(state, hymn, _heard(state, hymn))
    whole = _laid_out(state, now)
    if rows is None:
        return whole
    return workflow.only_section(whole, rows[0])


def _wishes(state: Plain) -> workflow.Wishes:
    bench = _bench(state)
    return workflow.Wishes(organ=bench.organ, player=bench.player, room=bench.room)


def sections(request: Plain) -> Plain:
    """All sections of the plan (or of some rows) to engrave for the booklet."""
    arrangement = _whole(request["state"], request.get("rows"))
    return {
        "sections": [
            {"id": one.id, "title": one.name, "music": exchange_file(arrangement, [one]).decode(),
             "lines": [str(line.start) for line in one.lines], "signs": marks_at_notes(arrangement, one)}
            for one in arrangement.sections
        ],
    }  # fmt: skip


def bound(request: Plain) -> Plain:
    """The booklet from engraved systems."""
    arrangement = _whole(request["state"], request.get("rows"))
    systems = {
        name: [System(one["svg"], one["width_mm"], one["height_mm"]) for one in held]
        for name, held in request["systems"].items()
    }
    pdf = booklet(arrangement, systems, request["paper"], large=request["large"])
    return {"bytes": base64.b64encode(pdf).decode()}


def exchange(request: Plain) -> Plain:
    """The exchange file."""
    return {"bytes": base64.b64encode(exchange_file(_whole(request["state"], request.get("rows")))).decode()}


def midi(request: Plain) -> Plain:
    """MIDI of the whole plan."""
    arrangement = _whole(request["state"], request.get("rows"))
    return {"bytes": base64.b64encode(workflow.midi_of(arrangement, _wishes(request["state"]))).decode()}


def report(request: Plain) -> Plain:
    """The arrangement as `undersong arrange --json` prints it."""
    return arrangement_json(_whole(request["state"], request.get("rows")))


def in_key(request: Plain) -> Plain:
    """The plan in another key, given as a spelled interval."""
    state = request["state"]
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    wanted = decode(Interval, request["transpose"])
    key = next((one for one in workflow.possible_keys(hymn, heard.harmony) if one.transpose == wanted), None)
    if key is None:
        raise UnknownName("that key is too far away", remedy="Choose one from the list.")
    return {"plan": encode(workflow.play_it_in(_plan(state, hymn, heard), key)), "name": key.name}


def ready(_: Plain) -> Plain:
    """Everything is loaded."""
    return {}


# -- typed by hand ------------------------------------------------------------------------------------------------


def typed(request: Plain) -> Plain:
    """What was typed, as far as it was understood: music to engrave and the slips."""
    taken = workflow.take(decode(workflow.Typed, request["typed"]))
    music, lines = "", list[str]()
    if taken.hymn is not None:
        heard = replace(taken.hymn, tune=replace(taken.hymn.tune, lines=()))
        music = workflow.writer_for(Path("typed.musicxml"))([heard]).decode()
    return {"music": music, "lines": lines, "slips": [encode(one) for one in taken.slips]}


def letters(request: Plain) -> Plain:
    """A key of a keyboard as it would be typed."""
    given = decode(workflow.Typed, request["typed"])
    return {"letters": workflow.letters_for(given, request["voice"], request["number"])}


# -- to be heard ---------------------------------------------------------------------------------------------------


def hear(request: Plain) -> Plain:
    """One row as it is to be played, or as printed: its page, and what can be chosen."""
    state, row = request["state"], request["row"]
    arrangement = _heard_row(request)
    section = arrangement.sections[0]
    hymn = _hymn(state)
    whole = _plan(state, hymn, _heard(state, hymn))
    words = {word.start: word.text for word in section.words}
    numbers = list(dict.fromkeys(bar.number for bar in section.bars))
    return {
        "id": section.id,
        "heading": heading(arrangement, section),
        "laid_out": TEXTURES[section.texture].title,
        "music": exchange_file(arrangement, [section]).decode(),
        "lines": [str(line.start) for line in section.lines],
        "bars": numbers,
        "pace": f"{float(section.pace.beats_per_minute):g}",
        "four_parts": hymn.tune.four_parts,
        "rows": [row.verse for row in whole.verses],
        "row": row,
        "title": hymn.title,
        "tune": [
            {"id": note.id, "word": words.get(note.start, ""),
             "says": f"bar {section.bar_at(note.start).number}: {note.pitch}"}
            for note in section.notes
            if note.part == "tune" and note.tie not in ("stop", "both")
        ],
    }  # fmt: skip


def _heard_row(request: Plain) -> Any:
    state, row = request["state"], request["row"]
    hymn = _hymn(state)
    heard = _heard(state, hymn)
    whole = _plan(state, hymn, heard)
    if not 0 <= row < len(whole.verses):
        raise UnknownName("the plan has no such row", remedy="Load the page again.")
    other = "as-printed" if request["printed"] else request.get("texture")
    if other:
        plain = replace(whole.verses[row], texture=other, tune="at-pitch", pattern="", right="", left="")
        whole = replace(whole, verses=(*whole.verses[:row], plain, *whole.verses[row + 1 :]))
    return workflow.only_section(_laid_out(state, whole), row)


def sound(request: Plain) -> Plain:
    """Write what is to be heard into a file; its seconds, and when each note sounds."""
    arrangement, wishes = _heard_row(request), _wishes(request["state"])
    asked = request["hearing"]
    usual = float(arrangement.sections[0].pace.beats_per_minute)
    hearing = workflow.Hearing(
        bars=(asked["from"], asked["to"]) if asked["from"] else None,
        without=tuple(asked["without"]),
        per_cent=100 * asked["pace"] / usual if asked["pace"] else 100.0,
        count_in=asked["count_in"],
    )  # fmt: skip
    try:
        seconds = workflow.listen([arrangement], wishes, hearing, Path(request["file"]))
    except ValueError as fault:
        raise UnknownName(str(fault), remedy="Choose a pace nearer to the hymn's own.") from fault
    notes = workflow.to_be_heard([arrangement], wishes, hearing).performance.notes
    return {
        "seconds": seconds,
        "notes": [[one.id, round(one.on_seconds, 4), round(one.off_seconds, 4)] for one in notes],
    }


def sound_file(request: Plain) -> Plain:
    """The whole plan, or a row of it, as a sound file."""
    arrangement = _whole(request["state"], request.get("rows"))
    seconds = workflow.listen([arrangement], _wishes(request["state"]), workflow.Hearing(), Path(request["file"]))
    return {"seconds": seconds}
