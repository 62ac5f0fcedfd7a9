"""What one instruction reads and surely overwrites: registers, condition flags, memory; for telling live from dead.

Reads may be named too many, overwriting too little: either only keeps a value alive that is not needed. An instruction
that is not known here makes everything live. What is said here is checked on each program: `ahead.py` changes all
that is dead at every milestone and looks whether the program notices.

Sources: Armv7-M Architecture Reference Manual (DDI 0403), A7.7, and the RISC-V unprivileged specification, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from rootwright.bench.firmware import Firmware, disassembled, register_word

N, Z, C, V = 1 << 32, 1 << 33, 1 << 34, 1 << 35
FLAGS = N | Z | C | V
EVERYTHING = (1 << 36) - 1

_CONDITION = {
    **dict.fromkeys(("eq", "ne"), Z),
    **dict.fromkeys(("hs", "lo", "cs", "cc"), C),
    **dict.fromkeys(("mi", "pl"), N),
    **dict.fromkeys(("vs", "vc"), V),
    **dict.fromkeys(("hi", "ls"), C | Z),
    **dict.fromkeys(("ge", "lt"), N | V),
    **dict.fromkeys(("gt", "le"), N | Z | V),
}
_ALL_FLAGS = {"cmp", "cmn", "adds", "subs", "rsbs", "adcs", "sbcs", "negs"}
_TWO_FLAGS = {"tst", "teq", "movs", "mvns", "ands", "orrs", "orns", "eors", "bics", "muls"}
_TWO_FLAGS |= {"lsls", "lsrs", "asrs", "rors", "rrxs"}
_PLAIN = {"add", "addw", "adc", "sub", "subw", "sbc", "rsb", "and", "bic", "orr", "orn", "eor", "mov", "movw", "mvn"}
_PLAIN |= {"lsl", "lsr", "asr", "ror", "rrx", "clz", "rbit", "rev", "rev16", "revsh", "uxtb", "uxth", "sxtb", "sxth"}
_PLAIN |= {"ubfx", "sbfx", "mul", "umull", "smull", "udiv", "sdiv", "adr", "neg"}
_ADDED_TO = {"movt", "bfi", "bfc", "mla", "mls", "umlal", "smlal"}
_QUIET = {"nop", "dsb", "isb", "dmb", "wfi", "wfe", "sev", "yield", "cpsie", "cpsid", "msr"}
_WIDTHS = {"": 4, "b": 1, "sb": 1, "h": 2, "sh": 2, "d": 8}
_PLACE = re.compile(
    r"\[(?P<base>\w+)(?:, (?:#(?P<offset>-?\w+)|(?P<index>\w+)(?:, lsl #(?P<shift>\d+))?))?\](?:!|, #-?\w+)?$"
)
_RV_PLACE = re.compile(r"(?P<offset>-?\w+)\((?P<base>\w+)\)$")
_RV_LOADS = {"lw": 4, "lh": 2, "lhu": 2, "lb": 1, "lbu": 1, "lwsp": 4}
_RV_STORES = {"sw": 4, "sh": 2, "sb": 1, "swsp": 4}
_RV_BRANCHES = ("beq", "bne", "blt", "bge", "bltu", "bgeu", "beqz", "bnez", "bgtz", "blez", "bltz", "bgez")
_RV_SETS = {
    "add",
    "addi",
    "and",
    "andi",
    "or",
    "ori",
    "xor",
    "xori",
    "sll",
    "slli",
    "srl",
    "srli",
    "sra",
    "srai",
    "sub",
}
_RV_SETS |= {"slt", "slti", "sltu", "sltiu", "seqz", "snez", "sltz", "sgtz", "neg", "not", "mv", "li", "lui", "auipc"}
_RV_SETS |= {"mul", "mulh", "mulhu", "mulhsu", "div", "divu", "rem", "remu", "addi4spn", "addi16sp"}


@dataclass(frozen=True, slots=True)
class Access:
    """A load or a store: address is base plus index shifted plus offset; register names."""

    store: bool
    base: str
    index: str
    shift: int
    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class Effect:
    """What an instruction reads and surely overwrites.

    Attributes:
        reads, kills: Masks; bit n is core register n, flags have the bits N, Z, C and V.
        access: The memory access, if any; its stores overwrite where `sure` says so.
        known: False where everything must be kept.
        lost: Whether it uses state that the bench does not compare, such as floating-point registers.
    """

    reads: int = 0
    kills: int = 0
    access: Access | None = None
    sure: bool = True
    known: bool = True
    lost: bool = False


UNKNOWN = Effect(EVERYTHING, known=False)


def bit(name: str) -> int:
    """Return a core register's bit in a mask; 0 for what is compared in any case."""
    if name in ("lr", "r14"):
        return 1 << 14
    if name == "sp":
        return 1 << 13
    if name[:1] in "rx" and name[1:].isdigit():
        return 1 << int(name[1:])
    return 0


def bits(names: Any) -> int:
    """Return the mask of some registers."""
    mask = 0
    for name in names:
        mask |= bit(name)
    return mask


