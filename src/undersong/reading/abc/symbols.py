"""Chord symbols as ABC collections spell them, and the words that stand between the same quotation marks.

The standard's spelling is that of print (`Am7/G`). Collections add habits of their own: small letters for the bass
with `+` for a sharp (`D/f+`), `d` for diminished and `a` for augmented right after the root (`Cd`, `Fa7`), brackets
round a chord of the repeat (`(E7)`). They are read, and it is said that they were.

References: ABC standard 2.1, sections 4.18 (chord symbols) and 4.19 (annotations); the habits: collections at large,
no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from undersong.model.chord import Chord
from undersong.model.pitch import PitchName
from undersong.model.symbol import parse_symbol

ANNOTATION_SIGNS = "^_<>@"
_ROOT = re.compile(r"([A-G](?:#{1,2}|b{1,2}|♯|♭)?)(.*)")
_SMALL_BASS = re.compile(r"(.*)/([a-g])([#b+♯♭]?)\Z")
_SHORT_KIND = re.compile(r"([da])(7?)(?![a-z])(.*)")
_MUSICAL = re.compile(r"[A-Za-z0-9#b♯♭+()°ºøØΔ△/,.^-]{0,16}\Z")
_JUMPS = (
    ("dacapo", re.compile(r"d\.?\s?c\.?(?![a-z])|da\s?capo", re.IGNORECASE)),
    ("dalsegno", re.compile(r"d\.?\s?s\.?(?![a-z])|dal\s?segno", re.IGNORECASE)),
    ("fine", re.compile(r"fine\b", re.IGNORECASE)),
    ("tocoda", re.compile(r"(?:to|al)\s?coda\b", re.IGNORECASE)),
    ("segno", re.compile(r"segno\b", re.IGNORECASE)),
    ("coda", re.compile(r"coda\b", re.IGNORECASE)),
)
"""Words of direction; written as "Fine" or, for dacapo, as "D.C."."""


@dataclass(frozen=True, slots=True)
class Quoted:
    """What stood between quotation marks: a chord, or an unknown chord as printed, or words; `habit` was tolerated."""

    text: str
    chord: Chord | None = None
    root: PitchName | None = None
    jump: str = ""
    habit: str = ""


def jump_of(words: str) -> str:
    """The jump that words of direction tell: "dacapo", "fine", ...; "" for other words."""
    return next((name for name, pattern in _JUMPS if pattern.match(words.strip())), "")


@lru_cache(maxsize=2048)
def read_quoted(text: str) -> Quoted:
    """Tell what a quoted text is. Words come back without chord and root; annotations are not given here."""
    plain = text.strip()
    jump = jump_of(plain)
    if jump or not plain:
        return Quoted(plain, jump=jump)
    try:
        return Quoted(plain, parse_symbol(plain))
    except ValueError:
        pass
    tolerated = _tolerated(plain)
    if tolerated is not None:
        return tolerated
    found = _ROOT.match(plain)
    if found and _MUSICAL.match(found[2]) and not re.fullmatch(r"[a-z.]{2,}", found[2]):
        return Quoted(plain, root=PitchName.parse(found[1].replace("♯", "#").replace("♭", "b")))
    return Quoted(plain)


def _tolerated(text: str) -> Quoted | None:
    habits: list[str] = []
    plain = text
    if plain.startswith("(") and plain.endswith(")"):
        plain = plain[1:-1].strip()
        habits.append("a chord symbol in brackets is read without them")
    bass = _SMALL_BASS.match(plain)
    if bass:
        plain = f"{bass[1]}/{bass[2].upper()}{bass[3].replace('+', '#')}"
        habits.append("a bass in small letters after the slash is read as its note")
    root = _ROOT.match(plain)
    kind = _SHORT_KIND.match(root[2]) if root else None
    if root and kind:
        plain = f"{root[1]}{'dim' if kind[1] == 'd' else 'aug'}{kind[2]}{kind[3]}"
        habits.append(f"{kind[1]} after the root is read as {'diminished' if kind[1] == 'd' else 'augmented'}")
    if not habits:
        return None
    try:
        return Quoted(text, parse_symbol(plain), habit="; ".join(habits))
    except ValueError:
        return None
