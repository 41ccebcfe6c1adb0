"""What is to be heard: a verse made into sound in a child, kept as long as the program runs, served in pieces.

Problem: sound should begin soon, be sought in, and go with the notes on the page. A verse is made in a second or
so and answered piece by piece (RFC 9110, Range); the times of its notes come from the same performance as the sound.

Conventions: a sound is named by what was asked, all of it; the file lies in a folder of the program's own that goes
when the program does. Paces in beats a minute.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
import threading
from collections import OrderedDict
from pathlib import Path

from undersong.web.work import LONG_SECONDS, Plain, Work

MOST_SOUNDS = 24


class Sounds:
    """Sounds that were made, the last ones kept."""

    def __init__(self, work: Work) -> None:
        """A folder of its own is made with the first sound."""
        self._work = work
        self._folder: Path | None = None
        self._made: OrderedDict[str, tuple[Path, Plain]] = OrderedDict()
        self._turn = threading.Lock()

    def make(self, request: Plain) -> tuple[str, Plain]:
        """The name of a sound and its facts (seconds, notes); made now unless it was made before."""
        name = hashlib.sha256(json.dumps(request, sort_keys=True).encode()).hexdigest()[:32]
        with self._turn:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="undersong-"))
            found = self._made.get(name)
        if found is None:
            place = self._folder / f"{name}.wav"
            facts = self._work.ask("listen:sound", request | {"file": str(place)}, deadline_seconds=LONG_SECONDS)
            with self._turn:
                found = self._made[name] = (place, facts)
                while len(self._made) > MOST_SOUNDS:
                    old, _ = self._made.popitem(last=False)[1]
                    old.unlink(missing_ok=True)
        return name, found[1]

    def file(self, name: str) -> Path | None:
        """Where a sound lies."""
        with self._turn:
            found = self._made.get(name)
        return found[0] if found is not None and found[0].is_file() else None

    def facts(self, name: str) -> Plain | None:
        """Seconds and notes of a sound."""
        with self._turn:
            found = self._made.get(name)
        return found[1] if found is not None else None

    def close(self) -> None:
        """Take the folder away."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
