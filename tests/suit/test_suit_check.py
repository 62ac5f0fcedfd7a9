"""Authentication, severed members and payload coverage: no bit of an envelope is left uncovered."""

from __future__ import annotations

from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from suit_samples import (
    ANCHOR,
    APP,
    EXAMPLE_0,
    IMAGE,
    KEY,
    MANIFEST,
    OUR_CLASS,
    OUR_VENDOR,
    SHARED,
    SIGNER,
    STAGE,
    Condition,
    Directive,
    Parameter,
)

from rootwright.cose import cbor, keys, messages
from rootwright.cose.numbers import Alg
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.authentication import NotSigned, UnknownSigner, authenticate, signed_bytes
from rootwright.suit.build import add_signature, sever, sign_envelope, unsigned_envelope
from rootwright.suit.check import check_envelope
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import UnsupportedDigest, compute, compute_wrapped
from rootwright.suit.encode import encode_envelope
from rootwright.suit.numbers import DigestAlgorithm, ManifestKey
from rootwright.suit.outcome import Refused
from rootwright.suit.severed import SeveredAway, find_sequence, find_text
from rootwright.suit.structures import (
    Command,
    ConditionCommand,
    Digest,
    DirectiveCommand,
    Manifest,
    OverrideParameters,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

SEVERED = [ManifestKey.INSTALL, ManifestKey.TEXT]
OURS = sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=SEVERED)
FETCH = DirectiveCommand(Directive.FETCH)


def altered(data: bytes, bit: int) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


@pytest.mark.slow
def test_every_single_altered_bit_is_refused() -> None:
    check_envelope(OURS, [ANCHOR])
    for bit in range(8 * len(OURS)):
        with pytest.raises((FormatError, VerificationError)):
            check_envelope(altered(OURS, bit), [ANCHOR])


@pytest.mark.slow
def test_every_single_altered_bit_is_refused_with_two_signers_and_key_identifiers() -> None:
    named = keys.P256PrivateKeySigner(SIGNER.key, kid=b"author")
    second = keys.Ed25519PrivateKeySigner(ed25519.Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
    anchors = [named.public(name="author"), second.public(name="operator")]
    manifest = replace(MANIFEST, text=None, invoke=None)
    data = sign_envelope(manifest, [named, second], payloads={"#app": IMAGE})
    signatures = check_envelope(data, anchors).authenticated.signatures
    assert [signature.anchor for signature in signatures] == ["author", "operator"]
    for bit in range(8 * len(data)):
        with pytest.raises((FormatError, VerificationError)):
            check_envelope(altered(data, bit), anchors)


def test_every_single_altered_bit_of_a_published_envelope_is_refused() -> None:
    for bit in range(0, 8 * len(EXAMPLE_0), 7):
        with pytest.raises((FormatError, VerificationError)):
            check_envelope(altered(EXAMPLE_0, bit), [KEY])


def test_what_a_checked_envelope_tells() -> None:
    checked = check_envelope(OURS, [ANCHOR])
    assert [key for key, _ in checked.sections] == [ManifestKey.INSTALL, ManifestKey.VALIDATE, ManifestKey.INVOKE]
    assert checked.severed_away == ()
    assert checked.text == MANIFEST.text
    assert isinstance(checked.manifest.install, Digest)
    assert checked.envelope == decode_envelope(OURS)
    (payload,) = checked.payloads
    assert (payload.name, payload.content, payload.component_indices) == ("#app", IMAGE, (0,))
    assert payload.digests == (compute(IMAGE),)
    assert not payload.is_encrypted
    assert checked.authenticated.digest == compute_wrapped(checked.envelope.manifest)


def test_the_same_input_gives_the_same_bytes() -> None:
    assert sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=SEVERED) == OURS


