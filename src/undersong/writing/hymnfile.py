"""A clean copy of a hymn as MusicXML 4.0: what was read, and nothing else.

The musical problem: what comes from a scan, a download or an old program is untidy. After reading, the hymn is
known: its voices, bars, words, symbols, repeats. This page sets it out again as a hymn-book does, four parts on two
staves with two voices each, or the melody alone, so that any score editor opens it and our own reader finds the
same hymn in it.

Conventions: one part; staff 1 has soprano and alto (or the tune) as voices 1 and 2, staff 2 tenor and bass as voices
5 and 6. Everything that the model keeps and MusicXML can say is written; `docs/formats.md` lists the rest. Each
line of words has its verse in the name of the lyric (`verse 2`, `refrain`) and the time through in `time-only`. A
passage that one verse sings in another rhythm stands in small notes as a third voice of the tune's staff, with the
words of that verse. The same hymn gives the same bytes: no dates, nothing random.

References: W3C MusicXML 4.0 (June 2021), `score-partwise`; element order after its schema.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from undersong import __version__
from undersong.errors import CannotWrite
from undersong.model.accompaniment import Limb, PlacedBar, PlacedChord, PlayedNote, Tie
from undersong.model.hymn import Hymn
from undersong.model.pitch import MINOR_LIKE, Key
from undersong.model.text import Syllable, Verse
from undersong.model.tune import Bar, Note, Repeat, Symbol, Tune, walk
from undersong.writing.exchange import (
    CLEFS,
    DOCTYPE,
    SYLLABIC,
    Element,
    beam_elements,
    el,
    harmony,
    pace_element,
    rest_element,
    time_element,
    tuplet_element,
    written_value,
)
from undersong.writing.notation import (
    Clef,
    Head,
    Piece,
    WrittenBar,
    WrittenVoice,
    left_clef,
    set_voices,
    with_accidentals,
    xml_id,
)

STAVES: dict[tuple[str, ...], tuple[tuple[str, ...], ...]] = {
    ("soprano", "alto", "tenor", "bass"): (("soprano", "alto"), ("tenor", "bass")),
    ("soprano", "alto", "bass"): (("soprano", "alto"), ("bass",)),
    ("soprano", "alto", "tenor"): (("soprano", "alto"), ("tenor",)),
    ("soprano", "bass"): (("soprano",), ("bass",)),
    ("soprano", "alto"): (("soprano", "alto"),),
}
"""Which voices share a staff; any other choice of voices is set one to a staff."""

LIMBS: tuple[Limb, Limb] = ("right hand", "left hand")
JUMPS: dict[str, tuple[str, dict[str, str]]] = {
    "fine": ("Fine", {"fine": "yes"}),
    "dacapo": ("D.C.", {"dacapo": "yes"}),
    "dalsegno": ("D.S.", {"dalsegno": "segno"}),
    "tocoda": ("To Coda", {"tocoda": "coda"}),
}
"""Words of each jump and what its sound says."""
CONTINUED = re.compile(r"\d+[b-h]+")
"""Numbers of the second part of a divided bar."""
LABELLED = 99
"""Highest verse number that is printed before the first word."""


def hymn_file(hymn: Hymn) -> bytes:
    """Write a hymn as valid MusicXML 4.0, UTF-8.

    Raises CannotWrite, with the place, where a note crosses a bar line or a length has no written value.
    """
    if not hymn.tune.bars:
        raise CannotWrite("there is no music to write", remedy="Choose another hymn.")
    sheet = _sheet(hymn)
    score = el(
        "score-partwise",
        *_head(hymn),
        el("part-list", el("score-part", el("part-name", "Voices" if len(hymn.tune.voices) > 1 else "Tune"), id="P1")),
        el("part", *(_measure(sheet, index) for index in range(len(sheet.bars))), id="P1"),
        version="4.0",
    )
    return etree.tostring(score, xml_declaration=True, encoding="UTF-8", pretty_print=True, doctype=DOCTYPE)


def hymn_page(hymns: Sequence[Hymn]) -> bytes:
    """The only hymn of a reading as MusicXML; CannotWrite for several, since a score holds one."""
    if len(hymns) != 1:
        raise CannotWrite(
            f"{len(hymns)} hymns do not fit into one MusicXML file",
            remedy="Read one hymn at a time, or write a collection (.abc).",
        )
    return hymn_file(hymns[0])


# -- around the music --------------------------------------------------------------------------------------------


def _head(hymn: Hymn) -> Iterator[Element]:
    number = el("work-number", hymn.numbers[0]) if hymn.numbers else None
    yield el("work", number, el("work-title", hymn.title))
    people = [
        ("composer", hymn.composer), ("lyricist", hymn.text.author), ("translator", hymn.text.translator),
        ("arranger", hymn.arranger),
    ]  # fmt: skip
    fields = [
        ("tune-name", hymn.tune_name), ("metre", hymn.text.metre), *(("number", number) for number in hymn.numbers)
    ]  # fmt: skip
    named = [el("miscellaneous-field", text, name=name) for name, text in fields if text]
    yield el(
        "identification",
        *(el("creator", name, type=kind) for kind, name in people if name),
        el("rights", hymn.rights) if hymn.rights else None,
        el("rights", hymn.text.rights, type="words") if hymn.text.rights else None,
        el("encoding", el("software", f"Undersong {__version__}"),
           *(el("supports", element=name, type="yes") for name in ("accidental", "beam", "stem"))),
        el("miscellaneous", *named) if named else None,
    )  # fmt: skip


# -- gathering ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _LyricLine:
    """One printed line of words: its number on the page and its name."""

    number: int
    name: str


@dataclass(slots=True)
class _Sheet:
    """The page ready to be written bar by bar."""

    hymn: Hymn
    bars: tuple[WrittenBar, ...]
    clefs: tuple[Clef, ...]
    staves: tuple[tuple[str, ...], ...]
    divisions: int
    lyrics: dict[tuple[bool, Fraction], list[tuple[_LyricLine, Syllable, str]]]
    """By whether they stand under small notes, and onset: line, syllable, text to print."""
    cues: frozenset[str]
    """Ids of small notes."""
    graces: dict[tuple[str, Fraction], list[Note]]
    symbols: dict[int, list[Symbol]]
    repeats: dict[int, list[Repeat]]

    def ticks(self, length: Fraction) -> int:
        return int(length * self.divisions)

    def staff_number(self, staff: int) -> int | None:
        return staff + 1 if len(self.staves) > 1 else None


def _sheet(hymn: Hymn) -> _Sheet:
    tune = hymn.tune
    names = tuple(voice.name for voice in tune.voices)
    staves = STAVES.get(names) or tuple((name,) for name in names)
    placed = tuple(_placed(bar) for bar in tune.bars)
    by_voice = {voice.name: _by_bar(tune, voice.name, voice.notes) for voice in tune.voices}
    small = _by_bar(tune, "small", _small_notes(hymn))
    clefs = tuple(_clef(index, [note for name in staff for notes in by_voice[name].values() for note in notes])
                  for index, staff in enumerate(staves))  # fmt: skip
    home = next(index for index, staff in enumerate(staves) if tune.tune_voice.name in staff)
    bars = []
    for index, bar in enumerate(placed):
        written = []
        for number, staff in enumerate(staves):
            lines = [by_voice[name].get(index, []) for name in staff]
            if number == home and index in small:
                lines += [[]] * (2 - len(lines)) + [small[index]]
            written.append(_set(bar, lines, number, clefs[number], len(staff)))
        bars.append(WrittenBar(bar, tuple(written)))
    done = with_accidentals(bars)
    symbols: dict[int, list[Symbol]] = defaultdict(list)
    for symbol in sorted(tune.symbols, key=lambda one: (one.onset, one.passes)):
        symbols[tune.bar_at(symbol.onset)].append(symbol)
    repeats: dict[int, list[Repeat]] = defaultdict(list)
    for repeat in tune.repeats:
        repeats[repeat.bar].append(repeat)
    graces: dict[tuple[str, Fraction], list[Note]] = defaultdict(list)
    for voice in tune.voices:
        for note in voice.notes:
            if note.grace:
                graces[voice.name, note.onset].append(note)
    cues = {note_id(voice.name, note.onset) for voice in tune.voices for note in voice.notes if note.cue}
    cues |= {note.id for notes in small.values() for note in notes}
    return _Sheet(
        hymn, done, clefs, staves, _divisions(done, tune), _lyrics(hymn), frozenset(cues), graces, symbols, repeats
    )


def _set(
    bar: PlacedBar, lines: list[list[PlayedNote]], staff: int, clef: Clef, printed: int
) -> tuple[WrittenVoice, ...]:
    """The voices of a staff; a place kept for a second voice that the staff lacks is dropped again."""
    voices = set_voices(bar, lines, staff, ((bar.start, clef),))
    return tuple(voice for voice in voices if voice.number <= printed or voice.number > 2)


def _clef(staff: int, notes: list[PlayedNote]) -> Clef:
    if not staff:
        return "treble"
    return left_clef(notes)


def _placed(bar: Bar) -> PlacedBar:
    return PlacedBar(bar.number, 1, bar.onset, bar.length, bar.time, bar.key, bar.pickup, bar.double)


def note_id(voice: str, onset: Fraction) -> str:
    """The id of a voice's note on the page."""
    return xml_id(f"{voice}.{str(onset).replace('/', '_')}")


