"""Pieces of an update procedure that several procedures share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rootwright.device.content import KIND_OF_VERSION, Kind, content_cell
from rootwright.device.ground import Ground
from rootwright.device.port import Attribute, Cell, Digest, LogSpec, Offer, Port, Record, Version

KEPT: Record = ("kept",)
NONE: Record = ("none",)
REQUEST: Record = ("request",)
GOOD: Record = ("good",)

FLOOR_LOG = LogSpec("floor", forgeable=(("floor", Version(-1)),))
FLOOR_START: tuple[str, Record] = ("floor", ("floor", Version(0)))


def write_again(port: Port, logs: tuple[LogSpec, ...]) -> None:
    """Write the newest record of every log once more, first thing at power-up.

    The record that reads as newest may be one whose writing was cut, and may read differently next time. What follows
    relies only on records written whole. It costs one record a log and power-up.
    """
    for spec in logs:
        record = port.log(spec.name).newest()
        if record is not None:
            port.log(spec.name).append(record)


def floor_version(port: Port) -> Version:
    """Return the version floor, the oldest version there is where the log is empty."""
    record = port.log("floor").newest()
    return record[1] if record is not None and isinstance(record[1], Version) else Version(-1)


def raise_floor(port: Port, version: Version) -> None:
    """Raise the version floor to `version` where it is lower."""
    if floor_version(port) < version:
        port.log("floor").append(("floor", version))


def is_acceptable(port: Port, digest: Digest) -> bool:
    """Say whether a digest is that of a signed image that is not below the version floor."""
    return digest.version is not None and digest.version >= floor_version(port)


def cells_of(ground: Ground, sectors: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Yield (sector, cell) for all cells of some sectors in order."""
    for sector in sectors:
        for cell in range(ground.sectors[sector].cells):
            yield sector, cell


def move(port: Port, ground: Ground, source: Sequence[int], target: Sequence[int]) -> None:
    """Erase `target` and program it with what `source` reads; a longer side's remaining cells are left alone.

    Caches are invalidated at the end: what is digested or runs next is what was written.
    """
    for sector in target:
        port.erase(sector)
    for (sector, cell), (from_sector, from_cell) in zip(
        cells_of(ground, target), cells_of(ground, source), strict=False
    ):
        port.program(sector, cell, port.read(from_sector, from_cell))
    port.invalidate()


def receive_sector(port: Port, ground: Ground, area: str, offer: Offer, index: int) -> bool:
    """Erase the `index`-th sector of `area` and program what was offered; say whether there is more to receive."""
    sectors = ground.area(area)
    sector = sectors[index]
    port.erase(sector)
    for cell in range(ground.sectors[sector].cells):
        port.program(sector, cell, payload_cell(ground, area, offer, sector, cell))
    port.invalidate()
    return index + 1 < len(sectors)


def receive_by_command(port: Port, ground: Ground, area: str, offer: Offer, index: int) -> int:
    """Erase with the largest command that starts at the `index`-th sector and stays in `area`, and program it all.

    Returns the index of the next sector to receive; the number of the area's sectors where there is none. It is quicker
    than one sector at a time, and a cut leaves all of it weak: receive again from the first sector then.
    """
    sectors = ground.area(area)
    command, count = ground.covered_from(area, sectors[index])
    port.erase(sectors[index], command=command)
    for sector in sectors[index : index + count]:
        for cell in range(ground.sectors[sector].cells):
            port.program(sector, cell, payload_cell(ground, area, offer, sector, cell))
    port.invalidate()
    return index + count


def payload_cell(ground: Ground, area: str, offer: Offer, sector: int, cell: int) -> Cell:
    """Return the cell of an offered payload that belongs at a place of `area`."""
    link = dict(ground.links).get(area, 0)
    if offer.attribute is Attribute.WRONG_LINK:
        link = 1 - link
    kind = Kind.ALTERED if offer.attribute is Attribute.ALTERED else KIND_OF_VERSION[int(offer.version)]
    return content_cell(kind, link, ground.sectors[sector].position + cell)
