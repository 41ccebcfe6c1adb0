"""The exchange file: an arrangement as MusicXML 4.0 for any score editor.

The musical problem: every section (introduction, verses, interludes) is written out once, one after the other
and without repeats, so that each stands by itself: its name in a box, key and time again, its own pickup and
short last bar, bar numbers as in the hymnal, divisions and stops in words, that verse's words and no others.

Conventions: two parts, `Manuals` (staff 1 right hand, staff 2 left hand) and `Pedal`. Voices 1 to 4 belong to
staff 1, 5 to 8 to staff 2. `id` of a note is the `PlayedNote`'s; further pieces of it and second noteheads of a
unison are named as `writing.notation` says. A solo stands in the staff of the hand that plays it, at the key
that is pressed. The same arrangement gives the same bytes: no dates, nothing random.

References: W3C MusicXML 4.0 (June 2021), `score-partwise`; element order after its schema.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import takewhile

from lxml import etree

from undersong import __version__
from undersong.errors import CannotWrite
from undersong.model.accompaniment import Accompaniment, Arrangement, PlacedBar, PlacedChord, Word
from undersong.model.chord import Chord
from undersong.model.pitch import PitchName
from undersong.model.time import Pace, Time
from undersong.writing.notation import (
    LEFT,
    PEDAL,
    RIGHT,
    STAFF,
    TYPES,
    Clef,
    Head,
    Piece,
    WrittenBar,
    WrittenSection,
    WrittenVoice,
    write_out,
)

Element = etree._Element  # noqa: SLF001  # lxml has no public name for what its calls return

DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN"'
    ' "http://www.musicxml.org/dtds/partwise.dtd">'
)
CLEFS: dict[Clef, tuple[str, str]] = {"treble": ("G", "2"), "bass": ("F", "4")}
SYLLABIC = {"single": "single", "begin": "begin", "middle": "middle", "end": "end"}
DOUBTFUL_ID = "-doubtful-"
"""Part of the id of a chord symbol that is doubtful, by which the engraver knows it."""
PEDAL_MARKS = {"toe": "toe", "heel": "heel"}
"""What `PlayedNote.finger` may hold for the feet."""


def exchange_file(arrangement: Arrangement, sections: Sequence[Accompaniment] | None = None) -> bytes:
    """Write an arrangement (or some of its sections) as MusicXML 4.0, UTF-8.

    Raises CannotWrite, with the place, where a length has no written value, where two notes bear one name, or
    where there is nothing to write.
    """
    chosen = arrangement.sections if sections is None else tuple(sections)
    written = [write_out(section) for section in chosen if section.bars]
    if not written:
        raise CannotWrite("there is no section to write", remedy="Choose at least one verse.")
    _names_differ(written)
    score = el(
        "score-partwise",
        *_head(arrangement),
        el(
            "part-list",
            el("score-part", el("part-name", "Manuals"), id="P1"),
            el("score-part", el("part-name", "Pedal"), id="P2"),
        ),
        el("part", *_part(written, (RIGHT, LEFT)), id="P1"),
        el("part", *_part(written, (PEDAL,)), id="P2"),
        version="4.0",
    )
    return etree.tostring(score, xml_declaration=True, encoding="UTF-8", pretty_print=True, doctype=DOCTYPE)


def el(tag: str, *content: object, **attributes: object) -> Element:
    """An element: None is skipped, elements are appended, anything else is text; `_` in names becomes `-`."""
    given = {name.replace("_", "-"): str(value) for name, value in attributes.items() if value is not None}
    made = etree.Element(tag, given)
    for one in content:
        if isinstance(one, etree._Element):  # noqa: SLF001
            made.append(one)
        elif one is not None:
            made.text = (made.text or "") + xml_text(str(one))
    return made


_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def xml_text(text: str) -> str:
    """The text without the control characters that XML forbids."""
    return text if text.isascii() and text.isprintable() else _FORBIDDEN.sub("", text)


def _names_differ(written: Iterable[WrittenSection]) -> None:
    seen: set[str] = set()
    for section in written:
        for bar in section.bars:
            for head in _heads(bar):
                if head.id in seen:
                    raise CannotWrite(
                        f"two notes are named {head.id}",
                        place=f"{section.section.name}, bar {bar.bar.number}",
                        remedy="This is a fault of the program: please report it.",
                    )
                seen.add(head.id)


def _heads(bar: WrittenBar) -> Iterator[Head]:
    for staff in bar.staves:
        for voice in staff:
            for piece in voice.pieces:
                yield from piece.heads


def _head(arrangement: Arrangement) -> Iterator[Element]:
    yield el("work", el("work-title", arrangement.title))
    fields = [("tune-name", arrangement.tune_name), ("metre", arrangement.metre)]
    named = [el("miscellaneous-field", text, name=name) for name, text in fields if text]
    yield el(
        "identification",
        *(el("creator", credit) for credit in arrangement.credits),
        el("rights", arrangement.rights) if arrangement.rights else None,
        el(
            "encoding",
            el("software", f"Undersong {__version__}"),
            *(el("supports", element=name, type="yes") for name in ("accidental", "beam", "stem")),
            el("supports", element="print", attribute="new-system", type="yes", value="yes"),
        ),
        el("miscellaneous", *named) if named else None,
    )


# -- measures ----------------------------------------------------------------------------------------------------


def _divisions(written: Iterable[WrittenSection]) -> int:
    """Ticks in a quarter note that hold every start and length."""
    found = {1}
    for section in written:
        found |= {chord.start.denominator for chord in section.section.chords}
        for bar in section.bars:
            found |= {bar.bar.start.denominator, bar.bar.length.denominator}
            for staff in bar.staves:
                for voice in staff:
                    found |= {piece.length.denominator for piece in voice.pieces}
                    found |= {piece.start.denominator for piece in voice.pieces}
    return math.lcm(*found)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One section as one part needs it: its staves, ticks in a quarter note, words and marks by place."""

    written: WrittenSection
    staves: tuple[int, ...]
    divisions: int
    lyrics: dict[Fraction, list[Word]]
    breaths: frozenset[Fraction]
    holds: frozenset[Fraction]
    marked: frozenset[str]
    standing: tuple[Clef, ...] | None
    """Clefs at the end of the section before; None for the first."""

    def ticks(self, length: Fraction) -> int:
        return int(length * self.divisions)

    @property
    def first_part(self) -> bool:
        return self.staves[0] == RIGHT

    def staff_number(self, staff: int) -> int | None:
        return self.staves.index(staff) + 1 if len(self.staves) > 1 else None

    def voice_number(self, staff: int, number: int) -> int:
        return number + 4 * self.staves.index(staff)


