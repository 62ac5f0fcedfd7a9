"""Firmware for another device, of another format, for another place, or for another version before it."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace

from rootwright.prove.trials.model import Attempt, NotApplicable, Refusal, Trial, Unaffected
from rootwright.prove.trials.subject import Subject, change_parameters, rebuild, with_contents
from rootwright.release.sections import Payload
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Condition, Directive, Parameter, Reason
from rootwright.suit.structures import (
    CborPen,
    Command,
    CommandSequence,
    ConditionCommand,
    DirectiveCommand,
    Manifest,
    OverrideParameters,
    ParameterValue,
    SetComponentIndex,
    TryEach,
)

_INCOMPATIBLE = ("THREAT.IMG.INCOMPATIBLE",)
_FORMAT = ("THREAT.IMG.FORMAT",)
_LOCATION = ("THREAT.IMG.LOCATION",)
_PRECURSOR = ("THREAT.UPD.WRONG_PRECURSOR",)
_BY_MISTAKE = "signed by the author, by mistake"


def signed_attempt(subject: Subject, manifest: Manifest, label: str = "") -> Attempt:
    """Return the attempt that offers a manifest under the author's trial key, with the genuine payloads."""
    return Attempt(subject.sign(manifest), subject.fetch(), subject.device, label=label)


def _other_product(subject: Subject) -> Sequence[Attempt]:
    product = subject.product
    attempts = []
    for label, other in (
        ("vendor", replace(product, vendor_domain=f"other.{product.vendor_domain}")),
        ("class", replace(product, class_name=f"{product.class_name} (another)")),
    ):
        envelope = rebuild(subject, other).envelope
        attempts.append(Attempt(envelope, subject.fetch(), subject.device, label=label))
    return attempts


def _swap_identity(subject: Subject) -> Sequence[Attempt]:
    settings = subject.device.settings
    attempts = []
    values: tuple[tuple[str, Parameter, ParameterValue], ...] = (
        ("vendor and class change places", Parameter.VENDOR_IDENTIFIER, settings.class_id),
        ("vendor as an enterprise number", Parameter.VENDOR_IDENTIFIER, CborPen(b"\x81\x00")),
        ("class of zeros", Parameter.CLASS_IDENTIFIER, bytes(16)),
    )
    for label, parameter, value in values:

        def edit(
            index: int,
            parameters: dict[int, ParameterValue],
            parameter: Parameter = parameter,
            value: ParameterValue = value,
        ) -> None:
            if parameter in parameters:
                parameters[parameter] = value

        shared = change_parameters(subject.manifest.shared, edit)
        attempts.append(signed_attempt(subject, replace(subject.manifest, shared=shared), label))
    return attempts


def _is_identity(command: Command) -> bool:
    return command.number in (Condition.VENDOR_IDENTIFIER, Condition.CLASS_IDENTIFIER)


