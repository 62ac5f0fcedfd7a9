"""Exceptions and traps in the bench and in a system emulator: small programs, the same instructions to their end."""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest
from system_emulator import System, under_it

from rootwright.bench.golden import Golden, run_golden
from rootwright.bench.subject import Subject

pytestmark = [pytest.mark.slow, pytest.mark.firmware]


def golden_of(subject: Subject) -> Golden:
    return run_golden(subject, next(s for s in subject.starts() if not s.cold))


def system_trace(part: str, golden: Golden, folder: Path) -> list[int]:
    """Return what the system emulator runs from the program's first instruction on, somewhat further than the bench."""
    flash = golden.before["flash"].data[: 0x4000 if part == "rv32" else 0x8000]
    system = System(part, flash, folder)
    try:
        found = list(islice(system.instructions(), len(golden.pcs) + 200))
    finally:
        system.stop()
    return found[found.index(golden.pcs[0]) :]


def once(pcs: list[int], without: set[int]) -> list[int]:
    """Leave out some addresses and repetitions: a jump to itself ends the bench's run alone."""
    kept = [pc for pc in pcs if pc not in without]
    return [pc for i, pc in enumerate(kept) if not i or kept[i - 1] != pc]


def require_equal(ours: list[int], theirs: list[int], least: int) -> None:
    count = min(len(ours), len(theirs))
    assert count >= least, (len(ours), len(theirs))
    for index in range(count):
        around = slice(max(0, index - 4), index + 4)
        assert ours[index] == theirs[index], (index, [*map(hex, ours[around])], [*map(hex, theirs[around])])


EXCEPTIONS = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
void reset(void);
static volatile uint32_t seen[8];
__attribute__((noinline)) void svc_c(uint32_t *frame) { seen[0] = frame[0] + 1; frame[0] = 77; }
__attribute__((naked)) void svc(void) {
    __asm__ volatile("tst lr, #4\\n ite eq\\n mrseq r0, msp\\n mrsne r0, psp\\n"
        "push {r4, lr}\\n bl svc_c\\n pop {r4, pc}");
}
__attribute__((noinline)) void skip_c(uint32_t *frame, uint32_t which) { seen[which]++; frame[6] += 2; }
__attribute__((naked)) void bus(void) {
    __asm__ volatile("mrs r0, msp\\n movs r1, #1\\n push {r4, lr}\\n bl skip_c\\n pop {r4, pc}"); }
__attribute__((naked)) void usage(void) {
    __asm__ volatile("mrs r0, msp\\n movs r1, #2\\n push {r4, lr}\\n bl skip_c\\n pop {r4, pc}"); }
__attribute__((naked)) void hard(void) {
    __asm__ volatile("mrs r0, msp\\n movs r1, #3\\n push {r4, lr}\\n bl skip_c\\n pop {r4, pc}"); }
