"""In the child: files to take away. Bytes travel as base64."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

from undersong import workflow
from undersong.web.desk.held import Plain, heard_of, hymn_of, laid_out, plan_of, wishes_of
from undersong.writing.booklet import booklet, marks_at_notes
from undersong.writing.engraver import System
from undersong.writing.exchange import exchange_file


def _whole(state: Plain, rows: list[int] | None) -> Any:
    hymn = hymn_of(state)
    now = plan_of(state, hymn, heard_of(state, hymn))
    whole = laid_out(state, now)
    if rows is None:
        return whole
    return workflow.only_section(whole, rows[0])


def sections(request: Plain) -> Plain:
    """All sections of the plan (or of some rows) to engrave for the booklet."""
    arrangement = _whole(request["state"], request.get("rows"))
    return {
        "sections": [
            {"id": one.id, "title": one.name, "music": exchange_file(arrangement, [one]).decode(),
             "lines": [str(line.start) for line in one.lines], "signs": marks_at_notes(arrangement, one)}
            for one in arrangement.sections
        ],
    }  # fmt: skip


def bound(request: Plain) -> Plain:
    """The booklet from engraved systems."""
    arrangement = _whole(request["state"], request.get("rows"))
    systems = {
        name: [System(one["svg"], one["width_mm"], one["height_mm"]) for one in held]
        for name, held in request["systems"].items()
    }
    pdf = booklet(arrangement, systems, request["paper"], large=request["large"])
    return {"bytes": base64.b64encode(pdf).decode()}


def exchange(request: Plain) -> Plain:
    """The exchange file."""
    return {"bytes": base64.b64encode(exchange_file(_whole(request["state"], request.get("rows")))).decode()}


def midi(request: Plain) -> Plain:
    """MIDI of the whole plan."""
    arrangement = _whole(request["state"], request.get("rows"))
    return {"bytes": base64.b64encode(workflow.midi_of(arrangement, wishes_of(request["state"]))).decode()}


def sound_file(request: Plain) -> Plain:
    """The whole plan, or a row of it, as a sound file."""
    arrangement = _whole(request["state"], request.get("rows"))
    seconds = workflow.listen([arrangement], wishes_of(request["state"]), workflow.Hearing(), Path(request["file"]))
    return {"seconds": seconds}
