"""The rules of notes against the tune by their examples (R1, R2, R5 to R8), all music invented.

Source of every example: rules of the project: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from judged import Example, section, verse_of
from undersong.arranging.judge import review
from undersong.textures.ground import Suspension


def quavers(names: str) -> str:
    """`A3 G4`: each of a quaver."""
    return " ".join(f"{name}:1/2" for name in names.split())


SUS: dict[str, Any] = {"chords": "D7sus4:2 D7:2 G:4", "key": "G major", "texture": "alberti"}

EXAMPLES = (
    Example(
        "leading-note-twice", "G7 with B4 in the tune: hands G D F, no B",
        section("B4:4", "G3+D4+F4:4", "G2:4", "G7:4"), section("B4:4", "G3+B3+F4:4", "G2:4", "G7:4"), "0",
    ),
    Example(
        "seventh-twice", "G7 with F5 in the tune: hands G B D, no F",
        section("F5:4", "G3+B3+D4:4", "G2:4", "G7:4"), section("F5:4", "B3+D4+F4:4", "G2:4", "G7:4"), "0",
    ),
    Example(
        "third-missing", "C under G4: an E somewhere",
        section("G4:4", "E3+G3+C4:4", "C3:4", "C:4"), section("G4:4", "G3+C4:4", "C3:4", "C:4"), "0",
    ),
    Example(
        "seventh-unresolved", "G7 to C: F4 goes to E4 in its own octave, not away",
        section("D5:4 C5:4", "G3+B3+F4:4 G3+C4+E4:4", "G2:4 C3:4", "G7:4 C:4"),
        section("D5:4 C5:4", "G3+B3+F4:4 E3+G3+C4:4", "G2:4 C3:4", "G7:4 C:4"), "4",
    ),
    Example(
        "semitone-under-tune", "symbol G, tune C5 then B4: the figure plays D4 G4 until the tune moves",
        section("C5:2 B4:2", quavers("D4 G4 D4 G4 D4 G4 D4 G4"), "G2:4", "G:4", texture="broken"),
        section("C5:2 B4:2", quavers("D4 G4 B3 G4 D4 G4 D4 G4"), "G2:4", "G:4", texture="broken"), "1",
    ),
    Example(
        "suspension-lost", "D7sus4: the G is somewhere",
        section("A4:4 B4:4", quavers("A3 G4 C4 G4 A3 F#4 C4 F#4") + " G3+B3+D4:4", "D3:4 G2:4", **SUS),
        section("A4:4 B4:4", quavers("A3 D4 C4 D4 A3 F#4 C4 F#4") + " G3+B3+D4:4", "D3:4 G2:4", **SUS), "0",
    ),
    Example(
        "resolution-early", "D7sus4 to D7, low-high-middle-high: A3 G4 C4 G4 | A3 F#4 C4 F#4",
        section("A4:4 B4:4", quavers("A3 G4 C4 G4 A3 F#4 C4 F#4") + " G3+B3+D4:4", "D3:4 G2:4", **SUS),
        section("A4:4 B4:4", quavers("A3 G4 F#4 G4 A3 F#4 C4 F#4") + " G3+B3+D4:4", "D3:4 G2:4", **SUS), "1",
    ),
    Example(
        "suspension-moved", "the suspended G4 goes to F#4, not to F#3",
        section("A4:4 B4:4", quavers("A3 G4 C4 G4 A3 F#4 C4 F#4") + " G3+B3+D4:4", "D3:4 G2:4", **SUS),
        section("A4:4 B4:4", quavers("A3 G4 C4 G4 F#3 A3 C4 A3") + " G3+B3+D4:4", "D3:4 G2:4", **SUS), "2",
    ),
    Example(
        "tonic-in-dominant", "G7 under B4: no C beside it",
        section("B4:4", quavers("G3 D4 F4 D4 G3 D4 F4 D4"), "G2:4", "G7:4", texture="alberti"),
        section("B4:4", quavers("G3 D4 C4 D4 G3 D4 F4 D4"), "G2:4", "G7:4", texture="alberti"), "1",
    ),
    Example(
        "cross-rhythm", "a dotted quaver in the tune: quavers under it, not triplets",
        section("C5:3/4 D5:1/4 E5:3", "E4:1/2 G4:1/2 C4:1 r:2", "C3:4", "C:4", texture="broken"),
        section("C5:3/4 D5:1/4 E5:3", "C4:1/3 E4:1/3 G4:1/3 C4:1 r:2", "C3:4", "C:4", texture="broken"), "0",
    ),
    Example(
        "hole", "a solo on E6: the left hand reaches A4, a twelfth below it",
        section("E6:4", "E4+A4+C5:4", "A2:4", "Am:4", place="octave-up"),
        section("E6:4", "A3+C4+E4:4", "A2:4", "Am:4", place="octave-up"), "0",
    ),
    Example(
        "solo-covered", "flutes 8 and 4 on E4 sound E5 over a tune on C5",
        section("C5:4", "C4+E4:4", "C3:4", "C:4", stops=[("Swell", "Stopped Flute 8")]),
        section("C5:4", "C4+E4:4", "C3:4", "C:4", stops=[("Swell", "Stopped Flute 8, Flute 4")]), "0",
    ),
)  # fmt: skip


@pytest.mark.parametrize("example", EXAMPLES, ids=[one.kind for one in EXAMPLES])
def test_right_is_silent_and_wrong_is_told(example: Example) -> None:
    """The example of each rule: kept, then broken, told at its place."""
    assert example.judged(example.right) == []
    told = example.judged(example.wrong, **example.given_wrong)
    assert told, example.says
    assert str(told[0].start) == example.at


def kinds(laid: object, **given: object) -> set[str]:
    return {one.kind for one in review(laid, **given)}  # type: ignore[arg-type]


def test_r1_the_third_may_be_missing_while_the_tune_clashes_with_it() -> None:
    """G under C5 throughout: R2 wins, and the B is not asked for."""
    assert "third-missing" not in kinds(section("C5:4", "G3+D4:4", "G2:4", "G:4"))


def test_r1_chords_of_half_a_beat_are_excused() -> None:
    """A half-beat chord without its third is not told; one of a beat is."""
    assert "third-missing" not in kinds(
        section("G4:1/2 A4:7/2", "G3+C4:1/2 A3+C4+F4:7/2", "C3:1/2 F2:7/2", "C:1/2 F:7/2")
    )


def test_r1_a_resolution_in_the_tune_is_left_to_it() -> None:
    """G7 to C with E5 in the tune: the seventh need not double the third."""
    away = section("D5:4 E5:4", "G3+B3+F4:4 G3+C4:4", "G2:4 C3:4", "G7:4 C:4")
    assert "seventh-unresolved" not in kinds(away)


def test_findings_spell_keys_as_they_are_written() -> None:
    """In E flat the seventh of C7 is B flat, never A sharp; a suspension that is not played has the print's name."""
    away = section("G4:4 F4:4", "C3+E3+Bb3:4 C3+F3+C4:4", "C3:4 F2:4", "C7:4 Fm:4", key="Eb major")
    (found,) = [one for one in review(away) if one.kind == "seventh-unresolved"]
    assert "Bb3" in found.message
    held = Suspension(Fraction(0), Fraction(2), 3, 2, inner=True)
    lost = section("D5:2 D5:2", "Bb3+D4:2 Bb3+D4:2", "Bb2:4", "Bb:4", key="Eb major")
    told = [
        one.message for one in review(lost, verse=verse_of(lost, suspensions=[held])) if one.kind == "suspension-lost"
    ]
    assert told
    assert all("Eb" in message and "D#" not in message for message in told)


