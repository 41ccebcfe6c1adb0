"""MEI and Humdrum to a hymn: the clean MEI of the child becomes the same raw score that MusicXML becomes.

Every note, rest, syllable, chord symbol, barline and sign is put in its place, whether or not a hymn has use for it;
which voice is the soprano and where a line ends is decided, as for every format, by the modules that read raw scores.

Conventions: as in `raw`. A staff is a part of its own, but two staves in a brace are one part. Where a document
writes no sounding accidentals at all, they follow from the key signature and from the accidentals earlier in the bar
(common practice; MEI leaves it to the encoder).

References: MEI 5, modules CMN, lyrics, harmony, header (attributes `dur`, `tstamp`, `startid`, `wordpos`, `con`,
`left`, `right`, `func`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

from lxml import etree

from undersong.errors import BrokenFile, NotAHymn
from undersong.model.chord import KINDS, Chord
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval, Pitch, PitchName
from undersong.model.symbol import parse_symbol, symbol
from undersong.model.time import Time
from undersong.reading.container import Element
from undersong.reading.foreign import Kind, clean_mei
from undersong.reading.musicxml import hymn_of
from undersong.reading.raw import (
    LONGEST,
    MOST_BARS,
    MOST_ELEMENTS,
    MOST_NOTES,
    MOST_PARTS,
    RawBar,
    RawBarline,
    RawClef,
    RawDirection,
    RawHarmony,
    RawKey,
    RawLyric,
    RawNote,
    RawPart,
    RawScore,
    RawTime,
    clean,
)
from undersong.workers import Worker

ID = "{http://www.w3.org/XML/1998/namespace}id"
DURATIONS = {"long": Fraction(16), "breve": Fraction(8), **{str(2**n): Fraction(4, 2**n) for n in range(9)}}
ACCIDENTALS = {
    "s": 1, "f": -1, "n": 0, "ss": 2, "x": 2, "ff": -2, "ns": 1, "nf": -1, "su": 1, "sd": 1, "fu": -1, "fd": -1,
    "xs": 3, "ts": 3, "tf": -3, "nu": 0, "nd": 0,
}  # fmt: skip
"""Semitones of each written or sounding accidental; quarter tones as the nearest one."""
QUARTER_TONES = ("su", "sd", "fu", "fd", "nu", "nd")
BARLINES = {
    "rptstart": ("", "forward"), "rptend": ("light-heavy", "backward"), "dbl": ("light-light", ""),
    "end": ("light-heavy", ""), "rptboth": ("light-heavy", "backward"),
}  # fmt: skip
"""Style and repeat of each form of `left` and `right`; `rptboth` also opens a repeat in the next bar."""
JUMPS = {
    "coda": "coda", "segno": "segno", "dalSegno": "dalsegno", "daCapo": "dacapo", "fine": "fine", "tocoda": "tocoda",
}  # fmt: skip
SYMBOL_TIMES = {"common": Time(4, 4), "cut": Time(2, 2)}
SHARPS, FLATS = "FCGDAEB", "BEADGCF"
ROLES = ("composer", "lyricist", "arranger", "translator", "author", "poet")
_SKIPPED = ("del", "orig", "sic", "abbr")
_FIRST_OF = ("choice", "app", "subst")
_WHOLE = re.compile(r"-?\d{1,6}")
_GLYPHS = str.maketrans({"\ue260": "b", "\ue261": "", "\ue262": "#", "\ue263": "##", "\ue264": "bb", "\ue870": "dim",
                         "\ue871": "m7b5", "\ue872": "aug", "\ue873": "maj7", "\ue874": "m"})  # fmt: skip
"""Signs of chord symbols in the SMuFL range (Standard Music Font Layout 1.4, accidentals and chord symbols)."""
_HUMDRUM_SYMBOL = re.compile(
    r"(?P<root>[A-G](?:-{1,2}|b{1,2}|#{0,2}))(?: (?P<kind>[a-zA-Z0-9-]+))?(?:/(?P<bass>[A-G](?:-{1,2}|b{1,2}|#{0,2})))?"
)
_ROOT = re.compile(r"^\s*([A-G])([#b♯♭]*)")


def read_mei(data: bytes, file: str = "", worker: Worker | None = None) -> Hymn:
    """The hymn in an MEI document; the failures of `foreign.clean_mei` and of `musicxml.read_musicxml`.

    `worker` is a warm child for many files.
    """
    return _read(data, "MEI", file, worker)


def read_humdrum(data: bytes, file: str = "", worker: Worker | None = None) -> Hymn:
    """The hymn in a Humdrum document with `**kern` spines; failures and `worker` as for `read_mei`."""
    return _read(data, "Humdrum", file, worker)


def _read(data: bytes, kind: Kind, file: str, worker: Worker | None) -> Hymn:
    return hymn_of(read_mei_score(clean_mei(data, kind, file, worker), file, kind), file)


def read_mei_score(text: str, file: str = "", kind: Kind = "MEI") -> RawScore:
    """Every staff of a clean MEI document; `kind` is what it was made from."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=False, remove_comments=True)
    try:
        root = etree.fromstring(text.encode(), parser)
    except (etree.XMLSyntaxError, ValueError) as fault:
        raise BrokenFile(f"this file is not well-formed ({str(fault)[:80]})", file=file) from fault
    _strip(root)
    elements, notes = sum(1 for _ in root.iter()), sum(1 for _ in root.iter("note"))
    if notes > MOST_NOTES or elements > 2 * MOST_ELEMENTS:
        raise NotAHymn(f"this score has {notes} notes, far more than a hymn", file=file)
    score = root.find("music/body/mdiv/score")
    if score is None:
        raise NotAHymn("this score holds no music", file=file)
    return _Reader(root, score, file, kind).read()


