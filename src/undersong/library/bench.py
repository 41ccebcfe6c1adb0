"""Her bench: the organ she plays, her hands and feet, the room; two text files in her folder.

`organ.toml` is written as `organfile` reads it (stops as on their knobs), so that it also serves the command line;
`player.toml` holds the player. Both are replaced whole.

Conventions: a stop in a form is one line: what is on the knob, then, after commas, what the name does not tell:
a family, `dull` or `dead`, `from C3`, `to C6`, `loudness 2`. The version of the bench is that of both files.

References: TOML 1.0.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from undersong.errors import BrokenOrgan, CannotReadFile, CannotSay, CannotWrite, UndersongError
from undersong.library.organfile import FAMILIES, STATES, OrganFile, read_organ_text
from undersong.model.codec import decode, encode
from undersong.model.organ import TWO_MANUALS, Division, Organ, Stop
from undersong.model.player import MEDIUM, Player
from undersong.model.room import ROOMS, Room, bands_of

KEY_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
REMEDY = "After the stop's name stand, with commas, a family, dull or dead, from C3, to C6, loudness 1 to 5."


@dataclass(frozen=True, slots=True)
class Bench:
    """What an arrangement is made for; the sane defaults where she has said nothing."""

    organ: Organ = TWO_MANUALS
    player: Player = MEDIUM
    room: Room = ROOMS["average"]


def read_bench(folder: Path) -> tuple[Bench, str]:
    """The bench in her folder and its version; BrokenOrgan or CannotReadFile for a file that cannot be read."""
    texts = [_text(folder / name) for name in ("organ.toml", "player.toml")]
    version = hashlib.sha256("\0".join(texts).encode()).hexdigest()[:16]
    usual = Bench()
    held = read_organ_text(texts[0], "organ.toml") if texts[0] else OrganFile(None, None)
    player = usual.player
    if texts[1]:
        import tomlkit  # noqa: PLC0415  # most benches are the usual one
        from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

        try:
            player = decode(Player, tomlkit.parse(texts[1]).unwrap())
        except (TOMLKitError, CannotSay) as fault:
            raise CannotReadFile(
                f"this cannot be read ({fault})", file="player.toml", remedy="Mend or remove it."
            ) from fault
    return Bench(held.organ or usual.organ, player, held.room or usual.room), version


def write_bench(folder: Path, bench: Bench) -> None:
    """Keep the bench; CannotWrite if that fails."""
    import tomlkit  # noqa: PLC0415  # as above

    made = {"organ.toml": organ_text(bench.organ, bench.room), "player.toml": tomlkit.dumps(_plain(bench.player))}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in made.items():
            waiting = folder / f".{name}.part"
            waiting.write_text(text, encoding="utf-8")
            os.replace(waiting, folder / name)  # noqa: PTH105  # both are paths already
    except OSError as fault:
        raise CannotWrite(f"the organ cannot be kept ({fault.strerror or fault})", file=str(folder)) from fault


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8") if file.is_file() else ""
    except (OSError, UnicodeDecodeError) as fault:
        raise CannotReadFile("this file cannot be read", file=str(file), remedy="Mend or remove it.") from fault


def _plain(value: object) -> dict[str, Any]:
    plain = encode(value)
    assert isinstance(plain, dict)
    return plain


def organ_text(organ: Organ, room: Room) -> str:
    """An organ and a room as a file that `organfile` reads back as the same."""
    import tomlkit  # noqa: PLC0415  # as above

    held: dict[str, Any] = {
        "name": organ.name, "a4_hz": organ.a4_hz, "temperament": organ.temperament,
        "couplers": [f"{source} to {keyboard}" for source, keyboard in organ.couplers], "pistons": list(organ.pistons),
        "manual": [_division(one) for one in organ.manuals],
    }  # fmt: skip
    if organ.pedal:
        held["pedal"] = _division(organ.pedal)
    held["room"] = {
        "name": room.name, "reverberation": {str(band): seconds for band, seconds in room.reverberation},
        "singers": room.singers, "width": room.width, "length": room.length, "height": room.height,
    }  # fmt: skip
    return tomlkit.dumps(held)


def _division(division: Division) -> dict[str, Any]:
    return {
        "name": division.name, "lowest": key_name(division.lowest), "keys": division.keys,
        "enclosed": division.enclosed, "stops": [_stop(one) for one in division.stops],
    }  # fmt: skip


def key_name(number: int) -> str:
    """A key as it is written in the file: `C2` for 36."""
    return f"{KEY_NAMES[number % 12]}{number // 12 - 1}"


def _stop(stop: Stop) -> str | dict[str, Any]:
    if _read_stop(str(stop)) == stop:
        return str(stop)
    held: dict[str, Any] = {
        "name": stop.name, "feet": stop.feet, "family": stop.family, "variety": stop.variety, "level": stop.level,
        "state": stop.state, "from": key_name(stop.lowest) if stop.lowest else "",
        "to": key_name(stop.highest) if stop.highest else "",
        "breaks": [[key_name(one.from_key), *one.ranks] for one in stop.breaks],
    }  # fmt: skip
    return {name: value for name, value in held.items() if value not in ("", [])}


def _read_stop(knob: str) -> Stop | None:
    """A stop from what is on its knob alone, or None."""
    import tomlkit  # noqa: PLC0415  # as above

    mini = {"manual": [{"name": "M", "keys": 61, "stops": [knob]}]}
    try:
        organ = read_organ_text(tomlkit.dumps(mini)).organ
    except UndersongError:
        return None
    return organ.manuals[0].stops[0] if organ else None


# -- lines of a form ---------------------------------------------------------------------------------------------------


def stop_line(stop: Stop) -> str:
    """A stop as one line of a form."""
    plain = _read_stop(str(stop))
    told = [str(stop)]
    if plain is None or plain.family != stop.family:
        told.append(stop.family)
    if plain is None or plain.level != stop.level:
        told.append(f"loudness {stop.level}")
    if stop.state != "sound":
        told.append(stop.state)
    told += [f"from {key_name(stop.lowest)}"] if stop.lowest else []
    told += [f"to {key_name(stop.highest)}"] if stop.highest else []
    return ", ".join(told)


def stop_from(line: str, before: Sequence[Stop] = ()) -> str | dict[str, Any]:
    """A line of a form as it stands in the file; a line that was not touched keeps all that is known of its stop."""
    same = next((stop for stop in before if stop_line(stop) == line.strip()), None)
    if same is not None:
        return _stop(same)
    knob, *more = [part.strip() for part in line.split(",")]
    held: dict[str, Any] = {"name": knob}
    for part in more:
        word, _, value = part.partition(" ")
        if part in FAMILIES:
            held["family"] = part
        elif part in STATES:
            held["state"] = part
        elif word in ("from", "to") and value:
            held[word] = value
        elif word == "loudness" and value.isdecimal():
            held["level"] = int(value)
        else:
            raise BrokenOrgan(f"{part!r} cannot be understood", place=knob, remedy=REMEDY)
    return knob if len(held) == 1 else held


def room_of(said: str, singers: int, before: Room) -> Room:
    """The room she names (`live`, or seconds); the measured one is kept where nothing was changed."""
    named = ROOMS.get(said)
    if said == f"{before.seconds:g}":
        return replace(before, singers=singers)
    if named is not None:
        return replace(named, singers=singers)
    return replace(before, name=f"{said} s", reverberation=bands_of(float(said)), singers=singers)
