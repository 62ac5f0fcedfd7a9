"""What an RV32 core does at a trap: machine mode alone.

Source: The RISC-V Instruction Set Manual, Volume II, machine-level ISA: mtvec, mepc, mcause, mstatus (from memory).
"""

from __future__ import annotations

from typing import Any

from rootwright.bench.core_arm import ArmBus, Lockup

FETCH, ILLEGAL, BREAKPOINT, LOAD, STORE, CALL = 1, 2, 3, 5, 7, 11
NAMES = {
    FETCH: "instruction access fault",
    ILLEGAL: "illegal instruction",
    BREAKPOINT: "breakpoint",
    LOAD: "load access fault",
    STORE: "store access fault",
    CALL: "environment call",
}
MOST_IN_A_ROW = 64


class RiscvCore:
    """Traps of one RV32 core in machine mode."""

    def __init__(self, bus: ArmBus) -> None:
        self.bus = bus
        self.entries = 0
        self.last = -1
        self.repeats = 0

    def reset(self) -> None:
        """Be as after a reset."""
        self.entries, self.last, self.repeats = 0, -1, 0

    def save(self) -> Any:
        """Return the state that the emulator does not hold."""
        return self.entries, self.last, self.repeats

    def restore(self, state: Any) -> None:
        """Put it back."""
        self.entries, self.last, self.repeats = state

    def trap(self, cause: int, pc: int, value: int = 0) -> Lockup | None:
        """Enter the trap handler; Lockup where there is none, or it traps again and again at its own start."""
        e = self.bus.emulator
        self.entries += 1
        if cause != CALL:
            self.bus.note_fault(pc, NAMES[cause])
        target = e.get("mtvec") & ~3
        if not target and not self.bus.read_bytes(0, 4):
            return Lockup(f"{NAMES[cause]} at 0x{pc:08x} with no trap vector set")
        self.repeats = self.repeats + 1 if pc == self.last else 0
        self.last = pc
        if self.repeats > MOST_IN_A_ROW or (pc == target and cause != CALL):
            return Lockup(f"{NAMES[cause]} at 0x{pc:08x}, again and again in the trap handler")
        status = e.get("mstatus")
        e.set("mepc", pc)
        e.set("mcause", cause)
        e.set("mtval", value)
        e.set("mstatus", status & ~0x88 | (status & 8) << 4 | 0x1800)
        e.set("pc", target)
        return None
