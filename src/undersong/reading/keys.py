"""The key of each bar: signature, and major or minor.

A signature fits two keys. Where the document names major or minor it is believed; where it names none, or a
church mode, the close of the passage decides: the last bass note is the tonic of one of the two, or, failing
that, the third over it tells.

Conventions: `Key` is a tonic with major or minor of the printed signature; a church mode is only told in a remark.
"""

from __future__ import annotations

from collections.abc import Sequence

from undersong.model.pitch import MINOR_LIKE, Key, Pitch
from undersong.model.tune import Bar, Voice
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawPart

_CHURCH = ("dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian", "ionian")


def settle_keys(part: RawPart, bars: Sequence[Bar], voices: Sequence[Voice], notebook: Notebook) -> tuple[Key, ...]:
    """One key for each bar. Passages under one signature are settled together, by their last notes."""
    marks = _marks(part, len(bars))
    keys: list[Key] = []
    index = 0
    while index < len(bars):
        fifths, mode = marks[index]
        end = index
        while end < len(bars) and marks[end] == (fifths, mode):
            end += 1
        key = _key_of(fifths, mode, bars[index:end], voices, index, notebook)
        keys.extend([key] * (end - index))
        index = end
    return tuple(keys)


def _marks(part: RawPart, count: int) -> list[tuple[int, str]]:
    current, later = (0, ""), None
    found = []
    for index in range(count):
        current, later = later or current, None
        for change in part.bars[index].keys if index < len(part.bars) else ():
            if change.at == 0:
                current = (change.fifths, change.mode)
            else:
                later = (change.fifths, change.mode)
        found.append(current)
    return found


def _key_of(
    fifths: int, mode: str, bars: Sequence[Bar], voices: Sequence[Voice], index: int, notebook: Notebook
) -> Key:
    if mode in _CHURCH and mode not in ("ionian", "aeolian"):
        # The bar keeps its signature; the tune carries the mode.
        return Key.from_fifths(fifths, "minor" if mode in MINOR_LIKE else "major")
    if mode in ("major", "minor"):
        return Key.from_fifths(fifths, "minor" if mode == "minor" else "major")
    major, minor = Key.from_fifths(fifths), Key.from_fifths(fifths, "minor")
    last = _last_sounding(bars, voices)
    names = {note.name.pitch_class for note in last}
    bass = last[-1].name if last else major.tonic
    if bass.pitch_class in (major.tonic.pitch_class, minor.tonic.pitch_class):
        chosen = major if bass.pitch_class == major.tonic.pitch_class else minor
    else:
        chosen = minor if (bass.pitch_class + 3) % 12 in names else major
    notebook.assume(f"the mode is not given; taken as {chosen} from the last notes", index)
    return chosen


def church_mode(part: RawPart, count: int) -> str | None:
    """The church mode under whose name the tune closes, or None for major, minor and silence."""
    mode = _marks(part, count)[-1][1]
    return mode if mode in _CHURCH and mode not in ("ionian", "aeolian") else None


def _last_sounding(bars: Sequence[Bar], voices: Sequence[Voice]) -> list[Pitch]:
    """The last pitch of each voice in these bars, in the order of the voices."""
    start, end = bars[0].onset, bars[-1].end
    found = []
    for voice in voices:
        inside = [note for note in voice.notes if start <= note.onset < end and not note.grace]
        if inside:
            found.append(inside[-1].pitch)
    return found
