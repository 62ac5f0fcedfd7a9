"""What the tables [[settings]] and [[view]], and the fields of memories that go with them, must satisfy."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from rootwright.describe.chip import EccError, MemoryKind, ProtectionKind, TornProgram, Watermark
from rootwright.describe.chip_file import ChipForm, MemoryForm, ProtectionForm
from rootwright.describe.forms import Form, UnreadableField
from rootwright.describe.problems import Fault, KeyPath, did_you_mean, listed, shown
from rootwright.describe.settings import Complement, Effect, Purpose, Torn
from rootwright.describe.settings_file import SettingsFieldForm, SettingsForm, ViewForm
from rootwright.describe.units import LARGEST_SIZE, address_words, size_words

MOST_TABLES = 64
WORD_BITS = 32


def settings_checks(form: ChipForm) -> list[Iterator[Fault]]:
    """Return the checks of settings areas, views, and what depends on them."""
    checks = [_too_many(form, "settings"), _too_many(form, "view"), _one_area_a_memory(form), _field_names(form)]
    for index, memory in enumerate(_some(form, "memory")):
        path: KeyPath = ("memory", index)
        checks += [_units(path, memory), _one_time(path, memory), _torn_bytes(path, memory)]
    for index, area in enumerate(_some(form, "settings")):
        path = ("settings", index)
        checks += [_area_memory(path, area, form), _torn(path, area), _bits_apart(path, area)]
        for number, field in enumerate(_some(area, "field")):
            place = (*path, "field", number)
            checks += [_place(place, field, area, form), _values(place, field, area), _transitions(place, field)]
    for index, view in enumerate(_some(form, "view")):
        checks += [_view_place(("view", index), view, form), _view_setting(("view", index), view, form)]
    checks.append(_views_apart(form))
    for index, protection in enumerate(_some(form, "protection")):
        path = ("protection", index)
        checks += [_follows(path, protection, form), _held_in(path, protection, form)]
        checks += [_groups(path, protection, form), _gate(path, protection)]
    return checks


def _some(form: Form, name: str) -> list:  # type: ignore[type-arg]
    try:
        return list(getattr(form, name))[:MOST_TABLES]
    except UnreadableField:
        return []


def _too_many(form: Form, name: str) -> Iterator[Fault]:
    count = len(getattr(form, name))
    if count > MOST_TABLES:
        yield Fault((name,), f"{count} entries", f"at most {MOST_TABLES}")


def _memories(form: ChipForm) -> dict[str, MemoryForm]:
    found = {}
    for memory in _some(form, "memory"):
        try:
            found[memory.name] = memory
        except UnreadableField:
            continue
    return found


def _size(memory: MemoryForm) -> int:
    return sum(run.count * run.size for run in memory.sectors[:MOST_TABLES])


# -- memories


def _units(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    unit = memory.program_unit
    again = memory.reprogram_unit
    if again is not None and (again == 0 or again % unit):
        expected = f"a multiple of the program unit ({size_words(unit)})"
        yield Fault((*path, "reprogram_unit"), size_words(again), expected)
    if memory.page and memory.page % unit:
        expected = f"a multiple of the program unit ({size_words(unit)})"
        yield Fault((*path, "page"), size_words(memory.page), expected)
        return
    for index, run in enumerate(memory.sectors[:MOST_TABLES]):
        if memory.page and run.size and run.size % memory.page:
            place = (*path, "sectors", index, "size")
            yield Fault(place, size_words(run.size), f"whole pages: a multiple of {size_words(memory.page)}")


def _one_time(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    for key in ("lock_unit", "read_limit", "torn_bits_settle"):
        if key in memory.model_fields_set and memory.kind is not MemoryKind.ONE_TIME:
            found = shown(getattr(memory, key))
            yield Fault((*path, key), found, f'nothing: the kind is {shown(memory.kind.value)}, not "one-time words"')
    if memory.kind is MemoryKind.ONE_TIME and memory.lock_unit % memory.program_unit:
        expected = f"a multiple of the program unit ({size_words(memory.program_unit)})"
        yield Fault((*path, "lock_unit"), size_words(memory.lock_unit), expected)


def _torn_bytes(path: KeyPath, memory: MemoryForm) -> Iterator[Fault]:
    if memory.torn_program is TornProgram.ANY_BYTES and memory.ecc_error is not EccError.NONE:
        yield Fault(
            (*path, "torn_program"),
            '"any bytes"',
            f'"together", because ecc_error = {shown(memory.ecc_error.value)}: check bits of a mixed unit do not match',
        )


# -- settings areas


def _area_memory(path: KeyPath, area: SettingsForm, form: ChipForm) -> Iterator[Fault]:
    memories = _memories(form)
    fit = [name for name, memory in memories.items() if memory.kind is MemoryKind.SETTINGS]
    if area.memory not in fit:
        expected = f'the name of a memory of kind "settings area": {listed(fit) if fit else "there is none"}'
        yield Fault((*path, "memory"), shown(area.memory), expected, did_you_mean(area.memory, fit))
        return
    memory = memories[area.memory]
    if not memory.endurance and memory.erase:
        place = ("memory", [*memories].index(area.memory), "endurance")
        yield Fault(place, "0", "the guaranteed erase cycles: settings areas wear, and often sooner than flash")


def _one_area_a_memory(form: ChipForm) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, area in enumerate(_some(form, "settings")):
        if area.memory in seen:
            yield Fault(("settings", index, "memory"), f"{shown(area.memory)} a second time", "one table for each area")
        seen.add(area.memory)


def _torn(path: KeyPath, area: SettingsForm) -> Iterator[Fault]:
    if not area.torn:
        yield Fault(
            (*path, "torn"),
            "an empty array",
            f"what a cut can leave: some of {listed([t.value for t in Torn])}",
            'where the data sheet is silent, write ["old", "new", "default"]',
        )
    if Torn.DEFAULT in area.torn or Torn.LOCKED in area.torn:
        for number, field in enumerate(_some(area, "field")):
            if field.purpose is Purpose.BANK and field.default is None:
                yield Fault(
                    (*path, "field", number, "default"),
                    "nothing",
                    "what the field means in the default state, which a cut can leave",
                )


def _field_names(form: ChipForm) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, area in enumerate(_some(form, "settings")):
        for number, field in enumerate(_some(area, "field")):
            if field.name in seen:
                place = ("settings", index, "field", number, "name")
                yield Fault(place, f"{shown(field.name)} a second time", "a different name for each field")
            seen.add(field.name)


def _place(path: KeyPath, field: SettingsFieldForm, area: SettingsForm, form: ChipForm) -> Iterator[Fault]:
    bits = WORD_BITS // 2 if area.complement is Complement.UPPER_HALF else WORD_BITS
    where = f"the lower {bits} bits" if bits < WORD_BITS else f"{bits} bits"
    if field.bit + field.width > bits:
        why = "; its upper half is the complement" if bits < WORD_BITS else ""
        yield Fault((*path, "bit"), f"bits {field.bit} to {field.bit + field.width - 1}", f"bits in {where}{why}")
    if field.offset % 4:
        yield Fault((*path, "offset"), size_words(field.offset), "a whole word: a multiple of 4")
    memory = _memories(form).get(area.memory)
    if memory is None:
        return
    words = 2 if area.complement is Complement.NEXT_WORD else 1
    if field.offset + 4 * words > _size(memory):
        yield Fault((*path, "offset"), size_words(field.offset), f"a word inside {size_words(_size(memory))}")
    if words == 2 and field.offset % 8:
        yield Fault((*path, "offset"), size_words(field.offset), "an even word: each odd one is a complement")


def _bits_apart(path: KeyPath, area: SettingsForm) -> Iterator[Fault]:
    fields = _some(area, "field")
    for (_, one), (number, other) in combinations(enumerate(fields), 2):
        shared = one.offset == other.offset
        if shared and one.bit < other.bit + other.width and other.bit < one.bit + one.width:
            place = (*path, "field", number, "bit")
            yield Fault(place, f"bits that {shown(one.name)} has too", "bits of its own")


def _values(path: KeyPath, field: SettingsFieldForm, area: SettingsForm) -> Iterator[Fault]:
    seen: dict[int, None] = {}
    for number, row in enumerate(_some(field, "values")):
        place = (*path, "values", number)
        if row.value >> field.width:
            yield Fault((*place, "value"), f"0x{row.value:X}", f"a value of {field.width} bits")
        if row.value in seen:
            yield Fault((*place, "value"), f"0x{row.value:X} a second time", "each value once")
        if row.maps is not None and field.purpose is not Purpose.BANK:
            yield Fault((*place, "maps"), str(row.maps), f"nothing: the purpose is not {shown(Purpose.BANK.value)}")
        seen[row.value] = None
    if field.values and field.otherwise is None and len(seen) < 1 << field.width:
        yield Fault(
            (*path, "otherwise"),
            "nothing",
            f"what the other {(1 << field.width) - len(seen)} values mean: a torn word can hold any of them",
            "where the data sheet is silent, take the meaning that hurts most",
        )
    if field.purpose is Purpose.BANK and not {0, 1} <= {row.maps for row in field.values}:
        yield Fault((*path, "values"), "no value for one of the banks", "a row with maps = 0 and one with maps = 1")
    known = _meanings(field)
    if field.default is not None and known and field.default not in known:
        expected = f"one of its meanings: {listed(known)}"
        yield Fault((*path, "default"), shown(field.default), expected, did_you_mean(field.default, known))


def _meanings(field: SettingsFieldForm) -> list[str]:
    known = list(dict.fromkeys(row.means for row in field.values))
    if field.otherwise is not None and field.otherwise not in known:
        known.append(field.otherwise)
    return known


def _transitions(path: KeyPath, field: SettingsFieldForm) -> Iterator[Fault]:
    known = _meanings(field)
    for number, transition in enumerate(_some(field, "transition")):
        place = (*path, "transition", number)
        for key in ("before", "after"):
            means = getattr(transition, key)
            if known and means not in known:
                expected = f"one of the field's meanings: {listed(known)}"
                yield Fault((*place, key), shown(means), expected, did_you_mean(means, known))
        if not transition.possible and transition.effect is not Effect.NONE:
            yield Fault((*place, "effect"), shown(transition.effect.value), "nothing: the part refuses this change")
        if transition.before == transition.after:
            yield Fault((*place, "after"), shown(transition.after), "another meaning than before")


# -- views


def _view_place(path: KeyPath, view: ViewForm, form: ChipForm) -> Iterator[Fault]:
    memories = _memories(form)
    if view.memory not in memories:
        expected = f"the name of a memory: {listed([*memories])}"
        yield Fault((*path, "memory"), shown(view.memory), expected, did_you_mean(view.memory, [*memories]))
        return
    memory = memories[view.memory]
    size = _size(memory)
    if view.offset >= size:
        yield Fault((*path, "offset"), size_words(view.offset), f"a place inside {size_words(size)}")
        return
    seen = size - view.offset if view.size is None else view.size
    if seen == 0 or view.offset + seen > size:
        yield Fault(
            (*path, "size"), size_words(seen), f"at most {size_words(size - view.offset)}, the rest of the memory"
        )
    elif view.address + seen > LARGEST_SIZE:
        yield Fault((*path, "address"), address_words(view.address), "a view inside the 32-bit address space")
    if view.executes and "executes" in view.model_fields_set and not memory.executable:
        yield Fault((*path, "executes"), "true", f"false: {shown(view.memory)} is not executable")


def _view_setting(path: KeyPath, view: ViewForm, form: ChipForm) -> Iterator[Fault]:
    if view.when is None:
        return
    fields = {field.name: field for area in _some(form, "settings") for field in _some(area, "field")}
    if view.when.field not in fields:
        known = [*fields]
        expected = f"the name of a settings field: {listed(known) if known else 'there is none'}"
        yield Fault((*path, "when", "field"), shown(view.when.field), expected, did_you_mean(view.when.field, known))
        return
    meanings = _meanings(fields[view.when.field])
    if meanings and view.when.means not in meanings:
        expected = f"one of its meanings: {listed(meanings)}"
        yield Fault((*path, "when", "means"), shown(view.when.means), expected, did_you_mean(view.when.means, meanings))
    if fields[view.when.field].default is None:
        index = next(i for i, area in enumerate(form.settings) if view.when.field in [f.name for f in area.field])
        number = [f.name for f in form.settings[index].field].index(view.when.field)
        yield Fault(
            ("settings", index, "field", number, "default"),
            "nothing",
            f"what it means in the default state: the view {shown(view.name)} depends on it",
        )


def _views_apart(form: ChipForm) -> Iterator[Fault]:
    names: set[str] = set()
    for index, view in enumerate(_some(form, "view")):
        if view.name in names:
            yield Fault(("view", index, "name"), f"{shown(view.name)} a second time", "a different name for each view")
        names.add(view.name)
    for (_, one), (number, other) in combinations(enumerate(_some(form, "view")), 2):
        if one.when is not None and other.when is not None and one.when != other.when:
            continue  # never there at one moment
        if one.address == other.address:
            yield Fault(
                ("view", number, "address"),
                f"{address_words(other.address)}, where {shown(one.name)} begins too",
                "views that are not there at the same moment, or an address of its own",
            )


# -- protections that depend on settings


def _follows(path: KeyPath, protection: ProtectionForm, form: ChipForm) -> Iterator[Fault]:
    maps = [f for area in _some(form, "settings") for f in _some(area, "field") if f.purpose is Purpose.BANK]
    memories = _memories(form)
    banked = [n for n in protection.covers if n in memories and memories[n].banks == 2]
    protects = protection.kind is ProtectionKind.WRITE_PROTECTION
    if protects and maps and banked and protection.follows is None:
        yield Fault(
            (*path, "follows"),
            "nothing",
            f'"physical bank" or "address", because the settings field {shown(maps[0].name)} lets the banks of '
            f"{shown(banked[0])} trade addresses",
        )
    elif protection.follows is not None and not (protects and banked):
        expected = "nothing: only write protection of a memory with two banks goes with one or the other"
        yield Fault((*path, "follows"), shown(protection.follows.value), expected)


def _held_in(path: KeyPath, protection: ProtectionForm, form: ChipForm) -> Iterator[Fault]:
    known = [area.memory for area in _some(form, "settings")]
    if protection.held_in is not None and protection.held_in not in known:
        expected = f"the memory of a [[settings]] table: {listed(known) if known else 'there is none'}"
        yield Fault((*path, "held_in"), shown(protection.held_in), expected, did_you_mean(protection.held_in, known))


def _groups(path: KeyPath, protection: ProtectionForm, form: ChipForm) -> Iterator[Fault]:
    if not protection.groups:
        return
    if protection.kind is not ProtectionKind.WRITE_PROTECTION:
        yield Fault((*path, "groups"), "groups", f"none: the kind is {shown(protection.kind.value)}")
        return
    if protection.granule:
        yield Fault(
            (*path, "granule"), size_words(protection.granule), "nothing beside groups: they say what is covered"
        )
    for name in protection.covers:
        memory = _memories(form).get(name)
        if memory is None:
            continue
        edges, at = {0}, 0
        for run in memory.sectors[:MOST_TABLES]:
            for _ in range(min(run.count, 1 << 16)):
                at += run.size
                edges.add(at)
        at = 0
        for index, size in enumerate(protection.groups[: 1 << 12]):
            at += size
            if size == 0 or at not in edges:
                place = (*path, "groups", index)
                yield Fault(
                    place, size_words(size), f"whole sectors of {shown(name)}: the group ends at {size_words(at)}"
                )
                return
        if at != _size(memory):
            found = f"groups of {size_words(at)} in all"
            yield Fault(
                (*path, "groups"), found, f"groups that cover {shown(name)} wholly ({size_words(_size(memory))})"
            )


def _gate(path: KeyPath, protection: ProtectionForm) -> Iterator[Fault]:
    if protection.fixed_attribution and protection.kind is not ProtectionKind.BUS_GATE:
        yield Fault((*path, "fixed_attribution"), "true", f"nothing: the kind is {shown(protection.kind.value)}")
    if protection.watermark is not Watermark.NONE and protection.kind is not ProtectionKind.BUS_GATE:
        found = shown(protection.watermark.value)
        yield Fault((*path, "watermark"), found, f"nothing: the kind is {shown(protection.kind.value)}")
