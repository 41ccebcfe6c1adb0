"""A running voice under the tune: chord tones on the beats, steps between them.

One dynamic programme over all slots of the verse. A state is the key struck, whether it belongs to its
chord, and which tones the chord still lacks; a foreign note lies off the beat, is reached and left by
step, and clashes with neither tune nor bass. At rests one note stands, as in every figure.

Conventions: section time in quarter notes; keys are MIDI numbers; prices are points, smaller is better.
References: passing and neighbouring notes in a florid voice: common practice, no source; prices by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.arranging.figured import bench_of, grounded, spelled
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.walked import WalkedVerse
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.organ import Organ
from undersong.model.pitch import Key
from undersong.model.player import Player
from undersong.playing.check import check
from undersong.textures.ground import Bench, Ground, Sounded, sounding
from undersong.textures.places import PLACES
from undersong.textures.table import Texture
from undersong.textures.units import Slot, Unit, cut
from undersong.textures.voicings import interval_too_low

PRICE = {
    "missing": 60.0,  # as in a figure: dearer than any way of moving, cheaper than a parallel
    "repeat": 14.0,  # a running voice that stands is no running voice: dearer than a leap of an octave
    "third": 1.0,  # little: the usual way through a chord, but a step is smoother
    "leap": 1.2,  # for each semitone beyond a third, so that an octave costs nearly as much as a repetition
    "large-leap": 3.0,  # besides, beyond a sixth: the hand moves
    "leap-after-leap": 6.0,  # two leaps the same way are an arpeggio: one line of single notes leaves it for a figure
    "foreign": 1.5,  # less than two thirds: steps through a foreign note are what the texture is
    "back": 3.0,  # to and fro between two notes is a trill
    "parallel": 120.0, "direct": 12.0,  # as for a figure
    "home": 0.1,  # for each semitone: it draws slowly, over a line
    "feet-name": 3.0,  # on a beat the tune's or the feet's tone adds nothing; a step decides against it
    "low-interval": 200.0,  # as for a figure
    "unresolved": 20.0,  # a seventh or leading note left hanging: dearer than a repetition, cheaper than a missing tone
    "silence": 220.0,  # what a figure pays for nothing: only where nothing fits
    "doubled-third": 6.0,  # besides, where that tone is the third
}  # fmt: skip
"""What a running voice pays."""
LARGEST_LEAP = 12
STEPS = (1, 2)
LOWEST, HOME = 48, 57

MAJOR_SCALE, MINOR_SCALE = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)


@dataclass(frozen=True, slots=True)
class _Place:
    """A slot of the line: where it lies, what may be struck there, how tune and bass stand as it begins."""

    unit: int
    slot: Slot
    strong: bool
    """On a beat or at a change of chord: chord tones only."""
    inside: tuple[int, ...]
    outside: tuple[int, ...]
    tune: int
    bass: int
    new_line: bool
    before: int
    """Where the unit before began (-1: another line)."""
    opens: bool


@dataclass(frozen=True, slots=True)
class _State:
    """The last key (-1: silence), whether it is foreign, the last leap, what is still missing, the unit's first key."""

    key: int
    foreign: bool
    leap: int
    missing: frozenset[int]
    opened: int = -1


