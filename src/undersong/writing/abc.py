"""A hymn as an ABC 2.1 text: tune or four voices, chord symbols, verses under the notes.

What is written is what stands on the page: bars once each, repeats and endings as printed, one line of music for
each line of the text. Reading it back gives the same hymn, as far as ABC has a place for it; what it has none for
is listed in `docs/formats.md`.

Conventions: the unit is a quarter note. An accidental is written wherever one of the two ways of counting them (in
the octave or in all) would not supply it, so that every reader hears the same note. Words about the tune that have no
field of their own are written as `N:name: value`. Verses are `w:` lines below each line of music, a verse's times
through a repeat one after the other, its number before its first word.

References: ABC standard 2.1, sections 3 (fields), 4 (music), 5 (lyrics), 7 (voices).
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from undersong.model.hymn import Hymn
from undersong.model.pitch import Key, Pitch, PitchName
from undersong.model.symbol import parse_symbol, symbol
from undersong.model.text import Syllable, Verse
from undersong.model.time import Pace, Time
from undersong.model.tune import Bar, Line, Note, Repeat, Symbol, Tune, Voice, walk

VOICES = {
    "soprano": ("S", "treble"), "alto": ("A", "treble"), "tenor": ("T", "bass"), "bass": ("B", "bass"),
}  # fmt: skip
"""Name in V: and clef of each voice of a hymn."""
_VERSION = "%abc-2.1"
_SIGNS = {2: "^^", 1: "^", 0: "=", -1: "_", -2: "__"}
_BEFORE_BAR = {"segno": "!segno!", "coda": "!coda!"}
_AFTER_BAR = {"fine": "!fine!", "tocoda": "!dacoda!", "dacapo": "!D.C.!", "dalsegno": "!D.S.!"}
MODES = {"lydian": 1, "mixolydian": -1, "dorian": -2, "phrygian": -4, "locrian": -5}
"""Place of a church mode's signature on the line of fifths beside major on the same tonic."""
TUPLETS = {3: 2, 5: 4, 7: 4, 9: 8}
"""Notes of a tuplet in the time of how many."""


def abc_file(hymn: Hymn) -> bytes:
    """The hymn as an ABC file with one tune, in UTF-8."""
    return "\n".join([*_header(hymn), *_body(hymn), ""]).encode()


def abc_book(hymns: Sequence[Hymn]) -> bytes:
    """Several hymns as one ABC file, in order."""
    texts = [abc_file(hymn).decode().removeprefix(f"{_VERSION}\n") for hymn in hymns]
    return "\n".join([_VERSION, *texts]).encode()


# -- header ----------------------------------------------------------------------------------------


def _header(hymn: Hymn) -> list[str]:
    tune, text = hymn.tune, hymn.text
    first = tune.bars[0]
    plain = [number for number in hymn.numbers if re.fullmatch(r"[1-9]\d{0,8}", number)]
    alone = len(hymn.numbers) == 1 and bool(plain)
    told = (
        ("tune", hymn.tune_name),
        ("metre", text.metre),
        *(("number", number) for number in (() if alone else hymn.numbers or ("none",))),
        ("words", text.author),
        ("translator", text.translator),
        ("arranger", hymn.arranger),
        ("rights", hymn.rights),
        ("rights of the words", text.rights),
    )
    return [
        _VERSION,
        f"X:{plain[0] if plain else 1}",
        f"T:{_string(hymn.title)}",
        *([f"C:{_string(hymn.composer)}"] if hymn.composer else []),
        *(f"N:{name}: {_string(value)}" for name, value in told if value),
        f"M:{_time(first.time)}",
        "L:1/4",
        *([f"Q:{_pace(tune.pace)}"] if tune.pace is not None else []),
        *(_voice_line(voice) for voice in tune.voices if len(tune.voices) > 1),
        f"K:{_key(tune, first.key)}",
    ]


def _string(text: str) -> str:
    """A text string on one line, with the signs escaped that ABC would read."""
    one_line = " ".join(text.split()).replace("\\", "\\\\").replace("%", "\\%")
    return re.sub(r"&(?=#?\w+;)", r"\\&", one_line)


def _time(time: Time) -> str:
    return str(time) if time.beats else "none"


def _key(tune: Tune, key: Key) -> str:
    """`G`, `Em`; the mode by name where the tune closes in this key under a church mode."""
    if tune.mode in MODES and tune.bars[-1].key == key:
        return f"{PitchName.from_fifths(key.fifths - MODES[tune.mode])}{tune.mode[:3]}"
    return f"{key.tonic}{'m' if key.mode == 'minor' else ''}"


