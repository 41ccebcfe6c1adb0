"""Where the tune may lie, one row each: which limb plays it, how far from its place, and what is left for the rest.

Conventions: keys are MIDI numbers; `lowest`, `highest` and `home` bound the figure.
References: common practice, no source; the bounds from a trial on chorales and folk tunes.
"""

from __future__ import annotations

from dataclasses import dataclass

from undersong.model.accompaniment import Accompaniment, Limb
from undersong.model.plan import TunePlace


@dataclass(frozen=True, slots=True)
class Place:
    """One place of the tune. `says` is how the page names it."""

    name: TunePlace
    says: str
    octaves: int
    tune: Limb
    figure: Limb
    bass: Limb
    lowest: int
    highest: int
    home: int
    above: bool = False
    """The figure lies above the tune."""
    dear: float = 1.0
    """How many times dearer parallels are: fourths above a tune become fifths below it (R3)."""


PLACES: dict[str, Place] = {
    row.name: row
    for row in (
        Place("at-pitch", "tune at pitch", 0, "right hand", "left hand", "feet", 48, 71, 57),
        Place("octave-up", "tune an octave up", 1, "right hand", "left hand", "feet", 50, 76, 63),
        Place("tenor", "tune in the tenor", -1, "left hand", "right hand", "feet", 59, 79, 68, above=True, dear=2.5),
        Place(
            "pedal", "tune in the pedal at 4'", -1, "feet", "right hand", "left hand", 60, 79, 67, above=True, dear=2.5
        ),
    )
}


def division_of(section: Accompaniment, limb: Limb) -> str:
    """The division a limb plays in a section."""
    if limb == "right hand":
        return section.right
    return section.left if limb == "left hand" else section.feet
