"""Lines of text with the music they carry: where one ends and the next begins.

The end of a line is told, from the surest sign to the weakest, by the poetic metre counted along the words, by
fermatas and breath marks, by punctuation before a capital, by rests and double bars; where nothing tells it, a line
is taken to be four bars, ending on a long note.

Conventions: lines cover the tune from 0 to its end without gaps. A line ends where the next begins, at the onset of
that line's first note, so an upbeat belongs to the line it leads into and a rest to the line it follows.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from fractions import Fraction
from itertools import accumulate, pairwise

from undersong.model.text import Syllable, Text
from undersong.model.tune import Line, Note, Tune, walk
from undersong.reading.titles import metre_lines

SHORTEST_BEATS = 3
BARS_OF_A_LINE = 4
_STOPS = ",;:.!?…—–"
_QUOTES = "\"'”’»)]"


def find_lines(tune: Tune, text: Text) -> tuple[Line, ...]:
    """The lines of the page, in order."""
    notes = [note for note in tune.tune_voice.notes if not note.grace]
    if not tune.bars or not notes:
        return ()
    by_metre = _by_metre(tune, text)
    if by_metre:
        return _between(by_metre, tune, notes)
    marked = _after(notes, {*tune.breaths, *(note.end for note in notes if note.onset in tune.holds)})
    signs: Sequence[tuple[int, Callable[[], set[Fraction]]]] = (
        (0, lambda: marked),
        (12, lambda: _by_capitals(text)),
        (12, lambda: _after_rests(tune, notes) | _after(notes, {bar.end for bar in tune.bars if bar.double})),
        (16, lambda: _by_stops(text)),
        (20, lambda: _by_bars(tune, notes)),
    )
    borders: set[Fraction] = set()
    for most, sign in signs:
        # The first sign that tells anything divides the whole tune; weaker ones only what is still too long.
        long = [span for span in _spans(borders, tune) if not borders or _beats(span, tune) > most]
        found = sign() if long else set()
        borders |= {one for one in found for start, end in long if start < one < end}
    return _between(borders, tune, notes)


def _spans(borders: set[Fraction], tune: Tune) -> list[tuple[Fraction, Fraction]]:
    edges = [Fraction(0), *sorted(borders), tune.length]
    return list(pairwise(edges))


def _beats(span: tuple[Fraction, Fraction], tune: Tune) -> Fraction:
    """Length of a span in beats; a beat of three counts as two, since lines in 6/8 have half as many."""
    time = tune.bars[tune.bar_at(span[0])].time
    return (span[1] - span[0]) / time.beat * (2 if time.compound else 1)


def _between(borders: set[Fraction], tune: Tune, notes: list[Note]) -> tuple[Line, ...]:
    """Lines between borders; a border too near the last one is dropped."""
    kept: list[Fraction] = []
    least = SHORTEST_BEATS
    for border in sorted(borders):
        beat = tune.bars[tune.bar_at(border)].time.beat
        near_end = border > notes[-1].onset
        if border > 0 and border - (kept[-1] if kept else 0) >= least * beat and not near_end:
            kept.append(border)
    edges = [Fraction(0), *kept, tune.length]
    return tuple(Line(start, end) for start, end in pairwise(edges) if end > start)


def _after(notes: list[Note], ends: set[Fraction]) -> set[Fraction]:
    """The first tune note at or after each place."""
    onsets = [note.onset for note in notes]
    found = set()
    for end in ends:
        index = bisect_left(onsets, end)
        if index < len(onsets):
            found.add(onsets[index])
    return found


def _after_rests(tune: Tune, notes: list[Note]) -> set[Fraction]:
    found = set()
    for note, after in pairwise(notes):
        beat = tune.bars[tune.bar_at(note.onset)].time.beat
        if after.onset - note.end >= beat / 2:
            found.add(after.onset)
    return found


def _first_syllables(text: Text) -> tuple[Syllable, ...]:
    return max((verse.syllables for verse in text.verses[:1]), key=len, default=())


def _by_metre(tune: Tune, text: Text) -> set[Fraction]:
    """Borders counted by the poetic metre along verse 1 as it is sung; empty when the count does not fit."""
    lines = metre_lines(text.metre)
    syllables = _first_syllables(text)
    if not lines or not syllables:
        return set()
    sung = []
    for step in walk(tune):
        bar = tune.bars[step.index]
        inside = [one for one in syllables if bar.onset <= one.onset < bar.end and one.times in (0, step.times)]
        sung.extend(inside)
    count = sum(lines)
    if len(sung) < count:
        return set()
    if len(sung) > count and text.refrain is None and len(sung) % count:
        return set()
    ends = list(accumulate(lines))
    return {sung[end].onset for end in ends if end < len(sung) and sung[end].onset > 0}


def _by_capitals(text: Text) -> set[Fraction]:
    """Words that begin with a capital after a stop."""
    syllables = sorted(_first_syllables(text), key=lambda one: (one.onset, one.times))
    found = set()
    for one, after in pairwise(syllables):
        stopped = one.text.rstrip(_QUOTES)[-1:] in _STOPS and one.text.rstrip(_QUOTES)
        fresh = after.hyphen in ("single", "begin") and after.text.lstrip("\"'“‘«([")[:1].isupper()
        if stopped and fresh and after.onset > one.onset:
            found.add(after.onset)
    return found


def _by_stops(text: Text) -> set[Fraction]:
    syllables = sorted(_first_syllables(text), key=lambda one: (one.onset, one.times))
    return {
        after.onset
        for one, after in pairwise(syllables)
        if one.text.rstrip(_QUOTES)[-1:] in tuple(_STOPS) and after.onset > one.onset
    }


def _by_bars(tune: Tune, notes: list[Note]) -> set[Fraction]:
    """Every four bars, after the nearest note of two beats or more."""
    found: set[Fraction] = set()
    first = 1 if tune.bars[0].pickup else 0
    longs = [
        after.onset
        for note, after in pairwise(notes)
        if note.length >= 2 * tune.bars[tune.bar_at(note.onset)].time.beat
    ]
    onsets = [note.onset for note in notes]
    for index in range(first + BARS_OF_A_LINE, len(tune.bars), BARS_OF_A_LINE):
        aim = tune.bars[index].onset - (tune.bars[0].length if first else 0)
        near = [one for one in longs if abs(one - aim) <= tune.bars[index].length]
        if near:
            found.add(min(near, key=lambda one: abs(one - aim)))
        else:
            place = bisect_left(onsets, aim)
            if place < len(onsets):
                found.add(onsets[place])
    return found
