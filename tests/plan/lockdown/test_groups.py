"""Write protection that takes groups of sectors: what is written to lock, read back, and refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.chip import Chip, Protection, ProtectionKind
from rootwright.describe.loading import load_chip
from rootwright.describe.lock_field import LockField, LockRole
from rootwright.errors import PlanError
from rootwright.plan.lockdown.fields import decode, encode, unit_edges
from rootwright.plan.lockdown.spans import Span, merged, widened_to

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "parts"
CHIP = load_chip(FOLDER / "awkward-external.toml")
WAY = next(p for p in CHIP.find_protections(ProtectionKind.WRITE_PROTECTION) if p.groups)
MEMORY = CHIP.memory("external")
MASK = LockField("groups", LockRole.MASK, 0x5000_0000, WAY.name, width=8, bits=6)
ACTIVE_LOW = replace(MASK, active_low=True)
KIB = 1024
EDGES = [MEMORY.base + n * KIB for n in (0, 64, 128, 256, 512, 1024, 2048)]


def held(way: Protection, field: LockField, spans: list[Span]) -> tuple[Span, ...]:
    """Return what is read back of what was written for some spans."""
    values = {value.field.name: value.value for value in encode(way, [field], MEMORY, spans)}
    return decode(way, replace_fields(CHIP, field), MEMORY, values)


def replace_fields(chip: Chip, field: LockField) -> Chip:
    return replace(chip, lock_fields=(field,))


def test_groups_of_several_sizes_have_their_own_edges() -> None:
    assert list(unit_edges(WAY, MEMORY)) == EDGES


@pytest.mark.parametrize(("field", "empty"), [(MASK, 0), (ACTIVE_LOW, 0b111111)])
def test_a_bit_stands_for_a_group(field: LockField, empty: int) -> None:
    second = [Span(EDGES[1], EDGES[3])]
    (value,) = encode(WAY, [field], MEMORY, second)
    assert value.value ^ empty == 0b000110
    (none,) = encode(WAY, [field], MEMORY, [])
    assert none.value == empty


@given(st.sets(st.integers(0, 5)), st.booleans())
def test_what_is_written_reads_back(chosen: set[int], active_low: bool) -> None:
    spans = [Span(EDGES[n], EDGES[n + 1]) for n in sorted(chosen)]
    assert held(WAY, ACTIVE_LOW if active_low else MASK, spans) == merged(spans)


def test_half_a_group_can_not_be_written() -> None:
    with pytest.raises(PlanError, match="whole groups"):
        encode(WAY, [MASK], MEMORY, [Span(EDGES[4], EDGES[4] + 64 * KIB)])


def test_a_block_is_widened_to_the_groups_that_hold_it() -> None:
    assert widened_to(Span(EDGES[2] + 1, EDGES[3] + 1), EDGES) == Span(EDGES[2], EDGES[4])
    assert widened_to(Span(EDGES[0], EDGES[1]), EDGES) == Span(EDGES[0], EDGES[1])
