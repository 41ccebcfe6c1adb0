"""A verse under a figure: one dynamic programme over its units, then a ladder of repairs.

Each rung of the ladder works on whole lines, is tried once, and is kept for a line only where it
lowers that line's count of what cannot be played. The last rung always plays: tune and bass, or the
tune alone where the figure carries the bass.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise

from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.innerpedal import favouring, held_on, offered, stretches
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import choose, within
from undersong.arranging.walked import Piece, WalkedVerse, merged
from undersong.harmony.keys import name_near
from undersong.model.accompaniment import Accompaniment, Limb
from undersong.model.finding import Finding
from undersong.model.kept import kept
from undersong.model.organ import Organ
from undersong.model.pitch import Pitch
from undersong.model.player import Player
from undersong.playing.check import check, tell
from undersong.textures.ground import Bench, Ground, Sounded, WalkedChord, chords_in, sounding
from undersong.textures.patterns import AFTER_BEATS, BLOCK, STROKES, Figure
from undersong.textures.places import PLACES, division_of
from undersong.textures.table import TEXTURES, Texture
from undersong.textures.units import Unit, bar_at, cut, long_ending_beats, resting_chords, suspended_at
from undersong.textures.voicings import Candidate, beside_bass, candidates, stands, stays

LOWER_REGISTER = 45


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the ladder of repairs: its name, what it says on the page, and where no bass lies beneath.

    `{hand}` is the hand that has the figure, `{tune}` where the tune is beside it.
    """

    name: str
    says: str
    without_bass: str = ""


LADDER = (
    Rung("dip", "short notes of the tune dip below the {hand}, {tune}"),
    Rung("lower", "the {hand} goes lower in this line"),
    Rung("two", "two notes instead of three in this line"),
    Rung("block", "block chords in this line, because the figure found no room"),
    Rung(
        "bare",
        "tune and bass alone in this line, because nothing else can be played",
        "the tune alone in this line, because nothing else can be played",
    ),
)
FALL_BACK = ("block", "bare")


@kept(32)
def ground_of(verse: WalkedVerse, bass: tuple[Piece, ...], octaves: int, guide: tuple[Piece, ...] = ()) -> Ground:
    """A verse as textures see it, the tune so many octaves up."""
    tune = tuple(Sounded(one.start, one.end, one.pitch.octaves_up(octaves)) for one in verse.sounded_tune)
    return Ground(
        verse.bars,
        verse.beats,
        verse.lines,
        verse.chords,
        tune,
        merged(bass),
        verse.suspensions,
        merged(guide),
        verse.hemiolas,
    )


LOWEST_WITHOUT_FEET, HOME_WITHOUT_FEET = 40, 52
"""Where a figure that carries the bass may go down to, and where it likes to lie."""


TRIED, TRIED_IN_TWO_HANDS = 12, 24
"""Candidates of a unit that are joined: with more room the cheapest dozen begin on the same low notes."""
LOWEST_BESIDE_BASS = 43
"""How low a note may lie that the left hand adds to its bass."""


def bench_of(section: Accompaniment, texture: Texture, organ: Organ, player: Player) -> Bench:
    """What the figure of a section must keep to."""
    place = PLACES[section.tune]
    division = organ.division(division_of(section, place.figure)) or organ.manuals[0]
    shares = {limb: division_of(section, limb) == division.name for limb in (place.tune, place.bass)}
    carries = organ.pedal is None
    lowest, home = (LOWEST_WITHOUT_FEET, HOME_WITHOUT_FEET) if carries else (place.lowest, place.home)
    if texture.two_hands:
        lowest = LOWEST_BESIDE_BASS
    return Bench(
        max(lowest, division.lowest), min(place.highest, division.highest), player.span_easy, player.span_most,
        place.above, shares[place.bass] and not carries, shares[place.tune], division.lowest, home,
        carries, place.own_harmony, texture.two_hands or place.own_harmony,
    )  # fmt: skip


