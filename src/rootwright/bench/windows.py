"""At which bus address which place of which memory is seen: base addresses, views, banks that trade places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from rootwright.describe.chip import Chip


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of bus addresses that shows a stretch of one memory.

    Attributes:
        offset: Which place of the memory the first address shows.
        cached: Whether reads go through a cache that is stale until invalidated.
        executes: Whether the core can run code through it.
    """

    start: int
    end: int
    memory: str
    offset: int
    cached: bool
    executes: bool


def windows_of(chip: Chip, settings: Mapping[str, str]) -> tuple[Window, ...]:
    """Return all windows under some settings, in order of address; none overlap.

    Args:
        settings: Meaning of each settings field by name; a field that is not given has its default.
    """
    edges: set[int] = set()
    for memory in chip.memories:
        edges |= {memory.base, memory.end}
        if memory.banks == 2:
            edges.add(memory.base + memory.size // 2)
    for view in chip.views:
        edges |= {view.address, view.end}
    found: list[Window] = []
    ordered = sorted(edges)
    for start, end in pairwise(ordered):
        place = chip.find_place(start, settings)
        if place is None:
            continue
        name, offset = place
        memory = chip.memory(name)
        cached, executes = memory.cached, memory.executable
        if not memory.base <= start < memory.end or memory.bank_offset(start - memory.base, 0) != offset:
            for view in chip.views:
                # The first view that is there decides, as in Chip.find_place.
                if view.address <= start < view.end and (view.memory, view.offset + start - view.address) == place:
                    cached, executes = view.cached, view.executes
                    break
        new = Window(start, end, name, offset, cached, executes)
        last = found[-1] if found else new
        goes_on = replace(last, start=start, end=end, offset=last.offset + start - last.start) == new
        if found and last.end == start and goes_on:
            found[-1] = replace(last, end=end)
        else:
            found.append(new)
    return tuple(found)
