"""Alto and tenor proposed for every four-part chorale of the music21 corpus, beside the printed ones.

The musical problem: from tune, bass and chords the program proposes two inner parts. Whether they are good is seen on
music whose inner parts are known: of each chorale only tune, bass and the chords read from its four parts are kept,
alto and tenor are proposed, and both settings are measured in the same two ways.

Conventions: parallels are fifths, octaves and unisons that two voices keep while both move the same way. Joins are
those of `tests/voice_leading.py` inside lines; music21 is asked about every onset at which two voices move, over
lines too. A chord of a beat or more is complete when root, third and seventh sound.

References: chorales from the corpus of the PyPI package music21; `voiceLeading.VoiceLeadingQuartet` of music21;
`tests/voice_leading.py`, which shares no code with the program. The bar (parallels no more than print's 0.48 per 100
joins, nothing out of range, no crossing, 98 % complete) is the project's own.

Run as `python sweeps/innerparts.py [--count N] [--seed S] [--state FILE] [--jobs 2]`.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from midi import chorale_files
from running import kept, share, sweep_parser, work_through
from stamp import stamp
from verses import parts_of

import voice_leading
import witness
from undersong.errors import UndersongError
from undersong.model.hymn import Hymn
from undersong.model.tune import Note, Symbol
from undersong.workflow import Wishes, harmonise, in_four_parts, lay_out, read
from undersong.writing.exchange import exchange_file

VOICES = ("soprano", "alto", "tenor", "bass")
RANGES = {"alto": (55, 74), "tenor": (48, 69)}
"""Alto G3 to D5, tenor C3 to A4 (textbooks of harmony, from memory)."""
PRINT_PARALLELS, COMPLETE_LEAST = 0.48, 0.98


@dataclass
class Result:
    """One chorale: what was counted of the proposal, and of the print where it is measured too."""

    file: str
    stamp: str
    left_out: str = ""
    joins: int = 0
    parallels: int = 0
    direct: int = 0
    print_parallels: int = 0
    print_direct: int = 0
    moves: int = 0
    heard: int = 0
    """Parallels that music21 hears in the proposal, and in the print."""
    print_heard: int = 0
    chords: int = 0
    complete: int = 0
    out_of_range: int = 0
    crossings: int = 0
    quarters_silent: float = 0.0
    """Where the tune is sung and an inner part is not."""


def bones(hymn: Hymn) -> Hymn:
    """Tune, bass, and the chords read from all four parts."""
    spans = harmonise(hymn).harmony.spans
    symbols = tuple(Symbol(one.onset, one.chord) for one in spans if not one.passes or 1 in one.passes)
    voices = tuple(voice for voice in hymn.tune.voices if voice.name in ("soprano", "bass"))
    return replace(hymn, tune=replace(hymn.tune, voices=voices, symbols=symbols))


def one_file(path: Path, mark: str) -> Result:
    """One chorale, with and without its own inner parts."""
    result = Result(path.name, mark)
    try:
        hymn = read(path)[0]
    except UndersongError as failure:
        result.left_out = f"not read: {failure}"
        return result
    if not hymn.tune.four_parts or len(hymn.tune.voices) != len(VOICES):
        result.left_out = "not in four parts"
        return result
    made = in_four_parts(bones(hymn)).hymn
    seen, proposed = _printed(made)
    count = voice_leading.print_itself(seen, proposed)
    result.joins = count.joins
    result.parallels, result.direct = _added(count)
    result.print_parallels, result.print_direct = _added(voice_leading.print_itself(seen, _printed(hymn)[1]))
    result.moves, result.heard = parallels_heard(made)
    result.print_heard = parallels_heard(hymn)[1]
    whole = voice_leading.measure(seen, _renamed(made), printed_bass=True, moving=False, single=True)
    result.chords, result.complete = whole.chords, whole.complete
    _singable(made, result)
    return result


def _laid(hymn: Hymn) -> tuple[witness.Section, voice_leading.Parts]:
    arrangement = lay_out(hymn, Wishes(textures=("as-printed",)))
    section = arrangement.sections[0]
    one = replace(arrangement, sections=(section,))
    return witness.read_sections(exchange_file(one))[0], parts_of(section)


def _printed(hymn: Hymn) -> tuple[witness.Section, dict[str, list[witness.TuneNote]]]:
    """A hymn's file as the witness reads it, and its four voices (start, length, key)."""
    seen, parts = _laid(hymn)
    by_part = voice_leading.parted(seen, parts)
    names = {"soprano": "tune", "alto": "alto", "tenor": "tenor", "bass": "bass"}
    return seen, {
        voice: [(key.start, key.end - key.start, key.midi) for key in by_part.get(name, ())]
        for voice, name in names.items()
    }


def _renamed(hymn: Hymn) -> voice_leading.Parts:
    """Inner parts under names that are not the print's, so that they are judged."""
    names = {"alto": "upper", "tenor": "lower"}
    return {place: tuple(names.get(one, one) for one in found) for place, found in _laid(hymn)[1].items()}


