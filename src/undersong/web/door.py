"""What every page needs: the shelf, the children, the templates; a hymn opened, a change kept.

Problem: she opens a hymn, changes it, prints it; perhaps in two windows, perhaps on a tablet. Every write names the
version it was made from; a conflict shows both.

Conventions: a request from a script (`HX-Request`) gets the changed piece of the page, any other a whole page. Names
in addresses are looked up on the shelf, never put into a path. After a write from a plain form comes a redirect.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, RedirectResponse, Response

from undersong import __version__
from undersong.errors import CannotReadFile, CannotSay
from undersong.model.codec import decode, encode
from undersong.model.harmony import ORIGINS
from undersong.model.plan import Plan
from undersong.web.asked import Question
from undersong.web.sounds import Sounds
from undersong.web.work import Jobs, Plain, Work
from undersong.workflow import Changed, Kept, Shelf, Typed, read_bench


class Door:
    """Shelf, children and long work, and how a page is shown."""

    def __init__(self, shelf: Shelf, work: Work) -> None:
        """Nothing is read yet."""
        self.shelf = shelf
        self.work = work
        self.jobs = Jobs()
        self.sounds = Sounds(work)
        self.templates = Environment(
            loader=PackageLoader("undersong.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
            lstrip_blocks=True,
        )  # fmt: skip
        self.templates.globals |= {"program_version": __version__, "origins": ORIGINS, "quote": quote}

    def close(self) -> None:
        """End all work and all children."""
        self.jobs.close()
        self.work.close()
        self.sounds.close()

    def show(self, template: str, status: int = 200, **facts: Any) -> HTMLResponse:
        """A page, or a piece of one."""
        return HTMLResponse(self.templates.get_template(template).render(**facts), status)

    def open(self, asked: Question) -> Kept:
        """The hymn that the address names."""
        return self.shelf.open(str(asked.path["name"]))

    def state(self, kept: Kept, plan: Plan | None = None) -> Plain:
        """What the children need to know of a hymn."""
        plan = plan or kept.plan
        return {
            "source": str(kept.source), "number": kept.number, "amended": encode(kept.amendments),
            "edits": encode(kept.edits), "plan": encode(plan) if plan else None,
            "bench": encode(read_bench(self.shelf.folder)[0]),
        }  # fmt: skip

    def change(
        self, asked: Question, did: str, change: Callable[[Kept], Kept], then: Callable[[Kept], Response]
    ) -> Response:
        """Keep a change made from the version in the form, then answer; both shown if it is not that any more."""
        kept = self.open(asked)
        try:
            now = self.shelf.change(kept.name, asked.text("version"), did, change)
        except Changed:
            return self.conflict(asked, kept, did)
        return then(now)

    def conflict(self, asked: Question, kept: Kept, did: str) -> Response:
        """Both: what stands now and what she wanted; she keeps one."""
        since = self.shelf.since(kept.name, asked.text("version"))
        response = self.show(
            "conflict_part.html" if asked.part else "conflict.html", 409, kept=kept, since=since, did=did,
            action=asked.request.url.path, fields=asked.fields(), here="conflict", beside=_beside(asked, kept),
        )  # fmt: skip
        return to_notice(response) if asked.part else response

    def draft(self, name: str) -> tuple[Typed, str]:
        """A hymn that is being typed, and its version."""
        text, version = self.shelf.draft(name)
        try:
            return decode(Typed, json.loads(text)["typed"]), version
        except (ValueError, KeyError, TypeError, CannotSay) as fault:
            raise CannotReadFile(f"this draft is spoilt ({fault})") from fault


Answer = Callable[[Door, Question], Response]


@dataclass(frozen=True, slots=True)
class Address:
    """A row of a page's table: a path, what answers it, and whether a form is sent to it."""

    path: str
    answer: Answer
    form: bool


def ask(path: str, answer: Answer) -> Address:
    """An address that is looked at (GET)."""
    return Address(path, answer, form=False)


def send(path: str, answer: Answer) -> Address:
    """An address that a form is sent to (POST)."""
    return Address(path, answer, form=True)


def go(where: str) -> Response:
    """To another page, after a write."""
    return RedirectResponse(where, 303)


def drawn(pictures: Sequence[str]) -> list[Markup]:
    """The only text that a page takes as it is: systems engraved here, every word in them escaped by lxml."""
    return [Markup(one) for one in pictures]  # noqa: S704


def to_notice(response: HTMLResponse) -> HTMLResponse:
    """A piece that belongs into the notice at the head of the page."""
    response.headers["hx-retarget"] = "#notice"
    response.headers["hx-reswap"] = "innerHTML"
    return response


def _beside(asked: Question, kept: Kept) -> str:
    """Where both versions of a verse can be seen side by side, if the change was about a verse."""
    if "row" not in asked.path:
        return ""
    told = "&".join(
        f"{name}={quote(value)}"
        for name, value in asked.fields().items()
        if name in ("texture", "tune", "right", "left")
    )
    return f"/hymns/{kept.name}/plan/{asked.path['row']}/beside?{told}"
