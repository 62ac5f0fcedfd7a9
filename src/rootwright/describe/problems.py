"""Mistakes in a file the user wrote: file, line, field, what was found, what was expected, and the likely fix."""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from rootwright.errors import DescriptionError

KeyPath = tuple[str | int, ...]
"""Where a value stands in a TOML document: keys, and places in arrays counted from 0."""


MOST_SHOWN = 50
"""How many mistakes one message prints; `DescriptionProblems.problems` has all."""


class Slip(ValueError):
    """One value is not what its field takes. Raised by field readers; the loader adds file, line and field."""

    def __init__(self, expected: str, *, suggestion: str = "", found: str = "") -> None:
        self.expected = expected
        self.suggestion = suggestion
        self.found = found
        super().__init__(expected)


@dataclass(frozen=True, slots=True)
class Fault:
    """A mistake at a key path, before its line is known."""

    path: KeyPath
    found: str
    expected: str
    suggestion: str = ""


@dataclass(frozen=True, slots=True)
class Problem:
    """A mistake that a reader can go to.

    Attributes:
        file: The file's name as the user gave it.
        line: Line counted from 1; 0 where the whole file is meant.
        field: The field in words, such as `image "radio": size`.
        suggestion: The likely right form; empty where the slip is not recognisable.
    """

    file: str
    line: int
    field: str
    found: str
    expected: str
    suggestion: str = ""

    @property
    def where(self) -> str:
        """File and line, in the form that editors jump to."""
        return f"{self.file}:{self.line}" if self.line else self.file

    @property
    def message(self) -> str:
        """Field, found and expected in one sentence, without the place."""
        head = f"{self.field}: " if self.field else ""
        return f"{head}found {self.found}, expected {self.expected}"

    def __str__(self) -> str:
        tail = f"\n    {self.suggestion}" if self.suggestion else ""
        return f"{self.where}: {self.message}{tail}"


class DescriptionProblems(DescriptionError):
    """A chip or product file holds mistakes; `problems` lists all of them in order of line. Mend the named fields."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.message, where=first.where, next_step=first.suggestion)

    def __str__(self) -> str:
        if len(self.problems) == 1:
            return str(self.problems[0])
        lines = [f"{len(self.problems)} mistakes", *(f"  {problem}" for problem in self.problems[:MOST_SHOWN])]
        if len(self.problems) > MOST_SHOWN:
            lines.append(f"  and {len(self.problems) - MOST_SHOWN} more")
        return "\n".join(lines)


def shown(value: object) -> str:
    """Return a value as the user would recognise it from the file, on one line and cut short.

    >>> shown("64 kb"), shown(True), shown({"a": 1})
    ('"64 kb"', 'true', 'a table')
    """
    if isinstance(value, str):
        text = "".join(c if c.isprintable() else "?" for c in value)
        return f'"{text[:48]}…"' if len(text) > 48 else f'"{text}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an array" if value else "an empty array"
    if isinstance(value, datetime.date | datetime.time):
        return f"the date or time {value.isoformat()}"
    if isinstance(value, int) and abs(value) >= 1 << 128:
        return "a very large number"
    return str(value)


def plain(word: str) -> str:
    """Return a word without the differences people do not see: case, blanks, hyphens, underscores."""
    return "".join(c for c in word.casefold() if c.isalnum())


def closest(word: str, options: Iterable[str]) -> str | None:
    """Return the option that `word` was probably meant to be, or None.

    >>> closest("Boot_Stage", ["boot stage", "application"])
    'boot stage'
    """
    known = {plain(option): option for option in options}
    near = difflib.get_close_matches(plain(word[:64]), known, n=1, cutoff=0.6)
    return known[near[0]] if near else None


def did_you_mean(word: str, options: Iterable[str]) -> str:
    """Return 'did you mean "…"?' for the closest option, or an empty string."""
    near = closest(word, options)
    return f'did you mean "{near}"?' if near is not None else ""


def listed(words: Iterable[str]) -> str:
    """Return words as a quoted list for a message; says so when there is none."""
    return ", ".join(f'"{word}"' for word in words) or "none"
