"""Intel HEX, read and written.

Source: Intel, "Hexadecimal Object File Format Specification", revision A, 1988 (record types 00 to 05).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NoReturn

from rootwright.errors import ImageError
from rootwright.image.joining import Piece, join_pieces, join_segments
from rootwright.image.model import ADDRESS_END, Image, Segment
from rootwright.image.textfile import record_lines

DATA, END_OF_FILE, SEGMENT_BASE, SEGMENT_START, LINEAR_BASE, LINEAR_START = range(6)
_LENGTHS = {END_OF_FILE: 0, SEGMENT_BASE: 2, SEGMENT_START: 4, LINEAR_BASE: 2, LINEAR_START: 4}
_WORDS = {
    END_OF_FILE: "end-of-file",
    SEGMENT_BASE: "extended segment address",
    SEGMENT_START: "start segment address",
    LINEAR_BASE: "extended linear address",
    LINEAR_START: "start linear address",
}


def read_hex(data: bytes, *, name: str) -> Image:
    """Return the image of an Intel HEX file.

    Records may stand in any order. Each address may be loaded once; the end-of-file record is needed and must be last.

    Raises:
        ImageError: with the line number.
    """
    reader = _Reader(name)
    line = 0
    for line, text in record_lines(data, name=name):
        reader.line = line
        reader.take(text)
    if not reader.ended:
        raise ImageError(
            "the end-of-file record is missing",
            where=f"{name}, line {line}",
            next_step="the file was cut short; copy or build it again",
        )
    return Image(name, "hex", None, join_pieces(reader.pieces, name=name), reader.entry)


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = name
        self.line = 0
        self.pieces: list[Piece] = []
        self.entry: int | None = None
        self.ended = False
        self._base = 0
        self._segmented = False

    def fail(self, found: str, next_step: str) -> NoReturn:
        raise ImageError(found, where=f"{self.name}, line {self.line}", next_step=next_step)

    def take(self, text: str) -> None:
        if self.ended:
            self.fail(
                "a record follows the end-of-file record",
                "two files were joined; load them one by one or join them with a tool that knows the format",
            )
        kind, offset, body = self._parse(text)
        if kind == DATA:
            self._take_data(offset, body)
            return
        if kind not in _LENGTHS:
            self.fail(f"record type {kind:02X} is unknown; types are 00 to 05", "write plain Intel HEX")
        if len(body) != _LENGTHS[kind]:
            self.fail(f"the {_WORDS[kind]} record holds {_LENGTHS[kind]} bytes, this one {len(body)}", "build it again")
        if offset:
            self.fail(f"the address field of the {_WORDS[kind]} record is {offset:04X}, not 0000", "build it again")
        value = int.from_bytes(body, "big")
        if kind == END_OF_FILE:
            self.ended = True
        elif kind == SEGMENT_BASE:
            self._base, self._segmented = value << 4, True
        elif kind == LINEAR_BASE:
            self._base, self._segmented = value << 16, False
        elif kind == SEGMENT_START:
            self._start((value >> 16 << 4) + (value & 0xFFFF))
        else:
            self._start(value)

    def _parse(self, text: str) -> tuple[int, int, bytes]:
        if not text.startswith(":"):
            self.fail(f"a record starts with ':', this line with {text[0]!r}", "remove text between the records")
        try:
            raw = bytes.fromhex(text[1:]) if " " not in text else None
        except ValueError:
            raw = None
        if raw is None:
            self.fail("not an even number of hexadecimal digits after ':'", "the file is damaged; build it again")
        if len(raw) < 5 or len(raw) != raw[0] + 5:
            expected = raw[0] + 5 if raw else 5
            self.fail(
                f"the record holds {len(raw)} bytes, its length field asks for {expected}",
                "the line was cut or joined with another; build it again",
            )
        if sum(raw) & 0xFF:
            good = -sum(raw[:-1]) & 0xFF
            self.fail(
                f"checksum {raw[-1]:02X} found, {good:02X} expected", "the line was changed; build the file again"
            )
        return raw[3], int.from_bytes(raw[1:3], "big"), raw[4:-1]

    def _take_data(self, offset: int, body: bytes) -> None:
        if self._segmented and offset + len(body) > 0x10000:
            self.fail(
                f"{len(body)} bytes at offset {offset:04X} wrap round their 64 KiB segment",
                "write the file with linear addresses (record type 04)",
            )
        self.pieces.append(Piece(self._base + offset, body, f"line {self.line}"))

    def _start(self, address: int) -> None:
        if self.entry is not None and self.entry != address:
            self.fail(
                f"start address 0x{address:08x}, but an earlier record says 0x{self.entry:08x}",
                "keep one start record",
            )
        self.entry = address


def write_hex(segments: Iterable[Segment], *, entry: int | None = None, width: int = 16) -> str:
    """Return Intel HEX text with linear addresses, `width` data bytes a line; overlaps are refused.

    Example:
        >>> print(write_hex([Segment(0x10010, b"hi")]), end="")
        :020000040001F9
        :0200100068691D
        :00000001FF
    """
    if not 1 <= width <= 255:
        raise ImageError(f"width {width} is not 1..255", where="write_hex", next_step="16 and 32 are usual")
    return "".join(f"{line}\n" for line in _lines(segments, entry, width))


def _lines(segments: Iterable[Segment], entry: int | None, width: int) -> Iterator[str]:
    base = 0
    for segment in join_segments(segments, name="write_hex"):
        address = segment.address
        while address < segment.end:
            if address >> 16 != base:
                base = address >> 16
                yield _record(LINEAR_BASE, 0, base.to_bytes(2, "big"))
            stop = min(segment.end, address + width, (base + 1) << 16)
            yield _record(DATA, address & 0xFFFF, segment.data[address - segment.address : stop - segment.address])
            address = stop
    if entry is not None:
        if not 0 <= entry < ADDRESS_END:
            raise ImageError("the entry does not fit 32 bits", where="write_hex", next_step="check the entry")
        yield _record(LINEAR_START, 0, entry.to_bytes(4, "big"))
    yield _record(END_OF_FILE, 0, b"")


def _record(kind: int, offset: int, body: bytes) -> str:
    raw = bytes([len(body), offset >> 8, offset & 0xFF, kind]) + body
    return f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}"
