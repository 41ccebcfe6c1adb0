"""Reading ABC 2.1: every sign of the standard on small invented tunes, each counted by hand.

Where a test says "2.1, 4.3" it is that section of the published ABC standard 2.1, from memory.
"""

from __future__ import annotations

import time
from fractions import Fraction
from pathlib import Path

import pytest

from undersong.errors import BrokenBar, BrokenFile, CannotReadFile, NotAHymn
from undersong.model.hymn import Hymn
from undersong.model.symbol import symbol
from undersong.model.tune import Passage, walk
from undersong.reading import read_all, read_file
from undersong.reading.abc import is_abc, read_abc
from undersong.reading.abc.bars import finish
from undersong.reading.abc.book import open_book, plain
from undersong.reading.abc.fields import read_key, read_length, read_order, read_tempo, read_time, signature
from undersong.reading.abc.music import read_body
from undersong.reading.abc.tokens import ending_numbers, length_of, tokens
from undersong.reading.abc.words import align, items_of
from undersong.reading.notebook import Notebook


def tune(music: str, head: str = "M:4/4\nL:1/4\nK:C") -> Hymn:
    """The hymn of one invented tune; fails where it is refused."""
    found = read_abc(f"X:1\nT:Invented\n{head}\n{music}\n".encode(), "invented.abc")
    assert not found.refused, str(found.refused[0])
    return found.hymns[0]


def notes(hymn: Hymn, voice: int = 0) -> str:
    """`C4:1 D4:1/2`, with `-` after tied notes and `{}` round grace notes."""
    shown = []
    for note in hymn.tune.voices[voice].notes:
        text = f"{{{note.pitch}}}" if note.grace else f"{note.pitch}:{note.length}"
        shown.append(text + "-" * note.tied)
    return " ".join(shown)


def words(hymn: Hymn, verse: int = 0) -> str:
    """Syllables joined as they are hyphened, `_` after held ones."""
    shown = ""
    for one in hymn.text.verses[verse].syllables:
        shown += one.text + "_" * one.extend + ("-" if one.hyphen in ("begin", "middle") else " ")
    return shown.strip()


def said(hymn: Hymn) -> str:
    return " / ".join(map(str, (*hymn.assumed, *hymn.left_out)))


# -- pitches and lengths ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("music", "read"),
    [
        ("C D E F|", "C4:1 D4:1 E4:1 F4:1"),
        ("C,, B, c b|", "C2:1 B3:1 C5:1 B5:1"),
        ("c' c'' C, C|", "C6:1 C7:1 C3:1 C4:1"),
        ("A/2 A/ A// A3/2 A-|A|", "A4:1/2 A4:1/2 A4:1/4 A4:3/2 A4:1- A4:1"),
        ("^C _D =E ^^F|__G A2 B|", "C#4:1 Db4:1 E4:1 F##4:1 Gbb4:1 A4:2 B4:1"),
        ("A>B A<B|", "A4:3/2 B4:1/2 A4:1/2 B4:3/2"),
        ("A>>B A<<B|", "A4:7/4 B4:1/4 A4:1/4 B4:7/4"),
        ("(3ABc z2|(3A2B2c2|", "A4:2/3 B4:2/3 C5:2/3 A4:4/3 B4:4/3 C5:4/3"),
        ("(5ABcde z2|(2AB|", "A4:2/5 B4:2/5 C5:2/5 D5:2/5 E5:2/5 A4:3/2 B4:3/2"),
        ("(3:2:2A2B A2|", "A4:4/3 B4:2/3 A4:2"),
        ("(3:4:3ABc|", "A4:4/3 B4:4/3 C5:4/3"),
        ("A`B``c d|", "A4:1 B4:1 C5:1 D5:1"),
        ("(A B) (c {de}d)|", "A4:1 B4:1 C5:1 {D5} {E5} D5:1"),
        ("{/g}A2 {fe}d2|", "{G5} A4:2 {F5} {E5} D5:2"),
        ("[CEG]2 [EGc]2|", "G4:2 C5:2"),
        ("[C2E2G2]2|", "G4:4"),
        ("A y B y2 c d|", "A4:1 B4:1 C5:1 D5:1"),
        ("z A x B|Z|c4|", "A4:1 B4:1 C5:4"),
        ("A-A B2-|B4|", "A4:1- A4:1 B4:2- B4:4"),
        ("A.-A .B.B|", "A4:1- A4:1 B4:1 B4:1"),
    ],
)
def test_notes_as_the_standard_has_them(music: str, read: str) -> None:
    """2.1, sections 4.1 to 4.20: pitches, lengths, broken rhythm, tuplets, chords, grace notes, rests, ties."""
    assert notes(tune(music)) == read


