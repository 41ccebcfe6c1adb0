"""Printed parts on two hands: which hand takes alto and tenor, and whose key it is in a unison.

As printed, soprano and alto lie in the right hand and the tenor in the left; where the stretch asks
an inner note goes to the other hand. A key that is held cannot change hands, nor be struck again
before it is released: the tune owns its key, then the upper of two voices.

Conventions: keys are MIDI numbers, stretches 14ths of an octave; places are whole ticks (the caller
chooses how many to a quarter note), because much is compared here.
References: common practice, no source; costs of the split assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from undersong.model.keyboard import span
from undersong.model.player import Player

Hand = Literal["right hand", "left hand"]
HANDS: tuple[Hand, Hand] = ("right hand", "left hand")

AWAY, CHANGE, STRETCH, OUT_OF_REACH, HELD = 1.0, 1.5, 0.3, 200.0, 100.0


@dataclass(frozen=True, slots=True)
class Part:
    """A note of a printed part before it has a hand."""

    part: str
    start: int
    end: int
    midi: int
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Shared:
    """The same note with its hand; `mark` says what was changed, if anything."""

    part: str
    start: int
    end: int
    midi: int
    hand: Hand
    mark: str


def own_keys(tune: Sequence[Part], inner: Sequence[Sequence[Part]]) -> list[list[Part]]:
    """Inner parts with every key conflict resolved, upper part first; the tune is never touched.

    Struck together, two notes share a key. A holder lets go when its owner strikes; what would be
    struck on a key its owner holds, or above the tune, is left out for that long.
    """
    owners = list(tune)
    resolved: list[list[Part]] = []
    for part in inner:
        kept: list[Part] = []
        for note in part:
            kept += _yield_to(note, owners, tune)
        resolved.append(kept)
        owners += kept
    return resolved


def _yield_to(note: Part, owners: Sequence[Part], tune: Sequence[Part]) -> list[Part]:
    end, mark = note.end, note.mark
    for other in owners:
        if other.end <= note.start or other.start >= end:
            continue
        same = other.midi == note.midi
        if same and other.start > note.start:
            # The holder lets go for the owner; what outlasts the owner is struck again.
            rest = _yield_to(replace(note, start=other.end), owners, tune) if note.end > other.end else []
            return [*_yield_to(replace(note, end=other.start), owners, tune), *rest]
        if same and other.start < note.start:
            # Its owner holds the key already: the note sounds anyway; what outlasts it is struck then.
            if other.end >= end:
                return []
            return _yield_to(replace(note, start=other.end, end=end), owners, tune)
    for other in tune:
        if other.end <= note.start or other.start >= end or note.midi <= other.midi:
            continue
        mark = "lies above the tune in print, left out here"
        if other.start > note.start:
            end = other.start
        else:
            return []
    return [replace(note, end=end, mark=mark)] if end > note.start else []


def share(
    tune: Sequence[Part], inner: Sequence[Sequence[Part]], player: Player, bass: Sequence[Part] = ()
) -> list[Shared]:
    """Give alto and tenor to hands by the cheapest path through all slices; the tune stays right.

    `bass` is for the left hand where there are no feet. What no hand can reach is left out, a note that
    doubles another first, and marked so.
    """
    parts = own_keys(tune, [*inner, bass] if bass else inner)
    everything = [*tune, *(note for part in parts for note in part)]
    starts = sorted({note.start for note in everything})
    order = list(zip(*(_sounding(part, starts) for part in parts), strict=True))
    top = _sounding(tune, starts)
    lowest: tuple[tuple[Hand, ...], ...] = (("left hand",),) if bass else ()
    states = list(product(*[HANDS] * len(inner), *lowest))
    costs = [_state_cost(state, top[0], order[0], player) for state in states] if starts else []
    back: list[list[int]] = []
    for index in range(1, len(starts)):
        fresh, choices = [], []
        for state in states:
            own = _state_cost(state, top[index], order[index], player)
            totals = [
                costs[at] + _change(states[at], state, order[index - 1], order[index]) for at in range(len(states))
            ]
            best = min(range(len(states)), key=totals.__getitem__)
            fresh.append(totals[best] + own)
            choices.append(best)
        costs = fresh
        back.append(choices)
    path = _trace(costs, back)
    return _given(tune, parts, starts, [states[at] for at in path], player)


def _trace(costs: list[float], back: list[list[int]]) -> list[int]:
    if not costs:
        return []
    at = min(range(len(costs)), key=costs.__getitem__)
    path = [at]
    for choices in reversed(back):
        at = choices[at]
        path.append(at)
    return path[::-1]


def _sounding(part: Sequence[Part], starts: Sequence[int]) -> list[Part | None]:
    """The note of one part at each start."""
    found: list[Part | None] = []
    at = -1
    for start in starts:
        while at + 1 < len(part) and part[at + 1].start <= start:
            at += 1
        found.append(part[at] if at >= 0 and part[at].end > start else None)
    return found


def _state_cost(state: tuple[Hand, ...], top: Part | None, inner: Sequence[Part | None], player: Player) -> float:
    right = [top.midi] if top else []
    left: list[int] = []
    cost = 0.0
    for index, (hand, note) in enumerate(zip(state, inner, strict=True)):
        usual = "right hand" if index == 0 and len(state) > 1 else "left hand"
        if note is None:
            continue
        (right if hand == "right hand" else left).append(note.midi)
        cost += AWAY * (hand != usual)
    if right and left and min(right) < max(left):
        cost += OUT_OF_REACH
    for keys in (right, left):
        if keys:
            stretch = span(min(keys), max(keys))
            cost += STRETCH * max(0, stretch - player.span_easy)
            if stretch > player.span_most:
                cost += OUT_OF_REACH
    return cost


def _change(
    before: tuple[Hand, ...], after: tuple[Hand, ...], notes: Sequence[Part | None], following: Sequence[Part | None]
) -> float:
    cost = 0.0
    for hand, next_hand, note, next_note in zip(before, after, notes, following, strict=True):
        if note is None or next_note is None or hand == next_hand:
            continue
        cost += HELD if note is next_note else CHANGE
    return cost


def _given(
    tune: Sequence[Part],
    parts: Sequence[Sequence[Part]],
    starts: list[int],
    path: list[tuple[Hand, ...]],
    player: Player,
) -> list[Shared]:
    given = [Shared(note.part, note.start, note.end, note.midi, "right hand", note.mark) for note in tune]
    at = dict(zip(starts, path, strict=True))
    for index, part in enumerate(parts):
        usual: Hand = "right hand" if index == 0 and len(parts) > 1 else "left hand"
        for note in part:
            hand = at[note.start][index]
            mark = note.mark or ("" if hand == usual else f"to the {hand}")
            given.append(Shared(note.part, note.start, note.end, note.midi, hand, mark))
    return _within_reach(given, player)


def left_hand_alone(upper: Sequence[Part], lower: Sequence[Part], player: Player) -> list[Shared]:
    """Both inner parts in the left hand under a soloed tune.

    Where the stretch asks, a note of the upper part comes down an octave for its whole length; what
    is still out of reach is left out, a doubled note first.
    """
    closed = []
    for note in upper:
        beneath = [other for other in lower if other.start < note.end and other.end > note.start]
        if any(span(other.midi, note.midi) > player.span_most for other in beneath):
            lowered = replace(note, midi=note.midi - 12, mark="an octave lower: out of reach as printed")
            note = lowered if all(abs(span(lowered.midi, o.midi)) <= player.span_most for o in beneath) else note  # noqa: PLW2901
        closed.append(note)
    owners, below = own_keys([], [closed, list(lower)])
    given = [Shared(n.part, n.start, n.end, n.midi, "left hand", n.mark) for n in [*owners, *below]]
    return _within_reach(given, player)


def _within_reach(given: list[Shared], player: Player) -> list[Shared]:
    """Leave out what stretches a hand too far: a doubled note first, else the one farthest from the tune."""
    kept = list(given)
    for start in sorted({note.start for note in given}):
        for hand in HANDS:
            while True:
                down = [note for note in kept if note.hand == hand and note.start <= start < note.end]
                if not down or span(min(n.midi for n in down), max(n.midi for n in down)) <= player.span_most:
                    break
                loose = [note for note in down if note.part not in ("tune", "bass")]
                if not loose:
                    break
                names = [n.midi % 12 for n in kept if n.start <= start < n.end]
                loose.sort(key=lambda note: (names.count(note.midi % 12) < 2, note.start < start, note.midi))
                kept = _shortened(kept, loose[0], start)
    return kept


def _shortened(kept: list[Shared], note: Shared, start: int) -> list[Shared]:
    without = [one for one in kept if one is not note]
    if note.start < start:
        without.append(replace(note, end=start, mark="let go early: out of reach"))
    return without
