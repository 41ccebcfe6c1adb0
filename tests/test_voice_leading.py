"""The independent count of voice leading: each kind of fault, planted alone, is seen, and a clean page is cleared.

The pages are a bar or two of invented music, written by hand: right hand (the tune), left hand, pedal, chords.
Expected counts are worked out by hand; the rules are common practice, no source, the low-interval limits those of the
published table in `tests/voice_leading.py`.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from lxml import etree

from printed import DIVISIONS, Printed, page
from undersong.writing.exchange import el
from voice_leading import (
    Chord,
    Count,
    chords_of,
    line_starts,
    lost_suspensions,
    measure,
    parted,
    print_itself,
    units_of,
)
from witness import Section, read_sections


def section_of(right: str, left: str, feet: str, chords: str, *, time: str = "4/4", fifths: int = 0) -> Section:
    """A section from three staves in the notation of `printed`, and chord symbols (`C:major:4`)."""
    hands = " | ".join(f"{one} && {other}" for one, other in zip(right.split("|"), left.split("|"), strict=True))
    signs = f"(time={time}) (key={fifths})"
    parts = Printed("Manuals", f"{signs} {hands}", clefs="GF"), Printed("Pedal", f"{signs} {feet}", clefs="F")
    root = etree.fromstring(page(*parts))
    measures = root.findall("part")[0].findall("measure")
    for measure_, symbols in zip(measures, chords.split("|"), strict=True):
        first = measure_.find("note")
        assert first is not None
        if measure_ is measures[0]:
            first.addprevious(el("direction", el("direction-type", el("rehearsal", "Verse 1"))))
        at = Fraction(0)
        for symbol in symbols.split():
            name, kind, length = symbol.split(":")
            name, _, low = name.partition("/")
            first.addprevious(
                el(
                    "harmony",
                    el("root", el("root-step", name)),
                    el("kind", kind),
                    el("bass", el("bass-step", low)) if low else None,
                    el("offset", int(at * DIVISIONS)),
                )
            )
            at += Fraction(length)
    return read_sections(etree.tostring(root))[0]


def count(right: str, left: str, feet: str, chords: str, **more: object) -> Count:
    """Everything counted on such a page."""
    signs = {name: more.pop(name) for name in ("time", "fifths") if name in more}
    return measure(section_of(right, left, feet, chords, **signs), **more)  # type: ignore[arg-type]


CLEAN = (
    "E5:2 D5:2 | C5:4",
    "G3+C4:1 E4:1 G3+B3:1 F4:1 | G3+E4:4",
    "C3:2 G2:2 | C3:4",
    "C:major:2 G:dominant:2 | C:major:4",
)


def test_a_clean_close_is_cleared() -> None:
    """C, G7, C in a bar and another: four units of two beats, three joins, and no fault."""
    found = count(*CLEAN)
    assert found.faults == []
    assert (found.joins, found.chords, found.complete) == (3, 4, 4)
    assert (found.beats, found.struck) == (5, 5)


@pytest.mark.parametrize(
    ("kind", "pair", "page"),
    [
        ("parallel", "bass and lowest", ("E5:2 D5:2", "G3+C4:2 A3+D4:2", "C3:2 D3:2", "C:major:2 D:minor:2")),
        ("parallel", "tune and highest", ("E5:2 D5:2", "G3+A4:2 B3+G4:2", "C3:2 G2:2", "C:major:2 G:major:2")),
        ("parallel", "tune and bass", ("C5:2 D5:2", "G3+E4:2 A3+F4:2", "C3:2 D3:2", "C:major:2 D:minor:2")),
        ("parallel", "lowest and highest", ("E5:2 F5:2", "C4+G4:2 D4+A4:2", "C3:2 D2:2", "C:major:2 D:minor:2")),
        ("parallel", "bass and first", ("E5:2 F5:2", "G3:1/2 E3+C4:3/2 A3:1/2 F3+D4:3/2", "C3:2 D3:2",
                                        "C:major:2 D:minor:2")),
        ("direct", "bass and lowest", ("E5:2 D5:2", "E3+C4:2 B3+F4:2", "C3:2 E3:2", "C:major:2 E:minor:2")),
    ],
)  # fmt: skip
def test_a_planted_fault_of_two_voices_is_seen(kind: str, pair: str, page: tuple[str, str, str, str]) -> None:
    """Fifths or octaves by step, and a fifth approached by leaps in one direction; each between one pair."""
    assert count(*page).pair_faults[f"{kind}, {pair}"] == 1


def test_parallels_from_the_last_note_of_a_voice_are_seen() -> None:
    """The bass passes on: C3 E3 | F3 under E4 in the left hand, F4 above: octaves from E to F, none from C to F."""
    page = ("G5:2 A5:2", "E4+C5:2 F4+C5:2", "C3:1 E3:1 F3:2", "C:major:2 F:major:2")
    assert count(*page).pair_faults["parallel, bass and lowest"] == 1


@pytest.mark.parametrize(
    "page",
    [
        ("E5:2' D5:2", "G3+C4:2 A3+D4:2", "C3:2 D3:2", "C:major:2 D:minor:2"),
        ("E5:2 D5:2", "G3+C4:2 G3+D4:2", "C3:2 C3:2", "C:major:2 G:major:2"),
        ("E5:2 D5:2", "E3+C4:2 D4+F4:2", "C3:2 D3:2", "C:major:2 D:minor:2"),
    ],
    ids=["a breath lies between", "nothing moves", "an octave in one leap and one step"],
)
def test_what_is_no_fault_of_voices(page: tuple[str, str, str, str]) -> None:
    """Line ends are no joins, a repeated interval is no parallel, a step in one part makes no direct interval."""
    found = count(*page)
    assert not [name for name in found.pair_faults if "bass and lowest" in name]


def test_chords_struck_off_the_beat_are_units_of_their_own() -> None:
    """Block chords on E minor and G7, a quaver each, then C: the lowest goes G B G, not B B G or G G."""
    page = ("E5:1 D5:1 E5:2", "G3+E4:1/2 B3+F4:1/2 D4+F4:1 G3+E4:2", "E3:1/2 G2:1/2 G2:1 C3:2",
            "E:minor:1/2 G:dominant:3/2 C:major:2")  # fmt: skip
    assert count(*page).joins == 3
    broken = ("E5:1 D5:1 E5:2", "G3:1/2 B3:1/2 F4:1 G3+E4:2", *page[2:])
    assert count(*broken).joins == 2


def test_chords_of_a_unit_are_judged_one_by_one() -> None:
    """Over C: E4 G4, then G3 E4, then over D A3 D4: fifths of bass and lowest from the second chord, not the first."""
    page = ("E5:2 D5:2", "E4+G4:1 G3+E4:1 A3+D4:2", "C3:2 D3:2", "C:major:2 D:minor:2")
    assert count(*page).pair_faults["parallel, bass and lowest"] == 1
    other_way = ("E5:2 D5:2", "G3+E4:1 E4+G4:1 A3+D4:2", *page[2:])
    assert count(*other_way).pair_faults["parallel, bass and lowest"] == 0
    broken = ("E5:2 D5:2", "E4:1 G3:1 A3+D4:2", *page[2:])
    assert count(*broken).pair_faults["parallel, bass and lowest"] == 1


def test_a_figure_that_comes_to_rest_is_a_unit_of_its_own() -> None:
    """G3 B3 D4 and on beat 4 the line's last chord G3 B3: a unit of its own; notes struck singly make none."""
    page = ("D5:3 D5:1' | E5:4", "B3:1 D4:1 G4:1 G3+B3:1 | G3+C4:4", "G2:4 | C3:4", "G:major:4 | C:major:4")
    assert _starts(*page) == [0, 2, 3, 4, 6]
    assert _starts(page[0], "B3:1 D4:1 G4:1 B3:1 | G3+C4:4", *page[2:]) == [0, 2, 4, 6]