def test_r2_is_silent_off_the_beat_and_where_the_tune_note_is_in_the_chord() -> None:
    """A passing C5 on the half beat, and C5 over Cmaj7 with B3: neither is told."""
    passing = section("B4:1/2 C5:1/2 D5:3", "G3+D4:1/2 B3+D4:1/2 G3+D4:3", "G2:4", "G:4")
    assert "semitone-under-tune" not in kinds(passing)
    assert "semitone-under-tune" not in kinds(section("C5:4", "E4+B3:4", "C3:4", "Cmaj7:4"))


def test_r5_a_printed_suspension_is_carried_and_its_resolution_waits() -> None:
    """The alto holds G over D7 until F#: the figure has the G first; without it, or with F# early, it is told."""
    held = Suspension(Fraction(2), Fraction(3), 7, 6, inner=True)
    tune, bass, chords = "B4:2 A4:2 G4:4", "G2:2 D3:2 G2:4", "G:2 D7:2 G:4"
    carried = section(tune, "G3+B3+D4:2 A3+C4+G4:1 A3+C4+F#4:1 G3+B3+D4:4", bass, chords, key="G major")
    verse = verse_of(carried, suspensions=[held])
    assert not kinds(carried, verse=verse) & {"suspension-lost", "resolution-early", "suspension-moved"}
    without = section(tune, "G3+B3+D4:2 A3+C4:1 A3+C4+F#4:1 G3+B3+D4:4", bass, chords, key="G major")
    assert "suspension-lost" in kinds(without, verse=verse)
    early = section(tune, "G3+B3+D4:2 A3+C4+F#4:1 A3+C4+F#4:1 G3+B3+D4:4", bass, chords, key="G major")
    assert {"suspension-lost", "resolution-early"} <= kinds(early, verse=verse)


