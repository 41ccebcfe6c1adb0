"""MIDI is read back as it was printed: beat, voices, time, upbeat, key, spelling and words are found again.

A song is written as `"D5:1 E5:1/2 r:1"`: pitch or rest and length in quarter notes; all of them are invented.
"""

from __future__ import annotations

import io
import math
import random
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import midi as sweep
import mido
import mutations
import pytest
from click.testing import CliRunner

from undersong.cli import cli
from undersong.errors import BrokenFile, CannotReadFile, NotAHymn, UndersongError
from undersong.harmony import analyse
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval, Key, Pitch
from undersong.model.time import Time
from undersong.model.tune import Voice
from undersong.reading import read_file
from undersong.reading.midi import MidiOptions, read_midi
from undersong.reading.musicxml import read_musicxml

SOPRANO = "D5:1 G5:1 F#5:1 E5:1 D5:1 B4:1 A4:2 D5:1 B4:1 C5:1 D5:1 E5:1/2 D5:1/2 C5:1 B4:1 A4:1 A4:1 G4:3"
ALTO = "G4:1 G4:1 A4:1 G4:1 G4:1 G4:1 F#4:2 F#4:1 G4:1 G4:1 G4:1 G4:1 G4:1 G4:1 G4:1 F#4:1 D4:3"
TENOR = "B3:1 B3:1 D4:1 C4:1 B3:1 D4:1 D4:2 A3:1 D4:1 E4:1 D4:1 C4:1 E4:1 D4:1 E4:1 C4:1 B3:3"
BASS = "G3:1 E3:1 D3:1 C3:1 G3:1 G3:1 D3:2 D3:1 G3:1 E3:1 B2:1 C3:1 A2:1 B2:1 C3:1 D3:1 G2:3"
FOUR = (SOPRANO, ALTO, TENOR, BASS)
NAMES = ("Soprano", "Alto", "Tenor", "Bass")
TUNE_IN_THREE = "C5:2 D5:1 E5:2 C5:1 F5:1 E5:1 D5:1 C5:3 G4:2 A4:1 B4:2 G4:1 C5:1 B4:1 D5:1 C5:3"
BASS_IN_THREE = "C3:3 C3:3 F3:3 E3:3 E3:3 G3:3 G2:3 C3:3"

Row = sweep.Row


def line(music: str) -> list[Row]:
    rows, at = list[Row](), Fraction(0)
    for token in music.split():
        name, _, length = token.partition(":")
        if name != "r":
            rows.append((at, Fraction(length), Pitch.parse(name)))
        at += Fraction(length)
    return rows


def song(
    *voices: str,
    told: tuple[str, int, str] | None = ("4/4", 1, "major"),
    one_track: bool = False,
    names: Sequence[str] = (),
    jitter: float = 0.0,
    per_minute: float = 80,
) -> bytes:
    return sweep.played(
        [line(voice) for voice in voices],
        one_track=one_track,
        told=told,
        per_minute=per_minute,
        rng=random.Random(7),
        jitter_seconds=jitter,
        names=names,
    )


def bent(data: bytes, bend: Callable[[float], float]) -> bytes:
    """Every event moved: `bend` takes and gives quarter notes."""
    file = mido.MidiFile(file=io.BytesIO(data))
    for track in file.tracks:
        at, last = 0, 0
        for message in track:
            at += message.time
            moved = round(bend(at / sweep.TICKS) * sweep.TICKS)
            message.time, last = max(0, moved - last), max(moved, last)
    return saved(file)


def saved(file: mido.MidiFile) -> bytes:
    stream = io.BytesIO()
    file.save(file=stream)
    return stream.getvalue()


def with_events(data: bytes, track: int, *events: tuple[float, mido.MetaMessage | mido.Message]) -> bytes:
    """The file with events (at quarter notes) put into a track."""
    file = mido.MidiFile(file=io.BytesIO(data))
    placed, at = [], 0
    for message in file.tracks[track]:
        at += message.time
        placed.append((at, message))
    placed.extend((round(quarter * file.ticks_per_beat), message) for quarter, message in events)
    placed.sort(key=lambda one: (one[0], one[1].type == "end_of_track"))
    file.tracks[track] = mido.MidiTrack()
    last = 0
    for place, message in placed:
        file.tracks[track].append(message.copy(time=place - last))
        last = place
    return saved(file)


