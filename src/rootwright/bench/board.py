"""The device on the bench: core, memories, registers and hooks around the boot program; runs from reset to an end."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from rootwright.bench import core_arm, core_rv32
from rootwright.bench.core_arm import ArmCore, Lockup
from rootwright.bench.core_rv32 import RiscvCore
from rootwright.bench.emulator import PAGE, Buffer, Emulator, Stop
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashContent, FlashState
from rootwright.bench.hooks import HookCalls
from rootwright.bench.registers import ControllerRegisters, Registers, RuleRegisters
from rootwright.describe.bench import Bench, WriteDeed
from rootwright.describe.chip import Architecture, Chip, EccError, MemoryKind
from rootwright.errors import BenchError
from rootwright.image.model import Span

EndKind = Literal["image", "waits", "hang", "crash", "resets", "not covered"]

MOST_EXCEPTIONS = 2000
MOST_RESETS = 3
PERIPHERALS = ((0x4000_0000, 0x6000_0000), (0xE000_0000, 0x1_0000_0000))
"""Where an M-profile core expects registers (Armv7-M, B3.1, the system address map; from memory)."""


@dataclass(frozen=True, slots=True)
class Access:
    """An access that no rule covers: address, width in bytes, "read" or "write", value written, instruction."""

    address: int
    width: int
    kind: str
    value: int
    pc: int


@dataclass(frozen=True, slots=True)
class End:
    """How a run ended.

    Attributes:
        kind: "image" (the core left the boot program for other bytes), "waits" (it sleeps), "hang" (no end within the
            limit, or a loop that cannot be left), "crash" (lockup), "resets" (again and again), "not covered".
        at: The address fetched last, or where it hangs.
        why: In words.
    """

    kind: EndKind
    at: int
    why: str = ""
    image: bool = False


class Board:
    """One device. Build it, `power_up`, `run`; `snapshot` and `restore` between runs.

    Args:
        trace: Called with the address of every instruction before it runs; slow.
        blocks: Called with the address of every translated block.
        probe: What an access that no rule covers gives, or None to end the run there.
    """

    def __init__(
        self,
        chip: Chip,
        bench: Bench,
        firmware: Firmware,
        *,
        plugins: tuple[tuple[int, int, Registers], ...] = (),
        hooked: bool = True,
        trace: Callable[[int], None] | None = None,
        probe: Callable[[Access], int] | None = None,
        watchdog_s: float | None = None,
        blocks: Callable[[int], None] | None = None,
    ) -> None:
        self.chip, self.bench, self.firmware = chip, bench, firmware
        self.emulator = Emulator(chip.architecture)
        self.is_arm = chip.architecture is not Architecture.RV32
        self.arm = ArmCore(chip.architecture, self)
        self.riscv = RiscvCore(self)
        self.probe = probe
        self.uncovered: list[Access] = []
        self.faults: list[tuple[int, str]] = []
        self.notes: dict[str, None] = {}
        self.index = -1
        self.on_stop: Callable[[str], None] | None = None
        self._pending: tuple[str, int] | None = None
        self._io_pc = 0
        self._io_write = False
        self._noticed = -1
        self._cause = 0
        self._resets = 0
        self._fed = 0
        self._ran = 0
        self._remap = False
        self.patched = False
        self._watchdog = 0
        if watchdog_s is not None and self._feeds_watchdog(bench):
            self._watchdog = int(watchdog_s * chip.clock_hz)
        self.flashes: list[FlashContent] = []
        self.rams: list[tuple[int, int, Buffer]] = []
        self._io_flash = any(c.stores for c in bench.controllers)
        self._io_pages: set[int] = set()
        self._taken: list[tuple[int, int]] = []
        self._map_memories()
        self._devices: list[tuple[int, int, Registers]] = []
        self._build_devices(plugins)
        self._map_gaps()
        self.hooks: list[HookCalls] = []
        for hook in bench.hooks if hooked else ():
            call = HookCalls(hook, firmware.find_hook(hook), self)
            self.hooks.append(call)
            self.emulator.hook_address(call.address, call.address, call)
        if trace is not None:
            self._trace(trace)
        if blocks is not None:
            self.emulator.hook_blocks(blocks)
        self._guard_pages()

    @staticmethod
    def _feeds_watchdog(bench: Bench) -> bool:
        return any(r.write is WriteDeed.WATCHDOG for r in bench.rules) or any(
            h.deed.value == "watchdog" for h in bench.hooks
        )

    def _trace(self, trace: Callable[[int], None]) -> None:
        def count(address: int) -> None:
            self.index += 1
            trace(address)

        self.emulator.hook_all(count)

    # Memories

    def _map_memories(self) -> None:
        for memory in self.chip.memories:
            if memory.kind is MemoryKind.RAM:
                buffer = Buffer(memory.size)
                self.rams.append((memory.base, memory.size, buffer))
                if memory.base % PAGE or memory.size % PAGE:
                    continue
                self._map_pages(memory.base, memory.size, buffer, write=True)
            else:
                flash = FlashContent(memory)
                self.flashes.append(flash)
                if memory.base % PAGE or memory.size % PAGE or memory.kind is MemoryKind.SETTINGS:
                    continue
                self._map_pages(memory.base, memory.size, flash.buffer, write=False)

    def _code_pages(self) -> set[int]:
        pages: set[int] = set()
        spans = [*self.firmware.code, *(span for span, _ in self.firmware.ram_code)]
        for span in spans:
            pages |= set(range(span.address // PAGE * PAGE, span.end, PAGE))
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

    def _read_control(self, address: int, width: int) -> int:
        return 0 if self._pending is not None else self.arm.read(address, width)

    def _write_control(self, address: int, width: int, value: int) -> None:
        if self._pending is None:
            self.arm.write(address, width, value)
            if self.arm.pending or self.arm.tick_period:
                self._pend_io("pended", address, write=True)

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
        return next((f for f in self.flashes if f.holds(address)), None)

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

    def position(self) -> tuple[int, int]:
        """Return the instruction at work, and how many ran before it (-1: not counted)."""
        return self.emulator.pc, self.index

    def feed_watchdog(self) -> None:
        """Note that the watchdog was fed."""
        self._fed = self._ran

    def ask_reset(self) -> None:
        """End the run of this power-up with a software reset."""
        if self._pending is None:
            self._pending = ("reset", 0)
            self.emulator.stop()

    def reset_cause(self) -> int:
        """Return 0 after power-up, 1 after a watchdog reset, 2 after a software reset."""
        return self._cause

    def note_fault(self, pc: int, name: str) -> None:
        """Keep that the program faulted, also where its handler hides it."""
        if len(self.faults) < 16:
            self.faults.append((pc, name))

    def note(self, text: str) -> None:
        """Keep a remark for the report."""
        self.notes[text] = None

    # Registers

    def _build_devices(self, plugins: tuple[tuple[int, int, Registers], ...]) -> None:
        for rule in self.bench.rules:
            self._devices.append((rule.at, rule.at + rule.size, RuleRegisters(rule, self)))
        for controller in self.bench.controllers:
            flash = next(f for f in self.flashes if f.memory.name == controller.memory)
            self._devices.append(
                (controller.base, controller.base + controller.size, ControllerRegisters(controller, flash, self))
            )
        self._devices += plugins
        self._devices.sort(key=lambda item: item[0])
        for (_, end, _), (start, _, _) in zip(self._devices, self._devices[1:], strict=False):
            if start < end:
                raise BenchError(
                    f"two of rules, controllers and plugins answer for 0x{start:08x}",
                    where="[bench]",
                    next_step="let each register be covered once",
                )
        self._device_starts = [item[0] for item in self._devices]

    def device(self, address: int) -> tuple[int, Registers] | None:
        """Return the registers at an address with their first address."""
        index = bisect_right(self._device_starts, address) - 1
        if index >= 0 and address < self._devices[index][1]:
            return self._devices[index][0], self._devices[index][2]
        return None

    def peek(self, address: int) -> int:
        """Return a register's present value without the effects of a read; 0 where nothing answers."""
        found = self.device(address)
        if found is None:
            return self.arm.words.get(address - core_arm.SCS, 0) if self.is_arm else 0
        base, registers = found
        look = getattr(registers, "peek", None)
        return int(look(address - base)) if look is not None else 0

    def _read_io(self, address: int, width: int) -> int:
        if self._pending is not None:
            return 0
        found = self.device(address)
        if found is not None:
            return found[1].read(address - found[0], width)
        for base, length, buffer in self.rams:
            if base <= address and address + width <= base + length:
                return int.from_bytes(buffer.read(address - base, width), "little")
        flash = self.find_flash(address)
        if flash is not None:
            return self._read_flash(flash, address, width)
        return self._uncovered(address, width, "read", 0)

    def _read_flash(self, flash: FlashContent, address: int, width: int) -> int:
        value = int.from_bytes(flash.read(address, width), "little")
        how = flash.memory.ecc_error
        if how is not EccError.NONE and flash.torn(address, width):
            if how is EccError.FAULT:
                if self.is_arm and self.arm.noted_only():
                    self.arm.note_bus_fault(address)
                else:
                    self._pend_io("bus", address, write=False)
            elif how is EccError.NMI and self.is_arm and self._noticed != address:
                # The load is done again behind the handler, and then goes through.
                self._noticed = address
                if core_arm.NMI not in self.arm.pending:
                    self.arm.pending = (*self.arm.pending, core_arm.NMI)
                self._pend_io("nmi", address, write=False)
            elif self._noticed == address:
                self._noticed = -1
        return value

    def _pend_io(self, kind: str, address: int, *, write: bool) -> None:
        if self._pending is None:
            self._pending = (kind, address)
            self._io_pc, self._io_write = self.emulator.pc, write
            self.emulator.stop()

    def _write_io(self, address: int, width: int, value: int) -> None:
        if self._pending is not None:
            return
        found = self.device(address)
        if found is not None:
            found[1].write(address - found[0], width, value)
            if self._remap:
                self._pend_io("remap", address, write=True)
            return
        for base, length, buffer in self.rams:
            if base <= address and address + width <= base + length:
                buffer.write(address - base, value.to_bytes(width, "little"))
                return
        flash = self.find_flash(address)
        if flash is not None:
            for _, _, registers in self._devices:
                if not isinstance(registers, ControllerRegisters) or registers.flash is not flash:
                    continue
                if registers.store(address, width, value):
                    return
            self._pend_io("bus", address, write=False)
            return
        self._uncovered(address, width, "write", value)

    def is_register(self, address: int) -> bool:
        """Return whether an address looks like a register's, so that an access there wants a rule."""
        if self.is_arm:
            return any(start <= address < end for start, end in PERIPHERALS)
        return any(start - 0x1_0000 <= address < end + 0x1_0000 for start, end, _ in self._devices) or (
            self.probe is not None and address >= 0x1000_0000
        )

    def _uncovered(self, address: int, width: int, kind: str, value: int) -> int:
        if not self.is_register(address):
            if self.is_arm and kind == "read" and self.arm.noted_only():
                self.arm.note_bus_fault(address)
                return 0
            self._pend_io("bus", address, write=False)
            return 0
        access = Access(address, width, kind, value, self.emulator.pc)
        self.uncovered.append(access)
        if self.probe is not None:
            return self.probe(access)
        self._pend_io("not covered", address, write=False)
        return 0

    # Runs

    def _vector_base(self) -> int:
        return self.chip.reset_address

    def power_up(self, flash: dict[str, FlashState] | None = None, *, fill: int = 0xA5) -> None:
        """Put flash content in, fill RAM with an arbitrary byte (its content at power-up is), and reset.

        Args:
            flash: Content by memory name; memories that are not named keep what they hold.
        """
        for content in self.flashes:
            if flash is not None and content.memory.name in flash:
                content.put(flash[content.memory.name])
                self._remap = self._remap or content.memory.ecc_error is not EccError.NONE
        self.fill_ram(fill)
        self._resets = 0
        self.faults.clear()
        self.reset(0)

    def fill_ram(self, fill: int) -> None:
        """Fill all RAM with one byte."""
        for _, size, buffer in self.rams:
            buffer.write(0, bytes([fill]) * size)

    def reset(self, cause: int) -> None:
        """Reset the core: 0 power-up, 1 watchdog, 2 software. RAM is kept."""
        self._cause = cause
        self._noticed = -1
        self._pending = None
        self._fed = self._ran = 0
        self.uncovered.clear()
        for _, _, registers in self._devices:
            registers.reset()
        for hook in self.hooks:
            hook.reset()
        self.arm.reset(self._vector_base())
        self.riscv.reset()
        self._refresh()
        e = self.emulator
        if self.is_arm:
            for name in e.registers:
                if name not in ("pc", "xpsr", "msp", "psp"):
                    e.set(name, 0)
            e.set("xpsr", 1 << 24)
            table = self.read_bytes(self._vector_base(), 8) or bytes(8)
            e.set("sp", int.from_bytes(table[:4], "little") & ~3)
            e.set("lr", 0xFFFF_FFFF)
            e.set("pc", int.from_bytes(table[4:], "little") & ~1)
        else:
            for number in range(1, 32):
                e.set(f"x{number}", 0)
            for name in ("mtvec", "mepc", "mcause", "mtval", "mie", "mscratch"):
                e.set(name, 0)
            e.set("mstatus", 0x1800)
            e.set("pc", self.firmware.image.entry if self.firmware.image.entry is not None else self.chip.reset_address)

    def _refresh(self) -> None:
        """Drop translations of code whose bytes changed, and map torn pages anew."""
        for flash in self.flashes:
            span = flash.take_dirty()
            if span is not None:
                base = flash.memory.base
                for page in self._code_pages():
                    if base + span[0] < page + PAGE and page < base + span[1]:
                        self.emulator.forget(page, page + PAGE)
                self._remap = self._remap or flash.memory.ecc_error is not EccError.NONE
        for span_, _ in self.firmware.ram_code:
            self.emulator.forget(span_.address, span_.end)
        if self._remap:
            self._remap_torn()

    def snapshot(self) -> Any:
        """Return the whole device's state; cheap."""
        return (
            self.emulator.save(),
            [buffer.read(0, size) for _, size, buffer in self.rams],
            [flash.snapshot() for flash in self.flashes],
            [registers.save() for _, _, registers in self._devices],
            self.arm.save(),
            self.riscv.save(),
            (self._cause, self._resets, self._fed, self._ran, self.index, self._noticed),
            [(h.calls, h.successes, h._drawn) for h in self.hooks],
        )

    def restore(self, state: Any) -> None:
        """Go back to a snapshot."""
        context, rams, flashes, registers, arm, riscv, own, hooks = state
        for (_, _, buffer), data in zip(self.rams, rams, strict=True):
            buffer.write(0, data)
        for flash, mark in zip(self.flashes, flashes, strict=True):
            flash.restore(mark)
        for (_, _, device), saved in zip(self._devices, registers, strict=True):
            device.restore(saved)
        self.arm.restore(arm)
        self.riscv.restore(riscv)
        self._cause, self._resets, self._fed, self._ran, self.index, self._noticed = own
        for hook, (calls, successes, drawn) in zip(self.hooks, hooks, strict=True):
            hook.calls, hook.successes, hook._drawn = calls, successes, drawn
        self._pending = None
        self.uncovered.clear()
        self._refresh()
        self.emulator.restore(context)

    def sight(self) -> Any:
        """Return everything that what comes next depends on, for comparing two boards' states."""
        return (
            self.emulator.all_registers(),
            [buffer.read(0, size) for _, size, buffer in self.rams],
            [[(o.kind, o.address, o.data) for o in flash.operations] for flash in self.flashes],
            [registers.save() for _, _, registers in self._devices],
            self.arm.save(),
            self._cause,
            [h._drawn for h in self.hooks],
        )

    def run_count(self, count: int) -> tuple[bool, End | None]:
        """Run exactly `count` instructions: (True, None); where something stops the core before, (False, its end)."""
        stop = self.emulator.run(count)
        self._ran += count
        if stop.kind == "count":
            return True, None
        return False, self._handle_stop(stop)

    def step(self, count: int) -> End | None:
        """Run `count` instructions in which nothing stops the core; what does is handled and ends the step early."""
        stop = self.emulator.run(count)
        self._ran += count
        return None if stop.kind == "count" else self._handle_stop(stop)

    def pass_stop(self, kind: str) -> End | None:
        """Do what the golden run did at a stop: a tick of the timer, or what stopped the core."""
        if kind in ("tick", "pend"):
            if kind == "tick":
                self.arm.tick()
            return self._take_pending()
        stop = self.emulator.run(1)
        return None if stop.kind == "count" else self._handle_stop(stop)

    def _handle_stop(self, stop: Stop) -> End | None:
        end = self._handle(stop)
        if end is None and self.is_arm and self.arm.pending:
            end = self._take_pending()
        return end

    def run(self, limit: int) -> End:
        """Run until the boot program ends one way or another, at most `limit` instructions."""
        left = limit
        exceptions = 0
        before = -1
        while left > 0:
            period = self.arm.tick_period if self.is_arm else 0
            slice_ = min(left, period or left, 200_000)
            if self.is_arm and self.arm.pending:
                slice_ = 1  # What is masked now is taken at the very instruction that unmasks it.
            stop = self.emulator.run(slice_)
            if stop.kind == "count":
                left -= slice_
                self._ran += slice_
                if period and slice_ > 1 and self.arm.tick_period:
                    if self.on_stop is not None:
                        self.on_stop("tick")
                    self.arm.tick()
                end = self._asleep(stop.pc) or self._stuck(stop.pc, period)
                if end is not None:
                    return end
                if self._watchdog and self._ran - self._fed > self._watchdog:
                    end = self._reset_again(1, stop.pc)
            else:
                exceptions += 1
                left -= 1
                end = self._handle(stop)
                if end is None and stop.pc == before:
                    left -= 1000  # A loop of faults must end.
                before = stop.pc
            if end is None and self.is_arm and self.arm.pending and self.arm.next_pending():
                if stop.kind == "count" and self.on_stop is not None:
                    self.on_stop("pend")
                end = self._take_pending()
            if end is not None:
                return end
            if exceptions > MOST_EXCEPTIONS:
                return End("crash", self.emulator.pc, "exceptions without end")
        if self._watchdog:
            end = self._reset_again(1, self.emulator.pc)
            return end or self.run(limit)
        return End("hang", self.emulator.pc, f"no end within {limit} instructions")

    def _take_pending(self) -> End | None:
        number = self.arm.next_pending()
        if not number:
            return None
        return self._locked(self.arm.enter(number, self.emulator.pc))

    def _asleep(self, pc: int) -> End | None:
        size = 2 if self.is_arm else 4
        raw = self.read_bytes(pc - size, size)
        sleeps = (b"\x30\xbf", b"\x20\xbf") if self.is_arm else (b"\x73\x00\x50\x10",)
        if raw in sleeps and not (self.is_arm and self.arm.pending):
            return End("waits", pc - size, "the core sleeps until an interrupt")
        return None

    def _stuck(self, pc: int, period: int) -> End | None:
        """Return the end of a run that stands in a jump to itself."""
        raw = self.read_bytes(pc, 2)
        loops = (b"\xfe\xe7",) if self.is_arm else (b"\x01\xa0",)
        far = self.read_bytes(pc, 4)
        if raw in loops or (not self.is_arm and far == b"\x6f\x00\x00\x00"):
            if period and self.is_arm and not self.arm.active and not self.emulator.get("primask") & 1:
                return None
            if self._watchdog:
                return self._reset_again(1, pc)
            return End("hang", pc, "a jump to itself")
        return None

    def _reset_again(self, cause: int, pc: int) -> End | None:
        self._resets += 1
        if self._resets >= MOST_RESETS:
            word = "watchdog" if cause == 1 else "software"
            return End("resets", pc, f"{self._resets} resets in a row, the last one by {word}")
        resets = self._resets
        self.reset(cause)
        self._resets = resets
        return None

    def _locked(self, lockup: Lockup | None) -> End | None:
        if lockup is None:
            return None
        if self._watchdog:
            return self._reset_again(1, self.emulator.pc)
        return End("crash", self.emulator.pc, lockup.why)

    def _handle(self, stop: Stop) -> End | None:
        if self.on_stop is not None:
            self.on_stop("stop")
        if self._pending is not None or stop.kind == "asked":
            pending, self._pending = self._pending, None
            if self._remap:
                self._remap_torn()
            return self._handle_pending(pending, stop.pc)
        if stop.kind == "count":
            return None
        if stop.kind == "exception":
            return self._exception(stop)
        if stop.kind == "fetch":
            return self._fetch(stop.pc)
        if stop.kind == "illegal":
            return self._illegal(stop.pc)
        return self._data_fault(stop.pc, None, write=stop.kind == "write")

    def _handle_pending(self, pending: tuple[str, int] | None, pc: int) -> End | None:
        if pending is None:
            return None
        kind, address = pending
        if kind == "reset":
            return self._reset_again(2, pc)
        if kind == "fetch":
            return self._fetch(address)
        if kind == "image":
            return End("image", self._entry(address), "handed over by a hooked function", True)
        if kind == "not covered":
            return End("not covered", self._io_pc, f"no rule covers 0x{address:08x}")
        if kind == "bus":
            return self._data_fault(self._io_pc or pc, address, write=False)
        if self._io_write and pc == self._io_pc:
            # The store is done; the emulator stands before it.
            self.emulator.set("pc", pc + self.firmware.instruction(pc).size)
        return None

    def _entry(self, address: int) -> int:
        """Return where an image starts that a hooked function was given: its table's reset vector, or itself."""
        if not self.is_arm:
            return address
        raw = self.read_bytes(address & ~1, 8)
        reset = int.from_bytes(raw[4:], "little") if raw else 0
        return reset & ~1 if reset & 1 else address & ~1

    def _exception(self, stop: Stop) -> End | None:
        if self.is_arm:
            if stop.pc >= 0xFFFF_FF00:
                return self._locked(self.arm.leave(stop.pc))
            if stop.number == 2:
                return self._locked(self.arm.supervisor_call(stop.pc))
            if stop.number == 3:
                return self._fetch(stop.pc)
            if stop.number == 7:
                return self._locked(self.arm.fault(core_arm.HARD, 0, stop.pc))
            return self._illegal(stop.pc)
        # The emulator counts the program counter on by four when it reports an exception.
        pc = (stop.pc - 4) & 0xFFFF_FFFF
        if stop.number in (8, 9, 11):
            return self._locked(self.riscv.trap(core_rv32.CALL, pc))
        if stop.number == 3:
            return self._locked(self.riscv.trap(core_rv32.BREAKPOINT, pc))
        if stop.number in (0, 1, 12):
            return self._fetch(stop.pc)
        if stop.number in (4, 5, 6, 7, 13, 15):
            return self._locked(self.riscv.trap(core_rv32.LOAD if stop.number in (4, 5, 13) else core_rv32.STORE, pc))
        return self._illegal(pc)

    def _illegal(self, pc: int) -> End | None:
        if self.is_arm:
            return self._locked(self.arm.fault(core_arm.USAGE, core_arm.UNDEFINED, pc))
        # The emulator calls a breakpoint an invalid instruction.
        stopped = self.read_bytes(pc, 2) == b"\x02\x90" or self.read_bytes(pc, 4) == b"\x73\x00\x10\x00"
        return self._locked(self.riscv.trap(core_rv32.BREAKPOINT if stopped else core_rv32.ILLEGAL, pc))

    def _data_fault(self, pc: int, address: int | None, *, write: bool) -> End | None:
        if self.is_arm:
            return self._locked(self.arm.fault(core_arm.BUS, core_arm.BUS_PRECISE, pc, address))
        cause = core_rv32.STORE if write else core_rv32.LOAD
        return self._locked(self.riscv.trap(cause, pc, address or 0))

    def _fetch(self, pc: int) -> End | None:
        """Judge a fetch from where the boot program has no code."""
        if self.is_arm and pc >= 0xFFFF_FF00:
            return self._locked(self.arm.leave(pc))
        flash = self.find_flash(pc)
        in_ram = any(base <= pc < base + size for base, size, _ in self.rams)
        if flash is not None and flash.units[(pc - flash.memory.base) // flash.unit] in (0, 2):
            # Blank or torn flash holds no instruction that anybody chose.
            return self._illegal(pc) if self.is_arm else self._locked(self.riscv.trap(core_rv32.ILLEGAL, pc))
        if flash is not None or in_ram:
            return End("image", pc, "the core fetched outside the boot program", True)
        if self.is_arm:
            return self._locked(self.arm.fault(core_arm.BUS, core_arm.BUS_INSTRUCTION, pc))
        return self._locked(self.riscv.trap(core_rv32.FETCH, pc, pc))
