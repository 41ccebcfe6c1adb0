"""MIDI to a hymn.

A MIDI file holds keys and ticks; what is printed on a page has to be found again: the beat and its divisions
(`grid`), the voices (`voices`), time and upbeat (`barring`), key and spelling (`tonality`), words (`syllables`). What
the file says itself is believed; what had to be found is told in `Hymn.assumed`, and each finding can be given from
outside by `MidiOptions`.

Conventions: places are ticks in `events`, quarter notes elsewhere; the page begins with the first note.

References: Standard MIDI Files 1.0; those of the modules.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import PurePath

from undersong.errors import NotAHymn
from undersong.model.hymn import Hymn
from undersong.model.pitch import Key
from undersong.model.time import Time
from undersong.model.tune import show_beat
from undersong.reading.midi.barring import Barring, find_barring
from undersong.reading.midi.events import Heard, read_events
from undersong.reading.midi.grid import Grid, find_grid, settle_lengths
from undersong.reading.midi.score import Line, SungAt, Written, lay_bars, make_parts
from undersong.reading.midi.syllables import Syllable, find_syllables
from undersong.reading.midi.tonality import Sounding, hear_key, spell
from undersong.reading.midi.voices import MOST_VOICES, Placed, how_many, is_one_line, separate
from undersong.reading.midi_options import NOTHING_GIVEN, MidiOptions
from undersong.reading.musicxml import hymn_of
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawScore

MOST_NOTES_DEALT = 8000
"""More notes than this in one stream are not dealt to voices: it would take too long."""
MOST_LINES = 12
LONGEST_QUARTERS = 8000
"""Longest file in quarter notes."""


def read_midi(data: bytes, file: str = "", options: MidiOptions = NOTHING_GIVEN) -> Hymn:
    """The hymn in a MIDI file.

    CannotReadFile for what is no MIDI file or too large, BrokenFile for what is damaged, NotAHymn for what is
    sound but no hymn.
    """
    heard = read_events(data, file)
    notebook = Notebook()
    score = _score(heard, options, notebook, file)
    hymn = hymn_of(score, file)
    bars = hymn.tune.bars
    return replace(
        hymn,
        tune=replace(hymn.tune, told_key=options.key),
        assumed=(*notebook.assumed(bars), *hymn.assumed),
        left_out=(*notebook.left_out(bars), *hymn.left_out),
    )


def _score(heard: Heard, options: MidiOptions, notebook: Notebook, file: str) -> RawScore:
    grid, placed = _placed(heard, options, notebook, file)
    streams = _streams(placed, heard, options, notebook, file)
    first = min(note.onset for stream in streams for note in stream)
    soundings = [
        Sounding(onset - first, length, note.number, voice)
        for voice, stream in enumerate(streams)
        for note, (onset, length) in zip(
            stream, settle_lengths([(note.onset, note.end) for note in stream], grid), strict=True
        )
    ]
    times, pickup = _times(heard, options, soundings, grid, first, notebook)
    bars = lay_bars(times, pickup, max(one.onset + one.length for one in soundings))
    keys = _keys(heard, options, soundings, grid, first, notebook)
    pitches = spell(soundings, keys)
    written: dict[int, list[Written]] = defaultdict(list)
    for one, pitch in zip(soundings, pitches, strict=True):
        written[one.voice].append(Written(one.onset, one.length, pitch))
    words = _words(find_syllables(heard), heard, streams, grid, first)
    lines = [
        Line(_name_of(stream, heard, streams), tuple(written[voice]), tuple(words.get(voice, ())))
        for voice, stream in enumerate(streams)
    ]
    _remark(heard, notebook)
    return RawScore(
        make_parts(lines, bars, keys, _pace(heard)),
        work_title=_title(heard, lines, file),
        rights=(heard.rights,) if heard.rights else (),
    )


# -- notes -----------------------------------------------------------------------------------------


def _placed(heard: Heard, options: MidiOptions, notebook: Notebook, file: str) -> tuple[Grid, list[Placed]]:
    """Every note in written time, its end still as played."""
    ticks = heard.ticks
    last = max(note.off for note in heard.notes)
    if last > LONGEST_QUARTERS * ticks:
        raise NotAHymn(
            f"this MIDI file lasts {last // ticks} beats, far longer than a hymn",
            file=file,
            remedy="Give one hymn to a file.",
        )
    quarter = heard.seconds_of_quarter(heard.notes[0].on)
    lengths = [(note.off - note.on) / ticks for note in heard.notes]
    grid = find_grid([note.on / ticks for note in heard.notes], lengths, quarter, options.grid)
    if grid.followed:
        notebook.assume("the notes do not stand on the file's beats; the beat was found by ear")
    if grid.swung:
        notebook.assume("swung quavers are written as even ones")
    placed = []
    for note in heard.notes:
        onset = grid.onset(note.on / ticks)
        end = grid.warp(max(note.off / ticks, note.on / ticks + 0.05))
        placed.append(Placed(onset, end, note.number, note.track, note.channel))
    moved = [abs(grid.warp(note.on / ticks) - float(one.onset)) for note, one in zip(heard.notes, placed, strict=True)]
    if max(moved) > 0.02 and not grid.swung:
        finest = 4 if options.grid is None else options.grid
        notebook.assume(f"the played rhythm is written to the nearest of {finest} parts of a quarter note or of three")
    return grid, placed


def _streams(
    placed: Sequence[Placed], heard: Heard, options: MidiOptions, notebook: Notebook, file: str
) -> list[list[Placed]]:
    """One list of notes for each voice, from high to low."""
    groups: dict[tuple[int, int], list[Placed]] = defaultdict(list)
    for note in placed:
        groups[note.track, note.channel].append(note)
    sources = _without_doubles(list(groups.values()), heard, notebook)
    if len(sources) > 1 and all(is_one_line(source) for source in sources) and options.voices is None:
        if len(sources) > MOST_LINES:
            raise NotAHymn(f"this MIDI file has {len(sources)} parts: it is for an orchestra or a band", file=file)
        return sorted((_one_line(source, notebook) for source in sources), key=_height)
    if len(placed) > MOST_NOTES_DEALT:
        raise NotAHymn(
            f"{len(placed)} notes in one stream are too many to be dealt to voices",
            file=file,
            remedy="Save each voice in a track of its own, or give one verse only.",
        )
    if len(sources) > 1:
        placed = _once(placed)
    counts = [how_many(source) for source in sources]
    apart = len(sources) > 1 and sum(counts) <= MOST_VOICES and options.voices is None
    found: list[list[Placed]] = []
    for source, count in zip(sources, counts, strict=True) if apart else [([*placed], 0)]:
        wanted = count or options.voices or min(MOST_VOICES, how_many(source))
        dealt, left = separate(source, max(1, min(wanted, MOST_VOICES)))
        found.extend(voice for voice in dealt if voice)
        if left:
            notebook.leave_out(f"{len(left)} notes for which there is no voice")
    if len(found) > 1:
        notebook.assume(f"the notes were dealt to {len(found)} voices, each moving as little as it can")
    return sorted(found, key=_height)


def _once(placed: Sequence[Placed]) -> list[Placed]:
    """A key struck at one place by two tracks sounds once: parts that double each other are one voice."""
    seen: dict[tuple[Fraction, int], tuple[int, int]] = {}
    return [
        note
        for note in placed
        if seen.setdefault((note.onset, note.number), (note.track, note.channel)) == (note.track, note.channel)
    ]


def _height(stream: Sequence[Placed]) -> float:
    return -sum(note.number for note in stream) / len(stream)


def _one_line(source: Sequence[Placed], notebook: Notebook) -> list[Placed]:
    """One note at each onset: the highest."""
    by_onset: dict[Fraction, Placed] = {}
    for note in source:
        known = by_onset.get(note.onset)
        if known is not None:
            notebook.leave_out("a second note at the same place of one voice")
        if known is None or note.number > known.number:
            by_onset[note.onset] = note
    return [by_onset[onset] for onset in sorted(by_onset)]


def _without_doubles(sources: list[list[Placed]], heard: Heard, notebook: Notebook) -> list[list[Placed]]:
    """Leave out parts that only double another one."""
    kept: list[list[Placed]] = []
    for source in sorted(sources, key=len, reverse=True):
        mine = {(note.onset, note.number % 12) for note in source}
        for other in kept:
            theirs = {(note.onset, note.number % 12) for note in other}
            if len(mine & theirs) >= 0.95 * len(mine) and len(mine) > 4:
                name = heard.names.get(source[0].track, "") or f"track {source[0].track + 1}"
                notebook.leave_out("this part doubles another", who=name)
                break
        else:
            kept.append(source)
    return sorted(kept, key=sources.index)


# -- time and key ----------------------------------------------------------------------------------


def _times(
    heard: Heard,
    options: MidiOptions,
    soundings: Sequence[Sounding],
    grid: Grid,
    first: Fraction,
    notebook: Notebook,
) -> tuple[list[tuple[Fraction, Time]], Fraction]:
    """Changes of time with their places, and the upbeat."""
    told = [] if options.time is not None or grid.followed else _told_times(heard, first)
    if options.time is not None:
        told = [(Fraction(0), options.time)]
    pickup = options.pickup * told[0][1].beat if options.pickup is not None and told else None
    if told:
        if pickup is None and options.time is None:
            pickup = _told_pickup(heard, told, first)
            told = _without_upbeat_time(told)
        if pickup is None:
            barring = find_barring(soundings, [told[0][1]])
            pickup = barring.pickup
            notebook.assume(_upbeat_said(barring))
        return [(Fraction(0), told[0][1]), *told[1:]], pickup % told[0][1].bar_length
    barring = _guessed(soundings, options.pickup)
    notebook.assume(
        f"the file names no time; {barring.time} was found{'' if barring.sure > 0.8 else ', but not surely'}"
    )
    if options.pickup is None:
        notebook.assume(_upbeat_said(barring))
    return [(Fraction(0), barring.time)], barring.pickup


def _guessed(soundings: Sequence[Sounding], pickup: Fraction | None) -> Barring:
    if pickup is None:
        return find_barring(soundings)
    barring = find_barring(soundings)
    again = find_barring(soundings, [barring.time], [pickup * barring.time.beat])
    return Barring(barring.time, again.pickup, barring.sure)


def _upbeat_said(barring: Barring) -> str:
    beats = show_beat(barring.pickup / barring.time.beat)
    what = f"an upbeat of {beats} beat{'' if beats in ('1', '½', '¼', '¾') else 's'}" if barring.pickup else "no upbeat"
    return f"{what} was found{'' if barring.sure > 0.8 else ', but not surely'}"


def _told_times(heard: Heard, first: Fraction) -> list[tuple[Fraction, Time]]:
    """The file's times from the first note on; a later one of the same place replaces an earlier."""
    found: dict[Fraction, Time] = {}
    for tick, time in heard.times:
        found[max(Fraction(0), Fraction(tick, heard.ticks).limit_denominator(8) - first)] = time
    told = sorted(found.items(), key=lambda one: one[0])
    return [one for index, one in enumerate(told) if not index or one[1] != told[index - 1][1]]


