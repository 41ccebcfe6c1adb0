"""Verses laid out: each rule of the craft by its example, all music invented.

Rule numbers are those of the project's craft rules: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from laid import four_parts, laid, limb, one_line, played, tune, weights
from undersong.arranging import arrange, default_plan
from undersong.arranging.bass import bass_from_chords
from undersong.arranging.figured import ground_of
from undersong.arranging.innerparts import SINGERS
from undersong.arranging.judge import counted_beats, judge
from undersong.arranging.voicing import moves_between
from undersong.arranging.walked import walk_verse
from undersong.errors import UnknownName
from undersong.harmony import analyse
from undersong.model.accompaniment import Accompaniment
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS
from undersong.model.pitch import Key, Pitch
from undersong.model.plan import Plan, VersePlan
from undersong.model.player import MEDIUM, SMALL
from undersong.model.symbol import parse_symbol
from undersong.playing import check
from undersong.playing.check import held_keys
from undersong.textures.ground import WalkedChord, leading_home
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.textures.units import cut, leading_notes
from undersong.workflow import Wishes, harmonise, interval_to, lay_out, possible_keys

FOUR = "(time=4/4) (key=0) (tempo=80)"
PLAIN = f"{FOUR} (C/major) C5:4 | (G/major) C5:2 B4:2 | (G/dominant) B4:4 | (C/major) C5:4"

SATB = (
    "(time=4/4) (key=0) (tempo=80) E4:1 F4:1 G4:1 A4:1 | G4:2 F4:1 D4:1 | C4:4",
    "(time=4/4) (key=0) (tempo=80) C4:1 C4:1 C4:1 C4:1 | C4:2 C4:1 B3:1 | C4:4",
    "(time=4/4) (key=0) (tempo=80) G3:1 A3:1 G3:1 F3:1 | G3:2 A3:1 G3:1 | E3:4",
    "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 E3:1 F3:1 | C3:2 F3:1 G3:1 | C3:4",
)


def test_r1_the_leading_note_in_the_tune_is_not_doubled() -> None:
    """G7 with B4 in the tune: the hands play G, D and F, no B."""
    section, _ = laid(tune(PLAIN), "block")
    assert {name[0] for name in played(section, "left hand", "3").replace("+", " ").split()} == {"G", "D", "F"}


def test_r2_no_chord_tone_a_semitone_below_the_tune() -> None:
    """G with C5 then B4 in the tune: no B while the C sounds; the figure goes on without it."""
    section, arrangement = laid(tune(PLAIN), "broken")
    struck = [key for key in limb(section, "left hand") if 4 <= key.start < 6]
    assert [key.midi % 12 for key in struck if key.midi % 12 == 11] == []
    assert len(struck) == 4
    assert weights(arrangement, "hard") == []


def test_r2_is_caught_in_an_edited_accompaniment() -> None:
    """The judge looks at the notes, not at who laid them out: a B under the C is told."""
    hymn = tune(PLAIN)
    section, _ = laid(hymn, "broken")
    verse = walk_verse(hymn, analyse(hymn), None)
    assert judge(section, verse) == ()
    spoilt = tuple(
        replace(note, pitch=Pitch.parse("B3")) if note.limb == "left hand" and note.start == 5 else note
        for note in section.notes
    )
    kinds = {one.kind for one in judge(replace(section, notes=spoilt), verse)}
    assert "semitone-under-tune" in kinds


def test_parallels_from_group_to_group_are_priced() -> None:
    """Two units of one chord in a bar: the second also knows with what the bar began, and what moves on from there."""
    hymn = one_line(tune(
        "(time=6/8) (key=0) (tempo=60) (C/major) E5:3/2 C5:3/2 | (G/major) D5:3/2 (C/major) C5:3/2 | (C/major) C5:3"
    ))  # fmt: skip
    verse = walk_verse(hymn, analyse(hymn), None)
    bass = bass_from_chords(verse, 36, 60)
    units = cut(ground_of(verse, bass, 0), TEXTURES["bass-and-chord"], SINGERS)
    starts = {unit.start: unit for unit in units}
    assert starts[Fraction(0)].group == (-1, -1)
    assert starts[Fraction(3, 2)].group == (bass[0].pitch.midi, 76)
    assert starts[Fraction(9, 2)].group == (-1, -1)
    (ways,) = [ways for ways in moves_between(starts[Fraction(3, 2)], starts[Fraction(3)]) if ways[0][1] == 74]
    assert set(ways) == {(72, 74), (76, 74)}


def test_r1_is_caught_in_an_edited_accompaniment() -> None:
    """A second B under the tune's B is told, and so is a chord that has lost its third."""
    hymn = tune(PLAIN)
    section, _ = laid(hymn, "block")
    verse = walk_verse(hymn, analyse(hymn), None)
    doubled = tuple(
        replace(note, pitch=Pitch.parse("B3"))
        if note.limb == "left hand" and str(note.start) == "8" and note.pitch.step == "D"
        else note
        for note in section.notes
    )  # fmt: skip
    assert "leading-note-twice" in {one.kind for one in judge(replace(section, notes=doubled), verse)}
    bare = tuple(note for note in section.notes if not (note.limb == "left hand" and note.start == 0))
    bare = tuple(note for note in bare if not (note.limb == "left hand" and note.start == 2))
    assert "third-missing" in {one.kind for one in judge(replace(section, notes=bare), verse)}


