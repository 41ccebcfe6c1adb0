"""The exchange file: valid, as written by hand, and read back whole by an outside witness (music21)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import music21
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from lxml import etree

from invented import EVERYTHING, arrangement_of, bars_of, four_parts, line_of, section_of, two_verses, words_of
from undersong.errors import CannotWrite
from undersong.model.accompaniment import Accompaniment, Limb, PlacedChord, PlayedNote, Word
from undersong.model.chord import Chord
from undersong.model.pitch import Key, Pitch, PitchName
from undersong.model.time import Time
from undersong.writing import notation
from undersong.writing.exchange import exchange_file
from undersong.writing.notation import key_alter, left_clef, split, system_starts, write_out
from xsd import faults

GOLDEN = Path(__file__).parent / "golden" / "two-verses.musicxml"
ALL = arrangement_of(*EVERYTHING)


def parsed(data: bytes) -> Any:
    return etree.fromstring(data, etree.XMLParser(no_network=True, load_dtd=False, remove_comments=True))


# -- the schema and the golden file --


def test_every_section_is_valid_musicxml() -> None:
    """Five invented sections in one file pass the schema of the W3C (MusicXML 4.0)."""
    assert faults(exchange_file(ALL)) == []


def test_a_spoilt_file_is_refused_by_the_schema() -> None:
    """The check can fail: a stem before the voice, and a note type that does not exist."""
    spoilt = exchange_file(ALL).replace(b"<type>quarter</type>", b"<type>crotchet</type>", 1)
    assert any("'crotchet'" in fault and "enumeration" in fault for fault in faults(spoilt))
    moved = exchange_file(ALL).replace(b"<voice>1</voice>", b"<stem>up</stem><voice>1</voice>", 1)
    assert any("'voice': This element is not expected" in fault for fault in faults(moved))


def canonical(element: Any) -> tuple[object, ...]:
    text = "Undersong" if element.tag == "software" else (element.text or "").strip()
    return (element.tag, dict(element.attrib), text, [canonical(child) for child in element])


def test_golden_file() -> None:
    """Two verses come out as they were written by hand."""
    golden = GOLDEN.read_bytes()
    assert faults(golden) == []
    made = parsed(exchange_file(arrangement_of(*two_verses())))
    wanted = parsed(golden)
    for ours, theirs in zip(made.iter(), wanted.iter(), strict=False):
        assert canonical(ours)[:3] == canonical(theirs)[:3], f"line {theirs.sourceline} of the golden file"
    assert canonical(made) == canonical(wanted)


def test_same_bytes_again() -> None:
    """Nothing random and no date."""
    assert exchange_file(ALL) == exchange_file(arrangement_of(*EVERYTHING))


def test_a_choice_of_sections() -> None:
    """Only the verses asked for are written, each as in the whole file."""
    names = [mark.text for mark in parsed(exchange_file(ALL, EVERYTHING[1:3])).iter("rehearsal")]
    assert names == ["Verse 2", "Verse 3"]


def test_strange_titles() -> None:
    """Signs that XML uses itself, and one it forbids."""
    arrangement = replace(ALL, title="Up & <down>\x0b \N{MUSICAL SYMBOL G CLEF}")
    assert parsed(exchange_file(arrangement)).findtext("work/work-title") == "Up & <down> \N{MUSICAL SYMBOL G CLEF}"


# -- round trip with music21 --


@pytest.fixture(scope="module")
def witness() -> Any:
    """The file of all sections as music21 reads it."""
    import music21  # noqa: PLC0415  # slow to import

    return music21.converter.parseData(exchange_file(ALL), format="musicxml")


def offsets() -> dict[str, Fraction]:
    starts, start = {}, Fraction(0)
    for section in EVERYTHING:
        starts[section.id] = start
        start += section.length
    return starts


Merged = Counter[tuple[Fraction, Fraction, int]]


def merged(notes: list[tuple[Fraction, Fraction, int, bool, bool]]) -> Merged:
    """Ties merged: start, end, key, tie from before, tie onwards."""
    ready: Merged = Counter()
    waiting: dict[tuple[Fraction, int], list[Fraction]] = defaultdict(list)
    for start, end, number, tie_from, tie_to in sorted(notes):
        begun = waiting[start, number].pop() if tie_from and waiting[start, number] else start
        if tie_to:
            waiting[end, number].append(begun)
        else:
            ready[begun, end, number] += 1
    assert not any(waiting.values()), "a tie leads nowhere"
    return ready


def expected(staff: int, *, unisons: bool = True) -> Merged:
    notes, starts = [], offsets()
    for section in EVERYTHING:
        for note in section.notes:
            if notation.STAFF[note.limb] == staff:
                place = starts[section.id] + note.start
                from_before, onwards = note.tie in ("stop", "both"), note.tie in ("start", "both")
                entry = (place, place + note.length, note.pitch.midi, from_before, onwards)
                notes += [entry] * (2 if note.shared and unisons else 1)
    return merged(notes)


def found_by(part: Any) -> Merged:
    notes = []
    for one in part.flatten().notes:
        if "Harmony" in one.classes:
            continue
        for tone in one.notes if one.isChord else [one]:
            start = Fraction(one.offset).limit_denominator(96)
            length = Fraction(one.quarterLength).limit_denominator(96)
            tie = tone.tie.type if tone.tie else ""
            notes.append(
                (start, start + length, tone.pitch.midi, tie in ("stop", "continue"), tie in ("start", "continue"))
            )
    return merged(notes)


@pytest.mark.parametrize("staff", [0, 1, 2], ids=notation.STAFF_NAMES)
def test_notes_read_back(witness: Any, staff: int) -> None:
    """Every staff has its notes with start, length and key; the unison reads back as two equal notes."""
    assert found_by(witness.parts[staff]) == expected(staff)


def test_bars_read_back(witness: Any) -> None:
    """Bars have their lengths, pickups and short last bars included."""
    starts = offsets()
    wanted = [starts[section.id] + bar.start for section in EVERYTHING for bar in section.bars]
    for part in witness.parts:
        assert [Fraction(bar.offset) for bar in part.getElementsByClass("Measure")] == wanted


def test_words_read_back(witness: Any) -> None:
    """Syllables stand under the tune notes they belong to, and under nothing else."""
    starts = offsets()
    wanted = [
        (starts[section.id] + word.start, word.text, word.hyphen) for section in EVERYTHING for word in section.words
    ]
    read = [
        (Fraction(note.offset).limit_denominator(96), lyric.text, lyric.syllabic)
        for note in witness.parts[0].flatten().notes
        for lyric in note.lyrics
    ]
    assert read == wanted
    assert not any(note.lyrics for part in witness.parts[1:] for note in part.flatten().notes)


def test_chord_symbols_read_back(witness: Any) -> None:
    """Root, kind, bass, added degree and place of every symbol; "no chord" where it stands."""
    starts = offsets()
    wanted: list[tuple[object, ...]] = []
    for section in EVERYTHING:
        for placed in section.chords:
            chord, place = placed.chord, starts[section.id] + placed.start
            if chord.root is None:
                wanted.append((place, "none", "", "", []))
            else:
                degrees = [(one.value, one.alter, one.type) for one in chord.degrees]
                wanted.append((place, chord.kind, str(chord.root), str(chord.bass or chord.root), degrees))
    read: list[tuple[object, ...]] = []
    for symbol in witness.parts[0].flatten().getElementsByClass("Harmony"):
        place = Fraction(symbol.offset).limit_denominator(96)
        if "NoChord" in symbol.classes:
            read.append((place, "none", "", "", []))
            continue
        degrees = [(one.degree, int(one.interval.semitones), one.modType) for one in symbol.chordStepModifications]
        names = [symbol.root().name.replace("-", "b"), symbol.bass().name.replace("-", "b")]
        kind = symbol.chordKind.replace("dominant-seventh", "dominant")  # the witness's own word
        read.append((place, kind, names[0], names[1], degrees))
    assert read == wanted


def test_key_and_time_read_back(witness: Any) -> None:
    """Each section says its key and time again, the same or not."""
    keys = [(one.sharps, one.mode) for one in witness.parts[0].flatten().getElementsByClass("Key")]
    assert keys == [(section.key.fifths, section.key.mode) for section in EVERYTHING]
    times = [one.ratioString for one in witness.parts[2].flatten().getElementsByClass("TimeSignature")]
    assert times == [str(section.bars[0].time) for section in EVERYTHING]


# -- names, voices, marks --


def test_every_note_bears_its_name() -> None:
    """Each played note's id stands in the file once; further pieces and second heads have names of their own."""
    names = [note.get("id") for note in parsed(exchange_file(ALL)).iter("note") if note.find("pitch") is not None]
    assert len(names) == len(set(names))
    assert {note.id for section in EVERYTHING for note in section.notes} <= set(names)
    assert {"verse-1.tune.10.u", "verse-3.tune.13_2.2"} <= set(names)


