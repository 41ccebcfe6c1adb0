"""Chromatic chords, invented in four parts and moved to eight keys: symbol and numeral."""

from __future__ import annotations

import pytest

from test_harmony import chords, four, numerals
from undersong.harmony import analyse
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval
from undersong.model.symbol import symbol

KEYS = (
    Interval(0, 0), Interval(4, 7), Interval(3, 5), Interval(1, 2),
    Interval(6, 10), Interval(2, 3), Interval(5, 9), Interval(5, 8),
)  # fmt: skip
"""C, G, F, D, B flat, E flat, A, A flat."""

CASES: dict[str, tuple[str, str, str, str, str, int, str, str]] = {
    # name: (key, soprano, alto, tenor, bass, place of the chord in quarter notes, symbol, numeral)
    "German sixth": (
        "C minor",
        "C5:2 Eb5:2 | D5:2 C5:2 | F#4:2 G4:2 | G4:2 F4:2 | Eb4:4",
        "G4:2 G4:2 | G4:2 G4:2 | Eb4:2 D4:2 | Eb4:2 D4:2 | C4:4",
        "Eb4:2 C4:2 | B3:2 C4:2 | C4:2 B3:2 | C4:2 B3:2 | G3:4",
        "C3:2 C3:2 | G3:2 Eb3:2 | Ab2:2 G2:2 | G2:2 G2:2 | C3:4",
        8, "Ab7", "Ger65",
    ),
    "Italian sixth": (
        "C minor",
        "C5:2 Eb5:2 | D5:2 C5:2 | F#4:2 G4:2 | G4:2 F4:2 | Eb4:4",
        "G4:2 G4:2 | G4:2 G4:2 | C4:2 D4:2 | Eb4:2 D4:2 | C4:4",
        "Eb4:2 C4:2 | B3:2 C4:2 | C4:2 B3:2 | C4:2 B3:2 | G3:4",
        "C3:2 C3:2 | G3:2 Eb3:2 | Ab2:2 G2:2 | G2:2 G2:2 | C3:4",
        8, "Ab7", "It6",
    ),
    "French sixth": (
        "C minor",
        "C5:2 Eb5:2 | D5:2 C5:2 | F#4:2 G4:2 | G4:2 F4:2 | Eb4:4",
        "G4:2 G4:2 | G4:2 G4:2 | D4:2 D4:2 | Eb4:2 D4:2 | C4:4",
        "Eb4:2 C4:2 | B3:2 C4:2 | C4:2 B3:2 | C4:2 B3:2 | G3:4",
        "C3:2 C3:2 | G3:2 Eb3:2 | Ab2:2 G2:2 | G2:2 G2:2 | C3:4",
        8, "Ab7(b5)", "Fr43",
    ),
    "Neapolitan sixth": (
        "C minor",
        "C5:2 Eb5:2 | D5:2 Eb5:2 | Db5:2 C5:2 | B4:4 | C5:4",
        "G4:2 G4:2 | G4:2 G4:2 | F4:2 Eb4:2 | D4:2 F4:2 | Eb4:4",
        "Eb4:2 C4:2 | B3:2 C4:2 | Ab3:2 G3:2 | G3:4 | G3:4",
        "C3:2 C3:2 | G3:2 C3:2 | F3:2 G3:2 | G2:4 | C3:4",
        8, "Db/F", "N6",
    ),
    "applied dominant": (
        "C major",
        "C5:2 E5:2 | D5:2 C5:2 | C5:2 B4:2 | C5:2 B4:2 | C5:4",
        "G4:2 G4:2 | G4:2 G4:2 | F#4:2 G4:2 | G4:2 F4:2 | E4:4",
        "E4:2 C4:2 | B3:2 E4:2 | A3:2 D4:2 | E4:2 D4:2 | G3:4",
        "C3:2 C3:2 | G3:2 C3:2 | D3:2 G3:2 | C3:2 G2:2 | C3:4",
        8, "D7", "V7/V",
    ),
    "applied leading-note chord": (
        "C major",
        "C5:2 E5:2 | D5:2 C5:2 | C5:2 B4:2 | C5:2 B4:2 | C5:4",
        "G4:2 G4:2 | G4:2 G4:2 | Eb4:2 D4:2 | G4:2 F4:2 | E4:4",
        "E4:2 C4:2 | B3:2 E4:2 | A3:2 G3:2 | E4:2 D4:2 | G3:4",
        "C3:2 C3:2 | G3:2 C3:2 | F#3:2 G3:2 | C3:2 G2:2 | C3:4",
        8, "F#dim7", "viio7/V",
    ),
    "dominant of the subdominant": (
        "C major",
        "C5:2 E5:2 | D5:2 C5:2 | Bb4:2 A4:2 | C5:2 B4:2 | C5:4",
        "G4:2 G4:2 | G4:2 G4:2 | G4:2 F4:2 | G4:2 F4:2 | E4:4",
        "E4:2 C4:2 | B3:2 E4:2 | C4:2 C4:2 | E4:2 D4:2 | G3:4",
        "C3:2 C3:2 | G3:2 C3:2 | E3:2 F3:2 | G3:2 G2:2 | C3:4",
        8, "C7/E", "V65/IV",
    ),
    "common-tone diminished seventh": (
        "C major",
        "C5:2 B4:2 | C5:2 C5:2 | C5:2 C5:2 | C5:2 B4:2 | C5:4",
        "G4:2 F4:2 | G4:2 G4:2 | A4:2 G4:2 | G4:2 F4:2 | E4:4",
        "E4:2 D4:2 | E4:2 E4:2 | F#4:2 E4:2 | E4:2 D4:2 | G3:4",
        "C3:2 G3:2 | C3:2 C3:2 | D#3:2 E3:2 | G3:2 G2:2 | C3:4",
        8, "D#dim7", "CTo7",
    ),
}  # fmt: skip


