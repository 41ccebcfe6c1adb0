"""Played time to written time: the beat is found, followed, and divided.

A file that was written out by a program stands on its own ticks; one that was played beside them does not. So the
ticks are tried first; where the strokes do not stand on them, a beat is looked for in the strokes themselves and
followed as it drifts. Each beat is then divided in two, four and eight or in three and six, whichever is nearer to
what was played and simpler.

Conventions: `place` is in quarter notes as played (a float), `onset` in quarter notes as written (a `Fraction`).
Costs are negative logarithms of likelihood. `spread` is the standard deviation of the strokes about the grid, in
quarter notes.

References: C. Raphael, ISMIR 2001 (likelihood against simplicity); E. Large,
"Beat tracking with a nonlinear oscillator", 1995 (phase and period corrected at each stroke).
"""

from __future__ import annotations

import cmath
import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import pairwise
from statistics import fmean, median

LEVELS: dict[int, dict[int, float]] = {
    2: {1: 0.0, 2: 0.7, 4: 2.0, 8: 6.0},
    3: {1: 0.0, 3: 1.5, 6: 5.0},
}
"""For beats divided in two and in three: each depth of division and what a stroke there costs. Set by trial."""
THREE_COSTS = 3.0
"""What a beat divided in three costs against one divided in two."""
LEAST_SPREAD = 0.012
FITS = 0.55
"""How well strokes agree on a grid (0 not at all, 1 exactly) so that it is believed."""
SWING = (0.56, 0.72)
"""Where the second of two swung quavers stands in the beat."""
LONG_USUAL, SHORT_USUAL = 1.4, 0.55
"""Bounds in beats of the mean note where the beat is found by ear."""
SHORTEST_TOUCH = 0.5
"""Notes held for less of their length than this are written as short notes and rests."""
SLOWEST_BEAT_SECONDS, FASTEST_BEAT_SECONDS = 1.2, 0.35


@dataclass(frozen=True, slots=True)
class Grid:
    """How strokes become written time, and what had to be supposed for it."""

    spread: float
    followed: bool
    swung: bool
    threes: frozenset[int]
    """Beats divided in three."""
    warp: Callable[[float], float]
    finest: int = 8

    def onset(self, place: float) -> Fraction:
        """The written place of a stroke."""
        moved = self.warp(place)
        family = 3 if math.floor(moved + 0.08) in self.threes else 2
        return _snapped(moved, family, self.spread, self.finest, self.swung)[0]


def find_grid(
    places: Sequence[float], lengths: Sequence[float], quarter_seconds: float, finest: int | None = None
) -> Grid:
    """The grid of a performance. `places` are strokes in quarter notes by the file's ticks, in order.

    `lengths` say how long each is held; `quarter_seconds` is the file's own beat. `finest` is the
    smallest division of a quarter note, when it is given from outside (4 is a semiquaver).
    """
    warp, followed = _beat(places, lengths, quarter_seconds)
    moved = [warp(place) for place in places]
    swung = _swings(moved)
    levels = [min((_near(one, division) for division in (4, 3)), key=abs) for one in moved]
    spread = max(LEAST_SPREAD, min(0.06, 1.4826 * median(map(abs, levels)) * 1.15))
    most = finest or 8
    threes = frozenset() if swung else _threes(moved, spread, most)
    return Grid(spread, followed, swung, threes, warp, most)


def _near(place: float, division: int) -> float:
    return place - round(place * division) / division


def _snapped(place: float, family: int, spread: float, finest: int, swung: bool) -> tuple[Fraction, float]:
    best: tuple[float, Fraction] | None = None
    beat = math.floor(place)
    if swung and SWING[0] - 0.05 < place - beat < SWING[1] + 0.05:
        return Fraction(2 * beat + 1, 2), 0.0
    for division, cost in LEVELS[family].items():
        if division > finest:
            continue
        at = Fraction(round(place * division), division)
        total = cost + (place - float(at)) ** 2 / (2 * spread * spread)
        if best is None or total < best[0]:
            best = (total, at)
    assert best is not None
    return best[1], best[0]


def _threes(places: Sequence[float], spread: float, finest: int) -> frozenset[int]:
    """Beats whose strokes stand in three."""
    costs: dict[int, list[float]] = {}
    for place in places:
        beat = math.floor(place + 0.08)
        both = costs.setdefault(beat, [0.0, THREE_COSTS])
        both[0] += _snapped(place, 2, spread, finest, False)[1]
        both[1] += _snapped(place, 3, spread, finest, False)[1]
    found = {beat for beat, (two, three) in costs.items() if three < two}
    # One lonely triplet among hundreds of beats is more often a late quaver.
    return frozenset(found) if len(found) > len(costs) // 50 or spread <= LEAST_SPREAD else frozenset()


def _swings(places: Sequence[float]) -> bool:
    """True where the off-beats are late throughout and nothing else divides the beat."""
    inside = [place - math.floor(place) for place in places]
    off = [one for one in inside if 0.12 < one < 0.88]
    if len(off) < 6:
        return False
    middle = median(off)
    near = sum(1 for one in off if abs(one - middle) < 0.09)
    return SWING[0] <= middle <= SWING[1] and near >= 0.9 * len(off)


def agreement(places: Sequence[float], division: float) -> tuple[float, float]:
    """How well places stand on a grid of 1/`division` (0 to 1), and how far the grid is shifted."""
    if not places:
        return 0.0, 0.0
    mean = sum(cmath.exp(2j * math.pi * place * division) for place in places) / len(places)
    return abs(mean), cmath.phase(mean) / (2 * math.pi * division)


