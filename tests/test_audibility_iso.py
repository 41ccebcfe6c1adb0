"""The measure of clarity against a loudness standard: ISO 532-1 (Zwicker, stationary) as mosqito reckons it.

The outside figure for a solo over an accompaniment is (loudness of both - loudness of the accompaniment) / loudness of
the solo alone, the sum at 83 dB SPL.
"""

from __future__ import annotations

import random
from functools import lru_cache

import numpy as np
import pytest
from mosqito.sq_metrics import loudness_zwst
from numpy.typing import NDArray

from test_registration import ACCOMPANIMENT, CHORUS_STOPS, DIAPASON, FLUTE, sound
from undersong.acoustics.audibility import clarity

RATE = 48_000
Sound = tuple[tuple[str, ...], tuple[int, ...]]

TABLE: tuple[tuple[tuple[str, ...], int], ...] = (
    (("Oboe 8",), 76), (("Trumpet 8",), 76), (("Gedackt 8",), 76), (("Gedackt 8", "Octave 4"), 76), (("Oboe 8",), 64),
    (("Gedackt 8",), 64),
)  # fmt: skip


Partials = list[tuple[float, float]]


def wave(partials: Partials) -> NDArray[np.float64]:
    """A quarter second of partials with seeded phases; powers of one frequency add, as those of two pipes do."""
    merged: dict[int, float] = {}
    for hertz, power in partials:
        merged[round(4 * hertz)] = merged.get(round(4 * hertz), 0.0) + power
    phases = np.random.default_rng(1).uniform(0, 2 * np.pi, len(merged))
    time = np.arange(RATE // 4) / RATE
    rows = np.array(list(merged)) / 4
    tones = np.cos(2 * np.pi * rows[:, None] * time + phases[:, None])
    return np.asarray((np.sqrt(2 * np.array(list(merged.values())))[:, None] * tones).sum(axis=0))


@lru_cache(maxsize=256)
def by_the_standard(solo: Sound, under: Sound) -> float:
    alone, below = sound(*solo), sound(*under)
    together = wave(alone + below)
    scale = 20e-6 * 10 ** (83 / 20) / np.sqrt(np.mean(together**2))
    loud = [float(loudness_zwst(scale * one, RATE)[0]) for one in (together, wave(below), wave(alone))]
    return (loud[0] - loud[1]) / loud[2]


@pytest.mark.parametrize("under", [FLUTE, CHORUS_STOPS], ids=["flute", "chorus"])
@pytest.mark.parametrize(("solo", "key"), TABLE)
def test_the_table_against_iso_532_1(solo: tuple[str, ...], key: int, under: tuple[str, ...]) -> None:
    """Every cell within 0.12."""
    ours = clarity(sound(solo, (key,)), sound(under, ACCOMPANIMENT))
    assert ours == pytest.approx(by_the_standard((solo, (key,)), (under, ACCOMPANIMENT)), abs=0.12)


def pairs() -> list[tuple[Sound, Sound]]:
    """Thirty seeded pairs of solo and accompaniment that are not in the table."""
    dice = random.Random(532)
    solos = (
        ("Oboe 8",), ("Trumpet 8",), ("Gedackt 8",), ("Principal 8",), ("Salicional 8",), ("Clarinet 8",),
        ("Gedackt 8", "Nasard"), ("Gedackt 8", "Flute 4"), ("Principal 8", "Octave 4"), ("Flute 8",), ("Cornet V",),
    )  # fmt: skip
    unders = (FLUTE, DIAPASON, CHORUS_STOPS, ("Salicional 8",), ("Gedackt 8", "Flute 4"), ("Principal 8", "Octave 4"))
    chords = ((48, 55, 64), (52, 59, 67), (50, 57, 65), (55, 62, 71), (45, 52, 60))
    return [
        ((dice.choice(solos), (dice.randint(60, 84),)), (dice.choice(unders), dice.choice(chords))) for _ in range(30)
    ]


def test_thirty_further_pairs() -> None:
    """Each within 0.12 of the standard, and the same order: rank correlation (Spearman) at least 0.9."""
    ours = [clarity(sound(*solo), sound(*under)) for solo, under in pairs()]
    theirs = [by_the_standard(solo, under) for solo, under in pairs()]
    worst = max(abs(one - two) for one, two in zip(ours, theirs, strict=True))
    ranks = [np.argsort(np.argsort(one)) for one in (ours, theirs)]
    assert float(np.corrcoef(ranks[0], ranks[1])[0, 1]) >= 0.9
    assert worst <= 0.12, sorted(zip(ours, theirs, pairs(), strict=True), key=lambda one: -abs(one[0] - one[1]))[:4]
