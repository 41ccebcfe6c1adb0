"""The harmony of small invented hymns: chords, keys, numerals, proposals, printed symbols."""

from __future__ import annotations

import json
from collections.abc import Mapping
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from music21 import corpus as music21_corpus

from undersong.harmony import analyse
from undersong.harmony.analysis import heard
from undersong.harmony.keys import CHURCH_MODES, clues, meant
from undersong.harmony.learned import learned
from undersong.harmony.numerals import numeral
from undersong.harmony.proposal import PROPOSED
from undersong.harmony.report import harmony_json
from undersong.harmony.slices import part_notes, slices
from undersong.model.codec import decode, encode
from undersong.model.harmony import Harmony
from undersong.model.hymn import Hymn
from undersong.model.pitch import Interval, Key, Pitch
from undersong.model.symbol import parse_symbol, symbol
from undersong.model.time import Time
from undersong.model.tune import Bar, Line, Note, Passage, Symbol, Tune, Voice

VOICES = ("soprano", "alto", "tenor", "bass")


def voice(name: str, music: str) -> Voice:
    """`"C5:1 r:1/2 D5:3~"`: pitch or rest, length in quarter notes, `~` for a tie to the next."""
    notes, onset = [], Fraction(0)
    for token in music.replace("|", " ").split():
        pitch, _, text = token.partition(":")
        length = Fraction(text.rstrip("~") or 1)
        if pitch != "r":
            notes.append(Note(onset, length, Pitch.parse(pitch), tied=text.endswith("~")))
        onset += length
    return Voice(name, tuple(notes))


def bars(time: str, key: str, length: Fraction, pickup: Fraction = Fraction(0)) -> tuple[Bar, ...]:
    found: list[Bar] = []
    onset, number, of = Fraction(0), 0 if pickup else 1, Time.parse(time)
    while onset < length:
        full = pickup if pickup and not found else min(of.bar_length, length - onset)
        found.append(Bar(str(number), onset, full, of, Key.parse(key), pickup=bool(pickup) and not found))
        onset, number = onset + full, number + 1
    return tuple(found)


def hymn(
    time: str,
    key: str,
    voices: Mapping[str, str],
    *,
    symbols: str = "",
    pickup: Fraction = Fraction(0),
    lines: tuple[Line, ...] = (),
) -> Hymn:
    """An invented hymn. `symbols` is `"0=C 4=G7"`, places in quarter notes."""
    parts = tuple(voice(name, music) for name, music in voices.items())
    length = max(note.end for part in parts for note in part.notes)
    printed = []
    for token in symbols.split():
        place, _, text = token.partition("=")
        printed.append(Symbol(Fraction(place), parse_symbol(text)))
    tune = Tune(bars(time, key, length, pickup), parts, parts[0].name, tuple(printed), lines)
    return Hymn("Invented", tune)


def four(time: str, key: str, soprano: str, alto: str, tenor: str, bass: str) -> Hymn:
    return hymn(time, key, dict(zip(VOICES, (soprano, alto, tenor, bass), strict=True)))


def chords(harmony: Harmony) -> str:
    return " ".join(symbol(span.chord) for span in harmony.spans)


def numerals(harmony: Harmony) -> str:
    return " ".join(span.numeral for span in harmony.spans)


PLAIN = four(
    "4/4", "C major",
    "E5:1 F5:1 E5:1 D5:1 | C5:1 C5:1 B4:1 B4:1 | C5:4",
    "G4:1 A4:1 G4:1 G4:1 | G4:1 A4:1 G4:1 F4:1 | E4:4",
    "C4:1 C4:1 C4:1 B3:1 | C4:1 F4:1 D4:1 D4:1 | G3:4",
    "C3:1 F3:1 C3:1 G3:1 | E3:1 F3:1 G3:1 G3:1 | C3:4",
)  # fmt: skip


def test_a_plain_cadence() -> None:
    """Tonic, subdominant, dominant, a seventh that enters late, and home."""
    harmony = analyse(PLAIN)
    assert chords(harmony) == "C F C G C/E F G G7 C"
    assert numerals(harmony) == "I IV I V I6 IV V V7 I"
    assert str(harmony.key) == "C major"
    assert harmony.mode is None
    assert {span.origin for span in harmony.spans} == {"analysed"}
    assert harmony.non_chord_notes == ()


