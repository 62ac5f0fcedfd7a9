"""An inspection as lines for a terminal, or as data for JSON, in the standard's words.

Text in an envelope comes from anyone: whatever could steer a terminal is shown as an escape.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from typing import TypeAlias

from rootwright.cose import cbor
from rootwright.suit.identifiers import class_identifier, uuid_text, vendor_identifier
from rootwright.suit.inspection import Inspection, MemberReport, extension_sequence
from rootwright.suit.numbers import ComponentTextKey, ManifestKey, Parameter
from rootwright.suit.structures import (
    CborPen,
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    Digest,
    DirectiveCommand,
    ExtensionCommand,
    OverrideParameters,
    ParameterValue,
    Raw,
    RunSequence,
    SetComponentIndex,
    Text,
    TryEach,
)
from rootwright.suit.words import command_word, digest_word, manifest_word, parameter_word, policy_word, text_word

#: Names for identifiers: raw identifier to what it was made from.
Names: TypeAlias = dict[bytes, str]
#: Bytes of a parameter that are shown; longer values are cut, and their size is given.
_SHOWN_BYTES = 32
_IDENTIFIERS = (Parameter.VENDOR_IDENTIFIER, Parameter.CLASS_IDENTIFIER, Parameter.DEVICE_IDENTIFIER)


def plain(text: str) -> str:
    """Return text on one line with everything that could steer a terminal as an escape.

    >>> plain("a" + chr(27) + "[2J" + chr(0x202E))
    'a\\\\x1b[2J\\\\u202e'
    """
    return "".join(
        character.encode("unicode_escape").decode()
        if unicodedata.category(character)[0] == "C" or unicodedata.category(character) in ("Zl", "Zp")
        else character
        for character in text
    )


def component_text(component: ComponentIdentifier) -> str:
    """Return a component identifier: parts that are plain ASCII as text, the rest in hex.

    >>> component_text((b"app", bytes([0])))
    "['app', 0x00]"
    """
    parts = [
        f"'{part.decode()}'"
        if part and all(32 <= byte < 127 and byte not in b"'\\" for byte in part)
        else f"0x{part.hex()}"
        for part in component
    ]
    return "[" + ", ".join(parts) + "]"


def known_names(inspection: Inspection, given: Sequence[str] = ()) -> Names:
    """Return the identifiers that can be recognised: made from the envelope's own text, or from names the caller gives.

    Args:
        inspection: Its text may state a vendor domain and what the class was made from.
        given: `domain` or `domain/class` each.
    """
    pairs: list[tuple[str, str]] = []
    for name in given:
        domain, _, information = name.partition("/")
        pairs.append((domain, information))
    for member in inspection.members:
        if isinstance(member.content, Text):
            for language in member.content.languages:
                for _, fields in language.components:
                    texts = dict(fields)
                    domain = texts.get(ComponentTextKey.VENDOR_DOMAIN, "")
                    pairs.append((domain, texts.get(ComponentTextKey.MODEL_INFO, "")))
    names: Names = {}
    for domain, information in pairs:
        if domain:
            vendor = vendor_identifier(domain)
            names[vendor] = f"vendor {plain(domain)}"
            if information:
                names[class_identifier(vendor, information)] = f"class {plain(information)} of {plain(domain)}"
    return names


def _bytes_text(value: bytes) -> str:
    shown = value[:_SHOWN_BYTES].hex()
    cut = "..." if len(value) > _SHOWN_BYTES else ""
    return f"{shown}{cut} ({len(value)} bytes)"


def _value_text(number: int, value: ParameterValue, names: Names) -> str:
    if isinstance(value, Digest):
        return f"{digest_word(value.algorithm)} {value.value.hex()}"
    if isinstance(value, CborPen):
        return f"private enterprise number {value.relative_oid.hex()}"
    if isinstance(value, Raw):
        return plain(cbor.diagnostic(cbor.decode(value.encoded)))
    if isinstance(value, bytes):
        if number in _IDENTIFIERS:
            return uuid_text(value) + (f"  ({names[value]})" if value in names else "")
        return _bytes_text(value)
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value} bytes" if number == Parameter.IMAGE_SIZE else str(value)


def _index_text(command: SetComponentIndex) -> str:
    if command.index is True:
        return "all components"
    if isinstance(command.index, tuple):
        return "components " + ", ".join(str(index) for index in command.index)
    return f"component {command.index}"


def _aligned(rows: Sequence[tuple[str, str]], indent: int) -> Iterator[str]:
    width = max((len(name) for name, _ in rows), default=0)
    for name, value in rows:
        yield f"{' ' * indent}{name:<{width}}  {value}".rstrip()


def sequence_lines(sequence: CommandSequence, names: Names, *, indent: int = 2) -> Iterator[str]:
    """Yield a command sequence, one command a line, with what it holds indented below."""
    space = " " * indent
    # Conditions and directives that follow each other are aligned, so that their policies stand in a column.
    width = max(
        (
            len(command_word(command.number))
            for command in sequence
            if isinstance(command, ConditionCommand | DirectiveCommand | SetComponentIndex)
        ),
        default=0,
    )
    for command in sequence:
        word = command_word(int(command.number))
        if isinstance(command, ConditionCommand | DirectiveCommand):
            yield f"{space}{word:<{width}}  {policy_word(command.policy)}"
        elif isinstance(command, SetComponentIndex):
            yield f"{space}{word:<{width}}  {_index_text(command)}"
        elif isinstance(command, ExtensionCommand):
            argument = cbor.diagnostic(cbor.decode(command.argument.encoded))
            yield f"{space}{word}  {plain(argument)}  (extension)"
        else:
            yield f"{space}{word}"
            yield from _inside(command, names, indent + 2)


def _inside(command: OverrideParameters | TryEach | RunSequence, names: Names, indent: int) -> Iterator[str]:
    if isinstance(command, OverrideParameters):
        rows = [(parameter_word(number), _value_text(number, value, names)) for number, value in command.parameters]
        yield from _aligned(rows, indent)
    elif isinstance(command, RunSequence):
        yield from sequence_lines(command.sequence, names, indent=indent)
    else:
        for number, sequence in enumerate(command.sequences, 1):
            yield f"{' ' * indent}alternative {number}"
            yield from sequence_lines(sequence, names, indent=indent + 2)
        if command.or_nothing:
            yield f"{' ' * indent}or nothing"


def _text_lines(text: Text) -> Iterator[str]:
    for language in text.languages:
        yield f"  {plain(language.language)}"
        groups = [("", language.fields)]
        groups += [(component_text(component), fields) for component, fields in language.components]
        for name, fields in groups:
            if name:
                yield f"    component {name}"
            indent = 6 if name else 4
            words = [text_word(number, component=bool(name)) for number, _ in fields]
            width = max((len(word) for word in words), default=0)
            for word, (_, value) in zip(words, fields, strict=True):
                lines = value.rstrip("\n").split("\n")
                if len(lines) == 1:
                    yield f"{' ' * indent}{word:<{width}}  {plain(value)}"
                    continue
                yield f"{' ' * indent}{word}"
                for line in lines:
                    yield f"{' ' * (indent + 2)}{plain(line)}".rstrip()


def _member_lines(member: MemberReport, names: Names) -> Iterator[str]:
    yield manifest_word(member.key) + (f"  ({member.state})" if member.state else "")
    if isinstance(member.content, Text):
        yield from _text_lines(member.content)
    elif member.content is not None:
        yield from sequence_lines(member.content, names)


def _extension_lines(inspection: Inspection, names: Names) -> Iterator[str]:
    manifest = inspection.manifest
    for number, raw in manifest.common_extensions:
        yield f"suit-dependencies  (extension)  {plain(cbor.diagnostic(cbor.decode(raw.encoded)))}"
        assert number
    for number, raw in manifest.extensions:
        sequence = extension_sequence(number, raw.encoded)
        if sequence is None:
            yield f"{manifest_word(number)}  (extension)  {plain(cbor.diagnostic(cbor.decode(raw.encoded)))}"
        else:
            yield f"{manifest_word(number)}  (extension)"
            yield from sequence_lines(sequence, names)


def listing(inspection: Inspection, given_names: Sequence[str] = ()) -> Iterator[str]:
    """Yield the lines that show an inspection; see `known_names` for `given_names`."""
    envelope, manifest = inspection.envelope, inspection.manifest
    names = known_names(inspection, given_names)
    state = "matches" if inspection.digest_matches else "DIFFERS"
    rows = [
        ("SUIT_Envelope", f"{inspection.size_bytes} bytes"),
        ("authentication", inspection.authentication),
        ("  digest", f"{digest_word(envelope.digest.algorithm)} {envelope.digest.value.hex()}  ({state})"),
    ]
    for number, block in enumerate(inspection.blocks, 1):
        kid = f", kid {block.kid.hex()}" if block.kid is not None else ""
        what = f"{block.structure} {block.algorithm}{kid}: " if block.structure else ""
        rows.append((f"  block {number}", f"{what}{plain(block.state)}"))
    rows.append(("SUIT_Manifest", f"version {manifest.version}, sequence number {manifest.sequence_number}"))
    if manifest.reference_uri is not None:
        rows.append(("  reference URI", plain(manifest.reference_uri)))
    rows += [(f"  component {index}", component_text(component)) for index, component in enumerate(manifest.components)]
    yield from _aligned(rows, 0)
    if manifest.shared:
        yield "suit-shared-sequence"
        yield from sequence_lines(manifest.shared, names)
    for member in inspection.members:
        yield from _member_lines(member, names)
    yield from _extension_lines(inspection, names)
    if inspection.payloads:
        yield "integrated payloads"
        yield from _aligned(
            [
                (
                    plain(payload.name),
                    f"{payload.size_bytes} bytes, {digest_word(payload.digest.algorithm)}"
                    f" {payload.digest.value.hex()}  ({payload.state})",
                )
                for payload in inspection.payloads
            ],
            2,
        )
    for note in inspection.notes:
        yield f"note: {plain(note)}"
    for found in inspection.findings:
        yield f"finding: {plain(found)}"


# The same as data


def _value_data(value: ParameterValue) -> object:
    if isinstance(value, Digest):
        return {"algorithm": digest_word(value.algorithm), "hex": value.value.hex()}
    if isinstance(value, CborPen):
        return {"private-enterprise-number": value.relative_oid.hex()}
    if isinstance(value, Raw):
        return {"diagnostic": cbor.diagnostic(cbor.decode(value.encoded))}
    return value.hex() if isinstance(value, bytes) else value


def _command_data(command: Command) -> dict[str, object]:
    data: dict[str, object] = {"command": command_word(int(command.number)), "offset": command.offset}
    if isinstance(command, ConditionCommand | DirectiveCommand):
        data["reporting-policy"] = int(command.policy)
    elif isinstance(command, SetComponentIndex):
        data["index"] = list(command.index) if isinstance(command.index, tuple) else command.index
    elif isinstance(command, OverrideParameters):
        data["parameters"] = {parameter_word(number): _value_data(value) for number, value in command.parameters}
    elif isinstance(command, RunSequence):
        data["sequence"] = sequence_data(command.sequence)
    elif isinstance(command, TryEach):
        data["alternatives"] = [sequence_data(sequence) for sequence in command.sequences]
        data["or-nothing"] = command.or_nothing
    else:
        data["argument"] = _value_data(command.argument)
    return data


def sequence_data(sequence: CommandSequence) -> list[dict[str, object]]:
    """Return a command sequence as plain data."""
    return [_command_data(command) for command in sequence]


def _text_data(text: Text) -> dict[str, object]:
    return {
        language.language: {
            "manifest": {text_word(number, component=False): value for number, value in language.fields},
            "components": [
                {
                    "component": [part.hex() for part in component],
                    **{text_word(number, component=True): value for number, value in fields},
                }
                for component, fields in language.components
            ],
        }
        for language in text.languages
    }


def _member_data(member: MemberReport) -> dict[str, object]:
    data: dict[str, object] = {"state": member.state or "in the manifest"}
    if isinstance(member.content, Text):
        data["text"] = _text_data(member.content)
    elif member.content is not None:
        data["commands"] = sequence_data(member.content)
    return data


def inspection_data(inspection: Inspection) -> dict[str, object]:
    """Return an inspection as plain data for JSON; byte strings in hex."""
    manifest = inspection.manifest
    members = {manifest_word(ManifestKey(member.key)): _member_data(member) for member in inspection.members}
    return {
        "size-bytes": inspection.size_bytes,
        "authentication": {
            "state": inspection.authentication,
            "digest": _value_data(inspection.envelope.digest),
            "digest-matches": inspection.digest_matches,
            "blocks": [
                {
                    "structure": block.structure,
                    "algorithm": block.algorithm,
                    "kid": None if block.kid is None else block.kid.hex(),
                    "state": block.state,
                }
                for block in inspection.blocks
            ],
        },
        "manifest": {
            "version": manifest.version,
            "sequence-number": manifest.sequence_number,
            "reference-uri": manifest.reference_uri,
            "components": [[part.hex() for part in component] for component in manifest.components],
            "suit-shared-sequence": sequence_data(manifest.shared),
            **members,
            "extensions": {
                manifest_word(number): cbor.diagnostic(cbor.decode(raw.encoded)) for number, raw in manifest.extensions
            },
        },
        "payloads": [
            {
                "name": payload.name,
                "size-bytes": payload.size_bytes,
                "digest": _value_data(payload.digest),
                "state": payload.state,
            }
            for payload in inspection.payloads
        ],
        "notes": list(inspection.notes),
        "findings": list(inspection.findings),
    }
