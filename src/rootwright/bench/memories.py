"""Where the device's memories are mapped, which of their bytes are the program's code, and what reads them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from bisect import bisect_right

from rootwright.bench import arm_numbers
from rootwright.bench.core_arm import ArmCore
from rootwright.bench.core_rv32 import RiscvCore
from rootwright.bench.emulator import PAGE, Buffer, Emulator
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashContent
from rootwright.bench.protection_unit import EXECUTE, READ, WRITE, PmpUnit
from rootwright.bench.windows import Window, windows_of
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Architecture, Chip, EccError, Memory, MemoryKind, ProtectionKind
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.image.model import Span

REGISTERS = -1
"""A page whose accesses are answered one by one, as registers are."""

DEFAULT_REGIONS = {ProtectionKind.PROTECTION_UNIT: 8, ProtectionKind.PHYSICAL_MEMORY_PROTECTION: 16}
"""Where the chip file names a protection unit and gives no number of regions (common practice, no source)."""


class Memories(ABC):
    """Memories around a core, and what hooks and registers ask of the device; `board.Board` is the whole of it.

    Attributes:
        flash_is_io: Whether each read of flash beside the program's own code is answered one by one, to be seen.
    """

    flash_is_io = False

    def __init__(self, chip: Chip, bench: Bench, firmware: Firmware) -> None:
        self.chip, self.bench, self.firmware = chip, bench, firmware
        self.emulator = Emulator(chip.architecture)
        self.is_arm = chip.architecture is not Architecture.RV32
        self.arm = ArmCore(chip.architecture, self, self._regions(ProtectionKind.PROTECTION_UNIT))
        kind = ProtectionKind.PHYSICAL_MEMORY_PROTECTION
        enhanced = any(p.unit is ProtectionUnit.SMEPMP for p in chip.find_protections(kind))
        self.riscv = RiscvCore(self, PmpUnit(self._regions(kind), enhanced=enhanced))
        self.faults: list[tuple[int, str]] = []
        self.notes: dict[str, None] = {}
        self.index = -1
        self.patched = False
        self.settings: dict[str, str] = {}
        self._pending: tuple[str, int] | None = None
        self._io_pc, self._io_write = 0, False
        self._remap = False
        self.flashes: list[FlashContent] = []
        self.rams: list[tuple[int, int, Buffer]] = []
        self._stores: dict[str, tuple[int, Buffer, FlashContent | None]] = {}
        self._io_flash = self.flash_is_io or any(c.stores for c in bench.controllers)
        self._pages: set[int] = set()
        self._plain: dict[int, tuple[Buffer, int, int]] = {}
        self._odd: dict[int, int] = {}
        self._build_memories()
        self._windows: tuple[Window, ...] = ()
        self._window_starts: list[int] = []
        self._has_views = False
        self._open_windows()
        self._map_all()

    @property
    def has_views(self) -> bool:
        """Whether memory is seen at more than one address."""
        return self._has_views

    def _regions(self, kind: ProtectionKind) -> int:
        found = self.chip.find_protections(kind)
        return max((p.regions or DEFAULT_REGIONS[kind] for p in found), default=0)

    @abstractmethod
    def push(self, address: int, data: bytes, *, privileged: bool) -> int:
        """Write a frame to the stack; the number of the fault that this raises, or 0."""

    @abstractmethod
    def pull(self, address: int, size: int, *, privileged: bool) -> bytes | int:
        """Read a frame from the stack; the number of the fault that this raises."""

    @abstractmethod
    def level_changed(self) -> None:
        """Let pages have the rights of the core's present mode."""

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

    def _build_memories(self) -> None:
        cached = {m.name for m in self.chip.memories if m.cached} | {v.memory for v in self.chip.views if v.cached}
        for memory in self.chip.memories:
            if memory.kind is MemoryKind.RAM:
                buffer = Buffer(memory.size)
                self.rams.append((memory.base, memory.size, buffer))
                self._stores[memory.name] = memory.base, buffer, None
            else:
                flash = self._make_flash(memory)
                if memory.name in cached:
                    flash.use_cache()
                self.flashes.append(flash)
                self._stores[memory.name] = memory.base, flash.buffer, flash

    def _make_flash(self, memory: Memory) -> FlashContent:
        """Return the content of one memory; a kind of board that watches it has its own."""
        return FlashContent(memory)

    def _open_windows(self) -> None:
        """Work out what is seen where under the settings that were loaded."""
        self._windows = windows_of(self.chip, self.settings)
        self._window_starts = [window.start for window in self._windows]
        self._has_views = any(
            window.start != self._stores[window.memory][0] + window.offset or window.cached for window in self._windows
        )

    def _code_pages(self) -> set[int]:
        if self._pages:
            return self._pages
        pages: set[int] = set()
        spans = [*self.firmware.code, *(span for span, _ in self.firmware.ram_code)]
        for span in spans:
            pages |= set(range(span.address // PAGE * PAGE, span.end, PAGE))
        self._pages = pages
        return pages

    def _plain_pages(self) -> dict[int, tuple[Buffer, int, int]]:
        """Return the pages that the emulator reads without asking: buffer, place in it, rights."""
        code = self._code_pages()
        found: dict[int, tuple[Buffer, int, int]] = {}
        for window in self._windows:
            base, buffer, flash = self._stores[window.memory]
            if window.start % PAGE or window.end % PAGE or window.offset % PAGE or base % PAGE:
                continue
            if flash is not None and flash.memory.kind is MemoryKind.SETTINGS:
                continue
            if window.cached and flash is not None and flash.cache is not None:
                buffer = flash.cache
            for page in range(window.start, window.end, PAGE):
                runs = page in code and window.executes
                if flash is None or runs or not self._io_flash:
                    rights = READ | (WRITE if flash is None else 0) | (EXECUTE if runs else 0)
                    found[page] = buffer, window.offset + page - window.start, rights
        return found

    def _map_all(self) -> None:
        """Map plain pages in as few pieces as can be."""
        self._plain = self._plain_pages()
        self._taken: list[tuple[int, int]] = []
        first = -1
        for page in sorted(self._plain):
            if first < 0:
                first = page
            buffer, offset, rights = self._plain[page]
            follows = self._plain.get(page + PAGE)
            if follows is not None and follows[0] is buffer and follows[1:] == (offset + PAGE, rights):
                continue
            start = self._plain[first][1]
            self.emulator.map_buffer(first, buffer, start, page + PAGE - first, **_flags(rights))
            self._taken.append((first, page + PAGE))
            first = -1

    def load_windows(self, settings: dict[str, str]) -> None:
        """Show memories as other settings say; between runs."""
        if settings == self.settings:
            return
        self.settings = settings
        before = self._windows
        self._open_windows()
        if self._windows == before:
            return
        old, self._plain = self._plain, self._plain_pages()
        for page in sorted({*old, *self._plain}):
            now = self._plain.get(page)
            if old.get(page) == now:
                continue
            self._odd.pop(page, None)
            self.emulator.unmap(page, PAGE)
            if now is None:
                self.emulator.map_io(page, PAGE, self._read_io, self._write_io)
            else:
                self.emulator.map_buffer(page, now[0], now[1], PAGE, **_flags(now[2]))
        for page in self._code_pages():
            self.emulator.forget(page, page + PAGE)
        self._remap = True

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
        for address in self._behind_conditional_blocks():
            self.emulator.hook_address(address, address, self._stop_late)

    def _behind_conditional_blocks(self) -> set[int]:
        """Return where conditional (IT) blocks with loads or stores end: a stop asked for inside is lost there."""
        if not self.is_arm:
            return set()
        found: set[int] = set()
        for span in (*self.firmware.code, *(span for span, _ in self.firmware.ram_code)):
            code = self.firmware.bytes_at(span.address, span.size)
            for at in range(0, len(code) - 1, 2):
                if code[at + 1] != 0xBF or not code[at] & 7:
                    continue
                it = self.firmware.instruction(span.address + at)
                place, accesses = it.address + it.size, False
                for _ in range(it.covers):
                    inside = self.firmware.instruction(place)
                    accesses = accesses or inside.text.startswith(("ldr", "str", "ldm", "stm"))
                    place += inside.size
                if accesses and it.covers > 1:
                    found.add(place)
        return found

    def _stop_late(self, _: int) -> None:
        if self._pending is not None:
            self.emulator.stop()

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

    def _map_gaps(self, answered: list[tuple[int, int]]) -> None:
        """Map what is answered access by access, wherever no plain memory is mapped."""
        taken = sorted(self._taken)
        at = 0
        for first, last in sorted(answered):
            at = max(at, first)
            for start, end in taken:
                if start >= last or end <= at:
                    continue
                if start > at:
                    self._map_registers(at, start)
                at = end
            if at < last:
                self._map_registers(at, last)
                at = last

    def _map_registers(self, start: int, end: int) -> None:
        """Map a stretch as registers; the system control space, which is asked for often, has its own way."""
        if self.is_arm and start <= arm_numbers.SCS and end >= arm_numbers.SCS_END:
            self._map_registers(start, arm_numbers.SCS)
            self.emulator.map_io(arm_numbers.SCS, PAGE, self._read_control, self._write_control)
            self._map_registers(arm_numbers.SCS_END, end)
        elif start < end:
            self.emulator.map_io(start, end - start, self._read_io, self._write_io)

    def require_readable(self) -> None:
        """Let reads of units that cannot be decoded fault from now on."""
        for flash in self.flashes:
            if flash.memory.ecc_error is EccError.NONE or self._io_flash:
                continue
            if any(self._odd.get(page) != REGISTERS for page in self._torn_pages(flash)):
                self._remap = True
                self.emulator.stop()
                return

    def _torn_pages(self, flash: FlashContent) -> set[int]:
        """Return the pages of the bus that show a unit which cannot be decoded; without the program's own code."""
        offsets = flash.torn_pages(PAGE)
        if not offsets:
            return set()
        found: set[int] = set()
        for window in self._windows:
            if window.memory == flash.memory.name and not window.cached:
                size = window.end - window.start
                found |= {window.start + at - window.offset for at in offsets if 0 <= at - window.offset < size}
        return {page for page in found if page in self._plain} - self._code_pages()

    def _odd_pages(self) -> dict[int, int]:
        """Return the pages whose accesses differ from how they were mapped: rights, or `REGISTERS`."""
        found: dict[int, int] = {}
        for flash in self.flashes:
            if flash.memory.ecc_error is not EccError.NONE and not self._io_flash:
                found |= dict.fromkeys(self._torn_pages(flash), REGISTERS)
        return found

    def _settle_pages(self) -> None:
        """Between runs: give each page the rights that it has now, or answer its accesses one by one."""
        self._remap = False
        wanted = self._odd_pages()
        if not wanted and not self._odd:
            return
        pages = sorted(page for page in {*wanted, *self._odd} if wanted.get(page) != self._odd.get(page))
        at = 0
        while at < len(pages):
            first, rights = pages[at], wanted.get(pages[at])
            if REGISTERS in (rights, self._odd.get(first)):
                self._remap_page(first, rights)
                at += 1
                continue
            end = at + 1
            while end < len(pages) and pages[end] == first + PAGE * (end - at) and self._same(pages, at, end, wanted):
                end += 1
            held = self._plain[first][2] if rights is None else rights & self._plain[first][2]
            self.emulator.protect(first, PAGE * (end - at), **_flags(held, read=bool(held & READ)))
            at = end
        self._odd = wanted

    def _same(self, pages: list[int], at: int, end: int, wanted: dict[int, int]) -> bool:
        """Return whether two pages get the same rights, so that one call does for both."""
        first, page = pages[at], pages[end]
        same = wanted.get(page) == wanted.get(first) and self._plain[page][2] == self._plain[first][2]
        return same and self._odd.get(page) != REGISTERS

    def _remap_page(self, page: int, rights: int | None) -> None:
        buffer, offset, usual = self._plain[page]
        self.emulator.unmap(page, PAGE)
        if rights == REGISTERS:
            self.emulator.map_io(page, PAGE, self._read_io, self._write_io)
            return
        held = usual if rights is None else rights & usual
        self.emulator.map_buffer(page, buffer, offset, PAGE, **_flags(held, read=bool(held & READ)))

    # What hooks and registers ask

    def locate(self, address: int) -> Window | None:
        """Return the window of the bus that an address lies in."""
        index = bisect_right(self._window_starts, address) - 1
        if index >= 0 and address < self._windows[index].end:
            return self._windows[index]
        return None

    def canonical(self, address: int) -> int:
        """Return where a bus address leads, counted from its memory's base; itself where nothing is."""
        if not self._has_views:
            return address
        window = self.locate(address)
        if window is None:
            return address
        return self._stores[window.memory][0] + window.offset + address - window.start

    def find_flash(self, address: int) -> FlashContent | None:
        """Return the memory that keeps its content at a bus address; its own addresses are canonical ones."""
        window = self.locate(address)
        return None if window is None else self._stores[window.memory][2]

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Return bytes as the core would read them; None where one of them faults."""
        window = self.locate(address)
        if window is None:
            return None
        if address + size > window.end:
            first = self.read_bytes(address, window.end - address)
            rest = self.read_bytes(window.end, address + size - window.end)
            return None if first is None or rest is None else first + rest
        base, buffer, flash = self._stores[window.memory]
        offset = window.offset + address - window.start
        if flash is None:
            return buffer.read(offset, size)
        if window.cached:
            return flash.read_cached(base + offset, size)
        if flash.memory.ecc_error in (EccError.FAULT, EccError.NMI) and size and flash.torn(base + offset, size):
            return None
        return flash.read(base + offset, size)

    def write_ram(self, address: int, data: bytes) -> bool:
        """Write RAM; False outside."""
        window = self.locate(address)
        if window is None or address + len(data) > window.end:
            return False
        _, buffer, flash = self._stores[window.memory]
        if flash is not None:
            return False
        buffer.write(window.offset + address - window.start, data)
        return True

    def stored_at(self, address: int) -> tuple[Buffer, int] | None:
        """Return the bytes that the core sees at a bus address, and the place in them; None where nothing is."""
        window = self.locate(address)
        if window is None:
            return None
        _, buffer, flash = self._stores[window.memory]
        if window.cached and flash is not None and flash.cache is not None:
            buffer = flash.cache
        return buffer, window.offset + address - window.start

    def invalidate_caches(self) -> None:
        """Let caches in front of memories show what is there now."""
        for flash in self.flashes:
            flash.empty_cache()

    def fault_at(self, address: int) -> None:
        """End the present instruction with a bus fault."""
        if self._pending is None:
            self._pending = ("bus", address)
            self._io_pc, self._io_write = self.emulator.pc, False
            self.emulator.stop()

    def fault_at_fence(self, address: int, *, write: bool) -> None:
        """End the present instruction with the protection unit's fault."""
        if self._pending is None:
            self._pending = ("guard write" if write else "guard", address)
            self._io_pc, self._io_write = self.emulator.pc, False
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

    def load_settings_now(self) -> None:
        """Load settings areas by command; where that resets the core, it starts again."""
        if self._pending is None:
            self._pending = ("load", 0)
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


def _flags(rights: int, *, read: bool = True) -> dict[str, bool]:
    return {"write": bool(rights & WRITE), "execute": bool(rights & EXECUTE), "read": read}
