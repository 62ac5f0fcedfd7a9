"""The ground of a boot program: which sectors it works on, and the approved images that belong there."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.bench.closure.contents import Contents, cell_edges
from rootwright.bench.closure.records import Records
from rootwright.bench.closure.world import Known
from rootwright.bench.subject import ApprovedImage, Subject
from rootwright.describe.chip import BlankRead, EccError, Memory, MemoryKind, TornProgram
from rootwright.device.content import KIND_OF_VERSION, Kind
from rootwright.device.ground import Ground, GroundSector
from rootwright.device.port import Version
from rootwright.errors import BenchError


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of flash by its part in an update: "run", "stage", "second", "lift", "keep", or a name of its own."""

    area: str
    block: str
    address: int
    size: int


_AREAS = {"run": "run", "stage": "stage", "second": "second", "lift": "lift", "recovery": "recovery"}


def find_blocks(subject: Subject, extra: tuple[int, ...]) -> list[Block]:
    """Return the blocks that the program works on: pinned ones, keep-areas, and the sectors at `extra`.

    Raises:
        BenchError: The map is not one that the closure can work on.
    """
    logs = [(log.at, log.at + log.size) for log in subject.bench.logs]
    found = []
    for pin in subject.product.pins:
        area = _AREAS.get(pin.block.partition(":")[0])
        if area is None or pin.at is None or not pin.size or area == "recovery":
            continue
        found.append(Block(area, pin.block, pin.at, pin.size))
    found += [Block("keep", f"keep:{name}", span.address, span.size) for name, span in subject.keeps]
    for address in extra:
        memory = _memory_at(subject, address)
        sector = next(s for s in memory.sectors() if s.address <= address < s.end)
        found.append(Block(f"sector 0x{sector.address:08x}", "", sector.address, sector.size))
    runs = [block for block in found if block.area == "run"]
    if len(runs) != 1:
        raise BenchError(
            f"{len(runs)} run slots are pinned",
            where="[[pin]]",
            next_step="any number of cuts is followed for one run slot, pinned with address and size",
        )
    if any(block.address < end and start < block.address + block.size for block in found for start, end in logs):
        raise BenchError("a log lies in a pinned block", where="[[bench.log]]", next_step="give each its own sectors")
    return found


def _memory_at(subject: Subject, address: int) -> Memory:
    for memory in subject.chip.memories:
        if memory.kind is not MemoryKind.RAM and memory.base <= address < memory.end:
            return memory
    raise BenchError(f"0x{address:08x} is in no memory that keeps its content", where="[bench]", next_step="check pins")


def require_plain(subject: Subject) -> None:
    """Raise BenchError where the part's flash does what the closure has no model of."""
    chip = subject.chip
    pins = [pin.at for pin in subject.product.pins if pin.at is not None]
    places = [log.at for log in subject.bench.logs] + pins
    odd = ""
    for memory in {m.name: m for m in (_memory_at(subject, at) for at in places)}.values():
        if memory.erased is None or memory.kind is MemoryKind.ONE_TIME:
            odd = f"{memory.name} is not erased"
        elif not memory.torn_bits_settle:
            odd = f"torn bits of {memory.name} do not settle"
        elif memory.tear_unit > memory.program_unit:
            odd = f"a cut in {memory.name} loses more than the unit that is programmed"
        elif memory.torn_program is TornProgram.ANY_BYTES or memory.page:
            odd = f"{memory.name} is programmed by pages"
        elif memory.blank_read is not BlankRead.VALUE:
            odd = f"blank cells of {memory.name} do not read as blank"
        elif memory.cached:
            odd = f"{memory.name} is read through a cache"
    if not odd and (chip.views or chip.settings_areas):
        odd = "the part's settings or views change what lies where"
    if odd:
        raise BenchError(odd, where="chip.toml", next_step="cuts are followed one by one over whole flash contents")


