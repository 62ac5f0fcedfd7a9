"""Power cuts on the real code: before, inside and after every flash operation, again and again up to a depth.

States are whole flash contents, kept once each by sector. From each state the boot program runs from power-up to its
end; every operation of that run can be cut, and each way in which the cut can leave the flash is a new state. What is
reached without a cut, boot after boot, is followed too, so that logs fill up and wrap. The verdict is *closed* where no
new state is left, else *bounded at k cuts*, with what bounded it.

`closure.verdict` follows any number of cuts where the product says enough for that, and comes here where it does not.
The two were written apart and have their own ideas of what a cut leaves; the tests hold one against the other.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Any

from rootwright.bench.board import Board
from rootwright.bench.ends import End
from rootwright.bench.flash import PROGRAMMED, TORN, WEAK, FlashContent, FlashState, Operation
from rootwright.bench.golden import begin
from rootwright.bench.judge import FINDINGS, Verdict, judge
from rootwright.bench.subject import Start, Subject
from rootwright.describe.chip import EccError, TornProgram
from rootwright.describe.product import Procedure

MOST_STATES = 4000
BOOTS = 20
"""How many starts in a row are followed without a cut: enough for a log sector of 16 records to fill and wrap."""

KEEPS_NO_IMAGE = (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE)

ASSUMED = (
    "a half-programmed unit settles: it reads as old, as new or as undecodable, always the same",
    "a cut clears RAM; a reset in the middle of an operation that keeps RAM is not tried",
    "the application does nothing between starts: it asks for no further update and does not report itself good",
    "a torn erase leaves one of six patterns in its sector, not every mix of cells",
)


@dataclass(frozen=True, slots=True)
class Cut:
    """One event on the way to a state: the operation, and what the cut left."""

    where: str
    what: str


@dataclass(slots=True)
class State:
    """A flash content that can be reached: sectors, cuts and uncut boots so far, highest floor, how it came about."""

    sectors: tuple[tuple[tuple[bytes, bytes], ...], ...]
    cuts: int
    boots: int
    floor: int
    parent: State | None
    event: Cut | None
    after_cut: int = 0

    def path(self) -> list[Cut]:
        """Return the events from the start to here."""
        events: list[Cut] = []
        here: State | None = self
        while here is not None and here.event is not None:
            events.append(here.event)
            here = here.parent
        return events[::-1]


@dataclass(frozen=True, slots=True)
class CutFinding:
    """A state from which a start goes wrong: verdict, why, the place of the last cut, the way there."""

    verdict: str
    why: str
    place: str
    path: tuple[Cut, ...]


@dataclass(slots=True)
class CutResult:
    """What an exploration found.

    Attributes:
        closed: Whether no state was left to look at.
        bound: What bounded it otherwise.
    """

    start: Start
    depth: int
    states: int = 0
    runs: int = 0
    operations: int = 0
    closed: bool = False
    bound: str = ""
    outcomes: Counter[str] = field(default_factory=Counter)
    findings: list[CutFinding] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """Whether nothing went wrong."""
        return not self.findings

    @property
    def words(self) -> str:
        """The verdict's reach."""
        return "closed" if self.closed else f"bounded at {self.depth} cuts ({self.bound})"

    def data(self) -> dict[str, Any]:
        """Return the result as JSON data."""
        return {
            "start": self.start.run.name,
            "reach": self.words,
            "states": self.states,
            "holds": self.holds,
            "outcomes": dict(sorted(self.outcomes.items())),
            "findings": [
                {
                    "verdict": f.verdict,
                    "why": f.why,
                    "place": f.place,
                    "path": [[c.where, c.what] for c in f.path],
                }
                for f in self.findings
            ],
            "assumed": list(ASSUMED),
        }

    def text(self) -> list[str]:
        """Return the result as printed lines."""
        head = f"{self.start.run.name}: {self.states:,} flash states, {self.operations:,} operations cut; {self.words}"
        lines = [head]
        lines += [f"  {count:8,}  {word}" for word, count in sorted(self.outcomes.items(), key=lambda item: -item[1])]
        groups: dict[tuple[str, str], list[CutFinding]] = {}
        for finding in self.findings:
            groups.setdefault((finding.verdict, finding.place), []).append(finding)
        for (verdict, place), found in groups.items():
            shortest = min(found, key=lambda f: len(f.path))
            lines.append(f"  FAILS: {verdict}, {len(found)} x; the cut that kills is at {place}")
            lines.append(f"    {shortest.why}")
            lines += [f"    - {cut.where}{': ' + cut.what if cut.what else ''}" for cut in shortest.path]
        if self.holds:
            lines.append("  nothing went wrong")
        return [*lines, "  taken for granted:", *(f"    - {text}" for text in ASSUMED), ""]