def test_a_missing_tune_note_is_told() -> None:
    """The tune is complete or it is said."""
    hymn = tune(PLAIN)
    section, _ = laid(hymn, "block")
    verse = walk_verse(hymn, analyse(hymn), None)
    short = tuple(note for note in section.notes if not (note.part == "tune" and note.start == 6))
    assert "tune-missing" in {one.kind for one in judge(replace(section, notes=short), verse)}


def test_r9_no_octaves_between_feet_and_left_hand_by_step() -> None:
    """C D Em F under E5 F5 G5 A5: neither lowest nor highest level runs in octaves or fifths with the feet."""
    hymn = tune(f"{FOUR} (C/major) E5:4 | (D/minor) F5:4 | (E/minor) G5:4 | (F/major) A5:4 | (C/major) G5:4")
    section, _ = laid(one_line(hymn), "block")
    bars = [section.bars[index].start for index in range(5)]
    keys = held_keys(section.notes)

    def outer(start: Fraction, name: str) -> list[int]:
        down = sorted(key.midi for key in keys if key.limb == name and key.start <= start < key.end)
        return [down[0], down[-1]]

    faults = 0
    for before, after in pairwise(bars):
        feet = (outer(before, "feet")[0], outer(after, "feet")[0])
        for level in (0, 1):
            hand = (outer(before, "left hand")[level], outer(after, "left hand")[level])
            same = (hand[0] - feet[0]) % 12 == (hand[1] - feet[1]) % 12 and (hand[0] - feet[0]) % 12 in (0, 7)
            faults += same and feet[0] != feet[1]
    assert faults == 0


def test_r11_no_octaves_with_the_tune_by_step() -> None:
    """F C Dm G7 C under A4 C5 D5 B4 C5: not F3 C3 D3, whose C to D makes octaves with the tune; the close is G to C."""
    hymn = tune(f"{FOUR} (F/major) A4:2 (C/major) C5:2 | (D/minor) D5:2 (G/dominant) B4:2 | (C/major) C5:4")
    section, _ = laid(one_line(hymn), "block")
    bass = [Pitch.parse(name).midi for bar in ("1", "2", "3") for name in played(section, "feet", bar).split()]
    melody = [69, 72, 74, 71, 72]
    assert len(bass) == 5
    for (low, low_next), (high, high_next) in zip(pairwise(bass), pairwise(melody), strict=True):
        octaves = (high - low) % 12 == (high_next - low_next) % 12 == 0
        assert not (octaves and low != low_next)
    assert [key % 12 for key in bass[-2:]] == [7, 0]


def test_r11_a_third_before_the_change_where_roots_would_run_with_the_tune() -> None:
    """A then E7 under A4 and E5 G#5: the feet set out on A, go by C# on the last beat, and leave G# to the tune."""
    hymn = tune("(time=4/4) (key=3) (A/major) A4:4 | (E/dominant) E5:2 G#5:2 | (A/major) A5:4")
    section, arrangement = laid(one_line(hymn), "block")
    feet = [f"{key.midi % 12} at {key.start}" for key in limb(section, "feet")]
    assert feet[:3] == ["9 at 0", "1 at 3", "4 at 4"]
    assert "bass-line" not in {one.kind for one in arrangement.findings}


