"""Buttons against a fault: each is tried, and pressing it takes the fault away.

References: the table of findings; what is laid out after the button is pressed is looked at anew.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from undersong import workflow
from undersong.arranging.remedies import TRIES, Given, changes, texture_says
from undersong.demo import hymn_files
from undersong.model.codec import decode, encode
from undersong.model.edits import NO_EDITS, Amendments
from undersong.model.finding import KINDS
from undersong.model.organ import TWO_MANUALS
from undersong.model.pitch import Interval
from undersong.model.plan import Plan, VersePlan
from undersong.model.room import ROOMS
from undersong.model.time import Pace
from undersong.textures.table import TEXTURES
from undersong.web.asked import Given as Fields
from undersong.web.desk import plan as desk
from undersong.web.forms.plan import changed_row

WATER, BARLEY = hymn_files()[:2]
ONE_MANUAL = workflow.Bench(organ=replace(TWO_MANUALS, manuals=TWO_MANUALS.manuals[:1], pedal=None))


def state_of(file: Path, bench: workflow.Bench, **row: Any) -> dict[str, Any]:
    """A hymn with one row."""
    hymn = workflow.read(file)[0]
    wishes = workflow.Wishes(organ=bench.organ, player=bench.player, room=bench.room)
    whole = workflow.plan_for(hymn, workflow.harmonise(hymn).harmony, wishes)
    plan = replace(whole, verses=(replace(whole.verses[0], **row),))
    return {
        "source": str(file), "number": 0, "amended": encode(Amendments()), "edits": encode(NO_EDITS),
        "plan": encode(plan), "bench": encode(bench),
    }  # fmt: skip


def pressed(state: dict[str, Any], way: dict[str, Any]) -> dict[str, Any]:
    """The state after a button: its fields go the way that the page sends them."""
    plan = decode(Plan, state["plan"])
    if way["to"] == "key":
        steps, semitones = map(int, way["fields"]["transpose"].split(","))
        return state | {"plan": encode(replace(plan, transpose=Interval(steps, semitones)))}
    row = changed_row(plan.verses[0], Fields(way["fields"]), desk.plan(state))
    return state | {"plan": encode(replace(plan, verses=(row,)))}


def kinds(state: dict[str, Any]) -> set[str]:
    return {one["kind"] for one in desk.verse({"state": state, "row": 0})["told"]}


CASES: tuple[tuple[Path, workflow.Bench, dict[str, Any]], ...] = (
    (WATER, workflow.Bench(), {"texture": "broken", "tune": "pedal"}),
    (WATER, workflow.Bench(), {"texture": "alberti", "tune": "octave-up"}),
    (WATER, workflow.Bench(), {"texture": "strummed"}),
    (WATER, workflow.Bench(), {"texture": "descant", "tune": "tenor"}),
    (WATER, ONE_MANUAL, {"texture": "soloed"}),
    (BARLEY, workflow.Bench(), {"texture": "counter-line"}),
    (BARLEY, workflow.Bench(), {"texture": "broken", "pattern": "flowing", "pace": Pace(Fraction(100), Fraction(1))}),
    (BARLEY, workflow.Bench(), {"texture": "block", "tune": "octave-up"}),
    (BARLEY, ONE_MANUAL, {"texture": "broken", "tune": "tenor"}),
)


@pytest.mark.parametrize(("file", "bench", "row"), CASES, ids=[str(index) for index in range(len(CASES))])
def test_every_button_takes_its_fault_away(file: Path, bench: workflow.Bench, row: dict[str, Any]) -> None:
    """Whatever is offered, and nothing is offered twice."""
    state = state_of(file, bench, **row)
    ways = desk.remedies({"state": state, "row": 0})["ways"]
    assert set(ways) <= kinds(state)
    for kind, offered in ways.items():
        assert len({one["says"] for one in offered}) == len(offered) <= desk.MOST_WAYS
        for way in offered:
            assert kind not in kinds(pressed(state, way)), (kind, way)


def test_some_faults_are_taken_away() -> None:
    """By another place of the tune, other hands, another texture, a slower pace."""
    offered = [desk.remedies({"state": state_of(*case[:2], **case[2]), "row": 0})["ways"] for case in CASES]
    found = [kind for one in offered for kind, ways in one.items() if ways]
    assert {"not-served", "too-soft", "slower-for-room"} <= set(found)
    says = [way["says"] for one in offered for ways in one.values() for way in ways]
    assert {"tune at pitch", "block chords", "both hands on Great"} <= set(says)
    assert any(one.startswith("slower: ") for one in says)


def test_the_row_says_what_is_laid_out_instead() -> None:
    """Asked for a tune in the tenor on one manual; the tune stays at pitch, and the row says so."""
    state = state_of(BARLEY, ONE_MANUAL, texture="broken", tune="tenor")
    assert "tune at pitch" in desk.verse({"state": state, "row": 0})["other"]
    assert desk.laid(state)["rows"][0]["other"] == desk.verse({"state": state, "row": 0})["other"]
    plain = state_of(WATER, workflow.Bench(), texture="as-printed")
    assert desk.verse({"state": plain, "row": 0})["other"] == ""


@pytest.mark.parametrize("file", hymn_files(), ids=lambda file: file.stem)
@pytest.mark.parametrize("room", ["average", "very live"])
def test_the_proposed_plan_and_what_stands_beside_it_serve(file: Path, room: str) -> None:
    """At first sight no row is laid out in another way than it says, nor the first version offered beside it."""
    bench = workflow.Bench(room=ROOMS[room])
    state = state_of(file, bench) | {"plan": None}
    plan = decode(Plan, desk.plan(state)["plan"])
    assert len(plan.verses) == len(workflow.read(file)[0].text.verses)
    hers = state | {"plan": encode(plan)}
    for index, row in enumerate(plan.verses):
        assert desk.verse({"state": hers, "row": index})["other"] == ""
        other = decode(VersePlan, desk.beside({"state": hers, "row": index})["row"])
        assert other.texture != row.texture
        verses = (*plan.verses[:index], other, *plan.verses[index + 1 :])
        beside = state | {"plan": encode(replace(plan, verses=verses))}
        assert desk.verse({"state": beside, "row": index})["other"] == ""


def test_the_usual_plan_holds_rows_that_do_not_serve() -> None:
    """What is proposed for the page differs from the usual plan, for a hymn whose third verse would blur."""
    hymn = workflow.read(WATER)[0]
    usual = workflow.plan_for(hymn, workflow.harmonise(hymn).harmony, workflow.Wishes())
    state = state_of(WATER, workflow.Bench()) | {"plan": encode(usual)}
    assert desk.verse({"state": state, "row": 2})["other"] == "broken over held notes"


def test_the_table_names_kinds_that_there_are() -> None:
    """And every kind on which a page of its own is pointed at."""
    assert set(TRIES) <= set(KINDS)
    assert set(desk.ELSEWHERE) <= set(KINDS)


def test_a_change_changes_something() -> None:
    """Of a row on two manuals: none of the changes leaves it as it was, none comes twice."""
    row = VersePlan(1, "broken", "at-pitch", "Great", "Swell")
    given = Given(row, TWO_MANUALS, Pace(Fraction(90), Fraction(1)))
    for kind in KINDS:
        found = list(changes(kind, given))
        assert row not in [one.row for one in found if one.transpose is None]
        assert len({one.says for one in found}) == len(found)


def test_every_pattern_can_be_chosen_with_its_words() -> None:
    """On the sheet each texture stands with what it is, and each pattern of a texture with what it is."""
    sheet = desk.plan(state_of(WATER, workflow.Bench(), texture="block"))
    offered = {one["name"]: one["what"] for one in sheet["textures"]}
    for texture in TEXTURES.values():
        assert offered[texture.name] == texture.what
        for pattern in texture.patterns[1:]:
            assert offered[f"{texture.name}:{pattern.name}"] == pattern.says
    assert sum(":" in name for name in offered) >= 6
    assert texture_says("broken:low-and-pair") == "broken chords, low and pair"
