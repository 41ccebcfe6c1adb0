"""How long to hold a key: overlap or gap between two notes, from the room, the speed and the pipes.

The musical problem: in a dry room a key must be held a little into the next note, or the line falls apart; in a live
one it must be let go a little early, or the notes run into one another; pipes that speak slowly want more overlap,
fast notes smaller gaps. A note struck again must always be let go first.

Conventions: all times in seconds. `overlap` is how long a key stays down after the next goes down, negative for a gap.
`step` is the time from onset to onset, `speech` the time constant of a pipe's attack (amplitude
1 - exp(-(t/speech)^1.6)), `distance` metres from the pipes. The rule: the smallest overlap whose dip, beside a
sustained tone, is at most `dip_db`. After release a pipe dies with a time constant of 14 ms. Energies are added; the
ear smooths over 10 ms.

References: the model and the closed form (210 solved cases, largest error 12.6 ms) are those of the project's notes on
sound, section 5: derived, on assumptions. That organists change breaks with reverberation: Amengual Gari, Lachenmayr,
Kob, Vienna Talk 2015; repeated notes on the piano held about 60 %: Bresin and Battel, JNMR 29 (2000).
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, log10, pi, sqrt
from typing import TYPE_CHECKING, Any

from undersong.acoustics.blur import Place
from undersong.model.room import Room

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DISTANCE: dict[Place, float] = {"nave": 14.0, "bench": 4.0}
RELEASE_SECONDS = 0.014
EAR_SECONDS = 0.010
USUAL_DIP_DB = 2.0
"""How deep the sound may dip between two connected notes (assumed)."""
LEAST_DIP_DB, MOST_DIP_DB = 1.5, 3.0
"""More connected, less connected (assumed)."""

LEVELS_OFF_SECONDS = 0.8
"""Steps longer than this ask for no larger gap."""
MOST_OVERLAP_SECONDS, MOST_GAP_SECONDS, MOST_SHARE = 0.060, 0.080, 0.25
ROUNDED_TO_SECONDS = 0.005

MIDDLE_C_HZ = 261.6
SPEECH_AT_MIDDLE_C, QUICKEST_SPEECH, SLOWEST_SPEECH = 0.045, 0.008, 0.140


def speech_seconds(hertz: float) -> float:
    """Time constant of a flue pipe's attack: 45 ms at middle C, longer for deeper pipes.

    >>> round(speech_seconds(65.4), 3)
    0.09
    """
    return min(SLOWEST_SPEECH, max(QUICKEST_SPEECH, SPEECH_AT_MIDDLE_C * sqrt(MIDDLE_C_HZ / hertz)))


def overlap_rule(step: float, seconds: float, speech: float, distance: float = 14.0, volume: float = 4312.0) -> float:
    """The overlap by the closed form for a dip of 2 dB, not clipped; `seconds` is the reverberation time.

    >>> round(1000 * overlap_rule(0.25, 2.0, 0.045))
    -17
    """
    speech = min(speech, 0.3 * step)
    reverberant = 1 / (1 + 0.0032 * volume / (seconds * distance**2))
    share = max(0.05, 1 + 0.195 * 10 * log10(reverberant))
    step = min(step, LEVELS_OFF_SECONDS)
    return 0.96 * speech - 0.0137 - 1 / (1 / (0.0507 * seconds * share) + 1 / (0.352 * step))


def clipped(overlap: float, step: float) -> float:
    """An overlap as it is played: at most 60 ms and a quarter of the step, a gap at most 80 ms, in steps of 5 ms."""
    held = min(overlap, MOST_OVERLAP_SECONDS, MOST_SHARE * step)
    played = max(held, -MOST_GAP_SECONDS, -MOST_SHARE * step)
    return round(played / ROUNDED_TO_SECONDS) * ROUNDED_TO_SECONDS


def overlap_seconds(
    step: float, room: Room, speech: float, place: Place = "nave", dip_db: float = USUAL_DIP_DB
) -> float:
    """The overlap as it is played in a room: by the closed form, or solved where another dip is wished for."""
    distance = DISTANCE[place]
    if dip_db == USUAL_DIP_DB:
        overlap = overlap_rule(step, room.seconds, speech, distance, room.volume)
    else:
        overlap = solved_overlap(
            round(min(step, LEVELS_OFF_SECONDS), 3), room.seconds, round(min(speech, 0.3 * step), 3), distance,
            room.volume, dip_db,
        )  # fmt: skip
    return clipped(overlap, step)


LEAST_OPENING_SECONDS, MOST_OPENING_SECONDS, MOST_OPENING_SHARE = 0.080, 0.35, 0.5
"""A key struck again is open for 80 ms (release and speech), at most for half its value and 0.35 s."""
HEARD_AGAIN = ((2.0, 6.0), (4.0, 3.0))
"""Reverberation time and by how many dB the sound must dip for a note to be heard as struck again (assumed)."""


def heard_again_db(seconds: float) -> float:
    """The dip wanted between repeated notes: 6 dB up to 2 s of reverberation, 3 dB from 4 s on."""
    (live, deep), (very_live, shallow) = HEARD_AGAIN
    share = min(1.0, max(0.0, (seconds - live) / (very_live - live)))
    return deep + (shallow - deep) * share


def opening_seconds(step: float, room: Room, speech: float, place: Place = "nave") -> float:
    """How long a key is open before it is struck again: as short as is heard, in steps of 5 ms rounded up."""
    most = min(MOST_OPENING_SECONDS, MOST_OPENING_SHARE * step)
    heard = -solved_overlap(
        max(0.01, round(min(step, LEVELS_OFF_SECONDS), 2)), room.seconds, max(0.01, round(min(speech, 0.3 * step), 2)),
        DISTANCE[place], room.volume, heard_again_db(room.seconds), 10,
    )  # fmt: skip
    wanted = ceil(heard / ROUNDED_TO_SECONDS) * ROUNDED_TO_SECONDS
    return min(most, max(LEAST_OPENING_SECONDS, wanted))


# --- the model behind the closed form --------------------------------------------------------------

RATE = 2000
"""Energies are reckoned at 2 kHz."""


def absorption(seconds: float, volume: float) -> float:
    """Equivalent absorption area in square metres after Sabine: 0.161 V / T (W. C. Sabine, metric form)."""
    return 0.161 * volume / seconds


def sabine_seconds(volume: float, absorption_area: float) -> float:
    """Reverberation time after Sabine.

    >>> round(sabine_seconds(640, 22.4), 1)
    4.6
    """
    return 0.161 * volume / absorption_area


def _room_energy(seconds: float, distance: float, volume: float) -> NDArray[np.float64]:
    """Energy that arrives after an impulse, per sample: the direct sound and a growing and dying reverberation."""
    import numpy as np  # noqa: PLC0415  # only where an overlap is solved

    t = np.arange(int(1.2 * seconds * RATE)) / RATE
    mixing = 4 * volume / (343 * 1708 * (volume / 4312) ** (2 / 3))
    tail = np.exp(-13.8155 * t / seconds) * np.minimum(1, t / mixing)
    tail *= 16 * pi / absorption(seconds, volume) / tail.sum()
    tail[0] += 1 / distance**2
    return np.asarray(tail)


def _one_note(step: float, overlap: float, speech: float, size: int) -> NDArray[np.float64]:
    """Energy envelope of one key press."""
    import numpy as np  # noqa: PLC0415  # as above

    held = max(step + overlap, 0.020)
    t = np.arange(size) / RATE
    rising = 1 - np.exp(-((np.minimum(t, held) / speech) ** 1.6))
    return np.asarray(np.square(rising * np.exp(-np.maximum(t - held, 0) / RELEASE_SECONDS)))


def _figure(
    step: float, overlap: float, seconds: float, speech: float, distance: float, volume: float, *, ear: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], int]:
    """Energy of many equal notes in a room, of one of them alone, and the room's; and the samples of a step."""
    import numpy as np  # noqa: PLC0415  # as above

    room = _room_energy(seconds, distance, volume)
    hop = max(1, round(step * RATE))
    count = max(12, int(2.4 * seconds / step))
    length = int((max(step + overlap, 0.02) + 0.15) * RATE)
    size = 1 << (len(room) + length + 200).bit_length()
    spectrum = np.fft.rfft(_one_note(step, overlap, speech, length), size) * np.fft.rfft(room, size)
    if ear:
        smooth = np.exp(-np.arange(200) / (EAR_SECONDS * RATE))
        spectrum *= np.fft.rfft(smooth / smooth.sum(), size)
    one = np.fft.irfft(spectrum, size)[: len(room) + length + 200]
    total = np.zeros(hop * count + len(one))
    for index in range(count):
        total[index * hop : index * hop + len(one)] += one
    return total, one, room, hop


