"""Whatever is sent, the server answers and lives on: fuzzed requests at every address, spoilt files of every format.

References: the addresses are those of the program's own table of routes; schemathesis makes the requests from them.
"""

from __future__ import annotations

import random
import re
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings

from served import Served
from test_web_hymn import FORMATS, brought
from undersong.web.app import ADDRESSES

LONGEST_SECONDS = 10.0
MOST_MEMORY_MB = 1500
FIELDS = (
    "version", "bar", "beat", "times", "place", "chord", "back", "at", "what", "transpose", "texture", "tune", "right",
    "left", "who", "pace", "paper", "large", "row", "kind", "title", "melody", "verse", "time", "key", "pickup", "abc",
    "number", "voice", "soprano", "words-1", "symbols", "name", "m0_name", "m0_stops", "m0_keys", "couplers", "a4_hz",
    "singers", "seconds", "reach_easy", "reach_most", "show", "from", "window", "code",
)  # fmt: skip


QUERIES = ("texture", "tune", "kind", "show", "ready")


@pytest.fixture(scope="module")
def names(served: Served) -> dict[str, str]:
    """Names that are there, so that fuzzing also gets behind the first door."""
    with served.client() as client:
        hymn = brought(client)
        client.post("/enter", data={"kind": "four"})
        draft = next((served.folder / "drafts").glob("*.json")).stem
        job = client.post(f"/hymns/{hymn}/take", data={"what": "midi"}).headers["location"].rpartition("/")[2]
    return {"name": hymn, "draft": draft, "job": job}


def schema_of(names: dict[str, str]) -> dict[str, Any]:
    """The program's addresses as OpenAPI: in a path stand names that are there, or anything; fields are anything."""
    anything: dict[str, Any] = {"type": "string"}
    paths: dict[str, Any] = {}
    for address in ADDRESSES:
        if address.path == "/bring-demo":  # seven hymns at a time would fill the disk
            continue
        plain = re.sub(r":int\}", "}", address.path)
        held = paths.setdefault(plain, {})
        given = [_parameter(one, names) for one in re.findall(r"\{(\w+)\}", plain)]
        queries = [
            {"name": one, "in": "query", "schema": anything} for one in ("texture", "tune", "kind", "show", "ready")
        ]
        asked: dict[str, Any] = {"parameters": given, "responses": {"200": {"description": "answered"}}}
        if address.form:
            fields = {"type": "object", "properties": dict.fromkeys(FIELDS, anything)}
            asked["requestBody"] = {"content": {"application/x-www-form-urlencoded": {"schema": fields}}}
        else:
            asked["parameters"] = given + queries
        held["post" if address.form else "get"] = asked
    return {"openapi": "3.0.2", "info": {"title": "Undersong", "version": "1"}, "paths": paths}


def _parameter(one: str, names: dict[str, str]) -> dict[str, Any]:
    if one in names:
        schema: dict[str, Any] = {
            "anyOf": [{"enum": [names[one]]}, {"type": "string", "minLength": 1, "maxLength": 40}]
        }
    else:
        schema = {"type": "integer", "minimum": 0, "maximum": 9} if one == "row" else {"type": "string", "minLength": 1}
    return {"name": one, "in": "path", "required": True, "schema": schema}


def memory_mb(served: Served) -> float:
    """Resident memory of the server and its children (Linux)."""
    total = 0.0
    for process in {served.process.pid, *served.children()}:
        found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{process}/status").read_text())
        total += int(found[1]) / 1024 if found else 0.0
    return total


def test_fuzzed_requests_get_an_answer(served: Served, names: dict[str, str]) -> None:
    """Every address with names that are there and names that are not, every field with anything; no server error."""
    schema = schemathesis.openapi.from_dict(schema_of(names))
    operations: list[Any] = [one.ok() for one in schema.get_all_operations()]  # type: ignore[union-attr]
    assert len(operations) >= 30
    client = served.client()
    worst = 0.0
    asked = 0
    for operation in operations:
        cases = _cases(operation)
        for case in cases:
            begun = time.monotonic()
            try:
                answer = client.request(**_request(case))
            except httpx.InvalidURL:
                continue
            worst = max(worst, time.monotonic() - begun)
            asked += 1
            assert answer.status_code < 500, (case.method, case.path, answer.text[:500])
    client.close()
    assert asked > 150
    assert worst < LONGEST_SECONDS
    assert httpx.get(served.url).status_code == 200
    if sys.platform == "linux":
        assert memory_mb(served) < MOST_MEMORY_MB


def _cases(operation: Any) -> list[Any]:
    cases: list[Any] = []

    @given(case=operation.as_strategy())
    @settings(max_examples=8, deadline=None, database=None, derandomize=True, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    def collect(case: Any) -> None:
        cases.append(case)

    collect()
    return cases


def _request(case: Any) -> dict[str, Any]:
    told = case.as_transport_kwargs(base_url="")
    return {
        "method": told["method"], "url": told["url"] or "/", "params": told.get("params"),
        "data": told["data"] if isinstance(told.get("data"), dict) else None,
    }  # fmt: skip


def spoilt(data: bytes, chance: random.Random) -> bytes:
    """A file with bytes changed, a piece cut out, doubled, or broken off."""
    held = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(max(1, len(held)))
        how = chance.randrange(4)
        if how == 0:
            held[at : at + 1] = bytes([chance.randrange(256)])
        elif how == 1:
            del held[at : at + chance.randint(1, 60)]
        elif how == 2:
            held[at:at] = held[at : at + chance.randint(1, 200)]
        else:
            del held[max(10, at) :]
    return bytes(held)


@pytest.mark.parametrize("file", [one for one in FORMATS if one != "pasted.txt"])
def test_spoilt_files_get_an_answer(served: Served, file: str) -> None:
    """Understood or refused in a sentence, quickly; the server stays as it is."""
    chance = random.Random(file)
    data = FORMATS[file]()
    with served.client() as client:
        for _ in range(4):
            begun = time.monotonic()
            answer = client.post("/bring", files={"files": (file, spoilt(data, chance))}, follow_redirects=True)
            assert answer.status_code in (200, 422)
            if answer.url.path.endswith("/understood"):
                name = answer.url.path.split("/")[2]
                for rest in ("", "/plan/0"):
                    assert client.get(f"/hymns/{name}{rest}").status_code < 500
            assert time.monotonic() - begun < 3 * LONGEST_SECONDS  # three answers
    assert httpx.get(served.url).status_code == 200
    if sys.platform == "linux":
        assert memory_mb(served) < MOST_MEMORY_MB
