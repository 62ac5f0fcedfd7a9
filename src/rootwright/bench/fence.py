"""The protection unit at work: pages get the rights that regions give them, finer regions are asked at each access.

A page whose addresses all have the same rights gets them in the emulator. A page that a boundary divides is answered
one access at a time, as registers are. Where such a page also holds the program's code that cannot be: each right there
is that of the most open part, and the region is listed as not enforced. Instructions that change the core's mode are
few; they are looked for once and done here while a unit is on, since other rights hold behind them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from typing import Any

from rootwright.bench.arm_numbers import BUS, MEMORY, NEVER_EXECUTES
from rootwright.bench.core_rv32 import MACHINE
from rootwright.bench.emulator import PAGE
from rootwright.bench.memories import REGISTERS, Memories
from rootwright.bench.protection_unit import EXECUTE, PRIVATE, PRIVATE_END, READ, WRITE, Unit, boundaries

MOST_KEPT = 64
_CONTROL, _FAULTMASK = 0x8814, 0x8813
_MRET = 0x3020_0073
_FIXED_EDGES = {edge for span in NEVER_EXECUTES for edge in span} | {PRIVATE, PRIVATE_END}


class Fence(Memories):
    """Memories behind a protection unit."""

    def _begin_fence(self) -> None:
        """Have no page fenced yet."""
        self._wanted_at: Any = None
        self._kept: dict[Any, dict[int, int]] = {}
        self.unit: Unit = self.arm.unit if self.is_arm else self.riscv.unit
        has_unit = bool((self.arm.unit if self.is_arm else self.riscv.unit).count)
        self._user_is_fenced = has_unit and not self.is_arm
        self._has_unit = has_unit

    def _watch_modes(self) -> None:
        """Hook the instructions that change the mode, behind all other hooks: theirs are not called once it stops."""
        for address, call in self._mode_instructions() if self._has_unit else ():
            self.emulator.hook_address(address, address, call)

    # Rights

    @property
    def _privileged(self) -> bool:
        return self.arm.privileged if self.is_arm else self.riscv.privileged

    def _is_on(self) -> bool:
        """Return whether any access is governed now: user mode of RV32 always is, where there are entries at all."""
        return self.unit.active or (self._user_is_fenced and not self.riscv.privileged)

    def may(self, address: int, size: int, kind: int) -> bool:
        """Return whether the protection unit lets an access of some bytes pass."""
        if not self._is_on():
            return True
        privileged, urgent = self._level()
        places = (address, address + size - 1) if size < 8 else (*range(address, address + size, 4), address + size - 1)
        return all(self.unit.rights(at, privileged=privileged, urgent=urgent) & kind for at in places)

    def find_fenced(self, address: int, size: int, *, write: bool) -> int | None:
        """Return the first address that the protection unit keeps from the core; None where all may be accessed."""
        if self._wanted_at is None or not size:
            return None
        kind = WRITE if write else READ
        edges = (edge for edge in (*boundaries(self.unit), *_FIXED_EDGES) if address < edge < address + size)
        return next((at for at in (address, *sorted(edges)) if not self.may(at, 1, kind)), None)

    def _level(self) -> tuple[bool, bool]:
        """Return what the rights of the present moment depend on besides the unit's registers."""
        return self._privileged, self.is_arm and self.arm.execution_priority() < 0

    def level_changed(self) -> None:
        """Let pages have the rights of the core's present mode."""
        is_on = self._is_on()
        if self._wanted_at is not None or is_on:
            level = (self._level(), self._registers()) if is_on else None
            if level != self._wanted_at:
                self._settle_pages()

    def _registers(self) -> Any:
        return self.arm.unit.save() if self.is_arm else self.riscv.unit.save()

    def _odd_pages(self) -> dict[int, int]:
        torn = super()._odd_pages()
        if not self._is_on():
            self._wanted_at = None
            return torn
        self._wanted_at = level = (self._level(), self._registers())
        if level not in self._kept:
            if len(self._kept) >= MOST_KEPT:
                self._kept.clear()
            self._kept[level] = self._fenced_pages(*level[0])
        return {**self._kept[level], **torn}

    def _fenced_pages(self, privileged: bool, urgent: bool) -> dict[int, int]:
        """Return the pages on which the unit takes a right away."""
        edges = sorted({*boundaries(self.unit), *_FIXED_EDGES})
        found: dict[int, int] = {}
        code = self._code_pages()
        even: dict[int, int] = {}
        for page, (_, _, usual) in self._plain.items():
            at = bisect_right(edges, page)
            inside = [edge for edge in edges[at:] if edge < page + PAGE]
            if not inside and at in even:
                rights = even[at]
                mixed = False
            else:
                parts = [self.unit.rights(start, privileged=privileged, urgent=urgent) for start in (page, *inside)]
                rights, mixed = parts[0], len({each & usual for each in parts}) > 1
                if not inside:
                    even[at] = rights
            if mixed and page in code:
                rights = 0
                for each in parts:
                    rights |= each
                self._list_divided(page)
            elif mixed:
                found[page] = REGISTERS
                continue
            if page in code and rights & (READ | EXECUTE) == EXECUTE:
                rights |= READ
                self._list_readable(page)
            if rights & usual != usual:
                found[page] = rights
        return found

    def _list_readable(self, page: int) -> None:
        for name, start, end, pc in self.unit.regions():
            if start < page + PAGE and page < end:
                self.note(
                    f"protection unit, {name}, set at {self.firmware.place(pc)}: code of the boot program's own that "
                    "may run and not be read is read all the same"
                )

    def _list_divided(self, page: int) -> None:
        for name, start, end, pc in self.unit.regions():
            if page < start < page + PAGE or page < end < page + PAGE:
                self.note(
                    f"protection unit, {name}, 0x{start:08x} to 0x{end - 1:08x}, set at {self.firmware.place(pc)}: not "
                    f"enforced within 0x{page:08x} to 0x{page + PAGE - 1:08x}, where it divides a page with the boot "
                    "program's own code"
                )

    # The stack of an exception

    def push(self, address: int, data: bytes, *, privileged: bool) -> int:
        """Write a frame to the stack; the number of the fault that this raises, or 0."""
        if self._refuses(address, len(data), WRITE, privileged):
            return MEMORY
        return 0 if self.write_ram(address, data) else BUS

    def pull(self, address: int, size: int, *, privileged: bool) -> bytes | int:
        """Read a frame from the stack; the number of the fault that this raises."""
        if self._refuses(address, size, READ, privileged):
            return MEMORY
        data = self.read_bytes(address, size)
        return BUS if data is None else data

    def _refuses(self, address: int, size: int, kind: int, privileged: bool) -> bool:
        if not self.unit.active:
            return False
        urgent = self._level()[1]
        places = (*range(address, address + size, 4), address + size - 1)
        return not all(self.unit.rights(at, privileged=privileged, urgent=urgent) & kind for at in places)

    # Instructions that change the mode

    def _mode_instructions(self) -> list[tuple[int, Callable[[int], None]]]:
        """Return where the program's code has such instructions, and who does them."""
        found: list[tuple[int, Callable[[int], None]]] = []
        spans = [*self.firmware.code, *(span for span, _ in self.firmware.ram_code)]
        for span in spans:
            code = self.firmware.bytes_at(span.address, span.size)
            for at in range(0, len(code) - 1, 2):
                half = int.from_bytes(code[at : at + 2], "little")
                word = int.from_bytes(code[at : at + 4], "little")
                if self.is_arm:
                    is_move = half & 0xFFF0 == 0xF380 and word >> 16 in (_CONTROL, _FAULTMASK)
                    if is_move or half in (0xB661, 0xB663, 0xB671, 0xB673):
                        found.append((span.address + at, self._arm_mode))
                elif word == _MRET:
                    found.append((span.address + at, self._machine_return))
                elif word & 0x7F == 0x73 and word >> 12 & 3 and self._is_unit_register(word >> 20):
                    found.append((span.address + at, self._unit_register))
        return found

    def _is_unit_register(self, number: int) -> bool:
        unit = self.riscv.unit
        return unit.is_register(number) or (unit.enhanced and number == unit.SECURITY)

    def _arm_mode(self, address: int) -> None:
        """Do MSR CONTROL, MSR FAULTMASK, CPSIE f and CPSID f while the unit is on."""
        if self._pending is not None or not self.unit.active or not self.arm.privileged:
            return
        e = self.emulator
        word = int.from_bytes(self.read_bytes(address, 4) or bytes(4), "little")
        half, size = word & 0xFFFF, 2
        if half & 0xFFF0 == 0xF380 and word >> 16 in (_CONTROL, _FAULTMASK):
            number, size = half & 0xF, 4
            names = {13: "sp", 14: "lr"}
            value = e.get(names.get(number, f"r{number}"))
            if word >> 16 == _CONTROL:
                e.set("control", value & 7)
            elif self.arm.execution_priority() > -1 or not value & 1:
                e.set("faultmask", value & 1)
        elif half in (0xB661, 0xB663, 0xB671, 0xB673):
            off = half & 0x10
            if self.arm.execution_priority() > -1 or not off:
                e.set("faultmask", 1 if off else 0)
            if half & 2:
                e.set("primask", 1 if off else 0)
        else:
            return  # A fault put another instruction here.
        e.jump(address + size | 1)
        self._ask_settling()

    def _ask_settling(self) -> None:
        self._pending = ("settle", 0)
        self._io_write = False
        self.emulator.stop()

    def _machine_return(self, address: int) -> None:
        """Do mret to another mode: that in MPP, with the interrupt enable of MPIE."""
        if self._pending is not None or not self.riscv.privileged:
            return
        if self.read_bytes(address, 4) != _MRET.to_bytes(4, "little"):
            return
        e = self.emulator
        status = e.get("mstatus")
        mode = (0, 1, 0, MACHINE)[status >> 11 & 3]  # the third value is reserved
        if mode == MACHINE:
            return
        back = e.get("mepc")
        e.set("mstatus", status & ~0x1888 | (status >> 7 & 1) << 3 | 0x80)
        e.set("priv", mode)
        e.jump(back & ~1)
        self._ask_settling()

    def _unit_register(self, address: int) -> None:
        """Do an access to a register of physical memory protection; the emulator's own ones govern nothing."""
        raw = self.read_bytes(address, 4)
        word = int.from_bytes(raw, "little") if raw else 0
        number, kind = word >> 20, word >> 12 & 7
        if self._pending is not None or word & 0x7F != 0x73 or not kind & 3 or not self._is_unit_register(number):
            return
        if not self.riscv.privileged:
            return  # The emulator finds it illegal.
        e, unit = self.emulator, self.riscv.unit
        source, target = word >> 15 & 31, word >> 7 & 31
        operand = source if kind & 4 else e.get(f"x{source}") if source else 0
        old = unit.read(number)
        new = operand if kind & 3 == 1 else old | operand if kind & 3 == 2 else old & ~operand
        before = unit.active
        if kind & 3 == 1 or source:
            unit.write(number, new, address)
        if target:
            e.set(f"x{target}", old)
        e.jump(address + 4)
        if before or unit.active:
            self._ask_settling()
