"""How dear is a hymn in a church beside a general-purpose sample player?

Ours: a fresh process renders the test piece (five verses, 2980 key presses, eight ranks in three divisions, five
registrations, shutters moving, stereo, a room of 2 s, loudness and true peak to standard) into a WAV file. Yardstick:
FluidSynth with the TimGM6mb soundfont plays the same keys, one MIDI channel for each rank, with its own reverberation,
into a WAV file; it measures no loudness. Both are needed on the machine for the ratio (Debian: fluidsynth,
timgm6mb-soundfont); without them only our own figures are printed.

Measured: user + system CPU of each process with its children on one thread, median of alternating runs. Bars: whole
process 0.6 of the yardstick, computation alone in a warm process 0.35, peak memory 500 MB. A second figure: the first
sound of a ten-second excerpt in a fresh process, beside importing numpy and scipy.fft alone.

Usage: sound.py [--runs 5] [--json]
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

WHOLE, WARM, MEGABYTES, FIRST_SECONDS = 0.6, 0.35, 500.0, 1.5
FONTS = ("/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/default-GM.sf2")
BEATS, VERSES, BEAT = 96, 5, 0.45
GREAT = (("Principal 8",), ("Principal 8", "Octave 4"), ("Principal 8", "Octave 4"),
         ("Principal 8", "Octave 4", "Fifteenth 2"), ("Principal 8", "Octave 4", "Fifteenth 2"))  # fmt: skip
SWELL = (("Gedackt 8",), ("Gedackt 8", "Principal 4"), ("Gedackt 8", "Oboe 8"), ("Gedackt 8", "Principal 4"),
         ("Gedackt 8", "Principal 4", "Oboe 8"))  # fmt: skip
PEDAL = (("Subbass 16",), ("Subbass 16", "Principal 8"), ("Subbass 16",), ("Subbass 16", "Principal 8"),
         ("Subbass 16", "Principal 8"))  # fmt: skip
CHANNELS = ("Principal 8", "Octave 4", "Fifteenth 2", "Gedackt 8", "Principal 4", "Oboe 8", "Subbass 16", "Bass 8")


def piece() -> list[tuple[float, float, int, str, int]]:
    """On, off in seconds, key, division, verse: 1345 presses on the Great, 1155 on the Swell, 480 on the Pedal."""
    scale, notes = (0, 2, 4, 5, 7, 9, 11), []
    for verse in range(VERSES):
        for beat in range(BEATS):
            on = verse * (BEATS * BEAT + 1.8) + beat * BEAT
            step = scale[(beat * 3 + verse) % 7] + 12 * ((beat // 7) % 2)
            great, swell = (2 if beat % 5 == 4 else 3), (3, 2, 2, 3, 2)[beat % 5]
            notes += [
                (on, on + BEAT * 0.97, 60 + scale[(step + 2 * voice) % 7] + 3 * voice, "Great", verse)
                for voice in range(great)
            ]
            for part in range(swell):
                start = on + part * BEAT / swell
                notes.append(
                    (start, start + BEAT / swell, 48 + scale[(step + 2 * part) % 7] + 4 * part, "Swell", verse)
                )
            notes.append((on, on + BEAT, 36 + scale[beat * 2 % 7] + (verse % 2) * 5, "Pedal", verse))
    return notes


def performance() -> tuple[object, object, object]:
    """The piece for our renderer: performance, organ, room."""
    from undersong.library.organfile import read_organ_text
    from undersong.model.performance import Performance, SoundedNote, StopChange
    from undersong.model.room import Room, bands_of

    def listed(rows: tuple[tuple[str, ...], ...]) -> str:
        return ", ".join(f'"{name}"' for name in sorted({name for row in rows for name in row}))

    text = f"""[[manual]]\nname = "Great"\nstops = [{listed(GREAT)}]\n[[manual]]\nname = "Swell"\nenclosed = true
