"""Why no map exists: which block finds no place, what is in its way, and the smallest change that would help."""

from __future__ import annotations

from rootwright.layout.map import Misfit
from rootwright.plan.packing import Placed
from rootwright.plan.solver import Solver
from rootwright.plan.windows import Space


def explain(solver: Solver) -> Misfit:
    """Return the misfit of a demand for which no map exists.

    The block named finds no place beside those before it in the demand's order, wherever they go; without it, they do.
    The change is the smallest of one block, or of one image in all its blocks, that makes everything fit.
    """
    i = _first_without_place(solver)
    block = solver.blocks[i]
    before = solver.solve(solver.least, only=i) if i else {}
    assert before is not None
    alone = None
    if block.size is None or block.size >= block.min_size:
        alone = solver.smallest_alone(i)
    memory, address, gap = _largest_gap(solver, i, before)
    contradictions = _contradictions(solver)
    if contradictions:
        needed = block.min_size if alone is None else alone
        reason = "; ".join(contradictions)
    elif alone is None:
        needed = max(block.size or 0, block.min_size)
        reason = f"{block.name} has no place on this part: {_why_nowhere(solver, i)}"
    else:
        needed = alone
        reason = _why_not_beside(solver, i, alone, before, (memory, address, gap))
    shrink_block, shrink = _smallest_change(solver)
    if shrink_block is not None:
        reason += f"; {_bytes(shrink)} less of {name_of(solver, shrink_block)} would make everything fit"
    else:
        reason += "; no smaller size of a single block or image helps"
    return Misfit(block.name, needed, memory, address, gap, shrink_block, shrink, reason)


def _first_without_place(solver: Solver) -> int:
    """Return the number of a block that finds no place beside those before it, which have places without it."""
    low, high = 0, len(solver.blocks)  # So many blocks fit, so many do not.
    while high - low > 1:
        middle = (low + high) // 2
        if solver.solve(solver.least, only=middle) is None:
            high = middle
        else:
            low = middle
    return low


def name_of(solver: Solver, block: str) -> str:
    """Return what gets smaller in people's words: the image that a block holds, else the block."""
    image = solver.demand.block(block).image
    return block if image is None else f"image {image!r} (in {block})"


def _bytes(count: int) -> str:
    return "1 byte" if count == 1 else f"{count} bytes"


def _contradictions(solver: Solver) -> list[str]:
    """Return which pinned sizes are too small, and which differ where the procedure wants one size."""
    short: dict[tuple[int, int], list[str]] = {}
    for block in solver.blocks:
        if block.size is not None and block.size < block.min_size:
            short.setdefault((block.size, block.min_size - block.size), []).append(block.name)
    found = []
    for (size, more), names in short.items():
        pinned = f"{names[0]} is" if len(names) == 1 else f"{' and '.join(names)} are each"
        found.append(f"{pinned} pinned to {_bytes(size)}, content and growth need {more} more")
    for group in solver.groups:
        sized = [solver.blocks[i] for i in group.members if solver.blocks[i].size is not None]
        if len({block.size for block in sized}) > 1:
            sizes = " and ".join(f"{block.name} to {_bytes(block.size or 0)}" for block in sized)
            found.append(f"{sizes} are pinned, but must have one size")
    return found


def _why_nowhere(solver: Solver, i: int) -> str:
    """Return why a block has no place even on an empty part."""
    block = solver.blocks[i]
    at = solver.pins.get(block.name)
    inside = [n for n in block.memories if at is not None and solver.spaces[n].memory.base <= at]
    inside = [n for n in inside if at is not None and at < solver.spaces[n].memory.end]
    memories = ", ".join(block.memories) or "none"
    if at is not None and not inside:
        return f"its pin 0x{at:X} lies in none of its memories ({memories})"
    if block.write_protect and not any(solver.spaces[n].granule for n in inside or block.memories):
        return f"it is to be write-protected, and no write protection covers {', '.join(inside) or memories}"
    if not solver.homes[i]:
        return "none of its memories has the bank that it must be in"
    space = solver.spaces[solver.homes[i][0]]
    if at is not None:
        return _why_not_at(solver, i, space, at)
    if block.size is not None and (why := _uneven_size(solver, i, space, block.size)):
        return why
    size = block.size or block.min_size
    largest = max(solver.spaces[n].memory.size for n in solver.homes[i])
    if size > largest:
        return f"it needs {_bytes(size)}, {space.memory.name} has {largest}"
    return f"no run of sectors in {', '.join(solver.homes[i])} holds {_bytes(size)} and {_wishes(solver, i, space)}"


def _uneven_size(solver: Solver, i: int, space: Space, size: int) -> str:
    """Return what a pinned size is no multiple of; empty where it is of all."""
    granule = space.granule if solver.blocks[i].write_protect and solver.whole[i] else 1
    if granule > 1 and size % granule:
        return (
            f"its size is pinned to {_bytes(size)}, but write protection covers {space.memory.name} in units of "
            f"{granule} bytes; pin it to {-(-size // granule) * granule}, or leave it unprotected"
        )
    unit = min(space.sizes) if solver.whole[i] else space.unit
    if size % unit:
        what = "sectors" if solver.whole[i] else "program units"
        return f"its size is pinned to {_bytes(size)}, {what} of {space.memory.name} have {unit} or more"
    return ""


