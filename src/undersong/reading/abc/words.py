r"""Words under the notes: a `w:` line set syllable by syllable under the notes before it.

Conventions: a *slot* is a note that may carry a syllable: no rest, no grace note, a chord once, each note of a tie or
slur for itself. Slots are given with the bar they stand in.

References: ABC standard 2.1, section 5 (lyrics): `-` `_` `*` `~` `\-` `|`.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from undersong.model.text import Hyphen

_LABEL = re.compile(r"\d{1,2}[.):]")


@dataclass(frozen=True, slots=True)
class Item:
    """One step of a line of words: a syllable, a hold (`_`, or a hyphen by itself), a skip (`*`), a bar (`|`)."""

    kind: str
    text: str = ""
    joined: bool = False
    """A hyphen leads to the next syllable."""


@dataclass(frozen=True, slots=True)
class Set:
    """A syllable at a slot (index), with its place in the word and whether it is held over following notes."""

    slot: int
    text: str
    hyphen: Hyphen
    extend: bool


@dataclass(frozen=True, slots=True)
class Aligned:
    """Syllables at their slots, the syllables that found none, whether a word goes on in the next line."""

    syllables: tuple[Set, ...]
    left: int
    goes_on: bool
    held: bool = False
    """The line begins with a hold of the syllable before it."""


def items_of(line: str) -> tuple[Item, ...]:
    """The steps of a line of words."""
    found: list[Item] = []
    syllable = ""

    def close(*, joined: bool = False) -> None:
        nonlocal syllable
        if syllable:
            found.append(Item("syllable", syllable, joined))
        syllable = ""

    index = 0
    while index < len(line):
        letter = line[index]
        if letter == "\\" and index + 1 < len(line) and line[index + 1] in "-_*~|\\":
            syllable += line[index + 1]
            index += 1
        elif letter in " \t":
            close()
        elif letter == "-":
            if syllable:
                close(joined=True)
            else:
                found.append(Item("hold", "-"))
        elif letter in "_*|":
            close()
            found.append(Item({"_": "hold", "*": "skip", "|": "bar"}[letter], letter))
        else:
            syllable += " " if letter == "~" else letter
        index += 1
    close()
    return tuple(found)


def with_label(items: tuple[Item, ...]) -> tuple[tuple[Item, ...], bool]:
    """A verse number that stands by itself is joined to the first syllable; True when it was."""
    if len(items) > 1 and items[0].kind == items[1].kind == "syllable" and _LABEL.fullmatch(items[0].text):
        first = Item("syllable", f"{items[0].text} {items[1].text}", items[1].joined)
        return (first, *items[2:]), True
    return items, False


def count_slots(items: Sequence[Item]) -> int:
    """How many notes a line of words asks for."""
    return sum(1 for item in items if item.kind != "bar")


def align(items: Sequence[Item], bars: Sequence[int], *, goes_on: bool = False) -> Aligned:
    """Set the steps under slots whose bars (rising) are given; `goes_on` when the line before ended in a hyphen."""
    sets: list[Set] = []
    slot, left = 0, 0
    bar = bars[0] if bars else 0
    for item in items:
        if item.kind == "bar":
            bar += 1
            slot = max(slot, bisect_left(bars, bar))
            continue
        if slot >= len(bars):
            left += item.kind == "syllable"
            continue
        if item.kind == "syllable":
            hyphen = _place(goes_on, item.joined)
            sets.append(Set(slot, item.text, hyphen, extend=False))
            goes_on = item.joined
        elif item.kind == "hold" and item.text == "_" and sets:
            last = sets[-1]
            sets[-1] = Set(last.slot, last.text, last.hyphen, extend=True)
        elif item.kind == "hold" and item.text == "-" and sets and not goes_on:
            last = sets[-1]
            sets[-1] = Set(last.slot, last.text, "middle" if last.hyphen in ("middle", "end") else "begin", last.extend)
            goes_on = True
        slot += 1
    held = bool(items) and items[0].kind == "hold" and items[0].text == "_"
    return Aligned(tuple(sets), left, goes_on, held)


def _place(came: bool, goes_on: bool) -> Hyphen:
    if came:
        return "middle" if goes_on else "end"
    return "begin" if goes_on else "single"
