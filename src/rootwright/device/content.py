"""The model's cells: what a piece of flash can hold, as small numbers.

A cell holds one piece of one version's signed content, linked for one address, or something that belongs to nobody.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final

from rootwright.device.port import Cell, Version


class Kind(IntEnum):
    """Whose content a cell holds. STALE is an older version that nobody offers again."""

    OLD = 0
    CURRENT = 1
    NEXT = 2
    ALTERED = 3
    STALE = 4
    KEEP = 5
    PERMANENT = 6


_FIRST: Final = 4  # below: BLANK, FAULT and two spare numbers
_KINDS: Final = len(Kind)
_LINKS: Final = 3  # two link addresses for code, one number for data

VERSION_OF_KIND: Final = {Kind.OLD: Version(-1), Kind.CURRENT: Version(0), Kind.NEXT: Version(1)}
KIND_OF_VERSION: Final = {int(version): kind for kind, version in VERSION_OF_KIND.items()}

FOREIGN: Final = Cell(2)
"""Content of an attacker's own making."""

PROGRAMMED: Final = Cell(3)
"""All bits programmed, as an erase leaves it when cut after its pre-programming."""


def content_cell(kind: Kind, link: int, position: int) -> Cell:
    """Return the cell at `position` of the content of `kind`, linked for address number `link`.

    >>> kind_of(content_cell(Kind.NEXT, 1, 7)) == (Kind.NEXT, 1, 7)
    True
    """
    return Cell(_FIRST + (position * _LINKS + link) * _KINDS + kind)


def kind_of(cell: Cell) -> tuple[Kind, int, int] | None:
    """Return (kind, link, position) of a content cell; None for blank, fault, foreign and programmed ones."""
    if cell < _FIRST:
        return None
    rest, kind = divmod(cell - _FIRST, _KINDS)
    position, link = divmod(rest, _LINKS)
    return Kind(kind), link, position
