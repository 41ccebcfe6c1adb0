"""Keys of a page: the home key, and the key in which each chord is heard.

A chord speaks for the keys in which it has a plain function, strongest when a dominant goes to its
tonic or when a line closes on it. The home key is told by the close and by all chords together;
the signature counts little, since old hymns are printed with one flat or sharp too few. Local keys
are the cheapest chain of keys along the chords; where one key for all is nearly as good, it is kept.

Conventions: a key is (tonic pitch class, mode) inside, a spelled `Key` outside. Worths are per chord,
scaled by its length up to two quarters.

References: after F. Lerdahl's and D. Temperley's key finding. The table of functions is common
practice, no source; the weights were adjusted against the chorale analyses of the When in Rome
corpus (M. Gotham and others; D. Tymoczko and others; CC BY-SA 4.0).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from undersong.model.chord import Chord
from undersong.model.pitch import Key, Mode, PitchName

Place = tuple[int, Mode]

PLACES: tuple[Place, ...] = tuple((tonic, mode) for mode in ("major", "minor") for tonic in range(12))

FUNCTIONS: dict[Mode, dict[tuple[int, str], float]] = {
    "major": {
        (0, "major"): 3.0, (7, "major"): 2.4, (7, "dominant"): 3.0, (5, "major"): 1.8, (2, "minor"): 1.6,
        (2, "minor-seventh"): 2.0, (9, "minor"): 1.3, (9, "minor-seventh"): 1.3, (11, "diminished"): 2.2,
        (11, "half-diminished"): 2.2, (4, "minor"): 0.6, (4, "minor-seventh"): 0.6, (0, "major-seventh"): 2.0,
        (5, "major-seventh"): 1.8, (11, "diminished-seventh"): 1.0, (2, "dominant"): 0.3, (2, "major"): -0.3,
        (0, "dominant"): 0.3, (9, "dominant"): -0.3, (4, "dominant"): -0.3, (9, "major"): -0.6, (4, "major"): -0.6,
        (6, "diminished"): 0.0, (6, "half-diminished"): 0.0, (6, "diminished-seventh"): 0.0, (5, "minor"): -0.3,
        (2, "half-diminished"): 0.0, (2, "diminished"): -0.6, (10, "major"): -0.8, (8, "dominant"): 0.0,
    },
    "minor": {
        (0, "minor"): 3.0, (7, "major"): 2.4, (7, "dominant"): 3.0, (5, "minor"): 1.8, (2, "diminished"): 1.8,
        (2, "half-diminished"): 2.2, (5, "minor-seventh"): 1.4, (8, "major"): 1.3, (3, "major"): 0.8,
        (10, "major"): 0.4, (11, "diminished"): 2.2, (11, "diminished-seventh"): 3.0, (8, "major-seventh"): 1.5,
        (3, "major-seventh"): 0.6, (3, "augmented"): 1.5, (7, "minor"): 0.2, (5, "major"): 0.2, (0, "major"): 0.0,
        (10, "dominant"): -0.2, (0, "dominant"): 0.0, (5, "dominant"): 0.2, (2, "minor"): -0.2,
        (2, "minor-seventh"): 0.0, (2, "dominant"): 0.0, (2, "major"): -0.5, (9, "half-diminished"): 0.3,
        (9, "diminished"): 0.3, (0, "minor-seventh"): 0.8, (6, "diminished"): -0.2, (6, "diminished-seventh"): 0.0,
        (1, "major"): 0.2, (8, "dominant"): 0.2, (7, "minor-seventh"): 0.0,
    },
}  # fmt: skip
"""How well a chord (semitones of its root above the tonic, kind) speaks for a key."""

STRANGE = 0.0
"""What a chord without a row says of a key."""

WEIGHTS: dict[str, float] = {
    "resolves": 3.0,  # a dominant or leading-note chord going to its tonic
    "closes": 5.0,  # a line or hold on the tonic triad
    "line": 0.4,  # the share of that where no hold stands
    "half-close": 2.0,  # and on the dominant
    "change": 5.0,  # a new key
    "far": 0.8,  # more for each fifth further than a neighbour
    "foreign": 0.95,  # for a sounding note outside the key's scale, for each quarter note
    "signature": 0.25,  # for each chord in a key of that signature
    "home": 0.2,  # for each chord in the home key
    "last": 8.0,  # the last chord stands on the tonic (home key only)
    "one-key": 2.0,  # as much better a chain of keys must be than the home key alone
}


@dataclass(frozen=True, slots=True)
class Heard:
    """A chord with what the key finder asks of it: place, pitch classes with their lengths, whether a line closes."""

    onset: Fraction
    length: Fraction
    chord: Chord
    sounding: tuple[tuple[int, float], ...]
    signature: int
    closes: float
    """1 where a line closes with a hold, less where it only ends, 0 elsewhere."""


def _scale(place: Place) -> frozenset[int]:
    tonic, mode = place
    steps = (0, 2, 4, 5, 7, 9, 11) if mode == "major" else (0, 2, 3, 5, 7, 8, 9, 10, 11)
    return frozenset((tonic + step) % 12 for step in steps)


_SCALES = {place: _scale(place) for place in PLACES}


def _fifths(place: Place) -> int:
    """Place of a key's signature on the circle of fifths, 0 to 11."""
    tonic, mode = place
    return (tonic * 7 - (3 if mode == "minor" else 0)) % 12


