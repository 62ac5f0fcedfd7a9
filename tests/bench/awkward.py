"""Three awkward parts with a boot program on each: built here, its images signed here, one folder for each product."""

from __future__ import annotations

import importlib.util
import struct
import subprocess
import sys
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import Prehashed, decode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256

from rootwright.bench.subject import Subject
from rootwright.describe.loading import load_product
from rootwright.image import read_image

ROOT = Path(__file__).resolve().parents[2]
PARTS = ROOT / "tests" / "fixtures" / "parts"
MAGIC, REQUEST = 0x414C4457, 0x52455155
KEY = ec.derive_private_key(0x416C6465727761746572, ec.SECP256R1())  # of no use but here

FLAGS = (
    *("-nostdlib", "-ffreestanding", "-g", "-fno-sanitize=all", "-fno-stack-protector", "-ffunction-sections", "-Os"),
    *("-std=c11", "-Wall", "-Wextra", "-Werror", "-Wl,--gc-sections", "-Wl,-z,max-page-size=4", "-Wl,--build-id=none"),
)
ARM = ("-target", "thumb-freestanding-eabi")


@dataclass(frozen=True)
class Awkward:
    """A part's build and places: target, flash and RAM of the boot program, run slot, staging, request record."""

    number: int
    target: tuple[str, ...]
    flash: int
    ram: int
    run: int
    stage: int
    request: int
    procedure: str
    controllers: str


BANKS = Awkward(
    1, (*ARM, "-mcpu=cortex_m33"), 0x0C00_0000, 0x2000_0000, 0x0C00_C000, 0x0C02_C000, 0x0C00_8000, "bank-flip",
    """
[[bench.controller]]
name = "flash"
memory = "flash"
base = 0x5200_1000
size = 0x40
unlock = [{ at = 0x00, value = 0x2468_ACE0 }, { at = 0x00, value = 0x1357_9BDF }]
unlock_lasts = "command"
erase = { at = 0x04, value = 1 }
program = { at = 0x04, value = 2 }
address = 0x08
data = 0x20
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }
undecodable = { at = 0x0C, mask = 4, value = 4 }
undecodable_at = 0x10

[[bench.controller]]
name = "settings"
memory = "words"
base = 0x5200_0000
size = 0x30
erase = { at = 0x10, value = 1 }
program = { at = 0x10, value = 2 }
address = 0x14
data = 0x18
busy = { at = 0x1C, mask = 1, value = 1 }
error = { at = 0x1C, mask = 2, value = 2 }

[[bench.rule]]
name = "load the settings"
at = 0x5200_0040
write = "load settings"
word = 0x4C4F_4144
""",
)  # fmt: skip
EXTERNAL = Awkward(
    2, (*ARM, "-mcpu=cortex_m3"), 0x0040_0000, 0x2000_0000, 0x6002_0000, 0x6010_0000, 0x0040_8000, "copy-over",
    """
[[bench.controller]]
name = "flash"
memory = "flash"
base = 0x4001_0000
erase = { at = 0x04, value = 1 }
program = { at = 0x04, value = 2 }
address = 0x08
data = 0x10
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }
undecodable = { at = 0x0C, mask = 4, value = 4 }

[[bench.controller]]
name = "external"
memory = "external"
base = 0x4002_0000
size = 0x200
erase = { at = 0x04, value = 0x20 }
larger = [{ at = 0x04, value = 0x52, size = "32 KiB" }, { at = 0x04, value = 0xD8, size = "64 KiB" }]
program = { at = 0x04, value = 2 }
address = 0x08
data = 0x100
line = 256
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }

[[bench.controller]]
name = "once"
memory = "once"
base = 0x4003_0000
erase = { at = 0x04, value = 0xFF }
program = { at = 0x04, value = 1 }
lock = { at = 0x04, value = 2 }
address = 0x08
data = 0x10
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }

[[bench.rule]]
name = "empty the cache"
at = 0x4004_0000
write = "invalidate"
""",
)  # fmt: skip
REWRITTEN = Awkward(
    3, ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"), 0x2000_0000, 0x8000_0000,
    0x2001_0000, 0x2002_0000, 0x2000_8000, "copy-over",
    """
[[bench.controller]]
name = "cells"
memory = "cells"
base = 0x4100_1000
erase = { at = 0x04, value = 0xFF }
program = { at = 0x04, value = 1 }
address = 0x08
data = 0x10
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }

[[bench.controller]]
name = "settings"
memory = "words"
base = 0x4100_0000
erase = { at = 0x04, value = 2 }
program = { at = 0x04, value = 1 }
address = 0x08
data = 0x10
busy = { at = 0x0C, mask = 1, value = 1 }
error = { at = 0x0C, mask = 2, value = 2 }
""",
)  # fmt: skip
AWKWARD = {"awkward-banks": BANKS, "awkward-external": EXTERNAL, "awkward-rewritten": REWRITTEN}

