"""What a devicetree says of a part: flash with its erase and write block, RAM, core, fixed partitions.

Source: Devicetree Specification, release 0.4: `reg`, `ranges`, `#address-cells`, `#size-cells`, `device_type`, cpu
nodes. `erase-block-size`, `write-block-size` and `fixed-partitions` are of bindings in common use.
"""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.bring.cores import find_architecture
from rootwright.bring.devicetree import Node, Tree
from rootwright.bring.facts import Fact, MemoryFacts, PartFacts, Partition, Weight
from rootwright.describe.chip import Architecture, MemoryKind, SectorRun
from rootwright.errors import DescriptionError

WHAT = "devicetree source"
_RAM = ("mmio-sram",)
MOST_SECTORS = 1 << 16


def read_devicetree(tree: Tree, *, name: str) -> PartFacts:
    """Return flash, RAM, core and partitions that a devicetree describes.

    Raises:
        DescriptionError: A range or block size that cannot be meant; with its line.
    """
    memories: list[MemoryFacts] = []
    partitions: list[Partition] = []
    notes = [Fact(f"{text} was not followed", f"{name}:{line}") for line, text in tree.skipped]
    for node in tree.root.walk():
        if "disabled" in node.texts("status"):
            continue
        if "erase-block-size" in node.properties or "write-block-size" in node.properties:
            flash = _flash(node, name)
            if flash is None:
                text = f"{node.name} has block sizes and no range of addresses; say by hand where the core sees it"
                notes.append(Fact(text, f"{name}:{node.line}"))
                continue
            memories.append(flash)
            partitions += _partitions(node, flash, name)
        elif "memory" in node.texts("device_type") or set(node.texts("compatible")) & set(_RAM):
            for address, size in _ranges(node, name):
                memories.append(_ram(node, address, size, name))
    title = next(iter(tree.root.texts("model")), "")
    title = title or next(iter(tree.root.texts("compatible")), "").rpartition(",")[2]
    core, clock = _core(tree.root, name)
    return PartFacts(
        name,
        WHAT,
        name=Fact(title, f"{name}:{tree.root.line}") if title else None,
        architecture=core,
        clock_hz=clock,
        memories=tuple(memories),
        partitions=tuple(partitions),
        notes=tuple(notes),
    )


def _fail(name: str, line: int, found: str) -> DescriptionError:
    return DescriptionError(found, where=f"{name}:{line}", next_step="mend the file, or leave it out")


def _count(node: Node | None, tag: str, default: int, name: str) -> int:
    cells = node.cells(tag) if node is not None else []
    value = cells[0] if cells else default
    if not 0 <= value <= 2:
        line = node.properties[tag].line if node is not None and tag in node.properties else 1
        raise _fail(name, line, f"{tag} of {value}, 0 to 2 expected")
    return value


def _raw_ranges(node: Node, name: str) -> Iterator[tuple[int, int]]:
    cells = node.cells("reg")
    wide, long = _count(node.parent, "#address-cells", 2, name), _count(node.parent, "#size-cells", 1, name)
    step = wide + long
    if not cells:
        return
    line = node.properties["reg"].line
    if step == 0 or len(cells) % step:
        raise _fail(name, line, f"a reg of {len(cells)} cells, {wide} for an address and {long} for a size expected")
    for at in range(0, len(cells), step):
        yield _joined(cells[at : at + wide]), _joined(cells[at + wide : at + step])


def _joined(cells: list[int]) -> int:
    value = 0
    for cell in cells:
        value = value << 32 | (cell & 0xFFFF_FFFF)
    return value


def _ranges(node: Node, name: str) -> Iterator[tuple[int, int]]:
    """Yield the ranges of a node as the core sees them: through the `ranges` of all buses above it."""
    for address, size in _raw_ranges(node, name):
        bus = node.parent
        while bus is not None and bus.parent is not None:
            address = _translated(bus, address, name)
            bus = bus.parent
        if size == 0 or address + size > 1 << 32:
            line = node.properties["reg"].line
            raise _fail(name, line, f"{size} bytes at 0x{address:x}, which is no range of 32-bit addresses")
        yield address, size