void nmi(void) { seen[4]++; }
void pendsv(void) { seen[5]++; }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, nmi, hard, hard, bus, usage, 0, 0, 0, 0, svc, 0, 0, pendsv, 0 };
__attribute__((noinline)) uint32_t call(uint32_t value) {
    register uint32_t r0 __asm__("r0") = value;
    __asm__ volatile("svc 5" : "+r"(r0) : : "memory");
    return r0;
}
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    seen[6] = call(41);
    __asm__ volatile("udf 1");                      /* no handler enabled: HardFault */
    REG(0xE000ED24) = 7u << 16;                     /* enable MemManage, BusFault, UsageFault */
    __asm__ volatile("dsb\\n udf 1");
    __asm__ volatile("mov r0, #0x60000000\\n lsls r0, r0, #1\\n ldr r1, [r0]" : : : "r0", "r1", "cc");
    REG(0xE000ED04) = 1u << 28;                     /* PendSV */
    __asm__ volatile("dsb\\n isb");
    __asm__ volatile("cpsid i");
    REG(0xE000ED04) = 1u << 28;                     /* PendSV, masked */
    __asm__ volatile("dsb\\n isb\\n nop\\n nop");
    __asm__ volatile("cpsie i\\n isb");
    REG(0xE000ED04) = 1u << 31;                     /* NMI */
    __asm__ volatile("dsb\\n isb");
    uint32_t sum = 0;
    for (uint32_t i = 0; i < 50; i++) if ((i & 3) == 1) sum += i; else sum ^= i << 1;
    seen[7] = sum;
    for (;;) { }
}
"""


def test_exceptions_run_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    subject = build(EXCEPTIONS)
    golden = golden_of(subject)
    conditional = under_it(subject, golden)
    ours = once(list(golden.pcs), conditional)
    theirs = once(system_trace("arm", golden, tmp_path), conditional)
    require_equal(ours, theirs, len(ours) - 1)
    assert len(ours) > 140


TRAPS = """
#include <stdint.h>
static volatile uint32_t seen[4];
__attribute__((noinline, used)) void trap_c(uint32_t cause) {
    seen[cause == 11 ? 0 : cause == 2 ? 1 : cause == 3 ? 2 : 3]++;
    uint32_t pc; __asm__ volatile("csrr %0, mepc" : "=r"(pc));
    pc += (*(volatile uint16_t *)pc & 3) == 3 ? 4 : 2;
    __asm__ volatile("csrw mepc, %0" : : "r"(pc));
}
__attribute__((naked, aligned(4), used)) void trap(void) {
    __asm__ volatile("addi sp, sp, -64\\n sw ra, 0(sp)\\n sw t0, 4(sp)\\n sw t1, 8(sp)\\n sw t2, 12(sp)\\n"
        "sw a0, 16(sp)\\n"
        "sw a1, 20(sp)\\n sw a2, 24(sp)\\n sw a3, 28(sp)\\n sw a4, 32(sp)\\n sw a5, 36(sp)\\n csrr a0, mcause\\n"
        "call trap_c\\n lw ra, 0(sp)\\n lw t0, 4(sp)\\n lw t1, 8(sp)\\n lw t2, 12(sp)\\n"
        "lw a0, 16(sp)\\n lw a1, 20(sp)\\n"
        "lw a2, 24(sp)\\n lw a3, 28(sp)\\n lw a4, 32(sp)\\n lw a5, 36(sp)\\n addi sp, sp, 64\\n mret");
}
__attribute__((noreturn, used)) void begin(void) {
    __asm__ volatile("la t0, trap\\n csrw mtvec, t0" : : : "t0");
    for (int i = 0; i < 4; i++) seen[i] = 0;
    __asm__ volatile("ecall");
    __asm__ volatile(".word 0");
    __asm__ volatile("ebreak");
    __asm__ volatile("ecall");
    uint32_t sum = 1;
    for (uint32_t i = 0; i < 40; i++) sum = sum * 3 + (i % 7);
    seen[3] = sum;
    for (;;) { }
}
__attribute__((naked, section(".start"))) void reset(void) { __asm__ volatile("li sp, 0x80104000\\n j begin"); }
"""


def test_traps_run_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    subject = build(TRAPS, part="rv32")
    golden = golden_of(subject)
    theirs = system_trace("rv32", golden, tmp_path)
    # What cannot be decoded does not run: the system emulator notes it all the same, and traps as ours does.
    undecodable = {pc for pc in theirs if subject.firmware.instruction(pc).text in ("c.unimp", "unimp")}
    assert len(undecodable) == 2
    ours, theirs = once(list(golden.pcs), undecodable), once(theirs, undecodable)
    require_equal(ours, theirs, len(ours) - 1)
    assert len(ours) > 250


EVEN = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
void reset(void);
static volatile uint32_t seen[8];
__attribute__((noinline)) void expected(void) { seen[0]++; }
__attribute__((noinline)) void other(void) { seen[1]++; }
__attribute__((noinline)) uint32_t never(void) { return ++seen[2]; }
__attribute__((noinline)) void usage_c(uint32_t *frame) {
    if (REG(0xE000ED28) == 1u << 17 && !(frame[7] >> 24 & 1)) expected(); else other();
    REG(0xE000ED28) = REG(0xE000ED28);
    frame[7] |= 1u << 24;
    seen[3 + seen[4]++ % 2] = frame[6];
    if (seen[5]) frame[6] = frame[5] & ~1u;         /* back to the caller of what cannot run */
}
__attribute__((naked)) void usage(void) {
    __asm__ volatile("mrs r0, msp\\n push {r4, lr}\\n bl usage_c\\n pop {r4, pc}"); }
__attribute__((naked)) void svc(void) {             /* comes back with the Thumb bit clear */
    __asm__ volatile("ldr r0, [sp, #28]\\n bic r0, #0x1000000\\n str r0, [sp, #28]\\n bx lr"); }
void hard(void) { seen[6]++; for (;;) { } }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, hard, hard, hard, hard, usage, 0, 0, 0, 0, svc, 0, 0, hard, hard };
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    seen[5] = 1;
    REG(0xE000ED24) = 7u << 16;
    __asm__ volatile("dsb\\n ldr r0, =never\\n bic r0, #1\\n blx r0" : : : "r0", "r1", "r2", "r3", "lr", "memory");
    __asm__ volatile("ldr r0, =0x20004000\\n blx r0" : : : "r0", "r1", "r2", "r3", "lr", "memory");
    __asm__ volatile("ldr r0, =never\\n bic r0, #1\\n push {r0}\\n adr r1, 1f\\n adds r1, #1\\n mov lr, r1\\n"
        "pop {pc}\\n .p2align 2\\n 1:" : : : "r0", "r1", "r2", "r3", "lr", "memory");
    seen[5] = 0;
    __asm__ volatile(".p2align 2\\n nop\\n svc 1" : : : "r0", "r1", "r2", "r3", "lr", "memory");
    seen[7] = 1;
    REG(0xE000ED24) = 0;
    __asm__ volatile("ldr r0, =never\\n bic r0, #1\\n bx r0" : : : "r0");      /* not enabled: HardFault */
    for (;;) { }
}
"""


def test_even_addresses_run_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """A branch, a return or an exception return that clears the Thumb bit is an INVSTATE UsageFault.

    Armv7-M Architecture Reference Manual, A2.3.1 (interworking) and B1.5 (EPSR.T): no code runs in that state. All such
    addresses here are multiples of four; for others the system emulator reports a misaligned fetch of its own.
    """
    subject = build(EVEN)
    golden = golden_of(subject)
    never = subject.firmware.image.symbol("never")
    assert never is not None
    called = next(pc for pc in golden.pcs if subject.firmware.instruction(pc).text.startswith("svc"))
    # What does not run is noted all the same by the system emulator.
    unrun = {never.address & ~1, 0x2000_4000, called + 2}
    theirs = system_trace("arm", golden, tmp_path)
    assert unrun < set(theirs)
    ours, theirs = once(list(golden.pcs), unrun), once(theirs, unrun)
    require_equal(ours, theirs, len(ours) - 1)
    expected, other, hard = (subject.firmware.image.symbol(name) for name in ("expected", "other", "hard"))
    assert expected is not None
    assert other is not None
    assert hard is not None
    assert ours.count(expected.address & ~1) == 4
    assert other.address & ~1 not in ours
    assert ours.count(hard.address & ~1) == 1
