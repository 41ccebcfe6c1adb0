"""The player: how far her hands reach and what her feet do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Player:
    """Reach in white keys (8 is an octave), easy and at most; pedals; level.

    The default reaches an octave easily and a ninth at most (assumed; the organist can change it).
    """

    reach_easy: int = 8
    reach_most: int = 9
    pedals: Literal["none", "tonic-and-dominant", "toes", "heels"] = "toes"
    level: Literal["plain", "moderate", "full"] = "moderate"

    @property
    def span_most(self) -> int:
        """Widest stretch in 14ths of an octave (an octave is 14, a ninth 16, a tenth 18)."""
        return 2 * (self.reach_most - 1)

    @property
    def span_easy(self) -> int:
        """Comfortable stretch in 14ths of an octave."""
        return 2 * (self.reach_easy - 1)


SMALL, MEDIUM, LARGE = Player(7, 8), Player(8, 9), Player(9, 10)
PLAYERS = {"small": SMALL, "medium": MEDIUM, "large": LARGE}
"""By the reach of one hand (assumed)."""
