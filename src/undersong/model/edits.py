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


@dataclass(frozen=True, slots=True)
class Amendments:
    """What she put right in how a hymn was read; what is empty or None stays as it was read.

    Places are written `bar.beat` ("4.3", "4.5/2"). `time`, `key` and `pickup` (in beats) are told to the reader of a
    MIDI file; in any other the bar lines are moved until the pickup is as she says. `verses` are the printed numbers of
    the verses that are kept.
    """

    title: str = ""
    tune_name: str = ""
    melody: str = ""
    time: str = ""
    key: str = ""
    pickup: str = ""
    verses: tuple[int, ...] = ()
    lines: tuple[str, ...] | None = None
    """Where lines of text begin, beside the first."""
    breaths: tuple[str, ...] | None = None
    """Before which places she breathes."""


NOTHING_AMENDED = Amendments()
