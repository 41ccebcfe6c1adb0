"""Where the shutters stand and how they move.

The musical problem: an organ note cannot swell, but the box can open a little towards the middle of each line and
close at its end. It takes a foot: the shutters move only where the feet have nothing to play or one foot can play it
alone; else they stand, and move between sections. In quiet verses with a lilt the bar may rise and fall by some 3 dB.

Conventions: positions from 0 (closed) to 1 (open) at seconds of the whole performance; between two of them the
shutters move evenly.

References: rule R24 (rise and fall by the line, a lilt by the bar small, in quiet verses, with a free foot; common
practice, no source). One foot plays alone what moves no faster than a note in 0.6 s and leaps no wider than a fifth
(assumed).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from itertools import pairwise

from undersong.model.accompaniment import Accompaniment, PlayedNote
from undersong.model.organ import Organ

STANDS = {0: 0.7, 1: 0.45, 2: 0.6, 3: 0.7, 4: 0.85, 5: 1.0}
"""Position by step of the build-up (0 unknown)."""
SOLO_STANDS = 0.9
RISE = 0.25
LILT = 0.18
"""How far a line, and a bar in a lilting verse, opens the box; of the box's 11 LU the lilt is about 2, at most 3 dB."""
SLOWEST_FOR_ONE_FOOT_SECONDS = 0.6
WIDEST_FOR_ONE_FOOT = 7
LILTING = ("6/8", "9/8", "12/8", "3/4", "6/4", "3/8")


def foot_is_free(section: Accompaniment) -> bool:
    """Whether one foot can leave the pedals to the other for the whole section."""
    feet = sorted((note for note in section.notes if note.limb == "feet"), key=lambda note: note.start)
    struck = [note for note in feet if note.tie not in ("stop", "both")]
    for note, following in pairwise(struck):
        too_soon = section.pace.seconds(following.start - note.start) < SLOWEST_FOR_ONE_FOOT_SECONDS
        if too_soon or abs(following.pitch.midi - note.pitch.midi) > WIDEST_FOR_ONE_FOOT:
            return False
    return True


def solo_in_box(section: Accompaniment, organ: Organ) -> bool:
    """Whether the tune has an enclosed manual to itself."""
    tune = {note.division for note in section.notes if note.part == "tune"}
    alone = tune - {note.division for note in section.notes if note.part != "tune"}
    return any(one.enclosed and one.name in alone for one in organ.divisions)


def lilts(section: Accompaniment, notes: Sequence[PlayedNote] | None = None) -> bool:
    """Whether a quiet verse in lilting time moves in a figure."""
    played = section.notes if notes is None else notes
    quiet = section.registration.loudness in (1, 2)
    return quiet and str(section.bars[0].time) in LILTING and any(note.part == "figure" for note in played)


def shutters(
    section: Accompaniment, seconds: Callable[[Fraction], float], organ: Organ
) -> tuple[tuple[float, float], ...]:
    """Positions through a section; `seconds` turns its places to seconds of the performance.

    A tune soloed in the box has it open: it must stand clear.
    """
    stands = SOLO_STANDS if solo_in_box(section, organ) else STANDS[section.registration.loudness]
    marks = [(seconds(Fraction(0)), stands)]
    if foot_is_free(section):
        for line in section.lines:
            high = min(1.0, stands + RISE)
            middle = line.start + (line.end - line.start) * Fraction(2, 3)
            marks += [(seconds(line.start), stands), (seconds(middle), high), (seconds(line.end), stands)]
        if lilts(section):
            marks = _with_lilt(section, seconds, marks)
    marks.append((seconds(section.length), marks[-1][1]))
    return tuple(_in_order(marks))


def _with_lilt(
    section: Accompaniment, seconds: Callable[[Fraction], float], marks: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Each bar opens a little after its beginning and closes again."""
    added = []
    for bar in section.bars:
        if not bar.pickup:
            here, top = seconds(bar.start), seconds(bar.start + bar.length / 3)
            base = _at(marks, top)
            added += [(here, _at(marks, here)), (top, min(1.0, base + LILT))]
    return sorted({**dict(marks), **dict(added)}.items())


def _at(marks: Sequence[tuple[float, float]], moment: float) -> float:
    """The position at a moment, on straight lines between the marks."""
    before = max((mark for mark in marks if mark[0] <= moment), default=marks[0])
    after = min((mark for mark in marks if mark[0] > moment), default=before)
    if after[0] == before[0]:
        return before[1]
    return before[1] + (after[1] - before[1]) * (moment - before[0]) / (after[0] - before[0])


def _in_order(marks: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Sorted by time, the last of several at one moment kept."""
    return sorted(dict(sorted(marks, key=lambda mark: mark[0])).items())
