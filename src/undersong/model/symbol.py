"""Chord symbols as they are printed over a tune, written and read.

A symbol is made of parts: root, quality, extension, alterations, added tones, slash bass. Books
print the same chord in several ways; all common ones are read, one is written, and what is written
reads back as the very same chord.

Conventions: plain letters, `b` and `#`; a letter alone is major; `m` minor; `7` a minor seventh and
`maj7` a major one; `sus` means sus4; `add9` has no seventh, `9` has one. An accidental after the
root letter belongs to the root, so a lowered fifth over a plain triad is put in brackets:
`C(b5)`, while `Cb5` is C flat and its fifth. A sign before a number alters that degree if the kind
has it and adds it otherwise (`C7b9`, `C9b5`); where this would say something else, `add`, `alt` and
`no` are written out. Kinds named for a function keep their name in brackets: `Db(N6)`, `Ab(Ger6)`.

References: trade names of chord symbols; W3C MusicXML 4.0, `kind-value`, `degree`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Literal

from undersong.model.chord import KINDS, NO_CHORD, Chord, Degree
from undersong.model.pitch import PitchName, signs


@dataclass(frozen=True, slots=True)
class Form:
    """One way of saying a kind: the kind, degrees that the form includes, how it is written and read."""

    kind: str
    written: str
    also: tuple[str, ...] = ()
    degrees: tuple[Degree, ...] = ()


_7, _9, _13 = Degree(7), Degree(9), Degree(13)
_MINOR = ("m", "-", "min", "mi")
_MAJ = ("maj", "M", "ma", "Maj", "Δ", "△")


def _with(starts: tuple[str, ...], *ends: str) -> tuple[str, ...]:
    return tuple(start + end for start in starts for end in ends)


FORMS: tuple[Form, ...] = (
    Form("major", "", ("maj", "M", "major", "Maj")),
    Form("minor", "m", ("-", "min", "mi", "minor")),
    Form("augmented", "aug", ("+", "(#5)", "augmented")),
    Form("diminished", "dim", ("o", "°", "º", "diminished")),
    Form("dominant", "7", ("dom7",)),
    Form("major-seventh", "maj7", (*_with(_MAJ, "7"), "Δ", "△", "j7")),
    Form("minor-seventh", "m7", _with(_MINOR, "7")),
    Form("diminished-seventh", "dim7", ("o7", "°7", "º7")),
    Form("augmented-seventh", "aug7", ("+7", "7aug", "7+")),
    Form("half-diminished", "m7b5", ("ø", "ø7", "Ø", "Ø7", *_with(_MINOR, "7b5", "7(b5)"))),
    Form("major-minor", "m(maj7)", _with(_MINOR, *_with(_MAJ, "7"), "(maj7)", "(M7)", "Δ")),
    Form("major-sixth", "6", ("maj6", "M6")),
    Form("minor-sixth", "m6", _with(_MINOR, "6")),
    Form("dominant-ninth", "9"),
    Form("major-ninth", "maj9", _with(_MAJ, "9")),
    Form("minor-ninth", "m9", _with(_MINOR, "9")),
    Form("dominant-11th", "11"),
    Form("major-11th", "maj11", _with(_MAJ, "11")),
    Form("minor-11th", "m11", _with(_MINOR, "11")),
    Form("dominant-13th", "13"),
    Form("major-13th", "maj13", _with(_MAJ, "13")),
    Form("minor-13th", "m13", _with(_MINOR, "13")),
    Form("suspended-second", "sus2"),
    Form("suspended-fourth", "sus4", ("sus",)),
    Form("Neapolitan", "(N6)"),
    Form("Italian", "(It6)"),
    Form("French", "(Fr6)"),
    Form("German", "(Ger6)"),
    Form("pedal", "(pedal)"),
    Form("power", "5"),
    Form("Tristan", "(Tristan)"),
    Form("other", "(?)"),
    Form("suspended-fourth", "7sus4", ("7sus", "sus7"), (_7,)),
    Form("suspended-second", "7sus2", (), (_7,)),
    Form("suspended-fourth", "9sus4", ("9sus",), (_7, _9)),
    Form("suspended-fourth", "13sus4", ("13sus",), (_7, _9, _13)),
    Form("major-sixth", "69", ("6/9", "6add9"), (_9,)),
    Form("minor-sixth", "m69", _with(_MINOR, "69", "6/9", "6add9"), (_9,)),
    Form("major", "add2", ("2",), (Degree(2),)),
)
"""Every way of saying a kind; the first row of a kind is the plain one. `none` is written N.C."""

NO_CHORD_WRITTEN = "N.C."
_NO_CHORD_ALSO = frozenset({"nc", "n.c.", "n.c", "nochord", "tacet"})

_GERMAN = {
    "H": "B",
    "Fis": "F#",
    "Cis": "C#",
    "Gis": "G#",
    "Dis": "D#",
    "Ais": "A#",
    "Es": "Eb",
    "As": "Ab",
    "Des": "Db",
}
"""German note names that are no letters of ours; B, which means B flat there, cannot be told."""

_PLAIN = str.maketrans({"♭": "b", "♯": "#", "𝄫": "bb", "𝄪": "##", "−": "-", "–": "-", "’": "'"})
_ROOT = re.compile(r"[A-G](?:#{1,3}|b{1,3})?")
_TOKEN = re.compile(r"(?P<word>add|alt|no|omit)?(?P<signs>#{0,4}|b{0,4})(?P<value>1[0-3]|[1-9])")
_TYPES: dict[str, Literal["add", "alter", "subtract"]] = {
    "add": "add", "alt": "alter", "no": "subtract", "omit": "subtract",
}  # fmt: skip
_WORDS = {"add": "add", "alter": "alt", "subtract": "no"}


def symbol(chord: Chord) -> str:
    """The chord as it is printed: `C`, `Cm7`, `F#7b9`, `C/E`, `N.C.`; a chord's own text goes first."""
    if chord.text:
        return chord.text
    if chord.root is None:
        return NO_CHORD_WRITTEN
    bass = f"/{chord.bass}" if chord.bass is not None else ""
    return f"{chord.root}{_quality(chord.kind, chord.degrees)}{bass}"


