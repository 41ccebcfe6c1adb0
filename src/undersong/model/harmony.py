"""What the chords are, along the page: the value that `harmony` makes and `arranging` reads."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from undersong.model.chord import Chord
from undersong.model.pitch import Interval, Key, Pitch

Origin = Literal["printed", "analysed", "edited", "proposed"]

ORIGINS: dict[Origin, str] = {
    "printed": "printed", "analysed": "read from the parts", "edited": "yours", "proposed": "proposed",
}  # fmt: skip
"""Where a chord comes from, in her words."""

DOUBTFUL: dict[Origin, float] = {"analysed": 0.89, "proposed": 0.4}
"""Below this confidence a chord is called doubtful: the least sure tenth of the time.

Taken from the nineteen chorales that tests/test_harmony_published.py reads with weights that never saw them, and from
every fourth tune of the Nottingham collection, its symbols hidden. That tenth holds about six in ten of all errors
(training/README.md). A proposal is never sure; its doubtful chords are those where another would do as well.
"""


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """One chord from `onset` for `length` quarter notes. Chords of a page leave no gap."""

    onset: Fraction
    length: Fraction
    chord: Chord
    key: Key
    numeral: str = ""
    mode: str | None = None
    confidence: float | None = None
    origin: Origin = "analysed"
    passes: tuple[int, ...] = ()
    """The times through that this span serves; () is every time."""

    @property
    def end(self) -> Fraction:
        """Where the chord ends along the page."""
        return self.onset + self.length

    @property
    def doubtful(self) -> bool:
        """Whether she should look at it; never true of what is printed or hers."""
        return self.confidence is not None and self.confidence < DOUBTFUL.get(self.origin, 0.0)


@dataclass(frozen=True, slots=True)
class NonChordNote:
    """A note that does not belong to its chord: suspension, passing, neighbour and their like."""

    onset: Fraction
    voice: str
    pitch: Pitch
    kind: str


@dataclass(frozen=True, slots=True)
class Harmony:
    """The chords of a page with the home key; `mode` names a church mode, if there is one."""

    key: Key
    spans: tuple[ChordSpan, ...]
    mode: str | None = None
    non_chord_notes: tuple[NonChordNote, ...] = ()

    def transposed(self, interval: Interval) -> Harmony:
        """The same harmony in another key."""
        return Harmony(
            self.key.transposed(interval),
            tuple(
                ChordSpan(
                    span.onset, span.length, span.chord.transposed(interval), span.key.transposed(interval),
                    span.numeral, span.mode, span.confidence, span.origin, span.passes,
                )
                for span in self.spans
            ),
            self.mode,
            tuple(
                NonChordNote(note.onset, note.voice, note.pitch.transposed(interval), note.kind)
                for note in self.non_chord_notes
            ),
        )  # fmt: skip
