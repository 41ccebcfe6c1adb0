"""The textures there are, one row each: what each is, what it needs, which figure it uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from undersong.textures.patterns import ALBERTI, BLOCK, BROKEN, Figure


@dataclass(frozen=True, slots=True)
class Texture:
    """A way of laying out a verse. `version` rises whenever the notes it gives would change."""

    name: str
    title: str
    what: str
    needs: str
    kind: Literal["printed", "figure"]
    figure: Figure | None = None
    dense_three_levels: bool = False
    """On hymns with a chord on every beat: four notes to the beat (True) or two (False)."""
    shortest_seconds: float = 0.0
    """No note shorter than this (assumed; the room's blur decides later)."""
    version: int = 1


TEXTURES: dict[str, Texture] = {
    row.name: row
    for row in (
        Texture(
            "as-printed", "as printed",
            "the four printed parts: soprano and alto right, tenor left, bass in the pedal",
            "four printed parts", "printed",
        ),
        Texture(
            "block", "block chords",
            "three-note chords under the tune, struck where the harmony changes, bass in the pedal",
            "a harmony: printed parts or chord symbols", "figure", BLOCK,
        ),
        Texture(
            "broken", "broken chords",
            "a figure rising and falling through each chord, bass in the pedal",
            "a harmony: printed parts or chord symbols", "figure", BROKEN, shortest_seconds=0.14,
        ),
        Texture(
            "alberti", "Alberti figure",
            "low, high, middle, high through each chord, bass in the pedal",
            "a harmony, and a pace that leaves time for four notes to a chord", "figure", ALBERTI,
            dense_three_levels=True, shortest_seconds=0.14,
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a texture cannot serve, and which one would."""

    texture: str
    reason: str
    instead: str
