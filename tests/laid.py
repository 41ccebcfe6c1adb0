"""Small invented tunes laid out, and what each limb plays, as text an organist can read."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from printed import Printed, page
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.hymn import Hymn
from undersong.model.pitch import Pitch
from undersong.model.plan import TunePlace
from undersong.model.tune import Line
from undersong.playing.check import HeldKey, held_keys
from undersong.reading.musicxml import read_musicxml
from undersong.workflow import Wishes, lay_out


def tune(music: str, *words: str) -> Hymn:
    """A melody with chord symbols, in the notation of `printed`."""
    return read_musicxml(page(Printed("Tune", music, words)), "invented.musicxml")


def one_line(hymn: Hymn) -> Hymn:
    """The same hymn taken as one line, so that a test of joins is no test of line ends."""
    return replace(hymn, tune=replace(hymn.tune, lines=(Line(Fraction(0), hymn.tune.length),)))


def four_parts(soprano: str, alto: str, tenor: str, bass: str) -> Hymn:
    """Four open staves."""
    parts = (
        Printed("Soprano", soprano),
        Printed("Alto", alto),
        Printed("Tenor", tenor),
        Printed("Bass", bass, clefs="F"),
    )
    return read_musicxml(page(*parts), "invented.musicxml")


def laid(hymn: Hymn, texture: str, place: TunePlace = "at-pitch") -> tuple[Accompaniment, Arrangement]:
    """The first section in one texture."""
    arrangement = lay_out(hymn, Wishes(textures=(texture,), tune=place))
    return arrangement.sections[0], arrangement


def limb(section: Accompaniment, name: str) -> list[HeldKey]:
    """The keys of one limb, in order."""
    return [key for key in held_keys(section.notes) if key.limb == name]


def played(section: Accompaniment, name: str, bar: str) -> str:
    """`D4 G4 D4 G4`: what a limb strikes in a bar; chords from the lowest up, joined by +."""
    found: dict[Fraction, list[Pitch]] = {}
    for note in section.notes:
        if note.limb == name and section.bar_at(note.start).number == bar:
            found.setdefault(note.start, []).append(note.pitch)
    return " ".join(
        "+".join(str(pitch) for pitch in sorted(pitches, key=lambda one: one.midi))
        for _, pitches in sorted(found.items())
    )


def weights(arrangement: Arrangement, weight: str) -> list[str]:
    """Kinds of findings of a weight."""
    return [one.kind for one in arrangement.findings if one.weight == weight]