PRODUCT = """
[product]
name = "Sluice board"
model = "SB-{part.number}"
maker = "Alderwater"
revision = "A"
vendor_domain = "alderwater.example"
class_name = "SB-{part.number} rev A"
chip = "{name}.toml"
[update]
procedure = "{part.procedure}"
sequence = 2
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
name = "cable"
rate = "10 kB/s"
[fleet]
devices = 1
life = "1 years"
updates_per_year = 1
[[key]]
name = "release"
algorithm = "ESP256"
file = "key.pem"
demo = true
[bench]
limit = 400_000
[[bench.hook]]
does = "digest"
symbol = "digest_memory"
source = 0
length = 1
into = 2
returns = 0
fails = 1
[[bench.hook]]
does = "verify"
symbol = "verify"
algorithm = "ESP256"
source = 0
signature = 1
key = 2
returns = 0
fails = 1
{part.controllers}
[[bench.approved]]
name = "version-1"
file = "version-1.bin"
base = {part.run:#x}
sequence = 1
[[bench.approved]]
name = "version-2"
file = "version-2.bin"
base = {part.run:#x}
sequence = 2
[[bench.run]]
name = "authentic"
kind = "authentic"
flash = [{files}]
boots = "version-1"
[[bench.run]]
name = "install"
kind = "install"
flash = [{files}, "staged-version-2@{part.stage:#x}.bin", "request@{part.request:#x}.bin"]
boots = "version-2"
cold = false
[[bench.run]]
name = "tampered-installed"
kind = "tampered"
flash = [{files}]
change = [{{ at = {changed_installed:#x}, data = "a5" }}]
[[bench.run]]
name = "tampered-staged"
kind = "tampered"
flash = [{files}, "staged-version-2@{part.stage:#x}.bin", "request@{part.request:#x}.bin"]
change = [{{ at = {changed_staged:#x}, data = "a5" }}]
expect = "runs"
boots = "version-1"
cold = false
"""


def image(sequence: int, number: int, size: int = 0x3C0) -> bytes:
    """Return a signed image: header, code that loops, fill, signature over the digest of all before it."""
    loop = b"\x01\xa0" if number == 3 else b"\xfe\xe7"
    body = struct.pack("<IIII", MAGIC, size, sequence, 0).ljust(0x40, b"\0")
    body += loop * 8
    body += bytes((7 * i + sequence) & 0xFF for i in range(size - len(body)))
    # Any valid signature does; its bytes may differ from build to build.
    r, s = decode_dss_signature(KEY.sign(sha256(body).digest(), ec.ECDSA(Prehashed(SHA256()))))
    return body + r.to_bytes(32) + s.to_bytes(32)


def make(name: str, folder: Path, *defines: str) -> Subject:
    """Return the subject of a part's boot program, built into `folder`; skips without the packaged compiler."""
    if importlib.util.find_spec("ziglang") is None:
        pytest.skip("the packaged cross compiler is not installed; `make firmware` installs it")
    part = AWKWARD[name]
    sources = PARTS / "boot"
    script = (sources / "link.ld").read_text().replace("@flash@", hex(part.flash)).replace("@ram@", hex(part.ram))
    (folder / "link.ld").write_text(script)
    numbers = KEY.public_key().public_numbers()
    point = numbers.x.to_bytes(32) + numbers.y.to_bytes(32)
    key = ", ".join(str(byte) for byte in point)
    (folder / "key.c").write_text(f"const unsigned char signing_key[64] = {{ {key} }};\n")
    command = [sys.executable, "-m", "ziglang", "cc", *part.target, *FLAGS, f"-DPART={part.number}"]
    command += [*(f"-D{word}" for word in defines), f"-ffile-prefix-map={sources}=."]
    command += ["-Wl,-e,reset", "-T", str(folder / "link.ld"), str(sources / "boot.c"), "key.c", "-o", "boot.elf"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for sequence in (1, 2):
        data = image(sequence, part.number)
        (folder / f"version-{sequence}.bin").write_bytes(data)
        (folder / f"staged-version-{sequence}@{part.stage:#x}.bin").write_bytes(data)
    request = struct.pack("<II", REQUEST, REQUEST ^ 0xFFFF_FFFF).ljust(16, b"\xff")
    (folder / f"request@{part.request:#x}.bin").write_bytes(request)
    files = ["version-1.bin"]
    if part is BANKS:
        boot = read_image((folder / "boot.elf").read_bytes(), name="boot")
        (folder / "boot-copy@0xc020000.bin").write_bytes(boot.flatten())
        files.append("boot-copy@0xc020000.bin")
    (folder / f"{name}.toml").write_text((PARTS / f"{name}.toml").read_text())
    text = PRODUCT.format(
        part=part,
        name=name,
        files=", ".join(f'"{file}"' for file in files),
        changed_installed=part.run + 0x80,
        changed_staged=part.stage + 0x80,
    )
    (folder / "product.toml").write_text(text)
    return Subject(load_product(folder / "product.toml"), folder)
