"""Voices in written time to a raw score: bars, ties over bar lines, key, time, words and pace.

Conventions: a `Line` is one voice with its written notes; places are quarter notes from the first note. Bars are
made from the changes of time, the first of them after the upbeat.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from undersong.model.pitch import Key, Pitch
from undersong.model.text import Hyphen
from undersong.model.time import Time
from undersong.reading.raw import (
    MOST_BARS,
    RawBar,
    RawClef,
    RawDirection,
    RawKey,
    RawLyric,
    RawNote,
    RawPart,
    RawTime,
)

LOW_VOICE = 55
"""A line whose middle note number is below this stands in the bass clef."""
_SYLLABIC: Mapping[Hyphen, str] = {"single": "single", "begin": "begin", "middle": "middle", "end": "end"}


@dataclass(frozen=True, slots=True)
class Written:
    """A note as it will be written."""

    onset: Fraction
    length: Fraction
    pitch: Pitch


@dataclass(frozen=True, slots=True)
class SungAt:
    """A syllable at a written place."""

    onset: Fraction
    verse: int
    text: str
    hyphen: Hyphen


@dataclass(frozen=True, slots=True)
class Line:
    """One voice."""

    name: str
    notes: tuple[Written, ...]
    words: tuple[SungAt, ...] = ()


@dataclass(frozen=True, slots=True)
class BarSpan:
    """Where a bar lies, and its time."""

    onset: Fraction
    end: Fraction
    time: Time


def lay_bars(times: Sequence[tuple[Fraction, Time]], pickup: Fraction, end: Fraction) -> list[BarSpan]:
    """Bars from 0 to `end`. `times` are changes with their places; the last bar completes the upbeat if it can."""
    bars: list[BarSpan] = []
    place = Fraction(0)
    if pickup:
        bars.append(BarSpan(place, pickup, times[0][1]))
        place = pickup
    while place < end and len(bars) < MOST_BARS:
        time = _time_at(times, place)
        length = time.bar_length or Fraction(4)
        change = next((at for at, _ in times if place < at < place + length), None)
        bars.append(BarSpan(place, min(place + length, change or place + length), time))
        place = bars[-1].end
    last = bars[-1]
    short = last.end - pickup
    if pickup and len(bars) > 1 and short >= end:
        bars[-1] = BarSpan(last.onset, max(short, last.onset + Fraction(1, 4)), last.time)
    return bars


def _time_at(times: Sequence[tuple[Fraction, Time]], place: Fraction) -> Time:
    return next((time for at, time in reversed(times) if at <= place), times[0][1])


def make_parts(
    lines: Sequence[Line],
    bars: Sequence[BarSpan],
    keys: Sequence[tuple[Fraction, Key]],
    per_minute: Fraction | None,
) -> tuple[RawPart, ...]:
    """A part of one staff for each line; the first part carries the pace."""
    return tuple(_part(index, line, bars, keys, per_minute if index == 0 else None) for index, line in enumerate(lines))


def _part(
    index: int, line: Line, bars: Sequence[BarSpan], keys: Sequence[tuple[Fraction, Key]], per_minute: Fraction | None
) -> RawPart:
    notes = _cut(line, bars)
    numbers = sorted(note.pitch.midi for note in line.notes)
    low = bool(numbers) and numbers[len(numbers) // 2] < LOW_VOICE
    raw: list[RawBar] = []
    for place, bar in enumerate(bars):
        before = bars[place - 1] if place else None
        changes = [RawKey(Fraction(0), key.fifths, key.mode) for key in _keys_from(keys, bar, first=place == 0)]
        raw.append(
            RawBar(
                "",
                False,
                bar.end - bar.onset,
                tuple(notes[place]),
                directions=(RawDirection(Fraction(0), tempo=per_minute),) if place == 0 and per_minute else (),
                keys=tuple(changes[-1:]),
                times=(RawTime(Fraction(0), bar.time),) if before is None or before.time != bar.time else (),
                clefs=(RawClef(1, "F" if low else "G", "", 0),) if place == 0 else (),
            )
        )
    pickup = len(bars) > 1 and bars[0].end - bars[0].onset < bars[0].time.bar_length
    numbered = tuple(_numbered(bar, str(place + (0 if pickup else 1))) for place, bar in enumerate(raw))
    return RawPart(f"P{index + 1}", line.name, "", numbered)


def _numbered(bar: RawBar, number: str) -> RawBar:
    return RawBar(
        number, False, bar.extent, bar.notes, directions=bar.directions, keys=bar.keys, times=bar.times, clefs=bar.clefs
    )


def _keys_from(keys: Sequence[tuple[Fraction, Key]], bar: BarSpan, *, first: bool) -> list[Key]:
    inside = [key for at, key in keys if bar.onset <= at < bar.end]
    return inside or ([keys[0][1]] if first else [])


def _cut(line: Line, bars: Sequence[BarSpan]) -> dict[int, list[RawNote]]:
    """The notes of each bar; what sounds over a bar line is tied."""
    starts = [bar.onset for bar in bars]
    words: dict[Fraction, list[SungAt]] = defaultdict(list)
    for word in line.words:
        words[word.onset].append(word)
    found: dict[int, list[RawNote]] = defaultdict(list)
    for note in line.notes:
        place, end = note.onset, note.onset + note.length
        while place < end:
            index = bisect_right(starts, place) - 1
            bar = bars[index]
            stop = min(end, bar.end)
            if stop <= place:
                break
            more = stop < end and index + 1 < len(bars)
            lyrics = _lyrics(words[place]) if place == note.onset else ()
            found[index].append(
                RawNote(
                    index,
                    place - bar.onset,
                    stop - place,
                    note.pitch,
                    note.pitch,
                    "1",
                    1,
                    tie_start=more,
                    tie_stop=place > note.onset,
                    lyrics=lyrics,
                )
            )
            place = stop
    return found


def _lyrics(words: Sequence[SungAt]) -> tuple[RawLyric, ...]:
    return tuple(
        RawLyric(str(word.verse), "", (word.text,), (_SYLLABIC[word.hyphen],), (), False, ()) for word in words
    )
