"""Exceptions by priority, in the bench and in a system emulator: the same instructions, and what the manual says.

Armv7-M Architecture Reference Manual (DDI 0403): B1.5.4 priorities, B1.5.6 entry, B1.5.8 return, B1.5.11 faults while
stacking (derived exceptions), B1.5.12 tail-chaining, B1.5.15 lockup. Section numbers are from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from system_emulator import under_it
from test_exceptions_as_in_system_emulator import golden_of, once, require_equal, system_trace

from rootwright.bench.board import Board
from rootwright.bench.subject import Subject
from rootwright.describe.chip import Architecture

pytestmark = [pytest.mark.slow, pytest.mark.firmware]

COMMON = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
#define SHCSR REG(0xE000ED24)
#define CFSR REG(0xE000ED28)
#define HFSR REG(0xE000ED2C)
#define ICSR REG(0xE000ED04)
#define SHPR1 REG(0xE000ED18)
#define SHPR2 REG(0xE000ED1C)
#define SHPR3 REG(0xE000ED20)
#define PENDSV (1u << 28)
#define TICK (1u << 26)
#define SYNC __asm__ volatile("dsb\\n isb" : : : "memory")
#define STACKED "tst lr, #4\\n ite eq\\n mrseq r0, msp\\n mrsne r0, psp\\n"
#define HANDLER(name) __attribute__((naked)) void name(void) { \\
    __asm__ volatile(STACKED "push {r4, lr}\\n bl " #name "_c\\n pop {r4, pc}"); }
void reset(void);
volatile uint32_t seen[64], used;
__attribute__((noinline)) void note(uint32_t value) { seen[used++ & 63] = value; }
"""
VECTORS = """
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, nmi, hard, memory, bus, usage, 0, 0, 0, 0, svc, 0, 0, pendsv, tick };
"""
QUIET = """
__attribute__((used, noinline)) void hard_c(uint32_t *frame) {
    note(0x300 | HFSR >> 30); note(CFSR); HFSR = HFSR; CFSR = CFSR; frame[6] += 2; }
HANDLER(hard)
__attribute__((used, noinline)) void usage_c(uint32_t *frame) { note(0x600); CFSR = CFSR; frame[6] += 2; }
HANDLER(usage)
__attribute__((used, noinline)) void bus_c(uint32_t *frame) { note(0x500); CFSR = CFSR; frame[6] += 2; }
HANDLER(bus)
__attribute__((used, noinline)) void memory_c(uint32_t *frame) { note(0x400); CFSR = CFSR; frame[6] += 2; }
HANDLER(memory)
"""


def seen(subject: Subject, board: Board, count: int) -> list[int]:
    """Return what the program noted."""
    symbol = subject.firmware.image.symbol("seen")
    assert symbol is not None
    raw = board.read_bytes(symbol.address, 4 * count) or b""
    return [int.from_bytes(raw[i : i + 4], "little") for i in range(0, len(raw), 4)]


def run(subject: Subject, architecture: Architecture | None = None) -> Board:
    if architecture is not None:
        subject.chip = replace(subject.chip, architecture=architecture)
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    board.last_end = board.run(100_000)  # type: ignore[attr-defined]
    return board


def compared(subject: Subject, folder: Path, least: int = 60, part: str = "arm") -> None:
    golden = golden_of(subject)
    conditional = under_it(subject, golden)
    ours = once(list(golden.pcs), conditional)
    theirs = once(system_trace(part, golden, folder), conditional)
    # What cannot be executed is noted all the same by the system emulator. Before which instruction behind its store a
    # pended exception comes is open until the barriers are through (DDI 0403, B3.5.3 on synchronization, from memory).
    silent = {pc for pc in theirs if subject.firmware.instruction(pc).text.startswith(("udf", "dsb", "isb"))}
    ours, theirs = once(ours, silent), once(theirs, silent)
    require_equal(ours, theirs, len(ours) - 1)
    assert len(ours) > least


