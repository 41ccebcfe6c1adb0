"""In the child: everything loaded, so that the first page comes soon."""

from __future__ import annotations

from undersong import workflow
from undersong.web.desk import entry, home, hymn, inplace, listen, plan, take, understood
from undersong.web.desk.held import Plain

LOADED = (entry, home, hymn, inplace, listen, plan, take, understood)


def ready(_: Plain) -> Plain:
    """Everything is loaded, what makes sound too."""
    workflow.load_sound()
    return {}
