"""What each stage is shown of a product: fields that are no matter to it are replaced by neutral values.

A stage runs on its view and its key is made from its view, so a kept result cannot depend on anything that the key
leaves out. Fields that are not named here stay in every view: a new one costs time at worst, never a wrong verdict.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePosixPath

from rootwright.describe.attack import Review
from rootwright.describe.chip import Chip, CryptoSpeeds, Erase, Timing
from rootwright.describe.product import Fleet, Link, PayloadPlace, Product, Update
from rootwright.layout.demand import Demand
from rootwright.layout.map import Map
from rootwright.plan.result import PlanResult

_NO_TIME = Timing(0.0, 0.0)
_NO_FLEET = Fleet(1, 1.0, 0.0)
_NO_LINK = Link("", 1.0)


def plan_view(product: Product) -> Product:
    """Return what the memory map and its figures depend on."""
    return replace(
        _without_people(product),
        vendor_domain="",
        class_name="",
        attackers=(),
        format=None,
        keys=tuple(replace(key, name="", file=PurePosixPath("-"), demo=False) for key in product.keys),
        images=tuple(
            replace(image, version="", precursor=None, precursor_second=None, precursor_version="")
            for image in product.images
        ),
        update=_without_release(product),
    )


def prove_view(product: Product) -> Product:
    """Return what the verdict under power cuts depends on, besides the map: times and texts do not count."""
    return replace(
        plan_view(product),
        attackers=product.attackers,
        fleet=_NO_FLEET,
        link=_NO_LINK,
        chip=without_times(product.chip),
    )


def same_for_prove(one: tuple[Product, PlanResult], other: tuple[Product, PlanResult], procedure: str) -> bool:
    """Say whether a procedure's verdict is sure to be the same for two products and their plans.

    Which procedure is the product's own is no matter to a procedure's verdict. True only where it has a map in both.
    """
    seen = []
    for product, plan in (one, other):
        view = prove_view(product)
        mine = next((each for each in plan.plans if each.demand.traits.name == procedure), None)
        if mine is None or mine.map is None:
            return False
        view = replace(view, update=replace(view.update, procedure=""), pins=())
        seen.append((view, bare_map(mine.map), bare_demand(mine.demand)))
    return seen[0] == seen[1]


def lockdown_view(product: Product) -> Product:
    """Return what the lock-down depends on, besides the map: no times, no firmware."""
    return replace(
        plan_view(product),
        attackers=product.attackers,
        review=product.review,
        assumptions=product.assumptions,
        keys=product.keys,
        fleet=_NO_FLEET,
        link=_NO_LINK,
        chip=without_times(product.chip),
    )


def review_view(product: Product) -> Product:
    """Return what the review depends on, besides map and verdicts: all but texts that no rule reads."""
    return replace(
        product,
        name="",
        model="",
        maker="",
        format=None,
        bench=None,
        images=tuple(replace(image, version="") for image in product.images),
        update=replace(product.update, sequence=1, description="-" if product.update.description else ""),
    )


def release_view(product: Product) -> Product:
    """Return what a release and its trials depend on, besides the map and the files."""
    return replace(
        product,
        assumptions=(),
        review=Review(),
        bench=None,
        attackers=(),
        pins=(),
        fleet=_NO_FLEET,
        link=_NO_LINK,
        chip=without_times(product.chip),
        keys=tuple(replace(key, name="", file=PurePosixPath("-"), demo=False) for key in product.keys[:1]),
        images=tuple(replace(image, growth=0.0) for image in product.images),
    )


def bench_view(product: Product) -> Product:
    """Return what a run of the boot program depends on, besides files: all but texts, figures and what is released."""
    return replace(
        _without_people(product),
        bench=product.bench,
        vendor_domain="",
        class_name="",
        attackers=(),
        keys=(),
        format=None,
        fleet=_NO_FLEET,
        link=_NO_LINK,
        update=_without_release(product),
        images=tuple(replace(image, version="", growth=0.0, precursor_version="") for image in product.images),
    )


def without_times(chip: Chip) -> Chip:
    """Return a part without what only figures are made of: times, clock, endurance, texts."""
    return replace(
        chip,
        title="",
        silicon="",
        clock_hz=1.0,
        crypto=CryptoSpeeds(_NO_TIME, ()),
        memories=tuple(
            replace(
                memory,
                erases=tuple(Erase(erase.size, _NO_TIME) for erase in memory.erases),
                program=_NO_TIME,
                endurance=0,
                read_bytes_per_s=0.0,
            )
            for memory in chip.memories
        ),
    )


def bare_map(memory_map: Map) -> Map:
    """Return a map without how full its regions are today."""
    return replace(memory_map, regions=tuple(replace(region, used=0) for region in memory_map.regions))


def bare_demand(demand: Demand) -> Demand:
    """Return a demand without how full its blocks are today; its map is made already."""
    return replace(demand, blocks=tuple(replace(block, content=0, min_size=0) for block in demand.blocks))


def _without_people(product: Product) -> Product:
    return replace(product, name="", model="", maker="", revision="", assumptions=(), review=Review(), bench=None)


def _without_release(product: Product) -> Update:
    return replace(product.update, sequence=1, payload=PayloadPlace.DETACHED, uri="", description="")
