"""Inner pedal points: a tone common to three chords or more, one held key where she asks for it (R12). Music invented.

What an organist expects of them: rules of the project; common practice, no source. That the exchange file holds one
tied note and the MIDI file one key is asked of music21 and mido.
"""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction
from typing import Any

import mido
import music21
import pytest

from laid import four_parts, one_line, tune, weights
from undersong import workflow
from undersong.arranging.innerpedal import inner_pedal_point
from undersong.arranging.judge import review
from undersong.arranging.rules.case import Case
from undersong.demo import hymn_files
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.codec import decode, encode
from undersong.model.hymn import Hymn
from undersong.model.plan import TunePlace, VersePlan
from undersong.playing.check import HeldKey, held_keys
from undersong.textures.table import TEXTURES
from undersong.textures.units import leading_notes
from undersong.workflow import Wishes, lay_out
from undersong.writing.exchange import exchange_file

FOUR = "(time=4/4) (key=0) (tempo=80)"
COMMON_C = f"{FOUR} (C/major) G4:2 (A/minor) E4:2 | (F/major) A4:2 (C/major) G4:2 | (G/major) G4:4 | (C/major) E4:4"
"""C lies in the first four chords."""
COMMON_G = f"{FOUR} (C/major) E5:2 (E/minor) B4:2 | (C/major) E5:2 (E/minor) B4:2 | (G/major) B4:4 | (C/major) C5:4"
"""G lies in every chord, its third mostly in the tune or on the G itself."""
PRINTED = (
    f"{FOUR} E5:1 D5:1 C5:1 D5:1 | E5:2 D5:2 | C5:4",
    f"{FOUR} G4:1 G4:1 E4:1 G4:1 | G4:2 F4:2 | E4:4",
    f"{FOUR} C4:1 B3:1 C4:1 B3:1 | C4:2 B3:2 | C4:4",
    f"{FOUR} C3:1 G3:1 C3:1 G2:1 | C3:2 G2:2 | C3:4",
)
"""Four parts: G lies in every chord of the first bar and on to the close."""
HYMNS = {"symbols": one_line(tune(COMMON_C)), "four parts": one_line(four_parts(*PRINTED))}


def held(hymn: Hymn, texture: str, place: TunePlace = "at-pitch") -> tuple[Accompaniment, Arrangement]:
    """The first section in one texture, inner pedal points asked for."""
    arrangement = lay_out(hymn, Wishes(textures=(texture,), tune=place, inner_pedal=True))
    return arrangement.sections[0], arrangement


def points(section: Accompaniment) -> list[HeldKey]:
    """The figure's keys that are held through three chords or more."""
    case = Case(section)
    return [key for key in held_keys(section.notes) if key.part == "figure" and inner_pedal_point(key, case.chords)]


def spans(section: Accompaniment) -> list[tuple[str, str, str]]:
    """Name, start and end of each inner pedal point."""
    return [(str(key.pitch.name), str(key.start), str(key.end)) for key in points(section)]


@pytest.mark.parametrize(("kind", "found"), [("symbols", ("C", "0", "8")), ("four parts", ("G", "0", "12"))])
def test_a_common_tone_stands_as_one_key_while_the_others_move(kind: str, found: tuple[str, str, str]) -> None:
    """C Am | F C, and C G C G | C G | C: struck once, tied over the bar lines; two more voices go with every chord."""
    section, arrangement = held(HYMNS[kind], "block")
    assert found in [(name, start, end) for name, start, end in spans(section)]
    assert weights(arrangement, "hard") == []
    (key,) = [one for one in points(section) if (str(one.pitch.name), str(one.start)) == found[:2]]
    written = [
        note for note in section.notes if note.pitch == key.pitch and note.limb == key.limb and note.end <= key.end
    ]
    assert [note.tie for note in written] == ["start", *["both"] * (len(written) - 2), "stop"]
    chords = {one.start for one in section.chords if key.start < one.start < key.end}
    struck = [one.start for one in held_keys(section.notes) if one.part == "figure" and one.start in chords]
    assert chords
    assert all(struck.count(start) == 2 for start in chords)


