"""The harmony of a hymn: chords along the page with keys, numerals and what is left over.

Printed symbols win. Without them several parts are read for their chords; a tune alone gets a plain
proposal. Keys, numerals and non-chord notes are then found in the same way for all three.

Conventions: spans cover the page from 0 to its end without gap or overlap, except that symbols
printed for some times through only stand beside each other. Confidence is between 0 and 1, None for
what is printed.

References: see the modules of this folder.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from operator import itemgetter

from undersong.harmony.chords import Fixed, find_chords
from undersong.harmony.keys import Heard, church_mode, find_keys
from undersong.harmony.learned import Learned, learned
from undersong.harmony.nonchord import non_chord_notes
from undersong.harmony.numerals import numeral
from undersong.harmony.printed import printed_chords
from undersong.harmony.proposal import MANNERS, PLAIN, Manner, bare_key, proposed_chords
from undersong.harmony.slices import PartNote, Slice, part_notes, slices, strength
from undersong.model.chord import NO_CHORD, Chord
from undersong.model.harmony import ChordSpan, Harmony, Origin
from undersong.model.hymn import Hymn
from undersong.model.pitch import LINE_OF_FIFTHS, Key, Mode, PitchName
from undersong.model.tune import Tune


@dataclass(frozen=True, slots=True)
class _Placed:
    """A chord on its way to a span."""

    onset: Fraction
    end: Fraction
    chord: Chord
    origin: Origin
    confidence: float | None = None
    passes: tuple[int, ...] = ()


def analyse(hymn: Hymn, fixed: Sequence[Fixed] = (), weights: Learned | None = None) -> Harmony:
    """The harmony of a hymn: its printed symbols, else what its parts are, else a proposal.

    `fixed` holds chords that stand whatever is printed or sounds (in the order of the page, not
    overlapping); the parts around them are read anew. `weights` are those of the program by default.
    """
    tune = hymn.tune
    if not tune.length:
        return _silent(tune)
    notes = part_notes(tune)
    fixed = _clipped(fixed, tune)
    cuts = slices(tune, notes, [place for one in fixed for place in (one.onset, one.end)])
    known = weights or learned()
    tune = with_sure_lines(hymn)
    if tune.symbols:
        placed = _overlaid(_printed(tune), fixed)
    else:
        placed = _read(tune, cuts, known, fixed)
        if not placed:
            return _proposed(hymn.tune, fixed)
    return _told(tune, notes, cuts, placed, known)


def with_sure_lines(hymn: Hymn) -> Tune:
    """The tune with its lines only where words or holds tell them: guessed line ends are no evidence of keys."""
    return hymn.tune if hymn.text.verses or hymn.tune.holds else replace(hymn.tune, lines=())


def _clipped(fixed: Sequence[Fixed], tune: Tune) -> list[Fixed]:
    """Pinned chords as far as they lie on the page and leave room for each other."""
    found: list[Fixed] = []
    for one in sorted(fixed, key=lambda one: one.onset):
        onset = max(one.onset, found[-1].end if found else Fraction(0))
        end = min(one.end, tune.length)
        if onset < end:
            found.append(Fixed(onset, end, one.chord))
    return found


def _overlaid(placed: list[_Placed], fixed: Sequence[Fixed]) -> list[_Placed]:
    """Pinned chords laid over others, which are cut off where they meet."""
    for pin in fixed:
        kept = []
        for one in placed:
            if one.onset < pin.onset < one.end:
                kept.append(replace(one, end=pin.onset))
            elif one.end <= pin.onset or one.onset >= pin.end:
                kept.append(one)
            if one.onset < pin.end < one.end:
                kept.append(replace(one, onset=pin.end))
        placed = sorted([*kept, _Placed(pin.onset, pin.end, pin.chord, "edited", 1.0)], key=lambda one: one.onset)
    return placed


def _told(
    tune: Tune, notes: tuple[PartNote, ...], cuts: Sequence[Slice], placed: Sequence[_Placed], known: Learned
) -> Harmony:
    """Chords with keys, mode, numerals and what is left over."""
    home, keys = _keys(tune, cuts, placed, known)
    final, mode = _mode(tune, cuts, placed, home)
    if mode is not None:
        if tune.symbols:  # the plain chords of a mode would be taken for those of a neighbouring key
            keys = (final,) * len(placed)
        home = final
    spans = _spans(placed, home, keys, mode, cuts)
    return Harmony(home, spans, mode, non_chord_notes(notes, spans))


def _mode(tune: Tune, cuts: Sequence[Slice], placed: Sequence[_Placed], home: Key) -> tuple[Key, str | None]:
    """The final with the mode of its third, and the church mode that rules over it, if one does.

    The final is the root of the last chord. A mode needs a close on it besides: where lines are known, one
    more must end there.
    """
    last = next((one.chord for one in reversed(placed) if one.chord.root is not None), None)
    if last is None or last.root is None:
        return home, None
    lengths = _lengths(cuts)
    final = last.root
    low, high = lengths[(final.pitch_class + 3) % 12], lengths[(final.pitch_class + 4) % 12]
    third: Mode = "major" if high >= low else "minor"
    mode = church_mode(final.pitch_class, third, lengths)
    if tune.told_key is not None and tune.told_key != Key(final, third):
        return home, None
    if mode is None or (home.tonic.pitch_class != final.pitch_class and not _closes_on(tune, placed, final)):
        return home, None
    return Key(final, third), mode


def _closes_on(tune: Tune, placed: Sequence[_Placed], final: PitchName) -> bool:
    """Whether a third of the lines end on a chord of the final."""
    ends = sorted({line.end for line in tune.lines}) or sorted(hold + Fraction(1, 96) for hold in tune.holds)
    closing = [one.chord.root for end in ends for one in placed if one.onset < end <= one.end]
    agreed = sum(root is not None and root.pitch_class == final.pitch_class for root in closing)
    return len(closing) > 1 and agreed >= max(2, len(closing) / 3)


def _printed(tune: Tune) -> list[_Placed]:
    return [_Placed(one.onset, one.end, one.chord, "printed", None, one.passes) for one in printed_chords(tune)]


def _read(tune: Tune, cuts: Sequence[Slice], known: Learned, fixed: Sequence[Fixed]) -> list[_Placed]:
    """The chords of the parts; nothing where the page is mostly a tune alone or in unison."""
    full = sum(cut.quarters for cut in cuts if len({note.tone for note in cut.notes}) > 1)
    if full < sum(cut.quarters for cut in cuts if cut.notes) / 2:
        return []
    return [
        _Placed(one.onset, one.end, one.chord, "edited", 1.0)
        if one.fixed
        else _Placed(one.onset, one.end, one.chord, "analysed", known.confidence(one.probability))
        for one in find_chords(tune, cuts, known, fixed)
    ]


def propose(hymn: Hymn, count: int = 3) -> tuple[Harmony, ...]:
    """Up to `count` different proposals for the tune alone, the plain one first, whatever else is printed."""
    found: list[Harmony] = []
    for manner in MANNERS:
        if len(found) >= count:
            break
        made = _proposed(hymn.tune, (), manner)
        if all([span.chord for span in made.spans] != [span.chord for span in other.spans] for other in found):
            found.append(made)
    return tuple(found)


def _proposed(tune: Tune, fixed: Sequence[Fixed] = (), manner: Manner = PLAIN) -> Harmony:
    """A bare tune: one key for all, plain chords."""
    notes = part_notes(replace(tune, voices=(tune.tune_voice,))) if tune.voices else ()
    if not notes:
        return _silent(tune)
    cuts = slices(tune, notes)
    lengths = _lengths(cuts)
    home = tune.told_key or bare_key(tune, notes)
    mode = church_mode(home.tonic.pitch_class, home.mode, lengths)
    plain = proposed_chords(tune, notes, home, mode, manner)
    placed = _overlaid([_Placed(one.onset, one.end, one.chord, "proposed", one.confidence) for one in plain], fixed)
    spans = _spans(placed, home, (home,) * len(placed), mode, cuts)
    return Harmony(home, spans, mode, non_chord_notes(notes, spans))


def _silent(tune: Tune) -> Harmony:
    """A page without notes: no chord from beginning to end."""
    home = bare_key(tune, ())
    whole = _Placed(Fraction(0), tune.length, NO_CHORD, "proposed", 0.01)
    return Harmony(home, _spans([whole], home, (home,), None, ()) if tune.length else ())


def _lengths(cuts: Sequence[Slice]) -> list[float]:
    """How long each pitch class sounds, voices counted together."""
    lengths = [0.0] * 12
    for cut in cuts:
        for note in cut.notes:
            lengths[note.tone] += cut.quarters
    return lengths


def _keys(tune: Tune, cuts: Sequence[Slice], placed: Sequence[_Placed], known: Learned) -> tuple[Key, tuple[Key, ...]]:
    """Home key and the key of each placed chord; alternatives of later times through follow the first."""
    first = [one for one in placed if not one.passes or one.passes[0] == 1]
    asked = first or list(placed)
    chords = [(one.onset, one.end, one.chord) for one in asked]
    found = find_keys(heard(tune, cuts, chords), known, arrays=not tune.symbols)
    by_onset = dict(zip((one.onset for one in asked), found.local, strict=True))
    chosen, key = [], found.local[0] if found.local else found.home
    for one in placed:
        key = by_onset.get(one.onset, key)
        chosen.append(key)
    told = tune.told_key
    if told is None:
        return found.home, tuple(chosen)
    # she knows the key: what was found for home is the key that she named
    return told, tuple(told if one == found.home else one for one in chosen)


def heard(tune: Tune, cuts: Sequence[Slice], placed: Sequence[tuple[Fraction, Fraction, Chord]]) -> list[Heard]:
    """Chords (onset, end, chord) with what sounds under them, as the key finder asks for them."""
    ends = sorted(float(line.end) for line in tune.lines)
    holds = sorted(float(hold) for hold in tune.holds)
    found, place = [], 0
    for onset, end, chord in placed:
        sounding: dict[int, float] = {}
        start, stop = float(onset), float(end)
        while place < len(cuts) and cuts[place].begins < stop:
            for note in cuts[place].notes:
                fifths = LINE_OF_FIFTHS[note.pitch.step] + 7 * note.pitch.alter
                sounding[fifths] = sounding.get(fifths, 0.0) + cuts[place].quarters
            place += 1
        told = tuple(sorted(sounding.items(), key=itemgetter(1)))
        held = bisect_left(holds, start) < bisect_left(holds, stop)
        held = held or bisect_right(ends, start) < bisect_right(ends, stop)
        bar = tune.bars[tune.bar_at(onset)]
        found.append(Heard(onset, end - onset, chord, told, bar.key.fifths, held, strength(bar, onset)))
    return found


def _spans(
    placed: Sequence[_Placed], home: Key, keys: Sequence[Key], mode: str | None, cuts: Sequence[Slice]
) -> tuple[ChordSpan, ...]:
    spans, place = [], 0
    for index, (one, key) in enumerate(zip(placed, keys, strict=True)):
        following = next((other.chord for other in placed[index + 1 :] if other.chord != one.chord), None)
        names: set[PitchName] = set()
        stop = float(one.end)
        while place < len(cuts) and cuts[place].begins < stop:
            names |= {note.pitch.name for note in cuts[place].notes}
            place += 1
        here = mode if key == home else None
        spans.append(
            ChordSpan(
                one.onset, one.end - one.onset, one.chord, key,
                numeral(one.chord, key, following, frozenset(names), here), here,
                one.confidence, one.origin, one.passes,
            )
        )  # fmt: skip
    return tuple(spans)