def _starts(right: str, left: str, feet: str, chords: str) -> list[Fraction]:
    page = section_of(right, left, feet, chords)
    by_part = parted(page)
    units = units_of(page, chords_of(page), line_starts(page, by_part["tune"]), by_part["figure"])
    return [unit.start for unit in units]


def test_a_dissonance_left_off_the_beat_is_a_change_inside() -> None:
    """C over G is left for B on the half beat: what comes on the next beat is a unit of its own."""
    assert _starts("D5:4", "C4+G3:1/2 B3+G3:1/2 D4:1 G3:2", "G2:4", "G:major:4") == [0, 1, 2]
    assert _starts("D5:4", "D4+G3:1/2 B3+G3:1/2 D4:1 G3:2", "G2:4", "G:major:4") == [0, 2]


def test_a_voice_of_its_own_is_judged_by_its_first_and_last_notes() -> None:
    """E F G F over C and F, then G over G: octaves from the last note of the running voice to the next."""
    page = ("E5:2 D5:2", "E4:1/2 F4:1/2 G4:1/2 F4:1/2 G4:2", "C3:1 F3:1 G3:2", "C:major:2 G:major:2")
    assert count(*page, single=True).pair_faults == {"parallel, bass and figure": 1}
    assert count(*page).pair_faults["parallel, bass and figure"] == 0


