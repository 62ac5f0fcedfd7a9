"""Severed members: content that stands in the envelope, with its digest in the manifest (sections 8.4.12 and 8.5)."""

from __future__ import annotations

from rootwright.cose import cbor
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.decode import decode_sequence, decode_text
from rootwright.suit.digest import require_wrapped_match
from rootwright.suit.numbers import SEVERABLE, ManifestKey
from rootwright.suit.parameters import decode_digest
from rootwright.suit.structures import CommandSequence, Digest, Envelope, Manifest, Text
from rootwright.suit.words import manifest_word


class SeveredAway(VerificationError):
    """A member whose digest is in the manifest and whose content was taken out; fetch the full envelope."""


def expected_digest(manifest: Manifest, number: int) -> Digest | None:
    """Return the digest that stands in the manifest for a severed member; None where the manifest has none."""
    if number in SEVERABLE:
        content = manifest.member(ManifestKey(number))
        return content if isinstance(content, Digest) else None
    raw = dict(manifest.extensions).get(number)
    if raw is None:
        return None
    try:
        return decode_digest(cbor.decode(raw.encoded), manifest_word(number))
    except FormatError:
        return None


def require_severed_match(manifest: Manifest, envelope: Envelope) -> None:
    """Return only if every severed member in the envelope has the digest that the manifest states for it."""
    for number, content in envelope.severed:
        word = manifest_word(number)
        digest = expected_digest(manifest, number)
        if digest is None:
            raise VerificationError(
                f"{word} stands in the envelope, and the manifest has no digest for it", next_step="refuse the file"
            )
        require_wrapped_match(content, digest, what=word)


def _content(manifest: Manifest, envelope: Envelope, key: ManifestKey) -> bytes:
    digest = expected_digest(manifest, key)
    assert digest is not None
    content = dict(envelope.severed).get(key)
    if content is None:
        raise SeveredAway(
            f"{manifest_word(key)} was severed from this envelope",
            next_step=f"fetch the full envelope ({manifest.reference_uri})"
            if manifest.reference_uri
            else "fetch the full envelope",
        )
    require_wrapped_match(content, digest, what=manifest_word(key))
    return content


def find_sequence(manifest: Manifest, envelope: Envelope, key: ManifestKey) -> CommandSequence | None:
    """Return a command sequence, from the manifest or severed in the envelope; None where the manifest has none.

    Raises:
        SeveredAway: Its content is in neither.
        VerificationError: The content in the envelope is not the one the manifest states.
    """
    member = manifest.member(key)
    if isinstance(member, Digest):
        content = _content(manifest, envelope, key)
        return decode_sequence(content, base=envelope.offset_of(key), what=manifest_word(key))
    assert not isinstance(member, Text)
    return member


def find_text(manifest: Manifest, envelope: Envelope) -> Text | None:
    """Return the text, from the manifest or severed in the envelope; None where the manifest has none.

    Raises:
        SeveredAway, VerificationError: As for `find_sequence`.
    """
    if isinstance(manifest.text, Digest):
        content = _content(manifest, envelope, ManifestKey.TEXT)
        return decode_text(content, manifest.components, base=envelope.offset_of(ManifestKey.TEXT))
    return manifest.text
