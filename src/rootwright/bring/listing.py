"""What was found about a part, as lines for a terminal and as plain data."""

from __future__ import annotations

from typing import Any, TypeVar

from rootwright.bring.facts import Fact
from rootwright.bring.part import MergedMemory, MergedPart
from rootwright.bring.product_import import ProposedProduct
from rootwright.describe.units import address_words, size_words

T = TypeVar("T")


def part_lines(part: MergedPart) -> list[str]:
    """Return one line for each file and each thing that was found."""
    lines = [f"read {name}: {what}" for name, what in part.files]
    if part.name is not None:
        lines.append(f"  part      {part.name.value}  ({part.name.source})")
    if part.architecture is not None:
        lines.append(f"  core      {part.architecture.value.value}  ({part.architecture.source})")
    for memory in part.memories:
        place = f"{size_words(memory.size.value)} from {address_words(memory.base.value)}"
        pattern = ""
        if memory.runs is not None:
            pattern = ", " + " + ".join(f"{run.count} x {size_words(run.size)}" for run in memory.runs.value)
        source = memory.runs.source if memory.runs is not None else memory.base.source
        lines.append(f"  memory    {memory.name}, {place}{pattern}  ({source})")
    for peripheral in dict.fromkeys(cell.peripheral for cell in part.cells):
        own = [cell for cell in part.cells if cell.peripheral == peripheral]
        lines.append(
            f"  settings  {peripheral}, {len(own)} registers from {address_words(own[0].address)}  ({own[0].source})"
        )
    lines += [
        f"  pinned    {p.name}, {size_words(p.size)} from {address_words(p.address)}  ({p.source})"
        for p in part.partitions
    ]
    for memory in part.memories:
        lines += [f"  differ    {text}" for text in memory.differ]
    lines += [f"  differ    {text}" for text in part.differ]
    lines += [f"  note      {note.value}  ({note.source})" for note in part.notes]
    return lines


def part_data(part: MergedPart) -> dict[str, Any]:
    """Return what was found as plain data; each value with its source."""
    return {
        "files": [{"name": name, "what": what} for name, what in part.files],
        "name": _fact(part.name),
        "architecture": _fact(part.architecture),
        "clock_hz": _fact(part.clock_hz),
        "reset_address": _fact(part.reset_address),
        "interrupts": _fact(part.interrupts),
        "vector_table_relocatable": _fact(part.vector_table_relocatable),
        "protection_unit": _fact(part.protection_unit),
        "memories": [_memory(memory) for memory in part.memories],
        "settings": [
            {
                "peripheral": cell.peripheral,
                "name": cell.name,
                "address": cell.address,
                "size": cell.size,
                "access": cell.access,
                "reset": cell.reset,
                "source": cell.source,
                "fields": [{"name": f.name, "low": f.low, "width": f.width, "access": f.access} for f in cell.fields],
            }
            for cell in part.cells
        ],
        "partitions": [
            {"name": p.name, "address": p.address, "size": p.size, "read_only": p.read_only, "source": p.source}
            for p in part.partitions
        ],
        "differ": [*part.differ, *(text for memory in part.memories for text in memory.differ)],
        "notes": [{"text": note.value, "source": note.source} for note in part.notes],
    }


def _memory(memory: MergedMemory) -> dict[str, Any]:
    runs = memory.runs
    pattern = None
    if runs is not None:
        pattern = {"value": [{"count": r.count, "size": r.size} for r in runs.value], "source": runs.source}
    return {
        "name": memory.name,
        "kind": memory.kind.value if memory.kind_known else None,
        "base": _fact(memory.base),
        "size": _fact(memory.size),
        "sectors": pattern,
        "program_unit": _fact(memory.program_unit),
        "erased": _fact(memory.erased),
        "executable": _fact(memory.executable),
    }


def _fact(fact: Fact[T] | None) -> dict[str, Any] | None:
    return None if fact is None else {"value": fact.value, "source": fact.source}


def product_lines(product: ProposedProduct) -> list[str]:
    """Return one line for each image, block and keep-area of a proposed product, with what it was told by."""
    lines = []
    for image in product.images:
        file = image.file
        version = f" {file.version}" if file.version else ""
        lines.append(f"  image   {image.name}{version}, {image.role.value}, told by {image.role_from}")
        if file.header:
            lines.append(f"          a header of {file.header} bytes in front of its first byte")
        if file.vectors is not None:
            lines.append(f"          its vector table is at {address_words(file.image.start + file.vectors)}")
        for label, other in (("second slot", image.second), ("installed version", image.precursor)):
            if other is not None:
                lines.append(f"          {label}: {other.name}")
    for block in product.blocks:
        size = f", {size_words(block.size)}" if block.size is not None else ""
        lines.append(f"  pin     {block.block} at {address_words(block.address)}{size}, told by {block.told}")
    lines += [
        f"  keep    {keep.name} at {address_words(keep.address)}, {size_words(keep.size)}, told by {keep.told}"
        for keep in product.keeps
    ]
    lines.append(f"  update  {product.procedure.value}, told by {product.procedure_from}")
    lines += [f"  note    {note}" for note in product.notes]
    return lines


def product_data(product: ProposedProduct) -> dict[str, Any]:
    """Return a proposed product as plain data."""
    return {
        "chip": product.chip_name,
        "procedure": {"value": product.procedure.value, "told_by": product.procedure_from},
        "images": [
            {
                "name": image.name,
                "role": image.role.value,
                "told_by": image.role_from,
                "file": image.file.name,
                "version": image.file.version or None,
                "slot": image.file.slot,
                "header": image.file.header,
                "vectors": image.file.vectors,
                "second_file": image.second.name if image.second else None,
                "precursor": image.precursor.name if image.precursor else None,
            }
            for image in product.images
        ],
        "pins": [
            {"block": b.block, "at": b.address, "size": b.size, "told_by": b.told, "sure": b.sure}
            for b in product.blocks
        ],
        "keep": [{"name": k.name, "at": k.address, "size": k.size, "told_by": k.told} for k in product.keeps],
        "notes": list(product.notes),
    }
