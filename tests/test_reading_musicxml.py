"""Reading MusicXML: forms of score, bars, words, repeats, keys; music21 as witness. All pages here are invented."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from reading_witness import corpus_files, difference

from printed import Printed, packed, page
from undersong.errors import BrokenBar, NotAHymn
from undersong.model.chord import NO_CHORD, Chord, Degree
from undersong.model.hymn import Hymn
from undersong.model.pitch import PitchName
from undersong.model.text import Verse
from undersong.model.time import Pace, Time
from undersong.model.tune import Passage, Tune, sing, walk
from undersong.reading import read_file
from undersong.reading.container import open_score
from undersong.reading.musicxml import read_musicxml
from undersong.reading.raw import read_score
from undersong.reading.titles import METRE

SOPRANO = "(time=3/4) (key=-1,major) C5:1 | F5:2 E5:1 | D5:2 C5:1 | A4:2 G4:1 | F4:2"
ALTO = "(time=3/4) (key=-1,major) A4:1 | A4:2 G4:1 | F4:2 F4:1 | F4:2 E4:1 | C4:2"
TENOR = "(time=3/4) (key=-1,major) F4:1 | C4:2 C4:1 | Bb3:2 A3:1 | C4:2 Bb3:1 | A3:2"
BASS = "(time=3/4) (key=-1,major) F3:1 | F3:2 C3:1 | Bb2:2 F3:1 | C3:2 C3:1 | F2:2"
FOUR = ("soprano", "alto", "tenor", "bass")


def read(*parts: Printed, head: str = "", title: str = "An invented hymn") -> Hymn:
    return read_musicxml(page(*parts, head=head, title=title), "invented.musicxml")


def melody(music: str, *words: str, head: str = "") -> Hymn:
    return read(Printed("Tune", music, words), head=head)


def show(hymn: Hymn, voice: str = "") -> str:
    """A voice as `C5:1 F5:2`, rests left out."""
    found = hymn.tune.voice(voice) if voice else hymn.tune.tune_voice
    assert found is not None
    return " ".join(f"{note.pitch}:{note.length}{'~' * note.tied}" for note in found.notes)


def plain(music: str) -> str:
    """The notes of a notation without bars and signs."""
    return " ".join(token for token in music.split() if token[0] not in "(|r&")


def sung(verse: Verse, times: int = 0) -> str:
    """The words of a verse, syllables joined; only those of one time through when it is given."""
    text = ""
    for one in verse.syllables:
        if not times or one.times in (0, times):
            text += one.text + ("" if one.hyphen in ("begin", "middle") else " ")
    return text.strip()


def lines(tune: Tune) -> str:
    """Lines as `0-8 8-16`."""
    return " ".join(f"{line.onset}-{line.end}" for line in tune.lines)


def remarks(hymn: Hymn) -> str:
    return "\n".join(map(str, (*hymn.assumed, *hymn.left_out)))


OPEN = (Printed("S", SOPRANO), Printed("A", ALTO), Printed("T", TENOR, clefs="F"), Printed("B", BASS, clefs="F"))


def closed(upper: str, lower: str) -> str:
    """Two parts of one staff, bar by bar as two voices."""
    pairs = zip(upper.split("|"), lower.split("|"), strict=True)
    return "|".join(f"{one} & {' '.join(t for t in two.split() if t[0] != '(')}" for one, two in pairs)


def chords(upper: str, lower: str) -> str:
    """Two parts of one rhythm as chords on one stem."""
    bars = []
    for one, two in zip(upper.split("|"), lower.split("|"), strict=True):
        signs = [token for token in one.split() if token[0] == "("]
        above, below = ([t for t in bar.split() if t[0] != "("] for bar in (one, two))
        heads = [f"{a.split(':')[0]}+{b}" for a, b in zip(above, below, strict=True)]
        bars.append(" ".join([*signs, *heads]))
    return "|".join(bars)


# -- forms of score ----------------------------------------------------------------------------------


FORMS = {
    "four open staves": OPEN,
    "four open staves from low to high": tuple(
        Printed(f"part {index}", part.music, clefs=part.clefs) for index, part in enumerate(reversed(OPEN))
    ),
    "two staves as two parts": (
        Printed("Upper", closed(SOPRANO, ALTO)),
        Printed("Lower", closed(TENOR, BASS), clefs="F"),
    ),
    "two staves with chords": (
        Printed("Upper", chords(SOPRANO, ALTO)),
        Printed("Lower", chords(TENOR, BASS), clefs="F"),
    ),
    "two staves of one part": (
        Printed(
            "Organ",
            "|".join(
                f"{one} && {' '.join(token for token in two.split() if token[0] != '(')}"
                for one, two in zip(closed(SOPRANO, ALTO).split("|"), closed(TENOR, BASS).split("|"), strict=True)
            ),
            clefs="GF",
        ),
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_four_voices(form: str) -> None:
    """One invented verse in open and closed score, as voices and as chords."""
    hymn = read(*FORMS[form])
    assert tuple(voice.name for voice in hymn.tune.voices) == FOUR
    assert hymn.tune.melody == "soprano"
    for name, music in zip(FOUR, (SOPRANO, ALTO, TENOR, BASS), strict=True):
        assert show(hymn, name) == plain(music), name


def test_voices_that_meet_are_both_kept() -> None:
    """C5/A4 | C5 alone | D5/F4 with a rest under its half: alone without a rest is a unison, with one it is not."""
    upper = "(time=2/4) C5:1 D5:1 & A4:1 B4:1 | C5:1 E5:1 & r:1h C4:1 | D5:2 & F4:1 r:1 | G4:2 & r:2"
    lower = "(time=2/4) E3+C3:1 G3+G2:1 | C3:2 | G3+G2:2 | C3:2"
    hymn = read(Printed("", upper), Printed("", lower, clefs="F"))
    assert show(hymn, "soprano") == "C5:1 D5:1 C5:1 E5:1 D5:2 G4:2"
    assert show(hymn, "alto") == "A4:1 B4:1 C5:1 C4:1 F4:1"
    assert show(hymn, "tenor") == "E3:1 G3:1 C3:2 G3:2 C3:2"
    assert show(hymn, "bass") == "C3:1 G2:1 C3:2 G2:2 C3:2"


def test_second_voice_without_a_name_of_its_own() -> None:
    """Two voices of one staff that the file gives the same voice number."""
    music = closed("(time=2/4) C5:1 D5:1 | E5:2", "A4:1/2 G4:1/2 B4:1 | C5:2")
    data = page(Printed("", music)).replace(b"<voice>2</voice>", b"<voice>1</voice>")
    hymn = read_musicxml(data)
    assert show(hymn, "soprano") == "C5:1 D5:1 E5:2"
    assert show(hymn, "alto") == "A4:1/2 G4:1/2 B4:1 C5:2"


def test_melody_keeps_the_top_of_a_chord() -> None:
    """A tune with one double stop: the top is kept, the rest told."""
    hymn = melody("(time=2/4) C5:1 D5:1 | E5+C5:1 D5:1 | C5:1 D5:1 | C5:2")
    assert [voice.name for voice in hymn.tune.voices] == ["tune"]
    assert show(hymn) == "C5:1 D5:1 E5:1 D5:1 C5:1 D5:1 C5:2"
    assert "bar 2, beat 1, Tune: other notes of a chord (the highest is kept)" in remarks(hymn)


def test_tune_and_bass() -> None:
    """Two staves, one line each: soprano and bass."""
    hymn = read(Printed("", "(time=2/4) C5:2 | D5:2"), Printed("", "(time=2/4) C3:2 | G2:2", clefs="F"))
    assert [voice.name for voice in hymn.tune.voices] == ["soprano", "bass"]


def test_three_voices() -> None:
    """Two upper voices on one staff over a bass."""
    hymn = read(Printed("", closed("(time=2/4) C5:2 | D5:2", "E4:2 | F4:2")), Printed("", "C3:2 | G2:2", clefs="F"))
    assert [voice.name for voice in hymn.tune.voices] == ["soprano", "alto", "bass"]


def test_descant_and_instruments_are_left_out() -> None:
    """Six staves, four of them named: the others are told."""
    extra = Printed("Descant", SOPRANO.replace("C5", "F5")), Printed("Trumpet", SOPRANO)
    hymn = read(*extra, *OPEN)
    assert show(hymn, "soprano") == plain(SOPRANO)
    assert "Trumpet: this part is not one of the hymn's voices" in remarks(hymn)


def test_sung_line_over_a_keyboard_part_that_has_another_tune() -> None:
    """A song: the sung line is the tune, the keyboard is told and left."""
    keyboard = Printed("Piano", "(time=2/4) E4+G4:1 F4+A4:1 | E4+G4:2 && C3:2 | C3:2", clefs="GF")
    hymn = read(Printed("Voice", "(time=2/4) C5:1 D5:1 | E5:2", ("Come a- way",)), keyboard)
    assert show(hymn) == "C5:1 D5:1 E5:2"
    assert "Piano: this part is not one of the hymn's voices" in remarks(hymn)


def test_drums_and_tablature_are_left_out() -> None:
    """A melody over a percussion and a tablature staff."""
    hymn = read(
        Printed("Tune", "(time=2/4) C5:2 | D5:2"),
        Printed("Drum", "(time=2/4) C5:2 | C5:2", clefs="p"),
        Printed("Guitar", "(time=2/4) C4:2 | C4:2", clefs="T"),
    )
    assert show(hymn) == "C5:2 D5:2"
    assert remarks(hymn).count("tablature or percussion is not read") == 2


def test_an_orchestra_is_refused_with_a_remedy() -> None:
    """Fourteen staves without voices' names."""
    with pytest.raises(NotAHymn, match=r"14 staves.*soprano, alto, tenor and bass"):
        read(*(Printed(f"Viol {index}", "(time=2/4) C5:2 | D5:2") for index in range(14)))


