"""Repeat signs inside a bar: the bar is divided there, as if it had been printed as two.

Hymn tunes with an upbeat are often repeated from the middle of a bar. Some files write two bars for it, some one
bar with a barline in its middle; after this step there is only the first kind.

Conventions: a bar is divided in all parts or in none; it stays whole where a note sounds across the place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from undersong.reading.raw import RawBar, RawBarline, RawPart, RawScore


def divided(score: RawScore) -> RawScore:
    """The same score with bars divided at repeat signs in their middle."""
    cuts = _cuts(score)
    return replace(score, parts=tuple(_part(part, cuts) for part in score.parts)) if cuts else score


def _cuts(score: RawScore) -> dict[int, Fraction]:
    wanted = {
        index: line.at
        for part in score.parts
        for index, bar in enumerate(part.bars)
        for line in bar.barlines
        if line.location == "middle" and line.repeat and line.at
    }
    return {index: at for index, at in wanted.items() if not any(_crossed(part, index, at) for part in score.parts)}


def _crossed(part: RawPart, index: int, at: Fraction) -> bool:
    if index >= len(part.bars):
        return False
    return any(note.at < at < note.end and not note.rest for note in part.bars[index].notes)


def _part(part: RawPart, cuts: dict[int, Fraction]) -> RawPart:
    bars: list[RawBar] = []
    for index, bar in enumerate(part.bars):
        at = cuts.get(index)
        pieces = (bar,) if at is None else (_piece(bar, at, before=True), _piece(bar, at, before=False))
        for piece in pieces:
            bars.append(_placed(piece, len(bars)))
    return replace(part, bars=tuple(bars))


def _placed(bar: RawBar, index: int) -> RawBar:
    return replace(
        bar,
        notes=tuple(replace(note, bar=index) for note in bar.notes),
        harmonies=tuple(replace(harmony, bar=index) for harmony in bar.harmonies),
    )


def _piece(bar: RawBar, cut: Fraction, *, before: bool) -> RawBar:
    """The part of a bar before or after the place, with positions counted from its own beginning."""
    inside: Callable[[Fraction], bool] = (lambda at: at < cut) if before else (lambda at: at >= cut)
    shift = Fraction(0) if before else cut
    return RawBar(
        bar.number if before else "",
        bar.implicit if before else True,
        min(bar.extent, cut) if before else max(bar.extent - cut, Fraction(0)),
        tuple(
            replace(note, at=note.at - shift, length=min(note.length, cut - note.at) if before else note.length)
            for note in bar.notes
            if inside(note.at)
        ),
        tuple(replace(one, at=one.at - shift) for one in bar.harmonies if inside(one.at)),
        tuple(_moved(line, before=before) for line in bar.barlines if _belongs(line, before=before)),
        tuple(replace(one, at=one.at - shift) for one in bar.directions if inside(one.at)),
        tuple(replace(one, at=one.at - shift) for one in bar.keys if inside(one.at)),
        tuple(replace(one, at=one.at - shift) for one in bar.times if inside(one.at)),
        bar.clefs if before else (),
    )


def _belongs(line: RawBarline, *, before: bool) -> bool:
    if line.location == "middle":
        return (line.repeat != "forward") is before
    return (line.location == "left") is before


def _moved(line: RawBarline, *, before: bool) -> RawBarline:
    if line.location != "middle":
        return line
    return replace(line, location="right" if before else "left")