def _part(written: Sequence[WrittenSection], staves: tuple[int, ...]) -> Iterator[Element]:
    divisions = _divisions(written)
    for number, section in enumerate(written):
        laid = section.section
        sheet = _Sheet(
            written=section,
            staves=staves,
            divisions=divisions,
            lyrics=_words_by_note(laid),
            breaths=frozenset(laid.breaths),
            holds=frozenset(laid.holds),
            marked=_newly_marked(laid),
            standing=tuple(clefs[-1][1] for clefs in written[number - 1].clefs) if number else None,
        )
        last = number == len(written) - 1
        for index in range(len(section.bars)):
            yield _measure(sheet, index, last_section=last)


def _words_by_note(section: Accompaniment) -> dict[Fraction, list[Word]]:
    """Words by the start of the tune note they stand under; a word between notes joins the one before it."""
    tune = [note for note in section.notes if note.part == "tune"]
    written = {note.start for note in tune}
    starts = sorted(note.start for note in tune if note.tie not in ("stop", "both"))
    placed: dict[Fraction, list[Word]] = {}
    for word in section.words:
        if word.start in written:  # also under a tied note, where the print has it
            placed.setdefault(word.start, []).append(word)
        elif starts:
            place = max(0, bisect_right(starts, word.start) - 1)
            placed.setdefault(starts[place], []).append(word)
    return placed


def _measure(sheet: _Sheet, index: int, *, last_section: bool) -> Element:
    bars = sheet.written.bars
    bar = bars[index].bar
    measure = el("measure", number=bar.number or "0", implicit="yes" if bar.pickup else None)
    if sheet.first_part and index in sheet.written.systems and not (sheet.standing is None and index == 0):
        measure.append(el("print", new_system="yes"))
    attributes = _attributes(sheet, index)
    if attributes is not None:
        measure.append(attributes)
    if index == 0:
        measure.extend(_opening(sheet))
    _write_voices(measure, sheet, bars[index])
    style = _bar_style(bar, last=index == len(bars) - 1, end=last_section)
    if style:
        measure.append(el("barline", el("bar-style", style), location="right"))
    return measure


