"""From the bytes of an ABC file to its tunes, line by line.

A tune book is a text: a file header that holds for all tunes, then tunes that begin with X: and end at an empty
line, with free text between them. Only the lines are found here; what they say is read elsewhere.

Conventions: lines are counted from 1 as an editor shows them. Comments are taken away, `%%` lines are kept.

References: ABC standard 2.1, sections 2 (file structure), 3.3 (continuation), 8 (text strings).
"""

from __future__ import annotations

import codecs
import html
import re
import unicodedata
from dataclasses import dataclass
from html.entities import html5

from undersong.errors import BrokenFile, CannotReadFile, NotAHymn

MOST_TUNES = 5000
MOST_CHARACTERS_OF_A_LINE = 20_000

_NUMBER = re.compile(r"X:\s*(\d{0,12})")
_FIELD = re.compile(r"([A-Za-z+]):")
_CHARSET = re.compile(rb"^(?:%%|I:)\s*abc-charset\s+([A-Za-z0-9-]{1,20})", re.MULTILINE)
_COMMENT = re.compile(r"(?<!\\)%")
_SNIFF = re.compile(rb"(?:\A|[\r\n])X:[ \t]*\d")
_SNIFF_KEY = re.compile(rb"(?:\A|[\r\n])K:")

_MARKS = {
    "`": "\u0300", "'": "\u0301", "^": "\u0302", "~": "\u0303", '"': "\u0308", "u": "\u0306", "v": "\u030c",
    "c": "\u0327", "H": "\u030b", ";": "\u0328", ".": "\u0307", "=": "\u0304",
}  # fmt: skip
"""Accents written before their letter; 2.1, section 8.2 (the last two are older habits)."""
_LETTERS = {
    "/O": "Ø", "/o": "ø", "AA": "Å", "aa": "å", "AE": "Æ", "ae": "æ", "OE": "Œ", "oe": "œ", "ss": "ß", "DH": "Ð",
    "dh": "ð", "TH": "Þ", "th": "þ", "/D": "Đ", "/d": "đ", "/L": "Ł", "/l": "ł", "/H": "Ħ", "/h": "ħ",
}  # fmt: skip
_ESCAPES = re.compile(
    r"\\(?:u(?P<code>[0-9A-Fa-f]{4})"
    r"|(?P<letters>" + "|".join(map(re.escape, _LETTERS)) + r")"
    r"|(?P<mark>[`'^~\"uvcH;.=])(?P<base>[A-Za-z])"
    r"|(?P<plain>[%&\\]))"
)  # fmt: skip
_ENTITY = re.compile(r"&(?:[A-Za-z]{2,8}|#\d{1,6}|#x[0-9A-Fa-f]{1,5});")


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One line of the file, without its comment."""

    number: int
    text: str


@dataclass(frozen=True, slots=True)
class TuneSource:
    """One tune: its X: number ("" without one), the file header's lines, its own lines, what follows unread."""

    number: str
    line: int
    shared: tuple[SourceLine, ...]
    lines: tuple[SourceLine, ...]
    unread: int = 0
    """Line of music that stands after the empty line that ended the tune; 0 when there is none."""


def is_abc(data: bytes) -> bool:
    """True when the bytes look like an ABC file."""
    start = data[:65536].removeprefix(codecs.BOM_UTF8)
    if start.lstrip().startswith((b"<", b"PK")):
        return False
    return start.startswith(b"%abc") or bool(_SNIFF.search(start) and _SNIFF_KEY.search(start))


def open_book(data: bytes, file: str = "") -> tuple[TuneSource, ...]:
    """The tunes of a file in order; CannotReadFile, BrokenFile or NotAHymn when it holds none."""
    if not data.strip():
        raise CannotReadFile("this file is empty", file=file, remedy="Give an ABC file with at least one tune.")
    text = _decoded(data, file)
    if "\0" in text:
        raise CannotReadFile("this is not a text file, so it is not ABC", file=file, remedy="")
    lines = [SourceLine(index, line) for index, line in enumerate(re.split(r"\r\n|\r|\n", text), 1)]
    long = next((line for line in lines if len(line.text) > MOST_CHARACTERS_OF_A_LINE), None)
    if long is not None:
        raise BrokenFile("this line is far too long", file=file, place=f"line {long.number}")
    tunes = _tunes(lines)
    if not tunes:
        raise NotAHymn(
            "this file holds no tune",
            file=file,
            remedy="An ABC tune begins with a line X:1 and has a line K: with its key.",
        )
    if len(tunes) > MOST_TUNES:
        raise NotAHymn(f"{len(tunes)} tunes are too many for one file", file=file, remedy="Divide the collection.")
    return tuple(tunes)


