"""Our readers and writers against pyelftools (ELF) and bincopy (HEX, S-record), on the demo's and on foreign files."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path

import bincopy
import pytest
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from rootwright.image import Image, Segment, read_image, write_hex, write_srec

DATA = Path(__file__).parent / "data"
BUILT = Path(__file__).resolve().parents[2] / "demo" / "river-gauge" / "firmware" / "built"
ELF_FILES = [
    *sorted(BUILT.glob("*.elf")),
    *(DATA / name for name in ("tiny-gnu.elf", "tiny-stripped.elf", "tiny-riscv.elf", "tiny-apart.elf")),
]
TEXT_FILES = [*sorted(BUILT.glob("*.hex")), *sorted(DATA.glob("*.hex")), *sorted(DATA.glob("*.srec"))]


def image_of(path: Path) -> Image:
    return read_image(path.read_bytes(), name=path.name)


def test_there_are_files_to_compare() -> None:
    assert len(ELF_FILES) >= 14
    assert len(TEXT_FILES) >= 5


@pytest.mark.parametrize("path", ELF_FILES, ids=lambda path: path.name)
def test_segments_as_pyelftools_reads_them(path: Path) -> None:
    with path.open("rb") as stream:
        elf = ELFFile(stream)
        memory: dict[int, int] = {}
        for segment in elf.iter_segments("PT_LOAD"):
            for at, byte in enumerate(segment.data()):
                memory[segment["p_paddr"] + at] = byte
        entry = elf["e_entry"]
    image = image_of(path)
    assert {s.address + at: byte for s in image.segments for at, byte in enumerate(s.data)} == memory
    assert image.entry == entry


@pytest.mark.parametrize("path", ELF_FILES, ids=lambda path: path.name)
def test_symbols_as_pyelftools_reads_them(path: Path) -> None:
    image = image_of(path)
    expected = set()
    with path.open("rb") as stream:
        for section in ELFFile(stream).iter_sections():
            if not isinstance(section, SymbolTableSection):
                continue
            for symbol in section.iter_symbols():
                kind = symbol["st_info"]["type"]
                if symbol["st_shndx"] == "SHN_UNDEF" or kind not in ("STT_FUNC", "STT_OBJECT"):
                    continue
                odd = 1 if kind == "STT_FUNC" and image.machine == "arm" else 0
                expected.add((symbol.name, symbol["st_value"] & ~odd, symbol["st_size"], kind))
    words = {"function": "STT_FUNC", "object": "STT_OBJECT"}
    assert {(s.name, s.address, s.size, words[s.kind]) for s in image.symbols if s.kind in words} == expected


@pytest.mark.parametrize("path", TEXT_FILES, ids=lambda path: path.name)
def test_text_files_as_bincopy_reads_them(path: Path) -> None:
    other = bincopy.BinFile()
    other.add(path.read_text())
    image = image_of(path)
    assert [(s.address, s.data) for s in image.segments] == [(a, bytes(d)) for a, d in other.segments]
    assert image.entry == other.execution_start_address


@pytest.mark.slow
@pytest.mark.parametrize("path", [*ELF_FILES, *TEXT_FILES], ids=lambda path: path.name)
def test_what_we_write_as_bincopy_reads_it(path: Path) -> None:
    image = image_of(path)
    for text in (write_hex(image.segments, entry=image.entry), write_srec(image.segments, entry=image.entry)):
        other = bincopy.BinFile()
        other.add(text)
        assert tuple(Segment(a, bytes(d)) for a, d in other.segments) == image.segments
        again = read_image(text.encode(), name="again")
        assert again.segments == image.segments
        assert again.entry == image.entry


@pytest.mark.parametrize("path", ELF_FILES, ids=lambda path: path.name)
def test_what_we_read_is_what_bincopy_writes(path: Path) -> None:
    image = image_of(path)
    other = bincopy.BinFile()
    other.execution_start_address = image.entry or 0  # without one it writes no terminating S-record
    for segment in image.segments:
        other.add_binary(segment.data, segment.address)
    for text in (other.as_ihex(), other.as_srec(address_length_bits=32)):
        assert read_image(text.encode(), name="other").segments == image.segments


def test_one_program_in_four_formats_of_gnu_objcopy_is_one_image() -> None:
    elf, intel, motorola = (image_of(DATA / f"tiny-gnu.{kind}") for kind in ("elf", "hex", "srec"))
    raw = read_image((DATA / "tiny-gnu.bin").read_bytes(), name="tiny-gnu.bin", base=0x8000)
    assert elf.segments == intel.segments == motorola.segments
    assert elf.entry == intel.entry == motorola.entry
    assert raw.segments[0].data == elf.flatten()


@pytest.mark.slow
@pytest.mark.parametrize("path", sorted(BUILT.glob("*.elf")), ids=lambda path: path.name)
def test_demo_files_as_gnu_objcopy_converts_them(path: Path, tmp_path: Path) -> None:
    tool = shutil.which("arm-none-eabi-objcopy") or shutil.which("objcopy")
    if tool is None:
        pytest.skip("no GNU objcopy on this machine (Debian package binutils)")
    image = image_of(path)
    for kind in ("ihex", "srec"):
        target = tmp_path / f"out.{kind}"
        done = subprocess.run([tool, "-O", kind, str(path), str(target)], capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"this objcopy does not know Arm files: {done.stderr.strip()}")
        assert read_image(target.read_bytes(), name=target.name).flatten() == image.flatten()


def test_pyelftools_takes_bytes_too() -> None:
    """Keep the comparison honest: the independent reader really opens the files."""
    assert ELFFile(io.BytesIO((BUILT / "boot.elf").read_bytes()))["e_machine"] == "EM_ARM"
