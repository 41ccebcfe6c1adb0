"""Bars as printed: numbers, lengths, pickups, keys, times, double bars.

A bar is as long as its notes. The first bar of a hymn may be an upbeat, the last one completes it, and a
bar may be divided where a repeat or a line ends; any other short bar is told. A bar that all parts make longer by
whole beats is taken as it stands and told; where parts disagree, a bar with too much in it is refused, since no
guess would be safe.

Conventions: positions are quarter notes. The pickup is bar "0"; the second half of a divided bar is "12b".
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from undersong.errors import BrokenBar
from undersong.model.pitch import Key
from undersong.model.time import Time
from undersong.model.tune import Bar, show_beat
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawBar, RawNote
from undersong.reading.strands import Strand

_DOUBLE = ("light-light", "heavy-light", "light-heavy", "heavy-heavy")
_PRINTED = re.compile(r"\d{1,4}[a-z]?")


def build_bars(strands: Sequence[Strand], notebook: Notebook, file: str = "") -> tuple[Bar, ...]:
    """The bars of the page, keys still by signature alone (major); BrokenBar where a bar is too full."""
    parts = list({strand.part.id: strand.part for strand in strands}.values())
    count = max(len(part.bars) for part in parts)
    columns = [[part.bars[index] for part in parts if index < len(part.bars)] for index in range(count)]
    times = _times(columns, notebook)
    lengths = [_length(index, column, times[index], strands) for index, column in enumerate(columns)]
    ends = {strand.name: _ends(strand) for strand in strands}
    full = [{name: found.get(index, Fraction(0)) for name, found in ends.items()} for index in range(count)]
    times = [_stretched(time, full[index], index, notebook) for index, time in enumerate(times)]
    pickups = _pickups(times, lengths)
    numbers = _numbers(columns, pickups)
    for index in range(count):
        _check_fullness(times[index], numbers[index], full[index], file)
    keys = _keys(columns, notebook)
    bars, onset = [], Fraction(0)
    for index in range(count):
        bars.append(
            Bar(numbers[index], onset, lengths[index], times[index], keys[index], pickups[index],
                _double(columns, index))
        )  # fmt: skip
        onset += lengths[index]
    _remark_short(bars, _returning(columns), notebook)
    return tuple(bars)


def _times(columns: list[list[RawBar]], notebook: Notebook) -> list[Time]:
    current: Time | None = None
    later: Time | None = None
    found: list[Time | None] = []
    for index, column in enumerate(columns):
        current, later = later or current, None
        changes = next((bar.times for bar in column if bar.times), ())
        for change in changes:
            if change.at == 0 or current is None:
                current = change.time
            else:
                later = change.time
                notebook.assume("a new time signature inside the bar counts from the next bar", index, change.at)
        found.append(current)
    first = next((time for time in found if time is not None), None)
    if first is None:
        notebook.assume("there is no time signature; every bar is as long as its notes")
    return [time or first or Time(0, 4) for time in found]


def _keys(columns: list[list[RawBar]], notebook: Notebook) -> list[Key]:
    current = Key.from_fifths(0)
    later: Key | None = None
    found = []
    for index, column in enumerate(columns):
        current, later = later or current, None
        for change in next((bar.keys for bar in column if bar.keys), ()):
            key = Key.from_fifths(change.fifths, "minor" if change.mode == "minor" else "major")
            if change.at == 0:
                current = key
            else:
                later = key
                notebook.assume("a new key signature inside the bar counts from the next bar", index, change.at)
        found.append(current)
    return found


def _on(strand: Strand, index: int) -> list[RawNote]:
    """Notes and printed rests of the strand's staff in a bar."""
    bars = strand.part.bars
    return [note for note in bars[index].notes if note.staff == strand.staff] if index < len(bars) else []


def _length(index: int, column: list[RawBar], time: Time, strands: Sequence[Strand]) -> Fraction:
    full = time.bar_length
    extent = max(bar.extent for bar in column)
    ends = [note.end for strand in strands for note in _on(strand, index) if not note.whole_bar and not note.rest]
    if full:
        extent = min(extent, full)
    length = max([extent, *ends])
    if length:
        return length
    rests = [note.end for bar in column for note in bar.notes if note.whole_bar]
    return full or max(rests, default=Fraction(0)) or Fraction(4)


def _stretched(time: Time, ends: dict[str, Fraction], index: int, notebook: Notebook) -> Time:
    """The time of a bar that all parts agree to make longer by whole beats: printed so, it is kept and told."""
    agreed = set(ends.values())
    if not time.beats or len(ends) < 2 or len(agreed) > 1:
        return time
    (end,) = agreed
    if end <= time.bar_length or end % time.beat:
        return time
    taken = Time(int(end * time.unit / 4), time.unit)
    notebook.assume(f"all parts have {show_beat(end / time.beat)} beats; the bar is taken as {taken}", index)
    return taken


