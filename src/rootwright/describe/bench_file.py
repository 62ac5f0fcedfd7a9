"""The form of product.toml's `[bench]` tables, and how they become a `Bench`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from rootwright.describe.bench import (
    Approved,
    Bench,
    Bits,
    Change,
    Controller,
    Deed,
    Expect,
    FloorRecord,
    GoldenRun,
    Hook,
    Plugin,
    Rule,
    RunKind,
    Secret,
    StagedUpdate,
    UnlockLasts,
    WriteDeed,
)
from rootwright.describe.bench_records import ApplicationForm, LogForm
from rootwright.describe.fields import (
    CLASS_PATTERN,
    FilePath,
    HexBytes,
    Name,
    Remark,
    Size,
    Text,
    YesNo,
    choice,
    matching_text,
    whole,
)
from rootwright.describe.forms import Form

Word = Annotated[int, whole(0, 0xFFFF_FFFF)]
Argument = Annotated[int, whole(-1, 7)]
Offset = Annotated[int, whole(-1, 0xFFFF)]
PythonClass = Annotated[str, matching_text(CLASS_PATTERN, 'a Python class beside this file, "module:Class"')]


class HookForm(Form):
    """A function of the boot program that the bench does in its place. Arguments are counted from 0."""

    does: Annotated[Deed, choice(Deed)] = Field(description="What the function does.")
    symbol: Remark = Field(default="", description="Its name in the boot program's symbol table.")
    address: Size | None = Field(default=None, description="Its address, where it has no usable name.")
    table: Remark = Field(default="", description="Symbol or address of the call table that points to it.")
    entry: Annotated[int, whole(0, 1023)] = Field(default=0, description="Its place in the call table, from 0.")
    target: Argument = Field(default=-1, description="Which argument is the flash address; for run: the image.")
    source: Argument = Field(
        default=-1, description="Which argument points to the data; for verify: to the message's digest."
    )
    length: Argument = Field(default=-1, description="Which argument is the size in bytes.")
    into: Argument = Field(default=-1, description="Which argument says where the result goes.")
    key: Argument = Field(default=-1, description="For verify: which argument points to the public key (raw point).")
    signature: Argument = Field(default=-1, description="For verify: which argument points to the raw signature.")
    size: Size = Field(default=0, description="Size in bytes where no argument says it.")
    algorithm: Remark = Field(
        default="SHA-256", description="For digest: SHA-256, SHA-384 or SHA-512. For verify: ESP256 or Ed25519."
    )
    returns: Word = Field(default=1, description="What it returns when it went well.")
    fails: Word = Field(default=0, description="What it returns when it did not.")

    def hook(self) -> Hook:
        """Return the hook."""
        return Hook(
            self.does,
            self.symbol,
            self.address,
            self.table,
            self.entry,
            self.target,
            self.source,
            self.length,
            self.into,
            self.key,
            self.signature,
            self.size,
            self.algorithm,
            self.returns,
            self.fails,
        )


class BitsForm(Form):
    """Bits of a register."""

    at: Annotated[int, whole(0, 0xFFFF)] = Field(description="Offset of the register from the controller's base.")
    mask: Word = Field(default=0, description="Which bits; 0 for the whole word.")
    value: Word = Field(default=0, description="What they are.")

    def bits(self) -> Bits:
        """Return the bits."""
        return Bits(self.at, self.mask, self.value)


class LargerEraseForm(BitsForm):
    """A further erase command of a controller."""

    size: Size = Field(description="How many bytes it erases, aligned.")


def _bits(form: BitsForm | None) -> Bits | None:
    return None if form is None else form.bits()


class ControllerForm(Form):
    """A flash controller, declared by its registers. No Python is needed for what these fields can say."""

    name: Name = Field(description="Short name of the controller.")
    memory: Name = Field(description="Name of the memory that it erases and programs.")
    base: Size = Field(description="Address of its first register.")
    size: Size = Field(default=64, description="Bytes that its registers take.")
    erase: BitsForm = Field(description="The write that selects erasing; it also starts it where `start` is left out.")
    program: BitsForm = Field(description="The write that selects programming, likewise.")
    start: BitsForm | None = Field(default=None, description="The write that starts the selected operation.")
    unlock: list[BitsForm] = Field(default=[], description="The writes that open the controller, in this order.")
    unlock_lasts: Annotated[UnlockLasts, choice(UnlockLasts)] = Field(
        default=UnlockLasts.RESET, description="Whether it stays open for one command or until reset."
    )
    address: Offset = Field(default=-1, description="Offset of the register that holds the flash address.")
    data: Offset = Field(default=-1, description="Offset of the first data register (the line buffer).")
    line: Size = Field(default=0, description="Bytes that one program operation writes; a program unit if left out.")
    stores: YesNo = Field(
        default=False, description="Whether stores to flash addresses fill the line; a full line is then programmed."
    )
    busy: BitsForm | None = Field(default=None, description="Bits that read as given while an operation goes on.")
    busy_reads: Annotated[int, whole(0, 1000)] = Field(
        default=1, description="How many reads of that register find it busy."
    )
    error: BitsForm | None = Field(
        default=None, description="Bits that are set after a refused operation; writing ones clears them."
    )
    larger: list[LargerEraseForm] = Field(
        default=[], description="Further erase commands, each with the write that selects it and the bytes it erases."
    )
    lock: BitsForm | None = Field(
        default=None, description="The write that locks the one-time words at the address register, for good."
    )
    undecodable: BitsForm | None = Field(
        default=None,
        description="Bits that are set when a word was read that cannot be decoded; writing ones clears them.",
    )
    undecodable_at: Offset = Field(default=-1, description="Offset of the register that then holds its address.")

    def controller(self) -> Controller:
        """Return the controller."""
        return Controller(
            name=self.name,
            memory=self.memory,
            base=self.base,
            size=self.size,
            erase=self.erase.bits(),
            program=self.program.bits(),
            start=_bits(self.start),
            unlock=tuple(item.bits() for item in self.unlock),
            unlock_lasts=self.unlock_lasts,
            address=self.address,
            data=self.data,
            line=self.line,
            stores=self.stores,
            busy=_bits(self.busy),
            busy_reads=self.busy_reads,
            error=_bits(self.error),
            larger=tuple((item.bits(), item.size) for item in self.larger),
            lock=_bits(self.lock),
            undecodable=_bits(self.undecodable),
            undecodable_at=self.undecodable_at,
        )


class RuleForm(Form):
    """What reading and writing a register gives. `rootwright bench --probe` proposes these."""

    name: Text = Field(description="What the register is, in your words.")
    at: Size = Field(description="Its address.")
    size: Size = Field(default=4, description="Bytes that the rule covers; each word in it is a register of its own.")
    reads: list[Word] = Field(default=[], description="What reads give, in turn; the last value stays.")
    initial: Word = Field(default=0, description="What it reads as before it is written, where `reads` is left out.")
    set_mask: Word = Field(default=0, description="Bits that read as set after `set_after` reads.")
    set_after: Annotated[int, whole(0, 10_000)] = Field(default=0, description="How many reads come before that.")
    write: Annotated[WriteDeed, choice(WriteDeed)] = Field(
        default=WriteDeed.KEEP,
        description="What a write does: it is kept, ignored, clears the bits written as ones, feeds the watchdog, "
        "resets the part, empties the caches or loads the settings areas.",
    )
    word: Word | None = Field(
        default=None, description="For watchdog, reset, invalidate and load settings: only this value counts."
    )
    causes: list[Word] = Field(
        default=[], description="For the reset cause: its value after power-up, watchdog and software reset."
    )

    def rule(self) -> Rule:
        """Return the rule."""
        return Rule(
            self.name,
            self.at,
            self.size,
            tuple(self.reads),
            self.initial,
            self.set_mask,
            self.set_after,
            self.write,
            self.word,
            tuple(self.causes),
        )


class PluginForm(Form):
    """Registers that a Python class of yours answers for."""

    name: Text = Field(description="What the registers belong to.")
    at: Size = Field(description="Address of the first one.")
    size: Size = Field(description="Bytes that they take.")
    python: PythonClass = Field(description='The class, "module:Class"; the module lies beside this file.')


class ChangeForm(Form):
    """Bytes that are altered in a run's flash."""

    at: Size = Field(description="Address of the first byte.")
    data: HexBytes = Field(description="The bytes, in hexadecimal.")


