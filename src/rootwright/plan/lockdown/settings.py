"""Every planned protection as exact values: architected registers, the part's own fields, or granules in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rootwright.describe.chip import Chip, Lock, Memory, MemoryKind, Protection, ProtectionKind
from rootwright.describe.lock_field import LockField, LockRole
from rootwright.describe.product import Product
from rootwright.describe.settings import Complement
from rootwright.errors import PlanError
from rootwright.layout.map import Map
from rootwright.plan.lockdown import fields
from rootwright.plan.lockdown.claims import locked_claims, unprivileged_claims
from rootwright.plan.lockdown.isolation import fencing_unit, non_secure_spans
from rootwright.plan.lockdown.result import Conflict, Cover, Moment, SettingValue
from rootwright.plan.lockdown.spans import Span
from rootwright.plan.lockdown.units import sau_settings, unit_settings
from rootwright.plan.root_of_trust import Foundation

_CLOSING = (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK)
_COVERING = (
    ProtectionKind.WRITE_PROTECTION,
    ProtectionKind.CLOSED_UNTIL_RESET,
    ProtectionKind.GATED_CODE,
    ProtectionKind.SECURE_SPLIT,
    ProtectionKind.BUS_GATE,
)


@dataclass(frozen=True, slots=True)
class Made:
    """Exact settings, and what could not be written as planned."""

    settings: tuple[SettingValue, ...]
    conflicts: tuple[Conflict, ...]


def make_settings(
    product: Product, map_: Map, covers: Sequence[Cover], usable: frozenset[Foundation], isolation: Foundation
) -> Made:
    """Return the exact values of all planned protections, in the chip file's order of protections.

    Where the chip file has no lock fields for a protection, its value counts granules and has no address: the data
    sheet says where it goes.
    """
    chip = product.chip
    settings: list[SettingValue] = []
    conflicts: list[Conflict] = []
    for protection in chip.protections:
        try:
            if protection.kind in _COVERING:
                here = [cover for cover in covers if cover.protection == protection.name]
                settings += _covering(chip, protection, here)
                if protection.kind is ProtectionKind.SECURE_SPLIT and Foundation.SECURE_SPLIT in usable:
                    settings += sau_settings(protection, non_secure_spans(product, map_))
            elif protection.kind in _CLOSING and protection.lock is not Lock.NONE:
                settings += _closing(chip, protection)
            elif protection is fencing_unit(chip):
                settings += _fencing(product, map_, protection, usable, isolation)
        except PlanError as error:
            conflicts.append(
                Conflict("lockdown.encoding", (), f"{protection.name}: {error.found}", error.next_step or "see the map")
            )
    for setting in settings:
        field = next((f for f in chip.lock_fields if f.name == setting.field), None)
        if field is not None and _is_one_way(chip, field, setting):
            conflicts.append(
                Conflict(
                    "lockdown.encoding",
                    (),
                    f"{setting.name}: 0x{setting.value:X} cannot be programmed over 0x{setting.delivered or 0:X} in "
                    "one-time words, whose bits change in one direction",
                    "check `active_low`, `locked` and `delivered` of the lock field",
                )
            )
    return Made(tuple(settings), tuple(conflicts))


def memory_of(chip: Chip, address: int) -> Memory | None:
    """Return the memory in which an address lies, None for a register."""
    return next((m for m in chip.memories if m.base <= address < m.end), None)


def is_stored(chip: Chip, field: LockField) -> bool:
    """Return whether a field keeps its value without power: it lies in a memory that is not RAM."""
    memory = memory_of(chip, field.address)
    return memory is not None and memory.kind is not MemoryKind.RAM


def complement_place(chip: Chip, field: LockField) -> tuple[int, int] | None:
    """Return the word in which a settings field's complement stands and how far up; None where it has none.

    In a settings area whose words have complements a value without its own is a torn word, which loads as a default.
    """
    memory = memory_of(chip, field.address)
    area = next((a for a in chip.settings_areas if memory is not None and a.memory == memory.name), None)
    if area is None or area.complement is Complement.NONE:
        return None
    up = 16 if area.complement is Complement.UPPER_HALF else 32
    if field.low + field.bits + up <= field.width:
        return field.address, up
    words, shift = divmod(up, field.width)
    return field.address + words * field.width // 8, shift


def delivered_value(chip: Chip, field: LockField) -> int:
    """Return a field's value before the lock-down, shifted to its place: as described, erased, or 0 for registers."""
    if field.delivered is not None:
        return field.delivered << field.low
    memory = memory_of(chip, field.address)
    erased = memory is not None and memory.kind is not MemoryKind.RAM and memory.erased == 0xFF
    return field.mask if erased else 0


