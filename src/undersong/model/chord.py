"""Chords: the 33 kinds of MusicXML 4.0 with degrees and slash bass, as spelled tones.

What a symbol means is a set of spelled notes: `Cm7b5` is C E flat G flat B flat and never F sharp.
Every stage asks the chord for its tones; none keeps a table of its own.

Conventions: intervals are written as (scale steps, semitones) above the root. Added degrees are
counted from a dominant chord (major and perfect intervals, minor seventh), altered and subtracted
ones from the degree already in the kind; a degree to alter that the kind lacks is added. The slash
bass is no tone of the chord: it is asked for by `Chord.lowest`. Kinds named for a function stand on
the root that the file gives: Neapolitan as the major triad there (D flat in C), the augmented sixths
on the flat sixth degree with their sixth spelled as a sixth, pedal as its one note, Tristan as root,
augmented fourth, sixth and ninth. `other` sounds as the major triad on its root; `none` has no tones.

References: W3C MusicXML 4.0, `kind-value`, `degree`, `bass`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from undersong.model.pitch import Interval, PitchName

Row = tuple[int, int, int]
"""Degree, scale steps above the root, semitones above the root."""

_THIRD, _MINOR_THIRD = (3, 2, 4), (3, 2, 3)
_FIFTH, _DIMINISHED_FIFTH, _AUGMENTED_FIFTH = (5, 4, 7), (5, 4, 6), (5, 4, 8)
_ROOT = (1, 0, 0)
_SIXTH, _AUGMENTED_SIXTH = (6, 5, 9), (6, 5, 10)
_SEVENTH, _MAJOR_SEVENTH, _DIMINISHED_SEVENTH = (7, 6, 10), (7, 6, 11), (7, 6, 9)
_NINTH, _ELEVENTH, _THIRTEENTH = (9, 8, 14), (11, 10, 17), (13, 12, 21)

_MAJOR: tuple[Row, ...] = (_ROOT, _THIRD, _FIFTH)
_MINOR: tuple[Row, ...] = (_ROOT, _MINOR_THIRD, _FIFTH)
_DIMINISHED: tuple[Row, ...] = (_ROOT, _MINOR_THIRD, _DIMINISHED_FIFTH)
_AUGMENTED: tuple[Row, ...] = (_ROOT, _THIRD, _AUGMENTED_FIFTH)

KINDS: dict[str, tuple[Row, ...]] = {
    "major": _MAJOR,
    "minor": _MINOR,
    "augmented": _AUGMENTED,
    "diminished": _DIMINISHED,
    "dominant": (*_MAJOR, _SEVENTH),
    "major-seventh": (*_MAJOR, _MAJOR_SEVENTH),
    "minor-seventh": (*_MINOR, _SEVENTH),
    "diminished-seventh": (*_DIMINISHED, _DIMINISHED_SEVENTH),
    "augmented-seventh": (*_AUGMENTED, _SEVENTH),
    "half-diminished": (*_DIMINISHED, _SEVENTH),
    "major-minor": (*_MINOR, _MAJOR_SEVENTH),
    "major-sixth": (*_MAJOR, _SIXTH),
    "minor-sixth": (*_MINOR, _SIXTH),
    "dominant-ninth": (*_MAJOR, _SEVENTH, _NINTH),
    "major-ninth": (*_MAJOR, _MAJOR_SEVENTH, _NINTH),
    "minor-ninth": (*_MINOR, _SEVENTH, _NINTH),
    "dominant-11th": (*_MAJOR, _SEVENTH, _NINTH, _ELEVENTH),
    "major-11th": (*_MAJOR, _MAJOR_SEVENTH, _NINTH, _ELEVENTH),
    "minor-11th": (*_MINOR, _SEVENTH, _NINTH, _ELEVENTH),
    "dominant-13th": (*_MAJOR, _SEVENTH, _NINTH, _ELEVENTH, _THIRTEENTH),
    "major-13th": (*_MAJOR, _MAJOR_SEVENTH, _NINTH, _ELEVENTH, _THIRTEENTH),
    "minor-13th": (*_MINOR, _SEVENTH, _NINTH, _ELEVENTH, _THIRTEENTH),
    "suspended-second": (_ROOT, (2, 1, 2), _FIFTH),
    "suspended-fourth": (_ROOT, (4, 3, 5), _FIFTH),
    "Neapolitan": _MAJOR,
    "Italian": (_ROOT, _THIRD, _AUGMENTED_SIXTH),
    "French": (_ROOT, _THIRD, (4, 3, 6), _AUGMENTED_SIXTH),
    "German": (_ROOT, _THIRD, _FIFTH, _AUGMENTED_SIXTH),
    "pedal": (_ROOT,),
    "power": (_ROOT, _FIFTH),
    "Tristan": (_ROOT, (4, 3, 6), _AUGMENTED_SIXTH, (9, 8, 15)),
    "other": _MAJOR,
    "none": (),
}
"""The tones of every MusicXML kind, from the root up."""

DOMINANT_DEGREES: dict[int, tuple[int, int]] = {
    1: (0, 0), 2: (1, 2), 3: (2, 4), 4: (3, 5), 5: (4, 7), 6: (5, 9), 7: (6, 10),
}  # fmt: skip
"""Steps and semitones of each degree over a dominant chord, from which added degrees are counted.

