"""The chords of several parts: where they change, and what they are.

Each stretch of the music between two cuts could be one chord; each chord that it could be is
weighed (what sounds inside and outside it, how the outside notes are reached and left, what stands
in the bass, how long it is and where in the bar it begins), and the best chain along the page is
taken. Three rules come from the notes, not from weights: a diminished seventh is rooted where it is
spelled (its sharpest note on the line of fifths), a seventh must sound, and the bass is what the
lowest part plays.

Conventions: labels are (root pitch class, kind); weights are per quarter note. Roots are spelled as
the notes that sound, tones that do not sound count for nothing but a missing third.

References: the segments-and-labels method after D. Temperley and after Masada and Bunescu (2019),
here with few weights: set by hand, then adjusted against the chorale analyses of the When in Rome
corpus (M. Gotham and others; D. Tymoczko and others; CC BY-SA 4.0).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import exp

from undersong.harmony.slices import PartNote, Slice
from undersong.model.chord import KINDS, Chord
from undersong.model.pitch import Key, PitchName
from undersong.model.tune import Tune

Label = tuple[int, str]

READ_KINDS = (
    "major", "minor", "diminished", "augmented", "dominant", "major-seventh",
    "minor-seventh", "half-diminished", "diminished-seventh",
)  # fmt: skip
"""The kinds that printed parts are read as."""

WEIGHTS: dict[str, float] = {
    # what a note outside the chord costs, for each quarter note of its length
    "passing": 0.25, "neighbour": 0.5, "suspended": 0.25, "anticipation": 1.2, "one-step": 0.95, "leap": 1.9,
    "accent": 0.25,  # and dearer where the metre is strong
    # what a note inside the chord is worth, for each quarter note
    "inside": 0.4,
    # a new chord, by the strength of the place where it begins
    "new-3": 0.1, "new-2": 0.0, "new-1": 0.15, "new-0.5": 0.9, "new-0.25": 1.5,
    "same-root": 0.3,  # the share of it where only the kind changes
    "root-low": 0.35, "third-low": 0.35, "fifth-low": -0.2, "seventh-low": 0.0, "strange-low": -0.1,
    "no-third": 0.7, "strange-third": 0.6, "no-fifth": 0.3,
    "fall-fifth": 0.25, "rise-second": 0.05, "rise-fifth": 0.1,
}  # fmt: skip

KIND_WORTH: dict[str, float] = {
    "major": 0.0, "minor": 0.0, "diminished": -0.15, "augmented": -0.8, "dominant": -0.05, "major-seventh": -0.8,
    "minor-seventh": -0.6, "half-diminished": 0.0, "diminished-seventh": 0.4,
}  # fmt: skip

SEVENTH_SOUNDS = 0.5
"""More than this share of a chord's length its seventh must sound; where it enters late, a new chord begins."""

SURE = 6.0
"""The margin of a chord without a rival, and the largest that counts."""

CALIBRATION = (1.2, 1.1)
"""Offset and slope of the logistic curve from margin to confidence, set so that it tells how often the reading agrees
with published analyses of chorales."""

LONGEST = 8
"""Cuts that one chord may span before it is joined again from pieces."""


@dataclass(frozen=True, slots=True)
class Found:
    """A chord found in the parts, with how far it is ahead of the next best chord there."""

    onset: Fraction
    end: Fraction
    chord: Chord
    margin: float


@dataclass(frozen=True, slots=True)
class _Candidate:
    label: Label
    pitch_classes: tuple[int, ...]
    seventh: int | None
    worth: float
    third: int
    has_third: bool
    low: dict[int, float]
    """What each of its tones says in the bass."""


_TEMPLATES: tuple[tuple[str, tuple[int, ...]], ...] = tuple(
    (kind, tuple(semitones % 12 for _, _, semitones in KINDS[kind])) for kind in READ_KINDS
)


_LOW = ("root-low", "third-low", "fifth-low", "seventh-low")


