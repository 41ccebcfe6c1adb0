"""A running voice under the tune: chord tones on the beats, steps between them.

One dynamic programme over all slots of the verse. A state is the key struck, whether it belongs to its
chord, and which tones the chord still lacks; a foreign note lies off the beat, is reached and left by
step, and clashes with neither tune nor bass. A printed suspension is struck on its beat and stands, or is
adorned by step, until it resolves; two at once are two notes. Where chord, suspension and resolution want
more notes than the beat has, its second half is divided. At rests and under the first pickup the line
stands, with a second note beneath it where the chord would lack a tone.

Conventions: section time in quarter notes; keys are MIDI numbers; prices are points, smaller is better.
References: passing and neighbouring notes in a florid voice: common practice, no source; prices by hand.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.figured import bench_of, grounded, spelled
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import AWKWARD_LEAPS
from undersong.arranging.walked import WalkedVerse
from undersong.harmony.keys import name_near
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.organ import Organ
from undersong.model.pitch import Key
from undersong.model.player import Player
from undersong.model.time import Pace
from undersong.playing.check import check
from undersong.textures.ground import Bench, Ground, Sounded, WalkedChord, interval_too_low, sounding
from undersong.textures.patterns import grid
from undersong.textures.places import PLACES
from undersong.textures.table import Texture
from undersong.textures.units import (
    Slot,
    Unit,
    asked_tones,
    bar_at,
    cut,
    leading_notes,
    sevenths,
    slot_at,
    suspended_at,
    unit_places,
)

PRICE = {
    "missing": 60.0,  # as in a figure: dearer than any way of moving, cheaper than a parallel
    "stand": 3.0,  # a suspension held on or prepared: better than any leap, but a step that adornes it is as good
    "repeat": 14.0,  # a running voice that stands is no running voice: dearer than a leap of an octave
    "third": 1.0,  # little: the usual way through a chord, but a step is smoother
    "leap": 1.2,  # for each semitone beyond a third, so that an octave costs nearly as much as a repetition
    "large-leap": 3.0,  # besides, beyond a sixth: the hand moves
    "awkward": 9.0,  # a tritone or a seventh (besides), an augmented second: nobody sings it
    "leap-after-leap": 6.0,  # two leaps the same way are an arpeggio: one line of single notes leaves it for a figure
    "foreign": 1.5,  # less than two thirds: steps through a foreign note are what the texture is
    "back": 3.0,  # to and fro between two notes is a trill
    "parallel": 120.0, "direct": 12.0,  # as for a figure
    "from-start": 0.4,  # of that, from beat to beat with another note between: less than a missing tone
    "home": 0.1,  # for each semitone: it draws slowly, over a line
    "feet-name": 3.0,  # on a beat the tune's or the feet's tone adds nothing; a step decides against it
    "low-interval": 200.0,  # as for a figure
    "low-interval-of-print": 80.0,  # over a printed bass: dear, but a third that is missing is dearer
    "unresolved": 20.0,  # a seventh or leading note left hanging: dearer than a repetition, cheaper than a missing tone
    "second-note": 9.0,  # at rests: one voice as long as one will do, two rather than a chord that lacks a tone
    "beneath-bass": 4.0,  # for a note below the key of the bass: 16' keeps the bass, but the parts cross
    "silence": 220.0,  # what a figure pays for nothing: only where nothing fits
    "doubled-third": 6.0,  # besides, where that tone is the third
}  # fmt: skip
"""What a running voice pays."""
LARGEST_LEAP = 12
WIDEST_PAIR = 9
"""The widest interval in semitones of two notes struck together."""
SHORTEST_DIVIDED_SECONDS = 0.14
"""The shortest of two notes in place of one after a suspension: as short as any figure has (assumed)."""
STEPS = (1, 2)
LOWEST, HOME = 48, 57

MAJOR_SCALE, MINOR_SCALE = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A chord inside one bar and one group of beats: what it asks for, and what tune and bass bring."""

    start: Fraction
    end: Fraction
    chord: WalkedChord
    wanted: frozenset[int]
    present: frozenset[int]
    """Sounding as it begins."""
    later: frozenset[int]
    """Sounding anywhere in it."""
    short: bool
    """Its chord is shorter than a beat: it need not be complete."""


