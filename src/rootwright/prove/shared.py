"""Explorations of one product and of others that differ from it a little: what is the same is not done again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rootwright.device.ground import Ground
from rootwright.device.port import UpdateProcedure
from rootwright.prove.explorer import Closure, Explorer
from rootwright.prove.level import Level


class Shared:
    """Explorations by the name of the procedure.

    On an equal ground at the same level nothing can come out differently. At a level with other write protection the
    tables and the steps still serve: what a step does depends on the procedure, the ground and how cells read, and what
    an application may write is asked only where it runs. Must not outlive a change of a procedure of the user's own.
    """

    def __init__(self) -> None:
        self._explored: dict[str, list[tuple[Explorer, Closure]]] = {}

    def explore(
        self,
        name: str,
        make: Callable[[Ground], UpdateProcedure],
        ground: Ground,
        level: Level,
        *,
        progress: Callable[[int], None] | None = None,
    ) -> tuple[Explorer, Closure]:
        """Return an exploration, whose ground may be another one that is equal, and what it found.

        Args:
            name: What the procedure is called; the same name must mean the same procedure.
            make: Makes the procedure for a ground.
            ground, level: What to explore.
            progress: Called now and then with the number of states found.
        """
        like: Explorer | None = None
        for explorer, closure in self._explored.get(name, ()):
            if explorer.world.ground == ground and explorer.level == level:
                return explorer, closure
            if explorer.world.ground == ground and replace(explorer.level, protect=level.protect) == level:
                like = explorer
        if like is None:
            explorer = Explorer(make(ground), ground, level, progress)
        else:
            explorer = beside(like, make, level, progress)
        closure = explorer.explore()
        self._explored.setdefault(name, []).append((explorer, closure))
        return explorer, closure


def beside(
    like: Explorer,
    make: Callable[[Ground], UpdateProcedure],
    level: Level,
    progress: Callable[[int], None] | None = None,
) -> Explorer:
    """Return an exploration, to be started, that uses the tables and steps of one that differs in protection only."""
    ground = like.world.ground
    return Explorer(make(ground), ground, level, progress, world=like.world.at(level), steps=like.steps)
