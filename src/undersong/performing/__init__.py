"""From written time to sounding time: touch, breaths, gaps, pace, shutters.

The musical problem: an organist holds notes to their written end, opens a key before striking it again, lifts
for breath at the end of a line, and leaves a whole number of beats between verses so that everybody knows when
to begin. Nothing is decided here that belongs on the page: ties, rests and holds are written by `arranging`.

Conventions: written time is quarter notes from the beginning of a section; names that end in `_seconds` count
from the first sound of the whole arrangement. Without a `Touch` each section keeps one pace, keys are held to their
written end and the shutters stand; with one, the room, the organ and her wishes shape all three. A key is a number on
a division: two hands on one division share its keys.

References: repeated notes lose half their value, common practice (no source), at most `MOST_OPENING_SECONDS`, unless a
touch knows better;
the gap between sections after rule R18: the bar filled, the lift, and the next pickup on its own beat.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import Accompaniment, Arrangement, PlacedBar, PlayedNote
from undersong.model.performance import PaceMark, Performance, SoundedNote, StopChange
from undersong.model.time import Pace
from undersong.performing.pace import Clock, clock_of
from undersong.performing.swell import shutters
from undersong.performing.touch import Touch, connected_overlap, opening, speech_of

MOST_OPENING_SECONDS = 0.35
"""A key struck again is open for half its first value, at most so long (common practice, no source)."""

LIFT_SECONDS = 0.2
"""How long all keys are up at a breath for which no rest is written (assumed), at most half of the note."""


@dataclass(frozen=True, slots=True)
class _Stroke:
    """One striking of a key in written time, ties merged."""

    id: str
    start: Fraction
    end: Fraction
    number: int
    division: str
    limb: str


@dataclass(frozen=True, slots=True)
class _Played:
    """A section on the clock of the performance: from when on, how its time runs, how long its end is held."""

    section: Accompaniment
    begins_seconds: float
    clock: Clock
    hold: Fraction

    def seconds(self, start: Fraction) -> float:
        """Where a place of the section falls."""
        return self.begins_seconds + self.clock.seconds(start)


def perform(arrangement: Arrangement, touch: Touch | None = None) -> Performance:
    """Every key of an arrangement with the seconds at which it goes down and up, in the order they sound."""
    played = list(_placed(arrangement, touch))
    notes = [note for one in played for note in _sounding(one, touch)]
    paces = [
        PaceMark(one.begins_seconds + seconds, quarter, one.section.id, start)
        for one in played
        for start, seconds, quarter in one.clock.stretches
    ]
    ordered = sorted(notes, key=lambda note: (note.on_seconds, note.division, note.number))
    ends_seconds = played[-1].seconds(played[-1].section.length) if played else 0.0
    moved: list[tuple[float, float]] = []
    if touch and touch.swell:
        moved = [mark for one in played for mark in shutters(one.section, one.seconds, touch.organ)]
    return Performance(tuple(ordered), tuple(paces), ends_seconds, tuple(moved), tuple(_stop_changes(played)))


def _placed(arrangement: Arrangement, touch: Touch | None) -> Iterable[_Played]:
    """The sections one after the other, each with its clock and its gap."""
    sections = [section for section in arrangement.sections if section.bars]
    begins_seconds = 0.0
    for index, section in enumerate(sections):
        last = index + 1 == len(sections)
        gap = NO_GAP if last else gap_between(section, sections[index + 1], arrangement.plan.gap_beats)
        if touch is None:
            clock = clock_of(section)
        else:
            clock = clock_of(section, hold_beats=touch.hold_beats, slowing=touch.slowing if last else 0.0)
        yield _Played(section, begins_seconds, clock, gap.hold)
        begins_seconds += clock.seconds(section.length + gap.length)


CHANGE_BEFORE_SECONDS = 0.4
"""Stops change so long before a section begins: what a piston needs (R26)."""


def _stop_changes(played: Sequence[_Played]) -> Iterable[StopChange]:
    """The stops of each section, where they differ from those before."""
    drawn: dict[str, tuple[str, ...]] = {}
    for one in played:
        for division, stops in one.section.registration.drawn:
            if drawn.get(division) != stops:
                drawn[division] = stops
                yield StopChange(max(0.0, one.begins_seconds - CHANGE_BEFORE_SECONDS), division, stops)


@dataclass(frozen=True, slots=True)
class Gap:
    """Between two sections: how long the last chord is held on, then the lift, in quarter notes."""

    hold: Fraction
    lift: Fraction

    @property
    def length(self) -> Fraction:
        """From the written end of a section to the first note of the next."""
        return self.hold + self.lift


def gap_between(section: Accompaniment, following: Accompaniment, beats: int) -> Gap:
    """The gap after a section (R18): the bar is filled, a pickup falls on its own beat, the lift is 1.0 to 1.8 s.

    `beats` is the lift wished for in beats; where it would be shorter or longer than that, the nearest number of
    beats that is not is taken, or else half a beat. What is left of the bar the last chord is held.
    """
    beat = max(section.bars[-1].time.beat, section.pace.beat)
    bar = max(section.bars[-1].time.bar_length, beat)
    lift = _lift(section.pace, beat, beats)
    ends = _place(section.bars[-1], section.length)
    opening = following.bars[0]
    pickup = opening.length if opening.pickup else Fraction(0)
    ahead = pickup * _quarters_a_minute(section) / _quarters_a_minute(following)
    hold = (-ends - ahead - lift) % bar
    return Gap(hold, lift)


NO_GAP = Gap(Fraction(0), Fraction(0))
SHORTEST_LIFT_SECONDS, LONGEST_LIFT_SECONDS = 1.0, 1.8
"""R18 (common practice, no source)."""


def _lift(pace: Pace, beat: Fraction, beats: int) -> Fraction:
    choices = [beat * count for count in range(1, 9)] + [beat / 2]
    fit = [one for one in choices if SHORTEST_LIFT_SECONDS <= pace.seconds(one) <= LONGEST_LIFT_SECONDS]
    return min(fit, key=lambda one: abs(one - beats * beat)) if fit else beat * max(1, beats)


def _quarters_a_minute(section: Accompaniment) -> Fraction:
    return section.pace.beats_per_minute * section.pace.beat


def _place(bar: PlacedBar, start: Fraction) -> Fraction:
    """Quarter notes from where the full bar would begin."""
    return (bar.beat_of(start) - 1) * bar.time.beat


def _sounding(played: _Played, touch: Touch | None) -> Iterable[SoundedNote]:
    """The keys of one section: ties merged, one key struck once at a time, repeated keys opened, breaths lifted."""
    section = played.section
    by_key: dict[tuple[str, int], list[_Stroke]] = {}
    for stroke in _strokes(section.notes):
        by_key.setdefault((stroke.division, stroke.number), []).append(stroke)
    breaths = set(section.breaths)
    begun = {(note.limb, note.start) for note in section.notes}
    speech = {name: speech_of(name, section.registration, touch.organ) for name, _ in by_key} if touch else {}
    for (division, number), strokes in by_key.items():
        single = _one_at_a_time(strokes)
        for index, stroke in enumerate(single):
            down_seconds, end_seconds = played.seconds(stroke.start), played.seconds(stroke.end)
            step_seconds = end_seconds - down_seconds
            up_seconds = end_seconds if stroke.end < section.length else played.seconds(stroke.end + played.hold)
            breath = stroke.end in breaths
            again = single[index + 1].start if index + 1 < len(single) else None
            if breath:
                up_seconds -= min(LIFT_SECONDS, step_seconds / 2)
            elif touch and stroke.end < section.length and (stroke.limb, stroke.end) in begun and again != stroke.end:
                up_seconds += connected_overlap(touch, step_seconds, number, speech[division])
            if again is not None:
                shut = min(MOST_OPENING_SECONDS, step_seconds / 2)
                if touch and not breath:
                    shut = opening(touch, step_seconds, number, speech[division])
                up_seconds = min(up_seconds, played.seconds(again) - shut)
            yield SoundedNote(stroke.id, down_seconds, up_seconds, number, division)


def _strokes(notes: Sequence[PlayedNote]) -> list[_Stroke]:
    """Written notes as strokes; a tie leads to the note of the same part, pitch and division that begins at its end."""
    strokes: list[_Stroke] = []
    open_ties: dict[tuple[str, int, str, Fraction], int] = {}
    for note in sorted(notes, key=lambda one: (one.start, one.pitch.midi, one.id)):
        thread = (note.part, note.pitch.midi, note.division)
        held = open_ties.pop((*thread, note.start), None) if note.tie in ("stop", "both") else None
        if held is None:
            held = len(strokes)
            strokes.append(_Stroke(note.id, note.start, note.end, note.pitch.midi, note.division, note.limb))
        else:
            strokes[held] = replace(strokes[held], end=note.end)
        if note.tie in ("start", "both"):
            open_ties[*thread, note.end] = held
    return strokes


def _one_at_a_time(strokes: Sequence[_Stroke]) -> list[_Stroke]:
    """A key sounds once: struck while it is down it is opened first, and then stays down for the longer of the two."""
    single: list[_Stroke] = []
    for stroke in sorted(strokes, key=lambda one: (one.start, -one.end, one.id)):
        if single and stroke.start == single[-1].start:
            continue
        if single and stroke.start < single[-1].end:
            until = max(stroke.end, single[-1].end)
            single[-1] = replace(single[-1], end=stroke.start)
            single.append(replace(stroke, end=until))
        else:
            single.append(stroke)
    return single
