"""What a device reports about an offered or started update."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from rootwright.cose.messages import UnsupportedAlgorithm, UnsupportedStructure
from rootwright.device.consumer.state import DeviceState
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.authentication import NotSigned, UnknownSigner
from rootwright.suit.digest import UnsupportedDigest
from rootwright.suit.numbers import Reason
from rootwright.suit.outcome import Record, Refused
from rootwright.suit.severed import SeveredAway
from rootwright.suit.words import word


class Verdict(StrEnum):
    """How it ended."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    NOTHING_TO_DO = "nothing to do"


@dataclass(frozen=True, slots=True)
class Report:
    """How a device dealt with an update.

    Attributes:
        step: "offer" or "start".
        reason: The report draft's reason (draft-ietf-suit-report-18).
        detail: Our own short word for what the reason covers; empty when nothing failed.
        text: The same for people.
        record: The manifest's command that decided, if one did.
        sequence: The manifest's sequence number; None before it is authenticated.
        signers: Names of the anchors that vouch for it.
        fetched: URIs that were asked for, in order.
        written: Regions that were erased or programmed, in order.
        started: Components that were started.
        device: The device afterwards.
    """

    step: str
    verdict: Verdict
    reason: Reason
    device: DeviceState = field(repr=False)
    detail: str = ""
    text: str = ""
    record: Record | None = None
    sequence: int | None = None
    signers: tuple[str, ...] = ()
    fetched: tuple[str, ...] = ()
    written: tuple[str, ...] = ()
    started: tuple[str, ...] = ()

    @property
    def is_refused(self) -> bool:
        """Whether the update was refused."""
        return self.verdict is Verdict.REFUSED

    def to_dict(self) -> dict[str, Any]:
        """Return the report for JSON; the device's memories are left out."""
        return {
            "step": self.step,
            "verdict": self.verdict.value,
            "reason": int(self.reason),
            "reason_word": word(self.reason),
            "detail": self.detail,
            "text": self.text,
            "command": self.record.describe() if self.record else None,
            "sequence": self.sequence,
            "signers": list(self.signers),
            "fetched": list(self.fetched),
            "written": list(self.written),
            "started": list(self.started),
            "floor": self.device.floor,
            "installed": self.device.installed.sequence,
            "running_slot": self.device.running,
            "pending": self.device.pending is not None,
        }


def refusal(error: FormatError | VerificationError) -> Refused:
    """Return the reason and detail of an error that was met while reading or authenticating an envelope."""
    reason, detail = Reason.UNAUTHORISED, "not-authentic"
    if isinstance(error, UnsupportedStructure):
        reason, detail = Reason.COSE_UNSUPPORTED, "cose-structure"
    elif isinstance(error, UnsupportedAlgorithm | UnsupportedDigest):
        reason, detail = Reason.ALG_UNSUPPORTED, "algorithm"
    elif isinstance(error, FormatError):
        reason, detail = Reason.CBOR_PARSE, "malformed"
    elif isinstance(error, NotSigned):
        detail = "not-signed"
    elif isinstance(error, UnknownSigner):
        detail = "unknown-signer"
    elif isinstance(error, SeveredAway):
        reason, detail = Reason.OPERATION_FAILED, "severed-away"
    return Refused(reason, detail, f"{error.where}: {error.found}" if error.where else error.found)
