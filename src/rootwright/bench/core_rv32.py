"""What an RV32 core does at a trap: all of them go to machine mode, and nothing nests.

Source: The RISC-V Instruction Set Manual, Volume II: 3.1.6.1 privilege and interrupt-enable stack in mstatus, 3.1.7
mtvec, 3.1.14 to 3.1.16 mepc, mcause and mtval, 3.3.2 trap-return instructions (section numbers from memory). The way
back, mret, is the emulator's; where physical memory protection is in use `fence` does it: other rights hold behind it.
"""

from __future__ import annotations

from typing import Any

from rootwright.bench.core_arm import ArmBus, Lockup
from rootwright.bench.protection_unit import PmpUnit

FETCH, ILLEGAL, BREAKPOINT, LOAD_MISALIGNED, LOAD, STORE_MISALIGNED, STORE, CALL = 1, 2, 3, 4, 5, 6, 7, 8
NAMES = {
    FETCH: "instruction access fault",
    ILLEGAL: "illegal instruction",
    BREAKPOINT: "breakpoint",
    LOAD_MISALIGNED: "load address misaligned",
    LOAD: "load access fault",
    STORE_MISALIGNED: "store address misaligned",
    STORE: "store access fault",
}
MACHINE = 3
MOST_IN_A_ROW = 64


class RiscvCore:
    """Traps of one RV32 core, and its physical memory protection."""

    def __init__(self, bus: ArmBus, unit: PmpUnit) -> None:
        self.bus, self.unit = bus, unit
        self.entries = 0
        self.last = -1
        self.repeats = 0

    def reset(self) -> None:
        """Be as after a reset."""
        self.entries, self.last, self.repeats = 0, -1, 0
        self.unit.reset()

    def save(self) -> Any:
        """Return the state that the emulator does not hold."""
        return self.entries, self.last, self.repeats, self.unit.save()

    def restore(self, state: Any) -> None:
        """Put it back."""
        self.entries, self.last, self.repeats, unit = state
        self.unit.restore(unit)

    @property
    def privileged(self) -> bool:
        """Whether the core is in machine mode."""
        return self.bus.emulator.get("priv") == MACHINE

    def call(self, pc: int) -> Lockup | None:
        """Take an environment call, whose cause says from which mode it came."""
        return self.trap(CALL + self.bus.emulator.get("priv"), pc)

    def trap(self, cause: int, pc: int, value: int = 0) -> Lockup | None:
        """Enter the trap handler; Lockup where there is none, or it traps again and again at its own start.

        A trap in the handler overwrites mepc, mcause and mtval, as on the core: what was there is lost.
        """
        e = self.bus.emulator
        self.entries += 1
        is_call = cause >= CALL
        name = "environment call" if is_call else NAMES[cause]
        if not is_call:
            self.bus.note_fault(pc, name)
        mode = e.get("priv")
        e.set("priv", MACHINE)  # Below it the registers of a trap cannot be written.
        target = e.get("mtvec") & ~3
        if not target and not self.bus.read_bytes(0, 4):
            return Lockup(f"{name} at 0x{pc:08x} with no trap vector set")
        self.repeats = self.repeats + 1 if pc == self.last else 0
        self.last = pc
        if self.repeats > MOST_IN_A_ROW or (pc == target and not is_call):
            return Lockup(f"{name} at 0x{pc:08x}, again and again in the trap handler")
        status = e.get("mstatus")
        e.set("mepc", pc)
        e.set("mcause", cause)
        e.set("mtval", value)
        e.set("mstatus", status & ~0x1888 | (status & 8) << 4 | mode << 11)
        e.set("pc", target)
        self.bus.level_changed()
        return None
