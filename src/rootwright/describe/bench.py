"""How the bench reaches the boot program: what functions and registers mean. Frozen; see `bench_file`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import PurePosixPath


class Deed(StrEnum):
    """What a function of the boot program does, so that the bench can do it in its place."""

    ERASE = "erase"
    PROGRAM = "program"
    READ = "read"
    DIGEST = "digest"
    VERIFY = "verify"
    RANDOM = "random"
    WATCHDOG = "watchdog"
    RESET = "reset"
    RUN = "run"
    NOTHING = "nothing"


class WriteDeed(StrEnum):
    """What a write to a register does."""

    KEEP = "keep"
    IGNORE = "ignore"
    CLEAR = "clear"
    WATCHDOG = "watchdog"
    RESET = "reset"
    INVALIDATE = "invalidate"
    LOAD = "load settings"


class RunKind(StrEnum):
    """What a golden run is meant to show."""

    AUTHENTIC = "authentic"
    TAMPERED = "tampered"
    DOWNGRADE = "downgrade"
    INSTALL = "install"


class Expect(StrEnum):
    """What the boot program must come to."""

    RUNS = "runs"
    REFUSES = "refuses"


class UnlockLasts(StrEnum):
    """How long a flash controller stays unlocked after the sequence."""

    COMMAND = "command"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Hook:
    """A function that the bench does in the boot program's place.

    Attributes:
        symbol, address, table, entry: Where the function is: by name, at an address, or the pointer at place `entry` of
            the call table at symbol or address `table`.
        target, source, length, into: Numbers of the arguments (from 0) that hold flash address, data, size and place
            of the result; -1 where there is none.
        key, signature: Likewise for "verify"; the message's digest is `source`.
        size: Size in bytes where no argument says it.
        algorithm: Of digest or signature.
        value, failed: What the function returns when it went well, and when not.
    """

    deed: Deed
    symbol: str = ""
    address: int | None = None
    table: str = ""
    entry: int = 0
    target: int = -1
    source: int = -1
    length: int = -1
    into: int = -1
    key: int = -1
    signature: int = -1
    size: int = 0
    algorithm: str = "SHA-256"
    value: int = 1
    failed: int = 0

    @property
    def label(self) -> str:
        """How the function is called in messages."""
        if self.symbol:
            return self.symbol
        if self.table:
            return f"{self.table}[{self.entry}]"
        return f"0x{self.address or 0:08x}"


@dataclass(frozen=True, slots=True)
class Bits:
    """Bits of a register at an offset: they count as set when `value & mask == want`; mask 0 means all 32 bits."""

    at: int
    mask: int = 0
    want: int = 0

    def holds(self, value: int) -> bool:
        """Return whether a register value has these bits as wanted."""
        return value & self.mask == self.want if self.mask else value == self.want


@dataclass(frozen=True, slots=True)
class Controller:
    """A flash controller as its register description says.

    Attributes:
        memory: The memory that it erases and programs.
        base, size: Its registers' addresses.
        unlock: Writes that open it, in this order.
        unlock_lasts: Until the next command, or until reset.
        erase, program: The write that selects that operation (and starts it where there is no `start`).
        start: The write that starts the selected operation; None where selecting starts it.
        address: Offset of the register with the flash address; -1 where stores to flash say it.
        data: Offset of the first data register, `line` bytes of them; -1 where data is stored to flash addresses.
        line: Bytes that one program operation takes.
        stores: Whether stores to flash addresses fill the line; a full line is programmed without further command
            when `program` is selected and there is no `start`.
        busy: Bits that say an operation goes on, for `busy_reads` reads of that register.
        error: Bits set after a refused operation; writing ones clears them.
        larger: Further erase commands: the write that selects each, and how many aligned bytes it erases.
        lock: The write that locks the unit of one-time words at the address register, for good.
        undecodable: Bits set when a word was read that cannot be decoded; writing ones clears them.
        undecodable_at: Offset of the register that then holds its address; -1 where there is none.
    """

    name: str
    memory: str
    base: int
    size: int
    erase: Bits
    program: Bits
    start: Bits | None = None
    unlock: tuple[Bits, ...] = ()
    unlock_lasts: UnlockLasts = UnlockLasts.RESET
    address: int = -1
    data: int = -1
    line: int = 0
    stores: bool = False
    busy: Bits | None = None
    busy_reads: int = 1
    error: Bits | None = None
    larger: tuple[tuple[Bits, int], ...] = ()
    lock: Bits | None = None
    undecodable: Bits | None = None
    undecodable_at: int = -1


@dataclass(frozen=True, slots=True)
class Rule:
    """What reading and writing a register gives.

    Attributes:
        at, size: First address and size in bytes; each aligned word inside is a register of its own.
        reads: What reads give in turn; the last one stays. Empty: what was written last, `initial` before that.
        set_mask, set_after: These bits read as set after that many reads.
        write: What a write does.
        word: For all but "keep", "ignore" and "clear": only this value counts; None: any.
        causes: Values read after power-up, a watchdog reset and a software reset, in this order; empty where the
            register is not the reset cause.
    """

    name: str
    at: int
    size: int = 4
    reads: tuple[int, ...] = ()
    initial: int = 0
    set_mask: int = 0
    set_after: int = 0
    write: WriteDeed = WriteDeed.KEEP
    word: int | None = None
    causes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Plugin:
    """Registers that a Python class of the product's answers for: `module:Class` beside the product file."""

    name: str
    at: int
    size: int
    python: str


