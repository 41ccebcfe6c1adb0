"""Engraved systems: facts measured in the pictures, not their bytes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise

import pytest
from fontTools.ttLib import TTFont
from lxml import etree

from engraver_pages import arrangement, verse
from invented import bars_of, section_of
from laid import tune
from undersong.errors import CannotEngrave
from undersong.model.accompaniment import Accompaniment, PlayedNote
from undersong.model.pitch import Pitch
from undersong.model.time import Time
from undersong.workflow import Wishes, lay_out
from undersong.writing.booklet import FONTS
from undersong.writing.engraver import DOUBTFUL_SIGN, Engraver, System, _system, finish, text_width
from undersong.writing.exchange import exchange_file
from undersong.writing.prepare import PageSize, choose_breaks, prepare, second_half

NORMAL, LARGE = PageSize(183.0, 7.04, 10.5), PageSize(183.0, 8.56, 13.0)


@pytest.fixture(scope="module")
def engraver() -> Iterator[Engraver]:
    with Engraver() as warm:
        yield warm


def engrave(engraver: Engraver, section: Accompaniment, size: PageSize = NORMAL) -> tuple[System, ...]:
    exchange = exchange_file(arrangement(section), [section])
    return engraver.engrave_section(exchange, size, lines=[line.start for line in section.lines])


def staff_height_mm(system: System) -> float:
    """Distance of the first and fifth staff line in mm, measured in the picture."""
    scale = float(re.findall(r'viewBox="0 0 ([\d.]+)', system.svg)[1]) / system.width_mm
    lines = [int(y) for y in re.findall(r'class="staff"><path d="M\d+ (\d+) L\d+ \1"', system.svg)]
    first = re.search(r'class="staff">((?:<path d="M\d+ \d+ L\d+ \d+"[^>]*/>){5})', system.svg)
    assert lines
    assert first
    heights = [int(y) for y in re.findall(r"d=\"M\d+ (\d+)", first[1])]
    return (max(heights) - min(heights)) / scale


def words_pt(system: System) -> float:
    """Size of the sung words in points, measured in the picture."""
    scale = float(re.findall(r'viewBox="0 0 ([\d.]+)', system.svg)[1]) / system.width_mm
    sizes = re.findall(r'class="syl".*?font-size="([1-9][\d.]*)px"', system.svg)
    return min(float(size) for size in sizes) / scale * 72 / 25.4


@pytest.mark.parametrize(("size", "staff", "words"), [(NORMAL, 7.0, 10.5), (LARGE, 8.5, 13.0)])
def test_staves_and_words_are_large_enough(engraver: Engraver, size: PageSize, staff: float, words: float) -> None:
    """P5 of the house: staff 7 mm or more, large print 8.5; words 10.5 and 13 points."""
    for system in engrave(engraver, verse(1), size):
        assert staff <= staff_height_mm(system) < staff + 0.2
        assert words_pt(system) == pytest.approx(words, abs=0.05)
        assert system.width_mm == pytest.approx(184.0)


def test_each_line_is_a_system(engraver: Engraver) -> None:
    """Four lines of four bars, a quaver figure: four systems, and bar numbers 5, 9 and 13 at the others' starts."""
    systems = engrave(engraver, verse(1))
    assert [numbers(system) for system in systems] == [[], ["5"], ["9"], ["13"]]


def numbers(system: System) -> list[str]:
    """Bar numbers of a system, as printed."""
    return re.findall(r'class="mNum(?:(?!</g>).)*?<tspan font-size="[^>]*>([^<]+)<', system.svg)


def test_every_system_bears_its_number(engraver: Engraver) -> None:
    """P5 of the house: also where a repeat begins again with bar 1, and where a system begins with a half bar."""
    section = verse(1)
    renamed = [(8, "1", False), (12, "4b", True)]
    bars = list(section.bars)
    for index, number, pickup in renamed:
        bars[index] = replace(bars[index], number=number, pickup=pickup)
    systems = engrave(engraver, replace(section, bars=tuple(bars)))
    assert [numbers(system) for system in systems] == [[], ["5"], ["1"], ["4b"]]


@pytest.mark.parametrize(("number", "second"), [("4", "4b"), ("4b", "4c"), ("0", "0"), ("", "")])
def test_the_number_of_a_second_half(number: str, second: str) -> None:
    """The half of an upbeat is still the upbeat."""
    assert second_half(number) == second


