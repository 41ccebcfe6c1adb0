"""Roman numerals: a chord's degree in its key, its inversion as figures, and whose dominant it is.

Conventions: capitals for a major third, small letters for a minor one; `o`, `ø` and `+` for
diminished, half-diminished and augmented; figures `6`, `64`, `7`, `65`, `43`, `42` for what lies in
the bass. A degree outside the scale has `b` or `#` before it, counted in minor from the natural
scale, except that leading-note chords are plain `vii`. A dominant or leading-note chord with a note
foreign to the key is named by where it points (`V7/V`, `viio7/ii`): always with a seventh, a plain
triad only if it goes there. The key stays the key it points from.

References: common textbook practice, no single source.
"""

from __future__ import annotations

from undersong.harmony.keys import simpler
from undersong.model.chord import Chord
from undersong.model.pitch import STEPS, Key, PitchName

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")

SCALES: dict[str, tuple[int, ...]] = {"major": (0, 2, 4, 5, 7, 9, 11), "minor": (0, 2, 3, 5, 7, 8, 10)}

_SMALL = {"minor", "minor-seventh", "diminished", "diminished-seventh", "half-diminished"}
_MARKS = {"diminished": "o", "diminished-seventh": "o", "half-diminished": "ø", "augmented": "+"}
_LEADING = {"diminished", "diminished-seventh", "half-diminished"}
_EXTRA = {
    "suspended-fourth": "sus4", "suspended-second": "sus2", "major-sixth": "add6", "minor-sixth": "add6",
    "power": "5", "augmented-seventh": "+",
}  # fmt: skip

_NAMED = {"Neapolitan": "N", "Italian": "It6", "French": "Fr43", "German": "Ger65"}
"""Kinds named for a function: the name stands for degree and figures (N6 with its third in the bass)."""

_TRIAD_FIGURES = {3: "6", 5: "64"}
_SEVENTH_FIGURES = {3: "65", 5: "43", 7: "42"}


def numeral(chord: Chord, key: Key, following: Chord | None = None) -> str:
    """The numeral of a chord in a key, such as `V65`; empty where there is no chord."""
    if chord.root is None:
        return ""
    if chord.kind in _NAMED:
        return _NAMED[chord.kind] + (_quality(chord) if chord.kind == "Neapolitan" else "")
    target = _pointed_at(chord, key, following)
    if target is not None:
        degree = "vii" if simpler(chord.kind) in _LEADING else "V"
        return f"{degree}{_quality(chord)}/{_degree(target, key)}"
    step, signs = _place(chord.root, key)
    leading = simpler(chord.kind) in _LEADING and step == 6 and signs == (1 if key.mode == "minor" else 0)
    accidental = "" if leading else ("#" * signs if signs > 0 else "b" * -signs)
    name = NUMERALS[step].lower() if simpler(chord.kind) in _SMALL else NUMERALS[step]
    return f"{accidental}{name}{_quality(chord)}"


def _place(name: PitchName, key: Key) -> tuple[int, int]:
    """Scale step above the tonic (0 to 6) and how many semitones above that degree of the scale."""
    step = (STEPS.index(name.step) - STEPS.index(key.tonic.step)) % 7
    apart = (name.pitch_class - key.tonic.pitch_class - SCALES[key.mode][step] + 6) % 12 - 6
    return step, apart


def _quality(chord: Chord) -> str:
    """Marks and figures: `o7`, `ø65`, `64`."""
    mark = _MARKS.get(chord.kind, _EXTRA.get(chord.kind, ""))
    bass = chord.tone_for(chord.lowest.pitch_class) if chord.lowest is not None else None
    degree = bass.degree if bass is not None else 1
    if chord.seventh is None:
        return mark + _TRIAD_FIGURES.get(degree, "")
    top = max((tone.degree for tone in chord.tones()), default=7)
    return mark + _SEVENTH_FIGURES.get(degree, str(top) if chord.kind.endswith(("ninth", "th")) and top > 7 else "7")


def _degree(name: PitchName, key: Key) -> str:
    """The triad of the scale on a degree: `V`, `ii`."""
    step, _ = _place(name, key)
    scale = SCALES[key.mode]
    third = (scale[(step + 2) % 7] - scale[step]) % 12
    if key.mode == "minor" and step == 4:
        third = 4
    return NUMERALS[step] if third == 4 else NUMERALS[step].lower()


def _pointed_at(chord: Chord, key: Key, following: Chord | None) -> PitchName | None:
    """The degree whose dominant or leading-note chord this is, if it is not the tonic's own."""
    kind = simpler(chord.kind)
    if chord.root is None or (kind not in _LEADING and kind not in ("major", "dominant")):
        return None
    target = chord.root.up(1, 1) if kind in _LEADING else chord.root.up(3, 5)
    step, signs = _place(target, key)
    perfect = (SCALES[key.mode][(step + 4) % 7] - SCALES[key.mode][step]) % 12 == 7
    if step == 0 or signs or not perfect or not _foreign(chord, key):
        return None
    goes = following is not None and following.root is not None and following.root.pitch_class == target.pitch_class
    return target if goes or kind in ("dominant", "diminished-seventh", "half-diminished") else None


def _foreign(chord: Chord, key: Key) -> bool:
    """Whether the chord has a note outside the scale (in minor, with its leading note)."""
    allowed = {(key.tonic.pitch_class + step) % 12 for step in SCALES[key.mode]}
    if key.mode == "minor" and chord.root is not None:
        degree = (chord.root.pitch_class - key.tonic.pitch_class) % 12
        if degree in (7, 11, 3):
            allowed.add(key.leading_note.pitch_class)
    return not chord.pitch_classes <= allowed
