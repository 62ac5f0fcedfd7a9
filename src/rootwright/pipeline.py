"""The stages joined: from a product and its files to results."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from rootwright.describe.product import ImageRole, ImageSpec, Product
from rootwright.device.procedures import demands
from rootwright.errors import PlanError
from rootwright.image.reading import read_image
from rootwright.layout.demand import Demand
from rootwright.layout.map import Map
from rootwright.plan.result import Finding, PlanResult, ProcedurePlan
from rootwright.plan.search import find_map
from rootwright.plan.table import find_limits, find_link_mismatches, make_row

_PREFIX = {ImageRole.BOOT_STAGE: "boot", ImageRole.RECOVERY: "recovery"}


def plan_product(
    product: Product, folder: Path, *, procedure: str | None = None, more: tuple[Demand, ...] = ()
) -> PlanResult:
    """Return the maps and figures of all procedures, and the findings about the product's own.

    Args:
        product: The product.
        folder: Where its files are.
        procedure: The procedure to look at instead of the product's own.
        more: Demands of procedures that the product brings itself.

    Raises:
        PlanError: The procedure is not known, or an image has neither file nor size.
        ImageError: A firmware file cannot be read.
    """
    sizes, links = _read_images(product, folder)
    all_demands = (*demands(product, sizes), *more)
    chosen = procedure or product.update.procedure
    names = [demand.traits.name for demand in all_demands]
    if chosen not in names:
        raise PlanError(
            f"there is no update procedure {chosen!r}",
            where="update.procedure" if procedure is None else "--procedure",
            next_step=f"use one of: {', '.join(names)}",
        )
    plans = []
    for demand in all_demands:
        outcome = find_map(demand, product.chip)
        plans.append(ProcedurePlan(demand, outcome, make_row(demand, outcome, product, sizes)))
    own = plans[names.index(chosen)]
    findings = list(find_limits(own.demand, own.outcome, own.row, product))
    if isinstance(own.outcome, Map):
        findings += find_link_mismatches(own.outcome, product, links)
    known = {block.name for demand in all_demands for block in demand.blocks}
    findings += [
        Finding("plan.pin", pin.block, f"a pin names {pin.block!r}, which no procedure has", "take the pin out", True)
        for pin in product.pins
        if pin.block not in known
    ]
    return PlanResult(
        product=f"{product.name} {product.model}",
        chip=product.chip.name,
        chosen=chosen,
        image_sizes=tuple((image.name, sizes[image.name]) for image in product.images),
        plans=tuple(plans),
        findings=tuple(findings),
    )


def _read_images(product: Product, folder: Path) -> tuple[dict[str, int], list[tuple[str, str, int, int]]]:
    """Return bytes per image, and (block, file, start, end) for each file."""
    sizes: dict[str, int] = {}
    links: list[tuple[str, str, int, int]] = []
    for image in product.images:
        size = 0
        first = _PREFIX.get(image.role, f"run:{image.name}")
        for block, file in ((first, image.file), (f"second:{image.name}", image.second_file)):
            if file is not None:
                span = _read(image, file, folder)
                size = max(size, span[1] - span[0])
                links.append((block, str(file), *span))
        if not size:
            if image.size is None:
                raise PlanError(
                    f"image {image.name!r} has neither a file nor a size",
                    where=f"image.{image.name}",
                    next_step="name its file, or state a size while planning ahead",
                )
            size = image.size - image.around_bytes
        sizes[image.name] = size
    return sizes, links


def _read(image: ImageSpec, file: PurePosixPath, folder: Path) -> tuple[int, int]:
    read = read_image((folder / file).read_bytes(), name=str(file), base=image.base)
    return read.start, read.end
