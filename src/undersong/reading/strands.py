"""Which notes belong to one voice: open and closed score brought to single lines.

A hymn is printed on four staves with a voice each, on two staves with two voices each (as two voices of
a staff, as two-note chords on one stem, or both in turn, a single note standing for both when they meet),
as a melody with chord symbols, or as a melody alone. Each staff is therefore told to carry one line or two,
and its notes are dealt out to them bar by bar; then the lines are named.

Conventions: a *strand* is one line of raw notes; its notes never overlap. The upper strand of a staff takes
the top of a chord, the lower the bottom; what lies between is left out and said so. Where one of two voices
is silent without a printed rest, it has joined the other in unison (common practice in hymn-books, no source).
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations, pairwise
from typing import Literal

from undersong.errors import NotAHymn
from undersong.reading.notebook import Notebook
from undersong.reading.raw import RawNote, RawPart, RawScore

SATB = ("soprano", "alto", "tenor", "bass")
MOST_STAVES = 12
"""More staves with notes than this are an orchestra, whatever they are called."""
TWO_VOICES_SHARE = Fraction(3, 20)
"""Share of the sounding time with two notes or more that makes a staff carry two voices."""
TWO_VOICES_SHARE_ALONE = Fraction(3, 10)
"""The same for a staff that stands alone: a melody with a few chords stays a melody."""
SAME_TUNE = Fraction(4, 5)
"""Share of equal notes that makes a sung line and the top of the keyboard part one tune."""

AT_HOME = Fraction(4, 5)
"""Share of a voice's notes that makes a staff its home."""
RANGES = {"soprano": (60, 79), "alto": (55, 74), "tenor": (48, 67), "bass": (40, 62)}
"""Lowest and highest note of each voice in hymns (common practice of choral writing, no source)."""
MOST_LINES = 8
"""Of so many lines four are chosen; more are not a hymn."""
WIDEST_GAP = 9.0
"""Semitones between the means of tune and alto, over which the upper line is rather a descant (assumed)."""
HEIGHT_COUNTS = 20.0
"""So many semitones of height of the top line weigh as much as a whole common rhythm: the lower one is the tune."""

_NAMES = (
    ("soprano", re.compile(r"\b(sopran\w*|sop|s|cantus|discantus|superius|treble)\b\.?")),
    ("alto", re.compile(r"\b(alto|altus|alt|a|contralto)\b\.?")),
    ("tenor", re.compile(r"\b(tenor\w*|ten|t)\b\.?")),
    ("bass", re.compile(r"\b(bass|bassus|basso|b)\b\.?")),
)
_EXTRA = re.compile(r"descant|obbligato|oboe|violin|flute|flauto|trump|tromba|horn|corn[oi]|contin|figured|organ|timp")

Side = Literal["only", "upper", "lower"]


@dataclass(frozen=True, slots=True)
class Strand:
    """One line of notes: where it stands and what it holds (grace notes before their main notes)."""

    part: RawPart
    staff: int
    side: Side
    notes: tuple[RawNote, ...]
    name: str = ""

    @property
    def mean(self) -> Fraction:
        """Mean note number, for ordering from high to low."""
        numbers = [note.pitch.midi for note in self.notes if note.pitch is not None]
        return Fraction(sum(numbers), len(numbers)) if numbers else Fraction(0)

    @property
    def struck(self) -> frozenset[tuple[int, Fraction]]:
        """Bar and place of every note that is struck."""
        return frozenset((note.bar, note.at) for note in self.notes if not note.tie_stop and not note.grace)

    @property
    def label(self) -> str:
        """How the part is called on the page."""
        return self.part.name or self.part.short or self.part.id

    @property
    def has_words(self) -> bool:
        """True where syllables stand under its notes."""
        return any(note.lyrics for note in self.notes)


