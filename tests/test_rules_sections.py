"""The rules of harmony and of neighbouring sections by their examples (R18, R20 to R23), all music invented.

Source of every example: rules of the project: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from invented import arrangement_of
from judged import Example, chords_of, section, verse_of
from test_rules_tune import kinds
from undersong.model.accompaniment import Accompaniment
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.performance import Performance
from undersong.model.pitch import Key
from undersong.performing import perform

# --- R18 -------------------------------------------------------------------------------------------

LILT = section(
    "G4:1/2 C5:3 E5:5/2", "r:1/2 E4+G4:3 E4+G4:5/2", "r:1/2 C3:3 C3:5/2", "C:6", time="6/8", pickup="1/2",
    pace=(52, "3/2"),
)  # fmt: skip
AGAIN = replace(LILT, id="verse-2")
GAP = perform(arrangement_of(LILT, AGAIN))


def later(performance: Performance, seconds: float) -> Performance:
    """The second section so much later, in seconds."""
    first, second = performance.paces
    notes = tuple(
        replace(note, on_seconds=note.on_seconds + seconds, off_seconds=note.off_seconds + seconds)
        if note.on_seconds >= second.at_seconds
        else note
        for note in performance.notes
    )
    moved = replace(second, at_seconds=second.at_seconds + seconds)
    return replace(performance, notes=notes, paces=(first, moved))


# --- R20 -------------------------------------------------------------------------------------------


def proposed(laid: Accompaniment, mode: str, key: str) -> Harmony:
    """A section's chords as a proposal in a church mode."""
    spans = tuple(ChordSpan(one.start, one.length, one.chord, Key.parse(key), origin="proposed") for one in laid.chords)
    return Harmony(Key.parse(key), spans, mode)


def dorian(chords: str) -> Accompaniment:
    return section("D5:4 E5:4 F5:4 D5:4", "", "", chords, key="D minor")


MODAL, RAISED = dorian("Dm:4 C:4 F:4 Dm:4"), dorian("Dm:4 A:4 F:4 Dm:4")

# --- R21 -------------------------------------------------------------------------------------------


def close(bass: str) -> Accompaniment:
    return section("E5:2 D5:2 C5:4", "G3+C4:2 G3+B3+F4:2 G3+E4:4", bass, "C/G:2 G7:2 C:4")


RUN_ON = "And they went on and"
PRINTED = section("C5:4 B4:2 D5:2 C5:8", "", "", "C:4 Em:2 G:2 C:8", lines="8 8", text=RUN_ON)
CLOSED = section("C5:4 B4:2 C5:2 C5:8", "", "", "C:4 G:2 C:2 C:8", lines="8 8", text=RUN_ON)

# --- R22 -------------------------------------------------------------------------------------------

VERSE = section("E4:1 F4:1 G4:2 A4:2 G4:2", "C4:8", "C3:8", "C:4 F:2 C:2", name="verse-1")
INTRODUCTION = section("G4:4 E4:4", "B3+D4:4 C4:4", "G2:4 C3:4", "G:4 C:4", kind="introduction", name="introduction")
AWAY = section("G4:4 D4:4", "C4+E4:4 B3:4", "C3:4 G2:4", "C:4 G:4", kind="introduction", name="introduction")
INTERLUDE = section("A4:4 B4:4", "C4+F4:4 D4+G4:4", "F2:4 G2:4", "F:4 G:4", kind="interlude", name="interlude")
SINGS = section("E4:1 F4:1 G4:2 B4:4", "C4:4 D4+G4:4", "C3:4 G2:4", "C:4 G:4", kind="interlude", name="interlude")

# --- R23 -------------------------------------------------------------------------------------------

LAST_TUNE = "G4:2 A4:2 B4:2 C5:2 D5:2 B4:2 C5:4"
AS_PRINTED = "C:2 F:2 G:2 C:2 G:2 G:2 C:4"
HYMN = section(LAST_TUNE, "", "C3:2 F2:2 G2:2 C3:2 B2:2 G2:2 C3:4", AS_PRINTED)
OWN = section(
    LAST_TUNE, "", "C3:2 F2:2 E3:2 A2:2 F#2:1 G2:1 G2:2 C2:4", "C:2 F:2 E7:2 Am:2 D7/F#:1 G:1 G:2 C:4"
)  # fmt: skip
HARDLY = section(LAST_TUNE, "", "C3:2 F2:2 G2:2 A2:2 B2:2 G2:2 C3:4", "C:2 F:2 G:2 Am:2 G:2 G:2 C:4")
BEHIND: dict[str, Any] = {"verse": verse_of(HYMN)}