def rows_of(voice: Voice) -> list[tuple[Fraction, Fraction, str]]:
    return [(onset, length, str(pitch)) for onset, length, pitch in sweep.struck(voice)]


def printed(music: str) -> list[tuple[Fraction, Fraction, str]]:
    return [(onset, length, str(pitch)) for onset, length, pitch in line(music)]


def said(hymn: Hymn) -> str:
    return "; ".join(map(str, hymn.assumed))


def upbeat(hymn: Hymn) -> Fraction:
    return hymn.tune.bars[0].length if hymn.tune.bars[0].pickup else Fraction(0)


@pytest.mark.parametrize("one_track", [False, True], ids=["tracks", "one track"])
@pytest.mark.parametrize("jitter", [0.0, 0.02], ids=["exact", "human"])
@pytest.mark.parametrize("told", [("4/4", 1, "major"), None], ids=["told", "bare"])
def test_four_voices_come_back_as_they_were(one_track: bool, jitter: float, told: tuple[str, int, str] | None) -> None:
    """Five bars of four parts with an upbeat, with and without human timing, tracks, time and key."""
    hymn = read_midi(song(*FOUR, told=told, one_track=one_track, jitter=jitter), "a.mid")
    assert [voice.name for voice in hymn.tune.voices] == ["soprano", "alto", "tenor", "bass"]
    for voice, music in zip(hymn.tune.voices, FOUR, strict=True):
        assert rows_of(voice) == printed(music), voice.name
    first = hymn.tune.bars[0]
    assert (first.time, first.key, upbeat(hymn)) == (Time(4, 4), Key.parse("G"), Fraction(1))
    assert hymn.tune.length == 20
    assert mutations.faults_of(hymn) == ""
    assert ("names no time" in said(hymn)) == ("names no key" in said(hymn)) == (told is None)
    assert "an upbeat of 1 beat was found" in said(hymn)
    assert ("dealt to 4 voices" in said(hymn)) == one_track


def test_names_of_tracks_are_names_of_voices() -> None:
    """The tracks stand from low to high; their names say who sings."""
    data = song(*reversed(FOUR), names=tuple(reversed(NAMES)))
    assert rows_of(read_midi(data).tune.voices[0]) == printed(SOPRANO)


@pytest.mark.parametrize(
    ("told", "found"), [(("3/4", 0, "major"), ""), (None, "the file names no time; 3/4 was found")]
)
def test_three_four_is_found(told: tuple[str, int, str] | None, found: str) -> None:
    """A tune in 3/4 over a bass that moves with the bars, no upbeat."""
    hymn = read_midi(song(TUNE_IN_THREE, BASS_IN_THREE, told=told, jitter=0.015))
    assert (hymn.tune.bars[0].time, upbeat(hymn)) == (Time(3, 4), Fraction(0))
    assert found in said(hymn)


def test_the_beat_is_followed_beside_the_ticks() -> None:
    """Played at 97 beats a minute into a file that counts 120, slowing down by a sixth on the way."""
    data = bent(song(*FOUR, told=None, jitter=0.008), lambda at: 0.31 + at * 1.237 + 0.2 * (at / 20) ** 2 * 10)
    hymn = read_midi(data, "a.mid")
    assert "found by ear" in said(hymn)
    assert rows_of(hymn.tune.voices[3]) == printed(BASS)
    assert rows_of(hymn.tune.voices[0]) == printed(SOPRANO)


def test_a_slight_sway_is_no_other_rhythm() -> None:
    """The player sways by a tenth of a beat about the file's beat."""
    data = bent(song(*FOUR), lambda at: max(0.0, at + 0.07 * math.sin(at)))
    assert rows_of(read_midi(data).tune.voices[0]) == printed(SOPRANO)


