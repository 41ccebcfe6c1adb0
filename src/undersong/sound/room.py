"""The church as impulse responses: one for each place of pipes and each ear.

The musical problem: an organ is never heard without its room. A few early reflections tell its size, a long tail that
loses its treble first tells its stone; and how clear the tune is depends on how much comes early. The usual recipe of
images and a noise tail counts the early energy twice; here early and late energy are set to what measurements in halls
have shown.

Conventions: 44.1 kHz; sample 0 is the first direct sound to arrive from any pipes. A direct sound at r metres has the
amplitude 1/r. Two ears 0.2 m apart in the nave, 14 m from the organ or at 0.6 of the length of a shorter room. The same
seed gives the same room.

References: M. Barron, revised theory of energy in halls (textbook formula from memory): early and late energy with a
split at 80 ms. Image sources: Allen and Berkley 1979 (from memory). Octave factors, size of the room and shutters are
assumed (project notes on sound, sections 2 and 3); how the early energy is cured stands there too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from undersong.model.room import Room
from undersong.sound.tones import RATE

SPEED = 343.0
SPLIT_SECONDS = 0.080
IMAGE_ORDER = 3
MOST_OF_EARLY = 0.5
"""Images make up at most half of the early energy."""
DECAY = 6.9078
"""Of amplitude, for 60 dB in one reverberation time."""
CROSSING_OCTAVES = 0.3
EAR_METRES = 0.1
NEAREST_METRES = 0.5
"""Nobody sits in a pipe."""

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Place:
    """Where pipes stand: metres to the right of the middle, behind the front of the case, above the floor."""

    right: float
    behind: float
    height: float


def targets(seconds: float, volume: float, distance: float) -> tuple[float, float]:
    """Early and late reflected energy at a distance, the direct sound being 1/distance^2 (Barron)."""
    whole = 312 * seconds / volume * np.exp(-0.04 * distance / seconds)
    late = whole * np.exp(-1.11 / seconds)
    return float(whole - late), float(late)


def length_of(room: Room) -> int:
    """Samples of the responses: the longest reverberation from 63 Hz to 2 kHz and a tenth of a second."""
    longest = max(seconds for band, seconds in room.reverberation if band <= 2000 or len(room.reverberation) == 1)
    return int((longest + 0.1) * RATE)


def responses(room: Room, places: Sequence[Place], seed: int = 80) -> Samples:
    """Impulse responses, shape (places, 2 ears, samples)."""
    size = length_of(room)
    tail = _tail(room, size, seed)
    listener = _listener(room)
    heard = np.zeros((len(places), 2, size), np.float32)
    distances = [[_distance(room, place, listener, ear) for ear in (-1, 1)] for place in places]
    first = min(min(pair) for pair in distances)
    for index, place in enumerate(places):
        for ear in (0, 1):
            heard[index, ear] = _one(room, place, listener, (-1, 1)[ear], tail[ear], distances[index][ear], first, size)
    return heard


def _listener(room: Room) -> tuple[float, float, float]:
    return room.width / 2 + 0.4, min(2.5 + 14.0, 0.1 * room.length + 0.6 * room.length), min(1.5, 0.5 * room.height)


def _source(room: Room, place: Place) -> tuple[float, float, float]:
    """A place in the room, kept half a metre from the walls."""
    x = min(max(0.5, room.width / 2 + place.right), room.width - 0.5)
    y = min(max(0.5, 2.5 - place.behind), room.length - 0.5)
    return x, y, min(place.height, room.height - 0.5)


def _distance(room: Room, place: Place, listener: tuple[float, float, float], side: int) -> float:
    x, y, z = _source(room, place)
    away = np.hypot(np.hypot(x - listener[0] - side * EAR_METRES, y - listener[1]), z - listener[2])
    return max(NEAREST_METRES, float(away))


def _images(
    room: Room, place: Place, listener: tuple[float, float, float], side: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Distances of the images of a source up to the third order (the source itself first), and their orders."""
    source = _source(room, place)
    ear = (listener[0] + side * EAR_METRES, listener[1], listener[2])
    size = (room.width, room.length, room.height)
    rows = []
    for cell in product(range(-IMAGE_ORDER, IMAGE_ORDER + 1), repeat=3):
        order = sum(map(abs, cell))
        if order <= IMAGE_ORDER:
            away = [
                number * length + (at if number % 2 == 0 else length - at) - here
                for number, length, at, here in zip(cell, size, source, ear, strict=True)
            ]
            rows.append((order, float(np.sqrt(sum(one * one for one in away)))))
    rows.sort()
    return np.maximum([row[1] for row in rows], NEAREST_METRES), np.array([row[0] for row in rows])


