"""The security attribution unit of Armv8-M: regions that are non-secure, or non-secure callable; all else is secure.

Armv8-M Architecture Reference Manual (DDI 0553), SAU_RBAR and SAU_RLAR. It labels what the core does. Whether a memory
refuses a non-secure access is that memory's own business: see `Protection.memory_side`.
"""

from __future__ import annotations

from rootwright.plan.lockdown.pmsav8 import GRANULE, require_whole
from rootwright.plan.lockdown.spans import Span

SOURCE = "Armv8-M ARM (DDI 0553), SAU_RBAR and SAU_RLAR"
SAU_CTRL, SAU_RNR, SAU_RBAR, SAU_RLAR = 0xE000EDD0, 0xE000EDD8, 0xE000EDDC, 0xE000EDE0
CTRL_ENABLE, CTRL_ALLNS = 1, 2


def rbar(span: Span) -> int:
    """Return SAU_RBAR.

    Raises:
        PlanError: The span is not made of whole granules of 32 bytes.
    """
    require_whole(span)
    return span.start


def rlar(span: Span, *, callable_gate: bool = False) -> int:
    """Return SAU_RLAR of an enabled region; a gate is secure memory that non-secure code may call into.

    Raises:
        PlanError: The span is not made of whole granules of 32 bytes.
    """
    require_whole(span)
    return span.end - GRANULE | (2 if callable_gate else 0) | 1
