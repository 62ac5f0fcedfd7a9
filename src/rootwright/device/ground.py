"""The ground that a procedure works on: sectors with model cells, areas, and the chunks that move together."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rootwright.describe.chip import BlankRead, Chip, EccError, MemoryKind, Reprogram, Sector
from rootwright.device.settings import SettingsModel, settings_from_map
from rootwright.errors import ProcedureError
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region

STOPPING = (EccError.FAULT, EccError.NMI)
"""What stops whoever reads a unit whose check bits do not match, unless it is caught."""


@dataclass(frozen=True, slots=True)
class GroundSector:
    """One erasable sector of the model.

    Attributes:
        block: The map block it belongs to.
        cells: Model cells in it; each stands for a run of program units.
        position: The place of its first cell in the area's content.
        external: Whether its bus can be reached from outside the part.
        reprogram: What programming a cell that is not blank does.
        times: How often a cell may be programmed between two erases, where `reprogram` says "times".
        cached: Whether code runs from it through a cache that is stale, once written, until invalidated or reset.
        erased: The value of an erased byte; None where nothing is ever erased: programming replaces what was there.
    """

    block: str
    memory: str
    address: int
    size: int
    cells: int
    position: int
    external: bool = False
    reprogram: Reprogram = Reprogram.NEVER
    ecc_error: EccError = EccError.FAULT
    blank_read: BlankRead = BlankRead.VALUE
    erased: int | None = 0xFF
    cached: bool = False
    times: int = 1


@dataclass(frozen=True, slots=True)
class Chunk:
    """Sectors that move together, by index: of the run area, of the staging area, and the lift sectors used."""

    run: tuple[int, ...]
    stage: tuple[int, ...]
    lift: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Ground:
    """Sectors, areas ("run", "stage", "second", "lift", "recovery") as index ranges, and chunks.

    Attributes:
        areas: Name and half-open range of sector indexes.
        keep: Range of the keep-areas' sectors.
        links: For each area that code runs from, the number of its link address (run 0, second 1).
        shipped: Areas beside the first image's that a device leaves the line with, in the form of the current version.
        unsettled: Logs in one-time words whose torn bits may read differently every time, also on the steady level.
        commands: For each memory with erase commands that cover more than a sector: name, base, and their sizes.
        once: Logs in one-time words: what they say only ever rises.
        locks: Logs whose words can be locked, and whether one lock also closes words that the next record needs.
        coded: Logs in memories where reading a unit whose check bits do not match raises a fault or an interrupt.
        settings: The settings area that maps banks; None where the chip file describes none: a torn word is then old,
            new or 0, and the boot stage's block is the same in both banks.
    """

    sectors: tuple[GroundSector, ...]
    areas: tuple[tuple[str, int, int], ...]
    chunks: tuple[Chunk, ...]
    keep: tuple[int, int] = (0, 0)
    links: tuple[tuple[str, int], ...] = (("run", 0), ("stage", 0), ("second", 1), ("data", 2), ("spare", 2))
    shipped: tuple[str, ...] = ()
    settings: SettingsModel | None = None
    unsettled: frozenset[str] = frozenset()
    commands: tuple[tuple[str, int, tuple[int, ...]], ...] = ()
    once: frozenset[str] = frozenset()
    locks: tuple[tuple[str, bool], ...] = ()
    coded: frozenset[str] = frozenset()

    def area(self, name: str) -> range:
        """Return the sector indexes of the area `name`; KeyError where there is none."""
        for area, start, stop in self.areas:
            if area == name:
                return range(start, stop)
        raise KeyError(name)

    def find_area(self, name: str) -> range:
        """Return the sector indexes of the area `name`, an empty range where there is none."""
        try:
            return self.area(name)
        except KeyError:
            return range(0)

    def find_commands(self, sector: int) -> tuple[int, ...]:
        """Return the sizes of the erase commands that cover `sector` and more, the smallest first."""
        memory = self.sectors[sector].memory
        return next((sizes for name, _, sizes in self.commands if name == memory), ())

    def covered(self, sector: int, command: int) -> tuple[int, ...]:
        """Return the sectors that one erase command of `command` bytes erases where it covers `sector`, in order.

        Raises:
            ProcedureError: The part has no such command, or it would erase what is not on this ground: other blocks,
                or space whose use the model does not know.
        """
        place = self.sectors[sector]
        if command == place.size:
            return (sector,)
        sizes = self.find_commands(sector)
        if command not in sizes:
            known = ", ".join(map(str, (place.size, *sizes)))
            raise ProcedureError(
                f"the procedure erases {place.memory} by {command} bytes at {place.address:#x}",
                where="erase",
                next_step=f"use an erase command that the chip file names: {known} bytes",
            )
        base = next(base for name, base, _ in self.commands if name == place.memory)
        low = base + (place.address - base) // command * command
        found = [
            index
            for index, other in enumerate(self.sectors)
            if other.memory == place.memory and low <= other.address < low + command
        ]
        if sum(self.sectors[index].size for index in found) != command:
            raise ProcedureError(
                f"the erase command of {command} bytes at {low:#x} in {place.memory} also erases what is not modelled",
                where="erase",
                next_step=f"erase by {place.size} bytes there, or pin blocks so that {command} bytes are one area's",
            )
        return tuple(sorted(found, key=lambda index: self.sectors[index].address))

    def covered_from(self, area: str, sector: int) -> tuple[int, int]:
        """Return the largest erase command that starts at `sector` and stays in `area`, and how many sectors it covers.

        Zero and 1 where only the sector itself can be erased like that.
        """
        own = self.area(area)
        for command in reversed(self.find_commands(sector)):
            try:
                found = self.covered(sector, command)
            except ProcedureError:
                continue
            if found == tuple(range(sector, sector + len(found))) and found[-1] in own:
                return command, len(found)
        return 0, 1


DATA_AREAS = ("data", "spare")
"""The two places of a keep-area that migrates. Data are content like an image's, linked for the number 2."""