def _added(count: voice_leading.Count) -> tuple[int, int]:
    """Parallels and direct intervals in which an inner part has a share."""
    found = [(name, number) for name, number in count.pair_faults.items() if "of the print" not in name]
    parallels = sum(number for name, number in found if name.startswith("parallel"))
    return parallels, sum(number for name, number in found if name.startswith("direct"))


def parallels_heard(hymn: Hymn) -> tuple[int, int]:
    """Onsets at which two voices move, and the parallels among them that music21 hears; the outer pair left out."""
    from music21 import note, voiceLeading

    voices = {name: struck(voice.notes) for name in VOICES if (voice := hymn.tune.voice(name)) is not None}
    moves = heard = 0
    for first, second in combinations(voices, 2):
        if (first, second) == ("soprano", "bass"):
            continue
        onsets = sorted({one.onset for name in (first, second) for one in voices[name]})
        pairs = [(_at(voices[first], onset), _at(voices[second], onset)) for onset in onsets]
        for (a, b), (c, d) in pairwise(pairs):
            if not (a and b and c and d) or a.pitch == c.pitch or b.pitch == d.pitch:
                continue
            moves += 1
            upper, upper_next, lower, lower_next = (note.Note(one.pitch.midi) for one in (a, c, b, d))
            quartet = voiceLeading.VoiceLeadingQuartet(upper, upper_next, lower, lower_next)
            heard += quartet.parallelFifth() or quartet.parallelOctave() or quartet.parallelUnison()
    return moves, heard


def struck(notes: Sequence[Note]) -> list[Note]:
    """Ties joined."""
    found: list[Note] = []
    for one in notes:
        if found and found[-1].tied and found[-1].end == one.onset:
            found[-1] = replace(found[-1], length=found[-1].length + one.length, tied=one.tied)
        else:
            found.append(one)
    return found


def _at(notes: Sequence[Note], onset: object) -> Note | None:
    return next((one for one in notes if one.onset <= onset < one.end), None)  # type: ignore[operator]


def _singable(hymn: Hymn, result: Result) -> None:
    """Ranges, crossings with the neighbours, and silence."""
    voices = {name: struck(voice.notes) for name in VOICES if (voice := hymn.tune.voice(name)) is not None}
    sung = sum(one.length for one in voices["soprano"])
    for name, (low, high) in RANGES.items():
        result.out_of_range += sum(not low <= one.pitch.midi <= high for one in voices[name])
        result.quarters_silent += float(sung - sum(one.length for one in voices[name]))
    for upper, lower in (("soprano", "alto"), ("alto", "tenor"), ("tenor", "bass")):
        for one in voices[upper]:
            below = [each for each in voices[lower] if each.onset < one.end and each.end > one.onset]
            result.crossings += any(each.pitch.midi > one.pitch.midi for each in below)


def report(results: Sequence[Result], *, stopped: bool) -> int:
    """What was found; 1 where a bar is missed."""
    done = [one for one in results if not one.left_out]
    joins, moves = sum(one.joins for one in done), sum(one.moves for one in done)
    parallels = sum(one.parallels for one in done)
    print(f"{len(done)} chorales, {len(results) - len(done)} left out{', stopped' if stopped else ''}")
    if not done:
        return 1
    for name, ours, prints in (
        ("parallels per 100 joins", parallels, sum(one.print_parallels for one in done)),
        ("direct fifths and octaves per 100 joins", sum(one.direct for one in done),
         sum(one.print_direct for one in done)),
    ):  # fmt: skip
        print(f"{name}: {100 * ours / joins:.2f} ({ours} in {joins}); the print's {100 * prints / joins:.2f}")
    heard, print_heard = sum(one.heard for one in done), sum(one.print_heard for one in done)
    print(f"parallels that music21 hears: {heard} at {moves} moves; the print's {print_heard}")
    complete, chords = sum(one.complete for one in done), sum(one.chords for one in done)
    print(f"complete chords: {share(complete, chords)} of {chords}")
    far, crossed = sum(one.out_of_range for one in done), sum(one.crossings for one in done)
    silent = sum(one.quarters_silent for one in done)
    print(f"notes out of range: {far}; crossings: {crossed}; quarters silent: {silent:g}")
    good = 100 * parallels <= PRINT_PARALLELS * joins and complete >= COMPLETE_LEAST * chords and not far + crossed
    return 0 if good and not stopped else 130 if stopped else 1


def main() -> int:
    """Work through the corpus."""
    asked = sweep_parser(str(__doc__).splitlines()[0]).parse_args()
    files = chorale_files()
    if asked.count:
        files = sorted(random.Random(asked.seed).sample(files, min(asked.count, len(files))))
    mark = stamp(Path(__file__), seed=asked.seed)
    results = kept(asked.state, mark, lambda plain: Result(**plain))
    todo = {path.name: partial(one_file, path, mark) for path in files if path.name not in results}
    stopped = work_through(todo, results, asked.state, asked.jobs)
    return report([results[path.name] for path in files if path.name in results], stopped=stopped)


if __name__ == "__main__":
    sys.exit(main())
