"""Registers that rules and controllers of product.toml answer for; nothing that no rule covers reads as zero."""

from __future__ import annotations

from typing import Any, Protocol

from rootwright.bench.flash import FlashContent
from rootwright.describe.bench import Controller, Rule, UnlockLasts, WriteDeed


class Bus(Protocol):
    """What registers can do to the device around them."""

    def feed_watchdog(self) -> None:
        """The watchdog was fed."""

    def ask_reset(self) -> None:
        """A software reset was asked for."""

    def reset_cause(self) -> int:
        """0 after power-up, 1 after a watchdog reset, 2 after a software reset."""

    def position(self) -> tuple[int, int]:
        """The instruction at work and how many ran before it (-1 where that is not counted)."""

    def require_readable(self) -> None:
        """Flash changed so that reads may fault now."""

    def canonical(self, address: int) -> int:
        """Where a bus address leads, counted from its memory's base."""

    def invalidate_caches(self) -> None:
        """Caches were emptied."""

    def load_settings_now(self) -> None:
        """The settings areas are to be loaded."""


class Registers(Protocol):
    """A device on the bus. A plugin class has these methods, and a constructor without arguments.

    `offset` counts from the first address of the plugin's table; widths are 1, 2 or 4 bytes.
    """

    def read(self, offset: int, width: int) -> int:
        """Return what a read gives."""

    def write(self, offset: int, width: int, value: int) -> None:
        """Take a write."""

    def save(self) -> Any:
        """Return the whole state as a value that later changes leave alone."""

    def restore(self, state: Any) -> None:
        """Put a saved state back."""

    def reset(self) -> None:
        """Be as after a reset."""


def merge(old: int, offset: int, width: int, value: int) -> int:
    """Return a 32-bit word after a write of `width` bytes at `offset` into it."""
    shift = 8 * (offset & 3)
    mask = ((1 << 8 * width) - 1) << shift
    return (old & ~mask | value << shift & mask) & 0xFFFF_FFFF


def part(word: int, offset: int, width: int) -> int:
    """Return the `width` bytes at `offset` of a 32-bit word."""
    return word >> 8 * (offset & 3) & (1 << 8 * width) - 1


class RuleRegisters:
    """The registers of one rule."""

    def __init__(self, rule: Rule, bus: Bus) -> None:
        self.rule, self.bus = rule, bus
        self.words: dict[int, int] = {}
        self.reads: dict[int, int] = {}

    def read(self, offset: int, width: int) -> int:
        """Return what the rule says."""
        rule, at = self.rule, offset & ~3
        count = self.reads.get(at, 0)
        self.reads[at] = count + 1
        return part(self._word(at, count) | (rule.set_mask if count >= rule.set_after else 0), offset, width)

    def _word(self, at: int, count: int) -> int:
        rule = self.rule
        if rule.causes:
            return self.words.get(at, rule.causes[self.bus.reset_cause()])
        if rule.reads:
            return rule.reads[min(count, len(rule.reads) - 1)]
        return self.words.get(at, rule.initial)

    def peek(self, offset: int) -> int:
        """Return a word's present value without counting a read."""
        return self._word(offset & ~3, self.reads.get(offset & ~3, 0))

    def write(self, offset: int, width: int, value: int) -> None:
        """Do what the rule says."""
        rule, at = self.rule, offset & ~3
        old = self.words.get(at, rule.causes[self.bus.reset_cause()] if rule.causes else rule.initial)
        new = merge(old, offset, width, value)
        counts = rule.word is None or value == rule.word
        if rule.write is WriteDeed.KEEP:
            self.words[at] = new
        elif rule.write is WriteDeed.CLEAR:
            self.words[at] = old & ~merge(0, offset, width, value)
        elif rule.write is WriteDeed.WATCHDOG and counts:
            self.bus.feed_watchdog()
        elif rule.write is WriteDeed.RESET and counts:
            self.bus.ask_reset()
        elif rule.write is WriteDeed.INVALIDATE and counts:
            self.bus.invalidate_caches()
        elif rule.write is WriteDeed.LOAD and counts:
            self.bus.load_settings_now()

    def save(self) -> Any:
        """Return written words and read counts."""
        return tuple(self.words.items()), tuple(self.reads.items())

    def restore(self, state: Any) -> None:
        """Put them back."""
        self.words, self.reads = dict(state[0]), dict(state[1])

    def reset(self) -> None:
        """Forget both."""
        self.words, self.reads = {}, {}


