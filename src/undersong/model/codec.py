"""Any value of the model to plain JSON and back.

One codec serves the JSON door, the cache key and the worker protocol. Dataclasses become objects
with their field names, tuples become lists, fractions become strings ("7/2").
"""

from __future__ import annotations

import dataclasses
import types
import typing
from fractions import Fraction
from functools import cache

from undersong.errors import CannotSay

Value = typing.TypeVar("Value")

Plain = None | bool | int | float | str | list["Plain"] | dict[str, "Plain"]


def encode(value: object) -> Plain:
    """Turn a value into what `json.dumps` takes; CannotSay for anything that is not a value of the model."""
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, tuple | list):
        return [encode(one) for one in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: encode(getattr(value, field.name)) for field in dataclasses.fields(value)}
    raise CannotSay(f"{type(value).__name__} is not a value of the model")


@cache
def _hints(kind: type) -> dict[str, object]:
    return typing.get_type_hints(kind)


def decode(kind: type[Value], plain: object) -> Value:
    """Turn plain JSON back into a value of that type; CannotSay with the field's path if it does not fit."""
    return typing.cast("Value", _decode(kind, plain, getattr(kind, "__name__", str(kind))))


def _decode(kind: object, plain: object, path: str) -> object:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if plain is None and type(None) in inner:
            return None
        kinds = [one for one in inner if one is not type(None)]
        return _decode(kinds[0], plain, path)
    if origin is typing.Literal:
        if plain in inner:
            return plain
        raise CannotSay(f"{path} is {plain!r}, not one of {', '.join(map(str, inner))}")
    if origin is tuple:
        return _decode_tuple(inner, plain, path)
    if kind is Fraction and isinstance(plain, str | int) and not isinstance(plain, bool):
        try:
            return Fraction(plain)
        except (ValueError, ZeroDivisionError):
            raise CannotSay(f"{path} is {plain!r}, not a fraction such as 7/2") from None
    if dataclasses.is_dataclass(kind) and isinstance(kind, type) and isinstance(plain, dict):
        return _decode_record(kind, plain, path)
    if kind is float and isinstance(plain, int | float) and not isinstance(plain, bool):
        return float(plain)
    if kind in (str, int, bool) and type(plain) is kind:
        return plain
    if kind is type(None) and plain is None:
        return None
    raise CannotSay(f"{path} is {plain!r}, which does not fit")


def _decode_tuple(inner: tuple[object, ...], plain: object, path: str) -> tuple[object, ...]:
    if not isinstance(plain, list):
        raise CannotSay(f"{path} is {plain!r}, not a list")
    if len(inner) == 2 and inner[1] is ...:
        return tuple(_decode(inner[0], one, f"{path}[{index}]") for index, one in enumerate(plain))
    if len(inner) != len(plain):
        raise CannotSay(f"{path} has {len(plain)} entries, not {len(inner)}")
    return tuple(
        _decode(one, value, f"{path}[{index}]") for index, (one, value) in enumerate(zip(inner, plain, strict=True))
    )


def _decode_record(kind: type, plain: dict[str, object], path: str) -> object:
    hints, given = _hints(kind), {}
    for field in dataclasses.fields(kind):
        if field.name in plain:
            given[field.name] = _decode(hints[field.name], plain[field.name], f"{path}.{field.name}")
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise CannotSay(f"{path} lacks {field.name}")
    unknown = set(plain) - {field.name for field in dataclasses.fields(kind)}
    if unknown:
        raise CannotSay(f"{path} has unknown {', '.join(sorted(unknown))}")
    return kind(**given)
