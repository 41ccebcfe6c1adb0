"""Transposing by semitones lands on keys that can be read, in the right octave."""

from __future__ import annotations

import pytest

from undersong.model.pitch import Key, Pitch, frequency, interval_for

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


@pytest.mark.parametrize(
    ("key", "semitones", "became"),
    [("A minor", 6, "Eb minor"), ("E minor", -1, "Eb minor"), ("A minor", -1, "G# minor"), ("C major", 6, "F# major"),
     ("C minor", -2, "Bb minor"), ("C minor", 1, "C# minor")],
)  # fmt: skip
def test_keys_are_spelled_as_hymnals_print_them(key: str, semitones: int, became: str) -> None:
    """Fewest signs; of six and six E flat minor and F sharp major (common practice, no source)."""
    assert str(Key.parse(key).transposed(interval_for(Key.parse(key), semitones))) == became


# Note numbers and equal-tempered frequencies: University of New South Wales, "Note names, MIDI numbers and
# frequencies" (phys.unsw.edu.au/jw/notes), f = 440 x 2^((m-69)/12), as collected in the project's table of the trade.
UNSW = (
    ("C2", 36, 65.406), ("F2", 41, 87.307), ("G2", 43, 97.999), ("C3", 48, 130.813), ("C4", 60, 261.626),
    ("D4", 62, 293.665), ("F4", 65, 349.228), ("G4", 67, 391.995), ("A4", 69, 440.0), ("C5", 72, 523.251),
    ("D5", 74, 587.330), ("C7", 96, 2093.005),
)  # fmt: skip


@pytest.mark.parametrize(("name", "number", "hertz"), UNSW)
def test_note_numbers_and_frequencies(name: str, number: int, hertz: float) -> None:
    """The published table, to its last digit."""
    assert Pitch.parse(name).midi == number
    assert frequency(number) == pytest.approx(hertz, abs=0.0006)


@pytest.mark.parametrize(
    ("name", "number"), [("C-1", 0), ("E3", 52), ("A3", 57), ("G6", 91), ("A6", 93), ("Cb4", 59), ("B#3", 60)]
)
def test_more_note_numbers(name: str, number: int) -> None:
    """The same table's other numbers, and enharmonic names across the octave (arithmetic)."""
    assert Pitch.parse(name).midi == number
    assert str(Pitch.parse(name)) == name
