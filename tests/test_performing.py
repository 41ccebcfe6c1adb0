"""Sounding time: legato, opened repetitions, lifts, and gaps that keep the beat."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as some

from invented import EVERYTHING, arrangement_of, bars_of, four_parts, line_of, section_of
from undersong.model.accompaniment import Accompaniment
from undersong.model.performance import Performance, SoundedNote
from undersong.model.pitch import Pitch, PitchName
from undersong.model.time import Time
from undersong.performing import LIFT_SECONDS, MOST_OPENING_SECONDS, gap_between, perform


def keys(performance: Performance) -> dict[str, SoundedNote]:
    return {note.id: note for note in performance.notes}


def tune_of(music: str, *, time: str = "4/4", bars: int = 1, pace: tuple[int, str] = (60, "1")) -> Accompaniment:
    placed = bars_of(time, "C major", [str(Time.parse(time).bar_length)] * bars)
    return section_of("v", placed, {"tune": music}, pace=pace)


def played(music: str, *, pace: tuple[int, str] = (60, "1")) -> list[tuple[float, float, int]]:
    performance = perform(arrangement_of(tune_of(music, pace=pace)))
    return [(note.on_seconds, note.off_seconds, note.number) for note in performance.notes]


def test_legato_to_the_written_end() -> None:
    """C5 D5 E5 in crotchets at 60: each key goes up as the next goes down."""
    assert played("C5:1 D5:1 E5:2") == [(0, 1, 72), (1, 2, 74), (2, 4, 76)]


def test_repeated_key_is_opened() -> None:
    """Crotchets at 120 on one key lose half (0.25 s); minims lose 0.35 s, no more (common practice, no source)."""
    assert played("C5:1 C5:1 D5:2", pace=(120, "1"))[0] == (0, 0.25, 72)
    on, off, _ = played("C5:2 C5:2", pace=(60, "1"))[0]
    assert (on, off) == (0, 2 - MOST_OPENING_SECONDS)


def test_a_written_rest_is_opening_enough() -> None:
    """C5, a crotchet rest, C5: the first key keeps its length."""
    assert played("C5:1 r:1 C5:2")[0] == (0, 1, 72)


def test_ties_are_one_stroke() -> None:
    """A semibreve and a crotchet tied over the bar line are one key held for five seconds, named by the first."""
    performance = perform(arrangement_of(tune_of("C5:5 D5:3", bars=2)))
    first = performance.notes[0]
    assert (first.id, first.on_seconds, first.off_seconds) == ("v.tune.0", 0, 5)
    assert len(performance.notes) == 2


def test_two_hands_on_one_key_of_one_division() -> None:
    """The left hand holds C4 on the Great for four beats; the right strikes it on beat 2: opened, then held."""
    bars = bars_of("4/4", "C major", ["4"])
    section = section_of("v", bars, {"tune": "r:1 C4:1 D4:2"})
    held = line_of("v", "figure", "C4:4", bars, division="Great")
    section = replace(section, notes=(*section.notes, *held))
    found = [(one.on_seconds, one.off_seconds) for one in perform(arrangement_of(section)).notes if one.number == 60]
    quarter = 60 / 72
    assert found == [(0, quarter - MOST_OPENING_SECONDS), (quarter, 4 * quarter)]


def test_lift_at_a_breath_without_rest() -> None:
    """D major, breath after the sixth beat: every key that ends there is up 0.2 s before it."""
    sounded = keys(perform(arrangement_of(four_parts())))
    assert sounded["verse-1.tune.4"].off_seconds == pytest.approx(6 * 0.625 - LIFT_SECONDS)
    assert sounded["verse-1.bass.4"].off_seconds == pytest.approx(6 * 0.625 - LIFT_SECONDS)
    assert sounded["verse-1.alto.6"].on_seconds == pytest.approx(6 * 0.625)


def verse(time: str, lengths: str, pace: tuple[int, str]) -> Accompaniment:
    bars = bars_of(time, "C major", lengths.split())
    return section_of("v", bars, {"tune": f"C5:{bars[-1].end}"}, pace=pace)


@pytest.mark.parametrize(
    ("time", "lengths", "pace", "hold", "lift"),
    [
        ("6/8", "1/2 3 5/2", (52, "3/2"), "3/2", "3/2"),  # R18's example: hold 8 quavers, lift 3, pickup on quaver 6
        ("3/4", "3 3", (96, "1"), "1", "2"),  # last note 3 beats: hold 4, lift 2
        ("4/4", "1 4 3", (100, "1"), "2", "2"),  # last note 3 beats: hold 5, lift 2, pickup on beat 4
        ("3/4", "1 3 2", (96, "1"), "1", "2"),
        ("6/8", "1/2 3 3", (52, "3/2"), "1", "3/2"),  # last bar full: the quaver comes at the end of the added bar
        ("4/4", "1/2 4 4", (80, "1"), "3/2", "2"),
        ("2/2", "1 4 4", (60, "2"), "1", "2"),
        ("2/4", "2 2", (80, "1"), "0", "2"),
        ("3/4", "1 3 2", (50, "3"), "0", "3"),  # fast 3/4: the bar is the beat
    ],
)
def test_the_gap_fills_the_bar(time: str, lengths: str, pace: tuple[int, str], hold: str, lift: str) -> None:
    """The pickup falls on its own beat: R18 and worked examples of the notes (common practice, no source)."""
    section = verse(time, lengths, pace)
    gap = gap_between(section, section, 2)
    assert (str(gap.hold), str(gap.lift)) == (hold, lift)


TIMES = (
    ("2/4", 2, 80, "1"), ("3/4", 3, 92, "1"), ("4/4", 4, 88, "1"), ("5/4", 5, 88, "1"), ("2/2", 4, 56, "2"),
    ("3/2", 6, 58, "2"), ("4/2", 8, 60, "2"), ("6/8", 3, 50, "3/2"), ("9/8", Fraction(9, 2), 50, "3/2"),
    ("12/8", 6, 50, "3/2"), ("6/4", 6, 46, "3"), ("3/8", Fraction(3, 2), 100, "1/2"),
)  # fmt: skip


@pytest.mark.parametrize(("time", "bar", "pace", "beat"), TIMES, ids=[one[0] for one in TIMES])
@pytest.mark.parametrize("pickup", ["0", "1/2", "1"])
@pytest.mark.parametrize("complement", [True, False])
def test_verses_stay_on_the_grid(time: str, bar: Fraction, pace: int, beat: str, pickup: str, complement: bool) -> None:
    """Twelve times, three pickups, last bar short or full: the next downbeat is on the old grid, the lift sane."""
    full, short = Fraction(bar), Fraction(pickup)
    lengths = [str(short)] * bool(short) + [str(full), str(full - short if complement else full)]
    section = verse(time, " ".join(lengths), (pace, beat))
    gap = gap_between(section, section, 2)
    downbeat = section.length + gap.length + short
    assert (downbeat - short) % full == 0
    assert 1.0 - 1e-9 <= section.pace.seconds(gap.lift) <= 1.8 + 1e-9
    performance = perform(arrangement_of(section, replace(section, id="w")))
    assert performance.paces[1].at_seconds == pytest.approx(
        section.pace.seconds(section.length + gap.length), abs=0.005
    )


def test_the_last_chord_is_held_up_to_the_lift() -> None:
    """3/4 at 96: the last note of three beats sounds for four, then two beats are silent."""
    section = verse("3/4", "3 3", (96, "1"))
    performance = perform(arrangement_of(section, replace(section, id="w")))
    first = performance.notes[0]
    assert first.off_seconds == pytest.approx(section.pace.seconds(Fraction(7)))
    assert performance.paces[1].at_seconds == pytest.approx(section.pace.seconds(Fraction(9)))


def test_gap_before_another_pace() -> None:
    """4/4 at 60, then 3/4 at 120 with a pickup of a quaver (0.25 s): its first downbeat falls on the old grid."""
    first, second = verse("4/4", "4", (60, "1")), verse("3/4", "1/2 3", (120, "1"))
    gap = gap_between(first, second, 2)
    pickup_seconds = second.pace.seconds(Fraction(1, 2))
    assert (first.pace.seconds(gap.length) + pickup_seconds) % 4 == pytest.approx(0)


def test_paces_and_length() -> None:
    """One pace mark at the beginning of each section; the performance ends with the last section, without a gap."""
    performance = perform(arrangement_of(*EVERYTHING))
    assert [mark.section for mark in performance.paces] == [section.id for section in EVERYTHING]
    last = EVERYTHING[-1]
    assert performance.length_seconds == pytest.approx(
        performance.paces[-1].at_seconds + last.pace.seconds(last.length)
    )
    assert perform(arrangement_of(four_parts())).paces[0].quarter_seconds == pytest.approx(0.625)


def test_every_stroke_sounds_once() -> None:
    """Every written note that is not tied from before sounds, in order; no key overlaps itself."""
    performance = perform(arrangement_of(*EVERYTHING))
    struck = {note.id for section in EVERYTHING for note in section.notes if note.tie not in ("stop", "both")}
    assert {note.id for note in performance.notes} == struck
    assert list(performance.notes) == sorted(performance.notes, key=lambda note: note.on_seconds)


@given(some.lists(some.tuples(some.integers(0, 30), some.integers(1, 8), some.integers(60, 63)), max_size=20))
def test_no_key_ever_overlaps_itself(places: list[tuple[int, int, int]]) -> None:
    """However the hands collide, a key goes up before it goes down again, and every stroke lasts."""
    bars = bars_of("4/4", "C major", ["40"])
    base = line_of("v", "tune", "C4:40", bars)[0]
    names = {60: "C", 61: "C#", 62: "D", 63: "D#"}
    notes = tuple(
        replace(base, id=f"n{index}", start=Fraction(start), length=Fraction(length),
                pitch=Pitch.of(PitchName.parse(names[number]), number))
        for index, (start, length, number) in enumerate(places)
    )  # fmt: skip
    section = replace(section_of("v", bars, {}), notes=notes, breaths=(Fraction(8), Fraction(9)))
    by_key: dict[int, float] = {}
    for note in perform(arrangement_of(section)).notes:
        assert note.off_seconds > note.on_seconds >= by_key.get(note.number, 0.0)
        by_key[note.number] = note.off_seconds
