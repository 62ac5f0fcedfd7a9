"""Build every firmware file of the river gauge: the same bytes wherever the checkout lies.

    python build.py [FOLDER]        default: built/ beside this file

Needs the packaged cross compiler (`make firmware`). Nothing of time or place gets into the files.
"""

from __future__ import annotations

import importlib.util
import struct
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import tables

HERE = Path(__file__).resolve().parent

TARGET = ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m3")
FLAGS = (
    *("-nostdlib", "-ffreestanding", "-fno-sanitize=all", "-fno-stack-protector", "-fno-unwind-tables"),
    *("-fno-asynchronous-unwind-tables", "-ffunction-sections", "-fdata-sections", "-Os", "-std=c11", "-Wall"),
    *("-Wextra", "-Werror", f"-ffile-prefix-map={HERE}=."),
)
LINK = ("-Wl,--gc-sections", "-Wl,-z,max-page-size=4", "-Wl,--build-id=none")

COMMON = ("common/start.c", "common/bytes.c")
BOOT = (
    *COMMON,
    "common/crc.c",
    "common/flash.c",
    "common/guard.c",
    "common/record.c",
    "common/sha256.c",
    "boot/main.c",
)
APPLICATION = (
    *(*COMMON, "common/crc.c", "common/divide.c", "common/flash.c", "common/guard.c", "common/record.c"),
    *(f"application/{stem}.c" for stem in ("battery", "calibration", "display", "level", "main", "rating")),
    *(f"application/{stem}.c" for stem in ("ringlog", "schedule", "sensor", "telemetry")),
)
RADIO = (
    *("common/bytes.c", "common/crc.c"),
    *(f"radio/{stem}.c" for stem in ("coding", "duty", "frame", "main", "modem")),
)
RECOVERY = (
    *(
        *COMMON,
        "common/crc.c",
        "common/flash.c",
        "common/guard.c",
        "common/record.c",
        "common/sha256.c",
        "application/display.c",
    ),
    *("recovery/main.c", "recovery/receiver.c"),
)

RAM_ALL = (0x2000_0000, 0xFFC0)  # up to the handover
RAM_RADIO = (0x2001_0000, 0x8000)


@dataclass(frozen=True)
class Product:
    """One image: sources, version, tables, and the address for which each file is linked."""

    name: str
    sources: tuple[str, ...]
    version: tuple[int, int, int]
    size: int
    links: dict[str, int]
    ram: tuple[int, int] = RAM_ALL
    tables: str = ""
    includes: tuple[str, ...] = field(default=("common",))
    debug: bool = False
    entry: str = "reset"


def products() -> list[Product]:
    """Return all images in the order in which they are built."""
    found = [Product("boot", BOOT, (1, 0, 2), 0x8000, {"boot.elf": 0}, debug=True)]
    for version in ((1, 4, 0), (1, 5, 0)):
        text = "{}.{}.{}".format(*version)
        links = {f"application-{text}-first.elf": 0x1_8000, f"application-{text}-second.elf": 0x4_8000}
        made = tables.application_tables(version[1])
        found.append(
            Product("application", APPLICATION, version, 0x2_0000, links, RAM_ALL, made, ("common", "application"))
        )
    for version in ((3, 1, 0), (3, 2, 0)):
        text = "{}.{}.{}".format(*version)
        links = {f"radio-{text}-first.elf": 0x3_8000, f"radio-{text}-second.elf": 0x6_8000}
        made = tables.radio_tables(version[1])
        found.append(
            Product("radio", RADIO, version, 0x1_0000, links, RAM_RADIO, made, ("common", "radio"), entry="radio_begin")
        )
    includes = ("common", "recovery", "application")
    made = tables.recovery_tables()
    found.append(Product("recovery", RECOVERY, (1, 0, 0), 0x4000, {"recovery.elf": 0x1_0000}, RAM_ALL, made, includes))
    return found


