"""Whether a part can host a root of trust at all, on what that would rest, and where it ends.

A root of trust needs code that nobody can change in the field, and it needs that code to run first. Everything else a
part offers decides how much of it survives an exploited application. NIST SP 800-193, sections 3.5 and 4.1, asks for
roots of trust that are protected against change and for update mechanisms that cannot be bypassed; the order of
foundations below is *common practice, no source*.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from rootwright.describe.chip import Chip, Lock, MemoryKind, Protection, ProtectionKind
from rootwright.describe.product import Attacker, Product


class Foundation(StrEnum):
    """What a root of trust on a part rests on, the strongest first."""

    SECURE_SPLIT = "secure/non-secure split"
    KEY_VAULT = "key vault behind a core boundary"
    CLOSED_AREA = "closed-until-reset or gated code area"
    LOCKED_REGIONS = "physical memory protection with lock"
    PROTECTION_UNIT = "protection unit and write protection"
    WRITE_PROTECTION = "write protection only"
    NONE = "nothing"


class Standing(StrEnum):
    """Whether a part can host a root of trust."""

    CAN_HOST = "can host a root of trust"
    WITHIN_LIMITS = "can host a root of trust within limits"
    CANNOT_HOST = "cannot host a root of trust"


@dataclass(frozen=True, slots=True)
class PartVerdict:
    """The verdict on one part.

    Attributes:
        standing: Yes, within limits, or no.
        foundation: What it rests on: the strongest that the part offers.
        alternatives: Weaker foundations that the part offers as well, in falling order.
        reasons: Why, in plain sentences.
        limits: What it does not hold against; empty only without known limits.
        cautions: What the reader must see to, whatever the foundation.
    """

    standing: Standing
    foundation: Foundation
    alternatives: tuple[Foundation, ...]
    reasons: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def is_possible(self) -> bool:
        """Whether the part can host a root of trust at all."""
        return self.standing is not Standing.CANNOT_HOST


@dataclass(frozen=True, slots=True)
class PartFinding:
    """Something a product asks of its part that the part cannot give: the product's field, and what is wrong."""

    field: str
    message: str
    next_step: str


def judge_part(chip: Chip) -> PartVerdict:
    """Return whether the part can host a root of trust, on what, and within which limits.

    Example:
        >>> from rootwright.describe.loading import load_chip
        >>> str(judge_part(load_chip("no-isolation")).standing)
        'cannot host a root of trust'
    """
    offered = tuple(foundation for foundation, offers in _OFFERS if offers(chip))
    foundation = offered[0] if offered else Foundation.NONE
    limits = _LIMITS[foundation]
    reasons = [_REASONS[foundation]]
    standing = Standing.WITHIN_LIMITS if limits else Standing.CAN_HOST
    if foundation is Foundation.NONE:
        standing = Standing.CANNOT_HOST
        limits = ()
    elif not _has_code_inside(chip):
        standing = Standing.WITHIN_LIMITS
        reasons.append("All code that can change lies in external memory.")
        limits += (
            "Whoever reaches the board's traces can replace the external memory or answer in its place, after the boot "
            "stage has checked it (RFC 9124, time of check to time of use).",
        )
    if foundation is not Foundation.NONE and not _fixed_code(chip):
        standing = Standing.CANNOT_HOST
        reasons.append(
            "No protection with a lock covers memory inside the package that holds code, and the part has no fixed "
            "reset entry: nothing keeps the first code as it was delivered."
        )
        limits = ()
    return PartVerdict(standing, foundation, offered[1:], tuple(reasons), limits, _cautions(chip))


