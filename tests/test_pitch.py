"""Transposing by semitones lands on keys that can be read, in the right octave."""

from __future__ import annotations

import pytest

from undersong.model.pitch import Key, Pitch, interval_for

TONICS = ["C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"]


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("tonic", TONICS)
def test_every_key_moves_by_every_semitone(tonic: str, mode: str) -> None:
    """An octave up or down and all between: the tonic moves as far as asked and stays plainly spelled."""
    key = Key.parse(f"{tonic} {mode}")
    for semitones in range(-12, 13):
        interval = interval_for(key, semitones)
        before = Pitch(key.tonic.step, key.tonic.alter, 4)
        after = before.transposed(interval)
        assert after.midi == before.midi + semitones
        assert abs(after.alter) <= 1
        assert key.transposed(interval).tonic == after.name


def test_a_semitone_down_from_d() -> None:
    """D major a semitone down is D flat major: F#4 becomes F4, not eleven flats lower or higher."""
    interval = interval_for(Key.parse("D major"), -1)
    assert str(Key.parse("D major").transposed(interval)) == "Db major"
    assert str(Pitch.parse("F#4").transposed(interval)) == "F4"
