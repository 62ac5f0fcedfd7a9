"""S-records: the types, their counts and widths, one test for every way a file can be wrong, and what we write."""

from __future__ import annotations

import pytest

from rootwright.errors import ImageError
from rootwright.image import Segment, read_image, write_srec


def record(kind: int, text: str) -> str:
    """The record with its count in front and its checksum behind."""
    raw = bytes([len(text) // 2 + 1]) + bytes.fromhex(text)
    return f"S{kind}{raw.hex().upper()}{~sum(raw) & 0xFF:02X}\n"


END = record(9, "0000")
ONE = record(1, "0100AA")


def read(text: str) -> tuple[Segment, ...]:
    return read_image(text.encode(), name="a.srec").segments


def test_known_lines() -> None:
    """The example that is widely printed with the format: S1 at 0x7AF0 and its checksum 61, terminator S9 with FC."""
    text = "S1137AF00A0A0D0000000000000000000000000061\nS9030000FC\n"
    assert read(text) == (Segment(0x7AF0, bytes.fromhex("0A0A0D00000000000000000000000000")),)


def test_widths_mixed_in_any_order() -> None:
    text = record(3, "0800000011") + record(2, "12000022") + ONE + record(5, "0003") + record(7, "08000001")
    image = read_image(text.encode(), name="a")
    assert image.segments == (Segment(0x100, b"\xaa"), Segment(0x120000, b"\x22"), Segment(0x0800_0000, b"\x11"))
    assert image.entry == 0x0800_0001


def test_a_start_address_of_zero_counts_only_where_zero_is_loaded() -> None:
    assert read_image((ONE + END).encode(), name="a").entry is None
    assert read_image((record(1, "0000AA") + END).encode(), name="a").entry == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (ONE, "line 1: the terminating record (S7, S8 or S9) is missing"),
        (END, "no bytes to load"),
        (ONE + END + ONE, "line 3: a record follows the terminating record"),
        (ONE + END + END, "line 3: a record follows the terminating record"),
        (record(4, "000000"), "a record starts with S0 to S3 or S5 to S9, this line with 'S4'"),
        (ONE + "X1\n" + END, "line 2: a record starts with S0"),
        (ONE + "S\n" + END, "line 2: a record starts with S0"),
        (ONE + "S1\n" + END, "line 2: the S1 record holds 0 bytes, its count field says 0"),
        (ONE + "S1030\n" + END, "line 2: not an even number"),
        (ONE + "S103 0000FC\n" + END, "line 2: not an even number"),
        (ONE + "S10200FD\n" + END, "line 2: the S1 record holds 2 bytes, its count field says 2, the least is 3"),
        (ONE + "S1050100AA4F\n" + END, "its count field says 5"),
        (ONE[:-3] + "00\n" + END, "line 1: checksum 00 found, 50 expected"),
        (ONE + record(5, "0002") + END, "line 2: the S5 record counts 2 data records, the file has 1 so far"),
        (ONE + record(6, "000000") + END, "line 2: the S6 record counts 0 data records"),
        (ONE + record(5, "000100") + END, "line 2: an S5 record holds no data"),
        (ONE + record(9, "000000"), "line 2: an S9 record holds no data"),
        (ONE + ONE + END, "with the same bytes"),
        (ONE + record(1, "0100BB") + END, "with different bytes"),
        (record(3, "FFFFFFFFAABB") + END, "run past the 32-bit address space"),
    ],
)
def test_a_wrong_file_is_refused_with_its_line(text: str, message: str) -> None:
    with pytest.raises(ImageError) as caught:
        read(text)
    assert message in str(caught.value)


def test_writer_counts_and_ends() -> None:
    text = write_srec([Segment(0x1000, bytes(40))], header="gauge", entry=0x1001)
    assert [line[:2] for line in text.splitlines()] == ["S0", "S3", "S3", "S3", "S5", "S7"]
    image = read_image(text.encode(), name="a")
    assert image.segments == (Segment(0x1000, bytes(40)),)
    assert image.entry == 0x1001


@pytest.mark.slow
def test_writer_takes_the_wide_count_record_for_many_lines() -> None:
    text = write_srec([Segment(0, bytes(0x10000))], width=1)
    assert text.splitlines()[-2].startswith("S604010000")
    assert read(text) == (Segment(0, bytes(0x10000)),)


def test_writer_refuses_what_it_cannot_write() -> None:
    with pytest.raises(ImageError, match="both load"):
        write_srec([Segment(0, b"ab"), Segment(1, b"b")])
    with pytest.raises(ImageError, match="width"):
        write_srec([], width=251)
    with pytest.raises(ImageError, match="header"):
        write_srec([], header="x" * 300)
