"""Her organ and her room as a TOML file, and the ready-made ones.

The musical problem: no two organs are alike, and what is on the knobs is all that an organist can be expected to
type. A stop is therefore written as on its knob ("Rohrflöte 8"); only what the table of names does not know needs
family and feet.

Conventions: manuals stand from the lowest keyboard up; keys are named `C2` (the lowest C of the keyboard) to `C7`.
Lengths are written as printed ("2 2/3"). Reverberation is one number of seconds for the middle frequencies, or a table
from octave band to seconds. One file may hold an organ, a `[room]`, or both.

References: TOML 1.0. The ready-made organs are invented.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction
from pathlib import Path
from typing import Any, NoReturn, get_args

from undersong.acoustics.stopnames import plain_words, recognise, split_name, table
from undersong.acoustics.temperament import NARROWED
from undersong.errors import BrokenOrgan, CannotReadFile, UnknownName, UnknownStop
from undersong.model.organ import Break, Division, Family, Organ, State, Stop, feet_of, show_feet
from undersong.model.pitch import Pitch
from undersong.model.room import BAND_FACTORS, LONGEST_SECONDS, ROOMS, SHORTEST_SECONDS, Room, bands_of

READY = Path(__file__).resolve().parent / "organs"
MOST_BYTES = 200_000
MOST_MANUALS, MOST_STOPS = 7, 200
LOWEST_C = 36
LOWEST_A4_HZ, HIGHEST_A4_HZ = 370.0, 500.0
"""A little beyond what organs have been tuned to (from memory: French 1700 about 390, old north German up to 480)."""
FAMILIES: tuple[Family, ...] = get_args(Family)
STATES: tuple[State, ...] = get_args(State)

ORGAN_FIELDS = ("name", "a4_hz", "temperament", "couplers", "pistons", "manual", "pedal", "room")
DIVISION_FIELDS = ("name", "keys", "lowest", "highest", "enclosed", "stops")
STOP_FIELDS = ("name", "feet", "family", "variety", "level", "state", "from", "to", "breaks", "slopes")
ROOM_FIELDS = ("name", "reverberation", "singers", "width", "length", "height")


@dataclass(frozen=True, slots=True)
class OrganFile:
    """What a file holds; either may be missing, not both."""

    organ: Organ | None
    room: Room | None


def ready_names() -> tuple[str, ...]:
    """Names of the ready-made organs."""
    return tuple(sorted(path.stem for path in READY.glob("*.toml")))


def organ_source(name: str) -> Path:
    """The file of a ready-made organ, or the file of that path; UnknownName for neither."""
    if name in ready_names():
        return READY / f"{name}.toml"
    path = Path(name)
    if path.is_file() or path.suffix == ".toml":
        return path
    near = get_close_matches(name, ready_names(), 1)
    guess = f"Did you mean {near[0]}? " if near else ""
    raise UnknownName(
        f"there is no organ {name!r}",
        remedy=f"{guess}Ready-made are {', '.join(ready_names())}; or name a .toml file of your own.",
    )


def find_organ(name: str) -> Organ:
    """A ready-made organ by name, or the one in a file of hers."""
    path = organ_source(name)
    organ = read_organ_file(path).organ
    if organ is None:
        raise BrokenOrgan("this file holds a room but no organ", file=str(path), remedy="Add a [[manual]] with stops.")
    return organ


def find_room(text: str, singers: int | None = None) -> Room:
    """`live`, a reverberation time such as `2.4`, or the room in a file; UnknownName or BrokenOrgan otherwise."""
    room = ROOMS.get(text.strip().casefold().replace("-", " "))
    if room is None:
        try:
            seconds = float(text.casefold().removesuffix("s"))
        except ValueError:
            room = _room_in(text)
        else:
            _sane_reverberation(seconds, _Where("", "--room", ""))
            room = Room(f"{seconds:g} s", bands_of(seconds))
    if singers is None:
        return room
    return Room(room.name, room.reverberation, singers, room.width, room.length, room.height)


def _room_in(text: str) -> Room:
    path = Path(text)
    if not path.is_file() and path.suffix != ".toml":
        raise UnknownName(
            f"there is no room {text!r}",
            remedy=f"Say {', '.join(ROOMS)}, a reverberation time in seconds, or name a .toml file.",
        )
    room = read_organ_file(path).room
    if room is None:
        raise BrokenOrgan("this file holds no [room]", file=str(path), remedy="Add [room] with reverberation = 2.0.")
    return room


@dataclass(frozen=True, slots=True)
class _Where:
    """A place in the file: its text serves to find the line."""

    file: str
    place: str
    text: str

    def inside(self, place: str) -> _Where:
        return _Where(self.file, f"{self.place}, {place}" if self.place else place, self.text)

    def at(self, needle: str) -> str:
        """The place, with the line of the first mention of the needle in front."""
        lines = self.text.splitlines()
        line = next((number for number, one in enumerate(lines, 1) if needle and needle in one), 0)
        return ", ".join(part for part in (f"line {line}" if line else "", self.place) if part)


def _wrong(where: _Where, message: str, remedy: str, needle: str = "") -> NoReturn:
    raise BrokenOrgan(message, file=where.file, place=where.at(needle), remedy=remedy)


def read_organ_file(path: Path) -> OrganFile:
    """The organ and the room in a file; CannotReadFile, BrokenOrgan or UnknownStop with place and remedy."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise CannotReadFile("this file is too large for an organ", file=str(path), remedy="Name the right file.")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise CannotReadFile(
            "this file cannot be read", file=str(path), remedy="Name a text file (.toml) that holds an organ or a room."
        ) from fault
    return read_organ_text(text, str(path))


