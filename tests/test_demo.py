"""The demonstration hymns: sound files, words that fit their metre, four parts in good style."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise
from pathlib import Path
from types import ModuleType

import pytest

from undersong.demo import hymn_files
from undersong.model.hymn import Hymn
from undersong.model.pitch import Pitch
from undersong.model.text import Verse
from undersong.model.tune import Tune, sing, walk
from undersong.reading import read_file
from undersong.reading.titles import metre_lines
from xsd import faults

FILES = hymn_files()
FOUR_PARTS = ("01-", "04-", "06-")
VOICES = ("soprano", "alto", "tenor", "bass")
RANGES = {"soprano": ("C4", "E5"), "alto": ("G3", "C5"), "tenor": ("C3", "G4"), "bass": ("F2", "C4")}
"""Common practice, no source."""
REFRAINS = {"04-": (10, 10)}
"""Syllables of the lines that the metre only calls a refrain."""
GENERATOR = Path(__file__).resolve().parent.parent / "tools" / "compose_demo.py"

each = pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
each_of_four = pytest.mark.parametrize(
    "path", [path for path in FILES if path.name.startswith(FOUR_PARTS)], ids=lambda path: path.stem
)


def _hymn(path: Path) -> Hymn:
    (hymn,) = read_file(path)
    return hymn


def _composer() -> ModuleType:
    if not GENERATOR.exists():
        pytest.skip("the composing tool is not part of this copy")
    spec = importlib.util.spec_from_file_location("compose_demo", GENERATOR)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def _sung(tune: Tune, verse: Verse) -> list[tuple[int, str]]:
    """Bar and text of each syllable of a verse in the order it is sung."""
    found: list[tuple[int, str]] = []
    for step in walk(tune):
        bar = tune.bars[step.index]
        found.extend(
            (step.index, one.text)
            for one in verse.syllables
            if bar.onset <= one.onset < bar.end and one.times in (0, step.times)
        )
    return found


def _chords(tune: Tune) -> list[tuple[Fraction, tuple[Pitch, ...]]]:
    """The four sounding pitches wherever a voice moves."""
    voices = [voice for name in VOICES if (voice := tune.voice(name)) is not None]
    onsets = sorted({note.onset for voice in voices for note in voice.notes})
    chords = []
    for onset in onsets:
        pitches = tuple(next(note.pitch for note in voice.notes if note.onset <= onset < note.end) for voice in voices)
        chords.append((onset, pitches))
    return chords


def test_the_book_has_all_its_hymns_in_order() -> None:
    """Seven hymns, numbered from 01 without a gap."""
    assert [path.name[:3] for path in FILES] == [f"0{number}-" for number in range(1, 8)]


@each
def test_valid_and_small(path: Path) -> None:
    """Valid against the MusicXML 4.0 schema (W3C) and light enough to ship."""
    data = path.read_bytes()
    assert faults(data) == []
    assert len(data) < 150_000


@each
def test_read_without_loss(path: Path) -> None:
    """Nothing on these pages is beyond the reader; author, composer and rights say that they are invented."""
    hymn = _hymn(path)
    assert hymn.left_out == ()
    assert "Invented" in hymn.rights
    assert "invented" in hymn.text.author
    assert "invented" in hymn.composer
    assert hymn.tune_name == hymn.tune_name.upper() != ""
    assert hymn.tune.pace is not None


@each
def test_words_fit_the_metre(path: Path) -> None:
    """Every verse has the syllables of its metre, and each line of text ends with its last syllable's word."""
    hymn = _hymn(path)
    lines = metre_lines(hymn.text.metre) + REFRAINS.get(path.name[:3], ())
    assert lines
    assert len(hymn.text.verses) >= 2
    for verse in hymn.text.verses:
        texts = [text for _, text in _sung(hymn.tune, verse)]
        assert len(texts) == sum(lines)
        ends = [sum(lines[: index + 1]) for index in range(len(lines))]
        for end in ends[:-1]:
            assert texts[end][0].isupper(), f"verse {verse.number}: {texts[end]!r} begins a line"


@each
def test_each_sung_note_has_its_syllable(path: Path) -> None:
    """No tune note is silent in any verse but those tied to, or slurred after, a note that has one."""
    hymn = _hymn(path)
    held = {"01-": 1, "03-": 3}.get(path.name[:3], 0)
    for verse in hymn.text.verses:
        struck = list(sing(hymn.tune, hymn.tune.tune_voice.notes))
        assert len(struck) - len(_sung(hymn.tune, verse)) == held


@each
def test_singable_range(path: Path) -> None:
    """No tune below A3 or above E flat 5, none wider than an octave and a fifth, and one highest place.

    Common practice, no source; the editors of hymn books differ by a tone.
    """
    notes = _hymn(path).tune.tune_voice.notes
    low, high = min(note.pitch.midi for note in notes), max(note.pitch.midi for note in notes)
    assert low >= Pitch.parse("A3").midi
    assert high <= Pitch.parse("Eb5").midi
    assert high - low <= 19
    assert sum(note.pitch.midi == high for note in notes) == 1


