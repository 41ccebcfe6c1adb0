"""How well do the parts of an exchange file go together: counted apart from the program, with music21 alone.

The musical problem: a program that chooses voicings by a price and then counts its faults with the same code finds
what it looked for. Here the finished file is read (`witness.read_sections`), cut into units by its own chord symbols,
and its real voices are judged: the tune, the bass, and the skeleton of what lies between them.

Conventions: times are quarter notes from the beginning of a section, keys MIDI numbers. Every key belongs to a part:
"tune", "bass", or the name of another; without a list of parts the highest of the right hand's first voice is the tune,
the feet are the bass, the rest is "figure". A *unit* begins on each beat on which a chord begins, on a beat with a
change inside and on the next (a dissonance of the inner parts that is left off the beat is such a change too), where a
chord is struck anew with the harmony off the beat, where a line comes to rest on a chord on a beat, at bar lines, at
line ends (breath marks, rests of the tune), and after two beats (in triple time the bar). A *join* is where one unit
follows another inside a line. The skeleton of a unit is its lowest and highest key between tune and bass, and the first
key struck where that is another; where nothing but chords is struck, the first and the last chord are its beginning and
its end, as the first and last note are of tune and bass, and it goes on from the last alone where these differ. A
*pair* is two of tune, bass, lowest, highest and first (or the parts, where each is one voice), the skeleton's own pair
being lowest and highest. Joins are judged from start to start and from what sounds last to the next start, once each;
tune and bass from what sounds last. A direct fifth or octave counts where both parts leap (more than a tone), from what
sounds last. Between tune and a printed bass all faults are the print's.

References: perfect parallels, direct intervals, R1, R2, R5, R6 and R14 are common practice, no source; the low-interval
limits are those published in arranging glossaries (second hand); a chord's tones are music21's.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import combinations, pairwise

from witness import Key, Section, TuneNote

LOWEST_LOWER_NOTE = {
    1: "E3", 2: "Eb3", 3: "C3", 4: "B2", 5: "A2", 6: "B1", 7: "C#2", 8: "F2", 9: "F2", 10: "F2", 11: "F2",
}  # fmt: skip
"""Lowest lower note of an interval in semitones (published low-interval limits, second hand)."""
WHOLE_TONE = 2
OUTER = ("tune", "bass")
PRINTED = ("alto", "tenor")
"""Parts taken over from the print: what they do is the print's."""
PRINTED_TONES = (*PRINTED, "descant")
"""Parts whose tones are the print's: a descant is a printed part an octave higher, in new company."""

Parts = Mapping[tuple[str, Fraction, int], tuple[str, ...]]
"""Part names by limb, start and MIDI number."""


def _pitch_class(name: str) -> int:
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    return (steps[name[0]] + name.count("#") - name.count("b")) % 12 if name else -1


