"""The booklet, read back with pypdf: fonts, words, pages."""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner

from engraver_pages import arrangement, verse
from printed import Printed
from printed import page as score
from undersong.cli import cli
from undersong.errors import CannotEngrave, UnknownName
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.finding import Finding, finding
from undersong.model.pitch import Key, key_words
from undersong.model.text import Syllable, Verse, opening
from undersong.model.tune import Line
from undersong.reading.musicxml import read_musicxml
from undersong.workflow import Wishes, harmonise, lay_out, possible_keys
from undersong.writing import booklet as module
from undersong.writing.booklet import (
    AFTER_HEAD_MM,
    BEFORE_MM,
    Item,
    Unit,
    booklet,
    first_words,
    heading,
    kept_together,
    marks,
    marks_at_notes,
    page_size,
    paginate,
)
from undersong.writing.engraver import MARGIN_MM, Engraver, System
from undersong.writing.exchange import exchange_file

Systems = dict[str, tuple[System, ...]]


def engraved(hymn: Arrangement, paper: str = "a4", *, large: bool = False) -> Systems:
    size = page_size(paper, large=large)
    with Engraver() as engraver:
        return {
            section.id: engraver.engrave_section(
                exchange_file(hymn, [section]),
                size,
                lines=[line.start for line in section.lines],
                marks=marks_at_notes(hymn, section),
            )
            for section in hymn.sections
        }


def told(section: Accompaniment, bar: int, what: str, kind: str = "changed-here") -> Finding:
    """A finding at the first left-hand note of a bar."""
    place = section.bars[bar]
    name = f"{section.id}.b{bar}.l0"
    facts = {"what": what} if kind == "changed-here" else {"symbol": what}
    return finding(
        kind, section=section.id, bar=place.number, beat="1", start=place.start, notes=(name,), **facts
    )  # fmt: skip


@pytest.fixture(scope="module")
def four_verses() -> tuple[Arrangement, Systems]:
    sections = (verse(1, left="Great", texture="as-printed", figure=Fraction(1)), verse(2, tune="octave-up", fifths=2),
                verse(3), verse(4, finger="toe"))  # fmt: skip
    hymn = arrangement(
        *sections, title='#Morning *song* "of" <light> & $x$', findings=(told(sections[1], 2, "the fifth is left out"),)
    )
    return hymn, engraved(hymn)


@pytest.fixture(scope="module")
def pages(four_verses: tuple[Arrangement, Systems]) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(booklet(*four_verses))).pages]


def test_music_and_words_have_their_fonts(four_verses: tuple[Arrangement, Systems]) -> None:
    """A missing font would leave empty boxes for accidentals in chord symbols and for the beat."""
    names = set()
    for page in pypdf.PdfReader(io.BytesIO(booklet(*four_verses))).pages:
        for held in page["/Resources"]["/Font"].values():  # type: ignore[index]
            names.add(str(held.get_object()["/BaseFont"]).partition("+")[2])
    assert "Leipzig" in names
    assert any(name.startswith("LiberationSerif") for name in names)
    assert all(name.startswith(("Leipzig", "LiberationSerif")) for name in names)


def test_a_missing_font_is_an_error(four_verses: tuple[Arrangement, Systems], monkeypatch: pytest.MonkeyPatch) -> None:
    """With no fonts at all the typesetter would go on; the booklet does not."""
    import typst  # noqa: PLC0415

    monkeypatch.setattr(
        module, "_fonts", lambda: typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[])
    )
    with pytest.raises(CannotEngrave, match="font"):
        booklet(*four_verses)


def test_the_head_of_the_first_page(pages: list[str]) -> None:
    """P2 of the house: title, tune, metre, key, time, beat and verses to be sung; signs in a title stay signs."""
    for words in ('#Morning *song* "of" <light> & $x$', "FERNHILL", "8.7.8.7", "C major", "4/4", "96", "Verses 1–4"):
        assert words in pages[0], words


def test_every_verse_has_its_heading_and_foot(pages: list[str]) -> None:
    """P1, P2: first words, hand to division, texture in words; the gap and what comes next."""
    text = "\n".join(pages)
    for words in (
        "The silver morning on the hill", "r.h. Great", "l.h. Swell", "as printed", "broken chords, tune soloed",
        "tune soloed an octave up", "quiet flutes", "hold 2 more beats, lift 2",
        "verse 2 · l.h. to Swell · tune an octave up",
        "in D major", "1 of",
    ):  # fmt: skip
        assert words in text.replace("\xa0", " "), words
    assert text.count("next:") == 3


