"""The form of `[[bench.log]]` and `[bench.application]` in product.toml: records that boot program and image share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from rootwright.describe.bench import ApplicationHalf, LogFormat
from rootwright.describe.fields import HexBytes, Name, Remark, Size, whole
from rootwright.describe.forms import Form
from rootwright.describe.problems import Fault, did_you_mean, listed, shown

Place = Annotated[int, whole(0, 4096)]
WORD = 4


class LogForm(Form):
    """A log of two halves that the boot program keeps: the sound record with the highest number is the newest."""

    name: Name = Field(description="Short name of the log.")
    at: Size = Field(description="Its address.")
    size: Size = Field(description="Its size: two halves, each erased on its own.")
    entry: Size = Field(description="Bytes of one record: whole program units.")
    records: Annotated[int, whole(0, 65535)] = Field(
        default=0, description="Records that one half takes; as many as fit if left out."
    )
    number: Place = Field(description="Offset in a record of the 32-bit number that counts records.")
    check: Place = Field(description="Offset of a CRC-32 over the record's first `covered` bytes.")
    covered: Size = Field(description="How many bytes the check covers.")
    version: Annotated[int, whole(-1, 4096)] = Field(
        default=-1, description="Offset of a 32-bit word that holds a `sequence` of `bench.approved`; -1 for none."
    )

    def log(self) -> LogFormat:
        """Return the log."""
        return LogFormat(
            self.name,
            self.at,
            self.size,
            self.entry,
            self.records or self.size // 2 // self.entry,
            self.number,
            self.check,
            self.covered,
            self.version,
        )

    def faults(self, path: tuple[str | int, ...]) -> Iterator[Fault]:
        """Yield what does not fit together."""
        if not self.entry or self.entry % WORD:
            yield Fault((*path, "entry"), f"{self.entry} bytes", "whole words of 4 bytes")
            return
        room = self.size // 2 // self.entry
        if room < 2 or self.records > room or self.records == 1:
            found = f"{self.records or room} records in a half of {self.size // 2} bytes"
            yield Fault((*path, "records"), found, "at least 2, and not more than fit")
        for word in ("number", "check", "version"):
            at = getattr(self, word)
            if at > self.entry - WORD or at % WORD * (at >= 0):
                yield Fault((*path, word), f"offset {at}", f"an aligned word inside the record of {self.entry} bytes")
        if not 0 < self.covered <= self.check:
            yield Fault((*path, "covered"), f"{self.covered} bytes", "bytes that lie before the check")


class ApplicationForm(Form):
    """What the application half writes between two starts. Records are given by their first bytes, in hexadecimal."""

    log: Name = Field(description="The log that it appends to.")
    asks: HexBytes = Field(description="Begin of the record that asks to install what is staged.")
    clears: HexBytes = Field(
        default=b"", description="Begin of the record that it writes before it receives an update."
    )
    reports: HexBytes | None = Field(
        default=None, description="Begin of the record by which an image on trial reports good."
    )
    trial_log: Remark = Field(default="", description="The log in which a record stands while an image is on trial.")
    trial: HexBytes | None = Field(default=None, description="Begin of that record.")

    def application(self) -> ApplicationHalf:
        """Return the application half."""
        clears, reports, trial = (given or b"" for given in (self.clears, self.reports, self.trial))
        return ApplicationHalf(self.log, self.asks, clears, reports, self.trial_log, trial)

    def faults(self, logs: list[LogForm]) -> Iterator[Fault]:
        """Yield logs that nobody declared, and a trial that is only half described."""
        names = [log.name for log in logs]
        for word, name in (("log", self.log), ("trial_log", self.trial_log)):
            if name and name not in names:
                yield Fault(
                    ("bench", "application", word),
                    shown(name),
                    f"a log of [[bench.log]]: {listed(names) or 'none is declared'}",
                    did_you_mean(name, names),
                )
        parts = [word for word in ("reports", "trial_log", "trial") if getattr(self, word)]
        if parts and len(parts) < 3:
            yield Fault(
                ("bench", "application"), f"of a trial only {listed(parts)}", "reports, trial_log and trial together"
            )
