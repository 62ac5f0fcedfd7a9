"""The boot program: its bytes and where they run, its functions, its lines of source, its instructions."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from pathlib import PurePosixPath
from typing import Any

from rootwright.describe.bench import Hook
from rootwright.describe.chip import Architecture
from rootwright.errors import BenchError
from rootwright.image.elf import read_elf
from rootwright.image.model import Image, Span


@dataclass(frozen=True, slots=True)
class Instruction:
    """One instruction: size in bytes, text, and what faults need to know of it.

    Attributes:
        reads, writes: Names of core registers.
        branch: Whether it may change the program counter; `condition` is its condition or "" (also "cbz", "cbnz").
        target: Where a direct branch leads, else None.
        loads: Register that a load fills first, or "".
        covers: For IT: how many instructions follow under it.
    """

    address: int
    size: int
    text: str
    reads: tuple[str, ...] = ()
    writes: tuple[str, ...] = ()
    branch: bool = False
    condition: str = ""
    target: int | None = None
    loads: str = ""
    covers: int = 0


@dataclass(frozen=True, slots=True)
class Place:
    """Where an instruction comes from: file, line (0: unknown) and function ("" where unknown)."""

    file: str
    line: int
    function: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else "no line known"
        return f"{where} ({self.function})" if self.function else where


class Firmware:
    """A linked boot program."""

    def __init__(self, data: bytes, name: str, architecture: Architecture) -> None:
        if data[:4] != b"\x7fELF":
            raise BenchError(
                "not an ELF file",
                where=name,
                next_step="name the linked ELF file of the boot stage: it has symbols and lines of source",
            )
        self.data, self.name, self.architecture = data, name, architecture
        self.image: Image = read_elf(data, name=name)
        self.is_arm = architecture is not Architecture.RV32
        if (self.image.machine == "arm") != self.is_arm:
            raise BenchError(
                f"a program for {self.image.machine}, the part is {architecture.value}",
                where=name,
                next_step="name the boot program that was linked for this part",
            )
        functions = [s for s in self.image.symbols if s.kind == "function"]
        self._starts = [s.address for s in functions]
        self._functions = functions
        self.code: tuple[Span, ...] = ()
        self.ram_code: tuple[tuple[Span, int], ...] = ()
        self._lines: list[tuple[int, str, int]] = []
        self._line_starts: list[int] = []
        self._inlined: set[str] = set()
        self._read_sections()

    def _read_sections(self) -> None:
        import io

        from elftools.common.exceptions import DWARFError, ELFError
        from elftools.elf.elffile import ELFFile

        try:
            elf = ELFFile(io.BytesIO(self.data))
            code, ram = [], []
            for section in elf.iter_sections():
                if not section["sh_flags"] & 4 or not section["sh_flags"] & 2 or not section["sh_size"]:
                    continue  # SHF_EXECINSTR, SHF_ALLOC
                here = Span(section["sh_addr"], section["sh_size"])
                source = self._load_address(elf, section)
                if source == here.address:
                    code.append(here)
                else:
                    ram.append((here, source))
            self.code, self.ram_code = tuple(code), tuple(ram)
            if elf.has_dwarf_info():
                self._read_lines(elf.get_dwarf_info())
        except (DWARFError, ELFError, KeyError, ValueError, AssertionError) as error:
            raise BenchError(
                f"its sections or debug data cannot be read ({error})",
                where=self.name,
                next_step="build it again with -g, or strip the debug data",
            ) from None

    @staticmethod
    def _load_address(elf: Any, section: Any) -> int:
        for segment in elf.iter_segments("PT_LOAD"):
            if segment["p_vaddr"] <= section["sh_addr"] < segment["p_vaddr"] + max(1, segment["p_memsz"]):
                return int(section["sh_addr"] - segment["p_vaddr"] + segment["p_paddr"])
        return int(section["sh_addr"])

    def _read_lines(self, dwarf: Any) -> None:
        rows: list[tuple[int, str, int]] = []
        for unit in dwarf.iter_CUs():
            program = dwarf.line_program_for_CU(unit)
            if program is not None:
                rows += _rows(program)
            for entry in unit.iter_DIEs():
                if entry.tag == "DW_TAG_inlined_subroutine":
                    origin = entry.get_DIE_from_attribute("DW_AT_abstract_origin")
                    name = origin.attributes.get("DW_AT_name")
                    if name is not None:
                        self._inlined.add(name.value.decode("utf-8", "replace"))
        rows.sort(key=lambda row: row[0])
        self._lines = rows
        self._line_starts = [row[0] for row in rows]

    def place(self, address: int) -> Place:
        """Return file, line and function of an address; code copied to RAM is looked up where it runs."""
        index = bisect_right(self._line_starts, address) - 1
        file, line = ("", 0) if index < 0 else self._lines[index][1:]
        if not self.is_code(address):
            file, line = "", 0
        return Place(file, line, self.function(address))

    def function(self, address: int) -> str:
        """Return the function that an address belongs to, or ""."""
        index = bisect_right(self._starts, address) - 1
        while index >= 0:
            symbol = self._functions[index]
            if symbol.address <= address < symbol.address + max(symbol.size, 2):
                return symbol.name
            if address - symbol.address > 0x10000:
                break
            index -= 1
        return ""

    def is_code(self, address: int) -> bool:
        """Return whether an address belongs to the program's code, where it runs."""
        return any(s.address <= address < s.end for s in self.code) or any(
            s.address <= address < s.end for s, _ in self.ram_code
        )

    def begins_block(self, address: int) -> bool:
        """Return whether no instruction of the program runs straight on into an address."""
        for size in (2, 4):
            if self.bytes_at(address - size, size):
                before = self.instruction(address - size)
                if before.size == size and not before.branch:
                    return False
        return True

    def bytes_at(self, address: int, size: int) -> bytes:
        """Return code bytes as the file holds them, for an address where the code runs; b"" outside."""
        for span, source in self.ram_code:
            if span.address <= address < span.end:
                address = address - span.address + source
                break
        if not self.image.holds(address, size):
            return b""
        return self.image.read(address, size)

    def instruction(self, address: int) -> Instruction:
        """Return the instruction at an address of the program's code."""
        return _decode(self, address)

    def find_hook(self, hook: Hook) -> int:
        """Return the address of a hooked function.

        Raises:
            BenchError: It is missing, was cloned or inlined; the message says how to reach it instead.
        """
        where = f"{self.name}, bench.hook {hook.label}"
        if hook.address is not None:
            address = hook.address & ~1 if self.is_arm else hook.address
            if not self.is_code(address):
                raise BenchError(
                    f"0x{address:08x} is not in the program's code",
                    where=where,
                    next_step="give the address where the function runs, as the linker's map file lists it",
                )
            return address
        if hook.table:
            return self._in_table(hook, where)
        return self._by_symbol(hook.symbol, where)

    def _by_symbol(self, name: str, where: str) -> int:
        instead = (
            "hook it by `address` (from the map file), declare the flash controller that it drives as "
            "[[bench.controller]], or give the function the attributes noinline and weak"
        )
        found = sorted({s.address for s in self._functions if s.name == name})
        clones = sorted(s.name for s in self._functions if s.name.startswith(f"{name}."))
        if len(found) > 1:
            places = ", ".join(f"0x{a:08x}" for a in found)
            raise BenchError(f"several functions have this name: {places}", where=where, next_step=instead)
        if clones:
            raise BenchError(
                f"the compiler cloned this function ({', '.join(clones)}); a hook on one copy would miss the others",
                where=where,
                next_step=instead,
            )
        if name in self._inlined:
            left = "and no copy is left" if not found else "in places; a hook on the copy that is left would miss them"
            raise BenchError(f"the compiler inlined this function {left}", where=where, next_step=instead)
        if not found:
            import difflib

            near = difflib.get_close_matches(name, [s.name for s in self._functions], n=1)
            meant = f'did you mean "{near[0]}"? else ' if near else ""
            raise BenchError("no function of this name in the symbol table", where=where, next_step=meant + instead)
        return found[0]

    def _in_table(self, hook: Hook, where: str) -> int:
        symbol = self.image.symbol(hook.table)
        if symbol is not None:
            base = symbol.address
        elif hook.table.lower().startswith("0x"):
            try:
                base = int(hook.table, 16)
            except ValueError:
                base = -1
        else:
            base = -1
        raw = b"" if base < 0 else self.bytes_at(base + 4 * hook.entry, 4)
        if len(raw) != 4:
            raise BenchError(
                "no call table there in the program's file",
                where=where,
                next_step="name the table's symbol, or its address as 0x..., and an entry inside it; a table that is "
                "filled at run time needs the functions' addresses instead",
            )
        address = int.from_bytes(raw, "little")
        address = address & ~1 if self.is_arm else address
        if not self.is_code(address):
            raise BenchError(
                f"entry {hook.entry} holds 0x{address:08x}, which is not in the program's code",
                where=where,
                next_step="check the entry's number; entries count from 0",
            )
        return address


