"""The ratings of all assets of one product."""

from __future__ import annotations

from rootwright.describe.attack import Asset, AttackStep, StepKind
from rootwright.describe.product import Attacker, Product
from rootwright.review.catalogue import steps_for
from rootwright.review.factors import NEEDED_TO_RESIST
from rootwright.review.facts import Facts
from rootwright.review.paths import Rating, Ways
from rootwright.review.result import AssetReview
from rootwright.review.sensitivity import find_guesses, find_losses

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


def applicable(steps: tuple[AttackStep, ...], facts: Facts) -> tuple[AttackStep, ...]:
    """Return the steps that make sense for a product."""
    return tuple(step for step in steps if set(step.when) <= facts.holding)


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
