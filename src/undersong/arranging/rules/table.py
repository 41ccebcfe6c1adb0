"""The rules of the craft that can be checked on the notes, one row for each finding that can be told.

A row says what the rule asks; what its finding says, its weight and its remedy stand in the table of findings.
`when`: on every "rung" of the ladder of repairs, once on the "finished" verse, or "between" sections, where a
neighbour or the performance is wanted. Where a printed hymn breaks a rule the print wins and the rule is silent.

References: a musician's judgement, common practice, no source, unless a row says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from undersong.arranging.rules import against_tune, harmonies, lines, sections, voices
from undersong.arranging.rules.case import Check
from undersong.model.finding import KINDS, Weight

When = Literal["rung", "finished", "between"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: number, title, what it asks, the kind of its finding, its check, when it is run."""

    number: str
    title: str
    asks: str
    kind: str
    check: Check
    when: When = "finished"

    @property
    def weight(self) -> Weight:
        """hard: cannot be played so; soft: against the craft; note: to be told."""
        return KINDS[self.kind].weight

    @property
    def says(self) -> str:
        """The sentence of its finding, with {places to fill}."""
        return KINDS[self.kind].says

    @property
    def remedy(self) -> str:
        """What to do about it."""
        return KINDS[self.kind].remedy

    @property
    def source(self) -> str:
        """Where the rule comes from."""
        return KINDS[self.kind].source.partition("; ")[2]


