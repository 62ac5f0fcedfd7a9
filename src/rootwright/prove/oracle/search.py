"""The oracle's search: every concrete state, in the order of cuts, then moves, then operations."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from typing import NamedTuple

from rootwright.device.ground import Ground
from rootwright.device.port import Claim, UpdateProcedure
from rootwright.prove.events import Event
from rootwright.prove.oracle.environment import Fault, Rest, State, initial_state
from rootwright.prove.oracle.port import Subject
from rootwright.prove.oracle.replay import record_answers
from rootwright.prove.oracle.state import OracleFailure, OracleLevel, OracleVerdict
from rootwright.prove.oracle.steps import Cost, Edge, Seen, edges, is_whole_step


class Node(NamedTuple):
    """How a state was reached the cheapest way."""

    cost: Cost
    parent: State | None
    edge: Edge | None


@dataclass(slots=True)
class _Search:
    subject: Subject
    nodes: dict[State, Node] = field(default_factory=dict)
    expanded: set[State] = field(default_factory=set)
    heap: list[tuple[Cost, int, State, Edge | None]] = field(default_factory=list)
    number: Iterator[int] = field(default_factory=count)
    failures: list[tuple[Cost, Fault, State, Edge]] = field(default_factory=list)
    not_claimed: dict[str, None] = field(default_factory=dict)
    layer: dict[State, list[State]] = field(default_factory=dict)  # steps without a cut, at the present cuts and moves

    def run(self) -> OracleVerdict:
        level = self.subject.level
        start = initial_state(self.subject)
        self.nodes[start] = Node(Cost(), None, None)
        heapq.heappush(self.heap, (Cost(), next(self.number), start, None))
        bounded, present = False, Cost()
        while self.heap:
            cost, _, state, failing = heapq.heappop(self.heap)
            if cost[:2] != present[:2]:
                self.close_layer(present)
                if self.failures:
                    return self.verdict(closed=True)
                present = cost
            if failing is not None:
                assert isinstance(failing.target, Fault)
                self.failures.append((cost, failing.target, state, failing))
                continue
            if state in self.expanded:
                continue
            self.expanded.add(state)
            if len(self.nodes) > level.max_states:
                return self.verdict(closed=False)
            for edge in edges(self.subject, state):
                more = edge.cost
                total = Cost(cost[0] + more[0], cost[1] + more[1], cost[2] + more[2])
                if level.max_cuts is not None and total.cuts > level.max_cuts:
                    bounded = True
                    continue
                self.add(state, edge, total)
        self.close_layer(present)
        return self.verdict(closed=not bounded)

    def add(self, state: State, edge: Edge, total: Cost) -> None:
        target = edge.target
        if isinstance(target, Fault):
            if target.claim in self.subject.procedure.claims:
                heapq.heappush(self.heap, (total, next(self.number), state, edge))
            else:
                self.not_claimed[f"{target.claim.value}: {target.what}"] = None
            return
        if is_whole_step(edge) and not isinstance(target.at, Rest):
            self.layer.setdefault(state, []).append(target)
        known = self.nodes.get(target)
        if known is None or total < known.cost:
            self.nodes[target] = Node(total, state, edge)
            heapq.heappush(self.heap, (total, next(self.number), target, None))

    def close_layer(self, present: Cost) -> None:
        """Look for an endless chain of steps among the states of the present cuts and moves."""
        circle = find_circle(self.layer)
        self.layer = {}
        if circle is None:
            return
        fault = Fault(Claim.ENDS, "an endless chain of steps")
        if Claim.ENDS not in self.subject.procedure.claims:
            self.not_claimed[f"{fault.claim.value}: {fault.what}"] = None
            return
        first = min(circle, key=lambda state: self.nodes[state].cost)
        k = circle.index(first)
        events: list[tuple[Event, Seen]] = []
        turn = circle[k:] + circle[:k]
        for here, there in zip(turn, [*turn[1:], turn[0]], strict=True):
            edge = next(e for e in edges(self.subject, here) if e.target == there and is_whole_step(e))
            events += edge.events
        last = Edge(tuple(events), Cost(), fault)
        self.failures.append((Cost(*present[:2], self.nodes[first].cost.operations), fault, first, last))

    def verdict(self, *, closed: bool) -> OracleVerdict:
        not_claimed = tuple(sorted(self.not_claimed))
        if not self.failures:
            return OracleVerdict(True, closed, len(self.nodes), None, not_claimed=not_claimed)
        cost, fault, state, edge = min(self.failures, key=lambda failure: failure[0])
        ties = frozenset(found.claim for _, found, _, _ in self.failures)
        happened = [pair for each in (*self.path(state), edge) for pair in each.events]
        events = record_answers(self.subject, happened)
        failure = OracleFailure(fault.claim, fault.what, *cost, tuple(map(str, events)), events)
        return OracleVerdict(False, closed, len(self.nodes), failure, ties, not_claimed)

    def path(self, state: State) -> list[Edge]:
        steps: list[Edge] = []
        node = self.nodes[state]
        while node.parent is not None and node.edge is not None:
            steps.append(node.edge)
            node = self.nodes[node.parent]
        return steps[::-1]


def find_circle(following: dict[State, list[State]]) -> list[State] | None:
    """Return the states of one circle, in order; None where there is none."""
    done: set[State] = set()
    for start in following:
        if start in done:
            continue
        trail, ways = [start], [iter(following[start])]
        on_trail = {start}
        while trail:
            target = next(ways[-1], None)
            if target is None:
                ways.pop()
                here = trail.pop()
                on_trail.discard(here)
                done.add(here)
            elif target in on_trail:
                return trail[trail.index(target) :]
            elif target in following and target not in done:
                trail.append(target)
                on_trail.add(target)
                ways.append(iter(following[target]))
    return None


def explore_concretely(procedure: UpdateProcedure, ground: Ground, level: OracleLevel) -> OracleVerdict:
    """Return what a search over all concrete states says of a procedure on a tiny ground.

    The failure that is reported has the fewest cuts, then the fewest moves, then the fewest operations.

    >>> from rootwright.device.ground import tiny_ground
    >>> from rootwright.device.procedures.copy_over import CopyOver
    >>> ground = tiny_ground(1, 1)
    >>> explore_concretely(CopyOver(ground), ground, OracleLevel(max_cuts=1)).holds
    True
    """
    subject = Subject(procedure, ground, level, eager=not level.restless, bounded=True)
    return _Search(subject).run()
