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

from rootwright.bench.board import Board
from rootwright.bench.ends import End
from rootwright.bench.faults import CHEAP, Fault, Injector, Model
from rootwright.bench.flash import FlashState
from rootwright.bench.golden import Golden, begin, run_golden
from rootwright.bench.judge import FINDINGS, Outcome, Verdict, judge, same
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


class Walker:
    """Goes along a golden run and tries faults on the way."""

    def __init__(self, subject: Subject, golden: Golden, *, hooked: bool) -> None:
        self.subject, self.golden = subject, golden
        self.board: Board = subject.board(hooked=hooked, reads_hooked=golden.reads_hooked)
        self.injector = Injector(self.board, subject.firmware, golden.pcs)
        self.limit = min(subject.bench.limit, 2 * len(golden.pcs) + 20_000)
        self.at = 0
        self._next_stop = 0
        self.milestones: Milestones | None = None
        self._golden_ops = [
            [(o.kind, o.address, o.data) for o in self._sorted_ops(golden, f.memory)] for f in self.board.flashes
        ]
        begin(self.board, golden.start, golden.before)

    @staticmethod
    def _sorted_ops(golden: Golden, memory: object) -> list:  # type: ignore[type-arg]
        base, end = memory.base, memory.end  # type: ignore[attr-defined]
        return [o for o in golden.operations if base <= o.address < end]

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
                end = self.board.step(goal - self.at)
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
        if end is None and self.milestones is not None:
            agrees, end = self.milestones.agrees(self.board, fault)
            if agrees:
                return Outcome(Verdict.SAME, "as without the fault", self.golden.outcome.image)
        if end is None:
            end = self.board.run(self.limit)
        return self.outcome(end)

    def outcome(self, end: End) -> Outcome:
        """Judge a run that ended, against the golden one."""
        outcome = judge(self.subject, self.board, end, self.golden.before, self.golden.floor)
        flash = [[(o.kind, o.address, o.data) for o in f.operations] for f in self.board.flashes]
        if flash != self._golden_ops and outcome.verdict is self.golden.outcome.verdict:
            states: list[FlashState] = [f.state() for f in self.board.flashes]
            return same(outcome, self.golden.outcome, tuple(states), self.golden.after)
        return same(outcome, self.golden.outcome, flash, self._golden_ops)


class Milestones:
    """States of the golden run, ahead of the faults: a faulted run that meets one is the golden run from there on.

    Nothing is guessed: registers, all RAM, registers of devices and flash operations must be equal, so the rest is too.
    """

    MOST = 256
    LEAST_DISTANCE = 192
    SHIFT = 64
    MOST_SHIFTS = 6

    def __init__(self, indexes: list[int], sights: list[Any], blocked: list[int], pcs: Sequence[int] = ()) -> None:
        self.indexes, self.sights, self.blocked, self.pcs = indexes, sights, blocked, pcs

    @classmethod
    def of(cls, subject: Subject, golden: Golden, first: int, end: int, *, hooked: bool) -> Milestones:
        """Return milestones for faults at instructions `first` to `end - 1`."""
        length = len(golden.pcs)
        near = max(cls.LEAST_DISTANCE, (end - first) // (cls.MOST // 2))
        far = max(near, (length - end) // (cls.MOST // 2))
        wanted = [*range(first + near, min(end, length - 1), near), *range(end, length - 1, far)]
        walker = Walker(subject, golden, hooked=hooked)
        indexes, sights = [], []
        for index in wanted:
            if walker.injector.block_start(golden.pcs[index]) is not None:
                continue
            walker.walk_to(index)
            indexes.append(index)
            sights.append(walker.board.sight())
        return cls(indexes, sights, [at for at, _ in golden.stops], golden.pcs)

    def agrees(self, board: Board, fault: Fault) -> tuple[bool, End | None]:
        """Run on to some milestones; True where the state is the golden run's, else the end where one was met."""
        at = fault.index + _advance(fault)
        place = bisect_left(self.indexes, at)
        for ahead in (0, 1, 4):
            if place + ahead >= len(self.indexes):
                break
            index = self.indexes[place + ahead]
            stop = bisect_left(self.blocked, at)
            if stop < len(self.blocked) and self.blocked[stop] <= index:
                break  # Instructions cannot be counted across what stops the core.
            if index > at:
                counted, end = board.run_count(index - at)
                if not counted:
                    return False, end
            at = index
            # Registers first: most runs that went another way differ there.
            seen = self.sights[place + ahead]
            if board.emulator.all_registers() == seen[0] and board.sight() == seen:
                return True, None
            if board.emulator.pc != self.pcs[index]:
                return self._agrees_shifted(board, index)
        return False, None

    def _agrees_shifted(self, board: Board, index: int) -> tuple[bool, End | None]:
        """Look for the golden run's state some instructions off: a fault in a loop may cost a few more or less."""
        pc, pcs = board.emulator.pc, self.pcs
        last, first = min(index + self.SHIFT, len(pcs) - 1), max(index - self.SHIFT, 0)
        here = [at for at in range(last, first - 1, -1) if pcs[at] == pc][: self.MOST_SHIFTS]
        place = bisect_left(self.indexes, here[0] + 1) if here else len(self.indexes)
        if place == len(self.indexes):
            return False, None
        goal, seen = self.indexes[place], self.sights[place]
        stop = bisect_left(self.blocked, first)
        if stop < len(self.blocked) and self.blocked[stop] <= goal:
            return False, None
        done = 0
        for at in here:
            counted, end = board.run_count(goal - at - done)
            if not counted:
                return False, end
            done = goal - at
            if board.emulator.all_registers() == seen[0] and board.sight() == seen:
                return True, None
        return False, None


def _advance(fault: Fault) -> int:
    """Return how far along the golden run the core stands after a fault was done to it, if nothing else changed."""
    match fault.model:
        case Model.SKIP:
            return int(fault.how)
        case Model.REPLAY:
            return -int(fault.how)
        case Model.REGISTER:
            return 0
        case Model.TWO:
            return int(fault.how) + 2
        case _:
            return 1


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
    walker = Walker(subject, golden, hooked=plan.hooked)
    walker.milestones = Milestones.of(subject, golden, first, end, hooked=plan.hooked)
    chosen = frozenset(plan.sites)
    pairs: dict[int, list[int]] = {}
    for index, later in plan.pairs:
        if first <= index < end:
            pairs.setdefault(index, []).append(later)
    indexes = sorted({*plan.indexes(first, end), *pairs})
    board = walker.board
    for index in indexes:
        faults = list(walker.injector.faults_at(index, plan.models_at(index, chosen)))
        faults += [Fault(index, Model.TWO, str(later)) for later in pairs.get(index, ())]
        if not faults:
            continue
        walker.walk_to(index)
        kept = board.snapshot()
        for fault in faults:
            outcome = walker.try_fault(fault)
            _count(tally, golden, fault, outcome)
            board.restore(kept)
        if tick is not None:
            tick(len(faults))
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
