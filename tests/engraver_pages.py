"""Invented verses for the tests of engraver and booklet: a tune made by a rule, a figure, a pedal note to the bar."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from undersong.model.accompaniment import (
    Accompaniment,
    Arrangement,
    PlacedBar,
    PlacedChord,
    PlacedLine,
    PlayedNote,
    Registration,
    Word,
)
from undersong.model.chord import Chord
from undersong.model.finding import Finding
from undersong.model.pitch import Key, Pitch
from undersong.model.plan import Plan, TunePlace, VersePlan
from undersong.model.text import Hyphen
from undersong.model.time import Pace, Time

WORDS = (
    "The sil-ver morn-ing on the hill a-wakes and all the riv-ers run with glad-ness through the fields of night "
    "un-til the qui-et stars have done"
)
"""Invented words."""

TUNE = (4, 4, 5, 6, 7, 6, 5, 4, 2, 3, 4, 5, 4, 3, 2, 4)
"""Scale steps of an invented tune, repeated as needed."""

ROOTS = (0, 3, 4, 0, 5, 3, 4, 0)


def syllables(skip: int = 0) -> list[tuple[str, Hyphen]]:
    found: list[tuple[str, Hyphen]] = []
    for word in WORDS.split()[skip:] + WORDS.split():
        parts = word.split("-")
        for index, part in enumerate(parts):
            hyphen: Hyphen = "middle"
            if len(parts) == 1:
                hyphen = "single"
            elif index == 0:
                hyphen = "begin"
            elif index == len(parts) - 1:
                hyphen = "end"
            found.append((part, hyphen))
    return found


def scale_pitch(key: Key, degree: int, octave: int = 4) -> Pitch:
    """The pitch so many scale steps above the tonic in that octave."""
    index = degree % 7
    name = key.tonic.up(index, (0, 2, 4, 5, 7, 9, 11)[index])
    place = 7 * octave + "CDEFGAB".index(key.tonic.step) + degree
    return Pitch(name.step, name.alter, place // 7)


def verse(
    number: int,
    *,
    fifths: int = 0,
    time: str = "4/4",
    bars: int = 16,
    line_bars: int = 4,
    figure: Fraction = Fraction(1, 2),
    pickup: Fraction = Fraction(0),
    tune: TunePlace = "at-pitch",
    texture: str = "broken",
    left: str = "Swell",
    finger: str = "",
    words: str = "",
    mark: str = "",
) -> Accompaniment:
    key, metre = Key.from_fifths(fifths), Time.parse(time)
    octave = 3 if key.tonic.step in "GAB" else 4
    lengths = [metre.bar_length] * bars
    if pickup:
        lengths = [pickup, *lengths[:-1], metre.bar_length - pickup]
    section, start, note_number, word_number = f"verse-{number}", Fraction(0), 0, 0
    placed: list[PlacedBar] = []
    notes: list[PlayedNote] = []
    sung: list[Word] = []
    chords: list[PlacedChord] = []
    text = [(word, "single") for word in words.split()] if words else syllables(3 * (number - 1))
    for index, length in enumerate(lengths):
        placed.append(
            PlacedBar(str(index if pickup else index + 1), 1, start, length, metre, key, bool(pickup) and index == 0)
        )
        root = ROOTS[index % len(ROOTS)]
        chords.append(PlacedChord(start, length, Chord(scale_pitch(key, root).name)))
        at = start
        while at < start + length:
            long = min(metre.beat, start + length - at)
            degree = TUNE[note_number % len(TUNE)]
            pitch = scale_pitch(key, degree, octave).octaves_up(1 if tune == "octave-up" else 0)
            name = f"{section}.b{index}.r{note_number}"
            notes.append(PlayedNote(name, "tune", at, long, pitch, "right hand", "Great"))
            syllable, hyphen = text[word_number % len(text)]
            sung.append(Word(at, syllable, hyphen))  # type: ignore[arg-type]
            note_number, word_number, at = note_number + 1, word_number + 1, at + long
        at, turn = start, 0
        while at < start + length:
            degree, long = root % 5 + (0, 4, 2, 4)[turn % 4] - 7, min(figure, start + length - at)
            name, pitch = f"{section}.b{index}.l{turn}", scale_pitch(key, degree, octave)
            told = mark if (index, turn) == (2, 0) else ""
            fingered = "4-5" if finger and (index, turn) == (1, 0) else ""
            notes.append(PlayedNote(name, "figure", at, long, pitch, "left hand", left, finger=fingered, mark=told))
            at, turn = at + long, turn + 1
        pedal, whole = scale_pitch(key, root % 4, 2), metre.bar_length
        line_begins = whole * line_bars * round(start / (whole * line_bars))
        edges = sorted({start, start + length} | ({line_begins} if start < line_begins < start + length else set()))
        for step, (at, end) in enumerate(pairwise(edges)):
            name = f"{section}.b{index}.p{step}"
            notes.append(PlayedNote(name, "bass", at, end - at, pedal, "left foot", "Pedal", finger=finger))
        start += length
    lines = tuple(
        PlacedLine(whole * line_bars * count, whole * line_bars * (count + 1)) for count in range(bars // line_bars)
    )
    return Accompaniment(
        section, "verse", number, texture, 1, f"Verse {number}", key, Pace(Fraction(96), metre.beat), tuple(placed),
        tuple(notes), tuple(chords), lines, words=tuple(sung), registration=Registration("quiet flutes"),
        right="Great", left=left, feet="Pedal", tune=tune,
    )  # fmt: skip


def arrangement(
    *sections: Accompaniment, title: str = "The Silver Morning", findings: tuple[Finding, ...] = ()
) -> Arrangement:
    plan = Plan(tuple(VersePlan(section.verse, section.texture, section.tune) for section in sections))  # type: ignore[arg-type]
    return Arrangement(title, "FERNHILL (invented)", "8.7.8.7", sections[0].key, plan, sections, findings)
