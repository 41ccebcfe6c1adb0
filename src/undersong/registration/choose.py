"""Stops for every section of an arrangement, from those there are.

The musical problem: the solo is chosen first, then an accompaniment that is weaker and of another colour, then a pedal
that matches; for both hands on one manual the build-up, a step more where more sing and for the last verse.
Neighbouring verses differ by a step at most, and without pistons at most two stops of a side change in a gap.

Conventions: a combination is judged by a cost; everything unwished for adds to it, so that the best there is is always
found. What falls short is told as a finding with its remedy. Sides of the console: the pedal and the highest manual
left, the others right (common practice on British consoles, no source).

References: rules R4, R8, R24, R25, R26; `recipes`. Weights are assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

from undersong.acoustics.audibility import BURIED, CLEAR, level_wanted_db
from undersong.acoustics.spectra import gain_db
from undersong.model.accompaniment import Accompaniment, Arrangement, Registration
from undersong.model.finding import Finding
from undersong.model.organ import Organ
from undersong.model.room import Room
from undersong.playing.check import tell
from undersong.registration.audible import Moment, Sounds, moments
from undersong.registration.recipes import (
    ACCOMPANIMENT,
    CHORUS,
    PEDAL,
    PEDAL_ALONE,
    PEDAL_COUPLED,
    PEDAL_SOLO,
    SOLO,
    Choice,
    Drawn,
    Recipe,
    choices,
    everything,
)

MOST_CHOICES = 6
"""Ways to cook a part that are looked at."""
WITH_FEET = 3
"""Combinations for the hands that are tried with every pedal."""
TOLERANCE_DB = 3.0
"""So much softer than wished for is let pass without a word."""
TUNE_LEADS_DB = 4.0
"""A tune alone leads as many as a chord that is so much louder (assumed; one of four equal voices is 6 dB softer)."""
JUST_HEARD_DB = 1.0
"""What is out by less is not told."""
HIGHEST_16_DB, LOWEST_16_DB = 3.0, -6.0
"""R24: the pedal's 16 foot tone beside the accompaniment."""
MOST_STOPS_OF_A_SIDE = 2
"""R26, without pistons."""


@dataclass(frozen=True, slots=True)
class _Console:
    """What is drawn while verse follows verse."""

    organ: Organ
    singers: int
    drawn: dict[str, Choice] = field(default_factory=dict)
    begun: list[str] = field(default_factory=list)
    pistons: dict[object, str] = field(default_factory=dict)
    """Stops set on a piston, in the order in which they were first needed."""

    def on_piston(self, registration: Registration) -> Registration:
        """The registration with the piston that brings it, as long as there are pistons."""
        if registration.drawn not in self.pistons and len(self.pistons) < len(self.organ.pistons):
            self.pistons[registration.drawn] = self.organ.pistons[len(self.pistons)]
        piston = self.pistons.get(registration.drawn)
        return replace(registration, generic=f"{piston}: {registration.generic}") if piston else registration

    def side(self, division: str) -> str:
        """Left: pedal and highest manual; right: the others."""
        left = {self.organ.manuals[-1].name} if len(self.organ.manuals) > 1 else set()
        if self.organ.pedal:
            left.add(self.organ.pedal.name)
        return "left" if division in left else "right"

    def knobs(self, division: str, choice: Choice) -> set[tuple[str, str]]:
        """The knobs drawn for a choice, couplers included: (division of the knob, name)."""
        own = {(home, str(stop)) for home, stop in choice.stops if home == division}
        return own | ({(division, f"{choice.coupled} to {division}")} if choice.coupled else set())

    def changes(self, wanted: Mapping[str, Choice]) -> dict[str, int]:
        """Knobs that move on each side of the console; none before the first section."""
        moved = {"left": 0, "right": 0}
        if not self.begun:
            return moved
        for division, choice in wanted.items():
            before = self.drawn.get(division)
            old = self.knobs(division, before) if before else set()
            moved[self.side(division)] += len(old ^ self.knobs(division, choice))
        return moved


