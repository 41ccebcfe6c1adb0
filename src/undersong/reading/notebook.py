"""Remarks gathered while reading: what was assumed and what was left out, with their places.

A remark is noted before the page is built, so its place is kept as bar and position and put into words
at the end.

Conventions: `bar` is the index of the bar, `at` quarter notes from its beginning, `who` a voice or part.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from undersong.model.hymn import Remark
from undersong.model.tune import Bar, show_beat

MOST_PLACES = 3
"""How many places of one kind are told before they are only counted."""


@dataclass(slots=True)
class Notebook:
    """What will stand in `Hymn.assumed` and `Hymn.left_out`."""

    _assumed: list[tuple[str, int | None, Fraction | None, str]] = field(default_factory=list)
    _left_out: list[tuple[str, int | None, Fraction | None, str]] = field(default_factory=list)

    def assume(self, what: str, bar: int | None = None, at: Fraction | None = None, who: str = "") -> None:
        """Note something that was taken for granted."""
        self._assumed.append((what, bar, at, who))

    def leave_out(self, what: str, bar: int | None = None, at: Fraction | None = None, who: str = "") -> None:
        """Note something that the hymn does not keep."""
        self._left_out.append((what, bar, at, who))

    def assumed(self, bars: tuple[Bar, ...]) -> tuple[Remark, ...]:
        """The assumptions, with places in words."""
        return _remarks(self._assumed, bars)

    def left_out(self, bars: tuple[Bar, ...]) -> tuple[Remark, ...]:
        """What was left out, with places in words."""
        return _remarks(self._left_out, bars)


def place(bars: tuple[Bar, ...], bar: int | None, at: Fraction | None = None, who: str = "") -> str:
    """`bar 3, beat 2, alto`, as far as it is known."""
    words = []
    if bar is not None and bars:
        held = bars[min(bar, len(bars) - 1)]
        words.append(f"bar {held.number}")
        if at is not None:
            words.append(f"beat {show_beat(held.beat_of(held.onset + at))}")
    return ", ".join([*words, who] if who else words)


def _remarks(noted: list[tuple[str, int | None, Fraction | None, str]], bars: tuple[Bar, ...]) -> tuple[Remark, ...]:
    kinds: dict[str, list[str]] = {}
    for what, bar, at, who in noted:
        places = kinds.setdefault(what, [])
        where = place(bars, bar, at, who)
        if where not in places:
            places.append(where)
    remarks: list[Remark] = []
    for what, places in kinds.items():
        remarks.extend(Remark(what, where) for where in places[:MOST_PLACES])
        if len(places) > MOST_PLACES:
            remarks.append(Remark(f"{what} ({len(places) - MOST_PLACES} more places)"))
    return tuple(remarks)
