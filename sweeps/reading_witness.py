"""Every four-part chorale of the music21 corpus, read by Undersong and by music21, note for note.

music21 (an independent reader of MusicXML) is the witness: per voice the onsets along the page, the lengths and
the pitches must be equal. The conformance files that music21 carries are compared in the raw layer: bar, place,
length and pitch of every note of every part. Run as `python sweeps/reading_witness.py [--count N] [FILE ...]`; prints
what differs and ends with 1 if anything does that is not in `KNOWN`.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

from undersong.errors import UndersongError
from undersong.model.tune import Voice
from undersong.reading import read_file
from undersong.reading.container import open_score
from undersong.reading.raw import read_score

Row = tuple[Fraction, Fraction, str]
Head = tuple[int, Fraction, Fraction, int]

KNOWN = {
    "bwv119.9.mxl": "a bar of 8 beats in 4/4 is refused",
    "bwv324.mxl": "a bar of 10 beats in 4/4 is refused",
    "bwv846.mxl": "a prelude for keyboard, not a chorale",
    "01d": "quarter tones are read towards the natural note",
    "01f": "quarter tones are read towards the natural note",
    "02e": "music21 shows a note without a staff on both staves",
    "13aa": "signatures of more than seven signs are refused",
    "21f": "music21 reads a chord with a symbol inside as single notes",
    "32c": "music21 believes a printed sharp that the pitch does not have",
    "41g": "durations before divisions are refused",
    "41h": "durations before divisions are refused",
    "51b": "durations before divisions are refused",
    "51c": "durations before divisions are refused",
    "51d": "durations before divisions are refused",
}
"""Files that differ, by name or the number before the first hyphen, with the reason."""


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
    for voice in hymn.tune.voices:
        mine = read_rows(voice)
        if not any(mine == theirs for _, theirs in others):
            best = max(others, key=lambda other: len(set(mine) & set(other[1])))
            first = next(
                (pair for pair in zip(mine, best[1], strict=False) if pair[0] != pair[1]), ("length", len(best[1]))
            )
            return f"{voice.name} differs from {best[0]}: {first}"
    return ""


def conformance_files() -> list[Path]:
    """The small files of each notation that music21 carries for its own tests."""
    import music21

    return sorted(Path(music21.__file__).parent.glob("musicxml/*TestSuite/*.xml"))


def raw_difference(path: Path) -> str:
    """What differs between the raw layer and music21's notes, every part; "" when nothing does."""
    try:
        score = read_score(open_score(path.read_bytes(), path.name), path.name)
    except UndersongError as failure:
        return f"refused: {failure}"
    mine: Counter[Head] = Counter(
        (note.bar, note.at, note.length, note.pitch.midi)
        for part in score.parts
        for bar in part.bars
        for note in bar.notes
        if note.pitch is not None and not note.rest and not note.unpitched
    )
    theirs = Counter(_heads(path))
    if mine == theirs:
        return ""
    return f"only here {sorted((mine - theirs).elements())[:3]}, only there {sorted((theirs - mine).elements())[:3]}"


def _heads(path: Path) -> Iterator[Head]:
    from music21 import converter

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(str(path), forceSource=True).toSoundingPitch()
    for part in score.parts:
        for index, measure in enumerate(part.getElementsByClass("Measure")):
            for note in measure.recurse().notes:
                if {"ChordSymbol", "NoChord", "Unpitched", "PercussionChord"} & set(note.classes):
                    continue
                at = Fraction(note.getOffsetInHierarchy(measure)).limit_denominator(512)
                length = Fraction(note.duration.quarterLength).limit_denominator(512)
                yield from ((index, at, length, int(pitch.ps)) for pitch in note.pitches)


def main() -> int:
    """Compare and print; 1 when anything differs."""
    parser = argparse.ArgumentParser(description="compare our reading of the corpus chorales with music21's")
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--count", type=int, default=0, help="only the first so many")
    options = parser.parse_args()
    files = options.files or corpus_files()
    files = files[: options.count] if options.count else files
    failed = _compare("chorales", files, difference)
    if not options.files:
        failed += _compare("conformance files, raw", conformance_files(), raw_difference)
    return 1 if failed else 0


def _compare(what: str, files: list[Path], compare: Callable[[Path], str]) -> int:
    """Print what differs and how many are equal; how many differ without a known reason."""
    different = unknown = 0
    for path in files:
        said = compare(path)
        if said:
            reason = KNOWN.get(path.name) or KNOWN.get(path.name.partition("-")[0], "")
            different, unknown = different + 1, unknown + (not reason)
            print(f"{path.name}: {f'known: {reason}' if reason else said}", flush=True)
    print(f"{what}: {len(files) - different} of {len(files)} equal, {different - unknown} known, {unknown} not")
    return unknown


if __name__ == "__main__":
    sys.exit(main())
