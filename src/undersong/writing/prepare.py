"""The engraving copy: an exchange file bent to the engraving library, for the bench page.

Problem: the exchange file is a plain, complete score. The page at the bench wants less (no rehearsal
marks, no words about stops inside the music: the heading says them) and wants systems that break at
line ends without being cramped or empty. The library has habits of its own to be bent around.

Conventions: widths are in staff spaces (a quarter of a staff's height). Nothing here is handed out.
Note ids stay as they are.

References: MusicXML 4.0; rules P3, P6, P8 of the house; habits of the library observed in 6.4.1.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from lxml import etree

from undersong.errors import CannotEngrave
from undersong.writing.engraver import BRACE_MM, DOUBTFUL_SIGN, JOINED_SIGN, SHOWN_ONE, text_width
from undersong.writing.exchange import DOUBTFUL_ID
from undersong.writing.notation import TYPES

Element = etree._Element  # noqa: SLF001  # lxml has no public name for it

TOE, HEEL = "∧", "∪"
"""Signs that stand for toe and heel until `engraver` draws them; no music font of the library has them."""

LEDGER_LIMIT = 44
"""Staff places above C0 (E6): from here up a note has three ledger lines, and the tune is written an octave lower."""

SHIFT_FLOOR = 33
"""Staff places above C0 (A4): a staff with notes below this is not written an octave lower."""

NOTE_WIDTHS = (
    (Fraction(1, 4), 2.0),
    (Fraction(1, 2), 2.45),
    (Fraction(1), 3.4),
    (Fraction(3, 2), 4.2),
    (Fraction(2), 4.9),
)
"""Room one onset takes by the time to the next (quarter notes, staff spaces); measured on unjustified pages."""

LONG_NOTE = 6.2
ACCIDENTAL, BAR_ROOM, CLEF_ROOM, SIGN_ROOM = 1.1, 2.6, 5.5, 1.05
"""Room of an accidental, of a bar line with its surroundings, of clef and time, of each sharp or flat of the key."""

CRAMPED, COMFORT, LOOSE = 1.16, 0.85, 0.5
"""How full a system is at most, at best, and at least, as a share of its width. Estimates are 5 to 20 % wider than
the library's own (measured on seven invented verses), so a little more than full is still legible."""

FULL = 22.0
"""How fast a system's cost grows beyond comfort: words of two lines at 1.07 touch bar lines, at 1.02 they do not
(looked at on printed pages); there two systems become cheaper than one."""

BREAK_INSIDE, RAGGED = 1.5, 3.0
"""Costs beside a system's own 1: to break inside a line, and to put a broken line's rest beside another line."""


@dataclass(frozen=True, slots=True)
class PageSize:
    """Width of a system (with its brace) and height of a five-line staff in mm, size of the words in points."""

    width_mm: float
    staff_mm: float
    words_pt: float

    @property
    def spaces(self) -> float:
        """Width of a system in staff spaces, less the brace."""
        return (self.width_mm - BRACE_MM) * 4 / self.staff_mm

    @property
    def word_em(self) -> float:
        """Height of the words' type in staff spaces."""
        return self.words_pt * 25.4 / 72 * 4 / self.staff_mm


def prepare(
    exchange: bytes, size: PageSize, *, lines: Sequence[Fraction] = (), marks: Mapping[str, str] | None = None
) -> str:
    """The engraving copy of one section's exchange file, as text.

    `lines` are the starts of lines in quarter notes from the section's beginning; without them the file's own system
    breaks count. `marks` are short texts to be set at notes, by note id. CannotEngrave if the file is not a score.
    """
    parser = etree.XMLParser(load_dtd=False, no_network=True, resolve_entities=False, remove_blank_text=True)
    try:
        score = etree.fromstring(exchange, parser)
    except etree.XMLSyntaxError as error:
        raise CannotEngrave(f"the exchange file is not well formed ({error})") from error
    if score.tag != "score-partwise" or not score.findall("part/measure"):
        raise CannotEngrave("the exchange file holds no music")
    _drop_names(score)
    _drop_silent_pedal(score)
    _drop_directions(score)
    for note in score.iter("note"):
        _join_fingering(note)
    for harmony in score.iter("harmony"):
        _plain_symbol(harmony)
        _doubtful(harmony)
    _write_lower(score)
    _set_marks(score, marks or {})
    _break_systems(score, size, lines)
    for part in score.findall("part"):
        _clefs_last(part)
    for lyric in score.iter("lyric"):
        _join_syllable(lyric)
    return etree.tostring(score, encoding="unicode")