def test_swung_quavers_are_written_even() -> None:
    """Every second quaver comes late, at two thirds of the beat."""
    even = (
        "C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1 G5:1 A5:1/2 G5:1/2 F5:1/2 E5:1/2 D5:1 G4:1 C5:1/2 D5:1/2 E5:1/2 D5:1/2 C5:2"
    )
    swung = bent(song(even, told=("4/4", 0, "major")), lambda at: at + (1 / 6 if abs(at % 1 - 0.5) < 0.01 else 0))
    hymn = read_midi(swung)
    assert rows_of(hymn.tune.voices[0]) == printed(even)
    assert "swung quavers" in said(hymn)


def test_triplets_stay_triplets() -> None:
    """Three in a beat, between plain quavers, with human timing."""
    music = "C5:1/3 D5:1/3 E5:1/3 F5:1/2 G5:1/2 A5:1/3 G5:1/3 F5:1/3 E5:1 D5:1/2 E5:1/2 F5:1/3 E5:1/3 D5:1/3 C5:2"
    hymn = read_midi(song(music, told=("4/4", 0, "major"), jitter=0.006))
    assert rows_of(hymn.tune.voices[0]) == printed(music)


def test_rests_are_kept_and_gaps_of_touch_are_not() -> None:
    """A printed rest of a beat stays; notes held for four fifths of their length are whole."""
    music = "C5:1 D5:1 E5:1 r:1 F5:1 E5:1 D5:2"
    short = [(onset, length * Fraction(4, 5), pitch) for onset, length, pitch in line(music)]
    data = sweep.played([short], one_track=False, told=("4/4", 0, "major"), per_minute=80, rng=random.Random(1),
                        jitter_seconds=0.0)  # fmt: skip
    assert rows_of(read_midi(data).tune.voices[0]) == printed(music)


def test_the_upbeat_is_told_by_a_first_bar_of_its_own() -> None:
    """1/4 and then 4/4, as some programs write an upbeat; nothing has to be supposed."""
    data = with_events(
        song(*FOUR, told=("1/4", 1, "major")), 0, (1, mido.MetaMessage("time_signature", numerator=4, denominator=4))
    )
    hymn = read_midi(data)
    assert (hymn.tune.bars[0].time, upbeat(hymn), len(hymn.tune.bars)) == (Time(4, 4), Fraction(1), 6)
    assert "upbeat" not in said(hymn)


def test_the_upbeat_is_told_by_silence() -> None:
    """Three beats of silence fill the first bar."""
    data = bent(song(*FOUR, told=None), lambda at: at + 3)
    data = with_events(data, 0, (0, mido.MetaMessage("time_signature", numerator=4, denominator=4)))
    hymn = read_midi(data)
    assert upbeat(hymn) == 1
    assert "upbeat" not in said(hymn)


def test_a_change_of_time_places_the_bars() -> None:
    """Two bars of 4/4 after an upbeat of two, then 3/4."""
    music = "C5:1 D5:1 E5:1 E5:1 E5:1 E5:1 F5:1 F5:1 F5:1 F5:1 G5:1 A5:1 G5:1 C5:3"
    data = with_events(
        song(music, told=("4/4", 0, "major")), 0, (10, mido.MetaMessage("time_signature", numerator=3, denominator=4))
    )
    bars = read_midi(data).tune.bars
    assert [(int(bar.length), str(bar.time)) for bar in bars] == [
        (2, "4/4"), (4, "4/4"), (4, "4/4"), (3, "3/4"), (3, "3/4"),
    ]  # fmt: skip


def test_what_is_given_is_believed() -> None:
    """Time, upbeat, key, voices and grid from outside."""
    data = song(*FOUR, told=None, one_track=True)
    given = MidiOptions(Time(3, 2), Key.parse("E minor"), Fraction(1, 2), 2, 4)
    hymn = read_midi(data, "a.mid", given)
    first = hymn.tune.bars[0]
    assert (first.time, first.key, upbeat(hymn)) == (Time(3, 2), Key.parse("E minor"), Fraction(1))
    assert "names no" not in said(hymn)
    assert "upbeat" not in said(hymn)
    assert len(read_midi(data, "a.mid", MidiOptions(voices=2)).tune.voices) == 2


