"""What an update procedure sees of the world: a port to flash, logs and settings, and the outcomes of one step.

A procedure is a function `step(port, control) -> Outcome`, called again and again. It keeps nothing between calls but
`control` (volatile RAM, lost at a power cut) and what it wrote through the port. One step should do one sector's work:
the checker cuts the power before, inside and after every operation of a step.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NewType, Protocol, TypeAlias

Cell = NewType("Cell", int)
"""What reading a cell gives: BLANK, FAULT, or an opaque number that can be programmed elsewhere and compared."""

BLANK: Final = Cell(0)
FAULT: Final = Cell(1)


class Version(int):
    """A firmware version as the checker names it: 0 is the version kept now, 1 a newer, -1 an older one.

    Only comparisons are meaningful. The checker renames all versions in flash and records when the floor rises, which
    is how a verdict covers any number of updates.
    """

    __slots__ = ()

    def __repr__(self) -> str:
        return {-1: "older", 0: "current", 1: "newer"}.get(int(self), f"version {int(self)}")


Record: TypeAlias = tuple[str | int | Version, ...]
"""One record of a log, for example ("swap", 3, 1). Version numbers in it must be of type `Version`."""

Control: TypeAlias = object
"""Volatile state between steps; hashable."""


@dataclass(frozen=True, slots=True)
class Digest:
    """A digest over an area, compared with the signed ones.

    Attributes:
        version: The version whose signed bytes, linked for this area, the content equals; None for any other content.
        identity: Equal for equal content.
    """

    version: Version | None
    identity: int


class LogPort(Protocol):
    """An append-only log of small records; only the newest one counts."""

    def newest(self) -> Record | None:
        """Return the newest readable record, None where there is none."""

    def append(self, record: Record) -> None:
        """Append one record; a log of two halves makes room by erasing the half that does not hold the newest."""

    def lock(self) -> None:
        """Lock the one-time words of the newest record for ever; nothing where the log lies in no such words.

        Where a lock covers more than one record's words, no record can be added after it.
        """


class Port(Protocol):
    """The reference device's hardware, one cell or sector at a time."""

    def erase(self, sector: int, *, command: int = 0) -> None:
        """Erase one sector; with `command`, all that the part's erase command of so many bytes covers there.

        A cut leaves all of it weak. `Ground.find_commands` gives the sizes, `Ground.covered` the sectors.
        """

    def program(self, sector: int, cell: int, value: Cell) -> None:
        """Program one cell; on a cell that is not blank the outcome is what the part's `reprogram` says."""

    def read(self, sector: int, cell: int) -> Cell:
        """Read one cell."""

    def is_blank(self, sector: int) -> bool:
        """Read a whole sector and say whether every cell reads blank."""

    def digest(self, area: str) -> Digest:
        """Digest one area of the ground, and compare with what is signed for that area."""

    def invalidate(self) -> None:
        """Throw away what caches hold, so that reads and code see what is in flash now."""

    def log(self, name: str) -> LogPort:
        """Return the log called `name`."""

    def settings(self) -> int:
        """Return the loaded settings word (which bank is mapped low)."""

    def is_settings_whole(self) -> bool:
        """Say whether the settings area was loaded as it was programmed, not in its default state."""

    def write_unlock(self, number: int) -> None:
        """Write the `number`-th value (from 0) of the unlock sequence of the settings area.

        A wrong one shuts the area until the next reset. Whoever never calls it leaves the sequence to
        `program_settings`.
        """

    def program_settings(self, value: int) -> None:
        """Program the settings word. Loading it resets the core: return `Again(POWER_UP)` next."""


class PowerUp:
    """The control at power-up or reset; there is one, `POWER_UP`."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "power-up"


POWER_UP: Final = PowerUp()


class Attribute(StrEnum):
    """What is wrong with an offered update."""

    GENUINE = "genuine"
    ALTERED = "altered"  # the manifest is genuine, the payload is not
    WRONG_LINK = "wrong link"  # genuine, but linked for the other slot


@dataclass(frozen=True, slots=True)
class Offer:
    """Somebody offers an update to the running code; as a control it asks the procedure's application half to act.

    Attributes:
        version: What its authentic manifest says.
    """

    version: Version
    attribute: Attribute = Attribute.GENUINE

    def __str__(self) -> str:
        kind = {-1: "an older", 0: "the current", 1: "a newer"}[int(self.version)]
        return {
            Attribute.GENUINE: f"{kind} genuine update",
            Attribute.ALTERED: f"{kind} update with an altered payload",
            Attribute.WRONG_LINK: f"{kind} genuine update linked for the other slot",
        }[self.attribute]


class ReportGood:
    """The control that asks the application half to report itself good; there is one, `REPORT_GOOD`."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "report good"


REPORT_GOOD: Final = ReportGood()


@dataclass(frozen=True, slots=True)
class Again:
    """There is more to do: call `step` with this control."""

    control: Control


@dataclass(frozen=True, slots=True)
class Run:
    """Run the code in `area`.

    Attributes:
        on_trial: Whether it must report itself good to be kept.
        opens: Blocks that the boot stage leaves writable while this code runs, though the lock-down could close them.
        data: The area in which it finds the data that it was told to migrate; empty where nothing migrates.
    """

    area: str
    on_trial: bool = False
    opens: frozenset[str] = frozenset()
    data: str = ""


@dataclass(frozen=True, slots=True)
class Idle:
    """Nothing to run: wait for the loader over `link`."""

    link: str


@dataclass(frozen=True, slots=True)
class Stuck:
    """Nothing to run and nothing to wait for: a dead device."""

    reason: str


Outcome: TypeAlias = Again | Run | Idle | Stuck


class Claim(StrEnum):
    """What a procedure promises; what it does not promise is printed as 'not claimed'."""

    APPROVED_ONLY = "no unapproved code runs"
    BOOTS = "an uncut boot reaches an authentic image"
    BOOTS_OR_WAITS = "an uncut boot reaches an authentic image or waits for the loader"
    ENDS = "every uncut run comes to rest"
    FLOOR = "no version below the floor runs"
    RETURNS = "a failed trial returns to the version before"
    KEEPS = "keep-areas stay untouched"
    DATA = "whichever version runs finds data in its form"


@dataclass(frozen=True, slots=True)
class LogSpec:
    """How a log is laid out.

    Attributes:
        halves: 2 where one half is erased while the other holds the newest record, 1 where it is erased in place.
        check_code: Whether a record carries a check code, so that a torn one is told from a whole one.
        forgeable: Records that code with write access could append.
    """

    name: str
    halves: int = 2
    check_code: bool = True
    forgeable: tuple[Record, ...] = ()


def does_catch(procedure: UpdateProcedure) -> bool:
    """Say whether a procedure catches what reading an undecodable unit raises, as all do that do not say otherwise."""
    return bool(getattr(procedure, "catches_faults", True))


class UpdateProcedure(Protocol):
    """An update procedure as the checker wants it; `device.procedures` has ours, a product may name its own.

    It is taken to catch the fault or interrupt that reading an undecodable unit raises, and to read on. One that does
    not says `catches_faults = False`: where the part raises one, such a read resets the core.
    """

    @property
    def claims(self) -> frozenset[Claim]:
        """What it promises."""

    @property
    def logs(self) -> tuple[LogSpec, ...]:
        """The logs that it keeps."""

    @property
    def initial(self) -> tuple[tuple[str, Record], ...]:
        """The first record of each log, by the log's name."""

    @property
    def start_area(self) -> str:
        """The area in which the first image is shipped."""

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step of work through `port`."""
