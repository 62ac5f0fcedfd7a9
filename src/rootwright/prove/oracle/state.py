"""What the oracle's device is made of: cells, record slots of logs, and the tears that a power cut leaves in them.

A cell is a number where it is decided. Where a cut left it undecided it is the tuple of what it may read as; on the
steady level the oracle makes one state for every member beforehand, so that the tuple has a single member.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product
from typing import NamedTuple, TypeAlias

from rootwright.describe.product import Attacker
from rootwright.device.content import PROGRAMMED
from rootwright.device.port import BLANK, FAULT, Claim, LogSpec, Record
from rootwright.prove.events import Event

Value: TypeAlias = int | tuple[int, ...]
"""A cell or the settings word: decided, or the tuple of its possible readings."""

GARBAGE: Record = ("?",)
"""What a torn record without a check code may read as."""

UNREADABLE: Record = ("unreadable",)
"""What a torn record is to a reader whom it stops."""


@dataclass(frozen=True, slots=True)
class OracleLevel:
    """What the oracle explores.

    Attributes:
        restless: Whether an undecided cell or record may read differently every time; else it settles at once.
        attackers: Who acts beside the power and the offers; only exploited application and external bus mean anything.
        protect: Names of blocks that are write-protected while the application runs, unless the procedure opens them.
        max_cuts: Explore no more cuts than this; None for any number.
        max_states: Give up after this many states; the verdict then is not `closed`.
        records_per_half: Record slots in each half of a log of two halves.
        records_in_one: Record slots in a log of one half.
    """

    restless: bool = False
    attackers: frozenset[Attacker] = frozenset()
    protect: frozenset[str] = frozenset()
    max_cuts: int | None = None
    max_states: int = 400_000
    records_per_half: int = 1
    records_in_one: int = 3

    def room_in(self, spec: LogSpec) -> int:
        """Return how many records the half that is written to can take."""
        return self.records_per_half if spec.halves == 2 else self.records_in_one


@dataclass(frozen=True, slots=True)
class OracleFailure:
    """A failure with the fewest cuts, then moves, then operations.

    Attributes:
        path: What happened, one line each, for reading.
        events: The same for replaying.
    """

    claim: Claim
    what: str
    cuts: int
    moves: int
    operations: int
    path: tuple[str, ...]
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class OracleVerdict:
    """What the oracle found.

    Attributes:
        closed: Whether every reachable state was looked at (or all below the failure's cuts and moves).
        ties: All claims that fail with as few cuts and moves as the failure does.
        not_claimed: What happens that the procedure does not claim to prevent.
    """

    holds: bool
    closed: bool
    states: int
    failure: OracleFailure | None
    ties: frozenset[Claim] = field(default=frozenset())
    not_claimed: tuple[str, ...] = ()


class Slot(NamedTuple):
    """One record slot of a log: what it may read as (None: nothing), and whether that is still undecided."""

    readings: tuple[Record | None, ...]
    torn: bool = False


NOTHING = Slot((None,))


class Log(NamedTuple):
    """A log as its slots in the order of their sequence numbers, `other` half first, then the `current` one.

    Attributes:
        used: Whether anything was appended since the last whole erase (asked for one half only).
        locked: Whether its one-time words take no further record.
    """

    other: tuple[Slot, ...]
    current: tuple[Slot, ...]
    used: bool = True
    locked: bool = False


def newest_readings(log: Log) -> tuple[Record | None, ...]:
    """Return what the newest readable record may be, each possibility once."""
    found: dict[Record | None, None] = {}
    for slot in reversed(log.other + log.current):
        found.update(dict.fromkeys(reading for reading in slot.readings if reading is not None))
        if None not in slot.readings:
            return tuple(found)
    found[None] = None
    return tuple(found)


def has_undecided(log: Log) -> bool:
    """Say whether reading the newest record meets an undecided slot."""
    for slot in reversed(log.other + log.current):
        if slot.torn:
            return True
        if slot.readings[0] is not None:
            return False
    return False


def settle(log: Log, newest: Record | None) -> Log:
    """Return the log after its newest record read as `newest` and stays so."""
    slots = list(log.other + log.current)
    for k in reversed(range(len(slots))):
        found = newest is not None and newest in slots[k].readings
        if slots[k].torn:
            slots[k] = Slot((newest,)) if found else NOTHING
        if found or slots[k].readings[0] is not None:
            break
    return log._replace(other=tuple(slots[: len(log.other)]), current=tuple(slots[len(log.other) :]))


def _whole(slots: tuple[Slot, ...]) -> int | None:
    """Return the index of the newest slot that surely holds a record."""
    return next(
        (k for k in reversed(range(len(slots))) if not slots[k].torn and slots[k].readings[0] is not None), None
    )


def forget(log: Log) -> Log:
    """Return a log of two halves without what a newer whole record has made meaningless; its slots stay used."""
    k = _whole(log.current)
    if k is not None:
        return Log((), (NOTHING,) * k + log.current[k:], locked=log.locked)
    k = _whole(log.other)
    return log if k is None else log._replace(other=log.other[k:])


def with_record(log: Log, slot: Slot, halves: int) -> Log:
    """Return the log with one more slot in its current half."""
    after = Log(log.other, (*log.current, slot))
    return forget(after) if halves == 2 else after


def make_room(log: Log, capacity: int) -> Log:
    """Return a log of two halves with a free slot: the half without the newest whole record is erased where needed."""
    if len(log.current) < capacity:
        return log
    return Log(log.other if _whole(log.current) is None else log.current, ())


def torn_append(spec: LogSpec, log: Log, record: Record, *, eager: bool, stops: bool = False) -> Iterator[Log]:
    """Yield the logs that a cut while `record` is appended leaves; there is room for it."""
    options: tuple[Record | None, ...] = (None, record) if spec.check_code else (None, record, GARBAGE)
    if stops:
        options = (*options, UNREADABLE)
    if not eager:
        yield with_record(log, Slot(tuple(dict.fromkeys(options)), torn=True), spec.halves)
        return
    for option in options:
        yield with_record(log, Slot((option,), torn=True), spec.halves)


def torn_log_erase(log: Log, *, eager: bool, stops: bool = False) -> Iterator[Log]:
    """Yield what a cut leaves while a log of one half is erased in place: each record survives or not."""
    mixes = [
        tuple(dict.fromkeys((*slot.readings, None, *((UNREADABLE,) if stops else ()))))
        if slot.torn or slot.readings[0] is not None
        else (None,)
        for slot in log.current
    ]
    if not eager:
        yield log._replace(current=tuple(Slot(mix, torn=len(mix) > 1) for mix in mixes))
        return
    for chosen in product(*mixes):
        slots = zip(chosen, mixes, strict=True)
        yield log._replace(current=tuple(Slot((reading,), torn=len(mix) > 1) for reading, mix in slots))


def torn_program(old: int, new: int, *, eager: bool) -> Iterator[Value]:
    """Yield what a cut leaves while one cell is programmed."""
    yield from _outcomes((old, new, FAULT), eager=eager)


def torn_erase(cells: tuple[Value, ...], *, eager: bool) -> Iterator[tuple[Value, ...]]:
    """Yield every mix of cells that a cut leaves while their sector is erased."""
    each = [
        tuple(_outcomes((*(old if isinstance(old, tuple) else (old,)), BLANK, PROGRAMMED, FAULT), eager=eager))
        for old in cells
    ]
    yield from product(*each)


def _outcomes(options: tuple[int, ...], *, eager: bool) -> Iterator[Value]:
    readings = tuple(sorted(set(options)))
    if eager:
        yield from ((reading,) for reading in readings)
    else:
        yield readings