@lru_cache(maxsize=4096)
def _candidates(mask: int) -> tuple[_Candidate, ...]:
    """The chords that a set of sounding pitch classes could be: root sounds, third and seventh sound."""
    found = []
    for root in range(12):
        if not mask >> root & 1:
            continue
        for kind, template in _TEMPLATES:
            tones = tuple((root + semitones) % 12 for semitones in template)
            here = [bool(mask >> tone & 1) for tone in tones]
            seventh = tones[3] if len(tones) > 3 else None
            if (seventh is not None and not here[3]) or (not here[1] and kind not in ("major", "minor")):
                continue
            if not here[2] and (kind not in ("major", "minor", "dominant", "minor-seventh", "major-seventh")):
                continue
            if not here[1] and not here[2]:
                continue
            worth = KIND_WORTH[kind] - (0 if here[1] else WEIGHTS["no-third"]) - (0 if here[2] else WEIGHTS["no-fifth"])
            low = {tone: WEIGHTS[place] for tone, place in zip(tones, _LOW, strict=False)}
            found.append(_Candidate((root, kind), tones, seventh, worth, tones[1], here[1], low))
    return tuple(found)


def _outside(note: PartNote, cut: Slice) -> str:
    """How a note that does not belong to the chord at this place would be explained."""
    reached, left = note.reached, note.left
    held = cut.onset > note.onset or reached == 0
    if held and left is not None and abs(left) == 1:
        return "suspended"
    steps = [abs(move) == 1 for move in (reached, left) if move is not None]
    if reached is not None and left is not None and all(steps):
        return "passing" if reached == left else "neighbour"
    if left == 0 and steps[0] and cut.strength < 1:
        return "anticipation"
    return "one-step" if any(steps) else "leap"


def find_chords(tune: Tune, cuts: Sequence[Slice]) -> tuple[Found, ...]:
    """The chords of the parts from the first sounding cut to the last, without gaps; () if nothing sounds."""
    if not any(cut.notes for cut in cuts):
        return ()
    path = _decode(tune, cuts)
    return _with_basses(tune, cuts, path)


def _profiles(cuts: Sequence[Slice]) -> _Sums:
    sums = _Sums([[0.0] * 12], [0.0], [[0.0] * 12], [])
    for cut in cuts:
        gain, length, cost = list(sums.gains[-1]), list(sums.lengths[-1]), sums.costs[-1]
        quarter, heard = cut.quarters, set()
        for note in cut.notes:
            tone = note.pitch.midi % 12
            outside = WEIGHTS[_outside(note, cut)] * quarter * (1 + WEIGHTS["accent"] * cut.strength)
            gain[tone] += WEIGHTS["inside"] * quarter + outside
            cost += outside
            heard.add(tone)
        for tone in heard:
            length[tone] += quarter
        sums.gains.append(gain)
        sums.costs.append(cost)
        sums.lengths.append(length)
        sums.masks.append(sum(1 << tone for tone in heard))
    return sums


def _motions() -> list[float]:
    motions = [0.0] * 12
    motions[5], motions[2], motions[7] = WEIGHTS["fall-fifth"], WEIGHTS["rise-second"], WEIGHTS["rise-fifth"]
    return motions


@dataclass(frozen=True, slots=True)
class _Step:
    start: int
    end: int
    label: Label | None


