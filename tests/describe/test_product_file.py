"""Every kind of mistake in a product file, with its line, field, message and suggestion."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.describe.loading import load_product
from rootwright.describe.problems import Problem
from rootwright.describe.product import Attacker, ImageRole

Mistakes = Callable[..., tuple[Problem, ...]]

APP = 'image "application"'
CASES: dict[str, tuple[str, str, int, str, str, str, str]] = {
    # name: (old, new, line, field, found, part of expected, part of suggestion)
    "unknown key": ("sequence = 1", "sequense = 1", 11, "update: sequense", "an unknown key", "one of", '"sequence"'),
    "unknown table": ("[fleet]", "[fleets]", 33, "fleets", "an unknown key", "one of", '"fleet"'),
    "missing key": ("sequence = 1\n", "", 9, "update: sequence", "nothing", "Sequence number", ""),
    "procedure slip": (
        '"exchange-fixed"',
        '"exchange_fixed"',
        10,
        "update: procedure",
        "exchange_fixed",
        "one of",
        "exchange-fixed",
    ),
    "procedure unknown": ('"exchange-fixed"', '"magic"', 10, "update: procedure", '"magic"', "module:Class", ""),
    "procedure as number": ('"exchange-fixed"', "3", 10, "update: procedure", "3", "module:Class", ""),
    "role slip": ('"boot stage"', '"Boot-Stage"', 15, 'image "boot": role', "Boot-Stage", "one of", "boot stage"),
    "version slip": ('"1.2.0"', '"v1.2.0-rc1"', 21, f"{APP}: version", "v1.2.0-rc1", "1.5.0", '"1.2.0"'),
    "version as number": ('"1.2.0"', "1.2", 21, f"{APP}: version", "1.2", "version", '"1.2"'),
    "size slip": ('"64 KiB"', '"64 kB"', 22, f"{APP}: size", "64 kB", "bytes", "64 KiB"),
    "growth as number": ('"10 %"', "10", 23, f"{APP}: growth", "10", "share", '"10 %"'),
    "name slip": (
        'name = "settings"',
        'name = "My Settings"',
        25,
        'keep "My Settings": name',
        "My Settings",
        "short",
        "my-settings",
    ),
    "rate slip": ('"10 kB/s"', '"10 kbps"', 32, "link: rate", "10 kbps", "rate", "10 kbit/s"),
    "life slip": ('"10 years"', "10", 35, "fleet: life", "10", "span", "10 years"),
    "no devices": ("devices = 10", "devices = 0", 34, "fleet: devices", "0", "from 1", ""),
    "number as text": ("devices = 10", 'devices = "12 000"', 34, "fleet: devices", "12 000", "whole", "12000"),
    "real out of bounds": (
        "updates_per_year = 2",
        "updates_per_year = -1",
        36,
        "fleet: updates_per_year",
        "-1",
        "0 to",
        "",
    ),
    "domain slip": (
        '"maker.example"',
        '"https://Maker.example/x"',
        6,
        "product: vendor_domain",
        "https",
        "domain",
        "maker.example",
    ),
    "text with control character": ('"Thing"', '"Th\\u0007ing"', 2, "product: name", "Th?ing", "control", ""),
    "long text": ('"Thing"', f'"{"x" * 501}"', 2, "product: name", "501 characters", "at most", ""),
    "attacker slip": ('["network"]', '["networks"]', 44, "attackers: in_scope no. 1", "networks", "one of", "network"),
    "attacker twice": (
        '["network"]',
        '["network", "network"]',
        44,
        "attackers: in_scope no. 2",
        "second time",
        "once",
        "",
    ),
    "algorithm slip": ('"ESP256"', '"esp-256"', 39, 'key "release": algorithm', "esp-256", "one of", "ESP256"),
    "backslash path": (
        '"keys/release.pem"',
        "'keys\\release.pem'",
        40,
        'key "release": file',
        "keys",
        "forward",
        "keys/release.pem",
    ),
    "absolute path": (
        '"keys/release.pem"',
        '"/etc/release.pem"',
        40,
        'key "release": file',
        "/etc",
        "relative",
        "below",
    ),
    "drive path": ('"keys/release.pem"', '"C:/release.pem"', 40, 'key "release": file', "C:/", "relative", "below"),
    "no path": ('"keys/release.pem"', '""', 40, 'key "release": file', '""', "path", ""),
    "part misspelt": ('"part.toml"', '"prt.toml"', 8, "product: chip", "does not exist", "beside", "part.toml"),
    "profile misspelt": (
        '"part.toml"',
        '"secure_split"',
        8,
        "product: chip",
        "secure_split",
        "profile",
        "secure-split",
    ),
    "image twice": ('name = "application"', 'name = "boot"', 19, 'image "boot": name', "second time", "different", ""),
    "second boot stage": ('role = "application"', 'role = "boot stage"', 20, f"{APP}: role", "second boot", "one", ""),
    "no boot stage": ('role = "boot stage"', 'role = "companion"', 13, "image", "no boot stage", "[[image]]", ""),
    "nothing to update": (
        'role = "application"',
        'role = "recovery image"',
        13,
        "image",
        "no image that",
        "application",
        "",
    ),
    "no recovery image": ('"exchange-fixed"', '"recovery-image"', 13, "image", "no recovery", "recovery image", ""),
    "no content": ('size = "64 KiB"\n', "", 18, f"{APP}: file", "neither", "size", ""),
    "size below header": (
        'size = "64 KiB"',
        'size = "64 KiB"\nheader = "64 KiB"',
        22,
        f"{APP}: size",
        "64 KiB",
        "header",
        "",
    ),
    "size not in sectors": (
        'size = "64 KiB"',
        "size = 65000",
        22,
        f"{APP}: size",
        "65000 B",
        "whole sectors",
        "64 KiB",
    ),
    "file missing": ('size = "64 KiB"', 'file = "app.elf"', 22, f"{APP}: file", "does not exist", "existing", ""),
    "file near": (
        'size = "64 KiB"',
        'file = "prduct.toml"',
        22,
        f"{APP}: file",
        "does not exist",
        "existing",
        "product.toml",
    ),
    "file's folder missing": (
        'size = "64 KiB"',
        'file = "no/app.elf"',
        22,
        f"{APP}: file",
        "does not exist",
        "existing",
        "no folder",
    ),
    "file is a folder": ('size = "64 KiB"', 'file = "."', 22, f"{APP}: file", "folder", "a file", ""),
    "second without first": (
        'size = "64 KiB"',
        'size = "64 KiB"\nsecond_file = "x.elf"',
        23,
        f"{APP}: second_file",
        "without file",
        "first",
        "",
    ),
    "second is first": (
        'size = "64 KiB"',
        'file = "a.elf"\nsecond_file = "a.elf"',
        23,
        f"{APP}: second_file",
        "a.elf",
        "another",
        "",
    ),
    "precursor without version": (
        'size = "64 KiB"',
        'size = "64 KiB"\nprecursor = "o.elf"',
        18,
        f"{APP}: precursor_version",
        "nothing",
        "number",
        "",
    ),
    "version without precursor": (
        'size = "64 KiB"',
        'size = "64 KiB"\nprecursor_version = "1.0"',
        18,
        f"{APP}: precursor",
        "nothing",
        "file",
        "",
    ),
    "precursor is new": (
        'size = "64 KiB"',
        'file = "a.elf"\nprecursor = "a.elf"',
        23,
        f"{APP}: precursor",
        "a.elf",
        "another",
        "",
    ),
    "precursor newer": (
        'size = "64 KiB"',
        'size = "64 KiB"\nprecursor_version = "1.3"',
        23,
        f"{APP}: precursor_version",
        "1.3",
        "below",
        "swapped",
    ),
    "precursor same": (
        'size = "64 KiB"',
        'size = "64 KiB"\nprecursor_version = "1.2"',
        23,
        f"{APP}: precursor_version",
        "1.2",
        "below",
        "",
    ),
    "permanent image with precursor": (
        'size = "16 KiB"',
        'size = "16 KiB"\nprecursor = "o.elf"',
        18,
        'image "boot": precursor',
        "boot stage",
        "no update",
        "",
    ),
    "raw file without base": ('size = "64 KiB"', 'file = "a.bin"', 18, f"{APP}: base", "nothing", "raw binary", ""),
    "base for ELF": (
        'size = "64 KiB"',
        'file = "a.elf"\nbase = 0x8000',
        23,
        f"{APP}: base",
        "0x0000_8000",
        "own addresses",
        "",
    ),
    "empty keep-area": ('size = "1 KiB"', "size = 0", 26, 'keep "settings": size', "0", "bytes", ""),
    "unknown block": (
        '"run:application"',
        '"run:aplication"',
        28,
        'pin "run:aplication": block',
        "aplication",
        "block",
        "run:application",
    ),
    "block grammar": (
        '"run:application"',
        '"Run:Application"',
        28,
        'pin "Run:Application": block',
        "Run",
        "block",
        "run:application",
    ),
    "pin without decision": ("at = 0x8000\n", "", 27, 'pin "run:application"', "decides nothing", "at, size", ""),
    "empty pin": ("at = 0x8000", "at = 0x8000\nsize = 0", 30, 'pin "run:application": size', "0", "sectors", ""),
    "pin off a sector": (
        "at = 0x8000",
        "at = 0x8100",
        29,
        'pin "run:application": at',
        "0x0000_8100",
        "start of a sector",
        "0x0000_9000",
    ),
    "pin outside": (
        "at = 0x8000",
        "at = 0x0800_0000",
        29,
        'pin "run:application": at',
        "0x0800_0000",
        "flash 0x0000_0000",
        "",
    ),
    "pin in RAM": ("at = 0x8000", "at = 0x2000_0000", 29, 'pin "run:application": at', "in RAM", "keeps", ""),
    "pin too large": (
        "at = 0x8000",
        'at = 0x8000\nsize = "1 MiB"',
        30,
        'pin "run:application": size',
        "1 MiB",
        "at most 224 KiB",
        "",
    ),
    "pin size off a sector": (
        "at = 0x8000",
        "at = 0x8000\nsize = 5000",
        30,
        'pin "run:application": size',
        "5000 B",
        "whole",
        "8 KiB",
    ),
    "pin in unknown memory": (
        "at = 0x8000",
        'memory = "flsh"',
        29,
        'pin "run:application": memory',
        "flsh",
        "memory",
        "flash",
    ),
    "pin in another memory": (
        "at = 0x8000",
        'at = 0x8000\nmemory = "ram"',
        29,
        'pin "run:application": at',
        'in "flash"',
        "ram",
        "",
    ),
    "pinned twice": (
        'size = "64 KiB"',
        'size = "64 KiB"\nat = 0x4000',
        30,
        'pin "run:application": at',
        "0x0000_8000",
        "same as",
        "",
    ),
    "same block twice": (
        "[link]",
        '[[pin]]\nblock = "run:application"\nsize = 4096\n[link]',
        31,
        'pin "run:application": block',
        "second time",
        "different",
        "",
    ),
    "pins overlap": (
        "[link]",
        '[[pin]]\nblock = "boot"\nat = 0\n[[pin]]\nblock = "journal"\nat = 0x3000\nsize = "8 KiB"\n[link]',
        35,
        'pin "journal": at',
        'overlaps "boot"',
        "share",
        "0x0000_3FFF",
    ),
    "protects an unknown block": ('"floor"]', '"flor"]', 42, "lock: write_protect no. 2", "flor", "block", "floor"),
    "protects twice": ('"floor"]', '"boot"]', 42, "lock: write_protect no. 2", "second time", "once", ""),
    "no watchdog period": ('"4 s"', '"0 s"', 12, "update: watchdog", "0", "above zero", ""),
    "unknown staging": (
        "sequence = 1",
        'sequence = 1\nstaging = "external"',
        12,
        "update: staging",
        "external",
        "flash",
        "",
    ),
    "table for array": ("[[pin]]", "[pin]", 27, "pin", "a single table", "array of tables", "[[pin]]"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_mistake_is_named(product_mistakes: Mistakes, case: str) -> None:
    old, new, line, field, found, expected, suggestion = CASES[case]
    problems = product_mistakes((old, new))
    match = [p for p in problems if p.field == field and found in p.found and expected in p.expected]
    assert match, [str(p) for p in problems]
    problem = match[0]
    assert problem.line == line, str(problem)
    assert problem.file.endswith("product.toml")
    assert suggestion in problem.suggestion, str(problem)


def test_the_sound_file(product_mistakes: Mistakes, tmp_path: Path) -> None:
    assert not product_mistakes()
    product = load_product(tmp_path / "product.toml")
    assert product.image("application").growth == 0.1
    assert product.find_images(ImageRole.BOOT_STAGE)[0].size == 16 << 10
    assert product.update.watchdog_s == 4.0
    assert product.link.bytes_per_s == 10_000
    assert product.pins[0].at == 0x8000
    assert product.attackers == (Attacker.NETWORK,)
    assert product.chip.name == "T-1"


def test_mistakes_of_product_and_part_come_together(product_mistakes: Mistakes, part_text: str) -> None:
    part = part_text.replace("banks = 2", "banks = 5")
    problems = product_mistakes(("sequence = 1", "sequence = 0"), ('size = "64 KiB"', 'size = "64 kB"'), part=part)
    assert [(Path(p.file).name, p.line) for p in problems] == [
        ("product.toml", 11),
        ("product.toml", 22),
        ("part.toml", 13),
    ]


def test_a_procedure_of_ones_own_may_have_blocks_of_its_own(product_mistakes: Mistakes) -> None:
    own = ('"exchange-fixed"', '"my_procedure:Ours"')
    assert not product_mistakes(own, ('"run:application"', '"spare"'), ('"floor"]', '"spare"]'))


def test_either_slots_second_block_may_lie_where_another_procedure_stages(product_mistakes: Mistakes) -> None:
    pins = "".join(
        f'[[pin]]\nblock = "{block}:application"\nat = 0x2_0000\nsize = "64 KiB"\n' for block in ("stage", "second")
    )
    assert not product_mistakes(("[link]", f"{pins}[link]"))


def test_files_need_not_exist_when_asked_so(product_mistakes: Mistakes, tmp_path: Path) -> None:
    assert product_mistakes(('size = "64 KiB"', 'file = "later.elf"'))
    product = load_product(tmp_path / "product.toml", check_files=False)
    assert str(product.image("application").file) == "later.elf"


def test_a_packaged_profile_as_part(product_mistakes: Mistakes) -> None:
    profile = ('"part.toml"', '"two-banks-settings-area"')
    assert not product_mistakes(profile, ("at = 0x8000", "at = 0x0801_0000"))


@pytest.mark.parametrize("demo", ["river-gauge", "river-gauge-flawed"])
def test_the_demo_products_read(repository: Path, demo: str) -> None:
    product = load_product(repository / "demo" / demo / "product.toml")
    assert product.chip.name == "GX-512"
    assert [image.name for image in product.updatable_images] == ["application", "radio"]
