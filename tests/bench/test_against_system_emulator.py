"""Golden traces of the bench against another program: a system emulator runs the same file, instruction by instruction.

The system emulator is Debian's qemu-system package, run as a program of its own; skipped without it. Its Armv7-M board
has RAM at 0 and 0x2000_0000 and its RV32 board RAM at 0x8000_0000, which the demo's parts were laid out to match. Flash
functions then run as plain stores. The bench's own emulator library grew out of the same translator, so the two share
ancestry in decoding: agreement speaks for loading, start, exceptions, hooks and tracing more than for decoding.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from array import array
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.bench.golden import Golden, run_golden
from rootwright.bench.subject import Subject
from rootwright.describe.bench import Deed
from rootwright.describe.loading import load_product
from rootwright.image import read_image

pytest.importorskip("unicorn")
pytestmark = pytest.mark.slow

BENCH_BOOT = Path(__file__).resolve().parents[2] / "demo" / "bench-boot"
FLASH = 0x1_0000
LINE = re.compile(rb"(Trace|Stopped execution of TB chain before) ?\d*:? ?0x[0-9a-f]+ \[[0-9a-f]+/([0-9a-f]+)/")
MACHINES = {
    "arm": ("qemu-system-arm", ("-M", "mps2-an385"), 0),
    "rv32": ("qemu-system-riscv32", ("-M", "virt", "-bios", "none"), 0x8000_0000),
}
GOOD = {"arm": bytes.fromhex("00207047"), "rv32": bytes.fromhex("01458280")}
"""A function that returns 0: movs r0, #0 and bx lr; c.li a0, 0 and c.jr ra."""


class System:
    """A system emulator that runs flash from reset and tells the address of every instruction."""

    def __init__(self, part: str, flash: bytes, folder: Path) -> None:
        program, machine, self.base = MACHINES[part]
        found = shutil.which(program)
        if found is None:
            pytest.skip(f"no {program} on this machine")
        (folder / "flash.bin").write_bytes(flash)
        self.dump = folder / "after.bin"
        text = subprocess.run([found, "--version"], capture_output=True, text=True, check=True).stdout
        major = int(re.search(r"version (\d+)", text)[1])  # type: ignore[index]
        single = ("-singlestep",) if major < 8 else ("-accel", "tcg,one-insn-per-tb=on")
        command = [found, *machine, *single, "-display", "none", "-serial", "none", "-monitor", "stdio"]
        command += ["-d", "exec,nochain", "-D", "/dev/stderr"]
        command += ["-device", f"loader,file={folder / 'flash.bin'},addr={self.base:#x},force-raw=on"]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )

    def instructions(self) -> Iterator[int]:
        """Yield the address of each instruction as it runs."""
        assert self.process.stderr is not None
        held = -1
        for line in self.process.stderr:
            found = LINE.match(line)
            if found is None:
                continue
            if found[1] != b"Trace":
                held = -1  # announced, but an interrupt request came first; it is announced again
                continue
            if held >= 0:
                yield held
            held = int(found[2], 16)

    def finish(self) -> bytes:
        """Stop it and return its flash."""
        try:
            self.process.communicate(
                f'stop\npmemsave {self.base:#x} {FLASH} "{self.dump}"\nquit\n'.encode(), timeout=60
            )
        finally:
            self.process.kill()
            self.process.wait()
        return self.dump.read_bytes()


def conditional(subject: Subject, golden: Golden) -> set[int]:
    """Return the addresses of instructions under an IT instruction that ran."""
    found = set()
    for pc in set(golden.pcs):
        it = subject.firmware.instruction(pc)
        at = pc + it.size
        for _ in range(it.covers):
            found.add(at)
            at += subject.firmware.instruction(at).size
    return found


def compared(golden: Golden, hooks: set[int], under_it: set[int], system: System, limit: int) -> int:
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
        while pc != ours and pc in under_it:
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
        count = compared(golden, hooks, conditional(subject, golden), system, 2_000_000)
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
