"""What a review gives: the rating of each asset with its cheapest ways, the facts behind it, and the findings."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from rootwright.describe.attack import Asset, AttackStep, Resist
from rootwright.plan.result import Finding
from rootwright.review.facts import Facts
from rootwright.review.paths import Path, Rating
from rootwright.review.sensitivity import Guess, Loss


@dataclass(frozen=True, slots=True)
class AssetReview:
    """What it takes to reach one asset.

    Attributes:
        rating: The cheapest way at the first device, of all that the catalogue has; None where it has none.
        in_scope: The same, of the ways that only attackers in scope take.
        further: The cheapest way at each further device: what a break of the whole class takes.
        further_path: That way.
        ways: How many ways are open.
        front: The ways that no other one beats in every factor, cheapest first; `front_in_scope` of those in scope.
        guesses: Guesses that decide the band.
        losses: Protections whose loss lowers the rating, the largest drop first.
        shortfall: Points that the lower guess in scope lacks of what the product asks; 0 where none.
    """

    asset: Asset
    rating: Rating | None
    in_scope: Rating | None
    further: Rating | None
    further_path: Path | None
    ways: int
    front: tuple[Path, ...]
    front_in_scope: tuple[Path, ...]
    guesses: tuple[Guess, ...]
    losses: tuple[Loss, ...]
    shortfall: int


@dataclass(frozen=True, slots=True)
class ReviewResult:
    """The review of one product.

    Attributes:
        own_steps: How many steps are the product's own.
        steps: The steps that make sense for the product.
        findings: Rules that are broken, and assets that are rated below what the product asks.
        fields: For each finding the field of product or chip file that it is about.
        seen: What else the facts rest on: "lock-down", "prove", "bench", as far as given.
    """

    product: str
    chip: str
    procedure: str
    resist: Resist | None
    own_steps: int
    steps: tuple[AttackStep, ...]
    facts: Facts
    assets: tuple[AssetReview, ...]
    findings: tuple[Finding, ...]
    fields: tuple[str, ...]
    seen: tuple[str, ...] = ()

    @property
    def has_findings(self) -> bool:
        """Whether a finding is more than a note."""
        return any(not finding.note for finding in self.findings)

    def step(self, identifier: str) -> AttackStep:
        """Return a step by its id; KeyError where the product has none of that name."""
        for step in self.steps:
            if step.id == identifier:
                return step
        raise KeyError(identifier)

    def asset(self, asset: Asset) -> AssetReview:
        """Return the review of one asset; KeyError where the product has no such asset."""
        for review in self.assets:
            if review.asset is asset:
                return review
        raise KeyError(asset)

    def as_data(self) -> dict[str, Any]:
        """Return the review as plain dictionaries, lists, numbers and texts, ready for JSON.

        `version` rises when a key goes away or changes its meaning; new keys may come without that.
        """
        used = {step for review in self.assets for path in _paths(review) for step in path.steps}
        return {
            "version": 1,
            "product": self.product,
            "chip": self.chip,
            "procedure": self.procedure,
            "resist": self.resist,
            "own_steps": self.own_steps,
            "seen": list(self.seen),
            "facts": [{**asdict(row), "protection": row.is_protection} for row in self.facts.rows],
            "assets": [_asset_data(review) for review in self.assets],
            "steps": [_step_data(step) for step in self.steps if step.id in used],
            "findings": [
                {**asdict(finding), "field": field} for finding, field in zip(self.findings, self.fields, strict=True)
            ],
        }


def _paths(review: AssetReview) -> tuple[Path, ...]:
    last = () if review.further_path is None else (review.further_path,)
    return (*review.front, *review.front_in_scope, *last)


def rating_data(rating: Rating | None) -> dict[str, Any] | None:
    """Return a rating as plain data; None for none."""
    if rating is None:
        return None
    return {"low": rating.low, "high": rating.high, "bands": list(rating.bands)}


def _path_data(path: Path) -> dict[str, Any]:
    return {
        "steps": list(path.steps),
        "first": rating_data(path.first),
        "further": rating_data(path.further),
        "points": {"low": list(path.low.points), "high": list(path.high.points)},
    }


def _asset_data(review: AssetReview) -> dict[str, Any]:
    return {
        "asset": review.asset,
        "rating": rating_data(review.rating),
        "in_scope": rating_data(review.in_scope),
        "further": rating_data(review.further),
        "further_path": None if review.further_path is None else _path_data(review.further_path),
        "ways": review.ways,
        "front": [_path_data(path) for path in review.front],
        "front_in_scope": [_path_data(path) for path in review.front_in_scope],
        "guesses": [
            {"step": g.step, "factor": g.factor, "by": g.by, "after": rating_data(g.after)} for g in review.guesses
        ],
        "losses": [{"protections": list(loss.protections), "after": rating_data(loss.after)} for loss in review.losses],
        "shortfall": review.shortfall,
    }


def _step_data(step: AttackStep) -> dict[str, Any]:
    return {
        "id": step.id,
        "title": step.title,
        "kind": step.kind,
        "needs": list(step.needs),
        "gives": list(step.gives),
        "blocked_by": list(step.blocked_by),
        "raised_by": [raised.by for raised in step.raised_by],
        "why": step.why,
        "source": step.source,
        "rater": step.rater,
    }