def test_changes_are_explained_at_the_foot(four_verses: tuple[Arrangement, Systems], pages: list[str]) -> None:
    """P8: the sign stands at the note in the music and before its explanation."""
    hymn, systems = four_verses
    assert marks_at_notes(hymn, hymn.sections[1]) == {"verse-2.b2.l0": "(1)"}
    assert sum(">(1)<" in system.svg for system in systems["verse-2"]) == 1
    assert "bar 3, beat 1: the fifth is left out." in "\n".join(pages)


def test_doubtful_chords_are_explained_at_the_foot(pages: list[str]) -> None:
    """P8 of the house: the dotted line has its sentence, only where one is drawn."""
    sure = verse(1)
    doubtful = replace(sure, chords=(replace(sure.chords[0], doubtful=True), *sure.chords[1:]))
    hymn = arrangement(doubtful, verse(2))
    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(booklet(hymn, engraved(hymn)))).pages)
    assert text.count("dotted: a doubtful chord; the notes allow another.") == 1
    assert not any("dotted" in page for page in pages)


def test_many_findings_are_told_together() -> None:
    """Twelve soft findings of one kind make one line; a change keeps its own; a marked note is told as well."""
    section = verse(1, mark="a word of its own")
    found = [told(section, bar, f"C {bar}", "third-missing") for bar in range(12)]
    hymn = arrangement(section, findings=(*found, told(section, 13, "the tenor rests")))
    texts = [mark.text for mark in marks(hymn, section)]
    others = "2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12"
    assert texts == [
        f"bar 1, beat 1: the third of C 0 does not sound; the like in bars {others}.",
        "bar 14, beat 1: the tenor rests.",
    ]
    alone = arrangement(section)
    assert [mark.text for mark in marks(alone, section)] == ["bar 3, beat 1: a word of its own."]


@pytest.mark.parametrize(("paper", "width", "height"), [("a4", 210, 297), ("letter", 215.9, 279.4)])
def test_paper(paper: str, width: float, height: float) -> None:
    """Both papers in large print; every verse begins with its number and nothing is lost."""
    hymn = arrangement(verse(1, time="6/8", fifths=5), verse(2, time="6/8", fifths=5))
    reader = pypdf.PdfReader(io.BytesIO(booklet(hymn, engraved(hymn, paper, large=True), paper, large=True)))
    for page in reader.pages:
        assert float(page.mediabox.width) == pytest.approx(width * 72 / 25.4, abs=0.1)
        assert float(page.mediabox.height) == pytest.approx(height * 72 / 25.4, abs=0.1)
        assert f"of {len(reader.pages)}" in page.extract_text()


@pytest.mark.parametrize("large", [False, True])
def test_the_plan_of_the_pages_holds(monkeypatch: pytest.MonkeyPatch, large: bool) -> None:
    """Long explanations under each verse, Letter paper: the typesetter needs no page more than were planned."""
    planned: list[int] = []

    def watched(units: list[Unit], height_mm: float) -> list[dict[str, object]]:
        pages = paginate(units, height_mm)
        planned.append(len(pages))
        return pages

    monkeypatch.setattr(module, "paginate", watched)
    long = "the tenor rests here so that the left hand can reach the next chord, " * 2
    sections = [verse(number, fifths=-1, tune="octave-up") for number in (1, 2)]
    found = tuple(told(section, bar, f"{long}{bar}") for section in sections for bar in range(1, 14))
    hymn = arrangement(*sections, findings=found)
    reader = pypdf.PdfReader(io.BytesIO(booklet(hymn, engraved(hymn, "letter", large=large), "letter", large=large)))
    assert planned == [len(reader.pages)]


def test_same_hymn_same_bytes_and_revision_only_if_given(four_verses: tuple[Arrangement, Systems]) -> None:
    """P10 on demand; otherwise no date stands on the page or in the file."""
    assert booklet(*four_verses) == booklet(*four_verses)
    revised = pypdf.PdfReader(io.BytesIO(booklet(*four_verses, revision="4 March, B")))
    assert all("4 March, B" in page.extract_text() for page in revised.pages)


def test_what_cannot_be_printed_is_said(four_verses: tuple[Arrangement, Systems]) -> None:
    """An unknown paper and a verse without systems."""
    with pytest.raises(UnknownName, match="a4, letter"):
        booklet(*four_verses, "folio")
    with pytest.raises(CannotEngrave, match="Verse 1"):
        booklet(four_verses[0], {})


