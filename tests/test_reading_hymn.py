"""What a hymn needs from any page: hard cases of MusicXML, second rhythms, the tune's place, lines, the poetic metre.

All pages here are invented but those of the music21 corpus and its conformance files.
"""

from __future__ import annotations

import json
import random
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from conformance import suite, unexplained
from lines import Chorale, chorales, invented_descant, line_cases, scores, shuffled, wrong_voices

from printed import Printed, page
from undersong import demo
from undersong.cli import cli
from undersong.errors import BrokenBar, UnknownName
from undersong.model.chord import Chord
from undersong.model.hymn import Hymn
from undersong.model.pitch import PitchName
from undersong.model.tune import walk
from undersong.reading import read_file
from undersong.reading.container import open_score
from undersong.reading.metre import metre_name
from undersong.reading.musicxml import hymn_of, read_musicxml
from undersong.reading.raw import read_score
from undersong.reading.report import read_json
from undersong.workers import Worker


def read(*parts: Printed, head: str = "") -> Hymn:
    return read_musicxml(page(*parts, head=head), "invented.musicxml")


def melody(music: str, *words: str, head: str = "") -> Hymn:
    return read(Printed("Tune", music, words), head=head)


def show(hymn: Hymn, voice: str = "") -> str:
    found = hymn.tune.voice(voice) if voice else hymn.tune.tune_voice
    assert found is not None
    return " ".join(f"{note.pitch}:{note.length}" for note in found.notes)


def remarks(hymn: Hymn) -> str:
    return "\n".join(map(str, (*hymn.assumed, *hymn.left_out)))


def borders(hymn: Hymn) -> str:
    return " ".join(str(line.end) for line in hymn.tune.lines)


# -- hard cases ------------------------------------------------------------------------------------------------------


def test_a_voice_that_crosses_to_the_other_staff() -> None:
    """The tenor's fifth note stands on the upper staff: it stays the tenor's."""
    upper = "(time=2/4) C5:1 D5:1 & A4:1 B4:1 | E5:2 & C5:2 | C5:2 & A4:2"
    lower = "E4:1 F4:1 & C3:1 D3:1 | G4:2 & C3:2 | E4:2 & A2:2"
    music = "|".join(f"{one} && {two}" for one, two in zip(upper.split("|"), lower.split("|"), strict=True))
    whole = page(Printed("Organ", f"{music} | {music}", clefs="GF")).decode()
    place = whole.index("<voice>3</voice>", whole.index("<step>G</step>"))
    hymn = read_musicxml((whole[:place] + whole[place:].replace("<staff>2</staff>", "<staff>1</staff>", 1)).encode())
    assert show(hymn, "tenor") == "E4:1 F4:1 G4:2 E4:2 E4:1 F4:1 G4:2 E4:2"
    assert show(hymn, "alto") == "A4:1 B4:1 C5:2 A4:2 A4:1 B4:1 C5:2 A4:2"


def test_hidden_voice_is_left_out() -> None:
    """A third line that never shows on the page."""
    music = "(time=2/4) C5:1 D5:1 & E4:1h F4:1h | E5:2 & G4:2h"
    hymn = melody(music)
    assert [voice.name for voice in hymn.tune.voices] == ["tune"]
    assert "Tune: a hidden voice" in remarks(hymn)


def test_gaps_made_by_forward_and_backup() -> None:
    """The second voice of the staff begins after a skip: no printed rest, so it has joined the first."""
    data = page(Printed("", "(time=2/4) C5:1 D5:1 & r:1 B4:1 | E5:2 & C5:2"), Printed("", "E3+C3:2 | C3:2", clefs="F"))
    rest = data.index(b"<note><rest/>")
    end = data.index(b"</note>", rest) + len(b"</note>")
    skipped = data[:rest] + b"<forward><duration>24</duration></forward>" + data[end:]
    hymn = read_musicxml(skipped)
    assert show(hymn, "alto") == "C5:1 B4:1 C5:2"
    assert show(read_musicxml(data), "alto") == "B4:1 C5:2"


