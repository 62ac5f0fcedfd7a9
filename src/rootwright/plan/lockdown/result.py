"""What the lock-down plan gives: isolation, covers, settings, steps, states, attempts and aims. Frozen.

`rootwright.pipeline.lock_down` makes a `LockdownPlan`. Review and dossier read it; nothing here computes.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.lock_field import LifeState, Observer
from rootwright.layout.map import Constraint
from rootwright.plan.root_of_trust import Foundation, PartVerdict


class Met(StrEnum):
    """How far an aim is met by what is planned."""

    MET = "met"
    PARTLY = "partly met"
    NOT = "not met"


class Column(StrEnum):
    """The columns of the aims: NIST SP 800-193's, and one for the life cycle."""

    ROOTS = "roots of trust"
    PROTECT = "protect"
    DETECT = "detect"
    RECOVER = "recover"
    LIFE_CYCLE = "life cycle"


class Writer(StrEnum):
    """Who must be able to change a block after it left the factory."""

    BOOT = "boot stage"
    RECOVERY = "recovery image"
    APPLICATION = "application"


class Moment(StrEnum):
    """When a setting is made."""

    FACTORY = "once, in the factory"
    START = "at every start, before other code runs"
    TRIAL = "at the start of an image on trial"
    SECOND = "at every start from the second slot"
    RECOVERY = "before the recovery image runs"


class Effect(StrEnum):
    """What a cover does to the block under it."""

    NO_WRITE = "not written"
    NO_READ = "not read"
    NO_ACCESS = "not reached"
    NO_EXECUTE = "not run"


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that must hold for a protection to do what it is planned for.

    Attributes:
        id: Stable name, listed in the manual.
        holds: Whether a described fact says that it holds; False also where nothing is said.
        fact: The field that says so, or that would have to, such as "lock.application_unprivileged".
        text: What must hold, and what follows where it does not.
    """

    id: str
    holds: bool
    fact: str
    text: str


@dataclass(frozen=True, slots=True)
class Rung:
    """One foundation for isolation, in falling order of strength, and whether it can be used here.

    Attributes:
        usable: Whether the part offers it and all its conditions hold.
        why: In words, also for those that are not usable.
    """

    foundation: Foundation
    usable: bool
    why: str
    conditions: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Cover:
    """One protection over one run of neighbouring blocks.

    Attributes:
        protection: Name of the protection in the chip file.
        blocks: The blocks that it is for, in order of address.
        address, size: What it covers in bytes, whole granules.
        over: Bytes covered that belong to none of `blocks` and to no other block.
        lock: How long it holds.
        moment: When it is set. A block that the application must write is closed at some moments only.
    """

    protection: str
    kind: ProtectionKind
    effect: Effect
    blocks: tuple[str, ...]
    memory: str
    address: int
    size: int
    over: int
    lock: Lock
    moment: Moment

    @property
    def end(self) -> int:
        """The first address behind the cover."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class SettingValue:
    """One value to be written to one field, exactly.

    Attributes:
        name: Stable name, such as "write-lock-0" or "MPU_RBAR[2]".
        field: Name of the chip file's setting; empty for architected registers, and where the file describes none.
        address: Where it is written; None where the chip file gives no position or the register has no address.
        number: CSR number, where the register is one; else None.
        width: Access width in bits.
        value, mask: What is written and which bits of it are meant; bits outside the mask are kept as they are.
        delivered: The same bits before the lock-down.
        stored: Whether it keeps without power (else it is a register, loaded or written at every start).
        source: Document and section of the encoding, or "chip file".
        says: The value in words.
    """

    name: str
    protection: str
    field: str
    address: int | None
    number: int | None
    width: int
    value: int
    mask: int
    delivered: int | None
    stored: bool
    lock: Lock
    moment: Moment
    source: str
    says: str


@dataclass(frozen=True, slots=True)
class Visible:
    """Who can see one field in one state of the life cycle."""

    state: LifeState
    observers: tuple[Observer, ...]


@dataclass(frozen=True, slots=True)
class Readback:
    """One field of the capture sheet: what to read, where, and what it must say.

    Attributes:
        name: As in the chip file.
        stored: True for the stored copy, False for the register it is loaded into.
        partner: Name of the other copy, empty where there is none.
        value, mask: Expected value in the locked state; a mask of 0 says "don't care".
        aims: Ids of the aims that a difference touches.
        means: What a difference means.
        delivered: The value before the lock-down, under the same mask.
        closes: Whether it closes a port, which is the last step: in development it must still say `delivered`.
        lasts: Whether it outlives a full erase.
        is_unit, is_silicon: Whether it says which unit, or which silicon revision this is.
        bits: All bits of the field, also where nothing is planned for them.
        meanings: What its values mean, each shifted to its place, as the chip file says.
        otherwise: What any other value means.
    """

    name: str
    address: int
    width: int
    stored: bool
    partner: str
    value: int
    mask: int
    visible: tuple[Visible, ...]
    aims: tuple[str, ...]
    means: str
    delivered: int = 0
    closes: bool = False
    lasts: bool = True
    is_unit: bool = False
    is_silicon: bool = False
    bits: int = 0
    meanings: tuple[tuple[int, str], ...] = ()
    otherwise: str = ""

    def is_visible(self, state: LifeState, observer: Observer) -> bool:
        """Return whether an observer sees the field in a state."""
        return any(v.state is state and observer in v.observers for v in self.visible)


