"""The conformance files that music21 carries, read by Undersong, by music21 and by verovio, aspect by aspect.

The files (a public suite of some 140 small scores, one for each corner of MusicXML) test what a document says
before anything is chosen: they are compared at the raw layer. Two independent readers are witnesses: music21's
objects, and the MEI that verovio's import makes of a file, in an expendable child, since foreign files can kill it.

Conventions: *aspects* are notes, ties, lyrics, symbols and repeats; each reader gives a list of plain rows for each
aspect, bars counted from 0 and places in quarter notes as strings. `KNOWN` explains every difference that remains,
with the sentence of the standard that decides it.

References: W3C MusicXML 4.0 (element pages), the test suite in the PyPI package music21
(a folder of its `musicxml` package), MEI 4 for verovio's output.

Run as `python sweeps/conformance.py [FILE ...]`; prints what differs and ends with 1 if anything is unexplained.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lxml import etree

from undersong.errors import UndersongError
from undersong.reading.container import open_score
from undersong.reading.raw import RawPart, RawScore, read_score
from undersong.workers import Worker

Rows = dict[str, list[str]]
ASPECTS = ("notes", "ties", "lyrics", "symbols", "repeats")
DEADLINE_SECONDS = 60.0
FLAT, SHARP = {"f": -1, "ff": -2, "tf": -3}, {"s": 1, "ss": 2, "x": 2, "ts": 3, "n": 0}
ALTERS = {**FLAT, **SHARP, "nf": -1, "ns": 1, "su": 1, "sd": 1, "fu": -1, "fd": -1, "": 0, "1qs": 0, "3qs": 1}


@dataclass(frozen=True, slots=True)
class Known:
    """Why some files differ from a witness in an aspect."""

    files: tuple[str, ...]
    witness: str
    aspects: tuple[str, ...]
    why: str


KNOWN: tuple[Known, ...] = (
    Known(("01d", "01f"), "both", ("notes",),
          "`alter`: decimal values are microtones; ours is the written note on the natural's side, and told"),
    Known(("01e", "32a", "32c"), "both", ("notes",),
          "`alter` is what sounds; `accidental` and `accidental-mark` are signs on the page"),
    Known(("02d",), "verovio", ("notes",),
          "`multiple-rest` is how rests are drawn; the witness makes one bar of several"),
    Known(("02e", "71d"), "music21", ("notes", "symbols"),
          "`staff`: without one a note or symbol is on staff 1; the witness has it on both"),
    Known(("13aa", "41g", "41h", "51b", "51c", "51d"), "both", ("reading",),
          "refused with bar and part: `fifths` beyond seven signs, durations without `divisions` to count"),
    Known(("21f",), "music21", ("notes",),
          "`chord`: a further tone of the preceding note; a symbol between them does not part them"),
    Known(("23c", "23f", "32b", "33e", "74a"), "verovio", ("notes",),
          "`duration` and `time-modification` are what sounds; `type`, `tuplet-actual` and `dot` are what is drawn"),
    Known(("31a", "71f"), "both", ("lyrics",),
          "`lyric` belongs to any note element, a rest too; the witness drops it there"),
    Known(("45f",), "music21", ("repeats",),
          "`ending`: an ending that only stops was begun before; the witness begins another"),
    Known(("61l",), "verovio", ("lyrics",),
          "`syllabic` stands before each text of an elision; the witness keeps the first"),
    Known(("71f",), "verovio", ("symbols",),
          "`inversion` 2 puts the fifth in the bass; the witness prints the root alone"),
    Known(("71e", "72c"), "verovio", ("notes",),
          "`clef` TAB and a later `transpose`: the witness keeps frets, and the first transposition"),
)  # fmt: skip
"""Twelve rows; each quotes the element of MusicXML 4.0 that decides."""


def suite() -> list[Path]:
    """The small files of each notation that music21 carries for its own tests."""
    import music21

    return sorted(Path(music21.__file__).parent.glob("musicxml/*TestSuite/*.xml"))


def place(value: Any) -> str:
    """A place in quarter notes that compares equal whether it was kept exactly or as a float."""
    return str(Fraction(value).limit_denominator(768))


# -- ours --------------------------------------------------------------------------------------------------------


def read_rows(path: Path) -> Rows:
    """Our raw layer as rows."""
    score = read_score(open_score(path.read_bytes(), path.name), path.name)
    return {
        "notes": list(_notes(score)),
        "ties": [row for part in score.parts for row in _ties(part)],
        "lyrics": [row for part in score.parts for row in _lyrics(part)],
        "symbols": [row for part in score.parts for row in _symbols(part)],
        "repeats": sorted({row for part in score.parts for row in _repeats(part)}),
    }


def _heads(part: RawPart) -> Iterator[tuple[int, str, str, int, bool]]:
    for bar in part.bars:
        for note in bar.notes:
            if note.pitch is not None and not note.rest and not note.unpitched:
                yield note.bar, place(note.at), place(note.length), note.pitch.midi, note.tie_start


def _notes(score: RawScore) -> Iterator[str]:
    for part in score.parts:
        yield from (f"{bar} {at} {length} {midi}" for bar, at, length, midi, _ in _heads(part))


def _ties(part: RawPart) -> Iterator[str]:
    yield from (f"{bar} {at} {midi}" for bar, at, length, midi, tied in _heads(part) if tied and length != "0")


def _lyrics(part: RawPart) -> Iterator[str]:
    for bar in part.bars:
        for note in bar.notes:
            for lyric in note.lyrics:
                text = "_".join(lyric.texts)
                if text.strip():
                    yield f"{note.bar} {place(note.at)} {lyric.number or '1'} {text} {lyric.hyphen}"


def _symbols(part: RawPart) -> Iterator[str]:
    for bar in part.bars:
        for one in bar.harmonies:
            if one.root is not None and one.kind != "none":
                yield f"{one.bar} {place(one.at)} {one.root}/{one.bass or one.root}"


def _repeats(part: RawPart) -> Iterator[str]:
    for index, bar in enumerate(part.bars):
        for line in bar.barlines:
            if line.repeat:
                yield f"{index} {line.repeat}"
            if line.ending == "start":
                yield f"{index} ending {','.join(map(str, line.ending_numbers))}"


# -- music21 -----------------------------------------------------------------------------------------------------


def music21_rows(path: Path) -> Rows:
    """music21's reading as rows."""
    from music21 import converter

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(str(path), forceSource=True).toSoundingPitch()
    rows: Rows = {name: [] for name in ASPECTS}
    repeats: set[str] = set()
    for part in score.parts:
        for index, measure in enumerate(part.getElementsByClass("Measure")):
            for note in measure.recurse().notes:
                _music21_note(rows, note, index, measure)
            for line in (measure.leftBarline, measure.rightBarline):
                if line is not None and "Repeat" in line.classes:
                    repeats.add(f"{index} {'forward' if line.direction == 'start' else 'backward'}")
        bars = list(part.getElementsByClass("Measure"))
        for bracket in part.recurse().getElementsByClass("RepeatBracket"):
            first = bracket.getFirst()
            if first in bars:
                repeats.add(f"{bars.index(first)} ending {','.join(map(str, bracket.numberRange))}")
    rows["repeats"] = sorted(repeats)
    return rows


