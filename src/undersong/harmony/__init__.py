"""What the chords are: read from the page, from the parts, or proposed for a bare tune."""

from undersong.harmony.analysis import analyse

__all__ = ["analyse"]