@lru_cache(maxsize=1 << 16)
def effect_of(firmware: Firmware, address: int, in_block: bool) -> Effect:
    """Return what the instruction at an address of the program's code reads and overwrites.

    Args:
        in_block: It stands in a conditional block, so it may not run at all.
    """
    made = disassembled(firmware, address)
    if made is None:
        return UNKNOWN
    effect = _arm(firmware, made, address) if firmware.is_arm else _riscv(made)
    if not in_block or not effect.known:
        return effect
    return Effect(effect.reads | FLAGS, 0, effect.access, sure=False, lost=effect.lost)


def _word(name: str) -> str:
    return register_word(name, is_arm=True)


def _arm(firmware: Firmware, made: Any, address: int) -> Effect:
    name = made.mnemonic.removesuffix(".w")
    if name.startswith(("v", "f")) or "exclusive" in name or name.startswith(("ldrex", "strex", "stlex", "ldaex")):
        return Effect(EVERYTHING, known=False, lost=True)
    instruction = firmware.instruction(address)
    reads, writes = bits(instruction.reads), bits(instruction.writes)
    if name in _ALL_FLAGS:
        carry = C if name in ("adcs", "sbcs") else 0
        return Effect(reads | carry, writes | FLAGS)
    if name in _TWO_FLAGS:
        return Effect(reads | (C if name == "rrxs" else 0), writes | N | Z)
    if name in _PLAIN:
        return Effect(reads | (C if name in ("adc", "sbc", "rrx") else 0), writes)
    if name in _ADDED_TO:
        return Effect(reads | writes, 0)
    if name in ("b", "cbz", "cbnz", "bx", "bl", "blx"):
        return Effect(reads, writes & bit("lr"))
    if name[0] == "b" and name[1:] in _CONDITION:
        return Effect(reads | _CONDITION[name[1:]])
    if instruction.covers:
        return Effect(reads | FLAGS)
    if name == "mrs":
        return Effect(reads | FLAGS, writes)
    if name in _QUIET:
        return Effect(reads)
    if name.startswith(("ldr", "str", "ldm", "stm")) or name in ("push", "pop", "tbb", "tbh"):
        return _arm_access(name, made.op_str, reads, writes)
    return UNKNOWN


def _arm_access(name: str, text: str, reads: int, writes: int) -> Effect:
    if name in ("push", "pop", "ldm", "ldmia", "ldmdb", "stm", "stmia", "stmdb"):
        count = text[text.index("{") :].count(",") + 1
        base = "sp" if name in ("push", "pop") else _word(text.partition(",")[0].strip().rstrip("!"))
        down = name in ("push", "stmdb", "ldmdb")
        store = name in ("push", "stm", "stmia", "stmdb")
        access = Access(store, base, "", 0, -4 * count if down else 0, 4 * count)
        return Effect(reads, writes, access)
    if name in ("tbb", "tbh"):
        return Effect(reads, 0) if "[pc" in text else UNKNOWN
    width = _WIDTHS.get(name[3:])
    found = _PLACE.search(text)
    if width is None or found is None:
        return UNKNOWN
    if found["base"] == "pc":
        return Effect(reads, writes)  # A literal beside the code is the program's own and never changes.
    index = _word(found["index"]) if found["index"] else ""
    offset = int(found["offset"], 0) if found["offset"] else 0
    place = Access(name.startswith("str"), _word(found["base"]), index, int(found["shift"] or 0), offset, width)
    return Effect(reads, writes, place)


def _rv(name: str) -> str:
    return register_word(name, is_arm=False)


def _riscv(made: Any) -> Effect:
    name = made.mnemonic.removeprefix("c.")
    operands = [part.strip() for part in made.op_str.split(",")] if made.op_str else []
    named = [bit(_rv(part)) for part in operands]
    if name in _RV_LOADS or name in _RV_STORES:
        found = _RV_PLACE.search(made.op_str)
        if found is None:
            return UNKNOWN
        store = name in _RV_STORES
        base = _rv(found["base"])
        width = (_RV_STORES if store else _RV_LOADS)[name]
        access = Access(store, base, "", 0, int(found["offset"], 0), width)
        return Effect(bit(base) | (named[0] if store else 0), 0 if store else named[0], access)
    if name.startswith("f") and not name.startswith("fence"):
        return Effect(EVERYTHING, known=False, lost=True)
    everything = 0
    for part in named:
        everything |= part
    if name in _RV_BRANCHES or name in ("j", "jr", "nop", "ret", "fence", "fence.i"):
        return Effect(everything | bit("x1"))
    if name in ("jal", "jalr"):
        back = 0 if operands and operands[0] == "zero" else bit("x1") if len(operands) < 2 else named[0]
        rest = 0
        for part in named[1:] if len(operands) > 1 else named:
            rest |= part
        found = _RV_PLACE.search(made.op_str)
        rest |= bit(_rv(found["base"])) if found else 0
        return Effect(rest, back)
    if name in ("csrr", "csrw", "csrs", "csrc", "csrwi", "csrsi", "csrci"):
        return Effect(everything if name != "csrr" else 0, named[0] if name == "csrr" else 0)
    if name in _RV_SETS and named:
        sources = 0
        for part in named[1:]:
            sources |= part
        # Short forms with fewer operands than sources take the first one too.
        full = {"li", "lui", "auipc", "mv", "neg", "not", "seqz", "snez", "sltz", "sgtz", "addi4spn"}
        if name not in full and len(operands) < 3:
            sources |= named[0]
        return Effect(sources, named[0])
    return UNKNOWN