def _pace(pace: Pace) -> str:
    minute = pace.beats_per_minute
    count = str(minute) if minute.denominator == 1 else f"{float(minute):.3f}".rstrip("0")
    beat = pace.beat / 4
    return f"{beat.numerator}/{beat.denominator}={count}"


def _voice_line(voice: Voice) -> str:
    short, clef = VOICES.get(voice.name, (voice.name[:8] or "V", "treble"))
    return f'V:{short} name="{voice.name}" clef={clef}'


# -- lines -----------------------------------------------------------------------------------------


def _body(hymn: Hymn) -> list[str]:
    tune = hymn.tune
    several = len(tune.voices) > 1
    edges = _edges(tune.lines, tune.length)
    writers = [_VoiceWriter(tune, voice) for voice in tune.voices]
    for writer in writers:
        writer.write(edges)
    words = _Words(hymn)
    lines: list[str] = []
    for start, end in pairwise(edges):
        for writer in writers:
            music = writer.lines.get(start)
            if not music:
                continue
            short = VOICES.get(writer.voice.name, (writer.voice.name[:8] or "V", ""))[0]
            lines.append(f"[V:{short}] {music}" if several else music)
            if writer.voice.name == tune.melody:
                lines.extend(words.under(start, end))
    return lines


def _between(places: Sequence[Fraction], start: Fraction, end: Fraction) -> Sequence[Fraction]:
    """Those of rising places from start to before end."""
    return places[bisect_left(places, start) : bisect_left(places, end)]


def _edges(lines: Sequence[Line], length: Fraction) -> list[Fraction]:
    """Where lines of music begin and end."""
    return sorted({Fraction(0), length, *(line.onset for line in lines if 0 < line.onset < length)})


@dataclass(slots=True)
class _Signs:
    """What stands at the bar lines of the page."""

    before: dict[int, str] = field(default_factory=dict)
    after: dict[int, str] = field(default_factory=dict)
    endings: dict[int, str] = field(default_factory=dict)
    right: dict[int, str] = field(default_factory=dict)


def _bar_signs(tune: Tune) -> _Signs:
    by_kind: dict[str, dict[int, Repeat]] = {}
    for one in tune.repeats:
        by_kind.setdefault(one.kind, {})[one.bar] = one
    signs = _Signs()
    for kind, text in _BEFORE_BAR.items():
        for index in by_kind.get(kind, {}):
            signs.before[index] = signs.before.get(index, "") + text
    for kind, text in _AFTER_BAR.items():
        for index in by_kind.get(kind, {}):
            signs.after[index] = signs.after.get(index, "") + text
    for index, start in by_kind.get("ending-start", {}).items():
        signs.endings[index] = f"[{','.join(map(str, start.numbers or (1,)))} "
    forward, backward, stops = (by_kind.get(kind, {}) for kind in ("forward", "backward", "ending-stop"))
    for index, bar in enumerate(tune.bars):
        signs.right[index] = _right(index, bar, tune, forward, backward, stops, signs.endings)
    if 0 in forward:
        signs.before[0] = f"|:{signs.before.get(0, '')}"
    return signs


def _right(
    index: int,
    bar: Bar,
    tune: Tune,
    forward: dict[int, Repeat],
    backward: dict[int, Repeat],
    stops: dict[int, Repeat],
    endings: dict[int, str],
) -> str:
    last = index + 1 == len(tune.bars)
    begins = index + 1 in forward
    if index in backward:
        times = max((backward[index].numbers or (2,))[0], 2)
        colons = ":" * (times - 1)
        return "::" if begins and times == 2 else f"{colons}|:" if begins else f"{colons}|"
    if begins:
        return "||:" if bar.double else "|:"
    if last:
        return "|]"
    closes = index in stops and index + 1 not in endings
    return "||" if bar.double or closes else "|"


# -- notes -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Event:
    """A note, or a rest (no pitch), with what is written before it."""

    onset: Fraction
    length: Fraction
    pitch: Pitch | None
    before: str = ""
    tied: bool = False
    grace: tuple[Pitch, ...] = ()

    @property
    def end(self) -> Fraction:
        return self.onset + self.length


