"""Her own organ and her own room, from recordings made with what is at hand.

The musical problem: the tables know a typical Oboe and a typical church, not hers. A few held notes tell how bright a
stop is, a loud chord cut off tells how long the church rings. A recording tells less than one would wish: at any one
place some harmonics are raised or swallowed by the room, so several notes and places must be averaged.

Conventions: any file that libsndfile reads, any rate from 8 kHz. A chord is held at least a second and followed by
silence; a note is held at least a second and a half. Only the shape of a spectrum is learnt; how loud a stop is beside
another needs one fixed gain and place, and is left to her ear.

References: decay by backward integration with the noise's power subtracted (ISO 3382-1, from memory); two straight
lines for a spectrum: C. Pykett. Expected errors are those of trials on simulated recordings (project notes on sound,
section 7): one chord within about 16 %, six within 10 %; one note 5 dB a harmonic (its fit 3 dB), five notes at three
places 1 dB. No real recording has been tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from undersong.errors import CannotReadFile, UselessRecording
from undersong.model.room import LONGEST_SECONDS, SHORTEST_SECONDS
from undersong.sound.meter import octave

BANDS = (250, 500, 1000, 2000, 4000)
LOWEST_RATE, LONGEST_RECORDING_SECONDS = 8000, 300.0
SILENT, CLIPPED, CLIPPED_SHARE = 10 ** (-50 / 20), 0.999, 2e-4
FRAME_SECONDS = 0.020
SHORTEST_CHORD_SECONDS, SHORTEST_NOTE_SECONDS, ANALYSED_SECONDS = 0.5, 1.5, 4.5
WRONG_CENTS = 60.0
HARMONICS = 20
BREAKS = range(2, 13)
LEAST_HARMONICS = 4
SEARCHED_SHARE = 0.0035
"""A harmonic is looked for 6 cents to either side."""

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Recording:
    """One channel of a recording."""

    name: str
    samples: Samples
    rate: int


def read_recording(path: Path) -> Recording:
    """A recording, its channels averaged; CannotReadFile or UselessRecording with what to do."""
    import soundfile  # noqa: PLC0415  # the rest needs none

    name = path.name
    try:
        info = soundfile.info(path)
        if info.duration > LONGEST_RECORDING_SECONDS:
            raise UselessRecording(
                f"this recording lasts {info.duration:.0f} s", file=name, remedy="Cut it to the one chord or note."
            )
        samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, OSError, ValueError) as fault:
        raise CannotReadFile(
            "this recording cannot be read", file=name, remedy="Give WAV, FLAC or Ogg, as a recorder writes them."
        ) from fault
    return checked(Recording(name, samples.mean(axis=1), int(rate)), float(np.abs(samples).max(initial=0.0)), samples)


def checked(recording: Recording, peak: float, samples: Samples) -> Recording:
    """The recording, unless it is silent, clipped, too short or of too low a rate."""
    name = recording.name
    if recording.rate < LOWEST_RATE:
        raise UselessRecording(f"{recording.rate} Hz is too low a rate", file=name, remedy="Record at 44.1 kHz.")
    if not np.isfinite(samples).all():
        raise UselessRecording("this recording holds numbers that are none", file=name, remedy="Record it again.")
    if len(recording.samples) < SHORTEST_CHORD_SECONDS * recording.rate:
        raise UselessRecording("this recording is too short", file=name, remedy="Hold the keys for two seconds.")
    if peak < SILENT:
        raise UselessRecording("this recording is silent", file=name, remedy="Check the microphone and its level.")
    if float(np.mean(np.abs(samples) >= CLIPPED * max(peak, 1.0))) > CLIPPED_SHARE or _flat_tops(samples, peak):
        raise UselessRecording("this recording is clipped", file=name, remedy="Turn the level down and record again.")
    return recording


def _flat_tops(samples: Samples, peak: float) -> bool:
    """Whether the loudest samples stand in rows of four at one height."""
    high = np.abs(samples[:, 0]) >= 0.9999 * peak
    return bool(len(high) > 3 and np.count_nonzero(high[:-3] & high[1:-2] & high[2:-1] & high[3:]) > 3)


# --- the room --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeardRoom:
    """Reverberation per octave band, and how far the recordings differ (share of the mean, 0 for one recording)."""

    reverberation: tuple[tuple[int, float], ...]
    spread: float
    count: int

    @property
    def expected_error(self) -> str:
        """What she may expect."""
        return "within about 16 % in each band" if self.count < 4 else "mostly within 10 % in each band"


def hear_room(recordings: Sequence[Recording]) -> HeardRoom:
    """The reverberation of a room from one or more chords cut off; UselessRecording where no decay is heard."""
    found = [[_decay(one, band) for band in BANDS if band < 0.4 * one.rate] for one in recordings]
    kept = min(len(row) for row in found)
    table = np.array([row[:kept] for row in found])
    means = _mean(table)
    bands = [(band, float(value)) for band, value in zip(BANDS, means, strict=False) if np.isfinite(value)]
    if not any(band in (500, 1000) for band, _ in bands):
        raise UselessRecording(
            "no clean decay is heard", file=recordings[0].name,
            remedy="Cut one loud full chord off sharply and wait until the church is silent; no talking, no fan.",
        )  # fmt: skip
    for band, value in bands:
        if not SHORTEST_SECONDS <= value <= LONGEST_SECONDS:
            raise UselessRecording(
                f"{value:.1f} s at {band} Hz cannot be a church", file=recordings[0].name,
                remedy="Record again: the chord must stop at once, and nothing else may sound.",
            )  # fmt: skip
    apart = np.sqrt(_mean(np.square(table - means))) / means
    spread = float(_mean(apart[:, None])[0]) if len(recordings) > 1 else 0.0
    return HeardRoom(tuple((band, round(value, 2)) for band, value in bands), spread, len(recordings))


def _mean(rows: Samples) -> Samples:
    """Means of columns over what is known; nan where nothing is."""
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    total = np.where(known, rows, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _levels(samples: Samples, rate: int) -> Samples:
    frame = round(FRAME_SECONDS * rate)
    count = len(samples) // frame
    return np.asarray(np.square(samples[: count * frame]).reshape(count, frame).mean(axis=1))


def release_of(recording: Recording) -> int:
    """The sample at which the chord is let go; UselessRecording where it does not stop."""
    levels = _levels(recording.samples, recording.rate)
    loud = np.sort(levels)[-max(3, len(levels) // 10) :].mean()
    above = np.flatnonzero(levels > loud / 4)
    last = int(above[-1]) if len(above) else 0
    rest = len(levels) - last
    if rest * FRAME_SECONDS < 0.4 or levels[-max(2, rest // 8) :].mean() > loud / 100:
        raise UselessRecording(
            "the chord does not stop in this recording", file=recording.name,
            remedy="Let the recorder run until the church is silent.",
        )  # fmt: skip
    return last * round(FRAME_SECONDS * recording.rate)


def _decay(recording: Recording, band: int) -> float:
    """Reverberation time in one octave from 60 ms after the release, -5 to -25 dB; nan where noise forbids it."""
    rate = recording.rate
    filtered = octave(recording.samples, band, rate)[release_of(recording) + round(0.060 * rate) :]
    power = np.square(filtered)
    noise = power[-round(0.2 * rate) :].mean()
    smooth = _levels(filtered, rate)
    under = np.flatnonzero(smooth < 2 * noise)
    end = int(under[0]) * round(FRAME_SECONDS * rate) if len(under) else len(power)
    curve = np.cumsum((power[:end] - noise)[::-1])[::-1]
    if end < 0.1 * rate or curve[0] <= 0:
        return float("nan")
    level = 10 * np.log10(np.maximum(curve / curve[0], 1e-12))
    first, last = int(np.argmax(level <= -5)), int(np.argmax(level <= -25))
    if last <= first + 10:
        return float("nan")
    t = np.arange(first, last) / rate
    return float(-60 / np.polyfit(t, level[first:last], 1)[0])


# --- stops -----------------------------------------------------------------------------------------


Slopes = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class HeardStop:
    """A stop's spectrum as two lines (`Stop.slopes`), and the levels they were fitted to."""

    slopes: Slopes
    levels_db: tuple[float, ...]
    notes: int
    recordings: int

    @property
    def expected_error(self) -> str:
        """What she may expect."""
        if self.notes >= 5 and self.recordings >= 3 * self.notes:
            return "about 1 dB a harmonic"
        return (
            "about 2 dB a harmonic"
            if self.recordings >= 5
            else "about 3 dB a harmonic: record five notes at three places"
        )


