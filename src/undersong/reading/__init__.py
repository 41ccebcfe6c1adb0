"""Files to hymns: one door for every format that is read.

The format is told by the name of the file and by its first bytes. Whatever a file holds, the answer is a tuple
of hymns or an `UndersongError` with the file and, where there is one, the place.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from undersong.errors import BrokenFile, CannotReadFile, UndersongError
from undersong.model.hymn import Hymn
from undersong.reading.collection import Reading
from undersong.reading.container import MOST_BYTES
from undersong.reading.midi_options import NOTHING_GIVEN, MidiOptions
from undersong.reading.musicxml import read_musicxml

Reader = Callable[[bytes, str], Reading]


def _one_hymn(data: bytes, file: str) -> Reading:
    return Reading((read_musicxml(data, file),))


def _abc(data: bytes, file: str) -> Reading:
    from undersong.reading.abc import read_abc  # noqa: PLC0415  # other files do without

    return read_abc(data, file)


def _is_abc(data: bytes) -> bool:
    if data.lstrip()[:1] == b"<" or data.startswith(b"PK"):
        return False
    from undersong.reading.abc import is_abc  # noqa: PLC0415  # as above

    return is_abc(data)


def _midi(data: bytes, file: str, given: MidiOptions = NOTHING_GIVEN) -> Reading:
    from undersong.reading.midi import read_midi  # noqa: PLC0415  # other files do without mido

    return Reading((read_midi(data, file, given),))


def _mei(data: bytes, file: str) -> Reading:
    from undersong.reading.mei import read_mei  # noqa: PLC0415  # other files do without

    return Reading((read_mei(data, file),))


def _humdrum(data: bytes, file: str) -> Reading:
    from undersong.reading.mei import read_humdrum  # noqa: PLC0415  # as above

    return Reading((read_humdrum(data, file),))


SUFFIXES: dict[str, Reader] = {
    ".musicxml": _one_hymn,
    ".xml": _one_hymn,
    ".mxl": _one_hymn,
    ".abc": _abc,
    ".mid": _midi,
    ".midi": _midi,
    ".kar": _midi,
    ".mei": _mei,
    ".krn": _humdrum,
}
"""How each kind of file is read."""


def read_file(path: Path) -> tuple[Hymn, ...]:
    """All hymns of a file that can be read, in order.

    CannotReadFile when it is missing, too large or of another kind; BrokenFile, NotAHymn or BrokenBar for what is
    found inside, if no hymn could be read. `read_all` also tells which tunes of a collection were refused.
    """
    found = read_all(path)
    if not found.hymns and found.refused:
        raise found.refused[0]
    return found.hymns


def read_all(path: Path, midi: MidiOptions = NOTHING_GIVEN) -> Reading:
    """The hymns of a file and the failures of those tunes of a collection that were refused.

    `midi` is what is known from outside about a MIDI file; other files tell it themselves.
    A file that is no collection, or cannot be opened at all, raises as `read_file` does.
    """
    name = path.name
    data: bytes | None = None
    reader = SUFFIXES.get(path.suffix.lower())
    if path.is_dir():
        raise CannotReadFile("this is a folder", file=name, remedy="Name the files in it.")
    if reader is None:
        if path.is_file() and _is_abc(data := _bytes_of(path)):
            reader = _abc
        else:
            kinds = ", ".join(SUFFIXES)
            raise CannotReadFile(
                f"files ending in {path.suffix or 'nothing'} are not read",
                file=name,
                remedy=f"These are read: {kinds}.",
            )
    data = _bytes_of(path) if data is None else data
    if reader is _one_hymn and _is_abc(data):
        reader = _abc
    try:
        return _midi(data, name, midi) if reader is _midi else reader(data, name)
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
    except FileNotFoundError as fault:
        raise CannotReadFile("there is no such file", file=path.name, remedy="Check its name and folder.") from fault
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise CannotReadFile(f"the file cannot be opened ({reason})", file=path.name) from fault


__all__ = ["SUFFIXES", "Reading", "read_all", "read_file", "read_musicxml"]
