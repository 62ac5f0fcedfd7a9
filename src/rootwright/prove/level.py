"""How hard a check is: cells, reading assumption, actors and bounds. Printed with every verdict."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.describe.product import Attacker


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a check.

    Attributes:
        cells: Model cells for the smallest piece of a sector (used when the ground is made).
        restless: Whether a half-programmed cell may read differently every time; else it settles at its first read.
        attackers: Actors in scope besides power cuts, offered updates and bad images.
        protect: Map blocks under write protection.
        max_cuts: Explore at most so many cuts; None until nothing new is reached.
        reads: What becomes of a read of an undecodable unit where the part stops the reader; empty where it does not.
    """

    cells: int = 2
    restless: bool = False
    attackers: frozenset[Attacker] = frozenset()
    protect: frozenset[str] = frozenset()
    max_cuts: int | None = None
    reads: str = ""

    @property
    def has_bus(self) -> bool:
        """Whether somebody may write to external memory between any two reads."""
        return Attacker.EXTERNAL_BUS in self.attackers

    def describe(self) -> str:
        """Return the level in words.

        >>> Level().describe()
        'procedure model, 2 cells a piece, steady cells, actors: power, updates, bad images'
        """
        reading = "restless" if self.restless else "steady"
        actors = ", ".join(["power", "updates", "bad images", *sorted(a.value for a in self.attackers)])
        reads = f"; undecodable reads {self.reads}" if self.reads else ""
        return f"procedure model, {self.cells} cells a piece, {reading} cells, actors: {actors}{reads}"
