"""MEI and Humdrum are read to the same hymns as MusicXML, and damaged files are answered with a sentence."""

from __future__ import annotations

import random
import re
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import mutations
import pytest

import undersong.demo
from foreign_pages import HUMDRUM, MEI
from undersong.errors import BrokenFile, CannotReadFile, NotAHymn, UndersongError
from undersong.model.hymn import Hymn
from undersong.model.symbol import symbol
from undersong.reading import foreign, read_file
from undersong.reading.foreign import DEADLINE_SECONDS, clean_mei
from undersong.reading.mei import read_humdrum, read_mei, read_mei_score
from undersong.reading.musicxml import read_musicxml
from undersong.workers import Worker

DEMO = sorted(Path(undersong.demo.__file__).parent.glob("*.musicxml"))


@pytest.fixture(scope="module")
def child() -> Iterator[Worker]:
    """One warm child for the whole module."""
    with Worker() as worker:
        yield worker


def as_mei(data: bytes) -> bytes:
    """MusicXML turned into MEI by verovio, for tests alone: our own pages do not kill it."""
    import verovio  # noqa: PLC0415  # a slow start only where it is wanted

    toolkit = verovio.toolkit()
    assert toolkit.loadData(data.decode())
    return bytes(toolkit.getMEI().encode())


def music(hymn: Hymn) -> dict[str, object]:
    """What has to come through every format."""
    tune = hymn.tune
    return {
        "title": hymn.title,
        "composer": hymn.composer,
        "author": hymn.text.author,
        "bars": tune.bars,
        "voices": tune.voices,
        "symbols": tune.symbols,
        "breaths": tune.breaths,
        "holds": tune.holds,
        "repeats": tune.repeats,
        "route": tune.route,
        "pace": tune.pace,
        "verses": hymn.text.verses,
    }


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem[:2])
def test_a_hymn_is_the_same_through_musicxml_and_mei(path: Path, child: Worker) -> None:
    """Each demonstration hymn: notes, onsets, words, symbols, breaths, holds, repeats and the way through."""
    data = path.read_bytes()
    assert music(read_mei(as_mei(data), path.name, child)) == music(read_musicxml(data, path.name))


def test_humdrum_keeps_words_chords_repeats_and_names(child: Worker) -> None:
    """The text above: two verses, a chord spine, a repeat within the bar, a triplet, a tie, a fermata."""
    hymn = read_humdrum(HUMDRUM.encode(), "tune.krn", child)
    tune = hymn.tune
    assert (hymn.title, hymn.composer, hymn.text.author) == (
        "An invented tune",
        "Nobody (invented)",
        "Someone (invented)",
    )
    assert [(bar.number, int(bar.length), bar.pickup) for bar in tune.bars[:4]] == [
        ("0", 1, True), ("1", 3, False), ("2", 2, False), ("2b", 1, True),
    ]  # fmt: skip
    assert [str(note.pitch) for note in tune.tune_voice.notes] == [
        "D4",
        "G4",
        "F#4",
        "B4",
        "B4",
        "A4",
        "B4",
        "G4",
        "G4",
    ]
    assert [note.length for note in tune.tune_voice.notes[4:7]] == [Fraction(1, 3)] * 3
    assert [note.tied for note in tune.tune_voice.notes][-2:] == [True, False]
    assert tune.holds == (Fraction(4),)
    assert [symbol(one.chord) for one in tune.symbols] == ["G", "Em", "D7", "G", "D/F#", "Em", "Bbm7b5/Db"]
    assert [(one.first, one.last, one.times) for one in tune.route] == [(0, 2, 1), (0, 2, 2), (3, 5, 1)]
    words = sorted((one.text, one.hyphen) for verse in hymn.text.verses for one in verse.syllables)
    assert {("glo", "begin"), ("ry,", "end"), ("Now", "single"), ("sing", "single")} <= set(words)


