"""The explorer's world for a boot program: contents are bytes of flash, logs hold declared records."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from itertools import pairwise

from rootwright.bench.closure.contents import OTHER, Contents, Grid
from rootwright.bench.closure.records import Half, Newest, Records, Whole
from rootwright.bench.flash import TORN, FlashContent
from rootwright.device.content import FOREIGN, Kind, kind_of
from rootwright.device.port import BLANK, Cell, UpdateProcedure, Version
from rootwright.prove.level import Level
from rootwright.prove.world import NUMBER, UNKNOWN, Flash, LogContent, Packed, SectorContent, World

NAMED = (Kind.OLD, Kind.CURRENT, Kind.NEXT)


@dataclass(frozen=True, slots=True)
class Known:
    """One image by its kind and link address: its bytes from the start of its area on, where its own bytes lie.

    Attributes:
        used: Offsets of its first byte and its end in the area.
    """

    data: bytes
    used: tuple[int, int]


class CutWorld(World):
    """Tables for one exploration of a boot program.

    Args:
        images: By kind and number of the link address.
        records: The declared logs.
        start: The flash at the start, by memory.
    """

    def __init__(
        self,
        grid: Grid,
        procedure: UpdateProcedure,
        level: Level,
        contents: Contents,
        images: dict[tuple[Kind, int], Known],
        records: dict[str, Records],
        flashes: dict[str, FlashContent],
    ) -> None:
        self.grid, self.contents, self.images, self.records = grid, contents, images, records
        self.flashes = flashes
        ground = grid.ground
        self.offsets = [0] * len(ground.sectors)
        for _, first, stop in ground.areas:
            for index in range(first, stop):
                self.offsets[index] = ground.sectors[index].address - ground.sectors[first].address
        self.members: dict[int, dict[Kind, int]] = {}
        self._spoilt: dict[int, int] = {}
        self.programs: dict[tuple[int, int, int, int, bytes], tuple[int, int, int]] = {}
        self.rewritten: set[str] = set()
        self.written: dict[str, dict[Whole, None]] = {name: {} for name in records}
        self.halves: dict[str, dict[tuple[bytes | None, ...], None]] = {name: {} for name in records}
        super().__init__(ground, procedure, level)

    def cell_size(self, sector: int, cell: int) -> int:
        """Return the bytes of a cell."""
        edges = self.grid.edges[sector]
        return edges[cell + 1] - edges[cell]

    def _content(self, kind: Kind, link: int, sector: int) -> tuple[int, ...]:
        place, edges = self.ground.sectors[sector], self.grid.edges[sector]
        image = self.images.get((Kind.OLD if kind is Kind.STALE else kind, link))
        if image is None:
            return (int(FOREIGN),) * place.cells
        base = self.offsets[sector]
        cells = []
        for cell, (low, high) in enumerate(pairwise(edges)):
            data = image.data[base + low : base + high].ljust(high - low, bytes([self.contents.erased]))
            number = self.contents.declare(kind, link, place.position + cell, data)
            if number != BLANK:
                self.members.setdefault(number, {}).setdefault(kind, number)
            cells.append(number)
        return tuple(cells)

    def start(self, procedure: UpdateProcedure) -> Flash:
        """Return the state that the flash at the start stands for."""
        state = []
        for index, sector in enumerate(self.ground.sectors):
            flash = self.flashes[sector.memory]
            cells = []
            for cell in range(sector.cells):
                at, size = self.grid.span(index, cell)
                first = (at - flash.base) // flash.unit
                units = bytes(flash.units[first : first + size // flash.unit])
                cells.append(self.contents.number(flash.buffer.read(at - flash.base, size), units))
            state.append(self.intern(SectorContent(tuple(cells), False)))
        for name in self.log_location:
            flash = self.flash_of(name)
            record, older = find_newest(self.records[name], flash)
            kept = frozenset(older) if self.logs[name].halves == 1 else frozenset()
            state.append(self.intern(LogContent((record,), kept, False)))  # type: ignore[arg-type]
        state += [self.intern(0), self.intern(UNKNOWN), *(self.intern("boot stage") for _ in self.boots)]
        return tuple(state)

    def without_power(self, state: Packed) -> Packed:
        """Return the state after a cut: where it left the remains of a record in one log, they may lie in any.

        Each log for itself would make eight states of one; a state with more remains stands for those with fewer.
        """
        shifts = [self.shift[location] for location in self.log_location.values()]
        logs = [self.values[state >> shift & NUMBER] for shift in shifts]
        if not any(isinstance(log, LogContent) and log.used for log in logs):
            return state
        for shift in shifts:
            number = state >> shift & NUMBER
            spoilt = self._spoilt.get(number)
            if spoilt is None:
                content = self.values[number]
                assert isinstance(content, LogContent)
                spoilt = self._spoilt[number] = self.intern(content._replace(used=True))
            if spoilt != number:
                state ^= (number ^ spoilt) << shift
        return state

    def flash_of(self, log: str) -> FlashContent:
        """Return the memory that a log stands in."""
        at = self.records[log].declared.at
        return next(flash for flash in self.flashes.values() if flash.holds(at))

    def _rename(self, value: Hashable, older: bool) -> Hashable:
        if isinstance(value, LogContent):
            newest = tuple(dict.fromkeys(_renamed(record) for record in value.newest))  # type: ignore[arg-type]
            known = frozenset(_renamed(record) for record in value.older)  # type: ignore[arg-type]
            return LogContent(newest, known, value.used)  # type: ignore[arg-type]
        if isinstance(value, SectorContent):
            fits = self._kinds_of(value.cells)
            cells = tuple(self._rename_as(cell, fits, older) for cell in value.cells)
            return SectorContent(cells, value.weak)
        return value

    def _kinds_of(self, cells: tuple[int, ...]) -> set[Kind]:
        """Return the versions that all decided cells of a sector may belong to."""
        fits = set(NAMED)
        for cell in cells:
            if cell in self.members:
                fits &= set(self.members[cell])
        return fits

    def _rename_as(self, cell: int, fits: set[Kind], older: bool) -> int:
        if cell < 0:
            return self.undecided({self._rename_as(c, fits, older) for c in self.options[-cell - 1]})
        what = kind_of(Cell(cell))
        if what is None or what[2] >= OTHER or cell not in self.members:
            return cell
        _, link, position = what
        own = [kind for kind in NAMED if kind in self.members[cell]]
        if not own:
            return cell
        # A cell that two versions share goes with the rest of its sector, else with the newest of them.
        kind = max([k for k in own if k in fits] or own)
        target = {Kind.NEXT: Kind.CURRENT, Kind.CURRENT: Kind.OLD}.get(kind, kind)
        del older  # Every older version is represented by one.
        if (target, link) not in self.images or kind is target:
            return cell
        return self._cell_of(target, link, position)

    def _cell_of(self, kind: Kind, link: int, position: int) -> int:
        for index, sector in enumerate(self.ground.sectors):
            if sector.position <= position < sector.position + sector.cells:
                image = self.images[(kind, link)]
                edges, base = self.grid.edges[index], self.offsets[index]
                low, high = edges[position - sector.position], edges[position - sector.position + 1]
                data = image.data[base + low : base + high].ljust(high - low, bytes([self.contents.erased]))
                return self.contents.declare(kind, link, position, data)
        raise AssertionError(position)


def _renamed(record: Newest) -> Newest:
    if isinstance(record, Half):
        whole = _renamed(record.newest)
        assert not isinstance(whole, Half)
        return Half(whole, record.units)
    if record is None or record.version is None:
        return record
    return record._replace(version=Version(max(-1, record.version - 1)))


def find_newest(records: Records, flash: FlashContent) -> tuple[Whole | None, list[Whole]]:
    """Return the newest whole record of a log as its bytes stand in flash, and what the others say."""
    found = sorted(scan(records, flash), key=lambda item: item[0])
    if not found:
        return None, []
    return found[-1][1], list(dict.fromkeys(record for _, record, _ in found[:-1]))


def scan(records: Records, flash: FlashContent) -> list[tuple[int, Whole, tuple[int, int]]]:
    """Return number, content and place of every whole record of a log as its bytes stand in flash."""
    entry, unit, count = records.declared.entry, flash.unit, records.declared.records
    found = []
    for half in (0, 1):
        at = records.address(half, 0) - flash.base
        data, units = flash.buffer.read(at, entry * count), flash.units[at // unit : (at + entry * count) // unit]
        each = entry // unit
        for index in range(count):
            states = units[index * each : (index + 1) * each]
            if TORN in states or not any(states):
                continue
            record = records.read(data[index * entry : (index + 1) * entry])
            if record is not None:
                found.append((*record, (half, index)))
    return found
