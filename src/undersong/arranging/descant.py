"""An inner part of the print as a descant: an octave higher in the right hand, the tune with the other in the left.

A part that moves in fourths with the tune makes fifths above it, and what lay hidden between outer voices is bare on
top. Line by line that part rises, tenor or alto, which lies over the tune, at most for a passing note under it, and
makes no fifths or octaves with tune, other part and bass, from note to note and from beat to beat; a few notes of a
line give way to other tones of their chord, marked on the page. A part that lies over the tune only two octaves higher
rises so far where that is not too high. Where nothing of this does, the part rests, and both hands play the print.

What the left hand cannot take of the other part under the tune it takes an octave higher, or it takes a tone that the
chord lacks, the third first; only where neither goes without fifths and octaves the note is left out.

Conventions: section time in quarter notes; keys are MIDI numbers; prices are points, smaller is better.
References: an inner part an octave up as a descant: organ teaching pages (second hand); fifths: common practice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from undersong.arranging.figured import ground_of, spelled
from undersong.arranging.fixed import bass_drafts, bass_for, tune_drafts
from undersong.arranging.judge import judge
from undersong.arranging.placing import Draft, write
from undersong.arranging.voicing import PARALLEL
from undersong.arranging.walked import Piece, WalkedVerse, merged
from undersong.model.accompaniment import Accompaniment, Limb, PlacedLine
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
HIGHER, INSTEAD, OTHER_TONE, IN_A_BEAT = 2.0, 4.0, 2.0, 6.0
"""What it costs that the left hand takes a note an octave higher, or a tone that the chord lacks instead; another one
than the third; for less than a beat."""
WIDE = 8.0
"""What it costs that the left hand stretches to its widest: more than a note elsewhere, less than one left out."""
LEFT_OUT = 10.0
"""What each beat costs that the left hand leaves out of the part: two are worse than a note of the descant altered."""
NO_THIRD = 40.0
"""What it costs that a chord is left without its third (R1)."""
ANEW, LEAP_INSIDE = 2.0, 0.25
"""What it costs that another key is struck within one printed note; each semitone that a note elsewhere makes a leap
wider: little, for between tune and bass it is hardly heard."""
SILENT = -1
"""In place of a key: nothing."""
DIRECT = 35.0
"""What it costs that descant and bass leap into a fifth or octave: more than a note altered, for it lies on top now. An
alto's leading note falls a third inside the print; here it rises."""
KEPT_TO_EACH_ALTERED = 6
"""Notes of a line to each that gives way; with fewer it is no longer the printed part."""
DOUBLED = 8.0
"""What it costs that an altered note doubles the tune: the descant says nothing there."""
NEAR = 5
"""So far from the printed note another is sought, in semitones: a fourth, within which a part still reads as itself."""
NEAR_OVER_TUNE = 7
"""And so far above a printed note that lies on the tune or under it: where both have the root, the fifth over it."""
TWO_OCTAVES = 30.0
"""What it costs that a part goes two octaves up: between it and the tune there is a hole, so the other goes first."""
PASSES_UNDER = 10.0
"""What a note shorter than a beat costs that lies on the tune or under it: it decides which part rises."""
HIGHEST = 81
"""A5: higher nothing goes two octaves up, where a flute only whistles (assumed)."""
HIGHEST_ALTERED = 84
"""C6, an octave over an alto's usual top: so far an altered note may go."""
UNDER = "lie under the tune"
"""What a part does that cannot rise, as the page says it."""
INSTANT = Fraction(1, 64)
"""A place just before or after another, in quarter notes."""


@dataclass(frozen=True, slots=True)
class _Taken:
    """What the left hand takes of the part beside the tune: a key (or none) for a note of the print, or part of it."""

    start: Fraction
    end: Fraction
    key: int
    printed: Sounded


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
    beside: tuple[_Taken, ...] = ()


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
    drafts += _beside_tune(verse, section, plan)
    inner, omitted = _at_rest(verse, section, plan, player)
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
    told += _changes(section, plan)
    return section, [*check(section, organ, player), *judge(section, verse), *told]


def _line_at(verse: WalkedVerse, start: Fraction) -> PlacedLine:
    return [line for line in verse.lines if line.start <= start][-1]


# -- which part rises, with which notes -------------------------------------------------------------


def _plan(verse: WalkedVerse, bass: tuple[Sounded, ...], player: Player) -> dict[PlacedLine, _Line]:
    """What becomes of each line; the part that rises in most of them at the least cost does so where it can."""
    beats = boundaries(ground_of(verse, (), 0), TEXTURES["broken"])
    found: dict[str, list[_Line]] = {}
    for upper, lower in PARTS:
        found[upper] = [_lowest_risen(verse, bass, line, (upper, lower), beats, player) for line in verse.lines]
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


