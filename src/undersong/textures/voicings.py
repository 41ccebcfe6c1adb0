"""Candidates for a unit: ways of placing its levels, each with a cost of its own.

A candidate names the keys of its levels from low to high and the order in which the slots strike
them. A level must lie below the tune only while it sounds, slot by slot. Where a level falls under
a clashing tune note it gives way to a neighbouring level in that slot.

Conventions: keys are MIDI numbers; costs are points, smaller is better.
References: weights from a trial of this on chorales and folk tunes (set by hand, some from counts).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, pairwise, product

from undersong.model.kept import Alike, kept
from undersong.model.keyboard import span
from undersong.textures.ground import Bench, interval_too_low
from undersong.textures.patterns import BLOCK, BROKEN, SINGLE, Figure, Order
from undersong.textures.units import Slot, Unit

PRICE = {
    "missing": 60.0, "missing-third": 45.0, "missing-but-later": 18.0, "missing-two-beats": 30.0, "no-fifth": 1.0,
    "third-doubled": 2.0, "major-third-doubled": 8.0, "third-twice-in-hand": 12.0, "twice-single": 150.0,
    "low-interval": 200.0, "feet-name": 8.0, "feet-key": 3.0, "low": 0.5, "stretch": 4.0, "home": 0.12,
    "two-level": 12.0, "four-level": 3.0, "voice": 25.0, "gap": 6.0, "gap-semitone": 1.2,
    "wide-pair": 1.5, "second-in-pair": 10.0, "octave-in-hand": 8.0, "under-feet": 25.0, "not-on-root": 15.0,
    "not-on-bass": 60.0, "bass-key": 2.0, "override": 2.0, "silent-slot": 6.0, "silent-beat": 120.0, "one-note": 90.0,
    "nothing": 400.0, "silent-voice": 220.0, "dip": 6.0, "out-of-hand": 200.0, "other-hand": 30.0,
    "suspension": 120.0, "suspension-moved": 40.0, "suspension-late": 12.0, "over-moved-bass": 20.0,
    "figure-stands": 8.0,
}  # fmt: skip

TWELFTH = 19


@dataclass(frozen=True, slots=True)
class Candidate:
    """Keys of the levels from low to high, for each slot the keys struck, and those that stay down to the end."""

    levels: tuple[int, ...]
    strikes: tuple[tuple[int, ...], ...]
    cost: float
    held: frozenset[int] = frozenset()
    standing: bool = False
    """All keys stay down until they must move."""
    begins: tuple[int, ...] = ()
    ends: tuple[int, ...] = ()
    """The levels as the unit begins and ends, where a chord lacks one or a suspension has moved one."""
    over_tune: bool = False
    """What is down stays where the tune dips below it."""


def _orders(figure: Figure, unit: Unit) -> dict[int, Order]:
    """The order for each count of levels that this unit can use."""
    count = len(unit.slots)
    if not figure.three:
        return {}
    if unit.held:
        rest = ((),) * (count - 1)
        return {3: ((0, 1, 2), *rest), 2: ((0, 1), *rest)}
    orders = {}
    for levels, table in ((3, figure.three), (2, figure.two), (4, figure.four)):
        if count in table:
            orders[levels] = table[count]
        elif levels != 4:  # a length without a row goes round the longest row that is shorter
            cycle = table[max(one for one in table if one < count)]
            orders[levels] = tuple(cycle[index % len(cycle)] for index in range(count))
    if len(unit.chord.chord.pitch_classes) < 4 and not figure.octave:
        orders.pop(4, None)
    if figure.short_after_first:  # it leaves beats to the feet
        return orders
    return {
        count: tuple(
            (1,) if index and slot.on_beat and not levels else levels
            for index, (slot, levels) in enumerate(zip(unit.slots, order, strict=True))
        )
        for count, order in orders.items()
    }  # every beat is struck (R14)


def candidates(unit: Unit, figure: Figure, bench: Bench, *, most: int = 12, dip: bool = False) -> tuple[Candidate, ...]:
    """The cheapest ways to lay a unit, cheapest first; always at least one (silence)."""
    return _candidates(Alike(unit, _likeness(unit)), Alike(figure), bench, most, dip)


def _likeness(unit: Unit) -> tuple[object, ...]:
    """All of a unit that its candidates depend on: everything but where in the verse it lies and how it is left."""
    slots = tuple((slot.allowed, slot.forbidden, slot.floor, slot.ceiling, slot.on_beat) for slot in unit.slots)
    chord = unit.chord.chord.pitch_classes
    return (
        slots, unit.held, chord, unit.root, unit.third, unit.fifth, unit.present, unit.wanted, unit.later, unit.single,
        unit.bass_keys, unit.bass_first, unit.bass_last, unit.guide, unit.tune_first, unit.short_harmony,
        unit.suspended, unit.windows, unit.own,
    )  # fmt: skip


@lru_cache(maxsize=2048)  # three units of four come again within a hymn laid out in all textures
def _candidates(
    alike: Alike[Unit], same_figure: Alike[Figure], bench: Bench, most: int, dip: bool
) -> tuple[Candidate, ...]:
    unit, figure = alike.value, same_figure.value
    found: dict[tuple[tuple[int, ...], tuple[tuple[int, ...], ...]], Candidate] = {}
    if any(slot.allowed for slot in unit.slots):
        for count, order in _orders(figure, unit).items():
            for levels in _placings(unit, order, count, bench, dip=dip, held=held_levels(figure, order)):
                made = _candidate(unit, figure, order, levels, bench, dip=dip)
                if made is not None:
                    found[(made.levels, made.strikes)] = made
        if unit.third in unit.wanted - unit.later and not _brought_clear(found.values(), unit.third):
            for made in _dipped_under(unit, figure, bench):
                found.setdefault((made.levels, made.strikes), made)
        if not found and figure.two and figure.two is not BROKEN.two:  # two chords in a beat: a note for each
            return candidates(unit, _note_by_note(figure), bench, most=most, dip=dip)
        for made in _suspended_chords(unit, figure, bench):
            found.setdefault((made.levels, made.strikes), made)
        for made in _single_notes(unit, figure, bench):
            found.setdefault((made.levels, made.strikes), made)
    ordered = sorted(found.values(), key=lambda one: (one.cost, one.levels))[:most]
    nothing = PRICE["silent-voice" if figure is SINGLE else "nothing"] if unit.wanted else 0.0
    silence = Candidate((), tuple(() for _ in unit.slots), nothing)
    return (*ordered, silence)


def _brings(one: Candidate, name: int) -> bool:
    return any(key % 12 == name for keys in one.strikes for key in keys)


def _brought_clear(made: Iterable[Candidate], name: int) -> bool:
    """Whether one of them has a tone, and none of its intervals lies too low."""
    return any(one.cost < PRICE["low-interval"] and _brings(one, name) for one in made)


def _dipped_under(unit: Unit, figure: Figure, bench: Bench) -> list[Candidate]:
    """What lies over the lowest note of the tune and gives way to it while it sounds: else the third has no room."""
    made = []
    for count, order in _orders(figure, unit).items():
        for levels in _placings(unit, order, count, bench, dip=False, held=held_levels(figure, order), gives_way=True):
            one = _candidate(unit, figure, order, levels, bench, dip=False)
            if one is not None and _brings(one, unit.third):
                made.append(one)
    return made


@kept(64)
def _note_by_note(figure: Figure) -> Figure:
    return replace(figure, three=BROKEN.three, two=BROKEN.two, held=frozenset())


def _suspended_chords(unit: Unit, figure: Figure, bench: Bench) -> list[Candidate]:
    """Where a suspension or a second chord finds no place in the figure of a beat: keys are held, others move (R5)."""
    suspension = unit.slots[0].allowed - unit.chord.chord.pitch_classes
    changes = len({slot.allowed for slot in unit.slots}) > 1
    if not (suspension or changes) or unit.held or figure is SINGLE or any(slot.on_beat for slot in unit.slots[1:]):
        return []
    made = []
    for first, *later in _HELD_SUSPENSION:
        order: Order = (first, *later[: len(unit.slots) - 1], *((),) * (len(unit.slots) - 1 - len(later)))
        count = len({level for levels in order for level in levels})
        for levels in _placings(unit, order, count, bench, dip=False):
            one = _candidate(unit, figure, order, levels, bench, dip=False, standing=True)
            carried = not suspension or any(key % 12 in suspension for key in (one.strikes[0] if one else ()))
            if one is not None and carried:
                still = sum(bool(keys) for keys in one.strikes) == 1
                begins, ends = _outer_keys(one)
                if bench.two_hands and bench.above_bass and not all(beside_bass(unit, key, bench) for key in ends[:1]):
                    continue  # the hand that has the bass does not reach what it moves to
                cost = one.cost + PRICE["figure-stands"] * (3 if still else 1)
                made.append(replace(one, cost=cost, begins=begins, ends=ends))
    return made


def _outer_keys(one: Candidate) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """What a chord that moves within its unit begins and ends with: its chords, else its lowest and highest key."""
    if all(len(keys) != 1 for keys in one.strikes):
        return _outer_chords(one.strikes, one.levels)
    struck = [key for keys in one.strikes for key in keys]
    outer = (min(struck), max(struck))
    return (outer, outer) if outer != (one.levels[0], one.levels[-1]) else ((), ())


_HELD_SUSPENSION: tuple[Order, ...] = (((0, 1), (2,)), ((0, 2), (1,)), ((0, 1, 2),), ((0, 1),))
"""What is struck with a suspension, and what after it."""


def held_levels(figure: Figure, order: Order) -> frozenset[int]:
    """The levels of a figure that stay down: those that this order strikes once."""
    return frozenset([level for level in figure.held if sum(level in struck for struck in order) == 1])


def _single_notes(unit: Unit, figure: Figure, bench: Bench) -> list[Candidate]:
    """One note for the whole unit: all of a figure of single notes, else a last resort struck on each beat.

    A suspended one steps to its resolution where this comes.
    """
    first = unit.slots[0]
    again = figure is not SINGLE
    low, top = max(one.floor for one in unit.slots), min(one.ceiling for one in unit.slots)
    forbidden = first.forbidden if unit.held else frozenset[int]().union(*(one.forbidden for one in unit.slots))
    carried = frozenset[int]() if unit.held else first.allowed - unit.chord.chord.pitch_classes - first.forbidden
    made = []
    for key in range(low, top + 1):
        standing = key % 12 in first.allowed - forbidden and (unit.held or all(stands(one, key) for one in unit.slots))
        if not standing and key % 12 not in carried:
            continue
        resolves = next((index for index, one in enumerate(unit.slots) if not stands(one, key)), None)
        struck = [again and (slot.on_beat or at == resolves) for at, slot in enumerate(unit.slots)]
        order: Order = ((0,), *((0,) if strikes else () for strikes in struck[1:]))
        one = _candidate(unit, figure, order, (key,), bench, dip=False)
        if one is not None:
            price = PRICE["one-note"] if again else 0.0
            made.append(replace(one, cost=one.cost + price))
    return made


def _placings(
    unit: Unit,
    order: Order,
    count: int,
    bench: Bench,
    *,
    dip: bool,
    held: frozenset[int] = frozenset(),
    gives_way: bool = False,
) -> list[tuple[int, ...]]:
    """Ascending keys for the levels: each level's tones fit every slot that strikes it.

    `dip`: the tune may go below them; `gives_way`: it may, and there they will not sound.
    """
    pools: list[list[int]] = []
    for level in range(count):
        struck = [slot for slot, levels in zip(unit.slots, order, strict=True) if level in levels]
        if not struck:
            return []
        if level in held:  # it must fit to the end
            struck = list(unit.slots[unit.slots.index(struck[0]) :])
            fits = frozenset.intersection(*(slot.allowed - slot.forbidden for slot in struck))
            low, top = max(slot.floor for slot in struck), min(slot.ceiling for slot in struck)
            pools.append([key for key in range(low, top + 1) if key % 12 in fits])
            continue
        names = frozenset.intersection(*(slot.allowed for slot in struck)) or struck[0].allowed
        # A suspended note may begin a level that steps to its resolution in later slots.
        carried = struck[0].allowed - unit.chord.chord.pitch_classes
        names |= carried
        if unit.held and not gives_way:  # it is down to the end
            struck = list(unit.slots)
        ceilings = [slot.ceiling for slot in struck]
        ceiling = max(ceilings) if gives_way or (dip and not bench.same_manual) else min(ceilings)
        names = names - (frozenset.intersection(*(slot.forbidden for slot in struck)))
        low = max(slot.floor for slot in struck)
        pool = [key for key in range(low, ceiling + 1) if key % 12 in names]
        # Where a suspended note has resolved the tune may come down to it.
        early = [slot for slot in struck if slot.allowed & carried]
        top = min([slot.ceiling for slot in early], default=ceiling)
        pools.append([*pool, *(key for key in range(ceiling + 1, top + 1) if key % 12 in carried & names)])
    placings: list[tuple[int, ...]] = [()]
    for pool in pools:
        placings = [
            (*placed, key)
            for placed in placings
            for key in pool
            if not placed or (placed[-1] < key and _reached(placed, key, bench))
        ]
    return placings


def _reached(placed: tuple[int, ...], key: int, bench: Bench) -> bool:
    """Whether one hand holds these levels; where the lowest lies in the other hand, the rest of them."""
    if not bench.two_hands:
        return span(placed[0], key) <= bench.span_most
    return len(placed) < 2 or span(placed[1], key) <= bench.span_most


def beside_bass(unit: Unit, key: int, bench: Bench) -> bool:
    """Whether the hand that has the bass holds a key with all of it."""
    return all(span(*sorted((key, low))) <= bench.span_most for low in unit.bass_keys)


def _strikes(
    unit: Unit, order: Order, levels: tuple[int, ...], bench: Bench, held: frozenset[int], *, dip: bool
) -> tuple[tuple[tuple[int, ...], ...], float]:
    """Keys for each slot, with what it costs where a level gives way to a neighbour that is not `held`."""
    strikes: list[tuple[int, ...]] = []
    cost = 0.0
    for slot, wanted in zip(unit.slots, order, strict=True):
        keys: list[int] = []
        for level in wanted:
            key = levels[level]
            if _fits(slot, key):
                keys.append(key)
                continue
            if dip and not bench.same_manual and key > slot.ceiling and key % 12 in slot.allowed - slot.forbidden:
                keys.append(key)
                cost += PRICE["dip"]
                continue
            resolved = [
                key - step
                for step in (1, 2)
                if _fits(slot, key - step) and key % 12 in unit.slots[0].allowed - unit.chord.chord.pitch_classes
            ]
            if resolved:  # the suspended note steps to its resolution in the same place of the figure
                keys.append(resolved[0])
                continue
            near = sorted(
                (abs(other - key), other)
                for other in levels
                if other not in {key, *keys, *held} and _fits(slot, other) and (not strikes or strikes[-1] != (other,))
            )
            if near:
                keys.append(near[0][1])
                cost += PRICE["override"]
            else:
                again = sorted((key for key in levels if _fits(slot, key)), key=lambda key: (key in held, -key))
                if again and slot.on_beat and not keys:  # the beat is struck, if by a key once more (R14)
                    keys.append(again[0])
                    cost += PRICE["figure-stands"]
                else:
                    cost += PRICE["silent-beat" if slot.on_beat and not keys else "silent-slot"]
        strikes.append(tuple(sorted(set(keys))))
        wide = not bench.two_hands and len(keys) > 1 and span(min(keys), max(keys)) > bench.span_most
        cost += PRICE["out-of-hand"] * wide
    return tuple(strikes), cost


def _standing(
    unit: Unit, order: Order, levels: tuple[int, ...], bench: Bench, *, dip: bool
) -> tuple[tuple[tuple[int, ...], ...], float, tuple[int, ...]]:
    """A chord that stands: what is down stays, and only a suspension moves; its strikes, cost and last keys."""
    strikes: list[tuple[int, ...]] = []
    down: dict[int, int] = {}
    cost = 0.0
    for slot, wanted in zip(unit.slots, order, strict=True):
        struck = []
        for level, key in [(level, key) for level, key in down.items() if not stays(slot, key, over_tune=dip)]:
            del down[level]
            others = list(down.values())
            to = [
                near
                for near in (key - 1, key - 2, key + 1, key + 2)
                if _fits(slot, near)
                and near not in others
                and span(min([near, *others]), max([near, *others])) <= bench.span_most
            ]
            if to:
                down[level] = to[0]
                struck.append(to[0])
            else:
                cost += PRICE["silent-slot"]
        for level in wanted:
            if _fits(slot, levels[level]) and levels[level] not in down.values():
                down[level] = levels[level]
                struck.append(levels[level])
            else:
                cost += PRICE["silent-slot"]
        strikes.append(tuple(sorted(struck)))
    ends = tuple(sorted(down.values()))
    return tuple(strikes), cost, ends if ends != levels else ()


def _outer_chords(
    strikes: tuple[tuple[int, ...], ...], levels: tuple[int, ...]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The first chord where other keys than the outer levels are struck, and the last where nothing but chords is."""
    chords = [keys for keys in strikes if keys]
    if not chords:
        return (), ()
    first, last = chords[0], chords[-1]
    outer = (levels[0], levels[-1])
    begins = first if len(first) > 1 and (first[0], first[-1]) != outer else ()
    if any(len(keys) == 1 for keys in chords):
        return begins, ()
    return begins, last if last != levels else ()


