"""From exact lengths to what stands on paper: note values, voices, stems, beams, accidentals, clefs, systems.

The musical problem: a laid-out section knows keys and exact lengths. A page needs more: five quavers are no
note value and must be tied; a held key under a moving figure needs a voice of its own; a sharp holds to the
bar line and deserves a reminder after it; quavers are beamed so that the beat can be seen.

Conventions: three staves, counted 0 right hand, 1 left hand, 2 pedal. Places in a bar are quarter notes from
where the full bar would begin (a pickup of a crotchet in 3/4 lies at 2). A piece is one written value: a note
that needs two pieces keeps its id for the first and adds `.2`, `.3` for the others. The second notehead of a
unison has the id of its key with `.u`.

References: values, beams and rests after common practice (no source); accidentals as in common practice, that
is to the bar line and in their own octave only; courtesy accidentals and clef after the page rules P4; systems
by the line of text after P3. Accidental, beam and value names are those of W3C MusicXML 4.0.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import groupby, pairwise
from typing import Literal

from undersong.errors import CannotWrite
from undersong.model.accompaniment import Accompaniment, PlacedBar, PlayedNote
from undersong.model.pitch import Key, Pitch
from undersong.model.time import Time
from undersong.model.tune import show_beat

RIGHT, LEFT, PEDAL = 0, 1, 2
STAFF = {"right hand": RIGHT, "left hand": LEFT, "right foot": PEDAL, "left foot": PEDAL, "feet": PEDAL}
STAFF_NAMES = ("right hand", "left hand", "feet")

TYPES = {
    Fraction(8): "breve", Fraction(4): "whole", Fraction(2): "half", Fraction(1): "quarter",
    Fraction(1, 2): "eighth", Fraction(1, 4): "16th", Fraction(1, 8): "32nd", Fraction(1, 16): "64th",
}  # fmt: skip
"""Undotted values by their length in quarter notes (MusicXML `note-type-value`)."""

FLAGS = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4}
"""How many beams a value carries."""

STEMLESS = {"whole", "breve"}

TUPLETS = {1: (1, 1), 3: (3, 2), 5: (5, 4), 7: (7, 4), 9: (9, 8)}
"""So many in the time of so many, by the odd part of the denominators at both ends of a note."""

ACCIDENTALS = {
    -3: "triple-flat", -2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp", 3: "triple-sharp",
}  # fmt: skip

Clef = Literal["treble", "bass"]
CLEF_LINES: dict[Clef, tuple[int, int]] = {"treble": (30, 38), "bass": (18, 26)}
"""Lowest and highest line of the staff, in staff places counted from C0 (treble E4 to F5, bass G2 to A3)."""
Clefs = tuple[tuple[Fraction, Clef], ...]
"""Clefs of a staff, each with the place where it begins."""
ANOTHER_CLEF = 60
"""What a change of clef must save, as much as fifteen notes with two ledger lines weigh (assumed)."""

MOST_VOICES = 3
"""More voices than this on one staff cannot be read; the notes are then cut into tied chords (assumed)."""

SYSTEM_BARS, SYSTEM_COLUMNS = 5, 34
"""At most so many bars, and places where something is struck, in a system: about 180 mm of a 7 mm staff (assumed)."""

SHORT_BARS = 4
"""Two lines that have no more bars than this together share a system."""


@dataclass(frozen=True, slots=True)
class Value:
    """A written value: MusicXML type, dots, and so many in the time of so many."""

    type: str
    dots: int = 0
    actual: int = 1
    normal: int = 1


@dataclass(frozen=True, slots=True)
class Head:
    """One notehead. `doubled` marks the second head of a unison; `tie_from` and `tie_to` say where ties lead."""

    note: PlayedNote
    id: str = ""
    tie_from: bool = False
    tie_to: bool = False
    accidental: str = ""
    courtesy: bool = False
    doubled: bool = False

    @property
    def part(self) -> str:
        """The part the head stands for: the sharing voice for the second head of a unison."""
        return self.note.shared[0] if self.doubled else self.note.part


@dataclass(frozen=True, slots=True)
class Piece:
    """One written value at a place of the section; no heads is a rest, which a later voice keeps invisible.

    `value` is None for a rest of a whole bar (readers stretch such a rest to the time signature, so a pickup or
    short last bar has ordinary rests). `first` and `last` tell whether a note begins and ends with it.
    """

    start: Fraction
    length: Fraction
    value: Value | None
    heads: tuple[Head, ...] = ()
    first: bool = True
    last: bool = True
    stem: Literal["", "up", "down"] = ""
    beams: tuple[str, ...] = ()
    tuplet: Literal["", "start", "stop"] = ""
    visible: bool = True

    @property
    def end(self) -> Fraction:
        """Where it ends in the section."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class WrittenVoice:
    """One voice of a staff in one bar; its pieces fill the bar. `number` counts from 1 within the staff."""

    number: int
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class WrittenBar:
    """A bar with the voices of its three staves."""

    bar: PlacedBar
    staves: tuple[tuple[WrittenVoice, ...], ...]