def _by_bar(tune: Tune, voice: str, notes: Sequence[Note]) -> dict[int, list[PlayedNote]]:
    """Notes of a voice by bar, as notes that can be set; CannotWrite where one crosses a bar line."""
    found: dict[int, list[PlayedNote]] = defaultdict(list)
    held = False
    limb = LIMBS[0 if voice in ("soprano", "alto", "tune") else 1]
    for note in notes:
        if note.grace:
            continue
        index = tune.bar_at(note.onset)
        if note.end > tune.bars[index].end or note.length <= 0:
            raise CannotWrite(
                f"{note.pitch} does not lie inside its bar",
                place=f"{tune.place(note.onset)}, {voice}",
                remedy="Tie it over the bar line.",
            )
        tie: Tie | None = ("both" if held else "start") if note.tied else "stop" if held else None
        held = note.tied
        found[index].append(
            PlayedNote(note_id(voice, note.onset), voice, note.onset, note.length, note.pitch, limb, "", tie)
        )
    return found


def _small_notes(hymn: Hymn) -> tuple[Note, ...]:
    """What single verses sing in another rhythm; where two verses differ from each other, the first is printed."""
    kept: list[Note] = []
    for verse in hymn.text.verses:
        for rhythm in verse.rhythms:
            if rhythm.voice != hymn.tune.tune_voice.name:
                continue
            free = all(note.end <= rhythm.onset or note.onset >= rhythm.end for note in kept)
            if free:
                kept.extend(rhythm.notes)
    return tuple(sorted(kept, key=lambda note: note.onset))