def _no_identity(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    attempts = []
    for number in (Condition.VENDOR_IDENTIFIER, Condition.CLASS_IDENTIFIER):
        shared = tuple(command for command in manifest.shared if command.number != number)
        attempts.append(signed_attempt(subject, replace(manifest, shared=shared), f"without {number.name.lower()}"))
    return attempts


def _identity_of_one(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    if len(manifest.components) < 2:
        raise NotApplicable("the release has one component")
    first, *rest = manifest.shared
    assert isinstance(first, SetComponentIndex)
    return [signed_attempt(subject, replace(manifest, shared=(SetComponentIndex(0), *rest)))]


def _soft_identity(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.manifest
    shared: list[Command] = []
    for command in manifest.shared:
        nothing: CommandSequence = (OverrideParameters.of({Parameter.COMPONENT_SLOT: 0}),)
        shared.append(TryEach(((command,), nothing)) if _is_identity(command) else command)
    return [signed_attempt(subject, replace(manifest, shared=tuple(shared)))]


def _formats(subject: Subject) -> Sequence[Attempt]:
    if not any(place.has_vectors for place in subject.places):
        raise NotApplicable("the device checks no vector table on this part")
    changes: tuple[tuple[str, Callable[[bytes], bytes]], ...] = (
        ("ELF", lambda content: (b"\x7fELF\x01\x01\x01" + bytes(45) + content)[: len(content)]),
        ("Intel HEX", lambda content: (b":020000040001F9\n:20000000" + _digits(content))[: len(content)]),
        ("S-record", lambda content: (b"S0030000FC\nS31500000000" + _digits(content))[: len(content)]),
        ("compressed", lambda content: zlib.compress(content, 9)),
        ("text", lambda content: b"<html>404 Not Found</html>"),
        ("four bytes", lambda content: content[:4]),
    )
    attempts = []
    for label, change in changes:
        envelope, fetch = with_contents(subject, lambda payload, change=change: change(payload.content))  # type: ignore[misc]
        attempts.append(Attempt(envelope, fetch, subject.device, label=label))
    return attempts


def _digits(content: bytes) -> bytes:
    return content.hex().upper().encode()


def _encrypted(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    values: tuple[tuple[Parameter, ParameterValue], ...] = (
        (Parameter.ENCRYPTION_INFO, b"\x80"),
        (Parameter.FETCH_ARGUMENTS, b"unpack"),
        (Parameter.CONTENT, b"something"),
        (Parameter.INVOKE_ARGS, b"--test"),
        (Parameter.SOURCE_COMPONENT, 0),
    )
    for parameter, value in values:

        def edit(
            index: int,
            parameters: dict[int, ParameterValue],
            parameter: Parameter = parameter,
            value: ParameterValue = value,
        ) -> None:
            if Parameter.URI in parameters:
                parameters[parameter] = value

        manifest = subject.with_receiving(change_parameters(subject.receiving, edit))
        attempts.append(signed_attempt(subject, manifest, parameter.name.lower()))
    return attempts


def _renamed(subject: Subject) -> Sequence[Attempt]:
    first, *rest = subject.manifest.components
    attempts = []
    keeps = [keep.name.encode() for keep in subject.product.keep]
    for label, name in (
        ("boot stage", (b"boot",)),
        ("version floor", (b"floor",)),
        ("unknown", (b"nothing-here",)),
        ("without a second part", first[:1]),
        ("longer path", (*first, b"0")),
        ("empty path", ()),
        *((f"keep-area {keep.decode()}", (keep,)) for keep in keeps),
    ):
        # The text describes components by name, so it goes.
        manifest = replace(subject.manifest, components=(name, *rest), text=None)
        attempts.append(signed_attempt(subject, manifest, label))
    return attempts


def _missing(subject: Subject) -> Sequence[Attempt]:
    if len(subject.places) < 2:
        raise NotApplicable("the release has one image")
    first, *rest = (place.image for place in subject.places)
    product = subject.product
    part = replace(product, images=tuple(image for image in product.images if image.name not in rest))
    return [Attempt(rebuild(subject, part).envelope, subject.fetch(), subject.device, label=f"{first} alone")]


def _elsewhere(subject: Subject) -> Sequence[Attempt]:
    place = subject.places[0]
    if not place.has_vectors:
        raise NotApplicable("the device checks no vector table on this part")

    def relink(payload: Payload) -> bytes:
        # The same code linked for a place behind the largest memory: its reset vector points there.
        code, at = subject.code_of(payload), place.vectors + 4
        moved = int.from_bytes(code[at : at + 4], "little") + (1 << 28)
        return subject.with_code(payload, code[:at] + (moved & 0xFFFFFFFF).to_bytes(4, "little") + code[at + 4 :])

    envelope, fetch = with_contents(subject, relink)
    return [Attempt(envelope, fetch, subject.device, label="another address")]


def _other_slot(subject: Subject) -> Sequence[Attempt]:
    by_slot = {(p.image, p.slot): p.content for p in subject.release.payloads}
    if not any(slot == 1 for _, slot in by_slot):
        raise NotApplicable("each image travels in one file, for one slot")

    def swap(payload: Payload) -> bytes:
        return by_slot[payload.image, 1 - (payload.slot or 0)]

    envelope, fetch = with_contents(subject, swap)
    return [Attempt(envelope, fetch, subject.device)]


def _traded(subject: Subject) -> Sequence[Attempt]:
    names = [place.image for place in subject.places]
    if len(names) < 2 or not subject.places[0].has_vectors:
        raise NotApplicable("the release has no two components that the device can tell apart")
    trade = dict(zip(names, names[1:] + names[:1], strict=True))
    contents = {(p.image, p.slot): p.content for p in subject.release.payloads}
    envelope, fetch = with_contents(subject, lambda p: contents[trade[p.image], p.slot])
    return [Attempt(envelope, fetch, subject.device)]


def _index(subject: Subject) -> Sequence[Attempt]:
    assert isinstance(subject.manifest.install, tuple)
    install = (SetComponentIndex(len(subject.manifest.components)), *subject.manifest.install)
    return [signed_attempt(subject, replace(subject.manifest, install=install))]


def _install(subject: Subject) -> CommandSequence:
    section = subject.manifest.install
    assert isinstance(section, tuple)
    return section


def _moving(subject: Subject) -> Sequence[Attempt]:
    own = {command.number for command in _install(subject)}
    return [
        signed_attempt(
            subject,
            replace(subject.manifest, install=(*_install(subject), DirectiveCommand(number))),
            number.name.lower(),
        )
        for number in (Directive.WRITE, Directive.COPY, Directive.SWAP)
        if number not in own
    ]


def with_precursor(subject: Subject, contents: dict[str, bytes]) -> Manifest:
    """Return the genuine manifest, that first asks for the images it may follow; `contents` is by image."""
    manifest = subject.manifest
    before: list[Command] = []
    for index, component in enumerate(manifest.components):
        if component not in {place.component for place in subject.places}:
            continue
        content = contents[component[0].decode()]
        stated: dict[Parameter, ParameterValue] = {
            Parameter.IMAGE_DIGEST: compute(content),
            Parameter.IMAGE_SIZE: len(content),
        }
        before += [
            SetComponentIndex(index),
            OverrideParameters.of(stated),
            ConditionCommand(Condition.IMAGE_MATCH),
        ]
    # Parameters end with their section, and where this one receives it does so in other components.
    return replace(manifest, payload_fetch=(*before, *(subject.receiving if subject.is_staged else ())))


def _right_precursor(subject: Subject) -> Sequence[Attempt]:
    return [signed_attempt(subject, with_precursor(subject, dict(subject.older)))]


def _wrong_precursor(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for name in subject.older:
        other = {**subject.older, name: subject.older[name][:-1] + b"\x55"}
        attempts.append(signed_attempt(subject, with_precursor(subject, other), f"another {name}"))
        other = {**subject.older, name: subject.older[name] + b"\x5a"}
        attempts.append(signed_attempt(subject, with_precursor(subject, other), f"a longer {name}"))
    return attempts


TRIALS = (
    Trial(
        "other-product",
        _INCOMPATIBLE,
        "Firmware of another vendor or class",
        "a genuine release of another product of the same author",
        Refusal(
            (
                (Reason.CONDITION_FAILED, "vendor-identifier-differs"),
                (Reason.CONDITION_FAILED, "class-identifier-differs"),
            ),
            before_fetch=True,
        ),
        _other_product,
    ),
    Trial(
        "odd-identity",
        _INCOMPATIBLE,
        "Identifiers that are not the device's",
        _BY_MISTAKE,
        Refusal(
            (
                (Reason.CONDITION_FAILED, "vendor-identifier-differs"),
                (Reason.CONDITION_FAILED, "class-identifier-differs"),
            ),
            before_fetch=True,
        ),
        _swap_identity,
    ),
    Trial(
        "no-identity",
        _INCOMPATIBLE,
        "A manifest that any device would take",
        _BY_MISTAKE,
        Refusal(((Reason.CONDITION_FAILED, "no-identity-check"),), before_fetch=True),
        _no_identity,
    ),
    Trial(
        "identity-of-one",
        _INCOMPATIBLE,
        "Vendor and class are tested for the first component alone",
        _BY_MISTAKE,
        Refusal(((Reason.CONDITION_FAILED, "no-identity-check"),)),
        _identity_of_one,
    ),
    Trial(
        "soft-identity",
        (*_INCOMPATIBLE, "THREAT.MFST.OVERRIDE"),
        "Vendor and class are tested in an alternative that may fail",
        _BY_MISTAKE,
        Refusal(((Reason.COMMAND_UNSUPPORTED, "command-not-offered"),), before_fetch=True),
        _soft_identity,
    ),
    Trial(
        "wrong-format",
        _FORMAT,
        "An image that is no plain binary",
        f"{_BY_MISTAKE}; digest and size are right",
        Refusal(((Reason.OPERATION_FAILED, "image-format"),)),
        _formats,
    ),
    Trial(
        "unknown-handling",
        _FORMAT,
        "The payload is to be decrypted, unpacked, or taken from elsewhere",
        _BY_MISTAKE,
        Refusal(((Reason.PARAMETER_UNSUPPORTED, "parameter-not-offered"),), before_fetch=True),
        _encrypted,
    ),
    Trial(
        "other-component",
        _LOCATION,
        "The image is for the boot stage, a keep-area or nothing",
        _BY_MISTAKE,
        Refusal(((Reason.COMPONENT_UNSUPPORTED, "unknown-component"),), before_fetch=True),
        _renamed,
    ),
    Trial(
        "index-out-of-range",
        _LOCATION,
        "A component index past the last component",
        _BY_MISTAKE,
        Refusal(((Reason.COMPONENT_UNSUPPORTED, "index-out-of-range"),), before_fetch=True),
        _index,
    ),
    Trial(
        "part-of-the-set",
        _LOCATION,
        "Only some of the images that belong together",
        _BY_MISTAKE,
        Refusal(((Reason.COMPONENT_UNSUPPORTED, "incomplete-set"),), before_fetch=True),
        _missing,
    ),
    Trial(
        "traded-components",
        _LOCATION,
        "Each component gets the image of the next",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "image-format"), (Reason.OPERATION_FAILED, "image-too-large"))),
        _traded,
    ),
    Trial(
        "other-address",
        _LOCATION,
        "An image linked for another address",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "image-format"),)),
        _elsewhere,
    ),
    Trial(
        "other-slot",
        _LOCATION,
        "The files for the two slots are exchanged",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "image-format"),)),
        _other_slot,
    ),
    Trial(
        "moving-components",
        _LOCATION,
        "The manifest writes, copies or swaps components where the procedure does not",
        _BY_MISTAKE,
        Refusal(((Reason.COMMAND_UNSUPPORTED, "command-not-offered"),), before_fetch=True),
        _moving,
    ),
    Trial(
        "right-precursor",
        (),
        "The manifest names the images it may follow, and they run",
        "nothing",
        Unaffected(),
        _right_precursor,
    ),
    Trial(
        "wrong-precursor",
        _PRECURSOR,
        "The manifest may only follow other images than those that run",
        "a genuine release, offered to a device that is not ready for it",
        Refusal(((Reason.CONDITION_FAILED, "image-digest-differs"),), before_fetch=True),
        _wrong_precursor,
    ),
)
