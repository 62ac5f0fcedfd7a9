"""Whatever bytes come in: an image or an ImageError, never anything else, never much memory."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rootwright.errors import ImageError
from rootwright.image import Image, Segment, find_vector_table, read_image, write_hex, write_srec
from rootwright.image.joining import join_segments

DATA = Path(__file__).parent / "data"
SEEDS = {
    "elf": (DATA / "tiny-headers.elf").read_bytes(),
    "elf with data": (DATA / "tiny-riscv.elf").read_bytes()[:8192],
    "hex": (DATA / "tiny-high.hex").read_bytes(),
    "srec": (DATA / "tiny-s2.srec").read_bytes(),
}
pytestmark = pytest.mark.slow


def try_reading(data: bytes, base: int | None = None) -> Image | None:
    refused: ImageError | None = None
    try:
        image = read_image(data, name="fuzz", base=base)
        find_vector_table(image)
    except ImageError as error:
        refused = error
    if refused is not None:
        assert str(refused).startswith("fuzz")
        assert refused.next_step
        return None
    assert sum(len(segment.data) for segment in image.segments) <= len(data)
    return image


@settings(max_examples=300, derandomize=True, deadline=None)
@given(
    st.sampled_from([b"", b"\x7fELF", b"\x7fELF\1\1\1", b":10", b":00000001FF\n", b"S1", b"S0030000FC\n"]),
    st.binary(max_size=400),
    st.none() | st.integers(-1, 1 << 33),
)
def test_random_bytes(start: bytes, rest: bytes, base: int | None) -> None:
    try_reading(start + rest, base)


changes = st.lists(st.tuples(st.integers(0, 1 << 20), st.integers(0, 255)), min_size=1, max_size=6)


@settings(max_examples=600, derandomize=True, deadline=None)
@given(st.sampled_from(sorted(SEEDS)), changes, st.integers(0, 1 << 20), st.booleans())
def test_real_files_with_bytes_changed_cut_or_doubled(
    seed: str, changed: list[tuple[int, int]], cut: int, double: bool
) -> None:
    data = bytearray(SEEDS[seed])
    for at, value in changed:
        data[at % len(data) if at & 1 else at % min(len(data), 200)] = value
    if cut % 3 == 0:
        del data[cut % len(data) :]
    try_reading(bytes(data * 2 if double else data))


words = st.sampled_from([0, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 0xFFFF_FFF0, 52, 40, 16])


@settings(max_examples=600, derandomize=True, deadline=None)
@given(st.sampled_from(["elf", "elf with data"]), st.lists(st.tuples(st.integers(4, 1 << 16), words), max_size=3))
def test_elf_with_whole_words_lying(seed: str, changed: list[tuple[int, int]]) -> None:
    data = bytearray(SEEDS[seed])
    shoff = int.from_bytes(data[32:36], "little")
    for at, value in changed:
        # Half of the changes hit the headers in front, half the section headers behind.
        place = 4 * (at % 29) + 4 if at & 1 else shoff + 4 * (at % max(1, (len(data) - shoff) // 4))
        if place + 4 <= len(data):
            data[place : place + 4] = value.to_bytes(4, "little")
    try_reading(bytes(data))


@settings(max_examples=200, derandomize=True, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, (1 << 32) - 64), st.binary(min_size=1, max_size=64)), min_size=1, max_size=8),
    st.integers(1, 64),
)
def test_what_is_written_reads_back(pieces: list[tuple[int, bytes]], width: int) -> None:
    try:
        segments = join_segments(Segment(address, data) for address, data in pieces)
    except ImageError:
        return
    for text in (write_hex(segments, width=width), write_srec(segments, width=width)):
        assert read_image(text.encode(), name="again").segments == segments
