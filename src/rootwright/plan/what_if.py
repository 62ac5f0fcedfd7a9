"""What differs between two plans of one product: verdicts, figures, wear, and where blocks lie."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from rootwright.layout.map import Map
from rootwright.plan.result import PlanResult, Row

FIGURES = (
    "fits",
    "install_s",
    "longest_operation_s",
    "worn_block",
    "worn_erases",
    "worn_years",
    "ram",
    "free",
)
"""Figures of a procedure's column that are compared, beside those of its images."""


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of one procedure before and after; None where there was or is none.

    Attributes:
        figure: One of `FIGURES`, or `largest` or `headroom` of an image.
        image: The image whose room it is; empty for other figures.
    """

    procedure: str
    figure: str
    image: str
    before: bool | int | float | str | None
    after: bool | int | float | str | None


@dataclass(frozen=True, slots=True)
class Move:
    """Where a block of the procedure looked at lies before and after: memory, address, bytes; None where nowhere."""

    block: str
    before: tuple[str, int, int] | None
    after: tuple[str, int, int] | None


@dataclass(frozen=True, slots=True)
class Difference:
    """All that differs between two plans.

    Attributes:
        changes: Figures that differ, procedure by procedure.
        moves: Blocks of the two procedures looked at that lie elsewhere or have another size.
        gone: Findings (rule and text) that no longer stand.
        new: Findings that stand now.
    """

    base: PlanResult
    changed: PlanResult
    changes: tuple[Change, ...]
    moves: tuple[Move, ...]
    gone: tuple[tuple[str, str], ...]
    new: tuple[tuple[str, str], ...]

    def as_data(self) -> dict[str, Any]:
        """Return the difference as plain dictionaries and lists, ready for JSON; the manual lists the keys."""
        return {
            "chosen": [self.base.chosen, self.changed.chosen],
            "chip": [self.base.chip, self.changed.chip],
            "breaks_a_limit": [self.base.breaks_a_limit, self.changed.breaks_a_limit],
            "changes": [asdict(change) for change in self.changes],
            "moves": [asdict(move) for move in self.moves],
            "gone": [{"rule": rule, "found": found} for rule, found in self.gone],
            "new": [{"rule": rule, "found": found} for rule, found in self.new],
        }


def compare_plans(base: PlanResult, changed: PlanResult) -> Difference:
    """Return what differs in `changed` beside `base`."""
    after = {plan.row.procedure: plan.row for plan in changed.plans}
    before = {plan.row.procedure: plan.row for plan in base.plans}
    changes = [
        change
        for name in dict.fromkeys((*before, *after))
        for change in row_changes(name, before.get(name), after.get(name))
    ]
    old = {(finding.rule, finding.found): None for finding in base.findings if not finding.note}
    new = {(finding.rule, finding.found): None for finding in changed.findings if not finding.note}
    return Difference(
        base,
        changed,
        tuple(changes),
        tuple(_moves(base.plan.map, changed.plan.map)),
        tuple(finding for finding in old if finding not in new),
        tuple(finding for finding in new if finding not in old),
    )


def row_changes(name: str, before: Row | None, after: Row | None) -> list[Change]:
    """Return the figures in which two columns of the comparison differ; under `name`."""
    found = []
    images = dict.fromkeys(room.image for row in (before, after) if row for room in row.rooms)
    for image in images:
        for figure in ("largest", "headroom"):
            old, new = (
                next((getattr(room, figure) for room in row.rooms if room.image == image), None) if row else None
                for row in (before, after)
            )
            if old != new:
                found.append(Change(name, figure, image, old, new))
    for figure in FIGURES:
        old, new = (getattr(row, figure) if row else None for row in (before, after))
        if old != new:
            found.append(Change(name, figure, "", old, new))
    return sorted(found, key=lambda change: change.figure != "fits")


def _moves(before: Map | None, after: Map | None) -> list[Move]:
    places = [
        {r.block: (r.memory, r.address, r.size) for r in (plan.regions if plan is not None else ())}
        for plan in (before, after)
    ]
    names = dict.fromkeys((*places[0], *places[1]))
    return [
        Move(name, places[0].get(name), places[1].get(name))
        for name in names
        if places[0].get(name) != places[1].get(name)
    ]
