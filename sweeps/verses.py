"""One verse of a hymn in one texture, with the tune in one place, on one organ: laid out and looked at from outside.

The musical problem: whether a texture serves shows only on music that nobody chose for it. A *case* is one verse laid
out. It is *refused* where another texture, or the tune in another place, is laid out instead of what was asked, and it
*falls back* where a line of it was given up to block chords or to tune and bass. A case that is *looked at* is also
written out and counted by `tests/voice_leading.py` and `tests/witness.py`, which share no code with the program.

Conventions: refusals are told by their reason: a *stated need* of the texture, a *rule* of the craft, the *place* asked
for, the tune *too low* at pitch (where the octave up is laid out instead), or anything *outside* these. A bar keeps its
figure unless its line fell back, or its figure has fewer than half of the onsets usual in the verse (bars with a line
end apart).

References: reasons belong to the needs that the program's own table of textures states; common practice, no source.
"""

from __future__ import annotations

import statistics
import sys
import warnings
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from running import last_lines

import voice_leading
import witness
from undersong.arranging import arrange
from undersong.arranging.figured import FALL_BACK, LADDER
from undersong.arranging.walked import walk_verse
from undersong.errors import UndersongError
from undersong.library.organfile import find_organ
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.finding import Finding
from undersong.model.harmony import Harmony
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS, Organ
from undersong.model.plan import Plan, TunePlace, VersePlan
from undersong.model.player import LARGE, MEDIUM, SMALL, Player
from undersong.reading.abc import read_abc
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.workflow import harmonise, read
from undersong.writing.exchange import exchange_file

REACHES = {"small": SMALL, "medium": MEDIUM, "large": LARGE}
ORGANS = {
    "two manuals": TWO_MANUALS,
    "one manual without pedal": find_organ("one-manual-no-pedal"),
    "three manuals": find_organ("three-manuals"),
    "49 keys, 13 pedals": find_organ("short-keys"),
}
"""Ready-made ones of the program."""
STATED = (
    ("four parts are not printed", "four printed parts"), ("the organ has one manual", "two manuals"),
    ("without feet", "pedal"), ("the harmony leaves the tonic", "leaves its tonic"), ("no harmony is known", "harmony"),
    ("with a chord on every beat", "lasts"), ("with a chord on most beats", "lasts"),
    ("too fast at this pace", "pace"), ("would blur in this room", "room"),
    ("the feet would", "the feet can play"), ("without feet", "the feet can play"), ("both hands", "the feet can play"),
)  # fmt: skip
"""What a refusal says, and the words of the texture's needs that it answers to."""
BY_RULE = ("would run across the tune's",)
"""Refusals that a rule of the craft asks for (R7)."""
TOO_LOW = "too low"
VOICES_JUDGED = ("figure", "counter-line", "three-voices", "descant")
"""Kinds of texture with voices of the program's own; the others are the print, or hold no chords."""
CHORDS_JUDGED = ("figure", "counter-line")
"""Kinds of which complete chords are asked: two voices over a bass cannot always have them."""
SINGLE_VOICES = ("counter-line", "three-voices", "descant")
"""Kinds whose parts are one voice each."""
LIMBS = {"right hand": "right", "left hand": "left"}
FALLEN = tuple(
    said for rung in LADDER if rung.name in FALL_BACK for said in (rung.says, rung.without_bass) if said
)  # fmt: skip
WORST = 3
"""So many faults of a kind are kept with their places, for each case."""
VOICES = ("soprano", "alto", "tenor", "bass")


@dataclass
class Case:
    """What became of one verse. Counts of the file are there where it was looked at."""

    texture: str
    place: str
    reach: str = "medium"
    organ: str = "two manuals"
    laid_place: str = ""
    """Where the tune lies in the end."""
    refused: str = ""
    """"stated", "rule", "place", "too low" (the octave up is laid out) or "outside"."""
    reason: str = ""
    lines: int = 0
    fallen: list[str] = field(default_factory=list)
    """Lines that fell back, each with its place."""
    mended: dict[str, int] = field(default_factory=dict)
    bars: int = 0
    bars_kept: int = 0
    hard: list[tuple[str, str]] = field(default_factory=list)
    soft: dict[str, int] = field(default_factory=dict)
    notes: dict[str, int] = field(default_factory=dict)
    looked_at: bool = False
    printed_bass: bool = False
    joins: int = 0
    pair_joins: int = 0
    chords: int = 0
    complete: int = 0
    beats: int = 0
    struck: int = 0
    exempt: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    pair_faults: dict[str, int] = field(default_factory=dict)
    worst: list[tuple[str, str]] = field(default_factory=list)
    """Kind, and place with what is heard."""
    against: list[str] = field(default_factory=list)
    """What the witness has against the file, the tune included."""
    failure: str = ""


