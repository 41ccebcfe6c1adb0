"""What pipes sound like: partials, loudness, speech and wind of each kind of stop, and the ranks of mixtures.

The musical problem: a stop is known by its family and length. Two straight lines, level in dB against the logarithm of
the harmonic, describe the spectrum of most pipes well; a few numbers for each kind are enough to hear which stop it is
and whether a tune stands clear over the others.

Conventions: levels in dB; harmonic h has s1 x log2(h) up to h = brk and s2 beyond; even harmonics get `even` added.
Powers are 0.5 x 10^(dB/10) at the pipe, an open Diapason's fundamental being 0 dB. Pitch is a factor on the key's own
frequency at 8 feet.

References: two slopes: C. Pykett, pipe scale and harmonic spectra. The numbers are assumed, not measured (project notes
on sound, section 2), the clarinet's after D. C. Miller's analysis of the instrument; they are replaced by her own
organ's where she records it. Mixtures: published composition of a Fourniture IV (encyclopaedia, "Mixture"), which
breaks back because little is built above the top of a 2 foot rank; the Cornet's ranks are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import log2

from undersong.acoustics.stopnames import split_name
from undersong.model.organ import UNISON_FEET, Stop, feet_of

HIGHEST_PARTIAL_HZ = 19_000.0
LEVEL_STEP_DB = 3.0
"""A stop one step louder on the scale of 1 to 5 (assumed)."""
DULL_DB, DULL_SPEECH = -3.0, 1.5
"""A stop in a dull state is softer and speaks more slowly (assumed)."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """One row: slopes in dB, partials kept, time constant of the attack, wind noise beside the fundamental.

    `gain_db` belongs to a stop of 8 feet of the usual loudness `level`.
    """

    name: str
    s1: float
    brk: float
    s2: float
    even: float
    partials: int
    speech_ms: float
    noise_db: float
    gain_db: float
    level: int

    def level_db(self, harmonic: int) -> float:
        """Level of a harmonic, the first being 0 dB.

        >>> round(SPECTRA["principal"].level_db(4))
        -9
        """
        low = min(harmonic, self.brk)
        high = max(harmonic / self.brk, 1.0)
        return self.s1 * log2(low) + self.s2 * log2(high) + (self.even if harmonic % 2 == 0 else 0.0)


SPECTRA = {
    row.name: row
    for row in (
        Spectrum("principal", -4.5, 6, -14, 0, 24, 45, -48, 0, 4),
        Spectrum("octave", -5.5, 5, -16, 0, 20, 40, -50, 0, 3),
        Spectrum("stopped", -11, 3, -15, -18, 12, 60, -44, -4, 2),
        Spectrum("open flute", -10, 3, -17, -2, 12, 60, -44, -4, 2),
        Spectrum("string", -1.5, 8, -14, 0, 32, 110, -46, -10, 1),
        Spectrum("oboe", 2, 5, -11, -1, 40, 30, -55, -8, 3),
        Spectrum("clarinet", -1, 7, -12, -14, 40, 30, -55, -7, 3),
        Spectrum("trumpet", 0.5, 8, -12, 0, 48, 25, -55, -6, 5),
        Spectrum("mixture", -7, 4, -18, 0, 12, 25, -52, -12, 4),
    )
}
"""Kinds of pipes by name."""

OCTAVE_HIGHER_DB = -4.0
"""A stop an octave higher is made so much softer in the usual chorus (8 feet 0, 4 feet -4, 2 feet -8)."""
PEDAL_16_DB = {"stopped": 7.0, "open flute": 5.0, "principal": 3.0, "trumpet": 2.0, "string": 5.0}
"""16 foot stops of the pedal are louder than the same kind on a manual (Subbass +3 dB, Trombone -4 dB)."""
PEDAL_DB = -1.0
CELESTE_CENTS = 8.0
_COMPOUND_DB = {"cornet": (-8.0, 4), "sesquialtera": (-11.0, 3)}
"""Gain of each rank and usual level of stops of several ranks made of other stops' pipes (assumed)."""

_BY_VARIETY = {
    ("flute", "stopped"): "stopped", ("flute", "chimney"): "stopped", ("string", ""): "string",
    ("string", "celeste"): "string", ("reed", "oboe"): "oboe", ("reed", "clarinet"): "clarinet",
    ("reed", "trumpet"): "trumpet", ("mutation", "principal"): "octave", ("mixture", "cornet"): "open flute",
    ("mixture", "sesquialtera"): "octave",
}  # fmt: skip
_BY_FAMILY = {
    "principal": "principal", "flute": "open flute", "string": "string", "reed": "oboe", "mixture": "mixture",
    "mutation": "open flute",
}  # fmt: skip


@lru_cache(maxsize=1024)
def spectrum_of(stop: Stop) -> Spectrum:
    """The kind of pipes a stop has, with the slopes of its own where they were recorded."""
    kind = _kind_of(stop)
    if len(stop.slopes) != 4:
        return kind
    s1, brk, s2, even = stop.slopes
    return replace(kind, s1=s1, brk=brk, s2=s2, even=even, partials=max(kind.partials, 20))


def _kind_of(stop: Stop) -> Spectrum:
    if stop.family == "principal" and feet_of(stop.feet) < UNISON_FEET:
        return SPECTRA["octave"]
    return SPECTRA[_BY_VARIETY.get((stop.family, stop.variety), _BY_FAMILY[stop.family])]


