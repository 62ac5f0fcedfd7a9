"""The device under the explorer: every read of flash beside the program's code is seen, every operation is told."""

from __future__ import annotations

from typing import Any, Protocol

from rootwright.bench.board import Board
from rootwright.bench.flash import FlashContent, FlashState
from rootwright.describe.bench import Deed
from rootwright.describe.chip import Memory


class Watcher(Protocol):
    """What is told of reads and operations, in the order in which they happen."""

    def look(self, address: int, size: int) -> None:
        """Bytes are about to be read: have them there."""

    def digest(self, address: int, size: int) -> bytes | None:
        """Return bytes that only a digest is made of; None where one of them cannot be read."""

    def erasing(self, start: int) -> None:
        """A sector is about to be erased."""

    def erased(self, start: int, end: int, pc: int) -> None:
        """A sector was erased."""

    def programming(self, address: int, size: int) -> None:
        """A unit is about to be programmed."""

    def programmed(self, address: int, data: bytes, pc: int) -> None:
        """A unit was programmed."""


class WatchedFlash(FlashContent):
    """One memory whose reads and operations are told; without a watcher as any other."""

    def __init__(self, memory: Memory) -> None:
        super().__init__(memory)
        self.watcher: Watcher | None = None

    def read(self, address: int, size: int) -> bytes:
        """Return bytes as they are stored."""
        if self.watcher is not None:
            self.watcher.look(address, size)
        return super().read(address, size)

    def torn(self, address: int, size: int) -> bool:
        """Return whether any of these bytes is in a unit that cannot be decoded."""
        if self.watcher is not None:
            self.watcher.look(address, size)
        return super().torn(address, size)

    def _erase(self, start: int, end: int, pc: int, index: int) -> bool:
        if self.watcher is None:
            return super()._erase(start, end, pc, index)
        self.watcher.erasing(start)
        if not super()._erase(start, end, pc, index):
            return False
        self.watcher.erased(start, end, pc)
        return True

    def program(self, address: int, data: bytes, *, pc: int, index: int) -> bool:
        """Program whole units, one operation each: a cut can fall between any two."""
        if self.watcher is None or not data or not self.holds(address, len(data)) or (address - self.base) % self.unit:
            return super().program(address, data, pc=pc, index=index)
        data += bytes([self.erased]) * (-len(data) % self.unit)
        for at in range(0, len(data), self.unit):
            unit = data[at : at + self.unit]
            self.watcher.programming(address + at, self.unit)
            if not super().program(address + at, unit, pc=pc, index=index):
                return False
            self.watcher.programmed(address + at, unit, pc)
        return True

    def show(self, offset: int, data: bytes, units: bytes) -> None:
        """Put content in without an operation and without a way back."""
        self.buffer.write(offset, data)
        first = offset // self.unit
        self.units[first : first + len(units)] = units

    def forget(self) -> None:
        """Forget operations and the way back."""
        self._undo.clear()
        self.operations.clear()


class _DigestView:
    """The device as a hooked digest sees it: reads are told as such."""

    def __init__(self, board: CutBoard) -> None:
        self._board = board

    def __getattr__(self, name: str) -> Any:
        return getattr(self._board, name)

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Return bytes that only a digest is made of."""
        flash = self._board.find_flash(address)
        if isinstance(flash, WatchedFlash) and flash.watcher is not None and flash.holds(address, max(size, 1)):
            return flash.watcher.digest(address, size) if size else b""
        return self._board.read_bytes(address, size)


class CutBoard(Board):
    """A device whose flash is watched; no page of flash beside code is read without that being seen."""

    flash_is_io = True

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for call in self.hooks:
            if call.hook.deed is Deed.DIGEST:
                call.around = _DigestView(self)

    def _make_flash(self, memory: Memory) -> FlashContent:
        return WatchedFlash(memory)

    def load(self, flash: dict[str, FlashState]) -> None:
        """Put in what the flash holds at a start."""
        for content in self.flashes:
            if content.memory.name in flash:
                content.put(flash[content.memory.name])

    def watch(self, watcher: Watcher | None) -> None:
        """Tell `watcher` from now on."""
        for content in self.flashes:
            assert isinstance(content, WatchedFlash)
            content.watcher = watcher
            content.forget()
