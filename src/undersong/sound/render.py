"""A performance as sound, block by block.

The musical problem: three thousand key presses, eight ranks and a church of two seconds are a great deal of arithmetic,
and a hymn should be heard at once. Every press is a slice of a tone made once; whatever does not change in time (where
the pipes stand, the closed box, the room) is one impulse response for each bus, and all buses of a block go through the
room together.

Conventions: 44.1 kHz, stereo float32, shape (2, samples), not yet scaled. A bus is a division and a side of its case (C
side for even keys, C sharp side for odd ones); an enclosed division has its buses twice, open and closed, and the
swell moves between them. Time is the performance's; the tail of the room follows its end.

References: project notes on sound, section 1 (overlap-add). Blocks are no powers of two: transforms of 500,000 points
took two thirds of the time of those of 2^19 where this was measured.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from undersong.acoustics.temperament import key_hz
from undersong.model.organ import Division, Organ, Stop
from undersong.model.performance import Performance, SoundedNote
from undersong.model.room import Room
from undersong.sound.meter import RINGING, k_weighting
from undersong.sound.room import Place, behind_shutters, length_of, responses
from undersong.sound.tones import RATE, RELEASE, SHORTEST_KEY, Pipes, Tones, release_curve, speaking

BLOCKS = (500_000, 640_000, 1_000_000, 1_600_000)
NEW_SHARE = 0.6
"""The smallest block is taken of which so much is new sound, the rest being the room's ringing."""
STRETCH = 8192
"""Bins multiplied at a time, so that they stay in the cache."""
SHUTTER_STEP = 64
"""The shutters' place is reckoned every so many samples."""
MARGIN = 8
"""Samples before a block that a tremulant reaches back to."""
TREMULANT_HZ, TREMULANT_SECONDS = 6.0, 77e-6
"""About 6 to 7 Hz (J. Liljencrants); the pitch moves by 5 cents each way (assumed)."""
TREMULANT_DEPTH = 0.06

Samples = NDArray[np.float32]

SIDES_METRES = 1.2


def place_of(organ: Organ, division: Division, odd: bool) -> Place:
    """Where the pipes of a division's side stand: pedal outermost and low, each manual a storey higher and deeper."""
    side = SIDES_METRES if odd else -SIDES_METRES
    if organ.pedal is not None and division.name == organ.pedal.name:
        return Place(2.5 * side, 0.5, 4.0)
    storey = organ.manuals.index(division)
    return Place(side, 0.8 * storey, 5.0 + 0.8 * storey)


@dataclass(frozen=True, slots=True)
class _Press:
    """A tone from one sample to another on a line of pipes."""

    pipes: Pipes
    on: int
    off: int
    home: str

    @property
    def ends(self) -> int:
        """Where its release has died."""
        return max(self.off, self.on + SHORTEST_KEY) + RELEASE


