"""The chords of several parts: where they change, and what they are.

Segmentation and labels are found together by a learned model (`semimarkov`) over stretches of cuts
(`features`). What the notes settle is not left to weights: a seventh must sound, a diminished seventh
is rooted where it is spelled, the bass is what the lowest part plays. Chords that the analyses it
was trained on do not know are named afterwards: a fourth that never resolves (sus4), a sixth added to
a closing triad, the French sixth.

Conventions: labels are (root pitch class, kind). Roots are spelled as the notes that sound. A pinned
span is a chord that stands whatever the notes say; its neighbours are read around it.

References: see `semimarkov`; weights.LICENSE for the analyses behind the weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from undersong.harmony.keys import simpler
from undersong.harmony.learned import Learned
from undersong.harmony.slices import Slice
from undersong.model.chord import Chord, Degree
from undersong.model.pitch import Key, PitchName
from undersong.model.tune import Tune

if TYPE_CHECKING:
    from undersong.harmony.features import Floats, Page

NEVER = -1e6
NEAR = -7.0
"""How far below the best a label may stay on every stretch of a page and still be tried (natural logarithm)."""


@dataclass(frozen=True, slots=True)
class Fixed:
    """A chord that stands from `onset` to `end`, whatever the notes say."""

    onset: Fraction
    end: Fraction
    chord: Chord


@dataclass(frozen=True, slots=True)
class Found:
    """A chord found in the parts, with how probable it is; `fixed` where it was given."""

    onset: Fraction
    end: Fraction
    chord: Chord
    probability: float
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Cuts from `start` to `end` under one label, the probability of the label there."""

    start: int
    end: int
    root: int
    kind: str
    probability: float


def find_chords(tune: Tune, cuts: Sequence[Slice], learned: Learned, fixed: Sequence[Fixed] = ()) -> tuple[Found, ...]:
    """The chords of the parts, from the first cut to the last without gaps; () if nothing sounds.

    The ends of `fixed` must be cuts.
    """
    if not any(cut.notes for cut in cuts):
        return ()
    found: list[Found] = []
    for stretch in _decode(tune, cuts, learned, fixed):
        for one in _named(tune, cuts, stretch, fixed):
            last = found[-1] if found else None
            if last and last.chord == one.chord and last.fixed == one.fixed:
                found[-1] = _joined(last, one)
            else:
                found.append(one)
    return tuple(found)


def _joined(one: Found, two: Found) -> Found:
    here, there = float(one.end - one.onset), float(two.end - two.onset)
    probability = (one.probability * here + two.probability * there) / (here + there)
    return Found(one.onset, two.end, one.chord, probability, one.fixed)


