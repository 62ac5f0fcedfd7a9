"""The exact answer to one question: do these blocks, with these least sizes, find places on this part?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product as combinations
from math import gcd

from rootwright.describe.chip import Chip
from rootwright.errors import PlanError
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind
from rootwright.plan.choices import Choices
from rootwright.plan.packing import Capacity, Item, Placed, Undecided, pack_lanes, pack_row
from rootwright.plan.sizes import SizeGroup
from rootwright.plan.windows import (
    EvenWindows,
    JoinedWindows,
    ListedWindows,
    PairWindows,
    Segment,
    Shape,
    Space,
    Window,
    Windows,
)

Sizes = tuple[int, ...]
Homes = tuple[tuple[str, ...], ...]

_FIRST_STATES = 200  # arrangements tried per choice of sizes before any is searched to its end

_LARGEST_FIRST = (4, 6)  # so many of the largest blocks are tried alone before all

_WHOLE_TIES = (TieKind.SAME_PATTERN, TieKind.COMMON_MULTIPLE, TieKind.AT_LEAST_LARGEST_SECTOR)


def find_granule(chip: Chip, memory: str) -> int:
    """Return the smallest unit in bytes that can be closed in a memory; 0 where none can be write-protected."""
    return min((p.granule or 1 for p in chip.find_closers(memory)), default=0)


def whole_sector_blocks(demand: Demand) -> frozenset[str]:
    """Return the names of the blocks that take whole sectors: those that own them, logs, and blocks tied by sectors."""
    tied = {name for tie in demand.ties if tie.kind in _WHOLE_TIES for name in tie.blocks}
    return frozenset(b.name for b in demand.blocks if b.exclusive or b.min_sectors > 1 or b.name in tied)


def pinned_addresses(demand: Demand, chip: Chip) -> dict[str, int]:
    """Return the fixed addresses by block: pins, the reset address for the first boot stage, partners of pairs."""
    pins = {b.name: b.at for b in demand.blocks if b.at is not None}
    boots = [b for b in demand.blocks if b.role is BlockRole.BOOT]
    if boots and not any(b.name in pins for b in boots):
        start = chip.reset_address - boots[0].header
        if any(m.base <= start < m.end for m in chip.memories if m.name in boots[0].memories):
            pins[boots[0].name] = start
    for tie in demand.ties:
        if tie.kind is TieKind.OPPOSITE_BANK:
            first, second = tie.blocks
            for memory in (chip.memory(name) for name in demand.block(first).memories):
                if memory.banks != 2:
                    continue
                half = memory.size // 2
                if first in pins and second not in pins and memory.base <= pins[first] < memory.end:
                    pins[second] = pins[first] + half
                elif second in pins and first not in pins and memory.base <= pins[second] < memory.end:
                    pins[first] = pins[second] - half
    return pins


class Solver:
    """Answers `solve` for one demand on one part; keeps what the questions have in common.

    Raises:
        PlanError: The demand names a block, a memory or a tie that cannot be meant.
    """

    def __init__(self, demand: Demand, chip: Chip) -> None:
        self.demand = demand
        self.chip = chip
        self.blocks = demand.blocks
        self.number = {block.name: i for i, block in enumerate(self.blocks)}
        self._require_sense()
        self.spaces = {m.name: Space(m, i, find_granule(chip, m.name)) for i, m in enumerate(chip.memories)}
        whole = whole_sector_blocks(demand)
        self.whole = [block.name in whole for block in self.blocks]
        self.pins = pinned_addresses(demand, chip)
        self.groups = self._size_groups()
        self.pairs = {
            self.number[t.blocks[0]]: self.number[t.blocks[1]] for t in demand.ties if t.kind is TieKind.OPPOSITE_BANK
        }
        self.sector_ties = [
            t for t in demand.ties if t.kind in (TieKind.AT_LEAST_LARGEST_SECTOR, TieKind.COMMON_MULTIPLE)
        ]
        self.choices = Choices(self)
        self.homes: Homes = tuple(self._homes(i) for i in range(len(self.blocks)))
        self._steps = [
            gcd(*(size for n in homes for size in (self.spaces[n].sizes if whole else [self.spaces[n].unit]))) or 1
            for homes, whole in zip(self.homes, self.whole, strict=True)
        ]
        self._cache: dict[object, EvenWindows | ListedWindows | None] = {}
        self._pair_cache: dict[object, PairWindows] = {}
        self._same: dict[object, ListedWindows] = {}
        self._packed: dict[object, Placed | None] = {}
        self._undecided: set[object] = set()
        self._rounded: dict[int, int] = {}

    @property
    def least(self) -> Sizes:
        """The least size of each block, as the demand states it."""
        return tuple(block.min_size for block in self.blocks)

    def _require_sense(self) -> None:
        if len(self.number) != len(self.blocks):
            raise PlanError("two blocks have one name", where=self.demand.traits.name, next_step="rename one of them")
        names = {memory.name for memory in self.chip.memories}
        for block in self.blocks:
            for memory in block.memories:
                if memory not in names:
                    raise PlanError(
                        f"block {block.name!r} may be in memory {memory!r}, which {self.chip.name} does not have",
                        where=self.demand.traits.name,
                        next_step=f"use one of: {', '.join(sorted(names))}",
                    )
            if block.vector_align < 1 or block.min_size < 0 or block.min_sectors < 0:
                raise PlanError(f"block {block.name!r} has a size or alignment below zero", next_step="correct it")
        paired: set[str] = set()
        for tie in self.demand.ties:
            for name in tie.blocks:
                if name not in self.number:
                    raise PlanError(
                        f"a tie ({tie.kind}) names {name!r}, but no block has that name",
                        where=self.demand.traits.name,
                        next_step=f"use one of: {', '.join(self.number)}",
                    )
            if tie.kind is TieKind.OPPOSITE_BANK:
                if len(tie.blocks) != 2 or paired & set(tie.blocks) or len(set(tie.blocks)) != 2:
                    raise PlanError(
                        f"the tie '{tie.kind}' of {', '.join(tie.blocks)} is not between two blocks of their own",
                        where=self.demand.traits.name,
                        next_step="tie exactly two blocks, each in one such tie",
                    )
                paired.update(tie.blocks)

    def _size_groups(self) -> list[SizeGroup]:
        sized = [t for t in self.demand.ties if t.kind in (TieKind.SAME_SIZE, TieKind.SAME_PATTERN)]
        patterned = [t for t in sized if t.kind is TieKind.SAME_PATTERN]
        pattern_sets = _components(patterned, self.number)
        groups = []
        for members in _components(sized, self.number):
            inside = tuple(p for p in pattern_sets if set(p) <= set(members))
            groups.append(SizeGroup(members, inside))
        return groups

    def _homes(self, i: int) -> tuple[str, ...]:
        """Return the memories a block may be in, unfit ones taken out."""
        block = self.blocks[i]
        at = self.pins.get(block.name)
        homes = []
        for name in block.memories:
            space = self.spaces[name]
            if block.write_protect and not space.granule:
                continue
            if block.bank is not None and block.bank >= space.memory.banks:
                continue
            if at is not None and not space.memory.base <= at < space.memory.end:
                continue
            homes.append(name)
        for first, second in self.pairs.items():
            if i in (first, second):
                other = self.blocks[second if i == first else first].memories
                homes = [n for n in homes if self.spaces[n].memory.banks == 2 and n in other]
        return tuple(homes[:1] if at is not None else homes)

    def field(self, i: int, space: Space) -> tuple[Segment, ...]:
        """Return the whole stretch of one memory that a block may use, blind to other blocks."""
        low, high = space.low, space.high
        bank = self.blocks[i].bank
        if bank is not None and space.memory.banks == 2:
            low, high = (low, space.half) if bank == 0 else (space.half, high)
        at = self.pins.get(self.blocks[i].name)
        if at is not None:
            if not low <= at + space.shift < high:
                return ()
            low = at + space.shift
        return ((low, high),)

    # -- the question ---------------------------------------------------------------------------------------------

    def solve(self, least: Sizes, homes: Homes | None = None, only: int | None = None) -> Placed | None:
        """Return a window (linear positions) per block number, or None where it is proven that no map exists.

        Args:
            least: Least size in bytes per block, instead of the demand's.
            homes: Allowed memories per block, instead of the demand's.
            only: Look at the first so many blocks alone, ties among them included.
        """
        count = len(self.blocks) if only is None else only
        homes = homes or self.homes
        if any(not homes[i] for i in range(count)):
            return None
        found, broken = self._search(least, homes, count, exact=False)
        if broken:  # Rare: sectors of several sizes in no order, where only the exact largest sector decides.
            found, _ = self._search(least, homes, count, exact=True)
        return found

    def _search(self, least: Sizes, homes: Homes, count: int, *, exact: bool) -> tuple[Placed | None, bool]:
        """Return the first map over all ways to decide what ties share, and whether one was found that breaks a tie.

        Where `exact` is not set, sectors smaller than the one decided on pass too: far fewer ways, each with fewer
        sizes to try. Whatever holds with the exact sector is among them, so none found is a proof.
        """
        undecided: list[list[Shape]] = []
        broken = False
        for shapes in self.choices.shapes(least, homes, count, exact=exact):
            try:
                placed = self._pack(shapes, homes, count, states=_FIRST_STATES)
            except Undecided:
                undecided.append(shapes)
                continue
            if placed is not None:
                if self._multiples_hold(placed):
                    return placed, False
                broken = True
        if len(undecided) > 1:  # First see whether it fits without the ties at all.
            untied = [self.shape(i, least[i]) for i in range(count)]
            if self._pack(untied, homes, count) is None:
                return None, broken
        for shapes in undecided:
            placed = self._pack(shapes, homes, count)
            if placed is not None:
                if self._multiples_hold(placed):
                    return placed, False
                broken = True
        return None, broken

    def _multiples_hold(self, placed: Placed) -> bool:
        """Tell whether blocks tied by `COMMON_MULTIPLE` are cut at every multiple of the largest sector among them."""
        for tie in self.sector_ties:
            if tie.kind is TieKind.COMMON_MULTIPLE:
                windows = [placed[self.number[name]] for name in tie.blocks if self.number[name] in placed]
                located = [(self._space_at(window[0]), window) for window in windows]
                largest = max((size for space, w in located for _, size in space.pattern(*w)), default=0)
                if len(located) > 1 and not all(space.is_cut(*w, largest) for space, w in located):
                    return False
        return True

    def _space_at(self, position: int) -> Space:
        return next(space for space in self.spaces.values() if space.low <= position < space.high)

    def smallest_alone(self, i: int) -> int | None:
        """Return the least bytes that block i takes on an empty part, or None where it has no place even there."""
        block = self.blocks[i]
        shape = self.shape(i, block.min_size)
        found: list[int] = []
        for name in self.homes[i]:
            space = self.spaces[name]
            field = self.field(i, space)
            windows = self._windows(space, shape, field, every_start=True)
            if windows is None:
                continue
            if block.name in self.pins:
                window = windows.first(field[0][0])
                if window is not None and window[0] == field[0][0]:
                    found.append(window[1] - window[0])
            else:
                found.append(windows.smallest)
        return min(found, default=None)

    def shape(self, i: int, least: int) -> Shape:
        """Return what block i asks of a window by itself, with this least size in bytes.

        The size is rounded up to what sizes there are multiples of: nearby sizes then ask the same questions.
        """
        block = self.blocks[i]
        step = self._steps[i]
        return Shape(
            need=-(-max(1, least) // step) * step,
            exact=block.size,
            whole=self.whole[i],
            min_sectors=max(1, block.min_sectors),
            granule_ends=block.write_protect and self.whole[i],
            align=block.vector_align,
            header=block.header,
        )

    # -- packing --------------------------------------------------------------------------------------------------

    def _windows(
        self, space: Space, shape: Shape, segments: tuple[Segment, ...], *, every_start: bool = False
    ) -> EvenWindows | ListedWindows | None:
        if space.even is not None or not shape.whole:
            return space.windows(shape, segments)
        key = (space.shift, shape, segments, every_start)
        if key not in self._cache:
            found = space.windows(shape, segments, every_start=every_start)
            if isinstance(found, ListedWindows):  # One object for one list: many sizes have the same windows.
                found = self._same.setdefault(found.key, found)
                found.key = (id(found),)  # Quick to compare; the table above keeps the object.
            self._cache[key] = found
        return self._cache[key]

    def _pack(self, shapes: list[Shape], homes: Homes, count: int, *, states: int | None = None) -> Placed | None:
        pinned = self._pinned_windows(shapes, homes, count)
        if pinned is None:
            return None
        pairs = {a: b for a, b in self.pairs.items() if b < count and a < count and a not in pinned}
        for a, b in self.pairs.items():
            if a in pinned and b in pinned:
                half = self.spaces[homes[a][0]].memory.size // 2
                middle = self.spaces[homes[a][0]].half
                if homes[a] != homes[b] or pinned[b][0] - pinned[a][0] != half or pinned[a][1] > middle:
                    return None
        found = self._pack_with(shapes, homes, count, pinned, pairs, states=states)
        if not pairs:
            return found
        if found is not None:
            return found
        crossing: dict[tuple[int, ...], bool] = {}
        for extra in self._middle_windows(shapes, homes, count, pinned, pairs):
            absent = tuple(sorted(extra))
            if absent not in crossing:  # Where the others do not fit without these blocks, no place of these helps.
                rest = self._pack_with(shapes, homes, count, pinned, pairs, absent=absent, states=states)
                crossing[absent] = rest is not None
            if crossing[absent]:
                found = self._pack_with(shapes, homes, count, {**pinned, **extra}, pairs, states=states)
                if found is not None:
                    return found
        return None

    def _pinned_windows(self, shapes: list[Shape], homes: Homes, count: int) -> Placed | None:
        """Return the windows of pinned blocks, or None where one does not fit at its pin or two collide."""
        pinned: Placed = {}
        for i in range(count):
            if self.blocks[i].name not in self.pins:
                continue
            space = self.spaces[homes[i][0]]
            field = self.field(i, space)
            windows = self._windows(space, shapes[i], field, every_start=True)
            window = windows.first(field[0][0]) if field and windows is not None else None
            if window is None or window[0] != field[0][0]:
                return None
            if any(self._collide(i, window, space, j, other) for j, other in pinned.items()):
                return None
            pinned[i] = window
        return pinned

    def _collide(self, i: int, mine: Window, space: Space, j: int, other: Window) -> bool:
        if not space.low <= other[0] < space.high:
            return False
        low, high = self.obstacle(i, space, j, other)
        return mine[0] < high and low < mine[1]

    def obstacle(self, i: int, space: Space, j: int, window: Window) -> Window:
        """Return what block j's window takes away from block i: its sectors, or its write-protection units."""
        low, high = window
        if self.whole[i]:
            low, high = space.sector_bounds(low, high)
        if self.blocks[i].write_protect != self.blocks[j].write_protect:
            low, high = min(low, space.round_down(window[0])), max(high, space.round_up(window[1]))
        return low, high

    def find_free(self, i: int, space: Space, placed: Placed) -> tuple[Segment, ...]:
        """Return what placed blocks leave of a memory for block i."""
        segments = list(self.field(i, space))
        for j, window in placed.items():
            if not space.low <= window[0] < space.high:
                continue
            low, high = self.obstacle(i, space, j, window)
            segments = [
                part for a, z in segments for part in ((a, min(z, low)), (max(a, high), z)) if part[0] < part[1]
            ]
        return tuple(segments)

    def _pack_with(
        self,
        shapes: list[Shape],
        homes: Homes,
        count: int,
        pinned: Placed,
        pairs: dict[int, int],
        absent: tuple[int, ...] = (),
        states: int | None = None,
    ) -> Placed | None:
        seconds = set(pairs.values())
        split = {n for a in pairs for n in homes[a]}
        lane_of: dict[tuple[str, int], int] = {}
        for name in self.spaces:
            if name in split:
                lane_of[name, 0], lane_of[name, 1] = len(set(lane_of.values())), len(set(lane_of.values())) + 1
        rest_lane = len(set(lane_of.values()))
        items: list[Item] = []
        frees: dict[tuple[bool, bool, tuple[str, ...], int | None], list[tuple[Space, tuple[Segment, ...]]]] = {}

        def free_of(i: int) -> list[tuple[Space, tuple[Segment, ...]]]:
            block = self.blocks[i]
            key = (self.whole[i], block.write_protect, homes[i], block.bank)
            if key not in frees:
                frees[key] = [(self.spaces[n], self.find_free(i, self.spaces[n], pinned)) for n in homes[i]]
            return frees[key]

        for i in range(count):
            if i in pinned or i in seconds or i in absent:
                continue
            item = (
                self._pair_item(i, pairs[i], shapes, free_of, lane_of)
                if i in pairs
                else self._single_item(i, shapes[i], free_of(i), split, lane_of, rest_lane)
            )
            if item is None:
                return None
            items.append(item)
        # Protected blocks side by side need few protected stretches; among the others large ones first.
        items.sort(key=lambda item: (not item.protected, -item.weight, item.index))
        loose_protected = any(
            not self.whole[i] and self.blocks[i].write_protect for i in range(count) if i not in pinned
        )
        if loose_protected:
            self._require_unshared_middle(split)
        # Sizes that round up to the same sectors ask the same question again: growing and shrinking do that often.
        question = (tuple((item.index, item.key, item.pair_key) for item in items), tuple(sorted(pinned.items())))
        if question not in self._packed:
            if states is not None and question in self._undecided:
                raise Undecided
            try:
                self._packed[question] = self._pack_items(
                    items, pinned, lane_of, rest_lane, loose_protected=loose_protected, states=states
                )
            except Undecided:
                self._undecided.add(question)
                raise
        placed = self._packed[question]
        return None if placed is None else {**placed, **pinned}

    def _pack_items(
        self,
        items: list[Item],
        pinned: Placed,
        lane_of: dict[tuple[str, int], int],
        rest_lane: int,
        *,
        loose_protected: bool,
        states: int | None,
    ) -> Placed | None:
        """Return a place per item beside the pinned blocks, or None; lanes are the banks that hold halves of pairs.

        The few largest are tried alone first: where they find no places, no order of the many small ones matters.
        """
        for count in _LARGEST_FIRST:
            large = sorted(items, key=lambda item: -item.weight)[:count]
            if len(large) < len(items):
                core = self._pack_all(large, pinned, lane_of, rest_lane, loose_protected=loose_protected, states=states)
                if core is None:
                    return None
        return self._pack_all(items, pinned, lane_of, rest_lane, loose_protected=loose_protected, states=states)

    def _pack_all(
        self,
        items: list[Item],
        pinned: Placed,
        lane_of: dict[tuple[str, int], int],
        rest_lane: int,
        *,
        loose_protected: bool,
        states: int | None,
    ) -> Placed | None:
        round_up = self._round_up if loose_protected else None
        capacities = self._capacities(items, pinned)
        if not lane_of:
            return pack_row(items, [Capacity(h, s) for h, s in capacities], round_up, states=states)
        lanes = rest_lane + 1
        by_lane = [
            [Capacity(h, self._lane_segments(segments, lane, lane_of, rest_lane)) for lane in range(lanes)]
            for h, segments in capacities
        ]
        return pack_lanes(items, lanes, by_lane, round_up, states=states)

    def _require_unshared_middle(self, split: set[str]) -> None:
        for name in split:
            space = self.spaces[name]
            if space.granule > 1 and (space.half - space.low) % space.granule:
                raise PlanError(
                    f"a write-protection unit of {space.granule} bytes lies across the two banks of {name}",
                    where=self.demand.traits.name,
                    next_step="give protected blocks sectors of their own (exclusive) or pin them",
                )

    def _round_up(self, position: int) -> int:
        rounded = self._rounded.get(position)
        if rounded is None:
            spaces = [space for space in self.spaces.values() if space.low <= position <= space.high]
            rounded = self._rounded[position] = spaces[0].round_up(position) if spaces else position
        return rounded

    def _single_item(
        self,
        i: int,
        shape: Shape,
        free: Sequence[tuple[Space, tuple[Segment, ...]]],
        split: set[str],
        lane_of: dict[tuple[str, int], int],
        rest_lane: int,
    ) -> Item | None:
        by_lane: dict[int, list[tuple[int, EvenWindows | ListedWindows]]] = {}
        for space, segments in free:
            name = space.memory.name
            parts = [(rest_lane, segments)]
            if name in split:
                parts = [
                    (lane_of[name, bank], _cut(segments, *span))
                    for bank, span in enumerate(((space.low, space.half), (space.half, space.high)))
                ]
            for lane, part in parts:
                windows = self._windows(space, shape, part) if part else None
                if windows is not None:
                    by_lane.setdefault(lane, []).append((space.low, windows))
        if not by_lane:
            return None
        joined: list[tuple[int, Windows]] = []
        for lane in sorted(by_lane):
            parts_here = [w for _, w in sorted(by_lane[lane], key=lambda part: part[0])]
            joined.append((lane, parts_here[0] if len(parts_here) == 1 else JoinedWindows(parts_here)))
        return Item(
            index=i,
            windows=tuple(joined),
            protected=self.blocks[i].write_protect,
            weight=min(w.smallest for _, w in joined),
            homes=frozenset(space.shift for space, _ in free),
        )

    def _pair_item(
        self,
        i: int,
        j: int,
        shapes: list[Shape],
        free_of: Callable[[int], list[tuple[Space, tuple[Segment, ...]]]],
        lane_of: dict[tuple[str, int], int],
    ) -> Item | None:
        mine, others, weights, homes = [], [], [], []
        second = dict((space.memory.name, segments) for space, segments in free_of(j))
        for space, segments in free_of(i):
            name = space.memory.name
            if name not in second:
                continue
            first_windows = self._windows(space, shapes[i], _cut(segments, space.low, space.half), every_start=True)
            other_part = _cut(second[name], space.half, space.high)
            second_windows = self._windows(space, shapes[j], other_part, every_start=True)
            if first_windows is None or second_windows is None:
                continue
            mine.append((lane_of[name, 0], first_windows))
            others.append((lane_of[name, 1], self._pair_windows(first_windows, second_windows, space.half - space.low)))
            weights.append(first_windows.smallest + second_windows.smallest)
            homes.append(space.shift)
        if not mine:
            return None
        return Item(
            index=i,
            windows=tuple(mine),
            protected=self.blocks[i].write_protect,
            weight=min(weights),
            homes=frozenset(homes),
            partner=j,
            partner_protected=self.blocks[j].write_protect,
            partner_windows=tuple(others),
        )

    def _pair_windows(
        self, mine: EvenWindows | ListedWindows, others: EvenWindows | ListedWindows, distance: int
    ) -> PairWindows:
        key = (mine.key, others.key, distance)
        if key not in self._pair_cache:
            self._pair_cache[key] = PairWindows(mine, others, distance)
        return self._pair_cache[key]

    def _capacities(self, items: Sequence[Item], pinned: Placed) -> list[tuple[frozenset[int], list[Segment]]]:
        """Return, for each set of memories that blocks are confined to, what pinned blocks leave of it."""
        unions = {item.homes for item in items}
        unions.add(frozenset().union(*unions) if unions else frozenset())
        found = []
        for homes in sorted(unions, key=lambda h: (len(h), sorted(h))):
            segments: list[Segment] = []
            for space in self.spaces.values():
                if space.shift not in homes:
                    continue
                low = space.low
                for a, z in sorted(w for w in pinned.values() if space.low <= w[0] < space.high):
                    if low < a:
                        segments.append((low, a))
                    low = max(low, z)
                if low < space.high:
                    segments.append((low, space.high))
            found.append((homes, segments))
        return found

    def _lane_segments(
        self, segments: list[Segment], lane: int, lane_of: dict[tuple[str, int], int], rest_lane: int
    ) -> list[Segment]:
        found: list[Segment] = []
        for name, space in self.spaces.items():
            if (name, 0) in lane_of:
                if lane == lane_of[name, 0]:
                    found.extend(_cut(segments, space.low, space.half))
                elif lane == lane_of[name, 1]:
                    found.extend(_cut(segments, space.half, space.high))
            elif lane == rest_lane:
                found.extend(_cut(segments, space.low, space.high))
        return sorted(found)

    def _middle_windows(
        self, shapes: list[Shape], homes: Homes, count: int, pinned: Placed, pairs: dict[int, int]
    ) -> Iterator[Placed]:
        """Yield the windows of a block that lies across the middle of a memory whose banks hold pairs."""
        spaces = [self.spaces[n] for n in self.spaces if any(n in homes[a] for a in pairs)]
        per_space: list[list[tuple[int, Window] | None]] = []
        for space in spaces:
            found: list[tuple[int, Window] | None] = [None]
            for i in range(count):
                if i in pinned or i in pairs or i in pairs.values() or space.memory.name not in homes[i]:
                    continue
                segments = self.find_free(i, space, pinned)
                windows = self._windows(space, shapes[i], segments, every_start=True)
                position = space.low
                if isinstance(windows, EvenWindows):
                    position = max(position, space.half - windows.smallest + 1)
                while windows is not None and (window := windows.first(position)) is not None:
                    if window[0] >= space.half:
                        break
                    if window[1] > space.half:
                        found.append((i, window))
                    position = window[0] + 1
            per_space.append(found)
        for chosen in combinations(*per_space):
            extra = [c for c in chosen if c is not None]
            if extra and len({i for i, _ in extra}) == len(extra):
                yield dict(extra)


def _cut(segments: Sequence[Segment], low: int, high: int) -> tuple[Segment, ...]:
    return tuple((max(a, low), min(z, high)) for a, z in segments if max(a, low) < min(z, high))


def _components(ties: Sequence[Tie], number: dict[str, int]) -> list[tuple[int, ...]]:
    """Return the sets of block numbers that ties hold together, each sorted."""
    sets: list[set[int]] = []
    for tie in ties:
        joined = {number[name] for name in tie.blocks}
        apart = []
        for other in sets:
            if other & joined:
                joined |= other
            else:
                apart.append(other)
        sets = [*apart, joined]
    return sorted(tuple(sorted(s)) for s in sets)


__all__ = ["Block", "Homes", "Sizes", "Solver", "find_granule", "pinned_addresses", "whole_sector_blocks"]
