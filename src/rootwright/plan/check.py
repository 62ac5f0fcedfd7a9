"""Check a memory map, planned or given, against every rule; written apart from the search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from rootwright.describe.chip import Chip, Memory, Sector
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind
from rootwright.layout.map import Map, Region

RULES: dict[str, str] = {
    "map.blocks": "every block of the demand has one region, and no region is of another block",
    "map.memory": "a region lies inside one memory that its block may be in",
    "map.bank": "a block that must be in one bank lies in that bank",
    "map.size": "a region is at least as large as its block asks, in bytes and in sectors",
    "map.pin": "a pinned block lies at its pin and has its pinned size",
    "map.sectors": "a block that owns its sectors starts and ends on sector bounds",
    "map.overlap": "no two regions share a byte, nor a sector that one of them owns",
    "map.protect": "write protection covers a protected block and nothing unprotected",
    "map.vectors": "the vector table behind the header is aligned as the core asks",
    "map.reset": "a boot stage starts where the core starts",
    "map.same-size": "tied blocks have one size",
    "map.same-pattern": "tied blocks have sector bounds at the same offsets",
    "map.opposite": "the blocks of a pair lie at the same offset in the two banks, each wholly in its own",
    "map.lift": "the first block is at least as large as each sector of the others",
    "map.multiple": "tied blocks are cut at every multiple of the largest sector among them",
    "map.figures": "a region's sector numbers agree with its address and size",
}


@dataclass(frozen=True, slots=True)
class Violation:
    """One broken rule.

    Attributes:
        rule: A key of `RULES`.
        block: The block it is about.
        address: Where in the map.
        found: What is wrong, with figures.
        mend: What would put it right.
    """

    rule: str
    block: str
    address: int
    found: str
    mend: str


def check_map(plan: Map, demand: Demand, chip: Chip) -> tuple[Violation, ...]:
    """Return every broken rule of `plan`, in the order of the rules and then of addresses; empty where it holds."""
    found = list(_check_blocks(plan, demand))
    known = {region.block: region for region in plan.regions}
    pairs = [(block, known[block.name]) for block in demand.blocks if block.name in known]
    memories = {memory.name: memory for memory in chip.memories}
    sound: list[tuple[Block, Region, Memory]] = []
    for block, region in pairs:
        memory = memories.get(region.memory)
        if memory is None or region.memory not in block.memories:
            found.append(
                _broken("map.memory", region, f"it is in {region.memory}", f"move it to {_either(block.memories)}")
            )
        elif region.size <= 0 or region.address < memory.base or region.end > memory.end:
            inside = f"0x{memory.base:X} to 0x{memory.end:X}"
            mend = f"keep it between 0x{memory.base:X} and 0x{memory.end:X}"
            found.append(_broken("map.memory", region, f"it ends at 0x{region.end:X}, {memory.name} is {inside}", mend))
        else:
            sound.append((block, region, memory))
    whole = _takes_sectors(demand)
    for block, region, memory in sound:
        found += _check_one(block, region, memory, chip, whole=block.name in whole)
    found += _check_neighbours(sound, whole, chip)
    found += _check_reset(demand, known, chip)
    for tie in demand.ties:
        members = [(r, m) for name in tie.blocks for b, r, m in sound if b.name == name]
        if len(members) == len(tie.blocks):
            found += _check_tie(tie, members)
    order = {rule: i for i, rule in enumerate(RULES)}
    found.sort(key=lambda v: (order[v.rule], v.address, v.block))
    return tuple(found)


def _broken(rule: str, region: Region, found: str, mend: str) -> Violation:
    return Violation(rule, region.block, region.address, f"{region.block}: {found}", mend)


def _either(names: tuple[str, ...]) -> str:
    return " or ".join(names)


def _takes_sectors(demand: Demand) -> set[str]:
    sectorwise = {TieKind.SAME_PATTERN, TieKind.COMMON_MULTIPLE, TieKind.AT_LEAST_LARGEST_SECTOR}
    tied = {name for tie in demand.ties if tie.kind in sectorwise for name in tie.blocks}
    return {b.name for b in demand.blocks if b.exclusive or b.min_sectors > 1} | tied


def touched_sectors(memory: Memory, region: Region) -> list[Sector]:
    """Return the sectors of `memory` that a region shares a byte with, in order."""
    found: list[Sector] = []
    index, start, half = 0, memory.base, memory.base + memory.size // 2
    for run in memory.runs:
        end = start + run.count * run.size
        if start < region.end and region.address < end:
            first = max(0, (region.address - start) // run.size)
            last = min(run.count, -((start - region.end) // run.size))
            for number in range(first, last):
                at = start + number * run.size
                found.append(Sector(memory.name, index + number, at, run.size, int(memory.banks == 2 and at >= half)))
        index, start = index + run.count, end
    return found


def _granule(chip: Chip, memory: Memory) -> int | None:
    return min((max(1, p.granule) for p in chip.find_closers(memory.name)), default=None)


def _check_blocks(plan: Map, demand: Demand) -> Iterator[Violation]:
    names = [region.block for region in plan.regions]
    for block in demand.blocks:
        if names.count(block.name) != 1:
            count = names.count(block.name)
            yield Violation(
                "map.blocks", block.name, 0, f"{block.name}: it has {count} regions", "give it exactly one region"
            )
    wanted = {block.name for block in demand.blocks}
    for region in plan.regions:
        if region.block not in wanted:
            yield _broken("map.blocks", region, "no block of the demand has this name", "take the region out")


def _check_one(block: Block, region: Region, memory: Memory, chip: Chip, *, whole: bool) -> Iterator[Violation]:
    touched = touched_sectors(memory, region)
    if block.bank is not None:
        outside = block.bank >= memory.banks or (memory.banks == 2 and any(s.bank != block.bank for s in touched))
        if outside:
            yield _broken(
                "map.bank", region, f"it is not wholly in bank {block.bank}", f"move it into bank {block.bank}"
            )
    if region.size < block.min_size:
        short = block.min_size - region.size
        yield _broken("map.size", region, f"{region.size} bytes, {block.min_size} needed", f"add {short} bytes")
    if len(touched) < block.min_sectors:
        yield _broken("map.size", region, f"{len(touched)} of at least {block.min_sectors} sectors", "make it longer")
    if block.at is not None and region.address != block.at:
        yield _broken("map.pin", region, f"at 0x{region.address:X}, pinned to 0x{block.at:X}", "move it to its pin")
    if block.size is not None and region.size != block.size:
        yield _broken("map.pin", region, f"{region.size} bytes, pinned to {block.size}", "give it its pinned size")
    aligned = touched[0].address == region.address and touched[-1].end == region.end
    if whole and not aligned:
        yield _broken(
            "map.sectors",
            region,
            f"0x{region.address:X} to 0x{region.end:X} cuts a sector",
            f"start at 0x{touched[0].address:X} and end at 0x{touched[-1].end:X}",
        )
    unit = max(memory.program_unit, memory.tear_unit, 1)
    if not whole and ((region.address - memory.base) % unit or region.size % unit):
        yield _broken("map.sectors", region, f"it cuts a program unit of {unit} bytes", f"use multiples of {unit}")
    table = region.address + block.header
    if table % block.vector_align:
        yield _broken(
            "map.vectors",
            region,
            f"the vector table at 0x{table:X} is not on a multiple of {block.vector_align}",
            "move the block or make its header longer",
        )
    if block.write_protect:
        granule = _granule(chip, memory)
        if granule is None:
            yield _broken("map.protect", region, f"no write protection covers {memory.name}", "use another memory")
        elif whole and ((region.address - memory.base) % granule or (region.end - memory.base) % granule):
            yield _broken(
                "map.protect",
                region,
                f"0x{region.address:X} to 0x{region.end:X} is not on units of {granule} bytes",
                f"start and end on multiples of {granule} from 0x{memory.base:X}",
            )
    if (region.first_sector, region.sectors) != (touched[0].index, len(touched)):
        yield _broken(
            "map.figures",
            region,
            f"says {region.sectors} sectors from {region.first_sector}, has {len(touched)} from {touched[0].index}",
            "correct the figures",
        )


def _check_neighbours(sound: list[tuple[Block, Region, Memory]], whole: set[str], chip: Chip) -> Iterator[Violation]:
    by_address = sorted(sound, key=lambda entry: (entry[2].name, entry[1].address))
    spans = {}
    for _, region, memory in sound:
        touched = touched_sectors(memory, region)
        spans[region.block] = (touched[0].index, touched[-1].index)
    for i, (block, region, memory) in enumerate(by_address):
        for other, other_region, other_memory in by_address[i + 1 :]:
            if other_memory.name != memory.name:
                continue
            names = f"{region.block} and {other_region.block}"
            if region.address < other_region.end and other_region.address < region.end:
                yield _broken("map.overlap", other_region, f"{names} share bytes", _apart(region, other_region, memory))
            elif block.name in whole or other.name in whole:
                (first, last), (other_first, other_last) = spans[region.block], spans[other_region.block]
                shared = max(first, other_first)
                if shared <= min(last, other_last):
                    mend = _apart(region, other_region, memory)
                    yield _broken("map.overlap", other_region, f"{names} share sector {shared}", mend)
            if block.write_protect != other.write_protect:
                granule = _granule(chip, memory) or 1
                units = [
                    ((r.address - memory.base) // granule, (r.end - 1 - memory.base) // granule)
                    for r in (region, other_region)
                ]
                if units[0][0] <= units[1][1] and units[1][0] <= units[0][1]:
                    yield _broken(
                        "map.protect",
                        other_region,
                        f"{names} share a write-protection unit of {granule} bytes, and only one is protected",
                        f"{_apart(region, other_region, memory, granule)}; or protect both",
                    )


def _apart(first: Region, second: Region, memory: Memory, granule: int = 1) -> str:
    """Return how two regions, in order of address, come to lie in sectors (or protection units) of their own."""
    low, high = touched_sectors(memory, second)[0].address, touched_sectors(memory, first)[-1].end
    low = memory.base + (low - memory.base) // granule * granule
    high = memory.base - (memory.base - high) // granule * granule
    if high >= memory.end:
        return f"end {first.block} at 0x{low:X}, or move one of them elsewhere"
    if low <= first.address:
        return f"move {second.block} to 0x{high:X} or behind"
    return f"move {second.block} to 0x{high:X} or behind, or end {first.block} at 0x{low:X}"


def _check_reset(demand: Demand, known: dict[str, Region], chip: Chip) -> Iterator[Violation]:
    boots = [b for b in demand.blocks if b.role is BlockRole.BOOT]
    reachable = [
        b
        for b in boots
        for m in chip.memories
        if m.name in b.memories and m.base <= chip.reset_address - b.header < m.end
    ]
    if not reachable or any(b.at is not None for b in boots):
        return  # The engineer's pin decides, or the core starts in fixed code.
    starts = [known[b.name] for b in boots if b.name in known]
    if starts and all(r.address + r.header != chip.reset_address for r in starts):
        yield _broken(
            "map.reset",
            starts[0],
            f"the core starts at 0x{chip.reset_address:X}, the boot stage at 0x{starts[0].address:X}",
            "move the boot stage to the reset address",
        )


def _check_tie(tie: Tie, members: list[tuple[Region, Memory]]) -> Iterator[Violation]:
    regions = [region for region, _ in members]
    first, first_memory = members[0]
    if tie.kind in (TieKind.SAME_SIZE, TieKind.SAME_PATTERN):
        rule = "map.same-size" if tie.kind is TieKind.SAME_SIZE else "map.same-pattern"
        for one, two in pairwise(regions):
            if one.size != two.size:
                found = f"{two.size} bytes, {one.block} has {one.size}"
                yield _broken(rule, two, found, "give both one size")
        if tie.kind is TieKind.SAME_PATTERN:
            offsets = [[s.address - r.address for s in touched_sectors(m, r)] for r, m in members]
            for region, mine in zip(regions[1:], offsets[1:], strict=True):
                if mine != offsets[0]:
                    yield _broken(
                        rule,
                        region,
                        f"its sector bounds differ from those of {first.block}",
                        "move one of them where sectors are alike",
                    )
    elif tie.kind is TieKind.OPPOSITE_BANK:
        second, memory = members[1]
        expected = first.address + first_memory.size // 2
        if memory.banks != 2 or memory.name != first_memory.name or second.address != expected:
            found = f"at 0x{second.address:X}, {first.block} is at 0x{first.address:X}"
            yield _broken("map.opposite", second, found, f"move it to 0x{expected:X} in a memory with two banks")
        elif first.end > first_memory.base + first_memory.size // 2:
            yield _broken(
                "map.opposite",
                first,
                "it reaches into the other bank",
                f"end it at 0x{first_memory.base + first_memory.size // 2:X}",
            )
    elif tie.kind is TieKind.AT_LEAST_LARGEST_SECTOR:
        largest = max((s.size for r, m in members[1:] for s in touched_sectors(m, r)), default=0)
        if first.size < largest:
            yield _broken("map.lift", first, f"{first.size} bytes, a sector has {largest}", f"make it {largest} bytes")
    else:
        largest = max(s.size for r, m in members for s in touched_sectors(m, r))
        for region, memory in members:
            bounds = {s.address - region.address for s in touched_sectors(memory, region)} | {region.size}
            if any(offset not in bounds for offset in range(0, region.size + 1, largest)) or region.size % largest:
                found = f"{region.size} bytes are not cut at every multiple of {largest}, the largest sector moved"
                mend = f"start it on a bound from which sectors end at each multiple of {largest}, and size it to one"
                yield _broken("map.multiple", region, found, mend)
