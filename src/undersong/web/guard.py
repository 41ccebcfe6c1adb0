"""Who may ask, and how much: the one gate before every answer.

Problem: any page she visits can make her browser send requests to this machine. So only this machine's own names are
answered, nothing that another site starts may change anything, and what comes in is bounded in size and time. In the
nave, a tablet is let in by a code that works once.

Conventions: sizes in bytes, `_seconds` of wall clock. A refusal is plain text: it says nothing about what is here.

References: Fetch (Origin, Sec-Fetch-Site), Content Security Policy Level 3, RFC 9110.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any
from urllib.parse import parse_qs

from starlette.exceptions import HTTPException

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY = 24 * 1024 * 1024
"""Largest request: a few hymn files at once (one file is read up to 16 MB)."""
BODY_SECONDS = 30.0
"""By then the whole request must have come."""
MOST_ADDRESS = 4096
MOST_GUESSES = 5
"""Wrong codes before a new one is made."""
COOKIE = "undersong"
SAFE = frozenset({"GET", "HEAD"})
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; media-src 'self' blob:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), midi=(self)",
}
ENTER_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Undersong</title>
<meta name="viewport" content="width=device-width"><link rel="stylesheet" href="/static/page.css"></head>
<body><main class="narrow"><h1>Undersong</h1><p>{says}</p>
<form method="post" action="/code"><p><label>Code <input name="code" inputmode="numeric" autocomplete="one-time-code"
 required autofocus></label></p><p><button>Open</button></p></form></main></body></html>"""


class Refused(HTTPException):
    """A request that is not answered: status and a sentence."""


class Guard:
    """ASGI middleware. `hosts` are the names (with port) this server answers to."""

    def __init__(
        self, app: App, hosts: Iterable[str], *, lan: bool = False, say: Callable[[str], None] = print
    ) -> None:
        """With `lan`, others than this machine need the code, which `say` tells."""
        self._app = app
        self._hosts = frozenset(host.lower() for host in hosts)
        self._lan = lan
        self._say = say
        self._sessions: set[str] = set()
        self._wrong = 0
        self._code = ""
        if lan:
            self._renew()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            heads = _heads(scope)
            self._check(scope, heads)
            if not self._known(scope, heads):
                await self._enter(scope, receive, send)
                return
            await self._app(scope, _bounded(receive, heads), _dressed(send))
        except Refused as refused:
            await _plain(send, refused.status_code, refused.detail)

    def _check(self, scope: Scope, heads: dict[str, str]) -> None:
        host = heads.get("host", "").lower()
        if host not in self._hosts:
            raise Refused(421, "This is not a name of this server.")
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string") or b"") > MOST_ADDRESS:
            raise Refused(414, "This address is too long.")
        site, origin = heads.get("sec-fetch-site", ""), heads.get("origin")
        foreign = site in ("cross-site", "same-site") or (origin is not None and origin.lower() != f"http://{host}")
        if scope["method"] in SAFE:
            if foreign and heads.get("sec-fetch-mode") != "navigate":
                raise Refused(403, "Other sites may not ask here.")
            return
        if scope["method"] != "POST":
            raise Refused(405, "Only GET and POST are answered.")
        if foreign:
            raise Refused(403, "Other sites may not change anything here.")
        kind = heads.get("content-type", "").partition(";")[0].strip().lower()
        if kind and kind not in FORMS:
            raise Refused(415, "Only forms are taken.")

    # -- the tablet's code ---------------------------------------------------------------------------------------

    def _renew(self) -> None:
        self._code, self._wrong = f"{secrets.randbelow(10**6):06}", 0
        self._say(f"Code for one more device: {self._code}")

    def _known(self, scope: Scope, heads: dict[str, str]) -> bool:
        if not self._lan or _here(scope) or scope["path"].startswith(("/static/", "/fonts/")):
            return True
        try:
            cookie = SimpleCookie(heads.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return cookie is not None and cookie.value in self._sessions

    async def _enter(self, scope: Scope, receive: Receive, send: Send) -> None:
        says = "Type the code that is shown where Undersong was started."
        if scope["method"] == "POST" and scope["path"] == "/code":
            given = parse_qs((await _whole(_bounded(receive, {}), 1000)).decode(errors="replace")).get("code", [""])[0]
            if hmac.compare_digest(given.strip().encode(), self._code.encode()):
                session = secrets.token_urlsafe(24)
                self._sessions.add(session)
                self._renew()
                heads = {"location": "/", "set-cookie": f"{COOKIE}={session}; Path=/; HttpOnly; SameSite=Strict"}
                await _plain(send, 303, "", heads)
                return
            self._wrong += 1
            if self._wrong >= MOST_GUESSES:
                self._renew()
            says = "That was not the code. It works once; look again where Undersong was started."
        await _plain(send, 403, ENTER_PAGE.format(says=says), {"content-type": "text/html; charset=utf-8"})


def _heads(scope: Scope) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        if key in ("host", "origin", "content-length", "content-type") and key in found:
            raise Refused(400, "A header stands twice.")
        found[key] = value.decode("latin-1")
    return found


def _here(scope: Scope) -> bool:
    client = scope.get("client")
    try:
        return client is not None and ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _bounded(receive: Receive, heads: dict[str, str]) -> Receive:
    """The body, as long as it is not too large or too slow."""
    length = heads.get("content-length", "0")
    if not length.isdigit() or int(length) > MOST_BODY:
        raise Refused(413, f"This is too large; at most {MOST_BODY // 2**20} MB are taken at once.")
    end: list[float] = []
    taken = 0
    finished = False

    async def next_part() -> Message:
        nonlocal taken, finished
        if finished:
            return await receive()
        now = asyncio.get_running_loop().time()
        if not end:
            end.append(now + BODY_SECONDS)
        try:
            message = await asyncio.wait_for(receive(), max(0.0, end[0] - now))
        except TimeoutError:
            raise Refused(408, "The request came too slowly.") from None
        taken += len(message.get("body", b""))
        finished = not message.get("more_body", False)
        if taken > MOST_BODY:
            raise Refused(413, f"This is too large; at most {MOST_BODY // 2**20} MB are taken at once.")
        return message

    return next_part


async def _whole(receive: Receive, most: int) -> bytes:
    data = b""
    while True:
        message = await receive()
        data += bytes(message.get("body", b""))
        if not message.get("more_body") or len(data) > most:
            return data[:most]


def _dressed(send: Send) -> Send:
    """Every answer carries what a page of ours may do."""

    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            kept = {name for name, _ in message["headers"]}
            more = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
            if b"cache-control" not in kept:
                more.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return with_headers


async def _plain(send: Send, status: int, says: str, heads: dict[str, str] | None = None) -> None:
    body = says.encode()
    given = {"content-type": "text/plain; charset=utf-8", "content-length": str(len(body)), "connection": "close"}
    named = HEADERS | given | {"cache-control": "no-store"} | (heads or {})
    head = [(name.encode(), value.encode()) for name, value in named.items()]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
