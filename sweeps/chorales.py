"""Every four-part chorale of the music21 corpus, in every texture and place of the tune.

The musical problem: a layout that serves the demonstration hymns may still fail on harmony that nobody chose for
it. Four hundred chorales with crossing voices, suspensions and repeats are read, harmonised, laid out and written
out; what could not be served, what cannot be played and what is not valid MusicXML is counted and told with its
place.

Conventions: a case is one chorale in one texture with the tune in one place. A case is served when each of its
verses stands in the texture asked for and no line of it was mended down to block chords or to tune and bass alone.
A refusal is a case that was not laid out at all, or with a `not-served` finding. Files are drawn by the seed;
results are kept in a state file, one JSON object a line, so that a sweep that was stopped goes on where it was.
Results of another state of the program's sources are not taken over.

References: chorales from the corpus of the PyPI package music21; MusicXML 4.0 schema by `tests/xsd.py`; the
finished notes by `tests/witness.py`, which shares no code with the program. The bars that must be met (as printed
99 %, each texture 95 %, refusals at most 2 %, nothing that cannot be played, everything valid) are the project's own.

Run as `python sweeps/chorales.py [--count N] [--seed S] [--state FILE] [--jobs 2] [--full]`.
"""

from __future__ import annotations

import random
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from running import kept, last_lines, share, sweep_parser, work_through
from stamp import stamp

import witness
import xsd
from undersong.errors import UndersongError
from undersong.model.accompaniment import Arrangement
from undersong.model.finding import Finding
from undersong.model.hymn import Hymn
from undersong.model.plan import TunePlace
from undersong.model.room import ROOMS
from undersong.workflow import Wishes, lay_out, read
from undersong.writing.exchange import exchange_file

TEXTURES = ("as-printed", "block", "broken", "alberti")
PLACES: tuple[TunePlace, ...] = ("at-pitch", "octave-up")
SERVED_LEAST = {"as-printed": 0.99, "block": 0.95, "broken": 0.95, "alberti": 0.95}
REFUSED_MOST = 0.02
WITNESS_LEAST = 0.9
"""Of the chorales the witness is asked about: so many it must be able to walk."""
FALLEN = ("block chords in this line", "tune and bass alone in this line", "the tune alone in this line")
"""How a `changed-here` finding begins where the texture was given up for a line."""
WITNESSED = 10
"""One file in so many is looked at by the witness, unless all are."""
MOST_TOLD = 400
"""Longest list of single faults that is printed."""


@dataclass
class Case:
    """What became of one chorale in one texture with the tune in one place."""

    texture: str
    tune: str
    fallen: list[str] = field(default_factory=list)
    """Why it is not served, one reason for each verse or line."""
    refused: list[str] = field(default_factory=list)
    hard: list[tuple[str, str]] = field(default_factory=list)
    soft: list[tuple[str, str]] = field(default_factory=list)
    notes: dict[str, int] = field(default_factory=dict)
    changed: list[str] = field(default_factory=list)
    """What was changed at single notes or lines, the texture kept."""
    lines: int = 0
    lines_fallen: int = 0
    invalid: list[str] = field(default_factory=list)
    witnessed: bool = False
    contradicted: list[str] = field(default_factory=list)
    """What the witness has against the exchange file."""
    failure: str = ""


@dataclass
class Result:
    """One file of the corpus: why it is left out, or its cases."""

    file: str
    stamp: str
    witnessed: bool
    left_out: str = ""
    unwalked: str = ""
    """Why the witness has nothing to compare with."""
    cases: list[Case] = field(default_factory=list)


def corpus_files() -> list[Path]:
    """Everything by Bach in the corpus, in order of names."""
    from music21 import corpus

    return sorted(Path(path) for path in corpus.getComposer("bach"))


# -- one file --------------------------------------------------------------------------------------


