"""Voices: the parts that are heard in a figure, the bass under it, and a tune that lies low (R3, R4, R9 to R13).

References: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from itertools import combinations, pairwise

from undersong.arranging.rules.case import MOVING, Case, Group, begun_in, overlapping
from undersong.arranging.walked import merged
from undersong.model.finding import Finding
from undersong.model.kept import begun_at, order
from undersong.model.symbol import symbol
from undersong.playing.check import HeldKey, slices
from undersong.textures.ground import WalkedChord, chord_at, chords_in
from undersong.textures.places import PLACES
from undersong.textures.units import leading_notes, sevenths, suspended

LOWEST_BASS, HIGHEST_BASS = 40, 60
MOST_HELD = 4
MIDDLE_C = 60


def parallel(one: tuple[int, int], two: tuple[int, int]) -> str:
    """`fifths` or `octaves`, where two voices (pairs of keys) move in them from one to two; else ""."""
    before, now = one[1] - one[0], two[1] - two[0]
    if one[0] == two[0] or one[1] == two[1] or before * now < 0:
        return ""
    size = abs(before) % 12
    if size not in (0, 7) or abs(now) % 12 != size:
        return ""
    return "fifths" if size else "octaves"


# --- R3 and R4: a tune below its place --------------------------------------------------------------


def lowered_parallels(case: Case) -> Iterator[Finding]:
    """Under or over a lowered tune a part of ours moves with it in fifths or octaves; a breath ends it."""
    if not case.lowered:
        return
    for before, after in pairwise(case.groups):
        if after.start in case.breaks or after.tune is None or before.end != after.start:
            continue
        pairs = _same_levels(before, after)
        tunes = {tune.midi for tune in (before.tune, before.tune_last) if tune is not None}
        for level, following in pairs:
            for tune in tunes:
                interval = parallel((tune, level), (after.tune.midi, following))
                if interval:
                    yield case.tell(
                        "lowered-tune-parallels", after.start, after.tune, interval=interval,
                        pitch=case.written(following, after.start), tune=after.tune.pitch,
                    )  # fmt: skip
                    break


def _same_levels(before: Group, after: Group) -> list[tuple[int, int]]:
    """The levels of two groups as voices: all of them where both are struck at once, else the outer ones."""
    one, two = before.levels, after.levels
    if not one or not two:
        return []
    if len(one) == len(two) and max(len(before.onsets), len(after.onsets)) == 1:
        return list(zip(one, two, strict=True))
    return list(dict.fromkeys([(one[0], two[0]), (one[-1], two[-1])]))


def six_four_under_tune(case: Case) -> Iterator[Finding]:
    """The tune is the lowest part and is the chord's fifth, neither passing by step nor before its dominant."""
    for start, lowest, one, index in _tune_lowest(case):
        fifth = one.chord.fifth
        if fifth is None or lowest.midi % 12 != fifth.name.pitch_class or one.chord.root is None:
            continue
        chords = [other for other in case.chords if other.start > one.start][:1]
        root = chords[0].chord.root if chords else None
        cadential = root is not None and root.pitch_class == lowest.midi % 12 and chords[0].start not in case.breaks
        if not cadential and not _passing(case.tune, index):
            yield case.tell("six-four-under-tune", start, lowest, pitch=lowest.pitch, symbol=symbol(one.chord))


def _tune_lowest(case: Case) -> Iterator[tuple[Fraction, HeldKey, WalkedChord, int]]:
    """Places on a beat where a chord or a tune note begins and the tune sounds lowest of three parts or more."""
    beats = frozenset(case.beats)
    places = {key.id: index for index, key in enumerate(case.tune)}
    begun = {one.start for one in case.chords} | {key.start for key in case.tune}
    for start, down, one, _, _ in case.slices:
        if min(down, key=lambda key: key.midi).part != "tune" or start < case.pickup_end:
            continue
        if start not in beats or start not in begun or len({key.midi % 12 for key in down}) < 3:
            continue
        lowest = min(down, key=case.sounds)
        if lowest.part == "tune":
            yield start, lowest, one, places[lowest.id]


