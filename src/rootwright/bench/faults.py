"""Fault models: what a glitch may do to one instruction of a run, and how that is done to the emulated core."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from rootwright.bench.board import Board
from rootwright.bench.emulator import Buffer
from rootwright.bench.ends import End
from rootwright.bench.firmware import Firmware, Instruction


class Model(StrEnum):
    """The fault models; `docs/bench.md` says what each stands for."""

    SKIP = "skip"
    REPLAY = "replay"
    BRANCH = "branch"
    WORD = "word"
    LINE = "line"
    LOAD = "load"
    REGISTER = "register"
    TWO = "two"


CHEAP = (Model.SKIP, Model.REPLAY, Model.BRANCH)
"""Models with a handful of faults at an instruction; the others have one for each bit."""

LINES = (4, 8, 16)
SKIPS = (1, 2, 4)
REPLAYS = (1, 2, 4)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault at one executed instruction.

    Attributes:
        index: Which executed instruction of the golden run, counted from 0.
        how: What is done, in the model's terms: "1" (skip 1), "zeros", "bit 5", "r0 bit 3", "8 previous".
    """

    index: int
    model: Model
    how: str

    @property
    def words(self) -> str:
        """The fault in words."""
        match self.model:
            case Model.SKIP:
                return "skipped" if self.how == "1" else f"skipped with the {int(self.how) - 1} behind it"
            case Model.REPLAY:
                return f"the last {self.how} ran again before it" if self.how != "1" else "the last one ran again"
            case Model.BRANCH:
                return "branch went the other way"
            case Model.WORD:
                return f"fetched word: {self.how}"
            case Model.LINE:
                size, _, rest = self.how.partition(" ")
                return f"fetched line of {int(size) * 8} bits: {rest}"
            case Model.LOAD:
                return f"loaded word: {self.how} flipped"
            case Model.REGISTER:
                return f"{self.how} flipped"
            case Model.TWO:
                return f"skipped, and again one {self.how} instructions later"


