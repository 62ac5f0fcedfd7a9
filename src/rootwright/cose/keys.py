"""Who signs and who verifies: the two protocols, and keys held in memory for P-256, Ed25519 and HMAC.

Key files, hardware tokens and hash-based signatures supply objects with these protocols from higher layers.
`cryptography` is imported inside the functions that need it, so that the command line starts fast.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from rootwright.cose.numbers import Alg, algorithm_name
from rootwright.errors import KeyFileError, VerificationError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


class Signer(Protocol):
    """Something that signs, or computes a tag, with one key and one algorithm."""

    @property
    def algorithm(self) -> int:
        """COSE algorithm number of the signatures it makes."""

    @property
    def kid(self) -> bytes | None:
        """Key identifier to put into the protected header; None for none."""

    def sign(self, message: bytes) -> bytes:
        """Return the signature or tag over the message, in COSE's form (ECDSA: r and s, 32 bytes each)."""


class Verifier(Protocol):
    """A trust anchor: one key that its holder has reason to trust."""

    @property
    def name(self) -> str:
        """What reports call this key."""

    @property
    def kid(self) -> bytes | None:
        """Key identifier a message may name it by; None where messages must not carry one unsigned."""

    @property
    def algorithms(self) -> frozenset[int]:
        """COSE algorithm numbers this key may be used with."""

    def verify(self, algorithm: int, message: bytes, signature: bytes) -> None:
        """Return only if the signature or tag is right; raise VerificationError otherwise."""


def _refused(name: str, algorithm: int) -> VerificationError:
    return VerificationError(
        f"the {algorithm_name(algorithm)} signature is not one of key {name!r} over these bytes",
        next_step="do not use the content; check that the file is whole and the anchor is the right one",
    )


def _require_algorithm(key: Verifier, algorithm: int) -> None:
    if algorithm not in key.algorithms:
        raise VerificationError(
            f"key {key.name!r} is not for {algorithm_name(algorithm)}", next_step="use an anchor of the right kind"
        )


@dataclass(frozen=True, slots=True)
class P256PublicKey:
    """A P-256 public key that verifies ES256 and ESP256 (the same computation under two numbers).

    Args:
        point: The uncompressed point, 65 bytes starting with 04.
    """

    point: bytes
    name: str = "P-256 key"
    kid: bytes | None = None
    algorithms: frozenset[int] = frozenset({Alg.ES256, Alg.ESP256})

    def __post_init__(self) -> None:
        from cryptography.hazmat.primitives.asymmetric import ec

        if len(self.point) != 65 or self.point[0] != 4:
            raise KeyFileError("a P-256 public key is an uncompressed point of 65 bytes", where=self.name)
        try:
            ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), self.point)
        except ValueError:
            raise KeyFileError("the point is not on P-256", where=self.name) from None

    def verify(self, algorithm: int, message: bytes, signature: bytes) -> None:
        """Return only if the 64-byte signature r and s is right (RFC 9053 section 2.1)."""
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives import hashes
        from cryptography.hazmat.primitives.asymmetric import ec, utils

        _require_algorithm(self, algorithm)
        if len(signature) != 64:
            raise _refused(self.name, algorithm)
        pair = (int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big"))
        key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), self.point)
        try:
            key.verify(utils.encode_dss_signature(*pair), message, ec.ECDSA(hashes.SHA256()))
        except InvalidSignature:
            raise _refused(self.name, algorithm) from None


@dataclass(frozen=True, slots=True)
class Ed25519PublicKey:
    """An Ed25519 public key of 32 bytes, that verifies Ed25519 and EdDSA messages."""

    raw: bytes
    name: str = "Ed25519 key"
    kid: bytes | None = None
    algorithms: frozenset[int] = frozenset({Alg.ED25519, Alg.EDDSA})

    def __post_init__(self) -> None:
        if len(self.raw) != 32:
            raise KeyFileError(f"an Ed25519 public key has 32 bytes, not {len(self.raw)}", where=self.name)

    def verify(self, algorithm: int, message: bytes, signature: bytes) -> None:
        """Return only if the 64-byte signature is right (RFC 8032)."""
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric import ed25519

        _require_algorithm(self, algorithm)
        try:
            ed25519.Ed25519PublicKey.from_public_bytes(self.raw).verify(signature, message)
        except (InvalidSignature, ValueError):
            raise _refused(self.name, algorithm) from None


