"""The textures there are, one row each: what each is, what it needs, which figure it uses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from undersong.textures.patterns import (
    AFTER_BEATS,
    ALBERTI,
    BLOCK,
    BROKEN,
    HELD,
    HELD_IN_THREES,
    LILTED_STROKES,
    LOW_AND_PAIR,
    PATTERNS,
    SHARED,
    SINGLE,
    STROKES,
    Figure,
    Pattern,
    Speed,
)


@dataclass(frozen=True, slots=True)
class Texture:
    """A way of laying out a verse. `version` rises whenever the notes it gives would change."""

    name: str
    title: str
    what: str
    needs: str
    kind: Literal["printed", "figure", "drone", "unison", "two-voices", "three-voices", "counter-line", "descant"]
    figure: Figure | None = None
    compound_figure: Figure | None = None
    """Another figure where the beat is dotted."""
    patterns: tuple[Pattern, ...] = ()
    """Ways of moving among which she may choose, the usual one first; () where there is only the figure."""
    pattern: str = ""
    """The pattern chosen ("": the figure as it stands)."""
    speed: Speed = "usual"
    whole_bars: bool = False
    """The figure goes on through the bar, whatever the time's units."""
    blurs: bool = False
    """Single notes of changing pitch, which a live room lets run together."""
    rhythm: Literal["slots", "beats"] = "slots"
    """Slots as the time's grid has them, or one to each beat (three to a dotted one)."""
    two_hands: bool = False
    """The left hand takes the lowest note of the figure, above the bass that it holds."""
    hands_figure: Figure | None = None
    """The figure where there are no feet to answer."""
    pulsed_feet: bool = False
    """The feet strike again with each unit."""
    dense_three_levels: bool = False
    """On hymns with a chord on every beat: four notes to the beat (True) or two (False)."""
    shortest_seconds: float = 0.0
    """No note shorter than this, whatever the room (assumed)."""
    inner_pedal: Literal["", "offered", "asked"] = ""
    """Whether an inner voice may hold a tone common to three chords or more (R12): it can, or she has asked for it."""
    stops: str = ""
    """The stops that the hands need on two manuals, for any organ ("": those of the tune's place)."""
    version: int = 1

    @property
    def hands_alone(self) -> bool:
        """True where the feet have nothing to do."""
        return self.kind in ("unison", "two-voices", "three-voices")

    @property
    def by_harmony(self) -> bool:
        """True where notes change with the harmony alone."""
        return self.figure is BLOCK or self.figure is SINGLE

    def moving(self, pattern: str) -> Texture:
        """The same texture in one of its patterns; KeyError for one that it does not have."""
        row = {one.name: one for one in self.patterns}[pattern]
        return replace(
            self, figure=row.figure, compound_figure=row.compound_figure, speed=row.speed, pattern=row.name,
            whole_bars=row.speed == "slow",
        )  # fmt: skip


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
            "a harmony: printed parts or chord symbols",
            "figure", BLOCK, inner_pedal="offered", version=3,
        ),
        Texture(
            "broken", "broken chords",
            "a figure rising and falling through each chord, bass in the pedal",
            "a harmony, and a pace and a room that leave time for two notes to a chord",
            "figure", BROKEN, patterns=tuple(PATTERNS.values()),
            pattern="up-and-back", blurs=True, shortest_seconds=0.14, version=4,
        ),
        Texture(
            "alberti", "Alberti figure",
            "low, high, middle, high through each chord, bass in the pedal",
            "a harmony, and a pace and a room that leave time for four notes to a chord",
            "figure", ALBERTI,
            blurs=True, dense_three_levels=True, shortest_seconds=0.14, version=3,
        ),
        Texture(
            "held", "broken over held notes",
            "the lowest note of each chord held while the others move above it, bass in the pedal",
            "a harmony, and a pace and a room that leave time for two notes to a chord",
            "figure", HELD, HELD_IN_THREES, blurs=True, shortest_seconds=0.14, inner_pedal="offered", version=3,
        ),
        Texture(
            "bass-and-chord", "bass and chord",
            "the feet on the beat, the chord after it",
            "a harmony that lasts a beat or more, and a pace that leaves time for it",
            "figure", AFTER_BEATS, rhythm="beats", pulsed_feet=True,
            hands_figure=LOW_AND_PAIR, shortest_seconds=0.2, version=3,
        ),
        Texture(
            "strummed", "strummed",
            "the chord on every beat, the first one held, the others short",
            "a harmony that mostly lasts two beats or more, and a pace that leaves time for its strokes",
            "figure", STROKES, compound_figure=LILTED_STROKES,
            rhythm="beats", shortest_seconds=0.14, version=3,
        ),
        Texture(
            "shared", "figure shared between the hands",
            "the tune in the pedal; the left hand holds the bass and the foot of each figure, the right hand moves "
            "above it",
            "a harmony, a tune that the feet can play, and a pace and a room for two notes to a chord",
            "figure", SHARED, two_hands=True,
            blurs=True, shortest_seconds=0.14, version=4,
        ),
        Texture(
            "counter-line", "running voice",
            "one voice in quavers under the tune, by step and through the chords, bass in the pedal",
            "a harmony, a pedal for the bass, and a pace and a room for two notes to a beat",
            "counter-line", SINGLE, blurs=True, shortest_seconds=0.2, version=3,
        ),
        Texture(
            "descant", "descant from an inner part",
            "the printed tenor or alto an octave higher over the tune in the left hand, line by line where it lies "
            "over the tune and makes no fifths or octaves",
            "four printed parts, two manuals and a pedal", "descant",
            # The congregation follows the tune: it keeps the chorus, and what lies over it is the softer.
            stops="tune: principals 8 and 4; descant: flute or soft solo 8", version=3,
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
        Texture(
            "three-voices", "three voices",
            "tune, one middle voice and bass for the hands alone",
            "a harmony: printed parts or chord symbols", "three-voices", SINGLE, inner_pedal="offered", version=4,
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a texture cannot serve, and which one would."""

    texture: str
    reason: str
    instead: str
