"""The command line as she uses it: what it prints, writes and answers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path
from typing import Any

import pypdf
import pytest
from click.testing import CliRunner

from printed import Printed, page
from undersong.cli import FORMAT_NAMES, PATTERN_NAMES, TEXTURE_NAMES, TUNE_PLACES, cli, main
from undersong.demo import hymn_files
from undersong.textures.patterns import PATTERNS
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.workflow import FORMATS, file_name

GOOD = page(
    Printed("Tune", "(time=4/4) (key=0) (C/major) E4:2 G4:2 | (F/major//A) A4:4 | (G/major) G4:4 | (C/major) E4:4")
)
BARE = "(time=4/4) (key=2) D4:1 E4:1 F#4:1 G4:1 | A4:2 F#4:1 F#4:1 | G4:1 F#4:1 E4:1 D4:1 | E4:4 | D4:4"
UNKNOWN = GOOD.replace(b"<kind>major</kind>", b'<kind text="weird9">other</kind>', 1)


def run(*words: str | Path) -> tuple[int, str, str]:
    """Run a command in its own process, as from a shell; exit code, standard output, standard error."""
    done = subprocess.run(
        [sys.executable, "-m", "undersong", *map(str, words)], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def hymn(tmp_path: Path) -> Path:
    file = tmp_path / "good.musicxml"
    file.write_bytes(GOOD)
    return file


def test_help_teaches() -> None:
    """Every command has help; the first page ends with examples."""
    answer = CliRunner().invoke(cli, ["--help"])
    assert answer.exit_code == 0
    assert "Examples:" in answer.output
    for name in cli.commands:
        help_text = CliRunner().invoke(cli, [name, "--help"])
        assert help_text.exit_code == 0
        assert len(help_text.output.splitlines()) > 5


def test_names_of_the_door_are_those_of_the_house() -> None:
    """The quick door keeps no list that differs from the tables."""
    assert tuple(TEXTURES) == TEXTURE_NAMES
    assert tuple(PATTERNS) == PATTERN_NAMES
    assert tuple(PLACES) == TUNE_PLACES
    assert FORMATS == FORMAT_NAMES


def test_read_shows_what_was_understood(hymn: Path) -> None:
    """In words, and with --json in the shape of the contract."""
    code, out, err = run("read", hymn)
    assert (code, err) == (0, "")
    assert "C major" in out
    assert "4/4" in out
    code, out, _ = run("read", hymn, "--json")
    facts = json.loads(out)
    assert code == 0
    assert facts["format"] == 1
    assert set(facts) >= {
        "title", "tune_name", "metre", "key", "mode", "times", "bars", "pickup", "range", "voices", "verses", "lines",
        "chord_symbols", "rights", "assumed", "left_out",
    }  # fmt: skip
    assert facts["range"] == ["E4", "A4"]
    assert facts["chord_symbols"] == 4


def test_a_hymn_is_set_in_four_parts(hymn: Path, tmp_path: Path) -> None:
    """A tune with symbols gets alto, tenor and bass, and is written so."""
    four = tmp_path / "four.musicxml"
    code, out, _ = run("read", hymn, "--four-parts", "-o", four)
    assert code == 0
    assert "soprano, alto, tenor, bass" in out
    assert json.loads(run("read", four, "--json")[1])["voices"] == ["soprano", "alto", "tenor", "bass"]
    assert "alto" not in run("read", hymn)[1]


def test_harmony_prints_symbols_as_printed(hymn: Path) -> None:
    """Chords cover the page; the printed ones carry no confidence."""
    code, out, _ = run("harmony", hymn, "--json")
    result = json.loads(out)
    assert code == 0
    assert [chord["symbol"] for chord in result["chords"]] == ["C", "F/A", "G", "C"]
    assert {chord["origin"] for chord in result["chords"]} == {"printed"}
    end = Fraction(0)
    for chord in result["chords"]:
        assert Fraction(chord["onset"]) == end
        end += Fraction(chord["length"])
        assert chord["confidence"] is None
    assert end == 16
    assert "F/A" in run("harmony", hymn)[1]


def test_the_guitarist_s_chords_and_where_they_clash(hymn: Path, tmp_path: Path) -> None:
    """C for three beats, then F: with one chord a bar the guitar's E meets the organ's F, and both doors say so."""
    file = tmp_path / "clash.musicxml"
    file.write_bytes(page(Printed("Tune", "(time=4/4) (key=0) (C/major) E4:2 G4:1 (F/major) A4:1 | (C/major) E4:4")))
    code, out, _ = run("harmony", file, "--guitarist", "bar", "--json")
    found = json.loads(out)
    assert code == 0
    assert [chord["symbol"] for chord in found["chords"]] == ["C", "F", "C"]
    assert found["guitarist"]["unit"] == "bar"
    assert [(chord["symbol"], chord["length"]) for chord in found["guitarist"]["chords"]] == [("C", "8")]
    assert [(one["bar"], one["beat"], one["onset"]) for one in found["guitarist"]["findings"]] == [("1", "4", "3")]
    shown = run("harmony", file, "--guitarist", "bar")[1]
    assert "guitarist's chords, one a bar" in shown
    assert "bar 1, beat 4: please look: the guitarist's C and the full F hold" in shown
    assert json.loads(run("harmony", hymn, "--json", "--guitarist", "beat")[1])["guitarist"]["findings"] == []
    assert "guitarist" not in json.loads(run("harmony", hymn, "--json")[1])


def test_doubtful_chords_come_first_on_demand(hymn: Path, tmp_path: Path) -> None:
    """A bare tune: its doubtful proposals, least sure first, then all; nothing printed is doubtful."""
    file = tmp_path / "bare.musicxml"
    file.write_bytes(page(Printed("Tune", BARE)))
    chords = json.loads(run("harmony", file, "--json")[1])["chords"]
    doubtful = sorted(chord["confidence"] for chord in chords if chord["doubtful"])
    assert 0 < len(doubtful) < len(chords)
    assert max(doubtful) < min(chord["confidence"] for chord in chords if not chord["doubtful"])
    shown = run("harmony", file, "--doubtful")[1].splitlines()
    first = shown[shown.index("  doubtful, the least sure first:") + 1 : shown.index("  all chords:")]
    assert len(first) == len(doubtful)
    assert all(line.endswith("proposed, doubtful") for line in first)
    assert "no chord is doubtful" in run("harmony", hymn, "--doubtful")[1]


def test_arrange_writes_every_format(hymn: Path, tmp_path: Path) -> None:
    """PDF, MusicXML, MIDI and SVG; the JSON names the files and the shape of the contract."""
    folder = tmp_path / "pages"
    code, out, err = run(
        "arrange", hymn, "-o", folder, "--texture", "broken", "--formats", "pdf,musicxml,midi,svg", "--json"
    )
    assert (code, err) == (0, "")
    result: dict[str, Any] = json.loads(out)
    assert sorted(Path(file).suffix for file in result["files"]) == [".mid", ".musicxml", ".pdf", ".svg"]
    assert all(Path(file).stat().st_size > 100 for file in result["files"])
    assert sorted(path.name for path in folder.iterdir()) == sorted(Path(file).name for file in result["files"])
    section = result["sections"][0]
    assert set(section) >= {
        "id", "kind", "verse", "texture", "version", "key", "beat_per_minute", "registration", "bars", "notes",
        "chords", "lines", "beats_struck",
    }  # fmt: skip
    assert set(section["notes"][0]) >= {
        "id", "part", "start", "length", "pitch", "tie", "limb", "division", "source", "finger",
    }  # fmt: skip
    assert section["beats_struck"]["share"] == 1.0


def test_arrange_tells_where_a_common_tone_can_be_held_and_holds_it(tmp_path: Path) -> None:
    """C lies in C Am F C: offered in one line and as findings, held with --inner-pedal."""
    first = "(time=4/4) (key=0) (C/major) G4:2 (A/minor) E4:2 | (F/major) A4:2 (C/major) G4:2"
    music = f"{first} | (G/major) G4:4 | (C/major) E4:4"
    file = tmp_path / "common.musicxml"
    file.write_bytes(page(Printed("Tune", music)))
    code, out, _ = run("arrange", file, "--texture", "block")
    assert code == 0
    (line,) = [one for one in out.splitlines() if "--inner-pedal" in one]
    assert re.search(r"bar 1, beat 1: C\d can be held through 4 chords, to bar 2, beat 3", line)
    unasked, asked = (
        json.loads(run("arrange", file, "--texture", "block", "--json", *more)[1]) for more in ([], ["--inner-pedal"])
    )
    assert unasked["plan"]["verses"][0]["inner_pedal"] is False
    assert asked["plan"]["verses"][0]["inner_pedal"] is True
    offers = [(one["bar"], one["beat"]) for one in unasked["findings"] if one["kind"] == "inner-pedal-offered"]
    assert offers[0] == ("1", "1")
    ties = [
        [note["tie"] for note in one["sections"][0]["notes"] if note["part"] == "figure"] for one in (unasked, asked)
    ]
    assert set(ties[0]) == {None}
    assert ties[1].count("start") == ties[1].count("stop") == 1


def test_arrange_without_a_folder_writes_nothing(hymn: Path, tmp_path: Path) -> None:
    """It says what would be."""
    before = sorted(tmp_path.iterdir())
    code, out, _ = run("arrange", hymn)
    assert code == 0
    assert "block chords" in out
    assert sorted(tmp_path.iterdir()) == before


def test_one_bad_file_does_not_stop_the_others(hymn: Path, tmp_path: Path) -> None:
    """Exit 1: the good one is written, the bad one is named with a remedy; nothing is half-written."""
    bad = tmp_path / "bad.musicxml"
    bad.write_bytes(GOOD[:300])
    folder = tmp_path / "out"
    code, out, err = run("arrange", bad, hymn, "-o", folder, "--formats", "musicxml")
    assert code == 1
    assert "bad.musicxml" in err
    assert "Traceback" not in err
    assert [path.suffix for path in folder.iterdir()] == [".musicxml"]
    assert "wrote" in out


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["arrange"], 2),
        (["arrange", "x.musicxml", "--texture", "polka"], 2),
        (["arrange", "x.musicxml", "--verses", "one"], 2),
        (["arrange", "x.musicxml", "--key", "F", "--transpose", "2"], 2),
        (["arrange", "x.musicxml", "--formats", "docx"], 2),
        (["no-such-command"], 2),
        (["read", "no-such-file.musicxml"], 3),
        (["arrange", "no-such-file.musicxml"], 3),
    ],
)
def test_wrong_words_and_missing_files_have_their_codes(words: list[str], code: int) -> None:
    """2 for wrong usage, 3 where nothing could be done; a sentence either way."""
    got, _, err = run(*words)
    assert got == code
    assert err.strip()
    assert "Traceback" not in err


def test_several_hymns_make_a_list(hymn: Path) -> None:
    """One hymn is an object, two are a list in order."""
    code, out, _ = run("read", hymn, hymn, "--json")
    assert code == 0
    assert len(json.loads(out)) == 2


def test_an_unknown_symbol_is_printed_as_it_stands_and_told(tmp_path: Path) -> None:
    """Played as its root's triad, with a finding."""
    file = tmp_path / "unknown.musicxml"
    file.write_bytes(UNKNOWN)
    code, out, _ = run("arrange", file, "--texture", "block", "--json")
    result = json.loads(out)
    assert code == 0
    told = [one for one in result["findings"] if one["kind"] == "unknown-symbol"]
    assert len(told) == 1
    assert "weird9" in told[0]["message"]
    first = {note["pitch"][0] for note in result["sections"][0]["notes"] if note["start"] == "0"}
    assert first <= {"C", "E", "G"}