def test_plain_mei_without_sounding_accidentals(child: Worker) -> None:
    """The page above: the signature flattens, a natural lasts to the bar line, repeats and endings lead the way."""
    hymn = read_mei(MEI.encode(), "page.mei", child)
    tune = hymn.tune
    assert (hymn.title, hymn.composer, hymn.text.author) == ("An invented page", "Nobody (invented)", "Someone")
    assert hymn.rights == "Free to all."
    assert [str(note.pitch) for note in tune.tune_voice.notes] == [
        "F4", "Bb4", "B4", "B4", "B4", "A4", "G4", "A4", "Bb4", "A4", "G4", "A4", "F4",
    ]  # fmt: skip
    assert [note.length for note in tune.tune_voice.notes[9:12]] == [Fraction(2, 3)] * 3
    assert [(one.first, one.last, one.times) for one in tune.route] == [(0, 2, 1), (1, 1, 2), (3, 3, 2), (4, 4, 1)]
    assert [(int(one.onset), symbol(one.chord)) for one in tune.symbols] == [(0, "F"), (1, "Bb/D")]
    assert any("chord symbol without a root" in one.what for one in hymn.left_out)
    assert (tune.holds, tune.breaths) == ((Fraction(3),), (Fraction(5),))
    assert tune.pace is not None
    assert tune.pace.beats_per_minute == 80
    assert [(one.text, one.hyphen, one.extend) for one in hymn.text.verses[0].syllables] == [
        ("A", "begin", False), ("men,", "end", False), ("sing", "single", True), ("loud", "single", False),
    ]  # fmt: skip


def test_files_are_known_by_their_ending(tmp_path: Path) -> None:
    """`.mei` and `.krn` go through the one door, each in a child of its own."""
    for name, text in (("a.krn", HUMDRUM), ("a.mei", MEI)):
        (tmp_path / name).write_text(text)
        assert read_file(tmp_path / name)[0].title.startswith("An invented")


def heads_of(data: bytes, child: Worker) -> Counter[tuple[Fraction, int]]:
    """Onset along the page and note number of every head, bars as long as their fullest part."""
    score = read_mei_score(clean_mei(data, "Humdrum", "", child))
    heads: Counter[tuple[Fraction, int]] = Counter()
    onset = Fraction(0)
    for index in range(len(score.parts[0].bars)):
        for part in score.parts:
            for note in part.bars[index].notes:
                if note.pitch is not None and not note.grace:
                    heads[onset + note.at, note.pitch.midi] += 1
        onset += max(part.bars[index].extent for part in score.parts)
    return heads


@pytest.mark.parametrize("name", ["bach/bwv281.krn", "bach/bwv366.krn", "bach/bwv277.krn", "palestrina/Kyrie_95_b.krn"])
def test_kern_of_the_corpus_agrees_with_music21(name: str, child: Worker) -> None:
    """Every onset and pitch; source: music21's own Humdrum reader on its corpus."""
    import music21  # noqa: PLC0415  # as above
    from music21 import converter  # noqa: PLC0415

    path = Path(music21.__file__).parent / "corpus" / name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(str(path))
    theirs = Counter(
        (Fraction(note.offset).limit_denominator(512), int(pitch.ps))
        for note in score.flatten().notes
        if not note.duration.isGrace
        for pitch in note.pitches
    )
    assert heads_of(path.read_bytes(), child) == theirs
    if name.startswith("bach"):
        hymn = read_humdrum(path.read_bytes(), path.name, child)
        assert hymn.tune.four_parts
        assert hymn.text.verses


