"""Runs a probe program under a system emulator that implements the protection unit, and returns what each access did.

The emulator is QEMU, packaged by Debian as qemu-system-arm and qemu-system-misc; the compiler is the packaged one of
`make firmware`. Tests that need either skip and say so where it is missing.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from rootwright.plan.lockdown.result import SettingValue
from rootwright.plan.outputs.table import csr_functions, table_header, table_source

HERE = Path(__file__).resolve().parent / "probes"


@dataclass(frozen=True)
class Machine:
    """One emulated machine: its program, its build flags, where the probe's own code and RAM lie."""

    name: str
    emulator: str
    arguments: tuple[str, ...]
    source: str
    script: str
    flags: tuple[str, ...]
    code: int
    ram: int


_THUMB = ("-target", "thumb-freestanding-eabi", "-mthumb")
ARMV7M = Machine(
    "Armv7-M",
    "qemu-system-arm",
    ("-M", "mps2-an385"),
    "armv7m.c",
    "armv7m.ld",
    (*_THUMB, "-mcpu=cortex_m3"),
    0x0000_0000,
    0x2000_0000,
)
ARMV8M = Machine(
    "Armv8-M",
    "qemu-system-arm",
    ("-M", "mps2-an505"),
    "armv7m.c",
    "armv7m.ld",
    (*_THUMB, "-mcpu=cortex_m33"),
    0x1000_0000,
    0x3820_0000,
)
ARMV8M_SIDES = Machine(
    "Armv8-M, two sides",
    "qemu-system-arm",
    ("-M", "mps2-an505"),
    "armv8m_sides.c",
    "armv7m.ld",
    (*_THUMB, "-mcpu=cortex_m33"),
    0x1000_0000,
    0x3820_0000,
)
RV32 = Machine(
    "RV32",
    "qemu-system-riscv32",
    ("-M", "virt", "-bios", "none"),
    "rv32.c",
    "rv32.ld",
    ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"),
    0x8000_0000,
    0x8001_0000,
)
RV32_ENHANCED = Machine(
    "RV32 with Smepmp",
    "qemu-system-riscv32",
    ("-M", "virt", "-bios", "none", "-cpu", "rv32,x-epmp=true"),
    "rv32.c",
    "rv32.ld",
    ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"),
    0x8000_0000,
    0x8001_0000,
)


@dataclass(frozen=True)
class Probe:
    """One access: "r", "w" or "x" at an address (a multiple of 4), and whether it must pass."""

    address: int
    kind: str
    unprivileged: bool
    passes: bool


def require(machine: Machine) -> None:
    """Skip the test where emulator or compiler is missing."""
    if shutil.which(machine.emulator) is None:
        pytest.skip(f"{machine.emulator} is not installed: Debian has it in qemu-system-arm and qemu-system-misc")
    if importlib.util.find_spec("ziglang") is None:
        pytest.skip("the packaged cross compiler is not installed: make firmware")


def run(machine: Machine, settings: Sequence[SettingValue], probes: Sequence[Probe], folder: Path) -> list[bool]:
    """Return for each probe whether it passed, on a machine that wrote these settings from the exported C."""
    letters = run_letters(machine, settings, probes, folder)
    assert "?" not in letters, f"{machine.name}: a read gave a wrong value: {letters}"
    return [letter == "p" for letter in letters]


def run_letters(
    machine: Machine,
    settings: Sequence[SettingValue],
    probes: Sequence[Probe],
    folder: Path,
    *,
    defines: Sequence[str] = (),
) -> str:
    """Return a letter for each probe: p passed, f faulted, ? a read that gave another value than was there."""
    require(machine)
    lists = [("lockdown_start", settings)]
    (folder / "lockdown_table.h").write_text(table_header(["lockdown_start"], csr=csr_functions(lists)))
    (folder / "lockdown_table.c").write_text(table_source(lists))
    rows = "".join(f"    {{0x{p.address:08X}u, '{p.kind}', {int(p.unprivileged)}, {int(p.passes)}}},\n" for p in probes)
    (folder / "probe_table.h").write_text(
        f"#define PROBES {len(probes)}u\n"
        "static const struct { uint32_t address; char kind; uint32_t unprivileged, passes; } probes[] = {\n"
        + rows
        + "};\n"
    )
    script = (HERE / machine.script).read_text()
    script = script.replace("@code@", hex(machine.code)).replace("@ram@", hex(machine.ram))
    (folder / "probe.ld").write_text(script)
    program = folder / "probe.elf"
    build = [sys.executable, "-m", "ziglang", "cc", *machine.flags, "-nostdlib", "-ffreestanding", "-Os", "-std=c11"]
    build += ["-fno-sanitize=all", "-fno-stack-protector", "-Wall", "-Wextra", "-Werror", "-I", str(folder)]
    build += [f"-D{name}" for name in defines]
    build += ["-Wl,-e,start", "-Wl,--build-id=none", "-T", str(folder / "probe.ld"), str(HERE / machine.source)]
    build += [str(folder / "lockdown_table.c"), "-o", str(program)]
    done = subprocess.run(build, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    command = [machine.emulator, *machine.arguments, "-nographic", "-monitor", "none", "-serial", "stdio"]
    command += ["-semihosting-config", "enable=on,target=native", "-kernel", str(program)]
    try:
        ran = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=60, check=False)
    except subprocess.TimeoutExpired as error:
        raise AssertionError(f"{machine.name}: the probe did not end: {error.stdout!r} {error.stderr!r}") from error
    letters = "".join(c for c in ran.stdout + ran.stderr if c in "pf?")
    assert len(letters) == len(probes), f"{machine.name}: {ran.stdout!r} {ran.stderr!r}"
    return letters