@pytest.mark.parametrize("algorithm", list(DigestAlgorithm))
def test_every_digest_algorithm(algorithm: DigestAlgorithm) -> None:
    shared = (
        OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(IMAGE, algorithm), Parameter.URI: "#app"}),
        *SHARED[1:],
    )
    manifest = replace(MANIFEST, shared=shared)
    data = sign_envelope(manifest, SIGNER, payloads={"#app": IMAGE}, severed=SEVERED, digest_algorithm=algorithm)
    assert check_envelope(data, [ANCHOR]).authenticated.digest.algorithm == algorithm


def test_known_digests() -> None:
    # FIPS 180-2 appendix C and FIPS 202 example values for "abc" and the empty message.
    assert compute(b"abc", DigestAlgorithm.SHA_384).value.hex()[:16] == "cb00753f45a35e8b"
    assert compute(b"abc", DigestAlgorithm.SHA_512).value.hex()[:16] == "ddaf35a193617aba"
    assert compute(b"", DigestAlgorithm.SHAKE128).value.hex()[:16] == "7f9c2ba4e88f827d"
    assert compute(b"", DigestAlgorithm.SHAKE256).value.hex()[:16] == "46b9dd2b0ba88d13"
    with pytest.raises(UnsupportedDigest):
        compute(b"", -99)


def test_the_digest_covers_the_header_of_the_byte_string() -> None:
    # draft-ietf-suit-manifest-34 section 8.3; confirmed by every published example.
    opened = decode_envelope(EXAMPLE_0)
    assert compute_wrapped(opened.manifest) == opened.digest
    assert compute(opened.manifest) != opened.digest


def test_an_unsigned_or_foreign_envelope_is_refused() -> None:
    unsigned = unsigned_envelope(MANIFEST)
    with pytest.raises(NotSigned):
        authenticate(unsigned, [ANCHOR])
    with pytest.raises(UnknownSigner):
        authenticate(decode_envelope(OURS), [])
    with pytest.raises(UnknownSigner, match="add the anchor"):
        authenticate(decode_envelope(OURS), [keys.HmacKey(bytes(32))])
    with pytest.raises(VerificationError, match="does not hold with any anchor"):
        authenticate(decode_envelope(OURS), [KEY])
    named = keys.P256PrivateKeySigner(SIGNER.key, kid=b"\x01\x02")
    other = keys.P256PublicKey(ANCHOR.point, kid=b"\x03")
    with pytest.raises(UnknownSigner, match="key identifier 0102"):
        authenticate(decode_envelope(sign_envelope(MANIFEST, named)), [other])


def test_a_second_signer_counts_and_may_be_unknown_only_on_request() -> None:
    second = keys.Ed25519PrivateKeySigner(ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32)))
    both = add_signature(OURS, second)
    check_envelope(both, [ANCHOR, second.public()])
    with pytest.raises(UnknownSigner):
        check_envelope(both, [ANCHOR])
    checked = check_envelope(both, [ANCHOR], allow_unknown_signers=True)
    assert [signature.anchor for signature in checked.authenticated.signatures] == ["author"]
    with pytest.raises(UnknownSigner):
        check_envelope(both, [keys.HmacKey(bytes(32))], allow_unknown_signers=True)
    # A block that an anchor fits must hold even then.
    stranger = keys.P256PrivateKeySigner(ec.derive_private_key(13, ec.SECP256R1()))
    with pytest.raises(VerificationError, match="does not hold"):
        check_envelope(add_signature(OURS, stranger), [ANCHOR], allow_unknown_signers=True)
    with pytest.raises(VerificationError, match="stands twice"):
        check_envelope(add_signature(OURS, SIGNER), [ANCHOR])


def test_a_shared_key_authenticates_too() -> None:
    mac = keys.HmacKey(bytes(32), name="station")
    data = sign_envelope(MANIFEST, mac, payloads={"#app": IMAGE})
    assert check_envelope(data, [mac]).authenticated.signatures[0].structure == "COSE_Mac0"


