"""The clean copy of a hymn: valid MusicXML in which our own reader finds the same hymn again.

Hymns: those of the demonstration, chorales of the music21 corpus, and invented ones made by hypothesis.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree
from reading_witness import corpus_files

import xsd
from printed import Printed, page
from undersong import demo
from undersong.errors import CannotWrite
from undersong.model.chord import NO_CHORD, Chord
from undersong.model.codec import encode
from undersong.model.hymn import Hymn
from undersong.model.pitch import Key, Pitch, PitchName
from undersong.model.text import Hyphen, Syllable, Text, Verse, VerseRhythm
from undersong.model.time import Pace, Time
from undersong.model.tune import Bar, Note, Passage, Repeat, Symbol, Tune, Voice
from undersong.reading import read_file
from undersong.reading.musicxml import read_musicxml
from undersong.reading.route import build_route
from undersong.writing.hymnfile import hymn_file, hymn_page

DEMO = sorted(Path(demo.__file__).parent.glob("*.musicxml"))
CHORALES = [path for path in corpus_files() if "inst" not in path.name][::13]


def differences(one: Any, two: Any, where: str = "") -> list[str]:
    """What differs between two hymns, field by field; remarks apart, which tell of the file and not of the hymn."""
    found = []
    for field in fields(one):
        here, there = getattr(one, field.name), getattr(two, field.name)
        if field.name in ("assumed", "left_out") or here == there:
            continue
        if field.name in ("tune", "text"):
            found.extend(differences(here, there, f"{field.name}."))
        elif isinstance(here, tuple) and len(here) == len(there):
            pair = next(pair for pair in zip(here, there, strict=True) if pair[0] != pair[1])
            found.append(f"{where}{field.name}: {pair[0]} is read as {pair[1]}")
        else:
            found.append(f"{where}{field.name}: {here} is read as {there}")
    return found


def again(hymn: Hymn) -> Hymn:
    """Written, checked against the schema, and read."""
    data = hymn_file(hymn)
    assert xsd.faults(data) == []
    return read_musicxml(data, "again.musicxml")


@pytest.mark.parametrize("path", [*DEMO, *CHORALES], ids=lambda path: path.stem)
def test_written_and_read_it_is_the_same_hymn(path: Path) -> None:
    """Voices, bars, words, symbols, signs, lines and everything around the music."""
    hymn = read_file(path)[0]
    assert differences(hymn, again(hymn)) == []


# -- invented hymns ----------------------------------------------------------------------------------------------

RANGES = {"soprano": (64, 74), "alto": (57, 64), "tenor": (52, 57), "bass": (41, 50), "tune": (60, 76)}
TIMES = ("4/4", "3/4", "6/8", "2/2", "3/2", "5/4")
SPELLED = [PitchName(step, alter) for alter in (0, 1, -1) for step in "CDEFGAB"]


SYMBOLS = [
    Symbol(Fraction(0), Chord(PitchName("C"))),
    Symbol(Fraction(0), Chord(PitchName("E", -1), "minor-seventh"), "Ebm7"),
    Symbol(Fraction(0), Chord(PitchName("F"), "major", PitchName("A"))),
    Symbol(Fraction(0), NO_CHORD, "N.C."),
]
LENGTHS = [Fraction(1), Fraction(2), Fraction(1, 2), Fraction(3, 2), Fraction(1, 3)]


def rare(times: int) -> st.SearchStrategy[bool]:
    """True about once in so many times."""
    return st.integers(1, times).map(lambda one: one == times)


@st.composite
def rows(draw: st.DrawFn, bars: tuple[Bar, ...], name: str) -> tuple[Note, ...]:
    """One voice: notes of simple values, now and then a rest or a tie, every bar begun with a note."""
    low, high = RANGES[name]
    notes: list[Note] = []
    for bar in bars:
        place = bar.onset
        while place < bar.end:
            length = min(draw(st.sampled_from(LENGTHS)), bar.end - place)
            if length == Fraction(1, 3):
                if bar.end - place < 1 or (place - bar.onset).denominator != 1:
                    length = min(Fraction(1, 2), bar.end - place)
                else:
                    for _ in range(3):
                        notes.append(Note(place, length, draw(pitches(low, high))))
                        place += length
                    continue
            if place == bar.onset or not draw(rare(9)):
                tied = bool(notes) and notes[-1].end == place and draw(rare(8))
                pitch = notes[-1].pitch if tied else draw(pitches(low, high))
                if tied:
                    notes[-1] = replace(notes[-1], tied=True)
                notes.append(Note(place, length, pitch))
            place += length
    return tuple(notes)


@st.composite
def pitches(draw: st.DrawFn, low: int, high: int) -> Pitch:
    midi = draw(st.integers(low, high))
    names = [name for name in SPELLED if name.pitch_class == midi % 12]
    return Pitch.of(draw(st.sampled_from(names)), midi)


@st.composite
def hymns(draw: st.DrawFn) -> Hymn:
    """A hymn of two to six bars: tune or four parts, up to three verses, symbols, signs and repeats."""
    time, key = Time.parse(draw(st.sampled_from(TIMES))), Key.from_fifths(draw(st.integers(-5, 5)), draw(
        st.sampled_from(["major", "minor"])))  # fmt: skip
    full, count = time.bar_length, draw(st.integers(2, 6))
    pickup = draw(st.booleans())
    bars, onset = list[Bar](), Fraction(0)
    for index in range(count):
        length = time.beat if pickup and not index else full
        number = str(index) if pickup else str(index + 1)
        bars.append(Bar(number, onset, length, time, key, pickup and not index))
        onset += length
    names = draw(st.sampled_from([("tune",), ("soprano", "alto", "tenor", "bass")]))
    voices = tuple(Voice(name, draw(rows(tuple(bars), name))) for name in names)
    repeats = draw(st.sampled_from(_repeats(count)))
    struck = [note for note, before in zip(voices[0].notes, (None, *voices[0].notes), strict=False)
              if not (before and before.tied)]  # fmt: skip
    symbols = tuple(replace(draw(st.sampled_from(SYMBOLS)), onset=note.onset) for note in struck if draw(rare(4)))
    verses = tuple(Verse(number, draw(syllables(struck))) for number in range(1, draw(st.integers(0, 3)) + 1))
    tune = Tune(
        tuple(bars), voices, names[0], symbols,
        breaths=tuple(sorted({note.end for note in voices[0].notes if not note.tied and draw(rare(6))})),
        holds=tuple(note.onset for note in struck if draw(rare(8))),
        repeats=repeats, route=build_route(repeats, count) or (),
        pace=draw(st.sampled_from([None, Pace(Fraction(72), time.beat)])),
    )  # fmt: skip
    title = draw(st.text("abc def", min_size=1).map(str.strip).filter(bool).map(lambda one: " ".join(one.split())))
    return Hymn(title, tune, Text(verses, author="A. Nobody"), "NOWHERE", "B. Noone", rights="Invented")


def _repeats(count: int) -> list[tuple[Repeat, ...]]:
    """Signs that lead back over part of the page."""
    found: list[tuple[Repeat, ...]] = [(), (Repeat("fine", 0), Repeat("dacapo", count - 1))]
    if count > 3:
        found.append((Repeat("forward", 1), Repeat("backward", 2, (2,))))
        found.append((Repeat("ending-start", 1, (1,)), Repeat("ending-stop", 1, (1,)), Repeat("backward", 1, (2,)),
                      Repeat("ending-start", 2, (2,)), Repeat("ending-stop", 2, (2,))))  # fmt: skip
    return found


@st.composite
def syllables(draw: st.DrawFn, struck: list[Note]) -> tuple[Syllable, ...]:
    """A syllable under every struck note, in words of one or two."""
    found, inside = list[Syllable](), False
    for index, note in enumerate(struck):
        goes_on = not inside and index + 1 < len(struck) and draw(st.booleans())
        hyphen: Hyphen = "end" if inside else "begin" if goes_on else "single"
        found.append(Syllable(note.onset, draw(st.sampled_from(["la", "lo,", "Lu", "li."])), hyphen))
        inside = goes_on
    return tuple(found)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(hymns())
def test_invented_hymns_come_back(hymn: Hymn) -> None:
    """Everything comes back but what is found anew from it: lines and metre, which then stay as they are."""
    once = again(hymn)
    kept = replace(once, tune=replace(once.tune, lines=()), text=replace(once.text, metre=""))
    assert differences(hymn, kept) == []
    assert differences(once, again(once)) == []


# -- what single signs become ------------------------------------------------------------------------------------


def read(*parts: Printed) -> Hymn:
    return read_musicxml(page(*parts), "invented.musicxml")


def test_verses_refrain_and_times_through() -> None:
    """Two lines under a repeat, a second verse, a shared refrain: each lyric names its verse, the refrain is once."""
    music = "(time=4/4) (back) C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:1 D5:1"
    hymn = read(Printed("", music, ("a a a a so sing we all", "b b b b", "c c c c", "d d d d")))
    data = hymn_file(hymn)
    root = etree.fromstring(data)
    said = [(one.get("name"), one.get("time-only"), one.findtext("text")) for one in root.iter("lyric")]
    assert said[:4] == [
        ("verse 1", "1", "1. a"),
        ("verse 1", "2", "b"),
        ("verse 2", "1", "2. c"),
        ("verse 2", "2", "d"),
    ]
    assert [text for name, _, text in said if name == "refrain"] == ["so", "sing", "we", "all"]
    assert differences(hymn, again(hymn)) == []


def test_a_verse_in_another_rhythm_is_small_notes() -> None:
    """Verse 2 sings two quavers for the first crotchet."""
    music = "(time=2/4) C5:1 D5:1 | E5:2"
    hymn = read(Printed("", music, ("one two three",)))
    small = (
        Note(Fraction(0), Fraction(1, 2), Pitch("C", 0, 5)),
        Note(Fraction(1, 2), Fraction(1, 2), Pitch("C", 0, 5)),
    )
    words = (Syllable(Fraction(0), "ev"), Syllable(Fraction(1, 2), "er"), Syllable(Fraction(1), "so"),
             Syllable(Fraction(2), "long"))  # fmt: skip
    second = Verse(2, words, (VerseRhythm("tune", Fraction(0), Fraction(1), small),))
    hymn = replace(hymn, text=replace(hymn.text, verses=(*hymn.text.verses, second), metre=""))
    found = again(hymn)
    assert found.tune.voices == hymn.tune.voices
    assert found.text.verses == hymn.text.verses


def test_symbols_for_each_time_through() -> None:
    """C the first time and A minor the second, over one note under a repeat."""
    hymn = read(Printed("", "(time=2/4) (back) C5:2 | D5:2"))
    symbols = (Symbol(Fraction(0), Chord(PitchName("C")), passes=(1,)),
               Symbol(Fraction(0), Chord(PitchName("A"), "minor"), passes=(2,)))  # fmt: skip
    hymn = replace(hymn, tune=replace(hymn.tune, symbols=symbols))
    assert again(hymn).tune.symbols == symbols


def test_church_mode_and_rights() -> None:
    """Dorian on D stays Dorian under its signature; rights in words and music stay apart."""
    hymn = read(Printed("", "(time=2/4) (key=0,dorian) D5:2 | A4:2 | D5:2"))
    hymn = replace(
        hymn, rights="Music: nobody's", text=replace(hymn.text, rights="Words: nobody's"), numbers=("12", "A 7")
    )
    found = again(hymn)
    assert (found.tune.mode, found.rights, found.text.rights, found.numbers) == (
        "dorian", "Music: nobody's", "Words: nobody's", ("12", "A 7"))  # fmt: skip


def test_grace_notes_and_odd_values() -> None:
    """A grace note, a doubly dotted note, and five quavers, which no value has: they come back tied."""
    hymn = read(Printed("", "(time=4/4) D5:g C5:7/2 E5:1/2 | F5:5/2 G5:3/2"))
    notes = again(hymn).tune.tune_voice.notes
    assert notes[:3] == hymn.tune.tune_voice.notes[:3]
    assert [(str(note.length), note.tied) for note in notes[3:]] == [("2", True), ("1/2", False), ("3/2", False)]


def test_the_same_hymn_gives_the_same_bytes() -> None:
    """No dates and nothing random."""
    hymn = read_file(DEMO[0])[0]
    assert hymn_file(hymn) == hymn_file(hymn)
    assert json.dumps(encode(hymn)) == json.dumps(encode(read_file(DEMO[0])[0]))


def test_a_note_over_the_bar_line_is_refused_with_its_place() -> None:
    """The model allows what no page can print."""
    hymn = read(Printed("", "(time=2/4) C5:1 D5:1 | E5:2"))
    (voice,) = hymn.tune.voices
    long = replace(voice, notes=(voice.notes[0], replace(voice.notes[1], length=Fraction(2))))
    with pytest.raises(CannotWrite, match=r"bar 1, beat 2, tune: D5 does not lie inside its bar"):
        hymn_file(replace(hymn, tune=replace(hymn.tune, voices=(long,))))


def test_several_hymns_are_no_score() -> None:
    """A collection cannot become one MusicXML file."""
    hymn = read_file(DEMO[0])[0]
    with pytest.raises(CannotWrite, match="2 hymns do not fit"):
        hymn_page([hymn, hymn])


def test_route_is_written_as_signs_not_played_out() -> None:
    """The page keeps its repeat: as many bars as printed."""
    hymn = read(Printed("", "(time=2/4) C5:2 | (back) D5:2 | E5:2"))
    assert hymn.tune.route == (Passage(0, 1, 1), Passage(0, 1, 2), Passage(2, 2, 1))
    assert len(etree.fromstring(hymn_file(hymn)).findall("part/measure")) == 3