NESTED = (
    COMMON
    + QUIET
    + """
void nmi(void) { note(0x200); }
void pendsv(void) { note(0xE00); __asm__ volatile("udf 1"); note(0xE01); }
void tick(void) { note(0xF00); }
__attribute__((used, noinline)) void svc_c(uint32_t *frame) {
    note(0xB00 | (frame[0] & 0xFF));
    switch (frame[0]) {
    case 0: __asm__ volatile("udf 1"); break;                       /* a fault inside SVCall */
    case 1: ICSR = PENDSV | TICK; SYNC; note(0xB01); break;         /* tail-chained behind this */
    case 2: ICSR = 1u << 31; SYNC; note(0xB02); break;              /* NMI comes at once */
    case 3: __asm__ volatile("mov r0, #9\\n svc 0\\n nop" : : : "r0"); break;  /* HardFault */
    default: note(0xB99);
    }
}
HANDLER(svc)
"""
    + VECTORS
    + """
__attribute__((noinline)) void call(uint32_t which) {
    register uint32_t r0 __asm__("r0") = which;
    __asm__ volatile("svc 0" : "+r"(r0) : : "r1", "r2", "r3", "memory");
}
void reset(void) {
    used = 0;
    call(0); note(1);                               /* UsageFault is off: HardFault */
    SHCSR = 7u << 16;
    call(0); note(2);                               /* on, but at the priority of SVCall: HardFault */
    SHPR2 = 0x80u << 24;
    call(0); note(3);                               /* on and more urgent: UsageFault inside SVCall */
    SHPR3 = 0xC0u << 24 | 0xA0u << 16;              /* PendSV before the tick timer */
    call(1); note(4);
    SHPR3 = 0xA0u << 24 | 0xC0u << 16;              /* the tick timer before PendSV */
    call(1); note(5);
    SHPR3 = 0x40u << 24 | 0xC0u << 16;              /* the tick timer preempts SVCall */
    call(1); note(6);
    call(2); note(7);
    call(3); note(8);
    for (;;) { }
}
"""
)


def test_nesting_and_tail_chaining_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """B1.5.4 and B1.5.12: who may interrupt whom, what escalates, who comes next."""
    subject = build(NESTED)
    pendsv, forced = [0xE00, 0x600, 0xE01], [0x301, 1 << 16]
    expected = [
        *(0xB00, *forced, 1),
        *(0xB00, *forced, 2),
        *(0xB00, 0x600, 3),
        *(0xB01, 0xB01, *pendsv, 0xF00, 4),
        *(0xB01, 0xB01, 0xF00, *pendsv, 5),
        *(0xB01, 0xF00, 0xB01, *pendsv, 6),
        *(0xB02, 0x200, 0xB02, 7),
        *(0xB03, 0x301, 0, 8),
    ]
    assert seen(subject, run(subject), len(expected)) == expected
    compared(subject, tmp_path, 300)


MASKS = (
    COMMON
    + QUIET
    + """
void nmi(void) { note(0x200); }
void pendsv(void) { note(0xE00); }
void tick(void) { note(0xF00); }
__attribute__((used, noinline)) void svc_c(uint32_t *frame) { note(0xB00); (void)frame; }
HANDLER(svc)
"""
    + VECTORS
    + """
#define SET(name, value) __asm__ volatile("msr " #name ", %0\\n isb" : : "r"(value) : "memory")
void reset(void) {
    used = 0;
    SHCSR = 7u << 16;
    SHPR2 = 0x60u << 24;
    SHPR3 = 0x80u << 24 | 0x40u << 16;              /* tick timer 0x80, PendSV 0x40 */
    SET(basepri, 0x80); ICSR = TICK; SYNC; note(1);
    ICSR = PENDSV; SYNC; note(2);
    SET(basepri, 0); SYNC; note(3);
    SET(basepri, 0x60); __asm__ volatile("svc 0\\n nop"); note(4);      /* masked: HardFault */
    SET(basepri, 0x62); __asm__ volatile("svc 0\\n nop"); note(5);
    SET(basepri, 0x40); __asm__ volatile("udf 1"); SET(basepri, 0); note(6);
    SET(primask, 1); ICSR = PENDSV; SYNC; note(7);
    __asm__ volatile("udf 1"); note(8);              /* UsageFault is masked: HardFault */
    SET(primask, 0); SYNC; note(9);
    SET(faultmask, 1); ICSR = PENDSV; SYNC; ICSR = 1u << 31; SYNC; note(10);
    SET(faultmask, 0); SYNC; note(11);
    REG(0xE000ED0C) = 0x05FA0500;                    /* two bits of group priority */
    SHPR3 = 0x70u << 24 | 0x60u << 16;               /* tick timer and PendSV in SVCall's group */
    SHPR2 = 0x60u << 24;
    ICSR = PENDSV | TICK; SYNC; note(12);
    SET(basepri, 0x7F); __asm__ volatile("svc 0\\n nop"); SET(basepri, 0); note(13);
    for (;;) { }
}
"""
)


