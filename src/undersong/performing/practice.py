"""Practising: one hand missing, slowly, some bars over and over, counted in.

The musical problem: hymns are learnt in pieces: left hand with feet first, the tune left out, at half the pace, the
same four bars until they sit; and a choir learns each voice by itself. The pitch stays; only the pace changes, and with
it the touch.

Conventions: what is played is named by `PARTS`; paces in per cent of the hymn's own, 25 to 120. Clicks are seconds of
the performance and whether a bar begins there.

References: voices and pairs, tenor and bass first, a quarter to a third of the pace while fingering (organ training
course, lesson 7; C. Dean, AGO workshop, 2002).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import Accompaniment, Arrangement, PlacedBar, PlayedNote
from undersong.model.performance import Performance
from undersong.performing.excerpt import excerpt, moment, one_after_another, shifted

SLOWEST, FASTEST = 25, 120


def _limb(*limbs: str) -> Callable[[PlayedNote], bool]:
    return lambda note: note.limb in limbs


def _voice(part: str, printed: str) -> Callable[[PlayedNote], bool]:
    return lambda note: note.part == part or note.source == printed or printed in note.shared


PARTS: dict[str, Callable[[PlayedNote], bool]] = {
    "right": _limb("right hand"), "left": _limb("left hand"), "feet": _limb("feet", "left foot", "right foot"),
    "tune": lambda note: note.part == "tune", "soprano": _voice("tune", "soprano"), "alto": _voice("alto", "alto"),
    "tenor": _voice("tenor", "tenor"), "bass": _voice("bass", "bass"),
}  # fmt: skip
"""What can be practised alone or left out: limbs, the tune, and the four voices for the choir."""


def only(arrangement: Arrangement, wanted: Sequence[str], without: Sequence[str] = ()) -> Arrangement:
    """The notes of some parts (all where none are named), less those of others; KeyError for an unknown name."""
    takes, leaves = [PARTS[name] for name in wanted], [PARTS[name] for name in without]

    def plays(note: PlayedNote) -> bool:
        return (not takes or any(one(note) for one in takes)) and not any(one(note) for one in leaves)

    return replace(
        arrangement,
        sections=tuple(
            replace(section, notes=tuple(note for note in section.notes if plays(note)))
            for section in arrangement.sections
        ),
    )


def at_pace(arrangement: Arrangement, per_cent: float) -> Arrangement:
    """Every section slower or faster: 50 is half the pace; ValueError outside 25 to 120."""
    if not SLOWEST <= per_cent <= FASTEST:
        raise ValueError(f"{per_cent:g} is not a pace from {SLOWEST} to {FASTEST} per cent")
    share = Fraction(per_cent).limit_denominator(1000) / 100
    return replace(
        arrangement,
        sections=tuple(
            replace(one, pace=replace(one.pace, beats_per_minute=one.pace.beats_per_minute * share))
            for one in arrangement.sections
        ),
    )


@dataclass(frozen=True, slots=True)
class Practice:
    """What is to be heard: the performance, and clicks (seconds, whether a bar begins)."""

    performance: Performance
    clicks: tuple[tuple[float, bool], ...] = ()


def practice(
    performance: Performance, section: Accompaniment, bars: Sequence[PlacedBar], *, times: int = 1,
    count_in: bool = True, click: bool = False,
) -> Practice:  # fmt: skip
    """Some bars of a section, so many times, each time counted in by a full bar and what is missing before a pickup.

    Without bars the whole section is taken.
    """
    bars = bars or section.bars
    begin = moment(performance, section.id, bars[0].start)
    end = moment(performance, section.id, bars[-1].end)
    once = excerpt(performance, begin, end)
    beats = _beats(performance, section, bars, begin)
    counted = _count_in(section, bars[0]) if count_in else ()
    ahead = -counted[0][0] if counted else 0.0
    every = once.length_seconds + ahead
    clicks: list[tuple[float, bool]] = []
    for number in range(times):
        clicks += [(number * every + ahead + at, strong) for at, strong in counted]
        if click:
            clicks += [(number * every + ahead + at, strong) for at, strong in beats]
    whole = one_after_another([shifted(once, ahead)] * times)
    return Practice(whole, tuple(clicks))


def in_a_row(rows: Sequence[Practice], gap_seconds: float) -> Practice:
    """Several practices one after another."""
    begins, clicks = 0.0, list[tuple[float, bool]]()
    for one in rows:
        clicks += [(at + begins, strong) for at, strong in one.clicks]
        begins += one.performance.length_seconds + gap_seconds
    return Practice(one_after_another([one.performance for one in rows], gap_seconds), tuple(clicks))


def _beats(
    performance: Performance, section: Accompaniment, bars: Sequence[PlacedBar], begin: float
) -> list[tuple[float, bool]]:
    """Each beat of some bars; free time has none."""
    found = []
    for bar in bars:
        if not bar.time.beats:
            continue
        beat, place = bar.time.beat, bar.start
        if bar.pickup and bar.length % beat:
            place += bar.length % beat
        while place < bar.end:
            strong = place == bar.start and not bar.pickup
            found.append((moment(performance, section.id, place) - begin, strong))
            place += beat
    return found


def _count_in(section: Accompaniment, first: PlacedBar) -> tuple[tuple[float, bool], ...]:
    """Beats before the first note, as negative seconds: a full bar, and the beats a pickup's bar lacks."""
    if not first.time.beats:
        beat, count, missing = section.pace.beat, 4, Fraction(0)
    else:
        beat, count = first.time.beat, int(first.time.bar_length / first.time.beat)
        missing = first.time.bar_length - first.length if first.pickup else Fraction(0)
    begins = -(count * beat + missing)
    places = [begins + index * beat for index in range(int(-begins / beat) + 1) if begins + index * beat < 0]
    return tuple((section.pace.seconds(place), index % count == 0) for index, place in enumerate(places))