def find_strands(score: RawScore, notebook: Notebook, file: str = "") -> tuple[Strand, ...]:
    """The voices of the hymn, named and from high to low; NotAHymn when no choice of voices makes sense."""
    score = replace(score, parts=tuple(_visible(_at_home(part), notebook) for part in score.parts))
    staves = _sounding_staves(score, notebook)
    if not staves:
        raise NotAHymn("this score holds no notes", file=file)
    staves = _chosen_staves(staves, notebook)
    if len(staves) > MOST_STAVES:
        raise NotAHymn(
            f"this score has {len(staves)} staves: it is for an orchestra or a large choir",
            file=file,
            remedy="Name the four parts of the hymn soprano, alto, tenor and bass, or leave the others out.",
        )
    strands: list[Strand] = []
    for part, staff in staves:
        strands.extend(_strands_of(part, staff, len(staves), notebook))
    strands = [strand for strand in strands if any(map(_is_music, strand.notes))]
    return _named(strands, notebook, file)


def _at_home(part: RawPart) -> RawPart:
    """Notes that a voice writes on the other staff go back to the staff on which it has nearly all its notes."""
    if len(part.staves) < 2:
        return part
    counts: dict[str, Counter[int]] = defaultdict(Counter)
    for bar in part.bars:
        for note in bar.notes:
            if _is_music(note):
                counts[note.voice][note.staff] += 1
    homes = {}
    for voice, staves in counts.items():
        staff, most = staves.most_common(1)[0]
        if len(staves) > 1 and most >= AT_HOME * staves.total():
            homes[voice] = staff
    if not homes:
        return part
    bars = (
        replace(bar, notes=tuple(replace(note, staff=homes.get(note.voice, note.staff)) for note in bar.notes))
        for bar in part.bars
    )
    return replace(part, bars=tuple(bars))


def _visible(part: RawPart, notebook: Notebook) -> RawPart:
    """The part without voices that never show on the page; a single hidden note of a shown voice is kept."""
    shown: set[tuple[int, str]] = set()
    hidden: set[tuple[int, str]] = set()
    for bar in part.bars:
        for note in bar.notes:
            if _is_music(note):
                (hidden if note.hidden else shown).add((note.staff, note.voice))
    gone = {key for key in hidden - shown if any(staff == key[0] for staff, _ in shown)}
    if not gone:
        return part
    notebook.leave_out("a hidden voice", who=part.name or part.short or part.id)
    bars = (
        replace(bar, notes=tuple(note for note in bar.notes if (note.staff, note.voice) not in gone))
        for bar in part.bars
    )
    return replace(part, bars=tuple(bars))


def _is_music(note: RawNote) -> bool:
    return note.pitch is not None and not note.rest and not note.grace and not note.unpitched and note.length > 0


def _sounding_staves(score: RawScore, notebook: Notebook) -> list[tuple[RawPart, int]]:
    found = []
    for part in score.parts:
        for staff in part.staves:
            notes = part.notes_of(staff)
            sign = part.clef_sign(staff)
            who = part.name or part.short or part.id
            if sign in ("TAB", "percussion", "jianpu") or (notes and all(n.unpitched or n.rest for n in notes)):
                if any(not note.rest for note in notes):
                    notebook.leave_out("tablature or percussion is not read", who=who)
            elif any(_is_music(note) and not note.cue for note in notes):
                found.append((part, staff))
    return found


def _voice_name(part: RawPart) -> str:
    """The voice a part is called, by its name or else its short name; "" for an instrument, whatever its letter.

    A voice with the instruments that double it (`Soprano, oboe`) is told by its short name.
    """
    name = part.name.lower()
    if _EXTRA.search(name) and not any(pattern.search(name) for _, pattern in _NAMES):
        return ""
    for text in (part.name.lower(), part.short.lower()):
        if text and not _EXTRA.search(text):
            found = [name for name, pattern in _NAMES if pattern.search(text)]
            if len(found) == 1:
                return found[0]
    return ""


def _chosen_staves(staves: list[tuple[RawPart, int]], notebook: Notebook) -> list[tuple[RawPart, int]]:
    """Leave out what is plainly not one of the voices."""
    if len(staves) > 4:
        named = {}
        for part, staff in staves:
            name = _voice_name(part)
            if name and name not in named:
                named[name] = (part, staff)
        if len(named) == 4:
            return _without_others(staves, [named[name] for name in SATB], notebook)
        plain = [(part, staff) for part, staff in staves if not _EXTRA.search(part.name.lower())]
        if 1 <= len(plain) <= 4:
            staves = _without_others(staves, plain, notebook)
    return _song_or_keyboard(staves, notebook)


