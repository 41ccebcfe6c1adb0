"""What is to be heard: made in a child, served in pieces while it is still being made.

Problem: sound should begin at once, however long it is, be sought in, and go with the notes on the page. So its length
and the times of its notes are told first, from the performance that is then made into sound; a child writes the file
block by block, and each piece that the browser asks for is answered as soon as it is there.

Conventions: a sound is named by what was asked, all of it; the file lies in a folder of the program's own that goes
when the program does. Places in bytes.

References: RFC 9110, section 14 (Range): one range; several, or one that makes no sense, get the whole.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import shutil
import sys
import tempfile
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from undersong.errors import UndersongError
from undersong.web.work import LONG_SECONDS, Plain, Work

MOST_SOUNDS = 24
LOOK_SECONDS = 0.02
"""How often a piece that is not there yet is looked for."""
PIECE = 1 << 16
RANGE = re.compile(r"bytes=(\d{1,15})?-(\d{1,15})?", re.ASCII)


@dataclass(slots=True)
class Sound:
    """A sound being made or made: where, how many bytes in the end, its facts (seconds, notes), why it broke off."""

    place: Path
    size: int
    facts: Plain
    over: threading.Event = field(default_factory=threading.Event)
    stop: threading.Event = field(default_factory=threading.Event)
    fault: str = ""


class Sounds:
    """The last sounds that were asked for."""

    def __init__(self, work: Work) -> None:
        """A folder of its own is made with the first sound."""
        self._work = work
        self._folder: Path | None = None
        self._sounds: OrderedDict[str, Sound] = OrderedDict()
        self._pool = ThreadPoolExecutor(2, thread_name_prefix="sound")
        self._turn = threading.Lock()

    def make(self, page: str, request: Plain) -> str:
        """The name of what a module of the desk pours; begun now unless it was before."""
        name = hashlib.sha256(json.dumps([page, request], sort_keys=True).encode()).hexdigest()[:32]
        if self.find(name):
            return name
        facts = self._work.ask(f"{page}:times", request)
        with self._turn:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="undersong-"))
            if name not in self._sounds:
                sound = self._sounds[name] = Sound(self._folder / f"{name}.wav", facts["size"], facts)
                self._pool.submit(self._pour, page, request, name, sound)
            while len(self._sounds) > MOST_SOUNDS:
                _, old = self._sounds.popitem(last=False)
                old.stop.set()
                with suppress(OSError):  # Windows keeps a file that is being read
                    old.place.unlink()
        return name

    def _pour(self, page: str, request: Plain, name: str, sound: Sound) -> None:
        try:
            wanted = request | {"file": str(sound.place)}
            self._work.ask(f"{page}:pour", wanted, cancel=sound.stop, deadline_seconds=LONG_SECONDS)
        except UndersongError as fault:
            sound.fault = str(fault)
            with self._turn:  # asked for again, it is begun again
                self._sounds.pop(name, None)
        finally:
            sound.over.set()

    def find(self, name: str) -> Sound | None:
        """A sound by its name."""
        with self._turn:
            return self._sounds.get(name)

    def close(self) -> None:
        """Stop, and take the folder away."""
        with self._turn:
            for sound in self._sounds.values():
                sound.stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)


class Growing(Response):
    """A sound as far as it is asked for; what is not there yet is waited for, what never comes is missing."""

    def __init__(self, name: str, sound: Sound, asked: str) -> None:
        """`asked`: the Range of the request, if there is one."""
        self._sound = sound
        self._first, self._last = 0, sound.size - 1
        heads = {"accept-ranges": "bytes", "etag": f'"{name}"', "cache-control": "private, max-age=3600"}
        status, found = 200, RANGE.fullmatch(asked)
        if found and found[0] != "bytes=-":
            status = 206
            self._first = int(found[1]) if found[1] else max(0, sound.size - int(found[2]))
            self._last = min(int(found[2]), sound.size - 1) if found[1] and found[2] else sound.size - 1
            if self._first >= sound.size or (not found[1] and not int(found[2])):
                status, self._last = 416, self._first - 1
            elif self._last < self._first:  # no range at all
                status, self._first, self._last = 200, 0, sound.size - 1
        where = "*" if status == 416 else f"{self._first}-{self._last}"
        if status != 200:
            heads["content-range"] = f"bytes {where}/{sound.size}"
        heads["content-length"] = str(self._last - self._first + 1)
        super().__init__(status_code=status, headers=heads, media_type="audio/wav")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002  # one shape for all
        """Answer, piece by piece."""
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        left = self._last - self._first + 1
        async for piece in self._pieces():
            left -= len(piece)
            await send({"type": "http.response.body", "body": piece, "more_body": True})
        if left:
            print(f"undersong: a sound broke off: {self._sound.fault}", file=sys.stderr)  # noqa: T201
            return  # the server closes the connection, and the browser knows that something is missing
        await send({"type": "http.response.body", "body": b""})

    async def _pieces(self) -> AsyncIterator[bytes]:
        at, sound = self._first, self._sound
        while at <= self._last:
            over = sound.over.is_set()  # looked at before the file: what was written last is still found
            with suppress(OSError), sound.place.open("rb") as file:
                file.seek(at)
                while at <= self._last and (piece := file.read(min(PIECE, self._last + 1 - at))):
                    at += len(piece)
                    yield piece
            if over:
                return
            if at <= self._last:
                await asyncio.sleep(LOOK_SECONDS)
