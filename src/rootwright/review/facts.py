"""What is true of a product, as far as attack steps and design rules ask: each fact with the reason for it.

Facts come from the part, the product, its plan and, where they are given, the lock-down, the check under power cuts
and the bench. What nobody looked at counts as an attacker would wish: a protection that is not seen does not hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rootwright.describe.attack import Fact, Measure
from rootwright.describe.chip import Chip, Lock, MemoryKind, ProtectionKind
from rootwright.describe.product import ImageRole, Product
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region
from rootwright.plan.result import PlanResult
from rootwright.plan.root_of_trust import lasting_write_protections

if TYPE_CHECKING:
    from rootwright.plan.lockdown.result import LockdownPlan

CIRCUMSTANCES = frozenset(
    {
        Fact.EXTERNAL_MEMORY,
        Fact.EXTERNAL_CODE,
        Fact.EXTERNAL_STAGING,
        Fact.EXTERNAL_RECORDS,
        Fact.DEMO_KEY,
        Fact.CLEAR_PAYLOADS,
        Fact.RADIO_STACK,
        Fact.SETTINGS_AREA,
        Fact.LOCKS_FALL_AT_RESET,
        Fact.FAILS_UNDER_CUTS,
        Fact.FAULT_HITS,
        Fact.HAS_KEEP_AREAS,
    }
)
"""Facts that make steps possible; all others stand in an attacker's way."""

DECLARED = frozenset(Fact(measure.value) for measure in Measure)
"""Facts that rest on the word of the product's owner alone."""

_APART = (
    ProtectionKind.SECURE_SPLIT,
    ProtectionKind.KEY_VAULT,
    ProtectionKind.SECURE_ELEMENT,
    ProtectionKind.CLOSED_UNTIL_RESET,
    ProtectionKind.GATED_CODE,
)
_APART_FOUNDATIONS = (
    "secure/non-secure split",
    "key vault behind a core boundary",
    "closed-until-reset or gated code area",
    "physical memory protection with lock",
)
_SHUTS = ("not written", "not reached")
_KEPT_MOMENTS = frozenset({"once, in the factory", "at every start, before other code runs"})
_TRIAL_MOMENT = "at the start of an image on trial"
"""Values of the lock-down's `Effect` and `Moment`, which is loaded only where there is one."""

_RECORDS = (
    BlockRole.FLOOR,
    BlockRole.KEYS,
    BlockRole.JOURNAL,
    BlockRole.SELECTOR,
    BlockRole.REQUESTS,
    BlockRole.KEEP,
)


@dataclass(frozen=True, slots=True)
class CutVerdict:
    """What the check under power cuts says of the product's own procedure.

    Attributes:
        holds: Whether it holds at the steady level.
        closed: Whether every state was seen.
    """

    holds: bool
    closed: bool


@dataclass(frozen=True, slots=True)
class FaultVerdict:
    """What the bench says of the boot stage: how many of the faults tried led to unapproved code or a lost floor.

    Attributes:
        whole: Whether every fault model was tried, on sound golden runs; only then can no hit mean anything.
    """

    tried: int
    hits: int
    whole: bool = True

    @property
    def is_clean(self) -> bool:
        """Whether nothing got through of everything that was to be tried."""
        return self.whole and not self.hits


@dataclass(frozen=True, slots=True)
class FactRow:
    """One fact.

    Attributes:
        why: What says so, in a short phrase.
        source: "part", "product", "plan", "lock-down", "prove", "bench" or "declared".
    """

    fact: Fact
    holds: bool
    why: str
    source: str

    @property
    def is_protection(self) -> bool:
        """Whether it stands in an attacker's way."""
        return self.fact not in CIRCUMSTANCES


@dataclass(frozen=True, slots=True)
class Facts:
    """All facts of one product, in the order of `Fact`."""

    rows: tuple[FactRow, ...]

    @property
    def holding(self) -> frozenset[Fact]:
        """The facts that hold."""
        return frozenset(row.fact for row in self.rows if row.holds)

    @property
    def protections(self) -> tuple[Fact, ...]:
        """The protections that hold."""
        return tuple(row.fact for row in self.rows if row.holds and row.is_protection)

    def row(self, fact: Fact) -> FactRow:
        """Return what is said of one fact."""
        return next(row for row in self.rows if row.fact is fact)