def test_two_hands_are_four_voices() -> None:
    """Soprano and alto in one track, tenor and bass in another, two channels."""
    upper = mido.MidiFile(file=io.BytesIO(song(SOPRANO, ALTO, one_track=True)))
    lower = mido.MidiFile(file=io.BytesIO(song(TENOR, BASS, one_track=True)))
    upper.tracks.append(lower.tracks[1])
    voices = read_midi(saved(upper)).tune.voices
    assert [rows_of(voice) for voice in voices] == [printed(music) for music in FOUR]


def test_chromatic_notes_are_spelled_by_key_and_direction() -> None:
    """D minor: raised leading note and sixth on the way up, B flat on the way down, the dominant of the dominant."""
    tune = (
        "D5:1 E5:1 F5:1 D5:1 A4:1 B4:1 C#5:1 D5:1 E5:1 D5:1 C#5:1 D5:1 C5:1 Bb4:1 A4:1 G#4:1 A4:1 G4:1 F4:1 E4:1 D4:4"
    )
    bass = "D3:2 D3:2 F3:1 G3:1 A3:1 D3:1 A3:1 Bb3:1 A3:1 D3:1 F3:1 G3:1 A3:1 E3:1 A3:1 Bb3:1 D3:1 A2:1 D3:4"
    hymn = read_midi(song(tune, bass, told=None))
    assert hymn.tune.bars[0].key == Key.parse("D minor")
    assert [str(pitch) for *_, pitch in rows_of(hymn.tune.voices[0])] == [str(p) for *_, p in printed(tune)]


def test_words_with_hyphens_and_a_second_verse() -> None:
    """Lyric events; two at one place are two verses."""
    pairs = [(0, "Sing-"), (0, "Now"), (1, "ing"), (1, "rest-"), (2, "loud,"), (2, "ing,")]
    events = [(float(at), mido.MetaMessage("lyrics", text=text)) for at, text in pairs]
    hymn = read_midi(with_events(song(*FOUR), 1, *events))
    assert [[(int(one.onset), one.text, str(one.hyphen)) for one in verse.syllables] for verse in hymn.text.verses] == [
        [(0, "Sing", "begin"), (1, "ing", "end"), (2, "loud,", "single")],
        [(0, "Now", "single"), (1, "rest", "begin"), (2, "ing,", "end")],
    ]


def test_words_of_a_sing_along_file() -> None:
    """Text events: blanks begin words, a stroke begins a line, an at sign is a remark; letters beyond ASCII."""
    texts = ["@LENGL", "\\Glo", "ry", " in", " the", "/high", "est", " n\u00eeght", " and"]
    data = song(SOPRANO, told=("4/4", 1, "major"))
    events = [
        (float([0, 0, 1, 2, 3, 4, 5, 6, 8, 9][index]), mido.MetaMessage("text", text=text.encode().decode("latin-1")))
        for index, text in enumerate([*texts, " day"])
    ]
    hymn = read_midi(with_events(data, 1, *events))
    assert [(one.text, one.hyphen) for one in hymn.text.verses[0].syllables] == [
        ("Glo", "begin"), ("ry", "end"), ("in", "single"), ("the", "single"), ("high", "begin"), ("est", "end"),
        ("n\u00eeght", "single"), ("and", "single"), ("day", "single"),
    ]  # fmt: skip


def test_title_rights_and_pace() -> None:
    """The first track's name, the copyright event and the tempo."""
    data = with_events(
        song(*FOUR), 0, (0, mido.MetaMessage("track_name", name="An invented song")),
        (0, mido.MetaMessage("copyright", text="Free to all")),
    )  # fmt: skip
    hymn = read_midi(data, "file.mid")
    assert (hymn.title, hymn.rights) == ("An invented song", "Free to all")
    assert hymn.tune.pace is not None
    assert hymn.tune.pace.beats_per_minute == 80


