"""A run traced, and what of registers and RAM is still needed at points of it: the rest may differ and nothing will.

The run's instructions are gone through from the last one back. What an instruction reads is live before it; what it
surely overwrites is dead before it. Exceptions make everything live, a reset makes all registers dead.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from rootwright.bench.board import Board
from rootwright.bench.effects import EVERYTHING, UNKNOWN, Effect, bits, effect_of
from rootwright.bench.ends import End
from rootwright.bench.faults import Injector
from rootwright.bench.hooks import HookCalls
from rootwright.bench.subject import Subject

Live = tuple[int, tuple[tuple[int, int, int], ...]]
"""A mask of registers and flags, and stretches of RAM: number of the memory, offset, size."""

_READ, _SURE, _UNSURE = 0, 1, 2


@dataclass(slots=True)
class Trace:
    """One run, instruction by instruction.

    Attributes:
        pcs: Address of every executed instruction.
        places, accesses: For each access of RAM the index of its instruction; memory, offset, size and kind, packed.
        stops: Indexes before which the core was stopped, and whether a reset came of it.
        in_hook: Those of the stops that a hooked function caused: its entry is not among the instructions.
        needed_last: Registers that the run's very end needs.
        ticks: Whether the tick timer, or an exception that was masked before, stopped the run.
        lost: Whether an instruction used state that is not compared.
    """

    pcs: array[int] = field(default_factory=lambda: array("I"))
    places: array[int] = field(default_factory=lambda: array("I"))
    accesses: array[int] = field(default_factory=lambda: array("Q"))
    stops: dict[int, bool] = field(default_factory=dict)
    in_hook: set[int] = field(default_factory=set)
    needed_last: int = 0
    ticks: bool = False
    lost: bool = False


class Tracer:
    """A board that notes what each instruction accesses; slow, so for one run and then another alone."""

    def __init__(self, subject: Subject, stations: tuple[int, ...], *, hooked: bool, reads_hooked: bool) -> None:
        self.subject = subject
        self.trace = Trace()
        self.at_hook: Callable[[HookCalls], object] | None = None
        self._steps: dict[int, Callable[[], None] | None] = {}
        self._hook_accesses: list[tuple[int, int, int]] = []
        self._in_hook = False
        self.board: Board = subject.board(hooked=hooked, reads_hooked=reads_hooked, notes=self._seen, stations=stations)
        self._injector = Injector(self.board, subject.firmware, ())
        self._hooks = {call.address for call in self.board.hooks}
        self._spans = [(base, base + size, i) for i, (base, size, _) in enumerate(self.board.rams)]
        self.board.on_stop = self._stopped
        self._watch_hooks()

    def run(self, limit: int) -> tuple[End, Trace]:
        """Run the board from where it stands to an end; return that and what was seen."""
        self.trace = trace = Trace()
        self._in_hook = False
        self._hook_accesses.clear()
        end = self.board.run(limit)
        if self._in_hook:
            self._leave_hook(len(trace.pcs))
            trace.needed_last = self._given
        return end, trace

    # What is noted

    def _seen(self, address: int) -> None:
        trace = self.trace
        trace.pcs.append(address)
        if self._in_hook:
            self._leave_hook(len(trace.pcs) - 1)
        try:
            step = self._steps[address]
        except KeyError:
            step = self._steps[address] = self._step_for(address)
        if step is not None:
            step()

    @property
    def _given(self) -> int:
        """The registers in which functions are given arguments and the way back."""
        names = ("r0", "r1", "r2", "r3", "lr") if self.board.is_arm else (*(f"x{i}" for i in range(10, 18)), "x1", "x2")
        return bits(names)

    def effect(self, address: int) -> Effect:
        """Return an instruction's effect; the entry of a hooked function reads what functions are given."""
        if address in self._hooks:
            return Effect(self._given)
        if not self.subject.firmware.is_code(address):
            return UNKNOWN
        return effect_of(self.subject.firmware, address, self._injector.block_start(address) is not None)

    def _step_for(self, address: int) -> Callable[[], None] | None:
        effect = self.effect(address)
        self.trace.lost = self.trace.lost or effect.lost
        access = effect.access
        if access is None:
            return None
        e = self.board.emulator
        read, base = e.read_register, e.registers[access.base]
        index = e.registers[access.index] if access.index else 0
        kind = (_SURE if effect.sure else _UNSURE) if access.store else _READ
        shift, offset, size = access.shift, access.offset, access.size

        def step() -> None:
            at = read(base) + offset
            if index:
                at += read(index) << shift
            self._note(at & 0xFFFF_FFFF, size, kind, len(self.trace.pcs) - 1)

        return step

    def _note(self, address: int, size: int, kind: int, place: int) -> None:
        for base, end, number in self._spans:
            if base - size < address < end:
                first, last = max(address, base), min(address + size, end)
                self.trace.places.append(place)
                self.trace.accesses.append(number << 60 | (first - base) << 28 | (last - first) << 2 | kind)

    def _stopped(self, kind: str) -> None:
        self.trace.stops.setdefault(len(self.trace.pcs), False)
        if self._in_hook:
            self.trace.in_hook.add(len(self.trace.pcs))
        self.trace.ticks = self.trace.ticks or kind != "stop"

    def _watch_hooks(self) -> None:
        """Note what hooked functions read and write, and resets."""
        board = self.board
        read_bytes, write_ram, reset = board.read_bytes, board.write_ram, board.reset

        def entering(call: HookCalls) -> bool:
            if self.at_hook is not None:
                self.at_hook(call)
            self._in_hook = True
            if call.arguments_on_stack():
                self._hook_accesses.append((board.emulator.get("sp"), 32, _READ))
            return False

        def reading(address: int, size: int) -> bytes | None:
            if self._in_hook:
                self._hook_accesses.append((address, size, _READ))
            return read_bytes(address, size)

        def writing(address: int, data: bytes) -> bool:
            if self._in_hook:
                self._hook_accesses.append((address, len(data), _SURE))
            return write_ram(address, data)

        def resetting(cause: int) -> None:
            self._in_hook = False
            self.trace.stops[len(self.trace.pcs)] = True
            reset(cause)

        board.on_call = entering
        board.read_bytes, board.write_ram, board.reset = reading, writing, resetting  # type: ignore[method-assign]

    def _leave_hook(self, place: int) -> None:
        self._in_hook = False
        for address, size, kind in self._hook_accesses:
            self._note(address, max(size, 0), kind, place)
        self._hook_accesses.clear()

    def live_at(self, trace: Trace, points: Iterable[int]) -> dict[int, Live]:
        """Return what is live before some instructions of a trace that went to the run's end."""
        effects = {pc: self.effect(pc) for pc in set(trace.pcs)}
        keep = {pc: EVERYTHING & ~effect.kills for pc, effect in effects.items()}
        reads = {pc: effect.reads for pc, effect in effects.items()}
        unknown = {pc for pc, effect in effects.items() if not effect.known}
        pcs = trace.pcs
        # An instruction that is not known needs all of RAM, as what stops the core does.
        barriers = {i for i, pc in enumerate(pcs) if pc in unknown} if unknown else set()
        wanted = set(points)
        memory = _LiveMemory(self.board, self.subject)
        found: dict[int, Live] = {}
        registers, i, k = trace.needed_last, len(pcs), len(trace.places)
        for boundary in sorted({*wanted, *trace.stops, *barriers, 0, len(pcs)}, reverse=True):
            for pc in reversed(pcs[boundary:i]):
                registers = registers & keep[pc] | reads[pc]
            while k and trace.places[k - 1] >= boundary:
                k -= 1
                memory.undo(trace.accesses[k])
            i = boundary
            if boundary in barriers:
                registers = EVERYTHING
                memory.fill()
            if boundary in wanted:
                unsure = boundary in trace.in_hook
                found[boundary] = everything_live(self.board) if unsure else (registers, memory.stretches())
            if boundary in trace.stops and boundary < len(pcs):
                if trace.stops[boundary]:
                    registers = 0
                else:
                    registers = EVERYTHING
                    memory.fill()
        return found


