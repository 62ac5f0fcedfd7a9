"""The protection unit on the bench: random regions, accesses of both modes, as in a system emulator.

Armv7-M Architecture Reference Manual (DDI 0403), B3.5; Armv8-M (DDI 0553), MPU_RBAR and MPU_RLAR; RISC-V privileged
specification, Physical Memory Protection; Smepmp 1.0. The registers' words come from `plan.lockdown` or are drawn here.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from system_emulator import under_it
from test_exception_priorities import run, seen
from test_exceptions_as_in_system_emulator import golden_of, once, require_equal, system_trace

from rootwright.bench.campaign import Mode, Tally, Walker, make_plan, run_part
from rootwright.bench.faults import Model
from rootwright.bench.protection_unit import ArmUnit, PmpUnit, Unit
from rootwright.bench.report import BenchReport
from rootwright.bench.subject import Subject
from rootwright.describe.chip import Architecture
from rootwright.describe.lock_field import ProtectionUnit

pytestmark = [pytest.mark.slow, pytest.mark.firmware]

READ, WRITE, EXECUTE = 1, 2, 4

ARM = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
#define CFSR REG(0xE000ED28)
void reset(void);
volatile uint32_t seen[64], used, faults;
__attribute__((noinline)) void note(uint32_t value) { seen[used++ & 63] = value; }
__attribute__((used, noinline)) void fault_c(uint32_t *frame) {
    faults++;
    note(CFSR); note(CFSR & 0x80 ? REG(0xE000ED34) : frame[6]);
    frame[6] = CFSR & 1 ? frame[5] & ~1u : frame[6] + 4;
    CFSR = CFSR;
}
__attribute__((naked)) void fault(void) {
    __asm__ volatile("mrs r0, msp\\n push {r4, lr}\\n bl fault_c\\n pop {r4, pc}"); }
__attribute__((naked)) void svc(void) { __asm__ volatile("movs r0, #0\\n msr control, r0\\n isb\\n bx lr"); }
void stop(void) { for (;;) { } }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, stop, stop, fault, fault, stop, 0, 0, 0, 0, svc, 0, 0, stop, stop };
static const struct { uint32_t address, kind, user; } probes[] = { PROBES };
static const uint32_t table[][2] = { TABLE };
__attribute__((noinline)) void user_mode(void) { __asm__ volatile("msr control, %0\\n isb" : : "r"(1)); }
__attribute__((noinline)) void machine_mode(void) { __asm__ volatile("svc 0" : : : "r0", "memory"); }
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16;
    for (uint32_t i = 0; i < sizeof table / sizeof *table; i++) {
        REG(0xE000ED98) = i; REG(0xE000ED9C) = table[i][0]; REG(0xE000EDA0) = table[i][1];
    }
    for (uint32_t i = 0; i < sizeof probes / sizeof *probes; i++) {
        REG(0xE000ED94) = CONTROL;      /* written each time: the system emulator keeps an answer for a kilobyte */
        __asm__ volatile("dsb\\n isb" : : : "memory");
        uint32_t address = probes[i].address, value = 0x47704770;
        if (probes[i].user) user_mode();
        if (probes[i].kind == 1)
            __asm__ volatile("ldr.w %0, [%1]" : "+r"(value) : "r"(address) : "memory");
        else if (probes[i].kind == 2)
            __asm__ volatile("str.w %0, [%1]" : : "r"(value), "r"(address) : "memory");
        else
            __asm__ volatile("blx %0" : : "r"(address | 1) : "lr", "memory");
        if (probes[i].user) machine_mode();
    }
    note(faults);
    for (;;) { }
}
"""
AP = (0, 1, 2, 3, 5, 6)


def drawn_regions(dice: random.Random) -> list[tuple[int, int]]:
    """Return MPU_RBAR and MPU_RASR: code and RAM open to all below, drawn regions over a part of RAM above."""
    rows = [(0x0000_0000, 6 << 24 | 14 << 1 | 1), (0x2000_0000, 1 << 28 | 3 << 24 | 14 << 1 | 1)]
    for _ in range(5):
        level = dice.choice((5, 6, 8, 9, 11, 12, 13))
        base = 0x2000_2000 + dice.randrange(0, 0x4000 >> level) * (1 << level)
        srd = dice.randrange(1, 255) if level >= 8 and dice.random() < 0.6 else 0
        rows.append((base, dice.getrandbits(1) << 28 | dice.choice(AP) << 24 | srd << 8 | (level - 1) << 1 | 1))
    return rows


