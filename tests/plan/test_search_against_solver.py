"""The search's verdicts against OR-tools CP-SAT, a constraint solver written by others, on a model written apart."""

from __future__ import annotations

import pytest
from constraint_model import is_feasible
from random_cases import random_case

from rootwright.layout.map import Map
from rootwright.plan.check import check_map
from rootwright.plan.search import find_map

BATCH = 50
FEASIBLE: dict[int, int] = {}


@pytest.mark.slow
@pytest.mark.parametrize("first", range(5000, 5400, BATCH))
def test_verdicts_agree_with_the_constraint_solver(first):
    feasible = 0
    for seed in range(first, first + BATCH):
        demand, chip = random_case(seed)
        verdict = find_map(demand, chip)
        solver_says = is_feasible(demand, chip)
        assert isinstance(verdict, Map) == solver_says, f"seed {seed}"
        if isinstance(verdict, Map):
            assert check_map(verdict, demand, chip) == (), f"seed {seed}"
        feasible += solver_says
    # The comparison means something only where both verdicts are common: at least 30 % and 10 % in each batch.
    assert 0.1 * BATCH <= feasible <= 0.7 * BATCH


@pytest.mark.slow
@pytest.mark.parametrize("first", range(7000, 7090, 30))
def test_the_smallest_change_is_the_smallest(first):
    """One byte less leaves it infeasible, by that much it fits; no other block or image gets along with less."""
    checked = 0
    for seed in range(first, first + 30):
        demand, chip = random_case(seed)
        verdict = find_map(demand, chip)
        if isinstance(verdict, Map):
            continue
        least = {b.name: b.min_size for b in demand.blocks}
        if verdict.shrink_block is None:
            for name in least:
                assert not is_feasible(demand, chip, {name: 1}), f"seed {seed}: {name}"
            continue
        checked += 1
        name = verdict.shrink_block
        assert is_feasible(demand, chip, {name: least[name] - verdict.shrink_bytes}), f"seed {seed}"
        for other, size in least.items():
            less = size - verdict.shrink_bytes + 1
            assert not is_feasible(demand, chip, {other: max(1, less)}), f"seed {seed}: {other}"
    assert checked >= 3
