"""What stopped the core, and what comes of it: exceptions and traps, faults, fetches from elsewhere, resets."""

from __future__ import annotations

from collections.abc import Callable

from rootwright.bench import arm_numbers, core_rv32
from rootwright.bench.core_arm import Lockup
from rootwright.bench.device_state import DeviceState
from rootwright.bench.effective import stored
from rootwright.bench.emulator import Stop
from rootwright.bench.ends import Access, End
from rootwright.bench.firmware import Firmware
from rootwright.bench.hooks import HookCalls
from rootwright.bench.protection_unit import EXECUTE, READ, WRITE
from rootwright.bench.registers import Registers
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Chip

MOST_RESETS = 3

USAGE_FAULTS = {
    4: arm_numbers.UNALIGNED,  # only Armv6-M's model asks for aligned addresses
    17: arm_numbers.NO_COPROCESSOR,
    18: arm_numbers.INVALID_STATE,
    19: arm_numbers.STACK_LIMIT,
    22: arm_numbers.UNALIGNED,
}
"""What the emulator's exceptions are in the status register of usage faults."""


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
        # Asked after a reset, at each call of a hooked function and at stations; True where `meet` was called.
        self.on_reset: Callable[[], bool] | None = None
        self.on_call: Callable[[HookCalls], bool] | None = None
        self.on_pass: Callable[[int], bool] | None = None
        self._watchdog = 0

    @property
    def resets(self) -> int:
        """How often the device was reset in this run."""
        return self._resets

    @property
    def waits_for_time(self) -> bool:
        """Whether what comes next depends on how many instructions run: a watchdog, a tick timer, what is pending."""
        return bool(self._watchdog or (self.is_arm and (self.arm.tick_period or self.arm.pending)))

    def meet(self) -> None:
        """End the run here, since what comes is known; from within a callback."""
        if self._pending is None:
            self._pending = ("met", 0)
            self.emulator.stop()

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
        if self.strange:
            return self._fetch(self.emulator.pc)
        if self.dead:
            return End("crash", pc, self.dead)
        if self.on_reset is not None and self.on_reset():
            self._pending = None
            return End("met", pc)
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
                self._settle_pages()
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
        if kind == "load":
            self._load_settings(0)
            if self.dead or any(area.load_resets for area in self.chip.settings_areas):
                return self._reset_again(2, pc)
            if self._remap:
                self._settle_pages()
        if kind == "fetch":
            return self._fetch(address)
        if kind == "met":
            return End("met", pc)
        if kind == "image":
            return End("image", self._entry(address), "handed over by a hooked function", True)
        if kind == "not covered":
            return End("not covered", self._io_pc, f"no rule covers 0x{address:08x}")
        if kind in ("bus", "bus write", "guard", "guard write"):
            return self._data_fault(self._io_pc, address, write=kind.endswith("write"), guard="guard" in kind)
        if self._io_write and pc == self._io_pc:
            self._finish_store(pc, address)
        if kind == "settle" or self._remap:
            self._settle_pages()
        return None

    def _finish_store(self, pc: int, address: int) -> None:
        """Finish the store whose access at `address` stopped the core: that one is done, the core stands before it."""
        e = self.emulator
        store = stored(self.read_bytes(pc, 4) or b"", pc, self._value) if self.is_arm else None
        if store is not None:
            for at, width, register in store.words:
                if at > address:
                    value = self._value(register) & (1 << 8 * width) - 1
                    write = self._write_control if at & -0x1000 == arm_numbers.SCS else self._write_io
                    write(at, width, value)
            self._pending = None
            if store.base:
                e.set(store.base, store.after)
        e.set("pc", pc + self.firmware.instruction(pc).size)

    def _entry(self, address: int) -> int:
        """Return where an image starts that a hooked function was given: its table's reset vector, or itself."""
        if not self.is_arm:
            return address
        raw = self.read_bytes(address & ~1, 8)
        reset = int.from_bytes(raw[4:], "little") if raw else 0
        return reset & ~1 if reset & 1 else address & ~1

    def _exception(self, stop: Stop) -> End | None:
        if self.is_arm:
            return self._arm_exception(stop)
        # The emulator counts the program counter on by four when it reports an exception.
        pc = (stop.pc - 4) & 0xFFFF_FFFF
        if stop.number in (8, 9, 11):
            return self._locked(self.riscv.call(pc))
        if stop.number == 3:
            return self._locked(self.riscv.trap(core_rv32.BREAKPOINT, pc))
        if stop.number in (0, 1, 12):
            return self._fetch(stop.pc)
        if stop.number in (core_rv32.LOAD_MISALIGNED, core_rv32.STORE_MISALIGNED):
            return self._locked(self.riscv.trap(stop.number, pc, self._accessed(pc)[0]))
        if stop.number in (5, 7, 13, 15):
            return self._data_fault(pc, None, write=stop.number in (7, 15))
        return self._illegal(pc)

    def _arm_exception(self, stop: Stop) -> End | None:
        if self.arm.is_return(stop.pc):
            return self._locked(self.arm.leave(stop.pc))
        if stop.number == 2:
            return self._locked(self.arm.supervisor_call(stop.pc))
        if stop.number in (3, 8):
            return self._fetch(stop.pc)
        if stop.number in USAGE_FAULTS:
            return self._locked(self.arm.fault(arm_numbers.USAGE, USAGE_FAULTS[stop.number], stop.pc))
        if stop.number == 7:
            return self._locked(self.arm.breakpoint(stop.pc))
        return self._illegal(stop.pc)

    def _illegal(self, pc: int) -> End | None:
        raw = self.read_bytes(pc, 4) or self.read_bytes(pc, 2) or bytes(4)
        if self.is_arm:
            # A branch to an even address clears the Thumb bit (Armv7-M, A2.3.1): no instruction runs in that state.
            why = arm_numbers.UNDEFINED if self.emulator.thumb else arm_numbers.INVALID_STATE
            if why == arm_numbers.UNDEFINED and raw[1] & 0xEC == 0xEC:
                why = arm_numbers.NO_COPROCESSOR
            return self._locked(self.arm.fault(arm_numbers.USAGE, why, pc))
        word = int.from_bytes(raw[: 4 if raw[0] & 3 == 3 else 2], "little")
        # The emulator calls a breakpoint an invalid instruction.
        if word in (0x9002, 0x0010_0073):
            return self._locked(self.riscv.trap(core_rv32.BREAKPOINT, pc))
        return self._locked(self.riscv.trap(core_rv32.ILLEGAL, pc, word))

    def _data_fault(self, pc: int, address: int | None, *, write: bool, guard: bool = False) -> End | None:
        kind = WRITE if write else READ
        if address is None:
            address, size = self._accessed(pc)
            words = range(address, address + max(size, 1), 4)
            refused = next((at for at in words if not self.may(at, 1, kind)), None)
            guard = refused is not None
            address = refused if refused is not None else address
        if not self.is_arm:
            cause = core_rv32.STORE if write else core_rv32.LOAD
            return self._locked(self.riscv.trap(cause, pc, address))
        if guard:
            return self._locked(self.arm.fault(arm_numbers.MEMORY, arm_numbers.MEMORY_DATA, pc, address))
        if self.arm.noted_only():
            self.arm.note_bus_fault(address)
            self._skip(pc)
            return None
        return self._locked(self.arm.fault(arm_numbers.BUS, arm_numbers.BUS_PRECISE, pc, address))

    def _skip(self, pc: int) -> None:
        """Go on behind an instruction; inside a conditional block the block's state goes on too (DDI 0403, A7.3.3)."""
        e = self.emulator
        xpsr = e.get("xpsr")
        state = xpsr >> 8 & 0xFC | xpsr >> 25 & 3
        if state:
            state = state & 0xE0 | state << 1 & 0x1F if state & 7 else 0
            e.set("xpsr", xpsr & ~0x0600_FC00 | (state & 0xFC) << 8 | (state & 3) << 25)
        e.set("pc", pc + self.firmware.instruction(pc).size)

    def _fetch(self, pc: int) -> End | None:
        """Judge a fetch from where the boot program has no code."""
        if self.is_arm and self.arm.is_return(pc):
            return self._locked(self.arm.leave(pc))
        if not self.may(pc, 1, EXECUTE) or self._never_executes(pc):
            if self.is_arm:
                return self._locked(self.arm.fault(arm_numbers.MEMORY, arm_numbers.MEMORY_INSTRUCTION, pc))
            return self._locked(self.riscv.trap(core_rv32.FETCH, pc, pc))
        flash = self.find_flash(pc)
        in_ram = flash is None and self.locate(pc) is not None
        if self.is_arm and not self.emulator.thumb and (flash is not None or in_ram):
            return self._illegal(pc)
        if flash is not None and flash.units[(self.canonical(pc) - flash.base) // flash.unit] in (0, 2):
            # Blank or torn flash holds no instruction that anybody chose.
            return self._illegal(pc) if self.is_arm else self._locked(self.riscv.trap(core_rv32.ILLEGAL, pc))
        if flash is not None or in_ram:
            return End("image", pc, "the core fetched outside the boot program", True)
        if self.is_arm:
            return self._locked(self.arm.fault(arm_numbers.BUS, arm_numbers.BUS_INSTRUCTION, pc))
        return self._locked(self.riscv.trap(core_rv32.FETCH, pc, pc))

    def _never_executes(self, pc: int) -> bool:
        """Return whether the default memory map of an M-profile core has no code there (DDI 0403, B3.1)."""
        return self.is_arm and any(start <= pc < end for start, end in arm_numbers.NEVER_EXECUTES)