def _beat(
    places: Sequence[float], lengths: Sequence[float], quarter_seconds: float
) -> tuple[Callable[[float], float], bool]:
    """From places on the file's ticks to places on the beat."""
    for division, least in ((2, FITS), (4, FITS), (3, FITS)):
        fit, shift = agreement(places, division)
        if fit >= least or len(places) < 8:
            if abs(shift) < 0.04 or len(places) < 8:
                return (lambda place: place), False
            return partial(_shifted, shift=shift), abs(shift) > 0.1
    if _swings(places):
        return (lambda place: place), False
    warp = _follow(places, _period(places, quarter_seconds))
    usual = fmean(warp(place + length) - warp(place) for place, length in zip(places, lengths, strict=True))
    # A beat that is half or twice as long would do as well: hymns are mostly written in crotchets.
    scale = 0.5 if usual > LONG_USUAL else 2.0 if usual < SHORT_USUAL else 1.0
    return (lambda place: warp(place) * scale), True


def _shifted(place: float, *, shift: float) -> float:
    return place - shift


def _windows(places: Sequence[float], width: float) -> list[list[float]]:
    found: list[list[float]] = []
    for place in places:
        if not found or place > found[-1][0] + width:
            found.append([])
        found[-1].append(place)
    return [window for window in found if len(window) >= 4]


def _period(places: Sequence[float], quarter_seconds: float) -> float:
    """The beat in the file's quarter notes, by agreement inside short windows."""
    windows = _windows(places, 6.0 / quarter_seconds)

    def local(period: float) -> float:
        total = sum(agreement(window, 1 / period)[0] + agreement(window, 2 / period)[0] for window in windows)
        return total / max(1, len(windows))

    if local(1.0) > 1.1:
        return 1.0
    low, high = FASTEST_BEAT_SECONDS / quarter_seconds, SLOWEST_BEAT_SECONDS / quarter_seconds
    count = 160
    periods = [low * math.pow(high / low, index / count) for index in range(count + 1)]
    scores = {
        period: local(period) - 0.15 * abs(math.log2(period * quarter_seconds / 0.65)) - 0.15 * abs(math.log2(period))
        for period in periods
    }
    return max(scores, key=lambda period: scores[period])


def _follow(places: Sequence[float], period: float) -> Callable[[float], float]:
    """A beat that starts with the first stroke and is corrected, in phase and period, at each chord."""
    chords: list[list[float]] = []
    for place in places:
        if chords and place - chords[-1][0] < 0.12 * period:
            chords[-1].append(place)
        else:
            chords.append([place])
    at, beat, now = sum(chords[0]) / len(chords[0]), 0.0, period
    knots = [(at, beat)]
    for chord in chords[1:]:
        place = sum(chord) / len(chord)
        expected = beat + (place - at) / now
        near = Fraction(round(expected * 2), 2)
        if abs(expected - near) > 0.17:
            near = Fraction(round(expected * 4), 4)
        error = expected - float(near)
        now *= 1 + 0.12 * error / max(1.0, expected - beat)
        now = min(max(now, period * 0.75), period * 1.35)
        at, beat = place, expected - 0.4 * error
        if at > knots[-1][0] and beat > knots[-1][1]:
            knots.append((at, beat))

    edges = [knot[0] for knot in knots]

    def warp(place: float) -> float:
        index = bisect_left(edges, place)
        if index == 0:
            return knots[0][1] + (place - knots[0][0]) / period
        if index == len(knots):
            return knots[-1][1] + (place - knots[-1][0]) / now
        (left, low), (right, high) = knots[index - 1], knots[index]
        return low + (high - low) * (place - left) / (right - left)

    return warp


def settle_lengths(strokes: Sequence[tuple[Fraction, float]], grid: Grid) -> list[tuple[Fraction, Fraction]]:
    """Written onsets and lengths of one voice, from its written onsets and its ends on the beat's clock.

    A note lasts to the next one unless the silence between them is long enough to be a printed rest. Where notes are
    held for a part of their length throughout, all of them are lengthened alike.
    """
    touch = _touch(strokes)
    found: list[tuple[Fraction, Fraction]] = []
    for index, (onset, end) in enumerate(strokes):
        after = strokes[index + 1][0] if index + 1 < len(strokes) else None
        full = float(onset) + (end - float(onset)) / touch
        found.append((onset, _end_of(onset, full, after, grid.spread) - onset))
    return found


def _touch(strokes: Sequence[tuple[Fraction, float]]) -> float:
    """For what part of their length notes are held: 1 for connected playing, less for detached."""
    shares = [
        (end - float(onset)) / float(after - onset) for (onset, end), (after, _) in pairwise(strokes) if after > onset
    ]
    usual = median(shares) if len(shares) > 3 else 1.0
    return usual if SHORTEST_TOUCH <= usual < 0.95 else 1.0


def _end_of(onset: Fraction, moved: float, after: Fraction | None, spread: float) -> Fraction:
    if after is None:
        length = max(Fraction(1, 2), Fraction(round((moved + 0.1 - float(onset)) * 2), 2))
        return onset + (Fraction(round(length + Fraction(1, 5))) if length > 1 else length)
    gap = float(after) - moved
    if gap < 0.3 or gap < 0.15 * (float(after) - float(onset)):
        return after
    half = Fraction(round(moved * 2), 2)
    exact = abs(moved - float(half)) < 2.5 * spread
    if half > onset and exact and after - half >= Fraction(1, 2):
        return half
    if gap < 0.4 * (float(after) - float(onset)):
        return after
    written = Fraction(round(moved * 4), 4)
    return min(after, max(written, onset + Fraction(1, 4)))
