"""ABC to hymns, after the published standard 2.1.

A tune book passes through four rooms: `book` finds its tunes, `music` reads the lines of each (with `fields`,
`tokens`, `symbols`, `words` for their parts), `bars` closes the bars, and then the hymn is built from the same raw
values as any other score. One bad tune does not lose the others.

Conventions: whatever was tolerated stands in `Hymn.assumed`, whatever was not kept in `Hymn.left_out`, each with bar
and beat or the line of the file. The tune's number (X:) is the hymn's number. The fields of a tune that have no place
in a hymn are named in one remark. Words about the tune are written as `N:name: value` with the names of `NOTES`.

References: ABC standard 2.1 (December 2011).
"""

from __future__ import annotations

import re
from dataclasses import replace

from undersong.errors import BrokenFile, UndersongError
from undersong.model.hymn import Hymn
from undersong.reading.abc.bars import Finished, finish
from undersong.reading.abc.book import TuneSource, is_abc, open_book, plain
from undersong.reading.abc.music import Body, read_body
from undersong.reading.abc.words import Item, align, items_of, with_label
from undersong.reading.collection import Reading
from undersong.reading.musicxml import hymn_of
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawLyric, RawNote, RawPart, RawScore

NOTES = {
    "tune": "tune-name", "tune name": "tune-name", "metre": "metre", "meter": "metre", "number": "number",
    "words": "lyricist", "author": "lyricist", "translator": "translator", "translation": "translator",
    "arranger": "arranger", "harmony": "arranger", "rights": "rights", "copyright": "rights",
    "rights of the words": "text-rights",
}  # fmt: skip
"""Names before a colon in N: fields that tell something of the hymn."""
_KEPT = frozenset("TCNX")
_NAMES = {
    "A": "area", "B": "book", "D": "discography", "F": "file", "G": "group", "H": "history", "O": "origin",
    "R": "rhythm", "S": "source", "Z": "who wrote it down", "N": "notes", "r": "remark", "Y": "Y",
}  # fmt: skip


def read_abc(data: bytes, file: str = "") -> Reading:
    """All tunes of an ABC file; an error only where no tune can be found at all.

    Tunes that cannot be read are in `Reading.refused`, as `UndersongError` with file, tune number, line and bar.
    """
    hymns: list[Hymn] = []
    refused: list[UndersongError] = []
    for source in open_book(data, file):
        try:
            hymns.append(read_tune(source, file))
        except UndersongError as failure:
            refused.append(failure.within(file))
    return Reading(tuple(hymns), tuple(refused))


def read_tune(source: TuneSource, file: str = "") -> Hymn:
    """The hymn in one tune; BrokenFile, BrokenBar or NotAHymn with its number and line."""
    lines: dict[str, int] = {}
    try:
        notebook = Notebook()
        body = read_body(source, notebook, file)
        finished = finish(body, notebook)
        lines = finished.lines
        return hymn_of(_score(source, body, finished, notebook), file, notebook)
    except UndersongError as failure:
        failure.place = _place(source, failure.place, lines)
        raise
    except (RecursionError, MemoryError, ArithmeticError, LookupError, ValueError, TypeError, AttributeError) as fault:
        raise BrokenFile(
            f"this tune makes no sense ({type(fault).__name__})", file=file, place=_place(source, "", lines)
        ) from fault


def _place(source: TuneSource, place: str, lines: dict[str, int]) -> str:
    """`tune 12, line 40, bar 7, beat 3`."""
    bar = re.match(r"bar (\w+)", place)
    where = [f"tune {source.number}"] if source.number else []
    if bar and bar[1] in lines:
        where.append(f"line {lines[bar[1]]}")
    elif not place.startswith("line"):
        where.append(f"line {source.line}")
    return ", ".join([*where, place] if place else where)


def _score(source: TuneSource, body: Body, finished: Finished, notebook: Notebook) -> RawScore:
    header = body.header
    told: list[tuple[str, str]] = []
    untold = [letter for letter in header if letter not in _KEPT and letter != "rights"]
    for note in header.get("N", ()):
        name, colon, value = note.partition(":")
        kind = NOTES.get(name.strip().lower())
        if colon and kind and value.strip():
            told.append((kind, value.strip()))
        elif note.strip():
            untold.append("N")
    if untold:
        names = ", ".join(dict.fromkeys(_NAMES.get(letter, letter) for letter in untold))
        notebook.leave_out(f"fields that a hymn has no place for ({names})")
    people = ("lyricist", "translator", "arranger")
    elsewhere = (*people, "rights", "text-rights")
    titles = header.get("T", [""])
    if len(titles) > 1:
        notebook.leave_out("further titles")
    return RawScore(
        _with_stanzas(finished.parts, body, notebook),
        work_title=titles[0].strip(),
        work_number="" if ("number", "none") in told else source.number,
        creators=(
            *(("composer", name.strip()) for name in header.get("C", ()) if name.strip()),
            *((kind, value) for kind, value in told if kind in people),
        ),
        rights=(*header.get("rights", ()), *(value for kind, value in told if kind == "rights")),
        text_rights=tuple(value for kind, value in told if kind == "text-rights"),
        fields=tuple((kind, value) for kind, value in told if kind not in elsewhere and value != "none"),
        breaks=finished.breaks,
        order=finished.order,
    )


def _with_stanzas(parts: tuple[RawPart, ...], body: Body, notebook: Notebook) -> tuple[RawPart, ...]:
    """Stanzas printed below (W:) are set under the notes where their syllables are as many as the first verse's."""
    stanzas = [" ".join(lines) for lines in body.below if lines]
    sung = next((part for part in parts if any(note.lyrics for bar in part.bars for note in bar.notes)), None)
    verses = {lyric.number for bar in sung.bars for note in bar.notes for lyric in note.lyrics} if sung else set()
    for stanza in stanzas:
        items, _ = with_label(items_of(stanza))
        label = re.match(r"\s*(\d{1,2})[.)\s]", stanza)
        number = label[1] if label else str(max(map(int, verses), default=0) + 1)
        places = [note for bar in sung.bars for note in bar.notes if _first(note)] if sung else []
        if number in verses or not places or len(items) != len(places):
            notebook.leave_out("words printed below the music, not under its notes (W:)")
            continue
        assert sung is not None
        verses.add(number)
        parts = tuple(_under(part, number, items) if part.id == sung.id else part for part in parts)
        sung = next(part for part in parts if part.id == sung.id)
    return parts


def _first(note: RawNote) -> bool:
    return any(lyric.number == "1" for lyric in note.lyrics)


def _under(part: RawPart, number: str, items: tuple[Item, ...]) -> RawPart:
    places = [(bar, index) for bar, one in enumerate(part.bars) for index, note in enumerate(one.notes) if _first(note)]
    found = {one.slot: one for one in align(items, [0] * len(places)).syllables}
    bars = [list(bar.notes) for bar in part.bars]
    for slot, (bar, index) in enumerate(places):
        if slot in found:
            lyric = RawLyric(number, "", (found[slot].text,), (found[slot].hyphen,), (), found[slot].extend, ())
            bars[bar][index] = replace(bars[bar][index], lyrics=(*bars[bar][index].lyrics, lyric))
    filled = zip(part.bars, bars, strict=True)
    return replace(part, bars=tuple(replace(bar, notes=tuple(notes)) for bar, notes in filled))


__all__ = ["NOTES", "Reading", "is_abc", "plain", "read_abc", "read_tune"]
