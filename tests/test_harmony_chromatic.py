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

CASES = {
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
