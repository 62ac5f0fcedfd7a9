"""Tiny configurations on which the explorer and the concrete oracle must say the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from rootwright.describe.chip import BlankRead, Reprogram
from rootwright.describe.product import Attacker, Procedure
from rootwright.device.ground import Ground, GroundSector, tiny_ground
from rootwright.device.port import UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace, RecoveryImage
from rootwright.prove.broken import BROKEN

SOUND: dict[Procedure, Callable[[Ground], UpdateProcedure]] = {
    Procedure.IN_PLACE: InPlace,
    Procedure.RECOVERY_IMAGE: RecoveryImage,
    Procedure.COPY_OVER: CopyOver,
    Procedure.EXCHANGE_FIXED: Exchange,
    Procedure.EXCHANGE_ROTATING: Exchange,
    Procedure.EITHER_SLOT: EitherSlot,
    Procedure.BANK_FLIP: BankFlip,
}

PROTECTED = frozenset(
    {
        "boot",
        "run:application",
        "second:application",
        "stage:application",
        "recovery",
        "lift",
        "journal",
        "floor",
        "requests",
    }
)
APPLICATION = frozenset({Attacker.EXPLOITED_APPLICATION})
BUS = frozenset({Attacker.EXTERNAL_BUS})


def ground_for(procedure: Procedure, sectors: int, cells: int, *, external: bool = False) -> Ground:
    """Return a tiny ground with the areas that a procedure needs; `external` puts staging on an outside bus."""
    shapes: dict[Procedure, dict[str, Any]] = {
        Procedure.IN_PLACE: {"stage": False},
        Procedure.RECOVERY_IMAGE: {"stage": False},
        Procedure.EXCHANGE_FIXED: {"lift": 1},
        Procedure.EXCHANGE_ROTATING: {"lift": 2},
        Procedure.EITHER_SLOT: {"stage": False, "second": True},
        Procedure.BANK_FLIP: {"stage": False, "second": True},
    }
    ground = tiny_ground(sectors, cells, **shapes.get(procedure, {}))
    if procedure is Procedure.RECOVERY_IMAGE:
        count = len(ground.sectors)
        sector = GroundSector("recovery", "flash", 0x1000 * count, 0x1000, 1, 0)
        areas = (*ground.areas, ("recovery", count, count + 1))
        ground = replace(ground, sectors=(*ground.sectors, sector), areas=areas)
    if external:
        staged = (replace(s, external=s.block.startswith("stage")) for s in ground.sectors)
        ground = replace(ground, sectors=tuple(staged))
    return ground


@dataclass(frozen=True, slots=True)
class Configuration:
    """One tiny configuration."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    ground: Ground
    cells: int
    restless: bool = False
    attackers: frozenset[Attacker] = frozenset()
    protect: frozenset[str] = frozenset()


def configurations() -> list[Configuration]:
    """Return all configurations, always in the same order."""
    found: list[Configuration] = []

    def add(words: str, make: Callable[[Ground], UpdateProcedure], ground: Ground, cells: int, **level: Any) -> None:
        sectors = len(ground.area("run"))
        found.append(Configuration(f"{words} {sectors}x{cells}", make, ground, cells, **level))

    for procedure, make in SOUND.items():
        for sectors, cells in ((1, 1), (1, 2)):
            ground = ground_for(procedure, sectors, cells)
            add(f"{procedure.value}", make, ground, cells)
            add(f"{procedure.value} restless", make, ground, cells, restless=True)
        ground = ground_for(procedure, 1, 1)
        for closed in (PROTECTED, frozenset[str](), *(PROTECTED - {block} for block in sorted(PROTECTED))):
            words = f"{procedure.value} exploited, open {' '.join(sorted(PROTECTED - closed)) or 'none'}"
            add(words, make, ground, 1, attackers=APPLICATION, protect=closed)
        add(f"{procedure.value} exploited, restless", make, ground, 1,
            attackers=APPLICATION, protect=PROTECTED, restless=True)  # fmt: skip
        for kind in (Reprogram.BITS, Reprogram.ZEROS_ONLY):
            sectors_ = tuple(replace(s, reprogram=kind) for s in ground.sectors)
            add(f"{procedure.value} reprogram {kind.value}", make, replace(ground, sectors=sectors_), 1)
        sectors_ = tuple(replace(s, blank_read=BlankRead.UNDEFINED) for s in ground.sectors)
        add(f"{procedure.value} blank reads undefined", make, replace(ground, sectors=sectors_), 1)
        if ground.find_area("stage"):
            ground = ground_for(procedure, 1, 1, external=True)
            add(f"{procedure.value} external bus", make, ground, 1, attackers=BUS)
            add(f"{procedure.value} external bus, exploited", make, ground, 1,
                attackers=BUS | APPLICATION, protect=PROTECTED)  # fmt: skip
    for sectors, cells in ((2, 1), (3, 1), (2, 2), (1, 3), (1, 4)):
        ground = ground_for(Procedure.COPY_OVER, sectors, cells)
        if (sectors, cells) != (2, 2):
            add("copy-over", CopyOver, ground, cells)
        if cells < 3:
            add("copy-over restless", CopyOver, ground, cells, restless=True)
    for broken in BROKEN:
        for sectors, cells in ((1, 1), (2, 1), (1, 2), (3, 1)):
            if sectors == 3 and broken.name in ("noted-before-done", "resumes-too-far", "one-half-journal"):
                continue  # too large for the oracle
            ground = ground_for(broken.base, sectors, cells, external=broken.external_staging)
            add(broken.name, broken.make, ground, cells, attackers=broken.needs, protect=PROTECTED)
        ground = ground_for(broken.base, 1, 1, external=broken.external_staging)
        add(f"{broken.name} restless", broken.make, ground, 1,
            attackers=broken.needs, protect=PROTECTED, restless=True)  # fmt: skip
    return found