def _check_fullness(time: Time, number: str, ends: dict[str, Fraction], file: str) -> None:
    full = time.bar_length
    if not full:
        return
    worst = max(ends.values())
    if worst <= full:
        return
    over = [name for name, end in ends.items() if end > full]
    beats = show_beat(worst / time.beat)
    who = "" if len(over) == len(ends) > 1 else f", {over[0]}"
    raise BrokenBar(
        f"this bar has {beats} beats of {show_beat(full / time.beat)} ({time}); is the pickup marked, "
        "or is a time signature missing?",
        file=file,
        place=f"bar {number}, beat {show_beat(full / time.beat + 1)}{who}",
    )


def _ends(strand: Strand) -> dict[int, Fraction]:
    """Where the last note of each bar ends, by the bar's index."""
    ends: dict[int, Fraction] = {}
    for note in strand.notes:
        ends[note.bar] = max(ends.get(note.bar, Fraction(0)), note.end)
    return ends


def _pickups(times: list[Time], lengths: list[Fraction]) -> list[bool]:
    """The first bar if it is short; later the second half of a divided bar."""
    found = []
    for index, length in enumerate(lengths):
        full = times[index].bar_length
        short = bool(full) and length < full
        if index == 0:
            found.append(short and len(lengths) > 1)
        else:
            before_full = lengths[index - 1] >= times[index - 1].bar_length
            completes = not found[-1] and not before_full and lengths[index - 1] + length == full
            found.append(short and completes)
    return found


def _numbers(columns: list[list[RawBar]], pickups: list[bool]) -> list[str]:
    found: list[str] = []
    used: set[str] = set()
    base, letter = "0", "a"
    for index, column in enumerate(columns):
        printed = column[0].number if column else ""
        goes_on = (column[0].implicit and not _counts(columns, index)) or printed.rstrip("abcdefgh") in used
        if index == 0 and pickups[0]:
            text = "0"
        elif _PRINTED.fullmatch(printed) and printed not in used and not (goes_on and index):
            text = printed
        elif index == 0:
            text = "1"
        else:
            letter = chr(ord(letter) + 1) if letter < "z" else "z"
            text = f"{base}{letter}"
            while text in used:
                text += "b"
            found.append(text)
            used.add(text)
            continue
        base, letter = text, "a"
        found.append(text)
        used.add(text)
    return found


def _counts(columns: list[list[RawBar]], index: int) -> bool:
    """True where a bar marked implicit is nevertheless counted by its neighbours."""
    here = columns[index][0].number
    before = columns[index - 1][0].number if index else ""
    after = columns[index + 1][0].number if index + 1 < len(columns) else ""
    if not all(text.isascii() and text.isdigit() for text in (here, before)):
        return False
    steps_up = int(here) == int(before) + 1
    return steps_up and (not after or not after.isascii() or not after.isdigit() or int(after) == int(here) + 1)


def _double(columns: list[list[RawBar]], index: int) -> bool:
    """A double bar at the end of the bar, other than the last one and repeats."""
    if index + 1 >= len(columns):
        return False
    right = [line for bar in columns[index] for line in bar.barlines if line.location == "right"]
    left = [line for bar in columns[index + 1] for line in bar.barlines if line.location == "left"]
    if any(line.repeat for line in (*right, *left)):
        return False
    return any(line.style in _DOUBLE for line in (*right, *left))


def _returning(columns: list[list[RawBar]]) -> set[int]:
    """Bars that end with a repeat, an ending or a final bar line: an upbeat may follow from elsewhere."""
    return {
        index
        for index, column in enumerate(columns)
        for bar in column
        for line in bar.barlines
        if line.location == "right" and (line.repeat or line.ending or line.style == "light-heavy")
    }


def _remark_short(bars: list[Bar], returning: set[int], notebook: Notebook) -> None:
    for index, bar in enumerate(bars):
        full = bar.time.bar_length
        if not full or bar.length == full or bar.pickup:
            continue
        after = bars[index + 1] if index + 1 < len(bars) else None
        if after is not None and after.pickup:
            continue
        ends_here = after is None or index in returning
        if ends_here and bars[0].pickup and bar.length + bars[0].length == full:
            continue
        have, want = (show_beat(length / bar.time.beat) for length in (bar.length, full))
        notebook.assume(f"the bar has {have} beats of {want} and is kept as it is", index)


def with_keys(bars: Sequence[Bar], keys: Sequence[Key]) -> tuple[Bar, ...]:
    """The same bars in other keys, one key for each bar."""
    return tuple(replace(bar, key=key) for bar, key in zip(bars, keys, strict=True))