def _told_pickup(heard: Heard, told: Sequence[tuple[Fraction, Time]], first: Fraction) -> Fraction | None:
    """The upbeat where the file places its bars; None where it does not.

    It does by a first bar of its own length, by a change of time, or by silence before the first note.
    """
    bar = told[0][1].bar_length
    before = [Fraction(tick, heard.ticks).limit_denominator(8) for tick, _ in heard.times]
    start = max((place for place in before if place <= first), default=Fraction(0))
    lead = (first - start) % bar
    if len(told) > 1:
        place, later = told[1]
        if place < later.bar_length and place <= bar:
            return place if not lead else None
        if place % bar:
            return place % bar
        if (place + lead) % bar == 0 and not lead:
            return Fraction(0)
    return bar - lead if lead else None


def _without_upbeat_time(told: list[tuple[Fraction, Time]]) -> list[tuple[Fraction, Time]]:
    """A first bar with a time of its own is an upbeat in the next bar's time."""
    if len(told) > 1 and told[1][0] < told[1][1].bar_length and told[1][0] <= told[0][1].bar_length:
        return [(Fraction(0), told[1][1]), *told[2:]]
    return told


def _keys(
    heard: Heard,
    options: MidiOptions,
    soundings: Sequence[Sounding],
    grid: Grid,
    first: Fraction,
    notebook: Notebook,
) -> list[tuple[Fraction, Key]]:
    if options.key is not None:
        return [(Fraction(0), options.key)]
    found: dict[Fraction, Key] = {}
    for tick, fifths, mode in heard.keys:
        place = max(Fraction(0), Fraction(round(grid.warp(tick / heard.ticks) * 2), 2) - first)
        found[place] = Key.from_fifths(fifths, "minor" if mode == "minor" else "major")
    if not found:
        key = hear_key(soundings)
        notebook.assume(f"the file names no key; {key} was found from the notes")
        return [(Fraction(0), key)]
    told = sorted(found.items(), key=lambda one: one[0])
    return [(Fraction(0), told[0][1]), *told[1:]]