IN_CHORDS = {
    # name: (key, the chord and the one it goes to from soprano to bass, symbol, numeral)
    "dominant of the second degree": ("C major", "C#5 G4 E4 A3", "D5 F4 D4 D3", "A7", "V7/ii"),
    "dominant of the sixth degree": ("C major", "B4 G#4 D4 E3", "C5 A4 E4 A2", "E7", "V7/vi"),
    "leading-note chord of the second degree": ("C major", "Bb4 G4 E4 C#3", "A4 F4 D4 D3", "C#dim7", "viio7/ii"),
    "leading-note chord of the sixth degree": ("C major", "D5 B4 F4 G#3", "C5 A4 E4 A3", "G#dim7", "viio7/vi"),
    "applied dominant, first inversion": ("C major", "C5 A4 D4 F#3", "B4 G4 D4 G3", "D7/F#", "V65/V"),
    "applied dominant, second inversion": ("C major", "C5 F#4 D4 A3", "B4 G4 D4 G3", "D7/A", "V43/V"),
    "dominant of the subdominant, third inversion": ("C major", "C5 G4 E4 Bb3", "C5 F4 C4 A3", "C7/Bb", "V42/IV"),
    "leading-note chord of the subdominant": ("C major", "Db5 Bb4 G4 E3", "C5 A4 F4 F3", "Edim7", "viio7/IV"),
    "common-tone diminished seventh of the dominant": ("C major", "E5 C#5 G4 A#3", "D5 D5 G4 B3", "A#dim7", "CTo7/V"),
    "German sixth in major": ("C major", "F#4 Eb4 C4 Ab2", "G4 E4 C4 G2", "Ab7", "Ger65"),
    "Neapolitan in root position": ("C minor", "F4 Db4 Ab3 Db3", "D4 B3 G3 G2", "Db", "N"),
    "dominant of the minor subdominant": ("C minor", "Bb4 G4 E4 C3", "Ab4 F4 C4 F3", "C7", "V7/iv"),
    "leading-note chord of the minor subdominant": ("C minor", "Db5 Bb4 G4 E3", "C5 Ab4 F4 F3", "Edim7", "viio7/iv"),
    "dominant of the sixth degree of minor": ("C minor", "Db5 Bb4 G4 Eb3", "C5 Ab4 Eb4 Ab2", "Eb7", "V7/VI"),
    "leading-note chord of the dominant in minor": ("C minor", "Eb5 C5 A4 F#3", "D5 B4 G4 G3", "F#dim7", "viio7/V"),
    "applied dominant in minor": ("C minor", "C5 A4 F#4 D3", "B4 G4 G4 G2", "D7", "V7/V"),
}  # fmt: skip

