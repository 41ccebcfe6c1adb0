"""Cutting a verse into units: where a figure begins anew.

The rules (measured in a trial on chorales and folk tunes): a unit begins on every beat on which a
chord begins, on every beat that has a change inside and on the next, at line ends and bar lines, on
the beat after a line begins off it, and after the row's full length. A change off the beat makes no
boundary for a figure; block chords change with the harmony. A beat in which a printed suspension of
the inner parts resolves is a unit of its own. The last chord of a line of one or two
beats is struck once; a longer one keeps its figure, and so does one over a rest of the tune. The
first pickup of the verse is held; inside the verse the figure runs on.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import cycle, pairwise

from undersong.model.accompaniment import PlacedBar
from undersong.model.chord import NO_CHORD
from undersong.model.kept import Alike, begun_at, begun_before, kept
from undersong.textures.ground import (
    Bench,
    Ground,
    Sounded,
    Suspension,
    WalkedChord,
    chords_in,
    interval_too_low,
    sounding,
)
from undersong.textures.patterns import grid
from undersong.textures.table import Texture


@dataclass(frozen=True, slots=True)
class Slot:
    """A place for a strike: the chord tones allowed (pitch classes), those forbidden, lowest and highest key.

    `on_beat`: R14 asks that something be struck here.
    """

    start: Fraction
    end: Fraction
    allowed: frozenset[int]
    forbidden: frozenset[int]
    floor: int
    ceiling: int
    on_beat: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """A stretch of a verse under one figure, with what it must fit to.

    `tune_first`, `bass_first` sound as it begins, `tune_last`, `bass_last` as it ends (-1: none).
    `wanted` are pitch classes that must sound, `later` those that tune or bass bring within it.
    """

    start: Fraction
    end: Fraction
    line: int
    chord: WalkedChord
    slots: tuple[Slot, ...]
    held: bool
    tune_first: int
    tune_last: int
    bass_first: int
    bass_last: int
    wanted: frozenset[int]
    present: frozenset[int]
    later: frozenset[int]
    single: frozenset[int]
    """Pitch classes that may sound only once: leading note and seventh."""
    short_harmony: bool
    root: int = -1
    third: int = -1
    fifth: int = -1
    """Pitch classes of the main chord's root, third and fifth (-1: none), asked for at every candidate."""
    bass_keys: tuple[int, ...] = ()
    """All that the bass plays within it."""
    suspended: frozenset[int] = frozenset()
    """Pitch classes of suspensions that the figure still holds as the unit ends."""
    guide: int = -1
    """The key of the bass that the lowest level is to carry (-1: the feet have it)."""
    own: int | None = None
    """How many of its slots begin while its chord stands (None: all)."""
    windows: tuple[tuple[int, int], ...] = ()
    """The slots of every two beats of a slow figure: each is to bring what must sound."""
    group: tuple[int, int] = (-1, -1)
    """What bass and tune had where the two beats (in triple time the bar) of its chord began, if that was before it."""


@kept(16)
def is_dense(ground: Ground, share: float = 0.6) -> bool:
    """True where most beats (more than a share of them) bring a new chord, as in four-part hymns."""
    starts = {one.start for one in ground.chords}
    return sum(beat in starts for beat in ground.beats) > share * len(ground.beats)


_DOMINANT = ("dominant", "dominant-ninth", "dominant-11th", "dominant-13th", "augmented-seventh")
_LEADING = ("diminished", "half-diminished", "diminished-seventh")


@kept(1024)
def leading_notes(one: WalkedChord) -> frozenset[int]:
    """The leading note in a chord of dominant function, applied dominants included.

    It is the third of a dominant seventh and the root of a diminished chord; in a plain triad it is the
    leading note of the key, where that is third or root; and the home key's where the chord leads home.
    """
    chord = one.chord
    if chord.root is None:
        return frozenset()
    third = chord.third
    if chord.kind in _DOMINANT and third is not None:
        return frozenset({third.name.pitch_class})
    if chord.kind in _LEADING:
        return frozenset({chord.root.pitch_class})
    note = one.key.leading_note.pitch_class
    dominant = chord.root.pitch_class == note or (third is not None and third.name.pitch_class == note)
    return frozenset({note} if dominant else ()) | one.leads


