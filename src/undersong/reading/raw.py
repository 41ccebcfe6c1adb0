"""What a MusicXML document says, part by part and bar by bar, before anything is chosen.

The layer is faithful: every note, rest, lyric, chord symbol, barline and direction of the document is
here with its place, whether or not a hymn has use for it. What it does not do is decide: which voice is
the soprano, where a line ends, which way a repeat leads belong to the modules that read these values.

Conventions: `at` counts quarter notes from the beginning of the bar, as a `Fraction`; `bar` is the index
of the bar. `pitch` is the sounding pitch (transposition applied), `written` the printed one. A time of
free length is `Time(0, 4)`.

References: W3C MusicXML 4.0 (`note`, `backup`, `forward`, `attributes`, `harmony`, `lyric`, `barline`,
`direction`, `sound`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.errors import BrokenFile, NotAHymn
from undersong.model.chord import Chord, Degree
from undersong.model.pitch import Interval, Pitch, PitchName
from undersong.model.text import Hyphen
from undersong.model.time import Time
from undersong.reading.container import Element

MOST_PARTS = 60
MOST_BARS = 2000
MOST_NOTES = 20_000
MOST_ELEMENTS = 200_000
"""A long hymn with many verses has some 2,000 notes and 30,000 elements."""
LONGEST = Fraction(1024)
"""Longest bar in quarter notes that is taken for music."""

_NUMBER = re.compile(r"[+-]?\d{1,9}(\.\d{1,9})?")
_TYPES = {
    "1024th": Fraction(1, 256), "512th": Fraction(1, 128), "256th": Fraction(1, 64), "128th": Fraction(1, 32),
    "64th": Fraction(1, 16), "32nd": Fraction(1, 8), "16th": Fraction(1, 4), "eighth": Fraction(1, 2),
    "quarter": Fraction(1), "half": Fraction(2), "whole": Fraction(4), "breve": Fraction(8), "long": Fraction(16),
    "maxima": Fraction(32),
}  # fmt: skip
_STEPS_OF = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
"""Scale steps of a transposition given in semitones only (a tritone counts as a fourth)."""
_JUMPS = ("segno", "coda", "fine", "dacapo", "dalsegno", "tocoda")
_WORDS_RIGHTS = ("words", "text", "lyrics")
_DYNAMICS = ("dynamics", "wedge")
_BREATHS = ("breath-mark", "caesura")


@dataclass(frozen=True, slots=True)
class RawLyric:
    """One lyric of one note: its line (number or name), its texts with what joins them."""

    number: str
    name: str
    texts: tuple[str, ...]
    syllabics: tuple[str, ...]
    elisions: tuple[str, ...]
    extend: bool
    passes: tuple[int, ...]

    @property
    def text(self) -> str:
        """The texts joined: an undertie unless a space is printed."""
        joined = self.texts[0] if self.texts else ""
        for index, text in enumerate(self.texts[1:]):
            mark = self.elisions[index] if index < len(self.elisions) else ""
            joined += (" " if mark and not mark.strip("\u00a0 ") else "\u203f") + text
        return joined

    @property
    def hyphen(self) -> Hyphen:
        """Where the syllable stands in its word; an elision counts from its first to its last text."""
        first = self.syllabics[0] if self.syllabics else "single"
        last = self.syllabics[-1] if self.syllabics else "single"
        goes_on, came = last in ("begin", "middle"), first in ("middle", "end")
        if came:
            return "middle" if goes_on else "end"
        return "begin" if goes_on else "single"


@dataclass(frozen=True, slots=True)
class RawNote:
    """One note or rest. `chord` marks a note that shares the stem of the one before."""

    bar: int
    at: Fraction
    length: Fraction
    pitch: Pitch | None
    written: Pitch | None
    voice: str
    staff: int
    rest: bool = False
    whole_bar: bool = False
    hidden: bool = False
    unpitched: bool = False
    chord: bool = False
    grace: bool = False
    cue: bool = False
    tie_start: bool = False
    tie_stop: bool = False
    fermata: bool = False
    breath: bool = False
    microtone: bool = False
    stem: str = ""
    ornaments: tuple[str, ...] = ()
    lyrics: tuple[RawLyric, ...] = ()

    @property
    def end(self) -> Fraction:
        """Where it ends in the bar."""
        return self.at + self.length


@dataclass(frozen=True, slots=True)
class RawHarmony:
    """One chord symbol as the document has it."""

    bar: int
    at: Fraction
    root: PitchName | None
    kind: str
    text: str
    bass: PitchName | None
    degrees: tuple[Degree, ...]
    function: str = ""
    passes: tuple[int, ...] = ()
    """Times through a repeat that it serves; () is every time."""


@dataclass(frozen=True, slots=True)
class RawBarline:
    """One barline that says something: style, repeat, ending, fermata."""

    location: str
    style: str = ""
    repeat: str = ""
    times: int = 0
    ending: str = ""
    ending_numbers: tuple[int, ...] = ()
    fermata: bool = False
    marks: tuple[str, ...] = ()
    at: Fraction = Fraction(0)
    ending_text: str = ""
    """What is printed in the bracket of an ending, where it is not its number."""


@dataclass(frozen=True, slots=True)
class RawDirection:
    """Words, tempo, jump marks, dynamics at a place in a bar."""

    at: Fraction
    words: str = ""
    tempo: Fraction | None = None
    beat: Fraction | None = None
    per_minute: Fraction | None = None
    jumps: tuple[str, ...] = ()
    dynamics: bool = False
    rehearsal: str = ""


@dataclass(frozen=True, slots=True)
class RawKey:
    """A key signature: sharps or flats, and the mode if the document names one."""

    at: Fraction
    fifths: int
    mode: str


@dataclass(frozen=True, slots=True)
class RawTime:
    """A time signature."""

    at: Fraction
    time: Time


@dataclass(frozen=True, slots=True)
class RawClef:
    """A clef on a staff."""

    staff: int
    sign: str
    line: str
    octave: int


@dataclass(frozen=True, slots=True)
class RawBar:
    """One measure of one part. `extent` is how far its notes, rests and skips reach, whole-bar rests apart."""

    number: str
    implicit: bool
    extent: Fraction
    notes: tuple[RawNote, ...] = ()
    harmonies: tuple[RawHarmony, ...] = ()
    barlines: tuple[RawBarline, ...] = ()
    directions: tuple[RawDirection, ...] = ()
    keys: tuple[RawKey, ...] = ()
    times: tuple[RawTime, ...] = ()
    clefs: tuple[RawClef, ...] = ()


@dataclass(frozen=True, slots=True)
class RawPart:
    """One part with its bars."""

    id: str
    name: str
    short: str
    bars: tuple[RawBar, ...]

    @property
    def staves(self) -> tuple[int, ...]:
        """The staves that hold anything, in order."""
        return tuple(sorted({note.staff for bar in self.bars for note in bar.notes}))

    def clef_sign(self, staff: int) -> str:
        """The first clef of a staff ("" when none is given)."""
        return next((clef.sign for bar in self.bars for clef in bar.clefs if clef.staff == staff), "")

    def notes_of(self, staff: int) -> tuple[RawNote, ...]:
        """All notes and rests of a staff in page order."""
        return tuple(note for bar in self.bars for note in bar.notes if note.staff == staff)


@dataclass(frozen=True, slots=True)
class RawCredit:
    """Words printed on the page outside the music."""

    type: str
    words: str
    size: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class RawScore:
    """A whole document."""

    parts: tuple[RawPart, ...]
    work_title: str = ""
    work_number: str = ""
    movement_title: str = ""
    movement_number: str = ""
    creators: tuple[tuple[str, str], ...] = ()
    rights: tuple[str, ...] = ()
    fields: tuple[tuple[str, str], ...] = ()
    credits: tuple[RawCredit, ...] = ()
    breaks: tuple[tuple[int, Fraction], ...] = ()
    """Where the page itself ends its lines of music: bar and place in it. A hint for the lines of the text."""
    text_rights: tuple[str, ...] = ()
    """Rights in the words alone."""
    order: tuple[tuple[int, int], ...] = ()
    """Parts in the order in which they are played, as first and last bar; () is the order of the page."""


def read_score(root: Element, file: str = "") -> RawScore:
    """Every part of a `score-partwise` element; BrokenFile with bar and part where it makes no sense."""
    _check_size(root, file)
    parts = root.findall("part")
    if not parts:
        raise NotAHymn("this score holds no music", file=file)
    if len(parts) > MOST_PARTS:
        raise NotAHymn(f"this score has {len(parts)} parts: it is for an orchestra or a band", file=file)
    names = {part.get("id", ""): part for part in root.iterfind("part-list/score-part")}
    read: list[RawPart] = []
    for part in parts:
        listed = names.get(part.get("id", ""))
        name = clean(listed.findtext("part-name")) if listed is not None else ""
        short = clean(listed.findtext("part-abbreviation")) if listed is not None else ""
        reader = _PartReader(name or short or f"part {len(read) + 1}", file)
        read.append(RawPart(part.get("id", ""), name, short, reader.read(part)))
    return RawScore(
        tuple(read),
        work_title=clean(root.findtext("work/work-title")),
        work_number=clean(root.findtext("work/work-number")),
        movement_title=clean(root.findtext("movement-title")),
        movement_number=clean(root.findtext("movement-number")),
        creators=tuple(
            (one.get("type", ""), clean(one.text)) for one in root.iterfind("identification/creator") if one.text
        ),
        rights=_rights(root, words=False),
        text_rights=_rights(root, words=True),
        fields=tuple(
            (one.get("name", "").strip().lower(), clean(one.text))
            for one in root.iterfind("identification/miscellaneous/miscellaneous-field")
        ),
        credits=tuple(_credit(one) for one in root.iterfind("credit")),
    )


def _rights(root: Element, *, words: bool) -> tuple[str, ...]:
    """Lines of rights: those that the document calls the words', or all others."""
    found = (one for one in root.iterfind("identification/rights") if clean(one.text))
    return tuple(clean(one.text) for one in found if (one.get("type", "").lower() in _WORDS_RIGHTS) is words)


