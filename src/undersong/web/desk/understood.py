"""In the child: how a hymn was read."""

from __future__ import annotations

from dataclasses import replace

from undersong import workflow
from undersong.library.barring import upbeat
from undersong.model.codec import decode, encode
from undersong.model.edits import Amendments, Edits
from undersong.model.pitch import key_words
from undersong.reading.report import read_json
from undersong.web.desk.held import Plain, heard_of, hymn_of, read_of


def understood(state: Plain) -> Plain:
    """What was understood and assumed of a hymn, and what can be put right."""
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    raw = read_of(state)
    first = hymn.tune.bars[0]
    facts = read_json(hymn, key_words(heard.harmony.key, heard.harmony.mode), heard.harmony.mode)
    return facts | {
        "melody": hymn.tune.tune_voice.name,
        "all_verses": [
            {"number": one.number, "first_words": one.first_words(raw.tune.lines)} for one in raw.text.verses
        ],
        "read_title": raw.title,
        "four_parts": hymn.tune.four_parts,
        "upbeat": str(upbeat(hymn.tune) / first.time.beat) if first.time.beats else "",
    }


def put_right(request: Plain) -> Plain:
    """What she wants and her chords, their places said of the bars as they are then; it must still make a hymn."""
    state, wanted = request["state"], decode(Amendments, request["wanted"])
    fresh = state | {"amended": request["wanted"]}
    before, after = (
        workflow.amend(read_of(one), replace(decode(Amendments, one["amended"]), lines=None, breaths=None)).tune
        for one in (state, fresh)
    )
    wanted, edits = workflow.moved(wanted, decode(Edits, state["edits"]), before, after)
    found = {"amended": encode(wanted), "edits": encode(edits)}
    heard_of(state | found, hymn_of(state | found))
    return found
