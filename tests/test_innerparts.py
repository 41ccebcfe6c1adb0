"""Alto and tenor proposed between tune and bass: measured on chorales beside the print, and in single cases.

References: chorales of the music21 corpus; `voiceLeading` of music21; `tests/voice_leading.py`. Ranges and spacing as
textbooks of harmony have them (from memory). What a proposal keeps to is common practice, no source.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from conftest import ROOT
from typing_out import typed_out
from undersong.demo import hymn_files
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval, Pitch
from undersong.reading import read_file
from undersong.reading.typed import Typed, take, written_out
from undersong.workflow import in_four_parts

sys.path.insert(0, str(ROOT / "sweeps"))

import innerparts as sweep
from midi import chorale_files

FOUR = [hymn for path in hymn_files() if (hymn := read_file(path)[0]).tune.four_parts]
PLAIN = Typed(
    key="F major", time="3/4", pickup="1", symbols="C | F . C | Gm F C | F",
    voices=(("soprano", "c4f8ga4a|b-ag|f2"), ("alto", ""), ("tenor", ""), ("bass", "cf~fc|gfc|f")),
)  # fmt: skip


def hymn_of(typed: Typed) -> Hymn:
    taken = take(typed)
    assert taken.hymn is not None
    assert [one for one in taken.slips if not one.small] == []
    return taken.hymn


def keys(hymn: Hymn, name: str) -> list[str]:
    voice = hymn.tune.voice(name)
    assert voice is not None
    return [f"{note.pitch}:{note.length}" for note in sweep.struck(voice.notes)]


def test_chorales_get_inner_parts_no_worse_than_print() -> None:
    """Twelve chorales without their alto and tenor; the whole corpus is the sweep's (`sweeps/innerparts.py`)."""
    results = [sweep.one_file(path, "") for path in chorale_files()[::33]]
    done = [one for one in results if not one.left_out]
    assert len(done) >= 10
    joins = sum(one.joins for one in done)
    assert 100 * sum(one.parallels for one in done) <= sweep.PRINT_PARALLELS * joins
    assert sum(one.direct for one in done) <= sum(one.print_direct for one in done)
    assert sum(one.heard for one in done) <= sum(one.print_heard for one in done)
    assert sum(one.complete for one in done) >= sweep.COMPLETE_LEAST * sum(one.chords for one in done)
    assert sum(one.out_of_range + one.crossings for one in done) == 0
    assert sum(one.quarters_silent for one in done) == 0


def test_the_measure_hears_planted_parallels() -> None:
    """The tenor a fifth above the bass throughout: music21 hears them."""
    hymn = in_four_parts(hymn_of(PLAIN)).hymn
    assert sweep.parallels_heard(hymn)[1] == 0
    bass = hymn.tune.voice("bass")
    assert bass is not None
    fifths = tuple(replace(note, pitch=note.pitch.transposed(Interval(4, 7))) for note in bass.notes)
    voices = tuple(replace(one, notes=fifths) if one.name == "tenor" else one for one in hymn.tune.voices)
    planted = replace(hymn, tune=replace(hymn.tune, voices=voices))
    assert sweep.parallels_heard(planted)[1] >= 4


def test_a_hymn_line_by_hand() -> None:
    """In F: the third sounds in every chord, no inner part leaps by more than a fourth."""
    hymn = in_four_parts(hymn_of(PLAIN)).hymn
    assert [voice.name for voice in hymn.tune.voices] == ["soprano", "alto", "tenor", "bass"]
    assert keys(hymn, "bass") == ["C3:1", "F3:1", "F3:1", "C3:1", "G2:1", "F2:1", "C2:1", "F2:2"]
    for symbol, third in zip(hymn.tune.symbols, ("E", "A", "E", "B", "A", "E", "A"), strict=True):
        sounding = {
            note.pitch.step for voice in hymn.tune.voices for note in voice.notes
            if note.onset <= symbol.onset < note.end
        }  # fmt: skip
        assert third in sounding, symbol
    for name in ("alto", "tenor"):
        moves = [Pitch.parse(one.partition(":")[0]).midi for one in keys(hymn, name)]
        assert max(abs(b - a) for a, b in pairwise(moves)) <= 5