def test_a_tuplet_of_five_in_compound_time_takes_three() -> None:
    """2.1, 4.13: p of 5, 7, 9 stand in the time of 3 in 6/8, of 2 elsewhere."""
    assert notes(tune("(5ABcde A3|", "M:6/8\nL:1/8\nK:C")).startswith("A4:3/10")


def test_accidentals_hold_to_the_end_of_the_bar_in_every_octave() -> None:
    """2.1, 11.3: propagate-accidentals is pitch unless said; `octave` and `not` narrow it."""
    music = "^F F f =f|f F A2|"
    assert notes(tune(music)) == "F#4:1 F#4:1 F#5:1 F5:1 F5:1 F4:1 A4:2"
    assert notes(tune(music, "M:4/4\nL:1/4\nI:propagate-accidentals octave\nK:C")).startswith("F#4:1 F#4:1 F5:1")
    assert notes(tune(music, "%%propagate-accidentals not\nM:4/4\nL:1/4\nK:C")).startswith("F#4:1 F4:1 F5:1")


def test_a_tie_carries_its_accidental_over_the_bar_line() -> None:
    """^F tied into the next bar is F sharp there too; the F after it is plain."""
    assert notes(tune("A2 ^F2-|F2 F2|")) == "A4:2 F#4:2- F#4:2 F4:2"


def test_the_unit_follows_the_time_where_no_length_is_given() -> None:
    """2.1, 3.1.7: below 3/4 a sixteenth, else an eighth; free time an eighth."""
    assert notes(tune("A4 A4|", "M:2/4\nK:C")) == "A4:1 A4:1"
    assert notes(tune("A4 A2|", "M:3/4\nK:C")) == "A4:2 A4:1"
    assert notes(tune("A4 A2|", "M:none\nK:C")) == "A4:2 A4:1"


# -- fields ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "fifths", "mode"),
    [
        ("C", 0, "major"), ("G", 1, "major"), ("Bb", -2, "major"), ("F#", 6, "major"), ("Am", 0, "minor"),
        ("A min", 0, "minor"), ("C#m", 4, "minor"), ("Ebmin", -6, "minor"), ("Ddor", 0, "dorian"),
        ("D Dorian", 0, "dorian"), ("G MIXOLYDIAN", 0, "mixolydian"), ("Amix", 2, "mixolydian"),
        ("Ephr", 0, "phrygian"), ("FLyd", 0, "lydian"), ("Bloc", 0, "locrian"), ("AAeo", 0, "aeolian"),
        ("C ionian", 0, "ionian"), ("Cmaj", 0, "major"), ("none", 0, ""), ("", 0, ""), ("HP", 2, "mixolydian"),
        ("Hp", 2, "mixolydian"), ("D clef=bass", 2, "major"), ("E phr bass", 0, "phrygian"),
    ],
)  # fmt: skip
def test_keys(text: str, fifths: int, mode: str) -> None:
    """2.1, 3.1.14: modes by three letters in any case, none, the bagpipes' keys."""
    key = read_key(text)
    assert key is not None
    assert (key.fifths, key.mode) == (fifths, mode)


def test_explicit_accidentals() -> None:
    """2.1, 3.1.14: `exp` gives every accidental, without it they change those of the key; `=c` takes one away."""
    given = [read_key(text) for text in ("D exp ^f _b", "D =c", "G exp _b _e", "D Phr ^f")]
    assert [one and one.alters for one in given] == [
        {"F": 1, "B": -1}, {"F": 1}, {"B": -1, "E": -1}, {"F": 1, "B": -1, "E": -1},
    ]  # fmt: skip
    assert given[1] is not None
    assert given[1].fifths == 1
    assert notes(tune("F B c f|", "M:4/4\nL:1/4\nK:D exp ^f _b")) == "F#4:1 Bb4:1 C5:1 F#5:1"
    assert read_key("J") is None
    assert read_key("H") is None


def test_signatures_in_order() -> None:
    """F C G D A E B, and the same from behind for flats."""
    assert signature(3) == {"F": 1, "C": 1, "G": 1}
    assert signature(-2) == {"B": -1, "E": -1}
    assert len(signature(7)) == len(signature(-7)) == 7


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("3/4", "3/4"), ("C", "4/4"), ("C|", "2/2"), ("2+3/8", "5/8"), ("(2+3+2)/8", "7/8"), ("none", "free"),
        ("", "free"), (" 6 / 8 ", "6/8"),
    ],
)  # fmt: skip
def test_times(text: str, read: str) -> None:
    """2.1, 3.1.6."""
    assert str(read_time(text)) == read


