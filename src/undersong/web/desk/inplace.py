"""In the child: a chord to be heard in its place."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from undersong import workflow
from undersong.web.desk.held import Plain, bench_of, heard_of, hymn_of, key_of, once, wished_plan, wishes_of


def _made(request: Plain) -> workflow.InPlace:
    """The chord with its neighbours: `state` has the chord that is tried, `shown` are her chords without it."""
    key = key_of(request["state"] | request, "edits", "bench", "plan", "shown", "bar", "beat")
    return once(("in place", key), partial(_make, request))


def _make(request: Plain) -> workflow.InPlace:
    state = request["state"]
    hymn = hymn_of(state)
    harmony = heard_of(state, hymn).harmony
    shown = heard_of(state | {"edits": request["shown"]}, hymn).harmony
    symbols = {f"chord-{index}": span for index, span in enumerate(workflow.hymn_with_chords(hymn, shown).spans)}
    plan = wished_plan(state, hymn, heard_of(state, hymn))
    return workflow.in_place(hymn, harmony, plan, bench_of(state), (request["bar"], request["beat"]), symbols)


def times(request: Plain) -> Plain:
    """How long it is, and what is lit of the hymn's page when."""
    made = _made(request)
    seconds, size = workflow.sound_length(made.practice, wishes_of(request["state"]))
    lit = [[one.id, round(one.on_seconds, 4), round(one.off_seconds, 4)] for one in made.lit]
    return {"seconds": seconds, "size": size, "notes": lit}


def pour(request: Plain) -> Plain:
    """Write it into a file that can be heard while it grows."""
    workflow.pour(_made(request).practice, wishes_of(request["state"]), Path(request["file"]))
    return {}
