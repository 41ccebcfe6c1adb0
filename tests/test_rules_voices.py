"""The rules of voices by their examples (R3, R4, R9 to R13), all music invented.

Source of every example: rules of the project: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from judged import Example, section, verse_of
from test_rules_tune import kinds, quavers
from undersong.arranging.rules.voices import parallel
from undersong.model.accompaniment import Accompaniment
from undersong.textures.ground import Suspension

AGF: dict[str, Any] = {"chords": "Am:2 G:2 F:4", "place": "tenor", "tune_in": "left hand"}


def lowest_tune(tune: str, chords: str, figure: str, lines: str = "") -> Accompaniment:
    """The tune in the feet at 8', chords above it in the hand."""
    return section(tune, figure, "", chords, place="bass", tune_in="feet", lines=lines)


def tied_alto(alto: str) -> Accompaniment:
    """Two bars of 3/4 as printed, with this alto."""
    printed = ("tune", "alto")
    return section("E5:3 D5:3", "", "C3:3 G2:3", "C:3 G:3", time="3/4", others={"alto": alto}, printed=printed)


TIED = tied_alto("G4:6")
TRIO = "C4+E4+G4"
PEDAL_G = ("C5:2 B4:2 B4:2 C5:2", "E4:4 D4:2 E4:2", "C3:2 E3:2 G2:2 C3:2", "C:2 Em:2 G:2 C:2")
STRUM: dict[str, Any] = {"texture": "strummed"}

