"""Bytes into envelopes, manifests, command sequences and text: strict, with the offset of whatever is wrong.

An envelope is read without looking inside the manifest, severed members or payloads; `authentication` decides what may
be looked into. Only the form of draft-ietf-suit-manifest-34 and the known members of its extensions are accepted.
"""

from __future__ import annotations

import re
from typing import Literal

from rootwright.cose import cbor
from rootwright.suit.numbers import (
    CUSTOM_BELOW,
    ENVELOPE_TAG,
    EXECUTED_CONDITIONS,
    EXECUTED_DIRECTIVES,
    MANIFEST_EXTENSIONS,
    MANIFEST_VERSION,
    SEVERABLE,
    SEVERABLE_EXTENSIONS,
    CommonKey,
    ComponentTextKey,
    Condition,
    Directive,
    EnvelopeKey,
    ManifestKey,
    ReportingPolicy,
    TextKey,
)
from rootwright.suit.parameters import decode_digest, decode_parameters
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    Digest,
    DirectiveCommand,
    Envelope,
    ExtensionCommand,
    LanguageText,
    Manifest,
    OverrideParameters,
    Raw,
    RunSequence,
    SetComponentIndex,
    Text,
    TryEach,
)
from rootwright.suit.words import command_word, manifest_word

#: Command sequences may stand inside each other this deep.
MAX_NESTING = 8
#: Directives that a shared sequence may hold (Appendix A, SUIT_Shared_Commands); conditions are all allowed.
_SHARED = {
    Directive.SET_COMPONENT_INDEX,
    Directive.RUN_SEQUENCE,
    Directive.TRY_EACH,
    Directive.OVERRIDE_PARAMETERS,
    Directive.SET_PARAMETERS,
}
_CONDITIONS = {int(member) for member in Condition}
_DIRECTIVES = {int(member) for member in Directive}
# The language tag of RFC 9290 Appendix A.
_LANGUAGE = re.compile(r"[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*")


def decode_envelope(data: bytes) -> Envelope:
    """Return the envelope in a file, with its members still as bytes.

    Raises:
        FormatError: The file is not one strict SUIT_Envelope; with the byte offset.
    """
    top = cbor.decode(data, what="the envelope").tagged("SUIT_Envelope", ENVELOPE_TAG)
    members: dict[int, cbor.Item] = {}
    payloads: list[tuple[str, bytes]] = []
    severed: list[tuple[int, bytes]] = []
    offsets: list[tuple[int | str, int]] = []
    for key, value in top.pairs("SUIT_Envelope"):
        if key.major == 3:
            name = key.text("payload name")
            payloads.append((name, value.bytes(f"integrated payload {name!r}")))
            offsets.append((name, value.content_offset))
            continue
        number = key.integer("envelope key")
        if number in (EnvelopeKey.AUTHENTICATION_WRAPPER, EnvelopeKey.MANIFEST):
            members[number] = value
        elif number in SEVERABLE or number in SEVERABLE_EXTENSIONS:
            severed.append((number, value.bytes(manifest_word(number))))
        else:
            raise cbor.mistake(key.offset, f"envelope key {number} is not known")
        offsets.append((number, value.content_offset))
    for key_needed in (EnvelopeKey.AUTHENTICATION_WRAPPER, EnvelopeKey.MANIFEST):
        if key_needed not in members:
            raise cbor.mistake(top.offset, f"the envelope has no key {key_needed.value}, {key_needed.name.lower()}")
    wrapper = members[EnvelopeKey.AUTHENTICATION_WRAPPER].wrapped("suit-authentication-wrapper")
    parts = wrapper.array("suit-authentication-wrapper")
    if not parts:
        raise cbor.mistake(wrapper.offset, "suit-authentication-wrapper holds no digest")
    # Blocks have no key of their own; negative numbers keep them apart from the members.
    offsets += [(-1 - index, part.content_offset) for index, part in enumerate(parts[1:])]
    return Envelope(
        digest=decode_digest(parts[0].wrapped("SUIT_Digest"), "SUIT_Digest"),
        blocks=tuple(part.bytes("authentication block") for part in parts[1:]),
        manifest=members[EnvelopeKey.MANIFEST].bytes("suit-manifest"),
        severed=tuple(severed),
        payloads=tuple(payloads),
        offsets=tuple(offsets),
    )


