"""The manifest processor: checks a manifest's structure, then executes its sections over a component store.

Source: draft-ietf-suit-manifest-34 sections 6 and 8.4. Commands are always executed in order, which strict order allows
to be relaxed and never demands. Where the draft leaves a choice, a comment says which reading is taken.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rootwright.cose.keys import Verifier
from rootwright.cose.messages import UnsupportedAlgorithm, UnsupportedStructure
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.authentication import AuthenticatedManifest, authenticate
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import UnsupportedDigest
from rootwright.suit.machine import Machine
from rootwright.suit.numbers import ManifestKey, Reason
from rootwright.suit.outcome import Outcome, Refused
from rootwright.suit.severed import SeveredAway, find_sequence, require_severed_match
from rootwright.suit.store import ComponentStore
from rootwright.suit.structure_check import SECTIONS, Limits, require_structure
from rootwright.suit.structures import CommandSequence

#: Goals 1 to 3 of section 8.4.6: fetch, install, validate.
UPDATE = (ManifestKey.PAYLOAD_FETCH, ManifestKey.INSTALL, ManifestKey.VALIDATE)
#: Goals 3 to 5: validate, load, invoke.
INVOCATION = (ManifestKey.VALIDATE, ManifestKey.LOAD, ManifestKey.INVOKE)
DEFAULT_LIMITS = Limits()


def _sections(
    authenticated: AuthenticatedManifest, wanted: Collection[ManifestKey]
) -> dict[ManifestKey, CommandSequence]:
    manifest, envelope = authenticated.manifest, authenticated.envelope
    found: dict[ManifestKey, CommandSequence] = {}
    for key in SECTIONS:
        try:
            sequence = find_sequence(manifest, envelope, key)
        except SeveredAway as error:
            if key in wanted:
                raise Refused(Reason.OPERATION_FAILED, "severed-away", error.found) from None
            continue
        if sequence is not None:
            found[key] = sequence
    return found


def _refusal(error: FormatError | VerificationError) -> Refused:
    reason, detail = Reason.UNAUTHORISED, "not-authentic"
    if isinstance(error, UnsupportedStructure):
        reason, detail = Reason.COSE_UNSUPPORTED, "cose-structure"
    elif isinstance(error, UnsupportedAlgorithm | UnsupportedDigest):
        reason, detail = Reason.ALG_UNSUPPORTED, "algorithm"
    elif isinstance(error, FormatError):
        reason, detail = Reason.CBOR_PARSE, "malformed"
    return Refused(reason, detail, f"{error.where}: {error.found}" if error.where else error.found)


def run(
    authenticated: AuthenticatedManifest,
    store: ComponentStore,
    *,
    sections: Collection[ManifestKey] = SECTIONS,
    limits: Limits = DEFAULT_LIMITS,
    require_identity: bool = True,
) -> Outcome:
    """Return how executing a manifest's sections over a store ended; the store has the effects.

    Args:
        authenticated: From `authenticate`.
        store: The device.
        sections: Which to execute, such as `UPDATE` or `INVOCATION`; always in the order of `SECTIONS`.
        limits: See `Limits`.
        require_identity: Refuse a manifest whose shared sequence tests neither vendor nor class.

    Nothing is written before the rollback floor, the structure of all sections and the components were checked. Errors
    that the store raises other than StoreRefusal pass through.
    """
    machine = Machine(authenticated, store, limits)
    try:
        manifest = authenticated.manifest
        floor = store.lowest_sequence_number()
        if manifest.sequence_number < floor:
            raise Refused(
                Reason.CONDITION_FAILED,
                "sequence-number-too-low",
                f"suit-manifest-sequence-number is {manifest.sequence_number}, the floor is {floor}",
            )
        try:
            require_severed_match(manifest, authenticated.envelope)
            found = _sections(authenticated, sections)
        except (FormatError, VerificationError) as error:
            raise _refusal(error) from None
        require_structure(manifest, found, limits=limits, require_identity=require_identity)
        for component in manifest.components:
            if not store.is_known(component):
                path = "/".join(part.hex() for part in component)
                raise Refused(
                    Reason.COMPONENT_UNSUPPORTED, "unknown-component", f"component {path} is not one of this device"
                )
        for key, sequence in found.items():
            if key in sections:
                machine.run_section(key, sequence)
    except Refused as refusal:
        return machine.outcome(refusal)
    return machine.outcome(None)


def process(
    data: bytes,
    anchors: Sequence[Verifier],
    store: ComponentStore,
    *,
    sections: Collection[ManifestKey] = SECTIONS,
    limits: Limits = DEFAULT_LIMITS,
    require_identity: bool = True,
    allow_unknown_signers: bool = False,
) -> Outcome:
    """Return how processing an envelope ended, from bytes to the last section; bad input is an outcome, not an error.

    The envelope is authenticated before anything inside it is parsed. See `run` and `authenticate` for the arguments.
    """
    try:
        envelope = decode_envelope(data)
        authenticated = authenticate(envelope, anchors, allow_unknown_signers=allow_unknown_signers)
    except (FormatError, VerificationError) as error:
        refusal = _refusal(error)
        return Outcome(refusal.reason, refusal.detail, refusal.text)
    return run(authenticated, store, sections=sections, limits=limits, require_identity=require_identity)
