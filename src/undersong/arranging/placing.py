"""From notes with a start and an end to written notes: cut at bar lines, tied, named by their place.

An id is made from the musical place (section, bar, limb, place in the bar, key), never from a
counter, so that it survives a repair elsewhere.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.accompaniment import Limb, PlacedBar, PlayedNote, Tie
from undersong.model.kept import order, starts_of
from undersong.model.pitch import Pitch

LIMB_CODES: dict[str, str] = {
    "right hand": "rh", "left hand": "lh", "feet": "ped", "left foot": "lf", "right foot": "rf",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Draft:
    """A note before it is written: from strike to release."""

    part: str
    start: Fraction
    end: Fraction
    pitch: Pitch
    limb: Limb
    division: str
    source: str = ""
    mark: str = ""
    tied_from: bool = False
    tied_to: bool = False


def bar_labels(bars: tuple[PlacedBar, ...]) -> dict[Fraction, str]:
    """For each bar's start a label that no other bar of the section has."""
    seen: Counter[str] = Counter()
    labels = {}
    for bar in bars:
        label = bar.number if bar.times == 1 else f"{bar.number}p{bar.times}"
        seen[label] += 1
        labels[bar.start] = label if seen[label] == 1 else f"{label}x{seen[label]}"
    return labels


def write(section: str, bars: tuple[PlacedBar, ...], drafts: Iterable[Draft]) -> tuple[PlayedNote, ...]:
    """Written notes in order of time, from the lowest up within a limb."""
    by_start = bar_labels(bars)
    labels, ends = [by_start[bar.start] for bar in bars], [bar.end for bar in bars]
    starts = starts_of(bars)
    notes: list[PlayedNote] = []
    used: Counter[str] = Counter()
    for draft in _spelled_alike(tuple(drafts)):
        start = draft.start
        while start < draft.end:
            at = bisect_right(starts, order(start)) - 1
            end = min(draft.end, ends[at])
            name = _id(section, labels[at], draft, start - bars[at].start)
            used[name] += 1
            if used[name] > 1:  # two parts in unison on one key
                name = f"{name}.{draft.part}"
            notes.append(
                PlayedNote(
                    name, draft.part, start, end - start, draft.pitch, draft.limb, draft.division,
                    _tie(draft, start, end), draft.source, mark=draft.mark if start == draft.start else "",
                )
            )  # fmt: skip
            start = end
    return tuple(sorted(notes, key=lambda note: (order(note.start), _ORDER[note.limb], -note.pitch.midi, note.part)))


def _spelled_alike(drafts: tuple[Draft, ...]) -> Iterator[Draft]:
    """The notes, ours named as the tune names the same tone above or below it: no D flat against a C sharp."""
    sung: defaultdict[int, list[Draft]] = defaultdict(list)
    for draft in drafts:
        if draft.part == "tune":
            sung[draft.pitch.midi % 12].append(draft)
    for draft in drafts:
        others = () if draft.source or draft.part == "tune" else sung.get(draft.pitch.midi % 12, ())
        same = (one for one in others if one.start < draft.end and one.end > draft.start)
        name = next((one.pitch.name for one in same if one.pitch.name != draft.pitch.name), None)
        yield draft if name is None else replace(draft, pitch=Pitch.of(name, draft.pitch.midi))


_ORDER = {"right hand": 0, "left hand": 1, "feet": 2, "left foot": 2, "right foot": 2}


def _id(section: str, label: str, draft: Draft, inside: Fraction) -> str:
    place = str(inside).replace("/", "_")
    return f"{section}.{label}.{LIMB_CODES[draft.limb]}.{place}.{draft.pitch.midi}"


def _tie(draft: Draft, start: Fraction, end: Fraction) -> Tie | None:
    before = start > draft.start or draft.tied_from
    after = end < draft.end or draft.tied_to
    if before and after:
        return "both"
    if before:
        return "stop"
    return "start" if after else None


def marked(draft: Draft, mark: str) -> Draft:
    """The same note with a word for the page."""
    return replace(draft, mark=mark)