class ControllerRegisters:
    """A flash controller as declared."""

    def __init__(self, declared: Controller, flash: FlashContent, bus: Bus) -> None:
        self.declared, self.flash, self.bus = declared, flash, bus
        self.line = declared.line or flash.unit
        self._sizes = {f"erase {size}": size for _, size in declared.larger}
        self._choices = [("erase", declared.erase), ("program", declared.program)]
        self._choices += [(f"erase {size}", bits) for bits, size in declared.larger]
        if declared.lock is not None:
            self._choices.append(("lock", declared.lock))
        self.reset()

    def reset(self) -> None:
        """Be locked, idle, without error."""
        self.step = 0
        self.open = not self.declared.unlock
        self.selected = ""
        self.address = 0
        self.data = bytearray(b"\xff" * self.line)
        self.filled = 0
        self.line_at = -1
        self.busy = 0
        self.error = False
        self.undecodable = -1
        self.other: dict[int, int] = {}

    def save(self) -> Any:
        """Return the whole state."""
        fixed = self.step, self.open, self.selected, self.address, bytes(self.data), self.filled, self.line_at
        return fixed, self.busy, self.error, self.undecodable, tuple(self.other.items())

    def restore(self, state: Any) -> None:
        """Put it back."""
        fixed, self.busy, self.error, self.undecodable, other = state
        self.step, self.open, self.selected, self.address, data, self.filled, self.line_at = fixed
        self.data, self.other = bytearray(data), dict(other)

    def read(self, offset: int, width: int) -> int:
        """Return a register's value; busy and error bits as declared."""
        c, at = self.declared, offset & ~3
        word = self.other.get(at, 0)
        if at == c.address:
            word = self.address
        if c.busy is not None and at == c.busy.at:
            want = c.busy.want or c.busy.mask
            busy = self.busy > 0
            self.busy -= busy
            word = word & ~c.busy.mask | (want if busy else ~want & c.busy.mask)
        if c.error is not None and at == c.error.at:
            word = word & ~c.error.mask | (c.error.mask if self.error else 0)
        if c.undecodable is not None and at == c.undecodable.at:
            word = word & ~c.undecodable.mask | (c.undecodable.mask if self.undecodable >= 0 else 0)
        if at == c.undecodable_at:
            word = max(self.undecodable, 0)
        return part(word & 0xFFFF_FFFF, offset, width)

    def note_undecodable(self, address: int) -> bool:
        """Tell of a word that could not be decoded; False where no bits are declared for that. The first one stays."""
        if self.declared.undecodable is None:
            return False
        if self.undecodable < 0:
            self.undecodable = address
        return True

    def peek(self, offset: int) -> int:
        """Return a word as it was written last."""
        return self.other.get(offset & ~3, 0)

    def write(self, offset: int, width: int, value: int) -> None:
        """Take a write: a step of the unlock sequence, a choice, a start, data."""
        c, at = self.declared, offset & ~3
        if self._unlocks(at, value):
            return
        self.other[at] = merge(self.other.get(at, 0), offset, width, value)
        word = self.other[at]
        if at == c.address:
            self.address = word
        elif 0 <= c.data <= offset < c.data + self.line:
            place = offset - c.data
            self.data[place : place + width] = value.to_bytes(width, "little")
        if c.error is not None and at == c.error.at and word & c.error.mask:
            self.error = False
        if c.undecodable is not None and at == c.undecodable.at and word & c.undecodable.mask:
            self.undecodable = -1
        started = c.start is not None and at == c.start.at and c.start.holds(word)
        for name, choice in self._choices:
            if at == choice.at and choice.holds(word):
                self.selected = name
                started = started or (c.start is None and not (name == "program" and c.stores))
        if started:
            self._start()

    def _unlocks(self, at: int, value: int) -> bool:
        sequence = self.declared.unlock
        if not sequence or at not in {item.at for item in sequence}:
            return False
        if self.open and all(not item.holds(value) for item in sequence if item.at == at):
            return False  # The register has other uses too.
        wanted = sequence[min(self.step, len(sequence) - 1)]
        if wanted.at == at and wanted.holds(value):
            self.step += 1
        else:
            self.step = 1 if sequence[0].at == at and sequence[0].holds(value) else 0
        if self.step >= len(sequence):
            self.open, self.step = True, 0
        return True

    def _start(self) -> None:
        c = self.declared
        pc, index = self.bus.position()
        done = False
        if self.open:
            where = self.bus.canonical(self.address) if c.address >= 0 else self.line_at
            if self.selected == "erase":
                done = self.flash.erase(where, pc=pc, index=index)
            elif self.selected in self._sizes:
                done = self.flash.erase_command(where, self._sizes[self.selected], pc=pc, index=index)
            elif self.selected == "lock":
                done = self.flash.lock(where)
            elif self.selected == "program":
                done = self.flash.program(where, bytes(self.data), pc=pc, index=index)
        self.error = not done
        self.busy = c.busy_reads if c.busy is not None and done else 0
        self.data = bytearray(b"\xff" * self.line)
        self.filled = 0
        if c.unlock_lasts is UnlockLasts.COMMAND and c.unlock:
            self.open = False
        if done:
            self.bus.require_readable()

    def store(self, address: int, width: int, value: int) -> bool:
        """Take a store to a flash address; False where the controller does not take it."""
        c = self.declared
        if not c.stores or not self.open or not self.selected or self.selected == "lock":
            return False
        base = (address - self.flash.memory.base) // self.line * self.line + self.flash.memory.base
        if self.selected != "program":
            self.line_at = address
            if c.start is None:
                self._start()
            return True
        if base != self.line_at:
            self.data, self.filled, self.line_at = bytearray(b"\xff" * self.line), 0, base
        place = address - base
        self.data[place : place + width] = value.to_bytes(width, "little")
        self.filled += width
        if self.filled >= self.line and c.start is None:
            self._start()
        return True
