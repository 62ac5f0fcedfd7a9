"""The attack steps: the packaged catalogue, and what a product adds or puts in place of it."""

from __future__ import annotations

from functools import cache
from importlib import resources

from rootwright.describe.attack import AttackStep
from rootwright.describe.loading import load_steps
from rootwright.describe.product import Product


@cache
def packaged_steps() -> tuple[AttackStep, ...]:
    """Return the packaged catalogue, in order of file name and place.

    Example:
        >>> len(packaged_steps()) >= 60
        True
    """
    folder = resources.files("rootwright.review") / "steps"
    files = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".toml")), key=lambda entry: entry.name)
    return tuple(step for file in files for step in load_steps(file.read_text(encoding="utf-8"), file.name))


def steps_for(product: Product) -> tuple[AttackStep, ...]:
    """Return the catalogue with the product's own steps; one with a packaged step's id stands in its place."""
    own = {step.id: step for step in product.review.steps}
    packaged = tuple(own.pop(step.id, step) for step in packaged_steps())
    return (*packaged, *own.values())
