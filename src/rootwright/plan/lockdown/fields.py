"""Write protections, closed areas and watermarks as a part writes them: masks, ranges, sizes and levels in fields.

A mask has a bit for each granule (a sector, or a group of sectors); the part says whether a 1 or a 0 protects. A range
has its first and its last granule; one that starts above its end is empty, which is how a range that is not used is
written. A size counts granules from the start of the memory. Where the bits lie, the chip file says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate

from rootwright.describe.chip import Chip, Memory, Protection
from rootwright.describe.lock_field import LockField, LockRole
from rootwright.errors import PlanError
from rootwright.plan.lockdown.spans import Span, merged

SOURCE = "chip file"


@dataclass(frozen=True, slots=True)
class FieldValue:
    """The value of one field, shifted to its place in its word, and what it says."""

    field: LockField
    value: int
    says: str


def encode(
    protection: Protection, fields: Sequence[LockField], memory: Memory, spans: Iterable[Span]
) -> list[FieldValue]:
    """Return the value of every field of a protection so that it covers exactly these spans of one memory.

    Raises:
        PlanError: The spans are not whole granules, or the fields cannot say them; the message says which.
    """
    pieces = merged(spans)
    edges = unit_edges(protection, memory)
    number = {edge: n for n, edge in enumerate(edges)}
    for piece in pieces:
        if piece.start not in number or piece.end not in number:
            what = "groups" if protection.groups else f"granules of {edges[1] - edges[0]} bytes"
            raise PlanError(
                f"0x{piece.start:X} to 0x{piece.end:X} is not made of whole {what}",
                where=f"protection {protection.name}",
                next_step=f"move the block to a {'group' if protection.groups else 'granule'}'s start",
            )
    runs = [(number[p.start], number[p.end]) for p in pieces]
    made: list[FieldValue] = []
    masks = [field for field in fields if field.role is LockRole.MASK]
    if masks:
        made += _masks(protection, masks, runs)
    sizes = [field for field in fields if field.role is LockRole.SIZE]
    if sizes:
        made += _sizes(protection, sizes, runs)
    starts = [field for field in fields if field.role is LockRole.START]
    ends = [field for field in fields if field.role is LockRole.END]
    if starts or ends:
        made += _ranges(protection, starts, ends, runs)
    for field in fields:
        if field.role is LockRole.LEVEL and field.locked is not None:
            made.append(FieldValue(field, field.locked << field.low, f"locked: 0x{field.locked:X}"))
    order = {field.name: index for index, field in enumerate(fields)}
    return sorted(made, key=lambda each: order[each.field.name])


def _masks(protection: Protection, fields: Sequence[LockField], runs: Sequence[tuple[int, int]]) -> list[FieldValue]:
    wanted = {number for low, high in runs for number in range(low, high)}
    made = []
    for field in fields:
        here = wanted & set(range(field.first, field.first + field.bits))
        wanted -= here
        bits = sum(1 << (number - field.first) for number in here)
        shown = _numbers(here)
        says = f"granules {shown} protected" if here else "no granule protected"
        if field.active_low:
            bits = ((1 << field.bits) - 1) ^ bits
            says += " (a 0 protects)"
        made.append(FieldValue(field, bits << field.low, says))
    if wanted:
        raise PlanError(
            f"no mask has a bit for granule{'' if len(wanted) == 1 else 's'} {_numbers(wanted)}",
            where=f"protection {protection.name}",
            next_step="describe the missing lock fields",
        )
    return made


def _numbers(numbers: Iterable[int]) -> str:
    """Return numbers as runs: "0-7, 9".

    >>> _numbers({0, 1, 2, 9})
    '0-2, 9'
    """
    spans = merged(Span(number, number + 1) for number in numbers)
    return ", ".join(str(s.start) if s.size == 1 else f"{s.start}-{s.end - 1}" for s in spans)


def _ranges(
    protection: Protection, starts: Sequence[LockField], ends: Sequence[LockField], runs: Sequence[tuple[int, int]]
) -> list[FieldValue]:
    by_number = {field.first: field for field in ends}
    pairs = [(field, by_number[field.first]) for field in starts if field.first in by_number]
    if len(pairs) != len(starts) or len(pairs) != len(ends):
        raise PlanError(
            "range starts and range ends do not pair by number",
            where=f"protection {protection.name}",
            next_step="give each region one start and one end with the same `first`",
        )
    if len(runs) > len(pairs):
        raise PlanError(
            f"{len(runs)} separate runs, {len(pairs)} regions",
            where=f"protection {protection.name}",
            next_step="put the blocks side by side",
        )
    made = []
    for index, (start, end) in enumerate(pairs):
        if index < len(runs):
            low, high = runs[index][0], runs[index][1] - 1
            for field, number in ((start, low), (end, high)):
                if number >> field.bits:
                    raise PlanError(
                        f"granule {number} does not fit the {field.bits} bits of {field.name}",
                        where=f"protection {protection.name}",
                        next_step="check the field's bits",
                    )
            made.append(FieldValue(start, low << start.low, f"region {start.first} from granule {low}"))
            made.append(FieldValue(end, high << end.low, f"region {end.first} to granule {high}, included"))
        else:
            highest = (1 << start.bits) - 1
            made.append(FieldValue(start, highest << start.low, f"region {start.first} empty: start above end"))
            made.append(FieldValue(end, 0, f"region {end.first} empty: start above end"))
    return made


def _sizes(protection: Protection, fields: Sequence[LockField], runs: Sequence[tuple[int, int]]) -> list[FieldValue]:
    if len(runs) > 1 or (runs and runs[0][0] != 0):
        raise PlanError(
            "it covers one run from the start of its memory, and the blocks are not that",
            where=f"protection {protection.name}",
            next_step="put the blocks at the start of the memory, side by side",
        )
    count = runs[0][1] if runs else 0
    made = []
    for field in fields:
        if count >> field.bits:
            raise PlanError(
                f"{count} granules do not fit the {field.bits} bits of {field.name}",
                where=f"protection {protection.name}",
                next_step="check the field's bits",
            )
        made.append(FieldValue(field, count << field.low, f"{count} granules from the start of the memory"))
        count = 0  # further regions of one memory stay empty
    return made


def unit_edges(protection: Protection, memory: Memory) -> tuple[int, ...]:
    """Return where the units begin that a protection covers as wholes: groups, else granules; and the memory's end."""
    if protection.groups:
        return tuple(memory.base + edge for edge in (0, *accumulate(protection.groups)))
    granule = protection.granule or memory.runs[0].size
    return (*range(memory.base, memory.end, granule), memory.base + -(-memory.size // granule) * granule)


def decode(protection: Protection, chip: Chip, memory: Memory, words: dict[str, int]) -> tuple[Span, ...]:
    """Return what a protection covers by the values of its fields, each shifted to its place in its word.

    The inverse of `encode`, for readback: masks, ranges (empty where the start is above the end) and sizes.
    """
    edges = unit_edges(protection, memory)
    last = len(edges) - 1
    found: list[Span] = []
    starts: dict[int, int] = {}
    ends: dict[int, int] = {}
    for field in chip.find_lock_fields(protection.name):
        if field.name not in words:
            continue
        value = words[field.name] >> field.low & (1 << field.bits) - 1
        if field.role is LockRole.MASK:
            bits = value ^ ((1 << field.bits) - 1) if field.active_low else value
            numbers = [field.first + n for n in range(field.bits) if bits >> n & 1]
            found += [Span(edges[n], edges[n + 1]) for n in numbers if n < last]
        elif field.role is LockRole.SIZE:
            found.append(Span(memory.base, edges[min(value, last)]))
        elif field.role is LockRole.START:
            starts[field.first] = value
        elif field.role is LockRole.END:
            ends[field.first] = value
    for number, low in starts.items():
        if number in ends and low <= ends[number] and low < last:
            found.append(Span(edges[low], edges[min(ends[number] + 1, last)]))
    return merged(found)