def test_transposing_part() -> None:
    """A tune written for an instrument in B flat sounds a tone lower; so does its signature."""
    hymn = melody("(time=2/4) (key=2,major) (transpose=-2) D5:1 F#5:1 | (D/major) D5:2")
    assert show(hymn) == "C5:1 E5:1 C5:2"
    assert str(hymn.tune.bars[0].key) == "C major"
    assert hymn.tune.symbols[0].chord == Chord(PitchName("C"))


def test_grace_and_small_notes() -> None:
    """A grace note is flagged, a small note beside the printed one is left out; both are told."""
    hymn = melody("(time=2/4) C5:1 D5:g E5:1 & G4:1c r:1 | D5:2")
    assert [note.grace for note in hymn.tune.tune_voice.notes] == [False, True, False, False]
    assert [str(one.note.pitch) for one in sing(hymn.tune, hymn.tune.tune_voice.notes)] == ["C5", "E5", "D5"]
    assert "bar 1, beat 1, Tune: small notes beside the printed ones" in remarks(hymn)
    assert "bar 1, beat 2, tune: a grace note is kept on the page but not played" in remarks(hymn)


def test_ties() -> None:
    """A tie over the bar line leads on; one that reaches another pitch is dropped and told."""
    hymn = melody("(time=2/4) C5:1 D5:1~ | D5:1 E5:1~ | F5:2")
    assert show(hymn) == "C5:1 D5:1~ D5:1 E5:1 F5:2"
    assert "bar 2, beat 2, tune: a tie leads to no note" in remarks(hymn)


