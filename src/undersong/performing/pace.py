"""How fast: by time, character and room; and how written time runs within a section.

The musical problem: a hymn has no one right speed. Large and live rooms ask for a slower one, small and dry ones for a
faster; a festive text for more, a quiet one for less; but a pace printed on the page is kept.

Conventions: a pace counts the time's own beat (dotted in 6/8). `Clock` turns places of a section to seconds.

References: ranges by time assumed from published ranges and surveys (project notes on the trade, 3.6: a 1985 hymnal's
96-112 for festive 4/4, one leader's survey); slower in large reverberant rooms: BYU organ course, ELCA worship FAQ. The
shares for rooms and characters are assumed.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from undersong.model.accompaniment import Accompaniment
from undersong.model.plan import Plan
from undersong.model.room import Room
from undersong.model.time import Pace, Time

Character = Literal["quiet", "usual", "festive"]

RANGES = {
    "4/4": (84, 108), "3/4": (88, 116), "2/4": (72, 96), "2/2": (50, 66), "3/2": (50, 66), "4/2": (52, 68),
    "6/8": (44, 60), "9/8": (44, 60), "12/8": (44, 60), "6/4": (40, 56), "3/8": (88, 116), "5/4": (84, 108),
}  # fmt: skip
"""Slowest and fastest beats a minute by time."""

ROOM_SHARES = ((0.7, 1.05), (1.3, 1.0), (2.0, 0.96), (4.0, 0.88), (8.0, 0.80))
"""Reverberation time in seconds, and the pace beside the usual one."""
CHARACTER_SHARES: dict[Character, float] = {"quiet": 0.93, "usual": 1.0, "festive": 1.07}


def room_share(seconds: float) -> float:
    """How much slower or faster a room asks for, on straight lines between the rows of `ROOM_SHARES`."""
    rows = ROOM_SHARES
    if seconds <= rows[0][0]:
        return rows[0][1]
    for (low, at_low), (high, at_high) in pairwise(rows):
        if seconds <= high:
            return at_low + (at_high - at_low) * (seconds - low) / (high - low)
    return rows[-1][1]


def suited_pace(pace: Pace, time: Time, room: Room, character: Character = "usual") -> Pace:
    """A usual pace suited to a room and a character, whole beats a minute, within the range of its time.

    A very live room may go a tenth below the range.
    """
    wished = float(pace.beats_per_minute) * room_share(room.seconds) * CHARACTER_SHARES[character]
    low, high = RANGES.get(str(time), (40, 132))
    if pace.beat != time.beat:
        low, high = 1, 400
    return Pace(Fraction(round(min(high, max(0.9 * low, wished)))), pace.beat)


def suited(plan: Plan, time: Time, room: Room, character: Character = "usual") -> Plan:
    """A plan whose paces are suited to the room; for hymns that print none."""
    return replace(
        plan,
        verses=tuple(
            replace(one, pace=suited_pace(one.pace, time, room, character)) if one.pace else one for one in plan.verses
        ),
    )


@dataclass(frozen=True, slots=True)
class Clock:
    """Seconds from the beginning of a section: stretches of one pace (start, seconds there, seconds of a quarter)."""

    stretches: tuple[tuple[Fraction, float, float], ...]

    def seconds(self, start: Fraction) -> float:
        """Where a place of the section falls."""
        index = max(0, bisect_right(self.stretches, start, key=lambda one: one[0]) - 1)
        begins, seconds, quarter = self.stretches[index]
        return seconds + float(start - begins) * quarter


def clock_of(section: Accompaniment, *, hold_beats: Fraction = Fraction(0), slowing: float = 0.0) -> Clock:
    """The clock of a section: even, but for holds lengthened by so many beats and a slower last line."""
    quarter = section.pace.seconds(Fraction(1))
    changes: dict[Fraction, float] = {Fraction(0): quarter}
    last_line = section.lines[-1].start if section.lines and slowing else section.length
    slow = quarter * (1 + slowing)
    if slowing:
        changes[last_line] = slow
    if hold_beats:
        for hold in section.holds:
            note = _held(section, hold)
            if note is None:
                continue
            start, end = note
            usual = slow if start >= last_line else quarter
            changes[start] = usual * float(1 + hold_beats * section.pace.beat / (end - start))
            changes.setdefault(end, slow if end >= last_line else quarter)
    stretches: list[tuple[Fraction, float, float]] = []
    seconds = 0.0
    for start in sorted(changes):
        if stretches:
            before, _, pace = stretches[-1]
            seconds += float(start - before) * pace
        stretches.append((start, seconds, changes[start]))
    return Clock(tuple(stretches))


def _held(section: Accompaniment, hold: Fraction) -> tuple[Fraction, Fraction] | None:
    """Start and end of the tune's note under a fermata."""
    for note in section.notes:
        if note.part == "tune" and note.start <= hold < note.end:
            return note.start, note.end
    return None
