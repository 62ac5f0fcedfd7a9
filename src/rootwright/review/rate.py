"""The review of one product: its facts, the ratings of all assets, and what breaks a rule."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from rootwright.describe.attack import Asset, AttackStep, Fact, StepKind
from rootwright.describe.product import Attacker, Product
from rootwright.plan.result import Finding, PlanResult
from rootwright.review.catalogue import steps_for
from rootwright.review.factors import NEEDED_TO_RESIST
from rootwright.review.facts import CutVerdict, Facts, FaultVerdict, find_facts
from rootwright.review.paths import Rating, Ways
from rootwright.review.result import AssetReview, ReviewResult
from rootwright.review.rules import Subject, check_rules
from rootwright.review.sensitivity import find_guesses, find_losses

if TYPE_CHECKING:
    from rootwright.plan.lockdown.result import LockdownPlan

ATTACKER_OF: dict[StepKind, Attacker] = {
    StepKind.CODE: Attacker.EXPLOITED_APPLICATION,
    StepKind.NETWORK: Attacker.NETWORK,
    StepKind.PROBE: Attacker.PROBE,
    StepKind.BUS: Attacker.EXTERNAL_BUS,
    StepKind.GLITCH: Attacker.GLITCH,
    StepKind.SIDE_CHANNEL: Attacker.GLITCH,
}
"""Whose step it is. Steps of other kinds are in scope always: standing near, power cuts, the line, the author."""

LOSSES = 2
"""Protections that are thought away at once."""


def make_review(
    product: Product,
    plan: PlanResult,
    *,
    lockdown: LockdownPlan | None = None,
    cuts: CutVerdict | None = None,
    bench: FaultVerdict | None = None,
) -> ReviewResult:
    """Return the review of a product.

    Args:
        product: The product on its part.
        plan: Its plan.
        lockdown: Which protections cover what; without it the product's words and the part's abilities count.
        cuts: The verdict of the check under power cuts; without it that counts as not checked.
        bench: The verdict of the bench; without it nothing was tried.
    """
    facts = find_facts(product, plan, lockdown=lockdown, cuts=cuts, bench=bench)
    assets = rate_assets(product, facts)
    found = [(finding, "review.resist") for finding in _short_findings(product, assets)]
    found += check_rules(Subject(product, plan, facts, bench))
    seen = (("lock-down", lockdown), ("prove", cuts), ("bench", bench))
    return ReviewResult(
        product=plan.product,
        chip=plan.chip,
        procedure=plan.chosen,
        resist=product.review.resist,
        own_steps=len(product.review.steps),
        steps=applicable(steps_for(product), facts),
        facts=facts,
        assets=assets,
        findings=tuple(finding for finding, _ in found),
        fields=tuple(field for _, field in found),
        seen=tuple(name for name, given in seen if given is not None),
    )


def _short_findings(product: Product, assets: tuple[AssetReview, ...]) -> Iterator[Finding]:
    resist = product.review.resist
    for review in assets:
        rating = review.in_scope
        if not review.shortfall or rating is None or resist is None:
            continue
        needed = NEEDED_TO_RESIST[resist]
        even_high = "even the higher guess" if rating.high < needed else "the lower guess"
        found = (
            f"{review.asset}: the cheapest way of attackers in scope is rated {rating.words}; to resist {resist} "
            f"attackers it must take {needed} points, and {even_high} stays below"
        )
        step = "see its ways, and which protection, guess or step of one's own would change them"
        yield Finding("review.resist", str(review.asset), found, step)


def applicable(steps: tuple[AttackStep, ...], facts: Facts) -> tuple[AttackStep, ...]:
    """Return the steps that make sense for a product.

    Two facts may be one mechanism: a debug lock for ever is lost together with the debug lock, not beside it. What such
    a lock stops is then put down to the one.
    """
    found = tuple(step for step in steps if set(step.when) <= facts.holding)
    if Fact.DEBUG_LOCK_FOR_EVER not in facts.holding:
        return found
    return tuple(replace(step, blocked_by=_one_lock(step.blocked_by)) for step in found)


def _one_lock(blocked_by: tuple[Fact, ...]) -> tuple[Fact, ...]:
    return tuple(dict.fromkeys(Fact.DEBUG_LOCK if fact is Fact.DEBUG_LOCK_FOR_EVER else fact for fact in blocked_by))


def rate_assets(product: Product, facts: Facts) -> tuple[AssetReview, ...]:
    """Return for every asset the cheapest ways to it and what its rating hangs on."""
    ways = Ways(applicable(steps_for(product), facts), facts.protections, losses=LOSSES)
    return tuple(_review(product, ways, asset) for asset in Asset if asset is not Asset.KEEP_AREAS or product.keep)


def _review(product: Product, ways: Ways, asset: Asset) -> AssetReview:
    scope = _scope(product, ways)
    in_scope = ways.front(asset, allowed=scope)
    further = ways.rate_further(asset)
    rating = ways.rate(asset, allowed=scope)
    return AssetReview(
        asset=asset,
        rating=ways.rate(asset),
        in_scope=rating,
        further=None if further is None else further[0],
        further_path=None if further is None else further[1],
        ways=len(ways.find(asset)),
        front=ways.front(asset),
        front_in_scope=in_scope,
        guesses=find_guesses(ways, asset),
        losses=find_losses(ways, asset),
        shortfall=_shortfall(product, rating),
    )


def _scope(product: Product, ways: Ways) -> int:
    """Return the steps of attackers in scope as a bit mask."""
    return sum(
        1 << index
        for index, step in enumerate(ways.steps)
        if step.kind not in ATTACKER_OF or ATTACKER_OF[step.kind] in product.attackers
    )


def _shortfall(product: Product, rating: Rating | None) -> int:
    """Return the points that the lower guess lacks of what the product asks; 0 where it lacks none."""
    if product.review.resist is None or rating is None:
        return 0
    return max(0, NEEDED_TO_RESIST[product.review.resist] - rating.low)
