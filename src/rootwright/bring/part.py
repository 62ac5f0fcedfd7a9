"""Several files about one part merged: one value for each fact, and what they contradict each other in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import gcd
from typing import TypeVar

from rootwright.bring.facts import Cell, Fact, MemoryFacts, PartFacts, Partition, Weight
from rootwright.describe.chip import Architecture, MemoryKind, SectorRun
from rootwright.describe.units import address_words, size_words

T = TypeVar("T")
MOST_MEMORIES = 48
MOST_RUNS = 64
MOST_SECTORS = 1 << 16
PERIPHERALS_FROM = 0x4000_0000
"""Where peripherals begin on Arm M-profile parts; registers below it are words that are kept or written once.
Source: Armv7-M Architecture Reference Manual, "The system address map" (quoted from memory)."""


@dataclass(frozen=True, slots=True)
class MergedMemory:
    """One memory of the part. Attributes as in `MemoryFacts`; `name` is its short name in the chip file.

    Attributes:
        differ: Where files contradict each other about it.
    """

    name: str
    called: str
    kind: MemoryKind
    kind_known: bool
    base: Fact[int]
    size: Fact[int]
    runs: Fact[tuple[SectorRun, ...]] | None
    program_unit: Fact[int] | None
    erased: Fact[int] | None
    executable: Fact[bool] | None
    notes: tuple[Fact[str], ...] = ()
    differ: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MergedPart:
    """A part as all files together say it. Attributes as in `PartFacts`.

    Attributes:
        files: Name and kind of each file that was read.
        cells: Registers that keep settings, of the peripherals that were named or lie among the memories.
        cells_guessed: Whether these peripherals were chosen by where they lie.
        differ: Where files contradict each other about the part as a whole.
    """

    files: tuple[tuple[str, str], ...]
    name: Fact[str] | None
    architecture: Fact[Architecture] | None
    clock_hz: Fact[int] | None
    reset_address: Fact[int] | None
    interrupts: Fact[int] | None
    vector_table_relocatable: Fact[bool] | None
    protection_unit: Fact[bool] | None
    memories: tuple[MergedMemory, ...]
    cells: tuple[Cell, ...] = field(default=(), repr=False)
    cells_guessed: bool = False
    partitions: tuple[Partition, ...] = ()
    notes: tuple[Fact[str], ...] = ()
    differ: tuple[str, ...] = ()


def merge_parts(parts: Sequence[PartFacts], *, settings: Sequence[str] = ()) -> MergedPart:
    """Return one part of what several files say; the order of the files decides only between equals.

    Args:
        parts: What each file says.
        settings: Names of the peripherals whose registers are the settings area; where none is named, those that lie
            among the memories.
    """
    differ: list[str] = []

    def one(values: Iterator[Fact[T] | None], what: str) -> Fact[T] | None:
        found = [value for value in values if value is not None]
        differ.extend(
            f"{what}: {found[0].source} says {_said(found[0].value)}, {other.source} {_said(other.value)}"
            for other in found[1:]
            if other.value != found[0].value
        )
        return found[0] if found else None

    memories = _memories(parts)
    cells = tuple(cell for part in parts for cell in part.cells)
    if settings:
        kept = tuple(cell for cell in cells if cell.peripheral in settings)
    else:
        kept = tuple(cell for cell in cells if cell.address < PERIPHERALS_FROM and not _in_memory(cell, memories))
    # A device description names the part; an algorithm or a register description often serves a whole family.
    names = sorted(parts, key=lambda part: not any(m.weight is Weight.DEVICE_DESCRIPTION for m in part.memories))
    return MergedPart(
        files=tuple((part.file, part.what) for part in parts),
        name=next((part.name for part in names if part.name), None),
        architecture=one((part.architecture for part in parts), "architecture"),
        clock_hz=one((part.clock_hz for part in parts), "clock"),
        reset_address=one((part.reset_address for part in parts), "reset address"),
        interrupts=one((part.interrupts for part in parts), "interrupts"),
        vector_table_relocatable=one((part.vector_table_relocatable for part in parts), "vector table"),
        protection_unit=one((part.protection_unit for part in parts), "protection unit"),
        memories=memories,
        cells=tuple(sorted(kept, key=lambda cell: cell.address)),
        cells_guessed=not settings and bool(kept),
        partitions=tuple(partition for part in parts for partition in part.partitions),
        notes=(*(note for part in parts for note in part.notes), *_missing_algorithms(parts)),
        differ=tuple(differ),
    )


def _missing_algorithms(parts: Sequence[PartFacts]) -> Iterator[Fact[str]]:
    """Yield the flash algorithms that a description names and that were not given."""
    given = [m for part in parts for m in part.memories if m.weight is Weight.FLASH_ALGORITHM]
    for wanted in (algorithm for part in parts for algorithm in part.algorithms):
        if not any(m.base.value < wanted.address + wanted.size and wanted.address < m.end for m in given):
            place = f"{size_words(wanted.size)} from {address_words(wanted.address)}"
            yield Fact(f"the flash algorithm {wanted.name} covers {place}; its file tells the sectors", wanted.source)


def peripheral_names(parts: Sequence[PartFacts]) -> tuple[str, ...]:
    """Return the names of all peripherals that the files describe, in their order."""
    return tuple(dict.fromkeys(cell.peripheral for part in parts for cell in part.cells))


def _said(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)


def _in_memory(cell: Cell, memories: Sequence[MergedMemory]) -> bool:
    """Whether a register's address belongs to a memory, as where one file describes a memory by registers."""
    return any(m.base.value <= cell.address < m.base.value + m.size.value for m in memories)


