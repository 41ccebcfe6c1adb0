"""What one file gave: the hymns that could be read, and the failures of those that could not.

A collection holds many tunes; one that is damaged must not lose the others.
"""

from __future__ import annotations

from dataclasses import dataclass

from undersong.errors import UndersongError
from undersong.model.hymn import Hymn


@dataclass(frozen=True, slots=True)
class Reading:
    """Hymns in the order of the file, and a failure with its place for each tune that was refused."""

    hymns: tuple[Hymn, ...]
    refused: tuple[UndersongError, ...] = ()
