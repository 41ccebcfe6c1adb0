"""Her room and her stops from recordings: simulated ones only, for no real one is at hand; and what is useless."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from numpy.typing import NDArray

from sounding import organ_with, performance_of, stop
from undersong.acoustics.spectra import SPECTRA, spectrum_of
from undersong.acoustics.temperament import key_hz
from undersong.cli import cli
from undersong.errors import CannotReadFile, UselessRecording
from undersong.library.organfile import read_organ_text
from undersong.model.room import Room, bands_of
from undersong.sound.recordings import Recording, fit_lines, hear_room, hear_stop, read_recording
from undersong.sound.render import Renderer
from undersong.sound.tones import RATE

CHORD = (36, 43, 48, 52, 55, 60, 64, 67, 72)
FULL = ["Principal 8", "Octave 4", "Fifteenth 2"]


def heard(notes: list[tuple[float, float, int]], stops: list[str], room: Room, seed: int) -> NDArray[np.float64]:
    """One ear, with noise 62 dB below the peak."""
    renderer = Renderer(performance_of(notes, stops), organ_with(stops), room, seed=seed)
    samples = np.concatenate([one for one, _ in renderer.blocks()], axis=-1)[0].astype(float)
    noise = np.random.default_rng(seed).standard_normal(len(samples) + RATE)
    samples = np.concatenate([samples, np.zeros(RATE)])
    return np.asarray(samples / np.abs(samples).max() * 0.7 + noise * 0.7 * 10 ** (-62 / 20))


def chord(seconds: float, seed: int, up: int = 0) -> Recording:
    notes = [(0.3, 2.3, number + up) for number in CHORD]
    return Recording(f"chord {seed}", heard(notes, FULL, Room(reverberation=bands_of(seconds)), seed), RATE)


@pytest.mark.parametrize("seconds", [0.8, 2.0, 4.0])
def test_a_room_from_six_chords(seconds: float) -> None:
    """Six chords: each octave from 250 Hz to 4 kHz within 15 %, the mean of the middle ones within 10 %."""
    found = hear_room([chord(seconds, seed, seed % 5) for seed in range(1, 7)])
    wanted = dict(bands_of(seconds))
    assert [band for band, _ in found.reverberation] == [250, 500, 1000, 2000, 4000]
    for band, value in found.reverberation:
        assert value == pytest.approx(wanted[band], rel=0.15), band
    middle = [value for band, value in found.reverberation if band in (500, 1000)]
    assert np.mean(middle) == pytest.approx(seconds, rel=0.10)
    assert "10 %" in found.expected_error
    assert found.spread < 0.25


def test_one_chord_is_less_sure() -> None:
    found = hear_room([chord(1.5, 3)])
    assert Room(reverberation=found.reverberation).seconds == pytest.approx(1.5, rel=0.16)
    assert "16 %" in found.expected_error


@pytest.mark.parametrize("name", ["Principal 8", "Gedackt 8", "Oboe 8", "Salicional 8"])
def test_a_stop_from_five_notes_at_three_places(name: str) -> None:
    """The fitted lines against those of the table, over harmonics within 40 dB: 2.5 dB rms at most."""
    notes = []
    for index, number in enumerate((60, 62, 64, 65, 67)):
        for place in range(3):
            samples = heard([(0.3, 4.5, number)], [name], Room(reverberation=bands_of(1.5)), 10 * index + place)
            notes.append((Recording(f"{number} {place}", samples, RATE), key_hz(number)))
    found = hear_stop(notes)
    row = spectrum_of(stop(name))
    own = read_organ_text(
        f'[[manual]]\nname = "x"\nstops = [{{ name = "{name}", slopes = {list(found.slopes)} }}]'
    ).organ
    assert own is not None
    learnt = spectrum_of(own.manuals[0].stops[0])
    wanted = np.array([row.level_db(harmonic) for harmonic in range(1, 13)])
    got = np.array([learnt.level_db(harmonic) for harmonic in range(1, 13)])
    loud = wanted > wanted.max() - 40
    error = got[loud] - wanted[loud]
    assert np.sqrt(np.mean((error - error.mean()) ** 2)) < 2.5
    assert (found.notes, found.recordings) == (5, 15)
    assert "1 dB" in found.expected_error


@pytest.mark.parametrize("name", ["principal", "stopped", "string", "trumpet", "octave"])
def test_two_lines_are_found_again(name: str) -> None:
    """Without noise the fit returns the table's own slopes."""
    row = SPECTRA[name]
    levels = np.array([row.level_db(harmonic) for harmonic in range(1, 17)])
    assert fit_lines(levels) == pytest.approx((row.s1, row.brk, row.s2, row.even), abs=0.15)


