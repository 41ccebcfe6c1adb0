"""What stands around the music: title, tune name, metre, people, rights, number, pace.

Conventions: placeholders that programs leave in a new score are no titles. A metre is syllables a line with
points between, or its usual name.

References: MusicXML 4.0 `work`, `identification`, `credit`; names of metres: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import PurePath

from undersong.model.time import Pace
from undersong.model.tune import Bar
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawPart, RawScore

_PLACEHOLDERS = re.compile(
    r"^(untitled.*|title|subtitle|composer.*|lyricist.*|arranger|music21.*|score|new score|(partitura|titel))?$",
    re.IGNORECASE,
)
METRE = re.compile(
    r"^(?:(?:[CLS]\.?\s?M\.?|Common Met(?:re|er)|Long Met(?:re|er)|Short Met(?:re|er))"
    r"|(?:1[0-6]|[2-9])(?:\s*[.,·]\s*(?:1[0-6]|[2-9])){1,15}\.?"  # syllables of each line
    r"|[3-9]{2}(?:\s*[.,·]\s*[3-9]{2}){1,7}\.?)(?:\s?\.?\s?(?:D\.?|doubled?))?(?:\s*(?:with|and)\s+\w+)?$",
    re.IGNORECASE,
)
_NAMED_METRE = {"C": (8, 6, 8, 6), "L": (8, 8, 8, 8), "S": (6, 6, 8, 6)}
_TUNE_FIELDS = ("tune-name", "tune name", "tune_name", "tunename", "tune")
_METRE_FIELDS = ("metre", "meter", "poetic-metre", "poetic metre", "hymn-metre")
_NUMBER_FIELDS = ("number", "hymn-number", "hymn number", "hymn_number")
_TUNE_AND_METRE = re.compile(r"^(?P<tune>[A-ZÀ-Þ][A-ZÀ-Þ .,'’\-]{2,60}?)[\s,;:(–-]+(?P<metre>[\dCLS].*?)\)?$")
_CATALOGUE = re.compile(r"\d+\.\d+")
"""After capitals rather a number in a catalogue of works ("BWV 10.7") than a metre of two lines."""
SLOWEST, FASTEST = 10, 600


@dataclass(frozen=True, slots=True)
class Titles:
    """Everything around the music, as strings ("" when not known)."""

    title: str = ""
    tune_name: str = ""
    metre: str = ""
    author: str = ""
    translator: str = ""
    composer: str = ""
    arranger: str = ""
    rights: str = ""
    text_rights: str = ""
    numbers: tuple[str, ...] = ()


def read_titles(score: RawScore, file: str, notebook: Notebook) -> Titles:
    """Titles from work, identification, miscellaneous fields and credits, in that order."""
    fields = dict(score.fields)
    tune, metre = _first(fields, _TUNE_FIELDS), _first(fields, _METRE_FIELDS)
    printed = [text for name, text in score.fields if name in _NUMBER_FIELDS and text]
    number = printed[0] if printed else score.work_number
    for credit in score.credits:
        words = credit.words.strip()
        both = _TUNE_AND_METRE.match(words)
        if METRE.match(words):
            metre = metre or words
        elif both and METRE.match(both["metre"].strip()) and not _CATALOGUE.fullmatch(both["metre"].strip()):
            tune, metre = tune or both["tune"].strip(" .,;:(-–"), metre or both["metre"].strip()
        elif words.isdigit() and len(words) <= 4 and credit.type not in ("page number", "part name"):
            number = number or words
        elif words.lower().startswith("tune:"):
            tune = tune or words[5:].strip()
    people = _people(score)
    return Titles(
        _title(score, file, notebook),
        tune,
        metre,
        people.get("lyricist", "") or people.get("poet", "") or people.get("author", ""),
        people.get("translator", ""),
        people.get("composer", ""),
        people.get("arranger", "") or people.get("harmonist", "") or people.get("harmonizer", ""),
        "; ".join(score.rights) or _credit_of(score, "rights"),
        "; ".join(score.text_rights),
        tuple(dict.fromkeys(printed)) or ((number,) if number else ()),
    )


def _first(fields: dict[str, str], names: Sequence[str]) -> str:
    return next((fields[name] for name in names if fields.get(name)), "")


def _people(score: RawScore) -> dict[str, str]:
    people: dict[str, list[str]] = {}
    for kind, name in score.creators:
        if not _PLACEHOLDERS.match(name):
            people.setdefault(kind.lower() or "composer", []).append(name)
    for kind in ("composer", "lyricist", "arranger"):
        printed = _credit_of(score, kind)
        if kind not in people and printed and not _PLACEHOLDERS.match(printed):
            people[kind] = [printed]
    return {kind: "; ".join(dict.fromkeys(names)) for kind, names in people.items()}


def _credit_of(score: RawScore, kind: str) -> str:
    return next((credit.words for credit in score.credits if credit.type == kind and credit.words), "")


def _title(score: RawScore, file: str, notebook: Notebook) -> str:
    largest = max(score.credits, key=lambda credit: credit.size, default=None)
    found = [score.work_title, score.movement_title, _credit_of(score, "title")]
    if largest is not None and not METRE.match(largest.words) and not largest.words.isdigit():
        found.append(largest.words)
    for title in found:
        if title and not _PLACEHOLDERS.match(title) and not title.lower().endswith((".xml", ".mxl", ".musicxml")):
            return title
    name = PurePath(file).stem.replace("_", " ").strip()
    notebook.assume("the file gives no title; its name is used" if name else "the file gives no title")
    return name or "untitled"


def metre_lines(metre: str) -> tuple[int, ...]:
    """Syllables of each line of a metre: `8.7.8.7 D`, `C.M.`; () when it cannot be counted."""
    text = metre.strip().upper()
    if not METRE.match(text):
        return ()
    doubled = bool(re.search(r"(?:\s|\.|M)D\.?(?:OUBLED?)?(?:\s|$)", text))
    numbers = tuple(int(one) for one in re.findall(r"\d{1,2}", text))
    lines = numbers or _NAMED_METRE.get(text[0], ())
    return lines * 2 if doubled else lines


def read_pace(parts: Sequence[RawPart], bars: Sequence[Bar], notebook: Notebook) -> Pace | None:
    """The first pace of the page; later ones are left out and told."""
    first: Pace | None = None
    for index, bar in enumerate(bars):
        for part in parts:
            if index >= len(part.bars):
                continue
            for direction in part.bars[index].directions:
                pace = None
                if direction.per_minute and direction.beat:
                    pace = _sensible(direction.per_minute, direction.beat)
                elif direction.tempo:
                    pace = _sensible(direction.tempo / bar.time.beat, bar.time.beat)
                if pace is not None and first is None:
                    first = pace
                elif pace is not None and first is not None and pace != first and index:
                    notebook.leave_out("a change of pace", index)
    return first


def _sensible(per_minute: Fraction, beat: Fraction) -> Pace | None:
    return Pace(per_minute, beat) if SLOWEST <= per_minute <= FASTEST else None