def make_ground(subject: Subject, blocks: list[Block]) -> Ground:
    """Return the ground of some blocks: whole sectors, cut into cells as `contents.cell_edges` says.

    Raises:
        BenchError: Sectors of different sizes exchange content, or a block is no whole sectors.
    """
    order = ["run", "stage", "second", "lift"]
    order += [b.area for b in blocks if b.area not in (*order, "keep")] + ["keep"]
    sectors: list[GroundSector] = []
    areas: list[tuple[str, int, int]] = []
    keep = (0, 0)
    sizes = set()
    for area in dict.fromkeys(order):
        start, position = len(sectors), 0
        for block in blocks:
            if block.area != area:
                continue
            memory = _memory_at(subject, block.address)
            end = block.address + block.size
            for sector in memory.sectors():
                if not (sector.address < end and block.address < sector.end):
                    continue
                if area in ("run", "stage", "second", "lift"):
                    sizes.add(sector.size)
                cells = len(cell_edges(sector.size, memory.program_unit)) - 1
                sectors.append(
                    GroundSector(
                        block.block or area,
                        memory.name,
                        sector.address,
                        sector.size,
                        cells,
                        position,
                        memory.kind is MemoryKind.EXTERNAL,
                        memory.reprogram,
                        memory.ecc_error,
                        BlankRead.VALUE,
                        memory.erased,
                    )
                )
                position += cells
        if area == "keep":
            keep = (start, len(sectors))
        elif len(sectors) > start:
            areas.append((area, start, len(sectors)))
    if len(sizes) > 1:
        raise BenchError(
            "run slot, staging and lift have sectors of different sizes",
            where="[[pin]]",
            next_step="any number of cuts is followed where they have the same",
        )
    return Ground(tuple(sectors), tuple(areas), (), keep)


def make_contents(subject: Subject, ground: Ground) -> Contents:
    """Return the numbers of cell contents; all memories of the ground must be programmed alike."""
    memories = {sector.memory for sector in ground.sectors}
    units = {subject.chip.memory(name).program_unit for name in memories}
    if len(units) > 1 or len({s.erased for s in ground.sectors}) > 1 or len({s.ecc_error for s in ground.sectors}) > 1:
        raise BenchError(
            f"blocks lie in memories that are programmed differently: {', '.join(sorted(memories))}",
            where="[[pin]]",
            next_step="any number of cuts is followed where they are programmed alike",
        )
    first = ground.sectors[0]
    return Contents(first, units.pop(), coded=first.ecc_error is not EccError.NONE)


def find_images(
    subject: Subject, blocks: list[Block], running: str, floor: int
) -> tuple[dict[tuple[Kind, int], Known], dict[Version, int]]:
    """Return the approved images by kind and link, and the number of each named version in the order of versions.

    The version that runs at the start is the current one, else the lowest that the floor allows; the next one up is
    the newer, the next one down stands for every older.
    """
    images: dict[tuple[Kind, int], Known] = {}
    versions: dict[Version, int] = {}
    for link, area in ((0, "run"), (1, "second")):
        block = next((b for b in blocks if b.area == area), None)
        if block is None:
            continue
        own = sorted(
            (a for a in subject.approved if not a.recovery and block.address <= a.span.address < _end(block)),
            key=lambda a: a.sequence,
        )
        if not own:
            raise BenchError(
                f"no approved image is linked for the {area} slot",
                where="[[bench.approved]]",
                next_step="name at least the image that runs, with its sequence",
            )
        current = next((k for k, a in enumerate(own) if a.name == running), None)
        if current is None:
            current = next((k for k, a in enumerate(own) if a.sequence >= floor), len(own) - 1)
        for version, kind in KIND_OF_VERSION.items():
            index = current + version
            if 0 <= index < len(own):
                images[(kind, link)] = _known(own[index], block)
                versions[Version(version)] = own[index].sequence
        if (Kind.NEXT, link) in images:
            images[(Kind.ALTERED, link)] = _altered(images[(Kind.NEXT, link)])
    return images, versions


def _end(block: Block) -> int:
    return block.address + block.size


def _known(image: ApprovedImage, block: Block) -> Known:
    low, high = image.span.address - block.address, image.span.end - block.address
    data = bytearray(b"\xff" * high)
    for segment in image.image.segments:
        at = segment.address - block.address
        data[at : at + len(segment.data)] = segment.data
    return Known(bytes(data), (low, high))


def _altered(image: Known) -> Known:
    """Return an image with its last byte changed: the payload's, in any format whose head is signed."""
    data = bytearray(image.data)
    data[image.used[1] - 1] ^= 0x5A
    return Known(bytes(data), image.used)


def make_records(subject: Subject, versions: dict[Version, int]) -> dict[str, Records]:
    """Return the declared logs.

    Raises:
        BenchError: A log's halves are not whole sectors, or its records no whole units.
    """
    found = {}
    for log in subject.bench.logs:
        memory = _memory_at(subject, log.at)
        edges = {s.address for s in memory.sectors()} | {memory.end}
        halves = {log.at, log.at + log.size // 2, log.at + log.size}
        if not halves <= edges or log.entry % memory.program_unit:
            raise BenchError(
                f"log {log.name}: its halves are not whole sectors, or its records not whole program units",
                where="[[bench.log]]",
                next_step=f"check at, size and entry against {memory.name}'s sectors",
            )
        found[log.name] = Records(log, memory.program_unit, versions)
    return found