@dataclass(frozen=True)
class _Layout:
    """One verse under a figure, with the rungs each line stands on."""

    verse: WalkedVerse
    section: Accompaniment
    texture: Texture
    bench: Bench
    ground: Ground
    units: tuple[Unit, ...]
    fixed: tuple[Draft, ...]

    @cached_property
    def block_units(self) -> tuple[Unit, ...]:
        """The verse cut for block chords, where a line falls back on them."""
        return cut(self.ground, TEXTURES["block"], self.bench)


def grounded(
    verse: WalkedVerse, section: Accompaniment, organ: Organ, pulses: frozenset[Fraction] = frozenset()
) -> tuple[Ground, tuple[Draft, ...]]:
    """A verse as the figure of a section sees it, with what is fixed: tune and bass, this struck anew at `pulses`.

    Without feet the bass is no part of its own but guides the figure; with the tune in the bass the tune is it.
    """
    place = PLACES[section.tune]
    tune = tune_drafts(verse, section)
    if place.own_harmony:
        lowered = tuple(replace(piece, pitch=piece.pitch.octaves_up(place.octaves)) for piece in verse.tune)
        return ground_of(verse, lowered, place.sounds), tuple(tune)
    under = place.octaves if place.sounds < 0 and place.bass != "feet" else None
    bass, printed = bass_for(verse, organ, under, place.sounds, between=place.hands_between)
    if organ.pedal is None:
        return ground_of(verse, (), place.sounds, bass), tuple(tune)
    bass = pulsed(bass, pulses)
    fixed = (*tune, *bass_drafts(bass, section, printed=printed))
    return ground_of(verse, bass, place.sounds), fixed


