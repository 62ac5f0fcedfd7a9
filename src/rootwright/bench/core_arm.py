"""What an M-profile core does besides instructions: exceptions, system control space, tick timer.

Sources: Armv7-M Architecture Reference Manual (DDI 0403), B1.5 exceptions, B3.2 system control space; Armv8-M
Architecture Reference Manual (DDI 0553). Register addresses and bit places are quoted from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from rootwright.bench.emulator import Emulator
from rootwright.bench.registers import merge, part
from rootwright.describe.chip import Architecture

SCS, SCS_END = 0xE000_E000, 0xE000_F000
TICK_CONTROL, TICK_RELOAD, TICK_VALUE, TICK_CALIBRATION = 0x010, 0x014, 0x018, 0x01C
CPUID, ICSR, VTOR, AIRCR, SCR, CCR = 0xD00, 0xD04, 0xD08, 0xD0C, 0xD10, 0xD14
SHCSR, CFSR, HFSR, MMFAR, BFAR = 0xD24, 0xD28, 0xD2C, 0xD34, 0xD38
MPU_CONTROL = 0xD94

NMI, HARD, MEMORY, BUS, USAGE, SVCALL, PENDSV, SYSTICK = 2, 3, 4, 5, 6, 11, 14, 15
NAMES = {
    NMI: "NMI",
    HARD: "HardFault",
    MEMORY: "MemManage",
    BUS: "BusFault",
    USAGE: "UsageFault",
    SVCALL: "SVCall",
    PENDSV: "PendSV",
    SYSTICK: "SysTick",
}
_ENABLE = {MEMORY: 1 << 16, BUS: 1 << 17, USAGE: 1 << 18}

BUS_INSTRUCTION, BUS_PRECISE, BUS_ADDRESS_VALID = 0x100, 0x200, 0x8000
UNDEFINED, INVALID_STATE, INVALID_RETURN = 1 << 16, 1 << 17, 1 << 18
VECTOR_READ, FORCED = 1 << 1, 1 << 30


class ArmBus(Protocol):
    """What the core asks of the device around it."""

    emulator: Emulator

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Bytes as the core reads them; None where that faults."""

    def write_ram(self, address: int, data: bytes) -> bool:
        """Write RAM; False outside."""

    def ask_reset(self) -> None:
        """A software reset was asked for."""

    def note_fault(self, pc: int, name: str) -> None:
        """The program faulted."""

    def note(self, text: str) -> None:
        """Something that is not enforced was relied on."""


@dataclass(frozen=True, slots=True)
class Lockup:
    """The core stopped for good: a fault at a priority at which none can be taken."""

    why: str