@dataclass(frozen=True, slots=True)
class WrittenSection:
    """A section as it stands on paper: clefs of the three staves, bars, and bars (by index) that begin a system."""

    section: Accompaniment
    clefs: tuple[Clefs, Clefs, Clefs]
    bars: tuple[WrittenBar, ...]
    systems: tuple[int, ...]


def write_out(section: Accompaniment) -> WrittenSection:
    """Set a section out on three staves; CannotWrite with the place where a length has no written value."""
    by_bar = _notes_by_bar(section)
    start = section.bars[0].start
    clefs: tuple[Clefs, Clefs, Clefs] = (((start, "treble"),), left_clefs(section), ((start, "bass"),))
    bars = tuple(
        WrittenBar(
            bar,
            tuple(
                _set_staff(bar, [note for note in by_bar[index] if STAFF[note.limb] == staff], staff, clefs[staff])
                for staff in range(3)
            ),
        )
        for index, bar in enumerate(section.bars)
    )
    return WrittenSection(section, clefs, with_accidentals(bars), system_starts(section))


def _notes_by_bar(section: Accompaniment) -> list[list[PlayedNote]]:
    indexes = {bar.start: index for index, bar in enumerate(section.bars)}
    found: list[list[PlayedNote]] = [[] for _ in section.bars]
    for note in sorted(section.notes, key=lambda one: (float(one.start), one.pitch.midi, one.id)):
        bar = section.bar_at(note.start)
        if note.start < bar.start or note.end > bar.end or note.length <= 0:
            raise CannotWrite(
                f"{note.pitch} does not lie inside its bar",
                place=place_in(bar, note.start, note.part),
                remedy="This is a fault of the program: please report it.",
            )
        if note.pitch.alter not in ACCIDENTALS:
            raise CannotWrite(
                f"{note.pitch} has no accidental",
                place=place_in(bar, note.start, note.part),
                remedy="Choose another key to transpose to.",
            )
        found[indexes[bar.start]].append(note)
    return found


def place_in(bar: PlacedBar, start: Fraction, what: str = "") -> str:
    """`bar 7, beat 3, tenor`."""
    return f"bar {bar.number}, beat {show_beat(bar.beat_of(start))}" + (f", {what}" if what else "")


# -- values ------------------------------------------------------------------------------------------------------


def _odd_part(number: int) -> int:
    while number % 2 == 0:
        number //= 2
    return number


@cache
def _value_between(start: Fraction, end: Fraction) -> Value | None:
    """The single value from one place to another, or None."""
    ratio = TUPLETS.get(_odd_part(math.lcm(start.denominator, end.denominator)))
    if ratio is None:
        return None
    actual, normal = ratio
    written = (end - start) * actual / normal
    if written in TYPES:
        return Value(TYPES[written], 0, actual, normal)
    if written * 2 / 3 in TYPES:
        return Value(TYPES[written * 2 / 3], 1, actual, normal)
    return None


def _printed_value(start: Fraction, end: Fraction) -> Value | None:
    """The same with two dots too, which a page may print but this program does not choose."""
    value = _value_between(start, end)
    if value is None and (end - start) * 4 / 7 in TYPES:
        value = Value(TYPES[(end - start) * 4 / 7], 2)
    return value


def pulse(time: Time) -> Fraction:
    """What must stay visible: the dotted beat in compound time, else the beat or a crotchet if that is shorter."""
    return time.beat if time.compound else min(time.beat, Fraction(1))


def _middle(time: Time) -> Fraction | None:
    """The middle of a bar of two halves or four beats."""
    if not time.compound and (time.beats == 4 or (time.beats, time.unit) == (2, 2)):
        return time.bar_length / 2
    return None


