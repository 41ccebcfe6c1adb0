"""Between the sections and beside the print: gaps, introductions, interludes, last verses (R18, R22, R23).

Conventions: what follows a section is given with it; how the whole sounds is a `Performance`.
References: a musician's judgement, common practice, no source; D5 as the top of a congregation's range and
E flat 5 as its utmost: trade practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.rules.case import Case
from undersong.arranging.rules.voices import parallel
from undersong.model.accompaniment import Accompaniment
from undersong.model.finding import Finding
from undersong.model.performance import PaceMark
from undersong.playing.check import HeldKey, held_keys
from undersong.textures.ground import WalkedChord, chord_at, chords_in

SHORTEST_LIFT_SECONDS, LONGEST_LIFT_SECONDS = 1.0, 1.8
TOLERANCE_SECONDS = 0.02
HIGHEST_SUNG = 75
OPENING_NOTES = 3
"""So many notes of a tune and people begin to sing."""


# --- R18 -------------------------------------------------------------------------------------------


def gap(case: Case) -> Iterator[Finding]:
    """The gap after a section is no whole number of beats, its lift too short or long, or unlike the others."""
    performance, following = case.performance, case.following
    if performance is None or following is None:
        return
    marks = performance.paces
    at = next((index for index, mark in enumerate(marks) if mark.section == case.section.id), len(marks))
    if at + 1 >= len(marks) or marks[at + 1].section != following.id:
        return
    mark, after = marks[at], marks[at + 1]
    lift = _lift(case, after)
    if not SHORTEST_LIFT_SECONDS - TOLERANCE_SECONDS <= lift <= LONGEST_LIFT_SECONDS + TOLERANCE_SECONDS:
        yield case.tell("gap", case.section.length, what=f"the lift lasts {lift:.1f} s, not 1.0 to 1.8")
    beat = max(case.section.bars[-1].time.beat, case.section.pace.beat)
    down = mark.at_seconds + mark.quarter_seconds * float(_pickup(case.section))
    next_down = after.at_seconds + after.quarter_seconds * float(_pickup(following))
    beats = (next_down - down) / (mark.quarter_seconds * float(beat))
    if abs(beats - round(beats)) > TOLERANCE_SECONDS:
        yield case.tell("gap", case.section.length, what="the next downbeat does not fall on a beat")
    alike = [other for other in marks[1:] if other.quarter_seconds == after.quarter_seconds == mark.quarter_seconds]
    if alike and abs(_lift(case, alike[0]) - lift) > TOLERANCE_SECONDS:
        yield case.tell("gap", case.section.length, what="the lift is not that after the first section")


def _lift(case: Case, after: PaceMark) -> float:
    """Seconds of silence before a section."""
    assert case.performance is not None
    ends = [note.off_seconds for note in case.performance.notes if note.on_seconds < after.at_seconds]
    begins = [note.on_seconds for note in case.performance.notes if note.on_seconds >= after.at_seconds]
    return min(begins, default=after.at_seconds) - max(ends, default=0.0)


def _pickup(section: Accompaniment) -> Fraction:
    return section.bars[0].length if section.bars[0].pickup else Fraction(0)


# --- R22 -------------------------------------------------------------------------------------------


def _last(case: Case) -> tuple[WalkedChord | None, list[HeldKey]]:
    """The last chord of a section and the keys that end it."""
    one = case.chords[-1] if case.chords else None
    return one, [key for key in case.keys if key.end == max(other.end for other in case.keys)]


def _tune(section: Accompaniment) -> list[HeldKey]:
    return [key for key in held_keys(section.notes) if key.part == "tune"]


def introduction(case: Case) -> Iterator[Finding]:
    """An introduction ends on the tonic in root position, and the first sung note is heard in its last chord."""
    if case.section.kind != "introduction" or not case.keys:
        return
    one, ending = _last(case)
    following = case.following or case.section
    tonic = following.key.tonic.pitch_class
    lowest = min(ending, key=lambda key: key.midi)
    if one is None or one.chord.root is None or one.chord.root.pitch_class != tonic or lowest.midi % 12 != tonic:
        yield case.tell(
            "introduction", case.section.length, lowest, what="it does not end on the tonic in root position"
        )
    sung = _tune(following) if case.following is not None else []
    if sung and not any(key.midi % 12 == sung[0].midi % 12 for key in ending):
        what = f"the first sung note, {sung[0].pitch}, is not in its last chord"
        yield case.tell("introduction", case.section.length, what=what)
    yield from _join(case, ending, "introduction")


def interlude(case: Case) -> Iterator[Finding]:
    """An interlude fills groups of bars, does not begin as the tune does, ends on the dominant of what follows."""
    if case.section.kind != "interlude" or not case.keys:
        return
    section, following = case.section, case.following
    bars = section.length / section.bars[-1].time.bar_length if section.bars[-1].time.beats else Fraction(2)
    if bars % 2:
        yield case.tell("interlude", Fraction(0), what=f"it fills {bars} bars, not groups of two or four")
    one, ending = _last(case)
    key = following.key if following is not None else section.key
    dominant = (key.tonic.pitch_class + 7) % 12
    if one is None or one.chord.root is None or one.chord.root.pitch_class != dominant:
        yield case.tell("interlude", section.length, what="it does not end on the dominant")
    if following is None:
        return
    sung = _tune(following)
    mine = [key.midi for key in _tops(case)][:OPENING_NOTES]
    if len(sung) >= OPENING_NOTES and mine == [key.midi for key in sung[:OPENING_NOTES]]:
        yield case.tell("interlude", Fraction(0), what="it begins as the tune does: people would sing")
    if following.key != section.bars[0].key:
        stands = Fraction(0)
        for chord in reversed(case.chords):
            if chord.chord.root is None or chord.chord.root.pitch_class != dominant:
                break
            stands += chord.end - chord.start
        if stands < 2 * section.bars[-1].time.beat:
            yield case.tell("interlude", section.length, what="the new key's dominant stands less than two beats")
        top = max(sung, key=lambda key: key.midi, default=None)
        if top is not None and top.midi > HIGHEST_SUNG:
            yield case.tell("interlude", section.length, what=f"in the new key the tune goes up to {top.pitch}")
    yield from _join(case, ending, "interlude")


def _tops(case: Case) -> list[HeldKey]:
    """The highest key struck at each onset."""
    found: dict[Fraction, HeldKey] = {}
    for key in case.keys:
        if key.start not in found or key.midi > found[key.start].midi:
            found[key.start] = key
    return [found[start] for start in sorted(found)]


def _join(case: Case, ending: list[HeldKey], kind: str) -> Iterator[Finding]:
    """Outer voices into the next section, judged like any progression."""
    if case.following is None:
        return
    keys = held_keys(case.following.notes)
    first = [key.midi for key in keys if key.start == min(other.start for other in keys)]
    last = [key.midi for key in ending]
    if len(set(first)) < 2 or len(set(last)) < 2:
        return
    interval = parallel((min(last), max(last)), (min(first), max(first)))
    if interval:
        yield case.tell(kind, case.section.length, what=f"its outer voices join the next section in {interval}")


# --- R23 -------------------------------------------------------------------------------------------


def last_verse(case: Case) -> Iterator[Finding]:
    """A verse with harmony of its own: known at both ends, a chord a beat at most, and really different."""
    verse = case.verse
    own = verse is not None and case.section.kind == "verse" and case.chords is not verse.chords
    if verse is None or not own or case.lowered or case.section.tune == "bass" or not case.chords or not verse.chords:
        return
    mine, theirs = case.chords, verse.chords
    bar = case.section.bars[1 if case.section.bars[0].pickup and len(case.section.bars) > 1 else 0]
    if [one.chord for one in chords_in(mine, Fraction(0), bar.end)] != [
        one.chord for one in chords_in(theirs, Fraction(0), bar.end)
    ]:
        yield case.tell("last-verse", Fraction(0), what="its first bar is not as printed")
    if [one.chord.root for one in mine[-2:]] != [one.chord.root for one in theirs[-2:]]:
        yield case.tell("last-verse", mine[-1].start, what="its last cadence is not the printed one")
    beats = frozenset(case.beats)
    off = next((one for one in mine if one.start not in beats and chord_at(theirs, one.start) is not None
                and not any(other.start == one.start for other in theirs)), None)  # fmt: skip
    if off is not None:
        yield case.tell("last-verse", off.start, what="it has more than a chord a beat")
    yield from _contrary(case)
    yield from _treated(case, beats)
    changed, strong, applied = _difference(case)
    if (strong and 3 * changed < strong) or applied < 2:
        what = f"it hardly differs from the print: {changed} of {strong} strong beats, {applied} applied dominants"
        yield case.tell("last-verse", Fraction(0), what=f"{what} or chromatic steps of the bass")


def _at(keys: tuple[HeldKey, ...], start: Fraction) -> HeldKey | None:
    return next((key for key in keys if key.start <= start < key.end), None)


def _contrary(case: Case) -> Iterator[Finding]:
    """Where tune and bass both move, they mostly move against one another."""
    moves = [
        (two.midi - one.midi) * (high_after.midi - high.midi)
        for one, two in pairwise(case.bass)
        if (high := _at(case.tune, one.start)) is not None and (high_after := _at(case.tune, two.start)) is not None
    ]
    moves = [move for move in moves if move]
    against = sum(move < 0 for move in moves)
    if moves and 2 * against <= len(moves):
        what = f"its bass moves against the tune in {against} of {len(moves)} steps"
        yield case.tell("last-verse", Fraction(0), what=what)


def _treated(case: Case, beats: frozenset[Fraction]) -> Iterator[Finding]:
    """Each tune note on a beat belongs to its chord, or is reached and left as a dissonance is."""
    for index, key in enumerate(case.tune):
        one = chord_at(case.chords, key.start)
        if key.start not in beats or one is None or one.chord.root is None:
            continue
        if key.midi % 12 in one.chord.pitch_classes:
            continue
        after = case.tune[index + 1].midi - key.midi if index + 1 < len(case.tune) else 0
        before = key.midi - case.tune[index - 1].midi if index else 12
        if not 1 <= abs(after) <= 2 or abs(before) > 2:
            what = f"the tune's {key.pitch} is a dissonance that goes nowhere"
            yield case.tell("last-verse", key.start, key, what=what)


def _difference(case: Case) -> tuple[int, int, int]:
    """Strong beats with another chord or bass than printed, strong beats, applied dominants and chromatic steps."""
    assert case.verse is not None
    theirs = case.verse.chords
    changed = strong = applied = 0
    for bar in case.section.bars:
        if bar.pickup:
            continue
        middle = bar.start + bar.length / 2 if bar.time.beats in (4, 12, 6) else bar.start
        for place in dict.fromkeys((bar.start, middle)):
            one, two = chord_at(case.chords, place), chord_at(theirs, place)
            if one is None or two is None:
                continue
            strong += 1
            changed += one.chord.root != two.chord.root or one.chord.lowest != two.chord.lowest
    scale = {one.chord.root for one in theirs}
    for one, after in pairwise(case.chords):
        root, goal = one.chord.root, after.chord.root
        third = one.chord.third
        if root is None or goal is None or third is None:
            continue
        low, low_after = one.chord.lowest, after.chord.lowest
        falls = (root.pitch_class - goal.pitch_class) % 12 == 7 and goal.pitch_class != one.key.tonic.pitch_class
        major = (third.name.pitch_class - root.pitch_class) % 12 == 4 and (root not in scale or one.chord.seventh)
        chromatic = low is not None and low_after is not None and low.step == low_after.step and low != low_after
        applied += bool((falls and major) or chromatic)
    return changed, strong, applied
