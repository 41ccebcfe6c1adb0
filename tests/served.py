"""The page in the browser as it is started by hand: a process of its own, spoken to as a browser speaks."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from conftest import ROOT

STARTED = re.compile(r"http://127\.0\.0\.1:(\d+)/")


@dataclass
class Served:
    """A running server: its address, its folder of hymns, and what it said."""

    process: subprocess.Popen[str]
    folder: Path
    said: list[str] = field(default_factory=list)
    url: str = ""

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.url.rpartition(":")[2])

    def client(self) -> httpx.Client:
        """A browser's way of asking, without the browser."""
        return httpx.Client(base_url=self.url, timeout=60.0, headers={"origin": self.url})

    def stop(self) -> int:
        """Ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(15)

    def children(self) -> set[int]:
        """Its child processes, and theirs."""
        return descendants(self.process.pid)

    @contextmanager
    def halted(self) -> Iterator[None]:
        """Its children rest meanwhile, so that work cannot end before it is stopped (not on Windows)."""
        resting = self.children()
        for child in resting:
            os.kill(child, signal.SIGSTOP)
        try:
            yield
        finally:
            for child in resting & self.children():  # a child that was stopped for good is gone
                with suppress(ProcessLookupError):
                    os.kill(child, signal.SIGCONT)


def _stat(process: int) -> tuple[str, int]:
    """State and parent of a process (Linux)."""
    try:
        text = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return "", 0
    state, parent = text.rpartition(")")[2].split()[:2]
    return state, int(parent)


def descendants(process: int) -> set[int]:
    """Numbers of all processes below one (Linux)."""
    parents = {int(one.name): _stat(int(one.name))[1] for one in Path("/proc").iterdir() if one.name.isdigit()}
    found, fresh = set[int](), {process}
    while fresh:
        fresh = {one for one, parent in parents.items() if parent in fresh} - found
        found |= fresh
    return found


def running(process: int) -> bool:
    """Whether a process is there and no zombie (Linux)."""
    return _stat(process)[0] not in ("", "Z", "X")


@contextmanager
def serving(folder: Path, *options: str, env: Mapping[str, str] | None = None) -> Iterator[Served]:
    """`undersong open --no-browser` over a folder of its own; `env` adds to the environment."""
    ours = {"PYTHONPATH": str(ROOT / "src"), "OMP_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-m", "undersong", "open", "--no-browser", "--folder", str(folder), *options]
    with subprocess.Popen(
        command, env={**os.environ, **ours, **(env or {})}, stderr=subprocess.PIPE, text=True
    ) as process:
        served = Served(process, folder)
        assert process.stderr is not None
        for line in process.stderr:
            served.said.append(line.rstrip())
            if found := STARTED.search(line):
                served.url = f"http://127.0.0.1:{found[1]}"
                break
        assert served.url, served.said
        threading.Thread(target=_listen, args=(served,), daemon=True).start()
        try:
            yield served
        finally:
            if process.poll() is None:
                served.stop()


def _listen(served: Served) -> None:
    assert served.process.stderr is not None
    try:
        for line in served.process.stderr:
            served.said.append(line.rstrip())
    except ValueError:  # closed at the end
        return


def version_of(page: str) -> str:
    """The version that a page would edit."""
    found = re.search(r'name="version" value="([0-9a-f]{16})"', page)
    assert found, page[:500]
    return found[1]
