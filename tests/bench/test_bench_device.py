"""What the device does around the core: torn flash words, resets, kept RAM, watchdog, keys; and the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.bench.board import Board
from rootwright.bench.campaign import Mode, Tally, Walker
from rootwright.bench.flash import TORN, FlashState
from rootwright.bench.golden import begin, run_golden
from rootwright.bench.judge import Verdict
from rootwright.bench.report import BenchReport
from rootwright.bench.subject import Subject
from rootwright.cli import main
from rootwright.describe.chip import Architecture, EccError

pytestmark = pytest.mark.slow

COMMON = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
void reset(void);
volatile uint32_t seen[8];
void bus(void) { seen[1]++; REG(0x20006000) = 0xB05; for (;;) { } }
void nmi(void) { seen[2]++; }
void hard(void) { seen[3]++; for (;;) { } }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, nmi, hard, hard, bus, hard, 0, 0, 0, 0, hard, 0, 0, hard, hard };
"""

TORN_READ = (
    COMMON
    + """
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    REG(0xE000ED24) = 7u << 16;
    seen[4] = REG(0x9000);
    seen[5] = REG(0x9008);
    seen[6] = 1;
    for (;;) { }
}
"""
)


def seen(subject: Subject, board: Board) -> list[int]:
    symbol = subject.firmware.image.symbol("seen")
    assert symbol is not None
    raw = board.read_bytes(symbol.address, 32) or b""
    return [int.from_bytes(raw[i : i + 4], "little") for i in range(0, 32, 4)]