# ------------------------------------------------------------------------------------ what the page does not say


def _drop_names(score: Element) -> None:
    """No titles (the heading has them), no part names, no groups: a group hides the brace of the two staves."""
    for tag in ("work", "movement-title", "movement-number", "identification", "defaults", "credit"):
        for element in score.findall(tag):
            score.remove(element)
    part_list = score.find("part-list")
    if part_list is None:
        return
    for group in part_list.findall("part-group"):
        part_list.remove(group)
    for name in part_list.findall("score-part/part-name"):
        name.text = ""
    for part in part_list.findall("score-part"):
        for tag in ("part-name-display", "part-abbreviation", "part-abbreviation-display"):
            for element in part.findall(tag):
                part.remove(element)


def _drop_silent_pedal(score: Element) -> None:
    """No staff for feet that have nothing to play."""
    for part in score.findall("part")[1:]:
        if part.find("measure/note/pitch") is None:
            score.remove(part)
            for listing in score.findall("part-list"):
                for listed in listing.findall("score-part"):
                    if listed.get("id") == part.get("id"):
                        listing.remove(listed)


KEPT_DIRECTIONS = frozenset({"octave-shift"})


def _drop_directions(score: Element) -> None:
    """No rehearsal marks, dynamics, tempo or words on the bench page (P6); the heading carries what she needs."""
    for measure in score.iter("measure"):
        for direction in measure.findall("direction"):
            kinds = {str(kind.tag) for held in direction.findall("direction-type") for kind in held}
            if not kinds & KEPT_DIRECTIONS:
                measure.remove(direction)
        for sound in measure.findall("sound"):
            measure.remove(sound)


def _join_fingering(note: Element) -> None:
    """Toe, heel and substitutions become one fingering each: else they are stacked, toe and heel not drawn at all."""
    for technical in note.findall("notations/technical"):
        feet = [child for child in technical if child.tag in ("toe", "heel")]
        fingers = technical.findall("fingering")
        for held, sign in ((feet, "-"), (fingers, "–")):
            if not held or (held is fingers and len(held) == 1):
                continue
            texts = [{"toe": TOE, "heel": HEEL}.get(str(one.tag), one.text or "") for one in held]
            joined = etree.Element("fingering")
            joined.text = sign.join(texts)
            placement = held[0].get("placement")
            if placement:
                joined.set("placement", placement)
            technical.insert(technical.index(held[0]), joined)
            for one in held:
                technical.remove(one)


def _plain_symbol(harmony: Element) -> None:
    """Where a symbol's text stands, degrees would be printed besides."""
    kind = harmony.find("kind")
    if kind is not None and kind.get("text") is not None:
        for degree in harmony.findall("degree"):
            harmony.remove(degree)


def _doubtful(harmony: Element) -> None:
    """The engraver drops ids of chord symbols; a sign without width after the root tells `engraver.finish`."""
    step = harmony.find("root/root-step")
    if step is not None and DOUBTFUL_ID in harmony.get("id", ""):
        step.set("text", f"{step.get('text', step.text or '')}{DOUBTFUL_SIGN}")


def _join_syllable(lyric: Element) -> None:
    """A sign after a syllable whose word goes on tells `engraver.finish`, which sets syllables apart."""
    texts = lyric.findall("text")
    if texts and lyric.findall("syllabic")[-1:] and lyric.findall("syllabic")[-1].text in ("begin", "middle"):
        texts[-1].text = f"{texts[-1].text or ''}{JOINED_SIGN}"


# --------------------------------------------------------------------------------------- a tune that lies high


