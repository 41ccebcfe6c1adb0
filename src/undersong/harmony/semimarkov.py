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
from operator import add

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

_BY_SEVENTH = {
    semitones: [kind for kind, above in SEVENTHS.items() if above == semitones] for semitones in SEVENTHS.values()
}
"""The kinds that have each seventh."""

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
    times = np.zeros((len(page.first), 12, len(KINDS)), np.int8)
    roots = np.arange(12)
    quiet = page.share < SEVENTH_SOUNDS
    for semitones, kinds in _BY_SEVENTH.items():
        times[:, :, kinds] = quiet[:, (roots + semitones) % 12, None]
    sharpest = page.sharpest
    stack = np.max([sharpest[:, (roots + step) % 12] for step in (0, 3, 6, 9)], axis=0)
    times[:, :, KINDS.index("diminished-seventh")] += sharpest < stack
    stack = np.min([np.where(sharpest > -99, sharpest, 99)[:, (roots + step) % 12] for step in (0, 4, 8)], axis=0)
    times[:, :, KINDS.index("augmented")] += sharpest > stack
    mask, french, dominant = page.mask[:, None], KINDS.index("French"), KINDS.index("dominant")
    as_french = mask == _BITS.reshape(12, -1)[:, french]
    sixth, fourth = sharpest[:, (roots + 10) % 12] - sharpest == 10, sharpest[:, (roots + 6) % 12] - sharpest == 6
    times[:, :, french] += ~as_french
    times[:, :, french] += ~(sixth & fourth)
    # an augmented sixth spelled as one: Italian and German are called the dominant that they sound like
    bits = _BITS.reshape(12, -1)[:, dominant]
    fifth = 1 << (roots + 7) % 12
    times[:, :, dominant] -= ((mask == bits) | (mask == bits & ~fifth)) & sixth
    times[:, :, french] -= as_french & sixth & fourth
    return (FORBIDDEN * times.astype(np.float32)).reshape(len(page.first), LABELS)


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


def _by_end(full: Doubles, empty: float) -> Doubles:
    """A table by first cut and size as (cuts + 1, LONGEST, labels) by end, the stretches that begin earliest first."""
    count, _, labels = full.shape
    found = np.full((count + 1, LONGEST, labels), empty)
    for size in range(1, min(count, LONGEST) + 1):
        found[size:, LONGEST - size] = full[: count + 1 - size, size - 1]
    return found


def _heights(score: Doubles, peak: Doubles, level: Ints) -> tuple[Doubles, Doubles]:
    """How high the best cutting stands where a stretch ends and where the next begins, (n + 1,) each.

    Labels need not agree here. Scores less these lie near nothing, and the sums need no logarithm at each cut.
    """
    high = _by_end(score.max(axis=2, keepdims=True), -np.inf)[:, :, 0].tolist()
    steps = [*peak[level].tolist(), 0.0]
    ending, before = [0.0], [0.0] * (LONGEST + 1)
    for row, step in zip(high[1:], steps[1:], strict=True):
        ending.append(max(map(add, row, before[-LONGEST:])))
        before.append(ending[-1] + step)
    return np.array(ending), np.array(before[LONGEST:])


APART, OFTEN = 1e100, 8
"""Sums further than this from 1 are brought back; they are looked at every so many cuts."""


def sums(score: Doubles, chain: Doubles, level: Ints) -> Sums:
    """Forward and backward sums. `score` (n, LONGEST, labels), `chain` (3, labels, labels), `level` (n,)."""
    count, _, labels = score.shape
    peak = chain.max(axis=(1, 2))
    linear, levels_at = np.exp(chain - peak[:, None, None]), level.tolist()
    ending_scale, before_scale = _heights(score, peak, level)
    after_scale, beginning_scale = ending_scale[count] - ending_scale, ending_scale[count] - before_scale
    ends = np.minimum(np.arange(count)[:, None] + np.arange(1, LONGEST + 1), count)
    weight = np.exp(score + (before_scale[:count, None] - ending_scale[ends])[:, :, None])
    ending, beginning = np.zeros((count + 1, labels)), np.zeros((count + 1, labels))
    before, after = np.zeros((LONGEST + count + 1, labels)), np.zeros((count + 1 + LONGEST, labels))
    before[LONGEST] = after[count] = 1.0
    for end, stretches in enumerate(_by_end(weight, 0.0)[1:], start=1):
        ending[end] = row = np.einsum("ij,ij->j", stretches, before[end : end + LONGEST])
        if end < count:
            before[end + LONGEST] = row @ linear[levels_at[end]]
        if end % OFTEN == 0 and not 1 / APART < (top := row.max()) < APART:
            before[end + 1 : end + LONGEST + 1] /= top
            before_scale[max(end - LONGEST + 1, 0) :] += np.log(top)
            ending_scale[end + 1 :] += np.log(top)
    for begin in range(count - 1, -1, -1):
        beginning[begin] = row = np.einsum("ij,ij->j", weight[begin], after[begin + 1 : begin + 1 + LONGEST])
        if begin:
            after[begin] = linear[levels_at[begin]] @ row
        if begin % OFTEN == 0 and not 1 / APART < (top := row.max()) < APART:
            after[begin : begin + LONGEST] /= top
            after_scale[: begin + LONGEST] += np.log(top)
            beginning_scale[:begin] += np.log(top)
    return Sums(
        float(ending_scale[count] + np.log(ending[count].sum())), before[LONGEST:], before_scale, after[: count + 1],
        after_scale, ending, ending_scale, beginning, beginning_scale,
    )  # fmt: skip


def probabilities(page: Page, table: Floats, found: Sums) -> Doubles:
    """The probability of every stretch under every label, (stretches, labels)."""
    first, end = page.first, page.first + page.count
    scale = found.before_scale[first] + found.after_scale[end] - found.total
    return np.asarray(np.exp(table + scale[:, None]) * found.before[first] * found.after[end])


def best(score: Doubles, chain: Doubles, level: Ints) -> list[tuple[int, int, int]]:
    """The best chain of stretches: (first cut, end, label)."""
    count, _, labels = score.shape
    before, ending = np.zeros((LONGEST + count + 1, labels)), np.zeros((count + 1, labels))
    by_end, levels_at = _by_end(score, -np.inf), level.tolist()
    for end in range(1, count + 1):
        ending[end] = row = (by_end[end] + before[end : end + LONGEST]).max(axis=0)
        if end < count:
            before[end + LONGEST] = (row[:, None] + chain[levels_at[end]]).max(axis=0)
    path, stop, label = [], count, int(ending[count].argmax())
    while stop > 0:
        # of equal ones the shortest stretch
        values = by_end[stop, ::-1, label] + before[stop : stop + LONGEST, label][::-1]
        start = stop - 1 - int(values.argmax())
        path.append((start, stop, label))
        if start:
            label = int((ending[start] + chain[levels_at[start], :, label]).argmax())
        stop = start
    return path[::-1]


def cut_probabilities(found: Sums, path: list[tuple[int, int, int]]) -> Doubles:
    """For each cut, the probability of the label that the path gives it, (n,).

    What covers a cut is what began up to it less what ended.
    """
    count = len(found.ending) - 1
    begins = np.exp(found.before_scale + found.beginning_scale - found.total)[:, None] * found.before * found.beginning
    ends = np.exp(found.ending_scale + found.after_scale - found.total)[:, None] * found.ending * found.after
    covering = np.cumsum(begins - ends, axis=0)
    labels = np.repeat([label for _, _, label in path], [end - start for start, end, _ in path])
    return np.asarray(np.clip(covering[np.arange(count), labels], 0.0, 1.0))