@dataclass
class Result:
    """One hymn: why it is left out, or its cases, the print's own faults, and how much its textures differ."""

    file: str
    stamp: str
    source: str
    left_out: str = ""
    cases: list[Case] = field(default_factory=list)
    print_joins: int = 0
    print_pair_joins: int = 0
    print_faults: dict[str, int] = field(default_factory=dict)
    differ: dict[str, float] = field(default_factory=dict)
    """By two names of textures, the share of notes beside the tune that one has and the other has not."""


def revived(told: dict[str, Any]) -> Result:
    """A result as the state file keeps it."""
    return Result(**{**told, "cases": [Case(**case) for case in told["cases"]]})


@dataclass(frozen=True)
class Asked:
    """A case to be laid out."""

    texture: str
    place: str
    reach: str = "medium"
    organ: str = "two manuals"
    look: bool = False


@dataclass(frozen=True)
class Source:
    """Where a hymn comes from: a file of the corpus, or the ABC text of a folk tune."""

    name: str
    kind: str
    path: Path | None = None
    abc: str = ""


@dataclass(frozen=True)
class _Hymn:
    hymn: Hymn
    harmony: Harmony
    tune: tuple[witness.TuneNote, ...]
    """The tune as another reader has it (chorales), or as walked."""
    printed: Mapping[str, tuple[witness.TuneNote, ...]]


def one_hymn(source: Source, asked: Sequence[Asked], mark: str, *, compare: bool = False) -> Result:
    """All cases of one hymn; never raises for what is wrong with music or program."""
    result = Result(source.name, mark, source.kind)
    try:
        given = _opened(source, look=any(one.look for one in asked))
    except UndersongError as failure:
        result.left_out = f"not read: {failure}"
        return result
    except Exception:  # noqa: BLE001 - counted and told
        result.left_out = f"failed: {last_lines()}"
        return result
    if isinstance(given, str):
        result.left_out = given
        return result
    laid: dict[str, Accompaniment] = {}
    for one in asked:
        case, section = one_case(given, one)
        result.cases.append(case)
        if compare and section is not None and case.refused in ("", TOO_LOW) and one.place == usual_place(one.texture):
            laid[one.texture] = section
        if one.look and one.texture == "as-printed" and section is not None and given.printed and not case.refused:
            _count_print(result, given, section)
    if compare:
        result.differ = {
            f"{first}, {second}": round(difference(laid[first], laid[second]), 3)
            for first, second in combinations(laid, 2)
        }
    return result


def _opened(source: Source, *, look: bool) -> _Hymn | str:
    """The hymn with its harmony; a word where it is left out."""
    if source.path is None:
        found = read_abc(source.abc.encode())
        if not found.hymns:
            return "no tune is read"
        hymn = found.hymns[0]
    else:
        hymn = read(source.path)[0]
        if not hymn.tune.four_parts:
            return "not in four parts"
    harmony = harmonise(hymn).harmony
    verse = walk_verse(hymn, harmony, hymn.text.verses[0] if hymn.text.verses else None)
    tune = tuple((note.start, note.end - note.start, note.midi) for note in verse.sounded_tune)
    printed: dict[str, tuple[witness.TuneNote, ...]] = {}
    if look and source.path is not None:
        printed = _as_another_reads(source.path)
        tune = printed.get("soprano", tune)
    return _Hymn(hymn, harmony, tune, printed)


