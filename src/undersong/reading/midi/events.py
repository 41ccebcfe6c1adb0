"""What a MIDI file holds: keys struck and released, and what it says about time, key, words and names.

The header is looked at before anything else, so that a file of another kind, of several songs, with clock time in
place of beats or with a thousand tracks is refused at once; only then are the tracks read.

Conventions: places are ticks. Releases are paired with the earliest open stroke of the same key, track and channel,
so that two voices in unison on one key are two notes.

References: Standard MIDI Files 1.0 (RP-001): header chunk, meta events; RP-017 (lyrics); RP-026 (words in other
languages); RMID (RP-029).
"""

from __future__ import annotations

import io
import struct
from collections import defaultdict, deque
from dataclasses import dataclass, field

import mido
from mido.midifiles.meta import KeySignatureError

from undersong.errors import BrokenFile, CannotReadFile, NotAHymn
from undersong.model.pitch import Key
from undersong.model.time import Time
from undersong.reading.raw import MOST_NOTES

MOST_MIDI_BYTES = 1024 * 1024
"""Largest MIDI file that is read; a hymn has some ten kilobytes."""
MOST_TRACKS = 128
MOST_EVENTS = 200_000
MOST_HANGING = 200
DRUMS = 9
"""The channel of the drums (counted from 0), General MIDI 1."""
_FAULTS = (EOFError, OSError, ValueError, LookupError, TypeError, ArithmeticError, AttributeError, KeySignatureError)
_FLATS_AND_SHARPS = {str(Key.from_fifths(fifths).tonic): fifths for fifths in range(-7, 8)}
_MINOR = {f"{Key.from_fifths(fifths, 'minor').tonic}m": fifths for fifths in range(-7, 8)}


@dataclass(frozen=True, slots=True)
class Struck:
    """A key struck and released, in ticks."""

    track: int
    channel: int
    on: int
    off: int
    number: int


@dataclass(frozen=True, slots=True)
class Sung:
    """A syllable or other words at a tick of a track."""

    tick: int
    track: int
    text: str


@dataclass(slots=True)
class Heard:
    """All that the file holds. `ticks` is the length of a quarter note."""

    ticks: int = 480
    notes: list[Struck] = field(default_factory=list)
    tempos: list[tuple[int, int]] = field(default_factory=list)
    """Ticks with microseconds for a quarter note."""
    times: list[tuple[int, Time]] = field(default_factory=list)
    keys: list[tuple[int, int, str]] = field(default_factory=list)
    """Ticks with sharps or flats and the mode."""
    lyrics: list[Sung] = field(default_factory=list)
    texts: list[Sung] = field(default_factory=list)
    names: dict[int, str] = field(default_factory=dict)
    rights: str = ""
    drums: int = 0
    hanging: list[tuple[int, int, int, int]] = field(default_factory=list)
    """Keys never released: track, channel, tick, number."""

    def seconds_of_quarter(self, tick: int) -> float:
        """How long a quarter note lasts at a tick."""
        before = [tempo for at, tempo in self.tempos if at <= tick] or [tempo for _, tempo in self.tempos[:1]]
        return (before[-1] if before else 500_000) / 1e6


def read_events(data: bytes, file: str = "") -> Heard:
    """Everything in a MIDI file; CannotReadFile, BrokenFile or NotAHymn for what is none, damaged or no hymn."""
    data = _plain(data, file)
    ticks = _check_header(data, file)
    try:
        tracks = mido.MidiFile(file=io.BytesIO(data), clip=True).tracks
    except EOFError as fault:
        raise BrokenFile("this MIDI file ends in the middle of a track", file=file) from fault
    except _FAULTS as fault:
        raise BrokenFile(f"this MIDI file is damaged ({str(fault)[:60] or type(fault).__name__})", file=file) from fault
    heard = Heard(ticks)
    if sum(map(len, tracks)) > MOST_EVENTS:
        raise NotAHymn("this MIDI file holds far more than a hymn", file=file, remedy="Give one hymn to a file.")
    for index, track in enumerate(tracks):
        _read_track(heard, index, track)
    if len(heard.hanging) > MOST_HANGING:
        raise BrokenFile(f"in this MIDI file {len(heard.hanging)} keys are never released", file=file)
    _release(heard)
    if len(heard.notes) > MOST_NOTES:
        raise NotAHymn(f"this MIDI file has {len(heard.notes)} notes, far more than a hymn", file=file)
    if not heard.notes:
        what = "only drums" if heard.drums else "no notes"
        raise NotAHymn(f"this MIDI file holds {what}", file=file)
    heard.notes.sort(key=lambda note: (note.on, -note.number))
    for kept in (heard.tempos, heard.times, heard.keys):
        kept.sort(key=lambda one: one[0])
    return heard


