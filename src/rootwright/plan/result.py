"""What planning gives: for each update procedure a map or the reason for none, its figures, and the findings."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from rootwright.layout.demand import Demand
from rootwright.layout.map import Map, Misfit


@dataclass(frozen=True, slots=True)
class ImageRoom:
    """How much an image may grow. Sizes in bytes of code and data, header and trailer left out.

    Attributes:
        size: The image today.
        largest: The largest image that its slots hold.
        allowed: What its growth allowance asks for.
    """

    image: str
    size: int
    largest: int
    allowed: int

    @property
    def headroom(self) -> int:
        """Bytes beyond the growth allowance; negative where the allowance is not met."""
        return self.largest - self.allowed


@dataclass(frozen=True, slots=True)
class Row:
    """One procedure's figures, all worst case: maximum times of the data sheet, slots full to the last byte.

    Attributes:
        rooms: Room per image, in the product's order; empty where nothing fits.
        install_s: Seconds from the end of the download to the first run of the new images; None where a speed is
            missing (`install_gap` says which).
        longest_operation_s: The longest flash operation that the boot stage waits for, and what it is.
        worn_block, worn_erases, worn_years: The block whose sectors reach their endurance first, erases of one such
            sector per update, years until then; None where nothing wears.
        ram: Bytes that the boot stage needs.
        free: Bytes of non-volatile memory that no block takes.
    """

    procedure: str
    title: str
    fits: bool
    reason: str
    images_kept: str
    copies: str
    way_back: bool
    runs_from: str
    survives_interrupted_download: bool
    downtime: str
    rooms: tuple[ImageRoom, ...]
    install_s: float | None
    install_gap: str
    longest_operation_s: float
    longest_operation: str
    worn_block: str
    worn_erases: float
    worn_years: float | None
    ram: int
    free: int


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about the product's own procedure that breaks a limit.

    Attributes:
        rule: Stable name, listed in the manual.
        block: The block it is about, empty where it is about the whole.
        found: What was found against what was expected.
        next_step: What would mend it.
        note: True for a condition to keep in mind, which breaks nothing.
    """

    rule: str
    block: str
    found: str
    next_step: str
    note: bool = False


@dataclass(frozen=True, slots=True)
class ProcedurePlan:
    """One procedure: what it asks, the map or the misfit, its figures."""

    demand: Demand
    outcome: Map | Misfit
    row: Row

    @property
    def map(self) -> Map | None:
        """The map, None where there is none."""
        return self.outcome if isinstance(self.outcome, Map) else None


@dataclass(frozen=True, slots=True)
class PlanResult:
    """The plan of a product: all procedures side by side and the findings about the chosen one.

    Attributes:
        chosen: Name of the product's own procedure (or the one asked for).
        image_sizes: Bytes per image, from its file or from the description.
    """

    product: str
    chip: str
    chosen: str
    image_sizes: tuple[tuple[str, int], ...]
    plans: tuple[ProcedurePlan, ...]
    findings: tuple[Finding, ...]

    @property
    def plan(self) -> ProcedurePlan:
        """The chosen procedure's plan."""
        return self.find_plan(self.chosen)

    def find_plan(self, procedure: str) -> ProcedurePlan:
        """Return the plan of one procedure; KeyError where there is none of this name."""
        for plan in self.plans:
            if plan.demand.traits.name == procedure:
                return plan
        raise KeyError(procedure)

    @property
    def breaks_a_limit(self) -> bool:
        """Whether a finding is more than a note."""
        return any(not finding.note for finding in self.findings)

    def as_data(self) -> dict[str, Any]:
        """Return the result as plain dictionaries, lists, numbers and texts, ready for JSON; the manual lists the keys.

        `version` rises when a key goes away or changes its meaning; new keys may come without that.
        """
        return {
            "version": 1,
            "product": self.product,
            "chip": self.chip,
            "chosen": self.chosen,
            "image_sizes": dict(self.image_sizes),
            "procedures": [_plan_data(plan) for plan in self.plans],
            "findings": [asdict(finding) for finding in self.findings],
        }


def _plan_data(plan: ProcedurePlan) -> dict[str, Any]:
    row = asdict(plan.row)
    for data, room in zip(row["rooms"], plan.row.rooms, strict=True):
        data["headroom"] = room.headroom
    data = {"figures": row, "regions": None, "misfit": None}
    if isinstance(plan.outcome, Map):
        data["regions"] = [{**asdict(region), "role": region.role.value} for region in plan.outcome.regions]
    else:
        data["misfit"] = asdict(plan.outcome)
    return data
