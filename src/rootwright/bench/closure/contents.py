"""What a stretch of flash holds, as the explorer's small numbers, and back to bytes.

Sectors are cut into model cells as in the procedure models: each cell is a run of program units. Bytes of the approved
images are numbered as content of a version, so that a kept version can be renamed; any other bytes get a number each.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import NamedTuple

from rootwright.bench.flash import BLANK, PROGRAMMED, TORN
from rootwright.device.content import FOREIGN, Kind, content_cell, kind_of
from rootwright.device.content import PROGRAMMED as ALL_PROGRAMMED
from rootwright.device.ground import Ground, GroundSector
from rootwright.device.port import BLANK as BLANK_CELL
from rootwright.device.port import FAULT, Cell

OTHER = 1 << 20
"""Positions from here on number contents that are no part of a known image."""

HEAD = 128
"""Bytes of a sector's first cell: what stands at its start, such as a header, often decides alone."""


class Stored(NamedTuple):
    """Bytes with what each of their program units is."""

    data: bytes
    units: bytes


class Place(NamedTuple):
    """A stretch of addresses: a sector of the ground by its index, or a log by its name."""

    start: int
    end: int
    sector: int
    log: str


@dataclass(frozen=True, slots=True)
class Grid:
    """How addresses become cells: the ground's sectors in order of address, the logs, and the cells' edges.

    Attributes:
        edges: For each sector of the ground the offsets of its cells and its end.
    """

    ground: Ground
    edges: tuple[tuple[int, ...], ...]
    places: tuple[Place, ...]
    starts: tuple[int, ...]

    def find(self, address: int) -> Place | None:
        """Return what is modelled at an address."""
        index = bisect_right(self.starts, address) - 1
        return self.places[index] if index >= 0 and address < self.places[index].end else None

    def next_start(self, address: int) -> int:
        """Return where the next thing modelled behind an address begins; far behind all memory where there is none."""
        index = bisect_right(self.starts, address)
        return self.starts[index] if index < len(self.starts) else 1 << 32

    def cells(self, sector: int, start: int, end: int) -> range:
        """Return the cells of a sector that hold some of the offsets from `start` to `end`."""
        edges = self.edges[sector]
        return range(bisect_right(edges, start) - 1, bisect_right(edges, end - 1))

    def span(self, sector: int, cell: int) -> tuple[int, int]:
        """Return address and size of a cell."""
        edges = self.edges[sector]
        return self.ground.sectors[sector].address + edges[cell], edges[cell + 1] - edges[cell]


def cell_edges(size: int, unit: int) -> tuple[int, ...]:
    """Return where the cells of a sector begin, and its end: its head, the rest of its first half, its second half.

    >>> cell_edges(4096, 8)
    (0, 128, 2048, 4096)
    """
    head, middle = -(-HEAD // unit) * unit, size // 2 // unit * unit
    return tuple(sorted({0, *(edge for edge in (head, middle) if 0 < edge < size), size}))


def make_grid(ground: Ground, logs: dict[str, tuple[int, int]], units: dict[str, int]) -> Grid:
    """Return the grid of a ground and logs (name: address and size); `units` has each memory's program unit."""
    edges = tuple(cell_edges(s.size, units[s.memory]) for s in ground.sectors)
    places = [Place(s.address, s.address + s.size, i, "") for i, s in enumerate(ground.sectors)]
    places += [Place(at, at + size, -1, name) for name, (at, size) in logs.items()]
    places.sort()
    return Grid(ground, edges, tuple(places), tuple(place.start for place in places))


def units_of(data: bytes, unit: int, erased: int) -> bytes:
    """Return what each unit is where a programmer put bytes in: those that are all erased stay so."""
    blank = bytes([erased]) * unit
    return bytes(BLANK if data[at : at + unit] == blank else PROGRAMMED for at in range(0, len(data), unit))


class Contents:
    """Numbers of cell contents. Equal bytes have the equal number, whichever version they belong to."""

    def __init__(self, sector: GroundSector, unit: int, *, coded: bool) -> None:
        self.unit = unit
        self.erased = 0xFF if sector.erased is None else sector.erased
        self.coded = coded
        self._numbers: dict[Stored, int] = {}
        self._stored: dict[int, Stored] = {}
        self._others = 0

    def _standard(self, data: bytes, units: bytes) -> Stored:
        if TORN not in units:
            return Stored(data, units)
        clean = bytearray(data)
        for at, state in enumerate(units):
            if state == TORN:
                clean[at * self.unit : (at + 1) * self.unit] = bytes(self.unit)
        return Stored(bytes(clean), units)

    def declare(self, kind: Kind, link: int, position: int, data: bytes) -> int:
        """Return the number of an image's cell: bytes of `kind` at `position` of what is linked for `link`."""
        stored = Stored(data, units_of(data, self.unit, self.erased))
        if not any(stored.units):
            return int(BLANK_CELL)
        number = self._numbers.get(stored)
        if number is None:
            number = int(content_cell(kind, link, position))
            self._numbers[stored] = number
            self._stored[number] = stored
        return number

    def number(self, data: bytes, units: bytes) -> int:
        """Return the number of what a cell holds."""
        if not any(units):
            return int(BLANK_CELL)
        if units.count(TORN) == len(units):
            return int(FAULT)
        stored = self._standard(data, units)
        number = self._numbers.get(stored)
        if number is None:
            number = int(content_cell(Kind.PERMANENT, 0, OTHER + self._others))
            self._others += 1
            self._numbers[stored] = number
            self._stored[number] = stored
        return number

    def stored(self, number: int, size: int) -> Stored:
        """Return what a cell of that number holds; cells that cannot be read are undecodable or noise."""
        found = self._stored.get(number)
        if found is not None:
            return found
        count = size // self.unit
        if number == BLANK_CELL:
            return Stored(bytes([self.erased]) * size, bytes([BLANK]) * count)
        if number == ALL_PROGRAMMED:
            return Stored(bytes([self.erased ^ 0xFF]) * size, bytes([PROGRAMMED]) * count)
        if number == FAULT and self.coded:
            return Stored(bytes(size), bytes([TORN]) * count)
        assert number in (FAULT, FOREIGN), kind_of(Cell(number))
        return Stored(bytes((at * 151 + 89) & 0xFF for at in range(size)), bytes([PROGRAMMED]) * count)

    def without_unit(self, data: bytes, units: bytes, unit: int) -> int:
        """Return the number of a content whose `unit`-th unit cannot be decoded."""
        return self.number(data, units[:unit] + bytes([TORN]) + units[unit + 1 :])