def test_passing_notes_and_a_suspension_are_no_chords() -> None:
    """The tune passes D between C and E; later C is held over G and falls to B."""
    piece = four(
        "4/4", "C major",
        "C5:1/2 D5:1/2 E5:1 F5:1 E5:1 | D5:1 C5:1~ C5:1 B4:1 | C5:4",
        "E4:1 G4:1 A4:1 G4:1 | A4:1 G4:1 G4:1 G4:1 | E4:4",
        "G3:1 C4:1 C4:1 C4:1 | D4:1 E4:1 D4:2 | G3:4",
        "C3:1 C3:1 F3:1 C3:1 | F3:1 C3:1 G3:2 | C3:4",
    )  # fmt: skip
    harmony = analyse(piece)
    found = [(str(note.pitch), note.voice, note.kind, note.onset) for note in harmony.non_chord_notes]
    assert ("D5", "soprano", "passing", Fraction(1, 2)) in found
    assert ("C5", "soprano", "suspension", Fraction(6)) in found
    last = harmony.spans[-2]
    assert (symbol(last.chord), str(last.onset), str(last.length)) == ("G", "6", "2")


def test_minor_has_its_leading_note_and_diminished_sevenths_are_rooted_by_spelling() -> None:
    """A minor: G sharp, B, D and F are the seventh chord on G sharp, whatever lies below."""
    piece = four(
        "4/4", "C major",
        "A4:1 D5:1 C5:1 D5:1 | C5:1 B4:1 A4:2",
        "E4:1 F4:1 E4:1 F4:1 | E4:1 E4:1 E4:2",
        "C4:1 G#3:1 A3:1 A3:1 | A3:1 G#3:1 C4:2",
        "A2:1 B2:1 A2:1 D3:1 | E3:1 E3:1 A2:2",
    )  # fmt: skip
    harmony = analyse(piece)
    assert chords(harmony) == "Am G#dim7/B Am Dm Am/E E Am"
    assert numerals(harmony) == "i viio65 i iv i64 V i"
    assert str(harmony.key) == "A minor"


def test_a_moving_bass_begins_a_new_span() -> None:
    """The bass goes from C to E under one chord: two spans, one harmony."""
    piece = four("4/4", "C major", "C5:4 | C5:4", "G4:4 | G4:4", "E4:4 | E4:4", "C3:2 E3:2 | C3:4")
    assert chords(analyse(piece)) == "C C/E C"


def test_the_scale_about_a_chord_is_a_clue() -> None:
    """G major between F and F sharp: its seventh sounds natural before it and raised after; C's fourth the same."""
    piece = four(
        "4/4", "C major",
        "A4:1 C5:1 B4:1 C5:1 | A4:4", "F4:1 G4:1 G4:1 E4:1 | F#4:4", "C4:1 E4:1 D4:1 G3:1 | D4:4",
        "F3:1 C3:1 G3:1 C3:1 | D3:4",
    )  # fmt: skip
    cuts = slices(piece.tune, part_notes(piece.tune))
    ends = [Fraction(end) for end in (0, 1, 2, 3, 4, 8)]
    read = [(ends[at], ends[at + 1], parse_symbol(text)) for at, text in enumerate(("F", "C", "G", "C", "D"))]
    told = [[name for name, *_ in row if name.startswith("about")] for row in clues(heard(piece.tune, cuts, read))]
    # fourth, seventh, sixth and second from the root on the line of fifths, each before and after
    assert told[1] == ["about major -1 6 ? 5 3 3 ? 2"]
    assert told[2] == ["about major -1 -1 -2 5 3 3 2 2"]
    assert ("behind major -1 -2", 7) in meant(told[2][0], 7)
    assert ("ahead major -1 5", 7) in meant(told[2][0], 7)
    assert meant("ahead", 0b101) == [("ahead", 0), ("ahead", 2)]