class _Sectors:
    """Flash contents as tuples of sectors, each different sector kept once."""

    def __init__(self, board: Board) -> None:
        self._known: dict[tuple[bytes, bytes], tuple[bytes, bytes]] = {}
        self._flashes = board.flashes

    def pack(self, states: list[FlashState]) -> tuple[tuple[tuple[bytes, bytes], ...], ...]:
        packed = []
        for flash, state in zip(self._flashes, states, strict=True):
            sectors = []
            for sector in flash.memory.sectors():
                start, end = sector.address - flash.base, sector.end - flash.base
                one = state.data[start:end], state.units[start // flash.unit : end // flash.unit]
                sectors.append(self._known.setdefault(one, one))
            packed.append(tuple(sectors))
        return tuple(packed)

    def unpack(self, packed: tuple[tuple[tuple[bytes, bytes], ...], ...]) -> dict[str, FlashState]:
        return {
            flash.memory.name: FlashState(b"".join(d for d, _ in sectors), b"".join(u for _, u in sectors))
            for flash, sectors in zip(self._flashes, packed, strict=True)
        }


def torn_ways(flash: FlashContent, operation: Operation) -> Iterator[tuple[str, int, bytes, bytes]]:
    """Yield what a cut inside an operation can leave: in words, address, bytes, states of the units.

    A cut before or after an operation is not among them; those contents are there anyway.
    """
    unit = flash.unit
    coded = flash.memory.ecc_error is not EccError.NONE
    start, size = operation.address, operation.size
    offset = start - flash.base
    old = flash.buffer.read(offset, size)
    units = bytes(flash.units[offset // unit : (offset + size) // unit])
    if operation.kind == "program":
        new = operation.data
        if flash.memory.torn_program is TornProgram.ANY_BYTES:
            yield from _any_bytes(start, old, new, bytes([PROGRAMMED]) * (size // unit))
            return
        if coded and flash.memory.tear_unit > unit:
            yield from _torn_lines(flash, operation)
            return
        for at in range(0, size, unit):
            # Units before the torn one are written, those behind it are not.
            done = bytes([PROGRAMMED]) * (at // unit)
            behind = units[at // unit + 1 :]
            if coded:
                data = new[:at] + new[at : at + unit] + old[at + unit :]
                yield "half programmed, undecodable", start, data, done + bytes([TORN]) + behind
            else:
                for word, mask in (("low half written", b"\xff\x00"), ("high half written", b"\x00\xff")):
                    halves = bytes(mask[0 if i < unit // 2 else 1] for i in range(unit))
                    mixed = bytes(n if m else o for n, o, m in zip(new[at:], old[at:], halves, strict=False))
                    yield word, start, new[:at] + mixed + old[at + unit :], done + bytes([PROGRAMMED]) + behind
        return
    count = size // unit
    blank = bytes([flash.erased]) * size
    zeros = bytes([flash.erased ^ 0xFF]) * size
    half = count // 2 * unit
    weak = bytes([WEAK]) * count
    broken = bytes([TORN if coded else WEAK]) * count
    yield "blank, but only looks so", start, blank, weak
    yield "all programmed", start, zeros, broken
    yield "first half old, second half blank", start, old[:half] + blank[half:], weak
    yield "first half blank, second half old", start, blank[:half] + old[half:], weak
    turn = b"".join((old, blank)[i & 1][i * unit : (i + 1) * unit] for i in range(count))
    yield "every other unit old", start, turn, weak
    turned = bytes(TORN if i & 1 and coded else WEAK for i in range(count))
    yield "every other unit garbage", start, turn, turned


def _any_bytes(start: int, old: bytes, new: bytes, units: bytes) -> Iterator[tuple[str, int, bytes, bytes]]:
    """Yield some of the ways in which any byte of a page may be new and any other old."""
    half = len(new) // 2
    turn = (bytes(pair[(i + shift) & 1] for i, pair in enumerate(zip(old, new, strict=True))) for shift in (0, 1))
    yield "first half written", start, new[:half] + old[half:], units
    yield "second half written", start, old[:half] + new[half:], units
    yield "every odd byte written", start, next(turn), units
    yield "every even byte written", start, next(turn), units


def _torn_lines(flash: FlashContent, operation: Operation) -> Iterator[tuple[str, int, bytes, bytes]]:
    """Yield a cut in each line that the part loses as a whole, what else stands in it too."""
    unit, tear = flash.unit, flash.memory.tear_unit
    first = (operation.address - flash.base) // tear * tear
    end = -(-(operation.address + operation.size - flash.base) // tear) * tear
    at = operation.address - flash.base - first
    old = flash.buffer.read(first, end - first)
    new = old[:at] + operation.data + old[at + operation.size :]
    units = bytes(flash.units[first // unit : end // unit])
    written = (
        units[: at // unit] + bytes([PROGRAMMED]) * (operation.size // unit) + units[(at + operation.size) // unit :]
    )
    for line in range(0, end - first, tear):
        states = written[: line // unit] + bytes([TORN]) * (tear // unit) + units[(line + tear) // unit :]
        yield (
            "half programmed, its line undecodable",
            flash.base + first,
            new[: line + tear] + old[line + tear :],
            states,
        )


class _Exploration:
    def __init__(self, subject: Subject, start: Start, depth: int, most: int, progress: Any) -> None:
        self.subject, self.start, self.progress = subject, start, progress
        self.most = most
        self.result = CutResult(start, depth)
        self.board = subject.board()
        self.packer = _Sectors(self.board)
        self.scratch = [FlashContent(f.memory) for f in self.board.flashes]
        self.seen: set[bytes] = set()
        self.queue: list[tuple[int, int, State]] = []
        self.raises_floor = False

    def run(self) -> CutResult:
        result = self.result
        begin(self.board, self.start, self.subject.flash_of(self.start.run))
        first = self.packer.pack([f.state() for f in self.board.flashes])
        floor = self.subject.floor(self.board.read_bytes)
        self._add(State(first, 0, 0, floor, None, None))
        capped = False
        while self.queue:
            _, _, state = heappop(self.queue)
            if result.states > self.most:
                capped = True
                break
            self._expand(state)
            if self.progress is not None:
                self.progress(f"{self.start.run.name}, {state.cuts} cuts, flash states", result.runs)
        result.closed = not capped and not result.bound
        if capped:
            result.bound = f"stopped at {self.most:,} states"
        return result

    def _add(self, state: State) -> None:
        digest = hashlib.blake2b(repr(state.floor).encode(), digest_size=16)
        for sectors in state.sectors:
            for data, units in sectors:
                digest.update(hash((data, units)).to_bytes(8, "little", signed=True))
        name = digest.digest()
        if name in self.seen:
            return
        self.seen.add(name)
        self.result.states += 1
        # Fewest cuts first, so that the first failure found has the fewest.
        heappush(self.queue, (state.cuts, self.result.states, state))

    def _boot(self, flash: dict[str, FlashState], fill: int) -> tuple[End, list[Operation]]:
        self.board.power_up(flash, fill=fill)
        end = self.board.run(self.subject.bench.limit)
        self.result.runs += 1
        return end, sorted((op for f in self.board.flashes for op in f.operations), key=lambda op: op.order)

    def _expand(self, state: State) -> None:
        flash = self.packer.unpack(state.sectors)
        if state.cuts == 0 and state.boots < 2:
            _, other = self._boot(flash, 0x00)
            end, operations = self._boot(flash, 0xA5)
            if [(o.kind, o.address, o.data) for o in operations] != [(o.kind, o.address, o.data) for o in other]:
                self._fail(
                    state, "depends on RAM at power-up", "two fills of RAM give different flash operations", None
                )
        else:
            end, operations = self._boot(flash, 0xA5)
        outcome = judge(self.subject, self.board, end, flash, state.floor)
        verdict = outcome.verdict
        bad = self._bad(verdict)
        self.result.outcomes[outcome.why if not bad else f"{bad}: {outcome.why}"] += 1
        if bad:
            self._fail(state, bad, outcome.why, end)
        reached = self.subject.floor(self.board.read_bytes)
        floor = max(state.floor, reached)
        if verdict is Verdict.RAN:
            self._check_floor(state, outcome.image, reached)
        final = self.packer.pack([f.state() for f in self.board.flashes])
        if bad or final == state.sectors:
            pass
        elif state.boots < BOOTS if state.cuts == 0 else state.after_cut < 2:
            event = Cut(f"start without a cut: {outcome.why}", "")
            after_cut = state.after_cut + 1 if state.cuts else 0
            self._add(State(final, state.cuts, state.boots + 1, floor, state, event, after_cut))
        else:
            self.result.bound = self.result.bound or f"{BOOTS} starts in a row, 2 behind a cut"
        if state.cuts < self.result.depth:
            self._cut(state, flash, operations)
        elif operations:
            self.result.bound = self.result.bound or "more cuts were not tried"

    def _check_floor(self, state: State, image: str, reached: int) -> None:
        """Where the program raises the floor before it runs an image, it must have done so in every run."""
        number = max((a.sequence for a in self.subject.approved if a.name == image), default=0)
        if state.event is None:
            self.raises_floor = 0 < number <= reached
        elif self.raises_floor and number > reached:
            self._fail(
                state, "floor not raised", f"{image} ran with number {number}, the floor is still {reached}", None
            )

    def _bad(self, verdict: Verdict) -> str:
        if verdict in FINDINGS or verdict is Verdict.NOT_COVERED:
            return verdict.value
        if verdict in (Verdict.CRASH, Verdict.HANG):
            return "brick"
        if verdict is Verdict.REFUSED and self.start.run.expect.value == "runs":
            if self.subject.product.update.procedure in KEEPS_NO_IMAGE:
                return ""
            return "no image left"
        return ""

    def _cut(self, state: State, flash: dict[str, FlashState], operations: list[Operation]) -> None:
        for content in self.scratch:
            content.put(flash[content.memory.name])
        for number, operation in enumerate(operations):
            content = next(c for c in self.scratch if c.holds(operation.address))
            place = str(self.subject.firmware.place(operation.pc))
            what = f"operation {number + 1}, {operation.kind} 0x{operation.address:08x}, at {place}"
            floor = state.floor
            for words, address, data, units in torn_ways(content, operation):
                mark = content.snapshot()
                content.set(address, data, units)
                after = self._after(state, floor, Cut(f"power cut in {what}", words))
                self._check_lost_floor(after, operation)
                self._add(after)
                content.restore(mark)
            if operation.kind == "erase":
                content.erase_command(operation.address, operation.size, pc=0, index=0)
            else:
                content.program(operation.address, operation.data, pc=0, index=0)
            self.result.operations += 1
            # A cut just behind this operation, which is just before the next one.
            floor = max(floor, self.subject.floor(self._scratch_read))
            after = self._after(state, floor, Cut(f"power cut behind {what}", ""))
            self._check_lost_floor(after, operation)
            self._add(after)

    def _check_lost_floor(self, after: State, operation: Operation) -> None:
        """What a cut leaves of the floor counts at once: an old image could be offered before the next start."""
        record = self.subject.bench.floor
        if record is None or operation.address >= record.at + record.size:
            return
        if operation.address + operation.size <= record.at:
            return
        left = self.subject.floor(self._scratch_read)
        if left < after.floor:
            self._fail(after, "floor lowered", f"the version floor was {after.floor}; the cut leaves {left}", None)

    def _after(self, state: State, floor: int, event: Cut) -> State:
        packed = self.packer.pack([c.state() for c in self.scratch])
        return State(packed, state.cuts + 1, state.boots, floor, state, event)

    def _scratch_read(self, address: int, size: int) -> bytes | None:
        content = next((c for c in self.scratch if c.holds(address, size)), None)
        return None if content is None or content.torn(address, size) else content.read(address, size)

    def _fail(self, state: State, verdict: str, why: str, end: End | None) -> None:
        path = state.path()
        cut = next((c for c in reversed(path) if "power cut" in c.where), None)
        place = cut.where.rsplit(" at ", 1)[-1] if cut is not None else "no cut at all"
        del end
        self.result.findings.append(CutFinding(verdict, why, place, tuple(path)))


def explore(
    subject: Subject,
    start: Start,
    *,
    depth: int = 1,
    most_states: int = MOST_STATES,
    progress: Callable[[str, int], None] | None = None,
) -> CutResult:
    """Return what power cuts do to a start, up to `depth` cuts in a row and `most_states` flash contents."""
    return _Exploration(subject, start, depth, most_states, progress).run()
