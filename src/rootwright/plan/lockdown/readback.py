"""The capture sheet: which field is read where, who can see it in which state, and what it must say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rootwright.describe.chip import Chip, Lock, ProtectionKind
from rootwright.describe.lock_field import LifeState, LockField, LockRole, Observer
from rootwright.plan.lockdown.result import Moment, Readback, SettingValue, Visible
from rootwright.plan.lockdown.settings import complement_place, delivered_value, is_stored, memory_of

AIMS: dict[ProtectionKind, tuple[str, ...]] = {
    ProtectionKind.WRITE_PROTECTION: ("root-fixed", "anchors-fixed", "code-by-update-only", "floor-kept"),
    ProtectionKind.DEBUG_LOCK: ("debug-closed", "root-fixed"),
    ProtectionKind.EXTERNAL_READ_LOCK: ("reading-closed", "secrets-unread"),
    ProtectionKind.SECURE_SPLIT: ("root-apart", "secrets-unread"),
    ProtectionKind.CLOSED_UNTIL_RESET: ("root-apart", "secrets-unread"),
    ProtectionKind.GATED_CODE: ("root-apart", "secrets-unread"),
}

_MEANS: dict[ProtectionKind, str] = {
    ProtectionKind.WRITE_PROTECTION: "a block that must be closed is open, or one that must stay open is closed",
    ProtectionKind.DEBUG_LOCK: "a debug probe may still attach: whoever holds the device reads and replaces everything",
    ProtectionKind.EXTERNAL_READ_LOCK: "memory may still be read out at the connector",
    ProtectionKind.SECURE_SPLIT: "the boundary between the two sides is not where the plan has it",
    ProtectionKind.CLOSED_UNTIL_RESET: "the boot stage's area is not the one that is closed",
    ProtectionKind.GATED_CODE: "the gate is not where the plan has it",
}


def make_readback(chip: Chip, settings: Sequence[SettingValue]) -> tuple[Readback, ...]:
    """Return the capture sheet's fields, in the chip file's order; what nothing is planned for is don't care."""
    kinds = {p.name: p.kind for p in chip.protections}
    locks = {p.name: p.lock for p in chip.protections}
    values: dict[str, SettingValue] = {}
    for setting in settings:
        if setting.field and setting.moment in (Moment.FACTORY, Moment.START):
            values.setdefault(setting.field, setting)
    found = []
    for field in chip.lock_fields:
        value, mask = _expected(chip, field, values)
        kind = kinds.get(field.protection)
        partner = field.stored_in or next((f.name for f in chip.lock_fields if f.stored_in == field.name), "")
        found.append(
            Readback(
                name=field.name,
                address=field.address,
                width=field.width,
                stored=is_stored(chip, field),
                partner=partner,
                value=value,
                mask=mask,
                visible=tuple(Visible(state, seers) for state, seers in _visible(chip, dict(field.visible))),
                aims=AIMS.get(kind, ()) if kind else (),
                means=_means(field, kind),
                delivered=delivered_value(chip, field) & mask,
                closes=kind in (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK),
                lasts=locks.get(field.protection) is not Lock.ERASE_TO_OPEN,
                is_unit=field.role is LockRole.UNIT,
                is_silicon=field.role is LockRole.SILICON,
                bits=field.mask,
            )
        )
        place = complement_place(chip, field)
        if mask and place is not None:
            found.append(_complement(chip, found[-1], *place))
    return (*found, *_settings_fields(chip))


def _complement(chip: Chip, of: Readback, address: int, shift: int) -> Readback:
    """Return what must stand where a settings word has its complement; delivered, it is as erased as the word."""
    mask = of.mask << shift
    given = next(field.delivered for field in chip.lock_fields if field.name == of.name)
    memory = memory_of(chip, address)
    erased = mask if memory is not None and memory.erased == 0xFF else 0
    return replace(
        of,
        name=f"{of.name}-complement",
        address=address,
        partner="",
        value=(of.value ^ of.mask) << shift,
        mask=mask,
        bits=mask,
        delivered=erased if given is None else (of.delivered ^ of.mask) << shift,
        means=f"it is not the complement of {of.name}: the part takes the word for a torn one and loads its default",
    )


def _settings_fields(chip: Chip) -> list[Readback]:
    """Return the settings fields that no lock field describes: nothing is planned for them, and they can be read."""
    taken = [(f.address * 8 + f.low, f.address * 8 + f.low + f.bits) for f in chip.lock_fields]
    found = []
    for area in chip.settings_areas:
        for field in area.fields:
            address = chip.memory(area.memory).base + field.offset
            start = address * 8 + field.bit
            if any(low < start + field.width and start < high for low, high in taken):
                continue
            found.append(
                Readback(
                    name=field.name,
                    address=address,
                    width=32,
                    stored=True,
                    partner="",
                    value=0,
                    mask=0,
                    visible=tuple(Visible(state, seers) for state, seers in _visible(chip, {})),
                    aims=(),
                    means=f"it decides on the {field.purpose.value}; the plan has no value for it",
                    bits=((1 << field.width) - 1) << field.bit,
                    meanings=tuple((row.value << field.bit, row.means) for row in field.values),
                    otherwise=field.otherwise,
                )
            )
    return found


def _means(field: LockField, kind: ProtectionKind | None) -> str:
    if field.role is LockRole.UNIT:
        return "says which unit this is"
    if field.role is LockRole.SILICON:
        return "this is not the silicon revision that the chip file describes; its settings may mean something else"
    return _MEANS.get(kind, "the protection is not set as planned") if kind else "the protection is not set as planned"


def _expected(chip: Chip, field: LockField, values: dict[str, SettingValue]) -> tuple[int, int]:
    if field.role is LockRole.UNIT:
        return 0, 0
    if field.role is LockRole.SILICON:
        return (0, 0) if field.locked is None else (field.locked << field.low, field.mask)
    if field.name in values:
        return values[field.name].value, values[field.name].mask
    if field.stored_in in values:
        if field.role is LockRole.LEVEL and field.locked is not None:
            return field.locked << field.low, field.mask
        source = next(f for f in chip.lock_fields if f.name == field.stored_in)
        value = values[field.stored_in].value >> source.low
        return (value << field.low) & field.mask, field.mask
    return 0, 0


def _visible(
    chip: Chip, given: Mapping[LifeState, tuple[Observer, ...]]
) -> list[tuple[LifeState, tuple[Observer, ...]]]:
    """Return who sees a field in each state; what the chip file does not say follows the debug port."""
    inside = (Observer.BOOT, Observer.APPLICATION)
    everyone = (Observer.PROBE, *inside)
    debug = [p.lock for p in chip.find_protections(ProtectionKind.DEBUG_LOCK) if p.lock is not Lock.NONE]
    closed = inside if debug else everyone
    opened = everyone if not debug or Lock.ERASE_TO_OPEN in debug else inside
    rule = {
        LifeState.DEVELOPMENT: everyone,
        LifeState.PRODUCTION: closed,
        LifeState.FIELD_RETURN: opened,
        LifeState.END_OF_LIFE: closed,
    }
    return [(state, given.get(state, rule[state])) for state in LifeState]