def test_r11_a_pickup_may_lead_to_the_root() -> None:
    """A line begins D | G under D5 | G5, another D7 | G under D5 | B5: octaves, and none; each sets out on the root."""
    music = "(time=4/4) (key=1) (G/major) B4:4 | (C/major) E5:2 (G/major) D5:1 r:1"
    hymn = tune(f"{music[:-4]}' (D/major) D5:1 | (G/major) G5:4 | (D/major) A4:2 (G/major) G4:2")
    section, arrangement = laid(hymn, "block")
    bass = {key.start: key.midi % 12 for key in limb(section, "feet")}
    assert section.lines[1].start == 7
    assert (bass[Fraction(7)], bass[Fraction(8)]) == (6, 7)
    assert "bass-line" not in {one.kind for one in arrangement.findings}


def test_r11_no_fifth_in_a_pickup_of_a_chord_that_goes_on() -> None:
    """A minor ends a line and leads into D minor, A4 to D5: the feet go by C, not by the six-four's E."""
    hymn = tune("(time=6/8) (key=0) (D/minor) D4:3 | (A/minor) A4:5/2' A4:1/2 | (D/minor) D5:3 | (G/minor) D5:3")
    section, arrangement = laid(hymn, "block")
    assert section.lines[1].start == Fraction(11, 2)
    assert [key.midi % 12 for key in limb(section, "feet")][:4] == [2, 9, 0, 2]
    assert "bass-line" not in {one.kind for one in arrangement.findings}


def test_r2_a_standing_chord_gives_up_its_third_when_the_tune_comes_over_it() -> None:
    """D7 under A4 G4: F#3 sounds on the first beat and is off when the tune's G comes."""
    hymn = tune("(time=2/4) (key=1) (G/major) B4:2 | (D/dominant) A4:1 G4:1 | (D/dominant) A4:2 | (G/major) G4:2")
    section, _ = laid(one_line(hymn), "block")
    thirds = [key for key in limb(section, "left hand") if key.midi % 12 == 6 and key.start < 4]
    assert [f"{key.start} to {key.end}" for key in thirds] == ["2 to 3"]


def test_r1_a_chord_that_leads_home_has_the_home_keys_leading_note() -> None:
    """D before E minor in a hymn in G, whatever key it stands in, has F# once; D before A has none of G's."""
    stands = Key.parse("E minor")
    named = [parse_symbol(text) for text in ("D", "Em", "D", "A")]
    chords = tuple(WalkedChord(Fraction(at), Fraction(at + 1), chord, stands) for at, chord in enumerate(named))
    assert [leading_notes(one) for one in chords] == [frozenset()] * 4
    led = leading_home(chords, Key.parse("G major"))
    assert [leading_notes(one) for one in led] == [{6}, frozenset(), frozenset(), frozenset()]
    minor = leading_home(chords, stands)  # one sharp: the relative major is a home too
    assert [leading_notes(one) for one in minor] == [{6}, frozenset(), frozenset(), frozenset()]


def test_r16_a_rest_at_a_lines_end_keeps_its_beat() -> None:
    """The tune ends on beat 3, breathes and rests on beat 4: the figure keeps the beat up to the next line."""
    music = f"{FOUR} (C/major) E4:1 F4:1 G4:1' r:1 | (F/major) A4:2 G4:2 | (C/major) E4:4"
    section, _ = laid(tune(music), "broken")
    struck = {key.start for key in limb(section, "left hand") if key.start < 4}
    assert {0, 1, 2, 3} <= struck


def test_a_tune_in_the_tenor_keeps_clear_of_its_bass_or_is_refused() -> None:
    """D under D4 E4 D4, sung an octave lower: the feet take D2, for E3 is too close over D3; over A2 C#3 stays so."""
    kept = one_line(tune("(time=3/4) (key=2) (D/major) D4:1 E4:1 D4:1 | (G/major) G4:3 | (D/major) F#4:3"))
    section, _ = laid(kept, "block", "tenor")
    assert section.tune == "tenor"
    assert min(key.midi for key in limb(section, "feet")) == Pitch.parse("D2").midi
    low = one_line(tune("(time=3/4) (key=2) (D/major) D4:3 | (A/major) C#4:2 B3:1 | (D/major) D4:3"))
    section, arrangement = laid(low, "block", "tenor")
    assert section.tune != "tenor"
    assert any("too close to the bass" in one.message for one in arrangement.findings)


