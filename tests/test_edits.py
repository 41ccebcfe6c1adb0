"""Her corrections survive what happens to a hymn between two readings. All music invented."""

from __future__ import annotations

import json
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from laid import four_parts, tune
from printed import Printed, page
from undersong.cli import cli
from undersong.errors import CannotReadFile
from undersong.harmony import analyse
from undersong.harmony.edits import chord_edit, corrected, merged, parse_setting, sort_edits, witness
from undersong.library.editsfile import add_edit, edits_file, read_edits
from undersong.model.edits import Edit, Edits
from undersong.model.harmony import ChordSpan
from undersong.model.hymn import Hymn
from undersong.model.pitch import interval_for
from undersong.model.symbol import parse_symbol, symbol

BARS = (
    "(C/major) C4:1 D4:1 E4:1 G4:1", "(F/major) A4:1 G4:1 F4:1 E4:1", "(G/major) D4:1 E4:1 F4:1 D4:1",
    "(C/major) E4:2 C4:2",
)  # fmt: skip
HEAD = "(time=4/4) (key=0) "
HYMN = HEAD + " | ".join(BARS)


def edited(text: str, setting: str) -> tuple[Hymn, Edits]:
    """A hymn and one correction made in it."""
    hymn = tune(text)
    edit = chord_edit(hymn.tune, analyse(hymn).key, *parse_setting(setting))
    return hymn, Edits((edit,))


def chord_at(hymn: Hymn, edits: Edits, onset: Fraction | int, times: int = 1) -> ChordSpan:
    """The chord that stands at a place with the corrections in it."""
    spans = corrected(hymn, edits)[0].spans
    return next(one for one in spans if one.onset <= onset < one.end and (not one.passes or times in one.passes))


def test_a_correction_lasts_to_the_next_chord() -> None:
    """Bar 2, beat 3 becomes Dm; the F before it stays, the G after it stays."""
    hymn, edits = edited(HYMN, "2.3=Dm")
    assert symbol(chord_at(hymn, edits, 4).chord) == "F"
    hers = chord_at(hymn, edits, 6)
    assert (symbol(hers.chord), hers.origin, hers.confidence, hers.numeral) == ("Dm", "edited", None, "ii")
    assert symbol(chord_at(hymn, edits, 8).chord) == "G"


def test_reading_again_changes_nothing() -> None:
    """The same page: same place, same witness, nothing moved."""
    _, edits = edited(HYMN, "2.3=Dm")
    again = tune(HYMN)
    found = sort_edits(again.tune, analyse(again).key, edits)
    assert [(str(one.onset), one.moved) for one in found.placed] == [("6", "")]
    assert found.dormant == ()


def test_an_inserted_bar() -> None:
    """A bar more at the beginning: the correction moves with its notes, and says so."""
    _, edits = edited(HYMN, "2.3=Dm")
    longer = tune(HEAD + " | ".join(["(C/major) E4:4", *BARS]))
    assert symbol(chord_at(longer, edits, 10).chord) == "Dm"
    found = sort_edits(longer.tune, analyse(longer).key, edits)
    assert found.placed[0].moved == "bar 2, beat 3"


def test_a_changed_pickup() -> None:
    """Another edition prints a pickup; every place along the page is later, bars and beats are the same."""
    _, edits = edited(HYMN, "2.3=Dm")
    last = "(C/major) E4:2 C4:1"
    pickup = tune(HEAD + " | ".join(["G4:1", *BARS[:3], last]))
    assert pickup.tune.bars[0].pickup
    assert symbol(chord_at(pickup, edits, 7).chord) == "Dm"


def test_a_pickup_that_shifts_the_beats() -> None:
    """The whole tune one beat later in the bar: the witness finds the note."""
    _, edits = edited(HYMN, "2.3=Dm")
    notes = ["C4", "D4", "E4", "G4", "A4", "G4", "F4", "E4", "D4", "E4", "F4", "D4", "E4"]
    shifted = ["r", *notes, "C4", "C4"]
    bars = [" ".join(f"{name}:1" for name in shifted[index : index + 4]) for index in range(0, 16, 4)]
    moved = tune(HEAD + "(C/major) " + " | ".join(bars))
    assert symbol(chord_at(moved, edits, 7).chord) == "Dm"


@pytest.mark.parametrize("semitones", [-5, -2, 1, 3, 6])
def test_another_key(semitones: int) -> None:
    """The hymn a few semitones away: the correction moves along, spelled for the key."""
    hymn, edits = edited(HYMN, "2.3=Dm/F")
    interval = interval_for(analyse(hymn).key, semitones)
    other = Hymn(hymn.title, hymn.tune.transposed(interval))
    assert chord_at(other, edits, 6).chord == parse_symbol("Dm/F").transposed(interval)
    assert sort_edits(other.tune, analyse(other).key, edits).placed[0].moved == ""


def test_the_second_time_through_and_its_repeat_written_out() -> None:
    """Set for the second time only; when the repeat is written out it is the second place."""
    repeated = HEAD + "(forward) " + " | ".join(BARS) + " (back)"
    hymn, edits = edited(repeated, "2.3p2=Dm")
    assert symbol(chord_at(hymn, edits, 6, times=1).chord) == "F"
    assert symbol(chord_at(hymn, edits, 6, times=2).chord) == "Dm"
    written = tune(HEAD + " | ".join([*BARS, *BARS]))
    assert symbol(chord_at(written, edits, 6).chord) == "F"
    assert symbol(chord_at(written, edits, 22).chord) == "Dm"