def test_a_modulation_to_the_dominant_is_heard() -> None:
    """Two bars in C, four that go to G and close there, three back in C."""
    piece = four(
        "4/4", "C major",
        "E5:1 F5:1 D5:1 E5:1 | C5:1 D5:1 B4:1 C5:1 | A4:1 A4:1 D5:1 C5:1 | B4:2 A4:2 | G4:1 A4:1 B4:1 A4:1 | G4:4 |"
        "E5:1 F5:1 D5:1 E5:1 | C5:2 B4:2 | C5:4",
        "G4:1 A4:1 G4:1 G4:1 | G4:1 A4:1 G4:1 G4:1 | E4:1 F#4:1 G4:1 F#4:1 | G4:2 F#4:2 | D4:1 E4:1 D4:1 F#4:1 | D4:4 |"
        "G4:1 A4:1 G4:1 G4:1 | A4:2 G4:2 | E4:4",
        "C4:1 C4:1 B3:1 C4:1 | E4:1 D4:1 D4:1 E4:1 | C4:1 D4:1 B3:1 D4:1 | D4:2 D4:2 | B3:1 C4:1 G3:1 D4:1 | B3:4 |"
        "C4:1 C4:1 B3:1 C4:1 | F4:2 D4:2 | G3:4",
        "C3:1 F3:1 G3:1 C3:1 | C3:1 F3:1 G3:1 C3:1 | A3:1 D3:1 G3:1 D3:1 | G3:2 D3:2 | G3:1 C3:1 G3:1 D3:1 | G2:4 |"
        "C3:1 F3:1 G3:1 C3:1 | F3:2 G3:2 | C3:4",
    )  # fmt: skip
    harmony = analyse(piece)
    assert str(harmony.key) == "C major"
    at = {span.onset: str(span.key) for span in harmony.spans}
    assert at[Fraction(0)] == "C major"
    assert at[Fraction(20)] == "G major"
    assert str(harmony.spans[-1].key) == "C major"


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        # common textbook practice, no single source
        ("C", "C major", "I"), ("C/G", "C major", "I64"), ("Dm7/F", "C major", "ii65"), ("G7/F", "C major", "V42"),
        ("Bdim/D", "C major", "viio6"), ("D7", "C major", "V7/V"), ("A7/C#", "C major", "V65/ii"),
        ("C7", "C major", "V7/IV"), ("F#dim7", "C major", "viio7/V"), ("Bb", "C major", "bVII"),
        ("Fm", "C major", "iv"), ("D", "C major", "II"), ("Am", "A minor", "i"), ("E7", "A minor", "V7"),
        ("G", "A minor", "VII"), ("G#dim7/B", "A minor", "viio65"), ("Bm7b5/D", "A minor", "iiø65"),
        ("Bb/D", "D minor", "VI6"), ("A", "A minor", "I"), ("Bb/D", "A minor", "N6"), ("Db(N6)/F", "C major", "N6"),
        ("Ab(Ger6)", "C minor", "Ger65"),
        ("N.C.", "C major", ""),
    ],
)  # fmt: skip
def test_numerals(text: str, key: str, expected: str) -> None:
    """Degree, inversion, and whose dominant."""
    assert numeral(parse_symbol(text), Key.parse(key)) == expected


def test_a_plain_triad_points_only_where_it_goes() -> None:
    """D major in C is V/V before G, else II."""
    assert numeral(parse_symbol("D"), Key.parse("C major"), parse_symbol("G")) == "V/V"
    assert numeral(parse_symbol("D"), Key.parse("C major"), parse_symbol("F")) == "II"


MELODY = {"tune": "G4:1 | C5:1 D5:1 E5:1 | F5:2 D5:1 | E5:1 D5:1 B4:1 | C5:2"}


def test_printed_symbols_win() -> None:
    """Four parts say C; the page prints Am7 and F, and that is what she reads."""
    parts = {part.name: " ".join(f"{note.pitch}:{note.length}" for note in part.notes) for part in PLAIN.tune.voices}
    harmony = analyse(hymn("4/4", "C major", parts, symbols="0=Am7 3=F 8=C/E"))
    assert chords(harmony) == "Am7 F C/E"
    assert {(span.origin, span.confidence) for span in harmony.spans} == {("printed", None)}
    assert [span.onset for span in harmony.spans] == [0, 3, 8]


def test_a_pickup_before_the_first_symbol() -> None:
    """The pickup G belongs to C, so C begins with it; to F it does not belong, so there is no chord yet."""
    first = analyse(hymn("3/4", "C major", MELODY, symbols="1=C 4=F 7=G7 10=C", pickup=Fraction(1)))
    assert chords(first) == "C F G7 C"
    assert first.spans[0].onset == 0
    other = analyse(hymn("3/4", "C major", MELODY, symbols="1=F 10=C", pickup=Fraction(1)))
    assert chords(other) == "N.C. F C"
    assert other.spans[0].numeral == ""