class _VoiceWriter:
    """Writes one voice, line by line."""

    def __init__(self, tune: Tune, voice: Voice) -> None:
        self.tune, self.voice = tune, voice
        self.main = voice.name == tune.melody
        self.signs = _bar_signs(tune)
        self.lines: dict[Fraction, str] = {}
        """Music by the onset at which its line begins."""
        self.symbols: dict[Fraction, list[Symbol]] = {}
        if self.main:
            for one in tune.symbols:
                self.symbols.setdefault(one.onset, []).append(one)
        self.places = sorted(self.symbols)
        self.holds, self.breaths = frozenset(tune.holds), frozenset(tune.breaths)
        self.notes: dict[int, list[Note]] = {}
        for note in voice.notes:
            self.notes.setdefault(tune.bar_at(note.onset), []).append(note)

    def write(self, edges: Sequence[Fraction]) -> None:
        """Fill `lines`."""
        line = Fraction(0)
        music: list[str] = []
        for index, bar in enumerate(self.tune.bars):
            inside = _between(edges, bar.onset, bar.end)
            if index and inside and inside[0] == bar.onset:
                self.lines[line], line, music = " ".join(music), bar.onset, []
            pieces = self.bar(index, bar, [edge for edge in inside if edge > bar.onset])
            for edge, piece in pieces:
                if edge is not None:
                    self.lines[line], line, music = " ".join(music), edge, []
                music.append(piece)
        self.lines[line] = " ".join(music)

    def bar(self, index: int, bar: Bar, edges: Sequence[Fraction]) -> list[tuple[Fraction | None, str]]:
        """The bar in pieces, each with the edge at which it begins a new line (None: it goes on)."""
        events = self.events(index, bar)
        accidentals = _Accidentals(bar.key)
        starts = {event.onset for event in events}
        cuts = [edge for edge in edges if edge in starts]
        pieces: list[tuple[Fraction | None, str]] = []
        bounds = [bar.onset, *cuts, bar.end]
        for number, (start, end) in enumerate(pairwise(bounds)):
            inside = [event for event in events if start <= event.onset < end or start < event.onset == bar.end == end]
            text = _written(inside, accidentals)
            pieces.append((start if number else None, text))
        first, last = pieces[0], pieces[-1]
        opening = self.opening(index, bar)
        pieces[0] = (first[0], f"{opening}{first[1]}")
        closing = f"{self.overlay(bar, starts)}{self.signs.after.get(index, '') if self.main else ''}"
        last = pieces[-1]
        pieces[-1] = (last[0], f"{last[1]}{closing} {self.signs.right[index]}")
        return pieces

    def opening(self, index: int, bar: Bar) -> str:
        """What stands before the first note: ending, changes of time and key, signs of the way."""
        before = self.tune.bars[index - 1] if index else bar
        time = f"[M:{_time(bar.time)}]" if bar.time != before.time else ""
        key = f"[K:{_key(self.tune, bar.key)}]" if bar.key != before.key else ""
        sign = self.signs.before.get(index, "")
        start = "|:" if sign.startswith("|:") else ""
        sign = sign.removeprefix("|:") if self.main else ""
        return f"{start}{self.signs.endings.get(index, '')}{time}{key}{sign}"

    def events(self, index: int, bar: Bar) -> list[_Event]:
        """Notes and rests that fill the bar."""
        events: list[_Event] = []
        place = bar.onset
        grace: tuple[Pitch, ...] = ()
        for note in self.notes.get(index, ()):
            if note.grace:
                if note.onset > place:
                    events.extend(_with_grace(self.rests(place, note.onset), grace))
                    place, grace = note.onset, ()
                grace = (*grace, note.pitch)
                continue
            if note.onset > place:
                events.extend(_with_grace(self.rests(place, note.onset), grace))
                grace = ()
            before = f"{self.symbols_at(note.onset)}{self.marks(note)}"
            events.append(_Event(note.onset, note.length, note.pitch, before, note.tied, grace))
            place, grace = note.end, ()
        rests = self.rests(place, bar.end)
        if grace and not rests:
            rests = [_Event(bar.end, Fraction(0), None)]
        events.extend(_with_grace(rests, grace))
        return events

    def rests(self, start: Fraction, end: Fraction) -> list[_Event]:
        """Rests from one place to another, divided where a chord symbol stands."""
        places = [start, *(one for one in _between(self.places, start, end) if one > start), end]
        return [_Event(one, after - one, None, self.symbols_at(one)) for one, after in pairwise(places) if after > one]

    def marks(self, note: Note) -> str:
        if not self.main:
            return ""
        hold = "!fermata!" if note.onset in self.holds else ""
        return f"{hold}{'!breath!' if note.end in self.breaths else ''}"

    def symbols_at(self, onset: Fraction) -> str:
        """The chord symbols at a place; those for single times through stand one after the other."""
        found = self.symbols.get(onset, ())
        if not any(one.passes for one in found):
            return "".join(f'"{_symbol(one)}"' for one in found)
        last = max(max(one.passes) for one in found if one.passes)
        row = [next((one for one in found if turn in one.passes), None) for turn in range(1, last + 1)]
        return " ".join(f'"{_symbol(one)}"' if one is not None else '" "' for one in row)

    def overlay(self, bar: Bar, starts: set[Fraction]) -> str:
        """Chord symbols inside a note, over invisible rests."""
        inside = _between(self.places, bar.onset, bar.end)
        places = [one for one in inside if one > bar.onset and one not in starts]
        if not places:
            return ""
        bounds = [bar.onset, *places, bar.end]
        return " & " + " ".join(
            f"{self.symbols_at(one) if one in places else ''}x{_length(after - one)}" for one, after in pairwise(bounds)
        )


