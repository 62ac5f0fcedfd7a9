"""What an envelope holds and what covers it, without refusing anything that is well formed: for people to look at.

Unlike `check`, which raises at the first thing that is not covered, this collects findings, so that a bad envelope can
be looked into. Nothing here is a reason to trust what it shows: `Inspection.findings` says what is wrong, and without
anchors nothing is verified.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rootwright.cose import messages
from rootwright.cose.keys import Verifier
from rootwright.cose.messages import UnsupportedAlgorithm, UnsupportedStructure
from rootwright.cose.numbers import algorithm_name
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.authentication import UnknownSigner, require_digest, verify_block
from rootwright.suit.check import check_payload
from rootwright.suit.coverage import Fetched, fetched_payloads
from rootwright.suit.decode import decode_envelope, decode_manifest, decode_sequence, decode_text
from rootwright.suit.digest import compute, require_wrapped_match
from rootwright.suit.numbers import DigestAlgorithm, EnvelopeKey, ManifestKey
from rootwright.suit.outcome import Refused
from rootwright.suit.severed import expected_digest
from rootwright.suit.structure_check import SECTIONS, Limits, require_structure
from rootwright.suit.structures import CommandSequence, Digest, Envelope, Manifest, Text
from rootwright.suit.words import manifest_word


@dataclass(frozen=True, slots=True)
class BlockReport:
    """One authentication block: what it is and whether an anchor verifies it."""

    structure: str
    algorithm: str
    kid: bytes | None
    state: str
    is_verified: bool


@dataclass(frozen=True, slots=True)
class MemberReport:
    """A severable or plain member: where its content is, whether its digest holds, and the content if it is here."""

    key: int
    state: str
    content: CommandSequence | Text | None


@dataclass(frozen=True, slots=True)
class PayloadReport:
    """An integrated payload: its name, size in bytes, SHA-256 or the manifest's digest, and what covers it."""

    name: str
    size_bytes: int
    digest: Digest
    state: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything about one envelope.

    Attributes:
        size_bytes: Of the file.
        authentication: One of 'not signed', 'signed, not verified: no anchor was given', 'verified', 'NOT VERIFIED'.
        digest_matches: Whether the manifest has the digest that the authentication wrapper states.
        findings: What does not verify, differs or is covered by nothing; empty when all is well.
        notes: What a recipient of the core standard would refuse or miss, without being wrong.
    """

    size_bytes: int
    envelope: Envelope
    manifest: Manifest
    authentication: str
    digest_matches: bool
    blocks: tuple[BlockReport, ...]
    members: tuple[MemberReport, ...]
    payloads: tuple[PayloadReport, ...]
    findings: tuple[str, ...]
    notes: tuple[str, ...]


def _block(envelope: Envelope, index: int, anchors: Sequence[Verifier], findings: list[str]) -> BlockReport:
    name = f"authentication block {index + 1}"
    try:
        message = messages.decode(envelope.blocks[index], base=envelope.offset_of(-1 - index))
    except (UnsupportedStructure, UnsupportedAlgorithm) as error:
        if anchors:
            findings.append(f"{name}: {error.found}")
        return BlockReport("", "", None, f"not accepted: {error.found}", is_verified=False)
    kid = message.protected_kid if message.protected_kid is not None else message.unprotected_kid
    state, verified = "not verified: no anchor was given", False
    if anchors:
        try:
            state, verified = f"verified by {verify_block(envelope, index, anchors).anchor}", True
        except UnknownSigner:
            state = "no anchor given is for it"
        except VerificationError:
            state = "does not hold"
    if anchors and not verified:
        findings.append(f"{name}: {state}")
    return BlockReport(message.structure, algorithm_name(message.algorithm), kid, state, is_verified=verified)


def _member(envelope: Envelope, manifest: Manifest, key: ManifestKey, findings: list[str]) -> MemberReport | None:
    member = manifest.member(key)
    severed = dict(envelope.severed).get(key)
    if member is None:
        return None
    if not isinstance(member, Digest):
        return MemberReport(key, "", member)
    if severed is None:
        return MemberReport(key, "severed from this envelope", None)
    state = "severed member, digest matches"
    try:
        require_wrapped_match(severed, member, what=manifest_word(key))
    except VerificationError as error:
        state = "severed member, DIGEST DIFFERS"
        findings.append(error.found)
    base = envelope.offset_of(key)
    content: CommandSequence | Text
    if key == ManifestKey.TEXT:
        content = decode_text(severed, manifest.components, base=base)
    else:
        content = decode_sequence(severed, base=base, what=manifest_word(key))
    return MemberReport(key, state, content)


def _uncovered_members(envelope: Envelope, manifest: Manifest, findings: list[str]) -> None:
    for number, content in envelope.severed:
        digest = expected_digest(manifest, number)
        if digest is None:
            findings.append(f"{manifest_word(number)} stands in the envelope, and the manifest has no digest for it")
        elif number not in (*SECTIONS, ManifestKey.TEXT):
            try:
                require_wrapped_match(content, digest, what=manifest_word(number))
            except VerificationError as error:
                findings.append(error.found)


def _payload(name: str, content: bytes, ways: Sequence[Fetched], findings: list[str]) -> PayloadReport:
    algorithm = int(DigestAlgorithm.SHA_256)
    digests = [way.parameters.image_digest for way in ways if way.parameters.image_digest is not None]
    if digests:
        algorithm = digests[0].algorithm
    if ways and all(way.parameters.encryption_info is not None for way in ways):
        state = "encrypted: the manifest's digest covers the plaintext"
    else:
        try:
            checked = check_payload(name, content, ways)
            indices = ", ".join(str(index) for index in checked.component_indices)
            state = f"matches, for component {indices}"
        except VerificationError as error:
            state = "DIFFERS" if digests else "NOT COVERED by any digest"
            findings.append(error.found)
    return PayloadReport(name, len(content), compute(content, algorithm), state)


def _structure_notes(manifest: Manifest, sections: dict[ManifestKey, CommandSequence], notes: list[str]) -> bool:
    """Add what would be refused; return whether indices can be relied on."""
    try:
        require_structure(manifest, sections, limits=Limits(), require_identity=False)
    except Refused as refusal:
        notes.append(f"would be refused: {refusal.text}")
        return False
    try:
        require_structure(manifest, sections, limits=Limits())
    except Refused as refusal:
        notes.append(refusal.text)
    return True


def inspect_envelope(data: bytes, anchors: Sequence[Verifier] = ()) -> Inspection:
    """Return everything about an envelope.

    Args:
        data: The file.
        anchors: Keys to verify with; without any, signatures are named and not verified, which is no finding.

    Raises:
        FormatError: The file is malformed, with the byte offset.
    """
    envelope = decode_envelope(data)
    findings: list[str] = []
    notes: list[str] = []
    try:
        require_digest(envelope)
        digest_matches = True
    except VerificationError as error:
        digest_matches = False
        findings.append(error.found)
    blocks = tuple(_block(envelope, index, anchors, findings) for index in range(len(envelope.blocks)))
    if not blocks:
        authentication = "not signed"
        if anchors:
            findings.append("the envelope is not signed")
    elif not anchors:
        authentication = "signed, not verified: no anchor was given"
    else:
        verified = digest_matches and all(block.is_verified for block in blocks)
        authentication = "verified" if verified else "NOT VERIFIED"
    manifest = decode_manifest(envelope.manifest, base=envelope.offset_of(EnvelopeKey.MANIFEST))
    reports = [_member(envelope, manifest, key, findings) for key in (*SECTIONS, ManifestKey.TEXT)]
    members = tuple(report for report in reports if report is not None)
    _uncovered_members(envelope, manifest, findings)
    sections = {ManifestKey(report.key): report.content for report in members if isinstance(report.content, tuple)}
    is_sound = _structure_notes(manifest, sections, notes)
    names = [name for name, _ in envelope.payloads]
    ways: tuple[Fetched, ...] = ()
    if names and is_sound:
        try:
            ways = fetched_payloads(manifest, sections, names)
        except VerificationError as error:
            findings.append(error.found)
    payloads = tuple(
        _payload(name, content, [way for way in ways if way.name == name], findings)
        for name, content in envelope.payloads
    )
    return Inspection(
        size_bytes=len(data),
        envelope=envelope,
        manifest=manifest,
        authentication=authentication,
        digest_matches=digest_matches,
        blocks=blocks,
        members=members,
        payloads=payloads,
        findings=tuple(findings),
        notes=tuple(notes),
    )


def extension_sequence(number: int, encoded: bytes) -> CommandSequence | None:
    """Return an extension member's command sequence for printing; None where it holds something else."""
    from rootwright.cose import cbor

    try:
        return decode_sequence(cbor.decode(encoded).bytes(manifest_word(number)))
    except FormatError:
        return None