def _passing(keys: tuple[HeldKey, ...], index: int) -> bool:
    """The key is reached and left by step the same way."""
    if not 0 < index < len(keys) - 1:
        return False
    come, go = keys[index].midi - keys[index - 1].midi, keys[index + 1].midi - keys[index].midi
    return come * go > 0 and abs(come) <= 2 and abs(go) <= 2


def weak_close(case: Case) -> Iterator[Finding]:
    """The tune is the lowest part and closes a line from the second degree to the first."""
    lowest = {key.id for _, key, _, _ in _tune_lowest(case)}
    for line, _ in case.endings:
        sung = begun_in(case.tune, line.start, line.end)[-2:]
        one = chord_at(case.chords, sung[-1].start) if sung else None
        if len(sung) < 2 or one is None or not all(key.id in lowest for key in sung):
            continue
        tonic = one.key.tonic.pitch_class
        if sung[-1].midi % 12 == tonic and sung[0].midi - sung[1].midi in (1, 2):
            yield case.tell("weak-close", sung[-1].start, *sung)


def sixteen_foot_tune(case: Case) -> Iterator[Finding]:
    """The feet have the tune and a 16' stop, and it is not the bass itself."""
    place = PLACES.get(case.section.tune)
    if place is not None and place.own_harmony:
        return
    feet = next((key for key in case.tune if key.limb not in ("right hand", "left hand")), None)
    if feet is not None and 16 in case.stops_of(feet.division, "pedal"):
        yield case.tell("sixteen-foot-tune", feet.start, feet)


# --- R9: feet and left hand ------------------------------------------------------------------------


def parallels(case: Case) -> Iterator[Finding]:
    """Perfect fifths and octaves in parallel between the figure's outer levels, the tune and the feet."""
    if not case.figure:
        return
    starts = {line.start for line in case.lines}
    for before, after in pairwise(case.groups):
        if after.start in starts or not (before.long and after.long):
            continue
        now = dict(_voices(case, after))
        for (first, a), (second, b) in combinations(_voices(case, before), 2):
            pair = {first, second}
            if not pair <= now.keys() or pair == {"tune", "bass"} or ("tune" in pair and case.lowered):
                continue
            interval = parallel((a, b), (now[first], now[second]))
            if interval:
                yield case.tell(
                    "parallels", after.start, *(key for key in (after.tune, after.bass) if key is not None),
                    interval=interval, voices=f"{first} and {second}",
                )  # fmt: skip


def _voices(case: Case, group: Group) -> list[tuple[str, int]]:
    """What is heard as voices where a group begins, by name."""
    found = [("tune", case.sounds(group.tune))] if group.tune is not None else []
    found += [("bass", group.bass.midi)] if group.bass is not None else []
    if group.levels:
        found.append(("lowest of the figure", group.levels[0]))
    if len(group.levels) > 1:
        found.append(("highest of the figure", group.levels[-1]))
    return found


def root_doubled(case: Case) -> Iterator[Finding]:
    """A group of a moving figure begins on the note of the feet, below middle C."""
    if case.section.texture not in MOVING:
        return
    for group in case.groups:
        first = [key for key in group.figure if key.start == group.start]
        if not first or group.bass is None or not group.long:
            continue
        lowest = min(first, key=lambda key: key.midi)
        if lowest.midi < MIDDLE_C and (lowest.midi - group.bass.midi) % 12 == 0:
            yield case.tell("root-doubled", group.start, lowest, pitch=lowest.pitch)


# --- R10: number of voices --------------------------------------------------------------------------


def left_hand_silent(case: Case) -> Iterator[Finding]:
    """Under a figure the left hand is silent for a chord of a beat or more, pickups and rests apart.

    It has the figure, or under a descant the tune or an inner part.
    """
    for one, sounding in case.over_chords if case.figure else ():
        if not case.is_long(one) or one.chord.root is None or one.start < case.pickup_end:
            continue
        if not any(key.id in case.figure_ids or (key.limb == "left hand" and key.part != "bass") for key in sounding):
            yield case.tell("left-hand-silent", one.start, symbol=symbol(one.chord))


