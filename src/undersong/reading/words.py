"""The words: which line of lyrics is which verse, and which time through a repeat it is sung.

A hymn-book prints its verses one below the other between the staves. Where part of the tune is repeated,
the lines under it are more than elsewhere: two lines for each verse, one for each time through. Where a
refrain follows, only one line goes on and belongs to every verse.

Conventions: syllables stand at onsets of tune notes. `times` is the time through (0: every time). Lines under
a repeat are grouped by verse (1 and 2 are the first verse's, 3 and 4 the second's) unless printed verse numbers
show another order (common practice in German and English hymnals, no source).
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.text import Syllable, Verse, VerseRhythm
from undersong.model.tune import Passage, Tune, walk
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawLyric, RawPart, RawScore
from undersong.reading.rhythms import Group
from undersong.reading.strands import Strand

REFRAIN_LEAST = 3
"""Fewest syllables of one line alone that are a refrain and not a verse with a syllable more."""

_LABEL = re.compile(r"^[\s\u00a0(]*(\d{1,2})(?:\s*[.)\u00a0:]+[\s\u00a0]*|[\s\u00a0]+)(?=\S)")
_VERSE = re.compile(r"^\s*(?:verse|strophe|stanza|v\.?)\s*(\d{1,3})\s*$", re.IGNORECASE)
_CHORUS = re.compile(r"chorus|refrain|burden", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Words:
    """The verses, the span of a refrain, and the route (a repeat of the whole tune may be the next verse)."""

    verses: tuple[Verse, ...]
    refrain: tuple[Fraction, Fraction] | None
    route: tuple[Passage, ...]


@dataclass(frozen=True, slots=True)
class _Sung:
    """One syllable of one printed line of lyrics."""

    onset: Fraction
    bar: int
    lyric: RawLyric
    text: str
    group: int = -1
    """Index of the second rhythm it stands under; -1 under the printed notes."""


@dataclass(frozen=True, slots=True)
class _Line:
    """A printed line of lyrics: its order on the page, the verse number before its first word, its syllables."""

    order: tuple[int, int]
    label: int
    sung: tuple[_Sung, ...]
    chorus: bool

    @property
    def number(self) -> int:
        return self.order[0]

    @property
    def named(self) -> int:
        """The verse that the file names for the line (`verse 3`); 0 when it names none."""
        found = _VERSE.match(self.sung[0].lyric.name)
        return int(found[1]) if found else 0


def read_words(
    score: RawScore, strands: Sequence[Strand], tune: Tune, notebook: Notebook, groups: Sequence[Group] = ()
) -> Words:
    """Verses in order of their numbers; no verses when the page has no words.

    `groups` are the second rhythms of the page; each goes to the verses whose words stand under it.
    """
    lines = _lines(score, strands, tune, notebook, groups)
    if not lines:
        return Words((), None, tune.route)
    visits = _visits(tune)
    chorus = [line for line in lines if line.chorus]
    lines = [line for line in lines if not line.chorus] or lines
    chorus = [] if lines is chorus or lines == chorus else chorus
    route = tune.route
    if _whole_repeated(tune, visits) and len(lines) > 1 and not _passes_told(lines):
        route = _once(tune)
        notebook.assume("the repeat of the whole tune is taken for the next verse")
        visits = {bar: {1} for bar in visits}
    sung_in: dict[int, set[int]] = defaultdict(set)
    verses = _grouped(lines, visits, _in_ending(tune), notebook, sung_in)
    verses, refrain = _with_refrain(verses, chorus, tune)
    rhythms = {
        number: tuple(groups[index].rhythm(tune.tune_voice.name, tune.bars) for index in sorted(sung_in[number]))
        for number in verses
    }
    return Words(
        tuple(_verse(number, syllables, rhythms[number]) for number, syllables in sorted(verses.items())),
        refrain,
        route,
    )


def _verse(number: int, syllables: list[Syllable], rhythms: tuple[VerseRhythm, ...]) -> Verse:
    unique = {(one.onset, one.times): one for one in reversed(syllables)}
    return Verse(number, tuple(unique[key] for key in sorted(unique)), rhythms)


# -- gathering -------------------------------------------------------------------------------------


def _lines(
    score: RawScore, strands: Sequence[Strand], tune: Tune, notebook: Notebook, groups: Sequence[Group]
) -> list[_Line]:
    onsets = {note.onset for note in tune.tune_voice.notes}
    gathered: dict[tuple[str, bool], list[_Sung]] = {}
    for part, staff in _sources(score, strands):
        here: dict[tuple[str, bool], list[_Sung]] = defaultdict(list)
        astray: list[_Sung] = []
        for note in part.notes_of(staff):
            if note.bar >= len(tune.bars):
                continue
            for lyric in note.lyrics:
                text = lyric.text.strip()
                if not text:
                    continue
                sung = _Sung(tune.bars[note.bar].onset + note.at, note.bar, lyric, text)
                if sung.onset in onsets:
                    here[_line_of(lyric)].append(sung)
                else:
                    astray.append(sung)
        fresh = {key: sung for key, sung in here.items() if key not in gathered}
        for one in astray:
            if _line_of(one.lyric) in fresh:
                notebook.leave_out("a syllable without a tune note", one.bar, one.onset - tune.bars[one.bar].onset)
        gathered.update(fresh)
    for index, group in enumerate(groups):
        for note in group.notes:
            for lyric in note.lyrics:
                onset = tune.bars[note.bar].onset + note.at
                if lyric.text.strip():
                    sung = _Sung(onset, note.bar, lyric, lyric.text.strip(), index)
                    gathered.setdefault(_line_of(lyric), []).append(sung)
    lines = [_labelled(key, index, sung) for index, (key, sung) in enumerate(gathered.items())]
    return _counted(sorted(lines, key=lambda line: line.order))


def _counted(lines: list[_Line]) -> list[_Line]:
    """Lines that do not begin with 1 and print no verse number are counted from 1."""
    if not lines or any(line.label for line in lines) or lines[0].number == 1:
        return lines
    return [replace(line, order=(index, line.order[1])) for index, line in enumerate(lines, 1)]


def _sources(score: RawScore, strands: Sequence[Strand]) -> list[tuple[RawPart, int]]:
    """Staves in the order in which their words are believed: the tune's first."""
    found = [(strand.part, strand.staff) for strand in strands]
    found.extend((part, staff) for part in score.parts for staff in part.staves)
    unique = {(part.id, staff): (part, staff) for part, staff in reversed(found)}
    return sorted(unique.values(), key=found.index)


