"""Faults in the music, as values. The kinds stand in one table."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Weight = Literal["hard", "soft", "note"]
Told = Literal["page", "list", "data"]


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One row: its name, its weight, what it says (with {places to fill}) and what to do."""

    name: str
    weight: Weight
    says: str
    remedy: str
    source: str

    @property
    def told(self) -> Told:
        """Printed under the verse, listed at the desk only, or kept for scripts."""
        return "data" if self.name in DATA else "list" if self.name in LISTED else "page"


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
    ("seventh-unresolved", "soft", "the seventh {pitch} does not fall by step",
     "Let the same voice go on to the note below.", "R1; common practice, no source"),
    ("lowered-tune-parallels", "soft", "{pitch} moves in {interval} with the lowered tune's {tune}",
     "Give the parts round the tune new notes.", "R3; common practice, no source"),
    ("six-four-under-tune", "soft", "under {symbol} the tune's {pitch} is its fifth and the lowest note",
     "Give the feet the root, or another chord.", "R4; common practice, no source"),
    ("weak-close", "note", "the line closes from the second degree to the first in the lowest part: a weak close",
     "Give the feet the roots and the tune to the tenor.", "R4; common practice, no source"),
    ("sixteen-foot-tune", "soft", "the feet have the tune and a 16' stop",
     "Play the tune at 8' or 4' alone, uncoupled.", "R4; common practice, no source"),
    ("resolution-early", "soft", "{pitch} sounds while the suspended {suspended} still waits to resolve to it",
     "Leave it out until the suspension resolves.", "R5; common practice, no source"),
    ("suspension-moved", "soft", "the suspended {pitch} resolves to {resolution} in another octave",
     "Resolve it by step in its own place.", "R5; common practice, no source"),
    ("tonic-in-dominant", "soft", "{pitch}, the tonic, sounds against the leading note in the dominant",
     "Take a note of the chord.", "R6; common practice, no source"),
    ("cross-rhythm", "soft", "the tune divides this beat into {tune}, the figure into {figure}",
     "Choose a texture with chords on the beat.", "R7; common practice, no source"),
    ("hole", "soft", "between the tune's {tune} and {pitch} there is more than a twelfth",
     "Bring the left hand up or draw a 4' stop for it.", "R8; common practice, no source"),
    ("solo-covered", "note", "a 4' or 2' stop of the accompaniment sounds {pitch} over the tune's {tune}",
     "Listen whether the tune is clear, or take the stop off.", "R8; common practice, no source"),
    ("root-doubled", "note", "the figure begins on {pitch}, the note of the feet",
     "Begin on the fifth or third.", "R9; common practice, no source"),
    ("voices-vary", "soft", "voices of the figure here: {count}, in this line mostly {usual}",
     "Keep the number of voices within a line.", "R10; common practice, no source"),
    ("too-many-held", "soft", "{count} keys of the figure are held at once",
     "Hold four at most.", "R10; common practice, no source"),
    ("held-into-change", "soft", "{pitch} is held on into {symbol}, to which it is foreign",
     "Release it at the change of chord.", "R10; common practice, no source"),
    ("accent-lost", "soft", "this chord is longer than the first of its bar",
     "Hold the first chord, shorten the others.", "R10; common practice, no source"),
    ("bass-parallels", "soft", "the bass moves by step in {interval} with the tune",
     "Take the third of the chord.", "R11; common practice, no source"),
    ("bass-line", "soft", "the bass: {what}",
     "Take the root, or write another bass after a slash.", "R11; common practice, no source"),
    ("pedal-point-struck", "soft", "the common bass {pitch} is struck again",
     "Hold the key.", "R12; common practice, no source"),
    ("pedal-point-ends", "soft", "the held bass ends under {symbol}, a six-four",
     "End it a chord earlier or later.", "R12; common practice, no source"),
    ("inner-pedal-struck", "soft", "the inner pedal point {pitch} is struck again",
     "Hold the key until the breath, or as long as it belongs to the chords.", "R12; common practice, no source"),
    ("inner-pedal-offered", "note", "{pitch} can be held through {count} chords, to bar {to_bar}, beat {to_beat}",
     "Ask for inner pedal points in the plan.", "R12; common practice, no source"),
    ("no-inner-pedal", "note", "no inner pedal point here: {why}", "", "R12; common practice, no source"),
    ("tie-lost", "soft", "{pitch} is struck again where the print ties it",
     "Hold the key.", "R13; common practice, no source"),
    ("held-over-breath", "soft", "{pitch} is held over a breath",
     "Lift it and strike it again.", "R13; common practice, no source"),
    ("tied-into-strong", "soft", "{pitch} is held over the bar line",
     "Strike it again on the strong beat.", "R13; common practice, no source"),
    ("chord-hammered", "soft", "the same chord is struck again and again while the harmony stays",
     "Repeat a chord once in a bar at most.", "R14; common practice, no source"),
    ("hemiola-broken", "soft", "the music goes in three halves over two bars, hands or feet do not",
     "Strike at the halves, and nothing on the bar line between.", "R15; common practice, no source"),
    ("ending-struck-twice", "soft", "the short last chord of this line is struck again",
     "Strike it once.", "R16; common practice, no source"),
    ("ending-silent", "soft", "nothing keeps the beat under the long last chord of this line",
     "Strike the beat up to the lift.", "R16; common practice, no source"),
    ("not-lifted", "soft", "{pitch} goes on over the end of the line",
     "Lift all parts.", "R16; common practice, no source"),
    ("figure-dropped", "soft", "the figure stands still in the middle of a line",
     "Change the texture at line ends only.", "R17; common practice, no source"),
    ("gap", "soft", "the gap after this section: {what}",
     "Choose another number of beats for the gap.", "R18; common practice, no source"),
    ("final-chord", "soft", "the final chord: {what}",
     "Let the last chord stand, root lowest, tune on top.", "R19; common practice, no source"),
    ("mode-left", "soft", "the proposed harmony leaves the mode: {what}",
     "Choose a chord of the mode.", "R20; common practice, no source"),
    ("six-four-as-tonic", "soft", "{pitch} lies under a six-four that belongs to the dominant on {bass}",
     "Put the dominant into the bass.", "R21; common practice, no source"),
    ("new-full-close", "soft", "a full close stands here that neither words nor print ask for",
     "Keep the printed chords at the end of the line.", "R21; common practice, no source"),
    ("introduction", "soft", "the introduction: {what}",
     "End it on the tonic with the first note heard.", "R22; common practice, no source"),
    ("interlude", "soft", "the interlude: {what}",
     "Mend it there, or play on without one.", "R22; common practice, no source"),
    ("last-verse", "soft", "the last verse: {what}",
     "Take another chord there, or the printed verse.", "R23; common practice, no source"),
    ("redistributed", "note", "{pitch} is given to the {limb} because of the stretch",
     "", "hands"),
    ("changed-here", "note", "{what}", "", "repair"),
    ("harmony-proposed", "note", "the harmony is proposed: neither parts nor symbols are printed", "", "reading"),
    ("not-served", "soft", "{texture} cannot serve this verse as planned: {reason}; {instead} is laid out instead",
     "Plan what is laid out, or choose another texture or another place of the tune.", "the texture's needs"),
    ("slower-for-room", "note", "{why}: the pattern {pattern} is laid out instead",
     "A slower pace or a drier room lets the quicker figure through.", "blur in the room; no listening test"),
    ("descant-rests", "note",
     "the descant rests in this line: {why}; both hands are on {division}",
     "Solo the tune in this line, or play the part at its own pitch.", "R3; common practice, no source"),
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
     "Let the guitar play the full chord there, or rest.", "a semitone on one beat; common practice, no source"),
)  # fmt: skip


