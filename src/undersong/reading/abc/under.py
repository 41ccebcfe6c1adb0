"""Lines of words and of symbols, set under the notes before them.

Conventions: a *slot* is a note that may carry a syllable; see `words`. Lines of words that follow each other at once
are verses of the same notes; the notes are those since the words before.

References: ABC standard 2.1, sections 5.1 (w:), 5.2 (s:).
"""

from __future__ import annotations

import re
from dataclasses import replace

from undersong.reading.abc.book import plain
from undersong.reading.abc.notes import BREATHS, FERMATAS, NoteReader, harmony_of
from undersong.reading.abc.symbols import ANNOTATION_SIGNS, read_quoted
from undersong.reading.abc.voices import OpenVoice
from undersong.reading.abc.words import Aligned, Item, align, count_slots, items_of, with_label
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawLyric


class WordReader(NoteReader):
    """Sets words and signs under the music that was read."""

    def __init__(self, notebook: Notebook, file: str) -> None:
        """Begin without any words."""
        super().__init__(notebook, file)
        self.in_body = False
        self.verse = 0
        self.pending_words: str | None = None
        self.goes_on: dict[tuple[str, int], bool] = {}
        """Whether the last line of a verse ended inside a word, by voice and verse."""
        self.sung: dict[tuple[str, int], tuple[int, int]] = {}
        """Bar and note of the last syllable of each verse."""
        self.block_start = self.block_line = 0

    def words(self, text: str) -> None:
        """A `w:` line: words for the notes before it, a new verse for each line that follows at once."""
        if not self.in_body:
            self.remark_left("words before any music")
            return
        onward = text.endswith("\\") and not text.endswith("\\\\")
        text = text[:-1].rstrip() if onward else text
        if self.pending_words is not None:
            text = f"{self.pending_words} {text}"
        if onward:
            self.pending_words = text
            return
        self.pending_words = None
        self.verse += 1
        voice = self.here
        start, slots = self.block(voice)
        items, labelled = with_label(items_of(plain(text)))
        if labelled:
            self.remark("a verse number that stands by itself belongs to the first syllable")
        start = self.from_line(voice, start, items)
        slots = voice.slots[start:]
        key = (voice.id, self.verse)
        found = align(items, [bar for bar, _ in slots], goes_on=self.goes_on.get(key, False))
        self.goes_on[key] = found.goes_on
        self.put_words(voice, slots, found)

    def block(self, voice: OpenVoice) -> tuple[int, list[tuple[int, int]]]:
        """The slots since the words before; the verses of one block share them."""
        if self.verse == 1:
            self.block_start, self.block_line = voice.worded, voice.line_start
            voice.worded = len(voice.slots)
        return self.block_start, voice.slots[self.block_start :]

    def from_line(self, voice: OpenVoice, start: int, items: tuple[Item, ...]) -> int:
        """Where several lines of music precede, words that only fill the last one stand there."""
        line = self.block_line
        if line <= start:
            return start
        wanted, last, whole = count_slots(items), len(voice.slots) - line, len(voice.slots) - start
        if wanted <= last and 2 * wanted < whole + last:
            if self.verse == 1:
                self.remark("the words fill only the last line of music before them and are set there")
            return line
        return start

    def put_words(self, voice: OpenVoice, slots: list[tuple[int, int]], found: Aligned) -> None:
        """Keep syllables at their notes."""
        before = self.sung.get((voice.id, self.verse))
        if found.held and before is not None:
            lyrics = voice.bars[before[0]].words[before[1]]
            lyrics[:] = [replace(one, extend=True) if one.number == str(self.verse) else one for one in lyrics]
        for one in found.syllables:
            bar, index = slots[one.slot]
            lyric = RawLyric(str(self.verse), "", (one.text,), (one.hyphen,), (), one.extend, ())
            voice.bars[bar].words.setdefault(index, []).append(lyric)
            self.sung[voice.id, self.verse] = (bar, index)
        if found.left:
            self.remark_left(f"{found.left} syllables of verse {self.verse} that found no note")

    def symbol_line(self, text: str) -> None:
        """An `s:` line: chord symbols and decorations for the notes before it."""
        voice = self.here
        start = voice.line_start
        slots = voice.slots[start:]
        place, bar = 0, slots[0][0] if slots else 0
        for found in re.finditer(r'"[^"]*"|![^!]*!|[*|]|\S', text):
            sign = found[0]
            if sign == "|":
                bar += 1
                while place < len(slots) and slots[place][0] < bar:
                    place += 1
                continue
            if place >= len(slots):
                self.remark_left("signs of a symbol line that found no note")
                return
            self.put_symbol(voice, slots[place], sign)
            place += 1

    def put_symbol(self, voice: OpenVoice, slot: tuple[int, int], sign: str) -> None:
        """Keep a sign of a symbol line at its note."""
        bar, index = voice.bars[slot[0]], slot[1]
        note = bar.notes[index]
        if sign.startswith("!"):
            name = sign.strip("!")
            bar.notes[index] = replace(note, fermata=note.fermata or name in FERMATAS,
                                       breath=note.breath or name in BREATHS)  # fmt: skip
            if name not in (*FERMATAS, *BREATHS):
                self.left_here(f"a sign ({name[:24]})")
        elif sign.startswith('"') and sign[1:2] not in ANNOTATION_SIGNS:
            quoted = read_quoted(plain(sign[1:-1]))
            if quoted.chord is not None:
                bar.harmonies.append(harmony_of(quoted, quoted.chord, note.at, ()))
            else:
                self.left_here(f"printed words ({quoted.text[:30]})")
        elif sign != "*":
            self.left_here(f"a sign of a symbol line ({sign[:24]})")
