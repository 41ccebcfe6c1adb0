"""The learned weights: a chord model, a key model and two calibrations.

`weights.npz` holds the tables of `semimarkov.Weights`, `weights.json` those of the key model and the
calibrations, so that a page with printed symbols needs no arrays. Both are data under their own
licence (weights.LICENSE) and are made by training/train.py.

Conventions: a calibration is (offset, slope) of a logistic curve over the logarithmic odds.

References: training/README.md.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import lru_cache
from importlib.resources import files
from math import exp, log
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from undersong.harmony.semimarkov import Tables


NEVER = -1e9


@dataclass(frozen=True, slots=True)
class KeyWeights:
    """Clue name to 24 values (place of the clue's pitch class above the tonic, major then minor); changes of key."""

    clues: Mapping[str, tuple[float, ...]]
    changes: Mapping[str, float]
    relations: tuple[tuple[float, ...], ...]
    """(24 before, 24 after): what it is worth to go from one key to another; to itself is no change."""
    turned: dict[tuple[str, int], tuple[float, ...]] = field(default_factory=dict, compare=False, repr=False)
    """Clues turned to all tonics, kept once they have been asked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Everything learned that the stages ask for."""

    folder: Path | None
    keys: KeyWeights
    sure: tuple[float, float]

    @property
    def chords(self) -> Tables:
        """The chord model, loaded when it is first asked for."""
        return _chords(self.folder)

    def confidence(self, probability: float) -> float:
        """A probability of the model as the share of such chords that agrees with published analyses."""
        offset, slope = self.sure
        low = min(max(probability, 1e-6), 1 - 1e-6)
        return round(min(max(1 / (1 + exp(-offset - slope * log(low / (1 - low)))), 0.01), 0.999), 3)


@lru_cache(maxsize=4)
def learned(folder: Path | None = None) -> Learned:
    """The weights that came with the program, or those of a folder that holds weights.npz and weights.json."""
    data = json.loads(_bytes(folder, "weights.json"))
    names, table = data["keys"]["clues"], data["keys"]["relations"]
    relations = tuple(
        tuple(
            NEVER if one == two else table[(one // 12) * 2 + two // 12][(two - one) % 12] for two in range(24)
        )
        for one in range(24)
    )  # fmt: skip
    keys = KeyWeights({name: tuple(row) for name, row in names.items()}, data["keys"]["changes"], relations)
    return Learned(folder, keys, (data["confidence"][0], data["confidence"][1]))


def _bytes(folder: Path | None, name: str) -> bytes:
    if folder is not None:
        return (folder / name).read_bytes()
    return (files("undersong.harmony") / name).read_bytes()


@lru_cache(maxsize=4)
def _chords(folder: Path | None) -> Tables:
    import io  # noqa: PLC0415

    import numpy as np  # noqa: PLC0415 (pages with printed symbols shall not pay for it)

    from undersong.harmony.semimarkov import Weights, tables  # noqa: PLC0415

    with np.load(io.BytesIO(_bytes(folder, "weights.npz"))) as stored:
        return tables(Weights(**{one.name: stored[one.name].astype(np.float32) for one in fields(Weights)}))
