"""The booklet for the bench: words and engraved systems on paper, as a PDF.

Problem: a verse must be readable from the bench by itself. It has its own heading (number, first
words, who sings, hand to manual), its own systems and its own foot (the gap, what comes next, what was
changed and why). A turn may not fall inside a verse where that can be helped, and paper is not wasted.

Conventions: lengths in mm, type in points. Odd pages are right-hand ones, so a turn lies between an odd
page and the next; two facing pages have none between them. Words travel as JSON, never as program text.
Same input, same bytes: no clock is read, and a revision is printed only if given.

References: rules P1 to P10 of the house (a musician's judgement; no outside source); typst 0.15.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from undersong.errors import CannotEngrave, UnknownName
from undersong.model.accompaniment import Accompaniment, Arrangement
from undersong.model.finding import Finding
from undersong.model.pitch import key_words
from undersong.model.plan import VersePlan
from undersong.model.text import opening
from undersong.model.time import Pace
from undersong.model.tune import show_beat
from undersong.performing import NO_GAP, Gap, gap_between
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES
from undersong.writing.engraver import MARGIN_MM, System, text_width
from undersong.writing.prepare import PageSize

Paper = Literal["a4", "letter"]

PAPERS: Mapping[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm (ISO 216; ANSI Y14.1)."""

SIDE_MM, TOP_MM, BOTTOM_MM = 13.0, 11.0, 13.0
SPARE_MM = 1.0
"""Left free on every page, for the heights of words are estimates."""

NORMAL, LARGE = (7.04, 10.5), (8.56, 13.0)
"""Height of a staff in mm and of the words in points, normal and large (P5, and a hair more against rounding)."""

FONTS = Path(__file__).with_name("fonts")
SOURCE = Path(__file__).with_name("booklet.typ")
LINE_EM = 1.22
"""From one line of words to the next, in ems of the type."""

SMALL = 0.86
FOOT_EMS = 17.0
"""Room for the title at the foot of a page."""

NOTE_SIGNS = {
    Fraction(1, 2): "\ueca7",
    Fraction(3, 4): "\ueca7\u200a\uecb7",
    Fraction(1): "\ueca5",
    Fraction(3, 2): "\ueca5\u200a\uecb7",
    Fraction(2): "\ueca3",
    Fraction(3): "\ueca3\u200a\uecb7",
    Fraction(4): "\ueca2",
}
"""Note signs for "beats a minute" by the length of a beat (SMuFL, metronome marks)."""

REST_SIGNS = {
    Fraction(1, 2): "\ue4e6",
    Fraction(3, 4): "\ue4e6\ue1e7",
    Fraction(1): "\ue4e5",
    Fraction(3, 2): "\ue4e5\ue1e7",
    Fraction(2): "\ue4e4",
    Fraction(3): "\ue4e4\ue1e7",
    Fraction(4): "\ue4e3",
}
"""Rests by the length of a beat (SMuFL, rests; augmentation dot)."""

MOST_MARKS = 9
"""Lines of explanation under a verse before findings of one kind are told together."""


def page_size(paper: str = "a4", *, large: bool = False) -> PageSize:
    """What the engraver must know for this paper; UnknownName for other papers than a4 and letter."""
    width, _ = _paper(paper)
    staff_mm, words_pt = LARGE if large else NORMAL
    return PageSize(width - 2 * SIDE_MM - MARGIN_MM, staff_mm, words_pt)


def booklet(
    arrangement: Arrangement,
    systems: Mapping[str, Sequence[System]],
    paper: str = "a4",
    *,
    large: bool = False,
    revision: str = "",
) -> bytes:
    """The booklet as a PDF.

    `systems` holds each section's engraved systems by section id, made for `page_size(paper, large=large)`, with
    `marks_at_notes` set; `revision` is a date and letter for the foot of each page. UnknownName for an unknown paper,
    CannotEngrave if a section has no systems or the typesetter objects (a missing font is an objection).
    """
    verses = [_verse(arrangement, index, systems) for index in range(len(arrangement.sections))]
    words_pt = (LARGE if large else NORMAL)[1]
    width, height = _paper(paper)
    head = _page_head(arrangement)
    measure = _Measure(width - 2 * SIDE_MM, height - TOP_MM - BOTTOM_MM - SPARE_MM, words_pt)
    pages = paginate(_units(head, verses, systems, arrangement, measure), measure.height_mm)
    return _typeset(
        head
        | {
            "verses": verses,
            "pages": pages,
            "paper_mm": [width, height],
            "margin_mm": {"x": SIDE_MM, "top": TOP_MM, "bottom": BOTTOM_MM},
            "width_mm": width - 2 * SIDE_MM,
            "words_pt": words_pt,
            "revision": revision,
        }
    )


