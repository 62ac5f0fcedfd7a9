"""Regions of the memory map that linker symbols name: a start with an end or a size, in whole sectors.

The words looked for are common practice, no source. Only symbols that a linker script defines count (their value is the
address), and constants of four bytes that the file holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rootwright.bring.facts import Partition
from rootwright.describe.chip import Chip, Memory, MemoryKind
from rootwright.image.model import Image, Symbol

STARTS = frozenset({"start", "begin", "base", "origin", "org", "addr", "address"})
ENDS = frozenset({"end", "limit", "top"})
SIZES = frozenset({"size", "length", "len"})
_NOISE = frozenset(
    {"of", "the", "region", "area", "section", "partition", "flash", "rom", "mem", "memory", "linker", "ld"}
)
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")
MOST_REGIONS = 64


@dataclass(frozen=True, slots=True)
class NamedRegion:
    """A range that somebody has decided on: words of its name, address, size in bytes, and where it is said."""

    words: tuple[str, ...]
    address: int
    size: int
    source: str

    @property
    def end(self) -> int:
        """The first address behind the region."""
        return self.address + self.size

    @property
    def name(self) -> str:
        """A short name made of its words."""
        return "-".join(self.words)[:32].rstrip("-")


def find_named_regions(images: Sequence[Image], chip: Chip) -> tuple[NamedRegion, ...]:
    """Return the regions that the symbols of some files name, each once, in order of address.

    A region counts where it is whole sectors of one memory that keeps its content, and not the whole memory.
    """
    found: dict[tuple[int, int, tuple[str, ...]], NamedRegion] = {}
    for image in images:
        starts: dict[tuple[str, ...], tuple[int, str]] = {}
        ends: dict[tuple[str, ...], int] = {}
        sizes: dict[tuple[str, ...], int] = {}
        for symbol in image.symbols:
            value = _value(symbol, image)
            words = split_words(symbol.name)
            if value is None or len(words) < 2:
                continue
            for kind, stem in _readings(words):
                if kind == "start":
                    starts.setdefault(stem, (value, symbol.name))
                else:
                    (ends if kind == "end" else sizes).setdefault(stem, value)
        for stem, (start, name) in starts.items():
            size = sizes[stem] if stem in sizes else ends.get(stem, start) - start
            memory = _home(chip, start)
            fits = _whole(memory, start, size) if memory is not None else 0
            if fits:
                region = NamedRegion(stem, start, fits, f"{image.name}, symbol {name}")
                found.setdefault((start, fits, stem), region)
    return tuple(sorted(found.values(), key=lambda region: (region.address, region.size)))[:MOST_REGIONS]


def partition_regions(partitions: Iterable[Partition]) -> tuple[NamedRegion, ...]:
    """Return the fixed partitions of a devicetree as named regions."""
    made = []
    for partition in partitions:
        words = tuple(word for word in split_words(partition.name) if word not in _NOISE) or ("partition",)
        made.append(NamedRegion(words, partition.address, partition.size, partition.source))
    return tuple(made)


def split_words(name: str) -> tuple[str, ...]:
    """Return the words of a symbol's name in small letters.

    >>> split_words("__AppSlot_start__"), split_words("APP_SLOT_SIZE")
    (('app', 'slot', 'start'), ('app', 'slot', 'size'))
    """
    return tuple(word.lower() for word in _WORD.findall(name))


def _readings(words: tuple[str, ...]) -> list[tuple[str, tuple[str, ...]]]:
    """Return what a name may say: of which border it speaks, and of what."""
    for border, rest in ((words[-1], words[:-1]), (words[0], words[1:])):
        kind = "start" if border in STARTS else "end" if border in ENDS else "size" if border in SIZES else ""
        stem = tuple(word for word in rest if word not in _NOISE)
        if kind and stem:
            return [(kind, stem)]
    return []


def _value(symbol: Symbol, image: Image) -> int | None:
    if symbol.kind == "other":
        return symbol.address
    if symbol.kind == "object" and symbol.size == 4 and image.holds(symbol.address, 4):
        return int.from_bytes(image.read(symbol.address, 4), "little")
    return None


def _home(chip: Chip, address: int) -> Memory | None:
    kept = (MemoryKind.FLASH, MemoryKind.EXTERNAL)
    return next((m for m in chip.memories if m.kind in kept and m.base <= address < m.end), None)


def _whole(memory: Memory, start: int, size: int) -> int:
    """Return the size where it is whole sectors, else 0; some name the last byte as the end, and not the one behind."""
    borders = {sector.address for sector in memory.sectors()} | {memory.end}
    if start not in borders or (start, size) == (memory.base, memory.size):
        return 0
    return next((length for length in (size, size + 1) if length > 0 and start + length in borders), 0)
