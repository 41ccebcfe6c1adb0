"""What the chord model hears: the cuts of a page as numbers.

Every note of every cut is put into a class by how it is reached and left, where in the metre it
sounds and whether it is shorter than a beat; a stretch of cuts is described by how much of it each
pitch class sounds, what lies lowest where it begins, how long it is and where in the bar. Nothing
here knows a chord or a key: the model turns every figure to the root it tries.

Conventions: rows are cuts in the order of the page; columns of a pitch-class table are
`feature * 12 + pitch class`. Lengths are quarter notes. A stretch is (first cut, number of cuts).

References: kinds of non-chord notes are common practice, no source; the stretch features follow the
semi-Markov model of Masada and Bunescu (2019).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undersong.harmony.slices import PartNote, Slice
from undersong.model.tune import Tune

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LONGEST = 10
"""Cuts that one stretch may have."""

MOVES = 18
"""Ways of reaching and leaving a note that are told apart; see `_move`."""

NOTE_CLASSES = MOVES * 3 * 2
LOW_CLASSES = 3
SHARES = (0.001, 0.26, 0.51, 0.76)
"""Bounds between none, a little, half, most and all of a stretch."""

LENGTHS = (0.26, 0.51, 0.76, 1.01, 1.51, 2.01, 3.01, 4.01)

SHAPE_PARTS = (5 * 9, 5 * 5, 5 * 2, 2, 6, 3)
"""Columns of `Page.shape`: place by length, place by voices struck, place by bass struck, hold, cuts, bar line."""


@dataclass(frozen=True, slots=True)
class Page:
    """The cuts and stretches of a page as tables (n cuts, s stretches).

    `notes` (n, NOTE_CLASSES * 12) and `lows` (n, LOW_CLASSES * 12): quarter notes; `place` (n,): 0 weakest to
    4 strongest. Of stretches: `first` and `count` (s,), `shares` (s, 5 * 12) one-hot, `low` (s, 12) one-hot,
    `signature` (s, 12) one-hot of its major tonic, `shape` (s, sum(SHAPE_PARTS)) one-hot, `mask` (s,) bits of the
    pitch classes that sound, `share` (s, 12), `sharpest` (s, 12) place on the line of fifths, `together` (s,)
    bits of what sounds at once where most sounds.
    """

    quarters: Floats
    place: Ints
    notes: Floats
    lows: Floats
    first: Ints
    count: Ints
    shares: Floats
    low: Floats
    signature: Floats
    shape: Floats
    mask: Ints
    share: Floats
    sharpest: Ints
    struck: Ints


PLACES = {0.25: 0, 0.5: 1, 1.0: 2, 2.0: 3, 3.0: 4}


def _move(note: PartNote, *, held: bool) -> int:
    """How a note comes and goes at a cut: 0 to 15 by reaching and leaving, 16 neighbour, 17 rising suspension."""
    reached, left = note.reached, note.left
    come = 0 if held or reached == 0 else 3 if reached is None else 1 if abs(reached) == 1 else 2
    go = 3 if left is None else 0 if left == 0 else 1 if abs(left) == 1 else 2
    if come == 1 and go == 1 and reached != left:
        return 16
    if come == 0 and go == 1 and left is not None and left > 0:
        return 17
    return come * 4 + go


def _kept(note: PartNote) -> tuple[int, float, int]:
    """Its class where it is held, its length, its place on the line of fifths."""
    return _move(note, held=True), note.stops - note.begins, note.pitch.name.fifths


def page(tune: Tune, cuts: Sequence[Slice]) -> Page:
    """The tables of a page."""
    count = len(cuts)
    lows = np.zeros((count, LOW_CLASSES * 12), np.float32)
    lowest, struck, bass_struck = [-1] * count, [0] * count, [0] * count
    quarters = np.array([cut.quarters for cut in cuts], np.float64)
    place = np.array([PLACES[cut.strength] for cut in cuts], np.int64)
    beats = [float(tune.bars[cut.bar].time.beat) if tune.bars[cut.bar].time.beats else 1.0 for cut in cuts]
    known: dict[int, tuple[int, float, int]] = {}
    classes: list[int] = []  # of each note of each cut: its column of `notes`, pitch class, place on the line of fifths
    tones: list[int] = []
    names: list[int] = []
    for row, cut in enumerate(cuts):
        level = 2 if cut.strength >= 1 else 1 if cut.strength == 0.5 else 0
        beat = min(beats[row], 1.0)
        for note in cut.notes:
            kept = known.get(id(note))
            if kept is None:
                kept = known[id(note)] = _kept(note)
                move = _move(note, held=False)
                struck[row] += 1
                bass_struck[row] |= note is cut.notes[0]
            else:
                move = kept[0]
            tone = note.tone
            classes.append(((move * 3 + level) * 2 + (kept[1] < beat)) * 12 + tone)
            tones.append(tone)
            names.append(kept[2])
        if cut.notes:
            lowest[row] = tone = cut.notes[0].tone
            lows[row, level * 12 + tone] = cut.quarters
    rows = np.repeat(np.arange(count), [len(cut.notes) for cut in cuts])
    notes, sounding = np.zeros((count, NOTE_CLASSES * 12), np.float32), np.zeros((count, 12))
    fifths = np.full((count, 12), -99, np.int64)
    if tones:
        np.add.at(notes.reshape(-1), rows * NOTE_CLASSES * 12 + classes, quarters[rows].astype(np.float32))
        sounding[rows, tones] = quarters[rows]
        np.maximum.at(fifths.reshape(-1), rows * 12 + tones, names)
    signature = np.array([7 * tune.bars[cut.bar].key.fifths % 12 for cut in cuts], np.int64)
    held = np.zeros(count, np.int64)
    onsets = [cut.begins for cut in cuts]
    for mark in tune.holds:
        held[max(bisect_right(onsets, float(mark)) - 1, 0)] = 1
    for line in tune.lines:
        held[max(bisect_left(onsets, float(line.end)) - 1, 0)] = 1
    first, size = _stretches(count)
    ends = first + size
    bars = np.array([cut.bar for cut in cuts], np.int64)
    length = _between(quarters, first, ends)
    share = _between(sounding, first, ends) / np.maximum(length, 1e-9)[:, None]
    bits = (sounding > 0) @ (1 << np.arange(12))
    mask, sharpest = bits[first].copy(), fifths[first].copy()
    for more in range(1, LONGEST):
        wide = np.flatnonzero(size > more)
        mask[wide] |= bits[first[wide] + more]
        sharpest[wide] = np.maximum(sharpest[wide], fifths[first[wide] + more])
    begin = place[first]
    crosses = np.minimum(bars[ends - 1] - bars[first], 1) * (1 + (length > 4.01))
    columns = (
        begin * 9 + np.searchsorted(LENGTHS, length),
        begin * 5 + np.minimum(np.array(struck)[first], 4),
        begin * 2 + np.array(bass_struck, np.int64)[first],
        np.minimum(_between(held.astype(np.float64), first, ends), 1).astype(np.int64),
        np.minimum(size, 6) - 1,
        crosses,
    )
    offsets = np.cumsum((0, *SHAPE_PARTS))
    shape = np.zeros((len(first), offsets[-1]), np.float32)
    rows = np.arange(len(first))
    for column, offset in zip(columns, offsets, strict=False):
        shape[rows, offset + column] = 1
    return Page(
        quarters.astype(np.float32), place, notes, lows, first, size, _one_hot_shares(share),
        _one_hot(np.array(lowest)[first]), _one_hot(signature[first]), shape, mask, share.astype(np.float32), sharpest,
        np.array(struck),
    )  # fmt: skip


def _stretches(count: int) -> tuple[Ints, Ints]:
    """Every stretch of at most LONGEST cuts: first cuts and sizes, by first cut."""
    first = np.repeat(np.arange(count), LONGEST)
    size = np.tile(np.arange(1, LONGEST + 1), count)
    inside = first + size <= count
    return first[inside], size[inside]


def _between(values: NDArray[np.float64], first: Ints, ends: Ints) -> NDArray[np.float64]:
    sums = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
    return np.asarray(sums[ends] - sums[first])


def _one_hot(values: Ints) -> Floats:
    table = np.zeros((len(values), 12), np.float32)
    known = np.flatnonzero(values >= 0)
    table[known, values[known]] = 1
    return table


def _one_hot_shares(share: NDArray[np.float64]) -> Floats:
    bucket = np.searchsorted(SHARES, share, side="right")
    table = np.zeros((len(share), 5, 12), np.float32)
    rows, tones = np.indices(share.shape)
    table[rows, bucket, tones] = 1
    return table.reshape(len(share), 60)
