"""What she put right in how a hymn was read, worked into the hymn.

Conventions: places are `bar.beat`. A place that the hymn does not have is passed over: it belongs to another edition.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from undersong.harmony.edits import onset_of
from undersong.model.edits import Amendments
from undersong.model.hymn import Hymn
from undersong.model.tune import Line, Tune


def amended(hymn: Hymn, wanted: Amendments) -> Hymn:
    """The hymn with her title, tune voice, verses, lines and breaths in it."""
    tune = hymn.tune
    if wanted.melody and tune.voice(wanted.melody):
        tune = replace(tune, melody=wanted.melody)
    if wanted.lines is not None:
        tune = replace(tune, lines=_lines(tune, _onsets(tune, wanted.lines)))
    if wanted.breaths is not None:
        tune = replace(tune, breaths=tuple(_onsets(tune, wanted.breaths)))
    kept = tuple(verse for verse in hymn.text.verses if not wanted.verses or verse.number in wanted.verses)
    return replace(
        hymn,
        title=wanted.title or hymn.title,
        tune_name=wanted.tune_name or hymn.tune_name,
        tune=tune,
        text=replace(hymn.text, verses=kept or hymn.text.verses),
    )


def _onsets(tune: Tune, places: Iterable[str]) -> list[Fraction]:
    found = set()
    for place in places:
        bar, _, beat = place.rpartition(".")
        try:
            found.add(onset_of(tune, bar, Fraction(beat)))
        except (ValueError, ZeroDivisionError):
            continue
    return sorted(found)


def _lines(tune: Tune, starts: list[Fraction]) -> tuple[Line, ...]:
    edges = [Fraction(0), *(start for start in starts if 0 < start < tune.length), tune.length]
    return tuple(Line(begin, end) for begin, end in pairwise(edges))


def place_of(tune: Tune, onset: Fraction) -> str:
    """A place along the page as `bar.beat`."""
    bar = tune.bars[tune.bar_at(onset)]
    return f"{bar.number}.{bar.beat_of(onset)}"
