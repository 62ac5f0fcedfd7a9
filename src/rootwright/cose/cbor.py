"""Strict CBOR: a reader that accepts one encoding of each value, and the writer that produces it.

General CBOR libraries accept trailing bytes, repeated keys, indefinite lengths and integers longer than needed; each of
those lets two different byte strings mean the same thing, which signed data must not allow. The reader here accepts
only the core deterministic encoding (RFC 8949 section 4.2.1), without floating-point numbers, undefined and bignums.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from rootwright.errors import FormatError

#: Arrays, maps and tags may stand inside each other this deep; byte strings that hold CBOR start again at zero.
MAX_DEPTH = 16

_NAMES = {0: "unsigned integer", 1: "negative integer", 2: "byte string", 3: "text string"}
_NAMES |= {4: "array", 5: "map", 6: "tag", 7: "simple value"}


@dataclass(frozen=True, slots=True)
class Tag:
    """A tagged value, for the writer."""

    number: int
    value: Value


@dataclass(frozen=True, slots=True)
class Encoded:
    """A value that is already encoded; the writer copies it."""

    data: bytes


Value: TypeAlias = (
    "bool | int | bytes | str | Tag | Encoded | Sequence[Value] | Mapping[int, Value] | Mapping[str, Value]"
    " | Mapping[Encoded, Value] | None"
)


def mistake(offset: int, found: str) -> FormatError:
    """Return the error for bytes at an absolute offset, ready to raise."""
    return FormatError(found, where=f"byte {offset}", next_step="refuse these bytes; ask their author for a new file")


@dataclass(frozen=True, slots=True)
class Item:
    """One decoded item, with where it stands: everything an error message or a report needs.

    Attributes:
        major: CBOR major type, 0 to 7.
        scalar: Integer, bytes, text, boolean or None; the number of a tag; None for arrays and maps.
        items: Elements of an array; keys and values of a map in turn; the one content of a tag.
        offset: Absolute offset of the first byte of the head.
        content_offset: Absolute offset of the first byte after the head.
        encoded: The item's own bytes.
    """

    major: int
    scalar: int | bytes | str | bool | None
    items: tuple[Item, ...]
    offset: int
    content_offset: int
    encoded: bytes

    @property
    def kind(self) -> str:
        """What the item is, in words."""
        if self.major == 7:
            return {True: "true", False: "false"}.get(bool(self.scalar), "null") if self.scalar is not None else "null"
        return _NAMES[self.major]

    def _wrong(self, what: str, expected: str) -> FormatError:
        return mistake(self.offset, f"{what}: expected {expected}, found {self.kind}")

    @property
    def is_null(self) -> bool:
        """Whether the item is null."""
        return self.major == 7 and self.scalar is None

    def uint(self, what: str) -> int:
        """Return the unsigned integer; anything else is a FormatError that names `what`."""
        if self.major == 0 and isinstance(self.scalar, int):
            return self.scalar
        raise self._wrong(what, "an unsigned integer")

    def integer(self, what: str) -> int:
        """Return the integer of either sign."""
        if self.major in (0, 1) and isinstance(self.scalar, int):
            return self.scalar
        raise self._wrong(what, "an integer")

    def boolean(self, what: str) -> bool:
        """Return the boolean."""
        if self.major == 7 and isinstance(self.scalar, bool):
            return self.scalar
        raise self._wrong(what, "true or false")

    def bytes(self, what: str, *, size: int | None = None) -> bytes:
        """Return the byte string, of exactly `size` bytes where given."""
        if not isinstance(self.scalar, bytes):
            raise self._wrong(what, "a byte string")
        if size is not None and len(self.scalar) != size:
            raise mistake(self.offset, f"{what}: expected {size} bytes, found {len(self.scalar)}")
        return self.scalar

    def text(self, what: str) -> str:
        """Return the text string."""
        if isinstance(self.scalar, str):
            return self.scalar
        raise self._wrong(what, "a text string")

    def array(self, what: str, *, size: int | None = None) -> tuple[Item, ...]:
        """Return the elements of an array, of exactly `size` elements where given."""
        if self.major != 4:
            raise self._wrong(what, "an array")
        if size is not None and len(self.items) != size:
            raise mistake(self.offset, f"{what}: expected {size} elements, found {len(self.items)}")
        return self.items

    def pairs(self, what: str) -> tuple[tuple[Item, Item], ...]:
        """Return the keys and values of a map, in their order."""
        if self.major != 5:
            raise self._wrong(what, "a map")
        return tuple(zip(self.items[::2], self.items[1::2], strict=True))

    def tagged(self, what: str, number: int) -> Item:
        """Return what the tag of that number holds."""
        if self.major != 6:
            raise self._wrong(what, f"tag {number}")
        if self.scalar != number:
            raise mistake(self.offset, f"{what}: expected tag {number}, found tag {self.scalar!r}")
        return self.items[0]

    def wrapped(self, what: str) -> Item:
        """Return the one item encoded inside this byte string, with absolute offsets."""
        return decode(self.bytes(what), base=self.content_offset, what=what)


class _Reader:
    def __init__(self, data: bytes, base: int, ordered: bool) -> None:
        self.data = data
        self.base = base
        self.ordered = ordered
        self.at = 0

    def take(self, count: int, what: str) -> bytes:
        if count > len(self.data) - self.at:
            left = len(self.data) - self.at
            raise mistake(self.base + self.at, f"{what} needs {count} more bytes, {left} are left")
        piece = self.data[self.at : self.at + count]
        self.at += count
        return piece

    def head(self) -> tuple[int, int, int]:
        start = self.at
        first = self.take(1, "an item")[0]
        major, low = first >> 5, first & 31
        if low < 24:
            return major, low, low
        if low == 31:
            raise mistake(self.base + start, f"{_NAMES[major]} of indefinite length; lengths must be stated")
        if low > 27:
            raise mistake(self.base + start, f"reserved additional information {low}")
        width = 1 << (low - 24)
        argument = int.from_bytes(self.take(width, "a number"), "big")
        if major == 7:
            what = "a simple value of two bytes" if width == 1 else "a floating-point number"
            raise mistake(self.base + start, f"{what}; none is allowed here")
        shortest = argument >= 24 if width == 1 else argument >> (8 * width // 2)
        if not shortest:
            raise mistake(self.base + start, f"{_NAMES[major]} {argument} is written longer than needed")
        return major, low, argument

    def item(self, depth: int) -> Item:
        if depth > MAX_DEPTH:
            raise mistake(self.base + self.at, f"items nested deeper than {MAX_DEPTH}")
        start = self.at
        major, _, argument = self.head()
        content = self.at
        scalar: int | bytes | str | bool | None = None
        items: tuple[Item, ...] = ()
        if major == 0:
            scalar = argument
        elif major == 1:
            scalar = -1 - argument
        elif major == 2:
            scalar = self.take(argument, "a byte string")
        elif major == 3:
            scalar = self.text(argument)
        elif major == 4:
            items = self.elements(argument, depth, start)
        elif major == 5:
            items = self.map(argument, depth, start)
        elif major == 6:
            scalar = argument
            items = (self.item(depth + 1),)
        else:
            scalar = self.simple(argument, start)
        return Item(major, scalar, items, self.base + start, self.base + content, self.data[start : self.at])

    def text(self, size: int) -> str:
        start = self.at
        try:
            return self.take(size, "a text string").decode()
        except UnicodeDecodeError as error:
            raise mistake(self.base + start + error.start, "text that is not UTF-8") from None

    def elements(self, count: int, depth: int, start: int) -> tuple[Item, ...]:
        # Each element needs a byte at least, so a count beyond the input is refused before anything is allocated.
        if count > len(self.data) - self.at:
            raise mistake(self.base + start, f"an array of {count} elements is longer than the input")
        return tuple(self.item(depth + 1) for _ in range(count))

    def map(self, count: int, depth: int, start: int) -> tuple[Item, ...]:
        if 2 * count > len(self.data) - self.at:
            raise mistake(self.base + start, f"a map of {count} pairs is longer than the input")
        items: list[Item] = []
        seen: set[bytes] = set()
        previous = b""
        for _ in range(count):
            key = self.item(depth + 1)
            if key.encoded in seen:
                raise mistake(key.offset, f"key {diagnostic(key)} stands twice in a map")
            if self.ordered and key.encoded < previous:
                raise mistake(key.offset, f"key {diagnostic(key)} is out of order (RFC 8949 section 4.2.1)")
            seen.add(key.encoded)
            previous = key.encoded
            items += [key, self.item(depth + 1)]
        return tuple(items)

    def simple(self, argument: int, start: int) -> bool | None:
        known = {20: False, 21: True, 22: None}
        if argument not in known:
            what = "undefined" if argument == 23 else f"simple value {argument}"
            raise mistake(self.base + start, f"{what}; only true, false and null are allowed")
        return known[argument]


def decode(data: bytes, *, base: int = 0, ordered: bool = True, what: str = "CBOR") -> Item:
    """Return the single item that `data` encodes in the strict form.

    Args:
        data: Exactly one item; trailing bytes are refused.
        base: Added to every offset, so that nested byte strings report absolute places.
        ordered: Whether map keys must stand in bytewise order; repeated keys are refused in any case.
        what: Name of the bytes, for messages.

    Raises:
        FormatError: With the offset of the first byte that is wrong.

    >>> decode(bytes.fromhex("a10126")).pairs("header")[0][1].integer("alg")
    -7
    """
    reader = _Reader(data, base, ordered)
    if not data:
        raise mistake(base, f"{what} is empty")
    item = reader.item(0)
    if reader.at != len(data):
        raise mistake(base + reader.at, f"{len(data) - reader.at} trailing bytes after {what}")
    return item


def _head(major: int, argument: int) -> bytes:
    if argument < 24:
        return bytes([major << 5 | argument])
    for low, width in ((24, 1), (25, 2), (26, 4), (27, 8)):
        if argument < 1 << (8 * width):
            return bytes([major << 5 | low]) + argument.to_bytes(width, "big")
    raise FormatError(f"integer {argument} does not fit 64 bits", next_step="use a smaller number")


def encode(value: Value) -> bytes:
    """Return the core deterministic encoding of a value (RFC 8949 section 4.2.1).

    Maps are written in the bytewise order of their encoded keys, whatever order they have in Python.

    >>> encode({3: b"", 1: -7}).hex()
    'a201260340'
    """
    if isinstance(value, Encoded):
        return value.data
    if value is None:
        return b"\xf6"
    if isinstance(value, bool):
        return b"\xf5" if value else b"\xf4"
    if isinstance(value, int):
        return _head(0, int(value)) if value >= 0 else _head(1, -1 - int(value))
    if isinstance(value, bytes | bytearray):
        return _head(2, len(value)) + bytes(value)
    if isinstance(value, str):
        content = value.encode()
        return _head(3, len(content)) + content
    if isinstance(value, Tag):
        return _head(6, value.number) + encode(value.value)
    if isinstance(value, Mapping):
        pairs = sorted((encode(key), encode(content)) for key, content in value.items())
        return _head(5, len(pairs)) + b"".join(key + content for key, content in pairs)
    return _head(4, len(value)) + b"".join(encode(element) for element in value)


def diagnostic(item: Item) -> str:
    """Return the item in CBOR diagnostic notation (RFC 8949 section 8), on one line.

    >>> diagnostic(decode(bytes.fromhex("82014161")))
    "[1, h'61']"
    """
    if item.major == 4:
        return "[" + ", ".join(diagnostic(element) for element in item.items) + "]"
    if item.major == 5:
        pairs = item.pairs("map")
        return "{" + ", ".join(f"{diagnostic(key)}: {diagnostic(value)}" for key, value in pairs) + "}"
    if item.major == 6:
        return f"{item.scalar!r}({diagnostic(item.items[0])})"
    if isinstance(item.scalar, bytes):
        return f"h'{item.scalar.hex()}'"
    if isinstance(item.scalar, str):
        import json

        return json.dumps(item.scalar)
    if item.major == 7:
        return item.kind
    return str(item.scalar)
