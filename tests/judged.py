"""Small invented sections written by hand, for the rules of the craft: one that keeps a rule, one that breaks it.

Music is written as in `invented`, chords as `G3+D4+F4:2`; harmony as symbols with lengths, `"G7:4 C:4"`. The tune is
printed; figure and bass are ours, unless they are named as printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from invented import bars_of, line_of
from undersong.arranging.judge import review
from undersong.arranging.walked import Piece, WalkedVerse
from undersong.model.accompaniment import (
    Accompaniment,
    Limb,
    PlacedChord,
    PlacedLine,
    PlayedNote,
    Registration,
    SectionKind,
    Word,
)
from undersong.model.finding import Finding
from undersong.model.pitch import Key
from undersong.model.symbol import parse_symbol
from undersong.model.time import Pace, Time
from undersong.textures.ground import Suspension, WalkedChord

DIVISIONS: dict[Limb, str] = {"right hand": "Great", "left hand": "Swell", "feet": "Pedal"}


@dataclass(frozen=True)
class Example:
    """A rule's example: what it shows, a section that keeps the rule, one that breaks it, and where that is told.

    `given` is what else the rule is judged by (verse, following section, performance, harmony).
    """

    kind: str
    says: str
    right: Accompaniment
    wrong: Accompaniment
    at: str
    given: dict[str, Any] = field(default_factory=dict)
    given_wrong: dict[str, Any] = field(default_factory=dict)

    def judged(self, section: Accompaniment, **more: Any) -> list[Finding]:
        """What the rule's own kind says of a section."""
        return [one for one in review(section, **{**self.given, **more}) if one.kind == self.kind]


def lengths_of(music: str) -> Fraction:
    """Quarter notes of a line of music."""
    return sum((Fraction(token.rpartition(":")[2]) for token in music.split()), Fraction(0))


def section(
    tune: str,
    figure: str = "",
    bass: str = "",
    chords: str = "",
    *,
    time: str = "4/4",
    key: str = "C major",
    pickup: str = "",
    lines: str = "",
    breaths: bool = True,
    texture: str = "block",
    place: str = "at-pitch",
    tune_in: Limb = "right hand",
    bass_in: Limb = "feet",
    printed: Sequence[str] = ("tune",),
    stops: Sequence[tuple[str, str]] = (),
    kind: SectionKind = "verse",
    name: str = "verse-1",
    text: str = "",
    others: dict[str, str] | None = None,
    pace: tuple[int, str] = (72, "1"),
) -> Accompaniment:
    """A section from music written out; lines by their lengths, the harmony by symbols."""
    total, full = lengths_of(tune), Time.parse(time).bar_length
    inside = total - Fraction(pickup or 0)
    count = -(-inside // full)
    last = inside - (count - 1) * full
    bars = bars_of(time, key, [*([pickup] if pickup else []), *[str(full)] * (count - 1), str(last)])
    if not pickup:
        bars = tuple(replace(bar, pickup=False) for bar in bars)
    limbs: dict[str, Limb] = {"tune": tune_in, "bass": bass_in, "alto": "right hand"}
    notes: list[PlayedNote] = []
    for part, music in {"tune": tune, "figure": figure, "bass": bass, **(others or {})}.items():
        source = part if part in printed else ""
        written = _chordal(name, part, music, bars, limbs.get(part, "left hand"))
        notes += [replace(note, part=part, source=source) for note in written]
    placed_lines, start = [], Fraction(0)
    for length in lines.split() or [str(total)]:
        placed_lines.append(PlacedLine(start, start + Fraction(length)))
        start += Fraction(length)
    words = tuple(
        Word(start, syllable)
        for start, syllable in zip([one.start for one in notes if one.part == "tune"], text.split(), strict=False)
    )
    return Accompaniment(
        name, kind, 1 if kind == "verse" else None, texture, 1, "", Key.parse(key),
        Pace(Fraction(pace[0]), Fraction(pace[1])), bars,
        tuple(sorted(notes, key=lambda one: (one.start, -one.pitch.midi))), chords_of(chords),
        tuple(placed_lines), tuple(line.end for line in placed_lines[:-1]) if breaths else (), (), words,
        Registration("", tuple(stops)), "Great", "Swell", "Pedal", place,
    )  # fmt: skip


def _chordal(section: str, part: str, music: str, bars: Any, limb: Limb) -> list[PlayedNote]:
    """One line for each place in the chords of a part."""
    tokens = [token.rpartition(":") for token in music.split()]
    deepest = max((len(keys.split("+")) for keys, _, _ in tokens), default=0)
    found = []
    for index in range(deepest):
        voice = [
            f"{keys.split('+')[index] if index < len(keys.split('+')) else 'r'}:{length}" for keys, _, length in tokens
        ]
        found += line_of(section, f"{part}{index or ''}", " ".join(voice), bars, limb=limb, division=DIVISIONS[limb])
    return found


def chords_of(text: str) -> tuple[PlacedChord, ...]:
    """`"G7:4 C:4"`: symbols one after another."""
    found, start = [], Fraction(0)
    for token in text.split():
        symbol, _, length = token.rpartition(":")
        found.append(PlacedChord(start, Fraction(length), parse_symbol(symbol)))
        start += Fraction(length)
    return tuple(found)


def verse_of(
    laid: Accompaniment, chords: str = "", *, suspensions: Sequence[Suspension] = (), **voices: str
) -> WalkedVerse:
    """The printed verse behind a section: its tune, its other voices, its chords if they are not the section's."""
    placed = chords_of(chords) or laid.chords
    printed = [("tune", tuple(note for note in laid.notes if note.part == "tune"))]
    printed += [(name, tuple(line_of("p", name, music, laid.bars, limb="feet"))) for name, music in voices.items()]
    return WalkedVerse(
        1, laid.bars,
        tuple(
            (name, tuple(
                Piece(note.start, note.length, note.pitch, note.tie in ("stop", "both"), note.tie in ("start", "both"))
                for note in notes
            ))
            for name, notes in printed
        ),
        "tune", tuple(WalkedChord(one.start, one.end, one.chord, laid.bar_at(one.start).key) for one in placed),
        laid.lines, laid.breaths, (), laid.words, tuple(suspensions),
    )  # fmt: skip
