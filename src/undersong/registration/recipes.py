"""What to draw for which part, as recipes: which kinds of stop, how loud.

The musical problem: an organist thinks "Oboe over a flute" or "principals 8 and 4" and then looks for the stops that
her organ has. A recipe names kinds and lengths; it is possible on a division that has such stops in working order and
as far down as the section goes.

Conventions: steps of the build-up 1 (soft flutes) to 5 (full with mixture and reed); `pitch` is the factor on the key's
frequency (1 at 8 feet). Recipes stand in order of preference.

References: build-up and combinations after organ training course, lessons 6 and 8, D. Cook's registration handout and
the BYU organ course on solos (project notes on the trade, 2.4); celestes, tremulants, and a lone 16, 4 foot stop or
mixture are in no recipe (R24).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from undersong.model.organ import Family, Organ, Stop


@dataclass(frozen=True, slots=True)
class Slot:
    """One stop of a recipe: families in order of preference and the pitch."""

    families: tuple[Family, ...]
    pitch: Fraction
    varieties: tuple[str, ...] = ()

    def fits(self, stop: Stop, low: int) -> bool:
        """Whether a stop is of this kind, can be drawn and goes down to a key."""
        kind = stop.family in self.families and (not self.varieties or stop.variety in self.varieties)
        pitch = stop.family == "mixture" or stop.pitch == self.pitch
        return kind and pitch and stop.works and stop.variety != "celeste" and stop.lowest <= low


@dataclass(frozen=True, slots=True)
class Recipe:
    """How it is called, from which step of the build-up to which it serves, and its stops."""

    name: str
    low: int
    high: int
    slots: tuple[Slot, ...]
    colour: str


def _slot(text: str) -> Slot:
    kind, _, feet = text.partition(" ")
    varieties: tuple[str, ...] = ()
    if kind == "trumpet":
        kind, varieties = "reed", ("trumpet",)
    elif kind == "oboe":
        kind, varieties = "reed", ("oboe", "clarinet", "")
    elif kind == "cornet":
        kind, varieties = "mixture", ("cornet",)
    elif kind == "mixture":
        varieties = ("",)
    families: dict[str, tuple[Family, ...]] = {"any": ("principal", "flute", "string")}
    return Slot(families.get(kind, (kind,)), 8 / Fraction(feet) if feet else Fraction(1), varieties)  # type: ignore[arg-type]


def _rows(*rows: tuple[str, int, int, str, str]) -> tuple[Recipe, ...]:
    return tuple(
        Recipe(name, low, high, tuple(_slot(one) for one in slots.split(", ")), colour)
        for name, low, high, colour, slots in rows
    )


SOLO = _rows(
    ("reed 8", 1, 3, "reed", "oboe 8"),
    ("principal 8", 2, 4, "principal", "principal 8"),
    ("trumpet 8", 4, 5, "reed", "trumpet 8"),
    ("principals 8 and 4", 3, 5, "principal", "principal 8, principal 4"),
    ("reed 8 with flute 8", 2, 4, "reed", "oboe 8, flute 8"),
    ("cornet", 3, 5, "flute", "cornet"),
    ("flute 8 with 2 2/3 and 1 3/5", 1, 4, "flute", "flute 8, mutation 8/3, mutation 8/5"),
    ("flutes 8 and 4 with 2 2/3", 1, 3, "flute", "flute 8, flute 4, mutation 8/3"),
    ("flute 8 with 2 2/3", 1, 3, "flute", "flute 8, mutation 8/3"),
    ("flute 8 with principal 4", 1, 4, "flute", "flute 8, principal 4"),
    ("flutes 8 and 4", 1, 3, "flute", "flute 8, flute 4"),
    ("flutes 8 and 2", 1, 3, "flute", "flute 8, flute 2"),
    ("principals 8, 4 and 2", 4, 5, "principal", "principal 8, principal 4, principal 2"),
    ("reed and principal 8", 4, 5, "reed", "trumpet 8, principal 8"),
    ("soft 8", 1, 2, "string", "any 8"),
    ("oboe and flutes 8 and 4", 3, 5, "reed", "oboe 8, flute 8, flute 4"),
)
"""For a tune on a manual of its own."""

ACCOMPANIMENT = _rows(
    ("flute 8", 1, 5, "flute", "flute 8"),
    ("string 8", 1, 4, "string", "string 8"),
    ("flute and string 8", 2, 5, "flute", "flute 8, string 8"),
    ("flutes 8 and 4", 3, 5, "flute", "flute 8, flute 4"),
    ("principal 8", 4, 5, "principal", "principal 8"),
    ("flute 8 with principal 4", 4, 5, "flute", "flute 8, principal 4"),
    ("8", 1, 5, "principal", "any 8"),
)
"""For the hand under a soloed tune."""

CHORUS = _rows(
    ("flutes 8 and 4", 1, 1, "flute", "flute 8, flute 4"),
    ("flute 8", 1, 1, "flute", "flute 8"),
    ("principal 8 and flute 4", 2, 2, "principal", "principal 8, flute 4"),
    ("principal 8", 2, 2, "principal", "principal 8"),
    ("flute 8 and principal 4", 2, 3, "flute", "flute 8, principal 4"),
    ("principals 8 and 4", 3, 3, "principal", "principal 8, principal 4"),
    ("flutes 8 and 4 with principal 2", 3, 4, "flute", "flute 8, flute 4, principal 2"),
    ("principals 8, 4 and 2", 4, 4, "principal", "principal 8, principal 4, principal 2"),
    ("flute 8, principals 4 and 2", 4, 4, "flute", "flute 8, principal 4, principal 2"),
    ("principals 8 and 4 with mixture", 5, 5, "mixture", "principal 8, principal 4, mixture"),
    ("principals 8, 4 and 2, mixture and trumpet 8", 5, 5, "reed",
     "principal 8, principal 4, principal 2, mixture, trumpet 8"),
    ("principals 8, 4 and 2 with mixture", 5, 5, "mixture", "principal 8, principal 4, principal 2, mixture"),
    ("flute 8, principals 4 and 2 with mixture", 5, 5, "mixture", "flute 8, principal 4, principal 2, mixture"),
    ("principals 8 and 4 with trumpet 8", 5, 5, "reed", "principal 8, principal 4, trumpet 8"),
    ("8", 1, 1, "flute", "any 8"),
    ("8 and 4", 2, 2, "flute", "any 8, any 4"),
)  # fmt: skip
"""For both hands on one manual."""

PEDAL = _rows(
    ("soft 16 and 8", 1, 4, "flute", "flute 16, flute 8"),
    ("16 and principal 8", 2, 5, "principal", "flute 16, principal 8"),
    ("principals 16 and 8", 3, 5, "principal", "principal 16, principal 8"),
    ("principal 16 and 8", 2, 5, "principal", "principal 16, any 8"),
    ("16, 8 and 4", 4, 5, "principal", "flute 16, principal 8, principal 4"),
    ("principals 16, 8 and 4", 4, 5, "principal", "principal 16, principal 8, principal 4"),
    ("16 and 8 with reed 16", 5, 5, "reed", "principal 16, principal 8, trumpet 16"),
    ("16, 8 and reed 16", 5, 5, "reed", "flute 16, principal 8, trumpet 16"),
)
PEDAL_COUPLED = _rows(
    ("soft 16, coupled", 1, 4, "flute", "flute 16"),
    ("principal 16, coupled", 3, 5, "principal", "principal 16"),
    ("16 and reed 16, coupled", 5, 5, "reed", "any 16, trumpet 16"),
    ("string 16, coupled", 1, 4, "string", "string 16"),
)
"""For a pedal that takes its 8 foot tone from the accompanying manual."""
PEDAL_ALONE = _rows(
    ("8", 1, 5, "flute", "any 8"), ("16", 1, 5, "flute", "any 16"), ("reed 16", 1, 5, "reed", "reed 16")
)
PEDAL_SOLO: dict[str, tuple[Recipe, ...]] = {
    "pedal": _rows(
        ("principal 4 alone", 1, 5, "principal", "principal 4"),
        ("reed 4 alone", 1, 5, "reed", "reed 4"),
        ("flute 4 alone", 1, 5, "flute", "flute 4"),
    ),
    "pedal-8": _rows(
        ("principal 8 alone", 1, 5, "principal", "principal 8"),
        ("reed 8 alone", 1, 5, "reed", "trumpet 8"),
        ("flute 8 alone", 1, 3, "flute", "flute 8"),
    ),
    "bass": PEDAL,
}
"""For a tune in the feet, by its place: at 4 or 8 feet no 16 and uncoupled (R4); as the bass with its 16."""


Drawn = tuple[tuple[str, Stop], ...]
"""Stops that sound from a keyboard, each with the division its pipes belong to."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A recipe with the stops found for it."""

    name: str
    colour: str
    step: int
    stops: Drawn
    coupled: str = ""
    """The division coupled to this keyboard, if any."""

    def names(self, division: str) -> tuple[str, ...]:
        """As `Registration.drawn` keeps them."""
        return tuple(str(stop) if home == division else f"{home}: {stop}" for home, stop in self.stops)


