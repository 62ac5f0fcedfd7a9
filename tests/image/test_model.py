"""Images: bounds, gaps, reading by address; the one way in; staying inside a region; vector tables."""

from __future__ import annotations

import doctest
import importlib

import pytest

from rootwright.errors import ImageError
from rootwright.image import Image, Segment, Symbol, find_vector_table, read_image, require_inside
from rootwright.image.joining import join_segments
from rootwright.image.model import SPAN_LIMIT


def image_of(*segments: Segment, machine: str | None = None, symbols: tuple[Symbol, ...] = ()) -> Image:
    return Image("a", "bin", machine, segments, symbols=symbols)


@pytest.mark.parametrize("module", ["model", "joining", "intelhex", "srecord", "reading"])
def test_examples_in_docstrings(module: str) -> None:
    found = importlib.import_module(f"rootwright.image.{module}")
    result = doctest.testmod(found)
    assert result.attempted > 0
    assert result.failed == 0


def test_flatten_fills_gaps_with_the_erased_value() -> None:
    image = image_of(Segment(4, b"ab"), Segment(8, b"c"))
    assert image.flatten() == b"ab\xff\xffc"
    assert image.flatten(0) == b"ab\0\0c"
    with pytest.raises(ImageError, match="fill byte 256"):
        image.flatten(256)


def test_two_bytes_4_gib_apart_are_refused_not_filled() -> None:
    image = image_of(Segment(0, b"a"), Segment(0xFFFF_FFFF, b"b"))
    assert image.size == 1 << 32
    with pytest.raises(ImageError, match=r"widest gap is 0x00000001\.\.0xffffffff") as caught:
        image.flatten()
    assert str(SPAN_LIMIT) in str(caught.value)


@pytest.mark.parametrize(
    "segments",
    [
        (),
        (Segment(0, b""),),
        (Segment(4, b"a"), Segment(0, b"a")),
        (Segment(0, b"ab"), Segment(1, b"b")),
        (Segment(0, b"a"), Segment(1, b"b")),
        (Segment(0xFFFF_FFFF, b"ab"),),
    ],
)
def test_an_image_refuses_segments_that_are_not_in_order(segments: tuple[Segment, ...]) -> None:
    with pytest.raises(ImageError):
        image_of(*segments)


def test_read_and_holds_stay_within_one_segment() -> None:
    image = image_of(Segment(4, b"abc"), Segment(8, b"d"))
    assert image.read(5, 2) == b"bc"
    assert image.holds(8)
    assert not image.holds(7)
    assert not image.holds(3)
    assert not image.holds(6, 3)
    for address, size in ((3, 1), (6, 3), (7, 1), (9, 1), (4, -1)):
        with pytest.raises(ImageError, match="does not load all"):
            image.read(address, size)


def test_joining_sorts_merges_and_drops_empty_ones() -> None:
    joined = join_segments([Segment(9, b"z"), Segment(2, b"b"), Segment(5, b""), Segment(0, b"aa")])
    assert joined == (Segment(0, b"aab"), Segment(9, b"z"))


def test_raw_bytes_need_a_base_and_fit_32_bits() -> None:
    assert read_image(b"\0\1", name="a.bin", base=0x100).segments == (Segment(0x100, b"\0\1"),)
    with pytest.raises(ImageError, match="raw bytes without a load address"):
        read_image(b"\0\1", name="a.bin")
    for base in (-1, 0xFFFF_FFFF):
        with pytest.raises(ImageError, match="past the 32-bit"):
            read_image(b"\0\1", name="a.bin", base=base)
    with pytest.raises(ImageError, match="the file is empty"):
        read_image(b"", name="a.bin", base=0)


def test_a_base_beside_a_file_with_addresses_is_a_check() -> None:
    text = b":0200100068691D\n:00000001FF\n"
    assert read_image(text, name="a", base=0x10).start == 0x10
    with pytest.raises(ImageError, match="starts at 0x00000010, but its base is given as 0x00000020"):
        read_image(text, name="a", base=0x20)


@pytest.mark.parametrize(
    ("start", "size", "message"),
    [
        (0x104, 0x100, "4 bytes below its start"),
        (0x0F0, 0x018, "8 bytes past its end"),
        (0x104, 0x004, "4 bytes below its start and 8 bytes past its end"),
        (0x200, 0x100, "16 bytes below its start"),
        (0x000, 0x100, "16 bytes past its end"),
    ],
)
def test_sticking_out_is_named_in_bytes(start: int, size: int, message: str) -> None:
    with pytest.raises(ImageError) as caught:
        require_inside(image_of(Segment(0x100, bytes(16))), start, size)
    assert message in str(caught.value)
    assert "0x00000100..0x00000110" in str(caught.value)


def test_fitting_exactly_is_fine() -> None:
    require_inside(image_of(Segment(0x100, bytes(16))), 0x100, 16)


def table(*words: int) -> bytes:
    return b"".join(word.to_bytes(4, "little") for word in words)


def test_vector_table_at_the_start_is_counted() -> None:
    data = table(0x2000_1000, 0x41, 0, 0x43, 0, 0, 0x12345678) + bytes(64)
    found = find_vector_table(image_of(Segment(0, data)))
    assert found is not None
    assert (found.address, found.entries, found.initial_stack, found.reset) == (0, 4, 0x2000_1000, 0x41)
    known = find_vector_table(image_of(Segment(0, data)), entries=16)
    assert known is not None
    assert known.entries == 16


def test_vector_table_by_symbol_comes_first() -> None:
    data = table(0x2000_1000, 0x41) + bytes(24) + table(0x2000_2000, 0x43, 0x43) + bytes(64)
    symbol = Symbol("__Vector_Table", 32, 12, "object")
    found = find_vector_table(image_of(Segment(0, data), symbols=(symbol,)))
    assert found is not None
    assert (found.address, found.entries, found.initial_stack) == (32, 3, 0x2000_2000)


@pytest.mark.parametrize(
    "words",
    [
        (0, 0x41),  # no stack
        (0x2000_1002, 0x41),  # stack not on a word
        (0x2000_1000, 0x40),  # not Thumb
        (0x2000_1000, 0x4001),  # reset outside the image
        (0xFFFF_FFFF, 0xFFFF_FFFF),  # erased
    ],
)
def test_what_cannot_be_a_vector_table_is_none(words: tuple[int, int]) -> None:
    assert find_vector_table(image_of(Segment(0, table(*words) + bytes(128)))) is None


def test_no_vector_table_for_riscv_short_images_and_odd_starts() -> None:
    data = table(0x2000_1000, 0x41) + bytes(128)
    assert find_vector_table(image_of(Segment(0, data), machine="riscv")) is None
    assert find_vector_table(image_of(Segment(0, data[:7]))) is None
    assert find_vector_table(image_of(Segment(2, data))) is None
    assert find_vector_table(image_of(Segment(0, data)), entries=400) is None
    with pytest.raises(ImageError, match=r"expected 2\.\.512"):
        find_vector_table(image_of(Segment(0, data)), entries=1)


@pytest.mark.parametrize(("entries", "alignment"), [(2, 128), (32, 128), (33, 256), (48, 256), (64, 256), (65, 512)])
def test_alignment_is_the_next_power_of_two(entries: int, alignment: int) -> None:
    """Armv7-M Architecture Reference Manual, B1.5.3, gives 37 words to 64 words (256 bytes) as its example."""
    data = table(0x2000_1000, 0x201) + bytes(1024)
    found = find_vector_table(image_of(Segment(0, data)), entries=entries)
    assert found is not None
    assert found.alignment == alignment