@dataclass(frozen=True, slots=True)
class _Place:
    """A slot of the line: where it lies, what may be struck there, how tune and bass stand as it begins and ends."""

    unit: int
    slot: Slot
    strong: bool
    """On a beat or at a change of chord: chord tones only."""
    inside: tuple[int, ...]
    outside: tuple[int, ...]
    tune: int
    bass: int
    tune_last: int
    bass_last: int
    basses: tuple[int, ...]
    """All that the bass plays meanwhile."""
    crowded: float
    """What it costs to lie too close over it."""
    new_line: bool
    before: int
    """Where the unit before began (-1: another line)."""
    opens: bool
    piece: int
    """Which piece of harmony it belongs to (-1: none)."""
    changed: bool
    """Another chord than at the place before."""
    single: frozenset[int]
    """Leading note and seventh of the chord."""
    held: frozenset[int]
    """Pitch classes of printed suspensions that sound here."""
    begins: frozenset[int]
    """Those that begin here."""
    resolving: frozenset[int]
    """Where those that end here resolve to."""
    augmented: frozenset[int]
    """Two pitch classes an augmented second apart: sixth degree and leading note of a minor key."""


@dataclass(frozen=True, slots=True)
class _State:
    """The last key (-1: silence), whether it is foreign, the last leap, what is still missing, the unit's first key."""

    key: int
    foreign: bool
    leap: int
    missing: frozenset[int]
    opened: int = -1
    beneath: int = -1
    """The second note, at rests (-1: none)."""


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
    units = tuple(_divided(unit, ground, bench, section.pace) for unit in units)
    pieces = _pieces(ground, units)
    places = _places(ground, units, pieces, bench, printed=any(draft.source == "bass" for draft in fixed))
    drafts: list[Draft] = []
    for place, (key, beneath) in zip(places, _line(units, pieces, places, bench), strict=True):
        start, end = place.slot.start, _end(place, units, ground)
        for one in (key, beneath):
            last = range(max(0, len(drafts) - 2), len(drafts))
            stood = next((at for at in last if _stands_on(drafts[at], place, one)), -1)
            if stood >= 0:
                drafts[stood] = replace(drafts[stood], end=end)
            elif one >= 0:
                pitch = spelled(ground.chords, start, end, one)
                drafts.append(Draft("figure", start, end, pitch, "left hand", section.left))
    section = replace(section, notes=write(section.id, section.bars, [*fixed, *drafts]))
    return section, [*check(section, organ, player), *judge(section, verse)]


def _stands_on(last: Draft, place: _Place, key: int) -> bool:
    """A suspension is one held note, struck again on a beat (R13, R14)."""
    return last.end == place.slot.start and last.pitch.midi == key and key % 12 in place.held and not place.slot.on_beat


def _end(place: _Place, units: tuple[Unit, ...], ground: Ground) -> Fraction:
    """Where a note ends: at a rest with tune and bass, which all parts leave together (R16)."""
    if not units[place.unit].held:
        return place.slot.end
    others = [note.end for note in sounding(ground.tune, place.slot.start, place.slot.end)]
    others += [note.end for note in sounding(ground.bass, place.slot.start, place.slot.end)]
    return min(place.slot.end, max(others, default=place.slot.end))


def _divided(unit: Unit, ground: Ground, bench: Bench, pace: Pace) -> Unit:
    """The unit with two notes in place of one after a suspension, where one would leave no room for the chord."""
    ends = {one.end for one in suspended_at(ground, unit.start) if one.inner}
    if unit.held or len(ends) != 1:
        return unit
    at = next((index for index, slot in enumerate(unit.slots) if slot.start in ends), 0)
    carried = {name for one in suspended_at(ground, unit.start) if one.inner for name in (one.name, one.resolution)}
    asked = (unit.wanted - unit.later) | carried
    if not at or len(asked) <= len(unit.slots):
        return unit
    slot = unit.slots[at]
    middle = (slot.start + slot.end) / 2
    if pace.seconds(middle - slot.start) < SHORTEST_DIVIDED_SECONDS:
        return unit
    halves = (slot_at(ground, bench, slot.start, middle), slot_at(ground, bench, middle, slot.end))
    return replace(unit, slots=(*unit.slots[:at], *halves, *unit.slots[at + 1 :]))


def scale(key: Key, raised: bool) -> frozenset[int]:
    """Pitch classes of a key's scale; in minor with sixth and seventh raised where the line rises to the tonic."""
    steps = MAJOR_SCALE if key.mode == "major" else MINOR_SCALE
    found = {(key.tonic.pitch_class + step) % 12 for step in steps}
    if raised and key.mode == "minor":
        found = {(key.tonic.pitch_class + step) % 12 for step in (0, 2, 3, 5, 7, 9, 11)}
    return frozenset(found)


