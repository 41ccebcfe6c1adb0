"""A small invented hymn-book to try everything on: St Aldwyn's, Thornmere.

Parish, people, words and tunes are invented for Undersong and free for any use (CC0 1.0); `tools/compose_demo.py`
is their source. The files are plain MusicXML and come with the package.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path


def hymn_files() -> tuple[Path, ...]:
    """The hymns of the demonstration in reading order, as paths of MusicXML files."""
    folder = Path(str(files(__name__)))
    return tuple(sorted(folder.glob("*.musicxml")))


__all__ = ["hymn_files"]
