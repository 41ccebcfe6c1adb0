"""The server of the page: a port on this machine, the browser opened, Ctrl-C understood.

References: RFC 6761 (localhost), RFC 1918.
"""

from __future__ import annotations

import logging
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import uvicorn

from undersong.errors import UndersongError
from undersong.web.app import make_app
from undersong.web.guard import Guard
from undersong.web.work import Work
from undersong.workflow import Shelf

LOOPBACK = "127.0.0.1"
USUAL_PORT = 8736
"""Tried first where no port was asked for, so that a bookmark stays right."""
FAREWELL_SECONDS = 3


class PortTaken(UndersongError):
    """Another program listens there."""

    message = "this port is taken"
    remedy = "Name another with --port, or leave it out and one is found."


def _listen(host: str, port: int | None) -> socket.socket:
    """A listening socket; without a port the usual one, else any that is free."""
    for number in (port,) if port is not None else (USUAL_PORT, 0):
        ear = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows lets two programs share a port unless told
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            ear.bind((host, number))
            ear.listen(128)
        except (OSError, OverflowError) as fault:
            ear.close()
            if port is not None:
                reason = getattr(fault, "strerror", None) or fault
                raise PortTaken(f"port {port} cannot be used ({reason})") from fault
            continue
        return ear
    raise PortTaken("no port is free")


def addresses_here() -> list[str]:
    """Addresses of this machine in its own network; nothing is sent."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1: asks the system which way it would go
        found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += [str(one[4][0]) for one in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return [one for one in dict.fromkeys(found) if not one.startswith("127.")]


class _Server(uvicorn.Server):
    """Tells when it answers."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready()


@contextmanager
def _warming(work: Work) -> Iterator[None]:
    threading.Thread(target=work.warm, daemon=True).start()
    try:
        yield
    finally:
        work.close()


def serve(
    folder: Path, port: int | None, *, lan: bool, browser: bool, say: Callable[[str], None], hymn: str = ""
) -> None:
    """Serve the page until Ctrl-C; PortTaken if the port asked for cannot be had."""
    with _listen("0.0.0.0" if lan else LOOPBACK, port) as ear:  # noqa: S104  # asked for, and behind a code
        number = ear.getsockname()[1]
        home = f"http://{LOOPBACK}:{number}/"
        near = addresses_here() if lan else []
        hosts = [f"{name}:{number}" for name in (LOOPBACK, "localhost", *near)]
        if number == 80:
            hosts += [LOOPBACK, "localhost", *near]
        work = Work()
        logging.getLogger("python_multipart").setLevel(logging.CRITICAL)  # a broken form is answered, not logged
        app = Guard(make_app(Shelf(folder), work), hosts, lan=lan, say=say)
        config = uvicorn.Config(
            app, log_config=None, access_log=False, server_header=False, date_header=False, lifespan="on",
            timeout_keep_alive=30, timeout_graceful_shutdown=FAREWELL_SECONDS, limit_concurrency=400, ws="none",
            proxy_headers=False,
        )  # fmt: skip

        def ready() -> None:
            say(f"Undersong is open at {home} (Ctrl-C closes it)")
            for one in near:
                say(f"On a tablet in the same network: http://{one}:{number}/")
            if browser:
                threading.Thread(target=webbrowser.open, args=(home + hymn,), daemon=True).start()

        with _warming(work):
            _Server(config, ready).run(sockets=[ear])