# Map block prefix -> area of the ground.
_AREAS = {"run": "run", "stage": "stage", "second": "second"}


def ground_from_map(chip: Chip, map_: Map, *, cells: int, migrates: str = "") -> Ground:
    """Return the ground of a planned map with its real sectors, `cells` model cells for the smallest piece.

    Slots that exchange content are cut at the common refinement of their sector patterns, so that each piece lies in
    one sector on either side. With `migrates` the keep-area of that name and its spare are areas to work on; they are
    kept apart like all keep-areas else.
    """
    grouped: dict[str, list[Region]] = {}
    for region in map_.regions:
        area = _AREAS.get(region.block.partition(":")[0])
        if area is None and region.role in (BlockRole.LIFT, BlockRole.RECOVERY):
            area = region.role.value.split()[0]
        if area is None and region.role is BlockRole.KEEP:
            area = "keep"
            if migrates and region.block in (f"keep:{migrates}", f"spare:{migrates}"):
                area = "data" if region.block.startswith("keep:") else "spare"
        if area is not None:
            grouped.setdefault(area, []).append(region)
    order = [image for image in dict.fromkeys(r.image for r in grouped.get("run", []))]
    for regions in grouped.values():
        regions.sort(key=lambda r: (order.index(r.image) if r.image in order else len(order), r.address))
    builder = _Builder(chip, cells)
    builder.settings = settings_from_map(chip, map_)
    builder.commands = tuple(
        (memory.name, memory.base, larger)
        for memory in chip.memories
        if (larger := tuple(sorted(e.size for e in memory.erases if e.size > min(r.size for r in memory.runs))))
    )
    builder.unsettled = frozenset(r.block for r in map_.regions if not chip.memory(r.memory).torn_bits_settle)
    builder.coded = frozenset(r.block for r in map_.regions if chip.memory(r.memory).ecc_error in STOPPING)
    words = [(r.block, chip.memory(r.memory)) for r in map_.regions]
    words = [(block, memory) for block, memory in words if memory.kind is MemoryKind.ONE_TIME]
    builder.once = frozenset(block for block, _ in words)
    builder.locks = tuple(
        (block, memory.reprogram is Reprogram.BITS or memory.lock_unit > memory.program_unit)
        for block, memory in words
        if memory.lock_unit
    )
    partner = {"run": "stage", "stage": "run", "second": "run", "data": "spare", "spare": "data"}
    for area in ("run", "stage", "second", "lift", "recovery", *DATA_AREAS, "keep"):
        if area in grouped:
            builder.add_area(area, grouped[area], grouped.get(partner.get(area, ""), []))
    return builder.finish()


