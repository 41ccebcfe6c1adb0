"""Textures and places of the tune, each by what an organist would hear; music invented where no source is named.

Rule numbers are those of the project's craft rules: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise, starmap
from pathlib import Path

import music21
import pytest

from laid import four_parts, laid, limb, one_line, played, tune, weights
from undersong.acoustics.blur import shortest_clear_seconds
from undersong.arranging import arrange, default_plan
from undersong.arranging.bass import bass_from_chords
from undersong.arranging.figured import _Layout, _mended, bench_of, grounded
from undersong.arranging.walked import walk_verse
from undersong.errors import UnknownName
from undersong.harmony import analyse
from undersong.harmony.chords import Fixed
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.chord import Chord
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS, Organ
from undersong.model.pitch import Pitch, PitchName
from undersong.model.plan import TunePlace
from undersong.model.player import MEDIUM, Player
from undersong.model.room import ROOMS
from undersong.model.time import Time
from undersong.model.tune import Line
from undersong.playing.check import held_keys, key_name
from undersong.reading.abc import read_abc
from undersong.textures.ground import LOWEST_FOR_INTERVAL
from undersong.textures.patterns import GRIDS, PATTERNS, grid
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.workflow import Wishes, lay_out, read
from voice_leading import LOWEST_KEYS

CALM = tune(
    "(time=4/4) (key=0) (tempo=80) (C/major) C5:2 D5:1 E5:1 | (F/major) F5:2 E5:1 D5:1 "
    "| (G/dominant) D5:2 B4:2 | (C/major) C5:4"
)
SATB = four_parts(
    "(time=4/4) (key=0) (tempo=80) E4:1 F4:1 G4:1 A4:1 | G4:2 F4:1 D4:1 | C4:4",
    "(time=4/4) (key=0) (tempo=80) C4:1 C4:1 C4:1 C4:1 | C4:2 C4:1 B3:1 | C4:4",
    "(time=4/4) (key=0) (tempo=80) G3:1 A3:1 G3:1 F3:1 | G3:2 A3:1 G3:1 | E3:4",
    "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 E3:1 F3:1 | C3:2 F3:1 G3:1 | C3:4",
)
NO_PEDAL = replace(TWO_MANUALS, manuals=TWO_MANUALS.manuals[:1], pedal=None)


def on(
    hymn: Hymn,
    texture: str,
    place: str = "at-pitch",
    organ: Organ = TWO_MANUALS,
    player: Player = MEDIUM,
    room: str = "average",
) -> tuple[Accompaniment, Arrangement]:
    """The first section on an organ, for a player, in a room."""
    plan = default_plan(hymn, (), (texture,), PLACES[place].name)
    arrangement = arrange(hymn, analyse(hymn), plan, organ, player, ROOMS[room])
    return arrangement.sections[0], arrangement


# ---------------------------------------------------------------------------------------- patterns, times, rooms


@pytest.mark.parametrize(
    ("pattern", "order"),
    [
        ("up-and-back", "0 1 2 1"),
        ("falling", "2 1 0 1"),
        ("low-and-pair", "0 1+2 0 1+2"),
        ("slow", "0 1 2 1"),
        ("triplets", "0 1 2 0 1 2"),
    ],
)
def test_each_pattern_has_its_order(pattern: str, order: str) -> None:
    """Over half a bar of C major in 4/4: levels from the lowest, by the table's row; the slow one over the bar."""
    section, arrangement = laid(CALM, f"broken:{pattern}")
    names = played(section, "left hand", "1").split()[: len(order.split())]
    struck = [[Pitch.parse(name).midi for name in one.split("+")] for one in names]
    levels = sorted({key for keys in struck for key in keys})
    assert " ".join("+".join(str(levels.index(key)) for key in keys) for keys in struck) == order
    assert weights(arrangement, "hard") == []


def test_the_rolling_pattern_uses_four_notes_of_a_triad() -> None:
    """The root, or another tone, at both ends an octave apart."""
    section, _ = laid(CALM, "broken:rolling")
    first = played(section, "left hand", "1").split()[:4]
    keys = [Pitch.parse(name).midi for name in first]
    assert keys == sorted(keys)
    assert keys[3] - keys[0] == 12


BARS = {
    "2/4": "C5:1 D5:1", "3/4": "C5:2 D5:1", "4/4": "C5:2 E5:2", "5/4": "C5:3 D5:2", "7/4": "C5:4 D5:3",
    "2/2": "C5:2 E5:2",
    "3/2": "C5:4 D5:2", "4/2": "C5:4 D5:4", "3/8": "C5:1 D5:1/2", "5/8": "C5:3/2 D5:1", "7/8": "C5:2 D5:3/2",
    "8/8": "C5:3/2 D5:3/2 E5:1", "6/8": "C5:3/2 E5:3/2", "9/8": "C5:3 E5:3/2", "12/8": "C5:3 E5:3", "6/4": "C5:3 E5:3",
    "9/4": "C5:6 E5:3",
}  # fmt: skip


@pytest.mark.parametrize("time", GRIDS)
def test_every_time_has_patterns_that_strike_each_beat(time: str) -> None:
    """Each row of the table of times: three patterns go at least, and each beat before the last bar is struck (R14)."""
    bars = " | ".join(f"(C/major) {BARS[time]}" for _ in range(3))
    beat = Time.parse(time).beat
    hymn = one_line(tune(f"(time={time}) (key=0) (tempo={float(60 * beat)}) {bars}"))
    served = 0
    for pattern in PATTERNS:
        section, arrangement = on(hymn, f"broken:{pattern}", room="dry")
        assert weights(arrangement, "hard") == []
        if section.texture != "broken":
            continue
        served += 1
        struck = {key.start for key in limb(section, "left hand")}
        length = Time.parse(time).bar_length
        wanted = {index * beat for index in range(int(2 * length / beat))}
        assert wanted <= struck, (pattern, sorted(wanted - struck))
    assert served >= 3


def test_seven_eight_goes_in_twos_and_threes() -> None:
    """The low note comes back at quavers 1, 3 and 5: 2, 2 and 3."""
    hymn = tune("(time=7/8) (key=0) (tempo=120) (C/major) C5:2 D5:3/2 | (C/major) E5:2 D5:3/2 | (C/major) C5:7/2")
    section, _ = laid(hymn, "broken")
    struck = [key for key in limb(section, "left hand") if key.start < Fraction(7, 2)]
    low = min(key.midi for key in struck)
    assert [2 * key.start for key in struck if key.midi == low] == [0, 2, 4]


def test_free_time_is_taken_by_quarter_notes() -> None:
    """A tune without a time signature: the figure runs on, two quarter notes to a unit."""
    assert grid(Time.parse("free")).groups == (2,)


def test_a_time_that_changes_changes_the_figure() -> None:
    """4/4, then 3/4: two units to the bar, then one."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) C5:2 D5:1 E5:1 | (time=3/4) (C/major) E5:2 D5:1 "
        "| (time=4/4) (C/major) C5:4"
    )
    section, arrangement = laid(hymn, "broken")
    first = played(section, "left hand", "1").split()
    assert (len(first), first[0]) == (8, first[4])
    assert len(played(section, "left hand", "2").split()) == 6
    assert weights(arrangement, "hard") == []


def test_a_live_room_slows_the_figure_and_says_so() -> None:
    """Quavers at 80 are clear in an average room; in a very live one a note to the beat takes their place."""
    quick, _ = on(CALM, "broken", room="average")
    slow, arrangement = on(CALM, "broken", room="very live")
    assert len(limb(quick, "left hand")) > 1.5 * len(limb(slow, "left hand"))
    told = [one.message for one in arrangement.findings if one.kind == "slower-for-room"]
    assert len(told) == 1
    assert "slow" in told[0]
    step = min(b.start - a.start for a, b in pairwise(limb(slow, "left hand")) if b.start > a.start)
    assert slow.pace.seconds(step) >= shortest_clear_seconds(ROOMS["very live"].seconds) or step == 1


def test_alberti_gives_way_to_the_held_figure_where_the_room_blurs_it() -> None:
    """Four notes to a chord on every beat: clear when dry, refused in an average room."""
    dry, _ = on(SATB, "alberti", room="dry")
    average, arrangement = on(SATB, "alberti")
    assert (dry.texture, average.texture) == ("alberti", "held")
    assert any("blur" in one.message for one in arrangement.findings if one.kind == "not-served")


def test_an_unknown_pattern_is_refused_by_name() -> None:
    """The table's names are offered."""
    with pytest.raises(UnknownName, match="no pattern"):
        laid(CALM, "broken:stride")


