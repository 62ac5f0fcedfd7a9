"""A map that exists is judged as it is: no pin moves, each broken rule is told, the rest finds places around it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from random_cases import random_case
from test_plan_command import demo, run  # noqa: F401 - the fixture is used by name
from test_search import BANKED, BASE, EVEN, KIB, block, demand

from rootwright.layout.demand import BlockRole, Tie, TieKind
from rootwright.layout.map import Map
from rootwright.plan.check import RULES
from rootwright.plan.existing import judge_map
from rootwright.plan.search import find_map


def rules_of(judged):
    return [(violation.rule, violation.block) for violation in judged.violations]


def places(judged):
    return {region.block: (region.address - BASE, region.size) for region in judged.map.regions}


def test_a_sound_map_holds_and_the_rest_is_placed_around_it():
    wanted = demand(block("a", 4 * KIB, at=BASE + 8 * KIB, size=8 * KIB), block("b", 5 * KIB))
    judged = judge_map(wanted, EVEN)
    assert judged.holds
    assert judged.pinned == {"a"}
    assert places(judged) == {"b": (0, 8 * KIB), "a": (8 * KIB, 8 * KIB)}


def test_overlapping_pins_are_both_kept_and_told():
    wanted = demand(
        block("a", 4 * KIB, at=BASE, size=8 * KIB), block("b", KIB, at=BASE + 4 * KIB, size=4 * KIB), block("c", KIB)
    )
    judged = judge_map(wanted, EVEN)
    assert not judged.holds
    assert rules_of(judged) == [("map.overlap", "b")]
    assert places(judged) == {"a": (0, 8 * KIB), "b": (4 * KIB, 4 * KIB), "c": (8 * KIB, 4 * KIB)}
    (violation,) = judged.violations
    assert violation.address == BASE + 4 * KIB
    assert violation.mend == "move b to 0x8002000 or behind, or end a at 0x8001000"


def test_what_finds_no_place_around_the_pins_is_told():
    wanted = demand(block("a", 52 * KIB, at=BASE, size=52 * KIB), block("b", 12 * KIB), block("c", KIB))
    judged = judge_map(wanted, EVEN)
    assert rules_of(judged) == [("map.blocks", "c")]
    assert "c needs 4096 bytes" in judged.violations[0].found
    assert judged.violations[0].mend == "take 4096 bytes from b, or move or take out pins"
    assert set(places(judged)) == {"a", "b"}
    judged = judge_map(
        demand(block("a", 60 * KIB, at=BASE, size=60 * KIB), block("b", 8 * KIB), block("c", 8 * KIB)), EVEN
    )
    assert rules_of(judged) == [("map.blocks", "c"), ("map.blocks", "b")]
    assert judged.violations[1].mend == "move or take out pins, or choose another procedure or part"


def test_with_broken_pins_the_rest_is_still_looked_at():
    wanted = demand(
        block("a", 60 * KIB, at=BASE, size=60 * KIB),
        block("x", 5 * KIB, at=BASE + 56 * KIB, size=4 * KIB),
        block("b", 8 * KIB),
    )
    judged = judge_map(wanted, EVEN)
    assert rules_of(judged) == [("map.blocks", "b"), ("map.size", "x"), ("map.overlap", "x")]


@pytest.mark.parametrize(
    ("wrong", "rule"),
    [
        (block("a", KIB, at=BASE + KIB, size=4 * KIB), "map.sectors"),
        (block("a", 5 * KIB, at=BASE, size=4 * KIB), "map.size"),
        (block("a", KIB, at=BASE, size=4 * KIB, write_protect=True), "map.protect"),
        (block("a", KIB, at=BASE + 4 * KIB, size=4 * KIB, vector_align=8 * KIB), "map.vectors"),
        (block("a", KIB, at=0x1000, size=4 * KIB), "map.memory"),
        (block("a", 8 * KIB, at=BASE + 60 * KIB, size=8 * KIB), "map.memory"),
    ],
)
def test_each_rule_speaks_of_the_pinned_place(wrong, rule):
    judged = judge_map(demand(wrong), EVEN)
    assert rules_of(judged) == [(rule, "a")]
    assert judged.violations[0].address == wrong.at
    assert judged.violations[0].mend
    assert judged.violations[0].rule in RULES


def test_a_pin_without_a_size_takes_what_it_needs():
    wanted = demand(
        block("a", 5 * KIB, at=BASE),
        block("log", 1, at=BASE + 8 * KIB, min_sectors=2),
        block("keys", 100, at=BASE + 20 * KIB, exclusive=False),
        block("late", 8 * KIB, at=BASE + 60 * KIB),
    )
    judged = judge_map(wanted, EVEN)
    assert places(judged) == {
        "a": (0, 8 * KIB),
        "log": (8 * KIB, 8 * KIB),
        "keys": (20 * KIB, 104),
        "late": (60 * KIB, 8 * KIB),
    }
    assert rules_of(judged) == [("map.memory", "late")]


def test_ties_between_given_blocks_are_judged():
    pair = [
        block("a", KIB, at=BASE, size=4 * KIB),
        block("b", KIB, at=BASE + 36 * KIB, size=8 * KIB),
        block("c", KIB),
    ]
    ties = [Tie(TieKind.OPPOSITE_BANK, ("a", "b")), Tie(TieKind.SAME_SIZE, ("a", "b"))]
    judged = judge_map(demand(*pair, ties=ties), BANKED)
    assert rules_of(judged) == [("map.same-size", "b"), ("map.opposite", "b")]


def test_walls_of_two_kinds_in_one_protection_unit_do_not_hide_the_rest():
    wanted = demand(
        block("a", KIB, at=BASE, size=4 * KIB, write_protect=True),
        block("b", KIB, at=BASE + 4 * KIB, size=4 * KIB),
        block("c", KIB),
    )
    judged = judge_map(wanted, EVEN)
    assert ("map.protect", "b") in rules_of(judged)
    assert "c" in places(judged)


def test_a_procedure_that_the_part_cannot_host_is_told():
    judged = judge_map(replace(demand(block("a", 1)), impossible="it has one bank"), EVEN)
    assert rules_of(judged) == [("map.blocks", "")]
    assert "it has one bank" in judged.violations[0].found


@pytest.mark.slow
def test_the_judgement_of_random_maps_agrees_with_the_search():
    """A map that was found, pinned region by region, holds; with one region moved onto another it does not."""
    looked_at = 0
    for seed in range(5000, 5200):
        wanted, chip = random_case(seed)
        found = find_map(wanted, chip)
        if not isinstance(found, Map):
            continue
        looked_at += 1
        given = [replace(b, at=found.region(b.name).address, size=found.region(b.name).size) for b in wanted.blocks]
        judged = judge_map(replace(wanted, blocks=tuple(given)), chip)
        assert judged.holds, f"seed {seed}"
        assert judged.map.regions == found.regions
        if len(given) > 1:
            given[0] = replace(given[0], at=given[1].at)
            judged = judge_map(replace(wanted, blocks=tuple(given)), chip)
            assert not judged.holds, f"seed {seed}"
            assert judged.map.region(given[0].name).address == given[1].at
    assert looked_at > 40


def test_the_demo_keeps_every_rule(demo):  # noqa: F811
    status, text = run(demo, "--check")
    assert status == 0
    assert "the map keeps every rule" in text
    assert text.count("pinned") == 8


def test_a_map_with_mistakes_ends_with_one_and_says_where(demo):  # noqa: F811
    changes = ("--set", "pin.run:application.at=0x17800", "--set", "pin.journal.size=4KiB")
    status, text = run(demo, "--check", *changes)
    assert status == 1
    assert max(map(len, text.splitlines())) <= 120
    assert "violation: map.size at 0x00008000: journal: 1 of at least 2 sectors" in text
    assert "violation: map.sectors at 0x00017800" in text
    assert "finding: plan.link" in text
    status, text = run(demo, "--check", "--json", *changes)
    data = json.loads(text)
    assert status == 1
    assert not data["holds"]
    assert {v["rule"] for v in data["violations"]} == {"map.size", "map.sectors", "map.protect", "map.multiple"}
    assert next(r for r in data["regions"] if r["block"] == "run:application")["address"] == 0x17800


def test_limits_are_judged_once_every_block_has_a_region(demo):  # noqa: F811
    status, text = run(demo, "--check", "--set", "update.watchdog=10 ms")
    assert status == 1
    assert "finding: plan.watchdog" in text


def test_the_role_of_a_boot_stage_away_from_the_reset_address_is_the_engineers_word():
    judged = judge_map(demand(block("boot", KIB, BlockRole.BOOT, at=BASE + 4 * KIB, size=4 * KIB)), EVEN)
    assert judged.holds
