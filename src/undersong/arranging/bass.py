"""The bass of a verse: the printed one, or one made from chord symbols by R11.

From symbols it is the root, or the note after the slash; the third where tune and root would move in
octaves or fifths, on the chord's last beat if its beginning needs the root; octave or fifth once where a
chord stands for two bars. Lines begin (after a pickup) and end on the root, closes go by fourth or fifth,
no six-four by choice, no sevenths, inside E2 to C4.

References: common practice, no source; prices from a trial on 150 folk tunes with symbols.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

from undersong.arranging.walked import Piece, WalkedVerse
from undersong.model.kept import kept
from undersong.model.pitch import Pitch, PitchName
from undersong.textures.ground import WalkedChord, interval_too_low, sounding
from undersong.textures.patterns import grid
from undersong.textures.units import bar_at, leading_notes, unit_places

LOWEST, HIGHEST = 40, 60
LOWEST_UNDER_TENOR = 36
"""Under a tune in the tenor the bass may go to the lowest key of a pedal, to keep clear of it."""
TOO_CLOSE = 60.0
"""A low tune that is closer over the bass than so low a place allows, or under it: as dear as octaves by leap."""
IN_REACH, OUT_OF_REACH = 14, 40.0
"""Semitones that a hand reaches (a ninth), and what it costs that no hand reaches a chord's third."""
HANDS_BETWEEN, NO_ROOM = 8, 60.0
"""Semitones that the hands want between bass and tune (two tones of a chord), and the price of less."""
THIRD, NOT_ROOT_AT_EDGE, CLOSE = 6.0, 120.0, 55.0
"""A third is cheap, any fault of two voices dearer; the root at a line's edge is dearer than all of them."""
NOT_ROOT_IN_PICKUP = 10.0
"""The line sets out at the bar line; before it the third leads there, where the root would run with the tune."""
THIRD_ON_LAST_BEAT = 14.0
"""Root, then third before the change: dearer than the third alone, which keeps the bass still."""
OCTAVES_BY_STEP, OCTAVES_SAME_WAY, OCTAVES_CONTRARY, OCTAVES_PRINTED = 90.0, 70.0, 45.0, 8.0
FROM_GROUP = 0.5
"""Octaves or fifths from beat to beat with notes of the tune between are heard, but less."""
CLOSE_ON_FIFTH = 20.0
"""A tune that closes on the fifth would go in fifths with a bass that falls to the root."""
OCTAVES_AT_CLOSE = 6.0
"""5-1 over 5-1 in contrary motion is how folk tunes close: heard as the close, not as a fault."""
LEADING_TWICE = 150.0
"""R1: a leading note that the tune sings is none for the feet."""
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
    tune_tones: frozenset[int]
    """Pitch classes that the tune sings while the chord lasts."""
    tune_group: int
    """What is sung as the last group of a figure begins over it."""
    tune_keys: frozenset[int]
    """The keys of the tune where it sounds."""
    line_start: bool
    line_end: bool
    last: bool = False
    pickup: bool = False
    """It begins a line before its first bar line."""
    closes: bool = False
    """Its chord is the last of a line, which ends with another slot."""
    reach: int = 0
    """Semitones from bass or tune within which a hand is to find the third (0: hands are free)."""
    room: int = 0
    """Semitones that are wanted between bass and tune."""
    last_beat: Fraction | None = None
    """Where the third may follow the root; None where the chord is short, ends a line, or the tune goes along."""


@dataclass(frozen=True, slots=True)
class _Choice:
    """What the bass may do under a slot: one key, or another on the last beat."""

    pitch: Pitch
    cost: float
    then: Pitch | None = None

    @property
    def leaves(self) -> Pitch:
        """The key from which it goes on."""
        return self.then or self.pitch


_Trail = tuple[int, Any]
"""The choice for a slot, and the trail before it (None: the first slot)."""
_Way = tuple[float, int, _Trail]


def printed_bass(verse: WalkedVerse) -> tuple[Piece, ...]:
    """The printed bass, or () where none is printed."""
    return verse.voice("bass")


