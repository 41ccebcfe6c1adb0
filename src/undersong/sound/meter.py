"""How loud, how high, how long: loudness, true peak, reverberation and clarity of sampled sound.

Conventions: samples have the shape (channels, samples), full scale 1; 44.1 kHz unless a rate is given.

References: ITU-R BS.1770-4 (loudness in LUFS, gates, 4 times oversampled true peak), filter formulae for any rate as in
common open implementations (values from memory, checked against the standard's reference tone); ISO 3382-1 for decay
curves and C80 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from undersong.sound.tones import RATE

SHELF = (1681.974450955533, 0.7071752369554196, 3.999843853973347)
HIGH_PASS = (38.13547087602444, 0.5003270373238773)
OFFSET_DB = -0.691
SILENCE_LUFS, GATE_LU = -70.0, -10.0
STEPS_A_BLOCK = 4
RINGING = 8192
"""Samples after which the loudness filter has died away (below -100 dB)."""
OVERSAMPLED = 4
TAPS = 24

Samples = NDArray[np.float32]


@lru_cache(maxsize=8)
def k_weighting(points: int, rate: int = RATE) -> NDArray[np.complex64]:
    """Frequency response of the loudness filter at the bins of a real transform of so many points."""
    z = np.exp(-2j * np.pi * np.fft.rfftfreq(points))
    f0, q, gain = SHELF
    k = np.tan(np.pi * f0 / rate)
    high = 10 ** (gain / 20)
    band = high**0.4996667741545416
    below = 1 + k / q + k * k
    shelf = ((high + band * k / q + k * k) + 2 * (k * k - high) * z + (high - band * k / q + k * k) * z**2) / below
    shelf = shelf / (1 + 2 * (k * k - 1) / below * z + (1 - k / q + k * k) / below * z**2)
    f0, q = HIGH_PASS
    k = np.tan(np.pi * f0 / rate)
    below = 1 + k / q + k * k
    pass_ = (1 - 2 * z + z**2) / (1 + 2 * (k * k - 1) / below * z + (1 - k / q + k * k) / below * z**2)
    return np.asarray(shelf * pass_, np.complex64)


def k_weighted(samples: Samples, rate: int = RATE) -> Samples:
    """Samples through the loudness filter, as long as before."""
    size = samples.shape[-1]
    points = next_fast_len(size + RINGING, real=True)
    return np.asarray(irfft(rfft(samples, points) * k_weighting(points, rate), points)[..., :size])


@dataclass(slots=True)
class Loudness:
    """Loudness of a sound that comes in pieces, filtered already."""

    rate: int = RATE
    _energies: list[float] = field(default_factory=list)
    _rest: Samples = field(default_factory=lambda: np.zeros((1, 0), np.float32))

    def add(self, weighted: Samples) -> None:
        """Take the next filtered samples."""
        step = self.rate // 10
        if not self._rest.shape[-1]:
            self._rest = np.zeros((weighted.shape[0], 0), np.float32)
        both = np.concatenate([self._rest, weighted], axis=-1)
        count = both.shape[-1] // step
        steps = both[:, : count * step].reshape(both.shape[0], count, step)
        self._energies += np.einsum("cst,cst->s", steps, steps, dtype=np.float64).tolist()
        self._rest = both[:, count * step :]

    @property
    def lufs(self) -> float:
        """Integrated loudness so far; -inf for silence."""
        steps = np.array(self._energies)
        if len(steps) < STEPS_A_BLOCK:
            return -np.inf
        blocks = np.convolve(steps, np.ones(STEPS_A_BLOCK), "valid") / (STEPS_A_BLOCK * (self.rate // 10))
        levels = OFFSET_DB + 10 * np.log10(np.maximum(blocks, 1e-20))
        heard = blocks[levels > SILENCE_LUFS]
        if not len(heard):
            return -np.inf
        gate = OFFSET_DB + 10 * np.log10(heard.mean()) + GATE_LU
        kept = blocks[(levels > SILENCE_LUFS) & (levels > gate)]
        return float(OFFSET_DB + 10 * np.log10(kept.mean()))


def loudness(samples: Samples, rate: int = RATE) -> float:
    """Integrated loudness in LUFS."""
    meter = Loudness(rate)
    meter.add(k_weighted(np.atleast_2d(samples), rate))
    return meter.lufs


@lru_cache(maxsize=1)
def _phases() -> NDArray[np.float64]:
    """Interpolating filters for a quarter, a half and three quarters of a sample: a windowed sinc."""
    n = np.arange(-TAPS + 1, TAPS + 1)
    rows = []
    for part in range(1, OVERSAMPLED):
        away = part / OVERSAMPLED - n
        window = np.i0(9.0 * np.sqrt(np.maximum(0, 1 - (away / TAPS) ** 2))) / np.i0(9.0)
        rows.append(np.sinc(away) * window)
    return np.array([row / row.sum() for row in rows])


def true_peak(samples: Samples, *, around: float = 0.7) -> float:
    """The highest point between samples too (4 times oversampled), looked for where samples reach `around` the peak."""
    channels = np.atleast_2d(samples)
    peak = float(np.abs(channels).max(initial=0.0))
    if not peak:
        return 0.0
    highest = peak
    for channel in channels:
        places = np.flatnonzero(np.abs(channel) >= around * peak)
        places = np.unique(np.concatenate([places - 1, places]))
        padded = np.pad(channel, (TAPS, TAPS))
        for some in np.array_split(places, max(1, len(places) // 4096)):
            windows = padded[some[:, None] + np.arange(1, 2 * TAPS + 1)[None, :]]
            highest = max(highest, float(np.abs(windows @ _phases().T).max(initial=0.0)))
    return highest


# --- rooms -----------------------------------------------------------------------------------------


def octave(samples: NDArray[np.float64], centre: float, rate: int = RATE) -> NDArray[np.float64]:
    """An octave of a sound, without shift: raised-cosine edges a sixth of an octave wide."""
    size = samples.shape[-1]
    points = next_fast_len(2 * size, real=True)
    log = np.log2(np.maximum(np.fft.rfftfreq(points, 1 / rate), 1e-3) / centre)
    weight = 0.5 + 0.5 * np.cos(np.pi * np.clip((np.abs(log) - 0.5) * 6 + 0.5, 0, 1))
    return np.asarray(irfft(rfft(samples, points) * weight, points)[..., :size])


def decay_seconds(
    response: NDArray[np.float64], rate: int = RATE, *, from_db: float = -5.0, to_db: float = -35.0
) -> float:
    """Reverberation time from the backward integrated decay between two levels (T30 by default); nan if not reached."""
    curve = np.cumsum(np.square(response)[::-1])[::-1]
    level = 10 * np.log10(np.maximum(curve / curve[0], 1e-20))
    first, last = np.argmax(level <= from_db), np.argmax(level <= to_db)
    if level[-1] > to_db or last - first < 10:
        return float("nan")
    t = np.arange(first, last) / rate
    return float(-60 / np.polyfit(t, level[first:last], 1)[0])


def clarity_db(response: NDArray[np.float64], rate: int = RATE, begins: int | None = None) -> float:
    """C80: early to late energy in dB, split 80 ms after the direct sound.

    What comes before the direct sound is that of a filter without shift, and counts as early.
    """
    start = int(np.argmax(np.abs(response) > 0.1 * np.abs(response).max())) if begins is None else begins
    split = start + round(0.080 * rate)
    energy = np.square(response)
    return float(10 * np.log10(energy[:split].sum() / energy[split:].sum()))