def _lowest_risen(
    verse: WalkedVerse,
    bass: tuple[Sounded, ...],
    line: PlacedLine,
    parts: tuple[str, str],
    beats: list[Fraction],
    player: Player,
) -> _Line:
    """A part an octave up in a line, else two, with the other one beside the tune; or what it would do an octave up."""
    upper, lower = parts
    found = _risen(verse, bass, line, parts, beats, 1)
    if not found.upper and found.why == UNDER:
        twice = _risen(verse, bass, line, parts, beats, 2)
        found = replace(twice, cost=twice.cost + TWO_OCTAVES) if twice.upper else found
    if not found.upper:
        return found
    on_top = tuple(
        replace(one, pitch=spelled(verse.chords, one.start, one.end, found.altered[one.start]))
        if one.start in found.altered
        else replace(one, pitch=one.pitch.octaves_up(found.octaves))
        for one in merged(verse.voice(upper))
        if line.start <= one.start < line.end
    )
    beside, cost = _beside(verse, (verse.sounded_tune, on_top, bass), line, lower, beats, player)
    return replace(found, beside=beside, cost=found.cost + cost)


def _risen(
    verse: WalkedVerse,
    bass: tuple[Sounded, ...],
    line: PlacedLine,
    parts: tuple[str, str],
    beats: list[Fraction],
    octaves: int,
) -> _Line:
    """A part so many octaves up in a line, altered where it must be; or resting, if that does not do."""
    upper, lower = parts
    others = (verse.sounded_tune, merged(verse.voice(lower)), bass)
    notes = [
        Sounded(one.start, one.end, one.pitch.octaves_up(octaves))
        for one in merged(verse.voice(upper))
        if line.start <= one.start < line.end
    ]
    if not notes:
        return _Line("", {}, "be silent", 0.0)
    inside = [place for place in beats if line.start <= place < line.end]
    beat = bar_at(verse.bars, line.start).time.beat
    options = [_priced(note, _keys(verse, note, others), others[0], beat) for note in notes]
    keys, cost = _cheapest(notes, options, others, inside, on_top=True)
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
        and top < key <= HIGHEST_ALTERED
        and not any((key - one.midi) % 12 in (1, 11) for one in down)
    ]
    return (note.midi, *near)


def _priced(
    note: Sounded, keys: tuple[int, ...], tune: tuple[Sounded, ...], beat: Fraction
) -> tuple[tuple[int, float], ...]:
    """Keys of the descant for a note, each with what it costs by itself."""
    found = []
    for key in keys:
        under = _time_under(note, key, tune)
        cost = PARALLEL if under >= beat else PASSES_UNDER * bool(under)
        if key != note.midi:
            same = any((key - one.midi) % 12 == 0 for one in sounding(tune, note.start, note.end))
            cost += ALTERED + SEMITONE * abs(key - note.midi) + DOUBLED * same
        found.append((key, cost))
    return tuple(found)


def _wanted(one: WalkedChord) -> frozenset[int]:
    """Third and seventh, without which a chord is another."""
    tones = (one.chord.third, one.chord.seventh)
    return frozenset(tone.name.pitch_class for tone in tones if tone is not None)


def _cheapest(
    notes: list[Sounded],
    options: list[tuple[tuple[int, float], ...]],
    others: tuple[tuple[Sounded, ...], ...],
    beats: list[Fraction],
    *,
    on_top: bool,
) -> tuple[list[int], float]:
    """The cheapest keys for all notes of a line (Viterbi); a state is a key and the one that opened the last beat.

    `options` are keys with what they cost by themselves. Of a descant, `on_top`, every join is judged; of an inner
    part those with a note that is not the print's.
    """
    costs: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
    opened: Fraction | None = None
    for index, (note, keys) in enumerate(zip(notes, options, strict=True)):
        inside = [place for place in beats if note.start <= place < note.end]
        last = notes[index - 1] if index else note
        fresh: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
        for key, own in keys:
            for (before, first), (total, path) in costs.items() or [((SILENT, SILENT), (0.0, ()))]:
                cost = total + own
                spared = not on_top and key % 12 == note.midi % 12 and before % 12 == last.midi % 12
                if index and SILENT not in (key, before):
                    wider = max(0, abs(key - before) - max(NEAR, abs(note.midi - last.midi)))
                    cost += (LEAP if on_top else LEAP_INSIDE) * wider
                    if last.end == note.start:
                        cost += ANEW * (not on_top and key != before and last.midi == note.midi)
                        if not spared:
                            cost += PARALLEL * bool(_moved(before, key, others, note.start - INSTANT, note.start))
                        if on_top:
                            cost += DIRECT * _direct(before, key, others[-1], note.start)
                places = [*([opened] if opened is not None else []), *inside]
                for at, (start, end) in enumerate(pairwise(places)):
                    earlier = first if at == 0 and opened is not None else key
                    if SILENT not in (earlier, key) and not spared:
                        cost += PARALLEL * bool(_moved(earlier, key, others, start, end))
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
        size = abs(key_next - low_next[0].midi) % 12
        if size in (0, 7) and abs(key - low[0].midi) % 12 == size:
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


