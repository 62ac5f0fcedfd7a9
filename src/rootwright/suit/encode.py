"""Envelopes, manifests, command sequences and text into bytes: the one deterministic encoding of each."""

from __future__ import annotations

from rootwright.cose import cbor
from rootwright.suit.numbers import ENVELOPE_TAG, CommonKey, EnvelopeKey, ManifestKey
from rootwright.suit.parameters import encode_digest, encode_parameter
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ConditionCommand,
    Digest,
    DirectiveCommand,
    Envelope,
    ExtensionCommand,
    Manifest,
    OverrideParameters,
    RunSequence,
    SetComponentIndex,
    Text,
)


def _argument(command: Command) -> cbor.Value:
    if isinstance(command, ConditionCommand | DirectiveCommand):
        return int(command.policy)
    if isinstance(command, SetComponentIndex):
        return command.index if isinstance(command.index, bool | int) else list(command.index)
    if isinstance(command, OverrideParameters):
        return {number: encode_parameter(number, value) for number, value in command.parameters}
    if isinstance(command, RunSequence):
        return encode_sequence(command.sequence)
    if isinstance(command, ExtensionCommand):
        return cbor.Encoded(command.argument.encoded)
    sequences: list[cbor.Value] = [encode_sequence(sequence) for sequence in command.sequences]
    return [*sequences, None] if command.or_nothing else sequences


def encode_sequence(sequence: CommandSequence) -> bytes:
    """Return a command sequence, without the byte-string header it is carried in."""
    flat: list[cbor.Value] = []
    for command in sequence:
        flat += [int(command.number), _argument(command)]
    return cbor.encode(flat)


def encode_text(text: Text) -> bytes:
    """Return a text map, without its byte-string header."""
    languages: dict[str, cbor.Value] = {}
    for language in text.languages:
        content: dict[cbor.Encoded, cbor.Value] = {
            cbor.Encoded(cbor.encode(number)): value for number, value in language.fields
        }
        for component, fields in language.components:
            content[cbor.Encoded(cbor.encode(list(component)))] = dict(fields)
        languages[language.language] = content
    return cbor.encode(languages)


def encode_member(content: CommandSequence | Text | Digest) -> cbor.Value:
    """Return a manifest member for the writer: a digest as it is, content as a byte string."""
    if isinstance(content, Digest):
        return encode_digest(content)
    return encode_text(content) if isinstance(content, Text) else encode_sequence(content)


def encode_manifest(manifest: Manifest) -> bytes:
    """Return a manifest, without the byte-string header it is carried in."""
    common: dict[int, cbor.Value] = {number: cbor.Encoded(raw.encoded) for number, raw in manifest.common_extensions}
    if manifest.components:
        common[CommonKey.COMPONENTS] = [list(component) for component in manifest.components]
    if manifest.shared:
        common[CommonKey.SHARED_SEQUENCE] = encode_sequence(manifest.shared)
    members: dict[int, cbor.Value] = {number: cbor.Encoded(raw.encoded) for number, raw in manifest.extensions}
    members[ManifestKey.MANIFEST_VERSION] = manifest.version
    members[ManifestKey.MANIFEST_SEQUENCE_NUMBER] = manifest.sequence_number
    members[ManifestKey.COMMON] = cbor.encode(common)
    if manifest.reference_uri is not None:
        members[ManifestKey.REFERENCE_URI] = manifest.reference_uri
    for key in (
        ManifestKey.VALIDATE,
        ManifestKey.LOAD,
        ManifestKey.INVOKE,
        ManifestKey.PAYLOAD_FETCH,
        ManifestKey.INSTALL,
        ManifestKey.TEXT,
    ):
        content = manifest.member(key)
        if content is not None:
            members[key] = encode_member(content)
    return cbor.encode(members)


def encode_envelope(envelope: Envelope) -> bytes:
    """Return an envelope's bytes; those that `decode_envelope` was given."""
    digest = cbor.encode(encode_digest(envelope.digest))
    members: dict[cbor.Encoded, cbor.Value] = {
        cbor.Encoded(cbor.encode(int(EnvelopeKey.AUTHENTICATION_WRAPPER))): cbor.encode([digest, *envelope.blocks]),
        cbor.Encoded(cbor.encode(int(EnvelopeKey.MANIFEST))): envelope.manifest,
    }
    for number, content in envelope.severed:
        members[cbor.Encoded(cbor.encode(number))] = content
    for name, content in envelope.payloads:
        members[cbor.Encoded(cbor.encode(name))] = content
    return cbor.encode(cbor.Tag(ENVELOPE_TAG, members))