def test_divisions_that_do_not_divide() -> None:
    """Quavers in threes rounded to whole ticks: their names tell the exact lengths."""
    notes = "".join(
        f"<note><pitch><step>{step}</step><octave>5</octave></pitch><duration>{ticks}</duration><voice>1</voice>"
        "<type>eighth</type><time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes>"
        "</time-modification></note>"
        for step, ticks in (("C", 8), ("D", 8), ("E", 8))
    )
    data = page(Printed("", "(time=2/4) C5:1 D5:1 | E5:1 C5:1")).decode().replace("<divisions>24<", "<divisions>25<")
    data = data.replace("<duration>24<", "<duration>25<")
    start = data.index("<note>")
    data = data[:start] + notes + data[data.index("</note>", start) + 7 :]
    hymn = read_musicxml(data.encode())
    assert show(hymn).startswith("C5:1/3 D5:1/3 E5:1/3 D5:1 E5:1")


def test_fret_frames_are_read_past() -> None:
    """A chord symbol with a diagram for the guitar keeps its chord."""
    frame = b"<frame><frame-strings>6</frame-strings><frame-frets>4</frame-frets></frame></harmony>"
    data = page(Printed("", "(time=2/4) (D/minor) C5:2 | D5:2")).replace(b"</harmony>", frame)
    assert read_musicxml(data).tune.symbols[0].chord == Chord(PitchName("D"), "minor")


def test_inversion_tells_the_bass() -> None:
    """F sharp major with inversion 2 stands on C sharp."""
    data = page(Printed("", "(time=2/4) (F#/major) C5:2 | D5:2")).replace(
        b"</kind>", b"</kind><inversion>2</inversion>"
    )
    assert read_musicxml(data).tune.symbols[0].chord == Chord(PitchName("F", 1), "major", PitchName("C", 1))


def test_words_under_the_alto_are_the_hymns_words() -> None:
    """Only the lower voice of the upper staff has syllables; one falls under a held tune note and is told."""
    upper = "(time=4/4) C5:1 D5:1 E5:2 & A4:1[1=Sing] B4:1[1=we] C5:1[1=all] B4:1[1=day] | C5:4 & A4:4[1=long]"
    hymn = read(Printed("", upper), Printed("", "(time=4/4) E3+C3:4 | E3+C3:4", clefs="F"))
    assert [one.text for one in hymn.text.verses[0].syllables] == ["Sing", "we", "all", "long"]
    assert "a syllable without a tune note" in remarks(hymn)


def test_several_symbols_over_one_note() -> None:
    """Two symbols stand before a note of four beats: the second comes on its second beat."""
    hymn = melody("(time=4/4) (C/major) (F/major) C5:4 | (G/major) D5:4")
    assert [(str(one.onset), str(one.chord.root)) for one in hymn.tune.symbols] == [("0", "C"), ("1", "F"), ("4", "G")]
    assert "several chord symbols over one note come on its beats" in remarks(hymn)


def test_symbols_for_each_time_through() -> None:
    """Over a note that is sung twice two symbols are printed: one for each time."""
    hymn = melody("(time=2/4) (C/major) (A/minor) C5:2 | (back) D5:2 | E5:2")
    assert [(one.passes, str(one.chord.root)) for one in hymn.tune.symbols] == [((1,), "C"), ((2,), "A")]


def test_symbols_without_a_note_beneath() -> None:
    """A symbol over a rest in the middle of the bar stays at its place."""
    hymn = melody("(time=4/4) C5:2 (G/major) r:2 | D5:4")
    assert [str(one.onset) for one in hymn.tune.symbols] == ["2"]


def test_bar_that_all_parts_make_longer() -> None:
    """Five beats in all parts of a 4/4 bar are taken; one part alone with five is refused."""
    parts = (
        Printed("", "(time=4/4) C5:4 | D5:4 E5:1 | C5:4"),
        Printed("", "(time=4/4) C3:4 | D3:4 E3:1 | C3:4", clefs="F"),
    )
    hymn = read(*parts)
    assert [str(bar.time) for bar in hymn.tune.bars] == ["4/4", "5/4", "4/4"]
    assert "bar 2: all parts have 5 beats; the bar is taken as 5/4" in remarks(hymn)
    with pytest.raises(BrokenBar, match="bar 2, beat 5, bass"):
        read(Printed("", "(time=4/4) C5:4 | D5:4"), Printed("", "(time=4/4) C3:4 | D3:4 E3:1", clefs="F"))


def test_endings_for_single_verses() -> None:
    """`v. 1-3` and `v. 4` are no times through: the page is sung once with the ending of most verses."""
    music = (
        "(time=2/4) C5:2 | (ending=1,2,3) (endtext=v.1-3) (stop=1,2,3) (back) D5:2 | "
        "(ending=4) (endtext=v.4) (stop=4) E5:2"
    )
    hymn = melody(music)
    assert [step.index for step in walk(hymn.tune)] == [0, 1]
    assert "endings are printed for single verses" in remarks(hymn)