def stands(slot: Slot, key: int) -> bool:
    """Whether a key that is down may stay through a slot."""
    return key % 12 in slot.allowed and key % 12 not in slot.forbidden


def stays(slot: Slot, key: int, *, over_tune: bool) -> bool:
    """Whether a key of a standing chord stays down through a slot: in the chord, over the bass, under the tune.

    `over_tune`: it may stay where the tune dips below it.
    """
    return stands(slot, key) and slot.floor <= key and (over_tune or key <= slot.ceiling)


def _left_hanging(unit: Unit, strikes: tuple[tuple[int, ...], ...]) -> bool:
    """Whether a suspension that ends inside the unit is not resolved in its own octave (R5)."""
    if unit.slots[0].allowed <= unit.chord.chord.pitch_classes or unit.suspended:
        return False
    carried = unit.slots[0].allowed - unit.chord.chord.pitch_classes
    found = [(index, key) for index, keys in enumerate(strikes) for key in keys if key % 12 in carried]
    return any(
        not any(resolves(unit.slots[index], key, other) for later in strikes[index + 1 :] for other in later)
        for index, key in found
    )


def resolves(slot: Slot, key: int, other: int) -> bool:
    """Whether a key that is suspended in a slot steps to one that may not sound beside it (R5)."""
    return 0 < abs(key - other) <= 2 and other % 12 not in slot.allowed