EXAMPLES = (
    Example(
        "lowered-tune-parallels", "A3 G3 F3 under E4 D4 C4 is three fifths; under C5 B4 A4 it is none",
        section("A3:2 G3:2 F3:4", "C5:2 B4:2 A4:4", **AGF), section("A3:2 G3:2 F3:4", "E4:2 D4:2 C4:4", **AGF), "2",
    ),
    Example(
        "six-four-under-tune", "G2 as the lowest note: under Em its third, under C its fifth",
        lowest_tune("C3:2 G2:2 A2:4", "C:2 Em:2 F:4", "E4+G4+C5:2 G4+B4+E5:2 A4+C5+F5:4"),
        lowest_tune("C3:2 G2:2 C3:4", "C:8", "E4+G4+C5:2 E4+G4+C5:2 E4+G4+C5:4"), "2",
    ),
    Example(
        "weak-close", "F3 D3 C3 in the feet closes weakly; with G2 C3 under the tune it does not",
        section("F4:2 D4:2 C4:4", "A4+C5:2 G4+B4:2 G4+E5:4", "F2:2 G2:2 C3:4", "F:2 G:2 C:4", place="tenor"),
        lowest_tune("F3:2 D3:2 C3:4", "F:2 G:2 C:4", "A4+C5+F5:2 G4+B4+G5:2 G4+C5+E5:4"), "4",
    ),
    Example(
        "sixteen-foot-tune", "the tune in the feet: Octave 4 alone, no Bourdon 16",
        section("C3:4", TRIO + ":4", "", "C:4", place="pedal", tune_in="feet", stops=[("Pedal", "Octave 4, no 16")]),
        section("C3:4", TRIO + ":4", "", "C:4", place="pedal", tune_in="feet", stops=[("Pedal", "Bourdon 16")]), "0",
    ),
    Example(
        "parallels", "pedal C3 D3: G3 C4 E4 to F3 A3 D4 is right, to A3 D4 F4 is wrong",
        section("C5:2 D5:2", "G3+C4+E4:2 F3+A3+D4:2", "C3:2 D3:2", "C:2 Dm:2"),
        section("C5:2 D5:2", "G3+C4+E4:2 A3+D4+F4:2", "C3:2 D3:2", "C:2 Dm:2"), "2",
    ),
    Example(
        "root-doubled", "C3 in the feet: the figure starts on E3 or G3, not on C3",
        section("C5:4", quavers("E3 G3 C4 G3 E3 G3 C4 G3"), "C3:4", "C:4", texture="broken"),
        section("C5:4", quavers("C3 E3 G3 E3 C3 E3 G3 E3"), "C3:4", "C:4", texture="broken"), "0",
    ),
    Example(
        "left-hand-silent", "G has its chord as C has",
        section("G4:4 B4:4", "E3+G3+C4:4 D3+G3:4", "C3:4 G2:4", "C:4 G:4"),
        section("G4:4 B4:4", "E3+G3+C4:4 r:4", "C3:4 G2:4", "C:4 G:4"), "4",
    ),
    Example(
        "voices-vary", "three voices, then two; not one",
        section("C5:16", f"{TRIO}:4 E4+G4:4 {TRIO}:4 {TRIO}:4", "C3:16", "C:4 Am:4 C:4 F:4"),
        section("C5:16", f"{TRIO}:4 E4:4 {TRIO}:4 {TRIO}:4", "C3:16", "C:4 Am:4 C:4 F:4"), "4",
    ),
    Example(
        "too-many-held", "four keys down, not five",
        section("C5:4", "C3+E3+G3+C4:4", "C2:4", "C:4", texture="held"),
        section("C5:4", "C3+E3+G3+C4+E4:4", "C2:4", "C:4", texture="held"), "0",
    ),
    Example(
        "held-into-change", "C to G: the common tone G3 may stay, E3 may not",
        section("C5:4 B4:4", "G3:8", "C3:4 G2:4", "C:4 G:4", others={"figure-2": "E4:4 D4:4"}),
        section("C5:4 B4:4", "E3:8", "C3:4 G2:4", "C:4 G:4", others={"figure-2": "G3:4 G3:4"}), "4",
    ),
    Example(
        "accent-lost", "strummed 4/4: beat 1 is held, the others are short",
        section("C5:4 C5:4", f"{TRIO}:1 {TRIO}:1/2 r:1/2 {TRIO}:1/2 r:3/2 {TRIO}:4", "C3:8", "C:4 Am:4", **STRUM),
        section("C5:4 C5:4", f"{TRIO}:1/2 r:1/2 {TRIO}:1 {TRIO}:1/2 r:3/2 {TRIO}:4", "C3:8", "C:4 Am:4", **STRUM), "1",
    ),
    Example(
        "bass-parallels", "D5 C5 over Dm C: D3 E3, not D3 C3",
        section("D5:4 C5:4", "A3+D4+F4:4 G3+C4:4", "D3:4 E3:4", "Dm:4 C:4"),
        section("D5:4 C5:4", "A3+D4+F4:4 G3+C4:4", "D3:4 C3:4", "Dm:4 C:4"), "4",
    ),
    Example(
        "bass-line", "no six-four by choice: F2 under F, not C3",
        section("E5:4 F5:4 E5:4", "G3+C4:4 A3+C4:4 G3+C4:4", "C3:4 F2:4 C3:4", "C:4 F:4 C:4"),
        section("E5:4 F5:4 E5:4", "G3+C4:4 A3+C4:4 G3+C4:4", "C3:4 C3:4 C3:4", "C:4 F:4 C:4"), "4",
    ),
    Example(
        "pedal-point-struck", "G/D D A7/D D: one held D",
        section("B4:3 A4:3 G4:3 F#4:3", "", "D3:12", "G/D:3 D:3 A7/D:3 D:3", time="3/4", key="D major"),
        section("B4:3 A4:3 G4:3 F#4:3", "", "D3:3 " * 4, "G/D:3 D:3 A7/D:3 D:3", time="3/4", key="D major"), "3",
    ),
    Example(
        "pedal-point-ends", "C held under F/C: it ends under C, not under the six-four",
        section("C5:8 D5:4", "", "C3:8 G2:4", "C:2 F/C:2 C:4 G:4"),
        section("C5:8 D5:4", "", "C3:8 G2:4", "C:4 F/C:4 G:4"), "4",
    ),
    Example(
        "inner-pedal-struck", "G lies in C Em G C: held through all of them, not struck again under the last",
        section(*PEDAL_G, others={"figure-2": "G3:8"}), section(*PEDAL_G, others={"figure-2": "G3:6 G3:2"}), "6",
    ),
    Example(
        "tie-lost", "the alto's G4, printed over the bar line, is not struck again",
        TIED, tied_alto("G4:3 G4:3"), "3", {"verse": verse_of(TIED, alto="G4:6")},
    ),
    Example(
        "held-over-breath", "a line of one bar: the G is struck again after it",
        section("C5:4 B4:4", "G3:4 G3:4", "C3:4 G2:4", "C:4 G:4", lines="4 4"),
        section("C5:4 B4:4", "G3:8", "C3:4 G2:4", "C:4 G:4", lines="4 4"), "4",
    ),
    Example(
        "tied-into-strong", "the G of beat 3 is struck again on the bar line",
        section("C5:4 B4:4", "E3:2 G3:2 G3:4", "C3:4 G2:4", "C:4 G:4"),
        section("C5:4 B4:4", "E3:2 G3:6", "C3:4 G2:4", "C:4 G:4"), "4",
    ),
)  # fmt: skip


@pytest.mark.parametrize("example", EXAMPLES, ids=[one.kind for one in EXAMPLES])
def test_right_is_silent_and_wrong_is_told(example: Example) -> None:
    """The example of each rule: kept, then broken, told at its place."""
    assert example.judged(example.right) == []
    told = example.judged(example.wrong, **example.given_wrong)
    assert told, example.says
    assert str(told[0].start) == example.at


