"""The packaged catalogue, and a product's own steps."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rootwright.describe.attack import Asset, Fact, Gain, Knowledge, Range, StepKind
from rootwright.describe.loading import load_product, load_steps
from rootwright.describe.problems import DescriptionProblems
from rootwright.prove.trials.threats import THREATS
from rootwright.review.catalogue import packaged_steps, steps_for
from rootwright.review.factors import EQUIPMENT_POINTS, EXPERTISE_POINTS, KNOWLEDGE_POINTS
from rootwright.review.facts import CIRCUMSTANCES
from rootwright.review.paths import Ways

STEPS = packaged_steps()


def test_the_catalogue_has_its_size_and_every_kind_of_step() -> None:
    assert len(STEPS) >= 60
    assert len({step.id for step in STEPS}) == len(STEPS)
    assert {step.kind for step in STEPS} == set(StepKind)


def test_every_threat_of_rfc_9124_has_a_step() -> None:
    # Source: RFC 9124, section 4.2; all its threats, those that no device can meet included.
    named = {threat for step in STEPS for threat in step.threats}
    assert named == {threat.id for threat in THREATS}


def test_no_gain_hangs_loose() -> None:
    given = {prize for step in STEPS for prize in step.gives}
    needed = {gain for step in STEPS for gain in step.needs}
    assert given - needed == set(Asset)
    assert needed == set(Gain)


def test_every_fact_matters_to_some_step() -> None:
    asked = {fact for step in STEPS for fact in (*step.when, *step.blocked_by, *(r.by for r in step.raised_by))}
    assert asked == set(Fact)
    blocking = {fact for step in STEPS for fact in (*step.blocked_by, *(r.by for r in step.raised_by))}
    assert not blocking & CIRCUMSTANCES  # what helps an attacker never stands in the way


@pytest.mark.slow
def test_every_step_can_be_taken_on_some_product() -> None:
    ways = Ways(STEPS, ())
    taken = 0
    for prize in (*Gain, *Asset):
        for mask in ways.find(prize):
            taken |= mask
    assert [step.id for place, step in enumerate(STEPS) if not taken >> place & 1] == []


def ordered(guess: Range) -> bool:
    low, high = guess.low, guess.high
    return (
        low.days <= high.days
        and low.access_hours <= high.access_hours
        and low.samples <= high.samples
        and EXPERTISE_POINTS[low.expertise] <= EXPERTISE_POINTS[high.expertise]
        and KNOWLEDGE_POINTS[low.knowledge] <= KNOWLEDGE_POINTS[high.knowledge]
        and EQUIPMENT_POINTS[low.equipment] <= EQUIPMENT_POINTS[high.equipment]
    )


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.id)
def test_a_step_says_what_it_rests_on(step) -> None:  # type: ignore[no-untyped-def]
    assert step.why.endswith(".")
    assert step.source
    assert not step.rater  # the packaged ones are nobody's alone
    assert ordered(step.first)
    assert ordered(step.again)
    assert all(ordered(raised.more) and raised.why for raised in step.raised_by)
    # A further device never costs more than the first one.
    assert step.again.high.days <= step.first.high.days
    # No instructions: a title and a reason in a line each.
    assert len(step.title) <= 100
    assert len(step.why) <= 160


OWN = """
[review]
resist = "enhanced-basic"
measures = ["double checks", "per-device keys"]

[[review.steps]]
id = "steal-a-buoy"
title = "Take a gauge out of its river at night"
kind = "access"
gives = ["at the device", "own device"]
days = [1, 3]
access_hours = 2
why = "Rivers are dark."
rater = "field service group"

