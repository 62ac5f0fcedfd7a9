"""Strict CBOR: what it accepts agrees with RFC 8949 and with an independent library; what it refuses names the byte."""

from __future__ import annotations

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.cose import cbor
from rootwright.errors import FormatError, RootwrightError

# RFC 8949 Appendix A: those examples that have integers, strings, arrays, maps, tags and simple values.
PUBLISHED = {
    "00": 0,
    "17": 23,
    "1818": 24,
    "1903e8": 1000,
    "1a000f4240": 1000000,
    "1bffffffffffffffff": 18446744073709551615,
    "20": -1,
    "3863": -100,
    "3bffffffffffffffff": -18446744073709551616,
    "f4": False,
    "f5": True,
    "f6": None,
    "40": b"",
    "4401020304": bytes([1, 2, 3, 4]),
    "6449455446": "IETF",
    "62c3bc": "ü",
    "64f0908591": "𐅑",
    "83010203": [1, 2, 3],
    "8301820203820405": [1, [2, 3], [4, 5]],
    "a201020304": {1: 2, 3: 4},
    "a26161016162820203": {"a": 1, "b": [2, 3]},
    "c074323031332d30332d32315432303a30343a30305a": cbor.Tag(0, "2013-03-21T20:04:00Z"),
}

# RFC 8949 Appendix A and F, and section 4.2.1: well-formed or not, none of these is accepted.
REFUSED = {
    "": (0, "empty"),
    "0000": (1, "trailing"),
    "1817": (0, "longer than needed"),
    "190017": (0, "longer than needed"),
    "1900ff": (0, "longer than needed"),
    "1a0000ffff": (0, "longer than needed"),
    "1b00000000ffffffff": (0, "longer than needed"),
    "5801ff": (0, "longer than needed"),
    "3817": (0, "longer than needed"),
    "5f42010243030405ff": (0, "indefinite"),
    "7f657374726561646d696e67ff": (0, "indefinite"),
    "9f01ff": (0, "indefinite"),
    "bf6161019fff": (0, "indefinite"),
    "ff": (0, "indefinite"),
    "f7": (0, "undefined"),
    "f0": (0, "simple value 16"),
    "f8ff": (0, "simple value"),
    "f93c00": (0, "floating-point"),
    "fa47c35000": (0, "floating-point"),
    "fb3ff199999999999a": (0, "floating-point"),
    "1c": (0, "reserved"),
    "fe": (0, "reserved"),
    "a201020102": (3, "twice"),
    "a203040102": (3, "out of order"),
    # Bytewise order, not length first: 100 (18 64) stands before -1 (20). RFC 8949 section 4.2.1.
    "a22000186400": (3, "out of order"),
    "18": (1, "needs"),
    "420a": (1, "needs"),
    "61ff": (1, "UTF-8"),
    "62c328": (1, "UTF-8"),
    "820001ff": (3, "trailing"),
    "8200": (0, "longer than the input"),
    "9bffffffffffffffff": (0, "longer than the input"),
    "bbffffffffffffffff": (0, "longer than the input"),
    "5bffffffffffffffff00": (9, "needs"),
    "a10001a1": (3, "trailing"),
    "a1": (0, "longer than the input"),
    "820081": (2, "longer than the input"),
    "c0": (1, "needs"),
    "81" * 17 + "00": (17, "nested deeper"),
}


@pytest.mark.parametrize("encoded", PUBLISHED)
def test_published_values_encode_and_read_back(encoded: str) -> None:
    assert cbor.encode(PUBLISHED[encoded]).hex() == encoded
    item = cbor.decode(bytes.fromhex(encoded))
    assert item.encoded.hex() == encoded


@pytest.mark.parametrize("encoded", REFUSED)
def test_other_forms_are_refused_at_their_byte(encoded: str) -> None:
    offset, words = REFUSED[encoded]
    with pytest.raises(FormatError, match=words) as caught:
        cbor.decode(bytes.fromhex(encoded))
    assert caught.value.where == f"byte {offset}"


