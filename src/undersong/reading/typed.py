"""A hymn typed by hand: letters for notes, figures for lengths, one voice after another over the tune's rhythm.

The problem: an organist has a page and a keyboard for letters, and knows no notation language. She types what she
reads: the tune with its lengths, then each further voice as letters alone, since its notes mostly go with the tune's.

    c d e2       the length stays until another figure comes: 1 whole, 2 half, 4 quarter, 8 eighth, 6 sixteenth
    e. f8        a dot makes this note half as long again
    f# b- b=     sharp, flat, natural, as printed: the sign lasts to the end of the bar, the key's signs are known
    c' c,        an octave up, down; else each note is the one nearest to the note before
    r            a rest
    ~ ~8         the note before goes on (in the tune: by the present length; elsewhere: through the tune's next note)
    (e f)        elsewhere: these share the time of one note of the tune
    |            where a bar line is seen; checked, never needed

Words: syllables between blanks and hyphens, `_` where a syllable goes on over the next note. Symbols: bars between `|`;
one chord lasts the bar, several share it evenly, or take a beat each with `.` for a beat more of the one before.

Conventions: positions of slips count signs of the field from 0. Voices are named as everywhere; the first carries the
tune and the rhythm. Notes that cross a bar line are cut and tied.

References: none; the signs are those of common writing by hand where there are any.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from undersong.model.hymn import Hymn
from undersong.model.pitch import STEPS, Key, Pitch, PitchName
from undersong.model.symbol import parse_symbol
from undersong.model.text import Hyphen, Syllable, Text, Verse
from undersong.model.time import Time
from undersong.model.tune import Bar, Note, Symbol, Tune, Voice, show_beat

LENGTHS = {"1": Fraction(4), "2": Fraction(2), "4": Fraction(1), "8": Fraction(1, 2), "6": Fraction(1, 4)}
HOMES = {
    "tune": Pitch("B", 0, 4), "soprano": Pitch("B", 0, 4), "alto": Pitch("F", 0, 4), "tenor": Pitch("B", 0, 3),
    "bass": Pitch("E", 0, 3),
}  # fmt: skip
"""The first note of a voice is the one nearest to this (middle of each range: common practice, no source)."""
ALTERS = {"#": 1, "+": 1, "-": -1, "=": 0}
MOST_SIGNS = 6000
MOST_BARS = 400
LOWEST, HIGHEST = 24, 108


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed: names and texts of the voices (the tune first), a text of symbols, a text for each verse.

    `propose` says whether alto, tenor and bass are to be proposed where they are not typed; None: she has not said.
    """

    title: str = ""
    tune_name: str = ""
    key: str = "C major"
    time: str = "4/4"
    pickup: str = "0"
    voices: tuple[tuple[str, str], ...] = (("tune", ""),)
    symbols: str = ""
    words: tuple[str, ...] = ()
    propose: bool | None = False


@dataclass(frozen=True, slots=True)
class Slip:
    """Something that cannot be understood: in which field, at which sign, what, and whether it may be left so."""

    field: str
    at: int
    says: str
    small: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """The hymn as far as it was understood (None before the first note), and the slips in order."""

    hymn: Hymn | None
    slips: tuple[Slip, ...]