@dataclass(frozen=True, slots=True)
class HmacKey:
    """A shared key for HMAC 256/256; it makes tags and checks them, so whoever verifies can also forge.

    Args:
        key: At least 16 bytes; not shown by `repr`.
    """

    key: bytes = field(repr=False)
    name: str = "shared key"
    kid: bytes | None = None
    algorithms: frozenset[int] = frozenset({Alg.HMAC_256_256})

    def __post_init__(self) -> None:
        if len(self.key) < 16:
            raise KeyFileError(f"a shared key of {len(self.key)} bytes is too short; 32 are usual", where=self.name)

    @property
    def algorithm(self) -> int:
        """The number of HMAC 256/256."""
        return Alg.HMAC_256_256

    def sign(self, message: bytes) -> bytes:
        """Return the 32-byte tag."""
        return hmac.digest(self.key, message, "sha256")

    def verify(self, algorithm: int, message: bytes, signature: bytes) -> None:
        """Return only if the 32-byte tag is right; compared in constant time."""
        _require_algorithm(self, algorithm)
        if not hmac.compare_digest(self.sign(message), signature):
            raise _refused(self.name, algorithm)


@dataclass(frozen=True, slots=True)
class P256PrivateKeySigner:
    """Signs ES256 or ESP256 with a P-256 key held in memory; deterministic (RFC 6979)."""

    key: EllipticCurvePrivateKey = field(repr=False)
    algorithm: int = Alg.ESP256
    kid: bytes | None = None

    def sign(self, message: bytes) -> bytes:
        """Return r and s, 32 bytes each."""
        from cryptography.hazmat.primitives import hashes
        from cryptography.hazmat.primitives.asymmetric import ec, utils

        der = self.key.sign(message, ec.ECDSA(hashes.SHA256(), deterministic_signing=True))
        r, s = utils.decode_dss_signature(der)
        return r.to_bytes(32, "big") + s.to_bytes(32, "big")

    def public(self, *, name: str = "P-256 key") -> P256PublicKey:
        """Return the matching trust anchor."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        point = self.key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        return P256PublicKey(point, name=name, kid=self.kid)


@dataclass(frozen=True, slots=True)
class Ed25519PrivateKeySigner:
    """Signs Ed25519 with a key held in memory."""

    key: Ed25519PrivateKey = field(repr=False)
    algorithm: int = Alg.ED25519
    kid: bytes | None = None

    def sign(self, message: bytes) -> bytes:
        """Return the 64-byte signature."""
        return self.key.sign(message)

    def public(self, *, name: str = "Ed25519 key") -> Ed25519PublicKey:
        """Return the matching trust anchor."""
        return Ed25519PublicKey(self.key.public_key().public_bytes_raw(), name=name, kid=self.kid)


def signer_from_private_key(
    key: object, *, algorithm: int | None = None, kid: bytes | None = None, where: str = "private key"
) -> P256PrivateKeySigner | Ed25519PrivateKeySigner:
    """Return a signer for a private key object of `cryptography`.

    Args:
        key: A P-256 or Ed25519 private key; others are a KeyFileError.
        algorithm: COSE algorithm number; by default ESP256 or Ed25519, the numbers of the SUIT profiles.
    """
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519

    if isinstance(key, ec.EllipticCurvePrivateKey) and key.curve.name == "secp256r1":
        number = Alg.ESP256 if algorithm is None else algorithm
        if number in (Alg.ES256, Alg.ESP256):
            return P256PrivateKeySigner(key, algorithm=number, kid=kid)
    elif isinstance(key, ed25519.Ed25519PrivateKey):
        number = Alg.ED25519 if algorithm is None else algorithm
        if number in (Alg.ED25519, Alg.EDDSA):
            return Ed25519PrivateKeySigner(key, algorithm=number, kid=kid)
    else:
        raise KeyFileError(
            f"{type(key).__name__} is neither a P-256 nor an Ed25519 private key",
            where=where,
            next_step="make a P-256 or Ed25519 key",
        )
    raise KeyFileError(f"this key cannot sign {algorithm_name(number)}", where=where)


def verifier_from_pem(
    pem: bytes, *, name: str = "anchor", kid: bytes | None = None
) -> P256PublicKey | Ed25519PublicKey:
    """Return the trust anchor in a PEM file of a public key (SubjectPublicKeyInfo).

    Raises:
        KeyFileError: The file is no PEM public key, or of a kind that is not supported.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key

    try:
        key = load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm):
        found = "holds a private key" if b"PRIVATE KEY" in pem else "is not a PEM public key"
        raise KeyFileError(
            f"the file {found}; a trust anchor is a public key", where=name, next_step="export the public half"
        ) from None
    if isinstance(key, ec.EllipticCurvePublicKey) and key.curve.name == "secp256r1":
        point = key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        return P256PublicKey(point, name=name, kid=kid)
    if isinstance(key, ed25519.Ed25519PublicKey):
        return Ed25519PublicKey(key.public_bytes_raw(), name=name, kid=kid)
    raise KeyFileError("the key is neither P-256 nor Ed25519", where=name, next_step="use a supported kind of key")
