"""Stops for every section from those there are, and whether the tune stands clear."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from invented import arrangement_of, bars_of, line_of, section_of
from undersong.acoustics.audibility import (
    a_weight_db,
    a_weighted_db,
    clarity,
    level_wanted_db,
    power_db,
)
from undersong.acoustics.spectra import HIGHEST_RANK_HZ, SPECTRA, gain_db, partials_of, ranks_of
from undersong.acoustics.stopnames import recognise
from undersong.acoustics.temperament import key_hz
from undersong.demo import hymn_files
from undersong.library.organfile import find_organ, read_organ_text
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.organ import Break, Division, Organ, Stop
from undersong.model.room import ROOMS, Room
from undersong.registration import register
from undersong.registration.choose import build_up
from undersong.registration.recipes import CHORUS, PEDAL_SOLO, SOLO
from undersong.workflow import Wishes, lay_out, read

# --- spectra ---------------------------------------------------------------------------------------

LEVELS = {
    "principal": "0 -4 -7 -9 -10 -12 -15 -17 -20 -22 -24 -26", "octave": "0 -6 -9 -11 -13 -17 -21 -24 -26 -29 -31 -33",
    "stopped": "0 -29 -17 -42 -28 -50 -36 -57 -41 -61 -46 -65",
    "open flute": "0 -12 -16 -25 -28 -35 -37 -42 -43 -47 -48 -52", "string": "0 -2 -2 -3 -3 -4 -4 -4 -7 -9 -11 -13",
    "oboe": "0 1 3 3 5 1 -1 -4 -5 -7 -8 -10", "trumpet": "0 0 1 1 1 1 1 2 -1 -2 -4 -6",
    "mixture": "0 -7 -11 -14 -20 -25 -29 -32 -35 -38 -40 -43",
}  # fmt: skip


@pytest.mark.parametrize("name", LEVELS)
def test_levels_of_the_harmonics(name: str) -> None:
    """The table of the project's notes on sound, section 2, rounded to whole dB."""
    for harmonic, level in enumerate(map(float, LEVELS[name].split()), 1):
        assert SPECTRA[name].level_db(harmonic) == pytest.approx(level, abs=0.56)


def stop(name: str, level: int | None = None) -> Stop:
    found = recognise(name)
    assert found is not None
    text = name if found.kind.family == "mixture" else found.name
    return Stop(text, found.feet, found.kind.family, found.kind.variety, level or found.level)


@pytest.mark.parametrize(
    ("name", "pedal", "gain"),
    [
        ("Principal 8", False, 0), ("Open Flute 8", False, -4), ("Octave 4", False, -4), ("Fifteenth 2", False, -8),
        ("Mixture IV", False, -12), ("Gedackt 8", False, -4), ("Salicional 8", False, -10), ("Oboe 8", False, -8),
        ("Trumpet 8", False, -6), ("Subbass 16", True, 3), ("Principal 8", True, -1), ("Trombone 16", True, -4),
    ],
)  # fmt: skip
def test_gains_of_stops(name: str, pedal: bool, gain: float) -> None:
    """Stop gains of the same notes, for stops of the usual loudness."""
    assert gain_db(stop(name), pedal=pedal) == pytest.approx(gain)


def test_a_mixture_breaks_back() -> None:
    """A Fourniture IV: C1 1 1/3-1-2/3-1/2, C13 2-1 1/3-1-2/3, C25 2 2/3-2-1 1/3-1, C37 4-... (encyclopaedia)."""
    mixture = Stop("Fourniture IV", "1 1/3", "mixture", "", 4)
    assert ranks_of(mixture, 36) == (6, 8, 12, 16)
    assert ranks_of(mixture, 48) == (4, 6, 8, 12)
    assert ranks_of(mixture, 60) == (3, 4, 6, 8)
    assert ranks_of(mixture, 72)[:3] == (2, 3, 4)
    for number in range(36, 97):
        for name in ("Fourniture IV", "Scharf III", "Zimbel III", "Mixture VI", "Mixture"):
            found = ranks_of(stop(name), number)
            assert found
            assert max(found) * key_hz(number) <= HIGHEST_RANK_HZ * 1.01
    own = replace(mixture, breaks=(Break(36, ("1", "1/2")), Break(60, ("2", "1"))))
    assert (ranks_of(own, 59), ranks_of(own, 60)) == ((8, 16), (4, 8))
    assert ranks_of(stop("Cornet V"), 59) == ()
    assert ranks_of(stop("Cornet V"), 60) == (1, 2, 3, 4, 5)