def _music21_note(rows: Rows, note: Any, index: int, measure: Any) -> None:
    kinds = set(note.classes)
    at = place(note.getOffsetInHierarchy(measure))
    if "Harmony" in kinds:
        if "NoChord" not in kinds and note.root() is not None:
            slash = "Harmony" in kinds and "/" in (note.figure or "")
            root, bass = (_music21_name(one) for one in (note.root(), note.bass() if slash else note.root()))
            rows["symbols"].append(f"{index} {at} {root}/{bass}")
        return
    for lyric in note.lyrics:
        text = "_".join(one.text for one in lyric.components) if lyric.isComposite else lyric.text or ""
        if text.strip():
            rows["lyrics"].append(f"{index} {at} {lyric.number} {text} {_music21_syllabic(lyric)}")
    if {"Unpitched", "PercussionChord"} & kinds:
        return
    length = place(note.duration.quarterLength)
    for one in note.notes if "Chord" in kinds else (note,):
        rows["notes"].append(f"{index} {at} {length} {int(one.pitch.ps)}")
        if one.tie is not None and one.tie.type in ("start", "continue") and length != "0":
            rows["ties"].append(f"{index} {at} {int(one.pitch.ps)}")


def _music21_syllabic(lyric: Any) -> str:
    """Of an elision from its first to its last text, as we say it."""
    if not lyric.isComposite:
        return str(lyric.syllabic or "single")
    first, last = (lyric.components[end].syllabic or "single" for end in (0, -1))
    goes_on = last in ("begin", "middle")
    if first in ("middle", "end"):
        return "middle" if goes_on else "end"
    return "begin" if goes_on else "single"


def _music21_name(pitch: Any) -> str:
    alter = int(pitch.alter)
    return f"{pitch.step}{'#' * alter if alter > 0 else 'b' * -alter}"


