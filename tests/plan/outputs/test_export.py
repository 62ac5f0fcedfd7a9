"""What a build takes over: the same bytes each time, linkable by a real linker, and stale files are noticed."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from rootwright.cli import main
from rootwright.describe.loading import load_product
from rootwright.describe.product import Product
from rootwright.pipeline import export_outputs, plan_product
from rootwright.plan.lockdown.result import Moment
from rootwright.plan.outputs.bundle import find_stale, map_digest

Run = Callable[..., tuple[int, str, str]]
NAMES = {"layout.ld", "layout.h", "lockdown_table.h", "lockdown_table.c", "layout.json"}


@pytest.fixture(scope="module")
def product(repository: Path) -> Product:
    return load_product(repository / "demo" / "river-gauge" / "product.toml")


@pytest.fixture(scope="module")
def outputs(product: Product, repository: Path) -> dict[str, bytes]:
    return export_outputs(product, plan_product(product, repository / "demo" / "river-gauge"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(["export", *map(str, arguments)])
        printed = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, printed.out, printed.err

    return call


def compile_c(folder: Path, *arguments: str, target: tuple[str, ...] = ()) -> None:
    if importlib.util.find_spec("ziglang") is None:
        pytest.skip("the packaged cross compiler is not installed: make firmware")
    target = target or ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m3")
    command = [sys.executable, "-m", "ziglang", "cc", *target, "-ffreestanding", "-nostdlib", "-std=c11", "-Os"]
    command += ["-Wall", "-Wextra", "-Werror", "-Wpedantic", "-fno-sanitize=all", *arguments]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def write(folder: Path, outputs: dict[str, bytes]) -> None:
    for name, content in outputs.items():
        (folder / name).write_bytes(content)


def test_the_same_plan_gives_the_same_bytes(product: Product, outputs: dict[str, bytes], repository: Path) -> None:
    again = export_outputs(product, plan_product(product, repository / "demo" / "river-gauge"))
    assert again == outputs
    assert set(outputs) == NAMES


@pytest.mark.slow
@pytest.mark.firmware
def test_a_program_links_where_the_plan_has_it(outputs: dict[str, bytes], tmp_path: Path) -> None:
    write(tmp_path, outputs)
    (tmp_path / "program.ld").write_text(
        "INCLUDE layout.ld\nSECTIONS {\n"
        "  .boot : { KEEP(*(.boot)) } > BOOT\n  .app : { KEEP(*(.app)) } > RUN_APPLICATION\n"
        "  .radio : { KEEP(*(.radio)) } > RUN_RADIO\n  .keep : { KEEP(*(.keep)) } > KEEP_CALIBRATION\n"
        "  .text : { *(.text .text.*) } > BOOT\n  .bss (NOLOAD) : { *(.bss .bss.*) } > RAM\n"
        "  /DISCARD/ : { *(.ARM.exidx .ARM.exidx.*) }\n}\n"
    )
    (tmp_path / "program.c").write_text(
        '#include "layout.h"\n#include <stdint.h>\n'
        "extern char layout_floor_start[], layout_floor_size[];\n"
        '__attribute__((section(".boot"), used)) const uintptr_t floor_words[] = '
        "{(uintptr_t)layout_floor_start, (uintptr_t)layout_floor_size, LAYOUT_FLOOR_START, LAYOUT_FLOOR_SIZE};\n"
        '__attribute__((section(".app"), used)) const char app[] = "app";\n'
        '__attribute__((section(".radio"), used)) const char radio[] = "radio";\n'
        '__attribute__((section(".keep"), used)) const char keep[] = "keep";\n'
        "static int counter;\nint start(void) { return ++counter; }\n"
        '_Static_assert(LAYOUT_RUN_APPLICATION_END <= LAYOUT_RUN_RADIO_START, "in order");\n'
        '_Static_assert(sizeof(LAYOUT_MAP) == 17, "a digest");\n'
    )
    compile_c(tmp_path, "-g", "-Wl,-e,start", "-T", "program.ld", "program.c", "-o", "program.elf")
    regions = {r["block"]: r for r in json.loads(outputs["layout.json"])["regions"]}
    with (tmp_path / "program.elf").open("rb") as file:
        elf = ELFFile(file)  # an independent reader
        sections = {s.name: s for s in elf.iter_sections()}
        for section, block in ((".boot", "boot"), (".app", "run:application"), (".radio", "run:radio")):
            assert sections[section]["sh_addr"] == regions[block]["address"]
        assert sections[".keep"]["sh_addr"] == regions["keep:calibration"]["address"]
        assert sections[".bss"]["sh_addr"] == 0x2000_0000
        words = sections[".boot"].data()[:16]
        found = [int.from_bytes(words[n : n + 4], "little") for n in range(0, 16, 4)]
        floor = regions["floor"]
        assert found == [floor["address"], floor["size"]] * 2
        symbols = {s.name: s["st_value"] for s in elf.get_section_by_name(".symtab").iter_symbols()}
        assert symbols["layout_stage_radio_end"] == regions["stage:radio"]["address"] + regions["stage:radio"]["size"]


@pytest.mark.slow
@pytest.mark.firmware
def test_what_does_not_fit_is_refused_by_the_linker(outputs: dict[str, bytes], tmp_path: Path) -> None:
    write(tmp_path, outputs)
    (tmp_path / "program.ld").write_text("INCLUDE layout.ld\nSECTIONS { .boot : { KEEP(*(.boot)) } > BOOT }\n")
    (tmp_path / "program.c").write_text(
        '#include "layout.h"\n__attribute__((section(".boot"), used)) const char big[LAYOUT_BOOT_SIZE + 1] = {1};\n'
        "int start(void) { return 0; }\n"
    )
    with pytest.raises(AssertionError, match=r"overflow|will not fit"):
        compile_c(tmp_path, "-Wl,-e,start", "-T", "program.ld", "program.c", "-o", "program.elf")


@pytest.mark.slow
@pytest.mark.firmware
def test_the_table_holds_the_settings(product: Product, outputs: dict[str, bytes], tmp_path: Path) -> None:
    write(tmp_path, outputs)
    compile_c(tmp_path, "-c", "lockdown_table.c", "-o", "table.o")
    settings = json.loads(outputs["layout.json"])["settings"]
    wanted = b"".join(
        int(n).to_bytes(4, "little")
        for moment in (Moment.START, Moment.TRIAL)
        for s in settings
        if s["moment"] == moment.value
        for n in (s["address"], s["value"], s["mask"], s["width"])
    )
    with (tmp_path / "table.o").open("rb") as file:
        rows = b"".join(s.data() for s in ELFFile(file).iter_sections() if s.name.startswith(".rodata"))
    assert len(wanted) == 2 * 4 * 16
    assert wanted[:64] in rows
    assert wanted[64:] in rows


def test_no_factory_setting_is_in_the_c_files(outputs: dict[str, bytes]) -> None:
    factory = [s for s in json.loads(outputs["layout.json"])["settings"] if s["moment"] == Moment.FACTORY.value]
    assert len(factory) == 3
    text = b"".join(content for name, content in outputs.items() if name != "layout.json").decode()
    for setting in factory:
        assert setting["name"] not in text
        assert f"{{0x{setting['address']:08X}u" not in text  # no row writes there


@pytest.mark.slow
@pytest.mark.firmware
@pytest.mark.parametrize("part", ["rv32-pmp", "secure-split", "one-time-word-policy"])
def test_tables_of_other_parts_compile(part: str, run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["new", str(tmp_path / "p"), "--chip", part])
    file = tmp_path / "p" / "product.toml"
    file.write_text(file.read_text().replace("[lock]\n", "[lock]\napplication_unprivileged = true\n"))
    assert run(file, "--out", tmp_path / "made")[0] == 0
    source = (tmp_path / "made" / "lockdown_table.c").read_text()
    rv32 = part == "rv32-pmp"
    assert ("csrw 0x3a0" in source) == rv32
    assert rv32 or "0xE000ED9" in source or "0xE000EDD" in source
    target = ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c") if rv32 else ()
    compile_c(tmp_path / "made", "-c", "lockdown_table.c", "-o", "table.o", target=target)


@pytest.mark.slow
def test_check_tells_stale_missing_changed_and_moved(run: Run, repository: Path, tmp_path: Path) -> None:
    shutil.copytree(repository / "demo" / "river-gauge", tmp_path / "demo", ignore=shutil.ignore_patterns("*.c", "*.h"))
    product, out = tmp_path / "demo" / "product.toml", tmp_path / "made"
    code, text, _ = run(product, "--out", out, "--check")
    assert code == 1
    assert text.count("is missing") == len(NAMES)
    assert run(product, "--out", out)[0] == 0
    assert sorted(p.name for p in out.iterdir()) == sorted(NAMES)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert run(product, "--out", out, "--check") == (0, "up to date\n", "")
    assert run(product, "--out", out)[0] == 0
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before

    (out / "layout.h").write_bytes(before["layout.h"] + b"/* mine */\n")
    code, text, _ = run(product, "--out", out, "--check")
    assert (code, text.splitlines()[0]) == (1, "layout.h: was changed by hand after its export")
    (out / "layout.h").write_bytes(before["layout.h"])

    (out / "layout.ld").unlink()
    assert "layout.ld: is missing" in run(product, "--out", out, "--check")[1]
    (out / "layout.ld").write_bytes(before["layout.ld"])

    moved = product.read_text().replace('block = "recovery"\nat = 0x0001_0000', 'block = "lift"\nat = 0x0001_4000')
    moved = moved.replace(
        'size = "16 KiB"\n\n[[pin]]\nblock = "run:application"', '\n[[pin]]\nblock = "run:application"'
    )
    product.write_text(moved)
    code, text, _ = run(product, "--out", out, "--check", "--json")
    stale = json.loads(text)["stale"]
    assert code == 1
    assert any(s["file"] == "layout.json" and "the map changed: lift was" in s["found"] for s in stale)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before  # --check writes nothing


def test_a_changed_lock_makes_the_tables_stale_and_leaves_the_map(outputs: dict[str, bytes], product: Product) -> None:
    other = export_outputs(
        replace(product, protect=("boot",)), plan_product(product, Path(__file__).parents[3] / "demo" / "river-gauge")
    )
    stale = {s.file: s.found for s in find_stale(other, dict(outputs))}
    assert set(stale) == {"lockdown_table.c", "lockdown_table.h", "layout.json"}
    assert not any("map changed" in found for found in stale.values())


@pytest.mark.parametrize(
    "junk", [b"", b"{", b"[]", b'{"regions": 7}', b'{"regions": [3], "files": [1]}', b"\xff", b"[" * 9999]
)
def test_a_broken_record_is_stale_and_no_crash(outputs: dict[str, bytes], junk: bytes) -> None:
    stale = find_stale(outputs, {**outputs, "layout.json": junk})
    assert [s.file for s in stale] == ["layout.json"]


def test_the_digest_follows_the_map_alone(product: Product, repository: Path) -> None:
    plan = plan_product(product, repository / "demo" / "river-gauge")
    map_ = plan.plan.map
    assert map_ is not None
    first = map_.regions[0]
    assert map_digest(map_) == map_digest(replace(map_, regions=(replace(first, used=1), *map_.regions[1:])))
    assert map_digest(map_) != map_digest(replace(map_, regions=(replace(first, size=1), *map_.regions[1:])))


@pytest.mark.slow
def test_a_folder_that_cannot_take_all_files_keeps_what_it_has(run: Run, tmp_path: Path, repository: Path) -> None:
    demo = repository / "demo" / "river-gauge" / "product.toml"
    out = tmp_path / "made"
    assert run(demo, "--out", out)[0] == 0
    before = (out / "layout.ld").read_bytes()
    (out / "layout.ld").write_bytes(b"old")
    (out / "layout.h").unlink()
    (out / "layout.h").mkdir()  # in the way of a file
    (out / "layout.h" / "kept").write_text("")
    code, _, error = run(demo, "--out", out)
    assert code == 2
    assert "layout.h" in error
    assert (out / "layout.ld").read_bytes() in (b"old", before)  # whole, old or new
    assert not [p for p in out.iterdir() if p.name.endswith(".new")]
    assert run(demo, "--out", out, "--check")[0] == 1


@pytest.mark.slow
def test_bad_input(run: Run, tmp_path: Path, repository: Path) -> None:
    demo = repository / "demo" / "river-gauge" / "product.toml"
    (tmp_path / "file").write_text("")
    for arguments in [(tmp_path / "none.toml", "--out", tmp_path), (demo, "--out", tmp_path / "file" / "x"), (demo,)]:
        code, _, error = run(*arguments)
        assert code == 2
        assert "Traceback" not in error


def test_a_register_of_64_bits_becomes_two_rows_the_lower_half_first() -> None:
    from rootwright.describe.chip import Lock
    from rootwright.plan.lockdown.result import SettingValue
    from rootwright.plan.outputs.table import table_source

    setting = SettingValue(
        "wide", "p", "wide", 0x4000_0000, None, 64, 0x1122_3344_5566_7788, 0xFFFF_FFFF_0000_0000, 0, False,
        Lock.UNTIL_RESET, Moment.START, "chip file", "all */ of it",
    )  # fmt: skip
    text = table_source([("lockdown_start", [setting])])
    rows = [line for line in text.splitlines() if line.startswith("    {0x")]
    assert [row.split(" /*")[0] for row in rows] == [
        "    {0x40000000u, 0x55667788u, 0x00000000u, 32u},",
        "    {0x40000004u, 0x11223344u, 0xFFFFFFFFu, 32u},",
    ]
    assert "all */" not in text  # what the chip file says cannot end the comment
