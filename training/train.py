"""Fit the weights of the harmony stage and say how well they do.

    train.py --data FOLDER [--out FOLDER] [--work FOLDER] [--quick | --without NAME ...]

FOLDER holds hymns/, truth.json, split.json and score.py. All chorales are fitted for the weights that
are written; every figure is for pieces whose whole group was left out. The psalms (`other_style`) are
never fitted or tuned on. `--quick` writes the weights and nothing else. `--without` leaves out the
groups of the named pieces (for tests against published analyses that are among the training pieces).

One process; less than ten minutes on one core.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from dataclasses import asdict
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import fit_chords
import fit_keys
import numpy as np
from pages import Corpus, Example, Row, corpus, example, folds, plain

from undersong.harmony import analyse, semimarkov
from undersong.harmony.analysis import heard, with_sure_lines
from undersong.harmony.chords import find_chords
from undersong.harmony.learned import Learned, learned
from undersong.harmony.report import harmony_json
from undersong.harmony.slices import part_notes, slices

LEVELS = ("root", "full", "bass", "key", "change_f1")
TWICE = 2
"""How often each textbook piece is given to the key model: they are short, and few beside the chorales."""

SEVENTHS = ("minor-seventh", "half-diminished", "diminished-seventh", "major-seventh", "dominant")


class Work:
    """The corpus with its examples, and what is done with them again and again."""

    def __init__(self, found: Corpus, folder: Path) -> None:
        self.corpus, self.folder = found, folder
        self.examples: dict[str, list[Example]] = {}

    def of(self, pieces: list[str]) -> list[Example]:
        """Pieces as they stand and in their plain version."""
        for name in pieces:
            if name not in self.examples:
                tune, truth = with_sure_lines(self.corpus.hymns[name]), self.corpus.truth[name]
                known = example(tune, truth)
                self.examples[name] = [known, example(plain(tune, known), truth)]
        return [self.examples[name][0] for name in pieces] + [self.examples[name][1] for name in pieces]

    def chords(self, pieces: list[str], name: str) -> Path:
        """A folder with a chord model fitted on pieces, kept if it is there already."""
        folder = self.folder / name
        if not (folder / "weights.npz").exists():
            store_chords(fit_chords.fit(self.of(pieces)), folder)
        return folder

    def keys(self, pieces: list[str], folder: Path, more: list[str] | None = None) -> Learned:
        """A key model fitted on the chords that the folder's chord model finds in pieces, put beside it."""
        names = fit_keys.Names()
        store_keys({"clues": {}, "changes": {}, "relations": [[0.0] * 12] * 4}, (0.0, 1.0), folder)
        known = fresh(folder)
        chains = [chain(self.corpus, piece, known, names) for piece in pieces]
        chains += [chain(self.corpus, piece, known, names) for piece in more or []] * TWICE
        store_keys(fit_keys.fit(chains, names), (0.0, 1.0), folder)
        return fresh(folder)


def fresh(folder: Path) -> Learned:
    """The weights of a folder as they are now."""
    learned.cache_clear()
    return learned(folder)


def store_chords(weights: semimarkov.Weights, folder: Path) -> None:
    """Half precision is enough: scores of a page change by less than a hundredth."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "weights.npz").open("wb") as file:
        np.savez_compressed(file, **{name: value.astype(np.float16) for name, value in asdict(weights).items()})


def store_keys(keys: dict[str, object], sure: tuple[float, float], folder: Path) -> None:
    """The key model and the calibration of confidence."""
    document = {"confidence": [round(value, 3) for value in sure], "keys": keys}
    (folder / "weights.json").write_text(json.dumps(document, separators=(",", ":")) + "\n")


def chain(found: Corpus, piece: str, known: Learned, names: fit_keys.Names) -> fit_keys.Chain:
    """A piece's decoded chords with the key the analyst hears longest under each."""
    tune = with_sure_lines(found.hymns[piece])
    cuts = slices(tune, part_notes(tune))
    chords = find_chords(tune, cuts, known)
    keys: list[int] = []
    for one in chords:
        shares: dict[int, float] = {}
        for onset, length, *_, tonic, mode in found.truth[piece]:
            shared = min(float(one.end), onset + length) - max(float(one.onset), onset)
            if shared > 1e-9 and tonic is not None:
                place = tonic + 12 * (mode == "minor")
                shares[place] = shares.get(place, 0.0) + shared
        keys.append(max(shares, key=shares.__getitem__) if shares else keys[-1] if keys else 0)
    return names.chain(heard(tune, cuts, [(one.onset, one.end, one.chord) for one in chords]), keys)


