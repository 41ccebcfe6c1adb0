"""An inner part of the print as a descant: an octave higher in the right hand, the tune with the other in the left.

A part that moves in fourths with the tune makes fifths above it, so the part is chosen, tenor or alto, that
does so in fewer lines; in such lines it rests, and the tune is soloed as in print.

Conventions: section time in quarter notes; keys are MIDI numbers.
References: an inner part an octave up as a descant: organ teaching pages (second hand); fifths: common practice.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.walked import Piece, WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment, PlacedLine
from undersong.model.finding import Finding
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.player import Player
from undersong.playing.check import check, key_name, tell
from undersong.textures.ground import Sounded, sounding
from undersong.textures.table import Texture

PARTS = (("tenor", "alto"), ("alto", "tenor"))
"""The part that becomes the descant, and the one that stays with the tune."""


def lay_descant(
    verse: WalkedVerse,
    section: Accompaniment,
    texture: Texture,  # noqa: ARG001  # one shape for all kinds
    organ: Organ,
    player: Player,
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out under a descant; the section with its notes, and what is to be told."""
    faults = {upper: _faults(verse, upper) for upper, _ in PARTS}
    upper, lower = min(PARTS, key=lambda pair: len(faults[pair[0]]))
    resting = faults[upper]
    drafts: list[Draft] = []
    for draft in tune_drafts(verse, section):
        line = _line_at(verse, draft.start)
        hand = ("right hand", section.right) if line in resting else ("left hand", section.left)
        drafts.append(replace(draft, limb=hand[0], division=hand[1]))  # type: ignore[arg-type]
    drafts += _descant(verse, section, upper, resting)
    inner, omitted = _inner(verse, section, upper, lower, resting, player)
    drafts += inner
    bass, printed = bass_for(verse, organ)
    drafts += bass_drafts(bass, section, printed=printed)
    section = replace(section, notes=write(section.id, section.bars, drafts))
    told = [
        tell(section, "descant-rests", line.start, interval=interval)
        for line, interval in sorted(resting.items(), key=lambda one: one[0].start)
    ]
    told += [
        tell(
            section, "changed-here", piece.start,
            what=f"the {name}'s {key_name(piece.pitch.midi)} is left out: the left hand cannot take it too",
        )
        for name, piece in omitted
    ]  # fmt: skip
    return section, [*check(section, organ, player), *judge(section, verse), *told]


def _line_at(verse: WalkedVerse, start: Fraction) -> PlacedLine:
    return [line for line in verse.lines if line.start <= start][-1]


def _faults(verse: WalkedVerse, upper: str) -> dict[PlacedLine, str]:
    """The lines in which the part, an octave up, would make fifths or octaves with tune, other part or bass."""
    part = merged(verse.voice(upper))
    others = [merged(verse.voice(name)) for name in ("soprano", "alto", "tenor", "bass") if name != upper]
    found: dict[PlacedLine, str] = {}
    for line in verse.lines:
        for other in others:
            interval = _parallel(part, other, line)
            if interval:
                found.setdefault(line, interval)
    return found


def _parallel(part: tuple[Sounded, ...], other: tuple[Sounded, ...], line: PlacedLine) -> str:
    """`fifths`, `octaves` or nothing: what the part an octave up makes in a line that it does not make in print."""
    starts = sorted(
        {note.start for note in (*sounding(part, line.start, line.end), *sounding(other, line.start, line.end))}
    )
    pairs = []
    for start in starts:
        up, low = sounding(part, start, start + Fraction(1, 64)), sounding(other, start, start + Fraction(1, 64))
        if up and low:
            pairs.append((up[0].midi, low[0].midi))
    for (a, b), (c, d) in pairwise(pairs):
        if a == c or b == d:
            continue
        printed, raised = _size(a, b), _size(a + 12, b)
        if raised in (0, 7) and _size(c + 12, d) == raised and printed != raised:
            return "fifths"
        if raised == 0 and _size(c + 12, d) == 0:
            return "octaves"
    return ""


def _size(upper: int, lower: int) -> int:
    """The interval from the lower sounding note up, within an octave."""
    return abs(upper - lower) % 12


def _descant(verse: WalkedVerse, section: Accompaniment, upper: str, resting: dict[PlacedLine, str]) -> list[Draft]:
    return [
        Draft(
            "descant", piece.start, piece.end, piece.pitch.octaves_up(1), "right hand", section.right, upper,
            tied_from=piece.tied_from, tied_to=piece.tied_to,
        )
        for piece in verse.voice(upper)
        if _line_at(verse, piece.start) not in resting
    ]  # fmt: skip


def _inner(
    verse: WalkedVerse, section: Accompaniment, upper: str, lower: str, resting: dict[PlacedLine, str], player: Player
) -> tuple[list[Draft], list[tuple[str, Piece]]]:
    """The other inner part under the tune, or both where the descant rests; and what the left hand cannot take."""
    drafts, omitted = [], []
    for name in (lower, upper):
        for piece in verse.voice(name):
            rests = _line_at(verse, piece.start) in resting
            if name == upper and not rests:
                continue
            if not _fits(piece, verse, lower if name == upper else "", player, rests=rests):
                omitted.append((name, piece))
                continue
            drafts.append(
                Draft(
                    name, piece.start, piece.end, piece.pitch, "left hand", section.left, name,
                    tied_from=piece.tied_from, tied_to=piece.tied_to,
                )
            )  # fmt: skip
    return drafts, omitted


def _fits(piece: Piece, verse: WalkedVerse, other: str, player: Player, *, rests: bool) -> bool:
    """Whether the left hand reaches a note together with the tune, or with the other part where the tune is soloed."""
    with_it = merged(verse.voice(other)) if other else () if rests else verse.sounded_tune
    for note in sounding(with_it, piece.start, piece.end):
        if span(*sorted((note.midi, piece.pitch.midi))) > player.span_most or note.midi == piece.pitch.midi:
            return False
        if not rests and piece.pitch.midi > note.midi:
            return False
    return True