def dip_db(
    step: float, overlap: float, seconds: float, speech: float, distance: float = 14.0, volume: float = 4312.0
) -> float:
    """How far the sound of a figure dips between two notes beside a sustained tone: 0 or below."""
    total, _, room, hop = _figure(step, overlap, seconds, speech, distance, volume, ear=True)
    onset = hop * (max(12, int(2.4 * seconds / step)) - 3)
    lowest = total[onset - int(0.3 * hop) : onset + int(0.7 * hop)].min()
    return 10 * log10(max(float(lowest), 1e-30) / float(room.sum()))


@lru_cache(maxsize=512)
def solved_overlap(
    step: float, seconds: float, speech: float, distance: float = 14.0, volume: float = 4312.0,
    deepest_db: float = USUAL_DIP_DB, halvings: int = 18,
) -> float:  # fmt: skip
    """The smallest overlap whose dip is at most so many dB, by halving; not clipped."""
    low, high = max(-0.9, -0.9 * step + 0.020), min(0.6, 0.9 * step)
    for _ in range(halvings):
        middle = (low + high) / 2
        if -dip_db(step, middle, seconds, speech, distance, volume) > deepest_db:
            low = middle
        else:
            high = middle
    return high


def blur_db(
    step: float, overlap: float, seconds: float, speech: float, distance: float = 14.0, volume: float = 4312.0
) -> float:
    """Energy left by all earlier notes beside that of the current one, half a step after its onset."""
    total, one, _, hop = _figure(step, overlap, seconds, speech, distance, volume, ear=False)
    onset = hop * (max(12, int(2.4 * seconds / step)) - 3)
    now: Any = one[hop // 2]
    return 10 * log10(max(float(total[onset + hop // 2] - now), 1e-30) / float(now))
