"""Which addresses an instruction accesses, by its operands: the emulator does not say which one it refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rootwright.bench.firmware import disassembler

Value = Callable[[str], int]
"""A register's value by its name in the disassembler's spelling."""

_ARM_NAMES = {"sb": "r9", "sl": "r10", "fp": "r11", "ip": "r12"}
_SIZES = {"b": 1, "h": 2, "d": 8}


def accessed(code: bytes, pc: int, value: Value, *, is_arm: bool) -> tuple[int, int] | None:
    """Return first address and size in bytes of a load or store; None where the operands do not tell.

    Args:
        code: The instruction's bytes.
        value: The registers as they were before it.
    """
    made = next(disassembler(is_arm).disasm(code, pc, 1), None)
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
    if not made.post_index:
        index = of(operand.mem.index) if operand.mem.index else 0
        shift = operand.shift.value if operand.shift.type else operand.mem.lshift
        address += (index << shift) * (operand.mem.scale or 1) + operand.mem.disp
    rest = name[3:].removeprefix("ex").removeprefix("s")
    return address & 0xFFFF_FFFF, _SIZES.get(rest[:1], 4)


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