def choices(
    recipes: Sequence[Recipe], organ: Organ, division: str, low: int, step: int, busy: Sequence[str] = ()
) -> Iterator[Choice]:
    """Every way to cook some recipes near a step on a keyboard, preferred ones first.

    Stops of the division itself come first, then those of divisions that can be coupled to it and are not `busy`.
    Recipes of the step come before those of lower steps, those before higher ones.
    """
    ordered = sorted(recipes, key=lambda one: _away(one, step))
    for home in homes_of(organ, division, busy):
        found = organ.division(home)
        if found is None:
            continue
        for recipe in ordered:
            for stops in _filled(recipe, found.stops, low):
                at = min(max(step, recipe.low), recipe.high)
                coupled = "" if home == division else home
                name = _named(recipe, stops) if not coupled else f"{_named(recipe, stops)} from {coupled}"
                yield Choice(name, recipe.colour, at, tuple((home, stop) for stop in stops), coupled)


def homes_of(organ: Organ, division: str, busy: Sequence[str] = ()) -> list[str]:
    """The division of a keyboard, and those that can be coupled to it and that nobody else plays."""
    coupled = [source for source, keyboard in organ.couplers if keyboard == division and source not in busy]
    return [division, *(name for name in coupled if organ.pedal is None or name != organ.pedal.name)]


