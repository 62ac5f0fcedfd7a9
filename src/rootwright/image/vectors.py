"""Finding the Arm M-profile vector table in an image.

Source: Armv7-M Architecture Reference Manual, B1.5.3 "The vector table": word 0 is the initial stack pointer, word 1
the reset vector; bit 0 of every vector is set, as the processor runs Thumb code only (quoted from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.errors import ImageError
from rootwright.image.model import Image, VectorTable

MOST_ENTRIES = 512
"""16 system words and at most 496 interrupts (Armv7-M, B3.4.1; quoted from memory)."""

_NAMES = frozenset(
    {"vectors", "vector_table", "vectortable", "isr_vector", "isr_vectors", "interrupt_vectors", "exception_table"}
)
"""Names seen in start-up code, without leading dots and underscores; common practice, no source."""


def find_vector_table(image: Image, *, entries: int | None = None, at: int | None = None) -> VectorTable | None:
    """Return the vector table, or None where nothing in the image can be one.

    Looked at in turn: a symbol named like a table, a section named like one, the start of the image. A candidate counts
    if its first word is a stack pointer (a multiple of 4, not 0) and its second a Thumb address that the file loads.

    Args:
        image: The image; for RISC-V the answer is None.
        entries: Number of words, where known (16 + interrupts). Else the size of the symbol or section, else the words
            that are zero or Thumb addresses inside the image, up to the last that is not zero.
        at: Where the table is known to be; then it is looked for nowhere else.
    """
    if image.machine == "riscv":
        return None
    if entries is not None and not 2 <= entries <= MOST_ENTRIES:
        raise ImageError(
            f"{entries} vector table entries, expected 2..{MOST_ENTRIES}",
            where=image.name,
            next_step="count 16 system words and the part's interrupts",
        )
    for address, size in _candidates(image) if at is None else ((at, 0),):
        if not image.holds(address, 8) or address % 4:
            continue
        stack, reset = _word(image, address), _word(image, address + 4)
        if stack == 0 or stack % 4 or not _is_vector(image, reset):
            continue
        count = entries
        if count is None:
            count = size // 4 if size >= 8 else _count(image, address)
        if count > MOST_ENTRIES or not image.holds(address, 4 * count):
            continue
        return VectorTable(address, count, stack, reset)
    return None


def _candidates(image: Image) -> Iterator[tuple[int, int]]:
    for symbol in image.symbols:
        if symbol.kind != "function" and symbol.name.strip("_").lower() in _NAMES:
            yield symbol.address, symbol.size
    for section in image.sections:
        if section.name.strip("._").lower() in _NAMES:
            yield section.address, section.size
    yield image.start, 0


def _count(image: Image, address: int) -> int:
    used = 2
    for index in range(2, MOST_ENTRIES):
        if not image.holds(address + 4 * index, 4):
            break
        word = _word(image, address + 4 * index)
        if _is_vector(image, word):
            used = index + 1
        elif word:
            break
    return used


def _is_vector(image: Image, word: int) -> bool:
    return bool(word & 1) and image.holds(word - 1, 2)


def _word(image: Image, address: int) -> int:
    return int.from_bytes(image.read(address, 4), "little")