# -- words and titles ------------------------------------------------------------------------------


def _words(
    syllables: Sequence[Syllable],
    heard: Heard,
    streams: Sequence[Sequence[Placed]],
    grid: Grid,
    first: Fraction,
) -> dict[int, list[SungAt]]:
    """Syllables at the notes that begin nearest to them, in the voice of their track or in the tune."""
    found: dict[int, list[SungAt]] = defaultdict(list)
    for one in syllables:
        voice = next((index for index, stream in enumerate(streams) if stream[0].track == one.track), 0)
        if len({stream[0].track for stream in streams}) == 1:
            voice = 0
        place = grid.warp(one.tick / heard.ticks)
        near = min(streams[voice], key=lambda note: abs(float(note.onset) - place))
        if abs(float(near.onset) - place) <= 0.5:
            found[voice].append(SungAt(near.onset - first, one.verse, one.text, one.hyphen))
    return found


def _name_of(stream: Sequence[Placed], heard: Heard, streams: Sequence[Sequence[Placed]]) -> str:
    """The track's name, where the track is this voice alone."""
    track = stream[0].track
    alone = sum(1 for other in streams if other[0].track == track) == 1
    return heard.names.get(track, "")[:60] if alone else ""


def _title(heard: Heard, lines: Sequence[Line], file: str) -> str:
    """The name of a first track without notes, or of the only track; "" when there is none."""
    name = heard.names.get(0, "")
    sounding = {note.track for note in heard.notes}
    if name and (0 not in sounding or len(sounding) == 1) and len(lines) and name != PurePath(file).name:
        return name[:120]
    return ""


def _pace(heard: Heard) -> Fraction | None:
    if not heard.tempos:
        return None
    at_start = [tempo for tick, tempo in heard.tempos if tick <= heard.notes[0].on]
    per_minute = Fraction(60_000_000, (at_start or [heard.tempos[0][1]])[-1])
    return Fraction(round(per_minute * 2), 2)


def _remark(heard: Heard, notebook: Notebook) -> None:
    if heard.drums:
        notebook.leave_out("the drums")
    if heard.hanging:
        notebook.assume("keys that are never released are held to the next note")


__all__ = ["MidiOptions", "read_midi"]
