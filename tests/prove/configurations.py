"""Tiny configurations on which the explorer and the concrete oracle must say the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from rootwright.describe.chip import BlankRead, Reprogram
from rootwright.describe.product import Attacker, Procedure
from rootwright.device.ground import Ground, GroundSector, tiny_ground
from rootwright.device.port import Again, Claim, Outcome, Port, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace, RecoveryImage
from rootwright.prove.broken import BROKEN
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely
from rootwright.prove.proof import check_level

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


def require_agreement(make: Callable[[Ground], UpdateProcedure], ground: Ground, level: Level) -> None:
    """Require that explorer and oracle say the same of a ground of single cells: verdict, fewest cuts, moves, claim."""
    verdict = check_level(make, ground, level)[0]
    same = OracleLevel(level.restless, level.attackers, level.protect, level.max_cuts)
    oracle = explore_concretely(make(ground), ground, same)
    assert oracle.closed == (level.max_cuts is None or not oracle.holds)
    assert oracle.holds == verdict.holds
    if oracle.failure is not None:
        assert (verdict.cuts, verdict.moves) == (oracle.failure.cuts, oracle.failure.moves)
        assert Claim(verdict.claim) in oracle.ties


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


class TriedAgain(EitherSlot):
    """Leaves the request standing while an image is on trial: after a failed trial it is tried once more."""

    def begin_trial(self, port: Port, slot: int) -> Outcome:
        """Note the trial."""
        port.log("journal").append(("trial", slot))
        return Again(("trial", slot))


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
    max_cuts: int | None = None


def configurations() -> list[Configuration]:
    """Return all configurations, always in the same order."""
    found: list[Configuration] = []

    def add(words: str, make: Callable[[Ground], UpdateProcedure], ground: Ground, cells: int, **level: Any) -> None:
        sectors = len(ground.area("run"))
        found.append(Configuration(f"{words} {sectors}x{cells}", make, ground, cells, **level))

    for procedure, make in SOUND.items():
        name = procedure.value
        large = procedure in LARGE
        for sectors, cells in ((1, 1),) if large else ((1, 1), (1, 2)):
            ground = ground_for(procedure, sectors, cells)
            if procedure is not Procedure.EXCHANGE_ROTATING:  # with one chunk as with one lift sector
                add(name, make, ground, cells)
            add(f"{name} restless", make, ground, cells, restless=True)
        ground = ground_for(procedure, 1, 1)
        blocks = {sector.block for sector in ground.sectors} & PROTECTED | {"boot", "floor", "requests", "journal"}
        for block in sorted(blocks):
            # With a block open that the procedure opens itself, all must hold as before: the small ones show it.
            if not large or block not in (*CLOSED_ANYWAY, "lift", "second:application"):
                add(f"{name} exploited, open {block}", make, ground, 1, attackers=APPLICATION,
                    protect=PROTECTED - {block})  # fmt: skip
        add(f"{name} exploited, all open", make, ground, 1, attackers=APPLICATION)
        add(f"{name} exploited, restless", make, ground, 1, attackers=APPLICATION, protect=PROTECTED, restless=True)
        if not large:
            add(f"{name} exploited, all closed", make, ground, 1, attackers=APPLICATION, protect=PROTECTED)
            for kind in (Reprogram.BITS, Reprogram.ZEROS_ONLY):
                kept = tuple(replace(s, reprogram=kind) for s in ground.sectors)
                add(f"{name} reprogram {kind.value}", make, replace(ground, sectors=kept), 1)
            unread = tuple(replace(s, blank_read=BlankRead.UNDEFINED) for s in ground.sectors)
            add(f"{name} blank reads undefined", make, replace(ground, sectors=unread), 1)
        if ground.find_area("stage"):
            ground = ground_for(procedure, 1, 1, external=True)
            add(f"{name} external bus", make, ground, 1, attackers=BUS)
            add(f"{name} external bus, exploited", make, ground, 1,
                attackers=BUS | APPLICATION, protect=PROTECTED)  # fmt: skip
    # Two sectors with steady cells have tens of thousands of concrete states: only so many cuts there.
    for procedure in (Procedure.COPY_OVER, Procedure.IN_PLACE):
        ground = ground_for(procedure, 2, 1)
        add(f"{procedure.value} at most 2 cuts", SOUND[procedure], ground, 1, max_cuts=2)
    add("exchange-fixed at most 1 cut", Exchange, ground_for(Procedure.EXCHANGE_FIXED, 2, 1), 1, max_cuts=1)
    add("exchange-rotating at most 1 cut", Exchange, ground_for(Procedure.EXCHANGE_ROTATING, 2, 1), 1, max_cuts=1)
    add("either-slot at most 1 cut", EitherSlot, ground_for(Procedure.EITHER_SLOT, 2, 1), 1, max_cuts=1)
    add("bank-flip at most 1 cut", BankFlip, ground_for(Procedure.BANK_FLIP, 2, 1), 1, max_cuts=1)
    for sectors, cells in ((2, 1), (2, 2), (3, 1)):
        for procedure in (Procedure.COPY_OVER, Procedure.IN_PLACE):
            ground = ground_for(procedure, sectors, cells)
            add(f"{procedure.value} restless", SOUND[procedure], ground, cells, restless=True)
    add("tried-again", TriedAgain, ground_for(Procedure.EITHER_SLOT, 1, 1), 1)
    for broken in BROKEN:
        for sectors, cells in ((1, 1), (2, 1), (1, 2), (3, 1), (1, 4)):
            if broken.name in LARGE_BROKEN and (sectors > 1 or cells > 1):
                continue
            if broken.name in ("floor-raised-last", "floor-raised-early", "flipped-before-noted", "erase-skipped",
                               "way-back-open") and cells > 2:  # fmt: skip
                continue
            ground = ground_for(broken.base, sectors, cells, external=broken.external_staging)
            add(broken.name, broken.make, ground, cells, attackers=broken.needs, protect=PROTECTED)
        for sectors, cells in ((1, 1), (2, 1), (1, 2)):
            if broken.name in LARGE_BROKEN and (sectors > 1 or cells > 1):
                continue
            ground = ground_for(broken.base, sectors, cells, external=broken.external_staging)
            add(f"{broken.name} restless", broken.make, ground, cells,
                attackers=broken.needs, protect=PROTECTED, restless=True)  # fmt: skip
    return found


LARGE = frozenset(
    {Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING, Procedure.EITHER_SLOT, Procedure.BANK_FLIP},
)
"""What has more than ten thousand concrete states on the smallest ground: looked at in fewer ways."""

LARGE_BROKEN = frozenset({"noted-before-done", "resumes-too-far", "one-half-journal", "one-half-selector"})

CLOSED_ANYWAY = frozenset({"stage:application", "requests"})
