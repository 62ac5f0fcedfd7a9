"""The demo product, and the same without anything that a rule could object to."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath

import pytest

from rootwright.describe.attack import Measure, Review
from rootwright.describe.loading import load_product
from rootwright.describe.product import KeySpec, Product
from rootwright.pipeline import plan_product
from rootwright.plan.result import PlanResult


@pytest.fixture(scope="session")
def demo_folder(repository: Path) -> Path:
    return repository / "demo" / "river-gauge"


@pytest.fixture(scope="session")
def demo(demo_folder: Path) -> Product:
    return load_product(demo_folder / "product.toml")


@pytest.fixture(scope="session")
def demo_plan(demo: Product, demo_folder: Path) -> PlanResult:
    return plan_product(demo, demo_folder)


@pytest.fixture(scope="session")
def sound(demo: Product) -> Product:
    """The demo product with everything declared, so that no rule has anything to say."""
    key = demo.keys[0]
    return replace(
        demo,
        vendor_domain="alderwater.zz",  # a top name that is not in use
        update=replace(demo.update, uri="coaps://updates.alderwater.zz/rl-2/"),
        keys=(
            replace(key, demo=False),
            KeySpec("reserve", "Ed25519", PurePosixPath("keys/reserve.pem")),
        ),
        unprivileged=True,
        review=Review(measures=tuple(Measure)),
    )


@pytest.fixture(scope="session")
def sound_plan(sound: Product, demo_folder: Path) -> PlanResult:
    return plan_product(sound, demo_folder)