class RunForm(Form):
    """A start of the device whose outcome is known: the golden run that faults and cuts are compared with."""

    name: Name = Field(description="Short name of the run.")
    kind: Annotated[RunKind, choice(RunKind)] = Field(description="What it is meant to show.")
    flash: list[FilePath] = Field(description="Files that the flash holds besides the boot program.")
    change: list[ChangeForm] = Field(default=[], description="Bytes altered afterwards.")
    expect: Annotated[Expect, choice(Expect)] | None = Field(
        default=None, description="What must come of it; tampered and downgrade refuse if left out, the others run."
    )
    boots: Remark = Field(default="", description="Name of the approved image that must run; any if left out.")
    cold: YesNo = Field(default=True, description="Whether it is also tried as a start at power-up.")

    def run(self) -> GoldenRun:
        """Return the run."""
        refuses = self.kind in (RunKind.TAMPERED, RunKind.DOWNGRADE)
        expect = self.expect or (Expect.REFUSES if refuses else Expect.RUNS)
        changes = tuple(Change(item.at, item.data) for item in self.change)
        return GoldenRun(self.name, self.kind, tuple(self.flash), changes, expect, self.boots, self.cold)


class ApprovedForm(Form):
    """An image that may run. Without any, the product's own images and their precursors count."""

    name: Name = Field(description="Short name of the image.")
    file: FilePath = Field(description="Its file, linked to where it runs.")
    sequence: Annotated[int, whole(0, 2**32 - 1)] = Field(
        default=0, description="Its place in the order of versions, as the version floor counts them; 0 for no floor."
    )
    at: Size | None = Field(default=None, description="Where it runs, if that is not where its file is linked to.")
    base: Size | None = Field(default=None, description="Load address of a raw binary file.")
    recovery: YesNo = Field(default=False, description="Whether running it means that the boot program refused.")


