"""Addresses and what they answer. Every write names the version it was made from.

Problem: she opens a hymn, changes it, prints it; perhaps in two windows, perhaps on a tablet. Each address is a few
lines over `workflow` (in the children, see `desk`) and the shelf; what went wrong is a sentence on the page.

Conventions: a request from a script (`HX-Request`) gets the changed piece of the page, any other a whole page. Names
in addresses are looked up on the shelf, never put into a path. After a write from a plain form comes a redirect.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from undersong import __version__
from undersong.errors import CannotReadFile, CannotSay, CannotWrite, UndersongError, UnknownName
from undersong.model.codec import decode, encode
from undersong.model.edits import Edit
from undersong.model.harmony import ORIGINS
from undersong.model.pitch import Key
from undersong.model.plan import Plan
from undersong.web.asked import LONGEST_TITLE, Given, Question
from undersong.web.benchform import bench_facts, bench_from, form_as_given
from undersong.web.entering import (
    ENTRY_CHOICES,
    FIELD_NAMES,
    KIND_NAMES,
    KINDS_TYPED,
    MOST_VERSES,
    in_place,
    typed_from,
)
from undersong.web.guard import Refused
from undersong.web.hearing import LIMBS, Sounds, hearing_of
from undersong.web.making import MAKERS, Order
from undersong.web.rows import changed_row, fitting, row_name, row_says, texture_of
from undersong.web.work import Busy, Job, Jobs, Plain, Work
from undersong.workflow import (
    Changed,
    Kept,
    NotHere,
    Shelf,
    Typed,
    file_name,
    find_organ,
    read_bench,
    ready_names,
    with_chord,
    without_chord,
    write_bench,
)
from undersong.writing.screen import Touch, on_screen

MOST_FILES = 20
MOST_FIELDS = 200
SUFFIX = re.compile(r"\.(musicxml|xml|mxl|abc|mid|midi|kar|mei|krn)", re.IGNORECASE)
FONTS = Path(sys.modules["undersong.writing"].__path__[0]) / "fonts"
SHOWN = ("numerals", "notes", "lines")
PAPERS = ("a4", "letter")


Answer = Callable[[Question], Response]


class Door:
    """All answers; holds shelf, children and long work."""

    def __init__(self, shelf: Shelf, work: Work) -> None:
        """Nothing is read yet."""
        self.shelf = shelf
        self.work = work
        self.jobs = Jobs()
        self.sounds = Sounds(work)
        self.pages = Environment(
            loader=PackageLoader("undersong.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
            lstrip_blocks=True,
        )  # fmt: skip
        self.pages.globals |= {"program_version": __version__, "origins": ORIGINS, "quote": quote}

    def show(self, template: str, status: int = 200, **facts: Any) -> HTMLResponse:
        """A page, or a piece of one."""
        return HTMLResponse(self.pages.get_template(template).render(**facts), status)

    # -- the shelf ---------------------------------------------------------------------------------------------------

    def home(self, _: Question) -> Response:
        """Her hymns, and where a hymn comes in."""
        from undersong.demo import hymn_files  # noqa: PLC0415

        return self.show(
            "home.html", hymns=self.shelf.all(), broken=self.shelf.broken(), demo=len(hymn_files()),
            folder=str(self.shelf.hymns), told=None,
            drafts=self._drafts(), kinds=KIND_NAMES,
        )  # fmt: skip

    def _drafts(self) -> list[tuple[str, str]]:
        """Hymns that are being typed, each with its title."""
        found = []
        for name in self.shelf.drafts():
            with contextlib.suppress(UndersongError):
                found.append((name, self._draft(name)[0].title or "Untitled"))
        return found

    def bring(self, asked: Question) -> Response:
        """Files dropped or picked: each is understood, or refused in a sentence."""
        files = [one for one in asked.form.getlist("files") if isinstance(one, UploadFile) and one.filename]
        if not files:
            raise CannotReadFile("no file came", remedy="Pick a hymn file, or drop it on the page.")
        told = [self._bring(one.filename or "", one.file.read()) for one in files[:MOST_FILES]]
        return self._brought(told)

    def bring_demo(self, _: Question) -> Response:
        """The invented hymns, to try everything on."""
        from undersong.demo import hymn_files  # noqa: PLC0415

        return self._brought([self._bring(file.name, file.read_bytes()) for file in hymn_files()])

    def _brought(self, told: list[Plain]) -> Response:
        if len(told) == 1 and told[0]["names"]:
            return _go(f"/hymns/{told[0]['names'][0]}/understood")
        if len(told) == 1 and told[0]["choose"]:
            return _go(f"/received/{told[0]['choose']}")
        failed = not any(one["names"] or one["choose"] for one in told)
        return self.show("brought.html", 422 if failed else 200, told=told)

    def _bring(self, named: str, data: bytes) -> Plain:
        """One file: kept among the received ones, read in a child, and put on the shelf if it holds one hymn."""
        named = re.split(r"[/\\]", "".join(sign for sign in named if sign.isprintable()))[-1][:LONGEST_TITLE]
        suffix = Path(named).suffix.lower()
        told: Plain = {"file": named, "names": [], "choose": "", "fault": "", "tunes": 0}
        token = secrets.token_urlsafe(12)
        try:
            if not SUFFIX.fullmatch(suffix):
                suffix = ".abc"  # the reader tells what it is by its first bytes
                if not data.lstrip().startswith((b"X:", b"%abc", b"T:")):
                    raise CannotReadFile(f"files ending in {Path(named).suffix[:20] or 'nothing'} are not read")
            place = self.shelf.receive(token, f"source{suffix}", data, named)
            found = self.work.ask("look", {"source": str(place)})
            told["tunes"] = len(found["hymns"])
            if len(found["hymns"]) + len(found["refused"]) > 1:
                told["choose"] = token
            else:
                title = found["hymns"][0]["title"] or Path(named).stem
                told["names"] = [self.shelf.add(named, data, suffix, title[:LONGEST_TITLE])]
        except UndersongError as fault:
            told["fault"] = str(fault.within(named))
        if not told["choose"]:
            self.shelf.forget_received(token)
        return told

    def received(self, asked: Question) -> Response:
        """A collection: its tunes to choose from."""
        token = str(asked.path["token"])
        place, named = self.shelf.received(token)
        found = self.work.ask("look", {"source": str(place)})
        return self.show("received.html", token=token, named=named, found=found)

    def choose(self, asked: Question) -> Response:
        """Tunes chosen out of a collection go on the shelf."""
        place, named = self.shelf.received(str(asked.path["token"]))
        found = self.work.ask("look", {"source": str(place)})
        numbers = [int(one) for one in asked.form.getlist("number") if isinstance(one, str) and one.isdecimal()]
        names = [
            self.shelf.add(
                named, place.read_bytes(), place.suffix, (found["hymns"][number]["title"] or named)[:200], number
            )
            for number in numbers[:MOST_FIELDS]
            if number < len(found["hymns"])
        ]
        if not names:
            raise UnknownName("no tune was chosen", remedy="Tick at least one.")
        return _go(f"/hymns/{names[0]}/understood" if len(names) == 1 else "/")

    def remove(self, asked: Question) -> Response:
        """Off the shelf, into the folder of removed hymns."""
        self.shelf.remove(str(asked.path["name"]), asked.text("version"))
        return _go("/")

    # -- one hymn ----------------------------------------------------------------------------------------------------

    def _open(self, asked: Question) -> Kept:
        return self.shelf.open(str(asked.path["name"]))

    def _state(self, kept: Kept, plan: Plan | None = None) -> Plain:
        """What the children need to know of a hymn."""
        plan = plan or kept.plan
        return {
            "source": str(kept.source), "number": kept.number, "amended": encode(kept.amendments),
            "edits": encode(kept.edits), "plan": encode(plan) if plan else None,
            "bench": encode(read_bench(self.shelf.folder)[0]),
        }  # fmt: skip

    def understood(self, asked: Question) -> Response:
        """What was understood and assumed, to be put right."""
        kept = self._open(asked)
        facts = self.work.ask("understood", self._state(kept))
        midi = kept.source.suffix in (".mid", ".midi", ".kar")
        return self.show("understood.html", kept=kept, facts=facts, midi=midi, here="understood")

    def put_right(self, asked: Question) -> Response:
        """Keep what she put right in the reading."""
        kept = self._open(asked)
        facts = self.work.ask("understood", self._state(kept))
        every = [one["number"] for one in facts["all_verses"]]
        ticked = [int(one) for one in asked.form.getlist("verse") if isinstance(one, str) and one.isdecimal()]
        kept_verses = tuple(number for number in every if number in ticked)
        title = asked.text("title").strip()[:LONGEST_TITLE]
        wanted = replace(
            kept.amendments,
            title="" if title == facts["read_title"] else title,
            tune_name=asked.text("tune_name").strip()[:LONGEST_TITLE],
            melody=asked.text("melody") if asked.text("melody") in facts["voices"] else "",
            verses=() if len(kept_verses) in (0, len(every)) else kept_verses,
            time=asked.text("time").strip(), key=asked.text("key").strip(), pickup=asked.text("pickup").strip(),
        )  # fmt: skip
        self.work.ask("understood", self._state(replace(kept, amendments=wanted)))  # it must still make a hymn
        return self._write(
            asked, "what was understood",
            lambda one: replace(
                one, amendments=wanted, title=title or one.title, plan=fitting(one.plan, kept_verses or every)
            ),
            f"/hymns/{kept.name}",
        )  # fmt: skip

    def hymn(self, asked: Question) -> Response:
        """The hymn engraved, its chords over it."""
        kept = self._open(asked)
        shown = _shown(asked.request.query_params.getlist("show"))
        return self.show("hymn.html", here="hymn", **self._hymn(kept, shown))

    def _hymn(self, kept: Kept, shown: tuple[str, ...]) -> Plain:
        state = self._state(kept)
        page = self.work.ask("page", state)
        systems = self.work.engrave(page["music"], page["lines"])
        hers = {(one["bar"], one["beat"]) for one in page["hers"]}
        chords = [
            Touch(
                f"chord-{index}", _chord_says(one),
                {"bar": one["bar"], "beat": one["beat"], "chord": one["symbol"], "place": one["place"],
                 "told": _chord_told(one), "hers": "yes" if (one["bar"], one["beat"]) in hers else ""},
                one["doubtful"], one["numeral"],
            )
            for index, one in enumerate(page["chords"])
        ]  # fmt: skip
        lined = "lines" in shown
        notes = (
            {one["id"]: Touch(one["id"], _note_says(one), {"at": one["at"]}) for one in page["tune"]} if lined else {}
        )
        pictures = on_screen(
            systems, chords=chords, notes=notes, numerals="numerals" in shown,
            marked={one["id"]: one["kind"] for one in page["non_chord"]} if "notes" in shown else {},
            line_starts={one["id"]: str(one["line"]) for one in page["tune"] if one["line"]} if lined else {},
        )  # fmt: skip
        return {"kept": kept, "page": page, "pictures": _drawn(pictures), "shown": shown}

    def chord(self, asked: Question) -> Response:
        """Her chord at a place, or her chord there taken back."""
        kept = self._open(asked)
        bar, beat, times = asked.text("bar")[:12], asked.text("beat")[:12], asked.number("times")
        place = f"{asked.text('place')[:40] or f'bar {bar}, beat {beat}'}"
        if asked.text("back"):
            return self._write_hymn(
                asked, f"chord taken back at {place}", lambda one: without_chord(one, bar, beat, times)
            )
        text = asked.text("chord").strip()[:40]
        wanted = {"state": self._state(kept), "bar": bar, "beat": beat, "times": times, "chord": text}
        found = self.work.ask("chord", wanted)
        edit, key = decode(Edit, found["edit"]), Key.parse(found["key"])
        return self._write_hymn(asked, f"chord {text} at {place}", lambda one: with_chord(one, edit, key))

    def hear_chord(self, asked: Question) -> Response:
        """The bar of a chord as it would sound with it, in block chords; nothing is written."""
        kept, given = self._open(asked), Given(asked.request.query_params)
        bar, text = given.text("bar")[:12], given.text("chord").strip()[:40]
        if text:
            wanted = {
                "state": self._state(kept),
                "bar": bar,
                "beat": given.text("beat")[:12],
                "times": 0,
                "chord": text,
            }
            found = self.work.ask("chord", wanted)
            kept = with_chord(kept, decode(Edit, found["edit"]), Key.parse(found["key"]))
        hearing = {"without": [], "pace": 0.0, "from": bar, "to": bar, "count_in": False}
        request = {"state": self._state(kept), "row": 0, "printed": False, "texture": "block", "hearing": hearing}
        return JSONResponse({"sound": f"/sounds/{self.sounds.make(request)[0]}"})

    def lines(self, asked: Question) -> Response:
        """A line begins, or no longer begins, at a note; she breathes before it, or does not."""
        kept = self._open(asked)
        page = self.work.ask("page", self._state(kept))
        at, what = asked.text("at"), asked.text("what")
        if at not in {one["at"] for one in page["tune"]} or what not in ("line", "breath"):
            raise UnknownName("there is no such note", remedy="Load the page again.")
        now = list(page["line_starts"] if what == "line" else page["breaths"])
        taken = at in now
        now = [one for one in now if one != at] if taken else [*now, at]
        place = next(one["place"] for one in page["tune"] if one["at"] == at)
        says = {("line", False): "a line begins at", ("line", True): "no line begins at",
                ("breath", False): "a breath before", ("breath", True): "no breath before"}[what, taken]  # fmt: skip
        return self._write_hymn(asked, f"{says} {place}", lambda one: _with_places(one, what, tuple(now)))

    def key(self, asked: Question) -> Response:
        """The key it is played in."""
        kept = self._open(asked)
        steps, _, semitones = asked.text("transpose").partition(",")
        if not (re.fullmatch(r"-?\d{1,2}", steps) and re.fullmatch(r"-?\d{1,2}", semitones)):
            raise UnknownName("that is not a key", remedy="Choose one from the list.")
        wanted = {"state": self._state(kept), "transpose": {"steps": int(steps), "semitones": int(semitones)}}
        found = self.work.ask("in_key", wanted)
        plan = decode(Plan, found["plan"])
        return self._write_hymn(asked, f"played in {found['name']}", lambda one: replace(one, plan=plan))

    def undo(self, asked: Question) -> Response:
        """The last change taken back."""
        return self._turned(asked, self.shelf.undo)

    def redo(self, asked: Question) -> Response:
        """The change that was taken back, made again."""
        return self._turned(asked, self.shelf.redo)

    def _turned(self, asked: Question, turn: Callable[[str, str], Kept]) -> Response:
        kept = self._open(asked)
        if asked.text("version") != kept.version:
            return self._conflict(asked, kept, "undo")
        turn(kept.name, kept.version)
        back = asked.text("from")
        return _go(f"/hymns/{kept.name}/plan" if back == "plan" else f"/hymns/{kept.name}{_query(asked)}")

    # -- writing -----------------------------------------------------------------------------------------------------

    def _write(self, asked: Question, did: str, change: Callable[[Kept], Kept], back: str) -> Response:
        kept = self._open(asked)
        try:
            self.shelf.change(kept.name, asked.text("version"), did, change)
        except Changed:
            return self._conflict(asked, kept, did)
        return _go(back)

    def _write_hymn(self, asked: Question, did: str, change: Callable[[Kept], Kept]) -> Response:
        kept = self._open(asked)
        try:
            now = self.shelf.change(kept.name, asked.text("version"), did, change)
        except Changed:
            return self._conflict(asked, kept, did)
        if asked.part:
            return self.show("hymn_part.html", **self._hymn(now, _shown(asked.text("show").split())))
        return _go(f"/hymns/{kept.name}{_query(asked)}")

    def _conflict(self, asked: Question, kept: Kept, did: str) -> Response:
        """Both: what stands now and what she wanted; she keeps one."""
        since = self.shelf.since(kept.name, asked.text("version"))
        response = self.show(
            "conflict_part.html" if asked.part else "conflict.html", 409, kept=kept, since=since, did=did,
            action=asked.request.url.path, fields=asked.fields(), here="conflict", beside=_beside(asked, kept),
        )  # fmt: skip
        return _to_notice(response) if asked.part else response

    # -- the plan sheet ----------------------------------------------------------------------------------------------

    def plan(self, asked: Question) -> Response:
        """A ruled row for each verse, and each verse's page."""
        kept = self._open(asked)
        sheet = self.work.ask("plan", self._state(kept))
        plan = decode(Plan, sheet["plan"])
        verses = [
            self._verse(kept, plan, row) if self.work.has("verse", self._row_request(kept, plan, row)) else None
            for row in range(len(plan.verses))
        ]
        return self.show("plan.html", kept=kept, sheet=sheet, verses=verses, here="plan", swap=False)

    def _row_request(self, kept: Kept, plan: Plan, row: int) -> Plain:
        return {"state": self._state(kept, plan), "row": row}

    def _verse(self, kept: Kept, plan: Plan, row: int) -> Plain:
        """One row laid out and engraved; where that fails, its sentence."""
        try:
            made = self.work.ask("verse", self._row_request(kept, plan, row))
            systems = self.work.engrave(made["music"], made["lines"], made["signs"])
        except UndersongError as fault:
            return {"row": row, "fault": str(fault), "pictures": [], "made": None}
        pictures = on_screen(systems, named=f"{row_name(plan.verses[row])}, system")
        return {"row": row, "fault": "", "pictures": _drawn(pictures), "made": made}

    def verse(self, asked: Question) -> Response:
        """One verse's page."""
        kept = self._open(asked)
        sheet, plan, row = self._planned(asked, kept)
        return self.show("verse.html", kept=kept, sheet=sheet, verse=self._verse(kept, plan, row), swap=False)

    def _planned(self, asked: Question, kept: Kept) -> tuple[Plain, Plan, int]:
        sheet = self.work.ask("plan", self._state(kept))
        plan, row = decode(Plan, sheet["plan"]), int(asked.path["row"])
        if row >= len(plan.verses):
            raise NotHere("the plan has no such row", remedy="Load the page again.")
        return sheet, plan, row

    def change_row(self, asked: Question) -> Response:
        """One row of the plan changed; its page follows."""
        kept = self._open(asked)
        sheet, plan, row = self._planned(asked, kept)
        fresh = changed_row(plan.verses[row], asked, sheet)
        wanted = replace(plan, verses=(*plan.verses[:row], fresh, *plan.verses[row + 1 :]))
        did = f"{row_name(fresh).lower()}: {row_says(plan.verses[row], fresh, sheet)}"
        try:
            now = self.shelf.change(kept.name, asked.text("version"), did, lambda one: replace(one, plan=wanted))
        except Changed:
            return self._conflict(asked, kept, did)
        if not asked.part:
            return _go(f"/hymns/{kept.name}/plan#row-{row}")
        old, new = (self.work.ask("stops", self._state(kept, one))["rows"] for one in (plan, wanted))
        rows = [one for one in range(len(new)) if one == row or new[one] != old[one]]
        sheet = self.work.ask("plan", self._state(now))
        verses = [self._verse(now, wanted, one) for one in rows]
        return self.show("plan_part.html", kept=now, sheet=sheet, verses=verses, swap=True)

    def beside(self, asked: Question) -> Response:
        """Two versions of a verse side by side."""
        kept = self._open(asked)
        sheet, plan, row = self._planned(asked, kept)
        given = asked.request.query_params
        now = plan.verses[row]
        other = changed_row(now, Given(given), sheet)
        if other == now:
            names = [one["name"] for one in sheet["textures"] if ":" not in one["name"]]
            other = replace(now, texture=names[(names.index(now.texture) + 1) % len(names)], pattern="")
        wanted = replace(plan, verses=(*plan.verses[:row], other, *plan.verses[row + 1 :]))
        return self.show(
            "beside.html", kept=kept, sheet=sheet, row=row, here="plan", other=other, now=now,
            other_texture=texture_of(other),
            verses=[self._verse(kept, plan, row), self._verse(kept, wanted, row)],
        )  # fmt: skip

    def helps(self, asked: Question) -> Response:
        """What would help against a fault of a verse."""
        kept = self._open(asked)
        _, plan, row = self._planned(asked, kept)
        request = self._row_request(kept, plan, row) | {"kind": asked.request.query_params.get("kind", "")[:40]}
        found = self.work.ask("helps", request)
        return self.show("helps.html", kept=kept, row=row, ways=found["ways"])

    # -- typed by hand -----------------------------------------------------------------------------------------------

    def paste(self, asked: Question) -> Response:
        """ABC that was pasted."""
        text = "\n".join(asked.lines("abc"))
        if not text:
            raise CannotReadFile("nothing was pasted", remedy="Paste a tune that begins with X: or T:.")
        if not text.startswith(("X:", "%abc")):
            text = f"X:1\n{text}"
        return self._brought([self._bring("pasted.abc", f"{text}\n".encode())])

    def begin_entry(self, asked: Question) -> Response:
        """A new hymn, to be typed."""
        kind = asked.text("kind", "four")
        if kind not in KINDS_TYPED:
            raise UnknownName("that is none of the choices", remedy="Choose from the page.")
        fresh = Typed(voices=tuple((name, "") for name in KINDS_TYPED[kind]), words=("",))
        return _go(f"/enter/{self.shelf.begin_draft(_draft_text(fresh, ''))}")

    def entry(self, asked: Question) -> Response:
        """The hymn being typed."""
        name = str(asked.path["draft"])
        typed, version = self._draft(name)
        window = secrets.token_hex(8)
        facts: Plain = {"name": name, "version": version, "typed": typed, "window": window}
        return self.show("entry.html", **facts, **self._typed(typed), **ENTRY_CHOICES)

    def _draft(self, name: str) -> tuple[Typed, str]:
        text, version = self.shelf.draft(name)
        try:
            return decode(Typed, json.loads(text)["typed"]), version
        except (ValueError, KeyError, TypeError, CannotSay) as fault:
            raise CannotReadFile(f"this draft is spoilt ({fault})") from fault

    def _keep_draft(self, name: str, typed: Typed, asked: Question) -> str:
        """Write a draft; the window that wrote last may write on, whatever answers it has not seen yet."""
        window = asked.text("window")[:40]
        text, version = self.shelf.draft(name)
        with contextlib.suppress(ValueError):
            if not window or json.loads(text)["window"] != window:
                version = asked.text("version")
        return self.shelf.change_draft(name, version, _draft_text(typed, window))

    def _typed(self, typed: Typed) -> Plain:
        """The engraved lines so far, and the slips of each field."""
        found = self.work.ask("typed", {"typed": encode(typed)})
        systems = self.work.engrave(found["music"], found["lines"]) if found["music"] else ()
        pictures = on_screen(systems, named="What was typed, line")
        fields = ["key", "time", "pickup", *(name for name, _ in typed.voices), "symbols"]
        fields += [f"words-{number}" for number in range(1, len(typed.words) + 1)]
        slips = {field: [in_place(one, typed) for one in found["slips"] if one["field"] == field] for field in fields}
        return {"pictures": _drawn(pictures), "slips": slips}

    def type_on(self, asked: Question) -> Response:
        """Keep what was typed so far, and show it engraved."""
        name = str(asked.path["draft"])
        now, _ = self._draft(name)
        typed = typed_from(asked, now)
        version = self._keep_draft(name, typed, asked)
        return self.show("entry_part.html", name=name, version=version, typed=typed, **self._typed(typed))

    def more_words(self, asked: Question) -> Response:
        """One more verse."""
        name = str(asked.path["draft"])
        typed = typed_from(asked, self._draft(name)[0])
        more = replace(typed, words=(*typed.words, "")[:MOST_VERSES])
        self._keep_draft(name, more, asked)
        return _go(f"/enter/{name}#words-{len(more.words)}")

    def key_pressed(self, asked: Question) -> Response:
        """A key of a keyboard in letters, for the field that is being typed."""
        typed = typed_from(asked, self._draft(str(asked.path["draft"]))[0])
        number, voice = asked.number("number"), asked.text("voice")
        if not 24 <= number <= 108 or voice not in dict(typed.voices):
            raise UnknownName("that is no key for a voice")
        found = self.work.ask("letters", {"typed": encode(typed), "voice": voice, "number": number})
        return PlainTextResponse(found["letters"])

    def keep_entry(self, asked: Question) -> Response:
        """What was typed becomes a hymn of hers."""
        name = str(asked.path["draft"])
        typed = typed_from(asked, self._draft(name)[0])
        self._keep_draft(name, typed, asked)
        found = self.work.ask("typed", {"typed": encode(typed)})
        wrong = next((one for one in found["slips"] if not one["small"]), None)
        if wrong or not found["music"]:
            says = (
                f"{FIELD_NAMES.get(wrong['field'], wrong['field'])}: {wrong['says']}"
                if wrong
                else "no note is typed yet"
            )
            raise UnknownName(says, remedy="Put it right, then keep the hymn; nothing typed is lost.")
        title = typed.title.strip() or "Untitled"
        hymn = self.shelf.add("typed by hand", found["music"].encode(), ".musicxml", title[:LONGEST_TITLE])
        self.shelf.forget_draft(name)
        return _go(f"/hymns/{hymn}/understood")

    def drop_entry(self, asked: Question) -> Response:
        """A draft is not wanted."""
        self.shelf.forget_draft(str(asked.path["draft"]))
        return _go("/")

    # -- organ, player, room -----------------------------------------------------------------------------------------

    def bench(self, asked: Question) -> Response:
        """What everything is laid out for, as a form; another organ to begin from."""
        now, version = read_bench(self.shelf.folder)
        ready = asked.request.query_params.get("ready", "")
        if ready:
            if ready not in ready_names():
                raise UnknownName("there is no such organ", remedy="Choose one from the list.")
            now = replace(now, organ=find_organ(ready))
        return self.show("bench.html", **bench_facts(now, version, ready))

    def change_bench(self, asked: Question) -> Response:
        """Keep organ, player and room; what cannot be understood is told, with everything still in the form."""
        now, version = read_bench(self.shelf.folder)
        if asked.text("version") != version:
            fault = Changed("organ, player or room have been changed in another window")
            return self.show("bench.html", 409, **bench_facts(now, version, "") | {"fault": str(fault)})
        ready = asked.text("ready")
        before = replace(now, organ=find_organ(ready)) if ready in ready_names() else now
        try:
            fresh = bench_from(asked, before)
        except UndersongError as fault:
            given = bench_facts(before, version, ready) | form_as_given(asked) | {"fault": str(fault)}
            return self.show("bench.html", 422, **given)
        write_bench(self.shelf.folder, fresh)
        return _go("/bench")

    # -- listen and practise -----------------------------------------------------------------------------------------

    def listen(self, asked: Question) -> Response:
        """A verse as sound, its notes lit on the page."""
        kept = self._open(asked)
        given = Given(asked.request.query_params)
        row = given.text("row") or "0"
        if not re.fullmatch(r"\d{1,3}", row, re.ASCII):
            raise NotHere("the plan has no such row", remedy="Load the page again.")
        request = {"state": self._state(kept), "row": int(row), "printed": bool(given.text("printed"))}
        page = self.work.ask("hear", request)
        hearing = hearing_of(given)
        for bar in (hearing["from"], hearing["to"]):
            if bar and bar not in page["bars"]:
                raise UnknownName(
                    f"there is no bar {bar}", remedy=f"The bars are {page['bars'][0]} to {page['bars'][-1]}."
                )
        name, _ = self.sounds.make(request | {"hearing": hearing})
        systems = self.work.engrave(page["music"], page["lines"])
        notes = {one["id"]: Touch(one["id"], _tune_says(one), {"begins": one["id"]}) for one in page["tune"]}
        pictures = on_screen(systems, notes=notes, named="Line")
        return self.show(
            "listen.html", kept=kept, page=page, hearing=hearing, sound=name, pictures=_drawn(pictures), here="listen",
            printed=request["printed"], again=bool(given.text("again")), limbs=LIMBS,
        )  # fmt: skip

    def sound(self, asked: Question) -> Response:
        """A sound, whole or the piece that is asked for."""
        place = self.sounds.file(str(asked.path["sound"]))
        if place is None:
            raise NotHere("this sound is not here any more", remedy="Load the page again.")
        return FileResponse(place, media_type="audio/wav", headers={"cache-control": "private, max-age=3600"})

    def times(self, asked: Question) -> Response:
        """When each note of a sound begins and ends."""
        facts = self.sounds.facts(str(asked.path["sound"]))
        if facts is None:
            raise NotHere("this sound is not here any more", remedy="Load the page again.")
        return JSONResponse(facts)

    # -- to take away ------------------------------------------------------------------------------------------------

    def take(self, asked: Question) -> Response:
        """What there is to take away."""
        kept = self._open(asked)
        return self.show("take.html", kept=kept, sheet=self.work.ask("plan", self._state(kept)), here="take", job=None)

    def begin(self, asked: Question) -> Response:
        """Begin to make a file."""
        kept = self._open(asked)
        what, paper = asked.text("what"), asked.text("paper", "a4")
        if what not in MAKERS or paper not in PAPERS:
            raise UnknownName("there is nothing of that name to take away", remedy="Choose one from the page.")
        rows = [asked.number("row")] if asked.text("row") else None
        sheet = self.work.ask("plan", self._state(kept))
        if rows and rows[0] not in range(len(sheet["rows"])):
            raise NotHere("the plan has no such row", remedy="Load the page again.")
        order = Order(self._state(kept), rows, paper, bool(asked.text("large")), file_name(sheet["title"] or kept.name))
        maker = MAKERS[what]
        job = self.jobs.start(maker.title, kept.name, lambda job: maker.make(self.work, job, order))
        if asked.part:
            return self.show("job_part.html", job=job)
        return _go(f"/job/{job.id}")

    def job(self, asked: Question) -> Response:
        """How far work is."""
        return self.show("job_part.html" if asked.part else "job.html", job=self._job(asked), here="take")

    def stop(self, asked: Question) -> Response:
        """Stop work."""
        job = self._job(asked)
        job.cancel.set()
        if asked.part:
            return self.show("job_part.html", job=job)
        return _go(f"/job/{job.id}")

    def job_file(self, asked: Question) -> Response:
        """What was made."""
        made = self._job(asked).result
        if made is None:
            raise NotHere("this is not finished", remedy="Wait for it.")
        heads = {"content-disposition": f'attachment; filename="{made.name}"'}
        return Response(made.data, media_type=made.media_type, headers=heads)

    def _job(self, asked: Question) -> Job:
        job = self.jobs.find(str(asked.path["job"])[:40])
        if job is None:
            raise NotHere("this work is not known any more", remedy="Begin it again.")
        return job

    # -- around it ---------------------------------------------------------------------------------------------------

    def font(self, asked: Question) -> Response:
        """A font of the page."""
        known = {one.name: one for one in FONTS.glob("*.ttf")}
        name = str(asked.path["font"])
        if name not in known:
            raise NotHere("there is no such font")
        return FileResponse(known[name], media_type="font/ttf", headers={"cache-control": "max-age=86400"})

    def failed(self, request: Request, fault: Exception) -> Response:
        """Every failure in a sentence."""
        status = _status(fault)
        if isinstance(fault, UndersongError):
            says = str(fault)
        elif isinstance(fault, Refused):
            says = fault.detail
        elif isinstance(fault, HTTPException):
            says = SENTENCES.get(fault.status_code, "This cannot be answered.")
        else:
            says = f"This is a fault of the program: please report it ({type(fault).__name__})."
            print(f"undersong: {request.url.path}: {type(fault).__name__}: {fault}", file=sys.stderr)  # noqa: T201
        if "hx-request" in request.headers:
            return _to_notice(self.show("fault_part.html", status, says=says))
        name = str(request.path_params.get("name", ""))
        return self.show("fault.html", status, says=says, hymn=name if name in self.shelf.names() else "")

    def routes(self) -> list[Route | Mount]:
        """Every address."""
        hymn = "/hymns/{name}"
        row = hymn + "/plan/{row:int}"
        static = StaticFiles(packages=[("undersong.web", "static")])
        return [
            *(Route(path, _endpoint(self, answer, form), methods=[method]) for path, method, form, answer in (
                ("/", "GET", False, self.home),
                ("/bring", "POST", True, self.bring),
                ("/bring-demo", "POST", True, self.bring_demo),
                ("/received/{token}", "GET", False, self.received),
                ("/received/{token}", "POST", True, self.choose),
                (hymn, "GET", False, self.hymn),
                (hymn + "/understood", "GET", False, self.understood),
                (hymn + "/understood", "POST", True, self.put_right),
                (hymn + "/chord", "POST", True, self.chord),
                (hymn + "/hear", "GET", False, self.hear_chord),
                (hymn + "/lines", "POST", True, self.lines),
                (hymn + "/key", "POST", True, self.key),
                (hymn + "/undo", "POST", True, self.undo),
                (hymn + "/redo", "POST", True, self.redo),
                (hymn + "/remove", "POST", True, self.remove),
                (hymn + "/plan", "GET", False, self.plan),
                (row, "GET", False, self.verse),
                (row, "POST", True, self.change_row),
                (row + "/beside", "GET", False, self.beside),
                (row + "/helps", "GET", False, self.helps),
                (hymn + "/take", "GET", False, self.take),
                (hymn + "/take", "POST", True, self.begin),
                ("/paste", "POST", True, self.paste),
                ("/enter", "POST", True, self.begin_entry),
                ("/enter/{draft}", "GET", False, self.entry),
                ("/enter/{draft}", "POST", True, self.type_on),
                ("/enter/{draft}/words", "POST", True, self.more_words),
                ("/enter/{draft}/key", "POST", True, self.key_pressed),
                ("/enter/{draft}/keep", "POST", True, self.keep_entry),
                ("/enter/{draft}/drop", "POST", True, self.drop_entry),
                ("/bench", "GET", False, self.bench),
                ("/bench", "POST", True, self.change_bench),
                (hymn + "/listen", "GET", False, self.listen),
                ("/sounds/{sound}", "GET", False, self.sound),
                ("/sounds/{sound}/times", "GET", False, self.times),
                ("/job/{job}", "GET", False, self.job),
                ("/job/{job}/stop", "POST", True, self.stop),
                ("/job/{job}/file", "GET", False, self.job_file),
                ("/fonts/{font}", "GET", False, self.font),
            )),
            Mount("/static", static),
        ]  # fmt: skip


