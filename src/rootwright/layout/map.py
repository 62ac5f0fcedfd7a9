"""A memory map: which block has which whole sectors of which memory."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.layout.demand import BlockRole


@dataclass(frozen=True, slots=True)
class Region:
    """A placed block. Addresses are absolute, sizes in bytes.

    Attributes:
        first_sector, sectors: Which sectors of its memory it touches (all of them its own when exclusive).
        used: Bytes of content today.
    """

    block: str
    role: BlockRole
    memory: str
    address: int
    size: int
    first_sector: int
    sectors: int
    used: int
    image: str | None = None
    header: int = 0

    @property
    def end(self) -> int:
        """The first address behind the region."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class Map:
    """All regions of one procedure on one part, sorted by memory and address."""

    chip: str
    procedure: str
    regions: tuple[Region, ...]

    def region(self, block: str) -> Region:
        """Return the region of `block`; KeyError where it has none."""
        for region in self.regions:
            if region.block == block:
                return region
        raise KeyError(block)

    def find_regions(self, role: BlockRole) -> tuple[Region, ...]:
        """Return the regions with one role, in order of address."""
        return tuple(region for region in self.regions if region.role is role)


@dataclass(frozen=True, slots=True)
class Misfit:
    """Why no map exists: the block that finds no place, the best gap, and the smallest change that would help.

    Attributes:
        block: The block that cannot be placed.
        needed: Bytes it needs (whole sectors).
        gap_memory, gap_address, gap: The largest gap left for it.
        shrink_block, shrink_bytes: The one block whose minimal size, lowered by that many bytes (of content plus
            allowance), makes everything fit; None where no single block can do it.
        reason: One sentence for people.
    """

    block: str
    needed: int
    gap_memory: str
    gap_address: int
    gap: int
    shrink_block: str | None
    shrink_bytes: int
    reason: str


@dataclass(frozen=True, slots=True)
class Constraint:
    """A wish of another stage on the map: block, what is asked, and who asks why."""

    block: str
    kind: str  # "align", "min_size", "memory", "at"
    value: int | str
    reason: str
