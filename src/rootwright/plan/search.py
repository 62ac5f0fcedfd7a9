"""The memory map of one update procedure: found where one exists, else why there is none and what would help."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import gcd

from rootwright.describe.chip import Chip
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map, Misfit, Region
from rootwright.plan.packing import Placed
from rootwright.plan.solver import Homes, Sizes, Solver

GROWING = (BlockRole.SLOT, BlockRole.STAGING)


def find_map(demand: Demand, chip: Chip, *, grow: bool = True) -> Map | Misfit:
    """Return the memory map of `demand` on `chip`, or the proof's outcome where none exists.

    The map is the same every time. Each block, in the demand's order, gets the first memory of its list that leaves
    everything else a place. Then the slots grow: all by the same number of bytes as far as that goes, then image by
    image in the demand's order; pinned sizes stay. Within a memory the lowest place goes to the first block for which
    the rest still fits: protected blocks come before others, large before small, then the demand's order decides.

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
        return _explain(solver)
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
    if not growing:
        return solver.least
    sizes = {s for members in growing for i in members for n in homes[i] for s in solver.spaces[n].sizes}
    unit = gcd(*sizes)
    least = list(solver.least)
    # A start on a multiple of the unit: then whole steps reach every size there is.
    for members in growing:
        for i in members:
            least[i] = -(-least[i] // unit) * unit
    if len(growing) > 1:
        _grow(solver, homes, least, [i for members in growing for i in members], unit)
    for members in growing:
        _grow(solver, homes, least, members, unit)
    return tuple(least)


def _grow(solver: Solver, homes: Homes, least: list[int], members: Sequence[int], unit: int) -> None:
    """Raise the least sizes of `members` together, by whole units, as far as a map exists."""
    room = min(max(solver.spaces[n].memory.size for n in homes[i]) - least[i] for i in members)
    by_memory: dict[str, list[int]] = {}
    for i in members:
        by_memory.setdefault(homes[i][0], []).append(i)
    for name, inside in by_memory.items():
        spare = solver.spaces[name].memory.size - sum(least[i] for i in inside)
        room = min(room, spare // len(inside))

    def fits(steps: int) -> bool:
        trial = list(least)
        for i in members:
            trial[i] += steps * unit
        return solver.solve(tuple(trial), homes) is not None

    steps = _largest(fits, max(0, room // unit))
    for i in members:
        least[i] += steps * unit


def _largest(fits: Callable[[int], bool], high: int) -> int:
    """Return the largest n of 0..high that fits, where 0 does and fitting never comes back once lost."""
    low = 0
    if high > 0 and fits(high):
        return high
    while high - low > 1:
        middle = (low + high) // 2
        if fits(middle):
            low = middle
        else:
            high = middle
    return low


def _as_map(solver: Solver, placed: Placed, count: int | None = None) -> Map:
    regions = []
    for i, block in enumerate(solver.blocks[:count]):
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


# -- where nothing fits ------------------------------------------------------------------------------------------------


def _explain(solver: Solver) -> Misfit:
    """Return which block finds no place after those before it, and the smallest change that makes all fit."""
    count = next(n for n in range(1, len(solver.blocks) + 1) if solver.solve(solver.least, only=n) is None)
    block = solver.blocks[count - 1]
    before = solver.solve(solver.least, only=count - 1) if count > 1 else {}
    assert before is not None
    needed, hopeless = _needed(solver, count - 1)
    memory, address, gap = _largest_gap(solver, count - 1, before)
    shrink_block, shrink = _smallest_change(solver)
    if hopeless:
        reason = f"{block.name} has no place on this part: {hopeless}"
    else:
        where = f"the largest gap is {gap} bytes in {memory} at 0x{address:X}" if gap else "nothing is left"
        least = f"in at least {block.min_sectors} whole sectors" if block.min_sectors > 1 else "in whole sectors"
        if not solver.whole[count - 1]:
            least = "in one piece"
        reason = f"{block.name} needs {needed} bytes {least}; with the blocks before it placed, {where}"
    if shrink_block is not None:
        reason += f"; {shrink} bytes less of {shrink_block} would make everything fit"
    else:
        reason += "; no smaller size of a single block or image helps"
    return Misfit(block.name, needed, memory, address, gap, shrink_block, shrink, reason)


def _needed(solver: Solver, i: int) -> tuple[int, str]:
    """Return the least bytes in whole sectors that a block takes on an empty part, and why it can have none."""
    block = solver.blocks[i]
    if block.size is not None and block.size < block.min_size:
        return block.min_size, f"its size is pinned to {block.size} bytes, its content and growth need {block.min_size}"
    at = solver.pins.get(block.name)
    if not solver.homes[i]:
        if at is not None and not any(
            solver.spaces[n].memory.base <= at < solver.spaces[n].memory.end for n in block.memories
        ):
            return block.min_size, f"its pin 0x{at:X} lies in none of its memories ({', '.join(block.memories)})"
        if block.write_protect and not any(solver.spaces[n].granule for n in block.memories):
            return block.min_size, f"no write protection covers {', '.join(block.memories) or 'its memories'}"
        return block.min_size, "none of its memories has the bank that it must be in"
    least = solver.smallest_alone(i)
    if least is not None:
        return least, ""
    if at is not None:
        return block.min_size, (
            f"no whole sectors of a suitable size start at its pin 0x{at:X} (sector bound, write-protection unit of "
            f"its memory, vector table alignment of {block.vector_align} bytes behind a header of {block.header})"
        )
    size = block.size or block.min_size
    return size, (
        f"no run of sectors holds {size} bytes with the vector table aligned to {block.vector_align} bytes behind a "
        f"header of {block.header} bytes"
    )


def _largest_gap(solver: Solver, i: int, placed: Placed) -> tuple[str, int, int]:
    """Return memory, address and bytes of the largest free stretch for a block beside those placed."""
    best = (solver.homes[i][0] if solver.homes[i] else "", 0, 0)
    for name in solver.homes[i]:
        space = solver.spaces[name]
        for low, high in solver.find_free(i, space, placed):
            if high - low > best[2]:
                best = (name, low - space.shift, high - low)
    return best


def _smallest_change(solver: Solver) -> tuple[str | None, int]:
    """Return the block (the first of an image) and the fewest bytes by which it must shrink for everything to fit.

    All blocks of one image shrink together, since it is the image that gets smaller.
    """
    groups: dict[str, list[int]] = {}
    for i, block in enumerate(solver.blocks):
        groups.setdefault(f"image {block.image}" if block.image is not None else block.name, []).append(i)
    best: tuple[str | None, int] = (None, 0)
    for members in groups.values():
        most = max(solver.least[i] for i in members) - 1

        def fits(shrink: int, members: list[int] = members) -> bool:
            trial = list(solver.least)
            for i in members:
                trial[i] = max(1, trial[i] - shrink)
            return solver.solve(tuple(trial)) is not None

        limit = most if best[0] is None else min(most, best[1] - 1)
        if limit < 1 or not fits(limit):
            continue
        low, high = 0, limit  # low does not fit, high does
        while high - low > 1:
            middle = (low + high) // 2
            if fits(middle):
                high = middle
            else:
                low = middle
        best = (solver.blocks[members[0]].name, high)
    return best