[[review.steps]]
id = "reach-device"
title = "Row to a gauge"
kind = "access"
gives = ["at the device"]
days = 1
knowledge = ["public", "sensitive"]
again = "nothing"
why = "A boat is needed."
rater = "field service group"
raised_by = [{ by = "tamper input", days = [2, 4], why = "It rattles." }]
"""


@pytest.fixture
def product_file(tmp_path: Path, demo_folder: Path) -> Path:
    shutil.copytree(demo_folder, tmp_path / "demo", ignore=shutil.ignore_patterns("keys", "*.c", "*.h"))
    return tmp_path / "demo" / "product.toml"


def add(file: Path, text: str) -> Path:
    file.write_text(file.read_text() + text)
    return file


def test_a_product_adds_steps_and_puts_others_in_place(product_file: Path) -> None:
    product = load_product(add(product_file, OWN))
    steps = {step.id: step for step in steps_for(product)}
    assert len(steps) == len(STEPS) + 1
    assert steps["steal-a-buoy"].rater == "field service group"
    row = steps["reach-device"]
    assert row.title == "Row to a gauge"
    assert (row.first.low.knowledge, row.first.high.knowledge) == (Knowledge.PUBLIC, Knowledge.SENSITIVE)
    assert row.again == Range()
    assert row.raised_by[0].more.high.days == 4
    assert list(steps).index("reach-device") == [step.id for step in STEPS].index("reach-device")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('rater = "field service group"\nraised', "raised", "whoever rated this step"),
        ("days = [1, 3]", "days = [3, 1]", "did you mean [1, 3]?"),
        ("days = [1, 3]", 'days = "three"', "a number from 0 to 10000"),
        ("days = [1, 3]", "days = [1, 2, 3]", "a number from 0 to 10000"),
        ("days = [1, 3]", "days = -1", "a number from 0 to 10000"),
        ('"public", "sensitive"', '"sensitive", "public"', 'did you mean ["public", "sensitive"]?'),
        ('"public", "sensitive"', '"public", "secret"', "one of"),
        ('gives = ["at the device", "own device"]', "gives = []", "at least one gain or asset"),
        ('gives = ["at the device", "own device"]', 'gives = ["own devise"]', 'did you mean "own device"?'),
        ('gives = ["at the device"]', 'gives = ["at the device"]\nneeds = ["at the device"]', "does not need itself"),
        ('by = "tamper input"', 'by = "tampering"', "one of"),
        ('id = "steal-a-buoy"', 'id = "reach-device"', "a second time"),
        ("days = [1, 3]", 'days = [1, 3]\nexpertise = "expert"', "the expert's field"),
        ("days = [1, 3]", 'days = [1, 3]\nequipment = ["standard", "bespoke"]', "the name of the equipment"),
        ('again = "nothing"', 'again = "nothing"\nfurther = { days = 1 }', "one of the two"),
        ("days = [1, 3]", 'days = [1, 3]\nthreats = ["IMG"]', "an identifier of RFC 9124"),
        ("days = [1, 3]", "days = [1, 3]\nsamples = 1.5", "a whole number"),
        ('resist = "enhanced-basic"', 'resist = "very high"', "one of"),
        ('"double checks", "per-device keys"', '"double checks", "double checks"', "each one once"),
        ('"double checks", "per-device keys"', '"luck"', "one of"),
        ('why = "Rivers are dark."', "", "this to be given"),
        ('kind = "access"\ngives = ["at the device", "own device"]', 'gives = ["own device"]', "this to be given"),
    ],
)  # fmt: skip
def test_mistakes_in_own_steps_are_told_with_their_line(product_file: Path, old: str, new: str, says: str) -> None:
    assert old in OWN
    with pytest.raises(DescriptionProblems) as told:
        load_product(add(product_file, OWN.replace(old, new, 1)))
    assert says in str(told.value)
    assert all(problem.line for problem in told.value.problems)


def test_a_packaged_file_with_a_mistake_is_not_taken() -> None:
    with pytest.raises(DescriptionProblems, match="at least one gain or asset"):
        load_steps('[[step]]\nid = "a"\ntitle = "A"\nkind = "code"\ngives = []\nwhy = "Because."\n', "a.toml")