def test_masks_and_group_priorities_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """B1.5.4: PRIMASK is priority 0, FAULTMASK -1, BASEPRI its group; what they mask escalates to HardFault."""
    subject = build(MASKS)
    undefined = [0x301, 1 << 16]
    expected = [
        *(1, 0xE00, 2, 0xF00, 3),
        *(0x301, 0, 4, 0xB00, 5, 0x600, 6),
        *(7, *undefined, 8, 0xE00, 9),
        *(0x200, 10, 0xE00, 11),
        *(0xE00, 0xF00, 12),
        *(0x301, 0, 13),
    ]
    assert seen(subject, run(subject), len(expected)) == expected
    compared(subject, tmp_path, 200)


RETURNS = (
    COMMON
    + """
#define BACK(name, value) __attribute__((naked)) void name(void) { \\
    __asm__ volatile("ldr r0, =" #value "\\n bx r0\\n .ltorg"); }
void nmi(void) { note(0x200); }
void bus(void) { note(0x500); for (;;) { } }
void memory(void) { note(0x400); for (;;) { } }
void hard(void) { note(0x300); for (;;) { } }
__attribute__((used, noinline)) void usage_c(uint32_t *frame, uint32_t back) {
    note(0x600); note(CFSR); note(back); CFSR = CFSR; (void)frame; }
__attribute__((naked)) void usage(void) {                           /* its own way back is the right one */
    __asm__ volatile("push {r4, lr}\\n add r0, sp, #8\\n mov r1, lr\\n bl usage_c\\n pop {r4, lr}\\n"
        "ldr r0, =0xFFFFFFF9\\n bx r0\\n .ltorg"); }
void pendsv(void) { note(0xE00); }
BACK(tick, 0xFFFFFFF1)                                              /* to a handler, with none active */
__attribute__((naked)) void svc(void) { __asm__ volatile("bx r0"); }
"""
    + VECTORS
    + """
__attribute__((noinline)) void call(uint32_t value) {
    register uint32_t r0 __asm__("r0") = value;
    __asm__ volatile("svc 0" : "+r"(r0) : : "r1", "r2", "r3", "memory");
}
void reset(void) {
    used = 0;
    SHCSR = 7u << 16;
    ICSR = TICK; SYNC; note(1);
    call(0xFFFFFFF3); note(2);                      /* no such kind of return */
    call(0xFFFFFFF1); note(3);                      /* to a handler, with none active */
    call(0xFFFFFFF9); note(4);                      /* as it should be */
    SHPR2 = 0x80u << 24;
    ICSR = PENDSV; SYNC; note(5);
    __asm__ volatile("ldr r0, =0xFFFFFFF9\\n bx r0\\n .ltorg" : : : "r0");  /* from thread mode: no code there */
    for (;;) { }
}
"""
)