def read_organ_text(text: str, file: str = "") -> OrganFile:
    """As `read_organ_file`, from text."""
    try:
        given = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise BrokenOrgan(
            f"this is not TOML ({fault})", file=file, remedy='Text stands in quotes: name = "Great".'
        ) from fault
    where = _Where(file, "", text)
    _known_fields(given, ORGAN_FIELDS, where)
    room = _room(_as_table(given["room"], where.inside("[room]")), where.inside("[room]")) if "room" in given else None
    organ = _organ(given, where) if set(given) - {"room"} else None
    if organ is None and room is None:
        _wrong(where, "this file holds neither an organ nor a room", BrokenOrgan.remedy)
    return OrganFile(organ, room)


def _known_fields(given: Mapping[str, Any], known: tuple[str, ...], where: _Where) -> None:
    for name in given:
        if name not in known:
            near = get_close_matches(name, known, 1)
            guess = f"Did you mean {near[0]}? " if near else ""
            _wrong(where, f"{name!r} is not known here", f"{guess}Known are {', '.join(known)}.", name)


def _as_table(given: object, where: _Where) -> dict[str, Any]:
    if not isinstance(given, dict):
        _wrong(where, "this should be a table", f"Write {where.place.split(', ')[-1]} on a line of its own.")
    return given


def _text(given: object, what: str, where: _Where) -> str:
    if not isinstance(given, str) or not given.strip() or len(given) > 100:
        _wrong(where, f"{what} should be text", f'Write {what} = "...", in quotes, at most 100 letters.', what)
    return given.strip()


def _number(given: object, what: str, low: float, high: float, where: _Where, unit: str = "") -> float:
    if isinstance(given, bool) or not isinstance(given, int | float) or not low <= given <= high:
        _wrong(
            where, f"{what} is {given!r}, not a number from {low:g} to {high:g}{unit}", f"Mend {what}.", what
        )  # fmt: skip
    return given