def test_offsets_of_nested_byte_strings_are_absolute() -> None:
    data = cbor.encode({1: cbor.encode([0, 1]) + b"\x00"})
    value = cbor.decode(data, base=100).pairs("outer")[0][1]
    with pytest.raises(FormatError) as caught:
        value.wrapped("inner")
    assert caught.value.where == f"byte {100 + len(data) - 1}"


def test_unordered_maps_are_read_only_on_request() -> None:
    data = bytes.fromhex("a203040102")
    assert [key.scalar for key, _ in cbor.decode(data, ordered=False).pairs("map")] == [3, 1]
    with pytest.raises(FormatError, match="twice"):
        cbor.decode(bytes.fromhex("a3030401020304"), ordered=False)


def test_map_keys_are_written_in_bytewise_order() -> None:
    assert cbor.encode({-1: 0, 100: 0, 10: 0}).hex() == "a30a00186400" + "2000"
    assert cbor.encode({"b": 0, "aa": 0}).hex() == "a2616200626161" + "00"


@pytest.mark.parametrize(
    ("encoded", "read"),
    [
        ("f5", lambda item: item.uint("x")),
        ("20", lambda item: item.uint("x")),
        ("40", lambda item: item.integer("x")),
        ("f6", lambda item: item.boolean("x")),
        ("60", lambda item: item.bytes("x")),
        ("40", lambda item: item.bytes("x", size=1)),
        ("40", lambda item: item.text("x")),
        ("40", lambda item: item.array("x")),
        ("80", lambda item: item.array("x", size=1)),
        ("80", lambda item: item.pairs("x")),
        ("80", lambda item: item.tagged("x", 1)),
        ("c200", lambda item: item.tagged("x", 1)),
    ],
)
def test_another_type_than_expected_is_an_error(encoded: str, read: object) -> None:
    with pytest.raises(FormatError, match="x: expected") as caught:
        read(cbor.decode(bytes.fromhex(encoded)))  # type: ignore[operator]
    assert caught.value.where == "byte 0"


@pytest.mark.parametrize("integer", [1 << 64, -(1 << 64) - 1])
def test_integers_beyond_64_bits_are_not_written(integer: int) -> None:
    with pytest.raises(FormatError, match="64 bits"):
        cbor.encode(integer)


def test_diagnostic_notation() -> None:
    # RFC 8949 section 8.
    data = cbor.encode([1, -2, b"\x01", 'a"b', None, True, False, cbor.Tag(18, {1: "x"})])
    assert cbor.diagnostic(cbor.decode(data)) == """[1, -2, h'01', "a\\"b", null, true, false, 18({1: "x"})]"""


SCALARS = st.one_of(
    st.integers(-(1 << 64), (1 << 64) - 1), st.binary(max_size=40), st.text(max_size=20), st.booleans(), st.none()
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=5),
        st.dictionaries(st.integers(-1000, 1000), inner, max_size=5),
        st.dictionaries(st.text(max_size=4), inner, max_size=5),
    ),
    max_leaves=20,
)


@pytest.mark.slow
@given(VALUES)
def test_an_independent_reader_agrees(value: object) -> None:
    data = cbor.encode(value)  # type: ignore[arg-type]
    assert cbor2.loads(data) == value
    assert cbor.decode(data).encoded == data


def _rebuild(item: cbor.Item) -> cbor.Value:
    if item.major == 4:
        return [_rebuild(element) for element in item.items]
    if item.major == 5:
        return {cbor.Encoded(cbor.encode(_rebuild(key))): _rebuild(value) for key, value in item.pairs("map")}
    if item.major == 6:
        assert isinstance(item.scalar, int)
        return cbor.Tag(item.scalar, _rebuild(item.items[0]))
    return item.scalar


@pytest.mark.slow
@given(st.one_of(st.binary(max_size=60), VALUES.map(lambda value: cbor.encode(value))))
def test_reading_gives_the_same_bytes_again_or_our_error(data: bytes) -> None:
    try:
        item = cbor.decode(data)
    except RootwrightError:
        return
    assert cbor.encode(_rebuild(item)) == data
