"""Second rhythms: what one verse sings otherwise, printed in small notes or as a second voice with its words.

A verse may have a syllable more or less than the first. A hymn-book then prints that verse's notes small beside
the others, or as a second voice, and sets the words of that verse under them. These notes belong to no voice of the
hymn: they are set apart before the voices are told, and go to their verses with the words.

Conventions: a *group* is an unbroken run of such notes on one staff; its place is bar and quarter notes. A voice
counts as a second rhythm where its words are of other lines than those under the rest of the staff, whose lines it
otherwise shares, and where it is printed in few bars only; an alto with words of its own is none.

References: small notes for other verses after common practice in hymn-books (no source); W3C MusicXML 4.0, `cue`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.text import VerseRhythm
from undersong.model.tune import Bar, Note
from undersong.reading.raw import RawLyric, RawNote, RawPart, RawScore

FEW_BARS = Fraction(1, 3)
"""Largest share of the bars in which a full-sized second rhythm stands."""

Place = tuple[str, int]
"""Part and staff."""


@dataclass(frozen=True, slots=True)
class Group:
    """Notes that some verses sing instead of the printed ones; their words say which verses."""

    part: str
    staff: int
    notes: tuple[RawNote, ...]

    def rhythm(self, voice: str, bars: Sequence[Bar]) -> VerseRhythm:
        """The group along the page, as it stands for the notes of a voice."""
        notes = []
        for note in self.notes:
            assert note.pitch is not None, "only notes with a pitch are set apart"
            notes.append(Note(bars[note.bar].onset + note.at, note.length, note.pitch, note.tie_start))
        return VerseRhythm(voice, notes[0].onset, notes[-1].end, tuple(notes))


def set_apart(score: RawScore) -> tuple[RawScore, tuple[Group, ...]]:
    """The score without its second rhythms, and these as groups in page order."""
    groups: list[Group] = []
    parts = []
    for part in score.parts:
        found = [group for staff in part.staves for group in _groups(part, staff)]
        groups.extend(found)
        parts.append(_without(part, {id(note) for group in found for note in group.notes}) if found else part)
    return (replace(score, parts=tuple(parts)), tuple(groups)) if groups else (score, ())


def _without(part: RawPart, apart: set[int]) -> RawPart:
    bars = (replace(bar, notes=tuple(note for note in bar.notes if id(note) not in apart)) for bar in part.bars)
    return replace(part, bars=tuple(bars))


def line_of(lyric: RawLyric) -> str:
    """The printed line of words that a lyric belongs to."""
    return lyric.number or lyric.name or "1"


def _groups(part: RawPart, staff: int) -> Iterator[Group]:
    by_bar = [[note for note in bar.notes if note.staff == staff and not note.grace] for bar in part.bars]
    apart: list[RawNote] = []
    seconds = _second_voices(by_bar)
    for index, notes in enumerate(by_bar):
        if not any(note.cue for note in notes) and (index not in seconds):
            continue
        voices: dict[str, list[RawNote]] = defaultdict(list)
        for note in notes:
            if note.pitch is not None and not note.chord and (note.cue or note.voice == seconds.get(index)):
                voices[note.voice].append(note)
        for voice, held in voices.items():
            others = [note for note in notes if note.voice != voice and not note.cue]
            for run in _runs(held):
                beside = any(note.at < run[-1].end and run[0].at < note.end for note in others)
                if beside and run[0].lyrics:
                    apart.extend(run)
    for run in _runs(apart):
        yield Group(part.id, staff, tuple(run))


def _second_voices(by_bar: Sequence[Sequence[RawNote]]) -> dict[int, str]:
    """Bars in which a full-sized voice is the rhythm of other verses than the rest of the staff, and its name."""
    found: dict[int, str] = {}
    everywhere: dict[str, set[int]] = defaultdict(set)
    sung = 0
    main_lines: set[str] = set()
    for index, notes in enumerate(by_bar):
        lines: dict[str, set[str]] = defaultdict(set)
        for note in notes:
            if note.pitch is not None and not note.cue:
                everywhere[note.voice].add(index)
                lines[note.voice].update(line_of(lyric) for lyric in note.lyrics)
        worded = {voice: held for voice, held in lines.items() if held}
        sung += bool(worded)
        if len(worded) == 1:
            main_lines.update(*worded.values())
        if len(worded) != 2:
            continue
        (one, mine), (two, theirs) = worded.items()
        if not mine & theirs:
            found[index] = one if len(mine) < len(theirs) or (len(mine) == len(theirs) and one > two) else two
    return {
        index: voice
        for index, voice in found.items()
        if len(everywhere[voice]) <= FEW_BARS * sung
        and {line_of(lyric) for note in by_bar[index] if note.voice == voice for lyric in note.lyrics} <= main_lines
    }


def _runs(notes: Iterable[RawNote]) -> list[list[RawNote]]:
    """Notes that follow each other in one bar, or over the bar line by a tie, with words of the same lines."""
    runs: list[list[RawNote]] = []
    for note in notes:
        last = runs[-1][-1] if runs else None
        follows = last is not None and (
            (last.bar == note.bar and last.end == note.at)
            or (last.bar + 1 == note.bar and last.tie_start and not note.at)
        )
        if follows and _same_lines(runs[-1], note):
            runs[-1].append(note)
        else:
            runs.append([note])
    return runs


def _same_lines(run: Sequence[RawNote], note: RawNote) -> bool:
    """A note without words continues the run; one with words must have those of the run's verses."""
    held = {line_of(lyric) for one in run for lyric in one.lyrics}
    return not note.lyrics or not held or {line_of(lyric) for lyric in note.lyrics} == held
