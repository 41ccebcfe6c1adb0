"""Which changes of a plan to try against a fault of a verse, those nearest to it first.

The musical problem: a page that says "the feet would need the keys C2 to F3" should also say what to do, and do it.
Most faults go away with the tune in another place, a hand on another manual, a slower pace, another pattern or texture,
or the hymn in another key; which of them does is found by laying the verse out so. Here stands only what to try.

References: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.organ import Organ
from undersong.model.pitch import Interval
from undersong.model.plan import VersePlan
from undersong.model.time import Pace
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES

SLOWER = (Fraction(9, 10), Fraction(4, 5), Fraction(7, 10))
"""Shares of the pace that are tried; slower than that another texture serves better (assumed)."""
SLOWEST_BEATS = 36


@dataclass(frozen=True, slots=True)
class Change:
    """A change of a verse's row, or of the key of the whole plan (`transpose`), and what its button says."""

    says: str
    row: VersePlan
    transpose: Interval | None = None


@dataclass(frozen=True, slots=True)
class Given:
    """What can be changed: the row as planned, the organ, the pace the verse goes at, keys by name, nearest first."""

    row: VersePlan
    organ: Organ
    pace: Pace
    keys: Sequence[tuple[str, Interval]] = ()


def texture_says(name: str) -> str:
    """A texture, or `texture:pattern`, in words."""
    texture, _, pattern = name.partition(":")
    title = TEXTURES[texture].title
    return f"{title}, {pattern.replace('-', ' ')}" if pattern else title


def _places(given: Given) -> Iterator[Change]:
    for place in PLACES.values():
        if place.name != given.row.tune:
            yield Change(place.says, replace(given.row, tune=place.name))


def _hands(given: Given) -> Iterator[Change]:
    names = [one.name for one in given.organ.manuals]
    for right in names:
        for left in names:
            if (right, left) != (given.row.right, given.row.left):
                where = f"both hands on {right}" if right == left else f"right hand on {right}, left on {left}"
                yield Change(where, replace(given.row, right=right, left=left))


def _patterns(given: Given) -> Iterator[Change]:
    texture = TEXTURES[given.row.texture]
    for index, pattern in enumerate(texture.patterns):
        name = pattern.name if index else ""
        if name != given.row.pattern:
            says = texture_says(f"{texture.name}:{name}" if name else texture.name)
            yield Change(says, replace(given.row, pattern=name))


def _paces(given: Given) -> Iterator[Change]:
    for share in SLOWER:
        beats = Fraction(round(given.pace.beats_per_minute * share))
        if SLOWEST_BEATS <= beats < given.pace.beats_per_minute:
            pace = replace(given.pace, beats_per_minute=beats)
            yield Change(f"slower: {beats} beats a minute", replace(given.row, pace=pace))


def _textures(given: Given) -> Iterator[Change]:
    for texture in TEXTURES.values():
        if texture.name != given.row.texture:
            yield Change(texture.title, replace(given.row, texture=texture.name, pattern=""))


def _keys(given: Given) -> Iterator[Change]:
    for name, interval in given.keys:
        yield Change(f"the whole hymn in {name}", given.row, interval)


Try = Callable[[Given], Iterator[Change]]

USUAL: tuple[Try, ...] = (_patterns, _places, _textures)

TRIES: Mapping[str, tuple[Try, ...]] = {
    "not-served": (_places, _hands, _paces, _keys, _patterns),
    "slower-for-room": (_paces,),
    "compass": (_places, _keys, _textures),
    "span": (_patterns, _hands, _textures, _places),
    "tune-covered": (_hands, _places, _textures),
    "no-pedal": (_textures,),
    "left-hand-silent": (_places, _textures),
    "low-interval": (_places, _patterns, _textures),
    "suspension-lost": (_textures,),
    "descant-rests": (_textures,),
    "weak-close": (_places,),
    "sixteen-foot-tune": (_places,),
    "hole": (_places, _textures),
    "tune-buried": (_hands, _places, _textures),
    "too-soft": (_textures, _hands),
    "no-unison": (_hands,),
    "pedal-balance": (_textures, _hands),
    "stops-to-change": (_hands, _textures),
    "unknown-symbol": (),
    "harmony-proposed": (),
    "bar-not-full": (),
    "tune-missing": (),
    "redistributed": (),
    "changed-here": (),
}
"""What is tried against each kind of finding, in this order; against a kind that is not named, `USUAL`."""


def changes(kind: str, given: Given) -> Iterator[Change]:
    """What to try against a kind of finding."""
    for one in TRIES.get(kind, USUAL):
        yield from one(given)
