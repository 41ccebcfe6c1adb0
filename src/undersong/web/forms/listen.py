"""What she wants to hear, as a form."""

from __future__ import annotations

import re

from undersong.errors import UnknownName
from undersong.web.asked import Given, Question
from undersong.web.work import Plain

LIMBS = {"right": "right hand", "left": "left hand", "feet": "feet", "tune": "tune"}
"""What can be left out, by the names of the program's practice."""


def hearing_of(asked: Question | Given) -> Plain:
    """What she wants to hear; UnknownName for what is not among the choices."""
    given = asked.fields()
    without = [name for name in LIMBS if given.get(f"without-{name}")]
    pace = asked.text("pace").strip().replace(",", ".")
    if pace and not re.fullmatch(r"\d{1,3}(\.\d{1,2})?", pace, re.ASCII):
        raise UnknownName(f"{pace[:20]!r} is not a pace", remedy="Write beats a minute.")
    first, last = asked.text("from")[:8], asked.text("to")[:8]
    return {
        "without": without, "pace": float(pace) if pace else 0.0, "from": first or last, "to": last or first,
        "count_in": bool(given.get("count_in")),
    }  # fmt: skip
