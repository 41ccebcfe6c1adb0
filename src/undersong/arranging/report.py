"""An arrangement as `undersong arrange --json` prints it: what people's scripts may rely on.

Conventions: times are fractions of a quarter note as strings; fields are only ever added.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from undersong.arranging.judge import counted_beats, missing_beats
from undersong.arranging.rules.table import RULES
from undersong.model.accompaniment import Accompaniment, Arrangement, PlacedChord, PlayedNote
from undersong.model.codec import encode
from undersong.model.finding import Finding
from undersong.model.symbol import symbol
from undersong.textures.table import TEXTURES

FORMAT = 1


def arrangement_json(arrangement: Arrangement, files: Sequence[str] = ()) -> dict[str, Any]:
    """The whole arrangement, its findings and the files that were written."""
    return {
        "format": FORMAT,
        "title": arrangement.title,
        "key": str(arrangement.key),
        "mode": arrangement.mode,
        "plan": encode(arrangement.plan),
        "sections": [_section(section) for section in arrangement.sections],
        "findings": [_finding(one) for one in arrangement.findings],
        "files": list(files),
    }


def textures_json() -> list[dict[str, Any]]:
    """Every texture there is, with the patterns among which she may choose."""
    return [
        {
            "name": one.name, "what": one.what, "needs": one.needs,
            "patterns": [{"name": row.name, "what": row.says} for row in one.patterns],
        }
        for one in TEXTURES.values()
    ]  # fmt: skip


def rules_json() -> list[dict[str, str]]:
    """Every rule that is checked: what it asks, and the kind, weight and sentence of its finding."""
    return [
        {
            "number": one.number, "title": one.title, "asks": one.asks, "kind": one.kind, "weight": one.weight,
            "says": one.says, "remedy": one.remedy, "source": one.source, "when": one.when,
        }
        for one in RULES
    ]  # fmt: skip


def _section(section: Accompaniment) -> dict[str, Any]:
    missing = missing_beats(section)
    counted = len(counted_beats(section))
    share = (counted - len(missing)) / counted if counted else 1.0
    return {
        "id": section.id,
        "kind": section.kind,
        "verse": section.verse,
        "texture": section.texture,
        "version": section.version,
        "key": str(section.key),
        "beat_per_minute": float(section.pace.beats_per_minute),
        "beat": str(section.pace.beat),
        "tune": section.tune,
        "hands": {"right hand": section.right, "left hand": section.left, "feet": section.feet},
        "registration": encode(section.registration),
        "bars": [
            {
                "number": bar.number, "pass": bar.times, "start": str(bar.start), "length": str(bar.length),
                "time": str(bar.time), "key": str(bar.key),
            }
            for bar in section.bars
        ],
        "notes": [_note(note) for note in section.notes],
        "chords": [_chord(one) for one in section.chords],
        "lines": [{"start": str(line.start), "end": str(line.end)} for line in section.lines],
        "breaths": [str(one) for one in section.breaths],
        "words": [{"start": str(word.start), "text": word.text, "hyphen": word.hyphen} for word in section.words],
        "beats_struck": {"share": round(share, 4), "missing": [str(beat) for beat in missing]},
    }  # fmt: skip


def _note(note: PlayedNote) -> dict[str, Any]:
    return {
        "id": note.id, "part": note.part, "start": str(note.start), "length": str(note.length),
        "pitch": str(note.pitch), "tie": note.tie, "limb": note.limb, "division": note.division,
        "source": note.source or None, "finger": note.finger or None,
    }  # fmt: skip


def _chord(one: PlacedChord) -> dict[str, Any]:
    chord = one.chord
    return {
        "start": str(one.start), "length": str(one.length), "symbol": symbol(chord),
        "root": str(chord.root) if chord.root else None, "kind": chord.kind,
        "bass": str(chord.lowest) if chord.lowest else None, "doubtful": one.doubtful,
    }  # fmt: skip


def _finding(one: Finding) -> dict[str, Any]:
    return {
        "kind": one.kind, "weight": one.weight, "section": one.section, "bar": one.bar, "beat": one.beat,
        "start": str(one.start), "notes": list(one.notes), "message": one.message, "remedy": one.remedy,
    }  # fmt: skip
