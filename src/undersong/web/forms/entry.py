"""The fields in which a hymn is typed, and where in them a slip stands."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from undersong.web.asked import MOST_FIELD, Question
from undersong.web.work import Plain
from undersong.workflow import Typed

KINDS_TYPED = {
    "four": ("soprano", "alto", "tenor", "bass"),
    "tune": ("tune",),
    "propose": ("soprano", "alto", "tenor", "bass"),
}
"""Which voices can be typed, the tune first."""
KIND_NAMES = {
    "four": "four parts",
    "tune": "a tune, with or without chord symbols",
    "propose": "tune, bass and symbols; alto and tenor are proposed",
}
FIELD_NAMES = {
    "tune": "Tune", "soprano": "Soprano, with the lengths", "alto": "Alto", "tenor": "Tenor", "bass": "Bass",
    "symbols": "Chord symbols", "key": "Key", "time": "Time", "pickup": "Upbeat",
}  # fmt: skip
ENTRY_CHOICES: Plain = {
    "keys": (
        "C major", "G major", "D major", "A major", "E major", "F major", "Bb major", "Eb major", "Ab major",
        "Db major", "A minor", "E minor", "B minor", "F# minor", "C# minor", "D minor", "G minor", "C minor", "F minor",
    ),
    "times": ("4/4", "3/4", "2/4", "2/2", "3/2", "4/2", "6/8", "9/8", "12/8", "6/4", "5/4", "3/8"),
    "names": FIELD_NAMES,
}  # fmt: skip
PROPOSES: dict[str, bool | None] = {"four": None, "tune": False, "propose": True}
"""Whether a kind begins with proposed voices; None: as soon as there is a bass or a symbol, until she says no."""
FIRST = ("soprano", "tune", "bass")
"""Typed before the symbols where the others are proposed."""
MOST_VERSES = 20
AROUND = 12
"""Signs shown on each side of a slip."""


def typed_from(asked: Question, now: Typed) -> Typed:
    """What stands in the form; fields that did not come stay as they were."""

    def text(field: str, default: str) -> str:
        found = asked.form.get(field, default)
        return "".join(sign for sign in str(found)[:MOST_FIELD] if sign.isprintable() or sign == "\n")

    return replace(
        now,
        title=text("title", now.title)[:200],
        tune_name=text("tune_name", now.tune_name)[:200],
        key=text("key", now.key)[:20],
        time=text("time", now.time)[:8],
        pickup=text("pickup", now.pickup)[:8],
        voices=tuple((name, text(name, old)) for name, old in now.voices),
        symbols=text("symbols", now.symbols),
        words=tuple(text(f"words-{number}", old) for number, old in enumerate(now.words, 1)),
        propose=_proposes(text("propose", ""), now.propose),
    )


def _proposes(said: str, now: bool | None) -> bool | None:
    """What she chose; what merely stood in the form is no choice yet."""
    if not said or (said == "yes" and now is None):
        return now
    return said == "yes"


def in_place(slip: Any, typed: Typed) -> Plain:
    """A slip with the signs around it."""
    texts = {**dict(typed.voices), "symbols": typed.symbols, "key": typed.key, "time": typed.time}
    texts |= {f"words-{number}": text for number, text in enumerate(typed.words, 1)}
    text, at = texts.get(slip["field"], ""), slip["at"]
    return {
        **slip,
        "before": ("…" if at > AROUND else "") + text[max(0, at - AROUND) : at],
        "here": text[at : at + 1],
        "after": text[at + 1 : at + AROUND] + ("…" if at + AROUND < len(text) else ""),
    }


def order_of(typed: Typed) -> tuple[list[str], list[str]]:
    """The voices in the order of the form: those typed first, and those that follow the words."""
    names = [name for name, _ in typed.voices]
    if not typed.propose:
        return names, []
    return [name for name in names if name in FIRST], [name for name in names if name not in FIRST]
