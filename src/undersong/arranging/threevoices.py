"""Three voices for the hands alone: tune, one middle voice, bass.

The middle voice is chosen by the same dynamic programme as a figure, with one note for each harmony; it
lies in the hand that reaches it, the left one if both do.

Conventions: section time in quarter notes; keys are MIDI numbers.
References: three notes without large stretches as the safest form for manuals: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

from undersong.arranging.figured import bench_of, ground_of, pulsed, spelled
from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import choose
from undersong.arranging.walked import WalkedVerse
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

DOUBLED = 30.0
"""What it costs that the middle voice doubles tune or bass."""


def lay_three_voices(
    verse: WalkedVerse, section: Accompaniment, texture: Texture, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out in three voices; the section with its notes, and what is to be told."""
    section = replace(section, feet="")
    octaves = PLACES[section.tune].octaves
    bass, printed = bass_for(verse, organ, under=octaves)
    bass = pulsed(bass, long_ending_beats(ground_of(verse, bass, octaves)))
    ground = ground_of(verse, bass, octaves)
    bench = replace(
        bench_of(section, texture, organ, player),
        above_bass=True, carries_bass=False, lowest=organ.manuals[0].lowest, highest=organ.manuals[0].highest,
    )  # fmt: skip
    units = cut(ground, texture, bench)
    assert texture.figure is not None
    options = tuple(_reachable(unit, candidates(unit, texture.figure, bench), ground, bench) for unit in units)
    path = choose(units, options)
    drafts = [*tune_drafts(verse, section)]
    drafts += [
        replace(draft, limb="left hand", division=section.left) for draft in bass_drafts(bass, section, printed=printed)
    ]
    for unit, candidate in zip(units, path, strict=True):
        for at, (slot, keys) in enumerate(zip(unit.slots, candidate.strikes, strict=True)):
            for key in keys:
                hand: Limb = "left hand" if _reached(key, ground.bass, unit, bench) else "right hand"
                end = next((one.start for one in unit.slots[at + 1 :] if not stands(one, key)), unit.end)
                pitch = spelled(ground.chords, slot.start, slot.end, key)
                division = section.left if hand == "left hand" else section.right
                drafts.append(Draft("figure", slot.start, end, pitch, hand, division))
    section = replace(section, notes=write(section.id, section.bars, drafts))
    return section, [*check(section, organ, player), *judge(section, verse)]


def _reached(key: int, notes: tuple[Sounded, ...], unit: Unit, bench: Bench) -> bool:
    """Whether a hand holds a key together with all that it plays in a unit."""
    inside = sounding(notes, unit.start, unit.end)
    return all(span(*sorted((key, note.midi))) <= bench.span_most for note in inside)


def _reachable(unit: Unit, options: tuple[Candidate, ...], ground: Ground, bench: Bench) -> tuple[Candidate, ...]:
    """What one of the hands reaches, doublings dear; silence stays possible."""
    found = []
    for one in options:
        struck = [key for keys in one.strikes for key in keys]
        near = all(_reached(key, ground.bass, unit, bench) or _reached(key, ground.tune, unit, bench) for key in struck)
        if near:
            doubled = any(key % 12 in unit.present for key in one.levels)
            found.append(replace(one, cost=one.cost + DOUBLED * doubled))
    return tuple(found)
