"""Chord symbols written and read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import harmony as music21_harmony

from undersong.model.chord import KINDS, NO_CHORD, Chord, Degree
from undersong.model.pitch import STEPS, PitchName
from undersong.model.symbol import FORMS, parse_symbol, symbol

ROOTS = [PitchName(step, alter) for step in STEPS for alter in range(-2, 3)]
DEGREES = st.builds(Degree, st.integers(1, 13), st.integers(-2, 2), st.sampled_from(("add", "alter", "subtract")))


def test_every_kind_has_a_form() -> None:
    """All kinds but "none" are written, each spelling says one chord only."""
    assert {form.kind for form in FORMS} | {"none"} == set(KINDS)
    spellings = [spelling for form in FORMS for spelling in {form.written, *form.also}]
    assert len(spellings) == len(set(spellings))


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_written_reads_back(kind: str) -> None:
    """Every kind on 35 roots over none and 35 basses comes back as the very same chord."""
    for root in ROOTS:
        for bass in (None, *ROOTS):
            chord = Chord(root, kind, bass)
            assert parse_symbol(symbol(chord)) == chord


def test_no_two_chords_are_written_alike() -> None:
    """Kind, root and bass can be told from the symbol."""
    chords = [Chord(root, kind, bass) for root in ROOTS for kind in KINDS for bass in (None, *ROOTS) if kind != "none"]
    assert len({symbol(chord) for chord in chords}) == len(chords)


@given(st.sampled_from(ROOTS), st.sampled_from(sorted(KINDS)), st.lists(DEGREES, max_size=4).map(tuple))
def test_degrees_read_back(root: PitchName, kind: str, degrees: tuple[Degree, ...]) -> None:
    """Whatever is added, altered or left out, in whatever order."""
    chord = Chord(root, kind, None, degrees)
    assert parse_symbol(symbol(chord)) == chord


# Spellings as collected in the project's notes on the trade, from the pages "Chord names and symbols"
# and "Mascari" (left-hand patterns and chords), whose addresses the notes do not give; the last two from memory.
SPELLINGS = {
    "C": "C E G", "Cm": "C Eb G", "C7": "C E G Bb", "Cmaj7": "C E G B", "Cm7": "C Eb G Bb", "Csus4": "C F G",
    "Csus2": "C D G", "Cadd9": "C E G D", "Cdim": "C Eb Gb", "Cdim7": "C Eb Gb Bbb", "Cm7b5": "C Eb Gb Bb",
    "Caug": "C E G#", "C+7": "C E G# Bb", "C6": "C E G A", "Cm6": "C Eb G A", "Em7b5": "E G Bb D",
    "C#dim7": "C# E G Bb", "F#7": "F# A# C# E", "Bbm": "Bb Db F",
}  # fmt: skip


@pytest.mark.parametrize(("text", "tones"), SPELLINGS.items())
def test_symbols_are_spelled_as_in_the_books(text: str, tones: str) -> None:
    """The spellings that teaching pages print."""
    assert " ".join(str(tone.name) for tone in parse_symbol(text).tones()) == tones


def test_a_slash_puts_its_note_below() -> None:
    """G7/D is D F G B from below."""
    chord = parse_symbol("G7/D")
    assert chord.lowest == PitchName("D")
    assert {str(tone.name) for tone in chord.tones()} == {"G", "B", "D", "F"}


@pytest.mark.parametrize(
    ("written", "others"),
    [
        ("Am", "A- Amin Ami Aminor"),
        ("Cmaj7", "CM7 CΔ CΔ7 Cma7 C△"),
        ("Bdim", "Bo B° Bdiminished"),
        ("Bdim7", "Bo7 B°7"),
        ("Bm7b5", "Bø Bø7 Bm7(b5) Bmin7b5 B-7♭5"),
        ("Eaug", "E+"),
        ("Eaug7", "E+7"),
        ("Dsus4", "Dsus"),
        ("D7sus4", "D7sus"),
        ("Bbm", "B♭m B♭-"),
        ("F#m7", "F♯m7 F#min7"),
        ("C69", "C6/9"),
        ("Am(maj7)", "AmM7 Ammaj7 Am(M7)"),
        ("G7b9", "G7(b9) G7♭9 G7(♭9)"),
        ("Gno3", "G(no3) Gomit3"),
        ("C/E", " C / E "),
        ("N.C.", "NC n.c. tacet"),
    ],
)
def test_other_ways_of_printing(written: str, others: str) -> None:
    """What books print in other ways is read, and written in one (common practice, no source)."""
    for other in [others] if others.startswith(" ") else others.split():
        assert symbol(parse_symbol(other)) == written


def test_an_accidental_belongs_to_the_root() -> None:
    """`Cb5` is C flat with its fifth; C with a flat fifth is printed `C(b5)`."""
    assert parse_symbol("Cb5") == Chord(PitchName("C", -1), "power")
    assert symbol(Chord(PitchName("C"), "major", None, (Degree(5, -1, "alter"),))) == "C(b5)"


def test_a_text_of_its_own_goes_first() -> None:
    """What could not be read is printed as it stands."""
    assert symbol(Chord(PitchName("G"), "other", None, (), "Gweird")) == "Gweird"
    assert symbol(NO_CHORD) == "N.C."


@pytest.mark.parametrize(
    ("wrong", "hint"),
    [
        ("H7", "did you mean B7?"),
        ("Fis", "did you mean F#?"),
        ("am", "did you mean Am?"),
        ("Cmag7", "did you mean Cmaj7?"),
        ("C/H", "did you mean /B?"),
        ("Cfoobar", "write it as"),
        ("", "N.C."),
        ("?", "A to G"),
        ("C7(", "not known"),
        ("C)", "not known"),
    ],
)
def test_what_is_no_symbol_is_told_with_a_guess(wrong: str, hint: str) -> None:
    """The message says what is wrong and what may have been meant."""
    with pytest.raises(ValueError) as caught:
        parse_symbol(wrong)
    assert hint in str(caught.value)


# Kinds under the names that music21 uses for its own figures; those whose notes differ there are explained.
MUSIC21_FIGURES = {
    "major": "", "minor": "m", "augmented": "+", "diminished": "dim", "dominant": "7", "major-seventh": "maj7",
    "minor-seventh": "m7", "diminished-seventh": "o7", "half-diminished": "ø7", "major-minor": "mM7",
    "augmented-seventh": "7+", "major-sixth": "6", "minor-sixth": "m6", "dominant-ninth": "9", "major-ninth": "M9",
    "minor-ninth": "m9", "suspended-second": "sus2", "suspended-fourth": "sus4",
}  # fmt: skip


@pytest.mark.parametrize("kind", MUSIC21_FIGURES)
@pytest.mark.parametrize("root", ["C", "F#", "B-", "E-", "G"])
def test_spellings_agree_with_music21(kind: str, root: str) -> None:
    """The outside witness music21 (harmony.ChordSymbol) spells the common kinds alike."""
    theirs = music21_harmony.ChordSymbol(root=root, kind=kind)
    ours = Chord(PitchName.parse(root.replace("-", "b")), kind)
    assert {str(tone.name) for tone in ours.tones()} == {pitch.name.replace("-", "b") for pitch in theirs.pitches}
