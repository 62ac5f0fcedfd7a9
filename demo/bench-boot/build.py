"""Build every variant of the bench boot stage: the same bytes wherever the checkout lies.

    python build.py [FOLDER]        default: built/ beside this file

Needs the packaged cross compiler (`make firmware`). Nothing of time or place gets into the files.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
DEMO = HERE.parent

PARTS = {
    "arm": (
        ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m3"),
        {"flash_start": 0, "ram_start": 0x2000_0000},
    ),
    "rv32": (
        ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"),
        {"flash_start": 0x8000_0000, "ram_start": 0x8010_0000},
    ),
}
SIZES = {"flash_size": 0x4000, "ram_size": 0x8000}
FLAGS = (
    *("-nostdlib", "-ffreestanding", "-fno-sanitize=all", "-fno-stack-protector", "-fno-unwind-tables"),
    *("-fno-asynchronous-unwind-tables", "-ffunction-sections", "-fdata-sections", "-Os", "-std=c11", "-Wall"),
    *("-Wextra", "-Wno-unused-parameter", "-Werror", "-g", f"-ffile-prefix-map={DEMO}=."),
)
LINK = ("-Wl,--gc-sections", "-Wl,-z,max-page-size=4", "-Wl,--build-id=none", "-Wl,-e,reset")
SHARED = ("bytes.c", "sha256.c")


def variants() -> list[dict[str, Any]]:
    """Return the variants that `variants.toml` lists."""
    found: list[dict[str, Any]] = tomllib.loads((HERE / "variants.toml").read_text())["variant"]
    return found


def sources(variant: dict[str, Any]) -> list[str]:
    """Return the C files of a variant, relative to demo/."""
    flash = {"hooks": ["flash_stores"], "controller": ["flash_controller", f"flash_guard_{variant['part']}"]}
    if "FLAW_READS_UNGUARDED" in variant["defines"]:
        flash["controller"].pop()
    install = {"copy-over": "copy_over", "exchange": "exchange"}[variant["install"]]
    stems = ("boot", "demo_key", *flash[variant["flash"]], "image", install, "log", "move", f"start_{variant['part']}")
    shared = [f"river-gauge/firmware/common/{name}" for name in SHARED]
    return [f"bench-boot/firmware/{stem}.c" for stem in stems] + shared


def flaw_place(variant: dict[str, Any]) -> tuple[str, int]:
    """Return file, from this folder, and line of the remark that says what is wrong."""
    file = variant["at"].split(", ")[0]
    lines = (HERE / file).read_text().splitlines()
    guard = next(n for n, line in enumerate(lines) if variant["defines"][0] in line)
    return file, next(n for n, line in enumerate(lines[guard:], guard + 1) if "flaw: " in line)


def compiler_folder() -> Path:
    """Return where the packaged compiler lies; its headers' paths must not get into debug data."""
    found = importlib.util.find_spec("ziglang")
    if found is None or found.origin is None:
        sys.exit("the packaged compiler is missing; `make firmware` installs it")
    return Path(found.origin).parent


def build(variant: dict[str, Any], target: Path, work: Path) -> None:
    """Compile and link one variant into `target`."""
    work.mkdir()
    options, numbers = PARTS[variant["part"]]
    compiler = [sys.executable, "-m", "ziglang", "cc", *options, *FLAGS]
    extra = [f"-ffile-prefix-map={work}=made", f"-ffile-prefix-map={compiler_folder()}=compiler"]
    defines = [f"-D{name}" for name in variant["defines"]]
    objects = []
    for source in sources(variant):
        made = str(work / (Path(source).stem + ".o"))
        subprocess.run([*compiler, *extra, *defines, "-c", source, "-o", made], cwd=DEMO, check=True)
        objects.append(made)
    script = (HERE / "firmware" / "link.ld.in").read_text()
    for word, number in {**numbers, **SIZES}.items():
        script = script.replace(f"@{word}@", f"0x{number:08x}")
    (work / "link.ld").write_text(script)
    made = target / variant["file"]
    subprocess.run([*compiler, *LINK, "-T", str(work / "link.ld"), *objects, "-o", str(made)], cwd=DEMO, check=True)
    made.chmod(0o644)


def main(target: Path, names: list[str]) -> None:
    """Build all variants, or those named, into `target`."""
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for variant in variants():
            if not names or variant["file"] in names:
                build(variant, target.resolve(), Path(folder).resolve() / Path(variant["file"]).stem)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "built", sys.argv[2:])
