"""A campaign: every chosen fault at every chosen instruction of the golden runs, each run to its end and judged.

A walking board goes along the golden run instruction by instruction. Before each faulted instruction its state is kept;
each fault starts there and runs its tail alone. What a run costs is its tail, not the way to the fault.
"""

from __future__ import annotations

import random
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from rootwright.bench.ahead import Ahead, stations
from rootwright.bench.board import Board
from rootwright.bench.ends import End
from rootwright.bench.faults import CHEAP, Fault, Injector, Model
from rootwright.bench.flash import FlashState, Operation
from rootwright.bench.golden import Golden, begin, run_golden
from rootwright.bench.judge import FINDINGS, Outcome, Verdict, judge, same
from rootwright.bench.liveness import Tracer
from rootwright.bench.sights import FlashKeys
from rootwright.bench.subject import Start, Subject
from rootwright.describe.bench import Deed
from rootwright.errors import BenchError


class Mode(StrEnum):
    """Which instructions are faulted; the report says what each leaves out."""

    HOOKED = "hooked"
    SAMPLED = "sampled"
    EXHAUSTIVE = "exhaustive"


LEFT_OUT = {
    Mode.HOOKED: "digests and signature checks that are hooked are not faulted inside: each return counts as an "
    "assumed site; faults with one case for each bit are tried at the first, the last and two chosen occurrences of "
    "each instruction",
    Mode.SAMPLED: "every instruction is faulted at its first, its last and two chosen occurrences alone",
    Mode.EXHAUSTIVE: "nothing of the golden runs",
}


@dataclass(frozen=True, slots=True)
class Hit:
    """A fault whose run broke a promise: fault, instruction, verdict and reason."""

    start: str
    fault: Fault
    pc: int
    verdict: Verdict
    why: str

    @property
    def id(self) -> str:
        """The name under which `--replay` shows the run again."""
        return f"{self.start.replace(', ', '/').replace(' boot', '')}:{self.fault.index}:{self.fault.model.value}:" + (
            self.fault.how.replace(" ", "-")
        )


