"""Engraved systems made fit for a page in the browser: no styles of their own, places one can go to.

Problem: a page under a strict content policy may hold no style sheet inside a picture, several pictures in one
page may not share ids, and someone without a mouse, or without sight, must reach each chord and each note.

Conventions: inside the pictures one unit is a hundredth of a mm. Ids of notes stay; the engraver's other ids go.
Chords are met in the order of the page. Looks belong to the page's style sheet, by the classes `system`, `touch`,
`doubtful`, `numeral`, `line-start`, and those that notes are marked with (`non-chord`, `proposed`).

References: SVG 2; WAI-ARIA 1.2, `button`, `group`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lxml import etree

from undersong.writing.engraver import System, text_width

Element = etree._Element  # noqa: SLF001  # lxml has no public name for it

SVG = "{http://www.w3.org/2000/svg}"
XLINK = "{http://www.w3.org/1999/xlink}href"
NUMERAL_ROOM = 620
"""Added below a system for numerals, in hundredths of a mm."""
USUAL_SIZE = 370.0
"""Height of a chord symbol's letters."""
PLACE = re.compile(r"translate\((-?[\d.]+), (-?[\d.]+)\)")


@dataclass(frozen=True, slots=True)
class Touch:
    """A place on the page that can be gone to: its id, what it says to a screen reader, and facts for the script."""

    id: str
    says: str
    facts: Mapping[str, str] = field(default_factory=dict)
    doubtful: bool = False
    numeral: str = ""


def on_screen(
    systems: Sequence[System],
    *,
    chords: Sequence[Touch] = (),
    notes: Mapping[str, Touch] | None = None,
    numerals: bool = False,
    marked: Mapping[str, str] | None = None,
    line_starts: Mapping[str, str] | None = None,
    named: str = "System",
    apart: str = "",
) -> tuple[str, ...]:
    """The systems as SVG text for a page.

    `chords` are the places of the chord symbols in the order of the page, `notes` those of notes by id (made places
    one can go to), `marked` classes for notes by id, `line_starts` what to write over the notes at which lines begin.
    With `numerals`, each chord's numeral stands in a row beneath. `apart` is put before every id, where the same music
    stands on a page twice.
    """
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=False)
    waiting = list(chords)
    pictures, drawn = [], set[str]()
    for number, system in enumerate(systems, 1):
        root = etree.fromstring(system.svg.encode(), parser)
        _plain(root, drawn)
        inner = root.find(f"{SVG}svg")
        for group in list((inner if inner is not None else root).iter(f"{SVG}g")):
            kind = group.get("class")
            if kind == "harm" and waiting:
                _touch_chord(group, waiting.pop(0), root if numerals else None)
            elif kind == "note":
                _touch_note(group, notes or {}, marked or {}, line_starts or {})
            elif kind == "beam":
                _mark_beam(group, marked or {})
            if kind not in ("note", "harm"):
                _drop(group, "id")
        if numerals and inner is not None:
            _lengthen(root, inner)
        root.set("class", "system")
        root.set("role", "group" if chords or notes else "img")
        root.set("aria-label", f"{named} {number} of {len(systems)}")
        _drop(root, "id")
        if apart:
            _set_apart(root, apart)
        pictures.append(etree.tostring(root, encoding="unicode"))
    return tuple(pictures)


def _drop(element: Element, name: str) -> None:
    if name in element.attrib:
        del element.attrib[name]


def _plain(root: Element, drawn: set[str]) -> None:
    """No sheet, no tool tips, no describing text; a glyph that an earlier picture brought is not brought again."""
    for tag in ("style", "desc", "title"):
        for element in list(root.iter(f"{SVG}{tag}")):
            parent = element.getparent()
            if parent is not None:
                parent.remove(element)
    for glyph in list(root.iterfind(f"{SVG}defs/{SVG}g")):
        name = glyph.get("id", "")
        if name in drawn:
            glyph.getparent().remove(glyph)  # type: ignore[union-attr]
        drawn.add(name)
    for element in root.iter(f"{SVG}tspan"):
        _drop(element, "id")


def _set_apart(root: Element, apart: str) -> None:
    """Other ids, and the glyphs still found by them."""
    for element in root.iter():
        for name, sign in (("id", ""), ("href", "#"), (XLINK, "#")):
            old = element.get(name)
            if old is not None:
                element.set(name, f"{sign}{apart}{old.removeprefix(sign)}")


def _lengthen(root: Element, inner: Element) -> None:
    """Room for a row beneath."""
    for element, room in ((root, NUMERAL_ROOM / 10), (inner, NUMERAL_ROOM)):
        left, top, width, height = map(float, element.get("viewBox", "0 0 0 0").split())
        element.set("viewBox", f"{left:g} {top:g} {width:g} {height + room:g}")