def register(arrangement: Arrangement, organ: Organ, room: Room) -> Arrangement:
    """The arrangement with stops for each section, and findings where tune, loudness or pedal fall short."""
    console = _Console(organ, room.singers)
    sections: list[Accompaniment] = []
    findings: list[Finding] = list(arrangement.findings)
    steps = build_up(len(arrangement.sections), room.singers)
    for section, step in zip(arrangement.sections, steps, strict=True):
        men = who_sings(arrangement, section) == "men"
        registration, told = _registered(section, console, step, men=men)
        sections.append(replace(section, registration=console.on_piston(registration)))
        findings += told
        console.begun.append(section.id)
    return replace(arrangement, sections=tuple(sections), findings=tuple(findings))


def who_sings(arrangement: Arrangement, section: Accompaniment) -> str:
    """Who sings a section, as the plan has it; "all" where it does not say."""
    return next((one.who for one in arrangement.plan.verses if one.verse == section.verse), "all")


def build_up(count: int, singers: int) -> tuple[int, ...]:
    """Steps of the build-up for so many sections: never down, neighbours a step apart at most (R24).

    >>> build_up(4, 80)
    (2, 2, 3, 3)
    """
    begins = 1 if singers < 40 else 2 if singers < 150 else 3
    rise = 0 if count == 1 else 1 if count < 5 else 2
    return tuple(begins + round(rise * index / max(1, count - 1) - 0.01) for index in range(count))


# --- parts and candidates --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Parts:
    """Which keyboard plays what in a section."""

    solo: str
    """A keyboard with nothing but the tune, "" where the tune shares one."""
    hands: tuple[str, ...]
    """The other keyboards under the hands, first the one with the tune."""
    pedal: str
    pedal_solo: str
    """The place of a tune in the feet, "" where they have the bass."""
    low: Mapping[str, int]
    """Lowest key used on each."""


def _parts(section: Accompaniment, organ: Organ) -> _Parts:
    pedal = organ.pedal.name if organ.pedal else ""
    low: dict[str, int] = {}
    tune, other = set[str](), set[str]()
    for note in section.notes:
        low[note.division] = min(low.get(note.division, 127), note.pitch.midi)
        (tune if note.part == "tune" else other).add(note.division)
    alone = tune - other
    solo = next((name for name in sorted(alone) if name != pedal), "")
    hands = tuple(name for name in low if name not in (solo, pedal) and organ.division(name) is not None)
    hands = tuple(sorted(hands, key=lambda name: name not in tune))
    return _Parts(solo if hands else "", hands or ((solo,) if solo else ()), pedal if pedal in low else "",
                  section.tune if pedal in alone else "", low)  # fmt: skip


def _ways(
    recipes: Sequence[Recipe], console: _Console, division: str, low: int, step: int, busy: Sequence[str] = ()
) -> list[Choice]:
    """Choices for a part, what is drawn already among them, all that works if there is nothing else.

    Nothing is coupled from the divisions that are `busy`.
    """
    found = list(islice(choices(recipes, console.organ, division, low, step, busy), MOST_CHOICES))
    before = console.drawn.get(division)
    fits = before is not None and before.coupled not in busy and all(stop.lowest <= low for _, stop in before.stops)
    if before is not None and fits and before not in found:
        found.append(before)
    if not found:
        rest = everything(console.organ, division, busy)
        found = [rest] if rest else []
    return found


