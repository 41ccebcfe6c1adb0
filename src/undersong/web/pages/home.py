"""Her hymns, and where a hymn comes in: files, a collection, pasted ABC."""

from __future__ import annotations

import contextlib
import re
import secrets
from pathlib import Path

from starlette.datastructures import UploadFile
from starlette.responses import Response

from undersong.errors import CannotReadFile, UndersongError, UnknownName
from undersong.web.asked import LONGEST_TITLE, MOST_FIELDS, MOST_FILES, Question
from undersong.web.door import Door, ask, go, send
from undersong.web.forms.entry import KIND_NAMES
from undersong.web.work import Plain

SUFFIX = re.compile(r"\.(musicxml|xml|mxl|abc|mid|midi|kar|mei|krn)", re.IGNORECASE)


def home(door: Door, _: Question) -> Response:
    """Her hymns, and where a hymn comes in."""
    from undersong.demo import hymn_files  # noqa: PLC0415

    return door.show(
        "home.html", hymns=door.shelf.all(), broken=door.shelf.broken(), demo=len(hymn_files()),
        folder=str(door.shelf.hymns), told=None,
        drafts=_drafts(door), kinds=KIND_NAMES,
    )  # fmt: skip


def _drafts(door: Door) -> list[tuple[str, str, str]]:
    """Hymns that are being typed: name, title, and when they were written last."""
    found = []
    for name, when in door.shelf.drafts().items():
        with contextlib.suppress(UndersongError):
            title = door.draft(name)[0].title or "Untitled"
            found.append((name, title, f"{when.day} {when:%B %Y}, {when:%H:%M}"))
    return found


def bring(door: Door, asked: Question) -> Response:
    """Files dropped or picked: each is understood, or refused in a sentence."""
    files = [one for one in asked.form.getlist("files") if isinstance(one, UploadFile) and one.filename]
    if not files:
        raise CannotReadFile("no file came", remedy="Pick a hymn file, or drop it on the page.")
    told = [_bring(door, one.filename or "", one.file.read()) for one in files[:MOST_FILES]]
    return _brought(door, told)


def bring_demo(door: Door, _: Question) -> Response:
    """The invented hymns, to try everything on."""
    from undersong.demo import hymn_files  # noqa: PLC0415

    return _brought(door, [_bring(door, file.name, file.read_bytes()) for file in hymn_files()])


def paste(door: Door, asked: Question) -> Response:
    """ABC that was pasted."""
    text = "\n".join(asked.lines("abc"))
    if not text:
        raise CannotReadFile("nothing was pasted", remedy="Paste a tune that begins with X: or T:.")
    if not text.startswith(("X:", "%abc")):
        text = f"X:1\n{text}"
    return _brought(door, [_bring(door, "pasted.abc", f"{text}\n".encode())])


def _brought(door: Door, told: list[Plain]) -> Response:
    if len(told) == 1 and told[0]["names"]:
        return go(f"/hymns/{told[0]['names'][0]}/understood")
    if len(told) == 1 and told[0]["choose"]:
        return go(f"/received/{told[0]['choose']}")
    failed = not any(one["names"] or one["choose"] for one in told)
    return door.show("brought.html", 422 if failed else 200, told=told)


def _bring(door: Door, named: str, data: bytes) -> Plain:
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
        place = door.shelf.receive(token, f"source{suffix}", data, named)
        found = door.work.ask("home:look", {"source": str(place)})
        told["tunes"] = len(found["hymns"])
        if len(found["hymns"]) + len(found["refused"]) > 1:
            told["choose"] = token
        else:
            title = found["hymns"][0]["title"] or Path(named).stem
            told["names"] = [door.shelf.add(named, data, suffix, title[:LONGEST_TITLE])]
    except UndersongError as fault:
        told["fault"] = str(fault.within(named))
    if not told["choose"]:
        door.shelf.forget_received(token)
    return told


def received(door: Door, asked: Question) -> Response:
    """A collection: its tunes to choose from."""
    token = str(asked.path["token"])
    place, named = door.shelf.received(token)
    found = door.work.ask("home:look", {"source": str(place)})
    return door.show("received.html", token=token, named=named, found=found)


def choose(door: Door, asked: Question) -> Response:
    """Tunes chosen out of a collection go on the shelf."""
    place, named = door.shelf.received(str(asked.path["token"]))
    found = door.work.ask("home:look", {"source": str(place)})
    numbers = [int(one) for one in asked.form.getlist("number") if isinstance(one, str) and one.isdecimal()]
    names = [
        door.shelf.add(
            named, place.read_bytes(), place.suffix, (found["hymns"][number]["title"] or named)[:200], number
        )
        for number in numbers[:MOST_FIELDS]
        if number < len(found["hymns"])
    ]
    if not names:
        raise UnknownName("no tune was chosen", remedy="Tick at least one.")
    return go(f"/hymns/{names[0]}/understood" if len(names) == 1 else "/")


def remove(door: Door, asked: Question) -> Response:
    """Off the shelf, into the folder of removed hymns."""
    door.shelf.remove(str(asked.path["name"]), asked.text("version"))
    return go("/")


ADDRESSES = (
    ask("/", home),
    send("/bring", bring),
    send("/bring-demo", bring_demo),
    send("/paste", paste),
    ask("/received/{token}", received),
    send("/received/{token}", choose),
    send("/hymns/{name}/remove", remove),
)
