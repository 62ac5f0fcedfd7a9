"""Where the device's memories are mapped, which of their bytes are the program's code, and what reads them."""

from __future__ import annotations

from abc import ABC, abstractmethod

from rootwright.bench import core_arm
from rootwright.bench.core_arm import ArmCore
from rootwright.bench.core_rv32 import RiscvCore
from rootwright.bench.emulator import PAGE, Buffer, Emulator
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashContent
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Architecture, Chip, EccError, Memory, MemoryKind
from rootwright.image.model import Span


class Memories(ABC):
    """Memories around a core, and what hooks and registers ask of the device; `board.Board` is the whole of it."""

    flash_is_io = False
    """Whether each read of flash beside the program's own code is answered one by one, so that it can be seen."""

    def __init__(self, chip: Chip, bench: Bench, firmware: Firmware) -> None:
        self.chip, self.bench, self.firmware = chip, bench, firmware
        self.emulator = Emulator(chip.architecture)
        self.is_arm = chip.architecture is not Architecture.RV32
        self.arm = ArmCore(chip.architecture, self)
        self.riscv = RiscvCore(self)
        self.faults: list[tuple[int, str]] = []
        self.notes: dict[str, None] = {}
        self.index = -1
        self.patched = False
        self._pending: tuple[str, int] | None = None
        self._remap = False
        self.flashes: list[FlashContent] = []
        self.rams: list[tuple[int, int, Buffer]] = []
        self._io_flash = self.flash_is_io or any(c.stores for c in bench.controllers)
        self._io_pages: set[int] = set()
        self._pages: set[int] = set()
        self._taken: list[tuple[int, int]] = []
        self._map_memories()

    @abstractmethod
    def _read_io(self, address: int, width: int) -> int:
        """Answer a read where nothing is mapped as plain memory."""

    @abstractmethod
    def _write_io(self, address: int, width: int, value: int) -> None:
        """Take a write where nothing is mapped as plain memory."""

    @abstractmethod
    def _read_control(self, address: int, width: int) -> int:
        """Answer a read of the system control space."""

    @abstractmethod
    def _write_control(self, address: int, width: int, value: int) -> None:
        """Take a write to the system control space."""

    # Mapping

    def _make_flash(self, memory: Memory) -> FlashContent:
        return FlashContent(memory)

    def _map_memories(self) -> None:
        for memory in self.chip.memories:
            if memory.kind is MemoryKind.RAM:
                buffer = Buffer(memory.size)
                self.rams.append((memory.base, memory.size, buffer))
                if memory.base % PAGE or memory.size % PAGE:
                    continue
                self._map_pages(memory.base, memory.size, buffer, write=True)
            else:
                flash = self._make_flash(memory)
                self.flashes.append(flash)
                if memory.base % PAGE or memory.size % PAGE or memory.kind is MemoryKind.SETTINGS:
                    continue
                self._map_pages(memory.base, memory.size, flash.buffer, write=False)

    def _code_pages(self) -> set[int]:
        if self._pages:
            return self._pages
        pages: set[int] = set()
        spans = [*self.firmware.code, *(span for span, _ in self.firmware.ram_code)]
        for span in spans:
            pages |= set(range(span.address // PAGE * PAGE, span.end, PAGE))
        self._pages = pages
        return pages

    def _map_pages(self, base: int, size: int, buffer: Buffer, *, write: bool) -> None:
        code = self._code_pages()
        at = base
        while at < base + size:
            end = at + PAGE
            while end < base + size and (end in code) == (at in code):
                end += PAGE
            if write or at in code or not self._io_flash:
                self.emulator.map_buffer(at, buffer, at - base, end - at, write=write, execute=at in code)
                self._taken.append((at, end))
            at = end

    def _guard_pages(self) -> None:
        """Stop at fetches from executable pages beside the program's code."""
        # The program's own constants are its own bytes: running into them is a crash to follow, not foreign code.
        spans = [(s.address, s.end) for s in self.firmware.image.segments]
        spans = sorted([*spans, *((s.address, s.end) for s, _ in self.firmware.ram_code)])
        for page in sorted(self._code_pages()):
            at = page
            for start, end in spans:
                if start < page + PAGE and end > page:
                    if start > at:
                        self.emulator.hook_address(at, start - 1, self._foreign)
                    at = max(at, end)
            if at < page + PAGE:
                self.emulator.hook_address(at, page + PAGE - 1, self._foreign)
        for span, source in self.firmware.ram_code:
            self._guard_copy(span, source)

    def _guard_copy(self, span: Span, source: int) -> None:
        """Code in RAM is the program's own only while it equals what it was copied from."""
        stored = self.firmware.image.read(source, span.size)

        def check(address: int) -> None:
            if not self.patched and self.read_bytes(span.address, span.size) != stored:
                self._foreign(address)

        self.emulator.hook_address(span.address, span.end - 1, check)

    def _foreign(self, address: int) -> None:
        if self._pending is None:
            self._pending = ("fetch", address)
            self.emulator.stop()

    def _map_gaps(self) -> None:
        at = 0
        for start, end in [*sorted(self._taken), (0x1_0000_0000 - PAGE, 0x1_0000_0000 - PAGE)]:
            if start > at:
                self._map_registers(at, start)
            at = max(at, end)

    def _map_registers(self, start: int, end: int) -> None:
        """Map a stretch as registers; the system control space, which is asked for often, has its own way."""
        if self.is_arm and start <= core_arm.SCS and end >= core_arm.SCS_END:
            self._map_registers(start, core_arm.SCS)
            self.emulator.map_io(core_arm.SCS, PAGE, self._read_control, self._write_control)
            self._map_registers(core_arm.SCS_END, end)
        elif start < end:
            self.emulator.map_io(start, end - start, self._read_io, self._write_io)

    def require_readable(self) -> None:
        """Let reads of units that cannot be decoded fault from now on."""
        for flash in self.flashes:
            if flash.memory.ecc_error is EccError.NONE:
                continue
            for offset in flash.torn_pages(PAGE):
                if flash.memory.base + offset not in self._io_pages and not self._io_flash:
                    self._remap = True
                    self.emulator.stop()
                    return

    def _remap_torn(self) -> None:
        """Between runs: pages with undecodable units become mapped input and output, whose reads can fault."""
        self._remap = False
        if self._io_flash:
            return
        code = self._code_pages()
        for flash in self.flashes:
            if flash.memory.ecc_error is EccError.NONE or flash.memory.base % PAGE or flash.memory.size % PAGE:
                continue
            torn = {flash.memory.base + offset for offset in flash.torn_pages(PAGE)} - code
            inside = {p for p in self._io_pages if flash.memory.base <= p < flash.memory.end}
            for page in inside - torn:
                self.emulator.unmap(page, PAGE)
                self.emulator.map_buffer(page, flash.buffer, page - flash.memory.base, PAGE, write=False, execute=False)
                self._io_pages.discard(page)
            for page in torn - inside:
                self.emulator.unmap(page, PAGE)
                self.emulator.map_io(page, PAGE, self._read_io, self._write_io)
                self._io_pages.add(page)

    # What hooks and registers ask

    def find_flash(self, address: int) -> FlashContent | None:
        """Return the memory that keeps its content at an address."""
        for flash in self.flashes:
            if flash.base <= address < flash.end:
                return flash
        return None

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Return bytes as the core would read them; None where one of them faults."""
        flash = self.find_flash(address)
        if flash is not None:
            if not flash.holds(address, max(size, 1)):
                return None
            if flash.memory.ecc_error in (EccError.FAULT, EccError.NMI) and size and flash.torn(address, size):
                return None
            return flash.read(address, size)
        for base, length, buffer in self.rams:
            if base <= address and address + size <= base + length:
                return buffer.read(address - base, size)
        return None

    def write_ram(self, address: int, data: bytes) -> bool:
        """Write RAM; False outside."""
        for base, length, buffer in self.rams:
            if base <= address and address + len(data) <= base + length:
                buffer.write(address - base, data)
                return True
        return False

    def fault_at(self, address: int) -> None:
        """End the present instruction with a bus fault."""
        if self._pending is None:
            self._pending = ("bus", address)
            self.emulator.stop()

    def run_image(self, address: int) -> None:
        """Hand over to the image at an address."""
        if self._pending is None:
            self._pending = ("image", address)
            self.emulator.stop()

    def ask_reset(self) -> None:
        """End the run of this power-up with a software reset."""
        if self._pending is None:
            self._pending = ("reset", 0)
            self.emulator.stop()

    def position(self) -> tuple[int, int]:
        """Return the instruction at work, and how many ran before it (-1: not counted)."""
        return self.emulator.pc, self.index

    def note_fault(self, pc: int, name: str) -> None:
        """Keep that the program faulted, also where its handler hides it."""
        if len(self.faults) < 16:
            self.faults.append((pc, name))

    def note(self, text: str) -> None:
        """Keep a remark for the report."""
        self.notes[text] = None