def _translated(bus: Node, address: int, name: str) -> int:
    """Return an address on the bus above. Without `ranges` it is taken as it stands, as sources do in practice."""
    cells = bus.cells("ranges")
    own = _count(bus, "#address-cells", 2, name)
    above = _count(bus.parent, "#address-cells", 2, name)
    long = _count(bus, "#size-cells", 1, name)
    step = own + above + long
    if not cells:
        return address
    if step == 0 or len(cells) % step:
        raise _fail(name, bus.properties["ranges"].line, f"ranges of {len(cells)} cells, a multiple of {step} expected")
    for at in range(0, len(cells), step):
        child = _joined(cells[at : at + own])
        parent = _joined(cells[at + own : at + own + above])
        size = _joined(cells[at + own + above : at + step])
        if child <= address < child + size:
            return address - child + parent
    return address


def _flash(node: Node, name: str) -> MemoryFacts | None:
    if _count(node.parent, "#size-cells", 1, name) == 0:
        return None  # a number on a serial bus, no place in the core's address space
    found = next(_ranges(node, name), None)
    if found is None:
        return None
    address, size = found
    source = f"{name}:{node.line}"
    runs: Fact[tuple[SectorRun, ...]] | None = None
    unit = None
    if node.cells("erase-block-size"):
        sector = node.cells("erase-block-size")[0]
        line = node.properties["erase-block-size"].line
        if sector == 0 or size % sector or size // sector > MOST_SECTORS:
            raise _fail(name, line, f"erase blocks of {sector} bytes in a flash of {size}, which are not whole")
        runs = Fact((SectorRun(size // sector, sector),), f"{name}:{line}")
    if node.cells("write-block-size"):
        written = node.cells("write-block-size")[0]
        line = node.properties["write-block-size"].line
        if not 1 <= written <= 1 << 20 or size % written:
            raise _fail(name, line, f"write blocks of {written} bytes in a flash of {size}")
        unit = Fact(written, f"{name}:{line}")
    return MemoryFacts(
        called=node.labels[0] if node.labels else node.name,
        weight=Weight.DEVICETREE,
        base=Fact(address, source),
        size=Fact(size, source),
        kind=Fact(MemoryKind.FLASH, source),
        runs=runs,
        program_unit=unit,
    )


def _ram(node: Node, address: int, size: int, name: str) -> MemoryFacts:
    source = f"{name}:{node.line}"
    return MemoryFacts(
        called=node.labels[0] if node.labels else node.name,
        weight=Weight.DEVICETREE,
        base=Fact(address, source),
        size=Fact(size, source),
        kind=Fact(MemoryKind.RAM, source),
    )


def _partitions(flash: Node, memory: MemoryFacts, name: str) -> Iterator[Partition]:
    for holder in flash.children.values():
        if "fixed-partitions" not in holder.texts("compatible"):
            continue
        for node in holder.children.values():
            for offset, size in _raw_ranges(node, name):
                if size == 0 or offset + size > memory.size.value:
                    line = node.properties["reg"].line
                    raise _fail(name, line, f"a partition of {size} bytes at 0x{offset:x}, outside its flash")
                label = next(iter(node.texts("label")), "") or next(iter(node.labels), node.name)
                read_only = "read-only" in node.properties
                yield Partition(label, memory.base.value + offset, size, read_only, f"{name}:{node.line}")


def _core(root: Node, name: str) -> tuple[Fact[Architecture] | None, Fact[int] | None]:
    cpus = root.children.get("cpus")
    for node in cpus.children.values() if cpus is not None else ():
        found = None
        for word in (*node.texts("riscv,isa"), *node.texts("compatible")):
            found = find_architecture(word.partition("_")[0] if word.startswith("rv") else word)
            if found:
                break
        if found is None:
            continue
        clock = node.cells("clock-frequency")
        stated = Fact(clock[0], f"{name}:{node.line}") if clock and 0 < clock[0] <= 10**10 else None
        return Fact(found, f"{name}:{node.line}"), stated
    return None, None
