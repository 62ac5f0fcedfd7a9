"""Numbers and struct shapes of ELF32 that the reader uses.

Source: System V Application Binary Interface, "Object Files" and "Program Loading" chapters (ELF header, section
header, symbol table, program header); machine numbers from the registered e_machine list.
"""

from __future__ import annotations

from struct import Struct

MAGIC = b"\x7fELF"
ELFCLASS32, ELFCLASS64 = 1, 2
ELFDATA2LSB, ELFDATA2MSB = 1, 2
ET_REL, ET_EXEC, ET_DYN = 1, 2, 3
EM_ARM, EM_RISCV = 40, 243
MACHINES = {EM_ARM: "arm", EM_RISCV: "riscv"}

PT_LOAD = 1
PN_XNUM = 0xFFFF
SHT_SYMTAB, SHT_STRTAB, SHT_NOBITS = 2, 3, 8
SHF_ALLOC = 2
SHN_UNDEF = 0
STT_NOTYPE, STT_OBJECT, STT_FUNC = 0, 1, 2

HEADER = "HHIIIIIHHHHHH"
"""e_type .. e_shstrndx, after the 16 identification bytes; the byte order stands in front."""

HEADER_SIZE = 52
PROGRAM_HEADER = Struct("<IIIIIIII")
SECTION_HEADER = Struct("<IIIIIIIIII")
SYMBOL_ENTRY = Struct("<IIIBBH")

MAPPING_SYMBOLS = ("$a", "$t", "$d", "$x")
"""Marks between code and data, not names (ELF for the Arm Architecture, "Mapping symbols"; RISC-V ELF psABI)."""