def test_octaves_in_contrary_motion_are_told_apart_at_a_close() -> None:
    """G5 over G2 to C5 over C3 ends the line; with another bar after it the octaves are as bad as any."""
    close = ("E5:2 G5:2 | C5:4", CLEAN[1], CLEAN[2], CLEAN[3])
    assert count(*close).pair_faults == {"contrary at a close, tune and bass": 1}
    inside = (f"{close[0]} | D5:4", f"{close[1]} | G3+B3:4", f"{close[2]} | G2:4", f"{close[3]} | G:major:4")
    assert count(*inside).pair_faults["contrary, tune and bass"] == 1


def test_faults_between_tune_and_printed_bass_are_the_prints() -> None:
    page = ("C5:2 D5:2", "G3+E4:2 A3+F4:2", "C3:2 D3:2", "C:major:2 D:minor:2")
    found = count(*page, printed_bass=True)
    assert found.pair_faults["parallel of the print, tune and bass"] == 1
    assert found.pair_faults["parallel, tune and bass"] == found.pair_joins["tune and bass"] == 0


def test_the_print_is_measured_in_the_same_way() -> None:
    """Alto and bass in fifths by step, in a page of four parts: one parallel in one join."""
    page = section_of("E5:2 F5:2", "G4+C4:2 A4+D4:2", "C3:2 D3:2", "C:major:2 D:minor:2")
    rows = {"soprano": "76 77", "alto": "67 69", "tenor": "60 60", "bass": "48 50"}
    voices = {
        name: tuple((Fraction(2 * at), Fraction(2), int(key)) for at, key in enumerate(keys.split()))
        for name, keys in rows.items()
    }
    found = print_itself(page, voices)
    assert (found.joins, dict(found.pair_faults)) == (1, {"parallel, bass and highest": 1})


# -- chords ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "page"),
    [
        ("third", ("G5:4", "G3+C4:4", "C3:4", "C:major:4")),
        ("root", ("G5:4", "G3+B3:4", "E3:4", "C:major:4")),
        ("seventh", ("D5:4", "G3+B3:4", "G2:4", "G:dominant:4")),
        ("third", ("G5:4", "G3+C4:4", "C3:4", "C:suspended-fourth:4")),
    ],
)
def test_a_tone_that_does_not_sound_is_missed(what: str, page: tuple[str, str, str, str]) -> None:
    """Root, third (the fourth stands for it in a suspended chord) and seventh, in hands, feet and tune together."""
    found = count(*page)
    assert found.kinds()[f"{what} missing"] == found.chords - found.complete == 2  # two units of two beats


