"""Chords: tones of every kind, degrees, transposition."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from undersong.model.chord import KINDS, NO_CHORD, Chord, Degree
from undersong.model.codec import decode, encode
from undersong.model.pitch import STEPS, Interval, PitchName

MUSICXML_KINDS = (
    "major",
    "minor",
    "augmented",
    "diminished",
    "dominant",
    "major-seventh",
    "minor-seventh",
    "diminished-seventh",
    "augmented-seventh",
    "half-diminished",
    "major-minor",
    "major-sixth",
    "minor-sixth",
    "dominant-ninth",
    "major-ninth",
    "minor-ninth",
    "dominant-11th",
    "major-11th",
    "minor-11th",
    "dominant-13th",
    "major-13th",
    "minor-13th",
    "suspended-second",
    "suspended-fourth",
    "Neapolitan",
    "Italian",
    "French",
    "German",
    "pedal",
    "power",
    "Tristan",
    "other",
    "none",
)
"""W3C MusicXML 4.0, kind-value."""

NAMES = st.builds(PitchName, st.sampled_from(STEPS), st.integers(-2, 2))
DEGREES = st.builds(Degree, st.integers(1, 13), st.integers(-2, 2), st.sampled_from(("add", "alter", "subtract")))
CHORDS = st.builds(
    Chord,
    NAMES,
    st.sampled_from(sorted(KINDS)),
    st.none() | NAMES,
    st.lists(DEGREES, max_size=3).map(tuple),
)
STEPS_AND_SEMITONES = ((1, 1), (1, 2), (2, 3), (2, 4), (3, 5), (4, 7), (-1, -2), (-3, -5))
INTERVALS = st.sampled_from([Interval(steps, semitones) for steps, semitones in STEPS_AND_SEMITONES])


def names(chord: Chord) -> str:
    return " ".join(str(tone.name) for tone in chord.tones())


def test_every_kind_of_musicxml_has_a_row() -> None:
    """The table has exactly the 33 values of the standard, each row from the root up."""
    assert sorted(KINDS) == sorted(MUSICXML_KINDS)
    for kind, rows in KINDS.items():
        assert list(rows) == sorted(rows, key=lambda row: row[2]), kind
        assert kind == "none" or rows[0] == (1, 0, 0), kind


@pytest.mark.parametrize(
    ("kind", "degrees", "tones"),
    [
        # W3C MusicXML 4.0: degree "add" counts from a dominant chord, "alter" and "subtract" from the kind
        ("major", (Degree(9),), "C E G D"),
        ("major", (Degree(7),), "C E G Bb"),
        ("major", (Degree(7, 1),), "C E G B"),
        ("suspended-fourth", (Degree(7),), "C F G Bb"),
        ("dominant", (Degree(9, -1),), "C E G Bb Db"),
        ("dominant", (Degree(5, -1, "alter"),), "C E Gb Bb"),
        ("dominant", (Degree(11, 1), Degree(9, -1)), "C E G Bb Db F#"),
        ("dominant-13th", (Degree(11, 0, "subtract"),), "C E G Bb D A"),
        ("minor", (Degree(5, 0, "subtract"),), "C Eb"),
        ("major", (Degree(13),), "C E G A"),
        # a degree to alter that the kind lacks is added; one to subtract that it lacks changes nothing
        ("dominant", (Degree(9, 1, "alter"),), "C E G Bb D#"),
        ("major", (Degree(7, 0, "subtract"),), "C E G"),
        # W3C MusicXML 4.0: Tristan is augmented fourth, sixth and ninth
        ("Tristan", (), "C F# A# D#"),
        # the augmented sixths on the flat sixth of E (common practice, no source)
        ("Italian", (), "C E A#"),
        ("French", (), "C E F# A#"),
        ("German", (), "C E G A#"),
    ],
)
def test_degrees_and_functional_kinds(kind: str, degrees: tuple[Degree, ...], tones: str) -> None:
    """Added, altered and left out degrees sound where the standard says."""
    assert names(Chord(PitchName("C"), kind, None, degrees)) == tones


def test_thirds_fifths_and_sevenths_are_found() -> None:
    """F sharp half-diminished has A, C and E above its root; a suspension has no third."""
    chord = Chord(PitchName("F", 1), "half-diminished")
    found = [tone.name if tone else None for tone in (chord.third, chord.fifth, chord.seventh)]
    assert found == [PitchName("A"), PitchName("C"), PitchName("E")]
    assert Chord(PitchName("F"), "suspended-fourth").third is None
    added = Chord(PitchName("F"), "major", None, (Degree(7),)).seventh
    assert added is not None
    assert added.name == PitchName("E", -1)


def test_the_slash_bass_is_no_tone_of_the_chord() -> None:
    """C/D sounds D in the feet, but C E G is the chord."""
    chord = Chord(PitchName("C"), "major", PitchName("D"))
    assert chord.lowest == PitchName("D")
    assert chord.pitch_classes == {0, 4, 7}
    assert chord.tone_for(2) is None


def test_no_chord_has_no_tones_and_no_root() -> None:
    """A file may give a root even to "no chord"; it says nothing."""
    assert Chord(PitchName("C"), "none", PitchName("E")) == NO_CHORD
    assert NO_CHORD.tones() == ()
    assert NO_CHORD.lowest is None


def test_an_unknown_kind_sounds_as_its_triad_and_keeps_its_text() -> None:
    """`Gweird/B` is played as G B D, and a tone higher is printed `Aweird/C#`."""
    chord = Chord(PitchName("G"), "other", PitchName("B"), (), "Gweird/B")
    assert names(chord) == "G B D"
    assert chord.transposed(Interval(1, 2)).text == "Aweird/C#"


@given(CHORDS)
def test_every_tone_is_found_by_its_key(chord: Chord) -> None:
    """`tone_for` answers for each pitch class of the chord and for no other."""
    for pitch_class in range(12):
        tone = chord.tone_for(pitch_class)
        assert (tone is not None) == (pitch_class in chord.pitch_classes)
        assert tone is None or tone.name.pitch_class == pitch_class


@given(CHORDS, INTERVALS)
def test_up_and_down_is_where_we_began(chord: Chord, interval: Interval) -> None:
    """Transposed there and back, a chord is the same, and its tones move with it."""
    moved = chord.transposed(interval)
    assert moved.transposed(-interval) == chord
    assert [tone.name for tone in moved.tones()] == [tone.name.transposed(interval) for tone in chord.tones()]


@given(CHORDS)
def test_chords_go_through_the_codec(chord: Chord) -> None:
    """To JSON and back."""
    assert decode(Chord, encode(chord)) == chord


@given(st.integers(1, 13), st.integers(-2, 2))
def test_an_added_degree_lies_its_number_of_steps_above_the_root(value: int, alter: int) -> None:
    """Degree 9 of C is some D, 11 some F; unaltered ones are major or perfect, the seventh minor."""
    chord = Chord(PitchName("C"), "pedal", None, (Degree(value, alter),))
    expected = PitchName(STEPS[(value - 1) % 7], alter - (value == 7))
    assert (value, expected) in [(tone.degree, tone.name) for tone in chord.tones()]


@pytest.mark.parametrize(("kind", "tone"), [("suspended-fourth", "F"), ("suspended-second", "D"), ("major", None)])
def test_what_stands_for_the_third_of_a_suspended_chord(kind: str, tone: str | None) -> None:
    suspended = Chord(PitchName("C"), kind).suspended
    assert (str(suspended.name) if suspended else None) == tone