def _song_or_keyboard(staves: list[tuple[RawPart, int]], notebook: Notebook) -> list[tuple[RawPart, int]]:
    """A sung line over a keyboard part: the keyboard's four parts if they carry the tune, else the sung line."""
    counts = Counter(part.id for part, _ in staves)
    keyboard = [one for one in staves if counts[one[0].id] == 2]
    sung = [one for one in staves if counts[one[0].id] == 1]
    if len(keyboard) != 2 or not sung or len({part.id for part, _ in keyboard}) != 1:
        return staves
    if not any(note.lyrics for part, staff in sung for note in part.notes_of(staff)):
        return staves
    tune, top = (_tops(*one) for one in (sung[0], keyboard[0]))
    same = sum(1 for place, pitch in tune.items() if top.get(place) == pitch)
    if tune and Fraction(same, len(tune)) >= SAME_TUNE:
        return _without_others(staves, keyboard, notebook)
    return _without_others(staves, sung, notebook)


def _tops(part: RawPart, staff: int) -> dict[tuple[int, Fraction], int]:
    tops: dict[tuple[int, Fraction], int] = {}
    for note in part.notes_of(staff):
        if _is_music(note) and note.pitch is not None:
            place = (note.bar, note.at)
            tops[place] = max(tops.get(place, -1), note.pitch.midi)
    return tops


def _without_others(
    staves: list[tuple[RawPart, int]], kept: list[tuple[RawPart, int]], notebook: Notebook
) -> list[tuple[RawPart, int]]:
    for part, staff in staves:
        if (part, staff) not in kept:
            notebook.leave_out("this part is not one of the hymn's voices", who=part.name or part.short or part.id)
    return kept


@dataclass(frozen=True, slots=True)
class _Stem:
    """What one voice strikes at one place: a note or a chord, from high to low."""

    voice: str
    at: Fraction
    notes: tuple[RawNote, ...]

    @property
    def end(self) -> Fraction:
        return max(note.end for note in self.notes)


def _strands_of(part: RawPart, staff: int, staves: int, notebook: Notebook) -> list[Strand]:
    notes = [note for note in part.notes_of(staff) if not note.unpitched]
    who = part.name or part.short or part.id
    by_bar: dict[int, list[RawNote]] = defaultdict(list)
    for note in notes:
        by_bar[note.bar].append(note)
    share = _share_of_two(by_bar.values())
    two = staves < 4 and share >= (TWO_VOICES_SHARE_ALONE if staves == 1 else TWO_VOICES_SHARE)
    if two:
        upper, lower = _dealt(by_bar, notebook, who)
        return [
            Strand(part, staff, "upper", _in_line(upper, notebook, who)),
            Strand(part, staff, "lower", _in_line(lower, notebook, who)),
        ]
    low = part.clef_sign(staff) == "F" and _voice_name(part) in ("bass", "")
    return [Strand(part, staff, "only", _in_line(_single(by_bar, low, notebook, who), notebook, who))]


def _share_of_two(bars: Iterable[list[RawNote]]) -> Fraction:
    """Share of the sounding time in which two notes or more sound."""
    some = several = Fraction(0)
    for notes in bars:
        heads = [note for note in notes if _is_music(note) and not note.cue]
        edges = sorted({edge for note in heads for edge in (note.at, note.end)})
        for start, end in pairwise(edges):
            count = sum(1 for note in heads if note.at <= start and note.end >= end)
            some += (end - start) if count else 0
            several += (end - start) if count > 1 else 0
    return several / some if some else Fraction(0)


