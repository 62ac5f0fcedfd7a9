"""A chip file from what other files said: each value with its source, a TODO line for what they are silent on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

from rootwright.bring.facts import Cell, Fact
from rootwright.bring.part import MergedMemory, MergedPart, placeholder_runs
from rootwright.bring.settings_text import settings_lines
from rootwright.bring.text import commented, quoted, todo
from rootwright.describe.chip import Architecture, MemoryKind, SectorRun
from rootwright.describe.open_points import MARK
from rootwright.describe.units import address_words, size_words

T = TypeVar("T")
MOST_CELLS_SHOWN = 64
MOST_NOTES = 40
# Values that stand in so that the file parses: common practice, no source. Each has its TODO line.
USUAL_CLOCK_HZ = 48_000_000
MOST_INTERRUPTS = {Architecture.ARMV6_M: 32}
SAFE_INTERRUPTS = 240
FLASH_BYTES, RAM_BYTES = 64 << 10, 16 << 10


def part_text(part: MergedPart) -> str:
    """Return the text of a chip file; `rootwright check` reads it and lists its TODO lines."""
    return "\n".join(
        (*_head(part), *_chip(part), *_all_memories(part), *_protections(part), *_crypto(), *_tail(part), "")
    )


def _head(part: MergedPart) -> Iterator[str]:
    yield "# Filled in by `rootwright chip import` from:"
    for name, what in part.files:
        yield f"#   {commented(name)}: {what}"
    yield f"# Behind each value stands where it comes from. Lines that begin with {MARK} are left for the data sheet,"
    yield "# and the values below them only stand in; `rootwright check` lists these lines until you take them out."
    yield ""


def _from(fact: Fact[T] | None) -> str:
    return f"  # {commented(fact.source)}" if fact is not None and fact.source else ""


def _chip(part: MergedPart) -> Iterator[str]:
    yield "[chip]"
    name = part.name.value.strip()[:120] if part.name is not None else ""
    if not name:
        yield todo("the name of the part")
    yield f"name = {quoted(name or 'part')}{_from(part.name) if name else ''}"
    yield todo("one line that says what the part offers")
    yield f"title = {quoted(name or 'part')}"
    for text in part.differ:
        yield todo(f"the files differ. {text}; the first is taken")
    if part.architecture is None:
        yield todo("the instruction set architecture")
    yield f'architecture = "{_architecture(part).value}"{_from(part.architecture)}'
    yield todo(
        "data sheet: the core clock while the boot stage runs"
        + ("; what stands here is the clock that the file names" if part.clock_hz else "")
    )
    yield f'clock = "{_clock(part.clock_hz.value if part.clock_hz else USUAL_CLOCK_HZ)}"{_from(part.clock_hz)}'
    reset = _reset(part)
    if part.reset_address is None:
        yield todo("data sheet: the address that the core starts at after reset")
    yield f"reset_address = {address_words(reset)}{_from(part.reset_address)}"
    count = part.interrupts
    if count is None:
        yield todo("data sheet: the number of external interrupts; a number too high only costs alignment")
    most = MOST_INTERRUPTS.get(_architecture(part), SAFE_INTERRUPTS)
    yield f"interrupts = {count.value if count else most}{_from(count)}"
    moved = part.vector_table_relocatable
    if moved is None:
        yield todo("data sheet: whether the vector table can be moved")
    yield f"vector_table_relocatable = {'false' if moved and not moved.value else 'true'}{_from(moved)}"
    yield ""


def _architecture(part: MergedPart) -> Architecture:
    return part.architecture.value if part.architecture else Architecture.ARMV7_M


def _clock(hertz: int) -> str:
    for unit, factor in (("MHz", 1_000_000), ("kHz", 1000)):
        if hertz % factor == 0:
            return f"{hertz // factor} {unit}"
    return f"{hertz} Hz"


def _code(part: MergedPart) -> list[MergedMemory]:
    return [m for m in part.memories if m.kind is not MemoryKind.RAM and _executable(m)]


def _executable(memory: MergedMemory) -> bool:
    return memory.executable is None or memory.executable.value


def _reset(part: MergedPart) -> int:
    code = _code(part)
    if part.reset_address is not None:
        stated = part.reset_address.value
        if any(m.base.value <= stated < m.base.value + m.size.value for m in code):
            return stated
    return code[0].base.value if code else 0


def _all_memories(part: MergedPart) -> Iterator[str]:
    if not _code(part):
        yield todo("data sheet: the flash that code runs from; no file tells of one")
        yield from _placeholder_memory("flash", MemoryKind.FLASH, _free(part, 0, FLASH_BYTES), FLASH_BYTES)
    for memory in part.memories:
        yield from _memory(memory)
    if not any(memory.kind is MemoryKind.RAM for memory in part.memories):
        yield todo("data sheet: the RAM; no file tells of one")
        yield from _placeholder_memory("ram", MemoryKind.RAM, _free(part, 0x2000_0000, RAM_BYTES), RAM_BYTES)
    yield from _settings(part)


def _free(part: MergedPart, wanted: int, size: int) -> int:
    """Return an address from `wanted` up at which `size` bytes overlap no memory."""
    spans = [(m.base.value, m.base.value + m.size.value) for m in part.memories]
    if part.cells:
        spans.append((part.cells[0].address, part.cells[-1].address + part.cells[-1].size))
    at = wanted
    for start, end in sorted(spans):
        if start < at + size and at < end:
            at = -(-end // size) * size
    return at


def _placeholder_memory(name: str, kind: MemoryKind, base: int, size: int) -> Iterator[str]:
    fact = Fact(base, "")
    blank = MergedMemory(name, name, kind, True, fact, Fact(size, ""), None, None, None, None)
    yield from _memory(blank)


def _memory(memory: MergedMemory) -> Iterator[str]:
    base, size = memory.base.value, memory.size.value
    yield "[[memory]]"
    called = "" if memory.called.lower() == memory.name else f"  # called {commented(memory.called)}"
    yield f'name = "{memory.name}"{called}'
    if not memory.kind_known:
        yield todo("data sheet: what kind of memory this is")
    yield f'kind = "{memory.kind.value}"'
    for text in memory.differ:
        yield todo(f"the files differ. {text}")
    yield f"base = {address_words(base)}{_from(memory.base)}"
    if memory.kind is MemoryKind.RAM:
        yield f'sectors = [{{ count = 1, size = "{size_words(size)}" }}]{_from(memory.size)}'
        yield 'program_unit = "1 B"'
        yield ""
        return
    runs = memory.runs.value if memory.runs is not None else placeholder_runs(base, size)
    if memory.runs is None:
        yield todo(
            f"data sheet: the sectors; the whole memory has {size_words(size)} ({memory.size.source or 'no source'})"
        )
    pattern = ", ".join(f'{{ count = {run.count}, size = "{size_words(run.size)}" }}' for run in runs)
    yield f"sectors = [{pattern}]{_from(memory.runs)}"
    yield todo("data sheet: 2 banks, where two equal halves can be read and written independently")
    yield "banks = 1"
    yield from _programming(memory, runs)
    for note in memory.notes[:MOST_NOTES]:
        yield f"# {commented(note.value)} ({commented(note.source)})"
    yield todo("data sheet: time to program one unit, time of each erase command, guaranteed erase cycles")
    yield 'program = { typ = "100 us", max = "1 ms" }'
    erases = ", ".join(
        f'{{ size = "{size_words(s)}", typ = "50 ms", max = "1 s" }}' for s in sorted({r.size for r in runs})
    )
    yield f"erase = [{erases}]"
    yield "endurance = 1000"
    yield f"executable = {'true' if _executable(memory) else 'false'}{_from(memory.executable)}"
    yield ""


def _programming(memory: MergedMemory, runs: Sequence[SectorRun]) -> Iterator[str]:
    unit = memory.program_unit
    smallest = min(run.size for run in runs)
    if unit is None:
        yield todo("data sheet: bytes that are programmed at once, with their check bits")
        stands_in = 8
        while stands_in > 1 and any(n % stands_in for n in (memory.base.value, *(run.size for run in runs))):
            stands_in //= 2
        yield f'program_unit = "{size_words(stands_in)}"'
    else:
        fits = not any(n % unit.value for n in (memory.base.value, *(run.size for run in runs)))
        if not fits:
            yield todo(f"a program unit of {unit.value} bytes ({unit.source}) does not divide base and sectors")
        yield f'program_unit = "{size_words(unit.value if fits else min(smallest, 1))}"{_from(unit)}'
    yield todo("data sheet: whether a unit may be programmed again before an erase, and what reading a torn one does")
    yield 'reprogram = "never"'
    yield 'ecc_error = "none"'
    if memory.erased is None:
        yield todo("data sheet: the value of an erased byte")
    yield f"erased = 0x{memory.erased.value if memory.erased else 0xFF:02X}{_from(memory.erased)}"


def _settings(part: MergedPart) -> Iterator[str]:
    cells = part.cells
    if not cells:
        return
    start, end = cells[0].address, max(cell.address + cell.size for cell in cells)
    word = max(cell.size for cell in cells)
    start, end = start // word * word, -(-end // word) * word
    spans = [(m.base.value, m.base.value + m.size.value) for m in part.memories]
    inside = any(low < end and start < high for low, high in spans)
    if inside or end - start > 1 << 20:
        why = "they lie among the memories above" if inside else f"they lie {size_words(end - start)} apart"
        yield todo(f"data sheet: the settings area; its registers are below, and no one memory because {why}")
    else:
        names = ", ".join(dict.fromkeys(cell.peripheral for cell in cells))
        if part.cells_guessed:
            yield todo(f"whether {names} is the settings area: it was chosen by its place; --settings names another")
        yield "[[memory]]"
        yield 'name = "settings"'
        yield 'kind = "settings area"'
        yield f"base = {address_words(start)}  # {commented(cells[0].source)}"
        yield todo("data sheet: what one command erases and programs, how long it takes, and what a cut leaves")
        yield f'sectors = [{{ count = 1, size = "{size_words(end - start)}" }}]  # {commented(cells[-1].source)}'
        yield f'program_unit = "{size_words(word)}"'
        aligned = start % (end - start) == 0
        yield "erased = 0xFF" if aligned else 'erased = "none"  # no erase command of this size can be aligned here'
        yield 'program = { typ = "100 us", max = "1 ms" }'
        if aligned:
            yield f'erase = [{{ size = "{size_words(end - start)}", typ = "50 ms", max = "1 s" }}]'
        yield "endurance = 1000"
        yield "executable = false"
        yield ""
        yield from settings_lines(cells, start)
        return
    yield from _cell_lines(cells)
    yield ""


def _cell_lines(cells: Sequence[Cell]) -> Iterator[str]:
    for cell in cells[:MOST_CELLS_SHOWN]:
        reset = "" if cell.reset is None else f", 0x{cell.reset:0{2 * cell.size}X} after reset"
        access = f", {cell.access}" if cell.access else ""
        label = f"{cell.peripheral}.{cell.name}"
        place = f"{address_words(cell.address)}  {commented(label)}: {size_words(cell.size)}"
        yield f"#   {place}{access}{reset}  # {cell.source}"
        for bits in cell.fields[:64]:
            span = f"bit {bits.low}" if bits.width == 1 else f"bits {bits.low + bits.width - 1} to {bits.low}"
            about = f": {bits.about}" if bits.about else ""
            yield commented(f"#       {span}  {bits.name}{about}")
    if len(cells) > MOST_CELLS_SHOWN:
        yield f"#   and {len(cells) - MOST_CELLS_SHOWN} more registers"


def _protections(part: MergedPart) -> Iterator[str]:
    yield todo("data sheet: write protection, read lock, debug lock, watchdog: a table [[protection]] for each")
    if part.protection_unit is not None and part.protection_unit.value:
        covers = ", ".join(f'"{m.name}"' for m in part.memories[:16])
        yield "[[protection]]"
        yield f'kind = "protection unit"{_from(part.protection_unit)}'
        yield f"covers = [{covers}]"
        yield todo("data sheet: number and smallest size of its regions")
        yield 'granule = "32 B"'
        yield "regions = 8"
    yield ""


def _crypto() -> Iterator[str]:
    yield "[crypto]"
    yield todo("measure, or take from a document: SHA-256 of 1 KiB, and one verification of each algorithm")
    yield 'sha256_per_kib = { typ = "1 ms", max = "2 ms" }'
    yield ""
    yield "[crypto.verify]"
    yield 'ESP256 = { typ = "250 ms", max = "500 ms" }'
    yield ""


def _tail(part: MergedPart) -> Iterator[str]:
    if part.partitions:
        yield "# Ranges that somebody has decided on already. They belong into the product file, as [[pin]] tables:"
        for partition in part.partitions[:MOST_CELLS_SHOWN]:
            only = ", read-only" if partition.read_only else ""
            place = f"at {address_words(partition.address)}, {size_words(partition.size)}{only}"
            yield f"#   {commented(partition.name)}: {place}  # {commented(partition.source)}"
        yield ""
    for note in part.notes[:MOST_NOTES]:
        yield f"# note: {commented(note.source)}: {commented(note.value)}"