def _strip(root: Element) -> None:
    for element in root.iter():
        if isinstance(element.tag, str):
            element.tag = element.tag.rpartition("}")[2]


def _words(element: Element | None) -> str:
    return clean("".join(map(str, element.itertext()))) if element is not None else ""


def _whole(text: str | None, usual: int = 0) -> int:
    return int(text) if text is not None and _WHOLE.fullmatch(text.strip()) else usual


def _children(element: Element) -> Iterator[Element]:
    """Children with editorial markup looked through: the first reading, no deletions."""
    for child in element:
        if not isinstance(child.tag, str) or child.tag in _SKIPPED:
            continue
        if child.tag in _FIRST_OF:
            choices = [one for one in child if isinstance(one.tag, str) and one.tag not in _SKIPPED]
            for one in choices[:1]:
                yield from _children(one) if one.tag in _EDITORIAL else (one,)
        elif child.tag in _EDITORIAL:
            yield from _children(child)
        else:
            yield child


_EDITORIAL = ("lem", "rdg", "corr", "reg", "expan", "supplied", "unclear", "add", "damage", "restore")


@dataclass(slots=True)
class _Staff:
    """One staff: its part, what runs on from bar to bar, and its bars."""

    part: int
    staff: int
    ppq: int = 0
    transposition: Interval = field(default_factory=Interval)
    fifths: int = 0
    time: Time | None = None
    accidentals: dict[tuple[str, int], int] = field(default_factory=dict)
    open_words: dict[str, bool] = field(default_factory=dict)


@dataclass(slots=True)
class _Draft:
    """One bar of one part while it is being filled."""

    notes: list[RawNote] = field(default_factory=list)
    harmonies: list[RawHarmony] = field(default_factory=list)
    barlines: list[RawBarline] = field(default_factory=list)
    directions: list[RawDirection] = field(default_factory=list)
    keys: list[RawKey] = field(default_factory=list)
    times: list[RawTime] = field(default_factory=list)
    clefs: list[RawClef] = field(default_factory=list)
    extent: Fraction = Fraction(0)


