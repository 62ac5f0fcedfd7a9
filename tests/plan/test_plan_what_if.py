"""What `--set` says about a plan: the verdict, figures, wear and places that differ, and nothing else."""

from __future__ import annotations

import json

import pytest
from test_plan_command import demo, run  # noqa: F401 - the fixture is used by name

from rootwright.describe.loading import load_product
from rootwright.describe.overrides import read_override
from rootwright.errors import RootwrightError
from rootwright.pipeline import plan_product
from rootwright.plan.what_if import compare_plans


def compared(demo, *texts):  # noqa: F811
    base = plan_product(load_product(demo), demo.parent)
    product = load_product(demo, overrides=[read_override(text) for text in texts])
    return compare_plans(base, plan_product(product, demo.parent))


@pytest.mark.slow
def test_half_the_sectors_doubles_the_wear_of_the_lift(demo):  # noqa: F811
    found = compared(demo, "chip.memories.flash.sector=2 KiB")
    own = {c.figure: (c.before, c.after) for c in found.changes if c.procedure == "exchange-rotating"}
    assert own["worn_erases"] == (12, 24)
    assert own["worn_years"][1] == pytest.approx(own["worn_years"][0] / 2)
    assert "fits" not in own
    assert ("lift", "flash", 8192) in {(m.block, m.after[0], m.after[2]) for m in found.moves if m.after}


@pytest.mark.slow
def test_what_does_not_differ_is_not_told(demo):  # noqa: F811
    found = compared(demo, "fleet.devices=1")
    assert (found.changes, found.moves, found.new, found.gone) == ((), (), (), ())
    status, text = run(demo, "--set", "fleet.devices=1")
    assert status == 0
    assert "nothing in the plan differs" in text


@pytest.mark.slow
def test_a_verdict_that_turns_is_told_with_its_reason(demo):  # noqa: F811
    status, text = run(demo, "--set", "image.application.growth=90 %")
    assert status == 1
    head = text[: text.index("updated by:")]
    assert "fits" in head
    assert "does not fit" in head
    assert "new: plan.fit: " in head
    assert "fits yes -> no" in head
    assert "flash 0x00018000, 128 KiB  -" in head
    assert max(map(len, text.splitlines())) <= 120


@pytest.mark.slow
def test_another_procedure_stands_beside_the_base(demo):  # noqa: F811
    status, text = run(demo, "--set", "update.procedure=copy-over", "--set", "update.watchdog=10 ms")
    assert status == 1
    head = text[: text.index("updated by:")]
    assert "exchange-rotating" in head
    assert "fits, 1 finding" in head
    assert "new: plan.watchdog" in head
    assert "years it lasts" in head


@pytest.mark.slow
def test_json_has_the_difference_beside_the_changed_plan(demo):  # noqa: F811
    _, text = run(demo, "--json", "--set", "update.procedure=copy-over")
    data = json.loads(text)
    assert data["chosen"] == "copy-over"
    assert data["set"] == ["update.procedure=copy-over"]
    assert data["difference"]["chosen"] == ["exchange-rotating", "copy-over"]
    assert data["difference"]["breaks_a_limit"] == [False, False]
    assert data["difference"]["moves"] == [{"block": "lift", "before": ["flash", 0x10000, 0x4000], "after": None}]


def test_a_mistake_in_the_argument_is_bad_input(demo):  # noqa: F811
    with pytest.raises(RootwrightError, match=r"--set update\.procedure=copyover"):
        run(demo, "--set", "update.procedure=copyover")


@pytest.mark.slow
def test_no_file_is_changed(demo):  # noqa: F811
    before = {path: path.read_bytes() for path in demo.parent.rglob("*.toml")}
    run(demo, "--set", "chip.memories.flash.sector=2 KiB")
    assert {path: path.read_bytes() for path in demo.parent.rglob("*.toml")} == before