def _symbol(one: Symbol) -> str:
    """The symbol as printed where that says the same chord, else as we write it."""
    text = one.text.replace('"', "")
    try:
        return text if text and parse_symbol(text) == one.chord else symbol(one.chord)
    except ValueError:
        return symbol(one.chord).replace('"', "")


def _with_grace(events: list[_Event], grace: tuple[Pitch, ...]) -> list[_Event]:
    """Grace notes before the first of these."""
    return [replace(events[0], grace=grace), *events[1:]] if grace else events


class _Accidentals:
    """Which accidentals have to be written in a bar."""

    def __init__(self, key: Key) -> None:
        sharps = "FCGDAEB"[: key.fifths] if key.fifths > 0 else ""
        flats = "BEADGCF"[: -key.fifths] if key.fifths < 0 else ""
        self.key = {letter: (letter in sharps) - (letter in flats) for letter in "ABCDEFG"}
        self.octave: dict[tuple[str, int], int] = {}
        self.all: dict[str, int] = {}

    def sign(self, pitch: Pitch) -> str:
        """The sign that the pitch needs; "" where both ways of counting supply it."""
        place = (pitch.step, pitch.octave)
        home = self.key[pitch.step]
        in_octave, in_all = self.octave.get(place, home), self.all.get(pitch.step, home)
        self.octave[place] = self.all[pitch.step] = pitch.alter
        return "" if in_octave == in_all == pitch.alter else _SIGNS.get(pitch.alter, "")


def _pitch(pitch: Pitch, sign: str) -> str:
    letter = pitch.step.lower() if pitch.octave >= 5 else pitch.step
    marks = "'" * (pitch.octave - 5) if pitch.octave >= 5 else "," * (4 - pitch.octave)
    return f"{sign}{letter}{marks}"


def _length(length: Fraction) -> str:
    if length == 1:
        return ""
    above = str(length.numerator) if length.numerator != 1 else ""
    below = "/" if length.denominator == 2 else f"/{length.denominator}" if length.denominator > 1 else ""
    return f"{above}{below}"


def _written(events: Sequence[_Event], accidentals: _Accidentals) -> str:
    """Events in order; those of a tuplet stand together behind its sign."""
    words: list[str] = []
    index = 0
    while index < len(events):
        p = _tuplet(events[index].length)
        run = index + 1
        while p and run < len(events) and run - index < 16 and _tuplet(events[run].length) == p:
            run += 1
        factor = Fraction(p, TUPLETS[p]) if p else Fraction(1)
        sign = f"({p}:{TUPLETS[p]}:{run - index}" if p else ""
        for event in events[index:run]:
            small = "".join(_pitch(pitch, accidentals.sign(pitch)) for pitch in event.grace)
            before = f"{sign}{event.before}{f'{{{small}}}' if small else ''}"
            sign = ""
            if not event.length:
                words.append(before)
                continue
            name = "z" if event.pitch is None else _pitch(event.pitch, accidentals.sign(event.pitch))
            words.append(f"{before}{name}{_length(event.length * factor)}{'-' if event.tied else ''}")
        index = run
    return " ".join(words)


def _tuplet(length: Fraction) -> int:
    """The tuplet that a length belongs to: 3, 5, 7 or 9; 0 for plain lengths and those no tuplet can write."""
    odd = length.denominator
    while odd % 2 == 0:
        odd //= 2
    return odd if odd in TUPLETS else 0