def _organ(given: Mapping[str, Any], where: _Where) -> Organ:
    manuals = given.get("manual", [])
    if not isinstance(manuals, list) or not manuals:
        _wrong(where, "no manual is written down", "Write [[manual]], in double brackets, above each keyboard.")
    if len(manuals) > MOST_MANUALS:
        _wrong(where, f"{len(manuals)} manuals are more than any organ has", f"Keep at most {MOST_MANUALS}.")
    read = [_division(one, f"manual {count}", 61, where) for count, one in enumerate(manuals, 1)]
    pedal = _division(given["pedal"], "pedal", 30, where) if "pedal" in given else None
    divisions = [*read, *([pedal] if pedal else [])]
    names = [division.name for division in divisions]
    for name in names:
        if names.count(name) > 1:
            _wrong(where, f"two divisions are called {name}", "Give each a name of its own.", name)
    temperament = given.get("temperament", "equal")
    if temperament not in NARROWED:
        _wrong(where, f"the temperament {temperament!r} is not known", f"Known are {', '.join(NARROWED)}.", "temperam")
    couplers = tuple(_coupler(one, names, where) for one in _list(given.get("couplers", []), "couplers", where))
    for division in divisions:
        if not division.stops and not any(keyboard == division.name for _, keyboard in couplers):
            _wrong(
                where, f"{division.name} has no stops and nothing is coupled to it",
                "Write its stops, or a coupler, or leave the division out.", f'"{division.name}"',
            )  # fmt: skip
    return Organ(
        _text(given.get("name", "Organ"), "name", where), tuple(read), pedal, couplers,
        tuple(_text(one, "a piston", where) for one in _list(given.get("pistons", []), "pistons", where)),
        float(_number(given.get("a4_hz", 440.0), "a4_hz", LOWEST_A4_HZ, HIGHEST_A4_HZ, where, " Hz")), temperament,
    )  # fmt: skip


def _list(given: object, what: str, where: _Where) -> list[Any]:
    if not isinstance(given, list) or len(given) > MOST_STOPS:
        _wrong(where, f"{what} should be a list", f"Write {what} = [...], with commas.", what)
    return given


def _coupler(given: object, names: list[str], where: _Where) -> tuple[str, str]:
    source, to, keyboard = (given if isinstance(given, str) else "").partition(" to ")
    pair = (source.strip(), keyboard.strip())
    if not to or not set(pair) <= set(names) or pair[0] == pair[1]:
        _wrong(
            where, f"the coupler {given!r} names no two divisions of this organ",
            f'Write "{names[-1]} to {names[0]}" and the like; the divisions are {", ".join(names)}.',
            given if isinstance(given, str) else "couplers",
        )  # fmt: skip
    return pair


def _key(given: object, what: str, where: _Where) -> int:
    try:
        number = Pitch.parse(given).midi if isinstance(given, str) else -1
    except ValueError:
        number = -1
    if not 12 <= number <= 108:
        _wrong(where, f"{what} is {given!r}, not a key", f'Write {what} = "C2" for the lowest C of a keyboard.', what)
    return number


def _division(given: object, place: str, usual: int, where: _Where) -> Division:
    where = where.inside(place)
    fields = _as_table(given, where)
    _known_fields(fields, DIVISION_FIELDS, where)
    name = _text(fields.get("name", "Pedal" if place == "pedal" else ""), "name", where)
    where = _Where(where.file, f"{place} ({name})", where.text)
    lowest = _key(fields["lowest"], "lowest", where) if "lowest" in fields else LOWEST_C
    keys = int(_number(fields.get("keys", usual), "keys", 5, 88, where))
    highest = _key(fields["highest"], "highest", where) if "highest" in fields else lowest + keys - 1
    if "keys" in fields and "highest" in fields and highest != lowest + keys - 1:
        _wrong(where, f"{keys} keys do not end at {fields['highest']}", "Write keys or highest, not both.", "highest")
    if not lowest + 4 <= highest <= 120:
        _wrong(where, "the highest key lies below the lowest", "Check lowest and highest.", "highest")
    enclosed = fields.get("enclosed", False)
    if not isinstance(enclosed, bool):
        _wrong(where, "enclosed is neither true nor false", "Write enclosed = true.", "enclosed")
    plain = Division(name, lowest, highest, (), enclosed)
    stops = _list(fields.get("stops", []), "stops", where)
    return Division(
        name, lowest, highest, tuple(_stop(one, count, plain, where) for count, one in enumerate(stops, 1)), enclosed
    )