def hear_stop(notes: Sequence[tuple[Recording, float]]) -> HeardStop:
    """The spectrum of a stop from recordings of held notes, each with the pitch in hertz that it should have.

    Powers are averaged over recordings of one pitch (places), then levels over pitches.
    """
    by_pitch: dict[float, list[Samples]] = {}
    for recording, hertz in notes:
        by_pitch.setdefault(round(hertz, 3), []).append(harmonic_powers(recording, hertz))
    rows = []
    for powers in by_pitch.values():
        mean = _mean(np.array(powers))
        rows.append(10 * np.log10(np.maximum(mean, 1e-30) / mean[0]))
    heard = np.array(rows)
    counted = np.isfinite(heard).sum(axis=0) * 2 >= len(heard)
    count = int(np.argmin(counted)) if not counted.all() else len(counted)
    if count < LEAST_HARMONICS:
        raise UselessRecording(
            "too few harmonics stand out of the noise", file=notes[0][0].name,
            remedy="Record nearer to the pipes, with nothing else sounding.",
        )  # fmt: skip
    levels = _mean(heard[:, :count])
    return HeardStop(fit_lines(levels), tuple(round(float(one), 1) for one in levels), len(by_pitch), len(notes))


def harmonic_powers(recording: Recording, hertz: float) -> Samples:
    """Power of each harmonic of a held note; nan where it is lost in noise. UselessRecording for another pitch."""
    rate = recording.rate
    levels = _levels(recording.samples, rate)
    loud = np.flatnonzero(levels > 0.1 * np.sort(levels)[-max(3, len(levels) // 10) :].mean())
    frame = round(FRAME_SECONDS * rate)
    begin, end = int(loud[0]) * frame + round(0.3 * rate), int(loud[-1]) * frame - round(0.1 * rate)
    end = min(end, begin + round(ANALYSED_SECONDS * rate))
    if end - begin < SHORTEST_NOTE_SECONDS * rate * 0.6:
        raise UselessRecording("this note is too short", file=recording.name, remedy="Hold it for three seconds.")
    piece = recording.samples[begin:end] * np.hanning(end - begin)
    power = np.square(np.abs(np.fft.rfft(piece, 2 * len(piece))))
    per_hertz = 2 * len(piece) / rate
    tuned = _pitch(power, per_hertz, hertz, recording.name)
    found = np.full(HARMONICS, np.nan)
    for harmonic in range(1, HARMONICS + 1):
        centre = harmonic * tuned * per_hertz
        if 1.05 * centre + 40 >= len(power):
            break
        width = 8 + int(SEARCHED_SHARE * centre)
        near = power[int(centre) - width : int(centre) + width + 2]
        noise = np.median(power[int(centre - 0.4 * tuned * per_hertz) : int(centre + 0.4 * tuned * per_hertz)])
        if near.max() > 30 * noise:
            found[harmonic - 1] = near.max()
    if np.isnan(found[0]):
        raise UselessRecording(
            "the note itself is not heard", file=recording.name, remedy="Record nearer to the pipes."
        )
    return found


def _pitch(power: Samples, per_hertz: float, hertz: float, name: str) -> float:
    """The pitch that is heard near the one expected: harmonics added up; UselessRecording where it is another."""
    trials = hertz * 2 ** (np.arange(-700, 701, 5) / 1200)
    scores = np.zeros(len(trials))
    for harmonic in range(1, 7):
        bins = np.clip(np.round(harmonic * trials * per_hertz).astype(int), 1, len(power) - 2)
        scores += np.sqrt(np.maximum.reduce([power[bins - 1], power[bins], power[bins + 1]])) / harmonic
    best = float(trials[int(np.argmax(scores))])
    off = 1200 * np.log2(best / hertz)
    if abs(off) > WRONG_CENTS:
        raise UselessRecording(
            f"this note sounds at {best:.0f} Hz, not near {hertz:.0f} Hz ({off:+.0f} cents)", file=name,
            remedy="Check the key, the length of the stop in feet and the organ's pitch (a4_hz).",
        )  # fmt: skip
    return best


def fit_lines(levels: Samples) -> Slopes:
    """Slope below the break, the break (a harmonic), slope above it, and how much higher even harmonics lie.

    Least squares over all breaks; levels in dB from the first harmonic on.
    """
    harmonics = np.arange(1, len(levels) + 1)
    best: tuple[float, Slopes] | None = None
    for brk in BREAKS:
        below, above = np.log2(np.minimum(harmonics, brk)), np.log2(np.maximum(harmonics / brk, 1))
        columns = [np.ones(len(levels)), below, (harmonics % 2 == 0).astype(float)]
        if brk < len(levels):
            columns.append(above)
        rows = np.column_stack(columns)
        fitted, *_ = np.linalg.lstsq(rows, levels, rcond=None)
        error = float(np.square(rows @ fitted - levels).sum())
        slope, even = float(fitted[1]), float(fitted[2])
        slopes = (slope, float(brk), float(fitted[3]) if len(fitted) > 3 else slope, even)
        if best is None or error < best[0] - 1e-9:
            best = error, slopes
    assert best is not None
    s1, brk_found, s2, even = (round(one, 1) for one in best[1])
    return s1, brk_found, s2, even
