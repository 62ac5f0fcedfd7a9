"""What a firmware file says, whatever its format: bytes at load addresses, symbols, the RAM it takes."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from rootwright.errors import ImageError

ADDRESS_END = 1 << 32
"""First address past the 32-bit space that every reader keeps to."""

SPAN_LIMIT = 64 << 20
"""Longest stretch, in bytes, that `Image.flatten` fills: two bytes 4 GiB apart must not cost 4 GiB."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of addresses: first address and size in bytes."""

    address: int
    size: int

    @property
    def end(self) -> int:
        """First address past the span."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class Segment:
    """Contiguous bytes at their load address, that is, where they lie in flash."""

    address: int
    data: bytes = field(repr=False)

    @property
    def end(self) -> int:
        """First address past the bytes."""
        return self.address + len(self.data)


@dataclass(frozen=True, slots=True)
class Symbol:
    """A named address of an ELF file; `kind` is "function", "object" or "other", `size` is in bytes.

    Arm function addresses are given without the Thumb bit, so that they point at the instruction.
    """

    name: str
    address: int
    size: int
    kind: str


@dataclass(frozen=True, slots=True)
class Section:
    """A named stretch of an ELF file that holds bytes, at its load address; size in bytes."""

    name: str
    address: int
    size: int


@dataclass(frozen=True, slots=True)
class VectorTable:
    """An Arm M-profile vector table: where it lies, how many words it has, and its first two words.

    `reset` keeps the Thumb bit as stored.
    """

    address: int
    entries: int
    initial_stack: int
    reset: int

    @property
    def alignment(self) -> int:
        """Alignment in bytes that the table needs: a power of two holding all words, at least 128.

        Source: Armv7-M Architecture Reference Manual, B1.5.3 "The vector table" (alignment is a power of two not
        under four times the number of exceptions) and B3.2.5, VTOR bits 6:0 reserved. Quoted from memory.
        """
        return max(128, 1 << (4 * self.entries - 1).bit_length())


@dataclass(frozen=True, slots=True)
class Image:
    """One firmware file: sorted segments that neither overlap nor touch, and what else the file says.

    Example:
        >>> image = Image("app.bin", "bin", None, (Segment(0x100, b"ab"), Segment(0x104, b"c")))
        >>> hex(image.start), hex(image.end), image.size
        ('0x100', '0x105', 5)
        >>> image.flatten()
        b'ab\\xff\\xffc'

    Args:
        name: File name, for messages.
        format: "elf", "hex", "srec" or "bin".
        machine: "arm" or "riscv"; None where the format does not say.
        segments: The bytes at their load addresses; never empty.
        entry: Where execution starts, as stored (Thumb bit kept); None where the file does not say.
        symbols: By address, then name; ELF only.
        ram: Static RAM need at run addresses: initialised data, zeroed data, reserved stack; ELF only.
        sections: Sections that hold bytes, by load address; ELF with section headers only.

    Raises:
        ImageError: segments missing, empty, out of order, touching, overlapping or past 32 bits.
    """

    name: str
    format: str
    machine: str | None
    segments: tuple[Segment, ...]
    entry: int | None = None
    symbols: tuple[Symbol, ...] = field(default=(), repr=False)
    ram: tuple[Span, ...] = ()
    sections: tuple[Section, ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        if not self.segments:
            raise ImageError(
                "no bytes to load in this file",
                where=self.name,
                next_step="build it again; an image holds at least one byte",
            )
        last = -1
        for segment in self.segments:
            if not segment.data or segment.address <= last or segment.address < 0 or segment.end > ADDRESS_END:
                raise ImageError(
                    f"segment at 0x{segment.address:08x} is empty, out of order, touching the one before or past "
                    "32 bits",
                    where=self.name,
                    next_step="pass segments through rootwright.image.joining.join_segments",
                )
            last = segment.end

    @property
    def start(self) -> int:
        """Lowest load address."""
        return self.segments[0].address

    @property
    def end(self) -> int:
        """First address past the highest loaded byte."""
        return self.segments[-1].end

    @property
    def size(self) -> int:
        """Bytes from `start` to `end`, gaps included."""
        return self.end - self.start

    @property
    def ram_size(self) -> int:
        """Static RAM need in bytes, over all spans."""
        return sum(span.size for span in self.ram)

    def flatten(self, fill: int = 0xFF) -> bytes:
        """Return the bytes from `start` to `end`, gaps filled with `fill`.

        Raises:
            ImageError: the span is over `SPAN_LIMIT`; the widest gap is named.
        """
        if not 0 <= fill <= 0xFF:
            raise ImageError(
                f"fill byte {fill} is not 0..255",
                where=self.name,
                next_step="pass the flash's erased value, 0xFF or 0x00",
            )
        if self.size > SPAN_LIMIT:
            raise ImageError(self._span_message(), where=self.name, next_step=self._span_advice())
        flat = bytearray([fill]) * self.size
        for segment in self.segments:
            at = segment.address - self.start
            flat[at : at + len(segment.data)] = segment.data
        return bytes(flat)

    def _span_message(self) -> str:
        pairs = zip(self.segments, self.segments[1:], strict=False)
        before, after = max(pairs, key=lambda pair: pair[1].address - pair[0].end, default=(None, None))
        text = f"{self.size} bytes from 0x{self.start:08x} to 0x{self.end:08x}, over the limit of {SPAN_LIMIT}"
        if before is not None and after is not None:
            text += f"; the widest gap is 0x{before.end:08x}..0x{after.address:08x}"
        return text

    def _span_advice(self) -> str:
        return (
            "keep one memory per file; initialised data that loads straight into RAM needs a flash load address "
            "(AT> in the linker script)"
        )

    def read(self, address: int, size: int) -> bytes:
        """Return `size` loaded bytes at a load address.

        Raises:
            ImageError: not all of them are loaded by this file.
        """
        index = bisect_right(self.segments, address, key=lambda segment: segment.address) - 1
        if index >= 0 and size >= 0:
            segment = self.segments[index]
            if address + size <= segment.end:
                at = address - segment.address
                return segment.data[at : at + size]
        raise ImageError(
            f"the file does not load all of the {size} bytes at 0x{address:08x}",
            where=self.name,
            next_step="check the address against the segments of this file",
        )

    def holds(self, address: int, size: int = 1) -> bool:
        """Tell whether the file loads all `size` bytes at a load address."""
        index = bisect_right(self.segments, address, key=lambda segment: segment.address) - 1
        return index >= 0 and address + size <= self.segments[index].end

    def symbol(self, name: str) -> Symbol | None:
        """Return the symbol of that name at the lowest address, or None."""
        return next((symbol for symbol in self.symbols if symbol.name == name), None)
