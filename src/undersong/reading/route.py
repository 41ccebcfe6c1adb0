"""Repeat signs as printed, and the way a singer takes through them.

Forward and backward repeats, endings, da capo and dal segno with fine and coda are followed as they are in
print: a repeat without a beginning goes back to the last one that ended, or to the start; after a da capo
repeats are not taken again and the last ending is sung (common practice, no source).

Conventions: bars are named by their index. A passage counts which time its bars are sung through, from 1;
bars of a second ending count 2.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from undersong.model.tune import Passage, Repeat
from undersong.reading.raw import RawBar, RawDirection, RawPart

MOST_STEPS = 6000
"""Longest walk in bars; signs that lead in circles end here."""

_WORDS = (
    ("dacapo", re.compile(r"^\s*(d\.?\s*c\.?|da\s+capo)\b", re.IGNORECASE)),
    ("dalsegno", re.compile(r"^\s*(d\.?\s*s\.?|dal\s+segno)\b", re.IGNORECASE)),
    ("fine", re.compile(r"^\s*fine\b", re.IGNORECASE)),
    ("tocoda", re.compile(r"^\s*(to|al)\s+coda\b", re.IGNORECASE)),
)


def read_repeats(parts: Iterable[RawPart]) -> tuple[Repeat, ...]:
    """All repeat signs of the page, each once, in page order."""
    found: dict[tuple[int, int, str], Repeat] = {}
    order = (
        "forward",
        "ending-start",
        "segno",
        "coda",
        "tocoda",
        "fine",
        "ending-stop",
        "backward",
        "dacapo",
        "dalsegno",
    )
    for part in parts:
        for index, bar in enumerate(part.bars):
            for repeat in _signs(index, bar):
                found.setdefault((index, order.index(repeat.kind), ""), repeat)
    return _closed(tuple(found[key] for key in sorted(found)))


_BY_VERSE = re.compile(r"\b(v|vv|verses?|stanzas?|st|str|strophen?)\b\.?\s*\d", re.IGNORECASE)


def verse_endings(parts: Iterable[RawPart]) -> tuple[int, ...]:
    """Bars in which an ending begins whose text names verses (`v. 4`) and not times through."""
    return tuple(
        sorted({index for part in parts for index, bar in enumerate(part.bars) for line in bar.barlines
                if line.ending == "start" and _BY_VERSE.search(line.ending_text)})
    )  # fmt: skip


def by_verse_route(repeats: Sequence[Repeat], bars: int) -> tuple[Passage, ...] | None:
    """Once through with the ending of most verses alone: a verse with an ending of its own has it on the page only."""
    signs = _sorted_signs(repeats)
    if not signs.endings:
        return build_route(repeats, bars)
    kept = max(signs.endings, key=lambda one: (len(one.numbers), one.first))
    left = {bar for one in signs.endings if one != kept for bar in range(one.first, one.last + 1)}
    passages: list[Passage] = []
    for bar in range(bars):
        if bar in left:
            continue
        if passages and passages[-1].last + 1 == bar:
            passages[-1] = Passage(passages[-1].first, bar)
        else:
            passages.append(Passage(bar, bar))
    return tuple(passages)


def _signs(index: int, bar: RawBar) -> Iterable[Repeat]:
    for line in bar.barlines:
        if line.repeat == "forward":
            yield Repeat("forward", index)
        elif line.repeat == "backward":
            yield Repeat("backward", index, (line.times or 2,))
        if line.ending == "start":
            yield Repeat("ending-start", index, line.ending_numbers or (1,))
        elif line.ending in ("stop", "discontinue"):
            yield Repeat("ending-stop", index, line.ending_numbers or (1,))
        for mark in line.marks:
            yield Repeat(mark, index)
    for direction in bar.directions:
        for jump in _jumps(direction):
            yield Repeat(jump, index)


def _jumps(direction: RawDirection) -> Iterable[str]:
    yield from direction.jumps
    if not direction.jumps:
        yield from (name for name, pattern in _WORDS if pattern.search(direction.words))


def _closed(repeats: tuple[Repeat, ...]) -> tuple[Repeat, ...]:
    """Endings without a stop stop where the next one starts."""
    starts = [repeat for repeat in repeats if repeat.kind == "ending-start"]
    stops = {repeat.bar for repeat in repeats if repeat.kind == "ending-stop"}
    added = []
    for index, start in enumerate(starts):
        following = starts[index + 1].bar if index + 1 < len(starts) else None
        if not any(stop >= start.bar and (following is None or stop < following) for stop in stops):
            backward = [one.bar for one in repeats if one.kind == "backward" and one.bar >= start.bar]
            end = min([*backward, *([following - 1] if following is not None else [])], default=start.bar)
            added.append(Repeat("ending-stop", max(end, start.bar), start.numbers))
    return tuple(sorted((*repeats, *added), key=lambda repeat: repeat.bar)) if added else repeats


@dataclass(frozen=True, slots=True)
class _Ending:
    first: int
    last: int
    numbers: tuple[int, ...]


@dataclass(slots=True)
class _Signs:
    """The signs of the page, ready to be asked by bar."""

    forward: set[int] = field(default_factory=set)
    backward: dict[int, int] = field(default_factory=dict)
    endings: list[_Ending] = field(default_factory=list)
    marks: dict[str, list[int]] = field(default_factory=dict)

    def ending_at(self, bar: int) -> _Ending | None:
        return next((one for one in self.endings if one.first <= bar <= one.last), None)

    def group(self, ending: _Ending) -> list[_Ending]:
        """The endings that stand side by side with this one."""
        group = [ending]
        for one in self.endings:
            if one.first == group[-1].last + 1 and one not in group:
                group.append(one)
        for one in reversed(self.endings):
            if one.last == group[0].first - 1:
                group.insert(0, one)
        return group

    def has(self, mark: str, bar: int) -> bool:
        return bar in self.marks.get(mark, ())


def _sorted_signs(repeats: Sequence[Repeat]) -> _Signs:
    signs = _Signs()
    opened: Repeat | None = None
    for repeat in repeats:
        if repeat.kind == "forward":
            signs.forward.add(repeat.bar)
        elif repeat.kind == "backward":
            signs.backward[repeat.bar] = max(repeat.numbers[0] if repeat.numbers else 2, 2)
        elif repeat.kind == "ending-start":
            opened = repeat
        elif repeat.kind == "ending-stop":
            if opened is not None:
                signs.endings.append(_Ending(opened.bar, repeat.bar, opened.numbers))
            opened = None
        else:
            signs.marks.setdefault(repeat.kind, []).append(repeat.bar)
    return signs


def build_route(
    repeats: Sequence[Repeat], bars: int, order: Sequence[tuple[int, int]] = ()
) -> tuple[Passage, ...] | None:
    """Passages in the order they are sung; () without repeats, None when the signs lead nowhere.

    `order` names parts (first bar, last bar) in the order in which they are played, each with its own repeats.
    """
    if not repeats and not order:
        return ()
    steps = _by_parts(repeats, bars, order) if order else _walk(_sorted_signs(repeats), bars)
    if steps is None:
        return None
    passages: list[Passage] = []
    for bar, times in steps:
        last = passages[-1] if passages else None
        if last is not None and last.last + 1 == bar and last.times == times:
            passages[-1] = Passage(last.first, bar, times)
        else:
            passages.append(Passage(bar, bar, times))
    return () if passages == [Passage(0, bars - 1)] else tuple(passages)


def _by_parts(repeats: Sequence[Repeat], bars: int, order: Sequence[tuple[int, int]]) -> list[tuple[int, int]] | None:
    """Each part walked by itself; a part that comes again counts its times through onwards."""
    steps: list[tuple[int, int]] = []
    sung: dict[int, int] = {}
    for first, end in order:
        last = min(end, bars - 1)
        inside = [replace(one, bar=one.bar - first) for one in repeats if first <= one.bar <= last]
        walked = _walk(_sorted_signs(inside), last - first + 1)
        if walked is None or len(steps) > MOST_STEPS:
            return None
        before = max((sung.get(bar, 0) for bar in range(first, last + 1)), default=0)
        for bar, times in walked:
            steps.append((bar + first, times + before))
            sung[bar + first] = times + before
    return steps


def _walk(signs: _Signs, bars: int) -> list[tuple[int, int]] | None:
    steps: list[tuple[int, int]] = []
    sung: dict[int, int] = {}
    bar, start, times = 0, 0, 1
    jumped = False
    while bar < bars:
        if len(steps) > MOST_STEPS:
            return None
        if bar in signs.forward and bar != start and not jumped:
            start, times = bar, 1
        ending = signs.ending_at(bar)
        if ending is not None and bar == ending.first and _skipped(signs, ending, times, jumped):
            bar = ending.last + 1
            continue
        count = sung.get(bar, 0) + 1 if jumped else times
        sung[bar] = max(sung.get(bar, 0), count)
        steps.append((bar, count))
        if jumped and signs.has("fine", bar):
            break
        if jumped and signs.has("tocoda", bar) and signs.marks.get("coda"):
            later = [one for one in signs.marks["coda"] if one > bar]
            bar = later[0] if later else bar + 1
            continue
        if not jumped and bar in signs.backward:
            if times < _times_at(signs, bar):
                times, bar = times + 1, start
                continue
            start, times = bar + 1, 1
        elif not jumped and ending is not None and bar == ending.last and signs.group(ending)[-1] == ending:
            start, times = bar + 1, 1
        if not jumped and (signs.has("dacapo", bar) or signs.has("dalsegno", bar)):
            segno = signs.marks.get("segno", [0])
            bar, jumped = (0 if signs.has("dacapo", bar) else segno[0]), True
            continue
        bar += 1
    return steps


def _times_at(signs: _Signs, bar: int) -> int:
    ending = signs.ending_at(bar)
    if ending is None:
        return signs.backward[bar]
    return max(max(one.numbers) for one in signs.group(ending))


def _skipped(signs: _Signs, ending: _Ending, times: int, jumped: bool) -> bool:
    group = signs.group(ending)
    if jumped:
        return len(group) > 1 and ending != group[-1]
    return times not in ending.numbers and any(times in one.numbers for one in group)
