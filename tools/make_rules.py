"""Write docs/rules.md from the table of rules.

Usage: make_rules.py [FOLDER], by default docs/.
"""

from __future__ import annotations

import sys
from pathlib import Path

from undersong.arranging.rules.table import RULES

WEIGHTS = {"hard": "cannot be played", "soft": "please look", "note": "told"}
WHEN = {
    "rung": "on every try of a repair", "finished": "on the finished verse",
    "between": "with what stands beside it",
}  # fmt: skip
HEAD = """# The rules of the craft

Made by `tools/make_rules.py` from the table of rules. Each is checked on the finished notes, whoever laid them out.
Where a printed hymn breaks a rule the print wins and the rule is silent: notes of printed voices are not blamed.
In what a finding says, words in braces are filled in at its place.

The weights, as the pages name them: *cannot be played* is mended before a page is printed, whether hands or style
forbid it; *please look* is against the craft; *told* is for your ear. Some rules are judged with more than the verse:
the section after it, the time it takes, the harmony's origin.
"""


def rules_page() -> str:
    """The page as text."""
    page = [HEAD]
    for rule in RULES:
        weight, when = WEIGHTS[rule.weight], WHEN[rule.when]
        page += [
            f"## {rule.number}: {rule.title}", "",
            rule.asks, "",
            "| finding | what it says | what to do | weight | judged | source |", "|---|---|---|---|---|---|",
            f"| `{rule.kind}` | {rule.says} | {rule.remedy} | {weight} | {when} | {rule.source} |",
            "",
        ]  # fmt: skip
    return "\n".join(page)


def main() -> int:
    """Write the page."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "docs")
    (folder / "rules.md").write_text(rules_page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