def test_r12_a_common_slash_bass_is_one_held_key() -> None:
    """G/D D A7/D D: the feet strike D once."""
    hymn = tune("(time=3/4) (key=1) (G/major/G/D) B4:3 | (D/major) A4:3 | (A/dominant/A7/D) G4:3 | (D/major) F#4:3")
    section, _ = laid(one_line(hymn), "block")
    feet = limb(section, "feet")
    assert [(str(key.start), str(key.end), key.midi) for key in feet] == [("0", "12", 50)]


def test_the_note_after_the_slash_lies_in_the_feet_alone() -> None:
    """C/D: the hands play C E G, the feet D; that it is dissonant is the style."""
    hymn = tune("(time=4/4) (key=0) (tempo=80) (C/major//D) G4:4 | (G/major) G4:4 | (C/major) E4:4")
    section, arrangement = laid(hymn, "block")
    assert {name[0] for name in played(section, "left hand", "1").replace("+", " ").split()} <= set("CEG")
    assert played(section, "feet", "1").startswith("D")
    assert weights(arrangement, "hard") == []


def test_r16_the_last_chord_of_a_line_is_struck_once() -> None:
    """A breath after bar 2: its half-note chord is struck once, the bars before run in quavers."""
    music = f"{FOUR} (C/major) E4:1 F4:1 G4:2 | (G/major) G4:2 (C/major) E4:2' | (F/major) A4:2 G4:2 | (C/major) E4:4"
    section, _ = laid(tune(music), "broken")
    assert section.lines[0].end == 8
    struck = [key.start for key in limb(section, "left hand") if 6 <= key.start < 8]
    assert set(struck) == {6}
    assert len({key.start for key in limb(section, "left hand") if key.start < 4}) == 8


def test_r19_the_final_chord_stands() -> None:
    """Root lowest, no seventh, tune on top, the figure at rest, all off together."""
    for texture in ("broken", "alberti", "block"):
        section, _ = laid(tune(PLAIN), texture)
        final = [key for key in held_keys(section.notes) if key.end == section.length]
        assert {key.start for key in final} == {12}
        lowest = min(final, key=lambda key: key.midi)
        assert (lowest.midi % 12, lowest.limb) == (0, "feet")
        assert max(final, key=lambda key: key.midi).part == "tune"
        assert {key.midi % 12 for key in final} == {0, 4, 7}


@pytest.mark.parametrize("texture", ["broken", "alberti"])
def test_r14_every_beat_is_struck(texture: str) -> None:
    """Held tune notes, and still a pulse to sing by."""
    music = f"{FOUR} (C/major) G4:4 | (F/major) A4:4 | (G/dominant) B4:3 A4:1 | (C/major) G4:4"
    section, arrangement = laid(one_line(tune(music)), texture)
    assert len(counted_beats(section)) >= 12
    assert "beat-not-struck" not in weights(arrangement, "soft")


def test_alberti_goes_low_high_middle_high() -> None:
    """Low, high, middle, high through a chord of two beats."""
    section, _ = laid(tune(PLAIN), "alberti")
    low, high, middle, again = (Pitch.parse(name).midi for name in played(section, "left hand", "1").split()[:4])
    assert low < middle < high == again


def test_broken_chords_follow_the_time() -> None:
    """Quavers in pairs in 3/4, in threes in 6/8."""
    three = tune("(time=3/4) (key=0) (C/major) E4:3 | (F/major) F4:3 | (G/major) D4:3 | (C/major) C4:3")
    six = tune("(time=6/8) (key=0) (C/major) E4:3 | (F/major) F4:3 | (G/major) D4:3 | (C/major) C4:3")
    for hymn, count in ((three, 6), (six, 6)):
        section, _ = laid(hymn, "broken", "octave-up")
        assert len(played(section, "left hand", "1").split()) == count
        assert section.bars[0].time.compound == (hymn is six)


