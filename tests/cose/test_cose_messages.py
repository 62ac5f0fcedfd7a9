"""COSE_Sign1 and COSE_Mac0: the published examples agree, and every deviation is refused."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import given
from hypothesis import strategies as st

from rootwright.cose import cbor, keys, messages
from rootwright.cose.numbers import Alg, algorithm_name
from rootwright.errors import FormatError, RootwrightError, VerificationError

# RFC 9052 Appendix C.2.1 (single ECDSA signature), with its key from Appendix C.7.1.
RFC9052_C21 = bytes.fromhex(
    "d28443a10126a10442313154546869732069732074686520636f6e74656e742e58408eb33e4ca31d1c465ab05aac34cc6b23d58fef5c"
    "083106c4d25a91aef0b0117e2af9a291aa32e14ab834dc56ed2a223444547e01f11d3b0916e5a4c345cacb36"
)
RFC9052_KEY = keys.P256PublicKey(
    bytes.fromhex(
        "04bac5b11cad8f99f9c72b05cf4b9e26d244dc189f745228255a219a86d6a09eff"
        "20138bf82dc1b6d562be0fa54ab7804a3a64b6d72ccfed6b6fb6ed28bbfc117e"
    ),
    kid=b"11",
)
SIGNER = keys.P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))
NAMED = keys.P256PrivateKeySigner(SIGNER.key, kid=b"k1")
MAC = keys.HmacKey(bytes(range(32)))


def header(**kwargs: object) -> bytes:
    return cbor.encode({1: Alg.ESP256} | {int(k[1:]): v for k, v in kwargs.items()})


def sign1(protected: object, unprotected: object = None, payload: object = b"p", extra: object = None) -> bytes:
    content = [protected, {} if unprotected is None else unprotected, payload, bytes(64)]
    return cbor.encode(cbor.Tag(18, content + ([] if extra is None else [extra])))


def test_the_published_signature_verifies() -> None:
    message = messages.decode(RFC9052_C21)
    messages.verify(message, RFC9052_KEY)
    assert message.payload == b"This is the content."
    assert message.encode() == RFC9052_C21


@pytest.mark.slow
def test_every_altered_bit_of_a_message_is_refused() -> None:
    for data, anchor in (
        (messages.sign(b"payload", NAMED), NAMED.public()),
        (messages.sign(b"payload", NAMED, kid_unprotected=True), NAMED.public()),
        (messages.sign(b"payload", MAC), MAC),
    ):
        messages.verify(messages.decode(data), anchor)
        for bit in range(8 * len(data)):
            altered = bytearray(data)
            altered[bit // 8] ^= 1 << bit % 8
            with pytest.raises((FormatError, VerificationError)):
                messages.verify(messages.decode(bytes(altered)), anchor)


def test_what_is_signed_is_the_sig_structure() -> None:
    # RFC 9052 section 4.4.
    covered = messages.covered_bytes("COSE_Sign1", header(), b"p", b"aad")
    assert covered == cbor.encode(["Signature1", header(), b"aad", b"p"])
    data = messages.sign(b"p", SIGNER, external_aad=b"aad", detached=True)
    message = messages.decode(data)
    assert message.payload is None
    messages.verify(message, SIGNER.public(), detached_payload=b"p", external_aad=b"aad")
    for payload, aad in ((b"q", b"aad"), (b"p", b""), (b"", b"aad")):
        with pytest.raises(VerificationError):
            messages.verify(message, SIGNER.public(), detached_payload=payload, external_aad=aad)


def test_the_payload_is_given_exactly_once() -> None:
    with pytest.raises(FormatError, match="another was given"):
        messages.verify(messages.decode(messages.sign(b"p", SIGNER)), SIGNER.public(), detached_payload=b"p")
    with pytest.raises(FormatError, match="none was given"):
        messages.verify(messages.decode(messages.sign(b"p", SIGNER, detached=True)), SIGNER.public())


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (sign1(b""), "protected header is empty"),
        (sign1(cbor.encode({})), "names no algorithm"),
        (sign1(cbor.encode({4: b"k"})), "names no algorithm"),
        (sign1(cbor.encode({1: "ES256"})), 'algorithm "ES256" is not accepted'),
        (sign1(cbor.encode({1: -7777})), "algorithm -7777 is not accepted"),
        (sign1(cbor.encode({1: -35})), "algorithm -35 is not accepted"),
        (sign1(cbor.encode({1: 5})), "HMAC 256/256 cannot stand in a COSE_Sign1"),
        (sign1(cbor.encode({1: b""})), "alg: expected an integer"),
        (sign1(header(_2=[1])), r"crit \(2\)"),
        (sign1(header(_5=b"iv")), "header parameter 5"),
        (sign1(cbor.encode({1: -9, "x": 1})), 'header parameter "x"'),
        (sign1(header(_3=-1)), "content type"),
        (sign1(header(_4=1)), "kid: expected a byte string"),
        (sign1(cbor.encode([1, -9])), "expected a map"),
        (sign1({1: -9}), "expected a byte string"),
        (sign1(header(), {1: -9}), "header parameter 1 is not accepted in the unprotected"),
        (sign1(header(), {4: b"k", 33: b""}), "header parameter 33"),
        (sign1(header(), {4: "k"}), "kid: expected"),
        (sign1(header(), []), "expected a map"),
        (sign1(header(_4=b"k"), {4: b"k"}), "kid stands in both"),
        (sign1(header(), None, "text"), "payload: expected a byte string"),
        (sign1(header(), None, b"", b"more"), "expected 4 elements, found 5"),
        (sign1(header())[1:], "found array"),
        (b"\xd1" + sign1(header())[1:], "cannot stand in a COSE_Mac0"),
        (b"\xd8\x62" + sign1(header())[1:], "COSE_Sign is not accepted"),
        (b"\xd8\x60" + sign1(header())[1:], "COSE_Encrypt is not accepted"),
        (b"\xd8\x13" + sign1(header())[1:], "longer than needed"),
        (b"\xd3" + sign1(header())[1:], "found tag 19"),
        (sign1(header()) + b"\x00", "trailing"),
        (b"\x00", "found unsigned integer"),
    ],
)
def test_deviations_are_refused(data: bytes, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        messages.decode(data)
    assert caught.value.where.startswith("byte ")


def test_content_type_is_read_and_kept() -> None:
    data = sign1(header(_3="application/x"))
    assert messages.decode(data).encode() == data
    assert messages.decode(sign1(header(_3=0))).algorithm == Alg.ESP256


def test_the_context_may_stand_in_for_the_tag() -> None:
    data = messages.sign(b"p", SIGNER)
    message = messages.decode(data[1:], untagged="COSE_Sign1")
    messages.verify(message, SIGNER.public())
    assert message.encode(tagged=False) == data[1:]
    with pytest.raises(FormatError):
        messages.decode(data, untagged="COSE_Sign1")


def test_key_identifiers_choose_the_anchor() -> None:
    other = keys.P256PublicKey(SIGNER.public().point, kid=b"k2")
    nameless = SIGNER.public()
    protected = messages.decode(messages.sign(b"p", NAMED))
    unprotected = messages.decode(messages.sign(b"p", NAMED, kid_unprotected=True))
    plain = messages.decode(messages.sign(b"p", SIGNER))
    messages.verify(protected, NAMED.public())
    messages.verify(protected, nameless)
    messages.verify(unprotected, NAMED.public())
    messages.verify(plain, other)
    for message, anchor in ((protected, other), (unprotected, other), (unprotected, nameless), (plain, MAC)):
        with pytest.raises(VerificationError, match="is not for key"):
            messages.verify(message, anchor)


def test_a_scheme_from_elsewhere_takes_part_by_its_number() -> None:
    class Scheme:
        """A stand-in for a hash-based signature scheme that lives in a higher layer."""

        name, kid, algorithm, algorithms = "scheme", None, Alg.HSS_LMS, frozenset({Alg.HSS_LMS})

        def sign(self, message: bytes) -> bytes:
            return message[::-1]

        def verify(self, algorithm: int, message: bytes, signature: bytes) -> None:
            if (algorithm, signature) != (Alg.HSS_LMS, message[::-1]):
                raise VerificationError("no")

    message = messages.decode(messages.sign(b"p", Scheme()))
    assert (message.algorithm, algorithm_name(message.algorithm)) == (-46, "HSS-LMS")
    messages.verify(message, Scheme())
    Scheme.algorithm = -12345  # type: ignore[assignment]
    with pytest.raises(FormatError, match="algorithm -12345 is not registered"):
        messages.sign(b"p", Scheme())


@pytest.mark.slow
@given(st.data())
def test_decoding_gives_the_same_bytes_again_or_our_error(data: st.DataObject) -> None:
    original = data.draw(st.sampled_from([messages.sign(b"pp", NAMED), messages.sign(b"", MAC), RFC9052_C21]))
    start = data.draw(st.integers(0, len(original)))
    end = data.draw(st.integers(start, len(original)))
    mutated = original[:start] + data.draw(st.binary(max_size=8)) + original[end:]
    try:
        message = messages.decode(mutated)
    except RootwrightError:
        return
    assert message.encode() == mutated


# Examples of the COSE collection that are valid and that we do not accept, with why.
OUT_OF_SCOPE = {
    "sign1-tests/sign-pass-01": "names no algorithm",  # the algorithm is unprotected, so anyone could change it
    "ecdsa-examples/ecdsa-sig-02": "algorithm -35",  # ES384
    "ecdsa-examples/ecdsa-sig-03": "algorithm -36",  # ES512
    "mac0-tests/mac-pass-01": "names no algorithm",
    "mac0-tests/mac-pass-02": "the protected header is empty",
    "hmac-examples/HMac-enc-02": "algorithm 6",  # HMAC 384/384
}


def _anchor(key: dict[str, Any]) -> keys.Verifier | None:
    kid = key.get("kid", "").encode() or None
    if key["kty"] == "oct":
        return keys.HmacKey(bytes.fromhex(key["k_hex"]), kid=kid)
    if key.get("crv") == "P-256":
        return keys.P256PublicKey(bytes.fromhex("04" + key["x_hex"] + key["y_hex"]), kid=kid)
    return keys.Ed25519PublicKey(bytes.fromhex(key["x_hex"]), kid=kid) if key.get("crv") == "Ed25519" else None


@pytest.mark.vectors
def test_published_examples(published_vectors: Path) -> None:
    # COSE WG examples collection, accompanying RFC 9052.
    cases = json.loads((published_vectors / "cose" / "cose_examples.json").read_text())["cases"]
    results: Counter[str] = Counter()
    for case in cases:
        data = bytes.fromhex(case["cbor_hex"])
        aad = bytes.fromhex(case["external_aad_hex"])
        anchor = _anchor(case["keys"][0])
        if case["structure"] not in ("COSE_Sign1", "COSE_Mac0"):
            with pytest.raises(FormatError) as structure:
                messages.decode(data)
            assert isinstance(structure.value, messages.UnsupportedStructure) or case["must_fail"], case["id"]
            results["other structure"] += 1
        elif case["must_fail"]:
            assert anchor is not None
            with pytest.raises((FormatError, VerificationError)):
                messages.verify(messages.decode(data), anchor, external_aad=aad)
            results["must fail, refused"] += 1
        elif case["keys"][0]["kty"] == "HSS-LMS":
            # The scheme is verified in a layer above; here the message is read.
            assert messages.decode(data).algorithm == Alg.HSS_LMS
            results["read only"] += 1
        elif case["id"] in OUT_OF_SCOPE:
            with pytest.raises(FormatError, match=OUT_OF_SCOPE[case["id"]]):
                messages.decode(data)
            results["out of scope, refused"] += 1
        else:
            assert anchor is not None, case["id"]
            tagged = data[0] in (0xD1, 0xD2)
            message = messages.decode(data, untagged=None if tagged else case["structure"])
            messages.verify(message, anchor, external_aad=aad)
            assert message.encode(tagged=tagged) == data
            results["verified"] += 1
    assert results == {
        "verified": 7,
        "must fail, refused": 10,
        "out of scope, refused": 6,
        "read only": 1,
        "other structure": 22,
    }