LOWEST_KEYS = {
    semitones: 12 * (int(name[-1]) + 1) + _pitch_class(name[:-1]) for semitones, name in LOWEST_LOWER_NOTE.items()
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, where, and what is heard."""

    kind: str
    place: str
    what: str


@dataclass
class Count:
    """What was counted in one or more sections; shares are for the reader to make."""

    joins: int = 0
    pair_joins: Counter[str] = field(default_factory=Counter)
    """Joins at which both of a pair are there."""
    pair_faults: Counter[str] = field(default_factory=Counter)
    """Faults by kind and pair: "parallel, bass and lowest"."""
    chords: int = 0
    """Units of chords of a beat or more."""
    complete: int = 0
    beats: int = 0
    """Beats that R14 wants struck."""
    struck: int = 0
    exempt: Counter[str] = field(default_factory=Counter)
    """What was not counted, and why."""
    faults: list[Fault] = field(default_factory=list)

    def add(self, other: Count) -> None:
        """Count another section too."""
        self.joins += other.joins
        self.pair_joins += other.pair_joins
        self.pair_faults += other.pair_faults
        self.chords += other.chords
        self.complete += other.complete
        self.beats += other.beats
        self.struck += other.struck
        self.exempt += other.exempt
        self.faults += other.faults

    def kinds(self) -> Counter[str]:
        """Faults by kind."""
        return Counter(fault.kind for fault in self.faults)


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord symbol of the file: pitch classes of root, third (or what stands for it), seventh; -1 for none.

    `asked` is the bass where the symbol names another than the root.
    """

    start: Fraction
    end: Fraction
    root: int
    third: int
    seventh: int
    asked: int
    tones: frozenset[int]

    @property
    def is_dominant_seventh(self) -> bool:
        """A major third and a minor seventh."""
        return self.seventh >= 0 and (self.third - self.root) % 12 == 4 and (self.seventh - self.root) % 12 == 10


@dataclass(frozen=True, slots=True)
class Unit:
    """A stretch under one figure: whether a line begins with it, and whether its chord is the line's last."""

    start: Fraction
    end: Fraction
    opens: bool
    closes: bool


def chords_of(section: Section) -> tuple[Chord, ...]:
    """The chord symbols of a section, each to the next."""
    ends = [*(start for start, _, _ in section.chord_tones[1:]), section.length]
    found = []
    names = {start: lowest for start, root, _, lowest in section.chords if lowest != root}
    for (start, root, tones), end in zip(section.chord_tones, ends, strict=True):
        above = {(tone - root) % 12 for tone in tones} if root >= 0 else set()
        third = next((size for size in (4, 3, 5, 2) if size in above), None)
        sevenths = (10, 11, 9) if {3, 6} <= above else (10, 11)
        seventh = next((size for size in sevenths if size in above), None)
        found.append(
            Chord(
                start, end, root, -1 if third is None else (root + third) % 12,
                -1 if seventh is None else (root + seventh) % 12, _pitch_class(names.get(start, "")), tones,
            )
        )  # fmt: skip
    return tuple(found)


def parted(section: Section, parts: Parts | None = None) -> dict[str, list[Key]]:
    """The keys of each part in order of time."""
    found: dict[str, list[Key]] = {}
    seen = set()
    for key in section.keys:
        place = (key.limb, key.start, key.midi)
        usual = "tune" if key.is_tune else "bass" if key.limb == "feet" else "figure"
        for name in (usual,) if parts is None else parts.get(place, (usual,)):
            if (name, *place) not in seen:
                seen.add((name, *place))
                found.setdefault(name, []).append(key)
    return found


def beats_of(section: Section) -> list[tuple[Fraction, Fraction]]:
    """Every beat and its length; free time has none."""
    found = []
    for (_, start, length), (beat, _, inside) in zip(section.bars, section.grid, strict=True):
        at = start + (-inside) % beat
        while at < start + length:
            found.append((at, beat))
            at += beat
    return found


def line_starts(section: Section, tune: Sequence[Key]) -> set[Fraction]:
    """Where lines begin: at the start, after a breath, after a rest of the tune."""
    rests = {after.start for before, after in pairwise(tune) if after.start > before.end}
    return {Fraction(0), *section.breaths, *rests}


def units_of(
    section: Section, chords: Sequence[Chord], opening: set[Fraction], inner: Sequence[Key] = ()
) -> list[Unit]:
    """The section cut into units; off the beat too where the inner parts strike a chord anew with the harmony."""
    starts = sorted(chord.start for chord in chords)
    edges = {Fraction(0), section.length, *(start for _, start, _ in section.bars), *opening}
    beats = [beat for beat, _ in beats_of(section)]
    for beat, following in pairwise([*beats, section.length]):
        begins = bisect_left(starts, beat)
        inside = bisect_right(starts, beat) < bisect_left(starts, following)
        if inside or (begins < len(starts) and starts[begins] == beat):
            edges.add(beat)
        if inside:
            edges.add(following)
    edges |= _groups(section)
    struck = Counter(key.start for key in inner)
    for at in starts:
        before = max((edge for edge in edges if edge <= at), default=Fraction(0))
        if struck[at] > 1 and any(before <= start < at for start in struck):
            edges.add(at)
    for key in inner if chords else ():
        below = chords[max(0, bisect_right(starts, key.start) - 1)]
        if below.tones and key.midi % 12 not in below.tones and key.end not in beats:
            edges.add(min((beat for beat in beats if beat > key.end), default=section.length))
    lines = sorted({*opening, section.length})
    for before, after in pairwise(lines):
        onsets = [at for at in sorted(struck) if before <= at < after]
        if onsets and struck[onsets[-1]] > 1 and onsets[-1] in beats:
            edges.add(onsets[-1])
    ordered = sorted(edge for edge in edges if 0 <= edge <= section.length)
    return [
        Unit(start, end, start in opening, not any(start < at < lines[bisect_right(lines, start)] for at in starts))
        for start, end in pairwise(ordered)
    ]


def _groups(section: Section) -> set[Fraction]:
    """Where a figure begins anew in a bar of one chord: every two beats, in triple time at the bar line."""
    found = set()
    for (_, start, length), (beat, count, inside) in zip(section.bars, section.grid, strict=True):
        group = beat * (count if count == 3 else 2)
        at = start + (-inside) % group
        while at < start + length:
            found.add(at)
            at += group
    return found


# -- voices ----------------------------------------------------------------------------------------

Heard = dict[str, tuple[int, int]]
"""Voices of a unit: what sounds as it begins and as it ends."""


def _sounding(keys: Sequence[Key], start: Fraction, end: Fraction) -> list[Key]:
    return [key for key in keys if key.start < end and key.end > start]


def _outer(keys: Sequence[Key], unit: Unit, *, lowest: bool) -> tuple[int, int] | None:
    """First and last key of an outer voice in a unit; None where it rests as the unit begins."""
    choose = min if lowest else max
    first = [key.midi for key in keys if key.start <= unit.start < key.end]
    last = [key for key in keys if key.start < unit.end and key.end > unit.start]
    if not first:
        return None
    latest = max(key.end for key in last)
    return choose(first), choose(key.midi for key in last if key.end == latest)


def _inner(parts: Mapping[str, Sequence[Key]]) -> list[Key]:
    """All keys between tune and bass in order of time."""
    inner = (key for name, keys in parts.items() if name not in OUTER for key in keys)
    return sorted(inner, key=lambda key: (key.start, key.midi))


def heard(unit: Unit, parts: Mapping[str, Sequence[Key]], *, single: bool = False) -> Heard:
    """The real voices of a unit; `single` says that each part between tune and bass is one voice."""
    voices: Heard = {}
    for name in parts if single else OUTER:
        outer = _outer(parts.get(name, ()), unit, lowest=name == "bass")
        if outer is not None:
            voices[name] = outer
    inner = [] if single else _sounding(_inner(parts), unit.start, unit.end)
    if not inner:
        return voices
    chords = _chords_struck(inner, unit)
    if chords:
        voices["lowest"] = (min(chords[0]), min(chords[-1]))
        if all(len(chord) > 1 for chord in (chords[0], chords[-1])):
            voices["highest"] = (max(chords[0]), max(chords[-1]))
        return voices
    low, high = min(key.midi for key in inner), max(key.midi for key in inner)
    voices["lowest"] = (low, low)
    if high > low:
        voices["highest"] = (high, high)
    if inner[0].midi not in (low, high):
        voices["first"] = (inner[0].midi, inner[0].midi)
    return voices


def _chords_struck(inner: Sequence[Key], unit: Unit) -> list[set[int]]:
    """The chords of a unit in order where its keys come as chords only, so that each is heard by itself."""
    struck: dict[Fraction, set[int]] = {}
    for key in inner:
        if key.start >= unit.start:
            struck.setdefault(key.start, set()).add(key.midi)
    ringing = {key.midi for key in inner if key.start < unit.start and key.end >= unit.end}
    chords = [keys | ringing for _, keys in sorted(struck.items())]
    return chords if all(len(keys) > 1 for keys in struck.values()) else []


def printed_voices(unit: Unit, printed: Mapping[str, Sequence[TuneNote]]) -> Heard:
    """Soprano, alto, tenor and bass as printed, under the same names: the tune, highest, lowest, the bass."""
    names = {"soprano": "tune", "alto": "highest", "tenor": "lowest", "bass": "bass"}
    voices: Heard = {}
    for voice, name in names.items():
        notes = [note for note in printed[voice] if note[0] < unit.end and note[0] + note[1] > unit.start]
        if notes and notes[0][0] <= unit.start:
            voices[name] = (notes[0][2], notes[-1][2])
    return voices


def _pairs(before: Heard, after: Heard) -> Iterator[tuple[str, str]]:
    names = [name for name in (*OUTER, "lowest", "highest", "first") if name in before]
    names += sorted(before.keys() - {*names})
    for first, second in combinations(names, 2):
        if second in after and first in after and not (second == "first" and first not in OUTER):
            yield first, second


def _join(pair: tuple[str, str], before: Heard, after: Heard, *, from_starts: bool) -> tuple[str, int, int]:
    """The worst fault of a pair at a join ("parallel", "contrary", "direct" or none), and the keys it comes from."""
    first, second = pair
    to_first, to_second = after[first][0], after[second][0]
    size = abs(to_first - to_second) % 12
    worst = ("", 0, 0)
    if size not in (0, 7):
        return worst
    between = any(before[name][0] != before[name][1] for name in pair if name not in OUTER)
    for at in (1, 0) if from_starts and not between else (1,):
        a, b = before[first][at], before[second][at]
        moves = (to_first - a, to_second - b)
        if not all(moves):
            continue
        same_way = (moves[0] > 0) == (moves[1] > 0)
        crossed = size == 7 and (a > b) != (to_first > to_second)
        if abs(a - b) % 12 == size and not crossed:
            if same_way:
                return "parallel", a, b
            worst = ("contrary", a, b)
        elif at == 1 and same_way and min(map(abs, moves)) > WHOLE_TONE:
            worst = ("direct", a, b)
    return worst


def judge_voices(
    section: Section, units: Sequence[Unit], voices: Sequence[Heard], *, printed_bass: bool, from_starts: bool = True
) -> Count:
    """Parallel and direct fifths and octaves at the joins of a section's units."""
    count = Count()
    for index, following in enumerate(units[1:]):
        if following.opens:
            continue
        before, after = voices[index], voices[index + 1]
        count.joins += 1
        for pair in _pairs(before, after):
            name = " and ".join(pair)
            outer = pair == OUTER
            prints = not any(_is_added(one, printed_bass=printed_bass) for one in pair)
            kind, *keys = _join(pair, before, after, from_starts=from_starts and not outer)
            if not prints:
                count.pair_joins[name] += 1
            if not kind:
                continue
            size = "octaves" if abs(after[pair[0]][0] - after[pair[1]][0]) % 12 == 0 else "fifths"
            if kind == "contrary":
                kind = "contrary at a close" if following.closes and size == "octaves" else "contrary"
            kind = f"{kind} of the print" if prints else kind
            count.pair_faults[f"{kind}, {name}"] += 1
            moves = ", ".join(f"{one} {key} to {after[one][0]}" for one, key in zip(pair, keys, strict=True))
            count.faults.append(Fault(kind, section.place(following.start), f"{size}: {moves}"))
    return count


def print_itself(section: Section, printed: Mapping[str, Sequence[TuneNote]]) -> Count:
    """The same measure of the four printed parts, in the units of a section that was made of them."""
    tune = [Key(start, start + length, midi, "right", 0, "") for start, length, midi in printed["soprano"]]
    units = units_of(section, chords_of(section), line_starts(section, tune))
    voices = [printed_voices(unit, printed) for unit in units]
    return judge_voices(section, units, voices, printed_bass=True, from_starts=False)


def lost_suspensions(section: Section, parts: Parts | None, printed: Mapping[str, Sequence[TuneNote]]) -> Count:
    """R5: suspensions printed in alto and tenor that no added key sounds while they are held.

    A suspension is held into a chord that begins on a beat, or struck again there, is foreign to it, and falls by
    step to a tone of it.
    """
    count = Count()
    beats = {beat for beat, _ in beats_of(section)}
    by_part = parted(section, parts)
    others, tune = _inner(by_part), by_part.get("tune", ())
    chords = [chord for chord in chords_of(section) if chord.root >= 0 and chord.start in beats]
    for voice in PRINTED:
        keys = [Key(start, start + length, midi, "", 0, "") for start, length, midi in printed[voice]]
        for index, note in enumerate(keys):
            for chord in chords:
                if chord.start >= note.end or note.start > chord.start or note.midi % 12 in chord.tones:
                    continue
                if _resolution(keys, index, chord, beats) < 0:
                    continue
                sounds = [key for key in _sounding(others, chord.start, note.end) if key.midi % 12 == note.midi % 12]
                count.exempt["printed inner suspension carried in"] += bool(sounds)
                sung = [key for key in _sounding(tune, chord.start, note.end) if key.midi % 12 == note.midi % 12]
                count.exempt["printed inner suspension that the tune joins"] += bool(sung and not sounds)
                if not sounds and not sung:
                    where, what = section.place(chord.start), f"{voice} {note.midi}"
                    count.faults.append(Fault("suspension lost", where, what))
    return count


# -- chords, pulse, single tones -------------------------------------------------------------------


def _beat_at(section: Section, at: Fraction) -> Fraction:
    index = max(0, bisect_right([start for _, start, _ in section.bars], at) - 1)
    return section.grid[index][0]


def _long_chords(section: Section, chords: Sequence[Chord]) -> Iterator[Chord]:
    for chord in chords:
        if chord.root >= 0 and chord.end - chord.start >= _beat_at(section, chord.start):
            yield chord


def _pieces(section: Section, chord: Chord, cuts: Sequence[Fraction]) -> list[tuple[Fraction, Fraction]]:
    """A chord in units; what is shorter than a beat joins its neighbour."""
    edges = [chord.start, *(cut for cut in cuts if chord.start < cut < chord.end), chord.end]
    pieces: list[tuple[Fraction, Fraction]] = []
    for start, end in pairwise(edges):
        short = end - start < _beat_at(section, start)
        if pieces and (short or pieces[-1][1] - pieces[-1][0] < _beat_at(section, pieces[-1][0])):
            pieces[-1] = (pieces[-1][0], end)
        else:
            pieces.append((start, end))
    return pieces


def _completeness(section: Section, chords: Sequence[Chord], tune: Sequence[Key], count: Count) -> None:
    bar_lines = sorted(start for _, start, _ in section.bars)
    groups = sorted({*_groups(section), *bar_lines})
    for chord in _long_chords(section, chords):
        one_unit = chord.end - chord.start <= 2 * _beat_at(section, chord.start)
        for start, end in _pieces(section, chord, bar_lines if one_unit else groups):
            down = _sounding(section.keys, start, end)
            if not down:
                count.exempt["chord under a rest of all parts"] += 1
                continue
            if tune and end <= tune[0].start:
                count.exempt["chord before the first sung note"] += 1
                continue
            names = {key.midi % 12 for key in down}
            missing = {
                what: name
                for what, name in (("root", chord.root), ("third", chord.third), ("seventh", chord.seventh))
                if name not in {-1, *names}
            }
            foreign = {key.midi % 12 for key in down if key.start <= start} - chord.tones
            foreign |= {key.midi % 12 for key in down if _resolves_in_its_place(section, key)} - chord.tones
            for what in [what for what, name in missing.items() if {(name + 1) % 12, (name + 2) % 12} & foreign]:
                # A suspension or appoggiatura stands for it, the tune's or one carried in from the print (R2, R5).
                count.exempt[f"{what} under a dissonance that stands for it"] += 1
                missing.pop(what)
            count.chords += 1
            count.complete += not missing
            for what in missing:
                count.faults.append(Fault(f"{what} missing", section.place(start), f"to {end - start} quarters"))


def _resolves_in_its_place(section: Section, key: Key) -> bool:
    """R5: whether a broken figure has this key's resolution, a step lower, in the same place a beat later."""
    later = key.start + _beat_at(section, key.start)
    return any(
        one.start == later and one.limb == key.limb and 0 < key.midi - one.midi <= WHOLE_TONE for one in section.keys
    )


def _pulse(section: Section, chords: Sequence[Chord], parts: Mapping[str, Sequence[Key]], count: Count) -> None:
    """R14: hands or feet strike each beat from a line's first note to the onset of its last chord."""
    struck = {key.start for name, keys in parts.items() if name != "tune" for key in keys}
    tune = parts.get("tune", ())
    pickup = section.bars[0][1] + section.bars[0][2] if section.grid[0][2] else Fraction(0)
    beats = [beat for beat, _ in beats_of(section)]
    crossed = _crossed_by_hemiolas(section, {key.start for key in tune} | {chord.start for chord in chords})
    edges = sorted({Fraction(0), *section.breaths, section.length})
    for start, end in pairwise(edges):
        own = [chord for chord in chords if chord.start < end and chord.end > start and chord.root >= 0]
        first = min((key.start for key in tune if start <= key.start < end), default=end)
        last = max([start, *(chord.start for chord in own)])
        for beat in (beat for beat in beats if start <= beat < end):
            silent = beat not in struck
            if beat < first:
                count.exempt["beat before the line's first note"] += silent
            elif beat < pickup:
                count.exempt["beat of the verse's first pickup"] += silent
            elif beat > last:
                count.exempt["beat after the line's last chord"] += silent
            elif not any(chord.start <= beat < chord.end for chord in own):
                count.exempt["beat without a chord"] += silent
            elif silent and beat in crossed:
                count.exempt["beat that a hemiola crosses"] += 1
            else:
                count.beats += 1
                count.struck += not silent
                if silent:
                    count.faults.append(Fault("beat not struck", section.place(beat), "tune alone, or nothing"))


def _crossed_by_hemiolas(section: Section, begun: AbstractSet[Fraction]) -> set[Fraction]:
    """R15: where two bars of three, or a bar of 6/8, are begun at 0, 2 and 4 sixths and not at 3: the beat there."""
    bars = [
        (start, length, beat, count)
        for (_, start, length), (beat, count, _) in zip(section.bars, section.grid, strict=True)
    ]
    found = set()
    for (start, length, beat, count), after in zip(bars, [*bars[1:], None], strict=True):
        compound = (beat, count) == (Fraction(3, 2), 2)
        if length != beat * count or not (compound or (count == 3 and after and after[1:] == (length, beat, count))):
            continue
        whole = length if compound else 2 * length
        places = {start + whole * part / 6 for part in (0, 2, 4)}
        if places <= begun and start + whole / 2 not in begun:
            found.add(start + whole / 2)
    return found


def _leading_notes(chord: Chord, following: Chord | None, tonic: int) -> set[int]:
    """A dominant seventh's third, a diminished seventh's root, the home key's leading note where it leads home.

    The last is root or third of a chord that goes to one on the tonic or the sixth degree: after a change of key it
    is no leading note, nor in a diminished triad that leads by another root.
    """
    found = set()
    diminished = {(chord.root + 3) % 12, (chord.root + 6) % 12} <= chord.tones and chord.root != (tonic - 1) % 12
    goes_home = following is not None and following.root in {tonic, (tonic + 9) % 12, (tonic + 8) % 12}
    if goes_home and not diminished:
        found = {(tonic - 1) % 12} & {chord.root, chord.third}
    if chord.is_dominant_seventh:
        found.add(chord.third)
    if chord.seventh >= 0 and (chord.seventh - chord.root) % 12 == 9:
        found.add(chord.root)
    return found


def _is_added(name: str, *, printed_bass: bool) -> bool:
    return name != "tune" and name not in PRINTED and not (name == "bass" and printed_bass)


def _single_tones(
    section: Section, chords: Sequence[Chord], parts: Mapping[str, Sequence[Key]], added: Collection[Key], count: Count
) -> None:
    """R1: leading note and seventh once, tune, hands and feet together.

    Two printed parts are the print's, as are the tune and a bass that the symbol asks for.
    """
    every = sorted({key for keys in parts.values() for key in keys}, key=lambda key: (key.start, key.midi))
    for chord in _long_chords(section, chords):
        down = _sounding(every, chord.start, chord.end)
        following = next((one for one in chords if one.start == chord.end), None)
        watched = [("leading note", name) for name in _leading_notes(chord, following, section.tonic)]
        watched += [("seventh", chord.seventh)] if chord.seventh >= 0 else []
        for what, name in watched:
            same = [key for key in down if key.midi % 12 == name]
            twice = [
                (one, other)
                for one, other in combinations(same, 2)
                if one.midi != other.midi and one.start < other.end and other.start < one.end
            ]
            bass = parts.get("bass", ()) if name == chord.asked else ()
            fresh = [pair for pair in twice if any(key in added and key not in bass for key in pair)]
            if fresh:
                at = max(chord.start, *(key.start for key in fresh[0]))
                count.faults.append(Fault(f"{what} twice", section.place(at), _keys(fresh[0])))
            elif twice:
                count.exempt[f"{what} twice in the print"] += 1


def _keys(keys: Iterable[Key]) -> str:
    return " and ".join(f"{key.limb} {key.midi}" for key in keys)


def _against_tune(
    section: Section,
    chords: Sequence[Chord],
    tune: Sequence[Key],
    added: AbstractSet[Key],
    bass: AbstractSet[Key],
    count: Count,
) -> None:
    """R2: a chord tone a semitone under a foreign tune note on a beat. R5: the resolution of the tune's suspension.

    The bass cannot give way: where it clashes, the harmony does, and that is told apart.
    """
    beats = {beat for beat, _ in beats_of(section)}
    for index, note in enumerate(tune):
        for chord in chords:
            start, end = max(note.start, chord.start), min(note.end, chord.end)
            if start >= end or chord.root < 0 or note.midi % 12 in chord.tones:
                continue
            under = (note.midi - 1) % 12
            clash = [key for key in added if key.midi % 12 == under and key.start < end and key.end > start]
            low = [key for key in clash if key in bass]
            clash = [key for key in clash if key not in bass]
            if note.start in beats and chord.start <= note.start and under in chord.tones:
                count.exempt["semitone between tune and bass"] += bool(low)
            if note.start in beats and chord.start <= note.start and under in chord.tones and clash:
                at = max(start, clash[0].start)
                count.faults.append(Fault("semitone under the tune", section.place(at), _keys((note, clash[0]))))
            resolved = _resolution(tune, index, chord, beats)
            early = [key for key in added - bass if key.midi % 12 == resolved and key.start < end and key.end > start]
            if early and resolved != under:
                at = max(start, early[0].start)
                count.faults.append(Fault("resolution under the tune", section.place(at), _keys((note, early[0]))))


def _resolution(tune: Sequence[Key], index: int, chord: Chord, beats: set[Fraction]) -> int:
    """Where the tune's suspension resolves (pitch class); -1 where the note is none."""
    note = tune[index]
    follows = index + 1 < len(tune) and tune[index + 1].start == note.end
    if not follows or not 1 <= note.midi - tune[index + 1].midi <= WHOLE_TONE:
        return -1
    target = tune[index + 1].midi % 12
    held = note.start < chord.start < note.end and chord.start in beats
    again = note.start == chord.start and note.start in beats and index and tune[index - 1].midi == note.midi
    return target if (held or again) and target in chord.tones else -1


def _tonic_in_dominant(section: Section, chords: Sequence[Chord], added: Collection[Key], count: Count) -> None:
    """R6: no added note sounds the tonic while the leading note stands in the dominant."""
    for chord in chords:
        home = chord.root == (section.tonic + 7) % 12 and (chord.third - chord.root) % 12 == 4
        tonic = (chord.root + 5) % 12
        if chord.root < 0 or not (home or chord.is_dominant_seventh) or tonic in chord.tones:
            continue
        down = _sounding(section.keys, chord.start, chord.end)
        leading = [key for key in down if key.midi % 12 == chord.third]
        for key in added:
            sounds = key.midi % 12 == tonic and key.start < chord.end and key.end > chord.start
            if sounds and any(one.start < key.end and key.start < one.end for one in leading):
                at = max(key.start, chord.start)
                count.faults.append(Fault("tonic in the dominant", section.place(at), _keys((key,))))


def _low_intervals(
    section: Section, parts: Mapping[str, Sequence[Key]], sounds: Mapping[str, tuple[int, ...]], count: Count,
    *, printed_bass: bool,
) -> None:  # fmt: skip
    """Close intervals low down, at sounding pitch; under a printed bass (or between printed parts) told apart."""
    every = sorted(
        {(key.start, key.end, key.midi + shift, name)
         for name, keys in parts.items() for key in keys for shift in sounds.get(name, (0,))}
    )  # fmt: skip
    down: list[tuple[Fraction, Fraction, int, str]] = []
    told = set()
    for one in every:
        down = [other for other in down if other[1] > one[0]]
        for other in down:
            (low, low_part), (high, high_part) = sorted(((one[2], one[3]), (other[2], other[3])))
            if not 0 < high - low < 12 or low >= LOWEST_KEYS[high - low]:
                continue
            mark = (low_part, high_part, low, high, max(one[0], other[0]))
            if mark in told:
                continue
            told.add(mark)
            added = [_is_added(name, printed_bass=printed_bass) for name in (low_part, high_part)]
            kind = "low interval"
            if low_part == "bass" and printed_bass:
                kind = "low interval over a printed bass"
            elif not any(added):
                kind = "low interval of the print"
            what = f"{low_part} {low} and {high_part} {high}"
            count.faults.append(Fault(kind, section.place(max(one[0], other[0])), what))
        down.append(one)


def measure(
    section: Section,
    parts: Parts | None = None,
    *,
    printed_bass: bool = False,
    moving: bool = True,
    full: bool = True,
    complete: bool = True,
    single: bool = False,
    sounds: Mapping[str, tuple[int, ...]] | None = None,
) -> Count:
    """Everything counted in one section.

    `parts` names the parts of keys where the hands do not tell. `moving` textures are asked for R14, `full` ones for
    voice leading and R1 to R6, `complete` ones for complete chords too; in `single` ones each part between tune and
    bass is one voice. `sounds` gives a part's sounding pitches above its keys in semitones (feet at 16' and 8' are
    (-12, 0), a tune in the feet at 4' (12,)); voices are judged where their highest stop sounds, for a fourth under a
    tune at 4' is a fifth over its keys.
    """
    by_part = parted(section, parts)
    chords = chords_of(section)
    tune = by_part.get("tune", [])
    added = {
        key
        for name, keys in by_part.items()
        if _is_added(name, printed_bass=printed_bass) and name not in PRINTED_TONES
        for key in keys
    }
    count = Count()
    if full:
        units = units_of(section, chords, line_starts(section, tune), _inner(by_part))
        sounding = {
            name: [replace(key, midi=key.midi + max((sounds or {}).get(name, (0,)))) for key in keys]
            for name, keys in by_part.items()
        }
        voices = [heard(unit, sounding, single=single) for unit in units]
        count.add(judge_voices(section, units, voices, printed_bass=printed_bass))
        if complete:
            _completeness(section, chords, tune, count)
        _single_tones(section, chords, by_part, added, count)
        _against_tune(section, chords, tune, added, frozenset(by_part.get("bass", ())), count)
        _tonic_in_dominant(section, chords, added, count)
    if moving:
        _pulse(section, chords, by_part, count)
    _low_intervals(section, by_part, sounds or {}, count, printed_bass=printed_bass)
    return count