def test_signs_of_symbols_are_as_high_as_letters() -> None:
    """By the font files: 1.1 to 1.5 times as high as a capital, none narrower than two fifths of its height."""
    drawn = "".join(
        _system(
            '<svg viewBox="0 0 100 50"><g id="h" class="harm"><text x="10" y="20" font-size="0px"><tspan><tspan '
            f'font-size="370px">F</tspan><tspan font-family="Leipzig" font-size="704px">{sign}</tspan></tspan></text></g>'  # noqa: E501
        ).svg
        for sign in "\uea64\uea66"
    )
    capital = 370 * TTFont(FONTS / "LiberationSerif-Regular.ttf")["OS/2"].sCapHeight / 2048
    runs = re.findall(r'<tspan(?: font-family="(Leipzig)")? font-size="(\d+)px"[^>]*>([^F<])<', drawn)
    assert [sign for *_, sign in runs] == ["\uea64", "♯"]
    for family, size, sign in runs:
        font = TTFont(FONTS / (f"{family}.ttf" if family else "LiberationSerif-Regular.ttf"))
        glyph = font["glyf"][font.getBestCmap()[ord(sign)]]
        em = float(size) / font["head"].unitsPerEm
        assert 1.1 < glyph.yMax * em / capital < 1.5
        assert (glyph.xMax - glyph.xMin) * em > 0.4 * capital


def test_the_sign_of_an_octave_is_in_letters(engraver: Engraver) -> None:
    """Every system says 8va, later ones in parentheses; the dashed line begins after the letters; no glyph is left."""
    systems = engrave(engraver, verse(1, tune="octave-up", fifths=-1))
    assert len(systems) > 1
    for index, system in enumerate(systems):
        found = re.search(
            r'class="octave[^>]*><text x="(\d+)"[^>]* font-size="(\d+)px"[^>]*>([^<]*)</text><path d="M(\d+)',
            system.svg,
        )
        assert found
        assert found[3] == ("(8va)" if index else "8va")
        assert float(found[4]) >= float(found[1]) + text_width(found[3]) * float(found[2])
        assert "#E51" not in system.svg


def test_every_note_keeps_its_id(engraver: Engraver) -> None:
    """Each note of the verse is found once in the pictures under its own name."""
    section = verse(2, tune="octave-up", fifths=-5, pickup=Fraction(1))
    drawn = "".join(system.svg for system in engrave(engraver, section))
    names = [name for name in re.findall(r'id="([^"]+)" class="note"', drawn) if not name.endswith("doubled")]
    assert {note.id for note in section.notes} <= set(names)
    assert len(names) == len(set(names))


def test_generated_ids_of_two_verses_differ(engraver: Engraver) -> None:
    """Pictures of two verses stand in one web page."""
    one, two = (
        {name for system in engrave(engraver, verse(number)) for name in re.findall(r'id="([^"]+)"', system.svg)}
        for number in (1, 2)
    )
    assert one
    assert not one & two


def test_a_high_tune_is_written_an_octave_lower(engraver: Engraver) -> None:
    """Rising to F with three ledger lines, the whole verse stands under one sign; a lower one stands at pitch."""
    high = prepare(exchange_file(arrangement(verse(1, tune="octave-up", fifths=-1)), None), NORMAL)
    assert re.findall(r'octave-shift[^>]*type="(\w+)"', high) == ["down", "stop"]
    low = prepare(exchange_file(arrangement(verse(1)), None), NORMAL)
    assert "octave-shift" not in low
    drawn = engrave(engraver, verse(1, tune="octave-up", fifths=-1))
    assert all('class="octave' in system.svg for system in drawn)


def test_toe_and_heel_are_drawn(engraver: Engraver) -> None:
    """A caret and a U as paths; no text is left of them (no music font of the library has the signs)."""
    toe, heel = (engrave(engraver, verse(1, finger=finger))[0].svg for finger in ("toe", "heel"))
    for svg in (toe, heel):
        assert "∧" not in svg
        assert "∪" not in svg
    assert re.search(r'class="fing"><path d="M\d+ \d+L\d+ \d+L\d+ \d+"', toe)
    assert re.search(r'class="fing"><path d="M\d+ \d+V\d+A', heel)


