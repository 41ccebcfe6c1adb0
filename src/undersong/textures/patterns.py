"""Figures for the left hand, as table rows.

A figure is an order of levels (0 the lowest) over the slots of a unit; a unit is at most so many
beats long as its time says, and shorter where the chord is. The two-level form of a row keeps the
rhythm with two notes where three find no room.

References: orders and unit lengths are common practice, no source; the low-high-middle-high order
is what the trade calls Alberti.
"""

from __future__ import annotations

from dataclasses import dataclass

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
    """One figure: for each number of slots the order of its levels, by how many levels the chord has."""

    name: str
    three: dict[int, Order]
    two: dict[int, Order]
    four: dict[int, Order]
    held: frozenset[int] = frozenset()
    """Levels that stay down from their strike to the end of the unit, where three find room."""
    short_after_first: bool = False
    """Strikes after the unit's first last half their slot."""


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
        1: _row("02"), 2: _row("02", "1"), 3: _row("02", "1", "2"), 4: _row("02", "1", "2", "1"),
        6: _row("02", "1", "2", "1", "2", "1"), 8: _row("02", "1", "2", "1", "2", "1", "2", "1"),
    },
    two=BROKEN.two,
    four={},
    held=frozenset({0}),
)  # fmt: skip

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
LILTED_STROKES = Figure(
    "lilted strokes", three=_rows("012", *_LILTED), two=_rows("01", *_LILTED), four={}, short_after_first=True,
)  # fmt: skip

BLOCK = Figure("block", three={1: _row("012")}, two={1: _row("01")}, four={1: _row("0123")})


@dataclass(frozen=True, slots=True)
class Grid:
    """How a time is divided: beats to a unit at most, and slots to the beat."""

    unit_beats: int
    slots_per_beat: int
    dense_slots_per_beat: int
    """Slots to the beat where nearly every beat brings a new chord and the figure needs three levels."""


GRIDS: dict[str, Grid] = {
    "2/4": Grid(2, 2, 4), "3/4": Grid(3, 2, 4), "4/4": Grid(2, 2, 4), "5/4": Grid(1, 2, 4),
    "2/2": Grid(1, 4, 4), "3/2": Grid(1, 4, 4), "4/2": Grid(1, 4, 4),
    "3/8": Grid(3, 1, 2), "6/8": Grid(2, 3, 3), "9/8": Grid(3, 3, 3), "12/8": Grid(2, 3, 3), "6/4": Grid(1, 3, 6),
}  # fmt: skip
"""By time signature; common practice, no source (6/8 in two, 2/2 and 3/2 by the half note)."""


def grid(time: Time) -> Grid:
    """The grid of a time; a time without a row is taken beat by beat."""
    found = GRIDS.get(str(time))
    if found:
        return found
    return Grid(1, 3, 3) if time.compound else Grid(1, 2, 4)
