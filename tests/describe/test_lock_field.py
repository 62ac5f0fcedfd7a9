"""Lock fields in a chip file: what is read, and what is a mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from rootwright.describe.loading import load_chip, profile_text
from rootwright.describe.lock_field import LifeState, LockRole, Observer, ProtectionUnit
from rootwright.describe.problems import DescriptionProblems

FIELD = """
[[lock_field]]
name = "guard"
protection = "write-protection"
role = "mask"
address = 0x4000_0000
"""


def read(tmp_path: Path, text: str):  # type: ignore[no-untyped-def]
    file = tmp_path / "part.toml"
    file.write_text(profile_text("rv32-pmp").replace("[crypto]", f"{text}\n[crypto]", 1))
    return load_chip(file)


def test_the_demo_part_says_where_its_protections_are_set(repository: Path) -> None:
    chip = load_chip(repository / "demo" / "river-gauge" / "gx-512.toml")
    port = next(f for f in chip.lock_fields if f.name == "port-word")
    assert port.role is LockRole.LEVEL
    assert port.locked == 0x3C5A_96A5
    assert dict(port.visible)[LifeState.PRODUCTION] == (Observer.BOOT,)
    assert LifeState.DEVELOPMENT not in dict(port.visible)
    assert [f.name for f in chip.find_lock_fields("sector-lock")] == ["lock-0", "lock-1", "lock-2", "lock-3"]
    assert chip.memory("flash").controller == 0x4002_0000
    assert [p.name for p in chip.protections][:2] == ["sector-lock", "sector-lock-for-ever"]


def test_units_follow_the_architecture() -> None:
    def units(name: str) -> list[ProtectionUnit]:
        return [p.unit for p in load_chip(name).protections if p.unit is not None]

    assert units("gated-code-area") == [ProtectionUnit.PMSAV6]
    assert units("protection-unit-only") == [ProtectionUnit.PMSAV7]
    assert units("secure-split") == [ProtectionUnit.PMSAV8]
    assert units("rv32-pmp") == [ProtectionUnit.PMP]


def test_a_field_takes_the_rest_of_its_word(tmp_path: Path) -> None:
    (field,) = read(tmp_path, FIELD + "low = 8\n").lock_fields
    assert (field.bits, field.mask, field.end) == (24, 0xFFFF_FF00, 0x4000_0004)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FIELD.replace('"write-protection"', '"guard"'), "the name of a protection"),
        (FIELD.replace('protection = "write-protection"\n', ""), "the name of a protection"),
        (FIELD + "width = 24\n", "one of"),
        (FIELD.replace("0x4000_0000", "0x4000_0002"), "a multiple of 4"),
        (FIELD + "low = 30\nbits = 3\n", "bits inside 32"),
        (FIELD + "low = 40\n", "bits inside 32"),
        (FIELD.replace('"mask"', '"level"'), "the value that locks"),
        (FIELD.replace('"mask"', '"level"') + "bits = 2\nlocked = 4\n", "at most 2 bits"),
        (FIELD.replace('"mask"', '"size"') + "active_low = true\n", "active_low"),
        (FIELD + 'stored_in = "guard"\n', "another lock field"),
        (FIELD + FIELD, "a different name"),
        (FIELD + FIELD.replace('"guard"', '"more"'), "bits of its own"),
        (FIELD.replace('"mask"', '"unit identifier"'), "nothing: the role"),
        (FIELD + 'visible = { production = ["cat"] }\n', "debug probe"),
        (FIELD + 'visible = { holiday = ["application"] }\n', "an unknown key"),
        ('[[protection]]\nkind = "watchdog"\nunit = "PMP"\n', "nothing: the kind is"),
        ('[[protection]]\nkind = "watchdog"\nmemory_side = true\n', "memory_side"),
        ('[[protection]]\nkind = "tamper input"\nname = "watchdog"\n', "a second time"),
    ],
)
def test_mistakes(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(DescriptionProblems) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