def _one(
    room: Room, place: Place, listener: tuple[float, float, float], side: int, tail: Samples, distance: float,
    first: float, size: int,
) -> Samples:  # fmt: skip
    seconds, volume = room.seconds, room.volume
    early_wanted, late_wanted = targets(seconds, volume, distance)
    away, orders = _images(room, place, listener, side)
    reflected = _reflected(room, seconds)
    arrival = (away - first) / SPEED * RATE
    amplitude = reflected**orders / away
    begins = arrival[0]
    fits = arrival < size - 2
    early = fits & (orders > 0) & (arrival - begins < SPLIT_SECONDS * RATE)
    late = fits & (orders > 0) & ~early
    early_energy, late_energy = (float((amplitude[one] ** 2).sum()) for one in (early, late))
    share = min(1.0, MOST_OF_EARLY * early_wanted / early_energy, MOST_OF_EARLY * late_wanted / max(late_energy, 1e-12))
    out = _fitted_tail(tail, seconds, begins, early_wanted - share * early_energy, late_wanted - share * late_energy)
    amplitude[1:] *= np.sqrt(share)
    images = _filtered_images(room, arrival[fits], amplitude[fits], orders[fits])[:size]
    out[: len(images)] += images
    return out


def _reflected(room: Room, seconds: float) -> float:
    """Amplitude left after one reflection in a band of that reverberation time (Sabine)."""
    return float(np.sqrt(1 - min(0.95, 0.161 * room.volume / (room.surface * seconds))))


def _filtered_images(
    room: Room, arrival: NDArray[np.float64], amplitude: NDArray[np.float64], orders: NDArray[np.int64]
) -> Samples:
    """The direct sound and its images, each reflection taking away the treble as the reverberation loses it.

    Arrivals between samples are shared by two of them; at middle frequencies, where energies are set, nothing is lost.
    """
    points = 1 << int(np.ceil(np.log2(arrival.max() + 512)))
    whole = np.floor(arrival).astype(int)
    part = arrival - whole
    trains = np.zeros((IMAGE_ORDER + 1, points), np.float32)
    np.add.at(trains, (orders, whole), amplitude * (1 - part))
    np.add.at(trains, (orders, whole + 1), amplitude * part)
    hertz = _frequencies(points)
    bands = sorted(room.reverberation)
    logs = np.log2([band for band, _ in bands])
    relative = [_reflected(room, seconds) / _reflected(room, room.seconds) for _, seconds in bands]
    loss = np.interp(np.log2(np.maximum(hertz, 1)), logs, relative)
    gains = loss[None, :] ** np.arange(IMAGE_ORDER + 1)[:, None]
    return np.asarray(irfft((rfft(trains) * gains.astype(np.float32)).sum(axis=0), points), np.float32)


COARSE = 32
"""Energies of the tail are reckoned on every 32nd sample."""


def _fitted_tail(tail: Samples, seconds: float, begins: float, early: float, late: float) -> Samples:
    """The noise tail swelling in so that it brings just the energy that is wanted before and after 80 ms."""
    size = len(tail)
    t = np.maximum(np.arange(0, size, COARSE) - begins, 0) / RATE
    dying = COARSE * np.exp(-2 * DECAY * t / seconds)
    split = round((begins + SPLIT_SECONDS * RATE) / COARSE)
    low, high = 0.0005, 1.0
    for _ in range(24):
        onset = (low + high) / 2
        energy = dying * np.square(1 - np.exp(-t / onset))
        if late * energy[:split].sum() > early * energy[split:].sum():
            low = onset
        else:
            high = onset
    gain = np.sqrt(late / (dying[split:] * np.square(1 - np.exp(-t[split:] / high))).sum())
    swelling = (1 - np.exp(-np.maximum(np.arange(size) - begins, 0) / RATE / high)) * gain
    # the tail is dying from sample 0 on, but is meant to do so from the direct sound on
    return np.asarray(tail * (swelling * np.exp(DECAY * begins / RATE / seconds)), np.float32)