SENTENCES = {
    404: "There is no such page.",
    405: "This page cannot be asked that way.",
    400: "This request makes no sense.",
}


def _status(fault: Exception) -> int:
    if isinstance(fault, HTTPException):
        return fault.status_code
    if isinstance(fault, Busy):
        return 503
    if isinstance(fault, CannotWrite) and fault.file:  # the disk; without a file it is the hymn that cannot be set
        return 507
    for kind, status in ((NotHere, 404), (Changed, 409), (UndersongError, 422)):
        if isinstance(fault, kind):
            return status
    return 500


def _endpoint(door: Door, answer: Answer, form: bool) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        try:
            if not form:
                return await run_in_threadpool(answer, Question(request, FormData()))
            async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=2**18) as given:
                return await run_in_threadpool(answer, Question(request, given))
        except UndersongError as fault:
            return door.failed(request, fault)

    return endpoint


def make_app(shelf: Shelf, work: Work) -> Starlette:
    """The page in the browser over a shelf; children end with it."""
    door = Door(shelf, work)

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        door.jobs.close()
        work.close()
        door.sounds.close()

    async def failed(request: Request, fault: Exception) -> Response:
        return door.failed(request, fault)

    app = Starlette(routes=door.routes(), lifespan=life, exception_handlers={HTTPException: failed, Exception: failed})
    app.state.door = door
    return app


