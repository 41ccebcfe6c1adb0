"""One dynamic programme over a verse: which candidate of each unit, so that all joins are good.

A join costs motion, faults of the skeleton (parallel and direct octaves and fifths between the
lowest and highest level, tune and feet) and sevenths that do not fall; common tones earn. At the
end of a line only half of the motion counts.

References: prices from a trial on chorales and folk tunes (parallels dear, not forbidden).
"""

from __future__ import annotations

from functools import lru_cache

from undersong.textures.units import Unit, sevenths
from undersong.textures.voicings import Candidate, resolves

MOTION = 0.35
BEYOND = 1.2 * 0.35
COMMON = -1.2
PARALLEL = 120.0
DIRECT = 12.0
UNRESOLVED = 25.0
SUSPENSION = 60.0
OTHER_FORM = 3.0
AWKWARD_LEAPS = (6, 10, 11)
"""Semitones of a tritone and of sevenths, which a voice heard by itself does not sing (common practice, no source)."""


Moves = tuple[tuple[tuple[int, int], ...], ...]
"""For feet and tune: the ways they go from one unit to the next (from its first and from its last note)."""


def moves_between(first: Unit, second: Unit) -> Moves:
    """How feet and tune move into the next unit; a voice that stays or is silent makes no fault."""
    found = []
    for starts, end in (((first.bass_first, first.bass_last, first.group[0]), second.bass_first),
                        ((first.tune_first, first.tune_last, first.group[1]), second.tune_first)):  # fmt: skip
        ways = tuple(dict.fromkeys((start, end) for start in starts if start >= 0 and end >= 0 and start != end))
        if ways:
            found.append(ways)
    return tuple(found)


def _fault(key: int, key_next: int, ways: tuple[tuple[int, int], ...]) -> float:
    """The worst fault of one level against one outer voice."""
    step = key_next - key
    worst = 0.0
    for start, end in ways:
        size = abs(key_next - end) % 12  # from the lower key up: a fourth is no fifth
        if size not in {0, 7}:
            continue
        if abs(key - start) % 12 == size:
            return PARALLEL
        other = end - start
        if step * other > 0 and abs(step) > 2 and abs(other) > 2:
            worst = DIRECT
    return worst


@lru_cache(maxsize=65536)
def _motion(before: tuple[int, ...], after: tuple[int, ...]) -> float:
    if len(before) == len(after):
        pairs = list(zip(before, after, strict=True))
    else:
        pairs = [(before[0], after[0]), (before[-1], after[-1])]
    cost = OTHER_FORM * (len(before) != len(after))
    for key, key_next in pairs:
        step = abs(key_next - key)
        cost += MOTION * step + (BEYOND * (step - 4) if step > 4 else 0.0)
    return cost + COMMON * len(set(before) & set(after))


def join(first: Unit, before: Candidate, second: Unit, after: Candidate, moves: Moves, dear: float = 1.0) -> float:
    """What it costs to go from one unit's candidate to the next one's; `moves` from `moves_between`.

    `dear` multiplies the faults against feet and tune.
    """
    if not before.levels or not after.levels:
        return 0.0
    cost = _motion(before.levels, after.levels)
    if first.line != second.line:
        return cost / 2
    return _with_faults(cost, first, before, second, after, moves, dear)


