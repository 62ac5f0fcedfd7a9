"""Making envelopes: sign a manifest, sever members, add a signature."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from rootwright.cose import messages
from rootwright.cose.keys import Signer
from rootwright.errors import FormatError
from rootwright.suit.authentication import require_digest, signed_bytes
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.digest import compute_wrapped
from rootwright.suit.encode import encode_envelope, encode_manifest, encode_sequence, encode_text
from rootwright.suit.numbers import SEVERABLE, DigestAlgorithm, ManifestKey
from rootwright.suit.structures import Digest, Envelope, Manifest, Text
from rootwright.suit.words import manifest_word


def unsigned_envelope(
    manifest: Manifest,
    *,
    payloads: Mapping[str, bytes] | None = None,
    severed: Collection[ManifestKey] = (),
    digest_algorithm: int = DigestAlgorithm.SHA_256,
) -> Envelope:
    """Return the envelope of a manifest, with its digest and without any signature.

    Args:
        manifest: With the content of every member.
        payloads: Integrated payloads by the URI that the manifest fetches.
        severed: Members to move out of the manifest: payload-fetch, install, text. Their content stays in the envelope.
        digest_algorithm: For the manifest and the severed members.

    Raises:
        FormatError: The manifest cannot be encoded, or does not read back as itself.
    """
    moved: list[tuple[int, bytes]] = []
    for key in SEVERABLE:
        if key not in severed:
            continue
        content = manifest.member(key)
        if content is None or isinstance(content, Digest):
            raise FormatError(f"{manifest_word(key)} has no content to sever", next_step="leave it out of `severed`")
        encoded = encode_text(content) if isinstance(content, Text) else encode_sequence(content)
        moved.append((int(key), encoded))
        digest = compute_wrapped(encoded, digest_algorithm)
        if key == ManifestKey.PAYLOAD_FETCH:
            manifest = replace(manifest, payload_fetch=digest)
        elif key == ManifestKey.INSTALL:
            manifest = replace(manifest, install=digest)
        else:
            manifest = replace(manifest, text=digest)
    unknown = set(severed) - set(SEVERABLE)
    if unknown:
        raise FormatError(f"{manifest_word(min(unknown))} cannot be severed")
    data = encode_manifest(manifest)
    if decode_manifest(data) != manifest:
        raise FormatError("the manifest does not read back as itself", next_step="report this with the manifest")
    return Envelope(
        digest=compute_wrapped(data, digest_algorithm),
        blocks=(),
        manifest=data,
        severed=tuple(moved),
        payloads=tuple((payloads or {}).items()),
    )


def sign_envelope(
    manifest: Manifest,
    signers: Signer | Sequence[Signer],
    *,
    payloads: Mapping[str, bytes] | None = None,
    severed: Collection[ManifestKey] = (),
    digest_algorithm: int = DigestAlgorithm.SHA_256,
) -> bytes:
    """Return the signed envelope of a manifest, ready to deliver.

    Args:
        manifest: With the content of every member.
        signers: One or several; each makes one authentication block over the same digest.
        payloads: Integrated payloads by the URI that the manifest fetches, such as `#app`.
        severed: Members to move out of the manifest; their content stays in the envelope.
        digest_algorithm: For the manifest and the severed members.

    Raises:
        FormatError: The manifest cannot be encoded.
    """
    envelope = unsigned_envelope(manifest, payloads=payloads, severed=severed, digest_algorithm=digest_algorithm)
    for signer in signers if isinstance(signers, Sequence) else [signers]:
        envelope = _with_signature(envelope, signer)
    return encode_envelope(envelope)


def _with_signature(envelope: Envelope, signer: Signer) -> Envelope:
    # Section 8.3: a signer verifies the digest before it signs.
    require_digest(envelope)
    block = messages.sign(signed_bytes(envelope.digest), signer, detached=True)
    return replace(envelope, blocks=(*envelope.blocks, block))


def add_signature(data: bytes, signer: Signer) -> bytes:
    """Return an envelope with one more authentication block over its digest.

    Raises:
        FormatError: `data` is no envelope.
        VerificationError: Its digest is not that of its manifest.
    """
    return encode_envelope(_with_signature(decode_envelope(data), signer))


def sever(data: bytes, members: Collection[ManifestKey]) -> bytes:
    """Return an envelope without the content of severed members; its signatures stay valid.

    Raises:
        FormatError: `data` is no envelope, or a member does not stand in it by itself.
    """
    envelope = decode_envelope(data)
    present = {number for number, _ in envelope.severed}
    for key in sorted(members):
        if key not in present:
            raise FormatError(
                f"{manifest_word(key)} does not stand in the envelope by itself",
                next_step="only members that were made severable before signing can be taken out",
            )
    kept = tuple((number, content) for number, content in envelope.severed if number not in members)
    return encode_envelope(replace(envelope, severed=kept))