def test_the_page_leaves_out_what_the_heading_says() -> None:
    """P6: no rehearsal marks, tempo or words of stops on the bench page; the exchange file has them."""
    section = verse(1)
    exchange = exchange_file(arrangement(section), [section])
    assert b"<rehearsal>" in exchange
    assert b"quiet flutes" in exchange
    page = prepare(exchange, NORMAL)
    for left_out in ("<rehearsal>", "<words>", "<metronome>", "<dynamics>"):
        assert left_out not in page


def test_marks_stand_at_their_notes(engraver: Engraver) -> None:
    """P8: the sign is set directly before its note."""
    section = verse(1)
    name = next(note.id for note in section.notes if note.limb == "left hand")
    exchange = exchange_file(arrangement(section), [section])
    page = etree.fromstring(prepare(exchange, NORMAL, marks={name: "(1)"}).encode())
    words = page.findall(".//words")
    assert [one.text for one in words] == ["(1)"]
    direction = next(one for one in page.iter("direction") if one.find(".//words") is not None)
    note = direction.getnext()
    assert note is not None
    assert note.get("id") == name
    drawn = engraver.engrave_section(exchange, NORMAL, marks={name: "(1)"})
    assert ">(1)<" in drawn[0].svg


def test_substitution_and_symbols_are_bent() -> None:
    """Two fingerings become one; the degrees of a symbol that stands in text are dropped."""
    note = (
        '<note id="n"><pitch><step>C</step><octave>4</octave></pitch><duration>4</duration><voice>1</voice>'
        "<type>whole</type><notations><technical><fingering>4</fingering><fingering>5</fingering>"
        '<toe placement="below"/><heel placement="below"/></technical></notations></note>'
    )
    harmony = (
        '<harmony><root><root-step>G</root-step></root><kind text="7sus4">suspended-fourth</kind><degree>'
        "<degree-value>7</degree-value><degree-alter>-1</degree-alter><degree-type>add</degree-type></degree></harmony>"
    )
    score = (
        '<score-partwise version="4.0"><part-list><part-group type="start" number="1"/><score-part id="P1"><part-name>M'
        '</part-name></score-part></part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions>'
        f"</attributes>{harmony}{note}</measure></part></score-partwise>"
    )
    page = prepare(score.encode(), NORMAL)
    assert re.findall(r"<fingering[^>]*>([^<]*)<", page) == ["4–5", "∧-∪"]
    assert "<degree>" not in page
    assert "<part-group" not in page


def test_a_doubtful_chord_has_a_dotted_line(engraver: Engraver) -> None:
    """P8 of the house: dots under every doubtful symbol, as wide as the symbol, and under no other."""
    sure = verse(1)
    chords = tuple(replace(chord, doubtful=index in (1, 4)) for index, chord in enumerate(sure.chords))
    assert len(chords) > 5
    plain = "".join(system.svg for system in engrave(engraver, sure))
    marked = "".join(system.svg for system in engrave(engraver, replace(sure, chords=chords)))
    assert DOUBTFUL_SIGN not in marked
    symbol = re.compile(r'<g id="[^"]*" class="harm">(?:(?!</g>).)*</g>')
    assert not any("<path" in one for one in symbol.findall(plain))
    drawn = symbol.findall(marked)
    assert [index for index, one in enumerate(drawn) if "<path" in one] == [1, 4]
    for one in (drawn[1], drawn[4]):
        left = float(re.findall(r'<text x="(\d+)"', one)[0])
        base = float(re.findall(r' y="(\d+)"', one)[0])
        em = max(float(size) for size in re.findall(r'font-size="([\d.]+)px"', one))
        dots = [(float(x), float(y)) for x, y in re.findall(r"M(\d+) (\d+)h0", one)]
        letters = len("".join(re.findall(r">([^<]+)<", one)))
        assert left < dots[0][0] < dots[-1][0] < left + em * letters
        assert {base < y < base + em / 3 for _, y in dots} == {True}


