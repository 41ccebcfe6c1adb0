"""Engraved systems: a section's exchange file to pictures of its systems, one SVG each.

Problem: the engraving library is quick once loaded and can be killed by what it reads, so it lives
in one warm child process whose standard error is its log. What it does not draw (toe and heel) is
drawn here; what it says about the file is handed back, for a notation it dropped is otherwise lost
without a word.

Conventions: lengths in mm; inside the pictures one unit is a tenth of a mm. Glyphs that stand in text
come from the font Leipzig, words from Liberation Serif. One seed for each section keeps generated ids
apart when several pictures stand in one web page; ids of notes are those of the exchange file.

References: verovio 6.4 options; MusicXML 4.0.
"""

from __future__ import annotations

import html
import math
import re
import threading
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from undersong.errors import CannotEngrave, WorkStopped
from undersong.workers import Worker

if TYPE_CHECKING:
    from undersong.writing.prepare import PageSize

DOUBTFUL_SIGN = "\u2060"
"""Stands in the text of a chord symbol that gets a dotted line."""

SHOWN_ONE = "\u200b"
"""Stands after the number 1 of a bar that begins a later system, where a repeat is written out."""

JOINED_SIGN = "\u2063"
"""Stands after a syllable whose word goes on, for the library draws no hyphen where it finds no room. It is not
printed, but the library counts it as half a letter."""

ACCIDENTAL_EM = 0.149
"""Width of a chord symbol's sharp or flat in ems of Leipzig, from the font."""

DOUBTFUL_MARGIN = 1.7
"""Room under the chord symbols where a dotted line needs it, in half staff spaces."""

DEADLINE_SECONDS = 60.0
"""For one section; sixteen bars take a twentieth of a second."""

TEXT_FONT = "Liberation Serif"
MARGIN_MM, BRACE_MM = 1.0, 3.6
"""Kept free around each picture and left of it: without them heavy bar lines and the brace are cut."""

OPTIONS: Mapping[str, Any] = {
    "scale": 100,
    "breaks": "line",
    "systemMaxPerPage": 1,
    "adjustPageHeight": True,
    "justifyVertically": False,
    "minLastJustification": 0.0,
    "spacingStaff": 5,
    "spacingBraceGroup": 5,
    "lyricTopMinMargin": 2.5,
    "bottomMarginHarm": 1.2,
    "defaultBottomMargin": 1.0,
    "slurMargin": 2.0,
    "mnumInterval": 0,
    "lyricWordSpace": 1.4,
    "octaveAlternativeSymbols": True,
    "header": "none",
    "footer": "none",
    "svgViewBox": True,
    "svgRemoveXlink": True,
    "svgFormatRaw": True,
    "smuflTextFont": "none",
    "pageHeight": 5000,
}
"""What every page has in common; sizes are added by `_options`."""


@dataclass(frozen=True, slots=True)
class System:
    """One system: its picture and its size in mm."""

    svg: str
    width_mm: float
    height_mm: float


class Engraver:
    """The engraver at work: one warm child process. A context manager; sections are engraved one at a time.

    After `engrave_section`, `warnings` holds what the library said about that section.
    """

    def __init__(self) -> None:
        """Nothing is started yet."""
        self._worker = Worker()
        self.warnings: tuple[str, ...] = ()

    def __enter__(self) -> Self:
        """Start the child; it loads while the caller goes on."""
        self._worker.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the child."""
        self._worker.close()

    @property
    def process_id(self) -> int | None:
        """The child's number in the system, or None when there is no child."""
        return self._worker.process_id

    def engrave_section(
        self,
        exchange: bytes,
        size: PageSize,
        *,
        lines: Sequence[Fraction] = (),
        marks: Mapping[str, str] | None = None,
        cancel: threading.Event | None = None,
        deadline_seconds: float = DEADLINE_SECONDS,
    ) -> tuple[System, ...]:
        """Engrave one section's exchange file; systems from first to last.

        `lines` are starts of lines in quarter notes (default: the file's system breaks), `marks` texts at notes by id.
        CannotEngrave if the library refuses the file or dies of it; WorkStopped on `cancel`.
        """
        from undersong.writing.prepare import prepare  # noqa: PLC0415  # the child does without lxml

        music = prepare(exchange, size, lines=lines, marks=marks)
        options = _options(size) | {"xmlIdSeed": zlib.crc32(exchange) % 0x7FFFFFFF}
        if DOUBTFUL_SIGN in music:
            options["bottomMarginHarm"] = DOUBTFUL_MARGIN
        request = {"music": music, "options": options}
        try:
            answer = self._worker.run(
                "undersong.writing.drawing:draw", request, deadline_seconds=deadline_seconds, cancel=cancel
            )
        except WorkStopped as stopped:
            if cancel and cancel.is_set():
                raise
            raise CannotEngrave(f"the page could not be engraved ({stopped.message})") from stopped
        self.warnings = tuple(answer["log"])
        return tuple(_system(svg) for svg in answer["pages"])