def _rows(program: Any) -> list[tuple[int, str, int]]:
    """Return (address, file, line) of a line program; rows with line 0 take the last line before them."""
    header = program.header
    version = header["version"]
    files = header["file_entry"]
    folders = header["include_directory"]
    names: dict[int, str] = {}

    def name(index: int) -> str:
        if index not in names:
            at = index if version >= 5 else index - 1  # file indexes start at 0 in version 5, at 1 before
            if not 0 <= at < len(files):
                return "?"
            entry = files[at]
            file = entry.name.decode("utf-8", "replace")
            directory = entry.dir_index
            place = directory if version >= 5 else directory - 1
            if 0 <= place < len(folders) and not file.startswith("/"):
                file = str(PurePosixPath(folders[place].decode("utf-8", "replace")) / file)
            names[index] = file
        return names[index]

    rows: list[tuple[int, str, int]] = []
    last = ("", 0)
    for item in program.get_entries():
        state = item.state
        if state is None:
            continue
        if state.end_sequence:
            rows.append((state.address, "", 0))
            last = ("", 0)
            continue
        if state.line:
            last = (name(state.file), state.line)
        rows.append((state.address, *last))
    # At the same address a sequence's beginning wins over another's end.
    rows.sort(key=lambda row: (row[0], bool(row[1])))
    return rows