def find_gaps(product: Product) -> tuple[PartFinding, ...]:
    """Return what the product asks of its part in vain, and protections that its attackers call for.

    Where the part cannot host a root of trust, that is the first finding.
    """
    chip = product.chip
    verdict = judge_part(chip)
    gaps: list[PartFinding] = []
    if not verdict.is_possible:
        message = f"{chip.name} {verdict.standing.value}. {' '.join(verdict.reasons)}"
        gaps.append(PartFinding("product.chip", message, "choose a part that offers one of the foundations"))
    locks = (*lasting_write_protections(chip), *(p for p in chip.protections if p.is_closing_gate))
    if product.protect and not locks:
        gaps.append(
            PartFinding(
                "lock.write_protect",
                f"asks write protection of {', '.join(product.protect)}, but {chip.name} has none that holds",
                "describe the part's write protection, or take these blocks out and accept what follows",
            )
        )
    if Attacker.EXPLOITED_APPLICATION in product.attackers and locks:
        for block, what in (("boot", "the boot stage"), ("floor", "the version floor"), ("keys", "the trust anchors")):
            if block not in product.protect:
                gaps.append(
                    PartFinding(
                        "lock.write_protect",
                        f'"{block}" is not write-protected, and an exploited application is in scope: '
                        f"it can rewrite {what}",
                        f'add "{block}" to write_protect',
                    )
                )
    watchdog = chip.find_protections(ProtectionKind.WATCHDOG)
    if product.update.watchdog_s is None:
        gaps.append(
            PartFinding(
                "update.watchdog",
                "no watchdog runs: a new image that hangs stays until someone removes the power",
                'give its period, such as watchdog = "8 s"' if watchdog else "add a watchdog to part or board",
            )
        )
    elif product.update.watchdog_s is not None and not watchdog:
        gaps.append(
            PartFinding(
                "update.watchdog",
                f"names a watchdog period, but {chip.name} describes no watchdog",
                "describe the watchdog in the chip file, or take the period out",
            )
        )
    return tuple(gaps)


def lasting_write_protections(chip: Chip, memory: str | None = None) -> tuple[Protection, ...]:
    """Return the write protections that running code cannot lift again without a reset.

    Where no memory is named, locks over one-time words alone are left out: they keep no code.
    """
    found = chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory)
    lasting = [protection for protection in found if protection.lock is not Lock.NONE]
    if memory is None:
        words = {m.name for m in chip.memories if m.kind is MemoryKind.ONE_TIME}
        lasting = [each for each in lasting if not each.covers or not words.issuperset(each.covers)]
    return tuple(lasting)


def _code_memories(chip: Chip) -> tuple[str, ...]:
    return tuple(m.name for m in chip.memories if m.kind is MemoryKind.FLASH and m.executable)


def _has_code_inside(chip: Chip) -> bool:
    return bool(_code_memories(chip))


_KEEPS_CODE = (
    ProtectionKind.WRITE_PROTECTION,
    ProtectionKind.SECURE_SPLIT,
    ProtectionKind.CLOSED_UNTIL_RESET,
    ProtectionKind.PHYSICAL_MEMORY_PROTECTION,
)


def _fixed_code(chip: Chip) -> bool:
    """Whether the first code stays as delivered: a lock over flash inside the package, or a fixed reset entry."""
    inside = _code_memories(chip)
    locks = [p for p in chip.protections if p.kind in _KEEPS_CODE and p.lock is not Lock.NONE]
    locked = any(name in lock.covers for lock in locks for name in inside)
    return locked or bool(chip.find_protections(ProtectionKind.FIXED_RESET_ENTRY))


def _has(kind: ProtectionKind) -> Callable[[Chip], bool]:
    return lambda chip: bool(chip.find_protections(kind))


def _closed_area(chip: Chip) -> bool:
    closed = chip.find_protections(ProtectionKind.CLOSED_UNTIL_RESET) + chip.find_protections(ProtectionKind.GATED_CODE)
    return bool(closed)


def _locked_regions(chip: Chip) -> bool:
    found = chip.find_protections(ProtectionKind.PHYSICAL_MEMORY_PROTECTION)
    return any(protection.lock is not Lock.NONE for protection in found)


def _write_protection(chip: Chip) -> bool:
    return bool(lasting_write_protections(chip)) or bool(chip.find_protections(ProtectionKind.FIXED_RESET_ENTRY))


