"""What long sweeps share: work done side by side, results kept in a file, a progress line, an end by Ctrl-C.

Conventions: a result has a `file`, which names the piece of work, and a `stamp` of the program that made it. The
state file holds one result a line, as JSON, written as soon as it is there; a sweep that was stopped goes on where
it was, and results of another state of the program are not taken over.
"""

from __future__ import annotations

import argparse
import gc
import json
import signal
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path
from typing import Any, ClassVar, Protocol, TypeVar


class Kept(Protocol):
    """A result that can be kept: a dataclass with the name of its work and its program's stamp."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def file(self) -> str:
        """The name of the piece of work."""

    @property
    def stamp(self) -> str:
        """The state of the program that made it."""


Result = TypeVar("Result", bound=Kept)


def kept(state: Path | None, mark: str, revive: Callable[[dict[str, Any]], Result]) -> dict[str, Result]:
    """Results of a former run that still hold, by name; a line cut off in writing is passed over."""
    found: dict[str, Result] = {}
    if state is None or not state.exists():
        return found
    for line in state.read_text(encoding="utf-8").splitlines():
        try:
            result = revive(json.loads(line))
        except (ValueError, TypeError, KeyError):
            continue
        if result.stamp == mark:
            found[result.file] = result
    return found


def work_through(
    todo: Mapping[str, Callable[[], Result]], results: dict[str, Result], state: Path | None, jobs: int
) -> bool:
    """Do this work (anything that can be pickled) and put it to the results; True when it was stopped."""
    terminal = sys.stderr.isatty()
    if state is not None:
        state.parent.mkdir(parents=True, exist_ok=True)
    stopped = False
    try:
        for count, result in enumerate(_in_turn(todo) if jobs <= 1 else _side_by_side(todo, jobs), 1):
            results[result.file] = result
            if state is not None:
                with state.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(result), ensure_ascii=False) + "\n")
            if terminal:
                print(f"\r{count} of {len(todo)}  {result.file:<40.40}", end="", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        stopped = True
    if terminal:
        print("\r" + " " * 60 + "\r", end="", file=sys.stderr)
    return stopped


def _in_turn(todo: Mapping[str, Callable[[], Result]]) -> Iterator[Result]:
    _settle()
    for job in todo.values():
        yield job()


def _side_by_side(todo: Mapping[str, Callable[[], Result]], jobs: int) -> Iterator[Result]:
    pool = ProcessPoolExecutor(jobs, initializer=_start)
    try:
        for done in as_completed([pool.submit(job) for job in todo.values()]):
            yield done.result()
    finally:
        pool.shutdown(cancel_futures=True)


def _start() -> None:
    """A worker begins: Ctrl-C is for the process that hands out the work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _settle()


def _settle() -> None:
    """What is loaded stays, and work makes values without cycles: both need not be looked through again and again."""
    gc.freeze()
    gc.set_threshold(*COLLECTED)


COLLECTED = (100_000, 20, 20)
"""Thresholds of the garbage collector while a sweep runs; its usual ones take a fifth of the time (measured)."""


def sweep_parser(description: str) -> argparse.ArgumentParser:
    """The options that such sweeps have in common."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--count", type=int, default=0, help="only so many pieces of work, drawn by the seed")
    parser.add_argument("--seed", type=int, default=1, help="draws what is sampled (default 1)")
    parser.add_argument("--state", type=Path, help="file that keeps the results, to go on after a stop")
    parser.add_argument("--jobs", type=int, default=2, help="processes side by side (default 2)")
    return parser


def share(part: float, whole: float) -> str:
    """Per cent, or a dash where there is nothing to share."""
    return f"{part / whole:.1%}" if whole else "-"


def last_lines() -> str:
    """The end of the traceback at hand, in one line."""
    return " | ".join(line.strip() for line in traceback.format_exc().strip().splitlines()[-5:])
