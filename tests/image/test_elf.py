"""ELF32: segments, symbols, RAM need, and every way a header can lie."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from rootwright.errors import ImageError
from rootwright.image import Segment, Span, find_vector_table, read_image
from rootwright.image import elfnumbers as n

DATA = Path(__file__).parent / "data"

Load = tuple[int, int, int, int]  # virtual, physical, file size, memory size


def make_elf(
    loads: list[Load],
    *,
    machine: int = n.EM_ARM,
    kind: int = n.ET_EXEC,
    order: str = "<",
    entry: int = 0,
    body: bytes | None = None,
) -> bytes:
    """A section-free ELF32 file: header, program headers, then each segment's bytes one after the other."""
    at = 52 + 32 * len(loads)
    headers, bodies = b"", b""
    for number, (virtual, physical, size, memory) in enumerate(loads):
        headers += struct.pack(order + "8I", 1, at, virtual, physical, size, memory, 5, 4)
        bodies += bytes([number + 1]) * size
        at += size
    ident = b"\x7fELF" + bytes([1, 1 if order == "<" else 2, 1]) + bytes(9)
    fixed = struct.pack(
        order + n.HEADER, kind, machine, 1, entry, 52, 0, 0, 52, 32, len(loads), 40, 0, 0
    )  # no sections
    return ident + fixed + headers + (bodies if body is None else body)


def patched(data: bytes, at: int, shape: str, value: int) -> bytes:
    changed = bytearray(data)
    struct.pack_into("<" + shape, changed, at, value)
    return bytes(changed)


def test_segments_lie_at_physical_addresses_and_adjacent_ones_are_one() -> None:
    image = read_image(make_elf([(0x100, 0x100, 4, 4), (0x2000_0000, 0x104, 2, 6)], entry=0x101), name="a")
    assert image.segments == (Segment(0x100, b"\1\1\1\1\2\2"),)
    assert (image.start, image.end, image.size, image.entry, image.machine) == (0x100, 0x106, 6, 0x101, "arm")
    assert image.ram == (Span(0x2000_0000, 6),)


def test_zeroed_memory_alone_and_behind_data_counts_as_ram() -> None:
    image = read_image(make_elf([(0, 0, 4, 4), (0x2000_0000, 0x2000_0000, 0, 64), (0x2000_0040, 8, 4, 8)]), name="a")
    assert image.ram == (Span(0x2000_0000, 72),)
    assert image.ram_size == 72


def test_a_ram_image_needs_only_the_zeroed_rest_beyond_its_bytes() -> None:
    assert read_image(make_elf([(0x2000_0000, 0x2000_0000, 4, 12)]), name="a").ram == (Span(0x2000_0004, 8),)


def test_entry_zero_means_none() -> None:
    """System V ABI, ELF header: e_entry holds zero if the file has no entry point."""
    assert read_image(make_elf([(0x100, 0x100, 4, 4)]), name="a").entry is None


def test_riscv_is_told_apart() -> None:
    assert read_image(make_elf([(0, 0, 4, 4)], machine=n.EM_RISCV), name="a").machine == "riscv"


GOOD = make_elf([(0x100, 0x100, 16, 16)])


