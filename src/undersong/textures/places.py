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
    """From the printed note to the key that is played."""
    tune: Limb
    figure: Limb
    bass: Limb
    lowest: int
    highest: int
    home: int
    stops: str
    """The stops that it needs, for any organ; `SOFT_PEDAL` besides where the feet have the bass."""
    sounds: int = 0
    """Octaves from the printed note to what sounds with those stops."""
    above: bool = False
    """The figure lies above the tune."""
    dear: float = 1.0
    """How many times dearer parallels are: fourths above a tune become fifths below it (R3), and without a 16' of its
    own a bass in the hand is one voice among the figure's."""
    own_harmony: bool = False
    """The tune is the lowest part and has chords of its own (R4)."""

    @property
    def hands_between(self) -> bool:
        """True where what the hands play lies between the bass in one of them and the tune that sounds over both."""
        return self.tune == "feet" and not self.above

    @property
    def needs_feet(self) -> bool:
        """True where the feet have the tune, or the true bass beneath a lowered one."""
        return self.octaves < 0


_TWO, SOFT_PEDAL = "solo: principal or reed 8; accompaniment: flutes 8", "pedal: soft 16 and 8"

PLACES: dict[str, Place] = {
    row.name: row
    for row in (
        Place("at-pitch", "tune at pitch", 0, "right hand", "left hand", "feet", 48, 71, 57, _TWO),
        Place("octave-up", "tune an octave up", 1, "right hand", "left hand", "feet", 50, 76, 63, _TWO, 1),
        Place(
            "tenor", "tune in the tenor", -1, "left hand", "right hand", "feet", 59, 79, 68, _TWO, -1,
            above=True, dear=2.5,
        ),
        Place(
            "pedal", "tune in the pedal at 4'", -1, "feet", "right hand", "left hand", 50, 74, 62,
            "pedal: principal or reed 4 alone, no 16, uncoupled; hands: flutes or principals 8",
            dear=2.0,
        ),
        Place(
            "pedal-8", "tune in the pedal at 8'", -1, "feet", "right hand", "left hand", 60, 79, 67,
            "pedal: principal or reed 8 alone, no 16, uncoupled; hands: flutes or principals 8", -1,
            above=True, dear=2.5,
        ),
        Place(
            "bass", "tune in the bass", -1, "feet", "right hand", "feet", 55, 79, 66,
            "pedal: reed or principals 16 and 8; hands: principals 8 and 4", -1,
            above=True, own_harmony=True,
        ),
    )
}  # fmt: skip


def division_of(section: Accompaniment, limb: Limb) -> str:
    """The division a limb plays in a section."""
    if limb == "right hand":
        return section.right
    return section.left if limb == "left hand" else section.feet
