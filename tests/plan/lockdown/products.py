"""Products for the lock-down's tests: a starter on any part, changed where a test wants it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from typing import Any

from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip
from rootwright.describe.product import Procedure, Product
from rootwright.describe.product_file import ProductForm
from rootwright.describe.starter import starter_product
from rootwright.device.procedures.demands import demand
from rootwright.layout.demand import Demand
from rootwright.layout.map import Map
from rootwright.plan.lockdown.build import make_lockdown
from rootwright.plan.lockdown.result import LockdownPlan
from rootwright.plan.search import find_map

PARTS = (
    "no-isolation",
    "external-flash-only",
    "write-protection-only",
    "protection-unit-only",
    "one-time-word-policy",
    "two-banks-settings-area",
    "locks-until-reset",
    "rv32-pmp",
    "gated-code-area",
    "closed-area-large-sectors",
    "closed-until-reset-area",
    "key-vault",
    "secure-split",
    "secure-split-no-erase",
)


def starter(chip: Chip | str, **changes: Any) -> Product:
    """Return the starter product on a part, with some of its fields changed."""
    part = load_chip(chip) if isinstance(chip, str) else chip
    form = ProductForm.model_validate(tomllib.loads(starter_product(part, "part.toml")))
    return replace(form.build(part), **changes)


def with_procedure(product: Product, procedure: Procedure) -> Product:
    return replace(product, update=replace(product.update, procedure=procedure.value))


@cache
def mapped(product: Product) -> tuple[Map, Demand]:
    """Return the map of a product's own procedure and its demand."""
    sizes = {image.name: (image.size or 0) - image.around_bytes for image in product.images}
    wanted = demand(Procedure(product.update.procedure), product, sizes)
    found = find_map(wanted, product.chip)
    assert isinstance(found, Map), found
    return found, wanted


def locked(product: Product) -> LockdownPlan:
    """Return the lock-down of a product on its own map."""
    return make_lockdown(product, *mapped(product))