def _tail(room: Room, size: int, seed: int) -> Samples:
    """Noise of unit power at time 0 for each ear, each octave dying in its own time."""
    dice = np.random.default_rng(seed)
    points = next_fast_len(size + RATE // 2, real=True)
    hertz = _frequencies(points)
    bands = sorted(room.reverberation)
    weights = _octave_bank(hertz, [band for band, _ in bands])
    white = _both_ears(rfft(dice.standard_normal((2, points), np.float32)), hertz)
    t = (np.arange(size) / RATE).astype(np.float32)
    total = np.zeros((2, size), np.float32)
    for (band, seconds), weight in zip(bands, weights, strict=True):
        filtered = irfft(white * weight, points)[:, :size]
        share = np.float32(np.sqrt(np.mean(weight**2)))
        dying = np.exp(t * np.float32(-DECAY / seconds))
        for ear in (0, 1):
            total[ear] += filtered[ear] * (dying * (share / _slow_rms(filtered[ear], band)))
    return total


def _frequencies(points: int) -> NDArray[np.float64]:
    return np.asarray(np.fft.rfftfreq(points, 1 / RATE), np.float64)


def _both_ears(noise: NDArray[np.complex64], hertz: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Noise for two ears as alike as a diffuse field makes them: the same low down, independent high up.

    Coherence sin(kd)/kd at a distance d (R. K. Cook and others, JASA 27, 1955; formula from memory).
    """
    coherence = np.sinc(2 * hertz * 2 * EAR_METRES / SPEED)
    same, other = np.sqrt((1 + coherence) / 2), np.sqrt((1 - coherence) / 2)
    return np.asarray(np.stack([same * noise[0] + other * noise[1], same * noise[0] - other * noise[1]]), np.complex64)


def _octave_bank(hertz: NDArray[np.float64], centres: Sequence[int]) -> list[Samples]:
    """Zero-phase octave filters that add up to 1, crossing on raised cosines in the logarithm of frequency."""
    log = np.log2(np.maximum(hertz, 1e-3))
    edges = [np.log2(np.sqrt(low * high)) for low, high in pairwise(centres)]
    rising = [0.5 - 0.5 * np.cos(np.pi * np.clip((log - edge) / CROSSING_OCTAVES + 0.5, 0, 1)) for edge in edges]
    steps = [np.ones_like(log), *rising, np.zeros_like(log)]
    return [(low - high).astype(np.float32) for low, high in pairwise(steps)]


HOP = 64


def _slow_rms(samples: Samples, band: int) -> Samples:
    """Running power, smoothed twice, so that a narrow band of noise decays evenly."""
    count = len(samples) // HOP
    power = np.square(samples[: count * HOP]).reshape(count, HOP).mean(axis=1, dtype=np.float64)
    width = max(3, int(np.clip(12 / band, 0.020, 0.250) * RATE / HOP)) | 1
    for _ in range(2):
        padded = np.pad(power, width // 2, mode="edge")
        sums = np.concatenate(([0.0], np.cumsum(padded)))
        power = (sums[width:] - sums[:-width]) / width
    centres = np.arange(count) * HOP + HOP / 2
    fine = np.interp(np.arange(len(samples)), centres, np.sqrt(np.maximum(power, 1e-20)))
    return np.asarray(fine, np.float32)


# --- the box ---------------------------------------------------------------------------------------


def shutter_db(hertz: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much softer a closed box is (positive dB): 6 dB low down to 16 dB high up."""
    return np.asarray(np.clip(6 + 2 * np.log2(np.maximum(hertz, 1e-3) / 125), 6, 16))


def behind_shutters(heard: Samples) -> Samples:
    """Impulse responses through the closed box: a minimum-phase filter, so that nothing wraps round."""
    size = heard.shape[-1]
    points = 1 << int(np.ceil(np.log2(1.1 * size)))
    hertz = _frequencies(points)
    logs = -shutter_db(hertz) * np.log(10) / 20
    folded = irfft(logs, points)
    folded[1 : points // 2] *= 2
    folded[points // 2 + 1 :] = 0
    phase = np.exp(rfft(folded)).astype(np.complex64)
    return np.asarray(irfft(rfft(heard, points, axis=-1) * phase, points, axis=-1)[..., :size], np.float32)