def test_returns_that_cannot_be_obeyed_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """B1.5.8: INVPC, entered on the frame that is there, the refused value's low bits in LR; IACCVIOL from a thread."""
    subject = build(RETURNS)
    invalid = [0x600, 1 << 18]
    expected = [
        *(*invalid, 0xFFFF_FFF1, 1),
        *(*invalid, 0xFFFF_FFF3, 2),
        *(*invalid, 0xFFFF_FFF1, 3),
        *(4, 0xE00, 5, 0x400),
    ]
    board = run(subject)
    assert seen(subject, board, len(expected)) == expected
    assert board.arm.words[0xD28] == 1  # IACCVIOL
    compared(subject, tmp_path, 100)


STACKS = (
    COMMON
    + """
#define RESCUE(name, number) __attribute__((used, noinline)) void name##_c(void) { \\
        note(number); note(CFSR); CFSR = CFSR; } \\
    __attribute__((naked)) void name(void) { __asm__ volatile("push {r4, lr}\\n bl " #name "_c\\n" \\
    "ldr r0, =good\\n ldr r0, [r0]\\n msr psp, r0\\n pop {r4, pc}\\n .ltorg"); }
volatile uint32_t good;
uint32_t frame[8];
RESCUE(hard, 0x300)
RESCUE(bus, 0x500)
void nmi(void) { note(0x200); }
void memory(void) { note(0x400); for (;;) { } }
void usage(void) { note(0x600); for (;;) { } }
void pendsv(void) { note(0xE00); }
void tick(void) { note(0xF00); }
__attribute__((used, noinline)) void svc_c(void) { note(0xB00); }
__attribute__((naked)) void svc(void) { __asm__ volatile("push {r4, lr}\\n bl svc_c\\n pop {r4, pc}"); }
"""
    + VECTORS
    + """
__attribute__((noinline, used)) void after(void) { note(9); for (;;) { } }
#define TRY __asm__ volatile("mrs r1, msp\\n ldr r0, =0xC0000100\\n msr psp, r0\\n movs r0, #2\\n" \\
    "msr control, r0\\n isb\\n svc 0\\n nop\\n" \\
    : : : "r0", "r1", "r2", "r3", "r12", "lr", "memory")
void reset(void) {
    used = 0;
    frame[6] = (uint32_t)after & ~1u; frame[7] = 1u << 24;
    good = (uint32_t)frame;
    SETUP
    TRY;
    note(0x99);
    for (;;) { }
}
"""
)


@pytest.mark.parametrize(
    ("setup", "expected"),
    [
        ("", [0x300, 0x1000, 0xB00, 9]),  # BusFault is off: HardFault first, the call waits
        ("SHCSR = 2u << 16; SHPR2 = 0x80u << 24;", [0x500, 0x1000, 0xB00, 9]),  # BusFault is the more urgent
        ("SHCSR = 2u << 16; SHPR1 = 0x80u << 8;", [0xB00, 0x500, 0x1000, 9]),  # the call is: BusFault waits
    ],
)
def test_faults_while_stacking_as_in_the_system_emulator(
    setup: str, expected: list[int], build: Callable[..., Subject], tmp_path: Path
) -> None:
    """B1.5.11: STKERR; the more urgent of both is entered, the other one waits."""
    subject = build(STACKS.replace("SETUP", setup))
    assert seen(subject, run(subject), len(expected)) == expected
    compared(subject, tmp_path, 50)


