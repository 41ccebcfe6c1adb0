"""The harmony of a hymn: chords along the page with keys, numerals and what is left over.

Printed symbols win. Without them several parts are read for their chords; a tune alone gets a plain
proposal. Keys, numerals and non-chord notes are then found in the same way for all three.

Conventions: spans cover the page from 0 to its end without gap or overlap, except that symbols
printed for some times through only stand beside each other. Confidence is between 0 and 1, None for
what is printed.

References: see the modules of this folder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.harmony.chords import confidence, find_chords
from undersong.harmony.keys import WEIGHTS, Heard, church_mode, find_keys
from undersong.harmony.nonchord import non_chord_notes
from undersong.harmony.numerals import numeral
from undersong.harmony.printed import printed_chords
from undersong.harmony.proposal import bare_key, propose
from undersong.harmony.slices import Slice, part_notes, slices
from undersong.model.chord import NO_CHORD, Chord
from undersong.model.harmony import ChordSpan, Harmony, Origin
from undersong.model.hymn import Hymn
from undersong.model.pitch import Key
from undersong.model.tune import Tune


@dataclass(frozen=True, slots=True)
class _Placed:
    """A chord on its way to a span."""

    onset: Fraction
    end: Fraction
    chord: Chord
    origin: Origin
    confidence: float | None = None
    passes: tuple[int, ...] = ()


def analyse(hymn: Hymn) -> Harmony:
    """The harmony of a hymn: its printed symbols, else what its parts are, else a proposal."""
    tune = hymn.tune
    if not tune.length:
        return _silent(tune)
    notes = part_notes(tune)
    cuts = slices(tune, notes)
    lengths = _lengths(cuts)
    placed = _printed(tune) if tune.symbols else _read(tune, cuts)
    if not placed:
        return _proposed(tune)
    home, keys = _keys(tune, cuts, placed)
    mode = church_mode(home, lengths)
    if mode is not None:  # its chords would be taken for those of a neighbouring key
        keys = (home,) * len(placed)
    spans = _spans(placed, home, keys, mode)
    return Harmony(home, spans, mode, non_chord_notes(notes, spans))


def _printed(tune: Tune) -> list[_Placed]:
    return [_Placed(one.onset, one.end, one.chord, "printed", None, one.passes) for one in printed_chords(tune)]


def _read(tune: Tune, cuts: Sequence[Slice]) -> list[_Placed]:
    """The chords of the parts; nothing where the page is mostly a tune alone or in unison."""
    full = sum(cut.quarters for cut in cuts if len({note.pitch.midi % 12 for note in cut.notes}) > 1)
    if full < sum(cut.quarters for cut in cuts if cut.notes) / 2:
        return []
    found = find_chords(tune, cuts)
    return [_Placed(one.onset, one.end, one.chord, "analysed", confidence(one.margin)) for one in found]


def _proposed(tune: Tune) -> Harmony:
    """A bare tune: one key for all, plain chords."""
    notes = part_notes(replace(tune, voices=(tune.tune_voice,))) if tune.voices else ()
    if not notes:
        return _silent(tune)
    lengths = _lengths(slices(tune, notes))
    home = bare_key(tune, notes)
    mode = church_mode(home, lengths)
    placed = [
        _Placed(one.onset, one.end, one.chord, "proposed", one.confidence) for one in propose(tune, notes, home, mode)
    ]
    spans = _spans(placed, home, (home,) * len(placed), mode)
    return Harmony(home, spans, mode, non_chord_notes(notes, spans))


def _silent(tune: Tune) -> Harmony:
    """A page without notes: no chord from beginning to end."""
    home = bare_key(tune, ())
    whole = _Placed(Fraction(0), tune.length, NO_CHORD, "proposed", 0.01)
    return Harmony(home, _spans([whole], home, (home,), None) if tune.length else ())


def _lengths(cuts: Sequence[Slice]) -> list[float]:
    """How long each pitch class sounds, voices counted together."""
    lengths = [0.0] * 12
    for cut in cuts:
        for note in cut.notes:
            lengths[note.pitch.midi % 12] += cut.quarters
    return lengths


def _keys(tune: Tune, cuts: Sequence[Slice], placed: Sequence[_Placed]) -> tuple[Key, tuple[Key, ...]]:
    """Home key and the key of each placed chord; alternatives of later times through follow the first."""
    first = [one for one in placed if not one.passes or one.passes[0] == 1]
    asked = first or list(placed)
    home, keys = find_keys(_heard(tune, cuts, asked))
    by_onset = dict(zip((one.onset for one in asked), keys, strict=True))
    chosen, key = [], keys[0] if keys else home
    for one in placed:
        key = by_onset.get(one.onset, key)
        chosen.append(key)
    return home, tuple(chosen)


def _heard(tune: Tune, cuts: Sequence[Slice], placed: Sequence[_Placed]) -> list[Heard]:
    ends = {line.end for line in tune.lines}
    heard, place = [], 0
    for one in placed:
        sounding: dict[int, float] = {}
        while place < len(cuts) and cuts[place].onset < one.end:
            for note in cuts[place].notes:
                tone = note.pitch.midi % 12
                sounding[tone] = sounding.get(tone, 0.0) + cuts[place].quarters
            place += 1
        held = any(one.onset <= hold < one.end for hold in tune.holds)
        ended = any(one.onset < end <= one.end for end in ends)
        closes = 1.0 if held else WEIGHTS["line"] * ended
        signature = tune.bars[tune.bar_at(one.onset)].key.fifths
        heard.append(Heard(one.onset, one.end - one.onset, one.chord, tuple(sounding.items()), signature, closes))
    return heard


def _spans(placed: Sequence[_Placed], home: Key, keys: Sequence[Key], mode: str | None) -> tuple[ChordSpan, ...]:
    spans = []
    for index, (one, key) in enumerate(zip(placed, keys, strict=True)):
        following = next((other.chord for other in placed[index + 1 :] if other.chord != one.chord), None)
        spans.append(
            ChordSpan(
                one.onset, one.end - one.onset, one.chord, key, numeral(one.chord, key, following),
                mode if key == home else None, one.confidence, one.origin, one.passes,
            )
        )  # fmt: skip
    return tuple(spans)
