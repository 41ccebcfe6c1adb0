"""A part of a performance: some bars of a section, once or again and again.

Conventions: seconds count from the beginning of the performance that is given, and again from that of the excerpt.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from undersong.model.accompaniment import Accompaniment, PlacedBar
from undersong.model.performance import PaceMark, Performance, StopChange

SHORTEST_SECONDS = 0.005
"""What is left of a key in an excerpt is dropped where it is shorter."""


def moment(performance: Performance, section: str, start: Fraction) -> float:
    """When a place of a section sounds; KeyError for a section that is not played."""
    marks = [mark for mark in performance.paces if mark.section == section]
    if not marks:
        raise KeyError(section)
    mark = marks[max(0, bisect_right(marks, start, key=lambda one: one.start) - 1)]
    return mark.at_seconds + float(start - mark.start) * mark.quarter_seconds


def bars_between(section: Accompaniment, first: str, last: str) -> tuple[PlacedBar, ...]:
    """The bars from the first with one printed number to the next with another; none where they are not there."""
    numbers = [bar.number for bar in section.bars]
    if first not in numbers or last not in numbers[numbers.index(first) :]:
        return ()
    begin = numbers.index(first)
    end = begin + numbers[begin:].index(last)
    while end + 1 < len(numbers) and numbers[end + 1] == last:
        end += 1
    return section.bars[begin : end + 1]


def excerpt(performance: Performance, from_seconds: float, to_seconds: float) -> Performance:
    """What sounds between two moments: keys that are down at either are cut there; stops and shutters as they stand."""
    notes = tuple(
        replace(
            note,
            on_seconds=max(note.on_seconds, from_seconds) - from_seconds,
            off_seconds=min(note.off_seconds, to_seconds) - from_seconds,
        )
        for note in performance.notes
        if min(note.off_seconds, to_seconds) - max(note.on_seconds, from_seconds) > SHORTEST_SECONDS
    )
    return Performance(
        notes, _paces(performance.paces, from_seconds, to_seconds), to_seconds - from_seconds,
        _swell(performance.swell, from_seconds, to_seconds),
        _stops(performance.stop_changes, from_seconds, to_seconds),
    )  # fmt: skip


def _paces(marks: Sequence[PaceMark], begin: float, end: float) -> tuple[PaceMark, ...]:
    before = [mark for mark in marks if mark.at_seconds <= begin]
    found = []
    if before:
        last = before[-1]
        gone = Fraction(round((begin - last.at_seconds) / last.quarter_seconds * 96), 96)
        found.append(replace(last, at_seconds=0.0, start=last.start + gone))
    return (
        *found,
        *(replace(mark, at_seconds=mark.at_seconds - begin) for mark in marks if begin < mark.at_seconds < end),
    )


def _swell(marks: Sequence[tuple[float, float]], begin: float, end: float) -> tuple[tuple[float, float], ...]:
    if not marks:
        return ()
    return (
        (0.0, _position(marks, begin)),
        *((at - begin, position) for at, position in marks if begin < at < end),
        (end - begin, _position(marks, end)),
    )


def _position(marks: Sequence[tuple[float, float]], at: float) -> float:
    index = bisect_right(marks, at, key=lambda one: one[0])
    if index in (0, len(marks)):
        return marks[min(index, len(marks) - 1)][1]
    (low, here), (high, there) = marks[index - 1], marks[index]
    return here + (there - here) * (at - low) / (high - low)


def _stops(changes: Sequence[StopChange], begin: float, end: float) -> tuple[StopChange, ...]:
    drawn: dict[str, StopChange] = {}
    later = []
    for change in changes:
        if change.at_seconds <= begin + 0.5:
            drawn[change.division] = replace(change, at_seconds=0.0)
        elif change.at_seconds < end:
            later.append(replace(change, at_seconds=change.at_seconds - begin))
    return (*drawn.values(), *later)


def shifted(performance: Performance, seconds: float) -> Performance:
    """The same performance beginning later."""
    return Performance(
        tuple(
            replace(note, on_seconds=note.on_seconds + seconds, off_seconds=note.off_seconds + seconds)
            for note in performance.notes
        ),
        tuple(replace(mark, at_seconds=mark.at_seconds + seconds) for mark in performance.paces),
        performance.length_seconds + seconds,
        tuple((at + seconds, position) for at, position in performance.swell),
        tuple(replace(change, at_seconds=change.at_seconds + seconds) for change in performance.stop_changes),
    )


def one_after_another(performances: Sequence[Performance], gap_seconds: float = 0.0) -> Performance:
    """Several performances in a row, so many seconds between them."""
    begins, parts = 0.0, []
    for one in performances:
        parts.append(shifted(one, begins))
        begins = parts[-1].length_seconds + gap_seconds
    return Performance(
        tuple(note for one in parts for note in one.notes), tuple(mark for one in parts for mark in one.paces),
        parts[-1].length_seconds if parts else 0.0, tuple(mark for one in parts for mark in one.swell),
        tuple(change for one in parts for change in one.stop_changes),
    )  # fmt: skip