def test_times_and_lengths_that_make_no_sense() -> None:
    """A time of three sevenths is no time; a length of nothing no length."""
    assert [read_time(text) for text in ("3/7", "0/4", "waltz", "3", "99/4")] == [None] * 5
    assert [read_length(text) for text in ("1/8", "1/4", "1", "0/4", "1/0", "x")] == [
        Fraction(1, 2), 1, 4, None, None, None,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "beat", "minute"),
    [
        ("1/4=100", 1, 100), ("3/8=50", Fraction(3, 2), 50), ('"Slowly" 1/2=40', 2, 40), ('1/4=66 "Gently"', 1, 66),
        ("1/4 3/8 1/4 3/8=40", 5, 40), ("120", Fraction(1, 2), 120), ("C=90", Fraction(1, 2), 90),
        ("C3=90", Fraction(3, 2), 90), ("1/4=66.5", 1, Fraction(133, 2)),
    ],
)  # fmt: skip
def test_tempo(text: str, beat: Fraction, minute: Fraction) -> None:
    """2.1, 3.1.8, with the older forms; the unit is an eighth."""
    tempo = read_tempo(text, Fraction(1, 2))
    assert tempo is not None
    assert (tempo.beat, tempo.per_minute) == (beat, minute)


def test_changes_inside_the_tune() -> None:
    """Key, time and length change by inline fields and by lines of their own; the unit stays at a change of time."""
    hymn = tune("C4|[K:D][M:3/4] F c F|\nM:2/4\nL:1/8\nK:F\nB2 c2|")
    assert notes(hymn) == "C4:4 F#4:1 C#5:1 F#4:1 Bb4:1 C5:1"
    assert [str(bar.time) for bar in hymn.tune.bars] == ["4/4", "3/4", "2/4"]
    assert [bar.key.fifths for bar in hymn.tune.bars] == [0, 2, -1]


def test_a_church_mode_is_kept() -> None:
    """K:Ddor has no signature and is remembered as dorian."""
    hymn = tune("D E F G|A4|D4|", "M:4/4\nL:1/4\nK:Ddor")
    assert hymn.tune.mode == "dorian"
    assert hymn.tune.bars[0].key.fifths == 0


def test_titles_and_people() -> None:
    """T, C and the N: fields with a name go into the hymn; the tune number is the hymn's number."""
    head = "X:27\nT:A Song of Reeds\nC:Ann Invented\nN:tune: REEDMERE\nN:metre: 8.7.8.7\nN:words: Bo Invented\n"
    hymn = read_abc((head + "N:rights: free\nS:nowhere\nM:4/4\nL:1/4\nK:C\nC D E F|G4|]\n").encode()).hymns[0]
    assert (hymn.title, hymn.composer, hymn.tune_name, hymn.numbers) == (
        "A Song of Reeds", "Ann Invented", "REEDMERE", ("27",),
    )  # fmt: skip
    assert (hymn.text.metre, hymn.text.author, hymn.rights) == ("8.7.8.7", "Bo Invented", "free")
    assert "fields that a hymn has no place for (source)" in said(hymn)


# -- bars, repeats, order --------------------------------------------------------------------------


def test_pickup_and_divided_bars() -> None:
    """C | D3 :| C | D3 :| has a pickup, and the second upbeat is the second half of its bar."""
    hymn = tune("C|D E F G|A3:|B|c d e f|g3:|")
    assert [bar.number for bar in hymn.tune.bars] == ["0", "1", "2", "2b", "3", "4"]
    assert hymn.tune.bars[0].pickup
    assert not hymn.tune.bars[2].pickup
    assert hymn.tune.route == (Passage(0, 2, 1), Passage(0, 2, 2), Passage(3, 5, 1), Passage(3, 5, 2))


@pytest.mark.parametrize(
    ("music", "walked"),
    [
        ("|:C4|D4:|E4|]", "0 1 0 1 2"),
        ("C4|D4:|E4|]", "0 1 0 1 2"),
        ("|:C4::D4:|", "0 0 1 1"),
        ("|:C4:|:D4:|", "0 0 1 1"),
        ("|:C4:||:D4:|", "0 0 1 1"),
        ("|:C4|1 D4:|2 E4||F4|]", "0 1 0 2 3"),
        ("|:C4|[1 D4:|[2 E4||F4|]", "0 1 0 2 3"),
        ("|:C4|[1,3 D4:|[2 E4:|", "0 1 0 2 0 1"),
        ("|:C4|[1-2 D4:|[3 E4||", "0 1 0 1 0 2"),
        ("|:C4|1 D4|E4:|2 F4|G4||A4|]", "0 1 2 0 3 4 5"),
        ("|::C4::|D4|]", "0 0 0 1"),
        ("C4|D4!fine!|E4!D.C.!|]", "0 1 2 0 1"),
        ('C4|D4"^Fine"|E4"_D.C. al Fine"|]', "0 1 2 0 1"),
        ("C4|!segno!D4|E4!D.S.!|]", "0 1 2 1 2"),
    ],
)
def test_repeats_and_endings(music: str, walked: str) -> None:
    """2.1, 4.8 to 4.10: repeats, variant endings and their ranges, and the signs of the way, as bars in order."""
    hymn = tune(music)
    assert " ".join(str(step.index) for step in walk(hymn.tune)) == walked


