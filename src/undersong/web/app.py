"""The pages put together: every address of every page, and every failure as a sentence."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from undersong.errors import CannotWrite, UndersongError
from undersong.web.asked import MOST_FIELDS, MOST_FILES, Question
from undersong.web.door import Address, Door, ask, to_notice
from undersong.web.guard import Refused
from undersong.web.pages import bench, entry, home, hymn, listen, plan, take, understood
from undersong.web.work import Busy, Work
from undersong.workflow import Changed, NotHere, Shelf

FONTS = Path(sys.modules["undersong.writing"].__path__[0]) / "fonts"
SENTENCES = {
    404: "There is no such page.",
    405: "This page cannot be asked that way.",
    400: "This request makes no sense.",
}


def font(_: Door, asked: Question) -> Response:
    """A font of the pages."""
    known = {one.name: one for one in FONTS.glob("*.ttf")}
    name = str(asked.path["font"])
    if name not in known:
        raise NotHere("there is no such font")
    return FileResponse(known[name], media_type="font/ttf", headers={"cache-control": "max-age=86400"})


ADDRESSES: tuple[Address, ...] = (
    *home.ADDRESSES,
    *understood.ADDRESSES,
    *hymn.ADDRESSES,
    *plan.ADDRESSES,
    *listen.ADDRESSES,
    *take.ADDRESSES,
    *entry.ADDRESSES,
    *bench.ADDRESSES,
    ask("/fonts/{font}", font),
)
"""Every address but those of files that never change."""


def failed(door: Door, request: Request, fault: Exception) -> Response:
    """Every failure in a sentence."""
    status = _status(fault)
    if isinstance(fault, UndersongError):
        says = str(fault)
    elif isinstance(fault, Refused):
        says = fault.detail
    elif isinstance(fault, HTTPException):
        says = SENTENCES.get(fault.status_code, "This cannot be answered.")
    else:
        says = f"This is a fault of the program: please report it ({type(fault).__name__})."
        print(f"undersong: {request.url.path}: {type(fault).__name__}: {fault}", file=sys.stderr)  # noqa: T201
    if "hx-request" in request.headers:
        return to_notice(door.show("fault_part.html", status, says=says))
    name = str(request.path_params.get("name", ""))
    return door.show("fault.html", status, says=says, hymn=name if name in door.shelf.names() else "")


def _status(fault: Exception) -> int:
    if isinstance(fault, HTTPException):
        return fault.status_code
    if isinstance(fault, Busy):
        return 503
    if isinstance(fault, CannotWrite) and fault.file:  # the disk; without a file it is the hymn that cannot be set
        return 507
    for kind, status in ((NotHere, 404), (Changed, 409), (UndersongError, 422)):
        if isinstance(fault, kind):
            return status
    return 500


def _route(door: Door, address: Address) -> Route:
    async def endpoint(request: Request) -> Response:
        try:
            if not address.form:
                return await run_in_threadpool(address.answer, door, Question(request, FormData()))
            async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=2**18) as given:
                return await run_in_threadpool(address.answer, door, Question(request, given))
        except UndersongError as fault:
            return failed(door, request, fault)

    return Route(address.path, endpoint, methods=["POST" if address.form else "GET"])


def make_app(shelf: Shelf, work: Work) -> Starlette:
    """The page in the browser over a shelf; children end with it."""
    door = Door(shelf, work)

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        door.close()

    async def told(request: Request, fault: Exception) -> Response:
        return failed(door, request, fault)

    static = Mount("/static", StaticFiles(packages=[("undersong.web", "static")]))
    handlers: dict[type[Exception], Callable[[Request, Exception], Awaitable[Response]]]
    handlers = {HTTPException: told, Exception: told}
    routes = [*(_route(door, one) for one in ADDRESSES), static]
    return Starlette(routes=routes, lifespan=life, exception_handlers=handlers)
