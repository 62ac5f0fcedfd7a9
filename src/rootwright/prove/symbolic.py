"""The port over a symbolic state: records reads, kills, operations, questions and what a cut would leave."""

from __future__ import annotations

from typing import Any, NamedTuple

from rootwright.describe.chip import BlankRead, Reprogram
from rootwright.describe.settings import Torn
from rootwright.device.content import FOREIGN, KIND_OF_VERSION, PROGRAMMED, Kind
from rootwright.device.port import (
    BLANK,
    FAULT,
    POWER_UP,
    Again,
    Cell,
    Claim,
    Control,
    Digest,
    Outcome,
    Record,
    Run,
    UpdateProcedure,
    Version,
)
from rootwright.device.settings import (
    DEFAULT_STATE,
    ERASED_STATE,
    FIXED_STATE,
    LOCKED_STATE,
    NOT_LOADED,
    Change,
    SettingsModel,
)
from rootwright.errors import ProcedureError
from rootwright.prove.world import UNREADABLE, Flash, LogContent, SectorContent, World

SHUT = -1  # the settings area, until the next reset

MAX_OPERATIONS = 20_000  # in one step; a procedure that needs more is not stepping


class Operation(NamedTuple):
    """One operation of a step: where it works, what it leaves when cut inside and when complete.

    `also` has location, torn and done for each further sector that an erase command covers, and for program counts.
    """

    kind: str  # "erase", "program", "append", "erase log", "settings", "complement", "lock"
    location: int
    torn: int
    done: int
    killed: int  # bits killed once it is complete
    also: tuple[tuple[int, int, int], ...] = ()


class Trapped(Exception):
    """Reading an undecodable unit raised what nothing catches: the core resets."""


class NoBoot(NamedTuple):
    """Why the boot stage does not start, or is not the one that was shipped."""

    claim: Claim
    what: str


class Question(NamedTuple):
    """One decision taken at a read: kind, place, number of possible answers."""

    kind: str
    where: int
    answers: int


