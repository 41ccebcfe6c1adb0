"""A line of ABC music divided into its signs.

Every character belongs to exactly one sign; what is no sign at all comes back as "unknown" with its text, so that
nothing is passed over in silence.

Conventions: lengths are factors of the unit note length, as written; each sign keeps its place in the line.

References: ABC standard 2.1, section 4 (the tune body); old line breaks with `!` and decorations in `+` as 2.0 has
them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

_LENGTH = r"\d{0,5}(?:/+\d{0,5})?"
_TOKEN = re.compile(
    rf"""
     (?P<space>[\s\u00a0]+)
    |(?P<quote>"(?:\\.|[^"\\])*")
    |(?P<field>\[[A-Za-z]:[^\]]*\])
    |(?P<ending>\[\s?(?P<which>\d{{1,2}}(?:\s?[,-]\s?\d{{1,2}})*)\.?|\[\s?(?P<named>"[^"]*"))
    |(?P<bar>(?P<before>:*)(?P<line>\.?\[?\|[|\]]*)(?P<after>:*)(?:\s*(?P<number>\d{{1,2}}(?:[,-]\d{{1,2}})*))?)
    |(?P<repeats>:{{2,}})
    |(?P<note>(?P<acc>\^\^|\^(?:\d{{0,2}}/\d{{0,2}})?|__|_(?:\d{{0,2}}/\d{{0,2}})?|=)?(?P<letter>[A-Ga-g])
        (?P<octave>[',]*)(?P<length>{_LENGTH}))
    |(?P<rest>[zx](?P<rest_length>{_LENGTH}))
    |(?P<bars>[ZX](?P<count>\d{{0,3}}))
    |(?P<spacer>y{_LENGTH})
    |(?P<decoration>!(?P<name>[^!\s|\[\]:]{{1,30}})!|\+(?P<old>[A-Za-z.]{{1,20}})\+)
    |(?P<grace>\{{/?)
    |(?P<grace_end>\}})
    |(?P<tuplet>\((?P<p>[1-9])(?::(?P<q>\d?)(?::(?P<r>\d{{0,2}}))?)?)
    |(?P<slur>\.?\()
    |(?P<slur_end>\))
    |(?P<tie>\.?-)
    |(?P<broken><{{1,3}}|>{{1,3}})
    |(?P<overlay>&+)
    |(?P<chord>\[)
    |(?P<chord_end>\](?P<chord_length>{_LENGTH}))
    |(?P<onward>\\\s*$)
    |(?P<break_>[$!*])
    |(?P<short>[~.H-Wh-w])
    |(?P<nothing>[`])
    """,
    re.VERBOSE,
)


@dataclass(frozen=True, slots=True)
class Token:
    """One sign: its kind (a name of the table above, or "unknown"), text, place, and its parts."""

    kind: str
    text: str
    at: int
    parts: dict[str, str | None]


def tokens(text: str) -> Iterator[Token]:
    """The signs of a line of music, in order."""
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None or found.end() == at:
            yield Token("unknown", text[at], at, {})
            at += 1
            continue
        parts = found.groupdict()
        kind = next(name for name in _KINDS if parts[name] is not None)
        if kind != "space":
            yield Token(kind.rstrip("_"), found[0], at, parts)
        at = found.end()


_KINDS = (
    "space", "note", "bar", "quote", "field", "ending", "repeats", "rest", "bars", "spacer", "decoration", "grace",
    "grace_end", "tuplet", "slur", "slur_end", "tie", "broken", "overlay", "chord", "chord_end", "onward", "break_",
    "short", "nothing",
)  # fmt: skip


@lru_cache(maxsize=512)
def length_of(text: str) -> Fraction | None:
    """A written length: `3`, `/2`, `/`, `//`, `3/2`; None for a length of nothing or a division by nothing."""
    above, slashes, below = text.partition("/")
    length = Fraction(int(above)) if above else Fraction(1)
    if slashes:
        more = below.lstrip("/")
        divisor = int(more) if more else 2 ** (1 + len(below) - len(more))
        if not divisor:
            return None
        length /= divisor
    return length or None


def ending_numbers(text: str) -> tuple[int, ...]:
    """`1,3` and `1-3` as numbers."""
    numbers: list[int] = []
    for one in re.split(r"\s*,\s*", text.strip()):
        first, dash, last = one.partition("-")
        if first.strip().isdigit():
            start = int(first)
            end = int(last) if dash and last.strip().isdigit() else start
            numbers.extend(range(start, min(end, start + 16) + 1))
    return tuple(dict.fromkeys(number for number in numbers if number))
