"""What a design rule is: a question about a product, why it is asked, how to mend, and which provision it serves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from rootwright.describe.chip import Memory, MemoryKind
from rootwright.describe.product import Attacker, Product
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region
from rootwright.plan.result import Finding, PlanResult
from rootwright.review.facts import Facts, FaultVerdict


class Reading(StrEnum):
    """How we know what a provision says."""

    READ = "read"
    QUOTED = "as public sources quote it"
    MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Provision:
    """A place in a document that a rule serves; serving it is not fulfilling it."""

    document: str
    place: str
    reading: Reading

    @property
    def words(self) -> str:
        """Document, place and how we know it."""
        return f"{self.document}, {self.place} ({self.reading})"


@dataclass(frozen=True, slots=True)
class Subject:
    """What rules look at: one product with its plan and facts."""

    product: Product
    plan: PlanResult
    facts: Facts
    bench: FaultVerdict | None = None

    @property
    def map(self) -> Map | None:
        """The map of the product's own procedure, None where it has none."""
        return self.plan.plan.map

    def regions(self, *roles: BlockRole) -> tuple[Region, ...]:
        """Return the map's regions with some roles; none where there is no map."""
        return () if self.map is None else tuple(r for r in self.map.regions if r.role in roles)

    def memory(self, region: Region) -> Memory:
        """Return the memory that a region is in."""
        return self.product.chip.memory(region.memory)

    def external(self, *roles: BlockRole) -> tuple[Region, ...]:
        """Return the regions with some roles that lie in external memory."""
        return tuple(r for r in self.regions(*roles) if self.memory(r).kind is MemoryKind.EXTERNAL)

    def in_scope(self, *attackers: Attacker) -> bool:
        """Say whether one of some attackers is in scope."""
        return any(attacker in self.product.attackers for attacker in attackers)


@dataclass(frozen=True, slots=True)
class Hit:
    """One place where a rule is broken.

    Attributes:
        field: Field of the product or chip file, such as "update.trial"; empty for none.
        found: What was found.
        block: The block, image or key that it is about; empty for the whole.
    """

    field: str
    found: str
    block: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One design rule.

    Attributes:
        id: Stable name, listed in the manual.
        note: True where a break is to be known and decided, not to be mended.
        check: Yields each place where it is broken.
    """

    id: str
    title: str
    why: str
    mend: str
    serves: tuple[Provision, ...]
    check: Callable[[Subject], Iterator[Hit]]
    note: bool = False

    def find(self, subject: Subject) -> tuple[tuple[Finding, str], ...]:
        """Return its findings on a product, each with the field that it is about."""
        return tuple(
            (Finding(self.id, hit.block or hit.field, hit.found, self.mend, self.note), hit.field)
            for hit in self.check(subject)
        )
