"""A system emulator that runs the same flash from reset, and says which instructions it runs.

Debian's qemu-system packages, run as a program of its own; skipped without it. Its Armv7-M board has RAM at 0 and
0x2000_0000 and its RV32 board RAM at 0x8000_0000, which the demo's parts were laid out to match. The bench's own
emulator library grew out of the same translator, so the two share ancestry in decoding: agreement speaks for what is
ours, which is loading, start, exceptions, traps, hooks, memories and tracing, more than for decoding.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from rootwright.bench.golden import Golden
from rootwright.bench.subject import Subject

FLASH = 0x1_0000
LINE = re.compile(rb"(Trace|Stopped execution of TB chain before) ?\d*:? ?0x[0-9a-f]+ \[[0-9a-f]+/([0-9a-f]+)/")
MACHINES = {
    "arm": ("qemu-system-arm", ("-M", "mps2-an385"), 0),
    "newer": ("qemu-system-arm", ("-M", "mps2-an505"), 0x1000_0000),
    "small": ("qemu-system-arm", ("-M", "microbit"), 0),
    "rv32": ("qemu-system-riscv32", ("-M", "virt", "-bios", "none"), 0x8000_0000),
}


class System:
    """A system emulator that runs flash from reset and tells the address of every instruction."""

    def __init__(self, part: str, flash: bytes, folder: Path) -> None:
        program, machine, self.base = MACHINES[part]
        found = shutil.which(program)
        if found is None:
            pytest.skip(f"no {program} on this machine: golden runs are not compared with a second emulator")
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
            self.stop()
        return self.dump.read_bytes()

    def stop(self) -> None:
        """Stop it."""
        self.process.kill()
        self.process.communicate()


def under_it(subject: Subject, golden: Golden) -> set[int]:
    """Return the addresses of instructions under an IT instruction that ran.

    Where its condition fails, the system emulator announces such an instruction and the bench does not.
    """
    found = set()
    for pc in set(golden.pcs):
        it = subject.firmware.instruction(pc)
        at = pc + it.size
        for _ in range(it.covers):
            found.add(at)
            at += subject.firmware.instruction(at).size
    return found
