"""The packaged part profiles: classes of parts in order of strength."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rootwright.describe.chip import BlankRead, Chip, MemoryKind
from rootwright.describe.loading import load_chip, load_product, profile_names, profile_text
from rootwright.describe.starter import starter_product
from rootwright.device.procedures import demands
from rootwright.layout.map import Map, Misfit
from rootwright.plan.root_of_trust import Foundation, Standing, judge_part
from rootwright.plan.search import find_map

NAMES = profile_names()
CHIPS = {name: load_chip(name) for name in NAMES}
BY_STRENGTH = sorted(CHIPS.values(), key=lambda chip: chip.strength)


def flashes(chip: Chip) -> list:  # type: ignore[type-arg]
    return [memory for memory in chip.memories if memory.kind is MemoryKind.FLASH]


@pytest.mark.parametrize("name", NAMES)
def test_a_profile_is_marked_as_typical_and_says_so(name: str) -> None:
    chip = CHIPS[name]
    assert chip.name == name
    assert chip.typical
    assert "common practice, no source" in profile_text(name)
    assert any("data sheet decides" in caution for caution in judge_part(chip).cautions)


def test_there_are_enough_and_each_has_its_place() -> None:
    assert len(NAMES) >= 10
    assert [chip.strength for chip in BY_STRENGTH] == list(range(1, len(NAMES) + 1))


def test_stronger_parts_have_no_weaker_foundation() -> None:
    """Parts without code inside the package stand low whatever else they offer."""
    order = list(Foundation)
    inside = [chip for chip in BY_STRENGTH if flashes(chip)]
    places = [order.index(judge_part(chip).foundation) for chip in inside]
    assert places == sorted(places, reverse=True)
    standings = [list(Standing).index(judge_part(chip).standing) for chip in BY_STRENGTH]
    assert standings == sorted(standings, reverse=True)


def test_the_profiles_cover_the_classes_of_memories() -> None:
    memories = [memory for chip in CHIPS.values() for memory in flashes(chip)]
    external = [m for chip in CHIPS.values() for m in chip.memories if m.kind is MemoryKind.EXTERNAL]
    sectors = {run.size for memory in memories for run in memory.runs}
    assert {2 << 10, 4 << 10, 128 << 10} <= sectors
    assert any(len(memory.runs) > 1 for memory in memories)
    assert {8, 16, 32} <= {memory.program_unit for memory in memories}
    assert {0xFF, 0x00, None} == {memory.erased for memory in memories}
    assert {10_000, 100_000} <= {memory.endurance for memory in memories}
    assert {1, 2} == {memory.banks for memory in memories}
    assert BlankRead.FAULT in {memory.blank_read for memory in memories}
    assert all([e.size for e in m.erases] == [4 << 10, 32 << 10, 64 << 10] for m in external)
    assert all(memory.program_unit == 256 for memory in external)
    assert all(memory.read_bytes_per_s > 0 for memory in external)


def test_names_say_what_a_part_offers() -> None:
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", name) for name in NAMES)


def test_the_manual_has_every_profile_in_order_and_every_foundation(repository: Path) -> None:
    manual = (repository / "docs" / "parts.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `([a-z0-9-]+)` \|", manual, re.MULTILINE)
    assert listed == [chip.name for chip in BY_STRENGTH]
    places = [manual.index(f"| {foundation.value} |") for foundation in Foundation]
    assert places == sorted(places)


@pytest.mark.parametrize("name", NAMES)
def test_a_starting_product_has_a_map(name: str, tmp_path: Path) -> None:
    """Sizes in the starting product are chosen so that the planner finds room for its own procedure and for others."""
    path = tmp_path / "product.toml"
    path.write_text(starter_product(CHIPS[name], name), encoding="utf-8")
    product = load_product(path)
    sizes = {image.name: image.size or 0 for image in product.images}
    found = {d.traits.name: find_map(d, product.chip) for d in demands(product, sizes) if not d.impossible}
    assert isinstance(found[product.update.procedure], Map)
    assert sum(isinstance(result, Misfit) for result in found.values()) <= 1
