"""Children at work for the page: reading, laying out, engraving; what they made is kept by content.

Problem: a foreign file may be damaged or endless, and many requests may come at once. So nothing of it is done in the
server: a few warm children take turns, each request has a deadline, what was asked twice is made once, and long work
runs by itself, tells how far it is and can be stopped.

Conventions: answers are kept by what was asked (all of it), so a page that did not change is the same byte for byte.
`_seconds` are wall clock.
"""

from __future__ import annotations

import base64
import hashlib
import json
import queue
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Generic, TypeVar

from undersong.errors import UndersongError, WorkStopped
from undersong.workers import Worker
from undersong.writing.booklet import page_size
from undersong.writing.engraver import Engraver, System

Plain = dict[str, Any]
Hand = TypeVar("Hand")

DEADLINE_SECONDS = 8.0
"""For one answer; a hymn takes a fifth of a second."""
LONG_SECONDS = 60.0
"""For one step of work that shows its progress."""
WAIT_SECONDS = 25.0
"""How long a request waits for its turn."""
MEMORY_MB = 1024
MOST_KEPT = 400
MOST_JOBS = 30


class Busy(WorkStopped):
    """Too much was asked at once."""

    message = "there is too much to do at once"
    remedy = "Wait a moment, then try again."


class _Turns(Generic[Hand]):
    """A few children that take turns."""

    def __init__(self, hands: Sequence[Hand]) -> None:
        self.hands = tuple(hands)
        self._free: queue.LifoQueue[Hand] = queue.LifoQueue()
        for hand in hands:
            self._free.put(hand)

    @contextmanager
    def one(self) -> Iterator[Hand]:
        try:
            hand = self._free.get(timeout=WAIT_SECONDS)
        except queue.Empty:
            raise Busy from None
        try:
            yield hand
        finally:
            self._free.put(hand)


class Work:
    """The children, and what they made."""

    def __init__(self, hands: int = 2) -> None:
        """Children start with their first request, the first pair by `warm`."""
        self._desks = _Turns([Worker(MEMORY_MB) for _ in range(hands)])
        self._engravers = _Turns([Engraver() for _ in range(hands)])
        self._made: OrderedDict[str, Future[Any]] = OrderedDict()
        self._turn = threading.Lock()

    def warm(self) -> None:
        """Start one child of each kind, so that the first page comes soon."""
        self._desks.hands[-1].start()
        self._engravers.hands[-1].__enter__()
        with self._desks.one() as desk:
            try:
                desk.run("undersong.web.desk.ready:ready", {}, deadline_seconds=LONG_SECONDS)
            except UndersongError:
                return  # the first real request will say it

    def close(self) -> None:
        """End all children."""
        for desk in self._desks.hands:
            desk.close()
        for engraver in self._engravers.hands:
            engraver.__exit__(None, None, None)

    def children(self) -> list[int]:
        """Numbers of the children in the system."""
        found = [desk.process_id for desk in self._desks.hands]
        found += [engraver.process_id for engraver in self._engravers.hands]
        return [one for one in found if one is not None]

    def ask(
        self,
        what: str,
        request: Plain,
        *,
        cancel: threading.Event | None = None,
        deadline_seconds: float = DEADLINE_SECONDS,
    ) -> Plain:
        """What `desk` answers to `module:function`; the failures it raises, or WorkStopped."""

        def make() -> Plain:
            with self._desks.one() as desk:
                return desk.run(f"undersong.web.desk.{what}", request, deadline_seconds=deadline_seconds, cancel=cancel)

        made: Plain = self._once(_key(what, request), make, shared=cancel is None)
        return made

    def engrave(
        self,
        music: str,
        lines: Sequence[str],
        signs: Mapping[str, str] | None = None,
        *,
        paper: str = "a4",
        large: bool = False,
        cancel: threading.Event | None = None,
        deadline_seconds: float = DEADLINE_SECONDS,
    ) -> tuple[System, ...]:
        """A section's systems; CannotEngrave or WorkStopped."""

        def make() -> tuple[System, ...]:
            with self._engravers.one() as engraver:
                return engraver.engrave_section(
                    music.encode(), page_size(paper, large=large), lines=[Fraction(one) for one in lines],
                    marks=signs or {}, cancel=cancel, deadline_seconds=deadline_seconds,
                )  # fmt: skip

        asked = [music, list(lines), signs or {}, paper, large]
        made: tuple[System, ...] = self._once(_key("engrave", asked), make, shared=cancel is None)
        return made

    def has(self, what: str, request: Plain) -> bool:
        """Whether an answer is there already."""
        with self._turn:
            found = self._made.get(_key(what, request))
        return found is not None and found.done()

    def _once(self, key: str, make: Callable[[], Any], *, shared: bool) -> Any:
        """Made once, also when it is asked for several times at the same moment; failures are not kept.

        Work that may be stopped is not shared while it runs: who stops it stops it for herself.
        """
        with self._turn:
            found = self._made.get(key)
            mine = found is None
            if found is None:
                found = Future()
                if shared:
                    self._made[key] = found
                while len(self._made) > MOST_KEPT:
                    self._made.popitem(last=False)
            if key in self._made:
                self._made.move_to_end(key)
        if not mine:
            return found.result()
        try:
            found.set_result(make())
            with self._turn:
                self._made[key] = found
        except BaseException as fault:
            with self._turn:
                self._made.pop(key, None)
            found.set_exception(fault)
            raise
        return found.result()


