"""The closure: all states that a device reaches under any number of power cuts and actors' moves.

States that agree in everything some continuation may still read are one node. What may still be read (`live`) starts
empty and grows to a fixpoint; edges keep their concrete target and are placed again when the node they led to turns out
to need more. Order is by cuts, then moves, then operations: the first failure found has the fewest cuts and moves.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Any, TypeAlias

from rootwright.device.ground import Ground
from rootwright.device.port import (
    POWER_UP,
    Again,
    Claim,
    Control,
    Idle,
    Record,
    Run,
    Stuck,
    UpdateProcedure,
    Version,
)
from rootwright.errors import ProcedureError
from rootwright.prove.environment import Move, Rest, find_moves
from rootwright.prove.level import Level
from rootwright.prove.steps import Ran, Steps, Taken, TakeStep
from rootwright.prove.symbolic import NoBoot, run_step
from rootwright.prove.world import LANE, NUMBER, UNKNOWN, Flash, Known, LogContent, Packed, World

Cost: TypeAlias = "tuple[int, int, int]"  # cuts, actors' moves, operations
ANY_MOVES = 1_000_000_000

PROGRESS_EVERY = 256  # states


@dataclass(slots=True, eq=False)
class Node:
    """One representative state; all its fields but `live` belong to one concrete path from the start."""

    state: Packed
    control: Control
    cost: Cost
    parent: Edge | None
    live: int = 0
    expanded: bool = False
    incoming: list[Edge] = field(default_factory=list)
    again: list[tuple[Node, int]] = field(default_factory=list)


@dataclass(slots=True, eq=False)
class Edge:
    """From one node to the concrete state `target` (and the node that stands for it).

    Attributes:
        killed: Bits that were erased on the way, so that what lies behind does not depend on them.
        event: ("step", script), for a version that is kept ("step", script, "rename", older); ("move", Move);
            ("cut", script, operation, where). A failure may end in ("touch", script, operation) on a keep-area.
    """

    source: Node
    target: Packed
    control: Control
    cost: Cost
    killed: int
    event: tuple[Any, ...]
    uncut_erases: int = -1
    node: Node | None = None


@dataclass(slots=True, eq=False)
class Bucket:
    """The nodes that could stand for one another, and each by the state that it was made for."""

    nodes: list[Node] = field(default_factory=list)
    exact: dict[Packed, Node] = field(default_factory=dict)

    def find_hint(self) -> int:
        """Return what the last node that was expanded reads.

        A node that was not expanded yet knows nothing of what it will read: what its siblings read is a hint, so that
        states are not joined now only to be parted later. Joining less is always sound.
        """
        return next((node.live for node in reversed(self.nodes) if node.expanded), 0)


@dataclass(frozen=True, slots=True)
class Written:
    """What a move does to any state: it keeps the bits `kept` and sets `bits`; forged records go on top of logs."""

    move: Move
    kept: int
    bits: int
    killed: int
    forged: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Failure:
    """A broken claim: what happened, with the fewest cuts; `path` leads from the start to it.

    Attributes:
        path: State, control and event of each step or move.
        turn: How many steps at the end of the path lead round in a circle; 0 where it does not end in one.
    """

    claim: Claim
    what: str
    cost: Cost
    path: tuple[tuple[Flash, Control, tuple[Any, ...]], ...]
    turn: int = 0


@dataclass(frozen=True, slots=True)
class Closure:
    """The result of one exploration.

    Attributes:
        closed: Whether everything reachable was explored; else only up to the level's `max_cuts`.
        states: Representatives that stand at the end.
        edges: Ways from one to another that were looked at; those behind a failure are not.
        erases: Most erases in one uncut run between two environment events; None where a run need not end.
    """

    holds: bool
    closed: bool
    states: int
    edges: int
    erases: int | None
    deepest_cuts: int
    failure: Failure | None
    not_claimed: tuple[str, ...]


class Explorer:
    """One exploration of a procedure on a ground at a level.

    With `earliest_cut` any failure with the fewest cuts will do: what follows from one cut is explored wholly before
    the next cut is looked at. Where a procedure fails, that is much less work than the fewest moves and operations ask
    for. With `world` and `take_step` the subject is another one than a procedure's model: the real boot program.

    With `steps`, those of another exploration serve once more: on the same world, or at a level that differs in nothing
    but write protection (`World.at`).
    """

    def __init__(
        self,
        procedure: UpdateProcedure,
        ground: Ground,
        level: Level,
        progress: Callable[[int], None] | None = None,
        *,
        earliest_cut: bool = False,
        world: World | None = None,
        take_step: TakeStep = run_step,
        steps: Steps | None = None,
    ) -> None:
        self.earliest_cut = earliest_cut
        self.procedure = procedure
        self.level = level
        self.world = World(ground, procedure, level) if world is None else world
        self.steps = Steps(procedure, self.world, take_step) if steps is None else steps
        first, count = self.world.sector_count, len(self.world.log_location)
        self.logs_shift = self.world.shift[first] if count else 0
        self.logs_mask = (1 << LANE * count) - 1  # a log has one lane
        self.progress = progress
        self.told = 0
        self.buckets: dict[object, Bucket] = {}
        self.woken: dict[int, Bucket] = {}  # those at power-up, the most, by what the logs say
        self.heap: list[tuple[Cost, int, Node]] = []
        self.serial = 0
        self.nodes: list[Node] = []
        self.edge_count = 0
        self.said: dict[int, int] = {}
        self.numbers: dict[tuple[tuple[Record | None, ...], ...], int] = {}
        self.written: dict[tuple[Rest, Known], tuple[Written, ...]] = {}
        self.grown: dict[Node, None] = {}  # in the order of growth, so that equal runs are equal
        self.frontier: tuple[int, int] = (0, 0)  # cuts and moves of the level that is being explored
        self.later: dict[tuple[int, int], list[Iterable[Edge]]] = {}
        self.failures: list[tuple[Cost, int, Claim, str, Node, tuple[Any, ...]]] = []
        self.not_claimed: dict[str, None] = {}
        self.deepest = 0

    # -- the search

    def explore(self) -> Closure:
        """Explore until nothing new is reached, the first failure is certain, or the bound on cuts is met."""
        with without_collection():
            try:
                return self._explore()
            finally:
                # Nodes and edges name one another: taken apart they go at once, and nobody has to look for them.
                for node in self.nodes:
                    node.incoming.clear()
                    node.parent = None
                for kept in (self.nodes, self.buckets, self.woken, self.heap, self.later, self.grown, self.failures):
                    kept.clear()

    def _explore(self) -> Closure:
        self._place_start(self.world.start(self.procedure))
        closed = True
        while True:
            while self._goes_on():
                cost, _, node = heappop(self.heap)
                if not node.expanded and node.cost == cost:
                    node.expanded = True
                    self.deepest = max(self.deepest, cost[0])
                    self._expand(node)
                    if self.progress is not None and len(self.nodes) >= self.told + PROGRESS_EVERY:
                        self.told = len(self.nodes)
                        self.progress(self.told)
            self._flush()
            if self._goes_on():
                continue
            if self.failures:
                return self._failed()
            following = [*self.later]
            if self.heap:
                following.append(self.heap[0][0][:2])
            if not following:
                break
            level = min(following)
            if level[0] > self.frontier[0]:
                self._find_endless_run()
                if self.failures:
                    return self._failed()
                if self.level.max_cuts is not None and level[0] > self.level.max_cuts:
                    closed = False
                    break
            self.frontier = level
            if self.earliest_cut:
                self._begin_earliest(level)
                continue
            for edges in self.later.pop(level, ()):
                self._place_all(edges)
        self._find_endless_run()
        if self.failures:
            return self._failed()
        return self._closure(None, closed)

    def _begin_earliest(self, level: tuple[int, int]) -> None:
        """Place the cheapest edge of a level alone; with it, whatever it takes in moves may follow."""
        self.frontier = (level[0], ANY_MOVES)
        waiting = [edge for edges in self.later.pop(level) for edge in edges]
        waiting.sort(key=lambda edge: edge.cost, reverse=True)
        self._place(waiting.pop())
        if waiting:
            self.later[level] = [waiting]

    def _goes_on(self) -> bool:
        """Say whether the present level has states left that cost no more than the cheapest failure found."""
        if not self.heap or self.heap[0][0][:2] > self.frontier:
            return False
        return not self.failures or self.heap[0][0] <= min(failure[0] for failure in self.failures)

    def _failed(self) -> Closure:
        cost, _, claim, what, node, event = min(self.failures, key=lambda f: (f[0], f[1]))
        if event[0] == "round":
            path = self._path(node, event)[:-1]
            turn = self._turn(node, event[1])
            return self._closure(Failure(claim, what, cost, (*path, *turn), len(turn)), False)
        return self._closure(Failure(claim, what, cost, self._path(node, event)), False)

    def _turn(
        self, entry: Node, events: tuple[tuple[Any, ...], ...]
    ) -> tuple[tuple[Flash, Control, tuple[Any, ...]], ...]:
        """Return one turn of a circle of uncut steps, once the state is the same after it as before."""
        state, control = self.world.unpack(entry.state), entry.control
        while True:
            before = state
            turn = []
            for event in events:
                turn.append((state, control, event))
                port, outcome = self.steps.take_step(self.procedure, self.world, state, control, event[1])
                assert isinstance(outcome, Again)
                state, control = tuple(port.state), outcome.control
            if state == before:
                return tuple(turn)

    def _closure(self, failure: Failure | None, closed: bool) -> Closure:
        return Closure(
            holds=failure is None,
            closed=closed,
            states=sum(1 for node in self.nodes if node.expanded),
            edges=self.edge_count,
            erases=self._most_erases() if failure is None else 0,
            deepest_cuts=self.deepest,
            failure=failure,
            not_claimed=tuple(self.not_claimed),
        )

    def _path(self, node: Node, event: tuple[Any, ...]) -> tuple[tuple[Flash, Control, tuple[Any, ...]], ...]:
        unpack = self.world.unpack
        path = [(unpack(node.state), node.control, event)]
        while node.parent is not None:
            edge = node.parent
            node = edge.source
            path.append((unpack(node.state), node.control, edge.event))
        return tuple(reversed(path))

    # -- nodes and edges

    def _place_start(self, state: Flash) -> None:
        packed = self.world.pack(state)
        node = Node(packed, POWER_UP, (0, 0, 0), None)
        self.nodes.append(node)
        self._bucket(packed, POWER_UP).nodes.append(node)
        heappush(self.heap, (node.cost, 0, node))

    def _bucket(self, state: Packed, control: Control) -> Bucket:
        """Return the nodes that share what joined states always share: the control and what the logs say.

        A state joined for a moment with one whose logs say otherwise would inherit what that one reads, for good.
        """
        world = self.world
        logs = state >> self.logs_shift & self.logs_mask
        said = self.said.get(logs)
        if said is None:
            newest = []
            for location in world.log_location.values():
                content = world.values[state >> world.shift[location] & NUMBER]
                assert isinstance(content, LogContent)
                newest.append(content.newest)
            said = self.said[logs] = self.numbers.setdefault(tuple(newest), len(self.numbers))
        if control is POWER_UP:
            bucket = self.woken.get(said)
            if bucket is None:
                bucket = self.woken[said] = Bucket()
            return bucket
        bucket = self.buckets.get((control, said))
        if bucket is None:
            bucket = self.buckets[(control, said)] = Bucket()
        return bucket

    def _place_all(self, edges: Iterable[Edge]) -> None:
        for edge in edges:
            self._place(edge)

    def _place(self, edge: Edge) -> None:
        """Find or make the node that stands for the edge's target."""
        target = edge.target
        bucket = self._bucket(target, edge.control)
        agrees = self.world.agrees
        hint = -1
        exact = bucket.exact.get(target)
        candidates = bucket.nodes if exact is None or exact.state != target else (exact,)
        for node in candidates:
            if node.expanded:
                if target != node.state and not agrees(target, node.state, node.live):
                    continue
                known = (edge.cost[0], ANY_MOVES) if self.earliest_cut else edge.cost[:2]
                if known < node.cost[:2]:
                    continue  # fewer cuts or moves: what follows from here must be found again at its true cost
                break
            if hint < 0:
                hint = bucket.find_hint()
            if target != node.state and not agrees(target, node.state, node.live | hint):
                continue
            if edge.cost < node.cost:
                if target != node.state and not agrees(node.state, target, node.live | hint):
                    continue  # the cheaper state stands for less
                node.state, node.cost, node.parent = target, edge.cost, edge
                self._push(node)
            break
        else:
            node = Node(target, edge.control, edge.cost, edge)
            bucket.nodes.append(node)
            bucket.exact[target] = node
            self.nodes.append(node)
            self._push(node)
        edge.node = node
        node.incoming.append(edge)
        source = edge.source
        missing = node.live & ~(edge.killed | source.live)
        if missing:
            source.live |= missing
            self.grown[source] = None

    def _push(self, node: Node) -> None:
        self.serial += 1
        heappush(self.heap, (node.cost, self.serial, node))

    def _edge(
        self,
        source: Node,
        target: Packed,
        control: Control,
        delta: Cost,
        killed: int,
        event: tuple[Any, ...],
        uncut_erases: int = -1,
    ) -> Edge:
        self.edge_count += 1
        cost = (source.cost[0] + delta[0], source.cost[1] + delta[1], source.cost[2] + delta[2])
        return Edge(source, target, control, cost, killed, event, uncut_erases)

    def _add_step(
        self,
        source: Node,
        target: Packed,
        control: Control,
        ran: Ran,
        event: tuple[Any, ...],
        *,
        killed: int = 0,
        uncut_erases: int = -1,
    ) -> None:
        """Place where a whole step leads."""
        delta = (0, 0, ran.port.operations)
        self._place(self._edge(source, target, control, delta, ran.port.killed | killed, event, uncut_erases))

    def _add_later(self, source: Node, cuts: int, moves: int, edges: Iterable[Edge]) -> None:
        """Keep edges that cost cuts or moves until that level begins: by then it is known what earlier nodes read.

        They are made only then. Where a failure is found before, they never are.
        """
        level = (source.cost[0] + cuts, source.cost[1] + moves)
        if level > self.frontier:
            self.later.setdefault(level, []).append(edges)
        else:
            self._place_all(edges)

    def _read(self, node: Node, bits: int) -> None:
        if bits & ~node.live:
            node.live |= bits
            self.grown[node] = None

    def _flush(self) -> None:
        """Let `live` grow to its fixpoint along incoming edges, then place again the edges that no longer fit."""
        agrees = self.world.agrees
        suspects: dict[Node, None] = {}
        while self.grown:
            # Later nodes first: what lies behind a node is then mostly settled before the node itself.
            for node in sorted(self.grown, key=lambda n: n.cost, reverse=True):
                if node not in self.grown:
                    continue
                del self.grown[node]
                suspects[node] = None
                live = node.live
                for edge in node.incoming:
                    source = edge.source
                    missing = live & ~(edge.killed | source.live)
                    if missing:
                        source.live |= missing
                        self.grown[source] = None
        for node in suspects:
            state, live = node.state, node.live
            moved = [e for e in node.incoming if e.target != state and not agrees(e.target, state, live)]
            if moved:
                apart = set(moved)
                node.incoming = [edge for edge in node.incoming if edge not in apart]
                for edge in moved:
                    self._place(edge)
        if self.grown:
            self._flush()

    # -- expansion

    def _expand(self, node: Node) -> None:
        if isinstance(node.control, Rest):
            self._expand_rest(node, node.control)
            return
        taken = self.steps.take(node.control, node.state)
        for ran in taken.runs:
            self._read(node, ran.reads)
            touched = ran.port.touched_keep
            if touched is not None:
                event = ("touch", ran.script, touched)
                self._fail(node, Claim.KEEPS, "a keep-area is written", event, touched)
            self._finish_step(node, ran)
        if taken.can_be_cut:
            self._add_later(node, 1, 0, self._cut_edges(node, taken))

    def _cut_edges(self, node: Node, taken: Taken) -> Iterator[Edge]:
        """Yield an edge to every state that a cut of a step leaves."""
        for target, cut in taken.cuts(node.state, self.world):
            yield self._edge(node, target, POWER_UP, (1, 0, cut.operations), cut.killed, cut.event)

    def _finish_step(self, node: Node, ran: Ran) -> None:
        event = ("step", ran.script)
        port, outcome = ran.port, ran.outcome
        target = node.state ^ ran.unlike
        if isinstance(outcome, Again):
            self._add_step(node, target, outcome.control, ran, event, uncut_erases=port.erases)
        elif isinstance(outcome, Run):
            self._finish_run(node, ran, outcome, target, event)
        elif isinstance(outcome, Idle):
            if Claim.BOOTS in self.procedure.claims:
                self._fail(node, Claim.BOOTS, f"nothing boots: waits for {outcome.link}", event, port.operations)
                return
            rest = Rest("", False, frozenset(), None)
            self._add_step(node, target, rest, ran, event)
        elif isinstance(outcome, Stuck):
            claim = Claim.BOOTS_OR_WAITS if Claim.BOOTS_OR_WAITS in self.procedure.claims else Claim.BOOTS
            self._fail(node, claim, f"dead device: {outcome.reason}", event, port.operations)
        elif isinstance(outcome, NoBoot):
            claim = outcome.claim
            if claim is Claim.BOOTS and Claim.BOOTS_OR_WAITS in self.procedure.claims:
                claim = Claim.BOOTS_OR_WAITS
            self._fail(node, claim, outcome.what, event, port.operations)
        else:
            raise ProcedureError(
                f"step returned {outcome!r}, expected Again, Run, Idle or Stuck", where=type(self.procedure).__name__
            )

    def _finish_run(self, node: Node, ran: Ran, run: Run, after: Packed, event: tuple[Any, ...]) -> None:
        """Judge what runs, raise the floor where it is kept, and come to rest."""
        world = self.world
        port = copy(ran.port)  # what runs is judged by the whole state, of which a step may have read less
        target = world.unpack(after)
        port.state = list(target)
        version, wrong = port.run(run.area)
        settings = port.loaded_settings()
        self._read(node, port.reads)
        if wrong:
            self._fail(node, Claim.APPROVED_ONLY, wrong, event, port.operations)
            return
        if run.area == "recovery":
            rest = Rest("recovery", False, run.opens, None, settings)
            self._add_step(node, after, rest, ran, event)
            return
        assert version is not None
        if version < 0:
            self._fail(node, Claim.FLOOR, "a version below the floor runs", event, port.operations)
            return
        if Claim.DATA in self.procedure.claims:
            wrong = port.find_data_fault(run.data, version)
            self._read(node, port.reads)
            if wrong:
                self._fail(node, Claim.DATA, wrong, event, port.operations)
                return
        if version > 0:
            self._read(node, world.mask[world.known_location])
            known = world.values[target[world.known_location]]
            assert isinstance(known, Known)
            claims_return = Claim.RETURNS in self.procedure.claims
            if known.failed_trial:
                self._fail(node, Claim.RETURNS, "a version whose trial failed runs again", event, port.operations)
                if claims_return:
                    return
            if not run.on_trial:
                if not known.good:
                    what = "a version is kept that never reported itself good"
                    self._fail(node, Claim.RETURNS, what, event, port.operations)
                    if claims_return:
                        return
                for older in (True, False):
                    renamed = world.pack(world.rename(target, current_becomes_older=older))
                    rest = Rest(run.area, False, run.opens, Version(0), settings)
                    known_bit = world.mask[world.known_location]
                    self._add_step(node, renamed, rest, ran, (*event, "rename", older), killed=known_bit)
                return
        rest = Rest(run.area, run.on_trial, run.opens, version, settings)
        self._add_step(node, after, rest, ran, event)

    def _expand_rest(self, node: Node, rest: Rest) -> None:
        world = self.world
        known = world.values[node.state >> world.shift[world.known_location] & NUMBER]
        assert isinstance(known, Known)
        if rest.version == 1:
            self._read(node, world.mask[world.known_location])
        self._add_later(node, 0, 1, self._move_edges(node, rest, known, cuts=0))
        if world.loads_at_power_up:
            self._add_later(node, 1, 0, self._move_edges(node, rest, known, cuts=1))

    def _move_edges(self, node: Node, rest: Rest, known: Known, *, cuts: int) -> Iterator[Edge]:
        """Yield an edge for everything that may happen at a rest: actors' moves, or power cuts."""
        world = self.world
        cost = (cuts, 1 - cuts, 0)
        moves = self.written.get((rest, known))
        if moves is None:
            found = find_moves(rest, known, self.procedure, world)
            moves = self.written[(rest, known)] = tuple(self._write(move) for move in found)
        for each in moves:
            if (each.move.name == "cut") != cuts:
                continue
            target = node.state & each.kept | each.bits
            for location, content in each.forged:
                at = world.shift[location]
                target |= world.after_write(location, node.state >> at & NUMBER, content) << at
            yield self._edge(node, target, each.move.control, cost, each.killed, ("move", each.move))

    def _write(self, move: Move) -> Written:
        world = self.world
        contents = dict(move.writes)
        cleared = bits = killed = 0
        for location, content in contents.items():
            cleared |= NUMBER << world.shift[location]
            if location not in world.added_to:
                bits |= content << world.shift[location]
                killed |= world.mask[location]
        forged = tuple((location, content) for location, content in contents.items() if location in world.added_to)
        return Written(move, world.full & ~cleared, bits, killed, forged)

    def _fail(self, node: Node, claim: Claim, what: str, event: tuple[Any, ...], operations: int) -> None:
        if claim not in self.procedure.claims:
            self.not_claimed[f"{claim.value} ({what})"] = None
            return
        cost = (node.cost[0], node.cost[1], node.cost[2] + operations)
        self.failures.append((cost, len(self.failures), claim, what, node, event))

    # -- runs without a cut

    def _uncut_graph(self) -> dict[Node, list[tuple[Node, int]]]:
        graph: dict[Node, list[tuple[Node, int]]] = {node: [] for node in self.nodes if node.expanded}
        for node in graph:
            for edge in node.incoming:
                if edge.uncut_erases >= 0 and edge.source in graph:
                    graph[edge.source].append((node, edge.uncut_erases))
        return graph

    def _find_endless_run(self) -> None:
        """Fail where uncut steps lead round in a circle without coming to rest."""
        graph = self._uncut_graph()
        state: dict[Node, int] = {}
        for root in graph:
            if root in state:
                continue
            stack = [(root, iter(graph[root]))]
            state[root] = 1
            while stack:
                node, following = stack[-1]
                for child, _ in following:
                    seen = state.get(child, 0)
                    if seen == 1:
                        ring = [n for n, _ in stack]
                        self._fail_round(ring[ring.index(child) :])
                        return
                    if seen == 0:
                        state[child] = 1
                        stack.append((child, iter(graph[child])))
                        break
                else:
                    state[node] = 2
                    stack.pop()

    def _fail_round(self, ring: list[Node]) -> None:
        """Fail with a ring of nodes, each a step away from the next and the last from the first."""
        entry = min(ring, key=lambda node: node.cost)
        place = ring.index(entry)
        ring = [*ring[place:], *ring[:place]]
        events = []
        for here, there in zip(ring, [*ring[1:], entry], strict=True):
            edge = next(e for e in there.incoming if e.source is here and e.uncut_erases >= 0)
            events.append(edge.event)
        self._fail(entry, Claim.ENDS, "an uncut run never comes to rest", ("round", tuple(events)), 0)

    def _most_erases(self) -> int | None:
        """Return the most erases in one chain of uncut steps, None where a chain goes round in a circle."""
        graph = self._uncut_graph()
        most: dict[Node, int] = {}
        begun: set[Node] = set()
        for root in graph:
            stack = [root]
            while stack:
                node = stack[-1]
                if node in most:
                    stack.pop()
                    continue
                missing = [child for child, _ in graph[node] if child not in most]
                if missing:
                    if node in begun or node in missing:  # what follows it waits for itself
                        return None
                    begun.add(node)
                    stack.extend(missing)
                    continue
                most[node] = max((erases + most[child] for child, erases in graph[node]), default=0)
                stack.pop()
        return max(most.values(), default=0)


@contextmanager
def without_collection() -> Iterator[None]:
    """Keep the garbage collector from looking, while nothing becomes garbage, through all that is kept."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def explore(
    procedure: UpdateProcedure,
    ground: Ground,
    level: Level,
    *,
    progress: Callable[[int], None] | None = None,
) -> Closure:
    """Return the closure of `procedure` on `ground`: whether its claims hold under any number of power cuts.

    Raises:
        ProcedureError: The procedure keeps hidden state, never stops within a step, or misuses its port.
    """
    return Explorer(procedure, ground, level, progress).explore()


__all__ = ["UNKNOWN", "Closure", "Failure", "explore"]