def drawn_probes(dice: random.Random, unit: Unit, edges: list[int], count: int) -> list[tuple[int, int, bool]]:
    """Return accesses at the regions' edges; a fetch is tried only where it must be refused: else it would leave."""
    found = []
    while len(found) < count:
        address = dice.choice(edges) + dice.choice((-4, 0, 4))
        kind, user = dice.choice((READ, WRITE, READ, WRITE, EXECUTE)), dice.random() < 0.5
        allowed = unit.rights(address, privileged=not user, urgent=False) & kind
        if kind != EXECUTE or not allowed:
            found.append((address, kind, user))
    return found


def refused(unit: Unit, probes: list[tuple[int, int, bool]]) -> int:
    return sum(not unit.rights(at, privileged=not user, urgent=False) & kind for at, kind, user in probes)


def text_of(rows: list[tuple[int, int]], probes: list[tuple[int, int, bool]], control: int) -> str:
    text = ARM.replace("TABLE", ", ".join(f"{{ {a:#x}u, {b:#x}u }}" for a, b in rows))
    text = text.replace("PROBES", ", ".join(f"{{ {a:#x}u, {k}, {int(u)} }}" for a, k, u in probes))
    return text.replace("CONTROL", str(control))


@pytest.mark.parametrize("seed", range(6))
def test_armv7m_regions_as_in_the_system_emulator(seed: int, build: Callable[..., Subject], tmp_path: Path) -> None:
    dice = random.Random(seed)
    rows, control = drawn_regions(dice), dice.choice((1, 5))
    unit = ArmUnit(Architecture.ARMV7_M, 8)
    for number, (base, second) in enumerate(rows):
        unit.write(0xD98, number, 0)
        unit.write(0xD9C, base, 0)
        unit.write(0xDA0, second, 0)
    unit.write(0xD94, control, 0)
    edges = sorted({edge for _, start, end, _ in unit.regions() for edge in (start, end) if start >= 0x2000_2000})
    probes = drawn_probes(dice, unit, edges, 40)
    subject = build(text_of(rows, probes, control))
    board = run(subject)
    count = refused(unit, probes)
    assert 0 < count < len(probes)
    assert [name for _, name in board.faults] == ["MemManage"] * min(count, 16)
    noted = seen(subject, board, 64)
    assert noted[2 * count % 64] == count
    compared(subject, tmp_path)


def compared(subject: Subject, folder: Path, part: str = "arm", least: int = 400) -> None:
    golden = golden_of(subject)
    conditional = under_it(subject, golden) if part != "rv32" else set()
    theirs = system_trace(part, golden, folder)
    # What may not be fetched is noted all the same by the system emulator.
    silent = conditional | {pc for pc in theirs if not subject.firmware.is_code(pc)}
    ours, theirs = once(list(golden.pcs), silent), once(theirs, silent)
    require_equal(ours, theirs, len(ours) - 1)
    assert len(ours) > least


