"""From written time to sounding time: plain organ touch at a steady pace.

The musical problem: an organist holds notes to their written end, opens a key before striking it again, lifts
for breath at the end of a line, and leaves a whole number of beats between verses so that everybody knows when
to begin. Nothing is decided here that belongs on the page: ties, rests and holds are written by `arranging`.

Conventions: written time is quarter notes from the beginning of a section; names that end in `_seconds` count
from the first sound of the whole arrangement. Each section keeps one pace; a hold (fermata) is not lengthened.
A key is a number on a division: two hands on one division share its keys.

References: repeated notes lose half their value, common practice (no source), at most `MOST_OPENING_SECONDS`;
the gap between sections after rule R18: the bar filled, the lift, and the next pickup on its own beat.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import Accompaniment, Arrangement, PlacedBar, PlayedNote
from undersong.model.performance import PaceMark, Performance, SoundedNote
from undersong.model.time import Pace

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


def perform(arrangement: Arrangement) -> Performance:
    """Every key of an arrangement with the seconds at which it goes down and up, in the order they sound."""
    notes: list[SoundedNote] = []
    paces: list[PaceMark] = []
    begins_seconds = 0.0
    sections = [section for section in arrangement.sections if section.bars]
    for index, section in enumerate(sections):
        quarter_seconds = section.pace.seconds(Fraction(1))
        paces.append(PaceMark(begins_seconds, quarter_seconds, section.id, Fraction(0)))
        gap = NO_GAP
        if index + 1 < len(sections):
            gap = gap_between(section, sections[index + 1], arrangement.plan.gap_beats)
        notes += _sounding(section, begins_seconds, gap.hold)
        begins_seconds += section.pace.seconds(section.length + gap.length)
    ordered = sorted(notes, key=lambda note: (note.on_seconds, note.division, note.number))
    return Performance(tuple(ordered), tuple(paces), begins_seconds)


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


def _sounding(section: Accompaniment, begins_seconds: float, hold: Fraction) -> Iterable[SoundedNote]:
    """The keys of one section: ties merged, one key struck once at a time, repeated keys opened, breaths lifted."""
    by_key: dict[tuple[str, int], list[_Stroke]] = {}
    for stroke in _strokes(section.notes):
        by_key.setdefault((stroke.division, stroke.number), []).append(stroke)
    breaths = set(section.breaths)
    for strokes in by_key.values():
        single = _one_at_a_time(strokes)
        for index, stroke in enumerate(single):
            up_seconds = section.pace.seconds(stroke.end + (hold if stroke.end == section.length else 0))
            down_seconds = section.pace.seconds(stroke.start)
            half_seconds = section.pace.seconds(stroke.end - stroke.start) / 2
            if stroke.end in breaths:
                up_seconds -= min(LIFT_SECONDS, half_seconds)
            if index + 1 < len(single):
                again_seconds = section.pace.seconds(single[index + 1].start)
                up_seconds = min(up_seconds, again_seconds - min(MOST_OPENING_SECONDS, half_seconds))
            yield SoundedNote(
                stroke.id, begins_seconds + down_seconds, begins_seconds + up_seconds, stroke.number, stroke.division
            )


def _strokes(notes: Sequence[PlayedNote]) -> list[_Stroke]:
    """Written notes as strokes; a tie leads to the note of the same part, pitch and division that begins at its end."""
    strokes: list[_Stroke] = []
    open_ties: dict[tuple[str, int, str, Fraction], int] = {}
    for note in sorted(notes, key=lambda one: (one.start, one.pitch.midi, one.id)):
        thread = (note.part, note.pitch.midi, note.division)
        held = open_ties.pop((*thread, note.start), None) if note.tie in ("stop", "both") else None
        if held is None:
            held = len(strokes)
            strokes.append(_Stroke(note.id, note.start, note.end, note.pitch.midi, note.division))
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
