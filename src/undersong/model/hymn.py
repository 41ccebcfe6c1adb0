"""A hymn: one tune and one text, and what was assumed when it was read."""

from __future__ import annotations

from dataclasses import dataclass

from undersong.model.text import Text
from undersong.model.tune import Tune


@dataclass(frozen=True, slots=True)
class Remark:
    """Something assumed, tolerated or left out while reading, with its place ("bar 3, beat 2, alto")."""

    what: str
    place: str = ""

    def __str__(self) -> str:
        """Place first."""
        return f"{self.place}: {self.what}" if self.place else self.what


NO_TEXT = Text()


@dataclass(frozen=True, slots=True)
class Hymn:
    """A tune with a text. One tune may carry many texts; this is one pairing."""

    title: str
    tune: Tune
    text: Text = NO_TEXT
    tune_name: str = ""
    composer: str = ""
    arranger: str = ""
    rights: str = ""
    numbers: tuple[str, ...] = ()
    assumed: tuple[Remark, ...] = ()
    left_out: tuple[Remark, ...] = ()