def test_verses_key_and_large_print(tmp_path: Path) -> None:
    """Chosen verses only, moved to another key, on Letter paper in large print."""
    file = next(path for path in hymn_files() if path.name.startswith("01"))
    code, out, _ = run(
        "arrange", file, "-o", tmp_path, "--verses", "2,3", "--key", "Eb", "--paper", "letter", "--large",
        "--formats", "pdf", "--json",
    )  # fmt: skip
    result = json.loads(out)
    assert code == 0
    assert [section["verse"] for section in result["sections"]] == [2, 3]
    assert result["key"] == "Eb major"
    box = pypdf.PdfReader(result["files"][0]).pages[0].mediabox
    assert (round(float(box.width)), round(float(box.height))) == (612, 792)


def test_a_verse_that_is_not_there(hymn: Path) -> None:
    """A sentence that says which there are."""
    file = hymn_files()[0]
    code, _, err = run("arrange", file, "--verses", "9")
    assert code == 3
    assert "has no verse 9" in err
    code, _, err = run("arrange", hymn, "--verses", "1")
    assert code == 3
    assert "no words" in err


def test_textures_are_listed_by_both_names() -> None:
    """The name for the command, then the title that the page has."""
    lines = run("arrange", "--textures")[1].splitlines()
    for one in TEXTURES.values():
        assert any(line.split(maxsplit=1) == [one.name, f"{one.title}: {one.what}"] for line in lines), one.name