def test_melisma_and_extension() -> None:
    """Three notes to one syllable: the words go on after it."""
    hymn = melody("(time=4/4) C5:1 D5:1 E5:1 F5:1 | G5:4", "Al- _ _ le- lu")
    assert [(str(one.onset), one.text) for one in hymn.text.verses[0].syllables] == [
        ("0", "Al"),
        ("3", "le"),
        ("4", "lu"),
    ]


# -- second rhythms --------------------------------------------------------------------------------------------------


def test_small_notes_with_the_words_of_one_verse() -> None:
    """Verse 2 sings two quavers where the others sing a crotchet."""
    music = "(time=3/4) C5:1 D5:1 E5:1 & C5:1/2c[2=ev-] C5:1/2c[2=er] r:2h | F5:3"
    hymn = melody(music, "One two three four", "_ two three four")
    one, two = hymn.text.verses
    assert one.rhythms == ()
    assert [(note.pitch.step, str(note.length)) for note in two.notes_of("tune", hymn.tune.tune_voice.notes)] == [
        ("C", "1/2"), ("C", "1/2"), ("D", "1"), ("E", "1"), ("F", "3"),
    ]  # fmt: skip
    assert [one.text for one in two.syllables] == ["ev", "er", "two", "three", "four"]
    assert show(hymn) == "C5:1 D5:1 E5:1 F5:3"
    assert "small notes" not in remarks(hymn)


def test_a_second_voice_with_the_words_of_one_verse() -> None:
    """Verse 3 sings a minim where the others sing two crotchets, full-sized with the stem down."""
    bars = ["C5:1 D5:1", "E5:1 F5:1", "G5:1 F5:1", "E5:1 D5:1"]
    music = "(time=2/4) " + " | ".join([*bars, *bars[:3], "E5:1 C5:1 & E5:2[3=end]"])
    line = " ".join(["la"] * 16)
    hymn = melody(music, line, line, " ".join(["lo"] * 14))
    third = hymn.text.verses[2]
    assert [voice.name for voice in hymn.tune.voices] == ["tune"]
    assert [str(rhythm.onset) for rhythm in third.rhythms] == ["14"]
    assert str(third.notes_of("tune", hymn.tune.tune_voice.notes)[-1].length) == "2"
    assert third.syllables[-1].text == "end"
    assert all(not verse.rhythms for verse in hymn.text.verses[:2])


def test_an_alto_with_words_of_its_own_stays_an_alto() -> None:
    """The lower voice has a line of words of its own in every bar: it is a voice, not a second rhythm."""
    bar = "C5:1 D5:1 & A4:1[2=lo] B4:1[2=lo]"
    hymn = read(Printed("", f"(time=2/4) {' | '.join([bar] * 4)}", (" ".join(["la"] * 8),)),
                Printed("", "(time=2/4) " + " | ".join(["E3+C3:2"] * 4), clefs="F"))  # fmt: skip
    assert hymn.tune.four_parts
    assert all(not verse.rhythms for verse in hymn.text.verses)


# -- the tune and its lines ------------------------------------------------------------------------------------------


def test_drums_abbreviated_t_are_no_tenor() -> None:
    """`Timpani`, for short `T`, before four named voices."""
    names = ("Timpani", "Soprano", "Alto", "Tenor", "Bass")
    parts = [Printed(name, f"(time=2/4) {step}:2 | {step}:2")
             for name, step in zip(names, ("C2", "C5", "G4", "E4", "C3"), strict=True)]  # fmt: skip
    data = page(*parts).replace(b"<part-name>Timpani</part-name>",
                                b"<part-name>Timpani</part-name><part-abbreviation>T</part-abbreviation>")  # fmt: skip
    assert show(read_musicxml(data), "tenor") == "E4:2 E4:2"


@pytest.fixture(scope="module")
def some() -> list[Chorale]:
    return chorales(40)


def test_names_hidden_and_staves_shuffled(some: list[Chorale]) -> None:
    """Forty chorales: soprano, alto, tenor and bass are found by where and how they move."""
    rng = random.Random(1)
    assert wrong_voices((one.name, *shuffled(one.score, rng)) for one in some) == []


