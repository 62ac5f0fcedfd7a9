"""The sizes that tied blocks can share: the few that are worth trying, smallest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import merge
from itertools import combinations
from math import gcd, lcm

from rootwright.plan.windows import Segment, Shape, Space

Fields = Sequence[tuple[Space, tuple[Segment, ...]]]


@dataclass(frozen=True, slots=True)
class SizeGroup:
    """Blocks of one size, by number; `patterns` are those of them that also share a sector pattern."""

    members: tuple[int, ...]
    patterns: tuple[tuple[int, ...], ...] = ()


def candidate_sizes(members: Sequence[tuple[Shape, Fields]], *, movable: Sequence[bool]) -> list[int]:
    """Return the sizes in bytes worth trying, ascending.

    A size is left out when a smaller one has, for every block, a window inside each window of the larger size: each
    map with the larger size then holds one with the smaller. So one size is enough on even sectors, and a few on
    uneven ones.

    Args:
        members: For each tied block its shape (with what ties on sectors decided) and the memories it may be in.
        movable: For each, whether the smaller window may start later than the larger one; false where the start
            matters (pins, pairs, sector patterns).
    """
    exacts = {shape.exact for shape, _ in members if shape.exact is not None}
    if len(exacts) > 1:
        return []
    need = max(shape.need for shape, _ in members)
    if exacts:
        size = exacts.pop()
        return [size] if size >= need and _signature(members, size) is not None else []
    kept: list[tuple[int, list[int]]] = []
    comparable = not any(
        shape.reach or (shape.min_sectors > 1 and any(space.even is None for space, _ in fields))
        for shape, fields in members
    )
    flags = [flag for (_, fields), flag in zip(members, movable, strict=True) for _ in fields]
    units = [
        gcd(*space.sizes) if space.even is None and shape.whole else 0
        for shape, fields in members
        for space, _ in fields
    ]
    limit = 1 << 60
    for size in _sizes_from(members, need):
        if size >= limit:
            break
        signature = _signature(members, size)
        if signature is None:
            continue
        if comparable and any(_covers(old, known, size, signature, flags, units) for old, known in kept):
            continue
        kept.append((size, signature))
        if comparable:
            limit = min(limit, _last_useful(members, size, signature, movable))
    return [size for size, _ in kept]


def _covers(
    old: int, known: list[int], size: int, signature: list[int], flags: Sequence[bool], units: Sequence[int]
) -> bool:
    """Tell whether each window of `size` holds one of the smaller size `old`."""
    for before, now, movable, unit in zip(known, signature, flags, units, strict=True):
        if now & ~before == 0:
            continue
        if not (movable and unit) or now & ~_smeared(before, (size - old) // unit):
            return False
    return True


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


def _signature(members: Sequence[tuple[Shape, Fields]], size: int) -> list[int] | None:
    """Return, per block and memory, the starts of its windows of `size` as a bit mask; None where a block has none."""
    signature: list[int] = []
    for shape, fields in members:
        fixed = replace(shape, exact=size)
        some = 0
        for space, segments in fields:
            if space.even is not None or not shape.whole:
                mask = int(space.windows(fixed, segments) is not None)
            else:
                mask = space.starts(fixed, segments, size)
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