def _is_one_way(chip: Chip, field: LockField, setting: SettingValue) -> bool:
    memory = memory_of(chip, field.address)
    if memory is None or memory.kind is not MemoryKind.ONE_TIME:
        return False
    before, after = delivered_value(chip, field), setting.value
    return bool(after & ~before if memory.erased == 0xFF else before & ~after)


def _moments(covers: Iterable[Cover]) -> list[Moment]:
    there = {cover.moment for cover in covers}
    return [moment for moment in Moment if moment in there]


def _covering(chip: Chip, protection: Protection, covers: Sequence[Cover]) -> list[SettingValue]:
    if not covers:
        return []
    own = [field for field in chip.find_lock_fields(protection.name) if not field.stored_in]
    made: list[SettingValue] = []
    written = ""
    for moment in _moments(covers):
        here = [cover for cover in covers if cover.moment is moment]
        for name in dict.fromkeys(cover.memory for cover in here):
            memory = chip.memory(name)
            spans = [Span(cover.address, cover.end) for cover in here if cover.memory == name]
            if own and written in ("", name):
                written = name
                made += [
                    _field_setting(chip, protection, value, moment)
                    for value in fields.encode(protection, own, memory, spans)
                ]
            else:
                made.append(_granules(protection, memory, spans, moment))
    # A stored field has one value, the one of the first moment; the others belong to registers alone.
    seen: set[str] = set()
    kept = []
    for setting in made:
        if setting.stored and setting.name in seen:
            continue
        seen.add(setting.name)
        kept.append(setting)
    return kept


def _field_setting(chip: Chip, protection: Protection, value: fields.FieldValue, moment: Moment) -> SettingValue:
    field = value.field
    stored = is_stored(chip, field)
    if stored:
        moment = Moment.FACTORY
    elif moment is Moment.FACTORY:
        moment = Moment.START
    place = complement_place(chip, field)
    says = value.says
    if place is not None:
        says += f"; its complement at 0x{place[0]:08X}, mask 0x{field.mask << place[1]:X}"
    return SettingValue(
        name=field.name,
        protection=protection.name,
        field=field.name,
        address=field.address,
        number=None,
        width=field.width,
        value=value.value,
        mask=field.mask,
        delivered=delivered_value(chip, field),
        stored=stored,
        lock=protection.lock,
        moment=moment,
        source=fields.SOURCE,
        says=says,
    )


def _granules(protection: Protection, memory: Memory, spans: Sequence[Span], moment: Moment) -> SettingValue:
    granule = protection.granule or memory.runs[0].size
    count = -(-memory.size // granule)
    numbers = [
        n for s in spans for n in range((s.start - memory.base) // granule, -(-(s.end - memory.base) // granule))
    ]
    says = ", ".join(f"0x{s.start:08X} to 0x{s.end - 1:08X}" for s in spans)
    return SettingValue(
        name=f"{protection.name} ({memory.name})",
        protection=protection.name,
        field="",
        address=None,
        number=None,
        width=count,
        value=sum(1 << n for n in numbers),
        mask=(1 << count) - 1,
        delivered=None,
        stored=protection.lock is not Lock.UNTIL_RESET,
        lock=protection.lock,
        moment=moment,
        source="granules counted; the data sheet says where this is written",
        says=f"{says}, granules of {granule} bytes",
    )


def _closing(chip: Chip, protection: Protection) -> list[SettingValue]:
    own = [
        field
        for field in chip.find_lock_fields(protection.name)
        if not field.stored_in and field.role is LockRole.LEVEL and field.locked is not None
    ]
    made = []
    for field in own:
        assert field.locked is not None
        value = fields.FieldValue(field, field.locked << field.low, f"closed: 0x{field.locked:X}")
        made.append(_field_setting(chip, protection, value, Moment.FACTORY))
    if made:
        return made
    return [
        SettingValue(
            name=protection.name,
            protection=protection.name,
            field="",
            address=None,
            number=None,
            width=1,
            value=1,
            mask=1,
            delivered=None,
            stored=True,
            lock=protection.lock,
            moment=Moment.FACTORY,
            source="in words; the data sheet says what is written where",
            says="closed",
        )
    ]


def _fencing(
    product: Product, map_: Map, unit: Protection, usable: frozenset[Foundation], isolation: Foundation
) -> list[SettingValue]:
    if Foundation.LOCKED_REGIONS in usable and unit.kind is ProtectionKind.PHYSICAL_MEMORY_PROTECTION:
        return list(unit_settings(unit, locked_claims(product, map_, unit.granule, unit.unit), lock=True))
    if Foundation.PROTECTION_UNIT in usable or (product.unprivileged and isolation is not Foundation.NONE):
        claims = unprivileged_claims(product, map_, unit.granule, unit.unit)
        return [replace(setting, lock=Lock.NONE) for setting in unit_settings(unit, claims, lock=False)]
    return []
