"""COSE_Sign1 and COSE_Mac0 messages: encode, strict decode, verify (RFC 9052 sections 4.2 and 6.2).

The protected header holds the algorithm, and may hold a content type and a key identifier; the unprotected header,
which no signature covers, may hold a key identifier alone. Everything else is refused, `crit` included.
"""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.cose import cbor
from rootwright.cose.keys import Signer, Verifier
from rootwright.cose.numbers import ALGORITHMS, CONTEXTS, OTHER_TAGS, TAGS, Header, Structure, algorithm_name
from rootwright.errors import FormatError, VerificationError


class UnsupportedStructure(FormatError):
    """A COSE structure that is known and not accepted here; ask for COSE_Sign1 or COSE_Mac0."""


class UnsupportedAlgorithm(FormatError):
    """A message names an algorithm that is not accepted here; sign with a listed one."""


@dataclass(frozen=True, slots=True)
class Message:
    """One COSE_Sign1 or COSE_Mac0, decoded and not yet verified.

    Attributes:
        structure: Which of the two.
        protected: The protected header as it was encoded; the signature covers these bytes.
        algorithm: Algorithm number from the protected header.
        protected_kid: Key identifier inside the protected header.
        unprotected_kid: Key identifier outside it; unsigned, so it must equal the anchor's.
        payload: None where the payload is detached.
        signature: Signature or tag.
    """

    structure: Structure
    protected: bytes
    algorithm: int
    protected_kid: bytes | None
    unprotected_kid: bytes | None
    payload: bytes | None
    signature: bytes

    def encode(self, *, tagged: bool = True) -> bytes:
        """Return the message's bytes; those that `decode` was given."""
        unprotected: dict[int, cbor.Value] = {}
        if self.unprotected_kid is not None:
            unprotected[Header.KID] = self.unprotected_kid
        content = [self.protected, unprotected, self.payload, self.signature]
        return cbor.encode(cbor.Tag(TAGS[self.structure], content) if tagged else content)


def _refuse_header(key: cbor.Item, where: str) -> FormatError:
    name = "crit (2)" if key.scalar == Header.CRIT else cbor.diagnostic(key)
    return cbor.mistake(key.offset, f"header parameter {name} is not accepted in the {where} header")


def _protected(item: cbor.Item) -> tuple[int, bytes | None]:
    if not item.bytes("protected header"):
        raise cbor.mistake(item.offset, "the protected header is empty; the algorithm must be protected")
    algorithm: int | None = None
    kid: bytes | None = None
    for key, value in item.wrapped("protected header").pairs("protected header"):
        if key.major != 0 or key.scalar not in (Header.ALG, Header.CONTENT_TYPE, Header.KID):
            raise _refuse_header(key, "protected")
        if key.scalar == Header.ALG:
            if value.major == 3:
                raise UnsupportedAlgorithm(
                    f"algorithm {cbor.diagnostic(value)} is not accepted", where=f"byte {value.offset}"
                )
            algorithm = value.integer("alg")
            if algorithm not in ALGORITHMS:
                raise UnsupportedAlgorithm(
                    f"algorithm {algorithm} is not accepted",
                    where=f"byte {value.offset}",
                    next_step="sign with one of " + ", ".join(known.name for known in ALGORITHMS.values()),
                )
        elif key.scalar == Header.KID:
            kid = value.bytes("kid")
        elif value.major not in (0, 3):
            raise cbor.mistake(value.offset, "content type: expected an unsigned integer or text")
    if algorithm is None:
        raise cbor.mistake(item.offset, "the protected header names no algorithm")
    return algorithm, kid


def _unprotected(item: cbor.Item) -> bytes | None:
    kid: bytes | None = None
    for key, value in item.pairs("unprotected header"):
        if key.major != 0 or key.scalar != Header.KID:
            raise _refuse_header(key, "unprotected")
        kid = value.bytes("kid")
    return kid