def test_a_seventh_chord_may_take_four_notes() -> None:
    """Root, third, fifth and seventh of Dm7 all sound in hands and feet together."""
    hymn = tune(f"{FOUR} (D/minor-seventh) A4:4 | (G/dominant) G4:4 | (C/major) E4:4")
    for texture in ("alberti", "broken", "block"):
        section, _ = laid(hymn, texture, "octave-up")
        sounding = {key.midi % 12 for key in held_keys(section.notes) if key.start < 4}
        assert sounding == {2, 5, 9, 0}


def test_octave_up_is_the_tune_an_octave_up_and_nothing_above_it() -> None:
    """Soloed an octave up; the left hand stays on the other manual, below the tune."""
    section, _ = laid(tune(PLAIN), "broken", "octave-up")
    assert played(section, "right hand", "1") == "C6"
    assert section.right != section.left
    for key in limb(section, "left hand"):
        over = [one for one in limb(section, "right hand") if one.start < key.end and one.end > key.start]
        assert all(key.midi < one.midi for one in over)


def test_as_printed_keeps_every_printed_note() -> None:
    """Soprano and alto right, tenor left, bass in the feet."""
    section, arrangement = laid(four_parts(*SATB), "as-printed")
    assert played(section, "right hand", "1") == "C4+E4 C4+F4 C4+G4 C4+A4"
    assert played(section, "left hand", "1") == "G3 A3 G3 F3"
    assert played(section, "feet", "2") == "C3 F3 G3"
    assert [one.kind for one in arrangement.findings if one.kind != "redistributed"] == []


def test_the_stretch_gives_the_alto_to_the_left_hand() -> None:
    """Soprano and alto an eleventh apart: the left hand takes the alto, and it is told."""
    hymn = four_parts(
        f"{FOUR} G5:4 | G5:4 | G5:4", f"{FOUR} D4:4 | D4:4 | D4:4", f"{FOUR} B3:4 | B3:4 | B3:4",
        f"{FOUR} G2:4 | G2:4 | G2:4",
    )  # fmt: skip
    section, arrangement = laid(hymn, "as-printed")
    assert played(section, "left hand", "1") == "B3+D4"
    assert weights(arrangement, "hard") == []
    assert "redistributed" in weights(arrangement, "note")


def test_an_alto_above_the_tune_is_left_out_and_told() -> None:
    """The alto crosses over the soprano on beat 3: on one manual the tune would be hidden."""
    hymn = four_parts(
        f"{FOUR} E4:2 D4:2 | C4:4", f"{FOUR} C4:2 F4:2 | C4:4", f"{FOUR} G3:2 A3:2 | G3:4", f"{FOUR} C3:2 D3:2 | C3:4"
    )
    _, arrangement = laid(hymn, "as-printed")
    assert weights(arrangement, "hard") == []
    assert any("left out" in one.message for one in arrangement.findings)


def test_as_printed_refuses_a_melody_and_names_what_serves() -> None:
    """A melody with symbols has no four parts; block chords serve instead, and it is said."""
    section, arrangement = laid(tune(PLAIN), "as-printed")
    assert section.texture == "block"
    told = next(one for one in arrangement.findings if one.kind == "not-served")
    assert "four parts are not printed" in told.message


def test_a_low_tune_asks_for_the_octave_up() -> None:
    """A tune round A3 leaves no room beneath it at pitch."""
    low = f"{FOUR} (A/minor) A3:4 | (D/minor) A3:4 | (E/minor) B3:4 | (A/minor) A3:4"
    section, arrangement = laid(tune(low), "broken")
    assert section.tune == "octave-up"
    assert any("too low" in one.message for one in arrangement.findings)
    assert weights(arrangement, "hard") == []


def test_r17_editing_one_verse_leaves_the_others_as_they_were() -> None:
    """Law 11: verses are laid out apart; the same inputs give the same notes and ids."""
    hymn = tune(PLAIN, "one two three four five", "six sev-en eight nine")
    plan = default_plan(hymn)
    harmony = analyse(hymn)
    first = arrange(hymn, harmony, plan, TWO_MANUALS, MEDIUM)
    changed = replace(plan, verses=(plan.verses[0], replace(plan.verses[1], texture="alberti")))
    second = arrange(hymn, harmony, changed, TWO_MANUALS, MEDIUM)
    assert first.sections[0] == second.sections[0]
    assert first == arrange(hymn, harmony, plan, TWO_MANUALS, MEDIUM)
    assert first.sections[1].texture != second.sections[1].texture