def test_before_the_first_sung_note_no_chord_is_asked_for() -> None:
    """Feet that begin two beats before the tune stand alone there; under the tune they would want a third."""
    found = count("r:2 D5:2", "r:2 B3+G3:2", "G2:4", "G:major:4")
    assert "third missing" not in found.kinds()
    assert found.exempt["chord before the first sung note"] == 1
    assert count("D5:2 D5:2", "r:2 B3+G3:2", "G2:4", "G:major:4").kinds()["third missing"] == 1


def test_a_broken_chord_is_complete_by_its_unit() -> None:
    """G B D G under D: each tone once in two beats; by beat the third would be missed."""
    found = count("D5:4", "G3:1/2 B3:1/2 D4:1/2 G3:1/2 G3:1/2 B3:1/2 D4:1/2 G3:1/2", "G2:4", "G:major:4")
    assert found.chords == found.complete == 2


def test_chords_under_a_beat_and_dissonances_of_the_tune_are_excused() -> None:
    """The half-beat D7 wants no third; the fourth in the tune stands for G's third."""
    found = count("A4:1/2 C5:1/2 C5:3", "F#4:1/2 A3:1/2 G3+D4:3", "D3:1/2 D3:1/2 G2:3",
                  "D:major:1/2 D:dominant:1/2 G:major:3")  # fmt: skip
    assert not [fault for fault in found.faults if "missing" in fault.kind]
    assert found.exempt["third under a dissonance that stands for it"] > 0


def test_a_suspension_carried_in_stands_for_its_tone() -> None:
    """The figure's C stands for B in the chord of G on the beat; a passing F stands for no E."""
    assert "third missing" not in count("D5:2 D5:2", "C4+G3:2 B3+G3:2", "G2:4", "G:major:4").kinds()
    assert "third missing" in count("G5:2 G5:2", "C4+G3:4", "C3:4", "C:major:4").kinds()
    passing = count("G5:1 F5:1 G5:2", "C4+G3:4", "C3:4", "C:major:4")
    assert passing.kinds()["third missing"] == 2


def test_a_suspension_in_a_broken_figure_may_resolve_in_its_place_of_the_pattern() -> None:
    """R5: low, C over G; low, B a beat later, under the G7 that the chord has become. A C that goes nowhere is none."""
    chords = "G:major:3/2 G:dominant:1/2 C:major:2"
    resolved = count("D5:2 C5:2", "G3:1/2 C4:1/2 G3:1/2 B3:1/2 C4+E4:2", "G2:2 C3:2", chords)
    left = count("D5:2 C5:2", "G3:1/2 C4:1/2 G3:1/2 D4:1/2 C4+E4:2", "G2:2 C3:2", chords)
    assert (resolved.kinds()["third missing"], left.kinds()["third missing"]) == (0, 1)


def test_a_chord_of_two_beats_is_one_unit_wherever_it_begins() -> None:
    """A note to the beat: B on beat 2 and G on beat 3 are one figure of G; over four beats there are two of them."""
    slow = count("E5:1 D5:2 E5:1", "C4:1 B3:1 G3:1 C4:1", "C3:1 G2:2 C3:1", "C:major:1 G:major:2 C:major:1")
    assert "third missing" not in slow.kinds()
    assert count("D5:4", "B3:1 G3:1 D4:1 G3:1", "G2:4", "G:major:4").kinds()["third missing"] == 1


# -- pulse -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time", "music", "exempt"),
    [
        ("6/8", ("E5:1 D5:1 C5:1 | C5:3", "C4:1 E4:1 C4:1 | C4:3", "C3:3 | C3:3", "C:major:3 | C:major:3"), 1),
        ("6/8", ("E5:1 D5:1/2 C5:3/2 | C5:3", "C4:1 E4:1 C4:1 | C4:3", "C3:3 | C3:3", "C:major:3 | C:major:3"), 0),
        ("3/4", (
            "E5:2 D5:1 | r:1 C5:2 | C5:3", "C4:1 E4:1 C4:1 | r:1 E4:1 C4:1 | C4:3", "C3:3 | r:3 | C3:3",
            "C:major:6 | | C:major:3",
        ), 1),
    ],
)  # fmt: skip
def test_the_beat_that_a_hemiola_crosses_is_exempt(time: str, music: tuple[str, ...], exempt: int) -> None:
    """R15: quarter notes against dotted ones, or halves over two bars; where the tune strikes the beat it is none."""
    found = count(*music, time=time)
    assert found.exempt["beat that a hemiola crosses"] == exempt
    assert found.kinds()["beat not struck"] == (0 if exempt else 1)


