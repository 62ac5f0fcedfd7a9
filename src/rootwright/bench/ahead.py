"""Where a faulted run goes on as a known one does, it need not be run to its end: its outcome is that run's.

Nothing is guessed. A state counts as equal to a known one where flash content, registers of devices and everything in
core registers, flags and RAM are equal that the known run reads before it overwrites it (`liveness.py`). What it reads
is worked out from its instructions, and tried: at each station all else is changed, and the run must still come to the
next one. A program that fails this trial, or leaves a secret that has to be looked for in RAM, is compared as a whole.

Stations are entries of functions that the golden run passes again and again; a faulted run is looked at there, at each
call that begins with another sector of flash, and after a reset. Runs that leave the golden one often go the same other
way. Where many come by the same flash call, one of them is traced from there to its end, and becomes a known one too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rootwright.bench.board import Board
from rootwright.bench.golden import Golden, begin
from rootwright.bench.hooks import HookCalls
from rootwright.bench.judge import Outcome, judge
from rootwright.bench.liveness import Live, Trace, Tracer, everything_live
from rootwright.bench.sights import FlashKey, FlashKeys, Picks, Sight
from rootwright.bench.subject import Subject
from rootwright.describe.bench import Deed

if TYPE_CHECKING:
    from rootwright.bench.campaign import Walker

MOST_STATIONS = 4096
LEAST_DISTANCE = 100
WATCHED = 3
"""How many functions are watched: each costs the emulator a little on every instruction."""

WORTH = 32
"""How many runs must have come by a flash call before one is traced: a trace costs as much as some tens of tails."""

WORTH_LONG = 10_000
"""One more for so many instructions: the longer a tail, the less of it is spent in hooked functions; measured."""

MOST_WAYS = 6
"""Ways from one flash call: more means that each run has a state of its own there."""

STOP_COSTS = 1002
"""How much of a run's limit an exception may cost (`Board.run`)."""

RESET = -1
"""What stands for the address of a place where the core was reset."""

Operations = list[list[tuple[str, int, bytes]]]


@dataclass(frozen=True, slots=True)
class Way:
    """What comes of a run from a point on: outcome, flash operations, whether flash ends as the golden run's does."""

    outcome: Outcome
    operations: Operations
    flash_as_golden: bool


class KnownStates:
    """States from which what comes is known, found by what is live in them."""

    def __init__(self) -> None:
        self.count = 0
        self._known: dict[tuple[int, FlashKey], dict[Picks, dict[Any, list[tuple[Sight, Way]]]]] = {}

    def add(self, where: int, sight: Sight, way: Way) -> None:
        """Add a state at an address, or RESET."""
        group = self._known.setdefault((where, sight.key), {}).setdefault(sight.picks, {})
        group.setdefault(sight.values, []).append((sight, way))
        self.count += 1

    def find(self, where: int, board: Board, key: FlashKey) -> Way | None:
        """Return what comes of the state that a board is in."""
        groups = self._known.get((where, key))
        if groups is None:
            return None
        registers = board.emulator.all_registers()
        rest = None
        for picks, group in groups.items():
            for sight, way in group.get(picks(registers), ()):
                if sight.has_memory_of(board):
                    if rest is None:
                        rest = board.rest()
                    if sight.rest == rest:
                        return way
        return None