# ---------------------------------------------------------------------------------------------- R7: cross rhythms


def test_r7_triplets_of_the_tune_against_quavers_are_refused() -> None:
    """Two notes to the beat under a triplet would flam; the place is named."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) C5:2 D5:1/3 E5:1/3 D5:1/3 C5:1 | (F/major) F5:4 | (C/major) C5:4"
    )
    section, arrangement = laid(hymn, "broken")
    assert section.texture == "block"
    assert any("bar 1, beat 3" in one.message for one in arrangement.findings)
    in_threes, _ = laid(hymn, "broken:triplets")
    assert in_threes.texture == "broken"


def test_r7_quavers_of_the_tune_against_triplets_are_refused() -> None:
    """The other way round; a dotted pair too."""
    for pair in ("D5:1/2 E5:1/2", "D5:3/4 E5:1/4"):
        hymn = tune(f"(time=4/4) (key=0) (tempo=80) (C/major) C5:2 {pair} C5:1 | (F/major) F5:4 | (C/major) C5:4")
        assert laid(hymn, "broken:triplets")[0].texture == "block"
        assert laid(hymn, "broken")[0].texture == "broken"


# ------------------------------------------------------------------------------------------------- without feet


@pytest.mark.parametrize("texture", TEXTURES)
@pytest.mark.parametrize("hymn", [CALM, SATB], ids=["symbols", "parts"])
def test_nothing_is_given_to_feet_that_are_not_there(texture: str, hymn: Hymn) -> None:
    """On an organ without pedal, and for a player who leaves it: no note for the feet, all of it playable."""
    for organ, player in ((NO_PEDAL, MEDIUM), (TWO_MANUALS, Player(pedals="none"))):
        section, arrangement = on(hymn, texture, organ=organ, player=player)
        assert limb(section, "feet") == []
        assert weights(arrangement, "hard") == []
        assert section.feet == ""


def test_without_feet_the_figure_begins_on_the_bass() -> None:
    """Broken chords for the hands alone stand on the chord's bass, not on an inversion nobody chose."""
    section, _ = on(CALM, "broken", organ=NO_PEDAL)
    for bar, bass in (("1", "C"), ("2", "F"), ("3", "G"), ("4", "C")):
        assert played(section, "left hand", bar).replace("+", " ").split()[0].startswith(bass)


# ------------------------------------------------------------------------------------- new textures, new places


def test_the_running_voice_runs_and_keeps_its_manners() -> None:
    """Quavers throughout; chord tones on the beats; foreign notes by step on both sides; no note twice running."""
    section, arrangement = laid(one_line(CALM), "counter-line")
    line = limb(section, "left hand")
    assert [key.start for key in line[:16]] == [Fraction(index, 2) for index in range(16)]
    chords = {(one.start, one.end): one.chord.pitch_classes for one in section.chords}
    inside = [next(tones for (a, b), tones in chords.items() if a <= key.start < b) for key in line]
    for index, (key, tones) in enumerate(zip(line, inside, strict=True)):
        foreign = key.midi % 12 not in tones
        if key.start.denominator == 1:
            assert not foreign
        elif foreign:
            assert abs(key.midi - line[index - 1].midi) in (1, 2)
            assert abs(key.midi - line[index + 1].midi) in (1, 2)
    assert all(a.midi != b.midi for a, b in pairwise(line))
    assert weights(arrangement, "hard") == []


def test_the_running_voice_takes_a_second_note_where_it_stands_on_half_a_chord() -> None:
    """G7 at a line end over G and D has B and F; the first pickup, without a bass, has third and root."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) G4:1 | C5:2 (F/major) A4:2 | (G/dominant) D5:2 (C/major) G4:2 "
        "| C5:2 (G/dominant) B4:2 | (C/major) C5:3"
    )
    lines = (Line(Fraction(0), Fraction(7)), Line(Fraction(7), hymn.tune.length))
    section, arrangement = laid(replace(hymn, tune=replace(hymn.tune, lines=lines)), "counter-line")
    sounding = {start: {key.midi % 12 for key in limb(section, "left hand") if key.start == start} for start in (0, 5)}
    assert sounding == {0: {0, 4}, 5: {5, 11}}
    assert weights(arrangement, "hard") == []


def test_the_running_voice_comes_off_with_tune_and_bass() -> None:
    """R16, R19: where the verse's last note is followed by a rest, the left hand rests too."""
    parts = [part.replace("C4:4", "C4:2 r:2").replace("E3:4", "E3:2 r:2").replace("C3:4", "C3:2 r:2") for part in (
        "(time=4/4) (key=0) (tempo=80) E4:1 F4:1 G4:1 A4:1 | G4:2 F4:1 D4:1 | C4:4",
        "(time=4/4) (key=0) (tempo=80) C4:1 C4:1 C4:1 C4:1 | C4:2 C4:1 B3:1 | C4:4",
        "(time=4/4) (key=0) (tempo=80) G3:1 A3:1 G3:1 F3:1 | G3:2 A3:1 G3:1 | E3:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 E3:1 F3:1 | C3:2 F3:1 G3:1 | C3:4",
    )]  # fmt: skip
    section, arrangement = laid(four_parts(*parts), "counter-line")
    assert {key.end for name in ("right hand", "left hand", "feet") for key in limb(section, name)[-1:]} == {10}
    assert "final-chord" not in {one.kind for one in arrangement.findings}


def test_the_running_voice_passes_through_no_note_that_the_chord_has_altered() -> None:
    """C7 in C major: B flat beside it, never B natural."""
    hymn = one_line(tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) G4:2 C5:2 | (C/dominant) G4:2 E5:2 | (F/major) F5:2 A4:2 "
        "| (C/dominant) G4:2 C5:2 | (F/major) A4:4"
    ))  # fmt: skip
    section, _ = laid(hymn, "counter-line")
    over = [key.midi % 12 for key in limb(section, "left hand") if 4 <= key.start < 8 or 12 <= key.start < 16]
    assert 10 in over
    assert 11 not in over


def test_a_figure_shared_between_the_hands_goes_with_the_tune_in_the_pedal() -> None:
    """The left hand holds bass and foot of the figure; asked for at pitch, the pedal is named."""
    section, arrangement = laid(CALM, "shared", "pedal")
    assert {key.part for key in limb(section, "feet")} == {"tune"}
    assert {key.part for key in limb(section, "left hand")} == {"bass", "figure"}
    assert {key.part for key in limb(section, "right hand")} == {"figure"}
    assert weights(arrangement, "hard") == []
    moved, told = laid(CALM, "shared")
    assert moved.tune == "pedal"
    assert "both hands are needed" in told.findings[0].message


def test_three_voices_are_never_more_than_three_and_need_no_feet() -> None:
    """Tune, middle voice, bass: at every onset at most three keys, thirds present."""
    for hymn in (CALM, SATB):
        section, arrangement = laid(hymn, "three-voices")
        keys = held_keys(section.notes)
        for start in {key.start for key in keys}:
            assert len([key for key in keys if key.start <= start < key.end]) <= 3
        assert limb(section, "feet") == []
        assert [one.kind for one in arrangement.findings if one.weight != "note"] == []


def beat_to_beat(section: Accompaniment, part: str) -> list[tuple[Fraction, str]]:
    """Fifths and octaves that a part makes with any other from one beat to the next, where both move."""
    keys = held_keys(section.notes)

    def at(name: str, place: Fraction) -> list[int]:
        return [key.midi for key in keys if key.part == name and key.start <= place < key.end]

    found = []
    for before, after in pairwise(Fraction(beat) for beat in range(int(section.length))):
        for other in {key.part for key in keys} - {part}:
            ways = [at(name, place) for place in (before, after) for name in (part, other)]
            if all(ways):
                (a,), (b,), (c,), (d,) = ways
                if a != c and b != d and (a - b) % 12 == (c - d) % 12 and (c - d) % 12 in (0, 7):
                    found.append((after, f"{other}: {'fifths' if (c - d) % 12 else 'octaves'}"))
    return found


