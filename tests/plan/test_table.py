"""The comparison's figures against sums done by hand, and each finding."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from random_cases import TRAITS, chip_of, flash

from rootwright.describe.chip import (
    CryptoSpeeds,
    Erase,
    Memory,
    MemoryKind,
    Protection,
    ProtectionKind,
    SectorRun,
    Timing,
)
from rootwright.describe.loading import load_product
from rootwright.describe.product import Fleet, Pin, Procedure
from rootwright.device.procedures import demand
from rootwright.layout.demand import Block, BlockRole, Demand, Wear
from rootwright.layout.map import Map, Misfit
from rootwright.plan.search import find_map
from rootwright.plan.table import erase_time, find_limits, find_link_mismatches, make_row, program_time

KIB = 1024
DEMO = Path(__file__).resolve().parents[2] / "demo" / "river-gauge" / "product.toml"

MEMORY = replace(
    flash("flash", 0, [(4, 16 * KIB), (1, 64 * KIB), (3, 128 * KIB)]),
    erases=(Erase(16 * KIB, Timing(0.2, 0.5)), Erase(64 * KIB, Timing(0.5, 1.0)), Erase(128 * KIB, Timing(1.0, 2.0))),
    program=Timing(1e-5, 1e-4),
    endurance=10_000,
)
RAM = Memory("ram", MemoryKind.RAM, 0x2000_0000, (SectorRun(1, 64 * KIB),))


@pytest.fixture(scope="module")
def product():
    demo = load_product(DEMO)
    chip = replace(chip_of((MEMORY, RAM)), crypto=CryptoSpeeds(Timing(0.001, 0.002), (("ESP256", Timing(0.05, 0.07)),)))
    image = replace(demo.image("application"), header_bytes=512, trailer_bytes=64, growth=0.5)
    return replace(
        demo, chip=chip, images=(image,), fleet=Fleet(100, 12, 2.0), update=replace(demo.update, watchdog_s=8.0)
    )


def slot(name="run:application", need=100 * KIB, **more):
    return Block(name, BlockRole.SLOT, need, need, ("flash",), image="application", header=512, **more)


LIFT = Block("lift", BlockRole.LIFT, 1, 1, ("flash",))


def figures(product, blocks, wear, sizes=60 * KIB, **more):
    wanted = Demand(TRAITS, blocks, wear=wear, **more)
    outcome = find_map(wanted, product.chip, grow=False)
    row = make_row(wanted, outcome, product, {"application": sizes})
    return wanted, outcome, row


def test_erase_and_program_times_are_those_of_the_matching_command():
    assert erase_time(MEMORY, 16 * KIB) == 0.5
    assert erase_time(MEMORY, 32 * KIB) == 1.0  # the next larger command
    assert erase_time(MEMORY, 256 * KIB) == 4.0  # two of the largest
    assert erase_time(replace(MEMORY, erased=None), 16 * KIB) == 0.0
    assert program_time(MEMORY, 20) == pytest.approx(3e-4)  # three units of eight bytes


def test_install_time_is_erases_programs_digests_and_checks(product):
    _, outcome, row = figures(
        product,
        (slot(at=0, size=128 * KIB),),
        (Wear("run:application", 1, 1, install_erases=1, install_writes=1),),
        digests=3,
        verifies=2,
    )
    assert isinstance(outcome, Map)
    erases = 4 * 0.5 + 1.0
    programs = 128 * KIB / 8 * 1e-4
    assert row.install_s == pytest.approx(erases + programs + 3 * 128 * 0.002 + 2 * 0.07)
    assert (row.longest_operation_s, row.longest_operation) == (1.0, "erase of 65536 bytes in flash")
    assert (row.worn_block, row.worn_erases, row.worn_years) == ("run:application", 1, 5000.0)


def test_a_lift_is_erased_for_each_sector_that_moves(product):
    blocks = (slot(at=0, size=128 * KIB), replace(LIFT, at=128 * KIB))
    wear = (Wear("lift", 1, 1, 1, 1, per_sector_of=("run:application",)),)
    _, _, row = figures(product, blocks, wear, digests=0, verifies=0)
    # Five sectors move through one lift sector of 128 KiB.
    assert row.worn_erases == 5
    assert row.worn_years == 10_000 / (5 * 2)
    assert row.install_s == pytest.approx(5 * (2.0 + 128 * KIB / 8 * 1e-4))


def test_a_lift_of_several_sectors_shares_the_wear(product):
    blocks = (slot(at=128 * KIB, size=128 * KIB), replace(LIFT, at=0, size=128 * KIB))
    _, _, row = figures(product, blocks, (Wear("lift", 1, 1, per_sector_of=("run:application",)),))
    # One sector of 128 KiB needs two of the lift's largest (64 KiB); the lift has five.
    assert row.worn_erases == pytest.approx(2 / 5)


def test_the_largest_image_is_the_slot_without_header_and_trailer(product):
    _, _, row = figures(product, (slot(at=0, size=128 * KIB), slot("second:application", 100 * KIB, at=128 * KIB)), ())
    (room,) = row.rooms
    assert room.largest == 128 * KIB - 512 - 64
    assert room.allowed == (60 * KIB + 576) * 3 // 2 - 576
    assert room.headroom == room.largest - room.allowed
    assert row.free == 512 * KIB - 256 * KIB


def rules(product, blocks, wear=(), **more):
    wanted, outcome, row = figures(product, blocks, wear, **more)
    return {f.rule: f for f in find_limits(wanted, outcome, row, product)}


def test_a_watchdog_shorter_than_an_erase_is_found(product):
    impatient = replace(product, update=replace(product.update, watchdog_s=1.0))
    wear = (Wear("run:application", 1, 1),)
    found = rules(impatient, (slot(at=0, size=128 * KIB),), wear)["plan.watchdog"]
    assert found.found == (
        "the watchdog resets after 1 s, one flash operation (erase of 65536 bytes in flash) takes up to 1 s"
    )
    assert "plan.watchdog" not in rules(product, (slot(at=0, size=128 * KIB),), wear)


def test_flash_that_wears_out_before_the_fleet_is_found(product):
    wear = (Wear("run:application", 500, 1),)
    assert "plan.endurance" in rules(product, (slot(),), wear)
    still = replace(product, fleet=Fleet(1, 12, 0))
    assert rules(still, (slot(),), wear) == {}


def test_endurance_is_measured_against_the_fleets_life(product):
    # 10,000 erases at 500 in each of 2 updates a year last 10 years: enough for 10, too little for 12.
    wear = (Wear("run:application", 500, 1),)
    found = rules(product, (slot(),), wear)["plan.endurance"]
    assert found.block == "run:application"
    assert found.found == "run:application reaches its endurance after 10.0 years, the fleet lives 12"
    assert rules(replace(product, fleet=Fleet(1, 10, 2.0)), (slot(),), wear) == {}


def test_a_log_pinned_to_more_sectors_wears_less():
    demo = load_product(DEMO)
    sizes = {image.name: 4096 for image in demo.images}

    def erases(pins):
        wanted = demand(Procedure.EXCHANGE_ROTATING, replace(demo, pins=pins), sizes)
        return next(w.erases for w in wanted.wear if w.block == "journal")

    assert erases((Pin("journal", None, 16 * KIB, None),)) == erases(()) / 2  # four sectors of 4 KiB, not two


def test_too_little_ram_is_found(product):
    assert "plan.ram" in rules(product, (slot(),), ram=64 * KIB + 1)
    assert "plan.ram" not in rules(product, (slot(),), ram=64 * KIB)


def test_a_misfit_is_found_with_its_mend(product):
    found = rules(product, (slot(need=500 * KIB), slot("second:application", 500 * KIB)))
    assert set(found) == {"plan.fit"}
    assert "bytes from image 'application'" in found["plan.fit"].next_step
    found = rules(product, (slot(at=4),))
    assert "choose another" in found["plan.fit"].next_step


def test_a_missing_verification_time_is_a_note_and_no_figure(product):
    silent = replace(product, chip=replace(product.chip, crypto=CryptoSpeeds(Timing(0.001, 0.002), ())))
    wanted, outcome, row = figures(silent, (slot(),), ())
    assert isinstance(outcome, Map)
    assert row.install_s is None
    assert [(f.rule, f.note) for f in find_limits(wanted, outcome, row, silent)] == [("plan.speed", True)]


def test_a_fixed_vector_table_is_a_note(product):
    fixed = replace(product, chip=replace(product.chip, vector_table_relocatable=False))
    found = rules(fixed, (slot(),))
    assert found["plan.vectors"].note
    assert "run:application" in found["plan.vectors"].found


def test_more_protected_stretches_than_the_part_holds_are_found(product):
    few = replace(
        product,
        chip=replace(
            product.chip,
            protections=(Protection(ProtectionKind.WRITE_PROTECTION, ("flash",), 16 * KIB, regions=1),),
        ),
    )
    apart = (
        Block("keys", BlockRole.KEYS, 1, 1, ("flash",), write_protect=True, at=0),
        Block("floor", BlockRole.FLOOR, 1, 1, ("flash",), write_protect=True, at=32 * KIB),
    )
    assert "plan.protected-regions" in rules(few, apart)
    assert "plan.protected-regions" not in rules(few, (apart[0], replace(apart[1], at=16 * KIB)))


def test_a_file_linked_for_another_place_is_found(product):
    wanted, outcome, _ = figures(product, (slot(at=0, size=128 * KIB),), ())
    assert isinstance(outcome, Map), wanted
    links = [("run:application", "app.elf", 512, 600), ("second:application", "other.elf", 0, 1)]
    assert find_link_mismatches(outcome, product, links) == ()
    (wrong,) = find_link_mismatches(outcome, product, [("run:application", "app.elf", 0x4000, 0x5000)])
    assert (wrong.rule, wrong.block) == ("plan.link", "run:application")
    assert "0x200" in wrong.found
    (long,) = find_link_mismatches(outcome, product, [("run:application", "app.elf", 512, 128 * KIB)])
    assert "behind its slot" in long.found


def test_a_misfit_leaves_the_figures_empty(product):
    _, outcome, row = figures(product, (slot(at=4),), ())
    assert isinstance(outcome, Misfit)
    assert (row.fits, row.rooms, row.install_s, row.worn_years) == (False, (), None, None)