# --- audibility ------------------------------------------------------------------------------------

Solo = tuple[str, ...]
ACCOMPANIMENT = (55, 60, 64)
TABLE: tuple[tuple[Solo, int, float, float, float, float, float], ...] = (
    (("Oboe 8",), 76, 0.83, 0.30, 0.48, 0.78, 0.20),
    (("Trumpet 8",), 76, 0.84, 0.39, 0.55, 0.80, 0.28),
    (("Gedackt 8",), 76, 0.45, 0.07, 0.09, 0.43, 0.00),
    (("Oboe 8",), 64, 0.72, 0.17, 0.31, 0.68, 0.13),
    (("Gedackt 8",), 64, 0.13, 0.02, 0.02, 0.13, 0.08),
)
"""Solo and key; measure over flute, over chorus, over principal 8 (from loops); ISO 532-1 over flute and chorus."""


def sound(stops: Solo, keys: tuple[int, ...]) -> list[tuple[float, float]]:
    return [one for name in stops for key in keys for one in partials_of(stop(name), key, key_hz(key))]


FLUTE, CHORUS_STOPS, DIAPASON = ("Open Flute 8",), ("Principal 8", "Octave 4", "Fifteenth 2"), ("Principal 8",)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]}{row[1]}")
def test_clarity_against_the_table(row: tuple[Solo, int, float, float, float, float, float]) -> None:
    """Within 0.035 of the measure from loops, within 0.12 of (total - accompaniment) / solo by ISO 532-1."""
    solo, key, flute, chorus, diapason, iso_flute, iso_chorus = row
    found = [clarity(sound(solo, (key,)), sound(under, ACCOMPANIMENT)) for under in (FLUTE, CHORUS_STOPS, DIAPASON)]
    assert found == pytest.approx([flute, chorus, diapason], abs=0.035)
    assert found[:2] == pytest.approx([iso_flute, iso_chorus], abs=0.12)


def test_clarity_reads_as_it_should() -> None:
    """Alone 1, silent 0; an octave up clearer than dB(A) would tell; louder accompaniment, less clear."""
    oboe = sound(("Oboe 8",), (76,))
    assert clarity(oboe, ()) == pytest.approx(1)
    assert clarity((), oboe) == 0
    low, high = (clarity(sound(("Gedackt 8",), (key,)), sound(FLUTE, ACCOMPANIMENT)) for key in (64, 76))
    assert high > low + 0.2
    louder = [(hertz, 10 * power) for hertz, power in sound(FLUTE, ACCOMPANIMENT)]
    assert clarity(oboe, louder) < clarity(oboe, sound(FLUTE, ACCOMPANIMENT))


@pytest.mark.parametrize(("tenth", "weight"), [(15, -39.4), (21, -16.1), (30, 0.0), (34, 1.3), (39, -1.1)])
def test_a_weighting(tenth: int, weight: float) -> None:
    """Table of IEC 61672-1 (values from memory) at 31.5, 125, 1000, 2500 and 8000 Hz, exactly 10^(n/10), to a tenth."""
    assert a_weight_db(10 ** (tenth / 10)) == pytest.approx(weight, abs=0.06)


def test_the_build_up_carries_the_singers() -> None:
    """Flutes 8 and 4 carry 20, a Diapason 8 carries 80, the chorus with mixture 200 (common practice, no source)."""
    chord = (48, 55, 64, 72)
    flutes = a_weighted_db(sound(("Open Flute 8", "Open Flute 4"), chord))
    diapason = a_weighted_db(sound(DIAPASON, chord))
    full = a_weighted_db(sound((*CHORUS_STOPS, "Mixture III"), chord))
    assert level_wanted_db(20) <= flutes < level_wanted_db(80) <= diapason < level_wanted_db(200) <= full
    assert power_db(sound(DIAPASON, (60,))) == pytest.approx(-3.0 + 2.4, abs=0.5)


# --- twenty organs in four languages ----------------------------------------------------------------

LISTS = (Path(__file__).parent / "data" / "stop_lists.txt").read_text(encoding="utf-8")


