"""Make the pictures that the README and the docs show, and the page of textures, from the demo hymns.

Usage: make_pictures.py [FOLDER], by default docs/. Needs the packages of the tests.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import pypdfium2
from PIL import Image, ImageChops, ImageOps

from undersong import workflow
from undersong.demo import hymn_files
from undersong.model.plan import TunePlace
from undersong.textures.patterns import PATTERNS
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES

SCALE = 1.8
TWO_SYSTEMS = 0.572


@dataclass(frozen=True)
class Shown:
    """A picture: demo hymn, verse, texture, place of the tune, and the rule to look for."""

    hymn: str
    verse: int
    texture: str
    place: TunePlace
    rule: str
    inner_pedal: bool = False

    @property
    def name(self) -> str:
        """The picture's file."""
        return f"{self.texture.replace(':', '-')}-{self.place}{'-inner-pedal' if self.inner_pedal else ''}.png"


SHOWN = (
    Shown(
        "06", 1, "as-printed", "at-pitch",
        "The print wins: an inner note goes to the other hand only where the stretch asks.",
    ),
    Shown(
        "06", 2, "soloed", "at-pitch",
        "The tune has a manual of its own; too wide a tenth is closed by an octave.",
    ),
    Shown(
        "02", 1, "block", "at-pitch",
        "R1: thirds and sevenths sound once; R19: the last chord stands, root lowest.",
    ),
    Shown(
        "02", 2, "broken", "at-pitch",
        "R2: no chord tone a semitone below the tune on a beat; R16: line ends are struck once.",
    ),
    Shown(
        "05", 3, "alberti", "octave-up",
        "R14: to the last chord of a line every beat is struck.",
    ),
    Shown(
        "02", 3, "held", "octave-up",
        "R10: the lowest note is held while the others move.",
    ),
    Shown(
        "05", 2, "bass-and-chord", "at-pitch",
        "R14: the feet strike the beat, the hand answers.",
    ),
    Shown(
        "02", 4, "strummed", "at-pitch",
        "R10: accent comes from length: the first chord is long, the others short.",
    ),
    Shown(
        "still", 1, "drone", "at-pitch",
        "R14: a drone is exempt from the pulse; it is struck again after each breath.",
    ),
    Shown(
        "07", 1, "unison", "at-pitch",
        "No harmony at all: a call to attention.",
    ),
    Shown(
        "02", 1, "two-voices", "at-pitch",
        "R11: root in the bass, but a third where octaves with the tune would move by step.",
    ),
    Shown(
        "02", 3, "broken:rolling", "octave-up",
        "R9: the figure's lowest and highest notes are judged as voices, here over four notes of each chord.",
    ),
    Shown(
        "02", 2, "broken:slow", "at-pitch",
        "A live room asks for this: where quavers would blur, a note to the beat takes their place.",
    ),
    Shown(
        "06", 1, "counter-line", "at-pitch",
        "R6, R9: one running voice, chord tones on the beats, steps between; no parallels with tune or bass.",
    ),
    Shown(
        "06", 3, "descant", "at-pitch",
        "R3: fourths under the tune would be fifths above it; there a note gives way, or the descant rests.",
    ),
    Shown(
        "06", 2, "shared", "pedal",
        "R4: the feet have the tune at 4 feet; the left hand holds the true bass and the foot of each figure.",
    ),
    Shown(
        "06", 1, "three-voices", "at-pitch",
        "R1: with one middle voice the third comes first. No feet: for a small organ, or a quiet verse.",
    ),
    Shown(
        "06", 2, "block", "bass",
        "R4: as the lowest part the tune has chords of its own; it is root or third, a six-four only passes.",
    ),
    Shown(
        "06", 3, "block", "pedal-8",
        "R3, R4: the tune sounds in the tenor, between the true bass in the left hand and the chords above.",
    ),
    Shown(
        "01", 2, "block", "tenor",
        "R3: a lowered tune needs new parts above it: its fourths would become fifths.",
    ),
    Shown(
        "06", 2, "block", "pedal",
        "R4: no 16' and no coupler; the left hand carries the true bass.",
    ),
    Shown(
        "01", 1, "block", "at-pitch",
        "R12: a tone common to three chords or more is one held key while the others move, struck after each breath.",
        inner_pedal=True,
    ),
)  # fmt: skip


STILL = """X:1
T:Still on the water (invented)
C:Leonora Fenwith (invented)
M:3/4
L:1/4
Q:1/4=84
K:Dmix
"D"D E F | A2 G | F E D | A3 | "D"A B c | "G/D"B2 A | "D"F G E | D3 |]
w:Still on the wa-ter the he-ron stands, wait-ing till mor-ning comes o-ver the sands.
"""
"""An invented tune over a harmony that keeps to its tonic."""


def picture(shown: Shown, file: Path, place: Path) -> None:
    """The first two systems of a verse with its heading, cut to what is printed."""
    wishes = workflow.Wishes((shown.verse,), (shown.texture,), shown.place, shown.inner_pedal)
    texture = shown.texture.partition(":")[0]
    with workflow.Writer(workflow.Output(place.parent, ("pdf",))) as writer:
        arrangement = workflow.lay_out(workflow.read(file)[0], wishes)
        assert arrangement.sections[0].texture == texture, arrangement.findings
        pdf = writer.write(arrangement, place.stem)[0]
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=SCALE).to_pil().convert("L")
    pdf.unlink()
    page = page.crop((0, 0, page.width, round(page.height * TWO_SYSTEMS)))
    page = ImageOps.expand(page.crop(ImageChops.invert(page).getbbox()), 24, 255)
    page.quantize(16).save(place, optimize=True)


def main() -> int:
    """All pictures, and docs/textures.md with one of each."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "docs")
    (folder / "textures").mkdir(parents=True, exist_ok=True)
    hymns = {file.name[:2]: file for file in hymn_files()}
    still = folder / "still.abc"
    still.write_text(STILL)
    hymns["still"] = still
    page = [
        "# The textures", "",
        "Made by `tools/make_pictures.py` from the demo hymns, with the rule of the craft to look for.", "",
    ]  # fmt: skip
    for shown in SHOWN:
        picture(shown, hymns[shown.hymn], folder / "textures" / shown.name)
        texture, _, pattern = shown.texture.partition(":")
        row = TEXTURES[texture]
        title = f"{row.title}, {pattern.replace('-', ' ')}" if pattern else row.title
        place = "" if shown.place == "at-pitch" else f", {PLACES[shown.place].says}"
        place += ", inner pedal points" if shown.inner_pedal else ""
        asked = f"--texture {shown.texture} --tune {shown.place}{' --inner-pedal' if shown.inner_pedal else ''}"
        page += [
            f"## {title}{place}", "",
            f"`{asked}`: {row.what}. Needs {row.needs}.", "",
            f"![A verse in this texture](textures/{shown.name})", "", shown.rule, "",
        ]  # fmt: skip
        if sys.stderr.isatty():
            print(f"\r{shown.name}", end="", file=sys.stderr)
    still.unlink()
    page += ["## Patterns of broken chords", "", "| pattern | how it goes |", "|---|---|"]
    page += [f"| `broken:{row.name}` | {row.says} |" for row in PATTERNS.values()]
    page += ["", "In a room that would blur a pattern its slower one is laid out, and the page says so.", ""]
    (folder / "textures.md").write_text("\n".join(page))
    return 0


if __name__ == "__main__":
    Image.MAX_IMAGE_PIXELS = None
    sys.exit(main())