def voices_vary(case: Case) -> Iterator[Finding]:
    """Within a line the figure has two voices more or less than it mostly has."""
    ends = {line.start: last for line, last in case.endings}
    by_line: dict[Fraction, list[Group]] = {}
    for group in case.groups:
        line = case.line_of(group.start)
        if group.long and group.figure and case.pickup_end <= group.start < ends.get(line.start, line.end):
            by_line.setdefault(line.start, []).append(group)
    for groups in by_line.values():
        counts = [(group, _voice_count(group)) for group in groups]
        usual = Counter(count for _, count in counts).most_common(1)[0][0]
        odd = next(((group, count) for group, count in counts if abs(count - usual) > 1), None)
        # In a broken figure more notes are another position, not more voices.
        if odd is not None and (odd[1] < usual or _chordal(odd[0])):
            yield case.tell("voices-vary", odd[0].start, odd[0].figure[0], count=odd[1], usual=usual)


def _chordal(group: Group) -> bool:
    """Each strike is of several keys."""
    return all(count > 1 for count in Counter(key.start for key in group.figure).values())


def _voice_count(group: Group) -> int:
    """The keys of a strike where all are struck together, else the keys of the group."""
    if _chordal(group):
        return max(Counter(key.start for key in group.figure).values())
    return len(group.levels)


def too_many_held(case: Case) -> Iterator[Finding]:
    """A figure over held notes keeps more than four keys down."""
    if case.section.texture != "held":
        return
    for start, down in slices(case.figure):
        if len({key.midi for key in down}) > MOST_HELD:
            yield case.tell("too-many-held", start, *down, count=len(down))


def held_into_change(case: Case) -> Iterator[Finding]:
    """A key of the figure is held on into a chord to which it is foreign."""
    for key in case.figure:
        for one in chords_in(case.chords, key.start, key.end)[1:]:
            name = key.midi % 12
            own = one.chord.root is None or name in one.chord.pitch_classes or one.chord.lowest is None
            carried = any(held.name == name for held in suspended(case.suspensions, one.start, key.end))
            if not own and not carried and name != one.chord.lowest.pitch_class:  # type: ignore[union-attr]
                yield case.tell("held-into-change", one.start, key, pitch=key.pitch, symbol=symbol(one.chord))
                break


def accent_lost(case: Case) -> Iterator[Finding]:
    """A strummed chord after the first of its bar is longer than the first."""
    if case.section.texture != "strummed":
        return
    endings = [(last, line.end) for line, last in case.endings]
    for bar in case.section.bars:
        struck: dict[Fraction, Fraction] = {}
        for key in begun_in(case.figure, bar.start, bar.end):
            if not any(last <= key.start < end for last, end in endings):
                struck[key.start] = max(struck.get(key.start, Fraction(0)), key.end - key.start)
        if bar.start not in struck or bar.pickup:
            continue
        one = chord_at(case.chords, bar.start)
        for start, length in sorted(struck.items()):
            if start > bar.start and length > struck[bar.start] and one is not None and start < one.end:
                yield case.tell("accent-lost", start)
                break


# --- R11 and R12: the bass --------------------------------------------------------------------------


def bass_parallels(case: Case) -> Iterator[Finding]:
    """A bass from symbols moves by step with the tune in octaves or fifths."""
    for before, after in pairwise(case.own_bass):
        if after.start in case.breaks or before.end != after.start or not 0 < abs(after.midi - before.midi) <= 2:
            continue
        at, last = begun_at(case.tune, after.start) - 1, begun_at(case.tune, before.end - Fraction(1, 1024)) - 1
        chords = chords_in(case.chords, before.start, after.start + Fraction(1, 1024))
        slash = any(one.chord.bass is not None for one in chords)
        if min(at, last) < 0 or slash or case.tune[at].end <= after.start:
            continue
        tune, following = case.tune[last].midi, case.tune[at].midi
        same_way = (following - tune) * (after.midi - before.midi) > 0
        sizes = {(tune - before.midi) % 12, (following - after.midi) % 12}
        if same_way and sizes in ({0}, {7}):
            interval = "fifths" if sizes == {7} else "octaves"
            yield case.tell("bass-parallels", after.start, after, interval=interval)