def test_notes_with_one_name_are_refused() -> None:
    """The same verse twice would name two notes alike."""
    with pytest.raises(CannotWrite, match=r"Verse 1, bar 0: two notes are named verse-1\.tune\.0"):
        exchange_file(ALL, [EVERYTHING[0], EVERYTHING[0]])


def test_nothing_to_write() -> None:
    """An arrangement without sections has no file."""
    with pytest.raises(CannotWrite, match="no section to write"):
        exchange_file(ALL, [])


def test_a_length_without_a_value_names_its_place() -> None:
    """An eleventh of a crotchet cannot be written."""
    bars = bars_of("3/4", "C major", ["3"])
    section = section_of("odd", bars, {"tune": "C5:1 D5:1/11 E5:21/11"})
    with pytest.raises(CannotWrite, match=r"bar 1, beat 2, tune: a length of 1/11"):
        exchange_file(arrangement_of(section))


def test_a_note_over_the_bar_line_is_refused() -> None:
    """Law of the model: what sounds on is tied."""
    section = four_parts()
    long = replace(section.notes[0], length=Fraction(2))
    with pytest.raises(CannotWrite, match="does not lie inside its bar"):
        exchange_file(arrangement_of(replace(section, notes=(long,))))


def test_a_pitch_without_accidental_is_refused() -> None:
    """Four sharps before a note are no notation."""
    section = four_parts()
    sharp = replace(section.notes[0], pitch=Pitch("F", 4, 4))
    with pytest.raises(CannotWrite, match="bar 0, beat 3, tune: F####4 has no accidental"):
        exchange_file(arrangement_of(replace(section, notes=(sharp,))))