def _stems(notes: Sequence[RawNote], notebook: Notebook, who: str) -> list[_Stem]:
    """Chords gathered; small notes beside full-sized ones are left out."""
    full = [note for note in notes if _is_music(note) and not note.cue]
    small = [note for note in notes if _is_music(note) and note.cue]
    for note in small:
        if any(other.at < note.end and note.at < other.end for other in full):
            notebook.leave_out("small notes beside the printed ones", note.bar, note.at, who)
        else:
            full.append(note)
    heads: list[list[RawNote]] = []
    for note in full:
        last = heads[-1][0] if heads else None
        if note.chord and last is not None and (last.voice, last.at) == (note.voice, note.at):
            heads[-1].append(note)
        else:
            heads.append([note])
    stems = [_Stem(chord[0].voice, chord[0].at, tuple(sorted(chord, key=_height))) for chord in heads]
    return sorted(stems, key=lambda stem: (stem.at, stem.voice))


def _height(note: RawNote) -> tuple[int, int]:
    return (-note.pitch.midi, -note.pitch.diatonic) if note.pitch is not None else (0, 0)


def _ranks(by_bar: dict[int, list[RawNote]]) -> dict[str, tuple[int, Fraction]]:
    """Voices of a staff from high to low: by stems where they differ, else by mean pitch where both are printed."""
    pitches: dict[str, list[int]] = defaultdict(list)
    stems: dict[str, Counter[str]] = defaultdict(Counter)
    for notes in by_bar.values():
        heads = [note for note in notes if _is_music(note)]
        if len({note.voice for note in heads}) > 1:
            for note in heads:
                pitches[note.voice].append(note.pitch.midi if note.pitch is not None else 0)
                stems[note.voice][note.stem] += 1
    ranks = {}
    for voice, numbers in pitches.items():
        up, down = stems[voice]["up"], stems[voice]["down"]
        side = -1 if up > 4 * down else 1 if down > 4 * up else 0
        ranks[voice] = (side, -Fraction(sum(numbers), len(numbers)))
    if len({side for side, _ in ranks.values()} & {-1, 1}) < 2:
        ranks = {voice: (0, mean) for voice, (_, mean) in ranks.items()}
    return ranks


def _dealt(by_bar: dict[int, list[RawNote]], notebook: Notebook, who: str) -> tuple[list[RawNote], list[RawNote]]:
    """Deal the notes of a staff to its upper and lower voice, bar by bar."""
    ranks = _ranks(by_bar)
    upper: list[RawNote] = []
    lower: list[RawNote] = []
    for _, notes in sorted(by_bar.items()):
        stems = _stems(notes, notebook, who)
        lengths: Counter[str] = Counter()
        for stem in stems:
            lengths[stem.voice] += len(stem.notes)
        voices = sorted(lengths, key=lambda voice: ranks.get(voice, (0, Fraction(0))))
        rests = [note for note in notes if note.rest and not note.hidden and not note.grace]
        if len(voices) > 2:
            kept = {voice for voice, _ in lengths.most_common(2)}
            for voice in voices:
                if voice not in kept:
                    stem = next(one for one in stems if one.voice == voice)
                    notebook.leave_out("a third voice on one staff", stem.notes[0].bar, stem.at, who)
            stems = [stem for stem in stems if stem.voice in kept]
            voices = [voice for voice in voices if voice in kept]
        first = voices[0] if voices else ""
        second = voices[1] if len(voices) > 1 else None
        if second is None and stems and _overlapping(stems):
            top, bottom = _layers(stems)
        else:
            top = [stem for stem in stems if stem.voice == first]
            bottom = [stem for stem in stems if stem.voice == second]
        up, down = _shared(top, bottom, rests, notebook, who)
        grace = [note for note in notes if note.grace and note.pitch is not None]
        upper.extend([*up, *(note for note in grace if note.voice == first)])
        lower.extend([*down, *(note for note in grace if note.voice != first)])
    return upper, lower


def _overlapping(stems: list[_Stem]) -> bool:
    ordered = sorted(stems, key=lambda stem: stem.at)
    return any(one.end > other.at for one, other in pairwise(ordered))


