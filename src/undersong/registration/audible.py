"""How a section sounds with the stops drawn: how clear the tune, how loud the whole, how strong the pedal.

Conventions: sounds are judged at moments spread over the section; what sounds within a beat counts as one chord, for a
room holds a figure together. Sounds of single keyboards are kept, for they add. Levels in dB as in
`acoustics.audibility`. Pitch and temperament are the organ's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import log10
from statistics import median

from undersong.acoustics.audibility import Excitation, a_weighted_db, clarity_of, excitation, power_db
from undersong.acoustics.spectra import partials_of
from undersong.acoustics.temperament import key_hz
from undersong.model.accompaniment import Accompaniment, PlayedNote
from undersong.model.organ import Organ
from undersong.registration.recipes import Drawn

MOST_MOMENTS = 6
SILENCE = 1e-20

Keys = tuple[tuple[str, tuple[int, ...]], ...]
"""Keys by keyboard."""


@dataclass(frozen=True, slots=True)
class Moment:
    """Keys of the tune at one moment, and all others that sound within a beat of it."""

    tune: Keys
    others: Keys


def moments(section: Accompaniment) -> tuple[Moment, ...]:
    """Up to six moments of a section at which the tune sounds, evenly spread over its onsets."""
    onsets = sorted({note.start for note in section.notes if note.part == "tune"})
    step = max(1, -(-len(onsets) // MOST_MOMENTS))
    found = []
    for start in onsets[::step]:
        until = start + section.bar_at(start).time.beat
        tune = [note for note in section.notes if note.part == "tune" and note.start <= start < note.end]
        others = [note for note in section.notes if note.part != "tune" and note.start < until and start < note.end]
        found.append(Moment(_keys(tune), _keys(others)))
    return tuple(found)


def _keys(notes: Sequence[PlayedNote]) -> Keys:
    by_division: dict[str, set[int]] = {}
    for note in notes:
        by_division.setdefault(note.division, set()).add(note.pitch.midi)
    return tuple((division, tuple(sorted(numbers))) for division, numbers in sorted(by_division.items()))


@dataclass(frozen=True, slots=True)
class _Heard:
    """What some keys of one keyboard sound like; `deep_power` is that of the 16 foot stops."""

    a_power: float
    deep_power: float
    power: float


@lru_cache(maxsize=20_000)
def _heard(drawn: Drawn, numbers: tuple[int, ...], pedal: str, a4_hz: float, temperament: str) -> _Heard:
    sounds: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for number in numbers:
        hertz = key_hz(number, a4_hz, temperament)
        for home, stop in drawn:
            sounds[stop.pitch < 1] += partials_of(stop, number, hertz, pedal=home == pedal)
    both = [*sounds[True], *sounds[False]]
    deep, power, weighted = (10 ** (one / 10) for one in (power_db(sounds[True]), power_db(both), a_weighted_db(both)))
    return _Heard(weighted, deep, power)


@lru_cache(maxsize=20_000)
def _excited(drawn: Drawn, numbers: tuple[int, ...], pedal: str, a4_hz: float, temperament: str) -> Excitation:
    return excitation([
        partial
        for number in numbers
        for home, stop in drawn
        for partial in partials_of(stop, number, key_hz(number, a4_hz, temperament), pedal=home == pedal)
    ])  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sounds:
    """What an organ sounds like with some stops drawn on each keyboard."""

    organ: Organ
    drawn: Mapping[str, Drawn]

    @property
    def _pedal(self) -> str:
        return self.organ.pedal.name if self.organ.pedal else ""

    def _all(self, keys: Keys) -> list[_Heard]:
        return [
            _heard(self.drawn[division], numbers, self._pedal, self.organ.a4_hz, self.organ.temperament)
            for division, numbers in keys
            if self.drawn.get(division)
        ]

    def _excited(self, keys: Keys) -> Excitation:
        heard = [
            _excited(self.drawn[division], numbers, self._pedal, self.organ.a4_hz, self.organ.temperament)
            for division, numbers in keys
            if self.drawn.get(division)
        ]
        if len(heard) == 1:
            return heard[0]
        return tuple(map(sum, zip(*heard, strict=True))) if heard else excitation(())

    def clarity(self, when: Sequence[Moment], *, raised: int = 0) -> float:
        """How clear the tune is: the median over moments, 0 to 1; `raised` tries it so many semitones higher."""
        rows = []
        for moment in when:
            tune = tuple((division, tuple(one + raised for one in numbers)) for division, numbers in moment.tune)
            solo = self._excited(tune)
            rows.append(clarity_of(solo, self._excited(moment.others)))
        return median(rows) if rows else 1.0

    def level_db(self, when: Sequence[Moment], *, tune_only: bool = False) -> float:
        """A-weighted level of all that sounds, or of the tune alone: the median over moments."""
        rows = [
            sum(one.a_power for one in self._all(moment.tune if tune_only else (*moment.tune, *moment.others)))
            for moment in when
        ]
        return 10 * log10(median(rows) + SILENCE) if rows else 0.0

    def weaker_db(self, when: Sequence[Moment]) -> float:
        """A-weighted level of the tune above that of the hand that accompanies, feet not counted."""
        rows = []
        for moment in when:
            others = [one for one in moment.others if one[0] != self._pedal]
            tune, under = (sum(one.a_power for one in self._all(tuple(keys))) for keys in (moment.tune, others))
            if others:
                rows.append(10 * log10((tune + SILENCE) / (under + SILENCE)))
        return median(rows) if rows else 0.0

    def pedal_db(self, when: Sequence[Moment], solo: str = "") -> float | None:
        """Power of the pedal's 16 foot stops beside that of the hands, a solo manual not counted; None without both."""
        rows = []
        for moment in when:
            keys = (*moment.tune, *moment.others)
            feet = sum(one.deep_power for one in self._all(tuple(one for one in keys if one[0] == self._pedal)))
            hands = sum(one.power for one in self._all(tuple(one for one in keys if one[0] not in (self._pedal, solo))))
            if feet > 1e-15 and hands > 1e-15:
                rows.append(10 * log10(feet / hands))
        return median(rows) if rows else None
