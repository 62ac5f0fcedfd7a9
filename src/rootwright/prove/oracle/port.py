"""One step on the concrete device: a port that keeps a picture of the flash at every place where the power may fail."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Final, Literal, NamedTuple, TypeAlias, TypeVar

from rootwright.describe.chip import BlankRead, EccError, Reprogram
from rootwright.describe.product import Attacker
from rootwright.device.content import FOREIGN, PROGRAMMED, VERSION_OF_KIND, Kind, kind_of
from rootwright.device.ground import Ground
from rootwright.device.port import BLANK, FAULT, Cell, Claim, Digest, LogSpec, Record, UpdateProcedure, Version
from rootwright.device.settings import SettingsModel
from rootwright.errors import ProcedureError
from rootwright.prove.events import Where
from rootwright.prove.oracle.state import (
    UNREADABLE,
    Log,
    OracleLevel,
    Slot,
    Value,
    forget,
    has_undecided,
    make_room,
    newest_readings,
    settle,
    torn_append,
    torn_erase,
    torn_log_erase,
    torn_program,
    with_record,
)

_Option = TypeVar("_Option")

Choose: TypeAlias = Callable[[Sequence[Any], int], Any]

MAX_OPERATIONS: Final = 20_000
OLDER: Final = Version(-1)
NEWER: Final = Version(1)
FALLEN_BACK: Final = 2
LOCKED: Final = 3
FIXED: Final = {0: 4, 1: 5}
ALL_ERASED: Final = 6
"""What the settings area may read as besides the bank of a whole one: its default state, for now or for ever, a bank
for ever, and a change that took all flash with it."""
DARK: Final = -1
"""What an area is loaded as while there is no power, where a reset does not load it."""


class Flash(NamedTuple):
    """Everything that survives a power cut."""

    cells: tuple[tuple[Value, ...], ...]
    weak: frozenset[int]
    logs: tuple[Log, ...]
    settings: Value
    loaded: int = 0  # what the settings area was loaded as; lost with the power like the next
    stale: frozenset[int] = frozenset()  # sectors of which a cache may still show what was there before
    again: frozenset[tuple[int, int, int]] = frozenset()  # sector, cell, programs since its erase beyond the first
    opened: tuple[int, ...] = ()  # what was written of the unlock sequence since the reset


class CutPoint(NamedTuple):
    """One place where the power may fail, and what is left there.

    Attributes:
        asked: How many of the reads before it had more than one possible outcome.
        seen: How many reads there were before it.
    """

    operation: int
    where: Where
    asked: int
    seen: int
    flash: Flash


class TrappedError(Exception):
    """A read raised a fault or an interrupt that nothing catches."""


class KeepTouchedError(Exception):
    """The step erases or programs a keep-area."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What stays the same through a whole exploration."""

    procedure: UpdateProcedure
    ground: Ground
    level: OracleLevel
    eager: bool  # one state for each outcome of a tear, made at the cut
    bounded: bool  # a log of one half has really `records_in_one` slots, not any number

    @property
    def catches(self) -> bool:
        """Whether the procedure catches what an undecodable unit raises when it is read."""
        return bool(getattr(self.procedure, "catches_faults", True))

    def stops_at(self, log: LogSpec) -> bool:
        """Say whether a torn record of a log can stop its reader."""
        return not self.catches and log.name in self.ground.coded

    def find_log(self, name: str) -> int:
        """Return the index of a log among the procedure's logs."""
        for k, spec in enumerate(self.procedure.logs):
            if spec.name == name:
                return k
        raise ProcedureError(f"the procedure uses a log '{name}' that it does not declare")