def _paper(paper: str) -> tuple[float, float]:
    if paper not in PAPERS:
        raise UnknownName(f"paper {paper!r} is not known", remedy=f"Choose one of {', '.join(PAPERS)}.")
    return PAPERS[paper]


# ------------------------------------------------------------------------------------------------- the words


def _page_head(arrangement: Arrangement) -> dict[str, Any]:
    first = next((one for one in arrangement.sections if one.kind == "verse"), arrangement.sections[0])
    times = dict.fromkeys(str(bar.time) for bar in first.bars if bar.time.beats)
    facts = [arrangement.metre, key_words(arrangement.key, arrangement.mode), ", ".join(times)]
    said_below = [*arrangement.credits, *([arrangement.rights] if arrangement.rights else [])]
    return {
        "title": arrangement.title or "Untitled",
        "tune_name": arrangement.tune_name,
        "facts": [fact for fact in facts if fact],
        "beat": _beat(first.pace),
        "verses_sung": _verses_sung(arrangement.sections),
        "credits": ["  ·  ".join(said_below)] if said_below else [],
        "foot_title": shortened(arrangement.title, FOOT_EMS),
    }


def shortened(text: str, ems: float) -> str:
    """The text, or as many of its words as `ems` hold, with an ellipsis."""
    if text_width(text) <= ems:
        return text
    words = text.split()
    while len(words) > 1 and text_width(" ".join(words)) > ems - 1:
        words.pop()
    return " ".join(words)[: round(2 * ems)] + " …"


def _beat(pace: Pace) -> dict[str, str] | None:
    sign = NOTE_SIGNS.get(pace.beat)
    number = float(pace.beats_per_minute)
    return {"sign": sign, "number": f"{number:.0f}"} if sign else None


def _verses_sung(sections: Sequence[Accompaniment]) -> str:
    """`Introduction, verses 1–3, interlude, verse 4`."""
    told: list[str] = []
    run: list[int] = []

    def end_run() -> None:
        if run:
            told.append(f"verse {run[0]}" if len(run) == 1 else f"verses {_runs(run)}")
            run.clear()

    for section in sections:
        if section.kind == "verse" and section.verse is not None:
            run.append(section.verse)
        else:
            end_run()
            told.append(section.name.lower())
    end_run()
    text = ", ".join(told)
    return text[:1].upper() + text[1:]


def _runs(numbers: Sequence[int]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs)


def first_words(section: Accompaniment) -> str:
    """The beginning of the section's text as running words, with an ellipsis if more follows."""
    sung = [(word.start, word.text, word.hyphen) for word in section.words]
    words, more = opening(sung, [line.start for line in section.lines])
    return f"{words} …" if more else words


def _verse(arrangement: Arrangement, index: int, systems: Mapping[str, Sequence[System]]) -> dict[str, Any]:
    section = arrangement.sections[index]
    after = arrangement.sections[index + 1] if index + 1 < len(arrangement.sections) else None
    if not systems.get(section.id):
        raise CannotEngrave(f"{section.name} has no engraved systems", place=section.name)
    gap = gap_between(section, after, arrangement.plan.gap_beats) if after else NO_GAP
    return {
        **heading(arrangement, section),
        "systems": [system.svg for system in systems[section.id]],
        "gap": "\u2009".join([REST_SIGNS.get(section.pace.beat, "")] * int(gap.lift / section.pace.beat)),
        "gap_words": _gap_words(gap, section.pace.beat),
        "next": _next(section, after, arrangement.mode) if after else "",
        "marks": [[mark.sign, mark.text] for mark in marks(arrangement, section)],
    }


