"""A printed hymn as an organist would type it: the shortest way of writing down what stands on the page."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from undersong.model.pitch import STEPS, Pitch
from undersong.model.tune import Note, Tune
from undersong.reading.typed import HOMES, LENGTHS, Typed, signature

FIGURES = {length: figure for figure, length in LENGTHS.items()}
DOTTED = {length * 3 / 2: figure for figure, length in LENGTHS.items()}

EVENING = {
    "soprano": "c,4|f8ga4a|bag|a8gf4e|f2c4|f8ga4c|c8ba4g|a8gf4e|f2",
    "bass": "e|f~fa|bfc|f~b,c|fe|d~df|a~fc|f~b,c|f",
    "symbols": "C/E | F | Bb F C | F Bb C7 | F . C/E | Dm . F | F/A F C | F Bb C7 | F",
}
"""An invented tune with its bass and symbols, as a newcomer types it."""


def struck(notes: Sequence[Note]) -> list[Note]:
    """Ties joined."""
    found: list[Note] = []
    for note in notes:
        if found and found[-1].tied and found[-1].end == note.onset and found[-1].pitch == note.pitch:
            before = found.pop()
            note = Note(before.onset, before.length + note.length, note.pitch, note.tied)  # noqa: PLW2901
        found.append(note)
    return found


class _Hand:
    def __init__(self, tune: Tune, voice: str) -> None:
        self.tune, self.last = tune, HOMES[voice]
        self.signs: dict[tuple[str, int], int] = {}
        self.bar = -1

    def letter(self, note: Note) -> str:
        pitch, bar = note.pitch, self.tune.bar_at(note.onset)
        if bar != self.bar:
            self.signs, self.bar = {}, bar
        near = _nearest(self.last, pitch.step)
        octaves = pitch.octave - near
        alter = self.signs.get((pitch.step, pitch.octave), signature(self.tune.bars[bar].key)[pitch.step])
        sign = "" if alter == pitch.alter else {1: "#", 0: "=", -1: "-"}[pitch.alter]
        if sign:
            self.signs[pitch.step, pitch.octave] = pitch.alter
        self.last = pitch
        return pitch.step.lower() + sign + ("'" * octaves if octaves > 0 else "," * -octaves)


def _nearest(last: Pitch, step: str) -> int:
    away = (STEPS.index(step) - STEPS.index(last.step) + 3) % 7 - 3
    return (7 * last.octave + STEPS.index(last.step) + away) // 7


def _parts(length: Fraction) -> list[Fraction]:
    """A length as lengths that have a figure, the longest first."""
    if length in FIGURES or length in DOTTED:
        return [length]
    first = max(one for one in (*FIGURES, *DOTTED) if one < length)
    return [first, *_parts(length - first)]


def lead(tune: Tune, voice: str) -> str:
    """The tune with its lengths."""
    hand, text, now = _Hand(tune, voice), "", tune.bars[0].time.beat
    if tune.bars[0].time.compound:
        now = now / 3
    for note in struck(tune.tune_voice.notes):
        text += hand.letter(note)
        for count, length in enumerate(_parts(note.length)):
            dotted = length in DOTTED and length not in FIGURES
            base = length * Fraction(2, 3) if dotted else length
            text += "~" if count else ""
            text += FIGURES[base] if base != now else ""
            text += "." if dotted else ""
            now = base
    return text


def other(tune: Tune, voice: str) -> str:
    """Another voice over the tune's rhythm."""
    notes = struck(next(one for one in tune.voices if one.name == voice).notes)
    onsets = sorted({note.onset for note in struck(tune.tune_voice.notes)} | {tune.length})
    hand, text, index = _Hand(tune, voice), "", 0
    while index < len(notes):
        note = notes[index]
        after = next(onset for onset in onsets if onset > note.onset)
        inside = [one for one in notes[index:] if one.end <= after]
        if note.end == after:
            text += hand.letter(note)
        elif note.end in onsets:
            text += hand.letter(note) + "~" * (onsets.index(note.end) - onsets.index(after))
        elif len(inside) > 1 and len({one.length for one in inside}) == 1 and inside[-1].end == after:
            text += f"({''.join(hand.letter(one) for one in inside)})"
            index += len(inside) - 1
        elif note.length in FIGURES:
            text += hand.letter(note) + FIGURES[note.length]
        else:
            text += hand.letter(note) + FIGURES[note.length * Fraction(2, 3)] + "."
        index += 1
    return text


def typed_out(tune: Tune, title: str = "") -> Typed:
    """A four-part hymn or a tune as it would be typed, without bar lines and blanks."""
    first = tune.bars[0]
    names = [voice.name for voice in tune.voices]
    voices = tuple((name, lead(tune, name) if name == tune.melody else other(tune, name)) for name in names)
    pickup = first.length / first.time.beat if first.pickup else Fraction(0)
    return Typed(title, "", str(first.key), str(first.time), str(pickup), voices)
