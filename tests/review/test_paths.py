"""The search for ways, against trying every subset of small random catalogues."""

from __future__ import annotations

from itertools import combinations
from random import Random

import pytest
from exhaustive import GOAL, PROTECTIONS, all_costs, catalogue, pareto, points, reaches

from rootwright.describe.attack import AttackStep, Effort, Fact, Gain, Range, StepKind
from rootwright.errors import PlanError
from rootwright.review import paths
from rootwright.review.factors import FACTORS
from rootwright.review.paths import Rating, Ways
from rootwright.review.sensitivity import _moved_guess, find_guesses, find_losses

SEEDS = range(240)


def case(seed: int) -> tuple[tuple[AttackStep, ...], frozenset[Fact]]:
    random = Random(seed)
    steps = catalogue(random, random.choice((5, 7, 9)))
    return steps, frozenset(random.sample(PROTECTIONS, random.randrange(5)))


def brute_rating(steps: tuple[AttackStep, ...], held: frozenset[Fact]) -> Rating | None:
    found = [(sum(low), sum(high)) for _, low, high, _, _ in all_costs(steps, held, GOAL)]
    return Rating(min(f[0] for f in found), min(f[1] for f in found)) if found else None


@pytest.mark.slow
def test_front_rating_and_minimal_ways_are_those_of_exhaustive_enumeration() -> None:
    reached = several = 0
    for seed in SEEDS:
        steps, held = case(seed)
        ways = Ways(steps, held)
        found = list(all_costs(steps, held, GOAL))
        front = ways.front(GOAL)
        keys = pareto((*low, *high) for _, low, high, _, _ in found)
        assert {(*p.low.points, *p.high.points) for p in front} == keys, seed
        assert ways.rate(GOAL) == brute_rating(steps, held), seed
        further = ways.rate_further(GOAL)
        if found:
            assert further is not None
            assert further[0] == Rating(min(f[3] for f in found), min(f[4] for f in found)), seed
        minimal = [set(c) for c, *_ in found]
        minimal = [c for c in minimal if not any(other < c for other in minimal)]
        masks = {ways.mask_of(s.id for s in c) for c in minimal}
        assert set(ways.find(GOAL)) == masks, seed
        reached += bool(front)
        several += len(front) > 1
    assert reached > 120  # the cases are not all dead ends
    assert several > 40


@pytest.mark.slow
def test_losses_are_those_of_exhaustive_enumeration() -> None:
    told = pairs = 0
    for seed in SEEDS:
        steps, held = case(seed)
        ways = Ways(steps, held, losses=2)
        base = brute_rating(steps, held)
        losses = {loss.protections: loss.after for loss in find_losses(ways, GOAL)}
        alone: dict[Fact, Rating | None] = {}
        for fact in held:
            alone[fact] = brute_rating(steps, held - {fact})
            lowers = alone[fact] != base
            assert ((fact,) in losses) == lowers, seed
            if lowers:
                assert losses[fact,] == alone[fact], seed
                told += 1
        for pair in combinations(ways.protections, 2):
            after = brute_rating(steps, held - set(pair))
            best = [rating for rating in (alone[pair[0]], alone[pair[1]], base) if rating is not None]
            if after is None:
                assert pair not in losses
                continue
            lows, highs = min((r.low for r in best), default=99), min((r.high for r in best), default=99)
            lowers = after.low < lows or after.high < highs
            assert (pair in losses) == lowers, seed
            if lowers:
                assert losses[pair] == after, seed
                pairs += 1
    assert told > 30
    assert pairs > 10