def heading(arrangement: Arrangement, section: Accompaniment) -> dict[str, Any]:
    """What stands over a section: its number or name, first words, who sings, hand to division, texture and stops."""
    is_verse = section.kind == "verse" and section.verse is not None
    return {
        "number": str(section.verse) if is_verse else section.name,
        "words": first_words(section),
        "who": _who(section, arrangement.plan.verses),
        "hands": _hands(section),
        "about": _about(_texture(section), _registration(section)),
    }


def _gap_words(gap: Gap, beat: Fraction) -> str:
    """`hold 2 more beats, lift 2`."""
    if not gap.length:
        return ""
    hold, lift = gap.hold / beat, gap.lift / beat
    if hold:
        return f"hold {show_beat(hold)} more beat{'s' if hold > 1 else ''}, lift {show_beat(lift)}"
    return f"lift {show_beat(lift)} beat{'s' if lift > 1 else ''}"


WHO = {"all": "all", "": ""}


def _who(section: Accompaniment, plans: Sequence[VersePlan]) -> str:
    if section.kind != "verse":
        return ""
    who = next((plan.who for plan in plans if plan.verse == section.verse), "")
    return WHO.get(who, who)


def _hands(section: Accompaniment) -> list[list[str]]:
    named = [["r.h.", section.right], ["l.h.", section.left], ["ped.", section.feet]]
    return [[limb, "" if limb == "ped." and name == "Pedal" else name] for limb, name in named if name]


def _texture(section: Accompaniment) -> str:
    row = TEXTURES.get(section.texture)
    told = [row.title if row else section.texture.replace("-", " ")]
    figure = row is not None and row.kind == "figure"
    raised = section.tune == "octave-up"
    if figure and section.right != section.left and section.tune in ("at-pitch", "octave-up"):
        told.append("tune soloed an octave up" if raised else "tune soloed")
    elif section.tune != "at-pitch":
        told.append(PLACES[section.tune].says)
    return ", ".join(one for one in told if one)


def _registration(section: Accompaniment) -> str:
    actual = "; ".join(f"{division}: {stops}" for division, stops in section.registration.actual if stops)
    return kept_together(" — ".join(one for one in (section.registration.generic, actual) if one))


def kept_together(stops: str) -> str:
    """Stops with no break between a name and its pitch or ranks."""
    return re.sub(r" (?=[\dIVX]+\b)", "\u00a0", stops)


def _about(*told: str) -> list[str]:
    """Texture and stops, in one line where they fit."""
    said = " — ".join(one for one in told if one)
    return [said] if said else []


def _next(section: Accompaniment, after: Accompaniment, mode: str | None) -> str:
    """What comes next and which hand moves: `verse 3 · l.h. to Swell`."""
    told = [after.name.lower()]
    for limb, now, then in (
        ("r.h.", section.right, after.right),
        ("l.h.", section.left, after.left),
        ("ped.", section.feet, after.feet),
    ):
        if now != then:
            told.append(f"{limb} to {then}" if then else f"{limb} tacet")
    if section.tune != after.tune:
        told.append(PLACES[after.tune].says)
    if section.key != after.key:
        told.append(f"in {key_words(after.key, mode)}")
    return " · ".join(told)


# -------------------------------------------------------------------------------------------- what was changed


@dataclass(frozen=True, slots=True)
class Mark:
    """One explanation under a verse: its sign, its sentence, and the notes that bear the sign."""

    sign: str
    text: str
    notes: tuple[str, ...]
    found: tuple[Finding, ...] = ()


DOTTED = Mark("....", "dotted: a doubtful chord; the notes allow another.", ())
"""What the line under a symbol means."""


def marks(arrangement: Arrangement, section: Accompaniment) -> tuple[Mark, ...]:
    """What the foot of this section explains, numbered in the order of the music (P8).

    The same sentence is told once with all its places. Where that still gives many lines, faults against the craft of
    one kind are told together; changes always keep their own lines. A note that bears a word of its own is told too.
    """
    told = [one for one in arrangement.findings if one.section == section.id and one.told == "page"]
    found = sorted([*told, *_marked(arrangement, section)], key=lambda one: one.start)
    groups = _grouped(found, lambda one: (one.kind, one.message))
    if len(groups) > MOST_MARKS:
        groups = _grouped(found, lambda one: (one.kind, one.message if one.weight != "soft" else ""))
    numbered = [
        Mark(
            f"({number})",
            _explained(group),
            tuple(dict.fromkeys(one.notes[0] for one in group if one.notes)),
            tuple(group),
        )
        for number, group in enumerate(groups, 1)
    ]
    return (*numbered, DOTTED) if any(chord.doubtful for chord in section.chords) else tuple(numbered)


