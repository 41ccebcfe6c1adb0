"""MEI and Humdrum, made clean in a child process that may die of it.

A large library understands both formats and all their dialects, and some damaged files kill the process it runs in.
So it sees foreign bytes only in a child with a deadline, and what comes back is plain MEI for our own reader.

Conventions: `clean_mei` is what the rest of the program calls; `convert` runs in the child alone and is the only
place here that knows the library.

References: MEI 5 (music-encoding.org); the Humdrum syntax and its `**kern`, `**text`, `**mxhm` representations
(humdrum.org).
"""

from __future__ import annotations

from typing import Any, Literal

from undersong.errors import BrokenFile, CannotReadFile, NotAHymn, UndersongError, WorkStopped
from undersong.workers import Worker, run_once

Kind = Literal["MEI", "Humdrum"]
NAMES: dict[Kind, str] = {"MEI": "mei", "Humdrum": "humdrum"}
"""What the library calls each format."""
DEADLINE_SECONDS = 4.0
"""A hymn takes a quarter of a second, half of it for the child to start."""
MOST_FOREIGN_BYTES = 4 * 1024 * 1024
"""A hymn of four verses has some 100 kilobytes of MEI."""
_MARKS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


def clean_mei(data: bytes, kind: Kind, file: str = "", worker: Worker | None = None) -> str:
    """The document as clean MEI; CannotReadFile, BrokenFile or NotAHymn when there is nothing to be had.

    `worker` is a warm child for many files; without one, a child of its own is started.
    """
    text = _text(data, kind, file)
    run = worker.run if worker is not None else run_once
    try:
        answer = run(
            "undersong.reading.foreign:convert",
            {"text": text, "kind": NAMES[kind]},
            deadline_seconds=DEADLINE_SECONDS,
        )
    except WorkStopped as fault:
        raise BrokenFile(f"this {kind} file could not be understood: {fault.message}", file=file) from fault
    except UndersongError as fault:
        raise fault.within(file) from fault.__cause__
    if not answer["mei"]:
        why = f" ({answer['said']})" if answer["said"] else ""
        raise BrokenFile(f"this {kind} file could not be understood{why}", file=file)
    return str(answer["mei"])


def _text(data: bytes, kind: Kind, file: str) -> str:
    if not data.strip():
        raise CannotReadFile("this file is empty", file=file)
    if len(data) > MOST_FOREIGN_BYTES:
        raise CannotReadFile(
            f"this file is too large ({len(data) / 2**20:.0f} MB, at most {MOST_FOREIGN_BYTES // 2**20} MB of {kind})",
            file=file,
            remedy="Give one hymn to a file.",
        )
    coding = next((coding for mark, coding in _MARKS if data.startswith(mark)), "utf-8")
    try:
        text = data.decode(coding).lstrip("\ufeff")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\0" in text:
        raise CannotReadFile(f"this is not a {kind} file", file=file, remedy=f"Check that it is a {kind} file.")
    if kind == "MEI":
        _check_mei(text, file)
    elif "**kern" not in text:
        raise NotAHymn("this Humdrum file holds no notes (**kern)", file=file)
    # The library abbreviates chord symbols and loses a slash on the way; as plain text they come through whole.
    return text.replace("**mxhm", "**cdata-harm") if kind == "Humdrum" else text


def _check_mei(text: str, file: str) -> None:
    if "<!ENTITY" in text:
        raise BrokenFile("this file declares entities, which a score never needs", file=file)
    if "<mei" not in text and ":mei" not in text:
        raise CannotReadFile("this is not an MEI file", file=file, remedy="Check that its root is <mei>.")


def convert(request: dict[str, Any]) -> dict[str, Any]:
    """In the child: the document as the library writes it in MEI, or what the library says against it."""
    import verovio  # noqa: PLC0415  # the child alone may know it

    from undersong.child import log_place, log_since  # noqa: PLC0415

    place = log_place()
    toolkit = verovio.toolkit()
    toolkit.setOptions({"breaks": "none", "header": "none", "footer": "none"})
    toolkit.setInputFrom(request["kind"])
    loaded = toolkit.loadData(request["text"])
    said = [line for line in log_since(place) if "rror" in line]
    return {"mei": toolkit.getMEI() if loaded else "", "said": " ".join(said[:1])[:200]}