@pytest.mark.parametrize("music", ["calm", "dense"])
def test_a_shared_figure_reads_as_one_line_in_the_right_hand(music: str) -> None:
    """The right hand never rests inside a line and has one note at a time; the left hand holds through each beat."""
    hymn = {"calm": CALM, "dense": four_parts(*LONG_LINE)}[music]
    section, arrangement = laid(one_line(hymn), "shared", "pedal")
    right = [key for key in limb(section, "right hand") if key.start < section.length - 4]
    assert all(before.end == after.start for before, after in pairwise(right))
    assert all(key.end - key.start >= 1 for key in limb(section, "left hand"))
    assert weights(arrangement, "hard") == []


@pytest.mark.parametrize(
    ("place", "rung", "says"),
    [
        ("at-pitch", "lower", "the left hand goes lower in this line"),
        ("pedal", "lower", "the right hand goes lower in this line"),
        ("pedal", "dip", "short notes of the tune dip below the right hand, in the pedal"),
        ("at-pitch", "bare", "tune and bass alone in this line, because nothing else can be played"),
        ("bass", "bare", "the tune alone in this line, because nothing else can be played"),
    ],
)
def test_repairs_name_the_hand_that_plays_and_a_bass_that_sounds(place: TunePlace, rung: str, says: str) -> None:
    """In the pedal the figure is the right hand's; under a tune in the bass no other bass is left."""
    section, _ = laid(CALM, "block", place)
    verse = walk_verse(CALM, analyse(CALM), None)
    ground, fixed = grounded(verse, section, TWO_MANUALS)
    bench = bench_of(section, TEXTURES["block"], TWO_MANUALS, MEDIUM)
    layout = _Layout(verse, section, TEXTURES["block"], bench, ground, (), fixed)
    assert [one.message for one in _mended(layout, section, {0: rung})] == [says]


def test_in_three_voices_no_note_between_hides_fifths() -> None:
    """Chords off the beat: octaves and fifths from beat to beat are heard through the note that lies between."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (F/major) A4:1 (G/major) B4:1/2 B4:1/2 (F/major) C5:1 (D/minor) A4:1 "
        "| (D/minor) A4:1 (G/major) B4:1/2 (E/minor) G4:1/2 G4:1/2 E5:1/2 (D/minor) D5:1 "
        "| (G/major) D5:2 B4:2 | (C/major) C5:4"
    )
    section, arrangement = laid(one_line(hymn), "three-voices")
    assert beat_to_beat(section, "figure") == []
    assert [one.kind for one in arrangement.findings if one.weight != "note"] == []


def test_the_middle_of_three_voices_follows_the_print_where_it_may() -> None:
    """Between equals alto or tenor decides: the tenor's A and B, then the alto's G and E."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) F5:1 G4:1 E5:1 C5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) D4:1 D4:1 G4:1 E4:1 | E4:4",
        "(time=4/4) (key=0) (tempo=80) A3:1 B3:1 C4:1 G3:1 | G3:4",
        "(time=4/4) (key=0) (tempo=80) D3:1 G3:1 C3:1 C3:1 | C3:4",
    )
    section, _ = laid(one_line(hymn), "three-voices")
    middle = [key for key in held_keys(section.notes) if key.part == "figure"]
    assert [key_name(key.midi) for key in middle] == ["A3", "B3", "G4", "E4"]


def test_the_middle_of_three_voices_stays_in_a_hand() -> None:
    """It begins in the left hand, goes over where only the right one reaches, and does not come back at once."""
    section, _ = laid(one_line(four_parts(*LONG_LINE)), "three-voices")
    hands = [key.limb for key in held_keys(section.notes) if key.part == "figure"]
    assert [one != other for one, other in pairwise(hands)].count(True) == 1
    assert hands[0] == "left hand"


def test_the_descant_is_the_printed_part_an_octave_up() -> None:
    """The alto over the tune, for the tenor would lie on it and under it; the tune in the left hand with the tenor."""
    section, arrangement = laid(SATB, "descant")
    descant = [key for key in limb(section, "right hand") if key.part == "descant"]
    assert [key.midi - 12 for key in descant] == [60, 60, 60, 60, 60, 60, 59, 60]
    assert {key.part for key in limb(section, "left hand")} == {"tune", "tenor"}
    tune = [key.midi for key in limb(section, "left hand") if key.part == "tune"]
    assert all(over.midi > under for over, under in zip(descant, tune, strict=True))
    assert weights(arrangement, "hard") == []


def test_parts_that_would_lie_under_the_tune_are_no_descant() -> None:
    """Both more than an octave under the tune, and two octaves up over A5: both rest, and that is what is told."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) G5:1 A5:1 G5:1 F5:1 | G5:4",
        "(time=4/4) (key=0) (tempo=80) E4:1 F4:1 E4:1 D4:1 | E4:4",
        "(time=4/4) (key=0) (tempo=80) C4:1 C4:1 C4:1 A3:1 | C4:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 C3:1 D3:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    assert {key.part for key in limb(section, "right hand")} == {"tune"}
    assert {key.part for key in limb(section, "left hand")} == {"alto", "tenor"}
    assert "left-hand-silent" not in {one.kind for one in arrangement.findings}
    (told,) = [one.message for one in arrangement.findings if one.kind == "descant-rests"]
    assert "an octave up both tenor and alto would lie under the tune" in told


def test_a_low_part_goes_two_octaves_up() -> None:
    """The alto makes fifths; the tenor lies a sixth under the tune an octave up, a third over it two octaves up."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 D5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 B4:1 A4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) E3:1 F3:1 G3:1 F3:1 | E3:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F2:1 E2:1 F2:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    assert [key_name(key.midi) for key in limb(section, "right hand")] == ["E5", "F5", "G5", "F5", "E5"]
    assert {key.part for key in limb(section, "right hand")} == {"descant"}
    assert weights(arrangement, "hard") == []


def test_the_descant_rests_where_it_would_make_fifths() -> None:
    """Tenor and alto both in fourths under the tune: fifths above it, so both rest; both hands play beneath (R3)."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 D5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 B4:1 A4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) G3:1 A3:1 B3:1 A3:1 | G3:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 E3:1 F3:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    assert [key.part for key in limb(section, "right hand")] == ["tune"] * 5
    assert {note.division for note in section.notes if note.limb != "feet"} == {section.left}
    assert [one.kind for one in arrangement.findings if one.weight == "note"] == ["descant-rests"]
    assert weights(arrangement, "hard") == []


def test_what_is_too_far_under_the_tune_goes_an_octave_up() -> None:
    """The tenor lies a tenth and more under the tune: an octave higher the left hand has it, and says so once."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) E5:1 D5:1 E5:1 F5:1 | E5:4",
        "(time=4/4) (key=0) (tempo=80) C5:1 B4:1 C5:1 C5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G3:1 G3:1 G3:1 A3:1 | G3:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 G2:1 C3:1 F2:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    tenor = [key_name(key.midi) for key in limb(section, "left hand") if key.part == "tenor"]
    assert tenor == ["G4", "G4", "G4", "A4", "G4"]
    assert {note.source for note in section.notes if note.part == "tenor"} == {"tenor"}
    told = [one.message for one in arrangement.findings if one.kind == "changed-here"]
    assert [one.partition(": ")[2] for one in told] == ["5 an octave higher"]
    assert weights(arrangement, "hard") == []


def test_the_left_hand_gives_a_chord_the_third_that_it_lacks() -> None:
    """C, C, C and G in print (R1): where the tenor is out of reach, the left hand takes an E under the tune instead."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) E5:1 F5:1 (C/major) G5:1 F5:1 | E5:4",
        "(time=4/4) (key=0) (tempo=80) C5:1 C5:1 C5:1 C5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 C4:1 A4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 C3:1 F3:1 | C3:4",
    )
    section, arrangement = laid(one_line(hymn), "descant")
    assert played(section, "left hand", "1") == "G4+E5 A4+F5 E5+G5 A4+F5"
    assert "third-missing" not in {one.kind for one in arrangement.findings}
    assert any(one.message.endswith("1 another tone") for one in arrangement.findings)


def test_the_left_hand_stays_within_an_octave_where_it_can() -> None:
    """C4 under D5 is a ninth, which she reaches at most: C5 is easier."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 C5:1 B4:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 F#4:1 E4:1 G4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) E4:1 C4:1 G4:1 D4:1 | E4:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 D3:1 C3:1 G3:1 | C3:4",
    )
    section, _ = laid(one_line(hymn), "descant")
    assert {key.part for key in limb(section, "right hand")} == {"descant"}
    assert played(section, "left hand", "1").split()[1] == "C5+D5"