def _divisions(bars: Sequence[WrittenBar], tune: Tune) -> int:
    found = {1} | {symbol.onset.denominator for symbol in tune.symbols}
    for written in bars:
        found |= {written.bar.start.denominator, written.bar.length.denominator}
        for staff in written.staves:
            for voice in staff:
                for piece in voice.pieces:
                    found |= {piece.start.denominator, piece.length.denominator}
    return math.lcm(*found)


# -- words -------------------------------------------------------------------------------------------------------


def _lyrics(hymn: Hymn) -> dict[tuple[bool, Fraction], list[tuple[_LyricLine, Syllable, str]]]:
    """Every line of words with the place it is printed at; what a refrain shares is printed once."""
    placed: dict[tuple[bool, Fraction], list[tuple[_LyricLine, Syllable, str]]] = defaultdict(list)
    refrain = _refrain(hymn)
    visits: dict[int, set[int]] = defaultdict(set)
    for step in walk(hymn.tune):
        visits[step.index].add(step.times)
    number = 0
    for verse in hymn.text.verses:
        own = [one for one in verse.syllables if one not in refrain]
        turns = sorted({one.times for one in own}) or [0]
        if turns[0] == 0 and len(turns) > 1:
            turns = turns[1:]
        for turn in turns:
            number += 1
            line = _LyricLine(number, f"verse {verse.number}")
            here = [one for one in own if one.times == turn or (one.times == 0 and turn == turns[0])]
            label = len(hymn.text.verses) > 1 and turn == turns[0] and verse.number <= LABELLED
            _put(placed, line, here, f"{verse.number}. " if label else "", verse)
    if refrain:
        _put(placed, _LyricLine(1, "refrain"), refrain, "", None)
    return placed


def _put(
    placed: dict[tuple[bool, Fraction], list[tuple[_LyricLine, Syllable, str]]],
    line: _LyricLine,
    syllables: Iterable[Syllable],
    label: str,
    verse: Verse | None,
) -> None:
    for one in sorted(syllables, key=lambda one: one.onset):
        small = verse is not None and any(rhythm.onset <= one.onset < rhythm.end for rhythm in verse.rhythms)
        placed[small, one.onset].append((line, one, label + one.text))
        label = ""


def _refrain(hymn: Hymn) -> tuple[Syllable, ...]:
    """The syllables of the refrain if all verses share them and they are sung the same every time."""
    span, verses = hymn.text.refrain, hymn.text.verses
    if span is None or not verses:
        return ()
    inside = [tuple(one for one in verse.syllables if span[0] <= one.onset < span[1]) for verse in verses]
    shared = all(one == inside[0] for one in inside) and not any(one.times for one in inside[0])
    return inside[0] if shared else ()


