"""SUIT digests: computing them, and comparing what they cover with what is there.

A digest of a manifest or of a severed member covers the content with its byte-string header, as the draft's sections
8.3 and 8.4.12 say; an image digest covers the image alone.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable

from rootwright.cose import cbor
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.numbers import DigestAlgorithm
from rootwright.suit.structures import Digest
from rootwright.suit.words import digest_word

_COMPUTE: dict[int, Callable[[bytes], bytes]] = {
    DigestAlgorithm.SHA_256: lambda data: hashlib.sha256(data).digest(),
    DigestAlgorithm.SHA_384: lambda data: hashlib.sha384(data).digest(),
    DigestAlgorithm.SHA_512: lambda data: hashlib.sha512(data).digest(),
    # RFC 9054 section 3.3: the outputs have 256 and 512 bits.
    DigestAlgorithm.SHAKE128: lambda data: hashlib.shake_128(data).digest(32),
    DigestAlgorithm.SHAKE256: lambda data: hashlib.shake_256(data).digest(64),
}
SIZES_BYTES: dict[int, int] = {number: len(compute(b"")) for number, compute in _COMPUTE.items()}


class UnsupportedDigest(FormatError):
    """A digest algorithm that is not accepted here; use SHA-256."""


def compute(data: bytes, algorithm: int = DigestAlgorithm.SHA_256) -> Digest:
    """Return the digest of plain bytes, such as an image.

    >>> compute(b"abc").value.hex()[:8]
    'ba7816bf'
    """
    if algorithm not in _COMPUTE:
        raise UnsupportedDigest(f"digest algorithm {algorithm} is not accepted", next_step="use SHA-256 (-16)")
    return Digest(algorithm, _COMPUTE[algorithm](data))


def compute_wrapped(content: bytes, algorithm: int = DigestAlgorithm.SHA_256) -> Digest:
    """Return the digest of a byte string's content together with its header."""
    return compute(cbor.encode(content), algorithm)


def require_match(data: bytes, expected: Digest, *, what: str) -> None:
    """Return only if the digest of plain bytes is the expected one; `what` names them in the error."""
    found = compute(data, expected.algorithm)
    if not hmac.compare_digest(found.value, expected.value):
        raise VerificationError(
            f"{what}: {digest_word(expected.algorithm)} is {found.value.hex()}, expected {expected.value.hex()}",
            next_step="do not use it; fetch it again or ask its author",
        )


def require_wrapped_match(content: bytes, expected: Digest, *, what: str) -> None:
    """Return only if the digest of a byte string with its header is the expected one."""
    require_match(cbor.encode(content), expected, what=what)