def _marked(arrangement: Arrangement, section: Accompaniment) -> list[Finding]:
    """Notes that bear a word which no finding tells."""
    told = {note for one in arrangement.findings if one.section == section.id for note in one.notes}
    marked = []
    for note in section.notes:
        if note.mark and note.id not in told:
            bar = section.bar_at(note.start)
            beat = str(bar.beat_of(note.start))
            marked.append(Finding("changed-here", section.id, bar.number, beat, note.start, (note.id,), note.mark))
    return marked


def marks_at_notes(arrangement: Arrangement, section: Accompaniment) -> dict[str, str]:
    """Signs by note id: each explanation's sign at the first note of each of its places."""
    signs: dict[str, list[str]] = {}
    for mark in marks(arrangement, section):
        for note in mark.notes:
            signs.setdefault(note, []).append(mark.sign)
    return {note: " ".join(held) for note, held in signs.items()}


def _grouped(found: Sequence[Finding], by: Any) -> list[list[Finding]]:
    groups: dict[Any, list[Finding]] = {}
    for one in found:
        groups.setdefault(by(one), []).append(one)
    return list(groups.values())


def _place(one: Finding) -> str:
    if one.bar == "0":
        return "pickup"
    try:
        beat = show_beat(Fraction(one.beat))
    except ValueError:
        beat = one.beat
    return f"bar {one.bar}, beat {beat}" if beat else f"bar {one.bar}"


def sentence(one: Finding) -> str:
    """One finding with its place, as the foot of its verse says it."""
    return _explained([one])


def _explained(group: Sequence[Finding]) -> str:
    first = group[0]
    message = first.message.rstrip(".")
    if first.weight == "hard":
        message = f"cannot be played: {message}"
    if len(group) == 1:
        return f"{_place(first)}: {message}."
    if len({one.message for one in group}) == 1:
        return f"{'; '.join(dict.fromkeys(_place(one) for one in group))}: {message}."
    others = list(dict.fromkeys(one.bar for one in group[1:]))
    return f"{_place(first)}: {message}; the like in bar{'s' if len(others) > 1 else ''} {', '.join(others)}."


# --------------------------------------------------------------------------------------------------- the pages


@dataclass(frozen=True, slots=True)
class _Measure:
    """How much room words take (about, rather too much)."""

    width_mm: float
    height_mm: float
    words_pt: float

    @property
    def em_mm(self) -> float:
        return self.words_pt * 25.4 / 72

    def lines(self, text: str, width_mm: float, size: float = 1.0) -> int:
        return max(1, math.ceil(1.04 * text_width(text) * self.em_mm * size / width_mm)) if text else 0

    def page_head(self, head: Mapping[str, Any]) -> float:
        tune = 1.2 * text_width(head["tune_name"]) * self.em_mm
        title = self.lines(head["title"], self.width_mm - 6 - tune, 2.1)
        small = sum(self.lines(one, self.width_mm, SMALL) for one in head["credits"])
        aside = 1.1 * text_width(head["verses_sung"]) * self.em_mm
        rows = max(1, self.lines("  ·  ".join(head["facts"]) + " " * 16, max(40.0, self.width_mm - aside)))
        return title * 2.2 * self.em_mm + 2.6 + ((rows + small * SMALL) * LINE_EM - 0.4) * self.em_mm

    def head(self, verse: Mapping[str, Any]) -> float:
        number = 2.2 * text_width(verse["number"]) * self.em_mm + 3
        room = self.width_mm - number
        first = self.lines(f"{verse['words']}   {verse['who']}", room, 1.2)
        hands = self.lines("  ·  ".join(" ".join(hand) for hand in verse["hands"]), room)
        rest = sum(self.lines(about, room) for about in verse["about"])
        return ((max(1, first) * 1.12 + hands + rest) * LINE_EM - 0.45) * self.em_mm

    def foot(self, verse: Mapping[str, Any]) -> float:
        rows = 1.25 if verse["next"] or verse["gap"] else 0.0
        room = self.width_mm - 2.3 * SMALL * self.em_mm
        marks_rows = sum(self.lines(text, room, SMALL) for _, text in verse["marks"])
        return rows * LINE_EM * self.em_mm + marks_rows * SMALL * LINE_EM * self.em_mm + 1.6 * bool(verse["marks"])


