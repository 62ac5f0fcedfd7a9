"""Which protection lies over which blocks: whole granules, the fewest runs, and what the map would have to change."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rootwright.describe.chip import Chip, Lock, Memory, MemoryKind, Protection, ProtectionKind, Watermark
from rootwright.describe.product import Product
from rootwright.describe.settings import Side
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Constraint, Map, Region
from rootwright.plan.lockdown.claims import is_root
from rootwright.plan.lockdown.fields import unit_edges
from rootwright.plan.lockdown.result import Conflict, Cover, Effect, Moment, Writer
from rootwright.plan.lockdown.spans import Span, fewest_runs, merged, widened, widened_to, without
from rootwright.plan.lockdown.writers import closed_blocks, find_writers

FOR_EVER = (Lock.PERMANENT, Lock.ERASE_TO_OPEN)
PRIORITY = (
    BlockRole.BOOT,
    BlockRole.KEYS,
    BlockRole.FLOOR,
    BlockRole.RECOVERY,
    BlockRole.SELECTOR,
    BlockRole.JOURNAL,
    BlockRole.LIFT,
    BlockRole.SLOT,
    BlockRole.STAGING,
)
"""What is covered first where regions are short; common practice, no source."""


@dataclass(slots=True)
class Planned:
    """What planning of covers collects on its way."""

    covers: list[Cover] = field(default_factory=list)
    constraints: list[Constraint] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)


def span_of(region: Region) -> Span:
    """Return a region's addresses."""
    return Span(region.address, region.end)