class FloorForm(Form):
    """Where the version floor stands in flash: a log of entries, the highest sound one counts."""

    at: Size = Field(description="Address of the log.")
    size: Size = Field(description="Its size.")
    entry: Size = Field(default=16, description="Bytes of one entry.")
    value: Annotated[int, whole(0, 4096)] = Field(default=0, description="Offset of the 32-bit value in an entry.")
    complement: Offset = Field(default=-1, description="Offset of its complement.")
    check: Offset = Field(default=-1, description="Offset of a CRC-32 over the first `covered` bytes.")
    covered: Size = Field(default=0, description="How many bytes the check covers.")


class SecretForm(Form):
    """A key that only the boot program may read."""

    name: Name = Field(description="Short name of the key.")
    at: Size = Field(description="Its address.")
    size: Size = Field(description="Its size.")
    lock_at: Size | None = Field(default=None, description="Register that closes it before an image runs.")
    lock_mask: Word = Field(default=0, description="The bits of that register; 0 for the whole word.")
    lock_value: Word = Field(default=0, description="What they are when it is closed.")

    def secret(self) -> Secret:
        """Return the secret."""
        lock = None if self.lock_at is None else Bits(self.lock_at, self.lock_mask, self.lock_value)
        return Secret(self.name, self.at, self.size, lock)


class StagedForm(Form):
    """Where a staged update lies, for hostile ones."""

    at: Size = Field(description="Address of the staged update.")
    size: Size = Field(description="Bytes of the update; they are cut short and altered.")
    run: Name = Field(description="Name of the run whose flash holds it.")


class BenchForm(Form):
    """How the bench reaches the boot program, and what it tries. See the page on the bench."""

    limit: Annotated[int, whole(1000, 10**10)] = Field(
        default=50_000_000, description="Instructions after which a run counts as hanging."
    )
    hook: list[HookForm] = Field(default=[], description="Functions that the bench does in the program's place.")
    controller: list[ControllerForm] = Field(default=[], description="Flash controllers.")
    rule: list[RuleForm] = Field(default=[], description="Registers.")
    plugin: list[PluginForm] = Field(default=[], description="Registers answered by Python.")
    run: list[RunForm] = Field(default=[], description="Golden runs.")
    approved: list[ApprovedForm] = Field(default=[], description="Images that may run.")
    floor: FloorForm | None = Field(default=None, description="Where the version floor stands.")
    secret: list[SecretForm] = Field(default=[], description="Keys that only the boot program may read.")
    staged: StagedForm | None = Field(default=None, description="Where a staged update lies.")
    log: list[LogForm] = Field(default=[], description="Logs of records that the boot program keeps.")
    application: ApplicationForm | None = Field(default=None, description="What the application half writes.")

    def bench(self) -> Bench:
        """Return the tables as one value."""
        floor, staged = self.floor, self.staged
        return Bench(
            hooks=tuple(item.hook() for item in self.hook),
            controllers=tuple(item.controller() for item in self.controller),
            rules=tuple(item.rule() for item in self.rule),
            plugins=tuple(Plugin(item.name, item.at, item.size, item.python) for item in self.plugin),
            runs=tuple(item.run() for item in self.run),
            approved=tuple(Approved(i.name, i.file, i.sequence, i.at, i.base) for i in self.approved),
            floor=None
            if floor is None
            else FloorRecord(
                floor.at, floor.size, floor.entry, floor.value, floor.complement, floor.check, floor.covered
            ),
            secrets=tuple(item.secret() for item in self.secret),
            staged=None if staged is None else StagedUpdate(staged.at, staged.size, staged.run),
            recovery=tuple(item.name for item in self.approved if item.recovery),
            limit=self.limit,
            logs=tuple(item.log() for item in self.log),
            application=None if self.application is None else self.application.application(),
        )
