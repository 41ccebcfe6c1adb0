"""Three voices for the hands alone: tune, one middle voice, bass.

The middle voice has one note for each harmony, chosen by a dynamic programme of its own: joins cost as those of a
figure, and so do octaves and fifths from one beat to the next that a note between them does not hide. It stays in
the hand that has it while that hand reaches it; a line begins in the left one if both do.

Conventions: section time in quarter notes; keys are MIDI numbers.
References: three notes without large stretches as the safest form for manuals: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

from undersong.arranging.figured import bench_of, ground_of, pulsed, spelled
from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.innerpedal import Stretch, favouring, held_on, offered, stretches
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import AWKWARD_LEAPS, PARALLEL, join, moves_between
from undersong.arranging.walked import WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment, Limb
from undersong.model.finding import Finding
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.player import Player
from undersong.playing.check import check
from undersong.textures.ground import Bench, Ground, Sounded, sounding
from undersong.textures.places import PLACES
from undersong.textures.table import Texture
from undersong.textures.units import Unit, cut, long_ending_beats
from undersong.textures.voicings import Candidate, candidates, stands

INNER = ("alto", "tenor")
DOUBLED = 30.0
"""What it costs that the middle voice doubles tune or bass: half a missing root, for two pitches are no chord."""
LIKE_PRINT = 1.5
"""What a note earns that alto or tenor have in print: more than a common tone, so that it decides between equals."""
LEAP, AWKWARD = 1.5, 8.0
"""For each semitone beyond a third, and for a tritone or a seventh: dearer than in a chord, cheaper than parallels."""
OPTIONS, KEPT = 24, 60
"""Notes tried for each harmony (all that a keyboard's middle has), and ways carried on (twice as many change nothing).
"""


def lay_three_voices(
    verse: WalkedVerse, section: Accompaniment, texture: Texture, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out in three voices; the section with its notes, and what is to be told."""
    section = replace(section, feet="")
    octaves = PLACES[section.tune].octaves
    bass, printed = bass_for(verse, organ, under=octaves, hands_alone=True)
    bass = pulsed(bass, long_ending_beats(ground_of(verse, bass, octaves)))
    ground = ground_of(verse, bass, octaves)
    bench = replace(
        bench_of(section, texture, organ, player),
        above_bass=True, carries_bass=False, lowest=organ.manuals[0].lowest, highest=organ.manuals[0].highest,
    )  # fmt: skip
    units = cut(ground, texture, bench)
    assert texture.figure is not None
    printed_inner = [merged(verse.voice(name)) for name in INNER]
    options = tuple(
        _reachable(unit, candidates(unit, texture.figure, bench, most=OPTIONS), printed_inner, ground, bench)
        for unit in units
    )
    held = stretches(units, options, section.breaths, bench) if texture.inner_pedal else ()
    if texture.inner_pedal == "asked":
        options = favouring(units, options, held, bench)
    path = _middle(units, options, ground)
    drafts = [*tune_drafts(verse, section)]
    drafts += [
        replace(draft, limb="left hand", division=section.left) for draft in bass_drafts(bass, section, printed=printed)
    ]
    hand: Limb = "left hand"
    divisions: dict[Limb, str] = {"left hand": section.left, "right hand": section.right}
    has: dict[Limb, tuple[Sounded, ...]] = {"left hand": ground.bass, "right hand": ground.tune}
    beats = frozenset(ground.beats)
    stays = {one.first: one for one in held} if texture.inner_pedal == "asked" else {}
    for index, (unit, candidate) in enumerate(zip(units, path, strict=True)):
        if not index or units[index - 1].line != unit.line:
            hand = "left hand"
        if index in stays:
            hand = _whole(stays[index], units, has, hand, bench)
        for at, (slot, keys) in enumerate(zip(unit.slots, candidate.strikes, strict=True)):
            beside = [note for notes in has.values() for note in sounding(notes, slot.start, unit.end)]
            if not any(note.start <= slot.start for note in beside):
                continue  # where tune and bass rest nobody plays alone
            for key in keys:
                if not _reached(key, has[hand], unit, bench):
                    hand = "right hand" if hand == "left hand" else "left hand"
                end = next((one.start for one in unit.slots[at + 1 :] if not stands(one, key)), unit.end)
                end = min(end, max(note.end for note in beside))
                pitch = spelled(ground.chords, slot.start, slot.end, key)
                made = Draft("figure", slot.start, end, pitch, hand, divisions[hand])
                if _goes_on(drafts[-1], made) and slot.start not in beats and slot.start not in section.breaths:
                    drafts[-1] = replace(drafts[-1], end=end)  # off the beat the same key is not struck again (R13)
                else:
                    drafts.append(made)
    if texture.inner_pedal == "asked":
        drafts = held_on(drafts, units, held, section.breaths)
    section = replace(section, notes=write(section.id, section.bars, drafts))
    told = offered(section, units, held) if texture.inner_pedal == "offered" else []
    return section, [*check(section, organ, player), *judge(section, verse), *told]


def _goes_on(first: Draft, second: Draft) -> bool:
    """Whether the second note is the first one's key, in the same hand, where that ends."""
    same = (first.part, first.limb, first.pitch.midi) == (second.part, second.limb, second.pitch.midi)
    return same and first.end == second.start


def _whole(
    one: Stretch, units: tuple[Unit, ...], has: dict[Limb, tuple[Sounded, ...]], hand: Limb, bench: Bench
) -> Limb:
    """The hand that reaches a key through all of a stretch: the one that has the middle voice, if both or none do."""
    inside = units[one.first : one.last + 1]
    reach = [limb for limb, notes in has.items() if all(_reached(one.key, notes, unit, bench) for unit in inside)]
    return reach[0] if len(reach) == 1 else hand


def _reached(key: int, notes: tuple[Sounded, ...], unit: Unit, bench: Bench) -> bool:
    """Whether a hand holds a key together with all that it plays in a unit."""
    inside = sounding(notes, unit.start, unit.end)
    return all(span(*sorted((key, note.midi))) <= bench.span_most for note in inside)


def _reachable(
    unit: Unit, options: tuple[Candidate, ...], inner: list[tuple[Sounded, ...]], ground: Ground, bench: Bench
) -> tuple[Candidate, ...]:
    """What one of the hands reaches, doublings dear, notes of the printed inner parts cheaper; or silence."""
    like = {note.midi for part in inner for note in sounding(part, unit.start, unit.end) if note.start <= unit.start}
    found = []
    for one in options:
        struck = [key for keys in one.strikes for key in keys]
        near = all(_reached(key, ground.bass, unit, bench) or _reached(key, ground.tune, unit, bench) for key in struck)
        if near:
            doubled = any(key % 12 in unit.present for key in one.levels)
            earned = LIKE_PRINT * bool(like.intersection(one.levels))
            found.append(replace(one, cost=one.cost + DOUBLED * doubled - earned))
    return tuple(found)


def _leap(first: Unit, before: Candidate, second: Unit, after: Candidate) -> float:
    """What a middle voice pays besides for a leap within a line: heard alone, it is to sing."""
    if first.line != second.line or not before.levels or not after.levels:
        return 0.0
    size = abs(after.levels[0] - (before.ends or before.levels)[0])
    return LEAP * max(0, size - 4) + AWKWARD * (size in AWKWARD_LEAPS)


def _middle(units: tuple[Unit, ...], options: tuple[tuple[Candidate, ...], ...], ground: Ground) -> list[Candidate]:
    """The cheapest middle voice (Viterbi); a state is a candidate and the key that opened the beat it stands in."""
    costs: dict[tuple[int, int], float] = {}
    trail: list[dict[tuple[int, int], tuple[int, int] | None]] = []
    beats = frozenset(ground.beats)
    opening = 0
    for index, unit in enumerate(units):
        opens = unit.start in beats or index == 0 or units[index - 1].line != unit.line
        fresh: dict[tuple[int, int], float] = {}
        origin: dict[tuple[int, int], tuple[int, int] | None] = {}
        moves = moves_between(units[index - 1], unit) if index else ()
        for at, after in enumerate(options[index]):
            key = after.levels[0] if after.levels else -1
            before = costs.items() if index else [(None, 0.0)]
            for state, total in before:
                cost = total + after.cost
                if state is not None:
                    cost += join(units[index - 1], options[index - 1][state[0]], unit, after, moves)
                    cost += _leap(units[index - 1], options[index - 1][state[0]], unit, after)
                    if opening < index - 1 and opens:
                        cost += _accented(units[opening], state[1], unit, key)
                following = (at, key if opens or state is None else state[1])
                if cost < fresh.get(following, float("inf")):
                    fresh[following], origin[following] = cost, state
        best = sorted(fresh, key=lambda one: (fresh[one], one))[:KEPT]
        costs = {state: fresh[state] for state in best}
        trail.append({state: origin[state] for state in best})
        opening = index if opens else opening
    at_end = min(costs, key=lambda one: (costs[one], one)) if costs else None
    path = []
    for index in range(len(units) - 1, -1, -1):
        assert at_end is not None
        path.append(options[index][at_end[0]])
        at_end = trail[index][at_end]
    return path[::-1]


def _accented(first: Unit, key: int, second: Unit, key_next: int) -> float:
    """Octaves and fifths with tune or bass from one beat to another, whatever lies between."""
    if first.line != second.line or key == key_next or min(key, key_next) < 0:
        return 0.0
    cost = 0.0
    for other, other_next in ((first.tune_first, second.tune_first), (first.bass_first, second.bass_first)):
        size = abs(key_next - other_next) % 12
        if min(other, other_next) >= 0 and other != other_next and size in (0, 7) and abs(key - other) % 12 == size:
            cost += PARALLEL
    return cost
