"""What every texture keeps: the tune in the right hand, the bass in the feet.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from dataclasses import replace

from undersong.arranging.bass import bass_from_chords, printed_bass
from undersong.arranging.placing import Draft
from undersong.arranging.walked import Piece, WalkedVerse
from undersong.model.accompaniment import Accompaniment
from undersong.model.kept import kept
from undersong.model.organ import Division, Organ
from undersong.model.pitch import Pitch
from undersong.textures.ground import chords_in, sounding
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


LOWEST_IN_HAND = 43
"""How low a bass from symbols goes in a hand: lower, other voices find no room beside it (assumed)."""


@kept(16)
def bass_for(
    verse: WalkedVerse,
    organ: Organ,
    under: int | None = None,
    sounds: int = 0,
    *,
    between: bool = False,
    hands_alone: bool = False,
) -> tuple[tuple[Piece, ...], bool]:
    """The bass, and whether it is the printed one; moved by an octave where the keyboard ends.

    `under`: octaves by which the tune is moved, where the bass must stay below it; `sounds`: octaves up it sounds;
    `between`: what the hands play lies between them; `hands_alone`: one of the hands plays a middle voice besides.
    """
    keyboard = organ.pedal if organ.pedal and under is None else organ.manuals[0]
    printed = tuple(piece for one in printed_bass(verse) for piece in _as_she_says(one, verse))
    lowest = keyboard.lowest if organ.pedal and under is None else max(keyboard.lowest, LOWEST_IN_HAND)
    pieces = printed or bass_from_chords(
        verse, lowest, keyboard.highest, sounds, between=between, hands_alone=hands_alone
    )
    if under is not None:
        pieces = tuple(below_tune(piece, verse, under) for piece in pieces)
    return tuple(_inside(piece, keyboard) for piece in pieces), bool(printed)


def _as_she_says(piece: Piece, verse: WalkedVerse) -> list[Piece]:
    """A printed note of the bass, or under a chord of hers that has another bass the nearest key of that."""
    made, place = [], piece.start
    for one in chords_in(verse.chords, piece.start, piece.end):
        start, end = max(one.start, piece.start), min(one.end, piece.end)
        low = one.chord.lowest
        if not one.hers or low is None or piece.pitch.name == low:
            continue
        if place < start:
            made.append(Piece(place, start - place, piece.pitch))
        octaves = [Pitch(low.step, low.alter, octave) for octave in range(1, 6)]
        made.append(Piece(start, end - start, min(octaves, key=lambda key: abs(key.midi - piece.pitch.midi))))
        place = end
    if not made:
        return [piece]
    return [*made, Piece(place, piece.end - place, piece.pitch)] if place < piece.end else made


def below_tune(piece: Piece, verse: WalkedVerse, octaves: int) -> Piece:
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
