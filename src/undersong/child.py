"""The child's side of `workers`: read a request, run it, answer. It loads as little as it can.

Conventions: as in `workers`. What libraries write to standard error is the child's log.

References: Python library, `faulthandler`, `resource`.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from typing import Any

from undersong.errors import UndersongError

Plain = dict[str, Any]

GRACE_SECONDS = 5.0
"""How long after the deadline the child ends itself if nobody is left to end it."""


def serve() -> None:
    """The child's whole life: read a request, run it, answer, until standard input closes."""
    import faulthandler  # noqa: PLC0415  # the child alone needs it

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to answer
    _bound_memory(int(sys.argv[1]))
    with os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)  # stray prints belong to the log
        for line in sys.stdin.buffer:
            asked = json.loads(line)
            faulthandler.dump_traceback_later(asked["deadline_seconds"] + GRACE_SECONDS, exit=True)
            answer = _answer(asked["call"], asked["request"])
            faulthandler.cancel_dump_traceback_later()
            try:
                answers.write(json.dumps(answer).encode() + b"\n")
                answers.flush()
            except OSError:
                os._exit(1)  # the parent is gone; nobody waits for a clean farewell


def _answer(call: str, request: Plain) -> Plain:
    import importlib  # noqa: PLC0415  # as above

    module, _, name = call.partition(":")
    try:
        answer = getattr(importlib.import_module(module), name)(request)
        json.dumps(answer)
    except UndersongError as error:
        return _failure(type(error).__name__, error.message, error.file, error.place, error.remedy)
    except Exception as error:  # noqa: BLE001  # whatever it was, it is told and the child lives on
        what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        return _failure("WorkStopped", f"the work failed ({what})")
    return {"answer": answer}


def _failure(kind: str, message: str, file: str = "", place: str = "", remedy: str = "") -> Plain:
    return {"failure": {"class": kind, "message": message, "file": file, "place": place, "remedy": remedy}}


def _bound_memory(memory_mb: int) -> None:
    try:
        import resource  # noqa: PLC0415  # not there on every system
    except ImportError:  # Windows has no such bound
        return
    size = memory_mb * 1024 * 1024
    with contextlib.suppress(ValueError, OSError):  # macOS refuses some bounds
        resource.setrlimit(resource.RLIMIT_AS, (size, size))


def log_place() -> int:
    """In the child: where its log ends now."""
    return os.lseek(2, 0, os.SEEK_END)


def log_since(place: int) -> list[str]:
    """In the child: the lines that libraries wrote to standard error since `place`."""
    end = os.lseek(2, 0, os.SEEK_END)
    os.lseek(2, place, os.SEEK_SET)
    text = os.read(2, end - place).decode(errors="replace")
    os.lseek(2, 0, os.SEEK_END)
    return [line for line in text.split("\n") if line.strip()]
