"""The witness sees every kind of planted fault, and has nothing against what the program lays out.

The file that is spoilt is the golden one, written by hand: two invented verses in 3/4, a pickup D4, then G4 A4 B4 | G4
over a left hand of D4 and B3 and a pedal G2 tied over the bar line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

import witness
from undersong.model.accompaniment import Arrangement
from undersong.model.plan import TunePlace
from undersong.workflow import Wishes, lay_out, read
from undersong.writing.exchange import exchange_file
from witness import Expected, faults, read_sections

GOLDEN = Path(__file__).parent / "golden" / "two-verses.musicxml"
TWO, ONE = (False, False), (True, True)
TUNE = tuple(
    (Fraction(start), Fraction(length), midi)
    for start, length, midi in ((0, 1, 62), (1, "3/2", 67), ("5/2", "1/2", 69), (3, 1, 71), (4, 2, 67))
)
STARTS = tuple(start for start, _, _ in TUNE)
CHORDS = tuple((Fraction(start), root, "major", root) for start, root in ((1, "G"), (3, "D"), (4, "G")))
EXPECTED = [
    Expected(TUNE, tuple(zip(STARTS, words.split(), strict=True)), CHORDS)
    for words in ("Now morn ing light comes", "Then eve ning goes too")
]
TEXTURES = ("as-printed", "block", "broken", "alberti")
PLACES: tuple[TunePlace, ...] = ("at-pitch", "octave-up")

Spoil = Callable[[Any], None]


def spoilt(*spoils: Spoil) -> bytes:
    """The golden file with something changed."""
    root = etree.fromstring(GOLDEN.read_bytes())
    for spoil in spoils:
        spoil(root)
    return etree.tostring(root)


def _note(root: Any, name: str) -> Any:
    (found,) = root.xpath(f"//note[@id='verse-1.{name}']")
    return found


def _set_pitch(note: Any, key: str) -> None:
    note.find("pitch/step").text, note.find("pitch/octave").text = key[0], key[1]


def pitch(name: str, key: str) -> Spoil:
    """Another key for a note of verse 1: `C5`."""

    def spoil(root: Any) -> None:
        note = _note(root, name)
        _set_pitch(note, key)

    return spoil


def length(name: str, ticks: int) -> Spoil:
    """Another length for a note of verse 1, in quavers."""

    def spoil(root: Any) -> None:
        _note(root, name).find("duration").text = str(ticks)

    return spoil


def with_chord(name: str, *keys: str) -> Spoil:
    """More keys struck together with a note of verse 1."""

    def spoil(root: Any) -> None:
        note = _note(root, name)
        for index, key in enumerate(keys):
            other: Any = etree.fromstring(etree.tostring(note))
            other.set("id", f"added.{index}")
            _set_pitch(other, key)
            for tied in [*other.findall("tie"), *other.findall("notations")]:
                other.remove(tied)
            other.insert(0, etree.Element("chord"))
            note.addnext(other)

    return spoil


def text(path: str, told: str) -> Spoil:
    """Other words at the first place of a path."""

    def spoil(root: Any) -> None:
        root.xpath(path)[0].text = told

    return spoil


def without(path: str) -> Spoil:
    """The first element of a path is left out."""

    def spoil(root: Any) -> None:
        gone = root.xpath(path)[0]
        gone.getparent().remove(gone)

    return spoil


# -- what it reads ---------------------------------------------------------------------------------


def test_the_hand_written_file_is_cleared() -> None:
    """Two invented verses: nothing to say, on two manuals, with tune, words and chords as written by hand."""
    assert faults(GOLDEN.read_bytes(), one_manual=TWO, expected=EXPECTED) == []


def test_what_is_tied_is_one_key() -> None:
    """Pedal: G2 of a whole bar tied to G2 of the last one is pressed once, for five crotchets."""
    first, second = read_sections(GOLDEN.read_bytes())
    assert [f"{key.start} to {key.end}" for key in first.keys if key.limb == "feet"] == ["1 to 6"]
    assert [f"{key.start} to {key.end}" for key in second.keys if key.limb == "feet"] == ["1 to 4", "4 to 6"]


def test_stretches() -> None:
    """An octave is 14 units from any key, a ninth C4 to D5 16, a tenth C4 to E5 18; E4 to F4 is as far as C4 to D4."""
    assert {witness.stretch(key, key + 12) for key in range(36, 85)} == {14}
    assert witness.stretch(60, 74) == 16
    assert witness.stretch(60, 76) == 18
    assert witness.stretch(64, 65) == witness.stretch(60, 62) == 2


# -- what it sees ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spoils", "told"),
    [
        pytest.param([pitch("tune.3", "C5")], "bar 1, 2 quarters in: the tune differs", id="another tune note"),
        pytest.param(
            [length("tune.1", 2), length("tune.5_2", 2)], "bar 1, 0 quarters in: the tune differs", id="rhythm"
        ),
        pytest.param([text("//lyric/text", "Never")], "bar 0, 0 quarters in: the words differ", id="another word"),
        pytest.param([without("//lyric")], "the words differ: 1 missing", id="a word left out"),
        pytest.param([text("//root-step", "C")], "bar 1, 0 quarters in: the chords differ", id="another chord"),
        pytest.param([without("//harmony[2]")], "the chords differ: 1 missing", id="a chord left out"),
        pytest.param(
            [with_chord("tenor.1", "B2")],
            "bar 1, 0 quarters in: the left hand reaches from 47 to 62 (18 of 16)",
            id="a tenth in one hand",
        ),
        pytest.param(
            [with_chord("tenor.1", "C4", "B3", "A3", "G3", "F3")],
            "bar 1, 0 quarters in: the left hand holds 6 keys",
            id="six keys in one hand",
        ),
        pytest.param([with_chord("bass.1", "D3")], "bar 1, 0 quarters in: the feet play [43, 50]", id="double pedal"),
        pytest.param(
            [pitch("bass.1", "G1"), pitch("bass.4", "G1")], "the feet's key 31 is not there", id="below the pedal"
        ),
        pytest.param([pitch("tune.3", "D7")], "the right's key 98 is not there", id="above the manual"),
        pytest.param([without("//note[@id='verse-1.tune.3']")], "staves of 2, 3, 3 quarters", id="a bar not full"),
        pytest.param([text("//time/beats", "2")], "bar 1: 3 quarters, 2 wanted", id="a bar too full"),
        pytest.param([pitch("tenor.1", "B4")], "key 71 lies above the tune's 67", id="above the tune"),
        pytest.param(
            [pitch("tune.5_2", "D4")],
            "bar 1, 3/2 quarters in: the right strikes key 62 while it is held",
            id="key held",
        ),
        pytest.param([without("//rehearsal[text()='Verse 2']")], "1 sections, 2 told of", id="a section without name"),
    ],
)
def test_planted_fault(spoils: Sequence[Spoil], told: str) -> None:
    """One note, word, chord or bar is spoilt, both hands on one manual: the witness says what and where."""
    found = faults(spoilt(*spoils), one_manual=ONE, expected=EXPECTED)
    assert any(told in one for one in found), found


def test_what_is_no_fault() -> None:
    """A ninth in a hand; a unison struck together; on two manuals a key above the tune and one struck on both."""
    unison = spoilt(pitch("tenor.1", "G4"))
    assert faults(unison, one_manual=ONE, expected=EXPECTED) == []
    assert faults(spoilt(with_chord("tenor.1", "C3")), one_manual=ONE, expected=EXPECTED) == []
    assert faults(spoilt(pitch("tenor.1", "B4")), one_manual=TWO, expected=EXPECTED) == []
    assert faults(spoilt(pitch("tune.5_2", "D4")), one_manual=TWO) == []


def test_a_smaller_hand_reaches_less() -> None:
    """C3 to D4 is a ninth: too far for a hand that reaches an octave."""
    assert "the left hand reaches from 48 to 62 (16 of 14)" in "".join(
        faults(spoilt(with_chord("tenor.1", "C3")), one_manual=TWO, reach=14)
    )


def test_craft_is_counted() -> None:
    """Chord D over the tune's B4: F#4 doubled in the left hand and the pedal; and G under A flat on the beat."""
    first, _ = read_sections(GOLDEN.read_bytes())
    assert not witness.craft(first)

    def raised(root: Any) -> None:
        for name, flat in (("tenor.3", "1"), ("tune.3", "1")):
            step = _note(root, name).find("pitch/step")
            step.addnext(etree.fromstring(f"<alter>{flat}</alter>"))

    doubled, _ = read_sections(spoilt(pitch("tenor.3", "F3"), pitch("tune.3", "F5"), raised))
    assert witness.craft(doubled) == {"leading note doubled": 1}

    def flat(root: Any) -> None:
        _note(root, "tune.3").find("pitch/step").addnext(etree.fromstring("<alter>-1</alter>"))

    under, _ = read_sections(spoilt(pitch("tune.3", "E5"), flat))
    assert witness.craft(under) == {"semitone under the tune": 1}


