"""One composite tone for some stops at one key: how they begin, and a loop that goes on for ever.

The musical problem: every pipe of a chorus that speaks at a key, each slightly out of tune, with its own spectrum,
attack and wind, is one sound that always comes together. It is made once, in the frequency domain, and then only
copied.

Conventions: 44.1 kHz, float32. A loop has about three seconds (an even number of samples whose prime factors are 2, 3,
5 and 7); its unison falls on an even bin k, so that a 16 foot rank falls on a bin too. The attack is the first 11025
samples, phase-continuous with the loop, which goes on at sample 11025. Randomness (detuning, scatter, phases, wind) is
seeded by stop, key and rank alone.

References: recipe of the project's notes on sound, sections 1 and 2. Amplitude 1 - exp(-(t/tau)^1.6) with tau after
`acoustics.touch.speech_seconds`; upper partials of flues 0.7, reeds and mixtures 0.5 of it.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft

from undersong.acoustics.spectra import (
    DULL_SPEECH,
    HIGHEST_PARTIAL_HZ,
    QUICK_SPEECH,
    UPPER_SPEECH,
    Spectrum,
    gain_db,
    ranks_of,
    spectrum_of,
)
from undersong.acoustics.touch import speech_seconds
from undersong.model.organ import Stop

RATE = 44_100
ROOT = 105
ATTACK = ROOT * ROOT
"""Samples of the attack: 250 ms, a square so that it is one product of two small matrices."""
SHORTEST_LOOP, LONGEST_LOOP = 120_000, 145_000
DETUNED_CENTS = 1.5
SCATTER_DB = 1.5
RELEASE = round(0.080 * RATE)
RELEASE_SECONDS = 0.014
SHORTEST_KEY = 400
"""A key is down for 9 ms at least."""

Samples = NDArray[np.float32]


def _smooth(number: int) -> bool:
    for prime in (2, 3, 5, 7):
        while number % prime == 0:
            number //= prime
    return number == 1


@lru_cache(maxsize=1)
def _sizes() -> NDArray[np.int64]:
    return np.array([size for size in range(SHORTEST_LOOP, LONGEST_LOOP, 2) if _smooth(size)])


@lru_cache(maxsize=512)
def loop_size(hertz: float) -> tuple[int, int]:
    """Samples of the loop and bin of the unison for a pitch: the pair nearest in tune."""
    sizes = _sizes()
    bins = 2 * np.round(hertz * sizes / (2 * RATE)).astype(int)
    best = int(np.argmin(np.abs(bins * RATE / (sizes * hertz) - 1)))
    return int(sizes[best]), int(bins[best])


@lru_cache(maxsize=1)
def release_curve() -> Samples:
    """How a pipe dies when its key goes up."""
    t = np.arange(RELEASE) / RATE
    fade = np.exp(-t / RELEASE_SECONDS) * (0.5 + 0.5 * np.cos(np.pi * t * RATE / RELEASE))
    return fade.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Tone:
    """The attack, and the loop that goes on where it ends."""

    attack: Samples
    loop: Samples

    def add_to(self, out: Samples, begins: int, start: int, stop: int) -> None:
        """Add samples `start` to `stop` of the tone to `out`, where its sample 0 would stand at `begins`."""
        if start < ATTACK:
            end = min(stop, ATTACK)
            out[begins + start : begins + end] += self.attack[start:end]
            start = end
        size = len(self.loop)
        while start < stop:
            place = start % size
            end = min(stop, start + size - place)
            out[begins + start : begins + end] += self.loop[place : place + end - start]
            start = end

    def take(self, start: int, stop: int) -> Samples:
        """Samples `start` to `stop`."""
        out = np.zeros(stop - start, np.float32)
        self.add_to(out, -start, start, stop)
        return out


@dataclass(frozen=True, slots=True)
class Pipes:
    """Stops of one division at one key: what a tone is made of."""

    stops: tuple[Stop, ...]
    number: int
    hertz: float
    pedal: bool


def make_tone(pipes: Pipes, *, detuned: bool = True, scatter: bool = True, wind: bool = True) -> Tone:
    """Make a tone; without detuning, scatter or wind for measuring."""
    size, unison = loop_size(pipes.hertz)
    groups: dict[float, tuple[list[NDArray[np.int64]], list[NDArray[np.complex128]]]] = {}
    noise = np.zeros(size // 2 + 1, np.complex64)
    sounding = 0
    for stop in pipes.stops:
        for rank, pitch in enumerate(ranks_of(stop, pipes.number)):
            dice = np.random.default_rng(crc32(f"{stop.name} {stop.feet} {pipes.number} {rank}".encode()))
            cents = DETUNED_CENTS * dice.standard_normal() if detuned and sounding else 0.0
            sounding += 1
            fundamental = max(1, round(unison * pitch * 2 ** (cents / 1200)))
            _partials(stop, pipes, fundamental, size, dice, groups, scatter=scatter)
            if wind:
                _wind(stop, pipes, fundamental, size, dice, noise)
    spectrum = noise.copy()
    for bins, values in groups.values():
        np.add.at(spectrum, np.concatenate(bins), np.concatenate(values).astype(np.complex64))
    loop = irfft(spectrum, size) * np.float32(size / 2)
    attack = _attack(pipes, groups, loop, size, wind=wind)
    return Tone(attack, np.ascontiguousarray(loop, np.float32))


def _partials(
    stop: Stop, pipes: Pipes, fundamental: int, size: int, dice: np.random.Generator,
    groups: dict[float, tuple[list[NDArray[np.int64]], list[NDArray[np.complex128]]]], *, scatter: bool,
) -> None:  # fmt: skip
    """Add the partials of a rank to the group of its rise time."""
    spectrum = spectrum_of(stop)
    highest = min(spectrum.partials, int(HIGHEST_PARTIAL_HZ * size / RATE / fundamental))
    drawn = dice.standard_normal(spectrum.partials), dice.uniform(0, 2 * np.pi, spectrum.partials)
    if highest < 1:
        return
    harmonics = np.arange(1, highest + 1)
    levels = _levels(spectrum)[:highest] + gain_db(stop, pedal=pipes.pedal)
    if scatter:
        levels = levels + SCATTER_DB * drawn[0][:highest]
    values = 10 ** (levels / 20) * np.exp(1j * drawn[1][:highest])
    quick = stop.family in ("reed", "mixture")
    slower = DULL_SPEECH if stop.state == "dull" else 1.0
    shares = (QUICK_SPEECH, QUICK_SPEECH) if quick else (1.0, UPPER_SPEECH)
    for share, some in zip(shares, (slice(0, 1), slice(1, None)), strict=True):
        bins, kept = groups.setdefault(share * slower, ([], []))
        bins.append(harmonics[some] * fundamental)
        kept.append(values[some])


@lru_cache(maxsize=32)
def _levels(row: Spectrum) -> NDArray[np.float64]:
    return np.array([row.level_db(harmonic) for harmonic in range(1, row.partials + 1)])


@lru_cache(maxsize=1)
def _wind_table() -> tuple[NDArray[np.complex64], Samples]:
    """Random phases, of which each rank takes a stretch of its own, and 1 / sqrt(bin)."""
    dice = np.random.default_rng(crc32(b"wind"))
    turns = dice.uniform(0, 2 * np.pi, 4 * LONGEST_LOOP)
    bins = np.maximum(1, np.arange(LONGEST_LOOP))
    return np.exp(1j * turns).astype(np.complex64), (1 / np.sqrt(bins)).astype(np.float32)


def _wind(
    stop: Stop, pipes: Pipes, fundamental: int, size: int, dice: np.random.Generator, noise: NDArray[np.complex64]
) -> None:
    """Add a rank's wind noise: from below its fundamental to its tenth harmonic, falling by half as fast as pitch."""
    low, high = int(0.7 * fundamental), min(10 * fundamental, int(HIGHEST_PARTIAL_HZ * size / RATE))
    if high <= low + 1:
        return
    loud = 1.4 * 10 ** ((spectrum_of(stop).noise_db + gain_db(stop, pedal=pipes.pedal)) / 20) / np.sqrt(high - low)
    low = max(1, low)
    phases, falling = _wind_table()
    start = int(dice.integers(0, len(phases) - high + low))
    scaled = falling[low:high] * np.float32(loud * np.sqrt(fundamental))
    noise[low:high] += scaled * phases[start : start + high - low]


