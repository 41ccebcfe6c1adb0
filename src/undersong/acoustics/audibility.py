"""How clear a tune stands over its accompaniment, and how loud the whole must be for those who sing.

The musical problem: an Oboe stands over flutes and drowns in a chorus; a flute an octave up is clear where the same
flute at pitch is not, though it is hardly louder. Level alone does not tell: what counts is how much of the solo's
loudness is left while the accompaniment sounds (partial loudness).

Conventions: sounds are partials (frequency in hertz, power); only ratios of powers count. Auditory bands stand half an
ERB apart from 2 to 38. The measure is 0 (inaudible) to 1 (as if alone). No threshold of hearing, room or time.

References: ERB bands and roex filters after Glasberg and Moore (textbook values from memory); exponent 0.3; thresholds
assumed (project notes on sound, section 6). A-weighting: IEC 61672-1, formula from memory, checked at its fixed points
in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import exp, log, log10

Partials = Sequence[tuple[float, float]]
"""Frequency in hertz and power."""

CLEAR, BURIED = 0.5, 0.25
"""From 0.5 on the tune is clear, below 0.25 it is buried."""
COMPRESSION = 0.3


Excitation = tuple[float, ...]
"""Energy in each auditory band."""

BANDS = tuple((10 ** (0.5 * step / 21.4) - 1) * 1000 / 4.37 for step in range(4, 77))
"""Centres of the auditory bands in hertz, 2 to 38 ERB."""
SLOPES = tuple(4 * centre / (24.7 * (4.37 * centre / 1000 + 1)) for centre in BANDS)
FARTHEST = 22.0
"""Beyond so many slopes a band hears nothing (some 80 dB down)."""
GRAIN = 2000
"""Frequencies are told apart by one part in so many."""


@lru_cache(maxsize=32_768)
def _spread(grain: int) -> tuple[int, tuple[float, ...]]:
    """The first band that hears a frequency, and how much this and the next ones hear of it."""
    hertz = exp(grain / GRAIN)
    heard = []
    for index, (centre, slope) in enumerate(zip(BANDS, SLOPES, strict=True)):
        away = slope * abs(hertz - centre) / centre
        if away <= FARTHEST:
            heard.append((index, (1 + away) * exp(-away)))
    return (heard[0][0], tuple(weight for _, weight in heard)) if heard else (0, ())


def excitation(partials: Partials) -> Excitation:
    """Energy in each auditory band."""
    merged: dict[int, float] = {}
    for hertz, power in partials:
        grain = round(GRAIN * log(hertz))
        merged[grain] = merged.get(grain, 0.0) + power
    total = [0.0] * len(BANDS)
    for grain, power in merged.items():
        first, weights = _spread(grain)
        for index, weight in enumerate(weights, first):
            total[index] += weight * power
    return tuple(total)


def clarity(solo: Partials, accompaniment: Partials) -> float:
    """How much of the solo's loudness is left over the accompaniment: 0 to 1; 0 for no solo."""
    return clarity_of(excitation(solo), excitation(accompaniment))


def clarity_of(solo: Excitation, accompaniment: Excitation) -> float:
    """As `clarity`, from excitations (which add)."""
    alone = sum(energy**COMPRESSION for energy in solo)
    if not alone:
        return 0.0
    both = sum(
        (one + other) ** COMPRESSION - other**COMPRESSION for one, other in zip(solo, accompaniment, strict=True)
    )
    return float(both / alone)


def power_db(partials: Partials) -> float:
    """Power of a sound in dB; -inf is avoided: silence is -200 dB."""
    return 10 * log10(max(sum(power for _, power in partials), 1e-20))


@lru_cache(maxsize=8192)
def a_weight_db(hertz: float) -> float:
    """A-weighting in dB.

    >>> abs(round(a_weight_db(1000.0), 1))
    0.0
    """
    square = hertz * hertz
    response = 12194.0**2 * square**2 / (
        (square + 20.6**2) * (square + 12194.0**2) * ((square + 107.7**2) * (square + 737.9**2)) ** 0.5
    )  # fmt: skip
    return 20 * log10(response) + 2.0


def a_weighted_db(partials: Partials) -> float:
    """A-weighted level of a sound in dB, as `power_db`."""
    return 10 * log10(max(sum(power * 10 ** (a_weight_db(hertz) / 10) for hertz, power in partials), 1e-20))


# --- enough for the singers ------------------------------------------------------------------------

EIGHTY_SINGERS_DB = 1.5
"""A-weighted level of a four-part chord (same scale) that carries 80 singers.

So that flutes 8 and 4 carry 20, a Diapason 8 carries 80, and a chorus with mixture 200 (the usual build-up; assumed).
"""


def level_wanted_db(singers: int) -> float:
    """The level a number of singers needs: 3 dB more for twice as many."""
    return EIGHTY_SINGERS_DB + 10 * log10(max(1, singers) / 80)
