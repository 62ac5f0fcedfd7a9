"""Where in a product file a field stands, for whoever shows a finding beside the text."""

from __future__ import annotations

import tomllib
from typing import Any

from rootwright.describe.positions import Positions
from rootwright.describe.problems import KeyPath


def find_line(text: str, field: str, name: str = "") -> int:
    """Return the line of a field of a sound product file, counted from 1.

    Where the field is left out, it is the line of its table; where that is left out too, the first line. A field of the
    chip file is found where the product names its part.

    Args:
        text: The file's text.
        field: The field, such as "update.trial" or "image.growth".
        name: Which of several tables: its name, block or id; the first where none has it.

    Example:
        >>> find_line('[update]\\nsequence = 1\\n', "update.sequence"), find_line('[update]\\n', "update.trial")
        (2, 1)
    """
    data: Any = tomllib.loads(text.removeprefix("\ufeff"))
    positions = Positions(text.removeprefix("\ufeff"))
    table, _, key = field.partition(".")
    if table in ("chip", "memory"):
        table, key = "product", "chip"
    if table not in data:
        return 1
    path: KeyPath = (table,)
    here = data[table]
    if isinstance(here, list):
        names = [{entry.get(label) for label in ("name", "block", "id", "file")} for entry in here]
        place = next((i for i, known in enumerate(names) if name and name in known), 0)
        path, here = (*path, place), here[place] if here else {}
    if key and key in here:
        path = (*path, key)
    return positions.line(path)