def _pedal_ways(console: _Console, parts: _Parts, step: int, hands: Mapping[str, Choice]) -> list[Choice]:
    """Choices for the feet: own 16 and 8, or own 16 with the accompaniment coupled, or what there is."""
    organ, low = console.organ, parts.low.get(parts.pedal, 36)
    manuals = [division.name for division in organ.manuals]
    if parts.pedal_solo:  # what was drawn for a bass is none for a tune
        recipes = PEDAL_SOLO.get(parts.pedal_solo, PEDAL)
        own = list(islice(choices(recipes, organ, parts.pedal, low, step, manuals), MOST_CHOICES))
        return own or _ways(recipes, console, parts.pedal, low, step, manuals)
    own = list(choices(PEDAL, organ, parts.pedal, low, step, manuals))
    bare = list(choices(PEDAL_COUPLED, organ, parts.pedal, low, step, manuals))
    coupled = [
        replace(one, stops=one.stops + hands[manual].stops, coupled=manual)
        for manual in parts.hands
        if (manual, parts.pedal) in organ.couplers and manual in hands
        for one in bare
    ]
    if own or coupled:
        return [*own, *coupled][: 2 * MOST_CHOICES]
    own_division = organ.division(parts.pedal)
    if own_division is None or not own_division.working:
        return [
            Choice("coupled", hands[manual].colour, step, hands[manual].stops, manual)
            for manual in parts.hands
            if (manual, parts.pedal) in organ.couplers and manual in hands
        ]
    alone = _ways(PEDAL_ALONE, console, parts.pedal, low, step, [*manuals])
    return alone or _ways(PEDAL_ALONE, console, parts.pedal, low, step, [parts.solo])


@dataclass(frozen=True, slots=True)
class _Tried:
    """One combination with what it costs."""

    cost: float
    chosen: Mapping[str, Choice]
    clarity: float
    lacking_db: float
    pedal_db: float | None


def _registered(
    section: Accompaniment, console: _Console, step: int, *, men: bool
) -> tuple[Registration, list[Finding]]:
    parts, when = _parts(section, console.organ), moments(section)
    hands = _clearest(_combinations(section, parts, when, console, step, men=men), parts, when, console)
    whole = (
        _with_feet(parts, when, console, one, feet, rank)
        for one in hands
        for rank, feet in enumerate(_pedal_ways(console, parts, step, one.chosen))
    )
    tried = min(whole, key=lambda one: one.cost, default=None) if parts.pedal else None
    tried = tried or next(iter(hands), None)
    if tried is None:
        return section.registration, []
    told = [*_told(section, parts, when, console, tried)]
    registration = _said(parts, tried.chosen, step)
    console.drawn.update(tried.chosen)
    return registration, told