@pytest.mark.parametrize(
    ("one", "two", "said"),
    [
        ((60, 67), (62, 69), "fifths"),
        ((60, 72), (62, 74), "octaves"),
        ((60, 79), (62, 81), "fifths"),  # a twelfth is a fifth
        ((60, 79), (62, 69), "fifths"),  # in contrary motion too
        ((60, 65), (62, 67), ""),  # fourths are none
        ((67, 60), (69, 62), "fifths"),  # named from the upper voice
        ((60, 67), (60, 67), ""),  # nobody moves
        ((60, 67), (62, 68), ""),  # a diminished fifth
        ((60, 67), (69, 62), ""),  # they cross
    ],
)
def test_a_fifth_is_no_fourth(one: tuple[int, int], two: tuple[int, int], said: str) -> None:
    """Two voices of MIDI keys, the order of naming without weight."""
    assert parallel(one, two) == said


def test_r3_is_legal_at_pitch() -> None:
    """A4 G4 F4 over E4 D4 C4: fourths, and neither R3 nor R9 speaks; over D4 C4 Bb3 they would be fifths."""
    fourths = section("A4:2 G4:2 F4:4", "E4:2 D4:2 C4:4", "", "Am:2 G:2 F:4")
    fifths = section("A4:2 G4:2 F4:4", "D4:2 C4:2 Bb3:4", "", "Dm:2 C:2 Bb:4")
    assert not kinds(fourths) & {"parallels", "lowered-tune-parallels"}
    assert "parallels" in kinds(fifths)


def test_r3_a_breath_ends_it() -> None:
    """The same fifths across the end of a line."""
    music = ("A3:4 G3:4", "E4:4 D4:4", "", "Am:4 G:4")
    joined = section(*music, place="tenor", tune_in="left hand")
    parted = section(*music, place="tenor", tune_in="left hand", lines="4 4")
    assert "lowered-tune-parallels" in kinds(joined)
    assert "lowered-tune-parallels" not in kinds(parted)


def test_r3_every_voice_of_a_chord_counts() -> None:
    """Fifths between the tune and the middle of three notes."""
    inner = section("A3:4 G3:4", "C4+E4+A4:4 B3+D4+B4:4", "", "Am:4 G:4", place="tenor", tune_in="left hand")
    assert "lowered-tune-parallels" in kinds(inner)


def test_r4_six_fours_pass_or_go_to_their_dominant() -> None:
    """F3 G3 A3 with C over the G, and G2 under C before G: neither is told."""
    passing = lowest_tune("F3:2 G3:2 A3:4", "F:2 C:2 F:4", "A4+C5+F5:2 G4+C5+E5:2 F4+A4+C5:4")
    cadential = lowest_tune("F3:2 G3:4 C3:2", "F:2 C:2 G:2 C:2", "A4+C5:2 C5+E5:2 B4+D5:2 E4+G4:2")
    assert "six-four-under-tune" not in kinds(passing)
    assert "six-four-under-tune" not in kinds(cadential)


def test_r4_a_tune_at_four_feet_is_not_the_lowest_part() -> None:
    """G3 in the pedal at 4' sounds G4; the left hand has C3 beneath it."""
    laid = section("C3:2 G2:2", "E5+G5+C5:4", "C3:4", "C:4", place="pedal", tune_in="feet", bass_in="left hand")
    assert "six-four-under-tune" not in kinds(laid)


def test_r4_feet_at_sixteen_lie_below_a_tenor() -> None:
    """The tune's G2 dips below the feet's C3: harmless with a 16' stop, a six-four without."""
    music = ("C4:2 G2:2", "E5+G5+C5:4", "C3:4", "C:4")
    deep = section(*music, place="tenor", tune_in="left hand", stops=[("Pedal", "Bourdon 16")])
    bare = section(*music, place="tenor", tune_in="left hand", stops=[("Pedal", "Bass Flute 8")])
    assert "six-four-under-tune" not in kinds(deep)
    assert "six-four-under-tune" in kinds(bare)


