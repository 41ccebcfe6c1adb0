"""The table of rules: every rule of the craft has its rows, every row its example and its line on the page."""

from __future__ import annotations

import importlib.util
import re
from collections import Counter
from pathlib import Path

import pytest

import test_rules_lines
import test_rules_sections
import test_rules_tune
import test_rules_voices
from judged import Example
from undersong.arranging.rules.case import Case
from undersong.arranging.rules.table import RULES, Rule
from undersong.model.finding import KINDS

EXAMPLES: tuple[Example, ...] = (
    *test_rules_tune.EXAMPLES, *test_rules_voices.EXAMPLES, *test_rules_lines.EXAMPLES, *test_rules_sections.EXAMPLES,
)  # fmt: skip
CASES = [
    Case(laid, **{**one.given, **one.given_wrong}) for one in EXAMPLES for laid in (one.right, one.wrong)
]  # fmt: skip
ROOT = Path(__file__).resolve().parent.parent


def test_every_rule_has_a_row_in_order() -> None:
    """R1 to R23."""
    numbers = [int(rule.number[1:]) for rule in RULES]
    assert numbers == sorted(numbers)
    assert set(numbers) == set(range(1, 24))


def test_every_row_has_one_example_and_a_finding_of_its_own() -> None:
    """One example a kind, one kind a row."""
    assert Counter(one.kind for one in EXAMPLES) == Counter(rule.kind for rule in RULES)
    assert set(Counter(rule.kind for rule in RULES).values()) == {1}


@pytest.mark.parametrize("rule", RULES, ids=[rule.kind for rule in RULES])
def test_a_rows_finding_names_its_rule(rule: Rule) -> None:
    """The source of the finding begins with the rule's number; the row says something."""
    assert KINDS[rule.kind].source.startswith(f"{rule.number}; ")
    assert rule.asks.endswith(".")
    assert rule.remedy


@pytest.mark.parametrize("rule", RULES, ids=[rule.kind for rule in RULES])
def test_a_check_tells_its_own_kind_alone(rule: Rule) -> None:
    """On every example of every rule, right and wrong; and only of notes that are there."""
    for case in CASES:
        found = list(rule.check(case))
        assert {one.kind for one in found} <= {rule.kind}
        assert {note for one in found for note in one.notes} <= case.sources.keys()
        assert all("{" not in one.message for one in found)


def test_what_is_mended_is_judged_on_every_try() -> None:
    """A hard finding that came after the repairs would never be mended."""
    assert {rule.when for rule in RULES if rule.weight == "hard"} == {"rung"}


def test_the_page_of_rules_is_up_to_date() -> None:
    """docs/rules.md is what tools/make_rules.py writes."""
    tool = ROOT / "tools" / "make_rules.py"
    if not tool.exists():
        pytest.skip("the tool is not part of this copy")
    spec = importlib.util.spec_from_file_location("make_rules", tool)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    page = (ROOT / "docs" / "rules.md").read_text(encoding="utf-8")
    assert page == module.rules_page(), "run tools/make_rules.py"
    assert re.findall(r"^## (R\d+)", page, re.MULTILINE) == [rule.number for rule in RULES]
