"""The built files of the bench boot stage: in step with their sources and their list, and small."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from bench_boot_host import BENCH_BOOT, VARIANTS, build, images, load, products
from elftools.elf.elffile import ELFFile

from rootwright.describe.loading import load_chip, load_product
from rootwright.image import read_image
from rootwright.release.packing import About

BUILT = BENCH_BOOT / "built"
FIRMWARE = BENCH_BOOT / "firmware"
HOOKS = (
    "flash_erase",
    "flash_program",
    "flash_read",
    "digest_flash",
    "digest_memory",
    "verify_signature",
    "debug_lock",
)
MAP = ("JOURNAL", "REQUESTS", "FLOOR", "LIFT", "RECOVERY", "RUN", "STAGE")
compiled = pytest.mark.skipif(
    importlib.util.find_spec("ziglang") is None, reason="no cross compiler here; `make firmware` installs it"
)


def test_list_and_folder_agree() -> None:
    assert {path.name for path in BUILT.iterdir()} == set(VARIANTS)
    assert len({variant["file"] for variant in VARIANTS.values()}) == len(VARIANTS)
    flawed = [variant for variant in VARIANTS.values() if "flaw" in variant]
    assert len(flawed) >= 10
    for variant in VARIANTS.values():
        assert ("flaw" in variant) == any(name.startswith("FLAW_") for name in variant["defines"])
        assert ("flaw" in variant) != ("note" in variant)


def test_every_flaw_stands_where_the_list_says() -> None:
    kinds = {"cut", "update", "long run", "hostile image", "hostile flash", "skip fault"}
    kinds |= {"exception", "RAM fill", "timing"}
    used = set()
    for variant in VARIANTS.values():
        if "flaw" not in variant:
            continue
        (define,) = variant["defines"]
        used.add(define)
        file, function = variant["at"].split(", ")
        text = (BENCH_BOOT / file).read_text()
        _, line = build.flaw_place(variant)
        above = text.splitlines()[max(0, line - 4) : line]
        assert any(re.search(rf"{define}\b", each) for each in above), (variant["file"], line)
        assert re.search(rf"\b{function}\(", text), variant["file"]
        assert set(variant["found_by"]) <= kinds
        assert variant["claim"]
    everywhere = "".join(path.read_text() for path in FIRMWARE.iterdir())
    assert set(re.findall(r"\bFLAW_\w+", everywhere)) == used


@pytest.mark.parametrize("file", sorted(VARIANTS))
def test_file_is_small_has_lines_and_hooks_and_names_no_folder(file: str) -> None:
    data = (BUILT / file).read_bytes()
    assert len(data) < 64 * 1024
    assert not re.search(rb"/(home|tmp|root|usr|Users|work)/|site-packages", data)
    image = read_image(data, name=file)
    base = images.BASE[VARIANTS[file]["part"]]
    assert image.start == base
    assert image.start + image.size <= base + images.JOURNAL
    version = image.symbol("boot_version")
    assert version is not None
    assert image.read(version.address, version.size) == b"RL-2 bench boot 1.0.0\0"
    key = image.symbol("public_key")
    assert key is not None
    assert image.read(key.address, key.size) == images.public_key()
    with (BUILT / file).open("rb") as stream:
        elf = ELFFile(stream)
        assert elf.get_section_by_name(".debug_line") is not None
        symbols = {symbol.name: symbol for symbol in elf.get_section_by_name(".symtab").iter_symbols()}
    hooks = HOOKS if VARIANTS[file]["flash"] == "hooks" else HOOKS[3:]
    for name in hooks:
        assert symbols[name]["st_info"]["bind"] == "STB_WEAK", name
    for name in ("main", "image_check", "start_image", "panic"):
        assert name in symbols


@pytest.mark.parametrize("file", [name for name in sorted(VARIANTS) if "controller" in name])
def test_controller_command_is_linked_for_ram_and_loaded_from_flash(file: str) -> None:
    with (BUILT / file).open("rb") as stream:
        elf = ELFFile(stream)
        (command,) = (s for s in elf.get_section_by_name(".symtab").iter_symbols() if s.name == "flash_command")
        segment = next(
            s
            for s in elf.iter_segments()
            if s["p_type"] == "PT_LOAD" and s["p_vaddr"] <= command["st_value"] < s["p_vaddr"] + s["p_memsz"]
        )
    part = VARIANTS[file]["part"]
    assert images.RAM[part] <= segment["p_vaddr"] < images.RAM[part] + images.RAM_SIZE
    assert images.BASE[part] <= segment["p_paddr"] < images.BASE[part] + images.JOURNAL


def test_sources_and_programs_agree_on_the_map() -> None:
    header = (FIRMWARE / "part.h").read_text()
    for name in MAP:
        found = re.search(rf"#define {name} +\(FLASH_BASE \+ (0x[0-9A-F]+)u\)", header)
        assert found
        assert int(found[1], 16) == getattr(images, name)
    assert f"#define SLOT_SIZE     {images.SLOT_SIZE:#x}u" in header
    log = (FIRMWARE / "log.h").read_text()
    assert f"#define RECORDS_PER_SECTOR {images.RECORDS_PER_SECTOR}u" in log
    kinds = {int(word, 16) for word in re.findall(r"#define [A-Z]+ +(0x[0-9A-F]{8})u", log)}
    assert kinds == set(images.KIND_WORDS.values())


@pytest.mark.slow
def test_images_are_made_again() -> None:
    folder = BENCH_BOOT / "images"
    made = images.files()
    assert {path.name for path in folder.iterdir()} == set(made)
    for name, data in made.items():
        assert (folder / name).read_bytes() == data, name
    assert (FIRMWARE / "demo_key.c").read_text() == images.key_source()


def test_product_files_are_made_again_and_sound() -> None:
    made = products.files()
    assert {path.name for path in BENCH_BOOT.glob("*.toml")} == {*made, "product.toml", "variants.toml", "gx-512v.toml"}
    for name, text in made.items():
        assert (BENCH_BOOT / name).read_text() == text, name
        if name == "gx-512s.toml":
            assert load_chip(BENCH_BOOT / name).interrupts == 16
            continue
        assert load_product(BENCH_BOOT / name).bench is not None
        assert (
            load_product(BENCH_BOOT / name).bench != load_product(BENCH_BOOT / "product.toml").bench or "exch" in name
        )


def test_packer_makes_the_images_that_the_boot_programs_are_tried_with() -> None:
    form = load("bench_format")
    for part, version in ((part, version) for part in images.BASE for version in (1, 2, 3)):
        code = (BENCH_BOOT / "images" / f"{part}-version-{version}-code.bin").read_bytes()
        whole = (BENCH_BOOT / "images" / f"{part}-version-{version}.bin").read_bytes()
        about = About("application", f"{version}.0.0", images.BASE[part] + images.RUN, images.HEADER_SIZE, 0, "trial")
        assert form.pack(code, about) == whole
        assert form.read(whole, about) == (f"{version}.0.0", code)
        for key in ("release", "stranger"):
            with pytest.raises(ValueError, match="signature"):
                form.read(whole, replace(about, key=key))
        for at in (0, 12, 40, 64, 127, 128, len(whole) - 1):
            with pytest.raises(ValueError, match=r"signature|field"):
                form.read(images.flip(whole, at), about)


@compiled
@pytest.mark.firmware
@pytest.mark.slow
def test_rebuilt_bit_for_bit(tmp_path: Path) -> None:
    command = [sys.executable, str(BENCH_BOOT / "build.py"), str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert {path.name for path in tmp_path.iterdir()} == set(VARIANTS)
    for path in BUILT.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), f"{path.name} differs"
