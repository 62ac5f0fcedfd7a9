"""How processing a manifest ended, with the reasons of the report draft and details of our own."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.errors import RootwrightError, VerificationError
from rootwright.suit.numbers import ManifestKey, Reason
from rootwright.suit.structures import ComponentIdentifier
from rootwright.suit.words import command_word, manifest_word, word

#: The section number under which commands of suit-shared-sequence are recorded.
SHARED_SECTION = ManifestKey.COMMON


@dataclass(frozen=True, slots=True)
class Record:
    """What happened at one command: the fields of a SUIT record, and what the command was.

    Attributes:
        section: Manifest key of the section; suit-common for the shared sequence.
        offset: Byte offset of the command in the section's command sequence.
        component_index: Index of the component it was executed for.
        command: Number of the command.
        passed: Whether it succeeded.
        properties: What was compared or used, as name and value, where the reporting policy asks for it.
        manifest_id: Component identifier of the manifest; empty for a manifest without one.
    """

    section: ManifestKey
    offset: int
    component_index: int
    command: int
    passed: bool
    properties: tuple[tuple[str, bytes | str | int], ...] = ()
    manifest_id: ComponentIdentifier = ()

    def describe(self) -> str:
        """Return the record in one line."""
        result = "passed" if self.passed else "failed"
        place = f"{manifest_word(self.section)} offset {self.offset}, component {self.component_index}"
        return f"{command_word(self.command)} {result} ({place})"


@dataclass(frozen=True, slots=True)
class Outcome:
    """How processing ended.

    Attributes:
        reason: The report draft's reason; OK or INVOKE_PENDING when nothing failed.
        detail: A short constant word of our own that tells apart what one reason covers; empty when nothing failed.
        text: The same for people.
        result_record: The command that decided, if one did.
        records: Commands that their reporting policy wanted recorded, in order.
        invoked: Components that were invoked, in order.
        commands: How many commands were executed.
    """

    reason: Reason
    detail: str = ""
    text: str = ""
    result_record: Record | None = None
    records: tuple[Record, ...] = ()
    invoked: tuple[ComponentIdentifier, ...] = ()
    commands: int = 0

    @property
    def is_success(self) -> bool:
        """Whether every command that had to succeed did."""
        return self.reason in (Reason.OK, Reason.INVOKE_PENDING)

    def require_success(self) -> None:
        """Return only if nothing failed; raise VerificationError with the reason otherwise."""
        if not self.is_success:
            where = self.result_record.describe() if self.result_record else ""
            raise VerificationError(f"{word(self.reason)}, {self.detail}: {self.text}", where=where)


class Refused(RootwrightError):
    """A manifest is not processed further; the interpreter turns this into an Outcome.

    Args:
        reason: Report reason.
        detail: Short constant word.
        text: For people.
        record: The command that decided, if one did.
    """

    def __init__(self, reason: Reason, detail: str, text: str, record: Record | None = None) -> None:
        self.reason = reason
        self.detail = detail
        self.text = text
        self.record = record
        super().__init__(text)