def test_a_beat_that_only_the_tune_strikes_is_missed() -> None:
    found = count("E5:1 D5:1 E5:1 F5:1 | E5:4", "G3+C4:2 E4:1 D4:1 | C4:4", "C3:4 | C3:4", "C:major:4 | C:major:4")
    assert [fault.place for fault in found.faults if fault.kind == "beat not struck"] == [
        "Verse 1, bar 1, 1 quarters in"
    ]
    assert (found.beats, found.struck) == (5, 4)


def test_beats_after_a_lines_last_chord_are_exempt_and_counted() -> None:
    """A chord of two beats ends the line: its second beat is struck by nobody."""
    found = count("E5:1 D5:1 C5:2'", "G3+C4:1 G3+B3:1 G3+C4:2", "C3:1 G2:1 C3:2", "C:major:1 G:major:1 C:major:2")
    assert found.beats == found.struck == 3
    assert found.exempt["beat after the line's last chord"] == 1
    assert measure(section_of(*CLEAN), moving=False).beats == 0


def test_a_compound_bar_has_dotted_beats() -> None:
    """6/8: the figure strikes quavers 1 and 3 only; the second beat, quaver 4, is missed."""
    found = count("E5:3/2 D5:3/2 | C5:3", "C4:1 E4:2 | C4:3", "C3:3 | C3:3", "C:major:3 | C:major:3", time="6/8")
    assert (found.beats, found.struck) == (3, 2)


# -- single tones ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "page"),
    [
        ("leading note twice", ("B4:4", "B3+F4:4", "G2:4", "G:dominant:4")),
        ("leading note twice", ("D5:2 E5:2", "B3+G4:2 C4+G4:2", "B2:2 C3:2", "G:major:2 C:major:2")),
        ("seventh twice", ("F5:4", "B3+F4:4", "G2:4", "G:dominant:4")),
        ("semitone under the tune", ("C5:2 B4:2", "G3:1 B3:1 D4:2", "G2:4", "G:major:4")),
        ("resolution under the tune", ("A4:2 A4:1 G4:1", "A3+F4:2 G3:1 E4:1", "F3:2 C3:2", "F:major:2 C:major:2")),
        ("tonic in the dominant", ("G5:4", "B3+F4:2 B3+C4:2", "G2:4", "G:dominant:4")),
        ("low interval", ("G5:4", "C3+E3:4", "C2:4", "C:major:4")),
    ],
)
def test_a_planted_fault_of_single_tones_is_seen(kind: str, page: tuple[str, str, str, str]) -> None:
    """R1, R2, R5, R6, and a third whose lower note lies under its limit."""
    page = page if kind != "low interval" else (page[0], "A2+C3:4", page[2], "A:minor:4")
    assert kind in count(*page).kinds()


@pytest.mark.parametrize(
    ("kind", "page"),
    [
        ("leading note twice", ("B4:4", "D4+F4:4", "G2:4", "G:dominant:4")),
        ("leading note twice", ("E5:4", "E3+G3:4", "C3:4", "C:major:4")),
        ("leading note twice", ("D5:2 D5:2", "B3+G4:2 A3+F#4:2", "B2:2 D3:2", "G:major:2 D:major:2")),
        ("semitone under the tune", ("G#4:2 A4:2", "B3+D4:4", "G2:4", "G:major:4")),
        ("semitone under the tune", ("C5:2 B4:2", "G3:1 D4:1 B3:2", "G2:4", "G:major:4")),
        ("resolution under the tune", ("A4:2 A4:1 G4:1", "A3+F4:2 G3:1 E4:1", "F3:2 C3:2", "F:major:2 A:minor:2")),
        ("leading note twice", ("F5:4", "F4+Ab4:4", "Db3:4", "Db:major:4")),
        ("tonic in the dominant", ("G5:4", "B3+F4:2 C4+F4:2", "G2:4", "G:dominant:2 C:major:2")),
        ("low interval", ("G5:4", "C3+E4:4", "C2:4", "C:major:4")),
    ],
)
def test_what_is_no_fault_of_single_tones(kind: str, page: tuple[str, str, str, str]) -> None:
    """Once; not the key's; gone elsewhere; the tune moves; no suspension; D flat major; another chord; wide."""
    assert kind not in count(*page).kinds()