def test_a_block_with_its_own_payload_is_refused() -> None:
    opened = unsigned_envelope(MANIFEST)
    attached = messages.sign(signed_bytes(opened.digest), SIGNER)
    with pytest.raises(FormatError, match="carries a payload"):
        authenticate(replace(opened, blocks=(attached,)), [ANCHOR])


def test_nothing_inside_is_parsed_before_it_is_authentic() -> None:
    garbage = b"\xff\xff"
    opened = replace(unsigned_envelope(MANIFEST), manifest=garbage, digest=compute_wrapped(garbage))
    forged = replace(opened, blocks=(messages.sign(b"something else", SIGNER, detached=True),))
    with pytest.raises(VerificationError):
        authenticate(forged, [ANCHOR])
    signed = replace(opened, blocks=(messages.sign(signed_bytes(opened.digest), SIGNER, detached=True),))
    with pytest.raises(FormatError):
        authenticate(signed, [ANCHOR])
    with pytest.raises(VerificationError, match="suit-manifest: SHA-256"):
        authenticate(replace(signed, manifest=b"\xff"), [ANCHOR])


def test_a_signer_checks_the_digest_first() -> None:
    opened = decode_envelope(OURS)
    with pytest.raises(VerificationError, match="suit-manifest"):
        add_signature(encode_envelope(replace(opened, digest=compute(b""))), SIGNER)


def test_severed_members_can_be_taken_out_and_not_replaced() -> None:
    slim = sever(OURS, [ManifestKey.TEXT])
    checked = check_envelope(slim, [ANCHOR])
    assert (checked.severed_away, checked.text) == ((ManifestKey.TEXT,), None)
    with pytest.raises(SeveredAway):
        find_text(checked.manifest, checked.envelope)
    with pytest.raises(FormatError, match="does not stand in the envelope"):
        sever(slim, [ManifestKey.TEXT])
    with pytest.raises(VerificationError, match="fetched by no command"):
        check_envelope(sever(OURS, [ManifestKey.INSTALL]), [ANCHOR])
    opened = decode_envelope(OURS)
    other = replace(opened, severed=((20, dict(opened.severed)[20]), (23, cbor.encode({"en": {}}))))
    with pytest.raises(VerificationError, match="suit-text: SHA-256"):
        check_envelope(encode_envelope(other), [ANCHOR])
    with pytest.raises(VerificationError, match="suit-text: SHA-256"):
        find_text(checked.manifest, other)
    added = replace(opened, severed=((16, cbor.encode([3, 0])), *opened.severed))
    with pytest.raises(VerificationError, match="suit-payload-fetch stands in the envelope"):
        check_envelope(encode_envelope(added), [ANCHOR])
    extension = replace(opened, severed=((15, b""), *opened.severed))
    with pytest.raises(VerificationError, match="suit-dependency-resolution stands in the envelope"):
        check_envelope(encode_envelope(extension), [ANCHOR])


def test_the_severed_away_error_says_where_the_whole_is() -> None:
    with_uri = replace(MANIFEST, reference_uri="https://alderwater.example/7.suit")
    data = sever(sign_envelope(with_uri, SIGNER, severed=SEVERED), SEVERED)
    checked = check_envelope(data, [ANCHOR])
    with pytest.raises(SeveredAway, match=r"https://alderwater\.example/7\.suit"):
        find_sequence(checked.manifest, checked.envelope, ManifestKey.INSTALL)
    assert find_sequence(checked.manifest, checked.envelope, ManifestKey.LOAD) is None


