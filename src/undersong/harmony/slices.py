"""The printed parts cut wherever a note begins or ends, each note with how it is reached and left.

Whether a note belongs to the chord is told by its length, its place in the bar and its neighbours:
a short note between two steps is cheap to explain as passing, a note that leaps away is not.

Conventions: ties are joined first; positions are `Fraction` quarter notes along the page, weights
are plain numbers (quarter notes times metrical strength). Grace notes and cues are left out.

References: common practice (kinds of non-chord notes), no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from undersong.model.pitch import Pitch
from undersong.model.time import Time
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
    inside = onset - bar.onset
    if bar.pickup and bar.time.beats:
        inside += bar.time.bar_length - bar.length
    return _strength(bar.time, inside)


@lru_cache(maxsize=1024)
def _strength(time: Time, inside: Fraction) -> float:
    beat = inside / time.beat
    if beat == 0:
        return 3.0
    beats = time.bar_length / time.beat if time.beats else Fraction(0)
    if beats and beats % 2 == 0 and beat == beats / 2:
        return 2.0
    if beat.denominator == 1:
        return 1.0
    return 0.5 if (beat * 2).denominator == 1 or (time.compound and (beat * 3).denominator == 1) else 0.25


def part_notes(tune: Tune) -> tuple[PartNote, ...]:
    """Every voice's sounding notes, ties joined, with their neighbours."""
    return tuple(note for voice in tune.voices for note in _joined(voice.name, voice.notes))


def _joined(voice: str, notes: tuple[Note, ...]) -> list[PartNote]:
    plain: list[tuple[Fraction, Fraction, Pitch]] = []
    tied = False
    for note in notes:
        if note.grace or note.cue or note.length <= 0:
            continue
        if plain and tied and plain[-1][2] == note.pitch and plain[-1][1] == note.onset:
            plain[-1] = (plain[-1][0], note.end, note.pitch)
        else:
            plain.append((note.onset, note.end, note.pitch))
        tied = note.tied
    meets = [one[1] == two[0] for one, two in pairwise(plain)]
    return [
        PartNote(
            voice, onset, end, pitch,
            plain[index - 1][2] if index and meets[index - 1] else None,
            plain[index + 1][2] if index < len(meets) and meets[index] else None,
        )
        for index, (onset, end, pitch) in enumerate(plain)
    ]  # fmt: skip


def slices(tune: Tune, notes: tuple[PartNote, ...], places: Iterable[Fraction] = ()) -> tuple[Slice, ...]:
    """The page cut at every onset, end and bar line, and at `places`; silent places are slices without notes."""
    length = tune.length
    cuts = {bar.onset for bar in tune.bars} | {length} | {place for place in places if 0 <= place <= length}
    sounding_at = {note.onset for note in notes} | {note.end for note in notes}
    last = float(length)
    cuts |= {place for place in sounding_at if 0 <= float(place) <= last}
    ordered = sorted(cuts)
    index_of = {place: index for index, place in enumerate(ordered)}
    sounding: list[list[PartNote]] = [[] for _ in ordered[1:]]
    for note in sorted(notes, key=lambda one: one.pitch.midi):
        if note.onset not in index_of:  # beyond the last bar
            continue
        for index in range(index_of[note.onset], index_of.get(note.end, len(sounding))):
            sounding[index].append(note)
    cut, bar = [], 0
    bars = [float(one.onset) for one in tune.bars]
    for index, held in enumerate(sounding):
        onset, end = ordered[index], ordered[index + 1]
        while bar + 1 < len(bars) and float(onset) >= bars[bar + 1]:
            bar += 1
        lasts = end - onset
        cut.append(Slice(onset, lasts, bar, strength(tune.bars[bar], onset), tuple(held), float(lasts)))
    return tuple(cut)