def _place(note: Element) -> int | None:
    step, octave = note.findtext("pitch/step"), note.findtext("pitch/octave")
    if step is None or octave is None:
        return None
    return 7 * int(octave) + "CDEFGAB".index(step)


def _write_lower(score: Element) -> None:
    """Set `8va` over the upper staff for the whole verse when the tune would climb beyond two ledger lines.

    Pitches stay as they sound, as MusicXML has it. One sign for the whole verse reads more easily than several.
    """
    part = score.find("part")
    assert part is not None
    if part.find(".//octave-shift") is not None:
        return
    notes = [note for note in part.iter("note") if note.findtext("staff", "1") == "1"]
    places = [place for note in notes if (place := _place(note)) is not None]
    if not places or max(places) < LEDGER_LIMIT or min(places) < SHIFT_FLOOR:
        return
    first, last = part[0], part[-1]
    begin = next(child for child in first if child.tag == "note")
    begin.addprevious(_octave_sign("down"))
    ends = [note for note in last.findall("note") if note.findtext("staff", "1") == "1"]
    (ends[-1] if ends else last[-1]).addnext(_octave_sign("stop"))


def _octave_sign(kind: str) -> Element:
    direction = etree.Element("direction", placement="above")
    held = etree.SubElement(direction, "direction-type")
    etree.SubElement(held, "octave-shift", type=kind, size="8", number="1")
    etree.SubElement(direction, "staff").text = "1"
    return direction


def _set_marks(score: Element, marks: Mapping[str, str]) -> None:
    """Set a short text at each marked note: over an upper staff, under a lower one and the pedal."""
    for note in score.iter("note"):
        text = marks.get(note.get("id", ""))
        if text is None:
            continue
        while note.find("chord") is not None:  # a direction may not stand inside a chord
            before = note.getprevious()
            if before is None or before.tag != "note":
                break
            note = before  # noqa: PLW2901
        upper = note.findtext("staff") == "1"
        direction = etree.Element("direction", placement="above" if upper else "below")
        held = etree.SubElement(direction, "direction-type")
        words = etree.SubElement(held, "words")
        words.set("font-style", "italic")
        words.text = text
        if note.findtext("staff"):
            etree.SubElement(direction, "staff").text = note.findtext("staff")
        note.addprevious(direction)


# ------------------------------------------------------------------------------------------- where systems break


def _break_systems(score: Element, size: PageSize, lines: Sequence[Fraction]) -> None:
    parts = score.findall("part")
    whole = list(zip(*(part.findall("measure") for part in parts), strict=False))
    bars = _measure_bars(whole, size)
    columns, divided = _divide(whole, bars, lines)
    if divided:
        bars = _measure_bars(columns, size)
    starts = _line_starts(columns, bars, lines)
    chosen = choose_breaks([bar.width for bar in bars], starts, size.spaces - _head_room(columns[0][0]))
    for index, column in enumerate(columns):
        original = divided.get(index)
        for number, measure in enumerate(column):
            if original and index in chosen:  # the bar stands in two halves, one on each system
                before = columns[index - 1][number]
                parts[number].replace(original[number], before)
                before.addnext(measure)
            for old in measure.findall("print"):
                measure.remove(old)
            if index in chosen:
                measure.insert(0, etree.Element("print", {"new-system": "yes"}))
                _show_number(measure)


def _clefs_last(part: Element) -> None:
    """Let a clef at a bar's beginning stand after everything in its staff's bar before.

    The library moves such a clef to the end of a voice of the bar before, however early that voice ends; so there
    every voice is filled to the bar line with a rest that is not seen.
    """
    divisions, before = 1, None
    for measure in part.findall("measure"):
        divisions = int(measure.findtext("attributes/divisions", str(divisions)))
        staves = _lead_with_clefs(measure, divisions)
        if before is not None:
            for staff in staves:
                _fill_voices(before, staff, divisions)
        before = measure


