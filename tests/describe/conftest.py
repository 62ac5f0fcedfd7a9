"""A sound part and product to make mistakes in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.problems import DescriptionProblems, Problem

PART = """\
[chip]
name = "T-1"
title = "a part for tests"
architecture = "Armv7-M"
clock = "64 MHz"
reset_address = 0x0
interrupts = 32
[[memory]]
name = "flash"
kind = "flash"
base = 0x0
sectors = [{ count = 64, size = "4 KiB" }]
banks = 2
program_unit = "8 B"
erase = [{ size = "4 KiB", typ = "20 ms", max = "40 ms" }]
program = { typ = "80 us", max = "120 us" }
endurance = 10_000
[[memory]]
name = "ram"
kind = "ram"
base = 0x2000_0000
sectors = [{ count = 1, size = "32 KiB" }]
[[protection]]
kind = "write protection"
covers = ["flash"]
granule = "4 KiB"
lock = "permanent"
[crypto]
sha256_per_kib = { typ = "1 ms", max = "2 ms" }
[crypto.verify]
ESP256 = { typ = "90 ms", max = "99 ms" }
"""

PRODUCT = """\
[product]
name = "Thing"
model = "T"
maker = "Maker"
revision = "A"
vendor_domain = "maker.example"
class_name = "T rev A"
chip = "part.toml"
[update]
procedure = "exchange-fixed"
sequence = 1
watchdog = "4 s"
[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
size = "16 KiB"
[[image]]
name = "application"
role = "application"
version = "1.2.0"
size = "64 KiB"
growth = "10 %"
[[keep]]
name = "settings"
size = "1 KiB"
[[pin]]
block = "run:application"
at = 0x8000
[link]
name = "cable"
rate = "10 kB/s"
[fleet]
devices = 10
life = "10 years"
updates_per_year = 2
[[key]]
name = "release"
algorithm = "ESP256"
file = "keys/release.pem"
[lock]
write_protect = ["boot", "floor"]
[attackers]
in_scope = ["network"]
"""

Mistakes = Callable[..., tuple[Problem, ...]]


def swap(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1, f"{old!r} is not in the sound file"
    return text.replace(old, new, 1)


@pytest.fixture(scope="session")
def part_text() -> str:
    """The sound chip file."""
    return PART


@pytest.fixture(scope="session")
def product_text() -> str:
    """The sound product file."""
    return PRODUCT


@pytest.fixture
def chip_mistakes(tmp_path: Path) -> Mistakes:
    """Return a function that swaps pieces of the sound chip file and returns what is found then."""

    def find(*swaps: tuple[str, str], text: str = PART) -> tuple[Problem, ...]:
        for old, new in swaps:
            text = swap(text, old, new)
        path = tmp_path / "part.toml"
        path.write_text(text, encoding="utf-8")
        try:
            load_chip(path)
        except DescriptionProblems as error:
            return error.problems
        return ()

    return find


@pytest.fixture
def product_mistakes(tmp_path: Path) -> Mistakes:
    """Return a function that swaps pieces of the sound product file and returns what is found then."""

    def find(*swaps: tuple[str, str], text: str = PRODUCT, part: str = PART) -> tuple[Problem, ...]:
        for old, new in swaps:
            text = swap(text, old, new)
        (tmp_path / "part.toml").write_text(part, encoding="utf-8")
        path = tmp_path / "product.toml"
        path.write_text(text, encoding="utf-8")
        try:
            load_product(path)
        except DescriptionProblems as error:
            return error.problems
        return ()

    return find
