"""On which line each key of a TOML document stands; the values come from the standard library's reader.

The scanner only follows structure (TOML 1.0: keys, headers, strings, arrays, inline tables) and expects a document that
`tomllib` has accepted, so that it needs no error handling of its own. Where it should ever lose its way, a key simply
has no line of its own and takes its parent's.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

from rootwright.describe.problems import KeyPath

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})', re.DOTALL),
    re.compile(r"'''.*?'''(?:'{0,2})", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


class Positions:
    """The lines of all keys of one document.

    >>> Positions('a = 1\\n[b]\\nc = [10,\\n 20]').line(("b", "c", 1))
    4
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[KeyPath, int] = {}
        self._text = text.replace("\r\n", "\n")
        self._counts: dict[KeyPath, int] = {}
        self._breaks = [match.start() for match in re.finditer("\n", self._text)]
        self._scan()

    def line(self, path: KeyPath) -> int:
        """Return the line of a key, or of the nearest table around it that has one; 1 at the least."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1

    def __contains__(self, path: object) -> bool:
        return path in self._lines

    def __iter__(self) -> Iterator[KeyPath]:
        return iter(self._lines)

    def _line_at(self, offset: int) -> int:
        low, high = 0, len(self._breaks)
        while low < high:
            middle = (low + high) // 2
            if self._breaks[middle] < offset:
                low = middle + 1
            else:
                high = middle
        return low + 1

    def _note(self, path: KeyPath, offset: int) -> None:
        self._lines.setdefault(path, self._line_at(offset))

    def _skip(self, pattern: re.Pattern[str], offset: int) -> int:
        match = pattern.match(self._text, offset)
        return match.end() if match else offset

    def _key(self, offset: int) -> tuple[list[tuple[str, int]], int]:
        """Read a dotted key; return its parts with their offsets, and the offset behind it."""
        parts: list[tuple[str, int]] = []
        while True:
            offset = self._skip(_BLANK, offset)
            match = _BARE_KEY.match(self._text, offset)
            if match:
                parts.append((match.group(), offset))
                end = match.end()
            else:
                end = self._string_end(offset)
                if end == offset:
                    return parts, offset
                parts.append((str(tomllib.loads(f"k = {self._text[offset:end]}")["k"]), offset))
            offset = self._skip(_BLANK, end)
            if self._text[offset : offset + 1] != ".":
                return parts, offset
            offset += 1

    def _string_end(self, offset: int) -> int:
        for pattern in _STRINGS:
            match = pattern.match(self._text, offset)
            if match:
                return match.end()
        return offset

    def _resolve(self, parts: list[tuple[str, int]]) -> KeyPath:
        """Return the path of a header's table, through the newest element of each array of tables."""
        path: KeyPath = ()
        for name, _ in parts:
            path = (*path, name)
            if path in self._counts:
                path = (*path, self._counts[path])
        return path

    def _scan(self) -> None:
        text, offset, table = self._text, 0, ()
        current: KeyPath = table
        while True:
            offset = self._skip(_BETWEEN, offset)
            if offset >= len(text):
                return
            start = offset
            if text.startswith("[[", offset):
                parts, offset = self._key(offset + 2)
                array = (*self._resolve(parts[:-1]), parts[-1][0])
                self._counts[array] = self._counts.get(array, -1) + 1
                self._note(array, start)
                current = (*array, self._counts[array])
                self._note(current, start)
                offset += 2
            elif text[offset] == "[":
                parts, offset = self._key(offset + 1)
                current = self._resolve(parts)
                for length in range(1, len(current) + 1):
                    self._note(current[:length], start)
                offset += 1
            else:
                offset = self._pair(current, offset)
                if offset == start:  # pragma: no cover - only for a document that tomllib refuses
                    return

    def _pair(self, table: KeyPath, offset: int) -> int:
        parts, end = self._key(offset)
        if not parts:
            return offset
        path = table
        for name, start in parts:
            path = (*path, name)
            self._note(path, start)
        end = self._skip(_BLANK, end) + 1  # the equals sign
        return self._value(path, self._skip(_BLANK, end))

    def _value(self, path: KeyPath, offset: int) -> int:
        text = self._text
        end = self._string_end(offset)
        if end > offset:
            return end
        if text.startswith("[", offset):
            offset, index = self._skip(_BETWEEN, offset + 1), 0
            while offset < len(text) and text[offset] != "]":
                self._note((*path, index), offset)
                offset = self._skip(_BETWEEN, self._value((*path, index), offset))
                if text.startswith(",", offset):
                    offset = self._skip(_BETWEEN, offset + 1)
                index += 1
            return offset + 1
        if text.startswith("{", offset):
            offset = self._skip(_BETWEEN, offset + 1)
            while offset < len(text) and text[offset] != "}":
                offset = self._skip(_BETWEEN, self._pair(path, offset))
                if text.startswith(",", offset):
                    offset = self._skip(_BETWEEN, offset + 1)
            return offset + 1
        return self._skip(_SCALAR, offset)