# -- bars --------------------------------------------------------------------------------------------


def test_pickup_and_divided_bar() -> None:
    """An upbeat is bar 0 and counts as the last beat; the other half of a bar divided at a repeat is 2b."""
    music = (
        "(time=4/4) (implicit) (number=1) C5:1 | (number=2) D5:4 | (number=3) (back) E5:3 | (implicit) (number=X1) F5:1"
    )
    hymn = melody(music + " | (number=4) G5:4 | (number=5) C5:3")
    bars = hymn.tune.bars
    assert [bar.number for bar in bars] == ["0", "2", "3", "3b", "4", "5"]
    assert [bar.pickup for bar in bars] == [True, False, False, True, False, False]
    assert hymn.tune.place(Fraction(0)) == "bar 0, beat 4"
    assert hymn.tune.place(Fraction(8)) == "bar 3b, beat 4"
    assert not [one for one in hymn.assumed if "beats of" in one.what]


def test_short_bar_is_kept_and_told() -> None:
    """A bar of two beats inside 3/4."""
    hymn = melody("(time=3/4) C5:3 | D5:2 | E5:3 | F5:3")
    assert hymn.tune.bars[1].length == 2
    assert "bar 2: the bar has 2 beats of 3 and is kept as it is" in remarks(hymn)


