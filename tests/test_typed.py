"""A hymn typed by hand: letters and lengths, the other voices over the tune's rhythm, slips at their place."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from typing_out import struck, typed_out
from undersong.demo import hymn_files
from undersong.model.pitch import Key, Pitch
from undersong.reading import read_file
from undersong.reading.typed import Typed, letters_for, signature, take

HYMNS = [read_file(path)[0] for path in hymn_files()]
FOUR = [hymn for hymn in HYMNS if hymn.tune.four_parts]


def notes_of(text: str, **fields: str) -> list[str]:
    """The tune as `pitch:length`, ties joined."""
    taken = take(Typed(voices=(("tune", text),), **fields))  # type: ignore[arg-type]
    assert taken.hymn is not None
    assert not taken.slips, taken.slips
    return [f"{note.pitch}:{note.length}" for note in struck(taken.hymn.tune.tune_voice.notes)]


@pytest.mark.parametrize(
    ("text", "heard"),
    [
        ("c d e2", ["C5:1", "D5:1", "E5:2"]),
        ("cde2f", ["C5:1", "D5:1", "E5:2", "F5:2"]),
        ("c4.d8e2", ["C5:3/2", "D5:1/2", "E5:2"]),
        ("c c' c,", ["C5:1", "C6:1", "C5:1"]),
        ("b f c g", ["B4:1", "F4:1", "C4:1", "G3:1"]),  # a fourth is nearer than a fifth
        ("c1~", ["C5:8"]),
        ("c r d", ["C5:1", "D5:1"]),
        ("C D", ["C5:1", "D5:1"]),
    ],
)
def test_letters_and_lengths(text: str, heard: list[str]) -> None:
    """In C and 4/4."""
    assert notes_of(text) == heard


def test_the_keys_signs_are_known_and_printed_ones_last_the_bar() -> None:
    """In D: f is sharp; f= is natural to the end of its bar."""
    assert notes_of("f f= f f f", key="D major")[:5] == ["F#4:1", "F4:1", "F4:1", "F4:1", "F#4:1"]


@pytest.mark.parametrize(
    ("key", "signs"), [("C major", ""), ("A major", "FCG"), ("Eb major", "BEA"), ("F minor", "BEAD")]
)
def test_signatures(key: str, signs: str) -> None:
    """The order of sharps and flats, as every primer has it (common practice, no source)."""
    found = signature(Key.parse(key))
    assert {letter for letter, sign in found.items() if sign} == set(signs)


def test_notes_over_the_bar_line_are_tied() -> None:
    """A half note on the fourth beat."""
    taken = take(Typed(voices=(("tune", "c c c c2 d1"),)))
    assert taken.hymn is not None
    notes = taken.hymn.tune.tune_voice.notes
    assert [(str(note.onset), str(note.length), note.tied) for note in notes][3:5] == [
        ("3", "1", True), ("4", "1", False),
    ]  # fmt: skip


def test_the_upbeat_and_the_short_last_bar() -> None:
    """Numbers as printed: the pickup is 0."""
    taken = take(Typed(time="3/4", pickup="1", voices=(("tune", "c def gab c2"),)))
    assert taken.hymn is not None
    assert [f"{bar.number}: {bar.length}" for bar in taken.hymn.tune.bars] == ["0: 1", "1: 3", "2: 3", "3: 2"]


def test_the_other_voices_go_with_the_tune() -> None:
    """Letters alone; two in the time of one; one held through the tune's next."""
    taken = take(Typed(voices=(("soprano", "c4. d8 e2"), ("alto", "g f e"), ("tenor", "(ed) c ~"), ("bass", "c~c"))))
    assert taken.slips == ()
    assert taken.hymn is not None
    lengths = {voice.name: [note.length for note in voice.notes] for voice in taken.hymn.tune.voices}
    assert lengths["alto"] == [Fraction(3, 2), Fraction(1, 2), 2]
    assert lengths["tenor"] == [Fraction(3, 4), Fraction(3, 4), Fraction(5, 2)]
    assert lengths["bass"] == [2, 2]


def test_words_fall_on_the_notes() -> None:
    """Hyphens, and a syllable that goes on."""
    taken = take(Typed(voices=(("tune", "c d e f"),), words=("Glo-ri-a _",)))
    assert taken.hymn is not None
    assert [(one.text, one.hyphen, one.extend) for one in taken.hymn.text.verses[0].syllables] == [
        ("Glo", "begin", False), ("ri", "middle", False), ("a", "end", True),
    ]  # fmt: skip


def test_symbols_fall_on_the_beats() -> None:
    """One to the bar, two share it, three beats and a half written out."""
    taken = take(Typed(voices=(("tune", "cdefgabcdefg"),), symbols="C | Dm G7 | C . F/A ."))
    assert taken.hymn is not None
    symbols = [f"{one.onset} {one.text}" for one in taken.hymn.tune.symbols]
    assert symbols == ["0 C", "4 Dm", "6 G7", "8 C", "10 F/A"]


