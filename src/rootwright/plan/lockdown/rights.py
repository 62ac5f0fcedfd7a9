"""What privileged and unprivileged code may do with a range, in the words that all protection units share."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rootwright.plan.lockdown.spans import Span


class Store(StrEnum):
    """What kind of memory a range is, as far as a protection unit wants to know."""

    FLASH = "flash"
    RAM = "ram"
    DEVICE = "device registers"


@dataclass(frozen=True, slots=True)
class Rights:
    """What may be done: each text is made of "r" and "w"; `execute` holds for whoever may read.

    On RV32 `privileged` is machine mode and `unprivileged` user mode.
    """

    privileged: str
    unprivileged: str
    execute: bool = False

    @property
    def words(self) -> str:
        """The rights in words."""
        names = {"": "nothing", "r": "read", "rw": "read and write", "w": "write"}
        run = ", run" if self.execute else ", not run"
        if self.privileged == self.unprivileged:
            return f"all code: {names[self.privileged]}{run}"
        return f"privileged: {names[self.privileged]}; unprivileged: {names[self.unprivileged]}{run}"


@dataclass(frozen=True, slots=True)
class Claim:
    """One range with its rights, as a plan asks a protection unit for it.

    Attributes:
        loose: Whether it stays without a lock bit where the others get one: it then binds user mode alone.
    """

    name: str
    span: Span
    rights: Rights
    store: Store
    loose: bool = False