def test_double_bars() -> None:
    """A thin-thin bar line inside the tune is a double bar; the last one and dotted ones are not."""
    hymn = tune("C4||D4.|E4|]F4|]")
    assert [bar.double for bar in hymn.tune.bars] == [True, False, True, False]


def test_order_of_parts() -> None:
    """2.1, 3.1.5: P: in the header says how the parts marked in the body follow each other."""
    assert [read_order(text) for text in ("ABAC", "A2B", "A(BC)2", "A.B. A", "(AB", "", "A99999")] == [
        "ABAC", "AAB", "ABCBC", "ABA", None, None, None,
    ]  # fmt: skip
    head = "M:4/4\nL:1/4\nP:ABA\nK:C"
    hymn = tune("P:A\nC4|D4|\nP:B\nE4:|\n", head)
    assert [(step.index, step.times) for step in walk(hymn.tune)] == [
        (0, 1), (1, 1), (2, 1), (2, 2), (0, 2), (1, 2),
    ]  # fmt: skip
    missing = tune("P:A\nC4|D4|\nP:C\nE4|\n", head)
    assert "part B is not marked" in said(missing)
    assert missing.tune.route == ()


def test_a_missing_bar_line_is_put_in_and_told() -> None:
    """Eight beats in 4/4 that divide at the full bar are two bars; nine are refused with tune, line and bar."""
    hymn = tune("C4 D4|E4|")
    assert [bar.length for bar in hymn.tune.bars] == [4, 4, 4]
    assert "a bar line is missing" in said(hymn)
    found = read_abc(b"X:7\nT:Too full\nM:4/4\nL:1/4\nK:C\nC4|D5 E4|F4|\n", "full.abc")
    assert found.hymns == ()
    (refused,) = found.refused
    assert isinstance(refused, BrokenBar)
    assert str(refused).startswith("full.abc: tune 7, line 6, bar 2, beat 5")


# -- words -----------------------------------------------------------------------------------------


def test_words_with_all_signs_of_alignment() -> None:
    """2.1, 5.1: hyphen, hold, skip, joined words, a hyphen that is printed."""
    hymn = tune("C D E F|G A B c|\nw:glo-ri-a _ * of~the well\\-known end\n")
    assert words(hymn) == "glo-ri-a_ of the well-known end"
    assert [one.onset for one in hymn.text.verses[0].syllables] == [0, 1, 2, 5, 6, 7]


def test_a_bar_in_the_words_goes_to_the_next_bar() -> None:
    """2.1, 5.1: `|` advances to the next bar; a word divided over the notes keeps its hyphen."""
    hymn = tune("C D E F|G A B c|\nw:one two | three fo- - ur\n")
    assert [(one.text, int(one.onset)) for one in hymn.text.verses[0].syllables] == [
        ("one", 0), ("two", 1), ("three", 4), ("fo", 5), ("ur", 7),
    ]  # fmt: skip
    assert words(hymn).endswith("fo-ur")


def test_several_verses_and_lines() -> None:
    """Lines of words that follow each other are verses; the next line of music has its own."""
    music = "C D E F|\nw:1.~one two three four\nw:2.~five six sev-en\nG4|c4|\nw:last words\nw:more\\\nw:words\n"
    hymn = tune(music)
    assert [verse.number for verse in hymn.text.verses] == [1, 2]
    assert words(hymn, 0) == "one two three four last words"
    assert words(hymn, 1) == "five six sev-en more words"


def test_words_are_not_set_under_rests_grace_notes_and_second_notes_of_chords() -> None:
    """2.1, 5.1: a chord takes one syllable, rests and grace notes none; each note of a tie may take one."""
    hymn = tune("C z {d}[EG] F-|F4|\nw:one two three four\n")
    assert [one.onset for one in hymn.text.verses[0].syllables] == [0, 2, 3, 4]


