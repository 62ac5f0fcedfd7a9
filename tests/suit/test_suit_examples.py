"""The published envelopes decode, verify, encode to the same bytes and run to the outcome their text describes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from suit_samples import CLASS, DIGEST_1, DIGEST_2, EXAMPLE_0, EXAMPLE_3, KEY, PRIVATE_NUMBER, VENDOR

from rootwright.cose import keys
from rootwright.errors import VerificationError
from rootwright.suit.authentication import NotSigned, authenticate
from rootwright.suit.check import check_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.digest import compute_wrapped
from rootwright.suit.encode import encode_envelope, encode_manifest, encode_sequence, encode_text
from rootwright.suit.interpreter import INVOCATION, UPDATE, process
from rootwright.suit.numbers import ManifestKey, Reason
from rootwright.suit.outcome import Refused
from rootwright.suit.parameters import Parameters
from rootwright.suit.severed import SeveredAway, find_sequence, find_text
from rootwright.suit.store import MemoryStore
from rootwright.suit.structures import ComponentIdentifier, Digest, Text


@dataclass(slots=True)
class PatternStore(MemoryStore):
    """A store whose images have the digests that the examples give: sample patterns that no real image has.

    `patterns` says which content has which digest and size; all the rest is the memory store.
    """

    patterns: dict[bytes, tuple[bytes, int]] = field(default_factory=dict)
    unpacked: dict[ComponentIdentifier, bytes] = field(default_factory=dict)

    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        assert algorithm == -16
        digest, size = self.patterns.get(self.contents[component], (bytes(32), size_bytes))
        assert size_bytes in (size, None)
        return digest

    def copy(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """As in memory; a component in `unpacked` changes what it gets, as example 4's load step must."""
        self.contents[component] = self.unpacked.get(component, self.contents[source])
        self.operations.append(("copy", component))


def store(*components: ComponentIdentifier, **kwargs: Any) -> PatternStore:
    patterns = {b"one": (DIGEST_1, 34768), b"two": (DIGEST_2, 76834)}
    return PatternStore(dict.fromkeys(components, b""), vendors=[VENDOR], classes=[CLASS], patterns=patterns, **kwargs)


MAIN: ComponentIdentifier = (b"\x00",)


def run_example(number: int, data: bytes) -> list[str]:
    """Run one example on a device as its text assumes; return the operations in words."""
    if number == 0:
        device = store(MAIN)
        device.contents[MAIN] = b"one"
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.INVOKE_PENDING
    elif number == 1:
        device = store(MAIN, remote={"http://example.com/file.bin": b"one"})
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.OK
    elif number == 2:
        uri = "http://example.com/very/long/path/to/file/file.bin"
        device = store(MAIN, remote={uri: b"one"})
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.INVOKE_PENDING
    elif number == 3:
        files = {"http://example.com/file1.bin": b"one", "http://example.com/file2.bin": b"two"}
        device = store(MAIN, remote=files, slots={MAIN: 1})
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.OK
        assert device.contents[MAIN] == b"two"
        device.slots = {MAIN: 0}
        assert process(data, [KEY], device).reason == Reason.OK
        assert device.contents[MAIN] == b"one"
        device.slots = {MAIN: 2}
        outcome = process(data, [KEY], device)
        assert (outcome.reason, outcome.detail) == (Reason.CONDITION_FAILED, "no-alternative")
        return [f"{name} {component[0].hex()}" for name, component in device.operations]
    elif number == 4:
        # Component 1 is the stage in external memory, component 2 the RAM that the image is loaded into; loading
        # changes it, since the manifest expects another digest there.
        device = store(
            MAIN,
            (b"\x02",),
            (b"\x01",),
            remote={"http://example.com/file.bin": b"one"},
            unpacked={(b"\x01",): b"two"},
        )
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.INVOKE_PENDING
    else:
        files = {"http://example.com/file1.bin": b"one", "http://example.com/file2.bin": b"two"}
        device = store(MAIN, (b"\x01",), remote=files)
        outcome = process(data, [KEY], device)
        assert outcome.reason == Reason.INVOKE_PENDING
        assert outcome.invoked == (MAIN,)
    return [f"{name} {component[0].hex()}" for name, component in device.operations]


EXPECTED = {
    0: ["invoke 00"],
    1: ["fetch 00"],
    2: ["fetch 00", "invoke 00"],
    3: ["fetch 00", "fetch 00"],
    4: ["fetch 02", "copy 00", "copy 01", "invoke 01"],
    5: ["fetch 00", "fetch 01", "invoke 00"],
}


def test_the_embedded_examples() -> None:
    for number, data in ((0, EXAMPLE_0), (3, EXAMPLE_3)):
        assert encode_envelope(decode_envelope(data)) == data
        assert check_envelope(data, [KEY]).authenticated.signatures[0].anchor == "example key"
        assert run_example(number, data) == EXPECTED[number]


