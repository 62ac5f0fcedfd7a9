"""Lock fields and settings fields of one part: two tables may name the same bits, and must then say the same.

A [[settings.field]] says which bits of a settings area decide on a protection, and what a cut leaves of them; a
[[lock_field]] says which value is written to lock. Where both speak of one protection they have to mean one place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rootwright.describe.chip import MemoryKind, ProtectionKind
from rootwright.describe.chip_file import ChipForm, MemoryForm, ProtectionForm, protection_names
from rootwright.describe.forms import UnreadableField
from rootwright.describe.lock_field import LockRole
from rootwright.describe.lock_field_file import LockFieldForm
from rootwright.describe.lock_implied import KINDS
from rootwright.describe.problems import Fault, KeyPath, shown
from rootwright.describe.settings import Complement, Purpose
from rootwright.describe.settings_file import SettingsFieldForm, SettingsForm
from rootwright.describe.units import address_words

MOST_TABLES = 64

_ALSO = {
    Purpose.LIFE_CYCLE: (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK),
    Purpose.BOOT_ADDRESS: (ProtectionKind.FIXED_RESET_ENTRY,),
    Purpose.WATCHDOG: (ProtectionKind.WATCHDOG,),
    Purpose.OTHER: tuple(kind for kind in ProtectionKind if kind not in KINDS.values()),
}


@dataclass(frozen=True, slots=True)
class _Lock:
    """A lock field, and the bits of the address space that it takes: 8 to each address, lowest first."""

    path: KeyPath
    form: LockFieldForm
    start: int
    end: int
    protection: ProtectionForm | None
    stored: bool


@dataclass(frozen=True, slots=True)
class _Setting:
    """A settings field with its area and its bits, counted alike."""

    form: SettingsFieldForm
    area: SettingsForm
    base: int
    start: int
    end: int


def place_checks(form: ChipForm) -> list[Iterator[Fault]]:
    """Return the checks that lock fields and settings fields do not contradict one another."""
    return [_apart(form), _same_bits(form), _twice(form), _complements(form), _names(form)]


def bits_words(start: int, end: int) -> str:
    """Return a run of bits in words, by the 32-bit word that it begins in.

    >>> bits_words(0x1000 * 8 + 36, 0x1000 * 8 + 40)
    'bits 4 to 7 at 0x1004'
    """
    word, low = divmod(start, 32)
    high = low + end - start - 1
    return f"bit{f' {low}' if low == high else f's {low} to {high}'} at {address_words(word * 4)}"


def _locks(form: ChipForm) -> list[_Lock]:
    protections = dict(zip(protection_names(form.protection), form.protection, strict=True))
    memories = [m for m in form.memory[:MOST_TABLES] if m.kind is not MemoryKind.RAM]
    found = []
    for index, each in enumerate(form.lock_field[:MOST_TABLES]):
        try:
            start = each.address * 8 + each.low
            stored = any(m.base <= each.address < m.base + _size(m) for m in memories)
            protection = protections.get(each.protection or "")
            found.append(_Lock(("lock_field", index), each, start, start + each.count(), protection, stored))
        except UnreadableField:
            continue
    return found


def _settings(form: ChipForm) -> list[_Setting]:
    bases = {memory.name: memory.base for memory in form.memory[:MOST_TABLES]}
    found = []
    for area in form.settings[:MOST_TABLES]:
        for field in area.field[:MOST_TABLES]:
            if area.memory in bases:
                start = (bases[area.memory] + field.offset) * 8 + field.bit
                found.append(_Setting(field, area, bases[area.memory], start, start + field.width))
    return found


def _size(memory: MemoryForm) -> int:
    return sum(run.count * run.size for run in memory.sectors[:MOST_TABLES])


def _meet(one: _Lock | _Setting, other: _Lock | _Setting) -> bool:
    return one.start < other.end and other.start < one.end


def _apart(form: ChipForm) -> Iterator[Fault]:
    """Yield lock fields that share bits, also through words of different widths."""
    locks = _locks(form)
    for number, each in enumerate(locks):
        for other in locks[:number]:
            if _meet(each, other):
                yield Fault((*each.path, "low"), f"bits that {shown(other.form.name)} has too", "bits of its own")


def _same_bits(form: ChipForm) -> Iterator[Fault]:
    """Yield what a lock field and a settings field that share bits say differently."""
    for lock in _locks(form):
        for setting in _settings(form):
            if _meet(lock, setting):
                yield from _differences(lock, setting)


def _differences(lock: _Lock, setting: _Setting) -> Iterator[Fault]:
    field = setting.form
    name = f"the settings field {shown(field.name)}"
    if lock.protection is None:
        if lock.form.role in (LockRole.UNIT, LockRole.SILICON) and field.purpose is not Purpose.OTHER:
            found = f"{shown(lock.form.role.value)} in bits of {name}"
            yield Fault((*lock.path, "role"), found, f"bits of its own: those decide on the {field.purpose.value}")
        return
    kinds = (KINDS[field.purpose],) if field.purpose in KINDS else _ALSO.get(field.purpose, ())
    if lock.protection.kind not in kinds:
        yield Fault(
            (*lock.path, "protection"),
            f"{shown(lock.form.protection)}, a {lock.protection.kind.value}",
            f"what {name} decides with the same bits: {field.purpose.value}",
            "one of the two tables has the wrong place or the wrong meaning",
        )
        return
    inside = lock.start <= setting.start and setting.end <= lock.end
    around = setting.start <= lock.start and lock.end <= setting.end
    if not inside and not around:
        yield Fault(
            (*lock.path, "low"),
            bits_words(lock.start, lock.end),
            f"the bits that {name} has: {bits_words(setting.start, setting.end)}",
        )
    if lock.form.role is LockRole.MASK and lock.form.active_low != field.active_low:
        yield Fault(
            (*lock.path, "active_low"),
            str(lock.form.active_low).lower(),
            f"{str(field.active_low).lower()}, as {name} says of the same bits",
        )
    single = (lock.start, lock.end) == (setting.start, setting.end) and field.width == 1 and not field.values
    on = 0 if field.active_low else 1
    if lock.form.role is LockRole.LEVEL and single and lock.form.locked not in (None, on):
        yield Fault(
            (*lock.path, "locked"), str(lock.form.locked), f"{on}: {name} is switched on by a {on} in the same bit"
        )


def _twice(form: ChipForm) -> Iterator[Fault]:
    """Yield stored lock fields of a protection that a settings field of the same purpose puts somewhere else."""
    locks, settings = _locks(form), _settings(form)
    kinds = [protection.kind for protection in form.protection]
    for setting in settings:
        kind = KINDS.get(setting.form.purpose)
        if kind is None or any(_meet(lock, setting) for lock in locks):
            continue
        for lock in locks:
            way = lock.protection
            if way is None or way.kind is not kind or not lock.stored or any(_meet(lock, each) for each in settings):
                continue
            home = way.held_in == setting.area.memory or (way.held_in is None and kinds.count(kind) == 1)
            if home or setting.base <= lock.form.address < setting.base + _area_size(form, setting):
                yield Fault(
                    (*lock.path, "address"),
                    bits_words(lock.start, lock.end),
                    f"the place that the settings field {shown(setting.form.name)} gives the {kind.value}: "
                    f"{bits_words(setting.start, setting.end)}",
                    "one of the two is wrong; where the part has both, describe two protections, and say `held_in` of "
                    "the one in the settings area",
                )


def _area_size(form: ChipForm, setting: _Setting) -> int:
    return next((_size(memory) for memory in form.memory if memory.name == setting.area.memory), 0)


def _complements(form: ChipForm) -> Iterator[Fault]:
    """Yield lock fields in bits of a settings area that hold the complement of others."""
    areas = {area.memory: area for area in form.settings[:MOST_TABLES]}
    for memory in form.memory[:MOST_TABLES]:
        area = areas.get(memory.name)
        if area is None or area.complement is Complement.NONE:
            continue
        period, own = (32, 16) if area.complement is Complement.UPPER_HALF else (64, 32)
        for lock in _locks(form):
            if memory.base <= lock.form.address < memory.base + _size(memory):
                low = (lock.start - memory.base * 8) % period
                if low + lock.end - lock.start > own:
                    yield Fault(
                        (*lock.path, "low"),
                        bits_words(lock.start, lock.end),
                        f"bits that hold a value: the {area.complement.value} of {shown(memory.name)} is a complement",
                    )


def _names(form: ChipForm) -> Iterator[Fault]:
    """Yield lock fields that are called like a settings field of other bits: a sheet would have two of one name."""
    settings = {setting.form.name: setting for setting in _settings(form)}
    for lock in _locks(form):
        other = settings.get(lock.form.name)
        if other is not None and not _meet(lock, other):
            yield Fault(
                (*lock.path, "name"),
                f"{shown(lock.form.name)}, which a settings field of other bits is called too",
                "a different name for each",
            )
