"""Golden traces against a system emulator, instruction by instruction: cores, exceptions, traps, a whole boot program.

The system emulator (Debian packages qemu-system-arm and qemu-system-misc) shares the origin of its instruction
translator with the CPU emulator, but none of what is ours: reset, exceptions, system control space, traps, memories.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.bench.faults import Injector
from rootwright.bench.golden import Golden, run_golden
from rootwright.bench.subject import Subject

pytestmark = pytest.mark.slow

ARM = ("qemu-system-arm", "-M", "mps2-an385")  # the emulator's name for a board with RAM at 0 and 0x2000_0000
RV32 = ("qemu-system-riscv32", "-M", "virt", "-bios", "none")


def system_trace(machine: tuple[str, ...], flash: bytes, address: int, folder: Path, instructions: int) -> list[int]:
    """Return the addresses that a system emulator executes, single-stepped; skips where there is none."""
    if shutil.which(machine[0]) is None:
        pytest.skip(f"no {machine[0]} on this machine: golden traces are not compared with a second emulator")
    image, log = folder / "flash.bin", folder / "trace.log"
    image.write_bytes(flash)
    command = [*machine, "-display", "none", "-serial", "none", "-monitor", "none", "-singlestep"]
    command += ["-d", "exec,nochain", "-D", str(log), "-device", f"loader,file={image},addr={address:#x},force-raw=on"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    enough = instructions * 70
    try:
        for _ in range(600):
            if process.poll() is not None or (log.exists() and log.stat().st_size > enough):
                break
            time.sleep(0.05)
        assert process.poll() is None, process.stderr.read() if process.stderr else ""
    finally:
        process.kill()
        process.wait()
        if process.stderr:
            process.stderr.close()
    return [int(pc, 16) for pc in re.findall(r"\[[0-9a-f]+/([0-9a-f]+)/", log.read_text())]


def outside_blocks(subject: Subject, golden: Golden, pcs: list[int]) -> list[int]:
    """Leave out what stands under an IT instruction: one emulator reports the failed conditions, the other does not."""
    injector = Injector(subject.board(), subject.firmware, golden.pcs)
    return [pc for pc in pcs if not subject.firmware.is_code(pc) or injector.block_start(pc) is None]


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


@pytest.mark.firmware
def test_exceptions_run_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    subject = build(EXCEPTIONS)
    start = next(s for s in subject.starts() if not s.cold)
    golden = run_golden(subject, start)
    flash = golden.before["flash"].data
    theirs = system_trace(ARM, flash, 0, tmp_path, len(golden.pcs) + 200)
    # A jump to itself ends our run; a store to pend an exception is where the emulators may report it twice.
    ours = [pc for i, pc in enumerate(golden.pcs) if not i or golden.pcs[i - 1] != pc]
    theirs = [pc for i, pc in enumerate(theirs) if not i or theirs[i - 1] != pc]
    ours, theirs = outside_blocks(subject, golden, ours), outside_blocks(subject, golden, theirs)
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


@pytest.mark.firmware
def test_traps_run_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    subject = build(TRAPS, part="rv32")
    start = next(s for s in subject.starts() if not s.cold)
    golden = run_golden(subject, start)
    (state,) = (s for n, s in golden.before.items() if n == "flash")
    theirs = system_trace(RV32, state.data[:0x4000], 0x8000_0000, tmp_path, len(golden.pcs) + 200)
    # What cannot be decoded does not run: the system emulator notes it all the same, and traps as ours does.
    undecodable = {pc for pc in theirs if subject.firmware.instruction(pc).text in ("c.unimp", "unimp")}
    assert len(undecodable) == 2
    theirs = [pc for pc in theirs[theirs.index(golden.pcs[0]) :] if pc not in undecodable]
    ours = [pc for i, pc in enumerate(golden.pcs) if not i or golden.pcs[i - 1] != pc]
    theirs = [pc for i, pc in enumerate(theirs) if not i or theirs[i - 1] != pc]
    require_equal(ours, theirs, len(ours) - 1)
    assert len(ours) > 250


@pytest.mark.parametrize(("product", "machine", "base"), [("product", ARM, 0), ("rv32", RV32, 0x8000_0000)])
def test_a_boot_program_runs_as_in_the_system_emulator(
    product: str, machine: tuple[str, ...], base: int, subject_of: Callable[..., Subject], tmp_path: Path
) -> None:
    subject = subject_of(product)
    start = next(s for s in subject.starts() if s.run.name == "authentic" and not s.cold)
    golden = run_golden(subject, start)
    theirs = system_trace(machine, golden.before["flash"].data, base, tmp_path, 20_000)
    theirs = theirs[theirs.index(golden.pcs[0]) :]
    # Up to the first hooked function: there the system emulator runs the program's own.
    hooked = {subject.firmware.find_hook(hook) for hook in subject.bench.hooks}
    ours = list(golden.pcs)
    first = next(i for i, pc in enumerate(ours) if pc in hooked)
    ours, theirs = ours[:first], theirs[:first]
    before = len(ours)
    ours, theirs = outside_blocks(subject, golden, ours), outside_blocks(subject, golden, theirs)
    require_equal(ours, theirs, min(len(ours), len(theirs)) - 8)
    assert before > 20
