"""Every texture on every hymn: four-part chorales and folk tunes with symbols, and all kinds of organs and hands.

The musical problem: each verse is to have its own texture, within reach and clear to sing to, on any hymn. Two sweeps
try that. A lays out all chorales of the music21 corpus and a folder of folk tunes in all textures, for a medium reach
on two manuals with a pedal of 30 keys. B lays out a few hymns drawn by the seed in a pairwise cover of texture, place
of the tune, reach and organ. On twenty hymns of A every two textures are compared as well: do their notes differ?

Conventions: cases, refusals and what keeps a figure are those of `sweeps/verses.py`. In A each texture has the tune at
pitch (too low, the program itself lays out the octave up) or, where both hands are needed, in the pedal, and in one
case of eight in another place of the tune, drawn by the seed. One hymn in twelve, and one case in twelve of B, is
looked at from outside. Voice leading is counted per 100 joins and pair of voices, contrary motion inside a line among
the parallels; the print's bar per pair is a fifth of what its five pairs have together. Textures and places are those
of the program's own tables.

References: chorales from the corpus of the PyPI package music21; folk tunes from a folder of ABC files. The bars are
the project's own; those of voice leading were measured on 60 printed chorales. A pairwise cover reaches what two
settings together can spoil (common practice of testing; a greedy one is twenty lines, so no library is taken for it).

Run as `python sweeps/layouts.py [--folder DIR] [--count N] [--seed S] [--state FILE] [--jobs 2] [--only a|b]
[--look N] [--json]`.
"""

from __future__ import annotations

import json
import random
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import Any

from abc_tunes import tunes_of
from midi import chorale_files
from running import kept, share, sweep_parser, work_through
from stamp import stamp
from verses import ORGANS, REACHES, TOO_LOW, Asked, Case, Result, Source, one_hymn, revived, usual_place

import voice_leading
import witness
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES

ELSEWHERE, LOOKED_AT = 8, 12
"""One case in so many lies in another place of the tune; one hymn in so many is looked at."""
COMPARED, TRIED = 20, 24
"""Hymns on which textures are compared, and hymns of sweep B."""
FALLEN_MOST, FALLEN_MOST_SMALL, REFUSED_MOST = 0.02, 0.10, 0.02
KEPT_LEAST, COMPLETE_LEAST, DIFFER_LEAST = 0.95, 0.98, 0.30
PRINT_PARALLELS, PRINT_DIRECT, PRINT_PAIRS = 0.48, 3.7, 5
"""The printed parts' faults per 100 joins, over five pairs of voices."""
SYMBOLS_PARALLELS = 1.0
NEVER = {
    "R1": ("third missing", "leading note twice", "seventh twice"), "R2": ("semitone under the tune",),
    "R5": ("resolution under the tune", "suspension lost"), "R6": ("tonic in the dominant",),
    "low-interval limits": ("low interval",), "R14": ("beat not struck",),
}  # fmt: skip
"""Faults seen from outside that must not be, by rule."""
SAME_NOTES = {"as-printed, soloed": "the same parts, on one manual or on two"}
"""Pairs of textures that are meant to have the same notes."""
MOST_TOLD = 12
"""So many places of each kind of fault are told."""


def pairwise_cover(factors: Mapping[str, Sequence[str]], draw: random.Random) -> list[dict[str, str]]:
    """Rows in which every value of a factor meets every value of every other, greedily few."""
    names = list(factors)
    left = {
        ((one, a), (other, b))
        for one, other in combinations(names, 2)
        for a in factors[one]
        for b in factors[other]
    }  # fmt: skip
    rows = []
    while left:
        row = dict(draw.choice(sorted(left)))
        for name in draw.sample([name for name in names if name not in row], len(names) - len(row)):
            values = draw.sample(list(factors[name]), len(factors[name]))
            row[name] = max(values, key=lambda value: len(_pairs({**row, name: value}, names) & left))
        left -= _pairs(row, names)
        rows.append(row)
    return rows


def _pairs(row: Mapping[str, str], names: Sequence[str]) -> set[tuple[tuple[str, str], tuple[str, str]]]:
    return {
        ((one, row[one]), (other, row[other])) for one, other in combinations(names, 2) if one in row and other in row
    }


# -- the work --------------------------------------------------------------------------------------


def sources(folder: Path | None) -> list[Source]:
    """All chorales, and all tunes of the folder."""
    found = [Source(path.name, "chorale", path) for path in chorale_files()]
    for path in sorted(folder.rglob("*.abc")) if folder is not None else ():
        found += [Source(name, "folk", abc=text) for name, text in tunes_of(path)]
    return found