def test_symbols_for_one_time_through_stand_beside_each_other() -> None:
    """The second time bar 2 has Am instead of F: alternatives there, one chord everywhere else."""
    piece = hymn("4/4", "C major", {"tune": "C5:4 | A4:4 | C5:4"})
    c, f, a = (parse_symbol(text) for text in ("C", "F", "Am"))
    printed = (
        Symbol(Fraction(0), c),
        Symbol(Fraction(4), f, passes=(1,)),
        Symbol(Fraction(4), a, passes=(2,)),
        Symbol(Fraction(8), c),
    )
    route = (Passage(0, 2, 1), Passage(0, 2, 2))
    tune = Tune(piece.tune.bars, piece.tune.voices, "tune", printed, route=route)
    harmony = analyse(Hymn("Invented", tune))
    assert [(symbol(span.chord), str(span.onset), span.passes) for span in harmony.spans] == [
        ("C", "0", ()),
        ("F", "4", (1,)),
        ("Am", "4", (2,)),
        ("C", "8", ()),
    ]
    assert [row["pass"] for row in rows(Hymn("Invented", tune))] == [1, 1, 2, 1]


def test_a_symbol_for_the_second_time_only_leaves_the_first_as_it_was() -> None:
    """C goes on the first time; the second time F comes in bar 2."""
    piece = hymn("4/4", "C major", {"tune": "C5:4 | C5:4"})
    printed = (Symbol(Fraction(0), parse_symbol("C")), Symbol(Fraction(4), parse_symbol("F"), passes=(2,)))
    tune = Tune(piece.tune.bars, piece.tune.voices, "tune", printed, route=(Passage(0, 1, 1), Passage(0, 1, 2)))
    harmony = analyse(Hymn("Invented", tune))
    found = [(symbol(span.chord), str(span.onset), str(span.length), span.passes) for span in harmony.spans]
    assert found == [("C", "0", "4", ()), ("C", "4", "4", (1,)), ("F", "4", "4", (2,))]


def test_a_bare_tune_gets_plain_chords() -> None:
    """C major, three in a bar: plain chords, the last one the tonic, none of them claimed to be sure."""
    harmony = analyse(hymn("3/4", "C major", MELODY, pickup=Fraction(1)))
    assert {span.origin for span in harmony.spans} == {"proposed"}
    assert {symbol(span.chord) for span in harmony.spans} <= {"C", "Dm", "F", "G", "G7", "Am"}
    assert symbol(harmony.spans[-1].chord) == "C"
    assert all(span.confidence is not None and span.confidence < 0.9 for span in harmony.spans)


@pytest.mark.parametrize(
    ("mode", "key", "signature", "music"),
    [
        ("dorian", "D minor", "C major", "D4:1 F4:1 A4:1 B4:1 | C5:1 A4:1 B4:1 G4:1 | A4:1 F4:1 E4:1 C4:1 | D4:4"),
        ("mixolydian", "G major", "C major", "G4:1 B4:1 D5:1 F5:1 | E5:1 D5:1 C5:1 B4:1 | A4:1 F4:1 A4:2 | G4:4"),
        ("phrygian", "E minor", "C major", "E4:1 G4:1 A4:1 B4:1 | C5:1 B4:1 A4:1 G4:1 | A4:1 G4:1 F4:2 | E4:4"),
        ("lydian", "F major", "C major", "F4:1 A4:1 B4:1 C5:1 | D5:1 C5:1 B4:1 A4:1 | B4:1 A4:1 G4:2 | F4:4"),
        (None, "A minor", "C major", "A4:1 B4:1 C5:1 D5:1 | E5:1 F5:1 E5:1 C5:1 | B4:1 G4:1 B4:2 | A4:4"),
        (None, "C major", "C major", "C5:1 D5:1 E5:1 F5:1 | G5:1 A5:1 G5:1 E5:1 | D5:1 B4:1 D5:2 | C5:4"),
    ],
)
def test_modes_are_told_by_the_close(mode: str | None, key: str, signature: str, music: str) -> None:
    """A bare tune without sharps or flats, closing on each final; no raised seventh in a mode (R20)."""
    harmony = analyse(hymn("4/4", signature, {"tune": music}))
    assert (harmony.mode, str(harmony.key)) == (mode, key)
    tonic = harmony.key.tonic
    assert harmony.spans[-1].chord.root == tonic
    raised = harmony.key.leading_note.pitch_class
    natural = {
        note.pitch.midi % 12 for voice in hymn("4/4", signature, {"tune": music}).tune.voices for note in voice.notes
    }
    if mode in ("dorian", "phrygian", "mixolydian"):
        assert raised not in natural
        assert all(span.chord.tone_for(raised) is None for span in harmony.spans)


