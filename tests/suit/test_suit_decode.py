"""Envelopes and manifests: every way to be wrong is refused at its byte, and what is read encodes to the same bytes."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from suit_samples import (
    ANCHOR,
    APP,
    CLASS,
    EXAMPLE_0,
    EXAMPLE_3,
    IMAGE,
    KEY,
    MANIFEST,
    OUR_CLASS,
    OUR_VENDOR,
    SIGNER,
    VENDOR,
)

from rootwright.cose import cbor, messages
from rootwright.errors import FormatError, RootwrightError
from rootwright.suit.authentication import signed_bytes
from rootwright.suit.build import sign_envelope
from rootwright.suit.check import check_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest, decode_sequence, decode_text
from rootwright.suit.digest import UnsupportedDigest, compute_wrapped
from rootwright.suit.encode import encode_envelope, encode_manifest, encode_sequence, encode_text
from rootwright.suit.inspection import inspect_envelope
from rootwright.suit.interpreter import process
from rootwright.suit.listing import inspection_data, listing
from rootwright.suit.numbers import ManifestKey, Reason
from rootwright.suit.parameters import decode_parameters, encode_parameter
from rootwright.suit.store import MemoryStore
from rootwright.suit.structures import CborPen, Digest, OverrideParameters, Raw, RunSequence, SetComponentIndex, TryEach

OURS = sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=[ManifestKey.INSTALL, ManifestKey.TEXT])
DIGEST = cbor.encode([-16, bytes(32)])
WRAPPER = cbor.encode([DIGEST])


def envelope(members: Mapping[object, object], tag: int = 107) -> bytes:
    encoded = {cbor.Encoded(cbor.encode(key)): value for key, value in members.items()}  # type: ignore[arg-type]
    return cbor.encode(cbor.Tag(tag, encoded))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "envelope is empty"),
        (b"\xa0", "expected tag 107, found map"),
        (envelope({2: WRAPPER, 3: b""}, 1070), "expected tag 107, found tag 1070"),
        (envelope({2: WRAPPER}), "no key 3, manifest"),
        (envelope({3: b""}), "no key 2, authentication_wrapper"),
        (envelope({1: b"", 2: WRAPPER, 3: b""}), "envelope key 1 is not known"),
        (envelope({2: WRAPPER, 3: b"", 4: b""}), "envelope key 4 is not known"),
        (envelope({2: WRAPPER, 3: b"", -1: b""}), "envelope key -1 is not known"),
        (envelope({2: WRAPPER, 3: b"", b"x": b""}), "envelope key: expected an integer"),
        (envelope({2: WRAPPER, 3: b"", "#a": "text"}), "integrated payload '#a': expected a byte string"),
        (envelope({2: WRAPPER, 3: b"", 20: [1]}), "suit-install: expected a byte string"),
        (envelope({2: WRAPPER, 3: {}}), "suit-manifest: expected a byte string"),
        (envelope({2: cbor.encode([]), 3: b""}), "holds no digest"),
        (envelope({2: cbor.encode({}), 3: b""}), "expected an array"),
        (envelope({2: cbor.encode([[-16, bytes(32)]]), 3: b""}), "expected a byte string, found array"),
        (envelope({2: cbor.encode([DIGEST, {}]), 3: b""}), "authentication block: expected a byte string"),
        (envelope({2: cbor.encode([cbor.encode([-16, bytes(31)])]), 3: b""}), "expected 32 bytes, found 31"),
        (envelope({2: cbor.encode([cbor.encode([-16, bytes(32), 0])]), 3: b""}), "expected 2 elements"),
        (envelope({2: cbor.encode([cbor.encode([-99, bytes(32)])]), 3: b""}), "digest algorithm -99"),
        (envelope({2: WRAPPER + b"\0", 3: b""}), "trailing bytes"),
        (envelope({2: WRAPPER, 3: b""}) + b"\0", "trailing bytes"),
        (bytes.fromhex("d86ba203400240"), "out of order"),
    ],
)
def test_wrong_envelopes(data: bytes, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        decode_envelope(data)
    assert caught.value.where.startswith("byte ")


def test_an_unknown_digest_algorithm_has_its_own_error() -> None:
    with pytest.raises(UnsupportedDigest):
        decode_envelope(envelope({2: cbor.encode([cbor.encode([-99, bytes(32)])]), 3: b""}))


COMMON = cbor.encode({2: [[b"a"], [b"b"]]})


def manifest(common: object = COMMON, version: object = 1, **members: object) -> bytes:
    content = {1: version, 2: 0, 3: common} | {int(name[1:]): value for name, value in members.items()}
    return cbor.encode({key: value for key, value in content.items() if value != "leave out"})  # type: ignore[arg-type]


def sequence(*items: object) -> bytes:
    return cbor.encode(list(items))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "suit-manifest is empty"),
        (cbor.encode([1]), "expected a map"),
        (manifest(version="leave out"), r"no suit-manifest-version \(1\)"),
        (manifest(_2="leave out"), r"no suit-manifest-sequence-number \(2\)"),
        (manifest("leave out"), r"no suit-common \(3\)"),
        (manifest(version=2), "suit-manifest-version is 2"),
        (manifest(version=-1), "expected an unsigned integer"),
        (manifest(_2=-1), "suit-manifest-sequence-number: expected an unsigned integer"),
        (manifest(_4=b""), "suit-reference-uri: expected a text string"),
        (manifest(_10=b""), "manifest key 10 is not known"),
        (manifest(cbor.encode({2: []})), "suit-components is empty"),
        (manifest(cbor.encode({2: [[b"a"], [b"a"]]})), "names a component twice"),
        (manifest(cbor.encode({2: [["a"]]})), "component identifier: expected a byte string"),
        (manifest(cbor.encode({2: [b"a"]})), "component identifier: expected an array"),
        (manifest(cbor.encode({3: b""})), "suit-common key 3 is not known"),
        (manifest(cbor.encode({4: sequence(21, 0)})), "suit-directive-fetch is not allowed in suit-shared-sequence"),
        (manifest(cbor.encode({4: sequence(-300, 0)})), "is not allowed in suit-shared-sequence"),
        (
            manifest(cbor.encode({4: sequence(32, sequence(23, 0))})),
            "suit-directive-invoke is not allowed in suit-shared-sequence",
        ),
        (manifest(_7=sequence()), "found 0 items"),
        (manifest(_7=sequence(3)), "found 1 items"),
        (manifest(_7=[-16, bytes(32)]), "suit-validate: expected a byte string, found array"),
        (manifest(_7=sequence(13, 0)), "command 13 is not known"),
        (manifest(_7=sequence(-256, 0)), "command -256 is not known"),
        (manifest(_7=sequence("a", 0)), "command: expected an integer"),
        (manifest(_7=sequence(3, 16)), "unknown bits"),
        (manifest(_7=sequence(3, -1)), "reporting policy: expected an unsigned integer"),
        (manifest(_7=sequence(12, False)), "found false"),
        (manifest(_7=sequence(12, None)), "found null"),
        (manifest(_7=sequence(12, [])), "list of indices is empty"),
        (manifest(_7=sequence(12, [1, 0, 1])), "names an index twice"),
        (manifest(_7=sequence(12, [True])), "expected an unsigned integer"),
        (manifest(_7=sequence(20, {})), "sets nothing"),
        (manifest(_7=sequence(20, {7: 0})), "parameter 7 is not known"),
        (manifest(_7=sequence(20, {-256: 0})), "parameter -256 is not known"),
        (manifest(_7=sequence(20, {1: bytes(15)})), "expected 16 bytes"),
        (manifest(_7=sequence(20, {1: cbor.Tag(111, b"")})), "expected tag 112"),
        (manifest(_7=sequence(20, {3: [-16, bytes(32)]})), "image-digest: expected a byte string"),
        (manifest(_7=sequence(20, {14: -1})), "suit-parameter-image-size: expected an unsigned integer"),
        (manifest(_7=sequence(20, {13: 1})), "suit-parameter-soft-failure: expected true or false"),
        (manifest(_7=sequence(20, {21: b""})), "suit-parameter-uri: expected a text string"),
        (manifest(_7=sequence(20, {-300: []})), "expected an integer, boolean, text or bytes"),
        (manifest(_7=sequence(20, {-300: None})), "expected an integer, boolean, text or bytes"),
        (manifest(_7=sequence(15, [])), "found 0"),
        (manifest(_7=sequence(15, [sequence(3, 0)])), "two sequences or more, found 1"),
        (manifest(_7=sequence(15, [sequence(3, 0), None, sequence(3, 0)])), "expected a byte string, found null"),
        (manifest(_7=sequence(32, [3, 0])), "expected a byte string"),
        (manifest(_23=b""), "suit-text is empty"),
        (manifest(_23=cbor.encode({})), "no language"),
        (manifest(_23=cbor.encode({"e n": {}})), "not a language tag"),
        (manifest(_23=cbor.encode({"en": {5: "x"}})), "suit-text key 5 is not known"),
        (manifest(_23=cbor.encode({"en": {1: b"x"}})), "suit-text: expected a text string"),
    ],
)
def test_wrong_manifests(data: bytes, words: str) -> None:
    with pytest.raises(FormatError, match=words) as caught:
        decode_manifest(data, base=1000)
    assert int(caught.value.where.removeprefix("byte ")) >= 1000


def test_text_describes_only_components_of_the_manifest() -> None:
    text = cbor.encode({"en": {cbor.Encoded(cbor.encode([b"x"])): {1: "y"}}})
    decode_text(text, ((b"x",),))
    with pytest.raises(FormatError, match="lacks"):
        decode_text(text, (APP,))


def test_sequences_nest_to_a_limit() -> None:
    content = sequence(3, 0)
    for _ in range(8):
        content = sequence(32, content)
    assert encode_sequence(decode_sequence(content)) == content
    with pytest.raises(FormatError, match="nested deeper than 8"):
        decode_sequence(sequence(32, content))


def test_all_forms_of_commands_and_parameters_read_back() -> None:
    values: dict[int, object] = {
        1: CborPen(b"\x01"),
        2: bytes(16),
        3: Digest(-44, bytes(64)),
        4: Raw(b"\x00"),
        5: 1,
        12: False,
        13: True,
        14: 9,
        18: b"c",
        19: b"e",
        21: "#x",
        22: 1,
        23: b"a",
        24: bytes(16),
        25: b"f",
        -300: Raw(b"\xf5"),
    }
    commands = (
        SetComponentIndex(True),
        SetComponentIndex((0, 1)),
        OverrideParameters(tuple(values.items())),  # type: ignore[arg-type]
        TryEach(((SetComponentIndex(0),), (SetComponentIndex(1),)), or_nothing=True),
        RunSequence((SetComponentIndex(0),)),
    )
    encoded = encode_sequence(commands)
    decoded = decode_sequence(encoded)
    # Maps are written in the order of their keys, in which -300 comes last.
    assert decoded == commands
    assert encode_sequence(decoded) == encoded


def test_a_value_of_the_wrong_form_is_refused_when_it_is_written() -> None:
    with pytest.raises(FormatError, match="expected 16 bytes") as caught:
        encode_parameter(2, b"short")
    assert caught.value.where == "suit-parameter-class-identifier"
    assert decode_parameters(cbor.decode(cbor.encode({5: 1}))) == ((5, 1),)


def test_offsets_count_from_the_start_of_the_section() -> None:
    manifest_ = decode_manifest(decode_envelope(EXAMPLE_3).manifest)
    assert manifest_.install is not None
    assert not isinstance(manifest_.install, Digest)
    encoded = encode_sequence(manifest_.install)
    for command in manifest_.install:
        assert encoded[command.offset] == command.number
    inner = manifest_.install[0]
    assert isinstance(inner, TryEach)
    assert [encoded[command.offset] for command in inner.sequences[1]] == [20, 5, 20]


@pytest.mark.parametrize("data", [EXAMPLE_0, EXAMPLE_3, OURS])
def test_every_cut_envelope_is_refused(data: bytes) -> None:
    for size in range(len(data)):
        with pytest.raises(FormatError):
            decode_envelope(data[:size])


def _decode_everything(data: bytes) -> None:
    """Decode all of an envelope and require that each part encodes to the bytes it came from."""
    opened = decode_envelope(data)
    assert encode_envelope(opened) == data
    manifest_ = decode_manifest(opened.manifest, base=opened.offset_of(3))
    assert encode_manifest(manifest_) == opened.manifest
    for number, content in opened.severed:
        if number == ManifestKey.TEXT:
            text = decode_text(content, manifest_.components)
            assert encode_text(text) == content
        else:
            assert encode_sequence(decode_sequence(content)) == content


def _mutations(*originals: bytes) -> st.SearchStrategy[bytes]:
    @st.composite
    def mutate(draw: st.DrawFn) -> bytes:
        data = bytearray(draw(st.sampled_from(originals)))
        for _ in range(draw(st.integers(1, 3))):
            at = draw(st.integers(0, len(data) - 1))
            kind = draw(st.sampled_from(["set", "cut", "insert", "repeat"]))
            if kind == "set":
                data[at] = draw(st.integers(0, 255))
            elif kind == "cut":
                del data[at : at + draw(st.integers(1, 8))]
            elif kind == "insert":
                data[at:at] = draw(st.binary(min_size=1, max_size=8))
            else:
                data[at:at] = data[at : at + draw(st.integers(1, 16))]
        return bytes(data)

    return mutate()


@pytest.mark.slow
@settings(max_examples=400)
@given(_mutations(EXAMPLE_0, EXAMPLE_3, OURS))
def test_mutated_envelopes_read_back_or_raise_our_error(data: bytes) -> None:
    with contextlib.suppress(RootwrightError):
        _decode_everything(data)
    # Processing never raises for input, whatever it is.
    outcome = process(data, [KEY, ANCHOR], MemoryStore({APP: b""}))
    assert outcome.text or outcome.is_success


@pytest.mark.slow
@settings(max_examples=400)
@given(_mutations(*(decode_envelope(data).manifest for data in (EXAMPLE_0, EXAMPLE_3, OURS))))
def test_mutated_manifests_with_a_good_signature_raise_our_error_or_run(content: bytes) -> None:
    """What an author could sign by mistake: nothing but our errors, an outcome, or a listing comes of it."""
    opened = replace(decode_envelope(OURS), manifest=content, digest=compute_wrapped(content))
    block = messages.sign(signed_bytes(opened.digest), SIGNER, detached=True)
    data = encode_envelope(replace(opened, blocks=(block,)))
    with contextlib.suppress(RootwrightError):
        assert encode_envelope(check_envelope(data, [ANCHOR]).envelope) == data
    with contextlib.suppress(RootwrightError):
        inspection = inspect_envelope(data, [ANCHOR])
        assert list(listing(inspection))
        assert json.dumps(inspection_data(inspection))
    device = MemoryStore({APP: b"", (b"\x00",): b""}, vendors=[OUR_VENDOR, VENDOR], classes=[OUR_CLASS, CLASS])
    assert process(data, [ANCHOR], device).reason in Reason


@pytest.mark.slow
@given(st.binary(max_size=80))
def test_random_manifests_read_back_or_raise_our_error(data: bytes) -> None:
    for read, write in ((decode_manifest, encode_manifest), (decode_sequence, encode_sequence)):
        try:
            value = read(data)
        except RootwrightError:
            continue
        assert write(value) == data  # type: ignore[operator]


COMMANDS = st.recursive(
    st.one_of(
        st.tuples(st.sampled_from([1, 2, 3, 5, 6, 14, 24, 18, 21, 22, 23, 31]), st.integers(0, 15)),
        st.tuples(
            st.just(12),
            st.one_of(st.integers(0, 4), st.just(True), st.lists(st.integers(0, 4), min_size=1, unique=True)),
        ),
        st.tuples(st.just(20), st.dictionaries(st.sampled_from([5, 14, 22]), st.integers(0, 9), min_size=1)),
        st.tuples(st.just(20), st.dictionaries(st.sampled_from([12, 13]), st.booleans(), min_size=1)),
        st.tuples(st.sampled_from([4, 11, 29, -300]), st.integers(0, 9)),
    ),
    lambda inner: st.lists(inner, min_size=1, max_size=3).map(
        lambda pairs: (32, cbor.encode([item for pair in pairs for item in pair]))
    ),
    max_leaves=8,
)


@pytest.mark.slow
@given(st.lists(COMMANDS, min_size=1, max_size=4))
def test_generated_sequences_read_back(pairs: list[tuple[int, object]]) -> None:
    data = cbor.encode([item for pair in pairs for item in pair])  # type: ignore[misc]
    assert encode_sequence(decode_sequence(data)) == data