@kept(16)
def bass_from_chords(
    verse: WalkedVerse, lowest: int, highest: int, sounds: int = 0, *, between: bool = False, hands_alone: bool = False
) -> tuple[Piece, ...]:
    """A bass under the chords, within the keys of the pedal (MIDI numbers), the tune sounding so many octaves up.

    `between`: whether what the hands play lies between it and the tune; `hands_alone`: whether a hand that has
    it or the tune must find the third besides.
    """
    slots = [
        replace(slot, room=HANDS_BETWEEN * between, reach=IN_REACH * hands_alone) for slot in _slots(verse, sounds)
    ]
    if not slots:
        return ()
    low, high = max(LOWEST if sounds >= 0 else LOWEST_UNDER_TENOR, lowest), min(HIGHEST, highest)
    options = [_options(slot, low, high) for slot in slots]
    path = _best(slots, options)
    return _pieces(verse, slots, path)


def _slots(verse: WalkedVerse, sounds: int) -> list[_Slot]:
    tune = verse.sounded_tune
    line_starts = {line.start for line in verse.lines}
    line_ends = {line.end for line in verse.lines}
    pickup_end = verse.bars[0].end if verse.bars[0].pickup else Fraction(0)
    halves = {place for hemiola in verse.hemiolas for place in hemiola.places}
    crossed = {hemiola.crossed for hemiola in verse.hemiolas}
    slots: list[_Slot] = []
    for one in verse.chords:
        if one.chord.root is None:
            continue
        edges = {max(one.start, pickup_end), one.end}
        edges |= {start for start in line_starts if one.start < start < one.end}
        edges |= {bar.start for bar in verse.bars if one.start < bar.start < one.end and not bar.pickup} - crossed
        edges |= {place for place in halves if one.start < place < one.end}
        tones = frozenset(note.midi % 12 for note in sounding(tune, one.start, one.end))
        places = sorted(edge for edge in edges if one.start <= edge <= one.end and edge >= pickup_end)
        for start, end in pairwise(places):
            notes = sounding(tune, start, end)
            slots.append(
                _Slot(
                    start, end, one, _names(one, first=start == places[0]),
                    notes[0].midi if notes else -1, notes[-1].midi if notes else -1, tones,
                    _at_last_group(verse, start, end), frozenset(note.midi + 12 * sounds for note in notes),
                    start in line_starts or not slots, end in line_ends,
                )
            )  # fmt: skip
    downbeats = _first_downbeats(verse)
    return [
        replace(
            slot,
            line_start=slot.line_start or slot.start in downbeats,
            last=index == len(slots) - 1,
            closes=not slot.line_end and any(one.line_end and one.chord is slot.chord for one in slots[index + 1 :]),
            pickup=slot.line_start and any(slot.start < place <= slot.end for place in downbeats),
            last_beat=None if slot.line_end or slot.start in halves else _last_beat(verse, slot),
        )
        for index, slot in enumerate(slots)
    ]


def _last_beat(verse: WalkedVerse, slot: _Slot) -> Fraction | None:
    """The last beat of a slot, where the third may follow the root without running along with the tune."""
    chord = slot.chord.chord
    if chord.bass is not None or chord.root is None or not _has_third(slot.chord):
        return None
    at = bisect_left(verse.beats, slot.end) - 1
    if at < 0 or verse.beats[at] <= slot.start:
        return None
    before = sounding(verse.sounded_tune, slot.start, verse.beats[at])
    after = sounding(verse.sounded_tune, verse.beats[at], slot.end)
    if not before or not after:
        return verse.beats[at]
    assert chord.third is not None
    sizes = {(before[-1].midi - chord.root.pitch_class) % 12, (after[0].midi - chord.third.name.pitch_class) % 12}
    if before[-1:] != after[:1] and sizes in ({0}, {7}):
        return None
    return verse.beats[at]


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


def _has_third(one: WalkedChord) -> bool:
    return one.chord.third is not None and one.chord.kind not in ("power", "pedal")


def _names(one: WalkedChord, *, first: bool) -> tuple[tuple[PitchName, float], ...]:
    chord = one.chord
    assert chord.root is not None
    if chord.bass is not None:
        return ((chord.bass, 0.0),)
    names = [(chord.root, 0.0)]
    if _has_third(one):
        assert chord.third is not None
        leading = chord.third.name.pitch_class == one.key.leading_note.pitch_class
        names.append((chord.third.name, THIRD + (6.0 if leading else 0.0)))
    if not first and chord.fifth is not None:
        # Inside a long chord the fifth may answer the root once; never where the chord arrives.
        names.append((chord.fifth.name, 4.0))
    return tuple(names)


