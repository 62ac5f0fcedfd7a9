"""Sections and symbols of an ELF32 file of any type: what a flash algorithm needs, which is never linked to run.

Source: System V Application Binary Interface, "Object Files" chapter. Firmware is read by `rootwright.image` instead,
by its program headers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from struct import Struct

from rootwright.errors import ImageError
from rootwright.image.elfnumbers import (
    ELFCLASS32,
    ELFDATA2LSB,
    HEADER,
    HEADER_SIZE,
    MAGIC,
    SECTION_HEADER,
    SHT_NOBITS,
    SHT_STRTAB,
    SHT_SYMTAB,
    SYMBOL_ENTRY,
)

MOST_SECTIONS = 4096
_LONGEST_NAME = 256


@dataclass(frozen=True, slots=True)
class ElfSection:
    """One section: name, type, address, where its bytes stand in the file, and the bytes (none for zeroed data)."""

    name: str
    kind: int
    address: int
    offset: int
    data: bytes = field(repr=False)
    link: int = 0


def find_section(data: bytes, wanted: str, symbol: str, *, name: str) -> tuple[bytes, int] | None:
    """Return the bytes of a section, or from a symbol to its section's end, with their file offset; None without both.

    Raises:
        ImageError: No little-endian ELF32 file, or damaged; with the byte offset.
    """
    sections = read_sections(data, name=name)
    for section in sections:
        if section.name == wanted and section.data:
            return section.data, section.offset
    for table in sections:
        if table.kind != SHT_SYMTAB or not 0 < table.link < len(sections):
            continue
        strings = sections[table.link].data
        whole = len(table.data) // SYMBOL_ENTRY.size * SYMBOL_ENTRY.size
        for name_at, value, _size, _info, _other, index in SYMBOL_ENTRY.iter_unpack(table.data[:whole]):
            if _text(strings, name_at) != symbol or not 0 < index < len(sections):
                continue
            home = sections[index]
            # In a linked file the value is an address, in an object file an offset (symbol table, st_value).
            at = value - home.address if home.address <= value else value
            if at < len(home.data):
                return home.data[at:], home.offset + at
    return None


def read_sections(data: bytes, *, name: str) -> tuple[ElfSection, ...]:
    """Return all sections in the file's order; the first is the empty one that the format starts with."""
    if len(data) < HEADER_SIZE or data[:4] != MAGIC:
        raise _error(name, "no whole ELF header", 0)
    if data[4] != ELFCLASS32 or data[5] != ELFDATA2LSB:
        raise _error(name, f"class {data[4]} and byte order {data[5]}, 32 bits (1) and little-endian (1) expected", 4)
    fields = Struct("<" + HEADER).unpack_from(data, 16)
    shoff, shentsize, shnum, shstrndx = fields[5], fields[10], fields[11], fields[12]
    if shentsize != SECTION_HEADER.size or not 0 < shnum <= MOST_SECTIONS:
        raise _error(name, f"{shnum} section headers of {shentsize} bytes, some of {SECTION_HEADER.size} expected", 46)
    if shoff + shnum * SECTION_HEADER.size > len(data):
        raise _error(name, f"section headers at 0x{shoff:x} leave the file of 0x{len(data):x} bytes", 32)
    headers = [SECTION_HEADER.unpack_from(data, shoff + i * SECTION_HEADER.size) for i in range(shnum)]
    bodies = []
    for index, header in enumerate(headers):
        kind, offset, size = header[1], header[4], header[5]
        if kind in (0, SHT_NOBITS):
            bodies.append(b"")
            continue
        if offset + size > len(data):
            raise _error(
                name,
                f"section {index} takes bytes 0x{offset:x}..0x{offset + size:x}, the file ends at 0x{len(data):x}",
                shoff + index * SECTION_HEADER.size + 16,
            )
        bodies.append(data[offset : offset + size])
    strings = bodies[shstrndx] if shstrndx < shnum and headers[shstrndx][1] == SHT_STRTAB else b""
    return tuple(
        ElfSection(_text(strings, h[0]), h[1], h[3], h[4], body, h[6]) for h, body in zip(headers, bodies, strict=True)
    )


def _text(strings: bytes, at: int) -> str:
    end = strings.find(b"\0", at, at + _LONGEST_NAME)
    return strings[at:end].decode("utf-8", "replace") if end >= 0 else ""


def _error(name: str, found: str, offset: int) -> ImageError:
    return ImageError(
        found, where=f"{name}, byte offset 0x{offset:x}", next_step="the file is damaged or not what it seems"
    )
