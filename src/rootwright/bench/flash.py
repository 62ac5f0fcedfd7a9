"""The content of one memory: bytes, which units are programmed, which cannot be decoded; every operation on it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count

from rootwright.bench.emulator import Buffer
from rootwright.describe.chip import Memory, MemoryKind, Reprogram

BLANK, PROGRAMMED, TORN, WEAK, LOCKED = 0, 1, 2, 3, 4
"""What a unit is: erased; programmed; not decodable; erased by a cut erase, so it only looks blank; locked."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One erase or program: first address, size in bytes, data ("" for an erase), and where in the run it was.

    Attributes:
        index: Instructions executed before it, where the run was traced, else -1.
        pc: The instruction that started it.
        order: Its place among the operations on all memories.
    """

    kind: str
    address: int
    size: int
    data: bytes
    pc: int
    index: int
    order: int = field(default=0, compare=False)


_orders = count(1)

Mark = tuple[int, int, tuple[tuple[int, bytes], ...]]
"""How far undo list and operations were, and what was old in the cache."""


@dataclass(frozen=True, slots=True)
class FlashState:
    """A memory's whole content, to be kept: bytes and what each unit is."""

    data: bytes
    units: bytes


class FlashContent:
    """One memory with its content and an undo list; `snapshot` and `restore` cost what was changed between them.

    Attributes:
        protects: Asked before an operation with its first address and its end; where it says yes, the part refuses.
        code_from, code_end, on_code: Called where what lies between these offsets changes.
        cache: What a cache in front of it holds: the content as it was when the cache was emptied last; None without.
    """

    def __init__(self, memory: Memory) -> None:
        self.memory = memory
        self.unit = memory.program_unit
        self.erased = 0xFF if memory.erased is None else memory.erased
        self.buffer = Buffer(memory.size, self.erased)
        self.units = bytearray(memory.size // self.unit)
        self.base, self.end = memory.base, memory.end
        self._starts = [s.address - memory.base for s in memory.sectors()]
        self._ends = [s.end - memory.base for s in memory.sectors()]
        self._undo: list[tuple[int, bytes, bytes]] = []
        self.operations: list[Operation] = []
        self.dirty_from, self.dirty_end = memory.size, 0
        self.protects: Callable[[int, int], bool] | None = None
        self.cache: Buffer | None = None
        self.code_from, self.code_end = memory.size, 0
        self.on_code: Callable[[], None] | None = None
        self._stale: dict[int, int] = {}

    def use_cache(self) -> None:
        """Put a cache in front of this memory; it starts as the content is."""
        self.cache = Buffer(self.memory.size, self.erased)

    def empty_cache(self) -> None:
        """Let the cache show the content as it is now."""
        if self.cache is None:
            return
        for offset, size in self._stale.items():
            self.cache.write(offset, self.buffer.read(offset, size))
            self._mark(offset, size)
        self._stale.clear()

    def stale(self) -> tuple[tuple[int, bytes], ...]:
        """Return the places where the cache may differ from the content, with what it holds there."""
        if self.cache is None or not self._stale:
            return ()
        return tuple((offset, self.cache.read(offset, size)) for offset, size in self._stale.items())

    def _mark(self, offset: int, size: int) -> None:
        self.dirty_from = min(self.dirty_from, offset)
        self.dirty_end = max(self.dirty_end, offset + size)

    def holds(self, address: int, size: int = 1) -> bool:
        """Return whether all these addresses are in this memory."""
        return self.base <= address and address + size <= self.end and size > 0

    def read(self, address: int, size: int) -> bytes:
        """Return bytes as they are stored, torn ones too."""
        return self.buffer.read(address - self.base, size)

    def read_cached(self, address: int, size: int) -> bytes:
        """Return bytes as the cache in front of the memory gives them, which may be old."""
        return (self.cache or self.buffer).read(address - self.base, size)

    def torn(self, address: int, size: int) -> bool:
        """Return whether any of these bytes is in a unit that cannot be decoded."""
        first = (address - self.memory.base) // self.unit
        last = (address - self.memory.base + size - 1) // self.unit
        return TORN in self.units[first : last + 1]

    def torn_pages(self, page: int) -> list[int]:
        """Return the offsets of pages that have a unit which cannot be decoded."""
        found: list[int] = []
        at = self.units.find(TORN)
        while at >= 0:
            start = at * self.unit // page * page
            found.append(start)
            at = self.units.find(TORN, (start + page) // self.unit)
        return found

    def sector(self, address: int) -> tuple[int, int]:
        """Return first address and end of the sector that an address is in."""
        index = bisect_right(self._starts, address - self.memory.base) - 1
        return self.memory.base + self._starts[index], self.memory.base + self._ends[index]

    def _change(self, offset: int, data: bytes, units: bytes) -> None:
        first = offset // self.unit
        self._undo.append((offset, self.buffer.read(offset, len(data)), bytes(self.units[first : first + len(units)])))
        self.buffer.write(offset, data)
        self.units[first : first + len(units)] = units
        self._mark(offset, len(data))
        if offset < self.code_end and self.code_from < offset + len(data) and self.on_code is not None:
            self.on_code()
        if self.cache is not None:
            self._stale[offset] = max(self._stale.get(offset, 0), len(data))

    def _refuses(self, start: int, end: int) -> bool:
        units = self.units[(start - self.base) // self.unit : (end - self.base - 1) // self.unit + 1]
        return LOCKED in units or (self.protects is not None and self.protects(start, end))

    def erase(self, address: int, *, pc: int, index: int) -> bool:
        """Erase the sector that holds `address`; False where the part refuses."""
        return self.holds(address) and self._erase(*self.sector(address), pc, index)

    def erase_command(self, address: int, size: int, *, pc: int, index: int) -> bool:
        """Erase the aligned `size` bytes that hold `address`, as a larger erase command does; False if refused."""
        if not self.holds(address):
            return False
        start = self.base + (address - self.base) // size * size
        return self._erase(start, min(start + size, self.end), pc, index)

    def _erase(self, start: int, end: int, pc: int, index: int) -> bool:
        if self.memory.erased is None or self.memory.kind is MemoryKind.ONE_TIME or self._refuses(start, end):
            return False
        self.operations.append(Operation("erase", start, end - start, b"", pc, index, next(_orders)))
        self._change(start - self.memory.base, bytes([self.erased]) * (end - start), bytes((end - start) // self.unit))
        return True

    def program(self, address: int, data: bytes, *, pc: int, index: int) -> bool:
        """Program whole units as the part does; False where it refuses.

        A unit programmed once too often takes the bits of both, which its check bits then contradict. What runs past
        the end of a page that wraps goes to its beginning.
        """
        unit, first, rest = self.unit, (address - self.base) // self.unit, (address - self.base) % self.unit
        if rest or not data or not self.holds(address, min(len(data), unit)):
            return False
        is_plain = len(data) == unit and (self.units[first] == BLANK or self.memory.erased is None)
        if is_plain and self.protects is None and self.units[first] != LOCKED:
            self.operations.append(Operation("program", address, unit, data, pc, index, next(_orders)))
            self._change(address - self.base, data, b"\x01")
            return True
        data += bytes([self.erased]) * (-len(data) % unit)
        page = self.memory.page
        touched: frozenset[int] | None = None
        if page and (address - self.base) % page + len(data) > page:
            address, data, touched = self._wrapped(address, data, page)
        if not self.holds(address, len(data)) or self._refuses(address, address + len(data)):
            return False
        self.operations.append(Operation("program", address, len(data), data, pc, index, next(_orders)))
        offset = address - self.memory.base
        made, units = bytearray(), bytearray()
        for at in range(0, len(data), self.unit):
            if touched is not None and at not in touched:
                value, state = self.buffer.read(offset + at, unit), self.units[(offset + at) // unit]
            else:
                value, state = self._programmed(offset + at, data[at : at + self.unit])
            made += value
            units.append(state)
        self._change(offset, bytes(made), bytes(units))
        return True

    def _wrapped(self, address: int, data: bytes, page: int) -> tuple[int, bytes, frozenset[int]]:
        """Return first address and bytes of the whole page that is programmed in the end, and the units that are."""
        start = (address - self.base) % page
        whole = bytearray(bytes([self.erased]) * page)
        for number, byte in enumerate(data):
            whole[(start + number) % page] = byte
        touched = {(start + number) % page // self.unit * self.unit for number in range(len(data))}
        return address - start, bytes(whole), frozenset(touched)

    def lock(self, address: int) -> bool:
        """Close the lock unit of one-time words that holds an address to programming, for good."""
        size = self.memory.lock_unit
        if not size or not self.holds(address):
            return False
        offset = (address - self.base) // size * size
        self._change(offset, self.buffer.read(offset, size), bytes([LOCKED]) * (size // self.unit))
        return True

    def lock_all(self) -> None:
        """Close the whole memory to erasing and programming, for good."""
        self._change(0, self.buffer.read(0, self.memory.size), bytes([LOCKED]) * len(self.units))

    def erase_all(self) -> None:
        """Erase everything at once, as the side effect of another change: no operation of the program's."""
        self._change(0, bytes([self.erased]) * self.memory.size, bytes(len(self.units)))

    def _programmed(self, offset: int, new: bytes) -> tuple[bytes, int]:
        state = self.units[offset // self.unit]
        if self.memory.erased is None or state == BLANK:
            return new, PROGRAMMED
        old = self.buffer.read(offset, len(new))
        joined = bytes(a & b if self.erased else a | b for a, b in zip(old, new, strict=True))
        if state == WEAK and old == bytes([self.erased]) * len(old):
            return new, WEAK  # It reads right for now; only a whole erase makes the cell sound again.
        if state in (TORN, WEAK):
            return joined, TORN
        if self.memory.reprogram in (Reprogram.BITS, Reprogram.TIMES):
            return joined, PROGRAMMED
        if self.memory.reprogram is Reprogram.ZEROS_ONLY:
            return joined, PROGRAMMED if not any(new) or joined == old else TORN
        return joined, TORN

    def set(self, address: int, data: bytes, states: bytes) -> None:
        """Put content in without an operation: what a cut left, or what a programmer wrote."""
        self._change(address - self.memory.base, data, states)

    def load(self, address: int, data: bytes) -> None:
        """Put a file's bytes in, as a programmer does, which leaves out units that stay erased."""
        offset = address - self.memory.base
        first, last = offset // self.unit, (offset + len(data) - 1) // self.unit
        start, end = first * self.unit, (last + 1) * self.unit
        whole = bytearray(self.buffer.read(start, end - start))
        whole[offset - start : offset - start + len(data)] = data
        blank = bytes([self.erased]) * self.unit
        units = (BLANK if whole[at : at + self.unit] == blank else PROGRAMMED for at in range(0, len(whole), self.unit))
        self._change(start, bytes(whole), bytes(units))

    @property
    def changes(self) -> int:
        """How often the content changed since it was put in, less what was undone."""
        return len(self._undo)

    def changed_since(self, count: int) -> list[tuple[int, int]]:
        """Return the places of all changes but the first `count`: offset and size."""
        return [(offset, len(data)) for offset, data, _ in self._undo[count:]]

    def snapshot(self) -> Mark:
        """Return a mark to which `restore` can go back."""
        return len(self._undo), len(self.operations), self.stale()

    def restore(self, mark: Mark) -> None:
        """Undo all changes since a mark."""
        undo, operations, stale = mark
        while len(self._undo) > undo:
            offset, data, units = self._undo.pop()
            self.buffer.write(offset, data)
            first = offset // self.unit
            self.units[first : first + len(units)] = units
            self.dirty_from = min(self.dirty_from, offset)
            self.dirty_end = max(self.dirty_end, offset + len(data))
            if self.cache is not None:
                self._stale[offset] = max(self._stale.get(offset, 0), len(data))
        del self.operations[operations:]
        if self.cache is not None:
            self.empty_cache()
            for offset, held in stale:
                self.cache.write(offset, held)
                self._stale[offset] = len(held)

    def take_dirty(self) -> tuple[int, int] | None:
        """Return the offsets between which bytes changed since the last call, or None."""
        if self.dirty_from >= self.dirty_end:
            return None
        span = self.dirty_from, self.dirty_end
        self.dirty_from, self.dirty_end = self.memory.size, 0
        return span

    def state(self) -> FlashState:
        """Return the whole content."""
        return FlashState(self.buffer.read(0, self.memory.size), bytes(self.units))

    def put(self, state: FlashState) -> None:
        """Replace the whole content; no way back before it. Only what differs counts as changed."""
        present = self.buffer.read(0, self.memory.size)
        if present != state.data:
            differ = [
                (start, end)
                for start, end in zip(self._starts, self._ends, strict=True)
                if present[start:end] != state.data[start:end]
            ]
            for start, end in differ:
                self.buffer.write(start, state.data[start:end])
            for start, end in differ:
                self._mark(start, end - start)
                self._stale[start] = end - start
        self.units[:] = state.units
        self.empty_cache()
        self._undo.clear()
        self.operations.clear()