# -- verovio -----------------------------------------------------------------------------------------------------


def verovio_rows(path: Path, worker: Worker) -> Rows:
    """What verovio reads as rows; ValueError where it refuses the file."""
    request = {"text": path.read_text(encoding="utf-8", errors="replace"), "kind": "musicxml"}
    answer = worker.run("undersong.reading.foreign:convert", request, deadline_seconds=DEADLINE_SECONDS)
    if not answer["mei"]:
        raise ValueError("verovio does not load it")
    root = etree.fromstring(answer["mei"].encode())
    for element in root.iter():
        if isinstance(element.tag, str):
            element.tag = etree.QName(element).localname
    return _Mei(root).rows()


class _Mei:
    """Walks an MEI document: measures, staves, layers, with control events by the ids they start at."""

    def __init__(self, root: Any) -> None:
        self.root = root
        self.out: Rows = {name: [] for name in ASPECTS}
        self.moved: dict[str, int] = {}
        self.at_id: dict[str, tuple[int, Fraction, int]] = {}
        self.graces: set[str] = set()
        self.time = (Fraction(4), Fraction(4))

    def rows(self) -> Rows:
        index = -1
        for element in self.root.iter("staffDef", "meterSig", "scoreDef", "ending", "measure"):
            if element.tag == "staffDef" and element.get("trans.semi"):
                self.moved[element.get("n")] = int(float(element.get("trans.semi")))
            elif element.tag == "staffDef" and element.get("n"):
                self.moved.setdefault(element.get("n"), 0)
            if element.get("meter.unit") or element.tag == "meterSig":
                count = element.get("meter.count") or element.get("count") or "4"
                unit = element.get("meter.unit") or element.get("unit") or "4"
                self.time = (sum((Fraction(one) for one in count.split("+")), Fraction(0)), Fraction(unit))
            elif element.tag == "measure":
                index += 1
                self.measure(element, index)
        return self.out

    def measure(self, measure: Any, index: int) -> None:
        repeats = self.out["repeats"]
        if measure.get("left") in ("rptstart", "rptboth"):
            repeats.append(f"{index} forward")
        if measure.get("right") in ("rptend", "rptboth"):
            repeats.append(f"{index} backward")
        parent = measure.getparent()
        if parent.tag == "ending" and measure is parent.find("measure"):
            repeats.append(f"{index} ending {(parent.get('n') or '').replace(' ', '')}")
        for staff in measure.findall("staff"):
            for layer in staff.findall("layer"):
                self.walk(layer, index, Fraction(0), Fraction(1), staff.get("n"))
        for harm in measure.findall("harm"):
            if harm.find("fb") is None and "".join(harm.itertext()).strip():
                self.out["symbols"].append(f"{index} {self.where(harm)} {_harm_text(harm)}")
        for tie in measure.findall("tie"):
            start = (tie.get("startid") or "").removeprefix("#")
            if start in self.at_id:
                bar, at, midi = self.at_id[start]
                if start not in self.graces:
                    self.out["ties"].append(f"{bar} {place(at)} {midi}")

    def where(self, element: Any) -> str:
        start = (element.get("startid") or "").removeprefix("#")
        if start in self.at_id:
            return place(self.at_id[start][1])
        stamp = Fraction(element.get("tstamp") or "1").limit_denominator(768)
        return place((stamp - 1) * 4 / self.time[1])

    def walk(self, parent: Any, index: int, at: Fraction, scale: Fraction, staff: str) -> Fraction:
        for one in parent:
            match one.tag:
                case "note" | "chord":
                    length = _length(one) * scale
                    for head in [one] if one.tag == "note" else one.findall("note"):
                        self.head(head, index, at, length, head.get("staff") or one.get("staff") or staff)
                    for verse in one.iter("verse"):
                        self.verse(verse, index, at)
                    at += length
                case "rest" | "space":
                    at += _length(one) * scale
                case "tuplet":
                    ratio = Fraction(int(one.get("numbase") or 1), int(one.get("num") or 1))
                    at = self.walk(one, index, at, scale * ratio, staff)
                case "beam" | "graceGrp" | "bTrem" | "fTrem":
                    at = self.walk(one, index, at, scale, staff)
                case _:
                    pass
        return at

    def head(self, note: Any, index: int, at: Fraction, length: Fraction, staff: str) -> None:
        if note.get("pname") is None:
            return
        accid = note.find("accid")
        written = note.get("accid.ges") or note.get("accid") or ""
        if accid is not None:
            written = accid.get("accid.ges") or accid.get("accid") or written
        octave = int(note.get("oct.ges") or note.get("oct") or 4)
        midi = 12 * (octave + 1) + (0, 2, 4, 5, 7, 9, 11)["cdefgab".index(note.get("pname"))]
        midi += ALTERS.get(written, 0) + self.moved.get(staff, 0)
        name = note.get("{http://www.w3.org/XML/1998/namespace}id")
        self.at_id[name] = (index, at, midi)
        if not length:
            self.graces.add(name)
        self.out["notes"].append(f"{index} {place(at)} {place(length)} {midi}")

    def verse(self, verse: Any, index: int, at: Fraction) -> None:
        syllables = verse.findall("syl")
        text = "_".join("".join(syl.itertext()) for syl in syllables)
        if text.strip():
            first, last = (syllables[end].get("wordpos") or "s" for end in (0, -1))
            hyphen = {"i": "begin", "m": "middle", "t": "end"}.get(first, "single")
            if len(syllables) > 1 and last in "im":
                hyphen = "middle" if first in "mt" else "begin"
            self.out["lyrics"].append(f"{index} {place(at)} {verse.get('n') or '1'} {text} {hyphen}")