@dataclass(frozen=True, slots=True)
class _Frame:
    """Key, time and the length of the upbeat."""

    key: Key
    time: Time
    pickup: Fraction

    def bar_end(self, onset: Fraction) -> Fraction:
        """Where the bar ends in which a place lies."""
        full = self.time.bar_length
        if onset < self.pickup:
            return self.pickup
        return self.pickup + ((onset - self.pickup) // full + 1) * full

    def says(self, onset: Fraction) -> str:
        """`bar 3, beat 2`."""
        full = self.time.bar_length
        if onset < self.pickup:
            return "the pickup"
        bar, inside = divmod(onset - self.pickup, full)
        return f"bar {bar + 1}, beat {show_beat(inside / self.time.beat + 1)}"


def take(typed: Typed) -> Taken:
    """The hymn in what was typed."""
    frame, slips = _frame(typed)
    lead, *others = typed.voices
    tune, told = _read_voice(lead[0], lead[1], frame, None)
    slips += told
    if not tune:
        return Taken(None, tuple(slips))
    onsets = sorted({note.onset for note, _ in tune} | {tune[-1][0].end})
    voices = [Voice(lead[0], _printed(tune, frame))]
    for name, text in others:
        notes, told = _read_voice(name, text, frame, onsets)
        slips += told
        if notes:
            voices.append(Voice(name, _printed(notes, frame)))
    bars = _bars(frame, onsets[-1])
    bass = next((voice.notes for voice in voices[1:] if voice.name == "bass"), ())
    symbols, told = _read_symbols(typed.symbols, bars, frame, bass)
    slips += told
    struck = [note.onset for note, sounding in tune if sounding]
    verses = []
    for number, text in enumerate(typed.words, 1):
        if text.strip():
            syllables, told = _read_words(f"words-{number}", text, struck)
            slips += told
            verses.append(Verse(number, syllables))
    made = Tune(bars, tuple(voices), lead[0], symbols)
    return Taken(Hymn(typed.title.strip(), made, Text(tuple(verses)), typed.tune_name.strip()), tuple(slips))


def _frame(typed: Typed) -> tuple[_Frame, list[Slip]]:
    slips = []
    try:
        key = Key.parse(typed.key)
    except ValueError:
        key, slips = Key.parse("C"), [Slip("key", 0, f"{typed.key!r} is not a key such as Eb major or D minor")]
    try:
        time = Time.parse(typed.time)
        if not 0 < time.bar_length <= 8 or time.unit not in (1, 2, 4, 8, 16):
            raise ValueError(typed.time)  # noqa: TRY301
    except (ValueError, ZeroDivisionError):
        time = Time(4, 4)
        slips.append(Slip("time", 0, f"{typed.time!r} is not a time such as 3/4"))
    pickup = Fraction(0)
    if re.fullmatch(r"\d{1,2}(/[1-9]\d?|\.\d{1,2})?", typed.pickup.strip() or "0", re.ASCII):
        pickup = Fraction(typed.pickup.strip() or "0") * time.beat
    if pickup >= time.bar_length or pickup.denominator > 8:
        pickup = Fraction(0)
        slips.append(Slip("pickup", 0, "an upbeat is shorter than a bar: write its beats, such as 1 or 1/2"))
    return _Frame(key, time, pickup), slips


# -- voices ----------------------------------------------------------------------------------------------------------

Drawn = tuple[Note, bool]
"""A note as typed, with False for a rest."""


class _Pen:
    """Where a voice has come to."""

    def __init__(self, name: str, frame: _Frame, rhythm: Sequence[Fraction] | None) -> None:
        self.frame, self.rhythm = frame, rhythm
        self.place = Fraction(0)
        self.length = Fraction(frame.time.beat if not frame.time.compound else frame.time.beat / 3)
        self.last = HOMES.get(name, HOMES["tune"])
        self.signs: dict[tuple[str, int], int] = {}
        self.signs_end = Fraction(0)
        self.drawn: list[Drawn] = []
        self.slips: list[Slip] = []
        self.name = name

    def slip(self, at: int, says: str) -> None:
        self.slips.append(Slip(self.name, at, says))

    def step(self) -> Fraction:
        """How long a note without a figure lasts."""
        if self.rhythm is None:
            return self.length
        after = next((onset for onset in self.rhythm if onset > self.place), None)
        return after - self.place if after is not None else Fraction(0)

    def within(self, at: int, length: Fraction) -> Fraction:
        """As much of a length as the tune still lasts, with a word where that is less."""
        left = self.rhythm[-1] - self.place if self.rhythm else length
        if 0 < left < length:
            self.slip(at, "the tune ends before this note does")
        return min(length, max(left, Fraction(0)))

    def told(self, sign: re.Match[str]) -> Fraction:
        """The length that a sign tells, or the usual one; a figure of the tune stays."""
        length = LENGTHS[sign["length"]] if sign["length"] else self.step()
        if sign["length"] and self.rhythm is None:
            self.length = length
        return length * (2 - Fraction(1, 2 ** len(sign["dots"])))

    def pitch(self, letter: str, alter: int | None, octaves: int) -> Pitch:
        """The nearest note of that letter, with its sign, that of the bar or of the key."""
        if self.place >= self.signs_end:
            self.signs, self.signs_end = {}, self.frame.bar_end(self.place)
        place = 7 * self.last.octave + STEPS.index(self.last.step)
        away = (STEPS.index(letter) - STEPS.index(self.last.step) + 3) % 7 - 3
        octave = (place + away) // 7 + octaves
        if alter is None:
            alter = self.signs.get((letter, octave), signature(self.frame.key)[letter])
        else:
            self.signs[letter, octave] = alter
        self.last = Pitch(letter, alter, octave)
        return self.last


def signature(key: Key) -> dict[str, int]:
    """Each letter's sign in a key."""
    order = "FCGDAEB"
    count = key.fifths
    found = dict.fromkeys(order, 0)
    for index in range(abs(count)):
        letter = order[index % 7] if count > 0 else order[6 - index % 7]
        found[letter] += 1 if count > 0 else -1
    return found


NOTE = re.compile(r"(?P<letter>[A-Ga-gr])(?P<marks>[#+=\-',]*)(?P<length>[12468]?)(?P<dots>\.{0,2})")
HOLD = re.compile(r"~(?P<length>[12468]?)(?P<dots>\.{0,2})")
GROUP = re.compile(r"\(([^()]*)\)")


def _read_voice(
    name: str, text: str, frame: _Frame, rhythm: Sequence[Fraction] | None
) -> tuple[list[Drawn], list[Slip]]:
    pen, at = _Pen(name, frame, rhythm), 0
    text = text[:MOST_SIGNS]
    while at < len(text):
        sign = text[at]
        note, group, hold = NOTE.match(text, at), GROUP.match(text, at), HOLD.match(text, at)
        if sign.isspace():
            at += 1
        elif sign == "|":
            if pen.place and frame.bar_end(pen.place - Fraction(1, 64)) != pen.place:
                pen.slip(at, f"the bar line comes at {frame.says(pen.place)}: a length before it is not as printed")
            at += 1
        elif hold:
            _hold(pen, hold)
            at = hold.end()
        elif group and rhythm is not None:
            _share(pen, group[1], at + 1)
            at = group.end()
        elif note:
            _draw(pen, note, None)
            at = note.end()
        else:
            pen.slip(at, f"{sign!r} is no sign for a note; notes are a to g, r is a rest")
            at += 1
        if pen.place > MOST_BARS * frame.time.bar_length:
            pen.slip(at, f"this is longer than {MOST_BARS} bars")
            break
    return pen.drawn, pen.slips


def _draw(pen: _Pen, note: re.Match[str], length: Fraction | None) -> None:
    marks, letter = note["marks"], note["letter"].upper()
    length = pen.within(note.start(), length if length is not None else pen.told(note))
    if not length:
        pen.slip(note.start(), "the tune has no more notes: this one is over")
        return
    if letter == "R":
        pen.drawn.append((Note(pen.place, length, pen.last), False))
    else:
        signs = [ALTERS[sign] for sign in marks if sign in ALTERS]
        pitch = pen.pitch(letter, sum(signs) if signs else None, marks.count("'") - marks.count(","))
        if not LOWEST <= pitch.midi <= HIGHEST or abs(pitch.alter) > 2:
            pen.slip(note.start(), f"{pitch} lies where nobody sings")
            pen.last = HOMES.get(pen.name, HOMES["tune"])
            return
        pen.drawn.append((Note(pen.place, length, pitch), True))
    pen.place += length


def _hold(pen: _Pen, hold: re.Match[str]) -> None:
    """The note before goes on."""
    length = pen.within(hold.start(), pen.told(hold))
    if not pen.drawn or not length:
        pen.slip(hold.start(), "there is no note to go on" if not pen.drawn else "the tune has no more notes")
        return
    note, sounding = pen.drawn[-1]
    pen.drawn[-1] = (replace(note, length=note.length + length), sounding)
    pen.place += length


def _share(pen: _Pen, inside: str, start: int) -> None:
    """Several notes in the time of one of the tune's."""
    notes = list(NOTE.finditer(inside))
    left = NOTE.sub("", inside).strip()
    if not notes or left or any(note["length"] or note["dots"] for note in notes):
        pen.slip(start, "between brackets stand letters alone, two or more")
        return
    whole = pen.step()
    for note in notes:
        _draw(pen, note, whole / len(notes))


def _printed(drawn: Sequence[Drawn], frame: _Frame) -> tuple[Note, ...]:
    """Cut at bar lines, and tied over them; rests left out."""
    found = []
    for note, sounding in drawn:
        onset = note.onset
        while sounding and onset < note.end:
            end = min(note.end, frame.bar_end(onset))
            found.append(Note(onset, end - onset, note.pitch, tied=end < note.end))
            onset = end
    return tuple(found)


def _bars(frame: _Frame, end: Fraction) -> tuple[Bar, ...]:
    bars, onset, number = [], Fraction(0), 1
    if frame.pickup:
        bars.append(Bar("0", onset, frame.pickup, frame.time, frame.key, pickup=True))
        onset = frame.pickup
    while onset < end:
        full = frame.bar_end(onset) - onset
        last = onset + full >= end
        closing = frame.time.bar_length - frame.pickup  # with the upbeat the last bar makes a whole one
        length = max(end - onset, closing) if last and frame.pickup else full
        bars.append(Bar(str(number), onset, length, frame.time, frame.key))
        onset, number = onset + length, number + 1
    return tuple(bars)


# -- words and symbols -----------------------------------------------------------------------------------------------


def _read_words(field: str, text: str, struck: Sequence[Fraction]) -> tuple[tuple[Syllable, ...], list[Slip]]:
    found: list[Syllable] = []
    slips: list[Slip] = []
    note = 0
    for at, syllable, hyphen in _syllables(text[:MOST_SIGNS]):
        if note >= len(struck):
            slips.append(Slip(field, at, f"{syllable!r} and what follows has no note"))
            break
        if syllable != "_":
            found.append(Syllable(struck[note], syllable, hyphen))
        elif found:
            found[-1] = replace(found[-1], extend=True)
        note += 1
    if not slips and note < len(struck):
        left = len(struck) - note
        slips.append(
            Slip(field, len(text), f"{left} note{'s' if left > 1 else ''} still without a syllable", small=True)
        )
    return tuple(found), slips


def _syllables(text: str) -> Iterator[tuple[int, str, Hyphen]]:
    """Each syllable with its position and its place in the word; `_` for one that goes on."""
    for word in re.finditer(r"\S+", text):
        parts = list(re.finditer(r"_|[^-_]+", word[0]))
        sung = [index for index, part in enumerate(parts) if part[0] != "_"]
        for index, part in enumerate(parts):
            kind: Hyphen = "single"
            if len(sung) > 1 and part[0] != "_":
                kind = "begin" if index == sung[0] else "end" if index == sung[-1] else "middle"
            yield word.start() + part.start(), part[0], kind


def _read_symbols(
    text: str, bars: Sequence[Bar], frame: _Frame, bass: Sequence[Note]
) -> tuple[tuple[Symbol, ...], list[Slip]]:
    found: list[Symbol] = []
    slips: list[Slip] = []
    at = 0
    parts = text[:MOST_SIGNS].split("|") if text.strip() else []
    for index, part in enumerate(parts):
        if index < len(bars):
            found += _bar_of_symbols(part, at, bars[index], frame, slips, bass)
        elif part.strip():
            slips.append(Slip("symbols", at + len(part) - len(part.lstrip()), "the tune has no more bars"))
            break
        at += len(part) + 1
    return tuple(found), slips


def _bar_of_symbols(
    part: str, start: int, bar: Bar, frame: _Frame, slips: list[Slip], bass: Sequence[Note]
) -> Iterator[Symbol]:
    tokens = list(re.finditer(r"\S+", part))
    beats = max(1, bar.length // frame.time.beat)
    each = (
        bar.length / len(tokens) if tokens and beats % len(tokens) == 0 and "." not in part.split() else frame.time.beat
    )
    for count, token in enumerate(tokens):
        place = bar.onset + count * each
        if token[0] == ".":
            continue
        if place >= bar.end:
            slips.append(
                Slip("symbols", start + token.start(), f"{token[0]!r} is one chord too many in bar {bar.number}")
            )
            return
        try:
            chord = parse_symbol(token[0])
        except ValueError as fault:
            slips.append(Slip("symbols", start + token.start(), str(fault)))
            continue
        under = next((note.pitch for note in bass if note.onset <= place < note.end), None)
        if under is not None and chord.pitch_classes and under.midi % 12 not in chord.pitch_classes:
            says = f"{token[0]} does not hold the {under.name} that the bass has there"
            slips.append(Slip("symbols", start + token.start(), f"{says}: one of the two may be wrong", small=True))
        yield Symbol(place, chord, token[0])


# -- the other way: notes as they would be typed -------------------------------------------------------------------


def _pen_after(typed: Typed, voice: str) -> _Pen:
    """The pen of a voice where its text ends."""
    frame, _ = _frame(typed)
    lead = typed.voices[0]
    tune, _ = _read_voice(lead[0], lead[1], frame, None)
    rhythm = None if voice == lead[0] or not tune else sorted({note.onset for note, _ in tune} | {tune[-1][0].end})
    notes, _ = _read_voice(voice, dict(typed.voices).get(voice, ""), frame, rhythm)
    pen = _Pen(voice, frame, rhythm)
    if notes:
        pen.last, pen.place = notes[-1][0].pitch, notes[-1][0].end
        bar = frame.bar_end(pen.place)
        for note, sounding in notes:
            if sounding and frame.bar_end(note.onset) == bar:
                pen.signs[note.pitch.step, note.pitch.octave] = note.pitch.alter
        pen.signs_end = bar
    return pen


def _letter(pen: _Pen, pitch: Pitch) -> str:
    """A note as it would be typed where the pen stands, which then stands behind it."""
    near = pen.pitch(pitch.step, None, 0)
    away = pitch.octave - near.octave
    expected = pen.signs.get((pitch.step, pitch.octave), signature(pen.frame.key)[pitch.step])
    sign = (
        "" if expected == pitch.alter else {1: "#", -1: "-", 0: "="}.get(pitch.alter, "##" if pitch.alter > 0 else "--")
    )
    if sign:
        pen.signs[pitch.step, pitch.octave] = pitch.alter
    pen.last = pitch
    return pitch.step.lower() + sign + ("'" * away if away > 0 else "," * -away)


def letters_for(typed: Typed, voice: str, number: int) -> str:
    """How a key of a keyboard (MIDI number) is typed after what stands in a voice's field: `f#'`.

    Black keys are spelled as the key signature has them, else with
    third and seventh lowered, the first, fourth and fifth degree raised (common practice, no source).
    """
    pen = _pen_after(typed, voice)
    home = pen.frame.key.tonic.fifths
    names = (PitchName.from_fifths(fifths) for fifths in range(home - 3, home + 9))
    name = next(one for one in names if one.pitch_class == number % 12)
    return _letter(
        pen, Pitch(name.step, name.alter, (number - PitchName(name.step).pitch_class - name.alter) // 12 - 1)
    )


def written_out(typed: Typed, tune: Tune) -> Typed:
    """The fields with all that a tune's voices hold: what is typed stays, the rest is added, bar by bar."""
    voices = [typed.voices[0]]
    for name, text in typed.voices[1:]:
        voice = tune.voice(name)
        more = _rest_of(_pen_after(typed, name), voice.notes) if voice is not None else ""
        voices.append((name, f"{text.rstrip()} {more}".strip()))
    return replace(typed, voices=tuple(voices))


def _rest_of(pen: _Pen, notes: Sequence[Note]) -> str:
    words, tied = [], False
    for note in notes:
        if note.onset < pen.place or pen.rhythm is None:
            continue
        if note.onset > pen.place:
            words.append(_lengths(pen, "r", note.onset))
        words.append(_lengths(pen, "~" if tied else _letter(pen, note.pitch), note.end))
        tied = note.tied
        if pen.place == pen.frame.bar_end(note.onset):
            words.append("|")
    return " ".join(words).removesuffix("|").strip()


def _lengths(pen: _Pen, sign: str, end: Fraction) -> str:
    """A sign that lasts from the pen to a place: with the tune's notes, else by figures."""
    found = ""
    while pen.place < end:
        step = pen.step()
        if 0 < step <= end - pen.place:
            found += sign
        else:
            left = end - pen.place
            step, figure = max(((length, one) for one, length in LENGTHS.items() if length <= left), default=(left, ""))
            found += sign + figure
        pen.place += step
        sign = "~" if sign != "r" else "r"
    return found
