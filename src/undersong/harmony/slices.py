"""The printed parts cut wherever a note begins or ends, each note with how it is reached and left.

Whether a note belongs to the chord is told by its length, its place in the bar and its neighbours:
a short note between two steps is cheap to explain as passing, a note that leaps away is not.

Conventions: ties are joined first; positions are `Fraction` quarter notes along the page, weights
are plain numbers (quarter notes times metrical strength). Grace notes and cues are left out.

References: common practice (kinds of non-chord notes), no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.pitch import Pitch
from undersong.model.tune import Bar, Note, Tune


@dataclass(frozen=True, slots=True)
class PartNote:
    """A note of one voice with ties joined; `before` and `after` are its neighbours without a rest between."""

    voice: str
    onset: Fraction
    end: Fraction
    pitch: Pitch
    before: Pitch | None = None
    after: Pitch | None = None

    @property
    def reached(self) -> int | None:
        """Staff steps from the note before (positive upwards); None after a rest."""
        return self.pitch.diatonic - self.before.diatonic if self.before else None

    @property
    def left(self) -> int | None:
        """Staff steps to the note after; None before a rest."""
        return self.after.diatonic - self.pitch.diatonic if self.after else None


@dataclass(frozen=True, slots=True)
class Slice:
    """What sounds between two neighbouring cuts, lowest pitch first; `strength` is the metre's at its onset."""

    onset: Fraction
    length: Fraction
    bar: int
    strength: float
    notes: tuple[PartNote, ...]
    quarters: float
    """The length as a plain number."""

    @property
    def end(self) -> Fraction:
        """Where the slice ends along the page."""
        return self.onset + self.length


def strength(bar: Bar, onset: Fraction) -> float:
    """Metrical strength of a place: 3 first beat, 2 the middle of an even bar, 1 a beat, ½ half a beat, else ¼."""
    beat = bar.beat_of(onset) - 1
    if beat == 0:
        return 3.0
    beats = bar.time.bar_length / bar.time.beat if bar.time.beats else Fraction(0)
    if beats and beats % 2 == 0 and beat == beats / 2:
        return 2.0
    if beat.denominator == 1:
        return 1.0
    return 0.5 if (beat * 2).denominator == 1 or (bar.time.compound and (beat * 3).denominator == 1) else 0.25


def part_notes(tune: Tune) -> tuple[PartNote, ...]:
    """Every voice's sounding notes, ties joined, with their neighbours."""
    return tuple(note for voice in tune.voices for note in _joined(voice.name, voice.notes))


def _joined(voice: str, notes: tuple[Note, ...]) -> list[PartNote]:
    joined: list[PartNote] = []
    tied = False
    for note in notes:
        if note.grace or note.cue or note.length <= 0:
            continue
        last = joined[-1] if joined else None
        if last and tied and last.pitch == note.pitch and last.end == note.onset:
            joined[-1] = replace(last, end=note.end)
        else:
            joined.append(PartNote(voice, note.onset, note.end, note.pitch))
        tied = note.tied
    for index in range(len(joined) - 1):
        one, two = joined[index], joined[index + 1]
        if one.end == two.onset:
            joined[index] = replace(one, after=two.pitch)
            joined[index + 1] = replace(two, before=one.pitch)
    return joined


def slices(tune: Tune, notes: tuple[PartNote, ...]) -> tuple[Slice, ...]:
    """The page cut at every onset, end and bar line; silent places are slices without notes."""
    cuts = {bar.onset for bar in tune.bars} | {tune.length}
    cuts |= {place for note in notes for place in (note.onset, note.end) if 0 <= place <= tune.length}
    places = sorted(cuts)
    index_of = {place: index for index, place in enumerate(places)}
    sounding: list[list[PartNote]] = [[] for _ in places[1:]]
    for note in sorted(notes, key=lambda one: one.pitch.midi):
        if note.onset not in index_of:  # beyond the last bar
            continue
        for index in range(index_of[note.onset], index_of.get(note.end, len(sounding))):
            sounding[index].append(note)
    cut, bar = [], 0
    for index, held in enumerate(sounding):
        onset, end = places[index], places[index + 1]
        while bar + 1 < len(tune.bars) and onset >= tune.bars[bar + 1].onset:
            bar += 1
        cut.append(Slice(onset, end - onset, bar, strength(tune.bars[bar], onset), tuple(held), float(end - onset)))
    return tuple(cut)
