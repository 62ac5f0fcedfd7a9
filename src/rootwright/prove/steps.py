"""The steps of one procedure on one ground: taken once for all states that agree in what a step depends on.

What a step does depends on nothing but the control and what it reads or writes over. So what it did to one state it
does to every other that holds the same there, whatever may lie elsewhere; write protection is no matter to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeAlias

from rootwright.device.port import Control, Outcome, UpdateProcedure
from rootwright.errors import ProcedureError
from rootwright.prove.symbolic import NoBoot, Operation, SymbolicPort, run_step
from rootwright.prove.world import Flash, Packed, World

MAX_SCRIPTS = 4096  # ways in which one step can read torn cells

MOST_BYTES = 200_000_000  # in the steps that are remembered, roughly

TakeStep: TypeAlias = (
    "Callable[[UpdateProcedure, World, Flash, Control, tuple[int, ...]], tuple[SymbolicPort, Outcome | NoBoot]]"
)


@dataclass(frozen=True, slots=True)
class Ran:
    """One step for one way of reading torn cells.

    Attributes:
        script: The answers that decide it.
        unlike: Bits in which the state after it differs from the one before.
        reads: Bits that it read.
    """

    script: tuple[int, ...]
    port: SymbolicPort
    outcome: Outcome | NoBoot
    unlike: Packed
    reads: int


class Cut(NamedTuple):
    """A state that a cut leaves: bits killed on the way to it, operations before, and the event."""

    killed: int
    operations: int
    event: tuple[Any, ...]


class Moment(NamedTuple):
    """One moment of a step: which bits change (each a number and its shift), and the cut that is seen then first.

    A moment that does not stay is the middle of an operation; the next goes on from before it.
    """

    changes: tuple[tuple[int, int], ...]
    stays: bool
    cut: Cut | None


@dataclass(slots=True)
class Taken:
    """One step from a state: every way of reading torn cells, and for each of them what a cut leaves.

    Attributes:
        moments: What a cut leaves of each run; worked out when first asked for.
    """

    start: Packed
    runs: tuple[Ran, ...]
    moments: tuple[tuple[Moment, ...], ...] | None = None

    @property
    def can_be_cut(self) -> bool:
        """Whether it makes any operation."""
        return any(ran.port.operations for ran in self.runs)

    def cuts(self, state: Packed, world: World) -> Iterator[tuple[Packed, Cut]]:
        """Yield every state that a cut leaves, each once."""
        if self.moments is None:
            self.moments = _moments(self.start, self.runs, world)
        for moments in self.moments:
            here = state
            for changes, stays, cut in moments:
                there = _changed(here, changes)
                if cut is not None:
                    yield world.without_power(there), cut
                if stays:
                    here = there


def _changed(state: Packed, changes: tuple[tuple[int, int], ...]) -> Packed:
    for number, shift in changes:
        state ^= number << shift
    return state


def _moments(start: Packed, runs: tuple[Ran, ...], world: World) -> tuple[tuple[Moment, ...], ...]:
    """Return the moments of all runs, each state that a cut leaves with the bits killed on every way to it."""
    shift, without_power = world.shift, world.without_power
    flash = world.unpack(start)
    cuts: dict[Packed, Cut] = {}
    told: list[list[tuple[tuple[tuple[int, int], ...], bool, Packed | None]]] = []

    def note(left: Packed, killed: int, number: int, script: tuple[int, ...], where: str) -> Packed | None:
        target = without_power(left)
        found = cuts.get(target)
        if found is None:
            cuts[target] = Cut(killed, number, ("cut", script, number, where))
            return target
        if found.killed & ~killed:
            cuts[target] = found._replace(killed=found.killed & killed)
        return None

    for ran in runs:
        moments: list[tuple[tuple[tuple[int, int], ...], bool, Packed | None]] = []
        told.append(moments)
        if not ran.port.operations:
            continue
        state = list(flash)
        packed = start
        killed = number = last = 0
        script = ran.script
        noted = False  # whether the state as it is now was noted already, after the operation before
        for change in ran.port.changes:
            if not isinstance(change, Operation):
                location, content = change
                unlike = state[location] ^ content
                if unlike:
                    packed ^= unlike << shift[location]
                    state[location] = content
                    moments.append((((unlike, shift[location]),), True, None))
                    noted = False
                continue
            if not noted:
                left = note(packed, killed, number, script, "before")
                if left is not None:
                    moments.append(((), True, left))
                    last = len(moments)
            noted = True
            location, also = change.location, change.also
            held, at = state[location], shift[location]
            if not also and change.torn == change.done == held:
                killed |= change.killed  # writes what is there: no cut leaves anything else
                number += 1
                continue
            halves: tuple[tuple[int, int], ...] = ((held ^ change.torn, at),)
            wholes: tuple[tuple[int, int], ...] = ((held ^ change.done, at),)
            state[location] = change.done
            if also:
                halves += tuple((state[place] ^ torn, shift[place]) for place, torn, _ in also)
                wholes += tuple((state[place] ^ done, shift[place]) for place, _, done in also)
                for place, _, done in also:
                    state[place] = done
            left = note(_changed(packed, halves), killed, number, script, "inside")
            if left is not None:
                moments.append((halves, False, left))
                last = len(moments)
            packed = _changed(packed, wholes)
            killed |= change.killed
            left = note(packed, killed, number, script, "after")
            moments.append((wholes, True, left))
            if left is not None:
                last = len(moments)
            number += 1
        del moments[last:]
    return tuple(
        tuple(Moment(changes, stays, None if left is None else cuts[left]) for changes, stays, left in moments)
        for moments in told
    )


class Steps:
    """Takes steps, and remembers what they did where they are those of a procedure's model."""

    def __init__(self, procedure: UpdateProcedure, world: World, take_step: TakeStep = run_step) -> None:
        self.procedure = procedure
        self.world = world
        self.take_step = take_step
        self.room = MOST_BYTES if take_step is run_step else 0
        self.known: dict[Control, dict[int, dict[Packed, Taken]]] = {}

    def take(self, control: Control, state: Packed) -> Taken:
        """Return what a step does to a state.

        Raises:
            ProcedureError: The procedure keeps hidden state, never stops within a step, or misuses its port.
        """
        known = self.known.get(control)
        if known is not None:
            for depends, found in known.items():
                taken = found.get(state & depends)
                if taken is not None:
                    return taken
        taken = self._take(control, state)
        weight = 16 * self.world.count + sum(1400 + 800 * len(ran.port.changes) for ran in taken.runs)
        if weight <= self.room:
            self.room -= weight
            for ran in taken.runs:
                ran.port.state = []  # whoever needs it makes it from the state that the step is taken from
            depends = self._depends_on(taken)
            self.known.setdefault(control, {}).setdefault(depends, {})[state & depends] = taken
        return taken

    def _take(self, control: Control, state: Packed) -> Taken:
        flash = self.world.unpack(state)
        scripts: list[tuple[int, ...]] = [()]
        runs: list[Ran] = []
        while scripts:
            script = scripts.pop()
            if len(runs) >= MAX_SCRIPTS:
                raise ProcedureError(
                    f"one step can read torn cells in more than {MAX_SCRIPTS} ways",
                    next_step="let a step read one sector, or use fewer model cells",
                )
            port, outcome = self.take_step(self.procedure, self.world, flash, control, script)
            for place in range(len(script), len(port.questions)):
                head = tuple(port.taken[:place])
                scripts.extend((*head, answer) for answer in range(1, port.questions[place].answers))
            if len(port.questions) < len(script):
                raise ProcedureError("hidden state in procedure: the same step asked other questions when run again")
            unlike = self.world.pack(port.state) ^ state if port.changes else 0
            runs.append(Ran(script, port, outcome, unlike, port.reads))
        return Taken(state, tuple(runs))

    def _depends_on(self, taken: Taken) -> int:
        """Return the lanes of all locations that a step read or changed."""
        mask = self.world.mask
        bits = 0
        for ran in taken.runs:
            bits |= ran.reads
            for change in ran.port.changes:
                if isinstance(change, Operation):
                    bits |= mask[change.location]
                    for other, _, _ in change.also:
                        bits |= mask[other]
                else:
                    bits |= mask[change[0]]
        return self.world.lanes(bits)
