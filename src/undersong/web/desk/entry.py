"""In the child: a hymn typed by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from undersong import workflow
from undersong.model.codec import decode, encode
from undersong.web.desk.held import Plain


def typed(request: Plain) -> Plain:
    """What was typed, as far as it was understood: music to engrave and the slips."""
    taken = workflow.take(decode(workflow.Typed, request["typed"]))
    music, lines = "", list[str]()
    if taken.hymn is not None:
        heard = replace(taken.hymn, tune=replace(taken.hymn.tune, lines=()))
        music = workflow.writer_for(Path("typed.musicxml"))([heard]).decode()
    return {"music": music, "lines": lines, "slips": [encode(one) for one in taken.slips]}


def letters(request: Plain) -> Plain:
    """A key of a keyboard as it would be typed."""
    given = decode(workflow.Typed, request["typed"])
    return {"letters": workflow.letters_for(given, request["voice"], request["number"])}
