"""Runs a given counterexample on the concrete device, and refuses one that could not happen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from rootwright.device.ground import Ground
from rootwright.device.port import POWER_UP, Claim, Outcome, Run, UpdateProcedure
from rootwright.errors import ProcedureError
from rootwright.prove.events import Answer, CutEvent, Event, Move, MoveEvent, RenameEvent, StepEvent
from rootwright.prove.oracle.environment import Fault, Rest, State, initial_state, moves
from rootwright.prove.oracle.port import ConcretePort, Flash, Subject
from rootwright.prove.oracle.state import OracleFailure, OracleLevel
from rootwright.prove.oracle.steps import Seen, outcomes, take_step


def replay(
    procedure: UpdateProcedure, ground: Ground, level: OracleLevel, events: Sequence[Event], *, turning: int = 0
) -> OracleFailure | None:
    """Return the failure that a counterexample leads to on the concrete device; None where it leads to none.

    Args:
        procedure, ground, level, events: What is run, on what, and what happens.
        turning: How many events at the end go round in a circle. A chain of steps may be seen to be endless before its
            last turn is over, where it comes into the circle in the middle; what is left of the turn is left out then.

    Raises:
        ProcedureError: An event cannot happen there: a wrong answer, a move that is not possible, a cut at an operation
            that the step does not make, events after the failure.
    """
    walk = _Walk(Subject(procedure, ground, level, eager=False, bounded=False))
    for number, event in enumerate(events):
        if walk.has_failed() and number >= len(events) - turning:
            break
        walk.take(event, None)
    return walk.failure


def record_answers(subject: Subject, happened: Sequence[tuple[Event, Seen]]) -> tuple[Event, ...]:
    """Return events with the answers that a device needs which decides torn cells only when they are read.

    Args:
        happened: Events, each with what was seen at every single read of its step.
    """
    walk = _Walk(replace(subject, eager=False, bounded=False))
    for event, seen in happened:
        walk.take(event, seen)
    return tuple(walk.taken)


class _Walk:
    """A device on its way through the events."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject
        self.visited: set[State] = set()  # since the last cut or move
        self.cost = [0, 0, 0]
        self.taken: list[Event] = []
        self.failure: OracleFailure | None = None
        self.choices: dict[str, State] = {}
        self.state = initial_state(subject)

    def refuse(self, why: str) -> ProcedureError:
        """Return the error that says at which event the counterexample is wrong."""
        return ProcedureError(
            f"the counterexample does not happen on the concrete device: {why}",
            where=f"event {len(self.taken)}",
            next_step="this is an internal error of the explorer: please report it with the product's description",
        )

    def take(self, event: Event, seen: Seen | None) -> None:
        """Let one event happen; `seen` overrides its answers."""
        if self.has_failed():
            raise self.refuse("it goes on after the failure")
        if self.choices and not isinstance(event, RenameEvent):
            raise self.refuse("the floor rises, but no event says what becomes of the current version")
        if isinstance(event, RenameEvent):
            if event.current_becomes not in self.choices:
                raise self.refuse("no floor rises here")
            self.state = self.choices[event.current_becomes]
            self.choices = {}
        elif isinstance(event, MoveEvent):
            self.move(event)
        else:
            event = self.step(event, seen)
        self.taken.append(event)
        if self.failure is not None:
            self.failure = replace(self.failure, path=tuple(map(str, self.taken)), events=tuple(self.taken))

    def has_failed(self) -> bool:
        """Say whether the failure has been met."""
        return self.failure is not None

    def fail(self, fault: Fault) -> None:
        """Note the failure that ends the path."""
        cuts, moves, operations = self.cost
        self.failure = OracleFailure(fault.claim, fault.what, cuts, moves, operations, ())

    def move(self, event: MoveEvent) -> None:
        """Let something happen at rest."""
        rest = self.state.at
        if not isinstance(rest, Rest):
            raise self.refuse("a move in the middle of a step")
        self.visited = set()
        self.cost[0 if event.move is Move.CUT else 1] += 1
        for possible, target in moves(self.subject, self.state, rest):
            if possible == event:
                self.state = target
                return
        raise self.refuse(f"'{event}' is not possible at rest")

    def step(self, event: StepEvent | CutEvent, seen: Seen | None) -> StepEvent | CutEvent:
        """Run one step, whole or cut."""
        state = self.state
        if isinstance(state.at, Rest):
            raise self.refuse("a step while the device is at rest")
        self.visited.add(state)
        answers: list[Answer] = []
        given = event.answers

        def choose(options: Sequence[Any], position: int) -> Any:
            if seen is not None:
                found = seen[position] if position < len(seen) else options[0]
            elif len(answers) < len(given):
                found = given[len(answers)]
            elif isinstance(event, CutEvent):
                found = options[0]  # after the cut
            else:
                raise self.refuse(f"no answer is given for a read that may find {_words(options)}")
            if found not in options:
                raise self.refuse(f"a read finds {found!r}, but there can only be {_words(options)}")
            answers.append(found)
            return found

        port = ConcretePort(self.subject, state.flash, choose)
        outcome = take_step(self.subject, port, state)
        word = port.word_at_rest() if isinstance(outcome, Run) else 0
        if isinstance(event, CutEvent):
            return self.cut(event, port, answers, known=seen is not None)
        if seen is None and len(given) != len(answers):
            raise self.refuse(f"{len(given)} answers are given for {len(answers)} undecided reads")
        self.cost[2] += port.operations + (isinstance(outcome, Fault) and outcome.claim is Claim.KEEPS)
        self.follow(state._replace(flash=port.flash()), outcome, word)
        return StepEvent(tuple(answers))

    def cut(self, event: CutEvent, port: ConcretePort, answers: list[Answer], *, known: bool) -> CutEvent:
        """Let the power fail in the step that `port` has just run."""
        places = [cut for cut in port.cuts if (cut.operation, cut.where) == (event.operation, event.where)]
        if not places:
            raise self.refuse(f"the step makes no operation number {event.operation}")
        place = places[-1]  # the tear of the record itself, not of the room made for it
        if not known and place.asked != len(event.answers):
            raise self.refuse(
                f"{len(event.answers)} answers are given for {place.asked} undecided reads before the cut"
            )
        self.cost[0] += 1
        self.cost[2] += event.operation + (event.where == "after")
        self.visited = set()
        flash: Flash = place.flash
        self.state = self.state._replace(flash=flash, at=POWER_UP)
        return replace(event, answers=tuple(answers[: place.asked]))

    def follow(self, state: State, outcome: Outcome | Fault, word: int) -> None:
        """Go on from the outcome of a whole step."""
        for events, target in outcomes(self.subject, state, outcome, word):
            if isinstance(target, Fault):
                if target.claim in self.subject.procedure.claims:
                    self.fail(target)
                    return
                continue
            if events and isinstance(events[0], RenameEvent):
                self.choices[events[0].current_becomes] = target
            self.state = target
        if self.state in self.visited and Claim.ENDS in self.subject.procedure.claims:
            self.fail(Fault(Claim.ENDS, "an endless chain of steps"))


def _words(options: Sequence[Any]) -> str:
    return ", ".join(map(repr, options))