def decode_manifest(content: bytes, *, base: int = 0) -> Manifest:
    """Return the manifest in the content of its byte string.

    The caller has authenticated the bytes, or means to show them as not authenticated.
    """
    item = cbor.decode(content, base=base, what="suit-manifest")
    members: dict[int, cbor.Item] = {}
    extensions: list[tuple[int, Raw]] = []
    for key, value in item.pairs("SUIT_Manifest"):
        number = key.integer("manifest key")
        if number in MANIFEST_EXTENSIONS:
            extensions.append((number, Raw(value.encoded)))
        elif number in set(ManifestKey):
            members[number] = value
        else:
            raise cbor.mistake(key.offset, f"manifest key {number} is not known")
    for needed in (ManifestKey.MANIFEST_VERSION, ManifestKey.MANIFEST_SEQUENCE_NUMBER, ManifestKey.COMMON):
        if needed not in members:
            raise cbor.mistake(item.offset, f"the manifest has no {manifest_word(needed)} ({needed.value})")
    version = members[ManifestKey.MANIFEST_VERSION].uint("suit-manifest-version")
    if version != MANIFEST_VERSION:
        raise cbor.mistake(
            members[ManifestKey.MANIFEST_VERSION].offset, f"suit-manifest-version is {version}, 1 is known"
        )
    components, shared, common_extensions = _common(members[ManifestKey.COMMON].wrapped("suit-common"))
    uri = members.get(ManifestKey.REFERENCE_URI)

    def sequence(key: ManifestKey) -> CommandSequence | None:
        return _wrapped_sequence(members[key], manifest_word(key)) if key in members else None

    def severable(key: ManifestKey) -> CommandSequence | Digest | None:
        if key in members and members[key].major == 4:
            return decode_digest(members[key], manifest_word(key))
        return sequence(key)

    text: Text | Digest | None = None
    if ManifestKey.TEXT in members:
        text_item = members[ManifestKey.TEXT]
        if text_item.major == 4:
            text = decode_digest(text_item, "suit-text")
        else:
            text = _text(text_item.wrapped("suit-text"), components)
    return Manifest(
        version=version,
        sequence_number=members[ManifestKey.MANIFEST_SEQUENCE_NUMBER].uint("suit-manifest-sequence-number"),
        components=components,
        shared=shared,
        reference_uri=uri.text("suit-reference-uri") if uri else None,
        validate=sequence(ManifestKey.VALIDATE),
        load=sequence(ManifestKey.LOAD),
        invoke=sequence(ManifestKey.INVOKE),
        payload_fetch=severable(ManifestKey.PAYLOAD_FETCH),
        install=severable(ManifestKey.INSTALL),
        text=text,
        extensions=tuple(extensions),
        common_extensions=common_extensions,
    )


def _component(item: cbor.Item) -> ComponentIdentifier:
    return tuple(part.bytes("component identifier") for part in item.array("component identifier"))


def _common(
    item: cbor.Item,
) -> tuple[tuple[ComponentIdentifier, ...], CommandSequence, tuple[tuple[int, Raw], ...]]:
    components: tuple[ComponentIdentifier, ...] = ()
    shared: CommandSequence = ()
    extensions: list[tuple[int, Raw]] = []
    for key, value in item.pairs("suit-common"):
        number = key.integer("suit-common key")
        if number == CommonKey.COMPONENTS:
            components = tuple(_component(element) for element in value.array("suit-components"))
            if not components:
                raise cbor.mistake(value.offset, "suit-components is empty")
            if len(set(components)) != len(components):
                raise cbor.mistake(value.offset, "suit-components names a component twice")
        elif number == CommonKey.SHARED_SEQUENCE:
            shared = _wrapped_sequence(value, "suit-shared-sequence", shared=True)
        elif number == CommonKey.DEPENDENCIES:
            extensions.append((number, Raw(value.encoded)))
        else:
            raise cbor.mistake(key.offset, f"suit-common key {number} is not known")
    return components, shared, tuple(extensions)


def decode_sequence(content: bytes, *, base: int = 0, what: str = "SUIT_Command_Sequence") -> CommandSequence:
    """Return the command sequence in the content of a severed member's byte string."""
    return _sequence(cbor.decode(content, base=base, what=what), what, base, 0, False)


def decode_text(content: bytes, components: tuple[ComponentIdentifier, ...], *, base: int = 0) -> Text:
    """Return the text in the content of its byte string; it may describe only the manifest's components."""
    return _text(cbor.decode(content, base=base, what="suit-text"), components)


def _wrapped_sequence(item: cbor.Item, what: str, *, shared: bool = False) -> CommandSequence:
    return _sequence(item.wrapped(what), what, item.content_offset, 0, shared)