BAD: dict[str, tuple[str, bytes, type[UndersongError], str]] = {
    "empty": ("a.mei", b" \n", CannotReadFile, "empty"),
    "words": ("a.mei", b"Dear organist", CannotReadFile, "not an MEI file"),
    "binary": ("a.krn", bytes(range(256)), CannotReadFile, "not a Humdrum file"),
    "no kern": ("a.krn", b"**text\nla\n*-\n", NotAHymn, "no notes"),
    "entities": (
        "a.mei",
        MEI.replace("<mei ", "<!DOCTYPE mei [<!ENTITY a 'b'>]><mei ", 1).encode(),
        BrokenFile,
        "entities",
    ),
    "cut short": ("a.mei", MEI[: len(MEI) // 2].encode(), BrokenFile, "could not be understood"),
    "no music": (
        "a.mei",
        b'<mei xmlns="http://www.music-encoding.org/ns/mei"><music/></mei>',
        BrokenFile,
        "understood",
    ),
    "too large": ("a.krn", b"**kern\n" + b"4c\n" * 2_000_000, CannotReadFile, "too large"),
    "no end": ("a.krn", b"**kern\t**kern\n4c\n", BrokenFile, "understood"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_files_are_answered_with_a_sentence(case: str, tmp_path: Path) -> None:
    """Each kind of bad file, by class and by what is said."""
    name, data, kind, said = BAD[case]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(kind, match=said) as caught:
        read_file(path)
    assert str(caught.value).startswith(name)


def test_a_child_that_dies_is_a_broken_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the child fails, the file is called broken and nothing else happens."""
    monkeypatch.setattr(foreign, "NAMES", {"MEI": [], "Humdrum": []})
    with pytest.raises(BrokenFile, match="could not be understood"):
        foreign.clean_mei(MEI.encode(), "MEI", "a.mei")


def _bent(text: str, rng: random.Random) -> str:
    """One damage to a Humdrum text: a token, a line or a number changed."""
    lines = text.split("\n")
    index = rng.randrange(len(lines))
    match rng.randrange(5):
        case 0:
            del lines[index]
        case 1:
            lines.insert(index, lines[rng.randrange(len(lines))])
        case 2:
            lines[index] = lines[index].replace("\t", " ", 1)
        case 3:
            lines[index] = re.sub(
                r"\d+", lambda _: rng.choice(("0", "3", "999999999", "-1", "7%0")), lines[index], count=1
            )
        case _:
            cut = rng.randrange(len(lines[index]) + 1)
            lines[index] = lines[index][:cut] + chr(rng.randrange(33, 126)) + lines[index][cut + 1 :]
    return "\n".join(lines)


def damaged(kind: str, seed: int) -> bytes:
    rng = random.Random(f"{kind}/{seed}")
    if kind == "MEI":
        return mutations.mutated(MEI.encode(), rng)
    text = HUMDRUM
    for _ in range(rng.randint(1, 3)):
        text = _bent(text, rng)
    return text.encode()


@pytest.mark.parametrize("kind", ["MEI", "Humdrum"])
def test_damaged_copies_give_a_hymn_or_a_sentence(kind: str, child: Worker) -> None:
    """75 damaged copies of each text: never a traceback, never longer than the deadline allows."""
    read = refused = 0
    for seed in range(75):
        began = time.monotonic()
        is_read = outcome(kind, seed, child)
        if time.monotonic() - began > DEADLINE_SECONDS + 1:
            # A machine busy with other things is no fault of the file: it is asked once more.
            began = time.monotonic()
            is_read = outcome(kind, seed, child)
        assert time.monotonic() - began < DEADLINE_SECONDS + 1, seed
        read, refused = read + is_read, refused + (not is_read)
    assert read > 10
    assert refused > 5


def outcome(kind: str, seed: int, child: Worker) -> bool:
    """Whether a damaged copy is read; a hymn that is read holds together, a refusal names the file."""
    reader = read_mei if kind == "MEI" else read_humdrum
    try:
        hymn = reader(damaged(kind, seed), "damaged", child)
    except UndersongError as failure:
        assert str(failure).startswith("damaged"), seed  # noqa: PT017 - the sentence is what is tested
        return False
    assert mutations.faults_of(hymn) == "", seed
    return True