def test_a_chord_that_leads_by_another_tone_has_no_leading_note_of_the_key() -> None:
    """E flat: the D of B diminished before C minor is none; D flat major is no seventh chord at all."""
    assert "leading note twice" not in count("F5:2 E5:2", "D4+F4:2 C4+G4:2", "D3:2 C3:2",
                                             "B:diminished:2 C:minor:2", fifths=-3).kinds()  # fmt: skip
    assert "leading note twice" in count("F5:2 E5:2", "D4+F4:2 E4+G4:2", "D3:2 C3:2",
                                         "B:minor:2 C:minor:2", fifths=-3).kinds()  # fmt: skip
    flat = Chord(Fraction(0), Fraction(1), root=1, third=5, seventh=-1, asked=-1, tones=frozenset({1, 5, 8}))
    assert not flat.is_dominant_seventh


def test_a_low_interval_over_a_printed_bass_is_told_apart() -> None:
    """A third on A2 is one too low; a fifth, a seventh and the third above E3 are not."""
    assert count("G5:4", "E3+G3:4", "A2:4", "A:minor:4").kinds()["low interval"] == 0
    assert count("G5:4", "C3+G3:4", "A2:4", "A:minor:4").kinds()["low interval"] == 1
    told = count("G5:4", "C3+G3:4", "A2:4", "A:minor:4", printed_bass=True).kinds()
    assert (told["low interval"], told["low interval over a printed bass"]) == (0, 1)


def test_low_intervals_are_judged_where_they_sound() -> None:
    """A2 in the feet under G3 is clear; with the hand's division an octave lower they are a second, G2 and A2."""
    page = section_of("C4+E4:4", "G3:4", "A2:4", "A:minor:4")
    parts = {("feet", Fraction(0), 45): ("tune",), ("left", Fraction(0), 55): ("bass",)}
    parts |= {("right", Fraction(0), midi): ("figure",) for midi in (60, 64)}
    assert measure(page, parts).kinds()["low interval"] == 0
    assert measure(page, parts, sounds={"bass": (-12,)}).kinds()["low interval"] == 1  # G2 A2


def test_two_printed_parts_may_double_what_they_like() -> None:
    """Soprano B4 and tenor B3 over a printed bass: the print's own, counted among what is exempt."""
    page = section_of("B4:4", "B3:4", "G2:4", "G:dominant:4")
    parts = {("left", Fraction(0), 59): ("tenor",)}
    found = measure(page, parts, printed_bass=True)
    assert found.kinds()["leading note twice"] == 0
    assert found.exempt["leading note twice in the print"] == 1


def test_a_bass_that_the_symbol_asks_for_may_double_the_tune() -> None:
    """G7/B under B is the symbol's own; another B in the hand is one too many, and so is a bass B not asked for."""
    asked = count("B4:4", "D4+F4:4", "B2:4", "G/B:dominant:4")
    assert asked.kinds()["leading note twice"] == 0
    assert asked.exempt["leading note twice in the print"] == 1
    assert count("B4:4", "B3+F4:4", "B2:4", "G/B:dominant:4").kinds()["leading note twice"] == 1
    assert count("B4:4", "D4+F4:4", "B2:4", "G:dominant:4").kinds()["leading note twice"] == 1