# -- what the left hand takes with the tune ---------------------------------------------------------


def _beside(
    verse: WalkedVerse,
    others: tuple[tuple[Sounded, ...], ...],
    line: PlacedLine,
    lower: str,
    beats: list[Fraction],
    player: Player,
) -> tuple[tuple[_Taken, ...], float]:
    """What the left hand takes of a part in a line, with what it costs; `others` are tune, descant and bass."""
    tune = others[0]
    notes: list[Sounded] = []
    printed: list[Sounded] = []
    for one in merged(verse.voice(lower)):
        if not line.start <= one.start < line.end:
            continue
        places = [one.start, one.end]
        if not _reached(one.midi, one, tune, player.span_easy):
            places += [note.start for note in sounding(tune, one.start, one.end) if note.start > one.start]
            places += [chord.start for chord in chords_in(verse.chords, one.start, one.end) if chord.start > one.start]
        for start, end in pairwise(sorted(set(places))):
            notes.append(replace(one, start=start, end=end))
            printed.append(one)
    if not notes:
        return (), 0.0
    beat = bar_at(verse.bars, line.start).time.beat
    options = [_takes(verse, note, others, beat, player) for note in notes]
    inside = [place for place in beats if line.start <= place < line.end]
    keys, cost = _cheapest(notes, options, others, inside, on_top=False)
    taken: list[_Taken] = []
    for note, key, one in zip(notes, keys, printed, strict=True):
        last = taken[-1] if taken else None
        held = last is not None and last.end == note.start and last.key == key
        foreign = key % 12 != note.midi % 12 and note.start not in beats
        if last is not None and held and (last.printed == one or foreign):
            taken[-1] = replace(last, end=note.end)
        else:
            taken.append(_Taken(note.start, note.end, key, one))
    return tuple(taken), cost


def _takes(
    verse: WalkedVerse, note: Sounded, others: tuple[tuple[Sounded, ...], ...], beat: Fraction, player: Player
) -> tuple[tuple[int, float], ...]:
    """What the left hand may take for a note of the part, with its price: the note itself wherever that is easy."""
    if _reached(note.midi, note, others[0], player.span_easy):
        return ((note.midi, 0.0),)
    chords = [one for one in chords_in(verse.chords, note.start, note.end) if one.chord.root is not None]
    down = [one for part in others for one in sounding(part, note.start, note.end)]
    sounds = {one.midi % 12 for one in down}
    beats = min(1.0, float((note.end - note.start) / beat))
    held = any(one.inner and one.start < note.end and note.start <= one.end for one in verse.suspensions)
    thirds = {one.chord.third.name.pitch_class for one in chords if one.chord.third is not None}
    tune = sounding(others[0], note.start, note.end)
    lacking = {
        name for name in thirds - sounds if not held and not any((one.midi - name) % 12 in (1, 11) for one in tune)
    }
    found = [(SILENT, (LEFT_OUT + NO_THIRD * bool(lacking)) * beats)]
    ways = [(note.midi, 0.0), (note.midi + 12, HIGHER)]
    if chords and not held:
        tones = frozenset.intersection(*(one.chord.pitch_classes for one in chords)) - sounds - {note.midi % 12}
        floor = max((one.midi for one in sounding(others[-1], note.start, note.end)), default=0)
        top = min((one.midi for one in tune), default=0)
        ways += [
            (key, INSTEAD + OTHER_TONE * (key % 12 not in thirds) + IN_A_BEAT * (beats < 1))
            for key in range(floor + 1, top)
            if key % 12 in tones and not any((key - one.midi) % 12 in (1, 11) for one in down)
        ]
    for key, price in ways:
        if _reached(key, note, others[0], player.span_most):
            wide = not _reached(key, note, others[0], player.span_easy)
            found.append((key, price + WIDE * wide + NO_THIRD * bool(lacking - {key % 12}) * beats))
    return tuple(found)


