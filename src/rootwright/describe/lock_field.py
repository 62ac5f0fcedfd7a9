"""Fields of a part that hold its protections: where each lies, what its bits mean, who can see it. Frozen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class LifeState(StrEnum):
    """Where a device stands in its life."""

    DEVELOPMENT = "development"
    PRODUCTION = "production"
    FIELD_RETURN = "field return"
    END_OF_LIFE = "end of life"


class Observer(StrEnum):
    """Who looks at a field, or reaches for something."""

    PROBE = "debug probe"
    BOOT = "boot stage"
    APPLICATION = "application"


class ProtectionUnit(StrEnum):
    """The programming model of a protection unit, as the architecture manuals name it."""

    PMSAV6 = "PMSAv6"
    PMSAV7 = "PMSAv7"
    PMSAV8 = "PMSAv8"
    PMP = "PMP"
    SMEPMP = "PMP with Smepmp"


class LockRole(StrEnum):
    """What the bits of a field say."""

    MASK = "mask"
    START = "range start"
    END = "range end"
    SIZE = "size"
    LEVEL = "level"
    UNIT = "unit identifier"
    SILICON = "silicon revision"


@dataclass(frozen=True, slots=True)
class LockField:
    """One field of a settings word, one-time word or register.

    Attributes:
        protection: Name of the protection that it belongs to; empty for identifiers.
        address, width: The word it lies in, and that word's access width in bits.
        low, bits: Its lowest bit in that word, and how many bits it has.
        first: For a mask the granule that its lowest bit stands for, counted from the start of the memory covered; for
            a range or a size the number of the region.
        active_low: Whether a 0 protects; for masks.
        locked: The value that locks, for levels; the revision's value, for the silicon revision. None where not given.
        delivered: Its value as delivered; None where not given.
        stored_in: Name of the stored field of which this one is the loaded copy; empty where it is none.
        visible: Who can see it, by state; a state that is not listed follows the debug port.
    """

    name: str
    role: LockRole
    address: int
    protection: str = ""
    width: int = 32
    low: int = 0
    bits: int = 32
    first: int = 0
    active_low: bool = False
    locked: int | None = None
    delivered: int | None = None
    stored_in: str = ""
    visible: tuple[tuple[LifeState, tuple[Observer, ...]], ...] = ()

    @property
    def mask(self) -> int:
        """The field's bits in its word."""
        return ((1 << self.bits) - 1) << self.low

    @property
    def end(self) -> int:
        """The first address behind the word."""
        return self.address + self.width // 8
