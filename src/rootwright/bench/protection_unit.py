"""Protection units as the core sees them: registers in, rights of an address out.

Sources: Armv7-M Architecture Reference Manual (DDI 0403), B3.5, and Armv6-M (DDI 0419), B3.5: regions of a power of
two with subregions, the highest number decides. Armv8-M Architecture Reference Manual (DDI 0553), MPU_RBAR and
MPU_RLAR: base and limit, an overlap faults. RISC-V privileged specification, Physical Memory Protection: the lowest
entry decides, and the extension Smepmp 1.0. Bit places are quoted from memory and held against a system emulator.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

from rootwright.bench import arm_numbers as n
from rootwright.describe.chip import Architecture
from rootwright.errors import PlanError
from rootwright.plan.lockdown.pmp import LOCK, MML, MMWP, Entry, Match, smepmp_bits, spans_of

READ, WRITE, EXECUTE = 1, 2, 4
ALL = READ | WRITE | EXECUTE
PRIVATE, PRIVATE_END = 0xE000_0000, 0xE010_0000
"""The private peripheral bus, which no region governs."""

_SECOND, _ALIASES_END = 0xDA0, 0xDBC
_NUMBER, _BASE = 0xD98, 0xD9C


class Unit(Protocol):
    """A protection unit of either architecture."""

    @property
    def active(self) -> bool:
        """Whether it governs any access now."""

    def rights(self, address: int, *, privileged: bool, urgent: bool) -> int:
        """Return the rights to an address; `urgent`: at a negative execution priority."""

    def regions(self) -> list[tuple[str, int, int, int]]:
        """Return the regions that are on: name with registers, first address, end, the instruction that wrote it."""


def boundaries(unit: Unit) -> list[int]:
    """Return the addresses where rights may change, in order."""
    return sorted({edge for _, start, end, _ in unit.regions() for edge in (start, end)})


class ArmUnit:
    """The protection unit of an M-profile core; `count` regions, none for a part without one."""

    def __init__(self, architecture: Architecture, count: int) -> None:
        self.newer = architecture is Architecture.ARMV8_M
        self.smallest = 7 if architecture is Architecture.ARMV6_M else 4
        self.count = count
        self.reset()

    def reset(self) -> None:
        """Be off, with no region set."""
        self.control = 0
        self.selected = 0
        self.table: dict[int, tuple[int, int]] = {}
        self.writers: dict[int, int] = {}
        self.attributes: dict[int, int] = {}

    def save(self) -> Any:
        """Return the registers as a value."""
        if not self.control and not self.table:
            return None
        kept = tuple(self.table.items()), tuple(self.writers.items()), tuple(self.attributes.items())
        return self.control, self.selected, *kept

    def restore(self, state: Any) -> None:
        """Put them back."""
        self.reset()
        if state is not None:
            self.control, self.selected, table, writers, attributes = state
            self.table, self.writers, self.attributes = dict(table), dict(writers), dict(attributes)

    def _index(self, at: int) -> int:
        """Return the region that a base or attribute register speaks of."""
        alias = (at - _BASE) // 8
        return (self.selected & ~3) + alias if self.newer and alias else self.selected

    def read(self, at: int) -> int:
        """Return the register at an offset of the system control space."""
        if at == n.MPU_TYPE:
            return self.count << 8
        if at == n.MPU_CONTROL:
            return self.control
        if at == _NUMBER:
            return self.selected
        if _BASE <= at < _ALIASES_END:
            index = self._index(at)
            base, second = self.table.get(index, (0, 0))
            if (at - _BASE) % 8:
                return second
            return base if self.newer else base & ~0x1F | index & 0xF
        return self.attributes.get(at, 0)

    def write(self, at: int, value: int, pc: int) -> None:
        """Write a register; `pc` is kept to say where a region comes from."""
        if not self.count:
            return
        if at == n.MPU_CONTROL:
            self.control = value & 7
        elif at == _NUMBER:
            self.selected = value & 0xFF
        elif _BASE <= at < _ALIASES_END:
            if not (at - _BASE) % 8 and not self.newer and value & 0x10:
                self.selected = value & 0xF
            index = self._index(at)
            base, second = self.table.get(index, (0, 0))
            if index < self.count:
                self.table[index] = (base, value) if (at - _BASE) % 8 else (value, second)
                self.writers[index] = pc
        else:
            self.attributes[at] = value

    @property
    def active(self) -> bool:
        """Whether it is switched on."""
        return bool(self.control & 1)

    def _spans(self, index: int) -> Iterator[tuple[int, int]]:
        base, second = self.table[index]
        if not second & 1:
            return
        if self.newer:
            yield base & ~0x1F, (second & ~0x1F) + 0x20
            return
        level = (second >> 1 & 0x1F) + 1
        if level <= self.smallest:
            return
        size = 1 << level
        start, part = base & ~0x1F & -size, size // 8
        if level < 8 or not second >> 8 & 0xFF:
            yield start, start + size
            return
        for sub in range(8):
            if not second >> 8 + sub & 1:
                yield start + sub * part, start + (sub + 1) * part

    def regions(self) -> list[tuple[str, int, int, int]]:
        """Return the regions that are on, subregions apart."""
        if not self.active:
            return []
        second = "MPU_RLAR" if self.newer else "MPU_RASR"
        return [
            (f"region {index} (MPU_RBAR, {second})", start, end, self.writers.get(index, 0))
            for index in sorted(self.table)
            for start, end in self._spans(index)
        ]

    def rights(self, address: int, *, privileged: bool, urgent: bool) -> int:
        """Return the rights to an address, as regions and the default map give them."""
        default = ALL if not any(start <= address < end for start, end in n.NEVER_EXECUTES) else READ | WRITE
        if not self.control & 1 or (urgent and not self.control & 2) or PRIVATE <= address < PRIVATE_END:
            return default
        hits = [i for i in self.table if any(start <= address < end for start, end in self._spans(i))]
        if not hits:
            return default if self.control & 4 and privileged else 0
        if self.newer and len(hits) > 1:
            return 0
        base, second = self.table[max(hits)]
        if self.newer:
            never, may = base & 1, _newer_access(base >> 1 & 3, privileged)
        else:
            never, may = second >> 28 & 1, _older_access(second >> 24 & 7, privileged)
        return may | (EXECUTE & default if may & READ and not never else 0)


def _older_access(code: int, privileged: bool) -> int:
    """Return what the AP field of MPU_RASR allows; the reserved code allows nothing."""
    if privileged:
        return (0, 3, 3, 3, 0, 1, 1, 1)[code]
    return (0, 0, 1, 3, 0, 0, 1, 1)[code]


def _newer_access(code: int, privileged: bool) -> int:
    """Return what the AP field of the Armv8-M MPU_RBAR allows."""
    return (3, 3, 1, 1)[code] if privileged else (0, 3, 0, 1)[code]


def _words(mode: str) -> int:
    return sum(bit for letter, bit in (("r", READ), ("w", WRITE), ("x", EXECUTE)) if letter in mode)


def _enhanced_table() -> dict[int, tuple[int, int]]:
    """Return what each configuration means to machine and user mode under Smepmp."""
    found = {0: (0, 0)}
    for machine in ("", "r", "x", "rx", "rw"):
        for user in ("", "r", "x", "rx", "rw", "rwx"):
            try:
                found[smepmp_bits(machine, user)] = (_words(machine), _words(user))
            except PlanError:
                continue
    return found


class PmpUnit:
    """Physical memory protection of RV32: `count` entries; `enhanced` parts have mseccfg as well."""

    CONFIG, ADDRESS, SECURITY = 0x3A0, 0x3B0, 0x747
    BYPASS = 4

    def __init__(self, count: int, *, enhanced: bool = False) -> None:
        self.count, self.enhanced = count, enhanced
        self._table = _enhanced_table() if enhanced else {}
        self.reset()

    def reset(self) -> None:
        """Switch every entry off; a locked one too."""
        self.configs = [0] * self.count
        self.addresses = [0] * self.count
        self.security = 0
        self.writers: dict[int, int] = {}

    def save(self) -> Any:
        """Return the registers as a value."""
        if not self.writers and not self.security:
            return None
        return tuple(self.configs), tuple(self.addresses), self.security, tuple(self.writers.items())

    def restore(self, state: Any) -> None:
        """Put them back."""
        self.reset()
        if state is not None:
            configs, addresses, self.security, writers = state
            self.configs, self.addresses, self.writers = list(configs), list(addresses), dict(writers)

    def is_register(self, number: int) -> bool:
        """Return whether a control and status register belongs to this unit."""
        return self.CONFIG <= number < self.CONFIG + 16 or self.ADDRESS <= number < self.ADDRESS + 64

    def read(self, number: int) -> int:
        """Return a register."""
        if number == self.SECURITY:
            return self.security
        if number >= self.ADDRESS:
            index = number - self.ADDRESS
            return self.addresses[index] if index < self.count else 0
        first = 4 * (number - self.CONFIG)
        return sum(self.configs[i] << 8 * (i - first) for i in range(first, min(first + 4, self.count)))

    def _is_locked(self, index: int) -> bool:
        return bool(self.configs[index] & LOCK) and not self.security & self.BYPASS

    def write(self, number: int, value: int, pc: int) -> None:
        """Write a register; locked entries stay as they are."""
        if number == self.SECURITY:
            if any(each & LOCK for each in self.configs) and not self.security & self.BYPASS:
                value &= ~self.BYPASS
            # The two modes stay until reset once they are set.
            self.security = self.security & (MML | MMWP) | value & (MML | MMWP | self.BYPASS)
            return
        if number >= self.ADDRESS:
            index = number - self.ADDRESS
            if index >= self.count or self._is_locked(index):
                return
            above = index + 1
            if above < self.count and self._is_locked(above) and self.configs[above] >> 3 & 3 == Match.TOR:
                return
            self.addresses[index] = value
            self.writers[index] = pc
            return
        first = 4 * (number - self.CONFIG)
        for index in range(first, min(first + 4, self.count)):
            new = value >> 8 * (index - first) & 0x9F
            if self._is_locked(index) or new == self.configs[index]:
                continue
            self.configs[index] = new
            self.writers[index] = pc

    @property
    def active(self) -> bool:
        """Whether any entry or mode governs an access."""
        return bool(self.security & (MML | MMWP)) or any(self.configs)

    def _span(self, index: int) -> tuple[int, int] | None:
        below = Entry(self.addresses[index - 1] if index else 0, 0)
        found = spans_of((below, Entry(self.addresses[index], self.configs[index])))
        return (found[0][0].start, min(found[0][0].end, 1 << 32)) if found else None

    def regions(self) -> list[tuple[str, int, int, int]]:
        """Return the entries that are on."""
        found = []
        for index in range(self.count):
            span = self._span(index)
            if span is not None:
                name = f"entry {index} (pmpcfg{index // 4}, pmpaddr{index})"
                found.append((name, *span, self.writers.get(index, 0)))
        return found

    def rights(self, address: int, *, privileged: bool, urgent: bool) -> int:
        """Return the rights to an address; `privileged` is machine mode."""
        for index in range(self.count):
            span = self._span(index)
            if span is None or not span[0] <= address < span[1]:
                continue
            config = self.configs[index]
            if self.security & MML:
                return self._table[config & (LOCK | ALL)][0 if privileged else 1]
            if privileged and not config & LOCK:
                return ALL
            # Writing without reading is reserved.
            return config & ALL if config & READ else config & EXECUTE
        if not privileged:
            return 0 if self.count else ALL
        if self.security & MMWP:
            return 0
        return READ | WRITE if self.security & MML else ALL
