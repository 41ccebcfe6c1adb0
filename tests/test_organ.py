"""Organs and rooms as files she can edit: what is understood, and what is said when it is not."""

from __future__ import annotations

import json
import random
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner
from music21.scale.scala import getPaths, parse

from undersong.acoustics.stopnames import recognise, split_name, table
from undersong.acoustics.temperament import NARROWED, cents, key_hz
from undersong.cli import cli
from undersong.errors import BrokenOrgan, CannotReadFile, UndersongError, UnknownName, UnknownStop
from undersong.library.organfile import (
    READY,
    find_organ,
    find_room,
    read_organ_file,
    read_organ_text,
    ready_names,
    remarks,
)
from undersong.model.codec import decode, encode
from undersong.model.organ import TWO_MANUALS, Organ, Stop, feet_of, show_feet


@pytest.mark.parametrize("name", ready_names())
def test_ready_made_organs(name: str) -> None:
    """Each reads, says that it is invented, goes through the codec, and has a stop on some keyboard."""
    organ = find_organ(name)
    assert "invented" in organ.name
    assert decode(Organ, json.loads(json.dumps(encode(organ)))) == organ
    assert any(division.working for division in organ.divisions)


def test_the_organ_of_the_model_is_the_one_in_the_file() -> None:
    assert find_organ("two-manuals") == TWO_MANUALS


def test_the_kinds_of_organ_that_must_be_there() -> None:
    """One, two and three manuals; one without pedal; 49 keys with 13 pedals; meantone at 415."""
    organs = [find_organ(name) for name in ready_names()]
    assert {len(organ.manuals) for organ in organs} == {1, 2, 3}
    assert any(organ.pedal is None for organ in organs)
    assert any(organ.manuals[0].keys == 49 and organ.pedal is not None and organ.pedal.keys == 13 for organ in organs)
    assert any(organ.temperament == "meantone" and round(organ.a4_hz) == 415 for organ in organs)


NAMES = (
    ("Gedackt 8'", "flute", "stopped", "8"), ("Bourdon 16", "flute", "stopped", "16"),
    ("Stopped Diapason 8", "flute", "stopped", "8"), ("Holpijp 8", "flute", "stopped", "8"),
    ("Open Diapason 8 ft", "principal", "open", "8"), ("Montre 8 pieds", "principal", "open", "8"),
    ("Prestant 4 voet", "principal", "open", "4"), ("Prinzipal 8 Fuß", "principal", "open", "8"),
    ("Octaaf", "principal", "open", "4"), ("Doublette", "principal", "open", "2"),
    ("Flûte à cheminée 8", "flute", "chimney", "8"), ("Rohrflöte", "flute", "chimney", "8"),
    ("Roerfluit 4", "flute", "chimney", "4"), ("Flûte harmonique", "flute", "harmonic", "8"),
    ("Viole de gambe 8", "string", "", "8"), ("Voix céleste", "string", "celeste", "8"),
    ("Salicional", "string", "", "8"), ("Hautbois 8", "reed", "oboe", "8"), ("Trompete", "reed", "trumpet", "8"),
    ("Bazuin 16", "reed", "trumpet", "16"), ("Clairon", "reed", "trumpet", "4"), ("Krummhorn", "reed", "clarinet", "8"),
    ("Nasat", "mutation", "flute", "2 2/3"), ("Twelfth", "mutation", "principal", "2 2/3"),
    ("Larigot", "mutation", "flute", "1 1/3"), ("Tierce 1 3/5", "mutation", "flute", "1 3/5"),
    ("Mixtur 4fach 1 1/3'", "mixture", "", "1 1/3"), ("Plein jeu III-IV", "mixture", "", "1 1/3"),
    ("Fourniture V", "mixture", "", "1 1/3"), ("Scherp IV", "mixture", "", "1"), ("Cornet V", "mixture", "cornet", "8"),
    ("Flautado 13", "principal", "open", "8"), ("Ottava", "principal", "open", "4"),
    ("Double Trumpet", "reed", "trumpet", "16"), ("Contra Gamba", "string", "", "16"),
    ("Lieblich Gedeckt 8", "flute", "stopped", "8"), ("Blokfluit", "flute", "open", "4"),
)  # fmt: skip
"""Name on the knob, family, variety, feet: stop lists of six languages (common practice, no source)."""