def test_bar_lines_make_room_for_words() -> None:
    """A word over a bar line between the staves of the manuals interrupts it; elsewhere the line stays whole."""
    word = (
        '<g class="syl"><text x="900" y="500" font-size="0px"><tspan><tspan font-size="100px">through</tspan></tspan>'
    )
    line = '<path d="M{0} 200 L{0} 800" stroke-width="26"/>'
    kept, cut = line.format(3000), line.format(1000)
    drawn = finish(f"{word}{kept}{cut}")
    assert kept in drawn
    assert cut not in drawn
    assert drawn.count('d="M1000 ') == 2


def test_bar_lines_make_room_for_words_of_several_verses() -> None:
    """Words of the first and the third of five verses lie over the bar line: it runs through neither, nor between."""
    words = "".join(
        f'<g class="syl"><text x="{x}" y="{y}" font-size="0px"><tspan><tspan font-size="100px">through</tspan></tspan>'
        for x, y in ((900, 400), (100, 515), (900, 630), (100, 745), (100, 860))
    )
    drawn = finish(f'{words}<path d="M1000 200 L1000 1000" stroke-width="26"/>')
    assert re.findall(r'd="M1000 (\d+) L1000 (\d+)"', drawn) == [("200", "315"), ("665", "1000")]


def test_a_line_that_begins_inside_a_bar_begins_a_system(engraver: Engraver) -> None:
    """The bar at the line's end is halved: its beats stand on two systems, nothing is lost, its number is shown."""
    section = verse(1, pickup=Fraction(1))
    systems = engrave(engraver, section)
    assert [numbers(system) for system in systems] == [[], ["4b"], ["8b"], ["12b"]]
    for system, line in zip(systems, section.lines, strict=True):
        sung = {note.id for note in section.notes if line.start <= note.start < line.end}
        assert sung == set(re.findall(r'id="([^"]+)" class="note"', system.svg))


def test_a_bar_is_not_halved_under_a_held_note() -> None:
    """The pedal holds through the bar at the line's end: the system breaks at the bar line after it."""
    section = verse(1, pickup=Fraction(1))
    kept = tuple(note for note in section.notes if note.limb != "left foot")
    held = tuple(
        PlayedNote(f"p{index}", "bass", bar.start, bar.length, Pitch("C", 0, 3), "feet", "Pedal")
        for index, bar in enumerate(section.bars)
    )
    section = replace(section, notes=kept + held)
    exchange = exchange_file(arrangement(section), [section])
    page = etree.fromstring(prepare(exchange, NORMAL, lines=[line.start for line in section.lines]).encode())
    bars = page.findall("part")[0].findall("measure")
    assert len(bars) == len(section.bars)
    assert [bar.get("number") for bar in bars if bar.find("print") is not None] == ["5", "9", "13"]


def test_halves_of_a_bar_mend_beams_and_accidentals() -> None:
    """Four quavers under a beam, the first sharpened; a line begins with the third: two pairs, the sharp again."""
    notes = "".join(
        f'<note id="n{number}"><pitch><step>F</step><alter>1</alter><octave>4</octave></pitch><duration>1</duration>'
        f"<voice>1</voice><type>eighth</type>{'<accidental>sharp</accidental>' if number == 0 else ''}"
        f'<beam number="1">{beam}</beam></note>'
        for number, beam in enumerate(("begin", "continue", "continue", "end"))
    )
    score = (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>M</part-name></score-part></part-list>'
        '<part id="P1"><measure number="1"><attributes><divisions>2</divisions></attributes>'
        f"{notes}</measure></part></score-partwise>"
    )
    wide = PageSize(18.0, 7.04, 10.5)
    page = etree.fromstring(prepare(score.encode(), wide, lines=[Fraction(0), Fraction(1)]).encode())
    first, second = page.findall("part/measure")
    assert [beam.text for beam in first.iter("beam")] == ["begin", "end"]
    assert [beam.text for beam in second.iter("beam")] == ["begin", "end"]
    assert [note.find("accidental") is not None for note in page.iter("note")] == [True, False, True, False]