def _key(what: str, request: Any) -> str:
    return hashlib.sha256(json.dumps([what, request], sort_keys=True).encode()).hexdigest()


def data_of(answer: Plain) -> bytes:
    """Bytes that came as base64."""
    return base64.b64decode(answer["bytes"])


# -- long work ---------------------------------------------------------------------------------------------------------

Steps = Callable[["Job"], "Result"]


@dataclass(frozen=True, slots=True)
class Result:
    """A file that was made."""

    name: str
    media_type: str
    data: bytes


@dataclass(slots=True)
class Job:
    """Work in progress: what it is at, how far, and what came of it. `hymn` and `what` say where it was asked for."""

    id: str
    title: str
    hymn: str
    what: str = ""
    at: str = "waiting for its turn"
    done: int = 0
    total: int = 0
    result: Result | None = None
    failure: str = ""
    cancel: threading.Event = field(default_factory=threading.Event)

    @property
    def running(self) -> bool:
        """False once there is a result or a failure."""
        return self.result is None and not self.failure

    def step(self, at: str) -> None:
        """Tell what comes now; WorkStopped if it was stopped."""
        if self.cancel.is_set():
            raise WorkStopped("the work was stopped", remedy="Start it again when it is wanted.")
        self.at = at

    def tick(self) -> None:
        """One more step is done."""
        self.done += 1


class Jobs:
    """Long work, a little at a time; the last results are kept."""

    def __init__(self) -> None:
        """Nothing runs yet."""
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._pool = ThreadPoolExecutor(2, thread_name_prefix="job")
        self._turn = threading.Lock()

    def start(self, title: str, hymn: str, what: str, steps: Steps) -> Job:
        """Begin work; Busy if too much is waiting."""
        job = Job(secrets.token_urlsafe(9), title, hymn, what)
        with self._turn:
            if sum(one.running for one in self._jobs.values()) >= MOST_JOBS // 2:
                raise Busy
            self._jobs[job.id] = job
            for old in [one.id for one in self._jobs.values() if not one.running][: len(self._jobs) - MOST_JOBS]:
                del self._jobs[old]
        self._pool.submit(_run, job, steps)
        return job

    def of(self, hymn: str) -> dict[str, Job]:
        """The last job of each kind that was asked for at a hymn."""
        with self._turn:
            return {one.what: one for one in self._jobs.values() if one.hymn == hymn}

    def find(self, job_id: str) -> Job | None:
        """A job by its id."""
        with self._turn:
            return self._jobs.get(job_id)

    def close(self) -> None:
        """Stop everything."""
        for job in list(self._jobs.values()):
            job.cancel.set()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _run(job: Job, steps: Steps) -> None:
    try:
        job.step("beginning")
        job.result = steps(job)
    except UndersongError as fault:
        job.failure = str(fault)
    except Exception as fault:  # noqa: BLE001  # it is told, and the server lives on
        job.failure = f"This is a fault of the program: please report it ({type(fault).__name__}: {fault})."
