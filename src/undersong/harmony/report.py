"""The harmony as plain JSON, for scripts and outside checks.

Conventions: times are fractions of a quarter note as strings, bars their printed numbers, beats
counted from 1 in the beat of the time. A span for some times through names the first in `pass`;
spans for every time through have 1.

References: none.
"""

from __future__ import annotations

from fractions import Fraction

from undersong.harmony.players import Thinned
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.hymn import Hymn
from undersong.model.symbol import symbol
from undersong.model.tune import Tune

Json = dict[str, object]


def harmony_json(hymn: Hymn, harmony: Harmony, guitarist: Thinned | None = None) -> Json:
    """What `undersong harmony FILE --json` prints for one hymn; `guitarist` only where it was asked for."""
    return {
        "format": 1,
        "title": hymn.title,
        "key": str(harmony.key),
        "mode": harmony.mode,
        "chords": [_chord(hymn.tune, span) for span in harmony.spans],
        "non_chord_notes": [
            {
                **_place(hymn.tune, note.onset),
                "voice": note.voice,
                "pitch": str(note.pitch),
                "kind": note.kind,
            }
            for note in harmony.non_chord_notes
        ],
        **({"guitarist": _guitarist(hymn.tune, guitarist)} if guitarist is not None else {}),
    }


def _guitarist(tune: Tune, thinned: Thinned) -> Json:
    """Chords in the shape of the full ones, and where the two readings quarrel, placed along the page."""
    return {
        "unit": thinned.unit,
        "chords": [_chord(tune, span) for span in thinned.spans],
        "findings": [
            {
                "kind": one.kind, "weight": one.weight, "bar": one.bar, "beat": one.beat, "onset": str(one.start),
                "message": one.message, "remedy": one.remedy,
            }
            for one in thinned.findings
        ],
    }  # fmt: skip


def _place(tune: Tune, onset: Fraction) -> Json:
    bar = tune.bars[tune.bar_at(onset)]
    return {"bar": bar.number, "beat": str(bar.beat_of(onset)), "onset": str(onset)}


def _chord(tune: Tune, span: ChordSpan) -> Json:
    chord = span.chord
    place = _place(tune, span.onset)
    return {
        "bar": place["bar"],
        "pass": span.passes[0] if span.passes else 1,
        "beat": place["beat"],
        "onset": place["onset"],
        "length": str(span.length),
        "root": str(chord.root) if chord.root is not None else None,
        "kind": chord.kind,
        "bass": str(chord.lowest) if chord.lowest is not None else None,
        "degrees": [{"value": one.value, "alter": one.alter, "type": one.type} for one in chord.degrees],
        "symbol": symbol(chord),
        "numeral": span.numeral,
        "key": str(span.key),
        "mode": span.mode,
        "confidence": span.confidence,
        "doubtful": span.doubtful,
        "origin": span.origin,
    }