@dataclass(frozen=True, slots=True)
class _Sums:
    """Running sums up to each cut.

    What each pitch class gains inside the chord, what all notes cost outside it, how long each pitch
    class sounds; and, cut by cut, which pitch classes sound.
    """

    gains: list[list[float]]
    costs: list[float]
    lengths: list[list[float]]
    masks: list[int]

    def scores(
        self, cuts: Sequence[Slice], start: int, end: int, mask: int, scale: frozenset[int]
    ) -> list[tuple[float, Label]]:
        """Every chord that the cuts from start to end could be, with its score."""
        first, last = self.gains[start], self.gains[end]
        gain = [two - one for one, two in zip(first, last, strict=True)]
        outside = self.costs[end] - self.costs[start]
        needed = SEVENTH_SOUNDS * sum(cut.quarters for cut in cuts[start:end])
        sooner, later = self.lengths[start], self.lengths[end]
        lowest = cuts[start].notes[0].pitch.midi % 12 if cuts[start].notes else -1
        scored = []
        for one in _candidates(mask):
            seventh = one.seventh
            if seventh is not None and later[seventh] - sooner[seventh] <= needed:
                continue
            score = one.worth - outside + one.low.get(lowest, WEIGHTS["strange-low"])
            for tone in one.pitch_classes:
                score += gain[tone]
            if not one.has_third and one.third not in scale:
                score -= WEIGHTS["strange-third"]
            scored.append((score, one.label))
        return scored


_Trail = tuple[int, int, Label | None]
"""Where a chain's last chord began, the root before it (12: silence), and its label."""

_NEVER = float("-inf")


def _decode(tune: Tune, cuts: Sequence[Slice]) -> list[tuple[_Step, float]]:
    """The best chain of labelled stretches (semi-Markov Viterbi), each with its margin over the next label."""
    sums = _profiles(cuts)
    count = len(cuts)
    motions, same_root = _motions(), WEIGHTS["same-root"]
    new = {place: WEIGHTS[f"new-{place:g}"] for place in (3.0, 2.0, 1.0, 0.5, 0.25)}
    scales = [_scale(tune.bars[cut.bar].key) for cut in cuts]
    # best[j][root]: score of the best chain that ends before cut j with that root; root 12 is silence
    best: list[list[float]] = [[_NEVER] * 13 for _ in range(count + 1)]
    back: list[list[_Trail]] = [[(0, 12, None)] * 13 for _ in range(count + 1)]
    best[0][12] = 0.0
    for start in range(count):
        come, whence = _arrivals(best[start], motions, new[cuts[start].strength], same_root)
        mask = 0
        for end in range(start + 1, min(start + LONGEST, count) + 1):
            if cuts[end - 1].bar != cuts[start].bar:
                break
            mask |= sums.masks[end - 1]
            row, trail = best[end], back[end]
            for score, label in sums.scores(cuts, start, end, mask, scales[start]):
                root = label[0]
                total = come[root] + score
                if total > row[root]:
                    row[root], trail[root] = total, (start, whence[root], label)
        after = best[start + 1]
        if max(after) == _NEVER:  # silence, or notes that make no chord alone
            top = max(best[start])
            after[12] = top - sums.costs[start + 1] + sums.costs[start]
            back[start + 1][12] = (start, best[start].index(top), None)
    return [(step, _margin(sums, cuts, step, scales[step.start])) for step in _trace(best, back, count)]


def _margin(sums: _Sums, cuts: Sequence[Slice], step: _Step, scale: frozenset[int]) -> float:
    """How far a label is ahead of the next best one over the same stretch."""
    if step.label is None:
        return 0.0
    mask = 0
    for heard in sums.masks[step.start : step.end]:
        mask |= heard
    scores = {label: score for score, label in sums.scores(cuts, step.start, step.end, mask, scale)}
    own = scores.pop(step.label)
    return min(own - max(scores.values(), default=_NEVER), SURE)


def _arrivals(before: list[float], motions: list[float], new: float, same_root: float) -> tuple[list[float], list[int]]:
    """For each root, the best score with which a chord on it may begin here, and the root before it."""
    live = [(root, score) for root, score in enumerate(before) if score > _NEVER]
    come, whence = [_NEVER] * 12, [12] * 12
    for root in range(12):
        for previous, score in live:
            if previous == 12:
                total = score - new
            elif previous == root:
                total = score - new * same_root
            else:
                total = score - new + motions[(root - previous) % 12]
            if total > come[root]:
                come[root], whence[root] = total, previous
    return come, whence