def judged(found: Corpus, pieces: list[str], known: Learned) -> list[dict[str, object]]:
    """The measure's result for each piece, on what the program prints as JSON."""
    results = []
    for piece in pieces:
        hymn = found.hymns[piece]
        guess = found.measure.predicted(harmony_json(hymn, analyse(hymn, weights=known)))
        results.append(found.measure.compare(found.truth[piece], guess) | {"guess": guess, "piece": piece})
    return results


def in_one_key(found: Corpus, results: list[dict[str, object]], known: Learned) -> list[dict[str, object]]:
    """The same readings with the home key under every chord."""
    changed = []
    for result in results:
        hymn = found.hymns[result["piece"]]
        home = analyse(hymn, weights=known).key
        guess = [(*row[:5], home.tonic.pitch_class, home.mode) for row in result["guess"]]
        changed.append(found.measure.compare(found.truth[result["piece"]], guess) | {"guess": guess})
    return changed


def figures(found: Corpus, results: list[dict[str, object]]) -> dict[str, float]:
    """The summary of the measure."""
    return {level: found.measure.summary(results)[level] for level in LEVELS}


def show(title: str, values: dict[str, float]) -> None:
    """One line."""
    print(f"{title:40}", "  ".join(f"{name} {value:.1f}" for name, value in values.items()), flush=True)


def recall(found: Corpus, results: list[dict[str, object]]) -> dict[str, float]:
    """The share of each kind of seventh chord that is named rightly."""
    have, right = dict.fromkeys(SEVENTHS, 0.0), dict.fromkeys(SEVENTHS, 0.0)
    for result in results:
        for row, other, shared in overlaps(found.truth[result["piece"]], result["guess"]):
            if row[3] in have:
                have[row[3]] += shared
                right[row[3]] += shared * (row[2:4] == other[2:4])
    return {kind: 100 * right[kind] / max(have[kind], 1e-9) for kind in SEVENTHS}


def overlaps(truth: list[Row], guess: list[Row]) -> list[tuple[Row, Row, float]]:
    """Pairs of rows that share time."""
    found = []
    for row in truth:
        for other in guess:
            shared = min(row[0] + row[1], other[0] + other[1]) - max(row[0], other[0])
            if shared > 1e-9:
                found.append((row, other, shared))
    return found


def closes(found: Corpus, results: list[dict[str, object]]) -> float:
    """Per cent of the time of the last two chords of each line (to a hold or line end) with root and kind right."""
    right = total = 0.0
    for result in results:
        tune, truth = found.hymns[result["piece"]].tune, found.truth[result["piece"]]
        ends = {float(line.end) for line in tune.lines} | {float(hold) + 1e-3 for hold in tune.holds}
        rows: set[int] = set()
        for end in ends:
            last = [index for index, row in enumerate(truth) if row[0] < end - 1e-6]
            rows |= set(last[-2:])
        for row, other, shared in overlaps([truth[index] for index in sorted(rows)], result["guess"]):
            total += shared
            right += shared * (row[2:4] == other[2:4])
    return 100 * right / max(total, 1e-9)


def confidences(found: Corpus, piece: str, known: Learned) -> list[tuple[float, float, float]]:
    """(probability, share of it with root and kind right, quarter notes) of each chord of a piece."""
    tune = with_sure_lines(found.hymns[piece])
    cuts = slices(tune, part_notes(tune))
    rows = []
    for one in find_chords(tune, cuts, known):
        length, kind = float(one.end - one.onset), one.chord.kind
        root = one.chord.root.pitch_class if one.chord.root else None
        right = sum(
            max(0.0, min(float(one.end), row[0] + row[1]) - max(float(one.onset), row[0]))
            for row in found.truth[piece]
            if row[2] == root and row[3] == kind
        )
        rows.append((one.probability, right / length, length))
    return rows


