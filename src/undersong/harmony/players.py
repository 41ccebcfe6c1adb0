"""Chords for players: the guitarist's reading of a hymn, thinned to a chord a beat or a bar.

Four parts change chord more often than a guitar can. The thinned reading keeps the chord that rules
each beat or bar, drops chords that only pass (between two chords of one root, or a six-four whose bass
goes through by step), keeps a slash bass where the bass walks by step through it, and thins a
cadential six-four into its dominant: `C/G G7 C` becomes `Gsus4 G C`, or `G C` with a chord a bar.
Where guitar and organ would hold notes a semitone apart on one beat, slash basses counted, that is a finding.

Conventions: spans cover the page like those of the full reading; roots are spelled near their key.
A unit is a beat or a bar; a pickup's beats count from its end.

References: R21 of the craft (a cadential six-four belongs to the dominant); the rest is common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from undersong.harmony.keys import name_near
from undersong.harmony.numerals import numeral
from undersong.harmony.slices import strength
from undersong.model.chord import Chord
from undersong.model.finding import Finding, finding
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.pitch import Key, PitchName
from undersong.model.symbol import symbol
from undersong.model.tune import Tune

Unit = Literal["beat", "bar"]
Place = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Thinned:
    """The players' chords, and where they quarrel with the full reading."""

    unit: Unit
    spans: tuple[ChordSpan, ...]
    findings: tuple[Finding, ...]


def thin(tune: Tune, harmony: Harmony, unit: Unit = "beat") -> Thinned:
    """The guitarist's reading of a page's harmony; alternatives of later times through are left out."""
    full = [span for span in harmony.spans if not span.passes or 1 in span.passes]
    kept = _cadences(_without_passing(tune, full), unit)
    closed = _ruling(tune, kept, _units(tune, unit))
    spans = _joined([_renamed(span, _spelled(chord, span.key)) for span, chord in _basses(closed)])
    return Thinned(unit, tuple(spans), tuple(_quarrels(tune, full, spans)))


def _units(tune: Tune, unit: Unit) -> list[Place]:
    places: list[Place] = []
    for bar in tune.bars:
        if not bar.length:
            continue
        if unit == "bar":
            places.append((bar.onset, bar.end))
            continue
        beat = bar.time.beat if bar.time.beats else Fraction(1)
        short = bar.length % beat if bar.pickup else Fraction(0)
        starts = [bar.onset, *([bar.onset + short] if short else [])]
        while starts[-1] + beat < bar.end:
            starts.append(starts[-1] + beat)
        places += list(zip(starts, [*starts[1:], bar.end], strict=True))
    return places


def _root(span: ChordSpan) -> int | None:
    return span.chord.root.pitch_class if span.chord.root is not None else None


def _part(span: ChordSpan) -> int:
    """The degree of the chord that lies in its bass."""
    low = span.chord.lowest
    tone = span.chord.tone_for(low.pitch_class) if low is not None else None
    return tone.degree if tone is not None else 1


def _low(span: ChordSpan) -> int:
    low = span.chord.lowest
    return low.pitch_class if low is not None else -1


def _step(one: int, two: int) -> int:
    """1 or -1 for a step up or down between two pitch classes, else 0."""
    apart = (two - one) % 12
    return 1 if apart in (1, 2) else -1 if apart in (10, 11) else 0


def _without_passing(tune: Tune, spans: Sequence[ChordSpan]) -> list[ChordSpan]:
    """The spans with those that only pass given to the chord before."""
    kept: list[ChordSpan] = []
    for index, span in enumerate(spans):
        after = spans[index + 1] if index + 1 < len(spans) else None
        if kept and after is not None and _passes(tune, kept[-1], span, after):
            kept[-1] = replace(kept[-1], length=span.end - kept[-1].onset)
        else:
            kept.append(span)
    return kept


def _passes(tune: Tune, before: ChordSpan, span: ChordSpan, after: ChordSpan) -> bool:
    """The bass walks through a short chord on a weak place: an inversion between two of one root, or a six-four."""
    bar = tune.bars[tune.bar_at(span.onset)]
    beat = bar.time.beat if bar.time.beats else Fraction(1)
    if span.length > beat or strength(bar, span.onset) >= 2 or span.chord.root is None:
        return False
    come, go = _step(_low(before), _low(span)), _step(_low(span), _low(after))
    between = _root(before) == _root(after) and _root(before) is not None and _root(span) != _root(before)
    inverted = _part(span) != 1 or span.chord.kind.startswith(("diminished", "half"))
    return bool(come and go) and ((between and inverted) or (_part(span) == 5 and come == go))


