"""An inner pedal point: a tone common to three chords or more, one held key in an inner voice (R12).

The musical problem: in textures whose inner parts stand chord by chord, a tone that stays while the harmony goes its
way may be held, not struck again with every chord: the hand rests on it, and the other voices are heard to move. It is
offered, never done unasked. A stretch is looked for among the candidates of the units: there a key is in reach of the
hand, clear of the tune on its manual, part of its chord, and let go where the tune clashes with it (R1, R2) or a
suspension stands for it (R5). Where it is asked for, the choice of voicings is dearer wherever the key is let go; what
the hand then keeps is written as one note. A breath or a new line ends it: after it everything is struck.

Conventions: keys are MIDI numbers; `first` and `last` are places in the row of units, both within.
References: organ hymn playing, common tones tied in inner parts: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.placing import Draft
from undersong.model.accompaniment import Accompaniment, Limb
from undersong.model.finding import Finding
from undersong.model.pitch import Pitch
from undersong.model.tune import show_beat
from undersong.playing.check import HeldKey, held_keys, tell
from undersong.textures.ground import Bench, WalkedChord, chords_in
from undersong.textures.units import Unit, leading_notes, sevenths
from undersong.textures.voicings import Candidate, stands

FEWEST_CHORDS = 3
LET_GO, ALL_OF_IT = 14.0, 60.0
"""What it costs to let a key go that could stand, in one unit and at most in a stretch: more than motion, less than a
missing third or parallels, which no held key is worth."""

Options = Sequence[Sequence[Candidate]]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Units over which one key can be held, and through how many successive chords."""

    key: int
    first: int
    last: int
    chords: int


def stretches(
    units: Sequence[Unit], options: Options, breaths: Iterable[Fraction], bench: Bench
) -> tuple[Stretch, ...]:
    """Where a key can be held through three chords or more, in order of time: the longest first, one at a time."""
    prices = [_prices(unit, some, bench) for unit, some in zip(units, options, strict=True)]
    goes_on = _joined(units, frozenset(breaths))
    free = [True] * len(units)
    found: list[Stretch] = []
    while True:
        runs = [
            run
            for key in sorted({key for one in prices for key in one})
            for run in _runs(key, units, prices, goes_on, free)
        ]
        if not runs:
            return tuple(sorted(found, key=lambda one: one.first))
        best = min(
            runs,
            key=lambda one: (
                -one.chords,
                units[one.first].start - units[one.last].end,
                sum(prices[at][one.key] for at in range(one.first, one.last + 1)),
                one.key,
            ),
        )
        found.append(best)
        free[best.first : best.last + 1] = [False] * (best.last + 1 - best.first)


def _prices(unit: Unit, options: Sequence[Candidate], bench: Bench) -> dict[int, float]:
    """The keys that can be held through a unit, each with what its cheapest candidate costs.

    A candidate much dearer than the cheapest is not taken for the sake of a held key.
    """
    cheapest = min((one.cost for one in options), default=0.0)
    found: dict[int, float] = {}
    for one in options:
        if one.cost <= cheapest + LET_GO:
            for key in stays(unit, one, bench):
                found[key] = min(one.cost, found.get(key, one.cost))
    return found


def stays(unit: Unit, candidate: Candidate, bench: Bench) -> frozenset[int]:
    """The keys of inner voices that a candidate strikes as the unit begins and holds to its end."""
    keys = list(candidate.levels)
    if bench.carries_bass:
        keys = keys[1:]
    if bench.above_tune or bench.free_of_tune:  # the figure's highest level is an outer voice
        keys = keys[:-1]
    down = [
        key
        for key in keys
        if key in candidate.strikes[0]
        and (candidate.standing or len(candidate.levels) == 1 or key in candidate.held)
        and key % 12 in unit.chord.chord.pitch_classes - leading_notes(unit.chord)
        and all(stands(slot, key) for slot in unit.slots)
    ]
    return frozenset(down)


def _joined(units: Sequence[Unit], breaths: frozenset[Fraction]) -> list[frozenset[int] | None]:
    """For each unit the pitch classes that must not be held into the next one; None where nothing is held on.

    A seventh falls as the chord changes.
    """
    found: list[frozenset[int] | None] = []
    for unit, after in pairwise(units):
        if unit.line != after.line or unit.end != after.start or after.start in breaths:
            found.append(None)
        else:
            found.append(sevenths(unit.chord) if unit.chord.chord != after.chord.chord else frozenset())
    return [*found, None]


def _runs(
    key: int,
    units: Sequence[Unit],
    prices: Sequence[dict[int, float]],
    goes_on: Sequence[frozenset[int] | None],
    free: Sequence[bool],
) -> Iterator[Stretch]:
    """The longest runs of units that can hold a key, of three chords or more."""
    first, chords = -1, 0
    for at, unit in enumerate(units):
        if key not in prices[at] or not free[at]:
            first = -1
            continue
        if first < 0:
            first, chords = at, 1
        elif unit.chord.chord != units[at - 1].chord.chord:
            chords += 1
        falls = goes_on[at]
        last = falls is None or key % 12 in falls
        if last or not free[at + 1] or key not in prices[at + 1]:
            if chords >= FEWEST_CHORDS:
                yield Stretch(key, first, at, chords)
            first = -1