def _lead_with_clefs(measure: Element, divisions: int) -> list[str]:
    """Staves whose clef changes with the bar; such clefs are brought before every note."""
    found = [
        (clef, child)
        for at, _, child in _events(measure, divisions)
        if child.tag == "attributes" and not at
        for clef in child.findall("clef")
    ]
    first = measure.find("attributes")
    note = measure.find("note")
    if found and (first is None or (note is not None and measure.index(first) > measure.index(note))):
        first = etree.Element("attributes")
        place = measure.find("print")
        measure.insert(0 if place is None else measure.index(place) + 1, first)
    for clef, child in found:
        assert first is not None
        if child is not first:
            first.append(clef)
            if not len(child):
                measure.remove(child)
    return [clef.get("number", "1") for clef, _ in found]


def _fill_voices(measure: Element, staff: str, divisions: int) -> None:
    ends: dict[str | None, Fraction] = {}
    now = length = Fraction(0)
    for at, lasts, child in _events(measure, divisions):
        now = at
        if child.tag == "note":
            now = at + lasts
            length = max(length, now)
            if child.findtext("staff", "1") == staff:
                ends[child.findtext("voice")] = max(ends.get(child.findtext("voice"), now), now)
    last = measure.find("barline[@location='right']")
    for voice, end in ends.items():
        if end == length:
            continue
        filled: list[Element] = []
        if end != now:
            step = etree.Element("forward" if end > now else "backup")
            etree.SubElement(step, "duration").text = str(abs(end - now) * divisions)
            filled.append(step)
        filled.extend(_unseen_rests(length - end, voice, staff, divisions))
        for element in filled:
            if last is None:
                measure.append(element)
            else:
                last.addprevious(element)
        now = length


def _unseen_rests(length: Fraction, voice: str | None, staff: str, divisions: int) -> Iterator[Element]:
    """Rests of undotted values that fill `length`, the shortest first; one without a value would count as a bar."""
    found: list[tuple[Fraction, str]] = []
    for value, name in TYPES.items():
        while value <= length and (value * divisions).denominator == 1:
            found.append((value, name))
            length -= value
    for value, name in reversed(found):
        rest = etree.Element("note", {"print-object": "no"})
        etree.SubElement(rest, "rest")
        etree.SubElement(rest, "duration").text = str(value * divisions)
        if voice is not None:
            etree.SubElement(rest, "voice").text = voice
        etree.SubElement(rest, "type").text = name
        etree.SubElement(rest, "staff").text = staff
        yield rest


Column = Sequence[Element]


def _divide(
    whole: Sequence[Column], bars: Sequence[_Bar], lines: Sequence[Fraction]
) -> tuple[list[Column], dict[int, Column]]:
    """Columns of bars in which a bar is halved where a line of text begins inside it, if nothing sounds across.

    Returns the columns and, by the index of each second half, the column it came from.
    """
    columns: list[Column] = []
    divided: dict[int, Column] = {}
    divisions = [int(measure.findtext("attributes/divisions", "1")) for measure in whole[0]]
    for column, bar in zip(whole, bars, strict=True):
        inside = [line - bar.start for line in lines if bar.start < line < bar.start + bar.length]
        if inside and all(_parts_at(measure, inside[0], div) for measure, div in zip(column, divisions, strict=True)):
            halves = [_halves(measure, inside[0], div) for measure, div in zip(column, divisions, strict=True)]
            columns.append([half[0] for half in halves])
            divided[len(columns)] = column
            columns.append([half[1] for half in halves])
        else:
            columns.append(column)
    return columns, divided


def _events(measure: Element, divisions: int) -> Iterator[tuple[Fraction, Fraction, Element]]:
    """Where each child stands in the bar and how long it lasts, in quarter notes; no backups and forwards."""
    now = before = Fraction(0)
    for child in measure:
        length = Fraction(int(child.findtext("duration", "0")), divisions)
        if child.tag == "backup":
            now -= length
        elif child.tag == "forward":
            now += length
        elif child.tag == "note" and child.find("chord") is not None:
            yield before, length, child
        else:
            yield now, length, child
            if child.tag == "note":
                before, now = now, now + length


def _parts_at(measure: Element, offset: Fraction, divisions: int) -> bool:
    """True when no note or rest lasts across that place."""
    return not any(at < offset < at + length for at, length, _ in _events(measure, divisions))


