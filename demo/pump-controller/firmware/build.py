"""Build the pump controller's two images and the part's flash algorithm: the same bytes wherever the checkout lies.

    python build.py [FOLDER]        default: where the built files are kept

Needs the packaged cross compiler (`make firmware`).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent

TARGET = ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus")
FLAGS = (
    *("-nostdlib", "-ffreestanding", "-fno-sanitize=all", "-fno-stack-protector", "-fno-unwind-tables"),
    *("-fno-asynchronous-unwind-tables", "-ffunction-sections", "-fdata-sections", "-Os", "-std=c11", "-Wall"),
    *("-Wextra", "-Werror", f"-ffile-prefix-map={HERE.parent}=."),
)
LINK = ("-Wl,--gc-sections", "-Wl,-z,max-page-size=4", "-Wl,--build-id=none")

# File: sources, where it is linked, its room, definitions. The application stands behind a header of 256 bytes.
IMAGES = {
    "boot.elf": (("start.c", "boot.c"), 0x0040_0000, 0x4000, ()),
    "application-1.1.0.elf": (("start.c", "application.c"), 0x0040_4100, 0x1_7F00, ('-DVERSION="1.1.0"',)),
    "application-1.2.0.elf": (("start.c", "application.c"), 0x0040_4100, 0x1_7F00, ('-DVERSION="1.2.0"',)),
}


def compile_and_link(arguments: list[str]) -> None:
    """Run the packaged compiler in this folder; its messages go to the terminal."""
    subprocess.run([sys.executable, "-m", "ziglang", "cc", *TARGET, *FLAGS, *arguments], cwd=HERE, check=True)


def main(built: Path, part: Path) -> None:
    """Build the images into one folder and the flash algorithm into another."""
    built.mkdir(parents=True, exist_ok=True)
    part.mkdir(parents=True, exist_ok=True)
    template = (HERE / "link.ld.in").read_text()
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "link.ld"
        for name, (sources, start, size, defines) in IMAGES.items():
            script.write_text(template.replace("@start@", f"0x{start:08x}").replace("@size@", f"0x{size:x}"))
            objects = []
            for source in sources:
                made = str(Path(folder) / f"{name}-{Path(source).stem}.o")
                compile_and_link(["-g0", *defines, "-c", source, "-o", made])
                objects.append(made)
            compile_and_link([*LINK, "-g", "-Wl,-e,reset", "-T", str(script), *objects, "-o", str(built / name)])
            (built / name).chmod(0o644)
        made = str(Path(folder) / "algorithm.o")
        compile_and_link(["-g0", "-c", "../part/qd-256.c", "-o", made])
        target = part / "qd-256.flm"
        compile_and_link(
            [
                "-g",
                "-Wl,--no-gc-sections",
                "-Wl,-z,max-page-size=4",
                "-Wl,--build-id=none",
                "-Wl,-e,Init",
                made,
                "-o",
                str(target),
            ]
        )
        target.chmod(0o644)


if __name__ == "__main__":
    chosen = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    main(chosen or HERE / "built", chosen or HERE.parent / "part")