def decode(data: bytes, *, base: int = 0, untagged: Structure | None = None) -> Message:
    """Return the message in `data`, not yet verified.

    Args:
        data: The whole message.
        base: Added to the offsets in errors.
        untagged: The structure to expect where the context says it instead of a tag; by default a tag is required.

    Raises:
        UnsupportedStructure: Another COSE structure.
        UnsupportedAlgorithm: An algorithm number that is not registered here.
        FormatError: Anything else that is not exactly such a message.
    """
    # Before anything inside is judged, so that the structures that are not for here are called by their names.
    for number, name in OTHER_TAGS.items() if untagged is None else ():
        if data.startswith(cbor.encode(cbor.Tag(number, cbor.Encoded(b"")))):
            raise UnsupportedStructure(f"{name} is not accepted; COSE_Sign1 or COSE_Mac0 is", where=f"byte {base}")
    item = cbor.decode(data, base=base, what="the COSE message")
    structure: Structure
    if untagged is None:
        known: dict[object, Structure] = {number: name for name, number in TAGS.items()}
        if item.major != 6 or item.scalar not in known:
            found = f"tag {item.scalar!r}" if item.major == 6 else item.kind
            raise cbor.mistake(item.offset, f"expected a tagged COSE_Sign1 (18) or COSE_Mac0 (17), found {found}")
        structure = known[item.scalar]
        item = item.items[0]
    else:
        structure = untagged
    protected, unprotected, payload, signature = item.array(structure, size=4)
    algorithm, protected_kid = _protected(protected)
    if ALGORITHMS[algorithm].structure != structure:
        raise UnsupportedAlgorithm(
            f"{algorithm_name(algorithm)} cannot stand in a {structure}", where=f"byte {protected.offset}"
        )
    unprotected_kid = _unprotected(unprotected)
    if protected_kid is not None and unprotected_kid is not None:
        raise cbor.mistake(unprotected.offset, "kid stands in both headers")
    return Message(
        structure=structure,
        protected=protected.bytes("protected header"),
        algorithm=algorithm,
        protected_kid=protected_kid,
        unprotected_kid=unprotected_kid,
        payload=None if payload.is_null else payload.bytes("payload"),
        signature=signature.bytes("signature"),
    )


def covered_bytes(structure: Structure, protected: bytes, payload: bytes, external_aad: bytes = b"") -> bytes:
    """Return the bytes a signature or tag is made over: Sig_structure or MAC_structure (RFC 9052 4.4, 6.3)."""
    return cbor.encode([CONTEXTS[structure], protected, external_aad, payload])


def sign(
    payload: bytes,
    signer: Signer,
    *,
    detached: bool = False,
    kid_unprotected: bool = False,
    external_aad: bytes = b"",
) -> bytes:
    """Return the tagged message over a payload: COSE_Mac0 for HMAC, COSE_Sign1 for the rest.

    Args:
        payload: What is signed.
        signer: Key and algorithm; its `kid`, if any, goes into the protected header.
        detached: Leave the payload out of the message; its receiver has it from elsewhere.
        kid_unprotected: Put the key identifier into the unprotected header, for receivers that look only there.
        external_aad: Bytes that are covered and not sent.
    """
    known = ALGORITHMS.get(signer.algorithm)
    if known is None:
        raise UnsupportedAlgorithm(f"{algorithm_name(signer.algorithm)} is not registered for messages")
    header: dict[int, cbor.Value] = {Header.ALG: signer.algorithm}
    if signer.kid is not None and not kid_unprotected:
        header[Header.KID] = signer.kid
    protected = cbor.encode(header)
    return Message(
        structure=known.structure,
        protected=protected,
        algorithm=signer.algorithm,
        protected_kid=signer.kid if not kid_unprotected else None,
        unprotected_kid=signer.kid if kid_unprotected else None,
        payload=None if detached else payload,
        signature=signer.sign(covered_bytes(known.structure, protected, payload, external_aad)),
    ).encode()


def is_candidate(message: Message, verifier: Verifier) -> bool:
    """Whether a verifier may be tried: the algorithm is one of its own and no key identifier speaks against it."""
    if message.algorithm not in verifier.algorithms:
        return False
    if message.unprotected_kid is not None:
        return message.unprotected_kid == verifier.kid
    return message.protected_kid is None or verifier.kid is None or message.protected_kid == verifier.kid


def verify(
    message: Message, verifier: Verifier, *, detached_payload: bytes | None = None, external_aad: bytes = b""
) -> None:
    """Return only if the verifier's key made this message over its payload.

    Args:
        message: From `decode`.
        verifier: The one trust anchor to check with.
        detached_payload: The payload, exactly where the message carries none.
        external_aad: Bytes that were covered and not sent.

    Raises:
        VerificationError: The signature or tag does not hold, or the message names another key.
        FormatError: Payload missing, or given twice.
    """
    if not is_candidate(message, verifier):
        raise VerificationError(
            f"the message ({algorithm_name(message.algorithm)}) is not for key {verifier.name!r}: algorithm or key"
            " identifier differ",
            next_step="verify with the anchor the message names",
        )
    if (message.payload is None) == (detached_payload is None):
        state = "no payload, and none was given" if message.payload is None else "a payload, and another was given"
        raise FormatError(f"the message carries {state}")
    payload = message.payload if detached_payload is None else detached_payload
    covered = covered_bytes(message.structure, message.protected, payload or b"", external_aad)
    verifier.verify(message.algorithm, covered, message.signature)