UNPRIVILEGED = (
    COMMON
    + """
void nmi(void) { note(0x200); }
void memory(void) { note(0x400); for (;;) { } }
void usage(void) { note(0x600); for (;;) { } }
__attribute__((used, noinline)) void hard_c(uint32_t *frame) { note(0x300); frame[6] += 2; }
HANDLER(hard)
__attribute__((used, noinline)) void bus_c(uint32_t *frame) { note(0x500); CFSR = CFSR; frame[6] += 4; }
HANDLER(bus)
void pendsv(void) { uint32_t c; __asm__ volatile("mrs %0, control" : "=r"(c)); note(0xE00 | c); }
void tick(void) { note(0xF00); }
__attribute__((used, noinline)) void svc_c(uint32_t *frame) {
    uint32_t c; __asm__ volatile("mrs %0, control" : "=r"(c)); note(0xB00 | c);
    if (frame[0] == 7) { __asm__ volatile("msr control, %0\\n isb" : : "r"(0)); }
    else { ICSR = PENDSV; SYNC; }
}
HANDLER(svc)
uint32_t process[64];
"""
    + VECTORS
    + """
void reset(void) {
    used = 0;
    SHCSR = 2u << 16;
    SHPR3 = 0x80u << 16;
    __asm__ volatile("msr psp, %0\\n movs r0, #3\\n msr control, r0\\n isb" : : "r"(process + 64) : "r0", "memory");
    __asm__ volatile("msr primask, %0\\n movs r0, #0\\n msr control, r0\\n isb" : : "r"(1) : "r0");  /* both ignored */
    register uint32_t r0 __asm__("r0") = 1;
    __asm__ volatile("svc 0" : "+r"(r0) : : "memory");
    uint32_t c; __asm__ volatile("mrs %0, control" : "=r"(c)); note(c);
    __asm__ volatile("str.w %0, [%1]" : : "r"(0), "r"(0xE000ED14) : "memory");   /* BusFault: privileged */
    uint32_t equal = c == 3;
    __asm__ volatile("cmp %0, #1\\n itt eq\\n ldreq.w r1, [%1]\\n addeq %0, #1"
        : "+r"(equal) : "r"(0xC0000000) : "r1", "cc");
    note(equal);
    r0 = 7;
    __asm__ volatile("svc 0" : "+r"(r0) : : "memory");
    __asm__ volatile("mrs %0, control" : "=r"(c)); note(c);
    for (;;) { }
}
"""
)


def test_unprivileged_threads_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """B1.4.4 CONTROL: a handler runs privileged on the main stack, and a return leads back; also out of an IT block."""
    subject = build(UNPRIVILEGED)
    expected = [0xB01, 0xE01, 3, 0x500, 0x500, 2, 0xB01, 2]
    assert seen(subject, run(subject), len(expected)) == expected
    compared(subject, tmp_path, 100)


MASKED_USER = (
    COMMON
    + QUIET
    + """
void nmi(void) { note(0x200); }
void pendsv(void) { note(0xE00); }
void tick(void) { note(0xF00); }
void svc(void) { note(0xB00); }
"""
    + VECTORS
    + """
void reset(void) {
    used = 0;
    SHCSR = 7u << 16;
    SHPR2 = 0x80u << 24;
    __asm__ volatile("msr SPECIAL, %0\\n msr control, %1\\n isb\\n udf 1\\n svc 0\\n nop"
        : : "r"(0x40), "r"(1) : "memory");
    note(1);
    for (;;) { }
}
"""
)


@pytest.mark.parametrize(
    ("special", "expected"),
    [
        ("basepri", [0x600, 0x301, 0, 1]),  # UsageFault is more urgent than BASEPRI, the call is not
        ("primask", [0x600, 0xB00, 1]),  # bit 0 of 0x40 is clear
    ],
)
def test_masks_hold_in_unprivileged_threads(
    special: str, expected: list[int], build: Callable[..., Subject], tmp_path: Path
) -> None:
    """B1.4.3: unprivileged code neither sees nor changes the masks, which hold all the same."""
    subject = build(MASKED_USER.replace("SPECIAL", special))
    board = run(subject)
    assert seen(subject, board, len(expected)) == expected
    compared(subject, tmp_path, 20)
    # What such a thread does not see goes along when a board's state is taken over by another one.
    shown = dict(zip(board.emulator.order, board.emulator.all_registers(), strict=True))
    assert shown[board.emulator.registers["basepri"]] == (0x40 if special == "basepri" else 0)
    assert shown[board.emulator.registers["msp"]] == board.emulator.get("sp")


