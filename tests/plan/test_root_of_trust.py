"""Verdicts on parts, and what products ask of them in vain."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.describe.chip import Chip, Lock, Protection, ProtectionKind
from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.product import Attacker
from rootwright.plan.root_of_trust import Foundation, Standing, find_gaps, judge_part


@pytest.fixture(scope="module")
def bare() -> Chip:
    """A part without any protection."""
    return replace(load_chip("write-protection-only"), protections=())


def with_protections(chip: Chip, *protections: Protection) -> Chip:
    return replace(chip, protections=protections)


def lock(kind: ProtectionKind, lock: Lock = Lock.UNTIL_RESET) -> Protection:
    return Protection(kind, ("flash",), lock=lock)


def test_a_part_with_nothing_cannot_host(bare: Chip) -> None:
    verdict = judge_part(bare)
    assert verdict.standing is Standing.CANNOT_HOST
    assert verdict.foundation is Foundation.NONE
    assert not verdict.is_possible
    assert "no isolation and no lasting write protection" in verdict.reasons[0]


def test_write_protection_that_software_lifts_is_nothing(bare: Chip) -> None:
    verdict = judge_part(with_protections(bare, lock(ProtectionKind.WRITE_PROTECTION, Lock.NONE)))
    assert verdict.standing is Standing.CANNOT_HOST
    assert any("can lift it" in caution for caution in verdict.cautions)


@pytest.mark.parametrize("kept", [Lock.UNTIL_RESET, Lock.ERASE_TO_OPEN, Lock.PERMANENT])
def test_lasting_write_protection_alone_hosts_within_limits(bare: Chip, kept: Lock) -> None:
    verdict = judge_part(with_protections(bare, lock(ProtectionKind.WRITE_PROTECTION, kept)))
    assert verdict.standing is Standing.WITHIN_LIMITS
    assert verdict.foundation is Foundation.WRITE_PROTECTION
    assert "no isolation" in verdict.limits[0]


def test_a_protection_unit_isolates_only_unprivileged_software(bare: Chip) -> None:
    unit = lock(ProtectionKind.PROTECTION_UNIT, Lock.NONE)
    verdict = judge_part(with_protections(bare, unit, lock(ProtectionKind.WRITE_PROTECTION)))
    assert verdict.foundation is Foundation.PROTECTION_UNIT
    assert any("unprivileged" in limit for limit in verdict.limits)
    alone = judge_part(with_protections(bare, unit))
    assert alone.standing is Standing.CANNOT_HOST


def test_unlocked_regions_are_no_better_than_a_protection_unit(bare: Chip) -> None:
    write = lock(ProtectionKind.WRITE_PROTECTION)
    regions = ProtectionKind.PHYSICAL_MEMORY_PROTECTION
    open_ = judge_part(with_protections(bare, write, lock(regions, Lock.NONE)))
    assert open_.foundation is Foundation.PROTECTION_UNIT
    assert any("most privileged" in caution for caution in open_.cautions)
    assert judge_part(with_protections(bare, write, lock(regions))).foundation is Foundation.LOCKED_REGIONS


def test_a_split_that_only_labels_accesses_is_no_foundation(bare: Chip) -> None:
    write, split = lock(ProtectionKind.WRITE_PROTECTION), lock(ProtectionKind.SECURE_SPLIT)
    labels = judge_part(with_protections(bare, write, split))
    assert labels.foundation is Foundation.WRITE_PROTECTION
    assert any("only labels accesses" in caution for caution in labels.cautions)
    refuses = judge_part(with_protections(bare, write, replace(split, memory_side=True)))
    assert refuses.foundation is Foundation.SECURE_SPLIT


def test_the_strongest_foundation_counts_and_the_rest_are_alternatives(bare: Chip) -> None:
    chip = with_protections(
        bare,
        lock(ProtectionKind.WRITE_PROTECTION),
        lock(ProtectionKind.PROTECTION_UNIT, Lock.NONE),
        lock(ProtectionKind.GATED_CODE),
        replace(lock(ProtectionKind.SECURE_SPLIT), memory_side=True),
        lock(ProtectionKind.KEY_VAULT),
        lock(ProtectionKind.PHYSICAL_MEMORY_PROTECTION),
    )
    verdict = judge_part(chip)
    assert (verdict.foundation, *verdict.alternatives) == tuple(f for f in Foundation if f is not Foundation.NONE)
    assert verdict.standing is Standing.CAN_HOST


def test_isolation_without_fixed_first_code_cannot_host(bare: Chip) -> None:
    verdict = judge_part(with_protections(bare, lock(ProtectionKind.KEY_VAULT)))
    assert verdict.standing is Standing.CANNOT_HOST
    assert any("first code" in reason for reason in verdict.reasons)


def test_code_outside_the_package_is_a_limit() -> None:
    verdict = judge_part(load_chip("external-flash-only"))
    assert verdict.standing is Standing.WITHIN_LIMITS
    assert any("replace the external memory" in limit for limit in verdict.limits)


def test_an_open_debug_port_is_a_caution(bare: Chip) -> None:
    assert any("No debug lock" in caution for caution in judge_part(bare).cautions)


def test_the_demo_has_no_gaps_and_its_flawed_copy_has_four(repository: Path) -> None:
    demo = load_product(repository / "demo/river-gauge/product.toml", check_files=False)
    assert find_gaps(demo) == ()
    flawed = load_product(repository / "demo/river-gauge-flawed/product.toml", check_files=False)
    gaps = find_gaps(flawed)
    assert [gap.field for gap in gaps] == ["lock.write_protect"] * 3 + ["update.watchdog"]
    assert [word for word in ("boot", "floor", "keys") if any(f'"{word}"' in gap.message for gap in gaps)] == [
        "boot",
        "floor",
        "keys",
    ]


def test_without_an_exploited_application_open_blocks_are_no_finding(repository: Path) -> None:
    flawed = load_product(repository / "demo/river-gauge-flawed/product.toml", check_files=False)
    gaps = find_gaps(replace(flawed, attackers=(Attacker.NETWORK,)))
    assert [gap.field for gap in gaps] == ["update.watchdog"]


def test_protection_that_the_part_lacks(repository: Path) -> None:
    demo = load_product(repository / "demo/river-gauge/product.toml", check_files=False)
    gaps = find_gaps(replace(demo, chip=load_chip("no-isolation")))
    assert [gap.field for gap in gaps] == ["product.chip", "lock.write_protect"]
    assert "none that holds" in gaps[1].message


def test_a_watchdog_that_the_part_does_not_describe(repository: Path) -> None:
    demo = load_product(repository / "demo/river-gauge/product.toml", check_files=False)
    rest = tuple(p for p in demo.chip.protections if p.kind is not ProtectionKind.WATCHDOG)
    (gap,) = find_gaps(replace(demo, chip=replace(demo.chip, protections=rest)))
    assert gap.field == "update.watchdog"