@kept(1024)
def sevenths(one: WalkedChord) -> frozenset[int]:
    """The seventh of the chord, where it is one that wants to fall."""
    seventh = one.chord.seventh
    return frozenset({seventh.name.pitch_class}) if seventh is not None else frozenset()


def clashing(one: WalkedChord, note: Sounded, beats: frozenset[Fraction]) -> frozenset[int]:
    """R2: the chord tone a semitone below a tune note that is struck on a beat and foreign to the chord."""
    if note.start not in beats or note.midi % 12 in one.chord.pitch_classes:
        return frozenset()
    below = (note.midi - 1) % 12
    return frozenset({below}) & one.chord.pitch_classes


@kept(16)
def _beats(ground: Ground) -> frozenset[Fraction]:
    return frozenset(ground.beats)


def boundaries(ground: Ground, texture: Texture) -> list[Fraction]:
    """Where units begin, the end of the verse last."""
    chord_starts = {one.start for one in ground.chords}
    ordered = sorted(chord_starts)
    beats = ground.beats
    found = {Fraction(0), ground.end, *(bar.start for bar in ground.bars), *(line.start for line in ground.lines)}
    if texture.by_harmony:
        found |= {start for start in chord_starts if start < ground.end}
    off_beat = [line.start for line in ground.lines] + [one.end for one in ground.suspensions if one.inner]
    for index, beat in enumerate(beats):
        following = beats[index + 1] if index + 1 < len(beats) else ground.end
        at = bisect_right(ordered, beat)
        changes_inside = at < len(ordered) and ordered[at] < following
        if beat in chord_starts or changes_inside:
            found.add(beat)
        if changes_inside or any(beat < off < following for off in off_beat):
            found.add(following)
    for hemiola in ground.hemiolas:
        found = {place for place in found if place != hemiola.crossed} | set(hemiola.places)
    rests = resting_chords(ground)
    found = {place for place in found if not any(start < place < end for start, end in rests)}
    found |= {start for start, _ in rests}
    return _cut_long(ground, texture, sorted(found), {start for start, _ in rests})


def _cut_long(ground: Ground, texture: Texture, starts: list[Fraction], rests: set[Fraction]) -> list[Fraction]:
    """Units longer than the row's full length are cut at the row's own places inside the bar."""
    cut = [starts[0]]
    by_beat = texture.pulsed_feet and is_dense(ground)
    for start, stop in pairwise(starts):
        if start not in rests:
            bar = bar_at(ground.bars, start)
            if any(start < hemiola.crossed < stop for hemiola in ground.hemiolas):
                places: tuple[Fraction, ...] = ()
            elif by_beat:
                places = unit_places(bar, (1,))
            elif texture.whole_bars:
                places = ()
            else:
                places = unit_places(bar, grid(bar.time).groups)
            cut += [place for place in places if start < place < stop]
        cut.append(stop)
    return cut


@kept(512)
def unit_places(bar: PlacedBar, groups: tuple[int, ...]) -> tuple[Fraction, ...]:
    """Where units of so many beats, in turn, begin inside a bar; a pickup is counted from its end."""
    if bar.pickup:
        back, places = cycle(reversed(groups)), [bar.end]
        while places[-1] > bar.start:
            places.append(max(bar.start, places[-1] - next(back) * bar.time.beat))
        return tuple(reversed(places[1:]))
    places = [bar.start]
    for beats in cycle(groups):
        places.append(places[-1] + beats * bar.time.beat)
        if places[-1] >= bar.end:
            return tuple(places[:-1])
    raise AssertionError(groups)


def bar_at(bars: tuple[PlacedBar, ...], start: Fraction) -> PlacedBar:
    """The bar that holds a place of the verse."""
    return bars[max(0, begun_at(bars, start) - 1)]


def long_ending_beats(ground: Ground) -> frozenset[Fraction]:
    """R16: the beats under the last chord of a line of three beats or more, up to the lift, inside the verse."""
    found: set[Fraction] = set()
    rests = {end for _, end in resting_chords(ground)}
    for line in ground.lines:
        chords, notes = chords_in(ground.chords, line.start, line.end), sounding(ground.tune, line.start, line.end)
        if chords and notes and line.end not in rests:
            last = max(chords[-1].start, notes[-1].start, line.start)
            beat = bar_at(ground.bars, last).time.beat
            found |= {place for place in ground.beats if last < place < line.end - beat}
    return frozenset(found)


