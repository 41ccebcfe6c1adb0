"""Pictures of sound for the guide: what comes out, made to be looked at.

Usage: make_spectrograms.py. Needs matplotlib (which the tests bring) and writes into docs/sound/.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
from matplotlib import pyplot as plt

from undersong import workflow
from undersong.demo import hymn_files
from undersong.library.organfile import find_organ, find_room
from undersong.sound.render import Renderer
from undersong.sound.tones import RATE

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "sound"


def heard(hymn: int, room: str, hearing: workflow.Hearing, texture: str = "") -> np.ndarray:
    """Both ears of an excerpt of the invented parish."""
    wishes = workflow.Wishes(
        organ=find_organ("two-manuals-20"), room=find_room(room), textures=(texture,) if texture else ()
    )
    laid = workflow.lay_out(workflow.read(hymn_files()[hymn])[0], wishes)
    practice = workflow.to_be_heard([laid], wishes, hearing)
    renderer = Renderer(practice.performance, wishes.organ, wishes.room)
    return np.concatenate([samples for samples, _ in renderer.blocks()], axis=-1)


def draw(axis: plt.Axes, samples: np.ndarray, title: str, highest: float) -> None:
    axis.specgram(
        samples.mean(axis=0) / np.abs(samples).max(),
        NFFT=4096,
        Fs=RATE,
        noverlap=3072,
        vmin=-130,
        vmax=-35,
        cmap="Greys",
    )
    axis.set_ylim(0, highest)
    axis.set_title(title, fontsize=9)
    axis.set_ylabel("Hz", fontsize=8)
    axis.tick_params(labelsize=7)


def main() -> int:
    FOLDER.mkdir(parents=True, exist_ok=True)
    figure, axis = plt.subplots(figsize=(8, 3.6))
    samples = heard(0, "live", workflow.Hearing(sections=("1", "2")))
    draw(axis, samples[:, 24 * RATE : 44 * RATE], "end of verse 1, the lift, verse 2 (seconds)", 4000)
    figure.tight_layout()
    figure.savefig(FOLDER / "two-verses.png", dpi=75)
    figure, axes = plt.subplots(2, 1, figsize=(8, 5))
    for one, room in zip(axes, ("dry", "very-live"), strict=True):
        samples = heard(6, room, workflow.Hearing(sections=("2",), bars=("1", "4")), "broken")
        title = f"the same four bars, broken chords, {room.replace('-', ' ')} room (seconds)"
        draw(one, samples[:, : 10 * RATE], title, 2500)
    figure.tight_layout()
    figure.savefig(FOLDER / "two-rooms.png", dpi=75)
    return 0


if __name__ == "__main__":
    sys.exit(main())