RULES: tuple[Rule, ...] = (
    Rule("R1", "the leading note once",
         "Tune, hands and feet together sound the leading note once in a chord of a beat or more.",
         "leading-note-twice", against_tune.leading_note_twice, "rung"),
    Rule("R1", "the seventh once",
         "Tune, hands and feet together sound the seventh once in a chord of a beat or more.",
         "seventh-twice", against_tune.seventh_twice, "rung"),
    Rule("R1", "the third sounds",
         "A third sounds in every chord of a beat or more, unless the tune clashes with it throughout (then R2 wins).",
         "third-missing", against_tune.third_missing, "rung"),
    Rule("R1", "the seventh falls",
         "A seventh resolves down by step in the same voice where the next chord has that note to give.",
         "seventh-unresolved", against_tune.seventh_unresolved),
    Rule("R2", "no semitone under the tune",
         "On a beat no chord tone sounds a semitone below a tune note that is foreign to the chord.",
         "semitone-under-tune", against_tune.semitone_under_tune, "rung"),
    Rule("R3", "new parts round a lowered tune",
         "A tune lowered into tenor or pedal makes no fifths or octaves with the parts round it; a breath ends it.",
         "lowered-tune-parallels", voices.lowered_parallels),
    Rule("R4", "a tune as lowest part",
         "Under a tune that sounds lowest six-fours only pass by step or go to their dominant.",
         "six-four-under-tune", voices.six_four_under_tune),
    Rule("R4", "a close in the tune as bass",
         "A close from the second degree to the first in the lowest part is weak: give the feet the roots.",
         "weak-close", voices.weak_close),
    Rule("R4", "no 16' under a tune in the pedal",
         "Feet that have the tune play it without a 16' stop.",
         "sixteen-foot-tune", voices.sixteen_foot_tune),
    Rule("R5", "suspensions sound",
         "A suspension printed in alto or tenor, or written in the symbols, sounds in the figure.",
         "suspension-lost", against_tune.suspension_lost, "rung"),
    Rule("R5", "the resolution waits",
         "While a suspension is held its resolution is silent in every hand and foot of ours.",
         "resolution-early", against_tune.resolution_early),
    Rule("R5", "suspensions keep their octave",
         "The figure resolves a suspension in the same octave.",
         "suspension-moved", against_tune.suspension_moved),
    Rule("R6", "no tonic in the dominant",
         "No note of the figure sounds the tonic while the leading note stands in the dominant.",
         "tonic-in-dominant", against_tune.tonic_in_dominant),
    Rule("R7", "no cross-rhythm by accident",
         "In a beat one grid, of figure or tune, divides the other; three against two or four is refused.",
         "cross-rhythm", against_tune.cross_rhythm),
    Rule("R8", "no hole under a solo",
         "Under a solo an octave up the accompaniment sounds within a twelfth of it, stops of 4' counted.",
         "hole", against_tune.hole),
    Rule("R8", "no cover over a solo",
         "Over a solo at pitch nothing sounds at 4' or 2' without a look at whether the tune is clear.",
         "solo-covered", against_tune.cover),
    Rule("R9", "no parallels",
         "First, lowest and highest notes of the groups are judged as voices: no fifths or octaves with tune or feet.",
         "parallels", voices.parallels, "rung"),
    Rule("R9", "the figure starts above the root",
         "With the root in the feet a moving figure starts on fifth or third; the root is not doubled below middle C.",
         "root-doubled", voices.root_doubled),
    Rule("R10", "the left hand plays",
         "Under a figure the left hand has something to play for every chord of a beat or more.",
         "left-hand-silent", voices.left_hand_silent, "rung"),
    Rule("R10", "as many voices throughout",
         "Within a line the figure keeps its number of voices, one more or less.",
         "voices-vary", voices.voices_vary),
    Rule("R10", "four keys held at most",
         "Broken over held notes at most four keys are down.",
         "too-many-held", voices.too_many_held),
    Rule("R10", "released at the change",
         "At a change of chord the figure releases every key but the common tones.",
         "held-into-change", voices.held_into_change),
    Rule("R10", "accent by length",
         "In a strummed bar no chord after the first is longer than the first.",
         "accent-lost", voices.accent_lost),
    Rule("R11", "no octaves of bass and tune by step",
         "A bass from symbols does not go by step in octaves or fifths with the tune.",
         "bass-parallels", voices.bass_parallels),
    Rule("R11", "a bass from symbols",
         "Roots at both ends of a line, no six-four by choice, closes by fourth or fifth, no sevenths, E2 to C4.",
         "bass-line", voices.bass_line),
    Rule("R12", "pedal points tie",
         "A bass common to successive chords over a slash is one held key.",
         "pedal-point-struck", voices.pedal_point_struck),
    Rule("R12", "pedal points end well",
         "A held bass does not end under a six-four.",
         "pedal-point-ends", voices.pedal_point_ends),
    Rule("R12", "inner pedal points are held",
         "A common tone held on through three chords or more is struck again after a breath, not before.",
         "inner-pedal-struck", voices.inner_pedal_struck),
    Rule("R13", "printed ties are held",
         "A tie printed in a part is held by the hand or foot that plays the part.",
         "tie-lost", voices.tie_lost),
    Rule("R13", "struck after a breath",
         "After a breath everything is struck.",
         "held-over-breath", voices.held_over_breath),
    Rule("R13", "weak to strong is struck",
         "The figure strikes the bar line, unless it holds a prepared dissonance or an inner pedal point.",
         "tied-into-strong", voices.tied_into_strong),
    Rule("R14", "every beat is struck",
         "In a moving texture hands or feet strike every beat of a line up to its last chord.",
         "beat-not-struck", lines.beat_not_struck, "rung"),
    Rule("R14", "no hammered chords",
         "A full chord of unchanged harmony is repeated once in a bar at most, unless chords are the texture.",
         "chord-hammered", lines.chord_hammered),
    Rule("R15", "hemiolas",
         "Two bars of three heard as three halves have the feet at 0, 2 and 4 and nothing on the bar line between.",
         "hemiola-broken", lines.hemiola_broken),
    Rule("R16", "short endings are struck once",
         "The last chord of a line, of one or two beats, is struck once.",
         "ending-struck-twice", lines.ending_struck_twice),
    Rule("R16", "long endings keep the beat",
         "Inside a verse something keeps the beat under a last chord of three beats or more, up to the lift.",
         "ending-silent", lines.ending_silent),
    Rule("R16", "lines are lifted",
         "At the end of a line every part is lifted.",
         "not-lifted", lines.not_lifted),
    Rule("R17", "one texture in a line",
         "A moving figure does not stand still in the middle of a line.",
         "figure-dropped", lines.figure_dropped),
    Rule("R18", "the gap between verses",
         "Whole beats between sections, the lift 1.0 to 1.8 s and always the same, a pickup on its own beat.",
         "gap", sections.gap, "between"),
    Rule("R19", "the final chord",
         "Root lowest, no seventh or ninth, tune on top, the figure at rest below it, all off together.",
         "final-chord", lines.final_chord),
    Rule("R20", "church modes",
         "A harmony that is proposed keeps to the chords of its mode: no raised seventh, no diminished root position.",
         "mode-left", harmonies.modal_harmony, "between"),
    Rule("R21", "cadential six-fours",
         "A cadential six-four belongs to the dominant: the dominant lies under it, never the tonic.",
         "six-four-as-tonic", harmonies.cadential_six_four),
    Rule("R21", "no new full close",
         "A line that runs on gets no new full close; deceptive cadences are not corrected.",
         "new-full-close", harmonies.new_full_close),
    Rule("R22", "introductions",
         "An introduction ends on the tonic in root position with the first sung note in its last chord.",
         "introduction", sections.introduction, "between"),
    Rule("R22", "interludes",
         "An interlude fills groups of two or four bars, does not begin as the tune, and ends on the dominant.",
         "interlude", sections.interlude, "between"),
    Rule("R23", "last verses",
         "A last verse with harmony of its own is known at both ends, a chord a beat at most, and really different.",
         "last-verse", sections.last_verse),
)  # fmt: skip
"""Every rule that is checked, in order of number."""
