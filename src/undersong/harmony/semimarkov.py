"""Where chords change and what they are, found together: a semi-Markov random field over a page.

Every stretch of cuts under every label (root and kind) has a score, every pair of neighbouring labels
one more. Forward and backward sums give the probability of each stretch; the best chain is read off.

Conventions: a label is `root * len(KINDS) + kind`. Scores are natural logarithms. Weights are relative
to the root: turning all notes turns all labels.

References: S. Sarawagi and W. Cohen, Semi-Markov conditional random fields (2004); for harmony,
K. Masada and R. Bunescu (2019).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undersong.harmony.features import LONGEST, Bools, Floats, Ints, Page
from undersong.model.chord import KINDS as ALL_KINDS

KINDS = (
    "major", "minor", "diminished", "augmented", "dominant", "major-seventh",
    "minor-seventh", "half-diminished", "diminished-seventh", "French",
)  # fmt: skip
"""The kinds that parts are read as."""

LABELS = 12 * len(KINDS)
Doubles = NDArray[np.float64]

TEMPLATES = tuple(tuple(sorted({row[2] % 12 for row in ALL_KINDS[kind]})) for kind in KINDS)
SEVENTHS = {KINDS.index(kind): ALL_KINDS[kind][3][2] for kind in KINDS[4:]}

SEVENTH_SOUNDS = 0.5
"""The share of a stretch that a seventh must sound to be called one."""

FORBIDDEN = -14.0
"""What a label costs that the notes rule out; finite, so that every page has a reading."""


@dataclass(frozen=True, slots=True)
class Weights:
    """What the model has learned.

    Tables relative to the root have the shape (features, 12 semitones above the root, kinds): `notes`,
    `lows`, `shares`, `low`, `signature`. `shape` is (columns of Page.shape, kinds), `exact` (2, kinds): nothing
    outside the chord, and all of it besides. `moves` is (3 strengths, 12 semitones from root to root, kinds before,
    kinds after).
    """

    notes: Floats
    lows: Floats
    shares: Floats
    low: Floats
    signature: Floats
    shape: Floats
    exact: Floats
    moves: Floats


def turned(table: Floats) -> Floats:
    """A table relative to the root as (features * 12 pitch classes, labels)."""
    features, _, kinds = table.shape
    above = (np.arange(12)[:, None] - np.arange(12)[None, :]) % 12  # pitch class, root
    return np.ascontiguousarray(table[:, above, :].reshape(features * 12, 12 * kinds))


def turned_back(table: Floats) -> Floats:
    """The sum over roots of a (features * 12, labels) table, relative to the root: the transpose of `turned`."""
    kinds = table.shape[1] // 12
    whole = table.reshape(-1, 12, 12, kinds)
    above = (np.arange(12)[:, None] + np.arange(12)[None, :]) % 12  # semitones, root -> pitch class
    return np.asarray(whole[:, above, np.arange(12)[None, :], :].sum(axis=2))


def chains(moves: Floats) -> Doubles:
    """Scores of one label after another, (3, labels, labels)."""
    kinds = len(KINDS)
    up = (np.arange(12)[None, :] - np.arange(12)[:, None]) % 12  # root before, root after
    table = moves[:, up, :, :]  # 3, before, after, kind before, kind after
    return np.ascontiguousarray(table.transpose(0, 1, 3, 2, 4).reshape(3, 12 * kinds, 12 * kinds), np.float64)


_BITS = np.array([[sum(1 << (root + tone) % 12 for tone in template) for template in TEMPLATES] for root in range(12)])
_BITS = _BITS.reshape(-1)


def exact(page: Page) -> tuple[Bools, Bools]:
    """Whether nothing sounds outside a label's chord, and whether besides all of it sounds: (stretches, labels)."""
    mask = page.mask[:, None]
    nothing = (mask & ~_BITS[None, :] & 0xFFF) == 0
    return nothing, nothing & (mask == _BITS[None, :])


