"""The bass of a verse: the printed one, or one made from chord symbols by R11.

From symbols it is the root, or the note after the slash; a third where tune and root would move in
parallel by step; octave or fifth once where a chord stands for two bars. Lines begin and end on the
root, closes go by fourth or fifth, no six-four by choice, no sevenths, inside E2 to C4.

References: common practice, no source; prices from a trial on 150 folk tunes with symbols.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.walked import Piece, WalkedVerse
from undersong.model.pitch import Pitch, PitchName
from undersong.textures.ground import WalkedChord, sounding
from undersong.textures.patterns import grid
from undersong.textures.units import bar_at, unit_places

LOWEST, HIGHEST = 40, 60
THIRD, SIX_FOUR, NOT_ROOT_AT_EDGE, CLOSE = 6.0, 300.0, 120.0, 40.0
OCTAVES_BY_STEP, OCTAVES_SAME_WAY, OCTAVES_CONTRARY, OCTAVES_PRINTED = 90.0, 70.0, 25.0, 8.0
OCTAVES_AT_CLOSE = 6.0
AWKWARD = {6: 12.0, 10: 60.0, 11: 60.0}
"""Tritone and sevenths are hard to hear as a bass."""
LAST_HEIGHT = 0.8
"""The last bass note lies low: a semitone above C3 costs so much."""
TWO_LEAPS, WIDE_LEAP, THIRD_TWICE, MOTION, HEIGHT = 25.0, 40.0, 20.0, 0.35, 0.12


@dataclass(frozen=True, slots=True)
class _Slot:
    start: Fraction
    end: Fraction
    chord: WalkedChord
    names: tuple[tuple[PitchName, float], ...]
    tune_first: int
    tune_last: int
    tune_group: int
    """What is sung as the last group of a figure begins over it."""
    line_start: bool
    line_end: bool
    last: bool = False


def printed_bass(verse: WalkedVerse) -> tuple[Piece, ...]:
    """The printed bass, or () where none is printed."""
    return verse.voice("bass")


def bass_from_chords(verse: WalkedVerse, lowest: int, highest: int) -> tuple[Piece, ...]:
    """A bass under the chords, within the keys of the pedal (MIDI numbers)."""
    slots = _slots(verse)
    if not slots:
        return ()
    low, high = max(LOWEST, lowest), min(HIGHEST, highest)
    options = [_options(slot, low, high) for slot in slots]
    path = _best(slots, options)
    return _pieces(verse, slots, path)


def _slots(verse: WalkedVerse) -> list[_Slot]:
    tune = verse.sounded_tune
    line_starts = {line.start for line in verse.lines}
    line_ends = {line.end for line in verse.lines}
    pickup_end = verse.bars[0].end if verse.bars[0].pickup else Fraction(0)
    slots: list[_Slot] = []
    for one in verse.chords:
        if one.chord.root is None:
            continue
        edges = {max(one.start, pickup_end), one.end}
        edges |= {start for start in line_starts if one.start < start < one.end}
        crossed = {hemiola.crossed for hemiola in verse.hemiolas}
        halves = {place for hemiola in verse.hemiolas for place in hemiola.places}
        edges |= {bar.start for bar in verse.bars if one.start < bar.start < one.end} - crossed
        edges |= {place for place in halves if one.start < place < one.end}
        places = sorted(edge for edge in edges if one.start <= edge <= one.end and edge >= pickup_end)
        for start, end in pairwise(places):
            notes = sounding(tune, start, end)
            slots.append(
                _Slot(
                    start, end, one, _names(one, first=start == places[0]),
                    notes[0].midi if notes else -1, notes[-1].midi if notes else -1, _at_last_group(verse, start, end),
                    start in line_starts or not slots, end in line_ends,
                )
            )  # fmt: skip
    downbeats = _first_downbeats(verse)
    return [
        replace(slot, line_start=slot.line_start or slot.start in downbeats, last=index == len(slots) - 1)
        for index, slot in enumerate(slots)
    ]


def _at_last_group(verse: WalkedVerse, start: Fraction, end: Fraction) -> int:
    """The tune's key where the last group of a figure over [start, end) begins; -1 in a rest."""
    bar = bar_at(verse.bars, end - Fraction(1, 96))
    places = [place for place in unit_places(bar, grid(bar.time).groups) if start < place < end]
    place = places[-1] if places else max(start, bar.start)
    notes = sounding(verse.sounded_tune, place, place + Fraction(1, 96))
    return notes[0].midi if notes else -1


def _first_downbeats(verse: WalkedVerse) -> set[Fraction]:
    """The first bar line in each line after a pickup of half a bar at most: where it really sets out."""
    found: set[Fraction] = set()
    for line in verse.lines:
        inside = [bar for bar in verse.bars if line.start <= bar.start < line.end]
        found.update(bar.start for bar in inside[:1] if bar.start - line.start <= bar.length / 2)
    return found


def _names(one: WalkedChord, *, first: bool) -> tuple[tuple[PitchName, float], ...]:
    chord = one.chord
    assert chord.root is not None
    if chord.bass is not None:
        return ((chord.bass, 0.0),)
    names = [(chord.root, 0.0)]
    if chord.third is not None and chord.kind not in ("power", "pedal"):
        leading = chord.third.name.pitch_class == one.key.leading_note.pitch_class
        names.append((chord.third.name, THIRD + (6.0 if leading else 0.0)))
    if not first and chord.fifth is not None:
        # Inside a long chord the fifth may answer the root once; never where the chord arrives.
        names.append((chord.fifth.name, 4.0))
    return tuple(names)