class ConcretePort:
    """The device under one step.

    Args:
        choose: Called with the possible readings where there is more than one, and with the number of reads before
            this one; returns the one that is found.
    """

    def __init__(self, subject: Subject, flash: Flash, choose: Choose) -> None:
        self._subject = subject
        self._ground = subject.ground
        self._choose = choose
        self._cells = [list(cells) for cells in flash.cells]
        self._weak = set(flash.weak)
        self._logs = list(flash.logs)
        self._settings = flash.settings
        self._loaded = flash.loaded
        self._stale = set(flash.stale)
        self._opened = flash.opened
        self._again = {(sector, cell): count for sector, cell, count in flash.again}
        self._bus = Attacker.EXTERNAL_BUS in subject.level.attackers
        self.asked = 0
        self.seen: list[Any] = []
        self.operations = 0
        self.cuts: list[CutPoint] = []

    # What the search takes from a step.

    def flash(self) -> Flash:
        """Return everything that is in the flash now."""
        cells = tuple(map(tuple, self._cells))
        stale = frozenset(self._stale)
        again = frozenset((*place, count) for place, count in self._again.items())
        logs = tuple(self._logs)
        return Flash(
            cells, frozenset(self._weak), logs, self._settings, self._loaded, stale, again=again, opened=self._opened
        )

    def _cut(self, where: Where, flash: Flash) -> None:
        kept = without_power(self._ground, flash)
        self.cuts.append(CutPoint(self.operations, where, self.asked, len(self.seen), kept))

    def _done(self) -> None:
        self._cut("after", self.flash())
        self.operations += 1
        if self.operations > MAX_OPERATIONS:
            raise ProcedureError(f"one step makes more than {MAX_OPERATIONS} operations")

    def _ask(self, options: Sequence[_Option]) -> _Option:
        """Return one of the possible readings and remember it."""
        found = options[0]
        if len(options) > 1:
            found = self._choose(options, len(self.seen))
            self.asked += 1
        self.seen.append(found)
        return found

    # Cells.

    def erase(self, sector: int, *, command: int = 0) -> None:
        """Erase one sector, or what a command covers: a cut inside leaves any mix, weak all over.

        A memory without erase stays as it is.
        """
        if self._ground.sectors[sector].erased is None:
            return
        hit = self._ground.covered(sector, command) if command else (sector,)
        for each in hit:
            self._refuse_keep(each)
            self._outdate(each)
        before = self.flash()
        self._cut("before", before)
        mixes = [tuple(torn_erase(before.cells[each], eager=self._subject.eager)) for each in hit]
        for mix in product(*mixes):
            cells = list(before.cells)
            for each, left in zip(hit, mix, strict=True):
                cells[each] = left
            self._cut("inside", before._replace(cells=tuple(cells), weak=before.weak.union(hit)))
        for each in hit:
            self._cells[each] = [BLANK] * len(self._cells[each])
            self._weak.discard(each)
            self._again = {place: count for place, count in self._again.items() if place[0] != each}
        self._done()

    def program(self, sector: int, cell: int, value: Cell) -> None:
        """Program one cell; one that is not blank comes out as the part's `reprogram` says."""
        self._refuse_keep(sector)
        self._outdate(sector)
        if self._ground.sectors[sector].erased is None:
            self._write_over(sector, cell, value)
            return
        old = self._decide(sector, cell)
        self._cut("before", self.flash())
        new: int = value
        if old != BLANK and not self._takes_more(sector, cell, old, value):
            new = FAULT
        for torn in torn_program(old, new, eager=self._subject.eager):
            self._cells[sector][cell] = torn
            self._cut("inside", self.flash())
        self._cells[sector][cell] = new
        self._done()

    def _takes_more(self, sector: int, cell: int, old: int, value: Cell) -> bool:
        """Count one more program of a cell that is not blank; say whether it then reads as what was programmed."""
        place = self._ground.sectors[sector]
        if place.reprogram is Reprogram.NEVER:
            return False
        if place.reprogram is Reprogram.TIMES:
            used = 1 + self._again.get((sector, cell), 0)
            if used >= place.times:
                return False
            self._again[(sector, cell)] = used
        return value in (PROGRAMMED, old)

    def _write_over(self, sector: int, cell: int, value: Cell) -> None:
        """Program one cell whatever it holds; what it held may be undecided itself."""
        held = self._cells[sector][cell]
        before = self.flash()
        self._cut("before", before)
        for old in held if isinstance(held, tuple) and self._subject.eager else (held,):
            kept = old if isinstance(old, tuple) else (old,)
            readings = tuple(sorted({*kept, int(value), int(FAULT)}))
            for torn in [(reading,) for reading in readings] if self._subject.eager else [readings]:
                self._cells[sector][cell] = torn
                self._cut("inside", self.flash())
        self._cells[sector][cell] = value
        self._done()

    def _outdate(self, sector: int) -> None:
        if self._ground.sectors[sector].cached:
            self._stale.add(sector)

    def invalidate(self) -> None:
        """Empty all caches."""
        self._stale.clear()

    def _refuse_keep(self, sector: int) -> None:
        first, stop = self._ground.keep
        if first <= sector < stop:
            raise KeepTouchedError

    def read(self, sector: int, cell: int) -> Cell:
        """Read one cell, with the attacker on the bus where there is one."""
        return self._read(sector, cell, bus=self._bus and self._ground.sectors[sector].external)

    def _read(self, sector: int, cell: int, *, bus: bool) -> Cell:
        if bus and self._ask((None, FOREIGN)) is not None:
            return FOREIGN
        if sector in self._stale and self._ask((None, FOREIGN)) is not None:
            return FOREIGN
        found = self._decide(sector, cell)
        if found == BLANK and self._ground.sectors[sector].blank_read is BlankRead.UNDEFINED:
            found = self._ask((BLANK, FOREIGN))
        if self._reads_as_fault(sector, found):
            if self._stops(sector):
                raise TrappedError
            return FAULT
        return Cell(found)

    def _reads_as_fault(self, sector: int, found: int) -> bool:
        blank = found == BLANK and self._ground.sectors[sector].blank_read is BlankRead.FAULT
        return blank or found == FAULT

    def _stops(self, sector: int) -> bool:
        raised = self._ground.sectors[sector].ecc_error in (EccError.FAULT, EccError.NMI)
        return raised and not self._subject.catches

    def _decide(self, sector: int, cell: int) -> int:
        """Return what is in a cell; where a cut left it open, that is settled now."""
        held = self._cells[sector][cell]
        if not isinstance(held, tuple):
            return held
        found = self._ask(held)
        if not self._subject.level.restless:
            self._cells[sector][cell] = found
        return found

    def is_blank(self, sector: int) -> bool:
        """Read a whole sector."""
        return all([self.read(sector, cell) == BLANK for cell in range(len(self._cells[sector]))])

    def digest(self, area: str) -> Digest:
        """Say whose content an area is; open cells are settled in order while everything else still agrees."""
        sectors = self._ground.area(area)
        if self._bus and any(self._ground.sectors[s].external for s in sectors):
            shown = self._ask(("actual", None, OLDER, NEWER))
            if shown != "actual":
                assert shown is None or isinstance(shown, Version)
                return Digest(shown, -2 if shown is None else -3 - shown)
        if not self._stale.isdisjoint(sectors):
            shown = self._ask(("actual", None, OLDER, Version(0), NEWER))
            if shown != "actual":
                assert shown is None or isinstance(shown, Version)
                return Digest(shown, -9 if shown is None else -10 - shown)
        places = [(s, c) for s in sectors for c in range(len(self._cells[s]))]
        for sector, cell in places:
            if self._stops(sector) and self._reads_as_fault(sector, self._decide(sector, cell)):
                raise TrappedError
        cells = {place: self._cells[place[0]][place[1]] for place in places}
        known = {place: Cell(cell) for place, cell in cells.items() if not isinstance(cell, tuple)}
        agreed = _agreed(self._ground, area, known)
        for place in places:
            if agreed not in (*VERSION_OF_KIND, "open"):
                break
            if place not in known:
                known[place] = Cell(self._decide(*place))
                agreed = _agreed(self._ground, area, known)
        kind = agreed if len(known) == len(places) else None
        identity = 1
        for place in places:
            identity = identity * 100_003 + known.get(place, FAULT)
        return Digest(VERSION_OF_KIND.get(kind) if isinstance(kind, Kind) else None, identity)

    # Logs and the settings word.

    def log(self, name: str) -> ConcreteLog:
        """Return the log called `name`."""
        return ConcreteLog(self, self._subject.find_log(name))

    def newest(self, index: int) -> Record | None:
        """Read the newest record of one log."""
        log = self._logs[index]
        found = self._ask(newest_readings(log))
        settles = not self._subject.level.restless and not self._is_unsettled(index)
        if has_undecided(log) and settles:
            log = settle(log, found)
            self._logs[index] = forget(log) if self._subject.procedure.logs[index].halves == 2 else log
        if found == UNREADABLE and self._subject.stops_at(self._subject.procedure.logs[index]):
            raise TrappedError
        return found

    def append(self, index: int, record: Record) -> None:
        """Append a record to one log, in the room that is there or made."""
        spec: LogSpec = self._subject.procedure.logs[index]
        capacity = self._subject.level.room_in(spec)
        stops = self._subject.stops_at(spec)
        if stops and UNREADABLE in newest_readings(self._logs[index]):
            self.newest(index)
        if self._logs[index].locked:
            before = self.flash()
            self._cut("before", before)
            self._cut("inside", before)
            self._done()
            return
        if spec.halves == 1 and self._is_full(index, capacity):
            before = self.flash()
            self._cut("before", before)
            for torn in torn_log_erase(self._logs[index], eager=self._subject.eager, stops=stops):
                self._cut("inside", _with_log(before, index, torn))
            self._logs[index] = Log((), (), used=False)
            self._done()
        before = self.flash()
        self._cut("before", before)
        log = self._logs[index]
        room = make_room(log, capacity) if spec.halves == 2 else log
        if room is not log:
            self._cut("inside", before)  # inside the erase of the half that holds nothing of worth
        eager = self._subject.eager and not self._is_unsettled(index)
        for torn in torn_append(spec, room, record, eager=eager, stops=stops):
            self._cut("inside", _with_log(before, index, torn))
        self._logs[index] = with_record(room, Slot((record,)), spec.halves)
        self._done()

    def lock(self, index: int) -> None:
        """Lock the words of one log's newest record, and with them what the same lock covers."""
        locks = dict(self._ground.locks)
        name = self._subject.procedure.logs[index].name
        if name not in locks:
            return
        self._cut("before", self.flash())
        if locks[name]:
            self._logs[index] = self._logs[index]._replace(locked=True)
        self._cut("inside", self.flash())
        self._done()

    def _is_unsettled(self, index: int) -> bool:
        """Say whether a torn record of this log may read differently every time, whatever the level."""
        return self._subject.procedure.logs[index].name in self._ground.unsettled

    def _is_full(self, index: int, capacity: int) -> bool:
        log = self._logs[index]
        if not log.used:
            return False
        if self._subject.bounded and len(log.current) >= capacity:
            self.seen.append(True)
            return True
        return self._ask((False, True))

    def _word(self) -> int:
        """Return what the settings area reads as; open readings are settled, on the steady level for good."""
        held = self._settings
        found = self._ask(held if isinstance(held, tuple) else (held,))
        if not self._subject.level.restless:
            self._settings = found
        return found

    def word_at_rest(self) -> int:
        """Return what the settings area was loaded as, for what may happen at rest."""
        return self._loaded

    def settings(self) -> int:
        """Return the bank that the settings area maps low."""
        if self._ground.settings is None:
            return self._word()
        return low_bank(self._ground, self._loaded) or 0

    def is_settings_whole(self) -> bool:
        """Say whether the settings area is as it was programmed."""
        return self._loaded in (0, 1, *FIXED.values())

    def write_unlock(self, number: int) -> None:
        """Write one value of the unlock sequence; it is looked at when the area is programmed."""
        if self._ground.settings is not None and self._ground.settings.unlock:
            self._opened = (*self._opened, number)
            if self._opened != tuple(range(len(self._opened))) or len(self._opened) > self._ground.settings.unlock:
                self._opened = (DARK,)  # nothing opens it any more

    def _takes(self, part: SettingsModel, value: int) -> bool:
        """Say whether the area lets itself be programmed now."""
        right = tuple(range(part.unlock))
        opened, self._opened = self._opened, () if self._opened == right else self._opened
        if opened not in ((), right):
            return False
        for_ever = {LOCKED, ALL_ERASED, *FIXED.values()}
        return (
            for_ever.isdisjoint({self._loaded, self._settings}) and (self._loaded, value, "refused") not in part.changes
        )

    def program_settings(self, value: int) -> None:
        """Program the settings word: a cut inside leaves what the chip file says, else old, new or the default 0."""
        part = self._ground.settings
        held = self._settings
        kept = held if isinstance(held, tuple) else (held,)
        if part is None:
            self._write_word(tuple(dict.fromkeys((*kept, value, 0))), value)
            return
        if not self._takes(part, value):
            self._write_word((held,), held)
            return
        if (self._loaded, value, "locks") in part.changes:
            value = FIXED[value]
        elif (self._loaded, value, "erases") in part.changes:
            value = ALL_ERASED
        outcomes = {"old": kept, "new": (value,), "default": (FALLEN_BACK,), "locked": (LOCKED,)}
        left = {reading for torn in part.torn for reading in outcomes[torn.value]}
        if part.apart:
            # Between the two writes the word has no complement that matches it.
            alone = {outcomes[torn.value][0] for torn in part.torn if torn.value in ("default", "locked")} or {
                FALLEN_BACK
            }
            readings = tuple(sorted(left | alone))
            self._write_word(readings, *sorted(alone))
            self._write_word(readings, value)
        else:
            self._write_word(tuple(sorted(left)), value)

    def _write_word(self, torn: tuple[Value, ...], *done: Value) -> None:
        """Write one word of the area: what a cut leaves of it, and what is there then."""
        before = self.flash()
        self._cut("before", before)
        eager = self._subject.eager
        plain = [reading for each in torn for reading in (each if isinstance(each, tuple) else (each,))]
        for left in [(reading,) for reading in plain] if eager else [tuple(plain)]:
            self._cut("inside", before._replace(settings=left))
        if len(done) == 1:
            self._settings = done[0]
        else:
            assert all(isinstance(each, int) for each in done)
            self._settings = done  # type: ignore[assignment]
        self._done()

    def start_boot(self, sound: frozenset[str]) -> tuple[Claim, str] | None:
        """Start from reset; return the claim that fails and why where no sound boot stage runs.

        Args:
            sound: Blocks whose boot stage is as it was shipped.
        """
        part = self._ground.settings
        self._stale.clear()
        self._opened = ()
        if part is None:
            return None if "boot" in sound else (Claim.APPROVED_ONLY, "a foreign boot stage runs")
        if not part.needs_power or self._loaded == DARK:
            self._loaded = self._word()
        word = self._loaded
        low = low_bank(self._ground, word)
        if word == ALL_ERASED or (part.default_erases and word in (FALLEN_BACK, LOCKED)):
            return Claim.BOOTS, "all flash is erased"
        if low is None or not part.boots[low]:
            return Claim.BOOTS, "no boot stage is where the core starts"
        return None if part.boots[low] in sound else (Claim.APPROVED_ONLY, "a foreign boot stage runs")


