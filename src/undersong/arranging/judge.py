"""Is this verse in good style? Craft rules checked on the finished notes, whoever laid them out.

Where a printed hymn breaks a rule the print wins, so the rules of harmony look only at notes that
belong to no printed voice. Rule numbers are those of the project's craft rules.

References: R1, R2, R9, R14 and the tune's completeness: common practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations, pairwise
from typing import Protocol, TypeVar

from undersong.arranging.walked import WalkedVerse
from undersong.model.accompaniment import Accompaniment, PlacedLine, beats_of
from undersong.model.finding import Finding
from undersong.model.symbol import symbol as show
from undersong.playing.check import HeldKey, held_keys, key_name, slices, tell
from undersong.textures.ground import chord_at, chords_in
from undersong.textures.patterns import grid
from undersong.textures.places import PLACES
from undersong.textures.units import leading_notes, sevenths, suspended

MOVING = ("broken", "alberti", "held", "bass-and-chord", "strummed")


def judge(accompaniment: Accompaniment, verse: WalkedVerse) -> tuple[Finding, ...]:
    """All findings of the craft for one verse, in order of time."""
    keys = held_keys(accompaniment.notes)
    found = [
        *_tune(accompaniment, verse, keys),
        *_single_tones(accompaniment, verse, keys),
        *_semitone_under_tune(accompaniment, verse, keys),
        *_missing_thirds(accompaniment, verse, keys),
        *_silent_hand(accompaniment, verse, keys),
        *_suspensions(accompaniment, verse, keys),
        *_parallels(accompaniment, verse, keys),
    ]
    if accompaniment.texture in MOVING:
        found += [tell(accompaniment, "beat-not-struck", beat) for beat in missing_beats(accompaniment)]
    return tuple(sorted(found, key=lambda one: (one.start, one.kind)))


def _tune(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    octaves = 12 * PLACES[accompaniment.tune].octaves
    played = {(key.start, key.end, key.midi) for key in keys if key.part == "tune"}
    for note in verse.sounded_tune:
        if (note.start, note.end, note.midi + octaves) not in played:
            yield tell(accompaniment, "tune-missing", note.start, pitch=note.pitch)


def _single_tones(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """R1: leading note and seventh sound once, tune, hands and feet counted together."""
    told = set()
    for start, down in slices(keys):
        one = chord_at(verse.chords, start)
        if one is None or one.end - one.start < accompaniment.bar_at(one.start).time.beat:
            continue
        for kind, names in (("leading-note-twice", leading_notes(one)), ("seventh-twice", sevenths(one))):
            for name in names:
                same = [key for key in down if key.midi % 12 == name]
                if len({key.midi for key in same}) > 1 and any(key.part == "figure" for key in same):
                    ids = tuple(key.id for key in same)
                    if (kind, ids) not in told:
                        told.add((kind, ids))
                        yield tell(accompaniment, kind, start, ids, pitch=key_name(same[0].midi))


def _semitone_under_tune(
    accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]
) -> Iterator[Finding]:
    """R2: no chord tone a semitone below the tune on a beat, in the notes that were added."""
    beats = frozenset(verse.beats)
    sharp = [key for key in keys if key.part == "tune" and key.start in beats]
    for tune, figure in overlapping(sharp, [key for key in keys if key.part == "figure"]):
        for key in figure:
            if (tune.midi - key.midi) % 12 != 1:
                continue
            both = chords_in(verse.chords, max(key.start, tune.start), min(key.end, tune.end))
            if any(
                key.midi % 12 in one.chord.pitch_classes and tune.midi % 12 not in one.chord.pitch_classes
                for one in both
            ):
                yield tell(
                    accompaniment, "semitone-under-tune", max(key.start, tune.start), (key.id, tune.id),
                    pitch=key_name(key.midi), tune=key_name(tune.midi),
                )  # fmt: skip


def _missing_thirds(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """R1: a third must sound in every chord of a beat or more, unless the tune clashes with it throughout."""
    if not any(key.part == "figure" for key in keys):
        return
    for one, sounding in overlapping(verse.chords, keys):
        third = one.chord.third
        if third is None or one.end - one.start < accompaniment.bar_at(one.start).time.beat:
            continue
        name = third.name.pitch_class
        clash = any((key.midi - name) % 12 in (1, 11) and key.part == "tune" for key in sounding)
        clash = clash or any(name == held.resolution for held in suspended(verse.suspensions, one.start, one.end))
        if not clash and sounding and not any(key.midi % 12 == name for key in sounding):
            yield tell(accompaniment, "third-missing", one.start, symbol=show(one.chord))


@dataclass(frozen=True, slots=True)
class _Skeleton:
    """What is heard as voices where a chord begins: tune, feet, lowest and highest note of the figure (-1: none)."""

    start: Fraction
    ids: tuple[str, ...]
    voices: tuple[tuple[str, int], ...]


def _skeletons(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[_Skeleton]:
    """One for each group of the figure: from a chord, a bar line or the grid's next unit to the next of these."""
    groups: list[PlacedLine] = []
    for one in verse.chords:
        start = one.start
        while start < one.end:
            bar = accompaniment.bar_at(start)
            length = grid(bar.time).unit_beats * bar.time.beat
            following = bar.start + ((start - bar.start) // length + 1) * length
            end = min(one.end, bar.end, following)
            groups.append(PlacedLine(start, end))
            start = end
    for group, sounding in overlapping(groups, keys):
        figure = sorted(key.midi for key in sounding if key.part == "figure" and group.start <= key.start < group.end)
        outer = [key for key in sounding if key.part in ("tune", "bass") and key.start <= group.start]
        voices = {key.part: key.midi for key in outer}
        if figure:
            voices["lowest of the figure"] = figure[0]
        if figure and figure[-1] > figure[0]:
            voices["highest of the figure"] = figure[-1]
        long = group.end - group.start >= accompaniment.bar_at(group.start).time.beat
        yield _Skeleton(group.start, tuple(key.id for key in outer), tuple(voices.items()) if long else ())


def _parallels(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """R9: perfect fifths and octaves in parallel between the figure's outer levels, the tune and the feet."""
    if not any(key.part == "figure" for key in keys):
        return
    line_starts = {line.start for line in verse.lines}
    for before, after in pairwise(_skeletons(accompaniment, verse, keys)):
        if after.start in line_starts:
            continue
        now = dict(after.voices)
        for (first, a), (second, b) in combinations(before.voices, 2):
            if first not in now or second not in now or {first, second} == {"tune", "bass"}:
                continue
            size = (a - b) % 12
            moves = now[first] != a and now[second] != b
            if moves and size in {0, 7} and (now[first] - now[second]) % 12 == size:
                interval = "fifths" if size else "octaves"
                yield tell(
                    accompaniment,
                    "parallels",
                    after.start,
                    after.ids,
                    interval=interval,
                    voices=f"{first} and {second}",
                )


def _suspensions(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """R5: a suspension printed in alto or tenor sounds in the figure while it is held."""
    figure = [key for key in keys if key.part == "figure"]
    inner = [one for one in verse.suspensions if one.inner]
    for one, sounding in overlapping(inner, figure) if figure else ():
        if not any(key.midi % 12 == one.name for key in sounding):
            yield tell(accompaniment, "suspension-lost", one.start, pitch=key_name(60 + one.name)[:-1])


def _silent_hand(accompaniment: Accompaniment, verse: WalkedVerse, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """R10: under a figure the left hand is never silent for a chord of a beat or more, pickups and rests apart."""
    figure = [key for key in keys if key.part == "figure"]
    pickup = verse.bars[0].end if verse.bars[0].pickup else Fraction(0)
    for one, sounding in overlapping(verse.chords, figure) if figure else ():
        long = one.end - one.start >= accompaniment.bar_at(one.start).time.beat
        if long and one.chord.root is not None and one.start >= pickup and not sounding:
            yield tell(accompaniment, "left-hand-silent", one.start, symbol=show(one.chord))


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


def overlapping(ones: Sequence[One], others: Sequence[Other]) -> Iterator[tuple[One, list[Other]]]:
    """For each of `ones` (in order of start) the `others` (likewise) that sound while it does."""
    waiting = deque(sorted(others, key=lambda other: float(other.start)))
    down: list[Other] = []
    for one in ones:
        start, end = one.start, one.end
        while waiting and waiting[0].start < end:
            down.append(waiting.popleft())
        down = [other for other in down if other.end > start]
        yield one, down


def missing_beats(accompaniment: Accompaniment) -> tuple[Fraction, ...]:
    """R14: beats from the first of a line to the onset of its last chord that neither hand nor foot strikes.

    The tune does not count; the verse's first pickup and stretches without a chord are exempt.
    """
    struck = {key.start for key in held_keys(accompaniment.notes) if key.part != "tune"}
    return tuple(beat for beat in counted_beats(accompaniment) if beat not in struck)


def counted_beats(accompaniment: Accompaniment) -> tuple[Fraction, ...]:
    """The beats that R14 asks to be struck."""
    bars = accompaniment.bars
    pickup = bars[0].end if bars[0].pickup else Fraction(0)
    tune = [note for note in accompaniment.notes if note.part == "tune" and note.tie not in ("stop", "both")]
    beats = beats_of(bars)
    counted = []
    for line in accompaniment.lines:
        chords = [one for one in accompaniment.chords if one.start < line.end and one.end > line.start]
        sounding = [one for one in chords if one.chord.root is not None]
        if not sounding:
            continue
        ends = [note.start for note in tune if line.start <= note.start < line.end]
        last = min(max(sounding[-1].start, *ends[-1:], line.start), line.end)
        counted += [
            beat
            for beat in beats
            if max(line.start, pickup) <= beat <= last
            and beat < line.end
            and any(one.start <= beat < one.end for one in sounding)
        ]
    return tuple(counted)
