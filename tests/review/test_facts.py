"""Facts come from what was looked at, and what nobody looked at does not protect."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from rootwright.describe.attack import Fact, Measure
from rootwright.describe.chip import Lock, Protection, ProtectionKind
from rootwright.describe.product import Product
from rootwright.pipeline import lock_down
from rootwright.plan.result import PlanResult
from rootwright.review.catalogue import packaged_steps
from rootwright.review.facts import CIRCUMSTANCES, DECLARED, CutVerdict, FaultVerdict, find_facts
from rootwright.review.rate import applicable

LOCKED = {
    Fact.BOOT_LOCKED: "boot",
    Fact.KEYS_LOCKED: "keys",
    Fact.FLOOR_LOCKED: "floor",
    Fact.SLOTS_LOCKED: "run:radio",
    Fact.WAY_BACK_LOCKED: "stage:radio",
    Fact.LOGS_LOCKED: "journal",
}


def holding(product: Product, plan: PlanResult | None, **more: Any) -> frozenset[Fact]:
    return find_facts(product, plan, **more).holding


def test_each_fact_is_told_once_with_its_reason(demo: Product, demo_plan: PlanResult) -> None:
    rows = find_facts(demo, demo_plan).rows
    assert [row.fact for row in rows] == list(Fact)
    assert all(row.why and row.source for row in rows)
    assert {row.fact for row in rows if not row.is_protection} == CIRCUMSTANCES


@pytest.mark.parametrize("fact", LOCKED)
def test_a_block_that_is_taken_out_of_write_protect_is_open(demo: Product, demo_plan: PlanResult, fact: Fact) -> None:
    assert fact in holding(demo, demo_plan)
    opened = replace(demo, protect=tuple(block for block in demo.protect if block != LOCKED[fact]))
    assert fact not in holding(opened, demo_plan)
    assert LOCKED[fact] in find_facts(opened, demo_plan).row(fact).why


@pytest.mark.parametrize("fact", LOCKED)
def test_the_lock_down_s_covers_count_where_they_are_given(demo: Product, demo_plan: PlanResult, fact: Fact) -> None:
    planned = lock_down(demo, demo_plan)
    assert fact in holding(demo, demo_plan, lockdown=planned)
    kept = tuple(c for c in planned.covers if LOCKED[fact] not in c.blocks)
    facts = find_facts(demo, demo_plan, lockdown=replace(planned, covers=kept))
    assert fact not in facts.holding
    assert facts.row(fact).source == "lock-down"


def test_a_cover_during_trials_alone_closes_only_the_way_back(demo: Product, demo_plan: PlanResult) -> None:
    planned = lock_down(demo, demo_plan)
    on_trial = tuple(c for c in planned.covers if c.moment == "at the start of an image on trial")
    assert on_trial
    facts = holding(demo, demo_plan, lockdown=replace(planned, covers=on_trial))
    assert Fact.WAY_BACK_LOCKED in facts
    assert not facts & (set(LOCKED) - {Fact.WAY_BACK_LOCKED})


def test_a_lock_that_outlives_a_reset_is_seen_in_the_lock_down(demo: Product, demo_plan: PlanResult) -> None:
    planned = lock_down(demo, demo_plan)
    for lock, falls in ((Lock.UNTIL_RESET, True), (Lock.PERMANENT, False)):
        covers = tuple(replace(c, lock=lock) for c in planned.covers)
        facts = holding(demo, demo_plan, lockdown=replace(planned, covers=covers))
        assert (Fact.LOCKS_FALL_AT_RESET in facts) is falls


def test_a_debug_port_that_the_lock_down_leaves_open_is_open(demo: Product, demo_plan: PlanResult) -> None:
    planned = lock_down(demo, demo_plan)
    aims = tuple(replace(a, met="not met") if a.id == "debug-closed" else a for a in planned.aims)
    facts = holding(demo, demo_plan, lockdown=replace(planned, aims=aims))
    assert Fact.DEBUG_LOCK in holding(demo, demo_plan)
    assert not facts & {Fact.DEBUG_LOCK, Fact.DEBUG_LOCK_FOR_EVER}


def test_what_was_not_checked_does_not_protect(demo: Product, demo_plan: PlanResult) -> None:
    silent = holding(demo, demo_plan)
    assert not silent & {Fact.HOLDS_UNDER_CUTS, Fact.FAILS_UNDER_CUTS, Fact.BENCH_CLEAN, Fact.FAULT_HITS}
    assert Fact.HOLDS_UNDER_CUTS in holding(demo, demo_plan, cuts=CutVerdict(True, True))
    assert Fact.HOLDS_UNDER_CUTS not in holding(demo, demo_plan, cuts=CutVerdict(True, False))
    failing = holding(demo, demo_plan, cuts=CutVerdict(False, True))
    assert Fact.FAILS_UNDER_CUTS in failing
    assert Fact.HOLDS_UNDER_CUTS not in failing
    assert Fact.BENCH_CLEAN in holding(demo, demo_plan, bench=FaultVerdict(10, 0))
    assert Fact.FAULT_HITS in holding(demo, demo_plan, bench=FaultVerdict(10, 1))


def test_without_a_plan_no_block_is_known(demo: Product) -> None:
    facts = holding(demo, None)
    assert not facts & {*LOCKED, Fact.VERSION_FLOOR, Fact.WAY_BACK, Fact.RECOVERY, Fact.EXTERNAL_MEMORY}


def test_measures_are_facts_only_where_they_are_declared(demo: Product, sound: Product, demo_plan: PlanResult) -> None:
    assert {Fact(measure.value) for measure in Measure} == DECLARED
    assert not holding(demo, demo_plan) & DECLARED
    assert holding(sound, demo_plan) >= DECLARED


@pytest.mark.parametrize(
    ("kind", "fact"),
    [
        (ProtectionKind.EXTERNAL_READ_LOCK, Fact.READ_LOCK),
        (ProtectionKind.EXECUTE_ONLY, Fact.EXECUTE_ONLY),
        (ProtectionKind.SECURE_SPLIT, Fact.SECRETS_APART),
        (ProtectionKind.KEY_VAULT, Fact.SECRETS_APART),
        (ProtectionKind.SECURE_ELEMENT, Fact.SECRETS_APART),
        (ProtectionKind.GATED_CODE, Fact.SECRETS_APART),
        (ProtectionKind.PHYSICAL_MEMORY_PROTECTION, Fact.SECRETS_APART),
        (ProtectionKind.FIXED_RESET_ENTRY, Fact.FIXED_ENTRY),
        (ProtectionKind.INLINE_DECRYPTION, Fact.INLINE_DECRYPTION),
        (ProtectionKind.TAMPER_INPUT, Fact.TAMPER_INPUT),
    ],
)
def test_what_the_part_offers_is_a_fact(demo: Product, demo_plan: PlanResult, kind: ProtectionKind, fact: Fact) -> None:
    more = Protection(kind, covers=("flash",), lock=Lock.PERMANENT)
    richer = replace(demo, chip=replace(demo.chip, protections=(*demo.chip.protections, more)))
    assert fact not in holding(demo, demo_plan)
    assert fact in holding(richer, demo_plan)


def test_unprivileged_wants_a_fence(demo: Product, demo_plan: PlanResult) -> None:
    said = replace(demo, unprivileged=True)
    assert Fact.UNPRIVILEGED in holding(said, demo_plan)
    fences = (ProtectionKind.PROTECTION_UNIT, ProtectionKind.PHYSICAL_MEMORY_PROTECTION)
    bare = replace(said.chip, protections=tuple(p for p in said.chip.protections if p.kind not in fences))
    assert Fact.UNPRIVILEGED not in holding(replace(said, chip=bare), demo_plan)


def test_one_mechanism_is_lost_as_one(demo: Product, demo_plan: PlanResult) -> None:
    facts = find_facts(demo, demo_plan)
    assert {Fact.DEBUG_LOCK, Fact.DEBUG_LOCK_FOR_EVER} <= facts.holding
    steps = applicable(packaged_steps(), facts)
    assert not any(Fact.DEBUG_LOCK_FOR_EVER in step.blocked_by for step in steps)
    short = SimpleNamespace(holding=facts.holding - {Fact.DEBUG_LOCK_FOR_EVER})
    steps = applicable(packaged_steps(), short)  # type: ignore[arg-type]
    assert any(Fact.DEBUG_LOCK_FOR_EVER in step.blocked_by for step in steps)