@pytest.mark.slow
def test_deciding_guesses_are_those_of_exhaustive_enumeration() -> None:
    told = 0
    for seed in range(100):
        steps, held = case(seed)
        ways = Ways(steps, held)
        base = ways.rate(GOAL)
        guesses = {(g.step, g.factor, g.by): g.after for g in find_guesses(ways, GOAL)}
        if base is None:
            assert not guesses
            continue
        cheapest = {
            step.id
            for chosen in ways.find(GOAL)
            for step in steps
            if ways.mask_of([step.id]) & chosen
            and (ways.first(chosen)[0].total == base.low or ways.first(chosen)[1].total == base.high)
        }
        for place, step in enumerate(steps):
            for factor in FACTORS:
                for by in (-1, 1):
                    guess = _moved_guess(step, factor, by)
                    if guess is None or step.id not in cheapest:
                        assert (step.id, factor, by) not in guesses
                        continue
                    changed = AttackStep(
                        step.id, "-", step.kind, step.needs, step.gives, (), step.blocked_by, step.raised_by, guess,
                        step.again, (), "-", "-",
                    )  # fmt: skip
                    after = brute_rating((*steps[:place], changed, *steps[place + 1 :]), held)
                    assert after is not None
                    assert ((step.id, factor, by) in guesses) == (after.bands != base.bands), seed
                    if after.bands != base.bands:
                        assert guesses[step.id, factor, by] == after
                        told += 1
    assert told > 30


def step(name: str, needs: tuple[Gain, ...], gives: tuple[str, ...], days: float = 1) -> AttackStep:
    effort = Range(Effort(days=days), Effort(days=days))
    return AttackStep(name, "-", StepKind.CODE, needs, gives, (), (), (), effort, effort, (), "-", "-")  # type: ignore[arg-type]


def test_steps_that_only_support_one_another_reach_nothing() -> None:
    a = step("a", (Gain.KNOWN_FLAW,), (Gain.APPLICATION_CODE,))
    b = step("b", (Gain.APPLICATION_CODE,), (Gain.KNOWN_FLAW, GOAL))
    assert Ways([a, b], ()).rate(GOAL) is None
    assert not reaches([a, b], GOAL)


def test_a_shared_step_is_paid_once() -> None:
    steps = [
        step("link", (), (Gain.ON_THE_LINK,), 20),
        step("flaw", (Gain.ON_THE_LINK,), (Gain.KNOWN_FLAW,)),
        step("use", (Gain.ON_THE_LINK, Gain.KNOWN_FLAW), (GOAL,)),
    ]
    (path,) = Ways(steps, ()).front(GOAL)
    assert path.steps == ("link", "flaw", "use")
    assert path.first == Rating(4, 4)  # 22 days, not 43
    assert points(s.first.low for s in steps) == path.low.points


def test_steps_come_in_an_order_in_which_they_can_be_taken() -> None:
    steps = [
        step("use", (Gain.KNOWN_FLAW,), (GOAL,)),
        step("flaw", (Gain.OWN_DEVICE,), (Gain.KNOWN_FLAW,)),
        step("buy", (), (Gain.OWN_DEVICE,)),
    ]
    assert Ways(steps, ()).front(GOAL)[0].steps == ("buy", "flaw", "use")


def test_no_way_is_no_rating() -> None:
    ways = Ways([step("use", (Gain.KNOWN_FLAW,), (GOAL,))], ())
    assert ways.rate(GOAL) is None
    assert ways.rate_further(GOAL) is None
    assert ways.front(GOAL) == ()


def test_a_catalogue_with_too_many_combinations_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paths, "MOST_TRIED", 10)
    steps = [step(f"s{n}", (), (Gain.ON_THE_LINK,), n) for n in range(6)]
    steps += [step(f"t{n}", (Gain.ON_THE_LINK,), (GOAL,), n) for n in range(6)]
    with pytest.raises(PlanError, match="more than 10 combinations of steps lead to boot code"):
        Ways(steps, ())


def test_a_catalogue_with_too_many_ways_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paths, "MOST_WAYS", 3)
    with pytest.raises(PlanError, match="more than 3 ways lead to boot code"):
        Ways([step(f"s{n}", (), (GOAL,), n) for n in range(4)], ())
