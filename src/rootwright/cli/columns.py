"""Text in columns for a terminal, at most 120 characters wide."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

WIDTH = 120


def aligned(rows: Sequence[tuple[str, ...]], sides: str, *, gap: int = 2) -> list[str]:
    """Return the lines of a table, indented by two; `sides` has "<" or ">" for each column, `gap` the room between."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        (
            "  "
            + (" " * gap).join(f"{cell:{side}{width}}" for cell, side, width in zip(row, sides, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def wrapped(text: str, indent: str) -> list[str]:
    """Return text as lines; those after the first are indented by two more."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
