"""In the child: a hymn typed by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from undersong import workflow
from undersong.model.codec import decode, encode
from undersong.model.hymn import Hymn
from undersong.web.desk.held import Plain
from undersong.writing.hymnfile import note_id


def typed(request: Plain) -> Plain:
    """What was typed, as far as it was understood: music to engrave and the slips."""
    given = decode(workflow.Typed, request["typed"])
    taken = workflow.take(given)
    made = _proposed(given, taken.hymn)
    found: Plain = {"music": "", "lines": [], "slips": [encode(one) for one in taken.slips], "proposed": None}
    if made is not None:
        tune = made.hymn.tune
        page = replace(made.hymn, tune=replace(tune, lines=()))
        found["music"] = workflow.writer_for(Path("typed.musicxml"))([page]).decode()
        if made.notes:
            end = max(note.end for voice in tune.voices if voice.name in ("alto", "tenor") for note in voice.notes)
            found["proposed"] = {
                "ids": sorted(note_id(voice, onset) for voice, onset in made.notes),
                "voices": [voice.name for voice in tune.voices if voice.name in {name for name, _ in made.notes}],
                "ends": "" if end >= tune.tune_voice.notes[-1].end else tune.place(end),
            }
    return found


def _proposed(given: workflow.Typed, hymn: Hymn | None) -> workflow.Proposed | None:
    """The hymn with the voices that are to be proposed, as soon as there is a bass or a symbol to go by."""
    if hymn is None:
        return None
    if given.propose and (hymn.tune.voice("bass") or hymn.tune.symbols):
        return workflow.in_four_parts(hymn)
    return workflow.Proposed(hymn, frozenset())


def written(request: Plain) -> Plain:
    """The fields with what is proposed written into them."""
    given = decode(workflow.Typed, request["typed"])
    made = _proposed(given, workflow.take(given).hymn)
    return {"typed": encode(workflow.written_out(given, made.hymn.tune) if made else given)}


def letters(request: Plain) -> Plain:
    """A key of a keyboard as it would be typed."""
    given = decode(workflow.Typed, request["typed"])
    return {"letters": workflow.letters_for(given, request["voice"], request["number"])}