EXAMPLES = (
    Example(
        "gap", "6/8 at 52, quaver pickup, last note five quavers: hold 8, lift 3 (1.15 s), pickup on quaver 6",
        LILT, LILT, str(LILT.length), {"following": AGAIN, "performance": GAP},
        {"performance": later(GAP, 60 / 52 / 3)},
    ),
    Example(
        "mode-left", "Dorian D: i VII III i; a proposed A major would raise the seventh",
        MODAL, RAISED, "4", {"harmony": proposed(MODAL, "dorian", "D minor")},
        {"harmony": proposed(RAISED, "dorian", "D minor")},
    ),
    Example("six-four-as-tonic", "C/G G7 C: the G in the bass, never C", close("G2:2 G2:2 C3:4"),
            close("C3:2 G2:2 C3:4"), "0"),
    Example(
        "new-full-close", "the line runs on: no V-I that the print has not",
        replace(PRINTED, chords=chords_of("C:4 Em:2 Am:2 C:8")), CLOSED, "6", {"verse": verse_of(PRINTED)},
    ),
    Example(
        "introduction", "it ends on the tonic in root position with the first sung note, E, heard",
        INTRODUCTION, AWAY, str(AWAY.length), {"following": VERSE},
    ),
    Example(
        "interlude", "it ends on the dominant and does not begin E F G as the tune does",
        INTERLUDE, SINGS, "0", {"following": VERSE},
    ),
    Example("last-verse", "known at both ends, and really different", OWN, HARDLY, "0", BEHIND),
)  # fmt: skip


@pytest.mark.parametrize("example", EXAMPLES, ids=[one.kind for one in EXAMPLES])
def test_right_is_silent_and_wrong_is_told(example: Example) -> None:
    """The example of each rule: kept, then broken, told at its place."""
    assert example.judged(example.right) == []
    told = example.judged(example.wrong, **example.given_wrong)
    assert told, example.says
    assert str(told[0].start) == example.at


def said(kind: str, laid: Accompaniment, **given: object) -> list[str]:
    return [one.message for one in Example(kind, "", laid, laid, "").judged(laid, **given)]


@pytest.mark.parametrize(
    ("seconds", "what"),
    [(0.0, ""), (-0.4, "the lift lasts 0.8 s"), (60 / 52, "the lift lasts 2.3 s"), (0.2, "does not fall on a beat")],
)
def test_r18_lift_and_beat(seconds: float, what: str) -> None:
    """The second verse comes earlier or later than the beat."""
    told = said("gap", LILT, following=AGAIN, performance=later(GAP, seconds))
    assert any(what in one for one in told) if what else told == []


def test_r18_the_same_lift_after_every_section() -> None:
    """Three sections; the third comes a beat late."""
    third = replace(LILT, id="verse-3")
    performance = perform(arrangement_of(LILT, AGAIN, third))
    assert said("gap", AGAIN, following=third, performance=performance) == []
    head, middle, last = performance.paces
    beat = 0.5
    notes = tuple(
        replace(note, on_seconds=note.on_seconds + beat, off_seconds=note.off_seconds + beat)
        if note.on_seconds >= last.at_seconds
        else note
        for note in performance.notes
    )
    moved = replace(performance, notes=notes, paces=(head, middle, replace(last, at_seconds=last.at_seconds + beat)))
    assert any("not that after the first" in one for one in said("gap", AGAIN, following=third, performance=moved))


@pytest.mark.parametrize(
    ("mode", "key", "chords", "what"),
    [
        ("dorian", "D minor", "Dm:4 C:4 G:4 Dm:4", ""),
        ("dorian", "D minor", "Dm:4 Bdim:4 G:4 Dm:4", "is diminished, in root position"),
        ("dorian", "D minor", "Dm:4 Bb:4 G:4 Dm:4", "is none of its chords"),
        ("mixolydian", "G major", "G:4 F:4 Dm:4 G:4", ""),
        ("mixolydian", "G major", "G:4 D:4 C:4 G:4", "raises the seventh to F#"),
        ("aeolian", "A minor", "Am:4 E:4 F:4 Am:4", "raises the seventh to G#"),
        ("phrygian", "E minor", "Em:4 F:4 Dm:4 Em:4", ""),
        ("phrygian", "E minor", "Em:4 B:4 F:4 Em:4", "raises the seventh to D#"),
    ],
)
def test_r20_modes(mode: str, key: str, chords: str, what: str) -> None:
    """Four bars of a proposal."""
    laid = section("E5:4 F5:4 D5:4 E5:4", "", "", chords, key=key)
    told = said("mode-left", laid, harmony=proposed(laid, mode, key))
    assert any(what in one for one in told) if what else told == []


def test_r20_never_speaks_against_printed_symbols() -> None:
    """The same raised seventh, printed."""
    spans = tuple(replace(span, origin="printed") for span in proposed(RAISED, "dorian", "D minor").spans)
    assert said("mode-left", RAISED, harmony=Harmony(Key.parse("D minor"), spans, "dorian")) == []


def test_r21_a_sentence_may_close() -> None:
    """The same new close under a full stop; a deceptive cadence is not corrected even there."""
    stop = replace(CLOSED, words=tuple(replace(word, text="on.") for word in CLOSED.words))
    assert "new-full-close" not in kinds(stop, verse=verse_of(PRINTED))
    deceptive = verse_of(PRINTED, "C:4 G:2 Am:2 C:8")
    assert "new-full-close" in kinds(stop, verse=deceptive)


