"""Plain chords for a bare tune: a proposal, to be looked over.

The chords are the plain ones of the key, or of the church mode that the tune closes in (R20). Each beat of
the tune may take any of them; a new chord costs little at the beginning of a bar and much inside it;
a tune note outside its chord costs as much as its length and place in the bar; the last chord is the
tonic, and every line ends on one of the table's closing chords.

Conventions: chords are (scale steps, semitones above the final, kind). No raised seventh is proposed
in a church mode, and in minor only in the dominant's third where the tune does not sing the natural
seventh meanwhile.

References: common practice for hymn tunes and church modes, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import exp

from undersong.harmony.slices import PartNote, strength
from undersong.model.chord import Chord
from undersong.model.pitch import Interval, Key, Mode, PitchName
from undersong.model.tune import Tune


@dataclass(frozen=True, slots=True)
class Degree:
    """A chord of the key: root above the final, kind, worth, whether a line may close on it."""

    root: Interval
    kind: str
    worth: float
    closes: bool


def _row(steps: int, semitones: int, kind: str, worth: float, *, closes: bool = True) -> Degree:
    return Degree(Interval(steps, semitones), kind, worth, closes)


PROPOSED: dict[str, tuple[Degree, ...]] = {
    "major": (
        _row(0, 0, "major", 0.5), _row(4, 7, "major", 0.3), _row(3, 5, "major", 0.2),
        _row(5, 9, "minor", 0.0), _row(1, 2, "minor", 0.0, closes=False),
    ),
    "minor": (
        _row(0, 0, "minor", 0.5), _row(4, 7, "major", 0.3), _row(3, 5, "minor", 0.2),
        _row(5, 8, "major", 0.0), _row(2, 3, "major", 0.0, closes=False), _row(6, 10, "major", 0.1, closes=False),
    ),
    "dorian": (
        _row(0, 0, "minor", 0.5), _row(6, 10, "major", 0.3), _row(3, 5, "major", 0.2),
        _row(2, 3, "major", 0.0, closes=False), _row(4, 7, "minor", 0.0),
    ),
    "phrygian": (_row(0, 0, "minor", 0.5), _row(1, 1, "major", 0.3), _row(6, 10, "minor", 0.2)),
    "lydian": (
        _row(0, 0, "major", 0.5), _row(4, 7, "major", 0.3), _row(1, 2, "major", 0.1, closes=False),
        _row(5, 9, "minor", 0.0),
    ),
    "mixolydian": (
        _row(0, 0, "major", 0.5), _row(6, 10, "major", 0.3), _row(3, 5, "major", 0.2), _row(4, 7, "minor", 0.0),
    ),
    "aeolian": (
        _row(0, 0, "minor", 0.5), _row(6, 10, "major", 0.3), _row(5, 8, "major", 0.2), _row(4, 7, "minor", 0.1),
    ),
}  # fmt: skip
"""The chords proposed in each mode; the first is the tonic."""

WEIGHTS: dict[str, float] = {
    "inside": 0.8, "outside": 1.3,  # for each quarter note, dearer on strong beats
    "semitone-below": 5.0,  # a chord tone a semitone below the tune on a beat
    "new-3": 0.5, "new-2": 1.7, "new-1": 3.0, "new-0.5": 7.0, "new-0.25": 10.0,
    "dominant-tonic": 0.8, "falling-fifth": 0.3, "dominant-subdominant": -0.6,
    "line-close": 1.5, "opens": 0.6,
    "stepping": 0.4,  # the share of its cost for an outside note between two steps off the beat
}  # fmt: skip


CALIBRATION = (-0.6, 0.35)
"""Offset and slope of the logistic curve from margin to confidence: a proposal is never sure."""

LARGEST = 6.0
"""The largest margin that counts."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """A proposed chord with how much better it fits than the next best."""

    onset: Fraction
    end: Fraction
    chord: Chord
    margin: float
    closes: bool = False
    """A line ends with it."""

    @property
    def confidence(self) -> float:
        """The margin as a number between 0 and 1: logistic, so that it rises with the margin."""
        low, slope = CALIBRATION
        return round(1 / (1 + exp(-low - slope * self.margin)), 3)


def bare_key(tune: Tune, notes: Sequence[PartNote]) -> Key:
    """The home key of a tune without chords: told by its last note and its scale."""
    if not notes:
        return tune.bars[0].key if tune.bars else Key(PitchName("C"))
    final = notes[-1].pitch.name
    lengths = [0.0] * 12
    for note in notes:
        lengths[note.tone] += float(note.end - note.onset)
    signature = Key.from_fifths(tune.bars[0].key.fifths)
    place = (final.pitch_class - signature.tonic.pitch_class) % 12
    if place == 0 or (place in (4, 7) and not _closes_as_final(place, notes, lengths)):
        return signature
    return Key(final, _third(final, lengths, signature))


def _closes_as_final(place: int, notes: Sequence[PartNote], lengths: list[float]) -> bool:
    """Whether a last note on mi or sol of the signature is a final of its own.

    Mi is one if the tune falls to it by a semitone, either if it is begun on too (it or its fifth)
    and sung more than the signature's tonic.
    """
    final = notes[-1].pitch
    if place == 4 and notes[-1].reached is not None and notes[-2].pitch.midi - final.midi == 1:
        return True
    begun = (notes[0].pitch.midi - final.midi) % 12 in (0, 7)
    return begun and lengths[(final.midi - place) % 12] < lengths[final.midi % 12]


def _third(final: PitchName, lengths: list[float], signature: Key) -> Mode:
    """The third that is sung, else the one in the signature."""
    major, minor = lengths[(final.pitch_class + 4) % 12], lengths[(final.pitch_class + 3) % 12]
    if major == minor:
        place = final.fifths - signature.tonic.fifths  # F, C and G of a signature without signs have major thirds
        return "major" if place in (-1, 0, 1) else "minor"
    return "major" if major > minor else "minor"


def proposed_chords(
    tune: Tune, notes: Sequence[PartNote], key: Key, mode: str | None, manner: Manner | None = None
) -> tuple[Proposed, ...]:
    """Chords from the first place of the page to the last, in the plain manner or another one."""
    degrees = _degrees(key, mode, notes, manner or PLAIN)
    chords = [Chord(key.tonic.transposed(one.root), one.kind) for one in degrees]
    units = _units(tune)
    sung = _sung(tune, notes, units)
    fits = [
        [_fit(inside, chord) + degree.worth for degree, chord in zip(degrees, chords, strict=True)] for inside in sung
    ]
    _favour_closes(tune, units, fits, degrees, mode)
    path = _path(tune, units, fits, chords, (manner or PLAIN).steady)
    ends = set(_ends(tune))
    spans = [
        replace(one, closes=any(one.onset < end <= one.end for end in ends))
        for one in _spans(units, fits, path, chords)
    ]
    return _with_sevenths(tuple(spans), key, mode)


@dataclass(frozen=True, slots=True)
class Manner:
    """A way of harmonising: its name, degrees left out and added, and how dear a new chord is."""

    name: str
    without: frozenset[int] = frozenset()
    """Semitones above the final whose chords are left out."""
    more: tuple[tuple[Mode, Degree], ...] = ()
    steady: float = 1.0
    natural: bool = False
    """Minor without its raised seventh."""


PLAIN = Manner("plain")

MANNERS: tuple[Manner, ...] = (
    PLAIN,
    Manner("three chords", frozenset({2, 9}), steady=1.4),
    Manner("fuller", more=(("major", _row(2, 4, "minor", 0.0, closes=False)),), steady=0.7),
    Manner("without raised sevenths", natural=True),
    Manner("slower", steady=2.0),
    Manner("livelier", steady=0.5),
)
"""The plain manner and what is offered beside it (common practice, no source)."""


def _degrees(key: Key, mode: str | None, notes: Sequence[PartNote], manner: Manner) -> tuple[Degree, ...]:
    lengths = [0.0] * 12
    for note in notes:
        lengths[note.pitch.midi % 12] += float(note.end - note.onset)
    name = mode or _plain_mode(key, lengths)
    if manner.natural and name == "minor":
        name = "aeolian"
    rows = [row for row in PROPOSED[name] if row.root.semitones not in manner.without or name != key.mode]
    return (*rows, *(row for third, row in manner.more if third == name))


@dataclass(frozen=True, slots=True)
class _Sung:
    """A tune note as far as it sounds in a unit: pitch class, weight inside and outside a chord, struck on the unit."""

    tone: int
    inside: float
    outside: float
    first: bool


def _sung(tune: Tune, notes: Sequence[PartNote], units: Sequence[tuple[Fraction, Fraction]]) -> list[list[_Sung]]:
    found: list[list[_Sung]] = []
    place = 0
    for start, end in units:
        while place < len(notes) and notes[place].end <= start:
            place += 1
        inside, index = [], place
        while index < len(notes) and notes[index].onset < end:
            note = notes[index]
            index += 1
            onset = max(note.onset, start)
            length = float(min(note.end, end) - onset)
            if length <= 0:
                continue
            weight = length * (1 + 0.3 * strength(tune.bars[tune.bar_at(onset)], onset))
            stepping = onset == note.onset != start and note.reached in (-1, 1) and note.left in (-1, 1)
            outside = weight * WEIGHTS["outside"] * (WEIGHTS["stepping"] if stepping else 1.0)
            inside.append(_Sung(note.pitch.midi % 12, weight * WEIGHTS["inside"], outside, onset == start))
        found.append(inside)
    return found


def _with_sevenths(spans: tuple[Proposed, ...], key: Key, mode: str | None) -> tuple[Proposed, ...]:
    """The dominant gets its seventh where it goes home inside a line; not in church modes."""
    if mode is not None:
        return spans
    dominant, found = key.tonic.up(4, 7), list(spans)
    for index, (one, two) in enumerate(pairwise(spans)):
        if one.chord == Chord(dominant) and two.chord.root == key.tonic and not one.closes:
            found[index] = replace(one, chord=Chord(dominant, "dominant"))
    return tuple(found)


def _plain_mode(key: Key, lengths: list[float]) -> str:
    """Minor, or aeolian where the tune sings the seventh degree and never raises it."""
    if key.mode == "major":
        return "major"
    natural, raised = (lengths[(key.tonic.pitch_class + step) % 12] for step in (10, 11))
    return "aeolian" if natural and not raised else "minor"


def _units(tune: Tune) -> list[tuple[Fraction, Fraction]]:
    """The beats of the page, pickup and irregular bars included; free bars by quarter notes."""
    units = []
    for bar in tune.bars:
        if not bar.length:
            continue
        beat = bar.time.beat if bar.time.beats else Fraction(1)
        short = bar.length % beat if bar.pickup else Fraction(0)
        places = [bar.onset, *([bar.onset + short] if short else [])]
        while places[-1] + beat < bar.end:
            places.append(places[-1] + beat)
        units += list(zip(places, [*places[1:], bar.end], strict=True))
    return units


def _fit(inside: Sequence[_Sung], chord: Chord) -> float:
    """How well the tune of one beat lies in a chord."""
    score, tones = 0.0, chord.pitch_classes
    for note in inside:
        if note.tone in tones:
            score += note.inside
            continue
        score -= note.outside
        if note.first and (note.tone - 1) % 12 in tones:
            score -= WEIGHTS["semitone-below"]
    return score


def _ends(tune: Tune) -> list[Fraction]:
    """Where lines of text end; without text, the breaths."""
    return [line.end for line in tune.lines] or list(tune.breaths)


def _favour_closes(
    tune: Tune,
    units: list[tuple[Fraction, Fraction]],
    fits: list[list[float]],
    degrees: tuple[Degree, ...],
    mode: str | None,
) -> None:
    """Line ends want a closing chord, the beginning and above all the last place the tonic."""
    ends = _ends(tune)
    for index, (start, end) in enumerate(units):
        if any(start < place <= end for place in ends):
            for place, degree in enumerate(degrees):
                fits[index][place] += WEIGHTS["line-close"] * (1 if degree.closes else -4)
    fits[0][0] += WEIGHTS["opens"]
    for place, degree in enumerate(degrees):
        fits[-1][place] -= 1000.0 * (place > 0)
        if mode == "phrygian" and len(fits) > 1:  # the close is vii-i or II-i (R20)
            fits[-2][place] += 0.5 * (degree.root.semitones in (1, 10))


def _motion(before: Chord, after: Chord, tonic: Chord) -> float:
    """What the step from one chord to another is worth."""
    if before.root is None or after.root is None or tonic.root is None:
        return 0.0
    fall = (after.root.pitch_class - before.root.pitch_class) % 12
    degree = (before.root.pitch_class - tonic.root.pitch_class) % 12
    if after == tonic and degree in (7, 10, 1):
        return WEIGHTS["dominant-tonic"]
    if degree == 7 and fall == 10:
        return WEIGHTS["dominant-subdominant"]
    return WEIGHTS["falling-fifth"] if fall == 5 else 0.0


def _path(
    tune: Tune, units: list[tuple[Fraction, Fraction]], fits: list[list[float]], chords: list[Chord], steady: float
) -> list[int]:
    """The best chain of chords, one for each beat (Viterbi)."""
    motions = [[_motion(before, after, chords[0]) for after in chords] for before in chords]
    score = list(fits[0])
    trail: list[list[int]] = []
    for (start, _), fit in zip(units[1:], fits[1:], strict=True):
        new = steady * WEIGHTS[f"new-{strength(tune.bars[tune.bar_at(start)], start):g}"]
        following, origin = [], []
        for two in range(len(chords)):
            came = [one if two == place else one - new + motions[place][two] for place, one in enumerate(score)]
            best = max(range(len(chords)), key=came.__getitem__)
            following.append(came[best] + fit[two])
            origin.append(best)
        score, trail = following, [*trail, origin]
    index = max(range(len(chords)), key=score.__getitem__)
    path = [index]
    for origin in reversed(trail):
        index = origin[index]
        path.append(index)
    return path[::-1]


def _spans(
    units: list[tuple[Fraction, Fraction]], fits: list[list[float]], path: list[int], chords: list[Chord]
) -> tuple[Proposed, ...]:
    """Beats of one chord joined."""
    spans: list[Proposed] = []
    totals = [0.0] * len(chords)
    for (start, end), fit, index in zip(units, fits, path, strict=True):
        if spans and spans[-1].chord == chords[index]:
            totals = [one + two for one, two in zip(totals, fit, strict=True)]
            onset = spans.pop().onset
        else:
            totals, onset = list(fit), start
        rivals = [total for place, total in enumerate(totals) if place != index]
        spans.append(Proposed(onset, end, chords[index], min(totals[index] - max(rivals), LARGEST)))
    return tuple(spans)
