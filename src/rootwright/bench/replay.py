"""One fault's run again, step by step around the fault."""

from __future__ import annotations

from rootwright.bench.board import Board
from rootwright.bench.campaign import Mode, Walker, golden_for
from rootwright.bench.faults import Fault, Model
from rootwright.bench.subject import Subject
from rootwright.errors import BenchError


def parse_id(subject: Subject, text: str) -> tuple[str, Fault]:
    """Return the start's name and the fault of a hit's id.

    Raises:
        BenchError: It is none of this product's.
    """
    parts = text.split(":")
    try:
        where, index, model, how = parts
        run, temperature = where.split("/")
        fault = Fault(int(index), Model(model), how.replace("-", " ") if model != "branch" else "other way")
    except ValueError:
        raise BenchError(
            f"{text!r} is not the id of a hit",
            where="--replay",
            next_step='give an id as the report prints it, such as "tampered/cold:1234:skip:1"',
        ) from None
    return f"{run}, {temperature} boot", fault


def replay(subject: Subject, text: str, mode: Mode, *, before: int = 8, after: int = 24) -> list[str]:
    """Return the lines that show a hit's run around its fault, and what came of it."""
    name, fault = parse_id(subject, text)
    start = next((s for s in subject.starts() if s.name == name), None)
    if start is None:
        names = ", ".join(s.name for s in subject.starts())
        raise BenchError(f"no start {name!r}", where="--replay", next_step=f"one of: {names}")
    golden = golden_for(subject, start, mode)
    if not 0 <= fault.index < len(golden.pcs):
        raise BenchError(
            f"the golden run has {len(golden.pcs)} instructions, the id says {fault.index}",
            where="--replay",
            next_step="was the id made in another mode (--mode), or by another build?",
        )
    firmware = subject.firmware
    lines = [f"{name}: {fault.words}, at instruction {fault.index:,}", ""]
    lines += [_line(subject, golden.pcs[i], i, " ") for i in range(max(0, fault.index - before), fault.index)]
    pc = golden.pcs[fault.index]
    lines.append(_line(subject, pc, fault.index, ">") + f"   <- {fault.words}")
    walker = Walker(subject, golden, hooked=mode is Mode.HOOKED)
    walker.walk_to(fault.index)
    board = walker.board
    end = walker.injector.inject(fault, pc)
    step = 0
    while end is None and step < after:
        here = board.emulator.pc
        if not firmware.is_code(here):
            break
        registers = _registers(subject, board, here)
        lines.append(_line(subject, here, fault.index + 1 + step, " ") + (f"   {registers}" if registers else ""))
        end = board.step(1)
        step += 1
    if end is None:
        lines.append("  ... and so on")
        end = board.run(walker.limit)
    outcome = walker.outcome(end)
    return [*lines, "", f"{outcome.verdict.value}: {outcome.why}"]


def _line(subject: Subject, pc: int, index: int, mark: str) -> str:
    instruction = subject.firmware.instruction(pc)
    place = subject.firmware.place(pc)
    return f"{mark} {index:>10,}  0x{pc:08x}  {instruction.text:<34} {place}"


def _registers(subject: Subject, board: Board, pc: int) -> str:
    emulator = board.emulator
    names = [n for n in subject.firmware.instruction(pc).reads if n in emulator.registers and n != "pc"]
    return " ".join(f"{name}={emulator.get(name):x}" for name in names)