def test_drums_doubles_and_hanging_keys_are_told() -> None:
    """A drum part, a fifth track that doubles the tune, a key that is never released."""
    data = song(*FOUR, SOPRANO)
    data = with_events(
        data, 1, (1, mido.Message("note_on", channel=9, note=40)), (2, mido.Message("note_off", channel=9, note=40))
    )  # fmt: skip
    file = mido.MidiFile(file=io.BytesIO(data))
    del file.tracks[4][-2]
    hymn = read_midi(saved(file))
    left = "; ".join(map(str, hymn.left_out))
    assert "the drums" in left
    assert "never released" in said(hymn)
    assert rows_of(hymn.tune.voices[3]) == printed(BASS)
    plain = read_midi(song(*FOUR, SOPRANO))
    assert "doubles another" in "; ".join(map(str, plain.left_out))
    assert len(plain.tune.voices) == 4


@pytest.mark.parametrize("variant", sweep.VARIANTS)
def test_chorales_come_back(variant: str) -> None:
    """Ten chorales of the music21 corpus with 20 ms of human timing; the project's own bars (`sweeps/midi.py`)."""
    results, hymns = [], [hymn for hymn in map(_chorale, sweep.chorale_files()[::37]) if hymn is not None][:10]
    assert len(hymns) == 10
    for name, hymn in hymns:
        results.append(sweep.compare(hymn, variant, name, seed=3))
    assert not [one.failure for one in results if one.failure]
    found = sweep.shares(results)
    for what, least in sweep.BARS.items():
        # One of ten may miss time or upbeat: the bar of 95 % is the sweep's.
        assert found[what] >= (0.9 if what in ("time", "upbeat") else least), (what, found)


_CHORALES: dict[Path, tuple[str, Hymn] | None] = {}


def _chorale(path: Path) -> tuple[str, Hymn] | None:
    if path not in _CHORALES:
        try:
            hymn = read_musicxml(path.read_bytes(), path.name)
        except UndersongError:
            _CHORALES[path] = None
        else:
            _CHORALES[path] = (path.name, hymn) if hymn.tune.four_parts else None
    return _CHORALES[path]


GOOD = song(*FOUR)


def header(kind: int = 1, tracks: int = 1, division: int = 480) -> bytes:
    return b"MThd\x00\x00\x00\x06" + b"".join(one.to_bytes(2, "big") for one in (kind, tracks, division))


def track(data: bytes) -> bytes:
    return b"MTrk" + len(data).to_bytes(4, "big") + data