def organ_of(text: str) -> Organ:
    """`name | couplers`, then a line for each keyboard: `Great 58: stop, stop ...`; `[pistons]` after the name."""
    head, *rows = text.strip().splitlines()
    name, _, couplers = head.partition("|")
    toml = [
        f'name = "{name.split("[")[0].strip()}"',
        f"couplers = {[one.strip() for one in couplers.split(',') if one.strip()]}",
    ]
    if "[pistons]" in name:
        toml.append('pistons = ["1", "2", "3"]')
    for row in rows:
        keyboard, _, stops = row.partition(":")
        title, keys = keyboard.rsplit(" ", 1)
        boxed = title.endswith("*")
        table = "[pedal]" if title.startswith(("Ped", "Péd")) else "[[manual]]"
        listed = [
            f'{{ name = "{one.strip().rstrip("!?")}", state = "{"dead" if one.strip().endswith("!") else "dull"}" }}'
            if one.strip()[-1:] in "!?" else f'"{one.strip()}"'
            for one in stops.split(",") if one.strip()
        ]  # fmt: skip
        toml += [table, f'name = "{title.rstrip("*")}"', f"keys = {keys}", f"enclosed = {str(boxed).lower()}",
                 f"stops = [{', '.join(listed)}]"]  # fmt: skip
    organ = read_organ_text("\n".join(toml)).organ
    assert organ is not None
    return organ


ORGANS = {organ.name: organ for organ in map(organ_of, LISTS.split("\n\n"))}


def test_there_are_twenty_lists() -> None:
    assert len(ORGANS) == 20


def arranged(organ: Organ, room: Room, hymn: int = 6) -> tuple[Arrangement, Arrangement]:
    bare = lay_out(read(hymn_files()[hymn])[0], Wishes(organ=organ))
    return bare, register(bare, organ, room)


LONE = {"4", "16", "2", "2 2/3", "32"}


def faults_of(section: Accompaniment, organ: Organ) -> list[str]:
    """R24 and the craft: what must not be in a registration."""
    faults = []
    for division, names in section.registration.drawn:
        stops = [_stop(organ, division, name) for name in names]
        if any(one.state == "dead" for one in stops):
            faults.append(f"a dead stop on {division}")
        if any(one.variety == "celeste" for one in stops):
            faults.append(f"a celeste on {division}")
        is_pedal = organ.pedal is not None and division == organ.pedal.name
        if not is_pedal and not any(one.pitch == 1 for one in stops):
            faults.append(f"no unison on {division}: {names}")
        if len(set(names)) != len(names):
            faults.append(f"a stop twice on {division}")
    return faults


def _stop(organ: Organ, division: str, name: str) -> Stop:
    home, _, bare = name.rpartition(": ")
    found = organ.division(home or division)
    assert found is not None
    return next(one for one in found.stops if str(one) == bare)


@pytest.mark.parametrize("name", ORGANS)
def test_every_section_is_served(name: str) -> None:
    """Each keyboard that plays has stops; R24 kept; a fault is told with its remedy; R26 kept or told."""
    organ = ORGANS[name]
    bare, made = arranged(organ, Room(singers=80))
    told = made.findings[len(bare.findings) :]
    for section in made.sections:
        played = {note.division for note in section.notes if note.division}
        drawn = dict(section.registration.drawn)
        assert played == set(drawn)
        assert all(drawn.values())
        assert section.registration.generic
        assert dict(section.registration.actual).keys() == drawn.keys()
        faults = faults_of(section, organ)
        if faults:
            assert any(one.section == section.id and one.kind == "no-unison" for one in told), faults
        assert 1 <= section.registration.loudness <= 5
    assert all(one.remedy and one.message and "{" not in one.message + one.remedy for one in told)
    assert {one.kind for one in told} <= {"tune-buried", "too-soft", "no-unison", "pedal-balance", "stops-to-change"}
    _check_changes(made, organ, {one.section for one in told if one.kind == "stops-to-change"})


def _check_changes(made: Arrangement, organ: Organ, told: set[str]) -> None:
    """R26, counted apart from the code: knobs that differ between neighbours, by side of the console."""
    if organ.pistons:
        assert not told
        return
    left = {organ.manuals[-1].name} if len(organ.manuals) > 1 else set()
    left |= {organ.pedal.name} if organ.pedal else set()
    before: dict[str, set[str]] = {}
    for index, section in enumerate(made.sections):
        moved = {True: 0, False: 0}
        for division, text in section.registration.actual:
            now = set(text.split(", "))
            if index:
                moved[division in left] += len(now ^ before.get(division, set()))
            before[division] = now
        assert (max(moved.values()) > 2) == (section.id in told), section.id


