"""The form of chip.toml, and how it becomes a `Chip`."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import Field

from rootwright.describe.chip import (
    Architecture,
    BlankRead,
    Chip,
    CryptoSpeeds,
    EccError,
    Erase,
    Follows,
    Lock,
    Memory,
    MemoryKind,
    Protection,
    ProtectionKind,
    Reprogram,
    SectorRun,
    Timing,
    TornProgram,
    Watermark,
)
from rootwright.describe.fields import Erased, Frequency, Name, Rate, Remark, Size, Text, Time, YesNo, choice, whole
from rootwright.describe.forms import Form
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.describe.lock_field_file import LockFieldForm
from rootwright.describe.lock_implied import implied_fields, implied_protections
from rootwright.describe.settings_file import SettingsForm, ViewForm

Count = Annotated[int, whole(1, 1_000_000)]


class TimingForm(Form):
    """A duration: the typical and the maximum column of the data sheet."""

    typ: Time = Field(description='Typical duration, such as "22 ms".')
    max: Time = Field(description="Longest duration that the data sheet guarantees.")

    def timing(self) -> Timing:
        """Return the duration in seconds."""
        return Timing(self.typ, self.max)


class SectorsForm(Form):
    """Neighbouring sectors of one size."""

    count: Count = Field(description="How many sectors of this size follow one another.")
    size: Size = Field(description="Size of one sector: the smallest piece that can be erased.")


class EraseForm(TimingForm):
    """One erase command. A memory with sectors of several sizes has one for each size."""

    size: Size = Field(description="What one command erases.")


class MemoryForm(Form):
    """One memory of the part."""

    name: Name = Field(description="Short name by which the rest of the two files speaks of this memory.")
    kind: Annotated[MemoryKind, choice(MemoryKind)] = Field(description="What the memory is.")
    base: Size = Field(description="First address, as the core sees it.")
    sectors: list[SectorsForm] = Field(
        description="Sector pattern from the base upwards; in a memory without erase, one entry whose size is a "
        "multiple of the program unit."
    )
    banks: Annotated[int, whole(1, 2)] = Field(
        default=1, description="2 where two equal halves can be read and written independently; else 1."
    )
    program_unit: Size = Field(default=4, description="Bytes that are programmed at once, aligned.")
    tear_unit: Size | None = Field(
        default=None,
        description="Bytes whose content is lost together when programming is cut off; the program unit if not given.",
    )
    reprogram: Annotated[Reprogram, choice(Reprogram)] = Field(
        default=Reprogram.NEVER,
        description="How often a program unit may be programmed between two erases: never again; once more with all "
        "zeros; bit by bit in the programmed direction; a number of times.",
    )
    reprogram_times: Annotated[int, whole(1, 1000)] = Field(
        default=1, description='The number of times, where `reprogram` is "times".'
    )
    erased: Erased | None = Field(
        default=None,
        description='Value of an erased byte, or "none" where no erase is needed. Left out: none for RAM, else 0xFF.',
    )
    ecc_error: Annotated[EccError, choice(EccError)] = Field(
        default=EccError.NONE,
        description="What the core sees on reading a unit whose check bits do not match: nothing, a fault, a "
        "non-maskable interrupt, or a flag beside the data.",
    )
    blank_read: Annotated[BlankRead, choice(BlankRead)] = Field(
        default=BlankRead.VALUE,
        description="What reading an erased, never programmed unit gives: the erased value, anything, or a fault.",
    )
    erase: list[EraseForm] = Field(
        default=[], description="Erase commands, the smallest first. Not for RAM and memories without erase."
    )
    program: TimingForm | None = Field(
        default=None, description="How long programming one program unit takes. Not for RAM."
    )
    endurance: Annotated[int, whole(0, 10**15)] = Field(
        default=0, description="Guaranteed erase cycles of one sector; 0 where the memory does not wear."
    )
    executable: YesNo = Field(default=True, description="Whether the core can run code from this memory.")
    read_rate: Rate | None = Field(
        default=None, description='Slowest sequential read rate, such as "8 MB/s", where it matters (external memory).'
    )
    controller: Size | None = Field(
        default=None,
        description="Address of the registers through which software writes this memory.",
    )
    controller_size: Size = Field(default=0, description="Bytes that these registers take.")
    reprogram_unit: Size | None = Field(
        default=None, description="Bytes that may be programmed again by themselves; the program unit if not given."
    )
    page: Size = Field(
        default=0,
        description="Bytes of a page, past whose end programming wraps to its beginning; 0 where nothing wraps.",
    )
    torn_program: Annotated[TornProgram, choice(TornProgram)] = Field(
        default=TornProgram.TOGETHER,
        description="What a cut leaves of a tear unit: its bytes share one fate, or some are new and others old.",
    )
    cached: YesNo = Field(
        default=False,
        description="Whether reads at its own addresses go through a cache that is stale until it is invalidated.",
    )
    lock_unit: Size = Field(
        default=0,
        description="One-time words: bytes that one lock closes to further programming; 0 without such locks. Each "
        "unit can then be planned as a permanent write protection, unless one that covers the memory is described.",
    )
    read_limit: Annotated[int, whole(0, 10**9)] = Field(
        default=0, description="One-time words: how often a word may be read in its life; 0 for any number."
    )
    torn_bits_settle: YesNo = Field(
        default=True,
        description="One-time words: whether a bit whose programming was cut reads the same ever after.",
    )

    def memory(self) -> Memory:
        """Return the memory with sizes in bytes and times in seconds."""
        no_erase = self.kind is MemoryKind.RAM
        erased = self.erased if "erased" in self.model_fields_set else (None if no_erase else 0xFF)
        return Memory(
            name=self.name,
            kind=self.kind,
            base=self.base,
            runs=tuple(SectorRun(run.count, run.size) for run in self.sectors),
            banks=self.banks,
            program_unit=self.program_unit,
            tear_unit=self.program_unit if self.tear_unit is None else self.tear_unit,
            reprogram=self.reprogram,
            reprogram_times=self.reprogram_times,
            erased=erased,
            ecc_error=self.ecc_error,
            blank_read=self.blank_read,
            erases=tuple(Erase(erase.size, erase.timing()) for erase in self.erase),
            program=self.program.timing() if self.program else Timing(0.0, 0.0),
            endurance=self.endurance,
            executable=self.executable,
            read_bytes_per_s=self.read_rate or 0.0,
            reprogram_unit=self.program_unit if self.reprogram_unit is None else self.reprogram_unit,
            page=self.page,
            torn_program=self.torn_program,
            cached=self.cached,
            lock_unit=self.lock_unit,
            read_limit=self.read_limit,
            torn_bits_settle=self.torn_bits_settle,
            controller=self.controller,
            controller_size=self.controller_size,
        )


class ProtectionForm(Form):
    """One protection mechanism of the part."""

    kind: Annotated[ProtectionKind, choice(ProtectionKind)] = Field(description="What the mechanism does.")
    covers: list[Name] = Field(default=[], description="Names of the memories it can cover, where that makes sense.")
    granule: Size = Field(default=0, description="Smallest unit that it covers; 0 where that makes no sense.")
    regions: Annotated[int, whole(0, 100_000)] = Field(
        default=0, description="How many separate regions it can hold; 0 for no limit."
    )
    lock: Annotated[Lock, choice(Lock)] = Field(
        default=Lock.NONE,
        description="How long it holds once set: not at all, until the next reset, until a full erase, for ever.",
    )
    note: Remark = Field(default="", description="Anything a reader should know, in one line.")
    name: Name | None = Field(
        default=None,
        description="Short name by which lock fields speak of it; if not given, the kind in hyphens, numbered from the "
        "second on.",
    )
    unit: Annotated[ProtectionUnit, choice(ProtectionUnit)] | None = Field(
        default=None,
        description="Programming model of a protection unit or of physical memory protection; if not given, the one of "
        "the architecture.",
    )
    memory_side: YesNo = Field(
        default=False,
        description="For a split: whether the memory itself refuses by sector. An attribution unit alone labels what "
        "the core does; it does not set the security of a flash page.",
    )

    groups: list[Size] = Field(
        default=[],
        description="Sizes of the groups that it covers as wholes, from the base of each covered memory upwards; free "
        "granules if not given.",
    )
    follows: Annotated[Follows, choice(Follows)] | None = Field(
        default=None,
        description="What write protection goes with when banks trade addresses; needed where settings map banks.",
    )
    held_in: Name | None = Field(
        default=None,
        description="Name of the settings area that holds it, and loses it when a cut leaves that area in its default.",
    )
    fixed_attribution: YesNo = Field(
        default=False,
        description="Bus gate: whether the sides of addresses are fixed in the part; the gate then closes an access, "
        "and never changes a side.",
    )

    watermark: Annotated[Watermark, choice(Watermark)] = Field(
        default=Watermark.NONE,
        description="Bus gate: on which side of its one bound it closes a memory; none where it closes any granules.",
    )

    def protection(self, name: str, architecture: Architecture) -> Protection:
        """Return the mechanism under a name, with the architecture's programming model where none is given."""
        unit = self.unit
        if unit is None and self.kind in _UNITS:
            unit = _UNITS[self.kind].get(architecture)
        return Protection(
            self.kind,
            tuple(self.covers),
            self.granule,
            self.regions,
            self.lock,
            self.note,
            name=name,
            unit=unit,
            memory_side=self.memory_side,
            groups=tuple(self.groups),
            follows=self.follows,
            held_in=self.held_in or "",
            fixed_attribution=self.fixed_attribution,
            watermark=self.watermark,
        )


