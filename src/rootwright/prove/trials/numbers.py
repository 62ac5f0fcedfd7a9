"""Old firmware: sequence numbers and the floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rootwright.cose import cbor
from rootwright.device.consumer import Consumer, keep
from rootwright.prove.trials.model import Attempt, Refusal, Trial
from rootwright.prove.trials.subject import Subject, with_sequence
from rootwright.suit.digest import compute_wrapped
from rootwright.suit.encode import encode_envelope, encode_manifest
from rootwright.suit.numbers import Reason

_EXPIRED = ("THREAT.IMG.EXPIRED",)
_LOW = Refusal(((Reason.CONDITION_FAILED, "sequence-number-too-low"),), before_fetch=True)


def _old(subject: Subject) -> Sequence[Attempt]:
    installed = subject.device.installed.sequence
    return [
        Attempt(with_sequence(subject, number), subject.fetch(), subject.device, label=f"number {number}")
        for number in sorted({0, 1, installed - 1})
        if number < installed
    ]


def _same(subject: Subject) -> Sequence[Attempt]:
    envelope = with_sequence(subject, subject.device.installed.sequence)
    other = replace(subject.device.installed, digest=bytes(32))
    return [Attempt(envelope, subject.fetch(), replace(subject.device, installed=other))]


def _below_floor(subject: Subject) -> Sequence[Attempt]:
    # A device that went back to its old images may have a floor above what is installed.
    device = replace(subject.device, floor=subject.release.sequence + 1)
    return [Attempt(subject.release.envelope, subject.fetch(), device)]


def _replay(subject: Subject) -> Sequence[Attempt]:
    reference = Consumer()
    envelope = with_sequence(subject, subject.release.sequence + 5)
    begun = reference.start(reference.consume(envelope, subject.device, subject.fetch()).device)
    return [
        Attempt(subject.release.envelope, subject.fetch(), begun.device, label="while on trial"),
        Attempt(subject.release.envelope, subject.fetch(), keep(begun.device), label="after it was kept"),
    ]


def _raised(subject: Subject) -> Sequence[Attempt]:
    manifest = encode_manifest(replace(subject.signed_manifest, sequence_number=subject.release.sequence + 1))
    bare = replace(subject.envelope, manifest=manifest)
    dressed = replace(bare, digest=compute_wrapped(manifest))
    return [
        Attempt(encode_envelope(bare), subject.fetch(), subject.device, label="digest as it was"),
        Attempt(encode_envelope(dressed), subject.fetch(), subject.device, label="digest made again"),
    ]


def _no_number(subject: Subject) -> Sequence[Attempt]:
    genuine = cbor.decode(encode_manifest(subject.manifest))
    pairs = {cbor.Encoded(key.encoded): cbor.Encoded(value.encoded) for key, value in genuine.pairs("manifest")}
    key = cbor.Encoded(cbor.encode(2))
    attempts = []
    for label, value in (("negative", cbor.encode(-1)), ("text", cbor.encode("99")), ("bytes", cbor.encode(b"\x63"))):
        data = cbor.encode({**pairs, key: cbor.Encoded(value)})
        attempts.append(Attempt(sign_bytes(subject, data), subject.fetch(), subject.device, label=label))
    data = cbor.encode({name: value for name, value in pairs.items() if name != key})
    return [*attempts, Attempt(sign_bytes(subject, data), subject.fetch(), subject.device, label="missing")]


def sign_bytes(subject: Subject, manifest: bytes) -> bytes:
    """Return an envelope around manifest bytes of any kind, signed by the author's trial key."""
    from rootwright.cose import messages
    from rootwright.suit.authentication import signed_bytes

    digest = compute_wrapped(manifest)
    block = messages.sign(signed_bytes(digest), subject.signer, detached=True)
    return encode_envelope(replace(subject.envelope, manifest=manifest, digest=digest, blocks=(block,), severed=()))


TRIALS = (
    Trial("old-number", _EXPIRED, "An older release", "a genuine older release, signed by the author", _LOW, _old),
    Trial(
        "below-floor",
        _EXPIRED,
        "A release below the floor",
        "newer than what is installed, older than what once was kept",
        _LOW,
        _below_floor,
    ),
    Trial(
        "replay",
        _EXPIRED,
        "The release before is offered again after an update",
        "a genuine release, recorded by anyone and played back",
        _LOW,
        _replay,
    ),
    Trial(
        "same-number",
        _EXPIRED,
        "Another manifest under the installed number",
        "signed by the author, who used a number twice",
        Refusal(((Reason.CONDITION_FAILED, "sequence-number-taken"),), before_fetch=True),
        _same,
    ),
    Trial(
        "raised-number",
        (*_EXPIRED, "THREAT.IMG.NON_AUTH"),
        "The sequence number is raised by hand",
        "an attacker without the key edits the manifest",
        Refusal(((Reason.UNAUTHORISED, "not-authentic"),), before_fetch=True),
        _raised,
    ),
    Trial(
        "no-number",
        _EXPIRED,
        "The sequence number is negative, text, bytes or missing",
        "signed by the author, whose tool is broken",
        Refusal(((Reason.CBOR_PARSE, "malformed"),), before_fetch=True),
        _no_number,
    ),
)