def _line_of(lyric: RawLyric) -> tuple[str, bool]:
    chorus = bool(_CHORUS.search(lyric.number) or _CHORUS.search(lyric.name))
    return (lyric.number or lyric.name or "1", chorus)


def _labelled(key: tuple[str, bool], index: int, sung: list[_Sung]) -> _Line:
    sung = sorted(sung, key=lambda one: one.onset)
    digits = re.findall(r"\d{1,3}", key[0])
    number = int(digits[-1]) if digits else 1 if key[0] == "1" else 100 + index
    label = 0
    found = _LABEL.match(sung[0].text)
    if found and sung[0].text[found.end() :].strip():
        label = int(found[1])
        sung[0] = replace(sung[0], text=sung[0].text[found.end() :].strip())
    return _Line((number, index), label, tuple(sung), key[1])


# -- repeats ---------------------------------------------------------------------------------------


def _visits(tune: Tune) -> dict[int, set[int]]:
    visits: dict[int, set[int]] = defaultdict(set)
    for step in walk(tune):
        visits[step.index].add(step.times)
    return visits


def _in_ending(tune: Tune) -> set[int]:
    inside: set[int] = set()
    opened: int | None = None
    for repeat in tune.repeats:
        if repeat.kind == "ending-start":
            opened = repeat.bar
        elif repeat.kind == "ending-stop" and opened is not None:
            inside.update(range(opened, repeat.bar + 1))
            opened = None
    return inside


def _whole_repeated(tune: Tune, visits: dict[int, set[int]]) -> bool:
    """True where nothing but endings is sung once only."""
    endings = _in_ending(tune)
    plain = [bar for bar in range(len(tune.bars)) if bar not in endings]
    return bool(plain) and all(len(visits[bar]) > 1 for bar in plain)


