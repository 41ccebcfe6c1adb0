"""A chord heard in its place: the printed parts around it, the changed harmony where she changed it, lit on the page.

References: the hymn as it was read is what must sound; MusicXML of the hymn's page names the notes that are lit.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from lxml import etree

from undersong import workflow
from undersong.demo import hymn_files
from undersong.errors import UnknownName
from undersong.harmony.edits import merged
from undersong.model.edits import NO_EDITS, Edits
from undersong.model.hymn import Hymn
from undersong.model.pitch import interval_for
from undersong.model.tune import Note

WATER = workflow.read(hymn_files()[0])[0]
BENCH = workflow.Bench()


def heard(hymn: Hymn, bar: str, beat: str, chord: str = "", steps: int = 0) -> workflow.InPlace:
    """A place, perhaps with another chord there, perhaps in another key."""
    plain = workflow.harmonise(hymn).harmony
    edits = NO_EDITS
    if chord:
        edits = merged(Edits(), workflow.one_chord(hymn, bar, beat, 0, chord)[0])
    plan = workflow.plan_for(hymn, plain, workflow.Wishes())
    if steps:
        key = next(one for one in workflow.possible_keys(hymn, plain) if one.transpose.semitones == steps)
        plan = workflow.play_it_in(plan, key)
    spans = workflow.hymn_with_chords(hymn, plain).spans
    symbols = {f"chord-{index}": span for index, span in enumerate(spans)}
    return workflow.in_place(hymn, workflow.harmonise(hymn, edits).harmony, plan, BENCH, (bar, beat), symbols)


def printed(hymn: Hymn, begin: Fraction, end: Fraction) -> list[tuple[str, Note]]:
    return [
        (voice.name, note)
        for voice in hymn.tune.voices
        for note in voice.notes
        if note.onset < end and note.end > begin
    ]


def keys(made: workflow.InPlace, at: float) -> set[int]:
    return {one.number for one in made.practice.performance.notes if one.on_seconds <= at < one.off_seconds}


def middle(made: workflow.InPlace, chord: str) -> float:
    """A moment just after a chord of the page begins."""
    return next(one.on_seconds for one in made.lit if one.id == chord) + 0.05


def test_the_printed_parts_sound() -> None:
    """Bar 2, beat 1: from the chord before it to the end of the one after it, every printed note and no other."""
    made = heard(WATER, "2", "1")
    spans = workflow.harmonise(WATER).harmony.spans
    at = next(index for index, span in enumerate(spans) if WATER.tune.place(span.onset) == "bar 2, beat 1")
    wanted = printed(WATER, spans[at - 1].onset, spans[at + 1].end)
    sounded = sorted(one.number for one in made.practice.performance.notes)
    assert sounded == sorted(note.pitch.midi for _, note in wanted)
    page = etree.fromstring(workflow.hymn_with_chords(WATER, workflow.harmonise(WATER).harmony).music)
    ids = {one.get("id") for one in page.iter("note")}
    lit = {one.id for one in made.lit if not one.id.startswith("chord-")}
    assert lit <= ids
    assert len(lit) == len(wanted)
    assert [one.id for one in made.lit if one.id.startswith("chord-")] == [f"chord-{n}" for n in (at - 1, at, at + 1)]


def test_a_changed_chord_sounds_between_the_printed_ones() -> None:
    """F sharp, which only D7 brings; the tune above it stays, the parts before and after are the printed ones."""
    plain, changed = heard(WATER, "2", "1"), heard(WATER, "2", "1", "D7")
    at = middle(plain, "chord-2")
    assert not {6, 2} & {key % 12 for key in keys(plain, at)}
    assert {2, 6, 0} <= {key % 12 for key in keys(changed, at)}
    assert max(keys(changed, at)) == max(keys(plain, at))
    for chord in ("chord-1", "chord-3"):
        assert keys(changed, middle(changed, chord)) == keys(plain, middle(plain, chord))
    lit = {one.id for one in changed.lit if one.on_seconds <= at < one.off_seconds}
    assert lit == {"soprano.3", "chord-2"}  # of the printed notes there the tune alone sounds


def test_the_first_and_the_last_chord_have_one_neighbour() -> None:
    """And there is none beyond."""
    count = len(workflow.harmonise(WATER).harmony.spans)
    first, last = heard(WATER, "1", "1"), heard(WATER, WATER.tune.bars[-1].number, "1")
    assert [one.id for one in first.lit if one.id.startswith("chord-")] == ["chord-0", "chord-1"]
    assert [one.id for one in last.lit if one.id.startswith("chord-")] == [f"chord-{count - 2}", f"chord-{count - 1}"]


def test_in_the_key_it_is_played_in() -> None:
    """Two semitones lower sounds lower; the same notes of the page are lit."""
    plain, lower = heard(WATER, "2", "1"), heard(WATER, "2", "1", steps=-2)
    assert interval_for(WATER.tune.bars[0].key, -2).semitones == -2
    assert {key - 2 for key in keys(plain, 0.1)} == keys(lower, 0.1)
    assert {one.id for one in plain.lit} == {one.id for one in lower.lit}


def test_a_tune_alone_has_its_chords_in_blocks() -> None:
    """Symbols over a tune: each chord sounds whole, the tune on top is lit."""
    barley = workflow.read(hymn_files()[1])[0]
    made = heard(barley, "2", "1")
    at = middle(made, "chord-3")
    assert len({key % 12 for key in keys(made, at)}) >= 3
    assert any(one.id.startswith("tune.") for one in made.lit)


@pytest.mark.parametrize(("bar", "beat"), [("99", "1"), ("2", "9"), ("2", "x"), ("2", "1/0")])
def test_a_place_that_is_none(bar: str, beat: str) -> None:
    with pytest.raises(UnknownName):
        heard(WATER, bar, beat)
