"""Tunes of others' ABC collections: our reading beside music21's, note by note and symbol by symbol.

Run as `python sweeps/abc_tunes.py [--folder FOLDER] [--count 500] [--seed 21]`: a seeded sample of the ABC files in
music21's corpus, and every tune of FOLDER if one is named. music21 is told that the tunes are ABC 2.1, since it lets
accidentals hold to the end of the bar only then. Compared are the tune's notes (onset, length, pitch) and chord
symbols (onset, root, bass, pitch classes). Where they differ, the text is put in another spelling of the same meaning
that music21 reads, one habit at a time (`REWRITINGS`, each with its place in the standard); a difference that goes
away is counted under that habit. Refusals of ours are counted by their reason. What is left is unexplained, is
printed, and makes the run end with 1.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import music21

from undersong.model.chord import Chord
from undersong.reading.abc import read_abc

Notes = list[tuple[Fraction, Fraction, int]]
Symbols = list[tuple[Fraction, int | None, int | None, frozenset[int]]]


@dataclass(frozen=True)
class Heard:
    """What a reading came to."""

    notes: Notes
    symbols: Symbols
    struck: Notes = field(compare=False)
    """The notes with those that are tied joined."""


def _joined(notes: Notes, tied: list[bool]) -> Notes:
    struck: Notes = []
    goes_on = False
    for (onset, length, pitch), ties in zip(notes, tied, strict=True):
        if goes_on and struck and struck[-1][2] == pitch:
            struck[-1] = (struck[-1][0], struck[-1][1] + length, pitch)
        else:
            struck.append((onset, length, pitch))
        goes_on = ties
    return struck


def main() -> int:
    """Compare, print the table, and say whether all is explained."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, help="a folder of ABC files, all of which are read")
    parser.add_argument("--count", type=int, default=500, help="how many tunes of the corpus are sampled")
    parser.add_argument("--seed", type=int, default=21)
    wanted = parser.parse_args()
    warnings.simplefilter("ignore")
    corpus = sorted((Path(music21.__file__).parent / "corpus").rglob("*.abc"))
    every = [tune for path in corpus for tune in tunes_of(path)]
    sampled = random.Random(wanted.seed).sample(every, min(wanted.count, len(every)))
    unexplained = table(f"corpus, {len(sampled)} of {len(every)} tunes", sampled)
    if wanted.folder is not None:
        folder = [tune for path in sorted(wanted.folder.rglob("*.abc")) for tune in tunes_of(path)]
        unexplained += table(f"{wanted.folder.name}, all {len(folder)} tunes", folder)
    return 1 if unexplained else 0


def table(title: str, tunes: list[tuple[str, str]]) -> int:
    """Print how the tunes compare; the number of unexplained ones."""
    counts: Counter[str] = Counter()
    examples: dict[str, str] = {}
    for name, text in tunes:
        kind = compared(text)
        counts[kind] += 1
        examples.setdefault(kind, name)
        if kind.startswith("unexplained"):
            print(f"{name}: {kind}", flush=True)
    print(f"\n{title}")
    for kind, count in counts.most_common():
        print(f"  {count:5}  {kind}  [{examples[kind]}]")
    return sum(count for kind, count in counts.items() if kind.startswith("unexplained"))


def tunes_of(path: Path) -> Iterator[tuple[str, str]]:
    """Name and text of each tune in a file, cut at X: lines only."""
    data = path.read_bytes()
    try:
        text = data.decode()
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    for part in re.split(r"(?m)^(?=X:\s*\d)", text):
        if re.match(r"X:\s*\d", part):
            yield f"{path.name} {part.splitlines()[0]}", part


# -- the two readings ------------------------------------------------------------------------------


def ours(text: str) -> Heard | str:
    """Our reading of one tune, or the kind of refusal."""
    found = read_abc(text.encode())
    if found.refused:
        return re.sub(r"\d[\d½¼¾/]*", "n", found.refused[0].message)
    tune = found.hymns[0].tune
    full = [note for note in tune.tune_voice.notes if not note.grace]
    notes = [(note.onset, note.length, note.pitch.midi) for note in full]
    symbols = [(one.onset, *_of_chord(one.chord)) for one in tune.symbols if one.passes in ((), (1,))]
    return Heard(notes, symbols, _joined(notes, [note.tied for note in full]))


