"""The music of an ABC tune, sign by sign: bars, notes and what hangs on them.

Each voice keeps its own state (`voices`). Where the standard is clear it is followed; where collections are loose,
what was supposed is said with its line.

Conventions: see `voices`. An accidental holds to the end of the bar in every octave (2.1, 11.3, the default).

References: ABC standard 2.1, sections 4 (the tune body), 7.4 (overlays), 11.3 (accidentals).
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import ClassVar

from undersong.errors import BrokenFile, NotAHymn
from undersong.model.chord import Chord
from undersong.model.pitch import Pitch
from undersong.model.symbol import symbol
from undersong.reading.abc.book import plain
from undersong.reading.abc.fields import ALTERS
from undersong.reading.abc.symbols import ANNOTATION_SIGNS, Quoted, jump_of, read_quoted
from undersong.reading.abc.tokens import Token, ending_numbers, length_of, tokens
from undersong.reading.abc.voices import OpenBar, OpenVoice, Tuplet
from undersong.reading.notebook import Notebook
from undersong.reading.raw import MOST_BARS, MOST_NOTES, RawBarline, RawDirection, RawHarmony, RawNote

SHORTHAND = {
    ".": "staccato", "~": "roll", "H": "fermata", "L": "accent", "M": "lowermordent", "O": "coda", "P": "uppermordent",
    "S": "segno", "T": "trill", "u": "upbow", "v": "downbow",
}  # fmt: skip
"""Decorations with a sign of their own; 2.1, section 4.14."""
FERMATAS = ("fermata", "invertedfermata")
BREATHS = ("breath", "shortphrase", "mediumphrase", "longphrase", "caesura")
JUMPS = {
    "segno": "segno", "coda": "coda", "D.S.": "dalsegno", "D.C.": "dacapo", "dacoda": "tocoda", "dacapo": "dacapo",
    "fine": "fine", "D.C.alfine": "dacapo", "D.S.alfine": "dalsegno", "D.C.alcoda": "dacapo", "D.S.alcoda": "dalsegno",
    "dacapoalfine": "dacapo",
}  # fmt: skip
ORNAMENTS = ("trill", "trill(", "lowermordent", "uppermordent", "mordent", "pralltriller", "roll", "turn", "turnx",
             "invertedturn", "invertedturnx", "arpeggio", "slide", "tremolo")  # fmt: skip
DYNAMICS = re.compile(r"p{1,4}|f{1,4}|m[pf]|sfz|crescendo[()]|diminuendo[()]|[<>][()]|[<>]")
_SHORT_DYNAMICS = ("crescendo(", "crescendo)", "diminuendo(", "diminuendo)", "<(", "<)", ">(", ">)")
DEFAULT_TUPLET = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}
"""Notes of a tuplet in the time of how many; 5, 7 and 9 take 3 in compound times, else 2. 2.1, section 4.13."""
LONGEST_NOTE = Fraction(256)


def _passed_over(_reader: NoteReader, _token: Token) -> None:
    """Slurs and back quotes change no note."""


class NoteReader(ABC):
    """Reads lines of music into the voice that is in use."""

    def __init__(self, notebook: Notebook, file: str) -> None:
        """Begin without any music."""
        self.notebook, self.file = notebook, file
        self.line = 0
        self.voice: OpenVoice | None = None
        self.user = dict(SHORTHAND)
        self.breaks = {"<EOL>", "$"}
        self.propagate = "pitch"
        self.notes = 0

    @property
    @abstractmethod
    def here(self) -> OpenVoice:
        """The voice in which the music goes on."""

    @abstractmethod
    def body_field(self, letter: str, text: str) -> None:
        """A field between the notes."""

    def broken(self, message: str, remedy: str = "Correct the line and read the file again.") -> BrokenFile:
        """A failure with the line, and the bar where one is open."""
        place = f"line {self.line}"
        if self.voice is not None and self.voice.bars:
            place += f", {len(self.voice.bars)}. bar"
        return BrokenFile(message, file=self.file, place=place, remedy=remedy)

    def remark(self, what: str) -> None:
        """Note with the line what was taken for granted."""
        self.notebook.assume(what, who=f"line {self.line}")

    def remark_left(self, what: str, *, line: int = 0) -> None:
        """Note with the line what is not kept."""
        self.notebook.leave_out(what, who=f"line {line or self.line}")

    def use(self, voice: OpenVoice) -> None:
        """Go on in a voice."""
        self.voice = voice

    # -- bars -----------------------------------------------------------------------------------------

    def open_bar(self, voice: OpenVoice) -> None:
        """Begin a bar; NotAHymn where there are too many."""
        if len(voice.bars) >= MOST_BARS:
            raise NotAHymn(f"more than {MOST_BARS} bars are too many for a hymn", file=self.file,
                           place=f"line {self.line}")  # fmt: skip
        voice.bars.append(OpenBar(self.line, voice.time))

    def close_bar(self, right: RawBarline) -> None:
        """End the bar that is open; what a bar line says goes to the bar before when the open one is empty."""
        voice = self.here
        bar = voice.bar
        if voice.waiting.symbols:
            self.place_symbols(voice)
        if not bar.filled:
            if len(voice.bars) > 1:
                self.add_right(voice.bars[-2], right)
            return
        self.add_right(bar, right)
        self.open_bar(voice)
        voice.at, voice.layer = Fraction(0), 1
        voice.accidentals.clear()
        voice.last = range(0)
        if voice.tuplet.left:
            self.remark("a tuplet runs over the bar line")
        voice.tuplet = Tuplet()

    @staticmethod
    def add_right(bar: OpenBar, right: RawBarline) -> None:
        """Keep what a bar line says at the end of a bar."""
        if right.style or right.repeat or right.ending:
            bar.barlines.append(right)

    def bar_line(self, token: Token) -> None:
        """A bar line with the repeats and the ending it carries."""
        self.close_open()
        before, line, after = token.parts["before"] or "", token.parts["line"] or "", token.parts["after"] or ""
        self.draw_bar(len(before), line, len(after))
        number = token.parts["number"]
        if number:
            self.start_ending(ending_numbers(number))

    def draw_bar(self, before: int, line: str, after: int) -> None:
        """End the bar by a line with so many colons before and after it."""
        voice = self.here
        bare = line.lstrip(".")
        style = ("light-heavy" if bare.endswith("|]") and bare != "[|]" else "heavy-light" if bare.startswith("[|")
                 else "light-light" if bare.count("|") > 1 else "")  # fmt: skip
        if bare == "[|]":
            style = ""
        last = voice.bar if voice.bar.filled else voice.bars[-2] if len(voice.bars) > 1 else None
        repeat = RawBarline(
            "right", style, "backward" if before and last is not None else "", before + 1 if before else 0
        )
        self.close_bar(repeat)
        if last is not None and voice.ending and (before or style or after):
            last.barlines.append(RawBarline("right", ending="stop", ending_numbers=voice.ending))
            voice.ending = ()
        if after:
            voice.waiting.forward = True

    def start_ending(self, numbers: tuple[int, ...]) -> None:
        """An ending begins with the next note."""
        voice = self.here
        if voice.bar.filled:
            self.notebook.assume("an ending begins inside the bar, which is divided there", who=f"line {self.line}")
            self.close_bar(RawBarline("right"))
        self.stop_ending(voice)
        voice.waiting.ending = numbers or (1,)

    def stop_ending(self, voice: OpenVoice) -> None:
        """The ending that is open stops at the last bar line."""
        if voice.ending and len(voice.bars) > 1:
            voice.bars[-2].barlines.append(RawBarline("right", ending="stop", ending_numbers=voice.ending))
        voice.ending = ()

    def begin_bar(self, voice: OpenVoice) -> None:
        """What waits for the first note of a bar: forward repeat and ending."""
        waiting = voice.waiting
        if waiting.forward:
            voice.bar.barlines.append(RawBarline("left", repeat="forward"))
        if waiting.ending:
            voice.bar.barlines.append(RawBarline("left", ending="start", ending_numbers=waiting.ending))
            voice.ending = waiting.ending
        waiting.forward, waiting.ending = False, ()

    # -- music ----------------------------------------------------------------------------------------

    def music(self, text: str) -> None:
        """A line of music."""
        self.here.line_start = len(self.here.slots)
        onward = False
        if "!" in self.breaks:  # then decorations stand in +..+
            text = text.replace("!", "$")
        for token in tokens(text):
            if token.kind == "onward":
                onward = True
            elif token.kind == "break":
                self.line_break(token)
            else:
                self.signs[token.kind](self, token)
        self.close_open()
        if not onward and "<EOL>" in self.breaks:
            self.mark_break()

    def close_open(self) -> None:
        """Grace notes and chords end with their bar and line, also where the closing sign is missing."""
        voice = self.here
        if voice.grace:
            self.remark("grace notes are not closed and end with the bar")
            voice.grace = False
        if voice.chord is not None:
            self.remark("a chord is not closed and ends with the bar")
            notes, voice.chord = voice.chord, None
            if notes:
                self.event(voice, [replace(note, length=voice.chord_length) for note in notes], voice.chord_length)

    def mark_break(self) -> None:
        """The line of music ends here."""
        voice = self.here
        if voice.bar.filled:
            voice.bar.breaks.append(voice.at)
        elif len(voice.bars) > 1:
            voice.bars[-2].breaks.append(voice.bars[-2].extent)

    def line_break(self, token: Token) -> None:
        """A sign that breaks the line, or did so in older files."""
        if token.text in self.breaks or (token.text == "$" and "!" in self.breaks):
            self.mark_break()
        elif token.text in "!*":
            self.remark(f"the sign {token.text} is taken for an old line break")

    def unknown(self, token: Token) -> None:
        """What is no sign of ABC is told."""
        self.notebook.leave_out(f"a sign that is not known ({token.text!r})", who=f"line {self.line}")

    def quoted(self, token: Token) -> None:
        """A chord symbol, or an annotation."""
        text = plain(token.text[1:-1])
        if text[:1] in ANNOTATION_SIGNS and text:
            words = text[1:].lstrip("0123456789.,- ") if text[0] == "@" else text[1:]
            self.annotation(words.strip())
        else:
            self.here.waiting.symbols.append((text, self.line))

    def annotation(self, words: str) -> None:
        """Words on the page: a direction of the way, or told."""
        voice = self.here
        jump = jump_of(words)
        if jump:
            self.jump(voice, jump)
        elif words:
            self.left_here(f"printed words ({words[:30]})")

    def jump(self, voice: OpenVoice, jump: str) -> None:
        """A sign of the way stands in the bar that is open, or in the one that just ended."""
        goes_back = jump in ("dacapo", "dalsegno", "fine", "tocoda")
        bar = voice.bars[-2] if goes_back and not voice.bar.filled and len(voice.bars) > 1 else voice.bar
        bar.directions.append(RawDirection(voice.at, jumps=(jump,)))

    def left_here(self, what: str) -> None:
        """Note with the line what is not kept."""
        self.notebook.leave_out(what, who=f"line {self.line}")

    def inline_field(self, token: Token) -> None:
        """A field inside the line."""
        letter, text = token.text[1], token.text[3:-1].strip()
        if letter in "IKLMmNPQRrUV":
            self.body_field(letter, text)
            if letter == "V":
                self.here.line_start = len(self.here.slots)
        else:
            self.remark_left(f"a field that has no place inside a line ([{letter}:])")

    def decoration(self, token: Token) -> None:
        """A decoration by name."""
        self.decorate(token.parts["name"] or token.parts["old"] or "")

    def short(self, token: Token) -> None:
        """A decoration by its sign."""
        name = self.user.get(token.text)
        if name is None:
            self.unknown(token)
        elif name.startswith('"'):
            self.quoted(replace(token, text=f'{name}"'))
        elif name not in ("nil", "none"):
            self.decorate(name)

    def decorate(self, name: str) -> None:
        """Keep a decoration for the next note; a sign of the way stands at once."""
        if self.here.grace or self.here.chord is not None:
            return
        jump = JUMPS.get(name)
        if jump:
            self.jump(self.here, jump)
        else:
            self.here.waiting.decorations.append(name)

    # -- notes ----------------------------------------------------------------------------------------

    def note(self, token: Token) -> None:
        """A note, by itself, in a chord or among grace notes."""
        voice = self.here
        written = self.pitch_of(voice, token)
        length = self.length(token.parts["length"])
        if voice.grace:
            self.add(voice, self.raw(voice, Fraction(0), written, grace=True, microtone=_quarter(token)))
            return
        if voice.chord is not None:
            if not voice.chord:
                voice.chord_length = length
            voice.chord.append(self.raw(voice, length, written, microtone=_quarter(token)))
            return
        self.event(voice, [self.raw(voice, length, written, microtone=_quarter(token))], length)

    def length(self, text: str | None) -> Fraction:
        """A written length as a factor; BrokenFile where it makes no sense."""
        length = length_of(text or "")
        if length is None or length > LONGEST_NOTE:
            raise self.broken(f"a note has an impossible length ({(text or '')[:12]})")
        return length

    def pitch_of(self, voice: OpenVoice, token: Token) -> Pitch:
        """The written pitch: accidental, what holds in the bar, what a tie carries, the key."""
        letter, marks = token.parts["letter"] or "", token.parts["octave"] or ""
        octave = 4 + letter.islower() + marks.count("'") - marks.count(",")
        if not 0 <= octave + voice.octave <= 9:
            raise self.broken(f"the note {token.text[:20]} lies outside every instrument")
        step = letter.upper()
        place = (step, octave)
        sign = token.parts["acc"]
        if sign is not None:
            alter = ALTERS.get(sign, 0)
            if self.propagate != "not":
                voice.accidentals[self._reach(place)] = alter
        elif self._reach(place) in voice.accidentals:
            alter = voice.accidentals[self._reach(place)]
        elif place in voice.ties:
            alter = voice.ties[place].alter
        else:
            alter = voice.key.alters.get(step, 0)
        return Pitch(step, alter, octave)

    def _reach(self, place: tuple[str, int]) -> tuple[str, int]:
        return place if self.propagate == "octave" else (place[0], 0)

    def raw(self, voice: OpenVoice, length: Fraction, written: Pitch | None, *, rest: bool = False, grace: bool = False,
            hidden: bool = False, microtone: bool = False) -> RawNote:  # fmt: skip
        """A raw note at the place reached, shifted as the voice asks."""
        self.notes += 1
        if self.notes > MOST_NOTES:
            raise NotAHymn("there are too many notes for a hymn", file=self.file, place=f"line {self.line}")
        sounding = written
        if written is not None:
            written = written.octaves_up(voice.octave)
            sounding = written if not voice.transposition else written.transposed(voice.interval())
        return RawNote(
            0, voice.at, length, sounding, written, str(voice.layer), 1, rest=rest, hidden=hidden, grace=grace,
            microtone=microtone,
        )  # fmt: skip

    def add(self, voice: OpenVoice, note: RawNote) -> int:
        """Set a note in the open bar; its index there."""
        if not voice.bar.filled:
            self.begin_bar(voice)
        voice.bar.notes.append(note)
        return len(voice.bar.notes) - 1

    def event(self, voice: OpenVoice, notes: list[RawNote], length: Fraction) -> None:
        """Set a note, chord or rest whose length counts units: tuplets, `>` and what waits are applied."""
        factor = voice.unit * voice.broken
        voice.broken = Fraction(1)
        if voice.tuplet.left:
            factor *= voice.tuplet.factor
            voice.tuplet.left -= 1
        if voice.waiting.symbols:
            self.place_symbols(voice)
        first = len(voice.bar.notes)
        decorated = self.decorated(voice)
        for index, note in enumerate(notes):
            alike = {"tie_stop": self.tied_to(voice, note), "chord": index > 0, "length": note.length * factor}
            self.add(voice, replace(note, **alike, **(decorated if index == 0 else {})))  # type: ignore[arg-type]
        voice.last = range(first, len(voice.bar.notes))
        voice.last_bar = len(voice.bars) - 1
        for place in {_place(note) for note in voice.bar.notes[first:]}:
            voice.ties.pop(place, None)
        if not notes[0].rest:
            voice.ties.clear()
            for index in voice.last:
                if voice.bar.notes[index].tie_start:
                    self.keep_tie(voice, voice.bar.notes[index])
            if voice.layer == 1:
                voice.slots.append((voice.last_bar, first))
        self.move(voice, length * factor)

    def move(self, voice: OpenVoice, length: Fraction) -> None:
        """Go on by a length."""
        voice.at += length
        voice.bar.extent = max(voice.bar.extent, voice.at)
        if voice.at > 1024:
            raise self.broken("this bar is far too long", "Are the bar lines missing?")

    def tied_to(self, voice: OpenVoice, note: RawNote) -> bool:
        """True where a tie leads to the note."""
        return note.written is not None and _place(note, voice.octave) in voice.ties

    def keep_tie(self, voice: OpenVoice, note: RawNote) -> None:
        """Remember that a tie leads on from the note."""
        if note.written is not None:
            pitch = note.written.octaves_up(-voice.octave)
            voice.ties[pitch.step, pitch.octave] = pitch

    def decorated(self, voice: OpenVoice) -> dict[str, object]:
        """What the decorations before a note say of it."""
        names, voice.waiting.decorations = voice.waiting.decorations, []
        ornaments = tuple(name for name in names if name in ORNAMENTS)
        for name in names:
            if DYNAMICS.fullmatch(name) or name in _SHORT_DYNAMICS:
                voice.bar.directions.append(RawDirection(voice.at, dynamics=True))
            elif name not in (*FERMATAS, *BREATHS, *ORNAMENTS):
                self.left_here(f"a sign ({name[:24]})")
        return {
            "fermata": any(name in FERMATAS for name in names),
            "breath": any(name in BREATHS for name in names),
            "ornaments": ornaments,
        }

    def rest(self, token: Token) -> None:
        """A rest, shown or not."""
        voice = self.here
        length = self.length(token.parts["rest_length"])
        if voice.grace or voice.chord is not None:
            return
        self.event(voice, [self.raw(voice, length, None, rest=True, hidden=token.text[0] == "x")], length)

    def whole_bars(self, token: Token) -> None:
        """Z3: rests for whole bars."""
        voice = self.here
        count = int(token.parts["count"] or 1)
        full = voice.time.bar_length or Fraction(4)
        if voice.waiting.symbols:
            self.place_symbols(voice)
        for index in range(max(count, 1)):
            if index:
                self.close_bar(RawBarline("right"))
            rest = self.raw(voice, full, None, rest=True, hidden=token.text[0] == "X")
            self.add(voice, replace(rest, whole_bar=voice.at == 0))
            voice.last = range(0)
            voice.at += full

    def spacer(self, _: Token) -> None:
        """A spacer carries symbols and takes no time."""
        voice = self.here
        if voice.waiting.symbols:
            self.place_symbols(voice)

    def open_chord(self, _: Token) -> None:
        """A chord begins."""
        if self.here.chord is not None:
            self.notebook.leave_out("a bracket inside a chord", who=f"line {self.line}")
        else:
            self.here.chord = []

    def close_chord(self, token: Token) -> None:
        """A chord ends, with its outer length."""
        voice = self.here
        if voice.chord is None:
            self.notebook.leave_out("a bracket that closes nothing", who=f"line {self.line}")
            return
        notes, voice.chord = voice.chord, None
        outer = self.length(token.parts["chord_length"])
        if not notes:
            return
        if voice.grace:
            for note in notes:
                self.add(voice, replace(note, length=Fraction(0), grace=True))
            return
        # The first note's length is the chord's; 2.1, section 4.17.
        length = voice.chord_length * outer
        if any(note.length != notes[0].length for note in notes):
            self.remark("a chord has notes of different lengths; the first one's counts")
        self.event(voice, [replace(note, length=length) for note in notes], length)

    def open_grace(self, _: Token) -> None:
        """Grace notes begin."""
        self.here.grace = True

    def close_grace(self, _: Token) -> None:
        """Grace notes end."""
        self.here.grace = False

    def open_tuplet(self, token: Token) -> None:
        """A tuplet begins: p notes in the time of q, for r notes."""
        voice = self.here
        p = int(token.parts["p"] or 3)
        compound = voice.time.beats in (6, 9, 12) and voice.time.unit >= 4
        q = int(token.parts["q"] or 0) or DEFAULT_TUPLET.get(p, 3 if compound else 2)
        r = int(token.parts["r"] or 0) or p
        if p == 1:
            return
        voice.tuplet = Tuplet(Fraction(q, p), r)

    def tie(self, _: Token) -> None:
        """A tie from the note before."""
        voice = self.here
        if voice.grace:
            return
        if voice.chord is not None:
            if voice.chord:
                voice.chord[-1] = replace(voice.chord[-1], tie_start=True)
            return
        bar = voice.bars[voice.last_bar] if voice.bars else None
        struck = [index for index in voice.last if bar is not None and not bar.notes[index].rest]
        if bar is None or not struck or voice.last_bar != len(voice.bars) - 1:
            self.notebook.leave_out("a tie without a note before it", who=f"line {self.line}")
            return
        for index in struck:
            bar.notes[index] = replace(bar.notes[index], tie_start=True)
            self.keep_tie(voice, bar.notes[index])

    def broken_rhythm(self, token: Token) -> None:
        """The note before and the next one share their time unevenly."""
        voice = self.here
        if not voice.last or voice.last_bar != len(voice.bars) - 1 or voice.broken != 1:
            self.notebook.leave_out(f"{token.text} without two notes beside it", who=f"line {self.line}")
            return
        short = Fraction(1, 2 ** len(token.text))
        first, second = (2 - short, short) if token.text[0] == ">" else (short, 2 - short)
        change = Fraction(0)
        for index in voice.last:
            note = voice.bar.notes[index]
            change = note.length * (first - 1)
            voice.bar.notes[index] = replace(note, length=note.length * first)
        voice.broken = second
        if voice.bar.extent == voice.at:
            voice.bar.extent += change
        voice.at += change

    def overlay(self, token: Token) -> None:
        """Back to the beginning of the bar, in another layer."""
        voice = self.here
        if len(token.text) > 1:
            self.notebook.leave_out("a voice over several bars (&&)", who=f"line {self.line}")
        voice.at, voice.layer = Fraction(0), voice.layer + 1
        voice.last, voice.tuplet = range(0), Tuplet()

    # -- chord symbols --------------------------------------------------------------------------------

    def place_symbols(self, voice: OpenVoice) -> None:
        """Chord symbols at the place reached; several are for the times through, one each."""
        waiting, voice.waiting.symbols = voice.waiting.symbols, []
        for turn, (text, line) in enumerate(waiting, 1):
            passes = (turn,) if len(waiting) > 1 else ()
            quoted = read_quoted(text)
            if quoted.habit:
                self.notebook.assume(quoted.habit, who=f"line {line}")
            if quoted.chord is not None:
                voice.bar.harmonies.append(harmony_of(quoted, quoted.chord, voice.at, passes))
            elif quoted.root is not None:
                rest = quoted.text[len(str(quoted.root)) :]
                voice.bar.harmonies.append(RawHarmony(0, voice.at, quoted.root, "", rest, None, (), passes=passes))
            elif quoted.jump:
                self.jump(voice, quoted.jump)
            elif quoted.text:
                self.notebook.leave_out(f"printed words ({quoted.text[:30]})", who=f"line {line}")

    signs: ClassVar[dict[str, Callable[[NoteReader, Token], None]]] = {
        "unknown": unknown, "note": note, "bar": bar_line, "quote": quoted, "field": inline_field,
        "rest": rest, "bars": whole_bars, "spacer": spacer, "decoration": decoration, "grace": open_grace,
        "grace_end": close_grace, "tuplet": open_tuplet, "slur": _passed_over, "slur_end": _passed_over, "tie": tie,
        "broken": broken_rhythm, "overlay": overlay, "chord": open_chord, "chord_end": close_chord, "short": short,
        "nothing": _passed_over,
        "ending": lambda self, token: self.start_ending(
            ending_numbers(token.parts["which"] or (token.parts["named"] or "").strip('"'))
        ),
        "repeats": lambda self, _: self.draw_bar(1, "|", 1),
    }  # fmt: skip


def harmony_of(quoted: Quoted, chord: Chord, at: Fraction, passes: tuple[int, ...]) -> RawHarmony:
    """A chord symbol; the printed text is kept only where it is neither ours nor a habit that was tolerated."""
    root = str(chord.root) if chord.root is not None else ""
    printed = "" if quoted.habit or quoted.text == symbol(chord) else quoted.text[len(root) :]
    printed = printed.rpartition("/")[0] if chord.bass else printed
    return RawHarmony(0, at, chord.root, chord.kind, printed, chord.bass, chord.degrees, passes=passes)


def _quarter(token: Token) -> bool:
    return "/" in (token.parts["acc"] or "")


def _place(note: RawNote, octave: int = 0) -> tuple[str, int]:
    return (note.written.step, note.written.octave - octave) if note.written is not None else ("", 0)