@pytest.mark.parametrize("singers", [20, 80, 200])
def test_more_singers_more_stops(singers: int) -> None:
    """On the twenty-stop organ the first verse grows with the number of singers."""
    organ = find_organ("two-manuals-20")
    _, made = arranged(organ, Room(singers=singers), hymn=0)
    assert made.sections[0].registration.loudness == {20: 1, 80: 2, 200: 3}[singers]


def test_build_up_never_jumps() -> None:
    """Neighbouring verses differ by one step at most and never go down (R24)."""
    for count in range(1, 12):
        for singers in (5, 20, 80, 200, 1000):
            steps = build_up(count, singers)
            assert all(0 <= two - one <= 1 for one, two in pairwise(steps))
            assert 1 <= steps[0] <= steps[-1] <= 5


def test_solo_is_stronger_and_of_another_colour() -> None:
    """Oboe over a flute, not flute over flute; the solo above the accompaniment in dB(A)."""
    bars = bars_of("4/4", "C major", ["4"] * 4)
    tune = line_of("v", "tune", "E5:4 D5:4 E5:4 C5:4", bars, division="Swell")
    under = line_of("v", "figure", "G3:4 F3:4 G3:4 E3:4", bars, division="Great")
    section = replace(section_of("v", bars, {}), notes=(*tune, *under), right="Swell", left="Great", feet="")
    organ = Organ("x", (
        Division("Great", 36, 96, (stop("Stopped Flute 8"), stop("Open Diapason 8"))),
        Division("Swell", 36, 96, (stop("Stopped Flute 8"), stop("Oboe 8"), stop("Flute 4"))),
    ), None)  # fmt: skip
    made = register(arrangement_of(section), organ, ROOMS["average"])
    assert dict(made.sections[0].registration.drawn)["Great"] == ("Stopped Flute 8",)
    assert "Oboe 8" in dict(made.sections[0].registration.drawn)["Swell"]
    assert not [one for one in made.findings if one.kind == "tune-buried"]


def test_under_a_descant_the_tune_has_the_stronger_stops() -> None:
    """Tune and alto on one keyboard, the descant on the other: principals under, a flute over them; either way round.

    Common practice, no source.
    """
    bars = bars_of("4/4", "C major", ["4"] * 4)
    for over, under in (("Swell", "Great"), ("Great", "Swell")):
        descant = line_of("v", "descant", "G5:4 A5:4 G5:4 E5:4", bars, limb="right hand", division=over)
        tune = line_of("v", "tune", "E4:4 D4:4 E4:4 C4:4", bars, limb="left hand", division=under)
        alto = line_of("v", "alto", "C4:4 A3:4 C4:4 G3:4", bars, limb="left hand", division=under)
        section = replace(
            section_of("v", bars, {}), notes=(*descant, *tune, *alto), right=over, left=under, feet=""
        )  # fmt: skip
        organ = Organ("x", tuple(
            Division(name, 36, 96, (stop("Stopped Flute 8"), stop("Open Diapason 8"), stop("Principal 4")))
            for name in ("Great", "Swell")
        ), None)  # fmt: skip
        registration = register(arrangement_of(section), organ, ROOMS["average"]).sections[0].registration
        drawn = dict(registration.drawn)
        assert registration.generic.startswith("tune: principal")
        assert "other hand: flute 8" in registration.generic
        assert "Open Diapason 8" in drawn[under]
        assert drawn[over] == ("Stopped Flute 8",)


def test_a_buried_tune_is_told() -> None:
    """A lone flute over a lone Diapason: told, and an octave up or another stop advised."""
    bars = bars_of("4/4", "C major", ["4"] * 2)
    tune = line_of("v", "tune", "E4:4 D4:4", bars, division="Swell")
    under = line_of("v", "figure", "G3:4 F3:4", bars, division="Great")
    section = replace(section_of("v", bars, {}), notes=(*tune, *under), right="Swell", left="Great", feet="")
    organ = Organ("x", (
        Division("Great", 36, 96, (stop("Open Diapason 8"),)), Division("Swell", 36, 96, (stop("Stopped Flute 8"),)),
    ), None)  # fmt: skip
    made = register(arrangement_of(section), organ, Room(singers=20))
    found = next(one for one in made.findings if one.kind == "tune-buried")
    assert "Open Diapason 8 on Great" in found.message
    assert found.remedy


