"""What an M-profile core does besides instructions: exceptions by priority, system control space, tick timer.

Sources: Armv7-M Architecture Reference Manual (DDI 0403), B1.5: priorities and escalation, exception entry and return,
faults while stacking, lockup; B3.2: system control space. Armv6-M Architecture Reference Manual (DDI 0419): every fault
is a HardFault, two bits of priority. Armv8-M Architecture Reference Manual (DDI 0553): the secure side alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from rootwright.bench import arm_numbers as n
from rootwright.bench.emulator import Emulator
from rootwright.bench.protection_unit import ArmUnit
from rootwright.bench.registers import merge, part
from rootwright.describe.chip import Architecture


class ArmBus(Protocol):
    """What the core asks of the device around it."""

    emulator: Emulator

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Bytes as the core reads them; None where that faults."""

    def push(self, address: int, data: bytes, *, privileged: bool) -> int:
        """Write a frame to the stack; the number of the fault that this raises, or 0."""

    def pull(self, address: int, size: int, *, privileged: bool) -> bytes | int:
        """Read a frame from the stack; the number of the fault that this raises."""

    def ask_reset(self) -> None:
        """A software reset was asked for."""

    def note_fault(self, pc: int, name: str) -> None:
        """The program faulted."""

    def note(self, text: str) -> None:
        """Something that is not enforced was relied on."""

    def level_changed(self) -> None:
        """The core's mode or execution priority changed: other accesses may be allowed now."""


@dataclass(frozen=True, slots=True)
class Lockup:
    """The core stopped for good: a fault at a priority at which none can be taken."""

    why: str