def _memories(parts: Sequence[PartFacts]) -> tuple[MergedMemory, ...]:
    every = [memory for part in parts for memory in part.memories]
    every.sort(key=lambda memory: -memory.weight)
    groups: list[list[MemoryFacts]] = []
    for memory in every:
        homes = [group for group in groups if group[0].overlaps(memory)]
        if homes:
            for group in homes:
                group.append(memory)
        else:
            groups.append([memory])
    groups.sort(key=lambda group: group[0].base.value)
    taken: set[str] = set()
    return tuple(_merged(group, taken) for group in groups[:MOST_MEMORIES])


def _merged(group: Sequence[MemoryFacts], taken: set[str]) -> MergedMemory:
    first = group[0]
    differ = []
    for other in group[1:]:
        same = (other.base.value, other.size.value) == (first.base.value, first.size.value)
        # An algorithm for a larger part of the family is usual, and so is one that covers two memories.
        covers = other.base.value <= first.base.value and other.end >= first.end
        if not same and not (other.weight is Weight.FLASH_ALGORITHM and covers):
            differ.append(
                f"{first.base.source} has {_range(first)}, {other.base.source} {_range(other)}; the first is taken"
            )
    kinds = [memory.kind for memory in group if memory.kind is not None]
    # What an algorithm programs is flash, whatever a description without access rights makes of it.
    kind = next((k for k in kinds if k.value in (MemoryKind.EXTERNAL,)), kinds[0] if kinds else None)
    # An algorithm knows the true pattern; a devicetree only one block size.
    patterns = [found for memory in reversed(group) if (found := _clipped(memory, first))]
    differ += [
        f"sectors: {patterns[0].source} and {other.source}; the first is taken"
        for other in patterns[1:]
        if other.value != patterns[0].value
    ]
    unit = next((memory.program_unit for memory in group if memory.program_unit), None)
    return MergedMemory(
        name=_short_name(kind.value if kind else MemoryKind.FLASH, taken),
        called=first.called,
        kind=kind.value if kind else MemoryKind.FLASH,
        kind_known=kind is not None,
        base=first.base,
        size=first.size,
        runs=next(iter(patterns), None),
        program_unit=unit,
        erased=next((memory.erased for memory in group if memory.erased), None),
        executable=next((memory.executable for memory in group if memory.executable), None),
        notes=tuple(note for memory in group for note in memory.notes),
        differ=tuple(differ),
    )


def _range(memory: MemoryFacts) -> str:
    return f"{size_words(memory.size.value)} from {address_words(memory.base.value)}"


def _short_name(kind: MemoryKind, taken: set[str]) -> str:
    word = {MemoryKind.FLASH: "flash", MemoryKind.EXTERNAL: "external", MemoryKind.RAM: "ram"}[kind]
    name, number = word, 1
    while name in taken:
        number += 1
        name = f"{word}-{number}"
    taken.add(name)
    return name


def _clipped(memory: MemoryFacts, extent: MemoryFacts) -> Fact[tuple[SectorRun, ...]] | None:
    """Return the part of a sector pattern that lies in a memory; None where it cuts a sector or leaves some out."""
    if memory.runs is None:
        return None
    kept: list[SectorRun] = []
    at = memory.base.value
    start, end = extent.base.value, extent.end
    if memory.base.value > start or memory.end < end:
        return None
    for run in memory.runs.value:
        low, high = max(at, start), min(at + run.count * run.size, end)
        if low < high:
            if (low - at) % run.size or (high - at) % run.size or low % run.size:
                return None
            count = (high - low) // run.size
            if kept and kept[-1].size == run.size:
                kept[-1] = SectorRun(kept[-1].count + count, run.size)
            else:
                kept.append(SectorRun(count, run.size))
        at += run.count * run.size
    if len(kept) > MOST_RUNS or sum(run.count for run in kept) > MOST_SECTORS:
        return None
    return Fact(tuple(kept), memory.runs.source)


def placeholder_runs(base: int, size: int) -> tuple[SectorRun, ...]:
    """Return sectors to stand in where no file tells them: of 4 KiB, or the largest power of two below that fits.

    >>> placeholder_runs(0, 0x10000)
    (SectorRun(count=16, size=4096),)
    """
    sector = gcd(base, size, 4096) or 4096
    while size // sector > MOST_SECTORS and base % (2 * sector) == 0 and size % (2 * sector) == 0:
        sector *= 2
    if size // sector > MOST_SECTORS:
        return (SectorRun(1, size),)
    return (SectorRun(size // sector, sector),)