# --- useless recordings ------------------------------------------------------------------------------


def tone(hertz: float, seconds: float = 3.0, level: float = 0.3) -> NDArray[np.float64]:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(level * sum(np.sin(2 * np.pi * hertz * h * t) / h for h in range(1, 8)) / 1.6)


def test_what_is_useless(tmp_path: Path) -> None:
    """Silent, clipped, too short, of another pitch, never let go, no sound file: each told apart."""
    dice = np.random.default_rng(1)
    rows = {
        "silent": np.zeros(2 * RATE), "clipped": np.clip(5 * tone(262), -1, 1), "short": tone(262, 0.2),
        "soft-clipped": np.clip(3 * tone(262), -0.5, 0.5), "endless": 0.3 * dice.standard_normal(3 * RATE),
    }  # fmt: skip
    for name, samples in rows.items():
        soundfile.write(tmp_path / f"{name}.wav", samples, RATE, subtype="FLOAT")
    for name, says in (("silent", "silent"), ("clipped", "clipped"), ("soft-clipped", "clipped"), ("short", "short")):
        with pytest.raises(UselessRecording, match=says) as caught:
            read_recording(tmp_path / f"{name}.wav")
        assert caught.value.remedy
    with pytest.raises(UselessRecording, match="does not stop"):
        hear_room([read_recording(tmp_path / "endless.wav")])
    (tmp_path / "text.wav").write_text("not a sound")
    for name in ("text.wav", "missing.wav"):
        with pytest.raises(CannotReadFile):
            read_recording(tmp_path / name)
    with pytest.raises(UselessRecording, match=r"sounds at 277 Hz, not near 262 Hz \(\+100 cents\)"):
        hear_stop([(Recording("a", tone(key_hz(61)), RATE), key_hz(60))])
    with pytest.raises(UselessRecording):
        hear_stop([(Recording("a", dice.standard_normal(3 * RATE), RATE), key_hz(60))])


def test_the_commands(tmp_path: Path) -> None:
    """What is printed can be put into the organ's file; a wrong key gets a sentence."""
    soundfile.write(tmp_path / "chord.wav", chord(1.5, 3).samples, RATE, subtype="FLOAT")
    soundfile.write(tmp_path / "c4.wav", tone(key_hz(60)), RATE, subtype="FLOAT")
    run = CliRunner().invoke
    printed = run(cli, ["organ", "hear-room", str(tmp_path / "chord.wav")])
    assert printed.exit_code == 0
    room = read_organ_text(printed.output).room
    assert room is not None
    assert room.seconds == pytest.approx(1.5, rel=0.2)
    printed = run(cli, ["organ", "hear-stop", "Principal 8", f"C4={tmp_path / 'c4.wav'}"])
    line = printed.output.splitlines()[0]
    assert read_organ_text(f'[[manual]]\nname = "x"\nstops = [{line}]').organ is not None
    facts = json.loads(run(cli, ["organ", "hear-stop", "Principal 8", f"C4={tmp_path / 'c4.wav'}", "--json"]).output)
    assert facts["levels_db"][0] == 0
    for words in (["Blurgo 8", "C4=x.wav"], ["Oboe 8", "H9=x.wav"], ["Oboe 8", "x.wav"]):
        assert run(cli, ["organ", "hear-stop", *words]).exit_code != 0