def forbidden(page: Page) -> Floats:
    """What the notes settle whatever the style, as scores (stretches, labels).

    A seventh must sound; diminished sevenths, augmented triads and augmented sixths are rooted by their spelling.
    """
    table = np.zeros((len(page.first), 12, len(KINDS)), np.float32)
    roots = np.arange(12)
    for kind, seventh in SEVENTHS.items():
        table[:, :, kind] += FORBIDDEN * (page.share[:, (roots + seventh) % 12] < SEVENTH_SOUNDS)
    sharpest = page.sharpest
    stack = np.max([sharpest[:, (roots + step) % 12] for step in (0, 3, 6, 9)], axis=0)
    table[:, :, KINDS.index("diminished-seventh")] += FORBIDDEN * (sharpest < stack)
    stack = np.min([np.where(sharpest > -99, sharpest, 99)[:, (roots + step) % 12] for step in (0, 4, 8)], axis=0)
    table[:, :, KINDS.index("augmented")] += FORBIDDEN * (sharpest > stack)
    french = KINDS.index("French")
    bits = _BITS.reshape(12, -1)[:, french]
    table[:, :, french] += FORBIDDEN * (page.mask[:, None] != bits[None, :])
    sixth, fourth = sharpest[:, (roots + 10) % 12] - sharpest, sharpest[:, (roots + 6) % 12] - sharpest
    table[:, :, french] += FORBIDDEN * ((sixth != 10) | (fourth != 6))
    # an augmented sixth spelled as one: Italian and German are called the dominant that they sound like
    dominant = _BITS.reshape(12, -1)[:, KINDS.index("dominant")]
    fifth = 1 << (roots + 7) % 12
    mask = page.mask[:, None]
    table[:, :, KINDS.index("dominant")] -= FORBIDDEN * (
        ((mask == dominant[None, :]) | (mask == (dominant & ~fifth)[None, :])) & (sixth == 10)
    )
    table[:, :, french] -= FORBIDDEN * ((page.mask[:, None] == bits[None, :]) & (sixth == 10) & (fourth == 6))
    return table.reshape(len(page.first), LABELS)


@dataclass(frozen=True, slots=True)
class Tables:
    """Weights turned to all roots, ready to multiply: made once."""

    cut: Floats
    stretch: Floats
    shape: Floats
    exact: Floats
    chain: Doubles


def tables(weights: Weights) -> Tables:
    """The weights made ready."""
    return Tables(
        np.concatenate([turned(weights.notes), turned(weights.lows)]),
        np.concatenate([turned(weights.shares), turned(weights.low), turned(weights.signature)]),
        weights.shape,
        weights.exact,
        chains(weights.moves),
    )


def scores(page: Page, ready: Tables) -> Floats:
    """The score of every stretch under every label, (stretches, labels)."""
    wide = np.concatenate([page.notes, page.lows], axis=1)
    heard = np.flatnonzero(wide.any(axis=0))  # a page uses few of the classes
    cuts = wide[:, heard] @ ready.cut[heard]
    sums = np.concatenate([np.zeros((1, LABELS), np.float32), np.cumsum(cuts, axis=0, dtype=np.float64)])
    table: Floats = (sums[page.first + page.count] - sums[page.first]).astype(np.float32)
    table += np.concatenate([page.shares, page.low, page.signature], axis=1) @ ready.stretch
    table += np.tile(page.shape @ ready.shape, (1, 12))
    nothing, whole = exact(page)
    table += nothing * np.tile(ready.exact[0], 12) + whole * np.tile(ready.exact[1], 12)
    table += forbidden(page)
    return table


def levels(page: Page) -> Ints:
    """Strength of each cut in three: 2 a beat, 1 half a beat, 0 less."""
    return np.minimum(page.place, 2)


def by_first(page: Page, table: Floats) -> Doubles:
    """(stretches, labels) as (cuts, LONGEST, labels), minus infinity where no stretch is."""
    full = np.full((len(page.quarters), LONGEST, table.shape[1]), -np.inf)
    full[page.first, page.count - 1] = table
    return full


@dataclass(frozen=True, slots=True)
class Sums:
    """Forward and backward sums with their logarithmic scales.

    `before` (n + 1, labels): what may come before a stretch that begins at a cut; `after` (n + 1, labels): what
    may follow a stretch that ends there; `ending` and `beginning` (n + 1, labels) the sums of stretches that end
    and begin there.
    """

    total: float
    before: Doubles
    before_scale: Doubles
    after: Doubles
    after_scale: Doubles
    ending: Doubles
    ending_scale: Doubles
    beginning: Doubles
    beginning_scale: Doubles


