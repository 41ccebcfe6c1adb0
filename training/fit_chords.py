"""Fitting the semi-Markov chord model: penalised likelihood with a margin, Adam, averaged.

A weight is the sum of one shared by all kinds of chord (by the role of the note: root, third, fifth,
seventh, outside) and one of its own that is drawn to zero more strongly, so that rare kinds borrow
from common ones.
"""

from __future__ import annotations

import numpy as np
from pages import KINDS, Example

from undersong.harmony import features, semimarkov
from undersong.model.chord import KINDS as ALL_KINDS

LABELS = semimarkov.LABELS
SHARED, OWN = 1.0, 8.0  # how strongly weights are drawn to zero
MARGIN = 1.0  # what a wrong label is given for each quarter note while fitting
EPOCHS, RATE, BATCH = 6, 0.05, 4
TABLES = {"notes": features.NOTE_CLASSES, "lows": features.LOW_CLASSES, "shares": 5, "low": 1, "signature": 1}
ROLES = 6
Table = dict[str, np.ndarray]


def _roles() -> np.ndarray:
    table = np.full((12, KINDS), 4)
    for kind, name in enumerate(semimarkov.KINDS):
        tones = [row[2] % 12 for row in ALL_KINDS[name]]
        if len(tones) == 3:
            table[10:, kind] = 5
        for role, tone in enumerate(tones):
            table[tone, kind] = role
    return table


ROLE = _roles()


def nothing() -> Table:
    """Weights of zero. Names that end in `+` are shared by all kinds, `moves=` by all strengths."""
    found: Table = {}
    for name, rows in TABLES.items():
        found[name] = np.zeros((rows, 12, KINDS), np.float32)
        if name != "signature":
            found[name + "+"] = np.zeros((rows, ROLES), np.float32)
    columns = sum(features.SHAPE_PARTS)
    found |= {"shape": np.zeros((columns, KINDS), np.float32), "shape+": np.zeros(columns, np.float32)}
    found |= {"exact": np.zeros((2, KINDS), np.float32), "exact+": np.zeros(2, np.float32)}
    found |= {"moves": np.zeros((3, 12, KINDS, KINDS), np.float32), "moves+": np.zeros((3, 12), np.float32)}
    found["moves="] = np.zeros((12, KINDS, KINDS), np.float32)
    return found


def weights(table: Table) -> semimarkov.Weights:
    """Shared and own weights together, as the program uses them."""
    found = {name: table[name] + (table[name + "+"][:, ROLE] if name + "+" in table else 0) for name in TABLES}
    return semimarkov.Weights(
        **found,
        shape=table["shape"] + table["shape+"][:, None],
        exact=table["exact"] + table["exact+"][:, None],
        moves=table["moves"] + table["moves+"][:, :, None, None] + table["moves="][None],
    )


def _spread(slope: Table) -> Table:
    """The slope of the weights together as slopes of shared and own ones."""
    found = dict(slope)
    for name in TABLES:
        if name != "signature":
            found[name + "+"] = np.stack([(slope[name] * (role == ROLE)).sum((1, 2)) for role in range(ROLES)], axis=1)
    found |= {"shape+": slope["shape"].sum(1), "exact+": slope["exact"].sum(1)}
    found |= {"moves+": slope["moves"].sum((2, 3)), "moves=": slope["moves"].sum(0)}
    return found


def _margins(one: Example) -> np.ndarray:
    page = one.page
    table = np.zeros((len(page.quarters), LABELS), np.float32)
    for start, end, label in one.stretches:
        table[start:end] = MARGIN * page.quarters[start:end, None]
        table[start:end, label] = 0
    sums = np.concatenate([np.zeros((1, LABELS)), np.cumsum(table, 0)])
    return (sums[page.first + page.count] - sums[page.first]).astype(np.float32)


