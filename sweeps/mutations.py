"""Damaged copies of small invented pages: reading answers with a hymn that holds together, or with a sentence.

Every copy is made from its number and the seed alone, so that one that fails can be made again. Run as
`python sweeps/mutations.py --count 2000 --seed 1 --state FILE`: copies are read in an expendable child with a
deadline; FILE keeps how far it got, Ctrl-C stops it safely and the next call goes on. Prints counts of read and
refused and the longest time; ends with 1 if a copy broke the reader, or took too long.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import re
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from fractions import Fraction
from functools import cache
from itertools import pairwise
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from stamp import stamp

from foreign_pages import HUMDRUM, MEI
from printed import Printed, packed, page
from undersong.errors import UndersongError
from undersong.model.codec import decode, encode
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS
from undersong.model.tune import walk
from undersong.performing import perform
from undersong.reading import read_file
from undersong.reading.musicxml import read_musicxml
from undersong.workflow import Wishes, lay_out
from undersong.writing.midi import midi_file

DEADLINE_SECONDS = 5.0

_UPPER = "(time=3/4) (key=-1,major) C5+A4:1 | F5+A4:2 E5+G4:1 | D5+F4:2 C5+F4:1~ | C5:2^ (double) G4+E4:1 | F4:2"
_LOWER = "(time=3/4) (key=-1,major) F4+F3:1 | C4+F3:2 C4+C3:1 | Bb3+Bb2:2 A3+F3:1 | C4+C3:2 Bb3+C3:1 | A3+F2:2"
_FOUR = (
    "(time=4/4) (key=2,minor) D5:1 E5:1/2 F#5:1/2 E5:2' | (back) D5:4^ | (time=3/4) C#5:3 | D5:3",
    "(time=4/4) (key=2,minor) B4:2 A#4:2 | (back) B4:4 | (time=3/4) A4:2 G4:1 | F#4:3",
    "(time=4/4) (key=2,minor) F#4:2 F#4:2 | (back) F#4:4 | (time=3/4) E4:3 | D4:3",
    "(time=4/4) (key=2,minor) B3:1 G3:1 F#3:2 | (back) B2:4 | (time=3/4) A2:3 | D3:3",
)
_TUNE = (
    "(time=6/8) (key=1) (tempo=90) (G/major) D5:1/2"
    " | (forward) (D/dominant/7/F#) G5:3/2 (C/minor-seventh/m7) A5:1 D5:g B5:1/2"
    " | (ending=1) (stop=1) (back) (A/mystery/zz) G5:3 | (ending=2) (stop=2) (fine) G5:5/2"
    " | (transpose=-2) (dacapo) A5:3/2~ A5:3/2 & E5:1c r:2"
)


_ABC = """X:1
T:Invented parts
M:3/4
L:1/4
Q:1/4=80
V:S name="soprano"
V:B name="bass" clef=bass
K:Dm
[V:S] A|d>e {g}f|(3e/f/g/ a2-|a2 "Gm7/Bb"!fermata!G:|1 ^c3:|2 [df]3||
w:1.~glo-ri-a _ * of~the well\\-known end
w:2.~sing | you hills _
[V:B] D,|D2 C|_B,2 A,-|A, G,2:|1 A,3:|2 D,3||
W:3. below the mu-sic

X:2
T:Invented order
P:ABA
M:C|
K:C exp ^f
P:A
|:"C""Am"cdef g4 & x4 "G"x4::[M:2/2][L:1/4]z c2 !breath!HB:|
P:B
[K:Bb clef=treble-8]C/4D/E3/4F2|Z2|]
s:* "F/a"
"""


@cache
def pages() -> dict[str, bytes]:
    """The invented pages that are damaged: closed and open score, tune with symbols and words, an ABC book, MIDI."""
    tune = page(Printed("Tune", _TUNE, ("a b- c d e f g h", "2. i j k l m n o")))
    return {
        "played.mid": _played(tune),
        "book.abc": _ABC.encode(),
        "closed.musicxml": page(
            Printed("Upper", _UPPER, ("a song of two lands and one sea is here", "the+end of all _ the days")),
            Printed("Lower", _LOWER, clefs="F"),
        ),
        "open.mxl": packed(
            page(*(Printed(name, music) for name, music in zip("SATB", _FOUR, strict=True)), title="Open")
        ),
        "tune.xml": tune,
    }


def _played(tune: bytes) -> bytes:
    """A page laid out and performed, as MIDI."""
    arrangement = lay_out(read_musicxml(tune), Wishes(verses=(1,)))
    return midi_file(perform(arrangement), TWO_MANUALS, "Invented")


@cache
def foreign_pages() -> dict[str, bytes]:
    """The same kind of pages in formats that are read in a child process of their own."""
    return {"page.krn": HUMDRUM.encode(), "page.mei": MEI.encode()}


FOREIGN_SHARE = 0.1
"""So many of the copies are MEI or Humdrum: each of them costs a child process."""


def mutated(data: bytes, rng: random.Random) -> bytes:
    """One to three damages of random kinds."""
    damages = DAMAGES if data.lstrip().startswith(b"<") or data.startswith(b"PK") else ABC_DAMAGES
    for _ in range(rng.randint(1, 3)):
        data = rng.choice(damages)(data, rng)
    return data


def _flip(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        if out:
            out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _tags(data: bytes) -> list[re.Match[bytes]]:
    return list(re.finditer(rb"<[^<>]{1,200}>", data))


def _drop_tag(data: bytes, rng: random.Random) -> bytes:
    tags = _tags(data)
    if not tags:
        return _flip(data, rng)
    tag = rng.choice(tags)
    return data[: tag.start()] + data[tag.end() :]


def _drop_element(data: bytes, rng: random.Random) -> bytes:
    found = _element(data, rng)
    return data if found is None else data[: found[0]] + data[found[1] :]


def _twice(data: bytes, rng: random.Random) -> bytes:
    found = _element(data, rng)
    return (
        data if found is None else data[: found[1]] + data[found[0] : found[1]] * rng.randint(1, 5) + data[found[1] :]
    )


def _moved(data: bytes, rng: random.Random) -> bytes:
    found, target = _element(data, rng), _element(data, rng)
    return (
        data if found is None or target is None else data[: target[0]] + data[found[0] : found[1]] + data[target[0] :]
    )


def _element(data: bytes, rng: random.Random) -> tuple[int, int] | None:
    opening = [tag for tag in _tags(data) if re.match(rb"<[a-z]", tag[0])]
    if not opening:
        return None
    tag = rng.choice(opening)
    name = re.match(rb"<([a-z0-9-]+)", tag[0])
    end = data.find(b"</" + name[1] + b">", tag.end()) if name and not tag[0].endswith(b"/>") else -1
    return (tag.start(), tag.end() if end < 0 else end + len(name[1] if name else b"") + 3)


def _number(data: bytes, rng: random.Random) -> bytes:
    numbers = list(re.finditer(rb"(?<=[>\"])-?\d+(?=[<\"])", data))
    if not numbers:
        return _flip(data, rng)
    found = rng.choice(numbers)
    new = rng.choice(
        (b"0", b"-1", b"1", b"7", b"99", b"1000000", b"9" * 40, b"1e9", b"0.3333", b"nan", b"", b"\xc3\xa9")
    )
    return data[: found.start()] + new + data[found.end() :]


def _attribute(data: bytes, rng: random.Random) -> bytes:
    found = list(re.finditer(rb'"[^"<>]{0,60}"', data))
    if not found:
        return _flip(data, rng)
    one = rng.choice(found)
    new = rng.choice(
        (b'""', b'"yes"', b'"1,2,3"', b'"../../x"', b'"stop"', b'"99999999999"', b"'", b'"&#0;"', b'"1-9"')
    )
    return data[: one.start()] + new + data[one.end() :]


def _renamed(data: bytes, rng: random.Random) -> bytes:
    tags = [tag for tag in _tags(data) if re.match(rb"<[a-z]", tag[0])]
    if not tags:
        return _flip(data, rng)
    tag = rng.choice(tags)
    new = rng.choice((b"<note>", b"<backup>", b"<rest/>", b"<chord/>", b"<grace/>", b"<measure>", b"<part>", b"<x:y>"))
    return data[: tag.start()] + new + data[tag.end() :]


_ABC_SIGNS = (
    *(bytes([sign]) for sign in b"ABCGabcgzxyZ[](){}|:-_^='\",/0123456789<>&~.!+*$\\ \n%V"),
    b"[V:2]", b"\nV:9\n", b"[K:", b"[1", b"(3:", b"\nw:a-b _ *\n", b"\nP:C\n", b'"G""C"', b"!fine!", b"99999", b"Z999",
    b"\n\n", b"[M:none]", b"\nX:3\n", b"::", b"\xff",
)  # fmt: skip


def _sign(data: bytes, rng: random.Random) -> bytes:
    """A sign of ABC put in, or in the place of another."""
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(_ABC_SIGNS) + data[at + rng.randint(0, 1) :]


def _piece(data: bytes, rng: random.Random) -> bytes:
    """A piece lost, or said again somewhere else."""
    start = rng.randrange(len(data) + 1)
    end, at = start + rng.randint(1, 30), rng.randrange(len(data) + 1)
    return data[:start] + data[end:] if rng.random() < 0.5 else data[:at] + data[start:end] + data[at:]


ABC_DAMAGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (_flip, _cut, *[_sign] * 6, *[_piece] * 3)
"""Damages of ABC, which has no tags to lose."""
TORN = (_flip, _cut, _drop_tag, _renamed)
"""Damages that mostly leave no well-formed document."""
BENT = (_drop_element, _twice, _moved, _number, _number, _number, _attribute)
"""Damages that mostly leave a document that can be parsed."""
DAMAGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (*TORN, *BENT, *BENT, *BENT, *BENT)


def damaged(index: int, seed: int) -> tuple[str, bytes]:
    """The damaged copy of that number: file name and content. A third of the compressed ones are damaged inside."""
    rng = random.Random(f"{seed}/{index}")
    originals = foreign_pages() if rng.random() < FOREIGN_SHARE else pages()
    name = rng.choice(sorted(originals))
    if name.endswith(".mxl") and rng.random() < 0.7:
        inner = page(*(Printed(voice, music) for voice, music in zip("SATB", _FOUR, strict=True)))
        return name, packed(mutated(inner, rng))
    return name, mutated(originals[name], rng)


def faults_of(hymn: Hymn) -> str:
    """What does not hold together in a hymn that was read; "" when all does."""
    tune = hymn.tune
    if not tune.bars or not tune.tune_voice.notes:
        return "a hymn without bars or notes"
    ends = [Fraction(0), *(bar.end for bar in tune.bars)]
    if [bar.onset for bar in tune.bars] != ends[:-1] or any(bar.length <= 0 for bar in tune.bars):
        return "bars do not follow each other"
    if len({bar.number for bar in tune.bars}) != len(tune.bars):
        return "two bars have one number"
    for voice in tune.voices:
        notes = [note for note in voice.notes if not note.grace]
        if any(one.end > two.onset for one, two in pairwise(notes)):
            return f"notes of the {voice.name} overlap"
        if any(note.end > tune.bars[tune.bar_at(note.onset)].end for note in notes):
            return f"a note of the {voice.name} crosses its bar"
    lines = tune.lines
    if lines[0].onset != 0 or lines[-1].end != tune.length or any(line.end <= line.onset for line in lines):
        return "lines do not cover the tune"
    if any(one.end != two.onset for one, two in pairwise(lines)):
        return "lines leave a gap"
    onsets = {note.onset for note in tune.tune_voice.notes}
    if any(one.onset not in onsets for verse in hymn.text.verses for one in verse.syllables):
        return "a syllable without a note"
    if not walk(tune) or any(not 0 <= symbol.onset < tune.length for symbol in tune.symbols):
        return "no way through the tune, or a chord symbol outside it"
    return "" if decode(Hymn, encode(hymn)) == hymn else "the hymn does not go there and back through the codec"


def outcome(index: int, seed: int, folder: Path) -> str:
    """`read`, `refused`, or what went wrong with that copy."""
    name, data = damaged(index, seed)
    path = folder / name
    path.write_bytes(data)
    try:
        found = next(filter(None, map(faults_of, read_file(path))), "")
    except UndersongError as failure:
        if failure.__cause__ is not None and "makes no sense" in failure.message:
            return f"an unforeseen {type(failure.__cause__).__name__}: {failure.__cause__}"
        return "refused" if failure.file == name and str(failure).startswith(name) else "a refusal without its file"
    except Exception as fault:  # noqa: BLE001 - exactly this is what must never happen
        return f"{type(fault).__name__}: {fault}"
    return found or "read"


MOST_MB = 500


def peak_mb() -> float:
    """Most memory this process ever held, in MB (Linux counts in KB)."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _work(pipe: Connection, seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder, suppress(EOFError, KeyboardInterrupt):
        while True:
            index = pipe.recv()
            started = time.monotonic()
            said = outcome(index, seed, Path(folder))
            seconds = time.monotonic() - started
            if peak_mb() > MOST_MB:
                said = f"took {peak_mb():.0f} MB"
            pipe.send((said, seconds))