def _as_another_reads(path: Path) -> dict[str, tuple[witness.TuneNote, ...]]:
    """The printed voices as music21 reads and walks them; none where it cannot."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            score = witness.parse(path)
            if len(score.parts) != len(VOICES):
                return {}
            return {voice: witness.walked_voice(part) for voice, part in zip(VOICES, score.parts, strict=True)}
    except Exception:  # noqa: BLE001 - music21 raises what it likes; then the program's own walk is compared
        return {}


def one_case(given: _Hymn, asked: Asked) -> tuple[Case, Accompaniment | None]:
    """Lay out one verse and count; the section too, where there is one."""
    case = Case(asked.texture, asked.place, asked.reach, asked.organ)
    organ, player = ORGANS[asked.organ], REACHES[asked.reach]
    number = given.hymn.text.verses[0].number if given.hymn.text.verses else None
    place: TunePlace = PLACES[asked.place].name
    pace = given.hymn.tune.pace
    try:
        plan = Plan((VersePlan(number, asked.texture, place, pace=pace),))
        arrangement = arrange(given.hymn, given.harmony, plan, organ, player)
        (section,) = arrangement.sections
        _count(case, arrangement, section)
        if asked.look and case.refused in ("", TOO_LOW):
            _look(case, given, arrangement, organ, player)
    except UndersongError as failure:
        case.failure = f"{type(failure).__name__}: {failure}"
    except Exception:  # noqa: BLE001 - counted and told
        case.failure = last_lines()
    else:
        return case, section
    return case, None


def _count(case: Case, arrangement: Arrangement, section: Accompaniment) -> None:
    """What the program itself says of the verse."""
    texture = TEXTURES[case.texture]
    case.lines, case.laid_place = len(section.lines), section.tune
    refusals = [one.message for one in arrangement.findings if one.kind == "not-served"]
    if refusals or section.texture != case.texture or section.tune != case.place:
        case.reason = " / ".join(refusals) or "no reason is told"
        case.refused = _why(case, section, refusals)
    soft: Counter[str] = Counter()
    mended: Counter[str] = Counter()
    notes: Counter[str] = Counter()
    fallen: list[Fraction] = []
    for finding in arrangement.findings:
        if finding.weight == "hard":
            case.hard.append((finding.kind, _placed(finding)))
        elif finding.weight == "soft":
            soft[finding.kind] += 1
        elif finding.kind == "changed-here" and finding.message.startswith(FALLEN):
            fallen.append(finding.start)
            case.fallen.append(_placed(finding))
        elif finding.kind == "changed-here" and texture.figure is not None:
            mended[finding.message] += 1
        else:
            notes[finding.kind] += 1
    case.soft, case.mended, case.notes = dict(soft), dict(mended), dict(notes)
    if section.texture == case.texture and texture.kind in CHORDS_JUDGED:
        kept = _kept_bars(section, fallen, moving=_is_moving(case.texture))
        case.bars, case.bars_kept = len(kept), sum(kept)


def _placed(finding: Finding) -> str:
    return f"bar {finding.bar}, beat {finding.beat}: {finding.message}"


def _why(case: Case, section: Accompaniment, refusals: Sequence[str]) -> str:
    """Which kind of refusal this is."""
    texture = TEXTURES[case.texture]
    first = refusals[0] if refusals else ""
    if any(says in first for says in BY_RULE):
        return "rule"
    if section.texture == case.texture and TOO_LOW in first and section.tune == "octave-up":
        return TOO_LOW
    if any(says in first and need in texture.needs for says, need in STATED):
        return "stated"
    return "place" if case.place != usual_place(case.texture) else "outside"


def usual_place(texture: str) -> str:
    """Where the tune lies if nothing else is asked: at pitch, or in the feet where both hands are needed."""
    return "pedal" if TEXTURES[texture].two_hands else "at-pitch"


def _is_moving(texture: str) -> bool:
    row = TEXTURES[texture]
    return row.kind == "counter-line" or (row.kind == "figure" and not row.by_harmony)


def _kept_bars(section: Accompaniment, fallen: Sequence[Fraction], *, moving: bool) -> list[bool]:
    """For each bar whether it keeps the figure."""
    struck = sorted({float(note.start) for note in section.notes if note.part not in ("tune", "bass")})
    onsets = [bisect_left(struck, float(bar.end)) - bisect_left(struck, float(bar.start)) for bar in section.bars]
    whole = [
        count for bar, count in zip(section.bars, onsets, strict=True) if not _has_end(section, bar.start, bar.end)
    ]
    usual = statistics.median(whole or onsets)
    starts = [line.start for line in section.lines]
    lost = {bisect_right(starts, start) for start in fallen}
    return [
        bisect_right(starts, bar.start) not in lost
        and (not moving or count >= usual / 2 or _has_end(section, bar.start, bar.end) or bar.pickup)
        for bar, count in zip(section.bars, onsets, strict=True)
    ]


def _has_end(section: Accompaniment, start: Fraction, end: Fraction) -> bool:
    return any(start < line.end <= end for line in section.lines)


# -- looked at from outside ------------------------------------------------------------------------


def parts_of(section: Accompaniment) -> voice_leading.Parts:
    """Which part each key belongs to, as the section says it (and `undersong arrange --json` tells anyone)."""
    found: dict[tuple[str, Fraction, int], tuple[str, ...]] = {}
    for note in section.notes:
        if note.tie not in ("stop", "both"):
            place = (LIMBS.get(note.limb, "feet"), note.start, note.pitch.midi)
            found[place] = (*found.get(place, ()), note.part)
    return found


def _look(case: Case, given: _Hymn, arrangement: Arrangement, organ: Organ, player: Player) -> None:
    section = arrangement.sections[0]
    laid, place = TEXTURES[section.texture], PLACES[section.tune]
    (seen,) = witness.read_sections(exchange_file(arrangement))
    parts = parts_of(section)
    by_part = voice_leading.parted(seen, parts)
    case.looked_at = True
    case.printed_bass = any(note.part == "bass" and note.source == "bass" for note in section.notes)
    tune = [(key.start, key.end - key.start, key.midi - 12 * place.octaves) for key in by_part.get("tune", ())]
    if sorted(tune) != sorted(given.tune):
        missing = sorted(set(given.tune) - set(tune)) or sorted(set(tune) - set(given.tune))
        case.against.append(f"{seen.place(missing[0][0]) if missing else seen.name}: the tune differs")
    compass = (min(one.lowest for one in organ.manuals), max(one.highest for one in organ.manuals))
    pedal = (organ.pedal.lowest, organ.pedal.highest) if organ.pedal else (1, 0)
    lengths = tuple(bar.length for bar in section.bars)
    told = witness.section_faults(
        [seen],
        expected=[witness.Expected(seen.tune, lengths=lengths)],
        one_manual=[section.right == section.left],
        reach=player.span_most,
        manual_keys=compass,
        pedal_keys=pedal,
    )
    case.against += [one for one in told if place.tune == "right hand" or "above the tune" not in one]
    shift = 12 * (place.sounds - place.octaves)
    low_stops = (0, -12) if "16" in place.stops.replace("no 16", "") else (0,)
    sounds = {"tune": low_stops if place.own_harmony else (shift,)}
    if place.bass == "feet" and section.feet:
        sounds["bass"] = low_stops
    full = laid.kind in VOICES_JUDGED
    count = voice_leading.measure(
        seen, parts, printed_bass=case.printed_bass, moving=_is_moving(section.texture), full=full,
        complete=laid.kind in CHORDS_JUDGED, single=laid.kind in SINGLE_VOICES, sounds=sounds,
    )  # fmt: skip
    if laid.kind in CHORDS_JUDGED and given.printed and not place.own_harmony:
        count.add(voice_leading.lost_suspensions(seen, parts, given.printed))
    case.joins, case.pair_joins = count.joins, count.pair_joins.total()
    case.chords, case.complete = count.chords, count.complete
    case.beats, case.struck = count.beats, count.struck
    case.exempt, case.pair_faults, case.faults = dict(+count.exempt), dict(count.pair_faults), dict(count.kinds())
    kept: Counter[str] = Counter()
    for fault in count.faults:
        kept[fault.kind] += 1
        if kept[fault.kind] <= WORST:
            case.worst.append((fault.kind, f"{fault.place}: {fault.what}"))


def _count_print(result: Result, given: _Hymn, section: Accompaniment) -> None:
    """The print's own faults by the same measure."""
    arrangement = Arrangement("", "", "", section.key, Plan(()), (section,))
    count = voice_leading.print_itself(witness.read_sections(exchange_file(arrangement))[0], given.printed)
    result.print_joins, result.print_pair_joins = count.joins, count.pair_joins.total()
    result.print_faults = dict(count.kinds())


def difference(first: Accompaniment, second: Accompaniment) -> float:
    """The share of notes beside tune and feet that one verse has and the other, at that onset and pitch, has not."""
    notes = [
        {
            (note.start, note.pitch.midi)
            for note in one.notes
            if note.part not in ("tune", "bass") and note.tie != "stop"
        }
        for one in (first, second)
    ]
    larger = max(len(notes[0]), len(notes[1]))
    return 1 - len(notes[0] & notes[1]) / larger if larger else 0.0