def _stop(given: object, count: int, division: Division, where: _Where) -> Stop:
    if isinstance(given, str):
        given = {"name": given}
    where = where.inside(f"stop {count}")
    fields = _as_table(given, where)
    _known_fields(fields, STOP_FIELDS, where)
    written = _text(fields.get("name"), "name", where)
    known = recognise(written)
    name, printed, _ = split_name(written)
    family = fields.get("family", known.kind.family if known else None)
    if family is None:
        near = get_close_matches(plain_words(name), table(), 1, 0.75)
        raise UnknownStop(
            f"the stop {written!r} is not known" + (f" (is it {near[0].title()}?)" if near else ""), file=where.file,
            place=where.at(written),
            remedy=f'Write {{ name = "{name}", feet = "{printed or 8}", family = "..." }}, the family one of '
            f"{', '.join(FAMILIES)}.",
        )  # fmt: skip
    if family not in FAMILIES:
        _wrong(where, f"the family {family!r} is not known", f"It is one of {', '.join(FAMILIES)}.", written)
    feet = str(fields.get("feet", known.feet if known else printed))
    if not feet:
        raise UnknownStop(
            f"the length of {written!r} differs from organ to organ", file=where.file, place=where.at(written),
            remedy=f'Write it as on the knob: "{written} 8" or "{written} 4".',
        )  # fmt: skip
    try:
        feet = show_feet(Fraction(feet_of(feet)))
    except ValueError as fault:
        _wrong(where, str(fault), 'Write feet = "2 2/3".', written)
    level = int(_number(fields.get("level", known.level if known else 3), "level", 1, 5, where))
    state = fields.get("state", "sound")
    if state not in STATES:
        _wrong(where, f"the state {state!r} is not known", f"It is one of {', '.join(STATES)}.", written)
    same_family = known is not None and known.kind.family == family
    variety = _text(fields["variety"], "variety", where) if "variety" in fields else ""
    if not variety and known is not None and same_family:
        variety = known.kind.variety
    lowest, highest = (
        _key(fields[end], end, where) if end in fields else 0 for end in ("from", "to")
    )  # fmt: skip
    for end, number in (("from", lowest), ("to", highest)):
        if number and not division.lowest <= number <= division.highest:
            _wrong(
                where, f"{written} begins or ends at {fields[end]}, where {division.name} has no key",
                f"Write a key of {division.name}, or leave {end!r} out.", written,
            )  # fmt: skip
    if highest and lowest > highest:
        _wrong(where, f"{written} ends below where it begins", "Change 'from' and 'to' round.", written)
    shown = name if family != "mixture" else " ".join(written.split())
    return Stop(
        shown,
        feet,
        family,
        variety,
        level,
        state,
        lowest,
        highest,
        _breaks(fields.get("breaks", []), where),
        _slopes(fields.get("slopes", []), where),
    )


def _breaks(given: object, where: _Where) -> tuple[Break, ...]:
    """`[["C2", "1 1/3", "1"], ["C4", "2", "1 1/3"]]`: from which key, and the ranks there."""
    found = []
    for row in _list(given, "breaks", where):
        if not isinstance(row, list) or len(row) < 2 or not all(isinstance(one, str) for one in row):
            _wrong(where, "breaks cannot be read", 'Write breaks = [["C2", "1 1/3", "1"], ["C4", "2", "1 1/3"]].', "br")
        try:
            ranks = tuple(show_feet(Fraction(feet_of(one))) for one in row[1:])
        except ValueError as fault:
            _wrong(where, f"breaks cannot be read: {fault}", "After the key come lengths in feet.", "breaks")
        found.append(Break(_key(row[0], "breaks", where), ranks))
    return tuple(sorted(found, key=lambda one: one.from_key))


def _slopes(given: object, where: _Where) -> tuple[float, ...]:
    """`[-4.5, 6, -14, 0]`: the two lines of a spectrum as they were heard."""
    rows = _list(given, "slopes", where)
    if not rows:
        return ()
    if len(rows) != 4:
        _wrong(where, "slopes are four numbers", "Write slopes = [-4.5, 6, -14, 0] as hear-stop prints them.", "slopes")
    ranges = ((-40, 20), (1.5, 40), (-60, 20), (-60, 20))
    return tuple(
        float(_number(one, "a slope", low, high, where)) for one, (low, high) in zip(rows, ranges, strict=True)
    )


