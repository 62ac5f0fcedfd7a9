"""A broken procedure whose mistake shows only where the part stops a read of an undecodable unit."""

from __future__ import annotations

from rootwright.describe.product import Procedure
from rootwright.device.port import Claim
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.prove.broken import Broken


class ReadsUncaught(CopyOver):
    """Reads its logs with no handler for what a torn record raises."""

    catches_faults = False


BROKEN_READS: tuple[Broken, ...] = (
    Broken(
        "reads-uncaught",
        "nothing catches the read of a torn record",
        "On the desk no record is ever torn. In the field the scan of the log meets one, the core resets, and meets it "
        "again.",
        Procedure.COPY_OVER,
        ReadsUncaught,
        Claim.ENDS,
        1,
    ),
)
"""Explored beside the others where a log lies in a memory whose undecodable units raise a fault or an interrupt."""