def test_too_full_bar_names_bar_beat_and_voice() -> None:
    """Five beats in the alto's bar of four."""
    with pytest.raises(BrokenBar, match=r"bar 2, beat 5, alto: this bar has 5 beats of 4 .* pickup"):
        read(Printed("", "(time=4/4) C5:4 | D5:4"), Printed("", "(time=4/4) E4:4 | F4:4 G4:1"))


def test_rest_for_the_whole_bar_fits_any_bar() -> None:
    """Bar rests written four beats long over an upbeat and in 3/4 do not lengthen the bars."""
    low = "(time=3/4) r:4m | r:4m | C3:3 | C3:2"
    hymn = read(Printed("", "(time=3/4) C5:1 | D5:3 | E5:3 | C5:2"), Printed("", low, clefs="F"))
    assert [bar.length for bar in hymn.tune.bars] == [1, 3, 3, 2]


def test_key_time_and_double_bar_changes() -> None:
    """A page that turns from 3/4 in F to 2/2 in G after a double bar."""
    hymn = melody("(time=3/4) (key=-1,major) F4:3 | (double) F4:3 | (time=2/2) (key=1,major) G4:4 | G4:4")
    assert [str(bar.key) for bar in hymn.tune.bars] == ["F major", "F major", "G major", "G major"]
    assert [str(bar.time) for bar in hymn.tune.bars] == ["3/4", "3/4", "2/2", "2/2"]
    assert [bar.double for bar in hymn.tune.bars] == [False, True, False, False]


@pytest.mark.parametrize(
    ("sign", "last", "key"),
    [
        ("-1", "F4", "F major"),
        ("-1", "D4", "D minor"),
        ("0,dorian", "D4", "A minor"),
        ("0,mixolydian", "G4", "C major"),
        ("0,aeolian", "A4", "A minor"),
        ("-3,minor", "Eb4", "C minor"),
    ],
)
def test_key_is_settled_by_the_close_unless_the_page_says(sign: str, last: str, key: str) -> None:
    """The last note chooses between the two keys of a signature; the choice is told."""
    hymn = melody(f"(time=2/4) (key={sign}) C5:2 | {last}:2")
    assert str(hymn.tune.bars[0].key) == key
    named = sign.endswith(("minor", "dorian", "mixolydian"))
    assert ("from the last notes" in remarks(hymn)) is not named
    assert hymn.tune.mode == (sign.partition(",")[2] if sign.endswith(("dorian", "mixolydian")) else None)


def test_free_time() -> None:
    """Without a time signature every bar is as long as its notes."""
    hymn = melody("C5:1 D5:1 E5:1 | F5:3 G5:2 | C5:4")
    assert [bar.length for bar in hymn.tune.bars] == [3, 5, 4]
    assert hymn.tune.bars[0].time == Time(0, 4)


# -- marks -------------------------------------------------------------------------------------------


def test_holds_breaths_and_lines() -> None:
    """A fermata and a breath mark end lines; the upbeat after each belongs to the next line."""
    music = (
        "(time=4/4) C5:1 | D5:1 D5:1 D5:1 D5:1 | D5:2^ E5:1 E5:1 | E5:1 E5:1 E5:1' F5:1 | F5:1 F5:1 F5:1 F5:1 | C5:3"
    )
    tune = melody(music).tune
    assert list(map(str, tune.holds)) == ["5"]
    assert list(map(str, tune.breaths)) == ["12"]
    assert lines(tune) == "0-7 7-12 12-20"


