"""The sizes that tied blocks can share: the few that are worth trying, smallest first."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import merge
from itertools import combinations
from math import gcd, lcm

from rootwright.plan.windows import Segment, Shape, Space

Fields = Sequence[tuple[Space, tuple[Segment, ...]]]

_STEPWISE = 12  # so many single steps cost less than doubling from the start


@dataclass(frozen=True, slots=True)
class SizeGroup:
    """Blocks of one size, by number; `patterns` are those of them that also share a sector pattern."""

    members: tuple[int, ...]
    patterns: tuple[tuple[int, ...], ...] = ()


class Starts:
    """Where windows of each size start, for one block in one memory, as bit masks; kept once reckoned.

    On uneven sectors a bit per multiple of the sectors' common unit; elsewhere one bit: whether there is any window.
    """

    def __init__(self, space: Space, shape: Shape, segments: tuple[Segment, ...]) -> None:
        self.space = space
        self.shape = shape
        self.segments = segments
        self.unit = gcd(*space.sizes) if space.even is None and shape.whole else 0
        self._known: dict[int, int] = {}
        self._parts: list[tuple[int, int]] = []
        if self.unit:
            starts, ends, _ = space.marks(shape, self.unit)
            for low, high in segments if shape.cap is None else space.capped(segments, shape.cap):
                first, last = (low - space.low) // self.unit, (high - space.low) // self.unit
                inside = ((1 << last - first + 1) - 1) << first
                self._parts.append((starts & inside, ends & inside))

    def mask(self, size: int) -> int:
        """Return the starts of windows of exactly `size` bytes; least sectors and patterns are not looked at."""
        mask = self._known.get(size)
        if mask is None:
            mask = self._known[size] = self._reckon(size)
        return mask

    def _reckon(self, size: int) -> int:
        shape, unit = self.shape, self.unit
        if any(size % step for step in shape.steps):
            return 0
        if not unit:
            grid = self.space.unit if not shape.whole else self.space.even or 1
            return 0 if size % grid else int(self.space.windows(replace(shape, exact=size), self.segments) is not None)
        if size % unit:
            return 0
        mask = 0
        for starts, ends in self._parts:
            mask |= starts & (ends >> size // unit)
        return self.space.cut_at(mask, shape, size, unit)


class _Kept:
    """A size worth trying: its starts, and from where a window that starts later is at most so much higher up."""

    __slots__ = ("distances", "masks", "size", "smeared")

    def __init__(self, size: int, masks: list[int]) -> None:
        self.size = size
        self.masks = masks
        self.smeared = list(masks)
        self.distances = [0] * len(masks)

    def covers(self, size: int, masks: list[int], slots: Sequence[tuple[bool, int]]) -> bool:
        """Tell whether each window of the larger `size` holds one of this; call it with ascending sizes."""
        for place, now in enumerate(masks):
            if now & ~self.smeared[place] == 0:
                continue
            movable, unit = slots[place]
            if not (movable and unit):
                return False
            distance = (size - self.size) // unit
            if distance - self.distances[place] > _STEPWISE:
                self.smeared[place] = _smeared(self.masks[place], distance)
            else:
                for further in range(self.distances[place] + 1, distance + 1):
                    self.smeared[place] |= self.masks[place] >> further
            self.distances[place] = distance
            if now & ~self.smeared[place]:
                return False
        return True


class CandidateSizes:
    """The sizes in bytes worth trying, ascending, found as far as they are asked for.

    A size is left out when a smaller one has, for every block, a window inside each window of the larger size: each
    map with the larger size then holds one with the smaller. So one size is enough on even sectors, and a few on
    uneven ones.

    Args:
        members: For each tied block its shape (with what ties on sectors decided) and the memories it may be in.
        movable: For each, whether the smaller window may start later than the larger one; false where the start
            matters (pins, pairs, sector patterns).
        starts_of: Gives the starts for one block in one memory; the caller may keep them from one question to the next.
    """

    def __init__(
        self,
        members: Sequence[tuple[Shape, Fields]],
        *,
        movable: Sequence[bool],
        starts_of: Callable[[Space, Shape, tuple[Segment, ...]], Starts] = Starts,
    ) -> None:
        self._members = members
        self._movable = movable
        self._tables = [
            [starts_of(space, replace(shape, need=1, exact=None), segments) for space, segments in fields]
            for shape, fields in members
        ]
        self._slots = [
            (may_move, starts.unit) for may_move, mine in zip(movable, self._tables, strict=True) for starts in mine
        ]
        self._comparable = not any(
            shape.reach or (shape.min_sectors > 1 and any(space.even is None for space, _ in fields))
            for shape, fields in members
        )
        self._found: list[int] = []
        self._kept: list[_Kept] = []
        self._limit = 1 << 60
        need = max(shape.need for shape, _ in members)
        exacts = {shape.exact for shape, _ in members if shape.exact is not None}
        sizes = _sizes_from(members, need) if not exacts else (size for size in exacts if size >= need)
        self._sizes: Iterator[int] = iter(()) if len(exacts) > 1 else sizes
        self._next = next(self._sizes, None)

    def up_to(self, limit: int) -> list[int]:
        """Return those of at most `limit` bytes."""
        while self._next is not None and self._next <= limit:
            if self._next >= self._limit:
                self._next = None
                break
            self._look_at(self._next)
            self._next = next(self._sizes, None)
        return self._found[: bisect_right(self._found, limit)]

    def _look_at(self, size: int) -> None:
        signature = _signature(self._tables, size)
        if signature is None:
            return
        if self._comparable:
            covering = next((i for i, old in enumerate(self._kept) if old.covers(size, signature, self._slots)), None)
            if covering is not None:
                self._kept.insert(0, self._kept.pop(covering))  # The next size is likely covered by the same one.
                return
            self._kept.append(_Kept(size, signature))
            self._limit = min(self._limit, _last_useful(self._members, size, signature, self._movable))
        self._found.append(size)


def _smeared(mask: int, distance: int) -> int:
    """Return the starts from which a start of `mask` is at most `distance` units up."""
    done = 0
    while done < distance:
        step = min(done + 1, distance - done)
        mask |= mask >> step
        done += step
    return mask


def _sizes_from(members: Sequence[tuple[Shape, Fields]], need: int) -> Iterator[int]:
    """Yield, ascending, all sizes that windows on uneven sectors have, and the least ones on even sectors."""
    rooms: list[int] = []
    spaces: dict[int, Space] = {}
    for shape, fields in members:
        largest = 0
        for space, segments in fields:
            spaces[space.shift] = space
            usable = segments if shape.cap is None or not shape.whole else space.capped(segments, shape.cap)
            largest = max(largest, max((high - low for low, high in usable), default=0))
        rooms.append(largest)
    caps = [shape.cap if shape.cap is not None and shape.whole else 1 << 60 for shape, _ in members]
    total = sum(
        high - low for space in spaces.values() for low, high in space.capped(((space.low, space.high),), max(caps))
    )
    limit = min(*rooms, total // len(members))
    found: set[int] = set()
    grids: set[int] = set()
    leasts = {need}
    uneven: dict[int, Space] = {}
    for shape, fields in members:
        for space, _ in fields:
            if not shape.whole:
                grids.add(space.unit)
            elif space.even is None:
                uneven[space.shift] = space
            else:
                grid = lcm(space.even, space.granule) if shape.granule_ends else space.even
                grids.add(lcm(grid, *shape.steps))
                leasts.add(max(need, shape.min_sectors * space.even))
    for count in range(1, len(grids) + 1):
        for chosen in combinations(sorted(grids), count):
            grid = lcm(*chosen)
            found.update(-(-least // grid) * grid for least in leasts)
    ascending = merge(
        sorted(size for size in found if size <= limit), *(space.distances(need, limit) for space in uneven.values())
    )
    last = 0
    for size in ascending:
        if size != last:
            yield size
            last = size


def _signature(tables: Sequence[Sequence[Starts]], size: int) -> list[int] | None:
    """Return, per block and memory, the starts of its windows of `size`; None where a block has none."""
    signature: list[int] = []
    for mine in tables:
        some = 0
        for starts in mine:
            mask = starts.mask(size)
            some |= mask
            signature.append(mask)
        if not some:
            return None
    return signature


def _last_useful(
    members: Sequence[tuple[Shape, Fields]], size: int, signature: list[int], movable: Sequence[bool]
) -> int:
    """Return a bound in bytes from which on every window of any size holds one of `size`; huge where there is none."""
    place, bound = 0, size + 1
    for (shape, fields), may_move in zip(members, movable, strict=True):
        for space, segments in fields:
            mask = signature[place]
            place += 1
            if space.even is not None or not shape.whole:
                if not mask:
                    return 1 << 60
                continue
            unit = gcd(*space.sizes)
            starts, _, _ = space.marks(shape, unit)
            if shape.cap is not None:
                segments = space.capped(segments, shape.cap)
            for further in (0, space.sizes[-1], 2 * space.sizes[-1]) if may_move else (0,):
                if not starts & space.room(segments, size + further + 1, unit) & ~_smeared(mask, further // unit):
                    bound = max(bound, size + further + 1)
                    break
            else:
                return 1 << 60
    return bound
