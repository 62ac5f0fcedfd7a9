"""One product on many parts: what fits, what isolation rests on, and what each asset's cheapest way takes."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

from rootwright.describe.attack import Asset
from rootwright.describe.chip import Chip
from rootwright.describe.product import Product
from rootwright.plan.result import ImageRoom, PlanResult
from rootwright.plan.root_of_trust import judge_part
from rootwright.review.paths import Rating
from rootwright.review.result import AssetReview, rating_data


@dataclass(frozen=True, slots=True)
class PartRow:
    """The product on one part.

    Attributes:
        own: Whether it is the product's own part.
        fits: Whether its procedure has a map there; `reason` says why not.
        protected: Whether the map keeps the product's write protections; without a map False.
        isolation: What isolation rests on, by the lock-down where it is given, else the strongest that the part offers.
        aims_met, aims: How many aims of the lock-down are met, of how many; None where none was planned.
        assets: Rating of each asset in scope; empty without a map.
        largest: The largest images; empty without a map.
        cuts: Whether the procedure holds under power cuts there; None where that was not checked or not settled.
    """

    part: str
    title: str
    own: bool
    strength: int
    fits: bool
    reason: str
    protected: bool
    isolation: str
    can_host: bool
    aims_met: int | None
    aims: int | None
    assets: tuple[tuple[Asset, Rating | None], ...]
    largest: tuple[ImageRoom, ...]
    cuts: bool | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """The product on all parts, the weakest first and its own part last.

    Attributes:
        cuts_checked: Whether power cuts were checked on the parts where it fits; if not, they count as open.
    """

    product: str
    procedure: str
    rows: tuple[PartRow, ...]
    cuts_checked: bool = False

    def as_data(self) -> dict[str, Any]:
        """Return the comparison as plain data for JSON."""
        return {
            "version": 1,
            "product": self.product,
            "procedure": self.procedure,
            "cuts_checked": self.cuts_checked,
            "parts": [
                {
                    **{k: v for k, v in asdict(row).items() if k not in ("assets", "largest")},
                    "assets": {str(asset): rating_data(rating) for asset, rating in row.assets},
                    "largest": {room.image: room.largest for room in row.largest},
                }
                for row in self.rows
            ],
        }


def move_to(product: Product, chip: Chip) -> Product:
    """Return a product on another part: pins, addresses and names of memories are the old part's and are taken out.

    What a slot's size says stays only where no file says it, because sectors differ.
    """
    images = tuple(
        replace(image, at=None, memory=None, size=image.size if image.file is None else None)
        for image in product.images
    )
    return replace(
        product,
        chip=chip,
        images=images,
        keep=tuple(replace(keep, at=None, memory=None) for keep in product.keep),
        pins=(),
        update=replace(product.update, staging=None),
        lock_order=(),
    )


def make_row(
    chip: Chip,
    plan: PlanResult,
    assets: tuple[AssetReview, ...],
    *,
    own: bool,
    protected: bool,
    isolation: str = "",
    aims: tuple[int, int] | None = None,
    cuts: bool | None = None,
) -> PartRow:
    """Return one part's row.

    Args:
        chip: The part.
        plan: The product's plan on it, the chosen procedure's at least.
        assets: The ratings; ignored where there is no map.
        own: Whether it is the product's own part.
        protected: Whether the plan keeps the product's write protections.
        isolation: What isolation rests on; what the part offers where empty.
        aims: Aims met, and aims.
        cuts: Whether the procedure holds under power cuts; None where that was not checked.
    """
    verdict = judge_part(chip)
    row = plan.plan.row
    return PartRow(
        part=chip.name,
        title=chip.title,
        own=own,
        strength=chip.strength,
        fits=row.fits,
        reason=row.reason,
        protected=protected and row.fits,
        isolation=isolation or str(verdict.foundation),
        can_host=verdict.is_possible,
        aims_met=None if aims is None else aims[0],
        aims=None if aims is None else aims[1],
        assets=tuple((review.asset, review.in_scope) for review in assets) if row.fits else (),
        largest=row.rooms,
        cuts=cuts,
    )