def test_r5_the_tunes_own_suspension_silences_its_resolution() -> None:
    """C5 held over G until B4: no B in the hand meanwhile."""
    held = Suspension(Fraction(4), Fraction(6), 0, 11, inner=False)
    music = ("C5:6 B4:2", "C3:4 G2:4", "C:4 G:4")
    waits = section(music[0], "E4+G4:4 G3+D4:4", music[1], music[2])
    hasty = section(music[0], "E4+G4:4 B3+D4:4", music[1], music[2])
    verse = verse_of(waits, suspensions=[held])
    assert "resolution-early" not in kinds(waits, verse=verse)
    assert "resolution-early" in kinds(hasty, verse=verse)


def test_r6_a_printed_note_is_not_blamed() -> None:
    """The same C under B4, printed in the tenor: the print wins."""
    laid = section("B4:4", "G3+D4+F4:4", "G2:4", "G7:4", others={"tenor": "C4:4"}, printed=("tune", "tenor"))
    assert "tonic-in-dominant" not in kinds(laid)


@pytest.mark.parametrize(
    ("tune", "figure", "told"),
    [
        ("C5:1/3 D5:1/3 E5:1/3 F5:3", "C4:1/2 E4:1/2 G4:3", True),  # two against three
        ("C5:1/3 D5:1/3 E5:1/3 F5:3", "C4:1/4 E4:1/4 G4:1/4 E4:1/4 G4:3", True),  # four against three
        ("C5:1/2 D5:1/2 E5:3", "C4:1/4 E4:1/4 G4:1/4 E4:1/4 G4:3", False),  # four hold two
        ("C5:1/4 D5:1/4 E5:1/2 F5:3", "C4:1/2 E4:1/2 G4:3", False),
        ("C5:1/3 D5:2/3 F5:3", "C4:1/3 E4:1/3 G4:1/3 G4:3", False),
        ("C5:1 D5:3", "C4:1/3 E4:1/3 G4:1/3 G4:3", False),
    ],
)
def test_r7_one_grid_divides_the_other(tune: str, figure: str, told: bool) -> None:
    """Only three against two or four is refused."""
    assert ("cross-rhythm" in kinds(section(tune, figure, "C3:4", "C:4", texture="broken"))) == told


def test_r7_in_six_eight_the_beat_is_dotted() -> None:
    """Quavers in threes under a siciliano (3/4, 1/4, 1/2) divide it; under two dotted quavers they do not."""
    figure = quavers("C4 E4 G4 C4 E4 G4")
    lilting = section("C5:3/4 D5:1/4 E5:1/2 C5:3/2", figure, "C3:3", "C:3", time="6/8", texture="broken")
    duplets = section("C5:3/4 D5:3/4 C5:3/2", figure, "C3:3", "C:3", time="6/8", texture="broken")
    assert "cross-rhythm" not in kinds(lilting)
    assert "cross-rhythm" in kinds(duplets)


def test_r8_a_four_foot_stop_fills_the_hole() -> None:
    """The left hand on E4 with a 4' stop sounds E5 under E6."""
    laid = section("E6:4", "A3+C4+E4:4", "A2:4", "Am:4", place="octave-up", stops=[("Swell", "Flutes 8 and 4")])
    assert "hole" not in kinds(laid)
