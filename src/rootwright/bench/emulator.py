"""The one module that speaks to the CPU emulator: mapped buffers, registers, runs that stop and say why.

What is known of the emulator and worked round here, all seen in practice: the core model is passed to the constructor
and the profile's mode is not, since that mode forces one model whatever model is passed. Bit 0 of what is written to
the program counter is the Thumb bit. Hooks are compiled into cached blocks, so all are installed before the first run.
No hook on memory accesses is used: inside a conditional block it would corrupt the block's state; mapped input and
output and hooks on single addresses are safe. Below machine mode control registers read as zeros and stay as they are.
"""

from __future__ import annotations

import ctypes
import importlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

from rootwright.describe.chip import Architecture
from rootwright.errors import BenchError

NEVER = 0xFFFF_FFFE
"""An address at which no run ends by itself."""

PAGE = 4096

CONTROL_REGISTERS = ("mtvec", "mepc", "mcause", "mtval", "mstatus", "mie", "mip", "mscratch")
"""Registers of RV32 that code below machine mode does not see."""

ReadRegister = Callable[[int, int], int]
WriteRegister = Callable[[int, int, int], None]


class Stop(NamedTuple):
    """Why the emulator stopped.

    Attributes:
        kind: "count" (all asked instructions ran, or the core sleeps), "asked", "fetch", "write", "read", "illegal",
            "exception".
        pc: Where; without the Thumb bit.
        number: The emulator's exception number, for "exception".
    """

    kind: str
    pc: int
    number: int = 0


INSTALL = 'pip install "rootwright[bench]"'


def find_missing() -> str | None:
    """Return a Python package that the bench needs and that is not installed, or None."""
    import importlib.util

    modules = ("unicorn", "capstone", "elftools")
    return next((module for module in modules if importlib.util.find_spec(module) is None), None)


def require_emulator() -> None:
    """Raise BenchError where the emulator or the disassembler is not installed."""
    missing = find_missing()
    if missing is not None:
        raise BenchError(
            f"the bench needs the Python package {missing}, which is not installed",
            next_step=f"install the extra: {INSTALL}",
        )