def find_facts(
    product: Product,
    plan: PlanResult | None = None,
    *,
    lockdown: LockdownPlan | None = None,
    cuts: CutVerdict | None = None,
    bench: FaultVerdict | None = None,
) -> Facts:
    """Return every fact of a product, with its reason.

    Args:
        product: The product on its part.
        plan: Its plan; without a map nothing is known of blocks.
        lockdown: Which protections cover what; without it the product's words and the part's abilities count.
        cuts: The verdict of the check under power cuts.
        bench: The verdict of the bench.
    """
    finder = _Finder(product, plan, lockdown, cuts, bench)
    return Facts(tuple(finder.find(fact) for fact in Fact))


class _Finder:
    def __init__(
        self,
        product: Product,
        plan: PlanResult | None,
        lockdown: LockdownPlan | None,
        cuts: CutVerdict | None,
        bench: FaultVerdict | None,
    ) -> None:
        self.product, self.chip = product, product.chip
        self.plan = plan
        self.map: Map | None = None if plan is None else plan.plan.map
        self.lockdown, self.cuts, self.bench = lockdown, cuts, bench

    def find(self, fact: Fact) -> FactRow:
        if fact in DECLARED:
            said = Measure(fact.value) in self.product.review.measures
            return FactRow(fact, said, "review.measures names it" if said else "not declared", "declared")
        holds, why, source = _FINDERS[fact](self)
        return FactRow(fact, holds, why, source)

    # -- the map -------------------------------------------------------------------------------------------------------

    def regions(self, *roles: BlockRole) -> tuple[Region, ...]:
        return () if self.map is None else tuple(r for r in self.map.regions if r.role in roles)

    def external(self, *roles: BlockRole) -> tuple[bool, str, str]:
        if self.map is None:
            outside = not any(m.kind is MemoryKind.FLASH and m.executable for m in self.chip.memories)
            return outside, "no map; the part has code only outside" if outside else "no map", "plan"
        found = [r.block for r in self.regions(*roles) if self.chip.memory(r.memory).kind is MemoryKind.EXTERNAL]
        return bool(found), f"{', '.join(found)} in external memory" if found else "all inside the package", "plan"

    def locked(self, regions: Iterable[Region], what: str, *, on_trial: bool = False) -> tuple[bool, str, str]:
        regions = tuple(regions)
        source = "plan" if self.lockdown is None else "lock-down"
        if not regions:
            return False, f"the plan has no {what}", "plan"
        open_ones = [r.block for r in regions if not self.is_locked(r, on_trial=on_trial)]
        if open_ones:
            return False, f"open: {', '.join(open_ones)}", source
        return True, f"protected: {', '.join(r.block for r in regions)}", source

    def is_locked(self, region: Region, *, on_trial: bool = False) -> bool:
        """Whether running code cannot write a block: by the lock-down's covers, else by what product and part say.

        With `on_trial` a cover that is there during a trial alone is enough.
        """
        if self.lockdown is not None:
            moments = _KEPT_MOMENTS | {_TRIAL_MOMENT} if on_trial else _KEPT_MOMENTS
            covers = [c for c in self.lockdown.find_covers(region.block) if c.moment in moments]
            return any(c.effect in _SHUTS and c.lock is not Lock.NONE for c in covers)
        return region.block in self.product.protect and bool(lasting_write_protections(self.chip, region.memory))

    def way_back_regions(self) -> tuple[Region, ...]:
        seconds = tuple(r for r in self.regions(BlockRole.SLOT) if r.block.startswith("second:"))
        return self.regions(BlockRole.STAGING) + seconds

    def locks_fall(self) -> tuple[bool, str, str]:
        boots = self.regions(BlockRole.BOOT)
        if self.lockdown is not None and boots:
            covers = [c for r in boots for c in self.lockdown.find_covers(r.block) if c.effect in _SHUTS]
            keeps = any(c.lock in (Lock.PERMANENT, Lock.ERASE_TO_OPEN) for c in covers)
            return not keeps, f"the boot stage's cover {'outlives a' if keeps else 'falls at'} reset", "lock-down"
        memories = {r.memory for r in boots} or {m.name for m in self.chip.memories}
        kinds = {p.lock for name in memories for p in lasting_write_protections(self.chip, name)}
        falls = not kinds or Lock.UNTIL_RESET in kinds
        why = "nothing says that a lock is used that outlives a reset" if falls else "the part's locks outlive a reset"
        return falls, why, "part"

    def debug_lock(self, locks: frozenset[Lock]) -> tuple[bool, str, str]:
        if self.lockdown is not None and str(self.lockdown.find_aim("debug-closed").met) == "not met":
            return False, "the aim debug-closed is not met", "lock-down"
        return self.has(ProtectionKind.DEBUG_LOCK, locks=locks)

    # -- the part ------------------------------------------------------------------------------------------------------

    def has(self, *kinds: ProtectionKind, locks: frozenset[Lock] | None = None) -> tuple[bool, str, str]:
        found = [p for kind in kinds for p in self.chip.find_protections(kind) if locks is None or p.lock in locks]
        words = ", ".join(sorted({str(p.kind) for p in found}))
        return bool(found), f"the part has {words}" if found else f"the part describes no {kinds[0]} for it", "part"

    def secrets_apart(self) -> tuple[bool, str, str]:
        if self.lockdown is not None and not self.chip.find_protections(ProtectionKind.SECURE_ELEMENT):
            apart = self.lockdown.isolation in _APART_FOUNDATIONS
            return apart, f"isolation rests on {self.lockdown.isolation}", "lock-down"
        pmp = self.chip.find_protections(ProtectionKind.PHYSICAL_MEMORY_PROTECTION)
        if any(p.lock is not Lock.NONE for p in pmp):
            return True, "locked physical memory protection binds every mode", "part"
        return self.has(*_APART)

    def unprivileged(self) -> tuple[bool, str, str]:
        said = self.product.unprivileged
        fence = self.has(ProtectionKind.PROTECTION_UNIT, ProtectionKind.PHYSICAL_MEMORY_PROTECTION)[0]
        if said and fence:
            return True, "lock.application_unprivileged says so, and the part can fence it", "product"
        return False, "the part has nothing to fence it" if said else "nothing says so", "product"

    # -- what others found ---------------------------------------------------------------------------------------------

    def under_cuts(self, *, holding: bool) -> tuple[bool, str, str]:
        if self.cuts is None:
            return False, "not checked", "prove"
        if holding:
            good = self.cuts.holds and self.cuts.closed
            return good, "model-checked, closed" if good else "not in every state", "prove"
        return not self.cuts.holds, "a claim breaks" if not self.cuts.holds else "no claim breaks", "prove"

    def on_bench(self, *, clean: bool) -> tuple[bool, str, str]:
        if self.bench is None:
            return False, "not tried", "bench"
        why = f"{self.bench.hits} of {self.bench.tried} faults tried"
        if not self.bench.whole:
            why += ", not of all models, or on golden runs that fail"
        return self.bench.is_clean if clean else self.bench.hits > 0, why, "bench"

    def way_back(self) -> tuple[bool, str, str]:
        if self.plan is None:
            return False, "no plan", "plan"
        offers = self.plan.plan.demand.traits.way_back
        holds = offers and self.product.update.trial
        return holds, "a failed image is put back" if holds else "no image is put back", "plan"