def _halves(measure: Element, offset: Fraction, divisions: int) -> tuple[Element, Element]:
    """Two copies that hold what stands before and after `offset`; the first has no bar line."""
    first, second = (etree.Element("measure", {"number": measure.get("number", "")}) for _ in range(2))
    if measure.get("implicit"):  # of the first half only: the second's number is to stand at the new system's start
        first.set("implicit", "yes")
    second.set("number", second_half(measure.get("number", "")))
    reached = {first: Fraction(0), second: Fraction(0)}
    for at, length, child in _events(measure, divisions):
        late = at >= offset or (child.tag == "barline" and child.get("location") != "left")
        half, place = (second, at - offset) if late else (first, at)
        copied = deepcopy(child)
        if child.tag == "note" and child.find("chord") is not None:
            half.append(copied)
            continue
        if child.tag in ("note", "harmony", "direction", "attributes") and place != reached[half]:
            step = place - reached[half]
            moved = etree.SubElement(half, "forward" if step > 0 else "backup")
            etree.SubElement(moved, "duration").text = str(abs(step) * divisions)
            reached[half] = place
        half.append(copied)
        reached[half] += length
    _mend_beams(first, second)
    _restate_accidentals(first, second)
    edge = etree.SubElement(first, "barline", location="right")
    etree.SubElement(edge, "bar-style").text = "none"
    return first, second


def _show_number(measure: Element) -> None:
    """Have the bar's number drawn: the library leaves out those of bars that do not count, and every 1."""
    measure.attrib.pop("implicit", "")
    if measure.get("number") == "1":
        measure.set("number", f"1{SHOWN_ONE}")


def second_half(number: str) -> str:
    """The number of a bar's second half: `4b` for bar 4, `4c` where the bar is a half itself; an upbeat keeps its 0."""
    if number.isdigit():
        return f"{number}b" if int(number) else number
    return number[:-1] + chr(ord(number[-1]) + 1) if number[-1:] in tuple("abcdefgh") else number


def _mend_beams(first: Element, second: Element) -> None:
    """Beams end before the break and begin after it."""
    levels = {(note.findtext("voice"), beam.get("number")) for note in first.iter("note") for beam in note.iter("beam")}
    for voice, level in levels:
        left, right = (
            [
                beam
                for note in half.findall("note")
                if note.findtext("voice") == voice
                for beam in note.findall("beam")
                if beam.get("number") == level
            ]
            for half in (first, second)
        )
        if not left or left[-1].text not in ("begin", "continue"):
            continue
        for beam, alone, joined in ((left[-1], "begin", "end"), *((one, "end", "begin") for one in right[:1])):
            if beam.text == alone:
                note = beam.getparent()
                assert note is not None
                note.remove(beam)
            else:
                beam.text = joined


def _restate_accidentals(first: Element, second: Element) -> None:
    """An accidental that holds from the first half is printed again after the break."""
    held: dict[tuple[str | None, ...], tuple[str | None, str | None]] = {}
    for note in first.findall("note"):
        accidental = note.find("accidental")
        if accidental is not None:
            held[_key_of(note)] = (note.findtext("pitch/alter", "0"), accidental.text)
    for note in second.findall("note"):
        alter, text = held.pop(_key_of(note), (None, None))
        if text is None or note.find("accidental") is not None or note.findtext("pitch/alter", "0") != alter:
            continue
        before = [child for child in note if child.tag in ("type", "dot")]
        if before and not note.findall("tie[@type='stop']"):
            again = etree.Element("accidental")
            again.text = text
            before[-1].addnext(again)


def _key_of(note: Element) -> tuple[str | None, ...]:
    return note.findtext("staff"), note.findtext("pitch/step"), note.findtext("pitch/octave")


@dataclass(frozen=True, slots=True)
class _Bar:
    start: Fraction
    length: Fraction
    width: float


def _line_starts(columns: Sequence[Sequence[Element]], bars: Sequence[_Bar], lines: Sequence[Fraction]) -> set[int]:
    """Bars with which a line begins; a line that begins late in a bar belongs to the next one."""
    if not lines:
        asked = {i for i, column in enumerate(columns) if column[0].find("print[@new-system='yes']") is not None}
        return asked - {0}
    starts = set()
    for line in lines:
        nearest = min(range(len(bars)), key=lambda index: (abs(bars[index].start - line), index))
        starts.add(nearest)
    return starts - {0}


