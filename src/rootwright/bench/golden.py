"""The golden run: every instruction that ran, every flash operation, what it came to: the yardstick of all trials."""

from __future__ import annotations

from array import array
from collections import Counter
from dataclasses import dataclass, field

from rootwright.bench.board import Board
from rootwright.bench.ends import Access, End
from rootwright.bench.flash import FlashState, Operation
from rootwright.bench.judge import Outcome, Verdict, judge
from rootwright.bench.subject import Start, Subject
from rootwright.describe.bench import Expect
from rootwright.errors import BenchError


@dataclass(slots=True)
class Golden:
    """One golden run.

    Attributes:
        pcs: Address of every executed instruction, in order.
        operations: Flash operations with the index of the instruction that started each.
        fails: Why it is not golden, or "".
        reads_hooked: Whether hooked reads were hooked in this run.
        assumed: Hooks that returned success, with how often: sites that no fault reaches.
        stops: Where the run cannot be counted across: index of the next instruction, and "stop" (exception, reset,
            register that stops the core), "tick" or "pend" (an exception that was masked before).
    """

    start: Start
    before: dict[str, FlashState] = field(repr=False)
    floor: int
    pcs: array[int] = field(repr=False)
    operations: tuple[Operation, ...]
    end: End
    outcome: Outcome
    after: tuple[FlashState, ...] = field(repr=False)
    fails: str
    assumed: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]
    stops: tuple[tuple[int, str], ...] = ()
    reads_hooked: bool = True

    def hot(self, subject: Subject, most: int = 12) -> list[tuple[str, int]]:
        """Return the functions that the most instructions ran in, with how many."""
        by_pc = Counter(self.pcs)
        by_function: Counter[str] = Counter()
        for pc, count in by_pc.items():
            by_function[subject.firmware.function(pc) or f"0x{pc:08x}"] += count
        return by_function.most_common(most)


def begin(board: Board, start: Start, flash: dict[str, FlashState]) -> None:
    """Bring the device to the beginning of a start: at power-up RAM is arbitrary, after a reset it is zeros."""
    board.power_up(flash, fill=0xA5 if start.cold else 0)
    if not start.cold:
        board.reset(2)


def run_golden(subject: Subject, start: Start, *, hooked: bool = True, reads_hooked: bool = True) -> Golden:
    """Return the golden run of a start.

    Raises:
        BenchError: It met a register that no rule covers; then the runs would mean nothing.
    """
    flash = subject.flash_of(start.run)
    pcs: array[int] = array("I")
    append = pcs.append
    limit = subject.bench.limit

    def trace(address: int) -> None:
        append(address)

    board = subject.board(hooked=hooked, reads_hooked=reads_hooked, trace=trace)
    begin(board, start, flash)
    floor = subject.floor(board.read_bytes)
    stops: list[tuple[int, str]] = []
    end = _run_noting(board, limit, stops, pcs)
    if end.kind == "not covered":
        place = subject.firmware.place(end.at)
        raise BenchError(
            f"{end.why}, used at 0x{end.at:08x}, {place}",
            where=f"golden run {start.name}",
            next_step="`rootwright bench PRODUCT --probe` lists all such accesses and proposes rules",
        )
    outcome = judge(subject, board, end, flash, floor)
    operations = tuple(op for content in board.flashes for op in content.operations)
    operations = tuple(sorted(operations, key=lambda op: op.index))
    assumed = tuple((h.hook.label, h.successes) for h in board.hooks if h.successes)
    return Golden(
        start=start,
        before=flash,
        floor=floor,
        pcs=pcs,
        operations=operations,
        end=end,
        outcome=outcome,
        after=tuple(content.state() for content in board.flashes),
        fails=_expected(start, outcome),
        assumed=assumed,
        notes=tuple(board.notes),
        stops=tuple(stops),
        reads_hooked=reads_hooked,
    )


def _run_noting(board: Board, limit: int, stops: list[tuple[int, str]], pcs: array[int]) -> End:
    board.on_stop = lambda kind: stops.append((len(pcs), kind))
    return board.run(limit)


def _expected(start: Start, outcome: Outcome) -> str:
    run = start.run
    refused = (Verdict.REFUSED, Verdict.HANG)
    if outcome.verdict in (Verdict.UNAPPROVED, Verdict.FLOOR, Verdict.KEY, Verdict.KEEP):
        return f"{outcome.verdict.value} without any fault: {outcome.why}"
    if run.expect is Expect.RUNS:
        if outcome.verdict is not Verdict.RAN:
            return f"must run an image, but: {outcome.verdict.value}, {outcome.why}"
        if run.boots and outcome.image != run.boots:
            return f"must run {run.boots}, but {outcome.why}"
    elif outcome.verdict not in refused and not (outcome.verdict is Verdict.RAN and run.boots == outcome.image):
        return f"must refuse, but: {outcome.verdict.value}, {outcome.why}"
    return ""


@dataclass(frozen=True, slots=True)
class Proposal:
    """An uncovered access with how often it happened, where, and a rule that may fit."""

    access: Access
    count: int
    place: str
    rule: str


def probe(subject: Subject, start: Start) -> list[Proposal]:
    """Return every access of a run that no rule covers, with a proposed rule for each address."""
    from rootwright.bench.subject import probing

    answer = probing()
    board = subject.board(probe=answer)
    begin(board, start, subject.flash_of(start.run))
    seen: dict[tuple[int, str, int], list[Access]] = {}

    def keep(access: Access) -> int:
        seen.setdefault((access.address, access.kind, access.pc), []).append(access)
        return int(answer(access))

    board.probe = keep
    board.run(min(subject.bench.limit, 5_000_000))
    proposals = []
    for (address, _, pc), accesses in sorted(seen.items()):
        first = accesses[0]
        others = [a for (at, _, _), found in seen.items() if at == address for a in found]
        rule = _rule_for(address, others)
        proposals.append(Proposal(first, len(accesses), str(subject.firmware.place(pc)), rule))
    return proposals


def _rule_for(address: int, accesses: list[Access]) -> str:
    reads = [a for a in accesses if a.kind == "read"]
    writes = [a for a in accesses if a.kind == "write"]
    at = f'[[bench.rule]]\nname = "register at 0x{address:08x}"\nat = 0x{address & ~3:08x}'
    most = Counter(a.pc for a in reads).most_common(1)
    if most and most[0][1] > 4:
        return f"{at}\nset_mask = 0x1        # a loop waits here: which bit ends it?\nset_after = 2"
    if not reads and len({a.value for a in writes}) == 1 and len(writes) > 1:
        value = writes[0].value
        return f'{at}\nwrite = "watchdog"    # the same word again and again\nword = 0x{value:x}'
    if not reads:
        return f'{at}\nwrite = "keep"'
    if len(reads) > 1 and not writes:
        return f"{at}\nreads = [0x0, 0x0]    # in turn; the last one stays"
    return f"{at}\nreads = [0x0]         # what does the data sheet say?" if not writes else f"{at}\ninitial = 0x0"
