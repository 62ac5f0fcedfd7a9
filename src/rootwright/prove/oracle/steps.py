"""From one state of the concrete device to the next: steps, cuts in them, and what happens at rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeAlias

from rootwright.device.content import Kind
from rootwright.device.port import POWER_UP, Again, Claim, Idle, Outcome, Run, Stuck
from rootwright.prove.events import Answer, CutEvent, Event, Move, RenameEvent, StepEvent
from rootwright.prove.oracle.environment import Fault, Rest, State, judge_halt, judge_run, moves, rename
from rootwright.prove.oracle.port import ConcretePort, CutPoint, Flash, KeepTouchedError, Subject, TrappedError

Seen: TypeAlias = tuple[Answer, ...]


class Cost(NamedTuple):
    """What it takes to get somewhere; compared in this order."""

    cuts: int = 0
    moves: int = 0
    operations: int = 0


class Edge(NamedTuple):
    """One way on: events, each with the values seen at every read of its step, the cost, and where it leads."""

    events: tuple[tuple[Event, Seen], ...]
    cost: Cost
    target: State | Fault


@dataclass(slots=True)
class Trail:
    """One run of one step with one script of choices."""

    cuts: Sequence[CutPoint]
    seen: Seen
    operations: int
    after: State
    outcome: Outcome | Fault
    fresh: int  # choices made before this many were made by an earlier script too
    word: int  # what the settings area was loaded as


def take_step(subject: Subject, port: ConcretePort, state: State) -> Outcome | Fault:
    """Return what comes of one step, which at power-up needs a boot stage that starts and is sound."""
    if state.at is POWER_UP:
        wrong = port.start_boot(state.boot_sound)
        if wrong is not None:
            claims = subject.procedure.claims
            waits = wrong[0] is Claim.BOOTS and Claim.BOOTS_OR_WAITS in claims
            return Fault(Claim.BOOTS_OR_WAITS if waits else wrong[0], wrong[1])
    try:
        return subject.procedure.step(port, state.at)
    except KeepTouchedError:
        return Fault(Claim.KEEPS, "a keep-area is erased or programmed")
    except TrappedError:
        return Again(POWER_UP)


def run_step(subject: Subject, state: State) -> Iterator[Trail]:
    """Run one step once for every combination of choices at its reads."""
    script: list[int] = []
    fresh = -1
    while True:
        made: list[tuple[int, int]] = []

        def choose(
            options: Sequence[Any], _: int, script: list[int] = script, made: list[tuple[int, int]] = made
        ) -> Any:
            index = script[len(made)] if len(made) < len(script) else 0
            made.append((index, len(options)))
            return options[index]

        port = ConcretePort(subject, state.flash, choose)
        outcome = take_step(subject, port, state)
        word = port.word_at_rest() if isinstance(outcome, Run) else 0
        yield Trail(
            port.cuts,
            tuple(port.seen),
            port.operations + (isinstance(outcome, Fault) and outcome.claim is Claim.KEEPS),
            state._replace(flash=port.flash()),
            outcome,
            fresh,
            word,
        )
        while made and made[-1][0] + 1 == made[-1][1]:
            made.pop()
        if not made:
            return
        script = [index for index, _ in made]
        script[-1] += 1
        fresh = len(script) - 1


def step_edges(subject: Subject, state: State) -> Iterator[Edge]:
    """Yield every way on from a state that is about to make a step."""
    left: dict[Flash, int] = {}  # what cuts left already, after how many operations
    for trail in run_step(subject, state):
        for cut in trail.cuts:
            operations = cut.operation + (cut.where == "after")
            if cut.asked > trail.fresh and left.get(cut.flash, operations + 1) > operations:
                left[cut.flash] = operations
                event = CutEvent(cut.operation, cut.where)
                cost = Cost(1, 0, operations)
                yield Edge(((event, trail.seen[: cut.seen]),), cost, state._replace(flash=cut.flash, at=POWER_UP))
        cost = Cost(0, 0, trail.operations)
        for events, target in outcomes(subject, trail.after, trail.outcome, trail.word):
            yield Edge(((StepEvent(), trail.seen), *((event, ()) for event in events)), cost, target)


def outcomes(
    subject: Subject, state: State, outcome: Outcome | Fault, word: int = 0
) -> Iterator[tuple[tuple[Event, ...], State | Fault]]:
    """Yield what follows from the outcome of a step: states, and what is wrong."""
    if isinstance(outcome, Fault):
        yield (), outcome
    elif isinstance(outcome, Again):
        yield (), state._replace(at=outcome.control)
    elif isinstance(outcome, Run):
        kind, faults = judge_run(subject, state, outcome)
        yield from (((), fault) for fault in faults)
        claimed = any(fault.claim in subject.procedure.claims for fault in faults)
        if kind is None or claimed:
            return
        rest = Rest(outcome.area, kind, outcome.on_trial, outcome.opens, word)
        if kind is Kind.NEXT and not outcome.on_trial:
            yield (RenameEvent("older"),), rename(state, rest, "older")
            yield (RenameEvent("stale"),), rename(state, rest, "stale")
        else:
            yield (), state._replace(at=rest)
    elif isinstance(outcome, Idle | Stuck):
        fault = judge_halt(subject, outcome)
        yield (), state._replace(at=Rest("")) if fault is None else fault


def edges(subject: Subject, state: State) -> Iterator[Edge]:
    """Yield every way on from a state."""
    if not isinstance(state.at, Rest):
        yield from step_edges(subject, state)
        return
    for event, target in moves(subject, state, state.at):
        yield Edge(((event, ()),), Cost(1, 0, 0) if event.move is Move.CUT else Cost(0, 1, 0), target)


def is_whole_step(edge: Edge) -> bool:
    """Say whether an edge is one step without a cut."""
    return isinstance(edge.events[0][0], StepEvent)
