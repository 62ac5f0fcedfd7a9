"""The memory map of one update procedure: found where one exists, else why there is none and what would help."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import gcd

from rootwright.describe.chip import Chip
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map, Misfit, Region
from rootwright.plan.misfit import explain
from rootwright.plan.packing import Placed
from rootwright.plan.solver import Homes, Sizes, Solver

GROWING = (BlockRole.SLOT, BlockRole.STAGING)


def find_map(demand: Demand, chip: Chip, *, grow: bool = True) -> Map | Misfit:
    """Return the memory map of `demand` on `chip`, or the proof's outcome where none exists.

    The map is the same every time. Each block, in the demand's order, gets the first memory of its list that leaves
    everything else a place. Then the slots grow: an image's slots up to the size that one of them is pinned to; the
    rest by the same number of bytes as far as that goes, then image by image in the demand's order. Pinned sizes stay.
    Within a memory the lowest place goes to the first block for which the rest still fits: protected blocks come before
    others, large before small, then the demand's order decides.

    Args:
        demand: Blocks, ties and pins.
        chip: The part.
        grow: Whether slots take the space that is left; without it every block keeps its least size.

    Raises:
        PlanError: The demand contradicts itself (unknown names, pairs of more than two).
    """
    if demand.impossible:
        return Misfit(
            block="",
            needed=0,
            gap_memory="",
            gap_address=0,
            gap=0,
            shrink_block=None,
            shrink_bytes=0,
            reason=f"it cannot work on this part: {demand.impossible}",
        )
    solver = Solver(demand, chip)
    placed = solver.solve(solver.least)
    if placed is None:
        return explain(solver)
    homes = _preferred_homes(solver)
    least = _grown(solver, homes) if grow else solver.least
    placed = solver.solve(least, homes)
    if placed is None:  # pragma: no cover - homes and sizes were found feasible
        raise AssertionError("a map found once is not found again")
    return _as_map(solver, placed)


def _preferred_homes(solver: Solver) -> Homes:
    """Return one memory per block: for each in turn the first that leaves the rest a place."""
    first = tuple(h[:1] for h in solver.homes)
    if solver.solve(solver.least, first) is not None:
        return first
    homes = list(solver.homes)
    for i, choices in enumerate(solver.homes):
        for name in choices[:-1]:
            trial = (*homes[:i], (name,), *homes[i + 1 :])
            if solver.solve(solver.least, trial) is not None:
                homes[i] = (name,)
                break
        else:
            homes[i] = choices[-1:]
    return tuple(homes)


def _grown(solver: Solver, homes: Homes) -> Sizes:
    """Return least sizes under which the slots are as large as they can be."""
    images: dict[str, list[int]] = {}
    for i, block in enumerate(solver.blocks):
        if block.role in GROWING and block.image is not None:
            images.setdefault(block.image, []).append(i)
    growing = [m for m in images.values() if all(solver.blocks[i].size is None for i in m)]
    least = list(solver.least)
    for members in images.values():
        _grow_to_pinned(solver, homes, least, members)
    if not growing:
        return tuple(least)
    unit = _unit(solver, homes, [i for members in growing for i in members])
    # A start on a multiple of the unit: then whole steps reach every size there is.
    for members in growing:
        for i in members:
            least[i] = -(-least[i] // unit) * unit
    if len(growing) > 1:
        _grow(solver, homes, least, [i for members in growing for i in members], unit)
    for members in growing:
        _grow(solver, homes, least, members, unit)
    return tuple(least)


def _unit(solver: Solver, homes: Homes, members: Sequence[int]) -> int:
    return gcd(*{size for i in members for name in homes[i] for size in solver.spaces[name].sizes})


def _grow_to_pinned(solver: Solver, homes: Homes, least: list[int], members: Sequence[int]) -> None:
    """Raise the least sizes of an image's other slots towards the smallest that is pinned.

    An image fits the smallest of its slots: without this a pinned slot of 64 KiB could have a partner of 12 KiB.
    """
    limit = min((size for i in members if (size := solver.blocks[i].size) is not None), default=0)
    for i in members:
        if solver.blocks[i].size is not None or least[i] >= limit:
            continue
        reached = (*least[:i], limit, *least[i + 1 :])
        if solver.solve(reached, homes) is not None:
            least[i] = limit
            continue
        unit = _unit(solver, homes, [i])
        least[i] = -(-least[i] // unit) * unit
        _grow(solver, homes, least, [i], unit, limit=limit)


def _grow(
    solver: Solver, homes: Homes, least: list[int], members: Sequence[int], unit: int, *, limit: int | None = None
) -> None:
    """Raise the least sizes of `members` together, by whole units, as far as a map exists and `limit` bytes allow."""
    room = min(max(solver.spaces[n].memory.size for n in homes[i]) - least[i] for i in members)
    if limit is not None:
        room = min(room, *(limit - least[i] for i in members))
    by_memory: dict[str, list[int]] = {}
    for i in members:
        by_memory.setdefault(homes[i][0], []).append(i)
    for name, inside in by_memory.items():
        taken = sum(least[i] for i in range(len(least)) if homes[i] == (name,))
        spare = solver.spaces[name].memory.size - taken
        room = min(room, spare // len(inside))

    def reach(steps: int) -> int | None:
        """Return how many steps the map found for so many reaches, None where there is no map."""
        trial = list(least)
        for i in members:
            trial[i] += steps * unit
        placed = solver.solve(tuple(trial), homes)
        if placed is None:
            return None
        return max(steps, min((placed[i][1] - placed[i][0] - least[i]) // unit for i in members))

    steps = _largest(reach, max(0, room // unit))
    for i in members:
        least[i] += steps * unit


def _largest(reach: Callable[[int], int | None], high: int) -> int:
    """Return the largest n of 0..high that is reached, where 0 is and what is lost once never comes back."""
    low = 0
    if high > 0 and reach(high) is not None:
        return high
    # One step more than the largest fails in the end, whatever the way there: so ask that first, then halve.
    while high - low > 1:
        reached = reach(low + 1)
        if reached is None:
            break
        low = min(reached, high - 1)
        if high - low > 1:
            middle = (low + high) // 2
            reached = reach(middle)
            low, high = (low, middle) if reached is None else (min(reached, high - 1), high)
    return low


def _as_map(solver: Solver, placed: Placed) -> Map:
    regions = []
    for i, block in enumerate(solver.blocks):
        start, end = placed[i]
        space = next(s for s in solver.spaces.values() if s.low <= start < s.high)
        first, sectors = space.sector_span(start, end)
        regions.append(
            Region(
                block=block.name,
                role=block.role,
                memory=space.memory.name,
                address=start - space.shift,
                size=end - start,
                first_sector=first,
                sectors=sectors,
                used=block.content,
                image=block.image,
                header=block.header,
            )
        )
    order = {name: n for n, name in enumerate(solver.spaces)}
    regions.sort(key=lambda r: (order[r.memory], r.address))
    return Map(solver.chip.name, solver.demand.traits.name, tuple(regions))
