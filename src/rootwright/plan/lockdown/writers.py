"""Who must be able to change which block in the field, and what therefore can be closed at which moment.

It follows from the update procedure (docs/procedures.md). A protection that holds longer than the next reset can lie
only over what nobody changes; one that holds until reset also over what the boot stage changes before it sets it.
"""

from __future__ import annotations

from rootwright.describe.product import Procedure, Product
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map, Region
from rootwright.plan.lockdown.result import Moment, Writer

NOBODY: frozenset[Writer] = frozenset()
_BOOT = frozenset({Writer.BOOT})
_BOTH = frozenset({Writer.BOOT, Writer.APPLICATION})
_APPLICATION = frozenset({Writer.APPLICATION})

_TWO_SLOTS = (Procedure.EITHER_SLOT, Procedure.BANK_FLIP)
_SLOT_WRITERS = {
    Procedure.IN_PLACE: _BOOT,
    Procedure.RECOVERY_IMAGE: frozenset({Writer.RECOVERY}),
    Procedure.COPY_OVER: _BOOT,
    Procedure.EXCHANGE_FIXED: _BOOT,
    Procedure.EXCHANGE_ROTATING: _BOOT,
    Procedure.EITHER_SLOT: _APPLICATION,
    Procedure.BANK_FLIP: _APPLICATION,
}


def find_writers(region: Region, procedure: str) -> frozenset[Writer]:
    """Return who changes a block after the factory; nobody for permanent images and trust anchors."""
    role = region.role
    if role in (BlockRole.BOOT, BlockRole.RECOVERY, BlockRole.KEYS):
        return NOBODY
    if role is BlockRole.KEEP:
        return _APPLICATION
    if role in (BlockRole.REQUESTS, BlockRole.STAGING):
        return _BOTH
    if role is BlockRole.SLOT:
        known = {p.value: writers for p, writers in _SLOT_WRITERS.items()}
        return known.get(procedure, _APPLICATION if region.block.startswith("second:") else _BOTH)
    if procedure == Procedure.RECOVERY_IMAGE and role is BlockRole.JOURNAL:
        return frozenset({Writer.BOOT, Writer.RECOVERY})
    return _BOOT


def closed_blocks(product: Product, map_: Map, demand: Demand) -> dict[Moment, tuple[str, ...]]:
    """Return the blocks of `lock.write_protect` that can be closed until reset, by moment, in order of address.

    START is the ordinary hand-over. The slot that runs is closed while the other receives, so a procedure with two
    slots has SECOND as well. On trial, the way back is closed too. RECOVERY leaves open what the recovery image must
    write.
    """
    regions = [region for region in map_.regions if region.block in product.protect]
    writers = {region.block: find_writers(region, map_.procedure) for region in regions}
    two = map_.procedure in _TWO_SLOTS
    first = {r.block for r in regions if r.role is BlockRole.SLOT and not r.block.startswith("second:")}
    second = {r.block for r in regions if r.role is BlockRole.SLOT and r.block.startswith("second:")}
    shut = {block for block, who in writers.items() if Writer.APPLICATION not in who}
    found = {Moment.START: shut | (first if two else set())}
    if two:
        found[Moment.SECOND] = shut | second
    staging = {r.block for r in regions if r.role is BlockRole.STAGING}
    if demand.traits.way_back and product.update.trial and (staging or two):
        found[Moment.TRIAL] = shut | staging | first | second
    if any(Writer.RECOVERY in who for who in writers.values()):
        found[Moment.RECOVERY] = {block for block in shut if Writer.RECOVERY not in writers[block]}
    return {
        moment: tuple(region.block for region in regions if region.block in blocks) for moment, blocks in found.items()
    }