def _options(slot: _Slot, low: int, high: int) -> list[_Choice]:
    found: list[_Choice] = []
    chord = slot.chord.chord
    root = chord.root
    assert root is not None
    for name, cost in slot.names:
        price = cost
        if (slot.line_start or slot.line_end) and chord.bass is None and name != root:
            leads = slot.pickup and chord.third is not None and name == chord.third.name
            price += NOT_ROOT_IN_PICKUP if leads else NOT_ROOT_AT_EDGE
        if slot.closes and chord.bass is None and chord.third is not None and name == chord.third.name:
            price += NOT_ROOT_AT_EDGE
        if name != root and slot.tune_first % 12 == name.pitch_class:
            price += THIRD_TWICE
        if name != root and name.pitch_class in slot.tune_tones & leading_notes(slot.chord):
            price += LEADING_TWICE
        found += [_Choice(pitch, price + _height(slot, pitch)) for pitch in _keys_of(name, low, high)]
    if slot.last_beat is not None and chord.third is not None:
        third = chord.third.name
        price = THIRD_ON_LAST_BEAT + (THIRD_TWICE if slot.tune_last % 12 == third.pitch_class else 0.0)
        if third.pitch_class in slot.tune_tones & leading_notes(slot.chord):
            price += LEADING_TWICE
        for choice in tuple(found):
            then = next(iter(_keys_of(third, choice.pitch.midi + 1, min(high, choice.pitch.midi + 4))), None)
            if choice.pitch.name == root and then is not None:
                found.append(replace(choice, cost=choice.cost + price, then=then))
    if not found:
        name = chord.bass or root
        inside = [p for octave in range(9) if low <= (p := Pitch(name.step, name.alter, octave)).midi <= high + 12]
        found = [_Choice(inside[0] if inside else Pitch(name.step, name.alter, 2), 0.0)]
    return found


def _keys_of(name: PitchName, low: int, high: int) -> list[Pitch]:
    """The keys of a name within these."""
    every = (Pitch(name.step, name.alter, octave) for octave in range(1, 6))
    return [pitch for pitch in every if low <= pitch.midi <= high]


def _height(slot: _Slot, pitch: Pitch) -> float:
    cost = HEIGHT * max(0, pitch.midi - 50) + HEIGHT * max(0, 43 - pitch.midi)
    cost += TOO_CLOSE * any(too_close(key, pitch.midi) for key in slot.tune_keys)
    cost += NO_ROOM * any(key - pitch.midi < slot.room for key in slot.tune_keys)
    cost += OUT_OF_REACH * (slot.reach > 0 and not _third_in_reach(slot, pitch.midi))
    return cost + LAST_HEIGHT * max(0, pitch.midi - 48) if slot.last else cost


def _third_in_reach(slot: _Slot, bass: int) -> bool:
    """Whether the third sounds in tune or bass, or one hand finds it beside what it has."""
    third = slot.chord.chord.third
    if third is None or not slot.tune_keys:
        return True
    name, top = third.name.pitch_class, max(slot.tune_keys)
    if name in {key % 12 for key in (*slot.tune_keys, bass)}:
        return True
    return any(
        key % 12 == name and min(key - bass, top - key) <= slot.reach and not interval_too_low(bass, key)
        for key in range(bass + 1, min(slot.tune_keys))
    )


def too_close(tune: int, bass: int) -> bool:
    """Whether a tune lies under its bass, or closer over it than so low a place allows."""
    return tune < bass or interval_too_low(bass, tune)


def _step_cost(first: _Slot, before: _Choice, second: _Slot, b: Pitch) -> float:
    a = before.leaves
    leap = b.midi - a.midi
    cost = MOTION * abs(leap) + (WIDE_LEAP if abs(leap) > 12 else 0.0) + AWKWARD.get(abs(leap), 0.0)
    if a.midi == b.midi and first.chord is not second.chord and a.name == b.name and second.chord.chord.bass is None:
        cost += 2.0
    if leap and (first.pickup or not second.line_start):
        printed = first.chord.chord.bass is not None or second.chord.chord.bass is not None
        left = ((first.tune_last, 1.0),) if before.then else ((first.tune_last, 1.0), (first.tune_group, FROM_GROUP))
        cost += max(
            part * _parallel(tune, second.tune_first, a.midi, b.midi, printed=printed, close=second.line_end)
            for tune, part in left
        )
    if second.line_end and second.chord is not first.chord and abs(leap) not in (5, 7):
        last, root = second.chord.chord, first.chord.chord.root
        falls = last.lowest is not None and root is not None
        if falls and (root.pitch_class - last.lowest.pitch_class) % 12 == 7:  # type: ignore[union-attr]
            fifth = last.fifth is not None and second.tune_first % 12 == last.fifth.name.pitch_class
            cost += CLOSE_ON_FIFTH if fifth else CLOSE
    return cost