def _reached(key: int, note: Sounded, tune: tuple[Sounded, ...], most: int) -> bool:
    """Whether a key lies under the tune while a note sounds, within a stretch."""
    return all(key < one.midi and span(key, one.midi) <= most for one in sounding(tune, note.start, note.end))


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


def _beside_tune(verse: WalkedVerse, section: Accompaniment, plan: dict[PlacedLine, _Line]) -> list[Draft]:
    """What the left hand takes with the tune, where the descant does not rest."""
    drafts = []
    for row in plan.values():
        lower = dict(PARTS).get(row.upper, "")
        for one in row.beside:
            if one.key == SILENT:
                continue
            own = one.key % 12 == one.printed.midi % 12
            pitch = (
                one.printed.pitch.octaves_up((one.key - one.printed.midi) // 12)
                if own
                else spelled(verse.chords, one.start, one.end, one.key)
            )
            bounds = sorted(
                {one.start, one.end}
                | {piece.start for piece in verse.voice(lower) if piece.tied_from and one.start < piece.start < one.end}
            )
            drafts += [
                Draft(
                    lower, start, end, pitch, "left hand", section.left, lower if own else "",
                    tied_from=start > one.start, tied_to=end < one.end,
                )
                for start, end in pairwise(bounds)
            ]  # fmt: skip
    return drafts


def _changes(section: Accompaniment, plan: dict[PlacedLine, _Line]) -> list[Finding]:
    """For each line what became of notes that the left hand does not take as printed, told at the first of them."""
    told = []
    for row in plan.values():
        changed = [one for one in row.beside if one.key != one.printed.midi]
        if not changed:
            continue
        out = sum(one.key == SILENT for one in changed)
        higher = sum(one.key == one.printed.midi + 12 for one in changed)
        counts = ((higher, "an octave higher"), (len(changed) - out - higher, "another tone"), (out, "left out"))
        what = ", ".join(f"{count} {how}" for count, how in counts if count)
        part = dict(PARTS)[row.upper]
        told.append(
            tell(
                section, "changed-here", changed[0].start,
                what=f"not all notes of the {part} in this line are in easy reach under the tune: {what}",
            )
        )  # fmt: skip
    return told


def _at_rest(
    verse: WalkedVerse, section: Accompaniment, plan: dict[PlacedLine, _Line], player: Player
) -> tuple[list[Draft], list[tuple[str, Piece]]]:
    """Both inner parts where the descant rests, the alto with the tune where it is too far from the tenor."""
    drafts: list[Draft] = []
    omitted: list[tuple[str, Piece]] = []
    alto, tenor = merged(verse.voice("alto")), merged(verse.voice("tenor"))
    in_left: list[Piece] = []
    in_right: list[Piece] = []
    for name in ("alto", "tenor"):
        for piece in verse.voice(name):
            if plan[_line_at(verse, piece.start)].upper:
                continue
            tune = sounding(verse.sounded_tune, piece.start, piece.end)
            limb: Limb = "left hand"
            if name == "alto":
                low = sounding(tenor, piece.start, piece.end)
                together = _in_hand(piece, low, player) or any(one.midi == piece.pitch.midi for one in low)
                limb = "left hand" if together or not _in_hand(piece, tune, player) else "right hand"
            beside = [one for one in in_left if one.start < piece.end and piece.start < one.end]
            doubled = [one for one in in_right if one.start < piece.end and piece.start < one.end]
            taken = name == "tenor" and (
                not _in_hand(piece, merged(tuple(beside)), player)
                or any(one.pitch.midi == piece.pitch.midi for one in doubled)
            )
            if taken or any(piece.pitch.midi >= note.midi for note in tune):
                sounds = [*tune, *(sounding(alto, piece.start, piece.end) if name == "tenor" else ())]
                if not any(one.midi == piece.pitch.midi for one in sounds):  # in unison one key is both
                    omitted.append((name, piece))
                continue
            if name == "alto":
                (in_left if limb == "left hand" else in_right).append(piece)
            drafts.append(
                Draft(
                    name, piece.start, piece.end, piece.pitch, limb, section.left, name,
                    tied_from=piece.tied_from, tied_to=piece.tied_to,
                )
            )  # fmt: skip
    return drafts, omitted


def _in_hand(piece: Piece, others: Iterable[Sounded], player: Player) -> bool:
    """Whether a hand reaches a note with others, none of them on its key."""
    return not any(
        span(*sorted((one.midi, piece.pitch.midi))) > player.span_most or one.midi == piece.pitch.midi for one in others
    )
