"""The upbeat put right: bar lines move, and nothing else.

What must hold is said by the music itself: what is sung, and when, is the same before and after. How a moved bar is
printed is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from foreign_pages import HUMDRUM, MEI
from printed import Printed, page
from undersong.demo import hymn_files
from undersong.errors import UnknownName
from undersong.harmony import analyse
from undersong.harmony.edits import chord_edit, sort_edits
from undersong.library.amending import amended, moved, place_of
from undersong.library.barring import upbeat, with_upbeat
from undersong.model.edits import NO_EDITS, Amendments, Edits
from undersong.model.hymn import Hymn
from undersong.model.symbol import parse_symbol
from undersong.model.tune import sing, walk
from undersong.reading import read_all, read_file
from undersong.writing.hymnfile import hymn_file

HYMNS = [read_file(path)[0] for path in hymn_files()]


def read(text: str, folder: Path, suffix: str = ".abc") -> Hymn:
    file = folder / f"hymn{suffix}"
    file.write_text(text)
    return read_all(file).hymns[0]


def sung(hymn: Hymn) -> dict[str, list[tuple[Fraction, Fraction, int]]]:
    """Every voice as it is sung along the route, ties joined: start, length, key."""
    found: dict[str, list[tuple[Fraction, Fraction, int]]] = {}
    for voice in hymn.tune.voices:
        notes: list[tuple[Fraction, Fraction, int]] = []
        tied = False
        for one in sing(hymn.tune, voice.notes):
            if tied and notes and notes[-1][0] + notes[-1][1] == one.start and notes[-1][2] == one.note.pitch.midi:
                notes[-1] = (notes[-1][0], notes[-1][1] + one.note.length, notes[-1][2])
            else:
                notes.append((one.start, one.note.length, one.note.pitch.midi))
            tied = one.note.tied
        found[voice.name] = notes
    return found


def beside(hymn: Hymn) -> tuple[object, ...]:
    """What stands along the page beside notes and bars."""
    tune = hymn.tune
    words = [[(one.onset, one.text, one.times) for one in verse.syllables] for verse in hymn.text.verses]
    return words, [(one.onset, one.chord) for one in tune.symbols], tune.lines, tune.breaths, tune.holds


UPBEAT = 'X:1\nT:Invented\nM:3/4\nL:1/4\nK:F\n"F"CFG|"C7"A3-|A"F"GF|"C"E2C|"F"F3|]\nw:a b c d e f g h i\n'
"""A tune whose first note is an upbeat, its bars written as if it were none."""


def test_bar_lines_move_with_the_upbeat(tmp_path: Path) -> None:
    """One beat: the bars are 0, 1, 2 and so on, the last one short by it; the tie goes where the line goes."""
    before = read(UPBEAT, tmp_path)
    after = with_upbeat(before, Fraction(1))
    assert [f"{bar.number}:{bar.length}" for bar in after.tune.bars] == ["0:1", "1:3", "2:3", "3:3", "4:3", "5:2"]
    assert [bar.pickup for bar in after.tune.bars] == [True, *[False] * 5]
    assert sung(after) == sung(before)
    assert beside(after) == beside(before)
    notes = after.tune.tune_voice.notes
    found = [f"{note.onset}:{note.length}{'~' if note.tied else ''}" for note in notes]
    assert found[:5] == ["0:1", "1:1", "2:1", "3:1~", "4:3"]


def test_an_upbeat_that_was_none_goes(tmp_path: Path) -> None:
    """Taken away and put there again: the tune is what it was."""
    there = with_upbeat(read(UPBEAT, tmp_path), Fraction(1))
    gone = with_upbeat(there, Fraction(0))
    assert upbeat(gone.tune) == 0
    assert [bar.number for bar in gone.tune.bars] == ["1", "2", "3", "4", "5"]
    assert sung(gone) == sung(there)
    assert with_upbeat(gone, Fraction(1)) == there


@pytest.mark.parametrize("hymn", HYMNS, ids=lambda hymn: hymn.title)
@given(st.integers(0, 15))
@settings(deadline=None, max_examples=16)
def test_nothing_is_lost(hymn: Hymn, quarters: int) -> None:
    """Any upbeat of any hymn of the demonstration, repeats, words and all; no bar too long, and it can be written."""
    length = Fraction(quarters, 4)
    if length >= hymn.tune.bars[0].time.bar_length:
        return
    after = with_upbeat(hymn, length)
    tune = after.tune
    assert upbeat(tune) == length
    assert sung(after) == sung(hymn)
    assert beside(after) == beside(hymn)
    assert tune.length == hymn.tune.length
    assert all(bar.length <= bar.time.bar_length for bar in tune.bars)
    assert all(one.end == two.onset for one, two in zip(tune.bars, tune.bars[1:], strict=False))
    assert len({bar.number for bar in tune.bars}) == len(tune.bars)
    assert [(one.kind, one.numbers) for one in tune.repeats] == [(one.kind, one.numbers) for one in hymn.tune.repeats]
    for voice in tune.voices:
        assert all(note.end <= tune.bars[tune.bar_at(note.onset)].end for note in voice.notes)
    assert [step.start for step in walk(tune) if step.index == 0] == [
        step.start for step in walk(hymn.tune) if step.index == 0
    ]
    assert hymn_file(after)


ODD = page(Printed("Tune", "(time=4/4) (key=0) C5:1 D5:1 E5:1 | F5:2 G5:2 | A5:4 | G5:4"))
"""MusicXML whose first bar has three beats of four and is taken for an upbeat."""


@pytest.mark.parametrize(
    ("suffix", "text", "was"),
    [
        (".abc", UPBEAT, "0"), (".musicxml", ODD.decode(), "3"), (".mei", MEI, "1"), (".krn", HUMDRUM, "1"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("beats", ["0", "1/2", "1", "2"])
def test_every_format_can_be_put_right(tmp_path: Path, suffix: str, text: str, was: str, beats: str) -> None:
    """Repeats, endings, words, symbols, breaths and holds of each stay."""
    before = read(text, tmp_path, suffix)
    assert upbeat(before.tune) == Fraction(was)
    after = amended(before, Amendments(pickup=beats))
    assert upbeat(after.tune) == Fraction(beats)
    assert sung(after) == sung(before)
    assert beside(after) == beside(before)


REPEATED = "X:1\nM:4/4\nL:1/4\nK:G\n|:DGGB|AGE2|DGBd|g4:|\n|d|gfed|c3B|A2D2|G3|]\n"


def test_repeats_stay_where_they_stand(tmp_path: Path) -> None:
    """The repeat goes back to the beginning; with an upbeat it stands inside a bar, which is divided."""
    before = read(REPEATED, tmp_path)
    after = with_upbeat(before, Fraction(1))
    assert sung(after) == sung(before)
    numbers = [bar.number for bar in after.tune.bars]
    assert "4b" in numbers
    divided = numbers.index("4b")
    bars = after.tune.bars
    assert bars[divided - 1].end == before.tune.bars[3].end
    assert bars[divided].pickup
    assert bars[divided - 1].length + bars[divided].length <= 4


@pytest.mark.parametrize("beats", ["3", "-1", "x", "1/0", "99", "1/7"])
def test_no_upbeat_is_told(tmp_path: Path, beats: str) -> None:
    """In a sentence with its remedy."""
    with pytest.raises(UnknownName, match="no upbeat"):
        amended(read(UPBEAT, tmp_path), Amendments(pickup=beats))


def test_her_places_go_with_the_bars(tmp_path: Path) -> None:
    """A line, a breath and a chord of hers, said of the old bars, lie at the same notes when said of the new ones."""
    hymn = read(UPBEAT, tmp_path)
    key = analyse(hymn).key
    edit = chord_edit(hymn.tune, key, "3", Fraction(2), 0, parse_symbol("Dm"))
    before = Amendments(lines=("3.2",), breaths=("4.1",))
    wanted = replace(before, pickup="1")
    old, new = hymn.tune, amended(hymn, Amendments(pickup="1")).tune
    there, edits = moved(wanted, Edits((edit,)), old, new)
    assert (there.lines, there.breaths) == (("3.1",), ("3.3",))
    assert (edits.edits[0].bar, edits.edits[0].beat) == ("3", "1")
    placed = sort_edits(new, key, edits).placed
    assert [(one.onset, one.moved) for one in placed] == [(Fraction(7), "")]
    assert amended(hymn, there).tune.breaths == amended(hymn, before).tune.breaths
    assert amended(hymn, there).tune.lines == amended(hymn, before).tune.lines
    assert place_of(new, Fraction(0)) == "0.3"
    assert moved(wanted, NO_EDITS, old, hymn.tune) == (wanted, NO_EDITS)