def _parallel(tune: int, tune_after: int, bass: int, bass_after: int, *, printed: bool, close: bool) -> float:
    """What octaves or fifths of tune and bass cost; a slash bass is printed: what it implies is the print's."""
    size = (tune - bass) % 12
    if min(tune, tune_after) < 0 or tune == tune_after or size not in (0, 7) or (tune_after - bass_after) % 12 != size:
        return 0.0
    if printed:
        return OCTAVES_PRINTED
    leap = bass_after - bass
    if leap * (tune_after - tune) < 0:
        return OCTAVES_AT_CLOSE if close and not size else OCTAVES_CONTRARY
    if abs(leap) <= 2:
        return OCTAVES_BY_STEP
    return OCTAVES_SAME_WAY


def _best(slots: list[_Slot], options: list[list[_Choice]]) -> list[_Choice]:
    """Viterbi over pairs of successive notes, so that two leaps the same way can be priced."""
    # For each last note the ways to it by the note before: what they cost, the leap to it, and their trail.
    table: list[list[_Way]] = [
        [(choice.cost + HEIGHT * max(0, choice.pitch.midi - 48), 0, (at, None))] for at, choice in enumerate(options[0])
    ]
    for index in range(1, len(slots)):
        fresh: list[list[_Way]] = [[] for _ in options[index]]
        for one, ways in zip(options[index - 1], table, strict=True):
            key = one.leaves.midi
            for at, other in enumerate(options[index]):
                step, leap = _step_cost(slots[index - 1], one, slots[index], other.pitch), other.pitch.midi - key
                best, best_trail = float("inf"), None
                for total, before, trail in ways:
                    price = total + other.cost + step
                    if before * leap > 0 and abs(before) > 2 and abs(leap) > 2 and abs(before + leap) > 12:
                        price += TWO_LEAPS
                    if price < best:
                        best, best_trail = price, trail
                arrives = other.leaves.midi - other.pitch.midi if other.then else leap
                fresh[at].append((best, arrives, (at, best_trail)))
        table = fresh
    least = min(total for ways in table for total, _, _ in ways)
    path = min(_path(trail) for ways in table for total, _, trail in ways if total == least)
    return [options[index][at] for index, at in enumerate(path)]


def _path(trail: _Trail | None) -> list[int]:
    path = []
    while trail is not None:
        at, trail = trail
        path.append(at)
    return path[::-1]


def _pieces(verse: WalkedVerse, slots: list[_Slot], path: list[_Choice]) -> tuple[Piece, ...]:
    """Notes cut at bar lines; a bass common to chords over a slash is one held key (R12)."""
    pieces: list[Piece] = []
    for index, (slot, choice) in enumerate(zip(slots, path, strict=True)):
        before = slots[index - 1] if index else None
        held = (
            before is not None
            and before.end == slot.start
            and path[index - 1].leaves.midi == choice.pitch.midi
            and before.chord is not slot.chord
            and (before.chord.chord.bass is not None or slot.chord.chord.bass is not None)
            and not slot.line_start
        )
        turn = slot.last_beat if choice.then and slot.last_beat is not None else slot.end
        pieces = _held(verse, pieces, slot.start, turn, choice.pitch, again=not held)
        if choice.then:
            pieces = _held(verse, pieces, turn, slot.end, choice.then, again=True)
    return tuple(pieces)


def _held(
    verse: WalkedVerse, pieces: list[Piece], start: Fraction, stop: Fraction, pitch: Pitch, *, again: bool
) -> list[Piece]:
    """One key from `start` to `stop`, cut at bar lines; not struck `again` it goes on from the last piece."""
    pieces = list(pieces)
    while start < stop:
        bar = bar_at(verse.bars, start)
        end = min(stop, bar.end)
        if not again and pieces and start > bar.start and pieces[-1].end == start:
            last = pieces[-1]  # one held key in one bar is one note
            pieces[-1] = replace(last, length=last.length + end - start)
        else:
            if not again and pieces:
                last = pieces[-1]
                pieces[-1] = Piece(last.start, last.length, last.pitch, last.tied_from, tied_to=True)
            pieces.append(Piece(start, end - start, pitch, tied_from=not again and bool(pieces)))
        start, again = end, False
    return pieces
