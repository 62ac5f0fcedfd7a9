"""Lock-down, review and other parts on the page: what stands there, and that page one does not grow by it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.describe.attack import Resist, Review
from rootwright.describe.loading import load_product
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.dossier.findings import falls_short, find_open
from rootwright.dossier.locking import part_cells, part_points, read_rows, setting_words, way_rows
from rootwright.dossier.page import make_page
from rootwright.dossier.summary import as_data
from rootwright.dossier.verdicts import Outcome, make_rows
from rootwright.pipeline import lock_down, plan_product
from rootwright.pipeline_review import compare_parts
from rootwright.plan.lockdown.result import Conflict, CutOff, Met
from rootwright.plan.root_of_trust import find_gaps, judge_part
from rootwright.review.rate import make_review


@pytest.fixture(scope="module")
def gauge(small: Evidence, repository: Path) -> Evidence:
    """The demo product with its lock-down and its review; what other stages say is another product's."""
    file = repository / "demo" / "river-gauge" / "product.toml"
    product = load_product(file)
    plan = plan_product(product, file.parent)
    lockdown = lock_down(product, plan)
    return replace(
        small,
        product=product,
        part=judge_part(product.chip),
        gaps=find_gaps(product),
        plan=plan,
        lockdown=lockdown,
        review=make_review(product, plan, lockdown=lockdown),
    )


def rules_of(evidence: Evidence, *, note: bool) -> list[str]:
    return [point.rule for point in find_open(evidence) if point.note is note]


def test_the_page_says_aims_settings_order_and_attempts(gauge: Evidence) -> None:
    page = make_page(gauge)
    plan = gauge.lockdown
    for aim in plan.aims:  # type: ignore[union-attr]
        assert f">{aim.id}</th>" in page
    for step in plan.steps:  # type: ignore[union-attr]
        assert f"<b>{step.title}.</b>" in page
    assert page.count("<strong>IRREVERSIBLE. ") == sum(bool(s.irreversible) for s in plan.steps) > 0  # type: ignore[union-attr]
    for attempt in plan.attempts:  # type: ignore[union-attr]
        assert f">{attempt.id}</th>" in page
    assert "LOCKING A PART IS OFTEN IRREVERSIBLE" in page
    assert "0xFFFFFFFF" in page


def test_the_page_says_what_must_be_read_back(gauge: Evidence) -> None:
    page = make_page(gauge)
    plan = gauge.lockdown
    assert not isinstance(plan, NotDone)
    rows = {row.name: row for row in read_rows(plan)}
    assert list(rows) == [field.name for field in plan.readback]
    assert rows["policy-0"].says == "0xFFFFFFFFFFFFFF00"
    assert (rows["policy-0"].copy, rows["policy-0-loaded"].copy) == ("stored", "loaded")
    assert rows["port-state"].says == "0x00000001, mask 0x00000001"
    assert rows["port-word"].seen_by == "boot stage"
    assert rows["unit-number"].says == "which unit it is"
    for row in rows.values():
        assert f'<td class="d-mono">{row.where}</td>' in page
    bare = replace(plan, readback=tuple(replace(field, mask=0) for field in plan.readback))
    assert "no field can be read back by this plan" in make_page(replace(gauge, lockdown=bare))


def test_the_page_says_what_attacks_take_and_what_remains(gauge: Evidence) -> None:
    page = make_page(gauge)
    assert gauge.review is not None
    for row, review in zip(way_rows(gauge.review), gauge.review.assets, strict=True):
        assert review.in_scope is not None
        assert row.in_scope == review.in_scope.words
        assert row.in_scope in page
        assert row.steps[-1] == gauge.review.step(review.front_in_scope[0].steps[-1]).title
        assert row.residual
    assert "guesses of raters with a low and a high end, not proof" in page
    for row, review in zip(way_rows(gauge.review), gauge.review.assets, strict=True):
        assert review.further is not None
        assert ("to the whole fleet at no cost that counts" in row.residual) == (review.further.high == 0)
        assert ("each further device takes a basic" in row.residual) == (0 < review.further.high < 10)
    assert {review.further.high for review in gauge.review.assets if review.further} >= {0, 1}


