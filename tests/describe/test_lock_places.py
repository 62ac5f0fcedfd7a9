"""Lock fields and settings fields of one part: the same place twice, two places for one thing, what one implies."""

from __future__ import annotations

from pathlib import Path

import pytest

from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip, profile_text
from rootwright.describe.lock_field import LockRole
from rootwright.describe.problems import DescriptionProblems

LOCK = """
[[lock_field]]
name = "sectors"
protection = "write-protection"
role = "mask"
address = 0x1FFF_8010
width = 32
bits = 16
active_low = true
"""

SETTING = """
[[settings.field]]
name = "protect"
purpose = "write protection"
offset = 16
bit = 0
width = 16
active_low = true
"""

PORT = """
[[settings.field]]
name = "port"
purpose = "debug lock"
offset = 24
bit = 3
active_low = true
"""

LEVEL = """
[[lock_field]]
name = "port-word"
protection = "debug-lock"
role = "level"
address = 0x1FFF_8018
low = 3
bits = 1
locked = 0
"""

ONCE = """
[[memory]]
name = "once"
kind = "one-time words"
base = 0x1FFE_0000
sectors = [{ count = 8, size = "8 B" }]
program_unit = "8 B"
program = { typ = "20 us", max = "60 us" }
executable = false
"""


def read(tmp_path: Path, *, settings: str = "", tables: str = "") -> Chip:
    """The profile with a settings area (at 0x1FFF_8000, complements in the next word), and more tables."""
    text = profile_text("two-banks-settings-area")
    text = text.replace("[crypto]", f"{tables}\n[crypto]", 1)
    if settings:
        head, found, rest = text.partition("[[settings.field]]")
        assert found
        text = f"{head}{settings}\n{found}{rest}"
    file = tmp_path / "part.toml"
    file.write_text(text, encoding="utf-8")
    return load_chip(file)


def mistakes(tmp_path: Path, *, settings: str = "", tables: str = "") -> list[str]:
    with pytest.raises(DescriptionProblems) as caught:
        read(tmp_path, settings=settings, tables=tables)
    return [problem.message.replace('"', "'") for problem in caught.value.problems]


def test_two_tables_of_one_place_are_sound(tmp_path: Path) -> None:
    chip = read(tmp_path, settings=SETTING + PORT, tables=LOCK + LEVEL)
    assert [f.name for f in chip.lock_fields] == ["sectors", "port-word"]


def test_a_lock_field_may_be_a_part_of_a_settings_field(tmp_path: Path) -> None:
    half = LOCK.replace("bits = 16", "bits = 8")
    more = half.replace('"sectors"', '"more"').replace("bits = 8", "low = 8\nbits = 8\nfirst = 8")
    assert len(read(tmp_path, settings=SETTING, tables=half + more).lock_fields) == 2


@pytest.mark.parametrize(
    ("settings", "tables", "said"),
    [
        # The same protection at another address, another bit, or in another memory.
        (SETTING, LOCK.replace("8010", "8020"), "the place that the settings field 'protect' gives"),
        (PORT, LEVEL.replace("low = 3", "low = 4"), "bit 3 at 0x1FFF_8018"),
        (PORT, ONCE + LEVEL.replace("0x1FFF_8018", "0x1FFE_0000"), "the place that the settings field 'port' gives"),
        # The same bits, told differently.
        (SETTING, LOCK.replace("active_low = true\n", ""), "false, expected true, as the settings field 'protect'"),
        (SETTING, LOCK.replace("bits = 16", "low = 8\nbits = 16"), "the bits that the settings field 'protect' has"),
        (PORT, LEVEL.replace("locked = 0", "locked = 1"), "is switched on by a 0"),
        (SETTING.replace("write protection", "bank mapping"), LOCK, "what the settings field 'protect' decides"),
        (SETTING, LEVEL.replace("8018", "8010"), "what the settings field 'protect' decides"),
        # Bits that hold complements; a name that means two things.
        ("", LOCK.replace("8010", "8014"), "bits that hold a value"),
        (PORT, LOCK.replace('"sectors"', '"port"').replace("8010", "8020"), "a different name for each"),
        # Words of two widths over the same bits.
        ("", LOCK.replace("0x1FFF_8010", "0x5000_0000") + LOCK.replace("0x1FFF_8010", "0x5000_0001")
         .replace("width = 32\nbits = 16", "width = 8\nbits = 8").replace('"sectors"', '"byte"'), "bits of its own"),
    ],
)  # fmt: skip
def test_contradictions(tmp_path: Path, settings: str, tables: str, said: str) -> None:
    found = mistakes(tmp_path, settings=settings, tables=tables)
    assert any(said in message for message in found), found


def test_one_of_several_protections_may_lie_elsewhere(tmp_path: Path) -> None:
    second = '\n[[protection]]\nkind = "debug lock"\nname = "second-lock"\nlock = "permanent"\n'
    once = LEVEL.replace("0x1FFF_8018", "0x1FFE_0000").replace('"debug-lock"', '"second-lock"')
    chip = read(tmp_path, settings=PORT, tables=ONCE + second + once)
    assert [f.address for f in chip.lock_fields] == [0x1FFE_0000]


def test_a_bit_that_closes_a_port_counts_as_a_lock_field(tmp_path: Path) -> None:
    (field,) = read(tmp_path, settings=PORT).lock_fields
    assert (field.name, field.role, field.protection) == ("port", LockRole.LEVEL, "debug-lock")
    assert (field.address, field.low, field.bits, field.locked) == (0x1FFF_8018, 3, 1, 0)
    # A mask, and a value that only words explain, are left to the data sheet.
    assert read(tmp_path, settings=SETTING).lock_fields == ()