def low_bank(ground: Ground, word: int) -> int | None:
    """Return the bank that is mapped low for what the settings area was loaded as."""
    for bank, fixed in FIXED.items():
        if word in (bank, fixed):
            return bank
    assert ground.settings is not None
    return ground.settings.default


def without_power(ground: Ground, flash: Flash) -> Flash:
    """Return what is left of everything when the power fails."""
    needs_power = ground.settings is not None and ground.settings.needs_power
    return flash._replace(loaded=DARK if needs_power else 0, stale=frozenset(), opened=())


def after_reset(ground: Ground, flash: Flash) -> Flash:
    """Return what is left of everything after a reset with the power on."""
    keeps = ground.settings is not None and ground.settings.needs_power
    return without_power(ground, flash)._replace(loaded=flash.loaded if keeps else 0)


class ConcreteLog:
    """One log of the concrete device."""

    def __init__(self, port: ConcretePort, index: int) -> None:
        self._port = port
        self._index = index

    def newest(self) -> Record | None:
        """Return the newest readable record."""
        return self._port.newest(self._index)

    def append(self, record: Record) -> None:
        """Append one record."""
        self._port.append(self._index, record)

    def lock(self) -> None:
        """Lock the words of the newest record."""
        self._port.lock(self._index)


def whole_kind(ground: Ground, area: str, cells: Sequence[Cell]) -> Kind | None:
    """Return whose content the cells of an area wholly are, linked for it and in their places; None for any other."""
    places = [(s, c) for s in ground.area(area) for c in range(ground.sectors[s].cells)]
    kind = _agreed(ground, area, dict(zip(places, cells, strict=True)))
    return kind if isinstance(kind, Kind) else None


def _agreed(ground: Ground, area: str, cells: Mapping[tuple[int, int], Cell]) -> Kind | Literal["open"] | None:
    """Return whose content all the given cells are, "open" where none is given, None where they are not of one."""
    link = dict(ground.links).get(area, 0)
    kinds = set()
    for (sector, cell), value in cells.items():
        content = kind_of(value)
        if content is None or content[1:] != (link, ground.sectors[sector].position + cell):
            return None
        kinds.add(content[0])
    if not kinds:
        return "open"
    return kinds.pop() if len(kinds) == 1 else None


def _with_log(flash: Flash, index: int, log: Log) -> Flash:
    return flash._replace(logs=(*flash.logs[:index], log, *flash.logs[index + 1 :]))