def compiler() -> list[str]:
    """Return the command that starts the packaged compiler."""
    return [sys.executable, "-m", "ziglang", "cc"]


def compiler_folder() -> Path:
    """Return where the packaged compiler lies; its headers' paths must not get into debug data."""
    found = importlib.util.find_spec("ziglang")
    if found is None or found.origin is None:
        sys.exit("the packaged compiler is missing; `make firmware` installs it")
    return Path(found.origin).parent


def run(command: list[str]) -> None:
    """Run one compiler command in this folder; its messages go to the terminal."""
    subprocess.run(command, cwd=HERE, check=True)


def defines(product: Product) -> list[str]:
    """Return the version as preprocessor definitions."""
    return [f"-DVERSION_{part}={n}" for part, n in zip(("MAJOR", "MINOR", "PATCH"), product.version, strict=True)]


def build(product: Product, target: Path, work: Path) -> None:
    """Compile one image once and link it to each of its addresses."""
    work.mkdir()
    sources = list(product.sources)
    extra = [f"-ffile-prefix-map={work}=made", f"-ffile-prefix-map={compiler_folder()}=compiler"]
    if product.tables:
        (work / "tables.c").write_text(product.tables)
        sources.append(str(work / "tables.c"))
    debug = ["-g"] if product.debug else ["-g0"]
    objects = []
    for source in sources:
        made = work / (
            Path(source).parent.name + "-" + Path(source).stem + ".o" if work.name not in source else "tables.o"
        )
        include = [f"-I{folder}" for folder in product.includes]
        run([*compiler(), *TARGET, *FLAGS, *extra, *debug, *defines(product), *include, "-c", source, "-o", str(made)])
        objects.append(str(made))
    template = (HERE / "link.ld.in").read_text()
    for name, address in product.links.items():
        numbers = dict(flash_start=address, flash_size=product.size, ram_start=product.ram[0], ram_size=product.ram[1])
        script = template
        for word, number in numbers.items():
            script = script.replace(f"@{word}@", f"0x{number:08x}")
        (work / "link.ld").write_text(script)
        entry = f"-Wl,-e,{product.entry}"
        linked = ["-T", str(work / "link.ld"), *objects, "-o", str(target / name)]
        run([*compiler(), *TARGET, *FLAGS, *LINK, "-g", entry, *linked])
        (target / name).chmod(0o644)


def crc16(data: bytes) -> int:
    """Return the CRC-16 that common/crc.c computes: polynomial 0x1021, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ (0x1021 if crc & 0x8000 else 0)) & 0xFFFF
    return crc


def calibration() -> bytes:
    """Return the 2 KiB calibration area of one gauge: the layout of application/calibration.h, invented numbers."""
    head = struct.pack("<IHHiIIIii", 0x314C4143, 1, 240, -12, 65_601, 2, 47, 2450, 3550)
    points = []
    for index in range(240):
        raw = -200 + 43 * index
        points.append(struct.pack("<ii", raw, raw + (index * index) // 1900 - index // 24))
    body = head + b"".join(points) + b"RL2-000417".ljust(16, b"\0") + b"\xff" * 76 + b"\0\0"
    return body + struct.pack("<H", crc16(body))


def hex_file(address: int, data: bytes) -> str:
    """Return Intel HEX text, 16 bytes a line, for an address under 64 KiB."""
    lines = []
    for at in range(0, len(data), 16):
        chunk = data[at : at + 16]
        raw = bytes([len(chunk)]) + (address + at).to_bytes(2, "big") + b"\0" + chunk
        lines.append(f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}")
    return "\n".join([*lines, ":00000001FF", ""])


def main(target: Path) -> None:
    """Build everything into `target`."""
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for number, product in enumerate(products()):
            build(product, target.resolve(), Path(folder).resolve() / f"{number}-{product.name}")
    (target / "calibration.hex").write_text(hex_file(0xF000, calibration()))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "built")
