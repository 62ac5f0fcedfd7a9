"""Put blocks with known windows side by side: exact, in the order of addresses.

Blocks are placed from the lowest position upwards; each takes its first window at or after the *frontier*, the end of
what has been placed. For a fixed order that is the best any map can do, so trying the orders is exact. Four things
keep it fast: a set of blocks once placed with a lower frontier is never placed again; alike blocks go in one order;
a block may not jump over a gap in which another waiting block would fit; and what is left must fit by its bytes.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import gcd

from rootwright.errors import PlanError
from rootwright.plan.windows import EvenWindows, PairWindows, Segment, Window, Windows

_SUM_UNIT = 256  # sums of blocks are counted in units of at least so many bytes
STATE_LIMIT = 2_000_000  # a refusal beats a search without end; 15 blocks stay far below

Placed = dict[int, Window]


@dataclass(frozen=True, slots=True)
class Item:
    """One block to pack, or two in opposite banks.

    Attributes:
        index: The block's number (of the first of two).
        windows: Where it may lie, lane by lane.
        protected: Whether write protection covers it.
        weight: Least bytes it takes.
        homes: Numbers of the memories it may be in.
        partner: The second block of an opposite pair; `partner_windows` are its lane and the windows of both, one for
            each of `windows`.
    """

    index: int
    windows: tuple[tuple[int, Windows], ...]
    protected: bool
    weight: int
    homes: frozenset[int]
    partner: int | None = None
    partner_protected: bool = False
    partner_windows: tuple[tuple[int, PairWindows], ...] = ()

    @property
    def key(self) -> object:
        """What makes two items interchangeable."""
        return (
            tuple((lane, windows.key) for lane, windows in self.windows),
            self.protected,
            self.partner is None or self.index,
        )

    @property
    def pair_key(self) -> object:
        """What tells two pairs apart; empty for a single block."""
        if self.partner is None:
            return ()
        others = tuple((lane, both.key) for lane, both in self.partner_windows)
        return (self.partner, self.partner_protected, others)


class Capacity:
    """Free bytes behind a position, for one set of memories."""

    __slots__ = ("behind", "ends", "homes", "starts")

    def __init__(self, homes: frozenset[int], segments: Sequence[Segment]) -> None:
        self.homes = homes
        self.starts = [low for low, _ in segments]
        self.ends = [high for _, high in segments]
        self.behind = [0] * (len(segments) + 1)
        for i in range(len(segments) - 1, -1, -1):
            self.behind[i] = self.behind[i + 1] + segments[i][1] - segments[i][0]

    def after(self, position: int) -> int:
        """Return the free bytes at or after `position`."""
        i = bisect_right(self.ends, position)
        if i == len(self.ends):
            return 0
        return self.behind[i] - max(0, position - self.starts[i])

    def lost(self, position: int, sums: int, unit: int, filler: int) -> int:
        """Return the bytes that stay empty at least: what no set of waiting blocks fills, gap by gap.

        Args:
            position: Gaps at or after it count.
            sums: Sums of waiting blocks' least sizes, as a bit mask over units.
            unit: Bytes per bit.
            filler: Bytes of waiting blocks that the sums leave out.
        """
        lost = 0
        for i in range(bisect_right(self.ends, position), len(self.ends)):
            room = self.ends[i] - max(position, self.starts[i])
            best = (sums & ((2 << room // unit) - 1)).bit_length() - 1
            lost += max(0, room - best * unit - filler)
        return lost


def _twins(items: Sequence[Item]) -> list[int]:
    """Return, for each item, the mask of the earlier items of its kind."""
    seen: dict[object, int] = {}
    masks = []
    for number, item in enumerate(items):
        mask = seen.get(item.key, 0)
        masks.append(mask)
        seen[item.key] = mask | 1 << number
    return masks


class _Banks:
    """What stays empty in two banks until the next pair, whose halves lie at the same place of both.

    Once a single block went into the high bank, the low one takes none before the next pair: a pair starts behind both
    frontiers, and only single blocks in the high bank can even them out.
    """

    __slots__ = ("distance", "high", "high_room", "low", "low_room", "plain")

    def __init__(self, low: int, high: int, distance: int, rooms: Sequence[Capacity]) -> None:
        self.low, self.high, self.distance = low, high, distance
        self.low_room, self.high_room = rooms[low], rooms[high]
        self.plain = len(self.low_room.ends) <= 1  # nothing in the low bank that a pair could stand behind

    @classmethod
    def of(cls, items: Sequence[Item], rooms: Sequence[Capacity]) -> _Banks | None:
        """Return the banks of the pairs among `items`, or None where there are none or in more than one memory."""
        found = {
            (low, high, both.distance)
            for item in items
            if item.partner is not None
            for (low, _), (high, both) in zip(item.windows, item.partner_windows, strict=True)
        }
        return cls(*found.pop(), rooms) if len(found) == 1 else None

    def lost(self, fronts: tuple[int, ...], turn: int, singles: Sequence[int]) -> int:
        """Return the bytes that stay empty at least, where the low bank is closed until the next pair.

        Args:
            fronts: The end of what is placed, lane by lane.
            turn: The lowest lane still open; `low` leaves both banks open, and then nothing is known to be lost.
            singles: Least sizes of the waiting single blocks.
        """
        if turn <= self.low:
            return 0
        low, high = fronts[self.low], fronts[self.high] - self.distance
        if high > low:
            return self.low_room.after(low) - self.low_room.after(high)
        gap = self.high_room.after(fronts[self.high]) - self.high_room.after(low + self.distance)
        if not gap or turn > self.high:
            return gap
        sums, filler = 1, 0
        for size in singles:
            if size % _SUM_UNIT:
                filler += size
            else:
                sums |= sums << size // _SUM_UNIT
        units = gap // _SUM_UNIT
        below = gap - ((sums & ((2 << units) - 1)).bit_length() - 1) * _SUM_UNIT
        above = sums >> units + 1
        if not self.plain:
            return 0 if above else max(0, below - filler)
        beyond = (units + (above & -above).bit_length()) * _SUM_UNIT - gap if above else below
        return max(0, min(below, beyond) - filler)


# Block, lane, start, end, end rounded to write protection, and what the last unit then holds: 1 protected, 2 open.
_Half = tuple[int, int, int, int, int, int]
_Way = tuple[_Half, ...]


class Undecided(Exception):
    """Raised when a search that was given few states has used them up."""


class _Budget:
    __slots__ = ("left", "proving")

    def __init__(self, states: int | None) -> None:
        self.left = STATE_LIMIT if states is None else states
        self.proving = states is None

    def spend(self) -> None:
        self.left -= 1
        if self.left < 0:
            if not self.proving:
                raise Undecided
            raise PlanError(
                f"the memory map search gave up after {STATE_LIMIT} arrangements",
                where="plan",
                next_step="pin some blocks with [[pin]] (block and at), or put keep-areas together into one",
            )


def pack_row(
    items: Sequence[Item],
    capacities: Sequence[Capacity],
    round_up: Callable[[int], int] | None,
    *,
    states: int | None = None,
) -> Placed | None:
    """Return a place for every item in one row of memories, or None where there is proof that none exists.

    Args:
        items: What to place, in order of preference.
        capacities: Free bytes per set of memories.
        round_up: The next write-protection bound, where protected blocks may end between two bounds; else None.
        states: Give up after so many states.

    Raises:
        Undecided: `states` were not enough.
        PlanError: Far more states than any ordinary demand needs were not enough.
    """
    if not items:
        return {}
    twins = _twins(items)
    firsts = [item.windows[0][1].first for item in items]
    protected = [item.protected for item in items]
    shares = [tuple(item.weight if item.homes <= c.homes else 0 for c in capacities) for item in items]
    afters = [c.after for c in capacities]
    seen: dict[int, int] = {}
    placed: Placed = {}
    budget = _Budget(states)
    count = len(items)
    infinity = 1 << 60
    # Sums of least sizes: the bound on what stays empty. Blocks of odd sizes (shared sectors) count as filler.
    unit = gcd(*(item.weight for item in items if not item.weight % _SUM_UNIT)) or _SUM_UNIT
    counted = [item.weight // unit if not item.weight % unit else 0 for item in items]
    fillers = [0 if c else item.weight for c, item in zip(counted, items, strict=True)]
    whole_row = capacities[-1]
    bounded = len(whole_row.ends) > 1

    bits = [1 << number for number in range(count)]
    knowns: list[dict[int, tuple[int, int, int, int]]] = [{} for _ in items]
    numbered = list(zip(range(count), bits, twins, knowns, protected, strict=True))
    single = len(capacities) == 1
    leasts = [item.windows[0][1].smallest_from for item in items]
    uneven = not all(isinstance(item.windows[0][1], EvenWindows) for item in items)

    def place_from(number: int, position: int) -> tuple[int, int, int, int]:
        """Return an item's first window from a position on, its rounded end, and the least it takes from there on."""
        window = firsts[number](position)
        if window is None:
            return infinity, infinity, infinity, infinity
        start, end = window
        return start, end, end if round_up is None else round_up(end), leasts[number](start) if uneven else 0

    def go(rest: int, position: int, kind: int, needs: tuple[int, ...]) -> bool:
        budget.spend()
        slack = afters[-1](position) - needs[-1]
        if slack < 0:
            return False
        if not single:
            for after, need in zip(afters, needs, strict=True):
                if need > after(position):
                    return False
        if bounded:
            sums, filler = 1, 0
            for number, bit, _, _, _ in numbered:
                if rest & bit:
                    sums |= sums << counted[number]
                    filler += fillers[number]
            if slack < whole_row.lost(position, sums, unit, filler):
                return False
        to_protected = to_open = position
        if kind and round_up is not None:
            if kind == 1:
                to_open = round_up(position)
            else:
                to_protected = round_up(position)
        limit = infinity
        room = afters[-1](position)
        options: list[tuple[int, int, int, int]] = []
        for number, bit, twin, known, guarded in numbered:
            if not rest & bit or (rest & twin and not uneven):
                continue
            asked = to_protected if guarded else to_open
            found = known.get(asked)
            if found is None:
                found = known[asked] = place_from(number, asked)
            start, end, beyond, least = found
            if start == infinity:
                return False
            if uneven:  # Further up the sectors may be larger, and with them the least that a block takes.
                room -= least
                if room < 0:
                    return False
            if rest & twin:
                continue
            options.append((number, start, end, beyond))
            if beyond < limit:
                limit = beyond
        for number, start, end, beyond in options:
            if start >= limit:
                continue
            left = rest ^ bits[number]
            next_kind = 0
            if beyond != end:
                next_kind = 1 if protected[number] else 2
            key = left << 2 | next_kind
            if seen.get(key, infinity) <= end:
                continue
            seen[key] = end
            share = shares[number]
            if not left or go(left, end, next_kind, tuple([n - s for n, s in zip(needs, share, strict=True)])):
                placed[items[number].index] = (start, end)
                return True
        return False

    total = tuple(sum(share[i] for share in shares) for i in range(len(capacities)))
    return placed if go((1 << count) - 1, 0, 0, total) else None