class Buffer:
    """Page-aligned bytes that the emulator maps and Python reads and writes without a call."""

    def __init__(self, size: int, fill: int = 0) -> None:
        self.size = size
        rounded = -(-size // PAGE) * PAGE
        self._raw = ctypes.create_string_buffer(rounded + PAGE)
        self.address = (ctypes.addressof(self._raw) + PAGE - 1) & ~(PAGE - 1)
        self.rounded = rounded
        self.view = (ctypes.c_char * rounded).from_address(self.address)
        self._bytes = memoryview(self.view).cast("B")
        ctypes.memset(self.address, fill, rounded)

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes."""
        return self._bytes[offset : offset + size].tobytes()

    def write(self, offset: int, data: bytes) -> None:
        """Write bytes."""
        if offset < 0 or offset + len(data) > self.rounded:
            raise IndexError(offset)
        self._bytes[offset : offset + len(data)] = data


class Emulator:
    """One core with mapped memories. Build, map, hook, then run."""

    def __init__(self, architecture: Architecture) -> None:
        require_emulator()
        unicorn: Any = importlib.import_module("unicorn")
        from unicorn import arm_const, riscv_const

        self._u: Any = unicorn
        self.is_arm = architecture is not Architecture.RV32
        if self.is_arm:
            model = {
                Architecture.ARMV6_M: arm_const.UC_CPU_ARM_CORTEX_M0,
                Architecture.ARMV7_M: arm_const.UC_CPU_ARM_CORTEX_M4,
                Architecture.ARMV8_M: arm_const.UC_CPU_ARM_CORTEX_M33,
            }[architecture]
            self.uc: Any = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB, model)
            self.registers = {f"r{i}": arm_const.UC_ARM_REG_R0 + i for i in range(13)}
            self.registers |= {
                "sp": arm_const.UC_ARM_REG_SP,
                "lr": arm_const.UC_ARM_REG_LR,
                "pc": arm_const.UC_ARM_REG_PC,
                "xpsr": arm_const.UC_ARM_REG_XPSR,
                "msp": arm_const.UC_ARM_REG_MSP,
                "psp": arm_const.UC_ARM_REG_PSP,
                "control": arm_const.UC_ARM_REG_CONTROL,
                "primask": arm_const.UC_ARM_REG_PRIMASK,
                "faultmask": arm_const.UC_ARM_REG_FAULTMASK,
                "basepri": arm_const.UC_ARM_REG_BASEPRI,
            }
        else:
            self.uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            self.registers = {f"x{i}": riscv_const.UC_RISCV_REG_X0 + i for i in range(1, 32)}
            self.registers |= {"ra": self.registers["x1"], "sp": self.registers["x2"]}
            self.registers |= {f"a{i}": self.registers[f"x{10 + i}"] for i in range(8)}
            for name in ("pc", "priv", *CONTROL_REGISTERS):
                self.registers[name] = getattr(riscv_const, f"UC_RISCV_REG_{name.upper()}")
        self._pc = self.registers["pc"]
        self._xpsr = self.registers.get("xpsr", 0)
        words = [f"r{i}" for i in range(4)] + ["lr"] if self.is_arm else [f"a{i}" for i in range(8)] + ["ra"]
        self._entry = [self.registers[word] for word in words]
        self._entry_state = [*self._entry, self._xpsr] if self.is_arm else self._entry
        self._all = sorted(set(self.registers.values()))
        self._pc_place = self._all.index(self._pc)
        self._mode_place = self._all.index(self.registers["control" if self.is_arm else "priv"])
        self._state_place = self._all.index(self._xpsr) if self.is_arm else self._mode_place
        hidden = ("msp", "psp", "primask", "faultmask", "basepri") if self.is_arm else CONTROL_REGISTERS
        self._hidden = [self.registers[name] for name in hidden]
        self._thumb = 1 if self.is_arm else 0
        self._library: Any = getattr(importlib.import_module("unicorn.unicorn_py3.unicorn"), "uclib", None)
        self._handle: Any = getattr(self.uc, "_uch", None)
        self._read, self._write = self._quick_access()
        self._read_entry, self._read_all = self._batch(self._entry_state), self._batch(self._all)
        self._start: Callable[[int, int, int, int], None] = self.uc.emu_start
        self.entered_in_thumb = True
        self._calls: list[Any] = []
        self._asked = False
        self._number = 0
        self._buffers: list[Buffer] = []
        self._context: Any = None
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_exception)

    def _quick_access(self) -> tuple[Callable[[int], int], Callable[[int, int], None]]:
        """Return the quickest ways to read and write a register: the library's functions where they can be had.

        Their Python wrapper looks up the register's class for every call, which costs more than a hooked function does.
        """
        library, handle = self._library, self._handle
        if library is None or handle is None:
            return self.uc.reg_read, self.uc.reg_write
        value = ctypes.c_uint32()
        place = ctypes.byref(value)
        call, put = library.uc_reg_read, library.uc_reg_write
        given = ctypes.c_uint32()
        from_there = ctypes.byref(given)

        def quick(number: int) -> int:
            call(handle, number, place)
            return value.value

        def write(number: int, word: int) -> None:
            given.value = word & 0xFFFF_FFFF
            put(handle, number, from_there)

        return quick, write

    def _batch(self, numbers: list[int]) -> Callable[[], list[int]]:
        """Return the quickest way to read some registers at once."""
        library, handle = self._library, self._handle
        if library is None or handle is None:
            return lambda: [self._read(number) for number in numbers]
        count = len(numbers)
        values = (ctypes.c_uint32 * count)()
        at = ctypes.addressof(values)
        places = (ctypes.c_void_p * count)(*(at + 4 * i for i in range(count)))
        named = (ctypes.c_int * count)(*numbers)
        call = library.uc_reg_read_batch

        def read() -> list[int]:
            call(handle, named, places, count)
            return values[:]

        return read

    def _on_exception(self, uc: Any, number: int, _: object) -> None:
        self._number = number
        uc.emu_stop()

    def map_buffer(
        self, address: int, buffer: Buffer, offset: int, size: int, *, write: bool, execute: bool, read: bool = True
    ) -> None:
        """Map a part of a buffer: whole pages."""
        self._buffers.append(buffer)
        self.uc.mem_map_ptr(address, size, self._rights(read, write, execute), buffer.address + offset)

    def _rights(self, read: bool, write: bool, execute: bool) -> int:
        rights = self._u.UC_PROT_READ if read else 0
        rights |= self._u.UC_PROT_WRITE if write else 0
        return int(rights | (self._u.UC_PROT_EXEC if execute else 0))

    def protect(self, address: int, size: int, *, read: bool, write: bool, execute: bool) -> None:
        """Change the rights of mapped pages; between runs."""
        self.uc.mem_protect(address, size, self._rights(read, write, execute))

    def map_io(self, address: int, size: int, read: ReadRegister, write: WriteRegister) -> None:
        """Map addresses whose reads and writes Python answers; `read(address, size)`, `write(address, size, value)`."""

        def on_read(_: object, offset: int, width: int, base: int) -> int:
            return read(base + offset, width)

        def on_write(_: object, offset: int, width: int, value: int, base: int) -> None:
            write(base + offset, width, value)

        self.uc.mmio_map(address, size, on_read, address, on_write, address)

    def unmap(self, address: int, size: int) -> None:
        """Take a mapping away."""
        self.uc.mem_unmap(address, size)

    def hook_address(self, first: int, last: int, call: Callable[[int], object]) -> None:
        """Call Python before each instruction from `first` to `last`; install before the first run."""
        self._hook(self._u.UC_HOOK_CODE, first, last, call)

    def hook_block(self, address: int, call: Callable[[int], object]) -> None:
        """Call Python where a translated block begins at an address; instructions elsewhere are not slowed by it."""
        self._hook(self._u.UC_HOOK_BLOCK, address, address, call)

    def _hook(self, what: int, first: int, last: int, call: Callable[[int], object]) -> None:
        uc, library, handle = self.uc, self._library, self._handle

        def on_code(_: object, address: int, size: int, data: object) -> None:
            call(address)

        if library is None or handle is None or not hasattr(uc, "_hook_exception"):
            uc.hook_add(what, on_code, begin=first, end=last)
            return

        # The library's own wrapper is three Python functions deep, which costs as much as what a hook does.
        def quick(_: object, address: int, size: int, data: object) -> None:
            try:
                call(address)
            except BaseException as error:
                uc._hook_exception = uc._hook_exception or error
                uc.emu_stop()

        kind = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint32, ctypes.c_void_p)
        function = kind(quick)
        number = ctypes.c_size_t()
        wide = ctypes.c_uint64
        where = ctypes.byref(number)
        status = library.uc_hook_add(handle, where, what, function, ctypes.c_void_p(), wide(first), wide(last))
        if status != self._u.UC_ERR_OK:
            raise self._u.UcError(status)
        self._calls.append(function)

    def hook_each(self, call: Callable[[int], None]) -> None:
        """Call Python before every instruction by the shortest way there is."""
        self._hook(self._u.UC_HOOK_CODE, 1, 0, call)

    def hook_all(self, call: Callable[[int], None]) -> None:
        """Call Python before every instruction; slow, for golden runs alone."""

        def on_code(_: object, address: int, size: int, data: object) -> None:
            call(address)

        self.uc.hook_add(self._u.UC_HOOK_CODE, on_code)

    def hook_blocks(self, call: Callable[[int], None]) -> None:
        """Call Python at the beginning of every translated block: cheap enough to see which branches are taken."""

        def on_block(_: object, address: int, size: int, data: object) -> None:
            call(address)

        self.uc.hook_add(self._u.UC_HOOK_BLOCK, on_block)

    def stop(self) -> None:
        """Ask a run to stop; from within a callback."""
        self._asked = True
        self.uc.emu_stop()

    def run(self, count: int) -> Stop:
        """Run `count` instructions from the program counter on, or up to an earlier stop."""
        self._asked = False
        self._number = -1
        kind = "count"
        read = self._read
        try:
            self._start(read(self._pc) | (read(self._xpsr) >> 24 & 1 if self._thumb else 0), NEVER, 0, count)
        except self._u.UcError as error:
            kind = self._kind(error.errno)
        pc = read(self._pc)
        if self._asked:
            return Stop("asked", pc)
        if self._number >= 0:
            return Stop("exception", pc, self._number)
        return Stop(kind, pc)

    def _kind(self, number: int) -> str:
        u = self._u
        if number in (u.UC_ERR_FETCH_PROT, u.UC_ERR_FETCH_UNMAPPED):
            return "fetch"
        if number in (u.UC_ERR_WRITE_PROT, u.UC_ERR_WRITE_UNMAPPED, u.UC_ERR_WRITE_UNALIGNED):
            return "write"
        if number in (u.UC_ERR_READ_PROT, u.UC_ERR_READ_UNMAPPED, u.UC_ERR_READ_UNALIGNED):
            return "read"
        if number == u.UC_ERR_INSN_INVALID:
            return "illegal"
        return "fetch" if number in (u.UC_ERR_EXCEPTION, u.UC_ERR_MAP) else "illegal"

    @property
    def read_register(self) -> Callable[[int], int]:
        """The quickest way to read a register by its number in `registers`."""
        return self._read

    @property
    def write_register(self) -> Callable[[int, int], None]:
        """The quickest way to write a register by its number in `registers`."""
        return self._write

    def pc_of(self, registers: Sequence[int]) -> int:
        """Return the program counter among what `all_registers` returned."""
        return registers[self._pc_place]

    @property
    def order(self) -> list[int]:
        """The numbers of the registers, in the order of `all_registers`."""
        return self._all

    def get(self, name: str) -> int:
        """Return a register's value."""
        return self._read(self.registers[name])

    @property
    def thumb(self) -> int:
        """The Thumb bit of an M-profile core: 0 behind a branch to an even address; 0 on other cores."""
        return self._read(self._xpsr) >> 24 & 1 if self._thumb else 0

    def jump(self, address: int) -> None:
        """Write the program counter as a branch does: an even address clears the Thumb bit of an M-profile core."""
        self._write(self._pc, address)

    def set(self, name: str, value: int) -> None:
        """Write a register; the program counter keeps its Thumb bit."""
        if name == "pc":
            value |= self._thumb
        self._write(self.registers[name], value)

    @property
    def pc(self) -> int:
        """The program counter without the Thumb bit."""
        return self._read(self._pc)

    def arguments(self) -> list[int]:
        """Return a function's first arguments at its entry (AAPCS32: four, RISC-V ilp32: eight), then the way back."""
        values = self._read_entry()
        if self._thumb:
            self.entered_in_thumb = bool(values.pop() >> 24 & 1)
        return values

    def stacked_argument(self, number: int) -> int:
        """Return an argument that does not fit into registers."""
        at = self.get("sp") + 4 * (number - len(self._entry) + 1)
        return int.from_bytes(self.uc.mem_read(at, 4), "little")

    def leave(self, value: int, back: int) -> None:
        """Return `value` from the function at whose entry the core stands."""
        # One by one: written in a batch, the program counter stays where it is.
        self._write(self._entry[0], value)
        self.jump(back)

    def all_registers(self) -> tuple[int, ...]:
        """Return every register that the bench knows, for comparing states."""
        values = self._read_all()
        if not self._hides(values[self._mode_place], values[self._state_place]):
            return tuple(values)
        shown = dict(zip(self._all, values, strict=True))
        with self.raised():
            shown |= {number: self._read(number) for number in self._hidden}
        return tuple(shown.values())

    def _hides(self, mode: int, state: int) -> bool:
        """Return whether the core's mode hides registers: an unprivileged thread, or a mode below machine mode."""
        return bool(mode & 1 and not state & 0x1FF) if self.is_arm else mode != 3

    @contextmanager
    def raised(self) -> Iterator[None]:
        """Let registers be read that the core's mode hides; outside nothing has changed."""
        mode, state = self._read(self._all[self._mode_place]), self._read(self._all[self._state_place])
        if not self._hides(mode, state):
            yield
            return
        if self.is_arm:
            self.set("xpsr", state & ~0x1FF | 3)  # A handler is privileged.
            yield
            self.set("xpsr", state)
        else:
            self.set("priv", 3)
            yield
            self.set("priv", mode)

    def take_over(self, registers: Sequence[int]) -> bool:
        """Write what another core's `all_registers` gave; False where one did not take its value.

        A saved context must never go to another core: it holds pointers of its own one.
        """
        values = dict(zip(self._all, registers, strict=True))
        last = [self.registers[name] for name in ("xpsr", "control", "sp", "priv", "pc") if name in self.registers]
        if self.is_arm:
            self.set("xpsr", 1 << 24 | 3)  # A handler is privileged: every register can be written.
        else:
            self.set("priv", 3)
        for number in [n for n in self._all if n not in last] + last:
            self._write(number, values[number])
        if self.is_arm:
            self.jump(values[self._pc] | values[self._xpsr] >> 24 & 1)
        return self.all_registers() == tuple(registers)

    def save(self) -> Any:
        """Return the registers as one opaque value; never from within a callback."""
        return self.uc.context_save()

    def restore(self, context: Any) -> None:
        """Put saved registers back."""
        self.uc.context_restore(context)

    def forget(self, first: int, end: int) -> None:
        """Drop translations of changed code."""
        self.uc.ctl_remove_cache(first, end)