def test_textures_are_listed() -> None:
    """One line each and what they need."""
    code, out, _ = run("arrange", "--textures")
    assert code == 0
    assert all(name in out for name in TEXTURES)
    assert all(f"broken:{name}" in out for name in PATTERNS)
    rows = json.loads(run("arrange", "--textures", "--json")[1])
    assert [set(row) for row in rows] == [{"name", "what", "needs", "patterns"}] * len(TEXTURES)


def test_rules_are_listed() -> None:
    """One line each: number, weight in the organist's words, what it asks."""
    code, out, _ = run("arrange", "--rules")
    assert code == 0
    rows = json.loads(run("arrange", "--rules", "--json")[1])
    assert len(out.splitlines()) == len(rows)
    assert all(row["asks"] in line for row, line in zip(rows, out.splitlines(), strict=True))
    assert {row["number"] for row in rows} == {f"R{number}" for number in range(1, 24)}


def test_a_pipe_stays_quiet(hymn: Path) -> None:
    """No progress where nobody looks."""
    assert run("arrange", hymn)[2] == ""


def test_a_closed_pipe_is_no_failure(hymn: Path) -> None:
    """`undersong arrange ... --json | head -1`."""
    command = f"{sys.executable} -m undersong arrange {hymn} --json | head -n 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr == ""