def _ruling(tune: Tune, spans: Sequence[ChordSpan], units: Sequence[Place]) -> list[ChordSpan]:
    """One chord for each unit: the longest there, an earlier and stronger one before a later."""
    found: list[ChordSpan] = []
    place = 0
    for start, end in units:
        while place + 1 < len(spans) and spans[place].end <= start:
            place += 1
        best, most = None, Fraction(-1)
        for span in spans[place:]:
            if span.onset >= end:
                break
            onset = max(span.onset, start)
            weight = (min(span.end, end) - onset) * (4 + Fraction(strength(tune.bars[tune.bar_at(onset)], onset)))
            if span.chord.root is not None and weight > most:
                best, most = span, weight
        chosen = best or spans[place]
        found.append(replace(chosen, onset=start, length=end - start))
    return _joined(found)


def _joined(spans: Sequence[ChordSpan]) -> list[ChordSpan]:
    found: list[ChordSpan] = []
    for span in spans:
        if found and found[-1].chord == span.chord:
            found[-1] = replace(found[-1], length=span.end - found[-1].onset)
        else:
            found.append(span)
    return found


def _cadences(spans: Sequence[ChordSpan], unit: Unit) -> list[ChordSpan]:
    """A cadential six-four becomes its dominant's sus4, or the dominant itself with a chord a bar (R21)."""
    found: list[ChordSpan] = []
    after_sixfour = False
    for index, span in enumerate(spans):
        following = spans[index + 1] if index + 1 < len(spans) else None
        root = span.chord.root
        if following is not None and root is not None and _sixfour(span, following) and span.chord.bass is not None:
            kind = "suspended-fourth" if unit == "beat" else "major"
            found.append(_renamed(span, Chord(span.chord.bass, kind)))
            after_sixfour = True
        elif after_sixfour and span.chord.kind == "dominant":
            found.append(_renamed(span, Chord(root)))
            after_sixfour = False
        else:
            found.append(span)
            after_sixfour = False
    return _joined(found)


def _renamed(span: ChordSpan, chord: Chord) -> ChordSpan:
    """The span with another chord and that chord's numeral."""
    return span if chord == span.chord else replace(span, chord=chord, numeral=numeral(chord, span.key, None))


def _sixfour(span: ChordSpan, following: ChordSpan) -> bool:
    goes = _root(following) == _low(span) and following.chord.kind in ("major", "dominant")
    return span.chord.kind in ("major", "minor") and _part(span) == 5 and goes and _part(following) == 1


def _basses(spans: Sequence[ChordSpan]) -> list[tuple[ChordSpan, Chord]]:
    """The chords with their slash bass where the bass walks by step to it and on, else in root position."""
    found = []
    for index, span in enumerate(spans):
        chord = span.chord
        if chord.bass is not None and not chord.text:
            before = spans[index - 1] if index else None
            after = spans[index + 1] if index + 1 < len(spans) else None
            comes = before is not None and _step(_low(before), _low(span)) != 0
            goes = after is not None and _step(_low(span), _low(after)) != 0
            own = chord.tone_for(chord.bass.pitch_class) is not None
            if own and not (comes and goes) and not (goes and before is not None and _root(before) == _root(span)):
                chord = replace(chord, bass=None)
        found.append((span, chord))
    return found


def _spelled(chord: Chord, key: Key) -> Chord:
    """Root and bass spelled near their key, if they stand far from it on the line of fifths."""
    middle = key.fifths + (2 if key.mode == "major" else 3)

    def near(name: PitchName | None) -> PitchName | None:
        return name if name is None or abs(name.fifths - middle) <= 7 else name_near(name.pitch_class, middle)

    return replace(chord, root=near(chord.root), bass=near(chord.bass)) if not chord.text else chord


def _quarrels(tune: Tune, full: Sequence[ChordSpan], thinned: Sequence[ChordSpan]) -> list[Finding]:
    """Beats on which the two readings hold notes a semitone apart, each pair of chords once."""
    found = []
    last: tuple[ChordSpan, ChordSpan] | None = None
    for start, _ in _units(tune, "beat"):
        mine = next((span for span in full if span.onset <= start < span.end), None)
        theirs = next((span for span in thinned if span.onset <= start < span.end), None)
        if mine is None or theirs is None or (mine, theirs) == last:
            continue
        pair = _semitone(mine.chord, theirs.chord)
        if pair is None:
            continue
        last = (mine, theirs)
        bar = tune.bars[tune.bar_at(start)]
        found.append(
            finding(
                "two-readings", section="", bar=bar.number, beat=str(bar.beat_of(start)), start=start,
                full=symbol(mine.chord), thin=symbol(theirs.chord), one=pair[0], two=pair[1],
            )
        )  # fmt: skip
    return found


def _semitone(full: Chord, thinned: Chord) -> tuple[PitchName, PitchName] | None:
    """A note of each that the other lacks, a semitone apart."""
    mine, theirs = _notes(full), _notes(thinned)
    for one, name in mine.items():
        for two, other in theirs.items():
            if (one - two) % 12 in (1, 11) and one not in theirs and two not in mine:
                return name, other
    return None


def _notes(chord: Chord) -> dict[int, PitchName]:
    """What is held by pitch class: the tones and the bass."""
    low = (chord.lowest,) if chord.lowest is not None else ()
    return {name.pitch_class: name for name in (*low, *(tone.name for tone in chord.tones()))}
