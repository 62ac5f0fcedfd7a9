"""What a chip or product file still leaves to be filled in: its comment lines that begin with TODO."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

MARK = "# TODO"
"""How such a line begins; `rootwright chip import` and `rootwright import` write them."""

_LINE = re.compile(r"[ \t]*#[ \t]*TODO\b[: \t]*(.*)")


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """One thing to fill in: the file as the user named it, the line counted from 1, and what is asked."""

    file: str
    line: int
    text: str

    @property
    def where(self) -> str:
        """File and line, in the form that editors jump to."""
        return f"{self.file}:{self.line}"


def find_open_points(text: str, *, name: str) -> tuple[OpenPoint, ...]:
    """Return the TODO comment lines of a TOML document.

    Example:
        >>> find_open_points("# TODO data sheet: the clock\\nclock = '8 MHz'\\n", name="part.toml")[0].text
        'data sheet: the clock'
    """
    found: list[OpenPoint] = []
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), 1):
        match = _LINE.fullmatch(line)
        if match:
            found.append(OpenPoint(name, number, match[1].strip()))
    return tuple(found)


def open_points_of(file: Path) -> tuple[OpenPoint, ...]:
    """Return the open points of a chip file, or of a product file and of the part's file that it names.

    For files that were read without mistakes; OSError where one cannot be read.
    """
    text = file.read_text(encoding="utf-8-sig")
    found = find_open_points(text, name=str(file))
    head = tomllib.loads(text).get("product")
    named = head.get("chip") if isinstance(head, dict) else None
    if isinstance(named, str) and named.strip().endswith(".toml"):
        part = file.parent / named.strip()
        found += find_open_points(part.read_text(encoding="utf-8-sig"), name=str(part))
    return found