def test_where_the_descant_rests_the_right_hand_takes_the_alto_that_the_left_cannot() -> None:
    """Alto and tenor a tenth and more apart: all four parts are played, the alto by the hand that has the tune."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 D5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 B4:1 A4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 D3:1 E3:1 D3:1 | C3:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F2:1 E2:1 F2:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    assert "descant-rests" in {one.kind for one in arrangement.findings}
    assert {key.part for key in limb(section, "right hand")} == {"tune", "alto"}
    assert [key_name(key.midi) for key in limb(section, "left hand")] == ["C3", "D3", "E3", "D3", "C3"]
    assert weights(arrangement, "hard") == []


def test_parts_in_unison_under_a_resting_descant_are_one_key_and_not_left_out() -> None:
    """The tenor comes up to the alto's G4: it sounds, so nothing is told of it."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 D5:1 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 B4:1 A4:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) G3:1 A3:1 B3:1 A3:1 | G4:4",
        "(time=4/4) (key=0) (tempo=80) C3:1 F3:1 E3:1 F3:1 | C3:4",
    )
    section, arrangement = laid(hymn, "descant")
    assert played(section, "left hand", "2") == "G4"
    assert [one.kind for one in arrangement.findings if one.weight == "note"] == ["descant-rests"]


LONG_LINE = (
    "(time=4/4) (key=0) (tempo=80) E4:1 E4:1 F4:1 G4:1 | A4:1 G4:1 F4:1 F4:1 | E4:4",
    "(time=4/4) (key=0) (tempo=80) C4:1 C4:1 D4:1 D4:1 | E4:1 D4:1 C4:1 B3:1 | C4:4",
    "(time=4/4) (key=0) (tempo=80) G3:1 G3:1 A3:1 B3:1 | C4:1 B3:1 A3:1 G3:1 | G3:4",
    "(time=4/4) (key=0) (tempo=80) C3:1 C3:1 D3:1 G2:1 | A2:1 G2:1 F2:1 G2:1 | C3:4",
)
"""The tenor goes in fifths with the bass into the third beat, the alto in fourths with the tune."""


def test_one_note_of_a_descant_gives_way_to_fifths_and_is_marked() -> None:
    """The tenor's A over D after G over C: fifths with the bass, hidden in print and bare on top; F gives way, told."""
    section, arrangement = laid(one_line(four_parts(*LONG_LINE)), "descant")
    assert beat_to_beat(section, "descant") == []
    descant = [note for note in section.notes if note.part == "descant"]
    marks = [note.mark for note in descant if note.mark]
    assert len(marks) == 1
    assert "fifths" in marks[0]
    (changed,) = [note for note in descant if note.mark]
    chord = next(one.chord for one in section.chords if one.start <= changed.start < one.end)
    assert changed.pitch.midi % 12 in chord.pitch_classes
    assert sum(note.source == "tenor" for note in descant) == len(descant) - 1
    assert weights(arrangement, "hard") == []


def test_beside_an_altered_note_the_printed_parts_are_heard() -> None:
    """One note of the first line is ours, but no figure (R5, R10).

    The inner parts of a resting line are no silent left hand,
    and a suspension that the alto keeps is not lost.
    """
    resting = ("C5:1 D5:1 E5:1 D5:1 | C5:4", "G4:1 A4:1 B4:1 A4:1 | G4:4",
               "G3:1 A3:1 B3:1 A3:1 | G3:4", "C3:1 F3:1 E3:1 F3:1 | C3:4")  # fmt: skip
    parts = [f"{long} | {rest}" for long, rest in zip(LONG_LINE, resting, strict=True)]
    parts[1] = parts[1].replace("C4:1 B3:1 |", "C4:3/2 B3:1/2 |")
    hymn = four_parts(*parts)
    lines = (Line(Fraction(0), Fraction(12)), Line(Fraction(12), Fraction(20)))
    section, arrangement = laid(replace(hymn, tune=replace(hymn.tune, lines=lines)), "descant")
    assert any(note.part == "descant" and not note.source for note in section.notes)
    assert walk_verse(hymn, analyse(hymn), None).suspensions
    kinds = {one.kind for one in arrangement.findings}
    assert "descant-rests" in kinds
    assert not kinds & {"left-hand-silent", "suspension-lost"}


def test_the_stops_said_for_a_descant_leave_the_tune_the_stronger() -> None:
    """No reed over flutes: principals for the tune, in the left hand, and the softer kinds for what lies over it.

    Common practice, no source.
    """
    plan = default_plan(SATB, (), ("descant", "soloed"), "at-pitch")
    plan = replace(plan, verses=(plan.verses[0], replace(plan.verses[0], texture="soloed")))
    section, soloed = arrange(SATB, analyse(SATB), plan, TWO_MANUALS, MEDIUM).sections
    said = dict(part.split(": ") for part in section.registration.generic.split("; "))
    assert list(said) == ["tune", "descant", "pedal"]
    assert "principals 8" in said["tune"]
    assert "flute" in said["descant"]
    assert not {"reed", "principal"} & set(said["descant"].split())
    assert said["pedal"] == "soft 16 and 8"
    assert soloed.registration.generic.startswith("solo: ")


def test_r4_the_tune_in_the_bass_has_its_own_harmony() -> None:
    """The tune in the feet is root or third of what stands over it; a six-four only where it passes by step."""
    for hymn in (CALM, SATB):
        section, arrangement = laid(hymn, "block", "bass")
        assert section.tune == "bass"
        feet = limb(section, "feet")
        assert {key.part for key in feet} == {"tune"}
        for index, key in enumerate(feet):
            chord = next(one.chord for one in section.chords if one.start <= key.start < one.end)
            degree = {tone.name.pitch_class: tone.degree for tone in chord.tones()}.get(key.midi % 12)
            if degree == 5:
                assert abs(feet[index + 1].midi - key.midi) in (1, 2)
            else:
                assert degree in (1, 3), (key.start, chord)
        assert weights(arrangement, "hard") == []


@pytest.mark.parametrize("texture", ["broken", "held", "strummed"])
def test_under_a_rest_the_harmony_goes_on(texture: str) -> None:
    """The tune in the bass rests for a beat inside its line: hands keep the beat (R16), at the line's end they lift."""
    hymn = tune("(time=4/4) (key=0) (tempo=80) C4:1 D4:1 r:1 E4:1 | G4:1 r:1 A4:1 G4:1 | E4:1 D4:1 C4:2 |")
    section, arrangement = laid(one_line(hymn), texture, "bass")
    assert (section.texture, section.tune) == (texture, "bass")
    struck = {note.start for note in section.notes if note.part == "figure"}
    assert {Fraction(2), Fraction(5)} <= struck
    assert weights(arrangement, "hard") == []


def test_over_the_second_degree_in_the_bass_stands_a_triad() -> None:
    """C D E in the bass, a beat each: two notes of the figure make a triad whole; G7 over D would lack one (R1)."""
    hymn = four_parts(
        "(time=3/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 | F5:1 E5:1 D5:1 | C5:3",
        "(time=3/4) (key=0) (tempo=80) G4:1 G4:1 G4:1 | A4:1 G4:1 G4:1 | G4:3",
        "(time=3/4) (key=0) (tempo=80) E4:1 F4:1 C4:1 | C4:1 C4:1 B3:1 | E4:3",
        "(time=3/4) (key=0) (tempo=80) C3:1 B2:1 C3:1 | F2:1 C3:1 G2:1 | C3:3",
    )
    section, arrangement = laid(one_line(hymn), "broken", "bass")
    (second,) = [one.chord for one in section.chords if one.start == 1]
    assert second.seventh is None
    assert {note.pitch.midi % 12 for note in section.notes if 1 <= note.start < 2} == second.pitch_classes
    assert weights(arrangement, "hard") == []


