"""What was asked: a request with its form, read once and believed in nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request

from undersong.errors import UnknownName

MOST_FILES = 20
MOST_FIELDS = 200
MOST_FIELD = 20_000
"""Files and fields of one form; signs of one field."""
LONGEST_TITLE = 200


class Question:
    """A request with its form, read once."""

    def __init__(self, request: Request, form: FormData) -> None:
        """Fields are text; files are kept apart."""
        self.request = request
        self.form = form
        self.part = "hx-request" in request.headers
        """Only a piece of the page is wanted."""

    def text(self, name: str, default: str = "") -> str:
        """A field, without control characters."""
        found = self.form.get(name, default)
        return "".join(sign for sign in found if sign.isprintable())[:MOST_FIELD] if isinstance(found, str) else default

    def lines(self, name: str) -> list[str]:
        """The lines of a field, empty ones left out."""
        found = self.form.get(name, "")
        return [one.strip() for one in str(found)[:MOST_FIELD].splitlines() if one.strip()]

    def number(self, name: str, default: int = 0) -> int:
        """A whole number; UnknownName for anything else."""
        found = self.text(name) or str(default)
        if not re.fullmatch(r"-?\d{1,6}", found, re.ASCII):
            raise UnknownName(f"{found[:40]!r} is not a number", remedy="Load the page again.")
        return int(found)

    def fields(self) -> dict[str, str]:
        """All text fields but the version."""
        return {name: self.text(name) for name in self.form if name != "version"}

    @property
    def path(self) -> Mapping[str, Any]:
        """What stood in the address."""
        return self.request.path_params


class Given:
    """Fields from an address, asked for as those of a form."""

    def __init__(self, held: Mapping[str, str]) -> None:
        self._held = held

    def text(self, name: str, default: str = "") -> str:
        """A field."""
        return str(self._held.get(name, default))[:LONGEST_TITLE]

    def fields(self) -> dict[str, str]:
        """All fields."""
        return dict(self._held)