def _options(slot: _Slot, low: int, high: int) -> list[tuple[Pitch, float]]:
    found = []
    root = slot.chord.chord.root
    for name, cost in slot.names:
        price = cost
        if (slot.line_start or slot.line_end) and slot.chord.chord.bass is None and name != root:
            price += NOT_ROOT_AT_EDGE
        if name != root and slot.tune_first % 12 == name.pitch_class:
            price += THIRD_TWICE
        for octave in range(1, 6):
            pitch = Pitch(name.step, name.alter, octave)
            if low <= pitch.midi <= high:
                height = HEIGHT * max(0, pitch.midi - 50) + HEIGHT * max(0, 43 - pitch.midi)
                if slot.last:
                    height += LAST_HEIGHT * max(0, pitch.midi - 48)
                found.append((pitch, price + height))
    if not found:
        assert root is not None
        name = slot.chord.chord.bass or root
        inside = [p for octave in range(9) if low <= (p := Pitch(name.step, name.alter, octave)).midi <= high + 12]
        found = [(inside[0] if inside else Pitch(name.step, name.alter, 2), 0.0)]
    return found


def _step_cost(first: _Slot, a: Pitch, second: _Slot, b: Pitch) -> float:
    leap = b.midi - a.midi
    cost = MOTION * abs(leap) + (WIDE_LEAP if abs(leap) > 12 else 0.0) + AWKWARD.get(abs(leap), 0.0)
    if a.midi == b.midi and first.chord is not second.chord and a.name == b.name and second.chord.chord.bass is None:
        cost += 2.0
    if leap and not second.line_start:
        printed = first.chord.chord.bass is not None or second.chord.chord.bass is not None
        cost += max(
            _parallel(tune, second.tune_first, a.midi, b.midi, printed=printed, close=second.line_end)
            for tune in (first.tune_last, first.tune_group)
        )
    if second.line_end and second.chord is not first.chord:
        dominant = (second.chord.chord.lowest, first.chord.chord.root)
        falls = dominant[0] is not None and dominant[1] is not None
        if falls and (dominant[1].pitch_class - dominant[0].pitch_class) % 12 == 7 and abs(leap) not in (5, 7):  # type: ignore[union-attr]
            cost += CLOSE
    return cost


def _parallel(tune: int, tune_after: int, bass: int, bass_after: int, *, printed: bool, close: bool) -> float:
    """What octaves or fifths of tune and bass cost; a slash bass is printed: what it implies is the print's."""
    size = (tune - bass) % 12
    if min(tune, tune_after) < 0 or tune == tune_after or size not in (0, 7) or (tune_after - bass_after) % 12 != size:
        return 0.0
    leap = bass_after - bass
    if leap * (tune_after - tune) < 0:
        return OCTAVES_AT_CLOSE if close else OCTAVES_CONTRARY
    if abs(leap) <= 2:
        return OCTAVES_PRINTED if printed else OCTAVES_BY_STEP
    return OCTAVES_SAME_WAY


def _best(slots: list[_Slot], options: list[list[tuple[Pitch, float]]]) -> list[Pitch]:
    """Viterbi over pairs of successive notes, so that two leaps the same way can be priced."""
    table: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {
        (-1, at): (cost + (HEIGHT * max(0, pitch.midi - 48)), (at,)) for at, (pitch, cost) in enumerate(options[0])
    }
    for index in range(1, len(slots)):
        fresh: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
        for (before, last), (total, path) in table.items():
            a = options[index - 1][last][0]
            for at, (b, cost) in enumerate(options[index]):
                price = total + cost + _step_cost(slots[index - 1], a, slots[index], b)
                if before >= 0:
                    earlier = options[index - 2][before][0]
                    one, two = a.midi - earlier.midi, b.midi - a.midi
                    if one * two > 0 and abs(one) > 2 and abs(two) > 2 and abs(one + two) > 12:
                        price += TWO_LEAPS
                key = (last, at)
                if key not in fresh or price < fresh[key][0]:
                    fresh[key] = (price, (*path, at))
        table = fresh
    path = min(table.values(), key=lambda one: (one[0], one[1]))[1]
    return [options[index][at][0] for index, at in enumerate(path)]


def _pieces(verse: WalkedVerse, slots: list[_Slot], path: list[Pitch]) -> tuple[Piece, ...]:
    """Notes cut at bar lines; a bass common to chords over a slash is one held key (R12)."""
    pieces: list[Piece] = []
    for index, (slot, pitch) in enumerate(zip(slots, path, strict=True)):
        before = slots[index - 1] if index else None
        held = (
            before is not None
            and before.end == slot.start
            and path[index - 1].midi == pitch.midi
            and before.chord is not slot.chord
            and (before.chord.chord.bass is not None or slot.chord.chord.bass is not None)
            and not slot.line_start
        )
        start = slot.start
        first = True
        while start < slot.end:
            bar = bar_at(verse.bars, start)
            end = min(slot.end, bar.end)
            tied_from = held if first else True
            if tied_from and pieces and start > bar.start and pieces[-1].end == start:
                last = pieces[-1]  # one held key in one bar is one note
                pieces[-1] = replace(last, length=last.length + end - start)
                start, first = end, False
                continue
            if tied_from and pieces:
                last = pieces[-1]
                pieces[-1] = Piece(last.start, last.length, last.pitch, last.tied_from, tied_to=True)
            pieces.append(Piece(start, end - start, pitch, tied_from=tied_from and bool(pieces)))
            start, first = end, False
    return tuple(pieces)
