"""What she put right in how a hymn was read, worked into the hymn.

Conventions: the upbeat is put right first; places are `bar.beat` of the bars that there are then. A place that the
hymn does not have is passed over: it belongs to another edition.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from undersong.errors import UnknownName
from undersong.harmony.edits import onset_of
from undersong.library.barring import with_upbeat
from undersong.model.edits import Amendments, Edit, Edits
from undersong.model.hymn import Hymn
from undersong.model.tune import Line, Tune


def amended(hymn: Hymn, wanted: Amendments) -> Hymn:
    """The hymn with her title, upbeat, tune voice, verses, lines and breaths in it; UnknownName for no upbeat."""
    hymn = _with_upbeat(hymn, wanted.pickup)
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


def _with_upbeat(hymn: Hymn, beats: str) -> Hymn:
    if not beats:
        return hymn
    try:
        return with_upbeat(hymn, Fraction(beats.replace(",", ".")) * hymn.tune.bars[0].time.beat)
    except (ValueError, ZeroDivisionError, IndexError):
        told = "Write how many beats it has, such as 1 or 1/2, fewer than a bar has; 0 for none."
        raise UnknownName(f"{beats!r} is no upbeat here", remedy=told) from None


def moved(amendments: Amendments, edits: Edits, before: Tune, after: Tune) -> tuple[Amendments, Edits]:
    """Her places, said of a page, as they are said where its bar lines have moved; another page keeps them."""
    if (before.length, _begins(before)) != (after.length, _begins(after)):
        return amendments, edits

    def there(place: str) -> str:
        found = _onsets(before, [place])
        return place_of(after, found[0]) if found and found[0] < after.length else place

    def edit_there(edit: Edit) -> Edit:
        bar, _, beat = there(f"{edit.bar}.{edit.beat}").rpartition(".")
        return replace(edit, bar=bar, beat=beat)

    lines, breaths = (
        places if places is None else tuple(there(place) for place in places)
        for places in (amendments.lines, amendments.breaths)
    )
    return replace(amendments, lines=lines, breaths=breaths), Edits(tuple(edit_there(one) for one in edits.edits))


def _begins(tune: Tune) -> Fraction | None:
    return next((note.onset for note in tune.tune_voice.notes), None)


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