def test_words_may_follow_several_lines_of_music() -> None:
    """2.1, 5.1: words are for the notes since the last words; a continuation `+:` goes on."""
    hymn = tune("C D E F|\nG A B c|\nw:one two three four\n+:five six sev-en\n")
    assert words(hymn) == "one two three four five six sev-en"
    last = tune("C D E F|\nG A B c|\nw:five six sev-en\n")
    assert [one.onset for one in last.text.verses[0].syllables] == [4, 5, 6, 7]
    assert "fill only the last line" in said(last)


def test_syllables_without_notes_are_told() -> None:
    """Five syllables for four notes: the fifth is told with its line."""
    hymn = tune("C D E F|\nw:one two three four five\n")
    assert "line 7: 1 syllables of verse 1 that found no note" in said(hymn)


def test_a_verse_number_by_itself() -> None:
    """`1. Lord` with a blank does not cost a note."""
    hymn = tune("C D E F|\nw:1. one two three four\n")
    assert words(hymn) == "one two three four"
    assert "a verse number that stands by itself" in said(hymn)


def test_words_below_the_music() -> None:
    """W: stanzas are set under the notes where their syllables are as many; others are told."""
    music = "C D E F|\nw:one two sev-en\nW:2. three four sev-en\nW:\nW:3. far too many words for it\n"
    hymn = tune(music)
    assert words(hymn, 1) == "three four sev-en"
    assert hymn.text.verses[1].number == 2
    assert "words printed below the music" in said(hymn)


def test_words_under_a_repeat() -> None:
    """Two lines under a repeat and one after it: one verse, a line for each time through."""
    hymn = tune("|:C D E F:|\nw:a b c d\nw:e f g h\nG4|]\nw:end\n")
    assert [(one.text, one.times) for one in hymn.text.verses[0].syllables] == [
        ("a", 1), ("e", 2), ("b", 1), ("f", 2), ("c", 1), ("g", 2), ("d", 1), ("h", 2), ("end", 0),
    ]  # fmt: skip


def test_items_and_alignment_by_themselves() -> None:
    """The steps of a line, and where they fall under slots in bars 0 0 1 1."""
    kinds = [item.kind for item in items_of("a-b _ * | c")]
    assert kinds == ["syllable", "syllable", "hold", "skip", "bar", "syllable"]
    found = align(items_of("a | b"), [0, 0, 1, 1])
    assert [one.slot for one in found.syllables] == [0, 2]
    assert align((), []).syllables == ()


# -- chord symbols, annotations, decorations -------------------------------------------------------


def symbols(hymn: Hymn) -> str:
    return " ".join(
        f"{one.onset}:{symbol(one.chord)}{''.join(f'({turn})' for turn in one.passes)}" for one in hymn.tune.symbols
    )


def test_chord_symbols_in_every_spelling_of_collections() -> None:
    """Am7/G is print; D/f+, Cd, Ca, (E7) are habits of collections, read and told."""
    hymn = tune('"Am7/G"C "D/f+"D "Cd"E "Fa7"F|"(E7)"C "G/bb"D "N.C."E2|')
    assert symbols(hymn) == "0:Am7/G 1:D/F# 2:Cdim 3:Faug7 4:E7 5:G/Bb 6:N.C."
    for habit in ("small letters", "diminished", "augmented", "in brackets"):
        assert habit in said(hymn)


def test_two_symbols_on_one_place_are_for_the_repeat() -> None:
    """Two quoted chords before one note: the first time and the second; without a repeat the second is told."""
    assert symbols(tune('|:"C""Am"C4|"G"D4:|')) == "0:C(1) 0:Am(2) 4:G"
    assert symbols(tune('|:" ""Am"C4|D4:|')) == "0:Am(2)"
    plain_tune = tune('"C""Am"C z3|"G"D4|')
    assert symbols(plain_tune) == "0:C 4:G"
    assert "a second chord symbol at the same place" in said(plain_tune)


def test_annotations_are_kept_apart() -> None:
    """2.1, 4.19: ^_<>@ begin an annotation, which is no chord; other words are told too."""
    hymn = tune('"^A bold word"C "_below"D "@1,2 placed"E "Slowly"F|')
    assert hymn.tune.symbols == ()
    for text in ("A bold word", "below", "placed", "Slowly"):
        assert f"printed words ({text})" in said(hymn)


def test_an_unknown_symbol_is_kept_as_printed() -> None:
    """Gzz7 is no chord we know; it stays on the page with its root."""
    hymn = tune('"Gzz7"C4|')
    assert hymn.tune.symbols[0].chord.text == "Gzz7"
    assert "is not known and is kept as printed" in said(hymn)


def test_symbols_inside_a_long_note() -> None:
    """An overlay of invisible rests carries symbols at places where no note begins."""
    hymn = tune('"C"C4 & x2 "G"x2|')
    assert symbols(hymn) == "0:C 2:G"
    assert notes(hymn) == "C4:4"


