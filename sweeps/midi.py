"""Chorales of the music21 corpus, played from MIDI with human timing and read back.

The musical problem: MIDI keeps neither voices, bars, spelling nor rhythm as they are printed; reading has to find
them again. Each chorale is read from the corpus by the program's own MusicXML reader, written to MIDI by mido, with
every onset and release moved at random, and read back; what came back is compared with what was printed.

Conventions: notes that are tied are one note. A note is found again when onset and note number are equal in any
voice; its spelling and its voice count among the notes found. The page that was read is moved by the first note,
since MIDI does not keep rests before it. Variants: one track for each voice or all in one track and channel, with
time and key or without. Timing is drawn by the seed and the chorale's name: 20 ms standard deviation, 60 to 110
quarter notes a minute. Half of the tunes (by `fitted`) were used to fit the weights of `reading.midi.barring`.
Results are kept in a state file, one JSON object a line; a sweep that was stopped goes on.

References: chorales from the corpus of the PyPI package music21. The bars to be met (notes 97 %, spelling 98 %,
time and upbeat 95 %, voices 95 %) are the project's own.

Run as `python sweeps/midi.py [--count 200] [--seed 1] [--state FILE]`.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import mido
from stamp import stamp

from undersong.errors import UndersongError
from undersong.model.hymn import Hymn
from undersong.model.pitch import Pitch
from undersong.model.tune import Voice
from undersong.reading.midi import read_midi
from undersong.reading.musicxml import read_musicxml

TICKS = 480
JITTER_SECONDS = 0.02
VARIANTS = ("tracks told", "tracks bare", "one track told", "one track bare")
"""Whether each voice has its track, and whether time and key are told."""
BARS = {"notes": 0.97, "spelling": 0.98, "voices": 0.95, "time": 0.95, "upbeat": 0.95}

Row = tuple[Fraction, Fraction, Pitch]


@dataclass(frozen=True)
class Result:
    """What came back of one chorale in one variant: counts of notes, and whether time, upbeat and key agree."""

    file: str
    variant: str
    fitted: bool = False
    regular: bool = True
    """One time throughout, and no bar cut short inside."""
    printed: int = 0
    read: int = 0
    found: int = 0
    lengths: int = 0
    spelling: int = 0
    voices: int = 0
    time: bool = False
    upbeat: bool = False
    key: bool = False
    keys: str = ""
    """Both keys where they differ."""
    seconds: float = 0.0
    failure: str = ""


def chorale_files() -> list[Path]:
    """Everything by Bach in the corpus that is MusicXML, in order of names."""
    from music21 import corpus

    paths = sorted(Path(path) for path in corpus.getComposer("bach"))
    return [path for path in paths if path.suffix in (".mxl", ".xml", ".musicxml")]


def struck(voice: Voice) -> list[Row]:
    """Onset, length and pitch of each note of a voice, tied notes joined."""
    rows: list[Row] = []
    tied = False
    for note in voice.notes:
        if note.grace:
            continue
        if tied and rows[-1][0] + rows[-1][1] == note.onset:
            rows[-1] = (rows[-1][0], rows[-1][1] + note.length, rows[-1][2])
        else:
            rows.append((note.onset, note.length, note.pitch))
        tied = note.tied
    return rows


def fitted(hymn: Hymn) -> bool:
    """True for tunes by which the weights of the barring were fitted: told by their first six steps."""
    numbers = [note.pitch.midi for note in hymn.tune.tune_voice.notes][:7]
    steps = [after - before for before, after in pairwise(numbers)]
    return hashlib.sha256(str(steps).encode()).digest()[0] % 2 == 0


def played(
    voices: Sequence[Sequence[Row]],
    *,
    one_track: bool,
    told: tuple[str, int, str] | None,
    per_minute: float,
    rng: random.Random,
    jitter_seconds: float = JITTER_SECONDS,
    names: Sequence[str] = (),
) -> bytes:
    """A MIDI file of the voices; `told` gives time, sharps or flats and mode for the head of the file."""
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    head = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(per_minute))])
    if told is not None:
        above, _, below = told[0].partition("/")
        head.append(mido.MetaMessage("time_signature", numerator=int(above), denominator=int(below)))
        head.append(mido.MetaMessage("key_signature", key=_key_name(told[1], told[2])))
    file.tracks.append(head)
    first = min(rows[0][0] for rows in voices)
    ticks_of_jitter = jitter_seconds * TICKS * per_minute / 60
    groups = [list(voices)] if one_track else [[rows] for rows in voices]
    for index, group in enumerate(groups):
        events: list[tuple[int, int, str, int]] = []
        for rows in group:
            for onset, length, pitch in rows:
                on = max(0, round((onset - first) * TICKS + rng.gauss(0, ticks_of_jitter)))
                off = max(on + 10, round((onset + length - first) * TICKS + rng.gauss(0, ticks_of_jitter)))
                events.extend([(on, 1, "note_on", pitch.midi), (off, 0, "note_off", pitch.midi)])
        track = mido.MidiTrack()
        if names and not one_track:
            track.append(mido.MetaMessage("track_name", name=names[index]))
        now = 0
        for at, _, kind, number in sorted(events):
            track.append(mido.Message(kind, note=number, velocity=64, time=at - now))
            now = at
        file.tracks.append(track)
    stream = io.BytesIO()
    file.save(file=stream)
    return stream.getvalue()


def _key_name(fifths: int, mode: str) -> str:
    from undersong.model.pitch import Key

    return str(Key.from_fifths(fifths, "minor" if mode == "minor" else "major").tonic) + (
        "m" if mode == "minor" else ""
    )


def compare(hymn: Hymn, variant: str, file: str, seed: int) -> Result:
    """Play the hymn, read it back, and count."""
    tune = hymn.tune
    rng = random.Random(f"{seed}/{file}/{variant}")
    voices = [struck(voice) for voice in tune.voices]
    first = min(rows[0][0] for rows in voices)
    time_told, key = tune.bars[0].time, tune.bars[0].key
    told = (str(time_told), key.fifths, key.mode) if variant.endswith("told") else None
    data = played(voices, one_track=variant.startswith("one"), told=told, per_minute=rng.uniform(60, 110), rng=rng)
    began = time.perf_counter()
    pickup = (tune.bars[0].length - first) % (time_told.bar_length or Fraction(4))
    regular = len({bar.time for bar in tune.bars}) == 1 and all(
        (bar.onset + bar.length - first - pickup) % time_told.bar_length == 0 or bar.pickup or after.pickup
        for bar, after in pairwise(tune.bars)
    )
    printed = {name: [(onset - first, length, pitch) for onset, length, pitch in rows]
               for name, rows in zip((voice.name for voice in tune.voices), voices, strict=True)}  # fmt: skip
    result = Result(file, variant, fitted(hymn), regular, printed=sum(map(len, printed.values())))
    try:
        back = read_midi(data, file)
    except UndersongError as failure:
        return replace(result, failure=str(failure))
    seconds = time.perf_counter() - began
    again = {voice.name: struck(voice) for voice in back.tune.voices}
    start = back.tune.bars[0]
    back_pickup = start.length if start.pickup else Fraction(0)
    return replace(
        _counted(result, printed, again),
        read=sum(map(len, again.values())),
        seconds=seconds,
        time=start.time == time_told,
        upbeat=back_pickup == pickup,
        key=start.key == key,
        keys="" if start.key == key else f"{key} read as {start.key}",
    )


def _counted(result: Result, printed: dict[str, list[Row]], again: dict[str, list[Row]]) -> Result:
    mine = Counter((onset, pitch.midi) for rows in printed.values() for onset, _, pitch in rows)
    theirs = Counter((onset, pitch.midi) for rows in again.values() for onset, _, pitch in rows)
    names = Counter((onset, str(pitch)) for rows in printed.values() for onset, _, pitch in rows)
    names_again = Counter((onset, str(pitch)) for rows in again.values() for onset, _, pitch in rows)
    both = Counter((onset, length, pitch.midi) for rows in printed.values() for onset, length, pitch in rows)
    both_again = Counter((onset, length, pitch.midi) for rows in again.values() for onset, length, pitch in rows)
    voices = sum(len(_places(rows) & _places(again.get(name, []))) for name, rows in printed.items())
    return replace(
        result,
        found=(mine & theirs).total(),
        spelling=(names & names_again).total(),
        lengths=(both & both_again).total(),
        voices=voices,
    )


def _places(rows: Sequence[Row]) -> set[tuple[Fraction, int]]:
    return {(onset, pitch.midi) for onset, _, pitch in rows}


def main() -> int:
    """Sweep and print; 1 when a bar is missed."""
    parser = argparse.ArgumentParser(description="chorales written to MIDI with human timing and read back")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--state", type=Path)
    options = parser.parse_args()
    mark = stamp(Path(__file__), seed=options.seed)
    done = {(one.file, one.variant): one for one in _kept(options.state, mark)}
    files = chorale_files()
    random.Random(options.seed).shuffle(files)
    results: list[Result] = []
    count = 0
    stopped = False
    try:
        for path in files:
            if count == options.count:
                break
            known = [done[path.name, variant] for variant in VARIANTS if (path.name, variant) in done]
            fresh = known if len(known) == len(VARIANTS) else _one_file(path, options.seed, options.state, mark)
            count += bool(fresh)
            results.extend(fresh)
    except KeyboardInterrupt:
        stopped = True
        print("stopped; what was done is kept")
    missed = _report(results)
    return 130 if stopped else missed


def _kept(state: Path | None, mark: str) -> Iterator[Result]:
    if state is not None and state.exists():
        for line in state.read_text().splitlines():
            row = json.loads(line)
            if row.pop("mark", "") == mark:
                yield Result(**row)


def _one_file(path: Path, seed: int, state: Path | None, mark: str) -> list[Result]:
    try:
        hymn = read_musicxml(path.read_bytes(), path.name)
    except UndersongError:
        return []
    if not hymn.tune.four_parts:
        return []
    results = [compare(hymn, variant, path.name, seed) for variant in VARIANTS]
    if state is not None:
        with state.open("a") as out:
            out.writelines(json.dumps({"mark": mark, **asdict(result)}) + "\n" for result in results)
    return results


def shares(results: Sequence[Result]) -> dict[str, float]:
    """The share of each thing that was found again; time and upbeat by chorales whose bars are regular."""
    printed = sum(one.printed for one in results)
    found = sum(one.found for one in results)
    regular = [one for one in results if one.regular]
    return {
        "notes": found / max(1, printed, sum(one.read for one in results)),
        "lengths": sum(one.lengths for one in results) / max(1, printed),
        "spelling": sum(one.spelling for one in results) / max(1, found),
        "voices": sum(one.voices for one in results) / max(1, found),
        "time": sum(one.time for one in regular) / max(1, len(regular)),
        "upbeat": sum(one.time and one.upbeat for one in regular) / max(1, len(regular)),
        "key": sum(one.key for one in results) / max(1, len(results)),
    }


def _report(results: Sequence[Result]) -> int:
    if not results:
        print("no chorale was read")
        return 1
    missed = 0
    for variant in VARIANTS:
        here = [one for one in results if one.variant == variant]
        for what, some in (("all", here), ("tunes not fitted on", [one for one in here if not one.fitted])):
            if not some:
                continue
            found = shares(some)
            print(f"{variant}, {what} ({len(some)}, {sum(not one.regular for one in some)} irregular): "
                  + ", ".join(f"{name} {100 * share:.1f}" for name, share in found.items()))  # fmt: skip
            missed += sum(found[name] < least for name, least in BARS.items()) if what == "all" else 0
        for one in here:
            if one.failure:
                print(f"  {one.file}: {one.failure}")
    print(f"longest {max((one.seconds for one in results), default=0):.2f} s; {missed} bars missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
