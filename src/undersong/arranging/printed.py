"""A verse as printed: four parts on two hands and feet, redistributed where the stretch asks.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from math import lcm

from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.rules.case import overlapping
from undersong.arranging.walked import WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.pitch import Pitch, PitchName
from undersong.model.player import Player
from undersong.playing.check import check, tell
from undersong.playing.hands import Part, Shared, left_hand_alone, share
from undersong.textures.ground import Sounded
from undersong.textures.places import PLACES
from undersong.textures.table import Texture


def _parts(name: str, notes: tuple[Sounded, ...], ticks: int, up: int = 0) -> list[Part]:
    return [Part(name, int(note.start * ticks), int(note.end * ticks), note.midi + up) for note in notes]


def _ticks(verse: WalkedVerse) -> int:
    """Ticks to a quarter note, so that every place of the verse is a whole one."""
    return lcm(*(piece.length.denominator for _, pieces in verse.voices for piece in pieces),
               *(piece.start.denominator for _, pieces in verse.voices for piece in pieces))  # fmt: skip


def lay_printed(
    verse: WalkedVerse,
    section: Accompaniment,
    texture: Texture,  # noqa: ARG001  # one shape for all kinds
    organ: Organ,
    player: Player,
) -> tuple[Accompaniment, list[Finding]]:
    """The four printed parts; soloed, the tune has a manual of its own and the left hand both inner parts."""
    soloed = section.right != section.left and organ.pedal is not None  # without feet both hands share four parts
    octaves = 12 * PLACES[section.tune].octaves
    ticks = _ticks(verse)
    tune = _parts("tune", verse.sounded_tune, ticks, octaves)
    inner = [_parts(name, merged(verse.voice(name)), ticks) for name in ("alto", "tenor")]
    bass, printed = bass_for(verse, organ)
    if soloed:
        given = left_hand_alone(inner[0], inner[1], player)
    else:
        low = [] if organ.pedal else _within_tenth(_parts("bass", merged(bass), ticks), inner[1], player)
        given = [note for note in share(tune, inner, player, low) if note.part != "tune"]
    spelled = _spellings(verse, ticks)
    division = {"right hand": section.right, "left hand": section.left}
    drafts = tune_drafts(verse, section)
    drafts += [
        Draft(
            note.part, Fraction(note.start, ticks), Fraction(note.end, ticks), spelled(note), note.hand,
            division[note.hand], note.part, note.mark,
        )
        for note in given
    ]  # fmt: skip
    if organ.pedal:
        drafts += bass_drafts(bass, section, printed=printed)
    section = replace(section, notes=write(section.id, section.bars, drafts))
    findings = [*check(section, organ, player), *judge(section, verse), *_told(section, inner, given, ticks, spelled)]
    return section, findings


def _within_tenth(bass: list[Part], tenor: list[Part], player: Player) -> list[Part]:
    """The bass for a left hand without feet: up an octave where tenor and bass lie too far apart for it."""
    closed = []
    for note in bass:
        over = [other.midi for other in tenor if other.start < note.end and other.end > note.start]
        raised = note.midi + 12
        wide = any(span(note.midi, midi) > player.span_most for midi in over)
        fits = all(raised < midi and span(raised, midi) <= player.span_most for midi in over)
        closed.append(
            replace(note, midi=raised, mark="an octave higher: out of reach as printed") if wide and fits else note
        )
    return closed


def _spellings(verse: WalkedVerse, ticks: int) -> Callable[[Part | Shared], Pitch]:
    """Names for keys of printed parts: the part's own spelling nearest by."""
    table: dict[tuple[str, int], list[tuple[int, PitchName]]] = {}
    for name, pieces in verse.voices:
        for piece in pieces:
            table.setdefault((name, piece.pitch.midi % 12), []).append((int(piece.start * ticks), piece.pitch.name))

    def spelled(note: Part | Shared) -> Pitch:
        same = table[(note.part, note.midi % 12)]
        return Pitch.of(min(same, key=lambda one: abs(one[0] - note.start))[1], note.midi)

    return spelled


def _told(
    section: Accompaniment,
    inner: list[list[Part]],
    given: list[Shared],
    ticks: int,
    spelled: Callable[[Part | Shared], Pitch],
) -> list[Finding]:
    """What differs from the print: notes given to the other hand, and notes left out."""
    found = []
    ids = {(one.part, one.start): one.id for one in section.notes}
    for note in given:
        start = Fraction(note.start, ticks)
        pitch = spelled(note)
        if note.mark.startswith("an octave"):
            found.append(tell(section, "changed-here", start, what=f"{note.part} {pitch}: {note.mark}"))
        elif note.mark.startswith("to the"):
            found.append(tell(section, "redistributed", start, (ids[(note.part, start)],), pitch=pitch, limb=note.hand))
    tune = [
        Part("tune", int(one.start * ticks), int(one.end * ticks), one.pitch.midi)
        for one in section.notes
        if one.part == "tune"
    ]
    sounding: list[Part | Shared] = [*given, *tune]
    wanted = sorted((note for part in inner for note in part), key=lambda note: note.start)
    for part_note, down in overlapping(wanted, sounding):
        near = {part_note.midi, part_note.midi - 12}
        if not any(other.start <= part_note.start and other.midi in near for other in down):
            covers = any(other.part == "tune" and other.midi < part_note.midi for other in down)
            reason = "it lies above the tune on the same manual" if covers else "no hand can take it here"
            what = f"the {part_note.part}'s {spelled(part_note)} is left out: {reason}"
            found.append(tell(section, "changed-here", Fraction(part_note.start, ticks), what=what))
    return found
