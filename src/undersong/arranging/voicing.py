"""One dynamic programme over a verse: which candidate of each unit, so that all joins are good.

A join costs motion, faults of the skeleton (parallel and direct octaves and fifths between the
lowest and highest level, tune and feet) and sevenths that do not fall; common tones earn. At the
end of a line only a quarter of the motion counts.

References: prices from a trial on chorales and folk tunes (parallels dear, not forbidden).
"""

from __future__ import annotations

from undersong.textures.units import Unit
from undersong.textures.voicings import Candidate

MOTION = 0.35
BEYOND = 1.2 * 0.35
COMMON = -1.2
PARALLEL = 120.0
DIRECT = 12.0
UNRESOLVED = 5.0
OTHER_FORM = 3.0


def parallel(a_first: int, b_first: int, a_next: int, b_next: int) -> bool:
    """True for a perfect fifth or octave (or unison) that moves to another one of the same size class."""
    if a_first == a_next or b_first == b_next:
        return False
    before, after = (a_first - b_first) % 12, (a_next - b_next) % 12
    return before == after and before in (0, 7)


def direct(a_first: int, b_first: int, a_next: int, b_next: int) -> bool:
    """True for a fifth or octave reached by two leaps in the same direction."""
    step_a, step_b = a_next - a_first, b_next - b_first
    return step_a * step_b > 0 and abs(step_a) > 2 and abs(step_b) > 2 and (a_next - b_next) % 12 in (0, 7)


def _faults(a_first: int, b_first: int, a_next: int, b_next: int) -> float:
    if min(a_first, b_first, a_next, b_next) < 0:
        return 0.0
    if parallel(a_first, b_first, a_next, b_next):
        return PARALLEL
    return DIRECT if direct(a_first, b_first, a_next, b_next) else 0.0


def _motion(before: tuple[int, ...], after: tuple[int, ...]) -> float:
    if len(before) == len(after):
        pairs = list(zip(before, after, strict=True))
    else:
        pairs = [(before[0], after[0]), (before[-1], after[-1])]
    cost = sum(MOTION * abs(b - a) + BEYOND * max(0, abs(b - a) - 4) for a, b in pairs)
    return cost + COMMON * len(set(before) & set(after))


def join(first: Unit, before: Candidate, second: Unit, after: Candidate, *, new_line: bool, dear: float = 1.0) -> float:
    """What it costs to go from one unit's candidate to the next one's."""
    if not before.levels or not after.levels:
        return 0.0
    motion = _motion(before.levels, after.levels)
    if new_line:
        return motion / 4
    cost = motion
    if first.slots[0] is not second.slots[0] and len(before.levels) != len(after.levels):
        cost += OTHER_FORM
    low, high = before.levels[0], before.levels[-1]
    low_next, high_next = after.levels[0], after.levels[-1]
    faults = 0.0
    for outer, outer_next, outer_last in (
        (first.bass_first, second.bass_first, first.bass_last),
        (first.tune_first, second.tune_first, first.tune_last),
    ):
        for key, key_next in ((low, low_next), (high, high_next)):
            faults = faults + max(
                _faults(key, outer, key_next, outer_next), _faults(key, outer_last, key_next, outer_next)
            )
    if low != high and low_next != high_next:
        faults += _faults(low, high, low_next, high_next)
    if first.held and second.held and len(before.levels) == len(after.levels) == 3:
        middle, middle_next = before.levels[1], after.levels[1]
        for key, key_next in (
            (first.bass_last, second.bass_first), (first.tune_last, second.tune_first),
            (low, low_next), (high, high_next),
        ):  # fmt: skip
            faults += _faults(middle, key, middle_next, key_next)
    cost += dear * faults
    if first.single:
        for key in before.levels:
            if key % 12 in first.single and not any(0 <= abs(key - other) <= 2 for other in after.levels):
                cost += UNRESOLVED
    return cost


def choose(
    units: tuple[Unit, ...], options: tuple[tuple[Candidate, ...], ...], dear: float = 1.0
) -> tuple[Candidate, ...]:
    """The cheapest path through the candidates of all units (Viterbi)."""
    if not units:
        return ()
    costs = [candidate.cost for candidate in options[0]]
    back: list[list[int]] = []
    for index in range(1, len(units)):
        first, second = units[index - 1], units[index]
        new_line = first.line != second.line
        fresh, choices = [], []
        for after in options[index]:
            best, best_at = float("inf"), 0
            for at, before in enumerate(options[index - 1]):
                if costs[at] >= best + 20:  # a join earns at most a few points back
                    continue
                total = costs[at] + join(first, before, second, after, new_line=new_line, dear=dear)
                if total < best:
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