def test_what_cannot_be_built_is_refused() -> None:
    with pytest.raises(FormatError, match="no content to sever"):
        sign_envelope(MANIFEST, SIGNER, severed=[ManifestKey.PAYLOAD_FETCH])
    with pytest.raises(FormatError, match="cannot be severed"):
        sign_envelope(MANIFEST, SIGNER, severed=[ManifestKey.VALIDATE])
    with pytest.raises(FormatError, match="does not read back as itself"):
        sign_envelope(replace(MANIFEST, install=(OverrideParameters(((21, "#a"), (5, 1))),)), SIGNER)
    with pytest.raises(FormatError, match="is not known"):
        sign_envelope(replace(MANIFEST, install=(OverrideParameters(((7, 1),)),)), SIGNER)
    payload_fetch = replace(MANIFEST, payload_fetch=MANIFEST.install, install=None)
    data = sign_envelope(payload_fetch, SIGNER, payloads={"#app": IMAGE}, severed=[ManifestKey.PAYLOAD_FETCH])
    assert check_envelope(data, [ANCHOR]).payloads


# Coverage of payloads


def checked(manifest: Manifest, **payloads: bytes) -> None:
    named = {f"#{name}": content for name, content in payloads.items()}
    check_envelope(sign_envelope(manifest, SIGNER, payloads=named), [ANCHOR])


def slot(number: int) -> tuple[Command, ...]:
    return (
        OverrideParameters.of({Parameter.COMPONENT_SLOT: number}),
        ConditionCommand(Condition.COMPONENT_SLOT),
    )


def two_slots() -> Manifest:
    def digest(image: bytes) -> OverrideParameters:
        return OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(image), Parameter.IMAGE_SIZE: len(image)})

    def uri(name: str) -> OverrideParameters:
        return OverrideParameters.of({Parameter.URI: name})

    shared = (TryEach(((*slot(0), digest(b"low")), (*slot(1), digest(b"high!")))), *SHARED)
    shared = (
        OverrideParameters.of({Parameter.VENDOR_IDENTIFIER: OUR_VENDOR, Parameter.CLASS_IDENTIFIER: OUR_CLASS}),
        *SHARED[1:],
        shared[0],
    )
    install = (
        TryEach(((*slot(0), uri("#low")), (*slot(1), uri("#high")))),
        FETCH,
        ConditionCommand(Condition.IMAGE_MATCH),
    )
    return replace(MANIFEST, shared=shared, install=install)


def test_each_slot_has_its_own_payload() -> None:
    checked(two_slots(), low=b"low", high=b"high!")
    with pytest.raises(VerificationError, match="'#low' has 5 bytes, expected 3"):
        checked(two_slots(), low=b"high!", high=b"low")
    with pytest.raises(VerificationError, match="fetched by no command"):
        checked(two_slots(), low=b"low", other=b"x")


def test_a_payload_without_a_digest_is_refused() -> None:
    bare = (
        OverrideParameters.of({Parameter.VENDOR_IDENTIFIER: OUR_VENDOR, Parameter.CLASS_IDENTIFIER: OUR_CLASS}),
        *SHARED[1:],
    )
    with pytest.raises(VerificationError, match="without an image digest"):
        checked(replace(MANIFEST, shared=bare), app=IMAGE)
    # A digest that is only sometimes set is not enough: the condition before it may fail.
    maybe: Command = TryEach(
        (
            (
                ConditionCommand(Condition.DEVICE_IDENTIFIER),
                OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(IMAGE)}),
            ),
            (ConditionCommand(Condition.CHECK_CONTENT),),
        ),
        or_nothing=True,
    )
    assert MANIFEST.install is not None
    install = (maybe, *MANIFEST.install)  # type: ignore[misc]
    with pytest.raises(VerificationError, match="without an image digest"):
        checked(replace(MANIFEST, shared=bare, install=install), app=IMAGE)


