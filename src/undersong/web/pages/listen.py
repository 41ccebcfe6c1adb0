"""Listen and practise: a verse as sound, its notes lit on the page."""

from __future__ import annotations

import re

from starlette.responses import JSONResponse, Response

from undersong.errors import UnknownName
from undersong.web.asked import Given, Question
from undersong.web.door import Door, ask, drawn
from undersong.web.forms.listen import LIMBS, hearing_of
from undersong.web.sounds import Growing, Sound
from undersong.web.work import Plain
from undersong.workflow import NotHere
from undersong.writing.screen import Touch, on_screen


def listen(door: Door, asked: Question) -> Response:
    """A verse as sound, its notes lit on the page."""
    kept = door.open(asked)
    given = Given(asked.request.query_params)
    row = given.text("row") or "0"
    if not re.fullmatch(r"\d{1,3}", row, re.ASCII):
        raise NotHere("the plan has no such row", remedy="Load the page again.")
    request = {"state": door.state(kept), "row": int(row), "printed": bool(given.text("printed"))}
    page = door.work.ask("listen:hear", request)
    hearing = hearing_of(given)
    for bar in (hearing["from"], hearing["to"]):
        if bar and bar not in page["bars"]:
            raise UnknownName(f"there is no bar {bar}", remedy=f"The bars are {page['bars'][0]} to {page['bars'][-1]}.")
    name = door.sounds.make("listen", request | {"hearing": hearing})
    systems = door.work.engrave(page["music"], page["lines"])
    notes = {one["id"]: Touch(one["id"], _tune_says(one), {"begins": one["id"]}) for one in page["tune"]}
    pictures = on_screen(systems, notes=notes, named="Line")
    return door.show(
        "listen.html", kept=kept, page=page, hearing=hearing, sound=name, pictures=drawn(pictures), here="listen",
        printed=request["printed"], again=bool(given.text("again")), limbs=LIMBS,
    )  # fmt: skip


def sound(door: Door, asked: Question) -> Response:
    """A sound, whole or the piece that is asked for, while it is still being made."""
    name = str(asked.path["sound"])
    return Growing(name, _sound(door, name), asked.request.headers.get("range", ""))


def times(door: Door, asked: Question) -> Response:
    """When each note of a sound begins and ends."""
    return JSONResponse(_sound(door, str(asked.path["sound"])).facts)


def _sound(door: Door, name: str) -> Sound:
    found = door.sounds.find(name)
    if found is None:
        raise NotHere("this sound is not here any more", remedy="Load the page again.")
    return found


def _tune_says(one: Plain) -> str:
    return f"{one['says']}, “{one['word']}”" if one["word"] else str(one["says"])


ADDRESSES = (
    ask("/hymns/{name}/listen", listen),
    ask("/sounds/{sound}", sound),
    ask("/sounds/{sound}/times", times),
)