def one_file(path: Path, mark: str, witnessed: bool) -> Result:
    """All cases of one file; never raises for what is wrong with music or program."""
    result = Result(path.name, mark, witnessed)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            score = witness.parse(path)
    except Exception as fault:  # noqa: BLE001 - music21 raises what it likes; the file is told as left out
        result.left_out = f"music21 cannot read it ({type(fault).__name__})"
        return result
    parts = len(getattr(score, "parts", ()))
    if parts != 4:
        result.left_out = f"{parts} parts"
        return result
    with tempfile.TemporaryDirectory() as folder:
        source = path
        if path.suffix not in (".mxl", ".xml", ".musicxml"):
            source = Path(folder) / f"{path.stem}.musicxml"
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                score.write("musicxml", source)
        try:
            hymn = read(source)[0]
        except UndersongError as failure:
            result.cases = [Case(one, place, refused=[f"not read: {failure}"]) for one, place in _asked()]
            return result
        except Exception:  # noqa: BLE001 - counted and told
            told = last_lines()
            result.cases = [Case(one, place, failure=told) for one, place in _asked()]
            return result
        expected = _expected(score, hymn, result) if witnessed else None
        result.cases = [one_case(hymn, texture, place, expected) for texture, place in _asked()]
    return result


def _expected(score: Any, hymn: Hymn, result: Result) -> list[witness.Expected] | None:
    """What music21 reads and walks; None, with a word in the result, where it cannot follow the repeats."""
    try:
        return witness.expected_of(score, verses=[verse.number for verse in hymn.text.verses])
    except Exception as fault:  # noqa: BLE001 - music21 raises what it likes
        result.unwalked = f"music21 cannot walk its repeats: {fault}"
        return None


def _asked() -> Iterator[tuple[str, TunePlace]]:
    for texture in TEXTURES:
        for place in PLACES:
            yield texture, place


def one_case(hymn: Hymn, texture: str, place: TunePlace, expected: list[witness.Expected] | None) -> Case:
    """Lay out, write, validate, and let the witness look where something is expected."""
    case = Case(texture, place)
    try:
        # Dry: what a live room would blur is another question (sweeps/layouts.py).
        arrangement = lay_out(hymn, Wishes(textures=(texture,), tune=place, room=ROOMS["dry"]))
        _count(case, arrangement)
        data = exchange_file(arrangement)
        case.invalid = xsd.faults(data)
        if expected is not None:
            case.witnessed = True
            case.contradicted = _witnessed(arrangement, data, expected)
    except UndersongError as failure:
        case.refused.append(str(failure))
    except Exception:  # noqa: BLE001 - counted and told
        case.failure = last_lines()
    return case


def _count(case: Case, arrangement: Arrangement) -> None:
    reasons = {one.section: one for one in arrangement.findings if one.kind == "not-served"}
    for section in arrangement.sections:
        case.lines += len(section.lines)
        if section.texture != case.texture:
            told = reasons[section.id].message if section.id in reasons else "no reason is told"
            case.fallen.append(f"{section.id}: {told}")
            case.lines_fallen += len(section.lines)
    notes: Counter[str] = Counter()
    for finding in arrangement.findings:
        told = f"{finding.section} {_place(finding)}: {finding.message}"
        if finding.kind == "not-served":
            case.refused.append(told)
        if finding.kind == "changed-here" and finding.message.startswith(FALLEN):
            case.fallen.append(told)
            case.lines_fallen += 1
        elif finding.kind == "changed-here":
            case.changed.append(told)
        if finding.weight == "hard":
            case.hard.append((finding.kind, told))
        elif finding.weight == "soft":
            case.soft.append((finding.kind, told))
        else:
            notes[finding.kind] += 1
    case.notes = dict(notes)


def _place(finding: Finding) -> str:
    return f"bar {finding.bar}, beat {finding.beat}"


