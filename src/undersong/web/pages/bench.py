"""Organ, player and room."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from undersong.errors import UndersongError, UnknownName
from undersong.web.asked import Question
from undersong.web.door import Door, ask, go, send
from undersong.web.forms.bench import bench_facts, bench_from, form_as_given
from undersong.workflow import Changed, find_organ, read_bench, ready_names, write_bench


def bench(door: Door, asked: Question) -> Response:
    """What everything is laid out for, as a form; another organ to begin from."""
    now, version = read_bench(door.shelf.folder)
    ready = asked.request.query_params.get("ready", "")
    if ready:
        if ready not in ready_names():
            raise UnknownName("there is no such organ", remedy="Choose one from the list.")
        now = replace(now, organ=find_organ(ready))
    return door.show("bench.html", **bench_facts(now, version, ready))


def change_bench(door: Door, asked: Question) -> Response:
    """Keep organ, player and room; what cannot be understood is told, with everything still in the form."""
    now, version = read_bench(door.shelf.folder)
    if asked.text("version") != version:
        fault = Changed("organ, player or room have been changed in another window")
        return door.show("bench.html", 409, **bench_facts(now, version, "") | {"fault": str(fault)})
    ready = asked.text("ready")
    before = replace(now, organ=find_organ(ready)) if ready in ready_names() else now
    try:
        fresh = bench_from(asked, before)
    except UndersongError as fault:
        given = bench_facts(before, version, ready) | form_as_given(asked) | {"fault": str(fault)}
        return door.show("bench.html", 422, **given)
    write_bench(door.shelf.folder, fresh)
    return go("/bench")


ADDRESSES = (
    ask("/bench", bench),
    send("/bench", change_bench),
)
