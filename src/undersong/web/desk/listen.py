"""In the child: a verse to be heard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from undersong import workflow
from undersong.errors import UnknownName
from undersong.textures.table import TEXTURES
from undersong.web.desk.held import Plain, heard_of, hymn_of, laid_out, plan_of, wishes_of
from undersong.writing.booklet import heading
from undersong.writing.exchange import exchange_file


def hear(request: Plain) -> Plain:
    """One row as it is to be played, or as printed: its page, and what can be chosen."""
    state, row = request["state"], request["row"]
    arrangement = _heard_row(request)
    section = arrangement.sections[0]
    hymn = hymn_of(state)
    whole = plan_of(state, hymn, heard_of(state, hymn))
    words = {word.start: word.text for word in section.words}
    numbers = list(dict.fromkeys(bar.number for bar in section.bars))
    return {
        "id": section.id,
        "heading": heading(arrangement, section),
        "laid_out": TEXTURES[section.texture].title,
        "music": exchange_file(arrangement, [section]).decode(),
        "lines": [str(line.start) for line in section.lines],
        "bars": numbers,
        "pace": f"{float(section.pace.beats_per_minute):g}",
        "four_parts": hymn.tune.four_parts,
        "rows": [row.verse for row in whole.verses],
        "row": row,
        "title": hymn.title,
        "tune": [
            {"id": note.id, "word": words.get(note.start, ""),
             "says": f"bar {section.bar_at(note.start).number}: {note.pitch}"}
            for note in section.notes
            if note.part == "tune" and note.tie not in ("stop", "both")
        ],
    }  # fmt: skip


def _heard_row(request: Plain) -> Any:
    state, row = request["state"], request["row"]
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    whole = plan_of(state, hymn, heard)
    if not 0 <= row < len(whole.verses):
        raise UnknownName("the plan has no such row", remedy="Load the page again.")
    if request["printed"]:
        plain = replace(
            whole.verses[row], texture="as-printed", tune="at-pitch", pattern="", right="", left="", inner_pedal=False
        )
        whole = replace(whole, verses=(*whole.verses[:row], plain, *whole.verses[row + 1 :]))
    return workflow.only_section(laid_out(state, whole), row)


def _practice(request: Plain) -> tuple[Any, workflow.Wishes]:
    """What is to be heard."""
    arrangement, wishes = _heard_row(request), wishes_of(request["state"])
    asked = request["hearing"]
    usual = float(arrangement.sections[0].pace.beats_per_minute)
    hearing = workflow.Hearing(
        bars=(asked["from"], asked["to"]) if asked["from"] else None,
        without=tuple(asked["without"]),
        per_cent=100 * asked["pace"] / usual if asked["pace"] else 100.0,
        count_in=asked["count_in"],
    )  # fmt: skip
    try:
        return workflow.to_be_heard([arrangement], wishes, hearing), wishes
    except ValueError as fault:
        raise UnknownName(str(fault), remedy="Choose a pace nearer to the hymn's own.") from fault


def times(request: Plain) -> Plain:
    """How long it is, and when each note sounds."""
    heard, wishes = _practice(request)
    seconds, size = workflow.sound_length(heard, wishes)
    notes = [[one.id, round(one.on_seconds, 4), round(one.off_seconds, 4)] for one in heard.performance.notes]
    return {"seconds": seconds, "size": size, "notes": notes}


def pour(request: Plain) -> Plain:
    """Write it into a file that can be heard while it grows."""
    workflow.pour(*_practice(request), Path(request["file"]))
    return {}