def test_what_is_typed_stays_and_the_rest_fits_it() -> None:
    """An alto of hers for two notes: they stand, and are not called proposed; the rest is."""
    typed = replace(PLAIN, voices=(PLAIN.voices[0], ("alto", "e f"), *PLAIN.voices[2:]))
    made = in_four_parts(hymn_of(typed))
    assert keys(made.hymn, "alto")[:2] == ["E4:1", "F4:1/2"]
    assert ("alto", Fraction(0)) not in made.notes
    assert ("alto", Fraction(2)) in made.notes
    assert ("tenor", Fraction(0)) in made.notes
    assert sweep.parallels_heard(made.hymn)[1] == 0


def test_a_bass_is_made_where_there_are_symbols_alone() -> None:
    """R11: roots, line begun and ended on the root."""
    voices = tuple((name, "" if name == "bass" else text) for name, text in PLAIN.voices)
    made = in_four_parts(hymn_of(replace(PLAIN, voices=voices)))
    bass = made.hymn.tune.voice("bass")
    assert bass is not None
    assert (bass.notes[0].pitch.step, bass.notes[-1].pitch.step) == ("C", "F")
    assert ("bass", Fraction(0)) in made.notes
    assert made.hymn.tune.four_parts


def test_the_parts_go_with_the_words() -> None:
    """A note for each syllable; over a syllable of two notes, and off the beat without words, the inner parts hold."""
    held = in_four_parts(hymn_of(replace(PLAIN, words=("one two _ three four five six se-ven",)))).hymn
    sung = in_four_parts(hymn_of(replace(PLAIN, words=("one two three four five six se-ven eight",)))).hymn
    assert [one.partition(":")[2] for one in keys(held, "alto")[1:3]] == ["1", "1"]
    assert [one.partition(":")[2] for one in keys(sung, "alto")[1:4]] == ["1/2", "1/2", "1"]
    assert keys(in_four_parts(hymn_of(PLAIN)).hymn, "alto") == keys(held, "alto")


def test_a_hymn_in_four_parts_gets_nothing() -> None:
    """Nothing is proposed where everything stands."""
    for hymn in FOUR:
        made = in_four_parts(hymn)
        assert made.notes == frozenset()
        assert {voice.name: voice.notes for voice in made.hymn.tune.voices} == {
            voice.name: voice.notes for voice in hymn.tune.voices
        }


@pytest.mark.parametrize("hymn", FOUR, ids=lambda hymn: hymn.title)
def test_what_is_proposed_can_be_written_into_the_fields(hymn: Hymn) -> None:
    """Typed out, the fields give the proposal again, note for note."""
    whole = typed_out(hymn.tune)
    typed = replace(
        whole, voices=tuple((name, "" if name in ("alto", "tenor") else text) for name, text in whole.voices)
    )
    made = in_four_parts(hymn_of(typed)).hymn
    again = hymn_of(written_out(typed, made.tune))
    for name in ("alto", "tenor"):
        assert keys(again, name) == keys(made, name)


@given(
    st.text(alphabet="abcdefgr#-', ~|1248.", max_size=50),
    st.text(alphabet="acegr~()8', ", max_size=25),
    st.text(alphabet="acegr~()8', ", max_size=25),
    st.lists(st.sampled_from(["C", "Dm7", "G7/B", "F#dim", "|", ".", "N.C.", "Ebmaj7"]), max_size=12),
    st.sampled_from(["0", "1", "1/2"]),
    st.sampled_from(["4/4", "3/4", "6/8"]),
)
@settings(max_examples=150, deadline=None)
def test_whatever_is_typed_gets_an_answer(
    tune: str, alto: str, bass: str, symbols: list[str], pickup: str, time: str
) -> None:
    """No voice is too strange: parts inside their bars, hers first; written out, they are read again without a slip."""
    voices = (("soprano", tune), ("alto", alto), ("tenor", ""), ("bass", bass))
    typed = Typed(voices=voices, symbols=" ".join(symbols), pickup=pickup, time=time)
    taken = take(typed)
    if taken.hymn is None:
        return
    made = in_four_parts(taken.hymn)
    for voice in made.hymn.tune.voices:
        bars = made.hymn.tune.bars
        assert all(note.end <= bars[made.hymn.tune.bar_at(note.onset)].end for note in voice.notes)
        assert all(one.end <= two.onset for one, two in pairwise(voice.notes))
    again = take(written_out(typed, made.hymn.tune))
    assert len(again.slips) == len(taken.slips)
