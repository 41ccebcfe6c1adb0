"""An inner part of the print as a descant: an octave higher in the right hand, the tune with the other in the left.

A part that moves in fourths with the tune makes fifths above it, and what lay hidden between outer voices is bare on
top. Line by line that part rises, tenor or alto, which lies over the tune, at most for a passing note under it, and
makes no fifths or octaves with tune, other part and bass, from note to note and from beat to beat; a few notes of a
line give way to other tones of their chord, marked on the page. A part that lies over the tune only two octaves higher
rises so far where that is not too high. Where nothing of this does, the part rests, and both hands play the print.

Conventions: section time in quarter notes; keys are MIDI numbers; prices are points, smaller is better.
References: an inner part an octave up as a descant: organ teaching pages (second hand); fifths: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.figured import ground_of, spelled
from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import PARALLEL
from undersong.arranging.walked import Piece, WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment, PlacedLine
from undersong.model.finding import Finding
from undersong.model.keyboard import span
from undersong.model.organ import Organ
from undersong.model.player import Player
from undersong.playing.check import check, tell
from undersong.textures.ground import Sounded, WalkedChord, chords_in, sounding
from undersong.textures.table import TEXTURES, Texture
from undersong.textures.units import bar_at, boundaries, leading_notes, sevenths

PARTS = (("tenor", "alto"), ("alto", "tenor"))
"""The part that becomes the descant, and the one that stays with the tune."""
ALTERED, SEMITONE, LEAP = 20.0, 1.0, 2.0
"""What an altered note costs: itself (the printed one is kept wherever it may be), each semitone away from print, each
semitone that it makes a leap wider than a fourth."""
OTHER_PART = 5.0
"""What it costs that another part rises than in most lines: little, for lines end with a breath."""
LEFT_OUT = 8.0
"""What each note costs that the left hand cannot take with the tune: three are worse than a note altered."""
DIRECT = 18.0
"""What it costs that descant and bass leap into a fifth or octave: it decides which part rises, but alters no note."""
KEPT_TO_EACH_ALTERED = 6
"""Notes of a line to each that gives way; with fewer it is no longer the printed part."""
DOUBLED = 8.0
"""What it costs that an altered note doubles the tune: the descant says nothing there."""
NEAR = 5
"""So far from the printed note another is sought, in semitones: a fourth, within which a part still reads as itself."""
NEAR_OVER_TUNE = 7
"""And so far above a printed note that lies on the tune or under it: where both have the root, the fifth over it."""


TWO_OCTAVES = 12.0
"""What it costs that a part goes two octaves up: between it and the tune there is a hole, so the other goes first."""
PASSES_UNDER = 10.0
"""What a note shorter than a beat costs that lies on the tune or under it: it decides which part rises."""
HIGHEST = 81
"""A5: higher nothing goes two octaves up, where a flute only whistles (assumed)."""
UNDER = "lie under the tune"


INSTANT = Fraction(1, 64)
"""A place just before or after another, in quarter notes."""


@dataclass(frozen=True, slots=True)
class _Line:
    """What becomes of a line: the part that rises ("": none), how far, keys altered by start, what the part would do.

    `faults` says by start of an altered note what the printed one does on top.
    """

    upper: str
    altered: dict[Fraction, int]
    why: str
    cost: float
    octaves: int = 1
    faults: dict[Fraction, str] = field(default_factory=dict)


def lay_descant(
    verse: WalkedVerse,
    section: Accompaniment,
    texture: Texture,  # noqa: ARG001  # one shape for all kinds
    organ: Organ,
    player: Player,
) -> tuple[Accompaniment, list[Finding]]:
    """Lay a verse out under a descant; the section with its notes, and what is to be told."""
    bass, printed = bass_for(verse, organ)
    plan = _plan(verse, merged(bass), player)
    drafts: list[Draft] = []
    for draft in tune_drafts(verse, section):
        rests = not plan[_line_at(verse, draft.start)].upper
        # On the keyboard it has in the other lines, so that its stops stay.
        drafts.append(replace(draft, limb="right hand" if rests else "left hand", division=section.left))
    drafts += _descant(verse, section, plan)
    inner, omitted = _inner(verse, section, plan, player)
    drafts += inner
    drafts += bass_drafts(bass, section, printed=printed)
    section = replace(section, notes=write(section.id, section.bars, drafts))
    told = [
        tell(section, "descant-rests", line.start, why=plan[line].why, division=section.left)
        for line in verse.lines
        if not plan[line].upper
    ]
    told += [
        tell(
            section, "changed-here", piece.start,
            what=f"the {name}'s {piece.pitch} is left out: the left hand cannot take it too",
        )
        for name, piece in omitted
    ]  # fmt: skip
    # Where the descant rests the left hand has the inner parts, which are no figure.
    judged = [
        one
        for one in judge(section, verse)
        if one.kind != "left-hand-silent"
        or not any(note.limb == "left hand" and note.start <= one.start < note.end for note in section.notes)
    ]
    return section, [*check(section, organ, player), *judged, *told]


def _line_at(verse: WalkedVerse, start: Fraction) -> PlacedLine:
    return [line for line in verse.lines if line.start <= start][-1]


# -- which part rises, with which notes -------------------------------------------------------------


def _plan(verse: WalkedVerse, bass: tuple[Sounded, ...], player: Player) -> dict[PlacedLine, _Line]:
    """What becomes of each line; the part that rises in most of them at the least cost does so where it can."""
    beats = boundaries(ground_of(verse, (), 0), TEXTURES["broken"])
    found: dict[str, list[_Line]] = {}
    for upper, lower in PARTS:
        rows = [_lowest_risen(verse, bass, line, upper, lower, beats) for line in verse.lines]
        out = [_left_out(verse, line, lower, player) for line in verse.lines]
        found[upper] = [
            replace(row, cost=row.cost + LEFT_OUT * count) if row.upper else row
            for row, count in zip(rows, out, strict=True)
        ]
    usual = min(found, key=lambda upper: sum(row.cost for row in found[upper]))
    plan = {}
    for index, line in enumerate(verse.lines):
        ways = [found[upper][index] for upper, _ in PARTS]
        best = min(ways, key=lambda row: row.cost + OTHER_PART * (row.upper != usual))
        if not best.upper:
            best = replace(best, why=_reasons({upper: found[upper][index].why for upper, _ in PARTS}))
        plan[line] = best
    return plan


def _reasons(whys: dict[str, str]) -> str:
    """Why neither part rises, in one clause."""
    (first, why), (second, other) = whys.items()
    if why == other:
        return f"an octave up both {first} and {second} would {why}"
    return f"an octave up the {first} would {why}, the {second} {other}"


def _left_out(verse: WalkedVerse, line: PlacedLine, lower: str, player: Player) -> int:
    """Notes of the part beside the tune that the left hand cannot take with it."""
    pieces = (piece for piece in verse.voice(lower) if line.start <= piece.start < line.end)
    return sum(not _fits(piece, verse, "", player, rests=False) for piece in pieces)


def _lowest_risen(
    verse: WalkedVerse, bass: tuple[Sounded, ...], line: PlacedLine, upper: str, lower: str, beats: list[Fraction]
) -> _Line:
    """A part an octave up in a line, else two; or resting, with what it would do an octave up."""
    once = _risen(verse, bass, line, upper, lower, beats, 1)
    if once.upper or once.why != UNDER:
        return once
    twice = _risen(verse, bass, line, upper, lower, beats, 2)
    return replace(twice, cost=twice.cost + TWO_OCTAVES) if twice.upper else once


def _risen(
    verse: WalkedVerse,
    bass: tuple[Sounded, ...],
    line: PlacedLine,
    upper: str,
    lower: str,
    beats: list[Fraction],
    octaves: int,
) -> _Line:
    """A part so many octaves up in a line, altered where it must be; or resting, if that does not do."""
    others = (verse.sounded_tune, merged(verse.voice(lower)), bass)
    notes = [
        Sounded(one.start, one.end, one.pitch.octaves_up(octaves))
        for one in merged(verse.voice(upper))
        if line.start <= one.start < line.end
    ]
    if not notes:
        return _Line("", {}, "be silent", 0.0)
    options = [_keys(verse, note, others) for note in notes]
    inside = [place for place in beats if line.start <= place < line.end]
    beat = bar_at(verse.bars, line.start).time.beat
    keys, cost = _cheapest(notes, options, others, inside, beat)
    low = {note.start for note in notes if _time_under(note, note.midi, others[0])}
    interval = _interval(notes, others, inside)
    altered = {note.start: key for note, key in zip(notes, keys, strict=True) if key != note.midi}
    under = sum(_time_under(note, key, others[0]) for note, key in zip(notes, keys, strict=True))
    too_high = octaves > 1 and max(keys) > HIGHEST
    if KEPT_TO_EACH_ALTERED * len(altered) > len(notes) or cost >= PARALLEL or under >= beat or too_high:
        whole = sum(_time_under(note, note.midi, others[0]) for note in notes)
        return _Line("", {}, UNDER if whole >= beat else f"make {interval}", 2 * PARALLEL)
    faults = {start: UNDER if start in low else f"make {interval}" for start in altered}
    return _Line(upper, altered, "", cost, octaves, faults)


def _time_under(note: Sounded, key: int, tune: tuple[Sounded, ...]) -> Fraction:
    """How long a key of the descant lies on the tune or under it, in quarter notes."""
    over = [one for one in sounding(tune, note.start, note.end) if one.midi >= key]
    return sum((min(one.end, note.end) - max(one.start, note.start) for one in over), Fraction(0))


def _keys(verse: WalkedVerse, note: Sounded, others: tuple[tuple[Sounded, ...], ...]) -> tuple[int, ...]:
    """The printed key first, then others of the same chord that leave it complete and clash with nothing (R1, R2)."""
    chords = [one for one in chords_in(verse.chords, note.start, note.end) if one.chord.root is not None]
    down = [one for part in others for one in sounding(part, note.start, note.end)]
    names = {one.midi % 12 for one in down if one.start <= note.start}
    held = any(one.inner and one.start < note.end and note.start <= one.end for one in verse.suspensions)
    needed = {name for one in chords for name in _wanted(one)} - names
    if not chords or held or note.midi % 12 in needed or note.midi % 12 not in chords[0].chord.pitch_classes:
        return (note.midi,)
    once = frozenset[int]().union(*(leading_notes(one) | sevenths(one) for one in chords))
    fits = frozenset.intersection(*(one.chord.pitch_classes for one in chords)) - once
    top = max((one.midi for one in sounding(others[0], note.start, note.end)), default=0)
    above = NEAR_OVER_TUNE if _time_under(note, note.midi, others[0]) else NEAR
    near = [
        key
        for key in range(note.midi - NEAR, note.midi + above + 1)
        if key != note.midi
        and key % 12 in fits
        and key > top
        and not any((key - one.midi) % 12 in (1, 11) for one in down)
    ]
    return (note.midi, *near)


def _wanted(one: WalkedChord) -> frozenset[int]:
    """Third and seventh, without which a chord is another."""
    tones = (one.chord.third, one.chord.seventh)
    return frozenset(tone.name.pitch_class for tone in tones if tone is not None)


def _cheapest(
    notes: list[Sounded],
    options: list[tuple[int, ...]],
    others: tuple[tuple[Sounded, ...], ...],
    beats: list[Fraction],
    beat: Fraction,
) -> tuple[list[int], float]:
    """The cheapest keys for all notes of a line (Viterbi); a state is a key and the one that opened the last beat."""
    costs: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
    opened: Fraction | None = None
    for index, (note, keys) in enumerate(zip(notes, options, strict=True)):
        inside = [place for place in beats if note.start <= place < note.end]
        fresh: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
        for key in keys:
            under = _time_under(note, key, others[0])
            own = PARALLEL if under >= beat else PASSES_UNDER * bool(under)
            if key != note.midi:
                same = any((key - one.midi) % 12 == 0 for one in sounding(others[0], note.start, note.end))
                own += ALTERED + SEMITONE * abs(key - note.midi) + DOUBLED * same
            for (before, first), (total, path) in costs.items() or [((-1, -1), (0.0, ()))]:
                cost = total + own
                if index:
                    wider = max(0, abs(key - before) - max(NEAR, abs(note.midi - notes[index - 1].midi)))
                    cost += LEAP * wider
                    if notes[index - 1].end == note.start:
                        cost += PARALLEL * bool(_moved(before, key, others, note.start - INSTANT, note.start))
                        cost += DIRECT * _direct(before, key, others[-1], note.start)
                places = [*([opened] if opened is not None else []), *inside]
                for at, (start, end) in enumerate(pairwise(places)):
                    cost += PARALLEL * bool(
                        _moved(first if at == 0 and opened is not None else key, key, others, start, end)
                    )
                following = (key, key if inside else first)
                if following not in fresh or cost < fresh[following][0]:
                    fresh[following] = (cost, (*path, key))
        costs = fresh
        opened = inside[-1] if inside else opened
    cost, path = min(costs.values())
    return list(path), cost


def _moved(key: int, key_next: int, others: tuple[tuple[Sounded, ...], ...], start: Fraction, end: Fraction) -> str:
    """`fifths`, `octaves` or nothing: what two keys of the descant make with another voice between two places."""
    for other in others:
        low, low_next = sounding(other, start, start + INSTANT), sounding(other, end, end + INSTANT)
        if not low or not low_next or key == key_next or low[0].midi == low_next[0].midi:
            continue
        size = (key_next - low_next[0].midi) % 12
        if size in (0, 7) and (key - low[0].midi) % 12 == size:
            return "fifths" if size else "octaves"
    return ""


def _direct(key: int, key_next: int, bass: tuple[Sounded, ...], at: Fraction) -> bool:
    """Whether descant and bass leap the same way into a fifth or octave: outer voices, heard most."""
    low, low_next = sounding(bass, at - INSTANT, at), sounding(bass, at, at + INSTANT)
    if not low or not low_next or (key_next - low_next[0].midi) % 12 not in (0, 7):
        return False
    moves = (key_next - key, low_next[0].midi - low[0].midi)
    return moves[0] * moves[1] > 0 and min(map(abs, moves)) > 2


def _interval(notes: list[Sounded], others: tuple[tuple[Sounded, ...], ...], beats: list[Fraction]) -> str:
    """What the part makes as printed in a line, for the page."""
    line = tuple(notes)
    joins = [(after.start - INSTANT, after.start) for before, after in pairwise(notes) if before.end == after.start]
    for start, end in (*joins, *pairwise(beats)):
        up, up_next = sounding(line, start, start + INSTANT), sounding(line, end, end + INSTANT)
        found = _moved(up[0].midi, up_next[0].midi, others, start, end) if up and up_next else ""
        if found:
            return found
    return "fifths or octaves"


# -- what the hands get -----------------------------------------------------------------------------


def _descant(verse: WalkedVerse, section: Accompaniment, plan: dict[PlacedLine, _Line]) -> list[Draft]:
    drafts = []
    for upper, _ in PARTS:
        part = merged(verse.voice(upper))
        for piece in verse.voice(upper):
            (note, *_) = sounding(part, piece.start, piece.end)
            row = plan[_line_at(verse, note.start)]
            if row.upper != upper:
                continue
            pitch, source, mark = piece.pitch.octaves_up(row.octaves), upper, ""
            if note.start in row.altered:
                mark = f"the {upper} has {pitch} here: on top it would {row.faults[note.start]}"
                pitch, source = spelled(verse.chords, piece.start, piece.end, row.altered[note.start]), ""
            drafts.append(
                Draft(
                    "descant", piece.start, piece.end, pitch, "right hand", section.right, source,
                    mark if piece.start == note.start else "", tied_from=piece.tied_from, tied_to=piece.tied_to,
                )
            )  # fmt: skip
    return drafts


def _inner(
    verse: WalkedVerse, section: Accompaniment, plan: dict[PlacedLine, _Line], player: Player
) -> tuple[list[Draft], list[tuple[str, Piece]]]:
    """The other inner part under the tune, or both where the descant rests; and what the left hand cannot take."""
    drafts, omitted = [], []
    for upper, lower in PARTS:
        for piece in verse.voice(lower):
            rising = plan[_line_at(verse, piece.start)].upper
            if rising == lower:
                continue
            # Where the descant rests, the alto goes before the tenor.
            other = upper if not rising and lower == "tenor" else ""
            if not _fits(piece, verse, other, player, rests=not rising):
                omitted.append((lower, piece))
                continue
            drafts.append(
                Draft(
                    lower, piece.start, piece.end, piece.pitch, "left hand", section.left, lower,
                    tied_from=piece.tied_from, tied_to=piece.tied_to,
                )
            )  # fmt: skip
    return drafts, omitted


def _fits(piece: Piece, verse: WalkedVerse, other: str, player: Player, *, rests: bool) -> bool:
    """Whether the left hand has a note under the tune of its keyboard, in reach of what else it takes there."""
    tune = sounding(verse.sounded_tune, piece.start, piece.end)
    if any(piece.pitch.midi >= note.midi for note in tune):
        return False
    with_it = tune if not rests else sounding(merged(verse.voice(other)), piece.start, piece.end) if other else ()
    return not any(
        span(*sorted((note.midi, piece.pitch.midi))) > player.span_most or note.midi == piece.pitch.midi
        for note in with_it
    )