@pytest.mark.parametrize(
    ("bass", "chords", "what"),
    [
        ("C3:4 D2:4 G2:4 C3:4", "C:4 Dm:4 G:4 C:4", "lies outside E2 to C4"),
        ("C3:4 Bb3:4 C3:4 C3:4", "C:4 Bb:4 C:4 C:4", "leaps a seventh"),
        ("F2:4 C3:4 A3:4 F2:4", "F:4 C:4 Am:4 F:4", "two leaps the same way"),
        ("E3:4 F3:4 G3:4 C3:4", "C:4 F:4 G:4 C:4", "begins without the root"),
        ("C3:4 F3:4 G3:4 E3:4", "C:4 F:4 G:4 C:4", "ends without the root"),
        ("C3:4 F3:4 B2:4 C3:4", "C:4 F:4 G:4 C:4", "not by fourth or fifth"),
        ("C3:4 D3:4 G2:4 C3:4", "C:4 Am:4 G:4 C:4", "is foreign to Am"),
        ("C3:4 F2:4 G2:4 C3:4", "C:4 F:4 G:4 C:4", ""),
        ("C3:4 G2:4 F2:4 C3:4", "C:8 F:4 C:4", ""),  # the fifth, once, at a bar of a chord of two
        ("G2:4 F2:4 G2:4 C3:4", "C/G:4 F:4 G:4 C:4", ""),  # printed after the slash
    ],
)
def test_r11_what_a_bass_does(bass: str, chords: str, what: str) -> None:
    """Four bars of a bass from symbols."""
    laid = section("G4:4 A4:4 B4:4 C5:4", "", bass, chords)
    printed = section("G4:4 A4:4 B4:4 C5:4", "", bass, chords, printed=("tune", "bass"))
    said = [one.message for one in Example("bass-line", "", laid, laid, "").judged(laid)]
    assert any(what in one for one in said) if what else said == []
    assert "bass-line" not in kinds(printed)


def test_r11_octaves_by_leap_at_a_close_stay() -> None:
    """Tune and root both go 5-1."""
    assert "bass-parallels" not in kinds(section("G4:4 C5:4", "", "G2:4 C3:4", "G:4 C:4"))


def test_r12_a_tone_of_three_chords_is_held_over_the_bar_line_on_purpose() -> None:
    """G3 under C Em | G C crosses the bar line; under two chords it is struck (R13), and after a breath."""
    assert "tied-into-strong" not in kinds(section(*PEDAL_G, others={"figure-2": "G3:8"}))
    two = section(
        "C5:2 E5:2 B4:2 C5:2", "E4:4 D4:2 E4:2", "C3:4 G2:2 C3:2", "C:4 G:2 F:2", others={"figure-2": "G3:6 A3:2"}
    )
    assert "tied-into-strong" in kinds(two)
    breath = section(*PEDAL_G, others={"figure-2": "G3:6 G3:2"}, lines="6 2")
    assert "inner-pedal-struck" not in kinds(breath)


def test_r12_a_seventh_of_the_last_chord_or_a_leading_note_ends_it() -> None:
    """F3 is the seventh of G7 and falls; B3 is the leading note in the last G: neither is blamed for being struck."""
    falls = ("A4:2 A4:2 B4:2 A4:2", "A3:4 B3:2 C4:2", "F2:2 D3:2 G2:2 F2:2", "F:2 Dm:2 G7:2 F:2")
    assert "inner-pedal-struck" not in kinds(section(*falls, others={"figure-2": "F3:6 F3:2"}))
    leads = ("G4:2 E4:2 F#4:2 G4:2", "G3:4 F#3:2 G3:2", "E3:2 E2:2 B2:2 G2:2", "Em:2 Em7:2 Bm:2 G:2")
    assert "inner-pedal-struck" not in kinds(section(*leads, others={"figure-2": "B3:6 B3:2"}))
    assert "inner-pedal-struck" in kinds(section(*leads, others={"figure-2": "B3:6 B3:2"}, key="G major"))


def test_r12_pulsed_feet_strike_by_nature() -> None:
    """Bass and chord: the same D struck with each chord is the texture."""
    music = ("B4:3 A4:3", "", "D3:3 D3:3", "G/D:3 D:3")
    assert "pedal-point-struck" in kinds(section(*music, time="3/4"))
    assert "pedal-point-struck" not in kinds(section(*music, time="3/4", texture="bass-and-chord"))


def test_r13_a_prepared_dissonance_is_held_over_the_bar_line() -> None:
    """C4 tied over into G until B3: a suspension, and no fault."""
    laid = section("E5:4 D5:4", "C4:5 B3:3", "C3:4 G2:4", "C:4 G:4")
    held = Suspension(Fraction(4), Fraction(5), 0, 11, inner=True)
    assert "tied-into-strong" in kinds(laid)
    assert "tied-into-strong" not in kinds(laid, verse=verse_of(laid, suspensions=[held]))


def test_the_print_wins() -> None:
    """Fifths between printed parts, a printed note held over a breath: the rules are silent."""
    laid = section(
        "A4:4 G4:4", "", "D3:4 C3:4", "Dm:4 C:4", lines="4 4", others={"tenor": "D4:8"}, printed=("tune", "tenor")
    )
    assert not kinds(laid) & {"parallels", "held-over-breath", "tied-into-strong"}
    ours = replace(laid, notes=tuple(replace(note, source="") for note in laid.notes))
    assert "held-over-breath" in kinds(ours)
