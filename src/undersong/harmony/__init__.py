"""What the chords are: read from the page, from the parts, or proposed for a bare tune."""

from undersong.harmony.analysis import analyse, propose
from undersong.harmony.chords import Fixed
from undersong.harmony.players import Thinned, thin

__all__ = ["Fixed", "Thinned", "analyse", "propose", "thin"]
