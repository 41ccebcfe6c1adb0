"""In the child: a hymn typed by hand."""

from __future__ import annotations

from collections.abc import Sequence
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
    found["keeps"] = _keeps(given, taken.hymn, made)
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
    if given.propose is not False and len(given.voices) > 1 and (hymn.tune.voice("bass") or hymn.tune.symbols):
        return workflow.in_four_parts(hymn)
    return workflow.Proposed(hymn, frozenset())


def _keeps(given: workflow.Typed, hymn: Hymn | None, made: workflow.Proposed | None) -> str:
    """What the hymn will have when it is kept: what is typed, what is proposed, what is left out."""
    if hymn is None or made is None:
        return ""
    tune, verses = hymn.tune, len(hymn.text.verses)
    typed = ["tune", *(voice.name for voice in tune.voices if voice.name != tune.melody)]
    has = [*typed, *(["chord symbols"] if tune.symbols else [])]
    has += [f"the words of {verses} verse{'s' if verses > 1 else ''}"] if verses else []
    in_pencil = {name for name, _ in made.notes}
    proposed = [f"the rest of the {name}" if name in typed else name for name, _ in given.voices if name in in_pencil]
    missing = [name for name, _ in given.voices[1:] if name not in typed and name not in in_pencil]
    told = [f"will be kept: {_listed(has)}"]
    told += [f"{_listed(proposed)} proposed"] if proposed else []
    if missing:
        by = "" if given.propose is False or proposed else " (they need a bass or a chord symbol to go by)"
        told.append(f"{_listed(missing)} left out{by}")
    return f"{'; '.join(told).capitalize()}."


def _listed(names: Sequence[str]) -> str:
    """`tune, bass and chord symbols`."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def written(request: Plain) -> Plain:
    """The fields with what is proposed written into them."""
    given = decode(workflow.Typed, request["typed"])
    made = _proposed(given, workflow.take(given).hymn)
    return {"typed": encode(workflow.written_out(given, made.hymn.tune) if made else given)}


def letters(request: Plain) -> Plain:
    """A key of a keyboard as it would be typed."""
    given = decode(workflow.Typed, request["typed"])
    return {"letters": workflow.letters_for(given, request["voice"], request["number"])}