def test_a_chord_before_the_rest_of_a_divided_bar_is_struck_once() -> None:
    """A repeat divides a bar of 6/8 before its last quaver, in which the tune rests: no beat begins there (R16)."""
    music = (
        '|: A | "D"d2d f2f | "G"g2f "A7"e2c | "D"d2d fed | "A7"edc "D"d2 :| z | "A7"e2e edc '
        '| "D"d2d f2f | "G"g2f "A7"e2c | "D"d3 d2 |]'
    )
    (hymn,) = read_abc(f"X:1\nT:Invented\nM:6/8\nL:1/8\nK:D\n{music}\n".encode(), "invented.abc").hymns
    divided = Fraction(25, 2)
    hymn = replace(
        hymn, tune=replace(hymn.tune, lines=(Line(Fraction(0), divided), Line(divided, hymn.tune.length)))
    )  # fmt: skip
    section, arrangement = laid(hymn, "alberti")
    assert section.texture == "alberti"
    assert "ending-struck-twice" not in {one.kind for one in arrangement.findings}


def test_a_chord_after_the_beat_makes_no_ninth_over_the_moved_bass() -> None:
    """G, then F sharp in the feet under a chord of G: after the beat the hand leaves its G out (common practice)."""
    hymn = four_parts(
        "(time=4/4) (key=1) (tempo=80) D5:1 B4:1 B4:1 B4:1 | A4:1 B4:1 A4:2 | G4:4",
        "(time=4/4) (key=1) (tempo=80) G4:1 G4:1 G4:1 G4:1 | D4:1 G4:1 F#4:2 | D4:4",
        "(time=4/4) (key=1) (tempo=80) B3:1 D4:1 D4:1 D4:1 | F#3:1 D4:1 C4:2 | B3:4",
        "(time=4/4) (key=1) (tempo=80) E3:1 G2:1/2 F#2:1/2 E2:1 G3:1 | D3:1 G2:1 D3:2 | G2:4",
    )
    section, _ = laid(one_line(hymn), "bass-and-chord")
    assert section.texture == "bass-and-chord"
    after = {note.pitch.midi for note in section.notes if note.part == "figure" and note.start == Fraction(3, 2)}
    assert after
    assert not [key for key in after if (key - 54) % 12 == 1]


@pytest.mark.parametrize("texture", ["block", "broken", "bass-and-chord"])
def test_all_come_off_together_at_the_end(texture: str) -> None:
    """The print rests on the verse's last beat: the hand's last chord ends with tune and bass (R19)."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 D5:1 E5:1 D5:1 | E5:1 D5:1 C5:1 r:1",
        "(time=4/4) (key=0) (tempo=80) G4:1 G4:1 G4:1 G4:1 | G4:1 G4:1 G4:1 r:1",
        "(time=4/4) (key=0) (tempo=80) E4:1 B3:1 C4:1 B3:1 | C4:1 B3:1 E4:1 r:1",
        "(time=4/4) (key=0) (tempo=80) C3:1 G3:1 C3:1 G3:1 | C3:1 G2:1 C3:1 r:1",
    )
    section, _ = laid(one_line(hymn), texture)
    assert section.texture == texture
    ends = {part: max(note.end for note in section.notes if note.part == part) for part in ("tune", "bass", "figure")}
    assert set(ends.values()) == {Fraction(7)}


def test_the_middle_voice_never_plays_alone() -> None:
    """At a line's end all printed parts rest: so does the middle of three voices."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) C5:1 B4:2 r:1 | E5:1 D5:1 C5:2",
        "(time=4/4) (key=0) (tempo=80) G4:1 A4:1 G#4:1 r:1 | G4:1 G4:1 G4:2",
        "(time=4/4) (key=0) (tempo=80) E4:1 E4:2 r:1 | C4:1 B3:1 E4:2",
        "(time=4/4) (key=0) (tempo=80) C3:1 E3:2 r:1 | C3:1 G3:1 C3:2",
    )
    section, _ = laid(hymn, "three-voices")
    assert section.texture == "three-voices"
    assert not [note for note in section.notes if note.start < 4 and note.end > 3]


def test_a_tone_has_one_name_in_tune_and_figure() -> None:
    """C sharp in the tune over G diminished: no D flat in the hands beside it (common practice, no source)."""
    hymn = tune("(time=4/4) (key=1) (tempo=80) (G/major) D5:4 | (G/diminished) C#5:4 | (G/major) D5:4")
    section, _ = laid(one_line(hymn), "block")
    names = {str(note.pitch)[:-1] for note in section.notes if note.pitch.midi % 12 == 1}
    assert names == {"C#"}


@pytest.mark.parametrize("texture", ["block", "broken", "held", "strummed", "bass-and-chord"])
@pytest.mark.parametrize(
    ("music", "seventh"),
    [
        ("(key=2) (tempo=80) (D/major) F#5:4 | (G/major) D5:3/2 C#5:1/2 (A/dominant) E5:1 C#5:1 | (D/major) D5:4", 7),
        ("(key=0) (tempo=80) (C/major) E5:2 G5:2 | (F/major) C5:2 (G/dominant) D5:1 B4:1 | (C/major) C5:4", 5),
    ],
)  # fmt: skip
def test_the_seventh_falls_at_the_close(texture: str, seventh: int, music: str) -> None:
    """Fifth degree with its seventh, then the tonic: it goes a step down, not up (common practice, no source)."""
    section, _ = laid(one_line(tune(f"(time=4/4) {music}")), texture)
    last = section.bars[-1].start
    figure = [(note.start, note.pitch.midi) for note in section.notes if note.part == "figure"]
    sevenths = {key for start, key in figure if last - 2 <= start < last and key % 12 == seventh}
    after = {key for start, key in figure if last <= start < last + 1}
    assert sevenths
    assert all({key - 1, key - 2} & after for key in sevenths)


