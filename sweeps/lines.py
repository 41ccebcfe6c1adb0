"""What a hymn needs from any page: which voice is the tune, and where its lines end. Measured on the corpus chorales.

The musical problem: a page may hide everything a reader likes to lean on. Names of parts are taken away and staves
shuffled, a descant that nobody has sung is set above; fermatas are taken away and the lines must be found from the
music alone, or from the music with its words.

Conventions: a *voices* case is right when soprano, alto, tenor and bass are all named as in the corpus. Lines are
compared at their borders inside the tune (its end is no merit), against the fermatas that were hidden; the measure
is F1 over all borders of all chorales. Chorales are taken in order of their names: every second one (from the first)
was used for fitting `reading.lines.WEIGHTS`, the others are reported. The descant is made of tones that sound, with
rests, passing quavers and held notes, from a seeded generator.

References: chorales from the corpus of the PyPI package music21. The bars (98 % of the voices, F1 0.90 without words
and 0.95 with them) are the project's own. `--fit` prints new weights: an averaged perceptron over whole divisions
with a margin (M. Collins, "Discriminative training methods for hidden Markov models", 2002; from memory).

Run as `python sweeps/lines.py [--count N] [--seed S] [--fit ROUNDS]`; ends with 1 where a bar is missed.
"""

from __future__ import annotations

import argparse
import random
import sys
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from reading_witness import corpus_files

from undersong.errors import UndersongError
from undersong.model.hymn import Hymn
from undersong.model.pitch import STEPS, Pitch
from undersong.reading.container import open_score
from undersong.reading.lines import Signs, divide, struck_notes
from undersong.reading.musicxml import hymn_of
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawBar, RawNote, RawPart, RawScore, read_score
from undersong.reading.strands import find_strands

VOICES_LEAST = 0.98
LINES_LEAST = {"music alone": 0.90, "with words": 0.95}
DESCANTS = 30
HIGHEST = 83
MARGIN = 1.0
STEP = 0.1


@dataclass(frozen=True, slots=True)
class Chorale:
    """One four-part chorale of the corpus as its file has it."""

    name: str
    score: RawScore


def chorales(count: int = 0) -> list[Chorale]:
    """Every chorale of four parts that can be read."""
    found = []
    for path in corpus_files():
        try:
            score = read_score(open_score(path.read_bytes(), path.name), path.name)
            if len(score.parts) == 4 and hymn_of(score, path.name).tune.four_parts:
                found.append(Chorale(path.name, score))
        except UndersongError:
            continue
        if count and len(found) == count:
            break
    return found


def each_note(score: RawScore, change: Callable[[RawNote], RawNote]) -> RawScore:
    """A score with every note changed, and its bar lines without fermatas."""

    def bar_of(bar: RawBar) -> RawBar:
        lines = tuple(replace(line, fermata=False) for line in bar.barlines)
        return replace(bar, notes=tuple(map(change, bar.notes)), barlines=lines)

    return replace(score, parts=tuple(replace(part, bars=tuple(map(bar_of, part.bars))) for part in score.parts))


# -- voices ------------------------------------------------------------------------------------------------------


def shuffled(score: RawScore, rng: random.Random, descant: RawPart | None = None) -> tuple[RawScore, list[int]]:
    """The parts without names and words in any order; which part of the corpus stands where (4 is the descant)."""
    bare = each_note(score, lambda note: replace(note, lyrics=()))
    parts = [*bare.parts, *([descant] if descant is not None else [])]
    order = list(range(len(parts)))
    rng.shuffle(order)
    if descant is not None:
        order.remove(4)
        order.insert(0, 4)
    named = (replace(parts[one], name="", short="", id=f"P{place}") for place, one in enumerate(order))
    return replace(bare, parts=tuple(named)), order


