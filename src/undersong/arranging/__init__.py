"""Choose, lay out, judge and mend: from a hymn and its harmony to pages for hands and feet."""

from undersong.arranging.arrange import arrange
from undersong.arranging.plans import default_plan

__all__ = ["arrange", "default_plan"]
