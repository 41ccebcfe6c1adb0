"""Expendable children: they answer, they are stopped, they die alone and they leave nobody behind."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from undersong.child import log_place, log_since
from undersong.errors import BrokenFile, WorkStopped
from undersong.workers import Worker, run_once

HERE = "test_workers"


def echo(request: Mapping[str, Any]) -> dict[str, Any]:
    return {"said": request["say"], "child": os.getpid()}


def sleep(request: Mapping[str, Any]) -> dict[str, Any]:
    time.sleep(request["seconds"])
    return {}


def die(request: Mapping[str, Any]) -> dict[str, Any]:
    os.write(2, b"the pipes froze\n")
    os.abort()


def refuse(request: Mapping[str, Any]) -> dict[str, Any]:
    raise BrokenFile("nothing but noise", place="bar 3", remedy="Tune it.")


def stumble(request: Mapping[str, Any]) -> dict[str, Any]:
    raise ValueError("seven flats too many")


def mutter(request: Mapping[str, Any]) -> dict[str, Any]:
    place = log_place()
    os.write(2, b"one\ntwo\n")
    print("stray words", flush=True)
    return {"log": log_since(place)}


def fill(request: Mapping[str, Any]) -> dict[str, Any]:
    return {"size": len(bytearray(request["bytes"]))}


@pytest.fixture(autouse=True)
def _tests_can_be_imported_by_children(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))


def test_a_child_answers_and_stays_warm() -> None:
    """Two requests are served by the same process, and words come back as they went."""
    with Worker() as worker:
        first, second = (worker.run(f"{HERE}:echo", {"say": "Gloria ∧"}, deadline_seconds=20) for _ in range(2))
    assert first["said"] == "Gloria ∧"
    assert first["child"] == second["child"] != os.getpid()


def test_the_deadline_stops_the_work_and_the_next_request_is_served() -> None:
    """A second of sleep against a deadline of a fifth."""
    with Worker() as worker:
        worker.run(f"{HERE}:echo", {"say": ""}, deadline_seconds=20)
        started = time.monotonic()
        with pytest.raises(WorkStopped, match=r"longer than 0\.2 seconds"):
            worker.run(f"{HERE}:sleep", {"seconds": 30}, deadline_seconds=0.2)
        assert time.monotonic() - started < 5
        assert worker.run(f"{HERE}:echo", {"say": "again"}, deadline_seconds=20)["said"] == "again"


def test_cancelling_ends_the_child() -> None:
    """Cancelled from another thread; the process is gone afterwards."""
    cancel = threading.Event()
    with Worker() as worker:
        child = worker.run(f"{HERE}:echo", {"say": ""}, deadline_seconds=20)["child"]
        threading.Timer(0.1, cancel.set).start()
        with pytest.raises(WorkStopped, match="cancelled"):
            worker.run(f"{HERE}:sleep", {"seconds": 30}, deadline_seconds=30, cancel=cancel)
        assert worker.process_id is None
        assert not alive(child)


def test_a_child_that_dies_tells_its_last_words() -> None:
    """The last line of its standard error is in the message, and the next request is served."""
    with Worker() as worker:
        with pytest.raises(WorkStopped, match="the pipes froze"):
            worker.run(f"{HERE}:die", {}, deadline_seconds=20)
        assert worker.run(f"{HERE}:echo", {"say": "alive"}, deadline_seconds=20)["said"] == "alive"


def test_failures_of_the_program_travel_whole() -> None:
    """Class, place and remedy arrive; the child lives on."""
    with Worker() as worker:
        with pytest.raises(BrokenFile) as caught:
            worker.run(f"{HERE}:refuse", {}, deadline_seconds=20)
        assert (caught.value.message, caught.value.place) == ("nothing but noise", "bar 3")
        with pytest.raises(WorkStopped, match="ValueError: seven flats too many"):
            worker.run(f"{HERE}:stumble", {}, deadline_seconds=20)
        assert worker.process_id is not None


def test_what_libraries_print_is_caught() -> None:
    """Lines on standard error are handed back; stray standard output joins them and leaves the answer alone."""
    with Worker() as worker:
        for _ in range(2):
            assert worker.run(f"{HERE}:mutter", {}, deadline_seconds=20)["log"] == ["one", "two", "stray words"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not bound a child's memory")
def test_memory_is_bounded() -> None:
    """A gigabyte against a bound of a quarter."""
    with pytest.raises(WorkStopped, match="MemoryError"):
        run_once(f"{HERE}:fill", {"bytes": 1 << 30}, deadline_seconds=20, memory_mb=256)
    assert run_once(f"{HERE}:fill", {"bytes": 1000}, deadline_seconds=20, memory_mb=256) == {"size": 1000}


@pytest.mark.skipif(sys.platform == "win32", reason="asks the system for a process by its number as POSIX does")
def test_no_child_outlives_its_parent() -> None:
    """The parent is killed without warning; its idle child ends by itself."""
    program = (
        "import sys, time; from undersong.workers import Worker; w = Worker(); w.start();"
        "print(w.process_id, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert alive(child)
        parent.kill()
    end = time.monotonic() + 10
    while alive(child) and time.monotonic() < end:
        time.sleep(0.02)
    assert not alive(child)


def alive(process_id: int) -> bool:
    """True while the process runs (a dead one that nobody has buried yet does not count)."""
    try:
        os.kill(process_id, 0)
    except OSError:
        return False
    state = Path(f"/proc/{process_id}/stat")
    return not state.exists() or state.read_text().rpartition(")")[2].split()[0] != "Z"
