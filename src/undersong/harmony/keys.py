"""Keys of a page: the home key, and the key in which each chord is heard.

Every chord gives clues, each relative to a tonic: its degree, its inversion, the step from the chord
before, the notes that sound, whether it opens, closes, or stands where a line ends, and the scale about
it: in which form (natural, sharp or flat) each of the seven letters sounds next, and sounded last. A
linear-chain random field over 24 keys weighs them against the cost of a change; each chord is given its most
probable key. Where one key for all is nearly as probable, it is kept. The signature is no clue: old
hymns are printed with one flat or sharp too few, and it misleads where the music is far from home.

Conventions: a key is a place 0 to 23, `tonic pitch class + 12` for minor, inside, a spelled `Key`
outside. Weights are natural logarithms.

References: J. Lafferty, A. McCallum and F. Pereira, Conditional random fields (2001). The weights are
learned: see weights.LICENSE and training/README.md.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from math import exp
from operator import add, mul
from typing import Literal

from undersong.harmony.learned import KeyWeights, Learned
from undersong.model.chord import Chord
from undersong.model.pitch import Key, Mode, PitchName

PLACES: tuple[tuple[int, Mode], ...] = (
    *((tonic, "major") for tonic in range(12)),
    *((tonic, "minor") for tonic in range(12)),
)  # fmt: skip
"""The 24 keys in their order inside."""

RELUCTANCE = 0.0
"""What a change of key costs beyond what chorales taught, since plainer music changes less."""

ONE_KEY = 1.0
"""The many-key reading must be this much more probable (natural logarithm) than one key for all."""

WHOLE = 24.0
"""Quarter notes from which a page counts as a whole hymn, which has a key; less is an excerpt."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A chord with what the key finder asks of it: place, notes with their lengths, whether a line closes.

    `sounding` holds (place on the line of fifths, quarter notes), the shortest first.
    """

    onset: Fraction
    length: Fraction
    chord: Chord
    sounding: tuple[tuple[int, float], ...]
    signature: int
    hold: bool
    """Whether a hold or the end of a line stands over it."""
    strength: float
    """Metrical strength where it begins, as in `slices.strength`."""


Clue = tuple[str, int, float]
"""Name, pitch class from which it is counted (of SCALES the bits of several), how much of it there is; see `meant`."""

SCALES = ("ahead", "behind")
"""Clues of seven notes at once: the forms in which the letters sound next, and sounded last."""

_TELLING = {"major": (-1, -2, 3, 2), "dominant": (-1, -2, 3, 2), "minor": (-4, 2, -1, 5), "leading": (-1, 3, 5, 2)}
"""The letters whose form tells what a chord is in its key, by family, as steps on the line of fifths from its root.

