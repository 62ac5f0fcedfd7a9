"""The errors a user can meet. Every message says where, what was found and expected, and what to do next."""

from __future__ import annotations


class RootwrightError(Exception):
    """Root of all errors shown to a user; the command line prints it and leaves with exit code 2.

    Args:
        found: What was found, against what was expected.
        where: File, line or field path, byte offset; empty where nothing narrower is known.
        next_step: What the reader can do about it.
    """

    def __init__(self, found: str, *, where: str = "", next_step: str = "") -> None:
        self.found = found
        self.where = where
        self.next_step = next_step
        super().__init__(str(self))

    def __str__(self) -> str:
        head = f"{self.where}: {self.found}" if self.where else self.found
        return f"{head}\n  next: {self.next_step}" if self.next_step else head


class DescriptionError(RootwrightError):
    """A chip or product file says something that cannot be meant; mend the named field."""


class ImageError(RootwrightError):
    """A firmware file is truncated, contradicts itself or does not belong where it claims; rebuild it."""


class PackingError(RootwrightError):
    """A packer or reader of the product's own failed, or gives other bytes each time; mend it, or its settings."""


class FormatError(RootwrightError):
    """Bytes from outside are not the strict encoding of anything known (CBOR, COSE, SUIT); refuse them."""


class VerificationError(RootwrightError):
    """A signature, tag or digest does not hold; do not use what it covers."""


class KeyFileError(RootwrightError):
    """A key is missing, unreadable, of the wrong kind or not protected; mend the key, not the check."""


class PlanError(RootwrightError):
    """The planner was asked something it cannot answer; the message names the block or field."""


class ReleaseRefused(RootwrightError):
    """A release would put a device at risk; the message names the rule and the way out."""


class ProcedureError(RootwrightError):
    """An update procedure broke the rules of its port (hidden state, endless step); mend the procedure."""


class BenchError(RootwrightError):
    """The bench cannot run the boot program as described: mend the `[bench]` tables or the build, as it says."""