def _check_size(root: Element, file: str) -> None:
    elements = sum(1 for _ in root.iter())
    notes = sum(1 for _ in root.iter("note"))
    if notes > MOST_NOTES or elements > MOST_ELEMENTS:
        what = f"{notes} notes" if notes > MOST_NOTES else f"{elements} elements"
        raise NotAHymn(f"this score has {what}, far more than a hymn", file=file, remedy="Give one hymn to a file.")


def clean(text: str | None) -> str:
    """The text with its blanks made single; "" for none."""
    return " ".join((text or "").split())


def _credit(element: Element) -> RawCredit:
    words = [one for one in element.iterfind("credit-words") if one.text]
    sizes = [one.get("font-size", "") for one in words]
    size = max((Fraction(one) for one in sizes if _NUMBER.fullmatch(one)), default=Fraction(0))
    return RawCredit(clean(element.findtext("credit-type")), clean(" ".join(one.text or "" for one in words)), size)


class _PartReader:
    """Reads one part: the state that runs on from bar to bar stands here."""

    def __init__(self, name: str, file: str) -> None:
        self.name, self.file = name, file
        self.divisions = Fraction(0)
        self.transposition = Interval()
        self.bar, self.number = 0, "1"
        self.at = self.extent = self.last_at = Fraction(0)
        self.notes: list[RawNote] = []
        self.harmonies: list[RawHarmony] = []
        self.barlines: list[RawBarline] = []
        self.directions: list[RawDirection] = []
        self.keys: list[RawKey] = []
        self.times: list[RawTime] = []
        self.clefs: list[RawClef] = []

    def broken(self, message: str) -> BrokenFile:
        return BrokenFile(message, file=self.file, place=f"bar {self.number}, {self.name}")

    def read(self, part: Element) -> tuple[RawBar, ...]:
        measures = part.findall("measure")
        if len(measures) > MOST_BARS:
            raise NotAHymn(f"{len(measures)} bars are too many for a hymn", file=self.file, place=self.name)
        return tuple(self.measure(index, measure) for index, measure in enumerate(measures))

    def measure(self, index: int, measure: Element) -> RawBar:
        self.bar = index
        number = clean(measure.get("number"))[:12]
        self.number = number or str(index + 1)
        self.at = self.extent = self.last_at = Fraction(0)
        for kept in (self.notes, self.harmonies, self.barlines, self.directions, self.keys, self.times, self.clefs):
            kept.clear()
        for element in measure:
            if isinstance(element.tag, str):
                self.element(element)
        return RawBar(
            number,
            measure.get("implicit") == "yes",
            self.extent,
            tuple(self.notes),
            tuple(self.harmonies),
            tuple(self.barlines),
            tuple(self.directions),
            tuple(self.keys),
            tuple(self.times),
            tuple(self.clefs),
        )

    def element(self, element: Element) -> None:
        match element.tag:
            case "note":
                self.note(element)
            case "backup":
                self.at = max(Fraction(0), self.at - self.duration(element))
            case "forward":
                self.move(self.duration(element))
            case "attributes":
                self.attributes(element)
            case "harmony":
                self.harmony(element)
            case "barline":
                self.barlines.append(self.barline(element))
            case "direction":
                self.directions.append(self.direction(element))
            case "sound":
                self.directions.append(self.sound(element, RawDirection(self.at)))
            case _:
                pass

    def move(self, length: Fraction, *, counts: bool = True) -> None:
        self.at += length
        if counts:
            self.extent = max(self.extent, self.at)
        if self.at > LONGEST:
            raise self.broken("this bar is far too long")

    def value(self, text: str | None, what: str) -> Fraction:
        found = (text or "").strip()
        if not _NUMBER.fullmatch(found):
            raise self.broken(f"{what} is {found[:20]!r}, not a number")
        return Fraction(found)

    def whole(self, text: str | None, what: str, least: int, most: int) -> int:
        found = self.value(text, what)
        if found.denominator != 1 or not least <= found <= most:
            raise self.broken(f"{what} is {(text or '').strip()[:20]!r}, not a whole number from {least} to {most}")
        return int(found)

    def duration(self, element: Element) -> Fraction:
        length = self.value(element.findtext("duration"), f"the duration of a {element.tag}")
        if length < 0:
            raise self.broken(f"the duration of a {element.tag} is negative")
        if not self.divisions:
            raise self.broken("durations are given before it is said what they count (divisions)")
        return length / self.divisions

    def attributes(self, element: Element) -> None:
        divisions = element.findtext("divisions")
        if divisions is not None:
            self.divisions = self.value(divisions, "divisions")
            if self.divisions <= 0:
                raise self.broken("divisions must be more than nothing")
        transpose = element.find("transpose")
        if transpose is not None:
            self.transposition = self.transpose(transpose)
        for key in element.findall("key"):
            if key.find("fifths") is not None:
                fifths = self.whole(key.findtext("fifths"), "the key signature", -7, 7)
                self.keys.append(RawKey(self.at, self.moved_fifths(fifths), clean(key.findtext("mode")).lower()))
        for time in element.findall("time"):
            self.times.append(RawTime(self.at, self.time(time)))
        for clef in element.findall("clef"):
            octave = clef.findtext("clef-octave-change")
            self.clefs.append(
                RawClef(
                    self.staff(clef.get("number")),
                    clean(clef.findtext("sign")),
                    clean(clef.findtext("line")),
                    self.whole(octave, "the octave of a clef", -4, 4) if octave else 0,
                )
            )

    def staff(self, text: str | None) -> int:
        return self.whole(text, "the staff", 1, 64) if text else 1

    def moved_fifths(self, fifths: int) -> int:
        tonic = PitchName.from_fifths(fifths).transposed(self.transposition)
        moved = tonic.fifths
        while moved > 7:
            moved -= 12
        while moved < -7:
            moved += 12
        return moved

    def transpose(self, element: Element) -> Interval:
        chromatic = self.whole(element.findtext("chromatic") or "0", "the transposition", -48, 48)
        octaves = self.whole(element.findtext("octave-change") or "0", "the octave of the transposition", -4, 4)
        whole, rest = divmod(chromatic, 12)
        diatonic = element.findtext("diatonic")
        steps = 7 * whole + _STEPS_OF[rest]
        if diatonic is not None:
            given = self.whole(diatonic, "the steps of the transposition", -28, 28)
            steps = given if abs(given - steps) <= 1 else steps
        return Interval(steps + 7 * octaves, chromatic + 12 * octaves)

    def time(self, element: Element) -> Time:
        if element.find("senza-misura") is not None:
            return Time(0, 4)
        beats = [one.text or "" for one in element.findall("beats")]
        units = [self.whole(one.text, "the time signature", 1, 64) for one in element.findall("beat-type")]
        if not beats or len(beats) != len(units):
            raise self.broken("the time signature is incomplete")
        unit = max(units)
        if any(one & (one - 1) for one in units):
            raise self.broken(f"the time signature has an impossible lower number ({unit})")
        count = 0
        for text, below in zip(beats, units, strict=True):
            for one in text.split("+"):
                count += self.whole(one, "the time signature", 1, 64) * (unit // below)
        return Time(count, unit)

    def note(self, element: Element) -> None:
        grace, chord = element.find("grace") is not None, element.find("chord") is not None
        length = Fraction(0) if grace else self.note_length(element)
        at = self.last_at if chord else self.at
        written = self.pitch(element)
        rest = element.find("rest")
        notations = element.findall("notations")
        ties = [one.get("type") for one in element.findall("tie")]
        if not ties:
            ties = [one.get("type") for each in notations for one in each.findall("tied")]
        self.notes.append(
            RawNote(
                self.bar,
                at,
                length,
                self.sounding(written),
                written,
                clean(element.findtext("voice")) or "1",
                self.staff(element.findtext("staff")),
                rest=rest is not None,
                whole_bar=rest is not None and rest.get("measure") == "yes",
                hidden=element.get("print-object") == "no",
                unpitched=element.find("unpitched") is not None,
                chord=chord,
                grace=grace,
                cue=element.find("cue") is not None,
                tie_start="start" in ties,
                tie_stop="stop" in ties,
                fermata=any(each.find("fermata") is not None for each in notations),
                breath=any(each.find(f"articulations/{one}") is not None for each in notations for one in _BREATHS),
                microtone=self.microtone(element),
                stem=clean(element.findtext("stem")),
                ornaments=_ornaments(notations),
                lyrics=tuple(self.lyric(one) for one in element.findall("lyric")),
            )
        )
        if not chord:
            self.last_at = self.at
            self.move(length, counts=not self.notes[-1].whole_bar)
        else:
            self.extent = max(self.extent, at + length)

    def note_length(self, element: Element) -> Fraction:
        named = self.named_length(element)
        if element.find("duration") is None:
            if named is None:
                raise self.broken("a note has no duration")
            return named
        length = self.duration(element)
        # Triplets are often rounded to whole divisions; the named value is the exact one.
        if (
            named is not None
            and element.find("time-modification") is not None
            and abs(named - length) < Fraction(1, 24)
        ):
            return named
        return length

    def named_length(self, element: Element) -> Fraction | None:
        plain = _TYPES.get(clean(element.findtext("type")))
        if plain is None:
            return None
        dots = min(len(element.findall("dot")), 4)
        length = plain * (2 - Fraction(1, 2**dots))
        tuplet = element.find("time-modification")
        if tuplet is not None:
            actual = self.whole(tuplet.findtext("actual-notes"), "the tuplet", 1, 64)
            normal = self.whole(tuplet.findtext("normal-notes"), "the tuplet", 1, 64)
            length = length * normal / actual
        return length

    def microtone(self, element: Element) -> bool:
        alter = element.findtext("pitch/alter")
        return alter is not None and self.value(alter, "an alteration").denominator != 1

    def pitch(self, element: Element) -> Pitch | None:
        pitch = element.find("pitch")
        if pitch is None:
            return None
        step = clean(pitch.findtext("step"))
        if len(step) != 1 or step not in "ABCDEFG":
            raise self.broken(f"a note is called {step[:20]!r}")
        alter = self.value(pitch.findtext("alter") or "0", "an alteration")
        if abs(alter) > 3:
            raise self.broken("a note is altered by more than three semitones")
        return Pitch(step, int(alter), self.whole(pitch.findtext("octave"), "an octave", -1, 9))

    def sounding(self, written: Pitch | None) -> Pitch | None:
        if written is None or self.transposition == Interval():
            return written
        pitch = written.transposed(self.transposition)
        return pitch if abs(pitch.alter) <= 2 else _plainer(pitch)

    def lyric(self, element: Element) -> RawLyric:
        texts: list[str] = []
        syllabics: list[str] = []
        elisions: list[str] = []
        pending = ""
        for one in element:
            if one.tag == "syllabic":
                pending = clean(one.text)
            elif one.tag == "text":
                texts.append((one.text or "").strip())
                syllabics.append(pending or (syllabics[-1] if syllabics else "single"))
                pending = ""
            elif one.tag == "elision":
                elisions.append(one.text or "")
        extend = element.find("extend")
        passes = [one.strip() for one in (element.get("time-only") or "").split(",")]
        return RawLyric(
            clean(element.get("number")),
            clean(element.get("name")),
            tuple(texts),
            tuple(syllabics),
            tuple(elisions),
            extend is not None and extend.get("type") in (None, "start"),
            tuple(int(one) for one in passes if one.isascii() and one.isdigit() and len(one) <= 2 and int(one)),
        )

    def name_of(self, parent: Element | None, prefix: str) -> PitchName | None:
        if parent is None or parent.find(f"{prefix}-step") is None:
            return None
        step = clean(parent.findtext(f"{prefix}-step"))
        if len(step) != 1 or step not in "ABCDEFG":
            raise self.broken(f"a chord symbol stands on {step[:20]!r}")
        alter = self.whole(parent.findtext(f"{prefix}-alter") or "0", "the root of a chord symbol", -3, 3)
        name = PitchName(step, alter)
        return name if self.transposition == Interval() else name.transposed(self.transposition)

    def harmony(self, element: Element) -> None:
        offset = element.findtext("offset")
        at = self.at
        if offset is not None and self.divisions:
            at = max(Fraction(0), at + self.value(offset, "the place of a chord symbol") / self.divisions)
        kind = element.find("kind")
        root, named = self.name_of(element.find("root"), "root"), clean(kind.text) if kind is not None else ""
        bass = self.name_of(element.find("bass"), "bass")
        function = element.findtext("function") or element.findtext("numeral/numeral-root") or ""
        self.harmonies.append(
            RawHarmony(
                self.bar,
                at,
                root,
                named,
                (kind.get("text") or "").strip() if kind is not None else "",
                bass if bass is not None else self.inverted(element.findtext("inversion"), root, named),
                tuple(self.degree(one) for one in element.findall("degree")),
                clean(function),
            )
        )

    def inverted(self, inversion: str | None, root: PitchName | None, kind: str) -> PitchName | None:
        """The bass that a chord symbol tells by its inversion: 1 for the third, 2 for the fifth."""
        if not inversion or root is None:
            return None
        tones = Chord(root, kind).tones()
        place = self.whole(inversion, "the inversion of a chord symbol", 0, 12)
        return tones[place].name if 0 < place < len(tones) else None

    def degree(self, element: Element) -> Degree:
        value = self.whole(element.findtext("degree-value"), "a degree of a chord symbol", 1, 13)
        alter = self.whole(element.findtext("degree-alter") or "0", "a degree of a chord symbol", -3, 3)
        match clean(element.findtext("degree-type")):
            case "alter":
                return Degree(value, alter, "alter")
            case "subtract":
                return Degree(value, alter, "subtract")
            case _:
                return Degree(value, alter, "add")

    def barline(self, element: Element) -> RawBarline:
        repeat, ending = element.find("repeat"), element.find("ending")
        times = repeat.get("times") if repeat is not None else None
        marks = tuple(one for one in ("segno", "coda") if element.find(one) is not None or element.get(one))
        return RawBarline(
            element.get("location") or "right",
            clean(element.findtext("bar-style")),
            (repeat.get("direction") or "") if repeat is not None else "",
            self.whole(times, "the number of a repeat", 0, 64) if times else 0,
            (ending.get("type") or "") if ending is not None else "",
            _ending_numbers(ending),
            element.find("fermata") is not None,
            marks,
            self.at,
            clean(ending.text) if ending is not None else "",
        )

    def direction(self, element: Element) -> RawDirection:
        types = element.findall("direction-type")
        words = [clean(one.text) for kind in types for one in kind.findall("words") if clean(one.text)]
        rehearsal = [clean(one.text) for kind in types for one in kind.findall("rehearsal") if clean(one.text)]
        jumps = tuple(one for one in ("segno", "coda") if any(kind.find(one) is not None for kind in types))
        at = self.at
        offset = element.findtext("offset")
        if offset is not None and self.divisions:
            at = max(Fraction(0), at + self.value(offset, "the place of a direction") / self.divisions)
        found = RawDirection(
            at,
            " ".join(words),
            jumps=jumps,
            dynamics=any(kind.find(one) is not None for kind in types for one in _DYNAMICS),
            rehearsal=" ".join(rehearsal),
        )
        for kind in types:
            metronome = kind.find("metronome")
            if metronome is not None:
                found = _metronome(metronome, found)
        sound = element.find("sound")
        return found if sound is None else self.sound(sound, found)

    def sound(self, element: Element, found: RawDirection) -> RawDirection:
        tempo = (element.get("tempo") or "").strip()
        jumps = tuple(one for one in _JUMPS if element.get(one) not in (None, "no"))
        return replace(
            found,
            tempo=Fraction(tempo) if _NUMBER.fullmatch(tempo) else None,
            jumps=tuple(dict.fromkeys((*found.jumps, *jumps))),
        )


def _plainer(pitch: Pitch) -> Pitch:
    """The same key with the plainest spelling, for transpositions that make no sense as spelled."""
    for name in (PitchName(step, alter) for alter in (0, 1, -1) for step in "CDEFGAB"):
        if name.pitch_class == pitch.midi % 12:
            return Pitch.of(name, pitch.midi)
    return pitch


def _ornaments(notations: Sequence[Element]) -> tuple[str, ...]:
    found = (one for each in notations for ornaments in each.findall("ornaments") for one in ornaments)
    return tuple(str(one.tag) for one in found if isinstance(one.tag, str))


def _ending_numbers(ending: Element | None) -> tuple[int, ...]:
    if ending is None:
        return ()
    numbers: list[int] = []
    for text in re.split(r"[,\s]+", ending.get("number") or ""):
        first, dash, last = text.partition("-")
        if first.isascii() and first.isdigit() and len(first) <= 2:
            end = int(last) if dash and last.isascii() and last.isdigit() and len(last) <= 2 else int(first)
            numbers.extend(range(int(first), min(end, int(first) + 16) + 1))
    return tuple(dict.fromkeys(one for one in numbers if one))


def _metronome(element: Element, found: RawDirection) -> RawDirection:
    unit = _TYPES.get(clean(element.findtext("beat-unit")))
    minute = re.search(r"\d{1,4}(\.\d{1,3})?", element.findtext("per-minute") or "")
    if unit is None or minute is None:
        return found
    dots = min(len(element.findall("beat-unit-dot")), 4)
    return replace(found, beat=unit * (2 - Fraction(1, 2**dots)), per_minute=Fraction(minute[0]))
