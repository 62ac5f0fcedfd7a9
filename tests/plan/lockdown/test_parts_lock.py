"""Every packaged part gets a lock-down plan, and the plan keeps its own promises."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from products import PARTS, locked, mapped, starter, with_procedure

from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.lock_field import LifeState, Observer
from rootwright.describe.product import Attacker, Procedure, Product
from rootwright.errors import PlanError
from rootwright.plan.lockdown.build import make_lockdown
from rootwright.plan.lockdown.order import find_cut_offs
from rootwright.plan.lockdown.result import Effect, LockdownPlan, Met, Moment, Writer
from rootwright.plan.lockdown.writers import find_writers
from rootwright.plan.result import PlanResult
from rootwright.plan.root_of_trust import Foundation

# What each class rests on with the starter product, whose application is not declared unprivileged.
EXPECTED = {
    "no-isolation": Foundation.NONE,
    "external-flash-only": Foundation.WRITE_PROTECTION,
    "write-protection-only": Foundation.WRITE_PROTECTION,
    "protection-unit-only": Foundation.WRITE_PROTECTION,
    "one-time-word-policy": Foundation.WRITE_PROTECTION,
    "two-banks-settings-area": Foundation.WRITE_PROTECTION,
    "locks-until-reset": Foundation.WRITE_PROTECTION,
    "rv32-pmp": Foundation.LOCKED_REGIONS,
    "gated-code-area": Foundation.CLOSED_AREA,
    "closed-area-large-sectors": Foundation.CLOSED_AREA,
    "closed-until-reset-area": Foundation.CLOSED_AREA,
    "key-vault": Foundation.KEY_VAULT,
    "secure-split": Foundation.SECURE_SPLIT,
    "secure-split-no-erase": Foundation.SECURE_SPLIT,
}


@pytest.fixture(params=PARTS)
def plan(request: pytest.FixtureRequest) -> LockdownPlan:
    return locked(starter(request.param))


def test_the_list_is_complete() -> None:
    from rootwright.describe.loading import profile_names

    assert sorted(PARTS) == sorted(profile_names()) == sorted(EXPECTED)


@pytest.mark.slow
@pytest.mark.parametrize("part", PARTS)
def test_what_isolation_rests_on(part: str) -> None:
    assert locked(starter(part)).isolation is EXPECTED[part]


@pytest.mark.slow
def test_no_part_crashes_and_all_is_json(plan: LockdownPlan) -> None:
    data = json.loads(json.dumps(plan.as_data()))
    assert data["version"] == 1
    assert len(data["aims"]) == len({aim.id for aim in plan.aims}) > 15
    assert plan.cautions
    assert len({attempt.id for attempt in plan.attempts}) == len(plan.attempts)
    assert len({step.id for step in plan.steps}) == len(plan.steps)


@pytest.mark.slow
def test_the_order_cuts_off_nothing(plan: LockdownPlan) -> None:
    assert find_cut_offs(plan.steps, [step.id for step in plan.steps]) == ()
    assert plan.steps[-1].id == "try-what-must-fail"
    for step in plan.steps:
        assert step.check
        if step.id.startswith(("set-", "close-")):
            assert step.irreversible.startswith(("IRREVERSIBLE", "ONLY A FULL ERASE"))


@pytest.mark.slow
@pytest.mark.parametrize("part", PARTS)
def test_covers_hold_their_blocks_and_no_other(part: str) -> None:
    product = starter(part)
    plan, (map_, _) = locked(product), mapped(product)
    for cover in plan.covers:
        if cover.effect is Effect.NO_READ:
            continue
        inside = [
            r.block
            for r in map_.regions
            if r.memory == cover.memory and r.address < cover.end and cover.address < r.end
        ]
        assert sorted(inside) == sorted(cover.blocks)
        assert all(cover.address <= map_.region(b).address and map_.region(b).end <= cover.end for b in cover.blocks)
        granule = next(p.granule for p in product.chip.protections if p.name == cover.protection) or 1
        assert (cover.address - product.chip.memory(cover.memory).base) % granule == 0
        assert cover.size % granule == 0


@pytest.mark.slow
@pytest.mark.parametrize("procedure", [p for p in Procedure if p is not Procedure.BANK_FLIP])
@pytest.mark.parametrize(
    "part", ["rv32-pmp", "secure-split-no-erase", "two-banks-settings-area", "one-time-word-policy"]
)
def test_nothing_that_must_be_written_is_closed_for_longer_than_it_may(part: str, procedure: Procedure) -> None:
    everything = (
        "boot", "keys", "floor", "journal", "selector", "lift", "run:application", "second:application",
        "stage:application", "requests", "keep:settings",
    )  # fmt: skip
    product = with_procedure(starter(part, protect=everything), procedure)
    try:
        map_, _ = mapped(product)
    except AssertionError:
        pytest.skip("this part has no map for the procedure")
    plan = locked(product)
    for cover in plan.covers:
        if cover.effect is not Effect.NO_WRITE:
            continue
        for block in cover.blocks:
            writers = find_writers(map_.region(block), map_.procedure)
            if cover.lock in (Lock.PERMANENT, Lock.ERASE_TO_OPEN):
                assert not writers, (cover, block)
            if Writer.APPLICATION in writers and cover.moment is Moment.START:
                assert procedure is Procedure.EITHER_SLOT
                assert block.startswith("run:")
            assert not (cover.moment is Moment.RECOVERY and Writer.RECOVERY in writers)
    # What is asked for and cannot be closed is said.
    covered = {b for c in plan.covers if c.effect in (Effect.NO_WRITE, Effect.NO_ACCESS) for b in c.blocks}
    said = {b for c in plan.conflicts for b in c.blocks}
    assert {b for b in everything if b in {r.block for r in map_.regions}} <= covered | said


def test_a_part_that_cannot_host_says_so_first() -> None:
    plan = locked(starter("no-isolation"))
    assert plan.conflicts[0].rule == "lockdown.no-root"
    assert "cannot host" in plan.conflicts[0].found
    assert plan.breaks_a_limit
    assert plan.find_aim("root-fixed").met is Met.NOT


def test_an_attribution_unit_alone_is_no_isolation() -> None:
    product = starter("secure-split-no-erase")
    bare = tuple(replace(p, memory_side=False) for p in product.chip.protections)
    plan = locked(replace(product, chip=replace(product.chip, protections=bare)))
    assert plan.isolation is not Foundation.SECURE_SPLIT
    (rung,) = [r for r in plan.rungs if r.foundation is Foundation.SECURE_SPLIT]
    assert "does not set the security of a flash page" in rung.why
    assert not [s for s in plan.settings if s.name.startswith("SAU")]


def test_entries_without_a_lock_bit_bind_no_machine_mode_code() -> None:
    product = starter("rv32-pmp")
    assert any(s.name.startswith("pmpcfg") for s in locked(product).settings)
    loose = tuple(
        replace(p, lock=Lock.NONE) if p.kind is ProtectionKind.PHYSICAL_MEMORY_PROTECTION else p
        for p in product.chip.protections
    )
    part = replace(product.chip, protections=loose)
    plan = locked(replace(product, chip=part))
    assert plan.isolation is Foundation.WRITE_PROTECTION
    assert not any(s.name.startswith("pmpcfg") for s in plan.settings)
    # Declared in user mode, the same entries isolate: unlocked ones bind user mode.
    plan = locked(replace(product, chip=part, unprivileged=True))
    assert plan.isolation is Foundation.PROTECTION_UNIT


def test_a_protection_unit_isolates_only_unprivileged_applications() -> None:
    product = starter("one-time-word-policy")
    assert locked(product).isolation is Foundation.WRITE_PROTECTION
    assert not any(s.name.startswith("MPU") for s in locked(product).settings)
    plan = locked(starter("one-time-word-policy", unprivileged=True))
    assert plan.isolation is Foundation.PROTECTION_UNIT
    assert any(s.name == "MPU_CTRL" and s.value == 5 for s in plan.settings)
    assert any(c.rule == "lockdown.controller" and c.note for c in plan.conflicts)
    assert plan.find_aim("root-apart").met is Met.PARTLY


def test_secrets_without_isolation_are_a_finding() -> None:
    plan = locked(starter("one-time-word-policy", secret=("keys",)))
    assert plan.find_aim("secrets-unread").met is Met.NOT
    assert any(c.rule == "lockdown.isolation" and not c.note for c in plan.conflicts)


def test_data_that_the_application_writes_is_only_partly_kept() -> None:
    assert locked(starter("rv32-pmp", attackers=())).find_aim("data-kept").met is Met.MET
    plan = locked(starter("rv32-pmp", attackers=(Attacker.EXPLOITED_APPLICATION,)))
    assert plan.find_aim("data-kept").met is Met.PARTLY


def test_an_order_of_ones_own() -> None:
    own = locked(starter("secure-split"))
    names = [step.id for step in own.steps]
    assert {"set-write-protection", "close-external-read-lock", "close-debug-lock"} <= set(names)
    swapped = ["load-records", "load-images", *names[2:]]
    assert [s.id for s in locked(starter("secure-split", lock_order=tuple(swapped))).steps] == swapped
    early = ["close-debug-lock", *(n for n in names if n != "close-debug-lock")]
    plan = locked(starter("secure-split", lock_order=tuple(early)))
    assert plan.breaks_a_limit
    cut = {(c.step, c.by, c.path) for c in plan.cut_offs}
    assert ("load-images", "close-debug-lock", "debug port") in cut
    assert ("close-external-read-lock", "close-debug-lock", "debug port") in cut
    assert [s.id for s in plan.steps] == names  # the safe order is printed instead
    for wrong, text in [
        (names[1:], "leaves out load-images"),
        ([*names, "open-the-box"], "which is no step"),
        ([*names, names[0]], "a second time"),
    ]:
        with pytest.raises(PlanError, match=text):
            locked(starter("secure-split", lock_order=tuple(wrong)))


def test_closed_ports_decide_who_sees_fields_and_what_returns() -> None:
    product = starter("two-banks-settings-area")
    plan = locked(product)
    assert not next(s for s in plan.states if s.state is LifeState.FIELD_RETURN).reachable
    soft = tuple(
        replace(p, lock=Lock.ERASE_TO_OPEN) if p.lock is Lock.PERMANENT else p for p in product.chip.protections
    )
    plan = locked(replace(product, chip=replace(product.chip, protections=soft)))
    assert next(s for s in plan.states if s.state is LifeState.FIELD_RETURN).reachable
    assert any(t.target is LifeState.FIELD_RETURN for t in plan.transitions)
    assert plan.find_aim("return-possible").met is Met.MET
    assert {a.observer for a in plan.attempts} >= {Observer.PROBE, Observer.APPLICATION}


def test_few_regions_keep_what_matters_most_and_say_what_the_map_would_have_to_do() -> None:
    product = starter("rv32-pmp", protect=())
    map_, wanted = mapped(product)  # planned without a thought to protection: what is to be closed lies apart
    one = tuple(
        replace(p, regions=1) if p.kind is ProtectionKind.WRITE_PROTECTION else p for p in product.chip.protections
    )
    protect = ("boot", "run:application", "journal")
    plan = make_lockdown(replace(product, protect=protect, chip=replace(product.chip, protections=one)), map_, wanted)
    start = [c for c in plan.covers if c.effect is Effect.NO_WRITE and c.moment is Moment.START]
    assert len(start) == 1
    assert "boot" in start[0].blocks
    dropped = {b for c in plan.conflicts if c.rule == "lockdown.regions" for b in c.blocks}
    assert dropped
    assert dropped == {w.block for w in plan.constraints if w.kind == "at"}
    assert not dropped & set(start[0].blocks)


def test_a_wish_on_the_map_comes_true_as_a_pin() -> None:
    from rootwright.describe.product import Pin

    product = starter("gated-code-area", protect=("boot", "keys"))
    plan = locked(product)
    if plan.isolation is Foundation.CLOSED_AREA:
        keys = mapped(product)[0].region("keys")
        far = Pin("keys", at=keys.address + 0x4000)
        product = replace(product, pins=(far,))
        plan = locked(product)
    assert plan.isolation is not Foundation.CLOSED_AREA
    (wish,) = [w for w in plan.constraints if w.kind == "at"]
    assert isinstance(wish.value, int)
    moved = replace(product, pins=(Pin(wish.block, at=wish.value),))
    assert locked(moved).isolation is Foundation.CLOSED_AREA


@pytest.mark.slow
def test_regions_of_a_power_of_two_move_the_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where regions are short, the wish for aligned slots comes true as pins, and the fence fits."""
    from rootwright.cli import main
    from rootwright.describe.loading import load_product
    from rootwright.pipeline import grant_wishes, lock_down, plan_product

    with pytest.raises(SystemExit):
        main(["new", str(tmp_path / "p"), "--chip", "two-banks-settings-area"])
    file = tmp_path / "p" / "product.toml"
    product = replace(load_product(file), unprivileged=True, protect=("boot", "keys"))
    plan = plan_product(product, file.parent)
    before = lock_down(product, plan)
    assert before.isolation is Foundation.WRITE_PROTECTION
    assert {w.kind for w in before.constraints} == {"align"}
    granted = grant_wishes(product, plan, file.parent)
    assert granted.isolation is Foundation.PROTECTION_UNIT
    after = replace(product, pins=granted.pins)
    assert lock_down(after, plan_product(after, file.parent)).constraints == ()


