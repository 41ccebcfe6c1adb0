"""Her corrections: anchored in the tune, written relative to the tonic, never lost.

The musical problem: she changes a chord in bar 7; next year the hymn is read again from another
edition, with an inserted bar, another pickup, its repeat written out, or a tone lower. The change
belongs to a place in the tune, not to a number. So each edit keeps its bar, beat and time through,
and a witness: the tune's scale degrees there and at the next two notes. Read again: same place and
witness, it applies; the same witness elsewhere, it moves and says so; else it sleeps and is listed.

Conventions: values are written in C (relative to the tonic); degrees are 1 to 7 by letter from the
tonic; `onset` along the page in quarter notes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.harmony.analysis import analyse
from undersong.harmony.chords import Fixed
from undersong.harmony.numerals import numeral
from undersong.model.chord import Chord
from undersong.model.edits import Edit, Edits
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.hymn import Hymn
from undersong.model.pitch import STEPS, Interval, Key, PitchName
from undersong.model.symbol import parse_symbol, symbol
from undersong.model.tune import Note, Tune, show_beat

BEAT = r"\d{1,4}(?:/0*[1-9]\d{0,3})?"
SETTING = re.compile(rf"(?P<bar>[^.=]+)\.(?P<beat>{BEAT})(?:p(?P<times>\d+))?=(?P<chord>.+)")
C = PitchName("C")


@dataclass(frozen=True, slots=True)
class PlacedEdit:
    """An edit where it applies now; `moved` says from where, if it is not where it was made."""

    edit: Edit
    onset: Fraction
    times: int
    chord: Chord
    moved: str = ""


@dataclass(frozen=True, slots=True)
class Sorted:
    """All edits of a kind: those that apply, and those that sleep because their place is gone."""

    placed: tuple[PlacedEdit, ...]
    dormant: tuple[Edit, ...]


def parse_setting(text: str) -> tuple[str, Fraction, int, Chord]:
    """Read `7.3=Am/C` (bar 7, beat 3) or `7.3p2=Am` (second time through); ValueError with a hint otherwise."""
    found = SETTING.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is not of the form BAR.BEAT=CHORD, as in 7.3=Am/C or 7.5/2=G7")
    return found["bar"].strip(), Fraction(found["beat"]), int(found["times"] or 0), parse_symbol(found["chord"].strip())


def chord_edit(tune: Tune, key: Key, bar: str, beat: Fraction, times: int, chord: Chord) -> Edit:
    """An edit that sets a chord from a place on; ValueError if the tune has no such bar or beat."""
    onset = onset_of(tune, bar, beat)
    home = from_tonic(key.tonic, C)
    return Edit("chord", bar, str(beat), times, symbol(chord.transposed(home)), witness(tune, key, onset))


def onset_of(tune: Tune, bar: str, beat: Fraction) -> Fraction:
    """The place of a bar's beat along the page; ValueError naming what there is."""
    numbered = [one for one in tune.bars if one.number == bar]
    if not numbered:
        raise ValueError(f"there is no bar {bar}; the bars are {tune.bars[0].number} to {tune.bars[-1].number}")
    for one in numbered:
        onset = one.onset + (beat - one.beat_of(one.onset)) * one.time.beat
        if one.onset <= onset < one.end:
            return onset
    last = numbered[-1]
    first, end = show_beat(last.beat_of(last.onset)), show_beat(last.beat_of(last.end))
    raise ValueError(f"bar {bar} has no beat {show_beat(beat)}; it goes from beat {first} to before {end}")


def witness(tune: Tune, key: Key, onset: Fraction) -> tuple[int, ...]:
    """Scale degrees of the tune note that sounds at a place and of the next two (fewer at the end)."""
    notes = _struck(tune)
    at = _sounding(notes, onset)
    return tuple(_degree(note, key) for note in notes[at : at + 3]) if at is not None else ()


def _struck(tune: Tune) -> list[Note]:
    """The tune's notes as struck: ties merged, grace notes left out."""
    found: list[Note] = []
    for note in tune.tune_voice.notes:
        if note.grace:
            continue
        if found and found[-1].tied and found[-1].end == note.onset and found[-1].pitch == note.pitch:
            found[-1] = replace(found[-1], length=found[-1].length + note.length, tied=note.tied)
        else:
            found.append(note)
    return found


def _sounding(notes: list[Note], onset: Fraction) -> int | None:
    """Index of the note that sounds at a place, or of the next one after a rest."""
    return next((index for index, note in enumerate(notes) if note.end > onset), None)


def _degree(note: Note, key: Key) -> int:
    return (STEPS.index(note.pitch.step) - STEPS.index(key.tonic.step)) % 7 + 1


def from_tonic(tonic: PitchName, other: PitchName) -> Interval:
    """The interval upwards from one tonic to another."""
    steps = (STEPS.index(other.step) - STEPS.index(tonic.step)) % 7
    return Interval(steps, (other.pitch_class - tonic.pitch_class) % 12)


def sort_edits(tune: Tune, key: Key, edits: Edits) -> Sorted:
    """Find the place of every chord edit in the tune as it is read now."""
    placed: list[PlacedEdit] = []
    dormant: list[Edit] = []
    for edit in edits.edits:
        if edit.kind != "chord":
            continue
        found = _place(tune, key, edit)
        if found is None:
            dormant.append(replace(edit, dormant=True))
        else:
            placed.append(found)
    return Sorted(tuple(sorted(placed, key=lambda one: (one.onset, one.times))), tuple(dormant))