def _altered(one: WalkedChord) -> frozenset[int]:
    """The notes of the scale that the chord has altered: no B beside the B flat of C7 in C."""
    names = {name_near(tone, one.key.fifths + 2).step: tone for tone in scale(one.key, raised=False)}
    steps = {tone.name.step: tone.name.pitch_class for tone in one.chord.tones()}
    return frozenset(tone for step, tone in names.items() if step in steps and steps[step] != tone)


def _pieces(ground: Ground, units: tuple[Unit, ...]) -> list[_Piece]:
    """The harmony in pieces of at most one group of beats, cut at rests; what is shorter than a beat joins another."""
    cuts = {place for bar in ground.bars for place in (bar.start, *unit_places(bar, grid(bar.time).groups))}
    for unit in units:
        if unit.held:
            cuts = {place for place in cuts if not unit.start < place < unit.end} | {unit.start}
    found = []
    for one in ground.chords:
        beat = bar_at(ground.bars, one.start).time.beat
        edges = [one.start, *sorted(place for place in cuts if one.start < place < one.end), one.end]
        spans: list[tuple[Fraction, Fraction]] = []
        for start, end in pairwise(edges):
            if spans and (end - start < beat or spans[-1][1] - spans[-1][0] < beat):
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
        for start, end in spans:
            others = [*sounding(ground.tune, start, end), *sounding(ground.bass, start, end)]
            found.append(
                _Piece(
                    start, end, one, asked_tones(one, ground, start, end),
                    frozenset(note.midi % 12 for note in others if note.start <= start),
                    frozenset(note.midi % 12 for note in others), one.end - one.start < beat,
                )
            )  # fmt: skip
    return found


def _places(
    ground: Ground, units: tuple[Unit, ...], pieces: list[_Piece], bench: Bench, *, printed: bool
) -> list[_Place]:
    beats = frozenset(ground.beats)
    changes = {one.start for one in ground.chords}
    found: list[_Place] = []
    crowded = PRICE["low-interval-of-print" if printed else "low-interval"]
    opened = before = -1
    chord_before: WalkedChord | None = None
    for at, unit in enumerate(units):
        dominant = bool(unit.single) and unit.third in unit.single
        notes = scale(unit.chord.key, raised=dominant) - _altered(unit.chord)
        for index, slot in enumerate(unit.slots):
            tune, bass = sounding(ground.tune, slot.start, slot.end), sounding(ground.bass, slot.start, slot.end)
            keys = range(max(slot.floor, bench.lowest), min(slot.ceiling, bench.highest) + 1)
            inner = [one for one in suspended_at(ground, slot.start) if one.inner]
            held = frozenset(one.name for one in inner)
            resolving = frozenset(one.resolution for one in ground.suspensions if one.inner and one.end == slot.start)
            inside = tuple(key for key in keys if key % 12 in slot.allowed - slot.forbidden)
            piece = bisect_right(pieces, slot.start, key=lambda one: one.start) - 1
            piece = piece if piece >= 0 and pieces[piece].end > slot.start else -1
            chord = pieces[piece].chord if piece >= 0 else None
            if chord is not None and chord.leads:  # R1, beside what the slot forbids: the home key's leading note
                others = {note.midi % 12 for note in (*tune, *bass)}
                inside = tuple(key for key in inside if key % 12 not in chord.leads & others) or inside
            begins = frozenset(one.name for one in inner if one.start == slot.start)
            if begins:  # R5: it is struck on its beat
                inside = tuple(key for key in inside if key % 12 in held) or inside
            strong = slot.start in beats or slot.start in changes or unit.held or bool(begins)
            outside = () if strong else tuple(
                key for key in keys
                if key % 12 in notes - slot.allowed - slot.forbidden and not _clashes(key, tune, bass)
            )  # fmt: skip
            new_line = index == 0 and at > 0 and units[at - 1].line != unit.line
            found.append(
                _Place(
                    at, slot, strong, inside, outside, _struck(tune, slot.start), _struck(bass, slot.start),
                    tune[-1].midi if tune else -1, bass[-1].midi if bass else -1,
                    tuple(note.midi for note in bass), crowded, new_line,
                    -1 if new_line or (at > 0 and units[at - 1].line != unit.line) else before, index == 0,
                    piece, chord is not chord_before, leading_notes(chord) | sevenths(chord) if chord else frozenset(),
                    held, begins, resolving, _augmented(chord),
                )
            )  # fmt: skip
            chord_before = chord
            if index == 0:
                opened = len(found) - 1
        if unit.slots:
            before = opened
    return found