def _combinations(
    section: Accompaniment, parts: _Parts, when: Sequence[Moment], console: _Console, step: int, *, men: bool
) -> Iterable[_Tried]:
    wanted_db = level_wanted_db(console.singers // 2 if men or section.kind != "verse" else console.singers)
    first = parts.hands[0] if parts.hands else parts.solo
    busy = [*parts.hands, parts.solo]
    recipes, solo_recipes = ACCOMPANIMENT if parts.solo or parts.pedal_solo else CHORUS, SOLO
    if men:
        recipes, solo_recipes = _without_4(recipes), _without_4(SOLO)
    accompaniments: list[Choice | None] = [*_ways(recipes, console, first, parts.low.get(first, 36), step, busy)]
    solos: list[Choice | None] = [None]
    if parts.solo:
        solos = [*_ways(solo_recipes, console, parts.solo, parts.low[parts.solo], step, busy)] or [None]
    for place, solo in enumerate(solos):
        for rank, accompaniment in enumerate(accompaniments or [None]):
            hands = dict.fromkeys(parts.hands, accompaniment) if accompaniment else {}
            if accompaniment and len(parts.hands) > 1:
                hands |= {
                    name: (_ways(ACCOMPANIMENT, console, name, parts.low[name], step, busy) or [accompaniment])[0]
                    for name in parts.hands[1:]
                }
            chosen = hands | ({parts.solo: solo} if solo else {})
            yield _tried(parts, when, console, chosen, step, wanted_db, place + rank)


def _without_4(recipes: Sequence[Recipe]) -> tuple[Recipe, ...]:
    """For men alone: nothing above the pitch at which they sing (R25)."""
    return tuple(one for one in recipes if all(slot.pitch <= 1 for slot in one.slots))


def _sounds(organ: Organ, chosen: Mapping[str, Choice]) -> Sounds:
    drawn: dict[str, Drawn] = {name: choice.stops for name, choice in chosen.items()}
    return Sounds(organ, drawn)


def _tried(
    parts: _Parts, when: Sequence[Moment], console: _Console, chosen: Mapping[str, Choice], step: int,
    wanted_db: float, rank: int,
) -> _Tried:  # fmt: skip
    sounds = _sounds(console.organ, chosen)
    leads_db = max(sounds.level_db(when), sounds.level_db(when, tune_only=True) + TUNE_LEADS_DB)
    lacking = wanted_db - leads_db
    cost = float(rank) + sum(2 * abs(one.step - step) for one in chosen.values())
    if parts.solo in chosen:
        cost += 4 * max(0.0, 1 - sounds.weaker_db(when))
        others = [one for name, one in chosen.items() if name != parts.solo]
        cost += 3 * sum(one.colour == chosen[parts.solo].colour for one in others)
    cost += 2 * max(0.0, lacking) + 6 * max(0.0, lacking - TOLERANCE_DB)
    cost += 8 * sum(any(stop.state == "dull" for _, stop in one.stops) for one in chosen.values())
    if not console.organ.pistons:
        over = sum(max(0, count - MOST_STOPS_OF_A_SIDE) for count in console.changes(chosen).values())
        cost += 12 * over
    return _Tried(cost, chosen, 1.0, lacking, None)


def _clearest(tried: Iterable[_Tried], parts: _Parts, when: Sequence[Moment], console: _Console) -> list[_Tried]:
    """The cheapest combinations once it counts how clear the tune is; those that cannot be among them are not heard."""
    best: list[_Tried] = []
    for one in sorted(tried, key=lambda one: one.cost):
        if len(best) == WITH_FEET and one.cost >= best[-1].cost:
            break
        heard = one
        if parts.solo in one.chosen:
            clear = _sounds(console.organ, one.chosen).clarity(when)
            heard = replace(one, cost=one.cost + 60 * max(0.0, CLEAR - clear), clarity=clear)
        best = sorted([*best, heard], key=lambda one: one.cost)[:WITH_FEET]
    return best


def _with_feet(
    parts: _Parts, when: Sequence[Moment], console: _Console, hands: _Tried, feet: Choice, rank: int
) -> _Tried:
    chosen = {**hands.chosen, parts.pedal: feet}
    balance = None if parts.pedal_solo else _sounds(console.organ, chosen).pedal_db(when, parts.solo)
    cost = hands.cost + 0.3 * rank
    if balance is not None:
        cost += 3 * max(0.0, balance - HIGHEST_16_DB, LOWEST_16_DB - balance)
    elif not parts.pedal_solo and parts.pedal:
        cost += 5.0  # a pedal without 16 foot tone
    if not console.organ.pistons:
        before = sum(max(0, count - MOST_STOPS_OF_A_SIDE) for count in console.changes(hands.chosen).values())
        after = sum(max(0, count - MOST_STOPS_OF_A_SIDE) for count in console.changes(chosen).values())
        cost += 12 * (after - before)
    return _Tried(cost, chosen, hands.clarity, hands.lacking_db, balance)


# --- what is said ----------------------------------------------------------------------------------


def _said(parts: _Parts, chosen: Mapping[str, Choice], step: int) -> Registration:
    """Two ways of saying it: by kinds, and by the stops of this organ."""
    generic = []
    if parts.solo in chosen:
        generic.append(f"solo: {chosen[parts.solo].name}")
    hands = [chosen[name].name for name in parts.hands if name in chosen]
    if parts.solo or parts.pedal_solo:
        generic += [f"accompaniment: {name}" for name in hands[:1]]
    elif len(hands) > 1:  # the tune shares a keyboard, something else has one of its own
        generic.append(f"tune: {hands[0]}; other hand: {hands[1]}")
    else:
        generic += hands
    if parts.pedal in chosen:
        feet = chosen[parts.pedal]
        generic.append(
            f"pedal: {feet.name}" + (", no 16, uncoupled" if parts.pedal_solo in ("pedal", "pedal-8") else "")
        )
    order = [name for name in (parts.solo, *parts.hands, parts.pedal) if name in chosen]
    actual = tuple((name, _knobs(name, chosen[name], chosen)) for name in dict.fromkeys(order))
    drawn = tuple((name, chosen[name].names(name)) for name in dict.fromkeys(order))
    return Registration("; ".join(generic), actual, drawn, step)


def _knobs(division: str, choice: Choice, chosen: Mapping[str, Choice]) -> str:
    """The knobs of a keyboard; those of a coupled division too, unless its own keyboard names them."""
    own = [str(stop) for home, stop in choice.stops if home == division]
    if choice.coupled and choice.coupled not in chosen:
        own += [f"{home} {stop}" for home, stop in choice.stops if home != division]
    if choice.coupled:
        own.append(f"{choice.coupled} to {division}")
    return ", ".join(own)


def _told(
    section: Accompaniment, parts: _Parts, when: Sequence[Moment], console: _Console, tried: _Tried
) -> Iterable[Finding]:
    organ, chosen, start = console.organ, tried.chosen, section.bars[0].start
    sounds = _sounds(organ, chosen)
    wanted = CLEAR if parts.solo in chosen else BURIED
    under = parts.hands[0] if parts.hands else ""
    has_tune = any(note.part == "tune" for note in section.notes)
    clear = sounds.clarity(when)
    if has_tune and clear < wanted / 2 + (wanted == CLEAR) * 0.1 and under in chosen:
        yield tell(
            section, "tune-buried", start, over=f"{_knobs(under, chosen[under], chosen)} on {under}",
            clarity=f"{clear:.2f}", wanted=f"{wanted:g}", remedy=_clearer(sounds, parts, when, organ, chosen),
        )  # fmt: skip
    if tried.lacking_db > TOLERANCE_DB and section.kind == "verse":
        stops = "; ".join(_knobs(name, one, chosen) for name, one in chosen.items())
        yield tell(
            section, "too-soft", start, stops=stops, singers=console.singers, lacking=round(tried.lacking_db),
            remedy=_fuller(parts, organ, chosen),
        )  # fmt: skip
    for name, one in chosen.items():
        if not parts.pedal_solo and name != parts.pedal and not any(stop.pitch == 1 for _, stop in one.stops):
            yield tell(section, "no-unison", start, division=name, remedy="Play there an octave lower or higher, or "
                       "have the 8 foot stops mended.")  # fmt: skip
    strong = tried.pedal_db is not None and tried.pedal_db > HIGHEST_16_DB
    by = max(tried.pedal_db - HIGHEST_16_DB, LOWEST_16_DB - tried.pedal_db) if tried.pedal_db is not None else 0.0
    if by >= JUST_HEARD_DB:
        yield tell(
            section, "pedal-balance", start, how="strong" if strong else "weak", by=round(by),
            remedy="Leave the 16 foot stop off, or play more on the manual." if strong
            else "Couple a manual to the pedal, or draw a stronger 16 foot stop.",
        )  # fmt: skip
    if not organ.pistons:
        for side, count in console.changes(chosen).items():
            if count > MOST_STOPS_OF_A_SIDE:
                names = " and ".join(name for name in chosen if console.side(name) == side)
                yield tell(section, "stops-to-change", start, count=count, division=names,
                           remedy=f"Ask someone to draw them, or keep the stops of {console.begun[-1]}.")  # fmt: skip


def _fuller(parts: _Parts, organ: Organ, chosen: Mapping[str, Choice]) -> str:
    """What would make the whole stronger."""
    if parts.solo in chosen:
        loudest = max(organ.manuals, key=lambda one: sum(10 ** (gain_db(stop) / 10) for stop in one.working))
        return f"Lay the verse out for both hands on {loudest.name}, or let fewer sing it."
    return "Lay the verse out in full chords (as printed, or block), or let fewer sing it."


def _clearer(sounds: Sounds, parts: _Parts, when: Sequence[Moment], organ: Organ, chosen: Mapping[str, Choice]) -> str:
    """What would make the tune clearer."""
    under = organ.division(parts.hands[0]) if parts.hands else None
    if sounds.clarity(when, raised=12) >= CLEAR:
        return "Lay the tune an octave up."
    if under is not None and under.enclosed and under.name != parts.solo:
        return f"Close the box of {under.name}."
    if parts.solo not in chosen and len(organ.manuals) > 1:
        return "Lay the tune on a manual of its own."
    return "Take a stronger stop for the tune, or a thinner accompaniment."
