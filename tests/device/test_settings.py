"""The settings model that a chip file and a map give, and the places that views show."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rootwright.describe.chip import Chip, Follows, ProtectionKind
from rootwright.describe.loading import load_chip
from rootwright.describe.settings import Effect, Purpose, SettingsField, SettingsValue, Torn, Transition, View
from rootwright.device.ground import ground_from_map
from rootwright.device.settings import settings_from_map
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region

CHIP = load_chip("two-banks-settings-area")
BASE, HALF = 0x0800_0000, 0x4_0000


def place(block: str, role: BlockRole, address: int, size: int, memory: str = "flash") -> Region:
    return Region(block, role, memory, address, size, 0, size // 2048, size)


MAP = Map(
    CHIP.name,
    "bank-flip",
    (
        place("boot", BlockRole.BOOT, BASE, 0x4000),
        place("journal", BlockRole.JOURNAL, BASE + 0x4000, 0x1000),
        place("run:application", BlockRole.SLOT, BASE + 0x6000, 0x2000),
        place("boot-copy", BlockRole.BOOT, BASE + HALF, 0x4000),
        place("second:application", BlockRole.SLOT, BASE + HALF + 0x6000, 0x2000),
    ),
)


def with_area(chip: Chip, **changes: object) -> Chip:
    return replace(chip, settings_areas=(replace(chip.settings_areas[0], **changes),))  # type: ignore[arg-type]


def with_field(chip: Chip, field: SettingsField) -> Chip:
    others = tuple(f for f in chip.settings_areas[0].fields if f.name != field.name)
    return with_area(chip, fields=(field, *others))


LOW = next(f for f in CHIP.settings_areas[0].fields if f.purpose is Purpose.BANK)
LOCK = next(f for f in CHIP.settings_areas[0].fields if f.purpose is Purpose.EXTERNAL_READ_LOCK)


def test_a_profile_gives_its_whole_model() -> None:
    model = settings_from_map(CHIP, MAP)
    assert model is not None
    assert model.torn == {Torn.OLD, Torn.NEW, Torn.DEFAULT}
    assert (model.default, model.boots) == (0, ("boot", "boot-copy"))
    assert (model.guards, model.by_address, model.default_erases) == (True, False, False)
    assert ground_from_map(CHIP, MAP, cells=1).settings == model


def test_a_part_without_settings_table_has_no_model() -> None:
    assert settings_from_map(replace(CHIP, settings_areas=()), MAP) is None
    assert settings_from_map(with_area(CHIP, fields=(LOCK,)), MAP) is None


def test_the_default_may_map_the_other_bank_or_none() -> None:
    second = settings_from_map(with_field(CHIP, replace(LOW, default="second bank low")), MAP)
    neither = settings_from_map(with_field(CHIP, replace(LOW, otherwise="the part's own loader", width=8,
                                                         default="the part's own loader")), MAP)  # fmt: skip
    assert second is not None
    assert neither is not None
    assert (second.default, neither.default) == (1, None)


def test_a_way_into_the_default_that_erases_is_seen_and_a_way_out_of_it_is_not() -> None:
    opened = settings_from_map(with_field(CHIP, replace(LOCK, default="open")), MAP)
    assert opened is not None
    assert opened.default_erases
    refused = replace(LOCK, default="open", transitions=(Transition("closed", "open", possible=False),))
    closed = settings_from_map(with_field(CHIP, refused), MAP)
    assert closed is not None
    assert not closed.default_erases


def test_what_lies_in_the_other_bank_is_counted_to_the_byte() -> None:
    model = settings_from_map(CHIP, MAP)
    assert model is not None
    there = dict(model.other_place)
    assert there["boot"] == ("boot-copy",)
    assert there["second:application"] == ("run:application",)
    assert there["journal"] == ("",)
    shifted = replace(MAP, regions=(*MAP.regions[:4], replace(MAP.regions[4], address=BASE + HALF + 0x5000)))
    moved = settings_from_map(CHIP, shifted)
    assert moved is not None
    assert dict(moved.other_place)["run:application"] == ("second:application", "")


def test_protection_that_follows_the_address_is_seen() -> None:
    ways = tuple(
        replace(p, follows=Follows.ADDRESS, held_in="") if p.kind is ProtectionKind.WRITE_PROTECTION else p
        for p in CHIP.protections
    )
    model = settings_from_map(replace(CHIP, protections=ways), MAP)
    assert model is not None
    assert (model.by_address, model.guards) == (True, False)


@pytest.mark.parametrize(
    ("changes", "boots"),
    [
        ({"boot-copy": None}, ("boot", "")),
        ({"boot": "rom"}, ("boot", "boot")),
    ],
)
def test_a_bank_without_boot_stage_and_a_boot_stage_elsewhere(changes: dict[str, str | None], boots: object) -> None:
    regions = tuple(
        replace(r, memory=changes[r.block] or "") if r.block in changes else r
        for r in MAP.regions
        if changes.get(r.block, "") is not None
    )
    model = settings_from_map(CHIP, replace(MAP, regions=regions))
    assert model is not None
    assert model.boots == boots


# -- value maps and transitions


def test_a_value_map_covers_every_value() -> None:
    assert [LOCK.meaning(value) for value in (0xAA, 0xCC, 0x00, 0xFF)] == [
        "open",
        "closed for ever",
        "closed",
        "closed",
    ]
    assert LOW.bank("second bank low") == 1
    assert LOW.bank("no such meaning") is None


def test_transitions_are_plain_unless_described() -> None:
    assert LOCK.find_transition("closed", "open").effect is Effect.MASS_ERASE
    assert not LOCK.find_transition("closed for ever", "open").possible
    plain = LOCK.find_transition("open", "closed")
    assert (plain.possible, plain.effect) == (True, Effect.NONE)


# -- views


def viewed() -> Chip:
    boot = SettingsField(
        "boot-from", Purpose.BOOT_ADDRESS, 16, 0, 1,
        values=(SettingsValue(0, "flash"), SettingsValue(1, "loader")), default="flash",
    )  # fmt: skip
    area = CHIP.settings_areas[0]
    views = (
        View("mirror", "flash", 0, 0, CHIP.memory("flash").size, "boot-from", "flash"),
        View("plain", "flash", 0x1800_0000, 0x1000, 0x2000),
    )
    return replace(CHIP, views=views, settings_areas=(replace(area, fields=(*area.fields, boot)),))


def test_a_view_is_there_only_under_its_setting() -> None:
    chip = viewed()
    assert chip.find_place(0x100) == ("flash", 0x100)
    assert chip.find_place(0x100, {"boot-from": "loader"}) is None
    assert chip.find_place(0x1800_0000) == ("flash", 0x1000)
    assert chip.find_place(0x1800_2000) is None


def test_banks_trade_addresses_under_their_setting() -> None:
    chip = viewed()
    flipped = {"low-bank": "second bank low"}
    assert chip.find_place(BASE + 8) == ("flash", 8)
    assert chip.find_place(BASE + 8, flipped) == ("flash", HALF + 8)
    assert chip.find_place(BASE + HALF + 8, flipped) == ("flash", 8)
    assert chip.find_places(BASE + 8) == (BASE + 8, BASE + HALF + 8)
    assert chip.find_places(0x1800_0004) == (BASE + 0x1004,)


@pytest.mark.parametrize("low", [0, 1])
def test_every_place_of_a_memory_is_seen_once_whatever_is_mapped_low(low: int) -> None:
    memory = CHIP.memory("flash")
    step = memory.size // 16
    assert sorted(memory.bank_offset(offset, low) for offset in range(0, memory.size, step)) == [
        *range(0, memory.size, step)
    ]