@pytest.mark.parametrize("kind", HYMNS)
def test_unasked_every_chord_is_struck_and_the_tone_is_offered(kind: str) -> None:
    """By default no key lasts into another chord; a note says where one could."""
    arrangement = lay_out(HYMNS[kind], Wishes(textures=("block",)))
    section = arrangement.sections[0]
    assert points(section) == []
    assert all(note.tie is None for note in section.notes if note.part == "figure")
    offers = [one for one in arrangement.findings if one.kind == "inner-pedal-offered"]
    assert offers
    assert (offers[0].bar, offers[0].beat, offers[0].weight, offers[0].told) == ("1", "1", "note", "list")
    asked, _ = held(HYMNS[kind], "block")
    offered = {(str(one.start), one.message.split()[0][0]) for one in offers}
    assert {(start, name) for name, start, _ in spans(asked)} <= offered


def test_after_a_breath_the_tone_is_struck_again() -> None:
    """The same four chords twice, a breath between: two keys, none over the breath."""
    line = "(C/major) G4:2 (A/minor) E4:2 | (F/major) A4:2 (C/major) G4:2{}"
    music = f"{FOUR} {line.format(chr(39))} | {line.format('')} | (C/major) E4:4"
    section, arrangement = held(tune(music), "block")
    assert [line.start for line in section.lines] == [0, 8]
    assert [(name, start) for name, start, _ in spans(section)] == [("C", "0"), ("C", "8")]
    assert "held-over-breath" not in weights(arrangement, "soft")


def test_it_gives_way_a_semitone_under_a_struck_tune_note() -> None:
    """R2: B lies in Em G Em Bm G and is held under E5; under a C5 on the beat it is silent, and G is held instead."""
    line = "(E/minor) G4:2 (G/major) G4:2 | (E/minor) {}:1 G4:1 (B/minor) D5:2 | (G/major) G4:4"
    free, _ = held(one_line(tune(f"(time=4/4) (key=1) (tempo=80) {line.format('E5')}")), "block")
    assert spans(free) == [("B", "0", "12")]
    clash, _ = held(one_line(tune(f"(time=4/4) (key=1) (tempo=80) {line.format('C5')}")), "block")
    assert spans(clash) == [("G", "0", "6")]
    under = [key for key in held_keys(clash.notes) if key.part == "figure" and key.start < 5 and key.end > 4]
    assert 11 not in {key.midi % 12 for key in under}


def test_the_leading_note_is_never_held() -> None:
    """B lies in Em G7 Em in C major, but leads in G7."""
    music = f"{FOUR} (E/minor) E5:2 (G/dominant/G7) D5:2 | (E/minor) E5:2 (G/dominant/G7) D5:2 | (C/major) C5:4"
    section, _ = held(one_line(tune(music)), "block")
    assert "B" not in {name for name, _, _ in spans(section)}


def test_the_middle_voice_of_three_stands_in_one_hand() -> None:
    """C Em C Em: thirds in the tune or on the G, so the middle voice is G alone."""
    section, arrangement = held(one_line(tune(COMMON_G)), "three-voices")
    assert ("G", "0") in [(name, start) for name, start, _ in spans(section)]
    assert weights(arrangement, "hard") == []


def test_broken_over_held_notes_holds_on_while_the_others_move() -> None:
    """The held note stays through the chords, and every beat is still struck (R14)."""
    section, arrangement = held(HYMNS["symbols"], "held", "octave-up")
    (key, *_) = points(section)
    moving = [one for one in held_keys(section.notes) if one.part == "figure" and key.start <= one.start < key.end]
    assert len(moving) > len({one.start for one in section.chords if one.start < key.end})
    assert weights(arrangement, "hard") == []
    assert "beat-not-struck" not in weights(arrangement, "soft")


