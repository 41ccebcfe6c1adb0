"""Bars as the other readers give them: numbered, missing bar lines put in, parts in their order.

Conventions: a bar is short when it has less than its time asks; a short bar that completes the one before is its
second half. Bars are named by index in the finished part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.reading.abc.music import Body
from undersong.reading.abc.voices import OpenBar
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawBar, RawPart


@dataclass(frozen=True, slots=True)
class Finished:
    """The parts of a tune with the marks that name bars: line ends, order of parts, line of the file of each bar."""

    parts: tuple[RawPart, ...]
    breaks: tuple[tuple[int, Fraction], ...]
    order: tuple[tuple[int, int], ...]
    lines: dict[str, int]


def finish(body: Body, notebook: Notebook) -> Finished:
    """Close all voices."""
    parts: list[RawPart] = []
    breaks: tuple[tuple[int, Fraction], ...] = ()
    order: tuple[tuple[int, int], ...] = ()
    lines: dict[str, int] = {}
    for voice in body.voices.values():
        opened = [bar for bar in voice.bars if bar.filled]
        if not opened:
            continue
        pieces = [_pieces(bar, notebook) for bar in opened]
        whole = [piece for group in pieces for piece in group]
        bars = _numbered(whole)
        if not parts:
            breaks = tuple((index, at) for index, bar in enumerate(whole) for at in bar.breaks)
            lines = {bar.number: one.line for bar, one in zip(bars, whole, strict=True)}
            order = _order(body, [len(group) for group in pieces], notebook)
        name = voice.options.name or voice.id
        parts.append(RawPart(voice.id, name, voice.options.short, bars))
    return Finished(tuple(parts), breaks, order, lines)


def _pieces(bar: OpenBar, notebook: Notebook) -> list[OpenBar]:
    """The bar, divided where a bar line is missing: at full bars, else where a line of music ends in it."""
    full = bar.time.bar_length
    if not full or bar.extent <= full:
        return [bar]
    wholes = [full * index for index in range(1, int(bar.extent / full) + 1) if full * index < bar.extent]
    ends = sorted({at for at in bar.breaks if 0 < at < bar.extent})
    for cuts in (wholes, ends):
        edges = [Fraction(0), *cuts, bar.extent]
        fits = cuts and all(after - before <= full for before, after in pairwise(edges))
        exact = cuts is ends or bar.extent % full == 0 or wholes[-1] in bar.breaks
        if fits and exact and not any(note.at < cut < note.end for note in bar.notes for cut in cuts):
            notebook.assume("a bar line is missing and is put in where the bar is full", who=f"line {bar.line}")
            return _cut(bar, edges)
    return [bar]


def _cut(bar: OpenBar, edges: list[Fraction]) -> list[OpenBar]:
    pieces = []
    for index, (start, end) in enumerate(pairwise(edges)):
        first, last = index == 0, index == len(edges) - 2

        def inside(at: Fraction, start: Fraction = start, end: Fraction = end, *, last: bool = last) -> bool:
            return start <= at < end or (last and at >= end)

        kept = [place for place, note in enumerate(bar.notes) if inside(note.at)]
        pieces.append(
            OpenBar(
                bar.line,
                bar.time,
                end - start,
                [replace(bar.notes[place], at=bar.notes[place].at - start) for place in kept],
                [replace(one, at=one.at - start) for one in bar.harmonies if inside(one.at)],
                [one for one in bar.barlines if (first if one.location == "left" else last)],
                [replace(one, at=one.at - start) for one in bar.directions if inside(one.at)],
                [replace(one, at=one.at - start) for one in bar.keys if inside(one.at)],
                [replace(one, at=one.at - start) for one in bar.times if inside(one.at)],
                bar.clefs if first else [],
                [at - start for at in bar.breaks if start < at <= end],
                {new: bar.words[place] for new, place in enumerate(kept) if place in bar.words},
            )
        )
    return pieces


def _numbered(bars: list[OpenBar]) -> tuple[RawBar, ...]:
    found: list[RawBar] = []
    number, half = 0, False
    for index, bar in enumerate(bars):
        full = bar.time.bar_length
        before = bars[index - 1] if index else None
        short = bool(full) and bar.extent < full
        completes = short and not half and before is not None and before.extent + bar.extent == full
        if not completes and not (index == 0 and short and len(bars) > 1):
            number += 1
        half = completes or (index == 0 and short)
        found.append(bar.closed(str(number), index, implicit=completes))
    return tuple(found)


def _order(body: Body, sizes: list[int], notebook: Notebook) -> tuple[tuple[int, int], ...]:
    """The parts named by P: in the header, as bars; () where there is no order or it cannot be followed."""
    if len(body.order) < 2 and not (body.order and len(body.marks) > 1):
        return ()
    if not body.marks:
        notebook.leave_out(f"an order of parts that are not marked in the music (P:{body.order[:20]})")
        return ()
    missing = sorted(set(body.order) - set(body.marks))
    if missing:
        notebook.leave_out(f"an order of parts, since part {missing[0]} is not marked in the music")
        return ()
    starts = [sum(sizes[:index]) for index in range(len(sizes) + 1)]
    begins = sorted((starts[min(bar, len(sizes))], label) for label, bar in body.marks.items())
    extents = {
        label: (start, (begins[index + 1][0] if index + 1 < len(begins) else starts[-1]) - 1)
        for index, (start, label) in enumerate(begins)
    }
    parts = [extents[label] for label in body.order if extents[label][0] <= extents[label][1]]
    leading = begins[0][0]
    return ((0, leading - 1), *parts) if leading else tuple(parts)