LOCKS = (
    COMMON
    + """
void nmi(void) { IN_NMI; for (;;) { } }
void hard(void) { IN_HARD; for (;;) { } }
void memory(void) { for (;;) { } }
void bus(void) { for (;;) { } }
void usage(void) { for (;;) { } }
void svc(void) { for (;;) { } }
void pendsv(void) { for (;;) { } }
void tick(void) { for (;;) { } }
"""
    + VECTORS
    + "void reset(void) { used = 0; START; for (;;) { } }"
)
UDF, SVC, BKPT = ('__asm__ volatile("udf 1")', '__asm__ volatile("svc 0")', '__asm__ volatile("bkpt 1")')
NMI = "ICSR = 1u << 31; SYNC"


@pytest.mark.parametrize(
    ("start", "in_hard", "in_nmi", "why"),
    [
        (UDF, UDF, "", "UsageFault"),
        (UDF, SVC, "", "SVC"),
        (UDF, BKPT, "", "DebugMonitor"),
        (UDF, "note(REG(0xC0000000))", "", "BusFault"),
        (UDF, "REG(0xC0000000) = 1", "", "BusFault"),
        (NMI, "", UDF, "while in NMI"),
        (NMI, "", SVC, "while in NMI"),
        (UDF, '__asm__ volatile("ldr r0, =0xFFFFFFF1\\n bx r0\\n .ltorg")', "", "hang"),  # left, so HardFault again
        ('__asm__ volatile("cpsid f\\n udf 1")', "", "", "while in FAULTMASK"),
        ('REG(0xE000ED08) = 0xC0000000; __asm__ volatile("dsb\\n udf 1")', "", "", "no handler for HardFault"),
        ('__asm__ volatile("bkpt 1")', "", "", "hang"),
        ('REG(0xE000ED14) |= 0x100; __asm__ volatile("cpsid f"); note(REG(0xC0000000)); note(CFSR)', "", "", "ignored"),
    ],
)
def test_lockup(start: str, in_hard: str, in_nmi: str, why: str, build: Callable[..., Subject]) -> None:
    """B1.5.15 unrecoverable exceptions: a fault at priority -1 or -2 stops the core; BFHFNMIGN excepts data."""
    subject = build(LOCKS.replace("START", start).replace("IN_HARD", in_hard).replace("IN_NMI", in_nmi))
    board = run(subject)
    end = board.last_end  # type: ignore[attr-defined]
    if why == "hang":
        assert end.kind == "hang"
        assert board.faults
    elif why == "ignored":
        assert end.kind == "hang"
        assert not board.faults
        assert seen(subject, board, 2)[1] == 0x8200  # BFARVALID, PRECISERR; what was loaded is unknown
        assert board.arm.words[0xD38] == 0xC000_0000
    else:
        assert end.kind == "crash"
        assert why in end.why


SMALL = (
    COMMON.replace("tst lr, #4\\n ite eq\\n mrseq r0, msp\\n mrsne r0, psp\\n", "mrs r0, msp\\n")
    + """
__attribute__((used, noinline)) void hard_c(uint32_t *frame) { note(0x300); frame[6] += STEP; }
HANDLER(hard)
void nmi(void) { note(0x200); }
void memory(void) { note(0x400); }
void bus(void) { note(0x500); }
void usage(void) { note(0x600); }
void pendsv(void) { note(0xE00); __asm__ volatile("udf 1"); note(0xE01); }
void tick(void) { note(0xF00); }
__attribute__((used, noinline)) void svc_c(uint32_t *frame) {
    note(0xB00);
    if (frame[0] == 1) __asm__ volatile("svc 0\\n nop");
    ICSR = PENDSV | TICK; SYNC;
    note(0xB01);
}
HANDLER(svc)
"""
    + VECTORS.replace("0x20008000", "0x20003000")
    + """
__attribute__((noinline)) void call(uint32_t which) {
    register uint32_t r0 __asm__("r0") = which;
    __asm__ volatile("svc 0" : "+r"(r0) : : "r1", "r2", "r3", "memory");
}
void reset(void) {
    used = 0;
    SHCSR = 7u << 16;                               /* there are no such faults to enable */
    SHPR3 = 0xFFu << 24 | 0x80u << 16;
    note(SHPR3 & 0xC0C00000);
    call(0); note(1);
    SHPR2 = 0x40u << 24;
    call(1); note(2);
    __asm__ volatile("movs r0, #1\\n ldr r1, =0x20001001\\n ldr r0, [r1]\\n" : : : "r0", "r1");  /* not aligned */
    note(3);
    __asm__ volatile("cpsid i\\n svc 0\\n nop\\n cpsie i");
    note(4);
    ICSR = 1u << 31; SYNC; note(5);
    __asm__ volatile(".short 0xFBB0, 0xF1F0\\n");  /* a division, which Armv6-M has not */
    note(6);
    for (;;) { }
}
"""
)


