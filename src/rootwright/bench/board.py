"""The device on the bench: core, memories, registers and hooks around the boot program; runs from reset to an end."""

from __future__ import annotations

from collections.abc import Callable

from rootwright.bench.emulator import Stop
from rootwright.bench.ends import Access, End
from rootwright.bench.firmware import Firmware
from rootwright.bench.hooks import HookCalls
from rootwright.bench.registers import Registers
from rootwright.bench.stops import Stops
from rootwright.describe.bench import Bench, WriteDeed
from rootwright.describe.chip import Chip

MOST_EXCEPTIONS = 2000
FEW_EXCEPTIONS = 50


class Board(Stops):
    """One device. Build it, `power_up`, `run`; `snapshot` and `restore` between runs.

    Args:
        trace: Called with the address of every instruction before it runs; slow.
        blocks: Called with the address of every translated block.
        stations: Addresses at which `on_pass` is called, if that is set.
        quick: Watch hooked functions and stations by the block where that is surely the same: the emulator asks each
            hook on addresses at every instruction that it counts. A function's entry then is not counted by it, but
            here.
        notes: As `trace`, without counting `index`, and called by the shortest way.
        probe: What an access that no rule covers gives, or None to end the run there.
    """

    def __init__(
        self,
        chip: Chip,
        bench: Bench,
        firmware: Firmware,
        *,
        plugins: tuple[tuple[int, int, Registers], ...] = (),
        hooked: bool = True,
        trace: Callable[[int], None] | None = None,
        probe: Callable[[Access], int] | None = None,
        watchdog_s: float | None = None,
        blocks: Callable[[int], None] | None = None,
        stations: tuple[int, ...] = (),
        quick: bool = False,
        notes: Callable[[int], None] | None = None,
    ) -> None:
        super().__init__(chip, bench, firmware, plugins, probe)
        if watchdog_s is not None and self._feeds_watchdog(bench):
            self._watchdog = int(watchdog_s * chip.clock_hz)
        self._entries: dict[int, HookCalls] = {}
        self._entered = 0
        self._may_enter = -1
        for hook in bench.hooks if hooked else ():
            call = HookCalls(hook, firmware.find_hook(hook), self)
            self.hooks.append(call)
            if quick and firmware.begins_block(call.address):
                self._entries[call.address] = call
                self.emulator.hook_block(call.address, self._enter)
            else:
                self.emulator.hook_address(call.address, call.address, call)
        self.hook_addresses = frozenset(call.address for call in self.hooks)
        for station in stations:
            if station not in self.hook_addresses:
                self.emulator.hook_block(station, self._pass)
        if trace is not None:
            self._trace(trace)
        if notes is not None:
            self.emulator.hook_each(notes)
        if blocks is not None:
            self.emulator.hook_blocks(blocks)
        self._guard_pages()
        self._watch_modes()

    @property
    def quick_entries(self) -> frozenset[int]:
        """Entries of hooked functions that the emulator does not count."""
        return frozenset(self._entries)

    def _pass(self, address: int) -> None:
        if self.on_pass is not None:
            self.on_pass(address)

    def _enter(self, address: int) -> None:
        if not self._may_enter:
            if self.emulator.thumb or not self.is_arm:
                self.emulator.stop()
        elif self._entries[address](address):
            self._may_enter -= 1
            self._entered += 1

    def _run_exactly(self, count: int) -> Stop:
        """Run `count` instructions, entries of hooked functions counted too, or up to what stops the core."""
        e = self.emulator
        if not self._entries:
            return e.run(count)
        while count > 0:
            entry = self._entries.get(e.pc)
            if entry is not None and (e.thumb or not self.is_arm):
                entry(entry.address)
                count -= 1
                if self._pending is not None or self._remap:
                    return Stop("asked", e.pc)
                continue
            if count < 8:
                covers = self.firmware.instruction(e.pc).covers if self.firmware.is_code(e.pc) else 0
                stop = self._run_to_entry(1)
                count -= 1 + covers  # The core never stops in a conditional block.
            else:
                # At most every other instruction is an entry, so this is never too many.
                part, entered = count // 2 - 1, self._entered
                self._may_enter = -1
                stop = e.run(part)
                count -= part + self._entered - entered
            if stop.kind != "count" or self._asleep(stop.pc) is not None:
                return stop
        return Stop("count", e.pc)

    def _run_to_entry(self, count: int) -> Stop:
        """Run up to `count` instructions, but stop before the entry of a hooked function."""
        self._may_enter = 0
        stop = self.emulator.run(count)
        self._may_enter = -1
        if stop.kind == "asked" and self._pending is None and stop.pc in self._entries:
            return Stop("count", stop.pc)
        return stop

    def _run_entering(self, count: int, entries: int) -> Stop:
        """Run `count` instructions, of which so many are entries of hooked functions, and no such entry more."""
        if not self._entries:
            return self.emulator.run(count)
        if count == entries:
            return self._run_exactly(count)
        self._may_enter = entries
        stop = self.emulator.run(count - entries)
        self._may_enter = -1
        if stop.kind == "asked" and self._pending is None and stop.pc in self._entries:
            return Stop("count", stop.pc)
        return stop

    @staticmethod
    def _feeds_watchdog(bench: Bench) -> bool:
        return any(r.write is WriteDeed.WATCHDOG for r in bench.rules) or any(
            h.deed.value == "watchdog" for h in bench.hooks
        )

    def _trace(self, trace: Callable[[int], None]) -> None:
        def count(address: int) -> None:
            self.index += 1
            trace(address)

        self.emulator.hook_all(count)

    def step(self, count: int, *, entries: int | None = None) -> End | None:
        """Run `count` instructions in which nothing stops the core; what does is handled and ends the step early.

        Args:
            entries: How many of them are entries of hooked functions, where that is known.
        """
        stop = self._run_exactly(count) if entries is None else self._run_entering(count, entries)
        self._ran += count
        return None if stop.kind == "count" else self._handle_stop(stop)

    def pass_stop(self, kind: str) -> End | None:
        """Do what the golden run did at a stop: a tick of the timer, or what stopped the core."""
        if kind in ("tick", "pend"):
            if kind == "tick":
                self.arm.tick()
            return self._take_pending()
        stop = self._run_exactly(1)
        return None if stop.kind == "count" else self._handle_stop(stop)

    def run(self, limit: int, *, early: int = 0, late: Callable[[], None] | None = None) -> End:
        """Run until the boot program ends one way or another, at most `limit` instructions.

        Args:
            early: How many of them count as early.
            late: Called once these have run, or some exceptions came.
        """
        if self.dead:
            return End("crash", self.emulator.pc, self.dead)
        if self.strange:
            strange = self._fetch(self.emulator.pc)
            if strange is not None:
                return strange
        left = limit
        exceptions = 0
        before = -1
        while left > 0:
            if late is not None and (left <= limit - early or exceptions > FEW_EXCEPTIONS):
                late()
                late = None
            period = self.arm.tick_period if self.is_arm else 0
            slice_ = min(left, period or left, 200_000)
            if self.is_arm and self.arm.pending:
                slice_ = 1  # What is masked now is taken at the very instruction that unmasks it.
            rest = 0 if late is None else max(0, slice_ - (left - (limit - early)))
            stop = self._run_exactly(slice_ - rest)
            if rest and stop.kind == "count" and self._asleep(stop.pc) is None:
                assert late is not None
                late()
                late = None
                stop = self._run_exactly(rest)
            if stop.kind == "count":
                left -= slice_
                self._ran += slice_
                if period and slice_ > 1 and self.arm.tick_period:
                    if self.on_stop is not None:
                        self.on_stop("tick")
                    self.arm.tick()
                end = self._asleep(stop.pc) or self._stuck(stop.pc, period)
                if end is not None:
                    return end
                if self._watchdog and self._ran - self._fed > self._watchdog:
                    end = self._reset_again(1, stop.pc)
            else:
                exceptions += 1
                left -= 1
                end = self._handle(stop)
                if end is None and stop.pc == before:
                    left -= 1000  # A loop of faults must end.
                before = stop.pc
            if end is None and self.is_arm and self.arm.pending and self.arm.next_pending():
                if stop.kind == "count" and self.on_stop is not None:
                    self.on_stop("pend")
                end = self._take_pending()
            if end is not None:
                return end
            if exceptions > MOST_EXCEPTIONS:
                return End("crash", self.emulator.pc, "exceptions without end")
        if self._watchdog:
            end = self._reset_again(1, self.emulator.pc)
            return end or self.run(limit)
        return End("hang", self.emulator.pc, f"no end within {limit} instructions")

    def _asleep(self, pc: int) -> End | None:
        size = 2 if self.is_arm else 4
        raw = self.read_bytes(pc - size, size)
        sleeps = (b"\x30\xbf", b"\x20\xbf") if self.is_arm else (b"\x73\x00\x50\x10",)
        if raw in sleeps and not (self.is_arm and self.arm.pending):
            return End("waits", pc - size, "the core sleeps until an interrupt")
        return None

    def _stuck(self, pc: int, period: int) -> End | None:
        """Return the end of a run that stands in a jump to itself."""
        raw = self.read_bytes(pc, 2)
        loops = (b"\xfe\xe7",) if self.is_arm else (b"\x01\xa0",)
        far = self.read_bytes(pc, 4)
        if raw in loops or (not self.is_arm and far == b"\x6f\x00\x00\x00"):
            if period and self.is_arm and not self.arm.active and not self.emulator.get("primask") & 1:
                return None
            if self._watchdog:
                return self._reset_again(1, pc)
            return End("hang", pc, "a jump to itself")
        return None