def _fits(slot: Slot, key: int) -> bool:
    return slot.floor <= key <= slot.ceiling and key % 12 in slot.allowed and key % 12 not in slot.forbidden


def _candidate(
    unit: Unit,
    figure: Figure,
    order: Order,
    levels: tuple[int, ...],
    bench: Bench,
    *,
    dip: bool,
    standing: bool = False,
) -> Candidate | None:
    count = len(levels)
    carried = unit.slots[0].allowed - unit.chord.chord.pitch_classes
    held = frozenset(levels[level] for level in held_levels(figure, order)) if not unit.held else frozenset[int]()
    begins: tuple[int, ...] = ()
    ends: tuple[int, ...] = ()
    if standing or (unit.held and len(unit.slots) > 1):
        strikes, cost, ends = _standing(unit, order, levels, bench, dip=dip)
    else:
        strikes, cost = _strikes(unit, order, levels, bench, held, dip=dip)
        cost += PRICE["suspension-moved"] * _left_hanging(unit, strikes)
        late = len(strikes[0]) > 1 and not any(key % 12 in carried for key in strikes[0])  # a chord could have had it
        cost += PRICE["suspension-late"] * (bool(carried) and late)
        begins, ends = _outer_chords(strikes, levels)
    if order[0] and not strikes[0]:
        return None
    struck = [key for keys in strikes for key in keys]
    if not order[0] and unit.bass_last >= 0:  # chords after the beat meet the bass where it has gone on
        cost += PRICE["over-moved-bass"] * sum((key - unit.bass_last) % 12 == 1 for key in set(struck))
    names = [key % 12 for key in sorted(set(struck))]
    cost += _completeness(unit, [key % 12 for keys in strikes[: unit.own] for key in keys])
    for first, last in unit.windows:
        brought = {key % 12 for keys in strikes[first:last] for key in keys}
        cost += PRICE["missing-two-beats"] * len(unit.wanted - unit.later - brought)
    if unit.third in names:
        major = (unit.third - unit.root) % 12 == 4
        cost += PRICE["major-third-doubled" if major else "third-doubled"] * (unit.third in unit.present)
        cost += PRICE["third-twice-in-hand"] * (names.count(unit.third) > 1)
    cost += PRICE["twice-single"] * sum([names.count(one) > 1 for one in unit.single | carried])
    rolls = figure.octave and count == 4
    cost += PRICE["octave-in-hand"] * (len(set(names)) < len(names) and not rolls)
    close = {(bass, key) for bass in unit.bass_keys for key in levels} | set(combinations(sorted(levels), 2))
    cost += PRICE["low-interval"] * sum([interval_too_low(min(pair), max(pair)) for pair in close])
    if unit.bass_first >= 0:
        cost += PRICE["feet-name"] * (levels[0] % 12 == unit.bass_first % 12)
        cost += PRICE["feet-key"] * (levels[0] == unit.bass_first)
        if levels[0] < unit.bass_first:
            cost += PRICE["under-feet"]  # no inversion is heard that nobody chose
    elif unit.guide >= 0:  # without feet the hand's lowest note is the bass
        cost += PRICE["not-on-bass"] * (levels[0] % 12 != unit.guide % 12)
        cost += PRICE["bass-key"] * (levels[0] != unit.guide)
    elif unit.root not in {-1, levels[0] % 12}:
        cost += PRICE["not-on-root"]
    cost += PRICE["low"] * max(0, 52 - levels[0])
    cost += PRICE["stretch"] * max(0, span(levels[bench.two_hands and count > 1], levels[-1]) - bench.span_easy)
    if bench.two_hands and bench.above_bass and unit.bass_first >= 0:
        right = span(levels[0], levels[-1]) <= bench.span_most
        if not beside_bass(unit, levels[0], bench):
            cost += PRICE["other-hand"] if right else PRICE["out-of-hand"]
    cost += PRICE["home"] * abs(sum(levels) / count - bench.home)
    if count == 2:
        row = {level for levels in figure.three.get(len(unit.slots), ()) for level in levels}
        three_possible = unit.held or len(unit.slots) > 2 or (len(row) > 2 and not carried)
        cost += PRICE["two-level"] * three_possible + PRICE["voice"] * (unit.held and not unit.short_harmony)
        cost += PRICE["wide-pair"] * max(0, levels[1] - levels[0] - 9)
        cost += PRICE["second-in-pair"] * (levels[1] - levels[0] <= 2)
    if count == 4:
        cost += PRICE["four-level"] * (not rolls)
    elif figure.octave and count == 3:
        cost += PRICE["two-level"] * (len(unit.slots) in figure.four)
    if unit.tune_first >= 0 and not bench.free_of_tune:
        gap = levels[0] - unit.tune_first if bench.above_tune else unit.tune_first - levels[-1]
        if gap > TWELFTH:
            cost += PRICE["gap"] + PRICE["gap-semitone"] * (gap - TWELFTH)
    return Candidate(
        levels, strikes, cost, held, standing or unit.held, begins, ends, over_tune=dip and not bench.same_manual
    )


def _completeness(unit: Unit, names: list[int]) -> float:
    have = unit.present | set(names)
    cost = 0.0
    for name in unit.wanted - have:
        if name not in unit.chord.chord.pitch_classes:
            cost += PRICE["suspension"]  # on its beat, whatever comes later
            continue
        price = PRICE["missing-but-later"] if name in unit.later else PRICE["missing"]
        if name == unit.third:
            price += PRICE["missing-third"]
        cost += price * (0.3 if unit.short_harmony else 1.0)
    if unit.fifth not in {-1, *have}:
        cost += PRICE["no-fifth"]
    return cost


def standing_chords(unit: Unit, pools: tuple[tuple[int, ...], ...], bench: Bench) -> tuple[Candidate, ...]:
    """Chords that stand through a unit, each level (low to high) a key of a pool of its own; unisons are dear."""
    order: Order = (tuple(range(len(pools))), *((),) * (len(unit.slots) - 1))
    placings = (levels for levels in product(*pools) if all(a <= b for a, b in pairwise(levels)))
    made = (_candidate(unit, BLOCK, order, levels, bench, dip=False) for levels in placings)
    return tuple(one for one in made if one is not None)
