"""Intel HEX: records by the specification, one test for every way a file can be wrong, and what we write."""

from __future__ import annotations

import pytest

from rootwright.errors import ImageError
from rootwright.image import Segment, read_image, write_hex

END = ":00000001FF\n"


def record(text: str) -> str:
    """The record with its checksum appended."""
    return f":{text}{-sum(bytes.fromhex(text)) & 0xFF:02X}\n"


def read(text: str) -> tuple[Segment, ...]:
    return read_image(text.encode(), name="a.hex").segments


def test_a_known_line() -> None:
    """The example line that is widely printed with the format (address 0x0100, 16 bytes, checksum 40)."""
    line = ":10010000214601360121470136007EFE09D2190140\n"
    assert read(line + END) == (Segment(0x100, bytes.fromhex("214601360121470136007EFE09D21901")),)


def test_linear_and_segment_bases() -> None:
    text = record("020000040800") + record("01000000AA") + record("020000021234") + record("01000500BB") + END
    assert read(text) == (Segment(0x12345, b"\xbb"), Segment(0x0800_0000, b"\xaa"))


def test_records_in_any_order_blank_lines_lower_case_and_line_ends() -> None:
    text = "\r\n" + record("01000200cc").lower() + "\r\n  " + record("01000100BB") + "\r" + record("01000000AA") + END
    assert read(text) == (Segment(0, b"\xaa\xbb\xcc"),)


def test_a_record_may_run_over_64_kib_with_a_linear_base() -> None:
    """Specification, "Data record": in linear mode the byte address is taken modulo 4 GiB, not 64 KiB."""
    assert read(record("020000040001") + record("02FFFF00AABB") + END) == (Segment(0x1FFFF, b"\xaa\xbb"),)


def test_start_records() -> None:
    linear = record("01000000AA") + record("0400000508000101") + END
    assert read_image(linear.encode(), name="a").entry == 0x0800_0101
    segmented = record("01000000AA") + record("0400000312340005") + END
    assert read_image(segmented.encode(), name="a").entry == 0x12345


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (record("01000000AA"), "line 1: the end-of-file record is missing"),
        (END, "no bytes to load"),
        (record("01000000AA") + END + record("01000100AA"), "line 3: a record follows the end-of-file"),
        (record("01000000AA") + END + END, "line 3: a record follows the end-of-file"),
        (":01000000AA56\n" + END, "line 1: checksum 56 found, 55 expected"),
        (":02000000AA54\n" + END, "line 1: the record holds 6 bytes, its length field asks for 7"),
        (record("01000000AA") + ":\n" + END, "line 2: the record holds 0 bytes"),
        (record("01000000AA") + ":0000\n" + END, "line 2: the record holds 2 bytes"),
        (record("01000000AA") + ":0G\n" + END, "line 2: not an even number"),
        (record("01000000AA") + ":000\n" + END, "line 2: not an even number"),
        (record("01000000AA") + ":01 000000AA55\n" + END, "line 2: not an even number"),
        (record("01000000AA") + "note\n" + END, "line 2: a record starts with ':', this line with 'n'"),
        (record("01000006AA") + END, "line 1: record type 06 is unknown"),
        (record("0100000100"), "the end-of-file record holds 0 bytes, this one 1"),
        (record("0100000200"), "the extended segment address record holds 2 bytes"),
        (record("0100000400"), "the extended linear address record holds 2 bytes"),
        (record("020000050000"), "the start linear address record holds 4 bytes"),
        (record("020001040800"), "the address field of the extended linear address record is 0001"),
        (record("020000021000") + record("02FFFF00AABB") + END, "wrap round their 64 KiB segment"),
        (record("02000004FFFF") + record("02FFFF00AABB") + END, "run past the 32-bit address space"),
        (record("02000000AABB") + record("01000100BB") + END, "with the same bytes"),
        (record("02000000AABB") + record("01000100CC") + END, "with different bytes"),
        (record("01000000AA") + record("0400000500000001") + record("0400000500000002") + END, "earlier record says"),
        (record("01000000AA") + "\x07\n" + END, "line 2: a control character"),
    ],
)
def test_a_wrong_file_is_refused_with_its_line(text: str, message: str) -> None:
    with pytest.raises(ImageError) as caught:
        read(text)
    assert message in str(caught.value)


def test_a_byte_that_is_not_text_is_named_by_offset() -> None:
    with pytest.raises(ImageError, match="byte offset 14"):
        read_image(record("01000000AA").encode() + b"\xff" + END.encode(), name="a.hex")


def test_writer_splits_at_64_kib_and_tells_the_entry() -> None:
    text = write_hex([Segment(0x1FFF8, bytes(range(16)))], entry=0x101)
    assert [line[7:9] for line in text.splitlines()] == ["04", "00", "04", "00", "05", "01"]
    image = read_image(text.encode(), name="a")
    assert image.segments == (Segment(0x1FFF8, bytes(range(16))),)
    assert image.entry == 0x101


def test_writer_refuses_what_it_cannot_write() -> None:
    with pytest.raises(ImageError, match="both load"):
        write_hex([Segment(0, b"ab"), Segment(1, b"b")])
    with pytest.raises(ImageError, match="width"):
        write_hex([], width=0)
    with pytest.raises(ImageError, match="entry"):
        write_hex([Segment(0, b"a")], entry=1 << 32)
    with pytest.raises(ImageError, match="32-bit"):
        write_hex([Segment(0xFFFF_FFFF, b"ab")])
