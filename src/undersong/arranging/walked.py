"""One verse walked: everything printed, in the order it is sung.

The page holds each bar once; a verse is that page along its route. Conventions: `start` in quarter
notes from the beginning of the verse; pieces are notes as printed, cut at bar lines, with ties.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise

from undersong.model.accompaniment import PlacedBar, PlacedChord, PlacedLine, Word, beats_of
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.hymn import Hymn
from undersong.model.kept import begun_at, kept
from undersong.model.pitch import Key, Pitch
from undersong.model.text import Verse
from undersong.model.tune import WalkedBar, sing, walk
from undersong.textures.ground import Hemiola, Sounded, Suspension, WalkedChord, hemiolas, leading_home


@dataclass(frozen=True, slots=True)
class Piece:
    """A written note of a voice in one bar; `tied_from` and `tied_to` say whether it is part of a longer one."""

    start: Fraction
    length: Fraction
    pitch: Pitch
    tied_from: bool = False
    tied_to: bool = False

    @property
    def end(self) -> Fraction:
        """Where it ends."""
        return self.start + self.length


@dataclass(frozen=True)
class WalkedVerse:
    """A verse in the order it is sung."""

    number: int | None
    bars: tuple[PlacedBar, ...]
    voices: tuple[tuple[str, tuple[Piece, ...]], ...]
    melody: str
    chords: tuple[WalkedChord, ...]
    lines: tuple[PlacedLine, ...]
    breaths: tuple[Fraction, ...]
    holds: tuple[Fraction, ...]
    words: tuple[Word, ...]
    suspensions: tuple[Suspension, ...] = ()

    def voice(self, name: str) -> tuple[Piece, ...]:
        """The pieces of a voice; empty if it is not printed."""
        return dict(self.voices).get(name, ())

    @cached_property
    def tune(self) -> tuple[Piece, ...]:
        """The pieces of the tune."""
        return self.voice(self.melody)

    @cached_property
    def sounded_tune(self) -> tuple[Sounded, ...]:
        """The tune with ties merged."""
        return merged(self.tune)

    @property
    def end(self) -> Fraction:
        """Length of the verse."""
        return self.bars[-1].end

    @property
    def four_parts(self) -> bool:
        """True when soprano, alto, tenor and bass are printed."""
        return all(self.voice(name) for name in ("soprano", "alto", "tenor", "bass"))

    @cached_property
    def placed_chords(self) -> tuple[PlacedChord, ...]:
        """The chords as the accompaniment keeps them."""
        return tuple(PlacedChord(one.start, one.end - one.start, one.chord, one.doubtful) for one in self.chords)

    @cached_property
    def hemiolas(self) -> tuple[Hemiola, ...]:
        """Where the verse goes in three halves over two bars (R15)."""
        return hemiolas(
            self.bars, frozenset(note.start for note in self.sounded_tune),
            frozenset(one.start for one in self.chords), frozenset(note.start for note in merged(self.voice("bass"))),
        )  # fmt: skip

    @cached_property
    def beats(self) -> tuple[Fraction, ...]:
        """Every beat of the verse, in order (a pickup's beats counted from its end)."""
        return beats_of(self.bars)


def merged(pieces: tuple[Piece, ...]) -> tuple[Sounded, ...]:
    """Pieces as sounded notes, ties merged."""
    sounded: list[Sounded] = []
    for piece in pieces:
        if piece.tied_from and sounded and sounded[-1].end == piece.start and sounded[-1].midi == piece.pitch.midi:
            sounded[-1] = Sounded(sounded[-1].start, piece.end, sounded[-1].pitch)
        else:
            sounded.append(Sounded(piece.start, piece.end, piece.pitch))
    return tuple(sounded)


def _placed_bars(hymn: Hymn, steps: tuple[WalkedBar, ...]) -> tuple[PlacedBar, ...]:
    bars = []
    for step in steps:
        bar = hymn.tune.bars[step.index]
        bars.append(
            PlacedBar(bar.number, step.times, step.start, bar.length, bar.time, bar.key, bar.pickup, bar.double)
        )
    return tuple(bars)


def _pieces(hymn: Hymn, verse: Verse | None, name: str, steps: tuple[WalkedBar, ...]) -> tuple[Piece, ...]:
    voice = hymn.tune.voice(name)
    if voice is None:
        return ()
    notes = verse.notes_of(name, voice.notes) if verse else voice.notes
    sung = [one for one in sing(hymn.tune, notes, steps) if not one.note.cue]
    pieces: list[Piece] = []
    for index, one in enumerate(sung):
        following = sung[index + 1] if index + 1 < len(sung) else None
        joins = (
            following is not None
            and one.note.tied
            and following.start == one.end
            and following.note.pitch.midi == one.note.pitch.midi
        )
        tied_from = bool(pieces) and pieces[-1].tied_to
        pieces.append(Piece(one.start, one.note.length, one.note.pitch, tied_from, joins))
    return tuple(pieces)


def _chords(harmony: Harmony, steps: tuple[WalkedBar, ...], home: Key) -> tuple[WalkedChord, ...]:
    found: list[WalkedChord] = []
    for step in steps:
        end = step.onset + step.length
        for span in _spans_of_pass(harmony.spans, step.times):
            first, last = max(span.onset, step.onset), min(span.end, end)
            if first >= last:
                continue
            start, stop = step.start_of(first), step.start_of(last)
            before = found[-1] if found else None
            # A chord that runs on over the bar line is one chord; one that is struck anew is not.
            if before and first > span.onset and before.end == start and before.chord == span.chord:
                found[-1] = replace(before, end=stop)
            else:
                hers = span.origin == "edited"
                found.append(WalkedChord(start, stop, span.chord, span.key, span.doubtful, hers))
    return leading_home(tuple(found), home)


def _spans_of_pass(spans: tuple[ChordSpan, ...], times: int) -> list[ChordSpan]:
    return [span for span in spans if not span.passes or times in span.passes]


def _words(verse: Verse | None, steps: tuple[WalkedBar, ...]) -> tuple[Word, ...]:
    words = []
    for step in steps:
        for syllable in verse.syllables if verse else ():
            inside = step.onset <= syllable.onset < step.onset + step.length
            if inside and syllable.times in (0, step.times):
                words.append(Word(step.start_of(syllable.onset), syllable.text, syllable.hyphen, syllable.extend))
    return tuple(sorted(words, key=lambda word: word.start))


def _lines(hymn: Hymn, steps: tuple[WalkedBar, ...], end: Fraction) -> tuple[PlacedLine, ...]:
    """Line starts of the page, walked; a line begins with its first bar's share when the route jumps into it."""
    starts = {Fraction(0)}
    for step in steps:
        starts.update(
            step.start_of(line.onset) for line in hymn.tune.lines if step.onset <= line.onset < step.onset + step.length
        )
    for before, after in pairwise(steps):
        if after.index != before.index + 1 and any(
            line.end == before.onset + before.length for line in hymn.tune.lines
        ):
            starts.add(after.start)
    ordered = sorted(starts)
    return tuple(PlacedLine(start, stop) for start, stop in zip(ordered, [*ordered[1:], end], strict=True))


def _suspensions(
    harmony: Harmony, steps: tuple[WalkedBar, ...], voices: tuple[tuple[str, tuple[Piece, ...]], ...]
) -> tuple[Suspension, ...]:
    """Printed suspensions along the walk, each until its own voice moves to the resolution."""
    found = []
    sounded = {name: merged(pieces) for name, pieces in voices}
    for one in harmony.non_chord_notes:
        notes = sounded.get(one.voice, ())
        if one.kind != "suspension" or not notes:
            continue
        for step in steps:
            if not step.onset <= one.onset < step.onset + step.length:
                continue
            start = step.start_of(one.onset)
            at = begun_at(notes, start) - 1
            if 0 <= at < len(notes) - 1 and notes[at].end > start and notes[at + 1].start == notes[at].end:
                found.append(
                    Suspension(
                        start, notes[at].end, notes[at].midi % 12, notes[at + 1].midi % 12,
                        inner=one.voice in ("alto", "tenor"),
                    )
                )  # fmt: skip
    return tuple(sorted(found, key=lambda one: float(one.start)))


@kept(8)
def walk_verse(hymn: Hymn, harmony: Harmony, verse: Verse | None) -> WalkedVerse:
    """Walk one verse of a hymn (None: the tune without words) in that verse's rhythm."""
    steps = walk(hymn.tune)
    bars = _placed_bars(hymn, steps)
    lines = _lines(hymn, steps, bars[-1].end)
    breaths = {line.end for line in lines[:-1]}
    holds = []
    for step in steps:
        inside = (step.onset, step.onset + step.length)
        breaths.update(step.start_of(one) for one in hymn.tune.breaths if inside[0] < one <= inside[1])
        holds += [step.start_of(one) for one in hymn.tune.holds if inside[0] <= one < inside[1]]
    breaths.discard(bars[-1].end)
    voices = tuple((voice.name, _pieces(hymn, verse, voice.name, steps)) for voice in hymn.tune.voices)
    return WalkedVerse(
        verse.number if verse else None,
        bars,
        voices,
        hymn.tune.tune_voice.name,
        _chords(harmony, steps, bars[0].key),
        lines,
        tuple(sorted(breaths)),
        tuple(sorted(holds)),
        _words(verse, steps),
        _suspensions(harmony, steps, voices),
    )


def another_verse(walked: WalkedVerse, hymn: Hymn, verse: Verse) -> WalkedVerse:
    """The same walk with another verse's words; only for a verse that keeps the printed rhythm."""
    assert not verse.rhythms, "a verse in a rhythm of its own is walked for itself"
    return replace(walked, number=verse.number, words=_words(verse, walk(hymn.tune)))
