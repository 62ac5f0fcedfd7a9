"""The byte port: what a boot program reads and does to bytes, as the explorer's reads, kills, operations, questions.

Nothing is in the emulated flash before it is read. A read shows the cell that it falls into; where a cut left that cell
undecided, a question is asked, and its answer is what the bytes are. A log is laid out as a whole at its first read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from rootwright.bench.closure.contents import Place, Stored
from rootwright.bench.closure.device import WatchedFlash
from rootwright.bench.closure.records import Half, Layout, Newest, Records, Whole
from rootwright.bench.closure.world import CutWorld, scan
from rootwright.bench.flash import BLANK, PROGRAMMED, TORN
from rootwright.device.content import KIND_OF_VERSION
from rootwright.device.port import BLANK as BLANK_CELL
from rootwright.device.port import FAULT, Version
from rootwright.errors import ProcedureError
from rootwright.prove.symbolic import Operation, Question, SymbolicPort
from rootwright.prove.world import Flash, LogContent, SectorContent

ANY_ROOM = 1 << 16
CUT_EACH, THEN_ONE_IN = 64, 16
"""Of the units that a start programs in one cell, so many are each cut; of further ones in a row one in so many is."""


class Unmodelled(ProcedureError):
    """The program writes a sector that is not on the ground yet: explore again with it."""

    def __init__(self, address: int) -> None:
        super().__init__(f"the boot program writes 0x{address:08x}, which no block of the map covers")
        self.address = address


class ErasedInPlace(ProcedureError):
    """The program erases the half of a log that holds its newest record: explore again with a log of one half."""

    def __init__(self, log: str) -> None:
        super().__init__(f"log {log} is erased in place")
        self.log = log


class WrittenAgain(ProcedureError):
    """The program writes the newest record of some logs once more, as was not known: explore again with that."""

    def __init__(self, logs: frozenset[str]) -> None:
        super().__init__(f"the newest record is written again in: {', '.join(sorted(logs))}")
        self.logs = logs


class Source(NamedTuple):
    """Where an operation of the explorer comes from."""

    kind: str
    address: int
    pc: int


@dataclass(frozen=True, slots=True)
class Variation:
    """What the closure leaves open, chosen otherwise: must make no difference.

    Attributes:
        half, number, residue, spoilt: As in `Layout`.
        turn: From which of the older records to begin.
    """

    half: int = 0
    number: int = 72
    residue: str = "old"
    spoilt: bool = False
    turn: int = 0


PLAIN = Variation()


class BytePort(SymbolicPort):
    """The port of one start of the boot program (or of one deed of the application half) from one state."""

    def __init__(
        self,
        world: CutWorld,
        state: Flash,
        script: tuple[int, ...],
        variation: Variation = PLAIN,
    ) -> None:
        super().__init__(world, state, script)
        self.cuts = world
        self.variation = variation
        self.sources: list[Source] = []
        self.shown: dict[tuple[int, int], int] = {}  # what cells were decided to hold in this start
        self.decided: dict[str, Newest] = {}  # likewise the newest record of logs
        self.logs_shown: dict[str, int] = {}  # the newest record's number
        self.rooms: list[tuple[int, str, Newest, bool]] = []
        self.said: list[str] = []  # what logs hold of what is left open, in words
        self.appended: Counter[str] = Counter()
        self.writing: list[tuple[str, tuple[int, int], list[int]]] = []  # record by record, places in `changes`
        self.thinned = 0  # operations that were not cut one by one
        self._source = Source("", 0, 0)
        self._units: Counter[tuple[int, int]] = Counter()
        self._waiting: tuple[Place, int, int, Source] | None = None  # a unit's programming that was not told yet
        self._seen: Place | None = None  # a log that was shown: most reads are of the one read last

    def _operation(
        self,
        kind: str,
        location: int,
        torn: int,
        done: int,
        killed: int,
        also: tuple[tuple[int, int, int], ...] = (),
    ) -> None:
        self.settle_units()
        self.sources.append(self._source)
        super()._operation(kind, location, torn, done, killed, also)

    def _settle(self, location: int, content: int) -> None:
        """Keep what a cell was decided to hold; a record that a cut left may read otherwise at the next start.

        Cells that stayed open would, erased half again and again, hold any set of all that ever was there.
        """
        if location < self.world.sector_count:
            self.state[location] = content
            self.changes.append((location, content))
        else:
            super()._settle(location, content)

    def _flash(self, memory: str) -> WatchedFlash:
        flash = self.cuts.flashes[memory]
        assert isinstance(flash, WatchedFlash)
        return flash

    def _watched(self, log: str) -> WatchedFlash:
        flash = self.cuts.flash_of(log)
        assert isinstance(flash, WatchedFlash)
        return flash

    # -- reads

    def look(self, address: int, size: int) -> None:
        """Have the bytes there that are about to be read."""
        seen = self._seen
        if seen is not None and seen.start <= address and address + size <= seen.end:
            return
        end = address + size
        while address < end:
            place = self.cuts.grid.find(address)
            if place is None:
                address = self.cuts.grid.next_start(address)
                continue
            if place.log:
                self._show_log(place.log)
                self._seen = place
            else:
                low = address - place.start
                for cell in self.cuts.grid.cells(place.sector, low, min(end, place.end) - place.start):
                    self._show(place.sector, cell)
            address = place.end

    def _show(self, sector: int, cell: int) -> None:
        if (sector, cell) not in self.shown:
            self._put(sector, cell, int(self.read(sector, cell)))

    def _put(self, sector: int, cell: int, number: int) -> None:
        self.shown[(sector, cell)] = number
        at, size = self.cuts.grid.span(sector, cell)
        flash = self._flash(self.cuts.ground.sectors[sector].memory)
        flash.show(at - flash.base, *self.cuts.contents.stored(number, size))

    def digest(self, address: int, size: int) -> bytes | None:  # type: ignore[override]
        """Return bytes that only a digest is made of.

        A digest does not settle the cells behind the first one that makes it wrong: it is wrong whatever they hold,
        but for those that cannot be read at all.
        """
        self.settle_units()
        place = self.cuts.grid.find(address)
        if place is None or place.log:
            return self._plain(address, size)
        cells: list[tuple[Place, int]] = []
        at = address
        while at < address + size:
            where = self.cuts.grid.find(at)
            if where is None or where.log:
                return self._plain(address, size)
            stop = min(address + size, where.end)
            cells += [(where, c) for c in self.cuts.grid.cells(where.sector, at - where.start, stop - where.start)]
            at = where.end
        fits = set(KIND_OF_VERSION.values())
        unread: list[tuple[int, int]] = []
        for where, cell in cells:
            sector = where.sector
            self._look(sector, cell)
            value = self._sector(sector).cells[cell]
            if value < 0 and (sector, cell) not in self.shown and not fits:
                unread.append((sector, cell))
                continue
            self._show(sector, cell)
            fits &= self._kinds_of(self.shown[(sector, cell)])
        options = {o for s, c in unread for o in self.world.options[-self._sector(s).cells[c] - 1]}
        if int(FAULT) in options and self.ask("digest", cells[0][0].sector, 2):
            return None
        for sector, cell in unread:
            at, length = self.cuts.grid.span(sector, cell)
            option = next(o for o in self.world.options[-self._sector(sector).cells[cell] - 1] if o != FAULT)
            flash = self._flash(self.cuts.ground.sectors[sector].memory)
            flash.show(at - flash.base, *self.cuts.contents.stored(option, length))
        return self._plain(address, size, seen=True)

    def _kinds_of(self, value: int) -> set[object]:
        """Return the versions whose content a cell may be, in any area."""
        if value == BLANK_CELL:
            return set(KIND_OF_VERSION.values())
        return set(self.cuts.members.get(value, ()))

    def _plain(self, address: int, size: int, *, seen: bool = False) -> bytes | None:
        flash = next(f for f in self.cuts.flashes.values() if f.holds(address))
        if not flash.holds(address, size):
            return None
        if not seen:
            self.look(address, size)
        first, last = (address - flash.base) // flash.unit, (address + size - 1 - flash.base) // flash.unit
        if self.cuts.contents.coded and TORN in flash.units[first : last + 1]:
            return None
        return flash.buffer.read(address - flash.base, size)

    # -- logs

    def _log_content(self, name: str) -> LogContent:
        content = self.world.values[self.state[self.world.log_location[name]]]
        assert isinstance(content, LogContent)
        return content

    def _log_number(self, newest: Iterable[Any], older: frozenset[Any], *, remains: bool) -> int:
        """Return the number of a log whose newest record is one of some; with what a cut left of others or without."""
        return self.world.intern(LogContent(tuple(dict.fromkeys(newest)), older, remains))

    def _show_log(self, name: str) -> None:
        """Lay a log out in flash: what a cut left open of its newest record is asked, and what room there is."""
        if name in self.logs_shown:
            return
        location = self.world.log_location[name]
        self._look(location, 0)
        content = self._log_content(name)
        options = content.newest
        newest: Newest = options[0]  # type: ignore[assignment]
        if len(options) > 1:
            newest = options[self.ask("record", location, len(options))]  # type: ignore[assignment]
            self.said.append(f"the last record of {name} stands {'half' if isinstance(newest, Half) else 'whole'}")
        if isinstance(newest, Half):
            self.cuts.halves[name][newest.units] = None
        # A half-written record is there for the start that follows it; later ones take it for a place used up.
        self.decided[name] = self._whole(newest)
        settled = (self.decided[name],)
        if settled != options:
            self._settle(location, self._log_number(settled, content.older, remains=content.used))
        records, place = self.cuts.records[name], len(self.questions)
        in_place = self.world.logs[name].halves == 1
        layout = Layout(
            half=0 if in_place else self.variation.half,
            number=self.variation.number,
            residue="blank" if in_place else self.variation.residue,
            spoilt=self.variation.spoilt,
        )
        older = self._older(name, newest, content)
        answer = self.ask("room", location, ANY_ROOM)
        self.rooms.append((place, name, newest, content.used))
        if answer:
            was = newest
            newest, layout = self._rooms(name, newest, content.used)[answer - 1](layout)
            left = isinstance(newest, Half) and (layout.wraps or newest is not was)
            self.said.append(f"the remains of a record lie in {name}" if left else f"{name} runs full")
        elif self.variation.turn and isinstance(newest, Whole) and not in_place and self.cuts.halves[name]:
            seen = [*self.cuts.halves[name]]
            newest = Half(newest, seen[self.variation.turn % len(seen)])
        most = records.declared.records - 1
        if layout.blank < 0:
            layout = replace(layout, blank=most - (isinstance(newest, Half) and newest.newest is not None))
        self._lay_out(records, newest, older, layout)
        self.logs_shown[name] = layout.number

    def _rooms(self, name: str, newest: Newest, remains: bool) -> list[Callable[[Layout], tuple[Newest, Layout]]]:
        """Return how else a log may lie there: with the remains of a record behind the newest, or with less room.

        Remains are there only once a cut has happened.
        """
        records = self.cuts.records[name]
        found: list[Callable[[Layout], tuple[Newest, Layout]]] = []
        halves = [newest] if isinstance(newest, Half) and newest.newest is not None else []
        if remains and isinstance(newest, Whole) and name in self.cuts.rewritten:
            halves = records.remains(newest)
            found += [lambda layout, half=half: (half, layout) for half in halves]  # type: ignore[misc]
        found += [lambda layout, half=half: (half, replace(layout, wraps=True, blank=0)) for half in halves]  # type: ignore[misc]
        if newest is not None:
            rooms = range(records.declared.records - 1 - isinstance(newest, Half))
            found += [lambda layout, room=room: (newest, replace(layout, blank=room)) for room in rooms]  # type: ignore[misc]
        return found

    def _older(self, name: str, newest: Newest, content: LogContent) -> tuple[Whole, ...]:
        """Return what records before the newest one say: what may come back, else what must make no difference."""
        if self.world.logs[name].halves == 1:
            return tuple(sorted(content.older, key=repr))  # type: ignore[arg-type]
        whole = self._whole(newest)
        if whole is None or not self.variation.turn:
            return () if whole is None else (whole,)
        # What the program ever wrote there, beginning with another record each time.
        seen = [*self.cuts.written[name]]
        turn = self.variation.turn % (len(seen) or 1)
        return (*seen[turn:], *seen[:turn]) or (whole,)

    def _lay_out(self, records: Records, newest: Newest, older: tuple[Whole, ...], layout: Layout) -> None:
        flash = self._watched(records.declared.name)
        at, size = records.declared.at - flash.base, records.declared.size
        flash.show(at, bytes([flash.erased]) * size, bytes(size // flash.unit))
        for placed in records.lay_out(newest, older, layout):
            for number, unit in enumerate(placed.units):
                where = records.address(placed.half, placed.place) - flash.base + number * flash.unit
                if unit:
                    blank = unit == bytes([flash.erased]) * flash.unit
                    flash.show(where, unit, bytes([BLANK if blank else PROGRAMMED]))
                elif unit is not None:
                    flash.show(where, bytes(flash.unit), bytes([TORN if self.cuts.contents.coded else PROGRAMMED]))

    def _decoded(self, name: str) -> tuple[Whole | None, int]:
        """Return what the newest record of a shown log says now, and its number."""
        found = max(scan(self.cuts.records[name], self.cuts.flash_of(name)), key=lambda item: item[0], default=None)
        return (None, 0) if found is None else (found[1], found[0])

    def newest(self, name: str) -> Whole | None:
        """Return what a log's newest record says, for the application half and for judging."""
        self._show_log(name)
        return self._decoded(name)[0]

    def append(self, name: str, record: Whole) -> None:
        """Append a record as the application half does: behind the newest, making room in the other half."""
        self._show_log(name)
        records, flash = self.cuts.records[name], self.cuts.flash_of(name)
        found = max(scan(records, flash), key=lambda item: item[0], default=None)
        number, half, index = (found[0] + 1, *found[2]) if found else (1, 1, records.declared.records - 1)
        data = records.write(record, number)
        while True:
            index += 1
            if index >= records.declared.records:
                half, index = half ^ 1, 0
                flash.erase(records.address(half, 0), pc=0, index=-1)
            at = records.address(half, index)
            first = (at - flash.base) // flash.unit
            if not any(flash.units[first : first + len(data) // flash.unit]):
                flash.program(at, data, pc=0, index=-1)
                return

    # -- operations

    def _modelled(self, address: int) -> Place:
        place = self.cuts.grid.find(address)
        if place is None:
            raise Unmodelled(address)
        return place

    def erasing(self, start: int) -> None:
        """A sector is about to be erased."""
        place = self._modelled(start)
        if place.log:
            self._show_log(place.log)

    def erased(self, start: int, end: int, pc: int) -> None:
        """A sector was erased."""
        place = self._modelled(start)
        self.settle_units()
        self._source = Source("erase", start, pc)
        if end > place.end or (not place.log and start != place.start):
            raise ProcedureError(f"an erase command covers more than one sector, from 0x{start:08x} on")
        if not place.log:
            self.erase(place.sector)
            for cell in range(self.world.ground.sectors[place.sector].cells):
                self.shown[(place.sector, cell)] = int(BLANK_CELL)
            return
        location, content = self.world.log_location[place.log], self._log_content(place.log)
        self.erases += 1
        now, _ = self._decoded(place.log)
        before = self._whole(self.decided[place.log])
        if now == before:
            self._operation("erase", location, self.state[location], self.state[location], 0)
            return
        if self.world.logs[place.log].halves == 2:
            raise ErasedInPlace(place.log)
        back = dict.fromkeys([before, *sorted(content.older, key=repr), None])
        torn = self._log_number(back, content.older, remains=True)
        left = frozenset() if now is None else content.older
        self.decided[place.log] = now
        self._operation("erase", location, torn, self._log_number([now], left, remains=content.used), 0)

    @staticmethod
    def _whole(newest: Newest) -> Whole | None:
        return newest.newest if isinstance(newest, Half) else newest

    def programming(self, address: int, size: int) -> None:
        """A unit is about to be programmed: what happens depends on what is there."""
        self._modelled(address)
        self.look(address, size)

    def programmed(self, address: int, data: bytes, pc: int) -> None:
        """A unit was programmed."""
        place = self._modelled(address)
        if place.log:
            self.settle_units()
            self._source = Source("program", address, pc)
            self._programmed_log(place.log, address)
            return
        sector = place.sector
        self._check_keep(sector)
        (cell,) = self.cuts.grid.cells(sector, address - place.start, address + len(data) - place.start)
        if self._waiting is not None and self._waiting[:2] != (place, cell):
            self.settle_units()
        self._units[(sector, cell)] += 1
        count, source = self._units[(sector, cell)], Source("program", address, pc)
        if count > CUT_EACH and count % THEN_ONE_IN:
            self.thinned += self._waiting is not None
            self._waiting = (place, cell, address, source)
            return
        skipped, self._waiting, self._source = self._waiting, None, source
        old = self.shown[(sector, cell)]
        key = (sector, self.state[sector], old, address - place.start, data)
        found = None if skipped else self.cuts.programs.get(key)
        if found is None:
            found = self._torn_and_done(place, cell, old, address)
            if skipped is None:
                self.cuts.programs[key] = found
            else:
                self.thinned += 1
        torn, done, self.shown[(sector, cell)] = found
        self._operation("program", sector, torn, done, 0)

    def settle_units(self) -> None:
        """Tell of the last unit of a long run, where it was not told yet: something else happens now."""
        if self._waiting is None:
            return
        (place, cell, address, self._source), self._waiting = self._waiting, None
        sector = place.sector
        torn, done, new = self._torn_and_done(place, cell, self.shown[(sector, cell)], address)
        self.shown[(sector, cell)] = new
        self._operation("program", sector, torn, done, 0)

    def _torn_and_done(self, place: Place, cell: int, old: int, address: int) -> tuple[int, int, int]:
        """Return what a sector holds where programming a unit was cut, where it was not, and the cell then."""
        world, sector = self.world, place.sector
        at, size = self.cuts.grid.span(sector, cell)
        flash = self._flash(world.ground.sectors[sector].memory)
        content = self._sector(sector)
        first = (at - flash.base) // flash.unit
        bytes_, units = flash.buffer.read(at - flash.base, size), bytes(flash.units[first : first + size // flash.unit])
        new = self.cuts.contents.number(bytes_, units)
        torn = {old, new, *self._half_done(Stored(bytes_, units), old, size, (address - at) // flash.unit)}
        head, tail = content.cells[:cell], content.cells[cell + 1 :]
        return (
            world.intern(SectorContent((*head, world.undecided(torn), *tail), content.weak)),
            world.intern(SectorContent((*head, new, *tail), content.weak)),
            new,
        )

    def _half_done(self, after: Stored, old: int, size: int, unit: int) -> set[int]:
        """Return the numbers of what a cut inside the programming of a unit leaves besides old and new."""
        contents = self.cuts.contents
        if contents.coded:
            return {contents.without_unit(after.data, after.units, unit)}
        before = contents.stored(old, size).data
        low, length = unit * contents.unit, contents.unit
        made = set()
        for first_new in (True, False):
            middle = low + length // 2
            one, two = (after.data, before) if first_new else (before, after.data)
            mixed = after.data[:low] + one[low:middle] + two[middle : low + length] + after.data[low + length :]
            made.add(contents.number(mixed, after.units))
        return made

    def _programmed_log(self, name: str, address: int) -> None:
        world, records = self.world, self.cuts.records[name]
        location, content = world.log_location[name], self._log_content(name)
        flash, place = self._watched(name), records.place(address)
        before = self.decided[name]
        found = max(scan(records, flash), key=lambda item: item[0], default=None)
        now = None if found is None else found[1]
        if place is None:
            raise ProcedureError(
                f"the program writes 0x{address:08x}, behind the last of {records.declared.records} records of {name}"
            )
        kept = self._whole(before)
        written = found is not None and found[2] == place
        unit = (address - records.address(*place)) // flash.unit
        inside = self._half(records, flash, kept, place, unit)
        after: Newest = now if written or now != kept else self._half(records, flash, kept, place, -1)
        older, killed = content.older, 0
        if written:
            assert now is not None
            self.appended[name] += 1
            self.cuts.written[name][now] = None
            if self.world.logs[name].halves == 2:
                killed = world.mask[location]
            elif kept is not None:
                older |= {kept}  # type: ignore[arg-type]
        torn = self._log_number([before, inside, after], older, remains=True)
        done = self._log_number([after], older, remains=content.used)
        self.decided[name] = after
        group = self.writing[-1] if self.writing else None
        if group is None or group[:2] != (name, place) or (written and not isinstance(before, Half)):
            group = (name, place, [])
            self.writing.append(group)
        group[2].append(len(self.changes))
        self._operation("program", location, torn, done, killed)
        self.killed |= killed

    def _half(
        self, records: Records, flash: WatchedFlash, kept: Whole | None, place: tuple[int, int], torn: int
    ) -> Half:
        """Return the record at a place as one half-written, its unit `torn` undecodable."""
        at, entry, unit = records.address(*place) - flash.base, records.declared.entry, flash.unit
        base = self._decoded_but(records, flash, place)
        units: list[bytes | None] = []
        for number in range(entry // unit):
            state = flash.units[at // unit + number]
            if number == torn or state == TORN:
                units.append(b"" if self.cuts.contents.coded else self._split_unit(flash, at + number * unit))
            elif state == BLANK:
                units.append(None)
            else:
                data = flash.buffer.read(at + number * unit, unit)
                units.append(records.shift(number * unit, data, -base))
        return Half(kept, tuple(units))

    @staticmethod
    def _split_unit(flash: WatchedFlash, at: int) -> bytes:
        """Return a unit of which only the first half is written."""
        data, half = flash.buffer.read(at, flash.unit), flash.unit // 2
        return data[:half] + bytes([flash.erased]) * (flash.unit - half)

    def _decoded_but(self, records: Records, flash: WatchedFlash, place: tuple[int, int]) -> int:
        """Return the number of the newest record that does not stand at `place`; 0 where there is none."""
        return max((n for n, _, where in scan(records, flash) if where != place), default=0)

    # -- the end

    def finish(self) -> None:
        """Say how many answers the questions about room have, now that it is known how many records were written.

        One log at a time is looked at beside its first answers: how one log makes room does not depend on another.
        """
        for name, _, places in self.writing:
            self._join(name, places)
        for place, name, newest, remains in self.rooms:
            where = self.questions[place].where
            others = any(
                answer and question.kind in ("room", "record") and (question.where != where or question.kind == "room")
                for question, answer in zip(self.questions, self.taken, strict=True)
            )
            answers = 1
            if not others:
                full = self.cuts.records[name].declared.records - 1 - isinstance(newest, Half)
                answers += len(self._rooms(name, newest, remains)) - max(0, full - self.appended[name]) * (
                    newest is not None
                )
            self.questions[place] = Question("room", where, answers)

    def _join(self, name: str, places: list[int]) -> None:
        """Let every cut inside the writing of one record leave the same: any stage of it, decided when it is read."""
        operations = [change for change in (self.changes[place] for place in places) if isinstance(change, Operation)]
        contents = [self.world.values[operation.torn] for operation in operations]
        options = dict.fromkeys(option for content in contents for option in content.newest)  # type: ignore[attr-defined]
        last = contents[-1]
        assert isinstance(last, LogContent)
        whole = {self._whole(option) for option in options}
        if len(whole) == 1 and len(options) > 1:
            # The newest record once more: whatever is left of it, the newest record says the same.
            options = dict.fromkeys(whole)
            self.cuts.rewritten.add(name)
        torn = self._log_number(options, last.older, remains=True)
        for place, operation in zip(places, operations, strict=True):
            done = operation.done if place == places[-1] else torn
            self.changes[place] = operation._replace(torn=torn, done=done)

    def run(self, area: str) -> tuple[Version | None, str]:
        """Return the version that runs from `area`, and what is wrong with it where something is."""
        world = self.cuts
        if area == "recovery":
            return None, ""  # judged where the start ended
        first, stop = world.area_range[area]
        link = dict(world.ground.links).get(area, 0)
        wrong = ""
        for number, kind in KIND_OF_VERSION.items():
            image = world.images.get((kind, link))
            if image is None:
                continue
            found = self._holds(area, range(first, stop), image.data, image.used)
            if found == "":
                return Version(number), ""
            wrong = found if found and found != "other" else wrong
        return None, wrong or f"unapproved code runs: area '{area}' does not hold one version's signed content"

    def _holds(self, area: str, sectors: range, data: bytes, used: tuple[int, int]) -> str:
        """Return "" where an area holds an image's bytes in sound cells, "other" where it does not, else why not."""
        world, wrong = self.cuts, ""
        for sector in sectors:
            base, content = world.offsets[sector], self._sector(sector)
            for cell, value in enumerate(content.cells):
                edges = world.grid.edges[sector]
                low, high = max(base + edges[cell], used[0]), min(base + edges[cell + 1], used[1])
                if low >= high:
                    continue
                self._look(sector, cell)
                if content.weak:
                    self._look(sector, len(content.cells))
                    wrong = "runs from weak cells: a sector whose erase was cut was not erased again"
                if value < 0:
                    wrong = "runs from weak cells: a cell whose programming was cut is not decided"
                    continue
                stored = world.contents.stored(value, world.cell_size(sector, cell))
                first = base + edges[cell]
                if stored.data[low - first : high - first] != data[low:high] or TORN in stored.units:
                    return "other"
        if wrong:
            return wrong
        for sector in sectors:
            self._look(sector, self.world.ground.sectors[sector].cells)  # that it is not weak counts too
        return ""
