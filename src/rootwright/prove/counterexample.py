"""Writes a failure down as events, and lets it happen once more on the concrete oracle, which shares no code with it.

A failure that does not happen there is a mistake in this program, and is reported as one: it is never dropped.
"""

from __future__ import annotations

from typing import Any

from rootwright.device.ground import Ground
from rootwright.device.port import UpdateProcedure
from rootwright.errors import ProcedureError
from rootwright.prove import environment
from rootwright.prove.events import CutEvent, Event, Exploit, Move, MoveEvent, RenameEvent, StepEvent
from rootwright.prove.explorer import Failure
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleFailure, OracleLevel, replay
from rootwright.prove.symbolic import run_step
from rootwright.prove.world import World

MOST_TURNS = 32
"""How often an endless chain of steps goes round before the oracle must have seen a state twice: its logs keep their
records in slots, which have to come round too."""


def events_of(
    failure: Failure, procedure: UpdateProcedure, ground: Ground, level: Level, world: World, *, turns: int = 1
) -> tuple[Event, ...]:
    """Return what happens from the first power-up to the failure, in the words of `prove.events`.

    Args:
        failure: What an exploration found.
        procedure, ground, level: What it was found on.
        world: The exploration's tables.
        turns: How often an endless chain of steps goes round.
    """
    if world.ground is not ground or world.level != level:
        raise ValueError("a failure can only be read with the tables of the exploration that found it")
    first = len(failure.path) - failure.turn
    path = (*failure.path[:first], *(failure.path[first:] * turns if failure.turn else ()))
    found: list[Event] = []
    for state, control, event in path:
        if event[0] == "move":
            found.append(_move_event(event[1]))
            continue
        port, _ = run_step(procedure, world, state, control, event[1])
        if event[0] in ("cut", "touch"):
            answers = tuple(value for before, value in port.answers if before <= event[2])
            found.append(CutEvent(event[2], event[3], answers) if event[0] == "cut" else StepEvent(answers))
            continue
        found.append(StepEvent(tuple(value for _, value in port.answers)))
        if len(event) > 2:
            found.append(RenameEvent("older" if event[3] else "stale"))
    return tuple(found)


def _move_event(move: environment.Move) -> MoveEvent:
    if move.name == "offer":
        return MoveEvent(Move.OFFER, move.detail)
    if move.name == "exploit":
        return MoveEvent(Move.EXPLOIT, _exploit(move.detail))
    return MoveEvent(Move(move.name))


def _exploit(detail: tuple[Any, ...]) -> Exploit:
    areas, content, *forged = detail
    written = areas if isinstance(areas, tuple) else (areas,)
    log, record = forged or ("", None)
    return Exploit(written, content or "foreign", log, record)


def require_replay(
    failure: Failure, procedure: UpdateProcedure, ground: Ground, level: Level, world: World
) -> OracleFailure:
    """Return what the concrete oracle says of a failure that happens there too.

    Raises:
        ProcedureError: It does not happen there, or something else does; an internal error.
    """
    concrete = OracleLevel(level.restless, level.attackers, level.protect)
    turns = 1
    while True:
        events = events_of(failure, procedure, ground, level, world, turns=turns)
        found = replay(procedure, ground, concrete, events, turning=failure.turn * turns)
        if found is not None or not failure.turn or turns == MOST_TURNS:
            break
        turns += 1
    if found is None or (found.claim, found.cuts, found.moves) != (failure.claim, *failure.cost[:2]):
        met = f"'{found.claim}' fails with {found.cuts} cuts and {found.moves} moves" if found else "nothing fails"
        raise ProcedureError(
            f"a counterexample to '{failure.claim}' with {failure.cost[0]} cuts and {failure.cost[1]} moves is not "
            f"confirmed: on the concrete device {met}",
            next_step="this is an internal error of the explorer: please report it with the product's description",
        )
    return found
