"""What was understood and assumed when a hymn came in, to be put right."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from undersong.model.codec import decode, encode
from undersong.model.edits import Amendments, Edits
from undersong.web.asked import LONGEST_TITLE, Question
from undersong.web.door import Door, ask, go, send
from undersong.web.forms.plan import fitting


def understood(door: Door, asked: Question) -> Response:
    """What was understood and assumed, to be put right."""
    kept = door.open(asked)
    facts = door.work.ask("understood:understood", door.state(kept))
    midi = kept.source.suffix in (".mid", ".midi", ".kar")
    return door.show("understood.html", kept=kept, facts=facts, midi=midi, here="understood")


def put_right(door: Door, asked: Question) -> Response:
    """Keep what she put right in the reading."""
    kept = door.open(asked)
    facts = door.work.ask("understood:understood", door.state(kept))
    every = [one["number"] for one in facts["all_verses"]]
    ticked = [int(one) for one in asked.form.getlist("verse") if isinstance(one, str) and one.isdecimal()]
    kept_verses = tuple(number for number in every if number in ticked)
    title = asked.text("title").strip()[:LONGEST_TITLE]
    pickup = asked.text("pickup").strip()[:12]
    wanted = replace(
        kept.amendments,
        title="" if title == facts["read_title"] else title,
        tune_name=asked.text("tune_name").strip()[:LONGEST_TITLE],
        melody=asked.text("melody") if asked.text("melody") in facts["voices"] else "",
        verses=() if len(kept_verses) in (0, len(every)) else kept_verses,
        time=asked.text("time").strip(), key=asked.text("key").strip(),
        pickup=kept.amendments.pickup if pickup == facts["upbeat"] else pickup,
    )  # fmt: skip
    found = door.work.ask("understood:put_right", {"state": door.state(kept), "wanted": encode(wanted)})
    wanted, edits = decode(Amendments, found["amended"]), decode(Edits, found["edits"])
    return door.change(
        asked, "what was understood",
        lambda one: replace(
            one, amendments=wanted, edits=edits, title=title or one.title,
            plan=fitting(one.plan, kept_verses or every),
        ),
        lambda _: go(f"/hymns/{kept.name}"),
    )  # fmt: skip


ADDRESSES = (
    ask("/hymns/{name}/understood", understood),
    send("/hymns/{name}/understood", put_right),
)
