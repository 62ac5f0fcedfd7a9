"""What each update procedure asks of a memory map, on a product's own part and sizes."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rootwright.describe.chip import MemoryKind
from rootwright.describe.product import ImageRole, Procedure, Product
from rootwright.device.procedures import needs
from rootwright.device.settings import find_flip_obstacle
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind, Traits, Wear

LIFT_SECTORS = 4  # of a rotating lift

TRAITS: dict[Procedure, Traits] = {
    Procedure.IN_PLACE: Traits(
        "in-place", "In-place", "1", "none", False, "one slot", False, "from erase to last byte; waits for the loader"
    ),
    Procedure.RECOVERY_IMAGE: Traits(
        "recovery-image", "Recovery image", "1 + recovery", "none", False, "one slot", True, "whole download"
    ),
    Procedure.COPY_OVER: Traits(
        "copy-over", "Copy-over", "2", "one way", False, "one slot, copied from staging", True, "one copy"
    ),
    Procedure.EXCHANGE_FIXED: Traits(
        "exchange-fixed", "Exchange, fixed lift", "2", "both ways", True, "one slot", True, "three copies"
    ),
    Procedure.EXCHANGE_ROTATING: Traits(
        "exchange-rotating", "Exchange, rotating lift", "2", "both ways", True, "one slot", True, "three copies"
    ),
    Procedure.EITHER_SLOT: Traits(
        "either-slot", "Either slot", "2", "none", True, "two slots, two link addresses", True, "one restart"
    ),
    Procedure.BANK_FLIP: Traits(
        "bank-flip", "Bank flip", "2", "none", True, "the bank that is mapped low", True, "one restart"
    ),
}


def demands(product: Product, sizes: Mapping[str, int]) -> tuple[Demand, ...]:
    """Return the demand of every known procedure; `sizes` gives each image's bytes by name.

    A procedure that the part cannot host has `impossible` set and still lists its blocks.
    """
    return tuple(demand(procedure, product, sizes) for procedure in Procedure)


def demand(procedure: Procedure, product: Product, sizes: Mapping[str, int]) -> Demand:
    """Return the demand of one procedure on `product`, pins and write protection included."""
    return needs.finished(product, _MAKERS[procedure](product, sizes))


def _runs(product: Product) -> tuple[str, ...]:
    return tuple(f"run:{image.name}" for image in product.updatable_images)


def _run_blocks(product: Product, sizes: Mapping[str, int], prefix: str = "run") -> tuple[Block, ...]:
    return tuple(needs.slot_block(product, image, sizes, prefix) for image in product.updatable_images)


def _stage_blocks(product: Product, sizes: Mapping[str, int]) -> tuple[Block, ...]:
    return tuple(needs.staging_block(product, image, sizes) for image in product.updatable_images)


def _log_wears(product: Product, journal_records: float) -> tuple[Wear, ...]:
    return (
        needs.log_wear(product, "journal", journal_records),
        needs.log_wear(product, "requests", 2),
        needs.log_wear(product, "floor", 1),
    )


def _in_place(product: Product, sizes: Mapping[str, int]) -> Demand:
    return Demand(
        TRAITS[Procedure.IN_PLACE],
        needs.common_blocks(product, sizes) + _run_blocks(product, sizes),
        wear=tuple(Wear(name, 1, 1, 1, 1) for name in _runs(product)) + _log_wears(product, 1),
        digests=2,
        ram=needs.smallest_sector(product, needs.record_memories(product)) + 4096,
    )


def _recovery_image(product: Product, sizes: Mapping[str, int]) -> Demand:
    found = product.find_images(ImageRole.RECOVERY)
    blocks = needs.common_blocks(product, sizes) + _run_blocks(product, sizes)
    for image in found:
        blocks += (
            Block(
                "recovery",
                BlockRole.RECOVERY,
                needs.content_size(image, sizes),
                needs.grown_size(image, sizes),
                needs.run_memories(product, image),
                image=image.name,
                header=image.header_bytes,
                vector_align=needs.vector_alignment(product),
                at=image.at,
                size=image.size,
            ),
        )
    return Demand(
        TRAITS[Procedure.RECOVERY_IMAGE],
        blocks,
        wear=tuple(Wear(name, 1, 1, 1, 1) for name in _runs(product)) + _log_wears(product, 1),
        digests=2,
        ram=needs.smallest_sector(product, needs.record_memories(product)) + 4096,
        impossible="" if found else "the product names no image with the role 'recovery image'",
    )


def _copy_over(product: Product, sizes: Mapping[str, int]) -> Demand:
    stages = tuple(f"stage:{image.name}" for image in product.updatable_images)
    return Demand(
        TRAITS[Procedure.COPY_OVER],
        needs.common_blocks(product, sizes) + _run_blocks(product, sizes) + _stage_blocks(product, sizes),
        ties=tuple(needs.same_size(run, stage) for run, stage in zip(_runs(product), stages, strict=True)),
        wear=(
            *(Wear(name, 1, 1, 1, 1) for name in _runs(product)),
            *(Wear(name, 1, 1) for name in stages),
            *_log_wears(product, 3),
        ),
        digests=3,
        ram=4096 + 2048,
    )


def _exchange(product: Product, sizes: Mapping[str, int], *, rotating: bool) -> Demand:
    runs = _runs(product)
    stages = tuple(f"stage:{image.name}" for image in product.updatable_images)
    lift = Block(
        "lift",
        BlockRole.LIFT,
        content=1,
        min_size=1,
        memories=needs.staging_memories(product),
        min_sectors=LIFT_SECTORS if rotating else 1,
    )
    moved = sum(-(-needs.grown_size(i, sizes) // _sector(product)) for i in product.updatable_images)
    return Demand(
        TRAITS[Procedure.EXCHANGE_ROTATING if rotating else Procedure.EXCHANGE_FIXED],
        (*needs.common_blocks(product, sizes), *_run_blocks(product, sizes), *_stage_blocks(product, sizes), lift),
        ties=(
            *(needs.same_size(run, stage) for run, stage in zip(runs, stages, strict=True)),
            *(Tie(TieKind.COMMON_MULTIPLE, pair) for pair in zip(runs, stages, strict=True)),
            Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("lift", *runs, *stages)),
        ),
        wear=(
            *(Wear(name, 1, 1, 1, 1) for name in runs),
            *(Wear(name, 2, 2, 1, 1) for name in stages),
            Wear("lift", 1, 1, 1, 1, per_sector_of=runs),
            *_log_wears(product, 3 * moved + 4),
        ),
        digests=4,
        ram=4096 + 2048,
    )


def _sector(product: Product) -> int:
    return max(1, needs.smallest_sector(product, needs.staging_memories(product)))


def _either_slot(product: Product, sizes: Mapping[str, int]) -> Demand:
    seconds = tuple(f"second:{image.name}" for image in product.updatable_images)
    return Demand(
        TRAITS[Procedure.EITHER_SLOT],
        needs.common_blocks(product, sizes) + _run_blocks(product, sizes) + _run_blocks(product, sizes, "second"),
        wear=(*(Wear(name, 0.5, 0.5) for name in _runs(product) + seconds), *_log_wears(product, 4)),
        digests=2,
        ram=4096 + 1024,
    )


def _bank_flip(product: Product, sizes: Mapping[str, int]) -> Demand:
    seconds = tuple(f"second:{image.name}" for image in product.updatable_images)
    chip = product.chip
    banked = [m.name for m in chip.memories if m.kind is MemoryKind.FLASH and m.banks == 2]
    settings = [m for m in chip.memories if m.kind is MemoryKind.SETTINGS]
    why = ""
    if not banked:
        why = f"no memory of {chip.name} has two banks"
    elif not settings:
        why = f"{chip.name} describes no settings area that says which bank is mapped low"
    else:
        why = find_flip_obstacle(chip)
    common = needs.common_blocks(product, sizes)
    blocks: list[Block] = []
    ties: list[Tie] = []
    for block in common:
        blocks.append(block)
        if block.name == "boot" and banked:
            blocks.append(
                Block(
                    "boot-copy",
                    BlockRole.BOOT,
                    block.content,
                    block.min_size,
                    (banked[0],),
                    image=block.image,
                    header=block.header,
                    vector_align=block.vector_align,
                )
            )
            ties.append(Tie(TieKind.OPPOSITE_BANK, ("boot", "boot-copy")))
    for run, second in zip(_run_blocks(product, sizes), _run_blocks(product, sizes, "second"), strict=True):
        blocks += [run, second]
        ties.append(Tie(TieKind.OPPOSITE_BANK, (run.name, second.name)))
    return Demand(
        TRAITS[Procedure.BANK_FLIP],
        tuple(blocks),
        ties=tuple(ties),
        wear=(*(Wear(name, 0.5, 0.5) for name in _runs(product) + seconds), *_log_wears(product, 4)),
        digests=2,
        ram=4096 + 1024,
        impossible=why,
    )


_MAKERS: dict[Procedure, Callable[[Product, Mapping[str, int]], Demand]] = {
    Procedure.IN_PLACE: _in_place,
    Procedure.RECOVERY_IMAGE: _recovery_image,
    Procedure.COPY_OVER: _copy_over,
    Procedure.EXCHANGE_FIXED: lambda product, sizes: _exchange(product, sizes, rotating=False),
    Procedure.EXCHANGE_ROTATING: lambda product, sizes: _exchange(product, sizes, rotating=True),
    Procedure.EITHER_SLOT: _either_slot,
    Procedure.BANK_FLIP: _bank_flip,
}