def test_free_time() -> None:
    """A bar without time signature: five crotchets and a half, valid, and its silent hand rests for the whole bar."""
    bars = bars_of("free", "F major", ["11/2", "4"])
    data = exchange_file(arrangement_of(section_of("free", bars, {"tune": "F4:1 G4:1/2 A4:2 Bb4:2 A4:4"})))
    assert faults(data) == []
    score = parsed(data)
    assert len(list(score.iter("senza-misura"))) == 2
    assert [rest.get("measure") for rest in score.iter("rest")] == ["yes"] * 4


def voices_of(section: Accompaniment, bar: int, staff: int) -> list[str]:
    """`up C4 D4 rest` for each voice."""
    lines = []
    for voice in write_out(section).bars[bar].staves[staff]:
        stems = {piece.stem for piece in voice.pieces if piece.heads}
        names = [
            "+".join(str(head.note.pitch) for head in piece.heads) or ("rest" if piece.visible else "-")
            for piece in voice.pieces
        ]
        lines.append(" ".join(["/".join(sorted(stems)) or "none", *names]))
    return lines


def test_tune_and_alto_share_a_staff() -> None:
    """The tune's stems go up and the alto's down; in unison the key has both."""
    section = four_parts()
    assert voices_of(section, 1, 0) == ["up F#4 G4 A4", "down D4 C#4 D4"]
    assert voices_of(section, 4, 0) == ["up D4", "down D4"]


def test_held_key_under_a_figure() -> None:
    """Left hand: B3 D4 G4 D4 ... over a held G3 in a second voice; alone, the figure has natural stems."""
    broken = EVERYTHING[1]
    first, second = voices_of(broken, 0, 1)
    assert first == "up B3 D4 G4 D4 B3 D4 G4 D4"
    assert second == "none G3"
    assert len(voices_of(broken, 1, 1)) == 1


def test_rests_that_only_fill_are_hidden() -> None:
    """An upper left-hand part that enters late: no rest over the notes of the other, one where neither sounds."""
    bars = bars_of("4/4", "C major", ["4", "4"])
    section = section_of(
        "late", bars, {"figure": "r:2 E4:1/2 D4:1/2 C4:1 r:2 E4:1 D4:1", "tenor": "G3:2 F3:2 G3:1 r:1 F3:2"}
    )
    assert voices_of(section, 0, 1) == ["up - E4 D4 C4", "down G3 F3"]
    assert voices_of(section, 1, 1) == ["up - rest E4 D4", "down G3 - F3"]


def test_a_tune_keeps_its_rests() -> None:
    """The tune rests over a sounding alto: singers' silence is seen."""
    bars = bars_of("4/4", "C major", ["4"])
    section = section_of("rest", bars, {"tune": "C5:2 r:1 D5:1", "alto": "E4:4"})
    assert voices_of(section, 0, 0) == ["up C5 rest D5", "none E4"]