def test_note_ids_are_unique_and_name_their_place() -> None:
    """Section, bar, limb, place, key."""
    section, _ = laid(tune(PLAIN), "broken")
    ids = [note.id for note in section.notes]
    assert len(ids) == len(set(ids))
    assert "tune.1.rh.0.72" in ids


def test_transposing_moves_every_note_alike() -> None:
    """Down a tone: the same figure a tone lower, wherever the compass allows; the tune in any case."""
    hymn = tune(PLAIN)
    up = lay_out(hymn, Wishes(textures=("block",), transpose=-2)).sections[0]
    assert played(up, "right hand", "1") == "Bb4"
    assert str(up.key) == "Bb major"
    assert str(up.bars[0].key) == "Bb major"
    by_key = lay_out(hymn, Wishes(textures=("block",), key="Bb")).sections[0]
    assert by_key.notes == up.notes


@pytest.mark.parametrize(
    ("home", "signature", "wanted", "found", "fifths"),
    [
        ("D minor", "D minor", "Eb", "Eb minor", -6),
        ("D minor", "A minor", "Eb", "Eb minor", -5),  # dorian: E flat dorian has the five flats of D flat
        ("D minor", "A minor", "C#", "C# minor", 5),
        ("D minor", "D minor", "Ab", "G# minor", 5),  # A flat minor would have seven flats
        ("C major", "C major", "Gb", "Gb major", -6),
        ("C major", "C major", "F#", "F# major", 6),
        ("C major", "C major", "C#", "Db major", -5),
        ("F# major", "F# major", "Gb", "Gb major", -6),
    ],
)
def test_a_key_keeps_the_name_it_was_asked_by(home: str, signature: str, wanted: str, found: str, fifths: int) -> None:
    """E flat is not turned into D sharp; past six sharps or flats the plainer name is taken."""
    way = interval_to(Key.parse(home), wanted, signature=Key.parse(signature))
    assert str(Key.parse(home).transposed(way)) == found
    assert Key.parse(signature).transposed(way).fifths == fifths


@pytest.mark.parametrize(("wanted", "distance"), [("D", 2), ("Bb", -2), ("F#", 6), ("G", -5), ("C", 0)])
def test_the_nearest_way_to_a_key(wanted: str, distance: int) -> None:
    """From C, at most a tritone."""
    assert interval_to(analyse(tune(PLAIN)).key, wanted).semitones == distance


@pytest.mark.parametrize("wanted", ["H", "c", "X minor", ""])
def test_a_key_that_is_none_is_refused(wanted: str) -> None:
    """With a word on how to write it."""
    with pytest.raises(UnknownName, match="is not a key"):
        interval_to(analyse(tune(PLAIN)).key, wanted)


def test_verses_and_textures_that_do_not_exist_are_refused() -> None:
    """A sentence, not a traceback."""
    hymn = tune(PLAIN, "one two three four five")
    with pytest.raises(UnknownName, match="no verse 7"):
        lay_out(hymn, Wishes(verses=(7,)))
    plan = Plan((VersePlan(None, "polka"),))
    with pytest.raises(UnknownName, match="polka"):
        arrange(hymn, analyse(hymn), plan, TWO_MANUALS, MEDIUM)


def test_small_hands_get_smaller_stretches() -> None:
    """Reach of an octave at most: nothing wider than 14 units in a hand."""
    hymn = four_parts(*SATB)
    harmony = analyse(hymn)
    for texture in TEXTURES:
        plan = default_plan(hymn, textures=(texture,))
        arrangement = arrange(hymn, harmony, plan, TWO_MANUALS, SMALL)
        assert check(arrangement.sections[0], TWO_MANUALS, SMALL) == ()


# --- laws over invented tunes -------------------------------------------------------------------

DEGREES = ("C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5", "D5", "E5")
CHORDS = (
    "C/major",
    "F/major",
    "G/major",
    "A/minor",
    "D/minor",
    "G/dominant",
    "E/minor",
    "C/major//E",
    "D/minor-seventh",
)
TIMES = {"4/4": ("1", "2", "1/2", "1/2"), "3/4": ("1", "1", "1"), "6/8": ("3/2", "1", "1/2"), "2/2": ("2", "1", "1")}


