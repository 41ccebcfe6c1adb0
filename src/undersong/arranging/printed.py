"""A verse as printed: four parts on two hands and feet, redistributed where the stretch asks.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.walked import WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.organ import Organ
from undersong.model.pitch import Pitch
from undersong.model.player import Player
from undersong.playing.check import check, key_name, tell
from undersong.playing.hands import Part, Shared, left_hand_alone, share
from undersong.textures.ground import Sounded


def _parts(verse: WalkedVerse, name: str) -> list[Part]:
    return [Part(name, note.start, note.end, note.midi) for note in merged(verse.voice(name))]


def lay_printed(
    verse: WalkedVerse, section: Accompaniment, organ: Organ, player: Player
) -> tuple[Accompaniment, list[Finding]]:
    """The four printed parts; soloed, the tune has a manual of its own and the left hand both inner parts."""
    soloed = section.right != section.left
    octaves = 12 if section.tune == "octave-up" else 0
    tune = [Part("tune", note.start, note.end, note.midi + octaves) for note in verse.sounded_tune]
    inner = [_parts(verse, "alto"), _parts(verse, "tenor")]
    if soloed:
        given = left_hand_alone(inner[0], inner[1], player)
    else:
        given = [note for note in share(tune, inner, player) if note.part != "tune"]
    spelled = _spellings(verse)
    division = {"right hand": section.right, "left hand": section.left}
    drafts = tune_drafts(verse, section)
    drafts += [
        Draft(
            note.part, note.start, note.end, spelled(note.part, note.start, note.midi), note.hand,
            division[note.hand], note.part, note.mark,
        )
        for note in given
    ]  # fmt: skip
    bass, printed = bass_for(verse, organ)
    drafts += bass_drafts(bass, section, printed=printed)
    section = replace(section, notes=write(section.id, section.bars, drafts))
    findings = [*check(section, organ, player), *judge(section, verse), *_told(section, inner, given)]
    return section, findings


def _spellings(verse: WalkedVerse) -> Callable[[str, Fraction, int], Pitch]:
    """Names for keys of printed parts: the part's own spelling nearest by."""
    table: dict[tuple[str, int], list[Sounded]] = {}
    for name, pieces in verse.voices:
        for note in merged(pieces):
            table.setdefault((name, note.midi % 12), []).append(note)

    def spelled(part: str, start: Fraction, midi: int) -> Pitch:
        same = table[(part, midi % 12)]
        note = min(same, key=lambda one: abs(one.start - start))
        return Pitch.of(note.pitch.name, midi)

    return spelled


def _told(section: Accompaniment, inner: list[list[Part]], given: list[Shared]) -> list[Finding]:
    """What differs from the print: notes given to the other hand, and notes left out."""
    found = []
    for note in given:
        if note.mark.startswith("an octave lower"):
            found.append(
                tell(section, "changed-here", note.start, what=f"{note.part} {key_name(note.midi)}: {note.mark}")
            )
        elif note.mark.startswith("to the"):
            ids = tuple(one.id for one in section.notes if one.part == note.part and one.start == note.start)
            found.append(tell(section, "redistributed", note.start, ids, pitch=key_name(note.midi), limb=note.hand))
    sounding = [(note.start, note.end, note.midi % 12) for note in given]
    tune = [(one.start, one.end, one.pitch.midi % 12) for one in section.notes if one.part == "tune"]
    for part in inner:
        for wanted in part:
            name = wanted.midi % 12
            if not any(a <= wanted.start < b and name == other for a, b, other in [*sounding, *tune]):
                what = f"the {wanted.part}'s {key_name(wanted.midi)} is left out: no hand can take it here"
                found.append(tell(section, "changed-here", wanted.start, what=what))
    return found