def test_no_proposed_chord_has_a_tone_just_below_the_tune_on_a_beat() -> None:
    """Nothing of the proposed chord lies a semitone below a note of the tune on its beat (R2)."""
    piece = hymn("4/4", "C major", {"tune": "E5:1 F5:1 G5:1 C5:1 | F5:1 C5:1 B4:1 E5:1 | F5:1 D5:1 B4:2 | C5:4"})
    harmony = analyse(piece)
    for note in piece.tune.tune_voice.notes:
        span = next(span for span in harmony.spans if span.onset <= note.onset < span.end)
        fits = span.chord.tone_for(note.pitch.midi % 12) is not None
        assert fits or span.chord.tone_for(note.pitch.midi - 1) is None


def test_the_tables_of_modes_fit_each_other() -> None:
    """Every church mode has proposed chords, the first its tonic, and a line may close on it."""
    for mode, third, _, _ in CHURCH_MODES:
        tonic = PROPOSED[mode][0]
        assert (tonic.root, tonic.kind, tonic.closes) == (Interval(0, 0), third, True)


def test_confidence_rises_with_the_probability() -> None:
    """Never 0, never 1."""
    steps = [learned().confidence(chance / 50) for chance in range(51)]
    assert steps == sorted(steps)
    assert 0 < steps[0] < steps[-1] < 1


def rows(piece: Hymn) -> list[dict[str, object]]:
    found = harmony_json(piece, analyse(piece))["chords"]
    assert isinstance(found, list)
    return found


def test_the_json_view() -> None:
    """Places, spelling and origin as strings that scripts can read."""
    piece = hymn("3/4", "C major", MELODY, symbols="0=G7/B 1=C 4=F 7=G7b9 10=C", pickup=Fraction(1))
    first, *_, ninth, last = rows(piece)
    assert first == {
        "bar": "0", "pass": 1, "beat": "3", "onset": "0", "length": "1", "root": "G", "kind": "dominant",
        "bass": "B", "degrees": [], "symbol": "G7/B", "numeral": "V65", "key": "C major", "mode": None,
        "confidence": None, "doubtful": False, "origin": "printed",
    }  # fmt: skip
    assert ninth["degrees"] == [{"value": 9, "alter": -1, "type": "add"}]
    assert (last["bar"], last["beat"], last["onset"]) == ("4", "1", "10")
    whole = harmony_json(piece, analyse(piece))
    assert json.loads(json.dumps(whole)) == whole
    assert (whole["format"], whole["title"], whole["key"], whole["mode"]) == (1, "Invented", "C major", None)


PITCHES = st.sampled_from(
    [f"{step}{alter}{octave}" for step in "CDEFGAB" for alter in ("", "#", "b") for octave in "345"]
)
LENGTHS = st.sampled_from(["1/4", "1/2", "3/4", "1", "3/2", "2", "3"])
TOKENS = st.lists(
    st.tuples(st.just("r") | PITCHES, LENGTHS).map(lambda pair: f"{pair[0]}:{pair[1]}"), min_size=1, max_size=9
).filter(lambda tokens: any(token[0] != "r" for token in tokens))
PIECES = st.builds(
    lambda time, key, parts: hymn(time, key, dict(zip(VOICES, (" ".join(one) for one in parts), strict=False))),
    st.sampled_from(["4/4", "3/4", "6/8", "2/2"]),
    st.sampled_from(["C major", "Eb major", "F# minor", "D minor"]),
    st.lists(TOKENS, min_size=1, max_size=4),
)


def covered(harmony: Harmony, length: Fraction) -> bool:
    places = [span.onset for span in harmony.spans] + [length]
    return places[0] == 0 and all(
        span.length > 0 and span.end == after for span, after in zip(harmony.spans, places[1:], strict=True)
    )