def test_soft_failure_is_followed() -> None:
    hard = OverrideParameters.of({Parameter.SOFT_FAILURE: False})
    soft = OverrideParameters.of({Parameter.SOFT_FAILURE: True, Parameter.STRICT_ORDER: True})
    wrong = OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(b"other")})
    assert MANIFEST.install is not None
    fetch = MANIFEST.install
    abort = ConditionCommand(Condition.ABORT)
    # The alternative that would replace the digest cannot be reached: the first failure is hard.
    never = (TryEach(((hard, abort), (wrong,))), *fetch)  # type: ignore[misc]
    with pytest.raises(VerificationError, match="fetched by no command"):
        checked(replace(MANIFEST, install=never), app=IMAGE)
    # A run-sequence that fails softly lets the rest run, with what it set before.
    run = (RunSequence((soft, wrong, abort)), *fetch)  # type: ignore[misc]
    with pytest.raises(VerificationError, match="expected"):
        checked(replace(MANIFEST, install=run), app=IMAGE)
    stops = (RunSequence((wrong, abort)), *fetch)  # type: ignore[misc]
    with pytest.raises(VerificationError, match="fetched by no command"):
        checked(replace(MANIFEST, install=stops), app=IMAGE)


def test_all_components_are_followed() -> None:
    both = SetComponentIndex(True)
    shared = (both, *SHARED)
    manifest = replace(
        MANIFEST,
        components=(APP, STAGE),
        shared=shared,
        validate=None,
        invoke=None,
        install=(SetComponentIndex((0, 1)), OverrideParameters.of({Parameter.URI: "#app"}), FETCH),
    )
    named = {"#app": IMAGE}
    result = check_envelope(sign_envelope(manifest, SIGNER, payloads=named), [ANCHOR])
    assert result.payloads[0].component_indices == (0, 1)


@pytest.mark.slow
def test_too_many_ways_are_refused() -> None:
    choice = [
        TryEach(
            tuple(
                (
                    ConditionCommand(Condition.CHECK_CONTENT),
                    OverrideParameters(((number, bytes([index])),)),
                )
                for index in range(8)
            )
        )
        for number in (18, 19, 23, 25)
    ]
    more = TryEach(
        (
            (ConditionCommand(Condition.CHECK_CONTENT), OverrideParameters.of({Parameter.COMPONENT_SLOT: 1})),
            (OverrideParameters.of({Parameter.COMPONENT_SLOT: 2}),),
        )
    )
    install = (*choice, more, *(MANIFEST.install or ()))  # type: ignore[misc]
    with pytest.raises(VerificationError, match="too many ways"):
        checked(replace(MANIFEST, install=install), app=IMAGE)


def test_encrypted_payloads_need_a_key_to_be_checked() -> None:
    encrypted = bytes(byte ^ 0x55 for byte in IMAGE)
    install = (
        OverrideParameters.of({Parameter.URI: "#app", Parameter.ENCRYPTION_INFO: b"info"}),
        FETCH,
    )
    data = sign_envelope(replace(MANIFEST, install=install), SIGNER, payloads={"#app": encrypted})
    with pytest.raises(VerificationError, match="no key to open it"):
        check_envelope(data, [ANCHOR])

    def open_payload(info: bytes, payload: bytes) -> bytes:
        assert info == b"info"
        return bytes(byte ^ 0x55 for byte in payload)

    result = check_envelope(data, [ANCHOR], open_payload=open_payload)
    assert result.payloads[0].is_encrypted
    damaged = sign_envelope(replace(MANIFEST, install=install), SIGNER, payloads={"#app": IMAGE})
    with pytest.raises(VerificationError, match="SHA-256"):
        check_envelope(damaged, [ANCHOR], open_payload=open_payload)


def test_structure_is_checked_too() -> None:
    with pytest.raises(Refused, match="any device would take"):
        check_envelope(sign_envelope(replace(MANIFEST, shared=SHARED[:1]), SIGNER), [ANCHOR])
    check_envelope(sign_envelope(replace(MANIFEST, shared=SHARED[:1]), SIGNER), [ANCHOR], require_identity=False)


def test_algorithms_stand_in_the_block() -> None:
    old = keys.P256PrivateKeySigner(SIGNER.key, algorithm=Alg.ES256)
    for signer, number in ((old, -7), (SIGNER, -9)):
        result = check_envelope(sign_envelope(MANIFEST, signer), [ANCHOR])
        assert result.authenticated.signatures[0].algorithm == number
