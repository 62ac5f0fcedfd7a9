"""Covers: whole granules, the fewest runs, and what is said where a block cannot be covered."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from products import locked, mapped, starter, with_procedure

from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.product import Procedure, Product
from rootwright.layout.map import Constraint
from rootwright.plan.lockdown.build import make_lockdown
from rootwright.plan.lockdown.covers import whole_sectors
from rootwright.plan.lockdown.result import Conflict, Effect, LockdownPlan, Moment
from rootwright.plan.lockdown.spans import Span, fewest_runs, merged, widened, without


def relocked(product: Product, **protection: object) -> LockdownPlan:
    """The lock-down of a product on the map that it had before its write protection changed."""
    map_, wanted = mapped(product)
    changed = tuple(
        replace(p, **protection) if p.kind is ProtectionKind.WRITE_PROTECTION else p  # type: ignore[arg-type]
        for p in product.chip.protections
    )
    return make_lockdown(replace(product, chip=replace(product.chip, protections=changed)), map_, wanted)


def conflicts(plan: LockdownPlan, rule: str) -> list[Conflict]:
    return [c for c in plan.conflicts if c.rule == rule]


def test_a_granule_that_would_close_a_neighbour_asks_the_map_to_move() -> None:
    product = starter("rv32-pmp", protect=("floor",))
    plan = relocked(product, granule=64 << 10)
    (conflict,) = conflicts(plan, "lockdown.granule")
    assert conflict.blocks[0] == "floor"
    assert "boot" in conflict.blocks
    assert "it would also cover" in conflict.found
    assert (
        Constraint("floor", "align", 64 << 10, "write-protection covers whole granules of 65536 bytes")
        in plan.constraints
    )
    assert not [c for c in plan.covers if c.kind is ProtectionKind.WRITE_PROTECTION]


def test_a_protection_without_a_lock_is_named_as_no_protection() -> None:
    plan = relocked(starter("rv32-pmp", protect=("boot", "keys", "floor")), lock=Lock.NONE)
    found = conflicts(plan, "lockdown.uncovered")
    assert {c.blocks[0] for c in found} == {"boot", "keys", "floor"}
    assert all("opens again from software" in c.found for c in found)


def test_what_the_application_writes_is_closed_at_no_moment() -> None:
    product = starter("rv32-pmp", protect=("keep:settings", "requests"))
    found = conflicts(locked(product), "lockdown.unwritable")
    assert {c.blocks[0] for c in found} == {"keep:settings", "requests"}
    assert all("while the application runs" in c.found for c in found)


def test_free_sectors_are_closed_only_where_regions_are_short() -> None:
    product = starter("external-flash-only", protect=("boot", "keys", "floor"))
    map_, wanted = mapped(product)
    many = make_lockdown(product, map_, wanted)
    few = relocked(product, regions=1)
    start = [[c for c in p.covers if c.moment is Moment.START and c.effect is Effect.NO_WRITE] for p in (many, few)]
    assert len(start[1]) == 1
    assert sum(c.size for c in start[0]) <= sum(c.size for c in start[1])
    assert {b for c in start[0] for b in c.blocks} == {b for c in start[1] for b in c.blocks}


def test_external_code_is_read_only_through_its_decryption() -> None:
    product = starter("closed-until-reset-area")
    images = tuple(replace(i, memory="external") if i.name != "boot" else i for i in product.images)
    plan = locked(replace(product, images=images))
    (cover,) = [c for c in plan.covers if c.kind is ProtectionKind.INLINE_DECRYPTION]
    assert "run:application" in cover.blocks
    assert cover.effect is Effect.NO_READ
    facts = plan.find_aim("change-detected").evidence
    assert any("exchanged after it was checked" in fact.text and not fact.holds for fact in facts)


@pytest.mark.slow
def test_the_recovery_image_may_write_what_it_must() -> None:
    product = with_procedure(
        starter("rv32-pmp", protect=("boot", "recovery", "run:application", "journal")), Procedure.IN_PLACE
    )
    moments = {c.moment for c in locked(product).covers if c.effect is Effect.NO_WRITE}
    assert moments == {Moment.START}


_SPANS = st.lists(st.builds(lambda a, n: Span(a, a + n), st.integers(0, 60), st.integers(0, 8)), max_size=6)


def cells(spans: object) -> set[int]:
    return {n for s in spans for n in range(s.start, s.end)}  # type: ignore[attr-defined]


@pytest.mark.slow
@given(_SPANS, _SPANS)
def test_spans_are_sets_of_addresses(one: list[Span], two: list[Span]) -> None:
    assert cells(merged(one)) == cells(one)
    assert cells(without(one, two)) == cells(one) - cells(two)
    runs = fewest_runs(one, two)
    assert cells(one) <= cells(runs) <= cells(one) | cells(two)
    # The fewest: between two neighbouring runs lies an address that must not be covered.
    for low, high in pairwise(runs):
        assert set(range(low.end, high.start)) - cells(two)


@given(st.integers(0, 1000), st.integers(1, 100), st.integers(1, 64))
def test_widened_is_whole_granules(start: int, size: int, granule: int) -> None:
    wide = widened(Span(start + 7, start + 7 + size), granule, 7)
    assert (wide.start - 7) % granule == (wide.end - 7) % granule == 0
    assert wide.start <= start + 7 < start + 7 + size <= wide.end
    assert wide.size < size + 2 * granule


@given(
    st.lists(st.tuples(st.integers(1, 5), st.sampled_from([256, 1024, 4096])), min_size=1, max_size=4),
    st.data(),
)
def test_whole_sectors_are_those_that_a_span_touches(runs: list[tuple[int, int]], data: st.DataObject) -> None:
    """Reckoned run by run; the definition goes sector by sector."""
    given_ = starter("rv32-pmp").chip.memories[0]
    memory = replace(given_, runs=tuple(replace(given_.runs[0], count=count, size=size) for count, size in runs))
    start = data.draw(st.integers(memory.base, memory.end - 1))
    span = Span(start, data.draw(st.integers(start + 1, memory.end)))
    touched = [s for s in memory.sectors() if s.address < span.end and span.start < s.end]
    assert whole_sectors(memory, span) == Span(touched[0].address, touched[-1].end)
