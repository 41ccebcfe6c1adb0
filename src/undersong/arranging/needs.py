"""Why a texture cannot serve a verse, and what would: each need one small check, asked in turn.

Conventions: keys are MIDI numbers; lengths in quarter notes.
References: common practice, no source; bounds from a trial on chorales and folk tunes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise

from undersong.acoustics.blur import is_clear, notes_a_second
from undersong.arranging.bass import too_close
from undersong.arranging.figured import ground_of
from undersong.arranging.fixed import bass_for
from undersong.arranging.plain import away_from_tonic
from undersong.arranging.plans import pace_for
from undersong.arranging.walked import WalkedVerse, merged
from undersong.errors import UnknownName
from undersong.model.accompaniment import PlacedBar
from undersong.model.organ import Organ
from undersong.model.pitch import Key
from undersong.model.plan import VersePlan
from undersong.model.room import Room
from undersong.model.time import Pace
from undersong.model.tune import show_beat
from undersong.textures.ground import Ground, sounding
from undersong.textures.patterns import grid
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES, Refusal, Texture
from undersong.textures.units import bar_at, is_dense, slot_length, unit_places

TUNE_TOO_LOW = 60
TUNE_TOO_LOW_SHARE = Fraction(1, 5)
STRUMMED_MOST = 0.52
"""More beats than this with a chord of their own leave strokes little to repeat: they differ too little from block
chords (measured on chorales: 28 % of the notes at a share of 0.54)."""
LOW_TENOR = 45
TOO_LOW_FOR_FIGURE = "the tune lies too low to leave room beneath it"
SHORTEST_FOR_FEET_SECONDS = 0.28
"""Shortest note for a melody in the feet (assumed; one foot needs 0.31 s for a third, two feet less)."""
MOST_BEATS_AWAY = 2
"""How long the harmony may leave the tonic over a drone (common practice, no source)."""


@dataclass(frozen=True)
class Asked:
    """A texture asked for: verse, plan and circumstances."""

    verse: WalkedVerse
    texture: Texture
    plan: VersePlan
    organ: Organ
    room: Room
    key: Key

    @property
    def pace(self) -> Pace:
        """How fast the verse goes."""
        return self.plan.pace or pace_for(self.verse.bars[0].time)

    @cached_property
    def ground(self) -> Ground:
        """The verse as textures see it, at pitch and without its bass."""
        return ground_of(self.verse, (), 0)

    @cached_property
    def dense(self) -> bool:
        """True where most beats bring a new chord."""
        return is_dense(self.ground)

    @property
    def one_manual(self) -> bool:
        """True where both hands have the same manual, for want of another or by the plan."""
        return len(self.organ.manuals) < 2 or (bool(self.plan.right) and self.plan.right == self.plan.left)

    def refusal(self, reason: str, instead: str) -> Refusal:
        """A refusal of this texture."""
        return Refusal(self.texture.name, reason, instead)


Need = Callable[[Asked], Refusal | None]


def settled(asked: Asked) -> tuple[Asked, str]:
    """The texture in the pattern asked for, or in a slower one where the room would blur it, and a word about that."""
    texture = asked.texture
    if asked.plan.pattern and texture.patterns:
        known = [one.name for one in texture.patterns]
        if asked.plan.pattern not in known:
            raise UnknownName(
                f"{texture.title} have no pattern {asked.plan.pattern!r}", remedy=f"Choose one of: {', '.join(known)}."
            )
        texture = texture.moving(asked.plan.pattern)
    told = ""
    while texture.blurs and (notes := _too_fast_for_room(replace(asked, texture=texture))):
        row = next((one for one in texture.patterns if one.name == texture.pattern), None)
        if row is None or not row.slower:
            break
        slower = texture.moving(row.slower)
        if slower.speed == "slow" and asked.dense:
            break
        told = f"{notes:.1f} notes a second would blur in this room ({asked.room.seconds:.1f} s)"
        texture = slower
    return replace(asked, texture=texture), told


def refuses(asked: Asked) -> Refusal | None:
    """Why a texture cannot serve a verse, or None; the refusal names what would."""
    for need in NEEDS:
        refusal = need(asked)
        if refusal is not None:
            return refusal
    return None


def _top_of_manual(asked: Asked) -> Refusal | None:
    if asked.plan.tune != "octave-up":
        return None
    solo = asked.organ.division(asked.plan.right) or asked.organ.manuals[0]
    top = max((note.pitch for note in asked.verse.sounded_tune), key=lambda pitch: pitch.midi).octaves_up(1)
    if top.midi > solo.highest:
        return asked.refusal(f"an octave up the tune would reach {top}", "at-pitch")
    return None


def _at_pitch_only(asked: Asked) -> Refusal | None:
    if asked.texture.kind == "descant" and asked.plan.tune != "at-pitch":
        return asked.refusal("the descant lies over the tune, which stays at pitch", "at-pitch")
    return None


def _tune_below(asked: Asked) -> Refusal | None:
    """What speaks against the tune in the tenor or in the feet."""
    place, texture, organ = PLACES[asked.plan.tune], asked.texture, asked.organ
    if not place.needs_feet:
        return None
    if texture.kind == "printed":
        return asked.refusal("under a lowered tune the printed parts would make fifths", "block")
    if texture.kind != "figure" or texture.pulsed_feet:
        return asked.refusal("it keeps the tune in the right hand", "at-pitch")
    if organ.pedal is None:
        return asked.refusal("without feet nothing could lie beneath the lowered tune", "at-pitch")
    if place.tune != "feet" and asked.one_manual:
        return asked.refusal("a tune below the hands needs a manual or pedal of its own", "at-pitch")
    tune = asked.verse.sounded_tune
    if place.sounds > place.octaves and organ.pedal.stops and not _has_four_foot(organ):
        return asked.refusal("the pedal has no 4 foot stop", "pedal-8")
    by_height = sorted((note.pitch.octaves_up(-1) for note in tune), key=lambda pitch: pitch.midi)
    low, high = by_height[0], by_height[-1]
    instead = "tenor" if low.midi >= LOW_TENOR and len(organ.manuals) > 1 and not texture.two_hands else "at-pitch"
    if place.tune != "feet":
        reason = f"the tune would go down to {low}" if low.midi < LOW_TENOR else _too_close_to_bass(asked)
        return asked.refusal(reason, "at-pitch") if reason else None
    if low.midi < organ.pedal.lowest or high.midi > organ.pedal.highest:
        return asked.refusal(f"the feet would need the keys {low} to {high}", instead)
    shortest = min(asked.pace.seconds(note.end - note.start) for note in tune)
    if shortest < SHORTEST_FOR_FEET_SECONDS:
        return asked.refusal(f"the feet would have notes of {shortest:.2f} s", instead)
    reason = _too_close_to_bass(asked) if place.sounds < 0 and not place.own_harmony else ""
    return asked.refusal(reason, "at-pitch") if reason else None


def _two_beats(bars: tuple[PlacedBar, ...], start: Fraction, end: Fraction) -> list[tuple[Fraction, Fraction]]:
    """A chord in stretches of two beats (in triple time bars), as figures have them; those of a beat or more."""
    inside = [bar for bar in bars if bar.start < end and bar.end > start]
    places = [place for bar in inside for place in unit_places(bar, grid(bar.time).groups) if start < place < end]
    stretches = pairwise([start, *places, end])
    return [(one, other) for one, other in stretches if other - one >= bar_at(bars, one).time.beat]


def _where(bars: tuple[PlacedBar, ...], start: Fraction) -> str:
    bar = bar_at(bars, start)
    return f"bar {bar.number}, beat {show_beat(bar.beat_of(max(start, bar.start)))}"


def _too_close_to_bass(asked: Asked) -> str:
    """Where a lowered tune would lie closer over a bass from symbols than so low a place allows; else nothing.

    The bass keeps clear where roots and thirds allow it; a printed one is the print's.
    """
    place = PLACES[asked.plan.tune]
    bass, printed = bass_for(asked.verse, asked.organ, sounds=place.sounds, between=place.hands_between)
    if printed:
        return ""
    below = merged(bass)
    for note in asked.verse.sounded_tune:
        key = note.pitch.octaves_up(place.sounds)
        for low in sounding(below, note.start, note.end):
            if too_close(key.midi, low.midi):
                bar = bar_at(asked.verse.bars, max(note.start, low.start))
                return f"in bar {bar.number} {key} would lie too close to the bass on {low.pitch}"
    return ""


def _has_four_foot(organ: Organ) -> bool:
    """Whether the pedal can sound an octave above its keys: by a stop of its own that works."""
    return organ.pedal is not None and any(stop.feet == "4" and stop.state != "dead" for stop in organ.pedal.stops)


def _hands_free(asked: Asked) -> Refusal | None:
    """A figure for both hands wants the tune in the feet, sounding over it."""
    place = PLACES[asked.plan.tune]
    if asked.texture.two_hands and (place.tune != "feet" or place.sounds < 0):
        possible = _tune_below(replace(asked, plan=replace(asked.plan, tune="pedal"))) is None
        return asked.refusal(
            "both hands are needed, so the tune must lie in the pedal", "pedal" if possible else "block"
        )
    return None


def _printed_parts(asked: Asked) -> Refusal | None:
    texture, organ = asked.texture, asked.organ
    if texture.kind not in ("printed", "descant"):
        return None
    if not asked.verse.four_parts:
        return asked.refusal("four parts are not printed", "block")
    if texture.name != "as-printed":
        if len(organ.manuals) < 2:
            return asked.refusal("the organ has one manual", "as-printed")
        if asked.one_manual:
            return asked.refusal("both hands are on one manual", "as-printed")
        if organ.pedal is None:
            return asked.refusal("without feet the left hand would have three parts", "as-printed")
    return None


def _drone(asked: Asked) -> Refusal | None:
    if asked.texture.kind != "drone":
        return None
    away = away_from_tonic(asked.verse, asked.key)
    reason = f"the harmony leaves the tonic for {show_beat(away)} beats"
    return asked.refusal(reason, "block") if away > MOST_BEATS_AWAY else None


def _feet_for_bass(asked: Asked) -> Refusal | None:
    if asked.texture.kind == "counter-line" and asked.organ.pedal is None:
        return asked.refusal("without feet the bass has no place beneath the running voice", "broken")
    return None


def _harmony(asked: Asked) -> Refusal | None:
    wants = asked.texture.kind in ("drone", "figure", "counter-line", "three-voices")
    wants = wants or (asked.texture.kind == "two-voices" and not asked.verse.voice("bass"))
    if wants and not any(one.chord.root is not None for one in asked.verse.chords):
        return asked.refusal("no harmony is known", "as-printed" if asked.verse.four_parts else "unison")
    return None


def _room_beneath(asked: Asked) -> Refusal | None:
    """A tune that mostly lies low leaves no room for a figure."""
    if asked.texture.kind not in ("figure", "counter-line") or asked.plan.tune != "at-pitch":
        return None
    beats, tune = frozenset(asked.verse.beats), asked.verse.sounded_tune
    length = sum((note.end - note.start for note in tune), Fraction(0))
    low = sum((note.end - note.start for note in tune if note.midi < TUNE_TOO_LOW and note.start in beats), Fraction(0))
    if length and low / length > TUNE_TOO_LOW_SHARE:
        return asked.refusal(TOO_LOW_FOR_FIGURE, "octave-up")
    return None


def _room_for_third(asked: Asked) -> Refusal | None:
    """Two beats of a chord under a tune so low that its third has no place over the bass (R1)."""
    place, both = PLACES[asked.plan.tune], asked.texture.two_hands
    if asked.texture.kind not in ("figure", "counter-line") or place.sounds != 0:
        return None
    bass, printed = bass_for(asked.verse, asked.organ, between=place.hands_between)
    if printed:  # its thirds lie where the print has them
        return None
    below = merged(bass)
    for one in asked.verse.chords:
        third = one.chord.third
        if third is None or one.chord.root is None:
            continue
        for start, end in _two_beats(asked.verse.bars, one.start, one.end):
            tune, feet = sounding(asked.verse.sounded_tune, start, end), sounding(below, start, end)
            name = third.name.pitch_class
            if not tune or not feet or name in {note.midi % 12 for note in (*tune, *feet)}:
                continue
            low, top = min(note.midi for note in feet), max(note.midi for note in tune)
            if not any(key % 12 == name and not too_close(key, low) for key in range(low + 1, top)):
                where = _where(asked.verse.bars, start)
                return asked.refusal(
                    f"{TOO_LOW_FOR_FIGURE}: in {where} for the third of its chord", "block" if both else "octave-up"
                )
    return None


def _long_chords(asked: Asked) -> Refusal | None:
    strummed = asked.texture.name == "strummed" and not asked.verse.bars[0].time.compound
    if strummed and is_dense(asked.ground, STRUMMED_MOST):
        return asked.refusal("with a chord on most beats it would be block chords", "block")
    if not asked.dense or asked.texture.kind != "figure":
        return None
    if asked.texture.speed == "slow":
        return asked.refusal("with a chord on every beat a note to the beat would be no figure", "block")
    return None


def _pattern_for_time(asked: Asked) -> Refusal | None:
    """A pattern needs beats that divide as it does."""
    texture = asked.texture
    row = next((one for one in texture.patterns if one.name == texture.pattern), None)
    if row is None:
        return None
    for time in {bar.time for bar in asked.verse.bars}:
        if (time.compound and not row.compound) or not grid(time).slots(row.speed, compound=time.compound):
            return asked.refusal(f"its pattern {row.name} does not go in {time}", "block")
    return None


def _cross_rhythm(asked: Asked) -> Refusal | None:
    """R7: the grids of figure and tune divide one another; three against two or four is refused."""
    texture = asked.texture
    if texture.kind not in ("figure", "counter-line") or texture.by_harmony or texture.rhythm == "beats":
        return None
    ground = asked.ground
    inside: dict[Fraction, set[Fraction]] = {}
    for note in ground.tune:
        bar = bar_at(ground.bars, note.start)
        offset = (note.start - (bar.end if bar.pickup else bar.start)) / bar.time.beat
        inside.setdefault(note.start - (offset % 1) * bar.time.beat, set()).add(offset % 1)
    for start, offsets in inside.items():
        slots = bar_at(ground.bars, start).time.beat / slot_length(ground, texture, start, dense=asked.dense)
        thirds = any(one.denominator % 3 == 0 for one in offsets)
        halves = any(one.denominator % 2 == 0 for one in offsets)
        if (slots % 2 == 0 and slots % 3 and thirds) or (slots % 3 == 0 and halves and not thirds):
            where = _where(ground.bars, start)
            return asked.refusal(f"its {slots} notes to the beat would run across the tune's in {where}", "block")
    return None


def shortest_step(asked: Asked) -> float:
    """Seconds from one note of the figure to the next, at its fastest."""
    ground = asked.ground
    firsts = {bar.time: bar.start for bar in ground.bars}
    return min(
        asked.pace.seconds(slot_length(ground, asked.texture, start, dense=asked.dense)) for start in firsts.values()
    )


def _too_fast_for_room(asked: Asked) -> float:
    """Notes a second, where they would blur in the room; else 0."""
    step = shortest_step(asked)
    return 0.0 if is_clear(step, asked.room.seconds) else 1 / step


def _pace(asked: Asked) -> Refusal | None:
    texture = asked.texture
    if texture.kind not in ("figure", "counter-line") or texture.by_harmony:
        return None
    step = shortest_step(asked)
    if step < texture.shortest_seconds:
        instead = "broken" if texture.name == "alberti" else "block"
        return asked.refusal(f"{1 / step:.1f} notes a second are too fast at this pace", instead)
    if texture.blurs and not is_clear(step, asked.room.seconds):
        most = notes_a_second(asked.room.seconds)
        reason = f"{1 / step:.1f} notes a second would blur in this room (at most {most:.1f})"
        held = replace(asked, texture=TEXTURES["held"])
        calm = texture.name == "alberti" and is_clear(shortest_step(held), asked.room.seconds)
        return asked.refusal(reason, "held" if calm else "block")
    return None


NEEDS: tuple[Need, ...] = (
    _top_of_manual, _at_pitch_only, _tune_below, _hands_free, _printed_parts, _harmony, _drone, _feet_for_bass,
    _room_beneath, _room_for_third, _long_chords, _pattern_for_time, _cross_rhythm, _pace,
)  # fmt: skip
"""What is asked, in this order."""
