"""The device structure of an open-pack flash algorithm: where a flash lies, its sectors, its erased value.

Source: Open-CMSIS-Pack, "Flash Programming": `struct FlashDevice` of FlashOS.h, in the section DevDscr. Layout with the
natural alignment of a 32-bit core (field order and widths quoted from memory):

| offset | bytes | field |
|---|---|---|
| 0 | 2 | Vers: version of the interface, 0x0100 and up |
| 2 | 128 | DevName |
| 130 | 2 | DevType: 1 on-chip, 2 to 4 external parallel, 5 external serial |
| 132, 136 | 4, 4 | DevAdr, szDev |
| 140 | 4 | szPage: what the algorithm is handed at once |
| 144 | 4 | reserved |
| 148 | 1 | valEmpty |
| 152, 156 | 4, 4 | toProg, toErase: time-outs in milliseconds |
| 160 | 8 each | sectors: szSector, AddrSector (from DevAdr); ended by 0xFFFFFFFF twice |
"""

from __future__ import annotations

from struct import Struct, iter_unpack

from rootwright.bring.elf_sections import find_section
from rootwright.bring.facts import Fact, MemoryFacts, PartFacts, Weight
from rootwright.describe.chip import MemoryKind, SectorRun
from rootwright.errors import ImageError

WHAT = "flash algorithm (Open-CMSIS-Pack)"
HEAD = Struct("<H128sHIIIIBxxxII")
END = 0xFFFF_FFFF
MOST_SECTORS = 512
EXTERNAL_TYPES = (2, 3, 4, 5)
_KINDS = {1: MemoryKind.FLASH, **dict.fromkeys(EXTERNAL_TYPES, MemoryKind.EXTERNAL)}


def read_flash_algorithm(data: bytes, *, name: str) -> PartFacts:
    """Return the memory that a flash algorithm is for.

    Raises:
        ImageError: No ELF file, no device structure in it, or one that contradicts itself; with the byte offset.
    """
    found = find_section(data, "DevDscr", "FlashDevice", name=name)
    if found is None:
        raise ImageError(
            "neither a section DevDscr nor a symbol FlashDevice",
            where=name,
            next_step="name a flash algorithm; firmware goes into `rootwright import`",
        )
    body, at = found
    if len(body) < HEAD.size:
        raise _error(name, at, f"{len(body)} bytes, at least {HEAD.size} expected")
    version, raw_name, kind, base, size, page, _reserved, empty, program_ms, erase_ms = HEAD.unpack_from(body)
    if version >> 8 != 1:
        raise _error(name, at, f"interface version 0x{version:04x}, 0x01.. expected")
    if size == 0 or base + size > 1 << 32:
        raise _error(name, at + 132, f"{size} bytes at 0x{base:08x}, which is no range of 32-bit addresses")
    here = f"{name}, FlashDevice at 0x{at:x}"
    title = raw_name.partition(b"\0")[0].decode("utf-8", "replace")
    title = "".join(c for c in title if c.isprintable()).strip()
    notes = [
        f"the algorithm programs {page} bytes at a time; the unit of the flash may be less",
        f"its time-outs, {program_ms} ms a page and {erase_ms} ms a sector, are a programmer's limits, not the flash's",
    ]
    memory = MemoryFacts(
        called=title or "flash",
        weight=Weight.FLASH_ALGORITHM,
        base=Fact(base, here),
        size=Fact(size, here),
        kind=Fact(_KINDS[kind], here) if kind in _KINDS else None,
        runs=Fact(_runs(body, base, size, name, at), here),
        erased=Fact(empty, here) if empty in (0x00, 0xFF) else None,
        notes=tuple(Fact(note, here) for note in notes),
    )
    return PartFacts(name, WHAT, memories=(memory,))


def _runs(body: bytes, base: int, size: int, name: str, at: int) -> tuple[SectorRun, ...]:
    whole = (len(body) - HEAD.size) // 8 * 8
    pairs: list[tuple[int, int]] = []
    for sector, start in iter_unpack("<II", body[HEAD.size : HEAD.size + whole]):
        if (sector, start) == (END, END):
            break
        if len(pairs) == MOST_SECTORS:
            raise _error(name, at + HEAD.size, f"more than {MOST_SECTORS} sector sizes")
        pairs.append((sector, start))
    else:
        raise _error(name, at + HEAD.size, "a sector list without its end, 0xFFFFFFFF twice")
    if pairs and base and pairs[0][1] == base:  # seen in practice: absolute addresses in place of offsets
        pairs = [(sector, start - base) for sector, start in pairs]
    if not pairs or pairs[0][1] != 0:
        raise _error(name, at + HEAD.size, "a sector list that does not begin at the flash's first byte")
    runs = []
    for index, (sector, start) in enumerate(pairs):
        end = pairs[index + 1][1] if index + 1 < len(pairs) else size
        if sector == 0 or end <= start or (end - start) % sector:
            raise _error(
                name,
                at + HEAD.size + 8 * index,
                f"sectors of {sector} bytes from 0x{start:x} to 0x{end & 0xFFFFFFFF:x}, which are not whole",
            )
        runs.append(SectorRun((end - start) // sector, sector))
    return tuple(runs)


def _error(name: str, offset: int, found: str) -> ImageError:
    return ImageError(
        f"the device structure has {found}",
        where=f"{name}, byte offset 0x{offset:x}",
        next_step="get the flash algorithm again, or leave it out and fill the sectors in by hand",
    )
