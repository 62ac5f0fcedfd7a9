"""Manifests that override, hide, repeat or never end; and members that stand beside the manifest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rootwright.cose import cbor
from rootwright.prove.trials.identities import signed_attempt
from rootwright.prove.trials.model import Attempt, Refusal, Trial
from rootwright.prove.trials.numbers import sign_bytes
from rootwright.prove.trials.subject import Subject, altered, first_index, with_sequence
from rootwright.suit.build import sever
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import compute
from rootwright.suit.encode import encode_envelope, encode_manifest, encode_sequence
from rootwright.suit.numbers import Condition, Directive, EnvelopeKey, ManifestKey, Parameter, Reason
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ConditionCommand,
    DirectiveCommand,
    ExtensionCommand,
    OverrideParameters,
    ParameterValue,
    Raw,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

_OVERRIDE = ("THREAT.MFST.OVERRIDE",)
_WITHOUT_KEY = "an attacker without the key"
_BY_MISTAKE = "signed by the author, by mistake"
_MALFORMED = Refusal(((Reason.CBOR_PARSE, "malformed"),), before_fetch=True)
_NOT_AUTHENTIC = Refusal(((Reason.UNAUTHORISED, "not-authentic"),), before_fetch=True)
_NOT_OFFERED = Refusal(((Reason.COMMAND_UNSUPPORTED, "command-not-offered"),), before_fetch=True)


def _install(subject: Subject) -> CommandSequence:
    section = subject.manifest.install
    assert isinstance(section, tuple)
    return section


def twice(data: bytes, key: bytes, value: bytes) -> bytes:
    """Return an encoded map in which a key that it has stands a second time, right behind the first."""
    item = cbor.decode(data)
    pairs = item.pairs("map")
    body = b""
    for name, content in pairs:
        body += name.encoded + content.encoded
        if name.encoded == key:
            body += key + value
    head = cbor.encode([None] * (len(pairs) + 1))[: -(len(pairs) + 1)]
    return bytes([head[0] & 0x1F | 0xA0]) + head[1:] + body


def _repeated_members(subject: Subject) -> Sequence[Attempt]:
    genuine = subject.release.envelope
    tag, members = genuine[:2], genuine[2:]
    other = encode_manifest(replace(subject.manifest, sequence_number=subject.release.sequence + 1))
    wrapper = cbor.decode(genuine).tagged("envelope", 107).pairs("envelope")[0][1].encoded
    manifests = tag + twice(members, cbor.encode(3), cbor.encode(other))
    wrappers = tag + twice(members, cbor.encode(2), wrapper)
    return [
        Attempt(manifests, subject.fetch(), subject.device, label="a second manifest"),
        Attempt(wrappers, subject.fetch(), subject.device, label="a second authentication wrapper"),
    ]


def _repeated_keys(subject: Subject) -> Sequence[Attempt]:
    manifest = encode_manifest(subject.manifest)
    attempts = []
    for label, key, value in (
        ("sequence number", 2, cbor.encode(subject.release.sequence + 9)),
        ("install", 20, cbor.encode(encode_sequence(_install(subject)))),
        ("common", 3, cbor.encode(b"\xa0")),
    ):
        data = twice(manifest, cbor.encode(key), value)
        attempts.append(Attempt(sign_bytes(subject, data), subject.fetch(), subject.device, label=label))
    return attempts


def _repeated_parameters(subject: Subject) -> Sequence[Attempt]:
    first = next(c for c in subject.manifest.shared if isinstance(c, OverrideParameters))
    encoded = cbor.decode(encode_sequence((first,))).items[1].encoded
    doubled = twice(encoded, cbor.encode(int(Parameter.CLASS_IDENTIFIER)), cbor.encode(bytes(16)))
    manifest = encode_manifest(subject.manifest)
    # Both byte strings around the parameters grow, so the shared sequence and suit-common are encoded again.
    shared = encode_sequence(subject.manifest.shared)
    grown = shared.replace(encoded, doubled, 1)
    common = cbor.decode(manifest).pairs("manifest")[2][1].bytes("common")
    new_common = common.replace(cbor.encode(shared), cbor.encode(grown), 1)
    data = manifest.replace(cbor.encode(common), cbor.encode(new_common), 1)
    return [Attempt(sign_bytes(subject, data), subject.fetch(), subject.device)]


def _beside(subject: Subject) -> Sequence[Attempt]:
    evil = encode_sequence((SetComponentIndex(0), DirectiveCommand(Directive.FETCH)))
    attempts = []
    for key in (EnvelopeKey.PAYLOAD_FETCH, EnvelopeKey.INSTALL, EnvelopeKey.TEXT):
        envelope = encode_envelope(replace(subject.envelope, severed=((int(key), evil),)))
        attempts.append(Attempt(envelope, subject.fetch(), subject.device, label=key.name.lower()))
    return attempts


def _unknown_members(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for key in (1, 4, 24, 99, -1):
        members: Mapping[cbor.Encoded, cbor.Value] = {
            cbor.Encoded(name.encoded): cbor.Encoded(value.encoded)
            for name, value in cbor.decode(subject.release.envelope).tagged("", 107).pairs("")
        }
        data = cbor.encode(cbor.Tag(107, {**members, cbor.Encoded(cbor.encode(key)): b"\xa0"}))
        attempts.append(Attempt(data, subject.fetch(), subject.device, label=f"key {key}"))
    return attempts


def _severed(subject: Subject) -> bytes:
    return subject.sign(subject.manifest, severed=(ManifestKey.INSTALL, ManifestKey.TEXT))


def _severed_traded(subject: Subject) -> Sequence[Attempt]:
    genuine = decode_envelope(_severed(subject))
    install = dict(genuine.severed)[int(ManifestKey.INSTALL)]
    other = encode_sequence((*_install(subject), ConditionCommand(Condition.IMAGE_MATCH)))
    attempts = []
    for label, content in (
        ("of another manifest", other),
        ("a bit altered", altered(install, -1, 1)),
        ("cut", install[:-1]),
        ("empty", b""),
    ):
        severed = tuple((key, content if key == ManifestKey.INSTALL else own) for key, own in genuine.severed)
        data = encode_envelope(replace(genuine, severed=severed))
        attempts.append(Attempt(data, subject.fetch(), subject.device, label=label))
    return attempts


def _severed_away(subject: Subject) -> Sequence[Attempt]:
    return [Attempt(sever(_severed(subject), [ManifestKey.INSTALL]), subject.fetch(), subject.device)]


def _extensions(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    argument = Raw(cbor.encode({int(Parameter.SOFT_FAILURE): True}))
    for number in (Directive.SET_PARAMETERS, Directive.OVERRIDE_MULTIPLE, Directive.COPY_PARAMS, -300):
        install = (*_install(subject), ExtensionCommand(int(number), argument))
        label = f"command {int(number)}"
        attempts.append(signed_attempt(subject, replace(subject.manifest, install=install), label))
    return attempts


def _soft(subject: Subject) -> Sequence[Attempt]:
    """Offer images that differ, under manifests whose image tests may fail."""
    match = ConditionCommand(Condition.IMAGE_MATCH)
    nothing: CommandSequence = (OverrideParameters.of({Parameter.COMPONENT_SLOT: 0}),)
    softly = OverrideParameters.of({Parameter.SOFT_FAILURE: True})
    forms: tuple[tuple[str, Command], ...] = (
        ("one alternative of two", TryEach(((match,), nothing))),
        ("an alternative or nothing", TryEach(((match,), (match,)), or_nothing=True)),
        ("a sequence that fails softly", RunSequence((softly, match))),
    )
    attempts = []
    for label, form in forms:

        def soften(sequence: CommandSequence, form: Command = form) -> CommandSequence:
            return tuple(form if command == match else command for command in sequence)

        assert subject.manifest.validate is not None
        manifest = replace(
            subject.with_receiving(soften(subject.receiving)),
            install=soften(_install(subject)),
            validate=soften(subject.manifest.validate),
        )
        envelope, fetch = subject.deliver(subject.contents(lambda p: altered(p.content, -1)), subject.sign(manifest))
        attempts.append(Attempt(envelope, fetch, subject.device, label=label))
    return attempts


def _second_digest(subject: Subject) -> Sequence[Attempt]:
    """Let the sections state digests of their own, that fit what is sent; validation knows the genuine ones."""
    own: list[Command] = []
    index = 0
    evil = {p.image: altered(p.content, -1) for p in subject.received()}
    for command in subject.receiving:
        if isinstance(command, SetComponentIndex):
            index = first_index(command)
        if isinstance(command, DirectiveCommand):
            image = subject.manifest.components[index][0].decode()
            stated: dict[Parameter, ParameterValue] = {
                Parameter.IMAGE_DIGEST: compute(evil[image]),
                Parameter.IMAGE_SIZE: len(evil[image]),
            }
            own.append(OverrideParameters.of(stated))
        own.append(command)
    contents = subject.contents(lambda p: altered(p.content, -1))
    manifest = subject.with_receiving(tuple(own))
    attempts = [Attempt(subject.sign(manifest, contents=contents), subject.fetch(contents), subject.device)]
    if subject.is_staged:
        # The boot stage is told the same of what waits, so that only what runs differs.
        told = [c for c in own if isinstance(c, SetComponentIndex) or _states_digest(c)]
        moved = replace(manifest, install=(*told, *_install(subject)))
        envelope = subject.sign(moved, contents=contents)
        attempts.append(Attempt(envelope, subject.fetch(contents), subject.device, label="in both sections"))
    return attempts


def _states_digest(command: Command) -> bool:
    return isinstance(command, OverrideParameters) and Parameter.IMAGE_DIGEST in dict(command.parameters)


def _no_validation(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    match = ConditionCommand(Condition.IMAGE_MATCH)
    first_only: CommandSequence = (SetComponentIndex(0), OverrideParameters.of({Parameter.COMPONENT_SLOT: 0}))
    attempts = [
        signed_attempt(subject, replace(manifest, validate=None), "no section"),
        signed_attempt(subject, replace(manifest, validate=first_only), "a section without a test"),
    ]
    if len(subject.places) > 1:
        validate = (SetComponentIndex(0), match)
        attempts.append(signed_attempt(subject, replace(manifest, validate=validate), "the first component alone"))
    return attempts


def _no_fetch(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    last = len(manifest.components) - 1
    index, section = 0, []
    for command in subject.receiving:
        if isinstance(command, SetComponentIndex):
            index = first_index(command)
        if index != last:
            section.append(command)
    attempts = [signed_attempt(subject, subject.with_receiving(None), "no section that receives")]
    return attempts + (
        [signed_attempt(subject, subject.with_receiving(tuple(section)), "the last left out")] if section else []
    )


def _no_start(subject: Subject) -> Sequence[Attempt]:
    return [signed_attempt(subject, replace(subject.manifest, invoke=None))]


def _misplaced(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    invoke, fetch = DirectiveCommand(Directive.INVOKE), DirectiveCommand(Directive.FETCH)
    assert manifest.validate is not None
    assert manifest.invoke is not None
    # What one procedure receives in install, another receives before it.
    if subject.is_staged:
        other, elsewhere = "install", replace(manifest, payload_fetch=None, install=subject.receiving)
    else:
        other, elsewhere = "payload-fetch", replace(manifest, payload_fetch=subject.receiving, install=None)
    return [
        signed_attempt(
            subject, replace(manifest, install=(*_install(subject), invoke)), "starts code while installing"
        ),
        signed_attempt(subject, elsewhere, f"fetches in {other}"),
        signed_attempt(subject, replace(manifest, validate=(*manifest.validate, fetch)), "fetches while validating"),
        signed_attempt(subject, replace(manifest, invoke=(*manifest.invoke, fetch)), "fetches while starting"),
        signed_attempt(subject, replace(manifest, load=(SetComponentIndex(0), invoke)), "starts code while loading"),
    ]


def _endless(subject: Subject) -> Sequence[Attempt]:
    limit = subject.device.settings.limits.commands
    every = SetComponentIndex(True)
    slot = OverrideParameters.of({Parameter.COMPONENT_SLOT: 0})
    many: CommandSequence = (every, *((slot,) * (limit + 1)))
    nested: CommandSequence = (every, *((TryEach(((slot,) * 64, (slot,))),) * (limit // 32)))
    # What is received comes behind, so that nothing but the count is amiss.
    own = subject.receiving if subject.is_staged else ()
    return [
        signed_attempt(subject, replace(subject.manifest, payload_fetch=(*many, *own)), "a long section"),
        signed_attempt(subject, replace(subject.manifest, payload_fetch=(*nested, *own)), "many alternatives"),
    ]


def _deep(subject: Subject) -> Sequence[Attempt]:
    sequence: CommandSequence = (OverrideParameters.of({Parameter.COMPONENT_SLOT: 0}),)
    genuine = encode_manifest(subject.manifest)
    attempts = []
    for depth in (9, 64, 512):
        encoded = encode_sequence(sequence)
        for _ in range(depth):
            encoded = cbor.encode([int(Directive.RUN_SEQUENCE), encoded])
        pairs = {cbor.Encoded(k.encoded): cbor.Encoded(v.encoded) for k, v in cbor.decode(genuine).pairs("manifest")}
        key = cbor.Encoded(cbor.encode(int(ManifestKey.INSTALL)))
        data = cbor.encode({**pairs, key: cbor.Encoded(cbor.encode(encoded))})
        attempts.append(Attempt(sign_bytes(subject, data), subject.fetch(), subject.device, label=f"{depth} deep"))
    return attempts


def _crowded(subject: Subject) -> Sequence[Attempt]:
    extra = tuple((b"x", bytes([number])) for number in range(subject.device.settings.limits.components))
    components = (*subject.manifest.components, *extra)
    return [signed_attempt(subject, replace(subject.manifest, components=components))]


def _no_component(subject: Subject) -> Sequence[Attempt]:
    manifest = replace(subject.manifest, components=(), text=None)
    return [signed_attempt(subject, manifest)]


def _version(subject: Subject) -> Sequence[Attempt]:
    genuine = encode_manifest(subject.manifest)
    pairs = {cbor.Encoded(k.encoded): cbor.Encoded(v.encoded) for k, v in cbor.decode(genuine).pairs("manifest")}
    attempts = []
    for number in (0, 2, 1 << 40):
        data = cbor.encode({**pairs, cbor.Encoded(cbor.encode(1)): cbor.Encoded(cbor.encode(number))})
        attempts.append(Attempt(sign_bytes(subject, data), subject.fetch(), subject.device, label=f"version {number}"))
    return attempts


def _mixed(subject: Subject) -> Sequence[Attempt]:
    older = decode_envelope(with_sequence(subject, subject.device.installed.sequence - 1))
    return [
        Attempt(
            encode_envelope(replace(subject.envelope, manifest=older.manifest)),
            subject.fetch(),
            subject.device,
            label="an older manifest under the new signature",
        ),
        Attempt(
            encode_envelope(replace(subject.envelope, blocks=older.blocks, digest=older.digest)),
            subject.fetch(),
            subject.device,
            label="an older signature over the new manifest",
        ),
    ]


TRIALS = (
    Trial(
        "second-member",
        _OVERRIDE,
        "A second manifest or signature in one envelope",
        _WITHOUT_KEY,
        _MALFORMED,
        _repeated_members,
    ),
    Trial("repeated-key", _OVERRIDE, "A key of the manifest stands twice", _BY_MISTAKE, _MALFORMED, _repeated_keys),
    Trial(
        "repeated-parameter",
        _OVERRIDE,
        "A parameter stands twice in one set",
        _BY_MISTAKE,
        _MALFORMED,
        _repeated_parameters,
    ),
    Trial(
        "unsigned-member",
        _OVERRIDE,
        "A section beside the manifest that the manifest does not know",
        _WITHOUT_KEY,
        _NOT_AUTHENTIC,
        _beside,
    ),
    Trial(
        "unknown-member", _OVERRIDE, "An envelope member that nobody knows", _WITHOUT_KEY, _MALFORMED, _unknown_members
    ),
    Trial(
        "severed-traded",
        (*_OVERRIDE, "THREAT.IMG.NON_AUTH"),
        "A severed section is replaced",
        _WITHOUT_KEY,
        _NOT_AUTHENTIC,
        _severed_traded,
    ),
    Trial(
        "severed-away",
        _OVERRIDE,
        "The severed install section is taken out",
        _WITHOUT_KEY,
        Refusal(((Reason.OPERATION_FAILED, "severed-away"),), before_fetch=True),
        _severed_away,
    ),
    Trial(
        "mixed-releases",
        (*_OVERRIDE, "THREAT.IMG.EXPIRED"),
        "Parts of two genuine releases in one envelope",
        _WITHOUT_KEY,
        _NOT_AUTHENTIC,
        _mixed,
    ),
    Trial(
        "extension-command",
        _OVERRIDE,
        "Commands that set parameters in other ways, and commands of nobody",
        _BY_MISTAKE,
        Refusal(((Reason.COMMAND_UNSUPPORTED, ""),), before_fetch=True),
        _extensions,
    ),
    Trial(
        "soft-test",
        (*_OVERRIDE, "THREAT.IMG.NON_AUTH"),
        "Altered images, under a manifest whose image tests may fail",
        _BY_MISTAKE,
        _NOT_OFFERED,
        _soft,
    ),
    Trial(
        "second-digest",
        _OVERRIDE,
        "Other sections state other digests than the shared sequence",
        _BY_MISTAKE,
        Refusal(((Reason.CONDITION_FAILED, "image-digest-differs"), (Reason.CONDITION_FAILED, "payload-differs"))),
        _second_digest,
    ),
    Trial(
        "no-validation",
        ("THREAT.IMG.REPLACE",),
        "A manifest under which an image would start without a test",
        _BY_MISTAKE,
        Refusal(((Reason.CONDITION_FAILED, "not-validated"),)),
        _no_validation,
    ),
    Trial(
        "nothing-received",
        ("THREAT.IMG.REPLACE",),
        "A manifest that leaves an old image in a new set",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "not-received"), (Reason.UNAUTHORISED, "payload-not-covered"))),
        _no_fetch,
    ),
    Trial(
        "nothing-started",
        ("THREAT.IMG.REPLACE",),
        "A manifest that starts nothing",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "nothing-started"),)),
        _no_start,
    ),
    Trial(
        "misplaced-command",
        _OVERRIDE,
        "Commands in sections they do not belong to",
        _BY_MISTAKE,
        _NOT_OFFERED,
        _misplaced,
    ),
    Trial(
        "endless",
        _OVERRIDE,
        "More commands than a device has time for",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "command-limit"),), before_fetch=True),
        _endless,
    ),
    Trial("deep-sequences", _OVERRIDE, "Sequences inside sequences", _BY_MISTAKE, _MALFORMED, _deep),
    Trial(
        "crowded",
        ("THREAT.IMG.LOCATION",),
        "More components than a device has",
        _BY_MISTAKE,
        Refusal(((Reason.COMPONENT_UNSUPPORTED, "too-many-components"),), before_fetch=True),
        _crowded,
    ),
    Trial(
        "no-component",
        ("THREAT.IMG.LOCATION",),
        "A manifest without a component",
        _BY_MISTAKE,
        Refusal(((Reason.COMPONENT_UNSUPPORTED, "no-component"),), before_fetch=True),
        _no_component,
    ),
    Trial(
        "other-manifest-version",
        ("THREAT.IMG.FORMAT",),
        "Another version of the manifest format",
        _BY_MISTAKE,
        _MALFORMED,
        _version,
    ),
)
