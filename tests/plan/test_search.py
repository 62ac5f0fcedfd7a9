"""The search on maps that can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from constraint_model import is_feasible
from random_cases import TRAITS, chip_of, flash

from rootwright.errors import PlanError
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind
from rootwright.layout.map import Map, Misfit
from rootwright.plan.check import check_map
from rootwright.plan.search import find_map

KIB = 1024
BASE = 0x0800_0000


def block(name, need, role=BlockRole.KEEP, **more):
    return Block(name, role, need, need, more.pop("memories", ("flash",)), **more)


def demand(*blocks, ties=()):
    return Demand(TRAITS, tuple(blocks), tuple(ties))


def placed(wanted, chip, **more):
    found = find_map(wanted, chip, **more)
    assert isinstance(found, Map), found
    assert check_map(found, wanted, chip) == ()
    return {r.block: (r.address - BASE, r.size) for r in found.regions}


EVEN = chip_of((flash("flash", BASE, [(16, 4 * KIB)]),), granule=8 * KIB)
UNEVEN = chip_of((flash("flash", BASE, [(4, 16 * KIB), (1, 64 * KIB), (3, 128 * KIB)]),))
BANKED = chip_of((flash("flash", BASE, [(16, 4 * KIB)], banks=2),), granule=4 * KIB)


def test_a_block_takes_whole_sectors():
    assert placed(demand(block("a", 4097)), EVEN) == {"a": (0, 8 * KIB)}


def test_a_log_takes_two_sectors_whatever_their_size():
    assert placed(demand(block("log", 64, at=BASE + 48 * KIB, min_sectors=2)), UNEVEN) == {"log": (48 * KIB, 80 * KIB)}


def test_constant_blocks_share_a_sector_and_changing_ones_do_not():
    wanted = demand(block("boot", 3 * KIB, exclusive=False), block("keys", KIB, exclusive=False), block("log", 64))
    found = placed(wanted, EVEN)
    assert found == {"log": (0, 4 * KIB), "boot": (4 * KIB, 3 * KIB), "keys": (7 * KIB, KIB)}


def test_a_protected_block_takes_whole_protection_units():
    wanted = demand(block("boot", 3 * KIB, write_protect=True), block("other", KIB))
    assert placed(wanted, EVEN) == {"boot": (0, 8 * KIB), "other": (8 * KIB, 4 * KIB)}


def test_the_vector_table_is_aligned_and_not_the_sector():
    chip = chip_of((flash("flash", BASE, [(64, KIB)]),))
    wanted = demand(block("first", KIB, at=BASE), block("run", KIB, header=512, vector_align=2048 + 2048))
    found = find_map(wanted, chip)
    assert isinstance(found, Misfit)
    assert "vector table" in found.reason
    wanted = demand(block("first", KIB, at=BASE), block("run", KIB, header=KIB, vector_align=4096))
    assert placed(wanted, chip)["run"] == (3 * KIB, KIB)


def test_slots_of_one_size_find_the_size_that_an_uneven_memory_has():
    wanted = demand(block("run", 100 * KIB), block("stage", 100 * KIB), ties=[Tie(TieKind.SAME_SIZE, ("run", "stage"))])
    # Pieces of 100 KiB and a bit: 16+16+16+64 = 112 exists once; 128 exists as 4*16+64 and as each large sector.
    assert {size for _, size in placed(wanted, UNEVEN).values()} == {128 * KIB}


def test_slots_of_one_pattern_do_not_pair_small_sectors_with_a_large_one():
    wanted = demand(
        block("run", 100 * KIB), block("stage", 100 * KIB), ties=[Tie(TieKind.SAME_PATTERN, ("run", "stage"))]
    )
    assert sorted(placed(wanted, UNEVEN).values()) == [(128 * KIB, 128 * KIB), (256 * KIB, 128 * KIB)]


def test_a_lift_holds_the_largest_sector_moved():
    wanted = demand(
        block("run", 128 * KIB), block("lift", 1), ties=[Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("lift", "run"))]
    )
    found = placed(wanted, UNEVEN)
    assert found["run"] == (0, 128 * KIB)  # in sectors of 16 and 64 KiB
    assert found["lift"][1] >= 64 * KIB


def test_exchanged_slots_are_cut_at_multiples_of_the_larger_sector():
    chip = chip_of((flash("flash", BASE, [(16, 2 * KIB)]), flash("outer", 0x9000_0000, [(8, 16 * KIB)])))
    wanted = demand(
        block("run", 5 * KIB),
        block("stage", 5 * KIB, memories=("outer",)),
        ties=[Tie(TieKind.SAME_SIZE, ("run", "stage")), Tie(TieKind.COMMON_MULTIPLE, ("run", "stage"))],
    )
    found = find_map(wanted, chip)
    assert isinstance(found, Map)
    assert [r.size for r in found.regions] == [16 * KIB, 16 * KIB]


def test_small_sectors_around_a_larger_one_are_not_cut_at_its_size():
    # 4 KiB in sectors of 1, 2 and 1 KiB end on a multiple of 4 KiB, but the largest sector has 2 KiB, and none ends
    # 2 KiB behind the start: such a piece can not trade places with one of two even sectors.
    chip = chip_of((flash("flash", BASE, [(1, KIB), (1, 2 * KIB), (1, KIB), (4, 2 * KIB)]),))
    ties = [Tie(TieKind.SAME_SIZE, ("run", "stage")), Tie(TieKind.COMMON_MULTIPLE, ("run", "stage"))]
    wanted = demand(block("run", 4 * KIB), block("stage", 4 * KIB), ties=ties)
    assert sorted(placed(wanted, chip).values()) == [(4 * KIB, 4 * KIB), (8 * KIB, 4 * KIB)]
    odd = chip_of((flash("flash", BASE, [(1, KIB), (1, 2 * KIB), (2, KIB), (1, 2 * KIB), (1, KIB)]),))
    found = find_map(demand(block("run", 4 * KIB), block("stage", 4 * KIB), ties=ties), odd)
    assert isinstance(found, Misfit)


def test_two_images_exchange_on_uneven_sectors_in_reasonable_time():
    # Once thousands of choices of largest sector, lift and size: it did not end.
    chip = chip_of((flash("flash", BASE, [(200, KIB), (250, 2 * KIB), (300, 8 * KIB), (250, 4 * KIB)]),), 8 * KIB)
    blocks = [block("boot", 100 * KIB, BlockRole.BOOT, write_protect=True)]
    ties = []
    for image, need in (("application", 700 * KIB), ("radio", 500 * KIB)):
        blocks += [
            block(f"run:{image}", need, BlockRole.SLOT, image=image),
            block(f"stage:{image}", need, BlockRole.STAGING, image=image),
        ]
        pair = (f"run:{image}", f"stage:{image}")
        ties += [Tie(TieKind.SAME_SIZE, pair), Tie(TieKind.COMMON_MULTIPLE, pair)]
    blocks.append(block("lift", 1, BlockRole.LIFT))
    ties.append(Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("lift", *(b.name for b in blocks[1:5]))))
    found = placed(demand(*blocks, ties=ties), chip)
    assert found["run:application"][1] == found["stage:application"][1]


def test_a_pair_lies_at_one_offset_in_both_banks():
    wanted = demand(
        block("busy", 4 * KIB, at=BASE + 32 * KIB),
        block("low", 8 * KIB),
        block("high", 8 * KIB),
        ties=[Tie(TieKind.OPPOSITE_BANK, ("low", "high"))],
    )
    found = placed(wanted, BANKED)
    assert found["low"] == (4 * KIB, 8 * KIB)
    assert found["high"] == (36 * KIB, 8 * KIB)


def test_a_block_may_lie_across_the_banks_unless_it_names_one():
    # 4 KiB taken at each end and 12 KiB twice for the pair leave 16 KiB in each bank, 20 KiB across the middle.
    blocks = (
        block("first", 4 * KIB, at=BASE),
        block("last", 4 * KIB, at=BASE + 60 * KIB),
        block("low", 12 * KIB),
        block("high", 12 * KIB),
    )
    pair = [Tie(TieKind.OPPOSITE_BANK, ("low", "high"))]
    found = placed(demand(*blocks, block("wide", 20 * KIB), ties=pair), BANKED)
    assert (found["low"][0], found["wide"][0], found["high"][0]) == (4 * KIB, 16 * KIB, 36 * KIB)
    assert isinstance(find_map(demand(*blocks, block("wide", 20 * KIB, bank=0), ties=pair), BANKED), Misfit)
    assert isinstance(find_map(demand(*blocks, block("wide", 24 * KIB), ties=pair), BANKED), Misfit)


def test_slots_grow_by_the_same_number_of_bytes_and_pinned_ones_stay():
    def slot(name, image, need, **more):
        return block(name, need, BlockRole.SLOT, image=image, **more)

    wanted = demand(slot("run:a", "a", 4 * KIB), slot("run:b", "b", 12 * KIB), block("log", 1))
    sizes = {name: size for name, (_, size) in placed(wanted, EVEN).items()}
    assert sizes == {"run:a": 28 * KIB, "run:b": 32 * KIB, "log": 4 * KIB}  # 20 each, then the last sector to a
    wanted = demand(slot("run:a", "a", 4 * KIB, size=8 * KIB), slot("run:b", "b", 12 * KIB))
    sizes = {name: size for name, (_, size) in placed(wanted, EVEN).items()}
    assert sizes == {"run:a": 8 * KIB, "run:b": 56 * KIB}
    sizes = {name: size for name, (_, size) in placed(wanted, EVEN, grow=False).items()}
    assert sizes == {"run:a": 8 * KIB, "run:b": 12 * KIB}


def test_the_other_slot_of_an_image_grows_up_to_the_one_that_is_pinned():
    def slot(name, image, need, **more):
        return block(name, need, BlockRole.SLOT, image=image, **more)

    pair = [Tie(TieKind.OPPOSITE_BANK, ("run:a", "second:a"))]
    wanted = demand(slot("run:a", "a", 4 * KIB, size=16 * KIB), slot("second:a", "a", 4 * KIB), ties=pair)
    assert {size for _, size in placed(wanted, BANKED).values()} == {16 * KIB}
    # Without the tie as well, before another image takes the rest, and no further than the pin.
    wanted = demand(
        slot("run:b", "b", 4 * KIB), slot("run:a", "a", 4 * KIB, size=16 * KIB), slot("second:a", "a", 4 * KIB)
    )
    sizes = {name: size for name, (_, size) in placed(wanted, EVEN).items()}
    assert sizes == {"run:a": 16 * KIB, "second:a": 16 * KIB, "run:b": 32 * KIB}
    # Where there is no room for all of it, as far as there is.
    wanted = demand(slot("run:a", "a", 4 * KIB, size=40 * KIB), slot("second:a", "a", 3 * KIB), block("log", 1))
    sizes = {name: size for name, (_, size) in placed(wanted, EVEN).items()}
    assert sizes == {"run:a": 40 * KIB, "second:a": 20 * KIB, "log": 4 * KIB}


def test_a_block_gets_its_first_memory_where_the_rest_still_fits():
    chip = chip_of((flash("flash", BASE, [(4, 4 * KIB)]), flash("outer", 0x9000_0000, [(8, 4 * KIB)])))
    wanted = demand(block("a", 12 * KIB, memories=("flash", "outer")), block("b", 8 * KIB))
    found = find_map(wanted, chip)
    assert isinstance(found, Map)
    assert [(r.block, r.memory) for r in found.regions] == [("b", "flash"), ("a", "outer")]


def test_the_first_boot_stage_lies_where_the_core_starts():
    chip = replace(EVEN, reset_address=BASE + 16 * KIB)
    assert placed(demand(block("boot", KIB, BlockRole.BOOT)), chip)["boot"][0] == 16 * KIB


def test_a_misfit_names_the_block_the_gap_and_the_smallest_change():
    wanted = demand(block("a", 40 * KIB), block("b", 24 * KIB + 100), block("c", 100))
    found = find_map(wanted, EVEN)
    assert isinstance(found, Misfit)
    # 10 + 7 + 1 sectors of 4 KiB into 16: either 100 bytes less of b and a sector elsewhere, or two sectors of one.
    assert found.block == "b"
    assert (found.gap_memory, found.gap_address, found.gap) == ("flash", BASE + 40 * KIB, 24 * KIB)
    assert (found.shrink_block, found.shrink_bytes) == ("b", 4 * KIB + 100)


def test_an_image_shrinks_in_all_its_slots():
    wanted = demand(
        block("run", 36 * KIB, BlockRole.SLOT, image="app"),
        block("stage", 36 * KIB, BlockRole.STAGING, image="app"),
        ties=[Tie(TieKind.SAME_SIZE, ("run", "stage"))],
    )
    found = find_map(wanted, EVEN)
    assert isinstance(found, Misfit)
    assert (found.shrink_block, found.shrink_bytes) == ("run", 4 * KIB)


OUTER = flash("outer", 0x9000_0000, [(8, 4 * KIB)])


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (block("a", KIB, at=0x100), "its pin 0x100 lies in none of its memories (flash)"),
        (block("a", KIB, at=BASE + 100), "inside a sector of flash: sectors start at 0x8000000 and 0x8001000"),
        (block("a", KIB, write_protect=True, memories=("outer",)), "no write protection covers outer"),
        (block("a", KIB, bank=1), "the bank that it must be in"),
        (block("a", 65 * KIB), "it needs 66560 bytes, flash has 65536"),
        (block("a", 8 * KIB, at=BASE + 60 * KIB), "from its pin 0x800F000 on there are 4096 bytes, it needs 8192"),
        (block("a", KIB, at=BASE, size=3 * KIB), "sectors of flash have 4096 or more"),
        (block("a", KIB, size=6 * KIB), "sectors of flash have 4096 or more"),
        (
            block("a", KIB, at=BASE + 4 * KIB, write_protect=True),
            "its pin 0x8001000 is not on a write-protection unit: they have 8192 bytes in flash, such as at "
            "0x8000000 and 0x8002000",
        ),
        (
            block("a", KIB, at=BASE, size=12 * KIB, write_protect=True),
            "its size is pinned to 12288 bytes, but write protection covers flash in units of 8192 bytes; pin it to "
            "16384, or leave it unprotected",
        ),
        (
            block("a", KIB, size=12 * KIB, write_protect=True),
            "its size is pinned to 12288 bytes, but write protection covers flash in units of 8192 bytes; pin it to "
            "16384, or leave it unprotected",
        ),
        (
            block("a", KIB, at=BASE + 4 * KIB, header=512, vector_align=512 * 3),
            "its vector table would be at 0x8001200 (pin 0x8001000, header of 512 bytes), which is not on a multiple "
            "of 1536",
        ),
        (
            block("a", KIB, header=256, vector_align=512),
            "no run of sectors in flash holds 1024 bytes and has its vector table on a multiple of 512 bytes behind a "
            "header of 256 bytes",
        ),
        (block("a", KIB, exclusive=False, at=BASE + 3), "its pin 0x8000003 is not on a program unit of 8 bytes"),
    ],
)
def test_a_block_without_any_place_is_told_why(wrong, words):
    chip = chip_of((flash("flash", BASE, [(16, 4 * KIB)]), OUTER), 8 * KIB)
    chip = replace(chip, protections=tuple(replace(p, covers=("flash",)) for p in chip.protections))
    found = find_map(demand(wrong), chip)
    assert isinstance(found, Misfit)
    assert found.reason.startswith("a has no place on this part: ")
    assert words in found.reason


@pytest.mark.parametrize(
    ("blocks", "words"),
    [
        (
            (block("a", 8 * KIB, at=BASE), block("b", KIB, at=BASE + 4 * KIB)),
            "b is pinned to 0x8001000, where it meets a, pinned to 0x8000000 and at least 8192 bytes long; ",
        ),
        (
            (block("a", KIB, at=BASE, write_protect=True, exclusive=False), block("b", KIB, at=BASE + 4 * KIB)),
            "where it meets a, pinned to 0x8000000 and at least 1024 bytes long: both touch one write-protection unit "
            "of 8192 bytes, only one is protected",
        ),
        (
            (block("a", KIB, at=BASE, exclusive=False), block("b", KIB, at=BASE)),
            "where it meets a, pinned to 0x8000000 and at least 1024 bytes long",
        ),
        (
            (block("a", 60 * KIB), block("log", 1, min_sectors=2)),
            "log needs 8192 bytes in at least 2 whole sectors; with the blocks before it placed, the largest gap is "
            "4096 bytes in flash at 0x800F000 (1 sector); 4096 bytes less of a would",
        ),
        (
            (block("a", 60 * KIB), block("b", KIB, header=KIB, vector_align=8 * KIB)),
            "b has no place on this part: no run of sectors in flash",
        ),
        (
            (block("a", 60 * KIB, at=BASE), block("b", KIB, vector_align=8 * KIB)),
            "the largest gap is 4096 bytes in flash at 0x800F000, where no place has its vector table on a multiple of "
            "8192 bytes",
        ),
        (
            (block("a", 5 * KIB, size=4 * KIB), block("b", 9 * KIB, size=8 * KIB)),
            "a is pinned to 4096 bytes, content and growth need 1024 more; b is pinned to 8192 bytes, content and "
            "growth need 1024 more; no smaller size",
        ),
        (
            (block("a", 5 * KIB, size=4 * KIB), block("b", 5 * KIB, size=4 * KIB)),
            "a and b are each pinned to 4096 bytes, content and growth need 1024 more",
        ),
        ((block("a", 5 * KIB, size=4 * KIB),), "need 1024 more; 1024 bytes less of a would make everything fit"),
        ((block("a", 64 * KIB), block("b", KIB)), "with the blocks before it placed, nothing is left"),
        ((block("a", 64 * KIB, image="app"), block("b", KIB)), "4096 bytes less of image 'app' (in a) would make"),
    ],
)
def test_what_is_in_the_way_is_told_with_figures(blocks, words):
    found = find_map(demand(*blocks), EVEN)
    assert isinstance(found, Misfit)
    assert words in found.reason


def test_pinned_sizes_that_must_be_one_size_are_told_apart():
    wanted = demand(
        block("run", KIB, size=8 * KIB),
        block("stage", KIB, size=16 * KIB),
        ties=[Tie(TieKind.SAME_SIZE, ("run", "stage"))],
    )
    found = find_map(wanted, EVEN)
    assert isinstance(found, Misfit)
    assert found.block == "stage"
    assert "run to 8192 bytes and stage to 16384 bytes are pinned, but must have one size" in found.reason


def test_what_the_part_cannot_host_is_not_searched():
    found = find_map(replace(demand(block("a", 1)), impossible="it has one bank"), EVEN)
    assert isinstance(found, Misfit)
    assert "it has one bank" in found.reason


@pytest.mark.parametrize(
    "wrong",
    [
        demand(block("a", 1), block("a", 1)),
        demand(block("a", 1, memories=("nowhere",))),
        demand(block("a", 1), ties=[Tie(TieKind.SAME_SIZE, ("a", "b"))]),
        demand(block("a", 1), block("b", 1), block("c", 1), ties=[Tie(TieKind.OPPOSITE_BANK, ("a", "b", "c"))]),
        demand(block("a", -1)),
    ],
)
def test_a_demand_that_contradicts_itself_is_refused(wrong):
    with pytest.raises(PlanError):
        find_map(wrong, EVEN)


def test_the_map_is_the_same_every_time():
    wanted = demand(*(block(f"b{i}", 3000 + 700 * i) for i in range(6)))
    assert find_map(wanted, EVEN) == find_map(wanted, EVEN)


def test_a_memory_without_erase_and_tens_of_thousands_of_units_is_no_burden():
    chip = chip_of((flash("flash", BASE, [(65536, 16)], erased=None),))
    wanted = demand(*(block(f"b{i}", 1000 * i + 5) for i in range(14)))
    assert len(placed(wanted, chip)) == 14


def exchange(*more, pinned=()):
    ties = [Tie(TieKind.SAME_SIZE, ("run", "stage")), Tie(TieKind.COMMON_MULTIPLE, ("run", "stage"))]
    lift = [Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("lift", "run", "stage"))] if more else []
    return demand(block("run", 4 * KIB), block("stage", 4 * KIB), *more, *pinned, ties=[*ties, *lift])


SANDWICHES = [(1, KIB), (1, 2 * KIB), (2, KIB), (1, 2 * KIB), (1, KIB)]


@pytest.mark.parametrize(
    ("runs", "wanted"),
    [
        # Pieces of 1 + 2 + 1 KiB pass as cut at 4 KiB, but with no sector of 4 KiB in them 2 KiB decides.
        ([*SANDWICHES, (1, 4 * KIB)], exchange(pinned=(block("keep", 1, at=BASE + 8 * KIB),))),
        ([*SANDWICHES, (1, 4 * KIB)], exchange()),
        ([*SANDWICHES, (2, 4 * KIB)], exchange()),
        ([*SANDWICHES, (2, 4 * KIB)], exchange(block("lift", 1))),
        ([*SANDWICHES, (3, 4 * KIB)], exchange(block("lift", 1))),
        ([*SANDWICHES, (2, 4 * KIB)], exchange(block("lift", 1, size=KIB))),
        ([*SANDWICHES, (2, 4 * KIB), (2, 2 * KIB)], exchange(block("lift", 1, at=BASE + 8 * KIB))),
    ],
)
def test_where_only_the_largest_sector_really_covered_decides_the_verdict_is_exact(runs, wanted):
    chip = chip_of((flash("flash", BASE, runs),))
    found = find_map(wanted, chip)
    assert isinstance(found, Map) == is_feasible(wanted, chip)
    if isinstance(found, Map):
        assert check_map(found, wanted, chip) == ()