@kept(16)
def resting_chords(ground: Ground) -> tuple[tuple[Fraction, Fraction], ...]:
    """Where the figure comes to rest: last chords of lines of one or two beats, and the verse's last.

    Where the line ends in a rest of the tune, or on a longer chord, the figure goes on.
    """
    found = []
    beats = _beats(ground)
    for line in ground.lines:
        chords = chords_in(ground.chords, line.start, line.end)
        notes = sounding(ground.tune, line.start, line.end)
        if not chords or not notes:
            continue
        last_note = next((note for note in reversed(notes) if note.start >= line.start), notes[-1])
        start = max(chords[-1].start, last_note.start, line.start)
        beat = bar_at(ground.bars, start).time.beat
        inside = any(start < place < line.end for place in ground.beats if not _begins_off_beat(ground, place))
        rest = line.end - last_note.end  # something keeps the beat for those who would come in early (R16)
        rests = rest >= beat or (rest > 0 and inside)
        comes_to_rest = line.end == ground.end or (line.end - start <= 2 * beat and not rests)
        if comes_to_rest and (start in beats or start == chords[-1].start):
            found.append((start, line.end))
    return tuple(found)


def _begins_off_beat(ground: Ground, place: Fraction) -> bool:
    """Whether a bar shorter than a beat begins there, the rest of one that a repeat has divided: no beat is felt."""
    bar = bar_at(ground.bars, place)
    return bar.pickup and place == bar.start and bar.length < bar.time.beat


def cut(ground: Ground, texture: Texture, bench: Bench) -> tuple[Unit, ...]:
    """All units of a verse, in order. Stretches without a chord have units with no tone allowed."""
    dense = is_dense(ground)
    rests = {start for start, _ in resting_chords(ground)}
    beats = _beats(ground)
    places = boundaries(ground, texture)
    if texture.by_harmony and bench.free_of_tune:  # no bass keeps the beat beneath a tune in the bass
        places = sorted({*places, *long_ending_beats(ground)})
    units: list[Unit] = []
    silent = replace(ground, chords=())  # before the first sung note nobody plays
    for start, end in pairwise(places):
        held = texture.by_harmony or start in rests or start < ground.pickup_end
        sung = not ground.tune or end > ground.tune[0].start
        units.append(_unit(ground if sung else silent, texture, bench, start, end, held=held, dense=dense, beats=beats))
    return tuple(_grouped(ground, units))


def _grouped(ground: Ground, units: list[Unit]) -> Iterator[Unit]:
    """The units, each with the outer voices as its group began: parallels from group to group are heard too."""
    first: Unit | None = None
    for unit in units:
        bar = bar_at(ground.bars, unit.start)
        beats = bar.time.beat * (bar.time.beats if bar.time.beats % 3 == 0 else 2)
        begins = bar.start + (unit.start - bar.start) // beats * beats if beats else bar.start
        if first is None or first.chord is not unit.chord or first.line != unit.line or first.start < begins:
            first = unit
            yield unit
        else:
            yield replace(unit, group=(first.bass_first, first.tune_first))


def slot_length(ground: Ground, texture: Texture, start: Fraction, *, dense: bool) -> Fraction:
    """Length of one slot of a texture's figure at a place."""
    time = bar_at(ground.bars, start).time
    row = grid(time)
    if texture.rhythm == "beats":
        count = 3 if time.compound else (2 if dense and texture.pulsed_feet else 1)
        return time.beat / count
    if dense and texture.dense_three_levels:
        return time.beat / row.dense_slots_per_beat
    return time.beat / (row.slots(texture.speed, compound=time.compound) or row.slots_per_beat)