def test_no_head_on_a_dot() -> None:
    """A suspended A flat beside a dotted B flat: tied chords, with no dot between the heads; a third apart stays so."""
    bars = bars_of("3/4", "Eb major", ["3"])
    section = section_of("dot", bars, {"figure": "Bb3:3", "tenor": "Ab3:1 G3:2"})
    assert voices_of(section, 0, 1) == ["down Ab3+Bb3 G3+Bb3"]
    assert faults(exchange_file(arrangement_of(section))) == []
    apart = section_of("apart", bars, {"figure": "Bb3:3", "tenor": "G3:1 F3:2"})
    assert voices_of(apart, 0, 1) == ["up Bb3", "down G3 F3"]


def test_left_hand_chords_in_one_voice() -> None:
    """Two parts that move together are chords; where they part, each has its voice; a silent part leaves a gap."""
    bars = bars_of("3/4", "C major", ["3", "3"])
    section = section_of("hands", bars, {"figure": "C4:1 D4:1 E4:1 C4:1 D4:2", "tenor": "E3:1 F3:1 G3:1 r:2 E3:1"})
    assert voices_of(section, 0, 1) == ["down E3+C4 F3+D4 G3+E4"]
    assert voices_of(section, 1, 1) == ["up C4 D4", "down - - E3"]


def test_two_parts_under_the_tune() -> None:
    """Alto and a tenor given to the right hand: one chord where they move together, apart where they do not."""
    bars = bars_of("3/4", "C major", ["3"])
    section = section_of("three", bars, {"tune": "C5:1 D5:1 E5:1", "alto": "E4:1 F4:1/2 D4:1/2 E4:1"})
    tenor = line_of("three", "tenor", "C4:1 D4:1 C4:1", bars, limb="right hand")
    section = replace(section, notes=(*section.notes, *tenor))
    assert voices_of(section, 0, 0) == ["up C5 D5 E5", "down C4+E4 F4 D4 C4+E4", "down - D4 -"]


@pytest.mark.parametrize(
    ("parts", "found"),
    [
        ("G3:3 C#4:3/2,r:3/2 E4:3", ["down G3+C#4+E4 G3+E4"]),  # the middle key is left
        ("F#3:3/2,r:3/2 C4:3 D4:3", ["down F#3+C4+D4 C4+D4"]),  # the lowest
        ("F#3:3/2,r:3/2 C4:3 D4:5/2,r:1/2", ["down F#3+C4+D4 C4+D4 C4"]),  # one after the other
        ("G3:3 E4:3/2,F4:3/2", ["up E4 F4", "down G3"]),  # a voice moves over a held key: two voices
        ("G3:3 r:3/2,F4:3/2", ["up - F4", "down G3"]),  # struck later: no chord
    ],
)
def test_a_chord_that_is_left_early_by_one_of_its_keys(parts: str, found: list[str]) -> None:
    """Block chords give way where the tune dips: tied chords show it, a black head among white ones does not."""
    bars = bars_of("6/8", "D major", ["3"])
    section = section_of("v", bars, {"tune": "A5:3"})
    music = [line_of("v", "figure", line.replace(",", " "), bars) for line in parts.split(" ")]
    notes = [replace(note, id=f"v.figure.{place}.{note.id}") for place, line in enumerate(music) for note in line]
    section = replace(section, notes=(*section.notes, *notes))
    assert voices_of(section, 0, 1) == found
    (bar,) = write_out(section).bars
    pieces = [piece for voice in bar.staves[1] for piece in voice.pieces]
    for note in notes:  # every key sounds as long as it did, tied throughout
        heads = [(piece, head) for piece in pieces for head in piece.heads if head.note is note]
        assert sum(piece.length for piece, _ in heads) == note.length
        assert [head.tie_from for _, head in heads] == [False] + [True] * (len(heads) - 1)
        assert [head.tie_to for _, head in heads] == [True] * (len(heads) - 1) + [False]
        assert not any(head.tie_to for piece, head in heads if piece.end == note.end)


def test_a_remark_stands_once_in_a_row() -> None:
    """Three alto notes "changed here", then one that is not, then one that is: said twice."""
    section = four_parts()
    alto = [note for note in section.notes if note.part == "alto"]
    changed = {note.id for index, note in enumerate(alto) if index in (0, 1, 2, 4)}
    notes = tuple(replace(note, mark="changed here") if note.id in changed else note for note in section.notes)
    score = parsed(exchange_file(arrangement_of(replace(section, notes=notes))))
    assert [words.text for words in score.iter("words")].count("changed here") == 2


