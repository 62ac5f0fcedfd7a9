"""A product file to start from: commented, sized for a given part, and complete enough to pass every check."""

from __future__ import annotations

import math

from rootwright.describe.chip import Chip, Lock, Memory, MemoryKind, ProtectionKind
from rootwright.describe.product import Procedure
from rootwright.describe.units import size_words

# Sectors (or granules of write protection) that logs, keys, a keep-area and a rotating lift take beside the slots.
_SMALL_BLOCKS = 12
_MANY_SECTORS = 40
_BOOT = 32 << 10
_LARGEST_SLOT = 256 << 10


def starter_product(chip: Chip, part: str) -> str:
    """Return the text of a product.toml for a part that the file names as `part`.

    Sizes stand in for firmware files, so that planning can begin before there is firmware.
    """
    memory = _code_memory(chip)
    boot, slot = _sizes(chip, memory)
    sectors = sum(run.count for run in memory.runs)
    procedure = Procedure.EXCHANGE_ROTATING if sectors >= _MANY_SECTORS else Procedure.EXCHANGE_FIXED
    watchdog = bool(chip.find_protections(ProtectionKind.WATCHDOG))
    return _TEXT.format(
        part=part,
        title=chip.title,
        procedure=procedure.value,
        trial="true" if watchdog else "false",
        watchdog='watchdog = "8 s"' if watchdog else '# watchdog = "8 s"     # the part describes no watchdog',
        boot=size_words(boot),
        slot=size_words(slot),
        keep=size_words(min(2048, memory.runs[0].size)),
        protect=_protect(chip, memory),
    )


def _protect(chip: Chip, memory: Memory) -> str:
    """Return the blocks that the part's write protection should cover, as TOML.

    The boot stage writes run slot, staging and journal, so only a lock that falls at reset can close them. With them
    open an exploited application can take the way back away.
    """
    locks = {p.lock for p in chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory.name)}
    if Lock.UNTIL_RESET in locks:
        return '["boot", "keys", "floor", "journal", "run:application", "stage:application"]'
    if locks - {Lock.NONE}:
        return '["boot", "keys", "floor"]   # no lock here falls at reset: see what `prove` says'
    return "[]                 # the part has none that stays locked"


def _code_memory(chip: Chip) -> Memory:
    """Return the memory that code goes into: inside the package before outside."""
    fit = [m for m in chip.memories if m.executable and m.kind in (MemoryKind.FLASH, MemoryKind.EXTERNAL)]
    return sorted(fit, key=lambda m: m.kind is MemoryKind.EXTERNAL)[0]


def _sizes(chip: Chip, memory: Memory) -> tuple[int, int]:
    """Return boot stage and application slot in bytes: whole sectors, two slots beside all small blocks."""
    largest, first = max(run.size for run in memory.runs), memory.runs[0].size
    protections = chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory.name)
    locks = [p for p in protections if p.lock is not Lock.NONE]  # the others are not asked for
    unit = math.lcm(first, *(lock.granule or first for lock in locks))
    few = sum(run.count for run in memory.runs) < _MANY_SECTORS
    boot = math.ceil(min(_BOOT // 2 if few else _BOOT, memory.size // 8) / unit) * unit
    if len(memory.runs) > 1:
        return boot, largest  # the large sectors are few, and logs need some of them
    step = largest if largest >= 4096 else math.lcm(largest, 4096)
    room = memory.size - 2 * boot - _SMALL_BLOCKS * unit
    return boot, max(min(_LARGEST_SLOT, room // 2) // step * step, largest)


_TEXT = """\
# A product to start from. Change every value to yours; `rootwright check` says what is wrong, and where.
# Sizes are read as people write them: "64 KiB", 4096, 0x8000. The manual has every field: docs/describe.md.

[product]
name = "My product"
model = "MP-1"                      # as on the type plate
maker = "My company"
revision = "A"                      # of the hardware
vendor_domain = "my-company.example"
class_name = "MP-1 rev A"           # devices that can take the same update
chip = "{part}"                 # {title}

[update]
# in-place, recovery-image, copy-over, exchange-fixed, exchange-rotating, either-slot, bank-flip;
# `rootwright plan` compares them all on this product.
procedure = "{procedure}"
sequence = 1                        # goes up with every release
trial = {trial}                        # a new image must report itself good, or the old one comes back
{watchdog}
uri = "coap://updates.my-company.example/mp-1/"
description = "First release"

# One table for each image. While there is no firmware yet, `size` stands in for it.
# Later: file = "build/boot.elf", and size can go.

[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
size = "{boot}"

[[image]]
name = "application"
role = "application"
version = "1.0.0"
size = "{slot}"
growth = "0 %"                      # what it may still grow over the product's life

# Data that no update may touch.

[[keep]]
name = "settings"
size = "{keep}"

# Where you have already decided on a place, pin it:
# [[pin]]
# block = "run:application"
# at = 0x0001_0000

[link]
name = "service cable"
rate = "10 kB/s"                    # what payloads really get
interrupted = false                 # true where downloads are often cut off

[fleet]
devices = 1_000
life = "10 years"
updates_per_year = 2

# A throw-away key for trying things out. Real keys stay in hardware.
[[key]]
name = "release"
algorithm = "ESP256"                # or Ed25519
file = "keys/release-demo.pem"
demo = true

# Blocks under write protection in the field. Locking a part is often irreversible: try it on parts you can lose.
[lock]
write_protect = {protect}

# network, exploited application, external bus, debug probe, glitch
[attackers]
in_scope = ["network", "exploited application"]
"""