def _unit(
    ground: Ground,
    texture: Texture,
    bench: Bench,
    start: Fraction,
    end: Fraction,
    *,
    held: bool,
    dense: bool,
    beats: frozenset[Fraction],
) -> Unit:
    line = begun_at(ground.lines, start) - 1
    chords = chords_in(ground.chords, start, end)
    tune, bass = sounding(ground.tune, start, end), sounding(ground.bass, start, end)
    moves = {one.end for one in suspended(ground.suspensions, start, end) if one.inner and start < one.end < end}
    if held and chords:
        moves |= _giving_way(ground, chords[0], start, end, beats) | _dipping(ground, chords[0], start, end, bench)
    edges = [start, *sorted(moves), end]
    if not held:
        step = slot_length(ground, texture, start, dense=dense)
        bar = bar_at(ground.bars, start)
        anchor = bar.end if bar.pickup else bar.start  # a line may begin off the beat: its slots still keep to it
        edges = [start]
        following = anchor + ((start - anchor) // step + 1) * step
        while following < end:
            edges.append(following)
            following += step
        edges.append(end)
        if texture.rhythm == "beats":  # full chords keep off the beat that a hemiola crosses
            crossed = {hemiola.crossed for hemiola in ground.hemiolas}
            edges = [place for place in edges if place not in crossed or place in (start, end)]
            if (
                texture.pulsed_feet and len(edges) == 2 and not bar.time.compound
            ):  # the chord still comes after the feet
                edges.insert(1, (start + end) / 2)
        if len(edges) == 2:  # two chords have a slot each, else no tone may be common to both
            edges[1:1] = [one.start for one in chords if start < one.start < end][:1]
    slots = tuple(slot_at(ground, bench, first, last) for first, last in pairwise(edges))
    main = chords[0] if chords else _silence(ground, start, end)
    single = leading_notes(main) | sevenths(main)
    root, third, fifth = main.chord.root, main.chord.third, main.chord.fifth
    guide = sounding(ground.guide, start, end)
    at_start = {note.midi % 12 for note in [*tune, *bass] if note.start <= start}
    everything = {note.midi % 12 for note in [*tune, *bass] if note.start < main.end}
    return Unit(
        start, end, max(0, line), main, slots, held,
        _first(tune, start), tune[-1].midi if tune else -1,
        _first(bass, start), bass[-1].midi if bass else -1,
        asked_tones(main, ground, start, end), frozenset(at_start), frozenset(everything), single,
        short_harmony=main.end - main.start < bar_at(ground.bars, start).time.beat,
        root=root.pitch_class if root else -1, third=third.name.pitch_class if third else -1,
        fifth=fifth.name.pitch_class if fifth else -1,
        bass_keys=tuple(note.midi for note in bass), suspended=slots[-1].allowed - main.chord.pitch_classes,
        guide=guide[0].midi if guide else -1,
        own=sum(slot.start < main.end for slot in slots) if main.end < end else None,
        windows=() if held or not texture.whole_bars else _windows(slots, bar_at(ground.bars, start)),
    )  # fmt: skip


def _windows(slots: tuple[Slot, ...], bar: PlacedBar) -> tuple[tuple[int, int], ...]:
    """Every two beats of slots that fill a longer stretch; in triple time it is the bar that is heard as one."""
    beats = [index for index, slot in enumerate(slots) if slot.on_beat]
    if len(beats) < 3 or bar.time.beats % 3 == 0:
        return ()
    edges = [0, *beats[2::2], len(slots)]
    return tuple(pairwise(edges))


def _giving_way(
    ground: Ground, one: WalkedChord, start: Fraction, end: Fraction, beats: frozenset[Fraction]
) -> set[Fraction]:
    """Beats from which a standing chord lacks a tone: the tune sings it or a semitone over it (R1, R2)."""
    once = leading_notes(one) | sevenths(one)
    found = set()
    before: frozenset[int] = frozenset()
    for note in sounding(ground.tune, start, end):
        gives = clashing(one, note, beats) | (once & {note.midi % 12})
        if gives - before and start < note.start and note.start in beats:
            found.add(note.start)
        before |= gives
    return found


def _dipping(ground: Ground, one: WalkedChord, start: Fraction, end: Fraction, bench: Bench) -> set[Fraction]:
    """Places from which a standing chord has no room for its third, because the tune goes below it (R1)."""
    third = one.chord.third
    if third is None or bench.free_of_tune or bench.above_tune:
        return set()
    feet = [note.midi for note in sounding(ground.bass, start, end)]
    lowest = bench.lowest + (third.name.pitch_class - bench.lowest) % 12
    while any(interval_too_low(key, lowest) for key in feet if key < lowest):
        lowest += 12
    found = set()
    room = False
    for note in sounding(ground.tune, start, end):
        if room and note.midi <= lowest and note.start > start:
            found.add(note.start)
        room = note.midi > lowest
    return found


def suspended(suspensions: tuple[Suspension, ...], start: Fraction, end: Fraction) -> list[Suspension]:
    """The suspensions that are held anywhere in [start, end)."""
    return [one for one in suspensions[: begun_before(suspensions, end)] if one.end > start]


def suspended_at(ground: Ground, start: Fraction) -> list[Suspension]:
    """The suspensions that are held just after a place."""
    return suspended(ground.suspensions, start, start + Fraction(1, 64))


def _silence(ground: Ground, start: Fraction, end: Fraction) -> WalkedChord:
    return WalkedChord(start, end, NO_CHORD, ground.bars[0].key)


def _first(notes: list[Sounded], start: Fraction) -> int:
    return notes[0].midi if notes and notes[0].start <= start else -1


def asked_tones(one: WalkedChord, ground: Ground, start: Fraction, end: Fraction) -> frozenset[int]:
    """What must sound of a chord in [start, end), as pitch classes.

    Where a suspension stands for its resolution it is asked for, and this too where it comes before the end.
    """
    wanted = _wanted(one)
    for held in suspended_at(ground, start):
        resolves = held.inner and held.end < end
        wanted = (wanted - {held.resolution}) | ({held.name} if held.inner else frozenset())
        wanted |= {held.resolution} if resolves else frozenset()
    return wanted


@kept(1024)
def _wanted(one: WalkedChord) -> frozenset[int]:
    """What must sound: root, third (or what stands for it), seventh, and an altered fifth."""
    chord = one.chord
    if chord.root is None:
        return frozenset()
    wanted = {chord.root.pitch_class}
    third = chord.third or chord.suspended
    if third is not None:
        wanted.add(third.name.pitch_class)
    if chord.seventh is not None:
        wanted.add(chord.seventh.name.pitch_class)
    fifth = chord.fifth
    if fifth is not None and (fifth.name.pitch_class - chord.root.pitch_class) % 12 != 7:
        wanted.add(fifth.name.pitch_class)
    return frozenset(wanted)


def slot_at(ground: Ground, bench: Bench, start: Fraction, end: Fraction) -> Slot:
    """A place for a strike in [start, end), as chords, suspensions, tune and bass have it."""
    return _slot(Alike(ground), bench, start, end)


@lru_cache(maxsize=8192)  # textures of one rhythm share their slots
def _slot(same: Alike[Ground], bench: Bench, start: Fraction, end: Fraction) -> Slot:
    ground = same.value
    beats = _beats(ground)
    chords = [one for one in chords_in(ground.chords, start, end) if one.chord.root is not None]
    tune, bass = sounding(ground.tune, start, end), sounding(ground.bass, start, end)
    if not chords:
        return Slot(start, end, frozenset(), frozenset(), bench.lowest, bench.highest, start in beats)
    allowed = frozenset.intersection(*(one.chord.pitch_classes for one in chords)) or chords[0].chord.pitch_classes
    forbidden: set[int] = set()
    for held in suspended(ground.suspensions, start, end):
        # R5: the resolution is silent meanwhile in every hand; in the figure the suspended note takes its place.
        forbidden.add(held.resolution)
        allowed = (allowed - {held.resolution}) | ({held.name} if held.inner else frozenset())
    for one in chords:
        once = leading_notes(one) | sevenths(one)
        forbidden |= once & {note.midi % 12 for note in [*tune, *bass] if note.start < one.end and note.end > one.start}
        for note in tune:
            if note.start < one.end and note.end > one.start:
                forbidden |= clashing(one, note, beats)
    floor, ceiling = bench.lowest, bench.highest
    if bench.free_of_tune:
        pass
    elif bench.above_tune:
        floor = max([floor, *(note.midi + 1 for note in tune)])
    else:
        ceiling = min([ceiling, *(note.midi - 1 for note in tune)])
    if bench.above_bass or bench.free_of_tune:
        floor = max([floor, *(note.midi + 1 for note in bass)])
    return Slot(start, end, allowed, frozenset(forbidden), floor, ceiling, start in beats)
