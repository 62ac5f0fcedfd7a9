"""Where one block may lie: the first window at or after a position, for even and uneven sector patterns.

Positions are *linear*: the address plus a multiple of 2^40 per memory, so that all memories stand in one row.
A window is (start, end). `first(p)` returns the window with the lowest end among those that start at `p` or later; both
its start and its end never fall when `p` rises. The search rests on that.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from math import gcd, lcm
from typing import Protocol

from rootwright.describe.chip import Memory

Window = tuple[int, int]
Segment = tuple[int, int]

MEMORY_STEP = 1 << 40


class Windows(Protocol):
    """What the search asks of a block's possible places."""

    smallest: int
    key: tuple[object, ...]

    def first(self, position: int) -> Window | None:
        """Return the first window at or after `position`, or None."""
        ...

    def smallest_from(self, start: int) -> int:
        """Return the least size of a window that starts at `start`, where one starts, or later."""
        ...


class EvenWindows:
    """Windows of one size on an even grid inside free segments."""

    __slots__ = ("key", "period", "residue", "segments", "smallest")

    key: tuple[object, ...]

    def __init__(self, segments: tuple[Segment, ...], size: int, residue: int, period: int) -> None:
        self.segments = tuple(s for s in segments if s[1] - s[0] >= size)
        self.smallest = size
        self.residue = residue
        self.period = period
        self.key = (self.segments, size, residue % period, period)

    def first(self, position: int) -> Window | None:
        """Return the first window at or after `position`, or None."""
        size = self.smallest
        for low, high in self.segments:
            if high > position:
                start = position if position > low else low
                start += (self.residue - start) % self.period
                if start + size <= high:
                    return start, start + size
        return None

    def smallest_from(self, start: int) -> int:
        """Return the one size there is."""
        return self.smallest


class ListedWindows:
    """Windows listed one by one: starts ascending, each with the end that suits it best."""

    __slots__ = ("_least", "ends", "key", "smallest", "starts")

    key: tuple[object, ...]

    def __init__(self, windows: list[Window]) -> None:
        self.starts = [start for start, _ in windows]
        self.ends = [end for _, end in windows]
        self.smallest = min((end - start for start, end in windows), default=0)
        self.key = tuple(windows)
        self._least: dict[int, int] | None = None

    def first(self, position: int) -> Window | None:
        """Return the first window at or after `position`, or None."""
        index = bisect_left(self.starts, position)
        return (self.starts[index], self.ends[index]) if index < len(self.starts) else None

    def smallest_from(self, start: int) -> int:
        """Return the least size of a window that starts at `start`, where one starts, or later."""
        if self._least is None:
            self._least, least = {}, 1 << 60
            for low, high in zip(reversed(self.starts), reversed(self.ends), strict=True):
                least = min(least, high - low)
                self._least[low] = least
        return self._least[start]


class JoinedWindows:
    """Windows in several memories, in the row's order."""

    __slots__ = ("key", "parts", "smallest")

    key: tuple[object, ...]

    def __init__(self, parts: list[EvenWindows | ListedWindows]) -> None:
        self.parts = parts
        self.smallest = min(part.smallest for part in parts)
        self.key = tuple(part.key for part in parts)

    def first(self, position: int) -> Window | None:
        """Return the first window at or after `position`, or None."""
        for part in self.parts:
            found = part.first(position)
            if found is not None:
                return found
        return None

    def smallest_from(self, start: int) -> int:
        """Return the least size of a window that starts at `start`, where one starts, or later."""
        found = []
        for part in self.parts:
            window = part.first(start)
            if window is not None:
                found.append(part.smallest_from(window[0]))
        return min(found)


class PairWindows:
    """Windows of two blocks that start at one distance from each other."""

    __slots__ = ("_found", "_least", "_starts", "distance", "key", "mine", "others")

    def __init__(self, mine: EvenWindows | ListedWindows, others: EvenWindows | ListedWindows, distance: int) -> None:
        self.mine = mine
        self.others = others
        self.distance = distance
        self.key = (mine.key, others.key, distance)
        self._found: list[tuple[Window, Window]] = []
        self._least: list[tuple[int, int]] = []
        self._starts: list[int] = []
        if isinstance(mine, ListedWindows) or isinstance(others, ListedWindows):
            position = 0
            while (both := self._first_common(position)) is not None:
                self._found.append(both)
                position = both[0][0] + 1
            self._starts = [first[0] for first, _ in self._found]
            least = (1 << 60, 1 << 60)
            for first, second in reversed(self._found):
                least = (min(least[0], first[1]), min(least[1], second[1]))
                self._least.append(least)
            self._least.reverse()

    def first(self, position: int) -> list[tuple[Window, Window]]:
        """Return the first two windows at or after `position` (of the first block), and later ones that end earlier."""
        if not self._found:
            both = self._first_common(position)
            return [] if both is None else [both]
        found: list[tuple[Window, Window]] = []
        for index in range(bisect_left(self._starts, position), len(self._starts)):
            least = self._least[index]
            if any(a[1] <= least[0] and b[1] <= least[1] for a, b in found):
                break
            first, second = self._found[index]
            if all(first[1] < a[1] or second[1] < b[1] for a, b in found):
                found.append((first, second))
        return found

    def _first_common(self, position: int) -> tuple[Window, Window] | None:
        while True:
            first = self.mine.first(position)
            if first is None:
                return None
            second = self.others.first(first[0] + self.distance)
            if second is None:
                return None
            if second[0] - self.distance == first[0]:
                return first, second
            position = second[0] - self.distance


