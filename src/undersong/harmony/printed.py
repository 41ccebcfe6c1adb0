"""Printed chord symbols as spans along the page.

A printed symbol wins over everything and lasts to the next one. Conventions: before the first
symbol there is no chord, unless every tune note of that stretch is a tone of the first chord, which
then is taken to begin with the pickup. Symbols that serve some times through only make alternative
spans: wherever the times through differ there is one span for each of them, elsewhere one for all.

References: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from undersong.model.chord import NO_CHORD, Chord
from undersong.model.tune import Symbol, Tune


@dataclass(frozen=True, slots=True)
class Printed:
    """A printed chord with its place and the times through that it serves; () is every time."""

    onset: Fraction
    end: Fraction
    chord: Chord
    passes: tuple[int, ...] = ()


def printed_chords(tune: Tune) -> tuple[Printed, ...]:
    """The symbols of a page as spans that cover it for every time through."""
    symbols = tuple(symbol for symbol in tune.symbols if 0 <= symbol.onset < tune.length)
    mentioned = {time for symbol in symbols for time in symbol.passes}
    times = sorted(mentioned | {passage.times for passage in tune.route}) if mentioned else []
    if not times:
        return tuple(_timeline(tune, symbols))
    timelines = {
        time: _timeline(tune, tuple(one for one in symbols if not one.passes or time in one.passes)) for time in times
    }
    return _together(timelines)


def _timeline(tune: Tune, symbols: tuple[Symbol, ...]) -> list[Printed]:
    """One time through: each symbol to the next, from 0 to the end of the page."""
    at = {symbol.onset: symbol.chord for symbol in sorted(symbols, key=lambda one: one.onset)}
    onsets = sorted(at)
    if not onsets or onsets[0] > 0:
        at[Fraction(0)] = _before_first(tune, onsets[0], at[onsets[0]]) if onsets else NO_CHORD
        if onsets and at[Fraction(0)] == at[onsets[0]]:
            del at[onsets[0]]
        onsets = sorted(at)
    ends = [*onsets[1:], tune.length]
    return [Printed(onset, end, at[onset]) for onset, end in zip(onsets, ends, strict=True)]


def _before_first(tune: Tune, end: Fraction, first: Chord) -> Chord:
    """The chord of what lies before the first symbol."""
    notes = [note for note in tune.tune_voice.notes if note.onset < end and not note.grace]
    fits = all(first.tone_for(note.pitch.midi % 12) for note in notes)
    return first if notes and fits else NO_CHORD


def _together(timelines: dict[int, list[Printed]]) -> tuple[Printed, ...]:
    """Spans shared by all times through where they agree, alternatives where they differ."""
    cuts = sorted({span.onset for spans in timelines.values() for span in spans})
    ends = [*cuts[1:], next(iter(timelines.values()))[-1].end]
    found: list[Printed] = []
    for onset, end in zip(cuts, ends, strict=True):
        served: dict[Chord, list[int]] = {}
        fresh: set[Chord] = set()
        for time, spans in timelines.items():
            span = next(span for span in spans if span.onset <= onset < span.end)
            served.setdefault(span.chord, []).append(time)
            if span.onset == onset:
                fresh.add(span.chord)
        for chord, times in served.items():
            passes = () if len(served) == 1 else tuple(sorted(times))
            found = _extended(found, Printed(onset, end, chord, passes), fresh=chord in fresh)
    return tuple(sorted(found, key=lambda one: (one.onset, one.passes)))


def _extended(found: list[Printed], span: Printed, *, fresh: bool) -> list[Printed]:
    """The spans so far with one more, joined to the span it merely goes on."""
    for index, last in enumerate(found):
        if not fresh and (last.end, last.chord, last.passes) == (span.onset, span.chord, span.passes):
            return [*found[:index], Printed(last.onset, span.end, span.chord, span.passes), *found[index + 1 :]]
    return [*found, span]