def gain_db(stop: Stop, *, pedal: bool = False) -> float:
    """Loudness of a stop's fundamental beside that of an open Diapason 8."""
    spectrum, feet = spectrum_of(stop), feet_of(stop.feet)
    usual, level = _COMPOUND_DB.get(stop.variety, (spectrum.gain_db, spectrum.level))
    gain = usual + LEVEL_STEP_DB * (stop.level - level) + (DULL_DB if stop.state == "dull" else 0.0)
    if stop.family != "mixture" and feet < UNISON_FEET:
        gain += OCTAVE_HIGHER_DB * log2(UNISON_FEET / feet)
    if pedal:
        gain += PEDAL_16_DB.get(spectrum.name, 2.0) if feet >= 2 * UNISON_FEET else PEDAL_DB
    return gain


UPPER_SPEECH, QUICK_SPEECH = 0.7, 0.5
"""Upper partials of flues speak sooner than the fundamental, reeds and mixtures sooner still (assumed)."""


@lru_cache(maxsize=1024)
def speech_share(stop: Stop) -> float:
    """How soon the energy of a stop has risen beside that of a pure tone: 1 for a flute, less for brighter stops.

    >>> round(speech_share(Stop("Principal", "8", "principal")), 2)
    0.86
    """
    if stop.family in ("reed", "mixture"):
        return QUICK_SPEECH
    spectrum = spectrum_of(stop)
    upper = sum(10 ** (spectrum.level_db(harmonic) / 10) for harmonic in range(2, spectrum.partials + 1))
    share = (1 + UPPER_SPEECH * upper) / (1 + upper)
    return share * (DULL_SPEECH if stop.state == "dull" else 1.0)


CHAIN = tuple(
    Fraction(text) for text in ("8", "16/3", "4", "8/3", "2", "4/3", "1", "2/3", "1/2", "1/3", "1/4")
)  # fmt: skip
"""Lengths that alternate octave and fifth."""
FOURNITURE_BEGINS = ((0, "4/3"), (48, "2"), (60, "8/3"), (72, "4"), (84, "16/3"))
"""From which key on a Fourniture begins its ranks with which length."""
HIGHEST_RANK_HZ = 8400.0
"""The top of a 2 foot rank of 61 notes: 8372 Hz."""
CORNET = (Fraction(8), Fraction(4), Fraction(8, 3), Fraction(2), Fraction(8, 5))
CORNET_FROM_KEY = 60
SESQUIALTERA = (Fraction(8, 3), Fraction(8, 5))


@lru_cache(maxsize=4096)
def ranks_of(stop: Stop, number: int) -> tuple[float, ...]:
    """Pitches of the pipes that sound at a key, as factors on its frequency at 8 feet; none where the stop is silent.

    >>> ranks_of(Stop("Mixture IV", "1 1/3", "mixture"), 60)
    (3.0, 4.0, 6.0, 8.0)
    """
    if not stop.speaks_on(number):
        return ()
    if stop.family != "mixture":
        return (float(stop.pitch) * 2 ** (CELESTE_CENTS / 1200 if stop.variety == "celeste" else 0.0),)
    if stop.breaks:
        below = [one for one in stop.breaks if one.from_key <= number]
        lengths = tuple(feet_of(one) for one in below[-1].ranks) if below else ()
    else:
        lengths = _usual_ranks(stop, number)
    return tuple(float(UNISON_FEET / length) for length in lengths)


def _usual_ranks(stop: Stop, number: int) -> tuple[Fraction, ...]:
    wanted = split_name(stop.name)[2]
    if stop.variety == "cornet":
        ranks = CORNET[-wanted:] if 0 < wanted < len(CORNET) else CORNET
        return ranks if number >= CORNET_FROM_KEY or stop.lowest else ()
    if stop.variety == "sesquialtera":
        return SESQUIALTERA
    begins = [length for key, length in FOURNITURE_BEGINS if key <= number][-1]
    printed = feet_of(stop.feet)
    shift = min(range(len(CHAIN)), key=lambda index: abs(CHAIN[index] - printed)) - CHAIN.index(Fraction(4, 3))
    first = max(0, CHAIN.index(Fraction(begins)) + shift)
    hertz = 440.0 * 2 ** ((number - 69) / 12)
    lengths = []
    for length in CHAIN[first : first + (wanted or 3)]:
        fitting = length
        while hertz * UNISON_FEET / float(fitting) > HIGHEST_RANK_HZ and fitting < UNISON_FEET:
            fitting *= 2
        lengths.append(fitting)
    return tuple(lengths)


@lru_cache(maxsize=8192)
def partials_of(stop: Stop, number: int, hertz: float, *, pedal: bool = False) -> tuple[tuple[float, float], ...]:
    """Frequency and power of everything that sounds when the key `number` (of `hertz` at 8 feet) plays a stop."""
    spectrum, gain = spectrum_of(stop), gain_db(stop, pedal=pedal)
    return tuple(
        (harmonic * rank * hertz, 0.5 * 10 ** ((spectrum.level_db(harmonic) + gain) / 10))
        for rank in ranks_of(stop, number)
        for harmonic in range(1, spectrum.partials + 1)
        if harmonic * rank * hertz < HIGHEST_PARTIAL_HZ
    )
