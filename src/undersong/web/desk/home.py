"""In the child: what a file holds."""

from __future__ import annotations

from pathlib import Path

from undersong.model.edits import Amendments
from undersong.web.desk.held import Plain, reading_of

MOST_TUNES = 2000
"""Tunes of a collection that are listed."""


def look(request: Plain) -> Plain:
    """The hymns of a file: what was understood of each; and what was refused."""
    found = reading_of(Path(request["source"]), Amendments())
    if not found.hymns and found.refused:
        raise found.refused[0]
    return {
        "hymns": [
            {"title": hymn.title, "tune_name": hymn.tune_name, "verses": len(hymn.text.verses),
             "voices": [voice.name for voice in hymn.tune.voices], "symbols": len(hymn.tune.symbols),
             "begins": hymn.text.verses[0].first_words(hymn.tune.lines) if hymn.text.verses else ""}
            for hymn in found.hymns[:MOST_TUNES]
        ],
        "refused": [str(one) for one in found.refused[:MOST_TUNES]],
        "more": max(0, len(found.hymns) - MOST_TUNES),
    }  # fmt: skip