def _witnessed(arrangement: Arrangement, data: bytes, expected: list[witness.Expected]) -> list[str]:
    manuals = [section.right == section.left for section in arrangement.sections]
    raised = [12 if section.tune == "octave-up" else 0 for section in arrangement.sections]
    wanted = [one.raised(by) for one, by in zip(expected, raised, strict=False)]
    return witness.faults(data, one_manual=manuals, expected=wanted)


def revived(told: dict[str, Any]) -> Result:
    """A result as the state file keeps it."""
    return Result(**{**told, "cases": [Case(**case) for case in told["cases"]]})


# -- the table -------------------------------------------------------------------------------------


@dataclass
class Row:
    """Figures of one texture, in cases unless said otherwise."""

    texture: str
    tune: str
    cases: int = 0
    served: int = 0
    refused: int = 0
    lines: int = 0
    lines_fallen: int = 0
    hard: int = 0
    soft: int = 0
    invalid: int = 0
    witnessed: int = 0
    contradicted: int = 0
    failures: int = 0

    def add(self, case: Case) -> None:
        """Count one more case."""
        done = not case.failure and case.lines > 0
        self.cases += 1
        self.served += done and not case.fallen
        self.refused += bool(case.refused)
        self.lines += case.lines
        self.lines_fallen += case.lines_fallen
        self.hard += len(case.hard)
        self.soft += len(case.soft)
        self.invalid += bool(case.invalid)
        self.witnessed += case.witnessed
        self.contradicted += bool(case.contradicted)
        self.failures += bool(case.failure)


def rows(results: Iterable[Result]) -> list[Row]:
    """A row for each texture and place, and one for each texture ("both")."""
    table = {(texture, place): Row(texture, place) for texture in TEXTURES for place in (*PLACES, "both")}
    for result in results:
        for case in result.cases:
            table[case.texture, case.tune].add(case)
            table[case.texture, "both"].add(case)
    return list(table.values())


def broken_bars(table: list[Row]) -> list[str]:
    """The bars that are not met."""
    both = [row for row in table if row.tune == "both"]
    found = [
        f"{row.texture}: {share(row.served, row.cases)} served, {SERVED_LEAST[row.texture]:.0%} wanted"
        for row in both
        if row.served < SERVED_LEAST[row.texture] * row.cases
    ]
    cases = sum(row.cases for row in both)
    refused = sum(row.refused for row in both)
    if not cases:
        return ["no case was run"]
    if refused > REFUSED_MOST * cases:
        found.append(f"{share(refused, cases)} refused, at most {REFUSED_MOST:.0%} wanted")
    for what in ("hard", "invalid", "contradicted", "failures"):
        count = sum(getattr(row, what) for row in both)
        if count:
            found.append(f"{what}: {count}, none wanted")
    return found


def unseen(chorales: list[Result]) -> list[str]:
    """Whether the witness, where it was asked to look, has looked at enough."""
    asked = [result for result in chorales if result.witnessed]
    walked = sum(not result.unwalked for result in asked)
    if walked >= WITNESS_LEAST * len(asked):
        return []
    return [f"the witness walked {walked} of {len(asked)} chorales, {WITNESS_LEAST:.0%} wanted"]


def report(results: list[Result], *, whole: bool = True) -> tuple[str, bool]:
    """The whole report as text, and whether every bar is met; a sweep that was stopped is not judged."""
    table = rows(results)
    chorales = [result for result in results if not result.left_out]
    out = [f"{len(results)} files, {len(chorales)} four-part chorales"]
    for reason, count in Counter(result.left_out for result in results if result.left_out).most_common():
        out.append(f"  left out: {count} with {reason}" if reason[0].isdigit() else f"  left out: {count}: {reason}")
    out += [f"  {result.file}: {result.unwalked}" for result in results if result.unwalked]
    out += ["", _line("texture", "tune", "cases", "served", "refused", "lines kept", "hard", "soft", "invalid",
                      "witness", "against", "failed")]  # fmt: skip
    out += [
        _line(
            row.texture, row.tune, row.cases, share(row.served, row.cases), share(row.refused, row.cases),
            share(row.lines - row.lines_fallen, row.lines), row.hard, row.soft, row.invalid,
            row.witnessed, row.contradicted, row.failures,
        )
        for row in table
    ]  # fmt: skip
    out += ["", *_kinds(chorales), "", *_told(chorales), ""]
    against = [*broken_bars(table), *unseen(chorales)]
    if not whole:
        return "\n".join(out), False
    out += ["All bars are met."] if not against else ["Bars not met:", *(f"  {one}" for one in against)]
    return "\n".join(out), not against


