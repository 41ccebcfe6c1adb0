"""A witness to the exchange file: does it hold the tune, and can two hands and two feet play it.

The musical problem: a program that lays out and judges by the same code can be wrong twice in the same way. The
witness looks only at the finished file, reads it with music21, and shares no line of code with the program.

Conventions: times are quarter notes from the beginning of a section (a rehearsal mark opens a section), keys are
MIDI numbers of the keys pressed, stretches are 14ths of an octave (half a white key each, imaginary keys between
E and F, B and C: an octave 14, a ninth 16). Limbs are "right", "left" and "feet". The tune is the highest note of
the first voice of the right hand's staff. Two voices that strike one key together press it once; a key struck while
another voice on the same manual holds it is a fault. At most `NOTES_IN_HAND` keys in a hand, one for the feet.

References: `music21` (independent reader of MusicXML); finger-pair distances in 14ths of an octave after Balliauw
et al. 2017 (second hand); compasses of 61 and 30 keys: AGO console standard and BDO (from memory); the rest common
practice, no source.
"""

from __future__ import annotations

import re
import warnings
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

WHITE_PLACES = (0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12)
MEDIUM_REACH = 16
NOTES_IN_HAND = 5
MANUAL_KEYS, PEDAL_KEYS = (36, 96), (36, 65)
LIMBS = ("right", "left", "feet")
VERSE_NUMBER = re.compile(r"^\s*\d+\.\s*")
"""A verse's number printed before its first word is no part of the words."""

TuneNote = tuple[Fraction, Fraction, int]
"""Start, duration, MIDI number."""
Syllable = tuple[Fraction, str]
"""Start, text."""
ChordName = tuple[Fraction, str, str, str]
"""Start, root, MusicXML kind, lowest note; flats are written `b`; no chord has empty names and kind `none`."""


@dataclass(frozen=True, slots=True)
class Key:
    """A key from press to release, ties merged; `voice` is its voice's place in the staff, `bar` the printed number."""

    start: Fraction
    end: Fraction
    midi: int
    limb: str
    voice: int
    bar: str
    is_tune: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """What the file says between two rehearsal marks."""

    name: str
    length: Fraction
    bars: tuple[tuple[str, Fraction, Fraction], ...]
    """Printed number, start, length."""
    beat: Fraction
    """Length of the first time signature's beat."""
    tonic: int
    """Pitch class of the first key signature's tonic."""
    tune: tuple[TuneNote, ...]
    words: tuple[Syllable, ...]
    chords: tuple[ChordName, ...]
    chord_tones: tuple[tuple[Fraction, int, frozenset[int]], ...]
    """Start, root and tones (pitch classes) of each chord symbol, as music21 realises it; root -1 for no chord."""
    keys: tuple[Key, ...]
    unfilled: tuple[str, ...]
    """Where the staves' first voices do not fill the bar."""
    odd: tuple[str, ...]
    """Bars that do not have the length of their time signature."""
    grid: tuple[tuple[Fraction, int, Fraction], ...] = ()
    """For each bar its beat's length, its time signature's number of beats, and where in a full bar it begins."""
    breaths: tuple[Fraction, ...] = ()
    """Ends of the notes that bear a breath mark."""

    def place(self, start: Fraction) -> str:
        """`Verse 2, bar 7, 1 1/2 quarters in`."""
        number, begin = next(
            ((number, at) for number, at, length in self.bars if at <= start < at + length), ("?", start)
        )
        return f"{self.name}, bar {number}, {start - begin} quarters in"


@dataclass(frozen=True, slots=True)
class Expected:
    """What a section should hold; None is not compared."""

    tune: tuple[TuneNote, ...]
    words: tuple[Syllable, ...] | None = None
    chords: tuple[ChordName, ...] | None = None
    lengths: tuple[Fraction, ...] | None = None
    """Lengths of the bars in the source: a bar that is short there may be short here."""

    def raised(self, semitones: int) -> Expected:
        """The same with the tune on higher keys (words and chords stay)."""
        return replace(self, tune=tuple((start, length, midi + semitones) for start, length, midi in self.tune))


