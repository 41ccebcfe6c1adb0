"""Alto and tenor between a tune and a bass: a proposal for four parts, on the page.

The problem: a hymn-book gives tune, bass and chords, and a choir wants four parts. Each harmony gets one key of the
alto and one of the tenor by the search that chooses every voicing (`voicing.choose`), in the ranges of singers and no
more than an octave below the voice above. What stands in a part already is kept, and the rest is chosen to it. The
parts go with the words: a note for each syllable of the tune, held where the tune alone moves on.

Conventions: places along the page, every bar once; keys are MIDI numbers, prices points as in `voicings`. Where no
bass stands, one is made by R11.

References: ranges and spacing as textbooks of harmony have them (from memory: alto G3 to D5, tenor C3 to A4; an octave
at most between neighbours of the upper three); common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.bass import HIGHEST, LOWEST, bass_from_chords
from undersong.arranging.figured import ground_of, spelled
from undersong.arranging.fixed import below_tune
from undersong.arranging.voicing import choose
from undersong.arranging.walked import Piece, WalkedVerse, merged, walk_verse
from undersong.model.accompaniment import PlacedLine
from undersong.model.harmony import Harmony
from undersong.model.hymn import Hymn
from undersong.model.pitch import Pitch
from undersong.model.tune import Note, Tune, Voice
from undersong.textures.ground import Bench, Ground, Sounded, chords_in, sounding
from undersong.textures.table import TEXTURES
from undersong.textures.units import Unit, cut
from undersong.textures.voicings import Candidate, standing_chords

RANGES = {"alto": (55, 74), "tenor": (48, 69)}
NAMES = ("tenor", "alto")
"""The levels of the search, from below."""
PARTS = ("soprano", "alto", "tenor", "bass")
OCTAVE, TOO_WIDE = 12, 6.0
"""Each semitone by which neighbours lie more than an octave apart."""
DEAR = 3.0
"""How many times dearer parallels are than under a figure: four voices are heard as voices."""
MOST = 40
"""So many ways of filling a harmony are compared."""
SINGERS = Bench(
    RANGES["tenor"][0], RANGES["alto"][1], 99, 99, above_tune=False, above_bass=True, same_manual=False,
    keyboard_lowest=RANGES["tenor"][0], home=60, two_hands=True,
)  # fmt: skip
"""Voices reach what no hand does."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """A hymn in four parts, and what of them was proposed: `(voice, onset)` of each note."""

    hymn: Hymn
    notes: frozenset[tuple[str, Fraction]]


def with_inner_parts(hymn: Hymn, harmony: Harmony) -> Proposed:
    """The hymn with alto and tenor (and bass, if there is none) as far as tune and bass go; what stands is kept."""
    tune = _four(hymn.tune)
    verse = walk_verse(replace(hymn, tune=replace(tune, route=())), harmony, None)
    printed = verse.voice("bass")
    bass = printed or tuple(below_tune(piece, verse, 0) for piece in _bass(verse))
    if not bass or not verse.tune:
        return Proposed(hymn, frozenset())
    end = min(bass[-1].end, verse.tune[-1].end)
    ground = replace(ground_of(verse, bass, 0), lines=(PlacedLine(Fraction(0), verse.end),))
    own = {name: merged(verse.voice(name)) for name in NAMES}
    units = tuple(unit for unit in cut(ground, TEXTURES["block"], SINGERS) if unit.start < end)
    chosen = choose(units, tuple(_options(unit, own) for unit in units), DEAR)
    sung = _sung(hymn, ground.tune, end)
    made = {} if printed else {"bass": tuple(Note(one.start, one.length, one.pitch, one.tied_to) for one in bass)}
    for level, name in enumerate(NAMES):
        keys = [(unit, one.levels[level] if one.levels else -1) for unit, one in zip(units, chosen, strict=True)]
        made[name] = _notes(ground, keys, sung, own[name][-1].end if own[name] else Fraction(0))
    voices = tuple(
        Voice(name, (*(kept.notes if (kept := tune.voice(name)) else ()), *made.get(name, ()))) for name in PARTS
    )
    voices += tuple(voice for voice in tune.voices if voice.name not in PARTS)
    proposed = frozenset((name, note.onset) for name, notes in made.items() for note in notes)
    return Proposed(replace(hymn, tune=replace(tune, voices=voices)), proposed)


def _bass(verse: WalkedVerse) -> tuple[Piece, ...]:
    """A bass by R11, and in the pickup, where feet are silent and singers are not, the bass of its chord."""
    bass = bass_from_chords(verse, LOWEST, HIGHEST)
    if not bass or not verse.tune:
        return bass
    first = bass[0]
    upbeat = [one for one in chords_in(verse.chords, verse.tune[0].start, first.start) if one.chord.lowest is not None]
    more = []
    for one in upbeat:
        start, end = max(one.start, verse.tune[0].start), min(one.end, first.start)
        name = one.chord.lowest
        assert name is not None
        near = [Pitch(name.step, name.alter, octave) for octave in range(1, 5)]
        inside = [pitch for pitch in near if LOWEST <= pitch.midi <= HIGHEST]
        more.append(Piece(start, end - start, min(inside, key=lambda pitch: abs(pitch.midi - first.pitch.midi))))
    return (*more, *bass)


def _four(tune: Tune) -> Tune:
    """The tune's voice as the soprano."""
    lead = tune.tune_voice
    others = [voice for voice in tune.voices if voice is not lead and voice.name != "soprano"]
    return replace(tune, voices=(replace(lead, name="soprano"), *others), melody="soprano")