@pytest.mark.slow
def test_wishes_only_grow_until_there_is_no_new_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lock-down that wishes once more of each map that granted its last wish: every round keeps what was pinned."""
    from rootwright import pipeline
    from rootwright.cli import main
    from rootwright.describe.loading import load_product
    from rootwright.layout.map import Constraint

    with pytest.raises(SystemExit):
        main(["new", str(tmp_path / "p"), "--chip", "locks-until-reset"])
    file = tmp_path / "p" / "product.toml"
    product = load_product(file)
    wanted = ["requests", "journal", "floor"]
    seen: list[set[str]] = []
    real = pipeline.lock_down

    def wishing(trial: Product, plan: PlanResult) -> LockdownPlan:
        pinned = {pin.block for pin in trial.pins}
        seen.append(pinned)
        map_ = plan.plan.map
        assert map_ is not None
        left = [block for block in wanted if block not in pinned][:1]
        wishes = tuple(Constraint(block, "at", map_.region(block).address, "a test") for block in left)
        return replace(real(trial, plan), constraints=wishes)

    monkeypatch.setattr(pipeline, "lock_down", wishing)
    plan = pipeline.plan_product(product, file.parent)
    granted = pipeline.grant_wishes(product, plan, file.parent)
    assert [pin.block for pin in granted.pins] == wanted
    assert all(before < after for before, after in pairwise(seen))
    assert len(seen) == len(wanted) + 1
    # A wish on a block that the product placed itself ends it, with the reason.
    own = replace(product, pins=(*product.pins, granted.pins[0]))
    monkeypatch.setattr(
        pipeline,
        "lock_down",
        lambda trial, plan: replace(real(trial, plan), constraints=(Constraint("requests", "at", 0, "a test"),)),
    )
    refused = pipeline.grant_wishes(own, pipeline.plan_product(own, file.parent), file.parent)
    assert refused.pins == ()
    assert "pinned blocks stand in the way: a test" in refused.reason