@pytest.mark.parametrize(
    ("data", "message"),
    [
        pytest.param(GOOD[:40], "the ELF header takes bytes", id="header cut"),
        pytest.param(GOOD[:60], "the program header table takes", id="program headers cut"),
        pytest.param(GOOD[:-1], "load segment 0 takes", id="last byte cut"),
        pytest.param(patched(GOOD, 4, "B", 2), "a 64-bit file", id="64 bit"),
        pytest.param(patched(GOOD, 4, "B", 7), "class 7", id="class"),
        pytest.param(patched(GOOD, 5, "B", 0), "byte order 0", id="byte order"),
        pytest.param(patched(GOOD, 6, "B", 2), "ELF version 2", id="identification version"),
        pytest.param(patched(GOOD, 20, "I", 0), "ELF version 0", id="version"),
        pytest.param(patched(GOOD, 40, "H", 51), "ELF header of 51 bytes", id="e_ehsize"),
        pytest.param(patched(GOOD, 18, "H", 62), "machine number 62", id="machine"),
        pytest.param(patched(GOOD, 16, "H", 1), "not linked", id="object file"),
        pytest.param(patched(GOOD, 16, "H", 3), "position-independent", id="shared"),
        pytest.param(patched(GOOD, 16, "H", 4), "file type 4", id="core"),
        pytest.param(patched(GOOD, 28, "I", 0xFFFF_FFF0), "the program header table takes", id="e_phoff"),
        pytest.param(patched(GOOD, 32, "I", 0x1000), "0 section headers", id="e_shoff without sections"),
        pytest.param(
            patched(patched(GOOD, 32, "I", 0x1000), 48, "H", 3), "the section header table takes", id="e_shoff"
        ),
        pytest.param(patched(GOOD, 42, "H", 31), "program headers of 31 bytes", id="e_phentsize"),
        pytest.param(patched(GOOD, 44, "H", 0), "0 program headers", id="no program headers"),
        pytest.param(patched(GOOD, 44, "H", 0xFFFF), "65535 program headers", id="PN_XNUM"),
        pytest.param(patched(GOOD, 44, "H", 200), "the program header table takes", id="e_phnum"),
        pytest.param(patched(GOOD, 52 + 4, "I", 0xFFFF_FFFF), "load segment 0 takes", id="p_offset"),
        pytest.param(patched(GOOD, 52 + 16, "I", 17), "17 bytes in the file but only 16", id="p_filesz over p_memsz"),
        pytest.param(
            patched(patched(GOOD, 52 + 16, "I", 0xFFFF_FFFF), 52 + 20, "I", 0xFFFF_FFFF),
            "load segment 0 takes",
            id="p_filesz over file",
        ),
        pytest.param(patched(GOOD, 52 + 12, "I", 0xFFFF_FFF8), "wraps past the 32-bit", id="p_paddr wraps"),
        pytest.param(patched(GOOD, 52 + 8, "I", 0xFFFF_FFF8), "wraps past the 32-bit", id="p_vaddr wraps"),
        pytest.param(patched(GOOD, 52 + 20, "I", 0xFFFF_FFFF), "wraps past the 32-bit", id="p_memsz wraps"),
        pytest.param(patched(GOOD, 52, "I", 2), "no load segment holds bytes", id="nothing to load"),
        pytest.param(make_elf([(0, 0, 0, 8)]), "no load segment holds bytes", id="zeroed memory only"),
        pytest.param(make_elf([(0, 0, 4, 4), (9, 2, 4, 4)]), "both load 0x00000002..0x00000004", id="overlap"),
        pytest.param(make_elf([(0, 0, 0, 4)] * 129 + [(0, 0, 4, 4)]), "130 load segments", id="many segments"),
        pytest.param(make_elf([(0, 0, 4, 4)], order=">"), "a big-endian arm file", id="big-endian"),
        pytest.param(make_elf([(0, 0, 4, 4)], order=">", machine=20), "machine number 20", id="big-endian, other"),
    ],
)
def test_a_lying_header_is_refused_with_its_place(data: bytes, message: str) -> None:
    with pytest.raises(ImageError) as caught:
        read_image(data, name="a.elf")
    assert message in str(caught.value)
    assert caught.value.where.startswith("a.elf")
    assert caught.value.next_step


def test_one_stretch_of_the_file_loaded_many_times_is_refused() -> None:
    """A few kilobytes of file must not become gigabytes of image."""
    loads = make_elf([(0x1000 * k, 0x1000 * k, 100, 100) for k in range(40)])
    same = bytearray(loads)
    for k in range(40):
        struct.pack_into("<I", same, 52 + 32 * k + 4, 52)
    with pytest.raises(ImageError, match="no byte loaded twice"):
        read_image(bytes(same[: 52 + 32 * 40]), name="a.elf")


def test_gnu_file_with_copied_data_gap_and_zeroed_ram() -> None:
    image = read_image((DATA / "tiny-gnu.elf").read_bytes(), name="tiny")
    assert [(s.address, len(s.data)) for s in image.segments] == [(0x8000, 32), (0xC123, 8)]
    assert image.segments[1].data == b"far away"
    assert image.segments[0].data[-4:] == (41).to_bytes(4, "little")
    assert image.ram == (Span(0x2000_0000, 260),)
    start = image.symbol("start")
    assert start is not None
    assert (start.address, start.kind, start.size) == (0x800C, "function", 12)
    counter = image.symbol("counter")
    assert counter is not None
    assert (counter.address, counter.kind, counter.size) == (0x2000_0000, "object", 4)
    assert image.symbol("nobody") is None
    assert [(s.name, s.address) for s in image.sections] == [
        (".isr_vector", 0x8000),
        (".text", 0x800C),
        (".data", 0x801C),
        (".far", 0xC123),
    ]