def bass_line(case: Case) -> Iterator[Finding]:
    """A bass from symbols leaves what a bass does: roots at both ends, sixths by leave, closes by fourth or fifth."""
    keys = case.own_bass
    for index, key in enumerate(keys):
        one = chord_at(case.chords, key.start)
        joined = index and keys[index - 1].end == key.start and key.start not in case.breaks
        before = keys[index - 1] if joined else None
        for what in _bass_faults(case, key, one, before):
            yield case.tell("bass-line", key.start, key, what=what)
        leap = key.midi - before.midi if before is not None else 0
        if before is not None and index > 1 and keys[index - 2].end == before.start:
            earlier = before.midi - keys[index - 2].midi
            if leap * earlier > 0 and min(abs(leap), abs(earlier)) > 2 and abs(leap + earlier) > 12:
                yield case.tell("bass-line", key.start, key, what="two leaps the same way add to more than an octave")
    for line, _ in case.endings if keys else ():
        yield from _bass_ends(case, line.start, line.end)


def _bass_faults(case: Case, key: HeldKey, one: WalkedChord | None, before: HeldKey | None) -> Iterator[str]:
    lowered = case.section.tune in PLACES and PLACES[case.section.tune].sounds < 0
    if not LOWEST_BASS - 4 * lowered <= key.midi <= HIGHEST_BASS:
        yield f"{key.pitch} lies outside E2 to C4"
    if before is not None and abs(key.midi - before.midi) in (10, 11):
        yield "it leaps a seventh"
    if one is None or one.chord.root is None or one.chord.bass is not None:
        return
    fifth = one.chord.fifth
    inside = key.start > one.start
    at_bar = key.start == case.section.bar_at(key.start).start
    same_chord = inside and before is not None and before.start >= one.start
    if fifth is not None and key.midi % 12 == fifth.name.pitch_class and not (same_chord and at_bar):
        yield f"a six-four under {symbol(one.chord)}"
    elif key.midi % 12 not in one.chord.pitch_classes and not inside:
        yield f"{key.pitch} is foreign to {symbol(one.chord)}"


def _bass_ends(case: Case, start: Fraction, end: Fraction) -> Iterator[Finding]:
    """A line begins and ends on the root, and closes by fourth or fifth where the roots fall so.

    A pickup may lead to the root of the bar line, and under a tune that closes on the fifth the bass may come by step:
    root after root would go in octaves or fifths with the tune.
    """
    inside = begun_in(case.own_bass, start, end)
    for key in dict.fromkeys([*inside[:1], *inside[-1:]]):
        one = chord_at(case.chords, key.start)
        if one is None or one.chord.root is None or one.chord.bass is not None:
            continue
        if key is inside[0] and _in_pickup(case, key, start):
            continue
        if key.midi % 12 != one.chord.root.pitch_class:
            what = "the line begins" if key is inside[0] else "the line ends"
            yield case.tell("bass-line", key.start, key, what=f"{what} without the root of {symbol(one.chord)}")
    chords = [one for one in chords_in(case.chords, start, end) if one.chord.root is not None][-2:]
    if len(inside) > 1 and len(chords) > 1 and all(one.chord.bass is None for one in chords):
        first, last = (one.chord.root.pitch_class for one in chords if one.chord.root is not None)
        leap = abs(inside[-1].midi - inside[-2].midi)
        sung = next((key for key in case.tune if key.end > inside[-1].start), None)
        if sung is not None and (sung.midi - last) % 12 == 7:
            return
        if (first - last) % 12 == 7 and inside[-1].start == chords[1].start and leap not in (5, 7):
            yield case.tell("bass-line", inside[-1].start, inside[-1], what="the close goes not by fourth or fifth")


def _in_pickup(case: Case, key: HeldKey, start: Fraction) -> bool:
    """Whether a key lies before the first bar line of a line, half a bar from its beginning at most."""
    end = case.section.bar_at(start).end
    return key.start < end < case.section.length and end - start <= case.section.bar_at(end).length / 2


