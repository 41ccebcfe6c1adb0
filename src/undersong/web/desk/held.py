"""In the child: a hymn as she has it, and what was read, harmonised or laid out of it before.

Conventions: a *state* names the source file, the hymn's number in it, and what she changed (amendments, chords, plan),
all as the codec writes them. A child keeps the last hymns it read; what it is asked decides what it answers, nothing
else.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from undersong import workflow
from undersong.errors import UnknownName
from undersong.model.codec import decode
from undersong.model.edits import Amendments, Edits
from undersong.model.hymn import Hymn
from undersong.model.plan import Plan, VersePlan
from undersong.textures.table import TEXTURES

Plain = dict[str, Any]
Made = TypeVar("Made")

MOST_HELD = 200

_held: OrderedDict[Any, Any] = OrderedDict()


def once(key: Any, make: Callable[[], Made]) -> Made:
    """What was made before for this key, or made now."""
    if key not in _held:
        _held[key] = make()
        if len(_held) > MOST_HELD:
            _held.popitem(last=False)
    _held.move_to_end(key)
    made: Made = _held[key]
    return made


def reading_of(path: Path, told: Amendments) -> Any:
    """What was read from a file, as told."""
    stat = path.stat()
    midi = (told.time, told.key, told.pickup)
    return once(
        ("read", str(path), stat.st_mtime_ns, stat.st_size, midi),
        partial(workflow.read_all, path, workflow.told_of_midi(told)),
    )


def key_of(state: Plain, *fields: str) -> str:
    """What an answer depends on, as text: cheaper to compare than the hymn itself."""
    return json.dumps([state.get(field) for field in ("source", "number", "amended", *fields)])


def hymn_of(state: Plain) -> Hymn:
    """The hymn, with what she put right."""
    return once(("hymn", key_of(state)), partial(_made_hymn, state))


def _made_hymn(state: Plain) -> Hymn:
    return workflow.amend(read_of(state), decode(Amendments, state["amended"]))


def read_of(state: Plain) -> Hymn:
    """The hymn as it was read."""
    found = reading_of(Path(state["source"]), decode(Amendments, state["amended"]))
    if not 0 <= state["number"] < len(found.hymns):
        raise UnknownName("the file does not hold that tune any more", remedy="Bring the file in again.")
    hymn: Hymn = found.hymns[state["number"]]
    return hymn


def heard_of(state: Plain, hymn: Hymn) -> workflow.Heard:
    """Its harmony, with her chords."""
    edits = decode(Edits, state["edits"])
    return once(("heard", key_of(state, "edits")), partial(workflow.harmonise, hymn, edits))


def bench_of(state: Plain) -> workflow.Bench:
    """Organ, player and room."""
    return decode(workflow.Bench, state["bench"])


def row_laid_out(state: Plain, plan: Plan, index: int) -> Any:
    """One row laid out, still without stops; what was laid out before is not laid out again."""
    hymn = hymn_of(state)
    same = tuple(one for one in plan.verses[:index] if one.verse == plan.verses[index].verse)
    alone = replace(plan, verses=(*same, plan.verses[index]))
    harmony = heard_of(state, hymn).harmony
    return once(
        ("row", key_of(state, "edits", "bench"), alone),
        partial(workflow.lay_out_row, hymn, harmony, alone, len(same), bench_of(state)),
    )


def laid_out(state: Plain, plan: Plan) -> Any:
    """The whole plan laid out, with stops."""
    return once(
        ("plan", key_of(state, "edits", "bench"), plan),
        lambda: workflow.joined(
            [row_laid_out(state, plan, index) for index in range(len(plan.verses))], plan, bench_of(state)
        ),
    )


def plan_of(state: Plain, hymn: Hymn, heard: workflow.Heard) -> Plan:
    """Her plan, or the one that is proposed: each row of it serves."""
    plan = wished_plan(state, hymn, heard)
    if state.get("plan"):
        return plan
    return once(("proposed", key_of(state, "edits", "bench")), partial(serving, state, plan))


def wished_plan(state: Plain, hymn: Hymn, heard: workflow.Heard) -> Plan:
    """Her plan, or the usual one for such a hymn, whether its rows serve or not: cheaper, for its key."""
    if state.get("plan"):
        return decode(Plan, state["plan"])
    return workflow.plan_for(hymn, heard.harmony, wishes_of(state))


def serving(state: Plain, plan: Plan) -> Plan:
    """A plan with each row that cannot serve exchanged for what is laid out in its place."""
    for index in range(len(plan.verses)):
        plan = _with_row(plan, index, _serving_row(state, plan, index))
    return plan


def _with_row(plan: Plan, index: int, row: VersePlan) -> Plan:
    return replace(plan, verses=(*plan.verses[:index], row, *plan.verses[index + 1 :]))


def _serving_row(state: Plain, plan: Plan, index: int) -> VersePlan:
    row = plan.verses[index]
    if serves(state, plan, index):
        return row
    section = row_laid_out(state, plan, index).sections[0]
    instead = replace(row, texture=section.texture, tune=section.tune, pattern="")
    ways = [instead, *(replace(instead, pattern=one.name) for one in TEXTURES[section.texture].patterns[1:])]
    return next((way for way in ways if serves(state, _with_row(plan, index, way), index)), instead)


def serves(state: Plain, plan: Plan, index: int) -> bool:
    """Whether a row is laid out as it was asked for."""
    return not any(one.kind in NOT_AS_ASKED for one in row_laid_out(state, plan, index).findings)


NOT_AS_ASKED = ("not-served", "slower-for-room")


def another(state: Plain, plan: Plan, index: int) -> VersePlan:
    """A row in the next texture of the table that serves, to be looked at beside it."""
    row, names = plan.verses[index], list(TEXTURES)
    at = names.index(row.texture)
    ways = [replace(row, texture=name, pattern="") for name in (*names[at + 1 :], *names[:at])]
    return next((way for way in ways if serves(state, _with_row(plan, index, way), index)), ways[0])


def wishes_of(state: Plain) -> workflow.Wishes:
    """Organ, player and room as wishes."""
    bench = bench_of(state)
    return workflow.Wishes(organ=bench.organ, player=bench.player, room=bench.room)