stops = [{listed(SWELL)}]\n[pedal]\nstops = [{listed(PEDAL)}]\n"""
    notes = [SoundedNote(str(index), on, off, key, division)
             for index, (on, off, key, division, _) in enumerate(piece())]  # fmt: skip
    begins = [verse * (BEATS * BEAT + 1.8) for verse in range(VERSES)]
    changes = [StopChange(max(0.0, at - 0.4), division, rows[verse])
               for verse, at in enumerate(begins)
               for division, rows in (("Great", GREAT), ("Swell", SWELL), ("Pedal", PEDAL))]  # fmt: skip
    swell = tuple((4.0 * index, 0.3 + 0.7 * (index % 2)) for index in range(58))
    return (Performance(tuple(notes), (), begins[-1] + BEATS * BEAT, swell, tuple(changes)),
            read_organ_text(text).organ, Room("bench", bands_of(2.0)))  # fmt: skip


def render(path: Path) -> None:
    """What our process does."""
    from undersong.sound.listening import write_sound
    from undersong.sound.render import Renderer

    write_sound(Renderer(*performance()), path)  # type: ignore[arg-type]


def midi(path: Path) -> None:
    """The same presses for the player: a channel for each rank, church organ."""
    import mido

    ranks = {"Great": ((0, 0), (1, 12), (2, 24)), "Swell": ((3, 0), (4, 12), (5, 0)), "Pedal": ((6, -12), (7, 0))}
    file = mido.MidiFile(ticks_per_beat=1000)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000))
    track += [mido.Message("program_change", channel=channel, program=19) for channel in range(8)]
    events = []
    for on, off, key, division, _ in piece():
        for channel, up in ranks[division]:
            events += [(on, 1, channel, key + up), (off, 0, channel, key + up)]
    here = 0
    for at, down, channel, key in sorted(events):
        tick = round(1000 * at)
        kind = "note_on" if down else "note_off"
        track.append(mido.Message(kind, channel=channel, note=key, velocity=80, time=tick - here))
        here = tick
    file.save(path)


def cpu(command: list[str]) -> tuple[float, float]:
    """User and system seconds of a command with all its children, and the wall clock."""
    quiet = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=quiet)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, time.perf_counter() - began


WARM_CODE = """
import sys, time, pathlib, resource
sys.path.insert(0, sys.argv[1])
import sound, numpy as np
from undersong.sound.render import Renderer
from undersong.sound.listening import _rendered
import tempfile
best = []
for _ in range(3):
    with tempfile.TemporaryFile() as raw:
        begun = time.process_time()
        _rendered(Renderer(*sound.performance()), raw, lambda _: None, 0.0)
        best.append(time.process_time() - begun)
print(min(best[1:]), best[0], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""

FIRST_CODE = """
import sys, pathlib
from undersong import workflow
from undersong.demo import hymn_files
hymn = workflow.read(hymn_files()[6])[0]
wishes = workflow.Wishes(verses=(1,))
hearing = workflow.Hearing(bars=("1", "4"))
workflow.listen([workflow.lay_out(hymn, wishes)], wishes, hearing, pathlib.Path(sys.argv[1]))
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--render", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--sample-peak", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.render:
        if options.sample_peak:
            import numpy as np

            from undersong.sound import listening

            listening.true_peak = lambda samples: float(np.abs(samples).max())
        render(options.render)
        return 0
    with tempfile.TemporaryDirectory() as place:
        result = measured(Path(place), options.runs)
    if options.json:
        print(json.dumps(result))
    else:
        for name, value in result.items():
            print(f"{name:28} {value if value is not None else 'not measured: the player is not installed'}")
    held = [result["whole_ratio"] is None or result["whole_ratio"] <= WHOLE,
            result["warm_ratio"] is None or result["warm_ratio"] <= WARM,
            result["peak_mb"] <= MEGABYTES, result["first_sound_s"] <= FIRST_SECONDS]  # fmt: skip
    return 0 if all(held) else 1


def measured(folder: Path, runs: int) -> dict[str, float | None]:
    """All figures."""
    font = next((one for one in FONTS if Path(one).exists()), None)
    player = shutil.which("fluidsynth") if font else None
    midi(folder / "piece.mid")
    ours, without, theirs, first, bare = [], [], [], [], []
    yardstick = [player, "-ni", "-F", str(folder / "theirs.wav"), "-r", "44100", font, str(folder / "piece.mid")]
    for _ in range(runs):
        ours.append(cpu([sys.executable, __file__, "--render", str(folder / "ours.wav")])[0])
        without.append(cpu([sys.executable, __file__, "--sample-peak", "--render", str(folder / "ours.wav")])[0])
        if player:
            theirs.append(cpu(yardstick)[0])
        first.append(cpu([sys.executable, "-c", FIRST_CODE, str(folder / "first.wav")]))
        bare.append(cpu([sys.executable, "-c", "import numpy, scipy.fft"])[0])
    warm, cold, peak = map(float, subprocess.run(
        [sys.executable, "-c", WARM_CODE, str(Path(__file__).parent)], check=True, capture_output=True, text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    ).stdout.split())  # fmt: skip
    whole, other = statistics.median(ours), statistics.median(theirs) if theirs else None
    return {
        "whole_cpu_s": round(whole, 3), "without_true_peak_cpu_s": round(statistics.median(without), 3),
        "player_cpu_s": other and round(other, 3),
        "whole_ratio": other and round(whole / other, 3), "warm_cpu_s": round(warm, 3),
        "cold_compute_s": round(cold, 3), "warm_ratio": other and round(warm / other, 3), "peak_mb": round(peak),
        "first_sound_s": round(statistics.median(one[1] for one in first), 3),
        "first_sound_cpu_s": round(statistics.median(one[0] for one in first), 3),
        "first_beside_imports": round(statistics.median(one[0] for one in first) / statistics.median(bare), 2),
    }  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