def test_the_running_voice_makes_no_augmented_seconds() -> None:
    """Through G sharp, B, D and F there are ways without the step from F to G sharp: common practice, no source."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (A/minor) A4:2 C5:2 | (G#/diminished-seventh) B4:4 | (A/minor) C5:2 A4:2 "
        "| (D/minor) D5:2 (E/dominant) D5:2 | (A/minor) C5:4"
    )
    section, _ = laid(one_line(hymn), "counter-line")
    line = sorted((note for note in section.notes if note.part == "figure"), key=lambda note: note.start)
    steps = [(one.pitch, two.pitch) for one, two in pairwise(line) if one.start < two.start]
    assert section.texture == "counter-line"
    assert not [
        (one, two) for one, two in steps
        if abs(one.midi - two.midi) == 3 and abs(one.diatonic - two.diatonic) == 1
    ]  # fmt: skip


def test_strummed_wants_chords_that_last() -> None:
    """Chords on six of twelve beats leave strokes to repeat; on more than half of the beats they are block chords."""
    head = "(time=4/4) (key=0) (tempo=80)"
    half = f"{head} (C/major) C5:1 (F/major) C5:1 (G/major) D5:2 | (C/major) E5:1 (G/major) D5:1 C5:2 | (C/major) C5:4"
    section, arrangement = laid(one_line(tune(half)), "strummed")
    assert section.texture == "strummed"
    most = half.replace("(C/major) C5:4", "(F/major) C5:2 (G/major) B4:2")
    section, arrangement = laid(one_line(tune(most)), "strummed")
    assert section.texture == "block"
    assert any("a chord on most beats" in one.message for one in arrangement.findings if one.kind == "not-served")


def test_hands_strike_a_suspension_on_its_beat() -> None:
    """Two keys on the beat, one of them the suspended G over D (R5): BWV 332, bar 5, of the corpus in music21."""
    path = Path(music21.__file__).parent / "corpus" / "bach" / "bwv332.mxl"
    section, _ = laid(read(path)[0], "shared", "pedal")
    bar = next(bar for bar in section.bars if bar.number == "5")
    struck = {note.pitch.midi % 12 for note in section.notes if note.part == "figure" and note.start == bar.start + 2}
    assert 7 in struck
    assert len(struck) > 1


@pytest.mark.parametrize("place", ["at-pitch", "octave-up"])
def test_a_suspension_resolves_in_its_octave(place: TunePlace) -> None:
    """G over D steps to F sharp beside it; an A under it is no resolution (R5)."""
    hymn = four_parts(
        "(time=4/4) (key=1) (tempo=80) G4:2 B4:2 | C5:1 B4:1 A4:2 | B4:4",
        "(time=4/4) (key=1) (tempo=80) D4:2 G4:2 | A4:1 G4:1 G4:1 F#4:1 | G4:4",
        "(time=4/4) (key=1) (tempo=80) B3:2 D4:2 | E4:1 D4:1 D4:2 | D4:4",
        "(time=4/4) (key=1) (tempo=80) G3:2 G2:2 | A2:1 B2:1/2 C3:1/2 D3:2 | G2:4",
    )
    section, arrangement = laid(hymn, "broken", place)
    assert "suspension-moved" not in {one.kind for one in arrangement.findings}
    figure = [(note.start, note.pitch.midi) for note in section.notes if note.part == "figure"]
    held = [key for start, key in figure if 6 <= start < 7 and key % 12 == 7]
    assert held
    assert any(key in (one - 1 for one in held) for start, key in figure if 7 <= start < 8)


def test_the_tune_at_eight_foot_in_the_pedal_lies_over_its_bass() -> None:
    """The left hand carries the true bass beneath the tune that sounds in the tenor; the figure lies above both."""
    section, arrangement = laid(SATB, "block", "pedal-8")
    keys = held_keys(section.notes)
    for start in {key.start for key in keys}:
        down = {key.part: key.midi for key in keys if key.start <= start < key.end and key.part != "figure"}
        figure = [key.midi for key in keys if key.start <= start < key.end and key.part == "figure"]
        assert down["bass"] < down["tune"] < min(figure)
    assert "8 alone, no 16" in section.registration.generic
    assert weights(arrangement, "hard") == []


def test_the_same_plan_gives_the_same_notes() -> None:
    """Law 11: laid out twice, every id and note is the same."""
    wishes = Wishes(textures=("counter-line", "broken:rolling", "three-voices"))
    assert lay_out(CALM, wishes) == lay_out(CALM, wishes)


# ------------------------------------------------------------------------------------------------ R15: hemiolas

HEMIOLA = one_line(
    tune(
        "(time=3/4) (key=0) (tempo=90) (C/major) E5:2 D5:1 | (F/major) C5:2 (G/major) D5:1~ | D5:1 (C/major) E5:2 "
        "| (F/major) F5:2 E5:1 | (G/major) D5:3 | (C/major) C5:3"
    )
)


@pytest.mark.parametrize("texture", ["block", "broken", "held", "bass-and-chord", "counter-line", "strummed"])
def test_r15_a_hemiola_goes_in_three_halves(texture: str) -> None:
    """Feet at 0, 2 and 4 of the two bars and nothing on the bar line between them; elsewhere by the bar."""
    section, arrangement = laid(HEMIOLA, texture)
    assert section.texture == texture
    assert [key.start for key in limb(section, "feet")][:5] == [0, 3, 5, 7, 9]
    assert weights(arrangement, "hard") == []


def test_r15_chords_change_at_the_halves() -> None:
    """Block chords are struck at 0, 2 and 4, and not at 3."""
    section, _ = laid(HEMIOLA, "block")
    assert sorted({key.start for key in limb(section, "left hand")})[:5] == [0, 3, 5, 7, 9]


def test_r15_quarter_notes_in_six_eight() -> None:
    """A bar of 6/8 sung in three: the figure goes in three too."""
    hymn = one_line(
        tune(
            "(time=6/8) (key=0) (tempo=60) (C/major) C5:3/2 E5:3/2 | (C/major) E5:1 (F/major) F5:1 (G/major) D5:1 "
            "| (C/major) C5:3"
        )
    )
    section, _ = laid(hymn, "block")
    assert [key.start for key in limb(section, "feet")] == [0, 3, 4, 5, 6]


def test_r15_a_chord_on_the_bar_line_makes_it_none() -> None:
    """The same tune with a chord that begins on the second bar line goes by the bar."""
    hymn = one_line(
        tune(
            "(time=3/4) (key=0) (tempo=90) (F/major) C5:2 (G/major) D5:1~ | (D/minor) D5:1 (C/major) E5:2 "
            "| (C/major) C5:3"
        )
    )
    section, _ = laid(hymn, "block")
    assert 3 in {key.start for key in limb(section, "feet")}


# --------------------------------------------------------------------------------------------- R5: suspensions

SUSPENDED = one_line(
    four_parts(
        "(time=4/4) (key=0) (tempo=80) E5:2 D5:2 | C5:4 | D5:2 C5:2 | C5:4",
        "(time=4/4) (key=0) (tempo=80) G4:2 A4:1 G4:1 | G4:4 | G4:1 F4:1 G4:2 | G4:4",
        "(time=4/4) (key=0) (tempo=80) C4:2 C4:1 B3:1 | C4:4 | B3:2 C4:2 | C4:1 B3:1 C4:2",
        "(time=4/4) (key=0) (tempo=80) C3:2 G2:2 | E3:4 | G2:2 E3:2 | F3:1 G3:1 C3:2",
    )
)


@pytest.mark.parametrize("texture", ["block", "broken", "held", "bass-and-chord", "counter-line", "three-voices"])
def test_r5_a_printed_suspension_is_carried_and_resolved_in_its_octave(texture: str) -> None:
    """Tenor C over G until B: the figure holds C, silent B meanwhile, and steps from C to the B beneath it."""
    section, arrangement = laid(SUSPENDED, texture)
    assert section.texture == texture
    kinds = {one.kind for one in arrangement.findings}
    assert not kinds & {"suspension-lost", "resolution-early", "suspension-moved"}
    figure = [key for key in held_keys(section.notes) if key.part == "figure"]
    carried = [key for key in figure if key.midi % 12 == 0 and key.start < 3 and key.end > 2]
    assert carried
    resolved = [key.midi for key in figure if key.start < 4 and key.end > 3 and key.midi % 12 == 11]
    assert any(one.midi - 1 in resolved for one in carried)
    assert not [key for key in figure if key.midi % 12 == 11 and key.start < 3 and key.end > 2]


CLOSE = (
    "B4:1 C5:1 B4:1 A4:1 | G4:4",
    "G4:1 G4:1 G4:3/2 F#4:1/2 | D4:4",
    "D4:1 E4:1 D4:1 C4:1 | B3:4",
    "G3:1 C3:1 D3:1 D3:1 | G2:4",
)


@pytest.mark.parametrize(("tempo", "line"), [(72, "G3 F#3 C4"), (120, "G3 F#3")])
def test_a_running_voice_resolves_its_suspension_and_still_brings_the_seventh(tempo: int, line: str) -> None:
    """D7 with a prepared fourth: F sharp on the half beat, and where the pace allows it the C after it (R1, R5)."""
    parts = [f"(time=4/4) (key=1) (tempo={tempo}) {part}" for part in CLOSE]
    section, arrangement = laid(four_parts(*parts), "counter-line")
    struck = [key for key in limb(section, "left hand") if 3 <= key.start < 4]
    assert " ".join(str(key.pitch) for key in struck) == line
    assert struck[1].start == Fraction(7, 2)
    assert weights(arrangement, "hard") == []


def test_a_running_voice_that_is_suspended_stands_until_it_resolves() -> None:
    """C over G for a whole beat, D in the tune above it: one held note, not two strokes, then B."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=80) E4:2 D4:2 | C4:4",
        "(time=4/4) (key=0) (tempo=80) C4:2 C4:1 B3:1 | C4:4",
        "(time=4/4) (key=0) (tempo=80) G3:2 G3:2 | E3:4",
        "(time=4/4) (key=0) (tempo=80) C3:2 G2:2 | C3:4",
    )
    section, _ = laid(hymn, "counter-line")
    held, resolved = [key for key in limb(section, "left hand") if 2 <= key.start < 4][:2]
    assert [str(key.pitch) for key in (held, resolved)] == ["C4", "B3"]
    assert held.end == resolved.start == 3


def test_two_parts_suspended_at_once_make_the_running_voice_two() -> None:
    """Alto C to B and tenor A to G over G: both are struck on the beat, and both resolve by step."""
    hymn = four_parts(
        "(time=4/4) (key=0) (tempo=72) E5:1 F5:1 F5:1 E5:1 | E5:1 D5:1 C5:2",
        "(time=4/4) (key=0) (tempo=72) C5:1 C5:1 C5:1/2 B4:1/2 C5:1 | C5:1 B4:1 G4:2",
        "(time=4/4) (key=0) (tempo=72) G4:1 A4:1 A4:1/2 G4:1/2 G4:1 | A4:1 G4:1 E4:2",
        "(time=4/4) (key=0) (tempo=72) C3:1 F3:1 G3:1 C3:1 | A3:1 G3:1 C3:2",
    )
    section, arrangement = laid(hymn, "counter-line")
    struck = played(section, "left hand", "1").split()
    assert struck[4:6] == ["A3+C4", "G3+B3"]
    assert not [one for one in struck[:4] + struck[6:] if "+" in one]
    assert "suspension-lost" not in {one.kind for one in arrangement.findings}


