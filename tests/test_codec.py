"""Any value of the model goes to JSON and comes back equal."""

from __future__ import annotations

import dataclasses
import importlib
import json
import pkgutil
import types
import typing
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import undersong.model
from undersong.errors import CannotSay
from undersong.model.codec import decode, encode
from undersong.model.pitch import Pitch
from undersong.model.time import Time
from undersong.model.tune import Note


def values() -> list[type]:
    """Every dataclass of the model."""
    found = []
    for module in pkgutil.iter_modules(undersong.model.__path__):
        loaded = importlib.import_module(f"undersong.model.{module.name}")
        found += [
            one
            for one in vars(loaded).values()
            if isinstance(one, type) and dataclasses.is_dataclass(one) and one.__module__ == loaded.__name__
        ]
    return sorted(found, key=lambda one: one.__qualname__)


def later(kind: Any) -> st.SearchStrategy[Any]:
    """The same, looked up when it is needed, because values may hold their own kind."""
    return st.deferred(lambda: strategy(kind))


def strategy(kind: Any) -> st.SearchStrategy[Any]:
    """Values for a type hint."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Literal:
        return st.sampled_from(inner)
    if origin in (typing.Union, types.UnionType):
        return st.one_of(*(st.none() if one is type(None) else strategy(one) for one in inner))
    if origin is tuple and inner[-1] is ...:
        return st.lists(strategy(inner[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*(strategy(one) for one in inner))
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        fields = {one.name: later(hints[one.name]) for one in dataclasses.fields(kind)}
        return st.builds(typing.cast("Any", kind), **fields)
    simple: dict[Any, st.SearchStrategy[Any]] = {
        Fraction: st.fractions(max_denominator=96), str: st.text(max_size=6), bool: st.booleans(),
        int: st.integers(-200, 200), float: st.floats(allow_nan=False, allow_infinity=False, width=32),
    }  # fmt: skip
    return simple[kind]


@pytest.mark.parametrize("kind", values(), ids=lambda one: one.__name__)
def test_there_and_back(kind: type) -> None:
    """Through real JSON text, for every value the model has."""

    @settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
    @given(strategy(kind))
    def law(value: object) -> None:
        assert decode(kind, json.loads(json.dumps(encode(value)))) == value

    law()


@pytest.mark.parametrize(
    ("kind", "plain", "says"),
    [
        (Time, {"beats": 3}, "Time lacks unit"),
        (Time, {"beats": "3", "unit": 4}, "Time.beats is '3'"),
        (Time, {"beats": 3, "unit": 4, "swing": 1}, "unknown swing"),
        (Note, {"onset": "a", "length": "1", "pitch": {"step": "C", "alter": 0, "octave": 4}}, "Note.onset is 'a'"),
        (Note, {"onset": "1/0", "length": "1", "pitch": {"step": "C", "alter": 0, "octave": 4}}, "Note.onset"),
        (Pitch, [], "Pitch is"),
    ],
)
def test_what_does_not_fit_is_named(kind: type, plain: object, says: str) -> None:
    """The path of the field stands in the message."""
    with pytest.raises(CannotSay, match=says.replace("[", r"\[")):
        decode(kind, plain)


def test_only_values_are_said() -> None:
    """A set is no value."""
    with pytest.raises(CannotSay, match="set"):
        encode({1})
