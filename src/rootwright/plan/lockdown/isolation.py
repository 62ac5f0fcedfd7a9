"""What isolation rests on: the foundations in falling order, each with conditions that are checked, not assumed."""

from __future__ import annotations

from itertools import combinations

from rootwright.describe.chip import Chip, Lock, MemoryKind, Protection, ProtectionKind
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.describe.product import Product
from rootwright.errors import PlanError
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Constraint, Map, Region
from rootwright.plan.lockdown.claims import is_root, locked_claims, unprivileged_claims
from rootwright.plan.lockdown.covers import free_spans, span_of, whole_sectors
from rootwright.plan.lockdown.result import Condition, Cover, Effect, Moment, Rung, Writer
from rootwright.plan.lockdown.spans import Span, fewest_runs, merged, widened
from rootwright.plan.lockdown.units import unit_settings
from rootwright.plan.lockdown.writers import find_writers
from rootwright.plan.root_of_trust import Foundation, judge_part

_CLOSABLE = (ProtectionKind.CLOSED_UNTIL_RESET, ProtectionKind.GATED_CODE)
_UNITS = (ProtectionKind.PROTECTION_UNIT, ProtectionKind.PHYSICAL_MEMORY_PROTECTION)


def find_rungs(product: Product, map_: Map) -> tuple[Rung, ...]:
    """Return every foundation in falling order of strength, and whether it can be used for this product on its map.

    A foundation is usable where the part offers it and each of its conditions holds. A condition that no field of the
    two files speaks for does not hold.
    """
    verdict = judge_part(product.chip)
    offered = {verdict.foundation, *verdict.alternatives}
    if product.chip.find_protections(ProtectionKind.SECURE_SPLIT):
        offered.add(Foundation.SECURE_SPLIT)  # one that only labels is told apart by its conditions
    rungs = []
    for foundation in Foundation:
        if foundation is Foundation.NONE:
            continue
        if foundation not in offered:
            rungs.append(Rung(foundation, False, "the part does not offer it"))
            continue
        conditions = _CONDITIONS[foundation](product, map_)
        failed = [c for c in conditions if not c.holds]
        why = "; ".join(c.text for c in failed) if failed else _USABLE[foundation]
        rungs.append(Rung(foundation, not failed, why, conditions))
    return tuple(rungs)


def chosen(rungs: tuple[Rung, ...]) -> Foundation:
    """Return the strongest usable foundation, `Foundation.NONE` where none is."""
    return next((rung.foundation for rung in rungs if rung.usable), Foundation.NONE)


_USABLE = {
    Foundation.SECURE_SPLIT: "the boot stage and its records stay on the secure side",
    Foundation.KEY_VAULT: "keys and checks stay behind the core boundary",
    Foundation.CLOSED_AREA: "the boot stage closes its area before it hands over",
    Foundation.LOCKED_REGIONS: "locked entries bind every mode until reset",
    Foundation.PROTECTION_UNIT: "the application is declared unprivileged and fenced in by regions",
    Foundation.WRITE_PROTECTION: "nothing isolates; the boot stage stays as it was delivered",
}


def closing_protection(chip: Chip) -> Protection | None:
    """Return the closed or gated area that covers the first code, the one with a lock first."""
    found = [p for p in chip.protections if p.kind in _CLOSABLE]
    return next((p for p in found if p.lock is not Lock.NONE), found[0] if found else None)


def fencing_unit(chip: Chip, kind: ProtectionKind | None = None) -> Protection | None:
    """Return the protection unit of a part, of one kind where it is given."""
    return next((p for p in chip.protections if p.kind in _UNITS and (kind is None or p.kind is kind)), None)


def root_regions(product: Product, map_: Map) -> tuple[Region, ...]:
    """Return the blocks that isolation is for: the boot stage, its records and what is called secret."""
    return tuple(r for r in map_.regions if is_root(r) or r.block in product.secret)


def closed_regions(product: Product, map_: Map) -> tuple[tuple[Region, ...], tuple[Region, ...]]:
    """Return the blocks that a closed area must hold, and those that it should hold where they fit.

    It must hold the boot stage, the keys and what is called secret. It should hold what is asked to be write-protected
    and changed by the boot stage alone, which is done with it before it closes the area.
    """
    must = tuple(r for r in map_.regions if r.block in ("boot", "keys") or r.block in product.secret)
    should = tuple(
        region
        for region in map_.regions
        if region not in must
        and region.block in product.protect
        and is_root(region)
        and find_writers(region, map_.procedure) <= {Writer.BOOT}
    )
    return must, should