@some.composite
def tunes(draw: some.DrawFn) -> Hymn:
    """A few bars of any melody over any chords."""
    time = draw(some.sampled_from(sorted(TIMES)))
    bars = []
    for _ in range(draw(some.integers(2, 5))):
        lengths = draw(some.permutations(TIMES[time]))
        notes = [f"{draw(some.sampled_from(DEGREES))}:{length}" for length in lengths]
        bars.append(f"({draw(some.sampled_from(CHORDS))}) " + " ".join(notes))
    return tune(f"(time={time}) (key=0) (tempo=60) " + " | ".join(bars))


@settings(max_examples=40, deadline=None)
@given(tunes(), some.sampled_from(sorted(TEXTURES)), some.sampled_from(sorted(PLACES)))
def test_every_texture_keeps_the_tune_and_can_be_played(hymn: Hymn, texture: str, place: Any) -> None:
    """Any tune, any chords: the tune complete, every bar within its length, nothing that cannot be played."""
    section, arrangement = laid(hymn, texture, place)
    assert weights(arrangement, "hard") == []
    _tune_is_whole(hymn, section)
    for note in section.notes:
        bar = section.bar_at(note.start)
        assert bar.start <= note.start < note.end <= bar.end


def _tune_is_whole(hymn: Hymn, section: Accompaniment) -> None:
    up = 12 * PLACES[section.tune].octaves
    wanted = [(note.onset, note.length, note.pitch.midi + up) for note in hymn.tune.tune_voice.notes]
    assert [(one.start, one.length, one.pitch.midi) for one in section.notes if one.part == "tune"] == wanted


def test_a_held_note_comes_back_after_its_key_was_struck_by_another() -> None:
    """The tenor holds D4 for a bar while the alto strikes it on beat 2: on beats 3 and 4 it still sounds."""
    hymn = four_parts(
        f"{FOUR} G4:4 | G4:4", f"{FOUR} E4:1 D4:1 E4:2 | E4:4", f"{FOUR} D4:4 | C4:4", f"{FOUR} G3:4 | C3:4"
    )
    section, arrangement = laid(hymn, "as-printed")
    assert weights(arrangement, "hard") == []
    for beat in range(4):
        assert any(key.midi == 62 and key.start <= beat < key.end for key in held_keys(section.notes))


def test_a_silent_left_hand_is_told() -> None:
    """A figure whose hand was emptied for a bar is no accompaniment."""
    hymn = tune(PLAIN)
    section, _ = laid(hymn, "broken")
    verse = walk_verse(hymn, analyse(hymn), None)
    empty = tuple(note for note in section.notes if note.limb != "left hand" or not 4 <= note.start < 8)
    kinds = {one.kind for one in judge(replace(section, notes=empty), verse)}
    assert {"left-hand-silent", "beat-not-struck"} <= kinds


def test_r3_a_tune_in_the_tenor_has_no_fifths_over_it() -> None:
    """A4 G4 F4 over printed E4 D4 C4 would make fifths an octave lower; the new parts above it do not."""
    hymn = tune(
        f"{FOUR} (A/minor) A4:2 (E/minor) G4:2 | (F/major) F4:2 (C/major) E4:2 | (D/minor) F4:2 E4:2 | (C/major) C4:4"
    )
    section, arrangement = laid(hymn, "block", "tenor")
    assert played(section, "left hand", "1") == "A3 G3"
    assert weights(arrangement, "hard") == []
    tune_keys, hand = limb(section, "left hand"), limb(section, "right hand")
    starts = sorted({key.start for key in hand} & {key.start for key in tune_keys})
    for before, after in pairwise(starts):
        lower = [next(key.midi for key in tune_keys if key.start <= at < key.end) for at in (before, after)]
        parts = [sorted(key.midi for key in hand if key.start <= at < key.end) for at in (before, after)]
        for first, second in zip(*parts, strict=False):
            fifths = (first - lower[0]) % 12 == (second - lower[1]) % 12 == 7
            assert not (fifths and first != second)


