"""A map whose slots are cut to their first sectors is still a map of the same part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.describe.chip import Chip, SectorRun
from rootwright.describe.loading import load_product
from rootwright.device.ground import ground_from_map
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region
from rootwright.pipeline import plan_product
from rootwright.pipeline_assure import shorten_slots


def slots(map_: Map) -> tuple[Region, ...]:
    return tuple(r for r in map_.regions if r.role in (BlockRole.SLOT, BlockRole.STAGING))


@pytest.mark.slow
def test_every_slot_of_the_demo_keeps_two_sectors(repository: Path) -> None:
    folder = repository / "demo" / "river-gauge"
    product = load_product(folder / "product.toml")
    for plan in plan_product(product, folder).plans:
        if plan.map is None:
            continue
        short = shorten_slots(plan.map, product.chip)
        assert {region.size for region in slots(short)} == {2 * 4096}
        assert [region.address for region in short.regions] == [region.address for region in plan.map.regions]
        others = [r for r in plan.map.regions if r.role not in (BlockRole.SLOT, BlockRole.STAGING)]
        assert all(short.region(region.block) == region for region in others)
        ground = ground_from_map(product.chip, short, cells=1)
        assert len(ground.find_area("run")) == 4


@pytest.fixture
def chip(repository: Path) -> Chip:
    """The demo's part with sectors of three sizes."""
    product = load_product(repository / "demo" / "river-gauge" / "product.toml")
    runs = (SectorRun(4, 16 << 10), SectorRun(1, 64 << 10), SectorRun(3, 128 << 10))
    memories = tuple(replace(m, runs=runs) if m.name == "flash" else m for m in product.chip.memories)
    return replace(product.chip, memories=memories)


def region(block: str, role: BlockRole, address: int, size: int) -> Region:
    return Region(block, role, "flash", address, size, 0, 1, size, "application")


def test_unlike_sectors_are_cut_at_an_edge_of_both(chip: Chip) -> None:
    run = region("run:application", BlockRole.SLOT, 64 << 10, 192 << 10)  # 64 + 128
    stage = region("stage:application", BlockRole.STAGING, 256 << 10, 256 << 10)  # 128 + 128
    whole = Map("c", "copy-over", (run, stage))
    # Two large sectors are all there is; one would end in the middle of the other slot's second sector.
    assert shorten_slots(whole, chip) == whole
    assert shorten_slots(whole, chip, sectors=1) == whole
    # From the first sector on, two of the largest end at an edge: 4 x 16 + 64 + 128 KiB.
    alone = Map("c", "in-place", (region("run:application", BlockRole.SLOT, 0, 512 << 10),))
    assert [r.size for r in slots(shorten_slots(alone, chip))] == [256 << 10]


def test_a_map_without_slots_stays(chip: Chip) -> None:
    whole = Map("c", "none", (region("boot", BlockRole.BOOT, 0, 16 << 10),))
    assert shorten_slots(whole, chip) == whole