@dataclass(frozen=True, slots=True)
class Change:
    """Bytes written over a run's flash at one address."""

    at: int
    data: bytes


@dataclass(frozen=True, slots=True)
class GoldenRun:
    """A start of the device whose outcome is known.

    Attributes:
        flash: Files that the flash holds besides the boot program, later ones over earlier ones.
        changes: Bytes altered afterwards.
        expect: What the boot program must come to.
        boots: Name of the approved image that must run; empty for any.
        cold: Whether it is tried as a start at power-up too; else after a software reset alone.
    """

    name: str
    kind: RunKind
    flash: tuple[PurePosixPath, ...]
    changes: tuple[Change, ...] = ()
    expect: Expect = Expect.RUNS
    boots: str = ""
    cold: bool = True


@dataclass(frozen=True, slots=True)
class Approved:
    """An image that may run: its file at its run address, and its place in the order of versions."""

    name: str
    file: PurePosixPath
    sequence: int = 0
    at: int | None = None
    base: int | None = None


@dataclass(frozen=True, slots=True)
class FloorRecord:
    """Where the version floor stands: a log of entries, the highest sound one counts.

    Attributes:
        at, size, entry: The log's address and size, and the size of an entry in bytes.
        value: Offset of the 32-bit value in an entry.
        complement: Offset of its complement, -1 where there is none.
        check: Offset of a CRC-32 over the entry's first `covered` bytes, -1 where there is none.
    """

    at: int
    size: int
    entry: int = 16
    value: int = 0
    complement: int = -1
    check: int = -1
    covered: int = 0


@dataclass(frozen=True, slots=True)
class Secret:
    """A key that only the boot program may read: where it is, and the register write that closes it."""

    name: str
    at: int
    size: int
    lock: Bits | None = None


@dataclass(frozen=True, slots=True)
class StagedUpdate:
    """Where a staged update lies, for the hostile ones: address, room in bytes."""

    at: int
    size: int
    run: str = ""


@dataclass(frozen=True, slots=True)
class LogFormat:
    """A log of two halves that the program keeps in flash: the sound record with the highest number is the newest.

    Attributes:
        at, size: Address, and bytes of both halves together.
        entry: Bytes of one record.
        records: Records that one half takes; 0 for as many as fit.
        number: Offset of the 32-bit number that counts records.
        check: Offset of a CRC-32 over the record's first `covered` bytes.
        version: Offset of a 32-bit word that holds an image's number in the order of versions; -1 where none does.
    """

    name: str
    at: int
    size: int
    entry: int
    records: int
    number: int
    check: int
    covered: int
    version: int = -1


@dataclass(frozen=True, slots=True)
class ApplicationHalf:
    """What the application writes between two starts, so that the bench can do it: records of declared logs.

    A record is given by its first bytes; number and check are filled in, the rest is zeros.

    Attributes:
        log: The log that it appends to.
        asks: The record that asks to install what is staged.
        clears: The record that it appends before it begins to receive; empty for none.
        reports: The record by which an image on trial reports itself good; empty where there is no trial.
        trial_log, trial: The record that stands in a log while an image is on trial.
    """

    log: str
    asks: bytes
    clears: bytes = b""
    reports: bytes = b""
    trial_log: str = ""
    trial: bytes = b""


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything the bench must know beyond part and product.

    Attributes:
        limit: Instructions after which a run hangs.
        code_in_ram: Whether the boot program copies code to RAM and runs it there.
    """

    hooks: tuple[Hook, ...] = ()
    controllers: tuple[Controller, ...] = ()
    rules: tuple[Rule, ...] = ()
    plugins: tuple[Plugin, ...] = ()
    runs: tuple[GoldenRun, ...] = ()
    approved: tuple[Approved, ...] = ()
    floor: FloorRecord | None = None
    secrets: tuple[Secret, ...] = ()
    staged: StagedUpdate | None = None
    recovery: tuple[str, ...] = ()
    limit: int = 50_000_000
    logs: tuple[LogFormat, ...] = ()
    application: ApplicationHalf | None = None