def _options(size: PageSize) -> dict[str, Any]:
    unit_mm = size.staff_mm / 8
    return {
        **OPTIONS,
        "pageWidth": round((size.width_mm + MARGIN_MM) * 10),
        "unit": unit_mm * 10,
        "lyricSize": round(size.words_pt * 25.4 / 72 / unit_mm, 3),
        "pageMarginLeft": round(BRACE_MM * 10),
        **{f"pageMargin{side}": round(MARGIN_MM * 10) for side in ("Right", "Top", "Bottom")},
    }


def _system(svg: str) -> System:
    found = re.search(r'<svg viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    if not found:
        raise CannotEngrave("the engraver's picture has no size")
    svg, room = _in_rows(_SYMBOL.sub(lambda one: _larger_signs(one[0]), svg))
    return System(finish(svg), float(found[1]) / 10, (float(found[2]) + room) / 10)


# ------------------------------------------------------------------------------------- finishing the pictures

_TEXT_GROUP = re.compile(r'<g id="[^"]*" class="fing">(?:(?!</g>).)*?</text></g>', re.DOTALL)
_PEDAL_TEXT = re.compile(r"[∧∪\-–]+")


def finish(svg: str) -> str:
    """Name the text font, draw toe and heel, and write the sign of an octave in letters."""
    svg = svg.replace('font-family="Times, serif"', f'font-family="{TEXT_FONT}"').replace(SHOWN_ONE, "")
    if "∧" in svg or "∪" in svg:
        svg = _TEXT_GROUP.sub(lambda found: _feet(found[0]), svg)
    svg = _OCTAVE.sub(_octave_in_letters, svg)
    if DOUBTFUL_SIGN in svg:
        svg = _SYMBOL.sub(lambda found: _dotted(found[0]), svg)
    return _clear_words(_spread_words(svg))


_SYMBOL = re.compile(r'<g id="[^"]*" class="harm">.*?</text></g>', re.DOTALL)
_RUN = re.compile(r'<tspan(?: font-family="(Leipzig)")? font-size="([\d.]+)px"[^>]*>([^<]*)<')


LARGER, BOLDER_EM = 1.12, 0.024
"""Flats and naturals of chord symbols against the library's own, and the line drawn round them, in ems of their size.
The music font's are a third as wide as a letter and hair-thin: too little in poor light (P5). Its sharp would become
a blot; the sharp of the words is as high and twice as wide."""

SHARP_SIGN, LETTER_SHARE = "\uea66", 370 / 704
"""The library's sharp in a symbol (SMuFL, figured bass), and the size of the letters beside it against its own."""

_SIGN_RUN = re.compile(r'<tspan font-family="Leipzig" font-size="([\d.]+)px">([^<]*)<')


def _larger_signs(group: str) -> str:
    """A chord symbol whose sharps and flats are about as high as its letters, and as bold."""

    def drawn(found: re.Match[str]) -> str:
        size, sign = float(found[1]), found[2]
        if sign == SHARP_SIGN:
            return f'<tspan font-size="{LETTER_SHARE * size:.0f}px">♯<'
        size *= LARGER
        line = f'stroke="currentColor" stroke-width="{BOLDER_EM * size:.0f}"'
        return f'<tspan font-family="Leipzig" font-size="{size:.0f}px" {line}>{sign}<'

    return _SIGN_RUN.sub(drawn, group)


_TEXT_AT = re.compile(r'(<text x="([-\d.]+)" y=")([-\d.]+)"')
ROW_EM, GAP_EM = 1.05, 0.3
"""Chord symbols that would touch: how much higher the second stands, and what is left free between two, in ems."""


def _in_rows(svg: str) -> tuple[str, int]:
    """Chord symbols that would touch stand higher; with them the room added on top, in tenths of a mm.

    Chords that change within a beat are wider as text than as notes, and the engraver makes no room for symbols.
    """
    groups = list(_SYMBOL.finditer(svg))
    if len(groups) < 2:
        return svg, 0
    found = re.search(r'class="page-margin" transform="translate\([-\d.]+, ([-\d.]+)\)', svg)
    margin = float(found[1]) if found else 0.0
    ends: list[float] = []
    raised: dict[str, str] = {}
    top = 0.0
    for group in sorted((one[0] for one in groups), key=_symbol_left):
        wide, em = _symbol_width(group)
        left = _symbol_left(group)
        row = next((index for index, end in enumerate(ends) if end <= left), len(ends))
        ends[row : row + 1] = [left + wide + GAP_EM * em]
        if not row:
            continue
        up = round(row * ROW_EM * em)
        at = _TEXT_AT.search(group)
        assert at is not None
        top = min(top, margin + float(at[3]) - 0.8 * em - up)
        raised[group] = group[: at.start(3)] + f"{float(at[3]) - up:g}" + group[at.end(3) :]
    if not raised:
        return svg, 0
    svg = _SYMBOL.sub(lambda one: raised.get(one[0], one[0]), svg)
    room = math.ceil(-top / 10)
    return _VIEW.sub(lambda one: _taller(one, room), svg), room


_VIEW = re.compile(r'(<svg [^>]*?viewBox=")0 0 ([\d.]+) ([\d.]+)"')


def _taller(found: re.Match[str], room: int) -> str:
    """A picture with room on top; the inner one counts in hundredths of a mm."""
    inner = "definition-scale" in found[1]
    more = room * (10 if inner else 1)
    begins = found[1].replace("<svg ", f'<svg y="{-room}" ') if inner else found[1]
    return f'{begins}0 {-more} {found[2]} {float(found[3]) + more:g}"'


def _symbol_left(group: str) -> float:
    place = _TEXT_AT.search(group)
    return float(place[2]) if place else 0.0


def _symbol_width(group: str) -> tuple[float, float]:
    """How wide a symbol is, and the size of its letters, in the picture's units."""
    found = _RUN.findall(group.replace(DOUBTFUL_SIGN, ""))
    runs = [(family, float(size), html.unescape(text)) for family, size, text in found]
    wide = sum(size * (ACCIDENTAL_EM * len(text) if family else text_width(text)) for family, size, text in runs)
    return wide, max((size for family, size, _ in runs if not family), default=0.0)


def _dotted(group: str) -> str:
    """A dotted line under a symbol that bears the sign of doubt (P8); the sign goes."""
    place = re.search(r'<text x="([-\d.]+)" y="([-\d.]+)"', group)
    if DOUBTFUL_SIGN not in group or not place:
        return group
    plain = group.replace(DOUBTFUL_SIGN, "")
    wide, em = _symbol_width(plain)
    left, low = float(place[1]), float(place[2]) + 0.24 * em
    count = max(2, round(wide / (0.2 * em)) if em else 0)
    dots = "".join(f"M{left + wide * (index + 0.5) / count:.0f} {low:.0f}h0" for index in range(count))
    line = f'<path d="{dots}" fill="none" stroke="currentColor" stroke-width="{0.09 * em:.0f}" stroke-linecap="round"/>'
    return f"{plain[:-4]}{line}</g>"


_OCTAVE = re.compile(r'(class="octave[^>]*>)((?:<use [^>]*/>)+)<path d="M(\d+) (\d+) L(\d+) (\d+)"')
_USE = re.compile(r"<use [^>]*translate\(([-\d.]+), ([-\d.]+)\) scale\(([\d.]+)")
OCTAVE_EM = 0.58
"""Size of the letters of an octave sign against the music font's em (four staff spaces)."""


def _octave_in_letters(found: re.Match[str]) -> str:
    """`8va` in letters, with parentheses where it goes on from the system before; the line begins clear of it.

    The music font's sign is a blot at this size, and the library sets its parentheses upon it.
    """
    signs = _USE.findall(found[2])
    if not signs:
        return found[0]
    text = "(8va)" if len(signs) > 1 else "8va"
    left, low = min(float(x) for x, _, _ in signs), max(float(y) for _, y, _ in signs)
    em = OCTAVE_EM * 1000 * float(signs[0][2])
    begins = max(float(found[3]), left + (text_width(text) + 0.25) * em)
    letters = f'<text x="{left:.0f}" y="{low:.0f}" font-size="{em:.0f}px" font-style="italic" font-weight="bold">{text}'
    return f'{found[1]}{letters}</text><path d="M{begins:.0f} {found[4]} L{found[5]} {found[6]}"'


WORD_GAP_EM, HYPHEN_GAP_EM, HYPHEN_EM = 0.32, 0.4, 0.2
"""Least room between two words (a little more than the font's space) and between syllables of one, and the least
hyphen, in ems."""

_SUNG = re.compile(r'<g id="[^"]*" class="syl">(<text x="(-?\d+)" y="(-?\d+)".*?</text>)((?:<rect [^>]*/>)*)</g>')
_HYPHEN = re.compile(r'<rect x="(-?\d+)" y="(-?\d+)" height="(\d+)" width="(\d+)"/>')
_STAFF_LINE = re.compile(r'class="staff">.*?<path d="M(\d+) (\d+) L(\d+) \2"')


@dataclass(frozen=True, slots=True)
class _Sung:
    """A syllable in a picture: where it begins, its width, the size of its letters, whether its word goes on."""

    group: str
    left: float
    low: float
    width: float
    em: float
    joined: bool


def _spread_words(svg: str) -> str:
    """Move syllables apart that would run together, each as little as can be, and give a word its hyphens.

    A full system is set closer than its words allow. The places are those with the least sum of squared moves
    (isotonic regression by pooling neighbours, Barlow et al. 1972, from memory).
    """
    rows: dict[float, list[_Sung]] = {}
    for found in _SUNG.finditer(svg):
        text = html.unescape(re.sub(r"<[^>]*>", "", found[1]))
        em = max((float(size) for size in re.findall(r'font-size="([\d.]+)px"', found[1])), default=0.0)
        plain = text.replace(JOINED_SIGN, "")
        one = _Sung(found[0], float(found[2]), float(found[3]), text_width(plain) * em, em, plain != text)
        rows.setdefault(one.low, []).append(one)
    edges = [(float(left), float(right)) for left, _, right in _STAFF_LINE.findall(svg)]
    if not rows or not edges:
        return svg.replace(JOINED_SIGN, "")
    drawn: dict[str, str] = {}
    for row in rows.values():
        row.sort(key=lambda one: one.left)
        places = _apart(row, min(left for left, _ in edges), max(right for _, right in edges))
        for index, one in enumerate(row):
            after = places[index + 1] if index + 1 < len(row) else None
            drawn[one.group] = _sung_at(one, places[index], after)
    return _SUNG.sub(lambda found: drawn[found[0]], svg)


def _apart(row: Sequence[_Sung], least: float, most: float) -> list[float]:
    """Left edges of syllables of one row between two places, with room between them."""
    offsets = [0.0]
    for one in row:
        offsets.append(offsets[-1] + one.width + (HYPHEN_GAP_EM if one.joined else WORD_GAP_EM) * one.em)
    pools: list[list[float]] = []
    for one, offset in zip(row, offsets, strict=False):
        pools.append([one.left - offset])
        while len(pools) > 1 and sum(pools[-2]) / len(pools[-2]) > sum(pools[-1]) / len(pools[-1]):
            last = pools.pop()
            pools[-1].extend(last)
    means = [sum(pool) / len(pool) for pool in pools for _ in pool]
    most = max(least, most - offsets[-2] - row[-1].width)
    return [offset + min(max(mean, least), most) for mean, offset in zip(means, offsets, strict=False)]


def _sung_at(one: _Sung, left: float, after: float | None) -> str:
    """The group of a syllable at its place; `after` is where the next begins, and one hyphen stands halfway to it."""
    group = one.group.replace(JOINED_SIGN, "").replace(f'<text x="{one.left:.0f}"', f'<text x="{left:.0f}"', 1)
    end = left + one.width
    if after is None or not one.joined:
        return group
    hyphens = [(float(x), float(x) + float(wide)) for x, _, _, wide in _HYPHEN.findall(group)]
    if len(hyphens) > 1 and end <= hyphens[0][0] and hyphens[-1][1] <= after:
        return group
    wide = min(0.227 * one.em, after - end - 0.12 * one.em)
    if wide < HYPHEN_EM * one.em:
        return group
    x, y = (end + after - wide) / 2, one.low - 0.254 * one.em
    line = f'<rect x="{x:.0f}" y="{y:.0f}" height="{0.054 * one.em:.0f}" width="{wide:.0f}"/>'
    return f"{_HYPHEN.sub('', group)[:-4]}{line}</g>"


_SYLLABLE = re.compile(
    r'class="syl"[^>]*><text x="(-?\d+)" y="(-?\d+)"[^>]*>(?:<tspan[^>]*>)*'
    r'<tspan[^>]*font-size="([\d.]+)px"[^>]*>([^<]*)<'
)
_BAR_LINK = re.compile(r'<path d="M(\d+) (\d+) L\1 (\d+)"( stroke-width="\d+")/>')


def _clear_words(svg: str) -> str:
    """Interrupt bar lines between the staves of the manuals where words reach over them, from the first to the last."""
    boxes = []
    for x, y, size, text in _SYLLABLE.findall(svg):
        em = float(size)
        boxes.append((float(x) - 0.12 * em, float(x) + (text_width(html.unescape(text)) + 0.1) * em, float(y), em))

    def cut(found: re.Match[str]) -> str:
        x, top, bottom = (int(found[part]) for part in (1, 2, 3))
        over = [(base, em) for left, right, base, em in boxes if left <= x <= right and top < base < bottom]
        if not over:
            return found[0]
        upper = round(min(base - 0.85 * em for base, em in over))
        lower = round(max(base + 0.35 * em for base, em in over))
        ends = [(a, b) for a, b in ((top, upper), (lower, bottom)) if a < b]
        return "".join(f'<path d="M{x} {a} L{x} {b}"{found[4]}/>' for a, b in ends)

    return _BAR_LINK.sub(cut, svg)


ADVANCES: Mapping[str, float] = {
    sign: width
    for signs, width in (
        ("'|", 0.19),
        ("ijlt/;:", 0.278),
        (".,  ", 0.25),
        ("frI!()-·’‘", 0.333),
        ("sJ", 0.389),
        ("acez?", 0.444),
        ("SPF", 0.556),
        ("ELTZ", 0.611),
        ("BCR", 0.667),
        ("wADGHKNOQUVXY", 0.722),
        ("m", 0.778),
        ("M", 0.889),
        ("W", 0.944),
        ("—…", 1.0),
    )
    for sign in signs
}
"""Advance widths of Liberation Serif in ems, from the font; what is not named is taken for half an em (as most are)."""


def text_width(text: str) -> float:
    """Width of words in ems of the text font (upright; bold and accented letters are about the same)."""
    return sum(ADVANCES.get(sign, 0.5) for sign in text)


def _feet(group: str) -> str:
    """Replace the text of a pedal mark by paths: caret for the toe, U for the heel, a dash for a substitution."""
    text = re.sub(r"<[^>]*>", "", group).strip()
    place = re.search(r'<text x="([-\d.]+)" y="([-\d.]+)"', group)
    em = max((float(size) for size in re.findall(r'font-size="([\d.]+)px"', group)), default=0.0)
    if not place or not _PEDAL_TEXT.fullmatch(text) or not em:
        return group
    start = group[: group.index(">") + 1]
    x, y = float(place[1]), float(place[2])
    step = 1.1 * em
    signs = [sign for sign in text if sign in "∧∪"]
    left = x - step * (len(signs) - 1) / 2 if 'text-anchor="middle"' in group else x + 0.28 * em
    paths = [_foot(sign, left + step * index, y, em) for index, sign in enumerate(signs)]
    for index in range(len(signs) - 1):
        middle = left + step * (index + 0.5)
        paths.append(f"M{middle - 0.12 * em:.0f} {y - 0.3 * em:.0f}h{0.24 * em:.0f}")
    return (
        f'{start}<path d="{" ".join(paths)}" fill="none" stroke="currentColor" '
        f'stroke-width="{0.11 * em:.0f}" stroke-linejoin="round" stroke-linecap="round"/></g>'
    )


def _foot(sign: str, x: float, y: float, em: float) -> str:
    half, high = 0.28 * em, 0.62 * em
    if sign == "∧":
        return f"M{x - half:.0f} {y:.0f}L{x:.0f} {y - high:.0f}L{x + half:.0f} {y:.0f}"
    knee = y - math.floor(half)
    bow = f"A{half:.0f} {half:.0f} 0 0 0 {x + half:.0f} {knee:.0f}"
    return f"M{x - half:.0f} {y - high:.0f}V{knee:.0f}{bow}V{y - high:.0f}"
