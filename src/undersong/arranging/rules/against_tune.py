"""Notes against the tune: what may sound with it, and what not (R1, R2, R5 to R8).

References: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from fractions import Fraction
from math import lcm

from undersong.arranging.rules.case import Case, overlapping
from undersong.model.finding import Finding
from undersong.model.kept import order
from undersong.model.symbol import symbol
from undersong.playing.check import HeldKey
from undersong.textures.ground import chord_at, chords_in
from undersong.textures.places import PLACES
from undersong.textures.units import sevenths, suspended

TWELFTH = 19


# --- R1: thirds and sevenths sound once ------------------------------------------------------------


def leading_note_twice(case: Case) -> Iterator[Finding]:
    """The leading note is doubled, tune, hands and feet counted together."""
    return _twice(case, "leading-note-twice", 3)


def seventh_twice(case: Case) -> Iterator[Finding]:
    """The seventh is doubled."""
    return _twice(case, "seventh-twice", 4)


def _twice(case: Case, kind: str, which: int) -> Iterator[Finding]:
    told = set()
    for piece in case.slices:
        names: frozenset[int] = piece[which]  # type: ignore[assignment]
        for name in names:
            same = [key for key in piece[1] if key.midi % 12 == name]
            if len(same) > 1 and len({key.midi for key in same}) > 1 and any(key.id in case.figure_ids for key in same):
                ids = tuple(key.id for key in same)
                if ids not in told:
                    told.add(ids)
                    yield case.tell(kind, piece[0], *same, pitch=same[0].pitch)


def third_missing(case: Case) -> Iterator[Finding]:
    """A chord of a beat or more lacks its third, and the tune does not clash with it throughout."""
    if not case.figure:
        return
    for one, sounding in case.over_chords:
        third = one.chord.third
        if third is None or not case.is_long(one):
            continue
        name = third.name.pitch_class
        clash = any((key.midi - name) % 12 in (1, 11) and key.part == "tune" for key in sounding)
        clash = clash or any(name == held.resolution for held in suspended(case.suspensions, one.start, one.end))
        if not clash and sounding and not any(key.midi % 12 == name for key in sounding):
            yield case.tell("third-missing", one.start, symbol=symbol(one.chord))


def seventh_unresolved(case: Case) -> Iterator[Finding]:
    """A seventh of ours neither falls by step in its own octave nor stays, though the next chord would let it.

    Where tune or bass bring the note of resolution it is left to them: thirds sound once.
    """
    own = case.figure_ids | {key.id for key in case.own_bass}
    for (one, down), (after, next_down) in zip(case.over_chords, case.over_chords[1:], strict=False):
        names = sevenths(one)
        if not names or not case.is_long(one) or after.start in case.breaks or after.chord.root is None:
            continue
        if after.chord.root == one.chord.root or not case.is_long(after):
            continue
        for name in names:
            tones = after.chord.pitch_classes
            targets = {step for step in (1, 2) if (name - step) % 12 in tones}
            carried = any(held.name == name for held in suspended(case.suspensions, after.start, after.end))
            taken = {key.midi % 12 for key in next_down if key.id not in case.figure_ids}
            if name in tones or carried or not targets or any((name - step) % 12 in taken for step in targets):
                continue
            for midi in sorted({key.midi for key in down if key.id in own and key.midi % 12 == name}):
                if not any(key.midi in (midi - 1, midi - 2) for key in next_down):
                    same = next(key for key in down if key.id in own and key.midi == midi)
                    yield case.tell("seventh-unresolved", after.start, same, pitch=same.pitch)


# --- R2: the semitone under the tune ----------------------------------------------------------------


def semitone_under_tune(case: Case) -> Iterator[Finding]:
    """A chord tone of the figure sounds a semitone below a tune note that is struck on a beat and foreign to it."""
    beats = frozenset(case.beats)
    sharp = [key for key in case.tune if key.start in beats]
    for tune, figure in overlapping(sharp, case.figure):
        for key in figure:
            if (tune.midi - key.midi) % 12 != 1:
                continue
            both = chords_in(case.chords, max(key.start, tune.start), min(key.end, tune.end))
            if any(
                key.midi % 12 in one.chord.pitch_classes and tune.midi % 12 not in one.chord.pitch_classes
                for one in both
            ):
                start = max(key.start, tune.start)
                yield case.tell("semitone-under-tune", start, key, tune, pitch=key.pitch, tune=tune.pitch)


# --- R5: suspensions keep their place ---------------------------------------------------------------


def suspension_lost(case: Case) -> Iterator[Finding]:
    """A suspension printed in alto or tenor, or written in the symbols, does not sound while it is held."""
    printed = case.verse.suspensions if case.verse is not None else ()
    inner = [key for key in case.keys if key.part not in ("tune", "bass")]  # the figure, or parts of the print
    for held in [one for one in printed if one.inner] if case.figure else ():
        if not any(key.midi % 12 == held.name for key in _during(inner, held.start, held.end)):
            yield case.tell("suspension-lost", held.start, pitch=case.named(held.name, held.start))
    for held in case.written_suspensions if case.figure else ():
        if not any(key.midi % 12 == held.name for key in _during(case.keys, held.start, held.end)):
            yield case.tell("suspension-lost", held.start, pitch=case.named(held.name, held.start))


def resolution_early(case: Case) -> Iterator[Finding]:
    """The note of resolution sounds in hands or feet while its suspension is held.

    A ninth over its root may resolve to the octave of the bass: there the bass is no fault.
    """
    ours = sorted([*case.figure, *case.own_bass], key=lambda key: float(key.start))
    for held in case.suspensions:
        for key in _during(ours, held.start, held.end):
            one = chord_at(case.chords, max(key.start, held.start))
            low = one.chord.lowest if one is not None else None
            ninth = key.part == "bass" and low is not None and low.pitch_class == held.resolution
            if key.midi % 12 == held.resolution and not ninth:
                start = max(key.start, held.start)
                over = case.named(held.name, held.start)
                yield case.tell("resolution-early", start, key, pitch=key.pitch, suspended=over)
                break


def suspension_moved(case: Case) -> Iterator[Finding]:
    """The figure leaves a suspension in one octave and resolves it in another."""
    for held in case.suspensions:
        if not held.inner or held.end in case.breaks:
            continue
        before = [key for key in _during(case.figure, held.start, held.end) if key.midi % 12 == held.name]
        after = _during(case.figure, held.end, held.end + case.beat_at(held.end))
        resolved = [key for key in after if key.midi % 12 == held.resolution]
        if before and resolved and not any(_resolves(one, two) for one in before for two in resolved):
            yield case.tell(
                "suspension-moved", held.end, resolved[0], pitch=before[-1].pitch,
                resolution=resolved[0].pitch,
            )  # fmt: skip


def _resolves(one: HeldKey, two: HeldKey) -> bool:
    return abs(one.midi - two.midi) in (1, 2)


def _during(keys: tuple[HeldKey, ...] | list[HeldKey], start: Fraction, end: Fraction) -> list[HeldKey]:
    """The keys (by start) that sound anywhere in [start, end)."""
    first, last = order(start), order(end)
    return [key for key in keys if order(key.start) < last and order(key.end) > first]


# --- R6: the tonic in the dominant -----------------------------------------------------------------


def tonic_in_dominant(case: Case) -> Iterator[Finding]:
    """The figure sounds the tonic, foreign to the chord, while the leading note stands in the dominant."""
    told = set()
    for start, down, one, leading, _ in case.slices:
        for name in leading:
            if not any(key.midi % 12 == name for key in down) or (name + 1) % 12 in one.chord.pitch_classes:
                continue
            for key in down:
                if key.midi % 12 == (name + 1) % 12 and key.id in case.figure_ids and key.id not in told:
                    if any(held.name == key.midi % 12 for held in suspended(case.suspensions, start, key.end)):
                        continue
                    told.add(key.id)
                    yield case.tell("tonic-in-dominant", start, key, pitch=key.pitch)


# --- R7: cross-rhythm ------------------------------------------------------------------------------


def cross_rhythm(case: Case) -> Iterator[Finding]:
    """In one beat tune and figure divide it so that neither grid holds the other: three against two or four."""
    told = set()
    beats = case.beats
    tune = _divisions(beats, case.tune, case)
    figure = _divisions(beats, case.figure, case)
    for beat, theirs in tune.items():
        ours = figure.get(beat, 1)
        if ours % theirs and theirs % ours:
            bar = case.section.bar_at(beat)
            if bar.start not in told and bar.time.beats:
                told.add(bar.start)
                yield case.tell("cross-rhythm", beat, tune=theirs, figure=ours)


def _divisions(beats: tuple[Fraction, ...], keys: tuple[HeldKey, ...], case: Case) -> dict[Fraction, int]:
    """For each beat with a strike inside it: into how many equal parts its strikes divide it."""
    on = frozenset(beats)
    found: dict[Fraction, int] = {}
    for key in keys:
        if key.start in on:
            continue
        at = bisect_left(beats, key.start) - 1
        if at >= 0:
            beat = beats[at]
            inside = (key.start - beat) / case.beat_at(beat)
            found[beat] = lcm(found.get(beat, 1), inside.denominator)
    return found


# --- R8: hole and cover ----------------------------------------------------------------------------


def hole(case: Case) -> Iterator[Finding]:
    """Under a solo an octave up nothing sounds within a twelfth of it for a beat or more."""
    place = PLACES.get(case.section.tune)
    if place is None or place.octaves <= 0:
        return
    others = [key for key in case.keys if key.part != "tune" and key.limb in ("left hand", "right hand")]
    up = {key.division: 12 if 4 in case.stops_of(key.division, "accompaniment") else 0 for key in others}
    for tune, under in overlapping(case.tune, others):
        if not under or tune.end - tune.start < case.beat_at(tune.start):
            continue
        top = max(under, key=lambda key: key.midi + up[key.division])
        if tune.midi - top.midi - up[top.division] > TWELFTH:
            yield case.tell("hole", tune.start, tune, tune=tune.pitch, pitch=top.pitch)


def cover(case: Case) -> Iterator[Finding]:
    """A stop of 4' or 2' makes the accompaniment sound at or above a tune that is soloed at pitch."""
    section = case.section
    place = PLACES.get(section.tune)
    if place is None or place.octaves or section.right == section.left:
        return
    others = [key for key in case.keys if key.part != "tune" and key.division == section.left]
    up = max((12 if feet == 4 else 24 for feet in case.stops_of(section.left, "accompaniment") & {4, 2}), default=0)
    for tune, down in overlapping(case.tune, others) if up else ():
        over = [key for key in down if key.midi + up >= tune.midi]
        if over:
            top = max(over, key=lambda key: key.midi)
            yield case.tell("solo-covered", tune.start, tune, tune=tune.pitch, pitch=top.pitch.octaves_up(up // 12))
            return
