"""Figures for the left hand, as table rows.

A figure is an order of levels (0 the lowest) over the slots of a unit; a unit is at most so many
beats long as its time says, and shorter where the chord is. The two-level form of a row keeps the
rhythm with two notes where three find no room.

A pattern is a figure at one of four speeds. In a room where it would blur, the pattern that it names
as slower takes its place.

References: orders and unit lengths are common practice, no source; the low-high-middle-high order
is what the trade calls Alberti.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from undersong.model.time import Time

Order = tuple[tuple[int, ...], ...]
"""For each slot the levels struck in it."""


def _row(*slots: str) -> Order:
    return tuple(tuple(int(level) for level in slot) for slot in slots)


def _rows(levels: str, *patterns: str) -> dict[int, Order]:
    """Rows from patterns of x (all these levels struck) and . (nothing), by their length."""
    return {len(one): _row(*(levels if sign == "x" else "" for sign in one)) for one in patterns}


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: for each number of slots the order of its levels, by how many levels the chord has.

    What is struck before an empty slot goes on through it.
    """

    name: str
    three: dict[int, Order]
    two: dict[int, Order]
    four: dict[int, Order]
    held: frozenset[int] = frozenset()
    """Levels that stay down from their strike to the end of the unit, where they are struck once."""
    short_after_first: bool = False
    """Strikes after the unit's first last half their slot."""
    octave: bool = False
    """Four levels on a triad too, the root doubled an octave higher."""


BROKEN = Figure(
    "broken",
    three={
        1: _row("02"), 2: _row("0", "2"), 3: _row("0", "1", "2"), 4: _row("0", "1", "2", "1"),
        5: _row("0", "1", "2", "1", "0"), 6: _row("0", "1", "2", "1", "2", "1"),
        8: _row("0", "1", "2", "1", "0", "1", "2", "1"),
    },
    two={
        1: _row("01"), 2: _row("0", "1"), 3: _row("0", "1", "0"), 4: _row("0", "1", "0", "1"),
        5: _row("0", "1", "0", "1", "0"), 6: _row("0", "1", "0", "1", "0", "1"),
        8: _row("0", "1", "0", "1", "0", "1", "0", "1"),
    },
    four={
        4: _row("0", "1", "2", "3"), 6: _row("0", "1", "2", "3", "2", "1"),
        8: _row("0", "1", "2", "3", "2", "1", "2", "1"),
    },
)  # fmt: skip

ALBERTI = Figure(
    "alberti",
    three={
        1: _row("02"), 2: _row("0", "2"), 3: _row("0", "2", "1"), 4: _row("0", "2", "1", "2"),
        5: _row("0", "2", "1", "2", "1"), 6: _row("0", "2", "1", "2", "1", "2"),
        8: _row("0", "2", "1", "2", "0", "2", "1", "2"),
    },
    two=BROKEN.two,
    four={
        4: _row("0", "3", "1", "2"), 6: _row("0", "3", "1", "3", "2", "3"),
        8: _row("0", "3", "1", "3", "0", "3", "2", "3"),
    },
)  # fmt: skip

HELD = Figure(
    "held",
    three={
        1: _row("02"), 2: _row("02", "1"), 3: _row("02", "1", ""), 4: _row("012", "", "1", "2"),
        6: _row("02", "1", "2", "", "1", "2"),
    },
    two={1: _row("01"), 2: _row("01", "1"), 3: _row("01", "1", ""), 4: _row("01", "", "1", "1")},
    four={},
    held=frozenset({0}),
)  # fmt: skip

HELD_IN_THREES = replace(
    HELD, name="held in threes",
    three={1: _row("02"), 2: _row("02", "1"), 3: _row("02", "1", ""), 6: _row("02", "1", "", "2", "1", "")},
)  # fmt: skip

FALLING = Figure(
    "falling",
    three={
        1: _row("02"), 2: _row("2", "0"), 3: _row("2", "1", "0"), 4: _row("2", "1", "0", "1"),
        5: _row("2", "1", "0", "1", "2"), 6: _row("2", "1", "0", "2", "1", "0"),
        8: _row("2", "1", "0", "1", "2", "1", "0", "1"),
    },
    two={
        1: _row("01"), 2: _row("1", "0"), 3: _row("1", "0", "1"), 4: _row("1", "0", "1", "0"),
        5: _row("1", "0", "1", "0", "1"), 6: _row("1", "0", "1", "0", "1", "0"),
        8: _row("1", "0", "1", "0", "1", "0", "1", "0"),
    },
    four={4: _row("3", "2", "1", "0"), 6: _row("3", "2", "1", "0", "1", "2")},
)  # fmt: skip

ROLLING = replace(BROKEN, name="rolling", octave=True)

RISING = Figure(
    "rising",
    three={
        1: _row("02"), 2: _row("0", "2"), 3: _row("0", "1", "2"), 4: _row("0", "1", "2", "1"),
        6: _row("0", "1", "2", "0", "1", "2"),
    },
    two=BROKEN.two,
    four={},
)  # fmt: skip

LOW_AND_PAIR = Figure(
    "low and pair",
    three={
        1: _row("012"), 2: _row("0", "12"), 3: _row("0", "12", "12"), 4: _row("0", "12", "0", "12"),
        6: _row("0", "12", "12", "0", "12", "12"),
    },
    two=BROKEN.two,
    four={},
)  # fmt: skip