def _protection_unit(chip: Chip) -> bool:
    regions = chip.find_protections(ProtectionKind.PROTECTION_UNIT) + chip.find_protections(
        ProtectionKind.PHYSICAL_MEMORY_PROTECTION
    )
    return bool(regions) and _write_protection(chip)


def _secure_split(chip: Chip) -> bool:
    """Return whether the memory itself refuses the other side; attribution alone sets no flash page's security."""
    return any(split.memory_side for split in chip.find_protections(ProtectionKind.SECURE_SPLIT))


_OFFERS: tuple[tuple[Foundation, Callable[[Chip], bool]], ...] = (
    (Foundation.SECURE_SPLIT, _secure_split),
    (Foundation.KEY_VAULT, _has(ProtectionKind.KEY_VAULT)),
    (Foundation.CLOSED_AREA, _closed_area),
    (Foundation.LOCKED_REGIONS, _locked_regions),
    (Foundation.PROTECTION_UNIT, _protection_unit),
    (Foundation.WRITE_PROTECTION, _write_protection),
)

_REASONS = {
    Foundation.SECURE_SPLIT: "Hardware keeps the secure side's code, keys and memory apart at all times.",
    Foundation.KEY_VAULT: "Keys stay behind a core boundary: the application asks for their use and never reads them.",
    Foundation.CLOSED_AREA: "The boot stage runs first and shuts its area behind itself; nothing later looks in.",
    Foundation.LOCKED_REGIONS: "The boot stage locks memory regions against every mode until the next reset.",
    Foundation.PROTECTION_UNIT: "Write protection fixes the boot stage; the protection unit can fence the rest.",
    Foundation.WRITE_PROTECTION: "Write protection keeps the boot stage unchanged.",
    Foundation.NONE: "The part has no isolation and no lasting write protection: whatever runs can rewrite "
    "everything, the boot stage included.",
}

_LIMITS: dict[Foundation, tuple[str, ...]] = {
    Foundation.SECURE_SPLIT: (),
    Foundation.KEY_VAULT: (),
    Foundation.CLOSED_AREA: (),
    Foundation.LOCKED_REGIONS: (),
    Foundation.PROTECTION_UNIT: (
        "The protection unit isolates only while the application runs unprivileged; privileged code switches it off.",
        "Secrets of the boot stage can be read by privileged application code.",
    ),
    Foundation.WRITE_PROTECTION: (
        "There is no isolation: an exploited application reads every secret in the device's memory.",
    ),
    Foundation.NONE: (),
}


def _cautions(chip: Chip) -> tuple[str, ...]:
    cautions: list[str] = []
    debug = chip.find_protections(ProtectionKind.DEBUG_LOCK)
    if not debug:
        cautions.append("No debug lock is described: whoever attaches a probe replaces the boot stage and reads all.")
    elif all(lock.lock is Lock.NONE for lock in debug):
        cautions.append("The debug lock can be opened again by software; treat the debug port as open.")
    if any(p.lock is Lock.PERMANENT for p in chip.protections):
        cautions.append("Permanent locks cannot be undone: try them on parts you can lose, and lock last.")
    if chip.find_protections(ProtectionKind.PHYSICAL_MEMORY_PROTECTION) and not _locked_regions(chip):
        cautions.append("Physical memory protection without a lock does not bind code in the most privileged mode.")
    if chip.find_protections(ProtectionKind.SECURE_SPLIT) and not _secure_split(chip):
        cautions.append("The secure/non-secure split only labels accesses: no memory is said to refuse (memory_side).")
    if chip.find_protections(ProtectionKind.WRITE_PROTECTION) and not lasting_write_protections(chip):
        cautions.append("The write protection has no lock: software that can set it can lift it.")
    volatile = [p for p in lasting_write_protections(chip) if p.lock is Lock.UNTIL_RESET]
    if volatile and len(volatile) == len(lasting_write_protections(chip)):
        cautions.append("Write protection falls at every reset: the boot stage must set it before any other code runs.")
    if chip.typical:
        cautions.append("The figures are typical of a class of parts: your data sheet decides.")
    return tuple(cautions)