class _Reader:
    """A child process that reads one copy at a time and may be lost."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.start()

    def start(self) -> None:
        self.pipe, other = multiprocessing.Pipe()
        self.process = multiprocessing.Process(target=_work, args=(other, self.seed), daemon=True)
        self.process.start()
        other.close()

    def read(self, index: int) -> tuple[str, float]:
        self.pipe.send(index)
        try:
            if self.pipe.poll(DEADLINE_SECONDS):
                said, seconds = self.pipe.recv()
                return str(said), float(seconds)
            said = "took too long"
        except EOFError:
            said = "killed the process"
        self.process.kill()
        self.process.join()
        self.start()
        return said, DEADLINE_SECONDS


def main() -> int:
    """Read the copies; 1 if any broke the reader."""
    parser = argparse.ArgumentParser(description="read damaged copies of small invented pages")
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--state", type=Path, help="where to keep how far it got")
    options = parser.parse_args()
    mark = stamp(Path(__file__))
    state = {"seed": options.seed, "mark": mark, "next": 0, "read": 0, "refused": 0, "worst_seconds": 0.0, "failed": []}
    if options.state and options.state.exists():
        kept = json.loads(options.state.read_text())
        state = kept if (kept.get("seed"), kept.get("mark")) == (options.seed, mark) else state
    reader = _Reader(options.seed)
    try:
        while state["next"] < options.count:
            _one(state, reader, options.count)
            if options.state and state["next"] % 50 == 0:
                _keep(options.state, state)
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # an impatient second one must not spoil the state
        print("\nstopped; the same command goes on from here", file=sys.stderr)
    if options.state:
        _keep(options.state, state)
    print(
        f"\n{state['next']} copies: {state['read']} read, {state['refused']} refused, "
        f"{len(state['failed'])} failed, longest {state['worst_seconds']:.2f} s"
    )
    for failure in state["failed"]:
        print(failure)
    if state["next"] < options.count:
        return 130
    return 1 if state["failed"] else 0


def _one(state: dict[str, object], reader: _Reader, count: int) -> None:
    index = int(str(state["next"]))
    said, seconds = reader.read(index)
    if said in ("read", "refused"):
        state[said] = int(str(state[said])) + 1
    else:
        failed = state["failed"]
        assert isinstance(failed, list)
        failed.append(f"copy {index}: {said}")
    state["worst_seconds"] = max(float(str(state["worst_seconds"])), seconds)
    state["next"] = index + 1
    if (index + 1) % 50 == 0 and sys.stderr.isatty():
        print(f"\r{index + 1}/{count}", end="", file=sys.stderr, flush=True)


def _keep(path: Path, state: dict[str, object]) -> None:
    fresh = path.with_suffix(path.suffix + ".new")
    fresh.write_text(json.dumps(state))
    fresh.replace(path)


if __name__ == "__main__":
    sys.exit(main())