def test_a_symbol_line() -> None:
    """2.1, 5.2: s: sets symbols and signs under the notes like words."""
    hymn = tune('C D E F|G4|\ns: "C" * !fermata! | "G7"\n')
    assert symbols(hymn) == "0:C 4:G7"
    assert list(map(int, hymn.tune.holds)) == [2]


def test_fermatas_and_breaths_are_kept_and_the_rest_is_told() -> None:
    """H and !fermata! hold, !breath! stands after its note, a trill and a bow are told by name."""
    hymn = tune("C !breath!D HE F|!fermata!G2 TA2|uc4|+fermata+d4|")
    assert list(map(int, hymn.tune.holds)) == [2, 4, 12]
    assert list(map(int, hymn.tune.breaths)) == [2]
    assert "an ornament (trill)" in said(hymn)
    assert "a sign (upbow)" in said(hymn)


def test_user_symbols_and_macros() -> None:
    """2.1, 4.16: U: redefines a sign; m: macros are refused by name."""
    hymn = tune("WC D E F|ZG4|", "M:4/4\nL:1/4\nU:W=!fermata!\nm:~n3=n{o}n{m}n\nK:C").tune
    assert list(map(int, hymn.holds)) == [0]
    assert "the macro ~n3 is not carried out" in said(tune("C4|", "M:4/4\nL:1/4\nm:~n3=n{o}n{m}n\nK:C"))


def test_what_is_left_out_is_named() -> None:
    """Directives, unknown signs and stray brackets are told with their line."""
    hymn = tune("%%score (S A)\nC D E F|?G4|]", "M:4/4\nL:1/4\n%%leftmargin 2cm\nK:C")
    for text in ("%%score", "%%leftmargin", "'?'"):
        assert text in said(hymn)


# -- voices ----------------------------------------------------------------------------------------

FOUR = """X:1
T:Invented in four parts
M:4/4
L:1/4
%%score (S A) (T B)
V:S clef=treble name="Soprano"
V:A clef=treble
V:T clef=bass
V:B clef=bass
K:G
[V:S] G A B c|d4|]
w: four parts are here now
[V:A] D F G G|^F4|]
V:T
B, D D E|A,4|]
V:B
G, D, G, C,|D,4|]
"""


def test_a_hymn_in_four_parts() -> None:
    """V: gives each part its line, by its letter or its name; %%score is named and not needed."""
    found = read_abc(FOUR.encode())
    hymn = found.hymns[0]
    assert [voice.name for voice in hymn.tune.voices] == ["soprano", "alto", "tenor", "bass"]
    assert [notes(hymn, index).split()[-1] for index in range(4)] == ["D5:4", "F#4:4", "A3:4", "D3:4"]
    assert words(hymn) == "four parts are here now"
    assert "the grouping of staves (%%score)" in said(hymn)


def test_octave_and_transposition() -> None:
    """octave=-1, treble-8 and transpose=-2 move what sounds; the key moves with it."""
    assert notes(tune("C D E F|", "M:4/4\nL:1/4\nK:C octave=-1")) == "C3:1 D3:1 E3:1 F3:1"
    assert notes(tune("C D E F|", "M:4/4\nL:1/4\nK:C clef=treble-8")).startswith("C3:1")
    moved = tune("C D E F|", "M:4/4\nL:1/4\nK:C transpose=-2")
    assert notes(moved) == "Bb3:1 C4:1 D4:1 Eb4:1"
    assert moved.tune.bars[0].key.fifths == -2


def test_an_overlay_is_a_second_voice() -> None:
    """2.1, 7.4: & goes back to the beginning of the bar; half the time in two parts makes two voices."""
    hymn = tune("c d e f & A B c d|c4 & A4|c4 & F4|")
    assert len(hymn.tune.voices) == 2
    assert notes(hymn, 1) == "A4:1 B4:1 C5:1 D5:1 A4:4 F4:4"


# -- files -----------------------------------------------------------------------------------------

BOOK = """%abc-2.1
M:3/4
L:1/4

This is free text between tunes, which says | nothing.

X:1
T:First
K:C
C D E|F3|]

X:2
T:Second is broken
K:C
C D E F G|A3|]

% a comment
X:3
T:Third
M:2/4
K:F
% a comment inside the tune
A B|c2|]
"""