FRAMES = {
    "C major": (
        ("C5 G4 E4 C3", "B4 G4 D4 G3", "C5 G4 E4 C3", "C5 G4 E4 C3"), ("B4 G4 D4 G2", "B4 F4 D4 G2", "C5 E4 C4 C3"),
    ),
    "C minor": (
        ("C5 G4 Eb4 C3", "B4 G4 D4 G3", "C5 G4 Eb4 C3", "C5 G4 Eb4 C3"), ("B4 G4 D4 G2", "B4 F4 D4 G2", "C5 Eb4 C4 C3"),
    ),
}  # fmt: skip
"""The chords before and after, in half notes and a whole one."""


def parts(key: str, chord: str, goal: str) -> tuple[str, str, str, str]:
    """Soprano, alto, tenor and bass of a chord in its frame."""
    before, after = FRAMES[key]
    columns = [column.split() for column in (*before, chord, goal, *after)]
    soprano, alto, tenor, bass = (
        " | ".join([*(f"{one}:2 {two}:2" for one, two in zip(voice[:8:2], voice[1:8:2], strict=True)), f"{voice[8]}:4"])
        for voice in zip(*columns, strict=True)
    )
    return soprano, alto, tenor, bass


CASES |= {
    name: (key, *parts(key, chord, goal), 8, text, roman) for name, (key, chord, goal, text, roman) in IN_CHORDS.items()
}


def test_there_are_twenty_four_cases() -> None:
    """In eight keys."""
    assert (len(CASES), len(set(KEYS))) == (24, 8)


@pytest.mark.parametrize("interval", KEYS, ids=["C", "G", "F", "D", "Bb", "Eb", "A", "Ab"])
@pytest.mark.parametrize("name", CASES)
def test_chromatic_chords_have_their_symbol_and_numeral(name: str, interval: Interval) -> None:
    """Symbol and numeral as players and analysts write them (common practice, no source)."""
    key, soprano, alto, tenor, bass, place, text, roman = CASES[name]
    piece = four("4/4", key, soprano, alto, tenor, bass)
    moved = Hymn("Invented", piece.tune.transposed(interval))
    harmony = analyse(moved)
    span = next(span for span in harmony.spans if span.onset <= place < span.end)
    home = next(span for span in analyse(piece).spans if span.onset <= place < span.end)
    assert symbol(home.chord) == text, chords(harmony)
    assert span.chord == home.chord.transposed(interval)
    assert span.numeral == roman, numerals(harmony)


@pytest.mark.parametrize(("fourth", "expected"), [("Gb4", "Ab7"), ("F#4", "Ab7")])
def test_only_the_spelling_tells_a_german_sixth_from_a_dominant_seventh(fourth: str, expected: str) -> None:
    """The same keys under the hand: one numeral with G flat, another with F sharp."""
    piece = four(
        "4/4", "C minor",
        f"C5:2 D5:2 | {fourth}:2 G4:2 | G4:4", "G4:2 G4:2 | Eb4:2 D4:2 | Eb4:4",
        "Eb4:2 B3:2 | C4:2 B3:2 | C4:4",
        "C3:2 G3:2 | Ab2:2 G2:2 | C3:4",
    )  # fmt: skip
    span = next(span for span in analyse(piece).spans if span.onset <= 4 < span.end)
    assert symbol(span.chord) == expected
    assert (span.numeral == "Ger65") == (fourth == "F#4")
