"""What answers a read or a write: rules, controllers, plugins, the system control space, memories that can fault."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable

from rootwright.bench import core_arm
from rootwright.bench.ends import Access
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashContent
from rootwright.bench.memories import Memories
from rootwright.bench.registers import ControllerRegisters, Registers, RuleRegisters
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Chip, EccError
from rootwright.errors import BenchError

PERIPHERALS = ((0x4000_0000, 0x6000_0000), (0xE000_0000, 0x1_0000_0000))
"""Where an M-profile core expects registers (Armv7-M, B3.1, the system address map; from memory)."""


class Bus(Memories):
    """Memories and registers around a core."""

    def __init__(
        self,
        chip: Chip,
        bench: Bench,
        firmware: Firmware,
        plugins: tuple[tuple[int, int, Registers], ...],
        probe: Callable[[Access], int] | None,
    ) -> None:
        super().__init__(chip, bench, firmware)
        self.probe = probe
        self.uncovered: list[Access] = []
        self._io_pc = 0
        self._io_write = False
        self._noticed = -1
        self._cause = 0
        self._fed = 0
        self._ran = 0
        self._devices: list[tuple[int, int, Registers]] = []
        self._build_devices(plugins)
        self._map_gaps()

    def _build_devices(self, plugins: tuple[tuple[int, int, Registers], ...]) -> None:
        for rule in self.bench.rules:
            self._devices.append((rule.at, rule.at + rule.size, RuleRegisters(rule, self)))
        for controller in self.bench.controllers:
            flash = next(f for f in self.flashes if f.memory.name == controller.memory)
            self._devices.append(
                (controller.base, controller.base + controller.size, ControllerRegisters(controller, flash, self))
            )
        self._devices += plugins
        self._devices.sort(key=lambda item: item[0])
        for (_, end, _), (start, _, _) in zip(self._devices, self._devices[1:], strict=False):
            if start < end:
                raise BenchError(
                    f"two of rules, controllers and plugins answer for 0x{start:08x}",
                    where="[bench]",
                    next_step="let each register be covered once",
                )
        self._device_starts = [item[0] for item in self._devices]

    def feed_watchdog(self) -> None:
        """Note that the watchdog was fed."""
        self._fed = self._ran

    def reset_cause(self) -> int:
        """Return 0 after power-up, 1 after a watchdog reset, 2 after a software reset."""
        return self._cause

    def device(self, address: int) -> tuple[int, Registers] | None:
        """Return the registers at an address with their first address."""
        index = bisect_right(self._device_starts, address) - 1
        if index >= 0 and address < self._devices[index][1]:
            return self._devices[index][0], self._devices[index][2]
        return None

    def peek(self, address: int) -> int:
        """Return a register's present value without the effects of a read; 0 where nothing answers."""
        found = self.device(address)
        if found is None:
            return self.arm.words.get(address - core_arm.SCS, 0) if self.is_arm else 0
        base, registers = found
        look = getattr(registers, "peek", None)
        return int(look(address - base)) if look is not None else 0

    def _read_control(self, address: int, width: int) -> int:
        return 0 if self._pending is not None else self.arm.read(address, width)

    def _write_control(self, address: int, width: int, value: int) -> None:
        if self._pending is None:
            self.arm.write(address, width, value)
            if self.arm.pending or self.arm.tick_period:
                self._pend_io("pended", address, write=True)

    def _read_io(self, address: int, width: int) -> int:
        if self._pending is not None:
            return 0
        found = self.device(address)
        if found is not None:
            return found[1].read(address - found[0], width)
        for base, length, buffer in self.rams:
            if base <= address and address + width <= base + length:
                return int.from_bytes(buffer.read(address - base, width), "little")
        flash = self.find_flash(address)
        if flash is not None:
            return self._read_flash(flash, address, width)
        return self._uncovered(address, width, "read", 0)

    def _read_flash(self, flash: FlashContent, address: int, width: int) -> int:
        value = int.from_bytes(flash.read(address, width), "little")
        how = flash.memory.ecc_error
        if how is not EccError.NONE and flash.torn(address, width):
            if how is EccError.FAULT:
                if self.is_arm and self.arm.noted_only():
                    self.arm.note_bus_fault(address)
                else:
                    self._pend_io("bus", address, write=False)
            elif how is EccError.NMI and self.is_arm and self._noticed != address:
                # The load is done again behind the handler, and then goes through.
                self._noticed = address
                if core_arm.NMI not in self.arm.pending:
                    self.arm.pending = (*self.arm.pending, core_arm.NMI)
                self._pend_io("nmi", address, write=False)
            elif self._noticed == address:
                self._noticed = -1
        return value

    def _pend_io(self, kind: str, address: int, *, write: bool) -> None:
        if self._pending is None:
            self._pending = (kind, address)
            self._io_pc, self._io_write = self.emulator.pc, write
            self.emulator.stop()

    def _write_io(self, address: int, width: int, value: int) -> None:
        if self._pending is not None:
            return
        found = self.device(address)
        if found is not None:
            found[1].write(address - found[0], width, value)
            if self._remap:
                self._pend_io("remap", address, write=True)
            return
        for base, length, buffer in self.rams:
            if base <= address and address + width <= base + length:
                buffer.write(address - base, value.to_bytes(width, "little"))
                return
        flash = self.find_flash(address)
        if flash is not None:
            for _, _, registers in self._devices:
                if not isinstance(registers, ControllerRegisters) or registers.flash is not flash:
                    continue
                if registers.store(address, width, value):
                    return
            self._pend_io("bus", address, write=False)
            return
        self._uncovered(address, width, "write", value)

    def is_register(self, address: int) -> bool:
        """Return whether an address looks like a register's, so that an access there wants a rule."""
        if self.is_arm:
            return any(start <= address < end for start, end in PERIPHERALS)
        return any(start - 0x1_0000 <= address < end + 0x1_0000 for start, end, _ in self._devices) or (
            self.probe is not None and address >= 0x1000_0000
        )

    def _uncovered(self, address: int, width: int, kind: str, value: int) -> int:
        if not self.is_register(address):
            if self.is_arm and kind == "read" and self.arm.noted_only():
                self.arm.note_bus_fault(address)
                return 0
            self._pend_io("bus", address, write=False)
            return 0
        access = Access(address, width, kind, value, self.emulator.pc)
        self.uncovered.append(access)
        if self.probe is not None:
            return self.probe(access)
        self._pend_io("not covered", address, write=False)
        return 0