def _layers(stems: list[_Stem]) -> tuple[list[_Stem], list[_Stem]]:
    """Two lines written under one voice name: each stem goes where there is room, the higher one first."""
    top: list[_Stem] = []
    bottom: list[_Stem] = []
    for stem in sorted(stems, key=lambda one: (one.at, _height(one.notes[0]))):
        free = not top or top[-1].end <= stem.at
        (top if free else bottom).append(stem)
    return top, bottom


def _shared(
    top: list[_Stem], bottom: list[_Stem], rests: list[RawNote], notebook: Notebook, who: str
) -> tuple[list[RawNote], list[RawNote]]:
    up: list[RawNote] = []
    down: list[RawNote] = []
    for stems, others, mine, theirs, pick, rest_voices in (
        (top, bottom, up, down, 0, {stem.voice for stem in top}),
        (bottom, top, down, up, -1, {stem.voice for stem in bottom}),
    ):
        for stem in stems:
            note = stem.notes[pick]
            mine.append(note)
            beside = any(other.at < stem.end and stem.at < other.end for other in others)
            silent = any(rest.at < stem.end and stem.at < rest.end and rest.voice not in rest_voices for rest in rests)
            extra = len(stem.notes) - 1
            if not beside and not silent:
                theirs.append(stem.notes[-1 if pick == 0 else 0])
                extra -= 1
            if extra > 0:
                notebook.leave_out("inner notes of a chord", note.bar, stem.at, who)
    return up, down


def _single(by_bar: dict[int, list[RawNote]], low: bool, notebook: Notebook, who: str) -> list[RawNote]:
    """One line from a staff: its main voice, the top of a chord (the bottom in a bass staff)."""
    totals: Counter[str] = Counter()
    for notes in by_bar.values():
        for note in notes:
            if _is_music(note) and not note.cue:
                totals[note.voice] += 1
    line: list[RawNote] = []
    for _, notes in sorted(by_bar.items()):
        stems = _stems(notes, notebook, who)
        voices = sorted({stem.voice for stem in stems}, key=lambda voice: -totals[voice])
        kept: list[_Stem] = []
        for voice in voices:
            for stem in stems:
                if stem.voice != voice:
                    continue
                if any(other.at < stem.end and stem.at < other.end for other in kept if other.voice != voice):
                    notebook.leave_out("a second voice on the staff", stem.notes[0].bar, stem.at, who)
                else:
                    kept.append(stem)
        for stem in kept:
            line.append(stem.notes[-1 if low else 0])
            if len(stem.notes) > 1:
                notebook.leave_out(f"other notes of a chord (the {'lowest' if low else 'highest'} is kept)",
                                   stem.notes[0].bar, stem.at, who)  # fmt: skip
        line.extend(note for note in notes if note.grace and note.pitch is not None and not note.chord)
    return line


def _in_line(notes: list[RawNote], notebook: Notebook, who: str) -> tuple[RawNote, ...]:
    """Notes in order; one that runs into the next is shortened."""
    ordered = sorted(notes, key=lambda note: (note.bar, note.at, not note.grace))
    line: list[RawNote] = []
    for note in ordered:
        last = line[-1] if line else None
        if last is not None and not note.grace and not last.grace and last.bar == note.bar and last.end > note.at:
            if last.at == note.at:
                notebook.leave_out("a second note of the same voice", note.bar, note.at, who)
                continue
            notebook.assume("a note runs into the next and was shortened", note.bar, last.at, who)
            line[-1] = replace(last, length=note.at - last.at, tie_start=False)
        line.append(note)
    return tuple(line)


def _named(strands: list[Strand], notebook: Notebook, file: str) -> tuple[Strand, ...]:
    if len(strands) > 4:
        strands = _four_of(strands, notebook, file)
    names = [_voice_name(strand.part) if strand.side == "only" else "" for strand in strands]
    if len(strands) == 4:
        if sorted(names) == sorted(SATB):
            order = sorted(range(4), key=lambda index: SATB.index(names[index]))
            strands = [strands[index] for index in order]
        else:
            strands = _by_height(strands, notebook)
        return tuple(replace(strand, name=name) for strand, name in zip(strands, SATB, strict=True))
    if len(strands) == 1:
        return (replace(strands[0], name="tune"),)
    return _few(strands, names, notebook)


