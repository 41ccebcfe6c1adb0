"""The rules of pulse and lines by their examples (R14 to R17, R19), all music invented.

Source of every example: rules of the project: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from judged import Example, section
from test_rules_tune import kinds, quavers
from undersong.arranging.judge import counted_beats

TRIO = "C4+E4+G4"
BROKEN: dict[str, Any] = {"texture": "broken"}
TWO_LINES: dict[str, Any] = {"lines": "8 4"}
UP = quavers("C4 E4 G4 E4")
HALVES: dict[str, Any] = {"time": "3/4", "chords": "C:2 F:2 C:2 G:3 C:3"}
HALVES_TUNE = "E5:2 F5:2 E5:2 D5:3 E5:3"
HALVES_FIGURE = "G3+C4:2 A3+C4:2 G3+C4:2 G3+B3:3 G3+C4:3"
ENDING: dict[str, Any] = {"chords": "C:4 F:2 C:2 G:4", "texture": "broken", **TWO_LINES}

EXAMPLES = (
    Example(
        "beat-not-struck", "held tune notes, and still a pulse: every beat is struck",
        section("G4:4 A4:4", f"{UP} {UP} F4:4", "C3:4 F3:4", "C:4 F:4", **BROKEN),
        section("G4:4 A4:4", f"{UP} C4:1/2 E4:3/2 F4:4", "C3:4 F3:4", "C:4 F:4", **BROKEN) , "3",
    ),
    Example(
        "chord-hammered", "a chord of four beats: struck once more, not on every beat",
        section("C5:4 D5:4", f"{TRIO}:2 {TRIO}:2 B3+D4+G4:4", "C3:4 G2:4", "C:4 G:4"),
        section("C5:4 D5:4", f"{TRIO}:1 {TRIO}:1 {TRIO}:1 {TRIO}:1 B3+D4+G4:4", "C3:4 G2:4", "C:4 G:4"), "2",
    ),
    Example(
        "hemiola-broken", "tune and chords at 0, 2 and 4: so do the feet, and nothing on the bar line between",
        section(HALVES_TUNE, HALVES_FIGURE, "C3:2 F2:2 C3:2 G2:3 C3:3", **HALVES),
        section(HALVES_TUNE, HALVES_FIGURE, "C3:2 F2:1 F3:1 C3:2 G2:3 C3:3", **HALVES), "3",
    ),
    Example(
        "ending-struck-twice", "a line ends with two beats of C: struck once",
        section("G4:4 A4:2 G4:2 B4:4", f"{UP} {UP} F3+A3:2 E3+G3:2 D3+G3:4", "C3:4 F2:2 C3:2 G2:4", **ENDING),
        section("G4:4 A4:2 G4:2 B4:4", f"{UP} {UP} F3+A3:2 E3+G3:1 E3+G3:1 D3+G3:4", "C3:4 F2:2 C3:2 G2:4", **ENDING),
        "7",
    ),
    Example(
        "ending-silent", "a line ends with a whole bar: the beat goes on up to the lift",
        section("G4:4 A4:4 B4:4", f"{TRIO}:4 F3+A3:1 F3+A3:1 F3+A3:1 r:1 D4+G4:4", "C3:4 F2:4 G2:4", "C:4 F:4 G:4",
                **TWO_LINES),
        section("G4:4 A4:4 B4:4", f"{TRIO}:4 F3+A3:4 D4+G4:4", "C3:4 F2:4 G2:4", "C:4 F:4 G:4", **TWO_LINES), "5",
    ),
    Example(
        "not-lifted", "no breath is written and the G goes on over the end of the line",
        section("C5:4 B4:4", "G3:4 G3:4", "C3:4 G2:4", "C:4 G:4", lines="4 4", breaths=False),
        section("C5:4 B4:4", "G3:8", "C3:4 G2:4", "C:4 G:4", lines="4 4", breaths=False), "4",
    ),
    Example(
        "figure-dropped", "quavers through the line, not a half note in the middle of it",
        section("G4:4 A4:4 G4:4", f"{UP} {UP} {UP} {UP} {TRIO}:4", "C3:12", "C:4 Am:4 C:4", **BROKEN),
        section("G4:4 A4:4 G4:4", f"{UP} {UP} E4:2 {UP} {TRIO}:4", "C3:12", "C:4 Am:4 C:4", **BROKEN), "4",
    ),
    Example(
        "final-chord", "the last chord of a verse has its root lowest",
        section("D5:4 C5:4", "G3+B3:4 G3+C4+E4:4", "G2:4 C3:4", "G:4 C:4"),
        section("D5:4 C5:4", "G3+B3:4 G3+C4+E4:4", "G2:4 E3:4", "G:4 C:4"), "4",
    ),
)  # fmt: skip


@pytest.mark.parametrize("example", EXAMPLES, ids=[one.kind for one in EXAMPLES])
def test_right_is_silent_and_wrong_is_told(example: Example) -> None:
    """The example of each rule: kept, then broken, told at its place."""
    assert example.judged(example.right) == []
    told = example.judged(example.wrong, **example.given_wrong)
    assert told, example.says
    assert str(told[0].start) == example.at


def test_r14_the_tune_does_not_count_and_calm_textures_need_not_strike() -> None:
    """Crotchets in the tune over a semibreve: told in broken chords, not in block chords."""
    music = ("C5:1 D5:1 E5:1 F5:1 G5:4", f"{TRIO}:4 F4:4", "C3:4 C3:4", "C:4 F/C:4")
    assert "beat-not-struck" in kinds(section(*music, **BROKEN))
    assert "beat-not-struck" not in kinds(section(*music))


def test_r14_the_first_pickup_is_exempt_and_later_ones_are_not() -> None:
    """A verse and a line that begin with a crotchet: the first need not be struck; nor what follows a last chord."""
    laid = section(
        "G4:1 C5:4 C5:3 D5:1 E5:4 C5:3", "r:1 C4:4 C4:3 B3:1 C4:4 C4:3", "", "C:8 G:1 C:7", pickup="1", lines="8 8"
    )
    assert [str(beat) for beat in counted_beats(laid)] == [*"123458", "9", *["10", "11", "12", "13"]]


def test_r14_strummed_chords_and_answers_repeat() -> None:
    """Four strokes of one chord in a bar are the texture."""
    laid = section("C5:4 C5:4", f"{TRIO}:1 {TRIO}:1 {TRIO}:1 {TRIO}:1 {TRIO}:4", "C3:8", "C:8", texture="strummed")
    assert "chord-hammered" not in kinds(laid)


def test_r15_two_plain_bars_are_no_hemiola() -> None:
    """A chord, a tune note or a printed bass on the second bar line: the bars stay as they are."""
    plain = section("E5:2 F5:1 F5:1 E5:2 D5:3 E5:3", HALVES_FIGURE, "C3:2 F2:1 F3:1 C3:2 G2:3 C3:3", **HALVES)
    assert "hemiola-broken" not in kinds(plain)
    printed = section(HALVES_TUNE, HALVES_FIGURE, "C3:2 F2:1 F3:1 C3:2 G2:3 C3:3", **HALVES, printed=("tune", "bass"))
    assert "hemiola-broken" not in kinds(printed)


def test_r15_a_figure_on_the_bar_line_breaks_it_too() -> None:
    """The feet are right, the left hand strikes the second bar line."""
    figure = "G3+C4:2 A3+C4:1 A3+C4:1 G3+C4:2 G3+B3:3 G3+C4:3"
    assert "hemiola-broken" in kinds(section(HALVES_TUNE, figure, "C3:2 F2:2 C3:2 G2:3 C3:3", **HALVES))


def test_r15_six_eight_against_three_four() -> None:
    """A bar of 6/8 sung in three crotchets: nothing on its second dotted beat."""
    music = ("C5:1 D5:1 E5:1 C5:3", "C3:3 C3:3", "C:3 C:3")
    threes = section(music[0], "G3:1 A3:1 G3:1 E3+G3:3", "C3:1 C3:1 C3:1 C3:3", music[2], time="6/8")
    twos = section(music[0], "G3:3/2 G3:3/2 E3+G3:3", "C3:1 C3:1 C3:1 C3:3", music[2], time="6/8")
    assert "hemiola-broken" not in kinds(threes)
    assert "hemiola-broken" in kinds(twos)


def test_r14_leaves_the_second_bar_line_of_a_hemiola_alone() -> None:
    """The feet at 0, 2 and 4: beats 1, 3 and 5 of the figure's grid are struck by whoever likes, 3 by nobody."""
    laid = section(HALVES_TUNE, HALVES_FIGURE, "C3:2 F2:2 C3:2 G2:3 C3:3", **HALVES, texture="broken")
    assert 3 not in counted_beats(laid)
    assert 1 in counted_beats(laid)


