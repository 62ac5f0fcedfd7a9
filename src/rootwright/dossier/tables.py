"""Figures of the plan as rows of text for a page."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.dossier.evidence import Evidence
from rootwright.dossier.verdicts import Outcome
from rootwright.plan.picture import size_words
from rootwright.plan.result import Row


@dataclass(frozen=True, slots=True)
class RegionRow:
    """One region of the map in words."""

    block: str
    role: str
    memory: str
    first: str
    last: str
    size: str
    used: str
    protected: bool


def region_rows(evidence: Evidence) -> tuple[RegionRow, ...]:
    """Return the regions of the product's own map; empty where there is none."""
    plan = evidence.plan.plan
    if plan.map is None:
        return ()
    return tuple(
        RegionRow(
            region.block,
            region.role.value,
            region.memory,
            f"0x{region.address:08X}",
            f"0x{region.end - 1:08X}",
            size_words(region.size),
            f"{min(100, round(100 * region.used / region.size))} %",
            plan.demand.block(region.block).write_protect,
        )
        for region in plan.map.regions
    )


@dataclass(frozen=True, slots=True)
class ProcedureColumn:
    """One procedure's verdicts for the head of the comparison.

    Attributes:
        steady: Outcome at the steady level and what was found.
        harder: The same at each harder level, with its name.
    """

    name: str
    is_own: bool
    steady: tuple[Outcome, str]
    harder: tuple[tuple[str, Outcome, str], ...]


def procedure_columns(evidence: Evidence) -> tuple[ProcedureColumn, ...]:
    """Return all procedures in the plan's order, each with its verdicts."""
    columns = []
    levels = max(([label for label, _ in proof.harder] for proof in evidence.proofs), key=len, default=[])
    for plan in evidence.plan.plans:
        name = plan.demand.traits.name
        proof = evidence.find_proof(name)
        steady, harder = (Outcome.NOT_TESTED, "no map"), {}
        if proof is not None:
            steady = _outcome(proof.steady.holds, proof.steady.words)
            harder = {label: _outcome(verdict.holds, verdict.words) for label, verdict in proof.harder}
        beside = tuple((label, *harder.get(label, (Outcome.NOT_TESTED, ""))) for label in levels)
        columns.append(ProcedureColumn(name, name == evidence.plan.chosen, steady, beside))
    return tuple(columns)


def _outcome(holds: bool, words: str) -> tuple[Outcome, str]:
    return Outcome.HOLDS if holds else Outcome.FAILS, words


def comparison(evidence: Evidence) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the figures of all procedures: one row per measure, one cell per procedure."""
    rows = [plan.row for plan in evidence.plan.plans]
    images = [room.image for room in max((row.rooms for row in rows), key=len, default=())]
    table: list[tuple[str, tuple[str, ...]]] = [
        ("fits", tuple("yes" if row.fits else "no" for row in rows)),
        ("images kept", tuple(row.images_kept for row in rows)),
        ("copies", tuple(row.copies for row in rows)),
        ("way back", tuple("yes" if row.way_back else "no" for row in rows)),
        ("survives a cut download", tuple("yes" if row.survives_interrupted_download else "no" for row in rows)),
    ]
    table += [(f"largest {image}", tuple(_room(row, image) for row in rows)) for image in images]
    table += [
        ("install, at most", tuple(_seconds(row.install_s) for row in rows)),
        ("longest operation", tuple(_seconds(row.longest_operation_s or None) for row in rows)),
        ("most worn block", tuple(row.worn_block or "-" for row in rows)),
        ("years it lasts", tuple(_years(row.worn_years) for row in rows)),
        ("boot stage's RAM", tuple(size_words(row.ram) for row in rows)),
        ("free", tuple(size_words(row.free) if row.fits else "-" for row in rows)),
    ]
    return tuple(table)


def misfits(evidence: Evidence) -> tuple[tuple[str, str], ...]:
    """Return each procedure that has no map, with the reason."""
    return tuple((p.demand.traits.name, p.row.reason) for p in evidence.plan.plans if not p.row.fits)


def _room(row: Row, image: str) -> str:
    return next((size_words(room.largest) for room in row.rooms if room.image == image), "-")


def _seconds(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value * 1000:.3g} ms" if value < 1 else f"{value:.1f} s" if value < 120 else f"{value / 60:.1f} min"


def _years(value: float | None) -> str:
    if value is None:
        return "-"
    return "over 1000" if value > 1000 else f"{value:.0f}" if value >= 10 else f"{value:.1f}"
