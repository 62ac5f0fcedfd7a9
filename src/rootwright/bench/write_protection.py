"""Write protection at work: what lock fields and settings say now, and what the part refuses because of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from rootwright.describe.chip import Chip, Follows, Lock, Memory, MemoryKind, Protection, ProtectionKind
from rootwright.describe.lock_field import LockField
from rootwright.describe.settings import Purpose
from rootwright.plan.lockdown.fields import decode, unit_edges
from rootwright.plan.lockdown.spans import Span

Peek = Callable[[int], int | None]
"""A register's present word; None where nothing answers for it."""
Stored = Callable[[int, int], bytes | None]
"""Bytes of a memory that keeps its content."""


@dataclass(slots=True)
class _Held:
    """One protection over one memory: fields in registers, fields that are loaded at reset, what holds until reset."""

    protection: Protection
    memory: Memory
    registers: tuple[LockField, ...]
    stored: tuple[LockField, ...]
    setting: str = ""
    source: tuple[tuple[bytes | None, ...], str] | None = None
    loaded: tuple[Span, ...] = ()
    sticky: set[tuple[int, int]] = field(default_factory=set)


class WriteProtection:
    """Every write protection of a part, as far as the bench can know what it says.

    Args:
        lockable: Memories of which a declared controller locks units.
    """

    def __init__(self, chip: Chip, peek: Peek, stored: Stored, lockable: frozenset[str] = frozenset()) -> None:
        self._chip, self._peek, self._stored, self._lockable = chip, peek, stored, lockable
        self.held: list[_Held] = []
        self.unknown: list[str] = []
        self.words: frozenset[int] = frozenset()
        self._low_bank = 0
        for protection in chip.find_protections(ProtectionKind.WRITE_PROTECTION):
            for name in protection.covers:
                self._add(protection, chip.memory(name))
        self.words = frozenset(
            word for held in self.held for each in held.registers for word in range(each.address & ~3, each.end, 4)
        )

    def _add(self, protection: Protection, memory: Memory) -> None:
        fields = self._chip.find_lock_fields(protection.name)
        registers = tuple(f for f in fields if not self._is_stored(f) and self._value(f) is not None)
        stored = tuple(f for f in fields if self._is_stored(f))
        setting = next(
            (
                each.name
                for area in self._chip.settings_areas
                for each in area.fields
                if area.memory == protection.held_in and each.purpose is Purpose.WRITE_PROTECTION and not each.values
            ),
            "",
        )
        if registers or stored or setting:
            self.held.append(_Held(protection, memory, registers, stored, setting))
            return
        if memory.lock_unit and memory.name in self._lockable:
            return  # A controller locks its units one by one.
        silent = [f"0x{each.address:08x}" for each in fields]
        why = (
            f"no rule of [bench] answers for {', '.join(silent)}"
            if silent
            else "the chip file has no field that sets it"
        )
        self.unknown.append(f"write protection {protection.name} of {memory.name} is not enforced: {why}")

    def _is_stored(self, each: LockField) -> bool:
        return any(m.kind is not MemoryKind.RAM and m.base <= each.address < m.end for m in self._chip.memories)

    def _value(self, each: LockField) -> int | None:
        words = [self._peek(at) for at in range(each.address & ~3, each.end, 4)]
        if any(word is None for word in words):
            return None
        whole = sum((word or 0) << 32 * at for at, word in enumerate(words))
        return whole >> 8 * (each.address & 3) & (1 << each.width) - 1

    def load(self, settings: Mapping[str, str]) -> None:
        """Load what is stored, as the part does at a reset; what registers held is gone."""
        self._low_bank = self._chip.low_bank(settings)
        for held in self.held:
            held.sticky.clear()
            raw = tuple(self._stored(each.address, each.width // 8) for each in held.stored)
            source = raw, settings.get(held.setting, "")
            if source == held.source:
                continue
            held.source = source
            pairs = zip(held.stored, raw, strict=True)
            words = {each.name: int.from_bytes(data, "little") for each, data in pairs if data is not None}
            spans = decode(held.protection, self._chip, held.memory, words) if words else ()
            held.loaded = (*spans, *self._by_setting(held, settings))

    def _by_setting(self, held: _Held, settings: Mapping[str, str]) -> tuple[Span, ...]:
        if not held.setting or not settings.get(held.setting, "").isdigit():
            return ()
        found = next(f for a in self._chip.settings_areas for f in a.fields if f.name == held.setting)
        value = int(settings[held.setting])
        bits = value ^ (1 << found.width) - 1 if found.active_low else value
        edges = unit_edges(held.protection, held.memory)
        return tuple(Span(edges[n], edges[n + 1]) for n in range(len(edges) - 1) if bits >> n & 1)

    def note(self) -> None:
        """Keep what registers say now, for protections that hold until reset; after each write to one of `words`."""
        for held in self.held:
            if held.protection.lock is Lock.UNTIL_RESET:
                held.sticky |= {(span.start, span.end) for span in self._in_registers(held)}

    def _in_registers(self, held: _Held) -> tuple[Span, ...]:
        words = {each.name: self._value(each) or 0 for each in held.registers}
        return decode(held.protection, self._chip, held.memory, words) if words else ()

    def save(self) -> tuple[frozenset[tuple[int, int]], ...]:
        """Return what holds until reset."""
        return tuple(frozenset(held.sticky) for held in self.held) if self.words else ()

    def restore(self, state: tuple[frozenset[tuple[int, int]], ...]) -> None:
        """Put it back."""
        if self.words:
            for held, sticky in zip(self.held, state, strict=True):
                held.sticky = set(sticky)

    def guard_for(self, memory: str) -> Callable[[int, int], bool] | None:
        """Return what to ask before an operation on a memory; None where nothing can be protected before a reset."""
        here = [h for h in self.held if h.memory.name == memory and (h.registers or h.loaded)]
        if not here:
            return None
        return lambda start, end: any(self._covers(held, start, end) for held in here)

    def _covers(self, held: _Held, start: int, end: int) -> bool:
        spans = [(span.start, span.end) for span in (*held.loaded, *self._in_registers(held))]
        return any(
            self._place(held, low) < end and start < self._place(held, low) + high - low
            for low, high in (*spans, *held.sticky)
        )

    def _place(self, held: _Held, address: int) -> int:
        """Return where a protected address lies in the memory itself, while banks stand as they do."""
        if held.protection.follows is not Follows.ADDRESS:
            return address
        return held.memory.base + held.memory.bank_offset(address - held.memory.base, self._low_bank)