def test_armv6m_has_one_fault_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """Armv6-M Architecture Reference Manual (DDI 0419), B1.5: every fault is a HardFault; priorities have two bits."""
    subject = build(SMALL.replace("STEP", "((*(uint16_t *)frame[6] >> 11) > 0x1C ? 4 : 2)"), part="small")
    board = run(subject, Architecture.ARMV6_M)
    tail = [0xE00, 0x300, 0xE01, 0xF00]
    expected = [
        *(0xC080_0000, 0xB00, 0xB01, *tail, 1),
        *(0xB00, 0x300, 0xB01, *tail, 2),
        *(0x300, 3, 0x300, 4, 0x200, 5, 0x300, 6),
    ]
    assert seen(subject, board, len(expected)) == expected
    golden = golden_of(subject)
    theirs = system_trace("small", golden, tmp_path)
    silent = {
        pc for pc in theirs if subject.firmware.instruction(pc).text.startswith(("udf", "dsb", "isb", "udiv", ".word"))
    }
    ours, theirs = once(list(golden.pcs), silent), once(theirs, silent)
    require_equal(ours, theirs, len(ours) - 1)


@pytest.mark.parametrize("program", [NESTED, MASKS, UNPRIVILEGED, STACKS.replace("SETUP", "SHCSR = 2u << 16;")])
def test_armv8m_takes_them_as_armv7m_does(program: str, build: Callable[..., Subject], tmp_path: Path) -> None:
    """Armv8-M (DDI 0553), secure side: the same rules, and the same instructions in the system emulator."""
    older = build(program)
    expected = seen(older, run(older), 60)
    newer = build(program, part="newer")
    noted = seen(newer, run(newer), 60)
    assert noted == expected
    compared(newer, tmp_path, 50, "newer")


LIMIT = (
    COMMON
    + """
void nmi(void) { note(0x200); }
void hard(void) { note(0x300); for (;;) { } }
void memory(void) { note(0x400); for (;;) { } }
void bus(void) { note(0x500); for (;;) { } }
void usage(void) { note(0x600); note(CFSR); for (;;) { } }
void pendsv(void) { note(0xE00); }
void tick(void) { note(0xF00); }
void svc(void) { note(0xB00); }
__attribute__((aligned(8))) uint32_t process[16];
"""
    + VECTORS
    + """
void reset(void) {
    used = 0;
    SHCSR = 7u << 16;
    __asm__ volatile("msr psp, %0\\n msr psplim, %1\\n movs r0, #2\\n msr control, r0\\n isb\\n PUSHED\\n"
        "movs r0, #0\\n msr control, r0\\n isb" : : "r"(process + 16), "r"(process + 12) : "r0", "memory");
    note(1);
    for (;;) { }
}
"""
)


@pytest.mark.parametrize(
    ("pushed", "expected"),
    [("push {r4-r7}", [1]), ("push {r4-r8}", [0x600, 1 << 20]), ("sub sp, #20", [0x600, 1 << 20])],
)
def test_a_stack_that_runs_over_its_limit(pushed: str, expected: list[int], build: Callable[..., Subject]) -> None:
    """Armv8-M (DDI 0553), PSPLIM: UsageFault with STKOF, found by the emulator's core."""
    subject = build(LIMIT.replace("PUSHED", pushed), part="newer")
    assert seen(subject, run(subject), len(expected)) == expected
