"""Faults in the music, as values. The kinds stand in one table."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Weight = Literal["hard", "soft", "note"]


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One row: its name, its weight, what it says (with {places to fill}) and what to do."""

    name: str
    weight: Weight
    says: str
    remedy: str
    source: str


def _rows(*rows: tuple[str, Weight, str, str, str]) -> dict[str, FindingKind]:
    return {row[0]: FindingKind(*row) for row in rows}


KINDS = _rows(
    ("compass", "hard", "{pitch} lies outside the keys of {division} ({low} to {high})",
     "Move it by an octave or choose another key.", "the organ's own compass"),
    ("notes-in-hand", "hard", "{limb} would hold {count} notes at once",
     "Give a note to the other hand or leave out a doubled one.", "five fingers"),
    ("span", "hard", "{limb} would have to reach from {low} to {high}",
     "Give a note to the other hand or bring the chord together.",
     "Balliauw's finger-pair table scaled to the player's reach"),
    ("same-key", "hard", "{pitch} on {division} is wanted while it is already held",
     "Release the holder first or tie it.", "one key sounds once"),
    ("two-pedal-notes", "hard", "the feet would play {count} notes at once",
     "Keep one pedal note.", "common practice, no source"),
    ("no-pedal", "hard", "the feet have notes but the organ has no pedal",
     "Lay the bass in the left hand.", "the organ"),
    ("bar-not-full", "hard", "the notes of {limb} do not fit the bar ({have} of {want} quarter notes)",
     "This is a fault of the program: please report it.", "arithmetic"),
    ("tune-missing", "hard", "the tune's {pitch} is missing or cut short",
     "This is a fault of the program: please report it.", "the tune is sung"),
    ("tune-covered", "hard", "{pitch} lies at or above the tune's {tune} on the same manual",
     "Lower it or solo the tune.", "R8; common practice, no source"),
    ("leading-note-twice", "hard", "the leading note {pitch} sounds twice",
     "Leave it to one voice.", "R1; common practice, no source"),
    ("seventh-twice", "soft", "the seventh {pitch} sounds twice",
     "Leave it to one voice.", "R1; common practice, no source"),
    ("third-missing", "soft", "the third of {symbol} does not sound",
     "Put it into the left hand.", "R1; common practice, no source"),
    ("semitone-under-tune", "hard", "{pitch} sounds a semitone below the tune's {tune} on the beat",
     "Let the neighbouring note sound until the tune moves.", "R2; common practice, no source"),
    ("suspension-lost", "soft", "the printed suspension of {pitch} is not in the figure",
     "Solo the tune over the printed parts there.", "R5; common practice, no source"),
    ("left-hand-silent", "soft", "the left hand is silent under {symbol}",
     "Choose another texture, or solo the tune an octave up.", "R10; common practice, no source"),
    ("parallels", "soft", "{interval} in parallel between {voices}",
     "Choose another position of the chord.", "R9; common practice, no source"),
    ("low-interval", "soft", "{low} and {high} lie too close together so low down",
     "Open the chord.", "low-interval limits table"),
    ("beat-not-struck", "soft", "no hand or foot strikes this beat",
     "Strike the chord again.", "R14; common practice, no source"),
    ("redistributed", "note", "{pitch} is given to the {limb} because of the stretch",
     "", "hands"),
    ("changed-here", "note", "{what}", "", "repair"),
    ("harmony-proposed", "note", "the harmony is proposed: neither parts nor symbols are printed", "", "reading"),
    ("not-served", "soft", "{texture} cannot serve this verse: {reason}; {instead} is laid out instead",
     "Choose another texture.", "the texture's needs"),
    ("unknown-symbol", "soft", "the chord symbol {text} is not known; it is printed as it is and played as {played}",
     "Correct the symbol in the file.", "reading"),
    ("tune-buried", "soft", "the tune is hardly heard over {over} ({clarity} of 1; {wanted} is clear)",
     "{remedy}", "partial loudness; threshold assumed"),
    ("too-soft", "soft", "{stops} are too soft to lead {singers} singers (by {lacking} dB)",
     "{remedy}", "build-up by number of singers; common practice, no source"),
    ("no-unison", "soft", "{division} has no 8 foot stop that works, so everything sounds at another pitch",
     "{remedy}", "R24; common practice, no source"),
    ("pedal-balance", "soft", "the pedal's 16 foot tone is {how} beside the hands (by {by} dB)",
     "{remedy}", "R24: within +3 and -6 dB; common practice, no source"),
    ("stops-to-change", "soft", "{count} stops of {division} change before this verse, without pistons",
     "{remedy}", "R26: two of a side in a gap; common practice, no source"),
    ("two-readings", "soft", "the guitarist's {thin} and the full {full} hold {two} and {one} together",
     "Let the guitar play the full chord here, or rest.", "a semitone on one beat; common practice, no source"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault, with its place and the ids of the notes it is about."""

    kind: str
    section: str
    bar: str
    beat: str
    start: Fraction
    notes: tuple[str, ...]
    message: str
    remedy: str = ""

    @property
    def weight(self) -> Weight:
        """hard: cannot be played; soft: against the craft; note: to be told."""
        return KINDS[self.kind].weight


def finding(
    kind: str, *, section: str, bar: str, beat: str, start: Fraction, notes: tuple[str, ...] = (), **facts: object
) -> Finding:
    """A finding of a kind from the table; `facts` fill its sentence."""
    row = KINDS[kind]
    return Finding(kind, section, bar, beat, start, notes, row.says.format(**facts), row.remedy.format(**facts))