def _may_stand(start: Fraction, end: Fraction, time: Time, *, rest: bool) -> bool:
    """Whether one value from `start` to `end` leaves the beat visible."""
    value, beat, length = _value_between(start, end), pulse(time), end - start
    if value is None:
        return False
    inside = start // beat == math.ceil(end / beat) - 1
    if value.actual > 1:
        return inside or (not value.dots and start % length == 0)
    if time.compound:
        return inside or (start % beat == 0 and length % beat == 0 and (not rest or start % length == 0))
    if rest:
        fits = length <= max(beat, time.beat) or time.beats in (2, 4)
        return not value.dots and start % length == 0 and fits
    if inside or start % beat == 0:
        return True
    middle = _middle(time)
    if middle is not None and start < middle < end:
        return False
    return end % beat == 0 if value.dots else start % (length / 2) == 0


def _weakness(place: Fraction, time: Time) -> int:
    """How little a place is fit for a tie: 0 the middle of the bar, 1 a beat, 2 and more between beats."""
    if place == _middle(time):
        return 0
    beat, depth = pulse(time), 1
    while place % beat and depth < 8:
        beat, depth = beat / 2, depth + 1
    return depth


@cache
def split(start: Fraction, length: Fraction, time: Time, *, rest: bool = False) -> tuple[Fraction, ...]:
    """Lengths of the written values that fill `length` from a place in the bar: fewest, tied where the beat shows.

    Between equals the longer value comes first if the note begins on a beat, else the shorter. An empty tuple
    means that no values fit (a denominator with an unknown odd part, or a value under a 64th).
    """
    end = start + length
    if _may_stand(start, end, time, rest=rest):
        return (length,)
    grid = math.lcm(start.denominator, end.denominator, pulse(time).denominator, 2)
    places = [start + Fraction(step, grid) for step in range(int(length * grid) + 1)]
    best: dict[Fraction, tuple[int, int, tuple[Fraction, ...]]] = {end: (0, 0, ())}
    for here in reversed(places[:-1]):
        ways = []
        for there in places:
            if there > here and there in best and _may_stand(here, there, time, rest=rest):
                count, weak, lengths = best[there]
                weak += 0 if there == end else _weakness(there, time)
                ways.append((count + 1, weak, (there - here, *lengths)))
        if ways:
            sign = 1 if here % pulse(time) else -1
            best[here] = min(ways, key=lambda way: (way[0], way[1], sign * way[2][0]))
    return best[start][2] if start in best else ()


def _split_in(bar: PlacedBar, start: Fraction, length: Fraction, what: str, *, rest: bool) -> tuple[Fraction, ...]:
    lengths = split(_place(bar, start), length, bar.time, rest=rest)
    if not lengths:
        raise CannotWrite(
            f"a length of {length} quarter notes has no written value",
            place=place_in(bar, start, what),
            remedy="Correct the length of this note in the hymn's file.",
        )
    return lengths


def _place(bar: PlacedBar, start: Fraction) -> Fraction:
    inside = start - bar.start
    return inside + bar.time.bar_length - bar.length if bar.pickup and bar.time.beats else inside


def _value_in(bar: PlacedBar, start: Fraction, length: Fraction) -> Value:
    place = _place(bar, start)
    value = _printed_value(place, place + length)
    assert value is not None, "split yields written values only"
    return value


# -- voices ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Event:
    """Heads that begin and end together, lowest first."""

    start: Fraction
    length: Fraction
    heads: tuple[Head, ...]

    @property
    def end(self) -> Fraction:
        return self.start + self.length

    @property
    def parts(self) -> set[str]:
        return {head.part for head in self.heads}


def _chords(heads: Iterable[Head]) -> list[_Event]:
    """Heads of the same start and length as chords; two heads on one key stay apart."""
    found: dict[tuple[Fraction, Fraction, int], list[Head]] = {}
    for head in heads:
        copy = 0
        place = (head.note.start, head.note.length)
        while any(one.note.pitch.midi == head.note.pitch.midi for one in found.get((*place, copy), ())):
            copy += 1
        found.setdefault((*place, copy), []).append(head)
    return [
        _Event(start, length, tuple(sorted(chord, key=lambda one: (one.note.pitch.diatonic, one.note.pitch.midi))))
        for (start, length, _), chord in sorted(found.items(), key=lambda item: item[0])
    ]