def test_r16_only_inside_a_verse() -> None:
    """The verse's own last chord stands a whole bar."""
    assert not kinds(section("G4:4 C5:4", f"B3+D4:4 {TRIO}:4", "G2:4 C3:4", "G:4 C:4")) & {"ending-silent"}


def test_r16_a_rest_in_the_tune_keeps_the_beat_too() -> None:
    """The tune ends its line after one beat and rests three: something goes on."""
    music = ("G4:4 A4:1 r:3 B4:4", "C3:4 F2:4 G2:4", "C:4 F:4 G:4")
    silent = section(music[0], f"{TRIO}:4 F3+A3:4 D4+G4:4", music[1], music[2], **TWO_LINES)
    assert "ending-silent" in kinds(silent)


@pytest.mark.parametrize(
    ("figure", "tune", "said"),
    [
        ("G3+B3:4 G3+C4+E4:4", "D5:4 C5:4", ""),
        ("G3+B3:4 G3+Bb3+E4:4", "D5:4 C5:4", "Bb3 does not belong to it"),
        ("G3+B3:4 G3+D4+E4:4", "D5:4 C5:4", "D4 does not belong to it"),
        ("G3+B3:4 G3+E4+C5:4", "D4:4 C4:4", "lies above the tune"),
        ("G3+B3:4 G3:1 C4:1 E4:2", "D5:4 C5:4", "does not come to rest"),
        ("G3+B3:4 G3+C4+E4:3 r:1", "D5:4 C5:4", "off before the others"),
    ],
)
def test_r19_what_the_final_chord_must_be(figure: str, tune: str, said: str) -> None:
    """G to C: no seventh or ninth, tune on top, the figure at rest, all off together."""
    laid = section(tune, figure, "G2:4 C3:4", "G:4 C:4")
    told = [one.message for one in Example("final-chord", "", laid, laid, "").judged(laid)]
    assert any(said in one for one in told) if said else told == []


def test_r19_a_printed_seventh_at_the_close_stands() -> None:
    """The last symbol is C7: the print wins."""
    assert "final-chord" not in kinds(section("D5:4 C5:4", "G3+B3:4 G3+Bb3+E4:4", "G2:4 C3:4", "G:4 C7:4"))


def test_r19_a_lowered_tune_need_not_be_on_top() -> None:
    """In the tenor it lies below the chord."""
    laid = section("D4:4 C4:4", "G4+B4:4 G4+E4+C5:4", "G2:4 C3:4", "G:4 C:4", place="tenor", tune_in="left hand")
    assert "final-chord" not in kinds(laid)
    assert "final-chord" in kinds(replace(laid, tune="at-pitch"))