@pytest.mark.parametrize(("name", "family", "variety", "feet"), NAMES)
def test_names_in_several_languages(name: str, family: str, variety: str, feet: str) -> None:
    found = recognise(name)
    assert found is not None
    assert (found.kind.family, found.kind.variety, found.feet) == (family, variety, feet)


def test_every_row_of_the_table_is_recognised() -> None:
    """Each name leads to its own row or, for one word of a longer name, to that row."""
    assert len(table()) > 250
    for words, kind in table().items():
        found = recognise(words)
        assert found is not None
        assert found.kind == kind


@pytest.mark.parametrize("name", ["Blurgophon 8", "", "8", "Kuckuck", "???"])
def test_unknown_names(name: str) -> None:
    assert recognise(name) is None


def test_a_name_is_split() -> None:
    assert split_name("Mixtur 4fach 1 1/3'") == ("Mixtur", "1 1/3", 4)
    assert split_name("Mixture III") == ("Mixture", "", 3)
    assert split_name("Vox humana 8") == ("Vox humana", "8", 0)
    assert split_name("Quinte 2 2/3") == ("Quinte", "2 2/3", 0)


PITCHES = (
    ("32", "1/4"), ("16", "1/2"), ("10 2/3", "3/4"), ("8", "1"), ("6 2/5", "5/4"), ("5 1/3", "3/2"), ("4", "2"),
    ("3 1/5", "5/2"), ("2 2/3", "3"), ("2", "4"), ("1 3/5", "5"), ("1 1/3", "6"), ("1 1/7", "7"), ("1", "8"),
    ("8/9", "9"), ("2/3", "12"), ("3", "3"),
)  # fmt: skip


@pytest.mark.parametrize(("feet", "harmonic"), PITCHES)
def test_pitch_lengths(feet: str, harmonic: str) -> None:
    """Length of the n-th harmonic of 8 feet is 8/n (S. Bicknell); 3 on a knob means 2 2/3."""
    assert Stop("x", feet, "flute").pitch == Fraction(harmonic)
    assert show_feet(feet_of(feet)) == feet


def test_a_mutation_sounds_pure() -> None:
    """C4 on 2 2/3 feet is 784.88 Hz, on 1 3/5 feet 1308.1, on 16 feet 130.81 (trade table, derived)."""
    for feet, hertz in (("2 2/3", 784.88), ("1 3/5", 1308.13), ("16", 130.81)):
        assert key_hz(60) * float(Stop("x", feet, "mutation").pitch) == pytest.approx(hertz, abs=0.005)


EQUAL = (
    (36, 65.406), (41, 87.307), (43, 97.999), (48, 130.813), (60, 261.626), (62, 293.665), (65, 349.228),
    (67, 391.995), (69, 440.0), (72, 523.251), (74, 587.330), (96, 2093.005),
)  # fmt: skip


@pytest.mark.parametrize(("number", "hertz"), EQUAL)
def test_equal_temperament(number: int, hertz: float) -> None:
    """The formula 440 x 2^((m-69)/12): table of phys.unsw.edu.au/jw/notes."""
    assert key_hz(number) == pytest.approx(hertz, abs=0.0006)


@pytest.mark.parametrize(
    ("temperament", "scala"),
    [("meantone", "meanquar"), ("werckmeister", "werck3"), ("kirnberger", "kirnberger"), ("vallotti", "vallotti")],
)
def test_temperaments_against_the_scala_archive(temperament: str, scala: str) -> None:
    """Within 0.2 cent of the published tables (Scala archive, as music21 carries it)."""
    assert f"{scala}.scl" in {Path(path).name for path in getPaths()}
    published = [0.0, *parse(f"{scala}.scl").getCentsAboveTonic()][:12]
    assert cents(temperament) == pytest.approx(published, abs=0.2)