def test_too_many_voices_become_tied_chords() -> None:
    """Four keys that begin and end apart: cut wherever one of them changes."""
    bars = bars_of("4/4", "C major", ["4"])
    music = {"figure": "C3:4", "tenor": "r:1/2 E3:7/2", "alto": "r:1 G3:3", "descant": "r:3/2 C4:5/2"}
    section = section_of("many", bars, {})
    notes = [
        note
        for part, text in music.items()
        for note in section_of("many", bars, {"figure": text}).notes
        for note in [replace(note, part=part, id=f"many.{part}.{note.start.numerator}")]
    ]
    section = replace(section, notes=tuple(notes))
    (voice,) = write_out(section).bars[0].staves[1]
    assert [len(piece.heads) for piece in voice.pieces] == [1, 2, 3, 4, 4]
    assert faults(exchange_file(arrangement_of(section))) == []


def test_words_between_notes_are_not_lost() -> None:
    """Two syllables on one note are joined by an elision."""
    section = four_parts()
    words = (*section.words[:2], Word(Fraction(3, 2), "O"), *section.words[2:])
    score = parsed(exchange_file(arrangement_of(replace(section, words=words))))
    texts = [[one.text for one in lyric.iter("text")] for lyric in score.iter("lyric")]
    assert texts[1] == ["all", "O"]


def test_marks_fingers_and_feet() -> None:
    """A changed note says so, the hand has its finger, the foot its toe above (right) the staff."""
    section = four_parts()
    notes = list(section.notes)
    notes[0] = replace(notes[0], mark="changed here", finger="5")
    bass = next(index for index, note in enumerate(notes) if note.part == "bass")
    notes[bass] = replace(notes[bass], limb="right foot", finger="toe")
    score = parsed(exchange_file(arrangement_of(replace(section, notes=tuple(notes)))))
    assert "changed here" in [words.text for words in score.iter("words")]
    assert [finger.text for finger in score.iter("fingering")] == ["5"]
    assert [toe.get("placement") for toe in score.iter("toe")] == ["above"]


# -- values --


@pytest.mark.parametrize(
    ("time", "start", "length", "values"),
    [
        ("4/4", "0", "5/2", "2 1/2"),
        ("4/4", "1", "5/2", "1 3/2"),
        ("4/4", "1", "3/2", "3/2"),
        ("4/4", "0", "4", "4"),
        ("4/4", "1/2", "1", "1"),
        ("4/4", "3/2", "1", "1/2 1/2"),
        ("4/4", "0", "7/2", "2 3/2"),
        ("3/4", "1/2", "5/2", "1/2 2"),
        ("6/8", "0", "2", "3/2 1/2"),
        ("6/8", "0", "5/2", "3/2 1"),
        ("6/8", "1", "1", "1/2 1/2"),
        ("6/8", "0", "3", "3"),
        ("9/8", "0", "9/2", "3 3/2"),
        ("4/4", "0", "2/3", "2/3"),
        ("4/4", "1/3", "1", "2/3 1/3"),
        ("4/4", "2/3", "2/3", "2/3"),
        ("4/4", "1/3", "8/3", "2/3 2"),
        ("2/2", "1", "3/2", "3/2"),
    ],
)
def test_lengths_are_tied_where_the_beat_shows(time: str, start: str, length: str, values: str) -> None:
    """Common practice, no source: fewest values, tied at the middle of the bar or on a beat."""
    assert split(Fraction(start), Fraction(length), Time.parse(time)) == tuple(map(Fraction, values.split()))


@pytest.mark.parametrize(
    ("time", "start", "length", "values"),
    [
        ("4/4", "1", "3", "1 2"),
        ("3/4", "1", "2", "1 1"),
        ("6/8", "1/2", "5/2", "1 3/2"),
        ("4/4", "1/2", "3/2", "1/2 1"),
        ("2/4", "1/3", "5/3", "2/3 1"),
    ],
)
def test_rests_never_hide_a_beat(time: str, start: str, length: str, values: str) -> None:
    """Common practice, no source: no dotted rests in simple time, no half rest in 3/4."""
    assert split(Fraction(start), Fraction(length), Time.parse(time), rest=True) == tuple(map(Fraction, values.split()))


TIMES = ("2/4", "3/4", "4/4", "2/2", "3/2", "6/8", "9/8", "12/8", "5/4", "3/8", "7/8", "6/4")