def test_a_tune_in_the_pedal_leaves_bass_and_chords_to_the_hands() -> None:
    """Feet play the tune an octave lower for a 4' stop; the left hand has the bass, the right hand lies above both."""
    section, arrangement = laid(tune(PLAIN), "block", "pedal")
    assert played(section, "feet", "2") == "C4 B3"
    assert {key.part for key in limb(section, "left hand")} == {"bass"}
    assert min(key.midi for key in limb(section, "right hand")) > max(key.midi for key in limb(section, "left hand"))
    assert weights(arrangement, "hard") == []
    assert "no 16" in section.registration.generic


def test_a_quick_tune_is_not_for_the_feet() -> None:
    """Semiquavers: refused with the length of the notes, and what would serve is named."""
    quick = f"{FOUR} (C/major) C5:1/4 B4:1/4 C5:1/4 D5:1/4 E5:3 | (C/major) C5:4 | (G/major) B4:4 | (C/major) C5:4"
    section, arrangement = laid(tune(quick), "block", "pedal")
    assert section.tune == "tenor"
    assert any("the feet would have notes of 0.19 s" in one.message for one in arrangement.findings)


def test_a_drone_holds_tonic_and_fifth() -> None:
    """A Dorian tune that hardly leaves D: D and A held, the feet on D; refused where the harmony wanders."""
    calm = f"{FOUR} (D/minor) D5:2 E5:2 | (D/minor) F5:2 A4:2 | (C/major//D) G4:2 (D/minor) A4:2 | (D/minor) D5:4"
    section, _ = laid(tune(calm), "drone")
    assert section.texture == "drone"
    assert {key.midi % 12 for key in limb(section, "left hand")} == {2, 9}
    assert {key.midi % 12 for key in limb(section, "feet")} == {2}
    wandering = f"{FOUR} (C/major) E4:4 | (G/major) D4:4 | (G/major) D4:4 | (C/major) C4:4"
    section, arrangement = laid(tune(wandering), "drone")
    assert section.texture == "block"
    assert any("leaves the tonic for 8 beats" in one.message for one in arrangement.findings)


def test_octaves_and_two_voices_are_what_they_say() -> None:
    """The tune an octave apart; tune over bass with quiet feet."""
    section, _ = laid(tune(PLAIN), "unison")
    assert played(section, "right hand", "2") == "C5 B4"
    assert played(section, "left hand", "2") == "C4 B3"
    section, _ = laid(tune(PLAIN), "two-voices")
    assert {key.part for key in limb(section, "left hand")} == {"bass"}
    assert limb(section, "feet") == []


def test_bass_and_chord_is_feet_on_the_beat_and_chords_after_it() -> None:
    """In 4/4 the feet strike 1 and 3, the hand 2 and 4."""
    section, _ = laid(tune(PLAIN), "bass-and-chord")
    assert [str(key.start) for key in limb(section, "feet") if key.start < 4] == ["0", "2"]
    assert {str(key.start) for key in limb(section, "left hand") if key.start < 4} == {"1", "3"}


def test_held_keeps_its_lowest_note() -> None:
    """Broken over held notes: the lowest key of the chord stays down while the others move."""
    section, _ = laid(tune(PLAIN), "held", "octave-up")
    first = [key for key in limb(section, "left hand") if key.start == 0]
    lowest = min(first, key=lambda key: key.midi)
    assert lowest.end == 2
    assert len([key for key in limb(section, "left hand") if key.start < 2]) > 3


def test_keys_offered_in_minor_follow_the_harmony() -> None:
    """The file names no mode, the tune is in A minor: it is offered in E flat minor, never in D sharp minor."""
    hymn = tune("(key=0) A4:1 C5:1 B4:1 A4:1 | G#4:1 A4:1 B4:1 E4:1 | A4:1 D5:1 C5:1 B4:1 | A4:4")
    hymn = replace(hymn, tune=replace(hymn.tune, bars=tuple(replace(b, key=Key.parse("C")) for b in hymn.tune.bars)))
    harmony = harmonise(hymn).harmony
    assert str(harmony.key) == "A minor"
    names = {one.transpose.semitones: one.name for one in possible_keys(hymn, harmony)}
    assert (names[0], names[-1], names[1]) == ("A minor", "G sharp minor", "B flat minor")
    up = lay_out(hymn, Wishes(transpose=6))
    assert str(up.key) == "Eb minor"
