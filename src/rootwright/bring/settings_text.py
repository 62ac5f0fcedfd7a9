"""The table [[settings]] of a chip file from the registers of a settings area: a field for each named group of bits."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from rootwright.bring.facts import Cell, CellField
from rootwright.bring.text import commented, quoted, todo

MOST_FIELDS = 64
MOST_VALUES = 32
WORD_BYTES = 4
NOT_TOLD = "not told"


def settings_lines(cells: Sequence[Cell], start: int) -> Iterator[str]:
    """Yield the lines of [[settings]] for the area from `start`; what the table cannot say stays a comment.

    What a field decides no register description tells, so each is "other" until somebody says more.
    """
    yield "[[settings]]"
    yield 'memory = "settings"'
    yield todo("data sheet: what opens the area, when it is loaded, what a cut leaves of it")
    yield "load_resets = true"
    yield ""
    taken: set[str] = set()
    count = 0
    for cell in cells:
        offset = cell.address - start
        bits = cell.fields or (CellField("", 0, 8 * cell.size, cell.access, cell.about),)
        used = 0
        if cell.reset is not None:
            yield f"# {commented(cell.name)} is 0x{cell.reset:0{2 * cell.size}X} after reset"
        for one in bits:
            mask = ((1 << one.width) - 1) << one.low
            why = _left_out(cell, one, offset, used & mask, count)
            if why:
                yield f"# {commented(cell.name)}.{commented(one.name)} is left out: {why}"
                continue
            used |= mask
            count += 1
            yield from _field(cell, one, offset, taken)


def _left_out(cell: Cell, one: CellField, offset: int, shared: int, count: int) -> str:
    """Return why bits are no field of the table; empty where they are one."""
    if "read-only" in (one.access or cell.access):
        return "software only reads it"
    if offset % WORD_BYTES or cell.size > WORD_BYTES:
        return "it is no word of 4 bytes"
    if shared:
        return "its bits have another name already"
    return f"more than {MOST_FIELDS} fields" if count >= MOST_FIELDS else ""


def _field(cell: Cell, one: CellField, offset: int, taken: set[str]) -> Iterator[str]:
    yield "[[settings.field]]"
    yield f'name = "{_name(cell, one, taken)}"  # {commented(cell.source)}'
    if one.about:
        yield f"# {commented(one.about)}"
    yield todo(f"what {commented(cell.name)}{f'.{commented(one.name)}' if one.name else ''} decides")
    yield 'purpose = "other"'
    yield f"offset = {offset}"
    yield f"bit = {one.low}"
    yield f"width = {one.width}"
    if one.values and len(one.values) <= MOST_VALUES and len({name for _, name in one.values}) == len(one.values):
        rows = ", ".join(f"{{ value = {value}, means = {quoted(name[:100])} }}" for value, name in one.values)
        yield f"values = [{rows}]"
        if len(one.values) < 1 << one.width:
            yield todo("data sheet: what all other values mean; a torn word can hold any of them")
            yield f'otherwise = "{NOT_TOLD}"'
    yield ""


def _name(cell: Cell, one: CellField, taken: set[str]) -> str:
    words = f"{cell.name} {one.name}".casefold().encode("ascii", "ignore").decode()
    base = re.sub(r"[^a-z0-9]+", "-", words).strip("-")
    base = base if base[:1].isalpha() else f"field-{base}".strip("-")
    name, number = base[:32].rstrip("-"), 1
    while name in taken:
        number += 1
        name = f"{base[:27].rstrip('-')}-{number}"
    taken.add(name)
    return name
