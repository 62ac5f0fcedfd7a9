"""A part in an open-pack device description: processors, memories, flash algorithms, inherited from family to device.

Source: Open-CMSIS-Pack, "PDSC file format", element /package/devices: family, subFamily, device and variant each may
hold processor, memory and algorithm; what stands deeper adds to or replaces what stands above.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rootwright.bring.cores import find_architecture
from rootwright.bring.facts import Fact, MemoryFacts, PartFacts, Partition, Weight
from rootwright.bring.safe_xml import Element, read_number
from rootwright.describe.chip import MemoryKind
from rootwright.describe.problems import closest, listed
from rootwright.errors import DescriptionError

WHAT = "device description (Open-CMSIS-Pack)"
_LEVELS = {"family": "Dfamily", "subFamily": "DsubFamily", "device": "Dname", "variant": "Dvariant"}
MOST_SHOWN = 20
MOST_DEVICES = 20_000


@dataclass(frozen=True, slots=True)
class _Device:
    """One device with the elements that apply to it, outermost first."""

    name: str
    line: int
    chain: tuple[Element, ...]


def read_device_description(root: Element, *, name: str, device: str | None = None) -> PartFacts:
    """Return one device of a description.

    Args:
        root: The document's root element.
        name: File name, for messages.
        device: Which device; may be left out where there is only one.

    Raises:
        DescriptionError: No such device, or several and none named; a number that is none.
    """
    found = list(_devices(root, name))
    chosen = _choose(found, device, name)
    source = f"{name}:{chosen.line}"
    facts = PartFacts(name, WHAT, name=Fact(chosen.name, source))
    facts = _processor(facts, chosen, name)
    algorithms = list(_ranges(chosen, "algorithm", name))
    memories = tuple(
        _memory(element, start, size, algorithms, name) for element, start, size in _memories(chosen, name)
    )
    startup = next((memory for memory in memories if memory.startup), None)
    return replace(
        facts,
        memories=memories,
        reset_address=Fact(startup.base.value, startup.base.source) if startup else None,
        algorithms=tuple(
            Partition(_shown(element.attributes.get("name", "")), start, size, False, f"{name}:{element.line}")
            for element, start, size in algorithms
        ),
    )


def device_names(root: Element, *, name: str) -> tuple[str, ...]:
    """Return the names of all devices of a description, in its order."""
    return tuple(device.name for device in _devices(root, name))


def _devices(root: Element, name: str) -> Iterator[_Device]:
    count = 0
    for devices in root.find_all("devices"):
        for family in devices.find_all("family"):
            for device in _below(family, ()):
                count += 1
                if count > MOST_DEVICES:
                    raise DescriptionError(
                        f"more than {MOST_DEVICES} devices", where=name, next_step="cut it down to your part's family"
                    )
                yield device


def _below(element: Element, above: tuple[Element, ...]) -> Iterator[_Device]:
    chain = (*above, element)
    deeper = [child for child in element.children if child.tag in ("subFamily", "device", "variant")]
    if element.tag in ("device", "variant"):
        title = element.attributes.get(_LEVELS[element.tag], "").strip()
        if title:
            yield _Device(_shown(title), element.line, chain)
    if len(chain) < len(_LEVELS):
        for child in deeper:
            yield from _below(child, chain)


def _choose(found: list[_Device], wanted: str | None, name: str) -> _Device:
    names = list(dict.fromkeys(device.name for device in found))
    if not found:
        raise DescriptionError(
            "no device in it", where=name, next_step="name a description whose <devices> hold your part"
        )
    if wanted is None and len(names) > 1:
        shown = ", ".join(names[:MOST_SHOWN]) + (
            f" and {len(names) - MOST_SHOWN} more" if len(names) > MOST_SHOWN else ""
        )
        raise DescriptionError(f"{len(names)} devices: {shown}", where=name, next_step="choose one with --device")
    for device in found:
        if wanted is None or device.name == wanted:
            return device
    near = closest(wanted or "", names)
    next_step = f"did you mean {near}?" if near else f"choose one of {listed(names[:MOST_SHOWN])}"
    raise DescriptionError(f"no device {_shown(wanted or '')!r}", where=name, next_step=next_step)


def _processor(facts: PartFacts, device: _Device, name: str) -> PartFacts:
    """Add what the processors say; a deeper element completes the one of the same name above."""
    merged: dict[str, dict[str, tuple[str, int]]] = {}
    for level in device.chain:
        for element in level.find_all("processor"):
            own = merged.setdefault(element.attributes.get("Pname", ""), {})
            own.update({key: (value, element.line) for key, value in element.attributes.items()})
    notes: list[Fact[str]] = []
    if len(merged) > 1:
        names = ", ".join(_shown(pname) or "(without a name)" for pname in merged)
        notes.append(Fact(f"it has several processors ({names}); the first is taken", f"{name}:{device.line}"))
    first = next(iter(merged.values()), {})
    if "Dcore" in first:
        core, line = first["Dcore"]
        architecture = find_architecture(core)
        if architecture is None:
            notes.append(Fact(f'the core "{_shown(core)}" is none that this tool plans for', f"{name}:{line}"))
        else:
            facts = replace(facts, architecture=Fact(architecture, f"{name}:{line}"))
    if "Dclock" in first:
        clock, line = first["Dclock"]
        hertz = read_number(clock, where=f"{name}:{line}", what="Dclock")
        if 0 < hertz <= 10**10:
            facts = replace(facts, clock_hz=Fact(hertz, f"{name}:{line}"))
    if "Dmpu" in first:
        unit, line = first["Dmpu"]
        facts = replace(facts, protection_unit=Fact(unit.strip().lower() in ("mpu", "1", "true"), f"{name}:{line}"))
    return replace(facts, notes=tuple(notes))


def _memories(device: _Device, name: str) -> list[tuple[Element, int, int]]:
    """Return the memories with start and size; a deeper one replaces the one of the same name above."""
    return list(_ranges(device, "memory", name))


def _ranges(device: _Device, tag: str, name: str) -> Iterator[tuple[Element, int, int]]:
    kept: dict[tuple[str, str], tuple[Element, int, int]] = {}
    for level in device.chain:
        for number, element in enumerate(level.find_all(tag)):
            called = element.attributes.get("name") or element.attributes.get("id") or f"no. {number}"
            where = f"{name}:{element.line}"
            if "start" not in element.attributes or "size" not in element.attributes:
                raise DescriptionError(
                    f"<{tag}> without start or size", where=where, next_step="mend the file: both are required"
                )
            start = read_number(element.attributes["start"], where=where, what="start")
            size = read_number(element.attributes["size"], where=where, what="size")
            if size == 0 or start + size > 1 << 32:
                raise DescriptionError(
                    f"<{tag}> of {size} bytes at 0x{start:x}, which is no range of 32-bit addresses",
                    where=where,
                    next_step="mend the file",
                )
            kept[called, element.attributes.get("Pname", "")] = (element, start, size)
    yield from kept.values()


def _memory(
    element: Element, start: int, size: int, algorithms: list[tuple[Element, int, int]], name: str
) -> MemoryFacts:
    source = f"{name}:{element.line}"
    called = _shown(element.attributes.get("name") or element.attributes.get("id") or "memory")
    access = element.attributes.get("access", "").lower()
    if not access:  # memories with an id say by it what they are: IROM, IRAM, XROM, XRAM (older form of the format)
        access = (
            "rx" if called.upper()[:4] in ("IROM", "XROM") else "rwx" if called.upper()[:4] in ("IRAM", "XRAM") else ""
        )
    programmed = any(at < start + size and start < at + length for _, at, length in algorithms)
    if programmed or ("r" in access and "w" not in access):
        kind = MemoryKind.FLASH
    elif "w" in access:
        kind = MemoryKind.RAM
    else:
        kind = None
    return MemoryFacts(
        called=called,
        weight=Weight.DEVICE_DESCRIPTION,
        base=Fact(start, source),
        size=Fact(size, source),
        kind=Fact(kind, source) if kind else None,
        executable=Fact("x" in access, source) if access else None,
        startup=element.attributes.get("startup", "").strip().lower() in ("1", "true"),
    )


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:80]
