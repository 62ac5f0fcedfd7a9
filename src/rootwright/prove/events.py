"""The events of a counterexample: what happens, in order, from the first power-up to the failure.

Whoever finds a failure writes it down in these words; whoever doubts it replays them on another model.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, TypeAlias

from rootwright.device.port import Cell, Offer, Record

Answer: TypeAlias = Cell | Record | int | bool | str | None
"""What was found at one undecided read: a cell, a log's newest record, the settings word, or whether a log had no room
left. On an external bus a question stands before the read: the attacker's cell or None (what is there), and for a
digest the version that it showed or "actual" (what is there, decided by the answers after it)."""

Where: TypeAlias = Literal["before", "inside", "after"]
"""Where in an operation the power fails."""


class Move(StrEnum):
    """What can happen while the device is at rest."""

    CUT = "cut"
    RESET = "reset"
    OFFER = "offer"
    REPORT_GOOD = "report good"
    CRASH = "crash"
    EXPLOIT = "exploit"


@dataclass(frozen=True, slots=True)
class Exploit:
    """What the exploited application writes in one move.

    Attributes:
        areas: Names of the areas that are written to; "boot" for the boot stage's block.
        content: What they get: "foreign", or the whole "newer" or "older" genuine version.
        log: The log that gets a record, empty where none does.
        record: That record.
    """

    areas: tuple[str, ...] = ()
    content: Literal["foreign", "newer", "older"] = "foreign"
    log: str = ""
    record: Record | None = None

    def __str__(self) -> str:
        kind = "foreign content" if self.content == "foreign" else f"the {self.content} genuine version"
        areas = [f"{kind} in {' and '.join(self.areas)}"] if self.areas else []
        return ", ".join([*areas, *([f"{self.record} in {self.log}"] if self.log else [])])


@dataclass(frozen=True, slots=True)
class StepEvent:
    """One whole step of the procedure; `answers` are the values found at undecided reads, in order."""

    answers: tuple[Answer, ...] = ()

    def __str__(self) -> str:
        return "a step" + _found(self.answers)


@dataclass(frozen=True, slots=True)
class CutEvent:
    """A step whose power fails at its operation number `operation`, counted from 0.

    An operation is one erase, one program, one appended record (with the room a log of two halves makes for it), the
    erase in place of a full log of one half, or one programming of the settings word.
    """

    operation: int
    where: Where
    answers: tuple[Answer, ...] = ()

    def __str__(self) -> str:
        return f"power cut {self.where} operation {self.operation} of a step" + _found(self.answers)


@dataclass(frozen=True, slots=True)
class MoveEvent:
    """What happens at rest; `detail` is the offer or what the exploited application writes."""

    move: Move
    detail: Offer | Exploit | None = None

    def __str__(self) -> str:
        return self.move.value if self.detail is None else f"{self.move.value}: {self.detail}"


@dataclass(frozen=True, slots=True)
class RenameEvent:
    """The newer version was kept: it is the current one from here on, and the current becomes older or stale."""

    current_becomes: Literal["older", "stale"]

    def __str__(self) -> str:
        return f"the floor rises; what was current is now {self.current_becomes}"


Event: TypeAlias = StepEvent | CutEvent | MoveEvent | RenameEvent


def _found(answers: tuple[Answer, ...]) -> str:
    return f" (found {', '.join(map(str, answers))})" if answers else ""