@dataclass(slots=True)
class Tally:
    """What a part of a campaign found; parts add up.

    Attributes:
        counts: Runs by model and verdict.
        hits: Runs that broke a promise.
        by_place: Runs that crashed, hung or met an uncovered register, by address and verdict.
    """

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    hits: list[Hit] = field(default_factory=list)
    by_place: Counter[tuple[int, str]] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add another part."""
        self.counts.update(other.counts)
        self.hits += other.hits
        self.by_place.update(other.by_place)

    @property
    def runs(self) -> int:
        """How many faults were tried."""
        return sum(self.counts.values())


def occurrences(pcs: Sequence[int], extra: int = 2, seed: int = 0) -> list[int]:
    """Return the indexes of the first, the last and `extra` chosen occurrences of each instruction, in order."""
    first: dict[int, int] = {}
    last: dict[int, int] = {}
    counts: Counter[int] = Counter()
    chosen: dict[int, list[int]] = {}
    # Chosen by a generator with a fixed seed, so that a campaign can be done again.
    dice = random.Random(seed)  # noqa: S311
    for index, pc in enumerate(pcs):
        first.setdefault(pc, index)
        last[pc] = index
        counts[pc] += 1
        kept = chosen.setdefault(pc, [])
        if len(kept) < extra:
            kept.append(index)
        else:
            place = dice.randrange(counts[pc])
            if place < extra:
                kept[place] = index
    found = {*first.values(), *last.values()}
    for kept in chosen.values():
        found.update(kept)
    return sorted(found)


@dataclass(frozen=True, slots=True)
class Plan:
    """What to fault in one golden run.

    Attributes:
        every: Models tried at every executed instruction.
        some: Models tried at `sites` alone.
        pairs: Pairs of skips: index of the first, and how many instructions later the second comes.
    """

    start: Start
    hooked: bool
    every: tuple[Model, ...]
    some: tuple[Model, ...]
    sites: tuple[int, ...]
    length: int
    pairs: tuple[tuple[int, int], ...] = ()

    def models_at(self, index: int, chosen: frozenset[int]) -> tuple[Model, ...]:
        """Return the models to try at an instruction."""
        return (*self.every, *self.some) if index in chosen else self.every

    def indexes(self, first: int, end: int) -> Iterable[int]:
        """Return the instructions to fault between two indexes, in order."""
        if self.every:
            return range(first, min(end, self.length))
        return [i for i in self.sites if first <= i < end]


def make_plan(golden: Golden, models: Sequence[Model], mode: Mode, *, pairs: int = 2000, seed: int = 0) -> Plan:
    """Return what to fault in a golden run, by mode."""
    single = [m for m in models if m is not Model.TWO]
    every = tuple(m for m in single if mode is Mode.EXHAUSTIVE or (mode is Mode.HOOKED and m in CHEAP))
    some = tuple(m for m in single if m not in every)
    length = len(golden.pcs)
    sites = tuple(occurrences(golden.pcs, seed=seed)) if some or Model.TWO in models else ()
    chosen: list[tuple[int, int]] = []
    if Model.TWO in models and sites:
        dice = random.Random(seed)  # noqa: S311
        near = [(k, m) for k in sites for m in (1, 2, 3, 4)]
        chosen = dice.sample(near, min(len(near), pairs // 2))
        chosen += [(dice.choice(sites), dice.randrange(1, 200)) for _ in range(pairs - len(chosen))]
    return Plan(
        golden.start, mode is Mode.HOOKED, every, some, sites if some else (), length, tuple(sorted(set(chosen)))
    )


SAME_OFTEN = (Model.WORD, Model.LINE, Model.LOAD, Model.REGISTER)
"""Models with many faults at an instruction, some of which leave the same state: an undefined instruction is one."""


class Walker:
    """Goes along a golden run and tries faults on the way.

    Args:
        ahead: Whether a tail may end where what comes is known.
    """

    def __init__(self, subject: Subject, golden: Golden, *, hooked: bool, ahead: bool = False) -> None:
        self.subject, self.golden, self.hooked = subject, golden, hooked
        self.stations = stations(subject, golden) if ahead else ()
        self.board: Board = subject.board(
            hooked=hooked, reads_hooked=golden.reads_hooked, stations=self.stations, quick=True
        )
        entries = self.board.quick_entries
        self._entries = [i for i, pc in enumerate(golden.pcs) if pc in entries] if entries else []
        self.injector = Injector(self.board, subject.firmware, golden.pcs)
        self.limit = min(subject.bench.limit, 2 * len(golden.pcs) + 20_000)
        self.at = 0
        self._next_stop = 0
        self.ahead: Ahead | None = None
        self.unsettled = False
        self._kept: Any = None
        self._after: list[tuple[Any, Outcome]] = []
        self.keys = FlashKeys(self.board, golden.before)
        self.mark = self.keys.mark()
        self.golden_operations = [
            [(o.kind, o.address, o.data) for o in self._sorted_ops(golden, f.memory)] for f in self.board.flashes
        ]
        self.begin()
        if ahead:
            tracer = Tracer(subject, self.stations, hooked=hooked, reads_hooked=golden.reads_hooked)
            self.ahead = Ahead(self, tracer)

    def begin(self) -> None:
        """Stand at the golden run's beginning."""
        begin(self.board, self.golden.start, self.golden.before)
        self.at = self._next_stop = 0
        self.unsettled = False
        self.keys = FlashKeys(self.board, self.golden.before)
        self.mark = self.keys.mark()

    @staticmethod
    def _sorted_ops(golden: Golden, memory: object) -> list:  # type: ignore[type-arg]
        base, end = memory.base, memory.end  # type: ignore[attr-defined]
        return [o for o in golden.operations if base <= o.address < end]

    def keep(self) -> Any:
        """Return the present state, to go back to after a fault."""
        self.mark = self.keys.mark()
        self._kept = self.board.snapshot()
        self._after.clear()
        return self._kept

    def go_back(self, kept: Any) -> None:
        """Go back to a kept state."""
        self.board.restore(kept)
        self.keys.back(self.mark)

    def walk_to(self, index: int) -> None:
        """Bring the board before executed instruction `index`, or before the conditional block it is in."""
        pcs = self.golden.pcs
        while index and self.injector.block_start(pcs[index]) is not None:
            index -= 1
        if index < self.at:
            return
        stops = self.golden.stops
        while self.at < index:
            stop_at = stops[self._next_stop][0] if self._next_stop < len(stops) else 1 << 62
            goal = min(index, stop_at)
            if goal > self.at:
                end = self.board.step(goal - self.at, entries=self.entries_between(self.at, goal))
                self._require(end)
                self.at = goal
            if self.at == stop_at:
                self._pass_stops()
        if self.board.emulator.pc != pcs[index]:
            raise BenchError(
                f"instruction {index} of the golden run is at 0x{pcs[index]:08x}, the walk is at "
                f"0x{self.board.emulator.pc:08x}",
                where=self.golden.start.name,
                next_step="a register plugin whose save and restore leave something out does this; else report it",
            )

    def entries_between(self, first: int, end: int) -> int:
        """Return how many instructions of a stretch are entries of hooked functions."""
        return bisect_left(self._entries, end) - bisect_left(self._entries, first)

    def _pass_stops(self) -> None:
        """Pass all stops at the present index, unless running up to it has done so."""
        stops = self.golden.stops
        while self._next_stop < len(stops) and stops[self._next_stop][0] == self.at:
            kind = stops[self._next_stop][1]
            self._next_stop += 1
            wanted = self.golden.pcs[self.at] if self.at < len(self.golden.pcs) else -1
            if kind != "stop" or self.board.emulator.pc != wanted:
                self._require(self.board.pass_stop(kind))

    def _require(self, end: End | None) -> None:
        if end is not None:
            raise BenchError(
                f"the walk ended ({end.kind}, {end.why}) where the golden run went on",
                where=f"{self.golden.start.name}, instruction {self.at}",
                next_step="a register plugin whose save and restore leave something out does this; else report it",
            )

    def try_fault(self, fault: Fault) -> Outcome:
        """Run one fault from here to its end; the board is left as the fault left it."""
        end = self.injector.inject(fault, self.golden.pcs[fault.index])
        if end is not None:
            return self.outcome(end)
        ahead = self.ahead
        if ahead is None:
            return self.outcome(self.board.run(self.limit))
        if fault.model in SAME_OFTEN and not self.board.waits_for_time:
            return self._once(fault, ahead)
        return self._tail(fault, ahead)

    def _once(self, fault: Fault, ahead: Ahead) -> Outcome:
        """Return the outcome of a fault at the same instruction that left the very same state, or run the tail."""
        board = self.board
        place = board.emulator.all_registers(), [f.changes for f in board.flashes], board.rest()
        rams = [buffer.read(0, size) for _, size, buffer in board.rams]
        for other, outcome in self._after:
            if other[0] == place and other[1] == rams:
                return outcome
        outcome = self._tail(fault, ahead)
        self._after.append(((place, rams), outcome))
        return outcome

    def _tail(self, fault: Fault, ahead: Ahead) -> Outcome:
        ahead.watch()
        end = self.board.run(self.limit, early=ahead.early, late=ahead.rest)
        ahead.rest()
        if end.kind != "met":
            return self.outcome(end)
        way = ahead.met or ahead.learn()
        if way is None:
            self.go_back(self._kept)
            ended = self.injector.inject(fault, self.golden.pcs[fault.index])
            return self.outcome(ended or self.board.run(self.limit))
        flash = [_listed(f.operations) + more for f, more in zip(self.board.flashes, way.operations, strict=True)]
        if flash != self.golden_operations and way.outcome.verdict is self.golden.outcome.verdict:
            return same(way.outcome, self.golden.outcome, way.flash_as_golden, True)
        return same(way.outcome, self.golden.outcome, flash, self.golden_operations)

    def outcome(self, end: End) -> Outcome:
        """Judge a run that ended, against the golden one."""
        outcome = judge(self.subject, self.board, end, self.golden.before, self.golden.floor)
        flash = [_listed(f.operations) for f in self.board.flashes]
        if flash != self.golden_operations and outcome.verdict is self.golden.outcome.verdict:
            states: list[FlashState] = [f.state() for f in self.board.flashes]
            return same(outcome, self.golden.outcome, tuple(states), self.golden.after)
        return same(outcome, self.golden.outcome, flash, self.golden_operations)