@dataclass(frozen=True, slots=True)
class Item:
    """Something on a page: page-head, head, system or foot; its verse and system by number; height in mm."""

    kind: Literal["page-head", "head", "system", "foot"]
    height_mm: float
    verse: int = -1
    system: int = -1


@dataclass(frozen=True, slots=True)
class Unit:
    """Items that must stay on one page; `verse` is the verse they belong to."""

    items: tuple[Item, ...]
    verse: int

    @property
    def first(self) -> bool:
        """True when a verse begins here."""
        return any(item.kind == "head" for item in self.items)


BEFORE_MM: Mapping[str, tuple[float, float, float]] = {
    "page-head": (0.0, 0.0, 0.0),
    "head": (4.0, 8.0, 16.0),
    "system": (0.5, 2.0, 9.0),
    "foot": (0.5, 1.0, 3.0),
}
"""Room above each kind of item in mm: least, wanted, most."""

AFTER_HEAD_MM = (1.0, 1.5, 3.0)
CLOSEST_MM: Mapping[str, float] = {"page-head": 0.0, "head": 2.0, "system": -0.5, "foot": 0.0}
CLOSEST_AFTER_HEAD_MM = 0.5
"""Room where a verse's last systems would else stand alone on another page. Pictures bring a margin of 1 mm each, so
what is drawn in two systems stays 1.5 mm apart."""

LEFT_OVER = 2
"""So many systems on a page of their own are not worth a turn."""

PAGE, TURN_INSIDE, FACING_INSIDE, TIGHT, CLOSE, EMPTY = 2.0, 4.0, 0.3, 0.4, 1.0, 9.0
"""Costs: of a page, of a turn inside a verse, of a verse over two facing pages, of squeezing, of setting a page closer
still, of an empty third."""


FRONT = 3.0
"""Cost of a front page: less than a turn inside a verse, more than any other fault of a page."""
FRONT_PAGE: dict[str, Any] = {"items": [{"kind": "plan", "verse": 0, "system": 0, "before_mm": 0.0}]}


def _units(
    head: Mapping[str, Any],
    verses: Sequence[Mapping[str, Any]],
    systems: Mapping[str, Sequence[System]],
    arrangement: Arrangement,
    measure: _Measure,
) -> list[Unit]:
    """Head with first system, last system with foot; systems between stand alone."""
    units = []
    for index, (verse, section) in enumerate(zip(verses, arrangement.sections, strict=True)):
        drawn = systems[section.id]
        for number, system in enumerate(drawn):
            items = [Item("system", system.height_mm, index, number)]
            if number == 0:
                items.insert(0, Item("head", measure.head(verse), index))
                if index == 0:
                    items.insert(0, Item("page-head", measure.page_head(head), index))
            if number == len(drawn) - 1:
                foot = measure.foot(verse)
                if foot:
                    items.append(Item("foot", foot, index))
            units.append(Unit(tuple(items), index))
    return units


def _rooms(items: Sequence[Item]) -> list[tuple[float, float, float]]:
    """Least, wanted and most room above each item of a page; none above the first."""
    rooms = []
    for index, item in enumerate(items):
        if index == 0:
            rooms.append((0.0, 0.0, 0.0))
        elif items[index - 1].kind == "head":
            rooms.append(AFTER_HEAD_MM)
        else:
            rooms.append(BEFORE_MM[item.kind])
    return rooms


def _closest(items: Sequence[Item]) -> list[float]:
    """The room above each item of a page that is set as close as can be."""
    rooms = [0.0]
    for before, item in pairwise(items):
        rooms.append(CLOSEST_AFTER_HEAD_MM if before.kind == "head" else CLOSEST_MM[item.kind])
    return rooms


def _leaves_over(units: Sequence[Unit], begin: int, end: int, height_mm: float) -> bool:
    """Whether a page from `begin` on would hold a verse but for its last one or two systems, which end before `end`."""
    if end < len(units) and not units[end].first:
        return False
    kept = max(begin + 1, end - LEFT_OVER)
    together = not any(unit.first for unit in units[kept:end])
    return together and _page_cost(units[begin:kept], height_mm, last=False) is not None