def test_a_descant_above_is_not_the_tune(some: list[Chorale]) -> None:
    """An invented line over ten chorales, staves shuffled below it."""
    rng = random.Random(2)
    cases = [(one.name, *shuffled(one.score, rng, invented_descant(one.score, rng))) for one in some[::4]]
    assert wrong_voices(cases) == []


def test_a_descant_staff_over_a_closed_score() -> None:
    """Three staves without names: a line that rests and goes its own way over two staves of two voices each."""
    upper = "(time=4/4) C5:1 D5:1 E5:2 & G4:1 G4:1 C5:2 | D5:2 C5:2 & B4:2 G4:2"
    lower = "(time=4/4) E4:1 D4:1 G4:2 & C3:1 B2:1 C3:2 | G4:2 E4:2 & G2:2 C3:2"
    hymn = read(Printed("", "(time=4/4) r:2 G5:3/2 A5:1/2 | G5:4"), Printed("", upper), Printed("", lower, clefs="F"))
    assert show(hymn, "soprano") == "C5:1 D5:1 E5:2 D5:2 C5:2"
    assert show(hymn, "bass") == "C3:1 B2:1 C3:2 G2:2 C3:2"
    assert "not one of the hymn's four voices" in remarks(hymn)


def test_lines_without_fermatas(some: list[Chorale]) -> None:
    """Twenty chorales that were not used for the weights: nine borders of ten without the marks, more with words."""
    held_out = some[1::2]
    music, words = (scores(line_cases(held_out, words=one)) for one in (False, True))
    assert music[0] >= 0.9
    assert words[0] >= 0.95


# -- the poetic metre ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "name"),
    [
        ((8, 6, 8, 6), "CM"), ((8, 8, 8, 8), "LM"), ((6, 6, 8, 6), "SM"), ((8, 6, 8, 6) * 2, "CMD"),
        ((8, 7, 8, 7), "8.7.8.7"), ((8, 7, 8, 7) * 2, "8.7.8.7 D"), ((7, 7, 7, 7), "7.7.7.7"),
        ((8, 8, 8, 8, 8, 8), "8.8.8.8.8.8"), ((10, 10), "10.10"),
    ],
)  # fmt: skip
def test_names_of_metres(lines: tuple[int, ...], name: str) -> None:
    """Common practice in English-language hymnals, from memory."""
    assert metre_name(lines) == name


@pytest.mark.parametrize("path", sorted(Path(demo.__file__).parent.glob("*.musicxml")), ids=lambda path: path.stem[:2])
def test_metre_of_the_demonstration_hymns(path: Path) -> None:
    """Counted from the words where it is hidden, it is the one that is printed."""
    score = read_score(open_score(path.read_bytes(), path.name), path.name)
    printed = hymn_of(score, path.name)
    hidden = replace(score, fields=tuple(one for one in score.fields if one[0] != "metre"), credits=())
    found = hymn_of(hidden, path.name)
    assert found.text.metre == printed.text.metre
    assert found.tune.lines == printed.tune.lines
    assert "the metre is not given; counted as" in remarks(found)