def _augmented(one: WalkedChord | None) -> frozenset[int]:
    """Sixth degree and leading note, by a diminished seventh chord or else by a minor key; none in major."""
    if one is None or one.chord.root is None:
        return frozenset()
    if one.chord.kind == "diminished-seventh":
        leading = one.chord.root.pitch_class
    elif one.key.mode == "minor":
        leading = one.key.leading_note.pitch_class
    else:
        return frozenset()
    return frozenset({leading, (leading - 3) % 12})


def _clashes(key: int, tune: list[Sounded], bass: list[Sounded]) -> bool:
    return any(abs(key - note.midi) % 12 in (1, 11) or key % 12 == note.midi % 12 for note in (*tune, *bass))


def _struck(notes: list[Sounded], start: Fraction) -> int:
    return notes[0].midi if notes and notes[0].start <= start else -1


def _options(place: _Place, unit: Unit, missing: frozenset[int]) -> list[tuple[int, bool, int]]:
    """What may be struck: a key, whether it is foreign, and a second note beneath (-1: none).

    There are two at a rest, and where two parts are suspended at once.
    """
    options = [(key, False, -1) for key in place.inside] + [(key, True, -1) for key in place.outside]
    for both in (place.held, place.resolving):
        if len(both) > 1:
            options += [
                (key, False, low) for key in place.inside for low in place.inside
                if 0 < key - low <= WIDEST_PAIR and {key % 12, low % 12} <= both
            ]  # fmt: skip
    if unit.held:
        options += [
            (key, False, low) for key in place.inside for low in place.inside
            if 0 < key - low <= WIDEST_PAIR and low % 12 in missing and low % 12 != key % 12
        ]  # fmt: skip
    return options or [(-1, False, -1)]


def _line(units: tuple[Unit, ...], pieces: list[_Piece], places: list[_Place], bench: Bench) -> list[tuple[int, int]]:
    """The cheapest line through all places (Viterbi): a key for each (-1: silence), and a second one beneath (-1)."""
    if not places:
        return []
    trail: list[dict[_State, _State | None]] = []
    costs: dict[_State, float] = {}
    for index, place in enumerate(places):
        unit = units[place.unit]
        piece = pieces[place.piece] if place.piece >= 0 else None
        first = index == 0 or places[index - 1].piece != place.piece
        last = index + 1 == len(places) or places[index + 1].piece != place.piece
        asked = piece.wanted - piece.present if piece else frozenset()
        fresh: dict[_State, float] = {}
        origin: dict[_State, _State | None] = {}
        before: dict[_State | None, float] = {None: 0.0}
        if index:
            before = dict(costs.items())
        options = [
            (key, foreign, beneath, _alone(place, unit, key, beneath, bench, foreign=foreign))
            for key, foreign, beneath in _options(place, unit, asked)
        ]
        for state, total in before.items():
            missing = asked if first or state is None else state.missing
            for key, foreign, beneath, alone in options:
                step = _step(places, index, state, key, foreign=foreign)
                if step is None:
                    continue
                price = total + step + _second(places, index, state, beneath) + alone
                left = missing - {one % 12 for one in (key, beneath) if one >= 0}
                if last and piece:
                    price += PRICE["missing"] * _lost(left, piece)
                    left = frozenset()
                leap = 0 if state is None or state.key < 0 or place.new_line else key - state.key
                beat = key if place.opens or state is None else state.opened
                tones = piece.chord.chord.pitch_classes if piece else place.slot.allowed
                apart = key >= 0 and key % 12 not in tones  # a suspension, or foreign
                following = _State(key, apart, leap, left, beat, beneath)
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
        line.append((at.key, at.beneath))
        at = origins[at]
    return line[::-1]


def _lost(left: frozenset[int], piece: _Piece) -> float:
    """How much of its chord a piece lacks: thirds and suspensions count more, fifths and what comes later less."""
    if not left:
        return 0.0
    chord = piece.chord.chord
    third, fifth, seventh = chord.third, chord.fifth, chord.seventh
    later, carried = len(left & piece.later), len(left - chord.pitch_classes)
    without_third = third is not None and third.name.pitch_class in left - piece.later
    altered = seventh is not None and fifth is not None and fifth.name.pitch_class in left - piece.later
    return (len(left) - 0.7 * later + 2 * carried + 0.7 * without_third - 0.5 * altered) * (0.3 if piece.short else 1.0)


KEPT = 24
"""States carried on from each place (more change nothing)."""


