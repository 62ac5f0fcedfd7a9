"""One exploration of the boot program from a start: closed, bounded, or broken, with the source line of the cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from rootwright.bench.closure.contents import make_grid
from rootwright.bench.closure.ground import (
    find_blocks,
    find_images,
    make_contents,
    make_ground,
    make_records,
    require_plain,
)
from rootwright.bench.closure.port import BytePort, ErasedInPlace, Unmodelled, WrittenAgain
from rootwright.bench.closure.program import (
    BRICK,
    KEY,
    NO_IMAGE,
    NOT_COVERED,
    RAM,
    BootProgram,
    Budget,
)
from rootwright.bench.closure.world import CutWorld
from rootwright.bench.judge import find_running
from rootwright.bench.subject import Start, Subject
from rootwright.describe.bench import Expect, RunKind
from rootwright.device.port import POWER_UP, Claim, Offer, Run, Stuck
from rootwright.errors import BenchError, ProcedureError
from rootwright.prove.environment import Move
from rootwright.prove.explorer import Closure, Explorer, Failure
from rootwright.prove.level import Level
from rootwright.prove.symbolic import NoBoot

VERDICTS = {
    Claim.APPROVED_ONLY: "unapproved code ran",
    Claim.BOOTS: NO_IMAGE,
    Claim.BOOTS_OR_WAITS: NO_IMAGE,
    Claim.ENDS: "livelock",
    Claim.FLOOR: "floor lowered",
    Claim.KEEPS: "keep-area changed",
    Claim.RETURNS: "trial not returned",
}


@dataclass(frozen=True, slots=True)
class Happening:
    """One event on the way to a failure: in words, with the place of the operation that was cut."""

    what: str
    place: str = ""


@dataclass(frozen=True, slots=True)
class Broken:
    """A promise that breaks: verdict, why, the place of the last cut, the way there, how many cuts it takes."""

    verdict: str
    why: str
    place: str
    path: tuple[Happening, ...]
    cuts: int


@dataclass(slots=True)
class Explored:
    """What an exploration came to.

    Attributes:
        reason: Why it is not closed; empty where it is, or where something broke.
        thinned: Operations that were not cut one by one: see `port.CUT_EACH`.
        unlike: Whether the program is not of the kind that the closure can follow, or its logs not as declared.
        erases: Most sectors that one start erased; in a closure no run goes on without end.
        starts, twins: Starts in the emulator, and how many a second time with what must not matter chosen otherwise.
    """

    closed: bool = False
    reason: str = ""
    unlike: bool = False
    cuts: int = 0
    states: int = 0
    edges: int = 0
    erases: int = 0
    starts: int = 0
    thinned: int = 0
    twins: int = 0
    broken: Broken | None = None
    acts: bool = False
    in_place: list[str] = field(default_factory=list)


def explore_start(
    subject: Subject,
    start: Start,
    *,
    most_cuts: int | None,
    most_states: int,
    progress: Callable[[str, int], None] | None = None,
) -> Explored:
    """Return what any number of cuts does to a start of the boot program.

    Raises:
        BenchError: The product does not say enough for it, or its map is of another kind.
    """
    if not subject.bench.logs:
        raise BenchError(
            "no logs are declared",
            where="[bench]",
            next_step="declare the logs that the boot program keeps, [[bench.log]], to follow any number of cuts",
        )
    require_plain(subject)
    extra: tuple[int, ...] = ()
    halves: dict[str, int] = {}
    acts = start.run.kind in (RunKind.AUTHENTIC, RunKind.INSTALL) and start.run.expect is Expect.RUNS
    rewritten: frozenset[str] = frozenset()
    while True:
        program = BootProgram(subject, start, halves, acts=acts, most=most_states, progress=progress)
        result = Explored(acts=program.acts, in_place=list(halves))
        try:
            return _explore(subject, program, extra, rewritten, result, most_cuts)
        except Unmodelled as error:
            if error.address in extra:
                raise BenchError(str(error), where=start.name, next_step="pin the block that it belongs to") from None
            extra = (*extra, error.address)
        except ErasedInPlace as error:
            halves[error.log] = 1
        except WrittenAgain as error:
            rewritten = error.logs


def _explore(
    subject: Subject,
    program: BootProgram,
    extra: tuple[int, ...],
    rewritten: frozenset[str],
    result: Explored,
    most_cuts: int | None,
) -> Explored:
    board = program.board
    blocks = find_blocks(subject, extra)
    ground = make_ground(subject, blocks)
    running = find_running(subject, board, next(b.address for b in blocks if b.area == "run"))
    images, versions = find_images(subject, blocks, running, subject.floor(board.read_bytes))
    logs = {log.name: (log.at, log.size) for log in subject.bench.logs}
    grid = make_grid(ground, logs, {m.name: m.program_unit for m in subject.chip.memories})
    flashes = {flash.memory.name: flash for flash in board.flashes}
    level = Level(cells=max(s.cells for s in ground.sectors), restless=True, max_cuts=most_cuts)
    contents = make_contents(subject, ground)
    world = CutWorld(grid, program, level, contents, images, make_records(subject, versions), flashes)
    world.rewritten |= rewritten
    # Any failure with the fewest cuts will do: a broken program has far more states than a sound one.
    explorer = Explorer(program, ground, level, earliest_cut=True, world=world, take_step=program.take_step)
    closure: Closure | None = None
    try:
        closure = explorer.explore()
    except Budget:
        result.reason = f"stopped at {program.most:,} states"
        result.cuts = max(0, explorer.frontier[0] - 1)
    except (Unmodelled, ErasedInPlace, WrittenAgain):
        raise
    except ProcedureError as error:
        result.reason = str(error)
        result.unlike = True
    result.erases, result.thinned = program.erases, program.thinned
    result.starts, result.twins = program.starts, program.twins
    result.states = program.states if closure is None else closure.states
    result.edges = explorer.edge_count
    if closure is not None:
        result.cuts = closure.deepest_cuts
        result.closed = closure.closed and not program.differs
        if closure.failure is not None:
            result.broken = _Teller(subject, program, world).tell(closure.failure)
        elif not closure.closed:
            result.reason = "more cuts were not tried"
    result.unlike = result.unlike or program.differs
    if program.differs and result.broken is None:
        result.reason = "with other places, numbers or older records in its logs the program goes another way"
    return result


class _Teller:
    def __init__(self, subject: Subject, program: BootProgram, world: CutWorld) -> None:
        self.subject, self.program, self.world = subject, program, world

    def tell(self, failure: Failure) -> Broken:
        """Return a failure in words, each step run once more for its places in the source."""
        path = [self._happening(*step) for step in failure.path]
        last = next((event.place for event in reversed(path) if event.place), "no cut at all")
        why = failure.what.removeprefix("dead device: ")
        verdict = VERDICTS.get(failure.claim, failure.claim.value)
        for word in (BRICK, NO_IMAGE, KEY, NOT_COVERED, RAM):
            if why.startswith(word):
                verdict = word
                why = why.removeprefix(f"{word}: ")
        told = [event for event, after in zip(path, [*path[1:], None], strict=True) if event != after]
        return Broken(verdict, why, last, tuple(told), failure.cost[0])

    def _happening(self, state: Any, control: Any, event: tuple[Any, ...]) -> Happening:
        if event[0] == "move":
            return Happening(self._move(event[1]))
        who = "start" if control is POWER_UP else "the application writes"
        port, outcome = self.program.take_step(self.program, self.world, state, control, event[1])
        assert isinstance(port, BytePort)
        if event[0] in ("cut", "touch"):
            _, _, number, *where = event
            index = min(number, len(port.sources) - 1)
            if index < 0:
                return Happening(f"{who}: power cut before its first operation")
            source = port.sources[index]
            place = str(self.subject.firmware.place(source.pc)) if source.pc else "the application half"
            word = f"power cut {where[0]}" if where else "writes in a keep-area:"
            what = f"{who}: {word} operation {index + 1}, {source.kind} 0x{source.address:08x}, at {place}"
            return Happening(what + self._read(port, event[1]), place)
        return Happening(f"{who} without a cut" + self._came(outcome) + self._read(port, event[1]))

    @staticmethod
    def _came(outcome: Any) -> str:
        if isinstance(outcome, Run):
            return f": the image in the {outcome.area} slot runs{' on trial' if outcome.on_trial else ''}"
        if isinstance(outcome, NoBoot):
            return f": {outcome.what}"
        return f": {outcome.reason}" if isinstance(outcome, Stuck) else ""

    @staticmethod
    def _read(port: BytePort, script: tuple[int, ...]) -> str:
        """Say what a start finds of what cuts left open, where that is not the first of its ways."""
        pairs = list(zip(port.questions, script, strict=False))
        cells = sum(1 for question, answer in pairs if answer and question.kind not in ("room", "record"))
        words = port.said if any(script) else []
        words = [*words, f"{cells} torn cell{'' if cells == 1 else 's'} read otherwise than before"] if cells else words
        return f" ({'; '.join(words)})" if words else ""

    @staticmethod
    def _move(move: Move) -> str:
        if move.name == "offer" and isinstance(move.detail, Offer):
            return f"the application receives {move.detail}"
        return {"reset": "a reset", "report good": "the image reports itself good", "crash": "the image crashes"}.get(
            move.name, move.name
        )
