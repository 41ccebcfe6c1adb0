"""What is worked out once of a frozen value and kept while it is asked for.

Values of the model never change, so the same object gives the same answer. They are told apart by identity, because
hashing or comparing a whole verse costs more than most answers. What is kept is bounded, and holds on to its values,
so that no other object can take their place in memory.

References: common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Hashable, Sequence
from fractions import Fraction
from functools import lru_cache, wraps
from typing import Any, Generic, ParamSpec, Protocol, TypeVar

P = ParamSpec("P")
Result = TypeVar("Result")
Value = TypeVar("Value")

MOST_STARTS = 256
"""So many sequences have their starts kept."""


class Alike(Generic[Value]):
    """A value with what it is told apart by: a key of its own, else its identity."""

    __slots__ = ("_key", "value")

    def __init__(self, value: Value, key: Hashable = None) -> None:
        self.value = value
        self._key = id(value) if key is None else key

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Alike) and self._key == other._key


def kept(most: int) -> Callable[[Callable[P, Result]], Callable[P, Result]]:
    """Keep the last `most` results of a pure function of frozen values (told apart by identity).

    Like functools' caches it has a `cache_clear`.
    """

    def keeping(function: Callable[P, Result]) -> Callable[P, Result]:
        @lru_cache(maxsize=most)
        def worked_out(*same: Alike[Any], **named: Alike[Any]) -> Any:
            given: dict[str, Any] = {name: one.value for name, one in named.items()}
            return function(*(one.value for one in same), **given)

        @wraps(function)
        def asked(*args: P.args, **named: P.kwargs) -> Result:
            same = {name: Alike(one) for name, one in named.items()}
            return worked_out(*map(Alike, args), **same)  # type: ignore[no-any-return]

        asked.cache_clear = worked_out.cache_clear  # type: ignore[attr-defined]
        return asked

    return keeping


class Begun(Protocol):
    """Anything with a start."""

    @property
    def start(self) -> Fraction | int:
        """Where it begins."""


def order(place: Fraction | int) -> float:
    """A place as a float. Floats order places of music exactly, and ten times faster than fractions."""
    return place.numerator / place.denominator


_starts: dict[int, tuple[Sequence[Begun], list[float]]] = {}


def starts_of(things: tuple[Begun, ...]) -> list[float]:
    """The starts of things in order of start, as `order` has them."""
    known = _starts.get(id(things))
    if known is None or known[0] is not things:
        if len(_starts) >= MOST_STARTS:
            _starts.clear()
        known = things, [order(one.start) for one in things]
        _starts[id(things)] = known
    return known[1]


def begun_at(things: tuple[Begun, ...], start: Fraction) -> int:
    """How many of these things, in order of start, have begun at a place."""
    return bisect_right(starts_of(things), order(start))


def begun_before(things: tuple[Begun, ...], end: Fraction) -> int:
    """How many of these things, in order of start, have begun before a place."""
    return bisect_left(starts_of(things), order(end))