class _Builder:
    def __init__(self, chip: Chip, cells: int) -> None:
        self.chip = chip
        self.cells = cells
        self.sectors: list[GroundSector] = []
        self.areas: list[tuple[str, int, int]] = []
        self.settings: SettingsModel | None = None
        self.unsettled: frozenset[str] = frozenset()
        self.commands: tuple[tuple[str, int, tuple[int, ...]], ...] = ()
        self.once: frozenset[str] = frozenset()
        self.locks: tuple[tuple[str, bool], ...] = ()
        self.coded: frozenset[str] = frozenset()

    def region_sectors(self, region: Region) -> list[Sector]:
        memory = self.chip.memory(region.memory)
        return [s for s in memory.sectors() if s.address < region.end and region.address < s.end]

    def add_area(self, area: str, regions: list[Region], partners: list[Region]) -> None:
        start, position = len(self.sectors), 0
        by_image = {partner.image: partner for partner in partners}
        for region in regions:
            other = by_image.get(region.image)
            cuts = self._offsets(region) | (self._offsets(other) if other is not None else set())
            for sector in self.region_sectors(region):
                memory = self.chip.memory(sector.memory)
                low, high = sector.address - region.address, sector.end - region.address
                pieces = 1 + sum(1 for cut in cuts if low < cut < high)
                self.sectors.append(
                    GroundSector(
                        region.block,
                        sector.memory,
                        sector.address,
                        sector.size,
                        pieces * self.cells,
                        position,
                        memory.kind is MemoryKind.EXTERNAL,
                        memory.reprogram,
                        memory.ecc_error,
                        memory.blank_read,
                        memory.erased,
                        memory.cached
                        or any(v.memory == memory.name and v.cached and v.executes for v in self.chip.views),
                        memory.reprogram_times,
                    )
                )
                position += pieces * self.cells
        self.areas.append((area, start, len(self.sectors)))

    def _offsets(self, region: Region) -> set[int]:
        return {s.address - region.address for s in self.region_sectors(region)}

    def finish(self) -> Ground:
        areas = {name: range(start, stop) for name, start, stop in self.areas}
        keep = areas.get("keep", range(0))
        chunks = join_chunks(self.sectors, areas.get("run", range(0)), areas.get("stage", range(0)))
        chunks = add_lift(self.sectors, chunks, areas.get("lift", range(0)))
        # A lift sector has as many model cells as the chunks that pass through it need.
        for chunk in chunks:
            share = -(-sum(self.sectors[i].cells for i in chunk.run) // max(1, len(chunk.lift)))
            for index in chunk.lift:
                if self.sectors[index].cells < share:
                    self.sectors[index] = replace(self.sectors[index], cells=share)
        return Ground(
            tuple(self.sectors),
            tuple(self.areas),
            chunks,
            (keep.start, keep.stop),
            shipped=("data",) if "data" in areas else (),
            settings=self.settings,
            unsettled=self.unsettled,
            commands=self.commands,
            once=self.once,
            locks=self.locks,
            coded=self.coded,
        )


def shorten_slots(map_: Map, chip: Chip, *, sectors: int = 2) -> Map:
    """Return a map whose slots and staging areas keep their places and only their first sectors.

    All keep the same length, `sectors` of the largest sector among them, or as much more as it takes for each to end at
    a sector's edge; the whole map where no length does. A mistake in a procedure shows in a few sectors, and a broken
    procedure has far more states than a sound one.
    """
    slots = [r for r in map_.regions if r.role in (BlockRole.SLOT, BlockRole.STAGING)]
    inside = {r.block: [s for s in chip.memory(r.memory).sectors() if r.address <= s.address < r.end] for r in slots}
    unit = max((sector.size for found in inside.values() for sector in found), default=0)
    longest = max((region.size for region in slots), default=0)
    for size in range(sectors * unit, longest, unit or 1):
        cut = {r.block: min(size, r.size) for r in slots}
        if all(any(s.end == r.address + cut[r.block] for s in inside[r.block]) for r in slots):
            return replace(map_, regions=tuple(replace(r, size=cut.get(r.block, r.size)) for r in map_.regions))
    return map_


def join_chunks(sectors: list[GroundSector], run: range, stage: range) -> tuple[Chunk, ...]:
    """Return the smallest groups of run and staging sectors that hold the same cells.

    Without staging each run sector is a chunk of its own. Sectors of both areas are taken in order; a group closes
    where both sides have the same number of cells.
    """
    if not stage:
        return tuple(Chunk((index,), ()) for index in run)
    chunks: list[Chunk] = []
    left, right = list(run), list(stage)
    while left and right:
        group: tuple[list[int], list[int]] = ([left.pop(0)], [right.pop(0)])
        while True:
            a = sum(sectors[i].cells for i in group[0])
            b = sum(sectors[i].cells for i in group[1])
            if a == b:
                break
            side, rest = (0, left) if a < b else (1, right)
            if not rest:
                return tuple(chunks)
            group[side].append(rest.pop(0))
        chunks.append(Chunk(tuple(group[0]), tuple(group[1])))
    return tuple(chunks)


def add_lift(sectors: list[GroundSector], chunks: tuple[Chunk, ...], lift: range) -> tuple[Chunk, ...]:
    """Give each chunk its lift sectors: one group in turn after the other, which is what spreads the wear."""
    if not lift:
        return chunks
    largest = max((sum(sectors[i].size for i in chunk.run) for chunk in chunks), default=0)
    groups: list[tuple[int, ...]] = []
    group: list[int] = []
    for index in lift:
        group.append(index)
        if sum(sectors[i].size for i in group) >= largest:
            groups.append(tuple(group))
            group = []
    if not groups:
        groups = [tuple(lift)]
    return tuple(Chunk(c.run, c.stage, groups[k % len(groups)]) for k, c in enumerate(chunks))


def tiny_ground(sectors: int, cells: int, *, stage: bool = True, second: bool = False, lift: int = 0) -> Ground:
    """Return a small regular ground for tests and benchmarks: `sectors` of `cells` cells per area, no keep-area.

    >>> tiny_ground(2, 2, lift=1).areas
    (('run', 0, 2), ('stage', 2, 4), ('lift', 4, 5))
    """
    all_sectors: list[GroundSector] = []
    areas: list[tuple[str, int, int]] = []
    wanted = [("run", sectors), ("stage", sectors * stage), ("second", sectors * second), ("lift", lift), ("keep", 1)]
    for area, count in wanted:
        start = len(all_sectors)
        for k in range(count):
            block = {"run": "run:application", "stage": "stage:application", "second": "second:application"}.get(
                area, area if area == "lift" else "keep:settings"
            )
            all_sectors.append(GroundSector(block, "flash", 0x1000 * len(all_sectors), 0x1000, cells, k * cells))
        if count and area != "keep":
            areas.append((area, start, len(all_sectors)))
    ranges = {name: range(start, stop) for name, start, stop in areas}
    chunks = join_chunks(all_sectors, ranges["run"], ranges.get("stage", range(0)))
    chunks = add_lift(all_sectors, chunks, ranges.get("lift", range(0)))
    return Ground(tuple(all_sectors), tuple(areas), chunks, (len(all_sectors) - 1, len(all_sectors)))


def with_data(ground: Ground, sectors: int, cells: int) -> Ground:
    """Return a ground with a keep-area that migrates and its spare, `sectors` of `cells` cells each.

    >>> with_data(tiny_ground(1, 1, stage=False), 1, 2).areas
    (('run', 0, 1), ('data', 2, 3), ('spare', 3, 4))
    """
    found, areas = list(ground.sectors), list(ground.areas)
    for area in DATA_AREAS:
        start = len(found)
        block = f"{'keep' if area == 'data' else area}:calibration"
        for k in range(sectors):
            found.append(GroundSector(block, "flash", 0x1000 * len(found), 0x1000, cells, k * cells))
        areas.append((area, start, len(found)))
    return replace(ground, sectors=tuple(found), areas=tuple(areas), shipped=("data",))
