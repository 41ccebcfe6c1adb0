"""The plan sheet: a ruled row for each verse, its page below, what would help, two versions side by side."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from undersong.errors import UndersongError
from undersong.model.codec import decode
from undersong.model.plan import Plan, VersePlan
from undersong.web.asked import Given, Question
from undersong.web.door import Door, ask, drawn, go, send
from undersong.web.forms.plan import changed_row, row_name, row_says, texture_of
from undersong.web.work import LONG_SECONDS, Plain
from undersong.workflow import Kept, NotHere
from undersong.writing.screen import on_screen


def plan(door: Door, asked: Question) -> Response:
    """A ruled row for each verse, and each verse's page."""
    kept = door.open(asked)
    sheet = door.work.ask("plan:plan", door.state(kept))
    plan = decode(Plan, sheet["plan"])
    verses = [
        _verse(door, kept, plan, row) if door.work.has("plan:verse", _row_request(door, kept, plan, row)) else None
        for row in range(len(plan.verses))
    ]
    others = [one["made"]["other"] if one and one["made"] else "" for one in verses]
    return door.show("plan.html", kept=kept, sheet=sheet, verses=verses, others=others, here="plan", **WHOLE)


def _row_request(door: Door, kept: Kept, plan: Plan, row: int) -> Plain:
    return {"state": door.state(kept, plan), "row": row}


def _verse(door: Door, kept: Kept, plan: Plan, row: int, apart: str = "") -> Plain:
    """One row laid out and engraved; where that fails, its sentence."""
    try:
        made = door.work.ask("plan:verse", _row_request(door, kept, plan, row))
        systems = door.work.engrave(made["music"], made["lines"], made["signs"])
    except UndersongError as fault:
        return {"row": row, "fault": str(fault), "pictures": [], "made": None}
    pictures = on_screen(systems, named=f"{row_name(plan.verses[row])}, system", apart=apart)
    return {"row": row, "fault": "", "pictures": drawn(pictures), "made": made}


def verse(door: Door, asked: Question) -> Response:
    """One verse's page."""
    kept = door.open(asked)
    sheet, plan, row = _planned(door, asked, kept)
    made = _verse(door, kept, plan, row)
    return door.show("verse.html", kept=kept, sheet=sheet, verse=made, **WHOLE | {"late": True})


def _planned(door: Door, asked: Question, kept: Kept) -> tuple[Plain, Plan, int]:
    sheet = door.work.ask("plan:plan", door.state(kept))
    plan, row = decode(Plan, sheet["plan"]), int(asked.path["row"])
    if row >= len(plan.verses):
        raise NotHere("the plan has no such row", remedy="Load the page again.")
    return sheet, plan, row


def change_row(door: Door, asked: Question) -> Response:
    """One row of the plan changed; its page follows."""
    kept = door.open(asked)
    sheet, plan, row = _planned(door, asked, kept)
    fresh = changed_row(plan.verses[row], asked, sheet)
    wanted = replace(plan, verses=(*plan.verses[:row], fresh, *plan.verses[row + 1 :]))
    did = f"{row_name(fresh).lower()}: {row_says(plan.verses[row], fresh, sheet)}"

    def then(now: Kept) -> Response:
        if not asked.part:
            return go(f"/hymns/{now.name}/plan#row-{row}")
        old, new = (door.work.ask("plan:laid", door.state(kept, one))["rows"] for one in (plan, wanted))
        rows = [one for one in range(len(new)) if one == row or new[one] != old[one]]
        verses = [_verse(door, now, wanted, one) for one in rows]
        others = [one["other"] for one in new]
        sheet = door.work.ask("plan:plan", door.state(now))
        facts: Plain = {"kept": now, "sheet": sheet, "verses": verses, "others": others}
        return door.show("plan_part.html", **facts, **WHOLE | {"swap": True})

    return door.change(asked, did, lambda one: replace(one, plan=wanted), then)


def beside(door: Door, asked: Question) -> Response:
    """Two versions of a verse side by side."""
    kept = door.open(asked)
    sheet, plan, row = _planned(door, asked, kept)
    given = asked.request.query_params
    now = plan.verses[row]
    other = changed_row(now, Given(given), sheet)
    if other == now:
        other = decode(VersePlan, door.work.ask("plan:beside", _row_request(door, kept, plan, row))["row"])
    wanted = replace(plan, verses=(*plan.verses[:row], other, *plan.verses[row + 1 :]))
    return door.show(
        "beside.html", kept=kept, sheet=sheet, row=row, here="plan", other=other, now=now,
        other_texture=texture_of(other),
        verses=[_verse(door, kept, plan, row), _verse(door, kept, wanted, row, "other-")],
    )  # fmt: skip


def remedies(door: Door, asked: Question) -> Response:
    """What is said under a verse, with buttons for what mends it: each was tried."""
    kept = door.open(asked)
    _, plan, row = _planned(door, asked, kept)
    request = _row_request(door, kept, plan, row)
    made = door.work.ask("plan:verse", request)
    ways = door.work.ask("plan:remedies", request, deadline_seconds=LONG_SECONDS)["ways"]
    return door.show("told.html", kept=kept, row=row, made=made, ways=ways)


WHOLE: Plain = {"swap": False, "late": False, "ways": None}
"""A verse on a whole page: not exchanged for another, not after the sheet, and nothing tried yet."""
ROW = "/hymns/{name}/plan/{row:int}"
ADDRESSES = (
    ask("/hymns/{name}/plan", plan),
    ask(ROW, verse),
    send(ROW, change_row),
    ask(ROW + "/beside", beside),
    ask(ROW + "/remedies", remedies),
)
