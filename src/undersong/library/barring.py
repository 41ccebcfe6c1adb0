"""The bar lines of a hymn moved, because its upbeat is longer or shorter than was read.

The problem: a file may have no mark for its upbeat, or a wrong one; then every bar line stands at the wrong place.
Moving them must lose nothing: every note, word, chord, breath and repeat stays where it is along the page, and only
the lines between them move, all by as much as the upbeat grows.

Conventions: places are quarter notes along the page. Repeat signs and double bars stay at their place; where that
comes to lie inside a bar, the bar is divided, as such hymns are printed. Notes are cut at the new lines and tied, and
notes that were tied over an old line only are joined.

References: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise, takewhile

from undersong.model.hymn import Hymn
from undersong.model.tune import Bar, Note, Repeat, Tune

GRID = 48
"""Parts of a quarter note at which a bar line may stand."""
AT_END = ("backward", "ending-stop", "fine", "dacapo", "dalsegno", "tocoda")
"""Signs that stand at the end of their bar; the others stand at its beginning."""


def upbeat(tune: Tune) -> Fraction:
    """The length of the upbeat in quarter notes, 0 without one."""
    return sum((bar.length for bar in takewhile(lambda one: one.pickup, tune.bars)), Fraction(0))


def with_upbeat(hymn: Hymn, length: Fraction) -> Hymn:
    """The hymn with an upbeat of so many quarter notes; ValueError unless it is shorter than a bar."""
    tune = hymn.tune
    if length == upbeat(tune):
        return hymn
    full = tune.bars[0].time.bar_length
    if not 0 <= length < full or length >= tune.length or GRID % length.denominator:
        raise ValueError("an upbeat is shorter than a bar")
    bars = _bars(tune, length - upbeat(tune))
    fresh = {bar.onset for bar in bars}
    rhythms = [one for verse in hymn.text.verses for one in verse.rhythms]
    gone = {bar.onset for bar in tune.bars} - fresh - {edge for one in rhythms for edge in (one.onset, one.end)}
    made = replace(
        tune, bars=bars, voices=tuple(replace(one, notes=_cut(one.notes, gone, fresh)) for one in tune.voices),
        route=tuple(
            replace(one, first=_begins(bars, tune.bars[one.first].onset), last=_ends(bars, tune.bars[one.last].end))
            for one in tune.route
        ),
        repeats=tuple(replace(one, bar=_where(bars, tune, one)) for one in tune.repeats),
    )  # fmt: skip
    verses = tuple(
        replace(
            verse, rhythms=tuple(replace(one, notes=_cut(one.notes, gone, fresh)) for one in verse.rhythms)
        )
        for verse in hymn.text.verses
    )  # fmt: skip
    return replace(hymn, tune=made, text=replace(hymn.text, verses=verses))


def _bars(tune: Tune, away: Fraction) -> tuple[Bar, ...]:
    """The page in bars whose lines lie so far from the old ones."""
    old = [bar for bar in tune.bars if not bar.pickup]
    lines = {bar.onset + away: bar for bar in old if 0 < bar.onset + away < tune.length}
    last = old[-1]
    while (beyond := max(lines, default=Fraction(0)) + last.time.bar_length) < tune.length and last.time.beats:
        lines[beyond] = last
    signs = {_place(tune, sign) for sign in tune.repeats}
    signs |= {tune.bars[one.first].onset for one in tune.route} | {tune.bars[one.last].end for one in tune.route}
    doubles = {bar.end for bar in tune.bars if bar.double}
    places = sorted({Fraction(0), *lines, *(one for one in signs | doubles if 0 < one < tune.length), tune.length})
    found: list[Bar] = []
    now, number, letter = old[0], 0, "a"
    for start, end in pairwise(places):
        now = lines.get(start, now)
        begins = start in lines or (start == 0 and away <= 0 and upbeat(tune) == -away)
        if begins:
            number, letter = number + 1, "a"
            name = str(number)
        elif not found:
            name = "0"
        else:
            letter = chr(ord(letter) + 1)
            name = f"{number}{letter}"
        found.append(Bar(name, start, end - start, now.time, now.key, pickup=not begins, double=end in doubles))
    return tuple(found)


def _place(tune: Tune, sign: Repeat) -> Fraction:
    bar = tune.bars[sign.bar]
    return bar.end if sign.kind in AT_END else bar.onset


def _where(bars: Sequence[Bar], tune: Tune, sign: Repeat) -> int:
    place = _place(tune, sign)
    return _ends(bars, place) if sign.kind in AT_END else _begins(bars, place)


def _begins(bars: Sequence[Bar], place: Fraction) -> int:
    return next(index for index, bar in enumerate(bars) if bar.onset == place)


def _ends(bars: Sequence[Bar], place: Fraction) -> int:
    return next(index for index, bar in enumerate(bars) if bar.end == place)


def _cut(notes: Sequence[Note], gone: set[Fraction], fresh: set[Fraction]) -> tuple[Note, ...]:
    """The notes joined over lines that are gone, and cut and tied at the fresh ones."""
    joined: list[Note] = []
    for note in notes:
        before = joined[-1] if joined else None
        if before and before.tied and before.end == note.onset in gone and before.pitch == note.pitch:
            joined[-1] = replace(before, length=before.length + note.length, tied=note.tied)
        else:
            joined.append(note)
    found: list[Note] = []
    for note in joined:
        inside = sorted(line for line in fresh if note.onset < line < note.end)
        for start, end in pairwise([note.onset, *inside, note.end]):
            tied = note.tied if end == note.end else True
            found.append(replace(note, onset=start, length=end - start, tied=tied))
    return tuple(found)
