"""One way in for every firmware file: the format is told from the bytes, never from the name."""

from __future__ import annotations

import re

from rootwright.errors import ImageError
from rootwright.image.elf import read_elf
from rootwright.image.elfnumbers import MAGIC
from rootwright.image.intelhex import read_hex
from rootwright.image.model import ADDRESS_END, SPAN_LIMIT, Image, Segment
from rootwright.image.srecord import read_srec
from rootwright.image.vectors import find_vector_table

__all__ = ["find_vector_table", "read_image", "require_inside"]

_HEX_START = re.compile(rb"[ \t\r\n]*:[0-9A-Fa-f]{10}")
_SREC_START = re.compile(rb"[ \t\r\n]*S[0-9][0-9A-Fa-f]{6}")


def read_image(data: bytes, *, name: str, base: int | None = None) -> Image:
    """Return the image in a firmware file: ELF, Intel HEX, S-record, or raw bytes at `base`.

    Example:
        >>> read_image(b":0200100068691D\\n:00000001FF\\n", name="a.hex").segments[0].address
        16

    Args:
        data: The whole file.
        name: File name, for messages.
        base: Load address of a raw binary. For the other formats it may be given as a check: it must then be the lowest
            address of the file.

    Raises:
        ImageError: with byte offset or line number.
    """
    if not data:
        raise ImageError("the file is empty", where=name, next_step="build it again")
    if data[:4] == MAGIC:
        image = read_elf(data, name=name)
    elif _HEX_START.match(data):
        image = read_hex(data, name=name)
    elif _SREC_START.match(data):
        image = read_srec(data, name=name)
    else:
        return _read_raw(data, name, base)
    if base is not None and image.start != base:
        raise ImageError(
            f"the file starts at 0x{image.start:08x}, but its base is given as 0x{base:08x}",
            where=name,
            next_step=f"leave the base out, as {image.format.upper()} files carry addresses, or link to that address",
        )
    return image


def _read_raw(data: bytes, name: str, base: int | None) -> Image:
    if base is None:
        raise ImageError(
            "raw bytes without a load address (neither ELF, Intel HEX nor S-record)",
            where=f"{name}, byte offset 0",
            next_step="give the file's base address, or use the ELF file",
        )
    if base < 0 or base + len(data) > ADDRESS_END:
        raise ImageError(
            f"{len(data)} bytes at 0x{base:08x} run past the 32-bit address space",
            where=name,
            next_step="check the base address",
        )
    if len(data) > SPAN_LIMIT:
        raise ImageError(
            f"{len(data)} raw bytes, over the limit of {SPAN_LIMIT}",
            where=name,
            next_step="this is not a microcontroller's image; check the file name",
        )
    return Image(name, "bin", None, (Segment(base, data),))


def require_inside(image: Image, start: int, size: int) -> None:
    """Refuse an image that has a byte outside `start` .. `start + size`.

    Raises:
        ImageError: naming the first segment that sticks out, on which side and by how many bytes.
    """
    end = start + size
    for segment in image.segments:
        below, above = start - segment.address, segment.end - end
        if below <= 0 and above <= 0:
            continue
        parts = []
        if below > 0:
            parts.append(f"{min(below, len(segment.data))} bytes below its start")
        if above > 0:
            parts.append(f"{min(above, len(segment.data))} bytes past its end")
        raise ImageError(
            f"segment 0x{segment.address:08x}..0x{segment.end:08x} does not fit 0x{start:08x}..0x{end:08x}: "
            + " and ".join(parts),
            where=image.name,
            next_step="link it to this region, make it smaller, or give it more room",
        )