def _options(unit: Unit, own: dict[str, tuple[Sounded, ...]]) -> tuple[Candidate, ...]:
    """Ways of filling a harmony, cheapest first; in unison with a neighbour where there is no other, silent without."""
    floor, ceiling = max(slot.floor for slot in unit.slots), min(slot.ceiling for slot in unit.slots)
    names = unit.slots[0].allowed - frozenset[int]().union(*(slot.forbidden for slot in unit.slots))
    hers = [sounding(own[name], unit.start, unit.end) for name in NAMES]
    pools = []
    for name, notes in zip(NAMES, hers, strict=True):
        low, high = max(RANGES[name][0], floor - 1), min(RANGES[name][1], ceiling + 1)
        free = tuple(key for key in range(low, high + 1) if key % 12 in names)
        pools.append((notes[0].midi,) if notes else free)
    made = []
    for one in standing_chords(unit, tuple(pools), SINGERS):
        last = tuple(notes[-1].midi if notes else key for key, notes in zip(one.levels, hers, strict=True))
        wide = [high - low for low, high in pairwise((*one.levels, max(unit.tune_first, one.levels[-1])))]
        price = TOO_WIDE * sum(max(0, size - OCTAVE) for size in wide)
        made.append(replace(one, cost=one.cost + price, ends=last if last != one.levels else ()))
    made.sort(key=lambda one: (one.cost, one.levels))
    silent = tuple(() for _ in unit.slots)
    if not made and unit.root >= 0:
        tenor, alto = (notes[0].midi if notes else -1 for notes in hers)
        levels = (
            tenor if tenor >= 0 else max(alto, unit.bass_first),
            alto if alto >= 0 else max(tenor, unit.tune_first),
        )
        if min(levels) >= 0:
            return (Candidate(levels, silent, 0.0),)
    return tuple(made[:MOST]) or (Candidate((), silent, 0.0),)


def _sung(hymn: Hymn, tune: tuple[Sounded, ...], end: Fraction) -> list[tuple[Fraction, Fraction]]:
    """What the parts sing, from and to: each note of the tune, those without a syllable joined to the one before."""
    syllables = {one.onset for verse in hymn.text.verses[:1] for one in verse.syllables}
    last = max(syllables, default=Fraction(0))
    found: list[tuple[Fraction, Fraction]] = []
    for note in tune:
        if note.start >= end:
            break
        stop = min(note.end, end)
        if found and found[-1][1] == note.start and note.start < last and note.start not in syllables:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((note.start, stop))
    return found


def _notes(
    ground: Ground, keys: Sequence[tuple[Unit, int]], sung: Sequence[tuple[Fraction, Fraction]], begin: Fraction
) -> tuple[Note, ...]:
    """A part from `begin`: a note for each syllable, moved where the harmony moves it, cut and tied at bar lines."""
    found: list[Note] = []
    for start, end in sung:
        pieces: list[tuple[Fraction, Fraction, Pitch]] = []
        for unit, key in keys:
            first, last = max(start, unit.start, begin), min(end, unit.end)
            if first >= last or key < 0:
                continue
            if pieces and pieces[-1][2].midi == key and pieces[-1][1] == first:
                pieces[-1] = (pieces[-1][0], last, pieces[-1][2])
            else:
                pieces.append((first, last, spelled(ground.chords, first, last, key)))
        for first, last, pitch in pieces:
            lines = [bar.start for bar in ground.bars if first < bar.start < last]
            for a, b in pairwise([first, *lines, last]):
                found.append(Note(a, b - a, pitch, tied=b < last))
    return tuple(found)
