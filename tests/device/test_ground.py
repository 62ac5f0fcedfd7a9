"""The ground that a procedure works on: chunks that fit, lift sectors that hold them, content in its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_product
from rootwright.device.ground import Ground, GroundSector, add_lift, ground_from_map, join_chunks, tiny_ground
from rootwright.layout.map import Map
from rootwright.pipeline import plan_product


def sectors_of(cells: list[int], size: int = 0x1000) -> list[GroundSector]:
    """Return sectors with so many cells, each cell standing for `size` bytes."""
    found, position, address = [], 0, 0
    for count in cells:
        found.append(GroundSector("b", "flash", address, size * count, count, position))
        position, address = position + count, address + size * count
    return found


def test_sectors_of_one_size_pair_up() -> None:
    sectors = sectors_of([1, 1, 1, 1])
    assert [(c.run, c.stage) for c in join_chunks(sectors, range(2), range(2, 4))] == [((0,), (2,)), ((1,), (3,))]


def test_a_large_sector_moves_with_the_small_ones_that_hold_as_much() -> None:
    """By hand: one sector of four cells beside four of one, then two of two beside one of four."""
    sectors = sectors_of([4, 2, 2, 1, 1, 1, 1, 4])
    chunks = join_chunks(sectors, range(3), range(3, 8))
    assert [(c.run, c.stage) for c in chunks] == [((0,), (3, 4, 5, 6)), ((1, 2), (7,))]


def test_without_staging_each_sector_is_a_chunk() -> None:
    sectors = sectors_of([1, 2])
    assert [(c.run, c.stage) for c in join_chunks(sectors, range(2), range(0))] == [((0,), ()), ((1,), ())]


def test_what_has_no_partner_is_left_out() -> None:
    sectors = sectors_of([1, 2, 1, 1])
    assert [(c.run, c.stage) for c in join_chunks(sectors, range(2), range(2, 4))] == [((0,), (2,))]


@given(st.lists(st.sampled_from([1, 2, 4]), min_size=1, max_size=8), st.lists(st.sampled_from([1, 2, 4]), max_size=8))
def test_chunks_hold_as_much_on_either_side_and_are_as_small_as_can_be(run: list[int], stage: list[int]) -> None:
    sectors = sectors_of(run + stage)
    chunks = join_chunks(sectors, range(len(run)), range(len(run), len(run) + len(stage)))
    if not stage:
        assert len(chunks) == len(run)
        return
    done: list[int] = []
    for chunk in chunks:
        sums = [
            [sum(sectors[i].cells for i in side[: k + 1]) for k in range(len(side))]
            for side in (chunk.run, chunk.stage)
        ]
        assert sums[0][-1] == sums[1][-1]
        assert set(sums[0]) & set(sums[1]) == {sums[0][-1]}  # no smaller part of it would have done
        done += [*chunk.run, *chunk.stage]
    assert len(set(done)) == len(done)
    assert [i for i in done if i < len(run)] == list(range(sum(i < len(run) for i in done)))


def test_lift_sectors_are_joined_until_they_hold_the_largest_chunk() -> None:
    sectors = sectors_of([2, 2, 2, 2, 1, 1, 1, 1])
    chunks = join_chunks(sectors, range(2), range(2, 4))
    assert [c.lift for c in add_lift(sectors, chunks, range(4, 8))] == [(4, 5), (6, 7)]
    assert [c.lift for c in add_lift(sectors, chunks, range(4, 5))] == [(4,), (4,)]  # too small: all that there is
    assert add_lift(sectors, chunks, range(0)) == chunks


def test_areas_are_found_by_name() -> None:
    ground = tiny_ground(2, 1)
    assert list(ground.area("stage")) == [2, 3]
    assert not ground.find_area("second")
    with pytest.raises(KeyError):
        ground.area("second")


@pytest.fixture(scope="module")
def planned(repository: Path) -> dict[str, tuple[Map, Chip]]:
    file = repository / "demo" / "river-gauge" / "product.toml"
    product = load_product(file)
    plans = plan_product(product, file.parent).plans
    return {each.demand.traits.name: (each.map, product.chip) for each in plans if each.map is not None}


@pytest.mark.parametrize("cells", [1, 2, 5])
@pytest.mark.parametrize("name", ["in-place", "recovery-image", "copy-over", "exchange-rotating", "either-slot"])
def test_a_map_s_ground_has_its_real_sectors(planned: dict[str, tuple[Map, Chip]], name: str, cells: int) -> None:
    """The demo's part has 128 sectors of 4 KiB; its run slots take 32 and 16 of them."""
    map_, chip = planned[name]
    ground = ground_from_map(chip, map_, cells=cells)
    assert [sector.size for sector in ground.sectors] == [4096] * len(ground.sectors)
    assert {sector.cells for sector in ground.sectors} == {cells}
    assert len(ground.area("run")) == 48
    addresses = [ground.sectors[i].address for i in ground.area("run")]
    assert addresses == [0x18000 + 0x1000 * k for k in range(48)]
    for area, start, stop in ground.areas:
        assert [ground.sectors[i].position for i in range(start, stop)] == [cells * k for k in range(stop - start)], (
            area
        )
    assert len({sector.address for sector in ground.sectors}) == len(ground.sectors)
    assert ground.keep[1] - ground.keep[0] == 1
    assert ground.sectors[ground.keep[0]].address == 0xF000
    assert_lift_fits(ground)


def assert_lift_fits(ground: Ground) -> None:
    """Every chunk's lift sectors can hold it; several take turns."""
    for chunk in ground.chunks:
        if chunk.lift:
            moved = sum(ground.sectors[i].size for i in chunk.run)
            assert sum(ground.sectors[i].size for i in chunk.lift) >= moved
            assert sum(ground.sectors[i].cells for i in chunk.lift) >= sum(ground.sectors[i].cells for i in chunk.run)


def test_the_rotating_lift_of_the_demo_has_four_sectors(planned: dict[str, tuple[Map, Chip]]) -> None:
    map_, chip = planned["exchange-rotating"]
    ground = ground_from_map(chip, map_, cells=2)
    assert [len(chunk.lift) for chunk in ground.chunks] == [1] * 48
    assert len({chunk.lift for chunk in ground.chunks}) == len(ground.area("lift")) == 4
