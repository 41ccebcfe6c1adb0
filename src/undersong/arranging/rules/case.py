"""What the rules look at: one section, what it was laid out from, and what is worked out once for all of them.

Conventions: `start` and `end` in quarter notes from the beginning of the section; keys are MIDI numbers,
ties merged. "Ours" is a note that belongs to no printed voice: only such notes are blamed, because where a
printed hymn breaks a rule the print wins. The figure is every note of ours but tune, bass, drone and octaves.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from operator import itemgetter
from typing import Protocol, TypeVar

from undersong.arranging.innerpedal import inner_pedal_point
from undersong.arranging.walked import WalkedVerse
from undersong.harmony.keys import name_near
from undersong.model.accompaniment import Accompaniment, PlacedLine, beats_of
from undersong.model.finding import Finding
from undersong.model.harmony import Harmony
from undersong.model.kept import Begun, begun_at, begun_before, order
from undersong.model.performance import Performance
from undersong.model.pitch import Pitch, PitchName
from undersong.playing.check import HeldKey, held_keys, slices, tell
from undersong.textures.ground import Hemiola, Suspension, WalkedChord, chord_at, chords_in, hemiolas, leading_home
from undersong.textures.patterns import grid
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.textures.units import leading_notes, sevenths, unit_places

MOVING = ("broken", "alberti", "held", "bass-and-chord", "strummed")
"""Textures in which every beat is struck (R14)."""
NO_FIGURE = ("tune", "bass", "drone", "octave")
"""Parts of ours that are no figure."""


class Spanned(Protocol):
    """Anything with a start and an end."""

    @property
    def start(self) -> Fraction | int:
        """Where it begins."""

    @property
    def end(self) -> Fraction | int:
        """Where it ends."""


One = TypeVar("One", bound=Spanned)
Other = TypeVar("Other", bound=Spanned)
Timed = TypeVar("Timed", bound=Begun)


def overlapping(ones: Sequence[One], others: Sequence[Other]) -> Iterator[tuple[One, list[Other]]]:
    """For each of `ones` (in order of start) the `others` (likewise) that sound while it does."""
    waiting = deque(sorted(((order(one.start), order(one.end), one) for one in others), key=itemgetter(0)))
    down: list[tuple[float, float, Other]] = []
    for one in ones:
        start, end = order(one.start), order(one.end)
        while waiting and waiting[0][0] < end:
            down.append(waiting.popleft())
        down = [other for other in down if other[1] > start]
        yield one, [other for _, _, other in down]


def begun_in(things: tuple[Timed, ...], start: Fraction, end: Fraction) -> tuple[Timed, ...]:
    """Those of these things, in order of start, that begin in [start, end)."""
    return things[begun_before(things, start) : begun_before(things, end)]


@dataclass(frozen=True, slots=True)
class Group:
    """One group of the figure, heard as voices: from a chord, line, bar or unit of the grid to the next of these.

    `levels` are the figure's keys from the lowest up, `figure` those that are struck in it; `tune` and `bass`
    sound as it begins, `tune_last` as it ends (None: silent).
    """

    start: Fraction
    end: Fraction
    levels: tuple[int, ...]
    tune: HeldKey | None
    tune_last: HeldKey | None
    bass: HeldKey | None
    figure: tuple[HeldKey, ...]
    long: bool
    """It lasts a beat or more."""

    @property
    def onsets(self) -> frozenset[Fraction]:
        """Where the figure strikes in it."""
        return frozenset(key.start for key in self.figure)


@dataclass(frozen=True)
class Case:
    """A section to be judged, and what it is judged against.

    `verse` is what it was laid out from; `following` the section played after it; `performance` how the whole
    sounds; `harmony` where the chords come from. A rule that needs what is not given is silent.
    """

    section: Accompaniment
    verse: WalkedVerse | None = None
    following: Accompaniment | None = None
    performance: Performance | None = None
    harmony: Harmony | None = None

    def tell(self, kind: str, start: Fraction, *keys: HeldKey, **facts: object) -> Finding:
        """A finding at a place of the section, about these keys."""
        return tell(self.section, kind, start, tuple(key.id for key in keys), **facts)

    def beat_at(self, start: Fraction) -> Fraction:
        """Length of the beat at a place."""
        return self.section.bar_at(start).time.beat

    @cached_property
    def keys(self) -> tuple[HeldKey, ...]:
        """Every key from press to release."""
        return held_keys(self.section.notes)

    def named(self, pitch_class: int, start: Fraction) -> PitchName:
        """A pitch class as it is written nearest to `start`, in print or by us; else as its key would have it."""
        written = [(abs(key.start - start), key.pitch) for key in self.keys]
        if self.verse is not None:
            printed = [(abs(piece.start - start), piece.pitch) for _, pieces in self.verse.voices for piece in pieces]
            written = printed + written
        same = [one for one in written if one[1].midi % 12 == pitch_class]
        if same:
            return min(same, key=lambda one: one[0])[1].name
        one = chord_at(self.chords, start)
        return name_near(pitch_class, (one.key if one is not None else self.section.key).fifths + 2)

    def written(self, midi: int, start: Fraction) -> Pitch:
        """A key as it is written nearest to `start`."""
        return Pitch.of(self.named(midi % 12, start), midi)

    @cached_property
    def sources(self) -> dict[str, str]:
        """The printed voice of each written note, "" for none."""
        return {note.id: note.source for note in self.section.notes}

    def ours(self, key: HeldKey) -> bool:
        """True for a key that belongs to no printed voice."""
        return not self.sources[key.id]

    @cached_property
    def tune(self) -> tuple[HeldKey, ...]:
        """The tune."""
        return tuple(key for key in self.keys if key.part == "tune")

    @cached_property
    def figure(self) -> tuple[HeldKey, ...]:
        """The figure: what is ours and neither tune, bass, drone nor octave."""
        return tuple(key for key in self.keys if key.part not in NO_FIGURE and self.ours(key))

    @cached_property
    def inner_pedal_points(self) -> tuple[HeldKey, ...]:
        """The figure's keys that are held as a tone common to three chords or more (R12)."""
        starts = [one.start for one in self.chords]
        over = (key for key in self.figure if bisect_left(starts, key.end) > bisect_right(starts, key.start) + 1)
        return tuple(key for key in over if inner_pedal_point(key, self.chords))

    @cached_property
    def figure_ids(self) -> frozenset[str]:
        """The figure's ids."""
        return frozenset(key.id for key in self.figure)

    @cached_property
    def bass(self) -> tuple[HeldKey, ...]:
        """The bass, printed or not."""
        return tuple(key for key in self.keys if key.part == "bass")

    @cached_property
    def own_bass(self) -> tuple[HeldKey, ...]:
        """A bass made from symbols."""
        return tuple(key for key in self.bass if self.ours(key))

    @cached_property
    def chords(self) -> tuple[WalkedChord, ...]:
        """The section's chords with their keys: the verse's, if they are the same, else by the signature."""
        if self.verse is not None and self.section.chords == self.verse.placed_chords:
            return self.verse.chords
        known = self.verse.chords if self.verse is not None else ()
        found = []
        for one in self.section.chords:
            near = chord_at(known, one.start)
            key = near.key if near is not None else self.section.bar_at(one.start).key
            found.append(WalkedChord(one.start, one.end, one.chord, key))
        return leading_home(tuple(found), self.section.bars[0].key)

    @cached_property
    def beats(self) -> tuple[Fraction, ...]:
        """Every beat, in order."""
        return beats_of(self.section.bars)

    @cached_property
    def lines(self) -> tuple[PlacedLine, ...]:
        """The lines, the whole section if it has none."""
        return self.section.lines or (PlacedLine(Fraction(0), self.section.length),)

    @cached_property
    def breaks(self) -> frozenset[Fraction]:
        """Where a line begins or a breath is taken: what goes before does not join what comes after."""
        return frozenset({line.start for line in self.lines} | set(self.section.breaths))

    @cached_property
    def pickup_end(self) -> Fraction:
        """Where the first pickup ends (0 without one)."""
        bars = self.section.bars
        return bars[0].end if bars and bars[0].pickup else Fraction(0)

    @cached_property
    def lowered(self) -> bool:
        """True where the tune sounds below its place, over or under parts of the print's harmony."""
        place = PLACES.get(self.section.tune)
        return place is not None and place.sounds < 0 and not place.own_harmony

    def stops_of(self, division: str, said: str) -> frozenset[int]:
        """Whole lengths in feet of the stops drawn on a division, else those of the generic words after `said`."""
        registration = self.section.registration
        drawn = [stops for name, stops in registration.actual if name == division]
        clauses = drawn or [part for part in registration.generic.split(";") if part.strip().startswith(said)]
        lengths = re.compile(r"(no )?\b(\d+)\b(?! \d+/)")
        return frozenset(int(feet) for text in clauses for no, feet in lengths.findall(text) if not no)

    @cached_property
    def _feet_up(self) -> int:
        """How far the bass in the feet sounds from its keys: an octave lower with a 16' stop."""
        return -12 if 16 in self.stops_of(self.section.feet, "pedal") else 0

    def sounds(self, key: HeldKey) -> int:
        """Where a key sounds lowest: in the pedal a tune at 4' an octave higher, a bass at 16' an octave lower."""
        if key.limb in ("right hand", "left hand"):
            return key.midi
        if key.part == "tune":
            place = PLACES.get(self.section.tune)
            return key.midi + (12 * (place.sounds - place.octaves) if place is not None else 0)
        return key.midi + self._feet_up

    @cached_property
    def pulsed_feet(self) -> bool:
        """True where the texture lets the feet strike again with each unit."""
        row = TEXTURES.get(self.section.texture)
        return row is not None and row.pulsed_feet

    # --- worked out once -------------------------------------------------------------------------

    @cached_property
    def over_chords(self) -> tuple[tuple[WalkedChord, tuple[HeldKey, ...]], ...]:
        """Each chord with every key that sounds while it stands."""
        return tuple((one, tuple(down)) for one, down in overlapping(self.chords, self.keys))

    @cached_property
    def _long(self) -> frozenset[int]:
        """The ids (of the objects) of chords of a beat or more."""
        return frozenset(id(one) for one in self.chords if one.end - one.start >= self.beat_at(one.start))

    def is_long(self, one: WalkedChord) -> bool:
        """True for a chord of the section of a beat or more."""
        return id(one) in self._long

    @cached_property
    def slices(self) -> tuple[tuple[Fraction, tuple[HeldKey, ...], WalkedChord, frozenset[int], frozenset[int]], ...]:
        """At every onset under a chord of a beat or more: keys down, chord, its leading note, its seventh."""
        found = []
        names: dict[int, tuple[frozenset[int], frozenset[int]]] = {}
        for start, down in slices(self.keys):
            one = chord_at(self.chords, start)
            if one is None or not self.is_long(one):
                continue
            if id(one) not in names:
                names[id(one)] = (leading_notes(one), sevenths(one))
            found.append((start, tuple(down), one, *names[id(one)]))
        return tuple(found)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """The groups of the figure over all chords, in order of time."""
        places = self._places
        figure = self.figure_ids
        starts = {key.id: order(key.start) for key in self.keys}
        found = []
        for place, sounding in overlapping(places, self.keys):
            start, end = order(place.start), order(place.end)
            struck = tuple(key for key in sounding if key.id in figure and start <= starts[key.id] < end)
            first: dict[str, HeldKey] = {}
            last = None
            for key in sounding:
                if key.part in ("tune", "bass") and starts[key.id] <= start:
                    first[key.part] = key
                if key.part == "tune" and (last is None or starts[key.id] >= starts[last.id]):
                    last = key
            heard = [key for key in sounding if key.id in figure]
            if self.section.texture == "counter-line":
                heard = list(struck[:1])  # a line is one voice
            levels = tuple(sorted({key.midi for key in heard}))
            long = place.end - place.start >= self.beat_at(place.start)
            found.append(
                Group(place.start, place.end, levels, first.get("tune"), last, first.get("bass"), struck, long)
            )
        return tuple(found)

    @cached_property
    def _in_chords(self) -> tuple[tuple[Fraction, int], ...]:
        """Where each key of the figure is struck; an inner pedal point belongs to every chord as if it were."""
        held = [
            (one.start, key.midi)
            for key in self.inner_pedal_points
            for one in chords_in(self.chords, key.start, key.end)
            if one.start > key.start
        ]
        return (*((key.start, key.midi) for key in self.figure), *held)

    @cached_property
    def _places(self) -> list[PlacedLine]:
        """Where groups begin and end: on beats; off the beat only where full chords change with the harmony.

        Where full chords change their position inside a group, a new one begins.
        """
        beats = frozenset(self.beats)
        strikes = Counter(start for start, _ in self._in_chords)
        edges = set()
        for one in self.chords:
            start = one.start
            if start not in beats and strikes[start] < 2:
                at = bisect_right(self.beats, start)
                start = self.beats[at] if at < len(self.beats) else one.end
            while start < one.end:
                edges.add(start)
                bar = self.section.bar_at(start)
                places = unit_places(bar, grid(bar.time).groups)
                start = next((place for place in places if place > start), bar.end)
        if self.chords:
            edges.add(self.chords[-1].end)
            edges |= {line.start for line in self.lines if min(edges) < line.start < max(edges)}
        for hemiola in self.hemiolas:
            edges = {place for place in edges if place != hemiola.crossed} | set(hemiola.places)
        return [PlacedLine(start, end) for start, end in pairwise(sorted(edges | self._moved(sorted(edges))))]

    def _moved(self, edges: list[Fraction]) -> set[Fraction]:
        """Where a full chord is struck in another position than the one before it between the same edges."""
        struck: dict[Fraction, set[int]] = {}
        for start, midi in self._in_chords:
            struck.setdefault(start, set()).add(midi)
        full = [(start, keys) for start, keys in sorted(struck.items()) if len(keys) > 1]
        places = [order(edge) for edge in edges]
        return {
            start
            for (before, keys_before), (start, keys) in pairwise(full)
            if keys != keys_before and bisect_right(places, order(before)) == bisect_right(places, order(start))
        }

    @cached_property
    def suspensions(self) -> tuple[Suspension, ...]:
        """Printed suspensions, and those that symbols write: a fourth that gives way to the third of its root."""
        printed = self.verse.suspensions if self.verse is not None else ()
        return tuple(sorted([*printed, *self.written_suspensions], key=lambda one: float(one.start)))

    @cached_property
    def written_suspensions(self) -> tuple[Suspension, ...]:
        """`D7sus4 D7`: the fourth over its root until the third comes."""
        found = []
        for one, after in zip(self.chords, self.chords[1:], strict=False):
            root, third = one.chord.root, after.chord.third
            fourth = next((tone.name.pitch_class for tone in one.chord.tones() if tone.degree == 4), None)
            if fourth is None or third is None or root is None or after.chord.root != root or one.chord.third:
                continue
            found.append(Suspension(one.start, one.end, fourth, third.name.pitch_class, inner=True))
        return tuple(found)

    @cached_property
    def resolutions(self) -> frozenset[Fraction]:
        """Where suspensions resolve: a voice that is struck there is none of the figure's own."""
        return frozenset(held.end for held in self.suspensions)

    def line_of(self, start: Fraction) -> PlacedLine:
        """The line that holds a place."""
        return self.lines[max(0, begun_at(self.lines, start) - 1)]

    @cached_property
    def endings(self) -> tuple[tuple[PlacedLine, Fraction], ...]:
        """Each line with the place where its last chord begins, or its last sung note if that is later."""
        found = []
        for line in self.lines:
            under = [one for one in chords_in(self.chords, line.start, line.end) if one.chord.root is not None]
            sung = [key.start for key in begun_in(self.tune, line.start, line.end)]
            if under:
                found.append((line, min(max(under[-1].start, *sung[-1:], line.start), line.end)))
        return tuple(found)

    @cached_property
    def counted_beats(self) -> tuple[Fraction, ...]:
        """The beats that R14 asks to be struck: from the first note of a line to the onset of its last chord.

        Stretches without a chord, the first pickup, free time and the second bar line of a hemiola are exempt.
        """
        skipped = {hemiola.crossed for hemiola in self.hemiolas}
        counted = []
        for line, last in self.endings:
            first = next((key.start for key in begun_in(self.tune, line.start, line.end)), line.start)
            for beat in self.beats[bisect_left(self.beats, max(first, self.pickup_end)) :]:
                if beat > last or beat >= line.end:
                    break
                if beat not in skipped and self.section.bar_at(beat).time.beats:
                    counted.append(beat)
        return tuple(beat for beat in counted if (one := chord_at(self.chords, beat)) and one.chord.root is not None)

    @cached_property
    def hemiolas(self) -> tuple[Hemiola, ...]:
        """R15: places where two bars of three are heard as three halves."""
        return hemiolas(
            self.section.bars, frozenset(key.start for key in self.tune), frozenset(one.start for one in self.chords),
            frozenset(key.start for key in self.bass if not self.ours(key)),
        )  # fmt: skip


Check = Callable[[Case], Iterator[Finding]]
