"""What a chip file must satisfy beyond its single fields: the memory model's rules."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from rootwright.describe.chip import MemoryKind, ProtectionKind, Reprogram
from rootwright.describe.chip_file import ChipForm, MemoryForm, ProtectionForm, TimingForm, protection_names
from rootwright.describe.forms import Form, UnreadableField, run_checks
from rootwright.describe.lock_field_file import LockFieldForm, check_meaning, check_place
from rootwright.describe.lock_places import place_checks
from rootwright.describe.problems import Fault, KeyPath, did_you_mean, listed, shown
from rootwright.describe.settings_checks import settings_checks
from rootwright.describe.units import LARGEST_SIZE, address_words, size_words

MOST_SECTORS = 1 << 16
MOST_TABLES = 64
"""More memories, runs, erase commands or protections than any part has; a hostile file must not cost time."""


def check_chip(form: ChipForm) -> list[Fault]:
    """Return every contradiction in a chip file; checks that need an unreadable field are left out."""
    checks: list[Iterator[Fault]] = [_names(form), _some_memory(form), _too_many((), form, "memory")]
    checks.append(_too_many((), form, "protection"))
    memories = _readable(form, "memory")
    for index, memory in enumerate(memories):
        path: KeyPath = ("memory", index)
        checks += [
            _range(path, memory),
            _too_many(path, memory, "sectors"),
            _too_many(path, memory, "erase"),
            _units(path, memory),
            _sectors(path, memory),
            _erase(path, memory),
            _erase_sizes(path, memory),
            _banks(path, memory),
            _program(path, memory),
            _ram(path, memory),
            _reprogram(path, memory),
            *(_timing((*path, "erase", i), timing) for i, timing in enumerate(_readable(memory, "erase"))),
            _program_timing(path, memory),
        ]
    checks += [_overlap(i, a, j, b) for (i, a), (j, b) in combinations(enumerate(memories), 2)]
    for index, protection in enumerate(_readable(form, "protection")):
        checks += [
            _covers(("protection", index), protection, form),
            _granule(("protection", index), protection, form),
        ]
        checks.append(_split(("protection", index), protection))
    checks += [_protection_names(form), _too_many((), form, "lock_field"), _lock_field_names(form)]
    for index, each in enumerate(_readable(form, "lock_field")):
        checks += [check_place(("lock_field", index), each), _lock_field(("lock_field", index), each, form)]
    checks += [*settings_checks(form), *place_checks(form), _crypto_timing(form), _verify_timings(form), _reset(form)]
    return run_checks(checks)


def _readable(form: Form, name: str) -> list:  # type: ignore[type-arg]
    """Return a list field up to the most entries that make sense, or nothing where it could not be read at all."""
    try:
        return list(getattr(form, name))[:MOST_TABLES]
    except UnreadableField:
        return []


def _too_many(path: KeyPath, form: Form, name: str) -> Iterator[Fault]:
    count = len(getattr(form, name))
    if count > MOST_TABLES:
        yield Fault((*path, name), f"{count} entries", f"at most {MOST_TABLES}")


def _sizes(memory: MemoryForm) -> list[tuple[int, int]]:
    return [(run.count, run.size) for run in memory.sectors[:MOST_TABLES]]


def _size(memory: MemoryForm) -> int:
    return sum(count * size for count, size in _sizes(memory))


def _needs_erase(memory: MemoryForm) -> bool:
    if memory.kind in (MemoryKind.RAM, MemoryKind.ONE_TIME):
        return False
    return not ("erased" in memory.model_fields_set and memory.erased is None)


def _some_memory(form: ChipForm) -> Iterator[Fault]:
    if not form.memory:
        yield Fault(("memory",), "no memory", "at least one table [[memory]]")
    elif not any(memory.kind is MemoryKind.RAM for memory in form.memory):
        yield Fault(("memory",), "no RAM", 'a table [[memory]] with kind = "ram"')


def _names(form: ChipForm) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for index, memory in enumerate(_readable(form, "memory")):
        yield from run_checks([_one_name(seen, index, memory)])


def _one_name(seen: dict[str, int], index: int, memory: MemoryForm) -> Iterator[Fault]:
    if memory.name in seen:
        yield Fault(
            ("memory", index, "name"), f"{shown(memory.name)} a second time", "a different name for each memory"
        )
    seen.setdefault(memory.name, index)


def _range(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if not memory.sectors:
        yield Fault((*path, "sectors"), "an empty array", 'at least one entry such as { count = 128, size = "4 KiB" }')
    count = sum(count for count, _ in _sizes(memory))
    if count > MOST_SECTORS:
        yield Fault(
            (*path, "sectors"),
            f"{count} sectors",
            f"at most {MOST_SECTORS}",
            "RAM and other memories without erase can be described in larger pieces",
        )
    end = memory.base + _size(memory)
    if end > LARGEST_SIZE:
        yield Fault(
            (*path, "base"),
            f"an end at 0x{end:X}",
            "an end inside the 32-bit address space",
            "check base and sector count",
        )


def _units(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    unit = memory.program_unit
    if unit == 0:
        yield Fault((*path, "program_unit"), "0", "at least one byte")
        return
    if memory.base % unit:
        yield Fault((*path, "base"), address_words(memory.base), f"a multiple of the program unit ({size_words(unit)})")
    tear = unit if memory.tear_unit is None else memory.tear_unit
    if tear == 0 or tear % unit:
        more = max(1, -(-tear // unit)) * unit
        yield Fault(
            (*path, "tear_unit"),
            size_words(tear),
            f"a multiple of the program unit ({size_words(unit)})",
            f'did you mean "{size_words(more)}"?',
        )
        return
    for index, (_, size) in enumerate(_sizes(memory)):
        if size and size % tear:
            place = (*path, "sectors", index, "size")
            yield Fault(place, size_words(size), f"a multiple of the tear unit ({size_words(tear)})")


def _sectors(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    for index, (_, size) in enumerate(_sizes(memory)):
        if size == 0:
            yield Fault((*path, "sectors", index, "size"), "0", "a sector of at least one program unit")
    if not _needs_erase(memory):
        return
    offset = 0
    for index, (count, size) in enumerate(_sizes(memory)):
        if size and (memory.base + offset) % size:
            yield Fault(
                (*path, "sectors", index),
                f"sectors of {size_words(size)} from {address_words(memory.base + offset)} on",
                "each sector aligned to its own size",
                "check the base and the order of the pattern",
            )
        offset += count * size


def _erase(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if _needs_erase(memory):
        if not memory.erase:
            yield Fault(
                (*path, "erase"),
                "no erase command",
                'at least one such as { size = "4 KiB", typ = "20 ms", max = "60 ms" }',
                'a memory without erase says erased = "none"',
            )
        return
    if memory.erase:
        why = f"none: the kind is {shown(memory.kind.value)}"
        if memory.kind not in (MemoryKind.RAM, MemoryKind.ONE_TIME):
            why = 'none, because erased = "none"'
        yield Fault((*path, "erase"), "erase commands", why)
    if memory.kind is MemoryKind.RAM and memory.erased is not None:
        yield Fault((*path, "erased"), f"0x{memory.erased:02X}", '"none": RAM needs no erase')


def _erase_sizes(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if not memory.erase or not _needs_erase(memory):
        return
    commands = [erase.size for erase in memory.erase[:MOST_TABLES]]
    sizes = sorted({size for _, size in _sizes(memory) if size})
    for index, size in enumerate(commands):
        place: KeyPath = (*path, "erase", index, "size")
        if index and size <= commands[index - 1]:
            yield Fault(place, size_words(size), f"more than the command before ({size_words(commands[index - 1])})")
        elif sizes and (size == 0 or size % sizes[0]):
            expected = f"a multiple of the smallest sector ({size_words(sizes[0])})"
            yield Fault(place, size_words(size), expected)
    for size in sizes:
        if size not in commands:
            yield Fault(
                (*path, "erase"),
                f"no erase command for sectors of {size_words(size)}",
                "an erase command of the size of each kind of sector",
                f"the commands are {', '.join(size_words(c) for c in commands)}",
            )


def _banks(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if memory.banks != 2 or sum(count for count, _ in _sizes(memory)) > MOST_SECTORS:
        return
    flat = [size for count, size in _sizes(memory) for _ in range(count)]
    half = len(flat) // 2
    if len(flat) % 2 or flat[:half] != flat[half:]:
        yield Fault(
            (*path, "banks"),
            "2 with unequal halves",
            "a sector pattern whose second half repeats the first",
            "check the counts, or write banks = 1",
        )


def _program(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if memory.kind is not MemoryKind.RAM and memory.program is None:
        yield Fault(
            (*path, "program"), "nothing", 'the time to program one unit: program = { typ = "85 us", max = "125 us" }'
        )


def _ram(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if memory.kind is MemoryKind.RAM and memory.endurance:
        yield Fault((*path, "endurance"), str(memory.endurance), "0: RAM does not wear")
    elif memory.kind in (MemoryKind.FLASH, MemoryKind.EXTERNAL) and not memory.endurance and _needs_erase(memory):
        yield Fault(
            (*path, "endurance"), "0", "the guaranteed erase cycles of a sector: flash wears", "10_000 is common"
        )


def _reprogram(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    given = "reprogram_times" in memory.model_fields_set
    if memory.reprogram is Reprogram.TIMES and not given:
        yield Fault((*path, "reprogram_times"), "nothing", 'a number, because reprogram = "times"')
    elif given and memory.reprogram is not Reprogram.TIMES:
        found = str(memory.reprogram_times)
        yield Fault((*path, "reprogram_times"), found, f"nothing, because reprogram = {shown(memory.reprogram.value)}")


def _timing(path: KeyPath, timing: TimingForm) -> Iterator[Fault]:
    if timing.typ > timing.max:
        yield Fault(
            (*path, "typ"),
            f"typ = {timing.typ:g} s above max = {timing.max:g} s",
            "a typical time that is not above the maximum",
            "are typ and max swapped?",
        )


def _program_timing(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if memory.program is not None:
        yield from _timing((*path, "program"), memory.program)


def _crypto_timing(form: ChipForm) -> Iterator[Fault]:
    yield from _timing(("crypto", "sha256_per_kib"), form.crypto.sha256_per_kib)


def _verify_timings(form: ChipForm) -> Iterator[Fault]:
    for name, timing in form.crypto.verify.items():
        if not name.strip() or len(name) > 32 or not name.isprintable():
            yield Fault(("crypto", "verify", name), shown(name), "the name of a signature algorithm such as ESP256")
        yield from run_checks([_timing(("crypto", "verify", name), timing)])


def _overlap(i: int, a: MemoryForm, j: int, b: MemoryForm) -> Iterator[Fault]:
    a_end, b_end = a.base + _size(a), b.base + _size(b)
    if a.base < b_end and b.base < a_end:
        low = max(a.base, b.base)
        yield Fault(
            ("memory", j, "base"),
            f"{shown(b.name)} at {address_words(b.base)}, which overlaps {shown(a.name)} from {address_words(low)} on",
            "memories that share no address",
            f"{shown(a.name)} ends at {address_words(a_end)}",
        )


def _covers(path: KeyPath, protection: ProtectionForm, form: ChipForm) -> Iterator[Fault]:
    known = [memory.name for memory in form.memory]
    for index, name in enumerate(protection.covers):
        if name not in known:
            expected = f"the name of a memory: {listed(known)}"
            yield Fault((*path, "covers", index), shown(name), expected, did_you_mean(name, known))
    if protection.kind is ProtectionKind.WRITE_PROTECTION and not protection.covers:
        yield Fault((*path, "covers"), "no memory", f"the memories that it covers: {listed(known)}")


def _granule(path: KeyPath, protection: ProtectionForm, form: ChipForm) -> Iterator[Fault]:
    if protection.kind is not ProtectionKind.WRITE_PROTECTION or not protection.granule:
        return
    memories = {memory.name: memory for memory in form.memory}
    for name in protection.covers:
        sizes = [size for _, size in _sizes(memories[name])] if name in memories else []
        smallest = min(sizes, default=0)
        if smallest and protection.granule % smallest:
            yield Fault(
                (*path, "granule"),
                size_words(protection.granule),
                f"whole sectors: a multiple of {size_words(smallest)}, the smallest sector of {shown(name)}",
                "0 stands for each sector by itself",
            )


def _split(path: KeyPath, protection: ProtectionForm) -> Iterator[Fault]:
    if protection.memory_side and protection.kind is not ProtectionKind.SECURE_SPLIT:
        expected = f"nothing: only {shown(ProtectionKind.SECURE_SPLIT.value)} has a memory side"
        yield Fault((*path, "memory_side"), "true", expected)
    units = (ProtectionKind.PROTECTION_UNIT, ProtectionKind.PHYSICAL_MEMORY_PROTECTION)
    if protection.unit is not None and protection.kind not in units:
        yield Fault(
            (*path, "unit"), shown(protection.unit.value), f"nothing: the kind is {shown(protection.kind.value)}"
        )


def _protection_names(form: ChipForm) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, name in enumerate(protection_names(form.protection)):
        if name in seen:
            expected = "a different name for each protection"
            yield Fault(("protection", index, "name"), f"{shown(name)} a second time", expected)
        seen.add(name)


def _lock_field_names(form: ChipForm) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, each in enumerate(_readable(form, "lock_field")):
        yield from run_checks([_one_lock_field_name(seen, index, each)])


def _one_lock_field_name(seen: set[str], index: int, each: LockFieldForm) -> Iterator[Fault]:
    if each.name in seen:
        yield Fault(
            ("lock_field", index, "name"), f"{shown(each.name)} a second time", "a different name for each lock field"
        )
    seen.add(each.name)


def _lock_field(path: KeyPath, each: LockFieldForm, form: ChipForm) -> Iterator[Fault]:
    names = [other.name for other in form.lock_field[:MOST_TABLES]]
    yield from check_meaning(path, each, protection_names(form.protection), names)


def _reset(form: ChipForm) -> Iterator[Fault]:
    if any(protection.kind is ProtectionKind.FIXED_RESET_ENTRY for protection in form.protection):
        return
    address = form.chip.reset_address
    seen = [v for v in form.view if v.executes and v.address <= address < v.address + (v.size or LARGEST_SIZE)]
    if seen:
        return
    for memory in form.memory:
        if memory.base <= address < memory.base + _size(memory):
            if not memory.executable:
                expected = f"an address in executable memory; {shown(memory.name)} is not"
                yield Fault(("chip", "reset_address"), address_words(address), expected)
            elif memory.kind is MemoryKind.RAM:
                expected = "an address in a memory that keeps its content without power"
                yield Fault(("chip", "reset_address"), address_words(address), expected)
            return
    starts = ", ".join(address_words(m.base) for m in form.memory if m.executable and m.kind is not MemoryKind.RAM)
    yield Fault(
        ("chip", "reset_address"),
        address_words(address),
        "an address inside an executable memory",
        f"executable memories start at {starts}; a part that starts in its own read-only code "
        'has a [[protection]] of kind "fixed reset entry"',
    )
