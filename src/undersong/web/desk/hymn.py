"""In the child: the hymn's own page and its chords."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from undersong import workflow
from undersong.errors import UnknownName
from undersong.harmony.report import harmony_json
from undersong.library.amending import place_of
from undersong.model.codec import decode, encode
from undersong.model.edits import Edits
from undersong.model.pitch import Interval, key_words
from undersong.model.symbol import parse_symbol, symbol
from undersong.model.tune import show_beat
from undersong.reading.report import read_json
from undersong.web.desk.held import Plain, heard_of, hymn_of, serving, wished_plan
from undersong.writing.hymnfile import note_id


def page(state: Plain) -> Plain:
    """The hymn's own page: music to engrave, chords in order, non-chord notes, keys it can be played in."""
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
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
    facts = read_json(hymn, key_words(harmony.key, harmony.mode), harmony.mode)
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
        "key": key_words(harmony.key, harmony.mode),
        "remarks": heard.remarks(),
        "keys": [
            {"name": one.name, "low": str(one.low), "high": str(one.high), "suits": one.suits, "printed": one.printed,
             "steps": one.transpose.steps, "semitones": one.transpose.semitones}
            for one in workflow.possible_keys(hymn, harmony)
        ],
        "transpose": encode(wished_plan(state, hymn, heard).transpose),
        "hers": [
            {"bar": one.bar, "beat": one.beat, "times": one.times} for one in decode(Edits, state["edits"]).edits
        ],
    }  # fmt: skip


def _place(bar: str, beat: str) -> str:
    return f"bar {bar}, beat {show_beat(Fraction(beat))}"


def chord(request: Plain) -> Plain:
    """Her chord at a place as an edit, the key it was written in, and how the page spells it."""
    edit, key = workflow.one_chord(
        hymn_of(request["state"]), request["bar"], request["beat"], request["times"], request["chord"]
    )
    return {"edit": encode(edit), "key": str(key), "symbol": symbol(parse_symbol(request["chord"]))}


def in_key(request: Plain) -> Plain:
    """The plan in another key, given as a spelled interval."""
    state = request["state"]
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    wanted = decode(Interval, request["transpose"])
    key = next((one for one in workflow.possible_keys(hymn, heard.harmony) if one.transpose == wanted), None)
    if key is None:
        raise UnknownName("that key is too far away", remedy="Choose one from the list.")
    plan = workflow.play_it_in(wished_plan(state, hymn, heard), key)
    return {"plan": encode(plan if state.get("plan") else serving(state, plan)), "name": key.name}