class SymbolicPort:
    """The port of one step from one state; `script` decides the first questions, the others take answer 0."""

    def __init__(self, world: World, state: Flash, script: tuple[int, ...]) -> None:
        self.world = world
        self.state = list(state)
        self.script = script
        self.reads = 0
        self.killed = 0
        self.questions: list[Question] = []
        self.answers: list[tuple[int, Any]] = []  # (operations before it, what was read)
        self.taken: list[int] = []
        # Settled reads and operations in the order in which they happened.
        self.changes: list[tuple[int, int] | Operation] = []
        self.operations = 0
        self.erases = 0
        self.touched_keep: int | None = None
        self.trapped = False

    # -- questions

    def ask(self, kind: str, where: int, answers: int) -> int:
        """Return the next answer of the script, 0 beyond it."""
        place = len(self.questions)
        self.questions.append(Question(kind, where, answers))
        answer = self.script[place] if place < len(self.script) else 0
        if answer >= answers:
            raise ProcedureError("hidden state in procedure: the same step asked other questions when run again")
        self.taken.append(answer)
        return answer

    def _note(self, value: Any) -> None:
        self.answers.append((self.operations, value))

    def _operation(
        self,
        kind: str,
        location: int,
        torn: int,
        done: int,
        killed: int,
        also: tuple[tuple[int, int, int], ...] = (),
    ) -> None:
        self.changes.append(Operation(kind, location, torn, done, killed, also))
        self.state[location] = done
        for other, _, left in also:
            self.state[other] = left
        self.operations += 1
        if self.operations > MAX_OPERATIONS:
            raise ProcedureError(
                f"one step made more than {MAX_OPERATIONS} operations",
                next_step="return Again(...) after each sector's work",
            )

    def _settle(self, location: int, content: int) -> None:
        if not self.world.level.restless:
            self.state[location] = content
            self.changes.append((location, content))

    # -- sectors

    def _sector(self, sector: int) -> SectorContent:
        content = self.world.values[self.state[sector]]
        assert isinstance(content, SectorContent)
        return content

    # -- caches

    def _spoil(self, sector: int) -> None:
        """Note that the cache of a sector is stale from here on."""
        world = self.world
        if not world.ground.sectors[sector].cached:
            return
        stale = self._stale()
        if sector not in stale:
            self._set_stale(stale | {sector})

    def _stale(self) -> frozenset[int]:
        """Return the sectors whose cache is stale."""
        self._look(self.world.stale_location, 0)
        stale = self.world.values[self.state[self.world.stale_location]]
        assert isinstance(stale, frozenset)
        return stale

    def _set_stale(self, stale: frozenset[int]) -> None:
        location, number = self.world.stale_location, self.world.intern(stale)
        self.state[location] = number
        self.changes.append((location, number))

    def is_stale(self, sectors: range) -> bool:
        """Say whether the cache of one of the sectors is stale."""
        cached = any(self.world.ground.sectors[i].cached for i in sectors)
        return cached and not self._stale().isdisjoint(sectors)

    def invalidate(self) -> None:
        """Throw away what caches hold."""
        if self.world.has_cache:
            self.killed |= self.world.mask[self.world.stale_location]
            self._set_stale(frozenset())

    def _look(self, sector: int, cell: int) -> None:
        world = self.world
        bit = 1 << (world.shift[sector] + cell)
        if not self.killed & bit:
            self.reads |= bit

    def _check_keep(self, sector: int) -> None:
        start, stop = self.world.ground.keep
        if start <= sector < stop and self.touched_keep is None:
            self.touched_keep = self.operations

    def erase(self, sector: int, *, command: int = 0) -> None:
        """Erase one sector, or all that a command covers; nothing happens in a memory that is written without erase."""
        world = self.world
        if world.ground.sectors[sector].erased is None:
            return
        first, *others = world.ground.covered(sector, command) if command else (sector,)
        killed = 0
        for covered in (first, *others):
            self._check_keep(covered)
            self._spoil(covered)
            killed |= world.mask[covered]
        self.killed |= killed
        self.erases += 1 + len(others)
        also = tuple((other, world.torn_erase(self.state[other]), world.blank[other]) for other in others)
        if world.counts:
            before = self.state[world.again_location]
            also += ((world.again_location, before, world.forget_programs(before, (first, *others))),)
        self._operation("erase", first, world.torn_erase(self.state[first]), world.blank[first], killed, also)

    def program(self, sector: int, cell: int, value: Cell) -> None:
        """Program one cell."""
        world = self.world
        self._check_keep(sector)
        self._spoil(sector)
        if world.ground.sectors[sector].erased is None:
            self._replace(sector, cell, int(value))
            return
        self._look(sector, cell)
        old = self._sector(sector).cells[cell]
        if old < 0:
            old = self._decide(sector, cell, old)
        new = int(value)
        also: tuple[tuple[int, int, int], ...] = ()
        if old != BLANK:
            new, also = self._program_again(sector, cell, old, new)
        torn, done = world.programmed(self.state[sector], cell, old, new)
        self._operation("program", sector, torn, done, 0, also)

    def _program_again(
        self, sector: int, cell: int, old: int, new: int
    ) -> tuple[int, tuple[tuple[int, int, int], ...]]:
        """Return what comes of programming a cell that is not blank, and how the count of programs changes."""
        world, place = self.world, self.world.ground.sectors[sector]
        also: tuple[tuple[int, int, int], ...] = ()
        if place.reprogram is Reprogram.NEVER or (place.reprogram is Reprogram.TIMES and place.times <= 1):
            return int(FAULT), ()
        if place.reprogram is Reprogram.TIMES:
            self._look(world.again_location, 0)
            counts = world.values[self.state[world.again_location]]
            assert isinstance(counts, frozenset)
            more = next((count for at, which, count in counts if (at, which) == (sector, cell)), 0)
            if more + 1 >= place.times:
                return int(FAULT), ()
            number = world.intern(counts - {(sector, cell, more)} | {(sector, cell, more + 1)})
            also = ((world.again_location, number, number),)
        return new if new in (old, PROGRAMMED) else int(FAULT), also

    def _replace(self, sector: int, cell: int, new: int) -> None:
        """Program one cell of a memory without erase: whatever was there is replaced."""
        world, before = self.world, self._sector(sector)
        torn = world.undecided({before.cells[cell], new, int(FAULT)})
        bit = 1 << (world.shift[sector] + cell)
        self.killed |= bit
        left, done = (
            world.intern(SectorContent((*before.cells[:cell], held, *before.cells[cell + 1 :]), before.weak))
            for held in (torn, new)
        )
        self._operation("program", sector, left, done, bit)

    def _decide(self, sector: int, cell: int, undecided: int) -> int:
        """Take one of an undecided cell's contents and keep it where cells are steady."""
        options = self.world.options[-undecided - 1]
        value = options[self.ask("cell", sector, len(options))]
        self._note(value)
        content = self._sector(sector)
        cells = (*content.cells[:cell], value, *content.cells[cell + 1 :])
        self._settle(sector, self.world.intern(SectorContent(cells, content.weak)))
        return value

    def read(self, sector: int, cell: int) -> Cell:
        """Read one cell."""
        self._look(sector, cell)
        content = self.world.values[self.state[sector]]
        value: int = content.cells[cell]  # type: ignore[attr-defined]
        place = self.world.ground.sectors[sector]
        if place.external and self.world.level.has_bus:
            if self.ask("bus", sector, 2):
                self._note(int(FOREIGN))
                return FOREIGN
            self._note(None)
        if self.is_stale(range(sector, sector + 1)):
            if self.ask("stale", sector, 2):
                self._note(int(FOREIGN))
                return FOREIGN
            self._note(None)
        if value < 0:
            value = self._decide(sector, cell, value)
        if value == BLANK and place.blank_read is BlankRead.UNDEFINED:
            value = int(FOREIGN) if self.ask("blank", sector, 2) else int(BLANK)
            self._note(value)
        if value == BLANK and place.blank_read is BlankRead.FAULT:
            value = int(FAULT)
        if value == FAULT and sector in self.world.traps:
            raise Trapped
        return Cell(value)

    def is_blank(self, sector: int) -> bool:
        """Read a whole sector and say whether every cell reads blank."""
        blank = True
        for cell in range(self.world.ground.sectors[sector].cells):
            blank &= self.read(sector, cell) == BLANK
        return blank

    def digest(self, area: str) -> Digest:
        """Digest one area and compare with what is signed for it."""
        world = self.world
        start, stop = world.area_range[area]
        for sector in range(start, stop):
            self.reads |= world.mask[sector] & ~self.killed & ~(1 << (world.shift[sector] + world.width[sector] - 1))
        if world.level.has_bus and any(world.ground.sectors[i].external for i in range(start, stop)):
            answer = self.ask("bus digest", start, 4)
            if answer:
                version = (None, Version(-1), Version(1))[answer - 1]
                self._note(version)
                return Digest(version, -1)
            self._note("actual")
        if self.is_stale(range(start, stop)):
            answer = self.ask("stale digest", start, 5)
            if answer:
                version = (None, Version(-1), Version(0), Version(1))[answer - 1]
                self._note(version)
                return Digest(version, -2)
            self._note("actual")
        if world.traps:
            self._read_through(start, stop)
        version = self._settle_area(area, start, stop)
        identity = hash(tuple(self._sector(i).cells for i in range(start, stop)))
        return Digest(version, identity)

    def _read_through(self, start: int, stop: int) -> None:
        """Read every cell of some sectors, where nothing catches what an undecodable one raises."""
        for sector in range(start, stop):
            if sector in self.world.traps:
                blank_faults = self.world.ground.sectors[sector].blank_read is BlankRead.FAULT
                for cell, held in enumerate(self._sector(sector).cells):
                    value = self._decide(sector, cell, held) if held < 0 else held
                    if value == FAULT or (value == BLANK and blank_faults):
                        raise Trapped

    def _settle_area(self, area: str, start: int, stop: int) -> Version | None:
        """Decide an area's undecided cells as far as a digest tells, and return the version it matches."""
        world = self.world
        here = tuple(self.state[start:stop])
        for number, kind in KIND_OF_VERSION.items():
            if here == world.genuine[(area, kind)]:
                return Version(number)
        # A sound or weak sector counts by its cells; find the version that all decided cells agree on.
        version: Version | None = None
        mixed = False
        open_cells: list[tuple[int, int, int]] = []
        for sector in range(start, stop):
            position = world.ground.sectors[sector].position
            for cell, value in enumerate(self._sector(sector).cells):
                if value < 0:
                    open_cells.append((sector, cell, value))
                    continue
                found = world.find_version(value, area, position + cell)
                if found is None or (version is not None and found != version):
                    mixed = True
                version = found if version is None else version
        if mixed:
            return None
        for sector, cell, value in open_cells:
            position = world.ground.sectors[sector].position + cell
            taken = self._decide(sector, cell, value)
            found = world.find_version(taken, area, position)
            if found is None or (version is not None and found != version):
                return None
            version = found
        return version

    def run(self, area: str) -> tuple[Version | None, str]:
        """Return the version that runs from `area`, and what is wrong with it where something is."""
        world = self.world
        if area == "recovery" and area not in world.area_range:
            return None, ""
        start, stop = world.area_range[area]
        self.reads |= world.area_mask[area] & ~self.killed
        sectors = [self._sector(i) for i in range(start, stop)]
        if self.is_stale(range(start, stop)):
            return None, "code runs through a cache that is stale: it was written and not invalidated"
        if any(s.weak for s in sectors):
            return None, "runs from weak cells: a sector whose erase was cut was not erased again"
        if any(c < 0 for s in sectors for c in s.cells):
            return None, "runs from weak cells: a cell whose programming was cut is not decided"
        here = tuple(self.state[start:stop])
        if area == "recovery":
            whole = here == world.genuine[(area, Kind.PERMANENT)]
            return None, "" if whole else "unapproved code runs as the recovery image"
        for number, kind in KIND_OF_VERSION.items():
            if here == world.genuine[(area, kind)]:
                return Version(number), ""
        if here == world.genuine[(area, Kind.STALE)]:
            return Version(-1), ""
        return None, f"unapproved code runs: area '{area}' does not hold one version's signed content"

    def find_data_fault(self, area: str, version: Version) -> str:
        """Return what is wrong with the data that a version is given; empty where they are in its form."""
        world = self.world
        if area not in world.area_range:
            return "a version runs without data"
        start, stop = world.area_range[area]
        self.reads |= world.area_mask[area] & ~self.killed
        if tuple(self.state[start:stop]) == world.genuine[(area, KIND_OF_VERSION[int(version)])]:
            return ""
        sectors = [self._sector(i) for i in range(start, stop)]
        if any(s.weak or min(s.cells) < 0 for s in sectors):
            return "a version is given data in weak cells"
        return "a version is given data that are not in its form"

    # -- logs and settings

    def log(self, name: str) -> SymbolicLog:
        """Return the log called `name`."""
        if name not in self.world.log_location:
            raise ProcedureError(f"the procedure uses a log '{name}' that it does not declare in `logs`")
        return SymbolicLog(self, name)

    def _load(self) -> int:
        """Return what the settings area holds, deciding a torn one."""
        location = self.world.settings_location
        self._look(location, 0)
        value = self.world.values[self.state[location]]
        if isinstance(value, tuple):
            value = value[self.ask("settings", location, len(value))]
            self._note(value)
            self._settle(location, self.world.intern(value))
        assert isinstance(value, int)
        return value

    def loaded_settings(self) -> int:
        """Return what the settings area was loaded as at the last reset, 0 where a part's settings are not modelled."""
        if self.world.ground.settings is None:
            return 0
        location = self.world.loaded_location
        self._look(location, 0)
        value = self.world.values[self.state[location]]
        assert isinstance(value, int)
        return value

    def settings(self) -> int:
        """Return the loaded settings word: which bank is mapped low."""
        model = self.world.ground.settings
        return self._load() if model is None else model.low_bank(self.loaded_settings()) or 0

    def is_settings_whole(self) -> bool:
        """Say whether the settings area was loaded as it was programmed."""
        return self.loaded_settings() not in (DEFAULT_STATE, LOCKED_STATE)

    def _unlocked(self) -> int:
        """Return how many values of the unlock sequence were written since the reset, `SHUT` after a wrong one."""
        self._look(self.world.unlock_location, 0)
        number = self.world.values[self.state[self.world.unlock_location]]
        assert isinstance(number, int)
        return number

    def _set_unlocked(self, number: int) -> None:
        location = self.world.unlock_location
        self.state[location] = self.world.intern(number)
        self.changes.append((location, self.state[location]))

    def write_unlock(self, number: int) -> None:
        """Write one value of the unlock sequence."""
        model = self.world.ground.settings
        if model is not None and model.unlock:
            self._set_unlocked(number + 1 if self._unlocked() == number < model.unlock else SHUT)

    def _is_open(self, model: SettingsModel) -> bool:
        """Say whether the settings area can be programmed now, and close it behind that."""
        if not model.unlock:
            return True
        written = self._unlocked()
        if written == model.unlock:
            self._set_unlocked(0)
        return written in (0, model.unlock)

    def program_settings(self, value: int) -> None:
        """Program the settings word."""
        world, model = self.world, self.world.ground.settings
        location = world.settings_location
        loaded = self.loaded_settings()
        self._look(location, 0)
        before = self.state[location]
        held = world.values[before]
        options = held if isinstance(held, tuple) else (held,)
        if model is None:
            self._program_word("settings", {*options, value, 0}, value)
            return
        change = model.find_change(loaded, value)
        locked = loaded >= LOCKED_STATE or (isinstance(held, int) and held >= LOCKED_STATE)
        if not self._is_open(model) or locked or change is Change.REFUSED:
            self._operation("settings", location, before, before, 0)
            return
        new = {Change.LOCKS: FIXED_STATE + value, Change.ERASES: ERASED_STATE}.get(change, value) if change else value
        states = {Torn.OLD: options, Torn.NEW: (new,), Torn.DEFAULT: (DEFAULT_STATE,), Torn.LOCKED: (LOCKED_STATE,)}
        left = {state for torn in model.torn for state in states[torn]}
        if model.apart:
            unmatched = {state for torn in model.mismatch for state in states[torn]}
            left |= unmatched
            self._program_word("settings", left, *unmatched)
            self._program_word("complement", left, new)
        else:
            self._program_word("settings", left, new)

    def _program_word(self, kind: str, torn: set[Any], *done: int) -> None:
        """Program a word that a cut leaves as one of `torn`; one that several readings are left of is decided later."""
        world, location = self.world, self.world.settings_location
        number = [world.intern(tuple(sorted(left)) if len(left) > 1 else min(left)) for left in (torn, done)]
        self.killed |= world.mask[location]
        self._operation(kind, location, number[0], number[1], world.mask[location])

    def boot(self) -> NoBoot | None:
        """Load the settings and start the boot stage of the bank that they map low; return why that goes wrong."""
        world, model = self.world, self.world.ground.settings
        self.invalidate()
        if world.has_unlock and self._unlocked():
            self._set_unlocked(0)
        block = "boot"
        if model is not None:
            value = self.loaded_settings() if model.needs_power else NOT_LOADED
            if value == NOT_LOADED:
                value = self._load()
                self.state[world.loaded_location] = world.intern(value)
                self.changes.append((world.loaded_location, world.intern(value)))
                self.killed |= world.mask[world.loaded_location]
            if value == ERASED_STATE:
                return NoBoot(Claim.BOOTS, "the change of the settings area erased all flash")
            bank = model.low_bank(value)
            if value in (DEFAULT_STATE, LOCKED_STATE) and model.default_erases:
                return NoBoot(Claim.BOOTS, "the settings area fell back to its default state, which erases all flash")
            if bank is None:
                return NoBoot(Claim.BOOTS, "the settings area fell back to its default state, which maps neither bank")
            block = model.boots[bank]
            if not block:
                return NoBoot(Claim.BOOTS, "the bank that is mapped low holds no boot stage")
        location = world.boot_location[block]
        self._look(location, 0)
        if world.values[self.state[location]] != "boot stage":
            return NoBoot(Claim.APPROVED_ONLY, "unapproved code runs as the boot stage")
        return None


