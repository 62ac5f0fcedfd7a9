"""The bench boot stage in the bench's golden runs: sound builds do what is expected, and flaws show in them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from bench_boot_host import BENCH_BOOT, images

from rootwright.bench.flash import TORN, FlashState
from rootwright.bench.golden import Golden, run_golden
from rootwright.bench.judge import Verdict
from rootwright.bench.subject import Start, Subject
from rootwright.describe.bench import Change
from rootwright.describe.loading import load_product

pytest.importorskip("unicorn")
pytestmark = pytest.mark.slow

SOUND = [
    ("product.toml", "arm-copy-plain.elf"),
    ("product.toml", "arm-copy-hardened.elf"),
    ("exchange.toml", "arm-exchange-plain.elf"),
    ("exchange.toml", "arm-exchange-hardened.elf"),
    ("controller.toml", "arm-copy-controller.elf"),
    ("rv32.toml", "rv32-copy-plain.elf"),
    ("rv32.toml", "rv32-copy-hardened.elf"),
    ("rv32-controller.toml", "rv32-copy-controller.elf"),
]

# Build: the run that shows its flaw, at power-up or not, with hooked digests or not, and the verdict.
SHOWN = {
    "arm-flaw-checked-before-copy.elf": ("tampered-installed", False, True, Verdict.UNAPPROVED),
    "arm-flaw-debug-open.elf": ("header-flag", False, True, Verdict.KEY),
    "arm-flaw-floor-not-at-start.elf": ("older-installed", False, True, Verdict.UNAPPROVED),
    "arm-flaw-length-unchecked.elf": ("length-long", False, True, Verdict.UNAPPROVED),
    "arm-flaw-length-wraps.elf": ("length-wraps", False, False, Verdict.HANG),
    "arm-flaw-result-unset.elf": ("header-flag", True, True, Verdict.UNAPPROVED),
}


def subject_of(product: str, boot: Path) -> Subject:
    return Subject(load_product(BENCH_BOOT / product), BENCH_BOOT, boot=boot)


def start_of(subject: Subject, run: str, *, cold: bool = False) -> Start:
    return next(start for start in subject.starts() if start.run.name == run and start.cold is cold)


@pytest.mark.parametrize(("product", "file"), SOUND)
def test_golden_runs_of_sound_builds(product: str, file: str) -> None:
    subject = subject_of(product, BENCH_BOOT / "built" / file)
    for start in subject.starts():
        assert run_golden(subject, start).fails == "", start.name
    for run in ("tampered-installed", "tampered-staged"):  # with the program's own digests and the signature unit
        assert run_golden(subject, start_of(subject, run), hooked=False).fails == "", run


@pytest.mark.parametrize("file", sorted(SHOWN))
def test_flaw_shows_in_a_golden_run(file: str) -> None:
    run, cold, hooked, verdict = SHOWN[file]
    for build, expected in ((file, verdict), ("arm-copy-plain.elf", None)):
        subject = subject_of("product.toml", BENCH_BOOT / "built" / build)
        golden = run_golden(subject, start_of(subject, run, cold=cold), hooked=hooked)
        assert bool(golden.fails) is (expected is not None)
        if expected is not None:
            assert golden.outcome.verdict is expected


GUARDED = [("controller.toml", "arm-copy-controller.elf"), ("rv32-controller.toml", "rv32-copy-controller.elf")]


@pytest.mark.parametrize(("product", "file"), [*GUARDED, ("controller.toml", "arm-flaw-reads-unguarded.elf")])
def test_a_word_that_faults_fails_one_read_where_reads_are_guarded(product: str, file: str) -> None:
    """The first record of the journal half programmed: loading it is a fault (the parts' `ecc_error`)."""
    subject = subject_of(product, BENCH_BOOT / "built" / file)
    start = start_of(subject, "authentic")
    board = subject.board()
    flash = subject.flash_of(start.run)
    journal = images.JOURNAL // 8
    whole = flash["flash"]
    torn = FlashState(whole.data, whole.units[:journal] + bytes([TORN]) + whole.units[journal + 1 :])
    board.power_up(flash | {"flash": torn})
    end = board.run(subject.bench.limit)
    guarded = "flaw" not in file
    assert (end.kind, end.image) == (("image", True) if guarded else ("resets", False))
    if guarded:
        load = subject.firmware.image.symbol("guarded_load")
        assert load is not None
        assert {pc for pc, _ in board.faults} == {load.address & ~1}


def test_a_fault_of_another_instruction_still_ends_in_a_reset() -> None:
    """The handler passes over its one load alone: a digest's address in a pointer that faults is no failed read."""
    for product, file in GUARDED:
        subject = subject_of(product, BENCH_BOOT / "built" / file)
        board = subject.board()
        board.power_up(subject.flash_of(start_of(subject, "authentic").run))
        check = subject.firmware.image.symbol("check_of")
        assert check is not None
        for _ in range(100_000):
            if board.emulator.pc == check.address & ~1:
                break
            assert board.step(1) is None
        board.emulator.set("r0" if board.is_arm else "a0", 0x6000_0000 if board.is_arm else 0x1000)
        assert board.run(subject.bench.limit).kind == "image", "one reset, and the start behind it goes well"
        assert board._resets == 1
        assert len(board.faults) == 1


def test_long_header_makes_the_staged_payload_run() -> None:
    """The return address is overwritten, and execution goes on in staging, at the payload's own loop."""
    subject = subject_of("product.toml", BENCH_BOOT / "built" / "arm-flaw-length-unchecked.elf")
    assert run_golden(subject, start_of(subject, "length-long")).end.at == 0xE0C0


def length_with_changed_digest(file: str, byte: int) -> int:
    """Instructions of a boot whose installed header has one byte of its digest changed."""
    subject = subject_of("product.toml", BENCH_BOOT / "built" / file)
    start = start_of(subject, "authentic")
    old = subject.flash_of(start.run)["flash"].data[0xC020 + byte]
    changed = replace(start.run, changes=(Change(0xC020 + byte, bytes([old ^ 0xFF])),))
    return len(run_golden(subject, replace(start, run=changed)).pcs)


def test_time_tells_how_much_of_the_digest_was_right() -> None:
    lengths = [length_with_changed_digest("arm-flaw-early-out.elf", byte) for byte in range(0, 32, 5)]
    assert lengths == sorted(set(lengths))
    assert len({length_with_changed_digest("arm-copy-plain.elf", byte) for byte in range(0, 32, 5)}) == 1


UNDEFINED = {2: bytes.fromhex("00de"), 4: bytes.fromhex("f0f700a0")}
"""udf #0 and udf.w #0"""


def with_undefined(file: str, folder: Path) -> list[Golden]:
    """Boots of a tampered device, each with one instruction behind the digests' comparison made undefined."""
    data = (BENCH_BOOT / "built" / file).read_bytes()
    whole = subject_of("product.toml", BENCH_BOOT / "built" / file)
    start = start_of(whole, "tampered-installed")
    check, comparison = (whole.firmware.image.symbol(name) for name in ("image_check", "digests_agree"))
    assert check is not None
    assert comparison is not None
    first = check.address & ~1
    code = whole.firmware.image.read(first, check.size)
    assert data.count(code) == 1
    pcs = run_golden(whole, start).pcs
    called = pcs.index(comparison.address & ~1)
    back = next(n for n in range(called, len(pcs)) if first <= pcs[n] < first + check.size)
    found = []
    for pc in pcs[back : back + 3]:
        instruction = UNDEFINED[whole.firmware.instruction(pc).size]
        at = data.index(code) + pc - first
        path = folder / f"{pc:x}-{file}"
        path.write_bytes(data[:at] + instruction + data[at + len(instruction) :])
        found.append(run_golden(subject_of("product.toml", path), start))
    return found


def test_handler_that_returns_turns_an_exception_into_a_skipped_check(tmp_path: Path) -> None:
    flawed = {golden.outcome.verdict for golden in with_undefined("arm-flaw-handler-returns.elf", tmp_path)}
    sound = {golden.outcome.verdict for golden in with_undefined("arm-copy-plain.elf", tmp_path)}
    assert Verdict.UNAPPROVED in flawed
    assert sound == {Verdict.REFUSED}