@pytest.mark.parametrize("temperament", NARROWED)
def test_temperaments_close_the_octave(temperament: str) -> None:
    """Twelve rising notes below 1200 cents; A keeps the organ's pitch."""
    row = cents(temperament)
    assert row[0] == 0
    assert list(row) == sorted(row)
    assert row[-1] < 1200
    assert key_hz(69, 415.3, temperament) == pytest.approx(415.3)
    assert key_hz(57, 415.3, temperament) == pytest.approx(415.3 / 2)


GOOD = """name = "Mine (invented)"
couplers = ["Upper to Lower"]
[[manual]]
name = "Lower"
keys = 56
stops = ["Principal 8", { name = "Blurgophon", feet = "4", family = "flute", state = "dull" }]
[[manual]]
name = "Upper"
lowest = "C2"
highest = "G6"
enclosed = true
stops = [{ name = "Oboe 8", from = "C3" }, { name = "Mixtur III", breaks = [["C2", "1", "2/3"], ["C4", "2", "1"]] }]
[room]
reverberation = { 500 = 2.0, 1000 = 1.8 }
singers = 60
"""


def test_an_organ_of_her_own() -> None:
    found = read_organ_text(GOOD)
    assert found.organ is not None
    assert found.room is not None
    lower, upper = found.organ.manuals
    assert (lower.lowest, lower.highest, upper.highest) == (36, 91, 91)
    assert lower.stops[1] == Stop("Blurgophon", "4", "flute", "", 3, "dull")
    assert upper.stops[0].lowest == 48
    assert [one.ranks for one in upper.stops[1].breaks] == [("1", "2/3"), ("2", "1")]
    assert not upper.stops[0].speaks_on(47)
    assert (found.room.seconds, found.room.singers) == (1.9, 60)
    bands = dict(found.room.reverberation)
    assert bands[250] == pytest.approx(2.0 * 1.08)
    assert bands[4000] == pytest.approx(1.8 * 0.75)
    assert remarks(found.organ) == ("No pedal: the bass lies in the left hand.",
                                    "Lower: Blurgophon 4 taken as softer and slower than usual.")  # fmt: skip


BAD = (
    ("Principal 8", "Blurgo 8", UnknownStop, r"line 6, manual 1 \(Lower\), stop 1: the stop .Blurgo 8.*family = "),
    ("Principal 8", "Principal", UnknownStop, r"length of 'Principal' differs"),
    ('from = "C3"', 'from = "C7"', BrokenOrgan, r"line 12, .*Oboe 8 begins or ends at C7, where Upper has no key"),
    ('from = "C3"', 'from = "H3"', BrokenOrgan, r"'H3', not a key"),
    ('feet = "4"', 'feet = "0"', BrokenOrgan, r"not a length of organ pipes"),
    ('feet = "4"', 'feet = "four"', BrokenOrgan, r"not a length such as"),
    ('family = "flute"', 'family = "whistle"', BrokenOrgan, r"one of principal, flute"),
    ('state = "dull"', 'state = "tired"', BrokenOrgan, r"one of sound, dull, dead"),
    ('state = "dull"', "level = 9", BrokenOrgan, r"level is 9, not a number from 1 to 5"),
    ("keys = 56", "keys = 400", BrokenOrgan, r"keys is 400"),
    ("keys = 56", "kyes = 56", BrokenOrgan, r"'kyes' is not known here. Did you mean keys"),
    ('"Upper to Lower"', '"Upper to Nowhere"', BrokenOrgan, r"names no two divisions"),
    ('name = "Upper"', 'name = "Lower"', BrokenOrgan, r"two divisions are called Lower"),
    ("500 = 2.0", "500 = 0", BrokenOrgan, r"reverberation of 0 s"),
    ("500 = 2.0", "500 = 30", BrokenOrgan, r"reverberation of 30 s"),
    ("500 = 2.0", "501 = 2", BrokenOrgan, r"not an octave band"),
    ("singers = 60", "singers = -3", BrokenOrgan, r"singers is -3"),
    ('name = "Mine (invented)"', 'temperament = "odd"', BrokenOrgan, r"temperament 'odd' is not known"),
    ('name = "Mine (invented)"', "a4_hz = 44", BrokenOrgan, r"a4_hz is 44"),
    ('name = "Mine (invented)"', "name = Mine", BrokenOrgan, r"not TOML .*line 1"),
    ('[["C2", "1", "2/3"], ["C4", "2", "1"]]', '["C2"]', BrokenOrgan, r"breaks cannot be read"),
    ('["Principal 8", { name = "Blurgophon", feet = "4", family = "flute", state = "dull" }]', "[]", None, ""),
)


