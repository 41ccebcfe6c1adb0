"""Harmony: church modes where it is proposed, and cadences (R20, R21).

References: a musician's judgement, common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from undersong.arranging.rules.case import Case
from undersong.model.accompaniment import PlacedLine
from undersong.model.finding import Finding
from undersong.model.symbol import symbol
from undersong.textures.ground import WalkedChord, chord_at

MODAL: dict[str, tuple[tuple[int, str], ...]] = {
    "dorian": ((0, "minor"), (10, "major"), (5, "major"), (3, "major"), (7, "minor")),
    "mixolydian": ((0, "major"), (10, "major"), (5, "major"), (7, "minor")),
    "aeolian": ((0, "minor"), (10, "major"), (8, "major"), (7, "minor")),
    "phrygian": ((0, "minor"), (1, "major"), (10, "minor")),
}
"""Semitones above the final and kind of the chords of each church mode."""
STOPS = ".!?:;"
"""Where a sentence of the words closes."""


# --- R20 -------------------------------------------------------------------------------------------


def modal_harmony(case: Case) -> Iterator[Finding]:
    """A proposed chord leaves the church mode of its tune."""
    harmony = case.harmony
    if harmony is None or harmony.mode is None:
        return
    proposed = {span.chord for span in harmony.spans if span.origin == "proposed"}
    final = harmony.key.tonic.pitch_class
    raised = (final - 1) % 12
    sung = {key.midi % 12 for key in case.tune}
    allowed = MODAL.get(harmony.mode, ())
    for index, one in enumerate(case.chords):
        if one.chord not in proposed or one.chord.root is None:
            continue
        names = [tone.name for tone in one.chord.tones() if tone.name.pitch_class == raised]
        if names and raised not in sung and harmony.mode in MODAL:
            yield case.tell("mode-left", one.start, what=f"{symbol(one.chord)} raises the seventh to {names[0]}")
        elif one.chord.kind.startswith("diminished") and one.chord.bass is None:
            yield case.tell("mode-left", one.start, what=f"{symbol(one.chord)} is diminished, in root position")
        elif allowed and (one.chord.root.pitch_class - final) % 12 not in {place for place, _ in allowed}:
            yield case.tell("mode-left", one.start, what=f"{symbol(one.chord)} is none of its chords")
        elif harmony.mode == "phrygian" and index == len(case.chords) - 1 and index:
            before = case.chords[index - 1].chord.root
            if before is not None and (before.pitch_class - final) % 12 not in (1, 10, 0):
                yield case.tell("mode-left", one.start, what="it closes neither by the second nor the seventh degree")


# --- R21 -------------------------------------------------------------------------------------------


def cadential_six_four(case: Case) -> Iterator[Finding]:
    """At a six-four before its dominant, ours is the lowest note and it is not the dominant."""
    for one, after in zip(case.chords, case.chords[1:], strict=False):
        if not _is_six_four(one, after):
            continue
        bass = one.chord.bass
        down = [key for key in case.keys if key.start <= one.start < key.end]
        if not down or bass is None:
            continue
        lowest = min(down, key=case.sounds)
        if lowest.part != "tune" and case.ours(lowest) and lowest.midi % 12 != bass.pitch_class:
            yield case.tell("six-four-as-tonic", one.start, lowest, pitch=lowest.pitch, bass=str(bass))


def _is_six_four(one: WalkedChord, after: WalkedChord) -> bool:
    """A triad over its fifth, which is the root of the chord after it, as in `C/G G7`."""
    fifth, root = one.chord.fifth, after.chord.root
    return (
        one.chord.kind in ("major", "minor")
        and fifth is not None
        and one.chord.bass == fifth.name
        and root == fifth.name
        and after.chord.kind in ("major", "dominant")
    )


def new_full_close(case: Case) -> Iterator[Finding]:
    """A full close is made where neither the verse has one nor its words stop."""
    if case.verse is None or case.chords is case.verse.chords:
        return
    for line in case.lines[:-1]:
        mine, theirs = _close(case.chords, line), _close(case.verse.chords, line)
        words = [word.text for word in case.section.words if line.start <= word.start < line.end]
        stops = bool(words) and words[-1].rstrip("\"')”’")[-1:] in STOPS
        deceptive = theirs == "deceptive"
        if mine == "full" and theirs != "full" and (deceptive or not stops):
            one = chord_at(case.chords, line.end - case.beat_at(line.start) / 64)
            yield case.tell("new-full-close", one.start if one is not None else line.start)


def _close(chords: tuple[WalkedChord, ...], line: PlacedLine) -> str:
    """How a line ends: `full` (V-I), `deceptive` (V and another chord than I), or ""."""
    last = [one for one in chords if one.start < line.end and one.end > line.start and one.chord.root][-2:]
    if len(last) < 2:
        return ""
    dominant, goal = (one.chord.root.pitch_class for one in last if one.chord.root is not None)
    tonic = last[1].key.tonic.pitch_class
    if (dominant - tonic) % 12 != 7 or last[0].chord.kind not in ("major", "dominant"):
        return ""
    return "full" if goal == tonic else "deceptive"