def _stepwise(events: Sequence[_Event]) -> list[_Event]:
    """A standing chord of one part that some of its notes leave early, as tied chords cut where they leave.

    Else such a note, with stem and value of its own inside the chord and silence after it, reads as a missing beat.
    Where the part strikes anything before the chord ends, a voice moves under or over held notes: that stays.
    """
    found: dict[tuple[Fraction, frozenset[str]], list[_Event]] = {}
    for event in events:
        found.setdefault((event.start, frozenset(event.parts)), []).append(event)
    done = []
    for (start, parts), group in found.items():
        edges = sorted({start, *(event.end for event in group)})
        keys = [head.note.pitch.midi for event in group for head in event.heads]
        moves = any(start < other.start < edges[-1] and other.parts & parts for other in events)
        if len(parts) > 1 or len(group) == 1 or moves or len(set(keys)) < len(keys):
            done.extend(group)
            continue
        for here, there in pairwise(edges):
            heads = (head for event in group if event.end >= there for head in event.heads)
            chord = tuple(sorted(heads, key=lambda head: (head.note.pitch.diatonic, head.note.pitch.midi)))
            done.append(_Event(here, there - here, chord))
    return done


def _tracks(events: Iterable[_Event]) -> list[list[_Event]]:
    """As few voices as hold the events without overlap, a part staying where it was if it can."""
    tracks: list[list[_Event]] = []
    for event in sorted(events, key=lambda one: (one.start, -one.heads[-1].note.pitch.midi)):
        free = [track for track in tracks if track[-1].end <= event.start]
        if not free:
            tracks.append([event])
            continue
        max(free, key=lambda track: len(track[-1].parts & event.parts)).append(event)
    return sorted(tracks, key=_height, reverse=True)


def _height(track: Sequence[_Event]) -> float:
    keys = [head.note.pitch.midi for event in track for head in event.heads]
    return sum(keys) / len(keys)


def _accompanying(heads: Sequence[Head], *, under_tune: bool) -> list[list[_Event]]:
    """Voices of notes that are not the tune: chords where they move together, else a voice for each part.

    Under the tune all stems go down, so that what begins and ends together stays one chord also in a bar where
    parts differ elsewhere; alone on a staff, two parts that differ have stems of their own throughout the bar.
    """
    tracks = _tracks(_stepwise(_chords(heads)))
    if under_tune:
        return tracks
    parts: dict[str, list[Head]] = {}
    for head in heads:
        parts.setdefault(head.part, []).append(head)
    if len(tracks) > 1 and len(parts) <= MOST_VOICES:
        single = [_tracks(_chords(part)) for part in parts.values()]
        if all(len(voices) == 1 for voices in single):
            tracks = sorted((voices[0] for voices in single), key=_height, reverse=True)
    return tracks


def _sliced(heads: Sequence[Head]) -> list[list[_Event]]:
    """Everything in one voice, cut into tied chords wherever something begins or ends."""
    places = sorted({head.note.start for head in heads} | {head.note.end for head in heads})
    events = []
    for here, there in pairwise(places):
        held = {head.note.pitch.midi: head for head in heads if head.note.start <= here and head.note.end >= there}
        if held:
            chord = tuple(sorted(held.values(), key=lambda head: (head.note.pitch.diatonic, head.note.pitch.midi)))
            events.append(_Event(here, there - here, chord))
    return [events]


def _dot_in_the_way(tracks: Sequence[Sequence[_Event]]) -> bool:
    """Whether a dotted note and a shorter one a second away begin together: its head would stand on the dot."""
    events = [event for track in tracks for event in track]
    return any(
        one.start == other.start
        and one.length > other.length
        and one.length.numerator % 3 == 0
        and any(
            abs(long.note.pitch.diatonic - short.note.pitch.diatonic) == 1
            for long in one.heads
            for short in other.heads
        )
        for one in events
        for other in events
    )


