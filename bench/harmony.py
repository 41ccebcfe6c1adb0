"""How dear is the reading of four parts beside that of a general library?

Ours: chords, keys, numerals and non-chord notes of a hymn (`analyse`). Theirs: music21's chordify,
analyze("key") and a romanNumeral for each chord: one key, no segmentation. In one process, parsing
excluded, on the first chorales that music21 carries; medians over hymns of the best of three runs.
Bars: a tenth of the time, 200 MB.

Usage: harmony.py [--hymns 20] [--json]
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does

SHARE = 0.1
MEGABYTES = 200.0


def best(job: Callable[[], object], runs: int = 3, before: Callable[[], object] = lambda: None) -> float:
    """Seconds of the fastest of some runs; `before` each of them something that is not counted."""
    taken = []
    for _ in range(runs):
        before()
        begun = time.perf_counter()
        job()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def theirs(score: object) -> None:
    """Chords, a key and a numeral for each chord."""
    from music21 import roman

    key = score.analyze("key")  # type: ignore[attr-defined]
    for chord in score.chordify().recurse().getElementsByClass("Chord"):  # type: ignore[attr-defined]
        roman.romanNumeralFromChord(chord, key)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hymns", type=int, default=20)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    from undersong.harmony import analyse
    from undersong.workflow import read

    with tempfile.TemporaryDirectory() as folder:
        hymns, scores = [], []
        own = [Path(one) for one in chorales_as_files(Path(folder), options.hymns)]
        hymns = [read(path)[0] for path in own]
        analyse(hymns[0])
        ours = [best(lambda hymn=hymn: analyse(hymn)) for hymn in hymns]
        peak = _peak()
        from music21 import converter

        scores = [converter.parse(path) for path in own]
        theirs(scores[0])
        other = [best(lambda score=score: theirs(score)) for score in scores]
    mine, their = statistics.median(ours), statistics.median(other)
    result = {"hymns": len(ours), "ours_s": mine, "music21_s": their, "share": mine / their, "peak_mb": peak}
    if options.json:
        print(json.dumps(result))
    else:
        print(f"{len(ours)} hymns   ours {1000 * mine:.1f} ms   music21 {1000 * their:.0f} ms   "
              f"share {mine / their:.3f} (bar {SHARE})   {peak:.0f} MB (bar {MEGABYTES:.0f})")  # fmt: skip
    return 0 if mine <= SHARE * their and peak <= MEGABYTES else 1


def chorales_as_files(folder: Path, count: int) -> list[str]:
    """The first chorales of music21's corpus as MusicXML files, made in a process of their own (for the memory)."""
    import subprocess

    code = (
        "import sys, pathlib\nfrom music21 import corpus\n"
        "names = sorted(str(path) for path in corpus.getComposer('bach') if path.suffix == '.mxl')\n"
        "made = 0\n"
        "for name in names:\n"
        "    score = corpus.parse(name)\n"
        "    if len(score.parts) == 4 and made < int(sys.argv[2]):\n"
        "        made += 1\n"
        "        print(score.write('musicxml', pathlib.Path(sys.argv[1]) / f'{made:02}.musicxml'))\n"
        "    if made == int(sys.argv[2]):\n        break\n"
    )
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", code, str(folder), str(count)],
                          check=True, capture_output=True, text=True)  # fmt: skip
    return done.stdout.split()


def _peak() -> float:
    """The most memory that this process has held, in megabytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    sys.exit(main())
