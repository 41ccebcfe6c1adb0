"""Time signature and upbeat, from where the weight of the music falls.

Each possible time and upbeat puts the bar lines somewhere. The right ones have new harmony, moving bass, long notes
and full chords on first beats, less on the middle of the bar, least between beats; notes are seldom held over them;
the last chord stands on a strong beat. These signs are counted for each possibility and weighed together.

Conventions: positions and lengths are quarter notes; the first note stands at 0. Levels: 0 the first beat, 1 the
middle of a bar of even beats, 2 the other beats, 3 between beats.

References: F. Lerdahl and R. Jackendoff, "A Generative Theory of Tonal Music", 1983, chapter 4 (the signs: metrical
preference rules 3 to 6). The weights were fitted by conditional logit (McFadden 1974) to half of the tunes of the
chorales in the music21 corpus, each in four parts and as the tune alone; the other half measures them
(`sweeps/midi.py`).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from undersong.model.time import Time
from undersong.reading.midi.tonality import Sounding

TIMES = tuple(Time.parse(text) for text in ("4/4", "3/4", "2/4", "6/8", "3/2", "6/4", "9/8", "12/8"))
"""Times that are thought of when the file names none."""
HEARD = 256
"""Quarter notes that are listened to: more do not make it surer."""
SLOTS = 2
"""Places in a quarter note at which weight is gathered."""
ACCENTS = ("full", "bass", "leap", "harmony", "long")
WEIGHTS: Mapping[str, float] = {
    "alike": 1.29,
    "bass beats": 0.88,
    "bass first": 0.24,
    "bass middle": 0.0,
    "crossing": -0.65,
    "full beats": 0.98,
    "full first": 1.14,
    "full middle": -0.6,
    "harmony beats": 0.71,
    "harmony first": 1.17,
    "harmony middle": 0.43,
    "held beats": -0.98,
    "held first": -1.35,
    "held middle": -0.78,
    "last bar completes": 1.95,
    "last bar full": 0.94,
    "last off": -0.61,
    "last on first": 0.82,
    "last on middle": 1.41,
    "leap beats": 0.21,
    "leap first": 1.17,
    "leap middle": 0.87,
    "long beats": 0.63,
    "long first": 2.82,
    "long middle": -1.22,
    "long off": -0.64,
    "long on first": 2.54,
    "long on middle": 1.84,
    "no upbeat": 2.19,
    "time 12/8": 0.36,
    "time 2/4": -2.03,
    "time 3/2": -0.81,
    "time 3/4": 1.87,
    "time 4/4": 2.23,
    "time 6/4": -0.42,
    "time 6/8": -1.04,
    "time 9/8": -0.27,
    "upbeat of a beat": 3.45,
    "upbeat of half a bar": -0.71,
    "upbeat of part of a beat": -0.1,
}
"""How much each sign says (natural logarithm of the odds for each unit of it)."""

Signs = dict[str, float]


@dataclass(frozen=True, slots=True)
class Barring:
    """A time with the length of its upbeat (0 for none), and how sure it is (0 to 1)."""

    time: Time
    pickup: Fraction
    sure: float = 1.0


def find_barring(
    notes: Sequence[Sounding], times: Sequence[Time] = TIMES, pickups: Sequence[Fraction] | None = None
) -> Barring:
    """The likeliest time and upbeat among those allowed. `notes` begin at 0."""
    pulse = Pulse([note for note in notes if note.onset < HEARD])
    scores: dict[tuple[Time, Fraction], float] = {}
    for time in times:
        for pickup in possible_pickups(time) if pickups is None else pickups:
            if pickup < time.bar_length:
                signs = pulse.signs(time, pickup)
                scores[time, pickup] = sum(WEIGHTS.get(name, 0.0) * value for name, value in signs.items())
    if not scores:
        return Barring(times[0], Fraction(0), 0.0)
    best = max(scores, key=lambda one: scores[one])
    total = sum(math.exp(score - scores[best]) for score in scores.values())
    return Barring(best[0], best[1], 1 / total)


def possible_pickups(time: Time) -> list[Fraction]:
    """Every upbeat in quavers (in half beats, where the beat is longer than a crotchet)."""
    step = Fraction(1, 2) if time.unit <= 8 else Fraction(2, time.unit)
    return [step * index for index in range(int(time.bar_length / step))]


def level(time: Time, place: Fraction) -> int:
    """The level of a place in the bar."""
    beat = time.beat if time.beat <= Fraction(3, 2) or time.compound else Fraction(1)
    if place == 0:
        return 0
    if place % beat:
        return 3
    half = time.bar_length / 2
    return 1 if place == half and time.beats not in (3, 9) and time.bar_length > 2 else 2


class Pulse:
    """The weight of each place of a piece, ready to be asked about bar lines."""

    def __init__(self, notes: Sequence[Sounding]) -> None:
        self._known: dict[tuple[int, int], list[tuple[int, list[float], float]]] = {}
        self.end = max(note.onset + note.length for note in notes)
        self.voices = len({note.voice for note in notes})
        by_onset: dict[Fraction, list[Sounding]] = defaultdict(list)
        for note in notes:
            by_onset[note.onset].append(note)
        self.onsets = sorted(by_onset)
        self.accents: dict[Fraction, tuple[float, ...]] = {}
        self.held: dict[Fraction, int] = defaultdict(int)
        for note in notes:
            place = (note.onset * 2 // 1 + 1) / Fraction(2)
            while place < note.onset + note.length and place < note.onset + 16:
                self.held[place] += 1
                place += Fraction(1, 2)
        self._weigh(by_onset)
        self.melody = sorted(
            (note for note in notes if note.voice == min(one.voice for one in notes)), key=lambda note: note.onset
        )
        lengths = sorted(note.length for note in self.melody)
        self.usual = lengths[len(lengths) // 2]

    def _weigh(self, by_onset: Mapping[Fraction, list[Sounding]]) -> None:
        sounding: list[Sounding] = []
        last_bass, before = -1, frozenset[int]()
        for onset in self.onsets:
            sounding = [note for note in sounding if note.onset + note.length > onset] + by_onset[onset]
            bass = min(note.number for note in sounding)
            classes = frozenset(note.number % 12 for note in sounding)
            struck = len(by_onset[onset]) / self.voices
            moved = float(bass != last_bass and any(note.number == bass for note in by_onset[onset]))
            leap = float(moved and last_bass >= 0 and abs(bass - last_bass) >= 5)
            change = 1 - len(classes & before) / len(classes | before)
            length = float(min(max(note.length for note in by_onset[onset]), Fraction(4))) / 2
            self.accents[onset] = (struck, moved, leap, change, length)
            last_bass, before = bass, classes

    def _rows(self, length: int, slots: int) -> list[tuple[int, list[float], float]]:
        """For each slot of a bar of that many: how often it comes, its accents, and what is held over it."""
        known = self._known.get((length, slots))
        if known is not None:
            return known
        count = [0] * length
        weights = [[0.0] * len(ACCENTS) for _ in range(length)]
        over = [0.0] * length
        for place in range(math.ceil(self.end * slots)):
            row = place % length
            count[row] += 1
            over[row] += self.held.get(Fraction(place, slots), 0) / self.voices
            for kind, weight in enumerate(self.accents.get(Fraction(place, slots), ())):
                weights[row][kind] += weight
        found = list(zip(count, weights, over, strict=True))
        self._known[length, slots] = found
        return found

    def signs(self, time: Time, pickup: Fraction) -> Signs:
        """What speaks for bar lines of that time after that upbeat, by name."""
        bar = time.bar_length
        shift = (bar - pickup) % bar
        sums = [[0.0] * len(ACCENTS) for _ in range(4)]
        held, counts = [0.0] * 4, [0] * 4
        slots = SLOTS if time.unit <= 8 else 4 * SLOTS
        turn = round(shift * slots)
        rows = self._rows(int(bar * slots), slots)
        for index, (count, weights, over) in enumerate(rows):
            here = level(time, Fraction((index + turn) % len(rows), slots))
            counts[here] += count
            held[here] += over
            for kind, weight in enumerate(weights):
                sums[here][kind] += weight
        found: Signs = {}
        means = [[one / max(1, counts[row]) for one in sums[row]] for row in range(4)]
        share = [held[row] / max(1, counts[row]) for row in range(4)]
        beats = _mean_of(sums, counts, (0, 1, 2))
        for index, name in enumerate(ACCENTS):
            found[f"{name} first"] = means[0][index] - beats[index]
            found[f"{name} middle"] = (means[1][index] - means[2][index]) if counts[1] else 0.0
            found[f"{name} beats"] = beats[index] - means[3][index]
        found["held first"] = share[0] - sum(held[:3]) / max(1, sum(counts[:3]))
        found["held middle"] = (share[1] - share[2]) if counts[1] else 0.0
        found["held beats"] = sum(held[:3]) / max(1, sum(counts[:3])) - share[3]
        found |= self._ends(time, shift)
        found |= self._lengths(time, shift)
        beat = time.beat
        found["no upbeat"] = float(pickup == 0)
        found["upbeat of a beat"] = float(pickup == beat)
        found["upbeat of part of a beat"] = float(0 < pickup < beat)
        found["upbeat of half a bar"] = float(pickup == bar / 2 and pickup != beat)
        found["last bar completes"] = float(self.end % bar == 0)
        found["last bar full"] = float((self.end + shift) % bar == 0)
        found[f"time {time}"] = 1.0
        return found

    def _ends(self, time: Time, shift: Fraction) -> Signs:
        last = level(time, (self.onsets[-1] + shift) % time.bar_length)
        return {"last on first": float(last == 0), "last on middle": float(last == 1), "last off": float(last == 3)}

    def _lengths(self, time: Time, shift: Fraction) -> Signs:
        """Long notes of the tune and where they begin; the tune's likeness to itself a bar later."""
        bar = time.bar_length
        long = [note for note in self.melody if note.length >= 2 * self.usual] or self.melody[-1:]
        levels = [level(time, (note.onset + shift) % bar) for note in long]
        rhythm = {note.onset: note.length for note in self.melody}
        later = [note for note in self.melody if note.onset + bar <= self.melody[-1].onset]
        alike = sum(1 for note in later if rhythm.get(note.onset + bar) == note.length)
        crossing = sum(1 for note in self.melody if (note.onset + shift) % bar + note.length > bar)
        return {
            "long on first": levels.count(0) / len(levels),
            "long on middle": levels.count(1) / len(levels),
            "long off": levels.count(3) / len(levels),
            "alike": alike / max(1, len(later)),
            "crossing": crossing / len(self.melody),
        }


def _mean_of(sums: Sequence[Sequence[float]], counts: Sequence[int], rows: Sequence[int]) -> list[float]:
    total = max(1, sum(counts[row] for row in rows))
    return [sum(sums[row][index] for row in rows) / total for index in range(len(sums[0]))]
