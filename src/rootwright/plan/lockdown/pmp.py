"""Physical memory protection of RV32: entries NA4, NAPOT and TOR, locked or not, and the Smepmp extension.

The RISC-V Instruction Set Manual, Volume II, Physical Memory Protection: the lowest-numbered entry that matches any
byte decides; an entry without the lock bit does not bind machine mode; a locked one binds every mode until reset, and
a locked TOR entry locks the address register below it too. Smepmp: RISC-V Smepmp extension 1.0, table of
`mseccfg.MML`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

from rootwright.errors import PlanError
from rootwright.plan.lockdown.spans import Span

SOURCE = "RISC-V privileged specification, Physical Memory Protection"
SMEPMP_SOURCE = "RISC-V Smepmp extension 1.0"
PMPCFG0, PMPADDR0, MSECCFG = 0x3A0, 0x3B0, 0x747
R, W, X, LOCK = 1, 2, 4, 0x80
MML, MMWP = 1, 2


class Match(IntEnum):
    """The A field of an entry."""

    OFF = 0
    TOR = 1
    NA4 = 2
    NAPOT = 3


@dataclass(frozen=True, slots=True)
class Range:
    """One range with the low bits of its configuration: R, W, X and LOCK."""

    span: Span
    bits: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its address register and its configuration byte."""

    address: int
    config: int

    @property
    def match(self) -> Match:
        """The A field."""
        return Match(self.config >> 3 & 3)


def napot_address(span: Span) -> int | None:
    """Return the address register of a naturally aligned power of two, None where the span is none.

    Example:
        >>> hex(napot_address(Span(0x2000_0000, 0x2000_8000)))
        '0x8000fff'
    """
    size = span.size
    if size < 4 or size & (size - 1) or span.start % size:
        return None
    return span.start >> 2 | ((size >> 3) - 1 if size > 4 else 0)


def fewest_entries(ranges: Iterable[Range], *, granule: int = 4) -> tuple[Entry, ...]:
    """Return the fewest entries that give each of these disjoint ranges its bits, in order of address.

    A range takes one entry as NA4 or NAPOT, one as TOR where the entry below ends at its base (or its base is 0), else
    two: one switched off that holds the base, and a TOR. Which is best for a range depends only on how the one below
    was written, so the choice is made from the lowest up.

    Args:
        granule: The part's granule in bytes, a power of two from 4 on.

    Raises:
        PlanError: Ranges overlap or are not made of whole granules.
    """
    rows = sorted(ranges, key=lambda each: each.span)
    for low, high in pairwise(rows):
        if low.span.end > high.span.start:
            raise PlanError(f"two ranges share 0x{high.span.start:X}", next_step="give each address one set of rights")
    for row in rows:
        if row.span.start % granule or row.span.end % granule or row.span.size <= 0:
            raise PlanError(
                f"0x{row.span.start:X} to 0x{row.span.end:X} is not made of whole granules of {granule} bytes",
                next_step="align the block",
            )
    # Best entries so far, by whether the last one's address register holds the end of its range.
    best: dict[bool, tuple[Entry, ...] | None] = {False: None, True: ()}
    reach = 0  # a first TOR entry starts at 0
    for row in rows:
        alone = napot_address(row.span)
        fewest = min((e for e in best.values() if e is not None), key=len)
        kind = Match.NA4 if row.span.size == 4 else Match.NAPOT
        napot = None if alone is None else (*fewest, Entry(alone, row.bits | kind << 3))
        top = Entry(row.span.end >> 2, row.bits | Match.TOR << 3)
        # The entry that holds the base alone is off and locked with the range: unlocked, it could be switched on later,
        # and being lower in number it would decide before the range that it serves.
        tor = (*fewest, Entry(row.span.start >> 2, Match.OFF << 3 | row.bits & LOCK), top)
        chained = best[True]
        if chained is not None and reach == row.span.start and len(chained) + 1 <= len(tor):
            tor = (*chained, top)
        best = {False: napot, True: tor}
        reach = row.span.end
    return min((e for e in best.values() if e is not None), key=len)


def spans_of(entries: Iterable[Entry]) -> tuple[tuple[Span, int], ...]:
    """Return what entries cover, with their configuration, in order of priority; switched-off ones cover nothing."""
    found: list[tuple[Span, int]] = []
    below = 0
    for entry in entries:
        if entry.match is Match.TOR and below << 2 < entry.address << 2:
            found.append((Span(below << 2, entry.address << 2), entry.config))
        elif entry.match is Match.NA4:
            found.append((Span(entry.address << 2, (entry.address << 2) + 4), entry.config))
        elif entry.match is Match.NAPOT:
            ones = (~entry.address & (entry.address + 1)).bit_length() - 1
            start = (entry.address & ~((1 << ones) - 1)) << 2
            found.append((Span(start, start + (8 << ones)), entry.config))
        below = entry.address
    return tuple(found)


def config_words(entries: Iterable[Entry]) -> tuple[int, ...]:
    """Return the values of pmpcfg0, pmpcfg1 and so on, four entries to a word, the first in the lowest byte."""
    bytes_ = [entry.config for entry in entries]
    return tuple(sum(byte << 8 * n for n, byte in enumerate(bytes_[at : at + 4])) for at in range(0, len(bytes_), 4))


_SMEPMP = {
    ("", ""): LOCK,
    ("", "x"): X,
    ("rw", "r"): W,
    ("rw", "rw"): W | X,
    ("", "r"): R,
    ("", "rx"): R | X,
    ("", "rw"): R | W,
    ("", "rwx"): R | W | X,
    ("x", ""): LOCK | X,
    ("x", "x"): LOCK | W,
    ("rx", "x"): LOCK | W | X,
    ("r", ""): LOCK | R,
    ("rx", ""): LOCK | R | X,
    ("rw", ""): LOCK | R | W,
    ("r", "r"): LOCK | R | W | X,
}


def smepmp_bits(machine: str, user: str) -> int:
    """Return the configuration bits that give machine and user mode these rights while `mseccfg.MML` is set.

    Raises:
        PlanError: The extension has no encoding for this pair.
    """
    if (machine, user) not in _SMEPMP:
        raise PlanError(f"Smepmp has no encoding for machine {machine!r} and user {user!r}", next_step="choose others")
    return _SMEPMP[machine, user]
