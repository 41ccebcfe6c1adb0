"""What the information fields of ABC say: key, time, unit length, pace, voice, order of parts.

Conventions: lengths are quarter notes as `Fraction`. A key is told by the sharps or flats of its signature, its mode
by name ("major", "minor", "dorian" ..., "" when none), and the alteration of each letter, which may differ from the
signature where accidentals are written out. What was not understood comes back as words, for a remark.

References: ABC standard 2.1, sections 3.1.5 (P:), 3.1.6 (M:), 3.1.7 (L:), 3.1.8 (Q:), 3.1.14 (K:), 4.6 (clefs),
7 (voices).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from undersong.model.pitch import LINE_OF_FIFTHS
from undersong.model.time import Time

MODES = {
    "maj": ("major", 0), "ion": ("ionian", 0), "min": ("minor", -3), "aeo": ("aeolian", -3), "mix": ("mixolydian", -1),
    "dor": ("dorian", -2), "phr": ("phrygian", -4), "lyd": ("lydian", 1), "loc": ("locrian", -5),
}  # fmt: skip
"""Mode and its place on the line of fifths beside major, by its first three letters."""
_ORDER_OF_SHARPS = "FCGDAEB"
CLEFS = {
    "treble": ("G", "2"), "g": ("G", "2"), "bass": ("F", "4"), "f": ("F", "4"), "baritone": ("F", "3"),
    "tenor": ("C", "4"), "alto": ("C", "3"), "c": ("C", "3"), "mezzosoprano": ("C", "2"), "soprano": ("C", "1"),
    "perc": ("percussion", ""), "none": ("none", ""),
}  # fmt: skip
MOST_PARTS_IN_ORDER = 200

_TONIC = re.compile(r"([A-G])([#b♯♭]?)\s*", re.ASCII)
_MODE = re.compile(
    r"(maj(?:or)?|m(?:in(?:or)?)?|mix(?:olydian)?|ion(?:ian)?|aeo(?:lian)?|dor(?:ian)?|phr(?:ygian)?|lyd(?:ian)?"
    r"|loc(?:rian)?)(?![a-z])\s*",
    re.IGNORECASE,
)
_ACCIDENTAL = re.compile(r"(?<![A-Za-z])(\^\^|\^|__|_|=)([A-Ga-g])(?![a-z])")
_OPTION = re.compile(r'([A-Za-z-]+)\s*=\s*("(?:[^"\\]|\\.)*"|\S+)|(\S+)')
_CLEF = re.compile(
    r"(treble|bass|baritone|tenor|alto|mezzosoprano|soprano|perc|none|[GFCgfc])(\d?)([+-]8|\^8|_8)?(?:va)?"
)
_OCTAVE_WORD = re.compile(r"([+-])8(?:va)?")
_BEAT = re.compile(r"(\d{1,3})/(\d{1,3})")
ALTERS = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}


@dataclass(frozen=True, slots=True)
class Options:
    """What may stand after a key or a voice: clef, shifts and names; None where nothing is said."""

    clef: tuple[str, str] | None = None
    octave: int | None = None
    transpose: int | None = None
    name: str = ""
    short: str = ""
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeyField:
    """A key: signature, mode, and the alteration of every letter that is not natural."""

    fifths: int = 0
    mode: str = ""
    alters: dict[str, int] = field(default_factory=dict)
    options: Options = Options()
    doubts: tuple[str, ...] = ()
    given: bool = True
    """False where the field only sets a clef or a shift."""


def signature(fifths: int) -> dict[str, int]:
    """The letters that a signature alters."""
    if fifths >= 0:
        return {
            letter: 1 + (index >= 0 and fifths - 7 > index) for index, letter in enumerate(_ORDER_OF_SHARPS[:fifths])
        }
    return dict.fromkeys(_ORDER_OF_SHARPS[fifths:], -1)


def read_key(text: str) -> KeyField | None:
    """A key field: `G`, `Am`, `Ddor`, `D exp ^f_b`, `HP`, `none`, with clef and shifts; None when it makes no sense."""
    rest = text.strip()
    if rest[:2] in ("HP", "Hp") and not rest[2:3].isalpha():
        doubt = "the key is that of the bagpipes (HP): F and C are sharp"
        return KeyField(2, "mixolydian", signature(2), options_of(rest[2:]), (doubt,))
    if not rest or rest.lower().startswith("none"):
        return KeyField(options=options_of(rest[4:]))
    found = _TONIC.match(rest)
    named = _OPTION.match(rest)
    if found is None or (named and (len(named[1] or "") > 1 or (_CLEF.fullmatch(named[0]) and named[0] not in "GFC"))):
        options = options_of(rest)
        return KeyField(options=options, given=False) if options.clef or not options.unknown else None
    return _tonal(found, rest[found.end() :])


def _tonal(tonic: re.Match[str], rest: str) -> KeyField | None:
    fifths = LINE_OF_FIFTHS[tonic[1]] + {"#": 7, "♯": 7, "b": -7, "♭": -7, "": 0}[tonic[2]]
    mode = "major"
    found = _MODE.match(rest)
    if found:
        short = "min" if found[1] in ("m", "M") else found[1][:3].lower()
        mode, shift = MODES[short]
        fifths += shift
        rest = rest[found.end() :]
    doubts: list[str] = []
    if not -7 <= fifths <= 7:
        return None
    explicit = re.match(r"exp(?:licit)?(?![a-z])\s*", rest, re.IGNORECASE)
    rest = rest[explicit.end() :] if explicit else rest
    signs = list(_ACCIDENTAL.finditer(rest))
    alters = {} if explicit else signature(fifths)
    for sign in signs:
        alters[sign[2].upper()] = ALTERS[sign[1]]
    alters = {letter: alter for letter, alter in alters.items() if alter}
    if explicit or signs:
        fifths, doubts = _nearest(alters)
    return KeyField(fifths, mode, alters, options_of(_ACCIDENTAL.sub(" ", rest)), tuple(doubts))


def _nearest(alters: dict[str, int]) -> tuple[int, list[str]]:
    """The signature with just these accidentals, else the one that shares most with them."""
    for one in sorted(range(-7, 8), key=abs):
        if signature(one) == alters:
            return one, []
    total = sum(alters.values())
    near = max(-7, min(7, total))
    signs = f"{abs(near)} {'sharps' if near >= 0 else 'flats'}"
    return near, [f"the key signature has accidentals of its own; it is printed with {signs} and the notes keep theirs"]


def options_of(text: str) -> Options:
    """Clef, octave, transposition and names from `clef=bass octave=-1 name="Bass"` and bare clef words."""
    clef: tuple[str, str] | None = None
    octave: int | None = None
    transpose: int | None = None
    name = short = ""
    unknown: list[str] = []
    for found in _OPTION.finditer(text):
        key, value = (found[1] or "").lower(), (found[2] or found[3] or "").strip('"')
        whole = re.fullmatch(r"[+-]?\d{1,2}", value)
        if key in ("", "clef") and (sign := _CLEF.fullmatch(value)):
            clef, shift = _clef(sign)
            octave = shift or octave
        elif key == "octave" and whole and abs(int(value)) <= 4:
            octave = int(value)
        elif key == "" and (shifted := _OCTAVE_WORD.fullmatch(value)):
            octave = 1 if shifted[1] == "+" else -1
        elif key in ("transpose", "t", "score", "sound", "shift") and whole and abs(int(value)) <= 48:
            transpose = int(value)
        elif key in ("name", "nm"):
            name = value
        elif key in ("subname", "snm", "sname"):
            short = value
        elif key not in ("middle", "m", "stafflines", "staffscale", "stem", "stems", "gchords", "up", "down", "merge"):
            unknown.append(found[0])
    return Options(clef, octave, transpose, name, short, tuple(unknown))


def _clef(found: re.Match[str]) -> tuple[tuple[str, str], int]:
    sign, line = CLEFS[found[1].lower()]
    shift = 0 if not found[3] else 1 if found[3] in ("+8", "^8") else -1
    return (sign, found[2] or line), shift


def read_time(text: str) -> Time | None:
    """A time: `3/4`, `C`, `C|`, `2+3/8`, `(2+3)/8`, `none` and nothing for free time; None when it makes no sense."""
    plain = "".join(text.split())
    if plain.lower() in ("", "none"):
        return Time(0, 4)
    if plain in ("C", "c"):
        return Time(4, 4)
    if plain.lower() == "c|":
        return Time(2, 2)
    found = re.fullmatch(r"\(?(\d{1,2}(?:\+\d{1,2}){0,8})\)?/(\d{1,2})", plain)
    if not found:
        return None
    beats, unit = sum(map(int, found[1].split("+"))), int(found[2])
    return Time(beats, unit) if 0 < beats <= 64 and unit and not unit & (unit - 1) else None


def read_length(text: str) -> Fraction | None:
    """A unit note length in quarter notes: `1/8` is 1/2; None when it makes no sense."""
    found = re.fullmatch(r"\s*(\d{1,3})\s*(?:/\s*(\d{1,3}))?\s*", text)
    if not found or not int(found[1]) or (found[2] and not int(found[2])):
        return None
    return Fraction(4 * int(found[1]), int(found[2] or 1))


def unit_for(time: Time) -> Fraction:
    """The unit where no L: is given: a sixteenth below three quarters in a bar, else an eighth."""
    return Fraction(1, 4) if time.beats and Fraction(time.beats, time.unit) < Fraction(3, 4) else Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class Tempo:
    """A pace: the beat in quarter notes (None where the words alone tell it), beats a minute, and the words."""

    beat: Fraction | None
    per_minute: Fraction | None
    words: str = ""


def read_tempo(text: str, unit: Fraction) -> Tempo | None:
    """A pace: `1/4=100`, `"Slowly" 3/8=50`, `1/4 3/8=40`, and the old `C=100`, `C3=40`, `120`."""
    words = " ".join(re.findall(r'"([^"]*)"', text))
    rest = re.sub(r'"[^"]*"', " ", text).strip()
    if not rest:
        return Tempo(None, None, words) if words else None
    beats, equals, number = rest.rpartition("=")
    count = re.match(r"\s*(?:ca?\.?\s*)?(\d{1,4}(?:\.\d{1,3})?)", number)
    if count is None or not Fraction(count[1]):
        return None
    if not equals:
        return Tempo(unit, Fraction(count[1]), words)
    old = re.fullmatch(r"\s*C(\d{0,2})\s*", beats)
    if old:
        return Tempo(unit * int(old[1] or 1) or None, Fraction(count[1]), words)
    found = [(int(one), int(two)) for one, two in _BEAT.findall(beats)]
    if not found or any(not two for _, two in found):
        return None
    beat = sum((Fraction(4 * one, two) for one, two in found), Fraction(0))
    return Tempo(beat or None, Fraction(count[1]), words)


def read_order(text: str) -> str | None:
    """The letters of an order of parts, written out: `A2(BC)2` is AABCBC; None when it makes no sense."""
    plain = re.sub(r"[\s.,]", "", text)
    if not re.fullmatch(r"[A-Za-z0-9()]+", plain):
        return None
    stack: list[list[str]] = [[]]
    for sign in _order_tokens(plain):
        if sign == "(":
            stack.append([])
        elif sign == ")":
            if len(stack) < 2:
                return None
            group = "".join(stack.pop())
            stack[-1].append(group)
        elif sign.isdigit():
            if not stack[-1] or not 0 < int(sign) <= 16:
                return None
            stack[-1][-1] *= int(sign)
        else:
            stack[-1].append(sign)
        if sum(len(one) for one in stack[-1]) > MOST_PARTS_IN_ORDER:
            return None
    return "".join(stack[0]) if len(stack) == 1 and stack[0] else None


def _order_tokens(text: str) -> Iterator[str]:
    yield from re.findall(r"\d{1,3}|[A-Za-z()]", text)