@given(some.sampled_from(TIMES), some.sampled_from((3, 4, 8)), some.data())
def test_values_fill_their_length(time: str, grid: int, data: some.DataObject) -> None:
    """Any length on the grid of semiquavers or triplets is written whole, in values that MusicXML knows."""
    signature = Time.parse(time)
    steps = int(signature.bar_length * grid)
    start = data.draw(some.integers(0, steps - 1))
    length = data.draw(some.integers(1, steps - start))
    for rest in (False, True):
        values = split(Fraction(start, grid), Fraction(length, grid), signature, rest=rest)
        assert sum(values) == Fraction(length, grid)
        assert len(values) <= 8


# -- beams --


def beams_of(section: Accompaniment, bar: int, staff: int) -> str:
    signs = {"begin": "(", "continue": "-", "end": ")", "forward hook": ">", "backward hook": "<"}
    voice = write_out(section).bars[bar].staves[staff][0]
    return " ".join("".join(signs[beam] for beam in piece.beams) or "." for piece in voice.pieces)


@pytest.mark.parametrize(
    ("time", "music", "beams"),
    [
        ("4/4", "C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1 A5:1", "( ) ( ) . ."),
        ("6/8", "C5:1/2 D5:1/2 E5:1/2 F5:1 G5:1/2", "( - ) . ."),
        ("2/4", "C5:3/4 D5:1/4 E5:1/4 F5:1/2 G5:1/4", "( )< (> - )<"),
        ("2/4", "C5:1/4 D5:1/4 E5:1/2 F5:1/2 r:1/2", "(( -) ) . ."),
        ("2/2", "C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:2", "( - - ) ."),
        ("3/8", "C5:1/2 D5:1/2 E5:1/2", "( - )"),
        ("5/8", "C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1/2", "( ) ( - )"),
    ],
)
def test_beams_show_the_beat(time: str, music: str, beams: str) -> None:
    """Quavers and semiquavers of one beat under one beam, hooks towards their neighbours; rests break it."""
    bars = bars_of(time, "C major", [str(Time.parse(time).bar_length)])
    assert beams_of(section_of("beams", bars, {"tune": music}), 0, 0) == beams


# -- accidentals --


def read_from_the_page(section: Accompaniment) -> Iterator[tuple[str, int, int]]:
    """Name, pitch as a reader makes it out from signature and accidentals, and pitch meant."""
    alters = {"natural": 0, "sharp": 1, "flat": -1, "double-sharp": 2, "flat-flat": -2}
    tied: dict[tuple[int, int], int] = {}
    for bar in write_out(section).bars:
        standing: dict[tuple[int, int], int] = {}
        heads = sorted(
            (
                (piece.start, staff, voice.number, index, head)
                for staff, voices in enumerate(bar.staves)
                for voice in voices
                for piece in voice.pieces
                for index, head in enumerate(piece.heads)
            ),
            key=lambda one: one[:4],
        )
        for start, staff, _, _, head in heads:
            pitch = head.note.pitch
            place = (staff, pitch.diatonic)
            if head.accidental:
                standing[place] = alters[head.accidental]
            alter = standing.get(place, key_alter(bar.bar.key, pitch.step))
            if head.tie_from and not head.accidental:
                alter = tied[place] if start == bar.bar.start else tied.get(place, alter)
            tied[place] = alter
            yield head.id, replace(pitch, alter=alter).midi, pitch.midi


def test_accidentals_say_what_is_meant() -> None:
    """Signature, accidentals to the bar line, ties over it: a reader makes out every pitch."""
    for section in EVERYTHING:
        for name, read, meant in read_from_the_page(section):
            assert read == meant, name


def accidentals_of(section: Accompaniment) -> dict[str, tuple[str, bool]]:
    return {
        head.id: (head.accidental, head.courtesy)
        for bar in write_out(section).bars
        for staff in bar.staves
        for voice in staff
        for piece in voice.pieces
        for head in piece.heads
        if head.accidental
    }


def test_courtesy_accidentals() -> None:
    """D flat major: G natural in bar 2 is taken back in bar 3 by a courtesy, once, and across the hands (P4)."""
    marks = accidentals_of(EVERYTHING[3])
    assert marks["verse-4.tune.6"] == ("natural", False)
    assert marks["verse-4.tune.8"] == ("flat", True)
    assert marks["verse-4.tenor.8"] == ("natural", False)
    assert marks["verse-4.tenor.9"] == ("flat", False)
    crossed = accidentals_of(EVERYTHING[1])
    assert crossed["verse-2.tune.9"] == ("sharp", False)
    assert crossed["verse-2.tenor.12"] == ("natural", True)


