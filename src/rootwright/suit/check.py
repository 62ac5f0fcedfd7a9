"""The whole check of an envelope without a device: signatures, structure, severed members, integrated payloads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rootwright.cose.keys import Verifier
from rootwright.errors import VerificationError
from rootwright.suit.authentication import AuthenticatedManifest, authenticate
from rootwright.suit.coverage import Fetched, fetched_payloads
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import require_match
from rootwright.suit.numbers import ManifestKey
from rootwright.suit.severed import SeveredAway, find_sequence, find_text, require_severed_match
from rootwright.suit.structure_check import SECTIONS, Limits, require_structure
from rootwright.suit.structures import CommandSequence, Digest, Envelope, Manifest, Text

#: Turns an encrypted payload into its plaintext: (encryption information, payload) -> plaintext.
OpenPayload = Callable[[bytes, bytes], bytes]


@dataclass(frozen=True, slots=True)
class CheckedPayload:
    """An integrated payload whose digest is the one the manifest demands.

    Attributes:
        name: Its name in the envelope, a URI.
        content: As it stands in the envelope.
        digests: What covers it; several where the manifest fetches it in several ways.
        component_indices: Components that it may be fetched into.
        is_encrypted: Whether a digest covers the plaintext instead of the content.
    """

    name: str
    content: bytes
    digests: tuple[Digest, ...]
    component_indices: tuple[int, ...]
    is_encrypted: bool


@dataclass(frozen=True, slots=True)
class CheckedEnvelope:
    """An envelope in which every byte is covered: by a signature, or by a digest that a signature covers.

    Attributes:
        authenticated: The manifest and its signatures.
        sections: Command sequences at hand, severed ones included, in the order of execution.
        text: Text at hand, if any.
        severed_away: Members whose content is not in this envelope.
        payloads: Integrated payloads.
    """

    authenticated: AuthenticatedManifest
    sections: tuple[tuple[ManifestKey, CommandSequence], ...]
    text: Text | None
    severed_away: tuple[ManifestKey, ...]
    payloads: tuple[CheckedPayload, ...]

    @property
    def manifest(self) -> Manifest:
        """The manifest."""
        return self.authenticated.manifest

    @property
    def envelope(self) -> Envelope:
        """The envelope."""
        return self.authenticated.envelope


def _refuse(name: str, found: str) -> VerificationError:
    return VerificationError(f"integrated payload {name!r} {found}", next_step="refuse the envelope")


def check_payload(
    name: str, content: bytes, ways: Sequence[Fetched], open_payload: OpenPayload | None = None
) -> CheckedPayload:
    """Return a payload, after it was held against the digest and size of every way it is fetched.

    Raises:
        VerificationError: It is not fetched, has no digest, differs, or is encrypted and cannot be opened here.
    """
    if not ways:
        raise _refuse(name, "is fetched by no command of the manifest, so nothing covers it")
    encrypted = False
    for way in ways:
        parameters = way.parameters
        if parameters.image_digest is None:
            raise _refuse(name, f"is fetched into component {way.component_index} without an image digest")
        plain = content
        if parameters.encryption_info is not None:
            encrypted = True
            if open_payload is None:
                raise _refuse(name, "is encrypted, its digest covers the plaintext, and there is no key to open it")
            plain = open_payload(parameters.encryption_info, content)
        if parameters.image_size is not None and parameters.image_size != len(plain):
            raise _refuse(name, f"has {len(plain)} bytes, expected {parameters.image_size}")
        require_match(plain, parameters.image_digest, what=f"integrated payload {name!r}")
    digests = {way.parameters.image_digest for way in ways if way.parameters.image_digest is not None}
    return CheckedPayload(
        name,
        content,
        tuple(sorted(digests, key=lambda digest: (digest.algorithm, digest.value))),
        tuple(sorted({way.component_index for way in ways})),
        encrypted,
    )


def check_envelope(
    data: bytes,
    anchors: Sequence[Verifier],
    *,
    allow_unknown_signers: bool = False,
    require_identity: bool = True,
    open_payload: OpenPayload | None = None,
    limits: Limits | None = None,
) -> CheckedEnvelope:
    """Return an envelope in which every bit is accounted for; a change of any single bit makes this raise.

    Args:
        data: The file.
        anchors: The keys to trust.
        allow_unknown_signers: See `authenticate`. Bits of an unknown signer's block are then not covered.
        require_identity: Refuse a manifest whose shared sequence tests neither vendor nor class.
        open_payload: Opens encrypted payloads whose digest covers the plaintext.
        limits: See `Limits`.

    Raises:
        FormatError: Malformed, with the byte offset.
        VerificationError: A signature or digest does not hold, or something is covered by neither.
        Refused: The manifest asks for what is not executed here.
    """
    authenticated = authenticate(decode_envelope(data), anchors, allow_unknown_signers=allow_unknown_signers)
    manifest, envelope = authenticated.manifest, authenticated.envelope
    require_severed_match(manifest, envelope)
    sections: dict[ManifestKey, CommandSequence] = {}
    away: list[ManifestKey] = []
    for key in SECTIONS:
        try:
            sequence = find_sequence(manifest, envelope, key)
        except SeveredAway:
            away.append(key)
            continue
        if sequence is not None:
            sections[key] = sequence
    text: Text | None = None
    try:
        text = find_text(manifest, envelope)
    except SeveredAway:
        away.append(ManifestKey.TEXT)
    require_structure(manifest, sections, limits=limits or Limits(), require_identity=require_identity)
    names = [name for name, _ in envelope.payloads]
    ways = fetched_payloads(manifest, sections, names) if names else ()
    payloads = tuple(
        check_payload(name, content, [way for way in ways if way.name == name], open_payload)
        for name, content in envelope.payloads
    )
    return CheckedEnvelope(authenticated, tuple(sections.items()), text, tuple(away), payloads)
