"""Finds the fewest blocks whose write protection would stop an exploited application, after it broke a claim.

Each failure is asked which blocks the application wrote to that could have been closed to it. Any set of blocks that
helps must close one of them in every failure found so far; the smallest such set is tried next, until one holds. So no
smaller set can help, and few explorations are needed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from rootwright.device.ground import Ground
from rootwright.device.port import UpdateProcedure
from rootwright.prove.environment import Rest
from rootwright.prove.explorer import Explorer, Failure
from rootwright.prove.level import Level
from rootwright.prove.shared import beside
from rootwright.prove.world import World


@dataclass(frozen=True, slots=True)
class Closable:
    """What a part's write protection can close to an application, beside what is closed already.

    Attributes:
        blocks: Blocks that can be closed at all, in the order in which they are preferred.
        fits: Says whether some of them can be closed together.
    """

    blocks: tuple[str, ...]
    fits: Callable[[tuple[str, ...]], bool]


@dataclass(frozen=True, slots=True)
class Remedy:
    """What write protection does about a failure in which an exploited application takes part.

    Attributes:
        helps: Whether some set of blocks makes the verdict hold.
        blocks: The smallest such set; empty where none helps.
        tried: How many sets were explored.
    """

    helps: bool
    blocks: tuple[str, ...]
    tried: int

    @property
    def sentence(self) -> str:
        """What to do next, in one sentence."""
        if self.helps:
            return f"add to lock.write_protect: {', '.join(self.blocks)}. At this level the claims then hold"
        return "no write protection of this part helps: choose another procedure, or another part"

    def as_data(self) -> dict[str, Any]:
        """Return the remedy as plain data for JSON."""
        return {"helps": self.helps, "write_protect_also": list(self.blocks)}


def find_remedy(
    failure: Failure,
    make: Callable[[Ground], UpdateProcedure],
    ground: Ground,
    level: Level,
    closable: Closable,
    *,
    progress: Callable[[int], None] | None = None,
    found_by: Explorer | None = None,
) -> Remedy | None:
    """Return the fewest blocks to close besides, so that all claims hold; None for a failure without an exploit.

    Args:
        failure: What an exploration at `level` found.
        make: Makes the procedure for a ground.
        ground, level: What was explored.
        closable: What the part can close.
        progress: Called now and then with the number of states found.
        found_by: The exploration that found it, whose tables and steps serve once more.
    """
    if not any(event[0] == "move" and event[1].name == "exploit" for _, _, event in failure.path):
        return None
    if not closable.blocks:
        return Remedy(False, (), 0)
    first = found_by or Explorer(make(ground), ground, level)
    written = [find_closable_writes(failure, ground, first.world, closable)]
    tried = 1
    while True:
        blocks = next(_hitting(written, closable), None)
        if blocks is None:
            return Remedy(False, (), tried)
        tried += 1
        at = replace(level, protect=level.protect.union(blocks))
        found = beside(first, make, at, progress).explore().failure
        if found is None:
            return Remedy(True, blocks, tried)
        written.append(find_closable_writes(found, ground, first.world, closable).difference(blocks))


def find_closable_writes(failure: Failure, ground: Ground, world: World, closable: Closable) -> frozenset[str]:
    """Return the blocks that the application wrote to on the way to a failure and that could be closed to it."""
    names = {location: log for log, location in world.log_location.items()}
    names |= {location: block for block, location in world.boot_location.items()}
    areas = {index: area for area, start, stop in ground.areas for index in range(start, stop)}
    found: set[str] = set()
    for _, control, event in failure.path:
        if event[0] != "move" or event[1].name != "exploit" or not isinstance(control, Rest):
            continue
        for location, _ in event[1].writes:
            block = ground.sectors[location].block if location < world.sector_count else names.get(location, "")
            if block not in control.opens and areas.get(location) not in control.opens:
                found |= _closes(block, ground)
    return frozenset(found.intersection(closable.blocks))


def _closes(block: str, ground: Ground) -> set[str]:
    """Return the blocks of which one must be named to close `block`: another one too where banks trade addresses."""
    others = dict(ground.settings.other_place) if ground.settings is not None else {}
    return {block, *others.get(block, ())}


def _hitting(written: list[frozenset[str]], closable: Closable) -> Iterator[tuple[str, ...]]:
    """Yield sets of blocks with one from each of `written`, smaller ones first, that can be closed together."""
    useful = [block for block in closable.blocks if any(block in each for each in written)]
    for count in range(1, len(useful) + 1):
        for blocks in combinations(useful, count):
            if all(each.intersection(blocks) for each in written) and closable.fits(blocks):
                yield blocks
