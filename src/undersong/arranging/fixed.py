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


def bass_for(verse: WalkedVerse, organ: Organ) -> tuple[tuple[Piece, ...], bool]:
    """The bass for the feet, and whether it is the printed one; moved by an octave where the pedal ends."""
    pedal = organ.pedal or organ.manuals[0]
    printed = printed_bass(verse)
    pieces = printed or bass_from_chords(verse, pedal.lowest, pedal.highest)
    return tuple(_inside(piece, pedal) for piece in pieces), bool(printed)


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