def test_a_collection_keeps_its_good_tunes(tmp_path: Path) -> None:
    """Three tunes, the second too full: two hymns in order, one refusal with tune, line and bar."""
    path = tmp_path / "book.abc"
    path.write_text(BOOK, encoding="utf-8")
    found = read_all(path)
    assert [(hymn.title, hymn.numbers) for hymn in found.hymns] == [("First", ("1",)), ("Third", ("3",))]
    assert [str(bar.time) for hymn in found.hymns for bar in hymn.tune.bars[:1]] == ["3/4", "2/4"]
    assert [str(one).split(": this")[0] for one in found.refused] == [
        "book.abc: tune 2, line 15, bar 1, beat 4, tune",
    ]  # fmt: skip
    assert read_file(path) == found.hymns


def test_a_file_with_one_bad_tune_fails_as_a_file(tmp_path: Path) -> None:
    """Where nothing could be read, read_file raises what was wrong."""
    path = tmp_path / "bad.abc"
    path.write_text("X:1\nT:Bad\nM:3/4\nL:1/4\nK:Q\nCDE|\n", encoding="utf-8")
    with pytest.raises(BrokenFile, match="tune 1, line 5: the key K:Q makes no sense"):
        read_file(path)


def test_music_after_an_empty_line_is_told() -> None:
    """An empty line ends a tune; music after it is not lost in silence, nor is music after an empty line after K:."""
    hymn = tune("C4|\n\nD4|E4|")
    assert "music after an empty line" in said(hymn)
    assert notes(tune("\nC4|D4|")) == "C4:4 D4:4"


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "utf-8-sig", "utf-16"])
def test_encodings(encoding: str) -> None:
    """The same title in four encodings, Unix, DOS and old Mac line ends."""
    for end in ("\n", "\r\n", "\r"):
        data = end.join(["X:1", "T:Grüße für Zoë", "M:4/4", "L:1/4", "K:C", "C4|", ""]).encode(encoding)
        assert read_abc(data).hymns[0].title == "Grüße für Zoë"


def test_a_named_encoding_is_believed() -> None:
    """I:abc-charset names it; 2.1, 8.1."""
    data = "I:abc-charset iso-8859-2\n\nX:1\nT:Łąka\nM:4/4\nL:1/4\nK:C\nC4|\n".encode("iso-8859-2")
    assert read_abc(data).hymns[0].title == "Łąka"


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("Caf\\'e", "Café"), ('na\\"ive', "naïve"), ("\\cc a \\~n", "ç a ñ"), ("Ka\\vs", "Kaš"),
        ("\\aa\\ae\\ss\\/o", "åæßø"),
        ("caf&eacute; &amp; tea", "café & tea"), ("caf\\u00e9", "café"), ("50 \\%", "50 %"), ("a\\\\b", "a\\b"),
        ("&nothing; \\x", "&nothing; \\x"),
    ],
)  # fmt: skip
def test_accents(text: str, read: str) -> None:
    """2.1, 8.2: mnemonics, entities, codes."""
    assert plain(text) == read


def test_accents_in_words() -> None:
    """An escaped letter in the words is one letter."""
    assert words(tune("C D E2|\nw:\\'e-t\\'e caf&eacute;\n")) == "é-té café"


def test_comments_and_continued_lines() -> None:
    r"""A comment ends a line, `\` joins it to the next without a line break."""
    hymn = tune("C D E F|% a comment | with bars\nG A B c|\\\nc4|\nw:one two three four five\n")
    assert [line.onset for line in hymn.tune.lines][:1] == [0]
    assert len(hymn.tune.bars) == 3


def test_line_ends_are_hints_for_lines() -> None:
    """Music printed two bars to the line, with nothing else to tell: the lines follow the page."""
    hymn = tune("C D E F|G A B c|\nc B A G|F2 C2|\nC D E F|G A B c|\nc B A G|F2 C2|]")
    assert [line.onset for line in hymn.tune.lines] == [0, 8, 16, 24]


def test_line_breaks_by_sign() -> None:
    """I:linebreak $ makes the dollar sign break lines and the end of the text not; a lone ! is an old line break."""
    music = "C D E F|G A\nB c|$c B A G|F2 C2|$C D E F|G A B c|$c B A G|F2 C2|]"
    hymn = tune(music, "M:4/4\nL:1/4\nI:linebreak $\nK:C")
    assert [line.onset for line in hymn.tune.lines] == [0, 8, 16, 24]
    assert "old line break" in said(tune("C D E F|!G4|"))
    old = "C D E F|G A B c|!c B A G|F2 C2|!C D E F|G A B c|!c B A G|F2 C2|]"
    by_sign = tune(old, "M:4/4\nL:1/4\nI:linebreak !\nK:C").tune
    assert [line.onset for line in by_sign.lines] == [0, 8, 16, 24]
    held = tune("C D +fermata+E F|!G4!G4|", "M:4/4\nL:1/4\nI:linebreak !\nK:C")
    assert [int(one) for one in held.tune.holds] == [2]
    assert held.left_out == ()