def _lyric_elements(sheet: _Sheet, onset: Fraction, *, small: bool) -> Iterator[Element]:
    for line, syllable, text in sheet.lyrics.get((small, onset), ()):
        yield el(
            "lyric",
            el("syllabic", SYLLABIC[syllable.hyphen]),
            el("text", text),
            el("extend") if syllable.extend else None,
            number=line.number,
            name=line.name,
            time_only=syllable.times or None,
        )


# -- measures ----------------------------------------------------------------------------------------------------


def _measure(sheet: _Sheet, index: int) -> Element:
    written = sheet.bars[index]
    bar = written.bar
    uncounted = bar.number == "0" or CONTINUED.fullmatch(bar.number)
    measure = el("measure", number=bar.number or "0", implicit="yes" if uncounted else None)
    signs = sheet.repeats.get(index, [])
    _add(measure, _left_barline(signs))
    _add(measure, _attributes(sheet, index))
    if not index and sheet.hymn.tune.pace is not None:
        measure.append(pace_element(sheet.hymn.tune.pace))
    for sign in signs:
        if sign.kind in ("segno", "coda"):
            measure.append(_mark(sign.kind))
    _write_voices(measure, sheet, written)
    for sign in signs:
        if sign.kind in JUMPS:
            words, sound = JUMPS[sign.kind]
            measure.append(el("direction", el("direction-type", el("words", words)), el("sound", **sound),
                              placement="above"))  # fmt: skip
    _add(measure, _right_barline(signs, bar, last=index == len(sheet.bars) - 1))
    return measure


def _add(parent: Element, child: Element | None) -> None:
    if child is not None:
        parent.append(child)


def _mark(kind: str) -> Element:
    return el("direction", el("direction-type", el(kind)), el("sound", **{kind: kind}), placement="above")


def _numbers(sign: Repeat) -> str:
    return ",".join(str(number) for number in sign.numbers) or "1"


def _left_barline(signs: Sequence[Repeat]) -> Element | None:
    forward = any(sign.kind == "forward" for sign in signs)
    ending = next((sign for sign in signs if sign.kind == "ending-start"), None)
    if not forward and ending is None:
        return None
    return el(
        "barline",
        el("bar-style", "heavy-light") if forward else None,
        el("ending", number=_numbers(ending), type="start") if ending else None,
        el("repeat", direction="forward") if forward else None,
        location="left",
    )


def _right_barline(signs: Sequence[Repeat], bar: PlacedBar, *, last: bool) -> Element | None:
    backward = next((sign for sign in signs if sign.kind == "backward"), None)
    ending = next((sign for sign in signs if sign.kind == "ending-stop"), None)
    style = "light-heavy" if last or backward else "light-light" if bar.double else ""
    if not style and ending is None:
        return None
    times = backward.numbers[0] if backward is not None and backward.numbers else 2
    return el(
        "barline",
        el("bar-style", style) if style else None,
        el("ending", number=_numbers(ending), type="stop") if ending else None,
        el("repeat", direction="backward", times=times if times != 2 else None) if backward else None,
        location="right",
    )


def _attributes(sheet: _Sheet, index: int) -> Element | None:
    bars = sheet.hymn.tune.bars
    bar, before = bars[index], bars[index - 1] if index else None
    content: list[Element] = []
    if before is None:
        content.append(el("divisions", sheet.divisions))
    if before is None or before.key != bar.key:
        content.append(el("key", el("fifths", bar.key.fifths), el("mode", _mode(sheet.hymn.tune, bar.key))))
    if before is None or before.time != bar.time:
        content.append(time_element(bar.time))
    if before is None:
        if len(sheet.staves) > 1:
            content.append(el("staves", len(sheet.staves)))
        for staff, clef in enumerate(sheet.clefs):
            sign, line = CLEFS[clef]
            content.append(el("clef", el("sign", sign), el("line", line), number=sheet.staff_number(staff)))
    return el("attributes", *content) if content else None


def _mode(tune: Tune, key: Key) -> str:
    """The church mode under the signature of the last bar, else major or minor."""
    if tune.mode and key == tune.bars[-1].key:
        minor = tune.mode in MINOR_LIKE
        if minor == (key.mode == "minor"):
            return tune.mode
    return key.mode


# -- notes -------------------------------------------------------------------------------------------------------


