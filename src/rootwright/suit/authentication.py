"""Who vouches for a manifest: digest and signatures first, then and only then the manifest's content.

Source: draft-ietf-suit-manifest-34 sections 6.2 and 8.3. The detached payload of each authentication block is the
encoded SUIT_Digest, the external data is empty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rootwright.cose import cbor, messages
from rootwright.cose.keys import Verifier
from rootwright.cose.numbers import algorithm_name
from rootwright.errors import VerificationError
from rootwright.suit.decode import decode_manifest
from rootwright.suit.digest import require_wrapped_match
from rootwright.suit.numbers import EnvelopeKey
from rootwright.suit.parameters import encode_digest
from rootwright.suit.structures import Digest, Envelope, Manifest


class NotSigned(VerificationError):
    """An envelope without any authentication block; have it signed."""


class UnknownSigner(VerificationError):
    """No trust anchor fits an authentication block; check the file or the anchors."""


@dataclass(frozen=True, slots=True)
class Signature:
    """One authentication block that was verified.

    Attributes:
        structure: COSE structure.
        algorithm: COSE algorithm number.
        anchor: Name of the trust anchor.
    """

    structure: str
    algorithm: int
    anchor: str


@dataclass(frozen=True, slots=True)
class AuthenticatedManifest:
    """A manifest that trust anchors vouch for, and the envelope it came in.

    Only `authenticate` should make one: holding it means that the signatures were verified.
    """

    manifest: Manifest
    envelope: Envelope
    signatures: tuple[Signature, ...]

    @property
    def digest(self) -> Digest:
        """The manifest's digest, which identifies it."""
        return self.envelope.digest


def signed_bytes(digest: Digest) -> bytes:
    """Return the detached payload of every authentication block: the encoded SUIT_Digest."""
    return cbor.encode(encode_digest(digest))


def verify_block(envelope: Envelope, index: int, anchors: Sequence[Verifier]) -> Signature:
    """Return the signature in one authentication block, verified by one of the anchors.

    Raises:
        FormatError: The block is not a COSE_Sign1 or COSE_Mac0 that is accepted here.
        UnknownSigner: No anchor fits it.
        VerificationError: Anchors fit it, and none verifies it.
    """
    message = messages.decode(envelope.blocks[index], base=envelope.offset_of(-1 - index))
    if message.payload is not None:
        raise cbor.mistake(envelope.offset_of(-1 - index), "the authentication block carries a payload; it must not")
    refusal: VerificationError | None = None
    for anchor in anchors:
        if not messages.is_candidate(message, anchor):
            continue
        try:
            messages.verify(message, anchor, detached_payload=signed_bytes(envelope.digest))
        except VerificationError as error:
            refusal = error
            continue
        return Signature(message.structure, message.algorithm, anchor.name)
    name = algorithm_name(message.algorithm)
    if refusal is not None:
        raise VerificationError(
            f"the {name} signature in authentication block {index + 1} does not hold with any anchor",
            next_step="do not use the file; check that it is whole and the anchors are the right ones",
        )
    kid = message.protected_kid or message.unprotected_kid
    named = f", key identifier {kid.hex()}" if kid else ""
    raise UnknownSigner(
        f"no trust anchor fits authentication block {index + 1} ({name}{named})",
        next_step="add the anchor of that key, if it is to be trusted",
    )


def require_digest(envelope: Envelope) -> None:
    """Return only if the manifest has the digest that the authentication wrapper states."""
    require_wrapped_match(envelope.manifest, envelope.digest, what="suit-manifest")


def authenticate(
    envelope: Envelope, anchors: Sequence[Verifier], *, allow_unknown_signers: bool = False
) -> AuthenticatedManifest:
    """Return the manifest, after every authentication block was verified.

    Args:
        envelope: From `decode_envelope`.
        anchors: The keys to trust.
        allow_unknown_signers: Accept blocks that no anchor fits, as long as at least one block is verified. A recipient
            that holds one of several signers' keys needs this. A block that an anchor fits must hold in any case.

    Raises:
        NotSigned, UnknownSigner, VerificationError: Nothing vouches for the manifest; it was not looked into.
        FormatError: A block or, after all blocks were verified, the manifest is malformed.
    """
    require_digest(envelope)
    if not envelope.blocks:
        raise NotSigned("the envelope has no authentication block", next_step="sign it, or fetch the signed file")
    signatures: list[Signature] = []
    unknown: UnknownSigner | None = None
    for index in range(len(envelope.blocks)):
        try:
            signatures.append(verify_block(envelope, index, anchors))
        except UnknownSigner as error:
            unknown = error
            if not allow_unknown_signers:
                raise
    if not signatures:
        assert unknown is not None
        raise unknown
    if len(set(envelope.blocks)) != len(envelope.blocks):
        raise VerificationError("an authentication block stands twice", next_step="refuse the file")
    manifest = decode_manifest(envelope.manifest, base=envelope.offset_of(EnvelopeKey.MANIFEST))
    return AuthenticatedManifest(manifest, envelope, tuple(signatures))
