"""What a run comes to, and an access that nothing answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

EndKind = Literal["image", "waits", "hang", "crash", "resets", "not covered", "met"]


@dataclass(frozen=True, slots=True)
class Access:
    """An access that no rule covers: address, width in bytes, "read" or "write", value written, instruction."""

    address: int
    width: int
    kind: str
    value: int
    pc: int


@dataclass(frozen=True, slots=True)
class End:
    """How a run ended.

    Attributes:
        kind: "image" (the core left the boot program for other bytes), "waits" (it sleeps), "hang" (no end within the
            limit, or a loop that cannot be left), "crash" (lockup), "resets" (again and again), "not covered", "met"
            (no end, but a point from which on the run is known).
        at: The address fetched last, or where it hangs.
        why: In words.
    """

    kind: EndKind
    at: int
    why: str = ""
    image: bool = False