@pytest.mark.skipif(os.name == "nt", reason="signals are sent otherwise on Windows")
def test_interrupted_it_leaves_nothing_half_written(tmp_path: Path) -> None:
    """Ctrl-C: exit 130, no temporary file, no engraver left behind."""
    folder = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-m", "undersong", "arrange", *map(str, hymn_files() * 8), "-o", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        deadline = time.monotonic() + 60
        while not (folder.is_dir() and any(folder.glob("*.pdf"))) and time.monotonic() < deadline:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Traceback" not in err
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def test_completion_for_each_shell() -> None:
    """What the shells need."""
    for shell in ("bash", "zsh", "fish"):
        code, out, _ = run("completion", shell)
        assert code == 0
        assert "_UNDERSONG_COMPLETE" in out


def test_starting_is_quick_because_little_is_loaded() -> None:
    """`--help` loads neither the stages nor the engraver."""
    program = "import sys; from undersong.cli import cli; print([m for m in sys.modules if m.startswith('undersong')])"
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert "workflow" not in out
    assert "verovio" not in out


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Deep, the spring!", "deep-the-spring"),
        ("Ångström", "angstrom"),
        ("", "hymn"),
        ("../../etc/passwd", "etc-passwd"),
    ],
)
def test_file_names_are_plain(title: str, name: str) -> None:
    """Letters, digits, hyphens; never a path."""
    assert file_name(title) == name
    assert file_name(title, (name,)) == f"{name}-2"