class Ahead:
    """What is known of the runs of one golden run's faults; watches the walker's board while a fault's tail runs.

    Attributes:
        whole: Whether states are compared as a whole, and not only what is live.
    """

    def __init__(self, walker: Walker, tracer: Tracer) -> None:
        self.walker, self.tracer = walker, tracer
        self.early = walker.limit // 2
        self.states = KnownStates()
        self.met: Way | None = None
        self.whole = looks_for_secrets(walker.subject, walker.board) or walker.board.has_views
        self._wanted = False
        self._missed: Counter[Any] = Counter()
        self._ways: Counter[Any] = Counter()
        self._sector = (-1, -1)
        self._passed = self._next = 0
        self._worth = WORTH + len(walker.golden.pcs) // WORTH_LONG
        self._least = max(LEAST_DISTANCE, len(walker.golden.pcs) // 256)
        self._recorder = _Recorder(tracer)
        self._learn_golden()

    # Watching

    def watch(self) -> None:
        """Watch the run that begins."""
        board = self.walker.board
        self.met, self._wanted, self._sector = None, False, (-1, -1)
        self._passed, self._next = 0, 1
        board.on_call, board.on_pass, board.on_reset = self._at_call, self._at_station, self._at_reset

    def rest(self) -> None:
        """Watch no longer."""
        board = self.walker.board
        board.on_call = board.on_pass = board.on_reset = None

    def _at_station(self, address: int) -> bool:
        self._passed += 1
        if self._passed < self._next:
            return False
        # A run that has come back to a known one stays there, so it is enough to look now and then.
        self._next = self._passed + 1 + self._passed // 4
        return self._look(address)

    def _at_call(self, call: HookCalls) -> bool:
        if call.hook.deed not in (Deed.ERASE, Deed.PROGRAM):
            return self._at_station(call.address)
        sector = _new_sector(self.walker.board, call, self._sector)
        if sector is None:
            return False
        self._sector = sector
        return self._look(call.address) or self._miss(call.address)

    def _at_reset(self) -> bool:
        self._sector = (-1, -1)
        return self._look(RESET) or self._miss(RESET)

    def _look(self, where: int) -> bool:
        board = self.walker.board
        if board.waits_for_time:
            return False
        self.met = self.states.find(where, board, self.walker.keys.key())
        if self.met is None:
            return False
        board.meet()
        return True

    def _miss(self, where: int) -> bool:
        board = self.walker.board
        if self.whole or board.waits_for_time:
            return False
        place = (where, board.resets, self.walker.keys.key())
        self._missed[place] += 1
        if self._missed[place] < self._worth or self._ways[place] >= MOST_WAYS:
            return False
        self._missed[place] = 0
        self._ways[place] += 1
        self._wanted = True
        board.meet()
        return True

    # Learning

    def learn(self) -> Way | None:
        """Trace the run that stopped where many came by; None where that says nothing about others."""
        if not self._wanted:
            return None
        walker, tracer, golden = self.walker, self.tracer, self.walker.golden
        if not tracer.board.take_over(walker.board):
            return None
        at_reset = walker.board.emulator.pc not in walker.board.hook_addresses
        self._recorder.start(walker.keys.on(tracer.board), self._least, at_reset=at_reset)
        end, trace = tracer.run(walker.limit - self.early)
        board = tracer.board
        seen = self._recorder.stop()
        ticking = board.waits_for_time or trace.ticks
        if trace.lost or ticking or end.kind == "hang" or self._cost(trace, 0) >= walker.limit - self.early:
            return None
        outcome = judge(walker.subject, board, end, golden.before, golden.floor)
        same = all(f.state() == after for f, after in zip(board.flashes, golden.after, strict=True))
        live = tracer.live_at(trace, {moment.index for moment in seen})
        last = [_listed(flash.operations) for flash in board.flashes]
        first: Way | None = None
        for moment in seen:
            way = Way(outcome, [ops[n:] for ops, n in zip(last, moment.counts, strict=True)], same)
            first = first or way
            sight = Sight(board, live[moment.index], moment.key, moment.registers, moment.rest, moment.rams)
            self.states.add(moment.where, sight, way)
        return first

    @staticmethod
    def _cost(trace: Trace, index: int) -> int:
        return len(trace.pcs) - index + STOP_COSTS * sum(1 for at in trace.stops if at >= index)

    def _learn_golden(self) -> None:
        walker, tracer, golden = self.walker, self.tracer, self.walker.golden
        begin(tracer.board, golden.start, golden.before)
        self._recorder.start(FlashKeys(tracer.board, golden.before), 0, rams=False)
        _, trace = tracer.run(walker.subject.bench.limit)
        seen = self._recorder.stop()
        if trace.lost or trace.pcs != golden.pcs or trace.ticks or golden.end.kind == "hang":
            return
        budget = walker.limit - self.early
        seen = [m for m in seen if m.where != RESET and self._cost(trace, m.index) < budget]
        if not self.whole:
            live = tracer.live_at(trace, {moment.index for moment in seen})
            found = self._sights(seen, live)
            if self._holds(seen, found, trace):
                self._add_golden(seen, found)
                return
            self.whole = True
        seen = seen[:: max(1, len(seen) // 128)]  # Whole states are large: a few of them.
        self._add_golden(
            seen, self._sights(seen, dict.fromkeys((m.index for m in seen), everything_live(walker.board)))
        )

    def _add_golden(self, seen: list[_Moment], sights: list[Sight]) -> None:
        golden = self.walker.golden
        last = self.walker.golden_operations
        for moment, sight in zip(seen, sights, strict=True):
            rest = [ops[n:] for ops, n in zip(last, moment.counts, strict=True)]
            self.states.add(moment.where, sight, Way(golden.outcome, rest, True))

    def _sights(self, seen: list[_Moment], live: dict[int, Live]) -> list[Sight]:
        """Return what the walker's board looks like at some moments."""
        walker = self.walker
        walker.begin()
        board, sights = walker.board, []
        for moment in seen:
            walker.walk_to(moment.index)
            registers = board.emulator.all_registers()
            sights.append(Sight(board, live[moment.index], walker.keys.key(), registers, board.rest()))
        walker.begin()
        return sights

    def _holds(self, seen: list[_Moment], sights: list[Sight], trace: Trace) -> bool:
        """Change at each station all that should not matter, and look whether the next one is met all the same."""
        walker, board = self.walker, self.walker.board
        stops = sorted(trace.stops)
        held = True
        for number, moment in enumerate(seen[:-1]):
            after = seen[number + 1].index
            if any(moment.index <= stop <= after for stop in stops) or after == moment.index:
                continue
            walker.walk_to(moment.index)
            kept = walker.keep()
            sights[number].disturb(board)
            entries = walker.entries_between(moment.index, after)
            held = board.step(after - moment.index, entries=entries) is None and sights[number + 1].is_of(
                board, walker.keys.key()
            )
            walker.go_back(kept)
            if not held:
                break
        walker.begin()
        return held


@dataclass(frozen=True, slots=True)
class _Moment:
    """A traced run at a station, call or reset: before which instruction, after how many operations, and its state."""

    where: int
    index: int
    counts: list[int]
    key: FlashKey
    registers: tuple[int, ...]
    rams: list[bytes]
    rest: Any


class _Recorder:
    """Keeps the state of a traced run at each place where faulted runs are looked at."""

    def __init__(self, tracer: Tracer) -> None:
        self.tracer = tracer
        self._moments: list[_Moment] = []
        self._keys: FlashKeys | None = None
        self._sector = (-1, -1)
        self._least, self._last, self._rams = 0, 0, True

    def start(self, keys: FlashKeys, least: int, *, at_reset: bool = False, rams: bool = True) -> None:
        """Keep states from here on.

        Args:
            least: Instructions between two stations that are kept.
            at_reset: The board was just reset, which is the first place.
            rams: Whether RAM is kept too.
        """
        self._moments = []
        board = self.tracer.board
        self._keys = keys
        self._sector, self._least, self._last, self._rams = (-1, -1), least, -least, rams
        board.on_pass, board.on_reset = self._at_station, self._at_reset
        self.tracer.at_hook = self._at_call
        if at_reset:
            self._keep(RESET, 0)

    def stop(self) -> list[_Moment]:
        """Return what was kept."""
        board = self.tracer.board
        self.tracer.at_hook = board.on_pass = board.on_reset = None
        return self._moments

    def _at_station(self, address: int) -> bool:
        index = len(self.tracer.trace.pcs)
        if index - self._last >= self._least:
            self._last = index
            self._keep(address, index)
        return False

    def _at_call(self, call: HookCalls) -> None:
        if call.hook.deed not in (Deed.ERASE, Deed.PROGRAM):
            self._at_station(call.address)
            return
        sector = _new_sector(self.tracer.board, call, self._sector)
        if sector is not None:
            self._sector = sector
            self._keep(call.address, len(self.tracer.trace.pcs))

    def _at_reset(self) -> bool:
        self._sector = (-1, -1)
        self._keep(RESET, len(self.tracer.trace.pcs))
        return False

    def _keep(self, where: int, index: int) -> None:
        board = self.tracer.board
        assert self._keys is not None
        registers = board.emulator.all_registers()
        rams = [buffer.read(0, size) for _, size, buffer in board.rams] if self._rams else []
        counts = [len(flash.operations) for flash in board.flashes]
        self._moments.append(_Moment(where, index, counts, self._keys.key(), registers, rams, board.rest()))


def stations(subject: Subject, golden: Golden) -> tuple[int, ...]:
    """Return entries of functions that a golden run passes often enough and not too often."""
    pcs = golden.pcs
    length = len(pcs)
    calls = {pc for pc in set(pcs) if subject.firmware.is_code(pc) and _calls(subject, pc)}
    passes: dict[int, list[int]] = {}
    for i in range(1, length):
        if pcs[i - 1] in calls:
            passes.setdefault(pcs[i], []).append(i)
    most = min(MOST_STATIONS, length // LEAST_DISTANCE)
    bins = max(1, length // 1024)
    covers = {pc: {i // bins for i in at} for pc, at in passes.items() if len(at) <= most}
    covered: set[int] = set()
    chosen: list[int] = []
    while len(chosen) < WATCHED and covers:
        best = max(sorted(covers), key=lambda pc: len(covers[pc] - covered))
        gained = covers.pop(best) - covered
        if len(gained) < 8 and chosen:
            break
        covered |= gained
        chosen.append(best)
    return tuple(sorted(chosen))


def _calls(subject: Subject, pc: int) -> bool:
    text = subject.firmware.instruction(pc).text
    return text.startswith(("bl ", "blx", "jal", "c.jal"))


def looks_for_secrets(subject: Subject, board: Board) -> bool:
    """Return whether the judge looks for a secret's bytes in RAM, so that no byte of it may differ."""
    return any(board.read_bytes(secret.at, secret.size) is not None for secret in subject.bench.secrets)


def _new_sector(board: Board, call: HookCalls, before: tuple[int, int]) -> tuple[int, int] | None:
    """Return the sector that a call erases or programs, unless it goes on programming where the last one did."""
    target = call.target()
    if call.hook.deed is Deed.PROGRAM and before[0] <= target < before[1]:
        return None
    flash = board.find_flash(target)
    return None if flash is None else flash.sector(target)


def _listed(operations: Iterable[Any]) -> list[tuple[str, int, bytes]]:
    return [(o.kind, o.address, o.data) for o in operations]
