"""Settings areas and views of a part: words that are loaded at reset, and what is seen at which address because of it.

A settings area is programmed after an unlock sequence, erased as one unit and loaded at reset. Its fields decide on
banks, write protection and ports. Frozen; `settings_file` reads it from TOML.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Torn(StrEnum):
    """What a settings area may load as after its programming was cut."""

    OLD = "old"
    NEW = "new"
    DEFAULT = "default"
    LOCKED = "locked"


class Loaded(StrEnum):
    """When a settings area takes effect."""

    RESET = "reset"
    POWER_UP = "power-up"
    COMMAND = "command"


class Complement(StrEnum):
    """Where the complement of a settings word stands, by which a torn word is told from a whole one."""

    NONE = "none"
    UPPER_HALF = "upper half"
    NEXT_WORD = "next word"


class Purpose(StrEnum):
    """What a settings field decides."""

    BANK = "bank mapping"
    BOOT_ADDRESS = "boot address"
    WRITE_PROTECTION = "write protection"
    EXTERNAL_READ_LOCK = "external read lock"
    DEBUG_LOCK = "debug lock"
    SECURE_SPLIT = "secure/non-secure split"
    LIFE_CYCLE = "life cycle"
    WATCHDOG = "watchdog"
    OTHER = "other"


class Effect(StrEnum):
    """What happens on the way from one value of a field to another."""

    NONE = "none"
    MASS_ERASE = "mass erase"
    LOCKS_AREA = "locks the area"


@dataclass(frozen=True, slots=True)
class UnlockWrite:
    """One write of an unlock sequence: which value goes to which register address."""

    address: int
    value: int


@dataclass(frozen=True, slots=True)
class SettingsValue:
    """One row of a field's value map.

    Attributes:
        maps: For a field that maps banks, the bank that the value maps low; else None.
    """

    value: int
    means: str
    maps: int | None = None


@dataclass(frozen=True, slots=True)
class Transition:
    """A change from one meaning of a field to another that is not like the others.

    Attributes:
        possible: Whether the part makes this change at all; one-way fields have changes that it refuses.
    """

    before: str
    after: str
    possible: bool = True
    effect: Effect = Effect.NONE


@dataclass(frozen=True, slots=True)
class SettingsField:
    """One field of a settings area.

    Attributes:
        offset: Byte offset in the area of the word that holds it.
        bit, width: Its lowest bit in that word, and how many bits it has.
        through: Address of the register that the word is written through, None where it is written in place.
        active_low: Whether a zero bit switches on (an erased area of ones then protects nothing).
        values: Value map; empty for a field that is a number (an address, a sector, a mask).
        otherwise: What any value means that is not in the map; empty where the data sheet says nothing.
        default: What the field means in an area in its default state.
    """

    name: str
    purpose: Purpose
    offset: int
    bit: int
    width: int
    through: int | None = None
    active_low: bool = False
    values: tuple[SettingsValue, ...] = ()
    otherwise: str = ""
    default: str = ""
    transitions: tuple[Transition, ...] = ()

    def meaning(self, value: int) -> str:
        """Return what a stored value means: a row of the map, or what all others mean.

        >>> rows = (SettingsValue(0xAA, "second", 1),)
        >>> low = SettingsField("low", Purpose.BANK, 0, 0, 8, values=rows, otherwise="first")
        >>> low.meaning(0xAA), low.meaning(0xAB)
        ('second', 'first')
        """
        return next((row.means for row in self.values if row.value == value), self.otherwise)

    def find_transition(self, before: str, after: str) -> Transition:
        """Return what is known of a change; a plain possible one where the part describes none."""
        for transition in self.transitions:
            if (transition.before, transition.after) == (before, after):
                return transition
        return Transition(before, after)

    def bank(self, means: str) -> int | None:
        """Return the bank that a meaning maps low, None where it maps none of the two."""
        return next((row.maps for row in self.values if row.means == means), None)


@dataclass(frozen=True, slots=True)
class SettingsArea:
    """One settings area: a memory of that kind, and how its words behave.

    Attributes:
        memory: Name of its memory, which gives place, units, times and endurance.
        unlock: Writes that open it for programming, in order.
        load_resets: Whether loading it resets the core.
        torn: What it may load as after its programming was cut.
    """

    memory: str
    unlock: tuple[UnlockWrite, ...]
    loaded: Loaded
    load_resets: bool
    complement: Complement
    torn: tuple[Torn, ...]
    fields: tuple[SettingsField, ...]

    def find_field(self, purpose: Purpose) -> SettingsField | None:
        """Return the first field with one purpose, None where there is none."""
        return next((field for field in self.fields if field.purpose is purpose), None)


class Side(StrEnum):
    """Which side of a secure/non-secure split sees a view."""

    BOTH = "both"
    SECURE = "secure"
    NON_SECURE = "non-secure"


@dataclass(frozen=True, slots=True)
class View:
    """A range of bus addresses at which a memory is seen once more.

    Attributes:
        address: First bus address.
        offset, size: Which part of the memory is seen there.
        field, value: The view is there only while this settings field has this meaning; empty where it always is.
        cached: Whether reads go through a cache that is stale until invalidated.
        executes: Whether the core can run code through it.
    """

    name: str
    memory: str
    address: int
    offset: int
    size: int
    field: str = ""
    value: str = ""
    side: Side = Side.BOTH
    cached: bool = False
    executes: bool = True

    @property
    def end(self) -> int:
        """The first address behind the view."""
        return self.address + self.size