class ArmCore:
    """Exceptions and system control space of one M-profile core.

    Attributes:
        active: Exceptions that were entered and not left, the one at work last.
        pending: Exceptions that wait for their turn.
        unit: Its protection unit.
    """

    def __init__(self, architecture: Architecture, bus: ArmBus, regions: int) -> None:
        self.bus = bus
        self.small = architecture is Architecture.ARMV6_M
        self.newer = architecture is Architecture.ARMV8_M
        self.unit = ArmUnit(architecture, regions)
        self.reset(0)

    def reset(self, vector_base: int) -> None:
        """Be as after a reset, with the vector table at `vector_base`."""
        self.words: dict[int, int] = {n.VTOR: vector_base, n.AIRCR: 0xFA05_0000, n.CCR: 0x200}
        self.active: tuple[int, ...] = ()
        self.pending: tuple[int, ...] = ()
        self.ticks = 0
        self.entries = 0
        self.unit.reset()

    def save(self) -> Any:
        """Return the state as a value."""
        return tuple(self.words.items()), self.active, self.pending, self.ticks, self.entries, self.unit.save()

    def restore(self, state: Any) -> None:
        """Put it back."""
        words, self.active, self.pending, self.ticks, self.entries, unit = state
        self.words = dict(words)
        self.unit.restore(unit)

    @property
    def vector_base(self) -> int:
        """Where the vector table is."""
        return self.words[n.VTOR]

    # System control space

    def read(self, address: int, width: int) -> int:
        """Return a register of the system control space."""
        offset = address - n.SCS
        at = offset & ~3
        word = self.words.get(at, 0)
        if n.MPU_TYPE <= at < n.MPU_END:
            word = self.unit.read(at)
        elif at == n.CPUID:
            word = 0x410C_C200 if self.small else 0x410F_D210 if self.newer else 0x410F_C240
        elif at == n.ICSR:
            word = self._control_and_state()
        elif at == n.SHCSR:
            word |= sum(1 << bit for number, bit in n.ACTIVE_BITS.items() if number in self.active)
            word |= sum(1 << bit for number, bit in n.PENDED_BITS.items() if number in self.pending)
        elif at == n.TICK_VALUE:
            self.ticks += 1
            reload = self.words.get(n.TICK_RELOAD, 0) or 1
            word = (reload - 64 * self.ticks) % (reload + 1)
        elif at == n.TICK_CONTROL:
            # Counts down to zero between any two looks; the flag clears by reading.
            word |= 1 << 16 if word & 1 else 0
        return part(word, offset, width)

    def _control_and_state(self) -> int:
        word = self.number
        waiting = min(self.pending, key=lambda number: (self.priority(number), number), default=0)
        word |= waiting << 12 | (1 << 11 if len(self.active) < 2 else 0)
        for bit, number in ((31, n.NMI), (28, n.PENDSV), (26, n.SYSTICK)):
            word |= 1 << bit if number in self.pending else 0
        return word

    def write(self, address: int, width: int, value: int, pc: int = 0) -> None:
        """Write a register of the system control space, by the instruction at `pc`."""
        offset = address - n.SCS
        at = offset & ~3
        new = merge(self.words.get(at, 0), offset, width, value)
        if at in (n.CFSR, n.HFSR, n.DFSR):
            self.words[at] = self.words.get(at, 0) & ~merge(0, offset, width, value)
            return
        if n.MPU_TYPE <= at < n.MPU_END:
            self.unit.write(at, merge(self.unit.read(at), offset, width, value), pc)
            return
        if at == n.ICSR:
            self._pend(value)
            return
        if at == n.AIRCR:
            if new >> 16 != 0x05FA:
                return
            if new & 4:
                self.bus.ask_reset()
            new = 0xFA05_0000 | new & 0x0700
        elif at == n.VTOR:
            new &= 0xFFFF_FF80
        elif at == n.SHCSR:
            new &= sum(n.ENABLE.values())  # Active and pended bits are the core's own here.
        self._note(at, new)
        self.words[at] = new

    def _note(self, at: int, new: int) -> None:
        if at == n.CPACR and new:
            self.bus.note("the program switches the floating-point unit on: its registers are not stacked here")
        elif at == n.CCR and new & n.UNALIGNED_TRAP:
            self.bus.note("the program asks for a fault at unaligned accesses (CCR.UNALIGN_TRP): not enforced")
        elif at == n.CCR and new & n.DIVISION_TRAP:
            self.bus.note("the program asks for a fault at division by zero (CCR.DIV_0_TRP): not enforced")
        elif (n.SET_PENDING <= at < n.SET_PENDING_END or at == n.TRIGGER) and new:
            self.bus.note("the program pends an interrupt of a device by software: it is never taken here")

    def _pend(self, value: int) -> None:
        for bit, number in ((31, n.NMI), (28, n.PENDSV), (26, n.SYSTICK)):
            if value >> bit & 1:
                self.pend(number)
        for bit, number in ((27, n.PENDSV), (25, n.SYSTICK)):
            if value >> bit & 1:
                self._withdraw(number)

    def pend(self, number: int) -> None:
        """Let an exception wait for its turn."""
        if number not in self.pending:
            self.pending = (*self.pending, number)

    def _withdraw(self, number: int) -> None:
        self.pending = tuple(each for each in self.pending if each != number)

    @property
    def tick_period(self) -> int:
        """Instructions between two ticks that interrupt; 0 while there are none."""
        control = self.words.get(n.TICK_CONTROL, 0)
        return max(self.words.get(n.TICK_RELOAD, 0), 64) if control & 3 == 3 else 0

    def tick(self) -> None:
        """Let the tick timer reach zero."""
        self.pend(n.SYSTICK)

    # Priorities (DDI 0403, B1.5.4)

    @property
    def number(self) -> int:
        """The exception at work as the core has it, 0 in thread mode."""
        return self.bus.emulator.get("xpsr") & 0x1FF

    @property
    def privileged(self) -> bool:
        """Whether the core runs privileged: in a handler always."""
        return not self.bus.emulator.get("control") & 1 or self.number != 0

    def priority(self, number: int) -> int:
        """Return an exception's priority: the lower, the more urgent."""
        if number <= n.HARD:
            return number - 4  # NMI -2, HardFault -1
        register, shift = n.PRIORITY_PLACES.get(number, (0, 0))
        value = self.words.get(register, 0) >> shift & 0xFF
        return value & 0xC0 if self.small else value

    def _group(self, priority: int) -> int:
        """Leave out the subpriority, which decides among waiting exceptions alone."""
        return priority if priority < 0 or self.small else priority & -(2 << (self.words[n.AIRCR] >> 8 & 7))

    def execution_priority(self) -> int:
        """Return the priority that an exception must be under to be taken now."""
        e = self.bus.emulator
        if not self.privileged:
            with e.raised():
                return self.execution_priority()
        least = min((self._group(self.priority(number)) for number in self.active), default=n.NO_PRIORITY)
        if e.get("primask") & 1:
            least = min(least, 0)
        if self.small:
            return least
        base = e.get("basepri") & 0xFF
        if base:
            least = min(least, self._group(base))
        return min(least, -1) if e.get("faultmask") & 1 else least

    def _can_take(self, number: int) -> bool:
        return self._group(self.priority(number)) < self.execution_priority()

    def _is_enabled(self, number: int) -> bool:
        if number == n.DEBUG:
            return bool(self.words.get(n.DEMCR, 0) >> 16 & 1)
        if number not in n.ENABLE:
            return True
        return not self.small and bool(self.words.get(n.SHCSR, 0) & n.ENABLE[number])

    def next_pending(self) -> int:
        """Return the pending exception that can be taken now, or 0: the most urgent, then the lowest number."""
        if not self.pending:
            return 0
        number = min(self.pending, key=lambda each: (self.priority(each), each))
        return number if self._can_take(number) else 0

    def noted_only(self) -> bool:
        """Return whether a data bus fault is noted and not taken: BFHFNMIGN at priority -1 or -2 (B3.2.8)."""
        if self.small or not self.words.get(n.CCR, 0) & n.BUS_FAULTS_IGNORED:
            return False
        return self.execution_priority() < 0

    # Faults

    def note_bus_fault(self, address: int) -> None:
        """Set the status bits of a precise data bus fault."""
        self._status(n.BUS_PRECISE, address)

    def _status(self, status: int, address: int | None) -> None:
        if self.small:
            return  # Armv6-M has no fault status registers.
        self.words[n.CFSR] = self.words.get(n.CFSR, 0) | status
        if address is None:
            return
        memory = bool(status & 0xFF)
        self.words[n.CFSR] |= n.MEMORY_ADDRESS_VALID if memory else n.BUS_ADDRESS_VALID
        self.words[n.MMFAR if memory else n.BFAR] = address

    def fault(self, number: int, status: int, pc: int, address: int | None = None) -> Lockup | None:
        """Take a fault at instruction `pc`, escalated as the architecture says; Lockup where it cannot be taken."""
        self.bus.note_fault(pc, n.NAMES[number])
        self._status(status, address)
        taken = self._escalated(number)
        if taken is None:
            return Lockup(f"{n.NAMES[number]} at 0x{pc:08x} while in {self._where()}")
        return self.enter(taken, pc)

    def _escalated(self, number: int) -> int | None:
        """Return what a synchronous exception becomes: itself, HardFault, or None where not even that is taken."""
        if number != n.HARD and (not self._is_enabled(number) or not self._can_take(number)):
            if not self.small:
                cause = n.DEBUG_EVENT if number == n.DEBUG else n.FORCED
                self.words[n.HFSR] = self.words.get(n.HFSR, 0) | cause
            number = n.HARD
        return None if number == n.HARD and self.execution_priority() <= -1 else number

    def _where(self) -> str:
        worst = min(self.active, key=self.priority, default=0)
        if worst in (n.HARD, n.NMI):
            return n.NAMES[worst]
        return "FAULTMASK" if self.bus.emulator.get("faultmask") & 1 else n.NAMES.get(worst, f"exception {worst}")

    def supervisor_call(self, pc: int) -> Lockup | None:
        """Take SVC; `pc` is the instruction behind it. Where its priority cannot be taken it is a HardFault."""
        taken = self._escalated(n.SVCALL)
        if taken != n.SVCALL:
            self.bus.note_fault(pc, n.NAMES[n.HARD])
        if taken is None:
            return Lockup(f"SVC before 0x{pc:08x} while in {self._where()}")
        return self.enter(taken, pc)

    def breakpoint(self, pc: int) -> Lockup | None:
        """Take BKPT with no debugger attached: DebugMonitor where it is enabled, else HardFault (C1.6.1)."""
        if not self.small:
            self.words[n.DFSR] = self.words.get(n.DFSR, 0) | 2
        return self.fault(n.HARD if self.small else n.DEBUG, 0, pc)

    # Entry and return

    def enter(self, number: int, pc: int) -> Lockup | None:
        """Stack, vector and enter a handler (B1.5.6); `pc` is where it returns to."""
        e = self.bus.emulator
        self._withdraw(number)
        self.entries += 1
        control, privileged = e.get("control"), self.privileged
        handler = self.number != 0
        on_process = not handler and bool(control & 2)
        sp = e.get("sp")
        aligned = self.small or bool(self.words.get(n.CCR, 0) & n.STACK_ALIGNED)
        frame_at = (sp - 0x20) & (~7 if aligned else ~3) & 0xFFFF_FFFF
        xpsr = e.get("xpsr") & ~(1 << 9) | (sp >> 2 & 1 if aligned else 0) << 9
        values = [e.get(f"r{i}") for i in range(4)] + [e.get("r12"), e.get("lr"), pc & 0xFFFF_FFFF, xpsr]
        failed = self.bus.push(frame_at, b"".join(v.to_bytes(4, "little") for v in values), privileged=privileged)
        if failed:
            derived = self._derived(failed, number)
            if derived is None:
                return Lockup(f"the stack pointer 0x{sp:08x} is outside RAM at an exception")
            number = derived
        e.set("sp", frame_at)
        back = 0xFFFF_FFF1 if handler else 0xFFFF_FFFD if on_process else 0xFFFF_FFF9
        return self._take(number, back)

    def _derived(self, failed: int, number: int) -> int | None:
        """Return what is entered where stacking for `number` failed: the more urgent; the other waits (B1.5.11).

        None: it is a HardFault while a HardFault or NMI was entered, which locks up.
        """
        self._status(n.STACK_FAILED[failed], None)
        taken = self._escalated(failed)
        if taken is None or (taken == n.HARD and number in (n.HARD, n.NMI)):
            return None
        first, second = sorted((taken, number), key=lambda each: (self.priority(each), each))
        self.pend(second)
        return first

    def _take(self, number: int, back: int) -> Lockup | None:
        """Enter a handler whose frame is on the stack already (B1.5.5, ExceptionTaken)."""
        e = self.bus.emulator
        raw = self.bus.read_bytes(self.vector_base + 4 * number, 4)
        if raw is None and number not in (n.HARD, n.NMI):
            # The exception waits; the handler that is entered is HardFault's, if that can be read.
            if not self.small:
                self.words[n.HFSR] = self.words.get(n.HFSR, 0) | n.VECTOR_READ
            self.bus.note_fault(self.vector_base + 4 * number, n.NAMES[n.HARD])
            self.pend(number)
            number = n.HARD
            raw = self.bus.read_bytes(self.vector_base + 4 * number, 4)
        vector = int.from_bytes(raw, "little") if raw else 0
        if raw is None or (number == n.HARD and not vector & 1):
            return Lockup(f"no handler for {n.NAMES[number]} in the vector table at 0x{self.vector_base:08x}")
        self._withdraw(number)
        self.active = (*self.active, number)
        flags = e.get("xpsr") & 0xF800_0000
        self._to_handler(flags | 1 << 24 | number)
        e.set("lr", back)
        e.jump(vector)  # An even vector clears the Thumb bit: INVSTATE at the handler's first instruction.
        self.bus.level_changed()
        return None

    def _to_handler(self, xpsr: int) -> None:
        """Be in handler mode on the main stack. A handler cannot clear CONTROL.SPSEL, so thread mode does it before."""
        e = self.bus.emulator
        e.set("xpsr", xpsr)
        control = e.get("control")
        if control & 2:
            e.set("control", 2)
            e.set("xpsr", xpsr & ~0x1FF)
            e.set("control", 0)
            e.set("xpsr", xpsr)
            e.set("control", control & 1)

    def is_return(self, pc: int) -> bool:
        """Return whether a branch to `pc` is an exception return: in a handler, to the top of the address space."""
        return pc >= (0xFF00_0000 if self.newer else 0xF000_0000) and self.number != 0

    def leave(self, pc: int) -> Lockup | None:
        """Return from a handler: the core branched to the EXC_RETURN value `pc` (B1.5.8)."""
        e = self.bus.emulator
        value = pc & ~1 | e.thumb
        returning = self.number
        is_legal = returning in self.active and self._is_legal(value, len(self.active))
        if returning in self.active:
            place = len(self.active) - 1 - self.active[::-1].index(returning)
            self.active = self.active[:place] + self.active[place + 1 :]
        if returning != n.NMI:
            e.set("faultmask", 0)
        if not is_legal:
            return self._bad_return(value)
        waiting = self.next_pending()
        if waiting:
            self.entries += 1
            return self._take(waiting, value)  # tail-chained: the frame stays where it is
        to_thread, on_process = bool(value & 8), bool(value & 4)
        frame_at = e.get("psp") if on_process else e.get("msp")
        raw = self.bus.pull(frame_at, 32, privileged=not (to_thread and e.get("control") & 1))
        if isinstance(raw, int):
            return self._unstack_failed(raw, value)
        words = [int.from_bytes(raw[i : i + 4], "little") for i in range(0, 32, 4)]
        if (words[7] & 0x1FF == 0) != to_thread:
            return self._bad_return(value)
        after = frame_at + 0x20 + (4 if words[7] >> 9 & 1 else 0) & 0xFFFF_FFFF
        self._back_on_stack(words[7], after, on_process=on_process, to_thread=to_thread)
        for i in range(4):
            e.set(f"r{i}", words[i])
        e.set("r12", words[4])
        e.set("lr", words[5])
        e.jump(words[6] & ~1 | words[7] >> 24 & 1)
        self.bus.level_changed()
        return None

    def _is_legal(self, value: int, depth: int) -> bool:
        """Return whether an EXC_RETURN value can be obeyed: its fixed bits, and where it says that it goes."""
        if self.newer:
            fixed, kind = 0x00FF_FF80, value & 0xC  # Security bits are those of the secure side.
            known = kind in (0x0, 0x8, 0xC) and not value & 2
        else:
            fixed, kind = 0x0FFF_FFE0, value & 0xF
            known = kind in (0x1, 0x9, 0xD)
        if not known or value & fixed != fixed:
            return False
        if kind & 8:
            return depth == 1 or bool(self.words.get(n.CCR, 0) & n.NON_BASE_THREAD)
        return depth > 1

    def _bad_return(self, value: int) -> Lockup | None:
        """Take INVPC on the frame that is there: a return that the architecture forbids."""
        self.bus.note_fault(value, n.NAMES[n.USAGE])
        self._status(n.INVALID_RETURN, None)
        taken = self._escalated(n.USAGE)
        if taken is None:
            return Lockup(f"a return by 0x{value:08x} that cannot be obeyed, while in {self._where()}")
        self.entries += 1
        return self._take(taken, 0xF000_0000 | value & 0x0FFF_FFFF)

    def _unstack_failed(self, number: int, value: int) -> Lockup | None:
        self.bus.note_fault(value, n.NAMES[number])
        self._status(n.UNSTACK_FAILED[number], None)
        taken = self._escalated(number)
        if taken is None:
            return Lockup(f"the stack cannot be read at a return from an exception, while in {self._where()}")
        self.entries += 1
        return self._take(taken, value)

    def _back_on_stack(self, popped: int, after: int, *, on_process: bool, to_thread: bool) -> None:
        """Take the program status and stack of what was interrupted."""
        e = self.bus.emulator
        user = e.get("control") & 1
        xpsr = popped & ~(1 << 9)
        if not to_thread:
            e.set("psp" if on_process else "msp", after)
            e.set("xpsr", xpsr)
            return
        # Unprivileged code could not choose the stack, so it becomes unprivileged last.
        e.set("control", 0)
        e.set("xpsr", xpsr)
        e.set("control", 2 if on_process else 0)
        e.set("sp", after)
        if user:
            e.set("control", (2 if on_process else 0) | 1)