STANZAS = """
CM
The morn- ing o- pens like a door,
The hills be- gin to sing;
And all that slept is poor no more,
For light is ev- ery- thing.

LM
O keep- er of the qui- et hour,
Who binds the bar- ley and the flower,
Re- mem- ber us when eve- ning falls
And frost is white a- long the walls.

SM
The ta- ble here is laid,
The bread is plain and good;
Come in, and do not be a- fraid,
And eat the pil- grim's food.

8.7.8.7
Wa- ter from the up- per val- ley,
Run- ning cold a- mong the stones,
Fill the mill and turn the gal- ley,
Sing the fish- er- men their tones.

7.7.7.7
Now the lamp is burn- ing low,
Now the doors are bolt- ed fast;
Friends and chil- dren, home we go,
All the la- bour done at last.

6.6.6.6
A road be- neath the moon,
A house be- side the sea;
The day is com- ing soon
For you as well as me.

6.5.6.5
Small and slow the riv- er
Moves a- cross the plain,
Giv- ing to the giv- er
Ev- ery drop of rain.

8.8.8.8.8.8
We came by night a- cross the field,
With noth- ing but a stick for shield;
The stars were few, the wind was high,
A sin- gle bird went cir- cling by;
And yet a hand had set the light
That brought us safe- ly through the night.

7.6.7.6 D
The ships are in the har- bour,
The sails are put a- way;
The ap- ples fill the ar- bour
At end- ing of the day;
And we who went so lone- ly
A- long the win- ter shore
Have come to where there on- ly
Is sum- mer ev- er- more.

8.7.8.7 D
Bring the har- vest from the mea- dow,
Bring the ap- ples from the tree;
All that ri- pened in the sha- dow
Gath- ers now for you and me.
Bring the wool that grew in win- ter,
Bring the hon- ey and the wine;
Bring the wood that broke to splin- ter,
Bring the gifts that are not mine.

10.10.10.10
When all the pa- per lan- terns have gone out,
And no one sings a- long the emp- ty street,
There is a lit- tle stair- way round a- bout
That leads the wan- derer to a qui- et seat.

8.6.8.6.8.6
The shep- herd counts his ninth of sheep,
And then he counts the tenth;
The val- ley now is half a- sleep,
And giv- en back its strength;
The ones who wake, the ones who keep,
Have meas- ured all its length.

7.7.7.7.7.7
Ring the bell be- side the gate,
Let the weak- est en- ter first;
None is ear- ly, none is late,
None shall hun- ger, none shall thirst;
Here the ta- ble, here the plate,
Here the best and here the worst.

5.5.5.4
Morn- ing on the wall,
Sun- light in the hall,
One will hear the call:
Come and be glad.

8.8.8.7
A can- dle in the win- dow pane,
A foot- step in the fall- ing rain,
A voice that says it once a- gain:
Wel- come home, O wel- come home.

6.6.8.6.6
The bread is in the fire,
The wine is in the cask;
And more than an- y could de- sire
Is giv- en those that ask,
A sim- ple eve- ning task.

9.8.9.8
The night has o- pened like a flow- er,
The val- ley fills with qui- et bells,
And all who watch the sev- enth ho- ur
Are gath- ered to the liv- ing wells.

CMD
The sow- er went a- cross the land
When win- ter days were done,
And threw the grain with o- pen hand
And left it to the sun;
And some was tak- en by the crow,
And some was lost in stone,
But some was hid- den in the snow
And came to be full- grown.

11.11.11.11
How deep is the wa- ter, how high is the hill,
How long till the wind and the riv- er are still?
The an- swer is writ- ten in lich- en and stone:
The one who is walk- ing is nev- er a- lone.

7.7.7.7 with refrain
Dark the hol- low, dark the tree,
Dark the wa- ter un- der- neath;
Who is there to go with me
O- ver stub- ble, o- ver heath?
*
Light, come a- long the way,
Light, till the break of day.
"""
"""Invented stanzas under their metres; a refrain follows an asterisk."""


def stanzas() -> list[tuple[str, str]]:
    """Metre and stanza, its lines divided by `/`, a refrain by `//`."""
    found = []
    for stanza in STANZAS.strip().split("\n\n"):
        metre, _, lines = stanza.partition("\n")
        found.append((metre, lines.replace("\n*\n", " // ").replace("\n", " / ")))
    return found