def test_r5_a_chord_that_stands_lets_the_suspension_move() -> None:
    """Under block chords only the suspended voice is struck again; the others stay down."""
    section, _ = laid(SUSPENDED, "block")
    keys = [key for key in limb(section, "left hand") if 2 <= key.start < 4]
    assert len([key for key in keys if key.start == 3]) == 1
    assert len([key for key in keys if key.start == 2 and key.end == 4]) == 2


def test_r5_a_single_suspended_note_steps_down_where_nothing_else_has_room() -> None:
    """Tune in the pedal, bass high: between A3 and the E above there is room for one key, D, and then C sharp."""
    hymn = one_line(
        four_parts(
            "(time=4/4) (key=0) (tempo=80) F4:2 F4:2 | E4:2 E4:2 | D4:4",
            "(time=4/4) (key=0) (tempo=80) D4:2 D4:2 | D4:1 C#4:1 C#4:2 | D4:4",
            "(time=4/4) (key=0) (tempo=80) A3:2 B3:2 | A3:2 A3:2 | A3:4",
            "(time=4/4) (key=0) (tempo=80) D3:2 B3:2 | A3:2 A3:2 | D3:4",
        )
    )
    section, arrangement = laid(hymn, "shared", "pedal")
    assert section.texture == "shared"
    told = {one.kind for one in arrangement.findings}
    assert not told & {"suspension-lost", "suspension-moved", "beat-not-struck", "third-missing"}
    figure = [(key.start, key.midi) for key in held_keys(section.notes) if key.part == "figure" and 4 <= key.start < 6]
    assert (Fraction(4), 62) in figure  # D4
    assert (Fraction(5), 61) in figure  # C sharp


# ------------------------------------------------------------------------------------ two chords in one beat, R14

TWO_IN_A_BEAT = one_line(
    four_parts(
        "(time=4/4) (key=0) (tempo=66) G4:1 E5:1 D5:1 C5:1 | B4:2 G4:2 | C5:4",
        "(time=4/4) (key=0) (tempo=66) D4:1 G4:1 F#4:1/2 G4:1/2 G4:1/2 F#4:1/2 | G4:2 F4:2 | E4:4",
        "(time=4/4) (key=0) (tempo=66) B3:1 C4:1 A3:1/2 D4:1/2 E4:1/2 D4:1/2 | D4:2 B3:2 | G3:4",
        "(time=4/4) (key=0) (tempo=66) G3:1 C3:1 C3:1/2 B2:1/2 B2:1/2 A2:1/2 | G2:2 G2:2 | C3:4",
    )
)


@pytest.mark.parametrize("texture", ["held", "broken", "block", "bass-and-chord"])
def test_two_chords_in_a_beat_are_struck_and_run_with_no_other_voice(texture: str) -> None:
    """D7/C to G/B under one note of the tune: no tone in common beside it, so each chord has keys of its own (R14)."""
    section, arrangement = laid(TWO_IN_A_BEAT, texture)
    assert section.texture == texture
    told = {one.kind for one in arrangement.findings}
    assert not told & {"beat-not-struck", "parallels", "third-missing"}
    left = [key for key in limb(section, "left hand") if 2 <= key.start < 3]
    assert {key.start for key in left} == {Fraction(2), Fraction(5, 2)}
    assert {key.midi % 12 for key in left if key.start == 2} <= {2, 6, 9}
    assert {key.midi % 12 for key in left if key.start == Fraction(5, 2)} <= {2, 7}


def test_a_line_that_begins_off_the_beat_meets_the_next_one() -> None:
    """6/8, a line that begins on the second quaver: hand or foot strikes the fourth all the same (R14)."""
    bars = (
        "(C/major) E5:3/2 D5:3/2 | C5:1/2 C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1/2 | (F/major) A5:3/2 A5:3/2 | (C/major) G5:3"
    )
    hymn = tune(f"(time=6/8) (key=0) (tempo=60) {bars}")
    ends = Fraction(0), Fraction(7, 2), hymn.tune.length
    hymn = replace(hymn, tune=replace(hymn.tune, lines=tuple(starmap(Line, pairwise(ends)))))
    for texture in ("held", "strummed", "broken"):
        section, arrangement = laid(hymn, texture)
        assert (section.texture, len(section.lines)) == (texture, 2)
        assert "beat-not-struck" not in {one.kind for one in arrangement.findings}
        assert Fraction(9, 2) in {note.start for note in section.notes if note.part != "tune"}


def test_a_slow_figure_brings_the_third_in_every_two_beats() -> None:
    """A note to the beat in 4/4: what comes only in the second half of the bar is missed in the first (R1)."""
    music = "(time=4/4) (key=0) (tempo=80) (C/major) G4:4 | (F/major) A4:4 | (G/major) D5:4 | (C/major) C5:4"
    plan = default_plan(tune(music), (), ("broken",), "at-pitch")
    plan = replace(plan, verses=tuple(replace(row, pattern="slow") for row in plan.verses))
    section = arrange(tune(music), analyse(tune(music)), plan, TWO_MANUALS, MEDIUM).sections[0]
    for half, third in ((0, 4), (2, 4), (4, 9), (6, 9), (8, 11), (10, 11)):
        keys = {
            key.midi % 12
            for key in held_keys(section.notes)
            if half <= key.start < half + 2 or (key.start <= half < key.end)
        }
        assert third in keys, half


@pytest.mark.parametrize("texture", ["block", "strummed", "bass-and-chord", "held"])
def test_a_third_gives_way_where_the_tune_dips_below_it(texture: str) -> None:
    """G7 under D4 A3 F4: B3 has room under D4 and F4 only, is never above the tune, and is not left out for A3."""
    music = "(time=3/4) (key=0) (tempo=80) (C/major) E4:1 G4:1 E4:1 | (G/dominant) D4:1 A3:1 F4:1 | (C/major) E4:3"
    section, arrangement = laid(tune(music), texture)
    assert (section.texture, section.tune) == (texture, "at-pitch")
    assert "third-missing" not in {one.kind for one in arrangement.findings}
    keys = [key for key in held_keys(section.notes) if 3 <= key.start < 6]
    figure = [key for key in keys if key.part == "figure"]
    assert 59 in {key.midi for key in figure}  # B3
    for note in (key for key in keys if key.part == "tune"):
        assert not [key for key in figure if key.start < note.end and key.end > note.start and key.midi >= note.midi]


def test_without_feet_two_chords_in_a_beat_have_a_stroke_each() -> None:
    """C sharp minor over E, then D, under C sharp: the only common tone is the tune's, so each is struck by itself."""
    music = (
        "(time=3/4) (key=3) (tempo=72) (A/major) A4:1 C#5:1 D5:1 "
        "| (C#/minor/m/E) C#5:1/2 (D/major-seventh) C#5:1/2 (E/major) B4:1 (E/dominant) B4:1 | (A/major) A4:3"
    )
    section, arrangement = on(one_line(tune(music)), "bass-and-chord", organ=NO_PEDAL)
    assert section.texture == "bass-and-chord"
    assert "beat-not-struck" not in {one.kind for one in arrangement.findings}
    assert {Fraction(3), Fraction(7, 2)} <= {note.start for note in section.notes if note.part == "figure"}


def test_a_tune_in_the_pedal_at_8_foot_keeps_clear_of_its_bass() -> None:
    """C sharp 3 over A2: so low a third is muddy, and neither hand nor foot can help it."""
    bars = "(A/major) C#4:2 E4:2 | (D/major) F#4:2 A4:2 | (E/major) B4:2 G#4:2 | (A/major) A4:4"
    section, arrangement = laid(tune(f"(time=4/4) (key=3) (tempo=80) {bars}"), "block", "pedal-8")
    assert section.tune == "at-pitch"
    assert any("too close to the bass" in one.message for one in arrangement.findings if one.kind == "not-served")