def paginate(units: Sequence[Unit], height_mm: float) -> list[dict[str, Any]]:
    """Divide units into pages of `height_mm` by least cost over the whole booklet, and space each page.

    A turn (odd page to even page) inside a verse costs much, a verse over two facing pages little; so does paper.
    Where the first verse would be turned inside, a front page with the plan lets it begin on a left page (P7).
    A page is set closer than else where a verse's last one or two systems would stand alone on the next.
    """
    count = len(units)
    best: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {(0, 1): (0.0, ())}
    if count and units[-1].verse > units[0].verse:
        best[0, 0] = (FRONT, (0,))
    for begin in range(count):
        for odd in (1, 0):
            if (begin, odd) not in best:
                continue
            cost, ends = best[begin, odd]
            for end in range(begin + 1, count + 1):
                page = _page_cost(units[begin:end], height_mm, last=end == count)
                if page is None and end > begin + 1:
                    items = [item for unit in units[begin:end] for item in unit.items]
                    if sum(item.height_mm for item in items) + sum(_closest(items)) > height_mm:
                        break
                    if not _leaves_over(units, begin, end, height_mm):
                        continue
                    page = PAGE + TIGHT + CLOSE
                inside = end < count and not units[end].first
                total = cost + (page or PAGE) + inside * (TURN_INSIDE if odd else FACING_INSIDE)
                state = (end, 1 - odd)
                if state not in best or total < best[state][0] - 1e-9:
                    best[state] = (total, (*ends, end))
    _, ends = min(best[state] for state in ((count, 0), (count, 1)) if state in best)
    return [
        _page(units[begin:end], height_mm) if end else FRONT_PAGE for begin, end in zip((0, *ends), ends, strict=False)
    ]


def _page_cost(units: Sequence[Unit], height_mm: float, *, last: bool) -> float | None:
    """Cost of a page, or None if it does not fit."""
    items = [item for unit in units for item in unit.items]
    heights = sum(item.height_mm for item in items)
    least, wanted, most = (heights + sum(room[i] for room in _rooms(items)) for i in range(3))
    if least > height_mm:
        return None
    squeezed = TIGHT * max(0.0, wanted - height_mm) / max(0.1, wanted - least)
    empty = max(0.0, height_mm - most) / height_mm
    blank = 0.2 * empty if last else EMPTY * max(0.0, empty - 1 / 3) + 0.5 * empty
    return PAGE + squeezed + blank


def _page(units: Sequence[Unit], height_mm: float) -> dict[str, Any]:
    """Items with the room above each, stretched or squeezed to fill the page as far as looks well."""
    items = [item for unit in units for item in unit.items]
    rooms = _rooms(items)
    left = height_mm - sum(item.height_mm for item in items) - sum(room[1] for room in rooms)
    if left < sum(room[0] - room[1] for room in rooms):
        rooms = [(close, *room[1:]) for close, room in zip(_closest(items), rooms, strict=True)]
    side = 0 if left < 0 else 2
    give = sum(abs(room[side] - room[1]) for room in rooms)
    share = min(1.0, abs(left) / give) if give else 0.0
    return {
        "items": [
            {
                "kind": item.kind,
                "verse": item.verse,
                "system": item.system,
                "before_mm": round(room[1] + (room[side] - room[1]) * share, 3),
            }
            for item, room in zip(items, rooms, strict=True)
        ],
    }


# ---------------------------------------------------------------------------------------------- the typesetter


@cache
def _fonts() -> Any:
    import typst  # noqa: PLC0415  # the typesetter is loaded when a booklet is wanted

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)])


def _typeset(data: Mapping[str, Any]) -> bytes:
    import typst  # noqa: PLC0415  # as above

    compiler = typst.Compiler(font_paths=_fonts())
    try:
        pdf, warnings = compiler.compile_with_warnings(
            input=SOURCE.read_bytes(), format="pdf", sys_inputs={"booklet": json.dumps(data)}, timestamp=0
        )
    except typst.TypstError as error:
        raise CannotEngrave(f"the booklet could not be set ({error.message})") from error
    if warnings:
        raise CannotEngrave(f"the booklet could not be set ({'; '.join(one.message for one in warnings)})")
    assert isinstance(pdf, bytes)
    return pdf