# -- words -----------------------------------------------------------------------------------------


class _Words:
    """The `w:` lines below each line of music."""

    def __init__(self, hymn: Hymn) -> None:
        self.tune, self.verses = hymn.tune, hymn.text.verses
        self.labels = len(self.verses) > 1 or any(verse.number != 1 for verse in self.verses)
        self.visits: dict[int, set[int]] = {}
        for step in walk(self.tune):
            self.visits.setdefault(step.index, set()).add(step.times)
        self.notes = [note for note in self.tune.tune_voice.notes if not note.grace]
        self.onsets = [note.onset for note in self.notes]
        self.sung = {verse.number: sorted(verse.syllables, key=lambda one: one.onset) for verse in self.verses}
        self.placed = {number: [one.onset for one in found] for number, found in self.sung.items()}
        self.labelled: set[int] = set()
        span = hymn.text.refrain
        sung = {_within(verse, span) for verse in self.verses} if span is not None else set()
        self.refrain = span if len(sung) == 1 else None
        """The refrain, where all verses sing the same words to it; they are written once."""

    def under(self, start: Fraction, end: Fraction) -> list[str]:
        """The lines for the notes from one place to another; none where the hymn has no words."""
        if not self.verses:
            return []
        slots = self.notes[bisect_left(self.onsets, start) : bisect_left(self.onsets, end)]
        lines: list[str] = []
        for verse in self.verses:
            placed = self.placed[verse.number]
            here = self.sung[verse.number][bisect_left(placed, start) : bisect_left(placed, end)]
            inside = [one for one in here if not self.shared(verse, one)]
            turns = sorted({one.times for one in inside if one.times})
            lines.extend(self.line(verse, turn, inside, slots) for turn in turns or [0])
        while len(lines) > 1 and lines[-1] == "w: *":
            lines.pop()
        return lines

    def shared(self, verse: Verse, one: Syllable) -> bool:
        """True for words of the refrain that stand under the first verse already."""
        span = self.refrain
        return span is not None and verse is not self.verses[0] and span[0] <= one.onset < span[1]

    def line(self, verse: Verse, turn: int, inside: Sequence[Syllable], slots: Sequence[Note]) -> str:
        by_onset: dict[Fraction, Syllable] = {}
        for one in inside:
            if not turn or one.times == turn or (not one.times and self._sung(one, turn)):
                by_onset.setdefault(one.onset, one)
        words: list[str] = []
        held: Syllable | None = self.before(verse, turn, slots)
        for note in slots:
            syllable = by_onset.get(note.onset)
            if syllable is None:
                words.append("*" if held is None else "-" if held.hyphen in ("begin", "middle") else
                             "_" if held.extend else "*")  # fmt: skip
                continue
            held = syllable
            words.append(f"{self.label(verse)}{_syllable(syllable)}")
        while len(words) > 1 and words[-1] == "*":
            words.pop()
        return f"w: {' '.join(words)}"

    def before(self, verse: Verse, turn: int, slots: Sequence[Note]) -> Syllable | None:
        """The syllable that is held into this line."""
        if not slots:
            return None
        count = bisect_left(self.placed[verse.number], slots[0].onset)
        earlier = reversed(self.sung[verse.number][max(0, count - 16) : count])
        return next((one for one in earlier if one.times in (0, turn)), None)

    def _sung(self, one: Syllable, turn: int) -> bool:
        visits = self.visits.get(self.tune.bar_at(one.onset), {1})
        return len(visits) > 1 or turn in visits

    def label(self, verse: Verse) -> str:
        """The verse's number before its first word."""
        if not self.labels or verse.number in self.labelled:
            return ""
        self.labelled.add(verse.number)
        return f"{verse.number}.~"


def _within(verse: Verse, span: tuple[Fraction, Fraction]) -> tuple[Syllable, ...]:
    return tuple(one for one in verse.syllables if span[0] <= one.onset < span[1])


def _syllable(one: Syllable) -> str:
    text = re.sub(r"([-_*|~])", r"\\\1", one.text.replace("\\", "\\" * 4).replace("%", "\\%"))
    text = re.sub(r"&(?=#?\w+;)", r"\\&", text)
    joined = "~".join(text.split())
    return f"{joined}-" if one.hyphen in ("begin", "middle") else joined


__all__ = ["abc_book", "abc_file"]
