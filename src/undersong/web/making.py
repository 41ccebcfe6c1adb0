"""What is made to take away, step by step, so that it shows how far it is and can be stopped."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from undersong.web.work import LONG_SECONDS, Job, Plain, Result, Work, data_of


@dataclass(frozen=True, slots=True)
class Order:
    """What she wants: of which state and rows (None for all), on which paper, under which name."""

    state: Plain
    rows: list[int] | None
    paper: str
    large: bool
    name: str

    @property
    def request(self) -> Plain:
        """For the children."""
        return {"state": self.state, "rows": self.rows}

    @property
    def file(self) -> str:
        """The file's name without its ending."""
        return self.name if self.rows is None else f"{self.name}-row-{self.rows[0] + 1}"


@dataclass(frozen=True, slots=True)
class Maker:
    """One kind of file: what it is called, and how it is made."""

    title: str
    make: Callable[[Work, Job, Order], Result]


def _ask(work: Work, job: Job, what: str, request: Plain) -> Plain:
    return work.ask(what, request, cancel=job.cancel, deadline_seconds=LONG_SECONDS)


def _booklet(work: Work, job: Job, order: Order) -> Result:
    job.step("laying out the verses")
    sections = _ask(work, job, "take:sections", order.request)["sections"]
    job.total = len(sections) + 2
    job.tick()
    systems = {}
    for one in sections:
        job.step(f"engraving {one['title'].lower()}")
        made = work.engrave(
            one["music"], one["lines"], one["signs"], paper=order.paper, large=order.large, cancel=job.cancel,
            deadline_seconds=LONG_SECONDS,
        )  # fmt: skip
        systems[one["id"]] = [
            {"svg": each.svg, "width_mm": each.width_mm, "height_mm": each.height_mm} for each in made
        ]
        job.tick()
    job.step("setting the pages")
    request = order.request | {"systems": systems, "paper": order.paper, "large": order.large}
    pdf = data_of(_ask(work, job, "take:bound", request))
    job.tick()
    return Result(f"{order.file}.pdf", "application/pdf", pdf)


def _one_step(at: str, what: str, suffix: str, media_type: str) -> Callable[[Work, Job, Order], Result]:
    def make(work: Work, job: Job, order: Order) -> Result:
        job.total = 1
        job.step(at)
        data = data_of(_ask(work, job, what, order.request))
        job.tick()
        return Result(f"{order.file}{suffix}", media_type, data)

    return make


def _sound(work: Work, job: Job, order: Order) -> Result:
    job.total = 1
    job.step("making the sound")
    with tempfile.TemporaryDirectory(prefix="undersong-") as folder:
        place = Path(folder) / "sound.flac"
        _ask(work, job, "take:sound_file", order.request | {"file": str(place)})
        data = place.read_bytes()
    job.tick()
    return Result(f"{order.file}.flac", "audio/flac", data)


MAKERS = {
    "booklet": Maker("Booklet", _booklet),
    "exchange": Maker(
        "Exchange file",
        _one_step("writing the exchange file", "take:exchange", ".musicxml", "application/vnd.recordare.musicxml+xml"),
    ),
    "sound": Maker("Sound", _sound),
    "midi": Maker("MIDI", _one_step("writing MIDI", "take:midi", ".mid", "audio/midi")),
}
"""What can be taken away, by its name in a form."""