def _decode(tune: Tune, cuts: Sequence[Slice], learned: Learned, fixed: Sequence[Fixed]) -> list[_Stretch]:
    import numpy as np  # noqa: PLC0415 (see `learned`)

    from undersong.harmony import semimarkov as model  # noqa: PLC0415
    from undersong.harmony.features import page  # noqa: PLC0415

    heard = page(tune, cuts)
    ready = learned.chords
    table = model.scores(heard, ready)
    _pin(heard, table, cuts, fixed)
    # labels that nowhere come near the best are left out: they cost time and change nothing
    live = np.flatnonzero((table - table.max(axis=1, keepdims=True)).max(axis=0) > NEAR)
    chain = ready.chain[:, live[:, None], live[None, :]]
    score, level = model.by_first(heard, table[:, live]), model.levels(heard)
    path = model.best(score, chain, level)
    sums = model.sums(score, chain, level)
    sure = model.cut_probabilities(sums, path)
    starts, lasts = [start for start, _, _ in path], heard.quarters.astype(np.float64)
    chances = np.add.reduceat(sure * lasts, starts) / np.add.reduceat(lasts, starts)
    kinds = len(model.KINDS)
    found = []
    for (start, end, place), chance in zip(path, chances.tolist(), strict=True):
        label = int(live[place])
        found.append(_Stretch(start, end, label // kinds, model.KINDS[label % kinds], chance))
    return found


def _pin(heard: Page, table: Floats, cuts: Sequence[Slice], fixed: Sequence[Fixed]) -> None:
    """Inside a pinned span only its label, and no stretch across its ends."""
    from undersong.harmony import semimarkov as model  # noqa: PLC0415

    onsets = [cut.onset for cut in cuts]
    for one in fixed:
        start = next(index for index, onset in enumerate(onsets) if onset >= one.onset)
        end = next((index for index, onset in enumerate(onsets) if onset >= one.end), len(cuts))
        ends = heard.first + heard.count
        inside = (heard.first >= start) & (ends <= end)
        touching = (heard.first < end) & (ends > start)
        table[touching] = NEVER
        if one.chord.root is None:
            table[inside] = 0.0
            continue
        kind = simpler(one.chord.kind)
        label = one.chord.root.pitch_class * len(model.KINDS) + model.KINDS.index(kind)
        table[inside, label] = 0.0


def _named(tune: Tune, cuts: Sequence[Slice], stretch: _Stretch, fixed: Sequence[Fixed]) -> list[Found]:
    """A stretch as chords: spelled, with its basses; the pinned chord where one stands."""
    inside = cuts[stretch.start : stretch.end]
    onset, end = inside[0].onset, inside[-1].end
    pinned = next((one for one in fixed if one.onset <= onset < one.end), None)
    if pinned is not None:
        return [Found(onset, end, pinned.chord, 1.0, fixed=True)]
    names = _names(inside)
    plain = _spelled(stretch, names, tune.bars[inside[0].bar].key)
    plain = _unresolved(inside, names) or _added_sixth(plain, inside, names, tune) or plain
    return [Found(start, stop, _over(plain, low), stretch.probability) for start, stop, low in _basses(inside, plain)]


def _over(chord: Chord, low: PitchName | None) -> Chord:
    bass = None if low in (None, chord.root) else low
    return Chord(
        chord.root, chord.kind, bass, chord.degrees, f"{chord.text}/{bass}" if chord.text and bass else chord.text
    )


def _names(inside: Sequence[Slice]) -> dict[int, PitchName]:
    names: dict[int, PitchName] = {}
    for cut in inside:
        for note in cut.notes:
            names.setdefault(note.tone, note.pitch.name)
    return names


def _spelled(stretch: _Stretch, names: dict[int, PitchName], key: Key) -> Chord:
    """Root spelled as it sounds; diminished sevenths and augmented triads are rooted by their spelling."""
    root, kind = stretch.root, stretch.kind
    if kind in ("diminished-seventh", "augmented"):
        step = 3 if kind == "diminished-seventh" else 4
        heard = [names[(root + place) % 12] for place in range(0, 12, step) if (root + place) % 12 in names]
        choose = max if kind == "diminished-seventh" else min
        if heard:
            return Chord(choose(heard, key=lambda name: name.fifths), kind)
    name = names.get(root) or _name_in(root, key)
    if kind == "French":
        return Chord(name, "other", None, (Degree(5, -1, "alter"), Degree(7)), f"{name}7(b5)")
    return Chord(name, kind)


def _name_in(pitch_class: int, key: Key) -> PitchName:
    """A pitch class spelled near the middle of a key's notes on the line of fifths."""
    middle = key.fifths + 2
    return min(
        (PitchName.from_fifths(place) for place in range(middle - 6, middle + 7)),
        key=lambda name: (name.pitch_class != pitch_class, abs(name.fifths - middle)),
    )


def _unresolved(inside: Sequence[Slice], names: dict[int, PitchName]) -> Chord | None:
    """A suspended fourth that stands by itself: fourth and fifth over the bass and no third in the whole stretch."""
    if len(names) not in (3, 4) or not inside[0].notes or float(inside[-1].end - inside[0].onset) < 1:
        return None
    low = inside[0].notes[0].pitch.name
    above = {(tone - low.pitch_class) % 12 for tone in names}
    if above == {0, 5, 7}:
        return Chord(low, "suspended-fourth")
    return Chord(low, "suspended-fourth", None, (Degree(7),)) if above == {0, 5, 7, 10} else None


def _added_sixth(chord: Chord, inside: Sequence[Slice], names: dict[int, PitchName], tune: Tune) -> Chord | None:
    """The page's last chord is a triad with a sixth, not a seventh chord in first inversion."""
    if inside[-1].end < tune.length or chord.root is None or not inside[-1].notes:
        return None
    low = inside[-1].notes[0].pitch.name
    if chord.third is None or low.pitch_class != chord.third.name.pitch_class or len(names) != 4:
        return None
    kind = {"minor-seventh": "major-sixth", "half-diminished": "minor-sixth"}.get(chord.kind)
    return Chord(low, kind) if kind else None


def _basses(inside: Sequence[Slice], chord: Chord) -> list[tuple[Fraction, Fraction, PitchName | None]]:
    """Stretches of one chord with the lowest sounding tone of it; what is no tone of it changes nothing."""
    names = {tone.name.pitch_class: tone.name for tone in reversed(chord.tones())}
    found: list[tuple[Fraction, PitchName]] = []
    for cut in inside:
        name = names.get(cut.notes[0].tone) if cut.notes else None
        if name is not None and (not found or found[-1][1] != name):
            found.append((cut.onset if found else inside[0].onset, name))
    if not found:
        return [(inside[0].onset, inside[-1].end, None)]
    ends = [*(onset for onset, _ in found[1:]), inside[-1].end]
    return [(onset, end, name) for (onset, name), end in zip(found, ends, strict=True)]
