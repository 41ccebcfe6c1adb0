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
from undersong.arranging.judge import judge, judge_finished, review
from undersong.arranging.rules.case import Case
from undersong.arranging.rules.table import RULES, Rule
from undersong.arranging.walked import walk_verse
from undersong.demo import hymn_files
from undersong.harmony import analyse
from undersong.model.finding import KINDS
from undersong.textures.table import TEXTURES
from undersong.workflow import Wishes, lay_out, read

EXAMPLES: tuple[Example, ...] = (
    *test_rules_tune.EXAMPLES, *test_rules_voices.EXAMPLES, *test_rules_lines.EXAMPLES, *test_rules_sections.EXAMPLES,
)  # fmt: skip
CASES = [
    Case(laid, **{**one.given, **one.given_wrong}) for one in EXAMPLES for laid in (one.right, one.wrong)
]  # fmt: skip
KEPT = {"leading-note-twice", "semitone-under-tune", "resolution-early", "tonic-in-dominant", "tune-missing"}
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


@pytest.mark.parametrize("number", ["02-", "05-", "06-"])
def test_every_texture_of_the_demo_hymns_is_judged(number: str) -> None:
    """R1, R2, R5's waiting resolution and R6 are kept in all of them; the three parts of a review are the whole."""
    (file,) = [one for one in hymn_files() if one.name.startswith(number)]
    (hymn,) = read(file)
    harmony = analyse(hymn)
    verse = hymn.text.verses[0]
    walked = walk_verse(hymn, harmony, verse)
    for texture in TEXTURES:
        laid = lay_out(hymn, Wishes(verses=(verse.number,), textures=(texture,))).sections[0]
        found = review(laid, walked)
        assert not {one.kind for one in found} & KEPT
        parts = [*judge(laid, walked), *judge_finished(laid, walked)]
        assert sorted(map(str, parts)) == sorted(map(str, found))


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