def pack_lanes(
    items: Sequence[Item],
    lanes: int,
    capacities: Sequence[Sequence[Capacity]],
    round_up: Callable[[int], int] | None,
    *,
    states: int | None = None,
) -> Placed | None:
    """Return a place for every item where pairs lie in opposite banks, or None where none exists.

    Each bank that holds half of a pair is a lane with a frontier of its own; a set of blocks once placed is not
    placed again with all frontiers as high or higher. Single blocks in two lanes do not touch each other, so between
    two pairs those of a lower lane go first: `turn` is the lowest lane still open to them until the next pair. A block
    may jump over a gap in a closed lane, for what fits there had its turn.

    `capacities[i]` are the lanes of the i-th set of memories.
    """
    if not items:
        return {}
    twins = _twins(items)
    seen: dict[tuple[int, tuple[int, ...]], list[tuple[int, ...]]] = {}
    placed: Placed = {}
    budget = _Budget(states)
    infinity = 1 << 60

    def known_better(key: tuple[int, tuple[int, ...]], fronts: tuple[int, ...]) -> bool:
        found = seen.get(key)
        if found is None:
            seen[key] = [fronts]
            return False
        for old in found:
            if _is_no_higher(old, fronts):
                return True
        found[:] = [old for old in found if not _is_no_higher(fronts, old)]
        found.append(fronts)
        return False

    knowns: list[list[dict[int, tuple[list[_Way], int]]]] = [[{} for _ in item.windows] for item in items]
    needs: dict[int, list[int]] = {}
    room_left = 0  # bytes behind the frontiers in all memories together, as `fits_by_bytes` has found them

    coupled = sum(1 << number for number, item in enumerate(items) if item.partner is not None)

    def fits_by_bytes(rest: int, fronts: tuple[int, ...], turn: int) -> bool:
        nonlocal room_left
        if rest not in needs:
            waiting = [item for number, item in enumerate(items) if rest >> number & 1]
            needs[rest] = [sum(it.weight for it in waiting if it.homes <= by_lane[0].homes) for by_lane in capacities]
        for need, by_lane in zip(needs[rest], capacities, strict=True):
            room = 0
            for lane in range(0 if rest & coupled else turn, lanes):
                room += by_lane[lane].after(fronts[lane])
            if need > room:
                return False
        room_left = room
        return True

    def front_for(lane: int, protected: bool, fronts: tuple[int, ...], kinds: tuple[int, ...]) -> int:
        kind = kinds[lane]
        if round_up is None or not kind or (kind == 1) == protected:
            return fronts[lane]
        return round_up(fronts[lane])

    def half(block: int, lane: int, window: Window, guarded: bool) -> _Half:
        start, end = window
        beyond = end if round_up is None else round_up(end)
        return block, lane, start, end, beyond, 0 if beyond == end else 1 if guarded else 2

    def moves(number: int, fronts: tuple[int, ...], kinds: tuple[int, ...], turn: int) -> tuple[list[_Way], int]:
        """Return the ways to place one item now, and the least it takes: further up the sectors may be larger."""
        item = items[number]
        ways: list[_Way] = []
        if item.partner is None:
            least = infinity
            for (lane, windows), known in zip(item.windows, knowns[number], strict=True):
                if lane < turn:
                    continue
                position = front_for(lane, item.protected, fronts, kinds)
                found = known.get(position)
                if found is None:
                    window = windows.first(position)
                    found = [], infinity
                    if window is not None:
                        way = (half(item.index, lane, window, item.protected),)
                        found = [way], windows.smallest_from(window[0])
                    known[position] = found
                ways += found[0]
                least = min(least, found[1])
            return ways, least
        assert item.partner is not None
        for (lane, _), (other, both), known in zip(item.windows, item.partner_windows, knowns[number], strict=True):
            position = max(
                front_for(lane, item.protected, fronts, kinds),
                front_for(other, item.partner_protected, fronts, kinds) - both.distance,
            )
            found = known.get(position)
            if found is None:
                pairs = both.first(position)
                found = known[position] = (
                    [
                        (
                            half(item.index, lane, first, item.protected),
                            half(item.partner, other, second, item.partner_protected),
                        )
                        for first, second in pairs
                    ],
                    0,
                )
            ways += found[0]
        return ways, item.weight

    banks = _Banks.of(items, capacities[-1])

    def go(rest: int, fronts: tuple[int, ...], kinds: tuple[int, ...], turn: int) -> bool:
        budget.spend()
        if not fits_by_bytes(rest, fronts, turn):
            return False
        room = room_left
        limits = [infinity] * lanes
        options = []
        singles = []  # least sizes from here on of the waiting blocks that are no pairs
        for number in range(len(items)):
            if not rest >> number & 1:
                continue
            ways, least = moves(number, fronts, kinds, 0 if rest & coupled else turn)
            if not ways:
                return False
            room -= least
            if room < 0:
                return False
            single = items[number].partner is None
            if single:
                singles.append(least)
            if rest & twins[number]:
                continue
            options.append((number, single, ways))
            if single:
                for ((_, lane, _, _, beyond, _),) in ways:
                    if beyond < limits[lane]:
                        limits[lane] = beyond
        if banks is not None and rest & coupled and turn > banks.low and room < banks.lost(fronts, turn, singles):
            return False
        for number, single, ways in options:
            left = rest & ~(1 << number)
            for way in ways:
                if single and way[0][1] < turn:
                    continue
                new_fronts, new_kinds = list(fronts), list(kinds)
                for _, lane, start, end, _, kind in way:
                    if start >= limits[lane] and lane >= turn:
                        break
                    new_fronts[lane] = end
                    new_kinds[lane] = kind
                else:
                    next_turn = way[0][1] if single else 0
                    if known_better((left, tuple(new_kinds)), (*new_fronts, next_turn)):
                        continue
                    if not left or go(left, tuple(new_fronts), tuple(new_kinds), next_turn):
                        for block, _, start, end, _, _ in way:
                            placed[block] = (start, end)
                        return True
        return False

    return placed if go((1 << len(items)) - 1, (0,) * lanes, (0,) * lanes, 0) else None


def _is_no_higher(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    for a, b in zip(one, other, strict=True):  # noqa: SIM110 - twice as fast, and it runs a million times
        if a > b:
            return False
    return True
