"""Invented sections for tests: short pieces that nobody has sung, laid out by hand.

A melody is written as `"D5:1 E5:1/2 r:1"`: pitch or rest and length in quarter notes. Notes that would cross a
bar line are cut and tied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from undersong.model.accompaniment import (
    Accompaniment,
    Arrangement,
    Limb,
    PlacedBar,
    PlacedChord,
    PlacedLine,
    PlayedNote,
    Registration,
    SectionKind,
    Tie,
    Word,
)
from undersong.model.chord import Chord, Degree
from undersong.model.pitch import Key, Pitch, PitchName
from undersong.model.plan import Plan
from undersong.model.text import Hyphen
from undersong.model.time import Pace, Time

LIMBS: dict[str, Limb] = {
    "tune": "right hand", "alto": "right hand", "figure": "left hand", "tenor": "left hand", "bass": "feet",
}  # fmt: skip
DIVISIONS: dict[Limb, str] = {"right hand": "Great", "left hand": "Swell", "feet": "Pedal"}


def bars_of(time: str, key: str, lengths: Sequence[str]) -> tuple[PlacedBar, ...]:
    """Bars of the given lengths; a first bar shorter than the time is a pickup, numbered 0."""
    signature, start, bars = Time.parse(time), Fraction(0), list[PlacedBar]()
    pickup = bool(signature.beats) and Fraction(lengths[0]) < signature.bar_length
    for index, text in enumerate(lengths):
        length = Fraction(text)
        number = str(index if pickup else index + 1)
        bars.append(PlacedBar(number, 1, start, length, signature, Key.parse(key), pickup=pickup and not index))
        start += length
    return tuple(bars)


def line_of(
    section: str, part: str, music: str, bars: Sequence[PlacedBar], *, limb: Limb | None = None, division: str = ""
) -> list[PlayedNote]:
    """The notes of one part, cut and tied at bar lines."""
    notes, start = list[PlayedNote](), Fraction(0)
    limb = limb or LIMBS[part]
    for token in music.split():
        name, _, text = token.partition(":")
        end = start + Fraction(text)
        cuts = [start, *(bar.start for bar in bars if start < bar.start < end), end]
        for place, (here, there) in enumerate(pairwise(cuts)):
            tie: Tie | None = None
            if len(cuts) > 2:
                tie = "start" if place == 0 else "stop" if place == len(cuts) - 2 else "both"
            if name != "r":
                name_of = f"{section}.{part}.{str(here).replace('/', '_')}"
                pitch = Pitch.parse(name)
                notes.append(
                    PlayedNote(name_of, part, here, there - here, pitch, limb, division or DIVISIONS[limb], tie)
                )
        start = end
    assert start == bars[-1].end, f"{part} of {section} lasts {start}, not {bars[-1].end}"
    return notes


def words_of(notes: Sequence[PlayedNote], text: str) -> tuple[Word, ...]:
    """Syllables for the struck notes of a tune: `"Sing the morn- ing _"` (`_` for none)."""
    struck = [note.start for note in notes if note.tie not in ("stop", "both")]
    words, inside = list[Word](), False
    for start, syllable in zip(struck, text.split(), strict=True):
        if syllable == "_":
            continue
        goes_on = syllable.endswith("-")
        hyphen: Hyphen = ("middle" if inside else "begin") if goes_on else ("end" if inside else "single")
        words.append(Word(start, syllable.removesuffix("-"), hyphen))
        inside = goes_on
    return tuple(words)


def chords_of(text: str, length: Fraction) -> tuple[PlacedChord, ...]:
    """Plain triads by place: `"0:D 1:G 4:A"`; minor as `Bm`."""
    placed = [(Fraction(place), name) for place, _, name in (one.partition(":") for one in text.split())]
    ends = [*(place for place, _ in placed[1:]), length]
    return tuple(
        PlacedChord(
            place,
            end - place,
            Chord(PitchName.parse(name.removesuffix("m")), "minor" if name.endswith("m") else "major"),
        )
        for (place, name), end in zip(placed, ends, strict=True)
    )


def section_of(
    name: str,
    bars: tuple[PlacedBar, ...],
    parts: dict[str, str],
    *,
    kind: SectionKind = "verse",
    verse: int | None = 1,
    text: str = "",
    chords: tuple[PlacedChord, ...] = (),
    lines: Sequence[tuple[str, str]] = (),
    breaths: Sequence[str] = (),
    holds: Sequence[str] = (),
    pace: tuple[int, str] = (72, "1"),
) -> Accompaniment:
    """A section from the music of its parts."""
    notes = {part: line_of(name, part, music, bars) for part, music in parts.items()}
    everything = sorted(
        (note for part in notes.values() for note in part), key=lambda note: (note.start, -note.pitch.midi)
    )
    return Accompaniment(
        id=name,
        kind=kind,
        verse=verse,
        texture="plain",
        version=1,
        title=f"Verse {verse}" if kind == "verse" else "",
        key=bars[0].key,
        pace=Pace(Fraction(pace[0]), Fraction(pace[1])),
        bars=bars,
        notes=tuple(everything),
        chords=chords,
        lines=tuple(PlacedLine(Fraction(start), Fraction(end)) for start, end in lines),
        breaths=tuple(Fraction(place) for place in breaths),
        holds=tuple(Fraction(place) for place in holds),
        words=words_of(notes["tune"], text) if text else (),
        registration=Registration("soft flutes", (("Great", "Open Diapason 8"), ("Pedal", "Bourdon 16"))),
        right="Great",
        left="Swell",
        feet="Pedal",
    )


def arrangement_of(*sections: Accompaniment, gap_beats: int = 2) -> Arrangement:
    """An arrangement of these sections under an invented name."""
    return Arrangement(
        title="Invented morning & evening",
        tune_name="NOWHERE",
        metre="8.7.8.7",
        key=sections[0].key,
        plan=Plan((), gap_beats=gap_beats),
        sections=sections,
        credits=("Words: nobody",),
        rights="Invented for tests; free for all",
    )


def four_parts(verse: int = 1) -> Accompaniment:
    """3/4, D major, upbeat of a crotchet; tune and alto meet in unison once, the bass holds over a bar line."""
    bars = bars_of("3/4", "D major", ["1", "3", "3", "3", "2"])
    section = section_of(
        f"verse-{verse}",
        bars,
        {
            "tune": "D4:1 F#4:3/2 G4:1/2 A4:1 B4:2 A4:1 G4:1 F#4:1 E4:1 D4:2",
            "alto": "A3:1 D4:1 C#4:1 D4:1 D4:2 D4:1 E4:1 D4:1 C#4:1 r:2",
            "tenor": "F#3:1 A3:2 A3:1 G3:2 F#3:1 B3:1 B3:1/2 A3:1/2 G3:1 F#3:2",
            "bass": "D3:1 D3:2 F#3:1 G3:2 D3:1 E3:1 B2:1 A2:1 D3:2",
        },
        verse=verse,
        text="When all the morn- ing sings a- loud to- day",
        chords=chords_of("0:D 4:G 6:D 7:Em 8:Bm 9:A 10:D", Fraction(12)),
        lines=[("0", "6"), ("6", "12")],
        breaths=["6", "12"],
        holds=["10"],
        pace=(96, "1"),
    )
    notes = tuple(
        replace(note, shared=("alto",)) if note.part == "tune" and note.start == 10 else note for note in section.notes
    )
    return replace(section, notes=notes)


def broken(verse: int = 2) -> Accompaniment:
    """4/4, G major: tune over broken quavers that start while a low key is held, semibreves in the feet."""
    bars = bars_of("4/4", "G major", ["4", "4", "4", "4"])
    section = section_of(
        f"verse-{verse}",
        bars,
        {
            "tune": "G4:1 A4:1 B4:2 C5:3/2 B4:1/2 A4:1 G4:1 F#4:1 G#4:1 A4:5/2 G4:1/2 G4:3",
            "figure": "B3:1/2 D4:1/2 G4:1/2 D4:1/2 " * 2
            + "C4:1/2 E4:1/2 G4:1/2 E4:1/2 " * 2
            + "A3:1/2 C4:1/2 F#4:1/2 C4:1/2 " * 2
            + "B3:1/2 D4:1/2 B3:1/2 D4:1/2 B3:2",
            "tenor": "G3:4 r:8 G3:4",
            "bass": "G2:4 C3:4 D3:4 G2:4",
        },
        verse=verse,
        text="Bread and light and wa- ter are for ev- 'ry one _",
        lines=[("0", "8"), ("8", "16")],
        breaths=["8"],
        pace=(80, "1"),
    )
    seventh = Chord(PitchName("D"), "dominant", None, (Degree(9, -1, "add"),))
    slash = Chord(PitchName("C"), "major", PitchName("E"))
    chords = (
        PlacedChord(Fraction(0), Fraction(4), Chord(PitchName("G"))),
        PlacedChord(Fraction(4), Fraction(4), slash),
        PlacedChord(Fraction(8), Fraction(1, 2), Chord(None, "none")),
        PlacedChord(Fraction(17, 2), Fraction(7, 2), seventh),
        PlacedChord(Fraction(12), Fraction(4), Chord(PitchName("G"))),
    )
    return replace(section, chords=chords)


def lilting() -> Accompaniment:
    """6/8, E minor, upbeat of a quaver: a half note across the beat must be tied, quavers are beamed in threes."""
    bars = bars_of("6/8", "E minor", ["1/2", "3", "3", "3", "5/2"])
    return section_of(
        "verse-3",
        bars,
        {
            "tune": "B4:1/2 E5:1 D5:1/2 B4:1 A4:1/2 G4:1/2 A4:1/2 B4:1/2 E4:1 B4:1/2 D#5:2 E5:1/2 F#5:1/2 E5:5/2",
            "figure": "r:1/2 " + "E3:1/2 B3:1/2 G3:1/2 " * 5 + "F#3:1/2 B3:1/2 A3:1/2 E3:1/2 B3:1/2 G3:1/2 G3:1",
            "bass": "r:1/2 E2:3 E2:3 B2:3 E2:5/2",
        },
        verse=3,
        text="O come and walk be- side me to the nar- row way to- night",
        pace=(52, "3/2"),
    )


def five_flats() -> Accompaniment:
    """2/2, D flat major: naturals in one bar, their flats again in the next, in both hands."""
    bars = bars_of("2/2", "Db major", ["4", "4", "4", "4"])
    return section_of(
        "verse-4",
        bars,
        {
            "tune": "Db5:2 C5:1 Bb4:1 Ab4:2 G4:1 Ab4:1 Gb4:2 F4:1 Eb4:1 Db4:4",
            "alto": "F4:2 Gb4:2 F4:2 Eb4:2 Db4:2 C4:2 Ab3:4",
            "tenor": "Ab3:2 Gb3:2 Ab3:2 Bb3:1 Ab3:1 G3:1 Gb3:1 Ab3:2 F3:4",
            "bass": "Db3:2 Eb3:2 F3:2 Eb3:1 F3:1 Eb3:2 Ab2:2 Db3:4",
        },
        verse=4,
        text="Deep and wide are riv- ers run- ning all night",
        pace=(66, "2"),
    )


def triplets() -> Accompaniment:
    """4/4, F major: crotchet triplets in the tune, a quaver triplet with a rest, a key held out of a triplet."""
    bars = bars_of("4/4", "F major", ["4", "4"])
    third = "F3:1/3 A3:1/3 C4:1/3 "
    return section_of(
        "verse-5",
        bars,
        {
            "tune": "F4:2/3 G4:2/3 A4:2/3 Bb4:2 A4:1/3 G4:1 r:2/3 F4:2",
            "figure": third * 4 + third * 2 + "F3:2/3 A3:1/3 r:1/3 C4:1/3 A3:1/3",
            "bass": "F2:4 r:4",
        },
        verse=5,
        text="Ris- ing ris- ing then fall- ing",
        pace=(60, "1"),
    )


EVERYTHING = (four_parts(), broken(), lilting(), five_flats(), triplets())


def two_verses() -> tuple[Accompaniment, Accompaniment]:
    """The two short verses of the golden file, 3/4, G major: plain, then broken chords with an F natural."""
    bars = bars_of("3/4", "G major", ["1", "3", "2"])
    tune = "D4:1 G4:3/2 A4:1/2 B4:1 G4:2"
    chords = chords_of("1:G 3:D 4:G", Fraction(6))
    first = section_of(
        "verse-1",
        bars,
        {"tune": tune, "tenor": "B3:1 D4:2 D4:1 B3:2", "bass": "r:1 G2:5"},
        text="Now morn- ing light comes",
        chords=chords,
        breaths=["6"],
        holds=["4"],
    )
    figure = "r:1 G3:1/2 B3:1/2 D4:1/2 B3:1/2 F4:1/2 D4:1/2 B3:2"
    second = section_of(
        "verse-2",
        bars,
        {"tune": tune, "figure": figure, "bass": "r:1 G2:3 G2:2"},
        verse=2,
        text="Then eve- ning goes too",
        chords=chords,
        breaths=["6"],
        holds=["4"],
    )
    return first, second