def pagination(*verses: tuple[int, float], height: float = 100.0) -> list[list[tuple[int, int]]]:
    """Verse and system on each page, for verses of so many systems of one height (heads 10, no feet)."""
    units = []
    for index, (count, system_mm) in enumerate(verses):
        for number in range(count):
            head = (Item("head", 10.0, index),) if number == 0 else ()
            units.append(Unit((*head, Item("system", system_mm, index, number)), index))
    return [
        [(item["verse"], item["system"]) for item in page["items"] if item["kind"] == "system"]
        for page in paginate(units, height)
    ]


def test_a_verse_that_would_need_a_turn_begins_a_page() -> None:
    """P7: two verses of two thirds of a page each stand on a page each."""
    assert pagination((3, 18.0), (3, 18.0)) == [[(0, 0), (0, 1), (0, 2)], [(1, 0), (1, 1), (1, 2)]]


def test_small_verses_share_a_page() -> None:
    """No empty third of a page."""
    assert pagination((1, 20.0), (1, 20.0)) == [[(0, 0), (1, 0)]]


def test_a_long_verse_runs_over_facing_pages() -> None:
    """A page full, then a verse of two pages on the second and third, which face each other."""
    found = pagination((4, 19.0), (6, 19.0))
    assert [{verse for verse, _ in page} for page in found] == [{0}, {1}, {1}]


def test_pages_are_never_overfull() -> None:
    """Whatever is asked, the items with the room above them fit, unless one alone is too high."""
    units = [Unit((Item("system", 7.0 + 3 * (n % 5), 0, n),), 0) for n in range(40)]
    for page in paginate(units, 100.0):
        filled = sum(units[item["system"]].items[0].height_mm + item["before_mm"] for item in page["items"])
        assert filled <= 100.01
        assert all(item["before_mm"] >= BEFORE_MM["system"][0] for item in page["items"][1:])


@pytest.mark.parametrize(
    ("key", "words"), [("Bb major", "B flat major"), ("F# minor", "F sharp minor"), ("C major", "C major")]
)
def test_keys_in_words(key: str, words: str) -> None:
    """As they are said."""
    assert key_words(Key.parse(key)) == words


def test_a_church_mode_is_named_alike_everywhere(tmp_path: Path) -> None:
    """A tune of E phrygian: `read`, `arrange`, the keys offered and the page say one thing, never E minor."""
    written = score(Printed("Tune", "E4:1 G4:1 A4:1 B4:1 | C5:1 B4:1 A4:1 G4:1 | A4:1 G4:1 F4:2 | E4:4"))
    hymn = read_musicxml(written, "phrygian.musicxml")
    harmony = harmonise(hymn).harmony
    assert harmony.mode == "phrygian"
    assert key_words(harmony.key, harmony.mode) == "E phrygian"
    laid = lay_out(hymn, Wishes())
    assert module._page_head(laid)["facts"][1 - (not laid.metre)] == "E phrygian"
    file = tmp_path / "phrygian.musicxml"
    file.write_bytes(written)
    for command in ("read", "arrange", "harmony"):
        said = CliRunner().invoke(cli, [command, str(file)]).output
        assert "E phrygian" in said, command
        assert "E minor" not in said, command
    assert all(one.name.endswith(" phrygian") for one in possible_keys(hymn, harmony))


def test_a_stop_keeps_its_pitch() -> None:
    """No line breaks between a stop's name and its pitch or ranks; elsewhere it may."""
    together = kept_together("Great: Open Diapason 8, Mixture IV, Twelfth 2 2/3; soft 16 and 8")
    assert together == "Great: Open Diapason\xa08, Mixture\xa0IV, Twelfth\xa02\xa02/3; soft\xa016 and\xa08"
    section = verse(1)
    drawn = replace(section.registration, actual=(("Great", "Open Diapason 8"),))
    (about,) = heading(arrangement(section), replace(section, registration=drawn))["about"]
    assert "Diapason\xa08" in about


def test_first_words() -> None:
    """Syllables are joined, and more to come is shown."""
    assert first_words(verse(1)) == "The silver morning on the hill …"


BREAKS = "Mor-ning breaks u-pon the hill, larks a-bove are sing-ing still"
DAY = "When our day is end-ed And the light is low"
LONG = "Now the lamps are light-ed all a-long the qui-et shore"