def _why_not_at(solver: Solver, i: int, space: Space, at: int) -> str:
    """Return why a block can not start at its pin."""
    block, memory = solver.blocks[i], space.memory
    start = at + space.shift
    pin = f"its pin 0x{at:X}"
    if solver.whole[i]:
        low, high = space.sector_bounds(start, start + 1)
        if low != start:
            return (
                f"{pin} is inside a sector of {memory.name}: sectors start at 0x{low - space.shift:X} and "
                f"0x{high - space.shift:X}"
            )
        granule = space.granule if block.write_protect else 1
        if granule > 1 and (at - memory.base) % granule:
            below = space.round_down(start) - space.shift
            return (
                f"{pin} is not on a write-protection unit: they have {granule} bytes in {memory.name}, such as at "
                f"0x{below:X} and 0x{below + granule:X}"
            )
    elif (at - memory.base) % space.unit:
        return f"{pin} is not on a program unit of {space.unit} bytes"
    if (at + block.header) % block.vector_align:
        return (
            f"its vector table would be at 0x{at + block.header:X} (pin 0x{at:X}, header of {block.header} bytes), "
            f"which is not on a multiple of {block.vector_align}"
        )
    field = solver.field(i, space)
    if not field:
        return f"{pin} is not in bank {block.bank}"
    room = field[0][1] - start
    size = block.size if block.size is not None else block.min_size
    if size > room:
        return f"from {pin} on there are {_bytes(room)}, it needs {size}"
    if block.size is not None and (why := _uneven_size(solver, i, space, block.size)):
        return why
    if block.size is not None:
        return f"no sector ends at 0x{at + block.size:X}, where its pin 0x{at:X} and its size of {block.size} end it"
    return f"from {pin} on no run of sectors holds {_bytes(size)} and {_wishes(solver, i, space)}"


def _wishes(solver: Solver, i: int, space: Space) -> str:
    """Return what a block asks of a place beside its size, with figures."""
    block = solver.blocks[i]
    found = []
    if block.vector_align > 1:
        behind = f" behind a header of {_bytes(block.header)}" if block.header else ""
        found.append(f"has its vector table on a multiple of {block.vector_align} bytes{behind}")
    if block.write_protect and space.granule > 1:
        found.append(f"starts and ends on the write-protection unit of {space.granule} bytes")
    if block.min_sectors > 1:
        found.append(f"has at least {block.min_sectors} sectors")
    if block.bank is not None:
        found.append(f"lies in bank {block.bank}")
    return ", ".join(found) or "suits it"


def _why_not_beside(solver: Solver, i: int, needed: int, before: Placed, best: tuple[str, int, int]) -> str:
    """Return why a block finds no place beside those before it."""
    block = solver.blocks[i]
    name = block.name
    if name in solver.pins and (other := _overlapped(solver, i)):
        return f"{name} is pinned to 0x{solver.pins[name]:X}, where it meets {other}"
    memory, address, gap = best
    space = solver.spaces[memory]
    what = f"{name} needs {_bytes(needed)}"
    if solver.whole[i]:
        count = max(1, block.min_sectors)
        what += f" in at least {count} whole sectors" if count > 1 else " in whole sectors"
    else:
        what += " in one piece"
    if block.write_protect and solver.whole[i] and space.granule > max(space.sizes):
        what += f", in write-protection units of {space.granule} bytes"
    if not gap:
        return f"{what}; with the blocks before it placed, nothing is left"
    found = f"the largest gap is {_bytes(gap)} in {memory} at 0x{address:X}"
    if block.min_sectors > 1:
        sectors = space.sector_span(address + space.shift, address + space.shift + gap)[1]
        found += f" ({sectors} sector{'' if sectors == 1 else 's'})"
    if gap >= needed:
        tied = sorted({t.kind.value for t in solver.demand.ties if name in t.blocks})
        wishes = _wishes(solver, i, space)
        why = [wishes] if wishes != "suits it" else []
        why += [f"keeps to the tie '{kind}'" for kind in tied]
        if why:
            found += f", where no place {' and '.join(why)}"
    return f"{what}; with the blocks before it placed, {found}"


def _overlapped(solver: Solver, i: int) -> str:
    """Return the pinned block before block i that its own pinned place runs into, with its place; empty for none."""
    block = solver.blocks[i]
    space = solver.spaces[solver.homes[i][0]]
    start = solver.pins[block.name] + space.shift
    least = solver.smallest_alone(i) or block.min_size
    for other in solver.blocks[:i]:
        j = solver.number[other.name]
        if other.name not in solver.pins or solver.homes[j] != solver.homes[i]:
            continue
        at = solver.pins[other.name] + space.shift
        window = (at, at + (solver.smallest_alone(j) or other.min_size))
        low, high = solver.obstacle(i, space, j, window)
        if start < high and low < start + least:
            where = f"{other.name}, pinned to 0x{at - space.shift:X} and at least {_bytes(window[1] - at)} long"
            if start < window[1] and window[0] < start + least:
                return where
            if block.write_protect != other.write_protect:
                return f"{where}: both touch one write-protection unit of {space.granule} bytes, only one is protected"
            return f"{where}: both touch one sector"
    return ""


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

        def reach(shrink: int, members: list[int] = members) -> int | None:
            """Return the least shrink that the map found for this one serves too, None where there is no map."""
            trial = list(solver.least)
            for i in members:
                trial[i] = max(1, trial[i] - shrink)
            placed = solver.solve(tuple(trial))
            if placed is None:
                return None
            return min(shrink, max(1, *(solver.least[i] - (placed[i][1] - placed[i][0]) for i in members)))

        limit = most if best[0] is None else min(most, best[1] - 1)
        if limit < 1 or (high := reach(limit)) is None:
            continue
        # One byte less than the best so far fails in the end, whatever the way there: so ask that first, then halve.
        low = 0  # does not fit; high does
        while high - low > 1:
            found = reach(high - 1)
            if found is None:
                break
            high = found
            if high - low > 1:
                middle = (low + high) // 2
                found = reach(middle)
                low, high = (middle, high) if found is None else (low, found)
        best = (solver.blocks[members[0]].name, high)
    return best
