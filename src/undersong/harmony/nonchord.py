"""Notes that do not belong to their chord, and what they are.

Conventions: a note is judged at its onset and again at each chord that begins under it while it is
held. `reached` and `left` are staff steps. Every note outside its chord gets one kind of the table.

References: common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from undersong.harmony.slices import PartNote
from undersong.model.harmony import ChordSpan, NonChordNote


@dataclass(frozen=True, slots=True)
class _Heard:
    """Steps to a note and from it, and whether it was there before the chord."""

    reached: int | None
    left: int | None
    held: bool


KINDS: tuple[tuple[str, Callable[[_Heard], bool]], ...] = (
    ("suspension", lambda one: (one.held or one.reached == 0) and one.left in (-1, 1)),
    ("passing", lambda one: not one.held and one.reached in (-1, 1) and one.left == one.reached),
    ("neighbour", lambda one: not one.held and one.reached in (-1, 1) and one.left == -one.reached),
    ("anticipation", lambda one: not one.held and one.left == 0),
    ("other", lambda _: True),
)
"""The kinds in the order in which they are tried."""


def non_chord_notes(notes: Sequence[PartNote], spans: Sequence[ChordSpan]) -> tuple[NonChordNote, ...]:
    """Every note outside its chord, in the order of the page; alternatives of later passes are not asked."""
    asked = [span for span in spans if not span.passes or 1 in span.passes]
    onsets = [span.onset for span in asked]
    found = []
    for note in notes:
        first = max(bisect_right(onsets, note.onset) - 1, 0)
        for span in asked[first : bisect_left(onsets, note.end)]:
            if span.chord.root is None or span.chord.tone_for(note.pitch.midi % 12) or _is_bass(note, span):
                continue
            onset: Fraction = max(note.onset, span.onset)
            heard = _Heard(note.reached, note.left, held=onset > note.onset)
            kind = next(name for name, fits in KINDS if fits(heard))
            found.append(NonChordNote(onset, note.voice, note.pitch, kind))
    return tuple(sorted(found, key=lambda one: one.onset))


def _is_bass(note: PartNote, span: ChordSpan) -> bool:
    """A slash bass belongs to the chord even where it is no tone of it."""
    return span.chord.bass is not None and span.chord.bass.pitch_class == note.pitch.midi % 12
