"""Which addresses an instruction accesses, by its operands: the emulator does not say which one it refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from rootwright.bench.firmware import disassembler

Value = Callable[[str], int]
"""A register's value by its name in the disassembler's spelling."""

_ARM_NAMES = {"sb": "r9", "sl": "r10", "fp": "r11", "ip": "r12"}
_SIZES = {"b": 1, "h": 2, "d": 8}


@lru_cache(maxsize=4096)  # a campaign faults at the same instructions again and again
def _decoded(code: bytes, pc: int, is_arm: bool) -> Any:
    return next(disassembler(is_arm).disasm(code, pc, 1), None)


def accessed(code: bytes, pc: int, value: Value, *, is_arm: bool) -> tuple[int, int] | None:
    """Return first address and size in bytes of a load or store; None where the operands do not tell.

    Args:
        code: The instruction's bytes.
        value: The registers as they were before it.
    """
    made = _decoded(code, pc, is_arm)
    if made is None:
        return None
    return _arm(made, pc, value) if is_arm else _riscv(made, value)


def _arm(made: Any, pc: int, value: Value) -> tuple[int, int] | None:
    from capstone import arm

    def of(number: int) -> int:
        name = made.reg_name(number)
        return (pc + 4) & ~3 if name == "pc" else value(_ARM_NAMES.get(name, name))

    name = made.mnemonic.removesuffix(".w")
    if name in ("push", "pop"):
        size = 4 * len(made.operands)
        return (value("sp") - size if name == "push" else value("sp")) & 0xFFFF_FFFF, size
    if name.startswith(("ldm", "stm")):
        size = 4 * (len(made.operands) - 1)
        base = of(made.operands[0].reg)
        return (base - size if name[3:].startswith(("db", "ea")) else base) & 0xFFFF_FFFF, size
    operand = next((each for each in made.operands if each.type == arm.ARM_OP_MEM), None)
    if operand is None:
        return None
    address = of(operand.mem.base) if operand.mem.base else 0
    if not made.post_index:  # else the displacement comes afterwards
        index = of(operand.mem.index) if operand.mem.index else 0
        shift = operand.shift.value if operand.shift.type else operand.mem.lshift
        address += (index << shift) * (operand.mem.scale or 1) + operand.mem.disp
    rest = name[3:].removeprefix("ex").removeprefix("s")
    return address & 0xFFFF_FFFF, _SIZES.get(rest[:1], 4)


@dataclass(frozen=True, slots=True)
class Store:
    """What a store does: address, width and register of each access, and the base register with its later value."""

    words: tuple[tuple[int, int, str], ...]
    base: str = ""
    after: int = 0


def stored(code: bytes, pc: int, value: Value) -> Store | None:
    """Return what an M-profile store does; None for anything else."""
    made = _decoded(code, pc, True)
    if made is None or not made.mnemonic.startswith(("st", "push")):
        return None
    found = _arm(made, pc, value)
    if found is None:
        return None

    def name(number: int) -> str:
        spelt = made.reg_name(number)
        return _ARM_NAMES.get(spelt, str(spelt))

    address, size = found
    if made.mnemonic.startswith(("push", "stm")):
        skip = 0 if made.mnemonic.startswith("push") else 1
        listed = [name(each.reg) for each in made.operands[skip:]]
        words = tuple((address + 4 * at, 4, each) for at, each in enumerate(listed))
        base = name(made.operands[0].reg) if skip else "sp"
        down = not skip or made.mnemonic.removesuffix(".w")[3:].startswith(("db", "ea"))
        after = address if down else address + size
        return Store(words, base if made.writeback or not skip else "", after & 0xFFFF_FFFF)
    first = 1 if made.mnemonic.startswith("strex") else 0
    if size == 8:
        words = tuple((address + 4 * at, 4, name(made.operands[first + at].reg)) for at in range(2))
    else:
        words = ((address, size, name(made.operands[first].reg)),)
    if not made.writeback:
        return Store(words)
    memory = next(each for each in made.operands if each.type == _memory_kind())
    step = memory.mem.disp
    if made.post_index and not step and made.operands[-1].type != _memory_kind():
        step = -made.operands[-1].imm if made.operands[-1].subtracted else made.operands[-1].imm
    after = address + step if made.post_index else address
    return Store(words, name(memory.mem.base), after & 0xFFFF_FFFF)


def _memory_kind() -> int:
    from capstone import arm

    return int(arm.ARM_OP_MEM)


def _riscv(made: Any, value: Value) -> tuple[int, int] | None:
    from capstone import riscv

    operand = next((each for each in made.operands if each.type == riscv.RISCV_OP_MEM), None)
    name = made.mnemonic.removeprefix("c.")
    if operand is None:
        if not name.startswith(("lr.", "sc.", "amo")):
            return None
        return value(made.reg_name(made.operands[-1].reg)) & 0xFFFF_FFFF, 4
    address = value(made.reg_name(operand.mem.base)) + operand.mem.disp
    return address & 0xFFFF_FFFF, {"b": 1, "h": 2}.get(name[1:2], 4)