def test_a_stripped_file_loads_the_same_bytes() -> None:
    whole = read_image((DATA / "tiny-gnu.elf").read_bytes(), name="tiny")
    bare = read_image((DATA / "tiny-stripped.elf").read_bytes(), name="tiny")
    assert bare.segments == whole.segments
    assert bare.symbols == ()
    assert find_vector_table(bare) == find_vector_table(whole)


def test_the_files_own_header_is_not_loaded() -> None:
    """GNU ld lets a load segment begin with the ELF header; flashing tools go by sections and leave it out."""
    for name, start in (("tiny-headers.elf", 0x8100), ("tiny-apart.elf", 0x8000)):
        image = read_image((DATA / name).read_bytes(), name=name)
        assert (image.start, image.size) == (start, 4)


def test_a_segment_of_nothing_but_the_files_header_is_left_out() -> None:
    """GNU ld for this computer makes one; patched to say Arm, it must load its four bytes and no header."""
    data = patched((DATA / "tiny-x86.elf").read_bytes(), 18, "H", n.EM_ARM)
    assert read_image(data, name="a").segments == (Segment(0x1000, (1).to_bytes(4, "little")),)


def test_riscv_file_of_the_packaged_compiler() -> None:
    image = read_image((DATA / "tiny-riscv.elf").read_bytes(), name="rv")
    assert image.machine == "riscv"
    assert find_vector_table(image) is None
    symbol = image.symbol("start")
    assert symbol is not None
    assert symbol.address == image.entry


@pytest.mark.parametrize("name", ["tiny-object.elf", "tiny-big.elf", "tiny-x86.elf"])
def test_files_for_elsewhere_are_refused(name: str) -> None:
    with pytest.raises(ImageError):
        read_image((DATA / name).read_bytes(), name=name)


def section_header_at(data: bytes, kind: int) -> int:
    shoff, shnum = struct.unpack_from("<I", data, 32)[0], struct.unpack_from("<H", data, 48)[0]
    return next(shoff + 40 * k for k in range(shnum) if struct.unpack_from("<I", data, shoff + 40 * k + 4)[0] == kind)


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        (20, 0x7FFF_FFFF, "the file ends at"),  # sh_size
        (16, 0xFFFF_0000, "the file ends at"),  # sh_offset
        (36, 17, "in entries of 17"),  # sh_entsize
        (20, 33, "symbol table in section"),  # not a whole number of entries
        (24, 0, "names section 0 for its strings"),  # sh_link
        (24, 99, "names section 99 for its strings"),
    ],
)
def test_a_lying_symbol_table_is_refused(field: int, value: int, message: str) -> None:
    data = (DATA / "tiny-gnu.elf").read_bytes()
    with pytest.raises(ImageError) as caught:
        read_image(patched(data, section_header_at(data, n.SHT_SYMTAB) + field, "I", value), name="a")
    assert message in str(caught.value)


def test_a_second_symbol_table_is_refused() -> None:
    data = (DATA / "tiny-gnu.elf").read_bytes()
    data = patched(data, section_header_at(data, n.SHT_STRTAB) + 4, "I", n.SHT_SYMTAB)
    with pytest.raises(ImageError, match="more than one symbol table"):
        read_image(data, name="a")


def test_a_name_outside_the_string_table_is_refused() -> None:
    data = (DATA / "tiny-gnu.elf").read_bytes()
    table = struct.unpack_from("<I", data, section_header_at(data, n.SHT_SYMTAB) + 16)[0]
    named = next(at for at in range(table, table + 256, 16) if data[at + 12] & 15 == n.STT_OBJECT)
    with pytest.raises(ImageError, match="of the string table has no end"):
        read_image(patched(data, named, "I", 0x00FF_FFFF), name="a")
