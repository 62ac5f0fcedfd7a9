"""What was understood from a product and its part, as plain data and as lines for a terminal."""

from __future__ import annotations

from rootwright.describe.chip import Chip, Memory, MemoryKind
from rootwright.describe.own_format import OwnFormat
from rootwright.describe.product import Product
from rootwright.describe.units import address_words, size_words


def summary(product: Product) -> tuple[tuple[str, str], ...]:
    """Return (topic, sentence) pairs: the part's memories, the update, images, keep-areas, link, fleet, locks."""
    update, link, fleet = product.update, product.link, product.fleet
    lines = list(chip_summary(product.chip))
    words = [update.procedure, f"release {update.sequence}", f"payloads {update.payload.value}"]
    words.append("new images on trial" if update.trial else "no trial")
    words.append(f"watchdog {_seconds(update.watchdog_s)}" if update.watchdog_s else "no watchdog")
    lines.append(("update", ", ".join(words)))
    if product.format is not None:
        lines.append(("image format", _format_words(product.format)))
    for image in product.images:
        told = [f"{image.name} {image.version}, {image.role.value}"]
        told.append(str(image.file) if image.file else f"no file yet, {size_words(image.size or 0)} planned")
        if image.second_file:
            told.append("linked for both slots")
        if image.precursor_version:
            told.append(f"follows {image.precursor_version}")
        if image.growth:
            told.append(f"may grow by {image.growth * 100:g} %")
        lines.append(("image", ", ".join(told)))
    lines += [("keep-area", f"{keep.name}, {size_words(keep.size)}") for keep in product.keep]
    for pin in product.pins:
        place = [f"at {address_words(pin.at)}" if pin.at is not None else "", size_words(pin.size) if pin.size else ""]
        place.append(f"in {pin.memory}" if pin.memory else "")
        lines.append(("pin", f"{pin.block}: {', '.join(word for word in place if word)}"))
    cut = "often cut off" if link.interrupted else "seldom cut off"
    lines.append(("link", f"{link.name}, {link.bytes_per_s:g} B/s, {cut}"))
    per_year = f"{fleet.updates_per_year:g} updates a year"
    lines.append(("fleet", f"{fleet.devices} devices, {fleet.life_years:g} years, {per_year}"))
    for key in product.keys:
        kind = "throw-away demonstration key" if key.demo else "key"
        lines.append(("key", f"{key.name}, {key.algorithm}, {kind} in {key.file}"))
    lines.append(("write-protected", ", ".join(product.protect) or "nothing"))
    lines.append(("in scope", ", ".join(attacker.value for attacker in product.attackers) or "no attacker"))
    return tuple(lines)


def _format_words(own: OwnFormat) -> str:
    packer, reader = (name if isinstance(name, str) else f"the command {name[0]}" for name in (own.packer, own.reader))
    key = f", key {own.key}" if own.key else ", no key"
    return f"packed by {packer}, read by {reader}{key}"


def chip_summary(chip: Chip) -> tuple[tuple[str, str], ...]:
    """Return (topic, sentence) pairs that describe a part alone."""
    lines = [("part", f"{chip.name}: {chip.title}")]
    lines.append(("core", f"{chip.architecture.value} at {chip.clock_hz / 1e6:g} MHz"))
    lines += [("memory", memory_words(memory)) for memory in chip.memories]
    for protection in chip.protections:
        told = [protection.kind.value]
        if protection.covers:
            told.append("over " + ", ".join(protection.covers))
        if protection.granule:
            told.append(f"by {size_words(protection.granule)}")
        if protection.lock.value != "none":
            told.append(f"locked {_LOCKED.get(protection.lock.value, protection.lock.value)}")
        lines.append(("protection", ", ".join(told)))
    return tuple(lines)


_LOCKED = {"erase to open": "until a full erase", "permanent": "for ever"}


def memory_words(memory: Memory) -> str:
    """Return one memory in a sentence: `flash, 512 KiB from 0x0000_0000, 128 sectors of 4 KiB in two banks, …`."""
    told = [f"{memory.name}, {size_words(memory.size)} from {address_words(memory.base)}"]
    if memory.name != memory.kind.value:
        told[0] = f"{memory.name} ({memory.kind.value}), {size_words(memory.size)} from {address_words(memory.base)}"
    if memory.kind is not MemoryKind.RAM:
        pattern = " + ".join(f"{run.count} x {size_words(run.size)}" for run in memory.runs)
        told.append(pattern + (" in two banks" if memory.banks == 2 else ""))
        told.append(f"programmed by {size_words(memory.program_unit)}")
        told.append("no erase" if not memory.erases else f"erases to 0x{memory.erased or 0:02X}")
        if memory.endurance:
            told.append(f"{memory.endurance} cycles")
    return ", ".join(told)


def _seconds(time_s: float) -> str:
    return f"{time_s:g} s" if time_s >= 1 else f"{time_s * 1000:g} ms"
