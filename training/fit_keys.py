"""Fitting the key model: a linear-chain random field over decoded chords, penalised likelihood, Adam, averaged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from undersong.harmony.keys import Clue, Heard, changes, clues, crossings, meant

DRAWN, EPOCHS, RATE, BATCH = 4.0, 6, 0.05, 4
PLACES = np.arange(24)
APART = 1 - np.eye(24)
RELATION = ((PLACES[:, None] // 12) * 2 + PLACES[None, :] // 12) * 12 + (PLACES[None, :] - PLACES[:, None]) % 12


@dataclass(frozen=True)
class Chain:
    """The clues of a page as indexes (clue, 24) into the weights, with amounts and chords; changes; keys."""

    where: np.ndarray
    much: np.ndarray
    chord: np.ndarray
    changes: list[list[int]]
    old: tuple[np.ndarray, np.ndarray]
    new: tuple[np.ndarray, np.ndarray]
    keys: np.ndarray


class Names:
    """Numbers for names in the order in which they come."""

    def __init__(self) -> None:
        self.clues: dict[str, int] = {}
        self.changes: dict[str, int] = {}

    def chain(self, heard: list[Heard], keys: list[int]) -> Chain:
        """A page as numbers."""
        where, much, chord = self._rows(clues(heard))
        both = crossings(heard)
        old, _, old_at = self._rows([row for row, _ in both])
        new, _, new_at = self._rows([row for _, row in both])
        moved = [[self.changes.setdefault(name, len(self.changes)) for name in names] for names in changes(heard)]
        return Chain(where, much, chord, moved, (old, old_at), (new, new_at), np.array(keys))

    def _rows(self, rows: list[list[Clue]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Places in the weights (clue, 24), amounts, and the rows they belong to."""
        where, much, at = [], [], []
        tonics = np.arange(12)
        for index, row in enumerate(rows):
            for name, base, amount in row:
                for part, counted in meant(name, base):
                    above = (counted - tonics) % 12
                    place = self.clues.setdefault(part, len(self.clues)) * 24
                    where.append(place + np.concatenate([above, 12 + above]))
                    much.append(amount)
                    at.append(index)
        return np.array(where, int).reshape(-1, 24), np.array(much), np.array(at, int)


def _by_chord(chord: np.ndarray, values: np.ndarray, count: int) -> np.ndarray:
    """Rows of values (n, 24) added up for each chord."""
    where = chord[:, None] * 24 + PLACES
    return np.bincount(where.ravel(), values.ravel(), count * 24).reshape(count, 24)


def _slope(one: Chain, clue: np.ndarray, change: np.ndarray, relation: np.ndarray) -> tuple[np.ndarray, ...]:
    count = len(one.keys)
    worth = _by_chord(one.chord, clue[one.where] * one.much[:, None], count)
    cost = [change[names].sum() for names in one.changes]
    away = np.exp(relation[RELATION]) * APART
    linear = np.exp(worth - worth.max(1, keepdims=True))
    forward, backward, scale = np.zeros((count, 24)), np.ones((count, 24)), np.ones(count)
    leave, enter = (_by_chord(at, clue[where], count) for where, at in (one.old, one.new))
    steps = [
        np.eye(24) + away * np.exp(value + leave[index][:, None] + enter[index][None, :])
        for index, value in enumerate(cost)
    ]
    forward[0] = linear[0] / linear[0].sum()
    for index in range(1, count):
        came = (forward[index - 1] @ steps[index - 1]) * linear[index]
        scale[index] = came.sum()
        forward[index] = came / scale[index]
    for index in range(count - 2, -1, -1):
        backward[index] = steps[index] @ (linear[index + 1] * backward[index + 1]) / scale[index + 1]
    off = forward * backward
    off[np.arange(count), one.keys] -= 1
    for_change, for_relation = np.zeros_like(change), np.zeros_like(relation)
    left, entered = np.zeros((count, 24)), np.zeros((count, 24))
    for index, names in enumerate(one.changes):
        ahead = linear[index + 1] * backward[index + 1] / scale[index + 1]
        pairs = forward[index][:, None] * steps[index] * ahead[None, :] * APART
        before, after = one.keys[index], one.keys[index + 1]
        if before != after:
            pairs[before, after] -= 1
        for_change[names] += pairs.sum()
        np.add.at(for_relation, RELATION, pairs)
        left[index], entered[index] = pairs.sum(1), pairs.sum(0)
    where = np.concatenate([one.where, one.old[0], one.new[0]])
    slopes = np.concatenate([off[one.chord] * one.much[:, None], left[one.old[1]], entered[one.new[1]]])
    for_clue = np.bincount(where.ravel(), slopes.ravel(), len(clue))
    return for_clue, for_change, for_relation


def fit(chains: list[Chain], names: Names, seed: int = 0) -> dict[str, object]:
    """The key model as weights.json holds it."""
    order = np.random.default_rng(seed)
    values = [np.zeros(len(names.clues) * 24), np.zeros(len(names.changes)), np.zeros(48)]
    values[1][names.changes["change"]] = -2.0
    first, second = ([np.zeros_like(one) for one in values] for _ in range(2))
    mean, counted, step = [np.zeros_like(one) for one in values], 0, 0
    total = EPOCHS * -(-len(chains) // BATCH)
    for _ in range(EPOCHS):
        shuffled = order.permutation(len(chains))
        for start in range(0, len(chains), BATCH):
            batch = [_slope(chains[index], *values) for index in shuffled[start : start + BATCH]]
            rate, step = RATE * (1 - step / total) + 0.002, step + 1
            for index, value in enumerate(values):
                drawn = DRAWN * len(batch) / len(chains) * (0.1 if index == 1 else 1)
                down = sum(one[index] for one in batch) + drawn * value
                first[index] = 0.9 * first[index] + 0.1 * down
                second[index] = 0.99 * second[index] + 0.01 * down * down
                size = np.sqrt(second[index] / (1 - 0.99**step)) + 1e-3
                values[index] = value - rate * (first[index] / (1 - 0.9**step)) / size
            if step > 0.6 * total:
                counted += 1
                mean = [one + two for one, two in zip(mean, values, strict=True)]
    clue, change, relation = (one / counted for one in mean)
    return {
        "clues": {
            name: np.round(clue[place * 24 : place * 24 + 24], 3).tolist() for name, place in names.clues.items()
        },
        "changes": {name: round(float(change[place]), 3) for name, place in names.changes.items()},
        "relations": np.round(relation.reshape(4, 12), 3).tolist(),
    }