def run_step(
    procedure: UpdateProcedure, world: World, state: Flash, control: Control, script: tuple[int, ...]
) -> tuple[SymbolicPort, Outcome | NoBoot]:
    """Return the port after one step of a procedure, and what came of it; at power-up the boot stage starts first."""
    port = SymbolicPort(world, state, script)
    wrong = port.boot() if control is POWER_UP else None
    if wrong is not None:
        return port, wrong
    outcome: Outcome
    try:
        outcome = procedure.step(port, control)
    except Trapped:
        port.trapped = True
        outcome = Again(POWER_UP)
    if isinstance(outcome, Run):
        port.loaded_settings()  # what may happen while code runs depends on it
    return port, outcome


class SymbolicLog:
    """One log of a symbolic state."""

    def __init__(self, port: SymbolicPort, name: str) -> None:
        self.port = port
        self.spec = port.world.logs[name]
        self.location = port.world.log_location[name]

    def _content(self) -> LogContent:
        content = self.port.world.values[self.port.state[self.location]]
        assert isinstance(content, LogContent)
        return content

    def newest(self) -> Record | None:
        """Return the newest readable record."""
        port = self.port
        port._look(self.location, 0)
        content = self._content()
        if len(content.newest) == 1:
            return self._caught(content.newest[0])
        record = content.newest[port.ask("record", self.location, len(content.newest))]
        port._note(record)
        older = content.older if record is not None else frozenset()  # where nothing is left, nothing comes back
        if self.spec.name in port.world.ground.unsettled:
            return self._caught(record)
        port._settle(self.location, port.world.intern(content._replace(newest=(record,), older=older)))
        return self._caught(record)

    def _caught(self, record: Record | None) -> Record | None:
        if record == UNREADABLE and self.spec.name in self.port.world.log_traps:
            raise Trapped
        return record

    def append(self, record: Record) -> None:
        """Append one record."""
        port, world = self.port, self.port.world
        if self.spec.name in world.log_traps and UNREADABLE in self._content().newest:
            self.newest()  # to find where to append
        number = port.state[self.location]
        if self.location in world.lockable:
            port._look(self.location, 0)
            if self._content().locked:
                port._operation("append", self.location, number, number, 0)
                return
        if self.spec.halves == 1:
            content = self._content()
            port._look(self.location, 0)
            if content.used and port.ask("full", self.location, 2):
                port._note(True)
                unreadable = (UNREADABLE,) if self.spec.name in world.log_traps else ()
                back = tuple(dict.fromkeys([*content.newest, *sorted(content.older, key=repr), None, *unreadable]))
                number = world.intern(LogContent((None,), frozenset(), False))
                port.erases += 1
                port._operation(
                    "erase log",
                    self.location,
                    world.intern(LogContent(back, content.older | {r for r in content.newest if r is not None}, True)),
                    number,
                    0,
                )
            elif content.used:
                port._note(False)
        torn, full = world.appended(self.spec, number, record)
        done = 0 if self.location in world.added_to else world.mask[self.location]
        port._operation("append", self.location, torn, full, done)
        port.killed |= done

    def lock(self) -> None:
        """Lock the one-time words of the newest record."""
        port, world = self.port, self.port.world
        if self.location in world.lockable:
            port._look(self.location, 0)
            locked = self._content()._replace(locked=world.lockable[self.location])
            number = world.intern(locked)
            port._operation("lock", self.location, number, number, 0)
