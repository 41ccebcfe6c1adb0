"""How dear is the whole job beside bare engraving of the same systems?

The whole job: a fresh process reads a hymn of four verses, finds its harmony, lays out, checks and
engraves every verse and sets the booklet. Bare engraving: a fresh process gives the very same music
to the engraving library, draws the same systems and sets them into a PDF, and nothing else.

Measured: user + system CPU of all processes, median of alternating runs. The bar is a ratio of 3.

Usage: whole_job.py [--runs 7] [--hymn FILE] [--json]
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

BAR = 3.0
BARE = """
import json, sys, tempfile, pathlib
import verovio, typst
pages = json.loads(pathlib.Path(sys.argv[1]).read_text())
folder = pathlib.Path(sys.argv[1]).parent
kit, names = verovio.toolkit(), []
for page in pages:
    kit.resetOptions()
    kit.setOptions(page["options"])
    assert kit.loadData(page["music"])
    for number in range(1, kit.getPageCount() + 1):
        names.append(f"{len(names)}.svg")
        (folder / names[-1]).write_text(kit.renderToSVG(number))
source = "".join(f'#image("{name}", width: 100%)\\n' for name in names)
(folder / "bare.typ").write_text('#set page(paper: "a4", margin: 13mm)\\n' + source)
pathlib.Path(sys.argv[2]).write_bytes(typst.compile(str(folder / "bare.typ"), font_paths=[sys.argv[3]]))
"""


def cpu(command: list[str]) -> float:
    """User and system seconds of a command with all its children."""
    # Compiled modules are kept, as on any installed copy.
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def pages_of(hymn: Path) -> list[dict[str, object]]:
    """What the engraver is given for each verse of the hymn."""
    from undersong import workflow
    from undersong.writing import engraver
    from undersong.writing.booklet import marks_at_notes, page_size
    from undersong.writing.exchange import exchange_file
    from undersong.writing.prepare import prepare

    size = page_size("a4")
    arrangement = workflow.lay_out(workflow.read(hymn)[0], workflow.Wishes())
    return [
        {
            "music": prepare(
                exchange_file(arrangement, [one]),
                size,
                lines=[line.start for line in one.lines],
                marks=marks_at_notes(arrangement, one),
            ),
            "options": engraver._options(size),
        }
        for one in arrangement.sections
    ]


def measured(hymn: Path, runs: int) -> dict[str, object]:
    """Both, in turn, so many times."""
    import undersong.writing

    fonts = Path(undersong.writing.__file__).parent / "fonts"
    whole, bare = [], []
    with tempfile.TemporaryDirectory() as folder:
        pages = Path(folder) / "pages.json"
        pages.write_text(json.dumps(pages_of(hymn)))
        program = str(Path(sys.executable).parent / "undersong")
        job = [program, "arrange", str(hymn), "-o", folder, "--formats", "pdf"]
        plain = [sys.executable, "-c", BARE, str(pages), str(Path(folder) / "bare.pdf"), str(fonts)]
        cpu(job), cpu(plain)  # once unmeasured, so that both find compiled files
        for turn in range(runs):
            whole.append(cpu(job))
            bare.append(cpu(plain))
            if sys.stderr.isatty():
                print(f"\rrun {turn + 1} of {runs}", end="", file=sys.stderr, flush=True)
    ratio = statistics.median(whole) / statistics.median(bare)
    return {
        "hymn": hymn.name, "runs": runs, "whole_seconds": round(statistics.median(whole), 3),
        "bare_seconds": round(statistics.median(bare), 3), "ratio": round(ratio, 2), "bar": BAR,
    }  # fmt: skip


def main() -> int:
    """Measure a hymn with symbols and one in four parts, four verses each; 1 when a ratio is above the bar."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--hymn", type=Path)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    hymns = [options.hymn] if options.hymn else _demo_hymns()
    results = [measured(hymn, options.runs) for hymn in hymns]
    if options.json:
        print(json.dumps(results))
    else:
        for one in results:
            print(
                f"whole job {one['whole_seconds']} s, bare engraving {one['bare_seconds']} s of CPU "
                f"({one['hymn']}, median of {one['runs']}): ratio {one['ratio']}, bar {BAR}"
            )
    return 0 if all(float(str(one["ratio"])) <= BAR for one in results) else 1


def _demo_hymns() -> list[Path]:
    from undersong.demo import hymn_files
    from undersong.workflow import read

    found: dict[bool, Path] = {}
    for file in hymn_files():
        hymn = read(file)[0]
        if len(hymn.text.verses) == 4:
            found.setdefault(hymn.tune.four_parts, file)
    return [found[kind] for kind in sorted(found)]


if __name__ == "__main__":
    sys.exit(main())
