"""A campaign within a stated number of faults: the cheap models, spread evenly over the instructions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rootwright.bench.campaign import Plan, occurrences
from rootwright.bench.faults import CHEAP, Fault, Injector
from rootwright.bench.golden import Golden
from rootwright.bench.subject import Subject


@dataclass(frozen=True, slots=True)
class Fitted:
    """Plans that together have at most so many faults.

    Attributes:
        step: One in so many of the chosen instructions is faulted.
        faults, chosen: Faults of these plans, and with a step of one.
    """

    plans: tuple[Plan, ...]
    step: int
    faults: int
    chosen: int

    @property
    def words(self) -> str:
        """What is left of a campaign, in words."""
        models = ", ".join(model.value for model in CHEAP)
        part = "all" if self.step == 1 else f"one in {self.step:,}"
        return (
            f"a budget of {self.faults:,} faults: models {models} alone, at {part} of the first, last and two chosen "
            "occurrences of each instruction"
        )


def fit(subject: Subject, goldens: Sequence[Golden], most: int) -> Fitted:
    """Return plans for golden runs with hooks, of at most `most` faults; at least one instruction stays."""
    sites = [occurrences(golden.pcs) for golden in goldens]
    costs = [_costs(subject, golden, each) for golden, each in zip(goldens, sites, strict=True)]
    chosen = sum(map(sum, costs))
    step = max(1, -(-chosen // max(most, 1)))
    longest = max(map(len, sites), default=0)
    # Each run begins elsewhere: runs have their first instructions in common.
    while step < longest and _left(costs, step) > most:
        step += 1
    plans = [
        Plan(golden.start, True, (), CHEAP, tuple(each[run % step :: step]), len(golden.pcs))
        for run, (golden, each) in enumerate(zip(goldens, sites, strict=True))
    ]
    return Fitted(tuple(plans), step, _left(costs, step), chosen)


def _left(costs: Sequence[Sequence[int]], step: int) -> int:
    return sum(sum(each[run % step :: step]) for run, each in enumerate(costs))


def _costs(subject: Subject, golden: Golden, sites: Sequence[int]) -> list[int]:
    """Return how many faults there are at each of a run's instructions."""
    injector = Injector(subject.board(), subject.firmware, golden.pcs)
    return [len(_faults(injector, index)) for index in sites]


def _faults(injector: Injector, index: int) -> list[Fault]:
    return list(injector.faults_at(index, CHEAP))
