"""Motorola S-records, read and written.

Source: the S-record format as generally documented in loader and assembler manuals (types S0 to S9 without S4):
type, count, address, data, ones' complement checksum. Common practice; there is no standards document.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NoReturn

from rootwright.errors import ImageError
from rootwright.image.joining import Piece, join_pieces, join_segments
from rootwright.image.model import ADDRESS_END, Image, Segment
from rootwright.image.textfile import record_lines

_ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}


def read_srec(data: bytes, *, name: str) -> Image:
    """Return the image of an S-record file.

    Data records may stand in any order and mix address widths. A count record must be right, and the terminator (S7,
    S8 or S9) is needed and must be last. A start address of 0 that the file does not load counts as none.

    Raises:
        ImageError: with the line number.
    """
    reader = _Reader(name)
    line = 0
    for line, text in record_lines(data, name=name):
        reader.line = line
        reader.take(text)
    if reader.entry is None:
        raise ImageError(
            "the terminating record (S7, S8 or S9) is missing",
            where=f"{name}, line {line}",
            next_step="the file was cut short; copy or build it again",
        )
    segments = join_pieces(reader.pieces, name=name)
    image = Image(name, "srec", None, segments, reader.entry)
    if image.entry == 0 and not image.holds(0):
        return Image(name, "srec", None, segments, None)
    return image


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = name
        self.line = 0
        self.pieces: list[Piece] = []
        self.entry: int | None = None
        self._records = 0

    def fail(self, found: str, next_step: str) -> NoReturn:
        raise ImageError(found, where=f"{self.name}, line {self.line}", next_step=next_step)

    def take(self, text: str) -> None:
        if self.entry is not None:
            self.fail("a record follows the terminating record", "two files were joined; load them one by one")
        kind, address, body = self._parse(text)
        if kind in "123":
            self._records += 1
            self.pieces.append(Piece(address, body, f"line {self.line}"))
        elif kind != "0" and body:
            self.fail(f"an S{kind} record holds no data, this one {len(body)} bytes", "build the file again")
        elif kind in "56":
            if address != self._records:
                self.fail(
                    f"the S{kind} record counts {address} data records, the file has {self._records} so far",
                    "lines are missing or doubled; copy or build the file again",
                )
        elif kind in "789":
            self.entry = address

    def _parse(self, text: str) -> tuple[str, int, bytes]:
        kind = text[1:2]
        if text[0] != "S" or kind not in _ADDRESS_BYTES:
            self.fail(
                f"a record starts with S0 to S3 or S5 to S9, this line with {text[:2]!r}", "write plain S-records"
            )
        try:
            raw = bytes.fromhex(text[2:]) if " " not in text else None
        except ValueError:
            raw = None
        if raw is None:
            self.fail(f"not an even number of hexadecimal digits after S{kind}", "the file is damaged; build it again")
        width = _ADDRESS_BYTES[kind]
        if not raw or len(raw) != raw[0] + 1 or raw[0] < width + 1:
            self.fail(
                f"the S{kind} record holds {max(len(raw) - 1, 0)} bytes, its count field says {raw[0] if raw else 0}, "
                f"the least is {width + 1}",
                "the line was cut or joined with another; build it again",
            )
        if sum(raw) & 0xFF != 0xFF:
            good = ~sum(raw[:-1]) & 0xFF
            self.fail(
                f"checksum {raw[-1]:02X} found, {good:02X} expected", "the line was changed; build the file again"
            )
        return kind, int.from_bytes(raw[1 : 1 + width], "big"), raw[1 + width : -1]


def write_srec(segments: Iterable[Segment], *, header: str = "", entry: int | None = None, width: int = 16) -> str:
    """Return S-record text with 32-bit addresses, `width` data bytes a line, and a count record.

    Example:
        >>> print(write_srec([Segment(0x10010, b"hi")]), end="")
        S0030000FC
        S30700010010686916
        S5030001FB
        S70500000000FA
    """
    if not 1 <= width <= 250:
        raise ImageError(f"width {width} is not 1..250", where="write_srec", next_step="16 and 32 are usual")
    start = entry or 0
    name = header.encode("ascii", "replace")
    if not 0 <= start < ADDRESS_END or len(name) > 252:
        raise ImageError(
            "the entry does not fit 32 bits or the header text 252 bytes",
            where="write_srec",
            next_step="check entry and header",
        )
    lines = [_record("0", bytes(2) + name)]
    for segment in join_segments(segments, name="write_srec"):
        for at in range(0, len(segment.data), width):
            address = (segment.address + at).to_bytes(4, "big")
            lines.append(_record("3", address + segment.data[at : at + width]))
    count = len(lines) - 1
    if count < 1 << 24:
        lines.append(
            _record("5", count.to_bytes(2, "big")) if count < 1 << 16 else _record("6", count.to_bytes(3, "big"))
        )
    lines.append(_record("7", start.to_bytes(4, "big")))
    return "".join(f"{line}\n" for line in lines)


def _record(kind: str, body: bytes) -> str:
    raw = bytes([len(body) + 1]) + body
    return f"S{kind}{raw.hex().upper()}{~sum(raw) & 0xFF:02X}"