class Renderer:
    """Renders one performance; `blocks` gives it in pieces, with the loudness filter applied beside each."""

    def __init__(
        self,
        performance: Performance,
        organ: Organ,
        room: Room,
        *,
        tremulants: frozenset[str] = frozenset(),
        seed: int = 80,
    ) -> None:
        self._performance = performance
        self._organ = organ
        self._tremulants = tremulants
        self._tones = Tones()
        self._ringing = length_of(room)
        presses = list(_presses(performance, organ))
        self._presses = sorted(presses, key=lambda one: one.on)
        self._longest = max((press.ends - press.on for press in presses), default=0)
        ends = max((press.ends for press in presses), default=0)
        self.length = max(ends, round(performance.length_seconds * RATE)) + self._ringing
        self.block = self._block_size()
        self._closed: list[int] = []
        self._lines = sorted({(press.home, press.pipes.number % 2) for press in presses})
        self._room, self._seed = room, seed

    def _block_size(self) -> int:
        whole = self.length + self._ringing + RINGING
        if whole <= BLOCKS[0]:
            return int(next_fast_len(max(whole, 1024), real=True))
        rings = self._ringing + RINGING
        return next((size for size in BLOCKS if size - rings >= NEW_SHARE * size), BLOCKS[-1])

    @property
    def hop(self) -> int:
        """Samples of a block."""
        return self.block - self._ringing - RINGING + 1

    @cached_property
    def _spectra(self) -> NDArray[np.complex64]:
        """Spectra of the room's responses, shape (buses, 2, bins); the closed ones follow the open ones.

        Made with the first block: how long the sound is can be told at once.
        """
        if not self._lines:
            return np.zeros((0, 2, self.block // 2 + 1), np.complex64)
        divisions = {division.name: division for division in self._organ.divisions}
        places = [place_of(self._organ, divisions[home], bool(odd)) for home, odd in self._lines]
        heard = responses(self._room, places, self._seed)
        closed = [index for index, (home, _) in enumerate(self._lines) if divisions[home].enclosed]
        if closed:
            heard = np.concatenate([heard, behind_shutters(heard[closed])])
        self._closed = closed
        return np.asarray(rfft(heard, self.block, axis=-1))

    def blocks(self) -> Iterator[tuple[Samples, Samples]]:
        """Pieces of the sound and of the same through the loudness filter, shape (2, up to hop)."""
        hop, size, spectra = self.hop, self.block, self._spectra
        weight = k_weighting(size)
        over = np.zeros((2, 2, size), np.float32)
        dry = np.zeros((len(spectra), size), np.float32)
        for start in range(0, self.length, hop):
            self._mix(dry, start, hop)
            made = self._convolved(dry)
            both = irfft(np.stack([made, made * weight]), size, axis=-1)
            both += over
            over[..., : size - hop] = both[..., hop:]
            over[..., size - hop :] = 0
            end = min(hop, self.length - start)
            yield both[0, :, :end], both[1, :, :end]

    def _convolved(self, dry: Samples) -> NDArray[np.complex64]:
        made = np.zeros((2, self.block // 2 + 1), np.complex64)
        if len(dry):
            waves = rfft(dry, axis=-1)
            for begin in range(0, made.shape[1], STRETCH):
                some = slice(begin, begin + STRETCH)
                product = np.empty_like(made[:, some])
                for wave, heard in zip(waves, self._spectra, strict=True):
                    np.multiply(wave[some], heard[:, some], out=product)
                    made[:, some] += product
        return made

    def _mix(self, dry: Samples, start: int, hop: int) -> None:
        """The buses of a block, dry: presses added to their lines, tremulants and shutters moving."""
        dry[:] = 0
        lines = {line: index for index, line in enumerate(self._lines)}
        beating = {line: np.zeros(hop + MARGIN, np.float32) for line in self._lines if line[0] in self._tremulants}
        low, high = start - MARGIN, start + hop
        first = bisect_right(self._presses, low - self._longest - 1, key=lambda one: one.on)
        last = bisect_right(self._presses, high - 1, key=lambda one: one.on)
        for press in self._presses[first:last]:
            if press.ends <= low:
                continue
            line = (press.home, press.pipes.number % 2)
            if line in beating:
                self._add(beating[line], press, low, high)
            else:
                self._add(dry[lines[line]], press, start, high)
        for line, samples in beating.items():
            dry[lines[line], :hop] = _trembling(samples, start)
        if self._closed:
            opened = self._shutters(start, hop)
            for number, index in enumerate(self._closed):
                np.multiply(dry[index, :hop], 1 - opened, out=dry[len(self._lines) + number, :hop])
                dry[index, :hop] *= opened

    def _add(self, out: Samples, press: _Press, low: int, high: int) -> None:
        """Add what of a press falls between two samples to `out`, which begins at `low`."""
        tone = self._tones.of(press.pipes)
        off = max(press.off, press.on + SHORTEST_KEY)
        begins, ends = max(press.on, low), min(off, high)
        if begins < ends:
            tone.add_to(out, press.on - low, begins - press.on, ends - press.on)
        begins, ends = max(off, low), min(off + RELEASE, high)
        if begins < ends:
            fading = tone.take(begins - press.on, ends - press.on)
            out[begins - low : ends - low] += fading * release_curve()[begins - off : ends - off]

    def _shutters(self, start: int, hop: int) -> Samples:
        """How far the shutters are open through a block: 0 to 1."""
        marks = self._performance.swell or ((0.0, 1.0),)
        coarse = (start + np.arange(0, hop + SHUTTER_STEP, SHUTTER_STEP)) / RATE
        places = np.interp(coarse, [one[0] for one in marks], [one[1] for one in marks])
        fine = np.interp(np.arange(hop), np.arange(len(places)) * SHUTTER_STEP, places)
        return np.clip(fine, 0, 1).astype(np.float32)


def _trembling(samples: Samples, start: int) -> Samples:
    """A line of pipes under a tremulant: pitch and loudness waver; the first samples are those before the block."""
    hop = len(samples) - MARGIN
    turn = np.sin(2 * np.pi * TREMULANT_HZ * (start + np.arange(hop)) / RATE)
    place = MARGIN / 2 + np.arange(hop) + TREMULANT_SECONDS * RATE * turn
    whole = np.floor(place).astype(int)
    part = (place - whole).astype(np.float32)
    later = np.minimum(whole + 1, len(samples) - 1)
    moved = samples[whole] * (1 - part) + samples[later] * part
    return np.asarray(moved * (1 + TREMULANT_DEPTH * turn.astype(np.float32)))


def _presses(performance: Performance, organ: Organ) -> Iterator[_Press]:
    """Every tone that sounds: one for each division whose pipes speak at a key."""
    drawn = _Drawn(performance, organ)
    known: dict[tuple[str, int, int], list[tuple[Pipes, str]]] = {}
    for note in performance.notes:
        at = (note.division, drawn.index(note), note.number)
        if at not in known:
            hertz = key_hz(note.number, organ.a4_hz, organ.temperament)
            known[at] = [
                (Pipes(sounding, note.number, hertz, organ.pedal is not None and home == organ.pedal.name), home)
                for home, stops in drawn.at(note)
                if (sounding := speaking(stops, note.number))
            ]
        for pipes, home in known[at]:
            yield _Press(pipes, round(note.on_seconds * RATE), round(note.off_seconds * RATE), home)


class _Drawn:
    """Which stops a key plays when it goes down, pipes grouped by their division."""

    def __init__(self, performance: Performance, organ: Organ) -> None:
        self._organ = organ
        self._changes: dict[str, list[tuple[float, tuple[str, ...]]]] = {}
        for change in performance.stop_changes:
            self._changes.setdefault(change.division, []).append((change.at_seconds, change.stops))

    def _keyboard(self, note: SoundedNote) -> Division:
        """The keyboard of a key; what the feet would play without a pedal sounds on the lowest manual."""
        return self._organ.division(note.division) or self._organ.manuals[0]

    def index(self, note: SoundedNote) -> int:
        """Which change of its keyboard's stops a key falls under, -1 before the first."""
        changes = self._changes.get(self._keyboard(note).name, [])
        return bisect_right(changes, note.on_seconds, key=lambda one: one[0]) - 1

    def at(self, note: SoundedNote) -> Sequence[tuple[str, tuple[Stop, ...]]]:
        """Divisions and stops that a key sounds."""
        keyboard, index = self._keyboard(note), self.index(note)
        changes = self._changes.get(keyboard.name, [])
        if index < 0:
            return ((keyboard.name, usual_stops(keyboard)),)
        by_home: dict[str, list[Stop]] = {}
        for name in changes[index][1]:
            home, _, bare = name.rpartition(": ")
            division = self._organ.division(home or keyboard.name)
            stop = next((one for one in division.working if str(one) == bare), None) if division else None
            if division is not None and stop is not None:
                by_home.setdefault(division.name, []).append(stop)
        return tuple((home, tuple(stops)) for home, stops in by_home.items())


def usual_stops(division: Division) -> tuple[Stop, ...]:
    """What sounds where no stops were chosen: the first foundation stop, in the pedal with a 16 foot one."""
    flues = [stop for stop in division.working if stop.family in ("principal", "flute", "string")]
    eight = [stop for stop in flues if stop.pitch == 1][:1]
    deep = [stop for stop in flues if stop.pitch < 1][:1] if division.keys < 40 else []
    return tuple(deep + eight) or division.working[:1]