def test_where_there_is_none_it_says_why() -> None:
    """A texture that moves, and a harmony whose chords share no tone three times."""
    _, arrangement = held(HYMNS["symbols"], "alberti")
    (said,) = [one for one in arrangement.findings if one.kind == "no-inner-pedal"]
    assert "this texture" in said.message
    apart = f"{FOUR} (C/major) G4:4 | (G/major) B4:4 | (F/major) A4:4 | (C/major) G4:4"
    _, arrangement = held(one_line(tune(apart)), "block")
    (said,) = [one for one in arrangement.findings if one.kind == "no-inner-pedal"]
    assert "three successive chords" in said.message
    assert not [one for one in arrangement.findings if one.kind == "inner-pedal-offered"]


@pytest.mark.parametrize("texture", [name for name, row in TEXTURES.items() if row.inner_pedal])
@pytest.mark.parametrize("place", ["at-pitch", "octave-up", "tenor"])
def test_every_inner_pedal_point_keeps_the_rules(texture: str, place: TunePlace) -> None:
    """On all demo hymns: playable, in a line, part of each chord, no leading note; and the others struck as before."""
    found = 0
    for file in hymn_files():
        (hymn,) = workflow.read(file)
        arrangement = lay_out(hymn, Wishes(textures=(texture,), tune=place, verses=(1,), inner_pedal=True))
        section = arrangement.sections[0]
        assert weights(arrangement, "hard") == []
        kinds = {one.kind for one in review(section)}
        assert kinds.isdisjoint({"inner-pedal-struck", "tied-into-strong", "held-over-breath", "held-into-change"})
        case = Case(section)
        for key in points(section):
            found += 1
            assert any(line.start <= key.start and key.end <= line.end for line in section.lines)
            assert not any(key.start < breath < key.end for breath in section.breaths)
            over = [one for one in case.chords if one.start < key.end and one.end > key.start]
            assert len(over) >= 3
            assert all(key.midi % 12 in one.chord.pitch_classes - leading_notes(one) for one in over)
    assert found or texture == "three-voices"


def test_the_exchange_file_has_one_tied_note() -> None:
    """music21, another reader: with ties taken together the C lasts eight quarter notes, struck once."""
    section, arrangement = held(HYMNS["symbols"], "block")
    (key, *_) = points(section)
    score: Any = music21.converter.parse(exchange_file(arrangement).decode(), format="musicxml")
    notes = [note for part in score.stripTies().parts for note in part.flatten().notes]
    lasting = {
        (pitch.nameWithOctave, Fraction(note.offset), Fraction(note.quarterLength))
        for note in notes
        for pitch in note.pitches
    }
    assert (str(key.pitch), key.start, key.end - key.start) in lasting


def test_midi_presses_the_key_once() -> None:
    """mido: one note-on for the held C before the chord after it; unasked four of them."""
    section, arrangement = held(HYMNS["symbols"], "block")
    (key, *_) = points(section)
    unasked = lay_out(HYMNS["symbols"], Wishes(textures=("block",)))
    assert _pressed(arrangement, key) == 1
    assert _pressed(unasked, key) == 4


def _pressed(arrangement: Arrangement, key: HeldKey) -> int:
    file = mido.MidiFile(file=io.BytesIO(workflow.midi_of(arrangement)))
    count = 0
    for track in file.tracks:
        ticks = 0
        for message in track:
            ticks += message.time
            if message.type == "note_on" and message.velocity and message.note == key.midi:
                count += key.start * file.ticks_per_beat <= ticks < (key.end - Fraction(1, 8)) * file.ticks_per_beat
    return count


def test_a_plan_from_before_asks_for_none() -> None:
    """The field may be missing in what was kept; there and back it stays."""
    row = replace(VersePlan(1, "block"), inner_pedal=True)
    assert decode(VersePlan, encode(row)) == row
    assert decode(VersePlan, {"verse": 1, "texture": "block"}).inner_pedal is False