def _harm_text(harm: Any) -> str:
    text = "".join(harm.itertext()).strip().replace("♭", "b").replace("♯", "#").replace("𝄫", "bb").replace("𝄪", "##")
    main, _, bass = text.partition("/")
    root = main[:1] + "".join(sign for sign in main[1:3] if sign in "b#")
    return f"{root}/{bass or root}"


def _length(element: Any) -> Fraction:
    if element.get("grace") or (element.getparent() is not None and element.getparent().tag == "graceGrp"):
        return Fraction(0)
    names = {"breve": Fraction(8), "long": Fraction(16), "maxima": Fraction(32)}
    name = element.get("dur") or element.get("dur.ges") or "4"
    plain = names.get(name) or Fraction(4, int(name))
    return plain * (2 - Fraction(1, 2 ** int(element.get("dots") or 0)))


# -- comparing ---------------------------------------------------------------------------------------------------


def differences(mine: Rows, theirs: Rows) -> dict[str, str]:
    """What differs, by aspect."""
    found = {}
    for aspect in ASPECTS:
        here, there = Counter(mine[aspect]), Counter(theirs[aspect])
        if here != there:
            found[aspect] = (
                f"only here {sorted((here - there).elements())[:3]}, there {sorted((there - here).elements())[:3]}"
            )
    return found


def compare(path: Path, worker: Worker) -> dict[tuple[str, str], str]:
    """Differences of a file by witness and aspect; a file that cannot be read by one side is the aspect `reading`."""
    try:
        mine = read_rows(path)
    except UndersongError as failure:
        return {("both", "reading"): f"refused: {failure}"}
    found: dict[tuple[str, str], str] = {}
    try:
        found |= {("music21", aspect): said for aspect, said in differences(mine, music21_rows(path)).items()}
    except Exception as fault:  # noqa: BLE001  # a witness raises what it likes
        found["music21", "reading"] = f"{type(fault).__name__}: {str(fault)[:80]}"
    try:
        found |= {("verovio", aspect): said for aspect, said in differences(mine, verovio_rows(path, worker)).items()}
    except (UndersongError, ValueError) as fault:
        found["verovio", "reading"] = str(fault)[:100]
    return found


def explained(name: str, witness: str, aspect: str, known: Sequence[Known] = KNOWN) -> str:
    """The reason why a difference is expected; "" when there is none."""
    for row in known:
        if row.witness in (witness, "both") and aspect in row.aspects and name.startswith(row.files):
            return row.why
    return ""


def unexplained(path: Path, worker: Worker) -> Mapping[tuple[str, str], str]:
    """The differences of a file that no row of `KNOWN` explains."""
    return {place: said for place, said in compare(path, worker).items() if not explained(path.name, *place)}


def main() -> int:
    """Compare and print; 1 when anything differs without a reason."""
    parser = argparse.ArgumentParser(description="compare our raw reading of the conformance files with two others")
    parser.add_argument("files", nargs="*", type=Path)
    options = parser.parse_args()
    files = options.files or suite()
    equal, failed = 0, 0
    with Worker() as worker:
        for path in files:
            found = compare(path, worker)
            equal += not found
            for (witness, aspect), said in found.items():
                why = explained(path.name, witness, aspect)
                failed += not why
                print(f"{path.name}, {witness}, {aspect}: {f'known: {why}' if why else said}", flush=True)
    print(
        f"{equal} of {len(files)} files equal in everything, {failed} unexplained differences, {len(KNOWN)} rows known"
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
