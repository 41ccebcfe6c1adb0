"""Expendable child processes: deadline, memory bound, cancel, clean kill.

Problem: some libraries can be killed by what they read, or never come back. Such work is done in a
child process that may die without taking the organist's program with it.

Conventions: the child runs functions named ``"package.module:function"`` that take one plain JSON
object and return one. Requests and answers are single lines of JSON on the child's standard input
and output; its standard error is its log. A child is started by the first request, stays warm, and
is started again after it died. `_seconds` are seconds of wall clock.

No child outlives its parent: an idle one ends when its standard input closes, a busy one by its own
watchdog, which runs without the interpreter (`faulthandler.dump_traceback_later`).

This module knows nothing of music and imports nothing but `errors`; any stage may use it.

References: Python library, `subprocess`, `faulthandler`, `resource`.
"""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from undersong import errors
from undersong.child import GRACE_SECONDS, Plain
from undersong.errors import WorkStopped

MEMORY_MB = 2048
"""Address space of a child; an engraved hymn needs about a tenth of it (measured: 150 MB with libraries)."""


LOOK_SECONDS = 0.1
"""How often a waiting parent looks whether the work was cancelled."""


class Worker:
    """One child process that runs named functions; a context manager. Requests of several threads wait their turn.

    `memory_mb` bounds the child's address space where the system can do so (Linux; elsewhere it is ignored).
    """

    def __init__(self, memory_mb: int = MEMORY_MB) -> None:
        """Nothing is started yet."""
        self._memory_mb = memory_mb
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._log: IO[bytes] | None = None
        self._turn = threading.Lock()

    def __enter__(self) -> Self:
        """Start the child, so that it warms up while the parent goes on."""
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the child."""
        self.close()

    @property
    def process_id(self) -> int | None:
        """The child's number in the system, or None when there is no child."""
        return self._process.pid if self._process else None

    def start(self) -> None:
        """Start the child unless there is one; WorkStopped if the system refuses."""
        if self._process and self._process.poll() is None:
            return
        self.close()
        source = str(Path(__file__).resolve().parent.parent)
        program = f"import sys; sys.path.append({source!r}); from undersong.child import serve; serve()"
        self._log = tempfile.TemporaryFile()  # noqa: SIM115  # closed by close()
        try:
            self._process = subprocess.Popen(  # noqa: S603  # our own program
                [sys.executable, "-P", "-c", program, str(self._memory_mb)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log,
            )  # fmt: skip
        except OSError as error:
            self.close()
            raise WorkStopped(f"a child process could not be started ({error})", remedy="Try again.") from error
        self._answers = queue.SimpleQueue()
        threading.Thread(target=_listen, args=(self._process, self._answers), daemon=True).start()

    def run(
        self,
        function: str,
        request: Mapping[str, Any],
        *,
        deadline_seconds: float,
        cancel: threading.Event | None = None,
    ) -> Plain:
        """Run `function` ("package.module:name") on `request` in the child and return its answer.

        Raises WorkStopped after the deadline, on `cancel`, or when the child died or failed (with the last line of
        its standard error), and any UndersongError that the function itself raised. After each of the first three
        the child is gone; the next request starts a fresh one.
        """
        with self._turn:
            self.start()
            line = json.dumps({"call": function, "request": request, "deadline_seconds": deadline_seconds})
            process = self._process
            assert process is not None
            assert process.stdin is not None
            try:
                process.stdin.write(line.encode() + b"\n")
                process.stdin.flush()
            except OSError:
                raise self._died() from None
            return _opened(self._await(deadline_seconds, cancel))

    def close(self) -> None:
        """Kill the child and forget it; harmless when there is none."""
        process, self._process = self._process, None
        if process:
            with contextlib.suppress(OSError):
                process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe:
                    with contextlib.suppress(OSError):
                        pipe.close()
        if self._log:
            self._log.close()
            self._log = None

    def _await(self, deadline_seconds: float, cancel: threading.Event | None) -> bytes:
        end = time.monotonic() + deadline_seconds
        while True:
            left = end - time.monotonic()
            try:
                answer = self._answers.get(timeout=max(0.0, min(left, LOOK_SECONDS if cancel else left)))
            except queue.Empty:
                if cancel and cancel.is_set():
                    self.close()
                    raise WorkStopped("the work was cancelled", remedy="Start it again when it is wanted.") from None
                if left <= 0:
                    self.close()
                    raise WorkStopped(f"this took longer than {deadline_seconds:g} seconds and was stopped") from None
                continue
            if not answer.endswith(b"\n"):
                raise self._died()
            return answer

    def _died(self) -> WorkStopped:
        """What to say about a child that is gone."""
        code, last = None, ""
        if self._process:
            with contextlib.suppress(subprocess.TimeoutExpired):
                code = self._process.wait(GRACE_SECONDS)
        if self._log:
            self._log.seek(0)
            lines = self._log.read().decode(errors="replace").split("\n")
            last = next((line.strip() for line in reversed(lines) if line.strip()), "")
        self.close()
        how = "a child process died"
        if code is not None and code < 0:
            how += f" ({signal.Signals(-code).name})"
        return WorkStopped(f"{how}: {last}" if last else how)


def run_once(
    function: str,
    request: Mapping[str, Any],
    *,
    deadline_seconds: float,
    memory_mb: int = MEMORY_MB,
    cancel: threading.Event | None = None,
) -> Plain:
    """Run one function in a child of its own, as `Worker.run`."""
    with Worker(memory_mb) as worker:
        return worker.run(function, request, deadline_seconds=deadline_seconds, cancel=cancel)


def _listen(process: subprocess.Popen[bytes], answers: queue.SimpleQueue[bytes]) -> None:
    """Hand on the child's lines; what has no line end says that the child is gone."""
    assert process.stdout is not None
    with contextlib.suppress(OSError, ValueError):
        for line in process.stdout:
            answers.put(line)
    answers.put(b"")


def _opened(line: bytes) -> Plain:
    answer: Plain = json.loads(line)
    if "answer" in answer:
        found: Plain = answer["answer"]
        return found
    failure = answer["failure"]
    kind = getattr(errors, failure["class"], WorkStopped)
    raise kind(failure["message"], file=failure["file"], place=failure["place"], remedy=failure["remedy"])


# ---------------------------------------------------------------------------------------- the child's side