def asked_of(source: Source, seed: int, look_at: int) -> list[Asked]:
    """The cases of a hymn in sweep A; what is drawn depends on seed and name alone."""
    draw = random.Random(f"{seed} {source.name}")
    look = draw.random() < 1 / look_at
    cases = [Asked(texture, usual_place(texture), look=look) for texture in TEXTURES]
    for texture in TEXTURES:
        others = [place for place in PLACES if place != usual_place(texture)]
        if draw.randrange(ELSEWHERE) == 0:
            cases.append(Asked(texture, draw.choice(others), look=look))
    return cases


def tried_on(rows: Sequence[Mapping[str, str]], name: str, seed: int, look_at: int) -> list[Asked]:
    """The cases of a hymn in sweep B."""
    draw = random.Random(f"{seed} {name} b")
    return [Asked(**row, look=draw.random() < 1 / look_at) for row in rows]


def work(hymns: Sequence[Source], options: Any, mark: str) -> dict[str, partial[Result]]:
    """All pieces of work by name."""
    draw = random.Random(options.seed)
    todo: dict[str, partial[Result]] = {}
    if options.only != "b":
        compared = _some_of_each(hymns, COMPARED, draw)
        for one in hymns:
            asked = asked_of(one, options.seed, options.look)
            todo[one.name] = partial(one_hymn, one, asked, mark, compare=one.name in compared)
    if options.only != "a":
        factors = {"texture": list(TEXTURES), "place": list(PLACES), "reach": list(REACHES), "organ": list(ORGANS)}
        rows = pairwise_cover(factors, random.Random(options.seed))
        tried = _some_of_each(hymns, options.tried, draw)
        for one in (one for one in hymns if one.name in tried):
            other = Source(f"B {one.name}", one.kind, one.path, one.abc)
            asked = tried_on(rows, one.name, options.seed, options.look)
            todo[other.name] = partial(one_hymn, other, asked, mark)
    return todo


