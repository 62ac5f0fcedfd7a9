"""A torn page as any subset of its bytes: every one of them is an outcome that the model gives the cell or the record.

The model's cells read as before, as meant or as neither. Here the bytes themselves are enumerated on small pages, with
a record that carries a check code (CRC-32 of ISO/IEC/IEEE 8802-3, as in zlib) and with an image that a digest covers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from itertools import product
from zlib import crc32

import pytest

from rootwright.device.content import Kind, content_cell
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import BLANK, FAULT, Cell, LogSpec, Record
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.prove.level import Level
from rootwright.prove.oracle.state import GARBAGE, Log, Slot, newest_readings, torn_append, torn_program
from rootwright.prove.symbolic import Operation, SymbolicPort
from rootwright.prove.world import LogContent, SectorContent, World

ERASED = 0xFF


def subsets(old: bytes, new: bytes) -> Iterator[bytes]:
    """Yield what a cut can leave of a page: any of its bytes new, the others old."""
    for taken in product((False, True), repeat=len(new)):
        yield bytes(n if is_new else o for o, n, is_new in zip(old, new, taken, strict=True))


def record(number: int, value: int) -> bytes:
    """Return a record of six bytes: its number, its value, and the check code over both."""
    payload = bytes((number, value))
    return payload + crc32(payload).to_bytes(4, "little")


def decoded(page: bytes) -> tuple[int, int] | None:
    """Return number and value of a whole record, None where the check code does not match."""
    return (page[0], page[1]) if crc32(page[:2]).to_bytes(4, "little") == page[2:] else None


def test_the_check_code_is_the_published_one() -> None:
    """The check value of CRC-32 is over the digits 1 to 9; from memory."""
    assert crc32(b"123456789") == 0xCBF4_3926


def cut_program(ground: Ground, before: Cell, meant: Cell) -> set[int]:
    """Return what the explorer says a cell may read as after its programming was cut."""
    procedure = CopyOver(ground)
    world = World(ground, procedure, Level(1))
    state = list(world.start(procedure))
    state[0] = world.intern(SectorContent((int(before),), False))
    port = SymbolicPort(world, tuple(state), ())
    port.program(0, 0, meant)
    (operation,) = [change for change in port.changes if isinstance(change, Operation)]
    sector = world.values[operation.torn]
    assert isinstance(sector, SectorContent)
    (cell,) = sector.cells
    return set(world.options[-cell - 1]) if cell < 0 else {cell}


def oracle_program(before: Cell, meant: Cell) -> set[int]:
    """Return what the oracle says of the same cell."""
    return {reading for (reading,) in torn_program(int(before), int(meant), eager=True)}  # type: ignore[misc]


@pytest.mark.parametrize("units", [1, 2, 3])
@pytest.mark.parametrize("rewritten", [False, True], ids=["erased before", "written over"])
def test_any_bytes_of_a_page_are_old_new_or_neither(units: int, rewritten: bool) -> None:
    """A cell of some pages: those before the cut are written, the torn one is any mixture, those behind it are old."""
    page = 6
    size = units * page
    old = sha256(b"before").digest()[:size] if rewritten else bytes([ERASED]) * size
    new = sha256(b"meant").digest()[:size]
    new = new.replace(b"\x00", bytes([ERASED]), 1)
    before, meant = (content_cell(Kind.OLD, 0, 0) if rewritten else BLANK), content_cell(Kind.NEXT, 0, 0)
    seen: set[int] = set()
    for torn in range(units):
        low, high = torn * page, (torn + 1) * page
        for mixed in subsets(old[low:high], new[low:high]):
            left = new[:low] + mixed + old[high:]
            seen.add(int({old: before, new: meant}.get(left, FAULT)))
            if left not in (old, new):  # neither is what a digest or a comparison sees, whatever the bytes are
                assert sha256(left).digest() not in (sha256(old).digest(), sha256(new).digest())
    assert seen == {int(before), int(meant), int(FAULT)}
    ground = tiny_ground(1, 1)
    if rewritten:
        ground = replace(ground, sectors=tuple(replace(sector, erased=None) for sector in ground.sectors))
    assert cut_program(ground, before, meant) == seen
    assert oracle_program(before, meant) == seen


def cut_append(spec: LogSpec, first: Record, second: Record) -> tuple[set[Record | None], set[Record | None]]:
    """Return what explorer and oracle say the newest record may be after an append was cut."""
    ground = tiny_ground(1, 1)
    procedure = CopyOver(ground)
    world = World(ground, procedure, Level(1))
    torn = world.values[world.appended(spec, world.intern(LogContent((first,), frozenset(), True)), second)[0]]
    assert isinstance(torn, LogContent)
    log = Log((), (Slot((first,)),))
    return set(torn.newest), {
        reading for left in torn_append(spec, log, second, eager=True) for reading in newest_readings(left)
    }


@pytest.mark.slow
def test_any_bytes_of_a_record_are_nothing_the_record_or_a_mismatch() -> None:
    """Every subset of the bytes of many records on an erased page; for all other records their codes are compared."""
    blank = bytes([ERASED]) * 6
    for number, value in product(range(0, 256, 5), repeat=2):
        whole = record(number, value)
        found = {decoded(page) for page in subsets(blank, whole) if page != blank}
        assert found <= {None, (number, value)}
        assert (number, value) in found
    code = {payload: crc32(bytes(payload)).to_bytes(4, "little") for payload in product(range(256), repeat=2)}
    deceived = []
    for number, value in code:
        for mixed in {(number, ERASED), (ERASED, value), (ERASED, ERASED)} - {(number, value)}:
            # For a mixed payload to pass, each byte of its code would have to be new or erased.
            pairs = zip(code[mixed], code[(number, value)], strict=True)
            if all(wanted in (ERASED, there) for wanted, there in pairs):
                deceived.append(((number, value), mixed))
    # One record of all can tear into another whole one: an erased payload, whose code ends in erased bytes. A reader
    # refuses a payload that is all erased; no other record deceives it.
    assert deceived == [((158, 39), (ERASED, ERASED))]
    assert decoded(bytes((ERASED, ERASED)) + record(158, 39)[2:4] + bytes((ERASED, ERASED))) == (ERASED, ERASED)


def test_records_with_and_without_check_code_are_what_the_model_says() -> None:
    first, second = (1, 0x10), (2, 0x33)
    blank = bytes([ERASED]) * 6
    pages = [page for page in subsets(blank, record(*second)) if page != blank]
    checked: set[Record | None] = {first if decoded(page) is None else decoded(page) for page in pages}
    bare: set[Record | None] = {(page[0], page[1]) for page in pages}
    assert checked == {first, second}
    beyond = {reading for reading in bare if reading not in (second, (ERASED, ERASED))}
    assert beyond == {(2, ERASED), (ERASED, 0x33)}  # records that nobody wrote
    bare = {GARBAGE if reading in beyond else first if reading == (ERASED, ERASED) else reading for reading in bare}
    assert cut_append(LogSpec("journal"), first, second) == (checked, checked)
    assert cut_append(LogSpec("journal", check_code=False), first, second) == (bare, bare)


def test_a_torn_page_leaves_the_pages_beside_it_alone() -> None:
    """The other cells of the sector, and the other sectors, are as before in every state that a cut leaves."""
    ground = tiny_ground(1, 2)
    procedure = CopyOver(ground)
    world = World(ground, procedure, Level(1))
    state = world.start(procedure)
    port = SymbolicPort(world, state, ())
    stage = ground.area("stage")[0]
    port.program(stage, 1, content_cell(Kind.NEXT, 0, 1))
    (operation,) = [change for change in port.changes if isinstance(change, Operation)]
    torn = world.values[operation.torn]
    assert isinstance(torn, SectorContent)
    assert (operation.location, torn.cells[0], torn.weak) == (stage, int(BLANK), False)
    assert torn.cells[1] < 0
