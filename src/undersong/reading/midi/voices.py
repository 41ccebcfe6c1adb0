"""One stream of notes to voices: who sings which note of a chord.

A chord's notes are dealt to the voices so that each voice moves as little as it can, seldom crosses another, stays
near its own height, and never sings two notes at once. The dealing of the whole piece is chosen together: the best
few are carried from chord to chord.

Conventions: voices count from 0, the highest. A `Placed` note has a written onset and a played end, both in quarter
notes.

References: E. Chew and X. Wu, "Separating voices in polyphonic music: a contig mapping approach", 2004 (least
motion, no crossing where all voices sound); G. Madsen and J. Widmer 2006 (cost of leaps and of rests).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise, permutations

MOST_VOICES = 4
CROSSING = 5.0
"""Cost of two voices crossed, in semitones of motion times `MOTION`."""
MOTION = 0.30
WIDEST = 12
CUT = 8.0
"""Cost of taking a voice that is still sounding."""
RANGE = 0.006
"""Cost of a square semitone away from the voice's own height."""
CENTRES = {1: (67,), 2: (69, 57), 3: (70, 64, 52), 4: (70, 65, 59, 50)}
"""Middle note numbers of voices from the top (common practice, no source)."""
LAPPED = 0.25
"""Quarter notes by which a note may be held over the next one of its voice."""
FULL_SHARE = 0.97
CARRIED, CARRIED_IF_LONG, LONG = 16, 4, 2500


@dataclass(frozen=True, slots=True)
class Placed:
    """A note with its written onset, its played end (on the beat's clock), and where it came from."""

    onset: Fraction
    end: float
    number: int
    track: int
    channel: int


def is_one_line(notes: Sequence[Placed]) -> bool:
    """True where almost no two notes sound together."""
    ordered = sorted(notes, key=lambda note: note.onset)
    together = sum(1 for one, two in pairwise(ordered) if one.onset == two.onset or one.end > float(two.onset) + LAPPED)
    return together <= max(0, len(ordered) // 50)


def how_many(notes: Sequence[Placed]) -> int:
    """Voices that sound together for nearly all the time."""
    length: dict[int, float] = defaultdict(float)
    for onset, after, sounding in _frames(notes):
        length[len(sounding)] += float(after - onset)
    total, found = sum(length.values()), 0.0
    for count in sorted(length):
        found += length[count]
        if found >= FULL_SHARE * total:
            return max(1, count)
    return 1


def _frames(notes: Sequence[Placed]) -> list[tuple[Fraction, Fraction, list[Placed]]]:
    onsets = sorted({note.onset for note in notes})
    by_onset: dict[Fraction, list[Placed]] = defaultdict(list)
    for note in notes:
        by_onset[note.onset].append(note)
    found, sounding = [], list[Placed]()
    for onset, after in pairwise([*onsets, onsets[-1] + 1]):
        sounding = [note for note in sounding if note.end > float(onset) + LAPPED] + by_onset[onset]
        found.append((onset, after, sounding))
    return found


_Voice = tuple[int, float]
"""Last note number of a voice (-1 before its first) and when it ends."""


@dataclass(slots=True)
class _Way:
    """One way of dealing, up to here."""

    voices: tuple[_Voice, ...]
    cost: float
    dealt: tuple[int, ...]
    before: _Way | None


def separate(notes: Sequence[Placed], count: int) -> tuple[list[list[Placed]], list[Placed]]:
    """The notes of each of `count` voices from the top, and the notes for which there was no voice."""
    chords: dict[Fraction, list[Placed]] = defaultdict(list)
    for note in notes:
        chords[note.onset].append(note)
    left: list[Placed] = []
    rows: list[list[Placed]] = []
    ways = [_Way(((-1, -1.0),) * count, 0.0, (), None)]
    carried = CARRIED if len(notes) <= LONG else CARRIED_IF_LONG
    for onset in sorted(chords):
        chord = sorted(chords[onset], key=lambda note: (-note.number, note.end))
        while len(chord) > count:
            left.append(chord.pop(-2 if len(chord) > 2 else -1))
        rows.append(chord)
        ways = _next_ways(ways, chord, float(onset), count, carried)
    return _dealt(min(ways, key=lambda way: way.cost), rows, count), left


def _next_ways(ways: list[_Way], chord: list[Placed], onset: float, count: int, carried: int) -> list[_Way]:
    best: dict[tuple[_Voice, ...], _Way] = {}
    for way in ways:
        for dealt in permutations(range(count), len(chord)):
            cost, voices = _deal(way, chord, dealt, onset, count)
            known = best.get(voices)
            if known is None or cost < known.cost:
                best[voices] = _Way(voices, cost, dealt, way)
    return sorted(best.values(), key=lambda way: way.cost)[:carried]


def _deal(
    way: _Way, chord: list[Placed], dealt: tuple[int, ...], onset: float, count: int
) -> tuple[float, tuple[_Voice, ...]]:
    cost, voices, centres = way.cost, list(way.voices), CENTRES[count]
    for note, voice in zip(chord, dealt, strict=True):
        last, end = voices[voice]
        if last >= 0:
            cost += MOTION * min(abs(note.number - last), WIDEST)
            if end > onset + LAPPED:
                cost += CUT * min(1.0, end - onset)
        cost += RANGE * (note.number - centres[voice]) ** 2
        voices[voice] = (note.number, note.end)
    sounding = [number for number, end in voices if end > onset + 1e-6]
    cost += CROSSING * sum(
        1 for upper in range(len(sounding)) for lower in sounding[upper + 1 :] if lower > sounding[upper]
    )
    return cost, tuple(voices)


def _dealt(way: _Way, rows: list[list[Placed]], count: int) -> list[list[Placed]]:
    voices: list[list[Placed]] = [[] for _ in range(count)]
    step: _Way | None = way
    for chord in reversed(rows):
        assert step is not None
        for note, voice in zip(chord, step.dealt, strict=True):
            voices[voice].append(note)
        step = step.before
    return [voice[::-1] for voice in voices]
