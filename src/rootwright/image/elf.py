"""ELF32 executables read into images: load segments by program headers, symbols where the file has them.

Segments come from the program headers alone, at their physical (load) addresses. Sections only name things; a file
without them reads the same. The one exception: where a load segment starts with the file's own header, which linkers
do when the page size lets them, the bytes before its first allocated section are left out, as flashing tools do.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

from rootwright.errors import ImageError
from rootwright.image import elfnumbers as n
from rootwright.image.joining import Piece, join_pieces
from rootwright.image.model import ADDRESS_END, Image, Section, Span, Symbol

_LOADS_LIMIT = 128
_NAME_LIMIT = 4096
_NAMES_TOTAL_LIMIT = 16 << 20


@dataclass(frozen=True, slots=True)
class _Load:
    index: int
    offset: int
    virtual: int
    physical: int
    file_size: int
    memory_size: int


@dataclass(frozen=True, slots=True)
class _SectionHeader:
    name: int
    kind: int
    flags: int
    address: int
    offset: int
    size: int
    link: int
    entry_size: int


def read_elf(data: bytes, *, name: str) -> Image:
    """Return the image of a linked little-endian ELF32 executable for Arm or RISC-V.

    Raises:
        ImageError: with the byte offset of the field that is wrong.
    """
    return _Reader(data, name).read()


class _Reader:
    def __init__(self, data: bytes, name: str) -> None:
        self.data = data
        self.name = name
        self._string_bytes = 0

    def fail(self, found: str, offset: int, next_step: str) -> NoReturn:
        raise ImageError(found, where=f"{self.name}, byte offset 0x{offset:x}", next_step=next_step)

    def need(self, offset: int, size: int, what: str, field_at: int) -> None:
        if offset + size > len(self.data):
            self.fail(
                f"{what} takes bytes 0x{offset:x}..0x{offset + size:x}, the file ends at 0x{len(self.data):x}",
                field_at,
                "the file was cut short or its header is damaged; copy or build it again",
            )

    def read(self) -> Image:
        entry, machine, program, sections = self._header()
        loads = list(self._loads(*program))
        self._require_plausible(loads)
        headers = list(self._section_headers(*sections[:2]))
        pieces = [self._piece(load, headers) for load in loads]
        segments = join_pieces(pieces, name=self.name)
        if not segments:
            self.fail(
                "no load segment holds bytes",
                28,
                "link the program; an object file or a file of debug data alone cannot be loaded",
            )
        return Image(
            self.name,
            "elf",
            machine,
            segments,
            entry or None,  # zero: no entry point (System V ABI, ELF header, e_entry)
            tuple(sorted(self._symbols(headers, machine), key=lambda s: (s.address, s.name, s.size, s.kind))),
            _ram(loads),
            tuple(self._named_sections(headers, sections[2], loads)),
        )

    def _header(self) -> tuple[int, str, tuple[int, int], tuple[int, int, int]]:
        data = self.data
        self.need(0, n.HEADER_SIZE, "the ELF header", 0)
        if data[4] != n.ELFCLASS32:
            word = "a 64-bit file" if data[4] == n.ELFCLASS64 else f"class {data[4]}"
            self.fail(f"{word}, 32-bit expected", 4, "link for the microcontroller, not for this computer")
        if data[5] not in (n.ELFDATA2LSB, n.ELFDATA2MSB):
            self.fail(f"byte order {data[5]} is neither little (1) nor big (2)", 5, "the file is damaged")
        order = "<" if data[5] == n.ELFDATA2LSB else ">"
        fields = struct.unpack_from(order + n.HEADER, data, 16)
        kind, machine, version, entry, phoff, shoff, _flags, ehsize, phentsize, phnum, shentsize, shnum, shstrndx = (
            fields
        )
        if machine not in n.MACHINES:
            self.fail(
                f"machine number {machine}, expected Arm ({n.EM_ARM}) or RISC-V ({n.EM_RISCV})",
                18,
                "link for the microcontroller, not for this computer",
            )
        if order == ">":
            self.fail(
                f"a big-endian {n.MACHINES[machine]} file, little-endian expected",
                5,
                "build little-endian; big-endian parts are not supported",
            )
        if data[6] != 1 or version != 1:
            at, found = (6, data[6]) if data[6] != 1 else (20, version)
            self.fail(f"ELF version {found}, expected 1", at, "the file is damaged; build it again")
        if ehsize < n.HEADER_SIZE:
            self.fail(f"ELF header of {ehsize} bytes, expected {n.HEADER_SIZE}", 40, "the file is damaged")
        if kind != n.ET_EXEC:
            words = {n.ET_REL: "an object file that is not linked", n.ET_DYN: "a position-independent file"}
            self.fail(
                f"{words.get(kind, f'file type {kind}')}, expected a linked executable (2)",
                16,
                "link it to its address (no -c, no -r, no -pie, no -shared)",
            )
        if phnum == 0 or phnum == n.PN_XNUM or phentsize != n.PROGRAM_HEADER.size:
            self.fail(
                f"{phnum} program headers of {phentsize} bytes, expected 1..65534 of {n.PROGRAM_HEADER.size}",
                42,
                "the file is damaged or was not linked",
            )
        self.need(phoff, phnum * phentsize, "the program header table", 28)
        if shoff == 0:
            shnum = 0
        elif shnum == 0 or shentsize != n.SECTION_HEADER.size:
            self.fail(
                f"{shnum} section headers of {shentsize} bytes, expected some of {n.SECTION_HEADER.size}",
                46,
                "the file is damaged; build it again",
            )
        self.need(shoff, shnum * n.SECTION_HEADER.size, "the section header table", 32)
        return entry, n.MACHINES[machine], (phoff, phnum), (shoff, shnum, shstrndx)

    def _loads(self, phoff: int, phnum: int) -> Iterator[_Load]:
        for index in range(phnum):
            at = phoff + index * n.PROGRAM_HEADER.size
            kind, offset, virtual, physical, file_size, memory_size, _flags, _align = n.PROGRAM_HEADER.unpack_from(
                self.data, at
            )
            if kind != n.PT_LOAD:
                continue
            what = f"load segment {index}"
            if file_size > memory_size:
                self.fail(
                    f"{what} has {file_size} bytes in the file but only {memory_size} in memory",
                    at + 16,
                    "the header is damaged; build the file again",
                )
            if file_size:
                self.need(offset, file_size, what, at + 4)
            if physical + file_size > ADDRESS_END or virtual + memory_size > ADDRESS_END:
                self.fail(
                    f"{what} of {memory_size} bytes at 0x{physical:08x} (run address 0x{virtual:08x}) "
                    "wraps past the 32-bit address space",
                    at + 8,
                    "check the linker script's addresses",
                )
            yield _Load(index, offset, virtual, physical, file_size, memory_size)

    def _require_plausible(self, loads: list[_Load]) -> None:
        if len(loads) > _LOADS_LIMIT or sum(load.file_size for load in loads) > len(self.data):
            self.fail(
                f"{len(loads)} load segments with {sum(load.file_size for load in loads)} bytes, from a file of "
                f"{len(self.data)}; at most {_LOADS_LIMIT} segments, and no byte loaded twice",
                28,
                "the program headers are damaged; build the file again",
            )

    def _piece(self, load: _Load, headers: list[_SectionHeader]) -> Piece:
        skip = 0
        held = [h.offset for h in headers if h.flags & n.SHF_ALLOC and h.kind != n.SHT_NOBITS and h.size]
        if load.offset == 0 and load.file_size and held:
            skip = min((at for at in held if 0 < at < load.file_size), default=load.file_size)
        return Piece(
            load.physical + skip,
            self.data[load.offset + skip : load.offset + load.file_size],
            f"load segment {load.index}",
        )

    def _section_headers(self, shoff: int, shnum: int) -> Iterator[_SectionHeader]:
        for index in range(shnum):
            at = shoff + index * n.SECTION_HEADER.size
            name, kind, flags, address, offset, size, link, _info, _align, entry_size = n.SECTION_HEADER.unpack_from(
                self.data, at
            )
            if index and kind not in (0, n.SHT_NOBITS):
                self.need(offset, size, f"section {index}", at + 16)
            yield _SectionHeader(name, kind, flags, address, offset, size, link, entry_size)

    def _named_sections(self, headers: list[_SectionHeader], shstrndx: int, loads: list[_Load]) -> Iterator[Section]:
        if not 0 < shstrndx < len(headers) or headers[shstrndx].kind != n.SHT_STRTAB:
            return
        found = []
        for header in headers[1:]:
            if not header.flags & n.SHF_ALLOC or header.kind == n.SHT_NOBITS or not header.size:
                continue
            for load in loads:
                start = header.offset - load.offset
                if start >= 0 and start + header.size <= load.file_size:
                    title = self._text(headers[shstrndx], header.name)
                    found.append(Section(title, load.physical + start, header.size))
                    break
        yield from sorted(found, key=lambda section: (section.address, section.name, section.size))

    def _symbols(self, headers: list[_SectionHeader], machine: str) -> Iterator[Symbol]:
        tables = [(index, header) for index, header in enumerate(headers) if header.kind == n.SHT_SYMTAB]
        if len(tables) > 1:  # System V ABI, "Sections": one symbol table of this type in a file.
            self.fail("more than one symbol table", tables[1][1].offset, "the file is damaged; build it again")
        for index, table in tables:
            if table.entry_size != n.SYMBOL_ENTRY.size or table.size % n.SYMBOL_ENTRY.size:
                self.fail(
                    f"symbol table in section {index}: {table.size} bytes in entries of {table.entry_size}, "
                    f"expected entries of {n.SYMBOL_ENTRY.size}",
                    table.offset,
                    "the file is damaged; build it again",
                )
            if not 0 < table.link < len(headers) or headers[table.link].kind != n.SHT_STRTAB:
                self.fail(
                    f"symbol table in section {index} names section {table.link} for its strings, which is none",
                    table.offset,
                    "the file is damaged; build it again",
                )
            raw = self.data[table.offset : table.offset + table.size]
            for name_at, value, size, info, _other, section in n.SYMBOL_ENTRY.iter_unpack(raw):
                kind = info & 15
                if section == n.SHN_UNDEF or kind not in (n.STT_NOTYPE, n.STT_OBJECT, n.STT_FUNC) or not name_at:
                    continue
                name = self._text(headers[table.link], name_at)
                if not name or (name[:2] in n.MAPPING_SYMBOLS and kind == n.STT_NOTYPE):
                    continue
                if kind == n.STT_FUNC:
                    yield Symbol(name, value & ~1 if machine == "arm" else value, size, "function")
                else:
                    yield Symbol(name, value, size, "object" if kind == n.STT_OBJECT else "other")

    def _text(self, strings: _SectionHeader, at: int) -> str:
        start = strings.offset + at
        limit = min(strings.offset + strings.size, start + _NAME_LIMIT)
        end = self.data.find(b"\0", start, limit) if at < strings.size else -1
        if end < 0:
            self.fail(
                f"a name at 0x{at:x} of the string table has no end within it or within {_NAME_LIMIT} bytes",
                strings.offset,
                "the file is damaged; build it again",
            )
        self._string_bytes += end - start
        if self._string_bytes > _NAMES_TOTAL_LIMIT:
            self.fail(
                f"names take more than {_NAMES_TOTAL_LIMIT} bytes altogether",
                strings.offset,
                "strip the file; names that share their bytes this way are not from a linker",
            )
        return self.data[start:end].decode("utf-8", "backslashreplace")


def _ram(loads: list[_Load]) -> tuple[Span, ...]:
    """Return where the program needs RAM before it runs: copied data, zeroed data, reserved stack."""
    wanted = []
    for load in loads:
        if load.virtual != load.physical and load.file_size:
            wanted.append((load.virtual, load.virtual + load.memory_size))
        elif load.memory_size > load.file_size:
            wanted.append((load.virtual + load.file_size, load.virtual + load.memory_size))
    joined: list[tuple[int, int]] = []
    for start, end in sorted(wanted):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(Span(start, end - start) for start, end in joined)
