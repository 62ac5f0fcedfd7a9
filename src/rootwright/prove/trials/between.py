"""Between check and use: what was accepted is altered before it is used, or while it arrives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from rootwright.device.consumer import Consumer, DeviceState
from rootwright.device.consumer.state import is_fill_readable
from rootwright.prove.trials.model import Attempt, NotApplicable, Refusal, Trial, Unaffected
from rootwright.prove.trials.subject import Subject, altered, with_sequence
from rootwright.release.shape import erased_byte
from rootwright.suit.decode import decode_envelope
from rootwright.suit.encode import encode_envelope, encode_manifest
from rootwright.suit.numbers import Reason

_TOCTOU = ("THREAT.MFST.TOCTOU",)
_REPLACE = ("THREAT.IMG.REPLACE",)
_HAND = "whoever can write where accepted updates wait: another program, or a hand on an external memory"
_DIFFERS = Refusal(((Reason.CONDITION_FAILED, "image-digest-differs"),), step="start")


def _later(subject: Subject, change: Callable[[DeviceState], DeviceState], label: str = "") -> Attempt:
    return Attempt(subject.release.envelope, subject.fetch(), subject.device, between=change, label=label)


def _while_fetching(subject: Subject) -> Sequence[Attempt]:
    if subject.is_integrated:
        raise NotApplicable("payloads travel in the envelope; nothing happens between check and use")
    attempts = []
    forged = subject.sign(replace(subject.manifest, sequence_number=subject.release.sequence + 7), subject.stranger)
    for label, other in (("another manifest", forged), ("zeros", bytes(len(subject.release.envelope)))):
        buffer = bytearray(subject.release.envelope)
        genuine = subject.fetch()

        def fetch(uri: str, buffer: bytearray = buffer, other: bytes = other) -> bytes | None:
            buffer[:] = other[: len(buffer)].ljust(len(buffer), b"\x00")
            return genuine(uri)  # noqa: B023 - the same for all

        attempts.append(Attempt(buffer, fetch, subject.device, label=label))
    return attempts


def _waiting_manifest(subject: Subject) -> Sequence[Attempt]:
    genuine = decode_envelope(subject.release.envelope)
    manifest = encode_manifest(replace(subject.signed_manifest, sequence_number=subject.release.sequence + 7))
    cases = (
        ("unsigned", encode_envelope(replace(genuine, blocks=(), payloads=()))),
        ("edited", encode_envelope(replace(genuine, manifest=manifest, payloads=()))),
        ("a stranger's", subject.sign(subject.manifest, subject.stranger)),
        ("a bit altered", altered(encode_envelope(replace(genuine, payloads=())), -1, 1)),
        ("erased", b"\xff" * 64),
    )
    return [_later(subject, lambda d, e=e: replace(d, pending=e), label) for label, e in cases]  # type: ignore[misc]


def _older_manifest(subject: Subject) -> Sequence[Attempt]:
    older = with_sequence(subject, subject.device.installed.sequence - 1)
    raised = subject.release.sequence + 1
    return [
        _later(subject, lambda d: replace(d, pending=older), "an older genuine manifest"),
        _later(subject, lambda d: replace(d, floor=raised), "the floor has risen"),
    ]


def _waiting_image(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for place in subject.places:
        region = place.receives_in(0)
        size = len(next(p for p in subject.received() if p.image == place.image).content)
        for at in (0, size // 2, size - 1):

            def change(
                device: DeviceState, place_at: int = region.header + at, region_block: str = region.block
            ) -> DeviceState:
                target = subject.memory_map.region(region_block)
                old = device.read(target)[place_at : place_at + 1]
                return device.write(target, bytes([old[0] ^ 1]), offset=place_at)

            attempts.append(_later(subject, change, f"{region.block}, byte {at}"))

        def erase(device: DeviceState, region_block: str = region.block) -> DeviceState:
            target = subject.memory_map.region(region_block)
            fill = bytes([erased_byte(device.settings.memory(target.memory))])
            return device.write(target, fill * target.size)

        attempts.append(_later(subject, erase, f"{region.block}, erased"))
    return attempts


def _old_image(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for place, payload in zip(subject.places, subject.received(), strict=True):
        region = place.receives_in(0)
        older = subject.older[payload.image]
        content = altered(older, -1) if older == payload.content else older

        def put(device: DeviceState, block: str = region.block, content: bytes = content) -> DeviceState:
            target = subject.memory_map.region(block)
            fill = bytes([erased_byte(device.settings.memory(target.memory))])
            whole = fill * target.header + content
            return device.write(target, whole + fill * (target.size - len(whole)))

        attempts.append(_later(subject, put, region.block))
    return attempts


def _behind(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for place, payload in zip(subject.places, subject.received(), strict=True):
        region = place.receives_in(0)
        room = region.size - region.header - len(payload.content)
        if room < 1 or not is_fill_readable(subject.device.settings.memory(region.memory)):
            continue
        for label, at in (("right behind", region.header + len(payload.content)), ("at the end", region.size - 1)):

            def put(device: DeviceState, block: str = region.block, at: int = at) -> DeviceState:
                return device.write(subject.memory_map.region(block), b"\x42", offset=at)

            attempts.append(_later(subject, put, f"{region.block}, {label}"))
    if not attempts:
        raise NotApplicable("no region has room behind its image whose fill can be read")
    return attempts


def _second_offer(subject: Subject) -> Sequence[Attempt]:
    waiting = Consumer().consume(subject.release.envelope, subject.device, subject.fetch()).device
    newer = with_sequence(subject, subject.release.sequence + 1)
    return [
        Attempt(newer, subject.fetch(), waiting, label="a newer release"),
        Attempt(subject.release.envelope, subject.fetch(), waiting, label="the same release"),
    ]


def _offer_on_trial(subject: Subject) -> Sequence[Attempt]:
    if not subject.device.settings.tries_first:
        raise NotApplicable("new images do not run on trial")
    reference = Consumer()
    waiting = reference.consume(subject.release.envelope, subject.device, subject.fetch()).device
    newer = with_sequence(subject, subject.release.sequence + 1)
    return [Attempt(newer, subject.fetch(), reference.start(waiting).device)]


TRIALS = (
    Trial(
        "manifest-altered-while-fetching",
        _TOCTOU,
        "The offered envelope is altered in its buffer while payloads arrive",
        "another program of the device, or a hand on an external memory",
        Unaffected(),
        _while_fetching,
    ),
    Trial(
        "waiting-manifest",
        _TOCTOU,
        "The accepted manifest is replaced while it waits",
        _HAND,
        Refusal(((Reason.UNAUTHORISED, ""), (Reason.CBOR_PARSE, "malformed")), step="start"),
        _waiting_manifest,
    ),
    Trial(
        "waiting-manifest-older",
        (*_TOCTOU, "THREAT.IMG.EXPIRED"),
        "An older genuine manifest is put in place of the accepted one, or the floor rises meanwhile",
        _HAND,
        Refusal(((Reason.CONDITION_FAILED, "sequence-number-too-low"),), step="start"),
        _older_manifest,
    ),
    Trial("waiting-image", _REPLACE, "A received image is altered while it waits", _HAND, _DIFFERS, _waiting_image),
    Trial(
        "waiting-image-old",
        _REPLACE,
        "A received image is replaced by the older one while it waits",
        _HAND,
        Refusal(
            ((Reason.CONDITION_FAILED, "image-digest-differs"), (Reason.CONDITION_FAILED, "extra-data")), step="start"
        ),
        _old_image,
    ),
    Trial(
        "waiting-extra",
        ("THREAT.IMG.EXTRA",),
        "Data is put behind a received image while it waits",
        _HAND,
        Refusal(((Reason.CONDITION_FAILED, "extra-data"),), step="start"),
        _behind,
    ),
    Trial(
        "second-offer",
        _REPLACE,
        "Another offer while an accepted update waits",
        "a genuine release, offered at the wrong moment",
        Refusal(((Reason.OPERATION_FAILED, "update-pending"),), before_fetch=True),
        _second_offer,
    ),
    Trial(
        "offer-on-trial",
        _REPLACE,
        "Another offer while new images are on trial, which would cost the way back",
        "a genuine release, offered at the wrong moment",
        Refusal(((Reason.OPERATION_FAILED, "on-trial"),), before_fetch=True),
        _offer_on_trial,
    ),
)
