"""What a plan asks of a protection unit: which code may do what with which range.

Unprivileged code gets its slots to run, its data areas and RAM to use, and device registers; the boot stage, the keys
and the registers of the flash controller are named nowhere and thereby closed to it.
"""

from __future__ import annotations

from rootwright.describe.chip import Architecture, Chip, MemoryKind
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.describe.product import Product
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region
from rootwright.plan.lockdown.rights import Claim, Rights, Store
from rootwright.plan.lockdown.spans import Span, widened

PERIPHERALS = Span(0x4000_0000, 0x6000_0000)
"""Armv6-M, Armv7-M, Armv8-M system address map: the peripheral region (DDI 0403, B3.1)."""

_READABLE = (BlockRole.STAGING, BlockRole.KEEP, BlockRole.REQUESTS)
_ROOT = (
    BlockRole.BOOT,
    BlockRole.KEYS,
    BlockRole.FLOOR,
    BlockRole.JOURNAL,
    BlockRole.SELECTOR,
    BlockRole.LIFT,
)


def is_root(region: Region) -> bool:
    """Return whether a block belongs to the boot stage and its records, not to the application."""
    return region.role in _ROOT


def unprivileged_claims(product: Product, map_: Map, granule: int, unit: ProtectionUnit | None) -> tuple[Claim, ...]:
    """Return what an application that runs unprivileged may do; later claims decide over earlier ones.

    A block that `lock.secret` names is left out. Edges are widened to the unit's granule.
    """
    chip = product.chip
    enhanced = unit is ProtectionUnit.SMEPMP
    privileged_read, privileged_all = ("", "") if enhanced else ("r", "rw")
    code = Rights(privileged_read, "r", execute=True)
    data = Rights(privileged_read, "r")
    claims: list[Claim] = []
    for region in map_.regions:
        if region.block in product.secret or is_root(region):
            continue
        span = widened(Span(region.address, region.end), max(32, granule) if _is_arm(chip) else max(4, granule))
        if region.role is BlockRole.SLOT:
            claims.append(Claim(region.block, span, code, Store.FLASH))
        elif region.role in _READABLE:
            claims.append(Claim(region.block, span, data, Store.FLASH))
    claims += [
        Claim(memory.name, Span(memory.base, memory.end), Rights(privileged_all, "rw"), Store.RAM)
        for memory in chip.memories
        if memory.kind is MemoryKind.RAM
    ]
    if _is_arm(chip):
        claims.append(Claim("device registers", PERIPHERALS, Rights("rw", "rw"), Store.DEVICE))
        claims += [
            Claim(
                f"registers of {memory.name}",
                _registers(memory.controller, memory.controller_size),
                Rights("rw", ""),
                Store.DEVICE,
            )
            for memory in chip.memories
            if memory.controller is not None and PERIPHERALS.start <= memory.controller < PERIPHERALS.end
        ]
    return tuple(claims)


def _registers(base: int, size: int) -> Span:
    return widened(Span(base, base + max(size, 4)), 256)


def locked_claims(product: Product, map_: Map, granule: int, unit: ProtectionUnit | None) -> tuple[Claim, ...]:
    """Return what locked entries hold for every mode: code is run and not written, secrets are not reached.

    The boot stage sets them last before it hands over; its own code stays readable and runnable, since it runs there.
    Where the application is declared to run in user mode, loose entries give it its data and RAM besides.
    """
    enhanced = unit is ProtectionUnit.SMEPMP
    claims = []
    for region in map_.regions:
        span = widened(Span(region.address, region.end), max(4, granule))
        if region.block in product.secret:
            claims.append(Claim(region.block, span, Rights("", ""), Store.FLASH))
        elif region.role in (BlockRole.BOOT, BlockRole.SLOT, BlockRole.RECOVERY):
            theirs = product.unprivileged and region.role is BlockRole.SLOT
            rights = Rights("r", "r", execute=True)
            if enhanced:  # an entry there is for one mode
                rights = Rights("", "r", execute=True) if theirs else Rights("r", "", execute=True)
            claims.append(Claim(region.block, span, rights, Store.FLASH))
        elif region.role in (BlockRole.KEYS, BlockRole.FLOOR):
            claims.append(Claim(region.block, span, Rights("r", "" if enhanced else "r"), Store.FLASH))
        elif product.unprivileged and region.role in _READABLE:
            claims.append(Claim(region.block, span, Rights("", "r"), Store.FLASH, loose=True))
    if product.unprivileged:
        rights = Rights("rw" if enhanced else "", "rw")
        claims += [
            Claim(memory.name, Span(memory.base, memory.end), rights, Store.RAM, loose=True)
            for memory in product.chip.memories
            if memory.kind is MemoryKind.RAM
        ]
    return tuple(claims)


def _is_arm(chip: Chip) -> bool:
    return chip.architecture is not Architecture.RV32