def test_main_turns_failures_into_codes(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """In process: the same codes as from a shell."""
    monkeypatch.setattr(sys, "argv", ["undersong", "read", "no-such-file.musicxml"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 3
    assert "no-such-file" in capsys.readouterr().err


TWO_TUNES = """X:1
T:One
M:4/4
L:1/4
K:C
"C"CDEF|"G"G4|

X:2
T:Two
M:4/4
L:1/4
K:G
"G"GABc|"D"d4|
"""


def test_a_collection_takes_no_correction(tmp_path: Path) -> None:
    """It would not say which tune is meant; nothing is written beside it."""
    file = tmp_path / "two.abc"
    file.write_text(TWO_TUNES)
    code, _, err = run("harmony", file, "--set", "1.1=Am")
    assert code == 2
    assert "one hymn" in err
    assert [path.name for path in tmp_path.iterdir()] == ["two.abc"]


def test_the_hymn_itself_is_never_overwritten(hymn: Path) -> None:
    """`read FILE -o FILE` is refused."""
    before = hymn.read_bytes()
    code, _, err = run("read", hymn, "-o", hymn)
    assert code == 2
    assert "overwrite" in err
    assert hymn.read_bytes() == before


def test_without_a_folder_it_says_so(hymn: Path) -> None:
    """A word at the end, where one looks for files."""
    assert "-o FOLDER" in run("arrange", hymn)[1]


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ('[[chord]]\nbar = "1"\nbeat = "x"\nchord = "C"\nkey = "C major"\n', "not a beat"),
        ('[[chord]]\nbar = "1"\nbeat = "1/0"\nchord = "C"\nkey = "C major"\n', "not a beat"),
        ('[[chord]]\nbar = "1"\nbeat = "1e9999999"\nchord = "C"\nkey = "C major"\n', "not a beat"),
        ('[[chord]]\nbar = "1"\nbeat = "1"\npass = inf\nchord = "C"\nkey = "C major"\n', "correction 1"),
        ('[chord]\nbar = "1"\nbeat = "1"\nchord = "C"\nkey = "C major"\n', "[[chord]]"),
        ("chord = [1]\n", "correction 1"),
    ],
)
def test_a_broken_file_of_corrections_is_told(hymn: Path, entry: str, said: str) -> None:
    """Entry and remedy, no traceback; neither file is touched."""
    corrections = hymn.with_name(f"{hymn.name}.edits.toml")
    corrections.write_text(entry)
    for words in ((), ("--set", "1.1=Am")):
        code, _, err = run("harmony", hymn, *words)
        assert code == 3
        assert said in err
        assert "Traceback" not in err
    assert corrections.read_text() == entry


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("harmony", "{hymn}", "--set", "2.1/0=C"), 3),
        (("read", "{hymn}", "--pickup", "1e99999999"), 2),
        (("read", "{folder}/" + 300 * "a" + ".abc"), 3),
        (("read", "{hymn}", "-o", "{hymn}/clean.abc"), 3),
        (("arrange", "{hymn}", "-o", "{hymn}/pages"), 3),
    ],
)
def test_odd_words_get_a_sentence(hymn: Path, words: tuple[str, ...], code: int) -> None:
    """No part of nothing, no number without end, no name too long, no folder inside a file."""
    answer = run(*(word.format(hymn=hymn, folder=hymn.parent) for word in words))
    assert answer[0] == code, answer
    assert "Traceback" not in answer[2]
    assert answer[2].strip()
    assert [path.name for path in hymn.parent.iterdir()] == [hymn.name]


def test_the_demo_ends_with_the_way_to_the_browser(tmp_path: Path) -> None:
    """It prints the files, then how to open the page, and does not wait."""
    done = subprocess.run(
        [sys.executable, "-m", "undersong", "demo", "-o", str(tmp_path)], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    assert lines[-1].endswith("undersong open")
    assert lines[-2].strip().startswith("wrote")