DATA = frozenset({"parallels", "root-doubled", "hole", "suspension-moved", "voices-vary", "figure-dropped"})
"""What nobody could act on, at the desk or at the bench; scripts find it."""

LISTED = frozenset({
    "pedal-balance",
    "seventh-unresolved", "lowered-tune-parallels", "six-four-under-tune", "resolution-early", "tonic-in-dominant",
    "solo-covered", "too-many-held", "held-into-change", "accent-lost", "bass-parallels", "bass-line",
    "pedal-point-struck", "pedal-point-ends", "inner-pedal-struck", "inner-pedal-offered", "no-inner-pedal",
    "tie-lost", "held-over-breath", "tied-into-strong", "chord-hammered",
    "hemiola-broken", "ending-struck-twice", "ending-silent", "not-lifted", "final-chord", "six-four-as-tonic",
})  # fmt: skip
"""Matters of style: for choosing a texture, not for the bench."""


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

    @property
    def told(self) -> Told:
        """Printed under the verse, listed at the desk only, or kept for scripts."""
        return KINDS[self.kind].told


def finding(
    kind: str, *, section: str, bar: str, beat: str, start: Fraction, notes: tuple[str, ...] = (), **facts: object
) -> Finding:
    """A finding of a kind from the table; `facts` fill its sentence."""
    row = KINDS[kind]
    return Finding(kind, section, bar, beat, start, notes, row.says.format(**facts), row.remedy.format(**facts))
