"""The manual's pages on rules, steps and words say what the code says."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from rootwright.describe.attack import Asset, Fact, Gain, Measure
from rootwright.review.catalogue import packaged_steps
from rootwright.review.factors import BAND_STARTS, LONGER_POINTS, TIME_POINTS
from rootwright.review.listing import GROUPS, rule_tables, step_tables
from rootwright.review.rules import RULES

REWRITE = bool(os.environ.get("ROOTWRIGHT_REWRITE"))


@pytest.mark.parametrize(("page", "name"), [("rules.md", "rules"), ("attack-steps.md", "steps")])
def test_the_tables_are_those_that_the_command_prints(repository: Path, page: str, name: str) -> None:
    tables = rule_tables() if name == "rules" else step_tables(packaged_steps())
    file = repository / "docs" / page
    text = file.read_text(encoding="utf-8")
    begin, end = f"<!-- {name}: begin -->\n", f"<!-- {name}: end -->"
    head, _, rest = text.partition(begin)
    _, _, tail = rest.partition(end)
    wanted = f"{head}{begin}\n{tables}\n{end}{tail}"
    if REWRITE:
        file.write_text(wanted, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == wanted, "ROOTWRIGHT_REWRITE=1 puts the present tables in"


def test_every_rule_has_its_row(repository: Path) -> None:
    text = (repository / "docs" / "rules.md").read_text(encoding="utf-8")
    assert re.findall(r"^\| `([a-z.-]+)`", text, flags=re.MULTILINE) == [*(rule.id for rule in RULES), "review.resist"]
    assert {rule.id.partition(".")[0] for rule in RULES} == set(GROUPS)


@pytest.mark.parametrize("word", [*Asset, *Gain, *Fact, *Measure], ids=str)
def test_every_word_is_on_the_page(repository: Path, word: str) -> None:
    text = " ".join((repository / "docs" / "review.md").read_text(encoding="utf-8").split())
    assert word in text


def test_the_page_s_figures_are_the_tables_(repository: Path) -> None:
    text = (repository / "docs" / "review.md").read_text(encoding="utf-8")
    row = next(line for line in text.splitlines() if line.startswith("| elapsed time"))
    told = row.replace("2, 3, 4, 5, 6 months", "months")  # limits, not points
    assert [int(n) for n in re.findall(r"\b\d+\b", told)] == [*(points for _, points in TIME_POINTS), LONGER_POINTS]
    for start, band in BAND_STARTS:
        assert re.search(rf"^\| {start} (to \d+|and more) \| {band} \|", text, flags=re.MULTILINE)