def test_a_block_of_words_is_no_music() -> None:
    """Lines between %%begintext and %%endtext are told and passed over."""
    hymn = tune("C4|\n%%begintext\nABC|abc|\n%%endtext\nD4|")
    assert notes(hymn) == "C4:4 D4:4"
    assert "a block of words or code (%%begintext)" in said(hymn)


def test_what_is_not_closed_ends_with_its_bar() -> None:
    """A missing } or ] costs the bar at most, and is told."""
    hymn = tune("{de C D|E F [GB|c4|")
    assert notes(hymn) == "{D5} {E5} {C4} {D4} E4:1 F4:1 B4:1 C5:4"
    assert "grace notes are not closed" in said(hymn)
    assert "a chord is not closed" in said(hymn)


def test_what_is_no_abc(tmp_path: Path) -> None:
    """Empty, binary and other files say what they are not; a file of another name is known by its first lines."""
    for data, kind in ((b"", CannotReadFile), (b"X:1\n\0\0K:C\n", CannotReadFile), (b"Dear diary\n", NotAHymn)):
        with pytest.raises(kind):
            read_abc(data)
    assert is_abc(b"%abc-2.1\n")
    assert is_abc(b"text\nX:1\nK:C\nC|")
    assert not is_abc(b"<?xml version='1.0'?>")
    path = tmp_path / "tune.txt"
    path.write_bytes(b"X:1\nT:By content\nM:4/4\nL:1/4\nK:C\nC4|\n")
    assert read_file(path)[0].title == "By content"


def test_a_tune_without_music() -> None:
    """A tune of headers alone is refused, the others are read."""
    found = read_abc(b"X:1\nT:Nothing\nK:C\n\nX:2\nT:Something\nM:4/4\nL:1/4\nK:C\nC4|\n")
    assert [hymn.title for hymn in found.hymns] == ["Something"]
    assert isinstance(found.refused[0], NotAHymn)
    assert found.refused[0].place.startswith("tune 1, line 1")


def test_tokens_cover_every_character() -> None:
    """No sign is passed over: what is no sign comes back as unknown."""
    text = '"C"[CE]2 (3abc {g}a-|:?;#@ a>b [1 c:|'
    assert "".join(token.text for token in tokens(text)) == text.replace(" ", "")
    assert [token.text for token in tokens(text) if token.kind == "unknown"] == ["?", ";", "#", "@"]


def test_lengths_and_endings_by_themselves() -> None:
    """`///` is an eighth, a division by nothing no length; 1-3,5 are four endings."""
    assert [length_of(text) for text in ("", "3", "/", "///", "3/2", "/4", "0", "3/0")] == [
        1, 3, Fraction(1, 2), Fraction(1, 8), Fraction(3, 2), Fraction(1, 4), None, None,
    ]  # fmt: skip
    assert ending_numbers("1-3,5") == (1, 2, 3, 5)


def test_long_tunes_take_their_length_and_no_more() -> None:
    """The music of a thousand bars is read in a few seconds, of five hundred in about half of that."""
    bar = '"C"C D/E/ (3F/G/A/ c/>B/|'

    def seconds(count: int) -> float:
        music = "\n".join(bar * 4 + "\nw:a b-c d e f g h i-j k l m n" for _ in range(count // 4))
        (source,) = open_book(f"X:1\nM:4/4\nL:1/4\nK:C\n{music}\n".encode())
        start = time.process_time()
        notebook = Notebook()
        (part,) = finish(read_body(source, notebook), notebook).parts
        assert len(part.bars) == count
        return time.process_time() - start

    half = seconds(500)
    assert seconds(1000) < max(4 * half, 1.0)
    assert half < 5


def test_the_standards_own_examples() -> None:
    """2.1, sections 4.3 and 5.1: examples of the published text, from memory."""
    # "a>b is equivalent to a3/2b/2"; "abc/2 means abc/"; "[CEGc]" a C major chord
    assert notes(tune("a>b c2|")) == notes(tune("a3/2b/2 c2|"))
    # "w: syll-a-ble is aligned with three notes", "syll-a--ble with four", "time__ with three"
    assert [len(items_of(text)) for text in ("syll-a-ble", "syll-a--ble", "syll-a -ble", "time__")] == [3, 4, 4, 3]
    # "of~the~day is treated as one syllable", "gate | advances to the next bar"
    assert [item.text for item in items_of("of~the~day")] == ["of the day"]
    # "K:D =c would set the key to D major with the C natural" - the signature of G
    key = read_key("D =c")
    assert key is not None
    assert key.fifths == 1
