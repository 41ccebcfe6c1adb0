"""A hymn as `undersong read` shows it: what was understood, what was assumed, what was left out.

Conventions: times are fractions of a quarter note as strings; fields are only ever added.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction
from string import ascii_lowercase
from typing import Any

from undersong.model.hymn import Hymn, Remark
from undersong.model.text import Syllable
from undersong.model.tune import Line, WalkedBar, walk

FORMAT = 1
MOST_WORDS = 6
"""How many words of a line are shown."""


def read_json(hymn: Hymn, key: str, mode: str | None) -> dict[str, Any]:
    """The facts of a hymn; its key and mode are told by the harmony."""
    tune = hymn.tune
    pitches = sorted((note.pitch for note in tune.tune_voice.notes), key=lambda pitch: pitch.midi)
    walked = walk(tune)
    pickup = tune.bars[0].length if tune.bars[0].pickup else None
    return {
        "format": FORMAT,
        "title": hymn.title,
        "tune_name": hymn.tune_name,
        "metre": hymn.text.metre,
        "key": key,
        "mode": mode,
        "times": list(dict.fromkeys(str(bar.time) for bar in tune.bars)),
        "bars": len({bar.number.rstrip(ascii_lowercase) for bar in tune.bars} - {"0"}),  # halves make one bar
        "pickup": str(pickup) if pickup is not None else None,
        "range": [str(pitches[0]), str(pitches[-1])],
        "voices": [voice.name for voice in tune.voices],
        "verses": len(hymn.text.verses),
        "lines": len(tune.lines),
        "chord_symbols": len(tune.symbols),
        "rights": hymn.rights or hymn.text.rights,
        "text_rights": hymn.text.rights,
        "author": hymn.text.author,
        "translator": hymn.text.translator,
        "composer": hymn.composer,
        "arranger": hymn.arranger,
        "numbers": list(hymn.numbers),
        "line_list": [_line(hymn, line, walked) for line in tune.lines],
        "verse_list": [
            {"number": verse.number, "first_words": verse.first_words(tune.lines), "own_rhythms": len(verse.rhythms)}
            for verse in hymn.text.verses
        ],
        "refrain": tune.place(hymn.text.refrain[0]) if hymn.text.refrain is not None else None,
        "sung": _sung(hymn),
        "assumed": [_remark(one) for one in hymn.assumed],
        "left_out": [_remark(one) for one in hymn.left_out],
    }


def _line(hymn: Hymn, line: Line, walked: Sequence[WalkedBar]) -> dict[str, str]:
    """Where a line of the page begins, and its first words in the first verse as they are first sung."""
    tune, here, last = hymn.tune, list[Syllable](), Fraction(-1)
    syllables = hymn.text.verses[0].syllables if hymn.text.verses else ()
    start = bisect_left(syllables, line.onset, key=lambda one: one.onset)
    inside = syllables[start : bisect_left(syllables, line.end, key=lambda one: one.onset)]
    for step in walked if inside else ():
        end = step.onset + step.length
        if end <= line.onset or step.onset >= line.end:
            continue
        sung = [one for one in inside if step.onset <= one.onset < end and one.times in (0, step.times)]
        if sung and sung[0].onset <= last:
            break
        if sung:
            here.extend(sung)
            last = sung[-1].onset
    return {"place": tune.place(line.onset), "words": _words(here)}


def _words(syllables: list[Syllable]) -> str:
    words, open_word = [], ""
    for one in syllables:
        open_word += one.text
        if one.hyphen in ("single", "end"):
            words.append(open_word)
            open_word = ""
    if open_word:
        words.append(f"{open_word}-")
    return " ".join(words[:MOST_WORDS])


def _sung(hymn: Hymn) -> list[str]:
    """The way through the page, as printed bar numbers: `["1-8", "1-7", "9-16"]`; one passage without repeats."""
    bars, passages = hymn.tune.bars, list[list[int]]()
    for step in walk(hymn.tune):
        if passages and passages[-1][1] + 1 == step.index:
            passages[-1][1] = step.index
        else:
            passages.append([step.index, step.index])
    return [
        bars[first].number if first == last else f"{bars[first].number}-{bars[last].number}" for first, last in passages
    ]


def _remark(one: Remark) -> dict[str, str]:
    return {"what": one.what, "place": one.place}