def lay_counter_line(
    verse: WalkedVerse, section: Accompaniment, texture: Texture, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out with a running voice in the left hand; the section, and what is to be told."""
    ground, fixed = grounded(verse, section, organ)
    division = organ.division(section.left) or organ.manuals[0]
    bench = replace(
        bench_of(section, texture, organ, player),
        lowest=max(LOWEST, division.lowest),
        home=HOME + 6 * PLACES[section.tune].octaves,
    )
    units = cut(ground, replace(texture, figure=None), bench)
    places = _places(ground, units, bench)
    drafts = list(fixed)
    for place, key in zip(places, _line(units, places, bench), strict=True):
        if key >= 0:
            slot = place.slot
            pitch = spelled(ground.chords, slot.start, slot.end, key)
            drafts.append(Draft("figure", slot.start, slot.end, pitch, "left hand", section.left))
    section = replace(section, notes=write(section.id, section.bars, drafts))
    return section, [*check(section, organ, player), *judge(section, verse)]


def scale(key: Key, raised: bool) -> frozenset[int]:
    """Pitch classes of a key's scale; in minor with sixth and seventh raised where the line rises to the tonic."""
    steps = MAJOR_SCALE if key.mode == "major" else MINOR_SCALE
    found = {(key.tonic.pitch_class + step) % 12 for step in steps}
    if raised and key.mode == "minor":
        found = {(key.tonic.pitch_class + step) % 12 for step in (0, 2, 3, 5, 7, 9, 11)}
    return frozenset(found)


def _places(ground: Ground, units: tuple[Unit, ...], bench: Bench) -> list[_Place]:
    beats = frozenset(ground.beats)
    changes = {one.start for one in ground.chords}
    found: list[_Place] = []
    opened = before = -1
    for at, unit in enumerate(units):
        dominant = bool(unit.single) and unit.third in unit.single
        notes = scale(unit.chord.key, raised=dominant)
        for index, slot in enumerate(unit.slots):
            tune, bass = sounding(ground.tune, slot.start, slot.end), sounding(ground.bass, slot.start, slot.end)
            keys = range(max(slot.floor, bench.lowest), min(slot.ceiling, bench.highest) + 1)
            inside = tuple(key for key in keys if key % 12 in slot.allowed - slot.forbidden)
            strong = slot.start in beats or slot.start in changes or unit.held
            outside = () if strong else tuple(
                key for key in keys
                if key % 12 in notes - slot.allowed - slot.forbidden and not _clashes(key, tune, bass)
            )  # fmt: skip
            new_line = index == 0 and at > 0 and units[at - 1].line != unit.line
            found.append(
                _Place(
                    at, slot, strong, inside, outside, _struck(tune, slot.start), _struck(bass, slot.start), new_line,
                    -1 if new_line or (at > 0 and units[at - 1].line != unit.line) else before, index == 0,
                )
            )  # fmt: skip
            if index == 0:
                opened = len(found) - 1
        if unit.slots:
            before = opened
    return found


def _clashes(key: int, tune: list[Sounded], bass: list[Sounded]) -> bool:
    return any(abs(key - note.midi) % 12 in (1, 11) or key % 12 == note.midi % 12 for note in (*tune, *bass))


def _struck(notes: list[Sounded], start: Fraction) -> int:
    return notes[0].midi if notes and notes[0].start <= start else -1


def _line(units: tuple[Unit, ...], places: list[_Place], bench: Bench) -> list[int]:
    """The cheapest line through all places (Viterbi): a key for each, -1 for silence."""
    if not places:
        return []
    trail: list[dict[_State, _State | None]] = []
    costs: dict[_State, float] = {}
    for index, place in enumerate(places):
        unit = units[place.unit]
        first = index == 0 or places[index - 1].unit != place.unit
        last = index + 1 == len(places) or places[index + 1].unit != place.unit
        fresh: dict[_State, float] = {}
        origin: dict[_State, _State | None] = {}
        before: dict[_State | None, float] = {None: 0.0}
        if index:
            before = dict(costs.items())
        keys = [(key, False) for key in place.inside] + [(key, True) for key in place.outside] or [(-1, False)]
        options = [(key, foreign, _own(place, unit, key, bench, foreign=foreign)) for key, foreign in keys]
        for state, total in before.items():
            missing = unit.wanted - unit.present if first or state is None else state.missing
            for key, foreign, own in options:
                step = _step(units, places, index, state, key, foreign=foreign)
                if step is None:
                    continue
                price = total + step + own
                left = missing - {key % 12}
                if last:
                    later, carried = len(left & unit.later), len(left - unit.chord.chord.pitch_classes)
                    lost = len(left) - 0.7 * later + 2 * carried + 0.7 * (unit.third in left - unit.later)
                    price += PRICE["missing"] * lost * (0.3 if unit.short_harmony else 1.0)
                    left = frozenset()
                leap = 0 if state is None or state.key < 0 or place.new_line else key - state.key
                beat = key if place.opens or state is None else state.opened
                apart = key >= 0 and key % 12 not in unit.chord.chord.pitch_classes  # a suspension, or foreign
                following = _State(key, apart, leap, left, beat)
                if following not in fresh or price < fresh[following]:
                    fresh[following], origin[following] = price, state
        if not fresh:  # no way on from any state: begin anew with silence
            state = min(before, key=before.__getitem__)
            silent = _State(-1, False, 0, frozenset())
            fresh[silent], origin[silent] = before[state] + PRICE["silence"], state
        best = sorted(fresh, key=lambda one: (fresh[one], one.key))[:KEPT]
        costs = {state: fresh[state] for state in best}
        trail.append({state: origin[state] for state in best})
    at: _State | None = min(costs, key=lambda one: (costs[one] + 200.0 * one.foreign, one.key))
    line = []
    for origins in reversed(trail):
        assert at is not None
        line.append(at.key)
        at = origins[at]
    return line[::-1]


KEPT = 24
"""States carried on from each place (more change nothing)."""


def _step(
    units: tuple[Unit, ...], places: list[_Place], index: int, state: _State | None, key: int, *, foreign: bool
) -> float | None:
    """What it costs to come to a key; None where it is forbidden."""
    place = places[index]
    if state is None or state.key < 0 or key < 0:
        return None if foreign else PRICE["silence"] * (key < 0)
    if place.new_line:
        return None if foreign or state.foreign else 0.35 * abs(key - state.key) / 2
    size = abs(key - state.key)
    still = size == 0 and not foreign and key % 12 in place.slot.allowed  # a suspension that is still held
    if (foreign or state.foreign) and size not in STEPS and not still:
        return None
    if size > LARGEST_LEAP:
        return None
    cost = 0.0
    if size == 0:
        cost += PRICE["repeat"]
    elif size in (3, 4):
        cost += PRICE["third"]
    elif size > 4:
        cost += PRICE["leap"] * (size - 4) + PRICE["large-leap"] * (size > 9)
    if abs(state.leap) > 2 and size > 2 and (key - state.key) * state.leap > 0:
        cost += PRICE["leap-after-leap"]
    cost += PRICE["back"] * (state.leap == state.key - key != 0)
    before = places[index - 1]
    if before.unit != place.unit and state.key % 12 in units[before.unit].single and key - state.key not in (-1, -2, 1):
        cost += PRICE["unresolved"]
    if place.strong:
        cost += _outer(place, before, state.key, key)
        if place.opens and 0 <= place.before < index - 1 and state.opened >= 0:
            cost += _outer(place, places[place.before], state.opened, key)
    return cost


def _outer(place: _Place, before: _Place, then_key: int, key: int) -> float:
    """Parallels and direct octaves and fifths with tune and bass, from an earlier note to this one."""
    cost = 0.0
    for now, then in ((place.tune, before.tune), (place.bass, before.bass)):
        size = abs(now - key) % 12
        if min(now, then) < 0 or now == then or key == then_key or size not in (0, 7):
            continue
        if abs(then - then_key) % 12 == size:
            cost += PRICE["parallel"]
        elif (now - then) * (key - then_key) > 0 and abs(key - then_key) > 2 and abs(now - then) > 2:
            cost += PRICE["direct"]
    return cost


def _own(place: _Place, unit: Unit, key: int, bench: Bench, *, foreign: bool) -> float:
    """What a key costs by itself."""
    if key < 0:
        return 0.0
    cost = PRICE["home"] * abs(key - bench.home) + PRICE["foreign"] * foreign
    if place.strong and not foreign:
        cost += PRICE["feet-name"] * (place.bass >= 0 and key % 12 == place.bass % 12)
        cost += PRICE["feet-name"] * (place.tune >= 0 and key % 12 == place.tune % 12)
        cost += PRICE["doubled-third"] * (key % 12 == unit.third and unit.third in unit.present)
    if place.bass >= 0 and interval_too_low(*sorted((place.bass, key))):
        cost += PRICE["low-interval"]
    return cost
