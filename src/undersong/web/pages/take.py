"""To take away: files made step by step, with progress, stopped when she wants."""

from __future__ import annotations

from starlette.responses import Response

from undersong.errors import UnknownName
from undersong.web.asked import Question
from undersong.web.door import Door, ask, go, send
from undersong.web.making import MAKERS, Order
from undersong.web.work import Job
from undersong.workflow import NotHere, file_name

PAPERS = ("a4", "letter")


def take(door: Door, asked: Question) -> Response:
    """What there is to take away."""
    kept = door.open(asked)
    sheet = door.work.ask("plan:plan", door.state(kept))
    return door.show("take.html", kept=kept, sheet=sheet, here="take", jobs=door.jobs.of(kept.name))


def begin(door: Door, asked: Question) -> Response:
    """Begin to make a file."""
    kept = door.open(asked)
    what, paper = asked.text("what"), asked.text("paper", "a4")
    if what not in MAKERS or paper not in PAPERS:
        raise UnknownName("there is nothing of that name to take away", remedy="Choose one from the page.")
    rows = [asked.number("row")] if asked.text("row") else None
    sheet = door.work.ask("plan:plan", door.state(kept))
    if rows and rows[0] not in range(len(sheet["rows"])):
        raise NotHere("the plan has no such row", remedy="Load the page again.")
    order = Order(door.state(kept), rows, paper, bool(asked.text("large")), file_name(sheet["title"] or kept.name))
    maker = MAKERS[what]
    job = door.jobs.start(maker.title, kept.name, what, lambda job: maker.make(door.work, job, order))
    if asked.part:
        return door.show("job_part.html", job=job)
    return go(f"/job/{job.id}")


def job(door: Door, asked: Question) -> Response:
    """How far work is."""
    return door.show("job_part.html" if asked.part else "job.html", job=_job(door, asked), here="take")


def stop(door: Door, asked: Question) -> Response:
    """Stop work."""
    job = _job(door, asked)
    job.cancel.set()
    if asked.part:
        return door.show("job_part.html", job=job)
    return go(f"/job/{job.id}")


def job_file(door: Door, asked: Question) -> Response:
    """What was made."""
    made = _job(door, asked).result
    if made is None:
        raise NotHere("this is not finished", remedy="Wait for it.")
    heads = {"content-disposition": f'attachment; filename="{made.name}"'}
    return Response(made.data, media_type=made.media_type, headers=heads)


def _job(door: Door, asked: Question) -> Job:
    job = door.jobs.find(str(asked.path["job"])[:40])
    if job is None:
        raise NotHere("this work is not known any more", remedy="Begin it again.")
    return job


ADDRESSES = (
    ask("/hymns/{name}/take", take),
    send("/hymns/{name}/take", begin),
    ask("/job/{job}", job),
    send("/job/{job}/stop", stop),
    ask("/job/{job}/file", job_file),
)
