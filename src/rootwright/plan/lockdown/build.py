"""The lock-down plan of a product on its map: covers, settings, steps, states, attempts and aims, put together."""

from __future__ import annotations

from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.product import Product
from rootwright.layout.demand import Demand
from rootwright.layout.map import Map
from rootwright.plan.lockdown.aims import Ground, judge_aims
from rootwright.plan.lockdown.covers import plan_reading, plan_write_protection, span_of, whole_sectors
from rootwright.plan.lockdown.isolation import (
    chosen,
    closing_covers,
    fence_wishes,
    fencing_unit,
    find_rungs,
    root_regions,
)
from rootwright.plan.lockdown.order import find_cut_offs, make_steps
from rootwright.plan.lockdown.readback import make_readback
from rootwright.plan.lockdown.result import Conflict, Cover, Effect, LockdownPlan, Moment, Rung
from rootwright.plan.lockdown.settings import make_settings
from rootwright.plan.lockdown.spans import merged, widened
from rootwright.plan.lockdown.states import make_attempts, make_states
from rootwright.plan.root_of_trust import Foundation, judge_part

CAUTIONS = (
    "Locking a part is often irreversible. Try every step on units you can lose, and lock last.",
    "Your part's data sheet and errata decide what a setting does; this plan repeats what the chip file says.",
    "Where people depend on the device, local codes, your product's safety standard and licensed practice come first.",
    "A setting that reads right is not yet effective: try what must fail.",
)


def make_lockdown(product: Product, map_: Map, demand: Demand) -> LockdownPlan:
    """Return the lock-down plan of a product for one map.

    Args:
        product: The product; `lock` names what is wanted.
        map_: The memory map that is locked.
        demand: The demand of the map's update procedure.

    Raises:
        PlanError: The product's own order of locking names steps that do not exist, or leaves some out.
    """
    chip = product.chip
    part = judge_part(chip)
    rungs = find_rungs(product, map_)
    usable = frozenset(rung.foundation for rung in rungs if rung.usable)
    isolation = chosen(rungs)
    planned = plan_write_protection(product, map_, demand)
    conflicts = list(planned.conflicts)
    constraints = list(planned.constraints)
    covers = [*planned.covers, *plan_reading(product, map_)]
    if Foundation.CLOSED_AREA in usable:
        covers += closing_covers(product, map_)[0]
    elif any(p.kind in (ProtectionKind.CLOSED_UNTIL_RESET, ProtectionKind.GATED_CODE) for p in chip.protections):
        constraints += closing_covers(product, map_)[1]
    constraints += fence_wishes(product, map_)
    if Foundation.SECURE_SPLIT in usable:
        covers += _split_covers(product, map_)
    shut = {block for cover in covers if cover.effect is Effect.NO_ACCESS for block in cover.blocks}
    conflicts = [c for c in conflicts if c.rule not in _ABOUT_WRITING or not shut.issuperset(c.blocks)]
    made = make_settings(product, map_, covers, usable, isolation)
    conflicts += made.conflicts
    conflicts += _isolation_conflicts(product, part.foundation, isolation, rungs)
    if not part.is_possible:
        found = f"{chip.name} {part.standing.value}. {' '.join(part.reasons)}"
        conflicts.insert(0, Conflict("lockdown.no-root", (), found, "choose a part that offers one of the foundations"))
    conflicts += _absent(product, map_)
    steps = make_steps(chip, covers, made.settings)
    cut_offs = find_cut_offs(steps, product.lock_order) if product.lock_order else ()
    if product.lock_order and not cut_offs:
        by_id = {step.id: step for step in steps}
        steps = tuple(by_id[name] for name in product.lock_order)
    states, transitions = make_states(product, covers)
    return LockdownPlan(
        product=f"{product.name} {product.model}",
        chip=chip.name,
        silicon=chip.silicon,
        procedure=map_.procedure,
        part=part,
        isolation=isolation,
        rungs=rungs,
        covers=tuple(covers),
        settings=made.settings,
        readback=make_readback(chip, made.settings),
        steps=steps,
        cut_offs=cut_offs,
        states=states,
        transitions=transitions,
        attempts=make_attempts(product, map_, covers, isolation),
        aims=judge_aims(Ground(product, map_, demand, covers, isolation)),
        constraints=tuple(dict.fromkeys(constraints)),
        conflicts=tuple(dict.fromkeys(conflicts)),
        cautions=(*CAUTIONS, *part.cautions),
    )


_ABOUT_WRITING = ("lockdown.unwritable", "lockdown.uncovered", "lockdown.regions")
"""What is settled where a block cannot be reached at all after the hand-over."""


def _split_covers(product: Product, map_: Map) -> list[Cover]:
    split = product.chip.find_protections(ProtectionKind.SECURE_SPLIT)[0]
    moment = Moment.FACTORY if split.lock is Lock.PERMANENT else Moment.START
    found = []
    for name in split.covers:
        memory = product.chip.memory(name)
        here = [r for r in root_regions(product, map_) if r.memory == name]
        spans = {r.block: widened(whole_sectors(memory, span_of(r)), split.granule or 1, memory.base) for r in here}
        for run in merged(spans.values()):
            blocks = tuple(block for block, span in spans.items() if run.start <= span.start < run.end)
            found.append(
                Cover(
                    split.name, split.kind, Effect.NO_ACCESS, blocks, name, run.start, run.size, 0, split.lock, moment
                )
            )
    return found


def _isolation_conflicts(
    product: Product, offered: Foundation, isolation: Foundation, rungs: tuple[Rung, ...]
) -> list[Conflict]:
    found = []
    if isolation is not offered and offered is not Foundation.NONE:
        why = next((rung.why for rung in rungs if rung.foundation is offered), "")
        conditions = [c for rung in rungs if rung.foundation is offered for c in rung.conditions if not c.holds]
        found.append(
            Conflict(
                "lockdown.isolation",
                (),
                f"the part offers {offered.value}, and isolation rests on {isolation.value}: {why}",
                f"see to {', '.join(c.fact for c in conditions)}" if conditions else "see the part's verdict",
                note=not product.secret,
            )
        )
    unit = fencing_unit(product.chip)
    usable = {rung.foundation for rung in rungs if rung.usable}
    if unit is not None and Foundation.PROTECTION_UNIT in usable:
        silent = [m.name for m in product.chip.memories if m.erases and m.controller is None]
        if silent:
            found.append(
                Conflict(
                    "lockdown.controller",
                    (),
                    f"where the registers lie that write {', '.join(silent)} is not described, so the protection unit "
                    "leaves them to the application",
                    "give `controller` of that memory",
                    note=True,
                )
            )
    return found


def _absent(product: Product, map_: Map) -> list[Conflict]:
    there = {region.block for region in map_.regions}
    return [
        Conflict(
            "lockdown.absent",
            (name,),
            f"lock.{key} names {name}, which {map_.procedure} does not have",
            "nothing, if it is meant for another procedure",
            note=True,
        )
        for key, names in (("write_protect", product.protect), ("secret", product.secret))
        for name in names
        if name not in there
    ]