def _voices(notes: Sequence[PlayedNote]) -> list[list[_Event]]:
    """The tune first, then what accompanies it, from high to low."""
    heads = [Head(note) for note in notes]
    heads += [Head(note, doubled=True) for note in notes if note.shared]
    tune = [head for head in heads if head.part == "tune" and not head.doubled]
    others = [head for head in heads if head not in tune]
    together = _tracks(_chords(heads))
    if len(together) == 1 and all(len(event.parts) == 1 or "tune" not in event.parts for event in together[0]):
        return together  # a hand that has the tune by turns with another part needs one voice
    upper = _tracks(_chords(tune))
    accompanying = _accompanying(others, under_tune=bool(tune))
    tracks = [*upper, *(_sliced(others) if _dot_in_the_way(accompanying) else accompanying)]
    if len(tracks) <= MOST_VOICES:
        return tracks
    return [*upper, *_sliced(others)] if len(upper) == 1 else _sliced(heads)


# -- pieces ------------------------------------------------------------------------------------------------------


def _set_staff(bar: PlacedBar, notes: Sequence[PlayedNote], staff: int, clefs: Clefs) -> tuple[WrittenVoice, ...]:
    if not notes:
        return (WrittenVoice(1, _silence(bar, staff)),)
    tracks, used = _voices(notes), Counter[str]()
    voices = []
    for index, track in enumerate(tracks):
        others = [event for one in tracks[1:] for event in one]
        covers = () if any("tune" in event.parts for event in track) else others
        pieces = list(_pieces(bar, track, used, staff, rests=index == 0, covers=covers))
        pieces = _with_beams(bar, _with_tuplets(bar, pieces))
        direction: Literal["", "up", "down"] = "" if len(tracks) == 1 else "down" if index else "up"
        voices.append(WrittenVoice(index + 1, tuple(_with_stems(pieces, direction, clefs))))
    return tuple(voices)


def _silence(bar: PlacedBar, staff: int) -> tuple[Piece, ...]:
    whole = bar.length == bar.time.bar_length or not bar.time.beats
    return (
        (Piece(bar.start, bar.length, None),) if whole else tuple(_rests(bar, bar.start, bar.end, staff, visible=True))
    )


def set_voices(
    bar: PlacedBar, voices: Sequence[Sequence[PlayedNote]], staff: int, clefs: Clefs
) -> tuple[WrittenVoice, ...]:
    """A staff of a printed page: one voice for each line of notes, from high to low, every value as it was printed.

    A note keeps its one value even where it hides the beat; only a length that no value has is tied. A voice
    without notes in the bar has a rest. Voices of later lines (from the third) show no rests.
    """
    used, found = Counter[str](), []
    for index, notes in enumerate(voices):
        if notes:
            track = [_Event(note.start, note.length, (Head(note),)) for note in notes]
            pieces = list(_pieces(bar, track, used, staff, rests=index < 2, printed=True))
        else:
            pieces = list(_silence(bar, staff)) if index < 2 else []
        pieces = _with_beams(bar, _with_tuplets(bar, pieces))
        direction: Literal["", "up", "down"] = "" if len(voices) == 1 else "down" if index % 2 else "up"
        found.append(WrittenVoice(index + 1, tuple(_with_stems(pieces, direction, clefs))))
    return tuple(found)


def _pieces(
    bar: PlacedBar,
    track: Sequence[_Event],
    used: Counter[str],
    staff: int,
    *,
    rests: bool,
    printed: bool = False,
    covers: Sequence[_Event] = (),
) -> Iterator[Piece]:
    """A voice's notes and rests; a rest over notes in `covers` only fills and is not seen."""

    def silence(start: Fraction, end: Fraction) -> Iterator[Piece]:
        edges = {place for event in covers for place in (event.start, event.end) if start < place < end}
        for here, there in pairwise(sorted({start, end} | edges)):
            covered = any(event.start <= here and there <= event.end for event in covers)
            yield from _rests(bar, here, there, staff, visible=rests and not covered)

    here = bar.start
    for event in track:
        yield from silence(here, event.start)
        yield from _notes(bar, event, used, printed=printed)
        here = event.end
    yield from silence(here, bar.end)


def _rests(bar: PlacedBar, start: Fraction, end: Fraction, staff: int, *, visible: bool) -> Iterator[Piece]:
    if end > start:
        for length in _split_in(bar, start, end - start, f"rest, {STAFF_NAMES[staff]}", rest=True):
            yield Piece(start, length, _value_in(bar, start, length), visible=visible)
            start += length