def test_r22_an_introduction_on_a_sixth_chord_or_without_the_first_note() -> None:
    """E in the bass; and a last chord without the E that people begin on."""
    sixth = section("G4:4 E4:4", "B3+D4:4 C4+G4:4", "G2:4 E2:4", "G:4 C/E:4", kind="introduction")
    assert any("root position" in one for one in said("introduction", sixth, following=VERSE))
    bare = section("G4:4 G4:4", "B3+D4:4 C4:4", "G2:4 C3:4", "G:4 C:4", kind="introduction")
    assert any("first sung note, E4" in one for one in said("introduction", bare, following=VERSE))


def test_r22_the_join_is_judged_like_any_progression() -> None:
    """It ends C3 G4 and the verse begins D3 A4: fifths."""
    ends = section("B4:4 G4:4", "D4:4 E4:4", "G2:4 C3:4", "G:4 C:4", kind="introduction")
    dominant = section("A4:4 C5:4", "F4:4 E4+G4:4", "D3:4 C3:4", "Dm:4 C:4")
    assert any("fifths" in one for one in said("introduction", ends, following=dominant))
    contrary = section("C5:4 C5:4", "E4:4 E4+G4:4", "A2:4 C3:4", "Am:4 C:4")
    assert not any("join" in one for one in said("introduction", ends, following=contrary))


def test_r22_an_interlude_fills_its_groups_and_ends_on_the_dominant() -> None:
    """Three bars; and an end on the tonic."""
    odd = section("A4:4 B4:8", "C4+F4:4 D4+G4:8", "F2:4 G2:8", "F:4 G:8", kind="interlude")
    assert any("3 bars" in one for one in said("interlude", odd, following=VERSE))
    tonic = section("B4:4 C5:4", "D4+G4:4 E4+G4:4", "G2:4 C3:4", "G:4 C:4", kind="interlude")
    assert any("dominant" in one for one in said("interlude", tonic, following=VERSE))


def test_r22_into_a_new_key() -> None:
    """Up a tone: the new dominant stands two beats, and the tune's top is looked at again."""
    up = section("F#4:1 G4:1 A4:2 E5:4", "D4:8", "D3:8", "D:4 A:4", key="D major", name="verse-2")
    high = section("F#4:1 G4:1 A4:2 F#5:4", "D4:8", "D3:8", "D:4 A:4", key="D major", name="verse-2")
    hasty = section("A4:4 B4:3 C#5:1", "", "F2:4 G2:3 A2:1", "F:4 G:3 A:1", kind="interlude")
    calm = section("A4:4 B4:2 C#5:2", "", "F2:4 G2:2 A2:2", "F:4 G:2 A:2", kind="interlude")
    assert any("less than two beats" in one for one in said("interlude", hasty, following=up))
    assert any("E5" in one for one in said("interlude", calm, following=up))
    assert any("F#5" in one for one in said("interlude", calm, following=high))
    low = replace(up, notes=tuple(note for note in up.notes if note.pitch.midi < 76))
    assert said("interlude", calm, following=low) == []


@pytest.mark.parametrize(
    ("bass", "chords", "what"),
    [
        ("A2:2 F2:2 E3:2 A2:2 F#2:1 G2:1 G2:2 C2:4", "Am:2 F:2 E7:2 Am:2 D7/F#:1 G:1 G:2 C:4", "first bar"),
        ("C3:2 F2:2 E3:2 A2:2 F#2:1 G2:1 A2:2 F2:4", "C:2 F:2 E7:2 Am:2 D7/F#:1 G:1 Am:2 F:4", "last cadence"),
        (
            "C3:2 F2:2 E3:2 A2:2 F#2:1/2 G2:3/2 G2:2 C2:4",
            "C:2 F:2 E7:2 Am:2 D7/F#:1/2 G:3/2 G:2 C:4",
            "more than a chord a beat",
        ),
        ("C2:2 D2:2 E2:2 F2:2 F#2:1 G2:1 F2:2 G2:4", "C:2 F:2 E7:2 Am:2 D7/F#:1 G:1 G:2 C:4", "moves against the tune"),
        ("C3:2 F2:2 E3:2 D#2:2 F#2:1 G2:1 G2:2 C2:4", "C:2 F:2 E7:2 B7/D#:2 D7/F#:1 G:1 G:2 C:4", "goes nowhere"),
    ],
)
def test_r23_what_a_last_verse_must_be(bass: str, chords: str, what: str) -> None:
    """The same tune with other basses and chords."""
    tune = LAST_TUNE if what != "goes nowhere" else "G4:2 A4:2 B4:2 C5:2 G5:2 B4:2 C5:4"
    laid = section(tune, "", bass, chords)
    assert any(what in one for one in said("last-verse", laid, **BEHIND))


def test_r23_the_printed_harmony_is_no_last_verse() -> None:
    """A verse with the print's chords is not asked to differ."""
    assert "last-verse" not in kinds(HYMN, **BEHIND)


def test_sections_alone_are_judged_by_what_they_are() -> None:
    """Without a neighbour, a performance or a verse the rules that need them are silent, and nothing fails."""
    for laid in (INTRODUCTION, INTERLUDE, VERSE, LILT):
        assert not kinds(laid) & {"gap", "mode-left", "new-full-close", "last-verse"}
