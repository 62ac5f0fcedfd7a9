"""The device's state: power-up, reset, and the whole of it as a value to go back to or to compare."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from rootwright.bench import arm_numbers
from rootwright.bench.bus import Bus
from rootwright.bench.core_rv32 import MACHINE
from rootwright.bench.emulator import PAGE
from rootwright.bench.ends import Access
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashState
from rootwright.bench.hooks import HookCalls
from rootwright.bench.registers import Registers
from rootwright.bench.settings_load import LOCKED, changed, load_area
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Chip, EccError, MemoryKind
from rootwright.describe.settings import Effect, Loaded


class DeviceState(Bus):
    """Memories, registers and hooked functions of a device, with what a reset and a power-up do to them."""

    def __init__(
        self,
        chip: Chip,
        bench: Bench,
        firmware: Firmware,
        plugins: tuple[tuple[int, int, Registers], ...],
        probe: Callable[[Access], int] | None,
    ) -> None:
        super().__init__(chip, bench, firmware, plugins, probe)
        self.hooks: list[HookCalls] = []
        self._watch_code()
        self._resets = 0
        self.dead = ""
        self.strange = False
        self._loaded: dict[str, str] = {}
        self._knows_settings = False

    def _watch_code(self) -> None:
        """Let a program that changes its own code in flash run what is there then, not what was translated before."""
        pages = self._code_pages()
        for flash in self.flashes:
            inside = sorted(page for page in pages if flash.base <= page < flash.end)
            if inside:
                flash.code_from, flash.code_end = inside[0] - flash.base, inside[-1] + PAGE - flash.base
                flash.on_code = partial(self.emulator.forget, inside[0], inside[-1] + PAGE)

    def _vector_base(self) -> int:
        return self.chip.reset_address

    def power_up(self, flash: dict[str, FlashState] | None = None, *, fill: int = 0xA5) -> None:
        """Put flash content in, fill RAM with an arbitrary byte (its content at power-up is), and reset.

        Args:
            flash: Content by memory name; memories that are not named keep what they hold.
        """
        for content in self.flashes:
            if flash is not None and content.memory.name in flash:
                content.put(flash[content.memory.name])
                self._remap = self._remap or content.memory.ecc_error is not EccError.NONE
        self.fill_ram(fill)
        self._resets = 0
        self.faults.clear()
        if flash is not None:
            self._knows_settings = False
        self.reset(0)

    def fill_ram(self, fill: int) -> None:
        """Fill all RAM with one byte."""
        for _, size, buffer in self.rams:
            buffer.write(0, bytes([fill]) * size)

    def reset(self, cause: int) -> None:
        """Reset the core: 0 power-up, 1 watchdog, 2 software. RAM is kept; caches are empty, settings loaded."""
        self._cause = cause
        self._load_settings(cause)
        for flash in self.flashes:
            flash.empty_cache()
        self._noticed = ()
        self._pending = None
        self._fed = self._ran = 0
        self.uncovered.clear()
        for _, _, registers in self._devices:
            registers.reset()
        if self.protection.held:
            self.protection.load(self.settings)
            for flash in self.flashes:
                flash.protects = self.protection.guard_for(flash.memory.name)
        for hook in self.hooks:
            hook.reset()
        self.arm.reset(self._vector_base())
        self.riscv.reset()
        self._refresh()
        e = self.emulator
        if self.is_arm:
            # A handler is privileged, so that every register can be written; thread mode then chooses its stack.
            e.set("xpsr", 1 << 24 | arm_numbers.HARD)
            for name in e.registers:
                if name not in ("pc", "xpsr", "msp", "psp"):
                    e.set(name, 0)
            e.set("xpsr", 1 << 24)
            e.set("control", 0)
            table = self.read_bytes(self._vector_base(), 8) or bytes(8)
            e.set("sp", int.from_bytes(table[:4], "little") & ~3)
            e.set("lr", 0xFFFF_FFFF)
            e.jump(int.from_bytes(table[4:], "little"))
        else:
            e.set("priv", MACHINE)
            for number in range(1, 32):
                e.set(f"x{number}", 0)
            for name in ("mtvec", "mepc", "mcause", "mtval", "mie", "mscratch"):
                e.set(name, 0)
            e.set("mstatus", 0x1800)
            e.set("pc", self.firmware.image.entry if self.firmware.image.entry is not None else self.chip.reset_address)

    def _refresh(self) -> None:
        """Drop translations of code whose bytes changed, and map torn pages anew."""
        for flash in self.flashes:
            span = flash.take_dirty()
            if span is not None:
                base = flash.memory.base
                for page in self._code_pages():
                    if self._has_views or (base + span[0] < page + PAGE and page < base + span[1]):
                        self.emulator.forget(page, page + PAGE)
                self._remap = self._remap or flash.memory.ecc_error is not EccError.NONE
        for span_, _ in self.firmware.ram_code:
            self.emulator.forget(span_.address, span_.end)
        if self._remap:
            self._settle_pages()
        else:
            self.level_changed()

    def _load_settings(self, cause: int) -> None:
        """Load settings areas as the part does at this reset, with the side effects of changed meanings."""
        areas = self.chip.settings_areas
        if not areas:
            return
        found = dict(self._loaded)
        effects: set[Effect] = set()
        for area in areas:
            if cause and self._knows_settings and area.loaded is not Loaded.RESET:
                continue
            flash = next(each for each in self.flashes if each.memory.name == area.memory)
            now = load_area(area, flash)
            if self._knows_settings:
                now, caused = changed(area, self._loaded, now)
                effects |= caused
                if Effect.LOCKS_AREA in caused:
                    flash.lock_all()
            found |= now
        self._loaded, self._knows_settings = found, True
        if Effect.MASS_ERASE in effects:
            for flash in self.flashes:
                if flash.memory.kind is MemoryKind.FLASH:
                    flash.erase_all()
        self.dead = "its settings load as locked: the part starts nothing" if LOCKED in found.values() else ""
        self.load_windows(found)
        self.strange = not self.patched and not self._shows_boot()

    def _shows_boot(self) -> bool:
        """Return whether the boot program's places show its bytes: another bank may hold anything there."""
        image = self.firmware.image
        return all(self.read_bytes(s.address, s.size) == image.read(s.address, s.size) for s in self.firmware.code)

    def snapshot(self) -> Any:
        """Return the whole device's state; cheap."""
        return (
            self.emulator.save(),
            [buffer.read(0, size) for _, size, buffer in self.rams],
            [flash.snapshot() for flash in self.flashes],
            [registers.save() for _, _, registers in self._devices],
            self.arm.save(),
            self.riscv.save(),
            (self.protection.save(), [flash.protects for flash in self.flashes]) if self.protection.held else None,
            (self._cause, self._resets, self._fed, self._ran, self.index, self._noticed),
            (self.dead, self.strange, self._loaded),
            [(h.calls, h.successes, h._drawn) for h in self.hooks],
        )

    def restore(self, state: Any) -> None:
        """Go back to a snapshot."""
        context, rams, flashes, registers, arm, riscv, protected, own, loaded, hooks = state
        for (_, _, buffer), data in zip(self.rams, rams, strict=True):
            buffer.write(0, data)
        for flash, mark in zip(self.flashes, flashes, strict=True):
            flash.restore(mark)
        for (_, _, device), saved in zip(self._devices, registers, strict=True):
            device.restore(saved)
        self.arm.restore(arm)
        self.riscv.restore(riscv)
        if protected is not None:
            self.protection.restore(protected[0])
            for flash, guard in zip(self.flashes, protected[1], strict=True):
                flash.protects = guard
        self._cause, self._resets, self._fed, self._ran, self.index, self._noticed = own
        self.dead, self.strange, self._loaded = loaded
        if self._loaded is not self.settings:
            self.load_windows(self._loaded)
        for hook, (calls, successes, drawn) in zip(self.hooks, hooks, strict=True):
            hook.calls, hook.successes, hook._drawn = calls, successes, drawn
        self._pending = None
        self.uncovered.clear()
        self.emulator.restore(context)
        self._refresh()

    def take_over(self, other: DeviceState) -> bool:
        """Be in another device's state, built from the same tables; False where that cannot be. Neither runs."""
        for flash, theirs in zip(self.flashes, other.flashes, strict=True):
            flash.put(theirs.state())
            flash.operations[:] = theirs.operations
        for (_, size, buffer), (_, _, source) in zip(self.rams, other.rams, strict=True):
            buffer.write(0, source.read(0, size))
        for (_, _, device), (_, _, source_) in zip(self._devices, other._devices, strict=True):
            device.restore(source_.save())
        self.arm.restore(other.arm.save())
        self.riscv.restore(other.riscv.save())
        self._cause, self._resets, self._noticed = other._cause, other._resets, other._noticed
        self._fed, self._ran = other._fed, other._ran
        self.dead, self.strange, self._loaded = other.dead, other.strange, other._loaded
        self.load_windows(self._loaded)
        if self.protection.held:
            self.protection.restore(other.protection.save())
            for flash, theirs in zip(self.flashes, other.flashes, strict=True):
                flash.protects = self.protection.guard_for(flash.memory.name) if theirs.protects is not None else None
        for hook, their in zip(self.hooks, other.hooks, strict=True):
            hook.calls, hook.successes, hook._drawn = their.calls, their.successes, their._drawn
        self._pending = None
        self.faults.clear()
        self.uncovered.clear()
        self._remap = self._remap or any(f.memory.ecc_error is not EccError.NONE for f in self.flashes)
        same = self.emulator.take_over(other.emulator.all_registers())
        self._refresh()
        return same and self.rest() == other.rest()

    def rest(self) -> Any:
        """Return what comes next depends on besides core registers, RAM and flash: registers of devices and such."""
        return (
            [registers.save() for _, _, registers in self._devices],
            self.arm.save() if self.is_arm else self.riscv.save(),
            self.protection.save(),
            [flash.stale() for flash in self.flashes],
            (self._cause, self._resets, self._noticed, self.dead, self.strange, self._loaded),
            [h._drawn for h in self.hooks],
        )
