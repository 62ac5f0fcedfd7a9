"""Each rule of the map check, broken on purpose in an otherwise sound map."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_search import BANKED, BASE, EVEN, KIB, UNEVEN, block, demand

from rootwright.layout.demand import BlockRole, Tie, TieKind
from rootwright.layout.map import Map, Region
from rootwright.plan.check import RULES, check_map

ROLE = BlockRole.KEEP


def region(name, start, size, first, sectors, memory="flash", role=ROLE):
    return Region(name, role, memory, BASE + start, size, first, sectors, 1)


def broken(wanted, chip, *regions):
    return [(v.rule, v.block) for v in check_map(Map("part", "test", regions), wanted, chip)]


CASES = {
    "map.blocks": (demand(block("a", 1)), EVEN, ()),
    "map.memory": (demand(block("a", 1)), EVEN, (region("a", 64 * KIB, 4 * KIB, 16, 1),)),
    "map.bank": (demand(block("a", 1, bank=1)), BANKED, (region("a", 0, 4 * KIB, 0, 1),)),
    "map.size": (demand(block("a", 5000)), EVEN, (region("a", 0, 4 * KIB, 0, 1),)),
    "map.pin": (demand(block("a", 1, at=BASE)), EVEN, (region("a", 4 * KIB, 4 * KIB, 1, 1),)),
    "map.sectors": (demand(block("a", 1)), EVEN, (region("a", 0, 6 * KIB, 0, 2),)),
    "map.overlap": (
        demand(block("a", 1), block("b", 1, exclusive=False)),
        EVEN,
        (region("a", 0, 4 * KIB, 0, 1), region("b", 2 * KIB, KIB, 0, 1)),
    ),
    "map.protect": (
        demand(block("a", 1, exclusive=False, write_protect=True), block("b", 1)),
        EVEN,
        (region("a", 0, KIB, 0, 1), region("b", 4 * KIB, 4 * KIB, 1, 1)),
    ),
    "map.vectors": (demand(block("a", 1, vector_align=8192)), EVEN, (region("a", 4 * KIB, 4 * KIB, 1, 1),)),
    "map.reset": (
        demand(block("a", 1, BlockRole.BOOT)),
        EVEN,
        (region("a", 4 * KIB, 4 * KIB, 1, 1, role=BlockRole.BOOT),),
    ),
    "map.same-size": (
        demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.SAME_SIZE, ("a", "b"))]),
        EVEN,
        (region("a", 0, 4 * KIB, 0, 1), region("b", 4 * KIB, 8 * KIB, 1, 2)),
    ),
    "map.same-pattern": (
        demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.SAME_PATTERN, ("a", "b"))]),
        UNEVEN,
        (region("a", 0, 128 * KIB, 0, 5), region("b", 128 * KIB, 128 * KIB, 5, 1)),
    ),
    "map.opposite": (
        demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.OPPOSITE_BANK, ("a", "b"))]),
        BANKED,
        (region("a", 0, 4 * KIB, 0, 1), region("b", 36 * KIB, 4 * KIB, 9, 1)),
    ),
    "map.lift": (
        demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("a", "b"))]),
        UNEVEN,
        (region("a", 0, 16 * KIB, 0, 1), region("b", 64 * KIB, 64 * KIB, 4, 1)),
    ),
    "map.multiple": (
        demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.COMMON_MULTIPLE, ("a", "b"))]),
        UNEVEN,
        (region("a", 0, 48 * KIB, 0, 3), region("b", 64 * KIB, 64 * KIB, 4, 1)),
    ),
    "map.figures": (demand(block("a", 1)), EVEN, (region("a", 0, 4 * KIB, 0, 2),)),
}


def test_every_rule_has_a_case():
    assert set(CASES) == set(RULES)


@pytest.mark.parametrize("rule", CASES)
def test_a_map_that_breaks_one_rule_is_told_of_that_rule(rule):
    wanted, chip, regions = CASES[rule]
    assert {found for found, _ in broken(wanted, chip, *regions)} == {rule}


def test_a_violation_says_where_and_what_would_mend_it():
    wanted, chip, regions = CASES["map.pin"]
    (found,) = check_map(Map("part", "test", regions), wanted, chip)
    assert found.address == BASE + 4 * KIB
    assert "0x8000000" in found.found
    assert found.mend


@pytest.mark.parametrize(
    ("wanted", "regions", "rule"),
    [
        (demand(block("a", 1)), (region("a", 0, 4096, 0, 1), region("x", 4096, 4096, 1, 1)), "map.blocks"),
        (demand(block("a", 1)), (region("a", 0, 4096, 0, 1, memory="nowhere"),), "map.memory"),
        (demand(block("a", 1)), (region("a", 0, 0, 0, 0),), "map.memory"),
        (demand(block("a", 1, min_sectors=2)), (region("a", 0, 4096, 0, 1),), "map.size"),
        (demand(block("a", 1, size=8192)), (region("a", 0, 4096, 0, 1),), "map.pin"),
        (demand(block("a", 1, exclusive=False)), (region("a", 4, 12, 0, 1),), "map.sectors"),
        (demand(block("a", 1, write_protect=True)), (region("a", 0, 4096, 0, 1),), "map.protect"),
        (
            demand(block("a", 1, exclusive=False), block("b", 1, exclusive=False)),
            (region("a", 0, 16, 0, 1), region("b", 8, 16, 0, 1)),
            "map.overlap",
        ),
    ],
)
def test_other_ways_to_break_a_rule(wanted, regions, rule):
    assert {found for found, _ in broken(wanted, EVEN, *regions)} == {rule}


def test_write_protection_that_does_not_exist_is_told():
    wanted = demand(block("a", 1, write_protect=True))
    assert broken(wanted, UNEVEN, region("a", 0, 16 * KIB, 0, 1)) == [("map.protect", "a")]


def test_a_pair_must_stay_in_its_banks():
    wanted = demand(block("a", 1), block("b", 1), ties=[Tie(TieKind.OPPOSITE_BANK, ("a", "b"))])
    found = broken(wanted, BANKED, region("a", 24 * KIB, 12 * KIB, 6, 3), region("b", 56 * KIB, 4 * KIB, 14, 1))
    assert found == [("map.opposite", "a")]


def test_a_pinned_boot_stage_needs_no_reset_address():
    wanted = demand(block("a", 1, BlockRole.BOOT, at=BASE + 4 * KIB))
    assert broken(wanted, EVEN, region("a", 4 * KIB, 4 * KIB, 1, 1, role=BlockRole.BOOT)) == []
    assert replace(EVEN, reset_address=0).reset_address == 0