def _attack(
    pipes: Pipes, groups: dict[float, tuple[list[NDArray[np.int64]], list[NDArray[np.complex128]]]], loop: Samples,
    size: int, *, wind: bool,
) -> Samples:  # fmt: skip
    t = np.arange(ATTACK) / RATE
    speech = speech_seconds(pipes.hertz)
    attack, steady = np.zeros(ATTACK, np.float32), np.zeros(ATTACK, np.float32)
    for share, (bins, values) in groups.items():
        partials = _together(np.concatenate(bins), np.concatenate(values), size)
        rise = 1 - np.exp(-((t / (share * speech)) ** 1.6))
        rise += (1 - rise[-1]) * (t / t[-1]) ** 3  # the loop goes on at its full strength
        attack += partials * rise.astype(np.float32)
        steady += partials
    if wind:
        gust = (1 + 5 * np.exp(-t / 0.025)) * (1 - np.exp(-t / 0.004))
        attack += (loop[:ATTACK] - steady) * gust.astype(np.float32)
    return attack


def _together(bins: NDArray[np.int64], values: NDArray[np.complex128], size: int) -> Samples:
    """The first samples of a sum of partials, as one product of two matrices: t = 105 m + n."""
    steps = np.arange(ROOT)
    coarse = values[None, :] * np.exp(2j * np.pi / size * ((ROOT * steps[:, None] * bins[None, :]) % size))
    fine = np.exp(2j * np.pi / size * ((bins[:, None] * steps[None, :]) % size))
    real = coarse.real.astype(np.float32) @ fine.real.astype(np.float32)
    real -= coarse.imag.astype(np.float32) @ fine.imag.astype(np.float32)
    return np.asarray(real.reshape(-1))


class Tones:
    """Tones made so far, the least recently used given up when there are too many."""

    def __init__(self, most: int = 256) -> None:
        self._made: OrderedDict[Pipes, Tone] = OrderedDict()
        self._most = most

    def of(self, pipes: Pipes) -> Tone:
        """The tone of some pipes."""
        tone = self._made.get(pipes)
        if tone is None:
            tone = self._made[pipes] = make_tone(pipes)
            if len(self._made) > self._most:
                self._made.popitem(last=False)
        else:
            self._made.move_to_end(pipes)
        return tone


def speaking(stops: Sequence[Stop], number: int) -> tuple[Stop, ...]:
    """Those of some stops that have pipes for a key."""
    return tuple(stop for stop in stops if ranks_of(stop, number))