def invented_descant(score: RawScore, rng: random.Random) -> RawPart:
    """A line above the soprano: tones that sound, some held, some with a passing quaver, some bars silent."""
    rests, held = rng.random() < 0.5, rng.random() * 0.6
    last: int | None = None
    bars = []
    for index, bar in enumerate(score.parts[0].bars):
        silent = rests and rng.random() < 0.3
        notes: list[RawNote] = []
        for note in bar.notes:
            plain = replace(note, lyrics=(), fermata=False, tie_start=False, tie_stop=False)
            if note.rest or note.pitch is None or note.grace or silent:
                notes.append(replace(plain, pitch=None, written=None, rest=True))
            elif notes and not notes[-1].rest and rng.random() < held:
                notes[-1] = replace(notes[-1], length=notes[-1].length + note.length)
            else:
                pitch = _above(score, index, note, last, rng)
                last = pitch.midi
                notes.extend(_passing(replace(plain, pitch=pitch, written=pitch), rng))
        bars.append(replace(bar, notes=tuple(notes), harmonies=()))
    return replace(score.parts[0], bars=tuple(bars))


def _above(score: RawScore, bar: int, note: RawNote, last: int | None, rng: random.Random) -> Pitch:
    assert note.pitch is not None
    sounding = {
        one.pitch
        for part in score.parts
        for one in (part.bars[bar].notes if bar < len(part.bars) else ())
        if one.pitch is not None and one.at <= note.at < one.end
    }
    least = note.pitch.midi - 1
    tones = {replace(pitch, octave=octave) for pitch in sounding for octave in (4, 5)}
    fit = sorted((pitch for pitch in tones if least <= pitch.midi <= HIGHEST), key=lambda one: (one.midi, str(one)))
    aim = last if last is not None else note.pitch.midi + 7
    return min(fit, key=lambda one: abs(one.midi - aim) + 3 * rng.random(), default=note.pitch)


def _passing(note: RawNote, rng: random.Random) -> list[RawNote]:
    if note.pitch is None or note.length < 1 or rng.random() >= 0.25:
        return [note]
    octave, step = divmod(STEPS.index(note.pitch.step) + 1, 7)
    up = Pitch(STEPS[step], 0, note.pitch.octave + octave)
    half = note.length / 2
    return [replace(note, length=half), replace(note, at=note.at + half, length=half, pitch=up, written=up)]


def wrong_voices(cases: Iterable[tuple[str, RawScore, list[int]]]) -> list[str]:
    """Cases in which the four voices are not those of the corpus."""
    wrong = []
    for name, score, order in cases:
        try:
            found = [order[int(strand.part.id[1:])] for strand in find_strands(score, Notebook(), name)]
        except UndersongError as failure:
            wrong.append(f"{name}: {failure}")
            continue
        if found != [0, 1, 2, 3]:
            wrong.append(f"{name}: read as {found}")
    return wrong


# -- lines -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Case:
    """A chorale with its fermatas hidden, and where they said that lines end."""

    name: str
    hymn: Hymn
    borders: frozenset[Fraction]


def line_cases(found: Sequence[Chorale], *, words: bool, tune_alone: bool = False) -> list[Case]:
    """Chorales with two fermatas or more (and, with words, with words), fermatas hidden."""
    cases = []
    for one in found:
        shown = hymn_of(one.score, one.name).tune
        if len(shown.holds) < 2:
            continue
        hidden = each_note(one.score, lambda note: replace(note, fermata=False, lyrics=note.lyrics if words else ()))
        if tune_alone:
            hidden = replace(hidden, parts=hidden.parts[:1])
        try:
            hymn = hymn_of(hidden, one.name)
        except UndersongError:
            continue  # a bar that only all parts together make longer
        if hymn.text.verses or not words:
            cases.append(Case(one.name, hymn, frozenset(line.onset for line in shown.lines[1:])))
    return cases


def scores(cases: Sequence[Case]) -> tuple[float, float, float, list[str]]:
    """F1, precision and recall over all borders, and the chorales that differ."""
    right = extra = missed = 0
    wrong = []
    for case in cases:
        found = {line.onset for line in case.hymn.tune.lines[1:]}
        right += len(found & case.borders)
        extra += len(found - case.borders)
        missed += len(case.borders - found)
        if found != case.borders:
            wrong.append(f"{case.name}: {len(found - case.borders)} too many, {len(case.borders - found)} missed")
    return (2 * right / max(1, 2 * right + extra + missed), right / max(1, right + extra),
            right / max(1, right + missed), wrong)  # fmt: skip