def test_lines_by_metre() -> None:
    """8.6: the words are counted along the tune, the upbeat of the second line goes with it."""
    music = "(time=4/4) C5:1 | D5:1 D5:1 D5:1 D5:1 | D5:1 D5:1 D5:1 E5:1 | E5:1 E5:1 E5:1 E5:1 | C5:3"
    words = "a lit- tle tune of eight to sing and six are in this line"
    head = (
        '<identification><miscellaneous><miscellaneous-field name="metre">8.6</miscellaneous-field>'
        '<miscellaneous-field name="tune-name">NOWHERE</miscellaneous-field></miscellaneous></identification>'
    )
    hymn = melody(music, words, head=head)
    assert (hymn.text.metre, hymn.tune_name) == ("8.6", "NOWHERE")
    assert lines(hymn.tune) == "0-8 8-16"


def test_lines_where_nothing_is_marked() -> None:
    """Eight beats and a long note; and even notes whose words alone tell that lines have six."""
    long = "(time=4/4) " + " | ".join(["C5:1 D5:1 E5:1 F5:1", "G5:1 F5:1 E5:2"] * 4)
    assert lines(melody(long).tune) == "0-8 8-16 16-24 24-32"
    even = "(time=3/4) " + " | ".join(["C5:1 D5:1 E5:1", "F5:1 E5:1 D5:1"] * 4)
    words = "so we sing the old song, Then we go to the door; Gold is the light of day, None will be left a- lone."
    assert lines(melody(even, words).tune) == "0-6 6-12 12-18 18-24"


def test_refrain_has_lines_of_its_own() -> None:
    """7.7 with refrain: the metre counts the verse; in the refrain a breath mark ends a line."""
    head = (
        '<identification><miscellaneous><miscellaneous-field name="metre">7.7 with refrain</miscellaneous-field>'
        "</miscellaneous></identification>"
    )
    row, held = "C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:2", "C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:2'"
    music = "(time=4/4) " + f"{row} | {row} | {held} | {row}"
    first = "one " * 14 + "sing " * 14
    hymn = read(Printed("", music, (first.strip(), ("two " * 14).strip())), head=head)
    assert hymn.text.refrain == (Fraction(16), Fraction(32))
    assert lines(hymn.tune) == "0-8 8-16 16-24 24-32"


@pytest.mark.parametrize("form", FORMS)
def test_lines_cover_the_tune(form: str) -> None:
    """Lines follow each other from 0 to the end."""
    tune = read(*FORMS[form]).tune
    assert tune.lines[0].onset == 0
    assert tune.lines[-1].end == tune.length
    assert all(one.end == two.onset for one, two in pairwise(tune.lines))


def test_pace() -> None:
    """Quarter = 90 in 6/8 is 60 dotted quarters a minute."""
    assert melody("(time=6/8) (tempo=90) C5:3 | D5:3").tune.pace == Pace(Fraction(60), Fraction(3, 2))


# -- chord symbols -----------------------------------------------------------------------------------


def test_chord_symbols() -> None:
    """Kinds, slash bass, no chord, and a symbol nobody knows."""
    music = "(time=2/4) (D/minor-seventh/m7) D5:1 (F/major//A) C5:1 | (C/none/N.C.) C5:1 (G/mystery/blorp) D5:1"
    hymn = melody(music)
    found = [(int(symbol.onset), symbol.chord) for symbol in hymn.tune.symbols]
    assert found == [
        (0, Chord(PitchName("D"), "minor-seventh")),
        (1, Chord(PitchName("F"), "major", PitchName("A"))),
        (2, NO_CHORD),
        (3, Chord(PitchName("G"), "other", text="Gblorp")),
    ]
    assert "bar 2, beat 2: the chord symbol Gblorp is not known and is kept as printed" in remarks(hymn)


def test_degrees_of_a_symbol() -> None:
    """Added and altered degrees are kept."""
    degree = (
        "<degree><degree-value>9</degree-value><degree-alter>-1</degree-alter><degree-type>add</degree-type></degree>"
    )
    data = page(Printed("", "(time=2/4) (C/dominant) C5:2 | D5:2")).replace(b"</kind>", b"</kind>" + degree.encode())
    assert read_musicxml(data).tune.symbols[0].chord.degrees == (Degree(9, -1, "add"),)