class _Reader:
    """Reads a score: parts first, then bar by bar."""

    def __init__(self, root: Element, score: Element, file: str, kind: Kind) -> None:
        self.root, self.score, self.file, self.kind = root, score, file, kind
        self.staves: dict[str, _Staff] = {}
        self.names: list[tuple[str, str]] = []
        self.drafts: list[list[_Draft]] = []
        self.numbers: list[tuple[str, bool]] = []
        self.pending: list[_Draft] = []
        self.places: dict[str, tuple[int, int, int]] = {}
        """Part, bar and index of each note by its id."""
        self.late: set[str] = set()
        """Notes of later bars to which ties lead."""
        self.at = Fraction(0)
        self.carried = not any(element.get("accid.ges") is not None for element in root.iter("note", "accid"))
        self.ending: tuple[int, ...] | None = None
        self.open_repeat = False

    def read(self) -> RawScore:
        definition = self.score.find("scoreDef")
        if definition is None:
            raise NotAHymn("this score names no staves", file=self.file)
        self.define(definition)
        if not self.staves:
            raise NotAHymn("this score names no staves", file=self.file)
        if len(self.names) > MOST_PARTS:
            raise NotAHymn(f"this score has {len(self.names)} parts: it is for an orchestra or a band", file=self.file)
        self.settings(definition)
        self.sections(self.score, skip=definition)
        if not self.drafts:
            raise NotAHymn("this score holds no music", file=self.file)
        return RawScore(
            tuple(self.part(index, name, short) for index, (name, short) in enumerate(self.names)),
            work_title=self.title(),
            creators=self.creators(),
            rights=self.rights(),
        )

    def part(self, index: int, name: str, short: str) -> RawPart:
        bars = []
        for (number, implicit), drafts in zip(self.numbers, self.drafts, strict=True):
            one = drafts[index]
            one.notes.sort(key=lambda note: note.staff)
            bars.append(
                RawBar(number, implicit, one.extent, tuple(one.notes), tuple(one.harmonies), tuple(one.barlines),
                       tuple(one.directions), tuple(one.keys), tuple(one.times), tuple(one.clefs))
            )  # fmt: skip
        return RawPart(f"P{index + 1}", name, short, tuple(bars))

    # -- head --------------------------------------------------------------------------------------

    def title(self) -> str:
        for path in ("meiHead/workList/work/title/titlePart", "meiHead/fileDesc/titleStmt/title",
                     "meiHead/workList/work/title", "meiHead//title"):  # fmt: skip
            words = _words(self.root.find(path))
            if words:
                return words[:200]
        return ""

    def creators(self) -> tuple[tuple[str, str], ...]:
        found: dict[str, list[str]] = {}
        head = self.root.find("meiHead")
        for element in head.iter(*ROLES, "persName", "name") if head is not None else ():
            role = element.tag if element.tag in ROLES else (element.get("role") or "").lower()
            words = _words(element)
            if role in ROLES and words and words not in found.get(role, []):
                found.setdefault(str(role), []).append(words[:200])
        return tuple((role, name) for role, names in found.items() for name in names)

    def rights(self) -> tuple[str, ...]:
        place = self.root.find("meiHead/fileDesc/pubStmt/availability")
        words = _words(place)[:400]
        return (words,) if words else ()

    # -- staves ------------------------------------------------------------------------------------

    def define(self, definition: Element) -> None:
        for group in definition.findall("staffGrp"):
            self.group(group, "", "")
        for staff in definition.findall("staffDef"):
            self.staff(staff, "", "")

    def group(self, group: Element, name: str, short: str) -> None:
        name = _label(group, "label") or name
        short = _label(group, "labelAbbr") or short
        staves = group.findall("staffDef")
        symbol = group.find("grpSym")
        brace = (symbol.get("symbol") if symbol is not None else group.get("symbol")) == "brace"
        if (
            brace
            and len(staves) == 2
            and group.find("staffGrp") is None
            and not any(_label(one, "label") for one in staves)
        ):
            self.names.append((name, short))
            for number, staff in enumerate(staves, 1):
                self.staves[staff.get("n") or str(len(self.staves) + 1)] = _Staff(len(self.names) - 1, number)
            return
        for child in group:
            if child.tag == "staffGrp":
                self.group(child, name, short)
            elif child.tag == "staffDef":
                self.staff(child, name, short)

    def staff(self, staff: Element, name: str, short: str) -> None:
        self.names.append((_label(staff, "label") or name, _label(staff, "labelAbbr") or short))
        self.staves[staff.get("n") or str(len(self.staves) + 1)] = _Staff(len(self.names) - 1, 1)

    def settings(self, definition: Element) -> None:
        """Keys, times, clefs and transposition of a scoreDef (for every staff) and of its staffDefs."""
        self.pending = self.pending or [_Draft() for _ in self.names]
        for staff in self.staves.values():
            self.setting(definition, staff)
        for element in definition.iter("staffDef"):
            known = self.staves.get(element.get("n") or "")
            if known is not None:
                self.setting(element, known)

    def setting(self, element: Element, staff: _Staff, at: Fraction = Fraction(0), into: _Draft | None = None) -> None:
        draft = into if into is not None else self.pending[staff.part]
        staff.ppq = _whole(element.get("ppq"), staff.ppq)
        if element.get("trans.semi") is not None:
            semitones = max(-48, min(48, _whole(element.get("trans.semi"))))
            steps = _whole(element.get("trans.diat"), round(semitones * 7 / 12))
            staff.transposition = Interval(max(-28, min(28, steps)), semitones)
        key = element.find("keySig")
        sig = key.get("sig") if key is not None else element.get("keysig", element.get("key.sig"))
        mode = (key.get("mode") if key is not None else element.get("key.mode")) or ""
        if sig is not None:
            self.key(sig, mode, staff, at, draft)
        meter = element.find("meterSig")
        time = _time(meter) if meter is not None else _time(element, "meter.")
        if time is not None:
            self.time(time, staff, at, draft)
        clef = element.find("clef")
        if clef is not None or element.get("clef.shape"):
            self.clef(clef if clef is not None else element, "" if clef is not None else "clef.", staff, draft)

    def key(self, sig: str, mode: str, staff: _Staff, at: Fraction, draft: _Draft) -> None:
        found = re.fullmatch(r"(\d{1,2})([sf]?)", sig.strip())
        if found is None:
            return
        staff.fifths = max(-7, min(7, int(found[1]) * (-1 if found[2] == "f" else 1)))
        draft.keys[:] = [one for one in draft.keys if one.at != at]
        draft.keys.append(RawKey(at, self.moved(staff), mode if mode.isalpha() else ""))

    def moved(self, staff: _Staff) -> int:
        """The sounding signature of a transposing staff."""
        fifths = PitchName.from_fifths(staff.fifths).transposed(staff.transposition).fifths
        return (fifths + 5) % 12 - 5 if abs(fifths) > 7 else fifths

    def time(self, time: Time, staff: _Staff, at: Fraction, draft: _Draft) -> None:
        staff.time = time
        draft.times[:] = [one for one in draft.times if one.at != at]
        draft.times.append(RawTime(at, time))

    def clef(self, element: Element, prefix: str, staff: _Staff, draft: _Draft) -> None:
        shape = element.get(f"{prefix}shape") or ""
        sign = {"perc": "percussion", "GG": "G"}.get(shape, shape)
        draft.clefs.append(RawClef(staff.staff, sign, element.get(f"{prefix}line") or "", 0))

    # -- sections ----------------------------------------------------------------------------------

    def sections(self, element: Element, skip: Element | None = None) -> None:
        for child in _children(element):
            if child is skip:
                continue
            match child.tag:
                case "measure":
                    self.measure(child)
                case "scoreDef":
                    self.settings(child)
                case "staffDef":
                    known = self.staves.get(child.get("n") or "")
                    if known is not None:
                        self.pending = self.pending or [_Draft() for _ in self.names]
                        self.setting(child, known)
                case "ending":
                    self.ending_of(child)
                case "section" | "part":
                    self.sections(child)

    def ending_of(self, element: Element) -> None:
        first = len(self.drafts)
        self.sections(element)
        if len(self.drafts) == first:
            return
        numbers = _ending_numbers(element.get("n") or element.get("label") or "")
        for drafts, location, kind in ((self.drafts[first], "left", "start"), (self.drafts[-1], "right", "stop")):
            drafts[0].barlines.append(RawBarline(location, ending=kind, ending_numbers=numbers))

    def measure(self, element: Element) -> None:
        if len(self.drafts) >= MOST_BARS:
            raise NotAHymn(f"more than {MOST_BARS} bars are too many for a hymn", file=self.file)
        drafts, self.pending = self.pending or [_Draft() for _ in self.names], []
        self.drafts.append(drafts)
        number = clean(element.get("n"))[:12]
        self.numbers.append((number, not number or element.get("metcon") == "false"))
        self.barline(element.get("left") or "", "left", drafts)
        self.barline(element.get("right") or "", "right", drafts)
        for staff in self.staves.values():
            staff.accidentals = {}
        for child in _children(element):
            if child.tag == "staff" and (known := self.staves.get(child.get("n") or "")) is not None:
                for layer in _children(child):
                    if layer.tag == "layer":
                        self.at = Fraction(0)
                        self.layer(layer, known, drafts[known.part], layer.get("n") or "1", Fraction(1))
        for child in _children(element):
            self.sign(child, drafts)

    def barline(self, form: str, location: str, drafts: list[_Draft]) -> None:
        if location == "left" and self.open_repeat:
            self.open_repeat = False
            drafts[0].barlines.append(RawBarline("left", repeat="forward"))
        if form not in BARLINES:
            return
        style, repeat = BARLINES[form]
        drafts[0].barlines.append(RawBarline(location, style, repeat))
        self.open_repeat = form == "rptboth" and location == "right"

    # -- notes -------------------------------------------------------------------------------------

    def layer(self, element: Element, staff: _Staff, draft: _Draft, voice: str, scale: Fraction) -> None:
        for child in _children(element):
            match child.tag:
                case "note":
                    self.event(child, [child], staff, draft, voice, scale)
                case "chord":
                    self.event(
                        child, [one for one in _children(child) if one.tag == "note"], staff, draft, voice, scale
                    )
                case "rest" | "space":
                    self.rest(child, staff, draft, voice, scale)
                case "mRest" | "mSpace" | "multiRest":
                    self.bar_rest(child, staff, draft, voice)
                case "tuplet":
                    above, below = _whole(child.get("numbase"), 2), _whole(child.get("num"), 3)
                    inner = scale * Fraction(above, below) if above > 0 and below > 0 else scale
                    self.layer(child, staff, draft, voice, inner)
                case "clef":
                    self.clef(child, "", staff, draft)
                case "keySig" if child.get("sig"):
                    self.key(child.get("sig") or "", child.get("mode") or "", staff, self.at, draft)
                case "meterSig" if (time := _time(child)) is not None:
                    self.time(time, staff, self.at, draft)
                case "beam" | "graceGrp" | "bTrem" | "fTrem" | "ligature":
                    self.layer(child, staff, draft, voice, scale)

    def length(self, element: Element, staff: _Staff, scale: Fraction) -> Fraction:
        plain = DURATIONS.get(element.get("dur") or "")
        if plain is None:
            ticks = _whole(element.get("dur.ppq"))
            if ticks > 0 and staff.ppq > 0:
                return Fraction(ticks, staff.ppq)
            raise BrokenFile("a note has no duration", file=self.file, place=self.place(staff))
        dots = min(max(_whole(element.get("dots")), len(element.findall("dot"))), 4)
        length = plain * (2 - Fraction(1, 2**dots)) * scale
        if self.at + length > LONGEST:
            raise BrokenFile("this bar is far too long", file=self.file, place=self.place(staff))
        return length

    def place(self, staff: _Staff) -> str:
        number = self.numbers[-1][0] or str(len(self.numbers))
        name = self.names[staff.part][0]
        return f"bar {number}, {name}" if name else f"bar {number}"

    def event(
        self, stem: Element, heads: list[Element], staff: _Staff, draft: _Draft, voice: str, scale: Fraction
    ) -> None:
        grace = stem.get("grace") is not None or any(one.tag == "graceGrp" for one in stem.iterancestors("graceGrp"))
        if not heads:
            return
        length = Fraction(0) if grace else self.length(stem if stem.get("dur") or stem is heads[0] else heads[0],
                                                       staff, scale)  # fmt: skip
        lyrics = self.lyrics(stem, staff, voice) or tuple(
            lyric for head in heads if head is not stem for lyric in self.lyrics(head, staff, voice)
        )
        at_staff = self.staves.get(stem.get("staff") or "", staff)
        number = at_staff.staff if at_staff.part == staff.part else staff.staff
        for index, head in enumerate(heads):
            written, microtone = self.pitch(head, staff)
            tie = (head.get("tie") or "") + (stem.get("tie") or "" if head is not stem else "")
            for one in {head, stem}:
                if one.get(ID):
                    self.places[str(one.get(ID))] = (staff.part, len(self.drafts) - 1, len(draft.notes))
            draft.notes.append(
                RawNote(
                    len(self.drafts) - 1,
                    self.at,
                    length,
                    _sounding(written, staff.transposition),
                    written,
                    voice,
                    number,
                    unpitched=written is None,
                    chord=index > 0,
                    grace=grace,
                    cue=stem.get("cue") == "true" or head.get("cue") == "true",
                    tie_start="i" in tie or "m" in tie,
                    tie_stop="t" in tie or "m" in tie or head.get(ID) in self.late,
                    fermata=stem.get("fermata") is not None or head.get("fermata") is not None,
                    microtone=microtone,
                    stem=stem.get("stem.dir") or "",
                    lyrics=lyrics if index == 0 else (),
                )
            )
        self.at += length
        draft.extent = max(draft.extent, self.at)

    def rest(self, element: Element, staff: _Staff, draft: _Draft, voice: str, scale: Fraction) -> None:
        if element.get("grace") is not None:
            return
        length = self.length(element, staff, scale)
        hidden = element.tag == "space" or element.get("visible") == "false"
        if element.tag == "rest":
            self.remember(element, staff, draft)
            draft.notes.append(self.silence(staff, voice, length, hidden=hidden))
        self.at += length
        draft.extent = max(draft.extent, self.at)

    def bar_rest(self, element: Element, staff: _Staff, draft: _Draft, voice: str) -> None:
        length = staff.time.bar_length if staff.time is not None and staff.time.beats else Fraction(4)
        if element.tag != "mSpace":
            self.remember(element, staff, draft)
            draft.notes.append(replace(self.silence(staff, voice, length), whole_bar=True))
        self.at += length

    def remember(self, element: Element, staff: _Staff, draft: _Draft) -> None:
        if element.get(ID):
            self.places[str(element.get(ID))] = (staff.part, len(self.drafts) - 1, len(draft.notes))

    def silence(self, staff: _Staff, voice: str, length: Fraction, *, hidden: bool = False) -> RawNote:
        return RawNote(len(self.drafts) - 1, self.at, length, None, None, voice, staff.staff, rest=True, hidden=hidden)

    def pitch(self, head: Element, staff: _Staff) -> tuple[Pitch | None, bool]:
        step = (head.get("pname") or "").upper()
        octave = _whole(head.get("oct"), -9)
        if len(step) != 1 or step not in "ABCDEFG" or not -1 <= octave <= 9:
            return None, False
        sign = head.find("accid")
        written = head.get("accid") or (sign.get("accid") if sign is not None else None)
        sounds = head.get("accid.ges") or (sign.get("accid.ges") if sign is not None else None)
        if self.carried:
            if written is not None:
                staff.accidentals[step, octave] = ACCIDENTALS.get(written, 0)
            alter = staff.accidentals.get((step, octave), _in_signature(step, staff.fifths))
        else:
            alter = ACCIDENTALS.get(sounds or written or "n", 0)
        return Pitch(step, alter, octave), (sounds or written) in QUARTER_TONES

    def lyrics(self, element: Element, staff: _Staff, voice: str) -> tuple[RawLyric, ...]:
        found = []
        for child in _children(element):
            if child.tag in ("verse", "refrain"):
                syllables = [one for one in _children(child) if one.tag == "syl"]
                number = clean(child.get("n"))[:8] or "1"
                name = "chorus" if child.tag == "refrain" else clean(child.get("label"))[:40]
            elif child.tag == "syl":
                syllables, number, name = [child], "1", ""
            else:
                continue
            if syllables:
                found.append(self.lyric(syllables, number, name, staff, f"{voice}/{number}"))
        if not found and element.get("syl"):
            found.append(RawLyric("1", "", (clean(element.get("syl")),), ("single",), (), False, ()))
        return tuple(found)

    def lyric(self, syllables: list[Element], number: str, name: str, staff: _Staff, line: str) -> RawLyric:
        texts, syllabics = [], []
        for one in syllables:
            position, joins = one.get("wordpos") or "", one.get("con") or ""
            came = position in ("m", "t") or (not position and staff.open_words.get(line, False))
            goes_on = position in ("i", "m") or (not position and joins == "d")
            staff.open_words[line] = goes_on
            texts.append(_words(one))
            syllabics.append(("middle" if goes_on else "end") if came else ("begin" if goes_on else "single"))
        extend = (syllables[-1].get("con") or "") == "u"
        return RawLyric(number, name, tuple(texts), tuple(syllabics), ("\u203f",) * (len(texts) - 1), extend, ())

    # -- signs -------------------------------------------------------------------------------------

    def sign(self, element: Element, drafts: list[_Draft]) -> None:
        match element.tag:
            case "tie":
                self.tie(element)
            case "fermata":
                self.mark(element, drafts, breath=False)
            case "breath" | "caesura":
                self.mark(element, drafts, breath=True)
            case "harm":
                self.harm(element, drafts)
            case "tempo":
                self.tempo(element, drafts)
            case "repeatMark":
                jump = JUMPS.get(element.get("func") or "")
                self.direction(element, drafts, jumps=(jump,) if jump else (), words="" if jump else _words(element))
            case "dir":
                self.direction(element, drafts, words=_words(element)[:200])
            case "dynam" | "hairpin":
                self.direction(element, drafts, dynamics=True)
            case "trill" | "mordent" | "turn" | "ornam":
                self.ornament(element)

    def noted(self, reference: str | None) -> tuple[int, int, int] | None:
        return self.places.get((reference or "").removeprefix("#"))

    def note_at(self, place: tuple[int, int, int]) -> RawNote:
        part, bar, index = place
        return self.drafts[bar][part].notes[index]

    def put(self, place: tuple[int, int, int], note: RawNote) -> None:
        part, bar, index = place
        self.drafts[bar][part].notes[index] = note

    def tie(self, element: Element) -> None:
        start, end = self.noted(element.get("startid")), self.noted(element.get("endid"))
        if start is not None:
            self.put(start, replace(self.note_at(start), tie_start=True))
        if end is not None:
            self.put(end, replace(self.note_at(end), tie_stop=True))
        else:
            self.late.add((element.get("endid") or "").removeprefix("#"))

    def where(self, element: Element) -> tuple[_Staff, Fraction]:
        """The staff and place of a sign: its note's, else its own time stamp."""
        number = (element.get("staff") or "").split()
        staff = self.staves.get(number[0] if number else "") or next(iter(self.staves.values()))
        noted = self.noted(element.get("startid"))
        if noted is not None:
            note = self.note_at(noted)
            owner = next(one for one in self.staves.values() if one.part == noted[0] and one.staff == note.staff)
            return owner, note.at
        stamp = element.get("tstamp") or "1"
        beats = Fraction(stamp) if re.fullmatch(r"\d{1,4}(\.\d{1,6})?", stamp) else Fraction(1)
        unit = staff.time.unit if staff.time is not None else 4
        exact = (beats - 1) * Fraction(4, unit)
        near = exact.limit_denominator(48)
        return staff, max(Fraction(0), near if abs(near - exact) < Fraction(1, 500) else exact)

    def mark(self, element: Element, drafts: list[_Draft], *, breath: bool) -> None:
        """A fermata or a breath at its note, or at the one that sounds at its place."""
        place = self.noted(element.get("startid")) or self.sounding_at(element, drafts)
        if place is not None:
            note = self.note_at(place)
            self.put(place, replace(note, breath=True) if breath else replace(note, fermata=True))

    def sounding_at(self, element: Element, drafts: list[_Draft]) -> tuple[int, int, int] | None:
        staff, at = self.where(element)
        notes = drafts[staff.part].notes
        under = [
            index
            for index, note in enumerate(notes)
            if note.staff == staff.staff and not note.grace and note.at <= at < note.end
        ]
        layer = element.get("layer")
        under = [index for index in under if layer is None or notes[index].voice == layer] or under
        return (staff.part, len(self.drafts) - 1, under[0]) if under else None

    def ornament(self, element: Element) -> None:
        place = self.noted(element.get("startid"))
        if place is not None:
            note = self.note_at(place)
            self.put(place, replace(note, ornaments=(*note.ornaments, str(element.tag))))

    def harm(self, element: Element, drafts: list[_Draft]) -> None:
        if element.find("fb") is not None:
            return
        staff, at = self.where(element)
        text = _words(element).translate(_GLYPHS)
        if not text:
            return
        bar = len(self.drafts) - 1
        if self.kind == "Humdrum":
            text = _plain_symbol(text)
        try:
            chord = parse_symbol(text)
        except ValueError:
            harmony = _unknown_symbol(bar, at, text)
        else:
            quality = _quality_printed(text, slash=chord.bass is not None) if chord.root is not None else text
            harmony = RawHarmony(bar, at, chord.root, chord.kind, quality, chord.bass, chord.degrees)
        if staff.transposition != Interval() and harmony.root is not None:
            bass = harmony.bass.transposed(staff.transposition) if harmony.bass is not None else None
            harmony = replace(harmony, root=harmony.root.transposed(staff.transposition), bass=bass)
        drafts[staff.part].harmonies.append(harmony)

    def tempo(self, element: Element, drafts: list[_Draft]) -> None:
        unit = DURATIONS.get(element.get("mm.unit") or "")
        dots = min(_whole(element.get("mm.dots")), 4)
        self.direction(
            element,
            drafts,
            tempo=_number(element.get("midi.bpm")),
            beat=unit * (2 - Fraction(1, 2**dots)) if unit is not None else None,
            per_minute=_number(element.get("mm")),
        )

    def direction(
        self,
        element: Element,
        drafts: list[_Draft],
        *,
        words: str = "",
        tempo: Fraction | None = None,
        beat: Fraction | None = None,
        per_minute: Fraction | None = None,
        jumps: tuple[str, ...] = (),
        dynamics: bool = False,
    ) -> None:
        staff, at = self.where(element)
        drafts[staff.part].directions.append(
            RawDirection(at, words, tempo, beat, per_minute, jumps=jumps, dynamics=dynamics)
        )


