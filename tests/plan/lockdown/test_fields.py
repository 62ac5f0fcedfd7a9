"""A part's own fields: masks, ranges, sizes; what is written decodes to what was planned."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.chip import Chip, Lock, Memory, MemoryKind, Protection, ProtectionKind, SectorRun
from rootwright.describe.loading import load_chip
from rootwright.describe.lock_field import LockField, LockRole
from rootwright.errors import PlanError
from rootwright.plan.lockdown.fields import decode, encode
from rootwright.plan.lockdown.spans import Span, merged

BASE = 0x0800_0000
FLASH = Memory("flash", MemoryKind.FLASH, BASE, (SectorRun(128, 2048),))
GUARD = Protection(
    ProtectionKind.WRITE_PROTECTION, ("flash",), 4096, 0, Lock.UNTIL_RESET, name="guard"
)  # a bit for a group of two sectors


def mask(name: str, first: int, *, low: int = 0, bits: int = 32, active_low: bool = False) -> LockField:
    return LockField(name, LockRole.MASK, 0x4000_0000 + 4 * first, "guard", 32, low, bits, first, active_low)


def span(first: int, last: int) -> Span:
    return Span(BASE + 4096 * first, BASE + 4096 * (last + 1))


def words(fields: list[LockField], spans: list[Span]) -> dict[str, int]:
    return {value.field.name: value.value for value in encode(GUARD, fields, FLASH, spans)}


def test_a_mask_counts_groups_from_the_start_of_the_memory() -> None:
    fields = [mask("low", 0), mask("high", 32)]
    assert words(fields, [span(0, 3), span(31, 32)]) == {"low": 0x8000_000F, "high": 0x0000_0001}


def test_active_low_protects_with_a_zero() -> None:
    field = mask("low", 0, low=8, bits=16, active_low=True)
    assert words([field], [span(0, 0), span(15, 15)]) == {"low": 0x007F_FE00}
    assert words([field], []) == {"low": 0x00FF_FF00}  # erased words protect nothing


def test_a_granule_without_a_bit_is_refused() -> None:
    with pytest.raises(PlanError, match="no mask has a bit for granules 32-33"):
        words([mask("low", 0)], [span(30, 33)])


def bounds(count: int, bits: int = 7) -> list[LockField]:
    return [
        LockField(f"{kind}-{n}", role, 0x4000_0000 + 4 * n, "guard", 32, low, bits, n)
        for n in range(count)
        for kind, role, low in (("start", LockRole.START, 0), ("end", LockRole.END, 16))
    ]


def test_ranges_include_their_end_and_unused_ones_are_empty() -> None:
    found = words(bounds(2), [span(3, 5)])
    assert found == {"start-0": 3, "end-0": 5 << 16, "start-1": 0x7F, "end-1": 0}
    assert decode(GUARD, part(bounds(2)), FLASH, found) == (span(3, 5),)


def test_more_runs_than_ranges_are_refused() -> None:
    with pytest.raises(PlanError, match="2 separate runs, 1 regions"):
        words(bounds(1), [span(0, 0), span(2, 2)])
    with pytest.raises(PlanError, match="does not fit the 3 bits"):
        words(bounds(1, bits=3), [span(9, 9)])
    with pytest.raises(PlanError, match="do not pair"):
        words(bounds(1)[:1], [span(0, 0)])


def test_a_size_covers_from_the_start_alone() -> None:
    size = LockField("size", LockRole.SIZE, 0x4000_0000, "guard", 32, 4, 8)
    assert words([size], [span(0, 8)]) == {"size": 9 << 4}
    with pytest.raises(PlanError, match="one run from the start"):
        words([size], [span(1, 8)])


def test_half_granules_are_refused() -> None:
    with pytest.raises(PlanError, match="whole granules of 4096"):
        words([mask("low", 0)], [Span(BASE + 2048, BASE + 4096)])


def part(fields: list[LockField]) -> Chip:
    return replace(load_chip("rv32-pmp"), memories=(FLASH,), protections=(GUARD,), lock_fields=tuple(fields))


@pytest.mark.slow
@given(st.sets(st.integers(0, 63)), st.booleans())
def test_masks_decode_to_what_was_planned(numbers: set[int], active_low: bool) -> None:
    fields = [mask("low", 0, active_low=active_low), mask("high", 32, active_low=active_low)]
    spans = [span(n, n) for n in numbers]
    assert decode(GUARD, part(fields), FLASH, words(fields, spans)) == merged(spans)


@pytest.mark.slow
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 3)), max_size=4))
def test_ranges_decode_to_what_was_planned(rows: list[tuple[int, int]]) -> None:
    spans = [span(first, first + more) for first, more in rows]
    fields = bounds(4)
    assert decode(GUARD, part(fields), FLASH, words(fields, spans)) == merged(spans)