def set_to_a_tune(text: str, *, upbeat: bool) -> Printed:
    """A stanza in crotchets, the last note of each line held to the bar line (or to the upbeat of the next line)."""
    rng, bars, here = random.Random(len(text)), list[list[str]](), Fraction(0)
    lines = [line.split() for line in text.replace("//", "/").split("/")]
    tokens: list[tuple[int, Fraction]] = []
    for line in lines:
        whole = -(-len(line) // 4) * 4
        lengths = [Fraction(1)] * (len(line) - 1) + [Fraction(whole - len(line) + 1)]
        tokens.extend((rng.randrange(5), length) for length in lengths)
    if upbeat:
        bars.append([])
        here = Fraction(3)
    for place, length in tokens:
        left = length
        while left:
            if here % 4 == 0:
                bars.append([])
            part = min(left, 4 - here % 4)
            bars[-1].append(f"{'CDEFG'[place]}5:{part}{'~' if part < left else ''}")
            here, left = here + part, left - part
    music = "(time=4/4) " + " | ".join(" ".join(bar) for bar in bars)
    words = [" ".join(syllable for line in lines for syllable in line)]
    if "//" in text:
        verse = text.partition("//")[0].replace("/", " ").split()
        words.append(" ".join("lo," if one.endswith((",", ";", ".", "?")) else "lo" for one in verse))
    return Printed("Tune", music, _untied(music, words))


def _untied(music: str, words: list[str]) -> tuple[str, ...]:
    """The lines of words with a gap under each note that a tie leads to."""
    heads = [token for token in music.split() if ":" in token]
    held = [index for index, token in enumerate(heads) if index and heads[index - 1].endswith("~")]
    found = []
    for line in words:
        syllables = line.split()
        for index in held:
            if index < len(syllables):
                syllables.insert(index, "_")
        found.append(" ".join(syllables))
    return tuple(found)


@pytest.mark.parametrize("upbeat", [False, True], ids=["on the beat", "with upbeat"])
@pytest.mark.parametrize(("metre", "text"), stanzas(), ids=lambda one: one.replace(" ", "")[:16])
def test_metre_of_invented_texts(metre: str, text: str, upbeat: bool) -> None:
    """Twenty stanzas under tunes of even crotchets, metre not given: counted from where the lines are found."""
    assert read(set_to_a_tune(text, upbeat=upbeat)).text.metre == metre


def test_lines_cover_the_tune_whatever_is_marked() -> None:
    """From 0 to the end without gaps."""
    tune = melody("(time=4/4) C5:4 | D5:4^ | E5:4 | F5:4").tune
    assert tune.lines[0].onset == 0
    assert tune.lines[-1].end == tune.length
    assert all(one.end == two.onset for one, two in pairwise(tune.lines))


# -- what she is shown ------------------------------------------------------------------------------------------------


def test_read_shows_lines_verses_and_what_was_assumed(tmp_path: Path) -> None:
    """Line by line with place and first words, verses with theirs, every remark with its place."""
    file = tmp_path / "small.musicxml"
    music = "(time=4/4) C5:1 D5:1 E5:1 F5:1 | (back) G5:1 F5:1 E5:2' | C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:2"
    words = ("One two three four five six eight, nine ten a- way we go to- day", "Two one two one two one two,")
    file.write_bytes(page(Printed("", music, words)))
    shown = CliRunner().invoke(cli, ["read", str(file)])
    assert shown.exit_code == 0
    told = {" ".join(line.split()) for line in shown.output.splitlines()}
    assert "line 1 bar 1, beat 1: One two three four five six" in told
    assert "verse 1 One two three four five six..." in told
    assert "sung bars 1-2, then 1-4" in told
    assert any(line.startswith("assumed the metre is not given") for line in told)
    facts = json.loads(CliRunner().invoke(cli, ["read", str(file), "--json"]).output)
    assert facts["sung"] == ["1-2", "1-4"]
    assert facts["lines"] == len(facts["line_list"])
    assert facts["verses"] == len(facts["verse_list"])


def test_read_writes_a_clean_copy(tmp_path: Path) -> None:
    """`-o` by the ending of the name: MusicXML and ABC; another ending is wrong before anything is written."""
    file = tmp_path / "small.musicxml"
    file.write_bytes(page(Printed("", "(time=2/4) C5:1 D5:1 | E5:2", ("One two three",))))
    for ending in ("musicxml", "xml", "abc"):
        copy = tmp_path / f"copy.{ending}"
        assert CliRunner().invoke(cli, ["read", str(file), "-o", str(copy)]).exit_code == 0
        assert show(read_file(copy)[0]) == "C5:1 D5:1 E5:2"
    other = tmp_path / "copy.gif"
    assert isinstance(CliRunner().invoke(cli, ["read", str(file), "-o", str(other)]).exception, UnknownName)
    assert not other.exists()


# -- conformance -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def witnesses() -> list[Path]:
    return suite()[::11]


def test_conformance_files_agree_with_two_other_readers(witnesses: list[Path]) -> None:
    """Notes, ties, words, symbols and repeats of a dozen files, as music21 and verovio read them."""
    with Worker() as worker:
        assert {path.name: dict(unexplained(path, worker)) for path in witnesses if unexplained(path, worker)} == {}
    assert len(witnesses) >= 12


def test_half_bars_are_not_counted_twice() -> None:
    """Sixteen bars of which the fourth is divided at a repeat: fifteen printed numbers, fifteen bars."""
    (hymn,) = read_file(demo.hymn_files()[6])
    assert read_json(hymn, "F major", None)["bars"] == 16
    bars = tuple(replace(bar, number="3b", pickup=True) if bar.number == "4" else bar for bar in hymn.tune.bars)
    assert read_json(replace(hymn, tune=replace(hymn.tune, bars=bars)), "F major", None)["bars"] == 15
