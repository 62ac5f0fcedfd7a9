"""What answers a read or a write: rules, controllers, plugins, the system control space, memories that can fault."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import replace

from rootwright.bench import arm_numbers
from rootwright.bench.effective import accessed
from rootwright.bench.emulator import PAGE
from rootwright.bench.ends import Access
from rootwright.bench.fence import Fence
from rootwright.bench.firmware import RV_REGISTERS, Firmware
from rootwright.bench.flash import FlashContent
from rootwright.bench.protection_unit import READ, WRITE
from rootwright.bench.registers import ControllerRegisters, Registers, RuleRegisters
from rootwright.bench.write_protection import WriteProtection
from rootwright.describe.bench import Bench, Bits
from rootwright.describe.chip import BlankRead, Chip, EccError, MemoryKind
from rootwright.errors import BenchError

PERIPHERALS = ((0x4000_0000, 0x6000_0000), (0xE000_0000, 0x1_0000_0000))
"""Where an M-profile core expects registers (Armv7-M, B3.1, the system address map; from memory)."""

SOFT = ("settle", "pended", "remap")
"""Stops behind an access that is done: what follows before the core stands is done too."""


class Bus(Fence):
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
        self._begin_fence()
        self.probe = probe
        self.uncovered: list[Access] = []
        self._noticed: tuple[int, ...] = ()
        self._cause = 0
        self._fed = 0
        self._ran = 0
        self._devices: list[tuple[int, int, Registers]] = []
        self._build_devices(plugins)
        self._map_gaps(self._answered())
        lockable = frozenset(each.memory for each in bench.controllers if each.lock is not None)
        self.protection = WriteProtection(chip, self._peek_word, self._stored_bytes, lockable)
        for text in (*self.protection.unknown, *self._simpler_than_the_part()):
            self.note(text)

    def _build_devices(self, plugins: tuple[tuple[int, int, Registers], ...]) -> None:
        for rule in self.bench.rules:
            self._devices.append((rule.at, rule.at + rule.size, RuleRegisters(rule, self)))
        unlocks = {area.memory: area.unlock for area in self.chip.settings_areas}
        for each in self.bench.controllers:
            controller = each
            if not each.unlock and each.memory in unlocks:
                # The part's own sequence, which need not be written twice.
                sequence = tuple(Bits(item.address - each.base, 0, item.value) for item in unlocks[each.memory])
                controller = replace(each, unlock=sequence)
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

    def _simpler_than_the_part(self) -> list[str]:
        """Return what the chip file says of memories and this device does not do."""
        found = []
        for memory in self.chip.memories:
            if memory.kind is MemoryKind.RAM:
                continue
            if memory.blank_read is not BlankRead.VALUE:
                word = "faults" if memory.blank_read is BlankRead.FAULT else "reads as anything"
                found.append(
                    f"memory {memory.name}: a blank unit {word} on the part, and reads as the erased value here"
                )
            if memory.reprogram_unit > memory.program_unit and memory.erased is not None:
                found.append(
                    f"memory {memory.name}: whether it may be programmed again goes by {memory.reprogram_unit} bytes "
                    f"on the part, and by units of {memory.program_unit} here"
                )
            if memory.read_limit:
                found.append(f"memory {memory.name}: its words wear by reading on the part, and not here")
        return found

    def _peek_word(self, address: int) -> int | None:
        return None if self.device(address) is None else self.peek(address)

    def _stored_bytes(self, address: int, size: int) -> bytes | None:
        flash = self.find_flash(address)
        return None if flash is None else flash.buffer.read(self.canonical(address) - flash.base, size)

    def _answered(self) -> list[tuple[int, int]]:
        """Return the pages that are mapped as registers. On M-profile cores the emulator itself refuses the rest.

        Its own refusal is exact inside a conditional (IT) block too, where a stop that is asked for comes late.
        """
        if not self.is_arm:
            return [(0, 0x1_0000_0000 - PAGE)]
        spans = [*PERIPHERALS, *((start, end) for start, end, _ in self._devices)]
        spans += [(window.start, window.end) for window in self._windows]
        return [(start & -PAGE, min(-(-end // PAGE) * PAGE, 0x1_0000_0000 - PAGE)) for start, end in spans]

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
            return self.arm.words.get(address - arm_numbers.SCS, 0) if self.is_arm else 0
        base, registers = found
        look = getattr(registers, "peek", None)
        return int(look(address - base)) if look is not None else 0

    def _read_control(self, address: int, width: int) -> int:
        if self._pending is not None and self._pending[0] not in SOFT:
            return 0
        if not self.arm.privileged:
            self._pend_io("bus", address, write=False)
            return 0
        return self.arm.read(address, width)

    def _write_control(self, address: int, width: int, value: int) -> None:
        if self._pending is not None and self._pending[0] not in SOFT:
            return
        if not self.arm.privileged:
            self._pend_io("bus write", address, write=False)
            return
        was_on = self.arm.unit.active
        self.arm.write(address, width, value, self.emulator.pc)
        if was_on or self.arm.unit.active:
            self._pend_io("settle", address, write=True)
        elif self.arm.pending or self.arm.tick_period:
            self._pend_io("pended", address, write=True)

    def _read_io(self, address: int, width: int) -> int:
        if self._pending is not None and self._pending[0] not in SOFT:
            return 0
        if self._wanted_at is not None and not self.may(address, width, READ):
            self._pend_io("guard", address, write=False)
            return 0
        found = self.device(address)
        if found is not None:
            return found[1].read(address - found[0], width)
        window = self.locate(address)
        if window is None:
            return self._uncovered(address, width, "read", 0)
        base, buffer, flash = self._stores[window.memory]
        offset = window.offset + address - window.start
        if flash is None:
            return int.from_bytes(buffer.read(offset, width), "little")
        if window.cached:
            return int.from_bytes(flash.read_cached(base + offset, width), "little")
        return self._read_flash(flash, address, base + offset, width)

    def _read_flash(self, flash: FlashContent, address: int, place: int, width: int) -> int:
        value = int.from_bytes(flash.read(place, width), "little")
        how = flash.memory.ecc_error
        if how is EccError.NONE or not flash.torn(place, width):
            return value
        if how is EccError.FAULT:
            self._bus_fault(address, "bus")
        elif how is EccError.FLAG:
            self._flag_undecodable(flash, address)
        elif how is EccError.NMI and self.is_arm and not self._is_noticed(address):
            # The load is done again behind the handler, and then goes through with all its words.
            self._noticed = self._torn_in(self.emulator.pc, address)
            self._flag_undecodable(flash, address)
            self.arm.pend(arm_numbers.NMI)
            self._pend_io("nmi", address, write=False)
        elif how is EccError.NMI and not self.is_arm:
            self._flag_undecodable(flash, address)
            self.note("an undecodable word raises an interrupt that cannot be masked: on RV32 it is not delivered here")
        elif self._noticed[2:] == (address,):
            self._noticed = ()
        return value

    def _is_noticed(self, address: int) -> bool:
        """Return whether the handler was called for this instruction, of whose words this is one."""
        return bool(self._noticed) and self._noticed[0] == self.emulator.pc and self._noticed[1] <= address

    def _torn_in(self, pc: int, address: int) -> tuple[int, ...]:
        """Return an instruction, and the first and last word of it that cannot be decoded."""
        start, size = self._accessed(pc)
        last = address
        for at in range(address + 4, start + size, 4):
            flash = self.find_flash(at)
            if flash is not None and flash.torn(self.canonical(at), 1):
                last = at
        return pc, address, last

    def _value(self, name: str) -> int:
        """Return a register's value by the disassembler's name."""
        found = name if self.is_arm else RV_REGISTERS.get(name, name)
        return self.emulator.get(found) if found in self.emulator.registers else 0

    def _accessed(self, pc: int) -> tuple[int, int]:
        """Return first address and size of what the instruction at `pc` loads or stores."""
        raw = self.read_bytes(pc, 4) or self.read_bytes(pc, 2) or b""
        return accessed(raw, pc, self._value, is_arm=self.is_arm) or (0, 1)

    def _flag_undecodable(self, flash: FlashContent, address: int) -> None:
        """Let the controllers of a memory say that a word could not be decoded, and where."""
        told = False
        for _, _, registers in self._devices:
            if isinstance(registers, ControllerRegisters) and registers.flash is flash:
                told = registers.note_undecodable(address) or told
        if not told and flash.memory.ecc_error is EccError.FLAG:
            self.note(
                f"memory {flash.memory.name} flags words that it cannot decode, and no controller of [bench] says in "
                "which bits (`undecodable`): the program cannot see it here"
            )

    def _bus_fault(self, address: int, kind: str) -> None:
        if self.is_arm and self.arm.noted_only():
            self.arm.note_bus_fault(address)
        else:
            self._pend_io(kind, address, write=False)

    def _pend_io(self, kind: str, address: int, *, write: bool) -> None:
        if self._pending is None:
            self._pending = (kind, address)
            self._io_pc, self._io_write = self.emulator.pc, write
            self.emulator.stop()

    def _write_io(self, address: int, width: int, value: int) -> None:
        if self._pending is not None and self._pending[0] not in SOFT:
            return
        if self._wanted_at is not None and not self.may(address, width, WRITE):
            self._pend_io("guard write", address, write=False)
            return
        found = self.device(address)
        if found is not None:
            found[1].write(address - found[0], width, value)
            if address & ~3 in self.protection.words:
                self.protection.note()
            if self._remap:
                self._pend_io("remap", address, write=True)
            return
        window = self.locate(address)
        if window is None:
            self._uncovered(address, width, "write", value)
            return
        base, buffer, flash = self._stores[window.memory]
        place = window.offset + address - window.start
        if flash is None:
            buffer.write(place, value.to_bytes(width, "little"))
            return
        for _, _, registers in self._devices:
            if not isinstance(registers, ControllerRegisters) or registers.flash is not flash:
                continue
            if registers.store(base + place, width, value):
                return
        self._bus_fault(address, "bus write")

    def is_register(self, address: int) -> bool:
        """Return whether an address looks like a register's, so that an access there wants a rule."""
        if self.is_arm:
            return any(start <= address < end for start, end in PERIPHERALS)
        return any(start - 0x1_0000 <= address < end + 0x1_0000 for start, end, _ in self._devices) or (
            self.probe is not None and address >= 0x1000_0000
        )

    def _uncovered(self, address: int, width: int, kind: str, value: int) -> int:
        if not self.is_register(address):
            self._bus_fault(address, "bus" if kind == "read" else "bus write")
            return 0
        access = Access(address, width, kind, value, self.emulator.pc)
        self.uncovered.append(access)
        if self.probe is not None:
            return self.probe(access)
        self._pend_io("not covered", address, write=False)
        return 0