def _passes_told(lines: list[_Line]) -> bool:
    """True where the page itself tells that lines are times through: by time-only, or by fewer verse numbers."""
    named = [line.named for line in lines]
    if all(named):
        return len(set(named)) < len(named)
    if any(sung.lyric.passes for line in lines for sung in line.sung):
        return len({sung.lyric.passes for line in lines for sung in line.sung if sung.lyric.passes}) < len(lines)
    labels = [line.label for line in lines if line.label]
    return bool(labels) and len(lines) > len(labels)


def _once(tune: Tune) -> tuple[Passage, ...]:
    """The whole tune once, by its last ending."""
    last: dict[int, int] = {}
    steps = walk(tune)
    final = max(step.times for step in steps)
    endings = _in_ending(tune)
    for step in steps:
        if step.index not in endings or step.times == final:
            last[step.index] = 1
    passages: list[Passage] = []
    for bar in sorted(last):
        if passages and passages[-1].last + 1 == bar:
            passages[-1] = Passage(passages[-1].first, bar)
        else:
            passages.append(Passage(bar, bar))
    return () if passages == [Passage(0, len(tune.bars) - 1)] else tuple(passages)


@dataclass(frozen=True, slots=True)
class _Shares:
    """Which verse and time through each printed line is, under the repeat and where the tune goes on."""

    turns: dict[tuple[int, int], tuple[int, int]]
    going_on: tuple[tuple[int, int], ...]
    visits: dict[int, set[int]]
    endings: set[int]

    @property
    def verses(self) -> list[int]:
        return sorted({verse for verse, _ in self.turns.values()})

    def of(self, line: _Line, bar: int) -> tuple[int, int]:
        """Verse and time through (0: every time) of a line's syllables in a bar."""
        verse, turn = self.turns.get(line.order, (line.label or line.number, 0))
        if len(self.visits[bar]) > 1:
            return verse, turn
        if self.turns and not (bar in self.endings and turn in self.visits[bar]):
            verse = self._going_on(line, verse)
        return verse, 0

    def _going_on(self, line: _Line, verse: int) -> int:
        """Where the tune goes on without a repeat, the n-th line that goes on is the n-th verse."""
        index = self.going_on.index(line.order) if line.order in self.going_on else len(self.verses)
        return self.verses[index] if index < len(self.verses) else verse


def _grouped(
    lines: list[_Line],
    visits: dict[int, set[int]],
    endings: set[int],
    notebook: Notebook,
    sung_in: dict[int, set[int]],
) -> dict[int, list[Syllable]]:
    """Printed lines to verses, with the time through where a line is sung once of several times.

    `sung_in` takes down which second rhythms belong to which verse.
    """
    if all(line.named for line in lines):
        return _by_name(lines, visits, sung_in)
    repeated = [line for line in lines if any(len(visits[sung.bar]) > 1 for sung in line.sung)]
    single = [
        line for line in lines if any(len(visits[sung.bar]) == 1 and sung.bar not in endings for sung in line.sung)
    ]
    passes = max((len(found) for found in visits.values()), default=1)
    turns = _turns(repeated, single, passes, notebook)
    shares = _Shares(turns, tuple(line.order for line in single), visits, endings)
    verses: dict[int, list[Syllable]] = defaultdict(list)
    for line in lines:
        for sung in line.sung:
            verse, turn = shares.of(line, sung.bar)
            if sung.group >= 0:
                sung_in[verse].add(sung.group)
            verses[verse].extend(_syllables(sung, turn, visits[sung.bar]))
    return verses


def _by_name(
    lines: list[_Line], visits: dict[int, set[int]], sung_in: dict[int, set[int]]
) -> dict[int, list[Syllable]]:
    """Lines whose verses the file names; the time through is told by the words themselves or is every time."""
    verses: dict[int, list[Syllable]] = defaultdict(list)
    for line in lines:
        for sung in line.sung:
            verses[line.named].extend(_syllables(sung, 0, visits[sung.bar]))
            if sung.group >= 0:
                sung_in[line.named].add(sung.group)
    return verses