def whole_sectors(memory: Memory, span: Span) -> Span:
    """Return the smallest span of whole sectors of a memory that holds `span`."""
    found: list[Span] = []
    start = memory.base
    for run in memory.runs:  # not sector by sector: a memory may have thousands
        end = start + run.count * run.size
        if start < span.end and span.start < end:
            low, high = max(start, span.start) - start, min(end, span.end) - start
            found.append(Span(start + low // run.size * run.size, start - -high // run.size * run.size))
        start = end
    return Span(found[0].start, found[-1].end)


def free_spans(memory: Memory, map_: Map) -> tuple[Span, ...]:
    """Return the whole sectors of a memory that no block touches."""
    taken = [whole_sectors(memory, span_of(r)) for r in map_.regions if r.memory == memory.name]
    return without([Span(memory.base, memory.end)], taken)


def plan_write_protection(product: Product, map_: Map, demand: Demand) -> Planned:
    """Return which blocks of `lock.write_protect` get which write protection, and what stands in the way.

    Permanent images get the longest lock that the part offers, and the one until reset besides, which costs nothing.
    All others get the one until reset; trust anchors take a longer one only where there is no other.
    """
    chip = product.chip
    planned = Planned()
    regions = {region.block: region for region in map_.regions}
    wanted = [region for region in map_.regions if region.block in product.protect]
    lasting = [p for p in chip.find_protections(ProtectionKind.WRITE_PROTECTION) if p.lock is not Lock.NONE]
    loose = [p for p in chip.find_protections(ProtectionKind.WRITE_PROTECTION) if p.lock is Lock.NONE]
    covered: set[str] = set()

    for protection in lasting:
        inside = [region for region in wanted if region.memory in protection.covers]
        if protection.lock in FOR_EVER:
            blocks = [region for region in inside if _may_stay_for_ever(region, map_, lasting)]
            covered |= _cover(planned, chip, map_, protection, blocks, Moment.FACTORY)
            continue
        for moment, names in closed_blocks(product, map_, demand).items():
            blocks = [region for region in inside if region.block in names]
            covered |= _cover(planned, chip, map_, protection, blocks, moment)

    covered |= _plan_gates(planned, product, map_, demand, covered)
    for region in wanted:
        if region.block not in covered and not any(region.block in c.blocks for c in planned.conflicts):
            planned.conflicts.append(_uncovered(region, map_, lasting, loose))
    for name in product.protect:
        if name not in regions:
            continue
        if Writer.APPLICATION in find_writers(regions[name], map_.procedure) and name in covered:
            moments = {c.moment.value for c in planned.covers if name in c.blocks}
            planned.conflicts.append(
                Conflict(
                    "lockdown.open",
                    (name,),
                    f"the application must write {name}, so it is closed only: {'; '.join(sorted(moments))}",
                    "let the boot stage close it at these moments, and open it at no other than receiving",
                    note=True,
                )
            )
    return planned


def _plan_gates(planned: Planned, product: Product, map_: Map, demand: Demand, covered: set[str]) -> set[str]:
    """Plan bus gates over what belongs to the boot stage and no write protection covers; return what they cover.

    A gate keeps out what runs on the other side of fixed sides, so it counts where every image that is updated runs
    through a view of the non-secure side, and where it stays set until reset.
    """
    done: set[str] = set()
    for gate in product.chip.find_protections(ProtectionKind.BUS_GATE):
        inside = [
            region
            for region in map_.regions
            if region.memory in gate.covers and region.block in product.protect and region.block not in covered | done
        ]
        inside = [region for region in inside if is_root(region)]
        missing = _find_gate_gap(product, gate)
        if inside and missing:
            names = tuple(region.block for region in inside)
            found = f"{gate.name} could keep {', '.join(names)} from the application, but {missing[0]}"
            planned.conflicts.append(Conflict("lockdown.gate", names, found, missing[1], note=True))
            continue
        for moment, shut in closed_blocks(product, map_, demand).items():
            if gate.lock in FOR_EVER and moment is Moment.START:
                blocks = [region for region in inside if not find_writers(region, map_.procedure)]
                done |= _cover(planned, product.chip, map_, gate, blocks, Moment.FACTORY)
            elif gate.lock not in FOR_EVER:
                blocks = [region for region in inside if region.block in shut]
                done |= _cover(planned, product.chip, map_, gate, blocks, moment)
    return done


def _find_gate_gap(product: Product, gate: Protection) -> tuple[str, str] | None:
    """Return why a gate does not keep the application out, and the next step; None where it does."""
    if not gate.fixed_attribution:
        return "sides of addresses are not fixed, so software can change them", "say `fixed_attribution` if they are"
    if gate.lock is Lock.NONE:
        return "it has no lock", "give its `lock` if it holds until reset at least"
    sides = {view.name: view.side for view in product.chip.views}
    both = [image.name for image in product.updatable_images if sides.get(image.view or "") is not Side.NON_SECURE]
    if both:
        why = f"nothing says that {', '.join(both)} runs on the non-secure side"
        return why, "name a `view` of the non-secure side for the image, if it runs through one"
    return None


def _may_stay_for_ever(region: Region, map_: Map, lasting: Iterable[Protection]) -> bool:
    if find_writers(region, map_.procedure):
        return False
    if region.role in (BlockRole.BOOT, BlockRole.RECOVERY):
        return True
    return not any(p.lock is Lock.UNTIL_RESET and region.memory in p.covers for p in lasting)


def _cover(
    planned: Planned, chip: Chip, map_: Map, protection: Protection, regions: list[Region], moment: Moment
) -> set[str]:
    """Plan one protection at one moment; return the blocks that it covers."""
    done: set[str] = set()
    for name in protection.covers:
        memory = chip.memory(name)
        here = [region for region in regions if region.memory == name]
        if here:
            done |= _cover_memory(planned, map_, protection, memory, here, moment)
    return done


def _cover_memory(
    planned: Planned, map_: Map, protection: Protection, memory: Memory, regions: list[Region], moment: Moment
) -> set[str]:
    granule = protection.granule or 1
    inside: list[tuple[Region, Span]] = []
    names = {region.block for region in regions}
    others = [r for r in map_.regions if r.memory == memory.name and r.block not in names]
    for region in regions:
        span = whole_sectors(memory, span_of(region))
        if protection.groups:
            span = widened_to(span, unit_edges(protection, memory))
        else:
            span = widened(span, granule, memory.base)
        if protection.watermark is Watermark.UPWARDS:
            span = Span(span.start, memory.end)
        elif protection.watermark is Watermark.DOWNWARDS:
            span = Span(memory.base, span.end)
        clash = [r for r in others if span_of(r).start < span.end and span.start < span_of(r).end]
        if clash or span.end > memory.end:
            planned.conflicts.append(_granule_conflict(region, clash, protection, granule, span))
            # No one alignment puts a block on groups of several sizes, or on the right side of a watermark.
            if not protection.groups and protection.watermark is Watermark.NONE:
                planned.constraints.append(
                    Constraint(
                        region.block, "align", granule, f"{protection.name} covers whole granules of {granule} bytes"
                    )
                )
            continue
        inside.append((region, span))
    limit = protection.regions or len(inside) or 1
    order = {role: index for index, role in enumerate(PRIORITY)}
    inside.sort(key=lambda pair: (order.get(pair[0].role, len(order)), pair[0].address))
    free: tuple[Span, ...] = ()
    while inside:
        runs = fewest_runs([span for _, span in inside], free)
        if len(runs) <= limit or not protection.regions:
            break
        if not free:  # only where regions are short, free sectors between two blocks are closed with them
            free = free_spans(memory, map_)
            if free:
                continue
        region, _ = inside.pop()
        target = merged(span for _, span in inside)
        if target:
            planned.constraints.append(
                Constraint(region.block, "at", target[-1].end, f"{protection.name} has {limit} regions: put it beside")
            )
        planned.conflicts.append(
            Conflict(
                "lockdown.regions",
                (region.block,),
                f"{protection.name} has {limit} region{'' if limit == 1 else 's'}, and with {region.block} the blocks "
                f"to be covered lie in {len(runs)} separate runs",
                "pin it beside another protected block, or take it out of write_protect and accept what follows",
            )
        )
    for run in fewest_runs([span for _, span in inside], free):
        blocks = sorted((r for r, span in inside if run.start <= span.start < run.end), key=lambda r: r.address)
        used = sum(whole_sectors(memory, span_of(r)).size for r in blocks)
        planned.covers.append(
            Cover(
                protection=protection.name,
                kind=protection.kind,
                effect=Effect.NO_ACCESS if protection.kind is ProtectionKind.BUS_GATE else Effect.NO_WRITE,
                blocks=tuple(region.block for region in blocks),
                memory=memory.name,
                address=run.start,
                size=run.size,
                over=max(0, run.size - used),
                lock=protection.lock,
                moment=moment,
            )
        )
    return {region.block for region, _ in inside}


def _granule_conflict(
    region: Region, clash: list[Region], protection: Protection, granule: int, span: Span
) -> Conflict:
    what = f"it would also cover {', '.join(r.block for r in clash)}" if clash else "it would reach beyond the memory"
    if protection.watermark is not Watermark.NONE:
        return Conflict(
            "lockdown.granule",
            (region.block, *(r.block for r in clash)),
            f"{protection.name} closes 0x{span.start:X} to 0x{span.end - 1:X} with {region.block}; {what}",
            f"pin {region.block} at that end of the memory, or the others on the other side of the watermark",
        )
    if protection.groups:
        return Conflict(
            "lockdown.granule",
            (region.block, *(r.block for r in clash)),
            f"{protection.name} covers whole groups of sectors; over {region.block} {what}",
            f"give 0x{span.start:X} to 0x{span.end - 1:X} to {region.block} and to what is closed with it alone",
        )
    return Conflict(
        "lockdown.granule",
        (region.block, *(r.block for r in clash)),
        f"{protection.name} covers whole granules of {granule} bytes; over {region.block} {what}",
        f"start and end {region.block} at a multiple of {granule} bytes",
    )


def _uncovered(region: Region, map_: Map, lasting: list[Protection], loose: list[Protection]) -> Conflict:
    here = [p for p in lasting if region.memory in p.covers]
    writers = find_writers(region, map_.procedure)
    who = " and ".join(sorted(f"the {w.value}" for w in writers))
    if not here:
        found = f"no write protection with a lock covers {region.memory}, where {region.block} lies"
        if any(region.memory in p.covers for p in loose):
            found += "; the one that does opens again from software"
        next_step = "choose another part, or accept that running code can rewrite the block"
        return Conflict("lockdown.uncovered", (region.block,), found, next_step)
    if all(p.lock in FOR_EVER for p in here):
        names = ", ".join(p.name for p in here)
        return Conflict(
            "lockdown.unwritable",
            (region.block,),
            f"{who} must write {region.block}, and {names} holds for longer than the next reset: closed, it would cut "
            "off updates; it is left open",
            "take it out of write_protect, or choose a part with write protection until reset",
        )
    return Conflict(
        "lockdown.unwritable",
        (region.block,),
        f"{who} must write {region.block} while the application runs, so no moment is left to close it",
        "take it out of write_protect",
    )


def plan_reading(product: Product, map_: Map) -> list[Cover]:
    """Return the covers of the external read lock and of execute-only areas, which need no decision of the map."""
    chip = product.chip
    found: list[Cover] = []
    for protection in chip.find_protections(ProtectionKind.EXTERNAL_READ_LOCK):
        if protection.lock is Lock.NONE:
            continue
        for name in protection.covers:
            memory = chip.memory(name)
            blocks = tuple(r.block for r in map_.regions if r.memory == name)
            found.append(
                Cover(
                    protection.name,
                    protection.kind,
                    Effect.NO_READ,
                    blocks,
                    name,
                    memory.base,
                    memory.size,
                    0,
                    protection.lock,
                    Moment.FACTORY,
                )
            )
    for protection in chip.find_protections(ProtectionKind.INLINE_DECRYPTION):
        for name in protection.covers:
            if chip.memory(name).kind is not MemoryKind.EXTERNAL:
                continue
            blocks = tuple(r.block for r in map_.regions if r.memory == name)
            if blocks:
                low = min(r.address for r in map_.regions if r.memory == name)
                high = max(r.end for r in map_.regions if r.memory == name)
                found.append(
                    Cover(
                        protection.name,
                        protection.kind,
                        Effect.NO_READ,
                        blocks,
                        name,
                        low,
                        high - low,
                        0,
                        protection.lock,
                        Moment.START,
                    )
                )
    return found