def _sane_reverberation(seconds: float, where: _Where) -> None:
    if not SHORTEST_SECONDS <= seconds <= LONGEST_SECONDS:
        _wrong(
            where, f"a reverberation of {seconds:g} s is not that of a room with an organ in it",
            f"Give seconds from {SHORTEST_SECONDS:g} to {LONGEST_SECONDS:g}; say {', '.join(ROOMS)} if you do not "
            "know, or clap and count.", "reverberation",
        )  # fmt: skip


def _room(given: Mapping[str, Any], where: _Where) -> Room:
    _known_fields(given, ROOM_FIELDS, where)
    plain = Room()
    heard = given.get("reverberation", plain.seconds)
    if isinstance(heard, str) and heard in ROOMS:
        bands = ROOMS[heard].reverberation
    elif isinstance(heard, dict):
        bands = _bands(heard, where)
    else:
        seconds = float(_number(heard, "reverberation", 0, 1e6, where, " seconds"))
        _sane_reverberation(seconds, where)
        bands = bands_of(seconds)
    sizes = [
        float(_number(given.get(what, getattr(plain, what)), what, 2, 300, where, " metres"))
        for what in ("width", "length", "height")
    ]
    singers = int(_number(given.get("singers", plain.singers), "singers", 0, 20_000, where))
    return Room(_text(given.get("name", plain.name), "name", where), bands, singers, *sizes)


def _bands(given: Mapping[str, Any], where: _Where) -> tuple[tuple[int, float], ...]:
    """Every octave band; those not given follow their neighbours by the usual factors."""
    known = {band for band, _ in BAND_FACTORS}
    told: dict[int, float] = {}
    for name, value in given.items():
        if not name.isdigit() or int(name) not in known:
            bands = ", ".join(str(band) for band, _ in BAND_FACTORS)
            _wrong(where, f"{name!r} is not an octave band", f"Bands are {bands} (hertz).", name)
        told[int(name)] = float(_number(value, name, 0, 1e6, where, " seconds"))
        _sane_reverberation(told[int(name)], where)
    if not told:
        _wrong(where, "no band is given", "Write reverberation = { 500 = 2.0, 1000 = 1.9 }.", "reverberation")
    factors = dict(BAND_FACTORS)

    def near(band: int) -> float:
        source = min(told, key=lambda one: abs(one.bit_length() - band.bit_length()))
        return round(told[source] * factors[band] / factors[source], 4)

    return tuple((band, told.get(band) or near(band)) for band, _ in BAND_FACTORS)


def remarks(organ: Organ) -> tuple[str, ...]:
    """What an organist should know about an organ before laying hymns out for it, a sentence each."""
    said = []
    if organ.pedal is None:
        said.append("No pedal: the bass lies in the left hand.")
    elif organ.pedal.keys < 27:
        said.append(f"The pedal has {organ.pedal.keys} keys: basses above its top key move down or to the left hand.")
    if organ.pedal is not None and not any(feet_of(stop.feet) >= 16 for stop in organ.pedal.working):
        said.append("The pedal has no 16 foot stop that works: the bass sounds as written.")
    if len(organ.manuals) == 1:
        said.append("One manual: the tune cannot be soloed; textures that need two manuals are refused.")
    for division in organ.divisions:
        if division.keys < 54 and division is not organ.pedal:
            said.append(f"{division.name} has {division.keys} keys: tunes an octave up may go beyond them.")
        dead = [str(stop) for stop in division.stops if stop.state == "dead"]
        if dead:
            said.append(f"{division.name}: {', '.join(dead)} left out as dead.")
        dull = [str(stop) for stop in division.stops if stop.state == "dull"]
        if dull:
            said.append(f"{division.name}: {', '.join(dull)} taken as softer and slower than usual.")
        if not division.working:
            said.append(f"{division.name} has no stop of its own: it plays what is coupled to it.")
    return tuple(said)
