"""What a texture lays itself over: beats, lines, chords, tune and bass of one verse, and the bench.

Conventions: `start` and `end` in quarter notes from the beginning of the verse; keys are MIDI numbers.
References: low-interval limits as published in arranging glossaries (second hand).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import PlacedBar, PlacedLine
from undersong.model.chord import Chord
from undersong.model.kept import begun_at, begun_before
from undersong.model.pitch import Key, Pitch


@dataclass(frozen=True, slots=True)
class Sounded:
    """A note from strike to release, ties merged."""

    start: Fraction
    end: Fraction
    pitch: Pitch

    @property
    def midi(self) -> int:
        """Key number."""
        return self.pitch.midi


@dataclass(frozen=True, slots=True)
class WalkedChord:
    """A chord of the verse with the key it stands in."""

    start: Fraction
    end: Fraction
    chord: Chord
    key: Key
    doubtful: bool = False
    hers: bool = False
    """She put it there: its bass wins over the printed one."""
    leads: frozenset[int] = frozenset()
    """Pitch classes of leading notes that it has and takes home, whatever key it stands in (see `leading_home`)."""


def leading_home(chords: tuple[WalkedChord, ...], home: Key) -> tuple[WalkedChord, ...]:
    """The chords, each with the home key's leading note where it has it and goes to the tonic or the sixth degree.

    A minor hymn goes to its relative major as well.
    """
    homes = {home, Key.from_fifths(home.fifths)}
    found = []
    for one, following in zip(chords, (*chords[1:], None), strict=True):
        root, third = one.chord.root, one.chord.third
        names = {name.pitch_class for name in (root, third.name if third else None) if name is not None}
        goal = following.chord.root.pitch_class if following is not None and following.chord.root is not None else -1
        tonics = {key.leading_note.pitch_class: key.tonic.pitch_class for key in homes}
        leads = {note for note, tonic in tonics.items() if note in names and (goal - tonic) % 12 in (0, 8, 9)}
        found.append(replace(one, leads=frozenset(leads)) if leads and goal >= 0 else one)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Suspension:
    """A printed note held over into a chord it does not belong to, until it steps to its resolution.

    `name` and `resolution` are pitch classes; `inner` says that it lies in alto or tenor, where a
    figure must carry it, because no chord symbol holds it (R5).
    """

    start: Fraction
    end: Fraction
    name: int
    resolution: int
    inner: bool


@dataclass(frozen=True, slots=True)
class Hemiola:
    """R15: three equal `places` over two bars of three, or over one bar of 6/8, and the beat that they cross."""

    places: tuple[Fraction, ...]
    crossed: Fraction


def hemiolas(
    bars: tuple[PlacedBar, ...],
    sung: frozenset[Fraction],
    chords: frozenset[Fraction],
    printed_bass: frozenset[Fraction],
) -> tuple[Hemiola, ...]:
    """Where two bars of three are heard as three halves, by the onsets of tune, chords and printed bass.

    Tune or chords begin at 0, 2 and 4, neither tune nor chord nor printed bass at 3; or the same inside one
    bar of 6/8: quarter notes against its two dotted ones. Each bar belongs to one hemiola at most.
    """
    found: list[Hemiola] = []
    begun, past = sung | chords, Fraction(-1)
    for bar, after in zip(bars, (*bars[1:], None), strict=True):
        if bar.length != bar.time.bar_length or bar.start < past:
            continue
        if bar.time.beats == 3 and after is not None and (after.time, after.length) == (bar.time, bar.length):
            step, crossed = 2 * bar.time.beat, after.start
        elif (bar.time.beats, bar.time.unit) == (6, 8):
            step, crossed = Fraction(1), bar.start + Fraction(3, 2)
        else:
            continue
        places = tuple(bar.start + count * step for count in range(3))
        if begun.issuperset(places) and crossed not in begun | printed_bass:
            found.append(Hemiola(places, crossed))
            past = bar.start + 3 * step
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Bench:
    """What the figure must keep to. Keys are MIDI numbers, spans 14ths of an octave.

    `above_tune`: the figure lies above the tune, not below it; `above_bass`: it shares a keyboard with
    the bass and stays above it; `same_manual`: it shares the tune's keyboard; `carries_bass`: there are no
    feet, and its lowest note is the bass; `two_hands`: its lowest note lies in the other hand; `free_of_tune`: the
    tune is the lowest part, and bounds nothing.
    """

    lowest: int
    highest: int
    span_easy: int
    span_most: int
    above_tune: bool
    above_bass: bool
    same_manual: bool
    keyboard_lowest: int
    home: int
    """Where the figure likes to lie."""
    carries_bass: bool = False
    free_of_tune: bool = False
    two_hands: bool = False


@dataclass(frozen=True, slots=True)
class Ground:
    """One verse as a texture sees it.

    `tune` is as played (an octave up if so), `bass` what the feet play; `guide` is the bass that the figure
    itself carries where there are no feet.
    """

    bars: tuple[PlacedBar, ...]
    beats: tuple[Fraction, ...]
    lines: tuple[PlacedLine, ...]
    chords: tuple[WalkedChord, ...]
    tune: tuple[Sounded, ...]
    bass: tuple[Sounded, ...]
    suspensions: tuple[Suspension, ...] = ()
    guide: tuple[Sounded, ...] = ()
    hemiolas: tuple[Hemiola, ...] = ()

    @property
    def end(self) -> Fraction:
        """Length of the verse."""
        return self.bars[-1].end

    @property
    def pickup_end(self) -> Fraction:
        """Where the verse's first pickup ends (0 without one)."""
        return self.bars[0].end if self.bars[0].pickup else Fraction(0)


def sounding(notes: tuple[Sounded, ...], start: Fraction, end: Fraction) -> list[Sounded]:
    """The notes that sound anywhere in [start, end)."""
    first = max(0, begun_at(notes, start) - 1)
    return [note for note in notes[first : begun_before(notes, end)] if note.end > start]


def chords_in(chords: tuple[WalkedChord, ...], start: Fraction, end: Fraction) -> list[WalkedChord]:
    """The chords that stand anywhere in [start, end)."""
    first = max(0, begun_at(chords, start) - 1)
    return [one for one in chords[first : begun_before(chords, end)] if one.end > start]


def chord_at(chords: tuple[WalkedChord, ...], start: Fraction) -> WalkedChord | None:
    """The chord that stands at a place, if there is one."""
    at = begun_at(chords, start) - 1
    return chords[at] if at >= 0 and chords[at].end > start else None


LOWEST_FOR_INTERVAL = {1: 52, 2: 51, 3: 48, 4: 47, 5: 45, 6: 35, 7: 37, 8: 41, 9: 41, 10: 41, 11: 41}
"""Lowest key of the lower note for an interval in semitones (m2 E3 ... M7 F2)."""


def interval_too_low(low: int, high: int) -> bool:
    """True when two keys lie closer together than so low a place allows."""
    return low < LOWEST_FOR_INTERVAL.get(high - low, 0)
