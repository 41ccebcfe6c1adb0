"""In the child: the plan sheet and the verses it lays out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from undersong import workflow
from undersong.arranging.remedies import Change, Given, changes, texture_says
from undersong.model.codec import encode
from undersong.model.pitch import key_words
from undersong.model.plan import VersePlan
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.web.desk.held import Plain, another, bench_of, heard_of, hymn_of, laid_out, plan_of
from undersong.writing.booklet import heading, marks, marks_at_notes, sentence
from undersong.writing.exchange import exchange_file


def plan(state: Plain) -> Plain:
    """The plan as it stands, with what each row may choose from."""
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    now = plan_of(state, hymn, heard)
    organ = bench_of(state).organ
    words = {verse.number: verse.first_words(hymn.tune.lines) for verse in hymn.text.verses}
    return {
        "plan": encode(now),
        "rows": [
            {"verse": row.verse, "words": words.get(row.verse, "") if row.verse is not None else "", **_row(row),
             "can_hold": bool(TEXTURES[row.texture].inner_pedal)}
            for row in now.verses
        ],
        "textures": [
            {"name": name, "title": texture_says(name), "what": what, "command": _command(name)}
            for name, what in _textures()
        ],
        "places": [{"name": one.name, "title": one.says} for one in PLACES.values()],
        "manuals": [one.name for one in organ.manuals],
        "pedal": organ.pedal.name if organ.pedal else "",
        "title": hymn.title,
        "tune_name": hymn.tune_name,
        "metre": hymn.text.metre,
        "key": key_words(heard.harmony.transposed(now.transpose).key, heard.harmony.mode),
    }  # fmt: skip


def _textures() -> list[tuple[str, str]]:
    """Every texture, and each of its patterns but the usual one as `texture:pattern`, with what it is."""
    found = []
    for one in TEXTURES.values():
        found.append((one.name, one.what))
        found += [(f"{one.name}:{row.name}", row.says) for row in one.patterns[1:]]
    return found


def _command(name: str) -> str:
    """The name by which the command line has a texture, where its title does not hold it; else nothing."""
    plain = name.partition(":")[0]
    return "" if plain.replace("-", " ") in TEXTURES[plain].title.lower() else plain


def _row(row: VersePlan) -> Plain:
    pace = row.pace
    return {
        "texture": f"{row.texture}:{row.pattern}" if row.pattern else row.texture,
        "tune": row.tune, "who": row.who, "right": row.right, "left": row.left,
        "feet": row.feet, "pace": f"{float(pace.beats_per_minute):g}" if pace else "",
        "beat": str(pace.beat) if pace else "",
        "inner_pedal": "held" if row.inner_pedal else "struck",
    }  # fmt: skip


def verse(request: Plain) -> Plain:
    """One row of the plan laid out: its exchange file to engrave, and what there is to say."""
    state = request["state"]
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    whole = plan_of(state, hymn, heard)
    row = whole.verses[request["row"]]
    arrangement = workflow.only_section(laid_out(state, whole), request["row"])
    section = arrangement.sections[0]
    told = marks(arrangement, section)
    by_id = {note.id: note for note in section.notes}
    return {
        "id": section.id,
        "texture": section.texture,
        "laid_out": texture_says(section.texture),
        "other": _laid(section, row, arrangement.findings),
        "in_its_place": PLACES[section.tune].says,
        "instead": _instead(section, row),
        "tune": section.tune,
        "hands": [section.right, section.left, section.feet],
        "stops": _stops(section),
        "heading": heading(arrangement, section),
        "music": exchange_file(arrangement, [section]).decode(),
        "lines": [str(line.start) for line in section.lines],
        "signs": marks_at_notes(arrangement, section),
        "told": [
            {"sign": one.sign, "text": one.text, "note": one.notes[0] if one.notes else "",
             "weight": _heaviest(one), "kind": _kind(one), "mend": _to_mend(one),
             "elsewhere": ELSEWHERE.get(_kind(one), ""),
             "remedy": next((each.remedy for each in one.found if each.remedy), "")}
            for one in told
        ],
        "inner_pedal": _of_kinds(arrangement, "inner-pedal-offered"),
        "no_inner_pedal": _of_kinds(arrangement, "no-inner-pedal"),
        "bars": len(section.bars),
        "notes": len(by_id),
    }  # fmt: skip


def _of_kinds(arrangement: Any, kind: str) -> list[str]:
    """What is told at the desk alone, each with its place."""
    return [sentence(one) for one in arrangement.findings if one.kind == kind]


def beside(request: Plain) -> Plain:
    """A row in another texture that serves, to stand beside it."""
    state = request["state"]
    hymn = hymn_of(state)
    return {"row": encode(another(state, plan_of(state, hymn, heard_of(state, hymn)), request["row"]))}


def laid(state: Plain) -> Plain:
    """What is said of each row: its stops and findings, which another row may change, and what is laid out instead."""
    hymn = hymn_of(state)
    whole = plan_of(state, hymn, heard_of(state, hymn))
    made = laid_out(state, whole)
    rows = []
    for section, row in zip(made.sections, whole.verses, strict=True):
        findings = [one for one in made.findings if one.section == section.id]
        told = [_stops(section), *(one.message for one in findings)]
        rows.append({"told": told, "other": _laid(section, row, findings)})
    return {"rows": rows}


def _stops(section: Any) -> str:
    actual = "; ".join(f"{division}: {stops}" for division, stops in section.registration.actual if stops)
    return str(actual or section.registration.generic)


def _heaviest(mark: Any) -> str:
    weights = {one.weight for one in mark.found}
    return next((one for one in ("hard", "soft") if one in weights), "note")


MOST_WAYS = 2
"""So many buttons are offered against a fault."""


def remedies(request: Plain) -> Plain:
    """For each kind of finding under a row: changes that were tried and after which it is not told any more."""
    state, index = request["state"], request["row"]
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    whole = plan_of(state, hymn, heard)
    row, organ = whole.verses[index], bench_of(state).organ
    before = workflow.only_section(laid_out(state, whole), index)
    keys = sorted(
        (key for key in workflow.possible_keys(hymn, heard.harmony) if key.suits and key.transpose != whole.transpose),
        key=lambda key: abs(key.transpose.semitones - whole.transpose.semitones),
    )
    given = Given(row, organ, before.sections[0].pace, [(key.name, key.transpose) for key in keys])
    tried: dict[str, Any] = {}

    def made(change: Change) -> Any:
        verses = (*whole.verses[:index], change.row, *whole.verses[index + 1 :])
        wanted = replace(whole, verses=verses, transpose=change.transpose or whole.transpose)
        if change.says not in tried:
            tried[change.says] = workflow.only_section(laid_out(state, wanted), index)
        return tried[change.says]

    ways = {
        kind: _ways(kind, given, before, made)
        for mark in marks(before, before.sections[0])
        if (kind := _kind(mark)) and _to_mend(mark)
    }
    return {"ways": ways}


def _ways(kind: str, given: Given, before: Any, made: Callable[[Change], Any]) -> list[Plain]:
    """The first changes that mend a kind of fault and bring no worse one."""
    hard = sum(one.weight == "hard" for one in before.findings)
    found: list[Plain] = []
    for change in changes(kind, given):
        after = made(change)
        worse = sum(one.weight == "hard" for one in after.findings) > hard
        told = any(one.kind == kind for one in after.findings)
        if not told and not worse and not _laid(after.sections[0], change.row, after.findings):
            found.append(_way(change, given.row))
            if len(found) == MOST_WAYS:
                break
    return found


def _way(change: Change, row: VersePlan) -> Plain:
    """A change as its button sends it."""
    if change.transpose is not None:
        key = f"{change.transpose.steps},{change.transpose.semitones}"
        return {"says": change.says, "to": "key", "fields": {"transpose": key}}
    old, new = _row(row), _row(change.row)
    return {"says": change.says, "to": "row", "fields": {name: new[name] for name in new if new[name] != old[name]}}


def _kind(mark: Any) -> str:
    return str(mark.found[0].kind) if mark.found else ""


def _to_mend(mark: Any) -> bool:
    """Whether a change of the plan may help: against every fault, and where a remedy is named."""
    return _heaviest(mark) != "note" or any(one.remedy for one in mark.found)


ELSEWHERE = {
    "unknown-symbol": "hymn", "harmony-proposed": "hymn", "mode-left": "hymn",
    "too-soft": "bench", "tune-buried": "bench", "no-unison": "bench", "pedal-balance": "bench",
    "stops-to-change": "bench", "span": "bench", "notes-in-hand": "bench", "redistributed": "bench",
    "slower-for-room": "bench",
}  # fmt: skip
"""On which other page a kind of finding is mended: the hymn's chords; organ, player and room."""


def _instead(section: Any, row: VersePlan) -> Plain:
    """The fields that plan what is laid out, as far as it is not what she asked for, and what they change."""
    fields, says = {}, []
    if section.texture != row.texture:
        fields["texture"] = section.texture
        says.append(texture_says(section.texture))
    if section.tune != row.tune:
        fields["tune"] = section.tune
        says.append(PLACES[section.tune].says)
    return {"fields": fields, "says": ", ".join(says)}


def _laid(section: Any, row: VersePlan, findings: Any) -> str:
    """What is laid out, where it is not what she asked for; else nothing."""
    told = []
    if section.texture != row.texture:
        told.append(texture_says(section.texture))
    elif any(one.kind == "slower-for-room" for one in findings):
        told.append("in a slower pattern")
    if section.tune != row.tune:
        told.append(PLACES[section.tune].says)
    for hand, asked, laid in (("r.h.", row.right, section.right), ("l.h.", row.left, section.left)):
        if asked and asked != laid:
            told.append(f"{hand} on {laid}")
    return ", ".join(told)
