"""Files to hymns: one door for every format that is read.

The format is told by the name of the file and by its first bytes. Whatever a file holds, the answer is a tuple
of hymns or an `UndersongError` with the file and, where there is one, the place.
"""

from __future__ import annotations

from pathlib import Path

from undersong.errors import BrokenFile, CannotReadFile, UndersongError
from undersong.model.hymn import Hymn
from undersong.reading.container import MOST_BYTES
from undersong.reading.musicxml import read_musicxml

SUFFIXES = {".musicxml": read_musicxml, ".xml": read_musicxml, ".mxl": read_musicxml}
"""How each kind of file is read."""


def read_file(path: Path) -> tuple[Hymn, ...]:
    """All hymns of a file (one, for the formats read so far).

    CannotReadFile when it is missing, too large or of another kind; BrokenFile, NotAHymn or BrokenBar for what is
    found inside.
    """
    name = path.name
    reader = SUFFIXES.get(path.suffix.lower())
    if reader is None:
        kinds = ", ".join(SUFFIXES)
        raise CannotReadFile(
            f"files ending in {path.suffix or 'nothing'} are not read", file=name, remedy=f"These are read: {kinds}."
        )
    data = _bytes_of(path)
    try:
        return (reader(data, name),)
    except UndersongError as failure:
        raise failure.within(name) from failure.__cause__
    except (RecursionError, MemoryError, ArithmeticError, LookupError, ValueError, TypeError, AttributeError) as fault:
        raise BrokenFile(f"this file makes no sense ({type(fault).__name__})", file=name) from fault


def _bytes_of(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            limit = MOST_BYTES // (1024 * 1024)
            raise CannotReadFile(
                f"this file is too large ({size / 1024 / 1024:.0f} MB, at most {limit} MB are read)",
                file=path.name,
                remedy="Give one hymn to a file.",
            )
        return path.read_bytes()
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise CannotReadFile(f"the file cannot be opened ({reason})", file=path.name) from fault


__all__ = ["SUFFIXES", "read_file", "read_musicxml"]