# -- what the program lays out ---------------------------------------------------------------------


def against(arrangement: Arrangement, expected: Sequence[Expected]) -> list[str]:
    """What the witness has against an arrangement's exchange file."""
    sections = arrangement.sections
    assert [section.verse for section in sections] == [one.verse for one in arrangement.plan.verses]
    raised = [one.raised(12 if s.tune == "octave-up" else 0) for one, s in zip(expected, sections, strict=True)]
    together = [section.right == section.left for section in sections]
    return faults(exchange_file(arrangement), one_manual=together, expected=raised)


def demo_hymns() -> list[Traversable]:
    """The demonstration hymns of the package."""
    folder = files("undersong") / "demo"
    if not folder.is_dir():
        return []
    return sorted(
        (one for one in folder.iterdir() if one.name.endswith((".musicxml", ".mxl"))), key=lambda one: one.name
    )


@pytest.mark.parametrize("place", PLACES)
def test_demonstration_hymns(place: TunePlace) -> None:
    """Each demonstration hymn in all textures, its verses by turns: tune, words and printed chords."""
    hymns = demo_hymns()
    if not hymns:
        pytest.skip("the demonstration hymns are not in the package yet")
    for one in hymns:
        with as_file(one) as path:
            hymn = read(path)[0]
            score = witness.parse(path)
        numbers = tuple(verse.number for verse in hymn.text.verses)[: len(TEXTURES)]
        expected = witness.expected_of(
            score, [verse.number for verse in hymn.text.verses], chords=bool(hymn.tune.symbols)
        )
        for first in range(0, len(TEXTURES), max(1, len(numbers))):
            wishes = Wishes(verses=numbers, textures=TEXTURES[first:] + TEXTURES[:first], tune=place)
            found = against(lay_out(hymn, wishes), expected[: max(1, len(numbers))])
            assert found == [], f"{one.name} from {TEXTURES[first]}"


CHORALES = (
    "bwv10.7", "bwv101.7", "bwv121.6", "bwv144.6", "bwv178.7", "bwv244.37", "bwv26.6", "bwv280", "bwv318", "bwv356",
    "bwv401", "bwv435",
)  # fmt: skip
"""Four-part chorales of the music21 corpus, with and without repeats and words, spread by name."""


@pytest.mark.parametrize(("index", "name"), list(enumerate(CHORALES)))
def test_chorale(index: int, name: str) -> None:
    """A chorale in one of the textures: the soprano, walked along its repeats, with its words."""
    from music21 import corpus  # noqa: PLC0415 - heavy

    source = Path(corpus.getWork(f"bach/{name}"))
    score = witness.parse(source)
    hymn = read(source)[0]
    texture, place = TEXTURES[index % 4], PLACES[index // 4 % 2]
    expected = witness.expected_of(score, [verse.number for verse in hymn.text.verses])
    arrangement = lay_out(hymn, Wishes(textures=(texture,), tune=place))
    assert against(arrangement, expected) == []