def test_armv8m_regions_as_in_the_system_emulator(build: Callable[..., Subject], tmp_path: Path) -> None:
    """Base and limit, read-only and execute-never; where two regions overlap every access faults (DDI 0553)."""
    rows = [
        (0x1000_0000 | 3 << 1, 0x1000_7FE0 | 1),  # code: read-only for all, may run
        (0x3820_0000 | 1 << 1 | 1, 0x3820_1FE0 | 1),
        (0x3820_7000 | 1 << 1 | 1, 0x3820_7FE0 | 1),
        (0x3820_2000 | 3 << 1 | 1, 0x3820_2FE0 | 1),  # read-only for all
        (0x3820_3020 | 0 << 1 | 1, 0x3820_3FE0 | 1),  # privileged alone
        (0x3820_3FE0 | 0 << 1 | 1, 0x3820_4FE0 | 1),  # overlaps by one granule
    ]
    probes = [
        (0x3820_2000, READ, True),
        (0x3820_2000, WRITE, False),
        (0x3820_2FFC, WRITE, True),
        (0x3820_3000, READ, True),
        (0x3820_3000, READ, False),
        (0x3820_3020, WRITE, False),
        (0x3820_3020, READ, True),
        (0x3820_3FDC, READ, False),
        (0x3820_3FE0, READ, False),
        (0x3820_3FFC, WRITE, False),
        (0x3820_4000, WRITE, False),
        (0x3820_4000, EXECUTE, False),
        (0x3820_5000, WRITE, False),
    ]
    passes = [True, False, False, False, True, True, False, True, False, False, True, False, True]
    subject = build(text_of(rows, probes, 5), part="newer")
    board = run(subject)
    noted = seen(subject, board, 40)
    wrong = [at for (at, _, _), passed in zip(probes, passes, strict=True) if not passed]
    assert noted[: 2 * len(wrong) + 1 : 2] == [0x82] * (len(wrong) - 1) + [1, len(wrong)]
    assert noted[1 : 2 * len(wrong) : 2] == wrong
    compared(subject, tmp_path, "newer", 150)


RISCV = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
#define GET(name) ({ uint32_t v_; __asm__ volatile("csrr %0, " #name : "=r"(v_)); v_; })
#define PUT(name, value) __asm__ volatile("csrw " #name ", %0" : : "r"(value) : "memory")
volatile uint32_t seen[64], used, faults;
__attribute__((noinline)) void note(uint32_t value) { seen[used++ & 63] = value; }
__attribute__((noinline, used)) void trap_c(uint32_t *frame) {
    uint32_t pc = GET(mepc), cause = GET(mcause);
    if (cause == 8) { PUT(mstatus, 0x1800); PUT(mepc, pc + 4); return; }
    faults++; note(cause); note(GET(mtval));
    if (cause == 1) PUT(mepc, frame[0]);
    else PUT(mepc, pc + 4);
}
#define KEEP(op) #op " ra, 0(sp)\\n" #op " t0, 4(sp)\\n" #op " t1, 8(sp)\\n" \\
    #op " t2, 12(sp)\\n" #op " a0, 16(sp)\\n" \\
    #op " a1, 20(sp)\\n" #op " a2, 24(sp)\\n" #op " a3, 28(sp)\\n" #op " a4, 32(sp)\\n" #op " a5, 36(sp)\\n" \\
    #op " t3, 40(sp)\\n" #op " t4, 44(sp)\\n" #op " t5, 48(sp)\\n" #op " t6, 52(sp)\\n" \\
    #op " a6, 56(sp)\\n" #op " a7, 60(sp)\\n"
