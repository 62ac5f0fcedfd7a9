"""The blocks that procedures have in common, and what each asks of the map (`Demand`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import ceil, lcm

from rootwright.describe.chip import Chip, Memory, MemoryKind, Reprogram
from rootwright.describe.product import ImageRole, ImageSpec, Product
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind, Wear

RECORD_BYTES = 32  # one journal record: sequence, fields and check code
KEY_BYTES = 1024  # trust anchors, identifiers and their copies


def grown_size(image: ImageSpec, sizes: Mapping[str, int]) -> int:
    """Return the bytes that `image` may come to need: content with header and trailer, plus its growth allowance."""
    return -(-int(content_size(image, sizes) * (1 + image.growth) * 1000) // 1000)


def content_size(image: ImageSpec, sizes: Mapping[str, int]) -> int:
    """Return the bytes that `image` takes in its slot today, header and trailer included."""
    return sizes[image.name] + image.around_bytes


def run_memories(product: Product, image: ImageSpec) -> tuple[str, ...]:
    """Return the names of the memories that code may run from, internal before external."""
    if image.memory is not None:
        return (image.memory,)
    return _names(product.chip, executable=True)


def staging_memories(product: Product) -> tuple[str, ...]:
    """Return the names of the memories that can hold a staged image, internal before external."""
    if product.update.staging is not None:
        return (product.update.staging,)
    return _names(product.chip, executable=False)


def record_memories(product: Product) -> tuple[str, ...]:
    """Return the names of the memories for logs and keep-areas: internal ones, external where there is no other."""
    internal = tuple(m.name for m in product.chip.memories if m.kind is MemoryKind.FLASH)
    return internal or _names(product.chip, executable=False)


def _names(chip: Chip, *, executable: bool) -> tuple[str, ...]:
    order = {MemoryKind.FLASH: 0, MemoryKind.EXTERNAL: 1}
    fit = [m for m in chip.memories if m.kind in order and (m.executable or not executable)]
    return tuple(m.name for m in sorted(fit, key=lambda m: order[m.kind]))


def smallest_sector(product: Product, names: tuple[str, ...]) -> int:
    """Return the smallest sector size in bytes among the named memories; 1 where there is none."""
    sizes = [run.size for name in names for run in product.chip.memory(name).runs]
    return min(sizes, default=1)


def vector_alignment(product: Product) -> int:
    """Return what a slot's vector table must be aligned to on this part, in bytes."""
    return product.chip.vector_table_alignment if product.chip.vector_table_relocatable else 1


def slot_block(product: Product, image: ImageSpec, sizes: Mapping[str, int], prefix: str) -> Block:
    """Return the block of one copy of `image` that code runs from: "run:..." or "second:..."."""
    first = prefix == "run"
    return Block(
        name=f"{prefix}:{image.name}",
        role=BlockRole.SLOT,
        content=content_size(image, sizes),
        min_size=grown_size(image, sizes),
        memories=run_memories(product, image),
        image=image.name,
        header=image.header_bytes,
        vector_align=vector_alignment(product),
        at=image.at if first else None,
        size=image.size if first else None,
    )


def staging_block(product: Product, image: ImageSpec, sizes: Mapping[str, int]) -> Block:
    """Return the block where a new version of `image` is staged."""
    return Block(
        name=f"stage:{image.name}",
        role=BlockRole.STAGING,
        content=content_size(image, sizes),
        min_size=grown_size(image, sizes),
        memories=staging_memories(product),
        image=image.name,
        header=image.header_bytes,
    )


def log_block(product: Product, name: str, role: BlockRole) -> Block:
    """Return a log of two sectors: one is erased while the other still holds the newest record."""
    memories = record_memories(product)
    record = record_bytes(product)
    return Block(name, role, 8 * record, 2 * record, memories, min_sectors=2)


