"""Make the pictures that the README and the docs show, from the demo hymns.

Usage: make_pictures.py [FOLDER], by default docs/. Needs the packages of the tests.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pypdfium2
from PIL import Image, ImageChops, ImageOps

from undersong import workflow
from undersong.demo import hymn_files

SCALE = 1.8


def picture(file: Path, wishes: workflow.Wishes, place: Path, share: float) -> None:
    """The upper share of a hymn's first page, cut to what is printed on it."""
    with workflow.Writer(workflow.Output(place.parent, ("pdf",))) as writer:
        arrangement = workflow.lay_out(workflow.read(file)[0], wishes)
        pdf = writer.write(arrangement, place.stem)[0]
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=SCALE).to_pil().convert("L")
    pdf.unlink()
    page = page.crop((0, 0, page.width, round(page.height * share)))
    left, top, right, bottom = ImageChops.invert(page).getbbox()
    page = ImageOps.expand(page.crop((left, top, right, bottom)), 24, 255)
    page.quantize(16).save(place, optimize=True)


def main() -> int:
    """All pictures."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "docs")
    folder.mkdir(exist_ok=True)
    hymns = {file.name[:2]: file for file in hymn_files()}
    wishes = workflow.Wishes(verses=(2,), textures=("broken",))
    picture(hymns["02"], wishes, folder / "broken-chords.png", 0.572)
    return 0


if __name__ == "__main__":
    Image.MAX_IMAGE_PIXELS = None
    sys.exit(main())