def _bar_style(bar: PlacedBar, *, last: bool, end: bool) -> str:
    if last:
        return "light-heavy" if end else "light-light"
    return "light-light" if bar.double else ""


def _attributes(sheet: _Sheet, index: int) -> Element | None:
    bars = [written.bar for written in sheet.written.bars]
    bar, before = bars[index], bars[index - 1] if index else None
    content: list[Element] = []
    first = before is None and sheet.standing is None
    if first:
        content.append(el("divisions", sheet.divisions))
    if before is None or before.key != bar.key:
        content.append(el("key", el("fifths", bar.key.fifths), el("mode", bar.key.mode)))
    if before is None or before.time != bar.time:
        content.append(time_element(bar.time))
    if first and len(sheet.staves) > 1:
        content.append(el("staves", len(sheet.staves)))
    for staff in sheet.staves:
        clef = dict(sheet.written.clefs[staff]).get(bar.start)
        if clef and (before or sheet.standing is None or sheet.standing[staff] != clef):
            content.append(_clef(sheet, staff, clef))
    return el("attributes", *content) if content else None


def _clef(sheet: _Sheet, staff: int, clef: Clef) -> Element:
    sign, line = CLEFS[clef]
    return el("clef", el("sign", sign), el("line", line), number=sheet.staff_number(staff))


def time_element(time: Time) -> Element:
    """A time signature."""
    if not time.beats:
        return el("time", el("senza-misura"))
    return el("time", el("beats", time.beats), el("beat-type", time.unit))


def _opening(sheet: _Sheet) -> Iterator[Element]:
    """The section's name in a box, how fast, and each hand's division and stops."""
    section = sheet.written.section
    if sheet.first_part:
        yield el("direction", el("direction-type", el("rehearsal", section.name)), placement="above")
        yield pace_element(section.pace)
    places = {RIGHT: ("above", section.right), LEFT: ("below", section.left), PEDAL: ("below", section.feet)}
    stops = dict(section.registration.actual)
    for staff in sheet.staves:
        placement, division = places[staff]
        words = f"{division}: {stops[division]}" if stops.get(division) else division
        if staff == sheet.staves[0] == RIGHT and section.registration.generic:
            words = f"{words} ({section.registration.generic})" if words else section.registration.generic
        if words:
            yield _words_direction(words, placement, sheet.staff_number(staff))


def _words_direction(words: str, placement: str, staff: int | None, *, italic: bool = False) -> Element:
    return el(
        "direction",
        el("direction-type", el("words", words, font_style="italic" if italic else None)),
        el("staff", staff) if staff else None,
        placement=placement,
    )


def pace_element(pace: Pace) -> Element:
    """How fast, as a metronome mark with its sound."""
    dots = 0 if pace.beat in TYPES else 1
    unit = TYPES.get(pace.beat * 2 / 3 if dots else pace.beat)
    mark = el(
        "metronome",
        el("beat-unit", unit or "quarter"),
        *([el("beat-unit-dot")] if unit and dots else []),
        el("per-minute", _number(pace.beats_per_minute if unit else pace.beats_per_minute * pace.beat)),
    )
    return el(
        "direction",
        el("direction-type", mark),
        el("sound", tempo=_number(pace.beats_per_minute * pace.beat)),
        placement="above",
    )


def _number(value: Fraction) -> str:
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.3f}".rstrip("0").rstrip(".")


# -- notes -------------------------------------------------------------------------------------------------------


def _write_voices(measure: Element, sheet: _Sheet, written: WrittenBar) -> None:
    here = written.bar.start
    leading = True
    for staff in sheet.staves:
        inside = {place: clef for place, clef in sheet.written.clefs[staff] if place > written.bar.start}
        for voice in written.staves[staff]:
            if here > written.bar.start:
                measure.append(el("backup", el("duration", sheet.ticks(here - written.bar.start))))
            here = _write_voice(measure, sheet, voice, staff, inside, leading=leading)
            leading = False


