"""Judge a map that exists already: pinned regions as they are given, everything else placed around them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

from rootwright.describe.chip import Chip, Memory
from rootwright.layout.demand import Block, BlockRole, Demand
from rootwright.layout.map import Map, Misfit, Region
from rootwright.plan.check import RULES, Violation, check_map, touched_sectors
from rootwright.plan.result import Finding
from rootwright.plan.search import find_map
from rootwright.plan.solver import find_granule, whole_sector_blocks


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a given map is worth.

    Attributes:
        map: The pinned regions, unmoved, and those of other blocks that found a place around them.
        pinned: Names of the blocks that lie at their pins.
        violations: Every broken rule; a block without a place among them, as `map.blocks`.
        findings: Limits that the map breaks, and notes; looked for only where every block has a region.
    """

    map: Map
    pinned: frozenset[str]
    violations: tuple[Violation, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether no rule and no limit is broken."""
        return not self.violations and all(finding.note for finding in self.findings)

    def as_data(self) -> dict[str, Any]:
        """Return the judgement as plain dictionaries and lists, ready for JSON; the manual lists the keys."""
        return {
            "version": 1,
            "chip": self.map.chip,
            "procedure": self.map.procedure,
            "holds": self.holds,
            "regions": [asdict(region) | {"pinned": region.block in self.pinned} for region in self.map.regions],
            "violations": [asdict(violation) for violation in self.violations],
            "findings": [asdict(finding) for finding in self.findings],
        }


def judge_map(demand: Demand, chip: Chip) -> Judgement:
    """Return the judgement of the map that the pins of `demand` give.

    A block is taken as given where its address is pinned; without a pinned size it takes what it needs, up to the end
    of a sector where it owns its sectors. All others are placed as the plan places them. Where the pinned regions break
    a rule, the others are still placed around them, so that one run reports as much as there is to report.
    """
    if demand.impossible:
        why = Violation(
            "map.blocks", "", 0, f"it cannot work on this part: {demand.impossible}", "choose another procedure or part"
        )
        return Judgement(Map(chip.name, demand.traits.name, ()), frozenset(), (why,))
    given = tuple(
        region
        for block in demand.blocks
        if block.at is not None and (region := _given(block, demand, chip)) is not None
    )
    pinned = frozenset(region.block for region in given)
    found = find_map(demand, chip)
    if isinstance(found, Map):
        return Judgement(found, pinned, check_map(found, demand, chip))
    violations = list(_outside(demand, chip, pinned))
    own = _only(demand, pinned)
    broken = check_map(Map(chip.name, demand.traits.name, given), own, chip)
    if broken or violations:
        placed, lost = _placed_around(demand, chip, given)
    else:  # The pins agree with each other: the plan's own reason says what finds no place beside them.
        placed, lost = _placed_around(_open(demand, found), chip, given)
        lost = [name for name in lost if name != found.block]
        where = next((r.address for r in given if r.block == found.block), found.gap_address)
        violations.append(Violation("map.blocks", found.block, where, found.reason, _mend(found)))
    violations += [
        Violation("map.blocks", name, 0, f"{name}: it finds no place around the pinned regions", "make room for it")
        for name in lost
    ]
    regions = (*given, *placed)
    kept = _only(demand, frozenset(region.block for region in regions))
    order = {memory.name: number for number, memory in enumerate(chip.memories)}
    whole = Map(
        chip.name, demand.traits.name, tuple(sorted(regions, key=lambda region: (order[region.memory], region.address)))
    )
    violations += check_map(whole, kept, chip)
    ranks = {rule: number for number, rule in enumerate(RULES)}
    violations.sort(key=lambda violation: (ranks[violation.rule], violation.address, violation.block))
    return Judgement(whole, pinned, tuple(violations))


def _given(block: Block, demand: Demand, chip: Chip) -> Region | None:
    """Return the region at a block's pin, in whichever memory that is; None where no memory is there."""
    at = block.at or 0
    memory = next((m for m in chip.memories if m.base <= at < m.end), None)
    if memory is None:
        return None
    size = block.size
    if size is None:
        size = _own_size(block, memory, whole=block.name in whole_sector_blocks(demand))
    region = Region(block.name, block.role, memory.name, at, size, 0, 0, block.content, block.image, block.header)
    touched = touched_sectors(memory, region)
    return replace(region, first_sector=touched[0].index, sectors=len(touched)) if touched else region


def _own_size(block: Block, memory: Memory, *, whole: bool) -> int:
    """Return what a block takes from its pin on where its size is left open."""
    at, need = block.at or 0, max(1, block.min_size)
    unit = max(memory.program_unit, memory.tear_unit, 1)
    if not whole:
        return -(-need // unit) * unit
    least = block.min_sectors
    for sector in memory.sectors():
        if sector.end > at:
            least -= 1
            if sector.end - at >= need and least <= 0:
                return sector.end - at
    return need


def _outside(demand: Demand, chip: Chip, pinned: frozenset[str]) -> list[Violation]:
    spans = ", ".join(f"{m.name} 0x{m.base:X} to 0x{m.end - 1:X}" for m in chip.memories)
    return [
        Violation(
            "map.memory", block.name, block.at, f"{block.name}: no memory is at its pin 0x{block.at:X}", f"use {spans}"
        )
        for block in demand.blocks
        if block.at is not None and block.name not in pinned
    ]


def _only(demand: Demand, names: frozenset[str]) -> Demand:
    """Return the demand of some blocks alone, with the ties that hold among them."""
    blocks = tuple(block for block in demand.blocks if block.name in names)
    ties = tuple(tie for tie in demand.ties if set(tie.blocks) <= names)
    return replace(demand, blocks=blocks, ties=ties)


def _open(demand: Demand, misfit: Misfit) -> Demand:
    """Return the demand without the block that finds no place, and without the ties that name it."""
    return _only(demand, frozenset(block.name for block in demand.blocks if block.name != misfit.block))


def _mend(misfit: Misfit) -> str:
    if misfit.shrink_block is None:
        return "move or take out pins, or choose another procedure or part"
    return f"take {misfit.shrink_bytes} bytes from {misfit.shrink_block}, or move or take out pins"


def _placed_around(demand: Demand, chip: Chip, given: tuple[Region, ...]) -> tuple[list[Region], list[str]]:
    """Return regions for the blocks without a pin beside what is given, and the names of those without a place.

    Each in turn joins those that fit with it; the given regions stand as walls that ask for nothing themselves.
    """
    names = {region.block for region in given}
    walls = tuple(_walls(demand, chip, given))
    chosen: list[Block] = []
    lost: list[str] = []
    best: Map | None = None
    for block in demand.blocks:
        if block.name in names or block.at is not None:
            continue
        trial = (*chosen, block)
        inside = frozenset(b.name for b in trial)
        ties = tuple(tie for tie in demand.ties if set(tie.blocks) <= inside)
        found = find_map(replace(demand, blocks=(*walls, *trial), ties=ties), chip, grow=False)
        if isinstance(found, Map):
            chosen.append(block)
            best = found
        else:
            lost.append(block.name)
    wall_names = {wall.name for wall in walls}
    return [region for region in (best.regions if best else ()) if region.block not in wall_names], lost


def _walls(demand: Demand, chip: Chip, given: tuple[Region, ...]) -> list[Block]:
    """Return blocks that take the sectors of the given regions, joined where they overlap."""
    walls: list[Block] = []
    guarded = {block.name for block in demand.blocks if block.write_protect}
    for memory in chip.memories:
        spans: list[tuple[int, int, bool]] = []
        for region in sorted((r for r in given if r.memory == memory.name), key=lambda r: r.address):
            touched = touched_sectors(memory, region)
            if not touched:
                continue
            low, high = touched[0].address, touched[-1].end
            protected = region.block in guarded
            if spans and low < spans[-1][1]:
                spans[-1] = (spans[-1][0], max(high, spans[-1][1]), spans[-1][2] and protected)
            else:
                spans.append((low, high, protected))
        closed = find_granule(chip, memory.name) > 0
        walls += [
            Block(
                f"given:0x{low:X}",
                BlockRole.KEEP,
                high - low,
                high - low,
                (memory.name,),
                exclusive=False,
                write_protect=protected and closed,
                at=low,
                size=high - low,
            )
            for low, high, protected in spans
        ]
    if isinstance(find_map(replace(demand, blocks=tuple(walls), ties=()), chip), Map):
        return walls
    return [replace(wall, write_protect=False) for wall in walls]  # They clash by protection units: told elsewhere.