# -- words -------------------------------------------------------------------------------------------

EIGHT = "(time=4/4) C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:1 D5:1"


def test_verses_hyphens_and_elision() -> None:
    """Two verses; a word of two syllables; two vowels on one note."""
    hymn = melody(EIGHT, "Sing we a- loud the+in- ven- ted song", "Then si- lent- ly we go to sleep")
    assert [verse.number for verse in hymn.text.verses] == [1, 2]
    first = hymn.text.verses[0]
    assert sung(first) == "Sing we aloud the\u203finvented song"
    assert [one.hyphen for one in first.syllables][2:4] == ["begin", "end"]
    assert hymn.text.refrain is None


def test_printed_verse_numbers_are_taken_from_the_words() -> None:
    """`1. Sing` and `3. Then`: the numbers name the verses and are not sung."""
    data = page(Printed("", EIGHT, ("Sing we", "Then si-")))
    data = data.replace(b">Sing<", b">1. Sing<").replace(b">Then<", ">3.\u00a0Then<".encode())
    hymn = read_musicxml(data)
    assert [(verse.number, verse.syllables[0].text) for verse in hymn.text.verses] == [(1, "Sing"), (3, "Then")]


def test_refrain_belongs_to_every_verse() -> None:
    """From bar 2 only one line goes on."""
    hymn = melody(EIGHT, "one a day come sing the song now", "two a night")
    assert sung(hymn.text.verses[0]) == "one a day come sing the song now"
    assert sung(hymn.text.verses[1]) == "two a night come sing the song now"
    assert hymn.text.refrain == (Fraction(3), Fraction(8))


def test_refrain_with_a_label_of_its_own() -> None:
    """A line that the file calls chorus belongs to every verse."""
    data = page(Printed("", EIGHT, ("a a a a", "b b b b", "_ _ _ _ so sing we all")))
    hymn = read_musicxml(data.replace(b'<lyric number="3">', b'<lyric number="chorus">'))
    assert [sung(verse) for verse in hymn.text.verses] == ["a a a a so sing we all", "b b b b so sing we all"]
    assert hymn.text.refrain == (Fraction(4), Fraction(8))


def test_one_syllable_more_is_no_refrain() -> None:
    """Verse 1 has a syllable where verse 2 sings two notes to one."""
    hymn = melody(EIGHT, "a a a a a a a a", "b b _ b b b b b")
    assert sung(hymn.text.verses[1]) == "b b b b b b b"
    assert hymn.text.refrain is None


REPEAT = "(time=4/4) (back) C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:1 D5:1"


def test_two_lines_under_a_repeat_are_one_verse() -> None:
    """A bar sung twice with two lines, then one line goes on."""
    hymn = melody(REPEAT, "ear- ly in spring then comes the end", "late in the fall")
    (verse,) = hymn.text.verses
    assert sung(verse, 1) == "early in spring then comes the end"
    assert sung(verse, 2) == "late in the fall then comes the end"
    assert hymn.tune.route == (Passage(0, 0, 1), Passage(0, 0, 2), Passage(1, 1, 1))


def test_four_lines_under_a_repeat_are_two_verses() -> None:
    """Lines 1 and 2 are the first verse's, 3 and 4 the second's."""
    hymn = melody(REPEAT, "a a a a x x x x", "b b b b y y y y", "c c c c", "d d d d")
    assert [verse.number for verse in hymn.text.verses] == [1, 2]
    assert sung(hymn.text.verses[0], 2) == "b b b b x x x x"
    assert sung(hymn.text.verses[1], 1) == "c c c c y y y y"


def test_time_only_says_which_time_through() -> None:
    """The attribute decides, without any guess."""
    data = page(Printed("", REPEAT, ("a a a a x x x x", "b b b b")))
    data = data.replace(b'<lyric number="2">', b'<lyric number="2" time-only="2">')
    first, _, rest = data.partition(b"</measure>")
    first = first.replace(b'<lyric number="1">', b'<lyric number="1" time-only="1">')
    hymn = read_musicxml(first + b"</measure>" + rest)
    (verse,) = hymn.text.verses
    assert sung(verse, 2) == "b b b b x x x x"


