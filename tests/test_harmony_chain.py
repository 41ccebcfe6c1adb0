"""The chord model's sums and its best chain against every chain of a small page, counted one by one."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest

from undersong.harmony import semimarkov
from undersong.harmony.features import LONGEST, Ints

LABELS = 3
Path = tuple[tuple[int, int, int], ...]


def page(count: int, seed: int, spread: float) -> tuple[semimarkov.Doubles, semimarkov.Doubles, Ints]:
    """Scores, chain and levels of invented cuts."""
    chance = np.random.default_rng(seed)
    score = np.full((count, LONGEST, LABELS), -np.inf)
    for first in range(count):
        size = min(LONGEST, count - first)
        score[first, :size] = spread * chance.normal(size=(size, LABELS))
    return score, chance.normal(size=(3, LABELS, LABELS)), chance.integers(0, 3, count)


def chains(count: int, begin: int = 0) -> Iterator[Path]:
    """Every chain of stretches with every label from a cut to the end."""
    if begin == count:
        yield ()
    for end in range(begin + 1, min(begin + LONGEST, count) + 1):
        for rest in chains(count, end):
            for label in range(LABELS):
                yield ((begin, end, label), *rest)


def worth(path: Path, score: semimarkov.Doubles, chain: semimarkov.Doubles, level: Ints) -> float:
    """The score of a chain as the model defines it: stretches, and each label after the one before."""
    whole = sum(score[first, end - first - 1, label] for first, end, label in path)
    return float(whole + sum(chain[level[two[0]], one[2], two[2]] for one, two in pairwise(path)))


@pytest.mark.parametrize("seed", range(3))
def test_the_sums_are_those_over_all_chains(seed: int) -> None:
    """Six cuts, three labels: all chains tried."""
    count = 6
    score, chain, level = page(count, seed, 2.0)
    every = list(chains(count))
    worths = np.array([worth(path, score, chain, level) for path in every])
    found = semimarkov.sums(score, chain, level)
    assert found.total == pytest.approx(np.log(np.exp(worths).sum()))
    best = semimarkov.best(score, chain, level)
    assert tuple(best) == every[int(worths.argmax())]
    chances = np.exp(worths - found.total)
    agreed = np.zeros(count)
    labels = [label for first, end, label in best for _ in range(first, end)]
    for path, chance in zip(every, chances, strict=True):
        for first, end, label in path:
            for cut in range(first, end):
                agreed[cut] += chance * (label == labels[cut])
    assert semimarkov.cut_probabilities(found, best) == pytest.approx(agreed)


def test_a_long_page_stays_in_reach() -> None:
    """Two thousand cuts: the sums neither vanish nor overflow, and forwards they are the same as backwards."""
    score, chain, level = page(2000, 7, 6.0)
    found = semimarkov.sums(score, chain - 8.0, level)
    back = found.beginning_scale[0] + np.log(found.beginning[0].sum())
    assert np.isfinite(found.total)
    assert found.total == pytest.approx(back)
    sure = semimarkov.cut_probabilities(found, semimarkov.best(score, chain - 8.0, level))
    assert sure.min() > 0
    assert sure.mean() > 0.3
