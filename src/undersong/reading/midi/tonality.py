"""Key and spelling of note numbers.

The key is heard from how long each pitch class sounds and from the last bass note. Spelling asks, around each note,
which tonics the neighbouring notes speak for; each of the twelve tonics names the note in its own way, and the votes
decide. A chromatic note between two of its neighbours in the voice keeps to the way it moves.

Conventions: names are places on the line of fifths (C = 0). A `Sounding` is an onset and a length in quarter notes
and a note number.

References: D. Temperley, "The Cognition of Basic Musical Structures", 2001 (key profiles); D. Meredith, "The ps13
pitch spelling algorithm", JNMR 35, 2006 (voting by tonic chroma; window of 10 notes before and 42 after).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from undersong.model.pitch import Key, Pitch, PitchName

MAJOR_PROFILE = (5.0, 2.0, 3.5, 2.0, 4.5, 4.0, 2.0, 4.5, 2.0, 3.5, 1.5, 4.0)
MINOR_PROFILE = (5.0, 2.0, 3.5, 4.5, 2.0, 4.0, 2.0, 4.5, 3.5, 2.0, 1.5, 4.0)
"""Temperley 2001, table 7.2: how well each semitone above the tonic fits."""
LAST_BASS = 0.25
"""How much the last bass note speaks for its key, beside a correlation of at most 1."""
BEFORE, AFTER = 10, 42
"""Notes around a note that are asked (Meredith 2006)."""
_FIFTHS_ABOVE = (0, -5, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5)
"""Name of each semitone above a tonic, in fifths from it (Meredith 2006, the chromatic scale with raised fourth)."""


@dataclass(frozen=True, slots=True)
class Sounding:
    """A note as it is written, not yet named."""

    onset: Fraction
    length: Fraction
    number: int
    voice: int


def hear_key(notes: Sequence[Sounding]) -> Key:
    """The key of a piece; on the flat side of enharmonic pairs from D flat on, F sharp before G flat."""
    weights = [0.0] * 12
    for note in notes:
        weights[note.number % 12] += float(note.length)
    last = max(note.onset for note in notes)
    closing = [note for note in notes if note.onset + note.length > last]
    bass = min(closing, key=lambda note: note.number).number % 12
    third = {note.number % 12 for note in closing}
    scores: dict[tuple[int, bool], float] = {}
    for tonic in range(12):
        for minor, profile in ((False, MAJOR_PROFILE), (True, MINOR_PROFILE)):
            score = _correlation(weights, [profile[(pitch - tonic) % 12] for pitch in range(12)])
            if tonic == bass:
                score += LAST_BASS + (0.05 if (tonic + (3 if minor else 4)) % 12 in third else 0)
            scores[tonic, minor] = score
    tonic, minor = max(scores, key=lambda one: scores[one])
    fifths = (tonic * 7 - (3 if minor else 0)) % 12
    return Key.from_fifths(fifths if fifths <= 6 else fifths - 12, "minor" if minor else "major")


def _correlation(one: Sequence[float], two: Sequence[float]) -> float:
    first, second = sum(one) / len(one), sum(two) / len(two)
    above = sum((a - first) * (b - second) for a, b in zip(one, two, strict=True))
    below = (sum((a - first) ** 2 for a in one) * sum((b - second) ** 2 for b in two)) ** 0.5
    return above / below if below else 0.0


def spell(notes: Sequence[Sounding], keys: Sequence[tuple[Fraction, Key]]) -> list[Pitch]:
    """A name for every note, in the order given. `keys` are the keys with the places from which they hold."""
    order = sorted(range(len(notes)), key=lambda index: (notes[index].onset, notes[index].number))
    counts = [0] * 12
    names = [0] * len(notes)
    for place in order[:AFTER]:
        counts[notes[place].number % 12] += 1
    for rank, index in enumerate(order):
        if rank + AFTER < len(order):
            counts[notes[order[rank + AFTER]].number % 12] += 1
        if rank > BEFORE:
            counts[notes[order[rank - BEFORE - 1]].number % 12] -= 1
        names[index] = _named(notes[index].number % 12, counts, _key_at(notes[index].onset, keys))
    _smooth(notes, names)
    return [_pitch(notes[index].number, names[index]) for index in range(len(notes))]


def _key_at(onset: Fraction, keys: Sequence[tuple[Fraction, Key]]) -> Key:
    return next((key for at, key in reversed(keys) if at <= onset), keys[0][1])


def _named(pitch_class: int, counts: Sequence[int], key: Key) -> int:
    home = key.fifths
    votes: dict[int, float] = {}
    for tonic in range(12):
        if not counts[tonic]:
            continue
        # The tonic's own name: the one in the key, or nearest to it on the line of fifths.
        place = (tonic * 7 - (home - 5)) % 12 + home - 5
        name = place + _FIFTHS_ABOVE[(pitch_class - tonic) % 12]
        votes[name] = votes.get(name, 0.0) + counts[tonic]
    return max(votes, key=lambda name: (votes[name], -abs(name - home - 2))) if votes else 0


def _smooth(notes: Sequence[Sounding], names: list[int]) -> None:
    """A semitone up or down and back, or passing on the same way, is a step and not the same degree twice."""
    voices: dict[int, list[int]] = {}
    for index in sorted(range(len(notes)), key=lambda one: notes[one].onset):
        voices.setdefault(notes[index].voice, []).append(index)
    for line in voices.values():
        for before, here, after in zip(line, line[1:], line[2:], strict=False):
            left, middle, right = (notes[one].number for one in (before, here, after))
            if left == right and abs(middle - left) == 1 and names[before] == names[after]:
                same = (names[here] - names[before]) % 7 == 0
                if same:
                    names[here] = names[before] + (-5 if middle > left else 5)


def _pitch(number: int, fifths: int) -> Pitch:
    while fifths > 15:
        fifths -= 12
    while fifths < -13:
        fifths += 12
    return Pitch.of(PitchName.from_fifths(fifths), number)