def _write_voice(
    measure: Element, sheet: _Sheet, voice: WrittenVoice, staff: int, clefs: dict[Fraction, Clef], *, leading: bool
) -> Fraction:
    """Write one voice; returns the place reached, which may lie before the bar line.

    Of `clefs` that begin inside the bar, those that stand before one of the voice's pieces are written and taken out.

    A staff's first voice fills the bar: what is not seen of its rests is written as hidden, not passed over.
    """
    pieces = list(voice.pieces)
    full = voice.number == 1
    while pieces and not full and not pieces[-1].visible and _skipped(pieces[-1]):
        pieces.pop()
    skipped = Fraction(0)
    number, staff_number = sheet.voice_number(staff, voice.number), sheet.staff_number(staff)
    for piece in pieces:
        if not full and not piece.visible and _skipped(piece):
            skipped += piece.length
            continue
        if skipped:
            measure.append(
                el(
                    "forward",
                    el("duration", sheet.ticks(skipped)),
                    el("voice", number),
                    el("staff", staff_number) if staff_number else None,
                )
            )
            skipped = Fraction(0)
        if clef := clefs.pop(piece.start, None):
            measure.append(el("attributes", _clef(sheet, staff, clef)))
        if leading and sheet.first_part:
            measure.extend(_harmonies(sheet, piece))
        measure.extend(_marks(sheet, piece, staff))
        measure.extend(_notes(sheet, piece, number, staff_number))
    return pieces[-1].end


def _skipped(piece: Piece) -> bool:
    """Whether an invisible rest can be passed over; one inside a tuplet must be written."""
    return piece.value is None or piece.value.actual == 1


def _harmonies(sheet: _Sheet, piece: Piece) -> Iterator[Element]:
    chords = sheet.written.section.chords
    first = bisect_left(chords, piece.start, key=lambda chord: chord.start)
    for index, chord in enumerate(takewhile(lambda chord: chord.start < piece.end, chords[first:]), first):
        name = f"{sheet.written.section.id}{DOUBTFUL_ID}{index}" if chord.doubtful else None
        yield harmony(chord, sheet.ticks(chord.start - piece.start), name)


def _marks(sheet: _Sheet, piece: Piece, staff: int) -> Iterator[Element]:
    """What the page says about a note: "changed here"."""
    begun = (head.note for head in piece.heads if head.note.id in sheet.marked and piece.start == head.note.start)
    for mark in dict.fromkeys(note.mark for note in begun):
        yield _words_direction(mark, "below", sheet.staff_number(staff), italic=True)


def _newly_marked(section: Accompaniment) -> frozenset[str]:
    """Ids of notes at which a remark stands: the first of each run of a part that bears the same one."""
    said: dict[str, str] = {}
    found = set()
    for note in sorted(section.notes, key=lambda one: one.start):
        if note.mark and said.get(note.part) != note.mark:
            found.add(note.id)
        said[note.part] = note.mark
    return frozenset(found)


def harmony(placed: PlacedChord, offset: int = 0, name: str | None = None) -> Element:
    """A chord symbol with its id; "no chord" is written as MusicXML wants it, with a root that does not print."""
    chord = placed.chord
    if chord.root is None:
        root = el("root", el("root-step", "C", text=""))
        kind = el("kind", "none", text=chord.text or "N.C.")
        return el("harmony", root, kind, el("offset", offset) if offset else None, id=name)
    return el(
        "harmony",
        el("root", *_name("root", chord.root)),
        el("kind", chord.kind, text=chord.text or None),
        el("bass", *_name("bass", chord.bass)) if chord.bass is not None and chord.bass != chord.root else None,
        *_degrees(chord),
        el("offset", offset) if offset else None,
        id=name,
    )


def _name(what: str, name: PitchName) -> Iterator[Element]:
    yield el(f"{what}-step", name.step)
    if name.alter:
        yield el(f"{what}-alter", name.alter)


def _degrees(chord: Chord) -> Iterator[Element]:
    for degree in chord.degrees:
        yield el(
            "degree",
            el("degree-value", degree.value),
            el("degree-alter", degree.alter),
            el("degree-type", degree.type),
        )


