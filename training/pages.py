"""What the models are fitted on: hymns as pages of tables with the analyst's chords, and folds.

Besides each chorale as it stands a plain version of it is made, in which every voice holds one tone of
the analysed chord as long as it lasts: the same harmony in the manner of plain hymns. It belongs to
the same fold.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from undersong.harmony import features, semimarkov
from undersong.harmony.slices import Slice, part_notes, slices
from undersong.model.hymn import Hymn
from undersong.model.tune import Note, Tune
from undersong.workflow import read

KINDS = len(semimarkov.KINDS)
Row = tuple[float, float, int | None, str, int | None, int | None, str]


@dataclass(frozen=True)
class Corpus:
    """Hymns, their analyses, the splits, and the measure itself (the module score.py)."""

    hymns: dict[str, Hymn]
    truth: dict[str, list[Row]]
    split: dict[str, list[str]]
    groups: list[list[str]]
    measure: object

    @property
    def chorales(self) -> list[str]:
        """All chorales."""
        return self.split["fit"] + self.split["dev"]


def corpus(folder: Path) -> Corpus:
    """Read a folder with hymns/, truth.json, split.json and score.py."""
    sys.path.insert(0, str(folder))
    import score  # noqa: PLC0415

    truth = {
        name: [tuple(row[:7]) for row in rows] for name, rows in json.loads((folder / "truth.json").read_text()).items()
    }
    split = json.loads((folder / "split.json").read_text())
    hymns = {name: read(folder / "hymns" / f"{name}.mxl")[0] for name in truth}
    return Corpus(hymns, truth, split, split["groups"], score)


def folds(found: Corpus, pieces: list[str], count: int, seed: int = 1) -> list[list[str]]:
    """Whole groups dealt to folds of about the same size."""
    wanted = set(pieces)
    groups = [[name for name in group if name in wanted] for group in found.groups]
    np.random.default_rng(seed).shuffle(groups)
    dealt: list[list[str]] = [[] for _ in range(count)]
    for group in sorted(groups, key=len, reverse=True):
        min(dealt, key=len).extend(group)
    return dealt


@dataclass(frozen=True)
class Example:
    """A page with its analysed stretches: (first cut, end, label), and the rows of the page that they are."""

    page: features.Page
    stretches: list[tuple[int, int, int]]
    rows: np.ndarray
    labels: np.ndarray
    cuts: tuple[Slice, ...]


def example(tune: Tune, truth: list[Row]) -> Example:
    """A tune with its analysis; bass changes are no new stretches, long stretches are cut at their strongest place."""
    cuts = slices(tune, part_notes(tune))
    page = features.page(tune, cuts)
    onsets = np.array([float(cut.onset) for cut in cuts])
    begun: list[tuple[int, int]] = []
    for onset, _, root, kind, *_ in truth:
        if root is None:
            continue
        place = int(np.abs(onsets - onset).argmin())
        label = root * KINDS + semimarkov.KINDS.index(kind if kind in semimarkov.KINDS else "major")
        if begun and begun[-1][1] == label:
            continue
        if begun and begun[-1][0] == place:
            begun.pop()
        begun.append((place, label))
    begun[0] = (0, begun[0][1])
    stretches = []
    for (start, label), (end, _) in zip(begun, [*begun[1:], (len(cuts), 0)], strict=True):
        at = start
        while end - at > features.LONGEST:
            cut = max(range(at + 1, at + features.LONGEST + 1), key=lambda place: (page.place[place], place))
            stretches.append((at, cut, label))
            at = cut
        if end > at:
            stretches.append((at, end, label))
    at = {pair: row for row, pair in enumerate(zip(page.first.tolist(), page.count.tolist(), strict=True))}
    rows = np.array([at[start, end - start] for start, end, _ in stretches])
    return Example(page, stretches, rows, np.array([label for *_, label in stretches]), cuts)


def plain(tune: Tune, known: Example) -> Tune:
    """Every voice holds one tone of the analysed chord, the one it sings longest, as long as the chord lasts."""
    notes = part_notes(tune)
    voices = []
    for voice in tune.voices:
        mine = [note for note in notes if note.voice == voice.name]
        held = []
        for start, end, label in known.stretches:
            onset, stop = known.cuts[start].onset, known.cuts[end - 1].end
            root, kind = divmod(label, KINDS)
            tones = {(root + tone) % 12 for tone in semimarkov.TEMPLATES[kind]}
            sung = [
                (min(note.end, stop) - max(note.onset, onset), note.pitch)
                for note in mine
                if note.onset < stop and note.end > onset and note.pitch.midi % 12 in tones
            ]
            if sung:
                held.append(Note(onset, stop - onset, max(sung, key=lambda one: (one[0], one[1].midi))[1]))
        voices.append(replace(voice, notes=tuple(held)))
    return replace(tune, voices=tuple(voices))
