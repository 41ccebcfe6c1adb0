"""Lines of text with the music they carry: where one ends and the next begins.

The end of a line is told, from the surest sign to the weakest, by the poetic metre counted along the words, by
fermatas and breath marks, and else by everything a singer hears at once: a longer note, a rest, an upbeat that
comes where the first one came, the parts resting on a chord, a stop in the words, and how long a line has been.
The last are weighed together: the division of the whole stretch with the greatest sum is taken.

Conventions: lines cover the tune from 0 to its end without gaps. A line ends where the next begins, at the onset of
that line's first note, so an upbeat belongs to the line it leads into and a rest to the line it follows. A *pulse*
is the value in which the tune moves, mostly a crotchet; lengths of lines are counted in pulses.

References: the signs after common practice (no source). Their weights are fitted to the fermatas of every second
four-part chorale of the music21 corpus (`sweeps/lines.py --fit`, an averaged perceptron over whole divisions);
what they are worth is measured on the others.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from math import lcm

from undersong.model.text import Syllable, Text
from undersong.model.tune import Line, Tune, walk
from undersong.reading.titles import metre_lines

SHORTEST_BEATS = 3
SHORTEST_BARS_ALONE = 2
"""Of a tune that has neither words nor other parts: what it tells of its lines is weak (assumed)."""
LONGEST_PULSES = 32
"""No line that is not marked is longer."""
FEW_CAPITALS = 0.25
"""Share of capitals below which a capital is the beginning of a line rather than of a noun (assumed)."""
MARKED_SPAN = 20
"""A stretch of so many pulses between two marks may be one line; a longer one is divided by the weaker signs."""

_STOPS = ",;:.!?…—–"
_FULL_STOPS = ";:.!?…"
_QUOTES = "\"'”’»)]"
_OPENING = "\"'“‘«([„"

AS_LONG = "as long as the line before"

WEIGHTS: dict[str, float] = {
    "a root-position triad": 3.0,
    "a stop": 2.6,
    "a rest follows": 2.5,
    "a full stop": 2.3,
    "a repeat sign follows": 2.1,
    "8 pulses": 1.6,
    "on the middle of the bar": 1.5,
    "held 3": 1.3,
    "10 pulses": 1.2,
    "12 pulses": 1.2,
    "as long as the line before": 1.2,
    "the bass falls a fifth": 1.0,
    "the next begins where the tune began": 1.0,
    "a capital follows the stop": 0.9,
    "no other parts": 0.9,
    "13 pulses": 0.8,
    "on the first beat": 0.8,
    "0 parts move under it": 0.7,
    "8 syllables": 0.7,
    "11 pulses": 0.6,
    "7 syllables": 0.6,
    "9 pulses": 0.6,
    "all parts begin after it": 0.6,
    "longer than the next": 0.5,
    "11 syllables": 0.4,
    "7 pulses": 0.4,
    "a double bar follows": 0.4,
    "held 4": 0.4,
    "5 syllables": 0.3,
    "6 syllables": 0.3,
    "9 syllables": 0.2,
    "whole bars": 0.2,
    "16 pulses": -0.2,
    "4 syllables": -0.2,
    "12 syllables": -0.3,
    "13 syllables": -0.3,
    "14 pulses": -0.3,
    "14 syllables": -0.3,
    "no stop": -0.3,
    "10 syllables": -0.4,
    "6 pulses": -0.4,
    "reached by a step down": -0.4,
    "a capital follows": -0.5,
    "held 1½": -0.5,
    "left by a leap": -0.5,
    "15 pulses": -0.6,
    "5 pulses": -0.6,
    "4 pulses": -0.7,
    "held 2": -0.7,
    "all parts begin with it": -0.9,
    "over 24 pulses": -0.9,
    "reached by repetition": -0.9,
    "3 syllables": -1.1,
    "broken pulses": -1.1,
    "left by repetition": -1.2,
    "reached by a leap": -1.2,
    "reached by a step up": -1.2,
    "no syllable follows": -1.3,
    "shorter than the next": -1.5,
    "between beats": -2.0,
    "1 parts move under it": -2.2,
    "3 pulses": -2.5,
    "held 1": -2.6,
    "held less": -2.7,
    "left by a small step": -3.0,
    "inside a word": -3.5,
    "2 parts move under it": -4.0,
    "under 3 pulses": -4.0,
    "a line of music ends on the page": 3.0,
    "and capitals are rare": 3.0,
}
"""What each sign is worth; those of the page and of rare capitals are assumed, all others fitted."""


@dataclass(frozen=True, slots=True)
class Struck:
    """A struck note of the tune with what is tied to it."""

    onset: Fraction
    end: Fraction
    midi: int


def find_lines(tune: Tune, text: Text, hints: Collection[Fraction] = ()) -> tuple[Line, ...]:
    """The lines of the page, in order. `hints` are places at which the page ends its lines of music."""
    notes = struck_notes(tune)
    if not tune.bars or not notes:
        return ()
    marked = _after(notes, {*tune.breaths, *_ends_of_holds(tune, notes)})
    counted, counted_to = _by_metre(tune, text)
    told = {one for one in marked if one > counted_to} if counted else marked
    borders = counted | told | _refrain(tune, text)
    signs = Signs(tune, text, notes, hints)
    for start, end in _spans(borders, tune):
        if counted and end <= counted_to:
            continue
        if not told or (end - start) / signs.pulse > MARKED_SPAN:
            borders |= set(divide(signs, start, end))
    alone = not text.verses and len(tune.voices) == 1 and not marked
    return _between(borders - _later_endings(tune, borders), tune, notes, alone=alone)


def _refrain(tune: Tune, text: Text) -> set[Fraction]:
    """Where the refrain begins, and where something follows it."""
    return {place for place in text.refrain or () if 0 < place < tune.length}


def _later_endings(tune: Tune, borders: set[Fraction]) -> set[Fraction]:
    """Where a second ending begins in the middle of a line, the line goes on from before the first ending."""
    starts = [tune.bars[one.bar].onset for one in tune.repeats if one.kind == "ending-start"]
    ends = {tune.bars[one.bar].end for one in tune.repeats if one.kind == "ending-stop"}
    dropped: set[Fraction] = set()
    first: Fraction | None = None
    for start in starts:
        if first is not None and start in ends and first not in borders:
            dropped.add(start)
        else:
            first = start
    return dropped


def struck_notes(tune: Tune) -> tuple[Struck, ...]:
    """The notes of the tune that are struck, ties joined, grace notes left out."""
    found: list[Struck] = []
    held = False
    for note in tune.tune_voice.notes:
        if note.grace:
            continue
        if held and found:
            found[-1] = Struck(found[-1].onset, note.end, found[-1].midi)
        else:
            found.append(Struck(note.onset, note.end, note.pitch.midi))
        held = note.tied
    return tuple(found)


def _ends_of_holds(tune: Tune, notes: Sequence[Struck]) -> set[Fraction]:
    holds = set(tune.holds)
    return {note.end for note in notes if any(note.onset <= hold < note.end for hold in holds)} if holds else set()


def _spans(borders: set[Fraction], tune: Tune) -> list[tuple[Fraction, Fraction]]:
    edges = [Fraction(0), *sorted(borders), tune.length]
    return list(pairwise(edges))


def _between(borders: set[Fraction], tune: Tune, notes: Sequence[Struck], *, alone: bool) -> tuple[Line, ...]:
    """Lines between borders; a border too near the last one is dropped."""
    kept: list[Fraction] = []
    for border in sorted(borders):
        time = tune.bars[tune.bar_at(border)].time
        least = SHORTEST_BEATS * time.beat
        if alone:
            least = max(least, SHORTEST_BARS_ALONE * time.bar_length - time.beat)
        near_end = border > notes[-1].onset
        if border > 0 and border - (kept[-1] if kept else 0) >= least and not near_end:
            kept.append(border)
    edges = [Fraction(0), *kept, tune.length]
    return tuple(Line(start, end) for start, end in pairwise(edges) if end > start)


def _after(notes: Sequence[Struck], ends: set[Fraction]) -> set[Fraction]:
    """The first tune note at or after each place."""
    onsets = [note.onset for note in notes]
    found = set()
    for end in ends:
        index = bisect_left(onsets, end)
        if index < len(onsets):
            found.add(onsets[index])
    return found


# -- the poetic metre --------------------------------------------------------------------------------------------


def _by_metre(tune: Tune, text: Text) -> tuple[set[Fraction], Fraction]:
    """Borders counted by the poetic metre along verse 1 as it is sung, and how far along the page they reach.

    Empty when the count does not fit. Where words go on after the metre is counted out (a refrain), the last
    border is where they go on.
    """
    lines = metre_lines(text.metre)
    syllables = text.verses[0].syllables if text.verses else ()
    if not lines or not syllables:
        return set(), Fraction(0)
    by_bar: dict[int, list[Syllable]] = {}
    for one in syllables:
        by_bar.setdefault(tune.bar_at(one.onset), []).append(one)
    sung = [one for step in walk(tune) for one in by_bar.get(step.index, ()) if one.times in (0, step.times)]
    count = sum(lines)
    if len(sung) < count:
        return set(), Fraction(0)
    if len(sung) > count and text.refrain is None and len(sung) % count:
        return set(), Fraction(0)
    ends = list(accumulate(lines))
    borders = {sung[end].onset for end in ends if end < len(sung) and sung[end].onset > 0}
    whole = len(sung) % count == 0 and text.refrain is None
    return borders, tune.length if len(sung) == count or whole else sung[count].onset


# -- signs -------------------------------------------------------------------------------------------------------


class Signs:
    """What speaks for and against the end of a line after each note of a tune, by name (the keys of `WEIGHTS`)."""

    def __init__(self, tune: Tune, text: Text, notes: Sequence[Struck], hints: Collection[Fraction] = ()) -> None:
        """Gather what is asked for each note once."""
        self.tune, self.notes = tune, notes
        self._hints = _after(notes, set(hints))
        self.onsets = [note.onset for note in notes]
        self.pulse = pulse_of(tune, notes)
        self._others = [
            [note for note in voice.notes if not note.grace] for voice in tune.voices if voice.name != tune.melody
        ]
        self._starts = [[note.onset for note in voice] for voice in self._others]
        self._struck = [
            [note.onset for note, before in zip(voice, [None, *voice], strict=False) if not (before and before.tied)]
            for voice in self._others
        ]
        self._words = [_by_onset(verse.syllables) for verse in text.verses]
        self._capitals_are_rare = _share_of_capitals(text) < FEW_CAPITALS
        self._sung = sorted({onset for verse in self._words[:1] for onset in verse})
        self._turned = {repeat.bar + (repeat.kind == "backward") for repeat in tune.repeats
                        if repeat.kind in ("forward", "backward")}  # fmt: skip
        self._first = self._phase(notes[0].onset)

    def _phase(self, onset: Fraction) -> Fraction:
        bar = self.tune.bars[self.tune.bar_at(onset)]
        return bar.beat_of(onset)

    def after(self, index: int) -> tuple[str, ...]:
        """Names of the signs between a note and the next."""
        note, after = self.notes[index], self.notes[index + 1]
        return (*self._held(note, after), *self._place(note, after), *self._parts(note, after),
                *self._melody(index), *self._text(index))  # fmt: skip

    def _held(self, note: Struck, after: Struck) -> list[str]:
        held = (after.onset - note.onset) / self.pulse
        steps = ((4, "held 4"), (3, "held 3"), (2, "held 2"), (Fraction(3, 2), "held 1½"), (1, "held 1"))
        found = [next((name for least, name in steps if held >= least), "held less")]
        if after.onset - note.end >= self.pulse / 2:
            found.append("a rest follows")
        mine, others = note.end - note.onset, after.end - after.onset
        if mine != others:
            found.append("longer than the next" if mine > others else "shorter than the next")
        return found

    def _place(self, note: Struck, after: Struck) -> list[str]:
        found = []
        if self._phase(after.onset) == self._first:
            found.append("the next begins where the tune began")
        bar = self.tune.bars[self.tune.bar_at(note.onset)]
        beat = self._phase(note.onset)
        if beat == 1:
            found.append("on the first beat")
        elif beat.denominator != 1:
            found.append("between beats")
        elif bar.time.beats % 2 == 0 and (beat - 1) * 2 == bar.time.bar_length / bar.time.beat:
            found.append("on the middle of the bar")
        if after.onset in self._hints:
            found.append("a line of music ends on the page")
        here = self.tune.bar_at(after.onset)
        if here and self.tune.bars[here].onset == after.onset:
            if here in self._turned:
                found.append("a repeat sign follows")
            elif self.tune.bars[here - 1].double:
                found.append("a double bar follows")
        return found

    def _parts(self, note: Struck, after: Struck) -> list[str]:
        """How the other printed parts rest on a chord under the note."""
        if len(self._others) < 2:
            return ["no other parts"]
        moving, begin, fresh, sounding, basses = 0, 0, 0, [note.midi], []
        for index, voice in enumerate(self._others):
            starts, struck = self._starts[index], self._struck[index]
            low, high = bisect_right(struck, note.onset), bisect_left(struck, after.onset)
            moving += high > low
            begin += low > 0 and struck[low - 1] == note.onset
            fresh += high < len(struck) and struck[high] == after.onset
            last = bisect_left(starts, note.end) - 1
            if last >= 0 and voice[last].end > note.onset:
                sounding.append(voice[last].pitch.midi)
                basses = [one.pitch.midi for one in voice[max(0, last - 1) : last + 1]]
        names = {(midi - min(sounding)) % 12 for midi in sounding}
        found = [f"{min(moving, 2)} parts move under it"]
        if begin == len(self._others):
            found.append("all parts begin with it")
        if fresh == len(self._others):
            found.append("all parts begin after it")
        if names <= {0, 4, 7} or names <= {0, 3, 7}:
            found.append("a root-position triad")
        if len(basses) == 2 and (basses[1] - basses[0]) % 12 == 5:
            found.append("the bass falls a fifth")
        return found

    def _melody(self, index: int) -> list[str]:
        here, after = self.notes[index].midi, self.notes[index + 1].midi
        found = []
        if index:
            step = here - self.notes[index - 1].midi
            found.append("reached by a step down" if -2 <= step < 0 else "reached by a step up" if 0 < step <= 2
                         else "reached by repetition" if not step else "reached by a leap")  # fmt: skip
        leap = abs(after - here)
        found.append("left by a leap" if leap > 4 else "left by repetition" if not leap else "left by a small step")
        return found

    def _text(self, index: int) -> list[str]:
        after = self.notes[index + 1].onset
        if not self._sung or not any(after in verse for verse in self._words):
            return ["no syllable follows"] if self._sung else []
        stops, full, fresh, words, verses = 0, 0, 0, 0, 0
        for verse in self._words:
            following = verse.get(after)
            before = self._syllable_before(verse, index)
            if following is None or before is None:
                continue
            verses += 1
            sign = before.text.rstrip(_QUOTES)[-1:]
            stops += sign != "" and sign in _STOPS
            full += sign != "" and sign in _FULL_STOPS
            words += following.hyphen in ("middle", "end")
            fresh += following.text.lstrip(_OPENING)[:1].isupper()
        if not verses:
            return []
        if 2 * words > verses:
            return ["inside a word"]
        found = ["a full stop" if 2 * full >= verses else "a stop" if 2 * stops >= verses else "no stop"]
        if 2 * fresh >= verses:
            found.append("a capital follows" if 2 * stops < verses else "a capital follows the stop")
            if self._capitals_are_rare:
                found.append("and capitals are rare")
        return found

    def _syllable_before(self, verse: Mapping[Fraction, Syllable], index: int) -> Syllable | None:
        for back in range(index, max(-1, index - 12), -1):
            found = verse.get(self.notes[back].onset)
            if found is not None:
                return found
        return None

    def of_line(self, start: Fraction, end: Fraction, before: Fraction | None) -> tuple[str, ...]:
        """Names of the signs of a whole line: its length, and whether it is as long as the one before."""
        bar = self.tune.bars[self.tune.bar_at(start)].length
        found = self.of_length(end - start, bar)
        if before is not None and end - start == before:
            found += (AS_LONG,)
        if self._sung:
            found += (of_syllables(self.sung_before(end) - self.sung_before(start)),)
        return found

    def of_length(self, length: Fraction, bar: Fraction) -> tuple[str, ...]:
        """Names of the signs of a line of some length in bars of some length."""
        return (f"{_rounded(length / self.pulse)} pulses", *(("whole bars",) if length % bar == 0 else ()))

    def sung_before(self, place: Fraction) -> int:
        """Syllables of the first verse before a place; always 0 without words."""
        return bisect_left(self._sung, place)

    @property
    def worded(self) -> bool:
        """True where there are words to count."""
        return bool(self._sung)


def of_syllables(count: int) -> str:
    """The name of a line of so many syllables."""
    return f"{min(max(count, 3), 14)} syllables"


def _share_of_capitals(text: Text) -> float:
    """Share of the words that begin with a capital: a quarter in English verse, half in German."""
    words = [one.text.lstrip(_OPENING)[:1] for verse in text.verses for one in verse.syllables
             if one.hyphen in ("single", "begin")]  # fmt: skip
    return sum(letter.isupper() for letter in words) / max(1, len(words))


def _by_onset(syllables: Sequence[Syllable]) -> dict[Fraction, Syllable]:
    """The last time through where a place is sung several times: lines end there too."""
    return {one.onset: one for one in sorted(syllables, key=lambda one: -one.times)}


def _rounded(pulses: Fraction) -> str:
    if pulses < 3:
        return "under 3"
    if pulses > 24:
        return "over 24"
    if pulses > 16:
        return "17 to 24"
    if pulses.denominator != 1:
        return "broken"
    return str(pulses)


def pulse_of(tune: Tune, notes: Sequence[Struck]) -> Fraction:
    """The value in which the tune moves: the beat or its half, whichever is the commoner note; in 6/8 half a beat."""
    time = tune.bars[0].time
    if time.compound:
        return time.beat / 2
    lengths = Counter(note.end - note.onset for note in notes)
    return max((time.beat, time.beat / 2), key=lambda length: (lengths[length], length))


# -- the whole division ------------------------------------------------------------------------------------------


def _worths(signs: Signs, places: Sequence[Fraction], weights: Mapping[str, float]) -> Callable[[int, int, int], float]:
    """What a line from one place to another is worth by its length and syllables; lengths are asked once each."""
    bars = [signs.tune.bars[signs.tune.bar_at(place)].length for place in places]
    kinds = {length: kind for kind, length in enumerate(dict.fromkeys(bars))}
    kind_of = [kinds[length] for length in bars]
    sung = [signs.sung_before(place) for place in places]
    known: dict[tuple[int, int], float] = {}

    def worth(start: int, end: int, ticks: int) -> float:
        key = (ticks, kind_of[start])
        found = known.get(key)
        if found is None:
            names = signs.of_length(places[end] - places[start], bars[start])
            found = known[key] = sum(weights.get(name, 0.0) for name in names)
        return found + (weights.get(of_syllables(sung[end] - sung[start]), 0.0) if signs.worded else 0.0)

    return worth


def divide(
    signs: Signs, start: Fraction, end: Fraction, weights: Mapping[str, float] | None = None,
    bonus: Mapping[Fraction, float] | None = None,
) -> tuple[Fraction, ...]:  # fmt: skip
    """Borders inside a stretch of the page by the greatest sum of weights (a dynamic programme over pairs of lines)."""
    weights = WEIGHTS if weights is None else weights
    first, last = bisect_left(signs.onsets, start), bisect_left(signs.onsets, end)
    places = [start, *(signs.onsets[index] for index in range(first + 1, last)), end]
    gains = [0.0] * len(places)
    for place in range(1, len(places) - 1):
        gains[place] = sum(weights.get(name, 0.0) for name in signs.after(first + place - 1))
        if bonus is not None:
            gains[place] += bonus.get(places[place], 0.0)
    worth = _worths(signs, places, weights)
    unit = lcm(*(place.denominator for place in places), signs.pulse.denominator)
    ticks = [int(place * unit) for place in places]
    most = int(LONGEST_PULSES * signs.pulse * unit)
    index_of = {place: index for index, place in enumerate(ticks)}
    same = weights.get(AS_LONG, 0.0)
    best: list[dict[int, tuple[float, int]]] = [{} for _ in places]
    best[0][0] = (0.0, 0)
    leading: list[tuple[float, int]] = [(0.0, 0)]
    for here in range(1, len(places)):
        for back in range(here - 1, -1, -1):
            length = ticks[here] - ticks[back]
            if length > most and back < here - 1:
                break
            score, older = leading[back]
            twin = index_of.get(ticks[back] - length, -1) if back else -1
            alike = best[back].get(twin)
            if alike is not None and alike[0] + same >= score:
                score, older = alike[0] + same, twin
            best[here][back] = (score + gains[here] + worth(back, here, length), older)
        leading.append(max((score, back) for back, (score, _) in best[here].items()))
    borders: list[Fraction] = []
    here = len(places) - 1
    back = leading[here][1]
    while back:
        borders.append(places[back])
        here, back = back, best[here][back][1]
    return tuple(reversed(borders))