def test_repeat_of_the_whole_tune_is_the_next_verse() -> None:
    """Two lines of words under a tune repeated from end to start: two verses, each sung once."""
    music = "(time=4/4) C5:1 D5:1 E5:1 F5:1 | (back) G5:1 F5:1 E5:1 D5:1"
    hymn = melody(music, "a a a a a a a a", "b b b b b b b b")
    assert len(hymn.text.verses) == 2
    assert len(walk(hymn.tune)) == 2
    assert hymn.tune.repeats[0].kind == "backward"


# -- repeats -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("music", "order"),
    [
        ("(time=2/4) C5:2 | D5:2 | E5:2 | F5:2", "0 1 2 3"),
        ("(time=2/4) C5:2 | (forward) D5:2 | (back) E5:2 | F5:2", "0 1 2 1 2 3"),
        ("(time=2/4) C5:2 | (back) D5:2 | E5:2 | (back) F5:2", "0 1 0 1 2 3 2 3"),
        ("(time=2/4) C5:2 | (ending=1) (stop=1) (back) D5:2 | (ending=2) (stop=2) E5:2 | F5:2", "0 1 0 2 3"),
        ("(time=2/4) C5:2 | (ending=1,2) (stop=1,2) (back) D5:2 | (ending=3) (stop=3) E5:2 | F5:2", "0 1 0 1 0 2 3"),
        ("(time=2/4) (back=3) C5:2 | D5:2 | E5:2 | F5:2", "0 0 0 1 2 3"),
        ("(time=2/4) C5:2 | (fine) D5:2 | E5:2 | (dacapo) F5:2", "0 1 2 3 0 1"),
        ("(time=2/4) C5:2 | (words=Fine) D5:2 | E5:2 | F5:2 (words=D.C.)", "0 1 2 3 0 1"),
        ("(time=2/4) C5:2 | (segno) (fine) D5:2 | E5:2 | (dalsegno) F5:2", "0 1 2 3 1"),
        ("(time=2/4) (tocoda) C5:2 | D5:2 | (dacapo) E5:2 | (coda) F5:2", "0 1 2 0 3"),
    ],
)
def test_route(music: str, order: str) -> None:
    """Bars in the order they are sung."""
    assert " ".join(str(step.index) for step in walk(melody(music).tune)) == order


def test_repeat_in_the_middle_of_a_bar_divides_it() -> None:
    """An upbeat tune repeated after the third beat: the bar comes apart into 3 and 3b."""
    data = page(Printed("", "(time=4/4) C5:1 | D5:4 | E5:3 F5:1 | G5:4 | C5:3"))
    sign = b'<barline location="middle"><repeat direction="backward"/></barline>'
    third = data.index(b"<duration>72")
    end = data.index(b"</note>", third) + len(b"</note>")
    tune = read_musicxml(data[:end] + sign + data[end:]).tune
    assert [bar.number for bar in tune.bars] == ["0", "2", "3", "3b", "4", "5"]
    assert " ".join(str(step.index) for step in walk(tune)) == "0 1 2 0 1 2 3 4 5"
    assert [str(bar.length) for bar in tune.bars] == ["1", "4", "3", "1", "4", "3"]


def test_second_ending_counts_as_the_second_time() -> None:
    """Bars before the endings are sung a first and a second time, the second ending the second time."""
    music = "(time=2/4) C5:2 | (ending=1) (stop=1) (back) D5:2 | (ending=2) (stop=2) E5:2 | F5:2"
    tune = melody(music).tune
    assert tune.route == (Passage(0, 1, 1), Passage(0, 0, 2), Passage(2, 2, 2), Passage(3, 3, 1))
    assert [repeat.kind for repeat in tune.repeats] == [
        "ending-start", "ending-stop", "backward", "ending-start", "ending-stop",
    ]  # fmt: skip


