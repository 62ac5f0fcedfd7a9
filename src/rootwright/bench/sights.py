"""What a state must have in common with a known one so that both go on alike; and flash contents by a short name."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from operator import itemgetter
from typing import Any

from rootwright.bench.board import Board
from rootwright.bench.effects import C, N, V, Z, bit
from rootwright.bench.emulator import Emulator
from rootwright.bench.flash import FlashState
from rootwright.bench.liveness import Live

FlashKey = frozenset[tuple[tuple[int, int], bytes]]
"""Digests of the sectors that differ from what the run began with."""


class FlashKeys:
    """The present flash content as a key, brought up to date with what changed since it was last asked for."""

    def __init__(self, board: Board, before: dict[str, FlashState]) -> None:
        self._flashes = board.flashes
        self._before = [before.get(flash.memory.name) for flash in board.flashes]
        self._first: dict[tuple[int, int], bytes] = {}
        self._differs: dict[tuple[int, int], bytes] = {}
        self._seen = [flash.changes for flash in board.flashes]
        self._key: FlashKey = frozenset()

    def on(self, board: Board) -> FlashKeys:
        """Return the same for another board that was just brought to the same content."""
        other = FlashKeys(board, {})
        other._before, other._first = self._before, self._first
        other._key = self.key()
        other._differs = self._differs
        return other

    def mark(self) -> Any:
        """Return the present state, for `back`."""
        key = self.key()
        return self._differs, self._seen, key

    def back(self, mark: Any) -> None:
        """Be as at a mark; the flash is too."""
        self._differs, self._seen, self._key = mark

    def key(self) -> FlashKey:
        """Return the key of the present content; equal contents have equal keys."""
        counts = [flash.changes for flash in self._flashes]
        if counts == self._seen:
            return self._key
        changed: set[tuple[int, int]] = set()
        for number, flash in enumerate(self._flashes):
            for offset, size in flash.changed_since(self._seen[number]):
                at, end = flash.base + offset, flash.base + offset + size
                while at < end:
                    start, at = flash.sector(at)
                    changed.add((number, start))
        # Marks keep the old ones.
        self._seen, self._differs = counts, dict(self._differs)
        for place in changed:
            self._update(place)
        self._key = frozenset(self._differs.items())
        return self._key

    def _update(self, place: tuple[int, int]) -> None:
        flash = self._flashes[place[0]]
        start, end = flash.sector(place[1])
        first, last = (start - flash.base) // flash.unit, (end - flash.base) // flash.unit
        now = _digest(flash.read(start, end - start), flash.units[first:last])
        old = self._first.get(place)
        if old is None:
            before = self._before[place[0]]
            if before is None:
                old = b""
            else:
                old = _digest(before.data[start - flash.base : end - flash.base], before.units[first:last])
            self._first[place] = old
        if now == old:
            self._differs.pop(place, None)
        else:
            self._differs[place] = now


def _digest(data: bytes, units: bytes | bytearray) -> bytes:
    return hashlib.blake2b(data + units, digest_size=16).digest()


class Picks:
    """What picks from all registers those that are live: a value to compare and to look up by."""

    __slots__ = ("_mask", "_names", "_place", "places")

    def __init__(self, e: Emulator, mask: int) -> None:
        dead = {number for name, number in e.registers.items() if bit(name) and not bit(name) & mask and name != "sp"}
        dead.discard(e.registers["sp"] if e.is_arm else 0)
        self._place = e.order.index(e.registers["xpsr"]) if e.is_arm else 0
        self.places = [
            i for i, number in enumerate(e.order) if number not in dead and not (e.is_arm and i == self._place)
        ]
        self._names = itemgetter(*self.places)
        # Bits 31 to 28 of the status word are N, Z, C and V.
        live = sum(1 << at for at, flag in zip((31, 30, 29, 28), (N, Z, C, V), strict=True) if mask & flag)
        self._mask = 0x0FFF_FFFF | live if e.is_arm else 0

    @property
    def flags_mask(self) -> int:
        """Which bits of the status word count."""
        return self._mask

    def __call__(self, registers: Sequence[int]) -> tuple[Any, int]:
        """Return what is live of all registers."""
        return self._names(registers), registers[self._place] & self._mask


_PICKS: dict[tuple[tuple[int, ...], int], Picks] = {}


def picks(e: Emulator, mask: int) -> Picks:
    """Return what picks the live registers; the same object for the same ones."""
    key = (tuple(e.order), mask)
    if key not in _PICKS:
        _PICKS[key] = Picks(e, mask)
    return _PICKS[key]


class Sight:
    """A state of a known run, as far as what comes next depends on it.

    Attributes:
        picks, values: What picks the live registers, and what they are.
        rest: Devices and the like.
        key: The flash content.
    """

    __slots__ = ("_ram", "key", "picks", "rest", "values")

    def __init__(
        self,
        board: Board,
        live: Live,
        key: FlashKey,
        registers: Sequence[int],
        rest: Any,
        rams: Sequence[bytes] | None = None,
    ) -> None:
        self.picks = picks(board.emulator, live[0])
        self.values = self.picks(registers)
        self._ram = [
            (
                n,
                offset,
                size,
                rams[n][offset : offset + size] if rams is not None else board.rams[n][2].read(offset, size),
            )
            for n, offset, size in live[1]
        ]
        self.rest, self.key = rest, key

    def has_memory_of(self, board: Board) -> bool:
        """Return whether the live bytes of RAM are those of a board."""
        rams = board.rams
        return all(rams[number][2].read(offset, size) == data for number, offset, size, data in self._ram)

    def is_of(self, board: Board, key: FlashKey) -> bool:
        """Return whether a board goes on as from here."""
        same = key == self.key and self.picks(board.emulator.all_registers()) == self.values
        return same and self.has_memory_of(board) and bool(board.rest() == self.rest)

    def disturb(self, board: Board) -> None:
        """Change everything on a board that stands here of which this says that it does not matter."""
        e = board.emulator
        kept = set(self.picks.places)
        for place, number in enumerate(e.order):
            if place not in kept and not (e.is_arm and number == e.registers["xpsr"]):
                e.write_register(number, e.read_register(number) ^ 0xFFFF_FFFF)
        if e.is_arm:
            e.set("xpsr", e.get("xpsr") ^ (0xF000_0000 & ~self.picks.flags_mask))
        images = [bytearray(buffer.read(0, size).translate(_INVERTED)) for _, size, buffer in board.rams]
        for number, offset, size, data in self._ram:
            images[number][offset : offset + size] = data
        for (_, _, buffer), image in zip(board.rams, images, strict=True):
            buffer.write(0, bytes(image))


_INVERTED = bytes(byte ^ 0xFF for byte in range(256))