def closing_covers(product: Product, map_: Map) -> tuple[list[Cover], list[Constraint], str]:
    """Return the covers of a closed area, the wishes on the map where it falls short, and what is wrong."""
    protection = closing_protection(product.chip)
    if protection is None:
        return [], [], "the part has no closed area"
    must, should = closed_regions(product, map_)
    for count in range(len(should), -1, -1):  # a block between two others can make one run of them
        for more in combinations(should, count):
            found = _closing(product, map_, protection, (*must, *more))
            if not found[2]:
                return found
    return _closing(product, map_, protection, must)


def _closing(
    product: Product, map_: Map, protection: Protection, regions: tuple[Region, ...]
) -> tuple[list[Cover], list[Constraint], str]:
    left_out = [r.block for r in regions if r.memory not in protection.covers]
    covers: list[Cover] = []
    wishes: list[Constraint] = []
    wrong = f"it does not cover the memory of {', '.join(left_out)}" if left_out else ""
    granule = protection.granule or 1
    for name in protection.covers:
        memory = product.chip.memory(name)
        here = sorted((r for r in regions if r.memory == name), key=lambda r: r.address)
        if not here:
            continue
        spans = {r.block: widened(whole_sectors(memory, span_of(r)), granule, memory.base) for r in here}
        for region in map_.regions:
            if region.memory == name and region.block not in spans:
                hit = [b for b, s in spans.items() if s.start < region.end and region.address < s.end]
                for block in hit:
                    wrong = f"whole granules of {granule} bytes over {block} would close {region.block} too"
                    wishes.append(Constraint(block, "align", granule, f"{protection.name} closes whole granules"))
        runs = merged(spans.values())
        if protection.regions and len(runs) > protection.regions:
            runs = fewest_runs(spans.values(), free_spans(memory, map_))
        for run in runs:
            blocks = tuple(b for b, s in spans.items() if run.start <= s.start < run.end)
            covers.append(
                Cover(
                    protection.name,
                    protection.kind,
                    Effect.NO_ACCESS,
                    blocks,
                    name,
                    run.start,
                    run.size,
                    max(0, run.size - sum(spans[b].size for b in blocks)),
                    protection.lock,
                    Moment.START,
                )
            )
    # Where a part has one region for each bank, a run in the wrong bank is a matter of the data sheet.
    if protection.regions and len(covers) > protection.regions:
        count = f"{protection.regions} region{'' if protection.regions == 1 else 's'}"
        names = ", ".join(region.block for region in regions)
        wrong = f"it has {count}, and {names} lie in {len(covers)} separate runs"
        first = next((cover for cover in covers if "boot" in cover.blocks), covers[0])
        reason = f"{protection.name} has {count}: put it beside {first.blocks[-1]}"
        end = first.end
        for cover in covers:
            if cover is not first:
                wishes.append(Constraint(cover.blocks[0], "at", end, reason))
                end += cover.size
    return covers, wishes, wrong


def _split(product: Product, map_: Map) -> tuple[Condition, ...]:
    split = product.chip.find_protections(ProtectionKind.SECURE_SPLIT)[0]
    roots = root_regions(product, map_)
    outside = sorted({r.memory for r in roots} - set(split.covers))
    granule = split.granule or 1
    mixed = _mixed(product, map_, granule)
    return (
        Condition(
            "split-memory-side",
            split.memory_side,
            f"chip: protection {split.name}: memory_side",
            "the memory itself must refuse non-secure access by sector; an attribution unit alone labels accesses and "
            "does not set the security of a flash page",
        ),
        Condition(
            "split-covers",
            not outside,
            f"chip: protection {split.name}: covers",
            "it must cover the memories of the boot stage and its records"
            + (f"; {', '.join(outside)} is not covered" if outside else ""),
        ),
        Condition(
            "split-granule",
            not mixed,
            "map",
            "no granule may hold blocks of both sides" + (f": {', '.join(mixed)} do" if mixed else ""),
        ),
    )


def _mixed(product: Product, map_: Map, granule: int) -> list[str]:
    """Return blocks that share a granule with a block of the other side."""
    found = []
    for region in root_regions(product, map_):
        memory = product.chip.memory(region.memory)
        span = widened(span_of(region), granule, memory.base)
        for other in map_.regions:
            if other.memory == region.memory and not (is_root(other) or other.block in product.secret):
                wide = widened(span_of(other), granule, memory.base)
                if wide.start < span.end and span.start < wide.end:
                    found.append(f"{region.block} and {other.block}")
    return found


def _vault(product: Product, map_: Map) -> tuple[Condition, ...]:
    vault = product.chip.find_protections(ProtectionKind.KEY_VAULT)[0]
    return (
        Condition(
            "vault-locked",
            vault.lock is not Lock.NONE,
            f"chip: protection {vault.name}: lock",
            "the boundary must stay closed until reset at least; one that software opens again is none",
        ),
    )


