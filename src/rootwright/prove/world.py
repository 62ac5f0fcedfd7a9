"""The symbolic state of a device: one number per location, with the meaning of the numbers kept in one table.

A state is a tuple with one entry per sector, then one per log, then the settings word, the boot stage's own block and
what is known of the newer version. Equal content has the equal number, so states are compared and copied fast.

A state that is only kept to be compared is packed: one long number with a lane of bits for each location, which holds
that location's number. What may still be read of a state has its bits in the same lanes.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from copy import copy
from dataclasses import replace
from struct import Struct
from typing import NamedTuple, TypeAlias

from rootwright.describe.chip import Reprogram
from rootwright.device.content import FOREIGN, KIND_OF_VERSION, PROGRAMMED, Kind, content_cell, kind_of
from rootwright.device.ground import STOPPING, Ground
from rootwright.device.port import BLANK, FAULT, Cell, LogSpec, Record, UpdateProcedure, Version, does_catch
from rootwright.device.settings import NOT_LOADED
from rootwright.prove.level import Level

Flash: TypeAlias = "tuple[int, ...]"

Packed: TypeAlias = int

LANE = 32
"""Bits of a lane, or a multiple of it where a sector has many cells."""

NUMBER = (1 << LANE) - 1
"""A content's number in its lane."""


class SectorContent(NamedTuple):
    """Cells of a sector (a negative number is an undecided cell, see `World.options`) and whether it is weak."""

    cells: tuple[int, ...]
    weak: bool


class LogContent(NamedTuple):
    """What a log's newest record may be (one entry once decided), and older records that a torn erase could bring back.

    `used` says whether something was appended since the last erase, which decides whether it can be full; `locked` that
    its one-time words are locked, so that nothing is ever appended again.
    """

    newest: tuple[Record | None, ...]
    older: frozenset[Record]
    used: bool
    locked: bool = False


class Known(NamedTuple):
    """What is known of the newer version: whether it reported itself good, crashed, and crashed on trial."""

    good: bool = False
    bad: bool = False
    failed_trial: bool = False


UNKNOWN = Known()

UNREADABLE: Record = ("unreadable",)
"""What a torn record reads as to whoever does not catch the fault that it raises."""

LOCKED_WORDS: Record = ("locked",)
"""Written by an exploited application in place of a record: it locks the log's one-time words."""


