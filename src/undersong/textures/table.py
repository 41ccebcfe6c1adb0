"""The textures there are, one row each: what each is, what it needs, which figure it uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from undersong.textures.patterns import AFTER_BEATS, ALBERTI, BLOCK, BROKEN, HELD, LILTED_STROKES, STROKES, Figure


@dataclass(frozen=True, slots=True)
class Texture:
    """A way of laying out a verse. `version` rises whenever the notes it gives would change."""

    name: str
    title: str
    what: str
    needs: str
    kind: Literal["printed", "figure", "drone", "unison", "two-voices"]
    figure: Figure | None = None
    compound_figure: Figure | None = None
    """Another figure where the beat is dotted."""
    rhythm: Literal["slots", "beats"] = "slots"
    """Slots as the time's grid has them, or one to each beat (three to a dotted one)."""
    pulsed_feet: bool = False
    """The feet strike again with each unit."""
    dense_three_levels: bool = False
    """On hymns with a chord on every beat: four notes to the beat (True) or two (False)."""
    shortest_seconds: float = 0.0
    """No note shorter than this (assumed; the room's blur decides later)."""
    version: int = 1


TEXTURES: dict[str, Texture] = {
    row.name: row
    for row in (
        Texture(
            "as-printed", "as printed",
            "the four printed parts: soprano and alto right, tenor left, bass in the pedal",
            "four printed parts", "printed",
        ),
        Texture(
            "soloed", "tune soloed",
            "the printed tune alone in the right hand over alto and tenor in the left on another manual",
            "four printed parts and two manuals", "printed",
        ),
        Texture(
            "block", "block chords",
            "three-note chords under the tune, struck where the harmony changes, bass in the pedal",
            "a harmony: printed parts or chord symbols", "figure", BLOCK,
        ),
        Texture(
            "broken", "broken chords",
            "a figure rising and falling through each chord, bass in the pedal",
            "a harmony: printed parts or chord symbols", "figure", BROKEN, shortest_seconds=0.14,
        ),
        Texture(
            "alberti", "Alberti figure",
            "low, high, middle, high through each chord, bass in the pedal",
            "a harmony, and a pace that leaves time for four notes to a chord", "figure", ALBERTI,
            dense_three_levels=True, shortest_seconds=0.14,
        ),
        Texture(
            "held", "broken over held notes",
            "the lowest note of each chord held while the others move above it, bass in the pedal",
            "a harmony: printed parts or chord symbols", "figure", HELD, shortest_seconds=0.14,
        ),
        Texture(
            "bass-and-chord", "bass and chord",
            "the feet on the beat, the chord after it",
            "a harmony that lasts a beat or more", "figure", AFTER_BEATS, rhythm="beats", pulsed_feet=True,
            shortest_seconds=0.2,
        ),
        Texture(
            "strummed", "strummed",
            "the chord on every beat, the first one held, the others short",
            "a harmony that mostly lasts two beats or more", "figure", STROKES, compound_figure=LILTED_STROKES,
            rhythm="beats", shortest_seconds=0.14,
        ),
        Texture(
            "drone", "drone",
            "tonic and fifth held beneath the tune, line by line",
            "a tune whose harmony hardly leaves its tonic", "drone",
        ),
        Texture(
            "unison", "unison and octaves",
            "the tune in both hands an octave apart, and no harmony",
            "nothing but a tune", "unison",
        ),
        Texture(
            "two-voices", "two voices",
            "the tune in the right hand over the bass in the left",
            "a bass, printed or from the harmony", "two-voices",
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a texture cannot serve, and which one would."""

    texture: str
    reason: str
    instead: str