def _of_chord(chord: Chord) -> tuple[int | None, int | None, frozenset[int]]:
    if chord.root is None or chord.lowest is None:
        return None, None, frozenset()
    return chord.root.pitch_class, chord.lowest.pitch_class, chord.pitch_classes | {chord.lowest.pitch_class}


def theirs(text: str) -> Heard | None:
    """music21's reading of one tune; None where it has none."""
    try:
        score: Any = music21.converter.parse(f"%abc-2.1\n{text}", format="abc")
    except Exception:  # noqa: BLE001 - it raises many kinds; each means that it has no reading
        return None
    parts = list(score.parts) if hasattr(score, "parts") else []
    notes: Notes = []
    symbols: Symbols = []
    tied: list[bool] = []
    for one in (parts[0] if parts else score).flatten():
        onset = Fraction(one.offset).limit_denominator(5040)
        if isinstance(one, music21.harmony.NoChord):
            symbols.append((onset, None, None, frozenset()))
        elif isinstance(one, music21.harmony.ChordSymbol):
            classes = frozenset(pitch.pitchClass for pitch in one.pitches)
            if not classes:
                continue  # a text that it took for a chord, but could not make one of
            symbols.append((onset, one.root().pitchClass, one.bass().pitchClass, classes))
        elif isinstance(one, music21.note.GeneralNote) and not one.duration.isGrace and not one.isRest:
            length = Fraction(one.quarterLength).limit_denominator(5040)
            notes.append((onset, length, max(pitch.midi for pitch in one.pitches)))
            tied.append(one.tie is not None and one.tie.type in ("start", "continue"))
    return Heard(notes, symbols, _joined(notes, tied))


# -- explaining ------------------------------------------------------------------------------------


def _music(change: Callable[[str], str]) -> Callable[[str], str]:
    """The change made in lines of music only, outside quotation marks."""

    def made(text: str) -> str:
        lines = []
        for line in text.split("\n"):
            if re.match(r"[A-Za-z+]:|%", line):
                lines.append(line)
            else:
                lines.append("".join(one if one.startswith('"') else change(one) for one in _split(line)))
        return "\n".join(lines)

    return made


def _split(line: str) -> list[str]:
    return [one for one in re.split(r'("[^"]*")', line) if one]


def _symbols(change: Callable[[str], str]) -> Callable[[str], str]:
    def made(text: str) -> str:
        return "\n".join(
            line if re.match(r"[A-Za-z+]:|%", line) else re.sub(r'"([^"]*)"', lambda one: change(one[1]), line)
            for line in text.split("\n")
        )

    return made


def _standard_symbol(text: str) -> str:
    text = re.sub(r"/([a-g])(\+|b)?$", lambda one: f"/{one[1].upper()}{'#' if one[2] == '+' else one[2] or ''}", text)
    text = re.sub(r"^([A-G][#b]?)d(7?)(?=$|/)", r"\1dim\2", text)
    text = re.sub(r"^([A-G][#b]?)a(7?)(?=$|/)", r"\1aug\2", text)
    return f'"{text}"'


def _kept_symbol(text: str) -> str:
    return f'"{text}"' if re.match(r"\(?[A-G]", text) and not re.match(r"D\.?[CS]|[A-Z][a-z]{2,} ", text) else ""


def _spelled_out(text: str) -> str:
    """Each accidental written again at every note to which it applies, to the end of the bar."""
    held: dict[str, str] = {}
    lines = []
    for line in text.split("\n"):
        if re.match(r"[A-Za-z+]:|%", line):
            lines.append(line)
            continue
        found = re.split(r'("[^"]*"|![^!\s|]+!|\[[A-Z]:[^\]]*\]|\|)', line)
        for index, one in enumerate(found):
            if one == "|":
                held.clear()
            elif not one.startswith(('"', "!")) and not re.match(r"\[[A-Z]:", one):
                found[index] = re.sub(r"(\^\^|__|[\^_=])?([A-Ga-g])", lambda note: _spelled(note, held), one)
        lines.append("".join(found))
    return "\n".join(lines)


def _spelled(note: re.Match[str], held: dict[str, str]) -> str:
    sign = note[1] or held.get(note[2].upper(), "")
    if sign:
        held[note[2].upper()] = sign
    return f"{sign}{note[2]}"