def _distance(one: Place, two: Place) -> int:
    apart = abs(_fifths(one) - _fifths(two)) % 12
    return min(apart, 12 - apart)


_FIFTHS = {place: _fifths(place) for place in PLACES}
_DISTANCES = [[_distance(one, two) for two in PLACES] for one in PLACES]

_DOMINANTS = {(7, "major"), (7, "dominant"), (11, "diminished"), (11, "half-diminished"), (11, "diminished-seventh")}
_TONICS: dict[Mode, tuple[str, ...]] = {"major": ("major", "major-seventh"), "minor": ("minor", "minor-seventh")}

_SIMPLER = {
    "dominant-ninth": "dominant", "dominant-11th": "dominant", "dominant-13th": "dominant",
    "augmented-seventh": "dominant", "major-ninth": "major-seventh", "major-11th": "major-seventh",
    "major-13th": "major-seventh", "minor-ninth": "minor-seventh", "minor-11th": "minor-seventh",
    "minor-13th": "minor-seventh", "major-sixth": "major", "minor-sixth": "minor", "major-minor": "minor",
    "power": "major", "suspended-second": "major", "suspended-fourth": "major", "Neapolitan": "major",
    "Italian": "dominant", "German": "dominant", "French": "dominant", "other": "major", "pedal": "major",
    "Tristan": "half-diminished",
}  # fmt: skip
"""Kinds that the table of functions does not list, as the kind whose function they share."""


def simpler(kind: str) -> str:
    """A kind as one of those that the tables of functions list."""
    return _SIMPLER.get(kind, kind)


def _worths(heard: Sequence[Heard]) -> list[list[float]]:
    """What each chord is worth in each of the 24 keys."""
    rows = []
    previous: Chord | None = None
    for index, one in enumerate(heard):
        rows.append([_worth(one, previous, place, last=index == len(heard) - 1) for place in PLACES])
        previous = one.chord
    return rows


def _worth(one: Heard, previous: Chord | None, place: Place, *, last: bool) -> float:
    tonic, mode = place
    chord, weight = one.chord, 0.5 + 0.25 * min(float(one.length), 2.0)
    worth = 0.0
    if chord.root is not None:
        kind = simpler(chord.kind)
        degree = (chord.root.pitch_class - tonic) % 12
        worth += FUNCTIONS[mode].get((degree, kind), STRANGE) * weight
        stands = degree == 0 and (kind in _TONICS[mode] or (last and kind == "major"))
        if previous is not None and previous.root is not None and stands:
            before = ((previous.root.pitch_class - tonic) % 12, simpler(previous.kind))
            worth += WEIGHTS["resolves"] * (before in _DOMINANTS)
        if one.closes:
            half = degree == 7 and kind == "major"
            worth += one.closes * (WEIGHTS["closes"] * stands + WEIGHTS["half-close"] * half)
    scale = _SCALES[place]
    worth -= WEIGHTS["foreign"] * sum(length for tone, length in one.sounding if tone not in scale)
    return worth + WEIGHTS["signature"] * (_FIFTHS[place] == one.signature % 12)


