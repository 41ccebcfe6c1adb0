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
    """A note of one voice with ties joined."""

    voice: str
    onset: Fraction
    end: Fraction
    pitch: Pitch
    tone: int
    """The pitch class."""
    begins: float
    stops: float
    """Onset and end as plain numbers."""
    reached: int | None = None
    """Staff steps from the note before (positive upwards); None after a rest."""
    left: int | None = None
    """Staff steps to the note after; None before a rest."""


@dataclass(frozen=True, slots=True)
class Slice:
    """What sounds between two neighbouring cuts, lowest pitch first; `strength` is the metre's at its onset."""

    onset: Fraction
    length: Fraction
    bar: int
    strength: float
    notes: tuple[PartNote, ...]
    begins: float
    quarters: float
    """Onset and length as plain numbers."""

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
    places = [pitch.diatonic for _, _, pitch in plain]
    return [
        PartNote(
            voice, onset, end, pitch, pitch.midi % 12, float(onset), float(end),
            places[index] - places[index - 1] if index and meets[index - 1] else None,
            places[index + 1] - places[index] if index < len(meets) and meets[index] else None,
        )
        for index, (onset, end, pitch) in enumerate(plain)
    ]  # fmt: skip


def slices(tune: Tune, notes: tuple[PartNote, ...], places: Iterable[Fraction] = ()) -> tuple[Slice, ...]:
    """The page cut at every onset, end and bar line, and at `places`; silent places are slices without notes."""
    length = tune.length
    last = float(length)
    cuts = {bar.onset.as_integer_ratio(): bar.onset for bar in tune.bars} | {length.as_integer_ratio(): length}
    cuts |= {place.as_integer_ratio(): place for place in places if 0 <= place <= length}
    begins, stops = [note.onset.as_integer_ratio() for note in notes], [note.end.as_integer_ratio() for note in notes]
    cuts |= {key: note.onset for key, note in zip(begins, notes, strict=True) if 0 <= note.begins <= last}
    cuts |= {key: note.end for key, note in zip(stops, notes, strict=True) if 0 <= note.stops <= last}
    floats = {key: key[0] / key[1] for key in cuts}
    ordered = sorted(cuts, key=lambda key: (floats[key], cuts[key]))
    index_of = {key: index for index, key in enumerate(ordered)}
    sounding: list[list[PartNote]] = [[] for _ in ordered[1:]]
    for note, begin, stop in sorted(zip(notes, begins, stops, strict=True), key=lambda row: row[0].pitch.midi):
        if begin not in index_of:  # beyond the last bar
            continue
        for index in range(index_of[begin], index_of.get(stop, len(sounding))):
            sounding[index].append(note)
    cut, bar = [], 0
    bars = [float(one.onset) for one in tune.bars]
    for (key, following), held in zip(pairwise(ordered), sounding, strict=True):
        onset = cuts[key]
        while bar + 1 < len(bars) and floats[key] >= bars[bar + 1]:
            bar += 1
        lasts = cuts[following] - onset
        cut.append(Slice(onset, lasts, bar, strength(tune.bars[bar], onset), tuple(held), floats[key], float(lasts)))
    return tuple(cut)