def test_a_third_that_would_lie_too_low_gives_way_instead() -> None:
    """A7 over A2 under E4 D4 B3: C sharp 3 is muddy there; C sharp 4 sounds until the tune goes to D (R2) and below."""
    music = "(time=3/4) (key=2) (tempo=80) (E/dominant) G#4:1 B4:1 E4:1 | (A/dominant) E4:1 D4:1 B3:1 | (D/major) D4:3"
    section, arrangement = laid(tune(music), "block")
    assert section.tune == "at-pitch"
    assert "third-missing" not in {one.kind for one in arrangement.findings}
    (third,) = [key for key in limb(section, "left hand") if 3 <= key.start < 6 and key.midi % 12 == 1]
    assert (third.midi, third.end) == (61, Fraction(4))


def test_three_voices_keep_the_third_in_reach_of_a_hand() -> None:
    """A bass in the hand may go down to G2, and lies where one of the hands finds the third beside what it has."""
    music = (
        "(time=4/4) (key=0) (tempo=80) (D/minor) D5:2 F4:2 | (G/major) D5:2 D5:2 | (C/major) E4:2 E4:2 "
        "| (A/minor) C5:2 E4:2 | (G/major) B4:4 | (C/major) C5:4"
    )
    section, arrangement = laid(tune(music), "three-voices")
    told = {one.kind for one in arrangement.findings}
    assert not told & {"parallels", "bass-parallels", "third-missing", "left-hand-silent"}
    assert min(key.midi for key in held_keys(section.notes) if key.part == "bass") >= 43


def test_a_suspended_chord_has_its_fourth() -> None:
    """Gsus4 under D: the hand brings the C that stands for the third, with G and D alone it would be a bare fifth."""
    bars = "(C/major) E5:2 G5:2 | (G/suspended-fourth) D5:4 | (G/major) D5:4 | (C/major) C5:4"
    for texture in ("block", "broken", "held", "three-voices"):
        section, _ = laid(tune(f"(time=4/4) (key=0) (tempo=80) {bars}"), texture)
        assert 0 in {key.midi % 12 for key in held_keys(section.notes) if 4 <= key.start < 8}, texture


@pytest.mark.parametrize(("tempo", "length"), [(66, Fraction(1, 4)), (96, Fraction(1, 2))])
def test_chords_after_the_beat_are_no_shorter_than_their_row_allows(tempo: int, length: Fraction) -> None:
    """At 96 a quaver lasts 0.31 s: half of that is a stab, so it is written whole; at 66 it is lifted half way."""
    bars = "(C/major) C5:1 E5:1 D5:1 C5:1 | (F/major) A4:1 (G/major) B4:1 (C/major) C5:2"
    section, _ = laid(tune(f"(time=4/4) (key=0) (tempo={tempo}) {bars}"), "bass-and-chord")
    after = [key for key in limb(section, "left hand") if key.start.denominator > 1]
    assert after
    assert {key.end - key.start for key in after} == {length}


def test_a_middle_voice_is_not_struck_again_off_the_beat() -> None:
    """C, then C7 on the half beat: where the middle voice stays it is one key, and not two quavers (R13)."""
    bars = (
        "(C/major) E5:1/2 (C/dominant) E5:1/2 (F/major) F5:1 (G/major) D5:1/2 (G/dominant) D5:1/2 (C/major) E5:1 | C5:4"
    )
    section, _ = laid(one_line(tune(f"(time=4/4) (key=0) (tempo=80) {bars}")), "three-voices")
    middle = [key for key in held_keys(section.notes) if key.part == "figure"]
    assert middle
    again = [two for one, two in pairwise(middle) if one.midi == two.midi and one.end == two.start]
    assert all(key.start.denominator == 1 for key in again)


def test_under_a_descant_the_left_hand_has_the_tune() -> None:
    """It is not told silent for want of a figure."""
    section, arrangement = laid(SATB, "descant")
    assert section.texture == "descant"
    assert (section.right, section.left) == ("Swell", "Great")
    assert "left-hand-silent" not in {one.kind for one in arrangement.findings}


def test_limits_of_low_intervals_are_the_published_ones() -> None:
    """Published low-interval limits (second hand, as in `voice_leading`), from semitone to major seventh."""
    assert LOWEST_FOR_INTERVAL == LOWEST_KEYS


def test_a_close_too_low_for_its_third_is_laid_out_an_octave_up() -> None:
    """A3 over A2: C sharp between them lies under the limit for a major third, so at pitch the close would be bare."""
    music = (
        "(time=4/4) (key=3) (tempo=80) (A/major) E5:1 C#5:1 A4:1 C#5:1 | (D/major) F#5:2 D5:2 | (A/major) C#5:2 E5:2 "
        "| (E/major) B4:2 G#4:2 | (A/major) A3:4"
    )
    section, arrangement = laid(tune(music), "block")
    assert section.tune == "octave-up"
    (told,) = (one.message for one in arrangement.findings if one.kind == "not-served")
    assert "bar 5, beat 1" in told
    higher, _ = laid(tune(music.replace("(A/major) A3:4", "(A/major) A4:4")), "block")
    assert higher.tune == "at-pitch"


def test_a_bass_under_both_hands_leaves_them_room() -> None:
    """Under D4 the G of the bass lies at G2, not G3: between them there is room for two tones of the chord."""
    hymn = tune("(time=4/4) (key=-1) (tempo=80) (D/minor) D5:2 A4:2 | (G/minor) D4:4 | (D/minor) D4:4")
    verse = walk_verse(hymn, analyse(hymn), None)
    basses = {
        between: {str(piece.pitch) for piece in bass_from_chords(verse, 36, 60, between=between)}
        for between in (False, True)
    }
    assert "G3" in basses[False]
    assert "G2" in basses[True] - basses[False]
    section, _ = laid(hymn, "shared", "pedal")
    assert "G2" in {str(note.pitch) for note in section.notes if note.part == "bass"}


# --------------------------------------------------------------------------------- refusals that meet, odd benches


def test_refusals_never_come_round_again() -> None:
    """Too low at pitch and too high an octave up: each is said once, and what is laid out can be played."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) G3:1 A3:1 B3:1 C4:1 | (G/major) G3:1 D4:1 B3:1 G3:1 "
        "| (F/major) F5:1 A3:1 B3:1 F3:1 | (C/major) C4:4"
    )
    short = replace(TWO_MANUALS, manuals=tuple(replace(one, highest=84) for one in TWO_MANUALS.manuals))
    section, arrangement = on(hymn, "block", organ=short)
    told = [one.message for one in arrangement.findings if one.kind == "not-served"]
    assert len(told) == len(set(told))
    assert f"{TEXTURES[section.texture].title} is laid out instead" in told[-1]
    assert weights(arrangement, "hard") == []


def test_the_bass_is_never_lost_without_feet() -> None:
    """As printed with the tune an octave up and no feet: the left hand has the bass."""
    section, arrangement = on(SATB, "as-printed", "octave-up", player=Player(pedals="none"))
    assert "bass" in {key.part for key in limb(section, "left hand")}
    assert weights(arrangement, "hard") == []


def test_a_plan_may_give_both_hands_one_manual() -> None:
    """Soloed, descant and a tune in the tenor want two: on one they are refused, not laid out wrongly."""
    for texture, place in (("soloed", "at-pitch"), ("descant", "at-pitch"), ("block", "tenor")):
        plan = default_plan(SATB, (), (texture,), PLACES[place].name)
        plan = replace(plan, verses=tuple(replace(one, right="Great", left="Great") for one in plan.verses))
        arrangement = arrange(SATB, analyse(SATB), plan, TWO_MANUALS, MEDIUM)
        assert [one.kind for one in arrangement.findings if one.kind == "not-served"] == ["not-served"]
        assert weights(arrangement, "hard") == []


def test_a_bass_of_hers_wins_over_the_printed_one() -> None:
    """A chord that she set with another bass: the feet play it, and go on as printed after it."""
    hymn = SATB
    edited = analyse(hymn, (Fixed(Fraction(1), Fraction(2), Chord(PitchName("F"), "major", PitchName("A"))),))
    plan = default_plan(hymn, (), ("block",))
    feet = limb(arrange(hymn, edited, plan, TWO_MANUALS, MEDIUM).sections[0], "feet")
    assert [key.midi % 12 for key in feet][:4] == [0, 9, 4, 5]