def _with_faults(
    cost: float, first: Unit, before: Candidate, second: Unit, after: Candidate, moves: Moves, dear: float
) -> float:
    """The motion of a join inside a line, and what its faults cost beside it (never less than nothing)."""
    levels, levels_next = before.levels, after.levels
    arrivals = (after.begins, levels_next) if after.begins and not after.ends else (after.begins or levels_next,)
    if after.standing and after.ends:  # a suspension puts parallels off and does not undo them
        arrivals = (*arrivals, after.ends)
    for keys in (levels, before.ends) if before.ends else (levels,):
        for arrives in arrivals:
            cost += _skeleton(keys, arrives, moves, dear, blocks=first.held and second.held)
    if first.suspended:  # R5: the resolution comes in the same octave
        for key in levels:
            if key % 12 in first.suspended and not any(resolves(first.slots[-1], key, one) for one in levels_next):
                cost += SUSPENSION
    falling = sevenths(first.chord) if second.chord is not first.chord else frozenset[int]()
    for key in levels:
        rises = 0 if key % 12 in falling else 2  # a seventh stays or falls by step, a leading note may do either
        if key % 12 in first.single and not any(-rises <= key - other <= 2 for other in levels_next):
            cost += UNRESOLVED
    return cost


def within(unit: Unit, one: Candidate) -> float:
    """What it costs that a second chord is struck inside the unit: faults of its outer keys from the first one."""
    chords = [keys for keys in one.strikes if keys]
    if len(chords) < 2 or any(len(keys) == 1 for keys in chords) or chords[0] == chords[-1]:
        return 0.0
    outer = ((unit.bass_first, unit.bass_last), (unit.tune_first, unit.tune_last))
    moves = tuple((way,) for way in outer if min(way) >= 0 and way[0] != way[1])
    return _skeleton(chords[0], chords[-1], moves, 1.0, blocks=False)


def _skeleton(
    levels: tuple[int, ...], levels_next: tuple[int, ...], moves: Moves, dear: float, *, blocks: bool
) -> float:
    """Faults of the outer levels, and of the middle one of full chords, against feet, tune and each other."""
    cost = 0.0
    low, low_next, high, high_next = levels[0], levels_next[0], levels[-1], levels_next[-1]
    blocks = blocks and len(levels) == len(levels_next) == 3
    for ways in moves:
        if low != low_next:
            cost += dear * _fault(low, low_next, ways)
        if high != high_next:
            cost += dear * _fault(high, high_next, ways)
        if blocks and levels[1] != levels_next[1]:
            cost += dear * _fault(levels[1], levels_next[1], ways)
    if len(levels) > 1 and low != low_next and high != high_next:
        cost += _fault(low, low_next, ((high, high_next),))
    if blocks and levels[1] != levels_next[1]:
        for outer, outer_next in ((low, low_next), (high, high_next)):
            if outer != outer_next:
                cost += _fault(levels[1], levels_next[1], ((outer, outer_next),))
    return cost


def choose(
    units: tuple[Unit, ...], options: tuple[tuple[Candidate, ...], ...], dear: float = 1.0
) -> tuple[Candidate, ...]:
    """The cheapest path through the candidates of all units (Viterbi); `dear` as for `join`."""
    if not units:
        return ()
    costs = [candidate.cost for candidate in options[0]]
    back: list[list[int]] = []
    for index in range(1, len(units)):
        first, second = units[index - 1], units[index]
        moves = moves_between(first, second)
        fresh, choices = [], []
        cheapest_first = sorted(range(len(costs)), key=costs.__getitem__)
        for after in options[index]:
            best, best_at = float("inf"), 0
            most_earned = COMMON * len(after.levels)
            for at in cheapest_first:
                if costs[at] + most_earned > best:
                    break
                before = options[index - 1][at]
                cost = _motion(before.levels, after.levels) if before.levels and after.levels else 0.0
                if first.line != second.line:
                    cost /= 2
                elif costs[at] + cost > best:
                    continue
                elif before.levels and after.levels:
                    cost = _with_faults(cost, first, before, second, after, moves, dear)
                total = costs[at] + cost
                if total < best or (total == best and at < best_at):
                    best, best_at = total, at
            fresh.append(best + after.cost)
            choices.append(best_at)
        costs = fresh
        back.append(choices)
    at = min(range(len(costs)), key=costs.__getitem__)
    path = [at]
    for choices in reversed(back):
        at = choices[at]
        path.append(at)
    path.reverse()
    return tuple(options[index][at] for index, at in enumerate(path))