_walking: list[tuple[Subject, Golden, Walker]] = []


def _walker_for(subject: Subject, golden: Golden, hooked: bool, first: int) -> Walker:
    """Return a walker that stands at or before an instruction: that of the part before, where it can go on."""
    if _walking and _walking[0][0] is subject and _walking[0][1] is golden and _walking[0][2].hooked == hooked:
        walker = _walking[0][2]
        if walker.at > first or walker.unsettled:
            walker.begin()
        return walker
    _walking.clear()
    walker = Walker(subject, golden, hooked=hooked, ahead=True)
    _walking.append((subject, golden, walker))
    return walker


def forget_walk() -> None:
    """Let go of the board that walked last, and of what was learned of its golden run."""
    _walking.clear()


def _listed(operations: Iterable[Operation]) -> list[tuple[str, int, bytes]]:
    return [(o.kind, o.address, o.data) for o in operations]


def run_part(
    subject: Subject,
    golden: Golden,
    plan: Plan,
    first: int,
    end: int,
    tick: Callable[[int], None] | None = None,
) -> Tally:
    """Return what the faults at instructions `first` to `end - 1` come to."""
    tally = Tally()
    walker = _walker_for(subject, golden, plan.hooked, first)
    walker.unsettled = True
    chosen = frozenset(plan.sites)
    pairs: dict[int, list[int]] = {}
    for index, later in plan.pairs:
        if first <= index < end:
            pairs.setdefault(index, []).append(later)
    indexes = sorted({*plan.indexes(first, end), *pairs})
    for index in indexes:
        faults = list(walker.injector.faults_at(index, plan.models_at(index, chosen)))
        faults += [Fault(index, Model.TWO, str(later)) for later in pairs.get(index, ())]
        if not faults:
            continue
        walker.walk_to(index)
        kept = walker.keep()
        for fault in faults:
            outcome = walker.try_fault(fault)
            _count(tally, golden, fault, outcome)
            walker.go_back(kept)
        if tick is not None:
            tick(len(faults))
    walker.unsettled = False
    return tally


def _count(tally: Tally, golden: Golden, fault: Fault, outcome: Outcome) -> None:
    pc = golden.pcs[fault.index]
    verdict = outcome.verdict
    tally.counts[(fault.model.value, verdict.value)] += 1
    if verdict in FINDINGS:
        tally.hits.append(Hit(golden.start.name, fault, pc, verdict, outcome.why))
    elif verdict in (Verdict.CRASH, Verdict.HANG, Verdict.NOT_COVERED):
        tally.by_place[(pc, verdict.value)] += 1


def golden_for(subject: Subject, start: Start, mode: Mode) -> Golden:
    """Return the golden run of a start as a mode wants it.

    The program's own reads run and are faulted where they come to the same; hooked reads are for words that cannot be
    decoded, and no fault campaign starts with any.
    """
    hooked = mode is Mode.HOOKED
    if any(hook.deed is Deed.READ for hook in subject.bench.hooks):
        try:
            golden = run_golden(subject, start, hooked=hooked, reads_hooked=False)
        except BenchError:
            golden = None
        if golden is not None and not golden.fails:
            return golden
    return run_golden(subject, start, hooked=hooked)
