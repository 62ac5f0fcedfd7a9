"""A counterexample's flash as bytes, to repeat it on a board: one HEX file and a text that says when to cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rootwright.device.content import FOREIGN, Kind, kind_of
from rootwright.device.ground import Ground, GroundSector
from rootwright.device.port import BLANK, Cell, UpdateProcedure
from rootwright.image.intelhex import write_hex
from rootwright.image.model import Segment
from rootwright.prove.explorer import Failure
from rootwright.prove.story import Happening
from rootwright.prove.symbolic import Operation, run_step
from rootwright.prove.world import Flash, SectorContent, World

ContentBytes = Callable[[str, Kind, int, int], bytes | None]
"""(block, kind, offset in the block, size) to bytes; None where the product has no such content."""

DATA_LINK = 2
MADE_UP = {"foreign": 0x5A, "no file": 0xA5, "undecodable": 0x00}


@dataclass(frozen=True, slots=True)
class Exported:
    """The state right before the last power cut of a counterexample (or before its last step without any cut).

    Attributes:
        hex: Flash as Intel HEX; log areas are left out, since their format is the boot stage's own.
        text: What to do with it, and what the bytes cannot show.
    """

    hex: str
    text: str


def export_state(
    failure: Failure,
    procedure: UpdateProcedure,
    ground: Ground,
    world: World,
    story: tuple[Happening, ...],
    content: ContentBytes,
) -> Exported:
    """Return the flash image from which one power cut (or plain running) leads to the failure.

    Args:
        failure: What the exploration found.
        procedure, ground, world: What it was found on.
        story: The failure's story, for the text.
        content: Gives the bytes of a version's content.
    """
    index = _last_cut(failure)
    state, control, event = failure.path[index]
    notes: list[str] = []
    segments = []
    for number, sector in enumerate(ground.sectors):
        held = world.values[state[number]]
        assert isinstance(held, SectorContent)
        data = _sector_bytes(held, number, ground, world, content, notes)
        if any(byte != erased_value(sector) for byte in data):
            segments.append(Segment(sector.address, data))
    lines = [f"How to repeat it: program the HEX file, then bring the device to this point: {story[index].text}."]
    if event[0] == "cut":
        port, _ = run_step(procedure, world, state, control, event[1])
        operations = [change for change in port.changes if isinstance(change, Operation)]
        lines.append(
            f"Cut the power {event[3]} operation {event[2]} of that step (counted from 0, of {len(operations)})."
        )
    lines.append("Logs at that moment, in the procedure's own words (write them in your boot stage's format):")
    before = story[index - 1].scene.logs if index else story[0].scene.logs
    lines += [f"  {name}: {record}" for name, record in before]
    lines.append("What follows:")
    lines += [f"  {number}. {happening.text}" for number, happening in enumerate(story[index:], 1)]
    if notes:
        lines += ["What the bytes cannot show or had to make up:", *(f"  {note}" for note in dict.fromkeys(notes))]
    lines.append("Do this on equipment that you own, and on parts that you can lose.")
    return Exported(write_hex(tuple(segments)), "\n".join(lines) + "\n")


def _last_cut(failure: Failure) -> int:
    cuts = [i for i, (_, _, event) in enumerate(failure.path) if event[0] == "cut"]
    return cuts[-1] if cuts else len(failure.path) - 1


def _sector_bytes(
    held: SectorContent, number: int, ground: Ground, world: World, content: ContentBytes, notes: list[str]
) -> bytes:
    sector = ground.sectors[number]
    share = sector.size // sector.cells
    if held.weak:
        notes.append(f"{sector.address:#010x}, {sector.size} bytes: an erase was cut here; its cells are weak")
    parts = []
    for cell, value in enumerate(held.cells):
        if value < 0:
            notes.append(f"{sector.address + cell * share:#010x}, {share} bytes: half programmed or half erased")
            value = world.options[-value - 1][0]
        size = share if cell + 1 < sector.cells else sector.size - cell * share
        parts.append(_cell_bytes(value, number, cell, size, ground, content, notes))
    return b"".join(parts)


def _cell_bytes(
    value: int, number: int, cell: int, size: int, ground: Ground, content: ContentBytes, notes: list[str]
) -> bytes:
    if value == BLANK:
        return bytes([erased_value(ground.sectors[number])]) * size
    at = number
    what = kind_of(Cell(value))
    if what is None:
        name = "foreign" if value == FOREIGN else "undecodable"
        notes.append(f"{name} content is written as bytes {MADE_UP[name]:#04x}")
        return bytes([MADE_UP[name]]) * size
    kind, link, position = what
    if kind not in (Kind.KEEP, Kind.PERMANENT):
        number, cell = _home(ground, link, position)
    sector = ground.sectors[number]
    first = min(s.address for s in ground.sectors if s.block == sector.block)
    data = None
    if link < DATA_LINK or kind is Kind.CURRENT:  # the product names its data in one form only
        data = content(sector.block, kind, sector.address - first + cell * (sector.size // sector.cells), size)
    if data is None:
        notes.append(f"{kind.name.lower()} content of {sector.block} is not at hand: bytes {MADE_UP['no file']:#04x}")
        return bytes([MADE_UP["no file"]]) * size
    return data.ljust(size, bytes([erased_value(ground.sectors[at])]))


def erased_value(sector: GroundSector) -> int:
    """Return the byte that stands for blank cells of a sector; 0xFF where nothing is ever erased."""
    return 0xFF if sector.erased is None else sector.erased


def _home(ground: Ground, link: int, position: int) -> tuple[int, int]:
    """Return the sector and cell that a piece of content is linked for; copies elsewhere hold the same bytes."""
    for number in ground.find_area(("run", "second", "data")[link]):
        cell = position - ground.sectors[number].position
        if 0 <= cell < ground.sectors[number].cells:
            return number, cell
    raise AssertionError(f"no place for position {position}")


__all__ = ["ContentBytes", "Exported", "Flash", "export_state"]