def _trace(best: list[list[float]], back: list[list[_Trail]], count: int) -> list[_Step]:
    steps, end, root = [], count, max(range(13), key=lambda one: best[count][one])
    while end > 0:
        start, previous, label = back[end][root]
        steps.append(_Step(start, end, label))
        end, root = start, previous
    return steps[::-1]


@lru_cache(maxsize=64)
def _scale(key: Key) -> frozenset[int]:
    """The seven pitch classes of a signature."""
    return frozenset(PitchName.from_fifths(key.fifths + place).pitch_class for place in range(-1, 6))


def _with_basses(tune: Tune, cuts: Sequence[Slice], path: list[tuple[_Step, float]]) -> tuple[Found, ...]:
    """Labels spelled, with the bass that sounds; a new chord where the bass moves to another of its tones."""
    found: list[Found] = []
    for step, margin in path:
        if step.label is None:
            if found:
                found[-1] = _longer(found[-1], cuts[step.end - 1].end)
            continue
        inside = cuts[step.start : step.end]
        tones = frozenset((step.label[0] + row[2]) % 12 for row in KINDS[step.label[1]])
        root, kind = _spelled(step.label, inside, tune.bars[inside[0].bar].key)
        plain = Chord(root, kind)
        for onset, end, low in _basses(inside, tones, plain):
            chord = Chord(root, kind, None if low in (None, root) else low)
            if found and found[-1].chord == chord:
                found[-1] = _longer(found[-1], end, margin)
            else:
                found.append(Found(onset if found else Fraction(0), end, chord, margin))
    return tuple(found)


def _longer(one: Found, end: Fraction, margin: float | None = None) -> Found:
    return Found(one.onset, end, one.chord, one.margin if margin is None else min(one.margin, margin))


def confidence(margin: float) -> float:
    """A score margin as a number between 0 and 1: logistic, so that it rises with the margin."""
    low, slope = CALIBRATION
    return min(round(1 / (1 + exp(-low - slope * margin)), 3), 0.999)


def _spelled(label: Label, inside: Sequence[Slice], key: Key) -> tuple[PitchName, str]:
    """Root spelled as it sounds; diminished sevenths and augmented triads are rooted by their spelling."""
    root, kind = label
    names: dict[int, PitchName] = {}
    for cut in inside:
        for note in cut.notes:
            names.setdefault(note.pitch.midi % 12, note.pitch.name)
    if kind in ("diminished-seventh", "augmented"):
        step = 3 if kind == "diminished-seventh" else 4
        heard = [names[(root + place) % 12] for place in range(0, 12, step) if (root + place) % 12 in names]
        choose = max if kind == "diminished-seventh" else min
        if heard:
            return choose(heard, key=lambda name: name.fifths), kind
    return names.get(root) or _name_in(root, key), kind


def _name_in(pitch_class: int, key: Key) -> PitchName:
    """A pitch class spelled near the middle of a key's notes on the line of fifths."""
    middle = key.fifths + 2
    return min(
        (PitchName.from_fifths(place) for place in range(middle - 6, middle + 7)),
        key=lambda name: (name.pitch_class != pitch_class, abs(name.fifths - middle)),
    )


def _basses(
    inside: Sequence[Slice], tones: frozenset[int], chord: Chord
) -> list[tuple[Fraction, Fraction, PitchName | None]]:
    """Stretches of one chord with the lowest sounding tone of it; what is no tone of it changes nothing."""
    stretches: list[tuple[Fraction, Fraction, PitchName | None]] = []
    pending = inside[0].onset
    for cut in inside:
        low = cut.notes[0].pitch.name if cut.notes and cut.notes[0].pitch.midi % 12 in tones else None
        if low is not None and (tone := chord.tone_for(low.pitch_class)):
            low = tone.name
        if low is None or (stretches and stretches[-1][2] == low):
            if stretches:
                stretches[-1] = (stretches[-1][0], cut.end, stretches[-1][2])
            continue
        stretches.append((cut.onset if stretches else pending, cut.end, low))
    return stretches or [(inside[0].onset, inside[-1].end, None)]