def test_a_place_that_is_gone_sleeps_and_wakes() -> None:
    """Another tune altogether: the correction is dormant, listed, and applies again when its tune is back."""
    _, edits = edited(HYMN, "2.3=Dm")
    other = tune(HEAD + "(C/major) C4:4 | C4:4 | C4:4 | C4:4")
    found = sort_edits(other.tune, analyse(other).key, edits)
    assert found.placed == ()
    assert [one.bar for one in found.dormant] == ["2"]
    assert symbol(chord_at(tune(HYMN), edits, 6).chord) == "Dm"


def test_the_witness_is_the_next_three_degrees() -> None:
    """F E D at bar 2, beat 3 in C."""
    hymn = tune(HYMN)
    assert witness(hymn.tune, analyse(hymn).key, Fraction(6)) == (4, 3, 2)


def test_the_last_word_wins() -> None:
    """Two corrections at one place: the later one stays."""
    first = Edit("chord", "2", "3", 0, "Dm", (4, 3, 2))
    second = Edit("chord", "2", "3", 0, "F", (4, 3, 2))
    assert merged(Edits((first,)), second).edits == (second,)


@pytest.mark.parametrize(
    ("setting", "says"),
    [("7", "not of the form"), ("99.1=C", "no bar 99"), ("2.9=C", "no beat 9"), ("2.1=Qm", "Q")],
)
def test_a_setting_that_cannot_be_understood(setting: str, says: str) -> None:
    """A hint, not a traceback."""
    hymn = tune(HYMN)
    with pytest.raises(ValueError, match=says):
        chord_edit(hymn.tune, analyse(hymn).key, *parse_setting(setting))


def test_the_file_beside_the_hymn(tmp_path: Path) -> None:
    """Readable, comments kept, one entry a place, a broken one told with file and entry."""
    hymn, edits = edited(HYMN, "2.3=Dm")
    file = tmp_path / "hymn.musicxml"
    key = analyse(hymn).key
    add_edit(file, edits.edits[0], key)
    assert read_edits(file) == edits
    toml = edits_file(file)
    toml.write_text("# mine\n" + toml.read_text())
    add_edit(file, chord_edit(hymn.tune, key, "2", Fraction(3), 0, parse_symbol("Bdim")), key)
    assert "# mine" in toml.read_text()
    assert [one.value for one in read_edits(file).edits] == ["Bdim"]
    toml.write_text('[[chord]]\nbar = "2"\nbeat = "3"\nchord = "Qx"\nkey = "C major"\n')
    with pytest.raises(CannotReadFile, match="correction 1"):
        read_edits(file)
    toml.write_text("[[chord\n")
    with pytest.raises(CannotReadFile, match=r"edits\.toml"):
        read_edits(file)


def test_set_from_the_command_line(tmp_path: Path) -> None:
    """`undersong harmony FILE --set 2.3=Dm`: kept, shown as hers, and used by arrange."""
    file = tmp_path / "hymn.musicxml"
    file.write_bytes(page(Printed("Tune", HYMN)))
    run = CliRunner()
    answer = run.invoke(cli, ["harmony", str(file), "--set", "2.3=Dm", "--json"], standalone_mode=False)
    chords = json.loads(answer.output)["chords"]
    assert [(one["bar"], one["beat"], one["symbol"]) for one in chords if one["origin"] == "edited"] == [
        ("2", "3", "Dm")
    ]
    assert edits_file(file).exists()
    again = run.invoke(cli, ["arrange", str(file), "--texture", "block", "--json"], standalone_mode=False)
    assert "Dm" in [one["symbol"] for one in json.loads(again.output)["sections"][0]["chords"]]


def test_four_parts_are_read_again_around_a_correction() -> None:
    """Her F in a page of parts stands, is hers, and the chords still cover the page."""
    head = "(time=4/4) (key=0) "
    hymn = four_parts(
        head + "E4:1 F4:1 G4:1 A4:1 | G4:2 F4:1 D4:1 | C4:4", head + "C4:1 C4:1 C4:1 C4:1 | C4:2 C4:1 B3:1 | C4:4",
        head + "G3:1 A3:1 G3:1 F3:1 | G3:2 A3:1 G3:1 | E3:4", head + "C3:1 F3:1 E3:1 F3:1 | C3:2 F3:1 G3:1 | C3:4",
    )  # fmt: skip
    edit = chord_edit(hymn.tune, analyse(hymn).key, *parse_setting("2.3=Dm/F"))
    harmony, _ = corrected(hymn, Edits((edit,)))
    hers = next(one for one in harmony.spans if one.origin == "edited")
    assert (str(hers.onset), symbol(hers.chord)) == ("6", "Dm/F")
    assert harmony.spans[0].onset == 0
    assert harmony.spans[-1].end == hymn.tune.length
    assert all(before.end == after.onset for before, after in pairwise(harmony.spans))