def _sequence(item: cbor.Item, what: str, start: int, depth: int, shared: bool) -> CommandSequence:
    if depth > MAX_NESTING:
        raise cbor.mistake(item.offset, f"{what}: sequences nested deeper than {MAX_NESTING}")
    elements = item.array(what)
    if not elements or len(elements) % 2:
        raise cbor.mistake(item.offset, f"{what}: expected pairs of command and argument, found {len(elements)} items")
    return tuple(
        _command(number, argument, start, depth, shared)
        for number, argument in zip(elements[::2], elements[1::2], strict=True)
    )


def _policy(item: cbor.Item, word: str) -> ReportingPolicy:
    bits = item.uint(f"{word}: reporting policy")
    if bits > ReportingPolicy.ALL:
        raise cbor.mistake(item.offset, f"{word}: reporting policy {bits} has unknown bits")
    return ReportingPolicy(bits)


def _command(key: cbor.Item, argument: cbor.Item, start: int, depth: int, shared: bool) -> Command:
    number = key.integer("command")
    word = command_word(number)
    offset = key.offset - start
    if shared and number not in _CONDITIONS and number not in _SHARED:
        raise cbor.mistake(key.offset, f"{word} is not allowed in suit-shared-sequence")
    if number in EXECUTED_CONDITIONS:
        return ConditionCommand(Condition(number), _policy(argument, word), offset)
    if number in EXECUTED_DIRECTIVES:
        return DirectiveCommand(Directive(number), _policy(argument, word), offset)
    if number == Directive.SET_COMPONENT_INDEX:
        return SetComponentIndex(_index(argument, word), offset)
    if number == Directive.OVERRIDE_PARAMETERS:
        return OverrideParameters(decode_parameters(argument), offset)
    if number == Directive.TRY_EACH:
        return _try_each(argument, start, depth, shared, offset)
    if number == Directive.RUN_SEQUENCE:
        inner = _sequence(argument.wrapped(word), word, start, depth + 1, shared)
        return RunSequence(inner, offset)
    if number in _CONDITIONS or number in _DIRECTIVES or number < CUSTOM_BELOW:
        return ExtensionCommand(number, Raw(argument.encoded), offset)
    raise cbor.mistake(key.offset, f"command {number} is not known")


def _index(item: cbor.Item, word: str) -> int | Literal[True] | tuple[int, ...]:
    if item.major == 0:
        return item.uint(word)
    if item.major == 4:
        indices = tuple(element.uint(word) for element in item.array(word))
        if not indices:
            raise cbor.mistake(item.offset, f"{word}: the list of indices is empty")
        if len(set(indices)) != len(indices):
            raise cbor.mistake(item.offset, f"{word}: the list names an index twice")
        return indices
    if item.major == 7 and item.scalar is True:
        return True
    raise cbor.mistake(item.offset, f"{word}: expected an index, a list of indices or true, found {item.kind}")


def _try_each(item: cbor.Item, start: int, depth: int, shared: bool, offset: int) -> TryEach:
    word = command_word(Directive.TRY_EACH)
    elements = item.array(word)
    or_nothing = bool(elements) and elements[-1].is_null
    wrapped = elements[:-1] if or_nothing else elements
    if len(wrapped) < 2:
        raise cbor.mistake(item.offset, f"{word}: expected two sequences or more, found {len(wrapped)}")
    sequences = tuple(_sequence(part.wrapped(word), word, start, depth + 1, shared) for part in wrapped)
    return TryEach(sequences, or_nothing, offset)


def _texts(pairs: list[tuple[cbor.Item, cbor.Item]], known: set[int]) -> tuple[tuple[int, str], ...]:
    result = []
    for key, value in pairs:
        number = key.integer("suit-text key")
        if number not in known and number >= CUSTOM_BELOW:
            raise cbor.mistake(key.offset, f"suit-text key {number} is not known")
        result.append((number, value.text("suit-text")))
    return tuple(result)


def _text(item: cbor.Item, components: tuple[ComponentIdentifier, ...]) -> Text:
    languages = []
    for tag, content in item.pairs("suit-text"):
        language = tag.text("language tag")
        if not _LANGUAGE.fullmatch(language):
            raise cbor.mistake(tag.offset, f"{language!r} is not a language tag")
        fields = []
        described = []
        for key, value in content.pairs("suit-text"):
            if key.major == 4:
                component = _component(key)
                if component not in components:
                    raise cbor.mistake(key.offset, "suit-text describes a component that suit-components lacks")
                pairs = list(value.pairs("suit-text of a component"))
                described.append((component, _texts(pairs, {int(member) for member in ComponentTextKey})))
            else:
                fields.append((key, value))
        known = {int(member) for member in TextKey}
        languages.append(LanguageText(language, _texts(fields, known), tuple(described)))
    if not languages:
        raise cbor.mistake(item.offset, "suit-text has no language")
    return Text(tuple(languages))