__attribute__((naked, aligned(4), used)) void trap(void) {
    __asm__ volatile("addi sp, sp, -64\\n" KEEP(sw) "mv a0, sp\\n call trap_c\\n" KEEP(lw) "addi sp, sp, 64\\n mret");
}
static const struct { uint32_t address, kind, user; } probes[] = { PROBES };
#define USER "la t0, 1f\\n csrw mepc, t0\\n li t0, 0x1800\\n csrc mstatus, t0\\n mret\\n .p2align 2\\n 1:\\n"
#define ACCESS ".option push\\n .option norvc\\n" OPERATION "\\n .option pop\\n"
__attribute__((noreturn, used)) void begin(void) {
    used = faults = 0;
    PUT(mtvec, trap);
    SETUP
    for (uint32_t i = 0; i < sizeof probes / sizeof *probes; i++) {
        uint32_t address = probes[i].address, value = 0x80828082;
#define TRY(operation) do { \\
        if (probes[i].user) \\
            __asm__ volatile(".option push\\n .option norvc\\n" USER operation "\\n ecall\\n .option pop" \\
                : "+r"(value) : "r"(address) : "t0", "ra", "memory"); \\
        else \\
            __asm__ volatile(".option push\\n .option norvc\\n" operation "\\n .option pop" \\
                : "+r"(value) : "r"(address) : "t0", "ra", "memory"); } while (0)
        if (probes[i].kind == 1) TRY("lw %0, 0(%1)");
        else if (probes[i].kind == 2) TRY("sw %0, 0(%1)");
        else TRY("jalr ra, 0(%1)");
    }
    note(faults);
    for (;;) { }
}
__attribute__((naked, section(".start"))) void reset(void) { __asm__ volatile("li sp, 0x80108000\\n j begin"); }
"""


def drawn_entries(dice: random.Random) -> list[tuple[int, int]]:
    """Return address and configuration of entries over a part of RAM; the last one opens the rest to user mode."""
    rows: list[tuple[int, int]] = []
    for _ in range(5):
        rights = dice.choice((0, 1, 3, 4, 5, 7)) | dice.choice((0, 0x80))
        base = 0x8010_2000 + 4 * dice.randrange(0, 0x1000)
        kind = dice.choice(("na4", "napot", "tor"))
        if kind == "na4":
            rows.append((base >> 2, 2 << 3 | rights))
        elif kind == "napot":
            level = dice.choice((3, 5, 8, 11, 12, 13))
            base &= -(1 << level)
            rows.append((base >> 2 | (1 << level - 3) - 1, 3 << 3 | rights))
        else:
            rows.append((base >> 2, rights & 0x80))
            rows.append(((base + 4 * dice.randrange(1, 0x600)) >> 2, 1 << 3 | rights))
    return [*rows, (0xFFFF_FFFF, 0x1F)]


def pmp_text(rows: list[tuple[int, int]], probes: list[tuple[int, int, bool]], more: str = "", before: str = "") -> str:
    setup = before + "".join(f"PUT(pmpaddr{n}, {address:#x}u);" for n, (address, _) in enumerate(rows))
    for first in range(0, len(rows), 4):
        word = sum(config << 8 * at for at, (_, config) in enumerate(rows[first : first + 4]))
        setup += f"PUT(pmpcfg{first // 4}, {word:#x}u);"
    text = RISCV.replace("SETUP", setup + more)
    return text.replace("PROBES", ", ".join(f"{{ {a:#x}u, {k}, {int(u)} }}" for a, k, u in probes))


@pytest.mark.parametrize("seed", range(6))
def test_rv32_entries_as_in_the_system_emulator(seed: int, build: Callable[..., Subject], tmp_path: Path) -> None:
    """NA4, NAPOT and TOR, locked or not; a locked entry binds machine mode and cannot be changed any more."""
    dice = random.Random(50 + seed)
    rows = drawn_entries(dice)
    unit = PmpUnit(16)
    for number, (address, config) in enumerate(rows):
        unit.write(0x3B0 + number, address, 0)
        unit.configs[number] = config
    edges = sorted({e for _, s, end, _ in unit.regions() for e in (s, end) if 0x8010_2000 <= e < 0x8010_7000})
    probes = drawn_probes(dice, unit, edges, 40)
    # What a locked entry says cannot be taken back.
    more = "PUT(pmpcfg0, 0x1F1F1F1Fu); PUT(pmpaddr1, 0u); note(GET(pmpcfg0)); note(GET(pmpaddr1));"
    unit.write(0x3A0, 0x1F1F_1F1F, 0)
    unit.write(0x3B1, 0, 0)
    at_mode = [(p, unit.rights(p[0], privileged=not p[2], urgent=False)) for p in probes]
    probes = [probe for probe, rights in at_mode if probe[1] != EXECUTE or not rights & EXECUTE]
    subject = build(pmp_text(rows, probes, more), part="rv32")
    board = run(subject)
    count = refused(unit, probes)
    noted = seen(subject, board, 64)
    assert noted[2 + 2 * count if 2 + 2 * count < 64 else (2 + 2 * count) % 64] == count
    assert len(board.faults) == min(count, 16)
    compared(subject, tmp_path, "rv32")


def test_smepmp(build: Callable[..., Subject]) -> None:
    """mseccfg.MML and MMWP (Smepmp 1.0, truth table): machine mode needs locked entries, user mode unlocked ones."""
    rows = [
        (0x8000_0000 >> 2 | 0x7FF, 0x80 | 3 << 3 | 0b101),  # 16 KiB of code, until both modes may execute it
        (0x8010_0000 >> 2 | 0x3FF, 3 << 3 | 0b110),  # 8 KiB: written by both modes
        (0x8010_4000 >> 2 | 0x1FF, 0x80 | 3 << 3 | 0b011),  # 4 KiB for machine mode alone
        (0x8010_6000 >> 2 | 0x3FF, 3 << 3 | 0b110),  # the stack
        (0x8010_2000 >> 2 | 0x1FF, 3 << 3 | 0b001),  # 4 KiB that user mode reads and machine mode does not
    ]
    probes = [
        (0x8010_4000, WRITE, False),
        (0x8010_4000, READ, True),
        (0x8010_2000, READ, True),
        (0x8010_2000, READ, False),
        (0x8010_2000, WRITE, True),
        (0x8010_5000, READ, False),  # no entry
        (0x8010_4100, EXECUTE, False),
    ]
    expected = [(5, 0x8010_4000), (5, 0x8010_2000), (7, 0x8010_2000), (5, 0x8010_5000), (1, 0x8010_4100)]
    # Nobody may read constants beside the code under this rule, so the table is filled by code.
    fill = "".join(
        f"probes[{n}].address = {a:#x}u; probes[{n}].kind = {k}; probes[{n}].user = {int(u)};"
        for n, (a, k, u) in enumerate(probes)
    )
    shared = sum(config << 8 * at for at, (_, config) in enumerate(rows[:4])) & ~0xFF | 0x80 | 3 << 3 | 0b010
    modes = f"PUT(0x747, 7u); PUT(pmpcfg0, {shared:#x}u); PUT(0x747, 3u);"  # bypass of locks, then without
    text = pmp_text(rows, [], fill + modes, "PUT(0x747, 4u);")
    text = text.replace("static const struct", "static volatile struct").replace(
        "probes[] = {  }", f"probes[{len(probes)}]"
    )
    subject = build(text, part="rv32")
    protections = tuple(
        replace(p, unit=ProtectionUnit.SMEPMP) if p.kind.value == "physical memory protection" else p
        for p in subject.chip.protections
    )
    subject.chip = replace(subject.chip, protections=protections)
    board = run(subject)
    assert any("may run and not be read" in note and "boot.c" in note for note in board.notes)
    noted = seen(subject, board, 12)
    assert [*zip(noted[:10:2], noted[1:10:2], strict=True)] == expected
    assert noted[10] == 5


LISTED = (
    ARM.split("static const struct")[0]
    + """
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16;
    REG(0xE000ED98) = 0; REG(0xE000ED9C) = 0; REG(0xE000EDA0) = 6u << 24 | 14u << 1 | 1u;
    REG(0xE000ED98) = 1; REG(0xE000ED9C) = 0x100; REG(0xE000EDA0) = 0u << 24 | 4u << 1 | 1u;  /* 32 bytes: none */
    REG(0xE000ED98) = 2; REG(0xE000ED9C) = 0x20000000; REG(0xE000EDA0) = 1u << 28 | 3u << 24 | 14u << 1 | 1u;
    REG(0xE000ED94) = 5;
    __asm__ volatile("dsb\\n isb" : : : "memory");
    note(REG(0x100));
    note(REG(0xE000ED90)); note(REG(0xE000ED9C)); note(REG(0xE000EDA0));
    for (;;) { }
}
"""
)


def test_what_is_not_enforced_is_listed_with_register_and_line(build: Callable[..., Subject]) -> None:
    """A region of 32 bytes beside the program's own code: read all the same, and listed by name."""
    subject = build(LISTED)
    golden = golden_of(subject)
    report = BenchReport(subject, Mode.HOOKED, (golden,), (Tally(),))
    (line,) = [text for text in report.left_out() if "protection unit, region" in text]
    assert "region 1 (MPU_RBAR, MPU_RASR), 0x00000100 to 0x0000011f" in line
    assert "boot.c:" in line
    assert "0x00000000 to 0x00000fff" in line
    board = run(subject)
    assert not board.faults
    assert seen(subject, board, 4)[1:] == [8 << 8, 0x2000_0002, 0x1300_001D]