def find_keys(heard: Sequence[Heard]) -> tuple[Key, tuple[Key, ...]]:
    """The home key, and a key for each chord; C major if there is nothing to hear."""
    if not heard:
        return Key(PitchName("C")), ()
    worths = _worths(heard)
    home = _home(heard, worths)
    chain = _chain(worths, home)
    alone = sum(row[home] for row in worths) + WEIGHTS["home"] * len(worths)
    if chain[0] - alone < WEIGHTS["one-key"]:
        chain = (alone, [home] * len(worths))
    signature = heard[0].signature
    spelled = {index: _spelled(PLACES[index], heard, signature) for index in {home, *chain[1]}}
    return spelled[home], tuple(spelled[index] for index in chain[1])


def _home(heard: Sequence[Heard], worths: list[list[float]]) -> int:
    last = next((one.chord.root for one in reversed(heard) if one.chord.root is not None), None)
    totals = [sum(row[index] for row in worths) for index in range(24)]
    if last is not None:
        for index, (tonic, _) in enumerate(PLACES):
            totals[index] += WEIGHTS["last"] * (tonic == last.pitch_class)
    return max(range(24), key=totals.__getitem__)


def _chain(worths: list[list[float]], home: int) -> tuple[float, list[int]]:
    """The best chain of keys (Viterbi over 24 states)."""
    cost = [
        [0.0 if one == two else WEIGHTS["change"] + WEIGHTS["far"] * max(0, apart - 1) for two, apart in enumerate(row)]
        for one, row in enumerate(_DISTANCES)
    ]
    score = list(worths[0])
    score[home] += WEIGHTS["home"]
    trail: list[list[int]] = []
    for row in worths[1:]:
        top = max(score)
        leader = score.index(top)
        following, origin = [], []
        for two in range(24):
            came = two
            value = score[two]
            # a change costs the same or more from everywhere: only near-best keys can be left with profit
            if value < top - WEIGHTS["change"]:
                came = leader
                value = score[leader] - cost[leader][two]
                for one in range(24):
                    if score[one] - cost[one][two] > value:
                        came, value = one, score[one] - cost[one][two]
            following.append(value + row[two] + (WEIGHTS["home"] if two == home else 0.0))
            origin.append(came)
        score, trail = following, [*trail, origin]
    index = max(range(24), key=score.__getitem__)
    best, path = score[index], [index]
    for origin in reversed(trail):
        index = origin[index]
        path.append(index)
    return best, path[::-1]


def _spelled(place: Place, heard: Sequence[Heard], signature: int) -> Key:
    """A key spelled as its tonic is spelled in the chords, else near the signature."""
    tonic, mode = place
    names = [one.chord.root for one in heard if one.chord.root is not None and one.chord.root.pitch_class == tonic]
    usable = [name for name in names if abs(Key(name, mode).fifths) <= 8]
    if usable:
        return Key(max(sorted(set(usable)), key=usable.count), mode)
    return Key(name_near(tonic, signature + (3 if mode == "minor" else 0)), mode)


def name_near(pitch_class: int, fifths: int) -> PitchName:
    """The spelling of a pitch class nearest a place on the line of fifths."""
    return min(
        (PitchName.from_fifths(place) for place in range(fifths - 6, fifths + 7)),
        key=lambda name: (name.pitch_class != pitch_class, abs(name.fifths - fifths)),
    )


ModeName = Literal["dorian", "phrygian", "lydian", "mixolydian"]

CHURCH_MODES: tuple[tuple[ModeName, Mode, int, int], ...] = (
    ("dorian", "minor", 9, 8),
    ("phrygian", "minor", 1, 2),
    ("lydian", "major", 6, 5),
    ("mixolydian", "major", 10, 11),
)
"""Mode, the mode of its third, the degree (semitones above the final) that marks it, and the one it stands for.

After Glarean's modes as hymn books use the names; aeolian and ionian count as minor and major.
"""


def church_mode(home: Key, lengths: Sequence[float]) -> str | None:
    """The church mode that the notes make of the home key, if its marking degree clearly rules.

    `lengths` holds how long each of the 12 pitch classes sounds. The marking degree must sound three
    times as long as the one it stands for, and at least one part in forty of the whole (common
    practice, no source).
    """
    tonic, total = home.tonic.pitch_class, sum(lengths)
    for name, mode, marks, stands_for in CHURCH_MODES:
        marking = lengths[(tonic + marks) % 12]
        if mode == home.mode and marking >= total / 40 and marking >= 3 * lengths[(tonic + stands_for) % 12]:
            return name
    return None
