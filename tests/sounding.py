"""Sounds for tests: single stops, dry lines of pipes, and the Performance of a few keys."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from undersong.acoustics.stopnames import recognise
from undersong.acoustics.temperament import key_hz
from undersong.model.organ import Division, Organ, Stop
from undersong.model.performance import Performance, SoundedNote, StopChange
from undersong.sound.tones import RATE, RELEASE, Pipes, Tone, make_tone, release_curve


def stop(name: str, level: int | None = None) -> Stop:
    """A stop as on its knob."""
    found = recognise(name)
    assert found is not None
    text = name if found.kind.family == "mixture" else found.name
    return Stop(text, found.feet, found.kind.family, found.kind.variety, level or found.level)


def pipes(names: Sequence[str], number: int, *, pedal: bool = False) -> Pipes:
    return Pipes(tuple(stop(name) for name in names), number, key_hz(number), pedal)


def plain(names: Sequence[str], number: int, *, pedal: bool = False) -> Tone:
    """A tone without detuning, scatter and wind."""
    return make_tone(pipes(names, number, pedal=pedal), detuned=False, scatter=False, wind=False)


def dry_line(names: Sequence[str], notes: Sequence[tuple[float, float, int]]) -> NDArray[np.float32]:
    """Keys (on, off in seconds, number) on one line of pipes, without a room."""
    out = np.zeros(round(max(off for _, off, _ in notes) * RATE) + RELEASE + 1, np.float32)
    for on_seconds, off_seconds, number in notes:
        tone, on, off = make_tone(pipes(names, number)), round(on_seconds * RATE), round(off_seconds * RATE)
        tone.add_to(out, on, 0, off - on)
        out[off : off + RELEASE] += tone.take(off - on, off - on + RELEASE) * release_curve()
    return out


def organ_with(names: Sequence[str], *, enclosed: bool = False) -> Organ:
    """One manual with these stops, and a pedal with a Subbass."""
    manual = Division("Great", 36, 96, tuple(stop(name) for name in names), enclosed)
    return Organ("One manual (invented)", (manual,), Division("Pedal", 36, 65, (stop("Subbass 16"),)))


def performance_of(
    notes: Sequence[tuple[float, float, int]], stops: Sequence[str], *, swell: tuple[tuple[float, float], ...] = ()
) -> Performance:
    """Keys on the Great with stops drawn from the beginning."""
    made = tuple(SoundedNote(f"n{index}", on, off, number, "Great") for index, (on, off, number) in enumerate(notes))
    drawn = tuple(str(stop(name)) for name in stops)
    return Performance(made, (), max((off for _, off, _ in notes), default=0.0), swell,
                       (StopChange(0.0, "Great", drawn),))  # fmt: skip
