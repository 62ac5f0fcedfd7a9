"""A part's settings area as far as an update depends on it: which bank is mapped low, and what a cut makes of that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rootwright.describe.chip import Chip, Follows, Lock, Memory, ProtectionKind
from rootwright.describe.settings import Complement, Effect, Loaded, Purpose, SettingsArea, SettingsField, Torn
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region

_PORTS = (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK)
WORD_BYTES: Final = 4
DEFAULT_STATE: Final = 2
LOCKED_STATE: Final = 3
"""What the model's settings word holds besides the bank mapped low (0 or 1) of an area that was programmed whole."""
FIXED_STATE: Final = 4
"""With a bank added: programmed whole, and locked by that change: it maps that bank low for ever."""
ERASED_STATE: Final = 6
"""The change erased all flash."""
NOT_LOADED: Final = -1
"""What an area is loaded as between a power cut and the start after it, where only power-up loads it."""


class Change(StrEnum):
    """What a part makes of programming its settings area to map a bank low, where that is not a plain change."""

    REFUSED = "refused"
    LOCKS = "locks"
    ERASES = "erases"


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
        changes: Programming that does not just change the bank: what was loaded (a bank or the default state), the bank
            that is programmed, and what comes of it.
        apart: Whether a word and its complement are programmed one after the other, so that a cut can fall between.
        needs_power: Whether only power-up loads the area, and a reset leaves it as it was loaded.
        unlock: Number of writes in the unlock sequence.
    """

    torn: frozenset[Torn] = frozenset({Torn.OLD, Torn.NEW, Torn.DEFAULT})
    default: int | None = 0
    boots: tuple[str, str] = ("boot", "boot-copy")
    guards: bool = False
    by_address: bool = False
    default_erases: bool = False
    other_place: tuple[tuple[str, tuple[str, ...]], ...] = ()
    changes: tuple[tuple[int, int, Change], ...] = ()
    apart: bool = False
    needs_power: bool = False
    unlock: int = 0

    def low_bank(self, state: int) -> int | None:
        """Return the bank that is mapped low for what the area was loaded as; None where that is neither.

        >>> SettingsModel(default=None).low_bank(1), SettingsModel(default=None).low_bank(DEFAULT_STATE)
        (1, None)
        """
        if state in (FIXED_STATE, FIXED_STATE + 1):
            return state - FIXED_STATE
        return state if state < DEFAULT_STATE else self.default

    def find_change(self, loaded: int, bank: int) -> Change | None:
        """Return what is special about programming `bank` where the area was loaded as `loaded`; None where nothing."""
        return next((what for before, after, what in self.changes if (before, after) == (loaded, bank)), None)

    @property
    def mismatch(self) -> frozenset[Torn]:
        """What a word loads as whose complement does not match: what `torn` says of that, else the default."""
        return self.torn & {Torn.DEFAULT, Torn.LOCKED} or frozenset({Torn.DEFAULT})


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
            changes=tuple(_changes(chip, area, field)),
            apart=area.complement is Complement.NEXT_WORD and chip.memory(area.memory).program_unit < 2 * WORD_BYTES,
            needs_power=area.loaded is Loaded.POWER_UP,
            unlock=len(area.unlock),
        )
    return None


def find_flip_obstacle(chip: Chip) -> str:
    """Return why the part's settings cannot map its banks back and forth at each reset; empty where they can.

    A change that a part refuses, or that erases all flash or locks the area, is one that an update cannot make.
    """
    for area in chip.settings_areas:
        field = area.find_field(Purpose.BANK)
        if field is None:
            continue
        if area.loaded is Loaded.POWER_UP:
            return f"the settings area {area.memory} takes effect at power-up only, so no reset flips the banks"
        words = {
            Change.REFUSED: f"{chip.name} refuses it",
            Change.LOCKS: "it locks the settings area",
            Change.ERASES: "it erases all flash",
        }
        for before, after, what in _changes(chip, area, field):
            if before != DEFAULT_STATE:
                old, new = _mapping(field, before), _mapping(field, after)
                return (
                    f"banks must flip both ways, but of the change of {field.name} from {old} to {new}: {words[what]}"
                )
    return ""


def _changes(chip: Chip, area: SettingsArea, field: SettingsField) -> Iterator[tuple[int, int, Change]]:
    """Yield what programming the bank does besides, from either bank and from the default state.

    From the default state the other fields change too: ports that the lock-down closes are closed again.
    """
    for before in (0, 1, DEFAULT_STATE):
        for after in (0, 1):
            old = field.default if before == DEFAULT_STATE else _mapping(field, before)
            made = [(field, old, _mapping(field, after))]
            if before == DEFAULT_STATE:
                made += [(each, each.default, meaning) for each, meaning in _closed_ports(chip, area)]
            found = {_change(each, one, other) for each, one, other in made}
            what = next((change for change in (Change.REFUSED, Change.ERASES, Change.LOCKS) if change in found), None)
            if what is not None:
                yield before, after, what


def _mapping(field: SettingsField, bank: int) -> str:
    return next((row.means for row in field.values if row.maps == bank), "")


def _change(field: SettingsField, before: str, after: str) -> Change | None:
    if before == after:
        return None
    transition = field.find_transition(before, after)
    if not transition.possible:
        return Change.REFUSED
    return {Effect.MASS_ERASE: Change.ERASES, Effect.LOCKS_AREA: Change.LOCKS}.get(transition.effect)


def _closed_ports(chip: Chip, area: SettingsArea) -> Iterator[tuple[SettingsField, str]]:
    """Yield the fields of ports that the lock-down closes, with what they then mean."""
    base = chip.memory(area.memory).base
    ports = {p.name for p in chip.protections if p.kind in _PORTS and p.lock is not Lock.NONE}
    for field in area.fields:
        for lock in chip.lock_fields:
            same = (lock.address, lock.low, lock.bits) == (base + field.offset, field.bit, field.width)
            if same and lock.protection in ports and lock.locked is not None:
                yield field, field.meaning(lock.locked)


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