_UNITS: dict[ProtectionKind, dict[Architecture, ProtectionUnit]] = {
    ProtectionKind.PROTECTION_UNIT: {
        Architecture.ARMV6_M: ProtectionUnit.PMSAV6,
        Architecture.ARMV7_M: ProtectionUnit.PMSAV7,
        Architecture.ARMV8_M: ProtectionUnit.PMSAV8,
    },
    ProtectionKind.PHYSICAL_MEMORY_PROTECTION: {Architecture.RV32: ProtectionUnit.PMP},
}


def protection_names(forms: list[ProtectionForm]) -> list[str]:
    """Return a name for each protection: its own, or its kind, numbered from the second of a kind on."""
    names: list[str] = []
    for form in forms:
        plain = re.sub(r"[^a-z0-9]+", "-", form.kind.value)
        name, number = form.name or plain, 2
        while form.name is None and name in names:
            name, number = f"{plain}-{number}", number + 1
        names.append(name)
    return names


class CryptoForm(Form):
    """How long cryptography takes on the part, measured or from its documents."""

    sha256_per_kib: TimingForm = Field(description="Time of SHA-256 over 1 KiB read from the main memory.")
    verify: dict[str, TimingForm] = Field(
        description="Time of one signature verification, by algorithm name: ESP256, Ed25519, HSS-LMS and so on."
    )

    def speeds(self) -> CryptoSpeeds:
        """Return the speeds in seconds."""
        verify = tuple((name, timing.timing()) for name, timing in self.verify.items())
        return CryptoSpeeds(self.sha256_per_kib.timing(), verify)


