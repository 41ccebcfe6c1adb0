"""Verses without a figure: a drone, the tune in octaves, tune and bass alone.

Conventions: section time in quarter notes; keys are MIDI numbers.
References: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.walked import WalkedVerse
from undersong.model.accompaniment import Accompaniment, PlacedLine
from undersong.model.finding import Finding
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.pitch import Key, Pitch, PitchName
from undersong.model.player import Player
from undersong.playing.check import check
from undersong.textures.places import PLACES
from undersong.textures.table import Texture

LOWEST_DRONE = 43
DRONE_HOME = 50

Layer = Callable[[WalkedVerse, Accompaniment, Organ, Player], list[Draft]]


def lay_plain(
    verse: WalkedVerse, section: Accompaniment, texture: Texture, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out without a figure; the section with its notes, and what is to be told."""
    if texture.hands_alone:
        section = replace(section, feet="")
    drafts = [*tune_drafts(verse, section), *LAYERS[texture.kind](verse, section, organ, player)]
    section = replace(section, notes=write(section.id, section.bars, drafts))
    return section, [*check(section, organ, player), *judge(section, verse)]


def away_from_tonic(verse: WalkedVerse, key: Key) -> Fraction:
    """The longest time, in beats, that the harmony stays on chords without the tonic."""
    tonic = key.tonic.pitch_class
    longest = current = Fraction(0)
    for one in verse.chords:
        current = Fraction(0) if tonic in one.chord.pitch_classes else current + one.end - one.start
        longest = max(longest, current)
    return longest / verse.bars[-1].time.beat


def _drone(verse: WalkedVerse, section: Accompaniment, organ: Organ, player: Player) -> list[Draft]:
    """Tonic and fifth held through each line, struck again after its breath; the feet hold the tonic."""
    tonic = section.key.tonic
    fifth = tonic.up(4, 7)
    drafts = []
    up = 12 * PLACES[section.tune].octaves
    for line in verse.lines:
        notes = [note for note in verse.sounded_tune if note.end > line.start and note.start < line.end]
        ceiling = min((note.midi + up for note in notes), default=72) - 1
        keys = _open_fifth(tonic, fifth, ceiling, player)
        drafts += [_held(line, pitch, "left hand", section.left) for pitch in keys]
        if organ.pedal:
            low = _lowest(tonic, organ.pedal.lowest)
            drafts.append(replace(_held(line, low, "left hand", section.feet), limb="feet"))
    return drafts


def _held(line: PlacedLine, pitch: Pitch, limb: str, division: str) -> Draft:
    return Draft("drone", line.start, line.end, pitch, limb, division)  # type: ignore[arg-type]


def _lowest(name: PitchName, lowest: int) -> Pitch:
    octave = next(octave for octave in range(9) if Pitch(name.step, name.alter, octave).midi >= lowest)
    return Pitch(name.step, name.alter, octave)


def _open_fifth(tonic: PitchName, fifth: PitchName, ceiling: int, player: Player) -> list[Pitch]:
    """Tonic with the fifth over it, as near to the home of the left hand as the tune allows."""
    found = []
    for octave in range(1, 6):
        low = Pitch(tonic.step, tonic.alter, octave)
        high = Pitch.of(fifth, low.midi + 7)
        if low.midi >= LOWEST_DRONE and high.midi <= ceiling and span(low.midi, high.midi) <= player.span_most:
            found.append((abs(low.midi - DRONE_HOME), [low, high]))
    return min(found, key=lambda one: one[0])[1] if found else []


def _octaves(verse: WalkedVerse, section: Accompaniment, organ: Organ, player: Player) -> list[Draft]:  # noqa: ARG001
    """The tune again, an octave lower, in the left hand."""
    return [
        replace(draft, part="octave", pitch=draft.pitch.octaves_up(-1), limb="left hand", division=section.left)
        for draft in tune_drafts(verse, section)
    ]


def _two_voices(verse: WalkedVerse, section: Accompaniment, organ: Organ, player: Player) -> list[Draft]:  # noqa: ARG001
    """The bass in the left hand."""
    up = PLACES[section.tune].octaves
    pieces, printed = bass_for(verse, organ, under=up)
    return [
        replace(draft, limb="left hand", division=section.left)
        for draft in bass_drafts(pieces, section, printed=printed)
    ]


LAYERS: dict[str, Layer] = {"drone": _drone, "unison": _octaves, "two-voices": _two_voices}