def place(midi: int) -> int:
    """Place of a key in 14ths of an octave."""
    return 14 * (midi // 12) + WHITE_PLACES[midi % 12]


def stretch(low: int, high: int) -> int:
    """Stretch between two keys in 14ths of an octave."""
    return place(high) - place(low)


# -- reading the exchange file ---------------------------------------------------------------------


def parse(source: Path | bytes) -> Any:
    """A music21 score from a file or from the bytes of a MusicXML file, never from music21's own store."""
    from music21 import converter  # noqa: PLC0415 - heavy

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if isinstance(source, bytes):
            return converter.parseData(source.decode("utf-8"), format="musicxml")
        return converter.parse(str(source), forceSource=True)


@dataclass(frozen=True, slots=True)
class _Head:
    """One notehead as written."""

    start: Fraction
    length: Fraction
    midi: int
    limb: str
    voice: int
    bar: str
    tied_from: bool
    tied_to: bool
    is_tune: bool


def read_sections(data: bytes) -> tuple[Section, ...]:
    """The sections of an exchange file in order."""
    staves = [list(part.getElementsByClass("Measure")) for part in parse(data).parts]
    if len(staves) != len(LIMBS) or len({len(staff) for staff in staves}) != 1:
        raise ValueError(
            f"right hand, left hand and pedal of equal length are wanted, not {list(map(len, staves))} bars"
        )
    columns = list(zip(*staves, strict=True))
    marks = [index for index, column in enumerate(columns) if _rehearsal(column)]
    if not marks or marks[0] != 0:
        raise ValueError("the file does not begin with a rehearsal mark")
    return tuple(_section(columns[first:last]) for first, last in pairwise([*marks, len(columns)]))


def _rehearsal(column: Sequence[Any]) -> str:
    return next((str(mark.content) for bar in column for mark in bar.getElementsByClass("RehearsalMark")), "")


def _exact(value: Any) -> Fraction:
    return Fraction(value).limit_denominator(960)


def _section(columns: Sequence[Sequence[Any]]) -> Section:
    name = _rehearsal(columns[0])
    start = Fraction(0)
    bars: list[tuple[str, Fraction, Fraction]] = []
    heads: list[_Head] = []
    words: list[Syllable] = []
    chords: list[tuple[Fraction, Any]] = []
    unfilled: list[str] = []
    full: list[Fraction] = []
    signatures: list[Any] = []
    breaths: set[Fraction] = set()
    times = [bar.timeSignature for bar in columns[0] if bar.timeSignature is not None]
    keys = [bar.keySignature for bar in columns[0] if bar.keySignature is not None]
    wanted = _exact(times[0].barDuration.quarterLength) if times else Fraction(0)
    signature = times[0] if times else None
    for column in columns:
        if column[0].timeSignature is not None:
            signature = column[0].timeSignature
            wanted = _exact(signature.barDuration.quarterLength)
        number = f"{column[0].number}{column[0].numberSuffix or ''}"
        lengths = []
        for limb, bar in zip(LIMBS, column, strict=True):
            voices = _voices(bar)
            length, gap = _filled(voices[0])
            lengths.append(length)
            if gap:
                unfilled.append(f"{name}, bar {number}: the {limb}'s first voice {gap}")
            for index, voice in enumerate(voices):
                heads.extend(_heads(voice, start, limb, index, number))
                breaths.update(_breaths(voice, start))
            if limb == "right":
                words.extend(_lyrics(voices[0], start))
                chords.extend((start + _exact(one.offset), one) for one in _symbols(bar))
        length = max(lengths)
        if len(set(lengths)) > 1:
            unfilled.append(f"{name}, bar {number}: staves of {', '.join(map(str, lengths))} quarters")
        late = [
            head
            for head in heads
            if head.bar == number and head.start >= start and head.start + head.length > start + length
        ]
        unfilled.extend(
            f"{name}, bar {number}: the {head.limb}'s {head.midi} sounds past the bar line" for head in late
        )
        bars.append((number, start, length))
        full.append(wanted)
        signatures.append(signature)
        start += length
    return Section(
        name, start, tuple(bars), _exact(times[0].beatDuration.quarterLength) if times else Fraction(1),
        _tonic(keys[0]) if keys else 0, _tune_of(heads), tuple(sorted(words)),
        tuple(sorted(_named(at, one) for at, one in chords)),
        tuple(sorted((_realised(at, one) for at, one in chords), key=lambda one: one[0])),
        _pressed(heads), tuple(unfilled), tuple(_odd_bars(name, bars, full)), tuple(_grid(bars, signatures)),
        tuple(sorted(breaths)),
    )  # fmt: skip


def _tonic(signature: Any) -> int:
    tonic = getattr(signature, "tonic", None)
    return int((tonic or signature.asKey("major").tonic).pitchClass)


def _voices(bar: Any) -> list[Any]:
    """Voices of a staff in a bar, the first first; a bar without voices is one itself."""
    return list(bar.voices) or [bar]


def _sounding(voice: Any) -> Iterator[Any]:
    """Notes, chords and rests of a voice in order; chord symbols and grace notes are none of them."""
    for one in voice.getElementsByClass(("Note", "Chord", "Rest")):
        if "Harmony" not in one.classes and not one.duration.isGrace:
            yield one


def _symbols(bar: Any) -> Iterator[Any]:
    yield from bar.getElementsByClass("Harmony")


def _filled(voice: Any) -> tuple[Fraction, str]:
    """How far a voice reaches in its bar, and what is wrong on the way."""
    reached = Fraction(0)
    for one in _sounding(voice):
        at = _exact(one.offset)
        if at != reached:
            return max(
                reached, at
            ), f"{'leaves a gap' if at > reached else 'overlaps itself'} {min(at, reached)} quarters in"
        reached = at + _exact(one.duration.quarterLength)
    return reached, "" if reached else "is empty"


def _odd_bars(name: str, bars: Sequence[tuple[str, Fraction, Fraction]], full: Sequence[Fraction]) -> Iterator[str]:
    """Bars longer than the time signature, and short ones that are neither first, last nor beside a short one."""
    short = [length < wanted for (_, _, length), wanted in zip(bars, full, strict=True)]
    for index, (number, _, length) in enumerate(bars):
        beside = index in (0, len(bars) - 1) or short[index - 1] or short[index + 1]
        if length > full[index] or (short[index] and not beside):
            yield f"{name}, bar {number}: {length} quarters, {full[index]} wanted"


def _grid(
    bars: Sequence[tuple[str, Fraction, Fraction]], signatures: Sequence[Any]
) -> Iterator[tuple[Fraction, int, Fraction]]:
    """Beats of each bar; a pickup is the end of a full bar, and a bar cut in two is counted on."""
    before = Fraction(0)
    for index, ((_, _, length), signature) in enumerate(zip(bars, signatures, strict=True)):
        if signature is None:
            yield length, 1, Fraction(0)
            continue
        full = _exact(signature.barDuration.quarterLength)
        inside = full - length if index == 0 and length < full else before if before + length <= full else Fraction(0)
        yield _exact(signature.beatDuration.quarterLength), int(signature.beatCount), inside
        before = inside + length if inside + length < full else Fraction(0)


def _breaths(voice: Any, begin: Fraction) -> Iterator[Fraction]:
    for one in _sounding(voice):
        if any("BreathMark" in mark.classes for mark in one.articulations):
            yield begin + _exact(one.offset) + _exact(one.duration.quarterLength)


def _heads(voice: Any, begin: Fraction, limb: str, index: int, number: str) -> Iterator[_Head]:
    for one in _sounding(voice):
        notes = getattr(one, "notes", (one,)) if not one.isRest else ()
        top = max((note.pitch.midi for note in notes), default=0)
        for note in notes:
            tie = note.tie.type if note.tie is not None else ""
            yield _Head(
                begin + _exact(one.offset), _exact(one.duration.quarterLength), note.pitch.midi, limb, index, number,
                tie in ("stop", "continue"), tie in ("start", "continue"),
                limb == "right" and index == 0 and note.pitch.midi == top,
            )  # fmt: skip


def _lyrics(voice: Any, begin: Fraction) -> Iterator[Syllable]:
    for one in _sounding(voice):
        for lyric in one.lyrics:
            yield begin + _exact(one.offset), str(lyric.text)


def _pressed(heads: Iterable[_Head]) -> tuple[Key, ...]:
    """Keys from press to release: what is tied is one key."""
    done: list[Key] = []
    open_ones: dict[tuple[str, int], list[Key]] = {}
    for head in sorted(heads, key=lambda one: (one.start, not one.tied_from, one.voice)):
        same = open_ones.setdefault((head.limb, head.midi), [])
        held = [key for key in same if key.end == head.start]
        before = next((key for key in held if key.voice == head.voice), held[0] if held else None)
        if head.tied_from and before is not None:
            same.remove(before)
            key = replace(before, end=head.start + head.length, voice=head.voice)
        else:
            key = Key(head.start, head.start + head.length, head.midi, head.limb, head.voice, head.bar, head.is_tune)
        (same if head.tied_to else done).append(key)
    done.extend(key for same in open_ones.values() for key in same)
    return tuple(sorted(done, key=lambda key: (key.start, key.midi, key.limb, key.voice)))


def _tune_of(heads: Iterable[_Head]) -> tuple[TuneNote, ...]:
    return tuple((key.start, key.end - key.start, key.midi) for key in _pressed(head for head in heads if head.is_tune))


def _named(start: Fraction, symbol: Any) -> ChordName:
    if "NoChord" in symbol.classes or symbol.chordKind == "none":
        return start, "", "none", ""
    root = symbol.root().name.replace("-", "b")
    bass = symbol.bass().name.replace("-", "b") if symbol.bass() is not None else root
    return start, root, str(symbol.chordKind), bass


def _realised(start: Fraction, symbol: Any) -> tuple[Fraction, int, frozenset[int]]:
    root = -1 if _named(start, symbol)[2] == "none" else int(symbol.root().pitchClass)
    return start, root, frozenset(pitch.pitchClass for pitch in symbol.pitches)


# -- judging ---------------------------------------------------------------------------------------


def faults(
    data: bytes,
    *,
    one_manual: Sequence[bool],
    expected: Sequence[Expected] | None = None,
    reach: int = MEDIUM_REACH,
    manual_keys: tuple[int, int] = MANUAL_KEYS,
    pedal_keys: tuple[int, int] = PEDAL_KEYS,
) -> list[str]:
    """Everything the witness has against a file; empty when it has nothing.

    `one_manual` tells for each section whether both hands play on one manual; `expected` gives each section's
    tune on the keys to be pressed.
    """
    try:
        sections = read_sections(data)
    except ValueError as fault:
        return [str(fault)]
    return section_faults(
        sections, one_manual=one_manual, expected=expected, reach=reach, manual_keys=manual_keys, pedal_keys=pedal_keys
    )


def section_faults(
    sections: Sequence[Section],
    *,
    one_manual: Sequence[bool],
    expected: Sequence[Expected] | None = None,
    reach: int = MEDIUM_REACH,
    manual_keys: tuple[int, int] = MANUAL_KEYS,
    pedal_keys: tuple[int, int] = PEDAL_KEYS,
) -> list[str]:
    """The same of sections that were read before."""
    found: list[str] = []
    if len(one_manual) != len(sections):
        return [f"{len(sections)} sections, {len(one_manual)} told of"]
    if expected is not None and len(expected) != len(sections):
        found.append(f"{len(sections)} sections, {len(expected)} expected: {', '.join(one.name for one in sections)}")
    for index, (section, together) in enumerate(zip(sections, one_manual, strict=True)):
        found.extend(section.unfilled)
        lengths = expected[index].lengths if expected is not None and index < len(expected) else None
        if lengths is None or lengths != tuple(length for _, _, length in section.bars):
            found.extend(section.odd)
        found.extend(_out_of_compass(section, manual_keys, pedal_keys))
        found.extend(_hands(section, reach))
        found.extend(_struck_twice(section, together=together))
        found.extend(_covered(section, together=together))
    for section, wanted in zip(sections, expected or (), strict=False):
        found.extend(_differs(section, wanted))
    return found


def _out_of_compass(section: Section, manual: tuple[int, int], pedal: tuple[int, int]) -> Iterator[str]:
    for key in section.keys:
        low, high = pedal if key.limb == "feet" else manual
        if not low <= key.midi <= high:
            yield f"{section.place(key.start)}: the {key.limb}'s key {key.midi} is not there ({low} to {high})"


def _hands(section: Section, reach: int) -> Iterator[str]:
    """Stretch and number of keys in each hand, and of the feet, whenever something is struck."""
    for limb in LIMBS:
        own = [key for key in section.keys if key.limb == limb]
        for start in sorted({key.start for key in own}):
            down = sorted({key.midi for key in own if key.start <= start < key.end})
            if limb == "feet":
                if len(down) > 1:
                    yield f"{section.place(start)}: the feet play {down} at once"
                continue
            if len(down) > NOTES_IN_HAND:
                yield f"{section.place(start)}: the {limb} hand holds {len(down)} keys"
            if stretch(down[0], down[-1]) > reach:
                far = stretch(down[0], down[-1])
                yield f"{section.place(start)}: the {limb} hand reaches from {down[0]} to {down[-1]} ({far} of {reach})"


def _manual(key: Key, *, together: bool) -> str:
    return "manual" if together and key.limb != "feet" else key.limb


def _struck_twice(section: Section, *, together: bool) -> Iterator[str]:
    by_key: dict[tuple[str, int], list[Key]] = {}
    for key in section.keys:
        by_key.setdefault((_manual(key, together=together), key.midi), []).append(key)
    for same in by_key.values():
        for index, key in enumerate(same):
            if any(other.start < key.start < other.end for other in same[:index]):
                yield f"{section.place(key.start)}: the {key.limb} strikes key {key.midi} while it is held"


def _covered(section: Section, *, together: bool) -> Iterator[str]:
    """Keys above the tune on the tune's manual (at the tune they are one key, or told as struck twice)."""
    tune = [key for key in section.keys if key.is_tune]
    for key in section.keys:
        if key.is_tune or _manual(key, together=together) not in ("right", "manual"):
            continue
        over = next((t for t in tune if t.start < key.end and key.start < t.end and key.midi > t.midi), None)
        if over is not None:
            yield f"{section.place(max(key.start, over.start))}: key {key.midi} lies above the tune's {over.midi}"


def _differs(section: Section, expected: Expected) -> Iterator[str]:
    compared: tuple[tuple[str, Sequence[tuple[Any, ...]], Sequence[tuple[Any, ...]] | None], ...] = (
        ("tune", section.tune, expected.tune),
        ("words", section.words, expected.words),
        ("chords", section.chords, expected.chords),
    )
    for what, have, want in compared:
        if want is None or list(have) == sorted(want):
            continue
        missing = sorted((Counter(want) - Counter(have)).elements())
        added = sorted((Counter(have) - Counter(want)).elements())
        first = min([*missing[:1], *added[:1]])[0]
        yield (
            f"{section.place(first)}: the {what} differ{'s' if what == 'tune' else ''}: {len(missing)} missing"
            f" ({_show(missing)}), {len(added)} not expected ({_show(added)})"
        )


def _show(rows: Sequence[tuple[Any, ...]]) -> str:
    shown = ["/".join(map(str, row)) for row in rows[:3]]
    return ", ".join([*shown, "..."] if len(rows) > 3 else shown) or "none"


def craft(section: Section) -> Counter[str]:
    """What is against the craft, counted, not judged; the print's own faults are counted too.

    The home key's leading note sounding twice where it is root or major third of the chord (R1), and a chord tone
    sounding a semitone under an on-beat tune note that is not in the chord (R2; common practice, no source).
    """
    found: Counter[str] = Counter()
    leading, dominant = (section.tonic - 1) % 12, (section.tonic + 7) % 12
    ends = [*(start for start, _, _ in section.chord_tones[1:]), section.length]
    for (start, root, tones), end in zip(section.chord_tones, ends, strict=True):
        sounding = [key for key in section.keys if key.start < end and key.end > start]
        for at in sorted({max(key.start, start) for key in sounding}):
            down = {key.midi for key in sounding if key.start <= at < key.end and key.midi % 12 == leading}
            found["leading note doubled"] += root in (leading, dominant) and leading in tones and len(down) > 1
        for tune in (key for key in sounding if key.is_tune and start <= key.start and key.midi % 12 not in tones):
            bar = next(begin for _, begin, length in section.bars if begin <= tune.start < begin + length)
            under = (tune.midi - 1) % 12
            if (tune.start - bar) % section.beat == 0 and under in tones:
                found["semitone under the tune"] += any(
                    key.midi % 12 == under and key.start < min(tune.end, end) and key.end > tune.start
                    for key in sounding
                )
    return +found


# -- what a source asks for ------------------------------------------------------------------------


def expected_of(score: Any, verses: Sequence[int] = (), *, chords: bool = False) -> list[Expected]:
    """The sections to be expected of a hymn that music21 has read: the first part's tune, walked along its repeats.

    One for each verse, or one without words where there are none. Under a repeat the lines of words belong to the
    verses in turn, one for each time through; a bar with one line only belongs to every verse (common practice in
    hymnals, no source). Chords are compared only when asked for.
    """
    walked = _walked(score.parts[0])
    tune = walked_voice(score.parts[0], walked)
    symbols = tuple(_walked_chords(walked)) if chords else None
    lengths = tuple(_length(bar) for _, bar, _ in walked)
    lines = max((len(_lyric_lines(bar)) for _, bar, _ in walked), default=0)
    if not lines or not verses:
        return [Expected(tune, (), symbols, lengths)]
    return [
        Expected(tune, tuple(_walked_words(walked, index, len(verses))), symbols, lengths)
        for index in range(len(verses))
    ]


def walked_voice(part: Any, walked: Iterable[tuple[Fraction, Any, tuple[int, int]]] = ()) -> tuple[TuneNote, ...]:
    """The highest notes of a part's first voice along its repeats, ties merged."""
    return _tune_of(_walked_heads(walked or _walked(part)))


def _walked(part: Any) -> list[tuple[Fraction, Any, tuple[int, int]]]:
    """Bars as sung: start, bar, (which time through, of how many). Bars begin where the one before ends."""
    for index, bar in enumerate(part.getElementsByClass("Measure")):
        bar.groups.append(f"page{index}")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        bars = list(part.expandRepeats().getElementsByClass("Measure"))
    pages = [next(name for name in bar.groups if name.startswith("page")) for bar in bars]
    total, seen = Counter(pages), Counter[str]()
    walked, start = [], Fraction(0)
    for page, bar in zip(pages, bars, strict=True):
        seen[page] += 1
        walked.append((start, bar, (seen[page], total[page])))
        start += _length(bar)
    return walked


def _length(bar: Any) -> Fraction:
    return max(_filled(voice)[0] for voice in _voices(bar))


def _walked_heads(walked: Iterable[tuple[Fraction, Any, tuple[int, int]]]) -> Iterator[_Head]:
    for start, bar, _ in walked:
        for head in _heads(_voices(bar)[0], start, "right", 0, str(bar.number)):
            if head.is_tune:
                yield head


def _lyric_lines(bar: Any) -> list[int]:
    return sorted({lyric.number for one in _sounding(_voices(bar)[0]) for lyric in one.lyrics})


def _walked_words(
    walked: Sequence[tuple[Fraction, Any, tuple[int, int]]], verse: int, verses: int
) -> Iterator[Syllable]:
    under: dict[int, list[int]] = {}
    for _, bar, (_, times) in walked:
        under[times] = sorted({*under.get(times, []), *_lyric_lines(bar)})
    for start, bar, (time, times) in walked:
        own = _lyric_lines(bar)
        lines = own if times == 1 and len(own) in (1, verses) else under[times]
        turn = verse * times + time - 1 if len(lines) == times * verses else verse
        wanted = lines[min(turn, len(lines) - 1)] if lines else 0
        for one in _sounding(_voices(bar)[0]):
            for lyric in one.lyrics:
                if lyric.number == wanted and lyric.text:
                    yield start + _exact(one.offset), VERSE_NUMBER.sub("", str(lyric.text))


def _walked_chords(walked: Iterable[tuple[Fraction, Any, tuple[int, int]]]) -> Iterator[ChordName]:
    for start, bar, _ in walked:
        for symbol in _symbols(bar):
            yield _named(start + _exact(symbol.offset), symbol)
