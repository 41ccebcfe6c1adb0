"""A harmony of its own for the tune as the lowest part (R4).

Under its printed harmony a tune in the bass would stand on the chord's fifth at every fourth beat. Here each
beat takes a chord in which the tune's note is root or third; a fifth only where it passes by step or in a
cadence, a seventh only where it falls by step. One dynamic programme over the beats of the verse.

Conventions: section time in quarter notes; degrees are (scale steps, semitones above the tonic, kind).
References: chords over a given bass (figured bass, the rule of the octave): common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.walked import WalkedVerse
from undersong.model.chord import Chord
from undersong.model.harmony import Harmony
from undersong.model.pitch import Interval, Key
from undersong.textures.ground import Sounded, WalkedChord, chord_at, leading_home, sounding

CHORDS: dict[str, tuple[tuple[int, int, str, float], ...]] = {
    "major": (
        (0, 0, "major", 0.0), (4, 7, "major", 0.2), (3, 5, "major", 0.3), (1, 2, "minor", 0.6), (5, 9, "minor", 0.6),
        (4, 7, "dominant", 0.6), (6, 11, "diminished", 1.0), (2, 4, "minor", 1.4),
    ),
    "minor": (
        (0, 0, "minor", 0.0), (4, 7, "major", 0.2), (3, 5, "minor", 0.3), (6, 10, "major", 0.6), (5, 8, "major", 0.6),
        (4, 7, "dominant", 0.6), (6, 11, "diminished", 1.0), (2, 3, "major", 0.8), (1, 2, "diminished", 1.6),
    ),
    "dorian": ((0, 0, "minor", 0.0), (6, 10, "major", 0.2), (3, 5, "major", 0.2), (2, 3, "major", 0.6),
               (4, 7, "minor", 0.6), (1, 2, "minor", 0.8)),
    "phrygian": ((0, 0, "minor", 0.0), (1, 1, "major", 0.3), (6, 10, "minor", 0.3), (2, 3, "major", 0.6),
                 (5, 8, "major", 0.8), (3, 5, "minor", 0.8)),
    "mixolydian": ((0, 0, "major", 0.0), (6, 10, "major", 0.2), (3, 5, "major", 0.3), (4, 7, "minor", 0.6),
                   (1, 2, "minor", 0.8), (5, 9, "minor", 0.8)),
    "lydian": ((0, 0, "major", 0.0), (4, 7, "major", 0.2), (1, 2, "major", 0.5), (5, 9, "minor", 0.6),
               (2, 4, "minor", 1.0), (6, 11, "minor", 1.0)),
}  # fmt: skip
"""Chords over a bass in each mode with what they cost: tonic, dominant and subdominant first, others by use."""

FIFTH, PASSING = 8.0, 0.5
"""A six-four that stands is dearer than any foreign note, for R4 forbids it; one that passes costs a little colour."""
FOUR_TONES = 1.5
"""A seventh chord over its fifth wants three more notes in the beat, and a figure may have two: there a triad is
better, one that passes or the leading note's (rule of the octave, second degree: common practice, no source)."""
SEVENTH, UNRESOLVED = 1.0, 5.0
"""A seventh in the bass is good where it falls, and dearer than a chord against the order where it does not."""
FOREIGN, SEMITONE = 7.0, 20.0
"""A chord without the tune's note is a last resort short of a six-four; with a tone a semitone under it (R2) none."""
CHANGE = 0.3
"""Each new chord: less than the difference between two chords, so that the harmony moves where the tune does."""
LIKE_PRINT = 0.8
"""What the printed root earns: more than a chord of the second rank costs, less than a dissonance."""
DOMINANT_HOME, RETROGRESSION = 1.0, 1.5
"""A dominant that goes home earns a rank; one that goes elsewhere, or back to the subdominant, loses more than that."""
TONIC_EDGE = 3.0
"""A line that begins or ends on a dominant seventh or a diminished chord: dearer than any triad's rank."""
REST = 4
"""Beats for which the last chord goes on while the tune rests inside a line; in a longer rest nothing is asked for."""
NEVER = 1000.0
"""A verse whose tune closes on the tonic has no other last chord."""


@dataclass(frozen=True, slots=True)
class _Beat:
    """A stretch under one bass note that opens a beat."""

    start: Fraction
    end: Fraction
    note: Sounded
    others: tuple[tuple[int, float], ...]
    edge: bool
    """A line begins or ends here."""
    passes: bool
    """The tune passes by step through a beat that is not the bar's first: a six-four does no harm."""
    last: bool
    printed: Chord | None
    key: Key


def over_tune_in_bass(verse: WalkedVerse, harmony: Harmony) -> WalkedVerse:
    """The verse with the tune as its only voice and chords over it."""
    beats = _beats(verse, harmony.key)
    if not beats:
        return verse
    options = [_options(beat, harmony.mode) for beat in beats]
    path = _path(beats, options, harmony.key)
    lines = {line.start for line in verse.lines}
    chords: list[WalkedChord] = []
    for beat, chord in zip(beats, path, strict=True):
        placed = chord if chord.root == beat.note.pitch.name else replace(chord, bass=beat.note.pitch.name)
        before = chords[-1] if chords else None
        if before is not None and sum(before.end <= at < beat.start for at in verse.beats) in range(1, REST + 1):
            # Something keeps the beat while the tune rests (R16).
            ends = min({beat.start, *(line for line in lines if before.end <= line < beat.start)})
            chords[-1] = before = replace(before, end=ends)
        if before is not None and before.chord == placed and before.end == beat.start and beat.start not in lines:
            chords[-1] = replace(before, end=beat.end)
        else:
            chords.append(WalkedChord(beat.start, beat.end, placed, beat.key))
    voices = tuple((name, pieces) for name, pieces in verse.voices if name == verse.melody)
    return replace(verse, chords=leading_home(tuple(chords), harmony.key), voices=voices, suspensions=())


