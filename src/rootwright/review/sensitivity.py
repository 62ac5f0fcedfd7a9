"""What a rating hangs on: single guesses that change its band, and protections whose loss lowers it most."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from rootwright.describe.attack import AttackStep, Fact, Range
from rootwright.review.factors import FACTORS, Cost, moved
from rootwright.review.paths import Rating, Ways, bits

_MOST_DROP = 8
"""No factor's table has a larger difference between two rows; ways dearer by more cannot become the cheapest."""


@dataclass(frozen=True, slots=True)
class Guess:
    """One guess that changes an asset's band when both its ends move by one row of the factor's table.

    Attributes:
        by: -1 for one row cheaper, 1 for one row dearer.
        after: The asset's rating then.
    """

    step: str
    factor: str
    by: int
    after: Rating


@dataclass(frozen=True, slots=True)
class Loss:
    """What an asset's rating becomes when one protection is lost, or two at once."""

    protections: tuple[Fact, ...]
    after: Rating


def find_guesses(ways: Ways, prize: str) -> tuple[Guess, ...]:
    """Return the guesses about the cheapest ways that one row decides a band by, in order of the steps."""
    now = ways.rate(prize)
    if now is None:
        return ()
    found = ways.find(prize)
    points = {steps: _points(ways.first(steps)) for steps in found}
    near = [s for s in found if points[s][0] < now.low + _MOST_DROP or points[s][1] < now.high + _MOST_DROP]
    involved = 0
    for steps in near:
        if points[steps][0] == now.low or points[steps][1] == now.high:
            involved |= steps
    guesses = []
    for index in bits(involved):
        with_step = [s for s in near if s >> index & 1]
        others = [points[s] for s in found if not s >> index & 1]
        # Ways too dear to be moved to the front stay where they are, and matter where the cheap ones become dearer.
        others += [points[s] for s in found if s >> index & 1 and s not in with_step]
        for factor in FACTORS:
            for by in (-1, 1):
                guess = _moved_guess(ways.steps[index], factor, by)
                if guess is None:
                    continue
                new = [ways.first_with(s, index, guess) for s in with_step] + others
                after = Rating(min(low for low, _ in new), min(high for _, high in new))
                if after.bands != now.bands:
                    guesses.append(Guess(ways.steps[index].id, factor, by, after))
    return tuple(guesses)


def _points(costs: tuple[Cost, Cost]) -> tuple[int, int]:
    return costs[0].total, costs[1].total


def _moved_guess(step: AttackStep, factor: str, by: int) -> Range | None:
    """Return a step's first guess with both ends moved, ends that are at the table's edge kept; None if none moves."""
    low, high = moved(step.first.low, factor, by), moved(step.first.high, factor, by)
    if low is None and high is None:
        return None
    return Range(low or step.first.low, high or step.first.high)


def find_losses(ways: Ways, prize: str) -> tuple[Loss, ...]:
    """Return what the loss of each protection, and of two at once, makes of a rating, the largest drop first.

    Only what lowers it; a pair only where it lowers more than either of the two alone. `ways` must have been made for
    as many losses.
    """
    base = ways.rate(prize)
    dear = (10_000, 10_000) if base is None else (base.low, base.high)
    best: dict[int, tuple[int, int]] = {}
    for steps, blocks, touching in ways.entries(prize):
        cheapest = ways.first_under(steps, 0)
        if cheapest[0].total >= dear[0] and cheapest[1].total >= dear[1]:
            continue
        concerned = list(bits(blocks | touching))
        for count in range(1, ways.losses + 1):
            for lost in combinations(concerned, count):
                gone = sum(1 << place for place in lost)
                if blocks & ~gone:
                    continue
                low, high = ways.first_under(steps, ~gone)
                had = best.get(gone, dear)
                best[gone] = (min(had[0], low.total), min(had[1], high.total))
    losses = []
    for gone, points in best.items():
        parts = [best.get(gone & ~(1 << place), dear) if gone.bit_count() > 1 else dear for place in bits(gone)]
        floor = (min(p[0] for p in parts), min(p[1] for p in parts))
        after = (min(points[0], floor[0]), min(points[1], floor[1]))
        if after < floor or after[1] < floor[1]:
            losses.append(Loss(tuple(ways.protections[place] for place in bits(gone)), Rating(*after)))
    return tuple(
        sorted(
            losses, key=lambda loss: (sum((loss.after.low, loss.after.high)), len(loss.protections), loss.protections)
        )
    )