@dataclass(frozen=True, slots=True)
class Shape:
    """What a block asks of a window, once sizes and sectors of tied blocks are decided. Sizes in bytes.

    Attributes:
        whole: Whether it takes whole sectors.
        exact: The size it must have, None where `need` is only the least.
        granule_ends: Whether it starts and ends on the write-protection granule.
        align, header: start + header is a multiple of `align`.
        cap: The largest sector it may cover, None for any.
        reach: The size of a sector that it must cover, 0 for no wish.
        steps: Its size is a multiple of each of these, and a sector bound lies on every multiple inside it.
        pattern: Sizes of its sectors as (count, size) runs, None for any.
    """

    need: int
    exact: int | None
    whole: bool
    min_sectors: int
    granule_ends: bool
    align: int
    header: int
    cap: int | None = None
    reach: int = 0
    steps: tuple[int, ...] = ()
    pattern: tuple[tuple[int, int], ...] | None = None


class Space:
    """One memory in the row: its sector bounds, its write-protection granule, its halves."""

    def __init__(self, memory: Memory, index: int, granule: int) -> None:
        self.memory = memory
        self.shift = index * MEMORY_STEP
        self.low = memory.base + self.shift
        self.high = self.low + memory.size
        self.half = self.low + memory.size // 2
        self.granule = granule
        self.unit = max(memory.program_unit, memory.tear_unit, 1)
        runs = merged_runs(memory)
        self.runs = runs
        self.even: int | None = runs[0][1] if len(runs) == 1 else None
        self.sizes = sorted({size for _, size in runs})
        self._bounds: list[int] | None = None
        self._distances: int | None = None
        self._marks: dict[tuple[bool, int, int, int], tuple[int, int, int]] = {}

    @property
    def bounds(self) -> list[int]:
        """All sector bounds, first and last included, ascending."""
        if self._bounds is None:
            bounds, position = [self.low], self.low
            for count, size in self.runs:
                bounds.extend(range(position + size, position + count * size + 1, size))
                position += count * size
            self._bounds = bounds
        return self._bounds

    def marks(self, shape: Shape, unit: int) -> tuple[int, int, int]:
        """Return bit masks over multiples of `unit` from the memory's start: allowed starts, allowed ends, bounds."""
        key = (shape.granule_ends, shape.align, shape.header, unit)
        if key not in self._marks:
            granule = self.granule if shape.granule_ends else 1
            starts = ends = bounds = 0
            for bound in self.bounds:
                bit = 1 << (bound - self.low) // unit
                bounds |= bit
                if (bound - self.low) % granule == 0:
                    ends |= bit
                    if (bound + shape.header) % shape.align == 0:
                        starts |= bit
            self._marks[key] = (starts, ends, bounds)
        return self._marks[key]

    def starts(self, shape: Shape, segments: tuple[Segment, ...], size: int) -> int:
        """Return the starts of windows of exactly `size` bytes in whole sectors, as a bit mask like those of `marks`.

        Least sectors, a sector to cover and a pattern are not looked at.
        """
        unit = gcd(*self.sizes)
        starts, ends, _ = self.marks(shape, unit)
        if size % unit or any(size % step for step in shape.steps):
            return 0
        if shape.cap is not None:
            segments = self.capped(segments, shape.cap)
        return self.cut_at(starts & (ends >> size // unit) & self.room(segments, size, unit), shape, size, unit)

    def cut_at(self, mask: int, shape: Shape, size: int, unit: int) -> int:
        """Return the starts in `mask` from which a sector bound lies on every multiple of each step up to `size`."""
        if not shape.steps or not mask:
            return mask
        bounds = self.marks(shape, unit)[2]
        for step in shape.steps:
            if step % unit:
                return 0
            # Bounds at every multiple: one, two, four, ... of them at a time.
            cut, have, wanted = bounds, 1, size // step
            while have < wanted and mask:
                more = min(have, wanted - have)
                cut &= cut >> more * step // unit
                have += more
            mask &= cut
        return mask

    def room(self, segments: tuple[Segment, ...], size: int, unit: int) -> int:
        """Return the positions, as a bit mask over units, behind which `size` bytes follow in one segment."""
        room = 0
        for low, high in segments:
            first, last = (low - self.low) // unit, (high - size - self.low) // unit
            if last >= first:
                room |= ((1 << (last - first + 1)) - 1) << first
        return room

    def distances(self, least: int, most: int) -> Iterator[int]:
        """Yield, ascending, the distances in bytes from `least` to `most` that lie between two sector bounds."""
        unit = gcd(*self.sizes)
        if self._distances is None:
            marks = 0
            for bound in self.bounds:
                marks |= 1 << (bound - self.low) // unit
            self._distances = 0
            for bound in self.bounds:
                self._distances |= marks >> (bound - self.low) // unit
        step = -(-least // unit)
        rest = self._distances >> step
        while rest:
            skip = (rest & -rest).bit_length() - 1
            step += skip
            if step * unit > most:
                return
            yield step * unit
            rest >>= skip + 1
            step += 1

    def round_up(self, position: int) -> int:
        """Return the next write-protection bound at or after `position`, at most the memory's end."""
        if self.granule <= 1:
            return position
        return min(self.high, self.low + -(-(position - self.low) // self.granule) * self.granule)

    def round_down(self, position: int) -> int:
        """Return the last write-protection bound at or before `position`."""
        if self.granule <= 1:
            return position
        return self.low + (position - self.low) // self.granule * self.granule

    def sector_span(self, start: int, end: int) -> tuple[int, int]:
        """Return the index of the first sector touched by [start, end) and how many are touched."""
        if self.even is not None:
            first = (start - self.low) // self.even
            return first, -(-(end - self.low) // self.even) - first
        first = bisect_left(self.bounds, start + 1) - 1
        return first, bisect_left(self.bounds, end) - first

    def sector_bounds(self, start: int, end: int) -> tuple[int, int]:
        """Return [start, end) widened to whole sectors."""
        if self.even is not None:
            return (
                self.low + (start - self.low) // self.even * self.even,
                self.low + -(-(end - self.low) // self.even) * self.even,
            )
        first, count = self.sector_span(start, end)
        return self.bounds[first], self.bounds[first + count]

    def pattern(self, start: int, end: int) -> tuple[tuple[int, int], ...]:
        """Return the sectors of [start, end) as (count, size) runs."""
        found: list[tuple[int, int]] = []
        position = self.low
        for count, size in self.runs:
            run_end = position + count * size
            low, high = max(start, position), min(end, run_end)
            if low < high:
                found.append(((high - low) // size, size))
            position = run_end
        return tuple(found)

    def capped(self, segments: tuple[Segment, ...], cap: int) -> tuple[Segment, ...]:
        """Return the parts of `segments` that lie in sectors of at most `cap` bytes."""
        allowed: list[list[int]] = []
        position = self.low
        for count, size in self.runs:
            run_end = position + count * size
            if size <= cap:
                if allowed and allowed[-1][1] == position:
                    allowed[-1][1] = run_end
                else:
                    allowed.append([position, run_end])
            position = run_end
        return tuple(
            (max(low, a), min(high, z)) for low, high in segments for a, z in allowed if max(low, a) < min(high, z)
        )

    def windows(
        self, shape: Shape, segments: tuple[Segment, ...], *, every_start: bool = False
    ) -> EvenWindows | ListedWindows | None:
        """Return the windows of `shape` inside the free `segments`, or None where there are none.

        Windows that a later one ends before are left out unless `every_start` is set.
        """
        if shape.cap is not None and shape.whole:
            segments = self.capped(segments, shape.cap)
        if not segments:
            return None
        if not shape.whole:
            return self._loose(shape, segments)
        if self.even is not None:
            return self._even(shape, segments, self.even)
        listed = self._listed(shape, segments)
        if not every_start:
            listed = _best_ends(listed)
        return ListedWindows(listed) if listed else None

    def _loose(self, shape: Shape, segments: tuple[Segment, ...]) -> EvenWindows | None:
        size = shape.exact if shape.exact is not None else -(-shape.need // self.unit) * self.unit
        if size % self.unit:
            return None
        return self._on_grid(shape, segments, size, self.unit)

    def _even(self, shape: Shape, segments: tuple[Segment, ...], sector: int) -> EvenWindows | None:
        grid = lcm(sector, self.granule) if shape.granule_ends else sector
        if shape.reach not in (0, sector) or any(step % sector for step in shape.steps):
            return None
        unit = lcm(grid, *shape.steps)
        size = shape.exact
        if size is None:
            size = -(-max(shape.need, shape.min_sectors * sector) // unit) * unit
        if size % unit or size < shape.min_sectors * sector:
            return None
        if shape.pattern is not None and shape.pattern != ((size // sector, sector),):
            return None
        return self._on_grid(shape, segments, size, grid)

    def _on_grid(self, shape: Shape, segments: tuple[Segment, ...], size: int, grid: int) -> EvenWindows | None:
        solved = aligned_grid(self.low, grid, shape.header, shape.align)
        if solved is None:
            return None
        found = EvenWindows(segments, size, *solved)
        return found if found.first(0) is not None else None

    def _listed(self, shape: Shape, segments: tuple[Segment, ...]) -> list[Window]:
        if shape.exact is not None:
            return self._listed_exact(shape, segments, shape.exact)
        bounds, found = self.bounds, []
        granule = self.granule if shape.granule_ends else 1
        align, header, low_end = shape.align, shape.header, self.low
        picky = bool(shape.steps or shape.reach or shape.pattern)
        for low, high in segments:
            first, last = bisect_left(bounds, low), bisect_left(bounds, high + 1) - 1
            j = first
            for i in range(first, last):
                start = bounds[i]
                if (start - low_end) % granule or (start + header) % align:
                    continue
                j = max(j, i + shape.min_sectors)
                while j <= last and bounds[j] - start < shape.need:
                    j += 1
                k = j
                while k <= last and (
                    (bounds[k] - low_end) % granule or (picky and not self._inside_fits(shape, start, bounds[k]))
                ):
                    k += 1
                if k <= last:
                    found.append((start, bounds[k]))
        return found

    def _listed_exact(self, shape: Shape, segments: tuple[Segment, ...], size: int) -> list[Window]:
        unit = gcd(*self.sizes)
        bits = bin(self.starts(shape, segments, size))[:1:-1]
        found = []
        place = bits.find("1")
        while place >= 0:
            start = self.low + place * unit
            place = bits.find("1", place + 1)
            if shape.min_sectors > 1 and self.sector_span(start, start + size)[1] < shape.min_sectors:
                continue
            if (shape.reach or shape.pattern) and not self._covers_as_asked(shape, start, start + size):
                continue
            found.append((start, start + size))
        return found

    def is_cut(self, start: int, end: int, step: int) -> bool:
        """Tell whether a sector bound lies on every multiple of `step` inside [start, end), and on its end."""
        if (end - start) % step:
            return False
        if self.even is not None and step % self.even == 0:
            return True
        return all(self.bounds[bisect_left(self.bounds, bound)] == bound for bound in range(start + step, end, step))

    def _inside_fits(self, shape: Shape, start: int, end: int) -> bool:
        return all(self.is_cut(start, end, step) for step in shape.steps) and self._covers_as_asked(shape, start, end)

    def _covers_as_asked(self, shape: Shape, start: int, end: int) -> bool:
        if shape.reach and all(size != shape.reach for _, size in self.pattern(start, end)):
            return False
        return shape.pattern is None or self.pattern(start, end) == shape.pattern


def _best_ends(found: list[Window]) -> list[Window]:
    """Drop the windows that a later one ends before."""
    kept: list[Window] = []
    for window in reversed(found):
        if not kept or window[1] <= kept[-1][1]:
            kept.append(window)
    kept.reverse()
    return kept


def merged_runs(memory: Memory) -> list[tuple[int, int]]:
    """Return the memory's sectors as (count, size) runs, neighbours of one size joined."""
    runs: list[tuple[int, int]] = []
    for run in memory.runs:
        if run.count and runs and runs[-1][1] == run.size:
            runs[-1] = (runs[-1][0] + run.count, run.size)
        elif run.count:
            runs.append((run.count, run.size))
    return runs


def aligned_grid(origin: int, grid: int, header: int, align: int) -> tuple[int, int] | None:
    """Return (residue, period) of positions on `origin + k * grid` where position + header is a multiple of `align`.

    None where no position is both.

    Example:
        >>> aligned_grid(0, 512, 256, 1024), aligned_grid(0, 512, 512, 1024)
        (None, (512, 1024))
    """
    common = gcd(grid, align)
    if (origin + header) % common:
        return None
    for k in range(align // common):
        if (origin + k * grid + header) % align == 0:
            return origin + k * grid, lcm(grid, align)
    return None  # pragma: no cover - the congruence has a solution where the common divisor divides
