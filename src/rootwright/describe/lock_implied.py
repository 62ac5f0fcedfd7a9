"""Lock fields that a part's settings fields say by themselves, so that nobody has to write them twice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rootwright.describe.chip import Lock, Memory, Protection, ProtectionKind
from rootwright.describe.lock_field import LockField, LockRole
from rootwright.describe.settings import Purpose, SettingsArea

KINDS = {
    Purpose.WRITE_PROTECTION: ProtectionKind.WRITE_PROTECTION,
    Purpose.EXTERNAL_READ_LOCK: ProtectionKind.EXTERNAL_READ_LOCK,
    Purpose.DEBUG_LOCK: ProtectionKind.DEBUG_LOCK,
    Purpose.SECURE_SPLIT: ProtectionKind.SECURE_SPLIT,
}
"""The kind of protection that a settings field of each purpose sets."""

_PORTS = (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK)


def implied_protections(memories: Sequence[Memory], given: Sequence[Protection]) -> tuple[Protection, ...]:
    """Return the write protections that lock units of one-time words imply: permanent, and in whole units.

    Nothing is implied for a memory whose write protection the chip file describes.
    """
    taken = {each.name for each in given}
    described = {name for each in given if each.kind is ProtectionKind.WRITE_PROTECTION for name in each.covers}
    found = []
    for memory in memories:
        name = f"{memory.name}-locks"
        if memory.lock_unit and memory.name not in described and name not in taken:
            found.append(
                Protection(
                    ProtectionKind.WRITE_PROTECTION, (memory.name,), memory.lock_unit, lock=Lock.PERMANENT, name=name
                )
            )
    return tuple(found)


def implied_fields(
    protections: Sequence[Protection],
    areas: Sequence[SettingsArea],
    bases: Mapping[str, int],
    given: Sequence[LockField],
) -> tuple[LockField, ...]:
    """Return the lock fields that settings fields imply: one bit that switches a port's lock on.

    Nothing is implied for a protection that has lock fields of its own, nor for values that only words explain, nor for
    masks: which sector a bit stands for is the data sheet's to say.

    Args:
        protections: The part's protections.
        areas: Its settings areas.
        bases: The first address of each memory, by name.
        given: The lock fields that the chip file has.
    """
    described = {each.protection for each in given}
    taken = {each.name for each in given}
    found = []
    for area in areas:
        for field in area.fields:
            kind = KINDS.get(field.purpose)
            alike = [way for way in protections if way.kind is kind]
            ways = [w for w in alike if w.held_in == area.memory or (not w.held_in and len(alike) == 1)]
            is_plain = field.width == 1 and not field.values and field.name not in taken
            if kind in _PORTS and is_plain and len(ways) == 1 and ways[0].name not in described:
                found.append(
                    LockField(
                        name=field.name,
                        role=LockRole.LEVEL,
                        address=bases[area.memory] + field.offset,
                        protection=ways[0].name,
                        low=field.bit,
                        bits=1,
                        locked=0 if field.active_low else 1,
                    )
                )
    return tuple(found)