def record_bytes(product: Product) -> int:
    """Return the bytes of one record: whole tear units, so that a cut in one record leaves those before it alone.

    Where nothing may be programmed twice between two erases, a record also fills whole units of that rule. Where
    programming wraps at the end of a page, no record lies across one.
    """
    unit = 1
    memories = [product.chip.memory(name) for name in record_memories(product)]
    for memory in memories:
        unit = lcm(unit, memory.tear_unit, memory.reprogram_unit if memory.reprogram is Reprogram.NEVER else 1)
    size = -(-RECORD_BYTES // unit) * unit
    for memory in memories:
        while memory.page and size % memory.page and memory.page % size:
            size += unit
    return size


def floor_block(product: Product) -> Block:
    """Return the version floor: a log of two sectors, or one-time words for every rise in the fleet's life.

    A rise takes one program unit, or one bit where words can be programmed bit by bit.
    """
    name = product.update.floor
    if name is None:
        return log_block(product, "floor", BlockRole.FLOOR)
    memory = product.chip.memory(name)
    rises = max(1, ceil(product.fleet.updates_per_year * product.fleet.life_years))
    size = -(-rises // 8) if memory.reprogram is Reprogram.BITS else rises * memory.program_unit
    return Block("floor", BlockRole.FLOOR, size, size, (name,))


def log_wear(product: Product, name: str, records: float) -> Wear:
    """Return what `records` appended records in one update do to a log of two sectors, or of as many as are pinned."""
    sector = smallest_sector(product, record_memories(product))
    per_sector = max(1, sector // record_bytes(product))
    if name == "floor" and product.update.floor is not None:
        return Wear(name, erases=0.0, writes=0.0)
    pinned = next((pin.size for pin in product.pins if pin.block == name and pin.size is not None), 0)
    return Wear(name, erases=records / per_sector / max(2, pinned // sector), writes=0.0, install_erases=0.0)


def common_blocks(product: Product, sizes: Mapping[str, int]) -> tuple[Block, ...]:
    """Return the blocks that every procedure has: boot stage, keys, floor, request log, journal, keep-areas."""
    blocks: list[Block] = []
    for image in product.find_images(ImageRole.BOOT_STAGE):
        memory = _reset_memory(product.chip)
        boot = Block(
            name="boot",
            role=BlockRole.BOOT,
            content=content_size(image, sizes),
            min_size=grown_size(image, sizes),
            memories=(memory.name,) if memory else run_memories(product, image),
            image=image.name,
            header=image.header_bytes,
            vector_align=vector_alignment(product),
            at=image.at if image.at is not None else (reset_place(product.chip) if memory else None),
            size=image.size,
        )
        blocks.append(boot)
    records = record_memories(product)
    blocks.append(Block("keys", BlockRole.KEYS, KEY_BYTES, KEY_BYTES, records, exclusive=False))
    blocks.append(log_block(product, "journal", BlockRole.JOURNAL))
    blocks.append(log_block(product, "requests", BlockRole.REQUESTS))
    blocks.append(floor_block(product))
    for keep in product.keep:
        memories = (keep.memory,) if keep.memory else records
        blocks.append(Block(f"keep:{keep.name}", BlockRole.KEEP, keep.size, keep.size, memories, at=keep.at))
        if keep.migrate is not None:
            spare = (keep.migrate.memory,) if keep.migrate.memory else memories
            blocks.append(Block(f"spare:{keep.name}", BlockRole.KEEP, 0, keep.size, spare, at=keep.migrate.at))
            blocks.append(log_block(product, f"schema:{keep.name}", BlockRole.KEEP))
    return tuple(blocks)


def _reset_memory(chip: Chip) -> Memory | None:
    place = reset_place(chip)
    if place is None:
        return None
    return next(m for m in chip.memories if m.base <= place < m.end)


def reset_place(chip: Chip) -> int | None:
    """Return where the core starts, as an address of the memory itself; None where that is the part's own code."""
    for place in chip.find_places(chip.reset_address):
        for memory in chip.memories:
            if memory.executable and memory.kind is not MemoryKind.RAM and memory.base <= place < memory.end:
                return place
    return None


def same_size(*names: str) -> Tie:
    """Return the tie that makes the named blocks equally large."""
    return Tie(TieKind.SAME_SIZE, names)


def finished(product: Product, demand: Demand) -> Demand:
    """Return `demand` with the product's pins and write protection in its blocks, and ties for what migrates."""
    pins = {pin.block: pin for pin in product.pins}
    blocks = []
    for block in demand.blocks:
        pin = pins.get(block.name)
        if pin is not None:
            block = replace(
                block,
                at=block.at if pin.at is None else pin.at,
                size=block.size if pin.size is None else pin.size,
                memories=(pin.memory,) if pin.memory else block.memories,
            )
        once = block.name == "floor" and product.update.floor is not None  # one-time words need no protection
        blocks.append(replace(block, write_protect=block.name in product.protect and not once))
    there = {block.name for block in blocks}
    pairs = [(f"keep:{keep.name}", f"spare:{keep.name}") for keep in product.keep if keep.migrate is not None]
    ties = tuple(Tie(TieKind.SAME_PATTERN, pair) for pair in pairs if there.issuperset(pair))
    return replace(demand, blocks=tuple(blocks), ties=(*demand.ties, *ties))
