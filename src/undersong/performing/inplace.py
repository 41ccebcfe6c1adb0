"""A chord heard in its place: the chord before it, itself and the one after it, in the hymn's own notes.

The musical problem: whether a chord is right shows between its neighbours, in the parts as they are printed. Where she
changed a chord the printed parts are no longer true: there the new harmony sounds under the printed tune instead.

Conventions: section time in quarter notes; seconds of the performance that is given.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import Accompaniment, PlayedNote
from undersong.model.performance import Performance
from undersong.performing.excerpt import excerpt, moment
from undersong.playing.check import held_keys

Window = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Lit:
    """Something on the page that is lit from one moment to another."""

    id: str
    on_seconds: float
    off_seconds: float


@dataclass(frozen=True, slots=True)
class Sung:
    """A printed note of the page where it comes in the section, and its key as it is played."""

    id: str
    start: Fraction
    end: Fraction
    midi: int


def with_her_chords(printed: Accompaniment, laid: Accompaniment, windows: Sequence[Window]) -> Accompaniment:
    """The printed parts; inside the windows what was laid out from the chords, under the same tune."""
    notes = [piece for note in printed.notes for piece in (_outside(note, windows) if note.part != "tune" else [note])]
    for note in laid.notes:
        if note.part != "tune":
            notes += [_cut(note, *window) for window in windows if note.start < window[1] and note.end > window[0]]
    ordered = sorted(notes, key=lambda note: (note.start, note.pitch.midi))
    return replace(printed, notes=tuple(ordered), chords=laid.chords)


def _cut(note: PlayedNote, begin: Fraction, end: Fraction) -> PlayedNote:
    """What of a note falls between two places."""
    start = max(note.start, begin)
    return replace(note, start=start, length=min(note.end, end) - start)


def _outside(note: PlayedNote, windows: Sequence[Window]) -> Iterator[PlayedNote]:
    """The pieces of a note that lie in no window; the later ones are keys of their own."""
    begin, count = note.start, 0
    for first, last in (*sorted(windows), (note.end, note.end)):
        end = min(first, note.end)
        if begin < end:
            piece = _cut(note, begin, end)
            yield replace(piece, id=f"{note.id}.{count}" if count else note.id)
            count += 1
        begin = max(begin, last)


def around(section: Accompaniment, start: Fraction) -> Window:
    """From the chord before the one that sounds at a place to the one after it."""
    at = max((index for index, one in enumerate(section.chords) if one.start <= start), default=0)
    near = section.chords[max(0, at - 1) : at + 2]
    return (near[0].start, near[-1].end) if near else (section.bars[0].start, section.bars[-1].end)


def lit_notes(performance: Performance, section: Accompaniment, sung: Mapping[str, Sequence[Sung]]) -> Iterator[Lit]:
    """What is lit of a printed page, its notes given by voice: each as long as its key sounds, in whatever octave."""
    written = {note.id: note for note in section.notes}
    ends = {key.id: key.end for key in held_keys(section.notes)}
    for key in performance.notes:
        note = written[key.id]
        for voice in (note.source, *note.shared):
            for one in sung.get(voice, ()):
                if note.start <= one.start < ends[key.id] and (one.midi - key.number) % 12 == 0:
                    on = max(key.on_seconds, moment(performance, section.id, one.start))
                    off = min(key.off_seconds, moment(performance, section.id, one.end))
                    if on < off:
                        yield Lit(one.id, on, off)


def between(performance: Performance, section: Accompaniment, window: Window) -> Performance:
    """What is played between two places; keys whose notes are over before it, held on for legato, are left out."""
    over = {key.id for key in held_keys(section.notes) if key.end <= window[0]}
    notes = tuple(note for note in performance.notes if note.id not in over)
    begin, end = (moment(performance, section.id, place) for place in window)
    return excerpt(replace(performance, notes=notes), begin, end)


def within(lit: Sequence[Lit], begin: float, end: float) -> tuple[Lit, ...]:
    """What is lit between two moments, counted from the first."""
    return tuple(
        Lit(one.id, max(one.on_seconds, begin) - begin, min(one.off_seconds, end) - begin)
        for one in lit
        if min(one.off_seconds, end) > max(one.on_seconds, begin)
    )