def test_men_alone_hear_no_4_foot_tone() -> None:
    """R25: where the plan says that men sing, nothing sounds an octave above the keys."""
    organ = find_organ("two-manuals-20")
    bare = lay_out(read(hymn_files()[6])[0], Wishes(organ=organ))
    plan = replace(bare.plan, verses=tuple(replace(one, who="men") for one in bare.plan.verses))
    made = register(replace(bare, plan=plan), organ, ROOMS["average"])
    for section in made.sections:
        for division, names in section.registration.drawn:
            if division != "Pedal":
                assert all(_stop(organ, division, name).pitch <= 1 for name in names), names


def test_pistons_are_named() -> None:
    """An organ with pistons: each set of stops has one, the same set the same one."""
    organ = find_organ("three-manuals")
    _, made = arranged(organ, Room(), hymn=0)
    by_piston: dict[str, set[object]] = {}
    for section in made.sections:
        by_piston.setdefault(section.registration.generic.partition(":")[0], set()).add(section.registration.drawn)
    assert set(by_piston) <= set(organ.pistons)
    assert all(len(sets) == 1 for sets in by_piston.values())


def test_tune_in_the_pedal_has_no_16() -> None:
    """R4: 4 foot alone, nothing coupled."""
    bars = bars_of("4/4", "C major", ["4"] * 2)
    tune = line_of("v", "tune", "E3:4 D3:4", bars, limb="feet", division="Pedal")
    under = line_of("v", "figure", "G4:4 F4:4", bars, division="Swell")
    section = replace(section_of("v", bars, {}), notes=(*tune, *under), right="Swell", left="Swell", tune="pedal")
    made = register(arrangement_of(section), find_organ("two-manuals-20"), ROOMS["average"])
    assert dict(made.sections[0].registration.drawn)["Pedal"] == ("Choral Bass 4",)
    assert "no 16" in made.sections[0].registration.generic


def test_random_organs_always_get_stops() -> None:
    """150 seeded organs, dead stops and no pedal among them: each keyboard that has a stop is served."""
    dice = random.Random(11)
    names = ("Gedackt 8", "Principal 8", "Octave 4", "Flute 4", "Fifteenth 2", "Mixture III", "Oboe 8", "Trumpet 8",
             "Salicional 8", "Voix celeste 8", "Nasard", "Tierce", "Bourdon 16", "Cornet V", "Larigot")  # fmt: skip
    bars = bars_of("4/4", "C major", ["4"] * 2)
    for _ in range(150):
        manuals = []
        for name in ("Great", "Swell"):
            chosen = [stop(one) for one in dice.sample(names, dice.randint(1, 6))]
            chosen = [replace(one, state=dice.choice(["sound", "sound", "dull", "dead"])) for one in chosen]
            manuals.append(Division(name, 36, 96, tuple(chosen)))
        pedal = Division("Pedal", 36, 65, tuple(stop(one) for one in dice.sample(["Subbass 16", "Principal 8"], 1)))
        organ = Organ("x", tuple(manuals), pedal if dice.random() < 0.7 else None, (("Swell", "Great"),))
        hands = dice.choice([("Great", "Great"), ("Great", "Swell"), ("Swell", "Great")])
        notes = [*line_of("v", "tune", "E5:4 D5:4", bars, division=hands[0]),
                 *line_of("v", "figure", "G3:4 F3:4", bars, division=hands[1])]  # fmt: skip
        if organ.pedal:
            notes += line_of("v", "bass", "C3:4 D3:4", bars)
        section = replace(section_of("v", bars, {}), notes=tuple(notes), right=hands[0], left=hands[1])
        made = register(arrangement_of(section), organ, ROOMS["average"])
        drawn = dict(made.sections[0].registration.drawn)
        for division in {note.division for note in notes}:
            found = organ.division(division)
            usable = found is not None and any(one.variety != "celeste" for one in found.working)
            assert not usable or drawn.get(division), (organ, division)


def test_recipes_are_well_formed() -> None:
    """Names are unique, steps in order, every colour named; a lone 4 or 16 stands in no recipe for manuals."""
    for rows in (SOLO, CHORUS):
        assert len({row.name for row in rows}) == len(rows)
        for row in rows:
            assert 1 <= row.low <= row.high <= 5
            assert row.colour
            assert any(slot.pitch == 1 for slot in row.slots)
    for place, pitch in (("pedal", 2), ("pedal-8", 1)):
        assert all(slot.pitch == pitch for row in PEDAL_SOLO[place] for slot in row.slots)
