"""Random parts and demands for the comparison of the search with a constraint solver: small, but with every rule."""

from __future__ import annotations

import random
from dataclasses import replace

from rootwright.describe.chip import (
    Architecture,
    Chip,
    CryptoSpeeds,
    Memory,
    MemoryKind,
    Protection,
    ProtectionKind,
    SectorRun,
    Timing,
)
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind, Traits

TRAITS = Traits("test", "Test", "1", "none", False, "one slot", True, "none")


def chip_of(memories: tuple[Memory, ...], granule: int = 0, covers: tuple[str, ...] = ("flash",)) -> Chip:
    protections = (Protection(ProtectionKind.WRITE_PROTECTION, covers, granule),) if granule else ()
    return Chip(
        name="part",
        title="Part",
        architecture=Architecture.ARMV7_M,
        clock_hz=1e6,
        memories=memories,
        protections=protections,
        crypto=CryptoSpeeds(Timing(0.001, 0.001), ()),
        reset_address=memories[0].base,
        interrupts=16,
        vector_table_relocatable=True,
        strength=1,
        typical=True,
    )


def flash(name: str, base: int, runs: list[tuple[int, int]], **more: object) -> Memory:
    return Memory(
        name,
        more.pop("kind", MemoryKind.FLASH),  # type: ignore[arg-type]
        base,
        tuple(SectorRun(count, size) for count, size in runs),
        program_unit=8,
        tear_unit=8,
        **more,  # type: ignore[arg-type]
    )


def random_case(seed: int) -> tuple[Demand, Chip]:
    """Return a demand and a part; the seed decides all."""
    rng = random.Random(seed)
    runs = _random_runs(rng)
    banks = 2 if rng.random() < 0.35 else 1
    if banks == 2:
        runs = runs + runs if rng.random() < 0.7 else _even_halves(rng)
    memories = [flash("flash", 0x0800_0000, runs, banks=banks)]
    if rng.random() < 0.4:
        memories.append(flash("outer", 0x9000_0000, [(rng.randint(2, 10), rng.choice((512, 1024, 2048)))]))
    granule = rng.choice((0, 1024, 2048, 4096))
    if granule and banks == 2 and (memories[0].size // 2) % granule:
        granule = 256
    covers = tuple(m.name for m in memories) if rng.random() < 0.4 else ("flash",)
    chip = chip_of(tuple(memories), granule, covers)
    total = sum(m.size for m in memories)
    count = rng.randint(2, 7)
    fill = rng.choice((0.3, 0.4, 0.5, 0.6, 0.8, 1.0))
    shares = [rng.random() ** 2 + 0.05 for _ in range(count)]
    blocks = []
    for i, share in enumerate(shares):
        size = max(1, int(total * fill * share / sum(shares)) + rng.randint(-200, 100))
        names = [m.name for m in memories]
        rng.shuffle(names)
        block = Block(
            f"b{i}", BlockRole.SLOT if i % 2 else BlockRole.KEEP, size, size, tuple(names[: rng.randint(1, len(names))])
        )
        if rng.random() < 0.2:
            block = replace(block, header=rng.choice((0, 0, 256, 512, 1024)), vector_align=rng.choice((256, 512, 2048)))
        if rng.random() < 0.2:
            block = replace(block, exclusive=False)
        if granule and rng.random() < 0.25:
            block = replace(block, write_protect=True)
        if rng.random() < 0.15:
            block = replace(block, min_sectors=rng.randint(2, 3), min_size=min(size, 1500))
        if banks == 2 and rng.random() < 0.15:
            block = replace(block, bank=rng.randint(0, 1))
        if rng.random() < 0.12:
            block = _pinned(rng, block, chip)
        blocks.append(block)
    if rng.random() < 0.4:  # one image in two or three blocks: they shrink together
        for i in rng.sample(range(count), min(count, rng.randint(2, 3))):
            blocks[i] = replace(blocks[i], image="application")
    ties = _random_ties(rng, blocks, chip)
    return Demand(TRAITS, tuple(blocks), tuple(ties)), chip


def _random_runs(rng: random.Random) -> list[tuple[int, int]]:
    if rng.random() < 0.35:
        return [(rng.randint(4, 14), rng.choice((512, 1024, 2048)))]
    return [(rng.randint(1, 4), rng.choice((512, 1024, 1024, 2048, 4096, 1536))) for _ in range(rng.randint(2, 4))]


def _even_halves(rng: random.Random) -> list[tuple[int, int]]:
    """Two halves of one size whose sectors differ."""
    return [(4, 1024), (2, 2048), (2, 1024), (3, 2048)] if rng.random() < 0.5 else [(3, 2048), (2, 1024), (4, 2048)]


def _pinned(rng: random.Random, block: Block, chip: Chip) -> Block:
    memory = chip.memory(block.memories[0])
    bounds = [s.address for s in memory.sectors()]
    at = rng.choice(bounds) + (rng.choice((0, 8, 256)) if not block.exclusive else 0)
    if rng.random() < 0.1:
        at += 64
    size = None
    if rng.random() < 0.3:
        ends = [b - at for b in [*bounds, memory.end] if b > at]
        size = rng.choice(ends) if ends else None
    if rng.random() < 0.3 and size is not None:
        return replace(block, size=size)
    return replace(block, at=at, size=size)


def _random_ties(rng: random.Random, blocks: list[Block], chip: Chip) -> list[Tie]:
    ties: list[Tie] = []
    names = [b.name for b in blocks]
    for kind, chance in (
        (TieKind.SAME_SIZE, 0.35),
        (TieKind.SAME_PATTERN, 0.15),
        (TieKind.AT_LEAST_LARGEST_SECTOR, 0.2),
        (TieKind.COMMON_MULTIPLE, 0.2),
        (TieKind.COMMON_MULTIPLE, 0.1),
    ):
        if rng.random() < chance:
            chosen = rng.sample(names, min(len(names), rng.choice((2, 2, 3))))
            ties.append(Tie(kind, tuple(chosen)))
    if chip.memories[0].banks == 2 and rng.random() < 0.5:
        chosen = rng.sample(names, 2)
        ties.append(Tie(TieKind.OPPOSITE_BANK, tuple(chosen)))
        rest = [n for n in names if n not in chosen]
        if len(rest) >= 2 and rng.random() < 0.4:
            ties.append(Tie(TieKind.OPPOSITE_BANK, tuple(rng.sample(rest, 2))))
    return ties