def slope(one: Example, ready: semimarkov.Tables) -> tuple[float, Table]:
    """Negative logarithmic likelihood of a page's analysis, and its slope."""
    page, labels = one.page, one.labels
    table = semimarkov.scores(page, ready) + _margins(one)
    chain, level = ready.chain, semimarkov.levels(page)
    found = semimarkov.sums(semimarkov.by_first(page, table), chain, level)
    chance = semimarkov.probabilities(page, table, found).astype(np.float32)
    starts = np.array([start for start, *_ in one.stretches[1:]], int)
    gold = table[one.rows, labels].sum() + chain[level[starts], labels[:-1], labels[1:]].sum()
    chance[one.rows, labels] -= 1
    steps = np.zeros((len(page.quarters) + 1, LABELS), np.float32)
    np.add.at(steps, page.first, chance)
    np.add.at(steps, page.first + page.count, -chance)
    by_cut = np.cumsum(steps, 0)[:-1]
    back = semimarkov.turned_back
    wide = back(np.concatenate([page.shares, page.low, page.signature], axis=1).T @ chance)
    nothing_outside, whole = semimarkov.exact(page)
    by_kind = [(chance * bits).sum(0).reshape(12, KINDS).sum(0) for bits in (nothing_outside, whole)]
    return found.total - float(gold), {
        "notes": back(page.notes.T @ by_cut),
        "lows": back(page.lows.T @ by_cut),
        "shares": wide[:5],
        "low": wide[5:6],
        "signature": wide[6:7],
        "shape": page.shape.T @ chance.reshape(-1, 12, KINDS).sum(1),
        "exact": np.stack(by_kind),
        "moves": _moves(found, chain, level, starts, labels),
    }


def _moves(
    found: semimarkov.Sums, chain: np.ndarray, level: np.ndarray, starts: np.ndarray, labels: np.ndarray
) -> np.ndarray:
    pairs = np.zeros((3, LABELS, LABELS))
    for strength in range(3):
        at = np.flatnonzero(level == strength)
        at = at[at > 0]
        if len(at):
            peak = chain[strength].max()
            scale = np.exp(found.ending_scale[at] + found.beginning_scale[at] - found.total + peak)
            pairs[strength] = ((found.ending[at] * scale[:, None]).T @ found.beginning[at]) * np.exp(
                chain[strength] - peak
            )
    np.add.at(pairs, (level[starts], labels[:-1], labels[1:]), -1)
    pairs = pairs.reshape(3, 12, KINDS, 12, KINDS)
    roots = np.arange(12)
    return np.stack([pairs[:, roots, :, (roots + up) % 12, :].sum(0) for up in range(12)], axis=1).astype(np.float32)


def fit(examples: list[Example], seed: int = 0, epochs: int = EPOCHS) -> semimarkov.Weights:
    """Fit by Adam with a falling rate; the weights of the last two fifths are averaged."""
    order = np.random.default_rng(seed)
    table = nothing()
    first, second = ({name: np.zeros_like(value) for name, value in table.items()} for _ in range(2))
    total = epochs * -(-len(examples) // BATCH)
    mean, counted, step = {name: np.zeros(value.shape) for name, value in table.items()}, 0, 0
    for _ in range(epochs):
        shuffled = order.permutation(len(examples))
        for start in range(0, len(examples), BATCH):
            ready = semimarkov.tables(weights(table))
            slopes = [slope(examples[index], ready)[1] for index in shuffled[start : start + BATCH]]
            together = _spread({name: sum(one[name] for one in slopes) for name in slopes[0]})
            rate, step = RATE * (1 - step / total) + 0.002, step + 1
            for name in table:
                drawn = (SHARED if name.endswith("+") else OWN) * len(slopes) / len(examples)
                down = together[name] + drawn * table[name]
                first[name] = 0.9 * first[name] + 0.1 * down
                second[name] = 0.99 * second[name] + 0.01 * down * down
                size = np.sqrt(second[name] / (1 - 0.99**step)) + 1e-3
                table[name] = table[name] - rate * (first[name] / (1 - 0.9**step)) / size
            if step > 0.6 * total:
                counted += 1
                for name in table:
                    mean[name] += table[name]
    return weights({name: (value / counted).astype(np.float32) for name, value in mean.items()})
