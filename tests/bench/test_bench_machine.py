"""Flash content, declared controllers, hooks that cannot be found, line numbers: the parts below a golden run."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import BLANK, PROGRAMMED, TORN, WEAK, FlashContent
from rootwright.bench.registers import ControllerRegisters, RuleRegisters
from rootwright.bench.subject import Subject
from rootwright.describe.bench import Bits, Controller, Deed, Hook, Rule, UnlockLasts, WriteDeed
from rootwright.describe.chip import Architecture, Memory, MemoryKind, Reprogram, SectorRun
from rootwright.errors import BenchError


def memory(**changes: object) -> Memory:
    made = Memory("flash", MemoryKind.FLASH, 0x1000, (SectorRun(4, 0x1000),), program_unit=8, tear_unit=8)
    return replace(made, **changes)  # type: ignore[arg-type]


class Device:
    """A bus that counts what registers ask of it."""

    def __init__(self) -> None:
        self.fed = self.resets = 0
        self.cause = 0

    def feed_watchdog(self) -> None:
        self.fed += 1

    def ask_reset(self) -> None:
        self.resets += 1

    def reset_cause(self) -> int:
        return self.cause

    def position(self) -> tuple[int, int]:
        return 0x100, 7

    def require_readable(self) -> None:
        return

    def canonical(self, address: int) -> int:
        return address

    def invalidate_caches(self) -> None:
        self.fed += 100

    def load_settings_now(self) -> None:
        self.resets += 100


@pytest.mark.parametrize(
    ("reprogram", "second", "state", "value"),
    [
        (Reprogram.NEVER, b"\x0f" * 8, TORN, b"\x00" * 8),
        (Reprogram.BITS, b"\x0f" * 8, PROGRAMMED, b"\x00" * 8),
        (Reprogram.ZEROS_ONLY, bytes(8), PROGRAMMED, bytes(8)),
        (Reprogram.ZEROS_ONLY, b"\x0f" * 8, TORN, b"\x00" * 8),
    ],
)
def test_programming_a_unit_twice(reprogram: Reprogram, second: bytes, state: int, value: bytes) -> None:
    flash = FlashContent(memory(reprogram=reprogram))
    assert flash.program(0x1008, b"\xf0" * 8, pc=0, index=0)
    assert flash.units[1] == PROGRAMMED
    assert flash.program(0x1008, second, pc=0, index=0)
    assert (flash.units[1], flash.read(0x1008, 8)) == (state, value)


def test_a_weak_unit_stays_weak_until_it_is_erased() -> None:
    flash = FlashContent(memory())
    flash.set(0x2000, b"\xff" * 8 + b"old-data", bytes([WEAK, WEAK]))
    assert flash.program(0x2000, b"12345678", pc=0, index=0)
    assert (flash.units[0x1000 // 8], flash.read(0x2000, 8)) == (WEAK, b"12345678")
    assert flash.program(0x2008, b"12345678", pc=0, index=0)
    assert flash.torn(0x2008, 1)
    assert flash.erase(0x2000, pc=0, index=0)
    assert flash.units[0x1000 // 8] == BLANK


@pytest.mark.parametrize(("address", "data"), [(0xFF8, b"12345678"), (0x1004, b"12345678"), (0x4FFF + 1, b"12345678")])
def test_operations_outside_change_nothing(address: int, data: bytes) -> None:
    flash = FlashContent(memory())
    before = flash.state()
    assert not flash.program(address, data, pc=0, index=0)
    assert flash.state() == before
    assert not flash.operations


def test_going_back_to_a_snapshot() -> None:
    flash = FlashContent(memory())
    flash.program(0x1000, b"abcdefgh" * 4, pc=0, index=0)
    state, mark = flash.state(), flash.snapshot()
    flash.erase(0x1000, pc=0, index=0)
    flash.program(0x1008, b"12345678", pc=0, index=0)
    flash.set(0x2000, b"x" * 8, bytes([TORN]))
    flash.restore(mark)
    assert flash.state() == state
    assert len(flash.operations) == 1


def controller(**changes: object) -> tuple[ControllerRegisters, FlashContent]:
    made = Controller(
        "flash",
        "flash",
        0x4000_0000,
        0x20,
        erase=Bits(4, 0, 1),
        program=Bits(4, 0, 2),
        unlock=(Bits(0, 0, 0x1111), Bits(0, 0, 0x2222)),
        unlock_lasts=UnlockLasts.COMMAND,
        address=8,
        data=0x10,
        busy=Bits(0xC, 1, 1),
        busy_reads=2,
        error=Bits(0xC, 2, 2),
    )
    flash = FlashContent(memory())
    return ControllerRegisters(replace(made, **changes), flash, Device()), flash  # type: ignore[arg-type]


def write(registers: ControllerRegisters, *pairs: tuple[int, int]) -> None:
    for offset, value in pairs:
        registers.write(offset, 4, value)


def test_a_controller_programs_after_its_unlock_sequence() -> None:
    registers, flash = controller()
    write(registers, (8, 0x1010), (0x10, 0x64636261), (0x14, 0x68676665), (0, 0x1111), (0, 0x2222), (4, 2))
    assert flash.read(0x1010, 8) == b"abcdefgh"
    assert [registers.read(0xC, 4) & 1 for _ in range(3)] == [1, 1, 0]
    # The lock has closed behind the command.
    write(registers, (8, 0x1010), (4, 1))
    assert registers.read(0xC, 4) & 2
    assert flash.read(0x1010, 8) == b"abcdefgh"


@pytest.mark.parametrize("words", [(0x2222, 0x1111), (0x1111, 0x3333), (0x1111,), (0x1111, 0x1111, 0x3333)])
def test_a_wrong_unlock_sequence_opens_nothing(words: tuple[int, ...]) -> None:
    registers, flash = controller()
    write(registers, (8, 0x1000), *((0, word) for word in words), (4, 2))
    assert registers.read(0xC, 4) & 2
    assert flash.units[0] == BLANK


def test_a_start_bit_apart_from_the_choice() -> None:
    registers, flash = controller(start=Bits(0x18, 1, 1), unlock=(), unlock_lasts=UnlockLasts.RESET)
    write(registers, (8, 0x1000), (0x10, 1), (0x14, 2), (4, 2))
    assert flash.units[0] == BLANK
    write(registers, (0x18, 1))
    assert flash.units[0] == PROGRAMMED


def test_stores_to_flash_commit_a_full_line() -> None:
    registers, flash = controller(stores=True, address=-1, data=-1, unlock=(), unlock_lasts=UnlockLasts.RESET)
    assert not registers.store(0x1008, 4, 5)
    write(registers, (4, 2))
    assert registers.store(0x1008, 4, 0x64636261)
    assert flash.units[1] == BLANK
    assert registers.store(0x100C, 4, 0x68676665)
    assert flash.read(0x1008, 8) == b"abcdefgh"
    write(registers, (4, 1))
    assert registers.store(0x1200, 4, 0)
    assert flash.units[1] == BLANK


def test_a_controller_s_state_goes_back() -> None:
    registers, _ = controller()
    write(registers, (8, 0x1010), (0x10, 5), (0, 0x1111))
    saved = registers.save()
    write(registers, (0, 0x2222), (4, 1))
    registers.restore(saved)
    assert registers.save() == saved
    assert not registers.open


def test_rules_read_and_write_as_said() -> None:
    device = Device()
    turn = RuleRegisters(Rule("r", 0, 8, reads=(1, 2, 3)), device)
    assert [turn.read(0, 4) for _ in range(4)] == [1, 2, 3, 3]
    assert turn.read(4, 4) == 1
    late = RuleRegisters(Rule("r", 0, set_mask=0x100, set_after=2), device)
    assert [late.read(0, 4) for _ in range(4)] == [0, 0, 0x100, 0x100]
    kept = RuleRegisters(Rule("r", 0, initial=0x11223344), device)
    kept.write(1, 1, 0xAA)
    assert (kept.read(0, 4), kept.read(1, 1), kept.peek(0)) == (0x1122AA44, 0xAA, 0x1122AA44)
    cleared = RuleRegisters(Rule("r", 0, initial=7, write=WriteDeed.CLEAR), device)
    assert cleared.read(0, 4) == 7
    dog = RuleRegisters(Rule("r", 0, write=WriteDeed.WATCHDOG, word=5), device)
    dog.write(0, 4, 6)
    dog.write(0, 4, 5)
    assert device.fed == 1
    cause = RuleRegisters(Rule("r", 0, causes=(1, 2, 4)), device)
    device.cause = 2
    assert cause.read(0, 4) == 4


# Hooks that cannot be found


def test_a_missing_symbol_names_the_nearest_and_the_other_ways(subject_of: Callable[..., Subject]) -> None:
    firmware = subject_of().firmware
    with pytest.raises(BenchError) as caught:
        firmware.find_hook(Hook(Deed.ERASE, symbol="flash_erasse", target=0))
    assert "flash_erase" in str(caught.value)
    assert "[[bench.controller]]" in str(caught.value)


def test_an_address_outside_the_code_is_refused(subject_of: Callable[..., Subject]) -> None:
    with pytest.raises(BenchError, match="not in the program's code"):
        subject_of().firmware.find_hook(Hook(Deed.ERASE, address=0x3FF0, target=0))


CALLS = """
typedef void (*call)(void);
volatile int seen;
__attribute__((noinline)) void one(void) { seen = 1; }
__attribute__((noinline)) void two(void) { seen = 2; }
static inline __attribute__((always_inline)) int inlined(int x) { return x * 3 + seen; }
__attribute__((noinline)) void worker(void) __asm__("worker.constprop.0");
void worker(void) { seen = 5; }
__attribute__((used)) const call calls[2] = { one, two };
void reset(void);
__attribute__((section(".vectors"), used)) const void *const vectors[4] = { (void *)0x20008000, reset, 0, 0 };
void reset(void) { calls[seen & 1](); worker(); seen = inlined(seen); for (;;) { } }
"""


@pytest.mark.slow
@pytest.mark.firmware
def test_call_tables_clones_and_inlined_functions(build: Callable[..., Subject]) -> None:
    firmware = build(CALLS).firmware
    two = firmware.image.symbol("two")
    assert two is not None
    assert firmware.find_hook(Hook(Deed.NOTHING, table="calls", entry=1)) == two.address
    table = firmware.image.symbol("calls")
    assert table is not None
    assert firmware.find_hook(Hook(Deed.NOTHING, table=hex(table.address), entry=1)) == two.address
    for hook, words in (
        (Hook(Deed.NOTHING, symbol="inlined"), "inlined this function and no copy is left"),
        (Hook(Deed.NOTHING, symbol="worker"), "cloned this function (worker.constprop.0)"),
        (Hook(Deed.NOTHING, table="calls", entry=90), "entry"),
        (Hook(Deed.NOTHING, table="nowhere", entry=0), "no call table"),
    ):
        with pytest.raises(BenchError) as caught:
            firmware.find_hook(hook)
        assert words in str(caught.value)
        assert "next:" in str(caught.value)


def test_a_file_that_is_no_program() -> None:
    with pytest.raises(BenchError, match="not an ELF file"):
        Firmware(b":00000001FF", "boot.hex", Architecture.ARMV7_M)


def test_lines_of_source_as_another_reader_gives_them(repository: Path) -> None:
    # Against pyelftools' own example of reading lines is no second opinion; the compiler's symbolizer is not packaged.
    # So: the line of each function's first instruction is where the source has that function's head or body.
    data = (repository / "demo/river-gauge/firmware/built/boot.elf").read_bytes()
    firmware = Firmware(data, "boot.elf", Architecture.ARMV7_M)
    checked = 0
    for symbol in firmware.image.symbols:
        if symbol.kind != "function" or symbol.name.startswith("__"):
            continue
        place = firmware.place(symbol.address)
        path = repository / "demo/river-gauge/firmware" / place.file
        if not place.line or not path.is_file():
            continue
        text = path.read_text().splitlines()[max(0, place.line - 4) : place.line]
        checked += symbol.name in "\n".join(text)
        assert place.function == symbol.name
    assert checked >= 15


def test_the_bench_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from rootwright.bench import emulator

    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(BenchError, match="unicorn, which is not installed"):
        emulator.require_emulator()


def test_help_loads_no_emulator() -> None:
    code = "import sys; from rootwright.cli import cli; cli.list_commands(None); assert 'unicorn' not in sys.modules"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