def _label(element: Element, tag: str) -> str:
    attribute = {"label": "label", "labelAbbr": "label.abbr"}[tag]
    return (_words(element.find(tag)) or clean(element.get(attribute)))[:60]


def _number(text: str | None) -> Fraction | None:
    return Fraction(text) if text and re.fullmatch(r"\d{1,4}(\.\d{1,6})?", text) else None


def _time(element: Element, prefix: str = "") -> Time | None:
    count, unit = element.get(f"{prefix}count"), _whole(element.get(f"{prefix}unit"), 0)
    beats = sum(int(one) for one in re.findall(r"\d{1,3}", count or ""))
    if 0 < beats <= 64 and 0 < unit <= 64 and not unit & (unit - 1):
        return Time(beats, unit)
    return SYMBOL_TIMES.get(element.get(f"{prefix}sym") or "")


def _in_signature(step: str, fifths: int) -> int:
    if fifths > 0:
        return 1 if step in SHARPS[:fifths] else 0
    return -1 if step in FLATS[:-fifths] else 0


def _sounding(written: Pitch | None, transposition: Interval) -> Pitch | None:
    return written if written is None or transposition == Interval() else written.transposed(transposition)


def _ending_numbers(text: str) -> tuple[int, ...]:
    numbers: list[int] = []
    for first, last in re.findall(r"(\d{1,2})(?:\s*[-–]\s*(\d{1,2}))?", text):
        numbers.extend(range(int(first), min(int(last or first), int(first) + 16) + 1))
    return tuple(dict.fromkeys(one for one in numbers if one)) or (1,)