@pytest.mark.parametrize(
    ("widths", "starts", "chosen"),
    [
        ([20.0] * 16, {4, 8, 12}, {4, 8, 12}),  # a line a system
        ([36.0] * 8, {4}, {2, 4, 6}),  # long lines are broken into even halves
        ([20.0] * 8, {2, 4, 6}, {4}),  # two short lines share a system
        ([13.2] * 8, {4}, {4}),  # two lines at 1.11 of a system, whose words would touch bar lines
        ([25.0] * 6, {3}, {3}),  # lines that fill three quarters stand alone
        ([200.0, 20.0], set(), {1}),  # a bar too wide for any system stands alone
    ],
)
def test_systems_break_at_line_ends(widths: list[float], starts: set[int], chosen: set[int]) -> None:
    """P3 of the house, in a system of 95 staff spaces."""
    assert choose_breaks(widths, starts, 95.0) == chosen


def test_a_page_that_is_no_music_is_refused(engraver: Engraver) -> None:
    """A sentence instead of a traceback, and the engraver goes on."""
    for broken in (b"", b"<score-partwise/>", b"<html>"):
        with pytest.raises(CannotEngrave):
            engraver.engrave_section(broken, NORMAL)
    assert engrave(engraver, verse(1, bars=4))


def test_the_engraver_warns_of_nothing_on_our_own_pages(engraver: Engraver) -> None:
    """Import warnings of the library are the only sign of lost notation."""
    for section in (verse(1, finger="toe"), verse(2, tune="octave-up", fifths=4), verse(3, time="6/8")):
        engrave(engraver, section)
        assert engraver.warnings == ()


def test_the_library_s_warnings_are_handed_back(engraver: Engraver) -> None:
    """A clef that does not exist is grumbled at; the words reach the caller."""
    section = verse(1, bars=2)
    exchange = exchange_file(arrangement(section), [section]).replace(b"<type>eighth</type>", b"<type>ninth</type>")
    engraver.engrave_section(exchange, NORMAL)
    assert engraver.warnings


def test_same_section_same_pictures(engraver: Engraver) -> None:
    """Nothing random and no clock: a second engraver draws the same bytes."""
    with Engraver() as other:
        assert engrave(engraver, verse(1)) == engrave(other, verse(1))


def test_symbols_that_would_touch_stand_in_rows(engraver: Engraver) -> None:
    """Chords on every half beat: the page shows them all, none over another, and the picture is as much taller."""
    hymn = tune(
        "(time=4/4) (key=0) (tempo=80) (C/major) C5:1/2 (F/major-minor) C5:1/2 (C/major//E) E5:1/2 (G/dominant) D5:1/2 "
        "(C/major) C5:2 | (C/major) C5:4"
    )
    whole = exchange_file(lay_out(hymn, Wishes(textures=("block",))))
    pages = engraver.engrave_section(whole, PageSize(60, 7, 10.5))
    boxes = []
    for number, system in enumerate(pages):
        root = etree.fromstring(system.svg.encode())
        top, height = map(float, root.get("viewBox", "").split()[1::2])
        assert system.height_mm == height / 10
        for group in (one for one in root.iter("{*}g") if one.get("class") == "harm"):
            sizes = [float(one.get("font-size", "0px")[:-2]) for one in group.iter("{*}tspan")]
            place = re.search(r'<text x="([-\d.]+)" y="([-\d.]+)"', etree.tostring(group, encoding="unicode"))
            assert place
            left, low, size = float(place[1]), float(place[2]), max(sizes)
            words = "".join(map(str, group.itertext()))
            boxes.append((number, left, left + 0.9 * text_width(words) * size, low - 0.7 * size, low, words))
            assert low - 0.7 * size >= 10 * top - 100
    assert len(boxes) == whole.count(b"<harmony") == 6
    assert len({low for *_, low, _ in boxes}) > 1
    for one, other in combinations(boxes, 2):
        across = one[0] == other[0] and one[1] < other[2] and other[1] < one[2]
        assert not (across and one[3] < other[4] and other[3] < one[4]), (one, other)


HIGH_BARS, LOW_BARS = "C5:1 E5:1 D5:1 F5:1 ", "C3:1 E3:1 D3:1 F3:1 "
LAST_BARS = {
    "two voices": ("C5:1 E5:1 D5:1 F5:1", "G4:2 A4:2"),
    "a short second voice": ("D5:1/2 B4:1/2 D5:1/2 B4:1/2 E5:2", "G4:1 F4:1 C5:2"),
    "a second voice of one beat": ("D5:1/2 B4:1/2 C5:3", "G4:1 E4:3"),
    "rests at the end": ("C5:1/2 B4:1/2 A4:1 r:2", "G4:1 r:3"),
    "dotted": ("E5:3/2 D5:1/2 C5:2", "G4:1 r:1/2 B4:1/2 r:2"),
    "triplets": ("E5:1/3 D5:1/3 C5:1/3 r:3", "G4:1 F4:1/2 r:5/2"),
    "the second voice later": ("C5:4", "r:1 G4:1 r:2"),
}


