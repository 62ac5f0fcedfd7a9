"""Every line of the manual's table of what data sheets say, on one of the three awkward parts, through every stage.

The table in docs/parts.md says for each thing what plan, prove and release make of it. Here each thing has the part
that says it, and a test for each stage that the manual claims; a line of the manual without one fails.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

import test_awkward_parts as parts
from rootwright.describe.chip import (
    BlankRead,
    Chip,
    EccError,
    Follows,
    Lock,
    Protection,
    ProtectionKind,
    Reprogram,
    TornProgram,
    Watermark,
)
from rootwright.describe.loading import load_chip
from rootwright.describe.settings import Complement, Effect, Loaded, Purpose, SettingsArea, SettingsField, Side, Torn

BANKS, EXTERNAL, REWRITTEN = "awkward-banks", "awkward-external", "awkward-rewritten"
STAGES = ("plan", "prove", "release")
NOT_MODELLED = "described, not modelled"
END_TO_END = parts.test_a_part_goes_through_every_stage
BY_SETTINGS = parts.test_what_the_settings_area_does_decides_the_bank_flip
STRUCK_OUT = parts.test_a_flag_that_is_struck_out_needs_a_second_program

Test = Callable[..., None]


@dataclass(frozen=True, slots=True)
class Feature:
    """One line of the table.

    Attributes:
        part: The part that says it in its chip file as it stands.
        says: Whether a chip does.
        plan, prove, release: The tests of what these make of it; None where the manual claims nothing.
    """

    part: str
    says: Callable[[Chip], bool]
    plan: Test | None = None
    prove: Test | None = None
    release: Test | None = None


def area(chip: Chip) -> SettingsArea:
    (found,) = chip.settings_areas
    return found


def fields(chip: Chip) -> tuple[SettingsField, ...]:
    return area(chip).fields


def has_effect(chip: Chip, effect: Effect) -> bool:
    return any(change.effect is effect for field in fields(chip) for change in field.transitions)


def gate(chip: Chip) -> Protection:
    (found,) = chip.find_protections(ProtectionKind.BUS_GATE)
    return found


def writes(chip: Chip) -> tuple[Protection, ...]:
    return chip.find_protections(ProtectionKind.WRITE_PROTECTION)


FEATURES: dict[str, Feature] = {
    "sector pattern, banks, base": Feature(
        BANKS, lambda c: c.memory("flash").banks == 2, END_TO_END, END_TO_END, END_TO_END
    ),
    "program unit and tear unit differ": Feature(
        BANKS,
        lambda c: c.memory("flash").program_unit < c.memory("flash").reprogram_unit < c.memory("flash").tear_unit,
        parts.test_a_record_fills_its_tear_unit,
        END_TO_END,
    ),
    "what may be programmed twice": Feature(
        BANKS,
        lambda c: c.memory("flash").reprogram is Reprogram.ZEROS_ONLY,
        parts.test_a_record_fills_its_tear_unit,
        STRUCK_OUT,
    ),
    "programmed a number of times": Feature(
        REWRITTEN,
        lambda c: c.memory("log").reprogram is Reprogram.TIMES and c.memory("log").reprogram_times == 2,
        STRUCK_OUT,
        parts.test_a_flag_in_the_memory_that_takes_two_programs,
    ),
    "the erased value is 0x00": Feature(
        EXTERNAL,
        lambda c: c.memory("flash").erased == 0,
        None,
        parts.test_flash_that_erases_to_zeros_is_filled_with_zeros,
        parts.test_what_fills_a_slot_is_what_an_erase_leaves,
    ),
    "no erase at all": Feature(
        REWRITTEN,
        lambda c: c.memory("cells").erased is None,
        parts.test_nothing_takes_time_to_erase_where_nothing_is_erased,
        parts.test_a_memory_without_erase_forgives_what_others_do_not,
        parts.test_what_fills_a_slot_is_what_an_erase_leaves,
    ),
    "several erase commands": Feature(
        EXTERNAL,
        lambda c: len(c.memory("external").erases) == 3,
        parts.test_the_maximum_time_counts,
        parts.test_a_cut_leaves_all_that_a_command_covers_weak,
    ),
    "typical and maximum times": Feature(
        EXTERNAL,
        lambda c: all(erase.time.typ_s < erase.time.max_s for erase in c.memory("external").erases),
        parts.test_the_maximum_time_counts,
    ),
    "endurance, also of the settings area": Feature(
        BANKS,
        lambda c: 0 < c.memory("words").endurance < c.memory("flash").endurance,
        parts.test_flips_wear_the_settings_area_out_before_the_flash,
    ),
    "blank cells read as anything, or fault": Feature(
        BANKS,
        lambda c: c.memory("flash").blank_read is BlankRead.UNDEFINED,
        None,
        END_TO_END,
        parts.test_fill_is_checked_only_where_blank_cells_can_be_read,
    ),
    "a unit whose check bits do not match": Feature(
        REWRITTEN,
        lambda c: c.memory("cells").ecc_error is EccError.FAULT,
        None,
        parts.test_a_torn_record_stops_a_reader_that_catches_nothing,
    ),
    "a torn page is any subset of its bytes": Feature(
        EXTERNAL, lambda c: c.memory("external").torn_program is TornProgram.ANY_BYTES, None, END_TO_END
    ),
    "programming wraps at a page's end": Feature(
        EXTERNAL, lambda c: c.memory("external").page == 256, parts.test_no_record_lies_across_a_page, END_TO_END
    ),
    "reads through a stale cache": Feature(
        EXTERNAL,
        lambda c: c.memory("external").cached,
        parts.test_code_behind_a_stale_cache_is_a_note,
        parts.test_code_behind_a_stale_cache_must_be_invalidated,
    ),
    "one-time words: floor in them": Feature(
        EXTERNAL,
        lambda c: c.memory("once").erased == 0,
        parts.test_the_floor_lies_in_one_time_words_with_room_for_every_rise,
        parts.test_a_floor_in_words_is_as_good_as_what_closes_them,
    ),
    "one-time words whose torn bits never settle": Feature(
        EXTERNAL,
        lambda c: not c.memory("once").torn_bits_settle,
        None,
        parts.test_a_floor_that_never_settles_must_be_written_again,
    ),
    "one-time words: read limit": Feature(
        EXTERNAL,
        lambda c: c.memory("once").read_limit > 0,
        parts.test_an_application_can_read_words_until_they_are_lost,
    ),
    "one-time words: locks": Feature(
        EXTERNAL,
        lambda c: c.memory("once").lock_unit > c.memory("once").program_unit,
        parts.test_what_must_be_locked_shares_no_lock_unit_with_the_floor,
        parts.test_words_that_are_locked_before_their_time_end_the_rises,
    ),
    "mirrors and aliases, by settings": Feature(
        BANKS,
        lambda c: any(view.field for view in c.views) and any(view.side is Side.NON_SECURE for view in c.views),
        parts.test_the_core_starts_where_the_mirror_leads,
        None,
        parts.test_an_image_is_linked_for_the_view_through_which_it_runs,
    ),
    "banks trade addresses by a word": Feature(
        BANKS,
        lambda c: area(c).find_field(Purpose.BANK) is not None,
        parts.test_banks_that_cannot_flip_both_ways_are_no_place_for_a_bank_flip,
        BY_SETTINGS,
    ),
    "what torn settings load as": Feature(
        REWRITTEN, lambda c: Torn.LOCKED in area(c).torn and bool(fields(c)[0].otherwise), None, BY_SETTINGS
    ),
    "a change erases all flash": Feature(
        BANKS,
        lambda c: has_effect(c, Effect.MASS_ERASE),
        parts.test_banks_that_cannot_flip_both_ways_are_no_place_for_a_bank_flip,
        BY_SETTINGS,
    ),
    "a change can not be made, or locks the area": Feature(
        BANKS,
        lambda c: has_effect(c, Effect.LOCKS_AREA) and any(not t.possible for f in fields(c) for t in f.transitions),
        parts.test_banks_that_cannot_flip_both_ways_are_no_place_for_a_bank_flip,
        BY_SETTINGS,
    ),
    "an area takes effect at power-up only": Feature(
        REWRITTEN,
        lambda c: area(c).loaded is Loaded.POWER_UP,
        parts.test_settings_that_load_at_power_up_only_are_no_place_for_a_bank_flip,
        parts.test_a_flip_that_waits_for_the_power_comes_to_nothing_at_a_reset,
    ),
    "unlock sequence": Feature(
        BANKS, lambda c: len(area(c).unlock) == 3, None, parts.test_the_unlock_sequence_is_written_in_its_order
    ),
    "complement words": Feature(
        BANKS,
        lambda c: area(c).complement is not Complement.NONE,
        None,
        BY_SETTINGS,
    ),
    "whether loading resets the core": Feature(REWRITTEN, lambda c: not area(c).load_resets),
    "write protection goes with bank or address": Feature(
        BANKS, lambda c: writes(c)[0].follows is Follows.BANK, None, BY_SETTINGS
    ),
    "write protection lies in the settings area": Feature(
        BANKS,
        lambda c: writes(c)[0].held_in == "words",
        None,
        parts.test_protection_that_the_settings_hold_falls_with_them,
    ),
    "write protection by groups of sectors": Feature(
        BANKS, lambda c: len(writes(c)[0].groups) == 16, parts.test_protection_takes_whole_groups, END_TO_END
    ),
    "masks, ranges, active-low bits": Feature(
        BANKS,
        lambda c: any(field.active_low for field in fields(c)),
        parts.test_a_mask_of_groups_is_written_active_low_with_its_complement,
        END_TO_END,
    ),
    "a lock that falls at reset": Feature(
        EXTERNAL,
        lambda c: writes(c)[0].lock is Lock.UNTIL_RESET,
        parts.test_a_lock_that_falls_at_reset_is_a_duty_of_the_boot_stage,
        parts.test_a_floor_in_words_is_as_good_as_what_closes_them,
    ),
    "bus gates beside fixed sides": Feature(
        REWRITTEN,
        lambda c: gate(c).is_closing_gate,
        parts.test_blocks_lie_on_the_granules_of_the_gate_that_closes_them,
        parts.test_a_bus_gate_closes_what_the_other_side_must_not_write,
    ),
}


def manual(repository: Path) -> dict[str, dict[str, str]]:
    """Return the manual's table: what plan, prove and release make of each line."""
    text = (repository / "docs" / "parts.md").read_text(encoding="utf-8")
    body = text.partition("| What the data sheet says |")[2].partition("\n\n")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in body.splitlines()[2:]]
    return {row[0]: dict(zip(STAGES, row[2:], strict=True)) for row in rows}


