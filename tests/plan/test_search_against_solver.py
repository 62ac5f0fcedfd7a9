"""The search's verdicts against OR-tools CP-SAT, a constraint solver written by others, on a model written apart."""

from __future__ import annotations

import pytest
from constraint_model import is_feasible
from random_cases import random_case

from rootwright.layout.map import Map
from rootwright.plan.check import check_map
from rootwright.plan.search import find_map

CASES = range(5000, 5400)
BATCH = 25


@pytest.mark.slow
@pytest.mark.parametrize("first", CASES[::BATCH])
def test_verdicts_agree_with_the_constraint_solver(first):
    for seed in range(first, first + BATCH):
        demand, chip = random_case(seed)
        verdict = find_map(demand, chip)
        assert isinstance(verdict, Map) == is_feasible(demand, chip), f"seed {seed}"
        if isinstance(verdict, Map):
            assert check_map(verdict, demand, chip) == (), f"seed {seed}"


@pytest.mark.slow
def test_both_verdicts_are_common_among_the_cases_compared():
    infeasible = sum(not isinstance(find_map(*random_case(seed), grow=False), Map) for seed in CASES)
    assert 0.3 * len(CASES) <= infeasible <= 0.75 * len(CASES)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(7000, 7150, 30))
def test_the_smallest_change_is_the_smallest(first):
    """One byte less leaves it infeasible, by that much it fits; no other block or image gets along with less."""
    checked = 0
    for seed in range(first, first + 30):
        demand, chip = random_case(seed)
        verdict = find_map(demand, chip)
        if isinstance(verdict, Map):
            continue
        groups = {}
        for block in demand.blocks:
            groups.setdefault(block.image or block.name, {})[block.name] = block.min_size
        if verdict.shrink_block is None:
            for group in groups.values():
                assert not is_feasible(demand, chip, dict.fromkeys(group, 1)), f"seed {seed}: {group}"
            continue
        checked += 1
        chosen = demand.block(verdict.shrink_block)
        by = verdict.shrink_bytes
        smaller = {name: max(1, size - by) for name, size in groups[chosen.image or chosen.name].items()}
        assert is_feasible(demand, chip, smaller), f"seed {seed}"
        for group in groups.values():
            less = {name: max(1, size - by + 1) for name, size in group.items()}
            assert not is_feasible(demand, chip, less), f"seed {seed}: {group}"
    assert checked >= 3
