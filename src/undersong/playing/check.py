"""Can two hands and two feet play this? The hard checks, on any accompaniment.

Looked at between every two neighbouring onsets: compass of each division, notes and stretch of each
hand, a key wanted while it is held, one note for the feet, notes inside their bars, and the tune
uncovered on its own manual.

Conventions: stretches in 14ths of an octave; keys are MIDI numbers; section time in quarter notes.
References: reach from the player's own profile (scaled finger-pair table, second hand).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from operator import itemgetter

from undersong.model.accompaniment import Accompaniment, PlayedNote
from undersong.model.finding import Finding, finding
from undersong.model.kept import kept, order
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.pitch import Pitch
from undersong.model.player import Player

MOST_NOTES = 5


@dataclass(frozen=True, slots=True)
class HeldKey:
    """A key from press to release, ties merged; `id`, the written pitch and the rest are the first written note's."""

    id: str
    part: str
    start: Fraction
    end: Fraction
    midi: int
    limb: str
    division: str
    pitch: Pitch


@kept(16)
def held_keys(notes: tuple[PlayedNote, ...]) -> tuple[HeldKey, ...]:
    """Written notes as keys held down, ties merged, by start and pitch."""
    keys: list[HeldKey] = []
    open_ties: dict[tuple[str, str, int], int] = {}
    for note in sorted(notes, key=lambda one: (order(one.start), one.pitch.midi, one.part)):
        place = (note.limb, note.part, note.pitch.midi)
        if note.tie in ("stop", "both") and place in open_ties and keys[open_ties[place]].end == note.start:
            at = open_ties[place]
            old = keys[at]
            keys[at] = replace(old, end=note.end)
        else:
            at = len(keys)
            pitch = note.pitch
            keys.append(HeldKey(note.id, note.part, note.start, note.end, pitch.midi, note.limb, note.division, pitch))
        if note.tie in ("start", "both"):
            open_ties[place] = at
        else:
            open_ties.pop(place, None)
    return tuple(keys)


def slices(keys: tuple[HeldKey, ...]) -> Iterator[tuple[Fraction, list[HeldKey]]]:
    """Every onset with the keys that are down just after it."""
    down: list[tuple[float, HeldKey]] = []
    index = 0
    ordered = sorted(((order(key.start), order(key.end), key) for key in keys), key=itemgetter(0))
    while index < len(ordered):
        start, _, first = ordered[index]
        down = [one for one in down if one[0] > start]
        while index < len(ordered) and ordered[index][0] == start:
            down.append(ordered[index][1:])
            index += 1
        yield first.start, [key for _, key in down]


def check(accompaniment: Accompaniment, organ: Organ, player: Player) -> tuple[Finding, ...]:
    """Everything that keeps this from being played, in order of time."""
    keys = held_keys(accompaniment.notes)
    found = [*_compass(accompaniment, organ), *_bars(accompaniment), *_wanted_twice(accompaniment, keys)]
    told: set[tuple[object, ...]] = set()
    for start, down in slices(keys):
        for one in _slice(accompaniment, player, start, down):
            mark = (one.kind, one.notes)
            if mark not in told:
                told.add(mark)
                found.append(one)
    return tuple(sorted(found, key=lambda one: (one.start, one.kind)))


def tell(
    accompaniment: Accompaniment, kind: str, start: Fraction, notes: tuple[str, ...] = (), **facts: object
) -> Finding:
    """A finding of a kind at a place of a section; without notes of its own it is marked at the tune."""
    if not notes:
        notes = tuple(one.id for one in accompaniment.notes if one.part == "tune" and one.start >= start)[:1]
    bar = accompaniment.bar_at(start)
    return finding(
        kind, section=accompaniment.id, bar=bar.number, beat=str(bar.beat_of(start)), start=start, notes=notes, **facts
    )


def _compass(accompaniment: Accompaniment, organ: Organ) -> Iterator[Finding]:
    for note in accompaniment.notes:
        division = organ.division(note.division)
        if division is None:
            if note.limb not in ("right hand", "left hand"):
                yield tell(accompaniment, "no-pedal", note.start, (note.id,))
            continue
        if not division.lowest <= note.pitch.midi <= division.highest:
            yield tell(
                accompaniment, "compass", note.start, (note.id,), pitch=note.pitch, division=division.name,
                low=key_name(division.lowest), high=key_name(division.highest),
            )  # fmt: skip


def key_name(midi: int) -> str:
    """A key of the organ by its name with sharps: 61 is C#4. A note has its own spelling."""
    return f"{('C', 'C#', 'D', 'D#', 'E', 'F', 'F#', 'G', 'G#', 'A', 'A#', 'B')[midi % 12]}{midi // 12 - 1}"


def _bars(accompaniment: Accompaniment) -> Iterator[Finding]:
    ends = {bar.start: bar.end for bar in accompaniment.bars}
    for note in accompaniment.notes:
        bar = accompaniment.bar_at(note.start)
        if note.length.numerator <= 0 or note.end > ends[bar.start] or note.start.numerator < 0:
            yield tell(
                accompaniment, "bar-not-full", note.start, (note.id,), limb=note.limb,
                have=note.end - bar.start, want=bar.length,
            )  # fmt: skip


def _wanted_twice(accompaniment: Accompaniment, keys: tuple[HeldKey, ...]) -> Iterator[Finding]:
    """A key pressed anew while another note still holds it; pressed together it is one key."""
    by_key: dict[tuple[str, int], list[HeldKey]] = defaultdict(list)
    for key in keys:
        by_key[(key.division, key.midi)].append(key)
    for same in by_key.values():
        same.sort(key=lambda key: order(key.start))
        latest = same[0]
        for key in same[1:]:
            if order(latest.start) < order(key.start) < order(latest.end):
                yield tell(
                    accompaniment, "same-key", key.start, (latest.id, key.id),
                    pitch=key.pitch, division=key.division,
                )  # fmt: skip
            if key.end > latest.end:
                latest = key


def _slice(accompaniment: Accompaniment, player: Player, start: Fraction, down: list[HeldKey]) -> Iterator[Finding]:
    for limb in ("right hand", "left hand"):
        held = {key.midi: key.pitch for key in down if key.limb == limb}
        if not held:
            continue
        lowest, highest = min(held), max(held)
        if len(held) > MOST_NOTES:
            ids = tuple(key.id for key in down if key.limb == limb)
            yield tell(accompaniment, "notes-in-hand", start, ids, limb=limb, count=len(held))
        if span(lowest, highest) > player.span_most:
            ids = tuple(key.id for key in down if key.limb == limb)
            yield tell(accompaniment, "span", start, ids, limb=limb, low=held[lowest], high=held[highest])
    feet = {key.midi for key in down if key.limb not in ("right hand", "left hand")}
    if len(feet) > 1:
        ids = tuple(key.id for key in down if key.limb not in ("right hand", "left hand"))
        yield tell(accompaniment, "two-pedal-notes", start, ids, count=len(feet))
    for tune in (key for key in down if key.part == "tune"):
        for key in down:
            above = key.midi > tune.midi and key.part != "tune"
            if above and key.division == tune.division:
                yield tell(
                    accompaniment, "tune-covered", start, (key.id, tune.id),
                    pitch=key.pitch, tune=tune.pitch,
                )  # fmt: skip
