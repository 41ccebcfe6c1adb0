"""Excerpts, practising and the commands that make sound."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import soundfile
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as some

from invented import EVERYTHING, arrangement_of, bars_of, four_parts, section_of
from undersong.cli import CAUTION, PART_NAMES, cli
from undersong.demo import hymn_files
from undersong.model.organ import TWO_MANUALS
from undersong.model.performance import Performance, StopChange
from undersong.model.room import ROOMS
from undersong.performing import perform
from undersong.performing.excerpt import bars_between, excerpt, moment, one_after_another, shifted
from undersong.performing.practice import FASTEST, PARTS, SLOWEST, at_pace, only, practice
from undersong.performing.touch import Touch

WHOLE = perform(arrangement_of(*EVERYTHING), Touch(ROOMS["live"]))


def test_moments_are_those_of_the_notes() -> None:
    """A place of a section falls where its notes sound."""
    on = {note.id: note.on_seconds for note in WHOLE.notes}
    checked = 0
    for section in EVERYTHING:
        for note in section.notes:
            if note.id in on:
                assert moment(WHOLE, section.id, note.start) == pytest.approx(on[note.id], abs=1e-9)
                checked += 1
    assert checked > 50


@given(some.floats(0, 1), some.floats(0, 1))
def test_excerpts_cut_cleanly(one: float, two: float) -> None:
    """Nothing before 0 or after the end, shutters and stops as they stood, lengths kept."""
    begin, end = sorted((one * WHOLE.length_seconds, two * WHOLE.length_seconds))
    part = excerpt(WHOLE, begin, end)
    assert part.length_seconds == pytest.approx(end - begin)
    assert all(0 <= note.on_seconds < note.off_seconds <= part.length_seconds + 1e-9 for note in part.notes)
    long = [note for note in WHOLE.notes if note.off_seconds - note.on_seconds > 0.01]
    inside = [note for note in long if begin <= note.on_seconds and note.off_seconds <= end]
    assert {note.id for note in inside} <= {note.id for note in part.notes}
    assert [at for at, _ in part.swell] == sorted(at for at, _ in part.swell)
    if part.paces:
        assert part.paces[0].at_seconds == 0


def test_the_stops_of_an_excerpt_are_those_drawn_before_it() -> None:
    changes = (StopChange(0.0, "Great", ("a",)), StopChange(3.0, "Great", ("b",)), StopChange(9.0, "Great", ("c",)))
    part = excerpt(Performance((), (), 12.0, (), changes), 4.0, 10.0)
    assert [(one.at_seconds, one.stops) for one in part.stop_changes] == [(0.0, ("b",)), (5.0, ("c",))]


def test_one_after_another() -> None:
    twice = one_after_another([WHOLE, WHOLE], 2.0)
    assert len(twice.notes) == 2 * len(WHOLE.notes)
    assert twice.length_seconds == pytest.approx(2 * WHOLE.length_seconds + 2)
    later = shifted(WHOLE, 1.5)
    assert later.notes[0].on_seconds == pytest.approx(WHOLE.notes[0].on_seconds + 1.5)


def test_bars_by_their_printed_numbers() -> None:
    section = section_of("v", bars_of("4/4", "C major", ["1", "4", "4", "3"]), {"tune": "C5:12"})
    assert [bar.number for bar in bars_between(section, "1", "2")] == ["1", "2"]
    assert bars_between(section, "0", "0")[0].pickup
    assert bars_between(section, "2", "1") == ()
    assert bars_between(section, "7", "8") == ()


def test_parts() -> None:
    """Every pair of limbs, all but one, and each voice; the door knows the same names."""
    assert tuple(PARTS) == PART_NAMES
    whole = arrangement_of(four_parts())
    count = {name: len(only(whole, [name]).sections[0].notes) for name in PARTS}
    every = len(whole.sections[0].notes)
    assert count["right"] + count["left"] + count["feet"] == every
    shared = sum(len(note.shared) for note in whole.sections[0].notes)
    assert count["soprano"] + count["alto"] + count["tenor"] + count["bass"] == every + shared
    for one, two in (("right", "left"), ("right", "feet"), ("left", "feet")):
        assert len(only(whole, [one, two]).sections[0].notes) == count[one] + count[two]
    for name in PARTS:
        assert len(only(whole, [], [name]).sections[0].notes) == every - count[name]
    with pytest.raises(KeyError):
        only(whole, ["thumb"])


@pytest.mark.parametrize("per_cent", [25, 60, 100, 120])
def test_pace(per_cent: int) -> None:
    """Same keys, onsets stretched, so the same pitch; the touch is that of the new speed."""
    whole = arrangement_of(four_parts())
    plain, slow = perform(whole), perform(at_pace(whole, per_cent))
    assert [note.number for note in plain.notes] == [note.number for note in slow.notes]
    for one, two in zip(plain.notes, slow.notes, strict=True):
        assert two.on_seconds == pytest.approx(one.on_seconds * 100 / per_cent)


@pytest.mark.parametrize("per_cent", [SLOWEST - 1, FASTEST + 1, 0, -5])
def test_a_pace_that_is_none(per_cent: int) -> None:
    with pytest.raises(ValueError, match="per cent"):
        at_pace(arrangement_of(four_parts()), per_cent)


@pytest.mark.parametrize(
    ("time", "lengths", "bars", "clicks"),
    [
        ("4/4", ["4", "4"], (), [0, 1, 2, 3]),
        ("3/4", ["1", "3", "2"], (), [0, 1, 2, 3, 4]),  # a bar, and the two beats before the pickup
        ("3/4", ["1", "3", "2"], ("1", "1"), [0, 1, 2]),
        ("6/8", ["1/2", "3"], ("1", "1"), [0, 1]),
    ],
)
def test_count_in(time: str, lengths: list[str], bars: tuple[str, ...], clicks: list[int]) -> None:
    """A full bar of beats, and what is missing before a pickup; the first note on the next beat."""
    placed = bars_of(time, "C major", lengths)
    beat = placed[0].time.beat
    section = section_of("v", placed, {"tune": f"C5:{placed[-1].end}"}, pace=(60, str(beat)))
    found = practice(perform(arrangement_of(section)), section, bars_between(section, *bars) if bars else ())
    assert [at for at, _ in found.clicks] == pytest.approx(clicks)
    assert found.clicks[0][1]
    first = found.performance.notes[0].on_seconds
    missing = placed[0].time.bar_length - placed[0].length if not bars and placed[0].pickup else Fraction(0)
    bar = placed[0].time.bar_length
    assert first == pytest.approx(section.pace.seconds(bar + missing))


def test_loops_and_clicks() -> None:
    """Two bars of 4/4 at 60, three times, counted in, clicked: 12 beats each, a bar between, all on the grid."""
    section = section_of("v", bars_of("4/4", "C major", ["4"] * 3), {"tune": "C5:4 D5:4 E5:4"}, pace=(60, "1"))
    found = practice(perform(arrangement_of(section)), section, bars_between(section, "2", "3"), times=3, click=True)
    assert found.performance.length_seconds == pytest.approx(36)
    assert [note.on_seconds for note in found.performance.notes] == pytest.approx([4, 8, 16, 20, 28, 32])
    assert sorted(at for at, _ in found.clicks) == pytest.approx(list(range(36)))
    assert sum(strong for _, strong in found.clicks) == 9
    plain = practice(perform(arrangement_of(section)), section, (), times=2, count_in=False)
    assert plain.clicks == ()
    assert plain.performance.length_seconds == pytest.approx(24)


# --- the commands ------------------------------------------------------------------------------------

HYMN = str(hymn_files()[6])


def run(*words: str) -> tuple[int, str, str]:
    done = subprocess.run([sys.executable, "-m", "undersong", *words], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


def test_listen_and_practise_write_files(tmp_path: Path) -> None:
    """A file each, a caution on standard error, JSON where asked; excerpts are shorter than the whole."""
    runner = CliRunner()
    words = ["listen", HYMN, "--section", "1", "--bars", "1-2", "-o", str(tmp_path / "a.flac"), "--room", "dry"]
    answer = runner.invoke(cli, words)
    assert answer.exit_code == 0
    assert CAUTION in answer.output
    info = soundfile.info(tmp_path / "a.flac")
    assert (info.samplerate, info.channels) == (44_100, 2)
    words = [
        "practise", HYMN, "--section", "1", "--bars", "1-2", "--pace", "50", "--loop", "2", "--without", "right",
        "--click", "--json", "-o", str(tmp_path / "b.wav"), "--room", "dry",
    ]  # fmt: skip
    answer = runner.invoke(cli, words)
    facts = json.loads(answer.stdout)
    assert facts["format"] == 1
    assert facts["seconds"] == pytest.approx(soundfile.info(tmp_path / "b.wav").duration, abs=0.01)
    assert facts["seconds"] > 3 * info.duration
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.flac", "b.wav"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("listen", HYMN, "--bars", "90-91"), 3, "has no bars 90-91"),
        (("listen", HYMN, "--bars", "-"), 2, "write bars as in 5-8"),
        (("listen", HYMN, "--section", "77"), 3, "no section verse-77"),
        (("listen", HYMN, "--room", "30"), 3, "30 s is not that of a room"),
        (("listen", HYMN, "--organ", "nowhere"), 3, "no organ 'nowhere'"),
        (("listen", HYMN, "--tremulant", "Solo", "--bars", "1"), 3, "no division 'Solo'"),
        (("listen", "missing.musicxml"), 3, "missing.musicxml"),
        (("practise", HYMN, "--pace", "10"), 2, "25<=x<=120"),
        (("practise", HYMN, "--only", "thumb"), 2, "'thumb' is not one of"),
        (("practise", HYMN, "--only", "left", "--without", "left"), 3, "nothing is left to be heard"),
    ],
)
def test_bad_wishes_get_a_sentence(words: tuple[str, ...], code: int, says: str, tmp_path: Path) -> None:
    """No traceback, the right exit code, no file."""
    found, out, err = run(*words, "-o", str(tmp_path / "a.flac"))
    assert found == code
    assert says in err
    assert "Traceback" not in out + err
    assert list(tmp_path.iterdir()) == []


def test_a_sound_of_a_kind_that_is_not_written(tmp_path: Path) -> None:
    assert run("listen", HYMN, "-o", str(tmp_path / "a.xyz"))[0] == 3
    assert run("listen", HYMN, "-o", HYMN)[0] in (2, 3)


def test_reading_and_arranging_load_no_sound() -> None:
    """Neither scipy nor soundfile is imported by read, harmony or arrange, nor by the help."""
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom undersong.cli import cli\n"
        "for words in (['--help'], ['read', sys.argv[1]], ['harmony', sys.argv[1]], ['arrange', sys.argv[1]]):\n"
        "    assert CliRunner().invoke(cli, words).exit_code == 0, words\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'scipy', 'soundfile', 'cffi'}))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, HYMN], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_stopped_halfway_leaves_nothing(tmp_path: Path) -> None:
    """Ctrl-C while it sounds: exit code 130 and no file."""
    path = tmp_path / "a.flac"
    with subprocess.Popen(
        [sys.executable, "-m", "undersong", "practise", HYMN, "--loop", "50", "--pace", "25", "-o", str(path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        time.sleep(4)
        process.send_signal(2)
        process.wait(60)
    assert process.returncode == 130
    assert list(tmp_path.iterdir()) == []


def test_organs_on_the_way() -> None:
    """Every section of the invented arrangement plays on divisions that the organ has."""
    assert {note.division for note in WHOLE.notes} <= {one.name for one in TWO_MANUALS.divisions}
    assert replace(four_parts(), id="w").id == "w"


def test_the_guide_knows_every_command() -> None:
    """What makes sound and what concerns organs stands in the guide, and the cautions do."""
    docs = Path(__file__).resolve().parent.parent / "docs"
    guide = (docs / "organs.md").read_text(encoding="utf-8") + (docs / "listening.md").read_text(encoding="utf-8")
    group = cli.commands["organ"]
    for name in ("listen", "practise", *(f"organ {name}" for name in getattr(group, "commands", {}))):
        assert f"undersong {name}" in guide, name
    for name in PART_NAMES:
        assert name in guide
    assert "Protect your hearing" in guide
    assert "Protect your hearing" in CAUTION