def test_sharp_tied_over_the_bar_line() -> None:
    """F sharp tied into bar 2 needs no sign there, but struck again in bar 2 it does; in bar 3 F is a courtesy."""
    bars = bars_of("2/4", "C major", ["2", "2", "2"])
    section = section_of("tied", bars, {"tune": "E4:1 F#4:2 F#4:1 F4:2"})
    assert list(accidentals_of(section).values()) == [("sharp", False), ("sharp", False), ("natural", True)]


@pytest.mark.parametrize(("key", "step", "alter"), [("G major", "F", 1), ("F minor", "A", -1), ("C major", "B", 0),
                                                    ("Gb major", "C", -1), ("F# major", "E", 1)])  # fmt: skip
def test_signatures(key: str, step: str, alter: int) -> None:
    """Signatures as every theory book has them (from memory)."""
    assert key_alter(Key.parse(key), step) == alter


# -- clefs and systems --


def test_clef_of_the_left_hand() -> None:
    """Bass for B3 D4 with G3; treble for G4 and above; nothing at all: bass."""
    assert left_clef(EVERYTHING[2].notes) == "bass"
    high = section_of("high", bars_of("4/4", "C major", ["4"]), {"figure": "G4:1 C5:1 E5:1 G4:1"})
    assert left_clef(high.notes) == "treble"
    assert left_clef(()) == "bass"


LOW_BAR, HIGH_BAR = "C3:1 G3:1 E3:1 G3:1 ", "G4:1 C5:1 E5:1 C5:1 "


@pytest.mark.parametrize(
    ("music", "lines", "clefs"),
    [
        (LOW_BAR * 4 + HIGH_BAR * 4, "0 16", [("BassClef", 1, 0), ("TrebleClef", 5, 0)]),
        (LOW_BAR * 4 + HIGH_BAR + LOW_BAR * 3, "0 16", [("BassClef", 1, 0)]),
        (LOW_BAR * 4 + "C3:1 G3:1 E3:1 G4:1 " + HIGH_BAR * 3, "0 19", [("BassClef", 1, 0), ("TrebleClef", 5, 3)]),
        (LOW_BAR * 4 + "C3:1 G3:1 E3:1 r:1 " + HIGH_BAR * 3, "0 19", [("BassClef", 1, 0), ("TrebleClef", 6, 0)]),
        (LOW_BAR * 4 + "C3:1 G3:1 E3:2 " + HIGH_BAR * 3, "0 19", [("BassClef", 1, 0), ("TrebleClef", 6, 0)]),
        (HIGH_BAR * 4 + "r:16", "0 16", [("TrebleClef", 1, 0)]),
    ],
)  # fmt: skip
def test_the_clef_changes_line_by_line(music: str, lines: str, clefs: list[tuple[str, int, int]]) -> None:
    """Where a line begins and many ledger lines are saved (P4): class, bar and quarter by an outside reader."""
    bars = bars_of("4/4", "C major", ["4"] * 8)
    starts = [*lines.split(), "32"]
    section = section_of(
        "v", bars, {"tune": "C5:4 " * 8, "figure": music}, lines=list(pairwise(starts))
    )  # fmt: skip
    score: Any = music21.converter.parseData(exchange_file(arrangement_of(section)).decode(), format="musicxml")
    found = [
        (type(clef).__name__, clef.getContextByClass("Measure").number, clef.offset)
        for clef in score.parts[1].recurse().getElementsByClass("Clef")
    ]
    assert found == clefs


@pytest.mark.parametrize(
    ("bars", "lines", "systems"),
    [
        (16, "0 16 32 48", "0 4 8 12"),
        (16, "0 8 16 24 32 40 48 56", "0 4 8 12"),
        (16, "0 32", "0 4 8 12"),
        (6, "0", "0 3"),
        (10, "", "0 5"),
        (8, "0 15", "0 4"),
    ],
)
def test_systems_break_at_lines(bars: int, lines: str, systems: str) -> None:
    """4/4: a line of four bars is a system, two of two bars share one, eight are halved, an upbeat stays before."""
    placed = bars_of("4/4", "C major", ["4"] * bars)
    section = section_of(
        "lines", placed, {"tune": "C5:1 D5:1 E5:1 F5:1 " * bars}, lines=[(line, line) for line in lines.split()]
    )
    assert system_starts(section) == tuple(map(int, systems.split()))


# -- anything at all --


HANDS: tuple[tuple[Limb, str, int], ...] = (
    ("right hand", "tune", 1), ("right hand", "alto", 3), ("left hand", "figure", 6),
)  # fmt: skip