ALIASES = (
    ARM.split("static const struct")[0]
    + """
#define PUT(at) __asm__ volatile("str.w %0, [%1]" : : "r"(1), "r"(at) : "memory")
static const uint32_t rows[8] = {
    0x00000010, 0x0600001D, 0x20000011, 0x1300001D, 0x20004012, 0x06000017, 0x20006013, 0 };
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16;
    __asm__ volatile("ldm %0, {r4, r5, r6, r8, r9, r10, r11, r12}\\n movw r0, #0xED9C\\n movt r0, #0xE000\\n"
        "stm r0!, {r4, r5, r6, r8, r9, r10, r11, r12}\\n ldr r1, =end\\n str r0, [r1]"
        : : "r"(rows) : "r0", "r1", "r4", "r5", "r6", "r8", "r9", "r10", "r11", "r12", "memory");
    REG(0xE000ED94) = 5;
    __asm__ volatile("dsb\\n isb" : : : "memory");
    PUT(0x20004000); note(1);
    PUT(0x20005000); note(2);
    __asm__ volatile("cpsid f\\n isb"); PUT(0x20004000); __asm__ volatile("cpsie f\\n isb"); note(3);
    for (;;) { }
}
"""
).replace("used, faults;", "used, faults, end;")


def test_regions_set_by_one_multiple_store(build: Callable[..., Subject]) -> None:
    """The alias registers take eight words at once; FAULTMASK lifts the unit where HFNMIENA is clear (B3.5)."""
    subject = build(ALIASES)
    board = run(subject)
    assert board.arm.unit.table == {
        0: (0x0000_0010, 0x0600_001D),
        1: (0x2000_0011, 0x1300_001D),
        2: (0x2000_4012, 0x0600_0017),
        3: (0x2000_6013, 0),
    }
    end = subject.firmware.image.symbol("end")
    assert end is not None
    assert board.read_bytes(end.address, 4) == (0xE000_EDBC).to_bytes(4, "little")  # the base register went on
    assert [fault for _, fault in board.faults] == ["MemManage"]
    assert seen(subject, board, 5) == [0x82, 0x2000_4000, 1, 2, 3]


