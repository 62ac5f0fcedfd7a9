"""Pieces in any order into sorted segments; two pieces for one address are refused."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rootwright.errors import ImageError
from rootwright.image.model import ADDRESS_END, Segment


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes at an address, and where in the file they stand ("line 7", "program header 2")."""

    address: int
    data: bytes = field(repr=False)
    where: str


def join_pieces(pieces: Iterable[Piece], *, name: str) -> tuple[Segment, ...]:
    """Return sorted segments, adjacent pieces merged, empty ones dropped.

    Raises:
        ImageError: two pieces claim one address, or a piece leaves the 32-bit address space.
    """
    runs: list[tuple[int, list[bytes]]] = []
    before: Piece | None = None
    end = -1
    for piece in sorted((piece for piece in pieces if piece.data), key=lambda piece: piece.address):
        if piece.address < 0 or piece.address + len(piece.data) > ADDRESS_END:
            raise ImageError(
                f"{len(piece.data)} bytes at 0x{piece.address:08x} run past the 32-bit address space",
                where=f"{name}, {piece.where}",
                next_step="check the link address; the file is damaged or not for a 32-bit part",
            )
        if before is not None and piece.address < end:
            raise _overlap(before, piece, name)
        if piece.address == end:
            runs[-1][1].append(piece.data)
        else:
            runs.append((piece.address, [piece.data]))
        before, end = piece, piece.address + len(piece.data)
    return tuple(Segment(address, b"".join(parts)) for address, parts in runs)


def join_segments(segments: Iterable[Segment], *, name: str = "segments") -> tuple[Segment, ...]:
    """Return the segments sorted, adjacent ones merged; overlaps are refused.

    Example:
        >>> join_segments([Segment(2, b"b"), Segment(0, b"a"), Segment(1, b"-")])[0].data
        b'a-b'
    """
    numbered = (Piece(s.address, s.data, f"segment {n}") for n, s in enumerate(segments))
    return join_pieces(numbered, name=name)


def _overlap(first: Piece, second: Piece, name: str) -> ImageError:
    end = min(first.address + len(first.data), second.address + len(second.data))
    at = second.address - first.address
    same = first.data[at : at + end - second.address] == second.data[: end - second.address]
    return ImageError(
        f"{second.where} and {first.where} both load 0x{second.address:08x}..0x{end:08x}, "
        + ("with the same bytes" if same else "with different bytes"),
        where=name,
        next_step="two files were joined or two sections linked to one place; each address may be loaded once",
    )
