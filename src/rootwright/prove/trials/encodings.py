"""Files that are no strict envelope: cut, padded, altered, written another way, or made to exhaust a reader."""

from __future__ import annotations

import random
from collections.abc import Sequence

from rootwright.cose import cbor
from rootwright.prove.trials.model import Attempt, Refusal, Trial
from rootwright.prove.trials.numbers import sign_bytes
from rootwright.prove.trials.subject import Subject, altered
from rootwright.suit.encode import encode_manifest
from rootwright.suit.numbers import Reason

_THREATS = ("THREAT.IMG.NON_AUTH", "THREAT.NET.ONPATH")
_WITHOUT_KEY = "an attacker without the key"
_MALFORMED = Refusal(((Reason.CBOR_PARSE, "malformed"),), before_fetch=True)
_DENSE, _MOST = 600, 200


def _offer(subject: Subject, data: bytes, label: str) -> Attempt:
    return Attempt(data, subject.fetch(), subject.device, label=label)


def places(size: int) -> list[int]:
    """Return offsets into a file: all near its start, then evenly spread, the last one too."""
    step = max(1, (size - _DENSE) // _MOST)
    return sorted({*range(min(size, _DENSE)), *range(min(size, _DENSE), size, step), size - 1})


def _cut(subject: Subject) -> Sequence[Attempt]:
    genuine = subject.release.envelope
    return [_offer(subject, genuine[:at], f"{at} of {len(genuine)} bytes") for at in places(len(genuine))]


def _flipped(subject: Subject) -> Sequence[Attempt]:
    genuine = subject.release.envelope
    return [_offer(subject, altered(genuine, at, 1 << at % 8), f"byte {at}") for at in places(len(genuine))]


def _padded(subject: Subject) -> Sequence[Attempt]:
    genuine = subject.release.envelope
    return [
        _offer(subject, genuine + b"\x00", "a byte behind"),
        _offer(subject, b"\x00" + genuine, "a byte in front"),
        _offer(subject, genuine + genuine, "twice"),
        _offer(subject, cbor.encode(genuine), "inside a byte string"),
        _offer(subject, cbor.encode(cbor.Tag(55799, cbor.Encoded(genuine))), "inside another tag"),
        _offer(subject, genuine[2:], "without its tag"),
        _offer(subject, b"", "nothing"),
    ]


def _written_longer(subject: Subject) -> Sequence[Attempt]:
    genuine = subject.release.envelope
    count = genuine[2] & 0x1F
    members = genuine[3:]
    pairs = cbor.decode(genuine).tagged("", 107).pairs("")
    backwards = b"".join(key.encoded + value.encoded for key, value in reversed(pairs))
    return [
        _offer(subject, genuine[:2] + bytes([0xB8, count]) + members, "a count written longer"),
        _offer(subject, b"\xd9\x00\x6b" + genuine[2:], "a tag written longer"),
        _offer(subject, genuine[:2] + b"\xbf" + members + b"\xff", "an indefinite map"),
        _offer(subject, genuine[:3] + b"\x18\x02" + genuine[4:], "a key written longer"),
        _offer(subject, genuine[:3] + backwards, "members out of order"),
    ]


def _signed_loosely(subject: Subject) -> Sequence[Attempt]:
    genuine = encode_manifest(subject.manifest)
    pairs = cbor.decode(genuine).pairs("manifest")
    body = b"".join(key.encoded + value.encoded for key, value in pairs)
    backwards = b"".join(key.encoded + value.encoded for key, value in reversed(pairs))
    number = cbor.encode(2) + cbor.encode(subject.release.sequence)
    floating = body.replace(number, cbor.encode(2) + b"\xfa\x41\x40\x00\x00", 1)
    big = body.replace(number, cbor.encode(2) + b"\xc2\x41\x0c", 1)
    longer = body.replace(number, cbor.encode(2) + b"\x1b" + subject.release.sequence.to_bytes(8, "big"), 1)
    undefined = body.replace(number, cbor.encode(2) + b"\xf7", 1)
    cases = (
        ("indefinite", b"\xbf" + body + b"\xff"),
        ("out of order", genuine[:1] + backwards),
        ("a floating-point number", genuine[:1] + floating),
        ("a bignum", genuine[:1] + big),
        ("a number written longer", genuine[:1] + longer),
        ("undefined", genuine[:1] + undefined),
        ("trailing bytes", genuine + b"\x00"),
        ("not a map", b"\x80"),
    )
    return [_offer(subject, sign_bytes(subject, data), label) for label, data in cases]


def _huge(subject: Subject) -> Sequence[Attempt]:
    tag = b"\xd8\x6b"
    return [
        _offer(subject, tag + b"\x5b" + b"\x7f" + b"\xff" * 7, "a byte string of 2^63 bytes"),
        _offer(subject, tag + b"\xbb" + b"\xff" * 8, "a map of 2^64 pairs"),
        _offer(subject, tag + b"\x9a\xff\xff\xff\xff", "an array of 2^32 elements"),
        _offer(subject, tag + b"\xa1\x02\x7b" + b"\x00" * 3 + b"\xff" * 5, "a text of 2^40 bytes"),
    ]


def _deep(subject: Subject) -> Sequence[Attempt]:
    return [
        _offer(subject, b"\xd8\x6b" + b"\x81" * 20_000 + b"\x00", "arrays"),
        _offer(subject, b"\xc1" * 20_000 + b"\x00", "tags"),
        _offer(subject, b"\xd8\x6b" + b"\xa1\x02" * 20_000 + b"\x00", "maps"),
    ]


def _junk(subject: Subject) -> Sequence[Attempt]:
    source = random.Random(9124)  # noqa: S311 - repeatable junk, no secret
    return [_offer(subject, source.randbytes(source.randrange(1, 400)), f"junk {number}") for number in range(64)]


def _too_large(subject: Subject) -> Sequence[Attempt]:
    size = subject.device.settings.envelope_bytes + 1
    return [_offer(subject, subject.release.envelope.ljust(size, b"\x00"), f"{size} bytes")]


TRIALS = (
    Trial("cut-envelope", _THREATS, "The envelope is cut", "the link, or anyone on it", _MALFORMED, _cut),
    Trial(
        "altered-envelope",
        _THREATS,
        "One bit of the envelope is altered",
        "the link, or anyone on it",
        Refusal(
            (
                (Reason.CBOR_PARSE, ""),
                (Reason.COSE_UNSUPPORTED, ""),
                (Reason.ALG_UNSUPPORTED, ""),
                (Reason.UNAUTHORISED, ""),
                (Reason.CONDITION_FAILED, "payload-differs"),
            ),
            before_fetch=True,
        ),
        _flipped,
    ),
    Trial("padded-envelope", _THREATS, "Bytes around the envelope", _WITHOUT_KEY, _MALFORMED, _padded),
    Trial(
        "loose-envelope", _THREATS, "The same content, encoded another way", _WITHOUT_KEY, _MALFORMED, _written_longer
    ),
    Trial(
        "loose-manifest",
        ("THREAT.IMG.NON_AUTH", "THREAT.MFST.OVERRIDE"),
        "A manifest that two readers could read differently",
        "signed by the author, whose tool is loose",
        _MALFORMED,
        _signed_loosely,
    ),
    Trial("huge-lengths", _THREATS, "Lengths that no memory holds", _WITHOUT_KEY, _MALFORMED, _huge),
    Trial("deep-nesting", _THREATS, "Items inside items, without end", _WITHOUT_KEY, _MALFORMED, _deep),
    Trial("junk", _THREATS, "Random bytes", _WITHOUT_KEY, _MALFORMED, _junk),
    Trial(
        "too-large-envelope",
        _THREATS,
        "An envelope that the device cannot hold",
        _WITHOUT_KEY,
        Refusal(((Reason.OPERATION_FAILED, "envelope-too-large"),), before_fetch=True),
        _too_large,
    ),
)