def _as_button(group: Element, touch: Touch) -> None:
    group.set("id", touch.id)
    group.set("role", "button")
    group.set("tabindex", "-1")
    group.set("aria-label", touch.says)
    for name, value in touch.facts.items():
        group.set(f"data-{name}", value)


def _touch_chord(group: Element, touch: Touch, below: Element | None) -> None:
    text = group.find(f"{SVG}text")
    if text is None:
        return
    sizes = (float(one.get("font-size", "0px")[:-2]) for one in text.iter(f"{SVG}tspan"))
    size = next((one for one in sizes if one), USUAL_SIZE)  # signs in between are larger than the letters
    x, y = float(text.get("x", "0")), float(text.get("y", "0"))
    width = max(0.7, text_width("".join(map(str, text.itertext())))) * size
    _as_button(group, touch)
    group.set("class", "touch chord-symbol")
    group.insert(0, _rect(x - 0.15 * size, y - size, width + 0.3 * size, 1.35 * size))
    if touch.doubtful:
        group.append(_line(x, x + width, y + 0.2 * size))
    if below is not None and touch.numeral:
        _, top, _, height = map(float, below.get("viewBox", "0 0 0 0").split())
        margin = _margin(group)
        _set_numeral(group, touch.numeral, x, (top + height) * 10 - margin + 0.55 * NUMERAL_ROOM, size)


def _margin(group: Element) -> float:
    """How far the picture's content is moved down."""
    for parent in group.iterancestors(f"{SVG}g"):
        if parent.get("class") == "page-margin":
            found = PLACE.search(parent.get("transform", ""))
            return float(found[2]) if found else 0.0
    return 0.0


def _rect(x: float, y: float, width: float, height: float) -> Element:
    return etree.Element(
        f"{SVG}rect", {"x": f"{x:.0f}", "y": f"{y:.0f}", "width": f"{width:.0f}", "height": f"{height:.0f}",
                       "class": "reach", "rx": "40"},
    )  # fmt: skip


def _line(left: float, right: float, y: float) -> Element:
    return etree.Element(f"{SVG}path", {"d": f"M{left:.0f} {y:.0f}H{right:.0f}", "class": "doubtful"})


def _set_numeral(group: Element, numeral: str, x: float, y: float, size: float) -> None:
    """The degree in letters; figures small and raised, as analyses print them."""
    text = etree.SubElement(group, f"{SVG}text", {"x": f"{x:.0f}", "y": f"{y:.0f}", "class": "numeral"})
    text.set("font-size", f"{0.95 * size:.0f}px")
    for part in re.findall(r"\d+|[^\d]+", numeral):
        piece = etree.SubElement(text, f"{SVG}tspan")
        piece.text = part
        if part.isdigit():
            piece.set("font-size", f"{0.62 * size:.0f}px")
            piece.set("class", "figures")


def _head(group: Element) -> tuple[float, float] | None:
    """Where a note's head lies."""
    use = group.find(f"{SVG}g[@class='notehead']/{SVG}use")
    found = PLACE.search(use.get("transform", "")) if use is not None else None
    return (float(found[1]), float(found[2])) if found else None


def _mark_beam(group: Element, marked: Mapping[str, str]) -> None:
    """A beam is marked as its notes are, if all are."""
    classes = {marked.get(one.get("id", "")) for one in group.iter(f"{SVG}g") if one.get("class") == "note"}
    if len(classes) == 1 and (one := classes.pop()):
        group.set("class", f"beam {one}")


def _touch_note(
    group: Element, notes: Mapping[str, Touch], marked: Mapping[str, str], line_starts: Mapping[str, str]
) -> None:
    name, head = group.get("id", ""), _head(group)
    if name in marked:
        group.set("class", f"note {marked[name]}")
    if head is None:
        return
    if name in notes:
        _as_button(group, notes[name])
        group.set("class", f"note touch {marked[name]}" if name in marked else "note touch")
        group.insert(0, _rect(head[0] - 60, head[1] - 260, 360, 520))
    if name in line_starts:
        x, y = head[0] - 130, head[1] - 900
        group.append(etree.Element(f"{SVG}path", {"d": f"M{x:.0f} {y + 1400:.0f}V{y:.0f}H{x + 220:.0f}",
                                                  "class": "line-start"}))  # fmt: skip
        told = etree.SubElement(group, f"{SVG}text", {"x": f"{x + 30:.0f}", "y": f"{y - 60:.0f}",
                                                      "class": "line-number", "font-size": "260px"})  # fmt: skip
        told.text = line_starts[name]