def _write_voices(measure: Element, sheet: _Sheet, written: WrittenBar) -> None:
    here, leading = written.bar.start, True
    for staff, voices in enumerate(written.staves):
        for voice in voices:
            if here > written.bar.start:
                measure.append(el("backup", el("duration", sheet.ticks(here - written.bar.start))))
            here = _write_voice(measure, sheet, written, voice, staff, leading=leading)
            leading = False


def _write_voice(
    measure: Element, sheet: _Sheet, written: WrittenBar, voice: WrittenVoice, staff: int, *, leading: bool
) -> Fraction:
    pieces = list(voice.pieces)
    while len(pieces) > 1 and not pieces[-1].visible:
        pieces.pop()
    number, staff_number = voice.number + 4 * staff, sheet.staff_number(staff)
    symbols = sheet.symbols.get(sheet.hymn.tune.bar_at(written.bar.start), []) if leading else []
    starts = [symbol.onset for symbol in symbols]
    for piece in pieces:
        for symbol in symbols[bisect_left(starts, piece.start) : bisect_left(starts, piece.end)]:
            measure.append(_harmony(symbol, sheet.ticks(symbol.onset - piece.start)))
        if not piece.visible and (piece.value is None or piece.value.actual == 1):
            measure.append(el("forward", el("duration", sheet.ticks(piece.length)), el("voice", number),
                              el("staff", staff_number) if staff_number else None))  # fmt: skip
            continue
        measure.extend(_graces(sheet, piece, number, staff_number))
        measure.append(_note(sheet, piece, number, staff_number))
    return pieces[-1].end


def _harmony(symbol: Symbol, offset: int) -> Element:
    """A chord symbol with the text the page had, root and bass taken off."""
    chord = symbol.chord
    made = harmony(PlacedChord(symbol.onset, Fraction(0), chord), offset)
    kind = made.find("kind")
    if kind is None:
        return made
    text = symbol.text if chord.root is None else _kind_text(symbol)
    if text:
        kind.set("text", text)
    elif chord.root is not None and "text" in kind.attrib:
        del kind.attrib["text"]
    return made


def _kind_text(symbol: Symbol) -> str:
    chord, text = symbol.chord, symbol.text or symbol.chord.text
    root, bass = str(chord.root), f"/{chord.bass}" if chord.bass is not None else ""
    if not text.startswith(root):
        return ""
    rest = text[len(root) :]
    return rest.removesuffix(bass) if bass else rest


def _graces(sheet: _Sheet, piece: Piece, voice: int, staff: int | None) -> Iterator[Element]:
    if not piece.heads or not piece.first:
        return
    for note in sheet.graces.get((piece.heads[0].part, piece.start), ()):
        yield el(
            "note", el("grace"), _pitch_of(note), el("voice", voice), el("type", "eighth"),
            el("staff", staff) if staff else None,
        )  # fmt: skip


def _pitch_of(note: Note | PlayedNote) -> Element:
    pitch = note.pitch
    return el("pitch", el("step", pitch.step), el("alter", pitch.alter) if pitch.alter else None,
              el("octave", pitch.octave))  # fmt: skip


def _note(sheet: _Sheet, piece: Piece, voice: int, staff: int | None) -> Element:
    if not piece.heads:
        return rest_element(piece, sheet.ticks(piece.length), voice, staff)
    head = piece.heads[0]
    cue = head.note.id in sheet.cues
    small = head.part == "small"
    sung = small or head.part == sheet.hymn.tune.tune_voice.name
    return el(
        "note",
        el("cue") if cue else None,
        _pitch_of(head.note),
        el("duration", sheet.ticks(piece.length)),
        el("tie", type="stop") if head.tie_from and not cue else None,
        el("tie", type="start") if head.tie_to and not cue else None,
        el("voice", voice),
        *written_value(piece, head),
        el("stem", piece.stem) if piece.stem else None,
        el("staff", staff) if staff else None,
        *beam_elements(piece),
        _notations(sheet, piece, head),
        *(_lyric_elements(sheet, piece.start, small=small) if sung and piece.first else ()),
        id=head.id,
    )


def _notations(sheet: _Sheet, piece: Piece, head: Head) -> Element | None:
    tune = sheet.hymn.tune
    leads = head.part == tune.tune_voice.name
    breath = leads and piece.last and piece.end in tune.breaths
    hold = leads and piece.first and piece.start in tune.holds
    content = [
        el("tied", type="stop") if head.tie_from else None,
        el("tied", type="start") if head.tie_to else None,
        tuplet_element(piece),
        el("articulations", el("breath-mark")) if breath else None,
        el("fermata", type="upright") if hold else None,
    ]
    return el("notations", *content) if any(one is not None for one in content) else None