def _by_height(strands: list[Strand], notebook: Notebook) -> list[Strand]:
    """Voices from high to low: staves by their height, the two voices of a staff as they stand on it."""
    staves: dict[tuple[str, int], list[Strand]] = defaultdict(list)
    for strand in strands:
        staves[strand.part.id, strand.staff].append(strand)
    means = {staff: sum((one.mean for one in held), Fraction(0)) / len(held) for staff, held in staves.items()}
    ordered = [strand for staff in sorted(staves, key=lambda one: -means[one]) for strand in staves[staff]]
    if ordered != strands:
        notebook.assume("the parts do not stand from high to low and are named by their height")
    return ordered


def _few(strands: list[Strand], names: list[str], notebook: Notebook) -> tuple[Strand, ...]:
    """Two or three voices: their own names where they have them, else by order and clef."""
    if len(set(names)) == len(names) and "" not in names and "soprano" in names:
        order = sorted(range(len(names)), key=lambda index: SATB.index(names[index]))
        return tuple(replace(strands[index], name=names[index]) for index in order)
    strands = _by_height(strands, notebook)
    low = strands[-1].part.clef_sign(strands[-1].staff) == "F"
    row = {(2, True): ("soprano", "bass"), (2, False): ("soprano", "alto"), (3, True): ("soprano", "alto", "bass")}
    given = row.get((len(strands), low), ("soprano", "alto", "tenor"))
    notebook.assume(f"the {len(strands)} voices are called {', '.join(given)}")
    return tuple(replace(strand, name=name) for strand, name in zip(strands, given, strict=True))


def _four_of(strands: list[Strand], notebook: Notebook, file: str) -> list[Strand]:
    """Four of five or more lines: those with words if they are four, else the block of four that sing together."""
    sung = [strand for strand in strands if strand.has_words]
    if len(sung) == 4:
        kept = sung
    elif len(strands) <= MOST_LINES:
        kept = max(_blocks(strands), key=_togetherness)
    else:
        raise NotAHymn(
            f"{len(strands)} voices are printed and none are named soprano, alto, tenor and bass",
            file=file,
            remedy="Name the four parts of the hymn in the file, or leave the others out.",
        )
    for strand in strands:
        if strand not in kept:
            notebook.leave_out("this part is not one of the hymn's four voices", who=strand.label)
    return kept


def _blocks(strands: list[Strand]) -> Iterable[list[Strand]]:
    """Every choice of four lines, in page order."""
    return (list(four) for four in combinations(strands, 4))


def _togetherness(four: list[Strand]) -> float:
    """How well four lines make the four parts of a hymn: one rhythm, no long rests, each in its own range.

    A descant rests, moves by itself or lies above a soprano's range; the tune is the top of what moves together.
    """
    ordered = sorted(four, key=lambda strand: -strand.mean)
    starts = [strand.struck for strand in ordered]
    everything = frozenset().union(*starts)
    pairs = [len(one & two) / max(1, len(one | two)) for one, two in combinations(starts, 2)]
    together = sum(pairs) / len(pairs)
    filled = sum(len(one) for one in starts) / (4 * max(1, len(everything)))
    astray = sum(_out_of_range(strand, name) for strand, name in zip(ordered, SATB, strict=True))
    gap = max(0.0, float(ordered[0].mean - ordered[1].mean) - WIDEST_GAP)
    words = sum(strand.has_words for strand in four) / 4
    return together + filled / 2 + words - astray / 4 - gap / 8 - float(ordered[0].mean) / HEIGHT_COUNTS


def _out_of_range(strand: Strand, name: str) -> float:
    """Share of the notes outside the voice's range, and how far its mean lies from the range's middle in octaves."""
    low, high = RANGES[name]
    numbers = [note.pitch.midi for note in strand.notes if note.pitch is not None]
    outside = sum(1 for number in numbers if not low <= number <= high) / max(1, len(numbers))
    return outside + abs(float(strand.mean) - (low + high) / 2) / 12