class ArmCore:
    """Exceptions and system control space of one M-profile core."""

    def __init__(self, architecture: Architecture, bus: ArmBus) -> None:
        self.bus = bus
        self.small = architecture is Architecture.ARMV6_M
        self.reset(0)

    def reset(self, vector_base: int) -> None:
        """Be as after a reset, with the vector table at `vector_base`."""
        self.words: dict[int, int] = {VTOR: vector_base, AIRCR: 0xFA05_0000, CCR: 0x200}
        self.active: tuple[int, ...] = ()
        self.pending: tuple[int, ...] = ()
        self.ticks = 0
        self.entries = 0

    def save(self) -> Any:
        """Return the state as a value."""
        return tuple(self.words.items()), self.active, self.pending, self.ticks, self.entries

    def restore(self, state: Any) -> None:
        """Put it back."""
        words, self.active, self.pending, self.ticks, self.entries = state
        self.words = dict(words)

    @property
    def vector_base(self) -> int:
        """Where the vector table is."""
        return self.words[VTOR]

    # System control space

    def read(self, address: int, width: int) -> int:
        """Return a register of the system control space."""
        offset = address - SCS
        at = offset & ~3
        word = self.words.get(at, 0)
        if at == CPUID:
            word = 0x410C_C200 if self.small else 0x410F_C240
        elif at == ICSR:
            active = self.active[-1] if self.active else 0
            word = active | (1 << 28 if PENDSV in self.pending else 0) | (1 << 26 if SYSTICK in self.pending else 0)
        elif at == TICK_VALUE:
            self.ticks += 1
            reload = self.words.get(TICK_RELOAD, 0) or 1
            word = (reload - 64 * self.ticks) % (reload + 1)
        elif at == TICK_CONTROL:
            # Counts down to zero between any two looks; the flag clears by reading.
            word |= 1 << 16 if word & 1 else 0
        return part(word, offset, width)

    def write(self, address: int, width: int, value: int) -> None:
        """Write a register of the system control space."""
        offset = address - SCS
        at = offset & ~3
        new = merge(self.words.get(at, 0), offset, width, value)
        if at in (CFSR, HFSR):
            self.words[at] = self.words.get(at, 0) & ~merge(0, offset, width, value)
            return
        if at == ICSR:
            self._pend(value)
            return
        if at == AIRCR:
            if new >> 16 != 0x05FA:
                return
            if new & 4:
                self.bus.ask_reset()
            new = 0xFA05_0000 | new & 0x0700
        if at == VTOR:
            new &= 0xFFFF_FF80
        if at == MPU_CONTROL and new & 1:
            self.bus.note("the program switches its protection unit on: its regions are not enforced here")
        if at == 0xD88 and new:
            self.bus.note("the program switches the floating-point unit on: lazy stacking is not modelled")
        self.words[at] = new

    def _pend(self, value: int) -> None:
        for bit, number in ((31, NMI), (28, PENDSV), (26, SYSTICK)):
            if value >> bit & 1 and number not in self.pending:
                self.pending = (*self.pending, number)
        for bit, number in ((27, PENDSV), (25, SYSTICK)):
            if value >> bit & 1:
                self.pending = tuple(n for n in self.pending if n != number)

    @property
    def tick_period(self) -> int:
        """Instructions between two ticks that interrupt; 0 while there are none."""
        control = self.words.get(TICK_CONTROL, 0)
        return max(self.words.get(TICK_RELOAD, 0), 64) if control & 3 == 3 else 0

    def tick(self) -> None:
        """Let the tick timer reach zero."""
        if SYSTICK not in self.pending:
            self.pending = (*self.pending, SYSTICK)

    # Exceptions

    def noted_only(self) -> bool:
        """Return whether a data bus fault is noted and not taken: BFHFNMIGN at priority -1 or -2 (B3.2.8)."""
        if self.small or not self.words.get(CCR, 0) & 0x100:
            return False
        e = self.bus.emulator
        return bool(e.get("faultmask") & 1) or bool(self.active and self.active[-1] in (NMI, HARD))

    def note_bus_fault(self, address: int) -> None:
        """Set the status bits of a precise data bus fault."""
        self.words[CFSR] = self.words.get(CFSR, 0) | BUS_PRECISE | BUS_ADDRESS_VALID
        self.words[BFAR] = address

    def fault(self, number: int, status: int, pc: int, address: int | None = None) -> Lockup | None:
        """Take a fault at instruction `pc`, escalated as the architecture says; Lockup where it cannot be taken."""
        self.bus.note_fault(pc, NAMES[number])
        self.words[CFSR] = self.words.get(CFSR, 0) | status
        if address is not None:
            self.words[CFSR] |= BUS_ADDRESS_VALID
            self.words[BFAR] = address
        if (self.active and self.active[-1] in (HARD, NMI)) or self.bus.emulator.get("faultmask") & 1:
            return Lockup(f"{NAMES[number]} at 0x{pc:08x} while in {self._where()}")
        masked = bool(self.bus.emulator.get("primask") & 1)
        enabled = not self.small and bool(self.words.get(SHCSR, 0) & _ENABLE.get(number, 0))
        nested = any(n in (MEMORY, BUS, USAGE) for n in self.active)
        if number != HARD and (not enabled or nested or masked):
            self.words[HFSR] = self.words.get(HFSR, 0) | FORCED
            number = HARD
        return self.enter(number, pc)

    def _where(self) -> str:
        return NAMES.get(self.active[-1], f"exception {self.active[-1]}") if self.active else "FAULTMASK"

    def supervisor_call(self, pc: int) -> Lockup | None:
        """Take SVC; `pc` is the instruction behind it."""
        masked = bool(self.bus.emulator.get("primask") & 1)
        if masked or any(n in (NMI, HARD, SVCALL, MEMORY, BUS, USAGE) for n in self.active):
            return self.fault(HARD, 0, pc)
        return self.enter(SVCALL, pc)

    def next_pending(self) -> int:
        """Return the pending exception that can be taken now, or 0."""
        e = self.bus.emulator
        if NMI in self.pending and NMI not in self.active:
            return NMI
        if self.active or e.get("primask") & 1 or e.get("faultmask") & 1:
            return 0
        return next((n for n in (SYSTICK, PENDSV) if n in self.pending), 0)

    def enter(self, number: int, pc: int) -> Lockup | None:
        """Stack, vector and enter a handler (B1.5.6)."""
        e = self.bus.emulator
        self.pending = tuple(n for n in self.pending if n != number)
        self.entries += 1
        thread_stack = bool(not self.active and e.get("control") & 2)
        sp = e.get("sp")
        align = sp >> 2 & 1
        frame_at = (sp - 0x20) & ~7
        xpsr = e.get("xpsr") & ~(1 << 9) | align << 9
        values = [e.get(f"r{i}") for i in range(4)] + [e.get("r12"), e.get("lr"), pc, xpsr]
        if not self.bus.write_ram(frame_at, b"".join(v.to_bytes(4, "little") for v in values)):
            if number == HARD or HARD in self.active:
                return Lockup(f"the stack pointer 0x{sp:08x} is outside RAM at an exception")
            self.words[CFSR] = self.words.get(CFSR, 0) | 1 << 12
            self.words[HFSR] = self.words.get(HFSR, 0) | FORCED
            number = HARD  # Taken all the same; what was to be stacked is lost.
        raw = self.bus.read_bytes(self.vector_base + 4 * number, 4)
        vector = int.from_bytes(raw, "little") if raw else 0
        if number == HARD and not vector & 1:
            return Lockup(f"no handler for {NAMES[number]} in the vector table at 0x{self.vector_base:08x}")
        if not raw:
            self.words[HFSR] = self.words.get(HFSR, 0) | VECTOR_READ
            return self.fault(HARD, 0, pc)
        e.set("sp", frame_at)
        back = 0xFFFF_FFF1 if self.active else 0xFFFF_FFFD if thread_stack else 0xFFFF_FFF9
        self.active = (*self.active, number)
        e.set("xpsr", 1 << 24 | number)
        if thread_stack:
            e.set("psp", frame_at)
            e.set("sp", e.get("msp"))
        e.set("lr", back)
        e.jump(vector)  # An even vector clears the Thumb bit: INVSTATE at the handler's first instruction.
        return None

    def leave(self, pc: int) -> Lockup | None:
        """Return from a handler: the core branched to an EXC_RETURN value (B1.5.8)."""
        e = self.bus.emulator
        if not self.active:
            return self.fault(USAGE, INVALID_STATE, pc)
        to_thread = bool(pc & 8)
        use_psp = bool(pc & 4)
        left = self.active[-1]
        self.active = self.active[:-1]
        if to_thread and self.active:
            self.active = ()
        if left != NMI:
            e.set("faultmask", 0)
        e.set("xpsr", 1 << 24 | (self.active[-1] if self.active else 0))
        frame_at = e.get("psp") if use_psp else e.get("sp")
        raw = self.bus.read_bytes(frame_at, 32)
        if raw is None:
            return self.fault(BUS, BUS_PRECISE, pc)
        words = [int.from_bytes(raw[i : i + 4], "little") for i in range(0, 32, 4)]
        for i in range(4):
            e.set(f"r{i}", words[i])
        e.set("r12", words[4])
        e.set("lr", words[5])
        after = frame_at + 0x20 + (4 if words[7] >> 9 & 1 else 0)
        if use_psp:
            e.set("psp", after)
            e.set("control", e.get("control") | 2)
            e.set("sp", after)
        else:
            if to_thread:
                e.set("control", e.get("control") & ~2)
            e.set("sp", after)
        e.set("xpsr", words[7] & ~0x1FF & ~(1 << 9) | (self.active[-1] if self.active else 0))
        e.jump(words[6] & ~1 | words[7] >> 24 & 1)
        return None
