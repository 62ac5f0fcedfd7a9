"""What can be refused before anything is executed: unsupported commands, indices out of range, missing identity checks.

Source: draft-ietf-suit-manifest-34 sections 6.2 and 8.4. All sections that are at hand are checked, not only those to
be executed, so that a device does not install what it could never validate or invoke.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rootwright.suit.numbers import CUSTOM_BELOW, Condition, ManifestKey, Parameter, Reason
from rootwright.suit.outcome import SHARED_SECTION, Record, Refused
from rootwright.suit.parameters import EXTENSIONS
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ExtensionCommand,
    Manifest,
    OverrideParameters,
    SetComponentIndex,
    iterate_commands,
    nested_sequences,
)
from rootwright.suit.words import command_word, manifest_word, parameter_word

#: The sections in the order in which they are executed.
SECTIONS = (
    ManifestKey.PAYLOAD_FETCH,
    ManifestKey.INSTALL,
    ManifestKey.VALIDATE,
    ManifestKey.LOAD,
    ManifestKey.INVOKE,
)


@dataclass(frozen=True, slots=True)
class Limits:
    """How much one manifest may ask for.

    Attributes:
        commands: Commands executed in all sections together; one that applies to three components counts three.
        components: Components that one manifest may name.
    """

    commands: int = 4096
    components: int = 64


def _record(section: ManifestKey, command: Command) -> Record:
    return Record(section, command.offset, 0, int(command.number), passed=False)


def _require_members(manifest: Manifest, limits: Limits) -> None:
    for number, _ in manifest.extensions:
        raise Refused(
            Reason.COMMAND_UNSUPPORTED, "extension-member", f"{manifest_word(number)} belongs to an extension"
        )
    if manifest.common_extensions:
        raise Refused(Reason.COMMAND_UNSUPPORTED, "extension-member", "suit-dependencies belongs to an extension")
    if not manifest.components:
        raise Refused(Reason.COMPONENT_UNSUPPORTED, "no-component", "the manifest names no component")
    if len(manifest.components) > limits.components:
        raise Refused(
            Reason.COMPONENT_UNSUPPORTED,
            "too-many-components",
            f"the manifest names {len(manifest.components)} components, {limits.components} are the limit",
        )


def _require_identity(manifest: Manifest) -> None:
    found = {int(command.number) for command in iterate_commands(manifest.shared)}
    for condition in (Condition.VENDOR_IDENTIFIER, Condition.CLASS_IDENTIFIER):
        if condition not in found:
            raise Refused(
                Reason.CONDITION_FAILED,
                "no-identity-check",
                f"suit-shared-sequence lacks {command_word(condition)}: any device would take this manifest",
            )


def _require_indices(section: ManifestKey, command: Command, count: int) -> None:
    indices: tuple[int, ...] = ()
    if isinstance(command, SetComponentIndex) and command.index is not True:
        indices = command.index if isinstance(command.index, tuple) else (command.index,)
    elif isinstance(command, OverrideParameters):
        source = dict(command.parameters).get(Parameter.SOURCE_COMPONENT)
        indices = (source,) if isinstance(source, int) else ()
    for index in indices:
        if index >= count:
            raise Refused(
                Reason.COMPONENT_UNSUPPORTED,
                "index-out-of-range",
                f"component index {index}, and the manifest names {count} components",
                _record(section, command),
            )


def _require_commands(section: ManifestKey, sequence: CommandSequence, count: int, *, nested: bool) -> None:
    for command in sequence:
        if isinstance(command, ExtensionCommand):
            detail = "custom-command" if command.number < CUSTOM_BELOW else "extension-command"
            raise Refused(
                Reason.COMMAND_UNSUPPORTED,
                detail,
                f"{command_word(command.number)} is not executed here",
                _record(section, command),
            )
        _require_indices(section, command, count)
        if isinstance(command, OverrideParameters):
            for number, _ in command.parameters:
                if number in EXTENSIONS or number < CUSTOM_BELOW:
                    raise Refused(
                        Reason.PARAMETER_UNSUPPORTED,
                        "extension-parameter" if number in EXTENSIONS else "custom-parameter",
                        f"{parameter_word(number)} is not used here",
                        _record(section, command),
                    )
                if number == Parameter.SOFT_FAILURE and not nested:
                    raise Refused(
                        Reason.OPERATION_FAILED,
                        "soft-failure-outside",
                        "suit-parameter-soft-failure is set outside try-each and run-sequence",
                        _record(section, command),
                    )
        for inner in nested_sequences(command):
            _require_commands(section, inner, count, nested=True)


def require_structure(
    manifest: Manifest,
    sections: Mapping[ManifestKey, CommandSequence],
    *,
    limits: Limits,
    require_identity: bool = True,
) -> None:
    """Return only if everything in the manifest can be executed by this package.

    Args:
        manifest: Authenticated.
        sections: The command sequences at hand, by manifest key.
        limits: See `Limits`.
        require_identity: Whether the shared sequence must test vendor and class (section 6.2, a SHOULD).

    Raises:
        Refused: With the report's reason, our detail and the command.
    """
    _require_members(manifest, limits)
    count = len(manifest.components)
    everything = {SHARED_SECTION: manifest.shared, **sections}
    for section, sequence in everything.items():
        if count > 1 and sequence and not isinstance(sequence[0], SetComponentIndex):
            raise Refused(
                Reason.COMMAND_UNSUPPORTED,
                "no-component-index",
                f"{manifest_word(section)} must begin with suit-directive-set-component-index: there are {count}"
                " components",
                _record(section, sequence[0]),
            )
        _require_commands(section, sequence, count, nested=False)
    if require_identity:
        _require_identity(manifest)
