"""Subjects for the bench: the demo's products, and small programs that the packaged compiler builds here."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.bench.subject import Subject
from rootwright.describe.loading import load_product

pytest.importorskip("unicorn", reason="the extra `bench` is not installed")

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo" / "bench-boot"

TARGETS = {
    "arm": ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m3"),
    "newer": ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m33"),
    "small": ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0"),
    "rv32": ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"),
}
FLAGS = (
    *("-nostdlib", "-ffreestanding", "-g", "-fno-sanitize=all", "-fno-stack-protector", "-ffunction-sections", "-Os"),
    *("-std=c11", "-Wl,--gc-sections", "-Wl,-z,max-page-size=4", "-Wl,--build-id=none"),
)
SCRIPTS = {
    "arm": "MEMORY { FLASH (rx) : ORIGIN = 0, LENGTH = 32K RAM (rw) : ORIGIN = 0x20000000, LENGTH = 64K }",
    "newer": "MEMORY { FLASH (rx) : ORIGIN = 0x10000000, LENGTH = 32K RAM (rw) : ORIGIN = 0x38200000, LENGTH = 64K }",
    "rv32": "MEMORY { FLASH (rx) : ORIGIN = 0x80000000, LENGTH = 16K RAM (rw) : ORIGIN = 0x80100000, LENGTH = 32K }",
}
SECTIONS = """
SECTIONS {
  .vectors : { KEEP(*(.vectors)) } > FLASH
  .text : { *(.start) *(.text .text.*) *(.rodata .rodata.*) } > FLASH
  .fast : ALIGN(4) { fast_start = .; *(.fast .fast.*) . = ALIGN(4); fast_end = .; } > RAM AT > FLASH
  fast_load = LOADADDR(.fast);
  .data : ALIGN(4) { *(.data .data.* .bss .bss.* COMMON) } > RAM
  /DISCARD/ : { *(.ARM.exidx .ARM.exidx.* .comment) }
}
"""

HEAD = """
[product]
name = "Trial"
model = "RL-2"
maker = "Alderwater"
revision = "C"
vendor_domain = "alderwater.example"
class_name = "RL-2"
chip = "part.toml"
[update]
procedure = "copy-over"
sequence = 1
[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
file = "boot.elf"
[[image]]
name = "application"
role = "application"
version = "1.0.0"
size = "8 KiB"
[link]
name = "radio"
rate = "180 B/s"
[fleet]
devices = 1
life = "1 years"
updates_per_year = 1
[[key]]
name = "release"
algorithm = "ESP256"
file = "key.pem"
demo = true
"""


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo that tests may change."""
    top = tmp_path_factory.mktemp("demo")
    for name in ("bench-boot", "river-gauge"):
        shutil.copytree(ROOT / "demo" / name, top / name, ignore=shutil.ignore_patterns("keys", "out", "__pycache__"))
    return top / "bench-boot"


@pytest.fixture(scope="session")
def subject_of(demo_folder: Path) -> Callable[..., Subject]:
    """Return the subject of one of the demo's products, with another build of its boot program if named."""

    def make(product: str = "product", boot: str = "") -> Subject:
        path = demo_folder / f"{product}.toml"
        return Subject(load_product(path), demo_folder, boot=demo_folder / "built" / boot if boot else None)

    return make


@pytest.fixture
def build(tmp_path: Path) -> Callable[..., Subject]:
    """Return the subject of a C program, built here; skips without the packaged compiler."""
    if importlib.util.find_spec("ziglang") is None:
        pytest.skip("the packaged cross compiler is not installed; `make firmware` installs it")

    def make(source: str, bench: str = "", part: str = "arm", run: str = "") -> Subject:
        # The Armv8-M board of the system emulator has its secure memories elsewhere.
        source = source.replace("0x2000", "0x3820") if part == "newer" else source
        (tmp_path / "boot.c").write_text(source)
        (tmp_path / "link.ld").write_text(SCRIPTS[part if part in SCRIPTS else "arm"] + SECTIONS)
        command = [sys.executable, "-m", "ziglang", "cc", *TARGETS[part], *FLAGS, f"-ffile-prefix-map={tmp_path}=."]
        command += ["-Wl,-e,reset", "-T", "link.ld", "boot.c", "-o", "boot.elf"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        chip = ROOT / "demo" / ("bench-boot/gx-512v.toml" if part == "rv32" else "river-gauge/gx-512.toml")
        text = chip.read_text()
        if part == "newer":
            text = text.replace('"Armv7-M"', '"Armv8-M"').replace("= 0x0000_0000", "= 0x1000_0000")
            text = text.replace("base = 0x2000_0000", "base = 0x3820_0000")
        (tmp_path / "part.toml").write_text(text)
        runs = run or '[[bench.run]]\nname = "plain"\nkind = "authentic"\nflash = []\nexpect = "refuses"\n'
        (tmp_path / "product.toml").write_text(f"{HEAD}\n[bench]\nlimit = 100000\n{bench}\n{runs}")
        return Subject(load_product(tmp_path / "product.toml"), tmp_path)

    return make
