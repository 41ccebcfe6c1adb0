"""Roman numerals: a chord's degree in its key, its inversion as figures, and whose dominant it is.

Conventions: capitals for a major third, small letters for a minor one; `o`, `ø` and `+` for
diminished, half-diminished and augmented; figures `6`, `64`, `7`, `65`, `43`, `42` for what lies in
the bass. A degree outside the scale has `b` or `#` before it, counted in minor from the natural
scale, except that leading-note chords are plain `vii`. A dominant or leading-note chord with a note
foreign to the key is named by where it points (`V7/V`, `viio7/ii`): always with a seventh, a plain
triad only if it goes there. The key stays the key it points from.

Augmented sixths are told from dominant sevenths by their spelling: `It6`, `Ger65`, `Fr43`, with other
figures if the flat sixth is not the bass, and `/V` where they lead to another degree's dominant. The
major triad on the flat second is the Neapolitan (`N6`), except in phrygian, whose own chord it is. A
diminished seventh that shares a note with the root of the major triad it goes to, and is not its
leading-note chord, is a common-tone one (`CTo7`, `CTo7/V`).

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


def numeral(
    chord: Chord,
    key: Key,
    following: Chord | None = None,
    sounding: frozenset[PitchName] = frozenset(),
    mode: str | None = None,
) -> str:
    """The numeral of a chord in a key, such as `V65`; empty where there is no chord.

    `following` is the next other chord, `sounding` the spelled notes under it, `mode` a church mode.
    """
    if chord.root is None:
        return ""
    if chord.kind in _NAMED:
        return _NAMED[chord.kind] + (_quality(chord) if chord.kind == "Neapolitan" else "")
    special = (
        _augmented_sixth(chord, key, sounding)
        or _neapolitan(chord, key, mode)
        or _common_tone(chord, key, following)
    )  # fmt: skip
    if special:
        return special
    target = _pointed_at(chord, key, following)
    if target is not None:
        degree = "vii" if simpler(chord.kind) in _LEADING else "V"
        return f"{degree}{_quality(chord)}/{_degree(target, key)}"
    step, signs = _place(chord.root, key)
    leading = simpler(chord.kind) in _LEADING and step == 6 and signs == (1 if key.mode == "minor" else 0)
    accidental = "" if leading else ("#" * signs if signs > 0 else "b" * -signs)
    name = NUMERALS[step].lower() if simpler(chord.kind) in _SMALL else NUMERALS[step]
    return f"{accidental}{name}{_quality(chord)}"


_SIXTHS = {
    "It": {1: "6", 3: "64", 7: ""},
    "Ger": {1: "65", 3: "43", 5: "42", 7: "7"},
    "Fr": {1: "43", 3: "42", 5: "7", 7: "65"},
}
"""Figures of the augmented sixths by the degree over the flat sixth that lies in the bass."""


def _augmented_sixth(chord: Chord, key: Key, sounding: frozenset[PitchName]) -> str:
    root = chord.root
    if root is None or chord.seventh is None or chord.third is None or root.up(5, 10) not in sounding:
        return ""
    fifth = chord.fifth
    flat = fifth is not None and fifth.name.pitch_class == (root.pitch_class + 6) % 12
    heard = fifth is not None and fifth.name.pitch_class in {name.pitch_class for name in sounding}
    name = "Fr" if flat else "Ger" if heard else "It"
    bass = chord.tone_for(chord.lowest.pitch_class) if chord.lowest is not None else None
    figures = _SIXTHS[name].get(bass.degree if bass is not None else 1, "")
    goal = root.up(6, 11).up(3, 5)  # its dominant lies a semitone below the root
    goes = "" if goal.pitch_class == key.tonic.pitch_class else f"/{_degree(goal, key)}"
    return f"{name}{figures}{goes}"


def _neapolitan(chord: Chord, key: Key, mode: str | None) -> str:
    flat_second = key.tonic.up(1, 1)
    if chord.kind != "major" or chord.root != flat_second or mode == "phrygian":
        return ""
    return f"N{_quality(chord)}"


def _common_tone(chord: Chord, key: Key, following: Chord | None) -> str:
    if chord.kind != "diminished-seventh" or following is None or following.root is None or chord.root is None:
        return ""
    goal = following.root
    if following.kind not in ("major", "dominant") or goal.pitch_class not in chord.pitch_classes:
        return ""
    step, signs = _place(goal, key)
    if signs or step not in (0, 3, 4):
        return ""
    return "CTo7" if step == 0 else f"CTo7/{_degree(goal, key)}"


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
