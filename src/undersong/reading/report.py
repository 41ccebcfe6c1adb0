"""A hymn as `undersong read` shows it: what was understood, what was assumed, what was left out.

Conventions: times are fractions of a quarter note as strings; fields are only ever added.
"""

from __future__ import annotations

from typing import Any

from undersong.model.hymn import Hymn, Remark

FORMAT = 1


def read_json(hymn: Hymn, key: str, mode: str | None) -> dict[str, Any]:
    """The facts of a hymn; its key and mode are told by the harmony."""
    tune = hymn.tune
    pitches = sorted((note.pitch for note in tune.tune_voice.notes), key=lambda pitch: pitch.midi)
    pickup = tune.bars[0].length if tune.bars[0].pickup else None
    return {
        "format": FORMAT,
        "title": hymn.title,
        "tune_name": hymn.tune_name,
        "metre": hymn.text.metre,
        "key": key,
        "mode": mode,
        "times": list(dict.fromkeys(str(bar.time) for bar in tune.bars)),
        "bars": len(tune.bars) - (pickup is not None),
        "pickup": str(pickup) if pickup is not None else None,
        "range": [str(pitches[0]), str(pitches[-1])],
        "voices": [voice.name for voice in tune.voices],
        "verses": len(hymn.text.verses),
        "lines": len(tune.lines),
        "chord_symbols": len(tune.symbols),
        "rights": hymn.rights or hymn.text.rights,
        "assumed": [_remark(one) for one in hymn.assumed],
        "left_out": [_remark(one) for one in hymn.left_out],
    }


def _remark(one: Remark) -> dict[str, str]:
    return {"what": one.what, "place": one.place}