class World:
    """Tables for one exploration: locations, interned contents, and the expected content of every version."""

    def __init__(self, ground: Ground, procedure: UpdateProcedure, level: Level) -> None:
        self.ground = ground
        self.level = level
        self.values: list[Hashable] = []
        self._ids: dict[Hashable, int] = {}
        self.options: list[tuple[int, ...]] = []
        self._option_ids: dict[tuple[int, ...], int] = {}
        self.logs = {spec.name: spec for spec in procedure.logs}
        sectors = ground.sectors
        self.sector_count = len(sectors)
        self.log_location = {spec.name: len(sectors) + i for i, spec in enumerate(procedure.logs)}
        self.lockable = {self.log_location[name]: shared for name, shared in ground.locks if name in self.log_location}
        self.one_half = {self.log_location[spec.name] for spec in procedure.logs if spec.halves == 1}
        first_free = len(sectors) + len(procedure.logs)
        self.settings_location = first_free
        self.known_location = first_free + 1
        # One location for each block that holds a boot stage: one, or one in each bank.
        model = ground.settings
        self.boots = tuple(dict.fromkeys(b for b in (model.boots if model else ("boot",)) if b))
        self.boot_location = {block: first_free + 2 + i for i, block in enumerate(self.boots)}
        self.count = first_free + 2 + len(self.boots)
        self.loaded_location = self.count  # what the area was loaded as at the last reset; only where it is modelled
        self.count += model is not None
        self.loads_at_power_up = model is not None and model.needs_power
        self.unlock_location = self.count  # how far the unlock sequence is written; only where there is one
        self.has_unlock = model is not None and model.unlock > 0
        self.count += self.has_unlock
        self.again_location = self.count  # programs of cells beyond the first; only where they are counted
        self.counts = any(sector.reprogram is Reprogram.TIMES and sector.times > 1 for sector in ground.sectors)
        self.count += self.counts
        self.stale_location = self.count  # sectors whose cache holds older content; only where there is a cache
        self.has_cache = any(sector.cached for sector in ground.sectors)
        self.count += self.has_cache
        catches = does_catch(procedure)
        stopping = [index for index, sector in enumerate(sectors) if sector.ecc_error in STOPPING]
        self.traps = frozenset(() if catches else stopping)  # sectors where reading an undecodable cell resets
        self.log_traps = frozenset(() if catches else ground.coded)
        # What an actor writes there does not replace all that was there.
        self.added_to = self.one_half.union(self.lockable, (self.again_location,) if self.counts else ())
        # One bit per cell and one for weakness in each sector; one bit for every other location. The top bit of a
        # location's lane is free, for sums that tell which lanes are not zero.
        self.shift: list[int] = []
        self.width: list[int] = []
        self._of_top: dict[int, int] = {}
        layout = "<"
        position = 0
        for location in range(self.count):
            width = sectors[location].cells + 1 if location < len(sectors) else 1
            self.shift.append(position)
            self.width.append(width)
            lanes = 1 + width // LANE
            layout += "I" + "4x" * (lanes - 1)
            position += LANE * lanes
            self._of_top[position - 1] = location
        self.mask = [((1 << w) - 1) << s for w, s in zip(self.width, self.shift, strict=True)]
        self._layout = Struct(layout)
        self.full = (1 << position) - 1
        self._tops = sum(1 << top for top in self._of_top)
        self._carry = self.full - self._tops
        self._unlike: dict[tuple[int, int], int] = {}
        self.blank = [self.intern(SectorContent((int(BLANK),) * s.cells, False)) for s in sectors]
        self.genuine: dict[tuple[str, int], tuple[int, ...]] = {}
        self.area_range = {name: (start, stop) for name, start, stop in ground.areas}
        links = dict(ground.links)
        for name, start, stop in ground.areas:
            for kind in Kind:
                cells = [SectorContent(self._content(kind, links.get(name, 0), i), False) for i in range(start, stop)]
                self.genuine[(name, kind)] = tuple(self.intern(c) for c in cells)
        self.area_mask = {name: self._range_mask(start, stop) for name, start, stop in ground.areas}
        self._renamed: tuple[dict[int, int], dict[int, int]] = ({}, {})
        self._torn: dict[int, int] = {}
        self._appended: dict[tuple[str, int, Record], tuple[int, int]] = {}
        self._programmed: dict[tuple[int, int, int, int], tuple[int, int]] = {}

    def at(self, level: Level) -> World:
        """Return the same tables for a level that differs in its write protection only."""
        if replace(level, protect=self.level.protect) != self.level:
            raise ValueError("tables can be shared by levels that differ in their write protection only")
        other = copy(self)
        other.level = level
        return other

    def _range_mask(self, start: int, stop: int) -> int:
        total = 0
        for location in range(start, stop):
            total |= self.mask[location]
        return total

    def _content(self, kind: Kind, link: int, sector: int) -> tuple[int, ...]:
        place = self.ground.sectors[sector]
        return tuple(int(content_cell(kind, link, place.position + c)) for c in range(place.cells))

    def intern(self, value: Hashable) -> int:
        """Return the number of a content."""
        number = self._ids.get(value)
        if number is None:
            number = self._ids[value] = len(self.values)
            self.values.append(value)
        return number

    def undecided(self, cells: set[int]) -> int:
        """Return the number of a cell that is one of `cells`, decided when it is read."""
        flat: set[int] = set()
        for cell in cells:
            flat.update(self.options[-cell - 1] if cell < 0 else (cell,))
        key = tuple(sorted(flat))
        if len(key) == 1:
            return key[0]
        number = self._option_ids.get(key)
        if number is None:
            self.options.append(key)
            number = self._option_ids[key] = -len(self.options)
        return number

    def start(self, procedure: UpdateProcedure) -> Flash:
        """Return the state of a device fresh from the line: the current version kept, everything else blank."""
        state = list(self.blank)
        start, stop = self.area_range[procedure.start_area]
        state[start:stop] = self.genuine[(procedure.start_area, Kind.CURRENT)]
        for name in self.ground.shipped:
            start, stop = self.area_range[name]
            state[start:stop] = self.genuine[(name, Kind.CURRENT)]
        for i in range(*self.ground.keep):
            state[i] = self.intern(SectorContent(self._content(Kind.KEEP, 0, i), False))
        if "recovery" in self.area_range:
            start, stop = self.area_range["recovery"]
            state[start:stop] = self.genuine[("recovery", Kind.PERMANENT)]
        initial = dict(procedure.initial)
        for name in self.log_location:
            record = initial.get(name)
            state.append(self.intern(LogContent((record,), frozenset(), record is not None)))
        state += [self.intern(0), self.intern(UNKNOWN), *(self.intern("boot stage") for _ in self.boots)]
        if self.ground.settings is not None:
            state.append(self.intern(NOT_LOADED if self.loads_at_power_up else 0))
        if self.has_unlock:
            state.append(self.intern(0))
        if self.counts:
            state.append(self.intern(frozenset()))
        if self.has_cache:
            state.append(self.intern(frozenset()))
        return tuple(state)

    def pack(self, state: Flash | list[int]) -> Packed:
        """Return a state as one number."""
        return int.from_bytes(self._layout.pack(*state), "little")

    def unpack(self, packed: Packed) -> Flash:
        """Return the state that a number stands for."""
        return self._layout.unpack(packed.to_bytes(self._layout.size, "little"))

    def lanes(self, bits: int) -> int:
        """Return the lanes of the locations that some bits belong to, as far as they hold numbers."""
        tops = (bits + self._carry) & self._tops
        lanes = 0
        while tops:
            top = tops.bit_length() - 1
            tops ^= 1 << top
            lanes |= NUMBER << self.shift[self._of_top[top]]
        return lanes

    def agrees(self, left: Packed, right: Packed, live: int) -> bool:
        """Say whether all that can follow from `left` can follow from `right`, as far as bits of `live` are read.

        They are equal there, but that a log of one half may have fewer older records on the left: a torn erase in place
        can bring back only what is there.
        """
        unlike = left ^ right
        if not unlike:
            return True
        # Adding all ones below the top bit carries into the top bit of every lane that is not zero, and no further.
        carry = self._carry
        tops = (unlike + carry) & (live + carry) & self._tops
        while tops:
            top = tops.bit_length() - 1
            tops ^= 1 << top
            shift = self.shift[self._of_top[top]]
            pair = (left >> shift & NUMBER, right >> shift & NUMBER)
            bits = self._unlike.get(pair)
            if bits is None:
                bits = self._unlike[pair] = _unlike_bits(self.values[pair[0]], self.values[pair[1]])
            if live >> shift & bits:
                return False
        return True

    def without_power(self, state: Packed) -> Packed:
        """Return the state after the power failed, where it then forgets what the settings were loaded as."""
        if not self.loads_at_power_up:
            return state
        shift = self.shift[self.loaded_location]
        return state & ~(NUMBER << shift) | self.intern(NOT_LOADED) << shift

    def torn_erase(self, content: int) -> int:
        """Return a sector whose erase was cut: every cell on its own old, blank, programmed or undecodable; weak."""
        torn = self._torn.get(content)
        if torn is None:
            sector = self.values[content]
            assert isinstance(sector, SectorContent)
            cells = tuple(self.undecided({c, int(BLANK), int(PROGRAMMED), int(FAULT)}) for c in sector.cells)
            torn = self._torn[content] = self.intern(SectorContent(cells, True))
        return torn

    def programmed(self, content: int, cell: int, old: int, new: int) -> tuple[int, int]:
        """Return a sector whose cell, found to be `old`, becomes `new`: cut meanwhile, and done."""
        key = (content, cell, old, new)
        found = self._programmed.get(key)
        if found is None:
            before = self.values[content]
            assert isinstance(before, SectorContent)
            head, tail = before.cells[:cell], before.cells[cell + 1 :]
            torn = self.undecided({old, new, int(FAULT)})
            found = self._programmed[key] = (
                self.intern(SectorContent((*head, torn, *tail), before.weak)),
                self.intern(SectorContent((*head, new, *tail), before.weak)),
            )
        return found

    def appended(self, spec: LogSpec, content: int, record: Record) -> tuple[int, int]:
        """Return a log with one more record: cut meanwhile, and done."""
        key = (spec.name, content, record)
        found = self._appended.get(key)
        if found is None:
            before = self.values[content]
            assert isinstance(before, LogContent)
            # Without an in-place erase the records before can not come back, so only the newest counts.
            older = frozenset(r for r in before.newest if r is not None) if spec.halves == 1 else frozenset()
            older |= before.older
            torn = [*before.newest, record]
            if not spec.check_code:
                torn.append(("?",))
            if spec.name in self.log_traps:
                torn.append(UNREADABLE)
            found = self._appended[key] = (
                self.intern(LogContent(tuple(dict.fromkeys(torn)), older, True)),
                self.intern(LogContent((record,), older, True)),
            )
        return found

    def after_write(self, location: int, before: int, written: int) -> int:
        """Return what a location holds after an actor wrote there; what was there before may count."""
        if location in self.one_half:
            return self.append_forged(before, written)
        if self.counts and location == self.again_location:
            erased = self.values[written]
            assert isinstance(erased, tuple)
            return self.forget_programs(before, erased)
        return self.write_once(before, written) if location in self.lockable else written

    def append_forged(self, before: int, forged: int) -> int:
        """Return a log of one half with a forged record on top of what it held."""
        old, new = self.values[before], self.values[forged]
        assert isinstance(old, LogContent)
        assert isinstance(new, LogContent)
        return self.intern(new._replace(older=old.older | {r for r in old.newest if r is not None}))

    def forget_programs(self, before: int, erased: tuple[int, ...]) -> int:
        """Return the counts of programs after some sectors were erased."""
        counts = self.values[before]
        assert isinstance(counts, frozenset)
        kept = frozenset(each for each in counts if each[0] not in erased)
        return before if kept == counts else self.intern(kept)

    def write_once(self, before: int, written: int) -> int:
        """Return a log in one-time words that can be locked after code wrote a record there, or locked them."""
        old = self.values[before]
        assert isinstance(old, LogContent)
        if old.locked:
            return before
        return self.intern(old._replace(locked=True)) if self.values[written] == LOCKED_WORDS else written

    def rename(self, state: Flash, *, current_becomes_older: bool) -> Flash:
        """Return the state with the newer version named current, and the current one older or stale."""
        cache = self._renamed[current_becomes_older]
        renamed = []
        for number in state:
            new = cache.get(number)
            if new is None:
                new = cache[number] = self.intern(self._rename(self.values[number], current_becomes_older))
            renamed.append(new)
        renamed[self.known_location] = self.intern(UNKNOWN)
        return tuple(renamed)

    def _rename(self, value: Hashable, older: bool) -> Hashable:
        if isinstance(value, SectorContent):
            return SectorContent(tuple(self._rename_cell(c, older) for c in value.cells), value.weak)
        if isinstance(value, LogContent):
            newest = tuple(dict.fromkeys(_rename_record(r) for r in value.newest))
            known = frozenset(r for r in map(_rename_record, value.older) if r is not None)
            return value._replace(newest=newest, older=known)
        return value

    def _rename_cell(self, cell: int, older: bool) -> int:
        if cell < 0:
            return self.undecided({self._rename_cell(c, older) for c in self.options[-cell - 1]})
        what = kind_of(Cell(cell))
        if what is None:
            return cell
        kind, link, position = what
        new = {
            Kind.NEXT: Kind.CURRENT,
            Kind.CURRENT: Kind.OLD if older else Kind.STALE,
            Kind.OLD: Kind.STALE if older else Kind.OLD,
        }.get(kind, kind)
        return int(content_cell(new, link, position))

    def find_version(self, cell: int, area: str, position: int) -> Version | None:
        """Return the version whose content for `area` has `cell` at `position`, None for anything else."""
        what = kind_of(Cell(cell))
        if what is None or what[2] != position or what[1] != dict(self.ground.links).get(area, 0):
            return None
        for number, kind in KIND_OF_VERSION.items():
            if kind == what[0]:
                return Version(number)
        return None

    def blocks_of(self, area: str) -> Iterator[str]:
        """Yield the map blocks of an area once each."""
        start, stop = self.area_range[area]
        yield from dict.fromkeys(self.ground.sectors[i].block for i in range(start, stop))


def _unlike_bits(left: Hashable, right: Hashable) -> int:
    """Return the bits of a location which, where they may be read, part a state with `left` from one with `right`."""
    if isinstance(left, LogContent) and isinstance(right, LogContent):
        if left.locked != right.locked:
            return 1
        return int(left.newest != right.newest or left.used > right.used or not left.older <= right.older)
    if isinstance(left, SectorContent) and isinstance(right, SectorContent):
        cells = zip(left.cells, right.cells, strict=True)
        unlike = sum(1 << place for place, (one, other) in enumerate(cells) if one != other)
        return unlike | (left.weak != right.weak) << len(left.cells)
    return 1


def _rename_record(record: Record | None) -> Record | None:
    if record is None:
        return None
    return tuple(Version(max(-1, field - 1)) if isinstance(field, Version) else field for field in record)


FOREIGN_CELL = int(FOREIGN)
