"""A hymn being typed: engraved as one types, slips at their place, a draft with every stroke."""

from __future__ import annotations

import contextlib
import json
import secrets
import threading
from dataclasses import replace

from starlette.responses import PlainTextResponse, Response

from undersong.errors import UnknownName
from undersong.model.codec import decode, encode
from undersong.web.asked import LONGEST_TITLE, Question
from undersong.web.door import Door, ask, drawn, go, send
from undersong.web.forms.entry import (
    ENTRY_CHOICES,
    FIELD_NAMES,
    KINDS_TYPED,
    MOST_VERSES,
    PROPOSES,
    in_place,
    order_of,
    typed_from,
)
from undersong.web.work import Plain
from undersong.workflow import Typed
from undersong.writing.screen import on_screen


def begin_entry(door: Door, asked: Question) -> Response:
    """A new hymn, to be typed."""
    kind = asked.text("kind", "four")
    if kind not in KINDS_TYPED:
        raise UnknownName("that is none of the choices", remedy="Choose from the page.")
    fresh = Typed(voices=tuple((name, "") for name in KINDS_TYPED[kind]), words=("",), propose=PROPOSES[kind])
    return go(f"/enter/{door.shelf.begin_draft(_draft_text(fresh, ''))}")


def entry(door: Door, asked: Question) -> Response:
    """The hymn being typed."""
    name = str(asked.path["draft"])
    typed, version = door.draft(name)
    window = secrets.token_hex(8)
    facts: Plain = {"name": name, "version": version, "typed": typed, "window": window}
    first, later = order_of(typed)
    facts |= {"first": first, "later": later, "texts": dict(typed.voices)}
    return door.show("entry.html", **facts, **_typed(door, typed), **ENTRY_CHOICES)


_WRITING = threading.Lock()
"""A window asks twice at once: leaving a field sends it, and the button that was pressed sends all."""


def _keep_draft(door: Door, name: str, typed: Typed, asked: Question, *, leaves: bool = False) -> str:
    """Write a draft; the window that wrote last may write on, whatever answers it has not seen yet.

    `leaves`: another page follows, and what this one sent before and comes late is not to be written over it.
    """
    window = asked.text("window")[:40]
    with _WRITING:
        text, version = door.shelf.draft(name)
        with contextlib.suppress(ValueError):
            if not window or json.loads(text)["window"] != window:
                version = asked.text("version")
        return door.shelf.change_draft(name, version, _draft_text(typed, "" if leaves else window))


def _typed(door: Door, typed: Typed) -> Plain:
    """The engraved lines so far, and the slips of each field."""
    found = door.work.ask("entry:typed", {"typed": encode(typed)})
    systems = door.work.engrave(found["music"], found["lines"]) if found["music"] else ()
    proposed = found["proposed"] or {"ids": [], "voices": [], "ends": ""}
    pictures = on_screen(systems, named="What was typed, line", marked=dict.fromkeys(proposed["ids"], "proposed"))
    fields = ["key", "time", "pickup", *(name for name, _ in typed.voices), "symbols"]
    fields += [f"words-{number}" for number in range(1, len(typed.words) + 1)]
    slips = {field: [in_place(one, typed) for one in found["slips"] if one["field"] == field] for field in fields}
    return {"pictures": drawn(pictures), "slips": slips, "proposed": proposed, "keeps": found["keeps"]}


def type_on(door: Door, asked: Question) -> Response:
    """Keep what was typed so far, and show it engraved."""
    name = str(asked.path["draft"])
    now, _ = door.draft(name)
    typed = typed_from(asked, now)
    version = _keep_draft(door, name, typed, asked)
    return door.show("entry_part.html", name=name, version=version, typed=typed, **_typed(door, typed))


def more_words(door: Door, asked: Question) -> Response:
    """One more verse."""
    name = str(asked.path["draft"])
    typed = typed_from(asked, door.draft(name)[0])
    more = replace(typed, words=(*typed.words, "")[:MOST_VERSES])
    _keep_draft(door, name, more, asked, leaves=True)
    return go(f"/enter/{name}#words-{len(more.words)}")


def write_out(door: Door, asked: Question) -> Response:
    """What is proposed is written into the fields of its voices, where it can be changed."""
    name = str(asked.path["draft"])
    typed = typed_from(asked, door.draft(name)[0])
    found = door.work.ask("entry:written", {"typed": encode(typed)})
    _keep_draft(door, name, decode(Typed, found["typed"]), asked, leaves=True)
    return go(f"/enter/{name}#proposed")


def key_pressed(door: Door, asked: Question) -> Response:
    """A key of a keyboard in letters, for the field that is being typed."""
    typed = typed_from(asked, door.draft(str(asked.path["draft"]))[0])
    number, voice = asked.number("number"), asked.text("voice")
    if not 24 <= number <= 108 or voice not in dict(typed.voices):
        raise UnknownName("that is no key for a voice")
    found = door.work.ask("entry:letters", {"typed": encode(typed), "voice": voice, "number": number})
    return PlainTextResponse(found["letters"])


def keep_entry(door: Door, asked: Question) -> Response:
    """What was typed becomes a hymn of hers."""
    name = str(asked.path["draft"])
    typed = typed_from(asked, door.draft(name)[0])
    _keep_draft(door, name, typed, asked)
    found = door.work.ask("entry:typed", {"typed": encode(typed)})
    wrong = next((one for one in found["slips"] if not one["small"]), None)
    if wrong or not found["music"]:
        says = (
            f"{FIELD_NAMES.get(wrong['field'], wrong['field'])}: {wrong['says']}" if wrong else "no note is typed yet"
        )
        raise UnknownName(says, remedy="Put it right, then keep the hymn; nothing typed is lost.")
    title = typed.title.strip() or "Untitled"
    received = "typed by hand"
    if found["proposed"]:
        received += f"; {' and '.join(found['proposed']['voices'])} proposed"
    hymn = door.shelf.add(received, found["music"].encode(), ".musicxml", title[:LONGEST_TITLE])
    door.shelf.forget_draft(name)
    return go(f"/hymns/{hymn}/understood")


def drop_entry(door: Door, asked: Question) -> Response:
    """A draft is not wanted."""
    door.shelf.forget_draft(str(asked.path["draft"]))
    return go("/")


def _draft_text(typed: Typed, window: str) -> str:
    return json.dumps({"typed": encode(typed), "window": window})


ADDRESSES = (
    send("/enter", begin_entry),
    ask("/enter/{draft}", entry),
    send("/enter/{draft}", type_on),
    send("/enter/{draft}/words", more_words),
    send("/enter/{draft}/write-out", write_out),
    send("/enter/{draft}/key", key_pressed),
    send("/enter/{draft}/keep", keep_entry),
    send("/enter/{draft}/drop", drop_entry),
)