def _notes(bar: PlacedBar, event: _Event, used: Counter[str], *, printed: bool = False) -> Iterator[Piece]:
    start = event.start
    place = _place(bar, start)
    lengths: tuple[Fraction, ...] = (event.length,)
    if not (printed and _printed_value(place, place + event.length)):
        lengths = _split_in(bar, event.start, event.length, event.heads[-1].part, rest=False)
    for length in lengths:
        heads = []
        for head in event.heads:
            note, name = head.note, xml_id(head.note.id) + (".u" if head.doubled else "")
            used[name] += 1
            heads.append(
                replace(
                    head,
                    id=name if used[name] == 1 else f"{name}.{used[name]}",
                    tie_from=start > note.start or note.tie in ("stop", "both"),
                    tie_to=start + length < note.end or note.tie in ("start", "both"),
                )
            )
        first = any(start == head.note.start for head in heads)
        last = any(start + length == head.note.end for head in heads)
        yield Piece(start, length, _value_in(bar, start, length), tuple(heads), first, last)
        start += length


def xml_id(name: str) -> str:
    """A note's id as XML allows it: letters, digits, dots, hyphens, not beginning with a digit."""
    plain = re.sub(r"[^A-Za-z0-9_.\-]", "-", name)
    return plain if re.match(r"[A-Za-z_]", plain) else f"n{plain}"


def _with_tuplets(bar: PlacedBar, pieces: Sequence[Piece]) -> list[Piece]:
    """Mark where groups of three in the time of two begin and end."""
    marked, begun = list(pieces), False
    for index, piece in enumerate(marked):
        if piece.value is None or piece.value.actual == 1:
            continue
        closes = _odd_part((_place(bar, piece.end)).denominator) == 1
        if not begun:
            marked[index] = replace(piece, tuplet="start")
        elif closes:
            marked[index] = replace(piece, tuplet="stop")
        begun = not closes
    return marked


def _beam_groups(time: Time) -> tuple[Fraction, ...]:
    """Lengths of the groups that are beamed together in a full bar; the last goes on for ever."""
    if time.compound or time.unit < 8 or time.beats == 0:
        return (time.beat,)
    eighth = Fraction(4, time.unit)
    if time.beats <= 3:
        return (time.beats * eighth,)
    pairs, odd = divmod(time.beats, 2)
    return (2 * eighth,) * (pairs - odd) + ((3 * eighth,) if odd else ())


def _beam_group(place: Fraction, time: Time) -> int:
    groups, index = _beam_groups(time), 0
    while place >= groups[min(index, len(groups) - 1)]:
        place -= groups[min(index, len(groups) - 1)]
        index += 1
    return index


def _with_beams(bar: PlacedBar, pieces: Sequence[Piece]) -> list[Piece]:
    """Beam neighbouring quavers and shorter notes of one beat; rests break a beam."""
    runs: list[list[int]] = []
    previous: tuple[int, int] | None = None
    for index, piece in enumerate(pieces):
        if not piece.heads or piece.value is None or piece.value.type not in FLAGS:
            continue
        here = (index, _beam_group(_place(bar, piece.start), bar.time))
        if previous is not None and previous == (index - 1, here[1]):
            runs[-1].append(index)
        else:
            runs.append([index])
        previous = here
    beamed = list(pieces)
    for run in runs:
        if len(run) > 1:
            for index, beams in zip(run, _beams(bar, [pieces[index] for index in run]), strict=True):
                beamed[index] = replace(pieces[index], beams=beams)
    return beamed


def _flags(piece: Piece) -> int:
    return FLAGS[piece.value.type] if piece.value is not None else 0


def _beams(bar: PlacedBar, run: Sequence[Piece]) -> Iterator[tuple[str, ...]]:
    for index, piece in enumerate(run):
        names = []
        for level in range(1, _flags(piece) + 1):
            before = index > 0 and _flags(run[index - 1]) >= level
            after = index + 1 < len(run) and _flags(run[index + 1]) >= level
            if before or after:
                names.append("continue" if before and after else "end" if before else "begin")
            else:
                leads = index == 0 or (index + 1 < len(run) and _place(bar, piece.start) % (2 * piece.length) == 0)
                names.append("forward hook" if leads else "backward hook")
        yield tuple(names)