SHARED = Figure(
    "shared",
    three={
        1: _row("012"), 2: _row("01", "2"), 3: _row("01", "2", "1"), 4: _row("01", "2", "1", "2"),
        5: _row("01", "2", "1", "2", "1"), 6: _row("01", "2", "1", "2", "1", "2"),
        8: _row("01", "2", "1", "2", "1", "2", "1", "2"),
    },
    two=_rows("01", "x", "x.", "x..", "x...", "x.....", "x......."),
    four={},
    held=frozenset({0}),
)  # fmt: skip
"""The lowest level stands in one hand; the other never rests above it, so that its notes read as one line. Where it has
one note alone this stands too, and is struck on the beats."""

_AFTER = (".x", ".xx", ".x.x", ".xx.xx", ".x.x.x.x", ".xx.xx.xx")
AFTER_BEATS = Figure(
    "after-beats",
    three={1: _row("012"), **_rows("012", *_AFTER)}, two={1: _row("01"), **_rows("01", *_AFTER)}, four={},
    short_after_first=True,
)  # fmt: skip

_STROKES = ("x", "xx", "xxx", "xxxx", "xxxxx", "xxxxxx")
STROKES = Figure(
    "strokes", three=_rows("012", *_STROKES), two=_rows("01", *_STROKES), four={}, short_after_first=True,
)  # fmt: skip

_LILTED = ("x", "x.x", "x.xx.x", "x.xx.xx.x")
LILTED_STROKES = Figure("lilted strokes", three=_rows("012", *_LILTED), two=_rows("01", *_LILTED), four={})

BLOCK = Figure("block", three={1: _row("012")}, two={1: _row("01")}, four={1: _row("0123")})


SINGLE = Figure("single", three={}, two={}, four={})
"""One note that stands for each harmony."""

Speed = Literal["slow", "usual", "triplets", "quick"]

SPEEDS: dict[Speed, Fraction] = {
    "slow": Fraction(1, 2), "usual": Fraction(1), "triplets": Fraction(3, 2), "quick": Fraction(2),
}  # fmt: skip
"""Strikes to the beat beside those of the time's grid; in compound time slow is one to the beat."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """One way of moving: a figure (another where the beat is dotted) at a speed."""

    name: str
    says: str
    figure: Figure
    compound_figure: Figure | None = None
    speed: Speed = "usual"
    compound: bool = True
    """It serves where the beat is dotted too."""
    slower: str = ""
    """The pattern that takes its place where the room would blur it."""


PATTERNS: dict[str, Pattern] = {
    row.name: row
    for row in (
        Pattern("up-and-back", "low, middle, high, middle", BROKEN, slower="slow"),
        Pattern("falling", "high, middle, low, middle", FALLING, slower="slow"),
        Pattern("rolling", "up through four notes, the root at both ends, and back", ROLLING, slower="slow"),
        Pattern("low-and-pair", "the low note, then the two above it together", LOW_AND_PAIR, slower="slow"),
        Pattern("slow", "a note to the beat: low, middle, high", BROKEN, speed="slow"),
        Pattern(
            "triplets", "three to the beat, rising", RISING, speed="triplets", compound=False, slower="up-and-back"
        ),
        Pattern("flowing", "four to the beat", BROKEN, speed="quick", compound=False, slower="up-and-back"),
    )
}  # fmt: skip
"""Patterns of broken chords, the usual one first."""


@dataclass(frozen=True, slots=True)
class Grid:
    """How a time is divided: beats to each unit, in turn from the bar line, and slots to the beat."""

    groups: tuple[int, ...]
    slots_per_beat: int
    dense_slots_per_beat: int
    """Slots to the beat where nearly every beat brings a new chord and the figure needs three levels."""

    def slots(self, speed: Speed, *, compound: bool) -> int:
        """Slots to the beat at a speed; 0 where the time has none so slow or so quick."""
        if compound and speed == "slow":
            return 1
        count = self.slots_per_beat * SPEEDS[speed]
        return int(count) if count.denominator == 1 else 0


GRIDS: dict[str, Grid] = {
    "2/4": Grid((2,), 2, 4), "3/4": Grid((3,), 2, 4), "4/4": Grid((2,), 2, 4), "5/4": Grid((3, 2), 2, 4),
    "7/4": Grid((4, 3), 2, 4), "2/2": Grid((1,), 4, 4), "3/2": Grid((1,), 4, 4), "4/2": Grid((1,), 4, 4),
    "3/8": Grid((3,), 1, 2), "5/8": Grid((3, 2), 1, 2), "7/8": Grid((2, 2, 3), 1, 2), "8/8": Grid((3, 3, 2), 1, 2),
    "6/8": Grid((2,), 3, 3), "9/8": Grid((3,), 3, 3), "12/8": Grid((2,), 3, 3),
    "6/4": Grid((1,), 3, 6), "9/4": Grid((1,), 3, 6),
}  # fmt: skip
"""By time signature; common practice, no source (6/8 in two, 2/2 and 3/2 by the half note, 7/8 as 2, 2 and 3)."""


def grid(time: Time) -> Grid:
    """The grid of a time; a time without a row is taken beat by beat, free time by two quarter notes."""
    found = GRIDS.get(str(time))
    if found:
        return found
    if not time.beats:
        return Grid((2,), 2, 4)
    return Grid((1,), 3, 3) if time.compound else Grid((1,), 1 if time.unit > 4 else 2, 4)