def test_without_them_the_page_says_so(small: Evidence) -> None:
    page = make_page(small)
    assert "No lock-down: nothing was locked down" in page
    assert 'id="review"' not in page
    assert 'id="parts"' not in page
    assert as_data(small)["review"] is None


def test_what_is_to_be_decided_takes_one_line_each(gauge: Evidence) -> None:
    notes = rules_of(gauge, note=True)
    assert gauge.review is not None
    assert len({f.rule for f in gauge.review.findings if f.note}) > 5
    assert notes.count("review.notes") == 1
    assert notes.count("lockdown.aims") == 1


def test_a_broken_rule_a_conflict_and_a_cut_off_step_fall_short(gauge: Evidence) -> None:
    assert not any(rule.startswith(("lockdown.", "update.")) for rule in rules_of(gauge, note=False))
    plan, product = gauge.lockdown, gauge.product
    worse = replace(
        gauge,
        lockdown=replace(
            plan,  # type: ignore[type-var]
            conflicts=(Conflict("lockdown.example", ("boot",), "they collide", "move one"),),
            cut_offs=(CutOff("load-images", "close-debug-lock", "debug port", "nothing can be loaded any more"),),
        ),
        review=make_review(replace(product, update=replace(product.update, trial=False)), gauge.plan),
    )
    found = rules_of(worse, note=False)
    assert {"lockdown.example", "lockdown.order", "update.trial"} <= set(found)
    assert falls_short(find_open(worse))
    outcomes = {row.subject: row.outcome for row in make_rows(worse)}
    assert outcomes["Lock-down"] is Outcome.FAILS
    assert outcomes["Design rules"] is Outcome.FAILS


def test_rows_say_how_far_the_lock_down_holds(gauge: Evidence) -> None:
    outcomes = {row.subject: row.outcome for row in make_rows(gauge)}
    assert outcomes["Lock-down"] is Outcome.LIMITS
    assert outcomes["Design rules"] is Outcome.HOLDS
    aims = tuple(replace(aim, met=Met.MET) for aim in gauge.lockdown.aims)  # type: ignore[union-attr]
    whole = replace(gauge, lockdown=replace(gauge.lockdown, aims=aims))  # type: ignore[type-var]
    assert {row.subject: row.outcome for row in make_rows(whole)}["Lock-down"] is Outcome.HOLDS
    assert "lockdown.aims" not in rules_of(whole, note=True)


@pytest.mark.parametrize(("resist", "outcome"), [(Resist.BASIC, Outcome.FAILS), (None, None)])
def test_what_the_product_asks_has_a_row_and_never_holds_plainly(
    gauge: Evidence, resist: Resist | None, outcome: Outcome | None
) -> None:
    asking = replace(gauge, review=make_review(replace(gauge.product, review=Review(resist=resist)), gauge.plan))
    rows = {row.subject: row.outcome for row in make_rows(asking)}
    assert rows.get("Resists attackers of basic potential") is outcome


@pytest.mark.slow
def test_other_parts_stand_in_two_tables(gauge: Evidence, repository: Path) -> None:
    parts = compare_parts(gauge.product, repository / "demo" / "river-gauge")
    page = make_page(replace(gauge, parts=parts))
    for row in parts.rows:
        mark = "*" if row.own else ""
        assert page.count(f">{row.part}{mark}</th>") == (2 if row.assets else 1)
        assert len(part_cells(row)) == 4
        assert len(part_points(row)) == len(row.assets)
    assert "authen&shy;ticity" in page


def test_settings_are_written_with_width_and_mask(gauge: Evidence) -> None:
    setting = gauge.lockdown.settings[0]  # type: ignore[union-attr]
    plain = replace(setting, address=0x4000_0000, number=None, width=32, value=0x12, mask=0xFFFF_FFFF)
    assert setting_words(plain) == ("0x40000000", "0x00000012")
    assert setting_words(replace(plain, mask=0xFF)) == ("0x40000000", "0x00000012, mask 0x000000FF")
    assert setting_words(replace(plain, address=None))[0] == "no address"
    assert setting_words(replace(plain, address=None, number=0x3A0))[0] == "register 0x3A0"
