"""Sound files: loud enough and never too loud, written in blocks, whole or not at all.

Conventions: integrated loudness -20 LUFS, true peak at most -1 dBTP, whatever the stops: a soft verse alone comes out
as loud as a loud one, but within one file the verses keep their difference. Files are 16 bit (FLAC, WAV) or Ogg Vorbis.
What is heard while it is still being made (`pour_sound`) takes its gain from its first block, since nobody knows the
rest yet; where a later one would be too loud, the gain falls before it comes, and stays there.

References: ITU-R BS.1770-4; the target is assumed (quieter than broadcast, so that headphones are safe at first). The
head of a WAV file: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (from memory).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import NamedTemporaryFile, TemporaryFile
from typing import IO

import numpy as np
from numpy.typing import NDArray

from undersong.errors import CannotWrite, UnknownName
from undersong.sound.meter import Loudness, true_peak
from undersong.sound.render import Renderer
from undersong.sound.tones import RATE

Samples = NDArray[np.float32]

KINDS = {".flac": ("FLAC", "PCM_16"), ".wav": ("WAV", "PCM_16"), ".ogg": ("OGG", "VORBIS")}
TARGET_LUFS = -20.0
HIGHEST_DBTP = -1.0
CHUNK = 1 << 15
"""Frames written at a time; the Vorbis encoder takes no large ones."""


def kind_of(path: Path) -> tuple[str, str]:
    """Format and subtype for a file name; UnknownName for other endings."""
    kind = KINDS.get(path.suffix.lower())
    if kind is None:
        raise UnknownName(
            f"sound is not written to {path.suffix or 'nameless'} files", remedy=f"Use {', '.join(KINDS)}."
        )
    return kind


def gain_for(lufs: float, peak: float, clicks: float = 0.0) -> float:
    """The factor that brings a sound to the target, unless its true peak (and clicks) forbid it; 1 for silence."""
    if not np.isfinite(lufs) or not peak:
        return 1.0
    return float(min(10 ** ((TARGET_LUFS - lufs) / 20), (10 ** (HIGHEST_DBTP / 20) - clicks) / peak))


CLICK_LEVEL = 0.12
CLICK_SECONDS = 0.03
CLICK_HZ = (1000.0, 1500.0)
"""A click on a beat, and on the first of a bar."""

Clicks = Sequence[tuple[float, bool]]
"""Seconds, and whether a bar begins there."""


def click_sound(*, strong: bool) -> Samples:
    """A short tone that dies at once, peak `CLICK_LEVEL`."""
    t = np.arange(round(CLICK_SECONDS * RATE)) / RATE
    rise = 1 - np.exp(-t / 0.0005)
    return np.asarray(CLICK_LEVEL * rise * np.exp(-t / 0.005) * np.sin(2 * np.pi * CLICK_HZ[strong] * t), np.float32)


def _with_clicks(samples: Samples, begins: int, clicks: Clicks) -> None:
    """Add the clicks that fall into a stretch of sound, shape (samples, 2)."""
    for seconds, strong in clicks:
        at = round(seconds * RATE) - begins
        tone = click_sound(strong=strong)
        low, high = max(0, at), min(len(samples), at + len(tone))
        if low < high:
            samples[low:high] += tone[low - at : high - at, None]


def write_sound(
    renderer: Renderer, path: Path, say: Callable[[str], None] = lambda _: None, clicks: Clicks = ()
) -> Path:
    """Render into a file beside its place, then move it in; CannotWrite where that fails."""
    import soundfile  # noqa: PLC0415  # not needed to render

    container, subtype = kind_of(path)
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryFile() as raw:
            gain = _rendered(renderer, raw, say, CLICK_LEVEL if clicks else 0.0)
            raw.seek(0)
            say("writing the sound")
            with NamedTemporaryFile(dir=path.parent, prefix=".undersong-", suffix=path.suffix, delete=False) as file:
                temporary = Path(file.name)
            with soundfile.SoundFile(
                temporary, "w", samplerate=RATE, channels=2, format=container, subtype=subtype
            ) as out:
                done = 0
                while data := raw.read(CHUNK * 8):
                    samples = np.frombuffer(data, np.float32).reshape(-1, 2) * np.float32(gain)
                    _with_clicks(samples, done, clicks)
                    out.write(samples)
                    done += len(samples)
        temporary.chmod(0o644)
        temporary.replace(path)
    except (OSError, soundfile.LibsndfileError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise CannotWrite(f"the sound cannot be written ({reason})", file=str(path)) from fault
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
    return path


def _rendered(renderer: Renderer, raw: IO[bytes], say: Callable[[str], None], clicks: float) -> float:
    """Put the unscaled sound into a temporary file; the gain it wants."""
    meter, peak, done = Loudness(), 0.0, 0
    for samples, weighted in renderer.blocks():
        meter.add(weighted)
        if float(np.abs(samples).max(initial=0.0)) > 0.7 * peak:
            peak = max(peak, true_peak(samples))
        raw.write(np.ascontiguousarray(samples.T).tobytes())
        done += samples.shape[1]
        say(f"sounding: {100 * done // max(1, renderer.length)} %")
    return gain_for(meter.lufs, peak, clicks)


WAV_HEAD = 44
"""Bytes before the samples of a WAV file."""
FRAME = 4
"""Bytes of a sample of both channels, 16 bit each."""
AHEAD = RATE // 20
"""Samples held back, so that the gain can fall before what would be too loud."""


def wav_size(frames: int) -> int:
    """Bytes of a stereo WAV file of so many samples."""
    return WAV_HEAD + FRAME * frames


def wav_head(frames: int) -> bytes:
    """The head of a stereo WAV file of so many samples."""
    shape = struct.pack("<HHIIHH", 1, 2, RATE, FRAME * RATE, FRAME, 16)
    return b"".join((
        b"RIFF", struct.pack("<I", wav_size(frames) - 8), b"WAVEfmt ", struct.pack("<I", len(shape)), shape,
        b"data", struct.pack("<I", FRAME * frames),
    ))  # fmt: skip


def pour_sound(
    renderer: Renderer, path: Path, say: Callable[[str], None] = lambda _: None, clicks: Clicks = ()
) -> None:
    """Write a WAV file that can be read while it grows, its full length told in its head; CannotWrite if that fails."""
    highest = 10 ** (HIGHEST_DBTP / 20) - (CLICK_LEVEL if clicks else 0.0)
    gain, held, done = 0.0, np.zeros((0, 2), np.float32), 0
    try:
        with path.open("wb") as out:
            out.write(wav_head(renderer.length))
            out.flush()
            for samples, weighted in renderer.blocks():
                fresh = np.concatenate([held, samples.T])
                peak = true_peak(fresh.T)
                if not gain and peak:
                    meter = Loudness()
                    meter.add(weighted)
                    gain = gain_for(meter.lufs, peak, CLICK_LEVEL if clicks else 0.0)
                gains = np.full((len(fresh), 1), min(gain, highest / peak) if peak else gain, np.float32)
                gains[: len(held), 0] = np.linspace(gain, gains[-1, 0], len(held))
                gain = float(gains[-1, 0])
                last = done + len(fresh) >= renderer.length
                ready = fresh if last else fresh[:-AHEAD]
                scaled = ready * gains[: len(ready)]
                _with_clicks(scaled, done, clicks)
                out.write((np.clip(scaled, -1, 1) * 32767).round().astype("<i2").tobytes())
                out.flush()
                held = fresh[len(ready) :]
                done += len(ready)
                say(f"sounding: {100 * done // max(1, renderer.length)} %")
    except OSError as fault:
        raise CannotWrite(f"the sound cannot be written ({fault.strerror or fault})", file=str(path)) from fault