def fit(cases: Sequence[Case], rounds: int, seed: int) -> dict[str, float]:
    """Weights by an averaged perceptron: what is wrongly divided is lowered, what should have been is raised."""
    rng, order = random.Random(seed), list(cases)
    weights: Counter[str] = Counter()
    summed: Counter[str] = Counter()
    steps = 0
    for _ in range(rounds):
        rng.shuffle(order)
        for case in order:
            steps += 1
            tune = case.hymn.tune
            signs = Signs(tune, case.hymn.text, struck_notes(tune))
            bonus = {onset: -MARGIN if onset in case.borders else MARGIN for onset in signs.onsets}
            found = frozenset(divide(signs, Fraction(0), tune.length, weights, bonus))
            change = _names(signs, case.borders, tune.length)
            change.subtract(_names(signs, found, tune.length))
            for name, count in change.items():
                weights[name] += STEP * count  # type: ignore[assignment]  # a Counter may hold fractions
                summed[name] += STEP * count * steps  # type: ignore[assignment]
    return {name: round(weights[name] - summed[name] / max(1, steps), 1) for name in weights}


def _names(signs: Signs, borders: Iterable[Fraction], end: Fraction) -> Counter[str]:
    edges = [Fraction(0), *sorted(borders), end]
    counted: Counter[str] = Counter()
    before: Fraction | None = None
    for here, there in pairwise(edges):
        counted.update(signs.of_line(here, there, before))
        before = there - here
        if there != end:
            counted.update(signs.after(bisect_left(signs.onsets, there) - 1))
    return counted


# -- the whole ---------------------------------------------------------------------------------------------------


def main() -> int:
    """Measure, print, and say whether every bar is met."""
    parser = argparse.ArgumentParser(description="voices with hidden names and lines with hidden fermatas")
    parser.add_argument("--count", type=int, default=0, help="only the first so many chorales")
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--fit", type=int, default=0, metavar="ROUNDS", help="print new weights of the lines")
    options = parser.parse_args()
    found = chorales(options.count)
    if options.fit:
        half = found[::2]
        kinds = [(words, alone) for words in (True, False) for alone in (True, False)]
        cases = [case for words, alone in kinds for case in line_cases(half, words=words, tune_alone=alone)]
        _print_weights(fit(cases, options.fit, options.seed))
        return 0
    met = _measure_voices(found, options.seed)
    other = found[1::2]
    for what, cases in (
        ("music alone", line_cases(other, words=False)),
        ("with words", line_cases(other, words=True)),
        ("tune alone", line_cases(other, words=False, tune_alone=True)),
        ("tune alone with words", line_cases(other, words=True, tune_alone=True)),
    ):
        f1, precision, recall, wrong = scores(cases)
        print(f"lines, {what}: F1 {f1:.3f} (precision {precision:.3f}, recall {recall:.3f}), {len(cases)} chorales, "
              f"{len(wrong)} with a difference")  # fmt: skip
        met &= f1 >= LINES_LEAST.get(what, 0.0)
    return 0 if met else 1


def _measure_voices(found: Sequence[Chorale], seed: int) -> bool:
    rng = random.Random(seed)
    plain = [(one.name, *shuffled(one.score, rng)) for one in found]
    above = [(one.name, *shuffled(one.score, rng, invented_descant(one.score, rng)))
             for one in rng.sample(list(found), min(DESCANTS, len(found)))]  # fmt: skip
    met = True
    for what, cases in (("names hidden, staves shuffled", plain), ("with an invented descant above", above)):
        wrong = wrong_voices(cases)
        print(f"voices, {what}: {len(cases) - len(wrong)} of {len(cases)} right", *wrong[:20], sep="\n  ")
        met &= len(wrong) <= (1 - VOICES_LEAST) * len(cases)
    return met


def _print_weights(weights: Mapping[str, float]) -> None:
    for name, value in sorted(weights.items(), key=lambda one: (-one[1], one[0])):
        if abs(value) >= STEP / 2:
            print(f'    "{name}": {value},')


if __name__ == "__main__":
    sys.exit(main())
