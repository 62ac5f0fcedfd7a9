"""What stopped the core, and what comes of it: exceptions and traps, faults, fetches from elsewhere, resets."""

from __future__ import annotations

from collections.abc import Callable

from rootwright.bench import core_arm, core_rv32
from rootwright.bench.core_arm import Lockup
from rootwright.bench.device_state import DeviceState
from rootwright.bench.emulator import Stop
from rootwright.bench.ends import Access, End
from rootwright.bench.firmware import Firmware
from rootwright.bench.registers import Registers
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Chip

MOST_RESETS = 3


class Stops(DeviceState):
    """A device that knows how to go on when its core stops."""

    def __init__(
        self,
        chip: Chip,
        bench: Bench,
        firmware: Firmware,
        plugins: tuple[tuple[int, int, Registers], ...],
        probe: Callable[[Access], int] | None,
    ) -> None:
        super().__init__(chip, bench, firmware, plugins, probe)
        self.on_stop: Callable[[str], None] | None = None
        self._watchdog = 0

    def _handle_stop(self, stop: Stop) -> End | None:
        end = self._handle(stop)
        if end is None and self.is_arm and self.arm.pending:
            end = self._take_pending()
        return end

    def _take_pending(self) -> End | None:
        number = self.arm.next_pending()
        if not number:
            return None
        return self._locked(self.arm.enter(number, self.emulator.pc))

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
            # A branch to an even address clears the Thumb bit (Armv7-M, A2.3.1): no instruction runs in that state.
            why = core_arm.UNDEFINED if self.emulator.thumb else core_arm.INVALID_STATE
            return self._locked(self.arm.fault(core_arm.USAGE, why, pc))
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
        if self.is_arm and not self.emulator.thumb and (flash is not None or in_ram):
            return self._illegal(pc)
        if flash is not None and flash.units[(pc - flash.memory.base) // flash.unit] in (0, 2):
            # Blank or torn flash holds no instruction that anybody chose.
            return self._illegal(pc) if self.is_arm else self._locked(self.riscv.trap(core_rv32.ILLEGAL, pc))
        if flash is not None or in_ram:
            return End("image", pc, "the core fetched outside the boot program", True)
        if self.is_arm:
            return self._locked(self.arm.fault(core_arm.BUS, core_arm.BUS_INSTRUCTION, pc))
        return self._locked(self.riscv.trap(core_rv32.FETCH, pc, pc))