def sums(score: Doubles, chain: Doubles, level: Ints) -> Sums:
    """Forward and backward sums. `score` (n, LONGEST, labels), `chain` (3, labels, labels), `level` (n,)."""
    count, _, labels = score.shape
    peak = chain.max(axis=(1, 2))
    linear = np.exp(chain - peak[:, None, None])
    high = score.max(axis=(1, 2))
    weight = np.exp(score - high[:, None, None])
    before, before_scale = np.zeros((count + 1, labels)), np.zeros(count + 1)
    ending, ending_scale = np.zeros((count + 1, labels)), np.zeros(count + 1)
    before[0] = 1.0
    steps = np.arange(1, LONGEST + 1)
    for end in range(1, count + 1):
        size = steps[: min(end, LONGEST)]
        first = end - size
        scale = high[first] + before_scale[first]
        top = scale.max()
        row = np.einsum("i,ij,ij->j", np.exp(scale - top), weight[first, size - 1], before[first])
        total = row.sum()
        ending[end], ending_scale[end] = row / total, top + np.log(total)
        if end < count:
            before[end] = ending[end] @ linear[level[end]]
            before_scale[end] = ending_scale[end] + peak[level[end]]
    after, after_scale = np.zeros((count + 1, labels)), np.zeros(count + 1)
    beginning, beginning_scale = np.zeros((count + 1, labels)), np.zeros(count + 1)
    after[count] = 1.0
    for begin in range(count - 1, -1, -1):
        size = steps[: min(count - begin, LONGEST)]
        scale = after_scale[begin + size]
        top = scale.max()
        row = np.einsum("i,ij,ij->j", np.exp(scale - top), weight[begin, : len(size)], after[begin + size])
        total = row.sum()
        beginning[begin], beginning_scale[begin] = row / total, high[begin] + top + np.log(total)
        if begin:
            after[begin] = linear[level[begin]] @ beginning[begin]
            after_scale[begin] = beginning_scale[begin] + peak[level[begin]]
    return Sums(
        float(ending_scale[count]), before, before_scale, after, after_scale,
        ending, ending_scale, beginning, beginning_scale,
    )  # fmt: skip


def probabilities(page: Page, table: Floats, found: Sums) -> Doubles:
    """The probability of every stretch under every label, (stretches, labels)."""
    first, end = page.first, page.first + page.count
    scale = found.before_scale[first] + found.after_scale[end] - found.total
    return np.asarray(np.exp(table + scale[:, None]) * found.before[first] * found.after[end])


def best(score: Doubles, chain: Doubles, level: Ints) -> list[tuple[int, int, int]]:
    """The best chain of stretches: (first cut, end, label)."""
    count, _, labels = score.shape
    before = np.zeros((count + 1, labels))
    ending = np.full((count + 1, labels), -np.inf)
    source = np.zeros((count + 1, labels), np.int64)
    came = np.zeros((count + 1, labels), np.int64)
    steps = np.arange(1, LONGEST + 1)
    for end in range(1, count + 1):
        size = steps[: min(end, LONGEST)]
        first = end - size
        value = score[first, size - 1] + before[first]
        pick = value.argmax(axis=0)
        ending[end] = value[pick, np.arange(labels)]
        source[end] = first[pick]
        if end < count:
            value = ending[end][:, None] + chain[level[end]]
            came[end] = value.argmax(axis=0)
            before[end] = value[came[end], np.arange(labels)]
    path, stop, label = [], count, int(ending[count].argmax())
    while stop > 0:
        start = int(source[stop][label])
        path.append((start, stop, label))
        label, stop = int(came[start][label]), start
    return path[::-1]


def cut_probabilities(page: Page, score: Doubles, found: Sums, path: list[tuple[int, int, int]]) -> Doubles:
    """For each cut, the probability of the label that the path gives it, (n,)."""
    count = len(page.quarters)
    sure = np.zeros(count)
    for start, end, label in path:
        # every stretch with this label that covers one of these cuts
        lowest = max(0, start - LONGEST + 1)
        rows = np.flatnonzero((page.first >= lowest) & (page.first < end) & (page.first + page.count > start))
        first, last = page.first[rows], page.first[rows] + page.count[rows]
        with np.errstate(divide="ignore"):
            value = (
                score[first, last - first - 1, label]
                + found.before_scale[first] + np.log(found.before[first, label])
                + found.after_scale[last] + np.log(found.after[last, label])
                - found.total
            )  # fmt: skip
        weight = np.exp(value)
        for cut in range(start, end):
            sure[cut] = weight[(first <= cut) & (last > cut)].sum()
    return np.minimum(sure, 1.0)
