"""A performance as a standard MIDI file.

The musical problem: an organ console or a player program wants each division on a channel of its own, keys
going down and up exactly when the `Performance` says so, and bars to follow from the pace.

Conventions: format 1; track 0 holds title, tempo map and section names as markers; then one track and one
channel for each division that plays, manuals from the lowest keyboard up, the pedal last. Channel 10, by custom
for drums, is passed over. Every key has the same velocity, for an organ key knows none. Shutters are controller
11 on the channels of enclosed divisions, moving evenly between two positions. No program changes.

References: MIDI 1.0 (MMA), standard MIDI files; tempo in whole microseconds a quarter note.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import BytesIO
from itertools import pairwise

import mido

from undersong.errors import CannotWrite
from undersong.model.organ import Organ
from undersong.model.performance import PaceMark, Performance

TICKS = 1920
"""Ticks in a quarter note: at 30 crotchets a minute half a tick is 0.5 ms, the most a key can be out."""

VELOCITY = 80
DRUMS = 9
EXPRESSION = 11
SLOWEST = 0xFFFFFF
"""Most microseconds a quarter note that three bytes hold: some 3.6 crotchets a minute."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    """From a tick on, so many microseconds a quarter note; `seconds` is where the file's own clock stands there."""

    tick: int
    seconds: float
    tempo: int

    def tick_at(self, seconds: float) -> int:
        return self.tick + round((seconds - self.seconds) * 1e6 * TICKS / self.tempo)

    def seconds_at(self, tick: int) -> float:
        return self.seconds + (tick - self.tick) * self.tempo / TICKS / 1e6


def midi_file(performance: Performance, organ: Organ, title: str = "") -> bytes:
    """The performance as a standard MIDI file; key-on and key-off lie within 1 ms of it.

    Raises CannotWrite where more than fifteen divisions play.
    """
    stretches = _tempo_map(performance.paces)
    channels = _channels(performance, organ)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.append(_first_track(performance, stretches, title))
    for division, channel in channels.items():
        events = _keys(performance, division, channel, stretches)
        found = organ.division(division)
        if found is not None and found.enclosed:
            events += _shutters(performance, channel, stretches)
        file.tracks.append(_track(events, division, _tick(stretches, performance.length_seconds)))
    held = BytesIO()
    file.save(file=held)
    return held.getvalue()


def _tempo_map(paces: Sequence[PaceMark]) -> list[_Stretch]:
    """Stretches of one tempo, counted on the file's own clock so that rounding does not add up."""
    stretches: list[_Stretch] = []
    for mark in paces:
        tempo = max(1, min(SLOWEST, round(mark.quarter_seconds * 1e6)))
        if not stretches:
            stretches.append(_Stretch(0, 0.0, tempo))
            continue
        before = stretches[-1]
        tick = max(before.tick, before.tick_at(mark.at_seconds))
        stretches.append(_Stretch(tick, before.seconds_at(tick), tempo))
    return stretches or [_Stretch(0, 0.0, 500_000)]


def _tick(stretches: Sequence[_Stretch], seconds: float) -> int:
    """The tick nearest to a moment."""
    index = max(0, bisect_right(stretches, seconds, key=lambda one: one.seconds) - 1)
    return stretches[index].tick_at(seconds)


def _channels(performance: Performance, organ: Organ) -> dict[str, int]:
    """A channel for each division that plays, in the order of the console."""
    played = {note.division for note in performance.notes}
    console = [division.name for division in (*organ.manuals, *([organ.pedal] if organ.pedal else []))]
    order = [name for name in console if name in played] + sorted(played - set(console))
    free = [channel for channel in range(16) if channel != DRUMS]
    if len(order) > len(free):
        raise CannotWrite(
            f"{len(order)} divisions play, but a MIDI file has room for {len(free)}",
            remedy="Lay the verses out for fewer divisions.",
        )
    return dict(zip(order, free, strict=False))


_Event = tuple[int, int, "mido.Message | mido.MetaMessage"]
"""Tick, rank at one tick (keys go up before others go down), and the message without its time."""


def _first_track(performance: Performance, stretches: Sequence[_Stretch], title: str) -> mido.MidiTrack:
    events: list[_Event] = []
    for mark, stretch in zip(performance.paces, stretches, strict=False):
        events.append((stretch.tick, 0, mido.MetaMessage("set_tempo", tempo=stretch.tempo)))
        if mark.section and not mark.start:
            events.append((stretch.tick, 1, mido.MetaMessage("marker", text=_latin(mark.section))))
    return _track(events, title, _tick(stretches, performance.length_seconds))


def _latin(text: str) -> str:
    """MIDI text in the one encoding that every reader takes; other signs become question marks."""
    return text.encode("latin-1", "replace").decode("latin-1")


def _keys(performance: Performance, division: str, channel: int, stretches: Sequence[_Stretch]) -> list[_Event]:
    events: list[_Event] = []
    for note in performance.notes:
        if note.division == division:
            down, up = _tick(stretches, note.on_seconds), _tick(stretches, note.off_seconds)
            facts = {"channel": channel, "note": note.number, "velocity": VELOCITY}
            events.append((down, 2, mido.Message("note_on", **facts)))
            events.append((max(up, down + 1), 0, mido.Message("note_off", **facts)))
    return events


SHUTTER_SECONDS = 0.05
"""Moving shutters are told so often at most."""


def _shutters(performance: Performance, channel: int, stretches: Sequence[_Stretch]) -> list[_Event]:
    """Where the shutters stand, and each place they pass on their even way to the next."""
    events: list[_Event] = []
    last = -1
    for seconds, open_ in _positions(performance.swell):
        value = round(127 * min(1, max(0, open_)))
        if value != last:
            facts = {"channel": channel, "control": EXPRESSION, "value": value}
            events.append((_tick(stretches, seconds), 1, mido.Message("control_change", **facts)))
            last = value
    return events


def _positions(marks: Sequence[tuple[float, float]]) -> Iterable[tuple[float, float]]:
    for (here, one), (there, two) in pairwise(marks):
        count = max(1, round((there - here) / SHUTTER_SECONDS)) if one != two else 1
        yield from ((here + (there - here) * n / count, one + (two - one) * n / count) for n in range(count))
    yield from marks[-1:]


def _track(events: Iterable[_Event], name: str, end: int) -> mido.MidiTrack:
    track = mido.MidiTrack()
    if name:
        track.append(mido.MetaMessage("track_name", name=_latin(name)))
    here = 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - here))
        here = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - here)))
    return track
