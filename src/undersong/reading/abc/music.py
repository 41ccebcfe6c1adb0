"""An ABC tune, line by line: header, fields, voices; the music between them is read by `notes` and `under`.

What comes out are voices full of the raw values that all score formats share. Where the standard is clear it is
followed; where collections are loose, what was supposed is said with its place.

Conventions: see `voices`. Remarks carry the line of the file.

References: ABC standard 2.1, sections 3 (fields), 4 (music), 5 (lyrics), 7 (voices), 11 (directives).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

from undersong.errors import NotAHymn
from undersong.model.pitch import PitchName
from undersong.model.time import Time
from undersong.reading.abc.book import SourceLine, TuneSource, plain
from undersong.reading.abc.fields import (
    KeyField,
    Options,
    options_of,
    read_key,
    read_length,
    read_order,
    read_tempo,
    read_time,
    unit_for,
)
from undersong.reading.abc.under import WordReader
from undersong.reading.abc.voices import OpenVoice
from undersong.reading.notebook import Notebook
from undersong.reading.raw import (
    MOST_PARTS,
    RawBarline,
    RawClef,
    RawDirection,
    RawKey,
    RawTime,
)

UNSAID = frozenset("ABCDFGHINORSTZWXYZr")
"""Fields of the body that carry no music."""


def read_body(source: TuneSource, notebook: Notebook, file: str = "") -> Body:
    """The voices of a tune with all that stands around them; BrokenFile or NotAHymn with the line."""
    return _TuneReader(source, notebook, file).read()


@dataclass(slots=True)
class Body:
    """What the music of a tune came to."""

    voices: dict[str, OpenVoice] = field(default_factory=dict)
    order: str = ""
    marks: dict[str, int] = field(default_factory=dict)
    """Bar at which each part begins (P: in the body)."""
    below: list[list[str]] = field(default_factory=list)
    """Stanzas printed below the music (W:)."""
    header: dict[str, list[str]] = field(default_factory=dict)
    """Fields of the header that carry no music, by letter."""


class _TuneReader(WordReader):
    """Reads one tune; the state that runs on from line to line stands here."""

    def __init__(self, source: TuneSource, notebook: Notebook, file: str) -> None:
        super().__init__(notebook, file)
        self.source = source
        self.body = Body()
        self.line = source.line
        self.time: Time | None = None
        self.unit: Fraction | None = None
        self.key = KeyField()
        self.tempo: str | None = None
        self.shared_options: dict[str, Options] = {}
        self.set_apart = ""
        """The block of words (%%begintext) that is open."""

    # -- lines ----------------------------------------------------------------------------------------

    def read(self) -> Body:
        """Every line of the tune; BrokenFile with line where it makes no sense."""
        for line in self.source.shared:
            self.line = line.number
            if not line.text.startswith(("X:", "K:")):
                self.read_line(line)
        for line in self._joined(self.source.lines):
            self.line = line.number
            self.read_line(line)
        for voice in self.body.voices.values():
            self.use(voice)
            self.close_bar(RawBarline("right"))
            self.stop_ending(voice)
        if self.source.unread:
            self.remark_left("music after an empty line, which ends the tune", line=self.source.unread)
        return self.body

    def _joined(self, lines: tuple[SourceLine, ...]) -> list[SourceLine]:
        """Lines with `+:` continuations joined to the field they continue."""
        found: list[SourceLine] = []
        for line in lines:
            if line.text.startswith("+:") and found and re.match(r"[A-Za-z]:", found[-1].text):
                found[-1] = SourceLine(found[-1].number, f"{found[-1].text} {line.text[2:].strip()}")
            else:
                found.append(line)
        return found

    def read_line(self, line: SourceLine) -> None:
        text = line.text
        if self.set_apart:
            self.set_apart = "" if text.startswith(f"%%end{self.set_apart}") else self.set_apart
            return
        if text.startswith("%%begin"):
            self.set_apart = text[len("%%begin") :].split(maxsplit=1)[0] if text[len("%%begin") :].split() else "text"
            self.remark_left(f"a block of words or code (%%begin{self.set_apart[:20]})")
            return
        if text.startswith("%%"):
            self.directive(text[2:].strip())
            return
        if text.startswith("%"):
            return
        found = re.match(r"([A-Za-z]):", text)
        if found and not (self.in_body and text.startswith(("::", "|:"))):
            self.whole_field(found[1], text[2:].strip())
            return
        if text.startswith("+:"):
            self.remark_left("a continuation (+:) that continues nothing")
        elif self.in_body:
            self.verse = 0
            self.pending_words = None
            self.music(text)
        elif text.strip():
            self.remark_left("a line of the header that is no field")

    def whole_field(self, letter: str, text: str) -> None:
        """A field on a line of its own."""
        if letter == "w":
            self.words(text)
        elif letter == "s":
            self.symbol_line(text)
        elif self.in_body:
            self.body_field(letter, text)
        else:
            self.header_field(letter, text)

    def directive(self, text: str) -> None:
        name = text.split(maxsplit=1)[0] if text else ""
        if name in ("propagate-accidentals", "MIDI", "abc-charset", "abc-version", "linebreak"):
            self.instruction(text)
        elif name == "abc-copyright":
            self.body.header.setdefault("rights", []).append(plain(text.partition(" ")[2].strip()))
        elif not name:
            pass
        elif name in ("score", "staves"):
            self.remark_left(f"the grouping of staves (%%{name})")
        else:
            self.remark_left(f"a directive (%%{name[:24]})")

    def instruction(self, text: str) -> None:
        """An I: field, or a directive that means the same."""
        name, _, value = text.partition(" ")
        value = value.strip()
        if name == "propagate-accidentals" and value in ("not", "octave", "pitch"):
            self.propagate = value
        elif name == "linebreak":
            self.breaks = set(value.split())
        elif name not in ("abc-charset", "abc-version", "abc-creator", "abc-include", "MIDI", "decoration"):
            return
        elif name in ("MIDI", "abc-include"):
            self.remark_left(f"a directive ({name})")

    # -- header ---------------------------------------------------------------------------------------

    def header_field(self, letter: str, text: str) -> None:
        match letter:
            case "K":
                self.begin_body(text)
            case "M":
                self.time = self.read_time(text)
            case "L":
                self.unit = self.read_unit(text)
            case "Q":
                self.tempo = text
            case "P":
                self.read_parts(text)
            case "V":
                self.define_voice(text)
            case "U":
                self.user_symbol(text)
            case "m":
                self.remark_left(f"the macro {text.partition('=')[0].strip()[:20]} is not carried out")
            case "I":
                self.instruction(text)
            case "W":
                self.stanza(text)
            case "X":
                pass
            case _:
                self.body.header.setdefault(letter, []).append(" ".join(plain(text).split()))

    def begin_body(self, text: str) -> None:
        self.key = self.read_key(text) or self.key
        if self.time is None:
            self.remark("there is no M: line")
            self.time = Time(0, 4)
        if self.unit is None:
            self.unit = unit_for(self.time)
        self.in_body = True
        if self.shared_options:
            for name in self.shared_options:
                self.voice_of(name)
            self.use(next(iter(self.body.voices.values())))
        if self.tempo is not None:
            self.pace(self.tempo)

    def read_time(self, text: str) -> Time:
        time = read_time(text)
        if time is None:
            raise self.broken(f"the time M:{text[:20]} makes no sense", "Write M:3/4, M:C, M:C| or M:none.")
        return time

    def read_unit(self, text: str) -> Fraction:
        unit = read_length(text)
        if unit is None:
            raise self.broken(f"the note length L:{text[:20]} makes no sense", "Write it as in L:1/8.")
        return unit

    def read_key(self, text: str) -> KeyField | None:
        key = read_key(plain(text))
        if key is None:
            raise self.broken(f"the key K:{text[:20]} makes no sense", "Write K:G, K:Am, K:Ddor or K:none.")
        for doubt in key.doubts:
            self.remark(doubt)
        for word in key.options.unknown:
            self.remark_left(f"a word after the key ({word[:20]})")
        return key

    def read_parts(self, text: str) -> None:
        order = read_order(text)
        if order is None:
            self.remark_left(f"an order of parts that makes no sense (P:{text[:20]})")
        elif len(order) > 1 or not self.in_body:
            self.body.order = order

    def user_symbol(self, text: str) -> None:
        found = re.fullmatch(r'\s*([H-Wh-w~.])\s*=\s*(?:!([^!]{1,30})!|"([^"]*)")\s*', text)
        if not found:
            self.remark_left(f"a sign of the user's own (U:{text[:20]})")
            return
        self.user[found[1]] = f'"{found[3]}' if found[3] is not None else found[2]

    def stanza(self, text: str) -> None:
        if not text:
            self.body.below.append([])
            return
        if not self.body.below:
            self.body.below.append([])
        self.body.below[-1].append(plain(text))

    # -- voices ---------------------------------------------------------------------------------------

    def define_voice(self, text: str) -> str:
        found = re.match(r"\s*(\S+)\s*(.*)", text)
        if not found:
            raise self.broken("a voice has no name", "Write V:1 or V:S.")
        name, options = found[1], options_of(plain(found[2]))
        for word in options.unknown:
            if not word.lower().startswith(("brace", "bracket", "gstem", "cue", "dyn", "lyrics", "program", "v")):
                self.remark_left(f"a word after the voice ({word[:20]})")
        had = self.shared_options.get(name, Options())
        self.shared_options[name] = Options(
            options.clef or had.clef,
            options.octave if options.octave is not None else had.octave,
            options.transpose if options.transpose is not None else had.transpose,
            options.name or had.name,
            options.short or had.short,
        )
        if name in self.body.voices:
            self.body.voices[name].options = self.shared_options[name]
        return name

    def voice_of(self, name: str) -> OpenVoice:
        voice = self.body.voices.get(name)
        if voice is None:
            if len(self.body.voices) >= MOST_PARTS:
                raise NotAHymn(f"more than {MOST_PARTS} voices", file=self.file, place=f"line {self.line}")
            voice = OpenVoice(name, self.unit or Fraction(1, 2), self.time or Time(0, 4), self.key,
                              self.shared_options.get(name, Options()))  # fmt: skip
            self.open_bar(voice)
            voice.bar.times.append(RawTime(Fraction(0), voice.time))
            self.set_key(voice, self.key)
            self.body.voices[name] = voice
        return voice

    @property
    def here(self) -> OpenVoice:
        """The voice in which the music goes on."""
        if self.voice is None:
            self.voice = self.voice_of(next(iter(self.shared_options), "1"))
        return self.voice

    def change_voice(self, text: str) -> None:
        if text.strip() == "*":
            return
        name = self.define_voice(text)
        fresh = name not in self.body.voices
        voice = self.voice_of(name)
        if not fresh and voice.clef is not None:
            sign, line = voice.clef
            voice.bar.clefs.append(RawClef(1, sign, line, 0))
        self.use(voice)

    # -- fields of the body ---------------------------------------------------------------------------

    def body_field(self, letter: str, text: str) -> None:
        match letter:
            case "V":
                self.change_voice(text)
            case "K":
                key = self.read_key(text)
                if key is not None:
                    self.set_key(self.here, key)
            case "M":
                self.here.time = self.read_time(text)
                self.here.bar.times.append(RawTime(self.here.at, self.here.time))
                if not self.here.bar.filled:
                    self.here.bar.time = self.here.time
            case "L":
                self.here.unit = self.read_unit(text)
            case "Q":
                self.pace(text)
            case "P":
                self.begin_part(text)
            case "U":
                self.user_symbol(text)
            case "m":
                self.remark_left(f"the macro {text.partition('=')[0].strip()[:20]} is not carried out")
            case "I":
                self.instruction(text)
            case "W":
                self.stanza(text)
            case "T":
                self.body.header.setdefault("T", []).append(plain(text))
            case _ if letter in UNSAID:
                pass
            case _:
                self.remark_left(f"a field that has no place in the music ({letter}:)")

    def set_key(self, voice: OpenVoice, key: KeyField) -> None:
        if not key.given:
            key = replace(voice.key, options=_newer(key.options, voice.key.options))
        elif key.options != voice.key.options:
            key = replace(key, options=_newer(key.options, voice.key.options))
        voice.key = key
        fifths = PitchName.from_fifths(key.fifths).transposed(voice.interval()).fifths
        while abs(fifths) > 7:
            fifths += -12 if fifths > 0 else 12
        voice.bar.keys.append(RawKey(voice.at, fifths, key.mode))
        if voice.clef is not None:
            voice.bar.clefs.append(RawClef(1, *voice.clef, 0))

    def pace(self, text: str) -> None:
        voice = self.here
        tempo = read_tempo(plain(text), voice.unit)
        if tempo is None:
            self.remark_left(f"a pace that makes no sense (Q:{text[:20]})")
            return
        if tempo.words:
            self.remark_left(f"the words of the pace ({tempo.words[:30]})")
        if tempo.beat is not None:
            voice.bar.directions.append(RawDirection(voice.at, beat=tempo.beat, per_minute=tempo.per_minute))

    def begin_part(self, text: str) -> None:
        label = text.strip().strip('"')[:40]
        voice = self.here
        if not re.fullmatch(r"[A-Za-z]\.?", label):
            if not voice.bar.filled and len(voice.bars) == 1 and len(label) > 1:
                self.read_parts(label)
            return
        if voice.bar.filled:
            self.close_bar(RawBarline("right"))
        if label[0] not in self.body.marks:
            self.body.marks[label[0]] = len(voice.bars) - 1
        elif next(iter(self.body.voices.values())) is voice:
            self.remark(f"part {label[0]} begins twice; the first one counts")


def _newer(new: Options, old: Options) -> Options:
    return Options(
        new.clef or old.clef,
        new.octave if new.octave is not None else old.octave,
        new.transpose if new.transpose is not None else old.transpose,
    )