def _second(places: list[_Place], index: int, state: _State | None, beneath: int) -> float:
    """What it costs where the lower of two suspended notes is not held on or does not resolve by step."""
    if state is None or state.beneath < 0 or state.beneath % 12 not in places[index - 1].held:
        return 0.0
    stays = state.beneath % 12 in places[index].held
    return PRICE["unresolved"] * (beneath != state.beneath if stays else abs(state.beneath - beneath) not in STEPS)


def _step(places: list[_Place], index: int, state: _State | None, key: int, *, foreign: bool) -> float | None:
    """What it costs to come to a key; None where it is forbidden."""
    place = places[index]
    if state is None or state.key < 0 or key < 0:
        return None if foreign else PRICE["silence"] * (key < 0)
    if place.new_line:
        return None if foreign or state.foreign else 0.35 * abs(key - state.key) / 2
    size = abs(key - state.key)
    before = places[index - 1]
    still = size == 0 and not foreign and key % 12 in place.held  # a suspension, prepared or still held
    settled = state.key % 12 in before.held & place.slot.allowed - place.held  # the change of chord resolves it
    if (foreign or (state.foreign and not settled)) and size not in STEPS and not still:
        return None
    if size > LARGEST_LEAP:
        return None
    cost = 0.0
    if size == 0:
        cost += PRICE["stand" if still else "repeat"]
    elif size in (3, 4):
        names = {state.key % 12, key % 12}
        cost += PRICE["awkward" if size == 3 and names in (place.augmented, before.augmented) else "third"]
    elif size > 4:
        cost += (
            PRICE["leap"] * (size - 4) + PRICE["large-leap"] * (size > 9) + PRICE["awkward"] * (size in AWKWARD_LEAPS)
        )
    if abs(state.leap) > 2 and size > 2 and (key - state.key) * state.leap > 0:
        cost += PRICE["leap-after-leap"]
    cost += PRICE["back"] * (state.leap == state.key - key != 0)
    if state.key % 12 in before.held and place.resolving and key % 12 not in place.resolving:
        cost += PRICE["unresolved"]
    if place.changed and state.key % 12 in before.single and key - state.key not in (-1, -2, 1):
        cost += PRICE["unresolved"]
    if place.strong:
        cost += _outer(place, before, state.key, key)
        if place.opens and 0 <= place.before < index - 1 and state.opened >= 0:
            cost += PRICE["from-start"] * _outer(place, places[place.before], state.opened, key, from_start=True)
    return cost


def _outer(place: _Place, before: _Place, then_key: int, key: int, *, from_start: bool = False) -> float:
    """Parallels and direct octaves and fifths with tune and bass, from an earlier note to this one.

    Tune and bass are taken as they stand when the earlier note ends, or as they stood when it began.
    """
    cost = 0.0
    then_tune, then_bass = (before.tune, before.bass) if from_start else (before.tune_last, before.bass_last)
    for now, then in ((place.tune, then_tune), (place.bass, then_bass)):
        size = abs(now - key) % 12
        if min(now, then) < 0 or now == then or key == then_key or size not in (0, 7):
            continue
        if abs(then - then_key) % 12 == size:
            cost += PRICE["parallel"]
        elif (now - then) * (key - then_key) > 0 and abs(key - then_key) > 2 and abs(now - then) > 2:
            cost += PRICE["direct"]
    return cost


def _alone(place: _Place, unit: Unit, key: int, beneath: int, bench: Bench, *, foreign: bool) -> float:
    """What a key, and a second one beneath it (-1: none), cost whatever comes before them."""
    price = _own(place, unit, key, bench, foreign=foreign)
    price += PRICE["missing"] * len(place.begins - {one % 12 for one in (key, beneath) if one >= 0})
    if beneath >= 0:
        price += PRICE["second-note"] + _own(place, unit, beneath, bench, foreign=False)
        price += PRICE["low-interval"] * interval_too_low(beneath, key)
    return price


def _own(place: _Place, unit: Unit, key: int, bench: Bench, *, foreign: bool) -> float:
    """What a key costs by itself."""
    if key < 0:
        return 0.0
    cost = PRICE["home"] * abs(key - bench.home) + PRICE["foreign"] * foreign
    if place.strong and not foreign:
        cost += PRICE["feet-name"] * (place.bass >= 0 and key % 12 == place.bass % 12)
        cost += PRICE["feet-name"] * (place.tune >= 0 and key % 12 == place.tune % 12)
        cost += PRICE["doubled-third"] * (key % 12 == unit.third and unit.third in unit.present)
    cost += place.crowded * any(interval_too_low(*sorted((bass, key))) for bass in place.basses)
    cost += PRICE["beneath-bass"] * any(key < bass for bass in place.basses)
    return cost