@some.composite
def any_section(draw: some.DrawFn) -> Accompaniment:
    """Two bars in some time and key, with chords that overlap as they like in both hands."""
    time = draw(some.sampled_from(TIMES))
    length = Time.parse(time).bar_length
    key = draw(some.sampled_from(("C major", "D minor", "Ab major", "E major", "Gb major", "F# minor")))
    bars = bars_of(time, key, [str(length), str(length)])
    grid = draw(some.sampled_from((2, 3, 4)))
    notes = list[PlayedNote]()
    for bar in bars:
        for limb, part, count in HANDS:
            for number in range(count):
                steps = int(bar.length * grid)
                begin = draw(some.integers(0, steps - 1))
                span = draw(some.integers(1, steps - begin))
                pitch = Pitch(draw(some.sampled_from("CDEFGAB")), draw(some.integers(-1, 1)), draw(some.integers(3, 4)))
                here = bar.start + Fraction(begin, grid)
                note = PlayedNote(
                    f"any.{bar.number}.{part}.{number}",
                    part,
                    here,
                    Fraction(span, grid),
                    pitch,
                    limb,
                    "Great",
                )
                clash = any(
                    pitch.midi == one.pitch.midi or pitch.diatonic == one.pitch.diatonic
                    for one in notes
                    if one.limb == limb and one.start < note.end and here < one.end
                )
                if not clash:
                    notes.append(note)
    section = section_of("any", bars, {})
    return replace(section, notes=tuple(notes))


@settings(max_examples=60, deadline=None)
@given(any_section())
def test_anything_is_written_whole(section: Accompaniment) -> None:
    """Whatever the hands hold, the file is valid, the voices fill their bars and every note reads back."""
    data = exchange_file(arrangement_of(section))
    assert faults(data) == []
    score = parsed(data)
    divisions = int(score.findtext(".//divisions"))
    notes: dict[str, list[tuple[Fraction, Fraction, int, bool, bool]]] = defaultdict(list)
    for part in score.iter("part"):
        place = Fraction(0)
        for bar, measure in zip(section.bars, part.iter("measure"), strict=True):
            place, latest = bar.start, bar.start
            for one in measure:
                duration = Fraction(int(one.findtext("duration", "0")), divisions)
                if one.tag == "backup":
                    place -= duration
                elif one.tag == "forward":
                    place += duration
                elif one.tag == "note":
                    if one.find("chord") is not None:
                        place -= duration
                    if one.find("pitch") is not None:
                        ties = {tie.get("type") for tie in one.iter("tie")}
                        name = f"{one.findtext('pitch/step')}{one.findtext('pitch/octave')}"
                        number = Pitch.parse(name).midi + int(one.findtext("pitch/alter", "0"))
                        entry = (place, place + duration, number, "stop" in ties, "start" in ties)
                        notes[one.findtext("staff", "pedal")].append(entry)
                    place += duration
                latest = max(latest, place)
            assert latest == bar.end
    found: Merged = Counter()
    for staff in notes.values():
        found += merged(staff)
    assert found == Counter((note.start, note.end, note.pitch.midi) for note in section.notes)
    for name, read, meant in read_from_the_page(section):
        assert read == meant, name


def test_chord_symbol_inside_a_held_note() -> None:
    """A symbol that comes while the tune holds is placed by an offset: here after one crotchet of two ticks."""
    bars = bars_of("4/4", "C major", ["4"])
    chord = PlacedChord(Fraction(1), Fraction(3), Chord(PitchName("F")))
    section = section_of("held", bars, {"tune": "C5:7/2 D5:1/2"}, chords=(chord,))
    (symbol,) = parsed(exchange_file(arrangement_of(section))).iter("harmony")
    assert symbol.findtext("offset") == "2"


def test_words_of_counts_the_notes() -> None:
    """The fixture itself: a syllable too many is an error, not a silent loss."""
    with pytest.raises(ValueError, match="longer"):
        words_of(four_parts().notes[:1], "too many")


def test_a_section_has_one_name_in_all_places() -> None:
    """A verse without words is the tune, in the heading as in the rehearsal mark; a name of its own wins."""
    section = ALL.sections[0]
    wordless = replace(section, kind="verse", verse=None, title="", words=())
    written = parsed(exchange_file(replace(ALL, sections=(wordless,))))
    assert written.findtext(".//rehearsal") == wordless.name == "Tune"
    assert replace(wordless, verse=2).name == "Verse 2"
    assert replace(wordless, kind="introduction").name == "Introduction"
    assert replace(wordless, title="Last verse").name == "Last verse"