FENCED_STACK = (
    ARM.split("static const struct")[0]
    + """
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16; REG(0xE000ED1C) = 0x80u << 24;
    REG(0xE000ED98) = 0; REG(0xE000ED9C) = 0x20004000; REG(0xE000EDA0) = 6u << 24 | 11u << 1 | 1u;
    REG(0xE000ED94) = 5;
    __asm__ volatile("ldr r0, =0x20004400\\n msr psp, r0\\n movs r0, #2\\n msr control, r0\\n isb\\n svc 0"
        : : : "r0", "memory");
    for (;;) { }
}
"""
).replace("    frame[6] = CFSR & 1", "    for (;;) { }\n    frame[6] = CFSR & 1")


def test_an_exception_whose_stack_is_fenced(build: Callable[..., Subject]) -> None:
    """MSTKERR (B1.5.11): the frame of a call goes to a region that may only be read; MemManage comes first."""
    subject = build(FENCED_STACK)
    board = run(subject)
    assert seen(subject, board, 1) == [0x10]
    assert board.arm.pending == (11,)  # the call waits


HOOKED = (
    ARM.split("static const struct")[0]
    + """
__attribute__((noinline)) void digest(uint32_t from, uint32_t size, uint8_t *into) {
    __asm__ volatile("" : : "r"(from), "r"(size), "r"(into) : "memory"); }
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16;
    REG(0xE000ED98) = 0; REG(0xE000ED9C) = 0x20004000; REG(0xE000EDA0) = 6u << 24 | 11u << 1 | 1u;
    REG(0xE000ED98) = 1; REG(0xE000ED9C) = 0x00006000; REG(0xE000EDA0) = 0u << 24 | 4u << 1 | 1u;
    REG(0xE000ED94) = 5;
    __asm__ volatile("dsb\\n isb" : : : "memory");
    digest(0x5000, 64, (uint8_t *)0x20003000); note(1);
    FAULTY;
    note(2);
    for (;;) { }
}
"""
).replace("    frame[6] = CFSR & 1", "    for (;;) { }\n    frame[6] = CFSR & 1")
DIGEST = '[[bench.hook]]\ndoes = "digest"\nsymbol = "digest"\nsource = 0\nlength = 1\ninto = 2\n'


