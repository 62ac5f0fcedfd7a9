"""What one file says of a part: single facts, each with the place that it comes from."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Generic, TypeVar

from rootwright.describe.chip import Architecture, MemoryKind, SectorRun

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Fact(Generic[T]):
    """A value, and where it stands: file, and line or byte offset."""

    value: T
    source: str


class Weight(IntEnum):
    """Whose word counts on where a memory begins and ends: the description of one part before that of many."""

    FLASH_ALGORITHM = 1  # one algorithm often serves parts of several sizes
    DEVICETREE = 2
    DEVICE_DESCRIPTION = 3


@dataclass(frozen=True, slots=True)
class MemoryFacts:
    """What one file says of one memory. Addresses and sizes in bytes; None where it is silent.

    Attributes:
        called: What the file calls it.
        runs: Sector pattern from `base` upwards.
        program_unit: Bytes programmed at once.
        notes: What else it says that helps to read the data sheet, such as time-outs.
    """

    called: str
    weight: Weight
    base: Fact[int]
    size: Fact[int]
    kind: Fact[MemoryKind] | None = None
    runs: Fact[tuple[SectorRun, ...]] | None = None
    program_unit: Fact[int] | None = None
    erased: Fact[int] | None = None
    executable: Fact[bool] | None = None
    startup: bool = False
    notes: tuple[Fact[str], ...] = ()

    @property
    def end(self) -> int:
        """The first address behind the memory."""
        return self.base.value + self.size.value

    def overlaps(self, other: MemoryFacts) -> bool:
        """Whether both share an address."""
        return self.base.value < other.end and other.base.value < self.end


@dataclass(frozen=True, slots=True)
class CellField:
    """Named bits of a register: lowest bit, number of bits, and the values that have a name."""

    name: str
    low: int
    width: int
    access: str = ""
    about: str = ""
    values: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Cell:
    """A register of a peripheral: absolute address, size in bytes, value after reset where it is stated."""

    peripheral: str
    name: str
    address: int
    size: int
    source: str
    access: str = ""
    reset: int | None = None
    about: str = ""
    fields: tuple[CellField, ...] = ()


@dataclass(frozen=True, slots=True)
class Partition:
    """A named range of a memory that somebody has decided on: absolute address and size in bytes."""

    name: str
    address: int
    size: int
    read_only: bool
    source: str


@dataclass(frozen=True, slots=True)
class PartFacts:
    """Everything that one file says of a part.

    Attributes:
        file: The file's name.
        what: What kind of file it is, for people.
        reset_address: Where the core starts after reset.
        cells: Registers, where it describes any.
        algorithms: Ranges that it names a flash algorithm's file for.
        notes: What it does not tell, or tells in a way that could not be followed.
    """

    file: str
    what: str
    name: Fact[str] | None = None
    architecture: Fact[Architecture] | None = None
    clock_hz: Fact[int] | None = None
    reset_address: Fact[int] | None = None
    interrupts: Fact[int] | None = None
    vector_table_relocatable: Fact[bool] | None = None
    protection_unit: Fact[bool] | None = None
    memories: tuple[MemoryFacts, ...] = ()
    cells: tuple[Cell, ...] = field(default=(), repr=False)
    algorithms: tuple[Partition, ...] = ()
    partitions: tuple[Partition, ...] = ()
    notes: tuple[Fact[str], ...] = ()