@pytest.mark.parametrize(
    ("time", "music"),
    [
        ("4/4", "A5:4 " * 8),  # the clef at a bar line
        ("4/2", "A5:4 " * 8),  # in the middle of a bar, which is halved
        ("4/2", "A5:8 " * 4),  # and of one that is not, for the tune sounds on
    ],
)
@pytest.mark.parametrize("last", LAST_BARS)
def test_a_clef_stands_after_the_notes_before_it(engraver: Engraver, last: str, time: str, music: str) -> None:
    """By the places in the pictures: also where a voice ends early or begins late."""
    begins, (figure, tenor) = 12, LAST_BARS[last]
    metre = Time.parse(time)
    section = section_of(
        "v",
        bars_of(time, "C major", [str(metre.bar_length)] * int(32 / metre.bar_length)),
        {
            "tune": music,
            "figure": f"{HIGH_BARS * 2} {figure} {LOW_BARS * 5}",
            "tenor": f"r:8 {tenor} r:{32 - begins}",
        },
        lines=[("0", str(begins)), (str(begins), "32")],
    )
    met = False
    for system in engrave(engraver, section):
        root = etree.fromstring(system.svg.encode())
        notes = {one.get("id", ""): place_of(one) for one in root.iter("{*}g") if one.get("class") == "note"}
        before: list[float] = []
        after: list[float] = []
        for name, x in notes.items():
            if name.startswith(("v.figure", "v.tenor")):
                (before if Fraction(name.split(".")[2].replace("_", "/")) < begins else after).append(x)
        clefs = [place_of(one) for one in root.iter("{*}g") if one.get("class") == "clef" and len(one)]
        for x in clefs:
            if x > min(notes.values()):
                met = True
                assert before
                assert x > max(before) + 100
                assert not after or x < min(after)
    assert met


def place_of(group: etree._Element) -> float:
    """Left edge of the first sign of a group, in the picture's units."""
    sign = next(one for one in group.iter("{*}use"))
    found = re.match(r"translate\(([-\d.]+)", sign.get("transform", ""))
    assert found
    return float(found[1])


def test_words_do_not_run_together(engraver: Engraver) -> None:
    """A system too full for its words: by the font's own widths there is room between all, hyphens inside words."""
    bars = bars_of("4/4", "C major", ["4"])
    sung = "strong and length- ened through the thank- ful"
    section = section_of("v", bars, {"tune": "C5:1/2 " * 8}, text=sung)
    font = TTFont(FONTS / "LiberationSerif-Regular.ttf")
    names, widths = font.getBestCmap(), font["hmtx"]
    (system,) = engrave(engraver, section, PageSize(68.0, 7.04, 10.5))
    words = []
    hyphens = []
    for group in etree.fromstring(system.svg.encode()).iter("{*}g"):
        if group.get("class") != "syl":
            continue
        (text,) = group.iter("{*}text")
        said = "".join(map(str, text.itertext()))
        em = max(float(one.get("font-size", "0px")[:-2]) for one in text.iter("{*}tspan"))
        left, long = float(text.get("x", "")), sum(widths[names[ord(sign)]][0] for sign in said) / 2048 * em
        words.append((left, left + long, said))
        hyphens += [(float(one.get("x", "")), float(one.get("width", ""))) for one in group.iter("{*}rect")]
    words.sort()
    assert [word for *_, word in words] == [word.rstrip("-") for word in sung.split()]
    assert min(after[0] - before[1] for before, after in pairwise(words)) > 0.24 * em
    assert max(right for _, right, _ in words) < 10 * 10 * system.width_mm
    for before, after, syllable in zip(words, words[1:], sung.split(), strict=False):
        inside = [(x, wide) for x, wide in hyphens if before[1] < x and x + wide < after[0]]
        assert len(inside) == syllable.endswith("-")
        assert all(wide > 0.15 * em for _, wide in inside)
