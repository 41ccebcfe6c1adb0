"""The rule of touch on rendered sound: how far a figure dips between its notes at the nave, and repeated keys.

The rule wants a dip of 2 dB beside a sustained tone (project notes on sound, section 5, assumed); what is measured is
the energy over 10 ms, the mean over transitions and both ears, beside the same keys held.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from numpy.typing import NDArray

from sounding import organ_with, performance_of
from undersong.acoustics.touch import heard_again_db, opening_seconds, overlap_seconds
from undersong.model.accompaniment import Registration
from undersong.model.room import Room, bands_of
from undersong.performing.touch import speech_of
from undersong.sound.render import Renderer
from undersong.sound.tones import RATE

KEYS = (57, 60, 62, 64, 67, 69)
STOPS = ["Principal 8"]
ORGAN = organ_with(STOPS)
SPEECH = speech_of("Great", Registration(drawn=(("Great", ("Principal 8",)),)), ORGAN)
HOP = RATE // 1000
Notes = list[tuple[float, float, int]]


def energy(notes: Notes, room: Room, seed: int = 80) -> NDArray[np.float64]:
    """Energy at every millisecond, smoothed over 10 ms, both ears together."""
    renderer = Renderer(performance_of(notes, STOPS), ORGAN, room, seed=seed)
    heard = np.concatenate([samples for samples, _ in renderer.blocks()], axis=-1)
    count = heard.shape[1] // HOP
    power = np.square(heard[:, : count * HOP].astype(float)).reshape(2, count, HOP).sum(axis=(0, 2))
    smooth = np.exp(-np.arange(60) / 10)
    return np.asarray(np.convolve(power, smooth / smooth.sum())[:count])


def held_energy(room: Room, keys: tuple[int, ...], seed: int = 80) -> dict[int, float]:
    """Energy of each key held until the room is full."""
    each = 1.2 * room.seconds + 0.6
    curve = energy([(index * each, (index + 1) * each, key) for index, key in enumerate(keys)], room, seed)
    return {
        key: float(curve[int(1000 * (index + 1) * each) - 500 : int(1000 * (index + 1) * each) - 20].mean())
        for index, key in enumerate(keys)
    }


def walk(count: int, seed: int) -> list[int]:
    """A figure among the keys, no key twice in a row."""
    dice, found = random.Random(seed), [60]
    while len(found) < count:
        found.append(dice.choice([key for key in KEYS if key != found[-1]]))
    return found


HEARD_BEFORE = 31
"""Transitions that are measured in each room."""


def dip_db(step: float, room: Room, more: float, held: dict[int, dict[int, float]]) -> float:
    """The dip of a figure touched by the rule, `more` seconds longer, in several rooms."""
    rows, usual = [], []
    for seed, levels in held.items():
        count = HEARD_BEFORE + 1 + int(1.2 * room.seconds / step)
        keys = walk(count, seed)
        notes: Notes = []
        for index, key in enumerate(keys):
            overlap = overlap_seconds(step, room, SPEECH.seconds(key, 440.0)) + more
            notes.append((index * step, (index + 1) * step + overlap, key))
        curve = energy(notes, room, seed)
        for index in range(count - HEARD_BEFORE, count):
            at = round(1000 * index * step)
            rows.append(curve[at - int(300 * step) : at + int(700 * step) - 1])
            usual.append((levels[keys[index]] + levels[keys[index - 1]]) / 2)
    mean = np.mean([row[: min(map(len, rows))] for row in rows], axis=0)
    return float(10 * np.log10(mean.min() / np.mean(usual)))


@pytest.mark.parametrize("seconds", [0.5, 1.0, 2.0, 4.0])
def test_the_dip_of_a_figure(seconds: float) -> None:
    """Steps of 250, 350, 500 ms: within 1 dB of the 2 dB that the rule aims at; 50 ms more or less tell at once."""
    room = Room(reverberation=bands_of(seconds))
    held = {seed: held_energy(room, KEYS, seed) for seed in ((1, 2, 3) if seconds < 4 else (1, 2))}
    dips = {step: dip_db(step, room, 0.0, held) for step in (0.25, 0.35, 0.5)}
    assert list(dips.values()) == pytest.approx([-2.0] * 3, abs=1.0)
    assert dip_db(0.35, room, -0.05, held) < dips[0.35] - 0.7
    assert dip_db(0.35, room, 0.05, held) > dips[0.35] + 0.7


@pytest.mark.parametrize(("seconds", "least"), [(2.0, 6.0), (4.0, 3.0)])
def test_a_repeated_note_is_heard_again(seconds: float, least: float) -> None:
    """Crotchets on one key at 88 a minute dip at least 6 dB at 2 s and 3 dB at 4 s: three keys, the mean."""
    room, step = Room(reverberation=bands_of(seconds)), 60 / 88
    assert heard_again_db(seconds) == least
    dips = []
    for key in (57, 62, 69):
        opened = opening_seconds(step, room, SPEECH.seconds(key, 440.0))
        count = 4 + int(1.2 * seconds / step)
        curve = energy([(index * step, (index + 1) * step - opened, key) for index in range(count)], room)
        at = [round(1000 * index * step) for index in range(count - 4, count)]
        held = held_energy(room, (key,))[key]
        rows = np.mean([curve[one - 340 : one + 200] for one in at], axis=0)
        dips.append(-10 * np.log10(rows.min() / held))
    assert np.mean(dips) >= least