def _decoded(data: bytes, file: str) -> str:
    for start, name in ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(start):
            try:
                return data.decode(name).lstrip("\ufeff")
            except UnicodeDecodeError as fault:
                raise BrokenFile(f"the text is not what its first bytes promise ({name})", file=file) from fault
    named = _CHARSET.search(data)
    encodings = ["utf-8"]
    if named and re.fullmatch(rb"iso-?8859-\d{1,2}|us-ascii", named[1], re.IGNORECASE):
        encodings.insert(0, named[1].decode("ascii"))
    for name in encodings:
        try:
            return data.decode(name)
        except (UnicodeDecodeError, LookupError):
            continue
    return data.decode("latin-1")


def without_comment(text: str) -> str:
    """The line up to its comment; `%%` lines whole."""
    if text.startswith("%%"):
        return text.rstrip()
    found = _COMMENT.search(text)
    return (text[: found.start()] if found else text).rstrip()


def _blocks(lines: list[SourceLine]) -> list[list[SourceLine]]:
    """Lines between empty ones, without comments; a line that holds only a comment is not an empty one."""
    blocks: list[list[SourceLine]] = [[]]
    for line in lines:
        if not line.text.strip():
            blocks.append([])
            continue
        if _NUMBER.match(line.text):
            blocks.append([])
        text = without_comment(line.text)
        if text.strip():
            blocks[-1].append(SourceLine(line.number, text))
    return [block for block in blocks if block]


def _tunes(lines: list[SourceLine]) -> list[TuneSource]:
    blocks = _blocks(lines)
    if not any(_NUMBER.match(block[0].text) for block in blocks):
        return _unnumbered(blocks)
    shared: tuple[SourceLine, ...] = ()
    first = blocks[0]
    if not _NUMBER.match(first[0].text) and all(_FIELD.match(line.text) or line.text[0] == "%" for line in first):
        shared = tuple(first)
    tunes: list[TuneSource] = []
    for block in blocks:
        number = _NUMBER.match(block[0].text)
        if number:
            tunes.append(TuneSource(number[1].lstrip("0") or number[1], block[0].number, shared, tuple(block)))
        elif tunes:
            tunes[-1] = _with_block(tunes[-1], block)
    return tunes


def _unnumbered(blocks: list[list[SourceLine]]) -> list[TuneSource]:
    """A file without X: is one tune if it has a key."""
    lines = [line for block in blocks for line in block]
    if not any(line.text.startswith("K:") for line in lines):
        return []
    return [TuneSource("", lines[0].number, (), tuple(lines))]


def _with_block(tune: TuneSource, block: list[SourceLine]) -> TuneSource:
    """A block after an empty line: the music of a tune that has none yet, else free text."""
    key = next((index for index, line in enumerate(tune.lines) if line.text.startswith("K:")), None)
    if key is None or not any(_is_music(line.text) for line in tune.lines[key + 1 :]):
        return TuneSource(tune.number, tune.line, tune.shared, (*tune.lines, *block), tune.unread)
    lost = next((line.number for line in block if _is_music(line.text) and "|" in line.text), 0)
    return TuneSource(tune.number, tune.line, tune.shared, tune.lines, tune.unread or lost)


def _is_music(text: str) -> bool:
    return not (_FIELD.match(text) or text.startswith("%"))


def plain(text: str) -> str:
    """A text string with its accents, entities and codes turned to letters; anything else as it stands."""
    if "&" in text:
        text = _ENTITY.sub(_entity, text)
    return _ESCAPES.sub(_letter, text) if "\\" in text else text


def _entity(found: re.Match[str]) -> str:
    """An entity by its whole name only: `&nothing;` is no `&not` and stays."""
    known = found[0][1] == "#" or found[0][1:] in html5
    return html.unescape(found[0]) if known else found[0]


def _letter(found: re.Match[str]) -> str:
    if found["code"]:
        letter = chr(int(found["code"], 16))
        return letter if letter.isprintable() else found[0]
    if found["letters"]:
        return _LETTERS[found["letters"]]
    if found["mark"]:
        composed = unicodedata.normalize("NFC", found["base"] + _MARKS[found["mark"]])
        return composed if len(composed) == 1 else found[0]
    return found["plain"]