def lay_figure(
    verse: WalkedVerse, section: Accompaniment, texture: Texture, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out under a figure and mend it; the section with its notes, and what is to be told."""
    bench = bench_of(section, texture, organ, player)
    if bench.carries_bass and texture.hands_figure is not None:
        texture = replace(texture, figure=texture.hands_figure, pulsed_feet=False)
    ground, fixed = grounded(verse, section, organ)
    if texture.pulsed_feet:
        ground, fixed = grounded(verse, section, organ, _pulses(cut(ground, texture, bench)))
    elif texture.by_harmony:
        ground, fixed = grounded(verse, section, organ, long_ending_beats(ground))
    layout = _Layout(
        verse, section, texture, bench, ground,
        cut(ground, texture, bench), fixed,
    )  # fmt: skip
    rungs: dict[int, str] = {}
    cache: dict[tuple[int, str], tuple[Candidate, ...]] = {}
    done, findings = _solve(layout, rungs, cache, organ, player)
    for rung in LADDER:
        faulty = _faulty_lines(verse, findings)
        if not faulty:
            break
        tried = {**rungs, **dict.fromkeys(faulty, rung.name)}
        other, told = _solve(layout, tried, cache, organ, player)
        after = _faulty_lines(verse, told)
        better = {line for line in faulty if after.get(line, 0) < faulty[line]}
        if not better:
            continue
        if better == set(faulty) and set(after) <= set(faulty):
            rungs, done, findings = tried, other, told
            continue
        tried = {**rungs, **dict.fromkeys(better, rung.name)}
        other, told = _solve(layout, tried, cache, organ, player)
        if sum(_faulty_lines(verse, told).values()) < sum(faulty.values()):
            rungs, done, findings = tried, other, told
    return done, [*findings, *_mended(layout, done, rungs)]


def _faulty_lines(verse: WalkedVerse, findings: list[Finding]) -> dict[int, int]:
    """How many hard findings each line has."""
    counts: dict[int, int] = {}
    for one in findings:
        if one.weight == "hard":
            line = max(index for index, line in enumerate(verse.lines) if line.start <= one.start)
            counts[line] = counts.get(line, 0) + 1
    return counts


def _mended(layout: _Layout, section: Accompaniment, rungs: dict[int, str]) -> list[Finding]:
    place = PLACES[section.tune]
    tune = "in the pedal" if place.tune == "feet" else "on the other manual"
    bass = any(draft.part == "bass" for draft in layout.fixed)
    says = {rung.name: rung.says if bass else rung.without_bass or rung.says for rung in LADDER}
    return [
        tell(
            section, "changed-here", layout.verse.lines[line].start,
            what=says[name].format(hand=place.figure, tune=tune),
        )
        for line, name in sorted(rungs.items())
    ]  # fmt: skip


def _solve(
    layout: _Layout,
    rungs: dict[int, str],
    cache: dict[tuple[int, str], tuple[Candidate, ...]],
    organ: Organ,
    player: Player,
) -> tuple[Accompaniment, list[Finding]]:
    """Lay out the whole verse with these lines on these rungs, and judge it."""
    units = [unit for unit in layout.units if rungs.get(unit.line) not in FALL_BACK]
    if set(rungs.values()) & set(FALL_BACK):
        units += [unit for unit in layout.block_units if rungs.get(unit.line) in FALL_BACK]
    units.sort(key=lambda unit: unit.start)
    options = tuple(_options(layout, unit, rungs.get(unit.line, ""), cache) for unit in units)
    pedals, breaths = layout.texture.inner_pedal, layout.section.breaths
    held = stretches(units, options, breaths, layout.bench) if pedals else ()
    if pedals == "asked":
        options = favouring(units, options, held, layout.bench)
    path = choose(tuple(units), options, PLACES[layout.section.tune].dear)
    drafts = [*layout.fixed]
    for unit, candidate in zip(units, path, strict=True):
        drafts += _unit_drafts(layout, unit, candidate)
    if pedals == "asked":
        drafts = held_on(drafts, units, held, breaths)
    section = replace(layout.section, notes=write(layout.section.id, layout.section.bars, drafts))
    told = offered(section, units, held) if pedals == "offered" else []
    return section, [*check(section, organ, player), *judge(section, layout.verse), *told]


def _options(
    layout: _Layout, unit: Unit, rung: str, cache: dict[tuple[int, str], tuple[Candidate, ...]]
) -> tuple[Candidate, ...]:
    key = (hash((unit.start, unit.held, len(unit.slots))), rung)
    if key not in cache:
        bench, figure = layout.bench, _figure_at(layout, unit)
        if rung == "bare":
            cache[key] = (Candidate((), tuple(() for _ in unit.slots), 0.0),)
            return cache[key]
        if rung in ("lower", "two", "block"):
            lower = min(bench.lowest, max(LOWER_REGISTER, bench.lowest - 12))
            bench = replace(bench, lowest=max(bench.keyboard_lowest, lower))
        most = TRIED_IN_TWO_HANDS if bench.two_hands or layout.texture.inner_pedal == "asked" else TRIED
        if len({slot.allowed for slot in unit.slots}) > 1:  # what a second chord costs within the beat is not in yet
            *figures, silence = candidates(unit, figure, bench, most=2 * most, dip=rung == "dip")
            priced = (replace(one, cost=one.cost + within(unit, one)) for one in figures)
            made = (*sorted(priced, key=lambda one: (one.cost, one.levels))[:most], silence)
        else:
            made = candidates(unit, figure, bench, most=most, dip=rung == "dip")
        if rung == "two":
            made = tuple(one for one in made if len(one.levels) < 3) or made
        cache[key] = made
    return cache[key]


def _figure_at(layout: _Layout, unit: Unit) -> Figure:
    """The figure of a unit: another one where the beat is dotted, if the texture has it."""
    compound = bar_at(layout.section.bars, unit.start).time.compound
    texture = layout.texture
    if texture.figure is AFTER_BEATS:
        held_over = any(one.inner for one in suspended_at(layout.ground, unit.start))
        if held_over or not any(note.start == unit.start for note in layout.ground.bass) or _only_at_first(unit):
            return STROKES  # a suspension is struck on the beat (R5), and so is a chord without the feet (R14)
    return (texture.compound_figure if compound else None) or texture.figure or BLOCK


def _only_at_first(unit: Unit) -> bool:
    """Whether something that must sound has room on the beat alone, because the tune clashes with it later."""
    order = AFTER_BEATS.three.get(len(unit.slots), ())
    struck = [slot for slot, levels in zip(unit.slots, order, strict=False) if levels]
    asked = unit.wanted - unit.later - unit.slots[0].forbidden
    return any(all(name in slot.forbidden for slot in struck) for name in asked) if struck else False


def _pulses(units: tuple[Unit, ...]) -> frozenset[Fraction]:
    """The beats that the hand leaves to the feet."""
    found = set()
    for unit in units:
        order = AFTER_BEATS.three.get(len(unit.slots), ()) if not unit.held else ()
        found |= {slot.start for slot, levels in zip(unit.slots, order, strict=False) if slot.on_beat and not levels}
    return frozenset(found)


def pulsed(bass: tuple[Piece, ...], starts: frozenset[Fraction]) -> tuple[Piece, ...]:
    """The bass struck again at every one of these places."""
    if not starts:
        return bass
    pieces = []
    for piece in bass:
        edges = [piece.start, *sorted(start for start in starts if piece.start < start < piece.end), piece.end]
        last = len(edges) - 2
        pieces += [
            Piece(
                start, end - start, piece.pitch,
                tied_from=piece.tied_from and index == 0 and start not in starts,
                tied_to=piece.tied_to and index == last and end not in starts,
            )
            for index, (start, end) in enumerate(pairwise(edges))
        ]  # fmt: skip
    return tuple(pieces)


def _lift(ground: Ground, unit: Unit) -> Fraction:
    """Where a unit's last note ends at the latest: where a line comes to rest, all come off together (R16, R19)."""
    others = [note.end for part in (ground.tune, ground.bass) for note in sounding(part, unit.start, unit.end)]
    return max(others) if others and (unit.start, unit.end) in resting_chords(ground) else unit.end


def _unit_drafts(layout: _Layout, unit: Unit, candidate: Candidate) -> list[Draft]:
    drafts = []
    limb = PLACES[layout.section.tune].figure
    figure = _figure_at(layout, unit)
    bench = layout.bench
    reached = not bench.above_bass or all(beside_bass(unit, key, bench) for key in candidate.levels[:1])
    below: Limb = "left hand" if bench.two_hands and reached else limb
    lowest = {*candidate.levels[:1], *candidate.ends[:1]}
    lift = _lift(layout.ground, unit)
    for index, (slot, keys) in enumerate(zip(unit.slots, candidate.strikes, strict=True)):
        for key in keys:
            end = slot.end
            later = range(index + 1, len(unit.slots))
            if candidate.standing:  # it stands until it must move
                gone = (at for at in later if not stays(unit.slots[at], key, over_tune=candidate.over_tune))
                end = next((unit.slots[at].start for at in gone), unit.end)
            elif len(candidate.levels) == 1:  # a single note stands until it is struck again
                end = next((unit.slots[at].start for at in later if candidate.strikes[at]), unit.end)
            elif key in candidate.held:
                end = next((unit.slots[at].start for at in later if key in candidate.strikes[at]), unit.end)
            elif figure.short_after_first and index:
                half = (slot.end - slot.start) / 2
                short = layout.section.pace.seconds(half) >= layout.texture.shortest_seconds
                end = slot.start + half if short else slot.end
            elif not figure.short_after_first:  # it goes on until something is struck, as long as it may
                stops = (at for at in later if candidate.strikes[at] or not stands(unit.slots[at], key))
                end = next((unit.slots[at].start for at in stops), unit.end)
            if lift > slot.start:
                end = min(end, lift)
            hand = below if key in lowest else limb
            pitch = spelled(layout.ground.chords, slot.start, slot.end, key)
            drafts.append(Draft("figure", slot.start, end, pitch, hand, division_of(layout.section, hand)))
    return drafts


def spelled(chords: tuple[WalkedChord, ...], start: Fraction, end: Fraction, midi: int) -> Pitch:
    """A key's name from the chord that stands there, else from its key's scale, never from the signature."""
    inside = chords_in(chords, start, end)
    for one in inside:
        tone = one.chord.tone_for(midi % 12)
        if tone is not None:
            return Pitch.of(tone.name, midi)
    around = inside[0].key.fifths if inside else 0
    return Pitch.of(name_near(midi % 12, around + 2), midi)
