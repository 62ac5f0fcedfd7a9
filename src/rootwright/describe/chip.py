"""A part as its data sheet describes it: memories, times, protections. Frozen; `chip_file` reads it from TOML."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from rootwright.describe.lock_field import LockField, ProtectionUnit
from rootwright.describe.settings import Purpose, SettingsArea, View


class Architecture(StrEnum):
    """The instruction set, as the architecture manuals name it."""

    ARMV6_M = "Armv6-M"
    ARMV7_M = "Armv7-M"
    ARMV8_M = "Armv8-M"
    RV32 = "RV32"


class MemoryKind(StrEnum):
    """What a memory is, as far as planning and power cuts care."""

    FLASH = "flash"
    EXTERNAL = "external"
    ONE_TIME = "one-time words"
    SETTINGS = "settings area"
    RAM = "ram"


class Reprogram(StrEnum):
    """How often one program unit may be programmed between two erases."""

    NEVER = "never"
    ZEROS_ONLY = "zeros-only"
    BITS = "bits"
    TIMES = "times"


class EccError(StrEnum):
    """What the core sees when it reads an undecodable unit."""

    NONE = "none"
    FAULT = "fault"
    NMI = "nmi"
    FLAG = "flag"


class BlankRead(StrEnum):
    """What reading an erased, never programmed unit gives."""

    VALUE = "value"
    UNDEFINED = "undefined"
    FAULT = "fault"


class ProtectionKind(StrEnum):
    """What a part offers, named by what it does."""

    WRITE_PROTECTION = "write protection"
    PROTECTION_UNIT = "protection unit"
    EXECUTE_ONLY = "execute-only area"
    DEBUG_LOCK = "debug lock"
    EXTERNAL_READ_LOCK = "external read lock"
    FIXED_RESET_ENTRY = "fixed reset entry"
    CLOSED_UNTIL_RESET = "closed-until-reset area"
    GATED_CODE = "gated code area"
    KEY_VAULT = "key vault"
    SECURE_SPLIT = "secure/non-secure split"
    PHYSICAL_MEMORY_PROTECTION = "physical memory protection"
    INLINE_DECRYPTION = "inline decryption"
    ONE_TIME_COUNTER = "one-time counter"
    TAMPER_INPUT = "tamper input"
    WATCHDOG = "watchdog"
    SECURE_ELEMENT = "secure element"
    BUS_GATE = "bus gate"


class Follows(StrEnum):
    """What a write protection goes with when banks trade addresses."""

    BANK = "physical bank"
    ADDRESS = "address"


class Watermark(StrEnum):
    """On which side of its one bound a bus gate closes a memory; none where it closes any granules."""

    NONE = "none"
    UPWARDS = "from it on"
    DOWNWARDS = "up to it"


class TornProgram(StrEnum):
    """What a cut makes of the bytes that were being programmed."""

    TOGETHER = "together"
    ANY_BYTES = "any bytes"


class Lock(StrEnum):
    """How long a protection holds once set."""

    NONE = "none"
    UNTIL_RESET = "until reset"
    ERASE_TO_OPEN = "erase to open"
    PERMANENT = "permanent"


@dataclass(frozen=True, slots=True)
class Timing:
    """A duration in seconds, as the data sheet's typical and maximum columns give it."""

    typ_s: float
    max_s: float


@dataclass(frozen=True, slots=True)
class SectorRun:
    """`count` neighbouring sectors of `size` bytes each."""

    count: int
    size: int


@dataclass(frozen=True, slots=True)
class Erase:
    """One erase command: the aligned `size` in bytes that it blanks, and how long that takes."""

    size: int
    time: Timing