@settings(max_examples=60, deadline=None)
@given(PIECES)
def test_spans_cover_the_page(piece: Hymn) -> None:
    """Any notes in any voices: chords from the first bar line to the last without gap or overlap, twice the same."""
    harmony = analyse(piece)
    assert covered(harmony, piece.tune.length)
    assert analyse(piece) == harmony
    assert decode(Harmony, encode(harmony)) == harmony
    assert all(span.confidence is not None and 0 < span.confidence < 1 for span in harmony.spans)
    for note in harmony.non_chord_notes:
        span = next(span for span in harmony.spans if span.onset <= note.onset < span.end)
        assert span.chord.tone_for(note.pitch.midi % 12) is None


@settings(max_examples=40, deadline=None)
@given(
    PIECES, st.lists(st.tuples(st.integers(0, 20), st.sampled_from(["C", "Gm7", "N.C.", "F#dim/A"]), st.integers(0, 2)))
)
def test_printed_symbols_cover_every_time_through(piece: Hymn, given_symbols: list[tuple[int, str, int]]) -> None:
    """Whatever symbols serve whichever time, each time through finds the page covered once."""
    printed = tuple(
        Symbol(Fraction(place, 2), parse_symbol(text), passes=(time,) if time else ())
        for place, text, time in given_symbols
    )
    last = len(piece.tune.bars) - 1
    route = (Passage(0, last, 1), Passage(0, last, 2))
    tune = Tune(piece.tune.bars, piece.tune.voices, piece.tune.melody, printed, route=route)
    harmony = analyse(Hymn("Invented", tune))
    for time in (1, 2):
        served = tuple(span for span in harmony.spans if not span.passes or time in span.passes)
        assert covered(Harmony(harmony.key, served), tune.length)


@pytest.mark.parametrize("interval", [Interval(1, 2), Interval(3, 5), Interval(-1, -1), Interval(2, 3)])
def test_another_key_has_the_same_harmony(interval: Interval) -> None:
    """The plain cadence in other keys: the same numerals, chords moved by the interval."""
    moved = Hymn("Invented", PLAIN.tune.transposed(interval))
    harmony, home = analyse(moved), analyse(PLAIN)
    assert numerals(harmony) == numerals(home)
    assert [span.chord for span in harmony.spans] == [span.chord.transposed(interval) for span in home.spans]
    assert harmony.key == home.key.transposed(interval)


def test_an_empty_page_has_no_harmony() -> None:
    """No bars, no chords; bars without notes, no chord from beginning to end."""
    assert analyse(Hymn("Invented", Tune((), (), "tune"))).spans == ()
    silent = analyse(Hymn("Invented", Tune(bars("4/4", "F major", Fraction(8)), (Voice("tune", ()),), "tune")))
    assert chords(silent) == "N.C."
    assert silent.spans[0].length == 8


def chorale(bwv: str) -> Hymn:
    """A four-part chorale from the corpus of music21."""
    score = music21_corpus.parse(f"bach/{bwv}")
    parts = {}
    sung = [part for part in score.parts if str(part.partName).lower().startswith(VOICES)]
    for name, part in zip(VOICES, sung if len(sung) == 4 else score.parts, strict=True):
        flat = part.flatten().notes
        parts[name] = Voice(
            name,
            tuple(
                Note(
                    Fraction(note.offset).limit_denominator(96),
                    Fraction(note.quarterLength).limit_denominator(96),
                    Pitch(note.pitch.step, int(note.pitch.alter), note.pitch.octave),
                    tied=note.tie is not None and note.tie.type in ("start", "continue"),
                )
                for note in flat
            ),
        )
    first = sung[0] if len(sung) == 4 else score.parts[0]
    measures = list(first.getElementsByClass("Measure"))
    time = Time.parse(score.recurse().getElementsByClass("TimeSignature").first().ratioString)
    fifths = score.recurse().getElementsByClass("KeySignature").first().sharps
    found, onset = [], Fraction(0)
    for index, measure in enumerate(measures):
        length = Fraction(measure.highestTime).limit_denominator(96)
        pickup = not index and length < time.bar_length
        found.append(Bar(str(measure.number), onset, length, time, Key.from_fifths(fifths), pickup=pickup))
        onset += length
    holds = tuple(
        Fraction(note.offset).limit_denominator(96)
        for note in first.flatten().notes
        if any("Fermata" in mark.classes for mark in note.expressions)
    )
    return Hymn(bwv, Tune(tuple(found), tuple(parts.values()), "soprano", holds=holds))
