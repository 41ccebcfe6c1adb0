"""In the child: the plan sheet and the verses it lays out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from undersong import workflow
from undersong.model.codec import encode
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.web.desk.held import Plain, bench_of, heard_of, hymn_of, laid_out, plan_of
from undersong.writing.booklet import heading, key_words, marks, marks_at_notes
from undersong.writing.exchange import exchange_file


def plan(state: Plain) -> Plain:
    """The plan as it stands, with what each row may choose from."""
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    now = plan_of(state, hymn, heard)
    organ = bench_of(state).organ
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
    hymn = hymn_of(state)
    whole = laid_out(state, plan_of(state, hymn, heard_of(state, hymn)))
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
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    whole = plan_of(state, hymn, heard)
    row = whole.verses[index]
    ways = [(row.texture, one.name) for one in PLACES.values()] + [(texture, row.tune) for texture in TEXTURES]
    found, seen = [], set()
    for texture, place in ways:
        other = replace(row, texture=texture, tune=place, pattern=row.pattern if texture == row.texture else "")
        if other == row:
            continue
        tried = replace(whole, verses=(*whole.verses[:index], other, *whole.verses[index + 1 :]))
        made = workflow.only_section(laid_out(state, tried), index)
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