def calibrated(rows: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Offset and slope of the logistic curve from the odds of the model, by likelihood (Newton's method)."""
    chance = np.clip([row[0] for row in rows], 1e-6, 1 - 1e-6)
    odds, right, weight = (
        np.log(chance / (1 - chance)),
        np.array([row[1] for row in rows]),
        np.array([row[2] for row in rows]),
    )
    columns, value = np.stack([np.ones_like(odds), odds], 1), np.array([0.0, 1.0])
    for _ in range(30):
        guess = 1 / (1 + np.exp(-columns @ value))
        slope = columns.T @ (weight * (guess - right))
        bend = (columns * (weight * guess * (1 - guess))[:, None]).T @ columns
        value = value - np.linalg.solve(bend, slope)
    return float(value[0]), float(value[1])


def trust(rows: list[tuple[float, float, float]]) -> dict[str, float]:
    """Expected calibration error over ten equal bands; the share of errors in the least sure tenth of the time."""
    rows = sorted(rows)
    sure, right, weight = (np.array(column) for column in zip(*rows, strict=True))
    band = np.minimum((sure * 10).astype(int), 9)
    error = sum(abs((weight * (sure - right))[band == one].sum()) for one in range(10)) / weight.sum()
    wrong, time_ = weight * (1 - right), np.cumsum(weight) / weight.sum()
    return {"ece": float(error), "least sure tenth": 100 * float(wrong[time_ <= 0.1].sum() / wrong.sum())}


def cross_validate(work: Work) -> list[tuple[float, float, float]]:
    """Five folds of whole groups: all figures, and the confidences for calibration."""
    found = work.corpus
    dealt = folds(found, found.chorales, 5)
    whole, sure, trusted = [], [], []
    for index, held in enumerate(dealt):
        others = [piece for other, fold in enumerate(dealt) if other != index for piece in fold]
        folder = work.chords(others, f"fold-{index}")
        known = work.keys(others, folder, found.split["textbook"])
        results = judged(found, held, known)
        show(
            f"fold {index + 1} ({len(held)} chorales)", figures(found, results) | {"line ends": closes(found, results)}
        )
        whole.append(results)
        sure.append([row for piece in held for row in confidences(found, piece, known)])
    together = [result for results in whole for result in results]
    show("chorales, five folds", figures(found, together) | {"line ends": closes(found, together)})
    show("recall", recall(found, together))
    for index, rows in enumerate(sure):
        curve = calibrated([row for other, rest in enumerate(sure) if other != index for row in rest])
        known = Learned(None, fresh(work.folder / "fold-0").keys, curve)
        trusted += [(known.confidence(chance), right, length) for chance, right, length in rows]
    print("confidence, out of fold:", {name: round(value, 3) for name, value in trust(trusted).items()})
    return [row for rows in sure for row in rows]


def textbook_halves(work: Work, everything: Path) -> None:
    """The key model fitted on chorales and one half of the textbook pieces, told on the other."""
    found = work.corpus
    halves = folds(found, found.split["textbook"], 2)
    results = []
    for index in (0, 1):
        known = work.keys(found.chorales, everything, halves[1 - index])
        results += judged(found, halves[index], known)
        show(f"textbook, half {index + 1}", figures(found, results[-len(halves[index]) :]))
    show("textbook, both halves", figures(found, results))


def learning_curve(work: Work) -> None:
    """Chords only: fitted on so many pieces of `fit`, told on `dev`."""
    found = work.corpus
    for count in (10, 50, 210):
        folder = work.chords(found.split["fit"][:count], f"curve-{count}")
        known = work.keys(found.split["fit"][:count], folder)
        show(f"{count} pieces, told on dev", figures(found, judged(found, found.split["dev"], known)))


def main() -> None:
    """Do what the command line asks."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--data", type=Path, required=True)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--work", type=Path, default=Path("build/training"))
    ask.add_argument("--quick", action="store_true")
    ask.add_argument("--without", nargs="*", default=[])
    options = ask.parse_args()
    begun = time.time()
    work = Work(corpus(options.data), options.work)
    found = work.corpus
    left = {piece for group in found.groups if set(group) & set(options.without) for piece in group}
    pieces = [piece for piece in found.chorales if piece not in left]
    name = "everything" if not left else f"without-{len(left)}"
    everything = work.chords(pieces, name)
    sure = (0.0, 1.0)
    if not options.quick and not left:
        learning_curve(work)
        sure = calibrated(cross_validate(work))
        textbook_halves(work, everything)
    work.keys(pieces, everything, found.split["textbook"])
    document = json.loads((everything / "weights.json").read_text())
    store_keys(document["keys"], sure, everything)
    options.out.mkdir(parents=True, exist_ok=True)
    for file in ("weights.npz", "weights.json"):
        (options.out / file).write_bytes((everything / file).read_bytes())
    if not options.quick and not left:
        known = fresh(options.out)
        results = judged(found, found.split["other_style"], known)
        show("psalms, never fitted", figures(found, results))
        show("psalms, the home key for all chords", figures(found, in_one_key(found, results, known)))
        rows = [row for piece in found.split["textbook"] for row in confidences(found, piece, known)]
        trusted = [(known.confidence(chance), right, length) for chance, right, length in rows]
        print("confidence on textbook pieces:", {name: round(value, 3) for name, value in trust(trusted).items()})
    print(f"{time.time() - begun:.0f} s")


if __name__ == "__main__":
    main()