def pedal_point_struck(case: Case) -> Iterator[Finding]:
    """A bass common to successive chords over a slash is struck again."""
    if case.pulsed_feet:
        return
    for before, after in pairwise(case.own_bass):
        if before.midi != after.midi or before.end != after.start or after.start in case.breaks:
            continue
        one, two = chord_at(case.chords, before.start), chord_at(case.chords, after.start)
        if one is None or two is None or one is two or two.start != after.start:
            continue
        if one.chord.bass is not None or two.chord.bass is not None:
            yield case.tell("pedal-point-struck", after.start, before, after, pitch=after.pitch)


def pedal_point_ends(case: Case) -> Iterator[Finding]:
    """A bass held under several chords ends on a six-four that does not go to its dominant."""
    for before, after in pairwise(case.own_bass):
        chords = chords_in(case.chords, before.start, before.end)
        if len(chords) < 2 or after.midi % 12 == before.midi % 12 or after.start != before.end:
            continue
        fifth = chords[-1].chord.fifth
        if fifth is not None and fifth.name.pitch_class == before.midi % 12:
            yield case.tell("pedal-point-ends", chords[-1].start, before, symbol=symbol(chords[-1].chord))


def inner_pedal_struck(case: Case) -> Iterator[Finding]:
    """A key held through three chords or more is struck again before a breath, though it belongs to the next chord."""
    if case.section.texture in MOVING:
        return
    again = {(key.start, key.midi, key.limb): key for key in case.figure}
    for before in case.inner_pedal_points:
        after = again.get((before.end, before.midi, before.limb))
        if after is None or after.start in case.breaks:
            continue
        one, two = chord_at(case.chords, before.end - Fraction(1, 1024)), chord_at(case.chords, after.start)
        falls = one is not None and two is not None and one.chord != two.chord and before.midi % 12 in sevenths(one)
        if two is not None and not falls and after.midi % 12 in two.chord.pitch_classes - leading_notes(two):
            yield case.tell("inner-pedal-struck", after.start, before, after, pitch=after.pitch)


# --- R13: ties --------------------------------------------------------------------------------------


def tie_lost(case: Case) -> Iterator[Finding]:
    """A note that is printed with a tie is struck again before its end."""
    if case.verse is None or case.pulsed_feet:
        return
    for name, pieces in case.verse.voices:
        if not any(piece.tied_to for piece in pieces):
            continue
        tied = [note for note in merged(pieces) if note.end > case.section.bar_at(note.start).end]
        mine = [key for key in case.keys if case.sources[key.id] == name]
        for note, sounding in overlapping(tied, mine):
            for key in sounding:
                if note.start < key.start and (key.midi - note.midi) % 12 == 0:
                    yield case.tell("tie-lost", key.start, key, pitch=key.pitch)


def held_over_breath(case: Case) -> Iterator[Finding]:
    """A key is held over a breath, after which everything is struck."""
    breaths = sorted(case.section.breaths)
    places = [order(breath) for breath in breaths]
    for key in case.keys:
        at = bisect_right(places, order(key.start))
        if at < len(breaths) and breaths[at] < key.end and case.ours(key):
            yield case.tell("held-over-breath", breaths[at], key, pitch=key.pitch)


def tied_into_strong(case: Case) -> Iterator[Finding]:
    """The figure ties a weak beat over the bar line without a dissonance that it prepares.

    Last chords stand, and so does a tone held on purpose through three chords or more (R12).
    """
    ends = {line.start: last for line, last in case.endings}
    on_purpose = set(case.inner_pedal_points)
    for key in case.figure:
        over = case.section.bar_at(key.start).end
        line = case.line_of(key.start)
        if key.end <= over or key.start >= ends.get(line.start, line.end) or key in on_purpose:
            continue
        if not any(held.name == key.midi % 12 for held in suspended(case.suspensions, over, key.end)):
            yield case.tell("tied-into-strong", over, key, pitch=key.pitch)