@cache
def _quality(kind: str, degrees: tuple[Degree, ...]) -> str:
    """What stands between root and bass; written out where the short way would say another chord."""
    form = max(
        (form for form in FORMS if form.kind == kind and degrees[: len(form.degrees)] == form.degrees),
        key=lambda form: len(form.degrees),
        default=Form(kind, f"({kind})"),
    )
    rest = degrees[len(form.degrees) :]
    short = "".join(_short(degree, kind) for degree in rest)
    if short.startswith(("b", "#")) and not form.written[-1:].isdigit():
        short = f"({short})"
    if next(_read_quality(form.written + short), None) == (kind, degrees):
        return form.written + short
    return f"{form.written}({','.join(_long(degree) for degree in rest)})" if rest else form.written


def _long(degree: Degree) -> str:
    return f"{_WORDS[degree.type]}{signs(degree.alter)}{degree.value}"


def _short(degree: Degree, kind: str) -> str:
    present = degree.value in _values(kind)
    seventh = 7 in _values(kind)
    implied = degree.alter and (degree.type == "alter" if present else degree.type == "add" and seventh)
    return f"{signs(degree.alter)}{degree.value}" if implied else _long(degree)


def _values(kind: str) -> frozenset[int]:
    return frozenset(row[0] for row in KINDS.get(kind, ()))


def parse_symbol(text: str) -> Chord:
    """Read a printed symbol; ValueError says what is wrong and what may have been meant."""
    plain = "".join(text.translate(_PLAIN).split())
    if plain.lower() in _NO_CHORD_ALSO:
        return NO_CHORD
    if not plain:
        raise ValueError("the chord symbol is empty; for a place without a chord write N.C.")
    found = _ROOT.match(plain)
    if not found:
        raise ValueError(f"{text!r} does not begin with a note from A to G{_german(plain) or _capital(plain)}")
    root, tail = found[0], plain[found.end() :]
    quality, bass = _split_bass(tail, text)
    for kind, degrees in _read_quality(quality):
        return Chord(PitchName.parse(root), kind, bass, degrees)
    hint = _german(plain) or _guess(root, quality, bass)
    raise ValueError(f"{text!r}: {quality!r} after {root} is not known{hint}")


def _german(plain: str) -> str:
    """A hint where the symbol begins with a German note name."""
    name = next((name for name in sorted(_GERMAN, key=len, reverse=True) if plain.startswith(name)), None)
    return f"; {name} is a German name, did you mean {_GERMAN[name]}{plain[len(name) :]}?" if name else ""


def _capital(plain: str) -> str:
    guess = plain[0].upper() + plain[1:]
    return f"; did you mean {guess}?" if guess != plain and _ROOT.match(guess) else ""


def _split_bass(tail: str, text: str) -> tuple[str, PitchName | None]:
    """Quality and slash bass; a slash before a number (6/9) belongs to the quality."""
    quality, slash, name = tail.rpartition("/")
    if not slash or name[:1].isdigit():
        return tail, None
    try:
        return quality, PitchName.parse(name)
    except ValueError:
        hint = f"; did you mean /{_GERMAN[name]}?" if name in _GERMAN else ""
        raise ValueError(f"{text!r}: the bass {name!r} after the slash is not a note name{hint}") from None


@cache
def _spellings() -> tuple[tuple[str, Form], ...]:
    """Every spelling of every form, the longest first."""
    pairs = [(spelling, form) for form in FORMS for spelling in (form.written, *form.also)]
    return tuple(sorted(pairs, key=lambda pair: -len(pair[0])))


def _read_quality(quality: str) -> Iterator[tuple[str, tuple[Degree, ...]]]:
    """Kind and degrees of every reading, the longest known spelling first."""
    for spelling, form in _spellings():
        if quality.startswith(spelling):
            degrees = _read_degrees(quality[len(spelling) :], form.kind)
            if degrees is not None:
                yield form.kind, (*form.degrees, *degrees)


def _read_degrees(text: str, kind: str) -> tuple[Degree, ...] | None:
    """Degrees such as `b9#11`, `(add9,no3)`; None if the text is anything else."""
    degrees, place, bracket = [], 0, False
    while place < len(text):
        if text[place] in "(),":
            if (text[place] == "(") == bracket:
                return None
            bracket = text[place] != ")"
            place += 1
            continue
        found = _TOKEN.match(text, place)
        if not found or not (found["word"] or found["signs"] or bracket):
            return None
        value, signs = int(found["value"]), found["signs"]
        implied: Literal["add", "alter"] = "alter" if value in _values(kind) else "add"
        alter = signs.count("#") - signs.count("b")
        degrees.append(Degree(value, alter, _TYPES[found["word"]] if found["word"] else implied))
        place = found.end()
    return None if bracket else tuple(degrees)


def _guess(root: str, quality: str, bass: PitchName | None) -> str:
    written = {spelling: form.written for spelling, form in _spellings() if spelling}
    close = get_close_matches(quality, written, 1, 0.5)
    if not close:
        return "; write it as in Cm, C7, Cmaj7, Csus4, Cadd9 or C/E"
    return f"; did you mean {root}{written[close[0]]}{'/' + str(bass) if bass else ''}?"