@dataclass(frozen=True, slots=True)
class Step:
    """One step from the blank to the locked part.

    Attributes:
        id: Stable name for `lock.order` of a product file.
        needs: Access paths that must still be open, such as "debug port".
        closes: Access paths that are shut once it is done.
        after: Steps that must come before it.
        settings: Names of the setting values that it writes.
        check: How to see that it worked.
        irreversible: What can never be undone afterwards, in capitals and words; empty where all of it can be.
        reaches: The state of the life cycle that begins with it, or None.
    """

    id: str
    title: str
    needs: tuple[str, ...]
    closes: tuple[str, ...]
    after: tuple[str, ...]
    settings: tuple[str, ...]
    check: str
    irreversible: str = ""
    reaches: LifeState | None = None


@dataclass(frozen=True, slots=True)
class CutOff:
    """Why an order of locking is refused: the step that would be cut off, by which earlier one, and over what."""

    step: str
    by: str
    path: str
    text: str


@dataclass(frozen=True, slots=True)
class State:
    """What a state of the life cycle allows and what it does not."""

    state: LifeState
    reachable: bool
    allows: tuple[str, ...]
    denies: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Transition:
    """One way from a state to another: what does it, and whether there is a way back."""

    origin: LifeState
    target: LifeState
    by: str
    reversible: bool


@dataclass(frozen=True, slots=True)
class Attempt:
    """Something that must fail on a locked part, or must work: configured is not effective until it was tried.

    Attributes:
        id: Stable name for the file of outcomes.
        kind: "attach", "write", "read", "update" or "works".
        address, size: Of an access; None elsewhere.
        expected: "refused" or "works".
        aims: Ids of the aims that fall where it turns out otherwise.
    """

    id: str
    kind: str
    state: LifeState
    observer: Observer
    text: str
    expected: str
    address: int | None = None
    size: int | None = None
    aims: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AimEvidence:
    """One fact or setting that an aim rests on.

    Attributes:
        source: Field of a file ("chip: protection debug-lock", "product: lock.write_protect") or setting name.
        holds: Whether it speaks for the aim.
    """

    text: str
    source: str
    holds: bool


@dataclass(frozen=True, slots=True)
class Aim:
    """One aim of the lock-down, how far it is met, and the evidence.

    Attributes:
        id: Stable name, such as "root-fixed".
        basis: Part of NIST SP 800-193 that it derives from, or "common practice, no source".
    """

    id: str
    column: Column
    text: str
    basis: str
    met: Met
    evidence: tuple[AimEvidence, ...]


@dataclass(frozen=True, slots=True)
class Conflict:
    """Something asked for that the part cannot do as the map stands.

    Attributes:
        rule: Stable name, listed in the manual.
        blocks: The blocks concerned.
        note: True for a condition to keep in mind, which breaks nothing.
    """

    rule: str
    blocks: tuple[str, ...]
    found: str
    next_step: str
    note: bool = False


@dataclass(frozen=True, slots=True)
class LockdownPlan:
    """The lock-down of one product on its part.

    Attributes:
        part: Whether the part can host a root of trust, and why.
        isolation: What isolation rests on here, the first usable of `rungs`.
        covers: Which blocks get which protection.
        settings: Exact values, in the order of their registers.
        steps: From blank to locked: the product's own order where it is given and cuts off nothing, else ours.
        cut_offs: Why the product's own order is refused; empty where it is not.
        constraints: What the map would have to change.
        conflicts: Findings and notes.
    """

    product: str
    chip: str
    silicon: str
    procedure: str
    part: PartVerdict
    isolation: Foundation
    rungs: tuple[Rung, ...]
    covers: tuple[Cover, ...]
    settings: tuple[SettingValue, ...]
    readback: tuple[Readback, ...]
    steps: tuple[Step, ...]
    cut_offs: tuple[CutOff, ...]
    states: tuple[State, ...]
    transitions: tuple[Transition, ...]
    attempts: tuple[Attempt, ...]
    aims: tuple[Aim, ...]
    constraints: tuple[Constraint, ...]
    conflicts: tuple[Conflict, ...]
    cautions: tuple[str, ...]

    @property
    def breaks_a_limit(self) -> bool:
        """Whether a conflict is more than a note, or the product's own order of locking is refused."""
        return bool(self.cut_offs) or any(not conflict.note for conflict in self.conflicts)

    def find_aim(self, id: str) -> Aim:
        """Return the aim with one id; KeyError where there is none."""
        for aim in self.aims:
            if aim.id == id:
                return aim
        raise KeyError(id)

    def find_covers(self, block: str) -> tuple[Cover, ...]:
        """Return the covers of one block."""
        return tuple(cover for cover in self.covers if block in cover.blocks)

    def as_data(self) -> dict[str, Any]:
        """Return the plan as plain dictionaries, lists, numbers and texts, ready for JSON.

        `version` rises when a key goes away or changes its meaning; new keys may come without that.
        """
        return {"version": 1, **asdict(self)}