@pytest.mark.parametrize(
    ("text", "starts", "words"),
    [
        (BREAKS, (0, 7), "Morning breaks upon the hill"),  # five words in a line of seven syllables
        (BREAKS, (), "Morning breaks upon the hill"),  # no lines are known: up to the comma
        (DAY, (0, 6), "When our day is ended"),
        (DAY, (0, 2), "When our"),
        (DAY, (), "When our day is ended And"),
        (LONG, (0, 13), "Now the lamps are lighted all"),
        ("Sing, O sing, for joy", (), "Sing, O sing"),
    ],
)
def test_an_opening_ends_with_its_line(text: str, starts: tuple[int, ...], words: str) -> None:
    """Invented words: at the end of the line, after a stop, or after six words; never a word of the next line."""
    parts = [word.split("-") for word in text.split()]
    sung = [
        (part, "single" if len(word) == 1 else "begin" if at == 0 else "end" if at == len(word) - 1 else "middle")
        for word in parts
        for at, part in enumerate(word)
    ]
    syllables = [Syllable(Fraction(onset), part, hyphen) for onset, (part, hyphen) in enumerate(sung)]  # type: ignore[arg-type]
    at = [Fraction(start) for start in starts]
    assert opening([(one.onset, one.text, one.hyphen) for one in syllables], at) == (words, True)
    lines = [Line(start, end) for start, end in zip(at, [*at[1:], Fraction(len(sung))], strict=False)]
    assert Verse(1, tuple(syllables)).first_words(lines) == words


def test_an_opening_that_is_all_is_no_beginning() -> None:
    """Nothing follows, so nothing is said to."""
    assert opening([(Fraction(0), "A", "begin"), (Fraction(1), "men", "end")], [Fraction(0)]) == ("Amen", False)


def test_a_first_verse_of_two_pages_begins_on_the_left() -> None:
    """P7: what needs two pages starts on the left: a front page with the plan comes before it."""
    units = [Unit((Item("head", 10.0, 0), Item("system", 60.0, 0, 0)), 0)]
    units += [Unit((Item("system", 60.0, 0, number),), 0) for number in range(1, 4)]
    units.append(Unit((Item("head", 10.0, 1), Item("system", 60.0, 1, 0)), 1))
    pages = paginate(units, 150.0)
    kinds = [[item["kind"] for item in page["items"]] for page in pages]
    assert kinds[0] == ["plan"]
    assert sum(kind == "system" for page in kinds for kind in page) == 5
    short = paginate(units[:2], 150.0)
    assert short[0]["items"][0]["kind"] == "head"


@pytest.mark.parametrize(
    ("systems", "spare_mm", "pages"),
    [
        (5, -3.0, [5]),  # 3 mm too high for the least room: set closer
        (5, -9.0, [4, 1]),  # too high however close
        (9, -3.0, [9]),
        (5, 0.0, [5]),  # the least room
    ],
)
def test_the_last_system_of_a_verse_is_taken_onto_the_page(systems: int, spare_mm: float, pages: list[int]) -> None:
    """A turn for one system is spared if at least a millimetre stays between what is drawn (common practice)."""
    units = [Unit((Item("head", 20.0, 0), Item("system", 40.0, 0, 0)), 0)]
    units += [Unit((Item("system", 40.0, 0, number),), 0) for number in range(1, systems)]
    least = 20.0 + 40.0 * systems + AFTER_HEAD_MM[0] + BEFORE_MM["system"][0] * (systems - 1)
    found = paginate(units, least + spare_mm)
    assert [sum(item["kind"] == "system" for item in page["items"]) for page in found] == pages
    for page in found:
        heights = sum(20.0 if item["kind"] == "head" else 40.0 for item in page["items"])
        assert heights + sum(item["before_mm"] for item in page["items"]) <= least + spare_mm + 0.01
        assert all(item["before_mm"] + 2 * MARGIN_MM >= 1.0 for item in page["items"][1:])


def test_systems_are_not_crowded_for_another_verse() -> None:
    """Set close only for a verse's own last systems: a short verse that fits no more begins the next page."""
    units = [Unit((Item("head", 20.0, 0), Item("system", 40.0, 0, 0)), 0)]
    units += [Unit((Item("system", 40.0, 0, number),), 0) for number in range(1, 5)]
    units.append(Unit((Item("head", 20.0, 1), Item("system", 40.0, 1, 0)), 1))
    least = 7 * 40.0 + AFTER_HEAD_MM[0] * 2 + BEFORE_MM["head"][0] + 4 * BEFORE_MM["system"][0]
    found = paginate(units, least - 3.0)
    assert [[item["verse"] for item in page["items"]] for page in found] == [[0] * 6, [1, 1]]
