"""What every texture keeps: the tune in the right hand, the bass in the feet.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from dataclasses import replace

from undersong.arranging.bass import bass_from_chords, printed_bass
from undersong.arranging.placing import Draft
from undersong.arranging.walked import Piece, WalkedVerse
from undersong.model.accompaniment import Accompaniment
from undersong.model.organ import Division, Organ
from undersong.textures.ground import sounding
from undersong.textures.places import PLACES, division_of


def tune_drafts(verse: WalkedVerse, section: Accompaniment) -> list[Draft]:
    """The tune as printed, in the limb and octave that the section says."""
    place = PLACES[section.tune]
    return [
        Draft(
            "tune", piece.start, piece.end, piece.pitch.octaves_up(place.octaves), place.tune,
            division_of(section, place.tune),
            verse.melody, tied_from=piece.tied_from, tied_to=piece.tied_to,
        )
        for piece in verse.tune
    ]  # fmt: skip


LOWEST_IN_HAND = 48
"""How low a bass from symbols goes in a hand: lower, other voices find no room beside it (assumed)."""


def bass_for(verse: WalkedVerse, organ: Organ, under: int | None = None) -> tuple[tuple[Piece, ...], bool]:
    """The bass, and whether it is the printed one; moved by an octave where the keyboard ends.

    `under`: octaves by which the tune is moved, where the bass must stay below it.
    """
    keyboard = organ.pedal if organ.pedal and under is None else organ.manuals[0]
    printed = printed_bass(verse)
    lowest = keyboard.lowest if organ.pedal and under is None else max(keyboard.lowest, LOWEST_IN_HAND)
    pieces = printed or bass_from_chords(verse, lowest, keyboard.highest)
    if under is not None:
        pieces = tuple(_below_tune(piece, verse, under) for piece in pieces)
    return tuple(_inside(piece, keyboard) for piece in pieces), bool(printed)


def _below_tune(piece: Piece, verse: WalkedVerse, octaves: int) -> Piece:
    """An octave lower where it would lie above the tune."""
    over = [note.midi + 12 * octaves for note in sounding(verse.sounded_tune, piece.start, piece.end)]
    pitch = piece.pitch
    while over and pitch.midi >= min(over):
        pitch = pitch.octaves_up(-1)
    return replace(piece, pitch=pitch)


def _inside(piece: Piece, pedal: Division) -> Piece:
    pitch = piece.pitch
    while pitch.midi > pedal.highest:
        pitch = pitch.octaves_up(-1)
    while pitch.midi < pedal.lowest:
        pitch = pitch.octaves_up(1)
    return replace(piece, pitch=pitch)


def bass_drafts(pieces: tuple[Piece, ...], section: Accompaniment, *, printed: bool) -> list[Draft]:
    """The bass in the feet, or in the hand that the tune's place leaves it."""
    limb = PLACES[section.tune].bass
    return [
        Draft(
            "bass", piece.start, piece.end, piece.pitch, limb, division_of(section, limb), "bass" if printed else "",
            tied_from=piece.tied_from, tied_to=piece.tied_to,
        )
        for piece in pieces
    ]  # fmt: skip
