"""The protection unit of Armv8-M: regions from a base to a limit, in steps of 32 bytes, none of which may overlap.

Armv8-M Architecture Reference Manual (DDI 0553), MPU_RBAR and MPU_RLAR; an access that matches two regions faults.
"""

from __future__ import annotations

from rootwright.errors import PlanError
from rootwright.plan.lockdown.rights import Rights, Store
from rootwright.plan.lockdown.spans import Span

SOURCE = "Armv8-M ARM (DDI 0553), MPU_RBAR and MPU_RLAR"
MPU_CTRL, MPU_RNR, MPU_RBAR, MPU_RLAR, MPU_MAIR0 = 0xE000ED94, 0xE000ED98, 0xE000ED9C, 0xE000EDA0, 0xE000EDC0

GRANULE = 32
MAIR0 = 0x04_FF_AA  # attribute 0: normal, write-through, read-allocate; 1: normal, write-back; 2: Device-nGnRE
_ATTRIBUTE = {Store.FLASH: 0, Store.RAM: 1, Store.DEVICE: 2}
_AP = {("rw", ""): 0, ("rw", "rw"): 1, ("r", ""): 2, ("r", "r"): 3}


def require_whole(span: Span) -> None:
    """Return only where a span is made of whole granules.

    Raises:
        PlanError: It is not.
    """
    if span.start % GRANULE or span.end % GRANULE or span.start >= span.end:
        raise PlanError(
            f"0x{span.start:X} to 0x{span.end:X} is not made of whole granules of {GRANULE} bytes",
            next_step="align the block",
        )


def rbar(span: Span, rights: Rights) -> int:
    """Return MPU_RBAR: base, non-shareable, access permission, execute-never.

    Raises:
        PlanError: The unit has no access permission for these rights, or the span is not made of whole granules.
    """
    require_whole(span)
    pair = (rights.privileged, rights.unprivileged)
    if pair not in _AP:
        raise PlanError(f"Armv8-M has no access permission for {rights.words}", next_step="choose other rights")
    return span.start | _AP[pair] << 1 | (0 if rights.execute else 1)


def rlar(span: Span, store: Store) -> int:
    """Return MPU_RLAR of an enabled region: its last granule and the index of its attribute in MPU_MAIR0.

    Raises:
        PlanError: The span is not made of whole granules.
    """
    require_whole(span)
    return span.end - GRANULE | _ATTRIBUTE[store] << 1 | 1