def test_a_descant_has_the_prints_tones_in_new_company() -> None:
    """The tenor's B above the tune's is the print's; its fifths with the alto, fourths in print, are not."""
    parts = {("left", Fraction(start), midi): ("alto",) for start, midi in ((0, 67), (2, 65))}
    parts |= {("right", Fraction(start), midi): ("descant",) for start, midi in ((0, 74), (2, 72))}
    page = section_of("D5:2 C5:2", "G4:2 F4:2", "G2:2 A2:2", "G:major:2 F:major:2")
    found = measure(page, parts, printed_bass=True, single=True)
    assert found.pair_faults == {"parallel, alto and descant": 1}
    doubled = section_of("B5:4", "B4:4", "G2:4", "G:dominant:4")
    parts = {("left", Fraction(0), 71): ("tune",), ("right", Fraction(0), 83): ("descant",)}
    assert "leading note twice" not in measure(doubled, parts, printed_bass=True, single=True).kinds()


def test_voices_are_judged_where_they_sound() -> None:
    """Feet on C4 and D4 under G4 and A4: fifths at 8', fourths over the hand at 4'."""
    parts = {("feet", Fraction(start), midi): ("tune",) for start, midi in ((0, 60), (2, 62))}
    parts |= {("right", Fraction(start), midi): ("figure",) for start, midi in ((0, 67), (2, 69))}
    page = section_of("G4:2 A4:2", "r:4", "C4:2 D4:2", "C:major:2 D:minor:2")
    assert measure(page, parts).pair_faults["parallel, tune and lowest"] == 1
    assert measure(page, parts, sounds={"tune": (12,)}).pair_faults["parallel, tune and lowest"] == 0


@pytest.mark.parametrize(("left", "lost"), [("C4+G3:1 B3+G3:1", 0), ("D4+G3:1 B3+G3:1", 1)])
def test_a_printed_suspension_must_sound_in_the_figure(left: str, lost: int) -> None:
    """Alto C4 held from C into G, falling to B: the figure has the C, or has lost it."""
    page = section_of("E5:2 D5:2", f"C4+G3:2 {left}", "C3:2 G2:2", "C:major:2 G:major:2")
    alto = ((Fraction(0), Fraction(3), 60), (Fraction(3), Fraction(1), 59))
    found = lost_suspensions(page, None, {"alto": alto, "tenor": ()})
    assert found.kinds()["suspension lost"] == lost
    assert found.exempt["printed inner suspension carried in"] == 1 - lost


def test_a_suspension_that_the_tune_joins_is_exempt() -> None:
    """Alto C4 over G while the tune comes down to C4 itself: no hand can have that key, and it sounds."""
    page = section_of("E4:2 D4:1/2 C4:1/2 D4:1", "C4+G3:2 G3:1 B3+G3:1", "C3:2 G2:2", "C:major:2 G:major:2")
    alto = ((Fraction(0), Fraction(3), 60), (Fraction(3), Fraction(1), 59))
    found = lost_suspensions(page, None, {"alto": alto, "tenor": ()})
    assert not found.kinds()["suspension lost"]
    assert found.exempt["printed inner suspension that the tune joins"] == 1


# -- units -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time", "chords", "starts"),
    [
        ("4/4", "C:major:4", [0, 2]),
        ("4/4", "C:major:1 G:major:3", [0, 1, 2]),
        ("4/4", "C:major:3/2 G:major:5/2", [0, 1, 2]),
        ("3/4", "C:major:3", [0]),
        ("3/4", "C:major:2 G:major:1", [0, 2]),
        ("6/8", "C:major:3", [0]),
    ],
)
def test_units_begin_where_the_figure_does(time: str, chords: str, starts: list[int]) -> None:
    """On beats with a new chord, on a beat with a change inside and the next, every two beats or triple bar."""
    notes = {"4/4": "C5:4", "3/4": "C5:3", "6/8": "C5:3"}[time]
    page = section_of(notes, notes, notes.replace("5", "3"), chords, time=time)
    tune = [key for key in page.keys if key.is_tune]
    assert [unit.start for unit in units_of(page, chords_of(page), line_starts(page, tune))] == starts
