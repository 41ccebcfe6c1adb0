"""Her corrections of one hymn, as a TOML file beside it: `hymn.edits.toml` beside `hymn.musicxml`.

Conventions: a chord stands as she wrote it, with the key it was written in; the program keeps it
relative to the tonic. Comments and order of the file are kept when an edit is added.

References: TOML 1.0.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from undersong.errors import CannotReadFile, CannotWrite
from undersong.harmony.edits import BEAT, C, from_tonic
from undersong.model.edits import Edit, Edits
from undersong.model.pitch import Key
from undersong.model.symbol import parse_symbol, symbol

MOST_BYTES = 1_000_000
HEAD = "Corrections to this hymn, kept by Undersong. Delete an entry to take a correction back."


def edits_file(hymn: Path) -> Path:
    """Where the corrections of a hymn file are kept."""
    return hymn.with_name(f"{hymn.name}.edits.toml")


def read_edits(hymn: Path) -> Edits:
    """The corrections beside a hymn file; none if there is no such file. CannotReadFile names entry and remedy."""
    file = edits_file(hymn)
    if not file.is_file():
        return Edits()
    import tomlkit  # noqa: PLC0415  # most hymns have no corrections
    from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

    try:
        if file.stat().st_size > MOST_BYTES:
            raise CannotReadFile("this file of corrections is too large", file=str(file), remedy="Remove it.")
        document = tomlkit.parse(file.read_text(encoding="utf-8")).unwrap()
    except (OSError, UnicodeDecodeError, TOMLKitError) as fault:
        raise CannotReadFile(
            f"this file of corrections cannot be read ({fault})", file=str(file), remedy="Mend it, or move it away."
        ) from fault
    entries = document.get("chord", [])
    if not isinstance(entries, list):
        raise CannotReadFile(
            "the corrections are not a list", file=str(file), remedy="Write [[chord]] in double brackets above each."
        )
    return edits_of(entries, file)


def edits_of(entries: Sequence[Any], file: Path) -> Edits:
    """Corrections from the entries of a TOML file; CannotReadFile names the entry that cannot be read."""
    return Edits(tuple(_edit(entry, number, file) for number, entry in enumerate(entries, 1)))


def entry_of(edit: Edit, key: Key) -> dict[str, Any]:
    """A correction as it stands in a file, its chord written in that key."""
    return {
        "bar": edit.bar, "beat": edit.beat, "pass": edit.times,
        "chord": symbol(parse_symbol(edit.value).transposed(from_tonic(C, key.tonic))),
        "key": str(key), "witness": list(edit.witness),
    }  # fmt: skip


def _edit(entry: Any, number: int, file: Path) -> Edit:
    try:
        key = Key.parse(str(entry["key"]))
        chord = parse_symbol(str(entry["chord"])).transposed(from_tonic(key.tonic, C))
        beat = str(entry["beat"])
        if not re.fullmatch(rf"{BEAT}|\d{{1,4}}\.\d{{1,4}}", beat):
            raise ValueError(f"{beat!r} is not a beat such as 3 or 5/2")  # noqa: TRY301
        return Edit(
            "chord", str(entry["bar"]), beat, int(entry.get("pass", 0)), symbol(chord),
            tuple(int(degree) for degree in entry.get("witness", ())),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise CannotReadFile(
            f"correction {number} cannot be read ({fault})", file=str(file),
            remedy='An entry reads like bar = "7", beat = "3", chord = "Am/C", key = "C major".',
        ) from fault  # fmt: skip


def add_edit(hymn: Path, edit: Edit, key: Key) -> Path:
    """Write one more correction beside a hymn file; an earlier one at the same place is replaced."""
    import tomlkit  # noqa: PLC0415  # as above

    file = edits_file(hymn)
    read_edits(hymn)  # a broken file is told, not overwritten
    document = tomlkit.parse(file.read_text(encoding="utf-8")) if file.is_file() else tomlkit.document()
    if not file.is_file():
        document.add(tomlkit.comment(HEAD))
    entries = document.get("chord") or tomlkit.aot()
    fresh = tomlkit.table()
    fresh.update(entry_of(edit, key))
    place = (edit.bar, edit.beat, edit.times)
    for index in reversed(range(len(entries))):
        old = entries[index]
        if (str(old["bar"]), str(old["beat"]), int(old.get("pass", 0))) == place:
            del entries[index]
    entries.append(fresh)
    document["chord"] = entries
    waiting = file.with_name(f".{file.name}.part")
    try:
        waiting.write_text(tomlkit.dumps(document), encoding="utf-8")
        waiting.replace(file)
    except OSError as fault:
        raise CannotWrite(f"the correction cannot be kept ({fault.strerror or fault})", file=str(file)) from fault
    finally:
        waiting.unlink(missing_ok=True)
    return file
