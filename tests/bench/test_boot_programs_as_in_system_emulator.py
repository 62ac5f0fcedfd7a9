"""Whole boots of the demo's boot programs in the bench and in a system emulator: same instructions, same flash.

Flash functions run as plain stores in the system emulator. What the two have in common: see system_emulator.py.
"""

from __future__ import annotations

from array import array
from dataclasses import replace
from pathlib import Path

import pytest
from system_emulator import FLASH, MACHINES, System, under_it

from rootwright.bench.golden import Golden, run_golden
from rootwright.bench.subject import Subject
from rootwright.describe.bench import Deed
from rootwright.describe.loading import load_product
from rootwright.image import read_image

pytest.importorskip("unicorn")
pytestmark = pytest.mark.slow

BENCH_BOOT = Path(__file__).resolve().parents[2] / "demo" / "bench-boot"
GOOD = {"arm": bytes.fromhex("00207047"), "rv32": bytes.fromhex("01458280")}
"""A function that returns 0: movs r0, #0 and bx lr; c.li a0, 0 and c.jr ra."""


def compared(golden: Golden, hooks: set[int], conditional: set[int], system: System, limit: int) -> int:
    """Require both to run the same instructions up to the image; return how many.

    A hooked function's body is passed over. An instruction under IT whose condition fails is announced by the system
    emulator and not by the bench.
    """
    theirs = system.instructions()
    pcs: array[int] = golden.pcs
    pc = next(theirs)
    for _ in range(100):  # the board's own first instructions, before flash
        if pc == pcs[0]:
            break
        pc = next(theirs)
    for index, ours in enumerate(pcs):
        while pc != ours and pc in conditional:
            pc = next(theirs)
        assert pc == ours, f"instruction {index}: bench at {ours:#x}, system emulator at {pc:#x}"
        wanted = pcs[index + 1] if index + 1 < len(pcs) else golden.end.at
        pc = next(theirs)
        passed = 0
        while ours in hooks and pc != wanted:
            pc, passed = next(theirs), passed + 1
            assert passed < limit, f"the function at {ours:#x} did not return to {wanted:#x}"
    assert pc == golden.end.at
    return len(pcs)


def both(subject: Subject, golden: Golden, part: str, folder: Path) -> None:
    """Run a golden run's flash on the system emulator and require the same instructions and the same flash after it.

    Where the bench verifies for real, the file for the system emulator has a verification that always succeeds.
    """
    flash = bytearray(golden.before["flash"].data[:FLASH])
    verify = subject.firmware.image.symbol("verify_signature")
    assert verify is not None
    at = (verify.address & ~1) - MACHINES[part][2]
    flash[at : at + 4] = GOOD[part]
    hooks = {subject.firmware.find_hook(hook) for hook in subject.bench.hooks}
    system = System(part, bytes(flash), folder)
    try:
        count = compared(golden, hooks, under_it(subject, golden), system, 2_000_000)
    finally:
        after = system.finish()
    assert count > 4000
    want = bytearray(golden.after[0].data[:FLASH])
    want[at : at + 4] = GOOD[part]
    assert after == bytes(want)


def golden_of(product: str, file: Path, run: str, *, software_digest: bool = False) -> tuple[Subject, Golden]:
    subject = Subject(load_product(BENCH_BOOT / product), BENCH_BOOT, boot=file)
    if software_digest:
        kept = tuple(hook for hook in subject.bench.hooks if hook.deed is not Deed.DIGEST)
        subject.bench = replace(subject.bench, hooks=kept)
    start = next(s for s in subject.starts() if s.run.name == run and not s.cold)
    golden = run_golden(subject, start)
    assert not golden.fails
    return subject, golden


CASES = [
    ("product.toml", "arm", "arm-copy-plain.elf"),
    ("exchange.toml", "arm", "arm-exchange-plain.elf"),
    ("rv32.toml", "rv32", "rv32-copy-plain.elf"),
]


@pytest.mark.parametrize("run", ["authentic", "install", "tampered-installed", "tampered-staged", "older-staged"])
@pytest.mark.parametrize(("product", "part", "file"), CASES)
def test_same_instructions_and_same_flash(product: str, part: str, file: str, run: str, tmp_path: Path) -> None:
    both(*golden_of(product, BENCH_BOOT / "built" / file, run), part, tmp_path)


@pytest.mark.parametrize(("product", "part", "file"), [CASES[0], CASES[2]])
def test_software_digest_too(product: str, part: str, file: str, tmp_path: Path) -> None:
    subject, golden = golden_of(product, BENCH_BOOT / "built" / file, "authentic", software_digest=True)
    assert len(golden.pcs) > 300_000
    both(subject, golden, part, tmp_path)


def test_exception_and_return(tmp_path: Path) -> None:
    """An undefined instruction in main: entry, a handler that steps over it, and the way back (Armv7-M, B1.5)."""
    data = bytearray((BENCH_BOOT / "built" / "arm-flaw-handler-returns.elf").read_bytes())
    image = read_image(bytes(data), name="boot")
    main = image.symbol("main")
    assert main is not None
    code = image.read(main.address & ~1, main.size)
    at = code.index(bytes.fromhex("0020"))  # movs r0, #0
    assert at % 2 == 0
    assert data.count(code) == 1
    place = data.index(code) + at
    data[place : place + 2] = bytes.fromhex("00de")  # udf #0
    (tmp_path / "boot.elf").write_bytes(data)
    subject, golden = golden_of("product.toml", tmp_path / "boot.elf", "authentic")
    step_over = subject.firmware.image.symbol("step_over")
    assert step_over is not None
    assert step_over.address & ~1 in golden.pcs
    both(subject, golden, "arm", tmp_path)


@pytest.mark.parametrize("change", ["left out", "twice", "another"])
def test_comparison_notices_one_wrong_instruction(change: str, tmp_path: Path) -> None:
    subject, golden = golden_of("product.toml", BENCH_BOOT / "built" / "arm-copy-plain.elf", "authentic")
    index = golden.pcs.index(subject.firmware.image.symbol("image_check").address & ~1) + 1  # type: ignore[union-attr]
    if change == "left out":
        golden.pcs.pop(index)
    elif change == "twice":
        golden.pcs.insert(index, golden.pcs[index])
    else:
        golden.pcs[index] ^= 2
    with pytest.raises(AssertionError, match=f"instruction {index + (change == 'twice')}: "):
        both(subject, golden, "arm", tmp_path)
