"""Every four-part chorale of the music21 corpus, read by Undersong and by music21, note for note.

music21 (an independent reader of MusicXML) is the witness: per voice the onsets along the page, the lengths and
the pitches must be equal. Conformance files are compared by `sweeps/conformance.py`.

Run as `python sweeps/reading_witness.py [--count N] [FILE ...]`; prints
what differs and ends with 1 if anything does that is not in `KNOWN`.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

from undersong.errors import UndersongError
from undersong.model.tune import Voice
from undersong.reading import read_file

Row = tuple[Fraction, Fraction, str]

KNOWN = {
    "bwv846.mxl": "a prelude for keyboard, not a chorale",
}
"""Files that differ, by name, with the reason."""


def corpus_files() -> list[Path]:
    """The corpus's own compressed MusicXML files of Bach's chorales."""
    from music21 import corpus

    return sorted(Path(path) for path in corpus.getComposer("bach") if str(path).endswith((".mxl", ".xml")))


def witnessed(path: Path) -> list[tuple[str, list[Row]]]:
    """Per voice of music21's reading: name, and rows of onset, length, pitch. Voices of a staff come apart."""
    from music21 import converter

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(str(path), forceSource=True)
    voices: list[tuple[str, list[Row]]] = []
    for part in score.parts:
        lines: dict[str, list[Row]] = {}
        for measure in part.getElementsByClass("Measure"):
            inner = list(measure.voices) or [measure]
            for index, voice in enumerate(inner):
                rows = lines.setdefault(str(index), [])
                for note in voice.notes:
                    rows.extend(_rows(note, Fraction(measure.offset) + Fraction(note.offset)))
        voices.extend((str(part.partName or ""), rows) for rows in lines.values())
    return voices


def _rows(note: Any, onset: Fraction) -> list[Row]:
    if note.duration.isGrace:
        return []
    pitch = note.pitches[-1]
    name = f"{pitch.step}{'#' * int(pitch.alter) if pitch.alter > 0 else 'b' * -int(pitch.alter)}{pitch.octave}"
    return [(onset.limit_denominator(96), Fraction(note.duration.quarterLength).limit_denominator(96), name)]


def read_rows(voice: Voice) -> list[Row]:
    """Our reading in the same form."""
    return [(note.onset, note.length, str(note.pitch)) for note in voice.notes if not note.grace]


def difference(path: Path) -> str:
    """What differs between the two readings of a file; "" when nothing does."""
    try:
        hymn = read_file(path)[0]
    except UndersongError as failure:
        return f"refused: {failure}"
    others = witnessed(path)
    if not hymn.tune.four_parts:
        return (
            f"read as {', '.join(voice.name for voice in hymn.tune.voices)} (printed: {[name for name, _ in others]})"
        )
    left = others  # each printed voice may answer for one of ours only, and in the order of the page
    for voice in hymn.tune.voices:
        mine = read_rows(voice)
        found = next((index for index, (_, theirs) in enumerate(left) if mine == theirs), None)
        if found is not None:
            left = left[found + 1 :]
        elif any(mine == theirs for _, theirs in others):
            return f"{voice.name} is out of its place in {[name for name, _ in others]}"
        else:
            best = max(others, key=lambda other: len(set(mine) & set(other[1])))
            first = next(
                (pair for pair in zip(mine, best[1], strict=False) if pair[0] != pair[1]), ("length", len(best[1]))
            )
            return f"{voice.name} differs from {best[0]}: {first}"
    return ""


def main() -> int:
    """Compare and print; 1 when anything differs."""
    parser = argparse.ArgumentParser(description="compare our reading of the corpus chorales with music21's")
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--count", type=int, default=0, help="only the first so many")
    options = parser.parse_args()
    files = options.files or corpus_files()
    files = files[: options.count] if options.count else files
    failed = _compare("chorales", files, difference)
    return 1 if failed else 0


def _compare(what: str, files: list[Path], compare: Callable[[Path], str]) -> int:
    """Print what differs and how many are equal; how many differ without a known reason."""
    different = unknown = 0
    for path in files:
        said = compare(path)
        if said:
            reason = KNOWN.get(path.name, "")
            different, unknown = different + 1, unknown + (not reason)
            print(f"{path.name}: {f'known: {reason}' if reason else said}", flush=True)
    print(f"{what}: {len(files) - different} of {len(files)} equal, {different - unknown} known, {unknown} not")
    return unknown


if __name__ == "__main__":
    sys.exit(main())