@lru_cache(maxsize=4)
def disassembler(is_arm: bool) -> Any:
    """Return the disassembler for M-profile or RV32 code, with details of operands."""
    import capstone

    if is_arm:
        made = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8)
    else:
        made = capstone.Cs(capstone.CS_ARCH_RISCV, capstone.CS_MODE_RISCV32 | capstone.CS_MODE_RISCVC)
    made.detail = True
    return made


_ALIASES = {"r9": "r9", "sb": "r9", "sl": "r10", "fp": "r11", "ip": "r12"}
_RV_NAMES = ["zero", "ra", "sp", "gp", "tp", *(f"t{i}" for i in range(3)), "s0", "s1", *(f"a{i}" for i in range(8))]
_RV_NAMES += [*(f"s{i}" for i in range(2, 12)), *(f"t{i}" for i in range(3, 7))]
RV_REGISTERS = {name: f"x{i}" for i, name in enumerate(_RV_NAMES)} | {"fp": "x8"}
"""Register names of the calling convention, and their numbers."""


def disassembled(firmware: Firmware, address: int) -> Any:
    """Return the disassembler's view of an instruction of the program's code, or None where there is none."""
    raw = firmware.bytes_at(address, 4) or firmware.bytes_at(address, 2)
    return next(disassembler(firmware.is_arm).disasm(raw, address, 1), None) if raw else None


def register_word(name: str, *, is_arm: bool) -> str:
    """Return our name of a core register that the disassembler calls by another; other words as they are."""
    return (_ALIASES if is_arm else RV_REGISTERS).get(name, name)