END = b"\x00\xff\x2f\x00"
BAD: dict[str, tuple[bytes, type[UndersongError], str]] = {
    "empty": (b"", CannotReadFile, "empty"),
    "words": (b"Dear organist", CannotReadFile, "not a MIDI file"),
    "header cut": (GOOD[:10], BrokenFile, "in its header"),
    "cut": (GOOD[:200], BrokenFile, "ends in the middle"),
    "songs": (header(2, 3), NotAHymn, "several songs"),
    "format 9": (header(9), BrokenFile, "unknown format"),
    "film": (header(division=0xE728), NotAHymn, "frames of film"),
    "no ticks": (header(division=0), BrokenFile, "no length"),
    "1,000 tracks": (header(1, 1000) + track(END) * 1000, NotAHymn, "1000 tracks"),
    "no notes": (header() + track(END), NotAHymn, "no notes"),
    "no tracks": (header(1, 0), NotAHymn, "no notes"),
    "drums": (header() + track(b"\x00\x99\x28\x40\x60\x89\x28\x40" + END), NotAHymn, "only drums"),
    "running status": (header() + track(b"\x00\x3c\x40" + END), BrokenFile, "damaged"),
    "very large": (header() + bytes(2_000_000), CannotReadFile, "too large"),
    "40 MB": (header() + bytes(40_000_000), CannotReadFile, "too large"),
    "years": (header() + track(b"\x00\x90\x3c\x40\xff\xff\xff\x7f\x80\x3c\x40" + END), NotAHymn, "far longer"),
    "far too many": (header() + track(b"\x00\x90\x3c\x40\x01\x80\x3c\x40" * 30_000 + END), NotAHymn, "30000 notes"),
    "an orchestra": (song(*(f"{step}{octave}:1 r:{rest} G5:1" for rest, step in enumerate("CDEFGAB", 1)
                            for octave in (2, 4, 6))), NotAHymn, "21 parts"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_answered_with_a_sentence(case: str, tmp_path: Path) -> None:
    """Each kind of bad file, by class and by what is said, in less than five seconds."""
    data, kind, words = BAD[case]
    path = tmp_path / "a.mid"
    path.write_bytes(data)
    began = time.monotonic()
    with pytest.raises(kind, match=words) as caught:
        read_file(path)
    assert str(caught.value).startswith("a.mid: ")
    assert time.monotonic() - began < 5


def test_damaged_copies_give_a_hymn_or_a_sentence() -> None:
    """150 damaged copies: a hymn that holds together or a sentence, never more than five seconds."""
    originals = (GOOD, song(*FOUR, told=None, one_track=True, jitter=0.02))
    read = refused = 0
    for seed in range(150):
        rng = random.Random(seed)
        data = bytearray(originals[seed % 2])
        for _ in range(rng.randint(1, 4)):
            place = rng.randrange(len(data))
            match rng.randrange(4):
                case 0:
                    data[place] = rng.randrange(256)
                case 1:
                    del data[place : place + rng.randint(1, 4)]
                case 2:
                    data[place:place] = data[place : place + rng.randint(1, 40)]
                case _:
                    data[place] ^= 0x80
        began = time.monotonic()
        try:
            hymn = read_midi(bytes(data), "damaged.mid")
        except UndersongError as failure:
            assert str(failure).startswith("damaged.mid"), seed  # noqa: PT017 - the sentence is what is tested
            refused += 1
        else:
            assert mutations.faults_of(hymn) == "", seed
            read += 1
        assert time.monotonic() - began < 5, seed
    assert read > 20
    assert refused > 5


def test_many_notes_in_one_stream_do_not_take_for_ever() -> None:
    """2,000 notes of four voices in one track: a hymn with all its verses written out."""
    data = song(*(" ".join([music] * 30) for music in FOUR), one_track=True)
    began = time.monotonic()
    hymn = read_midi(data)
    assert time.monotonic() - began < 10
    assert len(hymn.tune.bars) == 151


def test_the_key_that_she_told_is_the_home_key() -> None:
    """Four parts in G without a key in the file: told E minor it is E minor, also in D minor; told nothing, G major."""
    data = song(*FOUR, told=None)
    assert str(analyse(read_midi(data)).key) == "G major"
    hymn = read_midi(data, options=MidiOptions(key=Key.parse("Em")))
    harmony = analyse(hymn)
    assert str(harmony.key) == "E minor"
    assert "G major" not in {str(span.key) for span in harmony.spans}
    assert {span.numeral for span in harmony.spans if str(span.chord.root) == "E"} <= {"i", "i6", "i64", "i7", "I"}
    assert str(analyse(replace(hymn, tune=hymn.tune.transposed(Interval(-1, -2)))).key) == "D minor"
    bare = replace(hymn, tune=replace(hymn.tune, voices=(hymn.tune.tune_voice,)))
    assert str(analyse(bare).key) == "E minor"


def test_the_command_takes_time_upbeat_and_key(tmp_path: Path) -> None:
    """`undersong read song.mid --time 3/2 --pickup 1/2 --midi-key Em`; a time that is none is wrong usage."""
    path = tmp_path / "song.mid"
    path.write_bytes(song(*FOUR, told=None))
    runner = CliRunner()
    told = runner.invoke(cli, ["read", str(path), "--time", "3/2", "--pickup", "1/2", "--midi-key", "Em"])
    assert told.exit_code == 0, told.output
    assert "time           3/2" in told.output
    assert "pickup of 1 quarter" in told.output
    wrong = runner.invoke(cli, ["read", str(path), "--time", "3x"])
    assert wrong.exit_code == 2
    assert "'3x' is not a time such as 3/4" in wrong.output