def test_the_embedded_key_is_the_published_pair() -> None:
    from cryptography.hazmat.primitives.asymmetric import ec

    signer = keys.signer_from_private_key(ec.derive_private_key(PRIVATE_NUMBER, ec.SECP256R1()))
    assert signer.public(name="example key") == KEY


def _examples(folder: Path) -> list[tuple[int, str, bytes]]:
    data = json.loads((folder / "suit" / "manifest_examples.json").read_text())
    return [
        (number, variant["id"], bytes.fromhex(variant["envelope_hex"]))
        for number, example in enumerate(data["examples"])
        for variant in example["variants"]
    ]


@pytest.mark.vectors
def test_every_published_example(published_vectors: Path) -> None:
    examples = _examples(published_vectors)
    assert len(examples) == 13
    signed = 0
    for number, variant, data in examples:
        envelope = decode_envelope(data)
        assert encode_envelope(envelope) == data
        manifest = decode_manifest(envelope.manifest)
        assert encode_manifest(manifest) == envelope.manifest
        assert compute_wrapped(envelope.manifest) == envelope.digest
        if variant.startswith("without"):
            with pytest.raises(NotSigned):
                authenticate(envelope, [KEY])
            continue
        signed += 1
        assert authenticate(envelope, [KEY]).manifest == manifest
        if variant.endswith("_severed"):
            # Installed before, and severed since: it validates and invokes, and cannot install.
            device = store(MAIN)
            device.contents[MAIN] = b"one"
            assert process(data, [KEY], device, sections=INVOCATION).reason == Reason.INVOKE_PENDING
            outcome = process(data, [KEY], device, sections=UPDATE)
            assert (outcome.reason, outcome.detail) == (Reason.OPERATION_FAILED, "severed-away")
            with pytest.raises(SeveredAway):
                find_text(manifest, envelope)
            assert check_envelope(data, [KEY]).severed_away == (ManifestKey.INSTALL, ManifestKey.TEXT)
            continue
        assert run_example(number, data) == EXPECTED[number]
        check_envelope(data, [KEY])
    assert signed == 7


@pytest.mark.vectors
def test_severed_members_of_the_published_example(published_vectors: Path) -> None:
    data = next(data for _, variant, data in _examples(published_vectors) if variant.endswith("severable_members"))
    envelope = decode_envelope(data)
    manifest = decode_manifest(envelope.manifest)
    assert isinstance(manifest.install, Digest)
    install = find_sequence(manifest, envelope, ManifestKey.INSTALL)
    text = find_text(manifest, envelope)
    assert install is not None
    assert isinstance(text, Text)
    assert dict(envelope.severed) == {20: encode_sequence(install), 23: encode_text(text)}
    assert text.languages[0].language == "en-US"
    assert text.languages[0].components[0][0] == MAIN


@pytest.mark.vectors
def test_trust_domain_examples_decode_and_are_refused_with_the_reason(published_vectors: Path) -> None:
    # draft-ietf-suit-trust-domains, examples appendix: an extension that is read and printed, and never executed.
    examples = json.loads((published_vectors / "suit" / "trust_domain_examples.json").read_text())["examples"]
    assert len(examples) == 3
    for example in examples:
        data = bytes.fromhex(example["envelope_hex"])
        envelope = decode_envelope(data)
        assert encode_envelope(envelope) == data
        authenticated = authenticate(envelope, [KEY])
        assert authenticated.signatures[0].algorithm == -9
        assert encode_manifest(authenticated.manifest) == envelope.manifest
        outcome = process(data, [KEY], store(MAIN))
        assert (outcome.reason, outcome.detail) == (Reason.COMMAND_UNSUPPORTED, "extension-member")
        with pytest.raises(Refused, match="suit-manifest-component-id belongs to an extension"):
            check_envelope(data, [KEY])


@pytest.mark.vectors
def test_encrypted_examples_authenticate_and_reach_the_store(published_vectors: Path) -> None:
    # draft-ietf-suit-firmware-encryption-24, complete examples: two kinds of authentication, parameter 19.
    data = json.loads((published_vectors / "suit_encryption" / "complete_manifests.json").read_text())
    mac = keys.HmacKey(bytes.fromhex(data["hmac256_key_hex"]))
    names = []
    for example in data["manifests"]:
        envelope = decode_envelope(bytes.fromhex(example["envelope_hex"]))
        assert encode_envelope(envelope) == bytes.fromhex(example["envelope_hex"])
        try:
            authenticated = authenticate(envelope, [mac, KEY])
        except VerificationError:
            # The dependent manifest is signed with a key of its own.
            assert example["name"] == "es-ecdh-dependency"
            continue
        names.append(example["name"])
        manifest = authenticated.manifest
        assert encode_manifest(manifest) == envelope.manifest
        device = MemoryStore(dict.fromkeys(manifest.components, b""), remote={})
        outcome = process(bytes.fromhex(example["envelope_hex"]), [mac, KEY], device, require_identity=False)
        assert not outcome.is_success
        assert outcome.detail in ("no-decryption", "not-available", "extension-command", "extension-member"), outcome
    assert len(names) >= 4
