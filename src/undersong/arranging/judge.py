"""Is this section in good style? The rules of the craft checked on the finished notes, whoever laid them out.

`judge` runs the rows that decide about repairs, `judge_finished` those that wait for the finished verse, `review` all
of them, also those that need a neighbour or the performance. Rule numbers are those of the
project's craft rules; the rows stand in `rules.table`.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from undersong.arranging.rules import lines
from undersong.arranging.rules.case import MOVING, Case
from undersong.arranging.rules.table import RULES, When
from undersong.arranging.walked import WalkedVerse
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.harmony import Harmony
from undersong.model.kept import kept
from undersong.model.performance import Performance
from undersong.textures.places import PLACES

__all__ = ["MOVING", "counted_beats", "judge", "judge_finished", "missing_beats", "review"]


def judge(accompaniment: Accompaniment, verse: WalkedVerse) -> tuple[Finding, ...]:
    """The findings that every rung of the ladder of repairs is judged by, in order of time."""
    case = _case(accompaniment, verse)
    return _in_order([*_tune_missing(case), *_run(case, ("rung",))])


def review(
    accompaniment: Accompaniment,
    verse: WalkedVerse | None = None,
    *,
    following: Accompaniment | None = None,
    performance: Performance | None = None,
    harmony: Harmony | None = None,
) -> tuple[Finding, ...]:
    """All findings of the craft for one finished section, in order of time.

    `verse` is what it was laid out from, `following` the section played after it, `performance` how the
    whole sounds, `harmony` where the chords come from; what is not given is not judged by.
    """
    case = Case(accompaniment, verse, following, performance, harmony)
    return _in_order([*_tune_missing(case), *_run(case, ("rung", "finished", "between"))])


def judge_finished(accompaniment: Accompaniment, verse: WalkedVerse) -> tuple[Finding, ...]:
    """What `judge` leaves for the finished verse: the findings that no repair is decided by."""
    return _in_order([*_run(_case(accompaniment, verse), ("finished",))])


@kept(8)
def _case(accompaniment: Accompaniment, verse: WalkedVerse) -> Case:
    """One for a rung of the ladder and for the finished verse, with all that is worked out in it."""
    return Case(accompaniment, verse)


def _run(case: Case, when: tuple[When, ...]) -> Iterator[Finding]:
    for rule in RULES:
        if rule.when in when:
            yield from rule.check(case)


def _in_order(found: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda one: (one.start, one.kind)))


def _tune_missing(case: Case) -> Iterator[Finding]:
    """The tune is complete; no rule of style, but what all of them rest on."""
    if case.verse is None:
        return
    octaves = 12 * PLACES[case.section.tune].octaves
    played = {(key.start, key.end, key.midi) for key in case.tune}
    for note in case.verse.sounded_tune:
        if (note.start, note.end, note.midi + octaves) not in played:
            yield case.tell("tune-missing", note.start, pitch=note.pitch)


def missing_beats(accompaniment: Accompaniment) -> tuple[Fraction, ...]:
    """R14: beats from the first of a line to the onset of its last chord that neither hand nor foot strikes."""
    return lines.missing_beats(Case(accompaniment))


def counted_beats(accompaniment: Accompaniment) -> tuple[Fraction, ...]:
    """The beats that R14 asks to be struck."""
    return Case(accompaniment).counted_beats
