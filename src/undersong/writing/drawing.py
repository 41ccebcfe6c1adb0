"""In the engraver's child: pictures of all systems of a page. Only here is verovio loaded for engraving."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from undersong.child import log_place, log_since
from undersong.errors import CannotEngrave


@cache
def _toolkit() -> Any:
    import verovio  # noqa: PLC0415  # only the child loads it

    return verovio.toolkit()


def draw(request: Mapping[str, Any]) -> dict[str, Any]:
    """In the child: pictures of all systems and what the library said; CannotEngrave if it refuses the file."""
    toolkit, place = _toolkit(), log_place()
    toolkit.resetOptions()
    toolkit.setOptions(dict(request["options"]))
    if not toolkit.loadData(request["music"]):
        raise CannotEngrave(f"the engraver refused the page ({'; '.join(log_since(place)[-2:])})")
    pages = [toolkit.renderToSVG(number) for number in range(1, toolkit.getPageCount() + 1)]
    return {"pages": pages, "log": log_since(place)}