@each
def test_steps_outnumber_leaps(path: Path) -> None:
    """Mostly by step or third, and no leap over an octave (common practice, no source)."""
    notes = _hymn(path).tune.tune_voice.notes
    moves = [abs(after.pitch.diatonic - note.pitch.diatonic) for note, after in pairwise(notes)]
    assert sum(move <= 2 for move in moves) > Fraction(4, 5) * len(moves)
    assert max(moves) <= 7


@each_of_four
def test_no_parallel_fifths_or_octaves(path: Path) -> None:
    """No two voices move from fifth to fifth or octave to octave, however they move (common practice, no source)."""
    tune = _hymn(path).tune
    found = []
    for (_, before), (onset, after) in pairwise(_chords(tune)):
        for high, low in combinations(range(4), 2):
            moved = before[high] != after[high] and before[low] != after[low]
            first, second = ((chord[high].midi - chord[low].midi) % 12 for chord in (before, after))
            if moved and first == second and first in (0, 7):
                found.append(f"{tune.place(onset)}: {VOICES[high]} and {VOICES[low]}")
    assert found == []


@each_of_four
def test_voices_keep_their_places(path: Path) -> None:
    """Ranges, no crossing, at most an octave between the upper three (common practice, no source)."""
    tune = _hymn(path).tune
    assert tune.four_parts
    for name, (low, high) in RANGES.items():
        voice = tune.voice(name)
        assert voice is not None
        assert all(Pitch.parse(low).midi <= note.pitch.midi <= Pitch.parse(high).midi for note in voice.notes)
    for onset, chord in _chords(tune):
        gaps = [upper.midi - lower.midi for upper, lower in pairwise(chord)]
        assert min(gaps) >= 0, tune.place(onset)
        assert max(gaps[:2]) <= 12, tune.place(onset)


@each_of_four
def test_leading_note_stands_once(path: Path) -> None:
    """The leading note is never doubled (common practice, no source)."""
    tune = _hymn(path).tune
    for onset, chord in _chords(tune):
        leading = tune.bars[tune.bar_at(onset)].key.leading_note
        assert sum(pitch.name == leading for pitch in chord) < 2, tune.place(onset)


def test_pickups_and_last_bars() -> None:
    """Barley bread starts with a crotchet, heath and stone with a quaver; the last bar completes each."""
    for start, pickup, last in (("02-", "1", "3"), ("03-", "1/2", "5/2"), ("06-", "1", "3")):
        tune = next(_hymn(path).tune for path in FILES if path.name.startswith(start))
        assert (tune.bars[0].number, tune.bars[0].pickup) == ("0", True)
        assert (tune.bars[0].length, tune.bars[-1].length) == (Fraction(pickup), Fraction(last))


def test_two_endings_are_sung_with_their_own_words() -> None:
    """Now the lamps are lighted: the first strain twice, `still` at its first ending and `hill` at its second."""
    hymn = next(_hymn(path) for path in FILES if path.name.startswith("05-"))
    assert [(one.first, one.last, one.times) for one in hymn.tune.route] == [
        (0, 3, 1),
        (0, 2, 2),
        (4, 4, 2),
        (5, 12, 1),
    ]
    ends = [dict(_sung(hymn.tune, verse)) for verse in hymn.text.verses]
    assert [(one[3], one[4]) for one in ends] == [("still,", "hill;"), ("pain,", "rain,"), ("barred,", "marred,")]


def test_refrain_is_every_verses() -> None:
    """Deep before the first of days: the refrain in three-four stands under one line and is sung after each verse."""
    hymn = next(_hymn(path) for path in FILES if path.name.startswith("04-"))
    assert [str(time) for time in dict.fromkeys(bar.time for bar in hymn.tune.bars)] == ["4/4", "3/4"]
    assert hymn.text.refrain == (Fraction(32), Fraction(56))
    assert hymn.tune.bars[7].double
    closes = {tuple(text for _, text in _sung(hymn.tune, verse))[-4:] for verse in hymn.text.verses}
    assert closes == {("si", "lence", "ful", "fils.")}


def test_slash_basses_are_read() -> None:
    """The lamps' chords stand over basses of their own: G/B, Am/C, C/D, D/F#."""
    hymn = next(_hymn(path) for path in FILES if path.name.startswith("05-"))
    names = {(str(one.chord.root), one.chord.kind, str(one.chord.bass)) for one in hymn.tune.symbols}
    wanted = {("G", "major", "B"), ("A", "minor", "C"), ("C", "major", "D"), ("D", "major", "F#")}
    assert wanted <= names


def test_the_same_source_gives_the_same_bytes() -> None:
    """The files are what the tool writes from the composer's paper."""
    composer = _composer()
    for source, path in zip(composer.HYMNS, FILES, strict=True):
        assert path.stem == source.file
        assert path.read_bytes() == composer.compose(source)


def test_the_tool_refuses_words_that_do_not_fit() -> None:
    """A syllable too many is told with its hymn and verse."""
    composer = _composer()
    source = composer.ST_ALDWYN
    short = replace(source, verses=(("A lan-tern",),))
    with pytest.raises(ValueError, match=r"06-.*verse 1: 3 syllables for 28 notes"):
        composer.compose(short)
