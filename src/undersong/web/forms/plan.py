"""A row of the plan as she changes it: fields to a value of the model, and the change in her words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from undersong.errors import UnknownName
from undersong.model.plan import Plan, VersePlan
from undersong.model.time import Pace
from undersong.web.asked import Given, Question
from undersong.web.work import Plain


def row_name(row: VersePlan) -> str:
    """`Verse 2`."""
    return f"Verse {row.verse}" if row.verse is not None else "Tune"


def texture_of(row: VersePlan) -> str:
    """Texture and pattern as the sheet names them."""
    return f"{row.texture}:{row.pattern}" if row.pattern else row.texture


def changed_row(row: VersePlan, asked: Question | Given, sheet: Plain) -> VersePlan:
    """The row with the fields that came; UnknownName for what the tables do not have."""
    given = asked.fields()
    choices = {
        "texture": [one["name"] for one in sheet["textures"]],
        "tune": [one["name"] for one in sheet["places"]],
        "right": ["", *sheet["manuals"]],
        "left": ["", *sheet["manuals"]],
        "inner_pedal": ["struck", "held"],
    }
    changed: dict[str, Any] = {}
    for name, known in choices.items():
        if name in given:
            if asked.text(name) not in known:
                raise UnknownName(f"{asked.text(name)[:40]!r} is not one of {', '.join(filter(None, known))}")
            changed[name] = asked.text(name)
    if "inner_pedal" in changed:
        changed["inner_pedal"] = changed["inner_pedal"] == "held"
    if "texture" in changed:
        changed["texture"], _, changed["pattern"] = changed["texture"].partition(":")
    if "who" in given:
        changed["who"] = asked.text("who").strip()[:60]
    if "pace" in given:
        changed["pace"] = _pace(asked.text("pace").strip(), row.pace)
    return replace(row, **changed)


def _pace(text: str, now: Pace | None) -> Pace | None:
    if not text:
        return now
    if not re.fullmatch(r"\d{1,3}([.,]\d)?", text, re.ASCII) or not 20 <= float(text.replace(",", ".")) <= 240:
        raise UnknownName(f"{text[:20]!r} is not a pace", remedy="Write beats a minute, from 20 to 240.")
    number = Fraction(text.replace(",", "."))
    return Pace(number, now.beat if now else Fraction(1))


def row_says(old: VersePlan, new: VersePlan, sheet: Plain) -> str:
    """What was changed in a row, in her words."""
    titles = {one["name"]: one["title"] for one in [*sheet["textures"], *sheet["places"]]}
    told = [titles[texture_of(new)]] if texture_of(new) != texture_of(old) else []
    if new.tune != old.tune:
        told.append(titles[new.tune])
    if new.inner_pedal != old.inner_pedal:
        told.append(f"common tones {'held' if new.inner_pedal else 'struck'}")
    for limb, was, now in (("r.h.", old.right, new.right), ("l.h.", old.left, new.left)):
        if was != now:
            told.append(f"{limb} {now or 'as it suits'}")
    if new.who != old.who:
        told.append(f"sung by {new.who or 'nobody named'}")
    if new.pace != old.pace and new.pace:
        told.append(f"{float(new.pace.beats_per_minute):g} beats a minute")
    return ", ".join(told) or "nothing new"


def fitting(plan: Plan | None, verses: Sequence[int]) -> Plan | None:
    """The plan with a row for each of these verses: hers where there is one, else like the row before."""
    if plan is None or not verses or not plan.verses:
        return plan
    rows: list[VersePlan] = []
    for number in verses:
        hers = [row for row in plan.verses if row.verse == number]
        rows += hers or [replace(rows[-1] if rows else plan.verses[0], verse=number)]
    return replace(plan, verses=tuple(rows))
