"""The device structure of flash algorithms: layout of Open-CMSIS-Pack's FlashOS.h (field widths from memory)."""

from __future__ import annotations

import importlib.util
import io
import subprocess
import sys
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from part_files import PART, elf_with, flash_device

from rootwright.bring.elf_sections import read_sections
from rootwright.bring.flash_algorithm import HEAD, read_flash_algorithm
from rootwright.describe.chip import MemoryKind, SectorRun
from rootwright.errors import ImageError

END = (0xFFFFFFFF, 0xFFFFFFFF)
compiled = pytest.mark.skipif(
    importlib.util.find_spec("ziglang") is None, reason="no cross compiler here; `make firmware` installs it"
)


def runs_of(body: bytes) -> tuple[SectorRun, ...]:
    memory = read_flash_algorithm(elf_with("DevDscr", body), name="a.flm").memories[0]
    assert memory.runs is not None
    return memory.runs.value


def test_built_algorithm_of_the_demo_part() -> None:
    # The file was built by a C compiler from a C structure, so its layout is the compiler's, not this project's.
    facts = read_flash_algorithm((PART / "qd-256.flm").read_bytes(), name="qd-256.flm")
    memory = facts.memories[0]
    assert (memory.base.value, memory.size.value) == (0x0040_0000, 0x40000)
    assert memory.kind is not None
    assert memory.kind.value is MemoryKind.FLASH
    assert memory.runs is not None
    assert memory.runs.value == (SectorRun(128, 2048),)
    assert memory.erased is not None
    assert memory.erased.value == 0xFF
    assert memory.called == "QD 256 KiB flash"
    assert "FlashDevice at 0x" in memory.base.source


@pytest.mark.slow
@pytest.mark.firmware
@compiled
def test_demo_files_are_built_again_bit_for_bit(tmp_path: Path) -> None:
    firmware = PART.parent / "firmware"
    subprocess.run([sys.executable, firmware / "build.py", tmp_path], check=True)
    kept = [*(firmware / "built").iterdir(), PART / "qd-256.flm"]
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in kept}
    assert [path.name for path in kept if path.read_bytes() != (tmp_path / path.name).read_bytes()] == []


def test_sections_agree_with_an_independent_reader() -> None:
    data = (PART / "qd-256.flm").read_bytes()
    theirs = [
        (s.name, s["sh_type"], s["sh_addr"], s["sh_offset"], s["sh_size"])
        for s in ELFFile(io.BytesIO(data)).iter_sections()
    ]
    ours = read_sections(data, name="x")
    assert [section.name for section in ours] == [name for name, *_ in theirs]
    for section, (_, kind, address, offset, size) in zip(ours, theirs, strict=True):
        assert (section.address, section.offset) == (address, offset)
        assert len(section.data) == (0 if kind in ("SHT_NOBITS", "SHT_NULL") else size)


def test_structure_without_its_section_is_found_by_symbol() -> None:
    body = b"code" * 4 + flash_device()
    for kind in (1, 2):  # an object file, and a linked one whose section lies at address 0
        facts = read_flash_algorithm(elf_with("Prg", body, kind=kind, symbol=("FlashDevice", 16)), name="a.flm")
        assert facts.memories[0].base.value == 0x0800_0000


def test_sector_patterns() -> None:
    mixed = flash_device(sectors=((0x4000, 0), (0x10000, 0x10000), END), size=0x40000)
    assert runs_of(mixed) == (SectorRun(4, 0x4000), SectorRun(3, 0x10000))
    absolute = flash_device(sectors=((0x800, 0x0800_0000), END))
    assert runs_of(absolute) == (SectorRun(64, 0x800),)


def test_kinds_and_erased_values() -> None:
    for kind, expected in ((1, MemoryKind.FLASH), (2, MemoryKind.EXTERNAL), (5, MemoryKind.EXTERNAL), (0, None)):
        memory = read_flash_algorithm(elf_with("DevDscr", flash_device(kind=kind, empty=0)), name="a").memories[0]
        assert (memory.kind.value if memory.kind else None) == expected
        assert memory.erased is not None
        assert memory.erased.value == 0
    strange = read_flash_algorithm(elf_with("DevDscr", flash_device(empty=0x55)), name="a").memories[0]
    assert strange.erased is None  # no chip file can say that; the data sheet has to


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (flash_device()[:100], "100 bytes"),
        (flash_device(version=1), "version 0x0001"),
        (flash_device(size=0), "0 bytes at"),
        (flash_device(base=0xFFFF_0000), "no range"),
        (flash_device(sectors=(END,)), "does not begin"),
        (flash_device(sectors=()), "without its end"),
        (flash_device(sectors=((0x800, 0x800), END)), "does not begin"),
        (flash_device(sectors=((0, 0), END)), "not whole"),
        (flash_device(sectors=((0x700, 0), END)), "not whole"),
        (flash_device(sectors=((0x800, 0), (0x400, 0), END)), "not whole"),
        (flash_device(sectors=((0x800, 0), (0x400, 0x40000), END)), "not whole"),
        (flash_device(sectors=tuple((1, n) for n in range(600))), "more than 512"),
    ],
)
def test_contradictions_are_refused_with_their_place(body: bytes, said: str) -> None:
    with pytest.raises(ImageError, match=said) as error:
        read_flash_algorithm(elf_with("DevDscr", body), name="a.flm")
    assert error.value.where.startswith("a.flm, byte offset 0x")
    assert error.value.next_step


def test_other_elf_files_are_named_for_what_they_are() -> None:
    with pytest.raises(ImageError, match="neither a section DevDscr"):
        read_flash_algorithm(elf_with(".text", b"code"), name="app.elf")
    with pytest.raises(ImageError, match="class 2"):
        read_flash_algorithm(b"\x7fELF\x02\x01\x01" + bytes(60), name="a")
    cut = elf_with("DevDscr", flash_device())[:-8]
    with pytest.raises(ImageError, match="leave the file"):
        read_flash_algorithm(cut, name="a")


def test_layout_is_the_one_in_the_docstring() -> None:
    assert HEAD.size == 160