def _notes(sheet: _Sheet, piece: Piece, voice: int, staff: int | None) -> Iterator[Element]:
    if not piece.heads:
        yield rest_element(piece, sheet.ticks(piece.length), voice, staff)
        return
    lyrics_at = next(
        (index for index, head in enumerate(piece.heads) if head.part == "tune" and not head.doubled), None
    )
    for index, head in enumerate(piece.heads):
        lyrics = sheet.lyrics.get(piece.start, []) if index == lyrics_at and piece.start == head.note.start else []
        pitch = head.note.pitch
        yield el(
            "note",
            el("chord") if index else None,
            el(
                "pitch",
                el("step", pitch.step),
                el("alter", pitch.alter) if pitch.alter else None,
                el("octave", pitch.octave),
            ),
            el("duration", sheet.ticks(piece.length)),
            el("tie", type="stop") if head.tie_from else None,
            el("tie", type="start") if head.tie_to else None,
            el("voice", voice),
            *written_value(piece, head),
            el("stem", piece.stem) if piece.stem else None,
            el("staff", staff) if staff else None,
            *([] if index else beam_elements(piece)),
            _notations(sheet, piece, head, leads=not index),
            _lyric(lyrics) if lyrics else None,
            id=head.id,
        )


def rest_element(piece: Piece, duration: int, voice: int, staff: int | None) -> Element:
    """A written rest of so many divisions, a whole bar's where the piece has no value; hidden where it is not seen."""
    tuplet = tuplet_element(piece)
    return el(
        "note",
        el("rest", measure="yes" if piece.value is None else None),
        el("duration", duration),
        el("voice", voice),
        *written_value(piece, None),
        el("staff", staff) if staff else None,
        el("notations", tuplet) if tuplet is not None else None,
        print_object=None if piece.visible else "no",
    )


def written_value(piece: Piece, head: Head | None) -> Iterator[Element]:
    """Type, dots, accidental and tuplet ratio."""
    value = piece.value
    if value is None:
        return
    yield el("type", value.type)
    for _ in range(value.dots):
        yield el("dot")
    if head is not None and head.accidental:
        yield el("accidental", head.accidental, cautionary="yes" if head.courtesy else None)
    if value.actual > 1:
        yield el("time-modification", el("actual-notes", value.actual), el("normal-notes", value.normal))


def beam_elements(piece: Piece) -> Iterator[Element]:
    """The beams of a piece, from the first level."""
    for number, beam in enumerate(piece.beams, start=1):
        yield el("beam", beam, number=number)


def tuplet_element(piece: Piece) -> Element | None:
    """Where a tuplet begins or ends at a piece; None elsewhere."""
    if not piece.tuplet:
        return None
    bracket = None if piece.tuplet == "stop" else "no" if piece.beams else "yes"
    return el("tuplet", type=piece.tuplet, number=1, bracket=bracket)


def _notations(sheet: _Sheet, piece: Piece, head: Head, *, leads: bool) -> Element | None:
    tune = head.part == "tune" and not head.doubled
    breath = tune and piece.end == head.note.end and piece.end in sheet.breaths
    hold = tune and piece.end == head.note.end and head.note.start in sheet.holds
    content = [
        el("tied", type="stop") if head.tie_from else None,
        el("tied", type="start") if head.tie_to else None,
        tuplet_element(piece) if leads else None,
        _technical(piece, head),
        el("articulations", el("breath-mark")) if breath else None,
        el("fermata", type="upright") if hold else None,
    ]
    return el("notations", *content) if any(one is not None for one in content) else None


def _technical(piece: Piece, head: Head) -> Element | None:
    note = head.note
    if not note.finger or piece.start != note.start or head.doubled:
        return None
    if STAFF[note.limb] == PEDAL:
        if note.finger not in PEDAL_MARKS:
            return None
        placement = "below" if note.limb == "left foot" else "above"
        return el("technical", el(PEDAL_MARKS[note.finger], placement=placement))
    return el("technical", el("fingering", note.finger))


def _lyric(words: Sequence[Word]) -> Element:
    """The syllable under a note; several share it by an elision."""
    content: list[Element] = []
    for index, word in enumerate(words):
        if index:
            content.append(el("elision", "‿"))
        content += [el("syllabic", SYLLABIC[word.hyphen]), el("text", word.text)]
    if any(word.extend for word in words):
        content.append(el("extend"))
    return el("lyric", *content, number=1)