def _plain(data: bytes, file: str) -> bytes:
    """The Standard MIDI File, taken out of a RIFF wrapper if it is in one."""
    if not data:
        raise CannotReadFile("this file is empty", file=file)
    if len(data) > MOST_MIDI_BYTES:
        raise CannotReadFile(
            f"this MIDI file is too large ({len(data) / 2**20:.1f} MB, at most {MOST_MIDI_BYTES // 2**20} MB are read)",
            file=file,
            remedy="Give one hymn to a file.",
        )
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":
        data = data[max(0, data.find(b"MThd")) :]
    if data[:4] != b"MThd":
        raise CannotReadFile("this is not a MIDI file", file=file, remedy="Check that it is a Standard MIDI File.")
    return data


def _check_header(data: bytes, file: str) -> int:
    """The ticks of a quarter note; refuses what can be refused by the header alone."""
    if len(data) < 14:
        raise BrokenFile("this MIDI file ends in its header", file=file)
    kind, tracks, division = struct.unpack(">HHH", data[8:14])
    if kind == 2:
        raise NotAHymn(
            "this MIDI file holds several songs side by side (format 2)",
            file=file,
            remedy="Save it as format 0 or 1, one hymn to a file.",
        )
    if kind > 2:
        raise BrokenFile(f"this MIDI file is of an unknown format ({kind})", file=file)
    if tracks > MOST_TRACKS:
        raise NotAHymn(f"this MIDI file has {tracks} tracks: it is no hymn", file=file)
    if division & 0x8000:
        raise NotAHymn(
            "this MIDI file counts frames of film in place of beats",
            file=file,
            remedy="Save it with ticks for each quarter note.",
        )
    if not division:
        raise BrokenFile("this MIDI file gives a quarter note no length", file=file)
    return int(division)


def _read_track(heard: Heard, index: int, track: mido.MidiTrack) -> None:
    open_notes: dict[tuple[int, int], deque[int]] = defaultdict(deque)
    tick = 0
    for message in track:
        tick += int(message.time)
        if message.is_meta:
            _read_meta(heard, index, tick, message)
        elif message.type in ("note_on", "note_off"):
            place = (message.channel, message.note)
            if message.channel == DRUMS:
                heard.drums += 1
            elif message.type == "note_on" and message.velocity:
                open_notes[place].append(tick)
            elif open_notes[place]:
                on = open_notes[place].popleft()
                if tick > on:
                    heard.notes.append(Struck(index, message.channel, on, tick, message.note))
    heard.hanging.extend(
        (index, channel, on, number) for (channel, number), strokes in open_notes.items() for on in strokes
    )


def _release(heard: Heard) -> None:
    """Keys that are never released are held to the next stroke of their track, or to the end."""
    last = max([note.off for note in heard.notes] + [on + heard.ticks for _, _, on, _ in heard.hanging], default=0)
    for index, channel, on, number in heard.hanging:
        later = [note.on for note in heard.notes if (note.track, note.channel) == (index, channel)
                 and note.on > on + heard.ticks // 8]  # fmt: skip
        heard.notes.append(Struck(index, channel, on, min(later, default=last), number))


def _read_meta(heard: Heard, index: int, tick: int, message: mido.MetaMessage) -> None:
    match message.type:
        case "set_tempo":
            if message.tempo > 0:
                heard.tempos.append((tick, int(message.tempo)))
        case "time_signature":
            if 0 < message.numerator <= 32 and 0 < message.denominator <= 32:
                heard.times.append((tick, Time(int(message.numerator), int(message.denominator))))
        case "key_signature":
            if message.key in _FLATS_AND_SHARPS:
                heard.keys.append((tick, _FLATS_AND_SHARPS[message.key], "major"))
            elif message.key in _MINOR:
                heard.keys.append((tick, _MINOR[message.key], "minor"))
        case "lyrics":
            heard.lyrics.append(Sung(tick, index, _decoded(message.text)))
        case "text":
            heard.texts.append(Sung(tick, index, _decoded(message.text)))
        case "track_name":
            heard.names.setdefault(index, _decoded(message.name).strip())
        case "copyright":
            heard.rights = heard.rights or _decoded(message.text).strip()


def _decoded(text: str) -> str:
    """Words as they were meant: UTF-8 where it is UTF-8, else the Western code page (mido reads bytes as Latin-1)."""
    data = text.encode("latin-1", errors="replace")
    for coding in ("utf-8", "cp1252"):
        try:
            return data.decode(coding).replace("\0", "")
        except UnicodeDecodeError:
            continue
    return text.replace("\0", "")
