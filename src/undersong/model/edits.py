"""What she changed. An edit is anchored by bar, beat and time through, with a witness of the tune there."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Edit:
    """One change: what kind, where, its value written relative to the tonic, and its witness.

    `witness` holds the tune's scale degrees at the place and the next two.
    """

    kind: str
    bar: str
    beat: str
    times: int
    value: str
    witness: tuple[int, ...] = ()
    dormant: bool = False


@dataclass(frozen=True, slots=True)
class Edits:
    """All changes to one hymn."""

    edits: tuple[Edit, ...] = ()


NO_EDITS = Edits()