def test_every_line_of_the_manual_has_its_part_and_no_other(repository: Path) -> None:
    assert [*manual(repository)] == [*FEATURES]


@pytest.mark.parametrize("name", FEATURES)
def test_a_part_says_it_and_each_stage_that_the_manual_names_has_a_test(repository: Path, name: str) -> None:
    feature = FEATURES[name]
    chip = load_chip(repository / "tests" / "fixtures" / "parts" / f"{feature.part}.toml")
    assert feature.says(chip)
    for stage, claimed in manual(repository)[name].items():
        test = getattr(feature, stage)
        assert (test is None) == (not claimed or claimed.startswith(NOT_MODELLED)), (stage, claimed)
        if test is not None:
            assert getattr(parts, test.__name__) is test
            assert test.__name__.startswith("test_")


def test_what_is_not_modelled_says_why(repository: Path) -> None:
    left = {
        (name, stage): text
        for name, row in manual(repository).items()
        for stage, text in row.items()
        if NOT_MODELLED in text
    }
    assert set(left) == {("one-time words: read limit", "prove"), ("whether loading resets the core", "prove")}
    assert all(text.startswith(f"{NOT_MODELLED}: ") and len(text) > len(NOT_MODELLED) + 20 for text in left.values())


def test_the_watermark_of_a_gate_is_on_one_of_the_parts(repository: Path) -> None:
    chip = load_chip(repository / "tests" / "fixtures" / "parts" / f"{EXTERNAL}.toml")
    assert gate(chip).watermark is Watermark.UPWARDS
