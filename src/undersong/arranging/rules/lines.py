"""Pulse and lines: what keeps people together, and how lines and verses end (R14 to R17, R19).

References: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from undersong.arranging.rules.case import MOVING, Case, Group, begun_in
from undersong.model.finding import Finding
from undersong.playing.check import HeldKey
from undersong.textures.ground import chord_at
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES

ANSWERING = ("strummed", "bass-and-chord")
"""Textures whose chords repeat by nature."""


# --- R14 -------------------------------------------------------------------------------------------


def missing_beats(case: Case) -> tuple[Fraction, ...]:
    """The beats to be struck that neither hand nor foot strikes; the tune does not count."""
    struck = {key.start for key in case.keys if key.part != "tune"}
    return tuple(beat for beat in case.counted_beats if beat not in struck)


def beat_not_struck(case: Case) -> Iterator[Finding]:
    """A beat of a moving texture that neither hands nor feet strike."""
    if case.section.texture in MOVING:
        for beat in missing_beats(case):
            yield case.tell("beat-not-struck", beat)


def chord_hammered(case: Case) -> Iterator[Finding]:
    """The same full chord is struck more than twice in a bar while the harmony stays."""
    if case.section.texture in ANSWERING:
        return
    struck: dict[Fraction, set[int]] = {}
    for key in case.figure:
        struck.setdefault(key.start, set()).add(key.midi)
    last: tuple[object, ...] = ()
    count = 0
    for start, keys in sorted(struck.items()):
        one = chord_at(case.chords, start)
        mark = (case.section.bar_at(start), case.line_of(start), one, frozenset(keys))
        count = count + 1 if mark == last and len(keys) > 2 else 1
        last = mark
        if count == 3:
            yield case.tell("chord-hammered", start)


# --- R15 -------------------------------------------------------------------------------------------


def hemiola_broken(case: Case) -> Iterator[Finding]:
    """Where the music goes in three halves, a chord or the feet of ours strike the bar line between, or these miss one.

    Single notes of a running figure are no accent.
    """
    for hemiola in case.hemiolas:
        over = [key for key in (*case.figure, *case.own_bass) if key.start == hemiola.crossed]
        feet = {key.start for key in case.own_bass}
        missed = [place for place in hemiola.places if feet and place not in feet]
        runs = case.section.texture in TEXTURES and TEXTURES[case.section.texture].blurs
        struck = len(over) > runs or any(key in case.own_bass for key in over)
        if struck or missed:
            yield case.tell("hemiola-broken", hemiola.crossed if struck else missed[0], *over[:1])


# --- R16 -------------------------------------------------------------------------------------------


def ending_struck_twice(case: Case) -> Iterator[Finding]:
    """The last chord of a line, of one or two beats, is struck more than once."""
    for line, last in case.endings:
        if line.end == case.section.length or line.end - last > 2 * case.beat_at(last):
            continue
        struck = begun_in(case.figure, last, line.end)
        again = [key for key in struck if key.start > last and key.start not in case.resolutions]
        if again:
            yield case.tell("ending-struck-twice", again[0].start, again[0])


def ending_silent(case: Case) -> Iterator[Finding]:
    """Inside a verse the last chord of a line stands three beats or more, and nothing keeps the beat to the lift."""
    if not case.figure:
        return
    struck = {key.start for key in case.keys if key.part != "tune"}
    for line, last in case.endings:
        beat = case.beat_at(last)
        if line.end == case.section.length or line.end - last < 3 * beat or not case.section.bar_at(last).time.beats:
            continue
        silent = [place for place in case.beats if last < place < line.end - beat and place not in struck]
        if silent:
            yield case.tell("ending-silent", silent[0])


def not_lifted(case: Case) -> Iterator[Finding]:
    """A line ends inside the verse without a breath, and a part of ours goes on over it."""
    for line in case.lines[:-1]:
        if line.end in case.section.breaths:
            continue
        over = next((key for key in case.keys if key.start < line.end < key.end and case.ours(key)), None)
        if over is not None:
            yield case.tell("not-lifted", line.end, over, pitch=over.pitch)


# --- R17 -------------------------------------------------------------------------------------------


def figure_dropped(case: Case) -> Iterator[Finding]:
    """Inside a line of a moving texture the figure stands still for a group and goes on after it."""
    if case.section.texture not in MOVING:
        return
    ends = {line.start: last for line, last in case.endings}
    by_line: dict[Fraction, list[Group]] = {}
    for group in case.groups:
        line = case.line_of(group.start)
        if group.long and group.figure and case.pickup_end <= group.start < ends.get(line.start, line.end):
            by_line.setdefault(line.start, []).append(group)
    for groups in by_line.values():
        for group in groups:
            length = group.end - group.start
            still = group.onsets == {group.start} and all(key.end >= group.end for key in group.figure)
            moving = any(len(other.onsets) > 1 and other.end - other.start <= length for other in groups)
            if still and moving:
                yield case.tell("figure-dropped", group.start, *group.figure[:1])


# --- R19 -------------------------------------------------------------------------------------------


def final_chord(case: Case) -> Iterator[Finding]:
    """The last chord of a verse: root lowest, nothing foreign, tune on top, the figure at rest, all off together."""
    if case.section.kind != "verse" or not case.endings or not case.chords:
        return
    _, last = case.endings[-1]
    end = case.section.length
    one = case.chords[-1]
    standing = [key for key in case.keys if key.end > last and key.start < end]
    ours = [key for key in standing if case.ours(key) and key.part != "tune"]
    if not ours or one.chord.root is None or case.section.texture == "drone":
        return
    for what, keys in _final_faults(case, last, standing, ours):
        yield case.tell("final-chord", last, *keys, what=what)


def _final_faults(
    case: Case, last: Fraction, standing: list[HeldKey], ours: list[HeldKey]
) -> Iterator[tuple[str, list[HeldKey]]]:
    one = case.chords[-1]
    lowest = min(standing, key=case.sounds)
    root = one.chord.root
    assert root is not None
    ours = [key for key in ours if key.end not in case.resolutions]  # a suspension over the last chord
    if one.chord.bass is None and case.ours(lowest) and lowest.midi % 12 != root.pitch_class:
        yield "its root is not the lowest note", [lowest]
    foreign = [key for key in ours if key.midi % 12 not in one.chord.pitch_classes and key.part != "octave"]
    foreign = [key for key in foreign if one.chord.lowest is None or key.midi % 12 != one.chord.lowest.pitch_class]
    if foreign:
        yield f"{foreign[0].pitch} does not belong to it", foreign[:1]
    place = PLACES.get(case.section.tune)
    tune = [case.sounds(key) for key in standing if key.part == "tune"]
    above = [key for key in ours if tune and key.midi > tune[-1]]
    if above and (place is None or not place.above) and case.section.tune != "bass":
        yield f"{above[0].pitch} lies above the tune", above[:1]
    moving = [key for key in case.figure if key.start > last and key.start not in case.resolutions]
    if moving:
        yield "the figure does not come to rest", moving[:1]
    again = {(key.part, key.start) for key in standing}
    end = max(key.end for key in standing)
    early = [key for key in ours if key.end < end and key.start <= last and (key.part, key.end) not in again]
    if early and not moving:
        yield f"{early[0].pitch} is off before the others", early[:1]
