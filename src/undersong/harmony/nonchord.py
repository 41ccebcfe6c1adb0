"""Notes that do not belong to their chord, and what they are.

Conventions: a note is judged at its onset and again at each chord that begins under it while it is
held. `reached` and `left` are staff steps; None beside a rest. Every note outside its chord gets one
kind of the table, the first that fits.

References: common practice, no source. An escape note is reached by step and left by leap the other
way or any way; an appoggiatura is reached by leap and left by step; a retardation is a suspension
that rises; a pedal point is held or struck again while chords change over it, and belongs to the
chords on both sides.
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
    """Steps to a note and from it, whether it was there before the chord, and whether both sides own its pitch."""

    reached: int | None
    left: int | None
    held: bool
    stays: bool
    """It sounds on, or again, under a later chord."""
    owned_before: bool
    owned_after: bool

    @property
    def prepared(self) -> bool:
        """Held over from the chord before, or struck again on the same pitch."""
        return self.held or self.reached == 0


def _pedal(one: _Heard) -> bool:
    return one.prepared and one.stays and one.owned_before and one.owned_after


KINDS: tuple[tuple[str, Callable[[_Heard], bool]], ...] = (
    ("pedal", _pedal),
    ("suspension", lambda one: one.prepared and one.left == -1),
    ("retardation", lambda one: one.prepared and one.left == 1),
    ("passing", lambda one: not one.held and one.reached in (-1, 1) and one.left == one.reached),
    ("neighbour", lambda one: not one.held and one.reached in (-1, 1) and one.left == -one.reached),
    ("anticipation", lambda one: not one.held and one.left == 0 and one.owned_after),
    ("escape", lambda one: not one.held and one.reached in (-1, 1) and one.left is not None and abs(one.left) > 1),
    ("appoggiatura", lambda one: not one.held and one.reached not in (-1, 0, 1) and one.left in (-1, 1)),
    ("pedal", lambda one: one.prepared and one.stays),
    ("other", lambda _: True),
)
"""The kinds in the order in which they are tried."""


def non_chord_notes(notes: Sequence[PartNote], spans: Sequence[ChordSpan]) -> tuple[NonChordNote, ...]:
    """Every note outside its chord, in the order of the page; alternatives of later passes are not asked."""
    asked = [span for span in spans if not span.passes or 1 in span.passes]
    onsets = [float(span.onset) for span in asked]
    owned = [span.chord.pitch_classes for span in asked]
    found = []
    for note in notes:
        first = max(bisect_right(onsets, note.begins) - 1, 0)
        for index in range(first, bisect_left(onsets, note.stops)):
            span = asked[index]
            if note.tone in owned[index] or span.chord.root is None or _is_bass(note, span):
                continue
            onset: Fraction = max(note.onset, span.onset)
            heard = _heard(note, asked, index, held=onset > note.onset)
            kind = next(name for name, fits in KINDS if fits(heard))
            found.append(NonChordNote(onset, note.voice, note.pitch, kind))
    return tuple(sorted(found, key=lambda one: one.onset))


def _heard(note: PartNote, spans: Sequence[ChordSpan], index: int, *, held: bool) -> _Heard:
    before = spans[index - 1] if index else None
    after = spans[index + 1] if index + 1 < len(spans) else None
    span = spans[index]
    stays = note.end > span.end or note.left == 0
    return _Heard(
        note.reached, note.left, held, stays,
        owned_before=before is not None and _owns(before, note),
        owned_after=after is not None and _owns(after, note),
    )  # fmt: skip


def _owns(span: ChordSpan, note: PartNote) -> bool:
    return span.chord.tone_for(note.tone) is not None


def _is_bass(note: PartNote, span: ChordSpan) -> bool:
    """A slash bass belongs to the chord even where it is no tone of it."""
    return span.chord.bass is not None and span.chord.bass.pitch_class == note.tone
