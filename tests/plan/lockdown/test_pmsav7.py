"""Armv7-M regions: exact, the fewest possible, and encoded as the manual says."""

from __future__ import annotations

import json
import random
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.errors import PlanError
from rootwright.plan.lockdown.pmsav7 import Block, fewest_blocks, rasr, rbar
from rootwright.plan.lockdown.rights import Rights, Store
from rootwright.plan.lockdown.spans import Span, merged

CELL = 32
FIXED = Rights("r", "r", execute=True)


def covered(blocks: tuple[Block, ...]) -> tuple[Span, ...]:
    return merged(span for block in blocks for span in block.spans())


def cells(mask: int, base: int = 0) -> list[Span]:
    return [Span(base + CELL * n, base + CELL * (n + 1)) for n in range(64) if mask >> n & 1]


def region_masks(count: int, smallest: int) -> set[int]:
    """Every set of cells that one region can cover in a space of `count` cells from 0, by the manual's rules."""
    found = set()
    size = smallest
    while size <= 8 * count * CELL:  # a larger region may have only its lowest subregions inside the space
        for base in range(0, count * CELL, size):
            if size < 256:
                found.add(sum(1 << n for n in range(base // CELL, (base + size) // CELL)))
                continue
            part = size // 8 // CELL
            for enabled in range(1, 256):
                mask = sum(((1 << part) - 1) << (base // CELL + n * part) for n in range(8) if enabled >> n & 1)
                if mask < 1 << count:
                    found.add(mask)
        size *= 2
    return {mask for mask in found if mask < 1 << count}


def fewest_by_search(wanted: int, masks: set[int]) -> int:
    """Return the least number of masks whose union is `wanted`, trying every combination of the largest that fit."""
    inside = {mask for mask in masks if mask & ~wanted == 0}
    inside = {mask for mask in inside if not any(mask | other == other != mask for other in inside)}
    for count in range(0, 9):
        for chosen in combinations(inside, count):
            union = 0
            for mask in chosen:
                union |= mask
            if union == wanted:
                return count
    raise AssertionError("no cover")


@pytest.mark.parametrize("wanted", range(256))
def test_fewest_in_eight_cells_equals_exhaustive_search(wanted: int) -> None:
    blocks = fewest_blocks(cells(wanted))
    assert covered(blocks) == merged(cells(wanted))
    assert len(blocks) == fewest_by_search(wanted, region_masks(8, 32))


@pytest.mark.slow
def test_fewest_in_sixteen_cells_equals_exhaustive_search() -> None:
    masks = region_masks(16, 32)
    chosen = random.Random(3).sample(range(1 << 16), 700)
    for wanted in chosen:
        blocks = fewest_blocks(cells(wanted))
        assert covered(blocks) == merged(cells(wanted))
        assert len(blocks) == fewest_by_search(wanted, masks), f"{wanted:#x}"


@pytest.mark.slow
def test_fewest_for_armv6m_equals_exhaustive_search() -> None:
    masks = region_masks(16, 256)
    for wanted in random.Random(4).sample(range(1 << 16), 400):
        blocks = fewest_blocks(cells(wanted), smallest=256)
        assert covered(blocks) == merged(cells(wanted))
        assert len(blocks) == fewest_by_search(wanted, masks), f"{wanted:#x}"
        assert all(block.size >= 256 for block in blocks)


@pytest.mark.slow
@given(
    st.lists(st.tuples(st.integers(0, 2**22), st.integers(1, 4000)), min_size=1, max_size=4),
    st.lists(st.tuples(st.integers(0, 2**22), st.integers(1, 4000)), max_size=2),
)
def test_a_cover_holds_what_must_be_and_nothing_else(must: list[tuple[int, int]], may: list[tuple[int, int]]) -> None:
    need = [Span(CELL * at, CELL * (at + size)) for at, size in must]
    free = [Span(CELL * at, CELL * (at + size)) for at, size in may]
    blocks = fewest_blocks(need, free)
    union = covered(blocks)
    assert merged([*union, *need]) == union
    assert merged([*union, *need, *free]) == merged([*need, *free])
    for block in blocks:
        assert block.base % block.size == 0
        assert block.srd == 0 or block.size >= 256
        assert block.srd != 0xFF


def test_may_be_covered_saves_regions() -> None:
    need = [Span(0, 32), Span(96, 128)]
    assert len(fewest_blocks(need)) == 1  # two subregions of one region
    odd = [Span(0, 0x8000), Span(0x8000, 0x9000)]
    assert len(fewest_blocks(odd)) == 2
    assert len(fewest_blocks(odd, [Span(0x9000, 0x10000)])) == 1


def test_odd_addresses_are_refused() -> None:
    with pytest.raises(PlanError, match="whole granules of 32"):
        fewest_blocks([Span(0, 33)])


def test_the_whole_address_space_is_one_region() -> None:
    # DDI 0403, B3.5: SIZE 31 is the whole of 4 GiB.
    (block,) = fewest_blocks([Span(0, 1 << 32)])
    assert rasr(block, FIXED, Store.FLASH) >> 1 & 31 == 31


# SIZE values: Armv7-M ARM (DDI 0403), B3.5, region size is 2 to the power of SIZE + 1.
@pytest.mark.parametrize(("size", "field"), [(32, 4), (256, 7), (4096, 11), (32768, 14), (1 << 20, 19)])
def test_size_field(size: int, field: int) -> None:
    value = rasr(Block(0, size), FIXED, Store.FLASH)
    assert value >> 1 & 31 == field
    assert value & 1


# AP values: Armv7-M ARM (DDI 0403), table "Access permissions field encoding".
@pytest.mark.parametrize(
    ("privileged", "unprivileged", "ap"),
    [("", "", 0), ("rw", "", 1), ("rw", "r", 2), ("rw", "rw", 3), ("r", "", 5), ("r", "r", 6)],
)
def test_access_permissions(privileged: str, unprivileged: str, ap: int) -> None:
    value = rasr(Block(0, 256, 0x81), Rights(privileged, unprivileged), Store.RAM)
    assert value >> 24 & 7 == ap
    assert value >> 28 & 1 == 1  # XN
    assert value >> 8 & 0xFF == 0x81


def test_rights_without_encoding_are_refused() -> None:
    with pytest.raises(PlanError, match="no access permission"):
        rasr(Block(0, 256), Rights("", "r"), Store.RAM)


def test_a_base_write_selects_its_region() -> None:
    assert rbar(Block(0x20000000, 4096), 5) == 0x20000015


@pytest.mark.vectors
def test_published_sizes(published_vectors: Path) -> None:
    rows = json.loads((published_vectors / "memory_protection" / "encodings.json").read_text())["armv7m_size_field"]
    assert len(rows) > 5
    for row in rows:
        size = row["region_bytes"]
        assert rasr(Block(0, size), FIXED, Store.FLASH) >> 1 & 31 == row["RASR.SIZE"]
        if row["subregions"]:
            part = row["subregion_bytes"]
            assert Block(0, size, 0b11111101).spans() == (Span(part, 2 * part),)