@pytest.mark.parametrize(("good", "bad", "kind", "says"), BAD)
def test_what_is_wrong_and_where(good: str, bad: str, kind: type[UndersongError] | None, says: str) -> None:
    """One thing wrong at a time: the file, the place, a remedy. The last row is a manual that another is coupled to."""
    assert good in GOOD
    text = GOOD.replace(good, bad, 1)
    if kind is None:
        read_organ_text(text, "mine.toml")
        return
    with pytest.raises(kind, match=says) as caught:
        read_organ_text(text, "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert caught.value.remedy


def test_a_division_without_stops() -> None:
    """Without stops and without a coupler nothing would sound."""
    text = GOOD.replace('couplers = ["Upper to Lower"]\n', "").replace('"Principal 8", ', "")
    text = text.replace('{ name = "Blurgophon", feet = "4", family = "flute", state = "dull" }', "")
    with pytest.raises(BrokenOrgan, match="Lower has no stops"):
        read_organ_text(text)


def test_mutilated_files_get_a_sentence() -> None:
    """800 seeded mutilations of the ready-made files: understood, or one of our failures; never anything else."""
    dice = random.Random(7)
    texts = [path.read_text() for path in sorted(READY.glob("*.toml"))]
    refused = 0
    for _ in range(800):
        text = list(dice.choice(texts))
        for _ in range(dice.randint(1, 4)):
            place = dice.randrange(len(text))
            end = place + dice.randint(0, 12)
            text[place:end] = dice.choice(["", '"', "[", "]", "{", "9", "-1", "\n", "= 3", "\x00", "é", "true", ","])
        try:
            read_organ_text("".join(text))
        except UndersongError:
            refused += 1
    assert 100 < refused < 800


def test_rooms_by_word_number_and_file(tmp_path: Path) -> None:
    assert find_room("live").seconds == 2.0
    assert find_room("2.4", singers=30).seconds == pytest.approx(2.4)
    assert find_room("2.4s", singers=30).singers == 30
    file = tmp_path / "church.toml"
    file.write_text(GOOD)
    assert find_room(str(file)).singers == 60
    for bad in ("0", "30", "-2", "nan"):
        with pytest.raises(BrokenOrgan, match="not that of a room"):
            find_room(bad)
    with pytest.raises(UnknownName, match="no room 'damp'"):
        find_room("damp")
    with pytest.raises(UnknownName, match="Did you mean two-manuals"):
        find_organ("two-manual")
    with pytest.raises(CannotReadFile):
        read_organ_file(tmp_path / "none.toml")
    with pytest.raises(CannotReadFile):
        read_organ_file(tmp_path)


def test_the_commands(tmp_path: Path) -> None:
    """List, show and check, in words and as JSON; what `--toml` prints reads again."""
    run = CliRunner().invoke
    listed = json.loads(run(cli, ["organ", "list", "--json"]).output)
    assert [one["name"] for one in listed["organs"]] == list(ready_names())
    assert "Bourdon 16" in run(cli, ["organ", "show", "short-keys"]).output
    shown = json.loads(run(cli, ["organ", "show", "short-keys", "--json"]).output)
    assert decode(Organ, shown["organ"]) == find_organ("short-keys")
    printed = run(cli, ["organ", "show", "three-manuals", "--toml"]).output
    assert read_organ_text(printed).organ == find_organ("three-manuals")
    mine, broken = tmp_path / "mine.toml", tmp_path / "broken.toml"
    mine.write_text(GOOD)
    broken.write_text(GOOD.replace("Principal 8", "Blurgo 8"))
    good = run(cli, ["organ", "check", str(mine)])
    assert (good.exit_code, good.output.splitlines()[0]) == (0, f"{mine}: 4 stops understood, room of 1.9 s")
    both = run(cli, ["organ", "check", str(mine), str(broken)], standalone_mode=False)
    assert both.return_value == 1
    assert "Blurgo 8" in both.output