class ChipHeadForm(Form):
    """The part as a whole."""

    name: Text = Field(description="Name of the part or of the class of parts.")
    title: Text = Field(description="One line that says what the part offers.")
    architecture: Annotated[Architecture, choice(Architecture)] = Field(description="Instruction set architecture.")
    clock: Frequency = Field(description="Core clock while the boot stage runs.")
    reset_address: Size = Field(
        description="Where the core starts after reset: address of the first vector table or code."
    )
    interrupts: Annotated[int, whole(0, 1024)] = Field(
        description="Number of external interrupts; decides the alignment of a vector table."
    )
    vector_table_relocatable: YesNo = Field(
        default=True, description="Whether the vector table can be moved away from its reset place."
    )
    strength: Annotated[int, whole(0, 1000)] = Field(
        default=0,
        description="Place in the order of the packaged profiles, from weak to strong; 0 for a part of your own.",
    )
    typical: YesNo = Field(
        default=False, description="Whether the figures are typical of a class of parts instead of one data sheet's."
    )
    silicon: Remark = Field(default="", description="Silicon revision for which the figures hold.")


class ChipForm(Form):
    """One microcontroller as its data sheet describes it: memories, times, protections."""

    chip: ChipHeadForm = Field(description="The part as a whole.")
    memory: list[MemoryForm] = Field(description="One table [[memory]] for each memory.")
    protection: list[ProtectionForm] = Field(default=[], description="One table [[protection]] for each mechanism.")
    lock_field: list[LockFieldForm] = Field(
        default=[], description="One table [[lock_field]] for each field that holds a protection."
    )
    settings: list[SettingsForm] = Field(default=[], description="One table [[settings]] for each settings area.")
    view: list[ViewForm] = Field(default=[], description="One table [[view]] for each alias of a memory.")
    crypto: CryptoForm = Field(description="How long cryptography takes on the part.")

    def build(self) -> Chip:
        """Return the part; only for a form without mistakes."""
        head = self.chip
        memories = tuple(memory.memory() for memory in self.memory)
        sizes = {memory.name: memory.size for memory in memories}
        protections = tuple(
            protection.protection(name, head.architecture)
            for name, protection in zip(protection_names(self.protection), self.protection, strict=True)
        )
        protections += implied_protections(memories, protections)
        areas = tuple(area.area() for area in self.settings)
        locks = tuple(each.lock_field() for each in self.lock_field)
        bases = {memory.name: memory.base for memory in memories}
        return Chip(
            name=head.name,
            title=head.title,
            architecture=head.architecture,
            clock_hz=head.clock,
            memories=memories,
            protections=protections,
            crypto=self.crypto.speeds(),
            reset_address=head.reset_address,
            interrupts=head.interrupts,
            vector_table_relocatable=head.vector_table_relocatable,
            strength=head.strength,
            typical=head.typical,
            silicon=head.silicon,
            settings_areas=areas,
            views=tuple(view.view(sizes[view.memory]) for view in self.view),
            lock_fields=locks + implied_fields(protections, areas, bases, locks),
        )