def _line(*cells: object) -> str:
    widths = (11, 10, 6, 8, 8, 11, 6, 6, 8, 8, 8, 7)
    return "".join(
        f"{cell!s:<{width}}" if index < 2 else f"{cell!s:>{width}}"
        for index, (cell, width) in enumerate(zip(cells, widths, strict=True))
    )


def _kinds(results: list[Result]) -> Iterator[str]:
    for weight in ("hard", "soft"):
        counts = Counter(
            (case.texture, case.tune, kind)
            for result in results
            for case in result.cases
            for kind, _ in getattr(case, weight)
        )
        yield f"{weight} findings by kind: {'' if counts else 'none'}"
        for (texture, place, kind), count in sorted(counts.items()):
            yield f"  {texture} {place} {kind}: {count}"
    notes: Counter[tuple[str, str]] = Counter()
    for result in results:
        for case in result.cases:
            for kind, count in case.notes.items():
                notes[case.texture, kind] += count
    yield "notes by kind: " + "; ".join(f"{texture} {kind} {count}" for (texture, kind), count in sorted(notes.items()))


def _told(results: list[Result]) -> Iterator[str]:
    told = [
        f"{result.file} {case.texture} {case.tune} {what}: {one}"
        for result in sorted(results, key=lambda one: one.file)
        for case in result.cases
        for what, faults in (
            ("failed", [case.failure] if case.failure else []),
            ("refused", case.refused),
            ("fell back", [one for one in case.fallen if one not in case.refused]),
            ("cannot be played", [one for _, one in case.hard]),
            ("invalid", case.invalid[:3]),
            ("witness", case.contradicted),
        )
        for one in faults
    ]
    yield from told[:MOST_TOLD]
    if len(told) > MOST_TOLD:
        yield f"... and {len(told) - MOST_TOLD} more"


# -- the command -----------------------------------------------------------------------------------


def main(arguments: list[str] | None = None) -> int:
    """0 when every bar is met, 1 when one is not, 130 when stopped."""
    parser = sweep_parser("lay out every four-part chorale of the music21 corpus")
    parser.add_argument("--full", action="store_true", help="let the witness look at every case, not at a tenth")
    options = parser.parse_args(arguments)
    draw = random.Random(options.seed)
    files = corpus_files()
    if options.count:
        files = sorted(draw.sample(files, min(options.count, len(files))))
    looked_at = set(files if options.full else draw.sample(files, -(-len(files) // WITNESSED)))
    mark = stamp(Path(__file__), Path(witness.__file__), Path(xsd.__file__))
    results = kept(options.state, mark, revived)
    stopped = work_through(
        {
            path.name: partial(one_file, path, mark, path in looked_at)
            for path in files
            if path.name not in results or (path in looked_at and _unseen_yet(results[path.name]))
        },
        results, options.state, options.jobs,
    )  # fmt: skip
    done = [results[name] for name in sorted({path.name for path in files} & results.keys())]
    text, met = report(done, whole=not stopped)
    print(text)
    if stopped:
        print(f"Stopped after {len(done)} of {len(files)} files.")
        return 130
    return 0 if met else 1


def _unseen_yet(result: Result) -> bool:
    return not result.witnessed and not result.left_out


if __name__ == "__main__":
    sys.exit(main())