# -- doors -------------------------------------------------------------------------------------------


def test_compressed_plain_utf_16_and_timewise_are_the_same_hymn(tmp_path: Path) -> None:
    """One page in five wrappings."""
    data = page(*OPEN)
    text = data.decode()
    parts = text[text.index("</part-list>") + 12 : text.index("</score-partwise>")].split("</part>")[:-1]
    bars = [part.split('">', 1)[1].split("</measure>")[:-1] for part in parts]
    timewise = text[: text.index("</part-list>") + 12].replace("score-partwise", "score-timewise")
    for index, column in enumerate(zip(*bars, strict=True)):
        inner = "".join(f'<part id="P{n}">{bar.split(">", 1)[1]}</part>' for n, bar in enumerate(column, 1))
        timewise += f'<measure number="{index + 1}">{inner}</measure>'
    files = {
        "a.musicxml": data,
        "b.mxl": packed(data),
        "c.xml": text.replace("UTF-8", "UTF-16").encode("utf-16"),
        "d.xml": b"\xef\xbb\xbf" + data,
        "e.xml": (timewise + "</score-timewise>").encode(),
        "f.mxl": packed(data, "inside/x.xml", container=""),
    }
    tunes = []
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
        tunes.append(read_file(tmp_path / name)[0].tune)
    assert all(tune == tunes[0] for tune in tunes)


def test_titles_and_people() -> None:
    """Titles, names and numbers come from where programs put them."""
    head = (
        "<movement-title>Movement</movement-title><identification><creator type='lyricist'>A. Poet</creator>"
        "<creator type='composer'>B. Maker</creator><rights>Nobody's</rights></identification>"
        "<credit><credit-words>NOWHERE 8.7.8.7 D</credit-words></credit>"
        "<credit><credit-words>417</credit-words></credit>"
    )
    hymn = melody(EIGHT, head=head)
    assert (hymn.title, hymn.tune_name, hymn.text.metre) == ("An invented hymn", "NOWHERE", "8.7.8.7 D")
    assert (hymn.text.author, hymn.composer, hymn.rights, hymn.numbers) == ("A. Poet", "B. Maker", "Nobody's", ("417",))


def test_a_number_in_a_catalogue_is_no_metre() -> None:
    """`BWV 10.7` names a piece; it is neither a tune called BWV nor a metre."""
    head = "<credit><credit-words>BWV 10.7</credit-words></credit>"
    hymn = melody(EIGHT, head=head)
    assert (hymn.tune_name, hymn.text.metre) == ("", "")


def test_raw_layer_keeps_what_the_hymn_leaves() -> None:
    """Rests, second voices, small notes, words and directions stand in the raw score."""
    data = page(Printed("Tune", "(time=2/4) (words=Gently) C5:1 r:1 & G4:1c r:1 | D5:g D5:2^", ("la la",)))
    bars = read_score(open_score(data)).parts[0].bars
    assert [(int(note.at), int(note.length), note.voice, note.rest, note.cue) for note in bars[0].notes] == [
        (0, 1, "1", False, False), (1, 1, "1", True, False), (0, 1, "2", False, True), (1, 1, "2", True, False),
    ]  # fmt: skip
    assert bars[0].directions[0].words == "Gently"
    assert [note.grace for note in bars[1].notes] == [True, False]
    assert bars[1].notes[1].fermata


# -- the witness -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", [path for path in corpus_files() if "inst" not in path.name][::10], ids=lambda p: p.stem
)
def test_corpus_chorales_agree_with_music21(path: Path) -> None:
    """Onsets, lengths and pitches of all voices of a Bach chorale, as music21 reads them."""
    assert difference(path) == ""


@pytest.mark.parametrize(
    ("words", "metre"),
    [("8.7.8.7 D", True), ("87.87 D", True), ("10.10", True), ("6.6.8.6", True), ("78.7", False), ("46.6", False)],
)
def test_what_is_a_metre(words: str, metre: bool) -> None:
    """Syllables of each line, or pairs of them run together (both ways in hymnals; common practice, no source)."""
    assert bool(METRE.match(words)) == metre
