"""Registers, bits and exceptions of M-profile cores, as the architecture manuals number them.

Sources: Armv7-M Architecture Reference Manual (DDI 0403), B1.5 exceptions and B3.2 system control space; Armv8-M
Architecture Reference Manual (DDI 0553). Addresses and bit places are quoted from memory.
"""

from __future__ import annotations

SCS, SCS_END = 0xE000_E000, 0xE000_F000
TICK_CONTROL, TICK_RELOAD, TICK_VALUE, TICK_CALIBRATION = 0x010, 0x014, 0x018, 0x01C
SET_PENDING, SET_PENDING_END, TRIGGER = 0x200, 0x240, 0xF00
CPUID, ICSR, VTOR, AIRCR, SCR, CCR = 0xD00, 0xD04, 0xD08, 0xD0C, 0xD10, 0xD14
SHPR1, SHPR2, SHPR3 = 0xD18, 0xD1C, 0xD20
SHCSR, CFSR, HFSR, DFSR, MMFAR, BFAR = 0xD24, 0xD28, 0xD2C, 0xD30, 0xD34, 0xD38
CPACR, DEMCR = 0xD88, 0xDFC
MPU_TYPE, MPU_CONTROL, MPU_END = 0xD90, 0xD94, 0xDC8

NMI, HARD, MEMORY, BUS, USAGE, SVCALL, DEBUG, PENDSV, SYSTICK = 2, 3, 4, 5, 6, 11, 12, 14, 15
NAMES = {
    NMI: "NMI",
    HARD: "HardFault",
    MEMORY: "MemManage",
    BUS: "BusFault",
    USAGE: "UsageFault",
    SVCALL: "SVCall",
    DEBUG: "DebugMonitor",
    PENDSV: "PendSV",
    SYSTICK: "SysTick",
}
FAULTS = (MEMORY, BUS, USAGE)

ENABLE = {MEMORY: 1 << 16, BUS: 1 << 17, USAGE: 1 << 18}
ACTIVE_BITS = {MEMORY: 0, BUS: 1, USAGE: 3, SVCALL: 7, DEBUG: 8, PENDSV: 10, SYSTICK: 11}
PENDED_BITS = {USAGE: 12, MEMORY: 13, BUS: 14, SVCALL: 15}
"""Bits of SHCSR."""

PRIORITY_PLACES = {
    MEMORY: (SHPR1, 0),
    BUS: (SHPR1, 8),
    USAGE: (SHPR1, 16),
    SVCALL: (SHPR2, 24),
    DEBUG: (SHPR3, 0),
    PENDSV: (SHPR3, 16),
    SYSTICK: (SHPR3, 24),
}
NO_PRIORITY = 256
"""Execution priority where nothing is active: below every exception's."""

MEMORY_INSTRUCTION, MEMORY_DATA, MEMORY_UNSTACK, MEMORY_STACK, MEMORY_ADDRESS_VALID = 0x1, 0x2, 0x8, 0x10, 0x80
BUS_INSTRUCTION, BUS_PRECISE, BUS_UNSTACK, BUS_STACK, BUS_ADDRESS_VALID = 0x100, 0x200, 0x800, 0x1000, 0x8000
UNDEFINED, INVALID_STATE, INVALID_RETURN, NO_COPROCESSOR = 1 << 16, 1 << 17, 1 << 18, 1 << 19
STACK_LIMIT, UNALIGNED, DIVIDED_BY_ZERO = 1 << 20, 1 << 24, 1 << 25
"""Bits of CFSR."""

VECTOR_READ, FORCED, DEBUG_EVENT = 1 << 1, 1 << 30, 1 << 31
"""Bits of HFSR."""

STACK_FAILED = {MEMORY: MEMORY_STACK, BUS: BUS_STACK}
UNSTACK_FAILED = {MEMORY: MEMORY_UNSTACK, BUS: BUS_UNSTACK}

NON_BASE_THREAD, UNALIGNED_TRAP, DIVISION_TRAP, BUS_FAULTS_IGNORED, STACK_ALIGNED = 1, 1 << 3, 1 << 4, 1 << 8, 1 << 9
"""Bits of CCR."""

NEVER_EXECUTES = ((0x4000_0000, 0x6000_0000), (0xA000_0000, 0x1_0000_0000))
"""Addresses that hold no code whatever the protection unit says (DDI 0403, B3.1, default memory map)."""
