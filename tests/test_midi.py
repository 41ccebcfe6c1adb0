"""The MIDI file, read back by mido."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from io import BytesIO

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from invented import EVERYTHING, arrangement_of
from undersong.errors import CannotWrite
from undersong.model.organ import TWO_MANUALS, Division, Organ
from undersong.model.performance import PaceMark, Performance, SoundedNote
from undersong.performing import perform
from undersong.writing.midi import midi_file

PERFORMANCE = perform(arrangement_of(*EVERYTHING))


def heard(data: bytes) -> dict[int, list[tuple[float, float, int]]]:
    """Strokes by channel, in seconds as a player hears them; a key struck while it is down is an error."""
    strokes: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    down: dict[tuple[int, int], float] = {}
    seconds = 0.0
    for message in mido.MidiFile(file=BytesIO(data)):
        seconds += message.time
        if message.type == "note_on" and message.velocity:
            assert (message.channel, message.note) not in down, "a key goes down while it is down"
            down[message.channel, message.note] = seconds
        elif message.type in ("note_off", "note_on"):
            begun = down.pop((message.channel, message.note))
            strokes[message.channel].append((begun, seconds, message.note))
    assert not down, "a key is never released"
    return strokes


def test_every_key_within_a_millisecond() -> None:
    """Five sections in five paces: each division on its channel, each key on and off as in the performance."""
    found = heard(midi_file(PERFORMANCE, TWO_MANUALS, "Invented"))
    assert sorted(found) == [0, 1, 2]
    for channel, division in enumerate(("Great", "Swell", "Pedal")):
        wanted = sorted(
            (note.number, note.on_seconds, note.off_seconds) for note in PERFORMANCE.notes if note.division == division
        )
        read = sorted((number, on, off) for on, off, number in found[channel])
        assert len(read) == len(wanted)
        for (number, on, off), (key, on_seconds, off_seconds) in zip(read, wanted, strict=True):
            assert number == key
            assert on == pytest.approx(on_seconds, abs=0.001)
            assert off == pytest.approx(off_seconds, abs=0.001)


def test_tracks_tempo_and_markers() -> None:
    """Title and tempo map first, then a track for each division by name; sections are markers; no program changes."""
    file = mido.MidiFile(file=BytesIO(midi_file(PERFORMANCE, TWO_MANUALS, "Invented")))
    assert file.type == 1
    assert [track.name for track in file.tracks] == ["Invented", "Great", "Swell", "Pedal"]
    tempos = [message.tempo for message in file.tracks[0] if message.type == "set_tempo"]
    assert tempos == [round(mark.quarter_seconds * 1e6) for mark in PERFORMANCE.paces]
    markers = [message.text for message in file.tracks[0] if message.type == "marker"]
    assert markers == [section.id for section in EVERYTHING]
    assert not [message for track in file.tracks for message in track if message.type == "program_change"]
    assert file.length == pytest.approx(PERFORMANCE.length_seconds, abs=0.001)


def test_swell_is_expression_on_enclosed_divisions() -> None:
    """Shutters shut, then open, on the Swell alone: controller 11 from 0 to 127, evenly on the way."""
    moving = replace(PERFORMANCE, swell=((0.0, 0.0), (4.0, 1.0)))
    file = mido.MidiFile(file=BytesIO(midi_file(moving, TWO_MANUALS)))
    clock, shutters = 0.0, []
    for message in file:
        clock += message.time
        if message.type == "control_change":
            shutters.append((clock, message.value))
            assert (message.channel, message.control) == (1, 11)
    assert (shutters[0][1], shutters[-1]) == (0, (pytest.approx(4.0, abs=0.001), 127))
    assert all(value == pytest.approx(127 * at / 4, abs=0.6) for at, value in shutters)
    assert len(shutters) > 60


def test_same_bytes_again() -> None:
    """The same performance gives the same file."""
    assert midi_file(PERFORMANCE, TWO_MANUALS, "x") == midi_file(perform(arrangement_of(*EVERYTHING)), TWO_MANUALS, "x")


def test_titles_beyond_latin() -> None:
    """MIDI text knows few letters; others become question marks, never a failure."""
    file = mido.MidiFile(file=BytesIO(midi_file(PERFORMANCE, TWO_MANUALS, "Dvořák é")))
    assert file.tracks[0].name == "Dvo?ák é"


def many(count: int) -> Performance:
    names = [f"Division {number:02}" for number in range(count)]
    notes = tuple(SoundedNote(name, 0.0, 1.0, 60, name) for name in names)
    return Performance(notes, (PaceMark(0.0, 0.5, "v", PERFORMANCE.paces[0].start),), 1.0)


def test_channel_of_the_drums_is_passed_over() -> None:
    """Ten divisions take channels 1 to 9 and 11; sixteen are too many."""
    organ = Organ("Invented", tuple(Division(f"Division {number:02}", 36, 96) for number in range(10)), None)
    assert sorted(heard(midi_file(many(10), organ))) == [0, 1, 2, 3, 4, 5, 6, 7, 8, 10]
    with pytest.raises(CannotWrite, match="16 divisions play, but a MIDI file has room for 15"):
        midi_file(many(16), organ)


def test_nothing_sounds() -> None:
    """An empty performance is a file without keys."""
    file = mido.MidiFile(file=BytesIO(midi_file(Performance((), (), 0.0), TWO_MANUALS)))
    assert len(file.tracks) == 1
    assert file.length == 0


@settings(max_examples=50)
@given(
    some.lists(some.tuples(some.floats(0.2, 3.0), some.floats(1.0, 200.0)), min_size=1, max_size=8),
    some.lists(some.tuples(some.floats(0, 1), some.floats(0.01, 3)), min_size=1, max_size=30),
)
def test_rounding_never_adds_up(paces: list[tuple[float, float]], places: list[tuple[float, float]]) -> None:
    """However many changes of pace lie before it, a key is within 1 ms."""
    marks, at = [], 0.0
    for quarter, lasts in paces:
        marks.append(PaceMark(at, quarter, "", PERFORMANCE.paces[0].start))
        at += lasts
    wanted = [(share * at, share * at + lasts) for share, lasts in places]
    notes = tuple(SoundedNote(f"n{index}", on, off, 30 + index, "Great") for index, (on, off) in enumerate(wanted))
    performance = Performance(notes, tuple(marks), at + 3)
    read = {number: (on, off) for on, off, number in heard(midi_file(performance, TWO_MANUALS))[0]}
    for index, (on, off) in enumerate(wanted):
        assert read[30 + index] == pytest.approx((on, off), abs=0.001)