def _head_room(measure: Element) -> float:
    fifths = int(measure.findtext("attributes/key/fifths", "0"))
    return CLEF_ROOM + SIGN_ROOM * abs(fifths)


def _measure_bars(columns: Sequence[Sequence[Element]], size: PageSize) -> list[_Bar]:
    bars, start, divisions = [], Fraction(0), [1] * len(columns[0])
    for column in columns:
        onsets: dict[Fraction, bool] = {}
        words: list[tuple[Fraction, Fraction, str, bool]] = []
        length = Fraction(0)
        for index, measure in enumerate(column):
            divisions[index] = int(measure.findtext("attributes/divisions", str(divisions[index])))
            length = max(length, _look(measure, divisions[index], onsets, words))
        bars.append(_Bar(start, length, _width(onsets, words, length, size)))
        start += length
    return bars


def _look(
    measure: Element, divisions: int, onsets: dict[Fraction, bool], words: list[tuple[Fraction, Fraction, str, bool]]
) -> Fraction:
    """Gather onsets (with or without an accidental) and words of a bar; return how far it reaches."""
    reach = Fraction(0)
    for at, length, child in _events(measure, divisions):
        if child.tag != "note" or child.find("grace") is not None:
            continue
        onsets[at] = onsets.get(at, False) or child.find("accidental") is not None
        text = child.findtext("lyric/text")
        if text:
            words.append((at, at + length, text, child.findtext("lyric/syllabic") in ("begin", "middle")))
        reach = max(reach, at + length)
    return reach


def _width(
    onsets: Mapping[Fraction, bool],
    words: Sequence[tuple[Fraction, Fraction, str, bool]],
    length: Fraction,
    size: PageSize,
) -> float:
    """Least comfortable width of a bar in staff spaces: the notes, or the syllables where those are wider."""
    edges = sorted({at for at in onsets if at < length} | {length})
    rooms = {
        at: next((room for limit, room in NOTE_WIDTHS if after - at <= limit), LONG_NOTE) + ACCIDENTAL * onsets[at]
        for at, after in pairwise(edges)
        if at in onsets
    }
    total = sum(rooms.values()) + BAR_ROOM
    for start, end, text, joined in words:
        notes = sum(room for at, room in rooms.items() if start <= at < end)
        total += max(0.0, text_width(text) * size.word_em + (1.6 if joined else 0.9) - notes)
    return total


def choose_breaks(widths: Sequence[float], starts: set[int], room: float) -> set[int]:
    """Bars that begin a system (bar 0 left out), given each bar's least width and the bars that begin a line.

    Systems break at line ends. A line too long for a system is broken inside into even parts; short lines share a
    system when both fit comfortably. Chosen over the whole verse at once by least cost (dynamic programming).
    """
    count = len(widths)
    best: list[tuple[float, int]] = [(0.0, 0)] + [(float("inf"), 0)] * count
    for end in range(1, count + 1):
        broken = end < count and end not in starts
        for begin in range(end):
            fill = sum(widths[begin:end]) / room
            if fill > CRAMPED and end - begin > 1:
                continue
            ragged = (broken or begin not in starts | {0}) and any(begin < start < end for start in starts)
            cost = best[begin][0] + _system_cost(fill) + BREAK_INSIDE * broken + RAGGED * ragged
            if cost < best[end][0] - 1e-9:
                best[end] = (cost, begin)
    breaks, at = set(), count
    while at:
        at = best[at][1]
        breaks.add(at)
    return breaks - {0}


def _system_cost(fill: float) -> float:
    """One for the system itself (paper), more for a loose or a full one."""
    if fill < LOOSE:
        return 1.0 + 8 * (LOOSE - fill) + 1.0 * (COMFORT - LOOSE) ** 2
    return 1.0 + (FULL if fill > COMFORT else 1.0) * (fill - COMFORT) ** 2