The first two are weighed together, before and after: a major triad with its own fourth and seventh may
be a tonic, with a lower seventh a dominant, with a raised fourth a subdominant; a minor triad's sixth and
second tell ii, iii and vi apart; a diminished triad's sixth tells vii from ii. The other two tell major from
minor (a dominant's sixth and second above) and a tonic by its leading tone.
"""

_SIMPLER = {
    "dominant-ninth": "dominant", "dominant-11th": "dominant", "dominant-13th": "dominant",
    "augmented-seventh": "dominant", "major-ninth": "major-seventh", "major-11th": "major-seventh",
    "major-13th": "major-seventh", "minor-ninth": "minor-seventh", "minor-11th": "minor-seventh",
    "minor-13th": "minor-seventh", "major-sixth": "major", "minor-sixth": "minor", "major-minor": "minor",
    "power": "major", "suspended-second": "major", "suspended-fourth": "major", "Neapolitan": "major",
    "Italian": "dominant", "German": "dominant", "French": "dominant", "other": "major", "pedal": "major",
    "Tristan": "half-diminished",
}  # fmt: skip
"""Kinds that the weights do not know, as the kind whose function they share."""

_FAMILIES = {
    "major": "major", "minor": "minor", "diminished": "leading", "half-diminished": "leading",
    "diminished-seventh": "leading", "dominant": "dominant", "minor-seventh": "minor", "major-seventh": "major",
    "augmented": "dominant",
}  # fmt: skip


def simpler(kind: str) -> str:
    """A kind as one of those that the weights know."""
    return _SIMPLER.get(kind, kind)


def _family(chord: Chord) -> str:
    return _FAMILIES.get(simpler(chord.kind), "major")


def clues(heard: Sequence[Heard]) -> list[list[Clue]]:
    """What each chord says of the key; silence says nothing."""
    found: list[list[Clue]] = []
    sounding = [index for index, one in enumerate(heard) if one.chord.root is not None]
    previous: Chord | None = None
    behind, ahead = _forms(heard), _forms(heard[::-1])[::-1]
    for index, one in enumerate(heard):
        row: list[Clue] = [("note", 7 * place % 12, min(length, 4.0)) for place, length in one.sounding]
        row += [("ahead", _bits(ahead[index]), 1.0), ("behind", _bits(behind[index]), 1.0)]
        found.append(row)
        root = one.chord.root
        if root is None:
            continue
        kind, family, base = simpler(one.chord.kind), _family(one.chord), root.pitch_class
        low = one.chord.lowest
        above = (low.pitch_class - base) % 12 if low is not None else 0
        part = "root" if above == 0 else "third" if above in (3, 4) else "fifth" if above in (6, 7, 8) else "seventh"
        row.append((f"chord {kind}", base, 1.0))
        row.append((_about(family, root.fifths, behind[index], ahead[index]), base, 1.0))
        row.append((f"low {family} {part}", base, 1.0))
        if one.length >= 2:
            row.append((f"long {kind}", base, 1.0))
        if previous is not None and previous.root is not None:
            motion = (base - previous.root.pitch_class) % 12
            row.append((f"pair {_family(previous)} {motion} {family}", base, 1.0))
        if one.hold:
            row.append((f"hold {family} {part}", base, 1.0))
        if index == sounding[0]:
            row.append((f"first {family}", base, 1.0))
        if index == sounding[-1]:
            row.append((f"last {family}", base, 1.0))
        previous = one.chord
    return found


_Forms = tuple[int | None, ...]
"""For each letter (its place on the line of fifths modulo 7) the place of its form, None where it has none."""


def _forms(heard: Sequence[Heard]) -> list[_Forms]:
    """At each chord the form in which each letter sounded last, the longest if there are two in one chord."""
    forms: list[int | None] = [None] * 7
    found = []
    for one in heard:
        for place, _ in one.sounding:
            forms[place % 7] = place
        found.append(tuple(forms))
    return found


@lru_cache(maxsize=4096)
def _bits(forms: _Forms) -> int:
    """The pitch classes of some forms as bits."""
    bits = 0
    for place in forms:
        bits |= 0 if place is None else 1 << 7 * place % 12
    return bits


def _about(family: str, root: int, behind: _Forms, ahead: _Forms) -> str:
    """The forms of the telling letters, before a chord and after it, from its root on the line of fifths."""
    name = f"about {family}"
    for step in _TELLING[family]:
        letter = (root + step) % 7
        before, after = behind[letter], ahead[letter]
        name += f" {'?' if before is None else before - root} {'?' if after is None else after - root}"
    return name


def meant(name: str, base: int) -> list[tuple[str, int]]:
    """The entries of the weights that a clue stands for, each with the pitch class from which it is counted."""
    if name in SCALES:
        return [(name, tone) for tone in range(12) if base >> tone & 1]
    if not name.startswith("about "):
        return [(name, base)]
    _, family, *forms = name.split()
    parts = {"both": forms[:4], "behind": forms[:4:2], "ahead": forms[1:4:2], "more behind": forms[4::2]}
    parts["more ahead"] = forms[5::2]
    return [(f"{part} {family} {' '.join(told)}", base) for part, told in parts.items()]


def changes(heard: Sequence[Heard]) -> list[list[str]]:
    """What bears on a change of key before each chord but the first."""
    found = []
    page = f"change page {_chromatic(heard)}"
    for before, one in pairwise(heard):
        row = ["change", f"change {one.strength:g}", page]
        row += ["change after hold"] if before.hold else []
        found.append(row)
    return found


def _chromatic(heard: Sequence[Heard]) -> int:
    """How much of the page lies outside its best scale of seven notes, 0 to 5: plain pages change key less."""
    lengths = [0.0] * 12
    for one in heard:
        for place, length in one.sounding:
            lengths[7 * place % 12] += length
    inside = max(sum(lengths[(7 * (place + step)) % 12] for step in range(7)) for place in range(12))
    share = 1 - inside / max(sum(lengths), 1e-9)
    return sum(share > bound for bound in CHROMATIC)


CHROMATIC = (0.001, 0.02, 0.04, 0.07, 0.12)
"""Bounds of the share of a page outside its best scale."""


def crossings(heard: Sequence[Heard]) -> list[tuple[list[Clue], list[Clue]]]:
    """What the chords on both sides of each change say, if the key changes there: of the old key, and of the new."""
    found: list[tuple[list[Clue], list[Clue]]] = []
    for before, one in pairwise(heard):
        old: list[Clue] = []
        new: list[Clue] = []
        for name, chord in (("last", before.chord), ("first", one.chord)):
            if chord.root is not None:
                old.append((f"{name} in old {_family(chord)}", chord.root.pitch_class, 1.0))
                new.append((f"{name} in new {_family(chord)}", chord.root.pitch_class, 1.0))
        found.append((old, new))
    return found


def _turned(weights: KeyWeights, name: str, base: int) -> tuple[float, ...]:
    """A clue's worth in each of the 24 keys."""
    rows = [(weights.clues[part], at) for part, at in meant(name, base) if part in weights.clues]
    return tuple(sum(row[(at - tonic) % 12 + shift] for row, at in rows) for shift in (0, 12) for tonic in range(12))


@dataclass(slots=True)
class _Turned:
    """Clues turned to all tonics, each once."""

    weights: KeyWeights
    kept: dict[tuple[str, int], tuple[float, ...]]

    def __call__(self, name: str, base: int) -> tuple[float, ...]:
        found = self.kept.get((name, base))
        if found is None:
            found = self.kept[name, base] = _turned(self.weights, name, base)
        return found


@dataclass(frozen=True, slots=True)
class Keys:
    """The home key, a key for each chord, and how probable that key is there."""

    home: Key
    local: tuple[Key, ...]
    probability: tuple[float, ...]


def find_keys(heard: Sequence[Heard], learned: Learned, *, arrays: bool = False) -> Keys:
    """The home key, and a key for each chord; C major if there is nothing to hear.

    `arrays` lets numpy do the sums: quicker, where it is loaded anyway.
    """
    if not heard:
        return Keys(Key(PitchName("C")), (), ())
    turned = _Turned(learned.keys, learned.keys.turned)
    worths = [_worth(row, turned) for row in clues(heard)]
    crossed = [(_worth(old, turned), _worth(new, turned)) for old, new in crossings(heard)]
    costs = [sum(learned.keys.changes.get(name, 0.0) for name in names) - RELUCTANCE for names in changes(heard)]
    chances = _posterior(worths, costs, crossed, learned.keys, arrays=arrays)
    alone = [sum(row[place] for row in worths) for place in range(24)]
    chain = [max(range(24), key=row.__getitem__) for row in chances]
    home = _home(heard, alone, chances)
    long = sum(float(one.length) for one in heard) >= WHOLE and len(set(chain)) > 1
    bound = alone[home] + ONE_KEY
    sure_to_change = _chain_score(chain, worths, costs, crossed, learned.keys) >= bound
    if long and not sure_to_change and _best_chain(worths, costs, crossed, learned.keys) < bound:
        chain = [home] * len(heard)
    signature = heard[0].signature
    spelled = {place: _spelled(PLACES[place], heard, signature) for place in {home, *chain}}
    sure = tuple(row[place] for row, place in zip(chances, chain, strict=True))
    return Keys(spelled[home], tuple(spelled[place] for place in chain), sure)


def _worth(row: Sequence[Clue], turned: _Turned) -> list[float]:
    """What some clues are worth together in each of the 24 keys."""
    total: list[float] = []
    for name, base, much in row:
        values = turned(name, base)
        if much == 1.0:
            total = list(map(add, total, values)) if total else list(values)
        elif not total:
            total = [much * one for one in values]
        else:
            total = [one + much * two for one, two in zip(total, values, strict=True)]
    return total or [0.0] * 24


_Crossed = list[tuple[list[float], list[float]]]
"""For each change of chord what a change of key there is worth by the old key, and by the new one."""


def _posterior(
    worths: list[list[float]], costs: list[float], crossed: _Crossed, weights: KeyWeights, *, arrays: bool
) -> list[list[float]]:
    """The probability of each key at each chord (forward and backward sums)."""
    linear = [
        [0.0 if one == two else exp(value) for two, value in enumerate(row)]
        for one, row in enumerate(weights.relations)
    ]  # fmt: skip
    onwards, backwards = (_times(table, arrays=arrays) for table in (list(zip(*linear, strict=True)), linear))
    tops = [max(row) for row in worths]
    chances = [[exp(value - top) for value in row] for row, top in zip(worths, tops, strict=True)]
    leave = [[exp(value + cost) for value in old] for (old, _), cost in zip(crossed, costs, strict=True)]
    enter = [[exp(value) for value in new] for _, new in crossed]
    forward = [_scaled(chances[0])]
    for index, row in enumerate(chances[1:]):
        last = forward[-1]
        came = onwards(list(map(mul, last, leave[index])))
        whole = map(add, last, map(mul, came, enter[index]))
        forward.append(_scaled(list(map(mul, whole, row))))
    backward = [[1.0] * 24]
    for index in range(len(chances) - 2, -1, -1):
        ahead = list(map(mul, chances[index + 1], backward[-1]))
        came = backwards(list(map(mul, ahead, enter[index])))
        backward.append(_scaled(list(map(add, ahead, map(mul, came, leave[index])))))
    return [
        _scaled(list(map(mul, before, after))) for before, after in zip(forward, backward[::-1], strict=True)
    ]  # fmt: skip


def _times(table: Sequence[Sequence[float]], *, arrays: bool) -> Callable[[list[float]], list[float]]:
    """What multiplies a table by a row: the sum of the products for each of the table's rows."""
    if not arrays:
        return lambda row: [sum(map(mul, row, other)) for other in table]
    import numpy as np  # noqa: PLC0415 (see `learned`)

    array = np.array(table)
    return lambda row: array.dot(row).tolist()


def _scaled(row: list[float]) -> list[float]:
    total = sum(row)
    return [one / total for one in row]


def _chain_score(
    chain: list[int], worths: list[list[float]], costs: list[float], crossed: _Crossed, weights: KeyWeights
) -> float:
    """The score of a chain of keys."""
    score = sum(row[place] for row, place in zip(worths, chain, strict=True))
    for (one, two), cost, (old, new) in zip(pairwise(chain), costs, crossed, strict=True):
        if one != two:
            score += cost + old[one] + new[two] + weights.relations[one][two]
    return score


def _best_chain(worths: list[list[float]], costs: list[float], crossed: _Crossed, weights: KeyWeights) -> float:
    """The score of the best chain of keys (Viterbi)."""
    score = list(worths[0])
    columns = list(zip(*weights.relations, strict=True))
    for row, cost, (old, new) in zip(worths[1:], costs, crossed, strict=True):
        going = list(map(add, score, old))
        came = [max(map(add, going, column)) + cost + value for column, value in zip(columns, new, strict=True)]
        score = list(map(add, map(max, score, came), row))
    return max(score)


def _home(heard: Sequence[Heard], alone: list[float], chances: list[list[float]]) -> int:
    """The key of the close, if the page as a whole can be in it."""
    lengths = [float(one.length) for one in heard]
    whole = sum(lengths)
    share = [
        sum(row[place] * length for row, length in zip(chances, lengths, strict=True)) / whole for place in range(24)
    ]
    last = next((index for index in range(len(heard) - 1, -1, -1) if heard[index].chord.root is not None), 0)
    first = next((index for index, one in enumerate(heard) if one.chord.root is not None), 0)
    return max(
        range(24), key=lambda place: (share[place] + chances[last][place] + 0.2 * chances[first][place], alone[place])
    )


def _spelled(place: tuple[int, Mode], heard: Sequence[Heard], signature: int) -> Key:
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


def church_mode(tonic: int, third: Mode, lengths: Sequence[float]) -> ModeName | None:
    """The church mode that the notes make over a final, if its marking degree clearly rules.

    `lengths` holds how long each of the 12 pitch classes sounds. The marking degree must sound three
    times as long as the one it stands for, and at least one part in forty of the whole; in dorian and
    phrygian the seventh must be natural at least as long as raised (common practice, no source).
    """
    total = sum(lengths)
    natural, raised = lengths[(tonic + 10) % 12], lengths[(tonic + 11) % 12]
    for name, mode, marks, stands_for in CHURCH_MODES:
        marking = lengths[(tonic + marks) % 12]
        if mode != third or marking < total / 40 or marking < 3 * lengths[(tonic + stands_for) % 12]:
            continue
        if mode == "minor" and raised > natural:
            continue
        return name
    return None