def _plain_symbol(text: str) -> str:
    """A chord symbol of a `**mxhm` spine (root, blank, MusicXML kind, slash, bass) as it is printed."""
    found = _HUMDRUM_SYMBOL.fullmatch(text)
    if found is None or (found["kind"] or "major") not in KINDS:
        return text
    root, bass = (PitchName.parse(found[name].replace("-", "b")) if found[name] else None for name in ("root", "bass"))
    return symbol(Chord(root, found["kind"] or "major", bass))


def _quality_printed(text: str, *, slash: bool) -> str:
    """What is printed between the root and the bass."""
    found = _ROOT.match(text)
    rest = text[found.end() :] if found is not None else text
    return (rest.rpartition("/")[0] if slash else rest).strip()


def _unknown_symbol(bar: int, at: Fraction, text: str) -> RawHarmony:
    """A symbol that cannot be read keeps its root, if it has one, and its print."""
    found = _ROOT.match(text)
    if found is None:
        return RawHarmony(bar, at, None, "", text[:40], None, ())
    signs = found[2].replace("♯", "#").replace("♭", "b")
    alter = max(-2, min(2, signs.count("#") - signs.count("b")))
    return RawHarmony(bar, at, PitchName(found[1], alter), "", text[found.end() :][:40], None, ())
