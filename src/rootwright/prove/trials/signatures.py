"""Who vouches: envelopes without a signature, with a wrong one, with another key's, or with a key that has no right."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from rootwright.cose import cbor, messages
from rootwright.cose.keys import HmacKey
from rootwright.cose.numbers import Alg
from rootwright.device.consumer import Anchor, DeviceState
from rootwright.prove.trials.model import Attempt, Refusal, Trial
from rootwright.prove.trials.subject import Subject, TrialKey, altered, named, trial_key
from rootwright.suit.authentication import signed_bytes
from rootwright.suit.build import add_signature
from rootwright.suit.digest import compute_wrapped
from rootwright.suit.encode import encode_envelope
from rootwright.suit.numbers import DigestAlgorithm, Reason

_NON_AUTH = ("THREAT.IMG.NON_AUTH",)
_UNAPPROVED = ("THREAT.UPD.UNAPPROVED",)
_WITHOUT_KEY = "an attacker without the key"


def _with_blocks(subject: Subject, *blocks: bytes, label: str = "") -> Attempt:
    envelope = encode_envelope(replace(subject.envelope, blocks=blocks))
    return Attempt(envelope, subject.fetch(), subject.device, label=label)


def _parts(subject: Subject) -> tuple[bytes, bytes]:
    message = messages.decode(subject.envelope.blocks[0])
    return message.protected, message.signature


def _sign1(protected: cbor.Value, signature: bytes, *, unprotected: cbor.Value = None, tag: int = 18) -> bytes:
    headers: cbor.Value = {} if unprotected is None else unprotected
    return cbor.encode(cbor.Tag(tag, [protected, headers, None, signature]))


def _other_kind(subject: Subject) -> TrialKey:
    return trial_key("ESP256" if subject.algorithm == "Ed25519" else "Ed25519", 103)


def _unsigned(subject: Subject) -> Sequence[Attempt]:
    return [_with_blocks(subject)]


def _stranger(subject: Subject) -> Sequence[Attempt]:
    return [
        Attempt(subject.sign(subject.manifest, key), subject.fetch(), subject.device, label=label)
        for label, key in (("of the author's kind", subject.stranger), ("of another kind", _other_kind(subject)))
    ]


def _broken(subject: Subject) -> Sequence[Attempt]:
    protected, signature = _parts(subject)
    size = len(signature)
    other = subject.sign(replace(subject.manifest, sequence_number=subject.release.sequence + 1))
    block = messages.decode(replace(subject, release=replace(subject.release, envelope=other)).envelope.blocks[0])
    cases = (
        ("first bit", altered(signature, 0, 0x80)),
        ("last bit", altered(signature, -1, 1)),
        ("zeros", bytes(size)),
        ("ones", b"\xff" * size),
        ("empty", b""),
        ("a byte less", signature[:-1]),
        ("a byte more", signature + b"\x00"),
        ("halves traded", signature[size // 2 :] + signature[: size // 2]),
        ("of another release", block.signature),
    )
    return [_with_blocks(subject, _sign1(protected, value), label=label) for label, value in cases]


def _relabelled(subject: Subject) -> Sequence[Attempt]:
    _, signature = _parts(subject)
    # Each anchor takes two numbers for one computation; the label is signed, so it cannot be traded.
    own = subject.signer.algorithm
    other = {Alg.ESP256: Alg.ES256, Alg.ED25519: Alg.EDDSA}[Alg(own)]
    return [_with_blocks(subject, _sign1(cbor.encode({1: int(other)}), signature), label=other.name)]


def _foreign_label(subject: Subject) -> Sequence[Attempt]:
    _, signature = _parts(subject)
    own = {int(subject.signer.algorithm)}
    own |= {int(number) for number in named(subject.signer, "author").algorithms}
    labels = {int(Alg.ES256), int(Alg.ED25519), int(Alg.HSS_LMS)} - own
    return [
        _with_blocks(subject, _sign1(cbor.encode({1: number}), signature), label=f"algorithm {number}")
        for number in sorted(labels)
    ]


def _unsupported(subject: Subject) -> Sequence[Attempt]:
    _, signature = _parts(subject)
    labels: tuple[tuple[str, cbor.Value], ...] = (
        ("RS1", -65535),
        ("number 0", 0),
        ("ES512", -36),
        ("HMAC 256/256 in a signature", 5),
        ("as text", "ESP256"),
    )
    return [_with_blocks(subject, _sign1(cbor.encode({1: number}), signature), label=label) for label, number in labels]


def _public_as_secret(subject: Subject) -> Sequence[Attempt]:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    public = subject.signer.key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    block = messages.sign(signed_bytes(subject.envelope.digest), HmacKey(public), detached=True)
    return [_with_blocks(subject, block)]


def _structures(subject: Subject) -> Sequence[Attempt]:
    protected, signature = _parts(subject)
    return [
        _with_blocks(
            subject,
            cbor.encode(cbor.Tag(98, [b"", {}, None, [[protected, {}, signature]]])),
            label="COSE_Sign",
        ),
        _with_blocks(subject, cbor.encode(cbor.Tag(97, [protected, {}, None, signature, []])), label="COSE_Mac"),
        _with_blocks(subject, cbor.encode(cbor.Tag(16, [protected, {}, signature])), label="COSE_Encrypt0"),
    ]


def _headers(subject: Subject) -> Sequence[Attempt]:
    protected, signature = _parts(subject)
    number = int(subject.signer.algorithm)
    digest = signed_bytes(subject.envelope.digest)
    carrying = cbor.encode(cbor.Tag(18, [protected, {}, digest, signature]))
    return [
        _with_blocks(subject, _sign1(b"", signature, unprotected={1: number}), label="algorithm outside the signature"),
        _with_blocks(subject, _sign1(protected, signature, unprotected={1: number}), label="algorithm named twice"),
        _with_blocks(subject, _sign1(protected, signature, unprotected={99: 1}), label="an unknown unsigned header"),
        _with_blocks(subject, _sign1(cbor.encode({1: number, 2: [99]}), signature), label="crit"),
        _with_blocks(subject, carrying, label="the block carries its payload"),
        _with_blocks(subject, cbor.encode([protected, {}, None, signature]), label="no tag"),
        _with_blocks(subject, _sign1(protected, signature) + b"\x00", label="a byte behind the block"),
    ]


def _named_key(subject: Subject) -> Sequence[Attempt]:
    protected, signature = _parts(subject)
    return [_with_blocks(subject, _sign1(protected, signature, unprotected={4: b"another key"}))]


def _two(subject: Subject) -> Sequence[Attempt]:
    block = subject.envelope.blocks[0]
    unknown = add_signature(subject.release.envelope, subject.stranger)
    other_kind = add_signature(subject.release.envelope, _other_kind(subject))
    return [
        _with_blocks(subject, block, block, label="the same twice"),
        Attempt(unknown, subject.fetch(), subject.device, label="the author's and a stranger's"),
        Attempt(other_kind, subject.fetch(), subject.device, label="the author's and a stranger's of another kind"),
        _with_blocks(subject, block, _sign1(_parts(subject)[0], bytes(64)), label="the author's and a false one"),
        _with_blocks(subject, _sign1(_parts(subject)[0], bytes(64)), block, label="a false one and the author's"),
    ]


def _digests(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.envelope.manifest
    whole = cbor.encode(manifest)
    digest = compute_wrapped(manifest, DigestAlgorithm.SHA_512)
    attempts = [
        Attempt(
            encode_envelope(replace(subject.envelope, digest=digest)),
            subject.fetch(),
            subject.device,
            label="another digest, the signature kept",
        ),
        Attempt(
            encode_envelope(replace(subject.envelope, digest=replace(subject.envelope.digest, value=bytes(32)))),
            subject.fetch(),
            subject.device,
            label="a digest of zeros",
        ),
        Attempt(
            encode_envelope(
                replace(
                    subject.envelope,
                    digest=replace(subject.envelope.digest, value=hashlib.sha256(manifest).digest()),
                )
            ),
            subject.fetch(),
            subject.device,
            label="a digest without the byte string's header",
        ),
    ]
    assert hashlib.sha256(whole).digest() == subject.envelope.digest.value
    return attempts


def _weak_digest(subject: Subject) -> Sequence[Attempt]:
    genuine = cbor.encode(cbor.Encoded(subject.release.envelope))
    own = subject.envelope.digest
    old = cbor.encode([own.algorithm, own.value])
    attempts = []
    for label, number, value in (
        ("SHA-1", -14, bytes(20)),
        ("SHA-256/64", -15, bytes(8)),
        ("unknown", -99, bytes(32)),
    ):
        wrapped = cbor.encode([cbor.encode([number, value]), *subject.envelope.blocks])
        before = cbor.encode([old, *subject.envelope.blocks])
        data = genuine.replace(cbor.encode(before), cbor.encode(wrapped), 1)
        attempts.append(Attempt(data, subject.fetch(), subject.device, label=label))
    return attempts


def _with_anchor(subject: Subject, *anchors: Anchor) -> DeviceState:
    return replace(subject.device, settings=replace(subject.device.settings, anchors=anchors))


def _revoked(subject: Subject) -> Sequence[Attempt]:
    device = _with_anchor(subject, Anchor(named(subject.stranger, "the new author")))
    return [Attempt(subject.release.envelope, subject.fetch(), device)]


def _limited(subject: Subject) -> Sequence[Attempt]:
    last = subject.places[-1].component if len(subject.places) > 1 else (b"something else",)
    device = _with_anchor(
        subject,
        Anchor(named(subject.signer, "author")),
        Anchor(named(subject.stranger, "supplier"), frozenset({last})),
    )
    by_supplier = subject.sign(subject.manifest, subject.stranger)
    alone = _with_anchor(subject, Anchor(named(subject.signer, "tester"), frozenset()))
    return [
        Attempt(by_supplier, subject.fetch(), device, label="a supplier signs for all components"),
        Attempt(subject.release.envelope, subject.fetch(), alone, label="a key without any right"),
    ]


def _refusal(*pairs: tuple[Reason, str]) -> Refusal:
    return Refusal(pairs, before_fetch=True)


_FALSE = (Reason.UNAUTHORISED, "not-authentic")
_UNKNOWN = (Reason.UNAUTHORISED, "unknown-signer")
_MALFORMED = (Reason.CBOR_PARSE, "malformed")

TRIALS = (
    Trial(
        "unsigned", _NON_AUTH, "No signature", _WITHOUT_KEY, _refusal((Reason.UNAUTHORISED, "not-signed")), _unsigned
    ),
    Trial(
        "unknown-key",
        _NON_AUTH,
        "Signed by a key that the device does not trust",
        _WITHOUT_KEY,
        _refusal(_UNKNOWN, _FALSE),
        _stranger,
    ),
    Trial("false-signature", _NON_AUTH, "A signature that does not hold", _WITHOUT_KEY, _refusal(_FALSE), _broken),
    Trial(
        "relabelled",
        _NON_AUTH,
        "The genuine signature under the algorithm's other number",
        _WITHOUT_KEY,
        _refusal(_FALSE),
        _relabelled,
    ),
    Trial(
        "foreign-algorithm",
        _NON_AUTH,
        "An algorithm that the author's key is not for",
        _WITHOUT_KEY,
        _refusal(_UNKNOWN),
        _foreign_label,
    ),
    Trial(
        "unsupported-algorithm",
        _NON_AUTH,
        "An algorithm that the device does not take",
        _WITHOUT_KEY,
        _refusal((Reason.ALG_UNSUPPORTED, "algorithm")),
        _unsupported,
    ),
    Trial(
        "public-key-as-secret",
        _NON_AUTH,
        "A tag made with the author's public key as its secret",
        _WITHOUT_KEY,
        _refusal(_UNKNOWN),
        _public_as_secret,
    ),
    Trial(
        "other-structure",
        _NON_AUTH,
        "Another kind of COSE message",
        _WITHOUT_KEY,
        _refusal((Reason.COSE_UNSUPPORTED, "cose-structure")),
        _structures,
    ),
    Trial(
        "odd-headers",
        _NON_AUTH,
        "Headers that the signature does not cover, or that nobody knows",
        _WITHOUT_KEY,
        _refusal(_MALFORMED),
        _headers,
    ),
    Trial(
        "named-key",
        _NON_AUTH,
        "An unsigned header that names another key",
        _WITHOUT_KEY,
        _refusal(_UNKNOWN),
        _named_key,
    ),
    Trial(
        "two-signatures",
        _NON_AUTH,
        "A second signature: the same, a stranger's, a false one",
        _WITHOUT_KEY,
        _refusal(_FALSE, _UNKNOWN),
        _two,
    ),
    Trial("other-digest", _NON_AUTH, "Another digest of the manifest", _WITHOUT_KEY, _refusal(_FALSE), _digests),
    Trial(
        "weak-digest",
        _NON_AUTH,
        "A digest that is short or unknown",
        _WITHOUT_KEY,
        _refusal((Reason.ALG_UNSUPPORTED, "algorithm")),
        _weak_digest,
    ),
    Trial(
        "revoked-key",
        _UNAPPROVED,
        "The author's key was replaced on this device",
        "someone who has the old key",
        _refusal(_UNKNOWN, _FALSE),
        _revoked,
    ),
    Trial(
        "no-right",
        _UNAPPROVED,
        "A trusted key signs for components it has no right to",
        "a supplier or tester",
        _refusal((Reason.COMPONENT_UNAUTHORISED, "no-right")),
        _limited,
    ),
)