def _named(recipe: Recipe, stops: Sequence[Stop]) -> str:
    """A recipe that takes any kind is called after the kinds found."""
    if not any(len(slot.families) > 1 for slot in recipe.slots):
        return recipe.name
    return " and ".join(f"{stop.family} {stop.feet}" for stop in stops)


def _away(recipe: Recipe, step: int) -> tuple[int, bool]:
    below, above = max(0, step - recipe.high), max(0, recipe.low - step)
    return below + above, above > 0


def _filled(recipe: Recipe, stops: Sequence[Stop], low: int) -> Iterator[tuple[Stop, ...]]:
    """The first and second stop that fits each slot, in all combinations, at most four."""
    fitting = []
    for slot in recipe.slots:
        rows = [stop for family in slot.families for stop in stops if stop.family == family and slot.fits(stop, low)]
        rows.sort(key=lambda stop: stop.state != "sound")
        if not rows:
            return
        fitting.append(rows[:2])
    for count, combination in enumerate(product(*fitting)):
        if count == 4:
            return
        if len(set(map(id, combination))) == len(combination):
            yield combination


def everything(organ: Organ, division: str, busy: Sequence[str] = ()) -> Choice | None:
    """What is left when no recipe fits: all stops of a keyboard that work, without celestes; None without any."""
    for home in homes_of(organ, division, busy):
        source = organ.division(home)
        stops = [stop for stop in source.working if stop.variety != "celeste"] if source else []
        if stops:
            nearest = sorted(stops, key=lambda stop: (abs(float(stop.pitch) - 1), stop.level))[:2]
            coupled = "" if home == division else home
            return Choice("what there is", "", 1, tuple((home, stop) for stop in nearest), coupled)
    return None