def _voices_together(text: str) -> str:
    """Voices that change line by line, each in one piece."""
    head: list[str] = []
    voices: dict[str, list[str]] = {}
    for line in text.split("\n"):
        found = re.match(r"\[V:\s*(\w+)[^\]]*\](.*)", line)
        if found:
            voices.setdefault(found[1], []).append(found[2])
        elif not voices or re.match(r"[A-Za-z]:", line):
            head.append(line)
    return "\n".join([*head, *(line for name, music in voices.items() for line in (f"V:{name}", *music))])


def _own_lines(text: str) -> str:
    """Fields inside a line of music on lines of their own."""
    return "\n".join(
        line if re.match(r"[A-Za-z+]:|%", line) else re.sub(r"\[([KLMV]:[^\]]*)\]", r"\n\1\n", line)
        for line in text.split("\n")
    )


_DECORATION = (
    r"![^!\s|]+!|\.(?=[\[{(A-Ga-g^_=~])|[~HJLMOPSTRuvk](?=[~.HLMOPSTRuvA-Ga-gzx^_=(\[{\"])"  # before a note only
)
REWRITINGS: tuple[tuple[str, Callable[[str], str]], ...] = (
    ("chord symbols in a collection's own spelling", _symbols(_standard_symbol)),
    ("words, fingerings and blanks in quotation marks (4.19)", _symbols(_kept_symbol)),
    ("a note before a repeat is no field (B: | B ::)", _music(lambda one: re.sub(r"(?<!\[)([A-Za-z]):", r"\1 :", one))),
    ("back quotes mean nothing (4.7)", _music(lambda one: one.replace("`", ""))),
    ("line breaks with ! or * (6.1.1)", _music(lambda one: re.sub(r"[!*]", "", one))),
    ("decorations before a note (4.14)", _music(lambda one: re.sub(_DECORATION, "", one))),
    ("slurs between > and its notes (4.11)", _music(lambda one: re.sub(r"\((?!\d)|\)", "", one))),
    ("a tie beside > (4.4)", _music(lambda one: re.sub(r"([<>]+)-|-(?=[<>])", r"\1", one))),
    ("grace notes between > and its notes (4.20)", _music(lambda one: re.sub(r"\{[^}]*\}", "", one))),
    ("accidentals in chords, over notes of chords (11.3)", _spelled_out),
    ("voices that change line by line (7)", _voices_together),
    ("fields inside a line of music (3.2)", _own_lines),
    ("remains of a mail's encoding (=20), no signs of music", _music(lambda one: re.sub(r"=(?=\d|\s|$)\d*", "", one))),
    ("invisible rests and spacers (4.5)", _music(lambda one: re.sub(r"y\d*", "", one.replace("x", "z")))),
)  # fmt: skip
"""Spellings that say the same, with the section of ABC 2.1 that says so."""


def compared(text: str) -> str:
    """How the two readings compare: equal, explained by a habit, refused, or unexplained."""
    mine = ours(text)
    if isinstance(mine, str):
        return f"refused: {mine}"
    if mine == theirs(text):
        return "equal"
    helped = []
    whole = text
    for name, rewrite in REWRITINGS:
        changed = rewrite(text)
        if changed == text:
            continue
        if theirs(changed) == mine:
            return f"explained: {name}"
        helped.append(name)
        whole = rewrite(whole)
    heard = theirs(whole)
    if heard == mine:
        return "explained: several of these together"
    if heard is None:
        return "unexplained: music21 has no reading"
    if (heard.struck, heard.symbols) == (mine.struck, mine.symbols):
        return "explained: a bar line is missing, and a note is cut and tied where the bar is full"
    extra = Counter(mine.symbols) - Counter(heard.symbols)
    theirs_kept = not Counter(heard.symbols) - Counter(mine.symbols)
    onsets = Counter(one[0] for one in mine.symbols)
    stray = re.search(r'"\s*""', text) is not None
    if heard.notes == mine.notes and theirs_kept and (stray or all(onsets[one[0]] > 1 for one in extra)):
        # Two symbols on one note, or a stray quotation mark beside one (`" ""A7"C`): we keep what music21 drops.
        return "explained: symbols in pairs or beside a stray quotation mark are kept (no rule in the standard)"
    return f"unexplained: {'notes' if heard.notes != mine.notes else 'symbols'} differ"


if __name__ == "__main__":
    sys.exit(main())