def torn_at(subject: Subject, address: int) -> dict[str, FlashState]:
    flash = subject.flash_of(subject.bench.runs[0])
    state = flash["flash"]
    units = bytearray(state.units)
    units[address // 8] = TORN
    data = bytearray(state.data)
    data[address : address + 8] = b"abcdefgh"
    return {**flash, "flash": FlashState(bytes(data), bytes(units))}


@pytest.mark.firmware
@pytest.mark.parametrize(
    ("how", "expected"),
    [
        (EccError.FAULT, [0, 1, 0, 0, 0xFFFFFFFF, 0, 0]),  # the second read faults: BusFault, nothing after it
        (EccError.NMI, [0, 0, 1, 0, 0xFFFFFFFF, 0x64636261, 1]),  # NMI is taken, then it goes on
        (EccError.NONE, [0, 0, 0, 0, 0xFFFFFFFF, 0x64636261, 1]),
    ],
)
def test_an_undecodable_word_does_what_the_part_says(
    how: EccError, expected: list[int], build: Callable[..., Subject]
) -> None:
    subject = build(TORN_READ)
    chip = subject.chip
    memories = tuple(replace(m, ecc_error=how) if m.name == "flash" else m for m in chip.memories)
    subject.chip = replace(chip, memories=memories)
    board = subject.board()
    board.power_up(torn_at(subject, 0x9008))
    end = board.run(10_000)
    assert seen(subject, board)[:7] == expected
    assert end.kind == "hang"
    if how is EccError.FAULT:
        assert board.faults[0][1] == "BusFault"
        assert subject.firmware.function(board.faults[0][0]) == "reset"
        assert board.arm.words[0xD38] == 0x9008  # BFAR, with PRECISERR and BFARVALID of CFSR (DDI 0403, B3.2.15)
        assert board.arm.words[0xD28] == 0x8200


MANY = (
    COMMON
    + """
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    uint32_t a = 0, b = 0;
    for (int i = 0; i < 2; i++)
        __asm__ volatile("ldrd %0, %1, [%2]" : "=r"(a), "=r"(b) : "r"(0x9008) : "memory");
    seen[4] = a; seen[5] = b;
    __asm__ volatile("ldm %2, {r4, r5, r6, r8}\\n mov %0, r5\\n mov %1, r8"
        : "=r"(a), "=r"(b) : "r"(0x9004) : "r4", "r5", "r6", "r8");
    seen[6] = a; seen[7] = b;
    for (;;) { }
}
"""
)


@pytest.mark.firmware
def test_a_load_of_several_undecodable_words_raises_one_interrupt(build: Callable[..., Subject]) -> None:
    subject = build(MANY)
    memories = tuple(replace(m, ecc_error=EccError.NMI) if m.name == "flash" else m for m in subject.chip.memories)
    subject.chip = replace(subject.chip, memories=memories)
    board = subject.board()
    board.power_up(torn_at(subject, 0x9008))
    assert board.run(10_000).kind == "hang"
    assert seen(subject, board)[2:] == [3, 0, 0x64636261, 0x68676665, 0x64636261, 0xFFFFFFFF]


EVEN = (
    COMMON
    + """
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    __asm__ volatile("ldr r0, =TARGET\\n bx r0" : : : "r0");
    for (;;) { }
}
"""
)


@pytest.mark.firmware
@pytest.mark.parametrize("target", [0x2000_4000, 0x2000_4002, 0x9000, 0x100, 0x7F00])
@pytest.mark.parametrize("steps", [0, 1])
def test_a_branch_to_an_even_address_faults_and_runs_nothing(
    target: int, steps: int, build: Callable[..., Subject]
) -> None:
    """INVSTATE, bit 17 of CFSR (Armv7-M, A2.3.1 and B1.5): in RAM, in blank flash, in the program itself."""
    subject = build(EVEN.replace("TARGET", hex(target)))
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    while steps and not board.faults:
        assert board.step(steps) is None
    end = board.run(10_000)
    assert end.kind == "hang"
    assert board.faults == [(target, "UsageFault")]
    assert seen(subject, board)[3] == 1
    assert board.arm.words[0xD28] == 1 << 17


@pytest.mark.firmware
def test_an_odd_address_in_ram_is_still_code_that_nobody_approved(build: Callable[..., Subject]) -> None:
    subject = build(EVEN.replace("TARGET", "0x20004001"))
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    end = board.run(10_000)
    assert (end.kind, end.at, end.image) == ("image", 0x2000_4000, True)


@pytest.mark.firmware
@pytest.mark.parametrize(("vector", "kind", "handled"), [(1, "hang", 1), (3, "crash", 0)])
def test_an_even_vector_faults(vector: int, kind: str, handled: int, build: Callable[..., Subject]) -> None:
    """Bit 0 of a vector is the Thumb bit (Armv7-M, B1.5.5 and B1.5.6); in HardFault: lockup."""
    subject = build(EVEN.replace("TARGET", "0x20004000"))
    flash = subject.flash_of(subject.bench.runs[0])
    data = bytearray(flash["flash"].data)
    data[4 * vector] &= 0xFE
    board = subject.board()
    board.power_up({**flash, "flash": FlashState(bytes(data), flash["flash"].units)})
    if handled:
        board.write_ram(subject.firmware.image.symbol("seen").address, bytes(32))  # type: ignore[union-attr]
    assert board.run(10_000).kind == kind
    assert seen(subject, board)[3] == handled
    reset = int.from_bytes(data[4:8], "little") & ~1
    assert board.faults[0][0] == (reset if handled else 0x2000_4000)


PROTECTING = (
    COMMON
    + """
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    REG(0xE000ED98) = 0; REG(0xE000ED9C) = 0x20004000; REG(0xE000EDA0) = 0x0600001B;
    REG(0xE000ED94) = CONTROL;
    __asm__ volatile("dsb\\n isb");
    REG(0x20003FFC) = 1; seen[0] = 1;
    REG(0x20004000) = 1; seen[1] = 1;
    for (;;) { }
}
"""
)


@pytest.mark.firmware
@pytest.mark.parametrize(("control", "faults"), [(0, []), (5, ["MemManage"])])
def test_a_protection_unit_that_is_switched_on_is_enforced(
    control: int, faults: list[str], build: Callable[..., Subject]
) -> None:
    """A region that may only be read, over 16 KiB of RAM: AP 6 and SIZE 13 of MPU_RASR (DDI 0403, B3.5)."""
    subject = build(PROTECTING.replace("CONTROL", str(control)))
    golden = run_golden(subject, next(s for s in subject.starts() if s.cold))
    report = BenchReport(subject, Mode.HOOKED, (golden,), (Tally(),))
    assert not any("protection unit, region" in line for line in report.left_out())
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    board.run(10_000)
    assert [name for _, name in board.faults] == faults
    assert seen(subject, board)[:2] == ([1, 0] if faults else [1, 1])


RESETS = (
    COMMON
    + """
void reset(void) {
    uint32_t kept = REG(0x20006000), cause = REG(0x40001020);
    for (int i = 0; i < 8; i++) seen[i] = 0;
    seen[0] = cause;
    seen[1] = kept;
    if (cause == 1) {
        REG(0x20006000) = 0x1234;
        WAY
    }
    for (;;) { __asm__ volatile("wfi"); }
}
"""
)
CAUSE = '[[bench.rule]]\nname = "cause"\nat = 0x4000_1020\ncauses = [1, 2, 4]\n'
DOG = '[[bench.rule]]\nname = "dog"\nat = 0x4000_1000\nwrite = "watchdog"\nword = 0xA1DE\n'
SOFT = '[[bench.rule]]\nname = "soft"\nat = 0x4000_1300\nwrite = "reset"\nword = 0x5E5E\n'


@pytest.mark.firmware
@pytest.mark.parametrize(
    ("way", "cause"),
    [
        ("REG(0xE000ED0C) = 0x05FA0004; for (;;) { }", 4),  # the core's own request, with its key
        ("REG(0x40001300) = 0x5E5E; for (;;) { }", 4),
        ("REG(0xE000ED0C) = 0x12340004; REG(0x40001300) = 1; REG(0x40001000) = 0xA1DE; for (;;) { }", 2),  # watchdog
    ],
)
def test_a_reset_keeps_ram_and_says_its_cause(way: str, cause: int, build: Callable[..., Subject]) -> None:
    subject = build(RESETS.replace("WAY", way), CAUSE + DOG + SOFT)
    board = Board(subject.chip, subject.bench, subject.firmware, watchdog_s=0.001)
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    end = board.run(1_000_000)
    assert end.kind == "waits"
    assert seen(subject, board)[:2] == [cause, 0x1234]


@pytest.mark.firmware
def test_without_a_watchdog_a_loop_hangs(build: Callable[..., Subject]) -> None:
    way = "REG(0x40001000) = 0xA1DE; for (;;) { }"
    subject = build(RESETS.replace("WAY", way), CAUSE + DOG)
    board = Board(subject.chip, subject.bench, subject.firmware)
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    assert board.run(100_000).kind == "hang"


@pytest.mark.firmware
def test_ram_at_power_up_is_arbitrary_and_kept_over_a_warm_start(build: Callable[..., Subject]) -> None:
    subject = build(RESETS.replace("WAY", ""), CAUSE)
    values = {}
    for start in subject.starts():
        board = subject.board()
        begin(board, start, subject.flash_of(start.run))
        board.run(10_000)
        values[start.cold] = seen(subject, board)[:2]
    assert values == {True: [1, 0xA5A5A5A5], False: [4, 0]}


LOCKUP = (
    COMMON
    + """
void reset(void) {
    __asm__ volatile("mov sp, %0" : : "r"(0x60000000u));
    __asm__ volatile("udf 1");
    for (;;) { }
}
"""
)


@pytest.mark.firmware
def test_a_fault_that_cannot_be_stacked_is_a_crash(build: Callable[..., Subject]) -> None:
    subject = build(LOCKUP)
    golden = run_golden(subject, subject.starts()[0])
    assert golden.outcome.verdict is Verdict.CRASH
    assert "stack pointer" in golden.outcome.why


KEY = (
    COMMON
    + """
void reset(void) {
    LOCK
    __asm__ volatile("ldr r0, =0x8001\\n bx r0\\n .ltorg");
}
"""
)
SECRET = (
    '[[bench.secret]]\nname = "device"\nat = 0x7000\nsize = 16\nlock_at = 0x4001_0000\nlock_value = 1\n'
    '[[bench.rule]]\nname = "lock"\nat = 0x4001_0000\n'
    '[[bench.approved]]\nname = "application"\nfile = "app.bin"\nbase = 0x8000\n'
)
RUNS = '[[bench.run]]\nname = "plain"\nkind = "authentic"\nflash = ["app.bin"]\n'


@pytest.mark.firmware
@pytest.mark.parametrize(("lock", "verdict"), [("REG(0x40010000) = 1;", Verdict.RAN), ("", Verdict.KEY)])
def test_a_key_left_open_is_found(lock: str, verdict: Verdict, build: Callable[..., Subject], tmp_path: Path) -> None:
    (tmp_path / "app.bin").write_bytes(b"\xfe\xe7" * 8)
    subject = build(KEY.replace("LOCK", lock), SECRET, run=RUNS)
    assert run_golden(subject, subject.starts()[0]).outcome.verdict is verdict


# The command line


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    printed = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, printed.out, printed.err


def test_bad_input_is_said_with_a_next_step(demo_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    product = str(demo_folder / "product.toml")
    for arguments in (
        ["--run", "nowhere"],
        ["--boot", str(demo_folder / "no.elf")],
        ["--boot", str(demo_folder / "images" / "arm-version-1.bin")],
        ["--boot", str(demo_folder / "built" / "rv32-copy-plain.elf")],
        ["--replay", "x"],
    ):
        code, out, err = run(["bench", product, *arguments], capsys)
        assert (code, out) == (2, ""), arguments
        assert "next:" in err
    (demo_folder / "bare.toml").write_text((demo_folder / "product.toml").read_text().split("[bench]")[0])
    code, _, err = run(["bench", str(demo_folder / "bare.toml")], capsys)
    assert code == 2
    assert "[bench]" in err


def test_faults_as_json_and_files(demo_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    product = str(demo_folder / "product.toml")
    options = ["--run", "header-flag", "--faults", "branch", "--mode", "sampled", "--jobs", "1", "--json"]
    files = ["--sarif", str(tmp_path / "a.sarif"), "--html", str(tmp_path / "a.html"), "--work", str(tmp_path / "work")]
    code, out, _ = run(["bench", product, *options, *files], capsys)
    data = json.loads(out)
    assert code == 1
    assert data["findings"]
    assert json.loads((tmp_path / "a.sarif").read_text())["version"] == "2.1.0"
    assert "<table" in (tmp_path / "a.html").read_text()
    assert list((tmp_path / "work").glob("faults-*.json"))
    again, repeated, _ = run(["bench", product, *options, *files[4:]], capsys)
    assert (again, repeated) == (code, out)


def test_cuts_and_hostile_updates_as_json(demo_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    product = str(demo_folder / "product.toml")
    code, out, _ = run(["bench", product, "--cuts", "--run", "install", "--states", "30", "--json"], capsys)
    assert code == 0
    assert "stopped at 30 states" in json.loads(out)["cuts"][0]["reach"]


HANDLED = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
void reset(void);
volatile uint32_t seen[8];
__attribute__((used, noinline)) void hard_c(uint32_t *frame) { seen[3]++; frame[6] += 2; }
__attribute__((naked)) void hard(void) {
    __asm__ volatile("mrs r0, msp\\n push {r4, lr}\\n bl hard_c\\n pop {r4, pc}"); }
void nmi(void) { seen[2]++; }
void pendsv(void) { seen[4]++; }
__attribute__((used, noinline)) void svc_c(uint32_t *frame) { frame[0] += 5; }
__attribute__((naked)) void svc(void) {
    __asm__ volatile("mrs r0, msp\\n push {r4, lr}\\n bl svc_c\\n pop {r4, pc}"); }
void tick(void) { seen[6]++; }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, nmi, hard, hard, hard, hard, 0, 0, 0, 0, svc, 0, 0, pendsv, tick };
void reset(void) {
    for (int i = 0; i < 8; i++) seen[i] = 0;
    register uint32_t r0 __asm__("r0") = 41;
    __asm__ volatile("svc 0" : "+r"(r0) : : "memory");
    seen[0] = r0;
    __asm__ volatile("udf 1");
    REG(0xE000ED04) = 1u << 28;
    __asm__ volatile("dsb\\n isb");
    REG(0xE000ED04) = 1u << 31;
    __asm__ volatile("dsb\\n isb");
    REG(0xE000E014) = 500;
    REG(0xE000E010) = 7;
    while (seen[6] < 3) { }
    REG(0xE000E010) = 0;
    seen[7] = 1;
    for (;;) { }
}
"""


@pytest.mark.firmware
@pytest.mark.parametrize("architecture", [Architecture.ARMV6_M, Architecture.ARMV7_M, Architecture.ARMV8_M])
def test_exceptions_on_each_profile(architecture: Architecture, build: Callable[..., Subject]) -> None:
    # Built for the smallest core: the others run its instructions too.
    subject = build(HANDLED, part="small")
    subject.chip = replace(subject.chip, architecture=architecture)
    board = subject.board()
    begin(board, subject.starts()[0], subject.flash_of(subject.bench.runs[0]))
    assert board.run(100_000).kind == "hang"
    assert seen(subject, board) == [46, 0, 1, 1, 1, 0, 3, 1]


@pytest.mark.firmware
def test_a_walk_passes_ticks_and_pended_exceptions(build: Callable[..., Subject]) -> None:
    subject = build(HANDLED)
    golden = run_golden(subject, subject.starts()[0])
    assert {kind for _, kind in golden.stops} >= {"stop", "tick"}
    walker = Walker(subject, golden, hooked=True)
    for index in range(0, len(golden.pcs), 7):
        walker.walk_to(index)  # raises where it is not at the golden run's instruction
    assert walker.at > len(golden.pcs) - 20
