"""In the child: how a hymn was read."""

from __future__ import annotations

from pathlib import Path

from undersong.model.codec import decode
from undersong.model.edits import Amendments
from undersong.reading.report import read_json
from undersong.web.desk.held import Plain, heard_of, hymn_of, reading_of
from undersong.writing.booklet import key_words


def understood(state: Plain) -> Plain:
    """What was understood and assumed of a hymn, and what can be put right."""
    hymn = hymn_of(state)
    heard = heard_of(state, hymn)
    raw = reading_of(Path(state["source"]), decode(Amendments, state["amended"])).hymns[state["number"]]
    facts = read_json(hymn, key_words(heard.harmony.key), heard.harmony.mode)
    return facts | {
        "melody": hymn.tune.tune_voice.name,
        "all_verses": [{"number": one.number, "first_words": one.first_words} for one in raw.text.verses],
        "read_title": raw.title,
        "four_parts": hymn.tune.four_parts,
    }