def _place(tune: Tune, key: Key, edit: Edit) -> PlacedEdit | None:
    chord = parse_symbol(edit.value).transposed(from_tonic(C, key.tonic))
    times_there = {passage.times for passage in tune.route} or {1}
    try:
        onset: Fraction | None = onset_of(tune, edit.bar, Fraction(edit.beat))
    except ValueError:
        onset = None
    here = onset is not None and witness(tune, key, onset) == edit.witness
    if here and onset is not None and (edit.times in (0, 1) or edit.times in times_there):
        return PlacedEdit(edit, onset, edit.times, chord)
    candidates = _likely(tune, key, edit)
    if not candidates:
        return None
    if edit.times > 1 and edit.times not in times_there:
        # The repeat was written out: its second time is the second place that has this witness.
        chosen = candidates[min(edit.times, len(candidates)) - 1]
    else:
        goal = onset if onset is not None else _guess(tune, edit)
        chosen = min(candidates, key=lambda one: (abs(one - goal), one))
    times = edit.times if edit.times in times_there else 0
    if chosen == onset and times == edit.times:
        return PlacedEdit(edit, chosen, times, chord)
    return PlacedEdit(edit, chosen, times, chord, moved=f"bar {edit.bar}, beat {show_beat(Fraction(edit.beat))}")


def _guess(tune: Tune, edit: Edit) -> Fraction:
    """About where a bar would be that is not there any more."""
    digits = re.match(r"\d+", edit.bar)
    index = min(int(digits[0]), len(tune.bars) - 1) if digits else 0
    return tune.bars[index].onset


def _likely(tune: Tune, key: Key, edit: Edit) -> list[Fraction]:
    """Every place on the edit's beat, or else on any beat, whose witness is the edit's."""
    if not edit.witness:
        return []
    notes = _struck(tune)
    beat = Fraction(edit.beat)
    exact, others = [], []
    for index in range(len(notes)):
        if tuple(_degree(note, key) for note in notes[index : index + 3]) != edit.witness:
            continue
        note = notes[index]
        bars = [one for one in tune.bars if one.onset < note.end and one.end > note.onset]
        for one in bars:
            onset = one.onset + (beat - one.beat_of(one.onset)) * one.time.beat
            if max(one.onset, note.onset) <= onset < min(one.end, note.end):
                exact.append(onset)
        others.append(note.onset)
    return exact or others


def merged(edits: Edits, fresh: Edit) -> Edits:
    """The edits with one more; it takes the place of an earlier one at the same bar, beat and time through."""
    kept = tuple(
        one
        for one in edits.edits
        if (one.kind, one.bar, one.beat, one.times) != (fresh.kind, fresh.bar, fresh.beat, fresh.times)
    )
    return Edits((*kept, fresh))


def corrected(hymn: Hymn, edits: Edits) -> tuple[Harmony, Sorted]:
    """The harmony of a hymn with her chords in it, those around them decided anew; and what became of the edits."""
    harmony = analyse(hymn)
    found = sort_edits(hymn.tune, harmony.key, edits)
    if not found.placed:
        return harmony, found
    passes = {passage.times for passage in hymn.tune.route} or {1}
    always = [one for one in found.placed if one.times == 0 or passes == {one.times}]
    if hymn.tune.symbols:
        always = []  # printed neighbours stand as they are printed
    if always:
        harmony = analyse(hymn, [Fixed(one.onset, _end_of(harmony, one.onset), one.chord) for one in always])
    some = tuple(one for one in found.placed if one not in always)
    harmony = overlay(harmony, some, hymn.tune)
    spans = tuple(replace(span, confidence=None) if span.origin == "edited" else span for span in harmony.spans)
    return replace(harmony, spans=spans), found


def _end_of(harmony: Harmony, onset: Fraction) -> Fraction:
    """A chord lasts to where the harmony would change next."""
    return min(span.end for span in harmony.spans if span.end > onset)


def overlay(harmony: Harmony, placed: tuple[PlacedEdit, ...], tune: Tune) -> Harmony:
    """The harmony with her chords in it: each lasts from its place to the next chord."""
    spans = list(harmony.spans)
    times = tuple(sorted({passage.times for passage in tune.route})) or (1,)
    for one in placed:
        spans = [piece for span in spans for piece in _cut(span, one, times)]
    return replace(harmony, spans=tuple(spans))


def _cut(span: ChordSpan, one: PlacedEdit, times: tuple[int, ...]) -> list[ChordSpan]:
    """A span as it is, or cut in two where an edit begins inside it."""
    serves = not span.passes or one.times == 0 or one.times in span.passes
    every = one.times == 0 or times == (one.times,)
    if not (span.onset <= one.onset < span.end and serves):
        return [span]
    passes = span.passes if every else (one.times,)
    hers = replace(
        span, onset=one.onset, length=span.end - one.onset, chord=one.chord, numeral=numeral(one.chord, span.key),
        confidence=None, origin="edited", passes=passes,
    )  # fmt: skip
    pieces = [hers]
    if one.onset > span.onset:
        pieces.insert(0, replace(span, length=one.onset - span.onset))
    others = tuple(time for time in span.passes or times if time != one.times)
    if not every and others:
        pieces.append(replace(span, onset=one.onset, length=span.end - one.onset, passes=others))
    return pieces