_LASTING = frozenset({Lock.UNTIL_RESET, Lock.ERASE_TO_OPEN, Lock.PERMANENT})
_OUTLIVES = frozenset({Lock.PERMANENT})

_FINDERS: dict[Fact, Callable[[_Finder], tuple[bool, str, str]]] = {
    Fact.EXTERNAL_MEMORY: lambda f: f.external(*BlockRole),
    Fact.EXTERNAL_CODE: lambda f: f.external(BlockRole.BOOT, BlockRole.RECOVERY, BlockRole.SLOT),
    Fact.EXTERNAL_STAGING: lambda f: f.external(BlockRole.STAGING),
    Fact.EXTERNAL_RECORDS: lambda f: f.external(*_RECORDS),
    Fact.DEMO_KEY: lambda f: (any(k.demo for k in f.product.keys), "key.demo", "product"),
    Fact.CLEAR_PAYLOADS: lambda f: (True, "payloads are not encrypted", "product"),
    Fact.RADIO_STACK: lambda f: (bool(f.product.find_images(ImageRole.RADIO_STACK)), "image roles", "product"),
    Fact.SETTINGS_AREA: lambda f: (_has_kind(f.chip, MemoryKind.SETTINGS), "memory kinds", "part"),
    Fact.LOCKS_FALL_AT_RESET: lambda f: f.locks_fall(),
    Fact.FAILS_UNDER_CUTS: lambda f: f.under_cuts(holding=False),
    Fact.FAULT_HITS: lambda f: f.on_bench(clean=False),
    Fact.HAS_KEEP_AREAS: lambda f: (bool(f.product.keep), "keep tables", "product"),
    Fact.SIGNED_RELEASES: lambda f: (bool(f.product.keys), "key tables", "product"),
    Fact.VERSION_FLOOR: lambda f: (bool(f.regions(BlockRole.FLOOR)), "the map's floor block", "plan"),
    Fact.BOOT_LOCKED: lambda f: f.locked(f.regions(BlockRole.BOOT), "boot stage"),
    Fact.KEYS_LOCKED: lambda f: f.locked(f.regions(BlockRole.KEYS), "block for keys"),
    Fact.FLOOR_LOCKED: lambda f: f.locked(f.regions(BlockRole.FLOOR), "version floor"),
    Fact.SLOTS_LOCKED: lambda f: f.locked(f.regions(BlockRole.SLOT), "slot"),
    Fact.WAY_BACK_LOCKED: lambda f: f.locked(f.way_back_regions(), "second image", on_trial=True),
    Fact.LOGS_LOCKED: lambda f: f.locked(f.regions(BlockRole.JOURNAL, BlockRole.SELECTOR), "journal"),
    Fact.KEEP_LOCKED: lambda f: f.locked(f.regions(BlockRole.KEEP), "keep-area"),
    Fact.DEBUG_LOCK: lambda f: f.debug_lock(_LASTING),
    Fact.DEBUG_LOCK_FOR_EVER: lambda f: f.debug_lock(_OUTLIVES),
    Fact.READ_LOCK: lambda f: f.has(ProtectionKind.EXTERNAL_READ_LOCK, locks=_LASTING),
    Fact.EXECUTE_ONLY: lambda f: f.has(ProtectionKind.EXECUTE_ONLY),
    Fact.SECRETS_APART: lambda f: f.secrets_apart(),
    Fact.UNPRIVILEGED: lambda f: f.unprivileged(),
    Fact.FIXED_ENTRY: lambda f: f.has(ProtectionKind.FIXED_RESET_ENTRY),
    Fact.INLINE_DECRYPTION: lambda f: f.has(ProtectionKind.INLINE_DECRYPTION),
    Fact.TAMPER_INPUT: lambda f: f.has(ProtectionKind.TAMPER_INPUT),
    Fact.WATCHDOG: lambda f: (
        f.product.update.watchdog_s is not None and f.has(ProtectionKind.WATCHDOG)[0],
        "update.watchdog and the part's watchdog",
        "product",
    ),
    Fact.WAY_BACK: lambda f: f.way_back(),
    Fact.RECOVERY: lambda f: (bool(f.regions(BlockRole.RECOVERY)), "the map's recovery block", "plan"),
    Fact.HOLDS_UNDER_CUTS: lambda f: f.under_cuts(holding=True),
    Fact.BENCH_CLEAN: lambda f: f.on_bench(clean=True),
}


def _has_kind(chip: Chip, kind: MemoryKind) -> bool:
    return any(memory.kind is kind for memory in chip.memories)