@lru_cache(maxsize=1 << 16)
def _decode(firmware: Firmware, address: int) -> Instruction:
    raw = firmware.bytes_at(address, 4) or firmware.bytes_at(address, 2)
    made = disassembled(firmware, address)
    if made is None:
        size = 2
        if raw and firmware.is_arm and (raw[1] >> 3) in (0x1D, 0x1E, 0x1F):
            size = 4
        if raw and not firmware.is_arm and raw[0] & 3 == 3:
            size = 4
        return Instruction(address, size, f".word 0x{int.from_bytes(raw[:size], 'little'):0{2 * size}x}")
    try:
        reads, writes = made.regs_access()
    except Exception:  # capstone raises its own class where an instruction has no access data
        reads, writes = [], []

    def words(items: Any) -> tuple[str, ...]:
        return tuple(dict.fromkeys(_ALIASES.get(n, n) for n in map(made.reg_name, items)))

    read_names, write_names = words(reads), words(writes)
    name = made.mnemonic.removesuffix(".w")
    text = f"{made.mnemonic} {made.op_str}".strip()
    groups = {made.group_name(g) for g in made.groups}
    if firmware.is_arm:
        return _arm(made, name, text, read_names, write_names, groups)
    return _riscv(made, name, text, *_riscv_access(made))


def _number(text: str) -> int | None:
    part = text.split(",")[-1].strip().lstrip("#")
    try:
        return int(part, 0)
    except ValueError:
        return None


_CONDITIONS = ("eq", "ne", "hs", "lo", "cs", "cc", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le")


def _arm(made: Any, name: str, text: str, reads: Any, writes: Any, groups: set[str]) -> Instruction:
    condition, target = "", None
    branch = "pc" in writes or name in ("b", "bl", "bx", "blx", "cbz", "cbnz", "tbb", "tbh")
    branch = branch or (name[0] == "b" and name[1:] in _CONDITIONS)
    if name in ("cbz", "cbnz"):
        condition = name
    elif name[0] == "b" and name[1:] in _CONDITIONS:
        condition = name[1:]
    if branch and name not in ("bx", "blx", "pop", "ldr", "mov", "tbb", "tbh"):
        target = _number(made.op_str)
    loads = ""
    if name.startswith("ldr") and writes:
        loads = next((w for w in writes if w.startswith("r") or w == "lr"), "")
    covers = 0
    if name.startswith("it") and set(name[1:]) <= {"t", "e"} and len(name) <= 5:
        covers = len(name) - 1
    return Instruction(made.address, made.size, text, reads, writes, branch, condition, target, loads, covers)


_RV_STORES = ("sw", "sh", "sb", "swsp")
_RV_BRANCHES = ("beq", "bne", "blt", "bge", "bltu", "bgeu", "beqz", "bnez", "bgtz", "blez", "bltz", "bgez")
_RV_ADDED_TO = ("add", "addi", "and", "andi", "or", "xor", "sub", "slli", "srli", "srai", "addi16sp")


def _riscv_access(made: Any) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the registers that an instruction reads and writes, by its operands: the disassembler says neither."""
    short = made.mnemonic.removeprefix("c.")
    named = [RV_REGISTERS[word] for word in re.findall(r"[a-z]\w*", made.op_str) if word in RV_REGISTERS]
    reads: list[str]
    writes: list[str]
    if short == "ret":
        reads, writes = ["x1"], []
    elif short in (*_RV_STORES, *_RV_BRANCHES, "jr", "csrw", "csrs", "csrc"):
        reads, writes = named, []
    elif short in ("jal", "jalr") and len(named) < (1 if short == "jal" else 2):
        reads, writes = named, ["x1"]
    elif made.mnemonic.startswith("c.") and short in _RV_ADDED_TO:
        reads, writes = named, named[:1]
    else:
        reads, writes = named[1:], named[:1]

    def real(names: list[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name for name in names if name != "x0"))

    return real(reads), real(writes)


def _riscv(made: Any, name: str, text: str, reads: Any, writes: Any) -> Instruction:
    short = name.removeprefix("c.")
    conditional = short in _RV_BRANCHES
    branch = conditional or short in ("j", "jal", "jr", "jalr", "ret", "mret")
    offset = _number(made.op_str) if conditional or short in ("j", "jal") else None
    target = None if offset is None else (made.address + offset) & 0xFFFF_FFFF
    loads = ""
    if short in ("lw", "lh", "lb", "lhu", "lbu", "lwsp"):
        loads = RV_REGISTERS.get(made.op_str.split(",")[0].strip(), "")
    return Instruction(
        made.address, made.size, text, reads, writes, branch, short if conditional else "", target, loads
    )