def _go(where: str) -> Response:
    return RedirectResponse(where, 303)


def _drawn(pictures: Sequence[str]) -> list[Markup]:
    """The only text that a page takes as it is: systems engraved here, every word in them escaped by lxml."""
    return [Markup(one) for one in pictures]  # noqa: S704


def _draft_text(typed: Typed, window: str) -> str:
    return json.dumps({"typed": encode(typed), "window": window})


def _to_notice(response: HTMLResponse) -> HTMLResponse:
    response.headers["hx-retarget"] = "#notice"
    response.headers["hx-reswap"] = "innerHTML"
    return response


def _query(asked: Question) -> str:
    shown = _shown(asked.text("show").split())
    return "?" + "&".join(f"show={one}" for one in shown) if shown else ""


def _shown(asked: list[str]) -> tuple[str, ...]:
    return tuple(one for one in SHOWN if one in asked)


def _chord_told(one: Plain) -> str:
    sure = "" if one["confidence"] is None else ", doubtful" if one["doubtful"] else ", sure"
    return f"{ORIGINS[one['origin']]}{sure}"


def _chord_says(one: Plain) -> str:
    return f"{one['place']}: {one['symbol'] or 'no chord'}, {_chord_told(one)}"


def _tune_says(one: Plain) -> str:
    return f"{one['says']}, “{one['word']}”" if one["word"] else str(one["says"])


def _note_says(one: Plain) -> str:
    told = [f"{one['place']}: {one['pitch']}", f"“{one['word']}”" if one["word"] else ""]
    told += [f"line {one['line']} begins" if one["line"] else "", "breath before" if one["breath"] else ""]
    return ", ".join(part for part in told if part)


def _with_places(kept: Kept, what: str, places: tuple[str, ...]) -> Kept:
    now = kept.amendments
    return replace(kept, amendments=replace(now, lines=places) if what == "line" else replace(now, breaths=places))


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