@pytest.mark.parametrize(
    ("call", "address"),
    [
        ("digest(0x5000, 64, (uint8_t *)0x20003FF0)", 0x2000_4000),
        ("digest(0x5F00, 0x180, (uint8_t *)0x20003000)", 0x6000),
    ],
)
def test_a_hooked_function_is_fenced_as_well(call: str, address: int, build: Callable[..., Subject]) -> None:
    """What the function would read or write counts: it faults at the first address that is closed."""
    subject = build(HOOKED.replace("FAULTY", call), DIGEST)
    board = run(subject)
    assert seen(subject, board, 3) == [1, 0x82, address]
    digest = subject.firmware.image.symbol("digest")
    assert digest is not None
    assert board.faults == [(digest.address & ~1, "MemManage")]


@pytest.mark.parametrize("part", ["arm", "rv32"])
def test_a_walk_goes_along_behind_a_protection_unit(part: str, build: Callable[..., Subject]) -> None:
    """Each fault starts from a state in which the same pages are fenced as in the golden run."""
    dice = random.Random(7)
    if part == "arm":
        subject = build(
            text_of(drawn_regions(dice), [(0x2000_2000 + 0x400 * n, 1 + n % 2, n % 3 == 0) for n in range(9)], 5)
        )
    else:
        probes = [(0x8010_2000 + 0x400 * n, 1 + n % 2, n % 3 == 0) for n in range(9)]
        subject = build(pmp_text(drawn_entries(dice), probes), part="rv32")
    golden = golden_of(subject)
    walker = Walker(subject, golden, hooked=True)
    first = len(golden.pcs) // 3
    walker.walk_to(first)
    kept = walker.board.snapshot()
    for index in range(first, len(golden.pcs), 7):
        walker.walk_to(index)  # raises where it is not at the golden run's instruction
    walker.board.restore(kept)
    assert walker.board.run(100_000).kind == golden.end.kind
    assert [operation.kind for operation in golden.operations] == []
    plan = make_plan(golden, (Model.SKIP,), Mode.HOOKED)
    tally = run_part(subject, golden, plan, first, first + 40)
    assert sum(tally.counts.values()) > 100


OWN_CODE = (
    ARM.split("static const struct")[0]
    + """
void reset(void) {
    used = faults = 0;
    REG(0xE000ED24) = 3u << 16;
    REG(0xE000ED98) = 0; REG(0xE000ED9C) = 0x00000000; REG(0xE000EDA0) = 1u << 28 | 6u << 24 | 14u << 1 | 1u;
    note(1);
    REG(0xE000ED94) = CONTROL;
    __asm__ volatile("dsb\\n isb" : : : "memory");
    note(2);
    for (;;) { }
}
"""
)


@pytest.mark.parametrize(("control", "end", "noted"), [(4, "hang", [1, 2]), (5, "hang", [1]), (1, "crash", [1])])
def test_code_of_its_own_that_may_not_run(
    control: int, end: str, noted: list[int], build: Callable[..., Subject], tmp_path: Path
) -> None:
    """Execute-never over all code: MemManage, whose handler may not run either, so HardFault, which lifts the unit.

    Without the default map (PRIVDEFENA clear) its frame cannot be stacked at MemManage's priority: lockup (B1.5.15).
    """
    subject = build(OWN_CODE.replace("CONTROL", str(control)))
    board = run(subject)
    assert board.last_end.kind == end  # type: ignore[attr-defined]
    assert seen(subject, board, len(noted)) == noted
    if end == "hang":
        compared(subject, tmp_path, least=20)
    if control & 1:
        assert [name for _, name in board.faults] == ["MemManage", "MemManage"]
        assert board.arm.words[0xD28] & 1  # IACCVIOL
        assert board.arm.active[-1:] == ((3,) if end == "hang" else (4,))
