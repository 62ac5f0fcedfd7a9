"""Every kind of mistake in a chip file, with its line, field, message and suggestion."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from rootwright.describe.chip import Architecture, MemoryKind, Reprogram
from rootwright.describe.loading import load_chip
from rootwright.describe.problems import Problem

Mistakes = Callable[..., tuple[Problem, ...]]

CASES: dict[str, tuple[str, str, int, str, str, str, str]] = {
    # name: (old, new, line, field, found, part of expected, part of suggestion)
    "unit slip": (
        'size = "4 KiB" }',
        'size = "4 kb" }',
        12,
        'memory "flash": sectors no. 1: size',
        '"4 kb"',
        "bytes",
        "4 KiB",
    ),
    "unknown key": (
        "banks = 2",
        "bank = 2",
        13,
        'memory "flash": bank',
        "an unknown key",
        '"banks"',
        'the key "banks"',
    ),
    "missing key": ('name = "T-1"\n', "", 1, "chip: name", "nothing", "Name of the part", ""),
    "misspelt enumeration": ('"Armv7-M"', '"armv7m"', 4, "chip: architecture", '"armv7m"', "Armv8-M", '"Armv7-M"'),
    "unknown enumeration": ('"Armv7-M"', '"Z80"', 4, "chip: architecture", '"Z80"', "one of", ""),
    "number for text": ('name = "T-1"', "name = 12", 2, "chip: name", "12", "text", '"12"'),
    "empty text": ('name = "T-1"', 'name = " "', 2, "chip: name", '" "', "not empty", ""),
    "text for number": (
        "interrupts = 32",
        'interrupts = "32"',
        7,
        "chip: interrupts",
        '"32"',
        "whole number",
        "32, without",
    ),
    "number out of bounds": ("banks = 2", "banks = 3", 13, 'memory "flash": banks', "3", "from 1 to 2", ""),
    "negative": ("base = 0x0", "base = -1", 11, 'memory "flash": base', "-1", "bytes", "negative"),
    "boolean as text": (
        "interrupts = 32",
        'interrupts = 32\ntypical = "yes"',
        8,
        "chip: typical",
        '"yes"',
        "true",
        "true",
    ),
    "swapped typ and max": (
        'typ = "20 ms"',
        'typ = "60 ms"',
        15,
        'memory "flash": erase no. 1: typ',
        "typ = 0.06",
        "not above",
        "swapped",
    ),
    "swapped program times": (
        'typ = "80 us"',
        'typ = "1 ms"',
        16,
        'memory "flash": program: typ',
        "typ = 0.001",
        "not above",
        "swapped",
    ),
    "swapped crypto times": (
        'typ = "1 ms"',
        'typ = "5 ms"',
        29,
        "crypto: sha256_per_kib: typ",
        "typ",
        "not above",
        "swapped",
    ),
    "swapped verify times": (
        'typ = "90 ms"',
        'typ = "5 s"',
        31,
        "crypto: verify: ESP256: typ",
        "typ",
        "not above",
        "swapped",
    ),
    "time without unit": (
        'typ = "80 us"',
        "typ = 80",
        16,
        'memory "flash": program: typ',
        "80",
        "a time with its unit",
        '"80 ms"',
    ),
    "overlap": (
        "base = 0x2000_0000",
        "base = 0x1000",
        21,
        'memory "ram": base',
        "overlaps",
        "share no address",
        "ends at 0x0004_0000",
    ),
    "second name": ('name = "ram"', 'name = "flash"', 19, 'memory "flash": name', "a second time", "different", ""),
    "bad name": ('name = "ram"', 'name = "My RAM"', 19, 'memory "My RAM": name', '"My RAM"', "short name", "my-ram"),
    "beyond the address space": (
        "count = 64",
        "count = 999999",
        12,
        'memory "flash": sectors',
        "999999 sectors",
        "at most",
        "",
    ),
    "end beyond 32 bits": (
        "base = 0x2000_0000",
        "base = 0xFFFF_F000",
        21,
        'memory "ram": base',
        "0x100007000",
        "32-bit",
        "",
    ),
    "no sectors": (
        'sectors = [{ count = 64, size = "4 KiB" }]',
        "sectors = []",
        12,
        'memory "flash": sectors',
        "an empty array",
        "count = 128",
        "",
    ),
    "empty sector": (
        'size = "4 KiB" }]\nbanks',
        "size = 0 }]\nbanks",
        12,
        'memory "flash": sectors no. 1: size',
        "0",
        "at least one",
        "",
    ),
    "zero program unit": (
        'program_unit = "8 B"',
        "program_unit = 0",
        14,
        'memory "flash": program_unit',
        "0",
        "one byte",
        "",
    ),
    "tear unit": (
        'program_unit = "8 B"',
        'program_unit = "8 B"\ntear_unit = 12',
        15,
        'memory "flash": tear_unit',
        "12 B",
        "multiple",
        "16 B",
    ),
    "tear unit against sector": (
        'program_unit = "8 B"',
        'program_unit = "8 B"\ntear_unit = 24',
        12,
        'memory "flash": sectors no. 1: size',
        "4 KiB",
        "24 B",
        "",
    ),
    "base off the program unit": (
        "base = 0x0",
        "base = 0x4",
        11,
        'memory "flash": base',
        "0x0000_0004",
        "multiple",
        "",
    ),
    "sector off its size": (
        "base = 0x0",
        "base = 0x800",
        12,
        'memory "flash": sectors no. 1',
        "from 0x0000_0800",
        "aligned",
        "order",
    ),
    "no erase": (
        'erase = [{ size = "4 KiB", typ = "20 ms", max = "40 ms" }]\n',
        "",
        8,
        'memory "flash": erase',
        "no erase command",
        "at least one",
        "none",
    ),
    "erase in RAM": (
        'kind = "ram"',
        'kind = "ram"\nerase = [{ size = "32 KiB", typ = "1 ms", max = "1 ms" }]',
        21,
        'memory "ram": erase',
        "erase commands",
        '"ram"',
        "",
    ),
    "erase without need": (
        "banks = 2",
        'banks = 2\nerased = "none"',
        16,
        'memory "flash": erase',
        "erase commands",
        "none",
        "",
    ),
    "erase not of sector size": (
        'erase = [{ size = "4 KiB"',
        'erase = [{ size = "8 KiB"',
        15,
        'memory "flash": erase',
        "no erase command for sectors of 4 KiB",
        "size of each",
        "8 KiB",
    ),
    "erase off the sector": (
        'erase = [{ size = "4 KiB"',
        'erase = [{ size = "6 KiB"',
        15,
        'memory "flash": erase no. 1: size',
        "6 KiB",
        "multiple",
        "",
    ),
    "erase commands out of order": (
        "erase = [{",
        'erase = [{ size = "8 KiB", typ = "1 ms", max = "1 ms" }, {',
        15,
        'memory "flash": erase no. 2: size',
        "4 KiB",
        "more than",
        "",
    ),
    "RAM with erased value": (
        'kind = "ram"',
        'kind = "ram"\nerased = 0xFF',
        21,
        'memory "ram": erased',
        "0xFF",
        "none",
        "",
    ),
    "RAM that wears": (
        'kind = "ram"',
        'kind = "ram"\nendurance = 5',
        21,
        'memory "ram": endurance',
        "5",
        "does not wear",
        "",
    ),
    "flash that does not wear": ("endurance = 10_000\n", "", 8, 'memory "flash": endurance', "0", "wears", "10_000"),
    "no program time": (
        'program = { typ = "80 us", max = "120 us" }\n',
        "",
        8,
        'memory "flash": program',
        "nothing",
        "time to program",
        "",
    ),
    "unequal halves": ("count = 64", "count = 63", 13, 'memory "flash": banks', "unequal", "second half", "banks = 1"),
    "unknown erased value": ("banks = 2", "banks = 2\nerased = 0x55", 14, 'memory "flash": erased', "85", "0xFF", ""),
    "erased as bit": ("banks = 2", "banks = 2\nerased = 1", 14, 'memory "flash": erased', "1", "0xFF", "0xFF"),
    "times without number": (
        "banks = 2",
        'banks = 2\nreprogram = "times"',
        8,
        'memory "flash": reprogram_times',
        "nothing",
        "a number",
        "",
    ),
    "number without times": (
        "banks = 2",
        "banks = 2\nreprogram_times = 2",
        14,
        'memory "flash": reprogram_times',
        "2",
        '"never"',
        "",
    ),
    "covers unknown memory": (
        'covers = ["flash"]',
        'covers = ["flasch"]',
        25,
        'protection "write protection": covers no. 1',
        '"flasch"',
        "memory",
        '"flash"',
    ),
    "covers nothing": (
        'covers = ["flash"]\n',
        "",
        23,
        'protection "write protection": covers',
        "no memory",
        "covers",
        "",
    ),
    "granule inside a sector": (
        'granule = "4 KiB"',
        'granule = "2 KiB"',
        26,
        'protection "write protection": granule',
        "2 KiB",
        "whole sectors",
        "0 stands",
    ),
    "reset outside": (
        "reset_address = 0x0",
        "reset_address = 0x0800_0000",
        6,
        "chip: reset_address",
        "0x0800_0000",
        "executable",
        "0x0000_0000",
    ),
    "reset in RAM": (
        "reset_address = 0x0",
        "reset_address = 0x2000_0000",
        6,
        "chip: reset_address",
        "0x2000_0000",
        "without power",
        "",
    ),
    "reset where nothing runs": (
        "banks = 2",
        "banks = 2\nexecutable = false",
        6,
        "chip: reset_address",
        "0x0000_0000",
        "is not",
        "",
    ),
    "table for array of tables": (
        "[[protection]]",
        "[protection]",
        23,
        "protection",
        "a single table",
        "array of tables",
        "[[protection]]",
    ),
    "array of tables for table": ("[crypto]\n", "[[crypto]]\n", 28, "crypto", "an array", "one table", "[crypto]"),
    "value for table": (
        'program = { typ = "80 us", max = "120 us" }',
        'program = "80 us"',
        16,
        'memory "flash": program',
        '"80 us"',
        "a table",
        "",
    ),
    "value for array": (
        'covers = ["flash"]',
        'covers = "flash"',
        25,
        'protection "write protection": covers',
        '"flash"',
        "brackets",
        "",
    ),
    "odd algorithm name": ("ESP256 = {", '"" = {', 31, "crypto: verify: ", '""', "ESP256", ""),
    "frequency unit": ('"64 MHz"', '"64 mhz"', 5, "chip: clock", '"64 mhz"', "frequency", '"64 MHz"'),
}


@pytest.mark.parametrize("case", CASES)
def test_a_mistake_is_named(chip_mistakes: Mistakes, case: str) -> None:
    old, new, line, field, found, expected, suggestion = CASES[case]
    problems = chip_mistakes((old, new))
    match = [p for p in problems if p.field == field and found in p.found]
    assert match, [str(p) for p in problems]
    problem = match[0]
    assert problem.line == line, str(problem)
    assert problem.file.endswith("part.toml")
    assert expected in problem.expected, str(problem)
    assert suggestion in problem.suggestion, str(problem)
    assert bool(suggestion) <= bool(problem.suggestion)


def test_a_misspelt_key_is_not_reported_as_missing_too(chip_mistakes: Mistakes) -> None:
    (problem,) = chip_mistakes(("clock =", "clok ="))
    assert problem.suggestion == 'did you mean the key "clock"?'


def test_a_part_without_ram(chip_mistakes: Mistakes, part_text: str) -> None:
    ram = part_text[part_text.index('[[memory]]\nname = "ram"') : part_text.index("[[protection]]")]
    assert [p.found for p in chip_mistakes((ram, ""))] == ["no RAM"]


def test_a_part_without_memory(chip_mistakes: Mistakes, part_text: str) -> None:
    memories = part_text[part_text.index("[[memory]]") : part_text.index("[[protection]]")]
    found = [p.found for p in chip_mistakes((memories, ""), ("[chip]", "memory = []\n[chip]"))]
    assert "no memory" in found


def test_a_fixed_reset_entry_may_be_anywhere(chip_mistakes: Mistakes) -> None:
    entry = ("[crypto]", '[[protection]]\nkind = "fixed reset entry"\n[crypto]')
    assert not chip_mistakes(("reset_address = 0x0", "reset_address = 0x0020_0000"), entry)


def test_all_mistakes_come_together_in_order_of_line(chip_mistakes: Mistakes) -> None:
    problems = chip_mistakes(
        ('clock = "64 MHz"', 'clock = "64"'),
        ("banks = 2", "banks = 7"),
        ('granule = "4 KiB"', 'granule = "1 KiB"'),
        ('typ = "90 ms"', 'typ = "900 ms"'),
    )
    assert [p.line for p in problems] == [5, 13, 26, 31]


def test_a_mistake_in_one_field_does_not_hide_others_in_the_same_table(chip_mistakes: Mistakes) -> None:
    problems = chip_mistakes(("banks = 2", "banks = true"), ('typ = "20 ms"', 'typ = "2 s"'), ('"80 us"', '"80 usec"'))
    assert [p.field for p in problems] == [
        'memory "flash": banks',
        'memory "flash": erase no. 1: typ',
        'memory "flash": program: typ',
    ]


def test_what_is_read() -> None:
    chip = load_chip("two-banks-settings-area")
    flash = chip.memory("flash")
    assert chip.architecture is Architecture.ARMV7_M
    assert (flash.size, flash.banks, flash.program_unit, flash.tear_unit) == (512 << 10, 2, 8, 8)
    assert flash.reprogram is Reprogram.ZEROS_ONLY
    assert flash.erases[0].time.typ_s == 0.022
    assert chip.memory("ram").erased is None
    assert chip.memory("settings").kind is MemoryKind.SETTINGS
    assert chip.crypto.verify_time("ESP256") is not None


def test_mixed_sector_sizes_need_an_erase_command_each(chip_mistakes: Mistakes) -> None:
    mixed: Any = (
        (
            'sectors = [{ count = 64, size = "4 KiB" }]',
            'sectors = [{ count = 4, size = "4 KiB" }, { count = 1, size = "16 KiB" }]',
        ),
        ("banks = 2\n", ""),
    )
    (problem,) = chip_mistakes(*mixed)
    assert problem.found == "no erase command for sectors of 16 KiB"
    more = ("erase = [{", 'erase = [{ size = "16 KiB", typ = "9 ms", max = "9 ms" }, {')
    assert [p.line for p in chip_mistakes(*mixed, more)] == [14]  # in falling order