def everything_live(board: Board) -> Live:
    """Return that nothing may differ."""
    return EVERYTHING, tuple((number, 0, size) for number, (_, size, _) in enumerate(board.rams))


class _LiveMemory:
    """Which bytes of RAM are live, going back in time."""

    def __init__(self, board: Board, subject: Subject) -> None:
        self._live = [bytearray(size) for _, size, _ in board.rams]
        # Code is read by running it, which no access tells.
        code = [span for span, _ in subject.firmware.ram_code]
        self._always = [
            (number, span.address - base, span.size)
            for number, (base, size, _) in enumerate(board.rams)
            for span in code
            if base <= span.address < base + size
        ]

    def undo(self, access: int) -> None:
        """Go back over one access."""
        kind, size = access & 3, access >> 2 & 0x3FF_FFFF
        if kind != _UNSURE:
            offset = access >> 28 & 0xFFFF_FFFF
            self._live[access >> 60][offset : offset + size] = _fill(size, kind == _READ)

    def fill(self) -> None:
        """Make everything live."""
        for live in self._live:
            live[:] = _fill(len(live), True)

    def stretches(self) -> tuple[tuple[int, int, int], ...]:
        """Return what is live: memory, offset and size of each stretch."""
        found = list(self._always)
        for number, live in enumerate(self._live):
            at = live.find(1)
            while at >= 0:
                end = live.find(0, at)
                end = len(live) if end < 0 else end
                found.append((number, at, end - at))
                at = live.find(1, end)
        return tuple(found)


@lru_cache(maxsize=64)
def _fill(size: int, live: bool) -> bytes:
    return (b"\1" if live else b"\0") * size