def _with_stems(pieces: Sequence[Piece], direction: Literal["", "up", "down"], clefs: Clefs) -> list[Piece]:
    """Give stems: the voice's direction, else away from the middle line, alike under one beam."""
    stemmed, run = list(pieces), list[int]()
    for index, piece in enumerate(pieces):
        if not piece.heads or piece.value is None or piece.value.type in STEMLESS:
            continue
        run.append(index)
        if piece.beams and piece.beams[0] in ("begin", "continue"):
            continue
        low, high = CLEF_LINES[clef_at(clefs, pieces[run[0]].start)]
        places = [head.note.pitch.diatonic - (low + high) // 2 for one in run for head in pieces[one].heads]
        own: Literal["up", "down"] = "up" if max(places) < -min(places) else "down"
        for one in run:
            stemmed[one] = replace(pieces[one], stem=direction or own)
        run = []
    return stemmed


# -- accidentals -------------------------------------------------------------------------------------------------


def key_alter(key: Key, step: str) -> int:
    """What the signature does to a step: 1 for F in G major."""
    sharps = "FCGDAEB"
    whole, rest = divmod(key.fifths, 7)
    return whole + (1 if sharps.index(step) < rest else 0)


@dataclass(slots=True)
class _Accidentals:
    """What the eye remembers of altered steps, for one section."""

    standing: dict[tuple[int, str, int], int]
    """What holds in this bar, by staff, step and octave."""
    by_staff: dict[tuple[int, str], tuple[int, int]]
    """Bar and alteration of the last note, by staff and step."""
    anywhere: dict[str, tuple[int, int]]
    """The same over all staves."""

    def mark(self, head: Head, staff: int, bar: int, key: Key, *, tied_over: bool) -> Head:
        """The head with the accidental it needs, or a courtesy where the eye may go wrong."""
        pitch = head.note.pitch
        place = (staff, pitch.step, pitch.octave)
        needed = courtesy = False
        if not tied_over:
            needed = self.standing.get(place, key_alter(key, pitch.step)) != pitch.alter
            if place not in self.standing:
                seen = (self.by_staff.get((staff, pitch.step)), self.anywhere.get(pitch.step))
                courtesy = not needed and any(one and one[0] >= bar - 1 and one[1] != pitch.alter for one in seen)
            if needed or courtesy:
                self.standing[place] = pitch.alter
        self.by_staff[staff, pitch.step] = self.anywhere[pitch.step] = (bar, pitch.alter)
        if not (needed or courtesy):
            return head
        return replace(head, accidental=ACCIDENTALS[pitch.alter], courtesy=courtesy)


def with_accidentals(bars: Sequence[WrittenBar]) -> tuple[WrittenBar, ...]:
    """The same bars, each head with the accidental it needs or a courtesy."""
    memory = _Accidentals({}, {}, {})
    done = []
    for index, written in enumerate(bars):
        memory.standing = {}
        heads = sorted(
            (piece.start, staff, voice.number, order, head.id)
            for staff, voices in enumerate(written.staves)
            for voice in voices
            for piece in voice.pieces
            for order, head in enumerate(piece.heads)
        )
        found = {head.id: (piece, head) for staff in written.staves for voice in staff for piece in voice.pieces
                 for head in piece.heads}  # fmt: skip
        marked = {}
        for start, staff, _, _, name in heads:
            piece, head = found[name]
            within = piece.start > written.bar.start
            if head.tie_from and within:
                marked[name] = head
                continue
            tied_over = head.tie_from and start == written.bar.start
            marked[name] = memory.mark(head, staff, index, written.bar.key, tied_over=tied_over)
        done.append(
            replace(
                written,
                staves=tuple(
                    tuple(
                        replace(
                            voice,
                            pieces=tuple(
                                replace(piece, heads=tuple(marked[head.id] for head in piece.heads))
                                for piece in voice.pieces
                            ),
                        )
                        for voice in voices
                    )
                    for voices in written.staves
                ),
            )
        )
    return tuple(done)


# -- clef and systems --------------------------------------------------------------------------------------------


def ledger_lines(pitch: Pitch, clef: Clef) -> int:
    """Ledger lines a note needs: C4 one in either clef, A5 one in the treble."""
    low, high = CLEF_LINES[clef]
    return max(0, (low - pitch.diatonic) // 2, (pitch.diatonic - high) // 2)


def clef_at(clefs: Clefs, place: Fraction) -> Clef:
    """The clef that stands at a place."""
    return clefs[max(0, bisect_right(clefs, place, key=lambda one: one[0]) - 1)][1]


def left_clef(notes: Iterable[PlayedNote]) -> Clef:
    """The clef in which the left hand's ledger lines weigh least; bass when they are equal.

    A note weighs the square of its ledger lines: one does no harm, three are hard to read.
    """
    hand = [note.pitch for note in notes if note.limb == "left hand"]
    treble, bass = (_weight(hand, clef) for clef in ("treble", "bass"))
    return "treble" if treble < bass else "bass"


def _weight(pitches: Iterable[Pitch], clef: Clef) -> int:
    return sum(ledger_lines(pitch, clef) ** 2 for pitch in pitches)


def left_clefs(section: Accompaniment) -> Clefs:
    """The left hand's clefs over a section; another one only from a line of text on, and where it saves many (P4)."""
    hand = sorted((note for note in section.notes if note.limb == "left hand"), key=lambda note: note.start)
    places = [section.bars[0].start, *_clef_places(section, hand)]
    found: dict[Clef, tuple[int, tuple[Clef, ...]]] = {"bass": (0, ()), "treble": (0, ())}
    for here, there in pairwise([*places, section.bars[-1].end]):
        pitches = [note.pitch for note in hand if here <= note.start < there]
        found = {
            clef: min(
                (before + ANOTHER_CLEF * (path[-1:] not in ((), (clef,))) + _weight(pitches, clef), (*path, clef))
                for before, path in found.values()
            )
            for clef in CLEF_LINES
        }
    _, best = min(found.values())
    stands = zip(places, best, strict=True)
    return tuple(next(group) for _, group in groupby(stands, key=lambda one: one[1]))


def _clef_places(section: Accompaniment, hand: Sequence[PlayedNote]) -> Iterator[Fraction]:
    """Where a clef may change, line by line: before its bar or, if it begins inside one, before its first note."""
    for line in sorted(section.lines, key=lambda line: line.start):
        first = next((note for note in hand if note.start >= line.start), None)
        if first is None or first.start >= line.end:
            continue
        bar = section.bar_at(first.start).start
        place = bar if bar >= line.start else first.start
        held = any(note.start < place < note.end for note in hand)
        if place > section.bars[0].start and not held:
            yield place


def system_starts(section: Accompaniment) -> tuple[int, ...]:
    """Indexes of the bars that begin a system: at lines of text, long lines halved, two short lines together."""
    starts = sorted({0, *(_nearest_bar(section, line.start) for line in section.lines)})
    struck = _columns(section)
    groups = [list(range(here, there)) for here, there in pairwise([*starts, len(section.bars)]) if there > here]
    systems: list[list[int]] = []
    joined = False
    for group in groups:
        parts = _halved(group, struck)
        if systems and not joined and len(parts) == 1 and _fits([*systems[-1], *group], struck, SHORT_BARS):
            systems[-1].extend(group)
            joined = True
            continue
        systems.extend(parts)
        joined = len(parts) > 1
    return tuple(system[0] for system in systems)


def _nearest_bar(section: Accompaniment, start: Fraction) -> int:
    """The bar at whose beginning a line breaks; an upbeat inside a bar stays on the system before."""
    for index, bar in enumerate(section.bars):
        if bar.start <= start < bar.end:
            upbeat = bar.end - start < start - bar.start or 2 * (start - bar.start) == bar.length
            return min(index + 1, len(section.bars) - 1) if upbeat else index
    return len(section.bars) - 1


def _columns(section: Accompaniment) -> list[int]:
    struck: list[set[Fraction]] = [set() for _ in section.bars]
    indexes = {bar.start: index for index, bar in enumerate(section.bars)}
    for note in section.notes:
        struck[indexes[section.bar_at(note.start).start]].add(note.start)
    return [max(1, len(places)) for places in struck]


def _fits(bars: Sequence[int], struck: Sequence[int], most: int = SYSTEM_BARS) -> bool:
    return len(bars) <= most and sum(struck[bar] for bar in bars) <= SYSTEM_COLUMNS


def _halved(bars: list[int], struck: Sequence[int]) -> list[list[int]]:
    """A line as one system, or as few even systems as hold it."""
    for count in range(1, len(bars) + 1):
        size, more = divmod(len(bars), count)
        parts, here = [], 0
        for part in range(count):
            there = here + size + (1 if part < more else 0)
            parts.append(bars[here:there])
            here = there
        if all(_fits(part, struck) or len(part) == 1 for part in parts):
            return parts
    return [bars]
