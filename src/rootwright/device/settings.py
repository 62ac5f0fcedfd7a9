"""A part's settings area as far as an update depends on it: which bank is mapped low, and what a cut makes of that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rootwright.describe.chip import Chip, Follows, Memory, ProtectionKind
from rootwright.describe.settings import Effect, Purpose, SettingsArea, Torn
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region

DEFAULT_STATE: Final = 2
LOCKED_STATE: Final = 3
"""What the model's settings word holds besides the bank mapped low (0 or 1) of an area that was programmed whole."""


@dataclass(frozen=True, slots=True)
class SettingsModel:
    """What the checker knows of the settings area.

    Attributes:
        torn: What the area may load as after its programming was cut. Locked is the default state for ever.
        default: The bank that the default state maps low; None where it maps neither.
        boots: Map blocks that hold the boot stage in either bank; empty text for a bank without one.
        guards: Whether the area also holds the write protection, which its default state then lifts.
        by_address: Whether write protection follows the address; else the physical bank.
        default_erases: Whether the way into the default state erases all flash.
        other_place: For each block of the banked memory, the blocks that lie at its place in the other bank; empty text
            stands for bytes of no block.
    """

    torn: frozenset[Torn] = frozenset({Torn.OLD, Torn.NEW, Torn.DEFAULT})
    default: int | None = 0
    boots: tuple[str, str] = ("boot", "boot-copy")
    guards: bool = False
    by_address: bool = False
    default_erases: bool = False
    other_place: tuple[tuple[str, tuple[str, ...]], ...] = ()


def settings_from_map(chip: Chip, map_: Map) -> SettingsModel | None:
    """Return the model of the area that maps banks on a planned map; None where the chip file describes none."""
    for area in chip.settings_areas:
        field = area.find_field(Purpose.BANK)
        banked = next((m for m in chip.memories if m.banks == 2), None)
        if field is None or banked is None:
            continue
        ways = chip.find_protections(ProtectionKind.WRITE_PROTECTION, banked.name)
        return SettingsModel(
            torn=frozenset(area.torn),
            default=field.bank(field.default),
            boots=_boots(map_, banked),
            guards=any(way.held_in == area.memory for way in ways),
            by_address=any(way.follows is Follows.ADDRESS for way in ways),
            default_erases=_default_erases(area),
            other_place=tuple(_other_places(map_, banked)),
        )
    return None


def _default_erases(area: SettingsArea) -> bool:
    return any(
        change.possible and change.effect is Effect.MASS_ERASE and change.after == field.default
        for field in area.fields
        for change in field.transitions
    )


def _boots(map_: Map, banked: Memory) -> tuple[str, str]:
    """Return the boot stage's block in each bank; one that lies in another memory starts whatever is mapped low."""
    half = banked.base + banked.size // 2
    found = [region for region in map_.regions if region.role is BlockRole.BOOT]
    low = [r.block for r in found if r.memory == banked.name and r.address < half]
    high = [r.block for r in found if r.memory == banked.name and r.address >= half]
    elsewhere = [r.block for r in found if r.memory != banked.name]
    if elsewhere or not found:
        block = elsewhere[0] if elsewhere else "boot"
        return block, block
    return low[0] if low else "", high[0] if high else ""


def _other_places(map_: Map, banked: Memory) -> list[tuple[str, tuple[str, ...]]]:
    inside = [region for region in map_.regions if region.memory == banked.name]
    return [(region.block, _opposite(region, inside, banked)) for region in inside]


def _opposite(region: Region, inside: list[Region], banked: Memory) -> tuple[str, ...]:
    """Return what lies at a region's place after the banks traded addresses."""
    half = banked.size // 2
    shift = half if region.address < banked.base + half else -half
    low, high = region.address + shift, region.end + shift
    touching = [r for r in inside if r.address < high and low < r.end]
    covered = sum(min(r.end, high) - max(r.address, low) for r in touching)
    names = tuple(r.block for r in touching)
    return names if covered == region.size else (*names, "")