def favouring(
    units: Sequence[Unit], options: Options, found: Iterable[Stretch], bench: Bench
) -> tuple[tuple[Candidate, ...], ...]:
    """The options, those dearer that let the key of a stretch go."""
    priced = [tuple(some) for some in options]
    for one in found:
        price = min(LET_GO, ALL_OF_IT / (one.last + 1 - one.first))
        for at in range(one.first, one.last + 1):
            priced[at] = tuple(
                made if one.key in stays(units[at], made, bench) else replace(made, cost=made.cost + price)
                for made in priced[at]
            )
    return tuple(priced)


def held_on(
    drafts: Sequence[Draft], units: Sequence[Unit], found: Iterable[Stretch], breaths: Iterable[Fraction]
) -> list[Draft]:
    """The notes, those of a stretch as one where the same hand keeps its key through three chords or more.

    Where whole chords stand the key is held beyond its stretch, as long as the hand goes on with it.
    """
    struck = {(one.start, one.pitch.midi, one.limb): one for one in drafts if one.part == "figure"}
    goes_on = _joined(units, frozenset(breaths))
    instead: dict[Draft, Draft | None] = {}
    for one in found:
        for chain in _chains(one, units, goes_on, struck):
            instead |= dict.fromkeys(chain, None)
            instead[chain[0]] = replace(chain[0], end=chain[-1].end)
    return [kept for one in drafts if (kept := instead.get(one, one)) is not None]


def _chains(
    one: Stretch,
    units: Sequence[Unit],
    goes_on: Sequence[frozenset[int] | None],
    struck: dict[tuple[Fraction, int, Limb], Draft],
) -> Iterator[list[Draft]]:
    """The notes round a stretch that follow each other in one hand, as long as they last through three chords."""
    first, last = one.first, one.last
    while first and units[first - 1].held and units[first - 1].line == units[one.first].line:
        first -= 1
    while last + 1 < len(units) and units[last + 1].held and units[last + 1].line == units[one.first].line:
        last += 1
    for limb in dict.fromkeys(limb for _, _, limb in struck):
        chain: list[Draft] = []
        chords = 0
        for at in range(first, last + 1):
            note = struck.get((units[at].start, one.key, limb))
            falls = goes_on[at - 1] if at else None
            if (
                chain
                and note is not None
                and falls is not None
                and one.key % 12 not in falls | leading_notes(units[at].chord)
                and (chain[-1].end, chain[-1].pitch) == (note.start, note.pitch)
            ):
                chords += units[at].chord.chord != units[at - 1].chord.chord
                chain.append(note)
                continue
            if chords >= FEWEST_CHORDS:
                yield chain
            chain, chords = ([note], 1) if note is not None else ([], 0)
        if chords >= FEWEST_CHORDS:
            yield chain


def offered(section: Accompaniment, units: Sequence[Unit], found: Iterable[Stretch]) -> list[Finding]:
    """Where a key could be held, for who has not asked for it."""
    told = []
    for one in found:
        start, end = units[one.first].start, units[one.last].start
        tone = units[one.first].chord.chord.tone_for(one.key % 12)
        assert tone is not None
        same = [
            note.id
            for note in section.notes
            if note.part == "figure" and note.pitch.midi == one.key and start <= note.start <= end
        ]
        bar = section.bar_at(end)
        told.append(
            tell(
                section, "inner-pedal-offered", start, tuple(same), pitch=Pitch.of(tone.name, one.key),
                count=one.chords, to_bar=bar.number, to_beat=show_beat(bar.beat_of(end)),
            )
        )  # fmt: skip
    return told


def inner_pedal_point(key: HeldKey, chords: tuple[WalkedChord, ...]) -> bool:
    """Whether a key is held through three successive chords or more and belongs to all of them."""
    under = chords_in(chords, key.start, key.end)
    count = 1 + sum(one.chord != two.chord for one, two in pairwise(under))
    return count >= FEWEST_CHORDS and all(key.midi % 12 in one.chord.pitch_classes for one in under)


def why_none(section: Accompaniment, chords: tuple[WalkedChord, ...], *, can: bool) -> str:
    """Why a section has no inner pedal point, "" if it has one; whether its texture `can` have any."""
    if not can:
        return "the inner voices of this texture move or go with the print"
    keys = (key for key in held_keys(section.notes) if key.part == "figure")
    if any(inner_pedal_point(key, chords) for key in keys):
        return ""
    return "no tone lies in three successive chords of a line within reach of the hand"
