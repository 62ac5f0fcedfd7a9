"""Time the closure under power cuts beside a brute-force search that tries every single cut once.

    python benchmarks/closure.py [--seconds 5]

The baseline is a plain simulator that copies cell by cell (cells are 8-byte program units): for every operation of
every actor's run (genuine, crashing, older, altered update) it cuts the power with each outcome, and runs the recovery
to its end. It is run for a sample of cuts and extrapolated; its rate in cell operations a second is printed. It sees
one cut; the closure sees any number. A ratio is baseline seconds by closure seconds, measured in the same run.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import time
from collections.abc import Callable

from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.prove.explorer import explore
from rootwright.prove.level import Level

UNIT = 8  # bytes of one program unit
BLANK, JUNK = -1, -2
CURRENT, NEWER, OLDER, ALTERED = 0, 1, 2, 3


class Cut(Exception):
    """The power fails."""


class Simulator:
    """A device cell by cell: two or three areas in one list, a journal, and a countdown to the power cut."""

    def __init__(self, scheme: str, sectors: int, cells: int) -> None:
        self.scheme, self.sectors, self.cells = scheme, sectors, cells
        self.slot = sectors * cells
        self.memory = [CURRENT] * self.slot + [BLANK] * (self.slot + cells)
        self.journal: tuple[object, ...] = ("kept", 0)
        self.request = False
        self.done = 0  # operations that a cut can fall into
        self.cut_at = -1
        self.outcome = 0
        self.touched = 0  # cell operations, for the rate
        self.crashes = False

    def copy_state(self) -> Simulator:
        """Return an independent device in the same state."""
        other = Simulator(self.scheme, 1, 1)
        other.__dict__.update(self.__dict__)
        other.memory = self.memory[:]
        return other

    def _tick(self, amount: int) -> int:
        """Count operations; return how many may still be done before the cut, or -1 for all."""
        if 0 <= self.cut_at - self.done < amount:
            left = self.cut_at - self.done
            self.done = self.cut_at
            return left
        self.done += amount
        return -1

    def erase(self, base: int) -> None:
        """Blank one sector, cell by cell."""
        memory = self.memory
        whole = self._tick(1)
        value = (BLANK, JUNK, None, BLANK)[self.outcome] if whole >= 0 else BLANK
        if value is not None:
            for i in range(base, base + self.cells):
                memory[i] = value
        self.touched += self.cells
        if whole >= 0:
            raise Cut

    def move(self, source: int, target: int) -> None:
        """Erase the target sector and program it from the source, cell by cell."""
        self.erase(target)
        memory = self.memory
        left = self._tick(self.cells)
        count = self.cells if left < 0 else left
        for i in range(count):
            memory[target + i] = memory[source + i]
        self.touched += 2 * count
        if left >= 0:
            if self.outcome < 2:
                memory[target + count] = (memory[source + count], JUNK)[self.outcome]
            raise Cut

    def receive(self, base: int, value: int) -> None:
        """Receive one sector."""
        self.erase(base)
        memory = self.memory
        left = self._tick(self.cells)
        count = self.cells if left < 0 else left
        for i in range(base, base + count):
            memory[i] = value
        self.touched += count
        if left >= 0:
            raise Cut

    def note(self, record: tuple[object, ...]) -> None:
        """Append to the journal."""
        if self._tick(1) >= 0:
            if self.outcome == 1:
                self.journal = record
            raise Cut
        self.journal = record

    def version(self, base: int) -> int:
        """Read a slot cell by cell; return its version, or JUNK where it is mixed."""
        memory = self.memory
        first = memory[base]
        self.touched += self.slot
        for i in range(base, base + self.slot):
            if memory[i] != first:
                return JUNK
        return first

    def update(self, value: int) -> None:
        """Receive an update into the slot that does not run and ask for it."""
        other = 0 if self.scheme == "either-slot" and self.journal[1] == 1 else 1
        for k in range(self.sectors):
            self.receive(other * self.slot + k * self.cells, value)
        self.request = True
        self.boot()

    def boot(self) -> None:
        """Run from power-up to rest, trial and way back included."""
        while True:
            word = self.journal[0]
            if word == "kept":
                if not self.request:
                    self.version(0)
                    return
                self.request = False
                other = 1 - int(self.journal[1]) if self.scheme == "either-slot" else 1  # type: ignore[call-overload]
                if self.version(other * self.slot) not in (CURRENT, NEWER):
                    continue
                first = ("trial", other) if self.scheme == "either-slot" else ("move", 0, 0, "in")
                self.note(first)
            elif word == "move":
                self.step()
            else:
                self.version(0)
                if self.scheme == "either-slot":
                    self.note(("kept", self.journal[1] if not self.crashes else 1 - int(self.journal[1])))  # type: ignore[call-overload]
                elif self.crashes and self.journal[1] == 0:
                    self.note(("move", 0, 0, "back"))
                else:
                    self.note(("kept", 0))
                if not self.crashes:
                    return

    def step(self) -> None:
        """Make one move of copy-over or exchange."""
        _, index, phase, way = self.journal
        assert isinstance(index, int)
        assert isinstance(phase, int)
        run, stage, lift = index * self.cells, self.slot + index * self.cells, 2 * self.slot
        if self.scheme == "copy-over":
            for k in range(self.sectors):
                self.move(self.slot + k * self.cells, k * self.cells)
            self.version(0)
            self.note(("kept", 0))
            return
        source, target = ((run, lift), (stage, run), (lift, stage))[phase]
        self.move(source, target)
        if phase < 2:
            self.note(("move", index, phase + 1, way))
        elif index + 1 < self.sectors:
            self.note(("move", index + 1, 0, way))
        else:
            self.note(("trial", 0) if way == "in" else ("kept", 0))


def brute_force(scheme: str, sectors: int, sector_bytes: int, seconds: float) -> tuple[float, float, int]:
    """Return (extrapolated seconds for every single cut, cell operations a second, cuts to try)."""
    cells = sector_bytes // UNIT
    cases: list[tuple[int, bool, int]] = []
    for value, crashes in ((NEWER, False), (NEWER, True), (OLDER, False), (ALTERED, False)):
        if crashes and scheme == "copy-over":
            continue
        device = Simulator(scheme, sectors, cells)
        device.crashes = crashes
        device.update(value)
        cases.append((value, crashes, device.done))
    total = 3 * sum(count for _, _, count in cases)
    rng = random.Random(1)
    started = time.perf_counter()
    recovering, touched, tried = 0.0, 0, 0
    while time.perf_counter() - started < seconds:
        value, crashes, count = rng.choices(cases, weights=[c for _, _, c in cases])[0]
        device = Simulator(scheme, sectors, cells)
        device.crashes, device.cut_at, device.outcome = crashes, rng.randrange(count), rng.randrange(3)
        with contextlib.suppress(Cut):
            device.update(value)
        # Only the recovery is charged: a walking parent gives the state before each cut for nothing.
        device.cut_at = -1
        before = device.touched
        begun = time.perf_counter()
        device.boot()
        recovering += time.perf_counter() - begun
        touched += device.touched - before
        tried += 1
    return recovering / tried * total, touched / recovering, total


SCHEMES: tuple[tuple[str, Callable[[Ground], UpdateProcedure], dict[str, object], int, int, int], ...] = (
    ("copy-over", CopyOver, {}, 64, 4096, 1000),
    ("exchange", Exchange, {"lift": 1}, 64, 4096, 1000),
    ("exchange", Exchange, {"lift": 1}, 128, 2048, 300),
    ("either-slot", EitherSlot, {"stage": False, "second": True}, 64, 4096, 30),
)


def main() -> None:
    """Print one row per scheme, and how states grow with sectors and cells."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=5.0, help="how long to sample the baseline, per row")
    options = parser.parse_args()
    print("scheme        sectors      closure    states  rate      cuts to try   baseline, one cut     ratio  wanted")
    for name, make, shape, sectors, size, wanted in SCHEMES:
        ground = tiny_ground(sectors, 2, **shape)  # type: ignore[arg-type]
        times = []
        for _ in range(3):
            begun = time.perf_counter()
            closure = explore(make(ground), ground, Level())
            times.append(time.perf_counter() - begun)
        assert closure.holds
        assert closure.closed
        own = sorted(times)[1]
        slow, rate, cuts = brute_force(name, sectors, size, options.seconds)
        print(
            f"{name:12}  {sectors:3} x {size // 1024} KiB  {own:6.2f} s  {closure.states:7,}  {rate / 1e6:8.1f} M/s"
            f"  {cuts:12,}  {slow:14,.0f} s  {slow / own:10,.0f}  {wanted:6,}"
        )
    print("\nstates by sectors (2 cells) and by cells (32 sectors)")
    for name, make, shape, *_ in SCHEMES[:2] + SCHEMES[3:]:
        grown = [tiny_ground(n, 2, **shape) for n in (16, 32, 64, 128)]  # type: ignore[arg-type]
        finer = [tiny_ground(32, c, **shape) for c in (2, 4, 8)]  # type: ignore[arg-type]
        by_sectors = [explore(make(g), g, Level()).states for g in grown]
        by_cells = [explore(make(g), g, Level()).states for g in finer]
        print(f"  {name:12} 16, 32, 64, 128 sectors: {by_sectors}   2, 4, 8 cells: {by_cells}")


if __name__ == "__main__":
    main()