def _some_of_each(hymns: Sequence[Source], count: int, draw: random.Random) -> set[str]:
    """Names of so many hymns, as many of each kind as may be."""
    chosen: set[str] = set()
    kinds = sorted({one.kind for one in hymns})
    for kind in kinds:
        names = [one.name for one in hymns if one.kind == kind]
        chosen |= set(draw.sample(names, min(len(names), count // len(kinds))))
    return chosen


# -- figures ---------------------------------------------------------------------------------------


@dataclass
class Row:
    """Figures of some cases together."""

    cases: int = 0
    served: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    fallen: int = 0
    lines: int = 0
    lines_fallen: int = 0
    bars: int = 0
    bars_kept: int = 0
    hard: int = 0
    soft: int = 0
    failed: int = 0
    looked_at: int = 0
    against: int = 0
    joins: int = 0
    pair_joins: int = 0
    chords: int = 0
    complete: int = 0
    beats: int = 0
    struck: int = 0
    faults: Counter[str] = field(default_factory=Counter)

    def add(self, case: Case) -> None:
        """Count one more case."""
        served = not case.failure and case.refused in ("", TOO_LOW)
        self.cases += 1
        self.served += served
        self.refused[case.refused] += bool(case.refused)
        self.failed += bool(case.failure)
        self.hard += len(case.hard)
        if served:
            self.fallen += bool(case.fallen)
            self.lines += case.lines
            self.lines_fallen += len(case.fallen)
            self.bars += case.bars
            self.bars_kept += case.bars_kept
            self.soft += sum(case.soft.values())
        self.looked_at += case.looked_at
        self.against += len(case.against)
        for name in ("joins", "pair_joins", "chords", "complete", "beats", "struck"):
            setattr(self, name, getattr(self, name) + getattr(case, name))
        self.faults.update(case.faults)

    def per_pair(self, kind: str) -> float:
        """Faults of two voices per 100 joins and pair."""
        return 100 * self.voices(kind) / self.pair_joins if self.pair_joins else 0.0

    def per_join(self, kind: str) -> float:
        """Faults of two voices per 100 joins, all pairs together."""
        return 100 * self.voices(kind) / self.joins if self.joins else 0.0

    def voices(self, kind: str) -> int:
        """Faults of two voices; among parallels those in contrary motion inside a line."""
        return self.faults[kind] + (self.faults["contrary"] if kind == "parallel" else 0)

    def told(self) -> dict[str, Any]:
        """For `--json`."""
        return {**vars(self), "refused": dict(+self.refused), "faults": dict(self.faults)}


def rows_by(cases: Iterable[Case], key: Callable[[Case], tuple[str, ...]]) -> dict[tuple[str, ...], Row]:
    """Figures of cases by what they have in common, in the order of the program's tables."""
    rows: dict[tuple[str, ...], Row] = defaultdict(Row)
    for case in cases:
        rows[key(case)].add(case)
    order = {name: index for index, name in enumerate((*TEXTURES, *PLACES, *REACHES, *ORGANS))}
    return dict(sorted(rows.items(), key=lambda one: [order.get(name, len(order)) for name in one[0]]))


def bars_missed(results: Sequence[Result]) -> list[str]:
    """The bars that are not met, each with its figure."""
    a = [case for result in results if not _is_b(result) for case in result.cases]
    b = [case for result in results if _is_b(result) for case in result.cases]
    found = [
        f"{result.file}: {result.left_out}" for result in results if result.left_out.startswith(("failed", "not read"))
    ]
    for name, cases in (("A", a), ("B", b)):
        whole = rows_by(cases, lambda _: ())[()] if cases else Row()
        for what, count in (("hard findings", whole.hard), ("failures", whole.failed), ("witness", whole.against)):
            if count:
                found.append(f"{name}: {what}: {count}, none wanted")
    found += _missed_by_program(a, b)
    found += _missed_from_outside([*a, *b])
    for pair, shares in _differences(results).items():
        few = [one for one in shares if one < DIFFER_LEAST]
        if few and pair not in SAME_NOTES:
            found.append(f"{pair}: {len(few)} of {len(shares)} hymns differ by less than {DIFFER_LEAST:.0%}")
    return found


def _missed_by_program(a: Sequence[Case], b: Sequence[Case]) -> Iterator[str]:
    for (texture,), row in rows_by(a, lambda case: (case.texture,)).items():
        if row.fallen > FALLEN_MOST * row.served:
            yield f"A, {texture}: {share(row.fallen, row.served)} of verses fall back, {FALLEN_MOST:.0%} at most"
        if row.refused["outside"] > REFUSED_MOST * row.cases:
            yield f"A, {texture}: {share(row.refused['outside'], row.cases)} refused outside the stated needs"
        if row.bars_kept < KEPT_LEAST * row.bars:
            yield f"A, {texture}: the figure is kept in {share(row.bars_kept, row.bars)} of bars"
    for (reach,), row in rows_by(b, lambda case: (case.reach,)).items():
        most = FALLEN_MOST_SMALL if reach == "small" else 1.0
        if row.fallen > most * row.served:
            yield f"B, {reach} hands: {share(row.fallen, row.served)} of verses fall back, {most:.0%} at most"


def _missed_from_outside(cases: Sequence[Case]) -> Iterator[str]:
    """Faults that an independent reader of the files counts, by texture."""
    seen = [case for case in cases if case.looked_at]
    for (texture, harmony), row in rows_by(seen, lambda case: (case.texture, _harmony(case))).items():
        name = f"{texture} on {harmony}"
        for rule, kinds in NEVER.items():
            count = sum(row.faults[kind] for kind in kinds)
            if count:
                yield f"{name}: {rule}: {count} faults, none wanted"
        if harmony == "symbols" and row.per_join("parallel") > SYMBOLS_PARALLELS:
            yield f"{name}: {row.per_join('parallel'):.2f} parallels per 100 joins, {SYMBOLS_PARALLELS} at most"
        if harmony == "parts":
            for kind, most in (("parallel", PRINT_PARALLELS), ("direct", PRINT_DIRECT)):
                have, most_each = row.per_pair(kind), most / PRINT_PAIRS
                if have > most_each:
                    yield f"{name}: {have:.2f} {kind} per 100 joins and pair, {most_each:.2f} at most"
        if row.complete < COMPLETE_LEAST * row.chords:
            yield f"{name}: {share(row.complete, row.chords)} of chords complete, {COMPLETE_LEAST:.0%} wanted"
    below = [case for case in seen if PLACES[case.laid_place].sounds < 0]
    count = sum(case.faults.get("parallel", 0) + case.faults.get("contrary", 0) for case in below)
    if count:
        yield f"R3: {count} parallels inside lines under a lowered tune, none wanted"


def _is_b(result: Result) -> bool:
    return result.file.startswith("B ")


def _harmony(case: Case) -> str:
    return "parts" if case.printed_bass else "symbols"


def _differences(results: Iterable[Result]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = defaultdict(list)
    for result in results:
        for pair, value in result.differ.items():
            found[pair].append(value)
    return dict(found)


# -- the report ------------------------------------------------------------------------------------


def report(results: Sequence[Result], missed: Sequence[str] | None) -> Iterator[str]:
    """All tables, and the places of the worst; a sweep that was stopped is not judged (None)."""
    left_out = Counter(result.left_out for result in results if result.left_out)
    yield f"{len(results)} hymns; " + "; ".join(f"{count} {why}" for why, count in left_out.most_common())
    for name in ("A", "B"):
        own = [result for result in results if _is_b(result) == (name == "B") and result.cases]
        if own:
            yield from _tables(name, own)
    yield from _differ(results)
    yield from _worst(results)
    if missed is not None:
        yield ""
        yield from ["Bars not met:", *(f"  {one}" for one in missed)] if missed else ["All bars are met."]


HEAD = ("cases", "stated", "rule", "place", "low", "outside", "fell back", "bars kept", "hard", "soft", "failed")
SEEN = (
    "looked", "joins", "par/100", "par/pair", "dir/100", "dir/pair", "contrary", "close", "complete", "struck",
    "R1", "R2", "R5", "R6", "low", "low/print", "against",
)  # fmt: skip


def _tables(name: str, results: Sequence[Result]) -> Iterator[str]:
    cases = [case for result in results for case in result.cases]
    groupings: list[tuple[str, Callable[[Case], tuple[str, ...]]]]
    groupings = [("texture and place", lambda case: (case.texture, case.place))]
    if name == "B":
        groupings = [
            ("texture", lambda case: (case.texture, "")), ("place", lambda case: (case.place, "")),
            ("reach", lambda case: (case.reach, "")), ("organ", lambda case: (case.organ[:14], "")),
        ]  # fmt: skip
    for title, key in groupings:
        yield ""
        yield _line((f"{name}, by {title}", ""), HEAD)
        for group, row in rows_by(cases, key).items():
            refused = [row.refused[why] or "" for why in ("stated", "rule", "place", TOO_LOW, "outside")]
            yield _line(
                group,
                (row.cases, *refused, share(row.fallen, row.served), share(row.bars_kept, row.bars), row.hard or "",
                 row.soft or "", row.failed or ""),
            )  # fmt: skip
    yield ""
    yield _line((f"{name}, seen from outside", ""), SEEN)
    seen = [case for case in cases if case.looked_at]
    for group, row in rows_by(seen, lambda case: (case.texture, _harmony(case))).items():
        yield _line(group, _seen_cells(row))
    printed = Row(
        joins=sum(result.print_joins for result in results),
        pair_joins=sum(result.print_pair_joins for result in results),
        faults=sum((Counter(result.print_faults) for result in results), Counter()),
    )
    yield _line(("the print itself", ""), _seen_cells(printed))
    yield ""
    refusals = Counter(f"{case.refused}: {_reason(case.reason)}" for case in cases if case.refused)
    yield from _counted(f"{name}, refusals", refusals)
    yield from _counted(f"{name}, soft findings", _sum(cases, "soft"))
    yield from _counted(f"{name}, mended", _sum(cases, "mended"))
    yield from _counted(f"{name}, exempt", _sum(cases, "exempt"))
    yield from _counted(f"{name}, faults by pair", _sum(cases, "pair_faults"))


def _reason(told: str) -> str:
    """A refusal without its numbers and the names of its keys."""
    reasons = re.findall(r"cannot serve this verse as planned: (.*?); [^;]* is laid out instead", told) or [told]
    return " / ".join(re.sub(r"\b[A-G]#?\d\b|\b[\d.½¼¾/]+", "..", one) for one in reasons)


def _seen_cells(row: Row) -> tuple[object, ...]:
    rules = [sum(row.faults[kind] for kind in NEVER[rule]) or "" for rule in ("R1", "R2", "R5", "R6")]
    return (
        row.looked_at or "", row.joins, f"{row.per_join('parallel'):.2f}", f"{row.per_pair('parallel'):.2f}",
        f"{row.per_join('direct'):.2f}", f"{row.per_pair('direct'):.2f}", row.faults["contrary"] or "",
        row.faults["contrary at a close"] or "",
        share(row.complete, row.chords), share(row.struck, row.beats), *rules, row.faults["low interval"] or "",
        row.faults["low interval over a printed bass"] or "", row.against or "",
    )  # fmt: skip


def _line(names: tuple[str, ...], cells: Sequence[object]) -> str:
    return f"{names[0]:<18}{names[1]:<11}" + "".join(f"{cell!s:>10}" for cell in cells)


def _sum(cases: Iterable[Case], what: str) -> Counter[str]:
    found: Counter[str] = Counter()
    for case in (one for one in cases if one.refused in ("", TOO_LOW)):
        found.update({f"{case.texture}: {kind}": count for kind, count in getattr(case, what).items()})
    return found


def _counted(title: str, counts: Counter[str]) -> Iterator[str]:
    if counts:
        yield f"{title}:"
        yield from (f"  {count:6}  {what}" for what, count in counts.most_common(4 * MOST_TOLD))


def _differ(results: Sequence[Result]) -> Iterator[str]:
    found = _differences(results)
    if found:
        yield ""
        yield f"notes that differ between two textures, mean, least, hymns under {DIFFER_LEAST:.0%}:"
    for pair, shares in sorted(found.items(), key=lambda one: min(one[1])):
        few = sum(one < DIFFER_LEAST for one in shares)
        if few:
            meant = f" ({SAME_NOTES[pair]})" if pair in SAME_NOTES else ""
            mean = sum(shares) / len(shares)
            yield f"  {pair}: {mean:.0%}, {min(shares):.0%}, {few} of {len(shares)}{meant}"


def worst(results: Sequence[Result]) -> dict[str, list[str]]:
    """Places of faults by kind: hymn, texture, place of the tune, bar."""
    found: dict[str, list[str]] = defaultdict(list)
    for result in results:
        for case in result.cases:
            which = f"{result.file} {case.texture} {case.place}"
            if _is_b(result):
                which = f"{which} {case.reach} {case.organ}"
            told = [
                *case.worst, *((f"hard, {kind}", one) for kind, one in case.hard),
                *(("fell back", one) for one in case.fallen), *(("against", one) for one in case.against),
            ]  # fmt: skip
            if case.failure:
                told.append(("failed", case.failure))
            if case.refused == "outside":
                told.append(("refused outside the needs", case.reason))
            for kind, one in told:
                found[kind].append(f"{which}: {one}")
    return dict(found)


def _worst(results: Sequence[Result]) -> Iterator[str]:
    for kind, told in sorted(worst(results).items()):
        yield f"{kind}: {len(told)} told"
        step = max(1, len(told) // MOST_TOLD)
        yield from (f"  {one}" for one in told[::step][:MOST_TOLD])


# -- the command -----------------------------------------------------------------------------------


def main(arguments: list[str] | None = None) -> int:
    """0 when every bar is met, 1 when one is not, 130 when stopped."""
    parser = sweep_parser("every texture on every hymn, from outside as well")
    parser.add_argument("--folder", type=Path, help="folk tunes as ABC files, chorales alone without")
    parser.add_argument("--only", choices=("a", "b"), help="one of the two sweeps")
    parser.add_argument("--tried", type=int, default=TRIED, help=f"hymns of sweep B (default {TRIED})")
    parser.add_argument(
        "--look", type=int, default=LOOKED_AT, help=f"one hymn in so many is looked at (default {LOOKED_AT})"
    )
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    hymns = sources(options.folder)
    if options.count:
        drawn = random.Random(options.seed).sample([one.name for one in hymns], min(options.count, len(hymns)))
        hymns = [one for one in hymns if one.name in set(drawn)]
    here = Path(__file__)
    read_with = (here, here.with_name("verses.py"), Path(voice_leading.__file__), Path(witness.__file__))
    mark = f"{stamp(*read_with, seed=options.seed)}-{options.look}"
    results = kept(options.state, mark, revived)
    todo = work(hymns, options, mark)
    fresh = {
        name: job
        for name, job in todo.items()
        if name not in results or (job.keywords.get("compare") and not results[name].differ)
    }
    stopped = work_through(fresh, results, options.state, options.jobs)
    done = [results[name] for name in todo if name in results]
    missed = None if stopped else bars_missed(done)
    if options.json:
        print(json.dumps(_summary(done, missed), ensure_ascii=False))
    else:
        print("\n".join(report(done, missed)))
    if stopped:
        print(f"Stopped after {len(done)} of {len(todo)} hymns.", file=sys.stderr)
        return 130
    return 1 if missed else 0


def _summary(results: Sequence[Result], missed: Sequence[str] | None) -> dict[str, Any]:
    def told(of: Iterable[Result], key: Callable[[Case], tuple[str, ...]]) -> dict[str, Any]:
        cases = [case for result in of for case in result.cases]
        return {", ".join(group): row.told() for group, row in rows_by(cases, key).items()}

    a, b = ([one for one in results if _is_b(one) == second] for second in (False, True))
    return {
        "a": told(a, lambda case: (case.texture, case.place)),
        "b": told(b, lambda case: (case.texture, case.place, case.reach, case.organ)),
        "differ": _differences(results),
        "worst": {kind: one[:MOST_TOLD] for kind, one in worst(results).items()},
        "missed": missed,
    }


if __name__ == "__main__":
    sys.exit(main())
