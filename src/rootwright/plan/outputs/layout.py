"""The memory map for a build: a linker script fragment and a C header, with the same names and numbers."""

from __future__ import annotations

import re

from rootwright.describe.chip import Chip, MemoryKind
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region
from rootwright.plan.outputs.table import HEAD

_CODE = (BlockRole.BOOT, BlockRole.RECOVERY, BlockRole.SLOT)


def plain_name(name: str) -> str:
    """Return a block's or memory's name as C and linker scripts take it.

    Example:
        >>> plain_name("run:application"), plain_name("one-time")
        ('RUN_APPLICATION', 'ONE_TIME')
    """
    return re.sub(r"[^A-Z0-9]+", "_", name.upper())


def code_start(region: Region) -> int:
    """Return where the code of a slot begins: behind its header."""
    return region.address + region.header


def linker_fragment(chip: Chip, map_: Map, digest: str) -> str:
    """Return layout.ld: a MEMORY region and start, end and size symbols for each block, and RAM.

    A region of a block with code begins behind its header and ends before what its trailer takes is not known here: the
    header is left out, the trailer stays inside.
    """
    rows, symbols = [], []
    for region in map_.regions:
        name = plain_name(region.block)
        rights = "rx" if region.role in _CODE else "r"
        start = code_start(region)
        rows.append(f"    {name} ({rights}) : ORIGIN = 0x{start:08X}, LENGTH = 0x{region.end - start:08X}")
        low = name.lower()
        symbols += [
            f"layout_{low}_start = 0x{region.address:08X};",
            f"layout_{low}_end = 0x{region.end:08X};",
            f"layout_{low}_size = 0x{region.size:08X};",
        ]
    for memory in chip.memories:
        if memory.kind is MemoryKind.RAM:
            name = plain_name(memory.name)
            rows.append(f"    {name} (rwx) : ORIGIN = 0x{memory.base:08X}, LENGTH = 0x{memory.size:08X}")
    return "\n".join(
        [f"/* {HEAD}\n * {map_.chip}, {map_.procedure}, map {digest} */", "MEMORY", "{", *rows, "}", "", *symbols, ""]
    )


def c_header(chip: Chip, map_: Map, digest: str) -> str:
    """Return layout.h: start, size, end and start of code of each block, and the memories, as unsigned numbers."""
    rows = []
    for region in map_.regions:
        name = plain_name(region.block)
        rows += [
            f"#define LAYOUT_{name}_START 0x{region.address:08X}u",
            f"#define LAYOUT_{name}_SIZE  0x{region.size:08X}u",
            f"#define LAYOUT_{name}_END   0x{region.end:08X}u",
        ]
        if region.role in _CODE:
            rows.append(f"#define LAYOUT_{name}_CODE  0x{code_start(region):08X}u /* behind its header */")
    for memory in chip.memories:
        name = plain_name(memory.name)
        rows += [
            f"#define LAYOUT_MEMORY_{name}_START 0x{memory.base:08X}u",
            f"#define LAYOUT_MEMORY_{name}_SIZE  0x{memory.size:08X}u",
        ]
        if memory.erases:
            rows.append(f"#define LAYOUT_MEMORY_{name}_ERASE 0x{memory.erases[0].size:08X}u /* smallest sector */")
        if memory.kind is not MemoryKind.RAM:
            rows.append(f"#define LAYOUT_MEMORY_{name}_UNIT  0x{memory.program_unit:08X}u /* programmed at once */")
    return "\n".join(
        [
            f"/* {HEAD}\n * {map_.chip}, {map_.procedure} */",
            "#ifndef LAYOUT_H",
            "#define LAYOUT_H",
            "",
            f'#define LAYOUT_MAP "{digest}"',
            "",
            *rows,
            "",
            "#endif",
            "",
        ]
    )