@dataclass(frozen=True, slots=True)
class Sector:
    """The smallest erasable piece of one memory: absolute address and size in bytes, place in the memory, bank."""

    memory: str
    index: int
    address: int
    size: int
    bank: int

    @property
    def end(self) -> int:
        """The first address behind the sector."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class Memory:
    """One memory of a part. Sizes in bytes, addresses as the core sees them.

    Attributes:
        base: First address.
        runs: Sector pattern from `base` upwards; a memory that needs no erase has its program units here.
        banks: 1, or 2 where two equal halves work independently (and may trade addresses).
        program_unit: Bytes written at once, aligned.
        tear_unit: Bytes whose content is lost together when a program is cut; at least `program_unit`.
        reprogram: Whether a unit may be programmed again before an erase; `reprogram_times` for `TIMES`.
        erased: The value of an erased byte, or None where no erase is needed.
        erases: Erase commands, smallest first; the smallest has the size of a sector.
        program: Time to program one unit.
        endurance: Guaranteed erase cycles of a sector; 0 where the memory does not wear.
        executable: Whether the core can run code from it.
        read_bytes_per_s: Slowest sequential read rate.
        reprogram_unit: Bytes that `reprogram` speaks of; the program unit where not told apart.
        page: Bytes of a page, past whose end programming wraps to its beginning; 0 where nothing wraps.
        torn_program: Whether the bytes of a tear unit share one fate, or any of them may be new and others old.
        cached: Whether reads at its own addresses go through a cache that is stale until invalidated.
        lock_unit: One-time words: bytes that one lock bit closes to further programming; 0 without such locks.
        read_limit: One-time words: how often a word may be read in its life; 0 for any number.
        torn_bits_settle: One-time words: whether a bit whose programming was cut reads the same ever after.
        controller, controller_size: Where the registers lie through which software writes it; None where not described.
    """

    name: str
    kind: MemoryKind
    base: int
    runs: tuple[SectorRun, ...]
    banks: int = 1
    program_unit: int = 4
    tear_unit: int = 4
    reprogram: Reprogram = Reprogram.NEVER
    reprogram_times: int = 1
    erased: int | None = 0xFF
    ecc_error: EccError = EccError.NONE
    blank_read: BlankRead = BlankRead.VALUE
    erases: tuple[Erase, ...] = ()
    program: Timing = Timing(0.0, 0.0)
    endurance: int = 0
    executable: bool = True
    read_bytes_per_s: float = 0.0
    controller: int | None = None
    controller_size: int = 0
    reprogram_unit: int = 4
    page: int = 0
    torn_program: TornProgram = TornProgram.TOGETHER
    cached: bool = False
    lock_unit: int = 0
    read_limit: int = 0
    torn_bits_settle: bool = True

    @property
    def size(self) -> int:
        """Total size in bytes."""
        return sum(run.count * run.size for run in self.runs)

    @property
    def end(self) -> int:
        """The first address behind the memory."""
        return self.base + self.size

    def bank_offset(self, offset: int, low_bank: int) -> int:
        """Return the place in the memory that is seen at an offset from its base while `low_bank` is mapped low."""
        if self.banks == 1 or low_bank == 0:
            return offset
        return (offset + self.size // 2) % self.size

    def sectors(self) -> Iterator[Sector]:
        """Yield the sectors from the lowest address upwards."""
        address, index, half = self.base, 0, self.base + self.size // 2
        for run in self.runs:
            for _ in range(run.count):
                bank = 1 if self.banks == 2 and address >= half else 0
                yield Sector(self.name, index, address, run.size, bank)
                address += run.size
                index += 1


@dataclass(frozen=True, slots=True)
class Protection:
    """One protection mechanism of a part.

    Attributes:
        covers: Names of the memories it can cover; empty where that makes no sense.
        granule: Smallest unit in bytes that it covers, 0 where not applicable.
        regions: How many separate regions it can hold, 0 for no limit.
        name: Unique among the part's protections; the kind in hyphens where the chip file gives none.
        unit: Programming model of a protection unit; None where it is none or the architecture alone does not say.
        memory_side: For a split, whether the memory itself refuses by sector, whatever the core's attribution says.
        groups: Sizes in bytes of the groups that it covers as wholes, from the memory's base upwards; empty where every
            granule is free.
        follows: What it goes with when banks trade addresses; None where no bank is ever mapped elsewhere.
        held_in: Name of the settings area that holds it; empty where registers do, or nothing that a cut can tear.
        fixed_attribution: Bus gate: whether the sides of addresses are fixed in the part, so that the gate can close an
            access but never change a side.
        watermark: Bus gate: on which side of its one bound it closes.
    """

    kind: ProtectionKind
    covers: tuple[str, ...] = ()
    granule: int = 0
    regions: int = 0
    lock: Lock = Lock.NONE
    note: str = ""
    name: str = ""
    unit: ProtectionUnit | None = None
    memory_side: bool = False
    groups: tuple[int, ...] = ()
    follows: Follows | None = None
    held_in: str = ""
    fixed_attribution: bool = False
    watermark: Watermark = Watermark.NONE

    @property
    def is_closing_gate(self) -> bool:
        """Whether it is a bus gate that keeps what runs on the other side out, until a reset at least."""
        return self.kind is ProtectionKind.BUS_GATE and self.fixed_attribution and self.lock is not Lock.NONE


@dataclass(frozen=True, slots=True)
class CryptoSpeeds:
    """How long cryptography takes on the part: a digest per KiB and one verification per algorithm name."""

    sha256_per_kib: Timing
    verify: tuple[tuple[str, Timing], ...]

    def verify_time(self, algorithm: str) -> Timing | None:
        """Return the time of one verification with `algorithm`, or None where the chip file is silent."""
        return dict(self.verify).get(algorithm)


@dataclass(frozen=True, slots=True)
class Chip:
    """A part, complete. `typical` marks a profile whose figures are typical: the user's data sheet decides."""

    name: str
    title: str
    architecture: Architecture
    clock_hz: float
    memories: tuple[Memory, ...]
    protections: tuple[Protection, ...]
    crypto: CryptoSpeeds
    reset_address: int
    interrupts: int
    vector_table_relocatable: bool
    strength: int
    typical: bool
    silicon: str = ""
    settings_areas: tuple[SettingsArea, ...] = ()
    views: tuple[View, ...] = ()
    lock_fields: tuple[LockField, ...] = ()

    def memory(self, name: str) -> Memory:
        """Return the memory called `name`; KeyError where there is none."""
        for memory in self.memories:
            if memory.name == name:
                return memory
        raise KeyError(name)

    def find_protections(self, kind: ProtectionKind, memory: str | None = None) -> tuple[Protection, ...]:
        """Return the mechanisms of one kind, those that cover `memory` where it is given."""
        return tuple(p for p in self.protections if p.kind is kind and (memory is None or memory in p.covers))

    def find_closers(self, memory: str) -> tuple[Protection, ...]:
        """Return what can close blocks of a memory: its write protections; where it has none, its bus gates."""
        found = self.find_protections(ProtectionKind.WRITE_PROTECTION, memory)
        return found or tuple(p for p in self.protections if p.is_closing_gate and memory in p.covers)

    def find_lock_fields(self, protection: str) -> tuple[LockField, ...]:
        """Return the fields that set one protection, by its name, in the chip file's order."""
        return tuple(each for each in self.lock_fields if each.protection == protection)

    def find_place(self, address: int, settings: Mapping[str, str] | None = None) -> tuple[str, int] | None:
        """Return memory and offset seen at a bus address, None where nothing is.

        Args:
            address: The bus address.
            settings: Meaning of each settings field by its name; a field that is not given has its default.
        """
        given = settings or {}
        fields = {field.name: field for area in self.settings_areas for field in area.fields}
        for view in self.views:
            if view.address <= address < view.end and (
                not view.field or given.get(view.field, fields[view.field].default) == view.value
            ):
                return view.memory, view.offset + address - view.address
        for memory in self.memories:
            if memory.base <= address < memory.end:
                return memory.name, memory.bank_offset(address - memory.base, self.low_bank(given))
        return None

    def find_places(self, address: int) -> tuple[int, ...]:
        """Return where a bus address can lead under any settings, as addresses counted from the memories' bases."""
        memories = {memory.name: memory for memory in self.memories}
        found = [
            memories[view.memory].base + view.offset + address - view.address
            for view in self.views
            if view.address <= address < view.end
        ]
        swaps = any(area.find_field(Purpose.BANK) for area in self.settings_areas)
        for memory in self.memories:
            if memory.base <= address < memory.end:
                found.append(address)
                if swaps and memory.banks == 2:
                    found.append(memory.base + memory.bank_offset(address - memory.base, 1))
        return tuple(dict.fromkeys(found))

    def low_bank(self, settings: Mapping[str, str] | None = None) -> int:
        """Return the bank that settings map low; 0 where no field maps banks or the value maps neither."""
        for area in self.settings_areas:
            field = area.find_field(Purpose.BANK)
            if field is not None:
                return field.bank((settings or {}).get(field.name, field.default)) or 0
        return 0

    @property
    def vector_table_alignment(self) -> int:
        """Alignment in bytes of a relocated vector table: a power of two, at least 4 bytes per entry.

        Armv7-M Architecture Reference Manual (DDI 0403), vector table offset register: at least 128 bytes.
        RV32 `mtvec` wants 4 bytes; vectored tables are aligned alike here.
        """
        needed = max(128, 4 * (16 + self.interrupts))
        return 1 << (needed - 1).bit_length()