def _syllables(sung: _Sung, turn: int, visits: set[int]) -> list[Syllable]:
    turns: tuple[int, ...] = (turn,)
    if len(visits) > 1 and sung.lyric.passes:
        turns = tuple(one for one in sung.lyric.passes if one in visits) or (turn,)
    return [Syllable(sung.onset, sung.text, sung.lyric.hyphen, sung.lyric.extend, one) for one in turns]


def _turns(
    repeated: list[_Line], single: list[_Line], passes: int, notebook: Notebook
) -> dict[tuple[int, int], tuple[int, int]]:
    """For each printed line under a repeat its verse and time through; {} where every line is a verse."""
    if passes < 2 or len(repeated) < 2:
        return {}
    told = [next((sung.lyric.passes[0] for sung in line.sung if sung.lyric.passes), 0) for line in repeated]
    if all(told):
        return _by_told(repeated, told)
    labels = [line.label for line in repeated]
    verses = len([label for label in labels if label]) if any(labels) else len(single)
    if verses == 1 and not any(labels) and len(repeated) % passes == 0:
        verses = len(repeated) // passes  # only a refrain goes on
    if not verses or len(repeated) != passes * verses:
        return {}
    if verses > 1 and all(labels[:verses]):
        return {line.order: (labels[index % verses], index // verses + 1) for index, line in enumerate(repeated)}
    notebook.assume(f"the lines of words under the repeat are {passes} for each verse, one for each time through")
    return {
        line.order: (labels[index - index % passes] or index // passes + 1, index % passes + 1)
        for index, line in enumerate(repeated)
    }


def _by_told(repeated: list[_Line], told: list[int]) -> dict[tuple[int, int], tuple[int, int]]:
    """A line that is sung earlier than, or together with, the one above begins the next verse."""
    turns, verse, last = {}, 0, 99
    for line, turn in zip(repeated, told, strict=True):
        verse += turn <= last
        last = turn
        turns[line.order] = (verse, turn)
    return turns


# -- refrain ---------------------------------------------------------------------------------------


def _with_refrain(
    verses: dict[int, list[Syllable]], chorus: list[_Line], tune: Tune
) -> tuple[dict[int, list[Syllable]], tuple[Fraction, Fraction] | None]:
    """Words that only one line has for a whole stretch go to every verse."""
    spans: list[tuple[Fraction, Fraction]] = []
    for line in chorus:
        taken = {one.onset for syllables in verses.values() for one in syllables}
        shared = [one for sung in line.sung if sung.onset not in taken for one in _syllables(sung, 0, set())]
        for syllables in verses.values():
            syllables.extend(shared)
        if shared:
            spans.append((shared[0].onset, _end_after(tune, shared[-1].onset)))
    if len(verses) > 1 and not spans:
        for run in _lonely_runs(verses):
            for syllables in verses.values():
                present = {(one.onset, one.times) for one in syllables}
                syllables.extend(one for one in run if (one.onset, one.times) not in present)
            spans.append((run[0].onset, _end_after(tune, run[-1].onset)))
    return verses, max(spans, key=lambda span: span[1] - span[0], default=None)


def _lonely_runs(verses: dict[int, list[Syllable]]) -> list[list[Syllable]]:
    """Stretches of syllables that one verse alone has."""
    columns: dict[tuple[Fraction, int], list[tuple[int, Syllable]]] = defaultdict(list)
    for number, syllables in verses.items():
        for one in syllables:
            columns[one.onset, one.times].append((number, one))
    runs: list[list[Syllable]] = []
    run: list[Syllable] = []
    owner = 0
    for key in sorted(columns):
        column = columns[key]
        alone = len(column) == 1 and (not run or column[0][0] == owner)
        if alone:
            owner = column[0][0]
            run.append(column[0][1])
            continue
        runs.append(run)
        run = [column[0][1]] if len(column) == 1 else []
        owner = column[0][0]
    runs.append(run)
    return [run for run in runs if len(run) >= REFRAIN_LEAST and run[0].hyphen in ("single", "begin")]


def _end_after(tune: Tune, onset: Fraction) -> Fraction:
    """Where the tune note of the last syllable ends (the tune's end, when no syllable can follow)."""
    later = [note.onset for note in tune.tune_voice.notes if note.onset > onset and not note.grace]
    return later[0] if later else tune.length
