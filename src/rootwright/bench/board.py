"""The device on the bench: core, memories, registers and hooks around the boot program; runs from reset to an end."""

from __future__ import annotations

from collections.abc import Callable

from rootwright.bench.ends import Access, End
from rootwright.bench.firmware import Firmware
from rootwright.bench.hooks import HookCalls
from rootwright.bench.registers import Registers
from rootwright.bench.stops import Stops
from rootwright.describe.bench import Bench, WriteDeed
from rootwright.describe.chip import Chip

MOST_EXCEPTIONS = 2000


class Board(Stops):
    """One device. Build it, `power_up`, `run`; `snapshot` and `restore` between runs.

    Args:
        trace: Called with the address of every instruction before it runs; slow.
        blocks: Called with the address of every translated block.
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
    ) -> None:
        super().__init__(chip, bench, firmware, plugins, probe)
        if watchdog_s is not None and self._feeds_watchdog(bench):
            self._watchdog = int(watchdog_s * chip.clock_hz)
        for hook in bench.hooks if hooked else ():
            call = HookCalls(hook, firmware.find_hook(hook), self)
            self.hooks.append(call)
            self.emulator.hook_address(call.address, call.address, call)
        if trace is not None:
            self._trace(trace)
        if blocks is not None:
            self.emulator.hook_blocks(blocks)
        self._guard_pages()
        self._watch_modes()

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

    def run_count(self, count: int) -> tuple[bool, End | None]:
        """Run exactly `count` instructions: (True, None); where something stops the core before, (False, its end)."""
        stop = self.emulator.run(count)
        self._ran += count
        if stop.kind == "count":
            return True, None
        return False, self._handle_stop(stop)

    def step(self, count: int) -> End | None:
        """Run `count` instructions in which nothing stops the core; what does is handled and ends the step early."""
        stop = self.emulator.run(count)
        self._ran += count
        return None if stop.kind == "count" else self._handle_stop(stop)

    def pass_stop(self, kind: str) -> End | None:
        """Do what the golden run did at a stop: a tick of the timer, or what stopped the core."""
        if kind in ("tick", "pend"):
            if kind == "tick":
                self.arm.tick()
            return self._take_pending()
        stop = self.emulator.run(1)
        return None if stop.kind == "count" else self._handle_stop(stop)

    def run(self, limit: int) -> End:
        """Run until the boot program ends one way or another, at most `limit` instructions."""
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
            period = self.arm.tick_period if self.is_arm else 0
            slice_ = min(left, period or left, 200_000)
            if self.is_arm and self.arm.pending:
                slice_ = 1  # What is masked now is taken at the very instruction that unmasks it.
            stop = self.emulator.run(slice_)
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
