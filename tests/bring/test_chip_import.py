"""Files about a part into a chip file: each value from the right file, open points, contradictions; the command."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from part_files import PART, elf_with, flash_device

from rootwright.bring.chip_import import ImportedChip, import_chip
from rootwright.cli import main
from rootwright.describe.chip import Architecture, MemoryKind, ProtectionKind
from rootwright.describe.loading import load_chip, read_chip_text
from rootwright.errors import RootwrightError

FILES = ("qd-256.pdsc", "qd-256.flm", "qd-256.dts", "qd-256.svd")


def imported(*names: str, device: str | None = "QD-256", settings: tuple[str, ...] = ()) -> ImportedChip:
    contents = {name: (PART / name).read_bytes() for name in names}
    return import_chip(contents, out="part.toml", device=device, settings=settings)


def source_of(text: str, line: str) -> str:
    found = re.search(rf"^{re.escape(line)}  # (.*)$", text, flags=re.MULTILINE)
    assert found, line
    return found[1]


def test_all_four_files_together() -> None:
    made = imported(*FILES)
    chip = read_chip_text(made.text, name="part.toml")
    assert chip.name == "QD-256"
    assert chip.architecture is Architecture.ARMV6_M
    assert (chip.clock_hz, chip.interrupts, chip.reset_address) == (64e6, 24, 0x40_0000)
    flash = chip.memory("flash")
    assert (flash.base, flash.size, flash.program_unit, flash.erased) == (0x40_0000, 0x4_0000, 8, 0xFF)
    assert [run.size for run in flash.runs] == [2048]
    assert chip.memory("ram").size == 0x8000
    settings = chip.memory("settings")
    assert (settings.kind, settings.base, settings.size) == (MemoryKind.SETTINGS, 0x80_4000, 64)
    fields = {field.name: (field.offset, field.bit, field.width) for field in chip.settings_areas[0].fields}
    assert fields["lock-read"] == (0, 1, 1)
    assert fields["protect3-sectors"] == (0x1C, 0, 32)
    start = next(field for field in chip.settings_areas[0].fields if field.name == "lock-start")
    assert [(row.value, row.means) for row in start.values] == [(3, "flash"), (1, "loader")]
    assert start.otherwise == "not told"
    assert chip.find_protections(ProtectionKind.PROTECTION_UNIT)
    # Each value names the file that it is from.
    assert source_of(made.text, 'name = "QD-256"') == "qd-256.pdsc:20"
    assert source_of(made.text, 'sectors = [{ count = 128, size = "2 KiB" }]').startswith("qd-256.flm, FlashDevice at")
    assert source_of(made.text, 'program_unit = "8 B"') == "qd-256.dts:39"
    assert source_of(made.text, "interrupts = 24") == "qd-256.svd:35"
    lines = made.text.splitlines()
    assert made.open_points
    assert all(lines[point.line - 1] == f"# TODO {point.text}" for point in made.open_points)


def test_what_no_file_says_is_left_open() -> None:
    every = " ".join(point.text for point in imported(*FILES).open_points)
    one = " ".join(point.text for point in imported("qd-256.svd", device=None).open_points)
    for missing in ("the flash that code runs from", "the RAM", "address that the core starts at"):
        assert missing in one
        assert missing not in every
    assert "the core clock" in every
    assert "guaranteed erase cycles" in every


@pytest.mark.parametrize("name", FILES)
def test_each_file_alone_gives_a_part_that_parses(name: str) -> None:
    made = imported(name)
    assert read_chip_text(made.text, name="part.toml").memories


def test_the_algorithm_of_a_larger_part_is_cut_to_the_device() -> None:
    made = imported("qd-256.pdsc", "qd-256.flm", device="QD-128")
    flash = read_chip_text(made.text, name="x").memory("flash")
    assert [(run.count, run.size) for run in flash.runs] == [(64, 2048)]
    assert not any("differ" in point.text for point in made.open_points)


def test_contradictions_become_open_points() -> None:
    other = elf_with("DevDscr", flash_device(base=0x40_0000, size=0x2_0000))
    contents = {"qd-256.pdsc": (PART / "qd-256.pdsc").read_bytes(), "small.flm": other}
    made = import_chip(contents, out="part.toml", device="QD-256")
    assert any("differ" in p.text and "small.flm" in p.text and "128 KiB" in p.text for p in made.open_points)
    # Its pattern does not reach to the end, so the sectors are left open as well.
    assert any("the sectors" in point.text for point in made.open_points)
    contents["qd-256.dts"] = (PART / "qd-256.dts").read_bytes().replace(b"<2048>", b"<4096>").replace(b"m0+", b"m4")
    contents["small.flm"] = (PART / "qd-256.flm").read_bytes()
    said = " ".join(p.text for p in import_chip(contents, out="part.toml", device="QD-256").open_points)
    assert "sectors: small.flm" in said
    assert "architecture: qd-256.pdsc:13 says Armv6-M, qd-256.dts" in said


def test_settings_are_named_or_guessed() -> None:
    assert any("chosen by its place" in point.text for point in imported("qd-256.svd", device=None).open_points)
    named = imported("qd-256.svd", device=None, settings=("UART0", "UART1"))
    assert read_chip_text(named.text, name="x").memory("settings").base == 0x4000_4000
    with pytest.raises(RootwrightError, match="no peripheral") as error:
        imported("qd-256.svd", device=None, settings=("POLCY",))
    assert "POLICY" in error.value.next_step


def test_text_from_outside_cannot_break_out_of_its_place() -> None:
    evil = 'X"\n[chip]\nname = "Y'
    made = import_chip({'a"\n[[memory]]': elf_with("DevDscr", flash_device(name=evil.encode()))}, out="part.toml")
    assert len(read_chip_text(made.text, name="x").memories) == 2


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    printed = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, printed.out, printed.err


def test_command_writes_a_file_that_check_reads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "part.toml"
    files = [str(PART / name) for name in FILES]
    code, printed, _ = run(["chip", "import", *files, "--device", "QD-256", "--out", str(out)], capsys)
    assert code == 0
    assert f"next: rootwright check {out}" in printed
    assert load_chip(out).name == "QD-256"
    code, printed, _ = run(["check", str(out)], capsys)
    assert code == 1
    assert f"to fill in: {out}:11: one line that says what the part offers" in printed
    out.write_text("\n".join(line for line in out.read_text().splitlines() if not line.startswith("# TODO")))
    _, printed, _ = run(["check", str(out)], capsys)
    assert "to fill in" not in printed
    before = out.read_bytes()
    code, _, error = run(["chip", "import", *files, "--device", "QD-256", "--out", str(out)], capsys)
    assert code == 2
    assert "exists already" in error
    assert out.read_bytes() == before


def test_command_as_json_and_printed(capsys: pytest.CaptureFixture[str]) -> None:
    code, printed, _ = run(["chip", "import", str(PART / "qd-256.flm"), "--json"], capsys)
    assert code == 0
    data = json.loads(printed)
    assert data["memories"][0]["base"]["value"] == 0x40_0000
    assert data["open_points"][0]["line"] > 0
    code, printed, _ = run(["chip", "import", str(PART / "qd-256.flm")], capsys)
    assert read_chip_text(printed, name="x").memories


@pytest.mark.parametrize("content", [b"", b"hello", b"<html/>", b"\x7fELF", b"PK\x03\x04", b"{\0\xff"])
def test_other_files_are_refused(content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "f").write_bytes(content)
    code, _, error = run(["chip", "import", str(tmp_path / "f")], capsys)
    assert code == 2
    assert error.startswith(f"error: {tmp_path / 'f'}")
    assert "next:" in error