def _closed(product: Product, map_: Map) -> tuple[Condition, ...]:
    protection = closing_protection(product.chip)
    assert protection is not None
    _, _, wrong = closing_covers(product, map_)
    return (
        Condition(
            "closed-locked",
            protection.lock is not Lock.NONE,
            f"chip: protection {protection.name}: lock",
            "once closed, the area must stay closed until reset",
        ),
        Condition(
            "closed-fits",
            not wrong,
            "map",
            "the area must hold the boot stage and the keys and nothing that is needed later"
            + (f": {wrong}" if wrong else ""),
        ),
    )


def _locked(product: Product, map_: Map) -> tuple[Condition, ...]:
    unit = fencing_unit(product.chip, ProtectionKind.PHYSICAL_MEMORY_PROTECTION)
    assert unit is not None
    problem = ""
    try:
        unit_settings(unit, locked_claims(product, map_, unit.granule, unit.unit), lock=True)
    except PlanError as error:
        problem = error.found
    return (
        Condition(
            "entries-locked",
            unit.lock is not Lock.NONE,
            f"chip: protection {unit.name}: lock",
            "entries must have a lock bit: one without it binds no machine-mode code",
        ),
        Condition(
            "entries-fit", not problem, "map", "the entries must be enough" + (f": {problem}" if problem else "")
        ),
    )


def _fenced(product: Product, map_: Map) -> tuple[Condition, ...]:
    unit = fencing_unit(product.chip)
    assert unit is not None
    problem = ""
    try:
        unit_settings(unit, unprivileged_claims(product, map_, unit.granule, unit.unit), lock=False)
    except PlanError as error:
        problem = error.found
    return (
        Condition(
            "application-unprivileged",
            product.unprivileged,
            "product: lock.application_unprivileged",
            "the application must be declared to run unprivileged; privileged code switches the unit off",
        ),
        Condition(
            "regions-fit", not problem, "map", "the regions must be enough" + (f": {problem}" if problem else "")
        ),
    )


def fence_wishes(product: Product, map_: Map) -> list[Constraint]:
    """Return where slots and staging would have to lie so that a unit with regions of a power of two fences them.

    A block that starts and ends at an eighth of the next power of two takes one region, or two where it straddles one.
    Nothing is wished where the application is not declared unprivileged, the regions are enough, or the unit takes any
    base and limit.
    """
    unit = fencing_unit(product.chip)
    if unit is None or unit.unit not in (ProtectionUnit.PMSAV6, ProtectionUnit.PMSAV7) or not product.unprivileged:
        return []
    try:
        unit_settings(unit, unprivileged_claims(product, map_, unit.granule, unit.unit), lock=False)
    except PlanError:
        return [
            Constraint(r.block, "align", _eighth(r.size), f"{unit.name} has regions of a power of two, in eighths")
            for r in map_.regions
            if r.role in (BlockRole.SLOT, BlockRole.STAGING)
            and (r.address % _eighth(r.size) or r.size % _eighth(r.size))
        ]
    return []


def _eighth(size: int) -> int:
    return max(256, (1 << (size - 1).bit_length()) // 8)


def _fixed(product: Product, map_: Map) -> tuple[Condition, ...]:
    fixed = product.chip.find_protections(ProtectionKind.FIXED_RESET_ENTRY)
    boot = next((r for r in map_.regions if r.block == "boot"), None)
    locks = [
        p
        for p in product.chip.find_protections(ProtectionKind.WRITE_PROTECTION)
        if p.lock is not Lock.NONE and boot is not None and boot.memory in p.covers
    ]
    asked = "boot" in product.protect
    return (
        Condition(
            "boot-protected",
            bool(fixed) or bool(locks and asked),
            "product: lock.write_protect" if locks and not asked else "chip: write protection",
            "the boot stage must lie under write protection with a lock, or behind a fixed reset entry",
        ),
    )


_CONDITIONS = {
    Foundation.SECURE_SPLIT: _split,
    Foundation.KEY_VAULT: _vault,
    Foundation.CLOSED_AREA: _closed,
    Foundation.LOCKED_REGIONS: _locked,
    Foundation.PROTECTION_UNIT: _fenced,
    Foundation.WRITE_PROTECTION: _fixed,
}


def non_secure_spans(product: Product, map_: Map) -> tuple[Span, ...]:
    """Return what the application needs on the non-secure side: its blocks, and RAM behind the first half.

    The secure side keeps the lower half of each RAM; common practice, no source: the boot stage decides.
    """
    spans = [
        widened(span_of(region), 32)
        for region in map_.regions
        if not is_root(region) and region.block not in product.secret
    ]
    for memory in product.chip.memories:
        if memory.kind is MemoryKind.RAM:
            half = memory.base + memory.size // 2 // 32 * 32
            spans.append(Span(half, memory.end))
    return tuple(spans)
