"""What a manifest and an envelope hold, as frozen dataclasses; no bytes are read or written here.

Names follow the CDDL of draft-ietf-suit-manifest-34, Appendix A. Offsets are where a command stood in its section; they
are for reports and do not take part in comparison.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from rootwright.suit.numbers import (
    MANIFEST_VERSION,
    Condition,
    Directive,
    ManifestKey,
    Parameter,
    ReportingPolicy,
)

#: SUIT_Component_Identifier: a path of byte strings.
ComponentIdentifier: TypeAlias = tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Digest:
    """SUIT_Digest: a COSE algorithm number and the digest."""

    algorithm: int
    value: bytes


@dataclass(frozen=True, slots=True)
class CborPen:
    """A vendor identifier that is a private enterprise number, as a relative object identifier (CBOR tag 112)."""

    relative_oid: bytes


@dataclass(frozen=True, slots=True)
class Raw:
    """A value that is only known to be well-formed CBOR: an extension's or an application's own."""

    encoded: bytes


ParameterValue: TypeAlias = "bytes | str | int | bool | Digest | CborPen | Raw"


@dataclass(frozen=True, slots=True)
class ConditionCommand:
    """A condition of the core draft, with its reporting policy."""

    number: Condition
    policy: ReportingPolicy = ReportingPolicy.ALL
    offset: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class DirectiveCommand:
    """A write, fetch, copy, invoke or swap, with its reporting policy."""

    number: Directive
    policy: ReportingPolicy = ReportingPolicy.SEND_RECORD_ON_FAILURE
    offset: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class SetComponentIndex:
    """Which components the following commands are for: one, those listed, or all (True)."""

    index: int | Literal[True] | tuple[int, ...]
    offset: int = field(default=0, compare=False)

    @property
    def number(self) -> Directive:
        """The command's number."""
        return Directive.SET_COMPONENT_INDEX


@dataclass(frozen=True, slots=True)
class OverrideParameters:
    """Parameters to set, in the order of their numbers."""

    parameters: tuple[tuple[int, ParameterValue], ...]
    offset: int = field(default=0, compare=False)

    @classmethod
    def of(cls, parameters: Mapping[Parameter, ParameterValue]) -> OverrideParameters:
        """Return the command that sets these parameters."""
        return cls(tuple((int(number), parameters[number]) for number in sorted(parameters)))

    @property
    def number(self) -> Directive:
        """The command's number."""
        return Directive.OVERRIDE_PARAMETERS


@dataclass(frozen=True, slots=True)
class TryEach:
    """Sequences of which the first that passes counts; `or_nothing` when failing all of them is no failure."""

    sequences: tuple[CommandSequence, ...]
    or_nothing: bool = False
    offset: int = field(default=0, compare=False)

    @property
    def number(self) -> Directive:
        """The command's number."""
        return Directive.TRY_EACH


@dataclass(frozen=True, slots=True)
class RunSequence:
    """A sequence of its own, for each component in turn."""

    sequence: CommandSequence
    offset: int = field(default=0, compare=False)

    @property
    def number(self) -> Directive:
        """The command's number."""
        return Directive.RUN_SEQUENCE


@dataclass(frozen=True, slots=True)
class ExtensionCommand:
    """A command of an extension or of an application: printed, never executed."""

    number: int
    argument: Raw
    offset: int = field(default=0, compare=False)


Command: TypeAlias = (
    "ConditionCommand | DirectiveCommand | SetComponentIndex | OverrideParameters | TryEach | RunSequence"
    " | ExtensionCommand"
)
CommandSequence: TypeAlias = tuple[Command, ...]


@dataclass(frozen=True, slots=True)
class LanguageText:
    """The text of one language: about the manifest, and about each component."""

    language: str
    fields: tuple[tuple[int, str], ...] = ()
    components: tuple[tuple[ComponentIdentifier, tuple[tuple[int, str], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Text:
    """SUIT_Text_Map: human-readable text by language."""

    languages: tuple[LanguageText, ...]


@dataclass(frozen=True, slots=True)
class Manifest:
    """SUIT_Manifest. A severable member is its content, the digest that stands for it, or None."""

    sequence_number: int
    components: tuple[ComponentIdentifier, ...]
    shared: CommandSequence = ()
    reference_uri: str | None = None
    validate: CommandSequence | None = None
    load: CommandSequence | None = None
    invoke: CommandSequence | None = None
    payload_fetch: CommandSequence | Digest | None = None
    install: CommandSequence | Digest | None = None
    text: Text | Digest | None = None
    extensions: tuple[tuple[int, Raw], ...] = ()
    common_extensions: tuple[tuple[int, Raw], ...] = ()
    version: int = MANIFEST_VERSION

    def member(self, key: ManifestKey) -> CommandSequence | Digest | Text | None:
        """Return a command sequence or the text by its key; None where the manifest has none."""
        return {
            ManifestKey.VALIDATE: self.validate,
            ManifestKey.LOAD: self.load,
            ManifestKey.INVOKE: self.invoke,
            ManifestKey.PAYLOAD_FETCH: self.payload_fetch,
            ManifestKey.INSTALL: self.install,
            ManifestKey.TEXT: self.text,
        }[key]


@dataclass(frozen=True, slots=True)
class Envelope:
    """SUIT_Envelope with everything inside still as bytes, as it came: nothing here is authenticated.

    Attributes:
        digest: What the authentication wrapper says the manifest's digest is.
        blocks: The encoded COSE messages of the authentication wrapper.
        manifest: Content of the manifest's byte string.
        severed: Key and content of each severed member.
        payloads: Name (a URI) and content of each integrated payload.
        offsets: Absolute offset of the content of each member, by key or name.
    """

    digest: Digest
    blocks: tuple[bytes, ...]
    manifest: bytes
    severed: tuple[tuple[int, bytes], ...] = ()
    payloads: tuple[tuple[str, bytes], ...] = ()
    offsets: tuple[tuple[int | str, int], ...] = field(default=(), compare=False, repr=False)

    def offset_of(self, key: int | str) -> int:
        """Return where a member's content starts in the file; 0 where it is not from a file."""
        return dict(self.offsets).get(key, 0)


def nested_sequences(command: Command) -> tuple[CommandSequence, ...]:
    """Return the sequences inside a command, if it has any."""
    if isinstance(command, TryEach):
        return command.sequences
    return (command.sequence,) if isinstance(command, RunSequence) else ()


def iterate_commands(sequence: CommandSequence) -> Iterator[Command]:
    """Iterate over every command of a sequence, those inside nested sequences included, in order."""
    for command in sequence:
        yield command
        for inner in nested_sequences(command):
            yield from iterate_commands(inner)