class Injector:
    """Does faults to a board that stands before the faulted instruction."""

    def __init__(self, board: Board, firmware: Firmware, pcs: Sequence[int]) -> None:
        self.board, self.firmware, self.pcs = board, firmware, pcs
        self.emulator = board.emulator
        self._blocks: dict[int, int] = {}

    def block_start(self, pc: int) -> int | None:
        """Return the IT instruction that an instruction stands under, or None."""
        if not self.board.is_arm:
            return None
        if pc not in self._blocks:
            self._blocks[pc] = self._find_block(pc)
        found = self._blocks[pc]
        return found if found >= 0 else None

    def _find_block(self, pc: int) -> int:
        for back in range(2, 18, 2):
            at = pc - back
            instruction = self.firmware.instruction(at) if self.firmware.is_code(at) else None
            if instruction is None or not instruction.covers:
                continue
            here = at + instruction.size
            for _ in range(instruction.covers):
                if here == pc:
                    return at
                here += self.firmware.instruction(here).size
        return -1

    def faults_at(self, index: int, models: tuple[Model, ...]) -> Iterator[Fault]:
        """Yield the faults of some models at an executed instruction."""
        pc = self.pcs[index]
        instruction = self.firmware.instruction(pc)
        inside = self.block_start(pc) is not None
        for model in models:
            if inside and model is not Model.SKIP:
                continue
            for how in self._ways(model, instruction, index):
                yield Fault(index, model, how)
                if inside:
                    break

    def _ways(self, model: Model, instruction: Instruction, index: int) -> Iterator[str]:
        bits = 8 * instruction.size
        if model is Model.SKIP:
            yield from map(str, SKIPS)
        elif model is Model.REPLAY:
            yield from (str(n) for n in REPLAYS if n <= index and self._can_go_back(index, n))
        elif model is Model.BRANCH:
            if instruction.condition:
                yield "other way"
        elif model is Model.WORD:
            yield from ("previous", "zeros", "ones", *(f"bit {bit}" for bit in range(bits)))
        elif model is Model.LINE:
            yield from (f"{size} {how}" for size in LINES for how in ("previous", "zeros", "ones"))
        elif model is Model.LOAD:
            if instruction.loads:
                yield from (f"bit {bit}" for bit in range(32))
        elif model is Model.REGISTER:
            names = [n for n in dict.fromkeys((*instruction.reads,)) if n in self.emulator.registers and n != "pc"]
            yield from (f"{name} bit {bit}" for name in names for bit in range(32))
            if "cpsr" in instruction.reads or instruction.condition:
                yield from (f"xpsr bit {bit}" for bit in range(28, 32) if self.board.is_arm)

    def _can_go_back(self, index: int, n: int) -> bool:
        """Return whether the last `n` instructions lie in a straight line outside conditional blocks."""
        pcs = self.pcs
        for at in range(index - n, index):
            pc, after = pcs[at], pcs[at + 1]
            if pc + self.firmware.instruction(pc).size != after or self.block_start(pc) is not None:
                return False
        return True

    # Doing it

    def inject(self, fault: Fault, pc: int) -> End | None:
        """Do a fault; the board stands at `pc`, or at the IT instruction before it. An End where that ended the run."""
        match fault.model:
            case Model.SKIP:
                return self._skip(int(fault.how), pc)
            case Model.REPLAY:
                self.emulator.set("pc", self.pcs[fault.index - int(fault.how)])
                return None
            case Model.BRANCH:
                return self._other_way(pc)
            case Model.WORD:
                size = self.firmware.instruction(pc).size
                return self._with_bytes(pc, self._replacement(pc, fault.how, size, fault.index), 1)
            case Model.LINE:
                width, _, how = fault.how.partition(" ")
                return self._line(pc, int(width), how)
            case Model.LOAD:
                name = self.firmware.instruction(pc).loads
                end = self.board.step(1)
                if end is None:
                    self._flip(name, int(fault.how.split()[-1]))
                return end
            case Model.REGISTER:
                name, _, bit = fault.how.split()
                self._flip(name, int(bit))
                return None
            case Model.TWO:
                end = self._skip(1, pc)
                end = end or self.board.step(int(fault.how))
                if end is None:
                    here = self.emulator.pc
                    if self.firmware.is_code(here) and self.block_start(here) is None:
                        self.emulator.set("pc", here + self.firmware.instruction(here).size)
                return end
        raise AssertionError(fault.model)

    def _flip(self, name: str, bit: int) -> None:
        self.emulator.set(name, self.emulator.get(name) ^ (1 << bit))

    def _skip(self, count: int, pc: int) -> End | None:
        start = self.block_start(pc)
        if start is not None:
            return self._skip_in_block(start, pc)
        after = pc
        for _ in range(count):
            after += self.firmware.instruction(after).size
        self.emulator.set("pc", after)
        return None

    def _skip_in_block(self, start: int, pc: int) -> End | None:
        """The core cannot stop inside a conditional block: its instruction becomes a no-op of the same size."""
        size = self.firmware.instruction(pc).size
        nothing = b"\x00\xbf" if size == 2 else b"\xaf\xf3\x00\x80"
        count = 1 + self.firmware.instruction(start).covers
        return self._with_bytes(pc, nothing, count)

    def _other_way(self, pc: int) -> End | None:
        instruction = self.firmware.instruction(pc)
        through = pc + instruction.size
        end = self.board.step(1)
        if end is None and instruction.target is not None:
            self.emulator.set("pc", through if self.emulator.pc != through else instruction.target)
        return end

    def _replacement(self, pc: int, how: str, size: int, index: int) -> bytes:
        stored = self.firmware.bytes_at(pc, size)
        if how == "zeros":
            return bytes(size)
        if how == "ones":
            return b"\xff" * size
        if how == "previous":
            before = self.pcs[index - 1] if index else pc
            old = self.firmware.bytes_at(before, self.firmware.instruction(before).size) or stored
            return (old * size)[:size]
        bit = int(how.split()[-1])
        return (int.from_bytes(stored, "little") ^ (1 << bit)).to_bytes(size, "little")

    def _line(self, pc: int, size: int, how: str) -> End | None:
        first = pc & -size
        stored = self._stored(first, size)
        data = bytes(size) if how == "zeros" else b"\xff" * size if how == "ones" else self._stored(first - size, size)
        if data == stored:
            return None
        return self._with_bytes(first, data, 1, until=(first, first + size))

    def _stored(self, address: int, size: int) -> bytes:
        data = self.board.read_bytes(address, size)
        return data if data is not None else b"\xff" * size

    def _with_bytes(self, address: int, data: bytes, count: int, until: tuple[int, int] | None = None) -> End | None:
        """Run with other bytes in place of stored code, then put the stored ones back; the memory itself is intact."""
        buffer, offset = self._place(address)
        if buffer is None:
            return None
        e = self.emulator
        stored = buffer.read(offset, len(data))
        self.board.patched = True
        buffer.write(offset, data)
        e.forget(address, address + len(data))
        end = None
        # Leaving a faulted line takes at most as many instructions as fit into it, unless they loop there.
        for _ in range(count if until is None else 8):
            end = self.board.step(1 if until is not None or count == 1 else count)
            if end is not None or until is None or not until[0] <= e.pc < until[1]:
                break
        buffer.write(offset, stored)
        self.board.patched = False
        e.forget(address, address + len(data))
        return end

    def _place(self, address: int) -> tuple[Buffer | None, int]:
        return self.board.stored_at(address) or (None, 0)