@pytest.mark.parametrize(
    ("fields", "field", "at", "says"),
    [
        ({"voices": (("tune", "c d x e"),)}, "tune", 4, "no sign for a note"),
        ({"voices": (("tune", "c d e | f"),)}, "tune", 6, "bar line"),
        ({"voices": (("tune", "~c"),)}, "tune", 0, "no note to go on"),
        ({"voices": (("tune", "c''''''"),)}, "tune", 0, "nobody sings"),
        ({"voices": (("tune", "c d"), ("bass", "c d e"))}, "bass", 4, "no more notes"),
        ({"voices": (("tune", "c d"), ("bass", "(c2 d) e"))}, "bass", 1, "letters alone"),
        ({"voices": (("tune", "c d"),), "words": ("one two three",)}, "words-1", 8, "no note"),
        ({"voices": (("tune", "c d e f"),), "symbols": "C H"}, "symbols", 2, "H"),
        ({"voices": (("tune", "c d e f"),), "symbols": "C | | | D"}, "symbols", 8, "no more bars"),
        ({"voices": (("tune", "c"),), "time": "3/0"}, "time", 0, "not a time"),
        ({"voices": (("tune", "c"),), "key": "H"}, "key", 0, "key"),
        ({"voices": (("tune", "c"),), "pickup": "9"}, "pickup", 0, "shorter than a bar"),
    ],
)  # fmt: skip
def test_slips_are_told_at_their_place(fields: dict[str, object], field: str, at: int, says: str) -> None:
    """In which field, at which sign, what."""
    found = take(Typed(**fields)).slips  # type: ignore[arg-type]
    assert [(one.field, one.at) for one in found if not one.small] == [(field, at)]
    assert says in found[0].says


@pytest.mark.parametrize("hymn", HYMNS, ids=lambda hymn: hymn.title)
def test_every_demo_hymn_can_be_typed(hymn: object) -> None:
    """What an organist would type for it gives its notes again, voice for voice."""
    tune = hymn.tune  # type: ignore[attr-defined]
    if any(voice.notes and any(note.grace for note in voice.notes) for voice in tune.voices):
        pytest.skip("grace notes are not typed")
    taken = take(typed_out(tune))
    assert [one for one in taken.slips if not one.small] == []
    assert taken.hymn is not None
    for voice in tune.voices:
        again = taken.hymn.tune.voice(voice.name)
        assert again is not None
        assert [(n.onset, n.length, n.pitch) for n in struck(again.notes)] == [
            (n.onset, n.length, n.pitch) for n in struck(voice.notes)
        ]


def test_four_parts_take_few_keystrokes() -> None:
    """Letters, figures, signs and the step to the next field, for every four-part hymn of the demonstration."""
    for hymn in FOUR:
        typed = typed_out(hymn.tune)
        strokes = sum(len(text) + 1 for _, text in typed.voices)
        notes = sum(len(struck(voice.notes)) for voice in hymn.tune.voices)
        assert strokes / notes <= 1.6, (hymn.title, strokes / notes)


@given(
    st.text(alphabet="abcdefgr ABC#+-='.,~()|12468x_é\n", max_size=60),
    st.text(alphabet="acegr~()8. '", max_size=40),
    st.text(alphabet="CDm7|. /", max_size=30),
    st.text(alphabet="ab-_ ", max_size=30),
)
@settings(max_examples=150, deadline=None)
def test_whatever_is_typed_is_answered(tune: str, bass: str, symbols: str, words: str) -> None:
    """No text is too strange: a hymn, or slips with places inside their fields."""
    typed = Typed(voices=(("soprano", tune), ("bass", bass)), symbols=symbols, words=(words,))
    taken = take(typed)
    texts = dict(typed.voices) | {"symbols": symbols, "words-1": words}
    assert all(0 <= one.at <= len(texts[one.field]) for one in taken.slips)
    if taken.hymn is not None:
        bars = taken.hymn.tune.bars
        for voice in taken.hymn.tune.voices:
            assert all(note.end <= bars[taken.hymn.tune.bar_at(note.onset)].end for note in voice.notes)


def test_no_voice_outlasts_the_tune() -> None:
    """A long note under the tune's last ends with it, and is told."""
    taken = take(Typed(voices=(("soprano", "A1"), ("bass", "aa8"))))
    assert taken.hymn is not None
    assert all(note.end <= taken.hymn.tune.length for voice in taken.hymn.tune.voices for note in voice.notes)
    assert [one.field for one in taken.slips] == ["bass"]


def test_a_keyboard_types_what_it_plays() -> None:
    """Any row of keys, pressed one after the other, is heard again as these keys."""
    chance = random.Random(7)
    for key in ("C major", "Eb major", "A minor", "F# minor", "Ab major"):
        numbers = [chance.randint(50, 80) for _ in range(40)]
        text = ""
        for number in numbers:
            text += letters_for(Typed(key=key, voices=(("tune", text),)), "tune", number) + " "
        taken = take(Typed(key=key, voices=(("tune", text),)))
        assert taken.hymn is not None
        assert [note.pitch.midi for note in struck(taken.hymn.tune.tune_voice.notes)] == numbers
    assert letters_for(Typed(key="F major"), "tune", Pitch("B", -1, 4).midi) == "b"
    assert letters_for(Typed(key="C major"), "tune", 66) == "f#"