Degrees from 8 on are those an octave lower, so that an added 9 is a major ninth, 11 perfect, 13 major.
"""


@dataclass(frozen=True, slots=True)
class Degree:
    """A degree added, altered or subtracted: `Degree(9, -1, "add")` is a flat ninth."""

    value: int
    alter: int = 0
    type: Literal["add", "alter", "subtract"] = "add"


@dataclass(frozen=True, slots=True)
class Tone:
    """One tone of a chord: its name and its degree (1 root, 3, 5, 7, 9, 11, 13; 2, 4, 6 where the kind has them)."""

    name: PitchName
    degree: int


@dataclass(frozen=True, slots=True)
class Chord:
    """Root, kind, bass and degrees. `root` is None for "no chord"; `bass` is None when it is the root.

    `text` is the whole symbol as the page prints it where it is unknown or unusual; it is empty when
    the symbol follows from the rest. A chord of kind "none" keeps no root, bass or degrees.
    """

    root: PitchName | None
    kind: str = "major"
    bass: PitchName | None = None
    degrees: tuple[Degree, ...] = ()
    text: str = ""

    def __post_init__(self) -> None:
        """Files give a root even to "no chord"; it means nothing."""
        if self.kind == "none":
            object.__setattr__(self, "root", None)
            object.__setattr__(self, "bass", None)
            object.__setattr__(self, "degrees", ())

    @property
    def lowest(self) -> PitchName | None:
        """The note the feet play: the slash bass, else the root."""
        return self.bass if self.bass is not None else self.root

    def tones(self) -> tuple[Tone, ...]:
        """The spelled tones from the root up, degrees applied; the slash bass is not among them."""
        return _tones(self.root, self.kind, self.degrees) if self.root is not None else ()

    @property
    def pitch_classes(self) -> frozenset[int]:
        """Pitch classes of the tones (C = 0); the slash bass is not among them."""
        return _classes(self.root, self.kind, self.degrees) if self.root is not None else frozenset()

    def tone_for(self, pitch_class: int) -> Tone | None:
        """The tone that sounds as that pitch class, however spelled; None if the chord has none."""
        return next((tone for tone in self.tones() if tone.name.pitch_class == pitch_class % 12), None)

    def _degree(self, degree: int) -> Tone | None:
        return _by_degree(self.root, self.kind, self.degrees).get(degree) if self.root is not None else None

    @property
    def third(self) -> Tone | None:
        """The third, major or minor; None in a suspension or a power chord."""
        return self._degree(3)

    @property
    def suspended(self) -> Tone | None:
        """The fourth or second that stands for the third in a suspended chord; None in others."""
        degree = {"suspended-fourth": 4, "suspended-second": 2}.get(self.kind)
        return self._degree(degree) if degree else None

    @property
    def fifth(self) -> Tone | None:
        """The fifth, however altered."""
        return self._degree(5)

    @property
    def seventh(self) -> Tone | None:
        """The seventh, also one that a degree adds; None without one."""
        return self._degree(7)

    def transposed(self, interval: Interval) -> Chord:
        """The chord in another key, spelled by the interval; a printed text follows its root and bass."""
        root = self.root.transposed(interval) if self.root is not None else None
        bass = self.bass.transposed(interval) if self.bass is not None else None
        text = self.text
        if text and root is not None and (root != self.root or bass != self.bass):
            text = _respelled(text, (self.root, root), (self.bass, bass))
        return replace(self, root=root, bass=bass, text=text)


@lru_cache(maxsize=4096)
def _tones(root: PitchName, kind: str, degrees: tuple[Degree, ...]) -> tuple[Tone, ...]:
    return tuple(Tone(root.up(steps, semitones), degree) for degree, steps, semitones in _rows(kind, degrees))


@lru_cache(maxsize=4096)
def _by_degree(root: PitchName, kind: str, degrees: tuple[Degree, ...]) -> dict[int, Tone]:
    return {tone.degree: tone for tone in reversed(_tones(root, kind, degrees))}


@lru_cache(maxsize=4096)
def _classes(root: PitchName, kind: str, degrees: tuple[Degree, ...]) -> frozenset[int]:
    return frozenset(tone.name.pitch_class for tone in _tones(root, kind, degrees))


def _rows(kind: str, degrees: tuple[Degree, ...]) -> list[Row]:
    """Degree, steps and semitones of each tone; an unknown kind is read as `other`."""
    rows = list(KINDS.get(kind, _MAJOR))
    for degree in degrees:
        present = [row for row in rows if row[0] == degree.value]
        if degree.type == "subtract":
            rows = [row for row in rows if row not in present]
        elif degree.type == "alter" and present:
            changed = [(value, steps, semitones + degree.alter) for value, steps, semitones in present]
            rows = [row for row in rows if row not in present] + changed
        elif (added := _added(degree)) not in rows:
            rows.append(added)
    return sorted(rows, key=lambda row: (row[2], row[1]))


def _added(degree: Degree) -> Row:
    octaves, place = divmod(degree.value - 1, 7)
    steps, semitones = DOMINANT_DEGREES[place + 1]
    return degree.value, steps + 7 * octaves, semitones + 12 * octaves + degree.alter


_Move = tuple[PitchName | None, PitchName | None]


def _respelled(text: str, root: _Move, bass: _Move) -> str:
    """A printed symbol with its root and slash bass moved; empty if it does not begin with its root."""
    plain = text.replace("♭", "b").replace("♯", "#")
    if not plain.startswith(str(root[0])):
        return ""
    middle = plain[len(str(root[0])) :]
    tail = f"/{bass[0]}"
    if bass[0] is not None and middle.endswith(tail):
        middle = f"{middle[: -len(tail)]}/{bass[1]}"
    return f"{root[1]}{middle}"


NO_CHORD = Chord(None, "none")