def _beats(verse: WalkedVerse, home: Key) -> list[_Beat]:
    """Stretches of the verse with one note of the tune on the beat each; rests have none."""
    tune = verse.sounded_tune
    places = sorted({*verse.beats, *(line.start for line in verse.lines), *(line.end for line in verse.lines)})
    edges = {line.start for line in verse.lines}
    ends = {line.end for line in verse.lines}
    bars = {bar.start for bar in verse.bars}
    found: list[_Beat] = []
    for start, end in pairwise([*places, verse.end] if places[-1] < verse.end else places):
        notes = sounding(tune, start, end)
        if not notes:
            continue
        here = chord_at(verse.chords, max(start, notes[0].start))
        at = tune.index(notes[0])
        came = notes[0].midi - tune[at - 1].midi if at else 0
        goes = tune[at + 1].midi - notes[0].midi if at + 1 < len(tune) else 0
        weak = start not in bars
        others = tuple((note.midi % 12, float(min(note.end, end) - max(note.start, start))) for note in notes[1:])
        found.append(
            _Beat(
                max(start, notes[0].start), end, notes[0], others, start in edges or end in ends,
                passes=weak and came * goes > 0 and max(abs(came), abs(goes)) <= 2, last=False,
                printed=here.chord if here else None, key=here.key if here else home,
            )
        )  # fmt: skip
    if found:
        found[-1] = replace(found[-1], last=True)
    return found


def _options(beat: _Beat, mode: str | None) -> list[tuple[Chord, float]]:
    rows = CHORDS.get(mode or beat.key.mode, CHORDS[beat.key.mode])
    low = beat.note.midi % 12
    found = []
    for steps, semitones, kind, price in rows:
        chord = Chord(beat.key.tonic.transposed(Interval(steps, semitones)), kind)
        cost = price
        tones = {tone.degree: tone.name.pitch_class for tone in chord.tones()}
        if low == tones.get(5):
            cost += (PASSING if beat.passes else FIFTH) + FOUR_TONES * (chord.seventh is not None)
        elif low == tones.get(7):
            cost += SEVENTH
        elif low not in tones.values():
            cost += FOREIGN + (SEMITONE if (low - 1) % 12 in tones.values() else 0.0)
        elif low == tones.get(1) and kind == "diminished":
            cost += 1.0
        cost += sum(length for tone, length in beat.others if tone not in tones.values())
        if beat.printed is not None and beat.printed.root == chord.root:
            cost -= LIKE_PRINT
        found.append((chord, cost))
    return found


def _path(beats: list[_Beat], options: list[list[tuple[Chord, float]]], home: Key) -> list[Chord]:
    """The cheapest chain of chords (Viterbi)."""
    costs = [cost + _edge(beats[0], chord, home) for chord, cost in options[0]]
    back: list[list[int]] = []
    for index in range(1, len(beats)):
        fresh, choices = [], []
        for chord, cost in options[index]:
            totals = [
                costs[at] + _join(beats[index - 1], before, beats[index], chord)
                for at, (before, _) in enumerate(options[index - 1])
            ]
            best = min(range(len(totals)), key=totals.__getitem__)
            fresh.append(totals[best] + cost + _edge(beats[index], chord, home))
            choices.append(best)
        costs = fresh
        back.append(choices)
    at = min(range(len(costs)), key=costs.__getitem__)
    path = [options[-1][at][0]]
    for index in range(len(back) - 1, -1, -1):
        at = back[index][at]
        path.append(options[index][at][0])
    return path[::-1]


def _edge(beat: _Beat, chord: Chord, home: Key) -> float:
    """The verse closes on the tonic where the tune does; lines begin and end on firm chords."""
    cost = 0.0
    if beat.last and beat.note.midi % 12 == home.tonic.pitch_class and chord.root != home.tonic:
        cost += NEVER
    if beat.edge and chord.kind in ("diminished", "dominant"):
        cost += TONIC_EDGE
    return cost


def _join(first: _Beat, before: Chord, second: _Beat, after: Chord) -> float:
    """What it costs to go from one beat's chord to the next one's."""
    cost = 0.0 if before == after else CHANGE
    assert before.root is not None
    assert after.root is not None
    step = second.note.midi - first.note.midi
    cost += _six_four(first, before, second, after, step)
    seventh = before.seventh
    if seventh is not None and seventh.name.pitch_class == first.note.midi % 12 and before != after:
        cost += UNRESOLVED * (step not in (-1, -2))
    if before != after and before.kind in ("dominant", "diminished"):
        home = (after.root.pitch_class - first.key.tonic.pitch_class) % 12 in (0, 9, 8)
        cost += -DOMINANT_HOME if home else RETROGRESSION
    if (before.root.pitch_class - first.key.tonic.pitch_class) % 12 == 7 and (
        after.root.pitch_class - first.key.tonic.pitch_class
    ) % 12 in (5, 2):
        cost += RETROGRESSION
    return cost


def _six_four(first: _Beat, before: Chord, second: _Beat, after: Chord, step: int) -> float:
    """A fifth in the bass earns its price back where it leads a cadence."""
    fifth = before.fifth
    if fifth is None or fifth.name.pitch_class != first.note.midi % 12:
        return 0.0
    cadential = step == 0 and after.root == fifth.name and not second.edge
    return PASSING - FIFTH if cadential and not first.passes else 0.0
